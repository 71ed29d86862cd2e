"""Forecasts computed spool by spool, by whichever executor is there.

What one spool goes through does not depend on the others, so it is a task of its own.  Left out: which forecasts
(``full_forecast``, ``optimise``).
"""

import itertools
from collections.abc import Callable, Iterator, Mapping
from dataclasses import field
from typing import TYPE_CHECKING, Final

from gcodetool.errors import GcodetoolError
from gcodetool.moisture.record import Spool
from gcodetool.queue.executors import Executor, SerialExecutor, WorkerDied
from gcodetool.queue.findings import ToolRow
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.job_list import Progress, QueuePrinter
from gcodetool.queue.spool_steps import (
    NO_PASTS,
    Dried,
    Dry,
    DryingTime,
    ForecastOptions,
    Pasts,
    Print,
    Step,
    StepHistory,
    history_of,
)
from gcodetool.queue.summary import JobSummary
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from gcodetool.moisture.state import State

PART: Final = 16  # forecasts given out at a time where the time is limited

Behind = (
    int | tuple[Step, ...]
)  # so many of the steps that are the spool's in the end; or the steps themselves
Asked = tuple[
    StepHistory, str, float, float
]  # how long a drying takes: after what, where, from when, for what length


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
    prints: tuple[tuple[Behind, Print], ...]
    dryings: tuple[tuple[Behind, Dry], ...]
    times: tuple[tuple[Behind, str, float, float], ...]
    wet: bool
    pasts: Pasts


@dataclass
class _WantedSteps:
    """What is asked of one spool."""

    prints: list[tuple[StepHistory, Print]] = field(default_factory=list)
    dryings: list[tuple[StepHistory, Dry]] = field(default_factory=list)
    times: list[Asked] = field(default_factory=list)
    wet: bool = False

    def parts(self) -> Iterator["_WantedSteps"]:
        """Yield the same in parts that are soon done."""
        most = max(len(self.prints), len(self.dryings), len(self.times), 1)
        for at in range(0, most, PART):
            its = slice(at, at + PART)
            yield _WantedSteps(self.prints[its], self.dryings[its], self.times[its], self.wet and at == 0)


@dataclass(frozen=True)
class _SpoolResult:
    """What came of it, in the order asked."""

    rows: list[ToolRow]
    dried: list[Dried]
    times: list[DryingTime | None]
    left_mm: float | None
    wet: float | None


class Wanting:
    """Forecasts that a memo is to know, gathered by spool; what it knows already is left out.

    Attributes
    ----------
    asked : by spool.
    """

    def __init__(self, memo: ForecastMemo) -> None:
        self.memo = memo
        self.asked: dict[str, _WantedSteps] = {}

    def _of(self, spool: str) -> _WantedSteps:
        return self.asked.setdefault(spool, _WantedSteps())

    def printed(self, history: StepHistory, step: Print) -> None:
        """Ask what comes of printing; what rests on other spools, too, is left to whoever needs it."""
        if not history.shared and not self.memo.has(history, step):
            self._of(history.spool).prints.append((history, step))

    def dried(self, history: StepHistory, step: Dry) -> None:
        """Ask what a drying does, as for :meth:`printed`."""
        if not history.with_step(step).shared and not self.memo.has(history, step):
            self._of(history.spool).dryings.append((history, step))

    def time(self, *asked: *Asked) -> None:
        """Ask how long a drying takes."""
        if not self.memo.has_time(*asked):
            self._of(asked[0].spool).times.append(asked)

    def wetness(self, spool: str) -> None:
        """Ask how wet a spool is now, and how much is on it."""
        if not self.memo.has_wetness(spool):
            self._of(spool).wet = True

    def compute(
        self,
        executor: Executor,
        progress: Progress | None,
        ends: Mapping[str, StepHistory] | None = None,
        *,
        words: str = "forecasting",
        enough: Callable[[], bool] | None = None,
    ) -> None:
        """Let the memo know all of it.

        ``ends``: what happens to each spool in the end; what is asked mostly stands behind a part of that.  ``enough``
        says that the time is over: what is not computed by then is left out; a spool is given out in parts for it.
        """
        memo = self.memo
        parts = [
            (name, part)
            for name in sorted(self.asked)
            for part in ([self.asked[name]] if enough is None else self.asked[name].parts())
        ]
        tasks = [
            _spool_task(memo, name, (ends or {}).get(name) or StepHistory(name), part) for name, part in parts
        ]
        total, count = sum(len(each.prints) for each in self.asked.values()), 0
        if progress is not None and tasks:
            progress(words, 0, total)
        # one spool's steps follow each other: no use in sending them elsewhere
        workers = executor if len(tasks) > 1 or not executor.shares_files else SerialExecutor()
        for at, result in workers.map_unordered(_run_spool_task, tasks):
            found = _run_spool_task(tasks[at]) if isinstance(result, WorkerDied) else result
            name, wanted = parts[at]
            memo.prints.update(zip(wanted.prints, found.rows, strict=True))
            memo.dryings.update(zip(wanted.dryings, found.dried, strict=True))
            keys = ((*asked, None) for asked in wanted.times)
            memo.times.update(zip(keys, found.times, strict=True))
            if found.wet is not None and found.left_mm is not None:
                memo.wetness[name], memo.left[name] = found.wet, found.left_mm
            memo.computed.add(name)
            memo.evaluations += len(found.rows) + len(found.times)
            count += len(found.rows)
            if progress is not None:
                progress(words, count, total)
            if enough is not None and enough():
                break


