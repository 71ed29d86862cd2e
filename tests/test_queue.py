"""Stories of the queue: the command end to end, from a list to the table, and what goes wrong on the way."""

import itertools
import json
import os
import pathlib
import random
import signal
import subprocess
import sys

import jsonschema
import pytest
from queue_world import AT, EVENING_LIST, job, spool, story

from gcodetool.cli.main import outcome
from gcodetool.profiles import sample_folder

SCHEMA = json.loads(
    (pathlib.Path(__file__).parent.parent / "docs" / "queue.schema.json").read_text(encoding="utf-8")
)
NOMINAL = ("--members", "1", "--at", AT)


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Run each story in an empty folder, with no ledger, cache or profiles of the person who runs it."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GCODETOOL_PROFILES", str(tmp_path / "no-profiles"))
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "no-ledger.sqlite"))
    monkeypatch.setenv("GCODETOOL_CACHE", str(tmp_path / "cache"))


def call(capsys: pytest.CaptureFixture[str], *words: str | os.PathLike[str]) -> tuple[int, str, str]:
    """Return exit code, stdout and stderr of one call."""
    code = outcome(["queue", *(str(word) for word in words)])
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    assert "a fault in gcodetool itself" not in out + err
    return code, out, err


def found(capsys: pytest.CaptureFixture[str], *words: str | os.PathLike[str]) -> dict:
    """Return the JSON object of a call, validated."""
    _, out, _ = call(capsys, *words, "--json")
    read = json.loads(out)
    jsonschema.validate(read, SCHEMA)
    return read


def test_the_story_fits_one_screen_and_says_why(tmp_path, capsys, monkeypatch) -> None:
    story(tmp_path)
    monkeypatch.setenv("COLUMNS", "110")
    code, out, err = call(capsys, "tonight.toml", *NOMINAL, "--processes", "1")
    assert code == 10
    assert not err
    lines = out.splitlines()
    assert len(lines) <= 58  # six jobs run and four reels are dried
    assert all(len(line) <= 110 for line in lines)
    for word in ("printer", "spool", "start", "flows", "in air", "safe", "needs/has m", "verdict"):
        assert word in lines[1]
    assert "6 clear or adjust in time, 0 not" in lines[0]
    out = " ".join(out.split())
    assert "To do (somebody is there at all hours, assumed)" in out
    assert "oven: put petg-04 in at 65 °C" in out
    assert "without it dry-first" in out
    assert "no hotter:" in out
    assert "do not leave heat unattended" in out
    assert "all assignments tried" in out
    read = found(capsys, "tonight.toml", *NOMINAL, "--processes", "1")
    assert read["plan"]["met"] == 6
    for drying in read["dryings"]:
        assert drying["temperature_C"] <= 90
        assert drying["without"]["verdict"] in ("dry-first", "runs-out")
        ends = read["jobs"][drying["for_job"] - 1]["start"]
        assert drying["out"] <= ends


@pytest.mark.parametrize("width", [40, 80, 200])
def test_any_width_will_do(tmp_path, capsys, monkeypatch, width) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    job(tmp_path, "a-name-that-is-far-too-long-for-any-column-of-a-table.gcode", spools=["petg-03"])
    job(tmp_path, "größe-灌溉.gcode")
    spool(tmp_path, "petg-03", place="bench-1")
    _, out, _ = call(capsys, tmp_path, "--shelf", "petg-03.toml", "--printer", "bench-1", *NOMINAL)
    assert "clear" in out
    if width >= 80:
        assert all(len(line) <= max(width, 80) for line in out.splitlines())


def test_exit_codes_are_the_worst_jobs(tmp_path, capsys) -> None:
    job(tmp_path, "a.gcode", hours=0.5)
    spool(tmp_path, "petg-03")
    words = ("--shelf", "petg-03.toml", "--printer", "bench-1", *NOMINAL)
    assert call(capsys, "a.gcode", *words)[0] == 0
    assert call(capsys, "a.gcode", "--printer", "bench-1", *NOMINAL)[0] == 30
    spool(tmp_path, "petg-03", water=0.6, place="bench-1")
    assert call(capsys, "a.gcode", *words, "--dryer", "none")[0] == 20
    (tmp_path / "b.gcode").write_bytes(b"")
    code, out, err = call(capsys, "a.gcode", "b.gcode", *words)
    assert code == 1
    assert "unreadable" in out
    assert err.startswith("gcodetool: b.gcode: ")


