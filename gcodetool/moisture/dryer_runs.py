"""How hot a dryer is while a spool is in it: a dryer is one machine, its temperature belongs to each stay.

Three numbers, one meaning each: what its air really has (``temperature_C``), what its knob shows (``knob_C``),
and how well the first is known (``accuracy_C``).  Whatever a thermometer tells holds for all spools in it alike:
how far the knob is off for every stay noted by the knob, or as the dryer is stated; from the reading on for stays
noted by their air, and where nobody said what the knob showed.  Left out: the air that it heats (``places``), what
it may have (``drying.limits``).
"""

import math
from dataclasses import replace
from typing import Final

from gcodetool.moisture.record import Event, Place, Spool
from gcodetool.moisture.stays import joined, stays

THERMOMETER_K: Final = 1.0  # of a household thermometer, standard deviation (own estimate, 0.5 to 2 K)
GAP_S: Final = 3600.0  # taken out to be weighed, and put back: the same run
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
    return math.fsum(read) / len(read) if read else place.set_offset_C


def air_C(place: Place, *, temperature_C: float | None = None, knob_C: float | None = None) -> float | None:
    """Return what a dryer's air really has where that was noted; neither: where it runs as it is stated.

    >>> oven = Place("oven", "dryer", 78.0, set_offset_C=4.0)
    >>> air_C(oven), air_C(oven, temperature_C=60.0), air_C(oven, knob_C=60.0)
    (78.0, 60.0, 56.0)
    """
    if knob_C is not None:
        return knob_C - knob_offset_C(place)
    if temperature_C is not None or place.temperature_C is None:
        return temperature_C
    return place.temperature_C - (knob_offset_C(place) - place.set_offset_C)


def air_since_C(
    place: Place,
    begin_s: float,
    at_s: float,
    *,
    temperature_C: float | None = None,
    knob_C: float | None = None,
) -> float | None:
    """Return the same at a moment of a stay that began with that note; of readings in it the last one counts."""
    read = [one for one in place.readings if begin_s < one.at_s <= at_s]
    if read and (temperature_C is not None or read[-1].knob_C is None):
        return read[-1].temperature_C
    return air_C(place, temperature_C=temperature_C, knob_C=knob_C)


def accuracy_C(
    place: Place, begin_s: float, at_s: float, *, temperature_C: float | None = None
) -> float | None:
    """Return how well the air of such a stay is known at a moment of it; None: as nobody stated it.

    A thermometer tells of air that was noted from the reading on.  What it tells of the knob holds for every stay
    that goes by the knob; where the knob was not noted, the reading tells of the rest of that stay alone.
    """
    told = any(
        one.at_s <= at_s
        if temperature_C is not None
        else one.knob_C is not None or begin_s < one.at_s <= at_s
        for one in place.readings
    )
    return THERMOMETER_K if told else place.accuracy_C


def stay_at(spool: Spool, place: str, at_s: float) -> Event | None:
    """Return the event that began the spool's stay at a place at a moment; None: it was elsewhere."""
    moves = [event for event in spool.events if event.place is not None and event.at_s <= at_s]
    return moves[-1] if moves and moves[-1].place == place else None


def began_s(spool: Spool, place: str, at_s: float) -> float | None:
    """Return when the spool's run in a dryer began that goes on at a moment; None: it was elsewhere. [s since 1970]"""
    there = stays(spool, at_s)
    if not there or there[-1].place != place:
        return None
    return joined([stay for stay in there if stay.place == place], GAP_S)[-1].begin_s


def as_run(spool: Spool, place: Place, at_s: float) -> Place:
    """Return a dryer with what its air really has for the spool at a moment; other places as they are."""
    if place.kind != "dryer":
        return place
    stay = stay_at(spool, place.name, at_s)
    if stay is None:
        return replace(place, temperature_C=air_C(place), accuracy_C=accuracy_C(place, at_s, at_s))
    noted_C = stay.temperature_C
    celsius = air_since_C(place, stay.at_s, at_s, temperature_C=noted_C, knob_C=stay.knob_C)
    known_K = accuracy_C(place, stay.at_s, at_s, temperature_C=noted_C)
    return replace(place, temperature_C=celsius, accuracy_C=known_K)


def changes(place: Place, begin_s: float, end_s: float) -> list[float]:
    """Return the moments within a stretch of time at which a dryer's air becomes known to be another."""
    return [one.at_s for one in place.readings if begin_s < one.at_s < end_s]
