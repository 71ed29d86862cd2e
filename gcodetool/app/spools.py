"""``spool list`` and ``spool show``: how wet each spool is where it stands, and how long that keeps.

Idle forecasts are kept in the ledger and worked out anew where they no longer hold.
"""

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from gcodetool.app.check import SpoolWord
from gcodetool.app.drying import status_of
from gcodetool.app.resolve import Moment, clock, find_spool, snapshots_of
from gcodetool.drying.advice import drying_advice
from gcodetool.drying.course import known
from gcodetool.drying.status_words import headline, short
from gcodetool.errors import GcodetoolError
from gcodetool.judge.idle_forecast import (
    IdleForecast,
    from_text,
    idle_forecast,
    is_valid_at,
    read_at,
    to_text,
)
from gcodetool.judge.print_air import ROOM_AIR
from gcodetool.judge.record_facts import kind_of
from gcodetool.judge.shelf_findings import InDryer
from gcodetool.judge.shelf_findings import ListedSpool as ListedSpool  # noqa: PLC0414  # what pages are told
from gcodetool.judge.shelf_findings import SpoolFindings as SpoolFindings  # noqa: PLC0414  # the same
from gcodetool.judge.spool_judgement import judge_spool
from gcodetool.ledger import cache, entries, records
from gcodetool.ledger.entries import micro
from gcodetool.ledger.neighbours import NOBODY, meetings, with_neighbours
from gcodetool.ledger.relatives import with_relatives
from gcodetool.ledger.store import open_ledger, reading
from gcodetool.moisture.history import State, state_at
from gcodetool.moisture.members import default_members
from gcodetool.moisture.snapshot import MODEL
from gcodetool.queue import executors

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from gcodetool.ledger.cache import Marks
    from gcodetool.ledger.records import PlaceRecord, SpoolRecord
    from gcodetool.ledger.store import Ledger
    from gcodetool.moisture.record import Spool

TOGETHER: Final = 25  # forecasts kept at a time: what is computed is not lost where the work is broken off
SPOOLS_A_PROCESS: Final = 2  # fewer are not worth starting one for
DIED: Final = "its forecast ended the process that worked it out, twice; please report this with its record"
NEEDS_NO_HEAT: Final = frozenset(("dry", "empty", "unknown"))

Progress = Callable[[str, int, int | None], None]  # what is done, how much of it, of how much


def spool(
    word: SpoolWord, *, at: Moment = None, members: int | None = None, ledger: str | None = None
) -> SpoolFindings:
    """Return how much water a spool holds, where in the winding, and how long it stays usable.

    Parameters
    ----------
    word : an ID of the ledger, a spool file, or a record.
    at, members, ledger : as for a check.

    Raises
    ------
    SpoolError, LedgerError
        There is none, or its record does not say what is needed.
    """
    return look(find_spool(word, ledger=ledger), at=at, members=members, ledger=ledger)


def look(
    held: "Spool", *, at: Moment = None, members: int | None = None, ledger: str | None = None
) -> SpoolFindings:
    """Return the same of a record that is at hand."""
    shelf, now_s = snapshots_of(ledger)(held), clock(at)
    state = state_at(held, now_s, members=default_members(members), shelf=shelf)
    nominal = state if state.members == 1 else state_at(held, now_s, members=1, shelf=shelf)
    found = judge_spool(state, nominal)
    drying = in_dryer(held, state)
    if drying is not None:
        return replace(found, drying=drying, advice=(drying.line,))
    if {found.word, found.whole_word} <= NEEDS_NO_HEAT:
        return found
    return replace(found, advice=(*found.advice, *drying_advice(state)))


def in_dryer(held: "Spool", state: State) -> InDryer | None:
    """Return whether a spool in a dryer is done; None: it is in none, or nothing is left on it."""
    if kind_of(held, state.place) != "dryer" or state.remaining_mm <= 0:
        return None
    said = status_of(held, state)
    return InDryer(
        said.word,
        said.because,
        short(said),
        headline(said),
        known(said.to_go_s.p50),
        said.sure_s,
        too_hot=said.too_hot is not None,
    )


