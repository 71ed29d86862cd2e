"""Words of a call turned into what they name: spools, printers, snapshots; files or the ledger's.

Nothing is printed here: what is worth telling comes back as notes.
"""

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gcodetool import profiles
from gcodetool.errors import GcodetoolError, SpoolError, UsageError
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from gcodetool.gcode.markers import SlicerFacts
    from gcodetool.ledger.entries import LedgerEntry
    from gcodetool.ledger.records import PlaceRecord, SpoolRecord
    from gcodetool.ledger.store import Ledger
    from gcodetool.moisture.record import Place, Spool
    from gcodetool.moisture.snapshot import SnapshotStore, SnapshotStoreFor
    from gcodetool.profiles import Printer

Moment = float | datetime | None  # seconds since 1970 UTC, a moment (naive: local), or now


def clock(at: Moment) -> float:
    """Return a moment in seconds since 1970 UTC; None: the present one."""
    if at is None:
        return time.time()
    return at.timestamp() if isinstance(at, datetime) else float(at)


@dataclass(frozen=True)
class Named:
    """What a call names, found.

    Attributes
    ----------
    printer : profile of the machine, if one is known.
    spools : by tool; None stands for the job's only tool.
    found : the spools were found, not named: those of tools that the job does not use are left out.
    notes : where they were found.
    """

    printer: "Printer | None"
    spools: "dict[int | None, Spool]"
    found: bool
    notes: tuple[str, ...] = ()


def is_spool_file(word: str) -> bool:
    """Return whether a word means a spool file, and not a spool of the ledger."""
    return profiles.names_file(word) or Path(word).is_file()


def find_spool(
    word: "str | Path | Spool", *, ledger: str | None = None, also: tuple[str, ...] = ()
) -> "Spool":
    """Return the spool that a word means, from its file or the ledger; a record is itself.

    Parameters
    ----------
    word : a spool's id in the ledger, the path of a spool file, or a record.
    ledger : what ``--ledger`` says.
    also : places that it may be printed in, beside those that it stood in.

    Raises
    ------
    SpoolError, LedgerError
        There is none, or its record says what it cannot mean.
    """
    return (
        word
        if not isinstance(word, str | Path)
        else spool_with_entries(str(word), ledger=ledger, also=also)[0]
    )


def spool_with_entries(
    word: str, *, ledger: str | None = None, also: tuple[str, ...] = ()
) -> "tuple[Spool, Sequence[LedgerEntry]]":
    """Return the spool that a word means and its entries in the ledger, read once; none of a file.

    Arguments and errors as of :func:`find_spool`.
    """
    if is_spool_file(word):
        from gcodetool.ledger.spoolfile import read_spool

        return read_spool(Path(word)), ()
    from gcodetool.ledger import location

    if not location.exists(ledger):
        raise SpoolError(
            f"no spool file '{word}', and no ledger at {location.place_of(ledger)}; name a file, or begin a ledger "
            "with 'gcodetool place add' and 'gcodetool spool add'"
        )
    return _from_ledger(word, ledger, also)


def ledger_spool(name: str, *, ledger: str | None = None, also: tuple[str, ...] = ()) -> "Spool":
    """Return a spool of the ledger, whatever files there are; arguments and errors as of :func:`find_spool`."""
    return _from_ledger(name, ledger, also)[0]


def _from_ledger(
    name: str, ledger: str | None, also: tuple[str, ...]
) -> "tuple[Spool, Sequence[LedgerEntry]]":
    from gcodetool.ledger import records, store

    with store.reading(store.open_ledger(ledger, make=False)) as conn:
        record, places = records.spool(conn, name), records.places(conn)
        return _loaded(conn, record, places, also), record.entries


