"""How a spool's water came to be what it is: its content at moments of the past, as it is known today.

The record is replayed with the members that all weigh-ins and inspections left, so that the curve ends
in the state that it was made from.  Left out: what was believed at the time.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture.ensemble import Ensemble
from gcodetool.moisture.history import State
from gcodetool.moisture.replay import Replay

Floats = NDArray[np.float64]


def content_history(state: State, moments_s: Sequence[float]) -> tuple[Floats, Floats]:
    """Return the content of the whole reel and of the strand fed next, (moments, members) each [wt %].

    Parameters
    ----------
    state
        From `state_at`.
    moments_s
        Ascending; before the first event there is nothing to know: NaN.  None later than the state.
    """
    shape = (len(moments_s), state.members)
    reel, outside = np.full(shape, np.nan), np.full(shape, np.nan)
    for place, seen in enumerate(past_states(state, moments_s)):
        if seen is not None:
            reel[place], outside[place] = seen.mean_wt_pct, seen.next_fed_wt_pct
    return reel, outside


def past_states(state: State, moments_s: Sequence[float]) -> Iterator[State | None]:
    """Yield the state at moments of the past, with the members and weights of *state*; None before its first event."""
    replay = Replay(state.spool, Ensemble(state.polymer, state.doubts), state.as_of_s, [])
    events = sorted(
        (event for event in state.spool.events if event.at_s <= state.as_of_s), key=lambda event: event.at_s
    )
    done = 0
    for moment in moments_s:
        while done < len(events) and events[done].at_s <= moment:
            if not replay.waits(events[done]):
                replay.until(events[done].at_s)
                replay.apply(events[done])
            done += 1
        if not done:
            yield None
            continue
        replay.until(moment)
        yield replace(replay.state(), weights=state.weights)
