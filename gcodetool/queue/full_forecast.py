"""The plan that was chosen, forecast in full: every member, every layer, spool by spool, by whichever executor is there.

Left out: choosing (``search``), computing it (``spool_work``), what is made of the outcome (``rows``).
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from gcodetool.queue import forecast_store
from gcodetool.queue.dryer_slots import beside_of
from gcodetool.queue.drying_hours import settled, timed
from gcodetool.queue.executors import Executor
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.job_list import Progress
from gcodetool.queue.schedule import DryerStay, Schedule, ScheduledDrying, ScheduledJob, Task, Way
from gcodetool.queue.search import improved, replan_after_first_failure, replay
from gcodetool.queue.spool_steps import Print, StepHistory
from gcodetool.queue.spool_work import Wanting

LEAST_SHARE: Final = 0.25  # of the longest job's forecast, that any takes: the reel waits for it as long
DRYING: Final = 1.5  # what dryings, and what is said of a plan, add to the forecasts of its jobs
ROUNDS: Final = 3  # of forecasting again what shares a dryer's air
LONG: Final = 20  # jobs; in longer queues what follows a job that is judged harder is planned anew


def forecast_in_full(
    quick: ForecastMemo,
    full: ForecastMemo,
    start: Schedule,
    chosen: Schedule,
    executor: Executor,
    progress: Progress | None,
    *,
    folder: Path | None,
    next_best: Sequence[Schedule] = (),
    enough: Callable[[], bool] = lambda: False,
    late: Callable[[], bool] = lambda: False,
) -> tuple[Schedule, str]:
    """Return the chosen plan with its jobs' own hours of drying, with every member and layer.

    And words where that tells otherwise than the choice and was put right: by one of the *next_best*, else by trying others.
    ``late`` says that there is no time for the one, ``enough`` that there is none for the other.
    """
    if not any(placed.steps for placed in chosen.all()):
        return chosen, ""  # no spool, no forecast
    chosen = settled(quick, full, start, chosen)
    found = _shown(full, start, chosen, executor, progress)
    if found.cost.missed <= chosen.cost.missed:
        return found, ""
    for other in next_best:
        if late():
            break
        seen = _shown(full, start, settled(quick, full, start, other), executor, progress)
        if seen.cost.missed <= chosen.cost.missed:
            return seen, "; the full forecast judged some jobs harder, so the next best plan was taken"
    if enough():
        return (
            found,
            "; the full forecast judged some jobs harder, and the time was over before others were tried",
        )
    # as exact, but without what no verdict needs
    exact = ForecastMemo(
        full.spools, full.jobs, full.printers, replace(full.options, exposures=False), **full.shared
    )
    forecast_store.load(folder, exact)
    exact.prints.update(full.prints)
    exact.dryings.update(full.dryings)
    harder = any(one.met and not other.met for one, other in zip(chosen.all(), found.all(), strict=True))
    if len(chosen.all()) > LONG and harder:
        better = replan_after_first_failure(exact, start, chosen, found)
    else:
        better = improved(exact, start, found, enough=enough)
    forecast_store.save(folder, exact)
    better = (
        found if better.cost.key() >= found.cost.key() else _shown(full, start, better, executor, progress)
    )
    if better.cost.key() >= found.cost.key():
        return found, ""
    return better, "; the full forecast judged some jobs harder, so others were tried with it"


def expected_s(full: ForecastMemo, tasks: Sequence[Task], clock_s: Callable[[], float]) -> float:
    """Return about how long the full forecast of a plan will take in this process, by that of its longest job. [s]"""
    slots = [(task, slot) for task in tasks for slot in task.slots if slot.spools]
    if not slots:
        return 0.0
    task, slot = max(slots, key=lambda each: each[1].tool.rows)
    spool, begin_s = slot.spools[0], clock_s()
    full.left_mm(spool)
    state_s = clock_s() - begin_s
    at_s = max(full.options.at_s, task.earliest_s or -math.inf)
    full.printed(full.past(spool), Print(task.job.digest, slot.tool.tool, at_s, task.printer), slot.tool)
    print_s = clock_s() - begin_s - state_s
    most = max(1, slot.tool.rows)
    jobs = sum(max(LEAST_SHARE, each.tool.rows / most) for _, each in slots)
    return state_s * len({name for _, each in slots for name in each.spools}) + DRYING * print_s * jobs


def _shown(
    full: ForecastMemo, start: Schedule, chosen: Schedule, executor: Executor, progress: Progress | None
) -> Schedule:
    """Return a plan as the full forecast sees it.

    Where that calls a job off, and with it a drying, those that were to share the dryer's air with it are forecast again.
    """
    _forecast(full, chosen, executor, progress)
    ways = fixed(full, chosen.all())
    found = replay(full, start, ways)
    assert found is not None  # its dryings are settled
    for _ in range(ROUNDS):
        again = fixed(full, found.all())
        if company_of(again) == company_of(ways):
            break
        other = replay(full, start, again)
        if other is None:
            break
        ways, found = again, other
    return found


def company_of(ways: Sequence[Way]) -> list[tuple[StepHistory, ...]]:
    """Return beside which others reels are dried in a plan."""
    given = (each for way in ways for each in way.assignments)
    return [each.time.beside for each in given if each.time is not None]


def fixed(memo: ForecastMemo, placed: Sequence[ScheduledJob]) -> list[Way]:
    """Return a plan with its hours of drying settled, each with the reels whose air it shares; of held jobs as tried."""
    found = []
    every = dryings_in(placed)
    for each in placed:
        times = {drying.before.spool: drying.time for drying in each.tried}
        times |= {
            drying.before.spool: replace(drying.time, beside=met(memo, drying, every))
            for drying in each.dryings
        }
        found.append(timed(each, times))
    return found


def dryings_in(placed: Sequence[ScheduledJob]) -> list[ScheduledDrying]:
    """Return all dryings of a plan."""
    return [drying for each in placed for drying in each.dryings]


def met(
    memo: ForecastMemo, drying: ScheduledDrying, every: Sequence[ScheduledDrying]
) -> tuple[StepHistory, ...]:
    """Return the reels that one shares a dryer's air with; none where it is changed all the time."""
    step = drying.step
    others = [
        DryerStay(one.step.in_s, one.step.out_s, one.before.spool, one.step.temperature_C, before=one.before)
        for one in every
        if one.step.dryer == step.dryer and one.before.spool != drying.before.spool
    ]
    company = [stay for stay in others if stay.crosses(step.in_s, step.out_s)]
    if not company or not memo.shares_air(drying.before.spool, step.dryer):
        return ()
    return beside_of(step.dryer, step.in_s, company)


def _forecast(full: ForecastMemo, chosen: Schedule, executor: Executor, progress: Progress | None) -> None:
    """Fill *full* with what the chosen plan needs, spool by spool."""
    wanted = Wanting(full)
    for placed in chosen.all():
        for history, step in placed.steps:
            wanted.printed(history, step)
        for each in placed.dryings:
            wanted.dried(each.before, each.step)
    wanted.compute(executor, progress, {name: chosen.steps_of(name) for name in wanted.asked})
