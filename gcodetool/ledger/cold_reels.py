"""What is said of a cold reel that is moved into warm air: water condenses on it.

The air of both places is what was read there within a day, else what they state.
"""

from collections.abc import Mapping
from typing import Final

from sqlalchemy import Connection

from gcodetool.ledger import records
from gcodetool.ledger.entries import MICRO
from gcodetool.ledger.records import PlaceRecord, SpoolRecord
from gcodetool.moisture.condensation import condensation

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
    room = target
    if target.kind == "printer" and "fed_from" not in target.facts:
        room = known.get(str(target.facts.get("room")), target)
    here, there = air_at(conn, known.get(before), at_us), air_at(conn, room, at_us)
    if room.kind != "open" or here is None or there is None or there[1] is None:
        return []
    body_g = (record.facts.get("body") or {}).get("mass_g", 0.0)
    found = condensation(here[0], there[0], there[1], (float(record.facts["net_mass_g"]) + body_g) / 1000.0)
    if found is None:
        return []
    return [
        f"{record.id} comes from {here[0]:.0f} °C, and the dew point in {room.name} is {found.dew_point_C:.0f} °C: "
        f"up to {found.grams:.1f} g of water condense on a full reel; bring it in a closed bag or box and leave it "
        f"shut for about {found.warm_s / 3600.0:.0f} h, until it is warm"
    ]


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