def test_twenty_broken_files_among_a_hundred_are_twenty_bad_rows(tmp_path, capsys) -> None:
    dice = random.Random(9)
    folder = tmp_path / "jobs"
    folder.mkdir()
    whole = job(tmp_path, "whole.gcode", layers=2).read_bytes()
    broken = set(dice.sample(range(100), 20))
    breaks = itertools.cycle(
        [
            b"",
            b"\x00\x01\x02" * 500,
            b"GCDE" + bytes(100),
            b"\x1f\x8b\x08\x00truncated",
            b"PK\x03\x04" + bytes(40),
            b"hello, this is a shopping list\n",
            b"\xff\xfeG\x001\x00",
            b"G28\nG1 X10 Y10\nM84\n",
        ]
    )
    for number in range(100):
        text = next(breaks) if number in broken else whole + b"; %d\n" % number
        (folder / f"job-{number:03}.gcode").write_bytes(text)
    read = found(capsys, folder, "--at", AT, "--members", "1")
    assert len(read["jobs"]) == 100
    for number, row in enumerate(read["jobs"]):
        if number in broken:
            assert row["verdict"] == "unreadable"
            assert row["error"].startswith(f"{folder / f'job-{number:03}.gcode'}")
            assert row["error"] == row["because"]
            assert row["start"] is None
        else:
            assert row["error"] is None
            assert row["sha256"]
            assert row["tools"][0]["filament_mm"] == pytest.approx(6000, abs=1)
    code, _, err = call(capsys, folder, "--at", AT, "--members", "1")
    assert code == 1
    assert "20 of 100 files cannot be read" in err


def test_a_broken_spool_is_left_out_and_said(tmp_path, capsys) -> None:
    job(tmp_path, "a.gcode", hours=0.5)
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    spool(shelf, "petg-03")
    (shelf / "petg-04.toml").write_text("id = 'petg-04'\n")
    (tmp_path / "list.toml").write_text(
        '[[job]]\nfile = "a.gcode"\n[[job]]\nfile = "a.gcode"\nspool = "petg-04"\n'
    )
    read = found(capsys, "list.toml", "--shelf", "shelf", *NOMINAL)
    assert [row["verdict"] for row in read["jobs"]] == ["clear", "unknown"]
    assert "cannot be read" in read["jobs"][1]["because"]
    assert any("petg-04" in caution for caution in read["cautions"])
    again = found(capsys, "list.toml", "--shelf", "shelf/petg-03.toml", *NOMINAL)
    assert "did you mean 'petg-03'?" in again["jobs"][1]["because"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is empty"),
        ("[[job]]\n", "file"),
        ("[[jobs]]\nfile='a.gcode'\n", "did you mean 'job'?"),
        ("[[job]]\nfile='a.gcode'\ndue='tomorrow'\n", "due"),
        ("[[job]]\nfile='a.gcode'\nprinter='bench-7'\n", "printer"),
        ("[[job]]\nfile='a.gcode'\nspool='x'\ncolour='red'\n", "leave them out"),
        ("[[job]]\nfile='a.gcode'\nmaterial='PTEG'\n", "did you mean 'PETG'"),
        ("[[job]]\nfile='a.gcode'\nspool='x'\n[job.tool.1]\nspool='y'\n", "own table"),
        ("[[job]]\nfile='a.gcode'\n[job.tool.one]\nspool='y'\n", "[job.tool.0]"),
        ("shelf='nowhere'\n[[job]]\nfile='a.gcode'\n", "nowhere"),
        ("[dryer.oven]\nholds=0\n[[job]]\nfile='a.gcode'\n", "holds"),
        (
            "[[job]]\nfile='a.gcode'\nearliest=2026-11-25T18:00:00Z\ndue=2026-11-25T17:00:00Z\n",
            "not after earliest",
        ),
        ("[[job]\n", "list.toml:1"),
    ],
)
def test_a_list_that_cannot_be_meant_is_one_line(tmp_path, capsys, text, says) -> None:
    job(tmp_path, "a.gcode")
    (tmp_path / "list.toml").write_text(text)
    code, out, err = call(capsys, "list.toml", *NOMINAL)
    assert code == 1
    assert not out
    assert err.startswith("gcodetool: list.toml")
    assert says in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("list.toml", "a.gcode"), "a job list must be the only file"),
        (("a.gcode", "--scheduler", "tcp://127.0.0.1:1", "--processes", "2"), "cannot be used together"),
        (("a.gcode", "--dryer", "oven=none"), "--dryer oven=2"),
        (("a.gcode", "--shelf", "nowhere"), "nowhere"),
        ((), "Missing argument"),
    ],
)
def test_misuse(tmp_path, capsys, words, says) -> None:
    job(tmp_path, "a.gcode")
    code, _, err = call(capsys, *words)
    assert code == 2
    assert says in err


