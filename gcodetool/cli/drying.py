"""``drying``: how to dry a spool, when it is done, and what weigh-ins of a drying run say."""

import json
import sys
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gcodetool.cli.completion import completing
from gcodetool.cli.configured import configured
from gcodetool.cli.options import (
    at_option,
    confidence_option,
    json_option,
    ledger_option,
    lone_spool,
    members_option,
    page_path,
    tariff_option,
)
from gcodetool.cli.output import say_json
from gcodetool.cli.quantity_types import Amount
from gcodetool.cli.shelf import ANY_DRYER, DRYER, PLACE, SPOOL
from gcodetool.errors import UsageError
from gcodetool.quantities import HOURS, HUMIDITY, POWER, TEMPERATURE, WATER
from gcodetool.shell import shell_word

if TYPE_CHECKING:
    from gcodetool.app.drying import DryerQuestion, JobToDryFor

MOMENT = at_option("The moment it is put in")
JSON = json_option("Print one JSON object (docs/drying.schema.json).")


@click.group(epilog="Example: gcodetool drying plan pa6-07.toml --dryer oven")
def drying() -> None:
    """Plan a drying, say when it is done, read its weigh-ins.

    Heat, fumes and unattended machines hurt people: makers' limits and local codes come first.
    """


@drying.command(
    epilog="Example: gcodetool drying plan pa6-07.toml --dryer oven --for manifold.gcode --tariff 0.30"
)
@click.argument("spools", metavar="ID|FILE...", type=SPOOL, nargs=-1, callback=lone_spool)
@click.option(
    "--dryer",
    metavar="PLACE",
    type=ANY_DRYER,
    default=configured("dryer"),
    help="A place of the record, or a dryer profile; left out: all dryers of the record side by side.",
)
@click.option("--room", metavar="PLACE", type=PLACE, help="The place of the record that the dryer stands in.")
@click.option(
    "--temperature",
    "room_C",
    type=Amount(TEMPERATURE),
    metavar="C",
    help="Temperature of the dryer's room, °C; with --humidity.",
)
@click.option(
    "--humidity",
    "room_rh",
    type=Amount(HUMIDITY, 0, 100),
    metavar="RH",
    help="Humidity of the dryer's room, % RH.",
)
@click.option(
    "--at-most",
    "at_most_C",
    type=Amount(TEMPERATURE),
    metavar="C",
    help="The highest temperature that you allow, °C.",
)
@click.option(
    "--hours",
    "cap_h",
    type=Amount(HOURS, 0.1, 2000),
    default=72.0,
    show_default=True,
    metavar="H",
    help="The longest drying to consider.",
)
@click.option(
    "--to",
    "to_wt_pct",
    type=Amount(WATER, 0.0, 100.0),
    metavar="WT",
    help="Water content to reach instead of dry, wt %; above the present one: conditioning in a damp place.",
)
@click.option(
    "--for",
    "job",
    type=click.Path(path_type=Path),
    metavar="JOB",
    help="A sliced file: dry only as that job needs.",
)
@click.option("--tool", type=click.IntRange(0), metavar="N", help="Which of the job's tools, if several.")
@click.option(
    "--printer",
    metavar="NAME|FILE",
    shell_complete=completing("printer"),
    help="Printer profile for the job's time.",
)
@click.option(
    "--place", metavar="NAME", type=PLACE, help="Place of the record in whose air the job is printed."
)
@click.option("--power", "power_W", type=Amount(POWER, 0), metavar="W", help="The dryer's mean power.")
@tariff_option
@click.option("--more", is_flag=True, help="Also why, the course, what else would work, and every caution.")
@MOMENT
@confidence_option("Share of the forecast's members that must be there by then.")
@members_option()
@ledger_option
@JSON
def plan(
    spools: tuple[str, ...],
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
    more: bool,
    at_s: float | None,
    confidence: float,
    members: int | None,
    ledger: str | None,
    as_json: bool,
) -> int:
    """Say how hot and how long to dry a spool.

    Several spools share the dryer: one temperature, the longest of their times.
    """
    from gcodetool.app.drying import DryerQuestion, drying_plan

    wanted_for = _job(job, tool, printer, place)
    asked = DryerQuestion(dryer, room, room_C, room_rh, power_W)
    if len(spools) > 1 or (dryer is None and job is None and to_wt_pct is None):
        if job is not None or to_wt_pct is not None:
            raise UsageError("--for and --to are for one spool; name one, or leave them out")
        terms = SharedTerms(at_s, confidence, members, cap_h * 3600.0, at_most_C, tariff, ledger)
        if plan_several(spools, asked, terms, as_json=as_json):
            return 0
    made, held = drying_plan(
        spools[0],
        asked,
        job=wanted_for,
        to_wt_pct=to_wt_pct,
        at=at_s,
        confidence=confidence,
        members=members,
        cap_s=cap_h * 3600.0,
        at_most_C=at_most_C,
        tariff_per_kWh=tariff,
        ledger=ledger,
    )
    if as_json:
        from gcodetool.report.drying_json import plan_dict

        say_json(json.dumps(plan_dict(made, held), indent=1, allow_nan=False))
    else:
        from gcodetool.report.drying_text import print_plan

        print_plan(made, held, sys.stdout, more=more)
    return 0


