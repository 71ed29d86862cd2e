"""The latest start: how long a spool may stay where it is until a verdict no longer holds.

A coarse search over the delay, with the feed in few pieces and some of the members; the answer is
then held against all of them, and moved to the early side where they disagree.
"""

from dataclasses import fields, replace
from typing import Any, Final

import numpy as np

from gcodetool.judge.findings import Exposure
from gcodetool.judge.outcomes import Judgement, judge
from gcodetool.judge.print_air import PrintAir
from gcodetool.judge.verdict_codes import Code, worse
from gcodetool.moisture.forecast import Arrival, forecast
from gcodetool.moisture.history import State, aged, surroundings
from gcodetool.motion.feed import ToolFeed

HORIZON_S: Final = 30 * 86_400.0  # how far ahead a start is looked for
FIRST_DELAY_S: Final = 900.0
HALVINGS: Final = 5  # the answer is within 3 % of the delay
PIECES: Final = 64  # of the feed
MEMBERS: Final = 16
EARLIER: Final = 0.85  # how far to step back where all members disagree with some
STEPS_BACK: Final = 4


def judged_by(state: State, arrival: Arrival, feed: ToolFeed, confidence: float) -> Judgement | None:
    """Return the model's verdict on what arrives; None where nothing does."""
    known = is_fed(arrival, feed)
    if not known.any():
        return None
    # what comes first decides whether the job may start at all
    content = np.concatenate([arrival.start_wt_pct[np.newaxis], arrival.wt_pct[known]])
    numbers = feed.layer[known].tolist()
    return judge(
        content / state.limit_good_wt_pct,
        content / state.limit_marginal_wt_pct,
        [numbers[0], *numbers],
        confidence=confidence,
        weights=state.weights,
    )


def is_fed(arrival: Arrival, feed: ToolFeed) -> "np.ndarray[Any, Any]":
    """Return which rows of a feed take strand off the reel, (rows,)."""
    return np.asarray((feed.segments[:, 2] > 0) & ~np.isnan(arrival.wt_pct).any(axis=1))


def latest_start_s(
    state: State,
    around: PrintAir,
    feed: ToolFeed,
    code: Code,
    exposure: Exposure,
    *,
    confidence: float,
) -> float | None:
    """Return the latest start at which *code* still holds, the spool left where it is [s since 1970].

    None where it holds beyond the horizon.

    Parameters
    ----------
    exposure : the user's own figure in it counts, too.
    """
    idle = surroundings(state.spool, state.place, state.as_of_s, state.doubts)
    pieces = feed.thinned(PIECES)
    few = state
    stated_s = exposure.margin_s if exposure.source == "stated" and not around.keeps else None

    def holds(of: State, delay_s: float) -> bool:
        if stated_s is not None and delay_s > stated_s:
            return False
        later = aged(of, idle, delay_s)
        judged = judged_by(later, forecast(later, around.air, pieces.segments), pieces, confidence)
        return judged is not None and not worse(judged.code, code)

    low, high = 0.0, FIRST_DELAY_S
    while holds(few, high):
        low = high
        if high >= HORIZON_S:
            break
        high = min(HORIZON_S, high * 2)
    else:
        for _ in range(HALVINGS):
            middle = (low + high) / 2
            if holds(few, middle):
                low = middle
            else:
                high = middle
    found = low
    for _ in range(STEPS_BACK):
        if found <= 0 or holds(state, found):
            break
        found *= EARLIER
    else:
        found = 0.0  # the verdict sits on a limit: it holds now, and nobody can say for how long
    return None if found >= HORIZON_S else state.as_of_s + found


def thinned(state: State, members: int) -> State:
    """Return *state* with at most so many of its members, evenly taken."""
    if state.members <= members:
        return state
    keep = np.linspace(0, state.members - 1, members).astype(int)

    def some(value: Any) -> Any:
        if isinstance(value, np.ndarray) and value.ndim and value.shape[-1] == state.members:
            return np.ascontiguousarray(value[..., keep])
        return value

    def of(whole: Any, besides: str = "") -> Any:
        names = [each.name for each in fields(whole) if each.name != besides]
        return replace(whole, **{name: some(getattr(whole, name)) for name in names})

    weights = state.weights[keep]
    return replace(
        state,
        field=of(state.field, besides="winding"),
        polymer=of(state.polymer),
        weights=weights / weights.sum(),
        company=tuple(one.thinned(members) for one in state.company),
        path=None,
    )
