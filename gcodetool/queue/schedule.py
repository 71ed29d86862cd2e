"""Jobs, printers, spools, dryers and people on one time line: what is known of it after each job.

A :class:`Schedule` never changes; a job more is another one, which knows the one before.  Left out: where a job
goes (``placing``), which spools it takes (``search``), what comes of it (``forecast_memo``).
"""

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import field
from typing import Final, NamedTuple

from gcodetool.queue.boxes import NO_BOXES, FeedBoxes
from gcodetool.queue.findings import How, ToolRow, Verdict
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.job_list import JobList
from gcodetool.queue.presence import ALWAYS, Presence
from gcodetool.queue.spool_steps import Dry, DryingTime, Print, StepHistory
from gcodetool.queue.summary import JobSummary, ToolSummary
from gcodetool.quickdata import dataclass

SHORTEST_SHORT_MM: Final = 1.0  # less than this is rounding
SAME_K: Final = 1e-6  # of two temperatures that are one


@dataclass(frozen=True)
class ToolSlot:
    """One tool of a job: its possible spools, the likeliest first.

    ``why``, ``code``: reason and verdict where there is none; ``caution``: what is unsure about those that there are;
    ``later_mm``: what later jobs take off the same spool, where it is settled. [mm]
    """

    tool: ToolSummary
    spools: tuple[str, ...]
    how: How
    why: str = ""
    code: Verdict = "unknown"
    caution: str | None = None
    later_mm: float = 0.0

    @property
    def length_mm(self) -> float:
        """How much of the reel is to be dry, if it is dried for this."""
        return self.tool.filament_mm + self.later_mm


@dataclass(frozen=True)
class Task:
    """A job to be placed, on the printer that it was sliced for.

    Attributes
    ----------
    others : the same job on each printer that it fits as well.
    priority : as many jobs it counts for where not all make it.
    """

    number: int
    path: str
    printer: str | None
    job: JobSummary
    slots: tuple[ToolSlot, ...]
    earliest_s: float | None = None
    due_s: float | None = None
    notes: tuple[str, ...] = ()
    others: "tuple[Task, ...]" = ()
    priority: int = 1

    @property
    def variants(self) -> "tuple[Task, ...]":
        """The job on every printer that it may go to, its own first."""
        return (self, *self.others)


@dataclass(frozen=True)
class Assignment:
    """What one tool is given: a spool, or none; a dryer to go through before, or none; a box to be fed from, or none.

    ``time`` fixes how long; None: as long as the forecast says.
    """

    spool: str | None
    dryer: str | None = None
    box: str | None = None
    time: DryingTime | None = field(default=None, compare=False)

    @property
    def hung(self) -> str | None:
        """What is at the tool then, as ``Schedule.mounted`` has it: the reel, or the reel in its box."""
        return self.spool if self.box is None else f"{self.spool} in {self.box}"


class Way(NamedTuple):
    """A job on one of its printers, and what its tools are given; *home*: with all printers that it may go to."""

    task: Task
    assignments: tuple[Assignment, ...]
    home: Task


class Mounting(NamedTuple):
    """What hangs at a printer's tool from a job's start on; *again*: it hung there last, but was taken off in between."""

    start_s: float
    hung: str
    again: bool = False


@dataclass(frozen=True)
class Cost:
    """What a plan is judged by, the first thing first; all of it only grows from job to job.

    Attributes
    ----------
    missed : jobs that are not clear or adjust by their due time, each as often as its priority says.
    handoffs : spools mounted that were not there, or were taken off since, put into a box, into a dryer and taken out;
        what goes from the dryer to the printer at one moment counts once.
    dryings : how many.
    heat_s : in which dryers are hot; what is dried together counts once. [s]
    badness : of the verdicts.
    ends_s : sum of the ends. [s]
    """

    missed: int = 0
    handoffs: int = 0
    dryings: int = 0
    heat_s: float = 0.0
    badness: int = 0
    ends_s: float = 0.0

    def key(self) -> tuple[int, int, int, float, int, float]:
        """Return what plans are compared by."""
        return self.missed, self.handoffs, self.dryings, self.heat_s, self.badness, self.ends_s


