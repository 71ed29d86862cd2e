"""A cluster that goes away, in part or whole: real schedulers and workers, killed for real."""

import contextlib
import json
import os
import pathlib
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator

import pytest
from queue_workers import squared
from queue_world import AT, job, spool

from gcodetool.cli import progress as progress_module
from gcodetool.cli.main import outcome
from gcodetool.errors import SchedulerError, UsageError
from gcodetool.queue import executors, reading

distributed = pytest.importorskip("distributed", reason="the 'farm' extra")
pytestmark = pytest.mark.filterwarnings("default")  # the farm's own are not ours to mend
OLDER = "import gcodetool\ngcodetool.__version__ = '0.0.9'\n"


class Cluster:
    """A scheduler and workers, each a process of its own."""

    def __init__(self, folder: pathlib.Path) -> None:
        self.folder = folder
        self.processes: list[subprocess.Popen[bytes]] = []
        known = folder / "scheduler.json"
        self.scheduler = self._start("scheduler", "--port", "0", "--scheduler-file", str(known))
        text = self._wait(lambda: known.read_text() if known.exists() else "", r'"address": "(\S+)"')
        self.address = text[1]

    def _start(self, what: str, *words: str) -> "subprocess.Popen[bytes]":
        command = [sys.executable, "-m", f"distributed.cli.dask_{what}", *words, "--host", "127.0.0.1"]
        log = (self.folder / f"{what}-{len(self.processes)}.log").open("wb")
        paths = os.pathsep.join([str(pathlib.Path(__file__).parent), *filter(None, sys.path)])
        process = subprocess.Popen(
            [*command, "--no-dashboard"],
            stdout=log,
            stderr=log,
            cwd="/",
            env={**os.environ, "PYTHONPATH": paths},
        )
        log.close()
        self.processes.append(process)
        return process

    def _wait(self, ask: Callable[[], str], sign: str) -> "re.Match[str]":
        end_s = time.monotonic() + 60
        while time.monotonic() < end_s:
            if found := re.search(sign, ask()):
                return found
            time.sleep(0.05)
        raise AssertionError(f"{sign} never came: {ask()}")

    def worker(self, *words: str) -> "subprocess.Popen[bytes]":
        """Start a worker, and wait until the scheduler knows it."""
        local = self.folder / f"space-{len(self.processes)}"
        local.mkdir()
        log = self.folder / f"worker-{len(self.processes)}.log"
        process = self._start(
            "worker",
            *(self.address, "--nthreads", "1", "--no-nanny", "--local-directory", str(local), *words),
        )
        self._wait(log.read_text, r"Registered to:")
        return process

    def end_workers(self) -> None:
        for process in self.processes[1:]:
            process.kill()
            process.wait()
        with distributed.Client(self.address, set_as_default=False) as client:
            self._wait(lambda: f"{len(client.nthreads())} workers", r"^0 workers")

    def end(self) -> None:
        for process in self.processes:
            process.kill()
            process.wait()


@contextlib.contextmanager
def running(folder: pathlib.Path) -> Iterator[Cluster]:
    with contextlib.ExitStack() as stack:
        found = Cluster(folder)
        stack.callback(found.end)
        yield found


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    with running(tmp_path_factory.mktemp("cluster")) as found:
        yield found


@pytest.fixture
def cluster(scheduler: Cluster) -> Iterator[Cluster]:
    """Give a cluster without workers; its scheduler is everybody's."""
    yield scheduler
    scheduler.end_workers()


@pytest.fixture
def mortal(tmp_path: pathlib.Path) -> Iterator[Cluster]:
    """Give a cluster whose scheduler may be killed."""
    (tmp_path / "cluster").mkdir()
    with running(tmp_path / "cluster") as found:
        yield found


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GCODETOOL_CACHE", "")
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "no-ledger.sqlite"))
    monkeypatch.setattr(reading, "BATCH_FILES", 1)


def jobs(folder: pathlib.Path, count: int) -> pathlib.Path:
    made = folder / "jobs"
    made.mkdir()
    for number in range(count):
        job(made, f"part-{number:02}.gcode", layers=30)
    return made


def at_count(
    count: int, what: str, deed: Callable[[], None], monkeypatch: pytest.MonkeyPatch
) -> Callable[[], bool]:
    """Let *deed* happen when so much of the work is done; return whether it did."""
    done: list[int] = []

    def told(doing: str, number: int, _: int | None) -> None:
        if doing == what and number >= count and not done:
            done.append(number)
            deed()

    @contextlib.contextmanager
    def watched(**_: object) -> Iterator[object]:
        yield told

    monkeypatch.setattr(progress_module, "watched", watched)
    return lambda: bool(done)


