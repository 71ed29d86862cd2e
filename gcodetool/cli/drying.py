"""``drying``: how to dry a spool, and what weigh-ins of a drying run say."""

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from gcodetool.cli.options import (
    at_option,
    clock,
    confidence_option,
    json_option,
    ledger_option,
    members_option,
)
from gcodetool.cli.shelf import DRYER, PLACE, SPOOL
from gcodetool.errors import UsageError

if TYPE_CHECKING:
    from gcodetool.drying.device import Device, Room
    from gcodetool.drying.job import JobFeed
    from gcodetool.drying.thermostat import Thermostat
    from gcodetool.moisture.history import State
    from gcodetool.moisture.record import Spool

HOUR_S: Final = 3600.0
MOMENT = at_option("The moment it is put in")
JSON = json_option("Print one JSON object (docs/drying.schema.json).")


@click.group(epilog="Example: gcodetool drying plan pa6-07.toml --dryer oven")
def drying() -> None:
    """Say how to dry a spool and whether this dryer can, and read a drying run's weigh-ins.

    Heat, fumes and unattended machines hurt people: makers' limits and local codes come first.
    """


@drying.command(
    epilog="Example: gcodetool drying plan pa6-07.toml --dryer oven --for manifold.gcode --tariff 0.30"
)
@click.argument("spool", metavar="ID|FILE", type=SPOOL)
@click.option(
    "--dryer",
    metavar="PLACE",
    type=DRYER,
    help="A place of the spool's record, or a dryer profile; else the record's only dryer.",
)
@click.option("--room", metavar="PLACE", type=PLACE, help="The place of the record that the dryer stands in.")
@click.option("--temperature", "room_C", type=float, metavar="C", help="The room's, with --humidity.")
@click.option(
    "--humidity", "room_rh", type=click.FloatRange(0, 100), metavar="RH", help="The room's, in per cent."
)
@click.option("--at-most", "at_most_C", type=float, metavar="C", help="Your own limit of the temperature.")
@click.option(
    "--hours",
    "cap_h",
    type=click.FloatRange(0.1, 2000),
    default=72.0,
    show_default=True,
    metavar="H",
    help="How far to look.",
)
@click.option(
    "--to",
    "to_wt_pct",
    type=click.FloatRange(0.0, 100.0),
    metavar="WT",
    help="A content to reach instead of dry, wt %; above the present one: conditioning in a damp place.",
)
@click.option(
    "--for",
    "job",
    type=click.Path(path_type=Path),
    metavar="JOB",
    help="A sliced file: dry only as that job needs.",
)
@click.option("--tool", type=click.IntRange(0), metavar="N", help="Which of the job's tools, if several.")
@click.option("--printer", metavar="NAME|FILE", help="Printer profile for the job's time.")
@click.option(
    "--place", metavar="NAME", type=PLACE, help="Place of the record in whose air the job is printed."
)
@click.option("--power", "power_W", type=click.FloatRange(0), metavar="W", help="The dryer's mean power.")
@click.option("--tariff", type=click.FloatRange(0), metavar="PRICE", help="Price of a kWh, in your currency.")
@MOMENT
@confidence_option("Quantile of the forecast that must have got there.")
@members_option()
@ledger_option
@JSON
def plan(
    spool: str,
    dryer: str | None,
    room: str | None,
    room_C: float | None,
    room_rh: float | None,
    at_most_C: float | None,
    cap_h: float,
    to_wt_pct: float | None,
    job: Path | None,
    tool: int | None,
    printer: str | None,
    place: str | None,
    power_W: float | None,
    tariff: float | None,
    at_s: float | None,
    confidence: float,
    members: int | None,
    ledger: str | None,
    as_json: bool,
) -> int:
    """Say how hot and how long to dry a spool, and whether this dryer can get it there at all."""
    from gcodetool.cli.options import find_spool, snapshots_of
    from gcodetool.drying.plan import plan as make_plan
    from gcodetool.moisture.history import state_at
    from gcodetool.moisture.members import usual

    if job is not None and to_wt_pct is not None:
        raise UsageError("--for and --to exclude each other: a job says how dry; leave one out")
    if job is None and not (tool is None and printer is None and place is None):
        raise UsageError("--tool, --printer and --place speak of a job; name it with --for JOB")
    named = tuple(name for name in (dryer, room, place) if name is not None)
    held = find_spool(spool, ledger=ledger, also=named if dryer is not None else (*named, *dryers_of(ledger)))
    state = state_at(
        held,
        clock(at_s),
        members=usual(members),
        shelf=snapshots_of(ledger)(held),
    )
    device = device_of(held, state, dryer, _room(held, state, room, room_C, room_rh), power_W)
    fed = None
    if job is not None:
        fed = job_feed(job, held, state, tool=tool, printer=printer, place=place, ledger=ledger)
    made = make_plan(
        state,
        device,
        confidence=confidence,
        cap_s=cap_h * HOUR_S,
        at_most_C=at_most_C,
        to_wt_pct=to_wt_pct,
        job=fed,
        tariff_per_kWh=tariff,
    )
    if as_json:
        from gcodetool.report.drying_json import plan_dict

        click.echo(json.dumps(plan_dict(made, held), indent=1, allow_nan=False))
    else:
        from gcodetool.report.drying_text import print_plan

        print_plan(made, held, sys.stdout)
    return 0


