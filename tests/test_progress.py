"""The progress bar: on terminals, after a second, never in the slicer's step, never on stdout."""

import json
import os
import pathlib
import re
import subprocess
import sys
import threading

import pytest

from gcodetool.cli import progress
from gcodetool.gcode.program import read
from gcodetool.profiles import sample_folder

pty = pytest.importorskip("pty", reason="pseudo-terminals are of Unix")

JOB = sample_folder() / "hose-clips-petg.gcode"
# the bar at once: a test does not wait a second, nor make a file of 100 MB
AT_ONCE = (
    "import sys\n"
    "from gcodetool.cli import progress\n"
    "from gcodetool.cli.main import outcome\n"
    "progress.AFTER_S = progress.EVERY_S = {after}\n"
    "sys.exit(outcome(sys.argv[1:]))\n"
)


def on_terminal(*words: str | os.PathLike[str], after: float = 0.0) -> tuple[int, str, bytes]:
    """Return exit code, stdout and what a terminal on stderr showed."""
    ours, theirs = pty.openpty()
    shown = bytearray()

    def listen() -> None:
        while True:
            try:
                part = os.read(ours, 4096)
            except OSError:  # Linux says so when the other side is closed
                return
            if not part:
                return
            shown.extend(part)

    listener = threading.Thread(target=listen)
    environment = dict(os.environ, TERM="xterm", COLUMNS="80")
    with subprocess.Popen(
        [sys.executable, "-c", AT_ONCE.format(after=after), *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=theirs,
        stdin=subprocess.DEVNULL,
        env=environment,
    ) as running:
        os.close(theirs)
        listener.start()
        assert running.stdout is not None
        out = running.stdout.read()
        code = running.wait(timeout=120)
    listener.join(timeout=30)
    os.close(ours)
    # where kernels run interpreted, one line says so: no part of the bar
    return code, out.decode(), re.sub(rb"gcodetool: note: [^\r\n]*\r?\n", b"", bytes(shown))


def test_a_terminal_sees_the_bar_and_stdout_stays_json() -> None:
    code, out, shown = on_terminal("check", JOB, "--members", "1", "--json")
    assert code == 30, shown
    assert json.loads(out)["verdict"] == "unknown"
    assert f"reading {JOB.name}".encode() in shown
    assert b"100%" in shown
    *_, last, emptied, after = shown.split(b"\r")
    assert not emptied.strip()  # gone at the end, the cursor back
    assert len(emptied) == len(last.rstrip())
    assert after == b""


def test_a_quick_job_shows_nothing() -> None:
    assert on_terminal("check", JOB, "--json", after=3600)[2] == b""


def test_the_slicers_step_shows_nothing(tmp_path: pathlib.Path) -> None:
    job = tmp_path / JOB.name
    job.write_bytes(JOB.read_bytes())
    code, _, shown = on_terminal("prepare", job, "--in-place")
    assert code == 0
    assert b"reading" not in shown
    code, _, shown = on_terminal("prepare", job, "-o", tmp_path / "out.gcode")
    assert code == 0
    assert b"reading" in shown


def test_an_error_takes_the_bar_away(tmp_path: pathlib.Path) -> None:
    job = tmp_path / "travel.gcode"
    job.write_bytes(b"G1 X10 Y10 F3000\n" * 300_000)
    code, _, shown = on_terminal("check", job)
    assert code == 1
    assert b"reading" in shown
    assert shown.rstrip().endswith(b"not a macro or a probe run")


def test_without_a_terminal_there_is_no_bar() -> None:
    done = subprocess.run(
        [sys.executable, "-c", AT_ONCE.format(after=0.0), "check", str(JOB), "--json"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert json.loads(done.stdout)
    assert "reading" not in done.stderr


def test_nobody_is_told_where_nobody_watches() -> None:
    with progress.reading(read(JOB)) as told:  # pytest's stderr is no terminal
        assert told is None
