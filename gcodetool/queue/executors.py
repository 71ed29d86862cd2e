"""Who does the work: this process, processes beside it, or a Dask cluster.

``Executor.map_unordered(work, items)`` gives (index, result) as they come, in any order; each result is what
``work(item)`` returned.  A worker that dies loses nothing: its items are given out again, and one that
kills its worker twice gives a :class:`WorkerDied` in place of a result.  Left out: what the work is.
"""

import contextlib
import importlib
import logging
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any, Final, Generic, NoReturn, Protocol, TypeVar

import gcodetool
from gcodetool.errors import SchedulerError, UsageError
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from concurrent.futures import ProcessPoolExecutor
    from types import TracebackType

Item = TypeVar("Item")
Result = TypeVar("Result")

AHEAD: Final = 2  # items given to each worker before its last one is done
CONNECT_S: Final = 15.0
CLOSE_S: Final = 5.0
LOOK_S: Final = 1.0  # how often a cluster that is silent is looked at
WAIT_S: Final = 60.0  # how long work waits for a worker where none is left,
WAIT: Final = "GCODETOOL_SCHEDULER_WAIT"  # the same, from outside: seconds


@dataclass(frozen=True)
class WorkerDied:
    """In place of a result: the worker died on this item, more than once."""


class Executor(Protocol):
    """Workers.

    Attributes
    ----------
    shares_files : they see this machine's cache folder.
    notes : what is to be said of them when the work is done.
    lost : why they are there no more.
    """

    count: int
    shares_files: bool
    notes: list[str]
    lost: str | None

    def map_unordered(
        self, work: Callable[[Item], Result], items: Sequence[Item]
    ) -> Iterator[tuple[int, Result | WorkerDied]]:
        """Yield (index, result) of every item, as they come."""

    def cancel(self) -> None:
        """Let go of whatever is being done."""


class SerialExecutor:
    """The calling process alone."""

    count = 1
    shares_files = True
    lost: str | None = None

    def __init__(self) -> None:
        self.notes: list[str] = []

    def map_unordered(
        self, work: Callable[[Item], Result], items: Sequence[Item]
    ) -> Iterator[tuple[int, Result | WorkerDied]]:
        """Yield the results in order."""
        for index, item in enumerate(items):
            yield index, work(item)

    def cancel(self) -> None:
        """Do nothing: what is being done is over."""

    def __enter__(self) -> "SerialExecutor":
        return self

    def __exit__(self, *_: object) -> None:
        return None


class ProcessExecutor:
    """Processes beside this one, started when there is work for them."""

    shares_files = True
    lost: str | None = None

    def __init__(self, count: int) -> None:
        self.count, self.notes = count, list[str]()
        self._pool: ProcessPoolExecutor | None = None

    def __enter__(self) -> "ProcessExecutor":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, _: BaseException | None, __: "TracebackType | None"
    ) -> None:
        self.close(now=kind is not None)

    def close(self, *, now: bool) -> None:
        """Let the processes go; *now*: whatever they are doing."""
        if self._pool is None:
            return
        running = list((self._pool._processes or {}).values()) if now else []
        self._pool.shutdown(wait=not now, cancel_futures=True)
        for process in running:
            process.terminate()
        self._pool = None

    def cancel(self) -> None:
        """End the processes."""
        self.close(now=True)

    def _open(self, count: int) -> "ProcessPoolExecutor":
        import multiprocessing
        from concurrent.futures import ProcessPoolExecutor

        # forking is quickest, and safe while this process has no other threads
        can_fork = "fork" in multiprocessing.get_all_start_methods() and threading.active_count() == 1
        context = multiprocessing.get_context("fork" if can_fork else "spawn")
        return ProcessPoolExecutor(count, mp_context=context, initializer=_begin)

    def map_unordered(
        self, work: Callable[[Item], Result], items: Sequence[Item]
    ) -> Iterator[tuple[int, Result | WorkerDied]]:
        """Yield the results as they come."""
        from concurrent.futures.process import BrokenProcessPool

        left = list(range(len(items)))
        try:
            if self._pool is None:
                self._pool = self._open(self.count)
            for index, result in _through(self._pool, self.count, work, items, tuple(left)):
                left.remove(index)
                yield index, result
        except BrokenProcessPool:
            self.close(now=True)
        for index in list(left):  # one by one, to find the one that kills
            yield index, self._alone(work, items[index])

    def _alone(self, work: Callable[[Item], Result], item: Item) -> "Result | WorkerDied":
        from concurrent.futures.process import BrokenProcessPool

        for _ in range(2):  # it may have been another's fault the first time
            if self._pool is None:
                self._pool = self._open(1)
            try:
                return self._pool.submit(work, item).result()
            except BrokenProcessPool:
                self.close(now=True)
        return WorkerDied()


def cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def beside(most: int) -> SerialExecutor | ProcessExecutor:
    """Return as many processes as there are cores, at most so many; this one alone where that is one."""
    count = min(cores(), most)
    return SerialExecutor() if count < 2 else ProcessExecutor(count)


def _through(
    pool: "ProcessPoolExecutor",
    workers: int,
    work: Callable[[Item], Result],
    items: Sequence[Item],
    wanted: Sequence[int],
) -> Iterator[tuple[int, Result]]:
    """Give out a few items at a time: results do not pile up, and a stop is quick."""
    from concurrent.futures import FIRST_COMPLETED, wait

    waiting = iter(wanted)
    running: dict[Any, int] = {}
    while True:
        while len(running) < workers * AHEAD:
            index = next(waiting, None)
            if index is None:
                break
            running[pool.submit(work, items[index])] = index
        if not running:
            return
        done, _ = wait(running, return_when=FIRST_COMPLETED)
        for future in done:
            yield running[future], future.result()
            del running[future]


def _begin() -> None:
    """Begin a worker: a stop at the keyboard is for the process that started it."""
    with contextlib.suppress(ValueError):
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


@dataclass(frozen=True)
class _OtherVersion:
    """In place of a result: who did not do it, as it runs another version of this tool."""

    worker: str
    version: str


