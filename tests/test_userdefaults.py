"""The user's ``gcodetool.toml``, what needs no naming where it is alone, and local times in what is written."""

import json
import pathlib
import re
import time

import pytest

from gcodetool import userdefaults
from gcodetool.cli.main import outcome
from gcodetool.errors import ProfileError
from gcodetool.profiles import sample_folder

JOB = sample_folder() / "hose-clips-petg.gcode"
SHELF = sample_folder() / "shelf"
MON, TUE = "2026-11-02T08:00+01:00", "2026-11-03T08:00+01:00"


@pytest.fixture(scope="module")
def unnamed(tmp_path_factory: pytest.TempPathFactory) -> pathlib.Path:
    """Give the job without the spool's name in its filament notes."""
    path = tmp_path_factory.mktemp("jobs") / "clips.gcode"
    lines = JOB.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(line for line in lines if b"spool: petg-03" not in line))
    assert len(path.read_bytes()) < JOB.stat().st_size
    return path


@pytest.fixture
def home(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> pathlib.Path:
    """Give a configuration folder, with no ledger named by the environment."""
    folder = tmp_path / "config"
    folder.mkdir()
    monkeypatch.setenv("GCODETOOL_PROFILES", str(folder))
    monkeypatch.delenv("GCODETOOL_LEDGER")
    return folder


def state(home: pathlib.Path, text: str) -> None:
    (home / "gcodetool.toml").write_text(text, encoding="utf-8")


def run(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    code = outcome([str(word) for word in words])
    out, err = capsys.readouterr()
    return code, out, err


def shelve(capsys: pytest.CaptureFixture[str], *more: str) -> None:
    """Put one room, one printer and one spool on the shelf."""
    for words in (
        f"place add bench --kind open --temperature 22 --humidity 48 --at {MON}",
        f"place add bench-1 --kind printer --printer bench-1 --room bench --at {MON}",
        f"spool add petg-03 --material PETG --body-mass 230 --place bench --at {MON}",
        *more,
    ):
        code, _, err = run(capsys, *words.split())
        assert code == 0, err


def test_what_the_file_states_counts_where_a_call_says_nothing(capsys, home) -> None:
    state(home, 'ledger = "shelf/ledger.sqlite"\nprinter = "bench-1"\nmembers = 1\n')
    shelve(capsys)
    assert (home / "shelf" / "ledger.sqlite").exists()
    code, out, err = run(capsys, "check", JOB, "--spool", "petg-03", "--at", TUE, "--json")
    assert code in (0, 10, 20, 21), err
    tool = json.loads(out)["tools"][0]
    assert tool["state"]["next_fed_wt_pct"]["p10"] is None  # one member has no band
    assert (
        run(capsys, "check", JOB, "--spool", "petg-03", "--at", TUE, "--json", "--printer", "bench-1")[1]
        == out
    )


def test_the_environment_and_options_win_over_the_file(capsys, home, tmp_path, monkeypatch) -> None:
    state(home, 'ledger = "one.sqlite"\n')
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "two.sqlite"))
    shelve(capsys)
    code, out, _ = run(capsys, "place", "list", "--ledger", tmp_path / "two.sqlite")
    assert code == 0
    assert "bench-1" in out
    assert not (home / "one.sqlite").exists()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('printr = "bench-1"', "'printr' is no key of the file; did you mean 'printer'?"),
        ("members = 0", "members is 0, but must be from 1 to 1024"),
        ("confidence = 90", "confidence is 90, but must be from 0 to 1"),
        ("printer = 3", "printer is a whole number; write a text in quotes"),
    ],
)
def test_a_file_that_lies_is_refused_at_its_line(capsys, home, text, words) -> None:
    state(home, "# mine\n" + text + "\n")
    with pytest.raises(ProfileError):
        userdefaults.user_defaults()
    code, out, err = run(capsys, "check", JOB, "--spool", SHELF / "petg-03.toml", "--at", TUE)
    assert (code, out) == (1, "")
    assert f"gcodetool.toml:2: {words}" in err
    assert len(err.strip().splitlines()) == 1


