"""The table of forecasts that a choice rests on: for each job, each printer and spool, dried or not, what would come of it.

Each entry is a forecast of one job alone, so a plan's own forecast may be worse (the spool was used before) or
better (it went on drying where it stands, or another job took the wet windings off).  An entry is left out only where
the job comes out bad at the earliest moment *and* at the end of the plan's time, also after another job, also when the
reel hung at the printer all that time: the table promises too much rather than too little, which makes its best plan a
bound.  Left out: choosing from it (``optimise``).
"""

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Final, Literal

from gcodetool.queue.executors import Executor
from gcodetool.queue.findings import GOOD_ENOUGH
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.job_list import Progress
from gcodetool.queue.placing import SHORTEST_SHORT_MM
from gcodetool.queue.schedule import Assignment, Schedule, Task, ToolSlot, Way
from gcodetool.queue.search import ways
from gcodetool.queue.spool_steps import Dry, DryingTime, Print, StepHistory
from gcodetool.queue.spool_work import Wanting
from gcodetool.quickdata import dataclass

MOST_SPOOLS: Final = 12  # of each tool
MOST_SPOOLS_OF_FEW: Final = 40  # the same, where there are few jobs
FEW_JOBS: Final = 8
MOST_WAYS: Final = 300  # of each job
HALF_HOUR_S: Final = 1800.0
SHORT_S: Final = 900.0  # when a reel gets dry or wet is known so closely
SHARE: Final = 0.05  # or to that share of the time until then

MOMENTS_H: Final = (
    2,
    4,
    8,
    12,
    18,
    24,
    36,
    48,
    72,
    120,
    240,
)  # from now, between which a spool gets dry or wet

Spell = tuple[float, float]
# dry enough as it is; after another job took the wet windings off; after a drying for another job; dried for this one
State = Literal["dry", "helped", "after", "dried"]


class TableTimeError(Exception):
    """The time was over before the table was made."""


@dataclass(frozen=True)
class Entry:
    """One way for a job, with what each of its spools needs.

    Attributes
    ----------
    states : of each tool's spool.
    times : how long a spool that is dried for it needs at the earliest.
    spells : from when and until when the job must begin where a spool is dry enough as it is, though not always. [s]
    """

    way: Way
    states: tuple[State, ...]
    times: tuple[DryingTime | None, ...]
    spells: tuple[Spell | None, ...]


@dataclass(frozen=True)
class ForecastTable:
    """All ways in which jobs may make it, by job; ``complete``: no spool or way was left out for want of time."""

    entries: tuple[tuple[Entry, ...], ...]
    complete: bool


