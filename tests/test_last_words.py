"""Whatever stops a command that writes, its last words say what it changed; "nothing was written" where nothing was."""

import builtins
import contextlib
import errno
import hashlib
import io
import lzma
import os
import pathlib
import random
import shutil
import sqlite3
import sys
from collections.abc import Callable
from typing import Any

import click
import pytest
import sqlalchemy

from gcodetool.cli.main import outcome

ROOT = pathlib.Path(__file__).parents[1]
SHELF = ROOT / "sample_gcode" / "shelf"
SMALL = ROOT / "tests" / "data" / "gcode" / "a10-hose-marker-petg-two-colour-change-times.gcode.xz"
AT = ["--at", "2026-11-25T09:00:00+01:00"]
LONG = os.environ.get("GCODETOOL_HYPOTHESIS") == "long"
STEPS = 1000 if LONG else 6  # of each command

# every command that writes; JOB, LEDGER and the rest stand in the folder
COMMANDS = {
    "prepare in place": "prepare --in-place job.gcode --members 1",
    "prepare all": "prepare job.gcode -o out.gcode --members 1 --report report.json --record --spool 0=petg-03",
    "adjust": f"adjust {ROOT}/tests/data/profiles/c-user-petg-smoke.json --spool petg-03 -o copy.json --members 1",
    "review": "review job.gcode -o page.html --members 1",
    "queue": "queue job.gcode --html page.html --members 1 --processes 1",
    "spool add": "spool add new-01 --material PETG --place bench",
    "spool move": "spool move petg-03 box-2",
    "spool weigh": "spool weigh petg-03 700 --force",
    "spool fed": "spool fed petg-03 --length 1000",
    "spool undo": "spool undo petg-03",
    "spool import": f"spool import {SHELF}/pla-11.toml --keep-places",
    "spool import --merge": "spool import other.sqlite --merge --keep-places",
    "spool import of a lent one": "spool import lent.toml --merge --keep-places",
    "spool export": "spool export petg-03 -o record.toml",
    "place add": "place add shelf-2 --kind open --temperature 20 --humidity 50",
    "place log": "place log log-room log.csv",
    "ledger backup": "ledger backup -o copy.sqlite",
    "ledger restore": "ledger restore other.sqlite",
    "first place": "place add shelf-2 --kind open --temperature 20 --humidity 50 --ledger new.sqlite",
    "profiles import": f"profiles import {ROOT}/tests/data/machines/klipper/printer.cfg -o made.toml",
}


class Stopper:
    """Counts the steps by which a command writes, and raises before or after the one that it is told."""

    def __init__(self, stop: int | None = None, error: BaseException | None = None) -> None:
        self.stop, self.error, self.count = stop, error, 0

    def step(self, *, before: bool) -> None:
        self.count += 1
        if self.count == self.stop and self.error is not None:
            if not before:  # a system call that succeeded does not fail: after it only a key can stop us
                raise KeyboardInterrupt
            raise self.error

    def around(self, function: Callable[..., Any]) -> Callable[..., Any]:
        def called(*given: Any, **more: Any) -> Any:
            self.step(before=True)
            done = function(*given, **more)
            self.step(before=False)
            return done

        return called


# what changes a disk or a ledger, and what is said of it
STEPPED: tuple[tuple[Any, str], ...] = (
    (pathlib.Path, "replace"),
    (pathlib.Path, "unlink"),
    (pathlib.Path, "chmod"),
    (pathlib.Path, "rename"),
    (os, "link"),
    (os, "fsync"),
    (sqlalchemy.Connection, "commit"),
    (sqlalchemy.Connection, "execute"),
    (click, "echo"),
)


def run(words: list[str], stopper: Stopper, monkeypatch: pytest.MonkeyPatch) -> int:
    """Return the exit code of a call that is stopped within its command, not in its last words."""
    from gcodetool.cli import main

    whole = main.main.main

    def stopped(*given: Any, **more: Any) -> Any:
        with monkeypatch.context() as patch:
            for owner, name in STEPPED:
                patch.setattr(owner, name, stopper.around(getattr(owner, name)))
            return whole(*given, **more)

    with monkeypatch.context() as patch:
        patch.setattr(main.main, "main", stopped)
        return outcome(words)