def test_a_list_with_all_that_it_may_say(tmp_path, capsys) -> None:
    job(tmp_path, "two.gcode", materials=["PETG", "PLA"], spools=["petg-04", "pla-11"])
    spool(tmp_path, "petg-03", place="bench", colour="smoke")
    spool(tmp_path, "petg-04", place="bench")
    spool(tmp_path, "pla-11", "PLA", place="bench")
    (tmp_path / "list.toml").write_text(
        """
shelf = ["petg-03.toml", "petg-04.toml", "pla-11.toml"]
printer = "bench-1"
note = "the greenhouse rig"
[[job]]
file = "two.gcode"
copies = 2
earliest = 2026-11-25T20:00:00+01:00
due = 2026-11-26T07:00:00+01:00
note = "both emitters"
[job.tool.0]
material = "PETG"
colour = "Smoke"
[job.tool.1]
spool = "pla-11"
[job.tool.3]
spool = "pla-11"
"""
    )
    read = found(capsys, "list.toml", *NOMINAL)
    one, two = read["jobs"]
    assert [(tool["spool"], tool["how"]) for tool in one["tools"]] == [
        ("petg-03", "chosen"),
        ("pla-11", "named"),
    ]
    assert [(tool["spool"], tool["how"]) for tool in two["tools"]] == [
        ("petg-03", "mounted"),
        ("pla-11", "named"),
    ]
    assert one["start"] == "2026-11-25T19:00:00+00:00"
    assert two["start"] == one["end"]
    assert one["in_time"]
    assert any("tool 3" in caution for caution in one["cautions"])
    (tmp_path / "list.toml").write_text('printer = "bench-1"\n[[job]]\nfile = "two.gcode"\n')
    noted = found(capsys, "list.toml", "--shelf", tmp_path / "petg-04.toml", *NOMINAL)
    assert noted["jobs"][0]["tools"][0]["how"] == "noted"
    other = found(capsys, "list.toml", "--shelf", tmp_path / "petg-03.toml", *NOMINAL)
    assert other["jobs"][0]["tools"][0]["how"] == "chosen"
    assert any("petg-04, which is not on the shelf" in said for said in other["jobs"][0]["cautions"])


def test_spools_of_the_ledger_are_the_shelf(tmp_path, capsys, monkeypatch) -> None:
    pytest.importorskip("sqlalchemy")
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "shelf.sqlite"))
    job(tmp_path, "a.gcode")
    spool(tmp_path, "petg-03", place="bench-1")
    assert outcome(["spool", "import", "petg-03.toml"]) == 0
    capsys.readouterr()
    read = found(capsys, "a.gcode", "--printer", "bench-1", *NOMINAL)
    by_file = found(capsys, "a.gcode", "--printer", "bench-1", "--shelf", "petg-03.toml", *NOMINAL)
    assert read["jobs"][0]["tools"][0]["how"] == "mounted"
    assert read["jobs"][0]["tools"] == by_file["jobs"][0]["tools"]


def test_the_only_printer_of_the_ledger_needs_no_naming(tmp_path, capsys, monkeypatch) -> None:
    pytest.importorskip("sqlalchemy")
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "shelf.sqlite"))
    job(tmp_path, "a.gcode")
    printer = "--kind printer --room bench"
    for words in (
        "place add bench --kind open --temperature 22 --humidity 48",
        f"place add rig-8 {printer}",
        "spool add petg-03 --material PETG --place bench --at 2026-11-01",
    ):
        assert outcome(words.split()) == 0
    capsys.readouterr()
    assert found(capsys, "a.gcode", *NOMINAL)["jobs"][0]["printer"] == "rig-8"
    assert outcome(f"place add rig-9 {printer}".split()) == 0
    capsys.readouterr()
    assert found(capsys, "a.gcode", *NOMINAL)["jobs"][0]["printer"] is None  # which of two


def test_processes_and_one_process_say_the_same(tmp_path, capsys) -> None:
    story(tmp_path)
    one = call(capsys, "tonight.toml", *NOMINAL, "--json", "--processes", "1")
    monkey = os.environ.copy()
    done = subprocess.run(
        [sys.executable, "-m", "gcodetool", "queue", "tonight.toml", *NOMINAL, "--json", "--processes", "3"],
        capture_output=True,
        check=False,
        env=monkey | {"PYTHONPATH": str(pathlib.Path(__file__).parent.parent), "GCODETOOL_CACHE": ""},
    )
    assert done.stdout.decode() == one[1]
    assert done.returncode == one[0]


