"""Ways to search for a plan, jobs in a given order: job by job, and making a plan better.

Left out: where jobs go (``placing``), which way of searching (``choice``), trying everything (``exhaustive``), several
changes at a time (``exchange``), the solver (``optimise``).
"""

import itertools
import math
from collections.abc import Callable, Collection, Iterator, Sequence
from typing import Final

from gcodetool.queue.boxes import FED
from gcodetool.queue.findings import GOOD_ENOUGH
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.placing import least_of, schedule_job
from gcodetool.queue.schedule import Assignment, Cost, Schedule, ScheduledJob, Task, ToolSlot, Way

SPOOLS_TRIED: Final = 6  # spools tried for a job where there are too many to try all
ROUNDS: Final = 3  # of improving single jobs
IMPROVEMENT_BUDGET: Final = 800  # forecasts spent on that
PLACEMENT_BUDGET: Final = 20_000  # jobs placed anew for that

SearchProgress = Callable[[int], None]


def ways(
    memo: ForecastMemo,
    task: Task,
    schedule: Schedule,
    *,
    most: int | None = None,
    driest: bool = False,
    failed: Collection[str] = (),
) -> Iterator[Way]:
    """Yield where a job may go and what its tools may be given: likely spools first, undried ones before dried ones.

    Of either those that are fed from a box come last.

    ``most``: so many spools for each tool; ``driest``: those that are driest now come first; ``failed``: spools that were
    too wet for another job.
    """
    found: list[Way] = []
    for variant in task.variants:
        options = _options(memo, variant, schedule, most, driest=driest, failed=failed)
        found += (Way(variant, given, task) for given in options)
    yield from sorted(found, key=lambda way: (dried(way.assignments), boxed(way.assignments)))


def dried(assignments: Sequence[Assignment]) -> int:
    """Return how many spools are dried first."""
    return sum(assignment.dryer is not None for assignment in assignments)


def boxed(assignments: Sequence[Assignment]) -> int:
    """Return how many spools stand in a box while they feed the printer."""
    return sum(assignment.box is not None for assignment in assignments)


def _options(
    memo: ForecastMemo,
    task: Task,
    schedule: Schedule,
    most: int | None,
    *,
    driest: bool,
    failed: Collection[str],
) -> Iterator[tuple[Assignment, ...]]:
    """Yield what a job's tools may be given on one printer."""
    every = []
    for slot in task.slots:
        spools = _likely(memo, task, slot, schedule, driest=driest, failed=failed)[:most]
        every.append(list(_assignments(memo, slot, spools, schedule, task.printer)))
    some = False
    for assignments in itertools.product(*every):
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
    memo: ForecastMemo,
    task: Task,
    slot: ToolSlot,
    schedule: Schedule,
    *,
    driest: bool,
    failed: Collection[str],
) -> Sequence[str]:
    """Return the spools for a tool: long enough ones first, dry ones, the one that hangs there, the driest where asked."""
    if len(slot.spools) < 2:
        return slot.spools
    uses = schedule.mounted.get((task.printer, slot.tool.tool), ())
    hung = uses[-1].hung if uses else None

    def key(spool: str) -> tuple[bool, bool, bool, float, str]:
        left_mm = memo.left_mm(spool) - schedule.fed_mm.get(spool, 0.0)
        wet = spool in failed or memo.wet(spool) > 1.0
        water = memo.wet(spool) if driest else 0.0
        return left_mm < slot.tool.filament_mm, wet, spool != hung, water, spool

    return sorted(slot.spools, key=key)


def _assignments(
    memo: ForecastMemo, slot: ToolSlot, spools: Sequence[str], schedule: Schedule, printer: str | None
) -> Iterator[Assignment]:
    if not spools:
        yield Assignment(None)
    for spool in spools:
        dryers = [dryer for dryer in schedule.holds if can_dry(memo, spool, dryer)]
        boxes = [box for box in schedule.boxes.at.get(printer, ()) if can_feed(memo, schedule, spool, box)]
        for dryer, box in itertools.product((None, *dryers), (None, *boxes)):
            yield Assignment(spool, dryer, box)


def can_dry(memo: ForecastMemo, spool: str, dryer: str) -> bool:
    """Return whether a dryer is one of the spool's record."""
    place = memo.spools[spool].places.get(dryer)
    return place is not None and place.kind == "dryer"


def can_feed(memo: ForecastMemo, schedule: Schedule, spool: str, box: str) -> bool:
    """Return whether a box is one of the spool's record and has room for it."""
    place = memo.spools[spool].places.get(box)
    return place is not None and place.kind == FED and schedule.boxes.take(box, (spool,))


