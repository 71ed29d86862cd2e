"""A spool's stays in dryers, as its record tells them: the last run, and its weigh-ins.

Short absences, to be weighed or turned, are part of a run.  Left out: what the weigh-ins say (``fit``, ``status``).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from gcodetool.errors import SpoolError, UsageError
from gcodetool.moisture.constants import HOUR_S
from gcodetool.moisture.dryer_runs import GAP_S
from gcodetool.moisture.record import Place, Spool
from gcodetool.moisture.stays import joined, stays

BEFORE_S: Final = 2 * HOUR_S  # a weigh-in so long before the spool goes in counts as its start
AFTER_S: Final = 0.5 * HOUR_S  # and one so soon after it came out as its end


@dataclass(frozen=True)
class WeighIn:
    """One weigh-in, from the moment the spool went in."""

    at_s: float
    gross_g: float
    resolution_g: float


@dataclass(frozen=True)
class DryingStay:
    """A run in a dryer, from begin to end; one that goes on ends at the moment asked about. [s since 1970]"""

    begin_s: float
    end_s: float
    place: str


def runs_of(spool: Spool, now_s: float, place: str | None = None) -> list[DryingStay]:
    """Return the runs of a spool in dryers, or in one place, by time; short absences are part of a run."""
    inside = [
        stay
        for stay in stays(spool, now_s)
        if (spool.places[stay.place].kind == "dryer" if place is None else stay.place == place)
    ]
    return [DryingStay(stay.begin_s, stay.end_s, stay.place) for stay in joined(inside, GAP_S)]


def last_run(spool: Spool, now_s: float, place: str | None) -> tuple[float, float, Place]:
    """Return begin, end and place of the last stay in a dryer; short absences are part of it."""
    if place is not None and place not in spool.places:
        known = ", ".join(sorted(spool.places))
        raise UsageError(f"--dryer '{place}': the record of {spool.id} has no such place; it has {known}")
    runs = runs_of(spool, now_s, place)
    if not runs:
        what = "a dryer" if place is None else f"'{place}'"
        text = f"it was never in {what} up to then; note its move there ('spool move', in a file 'moved')"
        raise SpoolError.at(spool.source or spool.id, None, text)
    last = runs[-1]
    return last.begin_s, last.end_s, spool.places[last.place]


def readings_of(spool: Spool, began_s: float, ended_s: float) -> tuple[WeighIn, ...]:
    """Return the weigh-ins of a run, by time since the spool went in; a last one before counts as its start."""
    low, high = began_s - BEFORE_S, ended_s + AFTER_S
    fed = [event.at_s for event in spool.events if event.kind in ("fed", "cut") and low <= event.at_s <= high]
    weighed = [
        event
        for event in spool.events
        if event.kind == "weighed"
        and max(low, spool.own_from_s) <= event.at_s <= high
        and not any(at > event.at_s for at in fed)
    ]
    before = [event for event in weighed if event.at_s <= began_s][-1:]
    after = [event for event in weighed if event.at_s > began_s]
    return tuple(
        WeighIn(
            min(max(0.0, event.at_s - began_s), ended_s - began_s), event.gross_g or 0.0, event.resolution_g
        )
        for event in [*before, *after]
    )


@dataclass(frozen=True)
class PastRun:
    """One run in a dryer as it was weighed: [s] since the first weigh-in, and what was lost since then [g]."""

    spool: str
    material: str
    began_s: float
    room: str
    lost_g: tuple[tuple[float, float], ...]


def past_runs(spools: Sequence[Spool], dryer: str, now_s: float) -> list[PastRun]:
    """Return the runs of spools in one dryer that were weighed at least twice, by time."""
    found = []
    for spool in spools:
        for run in runs_of(spool, now_s, dryer) if dryer in spool.places else ():
            read = readings_of(spool, run.begin_s, run.end_s)
            if len(read) < 2:
                continue
            lost = tuple((one.at_s - read[0].at_s, read[0].gross_g - one.gross_g) for one in read)
            room = spool.places[dryer].room or "dried air"
            found.append(PastRun(spool.id, spool.material.key, run.begin_s, room, lost))
    return sorted(found, key=lambda run: run.began_s)
