"""Places and their air: what surrounds a reel, and the strand in guide tube and hot end, at any time.

A place of the record becomes stretches of constant air; a measured log is averaged over windows that
grow into the past.  Left out: the spool (``history``).
"""

import bisect
import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Final

from gcodetool import profiles
from gcodetool.errors import InputError, SpoolError
from gcodetool.moisture import air as airs
from gcodetool.moisture import bag
from gcodetool.moisture.air import Air, OwnAir
from gcodetool.moisture.airlog import log_air
from gcodetool.moisture.constants import DAY_S, HOUR_S, ZERO_CELSIUS_K
from gcodetool.moisture.doubts import Doubts, Floats, of_reading
from gcodetool.moisture.dryer_runs import as_run, began_s, changes
from gcodetool.moisture.record import Place, Spool
from gcodetool.quickdata import dataclass

ROOM_C: Final = 22.0  # where a sealed bag's temperature is not stated
ROOM_RH_PCT: Final = 50.0  # the air a reel was found in, where its place tells nothing
SHORTEST_WINDOW_S: Final = HOUR_S  # of a measured log
WINDOW_SHARE: Final = 0.05  # of the time since
FAR_FROM_READING_S: Final = DAY_S  # docs/physics.md, section 6, places
ROOMS: Final = ("open", "printer")
CLOSED: Final = ("box", "sealed")  # kinds of place whose air is their own unless it is read
# Since a reel was put into a dryer: until then its air still comes up, and in such steps, a mean over each.
WARMING_S: Final = (300.0, 900.0, 1800.0, 3600.0, 7200.0)
CLOSED_DRYER_L: Final = 10.0  # the air of a dryer that states an exchange but no volume (own estimate)


@dataclass(frozen=True)
class Surroundings:
    """The air at a place: around the reel, and around the strand in guide tube and hot end."""

    reel: Air
    path: Air
    place: str | None = None  # a stay that began before goes on there
    box: str | None = None  # the closed place that the reel is in
    corrected: bool = False  # that was read now: its desiccant is in balance with what was shown
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
    here = as_run(spool, place_of(spool, place, None), at_s)
    window = _Window(at_s - SHORTEST_WINDOW_S, at_s, None, doubts, ahead=True)
    return replace(_around(spool, here, window), place=place)


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
    box = spool.places.get(box_of(spool, here) or "")
    logged = any(other.log is not None for other in (here, *_others(spool, here, end_s)) if other is not box)
    for part in _parts(box, begin_s, end_s):
        of = spool if box is None or not part.read else replace(spool, places=_as_read(spool.places, box))
        bounds = [part.begin_s, part.end_s]
        if part.read or (logged and part.end_s > part.begin_s):
            bounds = _windows(part.begin_s, part.end_s, now_s)
        cuts = changes(here, part.begin_s, part.end_s)
        if doubts is not None:
            cuts += _warming(spool, here, part.begin_s, part.end_s)
        if cuts:
            bounds = sorted({*bounds, *cuts})
        for begin, end in itertools.pairwise(bounds):
            here = as_run(of, of.places[place], begin)
            around = _around(of, here, _Window(begin, end, previous, doubts))
            if part.shown_Pa is not None and begin == part.begin_s:
                around = _corrected(around, spool.places[around.box or place], part.shown_Pa, doubts)
            yield begin, end, around


def _warming(spool: Spool, place: Place, begin_s: float, end_s: float) -> list[float]:
    """Return the moments between two at which a dryer's air that still comes up is taken anew."""
    put_s = began_s(spool, place.name, begin_s) if place.kind == "dryer" and not is_closed(place) else None
    return [] if put_s is None else [put_s + one for one in WARMING_S if begin_s < put_s + one < end_s]


@dataclass(frozen=True)
class _Part:
    """A part of a stay: in air as it was read, or in a closed place's own, which a reading may have corrected."""

    begin_s: float
    end_s: float
    read: bool = False
    shown_Pa: float | None = None


