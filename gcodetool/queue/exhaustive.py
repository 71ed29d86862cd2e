"""Trying everything, jobs in a given order: the plan that it ends with is the best there is in this simulation.

Depth first.  What is ruled out cannot become the best: a plan's cost only grows from job to job, and at least by
what no choice can spare (:class:`LeastCost`); and of two ways to the same state of printers, reels and dryers the dearer one
stays the dearer.  Left out: where jobs go (``placing``), plans for more jobs (``search``, ``optimise``).
"""

import itertools
import math
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final, TypeVar

from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.placing import least_of, schedule_job
from gcodetool.queue.schedule import Assignment, Cost, PrinterCalendar, Schedule, Task, Way
from gcodetool.queue.search import SearchProgress, cannot_succeed, dried, ways
from gcodetool.queue.table import Entry, ForecastTable

BEFORE_VERDICTS: Final = 4  # what plans are compared by before their verdicts: jobs, hand-offs, dryings, heat
MOST_STATES: Final = 400_000  # kept in memory; beyond it a state met again is tried again

Key = tuple[int, int, int, float, int, float]
_Each = TypeVar("_Each", bound=Hashable)
Hung = tuple[str | None, int, str]  # a printer's tool, and what hangs there


class SearchBudgetError(Exception):
    """No more time, or too many forecasts."""


class ExhaustiveSearch:
    """Depth first through all assignments.

    ``fewest_missed``: jobs that every plan misses, by their priorities; ``best``: a plan known before; ``offer`` is told
    each better one; ``enough`` says that it is to end; ``driest``: so many of the driest spools for each tool, no others.
    """

    def __init__(
        self,
        memo: ForecastMemo,
        start: Schedule,
        tasks: Sequence[Task],
        table: ForecastTable | None,
        progress: SearchProgress | None,
        *,
        fewest_missed: int = 0,
        best: Schedule | None = None,
        offer: Callable[[Schedule], None] = lambda _: None,
        enough: Callable[[], bool] = lambda: False,
        driest: int | None = None,
    ) -> None:
        self.memo, self.tasks, self.progress, self.driest = memo, tasks, progress, driest
        self.best, self.offer, self.enough = best, offer, enough
        self.least = LeastCost(memo, start, tasks, table, fewest_missed)
        self.seen: dict[Hashable, Key] = {}
        self.only: list[Way | None] = []  # what a task takes, where there is one way only
        for task in tasks:
            first_two = list(
                itertools.islice(ways(memo, task, start, most=driest, driest=driest is not None), 2)
            )
            self.only.append(first_two[0] if len(first_two) == 1 else None)

    def all_but_verdicts_settled(self, start: Schedule) -> bool:
        """Return whether a plan may be better than the best, but in verdicts and ends alone; by no more forecasts."""
        if self.best is None:
            return False
        key = self.best.cost.key()
        least = self.least.rest(start, start.cost, 0).key()
        return least[:BEFORE_VERDICTS] >= key[:BEFORE_VERDICTS] and least < key

    def worth(self, schedule: Schedule, cost: Cost, index: int, way: Way | None = None) -> bool:
        """Return whether a plan of that cost, before the tasks from *index* on, may still become the best.

        ``way``: of the task before them, which the cost has and the schedule not yet.
        """
        if self.best is None:
            return True
        key = self.best.cost.key()
        return cost.key() < key and self.least.rest(schedule, cost, index, way).key() < key

    def explore(self, schedule: Schedule, index: int) -> None:
        """Try everything for the tasks from *index* on.

        Raises
        ------
        SearchBudgetError
            It is to end, and not everything was tried.
        """
        while index < len(self.tasks) and (way := self.only[index]) is not None:  # no deeper for that
            placed = schedule_job(self.memo, schedule, *way)
            if placed is None or (self.best is not None and placed.cost.key() >= self.best.cost.key()):
                return
            schedule, index = placed, index + 1
        if index == len(self.tasks):
            if self.best is None or schedule.cost.key() < self.best.cost.key():
                self.best = schedule
                self.offer(schedule)
            return
        if self.progress is not None:
            self.progress(self.memo.evaluations)
        after = []
        for way in ways(
            self.memo, self.tasks[index], schedule, most=self.driest, driest=self.driest is not None
        ):
            least = self.with_one_more(schedule, way, index)
            if least is None or not self.worth(schedule, least, index + 1, way):
                continue
            if self.enough():
                raise SearchBudgetError
            placed = schedule_job(self.memo, schedule, *way)
            if placed is not None:
                after.append(placed)
        after.sort(key=lambda found: found.cost.key())
        for found in after:
            if self.worth(found, found.cost, index + 1) and self._new(found, index + 1):
                self.explore(found, index + 1)

    def with_one_more(self, schedule: Schedule, way: Way, index: int) -> Cost | None:
        """Return what a plan costs at least with one job more, without a forecast; None where it cannot be had."""
        if count := dried(way.assignments):
            cost, new = schedule.cost, len(_hangs_for(way) - _hung(schedule))
            found = replace(cost, handoffs=cost.handoffs + count + new, dryings=cost.dryings + count)
        else:
            least = least_of(self.memo, schedule, *way)
            if least is None:
                return None
            found = least
        may = self.least.may_make_it[index]
        if found.missed == schedule.cost.missed and may is not None and _taken(way) not in may:
            return replace(found, missed=found.missed + self.tasks[index].priority)
        return found

    def _new(self, schedule: Schedule, index: int) -> bool:
        """Return whether no cheaper way to the same state was followed before; it is noted."""
        state, key = state_of(schedule, self.least.spools[index], index), schedule.cost.key()
        known = self.seen.get(state)
        if known is not None and known <= key:
            return False
        if known is not None or len(self.seen) < MOST_STATES:
            self.seen[state] = key
        return True


