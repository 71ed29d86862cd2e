"""Looking after a ledger: does it hold what it was given, and a copy of it in one file.

``integrity_errors`` reads everything and compares it with the digests that its entries carry.  Left out: repair; a
damaged ledger is replaced by a backup.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

from sqlalchemy import Connection, func, insert, select
from sqlalchemy.exc import DBAPIError

from gcodetool.changes import making
from gcodetool.errors import GcodetoolError, LedgerError
from gcodetool.heldfile import LET_GO, is_held, take_place
from gcodetool.ledger import dryers, entries, plausibility, records
from gcodetool.ledger.call import CLOCK_SLACK_US, now_us
from gcodetool.ledger.records import SpoolRecord
from gcodetool.ledger.schema import ACCESS, ENTRIES, FORMS, HELD_AIR, OUTLOOKS, READINGS, SNAPSHOTS, VERSIONS
from gcodetool.ledger.steps import NEWEST
from gcodetool.ledger.store import Ledger, copy, open_file, open_ledger, reading, writing
from gcodetool.moisture.record import AirLog


@dataclass(frozen=True)
class Fault:
    """One thing that is not in order.

    Attributes
    ----------
    kind
        file: damaged, nothing more can be read; entry: not as it was noted; readings: not those that were
        noted; record: cannot be read; clock: noted by a wrong one; doubtful: a figure that a check doubts.
    text
        Where and what, in one line.
    """

    kind: Literal["file", "entry", "readings", "record", "clock", "doubtful"]
    text: str

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True)
class LedgerStats:
    """What a ledger holds."""

    version: int
    spools: int
    retired: int
    places: int
    entries: int
    readings: int


def ledger_stats(ledger: Ledger) -> LedgerStats:
    """Return what the ledger holds."""
    with reading(ledger) as conn:
        here, all_of_them = (len(records.on_shelf(conn, retired=retired)) for retired in (False, True))
        return LedgerStats(
            NEWEST,
            here,
            all_of_them - here,
            len(records.places(conn)),
            conn.execute(select(func.count()).select_from(ENTRIES)).scalar_one(),
            conn.execute(select(func.count()).select_from(READINGS)).scalar_one(),
        )


def integrity_errors(ledger: Ledger) -> Iterator[Fault]:
    """Yield what is wrong: damage, entries that do not carry their digest, records that cannot be read."""
    whole = True
    with reading(ledger) as conn:
        if ledger.path is not None:
            for fault in _file_faults(conn):
                whole = False
                yield fault
        try:
            yield from _content_faults(conn, numbered=ledger.path is not None)
        except DBAPIError as error:
            if whole:
                raise
            yield Fault("file", f"the rest of the file cannot be read: {error.orig}")


def _file_faults(conn: Connection) -> Iterator[Fault]:
    try:
        for (line,) in conn.exec_driver_sql("PRAGMA integrity_check(20)"):
            if line != "ok":
                yield Fault("file", f"the file is damaged: {' '.join(str(line).split())}")
    except DBAPIError as error:  # so damaged that even that stops
        yield Fault("file", f"the file is damaged: {error.orig}")


def _content_faults(conn: Connection, *, numbered: bool) -> Iterator[Fault]:
    """Yield what is wrong with entries, readings and records; *numbered*: the database counts what it wrote."""
    brought: dict[int, entries.Readings] = {}
    where: dict[int, set[str]] = {}  # a digest does not hold the place
    asked = select(READINGS).order_by(READINGS.c.entry, READINGS.c.at_us)
    for row in conn.execute(asked):
        brought.setdefault(row.entry, []).append((row.at_us, row.temperature_C, row.rh_pct))
        where.setdefault(row.entry, {row.place}).add(row.place)
    known: set[int] = set()
    noted = {subject: entries.by_name(entries.of(conn, subject)) for subject in get_args(entries.Subject)}
    for subject, names in noted.items():
        for name, rows in names.items():
            numbers = {entry.number for entry in rows}
            known |= numbers
            for entry in rows:
                which = f"{subject} {name}, entry {entry.number}"
                if entry.damage is not None:
                    yield Fault("entry", f"{which}: {entry.damage}")
                elif entry.kind == "undone" and not set(entry.facts["cancels"]) <= numbers:
                    yield Fault("entry", f"{which}: cancels an entry that is not there")
                elif where.get(entry.number, {name}) != {name} or (
                    entries.digest_of(brought.get(entry.number, [])) != entry.facts["digest"]
                    if "digest" in entry.facts
                    else entry.number in brought
                ):
                    yield Fault("readings", f"{which}: its readings are not those that were noted")
    if not set(brought) <= known:
        yield Fault("readings", "readings are there without the entry that brought them")
    yield from _lost(conn, known, numbered=numbered)
    yield from _clock_faults(conn)
    yield from _record_faults(conn, records.spools_of(noted["spool"]))


def _lost(conn: Connection, known: set[int], *, numbered: bool) -> Iterator[Fault]:
    """Yield that entries are there which belong to nothing, or that the last ones are gone."""
    there = conn.execute(select(func.count()).select_from(ENTRIES)).scalar_one()
    if there != len(known):
        yield Fault("entry", f"{there - len(known)} entries belong to no spool, place or series")
    before = 0
    counted = conn.execute(select(ENTRIES.c.number, ENTRIES.c.nth).order_by(ENTRIES.c.number))
    for position, (number, nth) in enumerate(counted, 1):
        if isinstance(nth, int) and nth - position != before:
            before = nth - position
            yield Fault(
                "entry",
                f"entry {number} was the {nth}. of all, and is the {position}.: some before it are gone or were put in",
            )
    if numbered:
        last = conn.exec_driver_sql("SELECT seq FROM sqlite_sequence WHERE name = 'entry'").scalar()
        if isinstance(last, int) and last > max(known, default=0):
            yield Fault(
                "entry", f"entries up to {last} were noted, and those after {max(known, default=0)} are gone"
            )


def _clock_faults(conn: Connection) -> Iterator[Fault]:
    """Yield what tells of a wrong clock: a note in the future, or one well before another that stood there already."""
    asked = select(ENTRIES.c.number, ENTRIES.c.name, ENTRIES.c.noted_us, ENTRIES.c.who)
    rows = conn.execute(asked.order_by(ENTRIES.c.turn_us, ENTRIES.c.call, ENTRIES.c.part))
    now, before = now_us(), None
    for row in rows:
        if not isinstance(row.noted_us, int) or abs(row.noted_us) >= entries.LAST_US:
            continue  # damaged, and named as that
        which, by = f"{row.name}, entry {row.number}", f" by {row.who}" if row.who else ""
        if row.noted_us > now + CLOCK_SLACK_US:
            at = records.wall(row.noted_us)
            yield Fault("clock", f"{which}: noted{by} at {at}, which is still to come: a clock was wrong")
        elif before is not None and row.noted_us < before.noted_us - CLOCK_SLACK_US:
            yield Fault(
                "clock",
                f"{which}: noted{by} {(before.noted_us - row.noted_us) / 3.6e9:.1f} h before entry {before.number}, which "
                "stood there already: a clock was wrong",
            )
        before = row


def _record_faults(conn: Connection, shelf: Mapping[str, SpoolRecord]) -> Iterator[Fault]:
    """Yield records that cannot be read, and figures that a check doubts; damaged ones were named before."""
    places = records.places(conn)
    airs: dict[str, AirLog | None] = {}
    for place in places.values():
        if place.kind == "dryer":
            for text in dryers.contradictions(conn, place, known=shelf):
                yield Fault("doubtful", f"{text} (noted with --force?)")
    for spool_id, record in shelf.items():
        try:
            spool = records.spool_from(conn, record, places, airs=airs)
        except GcodetoolError as error:
            yield Fault("record", str(error))
            continue
        for number, text in plausibility.doubtful(record, spool):
            which = f"spool {spool_id}" + ("" if number is None else f", entry {number}")
            yield Fault("doubtful", f"{which}: {text} (noted with --force?)")


def refuse_damaged(ledger: Ledger, what: str, *, check: str = "gcodetool ledger check") -> None:
    """Raise LedgerError, with *what* in front, where a ledger is not as it was noted; *check*: the call that says more."""
    for fault in integrity_errors(ledger):
        if fault.kind in ("file", "entry", "readings"):
            raise LedgerError(f"{what}: {fault}; '{check}' names all that is damaged")


def backup(ledger: Ledger, target: Path) -> None:
    """Write all that was ever noted to one SQLite file, whole or not at all; caches are left out.

    Raises
    ------
    LedgerError
        It cannot be written, or *target* is the ledger itself or no ledger.
    """
    if ledger.path is not None and target.exists() and target.samefile(ledger.path):
        raise LedgerError(f"{target}: that is the ledger itself; name another file with -o")
    refuse_damaged(ledger, f"{target}: no backup is made, and one that is there stays: the ledger is damaged")
    if target.exists():
        _refuse_to_lose(open_file(target), ledger)
    if not target.parent.is_dir():
        raise LedgerError(f"{target.parent}: no such folder; make it, or name another file with -o")
    draft = target.with_name(f".{target.name}.draft")
    draft.unlink(missing_ok=True)
    try:
        if ledger.path is not None:
            copy(ledger, draft)
            copied = open_ledger(draft)
            with writing(copied) as conn:
                for table in (SNAPSHOTS, OUTLOOKS, ACCESS, HELD_AIR):  # a backup lets nobody in
                    conn.execute(table.delete())
            with copied.engine.connect() as conn:
                conn.exec_driver_sql("VACUUM")
                conn.exec_driver_sql("PRAGMA journal_mode = DELETE")
        else:
            _copied(ledger, draft)
        refuse_damaged(open_ledger(draft, make=False), f"{target}: the backup could not be written whole")
        with making(f"{target} was written"):
            take_place(draft, target)
    except OSError as error:
        why = LET_GO if is_held(error) else f"{error.strerror}; name another file"
        raise LedgerError(f"{target}: the backup cannot be written: {why}") from error
    finally:
        for rest in ("", "-wal", "-shm"):
            draft.with_name(draft.name + rest).unlink(missing_ok=True)


def _refuse_to_lose(kept: Ledger, ledger: Ledger) -> None:
    """Raise LedgerError where an earlier backup holds entries that the ledger lacks."""
    with reading(kept) as old, reading(ledger) as new:
        chains = select(ENTRIES.c.chain)
        lost = set(old.execute(chains).scalars()) - set(new.execute(chains).scalars())
    if lost:
        raise LedgerError(
            f"{kept.where}: holds {len(lost)} entries that {ledger.where} lacks, so it is not replaced; name another file "
            "with -o"
        )


def _copied(ledger: Ledger, draft: Path) -> None:
    """Copy a server's ledger to a new file, row by row."""
    target = open_ledger(draft)
    with reading(ledger) as source, writing(target) as conn:
        conn.execute(VERSIONS.delete())
        for table in (VERSIONS, ENTRIES, READINGS, FORMS):
            rows = [dict(row._mapping) for row in source.execute(select(table))]
            for first in range(0, len(rows), 1000):
                conn.execute(insert(table), rows[first : first + 1000])
    with target.engine.connect() as conn:
        conn.exec_driver_sql("PRAGMA journal_mode = DELETE")


def default_target(ledger: Ledger) -> Path:
    """Return where a backup goes if nobody says: beside the ledger, named by the day and time."""
    folder = Path.cwd() if ledger.path is None else ledger.path.parent
    return folder / f"ledger-{records.utc(now_us()):%Y-%m-%dT%H%M%S}Z.backup.sqlite"
