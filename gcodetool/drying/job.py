"""How dry a job needs its spool, and how dry the box at the printer's feed would have to be instead.

A job takes the outermost metres, for as long as it runs, in the air of its printer: drying longer
than that needs is waste.  Left out: the timing of the job, which comes as a feed (``moisture.forecast``).
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from gcodetool.drying.course import Course
from gcodetool.drying.device import Device
from gcodetool.drying.words import timer_s
from gcodetool.judge.feed_air import ANY_BOX, fed_at, most_humid
from gcodetool.judge.feed_judgement import judged_by
from gcodetool.judge.outcomes import Judgement
from gcodetool.judge.print_air import PrintAir
from gcodetool.judge.print_judgement import PrintJudgement, judge_print
from gcodetool.judge.verdict_codes import Code, worse
from gcodetool.moisture.field import Field, SpoolIntegrator
from gcodetool.moisture.forecast import forecast
from gcodetool.moisture.history import State, Surroundings, quantile
from gcodetool.moisture.record import Place
from gcodetool.motion.feed import ToolFeed

PIECES: Final = 120  # of the feed
HALVINGS: Final = 5  # between two looks of the course: to a thirtieth of their distance
GUESSES: Final = 4  # of where the limit is passed, by what is known; then halves
DRY_BOX_RH_PCT: Final = 15.0  # what a box with working desiccant holds (own estimate)


@dataclass(frozen=True)
class JobFeed:
    """What a job takes, and where.

    Attributes
    ----------
    name
        For messages.
    feed
        What it takes, and when.
    around
        The air it is printed in.
    """

    name: str
    feed: ToolFeed
    around: PrintAir

    @property
    def length_mm(self) -> float:
        """What it feeds in all."""
        return self.feed.forward_mm


@dataclass(frozen=True)
class JobNeed:
    """What one job needs of the spool.

    Attributes
    ----------
    now
        The job printed now, without any drying.
    clear_s, adjust_s
        Hours of drying after which the job is clear, or at least marginal to its end, at the asked confidence;
        0 where it is now; None where no time within those looked at does it.
    box_now_rh_pct
        The largest humidity of a box at the feed that keeps the job clear with the spool as it is now;
        None: no box does.
    boxed_s
        Hours of drying after which the job is clear when it is fed from a box of DRY_BOX_RH_PCT; None: none.
    box_dried_rh_pct
        The largest humidity of a box after the longest drying looked at.
    dried_s
        Which drying that is.
    """

    name: str
    now: PrintJudgement
    length_mm: float
    short_mm: float
    open_air_s: float
    words: str
    clear_s: float | None
    adjust_s: float | None
    box_now_rh_pct: float | None
    boxed_s: float | None
    box_dried_rh_pct: float | None
    dried_s: float


def job_need(
    state: State,
    device: Device,
    temperature_C: float,
    ran: Course,
    job: JobFeed,
    *,
    confidence: float,
) -> JobNeed:
    """Return what *job* needs, from a course that kept its fields."""
    asks = _Asks(state, job, confidence)
    bare = _Hours(asks, ran, device, temperature_C)
    boxed = _Hours(asks, ran, device, temperature_C, asks.fed_from(DRY_BOX_RH_PCT))
    last = asks.after(ran.fields[-1])
    return JobNeed(
        name=job.name,
        now=asks.now,
        length_mm=job.length_mm,
        short_mm=max(0.0, job.length_mm - state.remaining_mm),
        open_air_s=job.feed.until_s,
        words=job.around.words,
        clear_s=bare.first("clear"),
        adjust_s=bare.first("adjust"),
        box_now_rh_pct=asks.box(state),
        boxed_s=boxed.first("clear"),
        box_dried_rh_pct=asks.box(last),
        dried_s=float(ran.at_s[-1]),
    )


def job_hours(
    state: State,
    device: Device,
    temperature_C: float,
    ran: Course,
    job: JobFeed,
    wanted: Code,
    *,
    confidence: float,
) -> float | None:
    """Return the drying after which *job* comes to *wanted*, as :func:`job_need` says it; None: none does. [s]"""
    return _Hours(_Asks(state, job, confidence), ran, device, temperature_C).first(wanted)


class _Asks:
    """Judgements of one job on one spool in several states."""

    def __init__(self, state: State, job: JobFeed, confidence: float) -> None:
        self.state, self.job, self.confidence = state, job, confidence
        self.feed = job.feed.thinned(PIECES)
        self.now = judge_print(state, job.around, job.feed, confidence=confidence)

    def after(self, field: Field) -> State:
        """Return the spool as it leaves the dryer; it is threaded anew."""
        return replace(self.state, field=replace(field, store_kg=None), path=None)

    def judged(self, state: State, around: Surroundings | None) -> Judgement | None:
        """Return what the model says of the job from *state*; None where nothing arrives."""
        air = self.job.around.air if around is None else around
        arrival = forecast(state, air, self.feed.segments, until_s=self.feed.until_s)
        return judged_by(state, arrival, self.feed, self.confidence)

    def fed_from(self, rh_pct: float) -> Surroundings:
        """Return the job's air with the reel in a box of that humidity."""
        around = self.job.around
        return fed_at(self.state, around, Place(ANY_BOX, "box"), around.air.reel.temperature_C, rh_pct)

    def box(self, state: State) -> float | None:
        """Return the largest box humidity at the feed that keeps the job clear; None: no box does."""
        if state.remaining_mm <= 0:
            return None
        return most_humid(state, self.job.around, self.feed, "clear", confidence=self.confidence)


