"""A spool's record to the state of its water: every stay in every place, marched through.

``state_at(spool, now_s)`` replays the events.  Nothing here reads files or a clock.  A measured
log is averaged over windows that grow into the past.
Weigh-ins and inspections weigh the members (``learning``); with one member they are only recorded.
"""

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gcodetool.errors import InputError, SpoolError
from gcodetool.moisture import air as airs
from gcodetool.moisture import learning, snapshot
from gcodetool.moisture.air import ZERO_CELSIUS_K, Air
from gcodetool.moisture.field import FIRST_STEP_S, Field, March, uniform
from gcodetool.moisture.learning import Inspected, Weighed
from gcodetool.moisture.polymer import Polymer, polymer, spread_evenly
from gcodetool.moisture.record import AirLog, Event, Place, Spool
from gcodetool.moisture.winding import Winding, winding

Floats = NDArray[np.float64]

ROOM_C: Final = 22.0  # where a sealed bag's temperature is not stated
ROOM_RH_PCT: Final = 50.0  # the air a reel was found in, where its place tells nothing
SHORTEST_WINDOW_S: Final = 3600.0  # of a measured log
WINDOW_SHARE: Final = 0.05  # of the time since
FAR_FROM_READING_S: Final = 86_400.0


class Quantiles(NamedTuple):
    """What the members say; p10 and p90 are None where there is one member only."""

    p10: float | None
    p50: float
    p90: float | None


@dataclass(frozen=True)
class Surroundings:
    """The air at a place: around the reel, and around the strand in guide tube and hot end."""

    reel: Air
    path: Air
    place: str | None = None  # a stay that began before goes on there


@dataclass(frozen=True)
class State:
    """A spool's water at one moment.  Contents leave in wt % of the dry strand, one per member.

    Attributes
    ----------
    spool, as_of_s
        Whose and when.
    field
        Water and temperature over layers and shells.
    polymer
        Parameters of the members, limits among them.
    weights : (members,)
        Of the members; they sum to 1.
    place, since_s
        Where it is and since when; the last event that moved it.
    last
        The last event counted, or None.
    path
        The strand in guide tube and hot end, where the spool is on a printer.
    notes
        What was assumed or ignored, one line each.
    record
        Weigh-ins and inspections, and what each member says of them.
    """

    spool: Spool
    as_of_s: float
    field: Field
    polymer: Polymer
    weights: Floats
    place: str
    since_s: float
    last: Event | None
    path: Field | None = None
    notes: tuple[str, ...] = ()
    record: tuple[Weighed | Inspected, ...] = ()

    @property
    def members(self) -> int:
        """How many members."""
        return self.field.members

    @property
    def remaining_mm(self) -> float:
        """Length of strand left on the reel."""
        return self.field.winding.remaining_mm

    @property
    def remaining_g(self) -> float:
        """Dry mass of strand left on the reel."""
        return 1000.0 * math.fsum(self.field.winding.strand_kg())

    @property
    def next_fed_wt_pct(self) -> Floats:
        """Mean content of the outermost layer, (members,); NaN on an empty reel."""
        return 100.0 * self.field.outer_mean()

    @property
    def mean_wt_pct(self) -> Floats:
        """Mean content of all strand left, by mass, (members,); NaN on an empty reel."""
        return 100.0 * self.field.mean()

    @property
    def path_wt_pct(self) -> Floats:
        """Content of the strand parked in tube and hot end, (members,); off the printer, what is fed next."""
        return self.next_fed_wt_pct if self.path is None else 100.0 * self.path.outer_mean()

    @property
    def limit_good_wt_pct(self) -> Floats:
        """Each member's limit of *dry*, (members,)."""
        return 100.0 * self.polymer.limit_good

    @property
    def limit_marginal_wt_pct(self) -> Floats:
        """Each member's limit of *marginal*, (members,)."""
        return 100.0 * self.polymer.limit_marginal

    @property
    def water_wt_pct(self) -> Floats:
        """The whole field, (layers, shells, members), hub and centre first."""
        return 100.0 * self.field.water

    @property
    def temperature_C(self) -> Floats:
        """Temperature of each layer, (layers, members), hub first."""
        return self.field.temperature_K - ZERO_CELSIUS_K

    def by_depth(self) -> list[tuple[float, Floats]]:
        """Return (depth below the face [mm], the layer's mean content (members,) [wt %]), outermost first."""
        depth, mean = self.field.winding.depth_mm(), 100.0 * self.field.layer_mean()
        return [(float(depth[i]), mean[i]) for i in range(depth.shape[0] - 1, -1, -1)]

    def strand(self) -> list[tuple[float, float]]:
        """Return (radius [mm], content [wt %]) of the strand fed next, centre first; the median member."""
        if not self.field.winding.layers:
            return []
        radius = self.field.grid.node * self.spool.diameter_mm / 2.0
        outer = 100.0 * self.field.water[-1]
        return [(float(r), quantile(outer[s], 0.5, self.weights)) for s, r in enumerate(radius)]

    def quantiles(self, values: ArrayLike) -> Quantiles:
        """Return p10, p50 and p90 of one value per member."""
        return quantiles(values, self.weights)


