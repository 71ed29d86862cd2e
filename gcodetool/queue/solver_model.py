"""The table of forecasts as constraints for a solver (CP-SAT): which way for which job, and when.

Whole seconds from the plan's first moment.  The table promises too much rather than too little, and so does what
follows from it.  Left out: what is done with a proposal (``optimise``).
"""

import itertools
import math
from collections.abc import Sequence
from typing import Any, Final, Literal

from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.schedule import SAME_K, Schedule, ScheduledJob, Task, Way
from gcodetool.queue.table import Entry, ForecastTable, Spell, horizon
from gcodetool.quickdata import dataclass

Order = Literal["free", "reels", "list"]  # none; of the list on each reel; on each reel and printer
BOUND_WORK: Final = 1.5  # of the solver's own measure of work: for how many jobs there can be
PROPOSAL_WORK: Final = 0.6  # the same, for a plan with the most jobs
FEWEST_HANDS_WORK: Final = 0.15  # the same, for the fewest hand-offs then
HAND_OFF: Final = 10**12  # what one hand-off weighs against a second of waiting
HALF_HOUR: Final = 10**8  # the same, for half an hour of heat
HALF_HOUR_S: Final = 1800
CHANGED: Final = 5  # jobs of a known plan that get another printer, spool or drying at most
CHANGE_WORK: Final = 2.0  # of the solver's own measure, for that
MORNINGS: Final = 10  # at which printers are cleared first


@dataclass(frozen=True)
class Chosen:
    """A proposal: for each job that is to make it, its entry and start."""

    entries: dict[int, int]
    starts: dict[int, int]


def reels_of(way: Way) -> set[str]:
    """Return the reels of a way."""
    return {f"reel {each.spool}" for each in way.assignments if each.spool}


def uses_of(way: Way) -> set[str]:
    """Return the printer, the reels and the boxes of a way."""
    return {
        f"printer {way.task.printer}",
        *reels_of(way),
        *(f"box {each.box}" for each in way.assignments if each.box),
    }


def dryers_of(way: Way) -> set[str]:
    """Return the dryers of a way."""
    return {f"dryer {each.dryer}" for each in way.assignments if each.dryer}


def _as_placed(entry: Entry, placed: ScheduledJob) -> bool:
    """Return whether a job is placed as an entry has it, on its printer and reels, dried or not."""
    return (entry.way.task.printer, entry.way.assignments) == (placed.task.printer, placed.assignments)


@dataclass(frozen=True)
class _Drying:
    """A drying that may be in the plan."""

    spool: str
    dryer: str
    interval: Any


