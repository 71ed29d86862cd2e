"""A queue put together: files are read, spools assigned, plans tried, and the best one forecast in full.

``plan`` is the whole of it.  The choice is made on a few dozen pieces of each job, in long queues also on few
members; what is shown is the same plan with every member and every layer, computed spool by spool by
whoever is there to do it.  Nothing here reads a clock.  Left out: where the spools come from, and printing
(``cli``, ``report``).
"""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from gcodetool.errors import SchedulerError
from gcodetool.queue import forecast_store
from gcodetool.queue.executors import Executor, SerialExecutor
from gcodetool.queue.findings import QueueFindings
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.full_forecast import fixed, forecast_in_full
from gcodetool.queue.job_list import JobList, Progress
from gcodetool.queue.reading import Unreadable, Wanted, read_all
from gcodetool.queue.rows import dryings_of, hints, rows_of
from gcodetool.queue.schedule import Schedule
from gcodetool.queue.search import MOST_EXHAUSTIVE, choose, open_jobs, replay
from gcodetool.queue.spool_steps import ForecastOptions
from gcodetool.queue.summary import JobSummary
from gcodetool.queue.tasks import Stock, mounted_spools, schedule_at_start, tasks_of, wanted_of

if TYPE_CHECKING:
    from gcodetool.moisture.snapshot import SnapshotStoreFor
    from gcodetool.moisture.state import State

MOST_MEMBERS: Final = 64  # for the choice
FEW_MEMBERS: Final = 16  # the same, where there are too many to try all
FEW_PIECES: Final = 64


def plan(
    job_list: JobList,
    stock: Stock,
    *,
    at_s: float,
    confidence: float = 0.5,
    members: int | None = None,
    holds: Mapping[str, int] | None = None,
    executor: Executor | None = None,
    folder: Path | None = None,
    shelf_of: "SnapshotStoreFor | None" = None,
    progress: Progress | None = None,
) -> QueueFindings:
    """Return what becomes of the jobs of *job_list* on the spools of *stock*.

    Parameters
    ----------
    at_s : the moment from which on jobs may run; records later than that do not count.
    confidence : quantile of the forecast that must hold, 0 to 1.
    members : of the full forecast; 1 = nominal parameters alone, None = 64 (1 where the kernels run interpreted).
    holds : dryers that may be used, and how many reels each takes; None: the list's, else those of the records,
        as many reels as these state (one).
    executor : who does the work; None: this process.
    folder : where jobs read and forecasts made before are kept; None: nowhere.
    shelf_of : where snapshots of spools lie; None: nowhere.
    progress : called with what is being done, how much is done and how much there is.

    Notes
    -----
    A stop at the keyboard, or a cluster that goes away, ends the work; what is finished by then is
    returned, marked as incomplete.
    """
    workers: Executor = SerialExecutor() if executor is None else executor
    count = _usual(stock) if members is None else members
    jobs, complete = _read_jobs(job_list, stock, workers, folder, progress)
    notes: list[str] = []
    mounted = mounted_spools(job_list, stock, at_s, notes)
    tasks = tasks_of(job_list, stock, jobs, mounted)
    options = ForecastOptions(at_s, confidence, min(count, MOST_MEMBERS), FEW_PIECES)
    by_digest = {task.job.digest: task.job for task in tasks}
    firsts: dict[tuple[str, int], State] = {}
    quick = ForecastMemo(
        stock.spools, by_digest, job_list.printers, options, firsts=firsts, shelf_of=shelf_of
    )
    start = schedule_at_start(quick, job_list, stock, holds, mounted, notes)
    if open_jobs(quick, tasks, start.holds) > MOST_EXHAUSTIVE:
        quick.options = replace(options, members=min(count, FEW_MEMBERS))
    full = ForecastMemo(
        stock.spools,
        by_digest,
        job_list.printers,
        replace(options, members=count, pieces=None, exposures=True),
        firsts=firsts,
        shelf_of=shelf_of,
    )
    search = "stopped before a plan was found"
    done: Schedule = start
    drier: dict[int, str] = {}
    forecast_store.load(folder, quick)
    forecast_store.load(folder, full)
    try:
        if complete:
            report = None if progress is None else lambda count: progress("choosing", count, None)
            found = choose(quick, start, tasks, progress=report)
            search = found.method
            done = found.schedule
            done, said = forecast_in_full(full, start, done, workers, progress, folder=folder)
            search += said
            drier = hints(full, done)
    except (KeyboardInterrupt, SchedulerError):
        complete = False
        workers.cancel()
        full.stopped = True
        again = replay(full, start, fixed(done.all()))
        done = start if again is None else again
    if job_list.requests and not any(request.printer for request in job_list.requests) and len(tasks) > 1:
        notes.append("no printer is named: the jobs are taken to run one after another on one machine")
    rows = rows_of(job_list, stock, jobs, done, instead=drier)
    dryings = dryings_of(full, done)
    forecast_store.save(folder, quick)
    forecast_store.save(folder, full)
    return QueueFindings(
        as_of_s=at_s,
        confidence=confidence,
        members=count,
        rows=tuple(rows),
        dryings=tuple(dryings),
        changes=done.changes,
        search=search,
        notes=tuple(notes),
        cautions=tuple(
            f"{name}: not on the shelf, its record cannot be read: {text}"
            for name, text in stock.broken.items()
        ),
        complete=complete,
    )


def _usual(stock: Stock) -> int:
    """Return how many members a forecast usually has; where there is no spool, none is made."""
    if not stock.spools:
        return 1
    from gcodetool.moisture.members import MEMBERS

    return MEMBERS


# ---------------------------------------------------------------- reading


def _read_jobs(
    job_list: JobList, stock: Stock, executor: Executor, folder: Path | None, progress: Progress | None
) -> tuple[dict[Wanted, JobSummary | Unreadable], bool]:
    """Return each file's job; False where the reading was stopped."""
    wanted = list(dict.fromkeys(wanted_of(request, job_list, stock) for request in job_list.requests))
    found: dict[Wanted, JobSummary | Unreadable] = {}
    tick = None if progress is None else lambda count: progress("reading", count, len(wanted))
    try:
        for at, job in read_all(wanted, executor, folder=folder, progress=tick):
            found[wanted[at]] = job
    except (KeyboardInterrupt, SchedulerError):
        executor.cancel()
        return found, False
    return found, True
