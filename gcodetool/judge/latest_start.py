"""The latest start: how long a spool may stay where it is until a verdict no longer holds.

The idle spool is marched once, in its place; from some of its moments the whole job is looked ahead, with all
members and every row of the feed, as a check at that moment would.  Told is the *first* moment at which the
verdict no longer holds.  A strand that grows wetter is never better for a later start, so what lies between two
moments needs no look unless the turns that the job reaches grow drier in between: each hump of theirs is looked
at, the first one that fails (or the end) bounds the answer, and the bracket is narrowed from the early side.
Left out: air that changes after now.
"""

import bisect
from dataclasses import replace
from typing import Final

import numpy as np

from gcodetool.judge.feed_judgement import extremes
from gcodetool.judge.findings import Exposure
from gcodetool.judge.outcomes import Judgement, headroom, judge, reached
from gcodetool.judge.print_air import PrintAir
from gcodetool.judge.verdict_codes import Code
from gcodetool.moisture.constants import DAY_S
from gcodetool.moisture.field import FIRST_STEP_S
from gcodetool.moisture.forecast import ROUGH_OFF, forecast
from gcodetool.moisture.history import State, surroundings
from gcodetool.moisture.shared_air import SharedIntegrator
from gcodetool.moisture.state import marched
from gcodetool.motion.feed import ToolFeed
from gcodetool.quickdata import dataclass

HORIZON_S: Final = 30 * DAY_S  # how far ahead a start is looked for
FIRST_LOOK_S: Final = 60.0  # of the idle spool,
LOOKS_APART: Final = 1.5  # and how far apart later ones are
KEPT_APART: Final = 4.0  # moments whose states are kept; one in between is marched to again
HUMP: Final = 1e-3  # of the limit: a smaller one is rounding
NEAR: Final = 1.06  # ends of the bracket, one over the other: the answer is at most so much too early,
SOON_S: Final = 10.0  # or this
TRIES: Final = 16  # at narrowing it; one takes 3 to 6
ROUNDING: Final = (
    2e-4  # of a content: a check by hand steps otherwise through time (docs/physics.md, section 5)
)
FIRST_STEP_SHARE: Final = 0.25  # of a stretch of a stay that goes on


@dataclass(frozen=True)
class LatestStart:
    """Until when a verdict holds [s since 1970], and what it would be after that."""

    at_s: float
    then: Code


def latest_start(
    state: State,
    around: PrintAir,
    feed: ToolFeed,
    now: Judgement,
    exposure: Exposure,
    *,
    confidence: float,
) -> LatestStart | None:
    """Return until when the verdict of *now* still holds, the spool left where it is.

    None where it holds beyond the horizon.

    Parameters
    ----------
    now : the verdict of a start at once, clear or adjust.
    exposure : the user's own figure in it counts, too.
    """
    stated_s = exposure.margin_s if exposure.source == "stated" and not around.keeps else None
    ends_s = HORIZON_S if stated_s is None else max(0.0, min(HORIZON_S, stated_s))
    search = _Search(state, around, feed, now, confidence)
    low, high = search.bracket(ends_s)
    if high is None:
        return LatestStart(state.as_of_s + ends_s, "runs-out") if ends_s < HORIZON_S else None
    low, high = search.narrowed(low, high)
    return LatestStart(state.as_of_s + low.delay_s, high.code)


@dataclass(frozen=True)
class _Look:
    """A start after some delay: its verdict, and how far below its limit what decides is (below 0: worse)."""

    delay_s: float
    code: Code
    headroom: float


