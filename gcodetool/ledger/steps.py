"""The named steps that bring an older ledger forward to this version's tables and words.

Left out: opening, locking and copying (``store``).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, func, insert, inspect, select

from gcodetool.ledger.fold_dryers import fold_dryers
from gcodetool.ledger.schema import ENTRIES, METADATA, OUTLOOKS, READINGS, SNAPSHOTS, VERSIONS


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
    Step(3, "one place for each dryer, a temperature for each stay", fold_dryers),
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
