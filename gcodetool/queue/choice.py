"""The choice of a plan: in which ways it is looked for, what is known of how good it is, and which order the jobs run in.

Job by job comes first, so that there is a plan at any time; then the solver, where it is installed; then, where few jobs
have something to choose, everything is tried.  The time is limited; a stop at the keyboard ends the search, not
the plan.  Left out: how each way works (``search``, ``optimise``).
"""

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from gcodetool.queue import optimise
from gcodetool.queue.executors import Executor, SerialExecutor
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.job_list import Progress
from gcodetool.queue.schedule import Schedule, Task
from gcodetool.queue.search import (
    ExhaustiveSearch,
    SearchBudgetError,
    SearchProgress,
    cannot_succeed,
    greedy,
    improved,
    open_jobs,
)
from gcodetool.queue.table import ForecastTable, table_of

MOST_EXHAUSTIVE: Final = 8  # jobs with something to choose up to which everything is tried
FORECAST_BUDGET: Final = 3000  # forecasts after which trying everything is given up
TIME_LIMIT_S: Final = 60.0
MOST_OPTIMISED: Final = 120  # jobs up to which the solver is asked


@dataclass(frozen=True)
class SearchResult:
    """A schedule with all jobs on it, and how it was found.

    Attributes
    ----------
    exact : nothing better can be found in this simulation, in this order.
    at_most : jobs that could make it at most, by their priorities; None: nothing was proven.
    by_due : what running the jobs by due time would be; None: it was not looked at, or is no better.
    """

    schedule: Schedule
    method: str
    exact: bool
    at_most: int | None = None
    by_due: Schedule | None = None


@dataclass
class Incumbent:
    """The best plan so far; whoever finds one offers it."""

    best: Schedule | None = None
    tried: int = field(default=0)

    def offer(self, schedule: Schedule) -> None:
        """Keep a plan that is better."""
        self.tried += 1
        if self.best is None or schedule.cost.key() < self.best.cost.key():
            self.best = schedule


def choose(
    memo: ForecastMemo,
    start: Schedule,
    tasks: Sequence[Task],
    *,
    progress: SearchProgress | None = None,
    executor: Executor | None = None,
    tell: Progress | None = None,
    free: bool = False,
    limit_s: float = TIME_LIMIT_S,
    incumbent: Incumbent | None = None,
) -> SearchResult:
    """Return the best plan found for *tasks*.

    Parameters
    ----------
    progress : told how many forecasts were made.
    executor, tell : who computes the table of forecasts, and who is told of it.
    free : jobs may run in another order than the list's, where that gains something.
    limit_s : seconds after which the best plan so far is taken.
    incumbent : keeps the best plan so far for whoever stops this.
    """
    best = Incumbent() if incumbent is None else incumbent
    end_s = time.monotonic() + limit_s

    def enough() -> bool:
        return time.monotonic() > end_s

    count = open_jobs(memo, tasks, start)
    first = greedy(memo, start, tasks, progress)
    best.offer(first)
    most = sum(task.priority for task in tasks)
    lost = sum(task.priority for task in tasks if cannot_succeed(memo, start, task))
    said, exact, at_most = "nothing to choose", True, most - lost
    if count:
        said, exact, proven = _in_order(
            memo, start, tasks, best, count, progress, executor or SerialExecutor(), tell, enough
        )
        at_most = min(at_most, proven)
    assert best.best is not None
    listed = best.best
    if listed.cost.missed == 0 or exact:
        at_most = most - listed.cost.missed
    other = _other_order(
        memo, start, tasks, listed, progress, enough, executor or SerialExecutor(), free=free
    )
    if other is None:
        return SearchResult(listed, said, exact, max(at_most, most - listed.cost.missed))
    if free:
        return SearchResult(
            other,
            f"{said}; then in another order, {_gained(listed, other)}",
            False,
            _bound(start, memo, tasks),
        )
    return SearchResult(listed, said, exact, max(at_most, most - listed.cost.missed), other)


def _bound(start: Schedule, memo: ForecastMemo, tasks: Sequence[Task]) -> int:
    """Return how many jobs can make it at most in any order, as far as each is looked at alone."""
    return sum(task.priority for task in tasks if not cannot_succeed(memo, start, task))


