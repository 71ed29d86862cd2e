"""Which spool for which job, and what to dry: as many jobs as possible, then few dryings, then few changes.

Up to :data:`MOST_EXHAUSTIVE` jobs with something to choose, every assignment is tried, or ruled out because what
it costs so far is more than a whole plan known already; a plan's cost only grows from job to job, so nothing
better is passed over.  Beyond that each job in turn takes what is best for it, and then single jobs are
given other spools as long as that improves the whole.  Left out: where jobs go (``schedule``).
"""

import itertools
import math
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from gcodetool.queue.findings import GOOD_ENOUGH
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.schedule import Assignment, Cost, Schedule, ScheduledJob, Task, ToolSlot, schedule_job

MOST_EXHAUSTIVE: Final = 8  # jobs with something to choose up to which every assignment is tried
FORECAST_BUDGET: Final = 3000  # forecasts after which trying all of them is given up
SPOOLS_TRIED: Final = 6  # spools tried for a job where there are too many to try all
ROUNDS: Final = 3  # of improving single jobs
IMPROVEMENT_BUDGET: Final = 800  # forecasts spent on that
PLACEMENT_BUDGET: Final = 20_000  # jobs placed anew for that

SearchProgress = Callable[[int], None]


@dataclass(frozen=True)
class SearchResult:
    """A schedule with all jobs on it, and how it was found."""

    schedule: Schedule
    method: str
    exact: bool


class SearchBudgetError(Exception):
    """Too many forecasts."""


def options(
    memo: ForecastMemo,
    task: Task,
    schedule: Schedule,
    *,
    most: int | None = None,
    failed: Collection[str] = (),
) -> Iterator[tuple[Assignment, ...]]:
    """Yield what a job's tools may be given, the likeliest first, undried spools before dried ones.

    ``most``: so many spools for each tool; ``failed``: spools that were too wet for another job.
    """
    every = [
        list(_assignments(memo, slot, _likely(memo, task, slot, schedule, failed)[:most], schedule))
        for slot in task.slots
    ]
    mixed = itertools.product(*every)
    some = False
    for assignments in sorted(
        mixed, key=lambda found: sum(assignment.dryer is not None for assignment in found)
    ):
        used = [assignment.spool for assignment in assignments if assignment.spool is not None]
        if len(used) == len(set(used)):
            some = True
            yield assignments
    if not some:  # fewer spools than tools: who comes first is fed
        taken: set[str] = set()
        assignments_: list[Assignment] = []
        for slot in task.slots:
            free = next((spool for spool in slot.spools if spool not in taken), None)
            taken |= set() if free is None else {free}
            assignments_.append(Assignment(free))
        yield tuple(assignments_)


def _likely(
    memo: ForecastMemo, task: Task, slot: ToolSlot, schedule: Schedule, failed: Collection[str]
) -> Sequence[str]:
    """Return the spools for a tool: long enough ones first, dry ones, the one that hangs there."""
    if len(slot.spools) < 2:
        return slot.spools
    uses = schedule.mounted.get((task.printer, slot.tool.tool), ())
    hung = uses[-1][1] if uses else None

    def key(spool: str) -> tuple[bool, bool, bool, str]:
        left_mm = memo.left_mm(spool) - schedule.fed_mm.get(spool, 0.0)
        wet = spool in failed or memo.wet(spool) > 1.0
        return left_mm < slot.tool.filament_mm, wet, spool != hung, spool

    return sorted(slot.spools, key=key)


def _assignments(
    memo: ForecastMemo, slot: ToolSlot, spools: Sequence[str], schedule: Schedule
) -> Iterator[Assignment]:
    if not spools:
        yield Assignment(None)
    for spool in spools:
        yield Assignment(spool)
        for dryer in schedule.holds:
            if can_dry(memo, spool, dryer):
                yield Assignment(spool, dryer)


def can_dry(memo: ForecastMemo, spool: str, dryer: str) -> bool:
    """Return whether a dryer is one of the spool's record."""
    place = memo.spools[spool].places.get(dryer)
    return place is not None and place.kind == "dryer"


