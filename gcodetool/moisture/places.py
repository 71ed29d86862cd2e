"""Places and their air: what surrounds a reel, and the strand in guide tube and hot end, at any time.

A place of the record becomes stretches of constant air; a measured log is averaged over windows that
grow into the past.  Left out: the spool (``history``).
"""

import bisect
import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool import profiles
from gcodetool.errors import InputError, SpoolError
from gcodetool.moisture import air as airs
from gcodetool.moisture.air import Air
from gcodetool.moisture.constants import HOUR_S, ZERO_CELSIUS_K
from gcodetool.moisture.dryer_runs import as_run, changes
from gcodetool.moisture.record import AirLog, Place, Spool

Floats = NDArray[np.float64]

ROOM_C: Final = 22.0  # where a sealed bag's temperature is not stated
ROOM_RH_PCT: Final = 50.0  # the air a reel was found in, where its place tells nothing
SHORTEST_WINDOW_S: Final = HOUR_S  # of a measured log
WINDOW_SHARE: Final = 0.05  # of the time since
FAR_FROM_READING_S: Final = 86_400.0
CLOSED_DRYER_L: Final = 10.0  # the air of a dryer that states an exchange but no volume (own estimate)


@dataclass(frozen=True)
class Surroundings:
    """The air at a place: around the reel, and around the strand in guide tube and hot end."""

    reel: Air
    path: Air
    place: str | None = None  # a stay that began before goes on there
    box: str | None = None  # the closed place that the reel is in


def surroundings(spool: Spool, place: str, at_s: float) -> Surroundings:
    """Return the air at a place at one moment (of a log: the mean hour up to it), for a forecast.

    Raises
    ------
    SpoolError
        The spool's record has no such place, or it does not state its air.
    """
    here = as_run(spool, place_of(spool, place, None), at_s)
    return replace(_around(spool, here, at_s - SHORTEST_WINDOW_S, at_s, None), place=place)


def stretches(
    spool: Spool, place: str, begin_s: float, end_s: float, *, now_s: float, previous: Air | None
) -> Iterator[tuple[float, float, Surroundings]]:
    """Yield (begin, end, air) of constant air between two moments of one stay.

    *previous* is the air that a bag or box was closed with.
    """
    if end_s <= begin_s:
        return
    here = place_of(spool, place, None)
    logs = [log for log in (here.log, *(other.log for other in _others(spool, here))) if log is not None]
    bounds = _windows(begin_s, end_s, now_s) if logs else [begin_s, end_s]
    for begin, end in itertools.pairwise(sorted({*bounds, *changes(here, begin_s, end_s)})):
        yield begin, end, _around(spool, as_run(spool, here, begin), begin, end, previous)


def _windows(begin_s: float, end_s: float, now_s: float) -> list[float]:
    """Return bounds from *begin_s* to *end_s*, the windows between them longer the further from *now_s*."""
    bounds = [end_s]
    while bounds[-1] > begin_s:
        length = max(SHORTEST_WINDOW_S, WINDOW_SHARE * (now_s - bounds[-1]))
        left = bounds[-1] - begin_s
        bounds.append(begin_s if left < 1.5 * length else bounds[-1] - length)
    return bounds[::-1]


def _others(spool: Spool, place: Place) -> list[Place]:
    """Return the places whose air *place* draws from."""
    return [
        place_of(spool, name, None, wanted_by=place.name) for name in (place.room, place.fed_from) if name
    ]


def place_of(spool: Spool, name: str, line: int | None, *, wanted_by: str = "") -> Place:
    """Return the place of a record; *wanted_by*: the place that names it, for the message."""
    if name in spool.places:
        return spool.places[name]
    asked = f"place.{wanted_by} takes its air from '{name}', which" if wanted_by else f"place '{name}'"
    known = ", ".join(sorted(spool.places)) or "none"
    raise SpoolError.at(spool.source or spool.id, line, f"{asked} is not described; places here: {known}")


def box_of(spool: Spool, place: Place) -> str | None:
    """Return the closed place that a reel there is in: the place, or the box that feeds the printer; None: open."""
    if place.kind == "printer" and place.fed_from is not None:
        return box_of(spool, place_of(spool, place.fed_from, None, wanted_by=place.name))
    closed = (
        place.kind == "sealed"
        or (place.kind == "box" and place.rh_pct is None and place.log is None)
        or (place.kind == "dryer" and place.exchange_m3_h is not None)
    )
    return place.name if closed else None