def _parts(box: Place | None, begin_s: float, end_s: float) -> list[_Part]:
    """Return the parts of a stay in a closed place whose hygrometer is read now and then.

    Between readings up to FAR_FROM_READING_S apart its air is as read.  Before the first one, over longer gaps and
    after the last it is what air and desiccant make of it, from the last reading on, whenever that was in the stay
    or shortly before.  So a reading does not rewrite what was before it.
    """
    if box is None or box.log is None:
        return [_Part(begin_s, end_s)]
    log = box.log
    first = bisect.bisect_left(log.at_s, begin_s - FAR_FROM_READING_S)
    last = bisect.bisect_right(log.at_s, end_s)
    found = [_Part(begin_s, min(end_s, log.at_s[first]))] if first < last else [_Part(begin_s, end_s)]
    for i in range(first, last):
        at_s = max(begin_s, log.at_s[i])
        next_s = log.at_s[i + 1] if i + 1 < len(log.at_s) else math.inf
        close = next_s - log.at_s[i] <= FAR_FROM_READING_S
        renewed = any(log.at_s[i] <= one <= at_s for one in box.desiccant_fresh_s)
        shown = None if close or renewed else log_air(log, log.at_s[i], log.at_s[i]).vapour_Pa
        found.append(_Part(at_s, min(end_s, next_s), close, shown))
        if close and next_s > end_s:  # what air and desiccant hold then, for what comes after
            found.append(_Part(end_s, end_s, shown_Pa=log_air(log, end_s, end_s).vapour_Pa))
    return [part for part in found if part.end_s > part.begin_s or part.shown_Pa is not None]


def _corrected(around: Surroundings, box: Place, shown_Pa: float, doubts: Doubts | None) -> Surroundings:
    """Return surroundings of a closed place as its hygrometer showed them, which may be off."""
    reel = replace(around.reel, vapour_Pa=shown_Pa)
    if doubts is not None:
        read = of_reading(reel, doubts.warmer_K(box), doubts.humidity_pct(box))
        reel = replace(reel, own=replace(reel.own, moister=read.moister))
    return replace(around, reel=reel, corrected=True)


def _as_read(places: dict[str, Place], box: Place) -> dict[str, Place]:
    """Return the places with a closed one's air as its hygrometer shows it."""
    return {**places, box.name: replace(box, kind="box", air_L=None, desiccant=None)}


def _windows(begin_s: float, end_s: float, now_s: float) -> list[float]:
    """Return bounds from *begin_s* to *end_s*, the windows between them longer the further from *now_s*."""
    bounds = [end_s]
    while bounds[-1] > begin_s:
        length = max(SHORTEST_WINDOW_S, WINDOW_SHARE * (now_s - bounds[-1]))
        left = bounds[-1] - begin_s
        bounds.append(begin_s if left < 1.5 * length else bounds[-1] - length)
    return bounds[::-1]


def _others(spool: Spool, place: Place, at_s: float) -> list[Place]:
    """Return the places whose air *place* draws from."""
    found = [
        place_of(spool, name, None, wanted_by=place.name) for name in (place.room, place.fed_from) if name
    ]
    if (
        place.kind in CLOSED
        and place.room is None
        and (place.temperature_C is None or bag.leak_g_day(place) > 0.0)
    ):
        behind = room_behind(spool, place, at_s)
        found += [] if behind is None else [behind]
    return found


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
        place_of(spool, place.fed_from, None, wanted_by=place.name)
    return closed_place(spool.places, place)


def closed_place(places: Mapping[str, Place], place: Place) -> str | None:
    """Return the same of a place among others that are described."""
    if place.kind == "printer" and place.fed_from is not None:
        return closed_place(places, places[place.fed_from])
    return place.name if is_closed(place) else None


def is_closed(place: Place) -> bool:
    """Return whether a place keeps its own air: a bag or box whose air is not as read, a dryer with its own air."""
    if place.kind == "dryer":
        return place.exchange_m3_h is not None
    return place.kind in CLOSED and place.rh_pct is None and (place.log is None or keeps_books(place))


def keeps_books(place: Place) -> bool:
    """Return whether the air of a bag or box can be told where it is not read: a box says what is in it."""
    return (
        place.kind == "sealed"
        or place.air_L is not None
        or place.desiccant is not None
        or bool(place.charges)
    )