@dataclass(frozen=True)
class PrinterCalendar:
    """A printer's free time: gaps between jobs, and from when on it is free for good."""

    gaps: tuple[tuple[float, float], ...]
    free_s: float

    def earliest(
        self, ready_s: float, length_s: float, *, presence: Presence = ALWAYS, turnaround_s: float = 0.0
    ) -> float:
        """Return the earliest start from *ready_s* on with so much time free; somebody must be there."""
        for begin, end in self.gaps:
            start = presence.next_s(max(begin, ready_s))
            if free_again(start, length_s, presence, turnaround_s) <= end:
                return start
        return presence.next_s(max(self.free_s, ready_s))

    def taken(self, start_s: float, end_s: float) -> "PrinterCalendar":
        """Return the calendar with a stretch taken."""
        if start_s >= self.free_s:
            gaps = self.gaps if start_s == self.free_s else (*self.gaps, (self.free_s, start_s))
            return PrinterCalendar(gaps, end_s)
        gaps_: list[tuple[float, float]] = []
        for begin, end in self.gaps:
            if begin <= start_s and end_s <= end:
                gaps_ += [part for part in ((begin, start_s), (end_s, end)) if part[0] < part[1]]
            else:
                gaps_.append((begin, end))
        return PrinterCalendar(tuple(gaps_), self.free_s)


def free_again(start_s: float, length_s: float, presence: Presence, turnaround_s: float) -> float:
    """Return when a printer is free after a job: parts off and bed clean, once somebody is there."""
    return presence.next_s(start_s + length_s) + turnaround_s


@dataclass(frozen=True)
class DryerStay:
    """A spool's time in a dryer, and how hot that is; *planned*: not one that it is in already.

    ``before``: what happened to the spool by then; None: that is not known.
    """

    in_s: float
    out_s: float
    spool: str
    temperature_C: float | None
    planned: bool = True
    before: StepHistory | None = field(default=None, compare=False)

    @property
    def stood(self) -> bool:
        """Whether it stood there before the plan."""
        return self.in_s == -math.inf

    def crosses(self, in_s: float, out_s: float) -> bool:
        """Return whether any of that time is in it."""
        return self.in_s < out_s and in_s < self.out_s

    def as_hot(self, temperature_C: float) -> bool:
        """Return whether it has that temperature; one that nobody knows has none."""
        return self.temperature_C is not None and abs(self.temperature_C - temperature_C) <= SAME_K


@dataclass(frozen=True)
class ScheduledDrying:
    """A drying in a plan."""

    before: StepHistory
    step: Dry
    time: DryingTime


@dataclass(frozen=True)
class ScheduledWait:
    """A dried reel's time in its dryer until its job begins; ``knob_C`` as of a drying, None with the heat off."""

    before: StepHistory
    step: Dry
    knob_C: float | None = None

    @property
    def stays(self) -> bool:
        """Whether it is in there already and nobody has to put it in."""
        last = self.before.step
        return isinstance(last, Dry) and last.dryer == self.step.dryer and last.out_s == self.step.in_s


@dataclass(frozen=True)
class ScheduledJob:
    """A job in a plan; ``task`` on the printer that it goes to, ``home`` with all that it may go to.

    ``tried``: its dryings, also where it is held and they are not done; ``waits``: its reels that wait in a dryer.
    """

    task: Task
    assignments: tuple[Assignment, ...]
    home: Task
    start_s: float
    held: bool
    rows: tuple[ToolRow, ...]
    met: bool
    dryings: tuple[ScheduledDrying, ...] = ()
    steps: tuple[tuple[StepHistory, Print], ...] = ()
    tried: tuple[ScheduledDrying, ...] = ()
    waits: tuple[ScheduledWait, ...] = ()

    @property
    def inside(self) -> "tuple[ScheduledDrying | ScheduledWait, ...]":
        """All that is put into a dryer for it."""
        return (*self.dryings, *self.waits)

    @property
    def way(self) -> Way:
        """What was chosen for it."""
        return Way(self.task, self.assignments, self.home)

    @property
    def end_s(self) -> float:
        """When it ends; a held one, when it would."""
        return self.start_s + self.task.job.open_air_s

    @property
    def in_time(self) -> bool | None:
        """Whether it ends by its due time; None: it has none."""
        return None if self.task.due_s is None else not self.held and self.end_s <= self.task.due_s