def table_of(
    memo: ForecastMemo,
    start: Schedule,
    tasks: Sequence[Task],
    executor: Executor,
    progress: Progress | None = None,
    *,
    enough: Callable[[], bool] = lambda: False,
) -> ForecastTable:
    """Return the table for *tasks*, its forecasts computed by whoever is there to do it.

    Raises
    ------
    TableTimeError
        ``enough`` said that the time is over; what was computed by then is known.
    """

    def compute(asked: Wanting, progress: Progress | None) -> None:
        asked.compute(executor, progress, words="table of forecasts", enough=enough)
        if enough():
            raise TableTimeError

    asked = Wanting(memo)
    for spool in sorted({spool for task in tasks for slot in task.slots for spool in slot.spools}):
        asked.wetness(spool)
    compute(asked, None)
    every: list[list[Way]] = []
    complete = True
    most = MOST_SPOOLS if len(tasks) > FEW_JOBS else MOST_SPOOLS_OF_FEW
    for task in tasks:
        found = list(itertools.islice(ways(memo, task, start, most=most), MOST_WAYS + 1))
        complete &= len(found) <= MOST_WAYS and all(len(slot.spools) <= most for slot in task.slots)
        every.append(found[:MOST_WAYS])
    late_s, in_s = horizon(start, tasks), start.presence.next_s(start.at_s)
    asked = Wanting(memo)
    for way in itertools.chain.from_iterable(every):
        for slot, assignment in zip(way.task.slots, way.assignments, strict=True):
            if assignment.spool is None:
                continue
            history = memo.past(assignment.spool)
            if assignment.dryer is None:
                for at_s in (_begin(start, way.task), late_s):
                    asked.printed(history, _print(way.task, slot, at_s, assignment.box))
            else:
                asked.time(history, assignment.dryer, in_s, slot.length_mm)
    compute(asked, progress)
    hope = _Hope(memo, start, tasks, late_s)
    asked = Wanting(memo)  # what comes of each job right after a drying, and where else it may come out good
    for way in itertools.chain.from_iterable(every):
        for slot, assignment in zip(way.task.slots, way.assignments, strict=True):
            if assignment.spool is not None and assignment.dryer is not None:
                fresh = _fresh(memo, start, way.task, slot, assignment)
                if fresh is not None:
                    asked.printed(*fresh)
            elif assignment.spool is not None and not all(
                _dry_then(memo, start, way.task, slot, assignment, late_s)
            ):
                for question in hope.after_another(way.task, slot, assignment):
                    asked.printed(*question)
    compute(asked, progress)
    spells = _spells(memo, start, list(itertools.chain.from_iterable(every)), hope, compute)
    entries = []
    for found in every:
        known = [_entry(memo, start, way, late_s, hope, spells) for way in found]
        some = [entry for entry in known if entry is not None]
        # where no drying for itself will do, one for another job will not either
        dryable = {
            (at, entry.way.task.printer, entry.way.assignments[at].spool)
            for entry in some
            for at, state in enumerate(entry.states)
            if state == "dried"
        }
        entries.append(
            tuple(
                entry
                for entry in some
                if all(
                    state != "after"
                    or (at, entry.way.task.printer, entry.way.assignments[at].spool) in dryable
                    for at, state in enumerate(entry.states)
                )
            )
        )
    return ForecastTable(tuple(entries), complete)


def _fresh(
    memo: ForecastMemo, start: Schedule, task: Task, slot: ToolSlot, assignment: Assignment
) -> tuple[StepHistory, Print] | None:
    """Return the print of a job right after its spool was dried for it; None where it cannot be dried so."""
    assert assignment.spool is not None
    assert assignment.dryer is not None
    in_s = start.presence.next_s(start.at_s)
    time = memo.drying_time(memo.past(assignment.spool), assignment.dryer, in_s, slot.length_mm)
    if time is None:
        return None
    step = Dry(assignment.dryer, in_s, in_s + time.seconds, time.temperature_C)
    return memo.past(assignment.spool).with_step(step), _print(task, slot, step.out_s, assignment.box)


def horizon(start: Schedule, tasks: Sequence[Task]) -> float:
    """Return a moment by which every plan worth having is over: all jobs one after another, with drying and waiting. [s]"""
    busy = max((calendar.free_s for calendar in start.calendars.values()), default=start.at_s)
    latest = max((task.earliest_s for task in tasks if task.earliest_s is not None), default=start.at_s)
    length = sum(max(each.job.open_air_s for each in task.variants) + start.turnaround_s for task in tasks)
    nights = 1 if not start.presence.windows else 3
    return max(busy, latest, start.at_s) + nights * (length + 48 * 3600.0)


def _begin(start: Schedule, task: Task) -> float:
    """Return when a job could begin at the earliest."""
    return start.presence.next_s(max(start.at_s, task.earliest_s or -math.inf))


def _print(task: Task, slot: ToolSlot, at_s: float, box: str | None) -> Print:
    return Print(task.job.digest, slot.tool.tool, at_s, task.printer, box=box)


Asking = tuple[str, int, str | None, str | None, str | None]  # job, tool, printer, spool, box


def _asking(task: Task, slot: ToolSlot, assignment: Assignment) -> Asking:
    return task.job.digest, slot.tool.tool, task.printer, assignment.spool, assignment.box


