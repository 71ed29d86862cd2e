"""A backup put in a ledger's place: checked before, and what was there before is kept.

The backup itself is only read: a copy of it is checked and brought to this version's schema.  A ledger file that can
still be opened gets the copy's pages within one transaction, so whoever has it open sees the one or the other; one that
cannot is put aside together with its log, for a log left beside a new file would damage that one.
"""

import contextlib
import sqlite3
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from sqlalchemy import func, insert, select

from gcodetool.changes import making
from gcodetool.errors import DamagedError, LedgerError
from gcodetool.ledger import records
from gcodetool.ledger.call import now_us
from gcodetool.ledger.location import path_of, place_of
from gcodetool.ledger.maintenance import backup, refuse_damaged
from gcodetool.ledger.schema import ENTRIES, FORMS, OUTLOOKS, READINGS, SNAPSHOTS
from gcodetool.ledger.store import Ledger, copy, open_file, open_ledger, reading, writing
from gcodetool.textfile import own_folder

BESIDE: Final = ("", "-wal", "-shm", "-journal")  # a database and what SQLite keeps beside it


@dataclass(frozen=True)
class Restored:
    """What became of it: where the entries are now, how many, and where those are that were there before."""

    where: str
    entries: int
    kept: Path | None


def restore(file: Path, word: str | None = None) -> Restored:
    """Put the backup in *file* in the place of the ledger that *word* names.

    Raises
    ------
    LedgerError
        The backup is no ledger, damaged, or of a newer version; or the ledger's place cannot be written.
    """
    path = path_of(place_of(word))
    if path is not None and path.exists() and file.exists() and path.samefile(file):
        raise LedgerError(f"{file}: that is the ledger itself; name a backup")
    folder = None if path is None else path.parent
    with checked_copy(file, folder, "not restored, the backup is damaged") as draft:
        if path is not None:
            return _into_file(draft, path)
        return _into_server(draft, open_ledger(word))


@contextlib.contextmanager
def checked_copy(file: Path, folder: Path | None, what: str) -> Iterator[Ledger]:
    """Give a copy of the ledger in *file*, whole and of this version's schema; it is gone afterwards.

    *what*: to say where it is damaged.
    """
    with _named(file, what):
        source = open_file(file)
    try:
        if folder is not None:
            own_folder(folder)
        work = Path(tempfile.mkdtemp(prefix=".restore-", dir=folder))
    except OSError as error:
        raise LedgerError(f"{folder}: cannot be written: {error.strerror}; check its permissions") from error
    try:
        draft = work / "ledger.sqlite"
        with _named(file, what):
            copy(source, draft)
            opened = open_ledger(draft, make=False)  # one of an older version cannot be read as it stands
            refuse_damaged(opened, f"{file}: {what}", check=f"gcodetool ledger check --ledger {file}")
        yield opened
    finally:
        for left in work.iterdir():
            left.unlink()
        work.rmdir()


@contextlib.contextmanager
def _named(file: Path, what: str) -> Iterator[None]:
    """Say of which file it is that SQLite cannot read it, where it is a copy that it reads."""
    try:
        yield
    except DamagedError as error:
        raise LedgerError(f"{file}: {what}: SQLite cannot read it; take an earlier copy") from error


def _into_file(draft: Ledger, path: Path) -> Restored:
    stamp = f"{records.utc(now_us()):%Y-%m-%dT%H%M%S.%f}Z"
    kept: Path | None = path.with_name(f"{path.name}.before-restore-{stamp}")
    assert kept is not None
    assert draft.path is not None
    if not _readable(path):
        aside = [rest for rest in BESIDE if path.with_name(path.name + rest).exists()]
        for rest in aside:
            with making(f"{path}{rest} was put aside as {kept}{rest}"):
                path.with_name(path.name + rest).replace(kept.with_name(kept.name + rest))
        kept = kept if aside else None
    else:
        with making(f"a copy of {path} was written to {kept}"):
            copy(open_file(path), kept)
    with making(f"{path} was restored"):
        _pages_into(draft.path, path)
    found = open_ledger(path, make=False)
    refuse_damaged(found, f"{path}: restored, but not whole: check the disk")
    return Restored(found.where, _count(found), kept)


def _readable(path: Path) -> bool:
    """Return whether there is a database that SQLite finds whole."""
    if not path.is_file() or path.stat().st_size == 0:
        return False
    try:
        with contextlib.closing(sqlite3.connect(path)) as conn:
            return [row[0] for row in conn.execute("PRAGMA quick_check(1)")] == ["ok"]
    except sqlite3.Error:
        return False


def _pages_into(draft: Path, path: Path) -> None:
    """Put the pages of one database in the place of another's, in one transaction of the latter."""
    try:
        with (
            contextlib.closing(sqlite3.connect(draft)) as source,
            contextlib.closing(sqlite3.connect(path)) as into,
        ):
            source.backup(into)
            into.execute("PRAGMA journal_mode = WAL")
    except sqlite3.Error as error:
        raise LedgerError(
            f"{path}: cannot be restored: {error}; end other programs that use it, and try again"
        ) from error


def _into_server(draft: Ledger, ledger: Ledger) -> Restored:
    kept: Path | None = None
    there = _count(ledger)
    if there:
        kept = Path.cwd() / f"ledger-before-restore-{records.utc(now_us()):%Y-%m-%dT%H%M%S.%f}Z.sqlite"
        backup(ledger, kept)
    with making(f"{ledger.where} was restored"), reading(draft) as source, writing(ledger) as conn:
        if conn.execute(select(func.count()).select_from(ENTRIES)).scalar_one() != there:
            raise LedgerError(f"{ledger.where}: somebody noted something meanwhile; try again")
        for table in (SNAPSHOTS, OUTLOOKS, FORMS, READINGS, ENTRIES):
            conn.execute(table.delete())
        for table in (ENTRIES, READINGS, FORMS):
            rows = [dict(row._mapping) for row in source.execute(select(table))]
            for first in range(0, len(rows), 1000):
                conn.execute(insert(table), rows[first : first + 1000])
        last = conn.execute(select(func.max(ENTRIES.c.number))).scalar() or 1
        conn.execute(select(func.setval(func.pg_get_serial_sequence("entry", "number"), last)))
    refuse_damaged(ledger, f"{ledger.where}: restored, but not whole")
    return Restored(ledger.where, _count(ledger), kept)


def _count(ledger: Ledger) -> int:
    with reading(ledger) as conn:
        return int(conn.execute(select(func.count()).select_from(ENTRIES)).scalar_one())
