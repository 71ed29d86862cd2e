"""What people do with places, as entries: added, corrected, their air read or taken from a logger's file.

Each function is one transaction.  Readings are kept once: those already there are not written again.
Left out: spools (``writers``), understanding a logger's file (``hygrometer``).
"""

from collections.abc import Collection, Mapping, Sequence
from typing import Any, Final

from sqlalchemy import Connection

from gcodetool.errors import DoubtError, LedgerError
from gcodetool.ledger import dryers, entries, records
from gcodetool.ledger.airlogfile import COLDEST_C, HOTTEST_C
from gcodetool.ledger.call import CLOCK_SLACK_US, now_us
from gcodetool.ledger.entries import Draft, LedgerEntry, Readings, micro
from gcodetool.ledger.placetables import check_places
from gcodetool.ledger.records import MEASURABLE, PlaceRecord
from gcodetool.ledger.store import Ledger
from gcodetool.ledger.writers import Written, to_undo, write_transaction
from gcodetool.moisture.dryer_runs import knob_offset_C
from gcodetool.moisture.record import AirLog
from gcodetool.profiles import salt_solution
from gcodetool.shell import shell_word
from gcodetool.tomlfile import shown

LONGEST_NAME: Final = 60
ANY_AIR: Final = AirLog((0.0,), (20.0,), (50.0,))  # stands for readings, where only their being there counts
CHARGED: Final = ("box", "sealed")  # kinds of place that hold desiccant
ADDED_LATE_US: Final = (
    86_400_000_000  # a place is often added when something of it is to be noted (own estimate)
)
CHARGE: Final = ("desiccant", "desiccant_g")
DENSEST_KG_L: Final = 0.9  # of a desiccant's grains, poured in: they have 0.65 to 0.85 (own estimate)
AIR: Final = ("temperature_C", "rh_pct")
HOTTEST_ROOM_C: Final = 50.0  # of air that nothing heats: a loft in summer (own estimate)
UNHEATED: Final = ("open", "box", "sealed")
FRESH: Final = "desiccant_fresh_at"  # moments of a box's desiccant; one more is added to those known


def add_place(
    ledger: Ledger, name: str, facts: Mapping[str, Any], *, at_s: float | None = None, force: bool = False
) -> Written:
    """Add a place: *facts* are the keys of a spool file's place, ``kind`` among them.

    Raises
    ------
    LedgerError
        The name is taken or cannot be one.
    SpoolError, ProfileError
        A fact is missing, cannot be, or names a place that is not there.
    """
    check_name(name)
    _check_room(name, str(facts.get("kind")), facts.get("temperature_C"), force=force)
    _check_charge(name, facts, force=force)
    with write_transaction(ledger, at_s, force=force) as (conn, at_us):
        if name in records.places(conn):
            raise LedgerError(f"place '{name}' is there already; 'gcodetool place set' corrects it")
        written = entries.append(conn, added(conn, {name: facts}, at_us))
        check_places_of(conn)
        return Written(tuple(written), care_of(facts))


def _check_room(name: str, kind: str, celsius: float | None, *, force: bool) -> None:
    """Refuse air that nothing heats and that is hotter than a room can be: degrees Fahrenheit without their F."""
    if kind in UNHEATED and celsius is not None and celsius > HOTTEST_ROOM_C and not force:
        raise DoubtError(
            f"{name}: {celsius:g} °C is hotter than air that nothing heats; write {celsius:g}F if that is meant, "
            "or add --force"
        )
    if celsius is not None and not COLDEST_C <= celsius <= HOTTEST_C:  # nothing reads such a record again
        raise LedgerError(
            f"{name}: {celsius:g} °C is no place's air; it is from {COLDEST_C:g} to {HOTTEST_C:g}"
        )