def state_of(folder: pathlib.Path) -> dict[str, object]:
    """Return what lies in a folder; of a ledger its entries, as its file may change without them."""
    found: dict[str, object] = {}
    for path in sorted(folder.iterdir()):
        if path.name.startswith(".") or path.name.endswith(("-wal", "-shm")) or path.is_dir():
            continue
        if path.suffix == ".sqlite":
            with contextlib.closing(sqlite3.connect(path)) as conn:
                found[path.name] = conn.execute("SELECT number, chain FROM entry ORDER BY number").fetchall()
        else:
            found[path.name] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> pathlib.Path:
    folder = tmp_path_factory.mktemp("template")
    (folder / "job.gcode").write_bytes(lzma.decompress(SMALL.read_bytes()))
    ledger = ["--ledger", str(folder / "ledger.sqlite")]
    for name in ("petg-03", "pa6-07"):
        assert outcome(["spool", "import", str(SHELF / f"{name}.toml"), "--keep-places", *ledger]) == 0
    assert (
        outcome(
            ["place", "add", "log-room", "--kind", "open", "--temperature", "20", "--humidity", "50", *ledger]
        )
        == 0
    )
    (folder / "log.csv").write_text(
        "time,temperature_C,rh_pct\n2026-11-20T08:00:00,21,50\n2026-11-20T09:00:00,21,51\n"
    )
    text = (SHELF / "petg-03.toml").read_text(encoding="utf-8")
    more = '[[event]]\nat = 2026-11-25T08:50:00+01:00\nkind = "fed"\nlength_mm = 100\n'
    (folder / "lent.toml").write_text(f"{text}\n{more}", encoding="utf-8")
    other = ["--ledger", str(folder / "other.sqlite")]
    assert outcome(["spool", "import", str(SHELF / "tpu-05.toml"), *other]) == 0
    for name in ("ledger", "other"):
        with contextlib.closing(sqlite3.connect(folder / f"{name}.sqlite")) as conn:
            conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return folder


@pytest.fixture
def folder(template: pathlib.Path, tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> pathlib.Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GCODETOOL_CACHE", "")
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "ledger.sqlite"))
    restore(template, tmp_path)
    return tmp_path


def restore(template: pathlib.Path, folder: pathlib.Path) -> None:
    for path in folder.iterdir():
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    for path in template.iterdir():
        if not path.name.endswith(("-wal", "-shm")):
            shutil.copy(path, folder / path.name)


def words_of(name: str) -> list[str]:
    words = COMMANDS[name].split()
    dated = words[0] in ("prepare", "adjust", "review", "queue")
    return [*words, *(AT if dated else [])]


@pytest.mark.parametrize("name", COMMANDS)
def test_what_is_said_is_what_was_done(
    name: str,
    folder: pathlib.Path,
    template: pathlib.Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    before = state_of(folder)
    counting = Stopper()
    whole = run(words_of(name), counting, monkeypatch)
    assert whole in (0, 30), capsys.readouterr().err
    assert state_of(folder) != before
    assert counting.count > 1
    dice = random.Random(name)
    for stop in sorted(dice.sample(range(1, counting.count + 1), min(counting.count, STEPS))):
        restore(template, folder)
        capsys.readouterr()
        error = dice.choice((KeyboardInterrupt(), OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))))
        code = run(words_of(name), Stopper(stop, error), monkeypatch)
        said = capsys.readouterr().err
        changed = state_of(folder) != before
        where = (stop, type(error).__name__, said)
        if "nothing was written" in said:
            assert not changed, where
        if changed and code != whole:
            assert "done before that" in said or "page.html was written" in said, where
        if "done before that" in said and "perhaps" not in said:
            assert changed, where
        if code != whole:
            assert "fault in gcodetool" not in said, where


class Full(io.StringIO):
    """A pipe whose disk is full."""

    def write(self, text: str, /) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_an_output_that_cannot_be_written_does_not_hide_what_was_done(
    folder: pathlib.Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "stdout", Full())
    assert outcome(words_of("prepare in place")) == 1
    assert "job.gcode was written" in capsys.readouterr().err
    assert outcome(words_of("spool move")) == 1
    said = capsys.readouterr().err
    assert "entry" in said
    assert "was noted" in said


def test_a_busy_ledger_leaves_the_job_alone(
    folder: pathlib.Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("GCODETOOL_LEDGER_WAIT", "0")
    before = state_of(folder)
    with contextlib.closing(sqlite3.connect(folder / "ledger.sqlite", isolation_level=None)) as holder:
        holder.execute("BEGIN IMMEDIATE")
        words = "prepare --in-place job.gcode --members 1 --record --spool 0=petg-03"
        assert outcome([*words.split(), *AT]) == 1
        holder.execute("ROLLBACK")
    said = capsys.readouterr().err
    assert "another program holds the ledger" in said
    assert "nothing was written" in said
    assert state_of(folder) == before


def test_who_only_asks_is_not_told_that_nothing_was_written(folder, capsys) -> None:
    for words, told in ((["spool", "show", "nope"], False), (["spool", "move", "nope", "bench"], True)):
        assert outcome(words) == 1
        said = capsys.readouterr().err
        assert "no spool 'nope'" in said
        assert ("nothing was written" in said) == told


def test_a_report_never_stands_over_the_job(folder: pathlib.Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = state_of(folder)
    assert (
        outcome(["prepare", "--in-place", "job.gcode", "--report", "job.gcode", "--members", "1", *AT]) == 2
    )
    assert state_of(folder) == before


def test_ctrl_c_while_the_command_line_is_loaded(monkeypatch: pytest.MonkeyPatch, capsys) -> None:
    from gcodetool.__main__ import run

    load = builtins.__import__

    def stopped(name: str, *more: Any, **named: Any) -> Any:
        if name == "gcodetool.cli.main":
            raise KeyboardInterrupt
        return load(name, *more, **named)

    monkeypatch.setattr(builtins, "__import__", stopped)
    with pytest.raises(SystemExit) as ended:
        run()
    assert ended.value.code == 130
    assert capsys.readouterr().err == "gcodetool: stopped; nothing was written\n"
