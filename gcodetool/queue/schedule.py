"""Jobs, printers, spools and dryers on one time line: where a job goes, given which spools it takes.

Jobs are placed one after the other, in the list's order; each starts as early as its printer, its spools and
its own earliest start allow, in a gap between earlier ones where it fits.  A spool is dried as late as
it can be without holding up its job, and leaves the dryer when the job begins.  A dryer has one temperature at a
time: who shares it takes what the others have, if that is not too hot for it, or waits.  A job that comes out as
dry-first, or whose reel is too short, is held: it takes neither time nor filament.  Left out: which spools
(``search``), what comes of it (``forecast_memo``).
"""

import bisect
import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from gcodetool.queue.findings import GOOD_ENOUGH, ORDER, How, ToolRow, empty_row
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.spool_steps import Dry, DryingTime, Leave, Print, StepHistory
from gcodetool.queue.summary import JobSummary, ToolSummary

SHORTEST_SHORT_MM: Final = 1.0  # less than this is rounding
SAME_K: Final = 1e-6  # of two temperatures that are one


@dataclass(frozen=True)
class ToolSlot:
    """One tool of a job: its possible spools, the likeliest first.

    ``why``: the reason where there is none; ``caution``: what is unsure about those that there are;
    ``later_mm``: what later jobs take off the same spool, where it is settled. [mm]
    """

    tool: ToolSummary
    spools: tuple[str, ...]
    how: How
    why: str = ""
    caution: str | None = None
    later_mm: float = 0.0

    @property
    def length_mm(self) -> float:
        """How much of the reel is to be dry, if it is dried for this."""
        return self.tool.filament_mm + self.later_mm


@dataclass(frozen=True)
class Task:
    """A job to be placed."""

    number: int
    path: str
    printer: str | None
    job: JobSummary
    slots: tuple[ToolSlot, ...]
    earliest_s: float | None = None
    due_s: float | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Assignment:
    """What one tool is given: a spool, or none; a dryer to go through before, or none.

    ``time`` fixes how long; None: as long as the forecast says.
    """

    spool: str | None
    dryer: str | None = None
    time: DryingTime | None = field(default=None, compare=False)


@dataclass(frozen=True)
class Cost:
    """What a plan is judged by, the first thing first; all of it only grows from job to job.

    Jobs that are not clear or adjust by their due time; dryings; spools mounted anew; badness of the
    verdicts; sum of the ends. [s]
    """

    unmet: int = 0
    dryings: int = 0
    changes: int = 0
    badness: int = 0
    ends_s: float = 0.0

    def key(self) -> tuple[int, int, int, int, float]:
        """Return what plans are compared by."""
        return self.unmet, self.dryings, self.changes, self.badness, self.ends_s


@dataclass(frozen=True)
class PrinterCalendar:
    """A printer's free time: gaps between jobs, and from when on it is free for good."""

    gaps: tuple[tuple[float, float], ...]
    free_s: float

    def earliest(self, ready_s: float, length_s: float) -> float:
        """Return the earliest start from *ready_s* on with that much time free."""
        for begin, end in self.gaps:
            start = max(begin, ready_s)
            if start + length_s <= end:
                return start
        return max(self.free_s, ready_s)

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