def quantile(values: ArrayLike, q: float, weights: Floats | None = None) -> float:
    """Return the weighted quantile, with the members at k/(N + 1) when all weigh the same; NaN if any is.

    >>> quantile([3.0, 1.0, 2.0], 0.5), quantile([3.0, 1.0, 2.0], 0.25), quantile([4.0], 0.9)
    (2.0, 1.0, 4.0)
    """
    array = np.asarray(values, dtype=np.float64)
    if array.shape[0] == 1:
        return float(array[0])
    if np.isnan(array).any():
        return math.nan
    order = np.argsort(array, kind="stable")
    share = np.full(array.shape, 1.0 / array.shape[0]) if weights is None else weights / weights.sum()
    # k/(N+1), N the number of members that these weights are worth: the running sum, shrunk so that both tails
    # weigh half a mean member each.
    worth = 1.0 / float(np.sum(share**2))
    at = np.cumsum(share[order]) * (worth / (worth + 1.0))
    ordered = array[order]
    if np.isinf(ordered[-1]):  # times that never come: no half-way between a time and never
        return float(ordered[min(int(np.searchsorted(at, q - 1e-12)), array.shape[0] - 1)])
    return float(np.interp(q, at, ordered))


def quantiles(values: ArrayLike, weights: Floats | None = None) -> Quantiles:
    """Return p10, p50 and p90; p10 and p90 None for a single member."""
    array = np.asarray(values, dtype=np.float64)
    if array.shape[0] == 1:
        return Quantiles(None, float(array[0]), None)
    return Quantiles(*(quantile(array, q, weights) for q in (0.1, 0.5, 0.9)))


def state_at(spool: Spool, now_s: float, *, members: int = 1, shelf: snapshot.Shelf | None = None) -> State:
    """Return the state of *spool* at *now_s*, from its record.

    Parameters
    ----------
    spool
        Its events sorted by time, the first one `received`.
    now_s
        Seconds since 1970-01-01 UTC; later events are ignored with a note.
    members
        1: the nominal parameters alone; else draws from their stated ranges.
    shelf
        Where a snapshot of the last event may lie, and is left for the next time.

    Raises
    ------
    SpoolError
        The record does not say what is needed: no `received`, a place without its air.
    """
    counted = sorted((event for event in spool.events if event.at_s <= now_s), key=lambda event: event.at_s)
    notes = []
    if len(counted) < len(spool.events):
        notes.append(
            f"ignored: {_count(len(spool.events) - len(counted), 'event')} later than the moment asked for"
        )
    if not counted:
        line = spool.events[0].line if spool.events else None
        raise SpoolError.at(
            spool.source or spool.id,
            line,
            "no event up to the moment asked for; add 'received', or ask for later",
        )
    if counted[0].kind != "received":
        raise SpoolError.at(
            spool.source or spool.id, counted[0].line, f"'{counted[0].kind}' stands before 'received'"
        )
    if shelf is not None:
        kept = _taken_up(spool, counted, now_s, notes, members, shelf.load(members))
        if kept is not None:
            return kept
    at = None if members == 1 else spread_evenly(members, spool.id)
    parameters = polymer(spool.material, fibre_wt_pct=spool.fibre_wt_pct, at=at)
    replay = _replayed(spool, parameters, counted, now_s, notes)
    weights = np.full(members, 1.0 / members)
    if at is not None and replay.record:
        replay, at, weights = _learned(spool, counted, now_s, notes, replay, at)
    if shelf is not None:
        key = snapshot.key(spool, counted, members=members)
        shelf.save(members, _kept(replay, key, len(counted), at, weights))
    return replace(replay.state(), weights=weights)


