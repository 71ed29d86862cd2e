"""Schema step 3: dryers at temperatures of their own are folded into the dryer that they are.

Up to schema 2 a drying at another temperature made another place (``oven-63C``, with the key ``variant_of``).  Now
the temperature stands with each stay: "moved to oven-63C" becomes "moved to oven, at 63 °C".  The place is taken
back, and the dryer keeps an entry ``folded`` with all that was stated of it.  A place of that sort stays a dryer
of its own where its air would not be the same (another room, fan, vent or dried air), where something else
than a move names it, or where the record that names it is damaged.
"""

import uuid
from collections.abc import Mapping
from typing import Any, Final

from sqlalchemy import Connection, delete, update

from gcodetool.ledger import entries, records
from gcodetool.ledger.call import CALL, now_us
from gcodetool.ledger.entries import Draft, LedgerEntry
from gcodetool.ledger.records import PlaceRecord
from gcodetool.ledger.schema import ENTRIES, OUTLOOKS, SNAPSHOTS

VARIANT: Final = "variant_of"
HEAT_ONLY: Final = ("temperature_C", "swing_C", "set_offset_C", "max_temperature_C", "note", VARIANT)


def fold_dryers(conn: Connection) -> None:
    """Fold such places into their dryers, within the caller's transaction."""
    known = _undamaged(conn)
    variants = {name: place for name, place in known.items() if VARIANT in place.facts}
    if variants:
        conn.info.setdefault(CALL, uuid.uuid4().hex)
        spools = entries.by_name(entries.of(conn, "spool"))
        kept = _kept(variants, known, spools)
        for name, place in variants.items():
            entries.append(conn, [Draft("place", name, "set", now_us(), {VARIANT: None})])
            if name not in kept:
                _take_back(conn, place)
        folded = {name: place for name, place in variants.items() if name not in kept}
        for rows in spools.values():
            _rewrite(conn, rows, folded)
    conn.execute(delete(SNAPSHOTS))
    conn.execute(delete(OUTLOOKS))


def _undamaged(conn: Connection) -> dict[str, PlaceRecord]:
    """Return the places that can be read; a ledger with damaged ones is opened all the same, to be checked."""
    every = entries.by_name(entries.of(conn, "place"))
    whole = {name: rows for name, rows in every.items() if all(entry.damage is None for entry in rows)}
    found = {name: records.place_record(name, rows) for name, rows in sorted(whole.items())}
    return {name: place for name, place in found.items() if place is not None}


def _kept(
    variants: Mapping[str, PlaceRecord],
    known: Mapping[str, PlaceRecord],
    spools: Mapping[str, list[LedgerEntry]],
) -> set[str]:
    """Return the names of those that stay dryers of their own."""
    kept = {name for name, place in variants.items() if not _same_air(place, known.get(place.facts[VARIANT]))}
    for place in known.values():
        kept |= {place.facts[key] for key in records.LINKS if key in place.facts}
    for rows in spools.values():
        whole = _whole(rows)
        for entry in rows:
            facts = entry.facts.get("received", {}) if entry.kind in ("added", "set") else entry.facts
            if "place" in facts and (not whole or entry.kind != "moved"):
                kept.add(facts["place"])
    return kept


def _same_air(place: PlaceRecord, root: PlaceRecord | None) -> bool:
    """Return whether a place differs from a dryer by its heat alone."""
    if root is None or root.kind != "dryer" or VARIANT in root.facts:
        return False

    def air(facts: Mapping[str, Any]) -> dict[str, Any]:
        return {key: value for key, value in facts.items() if key not in HEAT_ONLY}

    return air(place.facts) == air(root.facts)


def _whole(rows: list[LedgerEntry]) -> bool:
    """Return whether each entry carries the digest of itself and all before it."""
    before = ""
    for entry in rows:
        if entry.chain != _chain(before, entry, entry.facts):
            return False
        before = entry.chain
    return True


def _chain(before: str, entry: LedgerEntry, facts: dict[str, Any]) -> str:
    return entries.linked(before, entry, entries.packed(facts))


def _take_back(conn: Connection, place: PlaceRecord) -> None:
    """Take a place back, and let its dryer keep what was stated of it."""
    root = str(place.facts[VARIANT])
    stated = {key: value for key, value in place.facts.items() if key != VARIANT}
    counted = [entry.number for entry in entries.live(place.entries)]
    moment = now_us()
    entries.append(
        conn,
        [
            Draft("place", root, "folded", moment, {"name": place.name, "stated": stated}),
            Draft("place", place.name, "undone", moment, {"cancels": counted, "note": f"folded into {root}"}),
        ],
    )


def _rewrite(conn: Connection, rows: list[LedgerEntry], folded: Mapping[str, PlaceRecord]) -> None:
    """Let a spool's moves into these places name the dryer and its temperature, with digests to match."""
    if not any(_moves(entry, folded) for entry in rows):
        return
    before = ""
    for entry in rows:
        facts = entry.facts
        if _moves(entry, folded):
            place = folded[facts["place"]].facts
            facts = {**facts, "place": place[VARIANT], "temperature_C": float(place["temperature_C"])}
        before = _chain(before, entry, facts)
        conn.execute(
            update(ENTRIES)
            .where(ENTRIES.c.number == entry.number)
            .values(facts=entries.packed(facts), chain=before)
        )


def _moves(entry: LedgerEntry, folded: Mapping[str, PlaceRecord]) -> bool:
    return entry.kind == "moved" and entry.facts.get("place") in folded
