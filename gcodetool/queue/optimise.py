"""The choice as an optimisation: which way for which job, and when, from the table of forecasts.

A constraint solver (CP-SAT) finds the plan with the most jobs, then with the fewest hand-offs, dryings and hours of
heat, and the earliest ends, and proves how many could make it at most.  The table promises too much rather than too
little; what it proposes is placed and forecast as every plan is, and where a job then comes out otherwise, that
combination is ruled out and the solver asked again.  Left out: the fallback without the solver (``search``).
"""

import importlib
import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import field
from typing import Any, Final, Literal

from gcodetool.queue.findings import GOOD_ENOUGH
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.placing import schedule_job
from gcodetool.queue.schedule import SAME_K, Schedule, ScheduledJob, Task, Way
from gcodetool.queue.search import best_step
from gcodetool.queue.table import Entry, ForecastTable, Spell, horizon
from gcodetool.queue.waiting import dried_last
from gcodetool.quickdata import dataclass

Enough = Callable[[], bool]  # says that the time is over
Order = Literal["free", "reels", "list"]  # none; of the list on each reel; on each reel and printer
ROUNDS: Final = 12  # proposals that are tried
BOUND_WORK: Final = 1.5  # of the solver's own measure of work: for how many jobs there can be
PROPOSAL_WORK: Final = 0.6  # the same, for a plan with the most jobs
FEWEST_HANDS_WORK: Final = 0.15  # the same, for the fewest hand-offs then
HAND_OFF: Final = 10**12  # what one hand-off weighs against a second of waiting
HALF_HOUR: Final = 10**8  # the same, for half an hour of heat
HALF_HOUR_S: Final = 1800


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
    count : proposals tried.
    """

    best: Schedule | None = None
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
    found : what came of asking before, gone on with; ``rounds``: proposals in all (12).
    offer : is told each plan that was placed.
    enough : says that the time is over.
    """
    module, found = solver(), Proposals() if found is None else found
    most = ROUNDS if rounds is None else min(rounds, ROUNDS)
    if module is None:
        return found
    # on each printer a short job may go into a gap before an earlier one, though never at will: what the laxer order
    # promises is tried where the stricter one gives nothing new
    orders: list[Order] = ["free"] if free else ["list", "reels"]
    while found.count < most and not enough():
        model = _Model(module, memo, start, tasks, table, found.cuts, orders[0])
        chosen = model.solve(known)
        if chosen is None:
            break
        known = None
        found.count += 1
        placed = _placed(memo, start, tasks, table, chosen, free=free)
        offer(placed)
        if found.best is None or placed.cost.key() < found.best.cost.key():
            found.best = placed
        cut = _cut(placed, chosen, table, tasks)
        if placed.cost.missed <= fewest_missed:
            break
        if not cut or cut in found.cuts:
            orders = orders[1:]
            if not orders:
                break
            continue
        found.cuts.append(cut)
    return found


def bound(
    memo: ForecastMemo, start: Schedule, tasks: Sequence[Task], table: ForecastTable, order: Order
) -> int | None:
    """Return how many jobs can make it at most, by their priorities, as the table has it; None: not known.

    ``order``: "free" for a bound that holds for every order, "reels" for one that holds in the list's order.
    """
    module = solver()
    return None if module is None else _Model(module, memo, start, tasks, table, (), order).bound()


@dataclass(frozen=True)
class Chosen:
    """A proposal: for each job that is to make it, its entry and start."""

    entries: dict[int, int]
    starts: dict[int, int]


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
                uses = _uses(ways[at]) | _dryers(ways[at])
                met = [other for other in before if uses & (_uses(ways[other]) | _dryers(ways[other]))]
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


def _reels(way: Way) -> set[str]:
    return {f"reel {each.spool}" for each in way.assignments if each.spool}


def _uses(way: Way) -> set[str]:
    """Return the printer, the reels and the boxes of a way."""
    return {
        f"printer {way.task.printer}",
        *_reels(way),
        *(f"box {each.box}" for each in way.assignments if each.box),
    }


def _dryers(way: Way) -> set[str]:
    return {f"dryer {each.dryer}" for each in way.assignments if each.dryer}


@dataclass(frozen=True)
class _Drying:
    """A drying that may be in the plan."""

    spool: str
    dryer: str
    interval: Any