class _Search:
    """Looks ahead from moments of one idle march."""

    def __init__(
        self, state: State, around: PrintAir, feed: ToolFeed, now: Judgement, confidence: float
    ) -> None:
        self.state, self.around, self.feed = state, around, feed
        self.code, self.confidence = now.code, confidence
        self.limit = state.limit_good_wt_pct if now.code == "clear" else state.limit_marginal_wt_pct
        worst = now.worst_of_good if now.code == "clear" else now.worst_of_marginal
        self.now = _Look(0.0, now.code, max(0.0, 1.0 - worst))
        self.idle = _Idle(state)
        wound = state.field.winding
        turn = int(np.searchsorted(np.cumsum(wound.length_m[::-1]), feed.forward_mm / 1000.0))
        self.reaches = wound.layers - min(turn + 1, wound.layers)  # the innermost layer that the job feeds

    def bracket(self, ends_s: float) -> tuple[_Look, _Look | None]:
        """Return the last look that holds and the first that fails; None: none does up to *ends_s*."""
        held, humps = self.now, _Humps(self._wettest(self.state))
        at_s = min(FIRST_LOOK_S, ends_s)
        while ends_s > 0.0:
            looks = [humps.passed(self._wettest(self.idle.at(at_s)), at_s)]
            # a start that is too wet already is looked at too: until it is fed it may dry in the air of the print
            if at_s >= ends_s or self._start_headroom(at_s) < 0.0:
                looks.append(at_s)
            for delay_s in looks:
                if delay_s is None or delay_s <= held.delay_s:
                    continue
                look = self._look(delay_s, rough=True)
                if look.headroom < ROUGH_OFF:
                    look = self._look(delay_s)
                if look.headroom < 0.0:
                    return held, look
                held = look
            if at_s >= ends_s:
                break
            at_s = min(ends_s, at_s * LOOKS_APART)
        return held, None

    def narrowed(self, low: _Look, high: _Look) -> tuple[_Look, _Look]:
        """Return the bracket narrowed until its ends are NEAR each other (regula falsi, Illinois)."""
        needed_s = self.feed.needed_s
        below, above, last = low.headroom, high.headroom, 0
        for _ in range(TRIES):
            if high.delay_s <= max(NEAR * low.delay_s, low.delay_s + SOON_S):
                break
            # what is wettest at the end of a job grows with the time up to then
            ends = np.log([needed_s + low.delay_s + SOON_S, needed_s + high.delay_s + SOON_S])
            share = below / (below - above) if below > above else 0.5
            guess_s = float(np.exp(ends[0] + share * (ends[1] - ends[0]))) - needed_s - SOON_S
            look = self._look(_aside(guess_s, low.delay_s, high.delay_s))
            if look.headroom >= 0.0:
                low, below = look, look.headroom
                above *= 0.5 if last > 0 else 1.0
                last = 1
            else:
                high, above = look, look.headroom
                below *= 0.5 if last < 0 else 1.0
                last = -1
        return low, high

    def _wettest(self, state: State) -> float:
        """Return the wettest turn that the job reaches, over its limit, at the asked share of the members."""
        wettest = 100.0 * state.field.layer_mean()[self.reaches :].max(axis=0)
        return reached(wettest / self.limit, self.confidence, self.state.weights)

    def _start_headroom(self, delay_s: float) -> float:
        """Return the headroom of what lies outside after that delay."""
        state = self.idle.at(delay_s)
        content = state.next_fed_wt_pct[np.newaxis]
        good, marginal = content / state.limit_good_wt_pct, content / state.limit_marginal_wt_pct
        return headroom(good, marginal, self.code, confidence=self.confidence, weights=state.weights)

    def _look(self, delay_s: float, *, rough: bool = False) -> _Look:
        """Return what a check after that delay would say."""
        later = self.idle.at(delay_s)
        arrival = forecast(later, self.around.air, self.feed.segments, rough=rough)
        good, marginal = ((1.0 + ROUNDING) * each for each in extremes(later, arrival, self.feed))
        share, weights = self.confidence, self.state.weights
        judged = judge(good, marginal, range(len(good)), confidence=share, weights=weights)
        left = headroom(good, marginal, self.code, confidence=share, weights=weights)
        return _Look(delay_s, judged.code, left)


class _Humps:
    """Where a course rises and falls again, as it is told point by point; wiggles below HUMP do not count."""

    def __init__(self, first: float) -> None:
        self.extreme, self.at_s, self.rising = first, 0.0, True

    def passed(self, value: float, at_s: float) -> float | None:
        """Return the moment of a hump that this value shows to be past.

        >>> humps = _Humps(1.0)
        >>> [humps.passed(*point) for point in ((2.0, 10.0), (1.5, 15.0), (1.0, 22.0), (1.6, 34.0), (1.2, 51.0))]
        [None, 10.0, None, None, 34.0]
        """
        hump = self.at_s if self.rising and value < self.extreme - HUMP else None
        turned = hump is not None or (not self.rising and value > self.extreme + HUMP)
        if turned or (value > self.extreme) == self.rising:
            self.extreme, self.at_s = value, at_s
        self.rising ^= turned
        return hump


class _Idle:
    """The spool left where it is: one march, and its states at the moments asked for so far."""

    def __init__(self, state: State) -> None:
        self.around = surroundings(state.spool, state.place, state.as_of_s, state.doubts)
        self.at_s, self.states = [0.0], [replace(state, path=None)]
        self.furthest: SharedIntegrator | None = None  # on its way from the last of them

    def at(self, delay_s: float) -> State:
        """Return the state after *delay_s*, marched on from the last one kept before."""
        i = bisect.bisect_right(self.at_s, delay_s) - 1
        last, since_s = self.states[i], delay_s - self.at_s[i]
        if since_s == 0.0:
            return last
        march, further = self.furthest, i == len(self.states) - 1
        if march is None or not further:
            march = marched(last)
            march.surround(self.around.reel, again=last.stays_in(self.around))
        if further:
            self.furthest = march
        stay_s = last.as_of_s - last.since_s
        march.run(since_s, first_s=min(since_s, max(FIRST_STEP_S, FIRST_STEP_SHARE * stay_s)))
        later = replace(last, field=march.field(), company=march.company, as_of_s=last.as_of_s + since_s)
        if further and i > 1 and self.at_s[i] < KEPT_APART * self.at_s[i - 1]:
            del self.at_s[i], self.states[i]  # each is as large as the spool's whole field
            i -= 1
        self.at_s.insert(i + 1, delay_s)
        self.states.insert(i + 1, later)
        return later


def _aside(guess_s: float, low_s: float, high_s: float) -> float:
    """Return where to look for a guess: a little early, and so that a right one ends the search at an end.

    >>> [round(_aside(guess, 100.0, 1000.0)) for guess in (90.0, 400.0, 990.0)]
    [111, 396, 952]
    """
    lowest, highest = low_s * (NEAR - 0.005) + SOON_S / 2.0, high_s / (NEAR - 0.01)
    if lowest >= highest:
        return (low_s + high_s) / 2.0
    return min(max(0.99 * guess_s, lowest), highest)
