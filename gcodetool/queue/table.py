"""The table of forecasts that a choice rests on: for each job, each printer and spool, dried or not, what would come of it.

Each entry is a forecast of one job alone, so a plan's own forecast may be worse (the spool was used before) or
better (it went on drying where it stands).  An entry is left out only where the job comes out bad at the earliest moment
*and* at the end of the plan's time: the table promises too much rather than too little, which makes its best plan a
bound.  Left out: choosing from it (``optimise``).
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
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
MOST_WAYS: Final = 300  # of each job

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
    for task in tasks:
        found = list(itertools.islice(ways(memo, task, start, most=MOST_SPOOLS), MOST_WAYS + 1))
        complete &= len(found) <= MOST_WAYS and all(len(slot.spools) <= MOST_SPOOLS for slot in task.slots)
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
    asked = Wanting(memo)  # what comes of each job right after a drying
    for way in itertools.chain.from_iterable(every):
        for slot, assignment in zip(way.task.slots, way.assignments, strict=True):
            if assignment.spool is not None and assignment.dryer is not None:
                fresh = _fresh(memo, start, way.task, slot, assignment)
                if fresh is not None:
                    asked.printed(*fresh)
    asked.compute(executor, progress, words="table of forecasts")
    entries = []
    for found in every:
        known = [_entry(memo, start, way, late_s) for way in found]
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


def _entry(memo: ForecastMemo, start: Schedule, way: Way, late_s: float) -> Entry | None:
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
            if time is None or fresh is None or memo.printed(*fresh, slot.tool).code not in GOOD_ENOUGH:
                return None
            states.append("dried")
            times.append(time)
            continue
        dry = _dry_enough(memo, start, way.task, slot, assignment, late_s)
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