class _Model:
    """The table as constraints; times are whole seconds from the plan's first moment."""

    def __init__(
        self,
        module: Any,
        memo: ForecastMemo,
        start: Schedule,
        tasks: Sequence[Task],
        table: ForecastTable,
        cuts: Sequence[Sequence[tuple[int, int]]],
        order: Order,
    ) -> None:
        self.module, self.start, self.tasks, self.table = module, start, tasks, table
        self.free = order == "free"
        self.model = module.CpModel()
        self.last = int(horizon(start, tasks) - start.at_s) + 1
        self.there = self._domain(0.0)
        self.takes: list[list[Any]] = []  # by job and entry
        self.starts: list[Any] = []
        self.on_printer: dict[str | None, list[Any]] = {}
        self.on_spool: dict[str, list[Any]] = {}
        self.on_box: dict[str, list[Any]] = {}
        self.dryings: list[_Drying] = []
        self.heat: list[tuple[Any, int]] = []  # half hours
        self.hand_offs: list[Any] = []
        for at in range(len(tasks)):
            self._job(at)
        self._lengths(memo)
        self._after()
        if not self.free:
            self._order(printers=order == "list")
        self._resources()
        self._mounts()
        for cut in cuts:
            self.model.add_bool_or([self.takes[at][entry].negated() for at, entry in cut])

    def _domain(self, seconds: float) -> Any:
        """Return moments at which something of that length may begin that somebody is there for."""
        if not self.start.presence.windows:
            return self.module.Domain(0, self.last)
        at_s = self.start.at_s
        spans = []
        for begin, end in self.start.presence.spans(at_s):
            first, last = math.ceil(begin - at_s), math.floor(end - seconds - at_s)
            if first <= last and first <= self.last:
                spans.append([first, min(last, self.last)])
        return self.module.Domain.from_intervals(spans) if spans else None

    def _job(self, at: int) -> None:
        """Add a job: one way at most, its time on the printer and on its reels."""
        model, task, at_s = self.model, self.tasks[at], self.start.at_s
        begin = model.new_int_var_from_domain(self.there, f"start {at}")
        self.starts.append(begin)
        literals = []
        for number, entry in enumerate(self.table.entries[at]):
            takes = model.new_bool_var(f"{at} {number}")
            literals.append(takes)
            variant = entry.way.task
            length = int(variant.job.open_air_s)
            calendar = self.start.calendars.get(variant.printer)
            free = (self.start.spool_free_s(each.spool) for each in entry.way.assignments if each.spool)
            ready = max(at_s, task.earliest_s or at_s, calendar.free_s if calendar else at_s, *free)
            model.add(begin >= int(ready - at_s)).only_enforce_if(takes)
            if task.due_s is not None:
                latest = math.floor(task.due_s - at_s) - length
                if latest < 0:
                    model.add(takes == 0)
                    continue
                model.add(begin <= latest).only_enforce_if(takes)
            whole = length + int(self.start.turnaround_s)
            self.on_printer.setdefault(variant.printer, []).append(
                model.new_optional_fixed_size_interval_var(begin, whole, takes, f"p {at} {number}")
            )
            for spool in {each.spool for each in entry.way.assignments if each.spool}:
                self.on_spool.setdefault(spool, []).append(
                    model.new_optional_fixed_size_interval_var(begin, length, takes, f"s {at} {number}")
                )
            for box in {each.box for each in entry.way.assignments if each.box}:
                self.on_box.setdefault(box, []).append(
                    model.new_optional_fixed_size_interval_var(begin, length, takes, f"b {at} {number}")
                )
            self._dryings_of(at, entry, takes)
        model.add_at_most_one(literals)
        self.takes.append(literals)

    def _dryings_of(self, at: int, entry: Entry, takes: Any) -> None:
        """Add the dryings of a way: each in a stretch that somebody is there for, and over when the job begins."""
        model = self.model
        for assignment, time in zip(entry.way.assignments, entry.times, strict=True):
            if time is None or assignment.spool is None or assignment.dryer is None:
                continue
            seconds = int(time.seconds)
            alone = assignment.dryer in self.start.unattended
            domain = self.there if alone else self._domain(seconds)
            if domain is None:
                model.add(takes == 0)
                continue
            into = model.new_int_var_from_domain(domain, f"in {at}")
            model.add(into + seconds <= self.starts[at]).only_enforce_if(takes)
            interval = model.new_optional_fixed_size_interval_var(into, seconds, takes, f"d {at}")
            self.on_spool.setdefault(assignment.spool, []).append(interval)
            self.dryings.append(_Drying(assignment.spool, assignment.dryer, interval))
            self.heat.append((takes, math.ceil(seconds / HALF_HOUR_S)))
            self.hand_offs.append(takes)

    def _lengths(self, memo: ForecastMemo) -> None:
        """Feed no more from a reel than is on it."""
        fed: dict[str, list[Any]] = {}
        for at, literals in enumerate(self.takes):
            for entry, takes in zip(self.table.entries[at], literals, strict=True):
                for slot, assignment in zip(entry.way.task.slots, entry.way.assignments, strict=True):
                    if assignment.spool is not None:
                        fed.setdefault(assignment.spool, []).append(int(slot.tool.filament_mm) * takes)
        for spool, terms in fed.items():
            self.model.add(sum(terms) <= math.ceil(memo.left_mm(spool)) + 1)

    def _order(self, *, printers: bool) -> None:
        """Let jobs on one reel, and also on one printer, follow each other as the list has them.

        On a printer a short job may in truth go into a gap before an earlier one: what that forbids is no bound.
        """
        uses: dict[str, list[tuple[int, Any]]] = {}
        for at, entries in enumerate(self.table.entries):
            by_use: dict[str, list[Any]] = {}
            for entry, takes in zip(entries, self.takes[at], strict=True):
                for use in _uses(entry.way) if printers else _reels(entry.way):
                    by_use.setdefault(use, []).append(takes)
            for use, literals in by_use.items():
                on = self.model.new_bool_var(f"on {at} {use}")
                for takes in literals:
                    self.model.add_implication(takes, on)
                uses.setdefault(use, []).append((at, on))
        for ons in uses.values():
            for (one, on), (other, also) in itertools.combinations(ons, 2):
                self.model.add(self.starts[other] >= self.starts[one]).only_enforce_if([on, also])

    def _after(self) -> None:
        """Let a reel that is too wet as it is do only after a drying for an earlier job; in list order, of the list.

        One that is dry enough as it is only from or until a moment will do then, too.
        """
        dried: dict[str, list[tuple[int, Any]]] = {}
        for at, literals in enumerate(self.takes):
            for entry, takes in zip(self.table.entries[at], literals, strict=True):
                for assignment, state in zip(entry.way.assignments, entry.states, strict=True):
                    if state == "dried" and assignment.spool is not None:
                        dried.setdefault(assignment.spool, []).append((at, takes))
        for at, literals in enumerate(self.takes):
            for entry, takes in zip(self.table.entries[at], literals, strict=True):
                for given, state, spell in zip(
                    entry.way.assignments, entry.states, entry.spells, strict=True
                ):
                    if given.spool is None or (state != "after" and spell is None):
                        continue
                    before = [takes.negated()]
                    if spell is not None:
                        before.append(self._in_spell(at, spell))
                    for other, literal in dried.get(given.spool, ()):
                        if other == at or (not self.free and other > at):
                            continue
                        link = self.model.new_bool_var("after")
                        self.model.add_implication(link, literal)
                        self.model.add(self.starts[at] >= self.starts[other]).only_enforce_if(link)
                        before.append(link)
                    self.model.add_bool_or(before)

    def _in_spell(self, at: int, spell: Spell) -> Any:
        """Return what says that a job begins in the time in which its reel will do as it is."""
        inside = self.model.new_bool_var("in spell")
        from_s, until_s = (each - self.start.at_s for each in spell)
        if from_s > 0:
            self.model.add(self.starts[at] >= math.floor(from_s)).only_enforce_if(inside)
        if until_s < self.last:
            self.model.add(self.starts[at] <= math.ceil(until_s)).only_enforce_if(inside)
        return inside

    def _resources(self) -> None:
        """Use nothing twice at a time; a dryer holds what it holds.

        That it has one temperature is left to the placing: who shares it may take the others' for longer.
        """
        model = self.model
        for intervals in (
            *self.on_printer.values(),
            *self.on_spool.values(),
            *self.on_box.values(),
        ):
            model.add_no_overlap(intervals)
        for dryer in {each.dryer for each in self.dryings}:
            inside = [each for each in self.dryings if each.dryer == dryer]
            model.add_cumulative(
                [each.interval for each in inside], [1] * len(inside), self.start.holds.get(dryer, 1)
            )

    def _mounts(self) -> None:
        """Count, for each printer's tool and each reel that does not hang there, one hand-off where it is used."""
        used: dict[tuple[str | None, int, str, bool], list[Any]] = {}
        for at, literals in enumerate(self.takes):
            for entry, takes in zip(self.table.entries[at], literals, strict=True):
                for slot, assignment in zip(entry.way.task.slots, entry.way.assignments, strict=True):
                    if assignment.spool is not None and assignment.hung is not None:
                        boxes, box = self.start.boxes, assignment.box
                        into = box is not None and not boxes.lives_in(assignment.spool, box)
                        key = (entry.way.task.printer, slot.tool.tool, assignment.hung, into)
                        used.setdefault(key, []).append(takes)
        for (printer, tool, hung, into), literals in used.items():
            uses = self.start.mounted.get((printer, tool), ())
            if uses and uses[-1].hung == hung:
                continue
            mounted = self.model.new_bool_var("mounted")
            for takes in literals:
                self.model.add_implication(takes, mounted)
            self.hand_offs += [mounted] * (2 if into else 1)

    def _hint(self, known: Schedule) -> None:
        """Let the solver begin with a plan that is known."""
        placed = {each.task.number: each for each in known.all()}
        for at, task in enumerate(self.tasks):
            each = placed.get(task.number)
            if each is None or not each.met:
                continue
            self.model.add_hint(self.starts[at], int(each.start_s - self.start.at_s))
            for entry, takes in zip(self.table.entries[at], self.takes[at], strict=True):
                same = (entry.way.task.printer, entry.way.assignments) == (
                    each.task.printer,
                    each.assignments,
                )
                self.model.add_hint(takes, same)

    def solve(self, known: Schedule | None = None) -> Chosen | None:
        """Return the best plan by the table; *known*: one to begin with."""
        cp_model, model = self.module, self.model
        made = self._made()
        if known is not None:
            self._hint(known)
        solve = self._solver(PROPOSAL_WORK)
        model.maximize(made)
        status = solve.solve(model)
        if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            return None
        most = round(solve.objective_value)
        first = self._read(solve)
        model.add(made >= most)
        model.minimize(
            HAND_OFF * sum(self.hand_offs)
            + HALF_HOUR * sum(halves * takes for takes, halves in self.heat)
            + sum(self.starts)
        )
        model.clear_hints()
        for at, entry in first.entries.items():
            model.add_hint(self.takes[at][entry], 1)
        again = self._solver(FEWEST_HANDS_WORK)
        status = again.solve(model)
        return self._read(again) if status in (cp_model.OPTIMAL, cp_model.FEASIBLE) else first

    def _made(self) -> Any:
        """Return how many jobs make it, by their priorities."""
        return sum(
            self.tasks[at].priority * takes for at, literals in enumerate(self.takes) for takes in literals
        )

    def bound(self) -> int | None:
        """Return how many jobs can make it at most; None where the solver says nothing."""
        solve = self._solver(BOUND_WORK)
        self.model.maximize(self._made())
        status = solve.solve(self.model)
        if status not in (self.module.OPTIMAL, self.module.FEASIBLE):
            return None
        return math.floor(float(solve.best_objective_bound) + SAME_K)

    def _solver(self, work: float) -> Any:
        """Return a solver that finds the same plan each time, however many cores there are and how fast they are."""
        found = self.module.CpSolver()
        found.parameters.num_workers = 1
        found.parameters.random_seed = 1
        found.parameters.max_deterministic_time = work
        return found

    def _read(self, solve: Any) -> Chosen:
        entries = {
            at: number
            for at, literals in enumerate(self.takes)
            for number, takes in enumerate(literals)
            if solve.boolean_value(takes)
        }
        return Chosen(entries, {at: int(solve.value(self.starts[at])) for at in entries})
