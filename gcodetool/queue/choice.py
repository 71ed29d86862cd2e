"""The choice of a plan: in which ways it is looked for, what is known of how good it is, and which order the jobs run in.

Job by job comes first, so that there is a plan at any time.  Where few jobs have something to choose, everything is
tried; else the solver, where it is installed, says how many jobs can make it, a few jobs are changed at a time,
and where that falls short the solver proposes plans.  The time is limited; a stop at the keyboard ends the search, not
the plan.  Left out: how each way works (``search``, ``exhaustive``, ``exchange``, ``optimise``).
"""

import math
import time
from collections.abc import Sequence
from dataclasses import field
from typing import Final

from gcodetool.queue import optimise
from gcodetool.queue.exchange import Exchange
from gcodetool.queue.executors import Executor, SerialExecutor
from gcodetool.queue.exhaustive import ExhaustiveSearch, SearchBudgetError
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.job_list import Progress
from gcodetool.queue.schedule import Schedule, Task
from gcodetool.queue.search import (
    SearchProgress,
    cannot_succeed,
    greedy,
    improved,
    open_jobs,
    placed_in_turn,
)
from gcodetool.queue.solver_model import Order
from gcodetool.queue.table import ForecastTable, TableTimeError, table_of
from gcodetool.quickdata import dataclass

HANDFUL: Final = 12  # spools of each tool, the driest ones, that are tried before all others are
OVER: Final = "the time was over before more was tried"
LATE: Final = (
    "the time was over before each job was placed once, which was done all the same; nothing more was tried"
)
OTHERS: Final = "others could at best do with fewer settings changed, or end earlier"
MOST_EXHAUSTIVE: Final = 8  # jobs with something to choose up to which everything is tried
WITHOUT_TABLE: Final = (
    60  # forecasts for trying everything at once, before there is a table: easy plans need none
)
TIME_LIMIT_S: Final = 60.0
LISTED_SHARE: Final = 0.2  # of the time, for the list's order, where it is free
LISTED_SHARE_ALONE: Final = 0.85  # the same, where it is not
PROPOSALS: Final = 2  # of the solver, before jobs are changed
CHANGES: Final = 4  # small ones of the best plan that it proposes then, in turn with jobs changed at a time
MOST_OPTIMISED: Final = 120  # jobs up to which the solver is asked
NEXT_BEST: Final = 8  # plans that were the best before and let as many jobs make it, kept


def clock_s() -> float:
    """Return the time that limits count by. [s]"""
    return time.monotonic()


@dataclass(frozen=True)
class SearchResult:
    """A schedule with all jobs on it, and how it was found.

    Attributes
    ----------
    exact : nothing better can be found in this simulation, in this order.
    at_most : jobs that could make it at most, by their priorities, in this order, or in any where it is free; None: nothing
        was proven.
    by_due : what running the jobs by due time would be; None: it was not looked at, or is no better.
    next_best : other plans with which as many make it, for where the full forecast judges harder.
    """

    schedule: Schedule
    method: str
    exact: bool
    at_most: int | None = None
    by_due: Schedule | None = None
    next_best: tuple[Schedule, ...] = ()


@dataclass
class Incumbent:
    """The best plan so far; whoever finds one offers it.

    ``next_best``: those that were the best before and let as many jobs make it, the latest first.
    """

    best: Schedule | None = None
    tried: int = field(default=0)
    next_best: tuple[Schedule, ...] = ()

    def offer(self, schedule: Schedule) -> None:
        """Keep a plan that is better."""
        self.tried += 1
        before = self.best
        if before is not None and schedule.cost.key() >= before.cost.key():
            return
        if before is not None and before.cost.missed == schedule.cost.missed:
            self.next_best = (before, *self.next_best)[:NEXT_BEST]
        else:
            self.next_best = ()
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
    search = _Search(memo, start, tasks, progress, executor or SerialExecutor(), tell, limit_s)
    search.place_in_turn(best)
    if open_jobs(memo, tasks, start):
        said, exact, at_most = search.in_order(best, free=free)
    else:
        said, exact, at_most = "nothing to choose", True, search.possible
    assert best.best is not None
    listed = best.best
    if exact:
        at_most = search.most - listed.cost.missed
    another, in_any_order = search.other_order(listed, free=free)
    other = another.best
    if free:
        chosen = other or listed
        if search.walked:
            said = f"{said}; in any order, {search.walked}"
        if other is not None:
            said, exact = f"{said}: {_gained(listed, other)}", False
        at_most = max(in_any_order, search.most - chosen.cost.missed)
        return SearchResult(
            chosen, said, exact, at_most, next_best=(best if other is None else another).next_best
        )
    at_most = max(at_most, search.most - listed.cost.missed)
    return SearchResult(listed, said, exact, at_most, other, best.next_best)


