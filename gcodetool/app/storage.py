"""``place fit`` and ``place size``: what a box's log says of it, and how much desiccant it needs."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from gcodetool import profiles
from gcodetool.app.resolve import Moment, clock, find_spool, snapshots_of
from gcodetool.errors import LedgerError, UsageError
from gcodetool.judge.print_air import last_open
from gcodetool.ledger import entries, location, place_entries, records
from gcodetool.ledger.entries import micro
from gcodetool.ledger.placetables import check_places
from gcodetool.ledger.plausibility import left_g
from gcodetool.ledger.store import open_ledger, reading
from gcodetool.moisture import bag
from gcodetool.moisture.air import drying_agent
from gcodetool.moisture.constants import DAY_S, HOUR_S
from gcodetool.moisture.history import State, state_at
from gcodetool.moisture.members import default_members
from gcodetool.moisture.places import ROOM_C, ROOM_RH_PCT, charged
from gcodetool.moisture.polymer import polymer
from gcodetool.moisture.record import AirLog, Place, Spool
from gcodetool.shell import shell_word
from gcodetool.storage.findings import FittedPlace, Priced, SizedPlace
from gcodetool.storage.fit import BoxFacts, fit_box
from gcodetool.storage.size import BoxPlan, Brought, Sized, brought, least_charge, steady_room

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from gcodetool.app.check import SpoolWord
    from gcodetool.ledger.records import PlaceRecord
    from gcodetool.profiles import Desiccant

READ_S: Final = 28 * DAY_S  # of a log that is looked at
TYPICAL_PER_DAY: Final = 1.0  # exchange of a box that nobody measured (own estimate, 0.2 to 5)
USUAL: Final = "silica gel"  # what is told of where no charge is asked for yet
MEMBERS: Final = 32  # of each spool; several are run together, over months
ANY_AIR: Final = AirLog((0.0,), (20.0,), (50.0,))  # stands for readings, where only their being there counts


def place_fit(
    name: str, *, keep: bool = False, at: Moment = None, ledger: str | None = None, force: bool = False
) -> FittedPlace:
    """Return how tight a box is, how often it was opened and what its desiccant still takes, by its log and its room's.

    Parameters
    ----------
    keep : write the exchange and its range to the place.
    at, ledger : as for a check; what was read later does not count.

    Raises
    ------
    LedgerError
        No such place, or one whose log or room is not known.
    InputError
        A log that tells nothing.
    """
    at_s = clock(at)
    opened = open_ledger(ledger, make=False)
    with reading(opened) as conn:
        known = records.places(conn)
        found, log, room, inside = _logged(conn, known, name, at_s)
    facts = replace(_facts_of(found), also_kg=sum(_held_kg(*each) for each in inside))
    fit = fit_box(log, room, facts)
    made = FittedPlace(
        name, found.room or "", found.agent, found.desiccant_g, tuple(spool.id for spool, _ in inside), fit
    )
    if not keep:
        return made
    if found.rh_pct is not None:
        raise LedgerError(
            f"{name} states a humidity, which counts instead of what leaks in: gcodetool place set {shell_word(name)} "
            "--forget humidity, and fit again"
        )
    band = fit.exchange_m3_h
    told = {"exchange_m3_h": band.p50, "exchange_range_m3_h": [band.p10, band.p90]}
    written = place_entries.set_place(opened, name, told, at_s=None if at is None else at_s, force=force)
    return replace(made, entry=written.entries[0].number)


def _logged(
    conn: "Connection", known: "Mapping[str, PlaceRecord]", name: str, at_s: float
) -> tuple[Place, AirLog, AirLog, "list[tuple[Spool, float]]"]:
    """Return a box as it is charged at a moment, its log since then, its room's, and the spools in it with their grams."""
    record = records.place(known, name)
    if record.kind not in place_entries.CHARGED:
        raise LedgerError(
            f"{name} is a place of kind '{record.kind}'; what is fitted is a box or a sealed bag"
        )
    stated = {each: _readable(place) for each, place in known.items()}
    box = check_places(stated, "ledger")[name]
    if box.room is None:
        raise LedgerError(
            f"{name} states no room; name it: gcodetool place set {shell_word(name)} --room PLACE"
        )
    begin_s = max([at_s - READ_S, *(one for one in box.desiccant_fresh_s if one <= at_s)])
    log = _between(records.air_of(conn, record), begin_s, at_s)
    if len(log.at_s) < 2:
        raise LedgerError(
            f"{name} has no readings in the 28 days before (or since its desiccant was renewed): gcodetool place log "
            f"{name} FILE.csv"
        )
    there = records.place(known, box.room)
    room = _between(records.air_of(conn, there), begin_s - DAY_S, at_s)
    if not room.at_s:
        if not {"temperature_C", "rh_pct"} <= set(there.facts):
            raise LedgerError(
                f"{box.room}, the room of {name}, has no readings: gcodetool place log {shell_word(box.room)} FILE.csv"
            )
        room = AirLog((log.at_s[0],), (float(there.facts["temperature_C"]),), (float(there.facts["rh_pct"]),))
    at_us = micro(at_s)
    inside = []
    for spool_id, where in records.at_places(conn, at_us).items():
        if where == name:
            reel = records.spool(conn, spool_id)
            spool = records.bare(conn, reel)
            inside.append((spool, left_g(reel, spool, at_us=at_us)))
    return charged(box, at_s), log, room, inside


