"""How long a spool may stand: idle time in one air until what is fed next passes a limit."""

import math
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gcodetool.moisture.air import Air
from gcodetool.moisture.constants import DAY_S
from gcodetool.moisture.field import FIRST_STEP_S, crossing_s
from gcodetool.moisture.history import State, Surroundings, aged, quantile
from gcodetool.moisture.state import marched

Floats = NDArray[np.float64]

HORIZON_S: Final = 60 * DAY_S
GROWTH: Final = 1.4  # the moment of passing is read between two steps; docs/physics.md, section 5


def crossing_times(
    state: State,
    around: Surroundings | Air,
    *,
    limit_wt_pct: ArrayLike | None = None,
    horizon_s: float = HORIZON_S,
) -> Floats:
    """Return when each member's next-fed strand passes the limit, idle in this air, (members,) [s].

    0 where it is above already, inf where it does not happen within *horizon_s*; NaN on an empty reel.
    A hot spool may fall below the limit first: what counts is the first time above it.

    Parameters
    ----------
    limit_wt_pct
        One number or one per member; left out: the members' own limit_marginal.
    """
    air = around.reel if isinstance(around, Surroundings) else around
    own = state.limit_marginal_wt_pct if limit_wt_pct is None else np.asarray(limit_wt_pct, dtype=np.float64)
    limit = np.broadcast_to(own, (state.members,)) / 100.0
    march = marched(state)
    march.surround(air, again=isinstance(around, Surroundings) and state.stays_in(around))
    now = march.outer_mean()
    if np.isnan(now).any():
        return np.full(state.members, np.nan)
    found = np.where(now > limit, 0.0, np.inf)
    at_s, step_s = 0.0, FIRST_STEP_S
    while at_s < horizon_s and np.isinf(found).any():
        end = min(horizon_s, at_s + step_s)
        march.run(end - at_s, first_s=end - at_s)
        after = march.outer_mean()
        passed = crossing_s(now, after, limit, at_s, end)
        found = np.where(np.isinf(found) & ~np.isnan(passed), passed, found)
        now, at_s = after, end
        step_s *= GROWTH
    return found


def safe_exposure(
    state: State,
    around: Surroundings | Air,
    *,
    limit_wt_pct: ArrayLike | None = None,
    confidence: float = 0.5,
    horizon_s: float = HORIZON_S,
) -> float | None:
    """Return the safe exposure at a confidence: how long until the limit is passed [s].

    At confidence q the forecast is read at its q quantile, so the time is the 1 - q quantile of the members':
    more confidence, less time.

    Returns
    -------
    0 where what is fed next is above the limit already; None where it never is within *horizon_s*, or
    the reel is empty.
    """
    times = crossing_times(state, around, limit_wt_pct=limit_wt_pct, horizon_s=horizon_s)
    at = quantile(times, 1.0 - confidence, state.weights)
    return at if math.isfinite(at) else None


def age(state: State, around: Surroundings | Air, seconds: float) -> State:
    """Return the state after *seconds* idle in this air."""
    if isinstance(around, Air):
        around = Surroundings(around, around)
    return aged(state, around, seconds)
