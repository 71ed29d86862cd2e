"""Ledgers of every version that was ever written: brought to today's schema whole, or left as they were.

``data/ledgers/version-N`` holds a ledger as the version before wrote it, and the spool files that it exported of it.
(Version 1 never left the house: its two steps came together.)
"""

import contextlib
import pathlib
import shutil
import sqlite3

import pytest
from sqlalchemy import (
    CheckConstraint,
    Column,
    MetaData,
    String,
    Table,
    create_engine,
    func,
    insert,
    select,
    text,
)
from sqlalchemy.exc import IntegrityError

from gcodetool.errors import LedgerError
from gcodetool.ledger import entries, exchange, maintenance, restore, series_entries, steps, store, writers
from gcodetool.ledger.schema import ACCESS, ENTRIES, FORMS, HELD_AIR, OUTLOOKS, READINGS, SNAPSHOTS, VERSIONS
from gcodetool.ledger.spoolfile import read_spool
from gcodetool.ledger.store import open_ledger, reading

LEDGERS = pathlib.Path(__file__).parent / "data" / "ledgers"
RELEASED = sorted(path.name for path in LEDGERS.iterdir())
LATE = ("who", "turn_us", "nth")  # columns that came with step 4


@pytest.fixture(params=RELEASED)
def old(request: pytest.FixtureRequest, tmp_path: pathlib.Path) -> pathlib.Path:
    """Give a copy of an old ledger, alone in a folder."""
    path = tmp_path / "shelf" / "ledger.sqlite"
    path.parent.mkdir()
    shutil.copy(LEDGERS / request.param / "ledger.sqlite", path)
    return path


def exported(name: str) -> list[pathlib.Path]:
    return sorted((LEDGERS / name).glob("*.toml"))