def open_jobs(memo: ForecastMemo, tasks: Sequence[Task], start: Schedule) -> int:
    """Return for how many jobs there is something to choose."""

    def is_open(task: Task, slot: ToolSlot) -> bool:
        return len(slot.spools) > 1 or any(
            any(can_dry(memo, spool, dryer) for dryer in start.holds)
            or any(can_feed(memo, start, spool, box) for box in start.boxes.at.get(task.printer, ()))
            for spool in slot.spools
        )

    return sum(bool(task.others) or any(is_open(task, slot) for slot in task.slots) for task in tasks)


def cannot_succeed(memo: ForecastMemo, start: Schedule, task: Task) -> bool:
    """Return whether a job is lost whatever is done: no spool, none long enough, or due too soon."""
    begins = max(start.at_s, task.earliest_s if task.earliest_s is not None else -math.inf)
    begins = start.presence.next_s(begins)
    shortest_s = min(variant.job.open_air_s for variant in task.variants)
    if task.due_s is not None and begins + shortest_s > task.due_s:
        return True
    return not all(
        any(memo.left_mm(spool) >= slot.tool.filament_mm - 1.0 for spool in slot.spools)
        for slot in task.slots
    )


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
    *_, schedule = start, *placed_in_turn(memo, start, tasks, progress, failed=failed)
    return schedule


def placed_in_turn(
    memo: ForecastMemo,
    start: Schedule,
    tasks: Sequence[Task],
    progress: SearchProgress | None = None,
    *,
    failed: Collection[str] = (),
) -> Iterator[Schedule]:
    """Yield the schedule with one job more, until all are placed as by :func:`greedy`."""
    schedule = start
    failed = set(failed)
    for task in tasks:
        schedule = best_step(memo, schedule, task, failed)
        if progress is not None:
            progress(memo.evaluations)
        yield schedule


def best_step(memo: ForecastMemo, schedule: Schedule, task: Task, failed: set[str]) -> Schedule:
    """Return the schedule with a job placed as is best for it; spools found too wet are added to *failed*."""
    best: Schedule | None = None
    every = ways(memo, task, schedule, most=SPOOLS_TRIED, failed=failed)
    for (dryings, boxes), alike in itertools.groupby(every, _dried_and_boxed):
        for least, way in _cheapest_first(memo, schedule, alike):
            if best is not None and _met(best) and (dryings or boxes):
                return best  # it goes without
            if best is not None and least is not None and least.key() >= best.cost.key():
                break  # no forecast can make it better, nor what follows
            found = schedule_job(memo, schedule, *way)
            if found is not None and found.last is not None and not dryings:
                failed |= {row.spool for row in found.last.rows if row.spool and row.code not in GOOD_ENOUGH}
            if found is not None and (best is None or found.cost.key() < best.cost.key()):
                best = found
    assert best is not None  # undried spools, or none, can always be had
    return best


def _dried_and_boxed(way: Way) -> tuple[int, int]:
    return dried(way.assignments), boxed(way.assignments)


def _met(schedule: Schedule) -> bool:
    """Return whether the last job makes it."""
    return schedule.last is not None and schedule.last.met


def _cheapest_first(
    memo: ForecastMemo, schedule: Schedule, every: Iterator[Way]
) -> Iterator[tuple[Cost | None, Way]]:
    """Yield ways with what each costs at least, those that cannot be had left out; of dried ones that is not known."""
    known: list[tuple[Cost, Way]] = []
    for way in every:
        if dried(way.assignments):
            yield None, way
        elif (least := least_of(memo, schedule, *way)) is not None:
            known.append((least, way))
    yield from sorted(known, key=lambda each: each[0].key())


def improved(
    memo: ForecastMemo,
    start: Schedule,
    schedule: Schedule,
    progress: SearchProgress | None = None,
    *,
    enough: Callable[[], bool] = lambda: False,
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
            for way in ways(memo, placed.home, schedule, most=SPOOLS_TRIED, failed=failed):
                if memo.evaluations > most or replays > most_replays or enough():
                    return schedule
                if way == plan[at].way:
                    continue
                replays += 1
                changed = [way if i == at else each.way for i, each in enumerate(plan)]
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
    kept = replay(memo, start, [each.way for each in new[:first]])
    assert kept is not None  # it was found before
    return greedy(memo, kept, [each.home for each in new[first:]], failed=too_wet(found))


def _content(placed: ScheduledJob) -> bool:
    return placed.met and not placed.dryings and all(row.how == "mounted" for row in placed.rows)


def replay(memo: ForecastMemo, start: Schedule, plan: Sequence[Way]) -> Schedule | None:
    """Return the schedule with these jobs on these printers and spools; None where a drying cannot be had."""
    schedule: Schedule | None = start
    for way in plan:
        if schedule is None:
            return None
        schedule = schedule_job(memo, schedule, *way)
    return schedule
