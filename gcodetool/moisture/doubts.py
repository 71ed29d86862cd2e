"""What a record leaves open besides the material: how far air, dryers and the reel are from what it says.

Each doubt is one coordinate of the members, 0 to 1, with a name (``humidity bench``), drawn once for the whole
record: an instrument that reads high always does.  ``places`` makes of these what each member's air is at a place.
Left out: the doubts about the polymer (``polymer``) and about the scale (``inference``).
"""

import hashlib
from collections.abc import Sequence
from dataclasses import field, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture.air import TRACE_PA, Air, OwnAir, saturation_pressure
from gcodetool.moisture.airlog import log_air
from gcodetool.moisture.bag import leak_g_day, leak_range
from gcodetool.moisture.constants import DAY_S, HOUR_S
from gcodetool.moisture.stays import stays_in
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from gcodetool.moisture.record import Event, Place, Spool

Floats = NDArray[np.float64]

# Standard deviations where a place states no accuracy (own estimates: capacitive sensors of household hygrometers
# are sold as good to 3 to 5 % RH, drift by half a per cent a year, and seldom hang where the reel stands).
HYGROMETER_PCT: Final = 4.5  # of readings and logs
CONSTANT_PCT: Final = 7.0  # of a humidity stated once: days and weather move it by about as much again
ASSUMED_PCT: Final = 10.0  # of a room that nobody stated
THERMOMETER_C: Final = 1.0
ASSUMED_C: Final = 2.0
DRYER_C: Final = 3.0  # between what a dryer's air has and what is stated
# What an unstated dryer's vents let through, evenly in the logarithm: from a box nearly shut to an oven that draws
# freely (own estimate), and factors on a stated exchange and on a fan's draught.
VENT_M3_H: Final = (0.02, 10.0)
EXCHANGE_FACTOR: Final = (0.5, 2.0)
DRAUGHT_FACTOR: Final = (0.5, 2.0)
FLANGE_FACTOR: Final = (0.6, 1.5)  # on how far flanges are open
# Time constant in which a dryer's air comes up from its room's once a reel is put in: from one that had settled and was
# opened for a moment to one that is switched on with the reel in it (own estimate).
WARM_UP_S: Final = (60.0, 1800.0)
BARE_M: Final = (0.15, 0.8)  # strand in room air between a box and the drive gear (own estimate: 15 to 80 cm)

MOST: Final = 8  # doubts that are learned about; the others keep their draws
FURTHEST: Final = 2.6  # deviations: beyond that somebody would see it
AHEAD_S: Final = 12 * HOUR_S  # over which the air ahead is a mean, as a job's is
DAYS: Final = 21  # of a log that tell how the air ahead may differ from now
FEWEST_DAYS: Final = 4


