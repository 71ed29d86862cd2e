"""How long a sample takes until its whole strand has come near a content, in the air of a place.

Each member has its own equilibrium and its own speed.  Near is ``planfile.WHOLE_STRAND`` of the target, in every part
of the strand: its centre is the last.  Left out: what air a place has (``moisture.places``).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.drying.weigh import SCALES_G, STEPS
from gcodetool.moisture.air import Air
from gcodetool.moisture.constants import DAY_S
from gcodetool.moisture.field import Field, SpoolIntegrator
from gcodetool.moisture.history import Quantiles, State, quantile, quantiles, state_at, surroundings
from gcodetool.moisture.places import Surroundings
from gcodetool.moisture.state import marched
from gcodetool.series.planfile import WHOLE_STRAND

Floats = NDArray[np.float64]

FIRST_LOOK_S: Final = 60.0
GROWTH: Final = 1.04  # of the time between looks; linear in between, so a thousandth of the time
STEPS_A_LOOK: Final = 4.0
WAITS_S: Final = 14 * DAY_S  # longest that a made sample is taken to wait for its print
LONGEST_S: Final = 5 * 365.25 * DAY_S


@dataclass(frozen=True)
class Conditioning:
    """What keeping a sample in a place comes to.

    Attributes
    ----------
    target_wt_pct
        What the whole strand is to hold.
    takes_s
        Until each part of the strand is within the band; None: it never is, or not within five years.
    rh_pct
        Of the place, and *wanted_rh_pct* the humidity that would lead to the target.
    even_s
        Of air that leads beyond the target: `takes_s` is until the mean is there, and so long it then takes in a tight bag
        until each part is; None: the air leads to the target.
    """

    target_wt_pct: Quantiles
    takes_s: Quantiles | None
    rh_pct: float
    wanted_rh_pct: float | None = None
    even_s: float | None = None


def equilibrium(state: State, around: Surroundings) -> Floats:
    """Return what each member would hold in the end in that air, (members,) [kg/kg]."""
    air = around.reel
    return state.polymer.own_equilibrium(np.asarray(air.members_rh_pct) / 100.0, air.members_K)


def conditioning(state: State, place: str, to_wt_pct: float | None) -> Conditioning:
    """Return how long *state*'s strand takes in *place* to its balance with the air there, or to a stated content.

    Raises
    ------
    SpoolError
        The place is not described, or states no air.
    """
    around = surroundings(state.spool, place, state.as_of_s, state.doubts)
    balance = equilibrium(state, around)
    target = balance if to_wt_pct is None else np.full(state.members, to_wt_pct / 100.0)
    rh_pct = float(around.reel.rh_pct)
    wanted = None
    if to_wt_pct is not None:
        activity = state.polymer.activity(target, around.reel.temperature_K)
        wanted = 100.0 * float(np.median(activity))
        if abs(float(np.median(balance)) - to_wt_pct / 100.0) > WHOLE_STRAND * to_wt_pct / 100.0:
            takes_s, even_s = _on_the_way(state, around, to_wt_pct / 100.0)
            return Conditioning(quantiles(100.0 * target, state.weights), takes_s, rh_pct, wanted, even_s)
    takes = _takes_s(state, around, target if to_wt_pct is None else balance)
    known = bool(np.isfinite(takes).all())
    return Conditioning(
        quantiles(100.0 * target, state.weights),
        quantiles(takes, state.weights) if known else None,
        rh_pct,
        wanted,
    )


def _takes_s(state: State, around: Surroundings, target: Floats) -> Floats:
    """Return when each member's strand has come near *target* in every part, (members,) [s]; inf: not in LONGEST_S."""
    reel = marched(state)
    reel.surround(around.reel, again=state.stays_in(around))
    return _until(reel, lambda field: _off(field.water, target) - WHOLE_STRAND)


