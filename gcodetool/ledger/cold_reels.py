"""What is said of a cold reel that is moved into warm air: water condenses on it.

The air of both places is what was read there within a day, else what they state.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection

from gcodetool.ledger import records
from gcodetool.ledger.entries import MICRO
from gcodetool.ledger.records import PlaceRecord, SpoolRecord
from gcodetool.moisture.condensation import Condensation, condensation

AIR_COUNTS_US: Final = 86_400 * MICRO  # how far from the moment a reading may be


def said_of_cold(
    conn: Connection,
    record: SpoolRecord,
    known: Mapping[str, PlaceRecord],
    before: str,
    target: PlaceRecord,
    at_us: int,
) -> list[str]:
    """Return what is to be said of a reel that goes from a cold place into air whose dew point is above it."""
    found = dew_on(conn, record, known, before, target, at_us)
    if found is None:
        return []
    return [
        f"{record.id} comes from {found.reel_C:.0f} °C, and the dew point in {found.room} is "
        f"{found.dew.dew_point_C:.0f} °C: up to {found.dew.grams:.1f} g of water condense on a full reel; bring it in a "
        f"closed bag or box and leave it shut for about {found.dew.warm_s / 3600.0:.0f} h, until it is warm"
    ]


@dataclass(frozen=True)
class ColdReel:
    """A cold reel in a room in which water condenses on it."""

    reel_C: float
    room: str
    dew: Condensation


def dew_on(
    conn: Connection,
    record: SpoolRecord,
    known: Mapping[str, PlaceRecord],
    before: str,
    target: PlaceRecord,
    at_us: int,
) -> ColdReel | None:
    """Return what condenses on a reel that goes from one place to another; None: nothing, or it is not told."""
    room = target
    if target.kind == "printer" and "fed_from" not in target.facts:
        room = known.get(str(target.facts.get("room")), target)
    here, there = air_at(conn, known.get(before), at_us), air_at(conn, room, at_us)
    if room.kind != "open" or here is None or there is None or there[1] is None:
        return None
    body_g = (record.facts.get("body") or {}).get("mass_g", 0.0)
    found = condensation(here[0], there[0], there[1], (float(record.facts["net_mass_g"]) + body_g) / 1000.0)
    return None if found is None else ColdReel(here[0], room.name, found)


def cold_until(
    conn: Connection, record: SpoolRecord, known: Mapping[str, PlaceRecord], now_us: int
) -> tuple[int, ColdReel] | None:
    """Return until when a reel that was brought in from the cold stays cold [µs]; None: it is not, or is warm by now."""
    moves = record.stays(now_us)
    if len(moves) < 2 or moves[-1][1] not in known:
        return None
    (_, before, _), (at_us, there, _) = moves[-2], moves[-1]
    found = dew_on(conn, record, known, before, known[there], at_us)
    until_us = at_us if found is None else at_us + int(found.dew.warm_s * MICRO)
    return None if found is None or until_us <= now_us else (until_us, found)


def air_at(conn: Connection, place: PlaceRecord | None, at_us: int) -> tuple[float, float | None] | None:
    """Return the air of a place at a moment, as read within a day or stated: [°C], [% RH]; None: it is not told."""
    if place is None or place.kind == "dryer":
        return None
    rows = [row for row in records.air_of(conn, place) if abs(row[0] - at_us) <= AIR_COUNTS_US]
    if rows:
        _, celsius, rh_pct = min(rows, key=lambda row: abs(row[0] - at_us))
        return celsius, rh_pct
    if "temperature_C" not in place.facts or place.measured:
        return None
    return float(place.facts["temperature_C"]), place.facts.get("rh_pct")
