"""Dryers as machines: which spools are in one, how hot it is for all of them, and who may join.

A dryer has one air and one temperature at a time, and takes so many reels.  Left out: writing (``writers``,
``dryings``), what the heat does (``moisture.dryer_runs``).
"""

import contextlib
import itertools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection

from gcodetool.errors import DoubtError, LedgerError
from gcodetool.ledger import entries, records
from gcodetool.ledger.airlogfile import COLDEST_C, HOTTEST_C
from gcodetool.ledger.entries import MICRO, Draft
from gcodetool.ledger.records import HEAT, PlaceRecord, SpoolRecord, wall
from gcodetool.moisture.dryer_runs import ONE_SLOT, air_C, air_since_C
from gcodetool.moisture.record import Place, Thermometer
from gcodetool.moisture.stays import spans
from gcodetool.shell import shell_word

SAME_K: Final = 0.05  # rounding of figures that people note
FOREVER_US: Final = 2**62


@dataclass(frozen=True)
class NotedStay:
    """A spool's stay in a dryer, [µs] from when to when, and how hot that is noted to be."""

    spool: str
    begin_us: int
    end_us: int
    heat: Mapping[str, float]

    def real_C(self, place: Place, at_us: int) -> float | None:
        """Return what the air of the dryer really has at a moment of it."""
        return air_since_C(place, self.begin_us / MICRO, at_us / MICRO, **self.heat)

    def crosses(self, begin_us: int, end_us: int) -> bool:
        """Return whether any of that time is in it."""
        return self.begin_us < end_us and begin_us < self.end_us


@dataclass(frozen=True)
class Joined:
    """What becomes of a stay that is to be noted: its heat, what to say, and who is turned hotter or cooler."""

    heat: Mapping[str, float]
    notes: tuple[str, ...] = ()
    turned: tuple[Draft, ...] = ()


def as_place(record: PlaceRecord) -> Place:
    """Return what the physics needs to know of a dryer's heat; its air is left out."""
    facts = record.facts
    readings = (
        Thermometer(one["at"].timestamp(), one["temperature_C"], one.get("knob_C"))
        for one in record.thermometer
    )
    return Place(
        record.name,
        "dryer",
        temperature_C=float(facts["temperature_C"]),
        set_offset_C=float(facts.get("set_offset_C", 0.0)),
        slots=slots_of(record),
        readings=tuple(readings),
    )


def slots_of(record: PlaceRecord) -> int:
    """Return how many reels a dryer takes at a time."""
    return int(record.facts.get("slots", ONE_SLOT))


def heat_of(facts: Mapping[str, Any]) -> dict[str, float]:
    """Return what an entry says of a dryer's heat: its air or its knob, or neither."""
    return {key: float(facts[key]) for key in HEAT if key in facts}


def stated_heat(temperature_C: float | None, knob_C: float | None) -> dict[str, float]:
    """Return what is said of a dryer's heat, as an entry holds it.

    Raises
    ------
    LedgerError
        Both are said, or a figure that no dryer has.
    """
    told = {"temperature_C": temperature_C, "knob_C": knob_C}
    heat = {key: float(value) for key, value in told.items() if value is not None}
    if len(heat) > 1:
        raise LedgerError(
            "--temperature is what the dryer's air has, --knob what its knob shows; give the one that was read"
        )
    for value in heat.values():
        if not COLDEST_C <= value <= HOTTEST_C:
            raise LedgerError(
                f"{value:g} °C is no dryer's temperature; it is from {COLDEST_C:g} to {HOTTEST_C:g}"
            )
    return heat


def heat_words(heat: Mapping[str, float]) -> str:
    """Return what was noted of a dryer's heat, in words.

    >>> heat_words({"knob_C": 82.0}), heat_words({"temperature_C": 78.0}), heat_words({})
    ('82 °C on its knob', '78 °C', 'the temperature that it is stated with')
    """
    if "knob_C" in heat:
        return f"{heat['knob_C']:g} °C on its knob"
    return f"{heat['temperature_C']:g} °C" if heat else "the temperature that it is stated with"


def stays_in(conn: Connection, dryer: str) -> list[NotedStay]:
    """Return every stay of the shelf's spools in a dryer, by time; of retired ones those that ended.

    A spool with a damaged entry is left out: where it stood is not known.
    """
    found = []
    for spool_id in entries.names_saying(conn, "spool", dryer):
        with contextlib.suppress(LedgerError):
            record = records.spool_record(spool_id, entries.of(conn, "spool", spool_id))
            found += [] if record is None else [record]
    return _stays_among(found, dryer)


def _stays_among(shelf: Iterable[SpoolRecord], dryer: str) -> list[NotedStay]:
    found = [stay for record in shelf for stay in stays_of(record, dryer)]
    return sorted(found, key=lambda stay: (stay.begin_us, stay.spool))


def stays_of(record: SpoolRecord, dryer: str) -> list[NotedStay]:
    """Return a spool's stays in a dryer."""
    moves = [(record.received_us, record.received)]
    moves += [(entry.at_us, entry.facts) for entry in record.happened if entry.kind == "moved"]
    return [
        NotedStay(record.id, begin_us, end_us, heat_of(facts))
        for begin_us, end_us, facts in spans(moves, FOREVER_US)
        if facts["place"] == dryer and begin_us < end_us and not (record.retired and end_us == FOREVER_US)
    ]