def _check_charge(name: str, facts: Mapping[str, Any], *, force: bool) -> None:
    """Refuse more desiccant than a box has room for; a bag's air is what was left in it, not its room."""
    grams, litres = facts.get("desiccant_g"), facts.get("air_L")
    if facts.get("kind") != "box" or not grams or not litres or force:
        return
    least_L = grams / 1000.0 / DENSEST_KG_L
    if least_L > litres:
        raise DoubtError(
            f"{name}: {grams:g} g of desiccant fill {least_L:.1f} L at least, more than the {litres:g} L of the box; "
            "correct the figure, or add --force"
        )


def added(conn: Connection, places: Mapping[str, Mapping[str, Any]], at_us: int) -> list[Draft]:
    """Return the entries of new places, which may draw on each other; errors as in `add_place`."""
    drafts = []
    for name, facts in places.items():
        check_name(name)
        told = {key: value for key, value in facts.items() if value is not None}
        _linked(conn, told, also=places)
        drafts.append(Draft("place", name, "added", at_us, told))
    return drafts


def care_of(facts: Mapping[str, Any]) -> tuple[str, ...]:
    """Return what to mind with a place of such facts."""
    return (salt_solution(str(facts["solution"])).care,) if facts.get("solution") else ()


def check_name(name: str) -> None:
    """Refuse what cannot be a place's name."""
    if not name.strip() or name != name.strip() or not name.isprintable() or name.startswith("-"):
        raise LedgerError(f"{shown(name)} cannot be a place's name; write e.g. bench or box-2")
    if len(name) > LONGEST_NAME:
        raise LedgerError(f"{shown(name)} is too long for a place's name; {LONGEST_NAME} letters at most")


def _linked(conn: Connection, facts: Mapping[str, Any], also: Collection[str] = ()) -> None:
    """Refuse the name of a place that is not there, nor comes along (*also*)."""
    known = records.places(conn)
    for key in records.LINKS:
        if facts.get(key) is not None and facts[key] not in also:
            records.place(known, str(facts[key]))


def check_places_of(conn: Connection) -> None:
    """Refuse places that do not stand by themselves or together, by the rules of the spool file."""
    known = records.places(conn)
    stated = {}
    for name, each in known.items():
        facts = each.stated
        if each.kind in MEASURABLE and each.measured:
            facts["log"] = ANY_AIR
        stated[name] = facts
    check_places(stated, "ledger")


def set_place(
    ledger: Ledger, name: str, changes: Mapping[str, Any], *, at_s: float | None = None, force: bool = False
) -> Written:
    """Correct what a place is, for all of the record; None takes a fact out.  Errors as in `add_place`."""
    if not changes:
        raise LedgerError(f"{name}: nothing to correct; name what, e.g. --temperature 75")
    with write_transaction(ledger, at_s, force=force) as (conn, at_us):
        place = records.place(records.places(conn), name)
        _linked(conn, changes)
        facts = dict(changes)
        _check_room(name, str(facts.get("kind", place.kind)), facts.get("temperature_C"), force=force)
        if not {"air_L", *CHARGE}.isdisjoint(facts):
            _check_charge(name, {**place.facts, **facts}, force=force)
        if "exchange_m3_h" in facts and "exchange_range_m3_h" in place.facts:
            facts.setdefault("exchange_range_m3_h", None)  # another figure has another range
        if facts.get(FRESH):
            facts[FRESH] = sorted({*place.facts.get(FRESH, []), *facts[FRESH]})
        written = entries.append(conn, [Draft("place", name, "set", at_us, facts)])
        check_places_of(conn)
        notes = [*care_of(facts), *_overruled(place, facts)]
        if at_s is not None and place.kind in MEASURABLE and any(facts.get(key) is not None for key in AIR):
            notes.append(
                f"{name}: that counts for its whole record, not from {records.wall(at_us)} on; air that has changed is "
                f"noted with 'gcodetool place read {shell_word(name)}', after 'gcodetool place undo {shell_word(name)}'"
            )
        return Written(tuple(written), tuple(notes))


