"""Who does the work: this process, processes beside it, or a Dask cluster.

``Executor.map_unordered(work, items)`` gives (index, result) as they come, in any order; each result is what
``work(item)`` returned.  A worker that dies loses nothing: its items are given out again, and one that
kills its worker twice gives a :class:`WorkerDied` in place of a result.  Left out: what the work is.
"""

import contextlib
import importlib
import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Generic, Protocol, TypeVar

import gcodetool
from gcodetool.errors import UsageError

if TYPE_CHECKING:
    from concurrent.futures import ProcessPoolExecutor
    from types import TracebackType

Item = TypeVar("Item")
Result = TypeVar("Result")

AHEAD: Final = 2  # items given to each worker before its last one is done
CONNECT_S: Final = 15.0


@dataclass(frozen=True)
class WorkerDied:
    """In place of a result: the worker died on this item, more than once."""


class Executor(Protocol):
    """Workers."""

    count: int
    shares_files: bool  # they see this machine's cache folder

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

    def __init__(self, count: int) -> None:
        self.count = count
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


class DaskExecutor(Generic[Item, Result]):
    """A Dask cluster that runs already; its workers must have this gcodetool and see the same files.

    Raises
    ------
    UsageError
        The ``farm`` extra is not installed, nobody answers at the address, or the workers run another version.
    """

    shares_files = False

    def __init__(self, address: str) -> None:
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
        self._check(address)

    def _check(self, address: str) -> None:
        try:
            found = self._client.run(_version)
        except Exception as error:
            self._client.close()
            raise UsageError(
                f"--scheduler '{address}': its workers cannot run gcodetool ({error}); install it there"
            ) from error
        if not found:
            self._client.close()
            raise UsageError(f"--scheduler '{address}' has no workers; start some: dask worker {address}")
        for worker, version in found.items():
            if version != gcodetool.__version__:
                self._client.close()
                raise UsageError(
                    f"--scheduler '{address}': worker {worker} has gcodetool {version}, "
                    f"this is {gcodetool.__version__}; install the same version"
                )
        self.count = len(found)

    def cancel(self) -> None:
        """Do nothing: what is not asked for any more, the scheduler drops itself."""

    def __enter__(self) -> "DaskExecutor[Item, Result]":
        return self

    def __exit__(self, *_: object) -> None:
        self._client.close()

    def map_unordered(
        self, work: Callable[[Item], Result], items: Sequence[Item]
    ) -> Iterator[tuple[int, Result | WorkerDied]]:
        """Yield the results as they come; the scheduler gives a dead worker's items out again."""
        waiting = iter(range(len(items)))
        coming = self._farm.as_completed(loop=self._client.loop)
        running: dict[Any, int] = {}

        def give() -> None:
            index = next(waiting, None)
            if index is not None:
                future = self._client.submit(work, items[index], pure=False)
                running[future.key] = index
                coming.add(future)

        for _ in range(max(self.count, 1) * AHEAD * 2):
            give()
        for future in coming:
            index = running.pop(future.key)
            try:
                result = future.result()
            except self._farm.KilledWorker:
                yield index, WorkerDied()
            else:
                yield index, result
            future.release()
            give()


def _version() -> str:
    return gcodetool.__version__
