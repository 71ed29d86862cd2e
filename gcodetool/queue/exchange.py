"""A plan made better by changing a few jobs at a time: their printers, spools and dryings, and where it is free their order.

A random walk, the same one each time: a plan that is not better is kept where it is no worse than the one some steps
ago, so that the walk gets out of places where every single change makes it worse.  Jobs that are missed come first.
Left out: single changes, tried one after the other (``search``), the solver (``optimise``).
"""

import itertools
import random
from collections.abc import Callable, Sequence
from typing import Final

from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.placing import schedule_job
from gcodetool.queue.schedule import Schedule, Task, Way
from gcodetool.queue.search import SPOOLS_TRIED, SearchProgress, ways
from gcodetool.queue.table import ForecastTable

STEPS_BACK: Final = 25  # a plan may be as bad as the one so many steps ago
PATIENCE: Final = 3000  # changes without anything better, after which the walk ends
CONTENT: Final = 250  # the same, once no more jobs can make it
SHORT: Final = 250  # of a short walk: changes with which no more jobs make it
SEED: Final = 1


class Exchange:
    """The walk.

    Attributes
    ----------
    best : the best plan so far.
    """

    def __init__(
        self,
        memo: ForecastMemo,
        start: Schedule,
        tasks: Sequence[Task],
        best: Schedule,
        *,
        table: ForecastTable | None = None,
        free: bool = False,
        fewest_missed: int = 0,
        short: bool = False,
        progress: SearchProgress | None = None,
        offer: Callable[[Schedule], None] = lambda _: None,
        enough: Callable[[], bool] = lambda: False,
    ) -> None:
        self.memo, self.start, self.best, self.free = memo, start, best, free
        self.fewest_missed, self.short = fewest_missed, short
        self.progress, self.offer, self.enough = progress, offer, enough
        self.dice = random.Random(SEED)
        self.ways: dict[int, list[Way]] = {}
        for at, task in enumerate(tasks):
            likely = [entry.way for entry in table.entries[at]] if table is not None else []
            self.ways[task.number] = likely or list(ways(memo, task, start, most=SPOOLS_TRIED))
        self._go_on_from(best)

    def _go_on_from(self, schedule: Schedule) -> None:
        self.now = schedule
        self.before = [before for before, _ in schedule.history()][::-1]  # each job
        self.plan = [placed.way for placed in schedule.all()]
        self.missed = [at for at, placed in enumerate(schedule.all()) if not placed.met]

    def run(self) -> Schedule:
        """Walk until nothing better comes for long, or it is enough; return the best plan."""
        if len(self.plan) < 2:
            return self.best
        back = [self.now.cost.key()] * STEPS_BACK
        idle = 0
        for step in itertools.count():
            done = self.best.cost.missed <= self.fewest_missed
            if idle >= (CONTENT if done else SHORT if self.short else PATIENCE) or self.enough():
                return self.best
            allowed = max(back[step % STEPS_BACK], self.now.cost.key())
            found = self._placed(*self._changed(), allowed)
            idle += 1
            if found is not None:
                self._go_on_from(found)
                if found.cost.key() < self.best.cost.key():
                    if done or not self.short or found.cost.missed < self.best.cost.missed:
                        idle = 0
                    self.best = found
                    self.offer(found)
            back[step % STEPS_BACK] = self.now.cost.key()
            if self.progress is not None:
                self.progress(self.memo.evaluations)
        raise AssertionError  # the count has no end

    def _placed(self, plan: list[Way], first: int, allowed: tuple[float, ...]) -> Schedule | None:
        """Return a plan as it comes out, the same before *first*; None where it is dearer than what is allowed."""
        if first == len(plan):
            return None
        schedule: Schedule | None = self.before[first]
        for way in plan[first:]:
            assert schedule is not None
            schedule = schedule_job(self.memo, schedule, *way)
            if schedule is None or schedule.cost.key() > allowed:
                return None
        return schedule

    def _changed(self) -> tuple[list[Way], int]:
        """Return the plan with a change or two, and the first place that differs."""
        plan, first = list(self.plan), len(self.plan)
        dice = self.dice
        for _ in range(dice.choice((1, 1, 2, 3))):
            one = (
                dice.choice(self.missed) if self.missed and dice.random() < 0.5 else dice.randrange(len(plan))
            )
            how = dice.random()
            if how < 0.35 and (as_other := self._after_another(plan, one)) is not None:
                first = min(first, as_other)
            elif self.free and how < 0.75:
                first = min(first, self._moved(plan, one))
            else:
                first = min(first, self._another_way(plan, one))
        return plan, first

    def _another_way(self, plan: list[Way], at: int) -> int:
        """Give a job another printer, spool or drying."""
        way = self.dice.choice(self.ways[plan[at].home.number])
        if way == plan[at]:
            return len(plan)
        plan[at] = way
        return at

    def _moved(self, plan: list[Way], at: int) -> int:
        """Move a job to another place in the order; a missed one rather forward."""
        to = self.dice.randrange(len(plan) if at not in self.missed else at + 1)
        plan.insert(to, plan.pop(at))
        return len(plan) if to == at else min(to, at)

    def _after_another(self, plan: list[Way], at: int) -> int | None:
        """Let a job follow another one on the same reel, which is not dried again; None where none is found."""
        number = plan[at].home.number
        for _ in range(4):
            other = self.dice.randrange(len(plan) if self.free else max(1, at))
            its = plan[other]
            reels = {each.spool for each in its.assignments}
            fits = [
                way
                for way in self.ways[number]
                if all(each.spool in reels and each.dryer is None for each in way.assignments)
                and way.task.printer == its.task.printer
            ]
            if other == at or not fits:
                continue
            way = self.dice.choice(fits)
            if not self.free:
                if way == plan[at]:
                    continue
                plan[at] = way
                return at
            del plan[at]
            to = other + 1 if other < at else other
            plan.insert(to, way)
            return min(to, at)
        return None