def _kept(replay: "_Replay", key: str, events: int, at: Floats | None, weights: Floats) -> bytes:
    """Return a snapshot of the replay as it stood after its last event."""
    assert replay.picture is not None
    facts, arrays = replay.picture
    facts = {**facts, "events": events, "said": replay.said}
    arrays = {**arrays, "weights": weights}
    if at is not None:
        arrays["at"] = at
    return snapshot.write(key, facts, arrays)


def _taken_up(
    spool: Spool, events: list[Event], now_s: float, notes: list[str], members: int, data: bytes | None
) -> State | None:
    """Return the state from a snapshot and what happened since; None where it does not fit the record."""
    if data is None:
        return None
    got = snapshot.read(data, lambda facts: snapshot.key(spool, events[: facts["events"]], members=members))
    if got is None:
        return None
    facts, arrays = got
    since = events[facts["events"] :]
    if members > 1 and any(event.kind in ("weighed", "inspected") for event in since):
        return None  # to be learned from, with all that came before
    parameters = polymer(spool.material, fibre_wt_pct=spool.fibre_wt_pct, at=arrays.get("at"))
    replay = _Replay(spool, parameters, now_s, list(notes))
    replay.take_up(facts, arrays, events[facts["events"] - 1])
    for event in since:
        replay.until(event.at_s)
        replay.apply(event)
    replay.until(now_s)
    return replace(replay.state(), weights=arrays["weights"])


def _replayed(
    spool: Spool, parameters: Polymer, events: list[Event], now_s: float, notes: list[str]
) -> "_Replay":
    replay = _Replay(spool, parameters, now_s, list(notes))
    for event in events:
        replay.until(event.at_s)
        replay.apply(event)
    replay.remember()
    replay.until(now_s)
    return replay


def _learned(
    spool: Spool, events: list[Event], now_s: float, notes: list[str], replay: "_Replay", at: Floats
) -> tuple["_Replay", Floats, Floats]:
    """Return the replay that weigh-ins and inspections leave, its members and weights; drawn anew if few fit."""
    reel = reel_of(spool)
    said = learning.cannot_tell(replay.record, reel)
    members = at.shape[0]
    predicted = learning.predictions(replay.record)
    fits = learning.log_likelihood(replay.record, reel, predicted)
    best = (learning.effective(learning.weights_of(fits)), replay, fits, at)
    tried, known, drawn = at, predicted, 0
    while (
        best[0] < learning.ENOUGH * members and drawn < learning.ROUNDS and members >= learning.LEAST_MEMBERS
    ):
        drawn += 1
        anew = learning.draw_anew(replay.record, reel, tried, known, spool.id)
        parameters = polymer(spool.material, fibre_wt_pct=spool.fibre_wt_pct, at=anew.at)
        again = _replayed(spool, parameters, events, now_s, notes)
        predicted = learning.predictions(again.record)
        fits = learning.log_likelihood(again.record, reel, predicted) - anew.log_density
        worth = learning.effective(learning.weights_of(fits))
        if worth > best[0]:
            best = (worth, again, fits, anew.at)
        tried, known = np.vstack([tried, anew.at]), np.vstack([known, predicted])
    worth, replay, fits, at = best
    weights, power = learning.tempered(fits, min(1.0, learning.LEAST_MEMBERS / 2.0 / members))
    if drawn and worth >= learning.ENOUGH * members:
        said.append(
            f"learned: {_count(drawn * members, 'more member')} drawn where the record says they should be"
        )
    elif worth < learning.ENOUGH * members:
        said.append(
            f"learned, but on few members: {worth:.0f} of {members} fit weigh-ins and inspections"
            + ("" if power == 1.0 else "; the record contradicts itself or the model, so it counts for less")
        )
    replay.said = said
    return replay, at, weights