def test_a_lone_printer_and_a_lone_spool_need_no_naming(capsys, home, unnamed) -> None:
    state(home, 'ledger = "ledger.sqlite"\nmembers = 1\n')
    shelve(capsys)
    code, out, err = run(capsys, "check", unnamed, "--at", TUE, "--json")
    assert code != 30
    assert "bench-1: the only printer of the ledger" in err
    assert "petg-03: the only spool on the shelf" in err
    named = run(capsys, "check", unnamed, "--spool", "petg-03", "--printer", "bench-1", "--at", TUE, "--json")
    assert (named[0], json.loads(named[1])["tools"]) == (code, json.loads(out)["tools"])
    assert (
        run(capsys, "spool", "show", "--at", TUE)[1]
        == run(capsys, "spool", "show", "petg-03", "--at", TUE)[1]
    )
    code, _, err = run(capsys, "spool", "fed", "--mass", "12 g", "--at", TUE)
    assert code == 0, err


def test_of_two_spools_one_must_be_named(capsys, home, unnamed) -> None:
    state(home, 'ledger = "ledger.sqlite"\nmembers = 1\n')
    shelve(capsys, f"spool add petg-04 --material PETG --place bench --at {MON}")
    assert run(capsys, "check", unnamed, "--at", TUE)[0] == 30
    code, out, err = run(capsys, "spool", "show")
    assert (code, out) == (2, "")
    assert "name one of petg-03, petg-04" in err


def test_a_written_file_has_local_times_with_their_zone(capsys, home, tmp_path, monkeypatch) -> None:
    monkeypatch.setenv("TZ", "Europe/Vienna")
    time.tzset()
    try:
        target = tmp_path / "out.gcode"
        words = ("--spool", SHELF / "petg-03.toml", "--members", "1", "--at", "2026-11-25T18:00")
        code, _, err = run(capsys, "prepare", JOB, *words, "-o", target)
        assert code == 0, err
        assert "filament forecast for a start at 2026-11-25 18:00 CET" in target.read_text()
    finally:
        monkeypatch.undo()
        time.tzset()


def test_prices_stand_in_the_currency_that_the_file_names(capsys, home) -> None:
    oven = "place add oven --kind dryer --temperature 65 --room bench --watts 300W --at 2026-11-01T08:00Z"
    state(home, 'ledger = "ledger.sqlite"\nmembers = 1\ntariff = 0.30\ncurrency = "EUR"\n')
    shelve(capsys, oven)
    plan = ("drying", "plan", "petg-03", "--dryer", "oven", "--more", "--at", TUE)
    code, out, err = run(capsys, *plan)
    assert code == 0, err
    cost = re.search(r"costs (\d+\.\d\d) EUR at 0\.3 a kWh", " ".join(out.split()))
    assert cost is not None, out
    state(home, 'ledger = "ledger.sqlite"\nmembers = 1\ntariff = 0.30\n')
    assert f"costs {cost[1]} at 0.3 a kWh" in " ".join(run(capsys, *plan)[1].split())


def test_so_do_prices_of_a_desiccant(capsys, home) -> None:
    state(home, 'ledger = "ledger.sqlite"\nmembers = 1\ncurrency = "EUR"\n')
    shelve(
        capsys,
        f"place add oven --kind dryer --temperature 65 --room bench --at {MON}",
        f"place add box-2 --kind box --air 9 --humidity 15 --temperature 22 --room bench --at {MON}",
        "spool dried petg-03 --hours 9 --temperature 65 --dryer oven --to box-2 --at 2026-11-02T20:00+01:00",
    )
    size = ("place", "size", "box-2", "--spools", "petg-03", "--price", "clay=3,20", "--at", TUE)
    code, out, err = run(capsys, *size)
    assert code == 0, err
    assert re.search(r"clay .* \d+\.\d\d EUR\n", out), out


@pytest.mark.parametrize("word", ["far too long a word", "E\\u0007", "\\n"])
def test_a_currency_that_is_none_is_refused(capsys, home, word) -> None:
    state(home, f'currency = "{word}"\n')
    code, _, err = run(capsys, "check", JOB, "--spool", SHELF / "petg-03.toml", "--at", TUE)
    assert code == 1
    assert "gcodetool.toml:1: currency is" in err