def choose(
    memo: ForecastMemo, start: Schedule, tasks: Sequence[Task], *, progress: SearchProgress | None = None
) -> SearchResult:
    """Return the best plan found for *tasks*, placed in their order."""
    said = ""
    count = open_jobs(memo, tasks, start.holds)
    if count == 0:
        return SearchResult(greedy(memo, start, tasks, progress), "nothing to choose", True)
    if count <= MOST_EXHAUSTIVE:
        search = _Search(memo, start, tasks, memo.evaluations + FORECAST_BUDGET, progress)
        try:
            search.explore(start, 0)
        except SearchBudgetError:
            said = f"too many to try all: given up after {FORECAST_BUDGET} forecasts"
        if search.best is not None and not said:
            return SearchResult(search.best, "all assignments tried", True)
        if search.best is not None:
            return SearchResult(
                improved(memo, start, search.best, progress), said + "; then improved job by job", False
            )
    schedule = greedy(memo, start, tasks, progress)
    better = improved(memo, start, schedule, progress)
    return SearchResult(
        better,
        said or f"more than {MOST_EXHAUSTIVE} jobs to choose for: job by job, then improved job by job",
        False,
    )


def open_jobs(memo: ForecastMemo, tasks: Sequence[Task], holds: Mapping[str, int]) -> int:
    """Return for how many jobs there is something to choose."""

    def is_open(slot: ToolSlot) -> bool:
        return len(slot.spools) > 1 or any(
            can_dry(memo, spool, dryer) for spool in slot.spools for dryer in holds
        )

    return sum(any(is_open(slot) for slot in task.slots) for task in tasks)


class _Search:
    """Depth first through all assignments; the best plan so far cuts off what costs as much already."""

    def __init__(
        self,
        memo: ForecastMemo,
        start: Schedule,
        tasks: Sequence[Task],
        most: int,
        progress: SearchProgress | None,
    ) -> None:
        self.memo, self.tasks, self.most, self.progress = memo, tasks, most, progress
        self.best: Schedule | None = None
        self.lost = [0] * (len(tasks) + 1)  # jobs from here on that nothing can save
        for index in range(len(tasks) - 1, -1, -1):
            self.lost[index] = self.lost[index + 1] + cannot_succeed(memo, start, tasks[index])
        self.every: list[tuple[Assignment, ...] | None] = []  # what a task takes, where there is one way only
        for task in tasks:
            first_two = list(itertools.islice(options(memo, task, start), 2))
            self.every.append(first_two[0] if len(first_two) == 1 else None)

    def worth(self, cost: Cost, index: int, dryings: int = 0) -> bool:
        """Return whether a plan of that cost so far may still become the best."""
        if self.best is None:
            return True
        least = (
            cost.unmet + self.lost[index],
            cost.dryings + dryings,
            cost.changes,
            cost.badness,
            cost.ends_s,
        )
        return least < self.best.cost.key()

    def explore(self, schedule: Schedule, index: int) -> None:
        """Try everything for the tasks from *index* on."""
        while (
            index < len(self.tasks) and self.every[index] is not None
        ):  # nothing to choose: no deeper for that
            only = schedule_job(self.memo, schedule, self.tasks[index], self.every[index] or ())
            if only is None or not self.worth(only.cost, index + 1):
                return
            schedule, index = only, index + 1
        if index == len(self.tasks):
            if self.best is None or schedule.cost.key() < self.best.cost.key():
                self.best = schedule
            return
        if self.progress is not None:
            self.progress(self.memo.evaluations)
        after = []
        for assignments in options(self.memo, self.tasks[index], schedule):
            dryings = sum(assignment.dryer is not None for assignment in assignments)
            if not self.worth(schedule.cost, index, dryings):
                continue
            if self.memo.evaluations > self.most:
                raise SearchBudgetError
            placed = schedule_job(self.memo, schedule, self.tasks[index], assignments)
            if placed is not None:
                after.append(placed)
        after.sort(key=lambda found: found.cost.key())
        for found in after:
            if self.worth(found.cost, index + 1):
                self.explore(found, index + 1)