def is_dryer(word: str, *, ledger: str | None = None) -> bool:
    """Return whether a word is a dryer of the ledger, and not a spool's or a file's.

    Raises
    ------
    UsageError
        A place that is no dryer.
    """
    from gcodetool.ledger import location

    if is_spool_file(word) or not location.exists(ledger):
        return False
    from gcodetool.ledger import entries, records, store

    with store.reading(store.open_ledger(ledger, make=False)) as conn:
        places = records.places(conn)
        if word not in places or word in entries.heads(conn, "spool"):
            return False
    if places[word].kind != "dryer":
        dryers = ", ".join(name for name, each in places.items() if each.kind == "dryer") or "none"
        raise UsageError(f"'{word}' is no dryer but of kind {places[word].kind}; dryers: {dryers}")
    return True


def _loaded(
    conn: "Connection", record: "SpoolRecord", places: "Mapping[str, PlaceRecord]", also: tuple[str, ...]
) -> "Spool":
    """Return a spool of the ledger with the workshop's dryers: every command sees the same places."""
    from gcodetool.ledger import neighbours, records, relatives

    dryers = (name for name, place in places.items() if place.kind == "dryer")
    found = records.spool_from(conn, record, places, also=(*also, *dryers))
    found = neighbours.with_neighbours(conn, found, places)
    return relatives.with_relatives(conn, found, places)


def spools_in_dryer(place: str, at_s: float | None, *, ledger: str | None = None) -> "list[Spool]":
    """Return the ledger's spools that are in a dryer at a moment, or (None) ever were; none where it has no such dryer."""
    from gcodetool.ledger import location

    if not location.exists(ledger):
        return []
    from gcodetool.ledger import dryers, records, store
    from gcodetool.ledger.entries import micro

    at_us = None if at_s is None else micro(at_s)
    with store.reading(store.open_ledger(ledger, make=False)) as conn:
        places = records.places(conn)
        if place not in places or places[place].kind != "dryer":
            return []
        there = [
            stay.spool
            for stay in dryers.stays_in(conn, place)
            if at_us is None or stay.begin_us <= at_us < stay.end_us
        ]
        return [records.load_spool(conn, spool_id, places) for spool_id in dict.fromkeys(there)]


def snapshots_of(ledger: str | None) -> "SnapshotStoreFor":
    """Return where snapshots lie: of the ledger's spools in the ledger, of others beside their files."""
    from gcodetool.ledger import snapshots

    opened: list[Any] = []

    def shelf_of(spool: "Spool") -> "SnapshotStore | None":
        if not spool.in_ledger:
            return snapshots.shelf_of(spool)
        from gcodetool.ledger import cache, store

        if not opened:
            opened.append(store.open_ledger(ledger, make=False))
        return cache.LedgerShelf(opened[0], spool.id)

    return shelf_of


def boxes_of(ledger: str | None) -> "Callable[[Spool], Mapping[str, Place]]":
    """Return what gives the ledger's boxes for one of its spools, with the air that was read in them; of others none."""

    def boxes(spool: "Spool") -> "Mapping[str, Place]":
        if not spool.in_ledger:
            return {}
        from gcodetool.ledger import records, store

        with store.reading(store.open_ledger(ledger, make=False)) as conn:
            known = records.places(conn)
            names = [name for name, place in known.items() if place.kind == "box"]
            found = records.load_spool(conn, spool.id, known, also=names)
        return {name: place for name, place in found.places.items() if name not in spool.places}

    return boxes


def _beside(spools: "dict[int | None, Spool]") -> "dict[int | None, Spool]":
    """Return spools of files with the other files' that stood with them; those of the ledger know theirs."""
    from gcodetool.moisture.neighbours import together

    return spools | together({tool: spool for tool, spool in spools.items() if not spool.in_ledger})


@dataclass(frozen=True)
class NamedPrinter:
    """The printer that a call names: its profile, and the ledger's places that are it."""

    profile: "Printer | None" = None
    places: tuple[str, ...] = ()
    ledger: "Ledger | None" = None
    notes: tuple[str, ...] = ()