class _Search:
    """What every way of looking needs: the question, who computes, and how long it may take.

    Attributes
    ----------
    most : jobs, by their priorities.
    possible : those of them that are not lost whatever is done.
    late : the time was over before each job was placed once.
    walked : how another order was looked for, in words; empty: it was not.
    """

    def __init__(
        self,
        memo: ForecastMemo,
        start: Schedule,
        tasks: Sequence[Task],
        progress: SearchProgress | None,
        executor: Executor,
        tell: Progress | None,
        limit_s: float,
    ) -> None:
        self.memo, self.start, self.tasks = memo, start, tasks
        self.progress, self.executor, self.tell = progress, executor, tell
        self.begin_s, self.limit_s = clock_s(), limit_s
        self.most = sum(task.priority for task in tasks)
        self.possible = sum(task.priority for task in tasks if not cannot_succeed(memo, start, task))
        self.late = False
        self.walked = ""
        self._table: ForecastTable | None = None
        self.unfinished = False  # the table: the time was over before it was made

    def place_in_turn(self, best: Incumbent) -> None:
        """Place each job once, however long that takes; whoever stops it has those that were placed."""
        schedule = self.start
        for schedule in placed_in_turn(self.memo, self.start, self.tasks, self.progress):
            best.best = schedule
        best.best, self.late = schedule, self.until(1.0)()

    def until(self, share: float) -> "optimise.Enough":
        """Return what says that so much of the time is over."""
        end_s = self.begin_s + share * self.limit_s
        return lambda: clock_s() > end_s

    def table(self) -> ForecastTable | None:
        """Return the table of forecasts, made once; None where the time is over before it is made."""
        enough = self.until(1.0)
        if self._table is None and not enough():
            memo, start, tasks = self.memo, self.start, self.tasks
            try:
                self._table = table_of(memo, start, tasks, self.executor, self.tell, enough=enough)
            except TableTimeError:
                self.unfinished = True
        return self._table

    def table_for_solver(self) -> ForecastTable | None:
        """Return the table where the solver is asked; None where it is not there, for too many jobs, or for want of time."""
        if len(self.tasks) > MOST_OPTIMISED or self.until(1.0)() or optimise.solver() is None:
            return self._table
        return self.table()

    def bound(self, table: ForecastTable | None, order: Order) -> int:
        """Return how many jobs can make it at most, by their priorities."""
        if table is None or not table.complete:
            return self.possible
        proven = optimise.bound(self.memo, self.start, self.tasks, table, order)
        return self.possible if proven is None else min(proven, self.possible)

    def in_order(self, best: Incumbent, *, free: bool) -> tuple[str, bool, int]:
        """Look for the best plan in the list's order; return how, whether nothing better can be, and how many at most.

        ``free``: other orders will be looked at too, so that most of the time is left to them.
        """
        memo, start, tasks = self.memo, self.start, self.tasks
        enough = self.until(LISTED_SHARE if free else LISTED_SHARE_ALONE)
        assert best.best is not None
        said: list[str] = []
        few = open_jobs(memo, tasks, start) <= MOST_EXHAUSTIVE
        if few:
            at_once = memo.evaluations + WITHOUT_TABLE
            if self._handful_tried(best, lambda: enough() or memo.evaluations > at_once):
                return f"the {HANDFUL} driest spools of each tool tried; {OTHERS}", False, self.possible
            at_once = memo.evaluations + WITHOUT_TABLE
            if self._all_tried(best, None, 0, lambda: enough() or memo.evaluations > at_once):
                return "all assignments tried", True, self.most
            best.offer(improved(memo, start, best.best, self.progress, enough=enough))
        table = self.table_for_solver()
        at_most = self.possible if free and not few else self.bound(table, "reels")
        if few:
            if self._all_tried(best, self.table_for_trying(), self.most - at_most, enough):
                return "all assignments tried", True, self.most
            said.append("the time was over before all was tried")
        said.append(self._walked(best, table, at_most, enough, free=False, ask=not free))
        if (
            enough()
            and not free
            and best.best.cost.missed > self.most - at_most
            and len(said) == 1
            and not said[0].endswith((OVER, LATE))
        ):
            said.append("the time was over")
        return "; ".join(said), False, at_most

    def _walked(
        self,
        best: Incumbent,
        table: ForecastTable | None,
        at_most: int,
        enough: "optimise.Enough",
        *,
        free: bool,
        ask: bool = True,
    ) -> str:
        """Where more might make it, ask the solver; change a few jobs at a time; return how, in words."""
        memo, start, tasks = self.memo, self.start, self.tasks
        said, fewest = "job by job", self.most - at_most
        if self.unfinished:
            said += ", without the table of forecasts, for which the time was over"
        if enough():
            return f"{said}; {LATE if self.late else OVER}"
        assert best.best is not None
        proposals = optimise.Proposals()
        best.offer(improved(memo, start, best.best, self.progress, enough=enough))
        while True:
            known, before = best.best, proposals.count
            if table is not None and ask and known.cost.missed > fewest and not enough():
                optimise.propose(
                    memo,
                    start,
                    tasks,
                    table,
                    free=free,
                    fewest_missed=fewest,
                    known=known,
                    small=before > 0,
                    found=proposals,
                    rounds=before + (CHANGES if before else PROPOSALS),
                    offer=best.offer,
                    enough=enough,
                )
            more = proposals.count > before
            begin = best.best
            if more:
                if proposals.last is not None and proposals.last.cost.missed <= begin.cost.missed + 1:
                    begin = proposals.last
                if free:  # in the list's order the walk finds more in that time
                    begin = improved(memo, start, begin, self.progress, enough=enough)
                    best.offer(begin)
            Exchange(
                memo,
                start,
                tasks,
                begin,
                table=table,
                free=free,
                fewest_missed=fewest,
                short=more,
                progress=self.progress,
                offer=best.offer,
                enough=enough,
            ).run()
            if best.best.cost.missed <= fewest or enough() or (not more and best.best is known):
                break
        if count := proposals.count:
            said += f", then {count} proposal{'' if count == 1 else 's'} of the solver"
        return f"{said}, then a few jobs changed at a time"

    def table_for_trying(self) -> ForecastTable | None:
        """Return the table where it has every way of every job; None where it would be too large."""
        table = None if len(self.tasks) > MOST_OPTIMISED else self.table()
        return table if table is not None and table.complete else None

    def _handful_tried(self, best: Incumbent, enough: "optimise.Enough") -> bool:
        """Where many spools fit, try the driest; return whether others can then be better in verdicts and ends alone."""
        if all(
            len(slot.spools) <= HANDFUL
            for task in self.tasks
            for each in task.variants
            for slot in each.slots
        ):
            return False
        search = self._exhaustive(best, None, self.most - self.possible, enough, driest=HANDFUL)
        return self._explored(search) and search.all_but_verdicts_settled(self.start)

    def _all_tried(
        self,
        best: Incumbent,
        table: ForecastTable | None,
        fewest_missed: int,
        enough: "optimise.Enough",
    ) -> bool:
        """Try everything; return False where that takes too long."""
        return self._explored(self._exhaustive(best, table, fewest_missed, enough))

    def _exhaustive(
        self,
        best: Incumbent,
        table: ForecastTable | None,
        fewest_missed: int,
        enough: "optimise.Enough",
        driest: int | None = None,
    ) -> ExhaustiveSearch:
        return ExhaustiveSearch(
            self.memo,
            self.start,
            self.tasks,
            table,
            self.progress,
            fewest_missed=fewest_missed,
            best=best.best,
            offer=best.offer,
            enough=enough,
            driest=driest,
        )

    def _explored(self, search: ExhaustiveSearch) -> bool:
        try:
            search.explore(self.start, 0)
        except SearchBudgetError:
            return False
        return True

    def other_order(self, listed: Schedule, *, free: bool) -> tuple[Incumbent, int]:
        """Return the best plan in another order, where it gains something, and how many jobs can make it in any order.

        By due time, and where the order is free, as the solver proposes and as single jobs moved about make it better.
        """
        memo, start, tasks, enough = self.memo, self.start, self.tasks, self.until(1.0)
        if len(tasks) < 2 or (not free and listed.cost.missed == 0) or enough():
            return Incumbent(), self.possible
        incumbent = Incumbent()
        by_due = sorted(
            tasks, key=lambda task: (task.due_s if task.due_s is not None else math.inf, task.number)
        )
        if by_due != list(tasks):
            found = greedy(memo, start, by_due, self.progress)
            incumbent.offer(found)
            if not enough():
                incumbent.offer(improved(memo, start, found, self.progress, enough=enough))
        at_most = self.possible
        if free:
            incumbent.offer(listed)
            table = self.table_for_solver()
            at_most = self.bound(table, "free")
            self.walked = self._walked(incumbent, table, at_most, enough, free=True)
        best = incumbent.best
        return (incumbent if best is not None and gain_words(listed, best) else Incumbent()), at_most


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
