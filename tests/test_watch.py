"""A watched folder: each complete file is done once, whatever happens to the others, and over a restart."""

import json
import os
import pathlib
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool.app import watch
from gcodetool.cli.main import outcome
from gcodetool.profiles import sample_folder

JOB = b"; a job of one line\nG90\nM83\nG1 X10 Y10 Z0.2 F3000\nG1 X20 E1 F1200\n"


# ---------------------------------------------------------------- what is complete, without a clock


@given(st.lists(st.sampled_from(["write", "open", "close", "look", "wait"]), max_size=12))
def test_a_file_is_complete_only_when_it_was_quiet_and_nobody_writes_it(
    tmp_path_factory: pytest.TempPathFactory, steps: list[str]
) -> None:
    path = tmp_path_factory.mktemp("in") / "a.gcode"
    path.write_bytes(JOB)
    arrivals, now_s, changed_s, is_open = watch.Arrivals(), 0.0, 0.0, False
    arrivals.seen(path, 0.0)
    for number, step in enumerate(steps):
        if step == "write":
            path.write_bytes(JOB * (number + 2))
            is_open, changed_s = True, now_s
            arrivals.opened(path, now_s)
        elif step == "open":
            is_open = True
            arrivals.opened(path, now_s)
        elif step == "close":
            is_open = False
            arrivals.closed(path, now_s)
        elif step == "wait":
            now_s += 3.0
        else:
            found = arrivals.complete(now_s)
            if found:
                assert not is_open
                assert now_s - changed_s >= watch.QUIET_S
                assert arrivals.complete(now_s + 100.0) == []  # given once
                return


def test_what_is_gone_empty_hidden_or_no_job_is_not_waited_for(tmp_path: pathlib.Path) -> None:
    arrivals = watch.Arrivals()
    for name, content in (("a.gcode", b""), (".b.gcode", JOB), ("c.txt", JOB), ("d.gcode", JOB)):
        (tmp_path / name).write_bytes(content)
        arrivals.seen(tmp_path / name, 0.0)
    (tmp_path / "d.gcode").unlink()
    assert arrivals.complete(10.0) == []
    assert not arrivals.waiting


def test_a_line_that_a_power_cut_broke_off_is_passed_over(tmp_path: pathlib.Path) -> None:
    done = watch.DoneFile(tmp_path / "own" / "done.jsonl")
    one, two = watch.FileSign(1, 2, 3), watch.FileSign(4, 5, 6)
    done.add(tmp_path / "a.gcode", one, "clear")
    done.add(tmp_path / "b.gcode", two, "clear")
    cut = done.path.read_bytes()[:-9]
    done.path.write_bytes(cut)
    again = watch.DoneFile(done.path)
    assert one in again
    assert two not in again


# ---------------------------------------------------------------- the command


def test_what_is_there_is_prepared_once_into_the_other_folder(
    tmp_path: pathlib.Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, out = tmp_path / "in", tmp_path / "out"
    folder.mkdir()
    out.mkdir()
    shutil.copy(sample_folder() / "hose-clips-petg.gcode", folder / "clips.gcode")
    (folder / "broken.gcode").write_bytes(b"\x00\x01")
    spool = str(sample_folder() / "shelf" / "petg-03.toml")
    words = ["watch", str(folder), "--out", str(out), "--once", "--done", str(tmp_path / "done.jsonl")]
    words += ["--spool", spool, "--members", "1"]
    assert outcome(words) == 0
    said = capsys.readouterr()
    assert "clips.gcode: " in said.out
    assert "broken.gcode" in said.err
    assert b"; gcodetool:begin header" in (out / "clips.gcode").read_bytes()
    assert outcome(words) == 0
    said = capsys.readouterr()
    assert (said.out, said.err) == ("", f"gcodetool: {folder}: nothing to do: its 2 jobs were done before\n")
    (tmp_path / "empty").mkdir()
    assert outcome(["watch", str(tmp_path / "empty"), "--once"]) == 0
    assert capsys.readouterr().err == f"gcodetool: {tmp_path / 'empty'}: nothing to do: no job is in it\n"


def test_the_wrong_reel_is_said_in_the_line_of_its_file(
    tmp_path: pathlib.Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    shutil.copy(sample_folder() / "hose-clips-petg.gcode", folder / "clips.gcode")
    spool = str(sample_folder() / "shelf" / "pla-11.toml")
    words = ["watch", str(folder), "--once", "--done", str(tmp_path / "d.jsonl"), "--spool", spool]
    assert outcome([*words, "--members", "1"]) == 0
    said = capsys.readouterr()
    assert said.err.startswith("gcodetool: clips.gcode: T0 is sliced for PETG, but pla-11 is PLA: check")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--spool", "none.toml"], "none.toml"),
        (["--printer", "bench-9"], "'bench-9'"),
        (["--spool", "PETG", "--place", "attic"], "--place 'attic': the record of petg-03 has no such place"),
        (["--spool", "PETG", "--feed", "attic"], "--feed 'attic': the record of petg-03 has no such place"),
        (["--place", "attic"], "no place 'attic' in the ledger"),
    ],
)
def test_a_name_that_there_is_not_is_said_before_any_file_comes(
    words, says, tmp_path, capsys, monkeypatch
) -> None:
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "shelf.sqlite"))
    spool = str(sample_folder() / "shelf" / "petg-03.toml")
    assert outcome(["spool", "import", spool]) == 0
    words = [spool if word == "PETG" else word for word in words]
    assert outcome(["watch", str(tmp_path), "--once", *words]) in (1, 2)
    assert says in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["nowhere"], "no such folder"),
        ([".", "--out", "."], "is the folder that is watched"),
        (["a.gcode"], "is a file, not a folder; name the folder that it is in, or call check or prepare"),
    ],
)
def test_folders_that_cannot_be_are_refused(words, says, tmp_path, monkeypatch, capsys) -> None:
    monkeypatch.chdir(tmp_path)
    pathlib.Path("a.gcode").write_bytes(JOB)
    assert outcome(["watch", *words, "--once"]) == 2
    assert says in capsys.readouterr().err


