"""What a spool is dried or conditioned in: a place of its record, or a dryer's profile in a room.

A dryer heats what it draws from its room (or dried air of a dew point), and its temperature can be
chosen; every other place is taken as it is.  A box holds its own air, which leaks, is vented or
meets a desiccant.  Left out: how hot to run it (``limits``), how long (``course``).
"""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from gcodetool import profiles
from gcodetool.errors import OutOfRangeError, UsageError
from gcodetool.judge.print_air import is_room_air
from gcodetool.moisture import air as airs
from gcodetool.moisture.air import Air
from gcodetool.moisture.constants import HOUR_S, VAPOUR_GAS, ZERO_CELSIUS_K
from gcodetool.moisture.doubts import CONSTANT_PCT, THERMOMETER_C, Doubts, of_reading
from gcodetool.moisture.dryer_runs import ONE_SLOT, air_C, as_run, knob_offset_C
from gcodetool.moisture.history import ROOM_C, ROOM_RH_PCT, State, surroundings
from gcodetool.moisture.places import dryer_own
from gcodetool.moisture.record import Place, Spool
from gcodetool.profiles import Dryer

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Room:
    """The air that a dryer stands in; `assumed` where nothing stated it, `moister` the members' factors on its vapour."""

    name: str
    temperature_C: float
    vapour_Pa: float
    assumed: bool = False
    moister: float | Floats = field(default=1.0, compare=False, repr=False)

    @property
    def rh_pct(self) -> float:
        """Its relative humidity, per cent."""
        return 100.0 * self.vapour_Pa / float(airs.saturation_pressure(self.temperature_C + ZERO_CELSIUS_K))


@dataclass(frozen=True)
class Device:
    """A dryer, or another place that a spool is put into.

    Attributes
    ----------
    name, place
        For messages; the record's place, None for a profile.
    adjustable
        Whether its temperature can be chosen.
    reached_C
        What the air in it is known to reach; None for a profile.
    runs_C
        What its air has for this spool now, or as it is stated; None for a profile.
    around
        Its air as it stands; `air` heats it.
    room
        Whose air it draws, and that leaks into it.
    max_temperature_C, swing_C, set_offset_C
        The most that its air may have, how far that swings above and below the mean, knob minus truth.
    accuracy_C
        How well its temperature is known, as stated or measured; None: neither.
    slots
        How many reels it takes at a time.
    dew_point_C
        Of dried air.
    power_W
        Mean, while it holds its temperature.
    """

    name: str
    around: Air
    room: Room
    adjustable: bool = True
    place: str | None = None
    profile: str | None = None
    reached_C: float | None = None
    runs_C: float | None = None
    max_temperature_C: float | None = None
    swing_C: float = 0.0
    set_offset_C: float = 0.0
    accuracy_C: float | None = None
    slots: int = ONE_SLOT
    dew_point_C: float | None = None
    power_W: float | None = None
    power_said: str = ""
    notes: tuple[str, ...] = ()

    @property
    def room_C(self) -> float:
        """Temperature of its room, °C."""
        return self.room.temperature_C

    @property
    def incoming_Pa(self) -> float:
        """Vapour pressure of the air it takes in."""
        around = self.around
        if not around.closed:
            return around.vapour_Pa
        if around.exchange_m3_s > 0.0:
            return around.exchange_kg_m3 * VAPOUR_GAS * around.temperature_K
        return self.room.vapour_Pa

    def air(self, temperature_C: float) -> Air:
        """Return its air at that temperature: its vapour stays what it was.

        Raises
        ------
        OutOfRangeError
            Where the temperature cannot be chosen, and is not what it is.
        """
        kelvin = temperature_C + ZERO_CELSIUS_K
        if not self.adjustable and abs(kelvin - self.around.temperature_K) > 1e-6:
            raise OutOfRangeError(
                f"{self.name} is at {self.around.temperature_C:g} °C; it cannot be set to {temperature_C:g}"
            )
        full = float(airs.saturation_pressure(kelvin))
        hot = replace(self.around, temperature_K=kelvin, vapour_Pa=min(self.around.vapour_Pa, full))
        return airs.exchanging(hot, hot.exchange_m3_s, self.incoming_Pa)

    def exchanging(self, stream_m3_h: float) -> "Device":
        """Return the box with another exchange of its air."""
        return replace(self, around=airs.exchanging(self.around, stream_m3_h / HOUR_S, self.incoming_Pa))


