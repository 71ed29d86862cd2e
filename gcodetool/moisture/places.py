"""Places and their air: what surrounds a reel, and the strand in guide tube and hot end, at any time.

A place of the record becomes stretches of constant air; a measured log is averaged over windows that
grow into the past.  Left out: the spool (``history``).
"""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from gcodetool import profiles
from gcodetool.errors import InputError, SpoolError
from gcodetool.moisture import air as airs
from gcodetool.moisture.air import Air, OwnAir
from gcodetool.moisture.airlog import log_air
from gcodetool.moisture.constants import HOUR_S, ZERO_CELSIUS_K
from gcodetool.moisture.doubts import Doubts, Floats, of_reading
from gcodetool.moisture.record import Place, Spool

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
    fed: bool = False  # the strand leaves a box for the room on its way to the drive gear


def surroundings(spool: Spool, place: str, at_s: float, doubts: Doubts | None = None) -> Surroundings:
    """Return the air at a place at one moment (of a log: the mean hour up to it), for a forecast.

    With the *doubts* of a state the members have airs of their own; a logged place's goes on from that moment
    as its log has gone on on other days.

    Raises
    ------
    SpoolError
        The spool's record has no such place, or it does not state its air.
    """
    here = place_of(spool, place, None)
    begin_s = at_s - SHORTEST_WINDOW_S
    around = replace(_around(spool, here, begin_s, at_s, None), place=place)
    return _owned(spool, here, around, _Window(begin_s, at_s, None, doubts, ahead=True))


def stretches(
    spool: Spool,
    place: str,
    begin_s: float,
    end_s: float,
    *,
    now_s: float,
    previous: Air | None,
    doubts: Doubts | None = None,
) -> Iterator[tuple[float, float, Surroundings]]:
    """Yield (begin, end, air) of constant air between two moments of one stay.

    *previous* is the air that a bag or box was closed with; with *doubts* the members have airs of their own.
    """
    if end_s <= begin_s:
        return
    here = place_of(spool, place, None)
    logs = [log for log in (here.log, *(other.log for other in _others(spool, here))) if log is not None]
    bounds = _windows(begin_s, end_s, now_s) if logs else [begin_s, end_s]
    for begin, end in itertools.pairwise(bounds):
        around = _around(spool, here, begin, end, previous)
        yield begin, end, _owned(spool, here, around, _Window(begin, end, previous, doubts))


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
    return Surroundings(inside, room, box=box.name if inside.closed else None, fed=True)


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


@dataclass(frozen=True)
class _Window:
    """Of what time the members' own air is asked, and whether for a forecast from its end on."""

    begin_s: float
    end_s: float
    previous: Air | None
    doubts: Doubts | None
    ahead: bool = False


def _owned(spool: Spool, place: Place, around: Surroundings, window: _Window) -> Surroundings:
    """Return surroundings in which each member has its own air."""
    doubts = window.doubts
    if doubts is None:
        return around
    if place.kind == "printer" and place.fed_from is not None:
        box = place_of(spool, place.fed_from, None, wanted_by=place.name)
        reel = replace(around.reel, own=_own(spool, box, around.reel, window, doubts))
        if place.room is None and place.log is None and place.rh_pct is None:
            return replace(around, reel=reel, path=doubts.assumed(around.path))
        path = replace(around.path, own=_own(spool, place, around.path, window, doubts))
        return replace(around, reel=reel, path=path)
    own = replace(around.reel, own=_own(spool, place, around.reel, window, doubts))
    return replace(around, reel=own, path=own)


def _own(spool: Spool, place: Place, air: Air, window: _Window, doubts: Doubts) -> OwnAir:
    """Return how the members' air at a place differs from *air*, which is the stated one there."""
    measured = place.log is not None or place.rh_pct is not None
    if place.kind == "printer" and not measured and place.room is not None:
        room = place_of(spool, place.room, None, wanted_by=place.name)
        return _own(spool, room, air, window, doubts)
    warmer = doubts.warmer_K(place)
    if measured and not air.closed:
        humid = doubts.humidity_pct(place)
        if window.ahead:
            more_K, more_pct = doubts.ahead(place, window.end_s)
            warmer, humid = warmer + more_K, humid + more_pct
        return of_reading(air, warmer, humid)
    room_moister = _room_moister(spool, place, window, doubts)
    if place.kind == "dryer" and not air.closed:
        return OwnAir(
            warmer_K=warmer,
            moister=room_moister,
            draught=doubts.draught(place),
            vent_m3_s=doubts.vent_m3_s(place),
        )
    if place.kind == "dryer":
        return OwnAir(
            warmer_K=warmer,
            moister=room_moister,
            incoming=room_moister,
            exchange=doubts.exchange(place),
            draught=doubts.draught(place),
        )
    came = 1.0 if window.previous is None else window.previous.own.moister
    if place.rh_pct is not None:  # as read when it was closed
        came = of_reading(air, warmer, doubts.humidity_pct(place)).moister
    return OwnAir(warmer_K=warmer, moister=came, incoming=room_moister, exchange=doubts.exchange(place))


def _room_moister(spool: Spool, place: Place, window: _Window, doubts: Doubts) -> float | Floats:
    """Return the members' factor on the vapour pressure of the room that a place draws its air from."""
    if place.room is None or place.dew_point_C is not None:
        return 1.0
    room = place_of(spool, place.room, None, wanted_by=place.name)
    air = _air(spool, room, window.begin_s, window.end_s, None)
    return _own(spool, room, air, replace(window, previous=None), doubts).moister


def first_air(
    spool: Spool, place: Place, at_s: float, now_s: float, doubts: Doubts | None = None
) -> Air | None:
    """Return the air in which a reel found open has stood; None where its place does not tell."""
    if place.kind == "dryer":
        if place.room is None:
            return None
        return first_air(spool, place_of(spool, place.room, None, wanted_by=place.name), at_s, now_s, doubts)
    if place.kind == "sealed" or (place.kind == "box" and place.rh_pct is None and place.log is None):
        return None
    end = max(at_s, now_s) if place.log is not None else at_s  # a log often begins when the reel arrives
    begin = min(at_s, end - 1.0)
    around = _around(spool, place, begin, end, None)
    return _owned(spool, place, around, _Window(begin, end, None, doubts)).reel


def last_air(
    spool: Spool,
    place: str,
    at_s: float,
    now_s: float,
    previous: Air | None,
    doubts: Doubts | None = None,
) -> Air | None:
    """Return the open air a spool was in last; a closed place hands on what it was closed with."""
    *_, (_, _, around) = stretches(
        spool, place, at_s - SHORTEST_WINDOW_S, at_s, now_s=now_s, previous=previous, doubts=doubts
    )
    return previous if around.reel.closed else around.reel


def _missing(spool: Spool, place: Place, key: str, way_out: str) -> InputError:
    return SpoolError.at(
        spool.source or spool.id, None, f"place.{place.name} ({place.kind}) states no {key}; {way_out}"
    )