def _spool_task(memo: ForecastMemo, name: str, history: StepHistory, wanted: _WantedSteps) -> _SpoolTask:
    counts = {part: part.count for part in history.parts()}

    def behind(part: StepHistory) -> Behind:
        return counts.get(part, part.steps)

    try:
        first = memo.simulator.first(name)  # here, where its snapshot lies
    except GcodetoolError:
        first = None
    used = {step.job for _, step in wanted.prints}
    past = memo.past(name)
    befores = {part for part, _ in (*wanted.prints, *wanted.dryings)} | {each[0] for each in wanted.times}
    others = (part.steps for part in befores if part not in counts)
    every = itertools.chain(past.steps, history.steps, *others)
    used |= {step.job for step in every if isinstance(step, Print)}
    since = memo.pasts.since.get(name)
    return _SpoolTask(
        memo.spools[name],
        first,
        {digest: memo.jobs[digest] for digest in sorted(used)},
        dict(memo.printers),
        memo.options,
        history.steps,
        tuple((behind(part), step) for part, step in wanted.prints),
        tuple((behind(part), step) for part, step in wanted.dryings),
        tuple((behind(part), dryer, in_s, length_mm) for part, dryer, in_s, length_mm in wanted.times),
        wanted.wet,
        NO_PASTS if since is None else Pasts({name: past}, {name: since}),
    )


def _run_spool_task(task: _SpoolTask) -> _SpoolResult:
    """Compute one spool's steps."""
    name = task.spool.id
    firsts = {} if task.first is None else {(name, task.options.members): task.first}
    memo = ForecastMemo(
        {name: task.spool}, task.jobs, task.printers, task.options, firsts=firsts, pasts=task.pasts
    )
    steps = history_of(name, task.steps).parts()

    def steps_of(behind: Behind) -> StepHistory:
        return steps[behind] if isinstance(behind, int) else history_of(name, behind)

    rows = []
    for behind, step in task.prints:
        tool = next(each for each in task.jobs[step.job].tools if each.tool == step.tool)
        rows.append(memo.printed(steps_of(behind), step, tool))
    return _SpoolResult(
        rows,
        [memo.dried(steps_of(behind), step) for behind, step in task.dryings],
        [
            memo.drying_time(steps_of(behind), dryer, in_s, length_mm)
            for behind, dryer, in_s, length_mm in task.times
        ],
        memo.left_mm(name) if task.wet else None,
        memo.wet(name) if task.wet else None,
    )