def room_at(temperature_C: float, rh_pct: float, doubts: Doubts | None = None) -> Room:
    """Return a room as somebody states it, with *doubts* as little known as what is stated once."""
    air = airs.room_air(temperature_C, rh_pct)
    room = Room(f"a room of {temperature_C:g} °C and {rh_pct:g} % RH", temperature_C, air.vapour_Pa)
    if doubts is None:
        return room
    off = doubts.normal("warmth stated", THERMOMETER_C), doubts.normal("humidity stated", CONSTANT_PCT)
    return replace(room, moister=of_reading(air, *off).moister)


def room_of(spool: Spool, name: str, at_s: float, doubts: Doubts | None = None) -> Room:
    """Return the air of a place of the record, with *doubts* as little known as it is.

    Raises
    ------
    UsageError
        The record has no such place.
    """
    if name not in spool.places:
        known = ", ".join(sorted(spool.places)) or "none"
        raise UsageError(f"--room '{name}': the record of {spool.id} has no such place; it has {known}")
    air = surroundings(spool, name, at_s, doubts).path
    return Room(name, air.temperature_C, air.vapour_Pa, moister=air.own.moister)


def likely_room(spool: Spool, state: State) -> Room:
    """Return the room that the record's dryers draw from, else the one the spool stood in last, else an ordinary one."""
    names = [place.room for place in spool.places.values() if place.kind == "dryer" and place.room]
    names.append(state.place)
    names += [event.place for event in reversed(spool.events) if event.place and event.at_s <= state.as_of_s]
    names += list(spool.places)
    for name in names:
        place = spool.places.get(name)
        if place is not None and is_room_air(place):
            return replace(room_of(spool, name, state.as_of_s, state.doubts), assumed=True)
    ordinary = replace(room_at(ROOM_C, ROOM_RH_PCT), assumed=True)
    if state.doubts is None:
        return ordinary
    return replace(ordinary, moister=state.doubts.assumed(airs.room_air(ROOM_C, ROOM_RH_PCT)).own.moister)


def of_place(spool: Spool, state: State, name: str, *, room: Room | None = None) -> Device:
    """Return a place of the record as a device; *room*: another room than the record's for a dryer.

    Raises
    ------
    UsageError, SpoolError
        There is no such place, or its air is not stated.
    """
    if name not in spool.places:
        known = ", ".join(sorted(spool.places)) or "none"
        raise UsageError(f"--dryer '{name}': the record of {spool.id} has no such place; it has {known}")
    place = spool.places[name]
    air = surroundings(spool, name, state.as_of_s, state.doubts).reel
    if place.kind == "dryer":
        return _dryer_place(spool, state, place, air, room)
    own = likely_room(spool, state) if room is None else room
    if room is not None and not air.closed:
        raise UsageError(f"{name} is not a dryer, so its own air counts; leave the room out")
    if air.closed and place.rh_pct is None:  # closed with the room's air in it
        full = float(airs.saturation_pressure(air.temperature_K))
        air = replace(air, vapour_Pa=min(own.vapour_Pa, full))
    if not air.closed:
        own = Room(name, air.temperature_C, air.vapour_Pa)
    return Device(
        name=name,
        place=name,
        around=air,
        room=own,
        adjustable=False,
        reached_C=air.temperature_C,
        runs_C=air.temperature_C,
        power_W=0.0,
        power_said="not heated" if air.temperature_C <= own.temperature_C + 1 else "its heating is not known",
    )