def reel_of(spool: Spool) -> learning.Reel:
    """Return what weighing needs to know of body and filament."""
    profile = spool.body.profile
    name = "" if profile is None else profile.key
    return learning.Reel(spool.net_mass_g, spool.body.mass_g, "cardboard" in name.lower())


class _Replay:
    """The march through a record: where the spool is, and its field so far."""

    def __init__(self, spool: Spool, parameters: Polymer, now_s: float, notes: list[str]) -> None:
        self.spool = spool
        self.polymer = parameters
        self.now_s = now_s
        self.notes = notes
        self.ignored = len(notes)  # the first ones speak of the moment asked for
        self.at_s = -math.inf
        self.place = ""
        self.since_s = -math.inf
        self.last: Event | None = None
        self.reel: March | None = None
        self.path: March | None = None
        self.previous: Air | None = None  # the air it came from, which a bag is closed with
        self.fresh = True  # the next stretch begins with a change of air
        self.said: list[str] = []  # of what was learned
        self.picture: tuple[dict[str, Any], dict[str, Floats]] | None = None
        self.record: list[Weighed | Inspected] = []
        self.printer_since = False  # since the last weigh-in it was on a printer,
        self.fed_since = False  # and feeding was noted

    def until(self, at_s: float) -> None:
        """March through the present stay up to *at_s*."""
        if self.reel is not None:
            for begin, end, around in stretches(
                self.spool, self.place, self.at_s, at_s, now_s=self.now_s, previous=self.previous
            ):
                first = FIRST_STEP_S if self.fresh else min(300.0, (end - begin) / 8.0)
                for march, surrounding in ((self.reel, around.reel), (self.path, around.path)):
                    if march is not None:
                        march.surround(surrounding, again=not self.fresh)
                        march.run(end - begin, first_s=first)
                        march.keep()
                self.fresh = False
        self.at_s = at_s

    def apply(self, event: Event) -> None:
        """Let *event* happen at the present moment."""
        self.last = event
        if event.kind == "received":
            self._receive(event)
        elif event.kind == "moved":
            self._move(event)
        elif event.kind == "fed":
            self._feed(event)
        elif event.kind == "weighed":
            self._weigh(event)
        else:
            self._inspect(event)

    def state(self) -> State:
        """Return the state at the present moment."""
        assert self.reel is not None
        notes = [*self.notes, *self.reel.winding.notes, *self.said]
        if self.record and self.polymer.members == 1:
            what = _count(len(self.record), "weigh-in or inspection", "weigh-ins and inspections")
            notes.append(f"recorded, not learned from: {what} (one member, nominal parameters)")
        if self.spool.fibre_wt_pct:
            notes.append("assumed: the fibre is glass (for the strand's length; carbon would be lighter)")
        members = self.polymer.members
        return State(
            spool=self.spool,
            as_of_s=self.at_s,
            field=self.reel.field(),
            polymer=self.polymer,
            weights=np.full(members, 1.0 / members),
            place=self.place,
            since_s=self.since_s,
            last=self.last,
            path=None if self.path is None else self.path.field(),
            notes=tuple(dict.fromkeys(notes)),
            record=tuple(self.record),
        )

    def remember(self) -> None:
        """Keep a picture of the present moment for `_kept`: small facts and arrays."""
        assert self.reel is not None
        facts: dict[str, Any] = {
            "at_s": self.at_s,
            "place": self.place,
            "since_s": self.since_s,
            "fresh": self.fresh,
            "notes": self.notes[self.ignored :],
            "printer_since": self.printer_since,
            "fed_since": self.fed_since,
            "record": [_facts_of(one) for one in self.record],
            "previous": None
            if self.previous is None
            else [self.previous.temperature_K, self.previous.vapour_Pa],
        }
        arrays = {f"record {i}": _members_of(one) for i, one in enumerate(self.record)}
        for name, march in (("reel", self.reel), ("path", self.path)):
            if march is not None:
                field = march.field()
                arrays |= {
                    f"{name} water": field.water,
                    f"{name} gap": field.gap,
                    f"{name} kelvin": field.temperature_K,
                }
                if field.store_kg is not None:
                    arrays[f"{name} store"] = field.store_kg
        arrays["length"] = self.reel.winding.length_m
        self.picture = facts, arrays

    def take_up(self, facts: dict[str, Any], arrays: dict[str, Floats], last: Event) -> None:
        """Go on from a picture."""
        self.at_s, self.since_s, self.place = facts["at_s"], facts["since_s"], facts["place"]
        self.fresh, self.last = facts["fresh"], last
        self.printer_since, self.fed_since = facts["printer_since"], facts["fed_since"]
        self.notes += facts["notes"]
        self.said = facts["said"]
        self.previous = None if facts["previous"] is None else Air(*facts["previous"])
        self.record = [_record_of(one, arrays[f"record {i}"]) for i, one in enumerate(facts["record"])]
        wound = winding(self.spool, self.polymer.density_kg_m3)
        length = arrays["length"]
        left = replace(wound, length_m=length, full_m=wound.full_m[: length.shape[0]])
        self.reel = March(_field_of("reel", left, arrays), self.polymer)
        if "path water" in arrays:
            one = np.ones(1)
            strand = replace(wound, length_m=one, full_m=one, loose=True)
            self.path = March(_field_of("path", strand, arrays), self.polymer)

    def _receive(self, event: Event) -> None:
        self._go(event)
        place = _place(self.spool, self.place, event.line)
        where = _first_air(self.spool, place, event.at_s, self.now_s)
        start = where if where is not None else airs.room_air(ROOM_C, ROOM_RH_PCT)
        kelvin = start.temperature_K
        if event.water_wt_pct is not None:
            content = np.full(self.polymer.members, event.water_wt_pct / 100.0)
        elif event.sealed:
            content = self.polymer.sealed_share * self.polymer.room_equilibrium()
            self.notes.append(
                "assumed: a new sealed reel holds 0.4 (0.2 to 0.6) of its content at 23 °C and 50 % RH, "
                "and is opened where it is received unless that is a sealed place"
            )
        else:
            content = self.polymer.equilibrium(min(1.0, start.rh_pct / 100.0), kelvin)
            air = (
                f"the air of {self.place}" if where is not None else f"{ROOM_C:g} °C and {ROOM_RH_PCT:g} % RH"
            )
            self.notes.append(f"assumed: found open, so in balance with {air} ({start.rh_pct:.0f} % RH)")
        wound = winding(self.spool, self.polymer.density_kg_m3)
        self.reel = March(uniform(wound, self.polymer, content, kelvin), self.polymer)
        self.previous = start
        self._thread()

    def _move(self, event: Event) -> None:
        self.previous = _last_air(self.spool, self.place, self.at_s, self.now_s, self.previous)
        self._go(event)
        self._thread()

    def _go(self, event: Event) -> None:
        self.place = event.place or ""
        place = _place(self.spool, self.place, event.line)
        self.since_s = event.at_s
        self.at_s = event.at_s
        self.printer_since = self.printer_since or place.kind == "printer"
        self.fresh = True
        if place.kind == "sealed" and place.temperature_C is None and place.log is None:
            self.notes.append(
                f"assumed: {place.name} stands at {ROOM_C:g} °C (the record states no temperature)"
            )
        if place.kind == "box" and place.rh_pct is None and place.log is None:
            self.notes.append(
                f"assumed: {place.name} is closed with "
                + ("fresh desiccant" if place.desiccant else "no desiccant")
                + " when the spool goes in, and stays closed"
            )

    def _feed(self, event: Event) -> None:
        assert self.reel is not None
        wanted = (event.length_mm or 0.0) / 1000.0
        left = self.reel.winding.remaining_mm / 1000.0
        if wanted > left * (1 + 1e-9):
            self.notes.append(
                f"more filament fed than the reel held: {1000 * wanted:.0f} of {1000 * left:.0f} mm; "
                "check net_mass_g and the lengths fed"
            )
        self.reel.feed(wanted)
        self.fed_since = True
        self._thread()

    def _weigh(self, event: Event) -> None:
        assert self.reel is not None and event.gross_g is not None
        dry_kg = math.fsum(self.reel.winding.strand_kg())
        water_g = 1000.0 * dry_kg * self.reel.field().mean() if dry_kg else np.zeros(self.polymer.members)
        unnoted = None
        last = next((one for one in reversed(self.record) if isinstance(one, Weighed)), None)
        if last is not None and self.printer_since and not self.fed_since:
            # Lighter than the water explains: strand was used, and nobody noted it.
            unnoted = max(0.0, float(last.gross_g - event.gross_g - np.mean(last.water_g - water_g)))
            doubt = 4.0 * (float(np.std(last.water_g - water_g)) + event.resolution_g)
            if unnoted > max(doubt, 1.0):
                length_m = (
                    unnoted / 1000.0 / dry_kg * self.reel.winding.remaining_mm / 1000.0 if dry_kg else 0.0
                )
                self.notes.append(
                    f"assumed: {unnoted:.0f} g were printed before the weigh-in of {event.gross_g:g} g without a "
                    "note (it was on a printer, and lost more than water)"
                )
                self.reel.feed(length_m)
                self._thread()
                water_g = water_g * math.fsum(self.reel.winding.strand_kg()) / dry_kg
                dry_kg = math.fsum(self.reel.winding.strand_kg())
        self.record.append(
            Weighed(
                event.gross_g,
                event.resolution_g,
                water_g,
                1000.0 * dry_kg,
                self.spool.net_mass_g - 1000.0 * dry_kg,
                unnoted,
            )
        )
        self.printer_since = self.spool.places[self.place].kind == "printer"
        self.fed_since = False

    def _inspect(self, event: Event) -> None:
        assert self.reel is not None
        content = self.reel.outer_mean()
        if not np.isnan(content).any():
            ratio = content / self.polymer.limit_marginal
            self.record.append(Inspected(ratio, event.bubbles, event.oozes, event.pops))

    def _thread(self) -> None:
        """On a printer, let the path hold strand as it now comes off the reel."""
        self.path = None
        if (
            self.reel is not None
            and self.spool.places[self.place].kind == "printer"
            and self.reel.winding.layers
        ):
            self.path = March(self.reel.field().outermost(), self.polymer)