def spools(
    *,
    at: Moment = None,
    members: int | None = None,
    ledger: str | None = None,
    retired: bool = False,
    wanted: Callable[[str, str], bool] = lambda place, material: True,
    progress: Progress | None = None,
) -> list[ListedSpool]:
    """Return what a list says of each spool of the ledger, by id.

    Parameters
    ----------
    at, members, ledger : as for a check.
    retired : retired ones too.
    wanted : takes place and material.
    progress : is told how many spools are worked out.

    Raises
    ------
    LedgerError
        There is no ledger, or it cannot be used.
    """
    work = _List(open_ledger(ledger, make=False), clock(at), default_members(members))
    with reading(work.ledger) as conn:
        heads, marks = entries.heads(conn, "spool"), cache.marks(conn)
        work.met = meetings(conn, records.places(conn))
        work.families = records.families(conn)
        gone = entries.names_with(conn, "retired")
        kept = cache.outlooks(conn, work.members)
    found: dict[str, ListedSpool] = {}
    for spool_id in heads:
        seen = work.kept(kept.get(spool_id), work.head(spool_id, heads), marks)
        # of a reel in a dryer it is said whether it is done: that is asked of its state at this very moment
        if seen is not None and spool_id not in gone and is_valid_at(seen, work.now_s) and not seen.in_dryer:
            found[spool_id] = ListedSpool(spool_id, read_at(seen, work.now_s), None)
    missing = sorted(set(heads) - set(found))
    if missing:
        found |= work.worked_out(missing, heads, marks, retired, progress)
    listed = [found[spool_id] for spool_id in sorted(found)]
    return [
        each
        for each in listed
        if (retired or not each.retired) and (each.row is None or wanted(each.row.place, each.row.material))
    ]


