"""What of a record is known at a moment: readings of places that were made later are not.

Left out: events, which are counted up to the moment (``stays.until``).
"""

import bisect
from collections.abc import Iterator
from dataclasses import replace

from gcodetool.moisture.notes import Note
from gcodetool.moisture.record import AirLog, Place, Spool


def known_at(spool: Spool, now_s: float) -> Spool:
    """Return the record, and those of its neighbours, without readings later than a moment.

    A log that begins later keeps its first reading: it is all that says what air there is.
    """
    late = {
        name: _known(place, now_s)
        for name, place in spool.places.items()
        if _later(place, now_s) or any(one.at_s > now_s for one in place.readings)
    }
    beside = tuple(known_at(other, now_s) for other in spool.neighbours)
    if not late and all(one is other for one, other in zip(beside, spool.neighbours, strict=True)):
        return spool
    return replace(spool, places={**spool.places, **late}, neighbours=beside)


def later_readings(spool: Spool, now_s: float) -> Iterator[Note]:
    """Yield a note for each place whose hygrometer's readings are later than a moment, and so ignored."""
    for place in spool.places.values():
        count = _later(place, now_s)
        if count:
            said = "1 reading" if count == 1 else f"{count} readings"
            yield Note("ignored", f"{said} of {place.name} later than the moment asked for")


def _known(place: Place, now_s: float) -> Place:
    readings = tuple(one for one in place.readings if one.at_s <= now_s)
    log, count = place.log, _later(place, now_s)
    if log is not None and count:
        kept = len(log.at_s) - count
        log = AirLog(log.at_s[:kept], log.temperature_C[:kept], log.rh_pct[:kept])
    return replace(place, readings=readings, log=log)


def _later(place: Place, now_s: float) -> int:
    """Return how many readings of a place's log do not count at a moment."""
    if place.log is None:
        return 0
    return len(place.log.at_s) - max(1, bisect.bisect_right(place.log.at_s, now_s))