class SolverModel:
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
        self.uses: list[dict[str, list[tuple[Any, bool]]]] = []  # by job and reel; whether it is dried
        for at in range(len(tasks)):
            self._job(at)
            self._ends_at_night(at)
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
        uses: dict[str, list[tuple[Any, bool]]] = {}
        for entry, takes in zip(self.table.entries[at], literals, strict=True):
            for each in entry.way.assignments:
                if each.spool is not None:
                    uses.setdefault(each.spool, []).append((takes, each.dryer is not None))
        self.uses.append(uses)

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

    def _ends_at_night(self, at: int) -> None:
        """Let a printer whose job ends while nobody is there be free again once somebody has come and cleared it."""
        model, start, begin = self.model, self.start, self.starts[at]
        turn = int(start.turnaround_s)
        if not start.presence.windows or turn < 1:
            return
        by_printer: dict[tuple[str | None, int], list[Any]] = {}
        for entry, takes in zip(self.table.entries[at], self.takes[at], strict=True):
            variant = entry.way.task
            by_printer.setdefault((variant.printer, int(variant.job.open_air_s)), []).append(takes)
        spans = itertools.islice(start.presence.spans(start.at_s), MORNINGS + 1)
        for (_, left), (came, _) in itertools.pairwise(spans):
            last, first = math.floor(left - start.at_s), math.ceil(came - start.at_s)
            before = model.new_bool_var("before")
            model.add(begin <= last).only_enforce_if(before)
            model.add(begin > last).only_enforce_if(before.negated())
            for (printer, length), literals in by_printer.items():
                over, after = model.new_bool_var("over"), model.new_bool_var("after")
                clear = model.new_bool_var("clear")
                model.add(begin + length <= last).only_enforce_if(over)
                model.add(begin + length >= first).only_enforce_if(after)
                for takes in literals:
                    model.add_bool_or([takes.negated(), before.negated(), over, after, clear])
                self.on_printer.setdefault(printer, []).append(
                    model.new_optional_fixed_size_interval_var(first, turn, clear, f"c {at}")
                )

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
                for use in uses_of(entry.way) if printers else reels_of(entry.way):
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

        One that is dry enough as it is only from or until a moment will do then, too; one that is only after another job
        took the wet windings off, after any other.
        """
        for at, literals in enumerate(self.takes):
            for entry, takes in zip(self.table.entries[at], literals, strict=True):
                for given, state, spell in zip(
                    entry.way.assignments, entry.states, entry.spells, strict=True
                ):
                    if given.spool is None or state == "dried" or (state == "dry" and spell is None):
                        continue
                    before = [takes.negated()]
                    if spell is not None:
                        before.append(self._in_spell(at, spell))
                    before += self._earlier(at, given.spool, dried=state != "helped")
                    self.model.add_bool_or(before)

    def _earlier(self, at: int, spool: str, *, dried: bool) -> list[Any]:
        """Return what may say that a reel fed, or was dried for, another job before this one begins."""
        found = []
        for other in range(len(self.tasks)):
            if other == at or (not self.free and other > at):
                continue
            literals = [takes for takes, its in self.uses[other].get(spool, []) if its or not dried]
            if not literals:
                continue
            before = self.model.new_bool_var("before")
            self.model.add_bool_or([before.negated(), *literals])
            self.model.add(self.starts[at] >= self.starts[other]).only_enforce_if(before)
            found.append(before)
            due_s = self.tasks[other].due_s
            if due_s is not None:  # it may run though it is late
                late = self.model.new_bool_var("late")
                self.model.add(sum(self.takes[other]) == 0).only_enforce_if(late)
                from_s = math.floor(due_s - self.start.at_s)
                self.model.add(self.starts[at] >= from_s).only_enforce_if(late)
                found.append(late)
        return found

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
                self.model.add_hint(takes, _as_placed(entry, each))

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

    def change(self, known: Schedule) -> Chosen | None:
        """Return a small change of a known plan with which more jobs make it by the table; None: none is found."""
        model, least, others = self.model, 1, []
        self._hint(known)
        placed = {each.task.number: each for each in known.all()}
        for at, task in enumerate(self.tasks):
            each = placed.get(task.number)
            if each is None or not each.met:
                continue
            least += task.priority
            same = (
                takes
                for entry, takes in zip(self.table.entries[at], self.takes[at], strict=True)
                if _as_placed(entry, each)
            )
            others.append(1 - sum(same))
        model.add(self._made() >= least)
        model.add(sum(others) <= CHANGED)
        solve = self._solver(CHANGE_WORK)
        solve.parameters.stop_after_first_solution = True
        status = solve.solve(model)
        return self._read(solve) if status in (self.module.OPTIMAL, self.module.FEASIBLE) else None

    def _made(self) -> Any:
        """Return how many jobs make it, by their priorities."""
        return sum(
            self.tasks[at].priority * takes for at, literals in enumerate(self.takes) for takes in literals
        )

    def bound(self) -> int | None:
        """Return how many jobs can make it at most; None where the solver says nothing."""
        self.model.maximize(self._made())
        for again in (False, True):
            solve = self._solver(BOUND_WORK)
            if again:  # it found no plan in that time: it is told of one, no job at all, and makes the model no smaller
                solve.parameters.cp_model_probing_level = 0
                for takes in itertools.chain.from_iterable(self.takes):
                    self.model.add_hint(takes, 0)
            if solve.solve(self.model) in (self.module.OPTIMAL, self.module.FEASIBLE):
                return math.floor(float(solve.best_objective_bound) + SAME_K)
        return None

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