def _readable(place: "PlaceRecord") -> dict[str, Any]:
    """Return a place's keys, with a log where it was measured."""
    facts = place.stated
    if place.kind in records.MEASURABLE and place.measured:
        facts["log"] = ANY_AIR
    return facts


def _between(rows: "entries.Readings", begin_s: float, end_s: float) -> AirLog:
    return records.air_log([row for row in rows if micro(begin_s) <= row[0] <= micro(end_s)])


def _facts_of(box: Place) -> BoxFacts:
    """Return what a box states, for its fit."""
    agent = None if box.agent is None else drying_agent(box.agent)
    return BoxFacts(None if not box.air_L else box.air_L / 1000.0, agent, (box.desiccant_g or 0.0) / 1000.0)


def _held_kg(spool: "Spool", left_g: float) -> float:
    """Return what so much filament of a spool holds per unit of activity near dry air. [kg]"""
    material = polymer(spool.material, fibre_wt_pct=spool.fibre_wt_pct)
    slope = (material.equilibrium(0.3, 295.15) - material.equilibrium(0.1, 295.15)) / 0.2
    return left_g / 1000.0 * float(np.asarray(slope).ravel()[0])


def place_size(
    name: str,
    spools: "Sequence[SpoolWord]",
    *,
    until: Moment = None,
    openings_per_week: float = 2.0,
    humidity_max: float | None = None,
    prices: Mapping[str, float] | None = None,
    at: Moment = None,
    members: int | None = None,
    ledger: str | None = None,
) -> SizedPlace:
    """Return how many grams of each desiccant keep what is fed next of these spools good in a box until a day.

    Parameters
    ----------
    spools : ids of the ledger, spool files, or records; they go into the box together.
    until : the day; None: 30 days from *at* on.
    openings_per_week, humidity_max : how often it is opened; what it may show at most on that day [% RH].
    prices : of a kilogram, by desiccant.
    at, members, ledger : as for a check.

    Raises
    ------
    UsageError
        No spools, a place that cannot be closed, a day that is over.
    SpoolError, LedgerError, ProfileError
        Records that are not there, or do not say what is needed.
    """
    at_s = clock(at)
    until_s = at_s + 30 * DAY_S if until is None else clock(until)
    if not spools:
        raise UsageError("no spools: name them with --spools ID,ID")
    if until_s <= at_s + HOUR_S:
        raise UsageError("--until is over already; name a day to come")
    per_kg = {profiles.desiccant(word).key: price for word, price in (prices or {}).items()}
    found = [find_spool(word, ledger=ledger, also=(name,)) for word in spools]
    count = MEMBERS if members is None and default_members(None) > 1 else default_members(members)
    shelf = snapshots_of(ledger)
    states = [state_at(each, at_s, members=count, shelf=shelf(each)) for each in found]
    plan, notes = _plan(name, states[0], openings_per_week, until_s, humidity_max)
    if others := [each for each in _inside(name, at_s, ledger) if each not in {one.id for one in found}]:
        notes.append(f"{', '.join(others)} in it now are not counted: name them with --spools if they stay")
    slots, reels = plan.place.slots, len({one.id for one in found})
    if slots is not None and reels > slots:
        at_a_time = "1 reel" if slots == 1 else f"{slots} reels"
        notes.append(
            f"{name} states that it takes {at_a_time} at a time, and this is for {reels}: "
            f"gcodetool place set {shell_word(name)} --slots N"
        )
    told = tuple(brought(each) for each in states)
    charges = [] if any(each.dry_first for each in told) else _charges(states, plan, per_kg)
    assert plan.place.air_L is not None  # _plan saw to it
    return SizedPlace(
        name,
        plan.room.name,
        at_s,
        until_s,
        openings_per_week,
        (plan.place.exchange_m3_h or 0.0) * 24.0 / (plan.place.air_L / 1000.0),
        told,
        tuple(charges),
        _if_dried(states, told, plan, charges),
        tuple(notes),
    )


