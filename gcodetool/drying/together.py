"""Several reels in one dryer at a time: one temperature, the coolest of their limits; the longest of their times.

Where the dryer's air is the room's, changed all the time, what one reel gives off does not reach the others.  In one
that keeps its own air it does, and all are marched together.  Left out: which dryers there are, and who is in one
already (``app``).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from gcodetool.drying.device import Device
from gcodetool.drying.limits import SetPoint, set_point, shared_bounds
from gcodetool.drying.plan import CAP_S, DryingPlan, plan
from gcodetool.errors import UsageError
from gcodetool.moisture.company import members_beside
from gcodetool.moisture.history import State
from gcodetool.moisture.shared_air import Companion


@dataclass(frozen=True)
class DryingTogether:
    """What comes of reels that share a dryer.

    Attributes
    ----------
    device
        The dryer, as the first reel's record has it.
    set_point
        The one temperature, and which limit decides.
    coolest
        The reel whose limit that is, or that would be the first to pass it.
    plans
        Each reel's, at that temperature.
    alone
        What each could be dried at by itself.
    inside
        Reels that are in the dryer already, whose limits count too.
    """

    device: Device
    set_point: SetPoint
    plans: tuple[DryingPlan, ...]
    alone: tuple[SetPoint, ...]
    coolest: str
    inside: tuple[str, ...] = ()

    @property
    def spools(self) -> tuple[str, ...]:
        """The reels that go in."""
        return tuple(each.spool for each in self.plans)

    @property
    def crowded(self) -> bool:
        """Whether these are more reels than the dryer takes."""
        return len(self.plans) + len(self.inside) > self.device.slots

    @property
    def longest(self) -> DryingPlan | None:
        """The plan that takes longest; None where one does not get there."""
        if any(each.advised_s is None for each in self.plans):
            return None
        return max(self.plans, key=lambda each: each.advised_s or 0.0)

    @property
    def advised_s(self) -> float | None:
        """Hours until all are there; None where one does not get there."""
        return None if self.longest is None else self.longest.advised_s


@dataclass(frozen=True)
class DryerChoice:
    """One dryer of the workshop for some reels: what comes of it, or why it cannot be said."""

    name: str
    found: DryingTogether | None
    trouble: str | None = None


def together(
    reels: Sequence[tuple[State, Device]],
    inside: Sequence[State] = (),
    *,
    confidence: float = 0.5,
    cap_s: float = CAP_S,
    at_most_C: float | None = None,
    tariff_per_kWh: float | None = None,
) -> DryingTogether:
    """Return what comes of drying reels together.

    Parameters
    ----------
    reels
        Each with the dryer as its record has it.
    inside
        What is in the dryer already.
    confidence, cap_s, at_most_C, tariff_per_kWh
        As for one reel (``plan``).

    Raises
    ------
    UsageError
        The same reel twice, or none.
    SpoolError
        A reel is empty.
    """
    names = [state.spool.id for state, _ in reels]
    if not names or len(set(names)) < len(names):
        raise UsageError(f"name each spool once; here: {', '.join(names) or 'none'}")
    reels = one_machine(reels)
    every = [*(state for state, _ in reels), *inside]
    alone = tuple(set_point(state.spool, device, at_most_C=at_most_C) for state, device in reels)
    coolest = min(range(len(reels)), key=lambda i: alone[i].temperature_C)
    plans = [
        plan(
            state,
            device,
            confidence=confidence,
            cap_s=cap_s,
            at_most_C=at_most_C,
            tariff_per_kWh=tariff_per_kWh,
            shared=shared_bounds([one.spool for one in every if one is not state], device.accuracy_C),
            company=companions(state, every, device),
            suggest=False,
        )
        for state, device in reels
    ]
    inside_ = tuple(state.spool.id for state in inside)
    return DryingTogether(reels[0][1], plans[coolest].set_point, tuple(plans), alone, names[coolest], inside_)


def companions(state: State, every: Sequence[State], device: Device) -> list[Companion]:
    """Return the other reels in a dryer that keeps its own air; none where that is changed all the time."""
    others = [one for one in every if one is not state] if device.around.closed else []
    few = members_beside(state.members, len(others))
    return [Companion(one.field, one.polymer).thinned(few) for one in others]


def one_machine(reels: Sequence[tuple[State, Device]]) -> list[tuple[State, Device]]:
    """Return the reels with one dryer: where their records state its heat differently, the most careful figures."""
    devices = [device for _, device in reels]
    first = devices[0]

    def least(values: Sequence[float | None]) -> float | None:
        return min((value for value in values if value is not None), default=None)

    heat: dict[str, Any] = {
        "reached_C": least([device.reached_C for device in devices]),
        "runs_C": first.runs_C,
        "max_temperature_C": least([device.max_temperature_C for device in devices]),
        "swing_C": max(device.swing_C for device in devices),
        "set_offset_C": first.set_offset_C,
        "accuracy_C": max(device.accuracy_C or 0.0 for device in devices) or None,
        "slots": min(device.slots for device in devices),
    }
    return [(state, replace(device, **heat)) for state, device in reels]