@drying.command(epilog="Example: gcodetool drying fit pa6-07.toml --log oven.csv --knob 80")
@click.argument("spool", metavar="ID|FILE", type=SPOOL)
@click.option(
    "--dryer", metavar="PLACE", type=DRYER, help="The place of the run; else the dryer it was in last."
)
@click.option(
    "--log",
    "log",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The dryer's own temperature, CSV with the columns time and temperature_C.",
)
@click.option("--knob", "knob_C", type=float, metavar="C", help="What its knob was at during that log.")
@MOMENT
@members_option()
@ledger_option
@JSON
def fit(
    spool: str,
    dryer: str | None,
    log: Path | None,
    knob_C: float | None,
    at_s: float | None,
    members: int | None,
    ledger: str | None,
    as_json: bool,
) -> int:
    """Read the last drying run's weigh-ins: dry limit, water left, and whether an hour more is worth it."""
    from gcodetool.cli.options import find_spool
    from gcodetool.drying.fit import fit as make_fit
    from gcodetool.moisture.members import usual

    held = find_spool(spool, ledger=ledger, also=() if dryer is None else (dryer,))
    now_s = clock(at_s)
    if knob_C is not None and log is None and not _logged(held, dryer):
        raise UsageError("--knob says what a log was taken at; name the log with --log FILE")
    made = make_fit(
        held,
        now_s,
        members=usual(members),
        place=dryer,
        warmth=_warmth(held, now_s, dryer, log, knob_C),
    )
    if as_json:
        from gcodetool.report.drying_json import fit_dict

        click.echo(json.dumps(fit_dict(made), indent=1, allow_nan=False))
    else:
        from gcodetool.report.drying_text import print_fit

        print_fit(made, sys.stdout)
    return 0


def _room(
    held: "Spool", state: "State", name: str | None, celsius: float | None, rh_pct: float | None
) -> "Room | None":
    """Return the room as the call states it; None: it does not."""
    from gcodetool.drying.device import room_at, room_of
    from gcodetool.ledger.spoolfile import COLDEST_C

    if (celsius is None) != (rh_pct is None):
        raise UsageError("--temperature and --humidity describe the room together; add the other")
    if celsius is None or rh_pct is None:
        return None if name is None else room_of(held, name, state.as_of_s)
    if name is not None:
        raise UsageError("--room names a place, --temperature and --humidity state another; leave one out")
    if not COLDEST_C <= celsius <= 60:
        raise UsageError(f"--temperature {celsius:g}: a room is from {COLDEST_C:g} to 60 °C; correct it")
    return room_at(celsius, rh_pct)