def _spells(
    memo: ForecastMemo,
    start: Schedule,
    ways_: Sequence[Way],
    hope: "_Hope",
    compute: Callable[[Wanting, Progress | None], None],
) -> dict[Asking, Spell]:
    """Return when spools are dry enough as they are that are so now and not at the end of the plan's time, or the reverse.

    What a place makes of a spool goes one way, so that the change is looked for between two moments; the spell is the
    longer one of both.
    """
    late_s = hope.late_s
    found: dict[Asking, Spell] = {}
    open_: dict[Asking, tuple[Task, ToolSlot, Assignment, list[float], bool]] = {}
    for way in ways_:
        for slot, assignment in zip(way.task.slots, way.assignments, strict=True):
            if assignment.spool is None or assignment.dryer is not None:
                continue
            task, begin_s = way.task, _begin(start, way.task)
            now, then = _dry_then(memo, start, task, slot, assignment, late_s)
            if now != then and not hope.helps(task, slot, assignment):
                moments = [begin_s + hours * 3600 for hours in MOMENTS_H]
                moments = [begin_s, *(each for each in moments if each < late_s), late_s]
                open_[_asking(task, slot, assignment)] = (task, slot, assignment, moments, now)
    while open_:
        asked = Wanting(memo)
        for task, slot, assignment, moments, _ in open_.values():
            for question in hope.at(task, slot, assignment, moments[len(moments) // 2]):
                asked.printed(*question)
        compute(asked, None)
        for key, (task, slot, assignment, moments, now) in list(open_.items()):
            middle = len(moments) // 2
            good = any(
                memo.printed(*question, slot.tool).code in GOOD_ENOUGH
                for question in hope.at(task, slot, assignment, moments[middle])
            )
            rest = moments[middle:] if good == now else moments[: middle + 1]
            if len(rest) == 2 and rest[1] - rest[0] > max(SHORT_S, SHARE * (rest[0] - start.at_s)):
                rest.insert(1, (rest[0] + rest[1]) / 2)
            if len(rest) > 2:
                open_[key] = task, slot, assignment, rest, now
            else:
                found[key] = (-math.inf, rest[1]) if now else (rest[0], math.inf)
                del open_[key]
    return found


def _entry(
    memo: ForecastMemo,
    start: Schedule,
    way: Way,
    late_s: float,
    hope: "_Hope",
    spells: Mapping[Asking, Spell],
) -> Entry | None:
    """Return what a way needs; None where it cannot make it."""
    states: list[State] = []
    times: list[DryingTime | None] = []
    whens: list[Spell | None] = []
    for slot, assignment in zip(way.task.slots, way.assignments, strict=True):
        spool = assignment.spool
        if spool is None or memo.left_mm(spool) < slot.tool.filament_mm - SHORTEST_SHORT_MM:
            return None
        if assignment.dryer is not None:
            in_s = start.presence.next_s(start.at_s)
            time = memo.drying_time(memo.past(spool), assignment.dryer, in_s, slot.length_mm)
            fresh = _fresh(memo, start, way.task, slot, assignment)
            if time is None or fresh is None:
                return None
            if memo.printed(*fresh, slot.tool).code not in GOOD_ENOUGH and not hope.dried_longer(
                way.task, slot, assignment, fresh[0]
            ):
                return None
            states.append("dried")
            times.append(time)
            whens.append(None)
            continue
        spell = spells.get(_asking(way.task, slot, assignment))
        dry = any(_dry_then(memo, start, way.task, slot, assignment, late_s))
        helped = not dry and hope.helps(way.task, slot, assignment)
        due_s = way.task.due_s
        if spell is not None and due_s is not None and spell[0] + way.task.job.open_air_s > due_s:
            dry = False  # only when it is too late
        states.append("dry" if dry else "helped" if helped else "after")
        times.append(None)
        whens.append(spell if dry else None)
    return Entry(way, tuple(states), tuple(times), tuple(whens))


def _dry_then(
    memo: ForecastMemo, start: Schedule, task: Task, slot: ToolSlot, assignment: Assignment, late_s: float
) -> tuple[bool, bool]:
    """Return whether a spool will do as it is now, and at the end of the plan's time."""
    assert assignment.spool is not None
    history = memo.past(assignment.spool)
    now, then = (
        memo.printed(history, _print(task, slot, at_s, assignment.box), slot.tool).code in GOOD_ENOUGH
        for at_s in (_begin(start, task), late_s)
    )
    return now, then


class _Hope:
    """Where a spool may come out good for a job though it does not as it is, nor freshly dried for it alone."""

    def __init__(self, memo: ForecastMemo, start: Schedule, tasks: Sequence[Task], late_s: float) -> None:
        self.memo, self.start, self.late_s = memo, start, late_s
        self.users: dict[str, list[tuple[Task, ToolSlot]]] = {}  # by spool, the longest feed first
        for task in itertools.chain.from_iterable(each.variants for each in tasks):
            for slot in task.slots:
                for spool in slot.spools:
                    self.users.setdefault(spool, []).append((task, slot))
        for users in self.users.values():
            users.sort(key=lambda user: (-user[1].tool.filament_mm, user[0].number, str(user[0].printer)))

    def helps(self, task: Task, slot: ToolSlot, assignment: Assignment) -> bool:
        """Return whether the job would come out good after another one took most off the reel."""
        return any(
            self.memo.printed(*question, slot.tool).code in GOOD_ENOUGH
            for question in self.after_another(task, slot, assignment)
        )

    def at(
        self, task: Task, slot: ToolSlot, assignment: Assignment, at_s: float
    ) -> list[tuple[StepHistory, Print]]:
        """Return the job at a moment, on the reel as it is, and after the other one that takes most off it."""
        assert assignment.spool is not None
        step = _print(task, slot, at_s, assignment.box)
        found = [(self.memo.past(assignment.spool), step)]
        for history, _ in self.after_another(task, slot, assignment)[:1]:
            other = history.step
            assert isinstance(other, Print)
            if other.start_s + self.memo.jobs[other.job].open_air_s <= at_s:
                found.append((history, step))
        return found

    def after_another(
        self, task: Task, slot: ToolSlot, assignment: Assignment
    ) -> list[tuple[StepHistory, Print]]:
        """Return the job after the one that takes most off the reel: at once, and when it hung there to the end."""
        spool = assignment.spool
        assert spool is not None
        left_mm = self.memo.left_mm(spool) - slot.tool.filament_mm
        other = next(
            (
                user
                for user in self.users[spool]
                if user[0].number != task.number and user[1].tool.filament_mm <= left_mm
            ),
            None,
        )
        if other is None:
            return []
        begin_s = _begin(self.start, other[0])
        found = []
        for off_s in (None, self.late_s):
            step = replace(_print(*other, begin_s, None), off_s=off_s)
            at_s = off_s or max(_begin(self.start, task), begin_s + other[0].job.open_air_s)
            found.append(
                (self.memo.past(spool).with_step(step), _print(task, slot, at_s, assignment.box)),
            )
        return found

    def dried_longer(self, task: Task, slot: ToolSlot, assignment: Assignment, fresh: StepHistory) -> bool:
        """Return whether it would do, dried as for the whole reel and half an hour more: for another job, or rounded up.

        Of a dryer that runs alone, until somebody comes to take it out; in the room's air, as long again.
        """
        memo, spool, dry = self.memo, assignment.spool, fresh.step
        assert spool is not None
        assert isinstance(dry, Dry)
        whole = memo.drying_time(memo.past(spool), dry.dryer, dry.in_s, memo.left_mm(spool))
        seconds = max(dry.out_s - dry.in_s, 0.0 if whole is None else whole.seconds) + HALF_HOUR_S
        if dry.dryer in self.start.unattended:
            seconds += self.start.presence.longest_absence_s(dry.in_s)
        if not memo.shares_air(spool, dry.dryer):
            seconds *= 2  # it may wait there for jobs, warm, as long again
        step = replace(dry, out_s=dry.in_s + seconds)
        history = memo.past(spool).with_step(step)
        question = _print(task, slot, step.out_s, assignment.box)
        return memo.printed(history, question, slot.tool).code in GOOD_ENOUGH