@dataclass(frozen=True, eq=False)
class Doubts:
    """The members' coordinates of what a record leaves open.

    Attributes
    ----------
    members
        How many.
    learned
        Those that weigh-ins and inspections told about, by name, (members,) from 0 to 1; all others are spread
        evenly, in an order of their own.
    """

    members: int
    learned: dict[str, Floats] = field(default_factory=dict)
    _drawn: dict[tuple[str, float], Floats] = field(default_factory=dict, repr=False)
    _kept: dict[tuple[str, float], tuple[Floats, Floats]] = field(default_factory=dict, repr=False)

    def at(self, name: str) -> Floats:
        """Return one coordinate of the members, (members,)."""
        got = self.learned.get(name)
        return stratified(self.members, name) if got is None else got

    def normal(self, name: str, deviation: float) -> Floats:
        """Return a normal error of the members, (members,)."""
        if (name, deviation) not in self._drawn:  # asked for again in every window of a log
            drawn = deviation * np.clip(deviate(self.at(name)), -FURTHEST, FURTHEST)
            self._drawn[name, deviation] = drawn
        return self._drawn[name, deviation]

    def evenly(self, name: str, between: tuple[float, float]) -> Floats:
        """Return a value of the members, even in its logarithm, (members,)."""
        low, high = between
        return np.asarray(low * (high / low) ** self.at(name))

    def humidity_pct(self, place: "Place") -> Floats:
        """Return how much more humid a place is than its hygrometer or its record says, (members,). [% RH]"""
        usual = HYGROMETER_PCT if place.log is not None else CONSTANT_PCT
        stated = place.accuracy_rh_pct
        return self.normal(f"humidity {place.name}", usual if stated is None else stated)

    def warmer_K(self, place: "Place") -> Floats:
        """Return how much warmer it is there than stated, (members,). [K]"""
        usual = DRYER_C if place.kind == "dryer" else THERMOMETER_C
        return self.normal(f"warmth {place.name}", usual if place.accuracy_C is None else place.accuracy_C)

    def vent_m3_s(self, place: "Place") -> Floats:
        """Return what the vents of a dryer let through that states no exchange, (members,). [m³/s]"""
        return self.evenly(f"vents {place.name}", VENT_M3_H) / HOUR_S

    def exchange(self, place: "Place") -> Floats:
        """Return the factor on what a closed place exchanges, stated or through a bag's film, (members,)."""
        film = place.kind == "sealed" or place.leak_g_per_day is not None or place.film is not None
        between = leak_range(place) if film and place.exchange_m3_h is None else EXCHANGE_FACTOR
        if place.exchange_range_m3_h is not None and place.exchange_m3_h:
            # the members are even in the logarithm; eight in ten of them are in the range
            low, high = (each / place.exchange_m3_h for each in place.exchange_range_m3_h)
            tail = (high / low) ** 0.125
            between = low / tail, high * tail
        return self.evenly(f"vents {place.name}", between)

    def still_cool(self, place: "Place", begin_s: float, end_s: float) -> Floats:
        """Return the share of a dryer's warmth that still lacks, mean of a window since a reel was put in, (members,)."""
        time_s = self.evenly(f"warm-up {place.name}", WARM_UP_S)
        mean = time_s / (end_s - begin_s) * (np.exp(-begin_s / time_s) - np.exp(-end_s / time_s))
        return np.asarray(mean)

    def draught(self, place: "Place") -> Floats:
        """Return the factor on how a dryer's fan moves its air, (members,)."""
        return self.evenly(f"draught {place.name}", DRAUGHT_FACTOR)

    def bare_m(self) -> Floats:
        """Return the strand in the open between a box and the drive gear, (members,). [m]"""
        return self.evenly("bare run", BARE_M)

    def flange_open(self, share: float) -> float | Floats:
        """Return how far the flanges are open, (members,)."""
        return np.minimum(1.0, share * self.evenly("flanges", FLANGE_FACTOR)) if share > 0.0 else share

    def assumed(self, air: Air) -> Air:
        """Return a room's air that nobody stated, as the members have it."""
        own = of_reading(
            air, self.normal("warmth assumed", ASSUMED_C), self.normal("humidity assumed", ASSUMED_PCT)
        )
        return replace(air, own=own)

    def ahead(self, place: "Place", at_s: float) -> tuple[Floats, Floats]:
        """Return how the air of a logged place may go on from one moment, (members,) each: [K], [% RH].

        As its log went on from that hour on the days before; nothing where it tells too little.
        """
        if (place.name, at_s) not in self._kept:
            self._kept[place.name, at_s] = self._went_on(place, at_s)
        return self._kept[place.name, at_s]

    def _went_on(self, place: "Place", at_s: float) -> tuple[Floats, Floats]:
        log = place.log
        none = np.zeros(self.members)
        if log is None:
            return none, none
        found = []
        for day in range(1, DAYS + 1):
            then_s = at_s - day * DAY_S
            if then_s - HOUR_S < log.at_s[0]:
                break
            if then_s + AHEAD_S > log.at_s[-1]:
                continue
            before, after = log_air(log, then_s - HOUR_S, then_s), log_air(log, then_s, then_s + AHEAD_S)
            found.append((after.rh_pct - before.rh_pct, after.temperature_K - before.temperature_K))
        if len(found) < FEWEST_DAYS:
            return none, none
        humid, warm = np.array(sorted(found)).T
        rank = np.clip(self.at(f"weather {place.name}") * len(found) - 0.5, 0.0, len(found) - 1.0)
        index = np.arange(len(found))
        return np.interp(rank, index, warm), np.interp(rank, index, humid)