def _charges(states: "Sequence[State]", plan: BoxPlan, per_kg: Mapping[str, float]) -> list[Priced]:
    """Return the least charge of every desiccant, those that do first, the smallest first."""
    sized = [least_charge(states, plan, profiles.desiccant(each)) for each in profiles.names("desiccants")]
    found = []
    for one in sorted(sized, key=lambda one: (one.grams is None, one.grams or 0.0, one.agent.key)):
        price = per_kg.get(one.agent.key)
        cost = None if one.grams is None or price is None else one.grams / 1000.0 * price
        found.append(Priced(one, cost))
    return found


def _if_dried(
    states: "Sequence[State]", told: Sequence[Brought], plan: BoxPlan, charges: Sequence[Priced]
) -> Sized | None:
    """Return the charge that is needed if the spools that bring water were dried before; None: none brings any."""
    if not any(said.water_g > 0.0 for said in told):
        return None
    dry = [_dried(each) if said.water_g > 0.0 else each for each, said in zip(states, told, strict=True)]
    able = [each.sized.agent for each in charges if each.sized.grams is not None]
    return least_charge(dry, plan, able[0] if able else profiles.desiccant(USUAL))


def _inside(name: str, at_s: float, ledger: str | None) -> list[str]:
    """Return the ledger's spools in a place; none where there is no ledger."""
    if not location.exists(ledger):
        return []
    with reading(open_ledger(ledger, make=False)) as conn:
        return [each for each, where in records.at_places(conn, micro(at_s)).items() if where == name]


def _plan(
    name: str, state: State, openings_per_week: float, until_s: float, humidity_max: float | None
) -> tuple[BoxPlan, list[str]]:
    """Return the box as it will stand, and what was assumed of it."""
    spool, at_s = state.spool, state.as_of_s
    if name not in spool.places:
        raise UsageError(
            f"the record of {spool.id} has no place '{name}'; it has {', '.join(sorted(spool.places))}"
        )
    place = spool.places[name]
    if place.kind not in place_entries.CHARGED:
        raise UsageError(
            f"{name} is a place of kind '{place.kind}'; desiccant goes into a box or a sealed bag"
        )
    if not place.air_L:
        raise UsageError(f"{name}: its litres are not stated: gcodetool place set {shell_word(name)} --air L")
    notes = []
    behind = place.room or last_open(spool, at_s)
    if behind is None:
        room = Place("the room", "open", ROOM_C, ROOM_RH_PCT)
        notes.append(f"its room is taken as {ROOM_C:g} °C and {ROOM_RH_PCT:g} % RH: no place states it")
    else:
        room = steady_room(_open(spool.places, behind), at_s)
        if place.room is None:
            notes.append(
                f"its room is taken to be {room.name}: gcodetool place set {shell_word(name)} --room PLACE says it"
            )
    if place.exchange_m3_h is None and bag.leak_g_day(place) <= 0.0:
        place = replace(place, exchange_m3_h=TYPICAL_PER_DAY * place.air_L / 1000.0 / 24.0)
        notes.append(
            f"it is taken to exchange {TYPICAL_PER_DAY:g} times its air a day, as boxes with a lid do (0.2 to 5); its "
            f"hygrometer's log tells: gcodetool place fit {shell_word(name)} --keep"
        )
    if place.temperature_C is None:
        place = replace(place, temperature_C=room.temperature_C)
    return BoxPlan(place, room, openings_per_week, until_s, humidity_max), notes


def _open(places: Mapping[str, Place], name: str) -> Place:
    """Return the open place that a room is: a printer's own room."""
    place = places[name]
    return place if place.kind != "printer" or place.room is None else places[place.room]


def _dried(state: State) -> State:
    """Return a spool as it is after a good drying: everywhere at half of the good limit."""
    water = np.minimum(state.field.water, 0.5 * state.polymer.limit_good)
    return replace(state, field=replace(state.field, water=water))


def kinds_for(place_kind: str) -> list[str]:
    """Return the desiccants that are known, by their plain names; none for a kind of place that holds none."""
    if place_kind not in place_entries.CHARGED:
        return []
    return sorted(profiles.desiccant(key).name for key in profiles.names("desiccants"))


def agent_of(name: str, *, ledger: str | None = None) -> "Desiccant | None":
    """Return the desiccant that is in a place of the ledger now; None: none.

    Raises
    ------
    LedgerError
        No such place.
    """
    with reading(open_ledger(ledger, make=False)) as conn:
        known = records.places(conn)
        records.place(known, name)
        box = check_places({each: _readable(place) for each, place in known.items()}, "ledger")[name]
    return charged(box, clock(None)).agent