def _facts_of(one: Weighed | Inspected) -> list[Any]:
    if isinstance(one, Weighed):
        return [one.gross_g, one.resolution_g, one.dry_g, one.fed_g, one.unnoted_g]
    return [one.bubbles, one.oozes, one.pops]


def _members_of(one: Weighed | Inspected) -> Floats:
    return one.water_g if isinstance(one, Weighed) else one.ratio


def _record_of(facts: list[Any], members: Floats) -> Weighed | Inspected:
    if len(facts) == 5:
        gross_g, resolution_g, *rest = facts
        return Weighed(gross_g, resolution_g, members, *rest)
    return Inspected(members, *facts)


def _field_of(name: str, wound: Winding, arrays: dict[str, Floats]) -> Field:
    return Field(
        wound,
        arrays[f"{name} water"],
        arrays[f"{name} gap"],
        arrays[f"{name} kelvin"],
        arrays.get(f"{name} store"),
    )


def surroundings(spool: Spool, place: str, at_s: float) -> Surroundings:
    """Return the air at a place at one moment (of a log: the mean hour up to it), for a forecast.

    Raises
    ------
    SpoolError
        The spool's record has no such place, or it does not state its air.
    """
    here = _place(spool, place, None)
    return replace(_around(spool, here, at_s - SHORTEST_WINDOW_S, at_s, None), place=place)


