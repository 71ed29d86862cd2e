"""What is said at once where a spool is noted in more heat than it stands, or its dryer to be hotter than known."""

import math
import time
from dataclasses import replace
from typing import TYPE_CHECKING

from gcodetool.errors import GcodetoolError
from gcodetool.ledger import dryers, records
from gcodetool.ledger.entries import MICRO
from gcodetool.ledger.store import reading

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from gcodetool.ledger.records import PlaceRecord
    from gcodetool.ledger.store import Ledger
    from gcodetool.ledger.writers import Written


def with_heat_cautions(ledger: "Ledger", done: "Written") -> "Written":
    """Return what was written with a caution for each spool that this puts into too hot a dryer."""
    with reading(ledger) as conn:
        known = records.places(conn)
        said = [_caution(conn, known, *each) for each in _concerned(conn, known, done)]
    return replace(done, notes=(*done.notes, *(text for text in said if text is not None)))


def _concerned(
    conn: "Connection", known: "dict[str, PlaceRecord]", done: "Written"
) -> list[tuple[str, str, float]]:
    """Return (spool, dryer, moment [s]) of what was written: who was put in, or is in a dryer that was read or set."""
    hot = {name for name, place in known.items() if place.kind == "dryer"}
    found: dict[tuple[str, str], float] = {}
    for entry in done.entries:
        if entry.kind == "moved" and entry.facts["place"] in hot:
            found[entry.name, entry.facts["place"]] = entry.at_s
        elif entry.subject == "place" and entry.name in hot and entry.kind in ("read", "set"):
            at_us = entry.at_us if entry.kind == "read" else int(time.time() * MICRO)
            for stay in dryers.stays_in(conn, entry.name):
                if stay.begin_us <= at_us < stay.end_us:
                    found[stay.spool, entry.name] = at_us / MICRO
    return [(spool_id, place, at_s) for (spool_id, place), at_s in found.items()]


def _caution(
    conn: "Connection", known: "dict[str, PlaceRecord]", spool_id: str, place: str, at_s: float
) -> str | None:
    """Return what is to be said of a spool in a dryer at a moment; None: nothing."""
    # physics, for dryers alone: other moves are noted without waiting for it
    from gcodetool.drying.too_hot import too_hot, too_hot_now, too_hot_then
    from gcodetool.judge.heat_damage import heat_damage
    from gcodetool.judge.reasons import too_hot_caution
    from gcodetool.moisture.stays import stays

    try:
        spool = records.load_spool(conn, spool_id, known)
    except GcodetoolError:  # it is written; what is wrong with the record is said where that is asked for
        return None
    found = too_hot(spool, place, at_s)
    if found is None:
        return None
    stay = next(one for one in stays(spool) if one.begin_s <= at_s < one.end_s)
    if math.isinf(stay.end_s):
        return too_hot_now(found)
    damage = heat_damage(spool, stay.end_s)
    marked = damage is not None and stay.begin_s <= damage.at_s < stay.end_s
    return too_hot_caution(spool_id, damage) if damage is not None and marked else too_hot_then(found)