@pytest.fixture
def watched(tmp_path: pathlib.Path) -> Iterator[Callable[[], subprocess.Popen[str]]]:
    """Give what starts `watch` on a folder; its answers go to a file that the runs share."""
    pytest.importorskip("watchdog")
    (tmp_path / "in").mkdir()
    running: list[subprocess.Popen[str]] = []
    root = pathlib.Path(watch.__file__).parents[2]

    def start() -> subprocess.Popen[str]:
        # whoever started the tests may have told them to ignore the keyboard
        code = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)"
        code += "; from gcodetool.cli.main import run; run()"
        words = ["watch", str(tmp_path / "in"), "--done", str(tmp_path / "done.jsonl"), "--json"]
        with (tmp_path / "said").open("ab") as said:
            running.append(
                subprocess.Popen(
                    [sys.executable, "-c", code, *words],
                    stdout=said,
                    text=True,
                    env={**os.environ, "PYTHONPATH": str(root), "PYTHONUNBUFFERED": "1"},
                )
            )
        return running[-1]

    yield start
    for process in running:
        process.kill()
        process.wait()


def until(holds: Callable[[], bool]) -> None:
    """Wait until something holds; fail when it does not for two minutes."""
    end_s = time.monotonic() + 120.0
    while not holds():
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.05)


def test_200_files_at_once_are_done_once_each_and_a_restart_repeats_none(tmp_path, watched) -> None:
    folder, said = tmp_path / "in", tmp_path / "said"

    def answered() -> list[str]:
        lines = said.read_text().splitlines() if said.exists() else []
        return [pathlib.Path(json.loads(line)["job"]["path"]).name for line in lines if line.endswith("}")]

    def noted() -> list[str]:
        done = tmp_path / "done.jsonl"
        return [json.loads(line)["file"] for line in done.read_text().splitlines()] if done.exists() else []

    first = watched()
    (folder / "ready.gcode").write_bytes(JOB)
    until(lambda: "ready.gcode" in answered())  # it watches now
    half = []
    for number in range(200):
        path = folder / f"job-{number:03}.gcode"
        if number % 20 == 1:  # half-written, its writer pauses
            file = path.open("wb")
            file.write(JOB[:30])
            file.flush()
            half.append(file)
        elif number % 20 == 2:  # written under another name, then renamed
            (folder / f"job-{number:03}.part").write_bytes(JOB)
            (folder / f"job-{number:03}.part").rename(path)
        else:
            path.write_bytes(JOB)
            if number % 20 == 3:
                path.unlink()
    gone = {f"job-{number:03}.gcode" for number in range(3, 200, 20)}
    paused = {f"job-{number:03}.gcode" for number in range(1, 200, 20)}
    whole = {f"job-{number:03}.gcode" for number in range(200)} - gone - paused
    until(lambda: len(answered()) > 40)
    first.send_signal(signal.SIGKILL)
    first.wait()
    second = watched()
    until(lambda: whole <= set(noted()))
    if sys.platform == "linux":
        assert not paused & set(noted())
    for file in half:
        file.write(JOB[30:])
        file.close()
    until(lambda: whole | paused <= set(noted()))
    (folder / "last.gcode").write_bytes(JOB + b"\n")
    until(lambda: "last.gcode" in answered())
    second.send_signal(signal.SIGINT)
    second.wait(120)
    for each in (noted(), answered()):
        assert len(each) == len(set(each))
        assert set(each) <= whole | paused | {"ready.gcode", "last.gcode"}
    assert (
        len(set(noted()) - set(answered())) <= 1
    )  # the one between whose note and answer the process was killed
