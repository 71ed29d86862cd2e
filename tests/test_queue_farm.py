"""The queue on other executors: processes and a Dask cluster give the same bytes, and a dead worker loses nothing."""

import os
import signal

import pytest
from queue_workers import deadly, deadly_once, squared
from queue_world import AT, NOW, job, spool, stock, story

from gcodetool.cli.main import outcome
from gcodetool.errors import UsageError
from gcodetool.queue import executors, plan, reading
from gcodetool.queue.job_list import from_paths
from gcodetool.report.queue_json import to_json

distributed = pytest.importorskip("distributed", reason="the 'farm' extra")
pytestmark = pytest.mark.filterwarnings("default")  # the farm's own are not ours to mend


@pytest.fixture(scope="module")
def address():
    """Start a cluster of two workers."""
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0", silence_logs=50
    ) as cluster:
        yield cluster.scheduler_address


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GCODETOOL_CACHE", "")
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "no-ledger.sqlite"))


def test_a_cluster_and_this_machine_give_the_same_bytes(tmp_path, capsys, address) -> None:
    story(tmp_path)
    with (tmp_path / "tonight.toml").open("a") as file:
        file.write('[[job]]\nfile = "absent.gcode"\n[[job]]\nfile = "tonight.toml"\n')
    words = ["queue", "tonight.toml", "--json", "--at", AT, "--members", "2"]
    codes = [outcome([*words, "--processes", "1"])]
    local = capsys.readouterr().out
    codes.append(outcome([*words, "--scheduler", address]))
    assert capsys.readouterr().out == local
    assert codes == [1, 1]
    assert '"verdict": "clear"' in local or '"verdict": "adjust"' in local


def test_a_worker_killed_in_mid_run_loses_nothing(tmp_path, address, monkeypatch) -> None:
    monkeypatch.setattr(reading, "BATCH_FILES", 1)
    for number in range(24):
        job(tmp_path, f"part-{number:02}.gcode", layers=30)
    spool(tmp_path, "petg-03", place="bench-1")
    spool(tmp_path, "petg-04", place="bench")
    job_list, spools = from_paths([tmp_path], printer="bench-1"), stock(tmp_path)
    local = to_json(plan.plan(job_list, spools, at_s=NOW))
    killed = []

    with executors.DaskExecutor(address) as cluster:
        workers = cluster._client.run(os.getpid)

        def progress(what: str, count: int, _total: int | None) -> None:
            if what == "reading" and count == 4 and not killed:
                killed.append(next(iter(workers.values())))
                os.kill(killed[0], signal.SIGKILL)

        farm = to_json(plan.plan(job_list, spools, at_s=NOW, executor=cluster, progress=progress))
    assert killed
    assert farm == local


def test_work_given_out_again_comes_back_once(tmp_path) -> None:
    items = [(number, str(tmp_path / "mark")) for number in range(20)]
    with executors.ProcessExecutor(2) as processes:
        got = list(processes.map_unordered(deadly_once, items))
    assert sorted(got) == [(number, number * number) for number in range(20)]


def test_what_kills_its_worker_every_time_is_one_bad_row() -> None:
    with executors.ProcessExecutor(2) as processes:
        got = dict(processes.map_unordered(deadly, list(range(12))))
        again = dict(processes.map_unordered(squared, [1, 2]))
    assert got.pop(7) == executors.WorkerDied()
    assert got == {number: number * number for number in range(12) if number != 7}
    assert again == {0: 1, 1: 4}


def test_nobody_at_the_address_is_one_line(monkeypatch) -> None:
    monkeypatch.setattr(executors, "CONNECT_S", 0.5)
    with pytest.raises(UsageError, match="nobody answers there"):
        executors.DaskExecutor("tcp://127.0.0.1:9")
    with pytest.raises(UsageError, match="nobody answers there"):
        executors.DaskExecutor("no address at all")


def test_without_the_extra_its_name_is_said(monkeypatch) -> None:
    import importlib

    def absent(name: str):
        raise ImportError(name)

    monkeypatch.setattr(importlib, "import_module", absent)
    with pytest.raises(UsageError, match="'farm' extra"):
        executors.DaskExecutor("tcp://127.0.0.1:8786")
