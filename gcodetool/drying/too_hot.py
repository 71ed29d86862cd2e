"""Whether a spool goes into more heat than it stands: said at once, while it can still be turned down.

By the limits that a plan keeps to (``limits``), the air's swing counted; so what a plan advises is never too hot.
Left out: what the heat has done to a winding (``judge.heat_damage``).
"""

from dataclasses import dataclass
from typing import Final

from gcodetool.drying.limits import Bound, stated
from gcodetool.drying.words import degrees
from gcodetool.moisture.dryer_runs import as_run, knob_offset_C
from gcodetool.moisture.record import Spool

SLACK_K: Final = 0.05  # rounding of figures that people note


@dataclass(frozen=True)
class TooHot:
    """A spool in hotter air than it stands.

    Attributes
    ----------
    air_C, swing_C
        The air's mean, and how far it goes above that.
    bound
        The lowest limit.
    knob_C
        What the knob may show at most; None: the air follows no knob that is known to be off.
    """

    spool: str
    place: str
    air_C: float
    swing_C: float
    bound: Bound
    knob_C: float | None

    @property
    def at_most_C(self) -> float:
        """What the mean of the air may be. [°C]"""
        return self.bound.limit_C - self.swing_C


def too_hot(spool: Spool, place: str, at_s: float) -> TooHot | None:
    """Return whether a dryer of the record is too hot for the spool at a moment of its stay there."""
    machine = as_run(spool, spool.places[place], at_s)
    if machine.kind != "dryer" or machine.temperature_C is None:
        return None
    lowest = min(stated(spool, machine.accuracy_C), key=lambda bound: bound.limit_C)
    if machine.temperature_C + machine.swing_C <= lowest.limit_C + SLACK_K:
        return None
    off = knob_offset_C(machine)
    knob_C = lowest.limit_C - machine.swing_C + off if off else None
    return TooHot(spool.id, place, machine.temperature_C, machine.swing_C, lowest, knob_C)


def too_hot_now(found: TooHot) -> str:
    """Return the caution of a spool that is in too hot a dryer, and what to do."""
    knob = "" if found.knob_C is None else f" (its knob at {degrees(found.knob_C)})"
    return (
        f"{_above(found)}. Turn it down to {degrees(found.at_most_C)} or less{knob}, or take {found.spool} out; "
        f"then look at its winding"
    )


def too_hot_then(found: TooHot) -> str:
    """Return the caution of a stay that has ended."""
    return f"{_above(found)}. Look at its winding before you feed it; no more than {degrees(found.at_most_C)} next time"


def _above(found: TooHot) -> str:
    swing = f" and swings {found.swing_C:g} K above that" if found.swing_C else ""
    return (
        f"{found.spool}: {found.place} is too hot for it: its air has {degrees(found.air_C)}{swing}, "
        f"{degrees(found.bound.limit_C)} is the most ({found.bound.whose})"
    )