class DaskExecutor(Generic[Item, Result]):
    """A Dask cluster that runs already; its workers must have this gcodetool and see the same files.

    Raises
    ------
    UsageError
        The ``farm`` extra is not installed, nobody answers at the address, or the workers run another version.
    """

    shares_files = False

    def __init__(self, address: str, tell: Callable[[str], None] = lambda _: None) -> None:
        self.address, self.notes, self._tell = address, list[str](), tell
        self.lost: str | None = None
        try:
            self._farm: Any = importlib.import_module("distributed")  # untyped calls
        except ImportError:
            raise UsageError(
                "--scheduler needs the 'farm' extra; install it: pip install 'gcodetool[farm]'"
            ) from None
        try:
            self._client: Any = self._farm.Client(address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError, TypeError) as error:
            raise UsageError(
                f"--scheduler '{address}': nobody answers there ({type(error).__name__}); "
                "start one with 'dask scheduler' and its workers, and write tcp://HOST:8786"
            ) from error
        _silence()
        try:
            self.count = self._check()
        except UsageError:
            self._client.close()
            raise

    def _check(self) -> int:
        """Return how many workers there are, all of this version."""
        where = f"--scheduler '{self.address}'"
        try:
            found = self._client.run(_version)
        except Exception as error:
            raise UsageError(
                f"{where}: its workers cannot run gcodetool ({error}); install it there"
            ) from error
        if not found:
            raise UsageError(f"{where} has no workers; start some: dask worker {self.address}")
        for worker, version in found.items():
            if version != gcodetool.__version__:
                raise UsageError(f"{where}: {_other(worker, version)}")
        return len(found)

    def cancel(self) -> None:
        """Do nothing: what is not asked for any more, the scheduler drops itself."""

    def __enter__(self) -> "DaskExecutor[Item, Result]":
        return self

    def __exit__(self, *_: object) -> None:
        self._client.close(timeout=CLOSE_S)

    def map_unordered(
        self, work: Callable[[Item], Result], items: Sequence[Item]
    ) -> Iterator[tuple[int, Result | WorkerDied]]:
        """Yield the results as they come; the scheduler gives a dead worker's items out again.

        Raises
        ------
        SchedulerError
            The scheduler went away, all workers did and none came back in time, or one of another version came.
        """
        waiting = iter(range(len(items)))
        done: SimpleQueue[Any] = SimpleQueue()
        running: dict[Any, int] = {}

        def give() -> None:
            index = next(waiting, None)
            if index is not None:
                future = self._client.submit(_guarded, gcodetool.__version__, work, items[index], pure=False)
                running[future.key] = index
                future.add_done_callback(done.put)

        try:
            for _ in range(max(self.count, 1) * AHEAD * 2):
                give()
            while running:
                future = self._next(done)
                result = self._result(future)
                yield running.pop(future.key), result
                future.release()
                give()
        except (OSError, CancelledError):
            self._end("the scheduler went away; start it again, or leave --scheduler out")

    def _next(self, done: "SimpleQueue[Any]") -> Any:
        while True:
            try:
                return done.get(timeout=LOOK_S)
            except Empty:
                self._look()

    def _result(self, future: Any) -> "Result | WorkerDied":
        """Return what became of an item; where its worker died with the result, what becomes of it elsewhere."""
        patience = LOOK_S
        while True:
            try:
                result = future.result(timeout=patience)
                break
            except self._farm.KilledWorker:
                return WorkerDied()
            except TimeoutError:
                if future.status == "error":
                    raise
                self._look()
                patience = min(2 * patience, CONNECT_S)  # a large result over a slow line
        if isinstance(result, _OtherVersion):
            self._end(_other(result.worker, result.version))
        return result  # type: ignore[no-any-return]

    def _look(self) -> None:
        """Return while there is somebody to do the work; where no worker is left, wait for one.

        Raises
        ------
        SchedulerError
            None came, or the scheduler is gone.
        """
        if self._workers():
            return
        wait_s = _number_from(WAIT, WAIT_S)
        self._tell(f"no worker is left at {self.address}; waiting {wait_s:g} s for one")
        end_s = time.monotonic() + wait_s
        while not self._workers():
            if time.monotonic() > end_s:
                self._end(f"no worker was left, and none came within {wait_s:g} s; start some, and try again")
            time.sleep(min(LOOK_S, 0.2))

    def _workers(self) -> int:
        if self._client.status != "running":
            raise ConnectionError(self.address)
        return len(self._client.nthreads())

    def _end(self, why: str) -> NoReturn:
        self.lost = f"--scheduler '{self.address}': {why}"
        raise SchedulerError(self.lost) from None


def _other(worker: str, version: str) -> str:
    here = gcodetool.__version__
    return f"worker {worker} has gcodetool {version}, this is {here}; install the same version"


def _silence() -> None:
    """Keep the farm's own log off stderr: what is wrong with the cluster is said once, in a line of ours."""
    for name in list(logging.root.manager.loggerDict):
        if name.split(".")[0] in ("distributed", "tornado"):
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)


def _number_from(variable: str, usual: float) -> float:
    try:
        return max(0.0, float(os.environ.get(variable, usual)))
    except ValueError:
        return usual


def _version() -> str:
    return gcodetool.__version__


def _guarded(version: str, work: Callable[[Item], Result], item: Item) -> "Result | _OtherVersion":
    """Do one piece of work, on a worker that joined since, too, if it is of the caller's version."""
    if gcodetool.__version__ == version:
        return work(item)
    farm: Any = importlib.import_module("distributed")
    return _OtherVersion(str(farm.get_worker().address), gcodetool.__version__)
