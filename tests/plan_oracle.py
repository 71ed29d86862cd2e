"""Everything tried, as simply as can be: whether any plan is better than a given one, jobs in the list's order.

No bound, no table, no solver: a branch ends only where it costs as much as the given plan already, or where the same state
of all reels, printers and dryers was reached for no more.  Tests and benchmarks set it beside the search.
"""

from collections.abc import Sequence

from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.placing import schedule_job
from gcodetool.queue.schedule import Cost, Schedule, Task
from gcodetool.queue.search import ways

SAME_S = 1e-3  # of sums of seconds


class GaveUpError(Exception):
    """It took too long."""


def better_than(
    memo: ForecastMemo, start: Schedule, tasks: Sequence[Task], cost: Cost, *, forecasts: int
) -> Schedule | None:
    """Return a plan that costs less; None: there is none.

    Raises
    ------
    GaveUpError
        More forecasts than that were asked for.
    """
    most = memo.evaluations + forecasts
    limit = (*cost.key()[:3], cost.heat_s - SAME_S, cost.badness, cost.ends_s - SAME_S)
    if cost.heat_s < SAME_S:
        limit = (*cost.key()[:5], cost.ends_s - SAME_S)
    seen: dict[str, tuple[float, ...]] = {}

    def find(schedule: Schedule, at: int) -> Schedule | None:
        if at == len(tasks):
            return schedule
        if memo.evaluations > most:
            raise GaveUpError
        for way in ways(memo, tasks[at], schedule):
            after = schedule_job(memo, schedule, *way)
            if after is None or after.cost.key() >= limit:
                continue
            steps = sorted((spool, history.digest) for spool, history in after.histories.items())
            free = sorted(after.free_s.items())
            state = f"{at} {after.calendars} {steps} {free} {after.stays} {after.mounted} {after.boxes.uses}"
            if seen.get(state, (float("inf"),)) <= after.cost.key():
                continue
            seen[state] = after.cost.key()
            found = find(after, at + 1)
            if found is not None:
                return found
        return None

    return find(start, 0)
