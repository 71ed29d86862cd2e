"""Files to jobs, many at once: from the cache, or read by whoever is there to do it.

One bad file is one :class:`Unreadable`; nothing that a file holds ends the others.  Left out: what a job
is (``summary``), where it is kept (``job_cache``), who reads (``executors``).
"""

import hashlib
import os
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Final

from gcodetool.errors import GcodetoolError
from gcodetool.gcode.source import glance
from gcodetool.profiles import Printer
from gcodetool.queue import job_cache
from gcodetool.queue.executors import Executor, WorkerDied
from gcodetool.queue.job_cache import decode, encode, jobs_in
from gcodetool.queue.summary import JobSummary, summarise
from gcodetool.quickdata import dataclass
from gcodetool.textfile import opened

BATCH_BYTES: Final = 8_000_000  # given to a worker at a time: less talk, and a stop is still quick
BATCH_FILES: Final = 16
UNSEEN: Final = 3  # files named that workers do not see
INLINE_BYTES: Final = 3_000_000  # less than this is read before workers have started


@dataclass(frozen=True)
class Wanted:
    """One file to read, for one machine."""

    path: Path
    printer: Printer | None = None
    diameters: tuple[tuple[int, float], ...] = ()


@dataclass(frozen=True)
class Unreadable:
    """What is wrong with a file, and what to do."""

    text: str


@dataclass(frozen=True)
class _ReadTask:
    """A file to read; workers may stand in another folder, so its path is absolute."""

    wanted: Wanted
    absolute: Path
    stamp: str
    folder: Path | None


@dataclass(frozen=True)
class _ReadResult:
    """What a worker returns: the encoded job, or what is wrong."""

    signature: job_cache.Signature | None = None
    at_ns: int = 0
    sha256: str = ""
    data: bytes = b""
    wrong: str | None = None
    kept: bool = False
    absent: bool = False  # the worker sees no such file


def read_all(
    wanted: Sequence[Wanted],
    executor: Executor,
    *,
    folder: Path | None,
    progress: Callable[[int], None] | None = None,
) -> Iterator[tuple[int, JobSummary | Unreadable]]:
    """Yield (index, job or what is wrong) for every file, as they come.

    Parameters
    ----------
    folder : of the cache; None: none.
    progress : called with the number of files done.
    """
    index, kept = job_cache.Index(folder), jobs_in(folder)
    stamps = job_cache.LimitStamps()
    tasks: dict[int, _ReadTask] = {}
    sizes: dict[int, int] = {}
    unseen: list[str] = []
    done = 0

    def tick() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(done)

    for number, each in enumerate(wanted):
        stamp = stamps.of(each.printer, each.diameters)
        size = 0
        try:
            now = job_cache.signature(each.path)
            size = now[0]
            known = index.digest(each.path, now)
        except OSError:
            known = None  # what is wrong with it, its reading will say
        job = None if known is None else decode(kept.get(job_cache.job_key(known, stamp)))
        if job is not None:
            tick()
            yield number, job
            continue
        tasks[number] = _ReadTask(
            each, each.path.absolute(), stamp, folder if executor.shares_files else None
        )
        sizes[number] = size
    try:
        for number, found in _worked(tasks, sizes, executor):
            task, read = tasks[number], found
            if found.absent and not executor.shares_files:
                read = _read(task)
                if not read.absent:
                    unseen.append(task.wanted.path.name)
            job = None if read.wrong is not None else decode(read.data)
            if job is not None:
                if not read.kept:
                    kept.put(job_cache.job_key(read.sha256, task.stamp), read.data)
                if read.signature is not None:
                    index.note(task.wanted.path, read.signature, read.sha256, at_ns=read.at_ns)
            tick()
            wrong = read.wrong or f"{task.wanted.path}: what the worker sent back is damaged; try again"
            yield number, job if job is not None else Unreadable(wrong)
    finally:
        index.save()
        if unseen:
            executor.notes.append(said_of_unseen(unseen))