@dataclass(frozen=True)
class SharedTerms:
    """What a plan for several spools or several dryers is asked for."""

    at: float | None
    confidence: float
    members: int | None
    cap_s: float
    at_most_C: float | None
    tariff_per_kWh: float | None
    ledger: str | None


def plan_several(
    spools: tuple[str, ...], asked: "DryerQuestion", terms: SharedTerms, *, as_json: bool
) -> bool:
    """Print the plan of several spools, or of one in several dryers; False: it is one spool in one dryer."""
    from gcodetool.app.drying_shared import drying_choices, drying_together, known_dryers

    words: dict[str, Any] = {field.name: getattr(terms, field.name) for field in fields(terms)}
    if asked.name is None:
        dryers = known_dryers(spools, ledger=terms.ledger)
        if len(dryers) == 1:
            if len(spools) == 1:
                return False
            asked = replace(asked, name=dryers[0])
    if asked.name is not None:
        found, held = drying_together(spools, asked, **words)
        if as_json:
            from gcodetool.report.drying_json import together_dict

            say_json(json.dumps(together_dict(found, held), indent=1, allow_nan=False))
        else:
            from gcodetool.report.drying_together_text import print_together

            print_together(found, held, sys.stdout)
        return True
    choices, held = drying_choices(spools, asked, **words)
    if as_json:
        from gcodetool.report.drying_json import choices_dict

        say_json(json.dumps(choices_dict(choices, held), indent=1, allow_nan=False))
    else:
        from gcodetool.report.drying_together_text import print_choices

        print_choices(choices, held, sys.stdout)
    return True