@dataclass(frozen=True)
class Schedule:
    """A plan so far.

    Attributes
    ----------
    at_s : the moment from which on it is planned.
    turnaround_s : between two jobs on a printer.
    holds : how many reels each dryer takes.
    presence, unattended : when somebody is there, and the dryers that may be hot without.
    mounted : by printer and tool, each use by time; what hangs there now comes first.
    boxes : that reels may stand in while they feed a printer.
    homes : the place that each reel goes back to after a job; of one that lives on a printer, None.
    fed_mm : what the plan takes off each reel.
    before, last : the plan without its last job, and that job.
    """

    at_s: float
    turnaround_s: float
    holds: Mapping[str, int]
    presence: Presence = ALWAYS
    unattended: frozenset[str] = frozenset()
    calendars: Mapping[str | None, PrinterCalendar] = field(default_factory=dict)
    histories: Mapping[str, StepHistory] = field(default_factory=dict)
    free_s: Mapping[str, float] = field(default_factory=dict)
    stays: Mapping[str, tuple[DryerStay, ...]] = field(default_factory=dict)
    mounted: Mapping[tuple[str | None, int], tuple[Mounting, ...]] = field(default_factory=dict)
    boxes: FeedBoxes = NO_BOXES
    homes: Mapping[str, str | None] = field(default_factory=dict)
    fed_mm: Mapping[str, float] = field(default_factory=dict)
    cost: Cost = Cost()
    before: "Schedule | None" = field(default=None, repr=False)
    last: ScheduledJob | None = None

    @property
    def changes(self) -> int:
        """How often a spool is mounted, of jobs that are run."""
        return sum(mounts(uses) for uses in self.mounted.values())

    def history(self) -> "Iterator[tuple[Schedule, ScheduledJob]]":
        """Yield each job placed with the schedule that it was placed into, the last one first."""
        schedule = self
        while schedule.before is not None and schedule.last is not None:
            yield schedule.before, schedule.last
            schedule = schedule.before

    def all(self) -> list[ScheduledJob]:
        """Return the jobs placed, in the order in which they were."""
        return [placed for _, placed in self.history()][::-1]

    def steps_of(self, spool: str) -> StepHistory:
        """Return what happens to a spool so far."""
        return self.histories.get(spool) or StepHistory(spool)

    def spool_free_s(self, spool: str) -> float:
        """Return from when on a spool is free."""
        return self.free_s.get(spool, self.at_s)


def empty_schedule(
    memo: ForecastMemo,
    *,
    job_list: JobList,
    holds: Mapping[str, int],
    mounted: Mapping[tuple[str | None, int], str],
    drying: Mapping[str, tuple[str, float | None]],
    boxes: FeedBoxes = NO_BOXES,
) -> Schedule:
    """Return the schedule with nothing placed.

    Parameters
    ----------
    holds : how many reels each dryer takes.
    mounted : spool by printer and tool.
    drying : dryer by spool that stands in one now, and how hot that is.
    boxes : that printers may be fed from.
    """
    stays: dict[str, tuple[DryerStay, ...]] = {}
    for spool, (dryer, celsius) in sorted(drying.items()):
        stay = DryerStay(-math.inf, math.inf, spool, celsius, planned=False)
        stays[dryer] = (*stays.get(dryer, ()), stay)
    hung = {where: (Mounting(-math.inf, spool),) for where, spool in mounted.items()}
    at_s = memo.options.at_s
    return Schedule(
        at_s,
        job_list.turnaround_s,
        holds,
        presence=job_list.presence,
        unattended=job_list.unattended,
        calendars={name: PrinterCalendar((), until) for name, until in job_list.busy.items() if until > at_s},
        stays=stays,
        mounted=hung,
        boxes=boxes,
    )


def mounts(uses: Sequence[Mounting]) -> int:
    """Return how often another spool is mounted; the first one must be, unless it hangs there now."""
    count = sum(before.hung != after.hung for before, after in itertools.pairwise(uses))
    return count + (1 if uses and uses[0].start_s > -math.inf else 0)