def _around(spool: Spool, place: Place, begin_s: float, end_s: float, previous: Air | None) -> Surroundings:
    """Return the mean air around reel and path over one stretch."""
    if place.kind != "printer":
        here = _air(spool, place, begin_s, end_s, previous)
        return Surroundings(here, here, box=place.name if here.closed else None)
    if place.log is not None or place.rh_pct is not None:
        room = _open_air(spool, place, begin_s, end_s)
    elif place.room is not None:
        room = _air(spool, place_of(spool, place.room, None, wanted_by=place.name), begin_s, end_s, previous)
    elif place.fed_from is not None:
        room = airs.room_air(ROOM_C, ROOM_RH_PCT)
    else:
        raise _missing(spool, place, "room", "name the place it stands in")
    if place.fed_from is None:
        return Surroundings(room, room)
    box = place_of(spool, place.fed_from, None, wanted_by=place.name)
    inside = _air(spool, box, begin_s, end_s, previous)
    return Surroundings(inside, room, box=box.name if inside.closed else None)


def _air(spool: Spool, place: Place, begin_s: float, end_s: float, previous: Air | None) -> Air:
    if place.kind == "dryer":
        return _dryer_air(spool, place, begin_s, end_s)
    if place.kind == "sealed":
        return _sealed_air(place, begin_s, end_s, previous)
    if place.kind == "box" and place.rh_pct is None and place.log is None:
        return _box_air(spool, place, begin_s, end_s, previous)
    if place.kind == "printer":
        return _around(spool, place, begin_s, end_s, previous).reel
    return _open_air(spool, place, begin_s, end_s)


def _open_air(spool: Spool, place: Place, begin_s: float, end_s: float) -> Air:
    if place.log is not None:
        here = log_air(place.log, begin_s, end_s)
    elif place.temperature_C is None:
        raise _missing(spool, place, "temperature_C", "state it in °C, or a log")
    elif place.rh_pct is None:
        raise _missing(spool, place, "rh_pct", "state it, 0 to 100, or a log")
    else:
        here = airs.room_air(place.temperature_C, place.rh_pct)
    return here if place.draught is None else airs.blown(here, place.draught)


def _dryer_air(spool: Spool, place: Place, begin_s: float, end_s: float) -> Air:
    if place.temperature_C is None:
        raise _missing(spool, place, "temperature_C", "state what its air really reaches, in °C")
    if (
        place.dew_point_C is not None
    ):  # heating adds no water: the vapour pressure stays that of the dew point
        vapour = float(airs.saturation_pressure(place.dew_point_C + ZERO_CELSIUS_K))
    elif place.room is not None:
        room = place_of(spool, place.room, None, wanted_by=place.name)
        vapour = _air(spool, room, begin_s, end_s, None).vapour_Pa
    else:
        raise _missing(spool, place, "room", "name the place whose air it heats, or state dew_point_C")
    hot = airs.heated_air(place.temperature_C, vapour, draught=place.draught)
    if place.exchange_m3_h is None:
        return hot
    litres = CLOSED_DRYER_L if place.air_L is None else place.air_L
    return airs.exchanging(
        replace(hot, closed=True, air_m3=litres / 1000.0), place.exchange_m3_h / HOUR_S, vapour
    )


def _sealed_air(place: Place, begin_s: float, end_s: float, previous: Air | None) -> Air:
    """Return a bag's air: no vapour crosses; what air it holds was closed in with the spool."""
    celsius = ROOM_C if place.temperature_C is None else place.temperature_C
    if place.log is not None:
        celsius = log_air(place.log, begin_s, end_s).temperature_C
    return _closed(place, celsius, previous)


def _agent(spool: Spool, place: Place) -> airs.DesiccantIsotherm | None:
    """Return the isotherm of a place's desiccant; a record made by hand may only name it."""
    if place.agent is not None:
        return airs.drying_agent(place.agent)
    if place.desiccant is None:
        return None
    path = profiles.lookup("desiccants", place.desiccant)
    if path is None:
        text = f"place.{place.name}: {profiles.unknown('desiccants', place.desiccant)}"
        raise SpoolError.at(spool.source or spool.id, None, text)
    return airs.drying_agent(profiles.desiccant(path))


