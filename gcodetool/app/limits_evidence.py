"""A material's spools in the ledger, and what their prints say of its limits.

Replays that were made before are kept in the user's cache folder.  The record of a spool that is off the shelf is read
again only where anything was noted since that its evidence rests on.
Left out: what a record says (``limits.evidence``), and what follows from it (``app.limits``).
"""

import hashlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import astuple, dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from gcodetool import profiledata, profiles
from gcodetool.app.series_evidence import series_prints, with_series
from gcodetool.cachefile import CacheFolder, seal, unseal
from gcodetool.errors import LedgerError
from gcodetool.ledger import cache, entries, location, neighbours, records
from gcodetool.ledger.entries import micro
from gcodetool.ledger.snapshots import shared_folder
from gcodetool.ledger.store import open_ledger, reading
from gcodetool.limits import evidence_store
from gcodetool.limits.evidence import Evidence, of_spool, tells
from gcodetool.moisture.history import state_at
from gcodetool.moisture.snapshot import MODEL

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from gcodetool.ledger.records import SpoolRecord
    from gcodetool.moisture.record import Spool
    from gcodetool.profiles import Material

KIND: Final = "evidence-index/1"
SUFFIX: Final = ".evidence-index"
MOST: Final = 1000  # indices: one of each ledger, material and number of members
STAYS: Final = (*neighbours.MOVES, "retired")  # entries that say all of a spool but what was done and seen

Progress = Callable[[str, int, int | None], None]  # what is done, how much of it, of how much


@dataclass(frozen=True)
class KeptEvidence:
    """Where a spool's evidence is kept.

    Attributes
    ----------
    rests_on
        Digest of all that it rests on.
    key
        Of its entry; empty: it says nothing.
    last_us
        When the last of it happened.
    """

    rests_on: str
    key: str
    last_us: int


@dataclass(frozen=True)
class HeldSpool:
    """One spool of the material.

    Attributes
    ----------
    spool
        Its record; None: it was not read, for its evidence is kept.
    evidence, kept
        What was kept; None: nothing, or it rests on something else.
    """

    id: str
    line: str | None
    retired: bool
    spool: "Spool | None"
    evidence: list[Evidence] | None
    kept: KeptEvidence | None


class MaterialSpools:
    """All spools of one material in the ledger, as they are at one moment.

    Raises
    ------
    LedgerError, SpoolError, ProfileError
        There is no ledger; a record does not say what is needed.
    """

    def __init__(self, material: "Material", ledger: str | None, now_s: float, members: int) -> None:
        self.now_s, self.members = now_s, members
        self.folder = CacheFolder(shared_folder(), evidence_store.SUFFIX)
        self.indices = CacheFolder(shared_folder(), SUFFIX)
        whose = f"{location.place_of(ledger)}\n{material.key}\n{members}"
        self.name = hashlib.sha256(whose.encode()).hexdigest()[:40]
        self.known: Mapping[str, KeptEvidence] = unseal(KIND, self.indices.get(self.name), _index) or {}
        with reading(open_ledger(ledger, make=False)) as conn:
            self.ground = _Ground(conn, now_s, members)
            self.held = list(self._held(conn, material.key))

    @property
    def lines(self) -> list[str]:
        """The makers' lines that they state."""
        return sorted({one.line for one in self.held if one.line is not None})

    @property
    def on_shelf(self) -> "list[Spool]":
        """Those that are on the shelf."""
        return [one.spool for one in self.held if one.spool is not None and not one.retired]

    def evidence(self, progress: Progress | None = None) -> list[Evidence]:
        """Return what all of them say; *progress* is told which spool is replayed."""
        found: list[Evidence] = []
        known = {}
        for i, one in enumerate(self.held):
            if progress is not None:
                progress("replays", i, len(self.held))
            prints, kept = (one.evidence, one.kept) if one.evidence is not None else self._replayed(one)
            found += prints
            if kept is not None:
                known[one.id] = kept
        if known != self.known:
            self.indices.put(self.name, seal(KIND, {name: astuple(kept) for name, kept in known.items()}))
            self.indices.prune(MOST)
        self.folder.prune(evidence_store.MOST)
        return found

    def _held(self, conn: "Connection", material: str) -> Iterator[HeldSpool]:
        airs: dict[str, Any] = {}
        for name, record in self.ground.records.items():
            if _material_of(record) != material:
                continue
            line = record.facts.get("line")
            kept = self.known.get(name)
            evidence = None
            if kept is not None and self.ground.holds(record, kept):
                evidence = evidence_store.unsealed(self.folder.get(kept.key)) if kept.key else []
            spool = None
            if evidence is None or not record.retired:
                try:
                    spool = self._read(conn, name, airs)
                except LedgerError:  # damaged: left out, as in every list
                    continue
            yield HeldSpool(
                name, None if line is None else str(line).strip(), record.retired, spool, evidence, kept
            )

    def _read(self, conn: "Connection", name: str, airs: dict[str, Any]) -> "Spool":
        places = self.ground.places
        found = records.spool_from(conn, records.spool(conn, name), places, airs=airs)
        return neighbours.with_neighbours(conn, found, places, met=self.ground.met, airs=airs)

    def _replayed(self, one: HeldSpool) -> tuple[list[Evidence], KeptEvidence | None]:
        """Return what a spool's prints say, and where that is kept from now on; None: some of it is still to come."""
        assert one.spool is not None  # it was read, for nothing was kept
        whole = with_series(one.spool, self.ground.judged.get(one.id, []))
        told = replace(whole, events=tuple(event for event in whole.events if event.at_s <= self.now_s))
        key, prints = "", []
        if tells(told):
            key = evidence_store.key_of(told, self.members)
            had = evidence_store.unsealed(self.folder.get(key))
            prints = self._of(told) if had is None else had
            if had is None:
                self.folder.put(key, evidence_store.sealed(prints))
        if not told.events or len(told.events) < len(whole.events):
            return prints, None
        last_us = micro(told.events[-1].at_s)
        rests_on = self.ground.rests_on(self.ground.records[one.id], last_us)
        return prints, None if rests_on is None else KeptEvidence(rests_on, key, last_us)

    def _of(self, told: "Spool") -> list[Evidence]:
        last_s = told.events[-1].at_s
        return of_spool(told, lambda spool: state_at(spool, last_s, members=self.members))


