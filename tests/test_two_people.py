"""Several people, several machines: who wrote what, whose clock was wrong, and two shelves made one."""

import getpass
import json
import pathlib

import pytest

from gcodetool.cli.main import outcome
from gcodetool.errors import LedgerError
from gcodetool.ledger import call, entries, exchange, maintenance, place_entries, records, writers
from gcodetool.ledger.store import Ledger, open_ledger, reading, writing

T0 = 1_793_606_400.0  # 2026-11-02T08:00Z
HOUR = 3600.0
FACTS = {"material": "PA6", "diameter_mm": 1.75, "net_mass_g": 750}


def bench(ledger: Ledger) -> None:
    place_entries.add_place(ledger, "bench", {"kind": "open", "temperature_C": 22, "rh_pct": 48}, at_s=T0)


@pytest.fixture
def shelf(ledger_word: str) -> Ledger:
    ledger = open_ledger(ledger_word)
    bench(ledger)
    writers.add_spool(ledger, "pa6-07", FACTS, at_s=T0)
    return ledger


def history(ledger: Ledger, spool: str = "pa6-07") -> list[entries.LedgerEntry]:
    with reading(ledger) as conn:
        return entries.of(conn, "spool", spool)


# ---------------------------------------------------------------- who


def test_each_entry_says_who_wrote_it(shelf: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GCODETOOL_WHO", " early shift ")
    writers.weigh(shelf, "pa6-07", 950.0, at_s=T0 + HOUR)
    monkeypatch.delenv("GCODETOOL_WHO")
    writers.weigh(shelf, "pa6-07", 949.0, at_s=T0 + 2 * HOUR)
    assert [entry.who for entry in history(shelf)][1:] == ["early shift", getpass.getuser()]
    assert not list(maintenance.integrity_errors(shelf))


@pytest.mark.parametrize("name", ["a\x1b[31mb", "x" * 81, "a\nb"])
def test_what_cannot_be_a_name_is_refused_and_nothing_is_written(
    name: str, shelf: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("GCODETOOL_WHO", name)
    with pytest.raises(LedgerError, match=r"^GCODETOOL_WHO: .* cannot be a name"):
        writers.weigh(shelf, "pa6-07", 950.0, at_s=T0 + HOUR)
    assert len(history(shelf)) == 1


def test_without_a_login_nobody_is_named(shelf: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    def nobody() -> str:
        raise OSError("no such user")

    monkeypatch.delenv("GCODETOOL_WHO", raising=False)
    monkeypatch.setattr(call.getpass, "getuser", nobody)
    writers.weigh(shelf, "pa6-07", 950.0, at_s=T0 + HOUR)
    assert history(shelf)[-1].who == ""


def test_a_history_shows_who_and_files_carry_it(
    tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GCODETOOL_LEDGER", "ledger.sqlite")
    for who, words in (
        ("early shift", "place add bench --kind open --temperature 22 --humidity 48"),
        ("early shift", "spool add pa6-07 --material PA6"),
        ("late shift", "spool weigh pa6-07 950 --force"),
    ):
        monkeypatch.setenv("GCODETOOL_WHO", who)
        assert outcome(words.split()) == 0
    assert outcome(["spool", "export", "pa6-07", "-o", "pa6-07.toml"]) == 0
    monkeypatch.setenv("GCODETOOL_WHO", "another shop")
    assert outcome(["spool", "import", "pa6-07.toml", "--ledger", "other.sqlite"]) == 0
    for ledger in ("ledger.sqlite", "other.sqlite"):
        capsys.readouterr()
        assert outcome(["spool", "show", "pa6-07", "--members", "1", "--ledger", ledger]) == 0
        shown = capsys.readouterr().out
        assert "early shift" in shown
        assert "late shift" in shown
        assert outcome(["spool", "show", "pa6-07", "--members", "1", "--json", "--ledger", ledger]) == 0
        said = json.loads(capsys.readouterr().out)
        assert [entry["who"] for entry in said["history"]] == ["early shift", "late shift"]
    text = exchange.export(open_ledger("other.sqlite"), "pa6-07").text
    assert text == pathlib.Path("pa6-07.toml").read_text(encoding="utf-8")
    pathlib.Path("bad.toml").write_text(text.replace('"late shift"', '"a\\u001bb"'), encoding="utf-8")
    assert outcome(["spool", "import", "bad.toml", "--ledger", "third.sqlite"]) == 1
    assert "bad.toml:" in capsys.readouterr().err


def test_a_changed_name_or_order_is_damage(shelf: Ledger) -> None:
    for column, value in (
        ("who", "somebody else"),
        ("who", None),
        ("noted_us", 5),
        ("turn_us", 1),
        ("part", 7),
    ):
        with pytest.raises(KeyError), writing(shelf) as conn:
            conn.execute(
                entries.ENTRIES.update().values({column: value}).where(entries.ENTRIES.c.number == 2)
            )
            assert entries.of(conn, "spool", "pa6-07")[0].damage is not None, column
            raise KeyError  # and it is as it was


# ---------------------------------------------------------------- clocks


def test_a_clock_that_is_ahead_is_named(shelf: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    ahead = 26 * 3600 * 1_000_000
    with monkeypatch.context() as patch:
        for module in (entries, writers):
            patch.setattr(module, "now_us", lambda: call.now_us() + ahead)
        patch.setenv("GCODETOOL_WHO", "late shift")
        writers.weigh(shelf, "pa6-07", 950.0, at_s=T0 + HOUR)
    (fault,) = [fault for fault in maintenance.integrity_errors(shelf) if fault.kind == "clock"]
    assert "noted by late shift" in fault.text
    assert "still to come" in fault.text
    with pytest.raises(
        LedgerError, match=r"the last note was made at .* by late shift: one of the clocks is wrong"
    ):
        writers.weigh(shelf, "pa6-07", 949.0)
    writers.weigh(shelf, "pa6-07", 949.0, at_s=T0 + 2 * HOUR)
    faults = [fault.text for fault in maintenance.integrity_errors(shelf) if fault.kind == "clock"]
    assert any("26.0 h before entry 3, which stood there already" in text for text in faults)
    writers.weigh(shelf, "pa6-07", 948.0)  # the last note's clock is right again
    assert [entry.facts.get("gross_g") for entry in history(shelf)[1:]] == [950.0, 949.0, 948.0]


@pytest.mark.parametrize("ledger_word", ["postgresql"], indirect=True)
def test_a_server_knows_what_time_it_is(shelf: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writers, "now_us", lambda: call.now_us() + 7200 * 1_000_000)
    with pytest.raises(LedgerError, match="the server's"):
        writers.weigh(shelf, "pa6-07", 950.0)
    writers.weigh(shelf, "pa6-07", 950.0, at_s=T0 + HOUR)
    with reading(shelf) as conn:
        assert len(records.spool(conn, "pa6-07").happened) == 1