def join(
    conn: Connection,
    dryer: PlaceRecord,
    who: Iterable[str],
    begin_us: int,
    end_us: int | None,
    heat: Mapping[str, float],
    *,
    force: bool,
) -> Joined:
    """Return how spools join a dryer; *end_us* None: nobody knows yet how long.

    Without a temperature of their own they take the one that it has.  Put in now with another one, they turn it
    for all that are in it, which is noted of these too; with the same one, it is noted as of those in it, by air or knob.

    Raises
    ------
    LedgerError
        More reels than it is stated to take, hotter air than it is stated to reach, or another temperature in
        these hours (unless *force*).
    """
    new = list(who)
    until_us = FOREVER_US if end_us is None else end_us
    place = as_place(dryer)
    there = [
        stay
        for stay in stays_in(conn, dryer.name)
        if stay.spool not in new and stay.crosses(begin_us, until_us)
    ]
    notes: list[str] = []
    present = [stay for stay in there if stay.begin_us <= begin_us]
    if not heat and present:
        heat = _heat_now(present[-1], place, begin_us)
        notes.append(f"at {heat_words(heat)}, as {present[-1].spool} in it")
    notes += beyond(dryer, place, heat, force=force)
    notes += _crowded(dryer, new, there, begin_us, force=force)
    turned: list[Draft] = []
    alike = bool(heat and present)
    for stay in there:
        own, theirs = air_C(place, **heat), stay.real_C(place, max(begin_us, stay.begin_us))
        if own is None or theirs is None or abs(own - theirs) <= SAME_K:
            continue
        alike = False
        if end_us is None and stay.begin_us <= begin_us and stay.end_us == FOREVER_US:
            turned.append(
                Draft("spool", stay.spool, "moved", begin_us, {"place": dryer.name, **_said(dryer, heat)})
            )
            notes.append(f"{stay.spool} is in {dryer.name} too: noted at {heat_words(heat)} from then on")
        elif not force:
            raise DoubtError(
                f"{dryer.name} has one temperature at a time: {stay.spool} is noted in it from {wall(stay.begin_us)} at "
                f"{heat_words(stay.heat)}, this at {heat_words(heat)}; correct the one or the other, or add --force"
            )
    if alike:  # in their words: what is learned of the knob later then moves all alike
        heat = _heat_now(present[-1], place, begin_us)
    return Joined(heat, tuple(notes), tuple(turned))


def _heat_now(stay: NotedStay, place: Place, at_us: int) -> Mapping[str, float]:
    """Return what who joins a stay notes: the same knob, else what the air really has by then; or as it is stated."""
    real = stay.real_C(place, at_us)
    return stay.heat if "temperature_C" not in stay.heat or real is None else {"temperature_C": real}


def _said(dryer: PlaceRecord, heat: Mapping[str, float]) -> dict[str, float]:
    """Return a heat in figures, also where it is the one that the dryer is stated with."""
    return dict(heat) or {"temperature_C": float(dryer.facts["temperature_C"])}


def beyond(dryer: PlaceRecord, place: Place, heat: Mapping[str, float], *, force: bool) -> list[str]:
    """Return what to say of hotter air than a dryer can have by what it states; refuse it."""
    most_C, real_C = dryer.facts.get("max_temperature_C"), air_C(place, **heat)
    if not heat or most_C is None or real_C is None or real_C <= most_C + SAME_K:
        return []
    odd = f"{real_C:.0f} °C of air is more than the {most_C:g} °C that {dryer.name} is stated to reach"
    if not force:
        raise DoubtError(
            f"{odd}; correct the figure, or the dryer ('gcodetool place set {shell_word(dryer.name)} --max-temperature C'), "
            "or add --force"
        )
    return [odd]


def _crowded(
    dryer: PlaceRecord, new: list[str], there: list[NotedStay], begin_us: int, *, force: bool
) -> list[str]:
    """Return what to say of more reels than a dryer takes; refuse it where it states how many."""
    moments = {begin_us, *(stay.begin_us for stay in there if stay.begin_us > begin_us)}
    inside = max(
        ([stay.spool for stay in there if stay.begin_us <= moment < stay.end_us] for moment in moments),
        key=len,
    )
    slots = slots_of(dryer)
    if len(inside) + len(new) <= slots:
        return []
    others = (
        f"; {', '.join(inside)} {'is' if len(inside) == 1 else 'are'} in it by the record" if inside else ""
    )
    text = f"{dryer.name} takes {slots} reel{'' if slots == 1 else 's'}{others}"
    if "slots" in dryer.facts and not force:
        raise LedgerError(
            f"{text}; note where {'that' if len(inside) == 1 else 'one'} went, or state how many it takes: "
            f"gcodetool place set {shell_word(dryer.name)} --slots {len(inside) + len(new)}"
        )
    return [
        f"{text}; 'gcodetool place set {shell_word(dryer.name)} --slots {len(inside) + len(new)}' states that it takes more"
    ]


def contradictions(
    conn: Connection,
    dryer: PlaceRecord,
    spool_id: str | None = None,
    *,
    known: Mapping[str, SpoolRecord] | None = None,
) -> list[str]:
    """Return where the record gives a dryer two temperatures at a time.

    Parameters
    ----------
    spool_id
        Only with that spool in it.
    known
        All spools, where they are at hand.
    """
    place, found = as_place(dryer), []
    stays = stays_in(conn, dryer.name) if known is None else _stays_among(known.values(), dryer.name)
    for i, stay in enumerate(stays):
        for other in itertools.islice(stays, i + 1, None):
            if other.begin_us >= stay.end_us:  # nor does any later one cross it
                break
            if other.spool == stay.spool or not stay.crosses(other.begin_us, other.end_us):
                continue
            if spool_id is not None and spool_id not in (stay.spool, other.spool):
                continue
            one, two = (each.real_C(place, other.begin_us) for each in (stay, other))
            if one is not None and two is not None and abs(one - two) > SAME_K:
                found.append(
                    f"place {dryer.name}: {stay.spool} at {one:g} °C and {other.spool} at {two:g} °C in it at a time, "
                    f"{wall(other.begin_us)}"
                )
    return found
