"""A queue put together: files are read, spools assigned, plans tried, and the best one forecast in full.

``plan`` is the whole of it.  The choice is made on a few dozen pieces of each job, in long queues also on few
members; what is shown is the same plan with every member and every layer, computed spool by spool by
whoever is there to do it.  Nothing here reads a clock.  Left out: where the spools come from, and printing
(``cli``, ``report``).
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from gcodetool.errors import SchedulerError
from gcodetool.queue import choice, explain, forecast_store
from gcodetool.queue.begun import NOTHING_BEGUN, BegunPlan, resumed, taken_up, told_of
from gcodetool.queue.choice import MOST_EXHAUSTIVE, TIME_LIMIT_S, Incumbent, SearchResult, choose, gain_words
from gcodetool.queue.executors import Executor, SerialExecutor
from gcodetool.queue.findings import JobRow, QueueFindings
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.full_forecast import expected_s, forecast_in_full
from gcodetool.queue.groups import groups_of, in_groups
from gcodetool.queue.handoffs import handoffs_of
from gcodetool.queue.job_list import JobList, Progress
from gcodetool.queue.presence import Presence
from gcodetool.queue.reading import Unreadable, Wanted, read_all
from gcodetool.queue.rows import Told, dryings_of, rows_of, waits_of
from gcodetool.queue.schedule import Schedule, Task
from gcodetool.queue.search import open_jobs
from gcodetool.queue.spool_steps import ForecastOptions
from gcodetool.queue.summary import JobSummary
from gcodetool.queue.tasks import Stock, every_wanted, mounted_spools, schedule_at_start, tasks_of

if TYPE_CHECKING:
    from gcodetool.moisture.snapshot import SnapshotStoreFor
    from gcodetool.moisture.state import State

MOST_MEMBERS: Final = 64  # for the choice
FEW_MEMBERS: Final = 16  # the same, where there are too many to try all
FEW_PIECES: Final = 64
LAST_S: Final = 3.0  # for what is being tried when the time of the choice is over


def plan(
    job_list: JobList,
    stock: Stock,
    *,
    at_s: float,
    confidence: float = 0.5,
    members: int | None = None,
    holds: Mapping[str, int] | None = None,
    assume_mounted: bool = False,
    limit_s: float = TIME_LIMIT_S,
    executor: Executor | None = None,
    folder: Path | None = None,
    shelf_of: "SnapshotStoreFor | None" = None,
    progress: Progress | None = None,
    earlier: BegunPlan | None = None,
) -> QueueFindings:
    """Return what becomes of the jobs of *job_list* on the spools of *stock*.

    Parameters
    ----------
    at_s : the moment from which on jobs may run; records later than that do not count.
    confidence : quantile of the forecast that must hold, 0 to 1.
    members : of the full forecast; 1 = nominal parameters alone, None = 64.
    holds : dryers that may be used, and how many reels each takes; None: the list's, else those of the records,
        as many reels as these state (one).
    assume_mounted : a job whose filament nobody named is fed from the spool on its printer; else it is asked for.
    limit_s : seconds after which the choice takes the best plan so far; in longer queues less, by what the full
        forecast will take.
    executor : who does the work; None: this process.
    folder : where jobs read and forecasts made before are kept; None: nowhere.
    shelf_of : where snapshots of spools lie; None: nowhere.
    progress : called with what is being done, how much is done and how much there is.
    earlier : a plan that was begun: what it began stays, the rest is planned anew.

    Raises
    ------
    UsageError
        What the earlier plan began is not in the list, or not on the shelf.

    Notes
    -----
    A stop at the keyboard, or a cluster that goes away, ends the work; what is finished by then is returned, marked
    as incomplete: once a plan is found that is the best so far, forecast as the choice does.
    """
    workers: Executor = SerialExecutor() if executor is None else executor
    count = _usual(stock) if members is None else members
    jobs, complete = _read_jobs(job_list, stock, workers, folder, progress)
    notes: list[str] = []
    mounted = mounted_spools(job_list, stock, at_s, notes)
    tasks = tasks_of(job_list, stock, jobs, mounted, assume_mounted=assume_mounted)
    options = ForecastOptions(at_s, confidence, min(count, MOST_MEMBERS), FEW_PIECES)
    by_digest = jobs_of(tasks)
    firsts: dict[tuple[str, int], State] = {}
    quick = ForecastMemo(
        stock.spools, by_digest, job_list.printers, options, firsts=firsts, shelf_of=shelf_of
    )
    start = schedule_at_start(quick, job_list, stock, holds, mounted, notes)
    begun = NOTHING_BEGUN
    if earlier is not None:
        begun = taken_up(earlier, tasks, stock.spools, start)
        start, quick.pasts = resumed(start, begun), begun.pasts
        tasks = [task for task in tasks if task.number not in begun.numbers]
        notes += told_of(begun)
    if open_jobs(quick, tasks, start) > MOST_EXHAUSTIVE:
        quick.options = replace(options, members=min(count, FEW_MEMBERS))
    full = ForecastMemo(
        stock.spools,
        by_digest,
        job_list.printers,
        replace(options, members=count, pieces=None, exposures=True),
        firsts=firsts,
        shelf_of=shelf_of,
        pasts=begun.pasts,
    )
    search = "stopped before a plan was found"
    done: Schedule = start
    told = Told()
    best = Incumbent()
    result: SearchResult | None = None
    forecast_store.load(folder, quick)
    forecast_store.load(folder, full)
    try:
        if complete:
            report = None if progress is None else lambda count: progress("choosing", count, None)
            begin_s, kept_s = choice.clock_s(), 0.0
            if open_jobs(quick, tasks, start) > MOST_EXHAUSTIVE:
                kept_s = min(limit_s / 2, LAST_S + expected_s(full, tasks, choice.clock_s))

            def chosen(
                start: Schedule, jobs: Sequence[Task], limit_s: float, best: Incumbent
            ) -> SearchResult:
                return choose(
                    quick,
                    start,
                    jobs,
                    progress=report,
                    executor=workers,
                    tell=progress,
                    free=job_list.free_order,
                    limit_s=limit_s,
                    incumbent=best,
                )

            groups = groups_of(tasks)
            if len(groups) > 1:
                result = in_groups(quick, start, groups, chosen, limit_s=limit_s - kept_s, incumbent=best)
            else:
                result = chosen(start, tasks, limit_s - kept_s, best)
            search = result.method
            done = result.schedule
            done, said = forecast_in_full(
                quick,
                full,
                start,
                done,
                workers,
                progress,
                folder=folder,
                next_best=result.next_best,
                enough=lambda: choice.clock_s() > begin_s + limit_s - kept_s,
                late=lambda: choice.clock_s() > begin_s + limit_s - LAST_S / 2,
            )
            search += said
            told, more = _told(quick, full, start, done)
            notes += more
    except (KeyboardInterrupt, SchedulerError):
        complete = False
        workers.cancel()
        if best.best is not None:
            done, search = best.best, "stopped: the best plan so far, forecast as for the choice"
    if job_list.requests and not any(request.printer for request in job_list.requests) and len(tasks) > 1:
        notes.append("no printer is named: the jobs are taken to run one after another on one machine")
    if result is not None and result.by_due is not None:
        notes.append(f"by due time instead of the list's order: {gain_words(result.schedule, result.by_due)}")
    rows = rows_of(job_list, stock, jobs, done, told=told, begun=begun)
    dryings = sorted((*begun.dryings, *dryings_of(full, done, told)), key=lambda each: each.in_s)
    waits = sorted((*begun.waits, *waits_of(full, done)), key=lambda each: each.in_s)
    forecast_store.save(folder, quick)
    forecast_store.save(folder, full)
    return QueueFindings(
        as_of_s=at_s,
        confidence=confidence,
        members=count,
        rows=tuple(rows),
        dryings=tuple(dryings),
        waits=tuple(waits),
        made_room=begun.made_room,
        changes=done.changes,
        search=search,
        notes=tuple(notes),
        cautions=tuple(
            f"{name}: not on the shelf, its record cannot be read: {text}"
            for name, text in stock.broken.items()
        ),
        complete=complete,
        handoffs=tuple(handoffs_of(done, begun)),
        present=job_list.presence.words,
        presence=_stretches(job_list.presence, at_s, rows),
        heat_s=done.cost.heat_s,
        free_order=job_list.free_order,
        at_most=_at_most(tasks, rows, result),
        exact=result is not None and result.exact and _held(done, result.schedule),
        rough=not complete and best.best is not None,
        begun_s=begun.since_s,
    )


def _held(done: Schedule, chosen: Schedule) -> bool:
    """Return whether a plan is the chosen one, and the full forecast judges it as the choice did."""
    given = [[(each.task.printer, each.assignments) for each in plan.all()] for plan in (done, chosen)]
    return given[0] == given[1] and done.cost.missed == chosen.cost.missed


def _at_most(tasks: Sequence[Task], rows: Sequence[JobRow], result: SearchResult | None) -> int | None:
    """Return how many jobs can make it at most, by their priorities; None: nothing was proven.

    Never less than what the plan, forecast in full, reaches.
    """
    if result is None or result.at_most is None:
        return None
    begun = sum(row.priority for row in rows if row.met and row.progress is not None)
    return max(result.at_most + begun, sum(row.priority for row in rows if row.met))


def jobs_of(tasks: Sequence[Task]) -> dict[str, JobSummary]:
    """Return the jobs on every printer that they may go to, by digest."""
    return {variant.job.digest: variant.job for task in tasks for variant in task.variants}


def _told(quick: ForecastMemo, full: ForecastMemo, start: Schedule, done: Schedule) -> tuple[Told, list[str]]:
    """Return what is said of the jobs, and of the plan as a whole."""
    spoils: dict[int, list[str]] = {}
    for number, caution in explain.spoiled(full, done):
        spoils.setdefault(number, []).append(caution)
    instead, helped = explain.hints(quick, full, done)
    told = Told(
        explain.reasons(quick, done),
        explain.bottlenecks(quick, start, done, helped),
        instead,
        spoils,
        explain.others_without(quick, start, done),
    )
    return told, list(dict.fromkeys(explain.dried_again(full, done)))


def _stretches(presence: Presence, at_s: float, rows: Sequence[JobRow]) -> tuple[tuple[float, float], ...]:
    """Return the stretches in which somebody is there, as far as the plan goes."""
    if not presence.windows:
        return ()
    last_s = max((row.end_s for row in rows if row.end_s is not None), default=at_s)
    return tuple(span for span in presence.spans(at_s) if span[0] <= presence.next_s(last_s))


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
    wanted = every_wanted(job_list, stock)
    found: dict[Wanted, JobSummary | Unreadable] = {}
    tick = None if progress is None else lambda count: progress("reading", count, len(wanted))
    try:
        for at, job in read_all(wanted, executor, folder=folder, progress=tick):
            found[wanted[at]] = job
    except (KeyboardInterrupt, SchedulerError):
        executor.cancel()
        return found, False
    return found, True
