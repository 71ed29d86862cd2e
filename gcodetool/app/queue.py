"""``queue``: many jobs against the shelf."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gcodetool.app.resolve import Moment, clock, find_printer, snapshots_of
from gcodetool.errors import GcodetoolError, UsageError
from gcodetool.ledger import location
from gcodetool.queue import answer_store, executors, job_cache, job_list
from gcodetool.queue.answer_store import Question
from gcodetool.queue.begun import read_plan
from gcodetool.queue.choice import TIME_LIMIT_S
from gcodetool.queue.plan import plan
from gcodetool.queue.presence import presence_of
from gcodetool.queue.tasks import Stock

if TYPE_CHECKING:
    from gcodetool.moisture.record import AirLog, Spool
    from gcodetool.queue.executors import DaskExecutor, ProcessExecutor, SerialExecutor
    from gcodetool.queue.findings import QueueFindings
    from gcodetool.queue.job_list import JobList, Progress, QueuePrinter


def queue_plan(
    jobs: Sequence[str | Path],
    *,
    shelf: Sequence[str | Path] = (),
    printer: str | None = None,
    dryers: Mapping[str, int] | None = None,
    present: Sequence[str] = (),
    assume_mounted: bool = False,
    at: Moment = None,
    confidence: float = 0.5,
    members: int | None = None,
    limit_s: float = TIME_LIMIT_S,
    ledger: str | None = None,
    from_now: str | Path | None = None,
    not_started: Sequence[int] = (),
    processes: int | None = None,
    scheduler: str | None = None,
    progress: "Progress | None" = None,
    tell: Callable[[str], None] = lambda _: None,
) -> "QueueFindings":
    """Return which of many jobs can run when, on which spool, and what to dry for them.

    Parameters
    ----------
    jobs : sliced files, folders of them, or one list alone.
    shelf : spool files, or folders of them; none: the list's, else the ledger's spools.
    printer : for jobs that name none.
    dryers : how many reels each takes; None: the list's, else those of the records; empty: no drying.
    present : hours in which somebody is there, as ``Mon-Fri 07:30-18:00``; none: the list's, else always.
    assume_mounted : a job whose filament nobody named is fed from the spool on its printer; else it is asked for.
    at : when the first job may start; None: now.
    confidence, members, ledger : as for a check.
    from_now : JSON of an earlier call: what it began by *at* stays, the rest is planned anew.
    not_started : numbers of its jobs that were to begin by then and did not.
    limit_s : seconds after which the choice takes the best plan so far.
    processes, scheduler : how many processes (as many as cores), or the address of a Dask cluster.
    progress : is told how far the work is.
    tell : is told, in words, what the work has to wait for.

    Raises
    ------
    UsageError
        Names that are none, or arguments that do not fit together.
    QueueError
        The list, or the earlier plan, cannot be read.
    LedgerError
        A ledger that was named cannot be used.
    """
    if scheduler is not None and processes is not None:
        raise UsageError("--scheduler and --processes cannot be used together; leave one out")
    wanted, told = listed([Path(each) for each in jobs], printer, ledger, alone=not shelf)
    if present:
        wanted = replace(wanted, presence=presence_of(present))
    stock, more_notes = stock_of([Path(each) for each in shelf] or wanted.shelf, ledger, wanted)
    if not_started and from_now is None:
        raise UsageError("--not-started is about a plan that was begun; name it with --from-now")
    at_s = clock(at)
    earlier = None if from_now is None else read_plan(Path(from_now), at_s, not_started)
    given = None if dryers is None else dict(dryers)
    folder, question = job_cache.user_folder(), None
    if at is not None:  # who asks about this moment will not ask about it again
        more = (at_s, confidence, members, given, assume_mounted, limit_s, earlier, processes, scheduler)
        question = Question(wanted, stock, more)
        kept = answer_store.load(folder, question)
        if kept is not None:
            return replace(kept, notes=(*told, *more_notes, *kept.notes))
    with executor_of(scheduler, processes, tell) as workers:
        found = plan(
            wanted,
            stock,
            at_s=at_s,
            confidence=confidence,
            members=members,
            holds=given,
            assume_mounted=assume_mounted,
            limit_s=limit_s,
            executor=workers,
            folder=folder,
            shelf_of=snapshots_of(ledger) if stock.spools else None,
            progress=progress,
            earlier=earlier,
        )
    if question is not None:
        answer_store.save(folder, question, found)
    lost = [] if workers.lost is None else [workers.lost]
    return replace(found, notes=(*told, *more_notes, *found.notes, *workers.notes, *lost), lost=workers.lost)


def listed(
    jobs: Sequence[Path], printer: str | None, ledger: str | None, *, alone: bool = False
) -> "tuple[JobList, tuple[str, ...]]":
    """Return what is asked for, and what is worth telling; *alone*: a single printer of the ledger needs no naming.

    Raises
    ------
    UsageError
        A list beside other words.
    """
    notes: list[str] = []

    def find(word: str) -> "QueuePrinter":
        machine = find_printer(word, ledger=ledger)
        notes.extend(machine.notes)
        return job_list.QueuePrinter(machine.profile, machine.places)

    lists = [path for path in jobs if job_list.is_list(path)]
    if lists and len(jobs) > 1:
        raise UsageError(f"{lists[0]}: a job list must be the only file; put the other jobs into it")
    if lists:
        return job_list.read_list(lists[0], printer=printer, find=find), tuple(dict.fromkeys(notes))
    if printer is None and alone:
        only = find_printer(None, ledger=ledger, alone=True)
        notes.extend(only.notes)
        printer = next(iter(only.places), None)
    found = job_list.from_paths(jobs, printer=printer, find=find)
    return found, tuple(dict.fromkeys(notes))


def stock_of(paths: Sequence[Path], ledger: str | None, job_list: "JobList") -> tuple[Stock, tuple[str, ...]]:
    """Return the spools at hand: of files and folders, else of the ledger; a broken record is left out and said.

    Raises
    ------
    UsageError
        A shelf that is not there, or holds no spool file.
    """
    if not paths:
        return of_ledger(ledger, job_list)
    from gcodetool.ledger.spoolfile import read_spool
    from gcodetool.moisture.neighbours import together

    spools: dict[str, Spool] = {}
    broken: dict[str, str] = {}
    for path in paths:
        if not path.exists():
            raise UsageError(f"--shelf '{path}': no such file or folder; correct the path")
        files = sorted(each for each in path.iterdir() if each.suffix == ".toml") if path.is_dir() else [path]
        if not files:
            raise UsageError(f"--shelf '{path}': no spool file in this folder; name another")
        for file in files:
            try:
                spool = read_spool(file)
            except GcodetoolError as error:
                broken[file.stem] = str(error)
                continue
            if spool.id in spools:
                broken[file.stem] = f"{file}: a second spool '{spool.id}'; {spools[spool.id].source} counts"
                continue
            spools[spool.id] = spool
    return Stock(together(spools), broken), ()


def of_ledger(ledger: str | None, job_list: "JobList") -> tuple[Stock, tuple[str, ...]]:
    """Return the ledger's spools, each with the printers and dryers that the queue may use; none without one."""
    if ledger is None and not location.exists(None):
        return Stock({}), ()
    from gcodetool.ledger import records, store
    from gcodetool.ledger.neighbours import meetings, with_neighbours

    try:
        with store.reading(store.open_ledger(ledger, make=False)) as conn:
            places, known = records.places(conn), records.spools(conn)
            also = {name for machine in job_list.printers.values() for name in machine.places}
            also |= {name for name, place in places.items() if place.kind == "dryer"}
            also |= feed_places(job_list) & set(places)
            spools: dict[str, Spool] = {}
            broken: dict[str, str] = {}
            met = meetings(conn, places)
            airs: dict[str, AirLog | None] = {}
            for name, entry in known.items():
                if entry.retired:
                    continue
                try:
                    spool = records.spool_from(conn, entry, places, airs=airs, also=tuple(sorted(also)))
                    spools[name] = with_neighbours(conn, spool, places, met=met, airs=airs)
                except GcodetoolError as error:
                    broken[name] = str(error)
            return Stock(spools, broken), ()
    except GcodetoolError as error:
        if ledger is not None:
            raise
        return Stock({}), (f"note: the ledger was not read: {error}",)


def feed_places(job_list: "JobList") -> set[str]:
    """Return the boxes that printers may be fed from, by their profiles."""
    profiles = (machine.profile for machine in job_list.printers.values())
    return {name for profile in profiles if profile is not None for name in profile.feed_places}


def executor_of(
    scheduler: str | None, processes: int | None, tell: Callable[[str], None]
) -> "SerialExecutor | ProcessExecutor | DaskExecutor[Any, Any]":
    """Return who does the work."""
    if scheduler is not None:
        return executors.DaskExecutor(scheduler, tell)
    count = processes or executors.cores()
    return executors.SerialExecutor() if count == 1 else executors.ProcessExecutor(count)
