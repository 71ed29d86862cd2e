"""``drying``: how to dry a spool, when it is done, and what weigh-ins of a drying run say."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from gcodetool import profiles
from gcodetool.app.check import SpoolWord
from gcodetool.app.resolve import (
    Moment,
    clock,
    find_printer,
    find_spool,
    is_dryer,
    nearest,
    snapshots_of,
    spools_in_dryer,
)
from gcodetool.drying.device import (
    Device,
    Room,
    likely_room,
    of_profile,
    of_record,
    power_said,
    powered,
    profile_named,
    room_at,
    room_of,
)
from gcodetool.drying.fit import Fit
from gcodetool.drying.fit import fit as fit_run
from gcodetool.drying.job import JobFeed
from gcodetool.drying.limits import shared_bounds
from gcodetool.drying.plan import DryingPlan
from gcodetool.drying.plan import plan as make_plan
from gcodetool.drying.runs import last_run
from gcodetool.drying.status import DryingStatus
from gcodetool.drying.status import status as make_status
from gcodetool.drying.thermostat import Thermostat, thermostat
from gcodetool.drying.together import companions
from gcodetool.errors import UsageError
from gcodetool.judge.print_air import air_of_print
from gcodetool.ledger.airlogfile import COLDEST_C
from gcodetool.moisture.constants import HOUR_S
from gcodetool.moisture.history import State, state_at
from gcodetool.moisture.members import default_members
from gcodetool.moisture.record import Spool

if TYPE_CHECKING:
    from gcodetool.profiles import Printer

WARMEST_ROOM_C: Final = 60.0


@dataclass(frozen=True)
class JobToDryFor:
    """The job that a spool is dried for.

    Attributes
    ----------
    path, tool : the sliced file, and which of its tools the spool feeds; None: its only one.
    printer, place : as for a check.
    """

    path: str | Path
    tool: int | None = None
    printer: "str | Printer | None" = None
    place: str | None = None


@dataclass(frozen=True)
class DryerQuestion:
    """What a spool is dried in.

    Attributes
    ----------
    name : a place of the spool's record or a dryer profile; None: the record's only dryer.
    room : the place of the record that it stands in.
    room_C, room_rh_pct : temperature and humidity of the room, where no place states them; both or neither.
    power_W : its mean power.
    """

    name: str | None = None
    room: str | None = None
    room_C: float | None = None
    room_rh_pct: float | None = None
    power_W: float | None = None


def drying_plan(
    spool: SpoolWord,
    dryer: DryerQuestion | str | None = None,
    *,
    job: JobToDryFor | None = None,
    to_wt_pct: float | None = None,
    at: Moment = None,
    confidence: float = 0.5,
    members: int | None = None,
    cap_s: float = 72 * HOUR_S,
    at_most_C: float | None = None,
    tariff_per_kWh: float | None = None,
    ledger: str | None = None,
) -> tuple[DryingPlan, Spool]:
    """Return how hot and how long to dry a spool, and whether this dryer can get it there at all; and the spool.

    Parameters
    ----------
    spool, at, confidence, members, ledger : as for a check.
    dryer : what it is dried in.
    job : dry only as this job needs; not with *to_wt_pct*.
    to_wt_pct : a content to reach instead of dry; above the present one: conditioning in a damp place.
    cap_s, at_most_C : how far to look; your own limit of the temperature.
    tariff_per_kWh : price of electricity.

    Raises
    ------
    UsageError
        Names that are none, or arguments that do not fit together.
    SpoolError
        The reel is empty, or a place does not state its air.
    """
    if job is not None and to_wt_pct is not None:
        raise UsageError("--for and --to cannot be used together: the job decides how dry; leave one out")
    wanted = dryer if isinstance(dryer, DryerQuestion) else DryerQuestion(dryer)
    words = (wanted.name, wanted.room, None if job is None else job.place)
    machine = find_printer(None if job is None else job.printer, ledger=ledger)
    also = (*machine.places, *(name for name in words if name is not None))
    held = find_spool(spool, ledger=ledger, also=also)
    state = state_at(held, clock(at), members=default_members(members), shelf=snapshots_of(ledger)(held))
    device = device_of(held, state, wanted)
    beside = _beside(held, state, device, ledger)
    made = make_plan(
        state,
        device,
        confidence=confidence,
        cap_s=cap_s,
        at_most_C=at_most_C,
        to_wt_pct=to_wt_pct,
        job=None if job is None else job_feed(job, held, state, machine.profile),
        tariff_per_kWh=tariff_per_kWh,
        shared=shared_bounds([one.spool for one in beside], device.accuracy_C),
        company=companions(state, beside, device) if state.place != device.place else (),
    )
    made = replace(made, inside=tuple(one.spool.id for one in beside))
    return made, held


def _beside(held: Spool, state: State, device: Device, ledger: str | None) -> list[State]:
    """Return what is in the dryer too, by the ledger; of a spool in a file nobody knows."""
    if not held.in_ledger or device.place is None or not device.adjustable:
        return []
    return states_in_dryer(device.place, state, without={held.id}, ledger=ledger)


def states_in_dryer(place: str, like: State, *, without: set[str], ledger: str | None) -> list[State]:
    """Return the ledger's spools in a dryer at the moment of a state, but some; with as many members."""
    there = spools_in_dryer(place, like.as_of_s, ledger=ledger)
    shelf_of = snapshots_of(ledger)
    return [
        state_at(spool, like.as_of_s, members=like.members, shelf=shelf_of(spool))
        for spool in there
        if spool.id not in without
    ]


