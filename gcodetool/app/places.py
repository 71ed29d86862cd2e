"""``place list`` and ``place show``: where spools stand, the air there, and who stands there."""

from typing import TYPE_CHECKING

from gcodetool.app.resolve import Moment, clock
from gcodetool.judge.shelf_findings import AirReading
from gcodetool.judge.shelf_findings import PlaceOnShelf as PlaceOnShelf  # noqa: PLC0414  # what pages are told
from gcodetool.ledger import records
from gcodetool.ledger.entries import micro
from gcodetool.ledger.store import open_ledger, reading

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from gcodetool.ledger.records import PlaceRecord


def places(*, at: Moment = None, ledger: str | None = None) -> list[PlaceOnShelf]:
    """Return the places of the ledger at a moment, by name.

    Parameters
    ----------
    at, ledger : as for a check.

    Raises
    ------
    LedgerError
        There is no ledger, or it cannot be used.
    """
    at_us = micro(clock(at))
    with reading(open_ledger(ledger, make=False)) as conn:
        known, inside = records.places(conn), _inside(conn, at_us)
        return [_seen(conn, each, inside.get(name, []), at_us) for name, each in known.items()]


def place(name: str, *, at: Moment = None, ledger: str | None = None) -> PlaceOnShelf:
    """Return one place of the ledger at a moment; arguments and errors as in :func:`places`."""
    at_us = micro(clock(at))
    with reading(open_ledger(ledger, make=False)) as conn:
        found = records.place(records.places(conn), name)
        return _seen(conn, found, _inside(conn, at_us).get(name, []), at_us)


def _seen(conn: "Connection", found: "PlaceRecord", inside: list[str], at_us: int) -> PlaceOnShelf:
    rows = records.air_of(conn, found)
    before = [row for row in rows if row[0] <= at_us]
    last = None
    if before:
        moment_us, celsius, rh_pct = before[-1]
        last = AirReading(moment_us / 1e6, celsius, rh_pct)
    return PlaceOnShelf(
        found.name, found.kind, found.stated, last, len(rows), tuple(inside), tuple(found.entries)
    )


def _inside(conn: "Connection", at_us: int) -> dict[str, list[str]]:
    """Return the spools in each place at a moment."""
    found: dict[str, list[str]] = {}
    for spool_id, where in records.at_places(conn, at_us).items():
        found.setdefault(where, []).append(spool_id)
    return found