def stretches(
    spool: Spool, place: str, begin_s: float, end_s: float, *, now_s: float, previous: Air | None
) -> Iterator[tuple[float, float, Surroundings]]:
    """Yield (begin, end, air) of constant air between two moments of one stay.

    *previous* is the air that a bag or box was closed with.
    """
    if end_s <= begin_s:
        return
    here = _place(spool, place, None)
    logs = [log for log in (here.log, *(other.log for other in _others(spool, here))) if log is not None]
    bounds = _windows(begin_s, end_s, now_s) if logs else [begin_s, end_s]
    for begin, end in itertools.pairwise(bounds):
        yield begin, end, _around(spool, here, begin, end, previous)


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
    return [_place(spool, name, None, wanted_by=place.name) for name in (place.room, place.fed_from) if name]


def _place(spool: Spool, name: str, line: int | None, *, wanted_by: str = "") -> Place:
    if name in spool.places:
        return spool.places[name]
    asked = f"place.{wanted_by} draws on '{name}', which" if wanted_by else f"place '{name}'"
    known = ", ".join(sorted(spool.places)) or "none"
    raise SpoolError.at(spool.source or spool.id, line, f"{asked} is not described; places here: {known}")


def _around(spool: Spool, place: Place, begin_s: float, end_s: float, previous: Air | None) -> Surroundings:
    """Return the mean air around reel and path over one stretch."""
    if place.kind != "printer":
        here = _air(spool, place, begin_s, end_s, previous)
        return Surroundings(here, here)
    if place.log is not None or place.rh_pct is not None:
        room = _open_air(spool, place, begin_s, end_s)
    elif place.room is not None:
        room = _air(spool, _place(spool, place.room, None, wanted_by=place.name), begin_s, end_s, previous)
    elif place.fed_from is not None:
        room = airs.room_air(ROOM_C, ROOM_RH_PCT)
    else:
        raise _missing(spool, place, "room", "name the place it stands in")
    if place.fed_from is None:
        return Surroundings(room, room)
    box = _place(spool, place.fed_from, None, wanted_by=place.name)
    return Surroundings(_air(spool, box, begin_s, end_s, previous), room)