@dataclass(frozen=True)
class _Window:
    """Of what time the air is asked, and for whom: with doubts the members have airs of their own.

    `previous` is the air that a bag or box was closed with; `ahead`: for a forecast from the window's end on.
    """

    begin_s: float
    end_s: float
    previous: Air | None
    doubts: Doubts | None
    ahead: bool = False


def _around(spool: Spool, place: Place, window: _Window) -> Surroundings:
    """Return the mean air around reel and path over one stretch."""
    if place.kind != "printer":
        here = _air(spool, place, window)
        return Surroundings(here, here, box=place.name if here.closed else None)
    if place.log is not None or place.rh_pct is not None:
        room = _open_air(spool, place, window)
    elif place.room is not None:
        room = _air(spool, place_of(spool, place.room, None, wanted_by=place.name), window)
    elif place.fed_from is not None:
        room = _assumed_room(window.doubts)
    else:
        raise _missing(spool, place, "room", "name the place it stands in")
    if place.fed_from is None:
        return Surroundings(room, room)
    box = place_of(spool, place.fed_from, None, wanted_by=place.name)
    inside = _air(spool, box, window)
    return Surroundings(inside, room, box=box.name if inside.closed else None, fed=True)


def _air(spool: Spool, place: Place, window: _Window) -> Air:
    if place.kind == "dryer":
        return _dryer_air(spool, place, window)
    if place.kind in CLOSED and is_closed(place):
        return _closed_air(spool, place, window)
    if place.kind == "printer":
        return _around(spool, place, window).reel
    return _open_air(spool, place, window)


def _assumed_room(doubts: Doubts | None) -> Air:
    """Return the air of a room of which the record tells nothing."""
    room = airs.room_air(ROOM_C, ROOM_RH_PCT)
    return room if doubts is None else doubts.assumed(room)


def _open_air(spool: Spool, place: Place, window: _Window) -> Air:
    """Return air as hygrometer and thermometer, or the record, tell it; each member's instruments are off its own way."""
    if place.log is not None:
        here = log_air(place.log, window.begin_s, window.end_s)
    elif place.temperature_C is None:
        raise _missing(spool, place, "temperature_C", "state it in °C, or a log")
    elif place.rh_pct is None:
        raise _missing(spool, place, "rh_pct", "state it, 0 to 100, or a log")
    else:
        here = airs.room_air(place.temperature_C, place.rh_pct)
    here = here if place.draught is None else airs.blown(here, place.draught)
    doubts = window.doubts
    if doubts is None:
        return here
    warmer_K, more_pct = doubts.warmer_K(place), doubts.humidity_pct(place)
    if window.ahead:
        ahead_K, ahead_pct = doubts.ahead(place, window.end_s)
        warmer_K, more_pct = warmer_K + ahead_K, more_pct + ahead_pct
    return replace(here, own=of_reading(here, warmer_K, more_pct))


def _dryer_air(spool: Spool, place: Place, window: _Window) -> Air:
    """Return a dryer's air: heating adds no water, so the vapour pressure stays its room's or that of a dew point."""
    if place.temperature_C is None:
        raise _missing(spool, place, "temperature_C", "state what its air really reaches, in °C")
    room = None
    if place.dew_point_C is not None:
        vapour = float(airs.saturation_pressure(place.dew_point_C + ZERO_CELSIUS_K))
    elif place.room is not None:
        room = _room_air(spool, place_of(spool, place.room, None, wanted_by=place.name), window)
        vapour = room.vapour_Pa
    else:
        raise _missing(spool, place, "room", "name the place whose air it heats, or state dew_point_C")
    hot = airs.heated_air(place.temperature_C, vapour, draught=place.draught)
    if place.exchange_m3_h is not None:
        litres = CLOSED_DRYER_L if place.air_L is None else place.air_L
        shut = replace(hot, closed=True, air_m3=litres / 1000.0)
        hot = airs.exchanging(shut, place.exchange_m3_h / HOUR_S, vapour)
    if window.doubts is None:
        return hot
    cooler_K = _still_cooler_K(spool, place, hot, room, window, window.doubts)
    return replace(
        hot, own=dryer_own(place, hot, window.doubts, 1.0 if room is None else room.own.moister, cooler_K)
    )


