"""A ledger of the version before gets room for series: the same entries, and a rule that still holds."""

import pathlib
import shutil

import pytest

from gcodetool.errors import LedgerError
from gcodetool.ledger import entries, maintenance, series_entries, steps
from gcodetool.ledger.schema import ENTRIES
from gcodetool.ledger.store import open_ledger, reading, writing

OLD = pathlib.Path(__file__).parent / "data" / "ledgers" / "version-2" / "ledger.sqlite"


def rows(conn):
    return [
        tuple(row) for row in conn.exec_driver_sql("SELECT number, chain, call FROM entry ORDER BY number")
    ]


@pytest.fixture
def before_series(tmp_path, monkeypatch):
    """Give a ledger of version 5, its table with the rule of then."""
    path = tmp_path / "ledger.sqlite"
    shutil.copy(OLD, path)
    monkeypatch.setattr(steps, "STEPS", steps.STEPS[:5])
    monkeypatch.setattr("gcodetool.ledger.store.NEWEST", 5)
    ledger = open_ledger(path)
    monkeypatch.undo()
    return path, ledger


def test_the_step_has_a_name_and_keeps_every_entry(before_series):
    path, before = before_series
    with reading(before) as conn:
        there = rows(conn)
        assert (
            "series"
            not in conn.exec_driver_sql("SELECT sql FROM sqlite_master WHERE name = 'entry'").scalar()
        )
    ledger = open_ledger(path)
    with reading(ledger) as conn:
        assert rows(conn) == there
        assert conn.exec_driver_sql("SELECT name FROM schema_version WHERE version = 6").scalar() == (
            "room for test series among the entries"
        )
    assert not list(maintenance.integrity_errors(ledger))
    done = series_entries.start(ledger, "one", {"plan": {}}, {})
    assert done.entries[0].number == there[-1][0] + 1


def test_an_entry_about_nothing_known_is_still_refused(before_series):
    ledger = open_ledger(before_series[0])
    values = {"name": "x", "kind": "added", "at_us": 0, "noted_us": 0, "facts": "{}", "part": 0, "chain": ""}
    with pytest.raises(LedgerError, match="CHECK constraint"), writing(ledger) as conn:
        conn.execute(ENTRIES.insert().values(subject="cat", call="x", **values))


def test_a_new_ledger_has_the_room_from_the_start(tmp_path):
    ledger = open_ledger(tmp_path / "new.sqlite")
    with writing(ledger) as conn:
        entries.append(conn, [entries.Draft("series", "one", "added", 0, {"plan": {}})])
    with reading(ledger) as conn:
        assert list(series_entries.started(conn)) == ["one"]