def _air(spool: Spool, place: Place, begin_s: float, end_s: float, previous: Air | None) -> Air:
    if place.kind == "dryer":
        return _dryer_air(spool, place, begin_s, end_s)
    if place.kind == "sealed":
        return _sealed_air(place, begin_s, end_s, previous)
    if place.kind == "box" and place.rh_pct is None and place.log is None:
        return _box_air(spool, place, previous)
    if place.kind == "printer":
        return _around(spool, place, begin_s, end_s, previous).reel
    return _open_air(spool, place, begin_s, end_s)


def _open_air(spool: Spool, place: Place, begin_s: float, end_s: float) -> Air:
    if place.log is not None:
        return log_air(place.log, begin_s, end_s)
    if place.temperature_C is None:
        raise _missing(spool, place, "temperature_C", "state it in °C, or a log")
    if place.rh_pct is None:
        raise _missing(spool, place, "rh_pct", "state it, 0 to 100, or a log")
    return airs.room_air(place.temperature_C, place.rh_pct)


def _dryer_air(spool: Spool, place: Place, begin_s: float, end_s: float) -> Air:
    if place.temperature_C is None:
        raise _missing(spool, place, "temperature_C", "state what its air really reaches, in °C")
    if place.dew_point_C is not None:
        vapour = float(airs.saturation_pressure(place.dew_point_C + ZERO_CELSIUS_K))
    elif place.room is not None:
        room = _place(spool, place.room, None, wanted_by=place.name)
        vapour = _air(spool, room, begin_s, end_s, None).vapour_Pa
    else:
        raise _missing(spool, place, "room", "name the place whose air it heats, or state dew_point_C")
    return airs.heated_air(place.temperature_C, vapour)


