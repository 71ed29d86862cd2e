"""Spools of the ledger that were once one reel: what a scale or eyes said of one tells of the others.

Left out: what is made of it (``moisture.history``), and the company that a relative stood in.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from sqlalchemy import Connection

from gcodetool.ledger import records
from gcodetool.ledger.records import PlaceRecord
from gcodetool.moisture.record import AirLog, Spool

TELLING: Final = ("weighed", "inspected")


def with_relatives(
    conn: Connection,
    spool: Spool,
    known: Mapping[str, PlaceRecord],
    *,
    airs: dict[str, AirLog | None] | None = None,
) -> Spool:
    """Return a spool of the ledger with those of the same reel that were weighed or looked at.

    Errors as in ``records.load_spool``.
    """
    if not spool.origins and not any(event.into is not None for event in spool.events):
        return spool
    memory: dict[str, AirLog | None] = {} if airs is None else airs
    found = []
    for name in records.families(conn).get(spool.id, []):
        other = records.spool_from(conn, records.spool(conn, name), known, airs=memory)
        if any(event.kind in TELLING for event in other.events):
            found.append(other)
    return replace(spool, relatives=tuple(found))