def device_of(
    held: "Spool", state: "State", name: str | None, room: "Room | None", power_W: float | None
) -> "Device":
    """Return the place of the record or the profile that *name* means; None: the record's only dryer.

    Raises
    ------
    UsageError
        Neither has that name, or there is no saying which is meant.
    """
    from gcodetool import profiles
    from gcodetool.drying.device import likely_room, of_place, of_profile, powered

    dryers = [place.name for place in held.places.values() if place.kind == "dryer"]
    if name is None:
        if len(dryers) != 1:
            has = f"the record's ({', '.join(dryers)})" if dryers else "a place of the record"
            raise UsageError(
                f"which dryer? Name one with --dryer: {has}, or a profile: {', '.join(profiles.names('dryers'))}"
            )
        name = dryers[0]
    path = profiles.path_of("dryers", name) if profiles.is_path(name) else profiles.lookup("dryers", name)
    like = None if path is None else profiles.dryer(path)
    if name in held.places:
        return powered(of_place(held, state, name, room=room), power_W, like)
    if like is None:
        import difflib

        known = [*held.places, *profiles.names("dryers")]
        near = difflib.get_close_matches(name, known, n=1)
        offer = f"did you mean '{near[0]}'?" if near else f"known: {', '.join(known)}"
        raise UsageError(f"--dryer '{name}': no place of {held.id} and no dryer profile; {offer}")
    return powered(of_profile(like, likely_room(held, state) if room is None else room), power_W)


def job_feed(
    path: Path,
    held: "Spool",
    state: "State",
    *,
    tool: int | None,
    printer: str | None,
    place: str | None,
    ledger: str | None = None,
) -> "JobFeed":
    """Return what one tool of a sliced file takes off the spool, and in which air.

    Raises
    ------
    UsageError
        Several tools and none named, or one that feeds nothing.
    """
    from gcodetool.advice.job import feed_of
    from gcodetool.cli.options import find_printer
    from gcodetool.drying.job import JobFeed
    from gcodetool.gcode.program import read
    from gcodetool.judge.print_air import printed_in
    from gcodetool.motion.timeline import timeline

    machine = find_printer(printer, ledger=ledger).profile
    program = read(path, dialect=None if machine is None else machine.dialect)
    jobs = timeline(program, printer=machine, filament_diameter_mm=held.diameter_mm)
    names = ", ".join(str(each) for each in jobs.tools)
    if not jobs.tools:
        raise UsageError(f"--for {path}: no filament is extruded there")
    if tool is None and len(jobs.tools) > 1:
        raise UsageError(f"--for {path}: it feeds from tools {names}; name this spool's with --tool N")
    if tool is not None and tool not in jobs.tools:
        raise UsageError(f"--tool {tool}: {path} feeds nothing from it; it uses {names}")
    feed, _ = feed_of(jobs, jobs.tools[0] if tool is None else tool)
    here = printed_in(held, state, at_s=state.as_of_s, place=place, printer=machine)
    return JobFeed(path.name, feed, jobs.open_air_s, here.air, here.words)


def dryers_of(ledger: str | None) -> list[str]:
    """Return the dryers of the ledger; none where there is no ledger."""
    from gcodetool.cli.shelf import names

    return names(ledger, "place", "dryer")


def _logged(held: "Spool", dryer: str | None) -> bool:
    """Return whether the record holds a log of the dryer."""
    return any(
        place.log is not None and (place.name == dryer or (dryer is None and place.kind == "dryer"))
        for place in held.places.values()
    )


def _warmth(
    held: "Spool", now_s: float, dryer: str | None, log: Path | None, knob_C: float | None
) -> "Thermostat | None":
    """Return what a log says of the dryer: the one named, else the record's own."""
    from gcodetool.drying.fit import last_run
    from gcodetool.drying.thermostat import thermostat
    from gcodetool.ledger.dryerlog import read_temperatures

    if log is not None:
        return thermostat(*read_temperatures(log), knob_C)
    own = last_run(held, now_s, dryer)[2].log
    return None if own is None else thermostat(own.at_s, own.temperature_C, knob_C)