def _sealed_air(place: Place, begin_s: float, end_s: float, previous: Air | None) -> Air:
    """Return a bag's air: no vapour crosses; what air it holds was closed in with the spool."""
    celsius = ROOM_C if place.temperature_C is None else place.temperature_C
    if place.log is not None:
        celsius = log_air(place.log, begin_s, end_s).temperature_C
    return _closed(place, celsius, previous)


def _box_air(spool: Spool, place: Place, previous: Air | None) -> Air:
    """Return a closed box: air, desiccant (fresh when the spool goes in) and spool share the water."""
    if place.temperature_C is None:
        raise _missing(spool, place, "temperature_C", "state it in °C")
    if place.air_L is None and place.desiccant is None:
        raise _missing(spool, place, "rh_pct", "state it as read, or air_L with desiccant and desiccant_g")
    if place.desiccant is not None and place.desiccant.lower() not in airs.DESICCANTS:
        known = ", ".join(airs.DESICCANTS)
        raise SpoolError.at(
            spool.source or spool.id,
            None,
            f"place.{place.name}: unknown desiccant '{place.desiccant}'; known: {known}",
        )
    return _closed(place, place.temperature_C, previous)


def _closed(place: Place, celsius: float, previous: Air | None) -> Air:
    kelvin = celsius + ZERO_CELSIUS_K
    full = float(airs.saturation_pressure(kelvin))
    vapour = min(full, previous.vapour_Pa if previous is not None else full * ROOM_RH_PCT / 100.0)
    if place.rh_pct is not None:
        vapour = full * place.rh_pct / 100.0
    desiccant = airs.DESICCANTS.get((place.desiccant or "").lower())
    return Air(
        kelvin,
        vapour,
        closed=True,
        air_m3=(place.air_L or 0.0) / 1000.0,
        desiccant=desiccant,
        desiccant_kg=(place.desiccant_g or 0.0) / 1000.0 if desiccant is not None else 0.0,
    )


def _first_air(spool: Spool, place: Place, at_s: float, now_s: float) -> Air | None:
    """Return the air in which a reel found open has stood; None where its place does not tell."""
    if place.kind == "dryer":
        if place.room is None:
            return None
        return _first_air(spool, _place(spool, place.room, None, wanted_by=place.name), at_s, now_s)
    if place.kind == "sealed" or (place.kind == "box" and place.rh_pct is None and place.log is None):
        return None
    end = max(at_s, now_s) if place.log is not None else at_s  # a log often begins when the reel arrives
    return _around(spool, place, min(at_s, end - 1.0), end, None).reel


def _last_air(spool: Spool, place: str, at_s: float, now_s: float, previous: Air | None) -> Air | None:
    """Return the open air a spool was in last; a closed place hands on what it was closed with."""
    *_, (_, _, around) = stretches(
        spool, place, at_s - SHORTEST_WINDOW_S, at_s, now_s=now_s, previous=previous
    )
    return previous if around.reel.closed else around.reel


def log_air(log: AirLog, begin_s: float, end_s: float) -> Air:
    """Return a log's mean air between two moments: its temperature and its vapour, lines between readings.

    Before the first and after the last reading that reading holds.
    """
    at = np.asarray(log.at_s, dtype=np.float64)
    kelvin = np.asarray(log.temperature_C, dtype=np.float64) + ZERO_CELSIUS_K
    vapour = airs.vapour_pressure(kelvin, log.rh_pct)
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


def _count(number: int, one: str, many: str = "") -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"


def aged(state: State, around: Surroundings, seconds: float) -> State:
    """Return the state after *seconds* idle in constant air."""
    reel = March(state.field, state.polymer)
    reel.surround(around.reel, again=around.place == state.place)
    reel.run(seconds)
    path = None
    if state.path is not None:
        march = March(state.path, state.polymer)
        march.surround(around.path)
        march.run(seconds)
        path = march.field()
    place, since_s = state.place, state.since_s
    if around.place is not None and around.place != place:
        place, since_s = around.place, state.as_of_s
    return replace(
        state, as_of_s=state.as_of_s + seconds, field=reel.field(), path=path, place=place, since_s=since_s
    )