def find_printer(
    word: "str | Printer | None", *, ledger: str | None = None, alone: bool = False
) -> NamedPrinter:
    """Return the printer that a word means: a place of the ledger, a profile, or a profile's file.

    Parameters
    ----------
    word : None: nobody named one.
    ledger : what ``--ledger`` says.
    alone : then the ledger's printer is meant, where it has a single one.

    Raises
    ------
    ProfileError
        It is none of them.
    """
    if word is None and alone:
        return _lone_printer(ledger)
    if not isinstance(word, str):
        return NamedPrinter(word)
    if profiles.names_file(word):
        return NamedPrinter(profiles.printer(word))
    known, opened, notes = _printers(ledger, wanted=profiles.lookup("printers", word) is None)
    if word in known:
        own = known[word].facts.get("printer")
        if own is None and profiles.lookup("printers", word) is not None:
            own = word
        return NamedPrinter(None if own is None else profiles.printer(own), (word,), opened, notes)
    same = tuple(name for name, each in known.items() if each.facts.get("printer") == word)
    if same or not known or profiles.lookup("printers", word) is not None:
        return NamedPrinter(profiles.printer(word), same, opened, notes)
    offer = nearest(word, sorted({*known, *profiles.names("printers")}))
    raise UsageError(f"--printer '{word}': no place of the ledger and no profile; {offer}")


def _lone_printer(ledger: str | None) -> NamedPrinter:
    """Return the only printer of the ledger; none where there are several, or none."""
    known, _, _ = _printers(ledger, wanted=False)
    if len(known) != 1:
        return NamedPrinter()
    (name,) = known
    found = find_printer(name, ledger=ledger)
    return replace(found, notes=(*found.notes, f"{name}: the only printer of the ledger"))


def rests_on_files(
    wanted: "str | Path | Spool | Mapping[int | None, str | Path | Spool] | None",
) -> bool:
    """Return whether a call names all its spools as files or records: the ledger is not asked then."""
    named = list(wanted.values()) if isinstance(wanted, Mapping) else [] if wanted is None else [wanted]
    return bool(named) and all(not isinstance(word, str | Path) or is_spool_file(str(word)) for word in named)


def nearest(word: str, known: "list[str]") -> str:
    """Return the offer that ends a message about a name that is none."""
    import difflib

    near = difflib.get_close_matches(word, known, n=1)
    return f"did you mean '{near[0]}'?" if near else f"known: {', '.join(known) or 'none'}"


def _printers(
    ledger: str | None, *, wanted: bool
) -> "tuple[Mapping[str, PlaceRecord], Ledger | None, tuple[str, ...]]":
    """Return the printers of the ledger; none where there is no ledger, or it fails and is not needed."""
    from gcodetool.ledger import location

    if not location.exists(ledger):
        return {}, None, ()
    from gcodetool.ledger import records, store

    try:
        opened = store.open_ledger(ledger, make=False)
        with store.reading(opened) as conn:
            places = records.places(conn)
    except GcodetoolError as error:
        if wanted or ledger is not None:
            raise
        return {}, None, (f"note: the ledger was not read: {error}",)
    return {name: each for name, each in places.items() if each.kind == "printer"}, opened, ()


def find_spools(
    wanted: "str | Path | Spool | Mapping[int | None, str | Path | Spool] | None",
    machine: NamedPrinter,
    facts: "SlicerFacts",
    *,
    also: tuple[str, ...] = (),
    at_s: float,
    ledger: str | None = None,
) -> Named:
    """Return the spools of a job: those named, else those mounted on the printer, else those the file names.

    Parameters
    ----------
    wanted : one for the job's only tool, or by tool; None or empty: nobody named one.
    machine : from :func:`find_printer`.
    facts : what the slicer wrote down, with ``spool: ID`` of its filament notes.
    also : places that ``--place`` and ``--feed`` name.

    Raises
    ------
    UsageError
        Words that do not fit together, or several printers with spools on them that the name means.
    SpoolError, LedgerError
        A spool that is not there.
    """
    also = (*machine.places, *also)
    named = wanted if isinstance(wanted, Mapping) else {} if wanted is None else {None: wanted}
    if named:
        found = {tool: find_spool(word, ledger=ledger, also=also) for tool, word in named.items()}
        if len(found) > 1:
            found = _beside(found)
        return Named(machine.profile, found, False, machine.notes)
    mounted, notes = _mounted(machine, at_s, also)
    if not mounted:
        mounted, more = _noted(facts, ledger, also)
        notes += more
    if not mounted and not any(facts.spools) and len(facts.filament_types) <= 1:
        mounted, more = _lone_spool(ledger, also)
        notes += more
    return Named(machine.profile, mounted, True, (*machine.notes, *notes))