def cannot_succeed(memo: ForecastMemo, start: Schedule, task: Task) -> bool:
    """Return whether a job is lost whatever is done: no spool, none long enough, or due too soon."""
    begins = max(start.at_s, task.earliest_s if task.earliest_s is not None else -math.inf)
    if task.due_s is not None and begins + task.job.open_air_s > task.due_s:
        return True
    for slot in task.slots:
        longest = max((memo.left_mm(spool) for spool in slot.spools), default=0.0)
        if longest < slot.tool.filament_mm - 1.0:
            return True
    return False


def greedy(
    memo: ForecastMemo,
    start: Schedule,
    tasks: Sequence[Task],
    progress: SearchProgress | None = None,
    *,
    failed: Collection[str] = (),
) -> Schedule:
    """Return *start* with all *tasks* placed, each taking what is best for it when its turn comes.

    ``failed``: spools that are known to be too wet; they are tried last.
    """
    schedule = start
    failed = set(failed)
    for task in tasks:
        best: Schedule | None = None
        for assignments in options(memo, task, schedule, most=SPOOLS_TRIED, failed=failed):
            if (
                best is not None
                and best.last is not None
                and best.last.met
                and any(assignment.dryer for assignment in assignments)
            ):
                break  # it goes without drying
            found = schedule_job(memo, schedule, task, assignments)
            if (
                found is not None
                and found.last is not None
                and not any(assignment.dryer for assignment in assignments)
            ):
                failed |= {row.spool for row in found.last.rows if row.spool and row.code not in GOOD_ENOUGH}
            if found is not None and (best is None or found.cost.key() < best.cost.key()):
                best = found
        assert best is not None  # undried spools, or none, can always be had
        schedule = best
        if progress is not None:
            progress(memo.evaluations)
    return schedule


def improved(
    memo: ForecastMemo, start: Schedule, schedule: Schedule, progress: SearchProgress | None = None
) -> Schedule:
    """Return *schedule* or a better one: jobs that do not make it, are dried for or change spools are given others."""
    most = memo.evaluations + IMPROVEMENT_BUDGET
    replays, most_replays = 0, PLACEMENT_BUDGET // max(1, len(schedule.all()))
    for _ in range(ROUNDS):
        better = False
        plan = schedule.all()
        failed = {
            row.spool for each in plan for row in each.rows if row.spool and row.code not in GOOD_ENOUGH
        }
        for at, placed in enumerate(plan):
            if _content(placed):
                continue
            for assignments in options(memo, placed.task, schedule, most=SPOOLS_TRIED, failed=failed):
                if memo.evaluations > most or replays > most_replays:
                    return schedule
                if assignments == plan[at].assignments:
                    continue
                replays += 1
                changed = [
                    (each.task, assignments if i == at else each.assignments) for i, each in enumerate(plan)
                ]
                found = replay(memo, start, changed)
                if found is not None and found.cost.key() < schedule.cost.key():
                    schedule, better, plan = found, True, found.all()
            if progress is not None:
                progress(memo.evaluations)
        if not better:
            break
    return schedule


def too_wet(schedule: Schedule) -> set[str]:
    """Return the spools that some job of a plan cannot be run from."""
    return {
        row.spool for each in schedule.all() for row in each.rows if row.spool and row.code not in GOOD_ENOUGH
    }


def replan_after_first_failure(
    memo: ForecastMemo, start: Schedule, before: Schedule, found: Schedule
) -> Schedule:
    """Return a plan for a long queue that is *before* up to the first job which *found* judges harder, then anew."""
    old, new = before.all(), found.all()
    first = next(
        at for at, (one, other) in enumerate(zip(old, new, strict=True)) if one.met and not other.met
    )
    kept = replay(memo, start, [(each.task, each.assignments) for each in new[:first]])
    assert kept is not None  # it was found before
    return greedy(memo, kept, [each.task for each in new[first:]], failed=too_wet(found))


def _content(placed: ScheduledJob) -> bool:
    return placed.met and not placed.dryings and all(row.how == "mounted" for row in placed.rows)


def replay(
    memo: ForecastMemo, start: Schedule, plan: Sequence[tuple[Task, Sequence[Assignment]]]
) -> Schedule | None:
    """Return the schedule with these jobs on these spools; None where a drying cannot be had."""
    schedule: Schedule | None = start
    for task, assignments in plan:
        if schedule is None:
            return None
        schedule = schedule_job(memo, schedule, task, assignments)
    return schedule