def _overruled(place: PlaceRecord, facts: Mapping[str, Any]) -> list[str]:
    """Return what to mind where a correction of the desiccant meets charges that were put in since."""
    later = [one for one in place.renewed if any(key in one for key in CHARGE if key in facts)]
    if not later:
        return []
    since = records.wall(micro(later[0]["at"].timestamp()))
    return [
        f"{place.name}: what it was renewed with counts from {since} on, whatever is corrected; 'gcodetool place renewed "
        f"{shell_word(place.name)} --desiccant KIND --mass G' notes what is in it from now on"
    ]


def renew(
    ledger: Ledger,
    name: str,
    charge: Mapping[str, Any] | None = None,
    *,
    at_s: float | None = None,
    force: bool = False,
) -> Written:
    """Note that a box's desiccant was renewed: as it was, or (*charge*) with another kind or mass from then on.

    Parameters
    ----------
    charge
        Keys ``desiccant`` and ``desiccant_g``; what is left out stays.

    Raises
    ------
    LedgerError
        Unknown place, one that holds no desiccant, or nothing known of what is in it; a moment days before it
        was there (unless *force*).
    SpoolError, ProfileError
        A desiccant that is none.
    """
    told = {key: value for key, value in (charge or {}).items() if value is not None}
    with write_transaction(ledger, at_s, force=force) as (conn, at_us):
        place = records.place(records.places(conn), name)
        if place.kind not in CHARGED:
            raise LedgerError(
                f"{name} is a place of kind '{place.kind}'; a box or a sealed bag holds desiccant"
            )
        if (
            "desiccant" not in place.facts
            and not {"desiccant", "desiccant_g"} <= set(told)
            and not place.renewed
        ):
            raise LedgerError(f"{name}: it states no desiccant yet; add --desiccant KIND --mass G")
        _check_charge(name, {**place.facts, **told}, force=force)
        if at_us < place.added.at_us - ADDED_LATE_US and not force:
            raise DoubtError(
                f"{name}: it is in the record from {records.wall(place.added.at_us)} on; correct --at, or add --force if "
                "it held desiccant before that"
            )
        written = entries.append(conn, [Draft("place", name, "renewed", at_us, told)])
        check_places_of(conn)
        return Written(tuple(written))


def read(
    ledger: Ledger,
    name: str,
    *,
    rh_pct: float | None = None,
    temperature_C: float | None = None,
    knob_C: float | None = None,
    at_s: float | None = None,
    force: bool = False,
) -> Written:
    """Note one reading of a place's air; its temperature, where none is read, is the last one known.

    Of a dryer the temperature is read, and *knob_C* is what its knob shows meanwhile.

    Raises
    ------
    LedgerError
        Unknown place, one whose air is not measured, no temperature known, or a figure that does not belong to
        such a place.
    """
    with write_transaction(ledger, at_s, force=force) as (conn, at_us):
        known = records.places(conn)
        if records.place(known, name).kind == "dryer":
            return read_dryer(conn, known[name], at_us, temperature_C, knob_C, rh_pct, force=force)
        place = measured(known, name)
        if rh_pct is None or knob_C is not None:
            what = "no humidity was read; add --humidity" if rh_pct is None else "only a dryer has a knob"
            raise LedgerError(f"{name}: {what}")
        notes = []
        _check_room(name, place.kind, temperature_C, force=force)
        if temperature_C is None:
            temperature_C = _known_C(conn, place, at_us)
            room = known.get(str(place.facts.get("room")))
            if temperature_C is None and room is not None:  # a box in a room is as warm as that
                temperature_C = _known_C(conn, room, at_us)
            if temperature_C is None:
                raise LedgerError(f"{name}: no temperature is known of it; add --temperature")
            notes.append(f"at {temperature_C:g} °C, as known before")
        new, same, other = _sorted_out(conn, place, [(at_us, float(temperature_C), float(rh_pct))])
        if same:
            return Written((), (f"{name}: this reading is there already; nothing written",))
        notes += [f"in place of the reading of the same moment ({rh:g} % RH)" for _, _, rh in other]
        facts = {"temperature_C": float(temperature_C), "rh_pct": float(rh_pct)}
        written = entries.append(conn, [Draft("place", name, "read", at_us, _vouched(facts, new))])
        entries.add_readings(conn, written[0], new)
        check_places_of(conn)
        return Written(tuple(written), tuple(notes))