@drying.command(epilog="Example: gcodetool drying status oven. Exit code: 0, or 1 an error, 2 misuse.")
@click.argument("word", metavar="ID|FILE|PLACE", type=SPOOL, required=False, callback=lone_spool)
@click.option(
    "--for", "job", type=click.Path(path_type=Path), metavar="JOB", help="A sliced file: as dry as it needs."
)
@click.option("--tool", type=click.IntRange(0), metavar="N", help="Which of the job's tools, if several.")
@click.option(
    "--printer",
    metavar="NAME|FILE",
    shell_complete=completing("printer"),
    help="Printer profile for the job's time.",
)
@click.option("--place", metavar="NAME", type=PLACE, help="Place in whose air the job is printed.")
@click.option(
    "--to", "to_wt_pct", type=Amount(WATER, 0.0, 100.0), metavar="WT", help="Water content to reach, wt %."
)
@tariff_option
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    metavar="FILE.html",
    help="Also write a page with pictures of the run; an existing one is replaced.",
)
@at_option("The moment to look at")
@members_option()
@ledger_option
@JSON
def status(
    word: str,
    job: Path | None,
    tool: int | None,
    printer: str | None,
    place: str | None,
    to_wt_pct: float | None,
    tariff: float | None,
    output: Path | None,
    at_s: float | None,
    members: int | None,
    ledger: str | None,
    as_json: bool,
) -> int:
    """Say whether a spool in a dryer is done, and when it will be.

    Of a dryer, all spools in it.  A reel is judged by its wettest turns: it is done when 19 chances in 20 say so.
    """
    from gcodetool.app.drying import StatusQuestion, statuses
    from gcodetool.app.resolve import clock

    asked = StatusQuestion(_job(job, tool, printer, place), to_wt_pct, clock(at_s), members, tariff, ledger)
    if output is None:
        found = tuple(said for _, _, said in statuses(word, asked))
    else:
        from gcodetool.app.drying_page import drying_status_page

        page_path(output)
        found = drying_status_page(word, asked, output)
    if as_json:
        from gcodetool.report.drying_json import statuses_dict

        click.echo(json.dumps(statuses_dict(found), indent=1, allow_nan=False))
    elif not found:
        click.echo(f"no spool in {word}; note one with 'gcodetool spool move ID {shell_word(word)}'")
    else:
        from gcodetool.report.drying_text import print_statuses

        print_statuses(found, sys.stdout)
    if output is not None and found:
        click.echo(f"wrote {output}", err=as_json)
    return 0


@drying.command("list", epilog="Example: gcodetool drying list --tariff 0.30")
@tariff_option
@at_option("The moment to look at")
@members_option()
@ledger_option
@JSON
def list_dryers(
    tariff: float | None, at_s: float | None, members: int | None, ledger: str | None, as_json: bool
) -> int:
    """List what is in the dryers, and what they used by month.

    Hours with a spool in it count, several at a time once; its power is the dryer's own (place set --watts), else that
    of the profile that it is named after.
    """
    from gcodetool.app.drying_list import drying_list

    inside, months = drying_list(at=at_s, members=members, tariff_per_kWh=tariff, ledger=ledger)
    if as_json:
        from gcodetool.report.drying_json import list_dict

        click.echo(json.dumps(list_dict(inside, months), indent=1, allow_nan=False))
    else:
        from gcodetool.report.drying_text import print_list_of_dryers

        print_list_of_dryers(inside, months, sys.stdout)
    return 0


def _job(job: Path | None, tool: int | None, printer: str | None, place: str | None) -> "JobToDryFor | None":
    """Return the job that a spool is dried for; None: none."""
    from gcodetool.app.drying import JobToDryFor

    if job is None and not (tool is None and printer is None and place is None):
        raise UsageError("--tool, --printer and --place belong to a job; name it with --for JOB")
    return None if job is None else JobToDryFor(job, tool, printer, place)


@drying.command(epilog="Example: gcodetool drying fit pa6-07.toml --log oven.csv --knob 80")
@click.argument("spool", metavar="ID|FILE", type=SPOOL, required=False, callback=lone_spool)
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
@click.option(
    "--knob",
    "knob_C",
    type=Amount(TEMPERATURE),
    metavar="C",
    help="The temperature that its knob showed during that log, °C.",
)
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
    """Read the last run's weigh-ins: dry limit, water left."""
    from gcodetool.app.drying import drying_fit

    made = drying_fit(spool, dryer, log=log, knob_C=knob_C, at=at_s, members=members, ledger=ledger)
    if as_json:
        from gcodetool.report.drying_json import fit_dict

        say_json(json.dumps(fit_dict(made), indent=1, allow_nan=False))
    else:
        from gcodetool.report.drying_text import print_fit

        print_fit(made, sys.stdout)
    return 0
