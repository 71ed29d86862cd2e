"""Very long lists: jobs that share no printer and no reel with others are chosen in groups of their own, one after another.

A material that only some printers print makes such a group.  What groups share is the dryers: a group that comes
later finds them as those before it left them.  Left out: how a group is chosen (``choice``).
"""

import time
from collections.abc import Callable, Sequence
from dataclasses import replace

from gcodetool.queue.choice import MOST_OPTIMISED, Incumbent, SearchResult
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.schedule import Cost, Schedule, Task
from gcodetool.queue.search import cannot_succeed, replay
from gcodetool.quickdata import dataclass

Choose = Callable[[Schedule, Sequence[Task], float, Incumbent], SearchResult]


def groups_of(tasks: Sequence[Task]) -> list[list[Task]]:
    """Return the jobs of a list in groups; a list that is short enough to be chosen as a whole is one group.

    Groups, and the jobs in each, stand in the order of the list.
    """
    if len(tasks) <= MOST_OPTIMISED:
        return [list(tasks)]
    parent: dict[object, object] = {}

    def root(of: object) -> object:
        while parent.setdefault(of, of) != of:
            parent[of] = parent[parent[of]]
            of = parent[of]
        return of

    for task in tasks:
        for each in task.variants:
            parent[root(("printer", each.printer))] = root(task.number)
            for slot in each.slots:
                for spool in slot.spools:
                    parent[root(("spool", spool))] = root(task.number)
    found: dict[object, list[Task]] = {}
    for task in tasks:
        found.setdefault(root(task.number), []).append(task)
    return list(found.values())


@dataclass
class _Sum:
    """What the groups so far come to together.

    Attributes
    ----------
    at_most, exact : as of a result.
    whole : each of them found the dryers as free as if it were alone.
    dried : one of them dried something.
    """

    at_most: int = 0
    exact: bool = True
    whole: bool = True
    dried: bool = False

    def add(self, result: SearchResult, possible: int) -> None:
        """Count a group; *possible*: its jobs that are not lost whatever is done, by their priorities.

        What is proven of it counts only where those before it left it the dryers.
        """
        self.whole &= not self.dried
        bound = result.at_most if self.whole and result.at_most is not None else possible
        self.at_most += min(bound, possible)
        self.exact &= self.whole and result.exact
        self.dried |= result.schedule.cost.dryings > 0


def in_groups(
    memo: ForecastMemo,
    start: Schedule,
    groups: Sequence[Sequence[Task]],
    choose: Choose,
    *,
    limit_s: float,
    incumbent: Incumbent,
) -> SearchResult:
    """Return the plan of all groups, each chosen where those before it left the dryers.

    Parameters
    ----------
    choose : how one is chosen: from a schedule on, its jobs, the seconds that it may take, and the best plan so far of it.
    incumbent : where somebody stops this, it has the groups that were chosen, and the one in work as far as it was.
    """
    end_s, left = time.monotonic() + limit_s, sum(map(len, groups))
    schedule, total, said = start, _Sum(), []
    for group in groups:
        best = Incumbent()
        share_s = max(0.0, end_s - time.monotonic()) * len(group) / left
        alone = replace(schedule, cost=Cost(), before=None, last=None)
        try:
            result = choose(alone, group, share_s, best)
        except BaseException:
            incumbent.best = schedule if best.best is None else _with(memo, schedule, best.best)
            raise
        total.add(result, sum(task.priority for task in group if not cannot_succeed(memo, start, task)))
        schedule, left = _with(memo, schedule, result.schedule), left - len(group)
        said.append(result.method)
    incumbent.best = schedule
    return SearchResult(schedule, _words(groups, said, total), total.exact, total.at_most)


def _with(memo: ForecastMemo, schedule: Schedule, chosen: Schedule) -> Schedule:
    """Return a schedule with the jobs of a group placed as they were chosen."""
    found = replay(memo, schedule, [each.way for each in chosen.all()])
    assert found is not None  # it was placed so before
    return found


def _words(groups: Sequence[Sequence[Task]], said: Sequence[str], total: _Sum) -> str:
    """Return how a list was chosen in groups, and what that means for how good the plan is."""
    most = max(map(len, groups))
    means = (
        "what is proven of each holds for all"
        if total.whole
        else "they share the dryers, and those that come first in the list have them first: what is proven of later groups "
        "does not hold for all"
    )
    ways = "; ".join(f"{said.count(way)} of them: {way}" for way in dict.fromkeys(said))
    return f"split into {len(groups)} groups that share no printer and no reel, {most} jobs at most; {means}; {ways}"