def of_reading(air: Air, warmer_K: Floats, more_pct: Floats) -> OwnAir:
    """Return how the members' own air differs where thermometer and hygrometer are off by so much.

    A hygrometer that errs shows another humidity at the temperature that it really has.
    """
    humid = np.clip(air.rh_pct + more_pct, 0.0, 100.0) / 100.0
    vapour = humid * saturation_pressure(air.temperature_K + warmer_K)
    return OwnAir(warmer_K=warmer_K, moister=vapour / max(air.vapour_Pa, TRACE_PA))


def doubted(spool: "Spool", events: "Sequence[Event]") -> tuple[str, ...]:
    """Return the names of the doubts that a record's weigh-ins and inspections can tell about, at most MOST.

    Of the places that the spool stood in, and of the rooms of these, those that it was longest in.
    """
    hours: dict[str, float] = {}
    for stay in stays_in(events, events[-1].at_s):
        for name in _drawn_on(spool, stay.place):
            hours[name] = hours.get(name, 0.0) + stay.end_s - stay.begin_s
    longest = sorted(hours, key=lambda name: (-hours[name], name))
    names = [doubt for name in longest for doubt in _doubts_of(spool.places[name])]
    return tuple(names[:MOST])


def _drawn_on(spool: "Spool", name: str) -> list[str]:
    """Return a place of the record, and those whose air it takes."""
    found: list[str] = []
    ahead: list[str | None] = [name]
    while ahead:
        here = ahead.pop()
        if here is not None and here in spool.places and here not in found:
            found.append(here)
            ahead += [spool.places[here].room, spool.places[here].fed_from]
    return found


def _doubts_of(place: "Place") -> list[str]:
    """Return the names of what counts at a place: a room's warmth by itself does not, nor what is known exactly."""
    if place.kind == "dryer":
        warmth = [] if place.accuracy_C == 0.0 else [f"warmth {place.name}"]
        return [*warmth, f"vents {place.name}", f"warm-up {place.name}"]
    found = []
    if (place.rh_pct is not None or place.log is not None) and place.accuracy_rh_pct != 0.0:
        found.append(f"humidity {place.name}")
    if place.rh_pct is None and (place.exchange_m3_h is not None or leak_g_day(place) > 0.0):
        found.append(f"vents {place.name}")
    return found


def deviate(unit: Floats) -> Floats:
    """Return the standard normal deviate of a probability, to 0.02 within three deviations.

    Tukey's lambda distribution of shape 0.135 (Joiner and Rosenblatt 1971, "Some properties of the range in samples
    from Tukey's symmetric lambda distributions", Journal of the American Statistical Association).

    >>> deviate(np.array([0.1, 0.5, 0.9])).round(2).tolist()
    [-1.28, 0.0, 1.28]
    """
    return np.asarray((unit**0.135 - (1.0 - unit) ** 0.135) / 0.1975)


def stratified(members: int, name: str) -> Floats:
    """Return *members* coordinates, one in the middle of each part of the unit interval, in the name's own order.

    The same for every spool: those that stand in one place have the same air.

    >>> sorted(stratified(4, "humidity bench").tolist())
    [0.125, 0.375, 0.625, 0.875]
    """
    digest = hashlib.shake_256(name.encode()).digest(8 * members)
    order = np.argsort(np.argsort(np.frombuffer(digest, "<u8"), kind="stable"), kind="stable")
    return (order + 0.5) / members
