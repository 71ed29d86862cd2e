"""How dry a job needs its spool, and how dry the box at the printer's feed would have to be instead.

A job takes the outermost metres, for as long as it runs, in the air of its printer: drying longer
than that needs is waste.  Left out: the timing of the job, which comes as a feed (``moisture.forecast``).
"""

from dataclasses import dataclass, replace
from typing import Final

from gcodetool.drying.course import Course
from gcodetool.drying.device import Device
from gcodetool.judge.feed_air import ANY_BOX, fed_at, most_humid
from gcodetool.judge.feed_judgement import judged_by
from gcodetool.judge.print_air import PrintAir
from gcodetool.judge.print_judgement import PrintJudgement, judge_print
from gcodetool.judge.verdict_codes import Code, worse
from gcodetool.moisture.field import Field, SpoolIntegrator
from gcodetool.moisture.forecast import forecast
from gcodetool.moisture.history import State, Surroundings
from gcodetool.moisture.record import Place
from gcodetool.motion.feed import ToolFeed

PIECES: Final = 120  # of the feed
HALVINGS: Final = 5  # between two looks of the course: to a thirtieth of their distance
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
    in_box = asks.fed_from(DRY_BOX_RH_PCT)
    last = asks.after(ran.fields[-1])
    return JobNeed(
        name=job.name,
        now=asks.now,
        length_mm=job.length_mm,
        short_mm=max(0.0, job.length_mm - state.remaining_mm),
        open_air_s=job.feed.until_s,
        words=job.around.words,
        clear_s=asks.first(ran, device, temperature_C, "clear"),
        adjust_s=asks.first(ran, device, temperature_C, "adjust"),
        box_now_rh_pct=asks.box(state),
        boxed_s=asks.first(ran, device, temperature_C, "clear", around=in_box),
        box_dried_rh_pct=asks.box(last),
        dried_s=float(ran.at_s[-1]),
    )


class _Asks:
    """Judgements of one job on one spool in several states."""

    def __init__(self, state: State, job: JobFeed, confidence: float) -> None:
        self.state, self.job, self.confidence = state, job, confidence
        self.feed = job.feed.thinned(PIECES)
        self.now = judge_print(state, job.around, job.feed, confidence=confidence)

    def after(self, field: Field) -> State:
        """Return the spool as it leaves the dryer; it is threaded anew."""
        return replace(self.state, field=replace(field, store_kg=None), path=None)

    def holds(self, state: State, wanted: Code, *, around: Surroundings | None = None) -> bool:
        """Return whether the job comes to *wanted* or better from *state*."""
        air = self.job.around.air if around is None else around
        arrival = forecast(state, air, self.feed.segments, until_s=self.feed.until_s)
        judged = judged_by(state, arrival, self.feed, self.confidence)
        return judged is None or not worse(judged.code, wanted)

    def fed_from(self, rh_pct: float) -> Surroundings:
        """Return the job's air with the reel in a box of that humidity."""
        around = self.job.around
        return fed_at(self.state, around, Place(ANY_BOX, "box"), around.air.reel.temperature_C, rh_pct)

    def first(
        self,
        ran: Course,
        device: Device,
        temperature_C: float,
        wanted: Code,
        *,
        around: Surroundings | None = None,
    ) -> float | None:
        """Return the earliest moment of *ran* from which the job comes to *wanted* or better; None: none does."""

        def good(state: State) -> bool:
            return self.holds(state, wanted, around=around)

        as_it_is = self.now.code if around is None else None
        if good(self.state) if as_it_is is None else not worse(as_it_is, wanted):
            return 0.0
        low, high = 0, len(ran.fields) - 1
        if not good(self.after(ran.fields[high])):
            return None
        while high - low > 1:
            middle = (low + high) // 2
            if good(self.after(ran.fields[middle])):
                high = middle
            else:
                low = middle
        # between the two looks the spool is marched again: a box's own air changes little in between
        begin, end = float(ran.at_s[low]), float(ran.at_s[high])
        air = replace(device.air(temperature_C), closed=False, vapour_Pa=float(ran.air_Pa[high]))
        found = end
        for _ in range(HALVINGS):
            middle_s = 0.5 * (begin + end)
            march = SpoolIntegrator(replace(ran.fields[low], store_kg=None), self.state.polymer)
            march.surround(air)
            march.run(middle_s - float(ran.at_s[low]))
            if good(self.after(march.field())):
                found = end = middle_s
            else:
                begin = middle_s
        return found

    def box(self, state: State) -> float | None:
        """Return the largest box humidity at the feed that keeps the job clear; None: no box does."""
        if state.remaining_mm <= 0:
            return None
        return most_humid(state, self.job.around, self.feed, "clear", confidence=self.confidence)