def _room_air(spool: Spool, room: Place, window: _Window) -> Air:
    """Return the air of the room that a place draws from, which knows nothing of what the place was closed with."""
    return _air(spool, room, replace(window, previous=None))


def _still_cooler_K(
    spool: Spool, place: Place, hot: Air, room: Air | None, window: _Window, doubts: Doubts
) -> float | Floats:
    """Return how much cooler a dryer's air still is, a while after a reel was put in; a forecast's has come up.

    Left out in one that keeps its own air.
    """
    put_s = None if window.ahead or hot.closed else began_s(spool, place.name, window.begin_s)
    if put_s is None or window.begin_s - put_s >= WARMING_S[-1]:
        return 0.0
    if room is None:  # it states a dew point; the room is where the reel stood before
        behind = room_behind(spool, place, window.end_s)
        room = (
            _assumed_room(None) if behind is None else _room_air(spool, behind, replace(window, doubts=None))
        )
    share = doubts.still_cool(place, window.begin_s - put_s, window.end_s - put_s)
    return max(0.0, hot.temperature_K - room.temperature_K) * share


def dryer_own(
    place: Place, hot: Air, doubts: Doubts, moister: float | Floats, cooler_K: float | Floats = 0.0
) -> OwnAir:
    """Return how the members' air in a dryer differs.

    *moister*: the factor on its room's vapour pressure; *cooler_K*: what it still lacks.
    """
    warmer, draught = doubts.warmer_K(place) - cooler_K, doubts.draught(place)
    if not hot.closed:
        return OwnAir(warmer_K=warmer, moister=moister, draught=draught, vent_m3_s=doubts.vent_m3_s(place))
    exchange = doubts.exchange(place)
    return OwnAir(warmer_K=warmer, moister=moister, incoming=moister, exchange=exchange, draught=draught)


def charged(place: Place, at_s: float) -> Place:
    """Return a place with the desiccant that is in it at a moment."""
    for charge in place.charges:
        if charge.at_s > at_s:
            break
        if charge.desiccant is not None:
            place = replace(place, desiccant=charge.desiccant, agent=charge.agent)
        if charge.desiccant_g is not None:
            place = replace(place, desiccant_g=charge.desiccant_g)
    return place


def _agent(spool: Spool, place: Place, kelvin: float) -> airs.DesiccantIsotherm | None:
    """Return the isotherm of a place's desiccant at its temperature; a record made by hand may only name it."""
    if place.agent is not None:
        return airs.drying_agent(place.agent, kelvin)
    if place.desiccant is None:
        return None
    path = profiles.lookup("desiccants", place.desiccant)
    if path is None:
        text = f"place.{place.name}: {profiles.unknown('desiccants', place.desiccant)}"
        raise SpoolError.at(spool.source or spool.id, None, text)
    return airs.drying_agent(profiles.desiccant(path), kelvin)


def _closed_air(spool: Spool, place: Place, window: _Window) -> Air:
    """Return a closed bag's or box's air: it, desiccant and spool share the water; some may leak in from a room."""
    room = room_behind(spool, place, window.end_s)
    outside = _assumed_room(window.doubts) if room is None else _room_air(spool, room, window)
    stated = place.temperature_C
    if place.log is not None:
        stated = log_air(place.log, window.begin_s, window.end_s).temperature_C
    if stated is None and room is None and place.kind == "box":
        raise _missing(spool, place, "temperature_C", "state it in °C, or the room it stands in")
    if place.kind == "box" and not keeps_books(place):
        raise _missing(spool, place, "rh_pct", "state it as read, or air_L with desiccant and desiccant_g")
    kelvin = outside.temperature_K if stated is None else stated + ZERO_CELSIUS_K
    full = float(airs.saturation_pressure(kelvin))
    place, previous = charged(place, window.begin_s), window.previous
    agent = _agent(spool, place, kelvin)
    air = Air(
        kelvin,
        # closing a bag encloses the air that was there; where the new place is colder, no more than saturation
        min(full, previous.vapour_Pa if previous is not None else full * ROOM_RH_PCT / 100.0),
        closed=True,
        air_m3=(place.air_L or 0.0) / 1000.0,
        desiccant=agent,
        desiccant_kg=(place.desiccant_g or 0.0) / 1000.0 if agent is not None else 0.0,
    )
    vents_m3_s = (place.exchange_m3_h or 0.0) / HOUR_S + bag.stream_m3_s(place, kelvin)
    air = air if vents_m3_s <= 0.0 else airs.exchanging(air, vents_m3_s, outside.vapour_Pa)
    if window.doubts is None:
        return air
    own = OwnAir(
        warmer_K=window.doubts.warmer_K(place),
        moister=1.0 if previous is None else previous.own.moister,
        incoming=outside.own.moister,
        exchange=window.doubts.exchange(place),
    )
    return replace(air, own=own)


