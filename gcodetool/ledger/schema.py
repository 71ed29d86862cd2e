"""The ledger's tables, and the named steps that bring an older ledger forward.

``entry`` is the record: rows are added and never changed.  ``reading`` holds the hygrometer figures that
entries of places brought in.  ``snapshot`` and ``outlook`` are caches that may be emptied at any time.
Left out: opening, locking and copying (``store``).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    Column,
    Connection,
    Float,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
    UniqueConstraint,
    func,
    insert,
    inspect,
    select,
)

METADATA: Final = MetaData()
NUMBER: Final = BigInteger().with_variant(Integer, "sqlite")  # SQLite counts up plain integers only

VERSIONS: Final = Table(
    "schema_version",
    METADATA,
    Column("version", Integer, primary_key=True, autoincrement=False),
    Column("name", String(60), nullable=False),
    Column("at_us", BigInteger, nullable=False),
)
ENTRIES: Final = Table(
    "entry",
    METADATA,
    Column("number", NUMBER, primary_key=True, autoincrement=True),
    Column("subject", String(8), CheckConstraint("subject IN ('spool', 'place')"), nullable=False),
    Column("name", String(200), CheckConstraint("name <> ''"), nullable=False),
    Column("kind", String(16), nullable=False),
    Column("at_us", BigInteger, nullable=False),  # when it happened: microseconds since 1970-01-01 UTC
    Column("noted_us", BigInteger, nullable=False),  # when it was written down
    Column("facts", Text, nullable=False),  # JSON, keys of the spool file
    Column("call", String(32), nullable=False),  # entries of one command share it
    Column("part", Integer, nullable=False),
    Column("chain", String(64), nullable=False),  # SHA-256 over this entry and the one before of its name
    UniqueConstraint("call", "part", name="entry_once"),
    Index("entry_by_name", "subject", "name", "number"),
    sqlite_autoincrement=True,
)
READINGS: Final = Table(
    "reading",
    METADATA,
    Column("entry", BigInteger, nullable=False),
    Column("place", String(200), nullable=False),
    Column("at_us", BigInteger, nullable=False),
    Column("temperature_C", Float(53), nullable=False),
    Column("rh_pct", Float(53), CheckConstraint("rh_pct BETWEEN 0 AND 100"), nullable=False),
    PrimaryKeyConstraint("entry", "at_us", name="reading_once"),
    Index("reading_by_place", "place", "at_us"),
)
SNAPSHOTS: Final = Table(
    "snapshot",
    METADATA,
    Column("spool", String(200), nullable=False),
    Column("members", Integer, nullable=False),
    Column("data", LargeBinary, nullable=False),
    PrimaryKeyConstraint("spool", "members", name="snapshot_once"),
)
OUTLOOKS: Final = Table(
    "outlook",
    METADATA,
    Column("spool", String(200), nullable=False),
    Column("members", Integer, nullable=False),
    Column("key", String(64), nullable=False),
    Column("data", Text, nullable=False),
    PrimaryKeyConstraint("spool", "members", name="outlook_once"),
)


@dataclass(frozen=True)
class Step:
    """One step forward: what it brings, and the function that does it within the caller's transaction."""

    version: int
    name: str
    work: Callable[[Connection], None]


def _record(conn: Connection) -> None:
    METADATA.create_all(conn, [VERSIONS, ENTRIES, READINGS])


def _caches(conn: Connection) -> None:
    METADATA.create_all(conn, [SNAPSHOTS, OUTLOOKS])


STEPS: Final = (
    Step(1, "the record: entries and readings", _record),
    Step(2, "room for snapshots and outlooks", _caches),
)
NEWEST: Final = STEPS[-1].version


def version_of(conn: Connection) -> int:
    """Return the schema's version; 0 where there is no ledger yet."""
    if not inspect(conn).has_table(VERSIONS.name):
        return 0
    return int(conn.execute(select(func.coalesce(func.max(VERSIONS.c.version), 0))).scalar_one())


def forward(conn: Connection, *, version: int, now_us: int) -> None:
    """Take every step after *version*, and record each."""
    for step in STEPS:
        if step.version > version:
            step.work(conn)
            conn.execute(insert(VERSIONS).values(version=step.version, name=step.name, at_us=now_us))
