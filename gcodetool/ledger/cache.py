"""What the ledger remembers of computed states, for speed: fields as bytes, and outlooks as text.

Nothing here is the record: a cache that cannot be read or written is no failure, and each holds the digest
of the history that it rests on.  Left out: what is in them (``moisture.snapshot``, ``judge.idle_forecast``).
"""

import contextlib
import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, delete, insert, select

from gcodetool import profiles
from gcodetool.cachefile import stamp_of
from gcodetool.errors import LedgerError
from gcodetool.ledger.schema import ENTRIES, OUTLOOKS, SNAPSHOTS
from gcodetool.ledger.store import Ledger, reading, writing

PATIENCE_S: Final = 0.5  # a cache is not worth waiting for
MEASURED: Final = ("read", "logged")  # entries of a place that bring readings


@dataclass(frozen=True)
class LedgerShelf:
    """The snapshots of one spool, in the ledger's own table."""

    ledger: Ledger
    spool_id: str

    def load(self, members: int) -> bytes | None:
        """Return what was saved, or None."""
        asked = select(SNAPSHOTS.c.data).where(
            SNAPSHOTS.c.spool == self.spool_id, SNAPSHOTS.c.members == members
        )
        with contextlib.suppress(LedgerError), reading(self.ledger) as conn:
            found = conn.execute(asked).scalar()
            return None if found is None else bytes(found)
        return None

    def save(self, members: int, data: bytes) -> None:
        """Keep *data* in place of what was there; silently not, where that cannot be."""
        with contextlib.suppress(LedgerError), writing(self.ledger, patience=PATIENCE_S) as conn:
            conn.execute(
                delete(SNAPSHOTS).where(SNAPSHOTS.c.spool == self.spool_id, SNAPSHOTS.c.members == members)
            )
            conn.execute(insert(SNAPSHOTS).values(spool=self.spool_id, members=members, data=data))


def profiles_stamp() -> str:
    """Return what tells one set of profiles from another: this version's own, and the user's files."""
    return stamp_of(profiles.user_folder().rglob("*.toml"))


Marks = dict[str, list[tuple[int, str, int]]]
"""Of each place its entries: number, kind, at [µs]."""


def marks(conn: Connection) -> Marks:
    """Return what tells one history of the places from another."""
    found: Marks = {}
    asked = select(ENTRIES.c.name, ENTRIES.c.number, ENTRIES.c.kind, ENTRIES.c.at_us)
    for name, number, kind, at_us in conn.execute(
        asked.where(ENTRIES.c.subject == "place").order_by(ENTRIES.c.number)
    ):
        found.setdefault(str(name), []).append((number, kind, at_us))
    return found


def counted(rows: list[tuple[int, str, int]], until_us: int | None) -> list[int]:
    """Return the numbers of a place's entries that count up to a moment: of readings, those and the next one.

    >>> counted([(1, "added", 9), (2, "read", 10), (3, "read", 20), (4, "read", 30)], 15)
    [1, 2, 3]
    """
    if until_us is None:
        return [number for number, _, _ in rows]
    later = [at_us for _, kind, at_us in rows if kind in MEASURED and at_us > until_us]
    bound = min(later, default=until_us)
    return [number for number, kind, at_us in rows if kind not in MEASURED or at_us <= bound]


def key(
    spool_head: str,
    places: Mapping[str, int | None],
    known: Marks,
    files: Iterable[str],
    *,
    members: int,
    model: str,
    stamp: str,
) -> str:
    """Return the digest of everything that an outlook rests on.

    Parameters
    ----------
    places
        Each place whose air it rests on, and up to when [µs]; None: the spool is there now.
    files
        Material files of its own.
    """
    parts = [spool_head, model, stamp, str(members)]
    parts += [f"{name} {counted(known.get(name, []), places[name])}" for name in sorted(places)]
    parts.append(stamp_of(Path(path) for path in files))
    return hashlib.sha256("\x1f".join(parts).encode()).hexdigest()


def outlooks(conn: Connection, members: int) -> dict[str, tuple[str, str]]:
    """Return each spool's kept outlook: (key, text)."""
    rows = conn.execute(
        select(OUTLOOKS.c.spool, OUTLOOKS.c.key, OUTLOOKS.c.data).where(OUTLOOKS.c.members == members)
    )
    return {row.spool: (row.key, row.data) for row in rows}


def keep_outlooks(ledger: Ledger, members: int, kept: Mapping[str, tuple[str, str]]) -> None:
    """Keep outlooks in place of those that were there; silently not, where that cannot be."""
    if not kept:
        return
    with contextlib.suppress(LedgerError), writing(ledger, patience=PATIENCE_S) as conn:
        conn.execute(delete(OUTLOOKS).where(OUTLOOKS.c.members == members, OUTLOOKS.c.spool.in_(list(kept))))
        rows = [
            {"spool": spool_id, "members": members, "key": one, "data": data}
            for spool_id, (one, data) in kept.items()
        ]
        conn.execute(insert(OUTLOOKS), rows)