class _Ground:
    """What evidence rests on, without what was done to spools and seen of them: for that their last digests stand."""

    def __init__(self, conn: "Connection", now_s: float, members: int) -> None:
        self.now_s, self.members = now_s, members
        self.records = records.spools_of(entries.by_name(entries.of_kinds(conn, "spool", STAYS)))
        self.heads = entries.heads(conn, "spool")
        self.places = records.places(conn)
        self.met = neighbours.meetings(conn, self.places)
        self.judged = series_prints(conn, now_s)
        self.stamp = cache.profiles_stamp()
        by_number = {
            name: sorted(place.entries, key=lambda one: one.number) for name, place in self.places.items()
        }
        self.marks = {
            name: [(one.number, one.kind, one.at_us) for one in rows] for name, rows in by_number.items()
        }
        self.chains = {one.number: one.chain for rows in by_number.values() for one in rows}

    def holds(self, record: "SpoolRecord", kept: KeptEvidence) -> bool:
        """Return whether all that was kept of a spool rests on is as it was."""
        return kept.last_us <= micro(self.now_s) and self.rests_on(record, kept.last_us) == kept.rests_on

    def rests_on(self, record: "SpoolRecord", last_us: int) -> str | None:
        """Return the digest of all that a spool's evidence rests on; *last_us*: of its record.  None: that is not known."""
        until, _ = self.met.needed(record.id)
        own = self._with_origins(record.id)
        beside = [one for name in sorted(until) for one in self._with_origins(name)]
        if None in own or None in beside:
            return None
        used = self._used([one for one in own if one is not None], last_us)
        for one in beside:  # of theirs all readings count
            used |= dict.fromkeys(records.places_of(one, self.places) if one is not None else ())
        parts = [f"{one.id} {self.heads[one.id]}" for one in (*own, *beside) if one is not None]
        parts += [f"{name} {end_s}" for name, end_s in sorted(until.items())]
        for name in sorted(used):  # the digest of the last entry stands for all before it
            numbers = cache.counted(self.marks[name], used[name])
            parts.append(f"{name} {self.chains[max(numbers)]}")
        parts.append(repr(self.judged.get(record.id)))
        files = [str(_material_file(record))]
        head = "\x1f".join(parts)
        return cache.key(head, used, self.marks, files, members=self.members, model=MODEL, stamp=self.stamp)

    def _with_origins(self, name: str) -> "list[SpoolRecord | None]":
        """Return a spool and what it was cut off, the first reel last; None for what is not in the ledger any more."""
        found = [self.records.get(name)]
        while (last := found[-1]) is not None and last.cut_from is not None:
            found.append(self.records.get(last.cut_from["spool"]))
        return found

    def _used(self, own: "list[SpoolRecord]", last_us: int) -> dict[str, int | None]:
        """Return the places whose air a record rests on, and up to when; None: whatever is read there, whenever."""
        came = own[-1].received
        found_open = came.get("water_wt_pct") is None and not came.get("sealed")  # in balance with all of it
        return {
            # a thermometer corrects all that was ever dried there
            name: None if found_open or self.places[name].kind == "dryer" else last_us
            for one in own
            for name in records.places_of(one, self.places)
        }


def _index(facts: dict[str, Any], _: bytes) -> dict[str, KeptEvidence]:
    return {
        name: KeptEvidence(str(rests_on), str(key), int(last))
        for name, (rests_on, key, last) in facts.items()
    }


def _material_file(record: "SpoolRecord") -> Any:
    return profiledata.lookup("materials", str(record.facts["material"]), adopted=False)


def _material_of(record: "SpoolRecord") -> str | None:
    """Return the key of a spool's material; None: there is no such profile."""
    path = _material_file(record)
    return None if path is None else profiles.material(path).key
