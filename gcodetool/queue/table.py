"""The table of forecasts that a choice rests on: for each job, each printer and spool, dried or not, what would come of it.

Each entry is a forecast of one job alone, so a plan's own forecast may be worse (the spool was used before) or
better (it went on drying where it stands, or another job took the wet windings off).  An entry is left out only where
the job comes out bad at the earliest moment *and* at the end of the plan's time, also after another job, also when the
reel hung at the printer all that time: the table promises too much rather than too little, which makes its best plan a
bound.  Left out: choosing from it (``optimise``).
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
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

MOST_SPOOLS: Final = 12  # of each tool
MOST_SPOOLS_OF_FEW: Final = 40  # the same, where there are few jobs
FEW_JOBS: Final = 8
MOST_WAYS: Final = 300  # of each job
HALF_HOUR_S: Final = 1800.0

State = Literal[
    "dry", "after", "dried"
]  # dry enough as it is; after a drying for another job; dried for this one


@dataclass(frozen=True)
class Entry:
    """One way for a job, with what each of its spools needs.

    Attributes
    ----------
    states : of each tool's spool.
    times : how long a spool that is dried for it needs at the earliest.
    """

    way: Way
    states: tuple[State, ...]
    times: tuple[DryingTime | None, ...]


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
) -> ForecastTable:
    """Return the table for *tasks*, its forecasts computed by whoever is there to do it."""
    asked = Wanting(memo)
    for spool in sorted({spool for task in tasks for slot in task.slots for spool in slot.spools}):
        asked.wetness(spool)
    asked.compute(executor, None)
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
    asked.compute(executor, progress, words="table of forecasts")
    hope = _Hope(memo, start, tasks, late_s)
    asked = Wanting(memo)  # what comes of each job right after a drying, and where else it may come out good
    for way in itertools.chain.from_iterable(every):
        for slot, assignment in zip(way.task.slots, way.assignments, strict=True):
            if assignment.spool is not None and assignment.dryer is not None:
                fresh = _fresh(memo, start, way.task, slot, assignment)
                if fresh is not None:
                    asked.printed(*fresh)
            elif assignment.spool is not None and not _dry_enough(
                memo, start, way.task, slot, assignment, late_s
            ):
                for question in hope.after_another(way.task, slot, assignment):
                    asked.printed(*question)
    asked.compute(executor, progress, words="table of forecasts")
    entries = []
    for found in every:
        known = [_entry(memo, start, way, late_s, hope) for way in found]
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


def _entry(memo: ForecastMemo, start: Schedule, way: Way, late_s: float, hope: "_Hope") -> Entry | None:
    """Return what a way needs; None where it cannot make it."""
    states: list[State] = []
    times: list[DryingTime | None] = []
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
            continue
        dry = _dry_enough(memo, start, way.task, slot, assignment, late_s) or any(
            memo.printed(*question, slot.tool).code in GOOD_ENOUGH
            for question in hope.after_another(way.task, slot, assignment)
        )
        states.append("dry" if dry else "after")
        times.append(None)
    return Entry(way, tuple(states), tuple(times))


def _dry_enough(
    memo: ForecastMemo, start: Schedule, task: Task, slot: ToolSlot, assignment: Assignment, late_s: float
) -> bool:
    """Return whether a spool will do as it is, now or at the end of the plan's time."""
    assert assignment.spool is not None
    history = memo.past(assignment.spool)
    return any(
        memo.printed(history, _print(task, slot, at_s, assignment.box), slot.tool).code in GOOD_ENOUGH
        for at_s in (_begin(start, task), late_s)
    )


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
        """Return whether it would do, dried as for the whole reel and half an hour more: for another job, or rounded up."""
        memo, spool, dry = self.memo, assignment.spool, fresh.step
        assert spool is not None
        assert isinstance(dry, Dry)
        whole = memo.drying_time(memo.past(spool), dry.dryer, dry.in_s, memo.left_mm(spool))
        seconds = max(dry.out_s - dry.in_s, 0.0 if whole is None else whole.seconds) + HALF_HOUR_S
        step = replace(dry, out_s=dry.in_s + seconds)
        history = memo.past(spool).with_step(step)
        question = _print(task, slot, step.out_s, assignment.box)
        return memo.printed(history, question, slot.tool).code in GOOD_ENOUGH
