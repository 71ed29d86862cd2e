"""A ledger that the version before wrote: its dryings at other temperatures become stays in the one dryer."""

import pathlib
import shutil

import pytest

from gcodetool.errors import LedgerError
from gcodetool.ledger import entries, exchange, maintenance, records, steps, store
from gcodetool.ledger.spoolfile import read_spool
from gcodetool.ledger.store import open_ledger, reading
from gcodetool.moisture.dryer_runs import as_run
from gcodetool.moisture.history import state_at
from gcodetool.moisture.record import Event, Spool

OLD = pathlib.Path(__file__).parent / "data" / "ledgers" / "version-2"
SPOOLS = ("pa6-07", "petg-03", "pla-11", "tpu-05")
NOW = 1_794_124_800.0  # 2026-11-08T08:00Z


@pytest.fixture
def old(tmp_path: pathlib.Path) -> pathlib.Path:
    """Give a copy of the old ledger."""
    path = tmp_path / "ledger.sqlite"
    shutil.copy(OLD / "ledger.sqlite", path)
    return path


def heats(spool: Spool) -> list[tuple[float, str, float | None]]:
    """Return when a spool went where, and how hot a dryer is there."""
    moves: list[Event] = [event for event in spool.events if event.place is not None]
    return [
        (
            event.at_s,
            "dryer" if spool.places[event.place].kind == "dryer" else event.place,
            as_run(spool, spool.places[event.place], event.at_s).temperature_C,
        )
        for event in moves
        if event.place is not None
    ]


def test_the_step_has_a_name_and_leaves_a_copy_of_what_was(old: pathlib.Path) -> None:
    ledger = open_ledger(old)
    with reading(ledger) as conn:
        steps = [tuple(row) for row in conn.exec_driver_sql("SELECT version, name FROM schema_version")]
    assert steps[2] == (3, "one place for each dryer, a temperature for each stay")
    assert old.with_name("ledger.sqlite.version-2.backup").read_bytes()[:15] == b"SQLite format 3"
    assert not list(maintenance.integrity_errors(ledger))


@pytest.mark.parametrize("name", SPOOLS)
def test_every_stay_is_as_hot_as_it_was(old: pathlib.Path, name: str) -> None:
    """Against the files that the version before exported of the same ledger."""
    before = read_spool(OLD / f"{name}.toml")
    ledger = open_ledger(old)
    with reading(ledger) as conn:
        after = records.load_spool(conn, name)
    assert heats(after) == heats(before)
    kinds = [(event.at_s, event.kind, event.gross_g, event.length_mm) for event in before.events]
    assert [(event.at_s, event.kind, event.gross_g, event.length_mm) for event in after.events] == kinds
    assert state_at(after, NOW).next_fed_wt_pct == pytest.approx(
        state_at(before, NOW).next_fed_wt_pct, rel=1e-12
    )


def test_such_places_go_and_what_was_stated_of_them_stays(old: pathlib.Path) -> None:
    ledger = open_ledger(old)
    with reading(ledger) as conn:
        known = records.places(conn)
        told = [entry for entry in known["oven"].entries if entry.kind == "folded"]
        notes = [entry.facts.get("note") for entry in records.spool(conn, "petg-03").happened]
    # the one whose room was corrected since is not the same dryer
    assert set(known) == {"attic", "bench", "bench-1", "box-2", "oven", "oven-56C"}
    assert known["oven-56C"].facts["room"] == "attic"
    assert [entry.facts["name"] for entry in told] == ["oven-45C", "oven-63C", "oven-80C"]
    assert [entry.facts["stated"]["temperature_C"] for entry in told] == [45, 63, 80]
    assert all("variant_of" not in place.facts for place in known.values())
    assert "with the knob at 67" in notes


def test_what_was_undone_comes_back_in_the_dryer(old: pathlib.Path) -> None:
    from gcodetool.ledger import writers

    ledger = open_ledger(old)
    with reading(ledger) as conn:
        gone = next(entry for entry in entries.of(conn, "spool", "pla-11") if entry.kind == "undone")
    writers.undo(ledger, "pla-11", gone.number)
    with reading(ledger) as conn:
        stays = [
            (entry.facts["place"], entry.facts.get("temperature_C"))
            for entry in records.spool(conn, "pla-11").happened
        ]
    assert stays == [("oven", 45.0), ("box-2", None)]


def test_a_damaged_record_is_left_as_it_is(old: pathlib.Path) -> None:
    import sqlite3

    conn = sqlite3.connect(old)
    conn.execute("""UPDATE entry SET facts = '{"gross_g":1.0}' WHERE kind = 'weighed' AND name = 'petg-03'""")
    conn.commit()
    conn.close()
    ledger = open_ledger(old)
    with reading(ledger) as connection:
        known = records.places(connection)
        with pytest.raises(LedgerError, match=r"petg-03, entry .* not as it was noted"):
            records.load_spool(connection, "petg-03")
        records.load_spool(connection, "pa6-07")
    assert "oven-63C" in known
    assert "oven-80C" not in known
    assert any("petg-03" in fault.text for fault in maintenance.integrity_errors(ledger))


def test_a_damaged_place_does_not_keep_the_ledger_shut(old: pathlib.Path) -> None:
    import sqlite3

    conn = sqlite3.connect(old)
    conn.execute("""UPDATE entry SET facts = '{"kind":"dryer"}' WHERE name = 'oven-63C'""")
    conn.commit()
    conn.close()
    ledger = open_ledger(old)
    assert any("oven-63C" in fault.text for fault in maintenance.integrity_errors(ledger))
    with reading(ledger) as connection:
        assert "oven-63C" in {row.name for row in entries.of(connection, "place")}


def test_a_failure_on_the_way_leaves_the_old_ledger(
    old: pathlib.Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from gcodetool.ledger import fold_dryers

    def fails(*_: object) -> None:
        raise RuntimeError("power cut")

    monkeypatch.setattr(fold_dryers, "_rewrite", fails)
    with pytest.raises(RuntimeError, match="power cut"):
        open_ledger(old)
    monkeypatch.undo()
    ledger = open_ledger(old)
    assert not list(maintenance.integrity_errors(ledger))
    with reading(ledger) as conn:
        assert steps.version_of(conn) == steps.NEWEST
        assert len(records.places(conn)) == 6


def test_folded_and_exported_it_comes_in_again(old: pathlib.Path, tmp_path: pathlib.Path) -> None:
    ledger: store.Ledger = open_ledger(old)
    out = exchange.export(ledger, "pa6-07", beside=tmp_path)
    for file, text in {**out.logs, "pa6-07.toml": out.text}.items():
        (tmp_path / file).write_text(text, encoding="utf-8")
    other = open_ledger(tmp_path / "other.sqlite")
    exchange.import_spool(other, tmp_path / "pa6-07.toml")
    assert exchange.export(other, "pa6-07", beside=tmp_path) == out
