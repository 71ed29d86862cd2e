"""Schema step 6: entries may be about test series, too.

A rule of the table says what an entry may be about.  SQLite cannot change a table's rule, so the entries move to a
table with the new one, row by row as they are: numbers, digests and all.
"""

from typing import Final

from sqlalchemy import Connection, inspect

from gcodetool.ledger.schema import ENTRIES, METADATA, SUBJECT_CHECK, SUBJECTS

OLD: Final = "entry_before_series"


def room_for_series(conn: Connection) -> None:
    """Let entries be about series, within the caller's transaction; nothing is done where they may be already."""
    if _knows_series(conn):
        return
    if conn.dialect.name != "sqlite":
        conn.exec_driver_sql(f"ALTER TABLE entry DROP CONSTRAINT {SUBJECT_CHECK}")
        conn.exec_driver_sql(
            f"ALTER TABLE entry ADD CONSTRAINT {SUBJECT_CHECK} CHECK (subject IN {SUBJECTS})"
        )
        return
    columns = [column["name"] for column in inspect(conn).get_columns(ENTRIES.name)]
    named = ", ".join(f'"{name}"' for name in columns)
    for index in ENTRIES.indexes:
        conn.exec_driver_sql(f"DROP INDEX IF EXISTS {index.name}")
    conn.exec_driver_sql(f"ALTER TABLE entry RENAME TO {OLD}")
    METADATA.create_all(conn, [ENTRIES])
    conn.exec_driver_sql(f"INSERT INTO entry ({named}) SELECT {named} FROM {OLD} ORDER BY number")
    conn.exec_driver_sql(f"DROP TABLE {OLD}")


def _knows_series(conn: Connection) -> bool:
    rules = inspect(conn).get_check_constraints(ENTRIES.name)
    return any("series" in str(rule["sqltext"]) for rule in rules)