def test_a_scheduler_that_dies_leaves_one_line_and_what_is_finished(
    mortal: Cluster,
    tmp_path: pathlib.Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    mortal.worker()
    folder = jobs(tmp_path, 40)
    happened = at_count(3, "reading", mortal.scheduler.kill, monkeypatch)
    code = outcome(["queue", str(folder), "--at", AT, "--members", "2", "--scheduler", mortal.address])
    shown = capfd.readouterr()
    assert happened()
    assert code == 1
    assert shown.err.count("\n") == 1, shown.err
    assert re.match(
        r"gcodetool: --scheduler '\S+': the scheduler went away.*; \d+ of 40 jobs were finished", shown.err
    )
    assert "part-00" in shown.out
    assert "stopped early" in shown.out


def test_a_scheduler_that_dies_while_forecasting_leaves_the_plan(
    mortal: Cluster,
    tmp_path: pathlib.Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    mortal.worker()
    folder = jobs(tmp_path, 4)
    (tmp_path / "shelf").mkdir()
    for name in ("petg-03", "petg-04"):
        spool(tmp_path / "shelf", name, place="bench-1")
    happened = at_count(0, "forecasting", mortal.scheduler.kill, monkeypatch)
    words = ["queue", str(folder), "--shelf", str(tmp_path / "shelf"), "--at", AT, "--printer", "bench-1"]
    code = outcome([*words, "--scheduler", mortal.address])
    shown = capfd.readouterr()
    assert happened(), shown
    assert code == 1
    assert "the scheduler went away" in shown.err
    assert "Traceback" not in shown.err
    assert "part-00" in shown.out


def test_no_worker_left_is_waited_for_with_a_word_and_then_said(
    cluster: Cluster,
    tmp_path: pathlib.Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    worker = cluster.worker()
    folder = jobs(tmp_path, 40)
    monkeypatch.setenv("GCODETOOL_SCHEDULER_WAIT", "1.5")
    happened = at_count(3, "reading", worker.kill, monkeypatch)
    code = outcome(["queue", str(folder), "--at", AT, "--members", "2", "--scheduler", cluster.address])
    shown = capfd.readouterr()
    assert happened()
    assert code == 1
    lines = shown.err.splitlines()
    assert lines[0] == f"gcodetool: no worker is left at {cluster.address}; waiting 1.5 s for one"
    assert re.search(
        r"none came within 1.5 s; start some, and try again; \d+ of 40 jobs were finished", lines[1]
    )
    assert len(lines) == 2
    assert "part-00" in shown.out


def test_a_worker_that_comes_in_time_goes_on(cluster: Cluster, monkeypatch: pytest.MonkeyPatch) -> None:
    worker = cluster.worker()
    monkeypatch.setenv("GCODETOOL_SCHEDULER_WAIT", "60")
    said: list[str] = []

    def tell(text: str) -> None:
        said.append(text)
        cluster.worker()

    with executors.DaskExecutor[int, int](cluster.address, tell) as farm:
        found = {}
        for index, result in farm.map_unordered(squared, range(200)):
            found[index] = result
            if len(found) == 5:
                worker.kill()
                worker.wait()
    assert found == {number: number * number for number in range(200)}
    assert len(said) == 1


def test_a_worker_of_another_version_is_refused_by_name(cluster: Cluster, tmp_path: pathlib.Path) -> None:
    older = tmp_path / "older.py"
    older.write_text(OLDER)
    words = r"worker tcp://127\.0\.0\.1:\d+ has gcodetool 0\.0\.9, this is \S+; install the same version"
    first = cluster.worker()
    with executors.DaskExecutor[int, int](cluster.address) as farm:
        results = farm.map_unordered(squared, range(2000))
        next(results)
        cluster.worker("--preload", str(older))  # it joins when the work has begun
        with pytest.raises(SchedulerError, match=words):
            list(results)
        assert farm.lost is not None
    with pytest.raises(UsageError, match=words):
        executors.DaskExecutor(cluster.address)
    first.kill()


@pytest.mark.skipif(
    not pathlib.Path("/proc/self/cwd").exists(), reason="a path that each process sees otherwise"
)
def test_files_that_workers_do_not_see_are_named_once(
    cluster: Cluster,
    tmp_path: pathlib.Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    jobs(tmp_path, 5)
    monkeypatch.chdir(tmp_path)
    cluster.worker()  # whose own folder is another
    words = ["queue", "/proc/self/cwd/jobs", "--at", AT, "--members", "2", "--json"]
    assert outcome([*words, "--processes", "1"]) == 30
    local = capfd.readouterr().out
    assert outcome([*words, "--scheduler", cluster.address]) == 30
    farm = capfd.readouterr().out
    told = [line for line in farm.splitlines() if "workers do not see 5 files" in line]
    assert len(told) == 1
    assert "part-00.gcode, part-01.gcode, part-02.gcode, " in told[0]
    assert json.loads(farm)["jobs"] == json.loads(local)["jobs"]
