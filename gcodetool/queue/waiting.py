"""Where a dried reel may wait for its job: in the dryer that it was dried in last, from its last use until the job begins.

In a dryer that keeps its own air it waits with the heat off, behind a shut door, and alone: whatever is in there cools down
with it.  Through any other the room's air goes: there it waits warm, as hot as it was dried and in all no longer than that
took, beside others of that temperature, and only while somebody is there, or where the dryer may run alone.  Left out: when
it has to wait (``placing``), and bags and boxes, of which only ``explain`` tells.
"""

import itertools
from collections.abc import Sequence

from gcodetool.errors import GcodetoolError
from gcodetool.moisture.constants import ZERO_CELSIUS_K
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.schedule import DryerStay, Schedule
from gcodetool.queue.spool_steps import Dry, StepHistory


def dried_last(history: StepHistory) -> Dry | None:
    """Return the last drying of a reel; None: there is none.  Waiting in a dryer is none."""
    steps = (part.step for part in reversed(history.parts()))
    return next((step for step in steps if isinstance(step, Dry) and step.waits is None), None)


def warm_s(history: StepHistory) -> float:
    """Return for how long a reel has waited warm since its last drying. [s]"""
    found = 0.0
    for part in reversed(history.parts()):
        step = part.step
        if not isinstance(step, Dry):
            continue
        if step.waits is None:
            break
        found += step.out_s - step.in_s if step.waits == "warm" else 0.0
    return found


def wait_in_dryer(
    memo: ForecastMemo,
    schedule: Schedule,
    others: Sequence[DryerStay],
    history: StepHistory,
    from_s: float,
    until_s: float,
) -> Dry | None:
    """Return how a reel waits in its dryer between two moments after its steps so far; None: it may not.

    Parameters
    ----------
    schedule : says which dryers there are, and when somebody is there.
    others : the stays of other reels in the dryer that it was dried in last, planned or not.
    """
    last = dried_last(history)
    if last is None or last.dryer not in schedule.holds or from_s >= until_s:
        return None
    company = [each for each in others if each.crosses(from_s, until_s)]
    if memo.shares_air(history.spool, last.dryer):
        cool_C = unheated_C(memo, history.spool, last.dryer, from_s)
        if company or cool_C is None:
            return None
        return Dry(last.dryer, from_s, until_s, cool_C, waits="off")
    if history.step == last or until_s - from_s + warm_s(history) > last.out_s - last.in_s:
        return None  # still in there: a longer drying; else days of heat
    full = len(company) >= schedule.holds[last.dryer]
    if full or not all(each.as_hot(last.temperature_C) for each in company):
        return None
    if last.dryer not in schedule.unattended and not _somebody(schedule, from_s, until_s):
        return None
    return Dry(last.dryer, from_s, until_s, last.temperature_C, waits="warm")


def knob_of(memo: ForecastMemo, spool: str, step: Dry) -> float | None:
    """Return what a dryer's knob must show while a reel waits in it; None with the heat off."""
    from gcodetool.moisture.dryer_runs import knob_offset_C

    if step.waits == "off":
        return None
    return step.temperature_C + knob_offset_C(memo.spools[spool].places[step.dryer])


def _somebody(schedule: Schedule, from_s: float, until_s: float) -> bool:
    """Return whether somebody is there all the time between two moments."""
    presence = schedule.presence
    if not presence.windows:
        return True
    first = itertools.islice(presence.spans(from_s), 1)
    return any(begin <= from_s and until_s <= end for begin, end in first)


def unheated_C(memo: ForecastMemo, spool: str, dryer: str, at_s: float) -> float | None:
    """Return the temperature of a dryer that keeps its own air while it is off; None: it does not keep it, or not known.

    It is its room's.  A dryer fed with dried air does not keep that while it is off.
    """
    from gcodetool.moisture.places import surroundings

    record = memo.spools[spool]
    place = record.places.get(dryer)
    if place is None or place.room not in record.places or not memo.shares_air(spool, dryer):
        return None
    if place.dew_point_C is not None:
        return None
    try:
        return surroundings(record, place.room, at_s).reel.temperature_K - ZERO_CELSIUS_K
    except GcodetoolError:
        return None