def _known_C(conn: Connection, place: PlaceRecord, at_us: int) -> float | None:
    """Return a place's own temperature, as it was read up to a moment or is stated; None: neither."""
    earlier = [celsius for moment, celsius, _ in records.air_of(conn, place) if moment <= at_us]
    stated: float | None = place.facts.get("temperature_C")
    return earlier[-1] if earlier else stated


def read_dryer(
    conn: Connection,
    dryer: PlaceRecord,
    at_us: int,
    temperature_C: float | None,
    knob_C: float | None,
    rh_pct: float | None,
    *,
    force: bool,
) -> Written:
    """Note what a thermometer in a dryer shows, and its knob, as that is said or was noted with those in it.

    Raises
    ------
    LedgerError
        No temperature, a humidity, which follows from its room's, or hotter air than it is stated to reach (unless
        *force*).
    """
    if temperature_C is None or rh_pct is not None:
        raise LedgerError(
            f"{dryer.name} is a dryer: it heats the air of its room, which tells its humidity; note what a "
            f"thermometer in it shows: gcodetool place read {shell_word(dryer.name)} --temperature 71 --knob 75"
        )
    there = [stay for stay in dryers.stays_in(conn, dryer.name) if stay.begin_us <= at_us < stay.end_us]
    heat = there[-1].heat if there else {}
    notes = dryers.beyond(dryer, dryers.as_place(dryer), {"temperature_C": float(temperature_C)}, force=force)
    if knob_C is None and "knob_C" in heat:
        knob_C = heat["knob_C"]
    elif knob_C is None and not heat:  # it runs as it is stated
        knob_C = float(dryer.facts["temperature_C"]) + float(dryer.facts.get("set_offset_C", 0.0))
        notes.append(
            f"its knob is taken as at {knob_C:g} °C, as {dryer.name} is stated; name another with --knob"
        )
    facts = {"temperature_C": float(temperature_C), **({} if knob_C is None else {"knob_C": float(knob_C)})}
    if any({**facts, "at": records.utc(at_us)} == one for one in dryer.thermometer):
        return Written((), (f"{dryer.name}: this reading is there already; nothing written",))
    written = entries.append(conn, [Draft("place", dryer.name, "read", at_us, facts)])
    check_places_of(conn)
    off = knob_offset_C(dryers.as_place(records.places(conn)[dryer.name]))
    if knob_C is not None and off:
        than = f"{abs(off):.1f} K {'cooler' if off > 0 else 'warmer'} than its knob shows"
        notes.append(f"its air is {than}; that counts for all dryings noted by the knob, or as it is stated")
    if "temperature_C" in heat:
        names = ", ".join(stay.spool for stay in there)
        notes.append(f"from now on it counts for {names}; until now their air counts as it was noted")
    return Written(tuple(written), tuple(notes))


def measured(known: Mapping[str, PlaceRecord], name: str) -> PlaceRecord:
    """Return a place whose air may be measured."""
    place = records.place(known, name)
    if place.kind not in MEASURABLE:
        why = {
            "dryer": "it heats the air of its room; log that, or note its own temperature with 'place read'",
            "printer": "it stands in the air of its room; read that, or its box",
        }
        raise LedgerError(f"{name} is a place of kind '{place.kind}': {why[place.kind]}")
    return place


def _vouched(facts: dict[str, Any], rows: Readings) -> dict[str, Any]:
    return {**facts, "count": len(rows), "digest": entries.digest_of(rows)}