def dryers_of_record(spools: Sequence[Spool]) -> list[str]:
    """Return the dryers that all these records know, by name.

    Raises
    ------
    UsageError
        There is none.
    """
    known = [{place.name for place in spool.places.values() if place.kind == "dryer"} for spool in spools]
    found = sorted(set.intersection(*known)) if known else []
    if not found:
        profiles_ = ", ".join(profiles.names("dryers"))
        whose = spools[0].id if len(spools) == 1 else "all of them"
        raise UsageError(
            f"which dryer? The record of {whose} has none: name a place or a profile with --dryer: {profiles_}"
        )
    return found


def drying_fit(
    spool: SpoolWord,
    dryer: str | None = None,
    *,
    log: str | Path | None = None,
    knob_C: float | None = None,
    at: Moment = None,
    members: int | None = None,
    ledger: str | None = None,
) -> Fit:
    """Return what the weigh-ins of the last drying run say: dry limit, water left, what another hour is worth.

    Parameters
    ----------
    spool, at, members, ledger : as for a check.
    dryer : the place of the run; None: the dryer that it was in last.
    log, knob_C : the dryer's own temperature, a CSV file, and what its knob was at.

    Raises
    ------
    SpoolError
        The record holds no run, or too few weigh-ins.
    """
    held = find_spool(spool, ledger=ledger, also=() if dryer is None else (dryer,))
    now_s = clock(at)
    if knob_C is not None and log is None and not _logged(held, dryer):
        raise UsageError("--knob belongs to a dryer's log; name the log with --log FILE")
    warmth = _warmth(held, now_s, dryer, None if log is None else Path(log), knob_C)
    return fit_run(held, now_s, members=default_members(members), place=dryer, warmth=warmth)


def drying_status(
    word: SpoolWord,
    *,
    job: JobToDryFor | None = None,
    to_wt_pct: float | None = None,
    at: Moment = None,
    members: int | None = None,
    tariff_per_kWh: float | None = None,
    ledger: str | None = None,
) -> tuple[DryingStatus, ...]:
    """Return whether a spool in a dryer is done, and when it will be; of a place, all spools in it.

    Parameters
    ----------
    word
        A spool, as for a check, or a place of the ledger.
    job, to_wt_pct
        What it is dried for instead of good; not both.
    at, members, ledger
        As for a check.
    tariff_per_kWh
        Price of electricity.

    Raises
    ------
    UsageError
        A name that is none, or arguments that do not fit together.
    SpoolError
        It was never in a dryer, or its reel is empty.
    """
    asked = StatusQuestion(job, to_wt_pct, clock(at), members, tariff_per_kWh, ledger)
    return tuple(said for _, _, said in statuses(word, asked))


@dataclass(frozen=True)
class StatusQuestion:
    """What the status of spools in a dryer is asked for; words as for `drying_status`."""

    job: JobToDryFor | None
    to_wt_pct: float | None
    now_s: float
    members: int | None
    tariff_per_kWh: float | None
    ledger: str | None


def statuses(word: SpoolWord, asked: StatusQuestion) -> Iterator[tuple[Spool, State, DryingStatus]]:
    """Yield records, states and statuses of what a word means: a spool, or all spools in a dryer."""
    job, ledger = asked.job, asked.ledger
    if job is not None and asked.to_wt_pct is not None:
        raise UsageError("--for and --to cannot be used together: the job decides how dry; leave one out")
    inside: Sequence[SpoolWord] = [word]
    if isinstance(word, str) and is_dryer(word, ledger=ledger):
        inside = spools_in_dryer(word, asked.now_s, ledger=ledger)
    machine = find_printer(None if job is None else job.printer, ledger=ledger)
    also = (*machine.places, *(() if job is None or job.place is None else (job.place,)))
    for one in inside:
        held = find_spool(one, ledger=ledger, also=also)
        shelf = snapshots_of(ledger)(held)
        state = state_at(held, asked.now_s, members=default_members(asked.members), shelf=shelf)
        feed = None if job is None else job_feed(job, held, state, machine.profile)
        said = status_of(
            held, state, to_wt_pct=asked.to_wt_pct, job=feed, tariff_per_kWh=asked.tariff_per_kWh
        )
        yield held, state, said