class _List:
    """A list in the making."""

    def __init__(self, ledger: "Ledger", now_s: float, members: int) -> None:
        self.ledger, self.now_s, self.members = ledger, now_s, members
        self.stamp = cache.profiles_stamp()
        self.met = NOBODY
        self.families: Mapping[str, list[str]] = {}

    def head(self, spool_id: str, heads: Mapping[str, str]) -> str:
        """Return the digest of a spool's whole history, of those in closed places with it, and of its reel's others."""
        until, _ = self.met.needed(spool_id)
        beside = [f"{name} {until[name]} {heads[name]}" for name in sorted(until)]
        beside += [heads[name] for name in self.families.get(spool_id, ())]
        return " ".join((heads[spool_id], *beside))

    def key(self, head: str, places: dict[str, int | None], marks: "Marks", files: list[str]) -> str:
        """Return the digest of all that a forecast rests on."""
        return cache.key(head, places, marks, files, members=self.members, model=MODEL, stamp=self.stamp)

    def kept(self, row: tuple[str, str] | None, head: str, marks: "Marks") -> IdleForecast | None:
        """Return the forecast in a row of the cache, if all that it rests on is as it was."""
        if row is None:
            return None
        try:
            rests = json.loads(row[1])
            places, files, text = rests["places"], rests["files"], rests["outlook"]
        except (ValueError, KeyError, TypeError):
            return None
        return from_text(text) if self.key(head, places, marks, files) == row[0] else None

    def worked_out(
        self,
        missing: list[str],
        heads: dict[str, str],
        marks: "Marks",
        retired: bool,
        progress: Progress | None,
    ) -> dict[str, ListedSpool]:
        """Return what is seen of spools whose forecasts are not at hand, and keep these."""
        found: dict[str, ListedSpool] = {}
        keep: dict[str, tuple[str, str]] = {}
        with reading(self.ledger) as conn:
            places = records.places(conn)
            asked = self._asked(conn, missing, places, retired, found)
        items = [(held, self.now_s, self.members, had) for _, held, had in asked]
        with executors.beside(len(items) // SPOOLS_A_PROCESS) as workers:
            for number, (index, seen) in enumerate(workers.map_unordered(_idle, items), 1):
                record, held, _ = asked[index]
                if progress is not None:
                    progress("working out spools", number, len(items))
                if not isinstance(seen, _Idle):
                    said = DIED if isinstance(seen, executors.WorkerDied) else seen
                    found[held.id] = ListedSpool(held.id, None, said, record.retired)
                    continue
                if seen.snapshot is not None:
                    cache.LedgerShelf(self.ledger, held.id).save(self.members, seen.snapshot)
                keep[held.id] = self._kept(record, held, seen.forecast, places, heads, marks)
                row = replace(read_at(seen.forecast, self.now_s), drying=seen.drying)
                found[held.id] = ListedSpool(held.id, row, None, record.retired)
                if len(keep) == TOGETHER:
                    cache.keep_outlooks(self.ledger, self.members, keep)
                    keep = {}
        cache.keep_outlooks(self.ledger, self.members, keep)
        return found

    def _asked(
        self,
        conn: "Connection",
        missing: list[str],
        places: "Mapping[str, PlaceRecord]",
        retired: bool,
        found: dict[str, ListedSpool],
    ) -> "list[tuple[SpoolRecord, Spool, bytes | None]]":
        """Return record, spool and snapshot of what is to be worked out; what has no record to go by goes into *found*."""
        asked = []
        airs: dict[str, Any] = {}
        for spool_id in missing:
            record = None
            try:
                record = records.spool_record(spool_id, entries.of(conn, "spool", spool_id))
                if record is None or (record.retired and not retired):
                    continue
                held = records.spool_from(conn, record, places, airs=airs)
                held = with_neighbours(conn, held, places, met=self.met, airs=airs)
                held = with_relatives(conn, held, places, airs=airs)
            except GcodetoolError as error:
                gone = record is not None and record.retired
                found[spool_id] = ListedSpool(spool_id, None, str(error), gone)
                continue
            asked.append((record, held, cache.LedgerShelf(self.ledger, spool_id).load(self.members)))
        return asked

    def _kept(
        self,
        record: "SpoolRecord",
        held: "Spool",
        seen: IdleForecast,
        places: "Mapping[str, PlaceRecord]",
        heads: dict[str, str],
        marks: "Marks",
    ) -> tuple[str, str]:
        """Return a forecast as it is kept: key and text."""
        used = relied_on(record, places, micro(seen.as_of_s))
        for other in held.relatives:
            used = {**dict.fromkeys(other.places), **used}
        if held.origins:
            stays = (event.place for event in held.events if event.place)
            used = {**dict.fromkeys(records.around(places, stays)), **used}
        for other in held.neighbours:  # and their places' air
            end_s = self.met.needed(held.id)[0][other.id]
            end_us = None if math.isinf(end_s) else micro(end_s)
            used = {**dict.fromkeys(other.places, end_us), **used}
        files = [each for each in (str(record.facts["material"]),) if each.endswith(".toml")]
        rests = json.dumps({"places": used, "files": files, "outlook": to_text(seen)})
        return self.key(self.head(held.id, heads), used, marks, files), rests


@dataclass(frozen=True)
class _Idle:
    """What a worker found out about a spool; its snapshot, if there is a new one."""

    forecast: IdleForecast
    drying: InDryer | None
    snapshot: bytes | None


class _Carried:
    """A spool's snapshot, taken along to where the work is done: workers know no ledger."""

    def __init__(self, had: bytes | None) -> None:
        self.had = had
        self.made: bytes | None = None

    def load(self, _: int) -> bytes | None:
        """Return what was taken along."""
        return self.had

    def save(self, _: int, data: bytes) -> None:
        """Keep what is to be brought back."""
        self.made = data


def _idle(item: "tuple[Spool, float, int, bytes | None]") -> "_Idle | str":
    """Return the idle forecast of a spool, or what is wrong with its record; in another process or in this one."""
    held, now_s, members, had = item
    shelf = _Carried(had)
    try:
        state = state_at(held, now_s, members=members, shelf=shelf)
        return _Idle(idle_forecast(held, state), in_dryer(held, state), shelf.made)
    except GcodetoolError as error:
        return str(error)


def relied_on(
    record: "SpoolRecord", places: "Mapping[str, PlaceRecord]", at_us: int
) -> dict[str, int | None]:
    """Return the places whose air a spool's forecast rests on, and up to when [µs]; None: also from now on.

    A spool out of room air is printed in some room, so its safe exposure rests on all it has stood in.
    """
    here = record.stay(at_us)[1]
    now = set(records.around(places, [here]))
    if here in places and places[here].kind not in ROOM_AIR:
        now |= set(records.places_of(record, places))
    # a thermometer corrects all that was ever dried there
    now |= {name for name in records.places_of(record, places) if places[name].kind == "dryer"}
    came = record.received
    if came.get("water_wt_pct") is None and not came.get("sealed"):  # in balance with all that was read there
        now |= set(records.around(places, [str(came["place"])]))
    moments = [record.received_us, *(entry.at_us for entry in record.happened if entry.at_us <= at_us)]
    last_us = max(moments)
    return {name: None if name in now else last_us for name in records.places_of(record, places)}