class _Hours:
    """One job's verdicts along one course of drying, in the air of its printer, or fed in another.

    What arrives only gets drier with more hours, so that the moment from which enough members lie below the limit is looked
    for between two others; whether nobody can say comes on top (``judge.outcomes.leaves_open``).
    """

    def __init__(
        self,
        asks: _Asks,
        ran: Course,
        device: Device,
        temperature_C: float,
        around: Surroundings | None = None,
    ) -> None:
        self.asks, self.ran, self.around = asks, ran, around
        self.device, self.temperature_C = device, temperature_C
        self.known: dict[float, Judgement | None] = {}

    def first(self, wanted: Code) -> float | None:
        """Return the earliest moment from which the job comes to *wanted* or better; None: none does.

        Dried longer, members may part until nobody can say any more what comes of the job: so the answer is one that
        holds when it is forecast again, also rounded up to what a timer is set to.
        """
        asks = self.asks
        if self.around is None:
            already = not worse(asks.now.code, wanted)
        else:
            already = _comes_to(asks.judged(asks.state, self.around), wanted)
        if already:
            return 0.0
        enough = self._enough(wanted)
        if enough is None or self._told(enough, wanted):
            return enough
        return self._told_later(enough, wanted)

    def judged(self, seconds: float) -> Judgement | None:
        """Return what the model says of the job after so many seconds of drying."""
        if seconds not in self.known:
            self.known[seconds] = self.asks.judged(self.asks.after(self._field(seconds)), self.around)
        return self.known[seconds]

    def _field(self, seconds: float) -> Field:
        """Return the spool's water then, marched on from the last look before: a box's own air changes little meanwhile."""
        at = int(np.searchsorted(self.ran.at_s, seconds, side="right")) - 1
        begin_s = float(self.ran.at_s[at])
        if seconds == begin_s:
            return self.ran.fields[at]
        vapour_Pa = float(self.ran.air_Pa[min(at + 1, len(self.ran.fields) - 1)])
        march = SpoolIntegrator(replace(self.ran.fields[at], store_kg=None), self.asks.state.polymer)
        march.surround(replace(self.device.air(self.temperature_C), closed=False, vapour_Pa=vapour_Pa))
        march.run(seconds - begin_s)
        return march.field()

    def _over(self, seconds: float, wanted: Code) -> float:
        """Return the wettest that arrives over its limit, at the asked confidence: above 1 is not dry enough. [-]"""
        judged = self.judged(seconds)
        if judged is None:
            return 0.0
        return judged.worst_of_good if wanted == "clear" else judged.worst_of_marginal

    def _told(self, seconds: float, wanted: Code) -> bool:
        """Return whether the job comes to what is wanted after so long, and after as long as a timer is set to for it."""
        return all(_comes_to(self.judged(each), wanted) for each in (seconds, timer_s(seconds)))

    def _enough(self, wanted: Code) -> float | None:
        """Return from when on enough members lie below the limit; None: not within the course."""
        state, polymer = self.asks.state, self.asks.state.polymer
        limit = polymer.limit_good if wanted == "clear" else polymer.limit_marginal
        # what leaves the dryer, over its limit, and what it takes up while it is printed: where to look
        leaves = [quantile(each / limit, self.asks.confidence, state.weights) for each in self.ran.wettest]
        uptake = 0.0
        at_s = [float(each) for each in self.ran.at_s]
        low, high, tries = 0, len(at_s), 0
        while high - low > 1:
            look = next((at for at, each in enumerate(leaves) if each + uptake <= 1.0), len(at_s) - 1)
            look = min(max(look, low + 1), high - 1) if tries < GUESSES else (low + high) // 2
            over, tries = self._over(at_s[look], wanted), tries + 1
            uptake = over - leaves[look]
            low, high = (low, look) if over <= 1.0 else (look, high)
        return None if high == len(at_s) else self._between(at_s[low], at_s[high], wanted)

    def _between(self, begin_s: float, end_s: float, wanted: Code) -> float:
        """Return the same between two looks, the first one too early."""
        close_s, tries = (end_s - begin_s) / 2**HALVINGS, 0
        while end_s - begin_s > close_s:
            before, after = self._over(begin_s, wanted), self._over(end_s, wanted)
            part = (before - 1.0) / (before - after) if before > max(1.0, after) and tries < GUESSES else 0.5
            middle_s = begin_s + part * (end_s - begin_s) + (0.5 * close_s if tries < GUESSES else 0.0)
            middle_s, tries = min(max(middle_s, begin_s + 0.5 * close_s), end_s - 0.5 * close_s), tries + 1
            if self._over(middle_s, wanted) <= 1.0:
                end_s = middle_s
            else:
                begin_s = middle_s
        return end_s

    def _told_later(self, from_s: float, wanted: Code) -> float | None:
        """Return the first moment after *from_s* from which it can be told again; None: none within the course."""
        later = [float(each) for each in self.ran.at_s if each > from_s]
        found = next((at for at, each in enumerate(later) if self._told(each, wanted)), None)
        if found is None:
            return None
        begin_s, end_s = later[found - 1] if found else from_s, later[found]
        for _ in range(HALVINGS):
            middle_s = 0.5 * (begin_s + end_s)
            begin_s, end_s = (begin_s, middle_s) if self._told(middle_s, wanted) else (middle_s, end_s)
        return end_s


def _comes_to(judged: Judgement | None, wanted: Code) -> bool:
    """Return whether a verdict is *wanted* or better; so is that on a job that takes nothing."""
    return judged is None or not worse(judged.code, wanted)