def test_sample_jobs_on_the_sample_shelf(capsys) -> None:
    folder = sample_folder()
    read = found(capsys, folder, "--shelf", folder / "shelf", "--printer", "bench-1", *NOMINAL)
    assert len(read["jobs"]) == 4
    assert all(row["sha256"] for row in read["jobs"])


def test_a_bar_is_shown_on_a_terminal_and_gone_at_the_end(tmp_path, capsys, monkeypatch) -> None:
    import io

    from gcodetool.cli import progress

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    for number in range(3):
        job(tmp_path, f"part-{number}.gcode")
    spool(tmp_path, "petg-03", place="bench-1")
    monkeypatch.setattr(progress, "AFTER_S", 0.0)
    monkeypatch.setattr(progress, "EVERY_S", 0.0)
    monkeypatch.setenv("TERM", "xterm")
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    words = [str(tmp_path), "--printer", "bench-1", "--shelf", "petg-03.toml", *NOMINAL, "--processes", "1"]
    assert outcome(["queue", *words]) == 10
    for what in ("reading", "choosing", "forecasting"):
        assert what in screen.getvalue()
    assert "reading" not in capsys.readouterr().out


# ---------------------------------------------------------------- stopped


def test_a_stop_leaves_the_finished_rows_and_says_so(tmp_path, capsys, monkeypatch) -> None:
    from gcodetool.queue import reading

    for number in range(6):
        job(tmp_path, f"part-{number}.gcode")
    real = reading._read

    def read(task):
        if task.wanted.path.name == "part-4.gcode":
            raise KeyboardInterrupt
        return real(task)

    monkeypatch.setattr(reading, "_read", read)
    code, out, err = call(capsys, tmp_path, "--processes", "1", "--json", *NOMINAL)
    assert code == 130
    assert "stopped; " in err
    read_back = json.loads(out)
    jsonschema.validate(read_back, SCHEMA)
    assert not read_back["complete"]
    assert [row["sha256"] is not None for row in read_back["jobs"]] == [True] * 4 + [False] * 2
    assert [row["time"] is not None for row in read_back["jobs"]] == [True] * 4 + [False] * 2
    assert {row["verdict"] for row in read_back["jobs"]} == {"not-read"}
    _, shown, _ = call(capsys, tmp_path, "--processes", "1", *NOMINAL)
    assert "stopped early: these jobs" in shown


def test_a_stop_while_forecasting_keeps_the_plan_that_was_chosen(tmp_path, capsys, monkeypatch) -> None:

    story(tmp_path)
    from gcodetool.queue import spool_work

    real = spool_work._run_spool_task
    done = []

    def spool_task(what):
        if len(done) == 2:
            raise KeyboardInterrupt
        done.append(what)
        return real(what)

    monkeypatch.setattr(spool_work, "_run_spool_task", spool_task)
    code, out, err = call(capsys, "tonight.toml", "--processes", "1", "--json", *NOMINAL)
    assert code == 130
    assert "the best plan so far is shown" in err
    read = json.loads(out)
    jsonschema.validate(read, SCHEMA)
    assert "not-read" not in [row["verdict"] for row in read["jobs"]]
    assert read["to_do"]
    assert not read["complete"]


def test_a_stop_before_each_job_was_placed_keeps_those_that_were(tmp_path, capsys, monkeypatch) -> None:
    from gcodetool.queue import search

    story(tmp_path)
    real, placed = search.best_step, []

    def stopped(*asked):
        if len(placed) == 2:
            raise KeyboardInterrupt
        placed.append(asked)
        return real(*asked)

    monkeypatch.setattr(search, "best_step", stopped)
    code, out, err = call(capsys, "tonight.toml", "--processes", "1", "--json", *NOMINAL)
    assert code == 130
    assert "2 of 6 jobs were placed and are shown, with quick forecasts" in err
    read = json.loads(out)
    jsonschema.validate(read, SCHEMA)
    assert [row["verdict"] for row in read["jobs"][2:]] == ["not-read"] * 4
    assert "not-read" not in [row["verdict"] for row in read["jobs"][:2]]
    assert read["to_do"]


# Workers that stay at part 10 and above until somebody ends them; whoever started the tests may have told them
# to ignore the keyboard.
STOPPED = """
import signal, sys, threading
signal.signal(signal.SIGINT, signal.default_int_handler)
from gcodetool.queue import reading
read, worked = reading._read, reading._worked
def some(task):
    if task.wanted.path.name >= "part-10":
        threading.Event().wait()
    return read(task)
def told(*what):
    for count, each in enumerate(worked(*what)):
        yield each
        if count == 3:
            print("some are read", file=sys.stderr, flush=True)
reading._read, reading._worked = some, told
reading.INLINE_BYTES, reading.BATCH_FILES = 0, 2
from gcodetool.cli.main import outcome
sys.exit(outcome(sys.argv[1:]))
"""