def state_of(schedule: Schedule, spools: frozenset[str], index: int) -> Hashable:
    """Return all that decides what becomes of the tasks from *index* on, which may take these *spools*."""
    histories = (
        (spool, schedule.steps_of(spool).digest, schedule.spool_free_s(spool)) for spool in sorted(spools)
    )
    stays = {dryer: tuple((stay, stay.before) for stay in inside) for dryer, inside in schedule.stays.items()}
    return (
        index,
        tuple(histories),
        _sorted(schedule.calendars),
        _sorted(stays),
        _sorted(schedule.mounted),
        _sorted(schedule.boxes.uses),
    )


def _sorted(named: Mapping[Any, Hashable]) -> tuple[Hashable, ...]:
    return tuple(sorted(named.items(), key=lambda item: str(item[0])))


class LeastCost:
    """What the jobs that are not placed yet add to a plan's cost at least.

    Attributes
    ----------
    may_make_it : by job, the ways in which it may be clear or adjust in time, by the table of forecasts; None: any.
    spools : by the first of the jobs: reels that they may take.
    groups : the same: groups of what they may hang where; each group needs one of its own hung there.
    reels_to_dry : the same: groups of reels, of each of which one must be dried if all these jobs are to make it.
    """

    def __init__(
        self,
        memo: ForecastMemo,
        start: Schedule,
        tasks: Sequence[Task],
        table: ForecastTable | None,
        fewest_missed: int,
    ) -> None:
        self.tasks, self.fewest_missed = tasks, fewest_missed
        entries = [None] * len(tasks) if table is None else table.entries
        self.may_make_it = [None if its is None else {_taken(entry.way) for entry in its} for its in entries]
        self.lost = [
            its == () or cannot_succeed(memo, start, task) for task, its in zip(tasks, entries, strict=True)
        ]
        self.spools = [
            frozenset(
                spool
                for task in tasks[at:]
                for each in task.variants
                for slot in each.slots
                for spool in slot.spools
            )
            for at in range(len(tasks) + 1)
        ]
        may_hang = [_may_hang(memo, start, task) for task in tasks]
        self.groups = [_groups(may_hang[at:]) for at in range(len(tasks) + 1)]
        to_dry = [[] if lost else _to_dry(its) for lost, its in zip(self.lost, entries, strict=True)]
        self.reels_to_dry = [_groups(to_dry[at:]) for at in range(len(tasks) + 1)]

    def rest(self, schedule: Schedule, cost: Cost, index: int, way: Way | None = None) -> Cost:
        """Return *cost* with what the tasks from *index* on add at least to a plan that goes on from *schedule*.

        ``way``: of the task before them, where *cost* has it already and *schedule* not.
        """
        missed, lost, ends_s = cost.missed, 0, 0.0
        for task, is_lost in zip(self.tasks[index:], self.lost[index:], strict=True):
            end_s = earliest_end_s(schedule, task)
            ends_s += end_s - schedule.at_s
            missed += task.priority if is_lost or (task.due_s is not None and end_s > task.due_s) else 0
            lost += task.priority if is_lost else 0
        missed = max(missed, self.fewest_missed)
        hung = _hung(schedule) | (set() if way is None else _hangs_for(way))
        mounts = sum(hung.isdisjoint(group) for group in self.groups[index])
        dry = {stay.spool for stays in schedule.stays.values() for stay in stays}
        dry |= set() if way is None else {each.spool for each in way.assignments if each.spool and each.dryer}
        dryings = sum(dry.isdisjoint(group) for group in self.reels_to_dry[index])
        # a plan that misses no more than that may do without the drying of as many groups as it misses other jobs
        dryings = max(0, dryings - (missed - cost.missed - lost))
        return replace(
            cost,
            missed=missed,
            handoffs=cost.handoffs + mounts + dryings,
            dryings=cost.dryings + dryings,
            ends_s=cost.ends_s + ends_s,
        )