def _sorted_out(
    conn: Connection, place: PlaceRecord, rows: Sequence[tuple[int, float, float]]
) -> tuple[Readings, Readings, Readings]:
    """Return (new readings, those there already, what is there with other figures)."""
    there = {row[0]: row for row in entries.readings_of(conn, place.name, place.measured)}
    new, same, other = [], [], []
    for row in rows:
        if row[0] not in there:
            new.append(row)
        elif there[row[0]] == row:
            same.append(row)
        else:
            new.append(row)
            other.append(there[row[0]])
    return new, same, other


def log(
    ledger: Ledger,
    name: str,
    rows: Readings,
    *,
    source: str,
    at_s: float | None = None,
    force: bool = False,
) -> Written:
    """Take in a logger's readings; those there already are not written again, other figures are kept out.

    Parameters
    ----------
    rows
        By time: [µs since 1970], [°C], [% RH].
    source
        The file's name, for the history.

    Raises
    ------
    LedgerError
        Unknown place, one whose air is not measured, figures that no air has; air hotter than nothing heats, or
        readings that differ from those of the same moment (unless *force*, which takes the new ones).
    """
    for moment, celsius, rh in rows:
        if not (COLDEST_C <= celsius <= HOTTEST_C and 0 <= rh <= 100):
            raise LedgerError(
                f"{source}: {celsius:g} °C and {rh:g} % RH at {records.wall(moment)} cannot be; "
                "correct the file"
            )
    with write_transaction(ledger, at_s, force=force) as (conn, _):
        place = measured(records.places(conn), name)
        new, same, other = _sorted_out(conn, place, rows)
        if other and not force:
            raise DoubtError(
                f"{name}: {len(other)} of {len(rows)} readings differ from those of the same moments in the ledger; "
                "is it another place's file? add --force to take these"
            )
        notes = [f"{len(new)} readings are new, {len(same)} were there already"]
        if not new:
            return Written((), (*notes, "nothing written"))
        _check_room(name, place.kind, max(celsius for _, celsius, _ in new), force=force)
        last_us = max(row[0] for row in new)
        if last_us > now_us() + CLOCK_SLACK_US:
            notes.append(f"the last one, {records.wall(last_us)}, is still to come: set the logger's clock")
        return Written((take_readings(conn, place, new, source=source),), tuple(notes))


def take_readings(conn: Connection, place: PlaceRecord, rows: Readings, *, source: str) -> LedgerEntry:
    """Note readings that are new, by time, within the caller's transaction; *source*: whence, for the history."""
    facts = _vouched({"source": source, "until_us": rows[-1][0]}, rows)
    written = entries.append(conn, [Draft("place", place.name, "logged", rows[0][0], facts)])
    entries.add_readings(conn, written[0], rows)
    check_places_of(conn)
    return written[0]


def undo_place(
    ledger: Ledger, name: str, number: int | None = None, *, at_s: float | None = None, force: bool = False
) -> Written:
    """Cancel the last command noted of a place, or the one that an entry belongs to; an undo, too.

    Raises
    ------
    LedgerError
        Unknown place or entry, one undone already, or a place that a spool or another place needs.
    """
    with write_transaction(ledger, at_s, force=force) as (conn, at_us):
        rows = entries.of(conn, "place", name)
        if not rows:
            raise LedgerError(records.unknown("place", name, records.places(conn)))
        written = entries.append(conn, [to_undo("place", name, rows, number, at_us)[1]])
        known = records.places(conn)
        if name not in known:
            users = [
                spool_id
                for spool_id, record in records.spools(conn).items()
                if any(place == name for _, place, _ in record.stays())
            ]
            if users:
                raise LedgerError(
                    f"{name}: {users[0]} has stood there; 'gcodetool place set' corrects the place"
                )
        check_places_of(conn)
        return Written(tuple(written), () if name in known else (f"{name} is taken back",))
