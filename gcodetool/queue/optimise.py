"""The choice as an optimisation: which way for which job, and when, from the table of forecasts.

A constraint solver (CP-SAT) finds the plan with the most jobs, then with the fewest hand-offs, dryings and hours of
heat, and the earliest ends, and proves how many could make it at most.  The table promises too much rather than too
little; what it proposes is placed and forecast as every plan is, and where a job then comes out otherwise, that
combination is ruled out and the solver asked again.  Left out: the fallback without the solver (``search``).
"""

import importlib
import math
from collections.abc import Callable, Sequence
from dataclasses import field
from typing import Any, Final

from gcodetool.queue.findings import GOOD_ENOUGH
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.placing import schedule_job
from gcodetool.queue.schedule import Schedule, ScheduledJob, Task
from gcodetool.queue.search import best_step
from gcodetool.queue.solver_model import Chosen, Order, SolverModel, dryers_of, uses_of
from gcodetool.queue.table import ForecastTable
from gcodetool.queue.waiting import dried_last
from gcodetool.quickdata import dataclass

Enough = Callable[[], bool]  # says that the time is over
ROUNDS: Final = 50  # proposals that are tried at most


def solver() -> Any:
    """Return the solver's module; None where the ``optimise`` extra is not installed."""
    try:
        return importlib.import_module("ortools.sat.python.cp_model")  # untyped
    except ImportError:
        return None


@dataclass
class Proposals:
    """What came of asking.

    Attributes
    ----------
    best : the best plan placed; None: there was no proposal.
    last : the last one.
    count : proposals tried.
    """

    best: Schedule | None = None
    last: Schedule | None = None
    count: int = 0
    cuts: list[list[tuple[int, int]]] = field(default_factory=list)


def propose(
    memo: ForecastMemo,
    start: Schedule,
    tasks: Sequence[Task],
    table: ForecastTable,
    *,
    free: bool = False,
    fewest_missed: int = 0,
    known: Schedule | None = None,
    small: bool = False,
    found: Proposals | None = None,
    rounds: int | None = None,
    offer: Callable[[Schedule], None],
    enough: Enough,
) -> Proposals:
    """Ask for plans until one comes out as proposed, nothing new comes, or it is enough.

    Parameters
    ----------
    free : jobs may run in another order than the list's.
    fewest_missed : a plan that misses no more is enough.
    known : a plan that the solver begins with.
    small : ask for small changes of that plan, or of a better one that comes of them.
    found : what came of asking before, gone on with; ``rounds``: proposals in all (50).
    offer : is told each plan that was placed.
    enough : says that the time is over.
    """
    module, found = solver(), Proposals() if found is None else found
    most = ROUNDS if rounds is None else min(rounds, ROUNDS)
    if module is None:
        return found
    # on each printer a short job may go into a gap before an earlier one, though never at will: the stricter order is
    # tried once, then what the laxer one promises
    orders: list[Order] = ["free"] if free else ["reels"] if small else ["list", "reels"]
    while orders and found.count < most and not enough():
        model = SolverModel(module, memo, start, tasks, table, found.cuts, orders[0])
        chosen = model.change(known) if small and known is not None else model.solve(known)
        if chosen is None:
            orders = orders[1:]
            continue
        if not small:
            known = None
        found.count += 1
        placed = _placed(memo, start, tasks, table, chosen, free=free)
        for each in (placed, _mended(memo, start, tasks, placed, chosen)):
            offer(each)
            if found.best is None or each.cost.key() < found.best.cost.key():
                found.best = each
            found.last = each
            if small and known is not None and each.cost.missed < known.cost.missed:
                known = each
        cut = _cut(placed, chosen, table, tasks)
        if placed.cost.missed <= fewest_missed:
            break
        new = bool(cut) and cut not in found.cuts
        if new:
            found.cuts.append(cut)
        if not new or orders[0] == "list":
            orders = orders[1:]
    return found


def bound(
    memo: ForecastMemo, start: Schedule, tasks: Sequence[Task], table: ForecastTable, order: Order
) -> int | None:
    """Return how many jobs can make it at most, by their priorities, as the table has it; None: not known.

    ``order``: "free" for a bound that holds for every order, "reels" for one that holds in the list's order.
    """
    module = solver()
    return None if module is None else SolverModel(module, memo, start, tasks, table, (), order).bound()


def _placed(
    memo: ForecastMemo,
    start: Schedule,
    tasks: Sequence[Task],
    table: ForecastTable,
    chosen: Chosen,
    *,
    free: bool,
) -> Schedule:
    """Return a proposal as it comes out; what is not to make it takes what is best for it then."""
    order = list(range(len(tasks)))
    if free:
        order.sort(key=lambda at: (chosen.starts.get(at, math.inf), at))
    schedule = start
    for at in order:
        placed = None
        if at in chosen.entries:
            placed = schedule_job(memo, schedule, *table.entries[at][chosen.entries[at]].way)
        schedule = placed or best_step(memo, schedule, tasks[at], set())
    return schedule


def _mended(
    memo: ForecastMemo, start: Schedule, tasks: Sequence[Task], placed: Schedule, chosen: Chosen
) -> Schedule:
    """Return a proposal with what is best for each job that does not come out as it was to."""
    proposed = {tasks[at].number for at in chosen.entries}
    schedule = start
    for each in placed.all():
        found = schedule_job(memo, schedule, *each.way) if each.home.number in proposed else None
        if found is None or found.last is None or not found.last.met:
            best = best_step(memo, schedule, each.home, set())
            found = best if found is None or best.cost.key() < found.cost.key() else found
        schedule = found
    return schedule


def _cut(
    placed: Schedule, chosen: Chosen, table: ForecastTable, tasks: Sequence[Task]
) -> list[tuple[int, int]]:
    """Return choices that cannot all be made together: those of a job that comes out otherwise, and what it met.

    Of a job that comes out too wet that is what its reel was used for since it was dried last; of one that comes out
    late, whatever was placed before it on its printer, reels and dryers.
    """
    at_of = {task.number: at for at, task in enumerate(tasks)}
    before: list[int] = []
    for each in placed.all():
        at = at_of[each.task.number]
        if at not in chosen.entries:
            continue
        if not each.met:
            wet = {row.spool for row in each.rows if row.spool and row.code not in GOOD_ENOUGH}
            if wet:
                met = [other for other in before if wet & _since_dried(placed, each, wet, tasks[other])]
            else:
                ways = {one: table.entries[one][chosen.entries[one]].way for one in (*before, at)}
                uses = uses_of(ways[at]) | dryers_of(ways[at])
                met = [other for other in before if uses & (uses_of(ways[other]) | dryers_of(ways[other]))]
            return sorted((other, chosen.entries[other]) for other in (*met, at))
        before.append(at)
    return []


def _since_dried(placed: Schedule, job: ScheduledJob, wet: set[str], other: Task) -> set[str]:
    """Return which of the reels that were too wet for a job another one used after the last drying, or was dried for."""
    found: set[str] = set()
    runs = {each.task.number: each for each in placed.all()}
    for history, _ in job.steps:
        if history.spool not in wet:
            continue
        parts, drying = history.parts(), dried_last(history)
        last = next((at for at, part in enumerate(parts) if part.step == drying), 0)
        since = {part.step for part in parts[last:]}
        run = runs[other.number]
        if any(step in since for _, step in run.steps) or any(
            drying.step in since and drying.before.spool == history.spool for drying in run.dryings
        ):
            found.add(history.spool)
    return found
