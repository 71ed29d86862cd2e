"""The named steps that bring an older ledger forward to this version's tables and words.

Left out: opening, locking and copying (``store``).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, Table, bindparam, func, insert, inspect, select, update
from sqlalchemy.schema import CreateColumn

from gcodetool.ledger.fold_dryers import fold_dryers
from gcodetool.ledger.room_for_series import room_for_series
from gcodetool.ledger.schema import (
    ACCESS,
    ENTRIES,
    FORMS,
    HELD_AIR,
    METADATA,
    OUTLOOKS,
    READINGS,
    SNAPSHOTS,
    VERSIONS,
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


def _fold(conn: Connection) -> None:
    _writers(conn)  # this step reads and writes by today's table
    fold_dryers(conn)


def _writers(conn: Connection) -> None:
    """Give entries columns for who wrote them and their count, and turns: as noted, but in the order of their numbers."""
    missing = [name for name in ("who", "turn_us", "nth") if name not in _columns(conn, ENTRIES)]
    if missing:
        for name in missing:
            spec = CreateColumn(ENTRIES.c[name]).compile(dialect=conn.dialect)
            conn.exec_driver_sql(f"ALTER TABLE {ENTRIES.name} ADD COLUMN {spec}")
        next(index for index in ENTRIES.indexes if index.name == "entry_by_turn").create(conn)
    turn, before, turns = 0, None, []
    asked = select(ENTRIES.c.number, ENTRIES.c.noted_us, ENTRIES.c.call).order_by(ENTRIES.c.number)
    for number, noted_us, call in conn.execute(asked):
        if call != before:
            turn = max(noted_us if isinstance(noted_us, int) else 0, turn + 1)
        before = call
        turns.append({"which": number, "turn": turn})
    if turns:
        changed = update(ENTRIES).where(ENTRIES.c.number == bindparam("which"), ENTRIES.c.turn_us == 0)
        conn.execute(changed.values(turn_us=bindparam("turn")), turns)


def _columns(conn: Connection, table: Table) -> set[str]:
    return {str(column["name"]) for column in inspect(conn).get_columns(table.name)}


def _forms(conn: Connection) -> None:
    METADATA.create_all(conn, [FORMS, ACCESS, HELD_AIR])


STEPS: Final = (
    Step(1, "the record: entries and readings", _record),
    Step(2, "room for snapshots and outlooks", _caches),
    Step(3, "one place for each dryer, a temperature for each stay", _fold),
    Step(4, "who wrote each entry, and its turn among all", _writers),
    Step(5, "forms noted once, who may send them, air that waits", _forms),
    Step(6, "room for test series among the entries", room_for_series),
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