def _gained(listed: Schedule, other: Schedule) -> str:
    """Return what another order gains, in words."""
    return gain_words(listed, other) or "which ends earlier"


def gain_words(listed: Schedule, other: Schedule) -> str:
    """Return what a plan gains over another: jobs, hand-offs, dryings or heat; empty: nothing of it.

    The first that differs decides, as in the cost.
    """
    one, two = listed.cost, other.cost
    if two.missed != one.missed:
        return f"{one.missed - two.missed} more make it" if two.missed < one.missed else ""
    for before, after, word in (
        (one.handoffs, two.handoffs, "hand-off"),
        (one.dryings, two.dryings, "drying"),
    ):
        if before != after:
            count = before - after
            return f"{count} {word}{'' if count == 1 else 's'} less" if count > 0 else ""
    hours = (one.heat_s - two.heat_s) / 3600
    return f"{hours:.1f} h of heat less" if hours > 0.05 else ""


def _in_order(
    memo: ForecastMemo,
    start: Schedule,
    tasks: Sequence[Task],
    best: Incumbent,
    count: int,
    progress: SearchProgress | None,
    executor: Executor,
    tell: Progress | None,
    enough: "optimise.Enough",
) -> tuple[str, bool, int]:
    """Look for the best plan in the list's order; return how, whether nothing better can be, and how many at most."""
    most = sum(task.priority for task in tasks)
    assert best.best is not None
    said = []
    if count <= MOST_EXHAUSTIVE:
        best.offer(improved(memo, start, best.best, progress, enough=enough))
        if _all_tried(memo, start, tasks, best, progress, enough):
            return "all assignments tried", True, most
        said.append(f"too many to try all: given up after {FORECAST_BUDGET} forecasts")
    if len(tasks) <= MOST_OPTIMISED and optimise.solver() is not None:
        table = table_of(memo, start, tasks, executor, tell)
        found = optimise.propose(memo, start, tasks, table, offer=best.offer, enough=enough)
        if found.at_most is not None and table.complete:
            most = found.at_most
        said.append(f"{found.count} proposal{'' if found.count == 1 else 's'} of the solver")
    else:
        said.append("job by job")
    best.offer(improved(memo, start, best.best, progress, enough=enough))
    said.append("then improved job by job")
    if enough():
        said.append("the time was over")
    return "; ".join(said), False, most


def _all_tried(
    memo: ForecastMemo,
    start: Schedule,
    tasks: Sequence[Task],
    best: Incumbent,
    progress: SearchProgress | None,
    enough: "optimise.Enough",
) -> bool:
    """Try everything; return False where that takes too long."""
    search = ExhaustiveSearch(
        memo,
        start,
        tasks,
        memo.evaluations + FORECAST_BUDGET,
        progress,
        best=best.best,
        offer=best.offer,
        enough=enough,
    )
    try:
        search.explore(start, 0)
    except SearchBudgetError:
        return False
    return True


def _other_order(
    memo: ForecastMemo,
    start: Schedule,
    tasks: Sequence[Task],
    listed: Schedule,
    progress: SearchProgress | None,
    enough: "optimise.Enough",
    executor: Executor,
    *,
    free: bool,
) -> Schedule | None:
    """Return the best plan in another order that gains something; None where there is none.

    By due time, and where the order is free, as the solver proposes.
    """
    if len(tasks) < 2 or (not free and listed.cost.missed == 0) or enough():
        return None
    incumbent = Incumbent()
    by_due = sorted(tasks, key=lambda task: (task.due_s if task.due_s is not None else math.inf, task.number))
    if by_due != list(tasks):
        found = greedy(memo, start, by_due, progress)
        incumbent.offer(found)
        if not enough():
            incumbent.offer(improved(memo, start, found, progress, enough=enough))
    if free and len(tasks) <= MOST_OPTIMISED and optimise.solver() is not None:
        table: ForecastTable = table_of(memo, start, tasks, executor)
        optimise.propose(memo, start, tasks, table, free=True, offer=incumbent.offer, enough=enough)
    best = incumbent.best
    return best if best is not None and gain_words(listed, best) else None
