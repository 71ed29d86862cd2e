"""Entries to records: what a spool or a place is, by all that counts of what was noted about it.

A spool's record leaves as the keys and values of a spool file, and is read by the same reader, so the
ledger and an exported file cannot disagree.  Left out: writing (``writers``), TOML (``exchange``).
"""

import contextlib
from array import array
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from sqlalchemy import Connection

from gcodetool import moments
from gcodetool.errors import LedgerError
from gcodetool.ledger import entries
from gcodetool.ledger.entries import MICRO, LedgerEntry, Readings
from gcodetool.ledger.entries import utc as utc  # noqa: PLC0414  # moments of a record
from gcodetool.ledger.spoolfile import spool_of
from gcodetool.moisture.record import AirLog, Place, Spool
from gcodetool.profiles import salt_solution
from gcodetool.tomlfile import nearest, shown

HAPPENED: Final = (
    "moved",
    "weighed",
    "inspected",
    "fed",
    "outcome",
    "cut",
)  # of a spool, beside ``added`` (which receives it)
MEASURABLE: Final = ("open", "box", "sealed")  # kinds of places whose air may be measured
ORIGIN: Final = ("net_mass_g", "winding", "body")  # what is kept of a reel in its samples' files
LINKS: Final = ("room", "fed_from")
HEAT: Final = ("temperature_C", "knob_C")  # of a stay in a dryer: one of them, or neither


@dataclass(frozen=True)
class PlaceRecord:
    """A place as the ledger has it.

    Attributes
    ----------
    name : of the place.
    entries : all of it, in the order written.
    added : the entry that made it.
    facts : keys of a spool file's place, corrections in them.
    """

    name: str
    entries: tuple[LedgerEntry, ...]
    added: LedgerEntry
    facts: dict[str, Any]

    @property
    def kind(self) -> str:
        """Kind of the place."""
        return str(self.facts["kind"])

    @property
    def measured(self) -> list[int]:
        """Numbers of the entries that brought readings in and count."""
        return [entry.number for entry in entries.live(self.entries) if entry.kind in ("read", "logged")]

    @property
    def thermometer(self) -> list[dict[str, Any]]:
        """What a thermometer in a dryer read, as a spool file has it, by time; of other places nothing."""
        if self.kind != "dryer":
            return []
        read = [entry for entry in entries.live(self.entries) if entry.kind == "read"]
        return [
            {"at": utc(entry.at_us), **entry.facts} for entry in sorted(read, key=lambda entry: entry.at_us)
        ]

    @property
    def renewed(self) -> list[dict[str, Any]]:
        """When its desiccant was renewed, and with what, as a spool file has it, by time."""
        done = [entry for entry in entries.live(self.entries) if entry.kind == "renewed"]
        return [
            {"at": utc(entry.at_us), **entry.facts}
            for entry in sorted(done, key=lambda entry: (entry.at_us, entry.number))
        ]

    @property
    def stated(self) -> dict[str, Any]:
        """Keys of a spool file's place: its facts, of a dryer what a thermometer read, of a box its new charges."""
        found = dict(self.facts)
        if self.thermometer:
            found["readings"] = self.thermometer
        if self.renewed:
            found["renewed"] = self.renewed
        return found


@dataclass(frozen=True)
class SpoolRecord:
    """A spool as the ledger has it.

    Attributes
    ----------
    id : of the spool.
    entries : all of it, in the order written.
    added : the entry that made it; its facts hold what ``received`` says.
    facts : keys of a spool file but places and events, corrections in them.
    happened : what counts of what happened to it, by time; ``received`` is not among them.
    retired : whether it is off the shelf for good.
    """

    id: str
    entries: tuple[LedgerEntry, ...]
    added: LedgerEntry
    facts: dict[str, Any]
    received_us: int
    received: dict[str, Any]
    happened: tuple[LedgerEntry, ...]
    retired: bool

    @property
    def cut_from(self) -> dict[str, Any] | None:
        """Of a sample: ``spool`` that it was cut from, and ``length_mm``; None of any other spool."""
        found: dict[str, Any] | None = self.received.get("cut_from")
        return found

    def stays(self, until_us: int | None = None) -> list[tuple[int, str, int | None]]:
        """Return (since [µs], place, tool) of each stay that began up to a moment."""
        found = [(self.received_us, str(self.received["place"]), None)]
        found += [
            (entry.at_us, str(entry.facts["place"]), entry.facts.get("tool"))
            for entry in self.happened
            if entry.kind == "moved"
        ]
        return [stay for stay in found if until_us is None or stay[0] <= until_us]

    def stay(self, at_us: int) -> tuple[int, str, int | None]:
        """Return (since [µs], place, tool) at a moment; the first stay before it came in."""
        return (self.stays(at_us) or self.stays()[:1])[-1]