def status_of(
    held: Spool,
    state: State,
    *,
    to_wt_pct: float | None = None,
    job: JobFeed | None = None,
    tariff_per_kWh: float | None = None,
) -> DryingStatus:
    """Return the status of a spool in the dryer that it is in, or was in last.

    Raises
    ------
    SpoolError
        It was never in one.
    """
    began_s, _, place = last_run(held, state.as_of_s, None)
    return make_status(
        state,
        of_record(state, place.name),
        to_wt_pct=to_wt_pct,
        job=job,
        since_s=began_s,
        tariff_per_kWh=tariff_per_kWh,
    )


def device_of(held: Spool, state: State, wanted: DryerQuestion) -> Device:
    """Return the place of the record or the profile that is meant; no name: the record's only dryer.

    Raises
    ------
    UsageError
        Neither has that name, or there is no saying which is meant.
    """
    room, name = _room(held, state, wanted), wanted.name
    dryers = [place.name for place in held.places.values() if place.kind == "dryer"]
    if name is None:
        if len(dryers) != 1:
            has = f"the record's ({', '.join(dryers)})" if dryers else "a place of the record"
            known = ", ".join(profiles.names("dryers"))
            raise UsageError(f"which dryer? Name one with --dryer: {has}, or a profile: {known}")
        name = dryers[0]
    if name in held.places:
        return of_record(state, name, room=room, power_W=wanted.power_W)
    like = profile_named(name)
    if like is None:
        offer = nearest(name, [*held.places, *profiles.names("dryers")])
        raise UsageError(f"--dryer '{name}': no place of {held.id} and no dryer profile; {offer}")
    if room is None:
        room = likely_room(held, state)
    return powered(of_profile(like, room, state.doubts), wanted.power_W)


def power_like(name: str) -> tuple[float | None, str]:
    """Return the power of the profile that a dryer is named after, and what is said of it; None: there is none."""
    like = profile_named(name)
    return (None, "") if like is None else (like.power_W, power_said(like))


def _room(held: Spool, state: State, wanted: DryerQuestion) -> Room | None:
    """Return the room as it is stated; None: it is not."""
    celsius, rh_pct = wanted.room_C, wanted.room_rh_pct
    if (celsius is None) != (rh_pct is None):
        raise UsageError("--temperature and --humidity describe the room together; add the other")
    if celsius is None or rh_pct is None:
        return None if wanted.room is None else room_of(held, wanted.room, state.as_of_s, state.doubts)
    if wanted.room is not None:
        raise UsageError("--room names a place, --temperature and --humidity state another; leave one out")
    if not COLDEST_C <= celsius <= WARMEST_ROOM_C:
        raise UsageError(
            f"--temperature {celsius:g}: a room is from {COLDEST_C:g} to {WARMEST_ROOM_C:g} °C; correct it"
        )
    return room_at(celsius, rh_pct, state.doubts)


def job_feed(job: JobToDryFor, held: Spool, state: State, machine: "Printer | None") -> JobFeed:
    """Return what one tool of a sliced file takes off the spool, and in which air.

    Raises
    ------
    UsageError
        Several tools and none named, or one that feeds nothing.
    """
    from gcodetool.gcode.program import read
    from gcodetool.motion.feed import feed_of
    from gcodetool.motion.file_cautions import nothing_fed
    from gcodetool.motion.timing import build_timeline

    path, tool = Path(job.path), job.tool
    program = read(path, dialect=None if machine is None else machine.dialect)
    timed = build_timeline(program, printer=machine, filament_diameter_mm=held.diameter_mm)
    names = ", ".join(str(each) for each in timed.tools)
    if not timed.tools:
        raise UsageError(f"--for {path}: {nothing_fed(program, timed)}")
    if tool is None and len(timed.tools) > 1:
        raise UsageError(f"--for {path}: it feeds from tools {names}; name this spool's with --tool N")
    if tool is not None and tool not in timed.tools:
        raise UsageError(f"--tool {tool}: {path} feeds nothing from it; it uses {names}")
    chosen = timed.tools[0] if tool is None else tool
    feed = feed_of(timed, program.facts.of_tool(chosen))
    around = air_of_print(state.spool, state, at_s=state.as_of_s, place=job.place, printer=machine)
    return JobFeed(path.name, feed, around)


def _logged(held: Spool, dryer: str | None) -> bool:
    """Return whether the record holds a log of the dryer."""
    return any(
        place.log is not None and (place.name == dryer or (dryer is None and place.kind == "dryer"))
        for place in held.places.values()
    )


def _warmth(
    held: Spool, now_s: float, dryer: str | None, log: Path | None, knob_C: float | None
) -> Thermostat | None:
    """Return what a log says of the dryer: the one named, else the record's own."""
    if log is not None:
        from gcodetool.ledger.dryerlog import read_temperatures

        return thermostat(*read_temperatures(log), knob_C)
    own = last_run(held, now_s, dryer)[2].log
    return None if own is None else thermostat(own.at_s, own.temperature_C, knob_C)