def _mounted(
    machine: NamedPrinter, at_s: float, also: tuple[str, ...]
) -> "tuple[dict[int | None, Spool], list[str]]":
    """Return the spools on a printer by tool, where that is known, and where each was found."""
    if machine.ledger is None or not machine.places:
        return {}, []
    from gcodetool.ledger import records, store
    from gcodetool.ledger.entries import micro
    from gcodetool.ledger.on_tools import mounted_on

    found: dict[int | None, Spool] = {}
    notes = []
    with store.reading(machine.ledger) as conn:
        places = records.places(conn)
        mounted = {name: mounted_on(conn, [name], micro(at_s)) for name in machine.places}
        used = [name for name, each in mounted.items() if each]
        if len(used) > 1:
            raise UsageError(f"--printer: spools are mounted on {' and '.join(used)}; name one of these")
        for tool, each in mounted[used[0]].items() if used else ():
            spool_id, since_us = each[0]
            found[tool] = _loaded(conn, records.spool(conn, spool_id), places, also)
            on = "" if tool is None else f", tool {tool}"
            notes.append(f"{spool_id}: on {used[0]}{on} since {records.wall(since_us)}")
            notes += [
                f"{other} is noted on {used[0]}{on} too; say where it went: gcodetool spool move {other} PLACE"
                for other, _ in each[1:]
            ]
    return found, notes


def _lone_spool(ledger: str | None, also: tuple[str, ...]) -> "tuple[dict[int | None, Spool], list[str]]":
    """Return the only spool on the shelf, for a job of one tool; none where there are several, or none."""
    from gcodetool.ledger import location

    if not location.exists(ledger):
        return {}, []
    from gcodetool.ledger import records, store

    try:
        with store.reading(store.open_ledger(ledger, make=False)) as conn:
            known = records.on_shelf(conn)
            if len(known) != 1:
                return {}, []
            found = _loaded(conn, records.spool(conn, known[0]), records.places(conn), also)
    except GcodetoolError as error:
        if ledger is not None:
            raise
        return {}, [f"the ledger was not read: {error}"]
    return {None: found}, [f"{found.id}: the only spool on the shelf"]


def _noted(
    facts: "SlicerFacts", ledger: str | None, also: tuple[str, ...]
) -> "tuple[dict[int | None, Spool], list[str]]":
    """Return the ledger's spools that the file's filament notes name, by tool."""
    wanted = {tool: name for tool, name in enumerate(facts.spools) if name}
    if not wanted:
        return {}, []
    from gcodetool.ledger import location

    if not location.exists(ledger):
        return {}, []
    from gcodetool.ledger import records, store

    found: dict[int | None, Spool] = {}
    notes = []
    try:
        opened = store.open_ledger(ledger, make=False)
        with store.reading(opened) as conn:
            known, places = records.on_shelf(conn, retired=True), records.places(conn)
            for tool, name in wanted.items():
                if name in known:
                    found[tool] = _loaded(conn, records.spool(conn, name), places, also)
                    notes.append(f"{name}: named in the file's filament notes")
                else:
                    notes.append(f"the file's filament notes: {records.unknown('spool', name, known)}")
    except GcodetoolError as error:
        if ledger is not None:
            raise
        return {}, [f"the ledger was not read: {error}"]
    return found, notes
