"""What arrives of a feed, judged: (state, arrival, feed) to the members' verdict.

Left out: what eyes or the user's own figure say besides (``print_judgement``).
"""

from typing import Any

import numpy as np

from gcodetool.judge.outcomes import Floats, Judgement, judge
from gcodetool.moisture.forecast import Arrival
from gcodetool.moisture.history import State
from gcodetool.motion.feed import ToolFeed


def judged_by(state: State, arrival: Arrival, feed: ToolFeed, confidence: float) -> Judgement | None:
    """Return the model's verdict on what arrives; None where nothing does."""
    known = is_fed(arrival, feed)
    if not known.any():
        return None
    numbers = feed.layer[known].tolist()
    return judge(
        *over_limits(state, arrival, known),
        [numbers[0], *numbers],
        confidence=confidence,
        weights=state.weights,
    )


def is_fed(arrival: Arrival, feed: ToolFeed) -> "np.ndarray[Any, Any]":
    """Return which rows of a feed take strand off the reel, (rows,)."""
    return np.asarray((feed.segments[:, 2] > 0) & ~np.isnan(arrival.wt_pct).any(axis=1))


def extremes(state: State, arrival: Arrival, feed: ToolFeed) -> tuple[Floats, Floats]:
    """Return the first and the wettest strand of a feed over each member's limits, good and marginal, (rows, members).

    A verdict rests on these two alone; the others only say from which layer on.  One row where nothing is fed.
    """
    fed = arrival.wt_pct[is_fed(arrival, feed)]
    content = np.stack([arrival.start_wt_pct, *([fed.max(axis=0)] if fed.size else [])])
    return content / state.limit_good_wt_pct, content / state.limit_marginal_wt_pct


def over_limits(state: State, arrival: Arrival, known: "np.ndarray[Any, Any]") -> tuple[Floats, Floats]:
    """Return what arrives over each member's limits, good and marginal, (rows + 1, members)."""
    # what comes first decides whether the job may start at all
    content = np.concatenate([arrival.start_wt_pct[np.newaxis], arrival.wt_pct[known]])
    return content / state.limit_good_wt_pct, content / state.limit_marginal_wt_pct