def said_of_unseen(names: Sequence[str]) -> str:
    """Return what is to be said of files that workers do not see.

    >>> said_of_unseen(["a.gcode"])
    'workers do not see 1 file that is here (a.gcode): read by this process; share the folder under the same path'
    """
    listed = ", ".join(names[:UNSEEN]) + (", …" if len(names) > UNSEEN else "")
    files = "1 file that is" if len(names) == 1 else f"{len(names)} files that are"
    return f"workers do not see {files} here ({listed}): read by this process; share the folder under the same path"


def _worked(
    tasks: dict[int, _ReadTask], sizes: dict[int, int], executor: Executor
) -> Iterator[tuple[int, _ReadResult]]:
    """Yield (number, what came of it), the files handed out in batches."""
    if not tasks:
        return
    if sum(sizes.values()) < INLINE_BYTES and executor.shares_files:
        for number, task in tasks.items():
            yield number, _read(task)
        return
    batches = _batches(tasks, sizes)
    for at, results in executor.map_unordered(
        _read_batch, [[tasks[number] for number in batch] for batch in batches]
    ):
        if isinstance(results, WorkerDied):
            yield from _one_by_one(batches[at], tasks, executor)
        else:
            yield from zip(batches[at], results, strict=True)


def _one_by_one(
    batch: list[int], tasks: dict[int, _ReadTask], executor: Executor
) -> Iterator[tuple[int, _ReadResult]]:
    """Read the files of a batch that killed its worker: the others of it are not lost."""
    for number in batch:
        for _, results in executor.map_unordered(_read_batch, [[tasks[number]]]):
            if isinstance(results, WorkerDied):
                path = tasks[number].wanted.path
                yield (
                    number,
                    _ReadResult(
                        wrong=f"{path}: reading it ended the worker twice; look at its size and memory"
                    ),
                )
            else:
                yield number, results[0]


def _batches(tasks: dict[int, _ReadTask], sizes: dict[int, int]) -> list[list[int]]:
    """Return numbers in batches that are neither many nor large."""
    found: list[list[int]] = []
    held = 0
    for number in tasks:
        if not found or len(found[-1]) >= BATCH_FILES or held + sizes[number] > BATCH_BYTES:
            found.append([])
            held = 0
        found[-1].append(number)
        held += sizes[number]
    return found


def _read_batch(tasks: Sequence[_ReadTask]) -> list[_ReadResult]:
    return [_read(task) for task in tasks]


def _read(task: _ReadTask) -> _ReadResult:
    """Read one file, or say what is wrong with it."""
    given, path = task.wanted.path, task.absolute
    absent = not _seen(path)
    try:
        at_ns = time.time_ns()
        glance(path)  # what is no job is refused before all of it is hashed
        before = job_cache.signature(path)
        sha256 = _sha256(path)
        key = job_cache.job_key(sha256, task.stamp)
        kept = jobs_in(task.folder)
        job = decode(kept.get(key))
        if job is None:
            diameters = dict(task.wanted.diameters)
            job = summarise(path, printer=task.wanted.printer, diameters=diameters, sha256=sha256)
        if job_cache.signature(path) != before:
            return _ReadResult(wrong=f"{given}: changed while it was read; try again when the slicer is done")
        data = encode(job)
        kept.put(key, data)
        return _ReadResult(before, at_ns, sha256, data, kept=task.folder is not None)
    except GcodetoolError as error:
        wrong = " ".join(str(error).split("\n")).replace(str(path), str(given))
    except MemoryError:
        wrong = f"{given}: out of memory; check it alone with 'gcodetool check'"
    except OSError as error:
        wrong = f"{given}: {error.strerror or error}; check the path and its permissions"
    except Exception as error:  # one row, and the others stand
        wrong = f"{given}: a fault in gcodetool itself: {type(error).__name__}: {error}; please report it"
    return _ReadResult(wrong=wrong, absent=absent)


def _seen(path: Path) -> bool:
    try:
        path.stat()
    except OSError:
        return False
    return os.access(path, os.R_OK)


def _sha256(path: Path) -> str:
    with opened(path) as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