def wall(at_us: int) -> str:
    """Return a moment as the clock on the wall shows it."""
    return moments.wall(at_us / 1e6)


def _made(rows: list[LedgerEntry]) -> tuple[LedgerEntry | None, list[LedgerEntry]]:
    """Return the last ``added`` that counts, and what counts after it."""
    counted = entries.live(rows)
    at = max((i for i, entry in enumerate(counted) if entry.kind == "added"), default=None)
    return (None, []) if at is None else (counted[at], counted[at + 1 :])


def merged(facts: dict[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """Return facts with changes over them, tables key by key; None takes a key out.

    >>> merged({"a": 1, "body": {"mass_g": 2, "width_mm": 60}}, {"a": None, "body": {"mass_g": 3}})
    {'body': {'mass_g': 3, 'width_mm': 60}}
    """
    found = dict(facts)
    for key, value in changes.items():
        if value is None:
            found.pop(key, None)
        elif isinstance(value, Mapping) and isinstance(found.get(key), Mapping):
            found[key] = merged(found[key], value)
        else:
            found[key] = value
    return found


def place_record(name: str, rows: list[LedgerEntry]) -> PlaceRecord | None:
    """Return a place from its entries; None where it was taken back."""
    added, after = _made(rows)
    if added is None:
        return None
    facts = dict(added.facts)
    for entry in after:
        if entry.kind == "set":
            facts = merged(facts, entry.facts)
    return PlaceRecord(name, tuple(rows), added, facts)


def spool_record(spool_id: str, rows: list[LedgerEntry]) -> SpoolRecord | None:
    """Return a spool from its entries; None where it was taken back."""
    added, after = _made(rows)
    if added is None:
        return None
    facts = {key: value for key, value in added.facts.items() if key != "received"}
    received_us, received = added.at_us, dict(added.facts["received"])
    for entry in after:
        if entry.kind == "set":
            changes = dict(entry.facts)
            received_us = changes.pop("received_us", received_us)
            received = merged(received, changes.pop("received", {}))
            facts = merged(facts, changes)
    happened = sorted((entry for entry in after if entry.kind in HAPPENED), key=lambda entry: entry.at_us)
    return SpoolRecord(
        spool_id,
        tuple(rows),
        added,
        facts,
        received_us,
        received,
        tuple(happened),
        any(entry.kind == "retired" for entry in after),
    )


def places(conn: Connection) -> dict[str, PlaceRecord]:
    """Return every place, by name; those with a damaged entry are left out."""
    found = {}
    for name, rows in sorted(entries.by_name(entries.of(conn, "place")).items()):
        with contextlib.suppress(LedgerError):
            found[name] = place_record(name, rows)
    return {name: place for name, place in found.items() if place is not None}


def spools(conn: Connection) -> dict[str, SpoolRecord]:
    """Return every spool, by id, retired ones among them; those with a damaged entry are left out."""
    return spools_of(entries.by_name(entries.of(conn, "spool")))


def spools_of(noted: Mapping[str, list[LedgerEntry]]) -> dict[str, SpoolRecord]:
    """Return the same from all their entries."""
    found = {}
    for name, rows in sorted(noted.items()):
        with contextlib.suppress(LedgerError):
            found[name] = spool_record(name, rows)
    return {name: spool for name, spool in found.items() if spool is not None}


def on_shelf(conn: Connection, *, retired: bool = False) -> list[str]:
    """Return the ids of the spools on the shelf, without reading what happened to them."""
    rows = entries.of_kinds(conn, "spool", ("added", "retired", "undone"))
    found = []
    for spool_id, mine in entries.by_name(rows).items():
        try:
            kinds = [entry.kind for entry in entries.live(mine)]
        except LedgerError:  # it is there, and what is wrong with it is said when it is read
            kinds = ["added"]
        last = max((i for i, kind in enumerate(kinds) if kind == "added"), default=None)
        if last is not None and (retired or "retired" not in kinds[last:]):
            found.append(spool_id)
    return sorted(found)


def at_places(conn: Connection, at_us: int) -> dict[str, str]:
    """Return the place of each spool on the shelf at a moment, without reading all that happened."""
    gone: set[int] = set()
    for rows in entries.by_name(entries.of_kinds(conn, "spool", ("undone",))).values():
        gone |= set(entries.cancelled(rows))
    last: dict[str, tuple[int, int]] = {}  # moment and number; of the same moment the later turn
    corrected = entries.names_with(conn, "set")  # it may have come in at another moment, or elsewhere
    for name, number, moment in entries.moments(conn, ("added", "moved")):
        if number not in gone and last.get(name, (moment, 0))[0] <= moment <= at_us:
            last[name] = (moment, number)
    there = entries.facts_of(conn, [number for _, number in last.values()])
    found = {}
    for spool_id in on_shelf(conn):
        if spool_id in corrected:
            record = spool(conn, spool_id)
            if record.received_us <= at_us:
                found[spool_id] = record.stay(at_us)[1]
        elif spool_id in last:
            facts = there.get(last[spool_id][1], {})
            received = facts.get("received", facts)
            if (
                isinstance(received, dict) and "place" in received
            ):  # else it is damaged, and its own reading says so
                found[spool_id] = str(received["place"])
    return found


def spool(conn: Connection, spool_id: str) -> SpoolRecord:
    """Return one spool.

    Raises
    ------
    LedgerError
        There is none of that name.
    """
    found = spool_record(spool_id, entries.of(conn, "spool", spool_id))
    if found is None:
        raise LedgerError(unknown("spool", spool_id, on_shelf(conn, retired=True)))
    return found


def place(known: Mapping[str, PlaceRecord], name: str) -> PlaceRecord:
    """Return one place of those known.

    Raises
    ------
    LedgerError
        There is none of that name.
    """
    if name not in known:
        raise LedgerError(unknown("place", name, known))
    return known[name]


def unknown(what: str, name: str, known: Iterable[str]) -> str:
    """Return the line about a name that is none: the nearest ones, or how to see all."""
    listed = list(known)
    if not listed:
        return f"no {what} {shown(name)}: the ledger has none yet; add it with 'gcodetool {what} add'"
    near = nearest(name, listed, offer=())
    if near.startswith("none"):
        near = f"'gcodetool {what} list' shows the {len(listed)} there"
    return f"no {what} {shown(name)} in the ledger; {near} (a new one: 'gcodetool {what} add')"


def around(known: Mapping[str, PlaceRecord], wanted: Iterable[str]) -> list[str]:
    """Return the places wanted and those whose air they draw on, by name."""
    found: set[str] = set()
    ahead = list(wanted)
    while ahead:
        name = ahead.pop()
        if name not in found and name in known:
            found.add(name)
            ahead += [known[name].facts[key] for key in LINKS if key in known[name].facts]
    return sorted(found)


def places_of(record: SpoolRecord, known: Mapping[str, PlaceRecord]) -> list[str]:
    """Return every place whose air the spool's water rests on."""
    return around(known, (name for _, name, _ in record.stays()))


def air_of(conn: Connection, record: PlaceRecord) -> Readings:
    """Return the readings of a place; what was stated when it was added counts as one, unless others are older."""
    if record.kind not in MEASURABLE or not record.measured:
        return []
    found = entries.readings_of(conn, record.name, record.measured)
    stated = (record.facts.get("temperature_C"), record.facts.get("rh_pct"))
    if "solution" in record.facts and stated[0] is not None:
        stated = (stated[0], salt_solution(record.facts["solution"]).rh_pct(float(stated[0])))
    if found and None not in stated and found[0][0] > record.added.at_us:
        found.insert(0, (record.added.at_us, float(stated[0]), float(stated[1])))  # type: ignore[arg-type]
    return found


def data_of(
    record: SpoolRecord,
    known: Mapping[str, PlaceRecord],
    log_of: Callable[[PlaceRecord], Any],
    *,
    also: Iterable[str] = (),
    before: Sequence[SpoolRecord] = (),
) -> dict[str, Any]:
    """Return the keys and values of the spool's file; *log_of* gives a place's ``log``, or None.

    Its places are those that it stood in, *also* others, and those whose air these draw on.  *before*: of a sample,
    what it was cut off, as :func:`ancestors` has it.
    """
    stood = {name for one in (*before, record) for name in places_of(one, known)}
    used = sorted({*stood, *around(known, also)})
    described = {}
    for name in used:
        facts = known[name].stated
        log = log_of(known[name])
        if log is not None:
            facts["log"] = log
        described[name] = facts
    happened = [event for one in (*before, record) for event in _events_of(one)]
    if before:
        origins = [
            {"id": one.id, **{key: one.facts[key] for key in ORIGIN if key in one.facts}} for one in before
        ]
        return {"id": record.id, **record.facts, "cut_from": origins, "place": described, "event": happened}
    return {"id": record.id, **record.facts, "place": described, "event": happened}


def _events_of(record: SpoolRecord) -> list[dict[str, Any]]:
    """Return what happened to a spool while it was one of its own, as a spool file has it."""
    came = {"at": utc(record.received_us), "kind": "received", **record.received}
    if record.cut_from is not None:
        came = {
            "at": utc(record.received_us),
            "kind": "cut",
            "cut_from": record.cut_from["spool"],
            "length_mm": record.cut_from["length_mm"],
            "place": record.received["place"],
        }
    return [
        came,
        *({"at": utc(entry.at_us), "kind": entry.kind, **entry.facts} for entry in record.happened),
    ]


def ancestors(conn: Connection, record: SpoolRecord) -> list[SpoolRecord]:
    """Return what a sample was cut off, the first reel first: each as it was until then; of other spools nothing.

    Raises
    ------
    LedgerError
        What it was cut from, or that cut, is not in the ledger any more.
    """
    found: list[SpoolRecord] = []
    while record.cut_from is not None:
        parent = spool(conn, record.cut_from["spool"])
        cuts = [i for i, entry in enumerate(parent.happened) if entry.facts.get("into") == record.id]
        if not cuts:
            raise LedgerError(
                f"{record.id}: {parent.id}, which it was cut from, has no such cut; 'gcodetool ledger check' says more"
            )
        found.insert(0, replace(parent, happened=parent.happened[: cuts[-1]]))
        record = parent
    return found


def families(conn: Connection) -> dict[str, list[str]]:
    """Return, of each spool that was cut or cut off, the others of the same first reel."""
    rows = entries.of_kinds(conn, "spool", ("cut", "undone"))
    groups: list[set[str]] = []
    for mine in entries.by_name(rows).values():
        gone = entries.cancelled(mine)
        for entry in mine:
            if entry.number in gone or "into" not in entry.facts:
                continue
            both = {entry.name, str(entry.facts["into"])}
            joined = set().union(both, *(one for one in groups if one & both))
            groups = [*(one for one in groups if not one & both), joined]
    return {name: sorted(group - {name}) for group in groups for name in group}


def load_spool(
    conn: Connection,
    spool_id: str,
    known: Mapping[str, PlaceRecord] | None = None,
    *,
    airs: dict[str, AirLog | None] | None = None,
    also: Iterable[str] = (),
) -> Spool:
    """Return one spool as the physics takes it.

    Parameters
    ----------
    known
        The places, where they are at hand.
    also
        Places that it may be printed in, beside those that it stood in.
    airs
        Logs of places already read; those missing are added.

    Raises
    ------
    LedgerError
        There is none of that name.
    SpoolError, ProfileError
        The record does not say what is needed.
    """
    record = spool(conn, spool_id)
    return spool_from(conn, record, places(conn) if known is None else known, airs=airs, also=also)


def spool_from(
    conn: Connection,
    record: SpoolRecord,
    known: Mapping[str, PlaceRecord],
    *,
    airs: dict[str, AirLog | None] | None = None,
    also: Iterable[str] = (),
) -> Spool:
    """Return a record as the physics takes it; arguments and errors as in :func:`load_spool`."""
    memory: dict[str, AirLog | None] = {} if airs is None else airs

    def log_of(place: PlaceRecord) -> AirLog | None:
        if place.name not in memory:
            rows = air_of(conn, place)
            memory[place.name] = air_log(rows) if rows else None
        return memory[place.name]

    before = ancestors(conn, record)
    return _in_ledger(data_of(record, known, log_of, also=also, before=before), record.id)


def bare(conn: Connection, record: SpoolRecord) -> Spool:
    """Return a spool as it came in: what it is, without what happened to it and without measured air.

    The printers that it was on stand among its places, by name and kind alone.
    """
    known = places(conn)
    alone = replace(record, happened=(), received={"place": record.received["place"]})
    facts = data_of(alone, known, lambda _: None)
    for name, place in facts["place"].items():
        if known[name].kind in MEASURABLE and known[name].measured:
            air = {} if "solution" in place else {"temperature_C": 0.0, "rh_pct": 0.0}
            facts["place"][name] = {**air, **place}
    spool = _in_ledger(facts, record.id)
    stood = places_of(record, known)
    printers = {name: Place(name, "printer") for name in stood if known[name].kind == "printer"}
    return replace(spool, places={**printers, **spool.places})


def _in_ledger(facts: dict[str, Any], spool_id: str) -> Spool:
    return replace(spool_of(facts, f"ledger, {spool_id}"), in_ledger=True)


def air_log(rows: Readings) -> AirLog:
    """Return readings as the physics takes them."""
    return AirLog(
        array("d", (at_us / MICRO for at_us, _, _ in rows)),
        array("d", (celsius for _, celsius, _ in rows)),
        array("d", (rh for _, _, rh in rows)),
    )