@dataclass(frozen=True)
class DryerStay:
    """A spool's time in a dryer, and how hot that is; *planned*: not one that it is in already."""

    in_s: float
    out_s: float
    spool: str
    temperature_C: float | None
    planned: bool = True

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
class ScheduledJob:
    """A job in a plan."""

    task: Task
    assignments: tuple[Assignment, ...]
    start_s: float
    held: bool
    rows: tuple[ToolRow, ...]
    met: bool
    dryings: tuple[ScheduledDrying, ...] = ()
    steps: tuple[tuple[StepHistory, Print], ...] = ()

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
    mounted : by printer and tool, (start, spool) of each use; what hangs there now comes first.
    fed_mm : what the plan takes off each reel.
    before, last : the plan without its last job, and that job.
    """

    at_s: float
    turnaround_s: float
    holds: Mapping[str, int]
    calendars: Mapping[str | None, PrinterCalendar] = field(default_factory=dict)
    histories: Mapping[str, StepHistory] = field(default_factory=dict)
    free_s: Mapping[str, float] = field(default_factory=dict)
    stays: Mapping[str, tuple[DryerStay, ...]] = field(default_factory=dict)
    mounted: Mapping[tuple[str | None, int], tuple[tuple[float, str], ...]] = field(default_factory=dict)
    fed_mm: Mapping[str, float] = field(default_factory=dict)
    cost: Cost = Cost()
    before: "Schedule | None" = field(default=None, repr=False)
    last: ScheduledJob | None = None

    @property
    def changes(self) -> int:
        """How often a spool is mounted, of jobs that are run."""
        return sum(_changes(uses) for uses in self.mounted.values())

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
    turnaround_s: float,
    holds: Mapping[str, int],
    mounted: Mapping[tuple[str | None, int], str],
    drying: Mapping[str, tuple[str, float | None]],
) -> Schedule:
    """Return the schedule with nothing placed.

    Parameters
    ----------
    mounted : spool by printer and tool.
    drying : dryer by spool that stands in one now, and how hot that is.
    """
    stays: dict[str, tuple[DryerStay, ...]] = {}
    for spool, (dryer, celsius) in sorted(drying.items()):
        stay = DryerStay(-math.inf, math.inf, spool, celsius, planned=False)
        stays[dryer] = (*stays.get(dryer, ()), stay)
    hung = {where: ((-math.inf, spool),) for where, spool in mounted.items()}
    return Schedule(memo.options.at_s, turnaround_s, holds, stays=stays, mounted=hung)


def schedule_job(
    memo: ForecastMemo, schedule: Schedule, task: Task, assignments: Sequence[Assignment]
) -> Schedule | None:
    """Return the schedule with *task* placed on these spools; None where a drying cannot be had."""
    placement = _Placement(memo, schedule)
    ready = max(schedule.at_s, task.earliest_s if task.earliest_s is not None else -math.inf)
    asked: list[tuple[Assignment, str, float]] = []
    for slot, assignment in zip(task.slots, assignments, strict=True):
        if assignment.spool is None:
            continue
        if assignment.dryer is None:
            ready = max(ready, schedule.spool_free_s(assignment.spool))
            continue
        found = placement.first(assignment, assignment.dryer, slot.length_mm)
        if found is None:
            return None
        asked.append((assignment, assignment.dryer, slot.length_mm))
        in_s, time = found
        stay = DryerStay(in_s, in_s + time.seconds, assignment.spool, time.temperature_C)
        placement.reserve(assignment.dryer, stay)
        ready = max(ready, stay.out_s)
    calendar = schedule.calendars.get(task.printer) or PrinterCalendar((), schedule.at_s)
    start = calendar.earliest(ready, task.job.open_air_s + schedule.turnaround_s)
    dryings = []
    if asked:
        placement = _Placement(memo, schedule)  # again, as late as can be
        for assignment, dryer, length_mm in asked:
            drying = placement.late(assignment, dryer, length_mm, start)
            if drying is None:
                return None
            dryings.append(drying)
    histories = {**schedule.histories, **placement.histories}
    rows, steps = [], []
    for slot, assignment in zip(task.slots, assignments, strict=True):
        if assignment.spool is None:
            why = f"{slot.spools[0]} feeds another tool of this job" if slot.spools else slot.why
            rows.append(empty_row(slot.tool, "unknown", why))
            continue
        step = Print(task.job.digest, slot.tool.tool, start, task.printer)
        history = histories.get(assignment.spool) or StepHistory(assignment.spool)
        how: How = (
            "mounted"
            if slot.how == "chosen" and _hangs(schedule, task, slot, assignment, start)
            else slot.how
        )
        row = memo.printed(history, step, slot.tool)
        said = row.cautions if slot.caution is None else (slot.caution, *row.cautions)
        rows.append(replace(row, how=how, cautions=said))
        steps.append((history, step))
    enough = all(row.short_mm <= SHORTEST_SHORT_MM for row in rows)
    held = not enough or any(row.code == "dry-first" for row in rows)
    if held:
        dryings = []
    end = start + task.job.open_air_s
    met = (
        enough and all(row.code in GOOD_ENOUGH for row in rows) and (task.due_s is None or end <= task.due_s)
    )
    placed = ScheduledJob(
        task, tuple(assignments), start, held, tuple(rows), met, tuple(dryings), tuple(steps)
    )
    bad = max(ORDER.index(row.code if enough else "unknown") for row in rows)
    so_far = schedule.cost
    cost = Cost(
        unmet=so_far.unmet + (not met),
        dryings=so_far.dryings + len(asked),
        changes=so_far.changes,
        badness=so_far.badness + bad,
        ends_s=so_far.ends_s + end - schedule.at_s,
    )
    if held:
        # not run: spools, printer and dryers stay as they were; it would have to be mounted, though
        hung = sum(
            assignment.spool is None or _hangs(schedule, task, slot, assignment, start)
            for slot, assignment in zip(task.slots, assignments, strict=True)
        )
        cost = replace(cost, changes=cost.changes + len(assignments) - hung)
        return replace(schedule, cost=cost, before=schedule, last=placed)
    free = {**schedule.free_s, **placement.free_s}
    mounted, fed = dict(schedule.mounted), dict(schedule.fed_mm)
    slots = [
        slot for slot, assignment in zip(task.slots, assignments, strict=True) if assignment.spool is not None
    ]
    for (history, step), slot in zip(steps, slots, strict=True):
        spool, where = history.spool, (task.printer, slot.tool.tool)
        histories[spool], free[spool] = history.with_step(step), end
        fed[spool] = fed.get(spool, 0.0) + slot.tool.filament_mm
        mounted[where], more = _used(mounted.get(where, ()), start, spool)
        cost = replace(cost, changes=cost.changes + more)
        placement.taken_out(spool, start)
    calendars = {**schedule.calendars, task.printer: calendar.taken(start, end + schedule.turnaround_s)}
    return replace(
        schedule,
        calendars=calendars,
        histories=histories,
        free_s=free,
        stays=placement.stays,
        mounted=mounted,
        fed_mm=fed,
        cost=cost,
        before=schedule,
        last=placed,
    )


def _hangs(schedule: Schedule, task: Task, slot: ToolSlot, assignment: Assignment, start_s: float) -> bool:
    """Return whether the spool hangs on that printer already when the job begins."""
    uses = schedule.mounted.get((task.printer, slot.tool.tool), ())
    at = bisect.bisect_right(uses, start_s, key=lambda use: use[0])
    return at > 0 and uses[at - 1][1] == assignment.spool


def _used(
    uses: tuple[tuple[float, str], ...], start_s: float, spool: str
) -> tuple[tuple[tuple[float, str], ...], int]:
    """Return the uses of a printer's tool with one more, and how many changes that adds."""
    at = bisect.bisect_right(uses, (start_s, spool))
    before = uses[at - 1][1] if at else None
    after = uses[at][1] if at < len(uses) else None
    more = (
        (before != spool) + (after is not None and after != spool) - (after is not None and after != before)
    )
    return (*uses[:at], (start_s, spool), *uses[at:]), more