def files(folder: pathlib.Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_every_version_but_this_one_has_its_ledger() -> None:
    assert [f"version-{number}" for number in range(2, steps.NEWEST)] == RELEASED
    assert [step.version for step in steps.STEPS] == list(range(1, steps.NEWEST + 1))


def test_it_comes_forward_whole_and_a_copy_stays(old: pathlib.Path, request: pytest.FixtureRequest) -> None:
    version = request.node.callspec.params["old"]
    ledger = open_ledger(old)
    assert not list(maintenance.integrity_errors(ledger))
    kept = old.with_name(f"ledger.sqlite.{version}.backup")
    assert set(files(old.parent)) - {"ledger.sqlite-wal", "ledger.sqlite-shm"} == {"ledger.sqlite", kept.name}
    with contextlib.closing(sqlite3.connect(kept)) as copy, contextlib.closing(sqlite3.connect(old)) as now:
        asked = "SELECT number, name, kind, at_us, noted_us FROM entry WHERE number <= ? ORDER BY number"
        (last,) = copy.execute("SELECT max(number) FROM entry").fetchone()
        assert now.execute(asked, (last,)).fetchall() == copy.execute(asked, (last,)).fetchall()
        assert (
            now.execute("SELECT * FROM reading").fetchall()
            == copy.execute("SELECT * FROM reading").fetchall()
        )
    for file in exported(version):
        spool = read_spool(file)
        (old.parent / file.name).write_text(exchange.export(ledger, spool.id).text, encoding="utf-8")
        for log in file.parent.glob("*.csv"):
            shutil.copy(log, old.parent)
        again = read_spool(old.parent / file.name)
        assert [(each.at_s, each.kind) for each in again.events] == [
            (each.at_s, each.kind) for each in spool.events
        ]
    with reading(ledger) as conn:
        rows = [*entries.of(conn, "spool"), *entries.of(conn, "place")]
    turns = [entry.turn for entry in sorted(rows, key=lambda entry: entry.number)]
    assert turns == sorted(set(turns))
    unsigned = int(version.removeprefix("version-")) < 4  # who wrote an entry came with the fourth
    assert all((entry.who is None) or not unsigned for entry in rows if entry.number <= last)
    assert open_ledger(old).path == old  # nothing left to do


@pytest.mark.parametrize("failing", range(len(steps.STEPS) + 1))
def test_a_step_that_fails_leaves_the_old_ledger_untouched(
    failing: int, old: pathlib.Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(_: object) -> None:
        raise RuntimeError("a step that fails")

    bad = steps.Step(steps.NEWEST + 1, "fails", fails)
    monkeypatch.setattr(steps, "STEPS", (*steps.STEPS[:failing], bad, *steps.STEPS[failing:]))
    monkeypatch.setattr(store, "NEWEST", steps.NEWEST + 1)
    before = files(old.parent)
    with pytest.raises(RuntimeError, match="a step that fails"):
        open_ledger(old)
    assert files(old.parent) == before
    monkeypatch.undo()
    assert not list(maintenance.integrity_errors(open_ledger(old)))


def test_a_copy_of_an_earlier_time_is_not_replaced_by_another(tmp_path: pathlib.Path) -> None:
    path, kept = tmp_path / "ledger.sqlite", tmp_path / "ledger.sqlite.version-3.backup"
    kept.write_bytes(b"the only good one")
    for count in (1, 2):
        shutil.copy(LEDGERS / "version-3" / "ledger.sqlite", path)
        open_ledger(path)
        assert kept.read_bytes() == b"the only good one"
        backups = sorted(each.name for each in tmp_path.glob("*.backup"))
        assert backups == ["ledger.sqlite.version-3-2.backup", kept.name], count
        for rest in ("", "-wal", "-shm"):
            path.with_name(path.name + rest).unlink(missing_ok=True)


@pytest.mark.parametrize("version", RELEASED)
def test_a_backup_of_an_older_version_is_restored_and_stays_as_it_is(
    version: str, tmp_path: pathlib.Path
) -> None:
    backup = tmp_path / "old.sqlite"
    shutil.copy(LEDGERS / version / "ledger.sqlite", backup)
    before = backup.read_bytes()
    done = restore.restore(backup, str(tmp_path / "new" / "ledger.sqlite"))
    assert done.entries >= 16
    assert backup.read_bytes() == before
    assert not list(maintenance.integrity_errors(open_ledger(tmp_path / "new" / "ledger.sqlite")))
    with contextlib.closing(sqlite3.connect(backup)) as conn:
        conn.execute("UPDATE entry SET facts = facts || ' ' WHERE number = 5")
        conn.commit()
    with pytest.raises(LedgerError, match="not restored, the backup is damaged"):
        restore.restore(backup, str(tmp_path / "other.sqlite"))


def tables_of_then(version: int) -> tuple[MetaData, list[Table]]:
    """Return a server's tables as a version made them: its columns, and entries about spools and places only."""
    older = MetaData()
    late_tables = (FORMS, ACCESS, HELD_AIR) if version >= 5 else ()
    for table in (VERSIONS, ENTRIES, READINGS, SNAPSHOTS, OUTLOOKS, *late_tables):
        columns = []
        for column in table.columns:
            if column.name in LATE and version < 4:
                continue
            columns.append(column._copy())
            if column.name == "subject":
                columns[-1] = Column(
                    "subject", String(8), CheckConstraint("subject IN ('spool', 'place')"), nullable=False
                )
        Table(table.name, older, *columns)
    return older, [older.tables[table.name] for table in (VERSIONS, ENTRIES, READINGS)]


@pytest.mark.parametrize("version", RELEASED)
@pytest.mark.parametrize("ledger_word", ["postgresql"], indirect=True)
def test_a_server_s_ledger_comes_forward_or_stays(
    ledger_word: str, version: str, tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The rows of the file, in tables as that version made them."""
    number = int(version.removeprefix("version-"))
    engine = store.create_engine(store.make_url(ledger_word).set(drivername="postgresql+psycopg"))
    older, filled = tables_of_then(number)
    source = store.create_engine(f"sqlite:///{LEDGERS / version / 'ledger.sqlite'}")
    with engine.begin() as conn, source.connect() as file:
        older.create_all(conn)
        for table in filled:
            conn.execute(insert(table), [dict(row._mapping) for row in file.execute(select(table))])
        last = conn.execute(select(func.max(filled[1].c.number))).scalar_one()
        conn.execute(text(f"SELECT setval(pg_get_serial_sequence('entry', 'number'), {last})"))
    asked = text(
        "SELECT number, name, kind, at_us, noted_us FROM entry WHERE number <= :last ORDER BY number"
    )
    read = text("SELECT * FROM reading ORDER BY entry, at_us")
    with engine.connect() as conn:
        there = [conn.execute(asked, {"last": last}).fetchall(), conn.execute(read).fetchall()]

    def fails(_: object) -> None:
        raise RuntimeError("a step that fails")

    with monkeypatch.context() as patch:
        patch.setattr(steps, "STEPS", (*steps.STEPS, steps.Step(steps.NEWEST + 1, "fails", fails)))
        with pytest.raises(RuntimeError, match="a step that fails"):
            open_ledger(ledger_word)
    with engine.connect() as conn:
        assert steps.version_of(conn) == number
        assert steps._columns(conn, ENTRIES).isdisjoint(LATE) == (number < 4)
        assert [conn.execute(asked, {"last": last}).fetchall(), conn.execute(read).fetchall()] == there
    series = {"subject": "series", "name": "one", "kind": "added", "at_us": 0, "noted_us": 0, "facts": "{}"}
    with pytest.raises(IntegrityError, match="entry_subject_check"), engine.begin() as conn:
        conn.execute(insert(filled[1]), {**series, "call": "x", "part": 0, "chain": ""})
    ledger = open_ledger(ledger_word)
    assert not list(maintenance.integrity_errors(ledger))
    with engine.connect() as conn:
        assert steps.version_of(conn) == steps.NEWEST
        assert [conn.execute(asked, {"last": last}).fetchall(), conn.execute(read).fetchall()] == there
    for file in exported(version):
        spool = read_spool(file)
        (tmp_path / file.name).write_text(exchange.export(ledger, spool.id).text, encoding="utf-8")
        for log in file.parent.glob("*.csv"):
            shutil.copy(log, tmp_path)
        again = read_spool(tmp_path / file.name)
        assert [(each.at_s, each.kind) for each in again.events] == [
            (each.at_s, each.kind) for each in spool.events
        ]
    started = series_entries.start(ledger, "one", {"plan": {}}, {})
    assert started.entries[0].number > last
    with pytest.raises(LedgerError, match="entry_subject_check"), store.writing(ledger) as conn:
        conn.execute(insert(ENTRIES), {**series, "subject": "cat", "call": "x", "part": 0, "chain": ""})
    writers.weigh(ledger, "pa6-07", 946.0, force=True)
    assert not list(maintenance.integrity_errors(ledger))
    engine.dispose()
    source.dispose()


def test_where_no_step_was_taken_there_is_no_ledger_yet():
    with create_engine("sqlite://").begin() as conn:
        assert steps.version_of(conn) == 0
        VERSIONS.create(conn)
        assert steps.version_of(conn) == 0
        steps.forward(conn, version=0, now_us=0)
        assert steps.version_of(conn) == steps.NEWEST