def _box_air(spool: Spool, place: Place, begin_s: float, end_s: float, previous: Air | None) -> Air:
    """Return a closed box: air, desiccant and spool share the water; its air may be exchanged with a room's."""
    if place.temperature_C is None:
        raise _missing(spool, place, "temperature_C", "state it in °C")
    if place.air_L is None and place.desiccant is None:
        raise _missing(spool, place, "rh_pct", "state it as read, or air_L with desiccant and desiccant_g")
    air = _closed(place, place.temperature_C, previous, agent=_agent(spool, place))
    if place.exchange_m3_h is None:
        return air
    if place.room is None:
        raise _missing(spool, place, "room", "name the place whose air leaks in")
    room = _air(spool, place_of(spool, place.room, None, wanted_by=place.name), begin_s, end_s, None)
    return airs.exchanging(air, place.exchange_m3_h / HOUR_S, room.vapour_Pa)


def _closed(
    place: Place, celsius: float, previous: Air | None, *, agent: airs.DesiccantIsotherm | None = None
) -> Air:
    kelvin = celsius + ZERO_CELSIUS_K
    full = float(airs.saturation_pressure(kelvin))
    # closing a bag encloses the air that was there; where the new place is colder, no more than saturation
    vapour = min(full, previous.vapour_Pa if previous is not None else full * ROOM_RH_PCT / 100.0)
    if place.rh_pct is not None:
        vapour = full * place.rh_pct / 100.0
    return Air(
        kelvin,
        vapour,
        closed=True,
        air_m3=(place.air_L or 0.0) / 1000.0,
        desiccant=agent,
        desiccant_kg=(place.desiccant_g or 0.0) / 1000.0 if agent is not None else 0.0,
    )


def first_air(spool: Spool, place: Place, at_s: float, now_s: float) -> Air | None:
    """Return the air in which a reel found open has stood; None where its place does not tell."""
    if place.kind == "dryer":
        if place.room is None:
            return None
        return first_air(spool, place_of(spool, place.room, None, wanted_by=place.name), at_s, now_s)
    if place.kind == "sealed" or (place.kind == "box" and place.rh_pct is None and place.log is None):
        return None
    end = max(at_s, now_s) if place.log is not None else at_s  # a log often begins when the reel arrives
    return _around(spool, place, min(at_s, end - 1.0), end, None).reel


def last_air(spool: Spool, place: str, at_s: float, now_s: float, previous: Air | None) -> Air | None:
    """Return the open air a spool was in last; a closed place hands on what it was closed with."""
    *_, (_, _, around) = stretches(
        spool, place, at_s - SHORTEST_WINDOW_S, at_s, now_s=now_s, previous=previous
    )
    return previous if around.reel.closed else around.reel


def log_air(log: AirLog, begin_s: float, end_s: float) -> Air:
    """Return a log's mean air between two moments: its temperature and its vapour, lines between readings.

    Before the first and after the last reading that reading holds.
    """
    # Only what lies in the window, and a reading on either side: a log may hold years.
    low = max(0, bisect.bisect_right(log.at_s, begin_s) - 1)
    high = bisect.bisect_right(log.at_s, end_s) + 1
    at = np.asarray(log.at_s[low:high], dtype=np.float64)
    kelvin = np.asarray(log.temperature_C[low:high], dtype=np.float64) + ZERO_CELSIUS_K
    # The mean of the pressure, not of RH: what drives water is the pressure, and RH moves with temperature.
    vapour = airs.vapour_pressure(kelvin, log.rh_pct[low:high])
    return Air(_mean(at, kelvin, begin_s, end_s), _mean(at, vapour, begin_s, end_s))


def _mean(at_s: Floats, values: Floats, begin_s: float, end_s: float) -> float:
    if end_s <= begin_s:
        return float(np.interp(begin_s, at_s, values))
    low, high = np.searchsorted(at_s, [begin_s, end_s], side="right")
    x = np.concatenate([[begin_s], at_s[low:high], [end_s]])
    return float(np.trapezoid(np.interp(x, at_s, values), x) / (end_s - begin_s))


def _missing(spool: Spool, place: Place, key: str, way_out: str) -> InputError:
    return SpoolError.at(
        spool.source or spool.id, None, f"place.{place.name} ({place.kind}) states no {key}; {way_out}"
    )
