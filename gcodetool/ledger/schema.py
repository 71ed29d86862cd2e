"""The ledger's tables.

``entry`` is the record: rows are added and never changed.  ``reading`` holds the hygrometer figures that
entries of places brought in.  ``form`` holds the keys of forms that are noted once, ``access`` who may send them,
``held_air`` readings of sensors that wait to be averaged.  ``snapshot`` and ``outlook`` are caches that may be emptied
at any time.
Left out: how an older ledger gets them (``steps``).
"""

from typing import Final

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    Column,
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
)

SUBJECTS: Final = ("spool", "place", "series")
SUBJECT_CHECK: Final = "entry_subject_check"  # the name that PostgreSQL gave it before it had one
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
    Column(
        "subject", String(8), CheckConstraint(f"subject IN {SUBJECTS}", name=SUBJECT_CHECK), nullable=False
    ),
    Column("name", String(200), CheckConstraint("name <> ''"), nullable=False),
    Column("kind", String(16), nullable=False),
    Column("at_us", BigInteger, nullable=False),  # when it happened: microseconds since 1970-01-01 UTC
    Column("noted_us", BigInteger, nullable=False),  # when it was written down
    Column("facts", Text, nullable=False),  # JSON, keys of the spool file
    Column("call", String(32), nullable=False),  # entries of one command share it
    Column("part", Integer, nullable=False),
    Column("chain", String(64), nullable=False),  # SHA-256 over this entry and the one before of its name
    Column("who", String(80)),  # who wrote it down; empty: not known, none: written before schema 4
    Column(
        "turn_us", BigInteger, nullable=False, server_default="0"
    ),  # its order among all entries: see ``entries``
    Column(
        "nth", BigInteger
    ),  # how many entries the ledger held with this one; none: written before schema 4
    UniqueConstraint("call", "part", name="entry_once"),
    Index("entry_by_name", "subject", "name", "number"),
    Index("entry_by_turn", "turn_us"),
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
FORMS: Final = Table(
    "form",
    METADATA,
    Column("key", String(64), primary_key=True),
    Column("sent", String(64), nullable=False),  # SHA-256 of what was filled in
    Column("call", String(32), nullable=False),  # that of its entries
    Column("at_us", BigInteger, nullable=False),
)
ACCESS: Final = Table(
    "access",
    METADATA,
    Column("name", String(200), primary_key=True),
    Column("role", String(8), CheckConstraint("role IN ('device', 'sensor', 'calendar')"), nullable=False),
    Column("digest", String(64), nullable=False, unique=True),  # SHA-256 of the token
    Column("place", String(200)),
    Column("made_us", BigInteger, nullable=False),
    Column("seen_us", BigInteger, nullable=False),
)
HELD_AIR: Final = Table(
    "held_air",
    METADATA,
    Column("place", String(200), primary_key=True),
    Column("count_", Integer, nullable=False),
    Column("at_us", BigInteger, nullable=False),  # the mean of these, and below
    Column("temperature_C", Float(53), nullable=False),
    Column("rh_pct", Float(53), nullable=False),
    Column("first_us", BigInteger, nullable=False),
    Column("last_us", BigInteger, nullable=False),
)