def _until(reel: SpoolIntegrator, beyond: Callable[[Field], Floats]) -> Floats:
    """March on until *beyond* is not above 0 for any member; return when that was, (members,) [s]; inf: not in LONGEST_S."""
    before = beyond(reel.field())
    found = np.where(before <= 0.0, 0.0, np.inf)
    at_s, step = 0.0, FIRST_LOOK_S
    while np.isinf(found).any() and at_s < LONGEST_S:
        reel.run(step, first_s=step / STEPS_A_LOOK, longest_s=step / STEPS_A_LOOK)
        now = beyond(reel.field())
        crossed = np.isinf(found) & (now <= 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = before / (before - now)
        found[crossed] = at_s + step * share[crossed]
        at_s, before = at_s + step, now
        step = max(FIRST_LOOK_S, (GROWTH - 1.0) * at_s)
    return found


def _on_the_way(
    state: State, around: Surroundings, target: float
) -> tuple[Quantiles, float] | tuple[None, None]:
    """Return when the mean passes *target* in air that leads beyond it, and how long it then takes to even out in a bag.

    (None, None): the air does not lead there from where the strand is.
    """
    begin = state.field.mean()
    rising = float(np.median(equilibrium(state, around))) > target
    sign = 1.0 if rising else -1.0
    if sign * (target - float(np.median(begin))) <= 0.0:
        return None, None
    reel = marched(state)
    reel.surround(around.reel, again=state.stays_in(around))
    takes = _until(reel, lambda field: sign * (target - field.mean()))
    middle = quantile(takes, 0.5, state.weights)
    if not math.isfinite(middle):
        return None, None
    reel = marched(state)
    reel.surround(around.reel, again=state.stays_in(around))
    reel.run(middle)
    held = reel.field()
    bag = SpoolIntegrator(replace(held, store_kg=None), state.polymer)
    bag.surround(Air(around.reel.temperature_K, around.reel.vapour_Pa, closed=True))
    even = _until(bag, lambda field: _off(field.water, field.mean()) - WHOLE_STRAND)
    ends = [one if math.isfinite(one) else None for one in (np.min(takes), np.max(takes))]
    band = quantiles(takes, state.weights) if None not in ends else Quantiles(None, middle, None)
    return band, quantile(even, 0.5, state.weights)


def _off(water: Floats, target: Floats) -> Floats:
    """Return how far the part of the strand that is furthest off lies from *target*, over it, (members,)."""
    return np.asarray(np.abs(water - target).max(axis=(0, 1)) / np.maximum(target, 1e-12))


def wound_takes_s(state: State, place: str) -> float | None:
    """Return the same for the reel as it is wound now, by nominal parameters; None: not in five years."""
    nominal = state if state.members == 1 else state_at(state.spool, state.as_of_s, members=1)
    if nominal.field.winding.loose or nominal.remaining_mm <= 0:
        return None
    around = surroundings(nominal.spool, place, nominal.as_of_s)
    takes = float(_takes_s(nominal, around, equilibrium(nominal, around))[0])
    return takes if math.isfinite(takes) else None


def keeps_s(state: State, place: str) -> float | None:
    """Return how long the mean content stays as near as a target asks in *place*'s air; None: as long as one looks.

    By the median member.
    """
    around = surroundings(state.spool, place, state.as_of_s, state.doubts)
    reel = marched(state)
    reel.surround(around.reel, again=state.stays_in(around))
    before = reel.field().mean()
    at_s, step = 0.0, FIRST_LOOK_S
    while at_s < WAITS_S:
        reel.run(step, first_s=step / STEPS_A_LOOK)
        off = np.abs(reel.field().mean() - before) / np.maximum(before, 1e-12)
        if float(np.median(off)) > WHOLE_STRAND:
            return at_s + 0.5 * step
        at_s, step = at_s + step, max(FIRST_LOOK_S, 0.1 * at_s)
    return None


@dataclass(frozen=True)
class ScaleChange:
    """What a scale should show of a change, and the coarsest one that tells it; None: no usual one does.

    ``enough_g``: of the strand, for the finest usual scale to tell it.
    """

    change_g: Quantiles
    scale_g: float | None
    enough_g: float


def on_scale(before: State, after: State) -> ScaleChange:
    """Return what the strand should have gained between two states of one sample."""
    change = after.remaining_g * (after.mean_wt_pct - before.mean_wt_pct) / 100.0
    found = quantiles(change, after.weights)
    fine = [scale for scale in SCALES_G if scale * STEPS <= abs(found.p50)]
    enough = STEPS * SCALES_G[-1] / max(abs(found.p50), 1e-9) * after.remaining_g
    return ScaleChange(found, fine[0] if fine else None, enough)
