"""Air that comes in by itself: what a sensor sends, checked, thinned and noted."""

import math
import time
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from gcodetool.app.noting import opened
from gcodetool.changes import collected
from gcodetool.errors import InputError, LedgerError
from gcodetool.ledger.hygrometer import parse_readings
from gcodetool.ledger.sensor_air import take_new_readings, take_reading
from gcodetool.textfile import seconds_of

KEYS: Final = ("temperature_C", "rh_pct", "at")


def take_in(place: str, said: Mapping[str, Any], *, source: str, ledger: str | None = None) -> int:
    """Take a reading in, and return how many readings are noted by that; 0: it waits for the mean of half an hour.

    Parameters
    ----------
    said
        ``rh_pct``, ``temperature_C`` (left out: as known before), ``at`` (left out: now; ISO 8601 or seconds since
        1970 UTC), numbers or their text.
    source
        Who says so, for the history.

    Raises
    ------
    LedgerError
        No such place, a key that is none, a figure that no air has, or a clock that is wrong.
    """
    unknown = [key for key in said if key not in KEYS]
    if unknown:
        raise LedgerError(f"{place}: '{str(unknown[0])[:30]}' is no key of a reading; send {', '.join(KEYS)}")
    rh = _number(place, said, "rh_pct")
    if rh is None:
        raise LedgerError(f"{place}: no humidity; send rh_pct")
    with collected():
        return take_reading(
            opened(ledger),
            place,
            _number(place, said, "temperature_C"),
            rh,
            at_s=_moment(place, said.get("at")),
            source=source,
        )


def follow(
    place: str,
    file: Path,
    *,
    zone: str | None = None,
    order: str | None = None,
    ledger: str | None = None,
    wait: Callable[[], bool],
) -> Iterator[tuple[int, int]]:
    """Take in what a logger adds to its file, and yield (new readings, noted by them) each time it grew.

    Parameters
    ----------
    zone, order
        As for ``place log``.
    wait
        Waits for the next look; False ends it.

    Raises
    ------
    SpoolError
        The file cannot be read, and did not become readable by the next look: a line may be half written.
    LedgerError
        No such place, or its air is not measured.
    """
    seen, failed = (-1, -1), False
    while True:
        now = (file.stat().st_size, file.stat().st_mtime_ns) if file.exists() else (-1, 0)
        if now != seen or failed:
            try:
                found = parse_readings(file, zone=zone, order=order)
            except InputError:
                if failed and now == seen:
                    raise
                failed = True
            else:
                failed = False
                with collected():
                    yield take_new_readings(opened(ledger), place, found.readings, source=file.name)
            seen = now
        if not wait():
            return


def _number(place: str, said: Mapping[str, Any], key: str) -> float | None:
    value = said.get(key)
    if value is None or value == "":
        return None
    try:
        found = math.nan if isinstance(value, bool) else float(value)
    except (TypeError, ValueError, OverflowError):
        found = math.nan
    if not math.isfinite(found):
        raise LedgerError(f"{place}: {key} is no number; send one like 48.0")
    return found


def _moment(place: str, said: object) -> float | None:
    if said is None or said == "":
        return None
    try:
        if isinstance(said, int | float) and not isinstance(said, bool):
            found = float(said)
            datetime.fromtimestamp(found)
        else:
            found = seconds_of(datetime.fromisoformat(str(said)))
    except (ValueError, OverflowError, OSError):
        raise LedgerError(
            f"{place}: at is no time; send 2026-11-04T08:00:00+01:00, or leave it out"
        ) from None
    if found < time.time() - 366 * 86_400:
        raise LedgerError(f"{place}: the sensor's clock is more than a year behind; set it, or leave at out")
    return found
