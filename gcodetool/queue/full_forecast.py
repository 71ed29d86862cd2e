"""The plan that was chosen, forecast in full: every member, every layer, spool by spool, by whichever executor is there.

What one spool goes through does not depend on the others, so it is a task of its own.  Left out: choosing
(``search``), what is made of the outcome (``rows``).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from gcodetool.errors import GcodetoolError
from gcodetool.moisture.record import Spool
from gcodetool.queue import forecast_store
from gcodetool.queue.executors import Executor, SerialExecutor, WorkerDied
from gcodetool.queue.findings import ToolRow
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.job_list import Progress, QueuePrinter
from gcodetool.queue.schedule import Assignment, Schedule, ScheduledJob, Task
from gcodetool.queue.search import improved, replan_after_first_failure, replay
from gcodetool.queue.spool_steps import Dried, Dry, ForecastOptions, Print, Step, StepHistory, history_of
from gcodetool.queue.summary import JobSummary

if TYPE_CHECKING:
    from gcodetool.moisture.state import State

LONG: Final = 20  # jobs; in longer queues what follows a job that is judged harder is planned anew


def forecast_in_full(
    full: ForecastMemo,
    start: Schedule,
    chosen: Schedule,
    executor: Executor,
    progress: Progress | None,
    *,
    folder: Path | None,
) -> tuple[Schedule, str]:
    """Return the chosen plan with every member and layer, and words where that tells otherwise and was put right."""
    if not any(placed.steps for placed in chosen.all()):
        return chosen, ""  # no spool, no forecast
    found = _shown(full, start, chosen, executor, progress)
    if found.cost.key()[:2] <= chosen.cost.key()[:2]:
        return found, ""
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
        better = improved(exact, start, found)
    forecast_store.save(folder, exact)
    better = (
        found if better.cost.key() >= found.cost.key() else _shown(full, start, better, executor, progress)
    )
    if better.cost.key() >= found.cost.key():
        return found, ""
    return better, "; the full forecast judged some jobs harder, so others were tried with it"


def _shown(
    full: ForecastMemo, start: Schedule, chosen: Schedule, executor: Executor, progress: Progress | None
) -> Schedule:
    """Return a plan as the full forecast sees it."""
    _forecast(full, chosen, executor, progress)
    found = replay(full, start, fixed(chosen.all()))
    assert found is not None  # its dryings are settled
    return found


def fixed(placed: Sequence[ScheduledJob]) -> list[tuple[Task, tuple[Assignment, ...]]]:
    """Return a plan with its hours of drying settled."""
    found = []
    for each in placed:
        times = {drying.before.spool: drying.time for drying in each.dryings}
        assignments = tuple(
            replace(assignment, time=times.get(assignment.spool))
            if assignment.spool is not None
            else assignment
            for assignment in each.assignments
        )
        found.append((each.task, assignments))
    return found


@dataclass(frozen=True)
class _SpoolTask:
    """What one spool goes through, to be computed elsewhere.

    ``first`` is the spool as it is now, None where its record does not say.  ``steps`` is what happens to it in
    the end; each wanted step stands behind so many steps of that, or, where it is none of it (a job that is
    held), behind the steps listed.
    """

    spool: Spool
    first: "State | None"
    jobs: dict[str, JobSummary]
    printers: dict[str, QueuePrinter]
    options: ForecastOptions
    steps: tuple[Step, ...]
    prints: tuple[tuple[int | tuple[Step, ...], Print], ...]
    dryings: tuple[tuple[int | tuple[Step, ...], Dry], ...]


@dataclass
class _WantedSteps:
    """What is asked of one spool."""

    prints: list[tuple[StepHistory, Print]]
    dryings: list[tuple[StepHistory, Dry]]


def _forecast(full: ForecastMemo, chosen: Schedule, executor: Executor, progress: Progress | None) -> None:
    """Fill *full* with what the chosen plan needs, spool by spool."""
    asked: dict[str, _WantedSteps] = {}
    for placed in chosen.all():
        for history, step in placed.steps:
            if not full.has(history, step):
                asked.setdefault(history.spool, _WantedSteps([], [])).prints.append((history, step))
        for each in placed.dryings:
            if not full.has(each.before, each.step):
                asked.setdefault(each.before.spool, _WantedSteps([], [])).dryings.append(
                    (each.before, each.step)
                )
    names = sorted(asked)
    spool_tasks = [_spool_task(full, name, chosen.steps_of(name), asked[name]) for name in names]
    total, count = sum(len(each.prints) for each in asked.values()), 0
    if progress is not None and spool_tasks:
        progress("forecasting", 0, total)
    # one spool's steps follow each other: no use in sending them elsewhere
    workers = executor if len(spool_tasks) > 1 or not executor.shares_files else SerialExecutor()
    for at, result in workers.map_unordered(_run_spool_task, spool_tasks):
        rows, dried = _run_spool_task(spool_tasks[at]) if isinstance(result, WorkerDied) else result
        wanted = asked[names[at]]
        full.prints.update(zip(wanted.prints, rows, strict=True))
        full.dryings.update(zip(wanted.dryings, dried, strict=True))
        full.computed.add(names[at])
        count += len(rows)
        if progress is not None:
            progress("forecasting", count, total)


def _spool_task(full: ForecastMemo, name: str, history: StepHistory, wanted: _WantedSteps) -> _SpoolTask:
    counts = {part: part.count for part in history.parts()}

    def behind(part: StepHistory) -> int | tuple[Step, ...]:
        return counts.get(part, part.steps)

    try:
        first = full.simulator.first(name)  # here, where its snapshot lies
    except GcodetoolError:
        first = None
    used = {step.job for _, step in wanted.prints}
    used |= {step.job for step in history.steps if isinstance(step, Print)}
    return _SpoolTask(
        full.spools[name],
        first,
        {digest: full.jobs[digest] for digest in sorted(used)},
        dict(full.printers),
        full.options,
        history.steps,
        tuple((behind(part), step) for part, step in wanted.prints),
        tuple((behind(part), step) for part, step in wanted.dryings),
    )


def _run_spool_task(task: _SpoolTask) -> tuple[list[ToolRow], list[Dried]]:
    """Compute one spool's steps."""
    name = task.spool.id
    firsts = {} if task.first is None else {(name, task.options.members): task.first}
    memo = ForecastMemo({name: task.spool}, task.jobs, task.printers, task.options, firsts=firsts)
    steps = history_of(name, task.steps).parts()

    def steps_of(behind: int | tuple[Step, ...]) -> StepHistory:
        return steps[behind] if isinstance(behind, int) else history_of(name, behind)

    rows = []
    for behind, step in task.prints:
        tool = next(each for each in task.jobs[step.job].tools if each.tool == step.tool)
        rows.append(memo.printed(steps_of(behind), step, tool))
    return rows, [memo.dried(steps_of(behind), step) for behind, step in task.dryings]
