"""How hot a dryer is while a spool is in it: a dryer is one machine, its temperature belongs to each stay.

Three numbers, one meaning each: what its air really has (``temperature_C``), what its knob shows (``knob_C``),
and how well the first is known (``accuracy_C``).  A thermometer corrects every stay alike, so that all spools in a
dryer have the same air.  Left out: the air that it heats (``places``), what it may have (``drying.limits``).
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from gcodetool.moisture.record import Event, Place, Spool

THERMOMETER_K: Final = 1.0  # of a household thermometer, standard deviation (own estimate, 0.5 to 2 K)

ONE_SLOT: Final = 1  # of a dryer that does not state how many reels it takes at a time


def knob_offset_C(place: Place) -> float:
    """Return what the knob shows too much: by thermometer readings whose knob is known, else as stated.

    >>> from gcodetool.moisture.record import Thermometer
    >>> knob_offset_C(Place("oven", "dryer", 78.0, set_offset_C=2.0))
    2.0
    >>> knob_offset_C(Place("oven", "dryer", 78.0, readings=(Thermometer(0.0, 71.0, knob_C=75.0),)))
    4.0
    """
    read = [one.knob_C - one.temperature_C for one in place.readings if one.knob_C is not None]
    return _mean(read) if read else place.set_offset_C + overstated_C(place)


def overstated_C(place: Place) -> float:
    """Return by how much the air was noted too hot, where no knob was read; 0 where nobody measured."""
    return _mean([one.noted_C - one.temperature_C for one in place.readings if one.noted_C is not None])


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values) if values else 0.0


def air_C(place: Place, *, temperature_C: float | None = None, knob_C: float | None = None) -> float | None:
    """Return what a dryer's air really has where that was noted; neither: where it runs as it is stated.

    >>> oven = Place("oven", "dryer", 78.0, set_offset_C=4.0)
    >>> air_C(oven), air_C(oven, temperature_C=60.0), air_C(oven, knob_C=60.0)
    (78.0, 60.0, 56.0)
    """
    if knob_C is not None:
        return knob_C - knob_offset_C(place)
    said = place.temperature_C if temperature_C is None else temperature_C
    return None if said is None else said - overstated_C(place)


def stay_at(spool: Spool, place: str, at_s: float) -> Event | None:
    """Return the event that began the spool's stay at a place at a moment; None: it was elsewhere."""
    moves = [event for event in spool.events if event.place is not None and event.at_s <= at_s]
    return moves[-1] if moves and moves[-1].place == place else None


def air_of_stay_C(place: Place, stay: Event | None) -> float | None:
    """Return what a dryer's air really has during a stay; None: as it is stated."""
    if stay is None:
        return air_C(place)
    return air_C(place, temperature_C=stay.temperature_C, knob_C=stay.knob_C)


def as_run(spool: Spool, place: Place, at_s: float) -> Place:
    """Return a dryer with what its air really has for the spool at a moment; other places as they are."""
    if place.kind != "dryer":
        return place
    read = bool(place.readings)
    return replace(
        place,
        temperature_C=air_of_stay_C(place, stay_at(spool, place.name, at_s)),
        accuracy_C=THERMOMETER_K if read else place.accuracy_C,
    )


def known_at(spool: Spool, now_s: float) -> Spool:
    """Return the record without thermometer readings later than a moment."""
    late = {
        name: replace(place, readings=tuple(one for one in place.readings if one.at_s <= now_s))
        for name, place in spool.places.items()
        if any(one.at_s > now_s for one in place.readings)
    }
    return replace(spool, places={**spool.places, **late}) if late else spool
