"""Readings of a sensor that sends them by itself: thinned to their means before they are noted.

A sensor may say the same thing every ten seconds for years.  What is noted is the mean of up to half an hour; a reading that
leaves that mean at once ends it, so that an opened door stays where it was.  The mean keeps what the water in a
strand answers to, as it answers in hours; ``tests/test_sensor_air.py`` holds the change of a forecast below 1 % of
its band.  Readings that wait lie in the ledger, so a server that is killed loses none.  Left out: tokens (``access``).
"""

from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, Row, delete, insert, select

from gcodetool.errors import LedgerError
from gcodetool.ledger import records
from gcodetool.ledger.airlogfile import COLDEST_C, HOTTEST_C
from gcodetool.ledger.call import now_us
from gcodetool.ledger.entries import MICRO, Readings, micro
from gcodetool.ledger.place_entries import measured, take_readings
from gcodetool.ledger.records import PlaceRecord, wall
from gcodetool.ledger.schema import HELD_AIR, READINGS
from gcodetool.ledger.store import Ledger, writing

WINDOW_US: Final = 1800 * MICRO
JUMP_C: Final = (
    0.7  # a reading so far from the mean before it is a change, not noise: hygrometers repeat to about
)
JUMP_RH: Final = 2.0  # 0.2 °C and 1 % RH, and a mean hides what is less than twice that
CLOCK_US: Final = 300 * MICRO  # how far a sensor's clock may be ahead


@dataclass(frozen=True)
class Held:
    """Readings of a place that wait: how many, their mean, and the first and last moment [µs]."""

    count: int
    at_us: int
    temperature_C: float
    rh_pct: float
    first_us: int
    last_us: int


def thinned(
    held: Held | None, noted_us: int | None, row: tuple[int, float, float]
) -> tuple[Held | None, Readings]:
    """Return what waits after one more reading, and what is to be noted.

    Parameters
    ----------
    noted_us
        When the last reading was that is noted; None: there is none.

    >>> thinned(None, None, (0, 22.0, 48.0))  # the first one is noted as it is
    (None, [(0, 22.0, 48.0)])
    >>> thinned(None, 0, (60_000_000, 22.0, 48.5))[1]
    []
    """
    at_us, celsius, rh = row
    if held is None:
        if noted_us is None or at_us - noted_us >= WINDOW_US:
            return None, [row]
        return Held(1, at_us, celsius, rh, at_us, at_us), []
    mean = (held.at_us, held.temperature_C, held.rh_pct)
    if abs(celsius - held.temperature_C) > JUMP_C or abs(rh - held.rh_pct) > JUMP_RH:
        last = [] if held.last_us == held.at_us else [(held.last_us, held.temperature_C, held.rh_pct)]
        return None, [mean, *last, row]
    more = held.count + 1
    grown = Held(
        more,
        held.at_us + (at_us - held.at_us) // more,
        held.temperature_C + (celsius - held.temperature_C) / more,
        held.rh_pct + (rh - held.rh_pct) / more,
        held.first_us,
        at_us,
    )
    if at_us - held.first_us < WINDOW_US:
        return grown, []
    return None, [(grown.at_us, grown.temperature_C, grown.rh_pct)]


def take_reading(
    ledger: Ledger,
    place: str,
    temperature_C: float | None,
    rh_pct: float,
    *,
    at_s: float | None = None,
    source: str,
) -> int:
    """Take one reading of a sensor in; return how many are noted by that (0: it waits).

    Raises
    ------
    LedgerError
        No such place, a figure that no air has, or a clock that is wrong: ahead of this machine's, or behind its own
        last reading.
    """
    with writing(ledger) as conn:
        found = measured(records.places(conn), place)
        now = now_us()
        at_us = now if at_s is None else micro(at_s)
        if at_us > now + CLOCK_US:
            raise LedgerError(
                f"{place}: the sensor's clock says {wall(at_us)}, here it is {wall(now)}; set its clock"
            )
        if temperature_C is None:
            temperature_C = _temperature(conn, place, found.facts.get("temperature_C"))
        if not (COLDEST_C <= temperature_C <= HOTTEST_C and 0 <= rh_pct <= 100):
            raise LedgerError(
                f"{place}: {temperature_C:g} °C and {rh_pct:g} % RH cannot be; look at the sensor"
            )
        last_us = last_reading_us(conn, found)
        if last_us is not None and at_us <= last_us:
            raise LedgerError(
                f"{place}: the sensor says {wall(at_us)}, but the last reading is of {wall(last_us)}; is its clock set back?"
            )
        return _take(conn, found, [(at_us, float(temperature_C), float(rh_pct))], source)


def take_new_readings(ledger: Ledger, place: str, rows: Readings, *, source: str) -> tuple[int, int]:
    """Take in those readings of a growing file that are later than all that is known; return (new ones, noted by them).

    Raises
    ------
    LedgerError
        No such place, or its air is not measured.
    """
    with writing(ledger) as conn:
        found = measured(records.places(conn), place)
        last_us = last_reading_us(conn, found)
        new = [row for row in rows if last_us is None or row[0] > last_us]
        return len(new), _take(conn, found, new, source)


def _take(conn: Connection, place: PlaceRecord, rows: Readings, source: str) -> int:
    """Thin readings that are later than all known ones, and return how many are noted."""
    held, noted_us = _held(conn, place.name), _noted_us(conn, place)
    found: Readings = []
    for row in rows:
        held, more = thinned(held, noted_us, row)
        found += more
        noted_us = found[-1][0] if found else noted_us
    _keep(conn, place.name, held)
    if found:
        take_readings(conn, place, found, source=source)
    return len(found)


def last_reading_us(conn: Connection, place: PlaceRecord) -> int | None:
    """Return the moment of the last reading of a place, noted or waiting; None: there is none."""
    held = _held(conn, place.name)
    return held.last_us if held is not None else _noted_us(conn, place)


def _temperature(conn: Connection, place: str, stated: float | None) -> float:
    asked = select(READINGS.c.temperature_C).where(READINGS.c.place == place)
    last = conn.execute(asked.order_by(READINGS.c.at_us.desc()).limit(1)).scalar()
    if last is None and stated is None:
        raise LedgerError(f"{place}: no temperature is known of it; send temperature_C too")
    return float(last if last is not None else stated)  # type: ignore[arg-type]


def _noted_us(conn: Connection, place: PlaceRecord) -> int | None:
    counted = set(place.measured)
    asked = select(READINGS.c.at_us, READINGS.c.entry).where(READINGS.c.place == place.name)
    latest = conn.execute(asked.order_by(READINGS.c.at_us.desc()))
    return next((at_us for at_us, entry in latest if entry in counted), None)


def _held(conn: Connection, place: str) -> Held | None:
    row = conn.execute(select(HELD_AIR).where(HELD_AIR.c.place == place)).first()
    return None if row is None else _from_row(row)


def _from_row(row: "Row[tuple[object, ...]]") -> Held:
    return Held(row.count_, row.at_us, row.temperature_C, row.rh_pct, row.first_us, row.last_us)


def _keep(conn: Connection, place: str, held: Held | None) -> None:
    conn.execute(delete(HELD_AIR).where(HELD_AIR.c.place == place))
    if held is not None:
        values = {
            "count_": held.count, "at_us": held.at_us, "temperature_C": held.temperature_C, "rh_pct": held.rh_pct,
            "first_us": held.first_us, "last_us": held.last_us,
        }  # fmt: skip
        conn.execute(insert(HELD_AIR).values(place=place, **values))