def _dryer_place(spool: Spool, state: State, place: Place, air: Air, room: Room | None) -> Device:
    dried = place.dew_point_C is not None
    notes = []
    run = as_run(spool, place, state.as_of_s)
    stated_C = air_C(place)
    reached_C = max(air.temperature_C, air.temperature_C if stated_C is None else stated_C)
    if room is None and place.room is not None:
        room = room_of(spool, place.room, state.as_of_s, state.doubts)
    elif room is None:
        room = likely_room(spool, state)
    elif not dried:
        own = replace(air.own, moister=room.moister, incoming=room.moister)
        there = replace(air, vapour_Pa=room.vapour_Pa, own=own)
        air = airs.exchanging(there, air.exchange_m3_s, room.vapour_Pa)
    if place.max_temperature_C is None:
        notes.append(
            f"{place.name} states no max_temperature_C: taken as no hotter than the "
            f"{reached_C:g} °C that the record says its air has"
        )
    return Device(
        name=place.name,
        place=place.name,
        around=air,
        room=room,
        reached_C=reached_C,
        runs_C=air.temperature_C,
        max_temperature_C=place.max_temperature_C,
        swing_C=place.swing_C,
        set_offset_C=knob_offset_C(place),
        accuracy_C=run.accuracy_C,
        slots=ONE_SLOT if place.slots is None else place.slots,
        dew_point_C=place.dew_point_C,
        power_W=place.power_W,
        power_said="" if place.power_W is None else f"as {place.name} states",
        notes=tuple(notes),
    )


def of_profile(profile: Dryer, room: Room, doubts: Doubts | None = None) -> Device:
    """Return a kind of dryer standing in *room*; with *doubts* it is as little known as a place that states as much."""
    if profile.max_temperature_C is None:
        raise UsageError(f"dryer {profile.key}: the profile states no max_temperature_C; add it")
    vapour = room.vapour_Pa
    if profile.dew_point_C is not None:
        vapour = float(airs.saturation_pressure(max(profile.dew_point_C + ZERO_CELSIUS_K, airs.LOWEST_K)))
    air = airs.heated_air(room.temperature_C, vapour, draught=profile.draught)
    if profile.air_L is not None:
        agent = None if profile.desiccant is None else airs.desiccant(profile.desiccant)
        air = replace(
            air,
            closed=True,
            air_m3=profile.air_L / 1000.0,
            desiccant=agent,
            desiccant_kg=(profile.desiccant_g or 0.0) / 1000.0 if agent is not None else 0.0,
        )
        air = airs.exchanging(air, (profile.exchange_m3_h or 0.0) / HOUR_S, vapour)
    if doubts is not None:
        like = Place(
            profile.key, "dryer", exchange_m3_h=profile.exchange_m3_h, dew_point_C=profile.dew_point_C
        )
        moister = 1.0 if profile.dew_point_C is not None else room.moister
        air = replace(air, own=dryer_own(like, air, doubts, moister))
    return Device(
        name=profile.key,
        profile=profile.key,
        around=air,
        room=room,
        max_temperature_C=profile.max_temperature_C,
        swing_C=profile.swing_C,
        dew_point_C=profile.dew_point_C,
        power_W=profile.power_W,
        power_said=f"mean power of the profile {profile.key} ({profile.confidence})",
    )


def power_said(like: Dryer) -> str:
    """Return whose power that of a profile is, for a place that is named after it."""
    return f"mean power of the profile {like.key} ({like.confidence}), which the place is named after"


def powered(device: Device, watt: float | None, like: Dryer | None = None) -> Device:
    """Return the device with its power: as stated, else that of a profile which the record's place is named after."""
    if watt is not None:
        return replace(device, power_W=watt, power_said="as you state it")
    if device.power_W is None and like is not None and like.power_W is not None:
        return replace(device, power_W=like.power_W, power_said=power_said(like))
    return device


def of_record(state: State, name: str, *, room: Room | None = None, power_W: float | None = None) -> Device:
    """Return a place of the record with its power: as asked, as stated, else of the profile of its name.

    Errors as in `of_place`.
    """
    return powered(of_place(state.spool, state, name, room=room), power_W, profile_named(name))


def profile_named(name: str) -> Dryer | None:
    """Return the dryer profile of a name or a path; None: there is none."""
    path = profiles.path_of("dryers", name) if profiles.is_path(name) else profiles.lookup("dryers", name)
    return None if path is None else profiles.dryer(path)