@pytest.mark.skipif(os.name != "posix", reason="signals to a group")
def test_a_stop_at_the_keyboard_ends_workers_too(tmp_path) -> None:
    for number in range(60):
        job(tmp_path, f"part-{number:02}.gcode", layers=400)
    env = os.environ | {"PYTHONPATH": str(pathlib.Path(__file__).parent.parent), "GCODETOOL_CACHE": ""}
    words = ["queue", str(tmp_path), "--processes", "2", "--json", "--at", AT, "--members", "1"]
    with subprocess.Popen(
        [sys.executable, "-c", STOPPED, *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=env,
        start_new_session=True,
    ) as running:
        assert running.stderr is not None
        assert running.stderr.readline() == b"some are read\n"
        os.killpg(running.pid, signal.SIGINT)
        out, err = running.communicate(timeout=600)
    assert running.returncode == 130, err.decode()
    assert b"Traceback" not in err
    assert b"stopped; " in err
    read = json.loads(out)
    assert not read["complete"]
    assert 0 < sum(row["time"] is not None for row in read["jobs"]) < 60


# ---------------------------------------------------------------- page and docs


def test_a_page_says_the_same_and_runs_nothing_from_outside(tmp_path, capsys) -> None:
    pytest.importorskip("jinja2")
    story(tmp_path)
    job(tmp_path, "<script>alert(1)<&.gcode")
    with (tmp_path / "tonight.toml").open("a") as file:
        file.write('[[job]]\nfile = "<script>alert(1)<&.gcode"\n[[job]]\nfile = "absent.gcode"\n')
    call(capsys, "tonight.toml", *NOMINAL, "--html", "queue.html", "--processes", "1")
    text = (tmp_path / "queue.html").read_text(encoding="utf-8")
    assert "<script>alert" not in text
    assert "default-src &#39;none&#39;" in text
    assert "http://" not in text.replace("http://www.w3.org/2000/svg", "")
    for word in (
        '<h1 id="answer">8 jobs: 7 clear or adjust in time, 1 not</h1>',  # no date in it that a phone would break
        "in at 65",
        "do not leave heat unattended",
        "absent.gcode",
    ):
        assert word in text
    assert text.count("<rect") >= 7
    code, _, err = call(capsys, "clips-1.gcode", "--html", "clips-1.gcode")
    assert code == 2
    assert "the jobs itself" in err
    job(tmp_path, "none.gcode")
    call(capsys, "absent.gcode", "--html", "queue.html")
    assert "Nothing runs." in (tmp_path / "queue.html").read_text(encoding="utf-8")


def test_the_list_in_the_docs_can_be_read(tmp_path) -> None:
    import re

    from gcodetool.queue.job_list import read_list

    page = (pathlib.Path(__file__).parent.parent / "docs" / "queue.md").read_text(encoding="utf-8")
    listed, of_evening = re.findall(r"```toml\n(.*?)```", page, re.DOTALL)
    assert of_evening.startswith(EVENING_LIST.lstrip())  # the story of test_queue_evening.py
    (tmp_path / "shelf").mkdir()
    (tmp_path / "tonight.toml").write_text(listed, encoding="utf-8")
    found = read_list(tmp_path / "tonight.toml", printer=None)
    assert [request.path.name for request in found.requests] == [
        "drip-manifold.gcode",
        "hose-clips.gcode",
        "hose-clips.gcode",
        "two-colours.gcode",
    ]
    assert found.holds == {"oven": 2, "cabinet": None}
    assert found.unattended == {"cabinet"}
    assert found.presence.words[1] == "Sat 09:00-12:00"
    assert found.busy
    assert found.requests[0].priority == 3
    assert found.requests[1].fits == ("bench-3",)
    assert found.turnaround_s == 900
    assert sorted(found.printers) == ["bench-1", "bench-2", "bench-3"]
    assert set(found.requests[3].tools) == {0, 1}


def test_a_dryer_that_no_record_has_is_said(tmp_path, capsys) -> None:
    job(tmp_path, "a.gcode")
    spool(tmp_path, "petg-03")
    read = found(capsys, "a.gcode", "--shelf", "petg-03.toml", "--dryer", "owen=2", *NOMINAL)
    assert any("did you mean 'oven'?" in note for note in read["notes"])