def closing_notes(spool: Spool, place: Place, at_s: float) -> list[str]:
    """Return what is assumed of a bag or box that a spool goes into."""
    if place.solution is not None and place.log is None:
        return [
            f"{place.name} has the air over saturated {place.solution}, {place.rh_pct:.1f} % RH at "
            f"{place.temperature_C:g} °C: lid shut, solid salt left in it, one temperature throughout"
        ]
    if place.kind not in CLOSED or not is_closed(place):
        return []
    found = []
    room = room_behind(spool, place, at_s)
    if place.temperature_C is None and place.log is None:
        warm = f"at {ROOM_C:g} °C" if room is None else f"as warm as {room.name}"
        found.append(f"{place.name} is {warm} (the record states no temperature)")
    if place.kind == "box" or place.desiccant:
        left = "its desiccant as it was left" if place.desiccant_fresh_s else "fresh desiccant"
        leaks = "" if place.exchange_m3_h is None else f", but leaks {place.exchange_m3_h:g} m³/h"
        found.append(
            f"{place.name} is closed with {left if place.desiccant else 'no desiccant'} when the spool goes in, "
            f"and stays closed{leaks}"
        )
    grams = bag.leak_g_day(place)
    if grams > 0.0:
        out = f"the air of {room.name}" if room is not None else f"{ROOM_C:g} °C and {ROOM_RH_PCT:g} % RH"
        low, high = bag.leak_range(place)
        what = "; its film is not stated" if bag.is_unstated(place) else ""
        found.append(
            f"{place.name} lets in {grams:.2g} ({low * grams:.2g} to {high * grams:.2g}) g of water a day at 23 °C "
            f"from 50 % RH to dry air, here from {out}{what}"
        )
    return found


def room_behind(spool: Spool, place: Place, at_s: float) -> Place | None:
    """Return the place whose air comes in where one leaks: as stated, else where the spool stood in the open before.

    None: the record tells of none.
    """
    if place.room is not None:
        return place_of(spool, place.room, None, wanted_by=place.name)
    for event in reversed(spool.events):
        before = spool.places.get(event.place or "")
        if event.at_s >= at_s or before is None or before.kind not in ROOMS:
            continue
        room = before
        if before.room is not None:
            room = place_of(spool, before.room, None, wanted_by=before.name)
        elif before.fed_from is not None:
            continue
        if not _draws_on_closed(spool, room):
            return room
    return None


def _draws_on_closed(spool: Spool, room: Place | None) -> bool:
    """Return whether a room is, or takes its air from, a closed place: a reel there did not stand in the open."""
    while room is not None:
        if is_closed(room):
            return True
        room = spool.places.get(room.room or "")
    return False


def first_air(
    spool: Spool, place: Place, at_s: float, now_s: float, doubts: Doubts | None = None
) -> Air | None:
    """Return the air in which a reel found open has stood; None where its place does not tell."""
    if place.kind == "dryer":
        if place.room is None:
            return None
        return first_air(spool, place_of(spool, place.room, None, wanted_by=place.name), at_s, now_s, doubts)
    if place.kind in CLOSED and is_closed(place):
        return None
    end = max(at_s, now_s) if place.log is not None else at_s  # a log often begins when the reel arrives
    begin = min(at_s, end - 1.0)
    return _around(spool, place, _Window(begin, end, None, doubts)).reel


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