def _hung(schedule: Schedule) -> set[Hung]:
    """Return what hung anywhere at any time."""
    return {(*where, use.hung) for where, uses in schedule.mounted.items() for use in uses}


def _hangs_for(way: Way) -> set[Hung]:
    """Return what hangs where for a job that takes that way."""
    given = zip(way.task.slots, way.assignments, strict=True)
    return {(way.task.printer, slot.tool.tool, each.hung) for slot, each in given if each.hung is not None}


def earliest_end_s(schedule: Schedule, task: Task) -> float:
    """Return when a job could end at the earliest, on any of its printers, if it were placed now."""
    ready = max(schedule.at_s, task.earliest_s if task.earliest_s is not None else -math.inf)
    found = math.inf
    for variant in task.variants:
        calendar = schedule.calendars.get(variant.printer) or PrinterCalendar((), schedule.at_s)
        free = (min(map(schedule.spool_free_s, slot.spools), default=ready) for slot in variant.slots)
        length_s = variant.job.open_air_s
        start_s = calendar.earliest(
            max(ready, *free), length_s, presence=schedule.presence, turnaround_s=schedule.turnaround_s
        )
        found = min(found, start_s + length_s)
    return found


def _may_hang(memo: ForecastMemo, start: Schedule, task: Task) -> list[frozenset[Hung]]:
    """Return for each tool what may hang where for it."""
    found: list[set[Hung]] = [set() for _ in task.slots]
    for way in ways(memo, task, start):
        for at, (slot, given) in enumerate(zip(way.task.slots, way.assignments, strict=True)):
            if given.hung is not None:
                found[at].add((way.task.printer, slot.tool.tool, given.hung))
    return [frozenset(each) for each in found]


def _taken(way: Way) -> tuple[str | None, tuple[Assignment, ...]]:
    """Return what tells the ways of one job apart."""
    return way.task.printer, way.assignments


def _to_dry(entries: Sequence[Entry] | None) -> list[frozenset[str]]:
    """Return the reels of which one must be dried for a job of one tool to make it; empty: it may do without."""
    if entries is None or any(
        len(entry.states) != 1 or entry.states[0] in ("dry", "helped") for entry in entries
    ):
        return []
    return [frozenset(each.spool for entry in entries for each in entry.way.assignments if each.spool)]


def _groups(jobs: Sequence[Sequence[frozenset[_Each]]]) -> list[frozenset[_Each]]:
    """Return groups that share nothing, each with a job of one tool, which takes something of the group for sure."""
    groups: list[tuple[set[_Each], bool]] = []
    for tools in jobs:
        for tool in tools:
            if not tool:
                continue
            joined, sure = set(tool), len(tools) == 1
            apart = []
            for group, its in groups:
                if group.isdisjoint(joined):
                    apart.append((group, its))
                else:
                    joined |= group
                    sure |= its
            groups = [*apart, (joined, sure)]
    return [frozenset(group) for group, sure in groups if sure]