def _changes(uses: Sequence[tuple[float, str]]) -> int:
    """Return how often another spool is mounted; the first one must be, unless it hangs there now."""
    count = sum(before[1] != after[1] for before, after in itertools.pairwise(uses))
    return count + (1 if uses and uses[0][0] > -math.inf else 0)


class _Placement:
    """Dryers and spools while one job is being placed."""

    def __init__(self, memo: ForecastMemo, schedule: Schedule) -> None:
        self.memo, self.schedule = memo, schedule
        self.stays: dict[str, tuple[DryerStay, ...]] = dict(schedule.stays)
        self.histories: dict[str, StepHistory] = {}
        self.free_s: dict[str, float] = {}

    def steps_of(self, spool: str) -> StepHistory:
        return self.histories.get(spool) or self.schedule.steps_of(spool)

    def time(
        self,
        assignment: Assignment,
        dryer: str,
        in_s: float,
        length_mm: float,
        shared_C: float | None = None,
    ) -> DryingTime | None:
        assert assignment.spool is not None
        if assignment.time is not None:
            return assignment.time
        return self.memo.drying_time(self.steps_of(assignment.spool), dryer, in_s, length_mm, shared_C)

    def first(self, assignment: Assignment, dryer: str, length_mm: float) -> tuple[float, DryingTime] | None:
        """Return the earliest time at which the dryer takes the spool, and how long it needs."""
        assert assignment.spool is not None
        free_s = self.schedule.spool_free_s(assignment.spool)
        moments = sorted({free_s, *(stay.out_s for stay in self.stays.get(dryer, ()) if stay.out_s > free_s)})
        for in_s in moments:
            if math.isinf(in_s):
                break
            own = self.time(assignment, dryer, in_s, length_mm)
            if own is None:
                return None
            found = self.taken_in(assignment, dryer, in_s, length_mm, own)
            if found is not None:
                return in_s, found
        return None

    def taken_in(
        self, assignment: Assignment, dryer: str, in_s: float, length_mm: float, own: DryingTime
    ) -> DryingTime | None:
        """Return how long the drying from *in_s* on takes; None where the dryer does not take the spool then.

        At the spool's *own* temperature, or at that of the others, where they are cooler.
        """
        assert assignment.spool is not None
        if self.takes(dryer, in_s, own, assignment.spool):
            return own
        company = self.company(dryer, in_s, in_s + own.seconds, assignment.spool)
        coolest = min(
            (stay.temperature_C for stay in company if stay.temperature_C is not None), default=None
        )
        if coolest is None or coolest >= own.temperature_C or assignment.time is not None:
            return None
        shared = self.time(assignment, dryer, in_s, length_mm, coolest)
        return shared if shared is not None and self.takes(dryer, in_s, shared, assignment.spool) else None

    def company(self, dryer: str, in_s: float, out_s: float, spool: str) -> list[DryerStay]:
        """Return the planned stays of others in that time; who is not planned makes room."""
        stays = self.stays.get(dryer, ())
        return [stay for stay in stays if stay.planned and stay.spool != spool and stay.crosses(in_s, out_s)]

    def takes(self, dryer: str, in_s: float, time: DryingTime, spool: str) -> bool:
        """Return whether the dryer takes one reel more for that time, at that temperature."""
        company = self.company(dryer, in_s, in_s + time.seconds, spool)
        if not all(stay.as_hot(time.temperature_C) for stay in company):
            return False
        moments = {in_s, *(stay.in_s for stay in company if stay.in_s > in_s)}
        most = max(sum(stay.in_s <= moment < stay.out_s for stay in company) for moment in moments)
        return most < self.schedule.holds.get(dryer, 1)

    def reserve(self, dryer: str, stay: DryerStay) -> None:
        self.stays[dryer] = (*self.stays.get(dryer, ()), stay)

    def late(
        self, assignment: Assignment, dryer: str, length_mm: float, start_s: float
    ) -> ScheduledDrying | None:
        """Return the drying that ends when the job begins, else the earliest one; it is reserved."""
        assert assignment.spool is not None
        found = self.first(assignment, dryer, length_mm)
        if found is None:
            return None
        in_s, time = found
        late_s = start_s - time.seconds
        own = self.time(assignment, dryer, late_s, length_mm) if late_s > in_s else None
        if own is not None and start_s - own.seconds >= in_s:
            # what it needs later may be a little less or more: from the moment at which that ends with the job's start
            later = self.taken_in(assignment, dryer, start_s - own.seconds, length_mm, own)
            if later is not None and start_s - later.seconds >= in_s:
                begin_s = start_s - later.seconds
                if self.takes(dryer, begin_s, later, assignment.spool):
                    in_s, time = begin_s, later
        return self.dry(assignment.spool, dryer, in_s, time)

    def dry(self, spool: str, dryer: str, in_s: float, time: DryingTime) -> ScheduledDrying:
        """Put a spool into a dryer, and out again."""
        self.make_room(dryer, in_s, time, spool)
        self.taken_out(spool, in_s)
        before = self.steps_of(spool)
        step = Dry(dryer, in_s, in_s + time.seconds, time.temperature_C)
        self.reserve(dryer, DryerStay(step.in_s, step.out_s, spool, step.temperature_C))
        self.histories[spool] = before.with_step(step)
        return ScheduledDrying(before, step, time)

    def taken_out(self, spool: str, at_s: float) -> None:
        """End the stay of a spool that stands in a dryer now; from then on its end is known."""
        for dryer, stays in self.stays.items():
            if any(stay.spool == spool and not stay.planned for stay in stays):
                self.stays[dryer] = tuple(
                    replace(stay, out_s=at_s, planned=True)
                    if stay.spool == spool and not stay.planned
                    else stay
                    for stay in stays
                )

    def make_room(self, dryer: str, in_s: float, time: DryingTime, spool: str) -> None:
        """Take spools that stand in a dryer without a plan out of it: those at another temperature, and for room."""
        out_s = in_s + time.seconds
        while True:
            stays = self.stays.get(dryer, ())
            there = [stay for stay in stays if stay.spool != spool and stay.crosses(in_s, out_s)]
            idle = [stay for stay in there if not stay.planned]
            other = [stay for stay in idle if not stay.as_hot(time.temperature_C)]
            if not idle or (len(there) < self.schedule.holds.get(dryer, 1) and not other):
                return
            gone = (other or idle)[0].spool
            self.taken_out(gone, in_s)
            self.histories[gone] = self.steps_of(gone).with_step(Leave(in_s))
            self.free_s[gone] = in_s
