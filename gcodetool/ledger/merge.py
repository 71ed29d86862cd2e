"""Two ledgers made one: entries that only the other has are added under their own signs, authors and turns.

An entry is the same in both where its sign is; so merging again adds nothing, and whichever ledger takes in the
other, both say the same.  What cannot be one stays as each has it and is listed: a name that stands for two
things, a spool that stood where the two do not agree about the air, a record that would not hold together.
Left out: spool files (``exchange``).
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, Literal

from sqlalchemy import Connection, select

from gcodetool.errors import GcodetoolError, LedgerError
from gcodetool.ledger import entries, plausibility, records
from gcodetool.ledger.call import NUMBERS, WROTE
from gcodetool.ledger.dryers import contradictions
from gcodetool.ledger.entries import LedgerEntry, Readings, Subject
from gcodetool.ledger.maintenance import refuse_damaged
from gcodetool.ledger.records import MEASURABLE, PlaceRecord, SpoolRecord, wall
from gcodetool.ledger.restore import checked_copy
from gcodetool.ledger.schema import READINGS
from gcodetool.ledger.store import Ledger, reading, writing
from gcodetool.textfile import opened

Rows = list[LedgerEntry]
SQLITE: Final = b"SQLite format 3\0"


@dataclass(frozen=True)
class Conflict:
    """Where the two do not agree.

    Attributes
    ----------
    kind
        left-out: entries of this name were not taken, each ledger keeps its own; kept: the same, as was asked for;
        corrected: both corrected the same fact, the later one counts; moved: both noted moves; twice: perhaps one
        thing noted by both; doubtful: a check doubts a figure now; entry: one entry says different things, this
        ledger's counts.
    """

    kind: Literal["left-out", "kept", "corrected", "moved", "twice", "doubtful", "entry"]
    subject: str
    name: str
    text: str

    def __str__(self) -> str:
        return f"{self.name}: {self.text}"


@dataclass(frozen=True)
class Merged:
    """What was added, and where the two do not agree."""

    entries: tuple[LedgerEntry, ...]
    conflicts: tuple[Conflict, ...]


def is_ledger(file: Path) -> bool:
    """Return whether a file is an SQLite database, as ledgers and their backups are."""
    try:
        with opened(file) as data:
            return data.read(len(SQLITE)) == SQLITE
    except OSError:
        return False


def merge(ledger: Ledger, file: Path, *, keep_places: bool = False) -> Merged:
    """Take all that the ledger in *file* has and this one lacks; the file is only read.

    Parameters
    ----------
    keep_places
        Where a place of the same name differs: take this ledger's.

    Raises
    ------
    LedgerError
        One of them is damaged or cannot be read, or afterwards a record here could not be.
    """
    if ledger.path is not None and file.exists() and file.samefile(ledger.path):
        raise LedgerError(f"{file}: that is the ledger itself; name the other one")
    refuse_damaged(ledger, f"{ledger.where}: nothing is merged, this ledger is damaged")
    with (
        checked_copy(file, None, "not merged, it is damaged") as other,
        reading(other) as source,
        writing(ledger) as conn,
    ):
        work = _Merge(conn, source, keep_places=keep_places)
        for name, rows in entries.by_name(entries.of(source, "place")).items():
            work.place(name, rows)
        for name, rows in entries.by_name(entries.of(source, "spool")).items():
            work.spool(name, rows)
        for name, rows in entries.by_name(entries.of(source, "series")).items():
            work.series(name, rows)
        if work.added:
            _refuse_broken(conn, str(file))
            work.heat()
        return Merged(tuple(work.added), tuple(work.conflicts))


def _refuse_broken(conn: Connection, source: str) -> None:
    """Raise LedgerError where a record of this ledger does not hold any more."""
    from gcodetool.ledger.place_entries import check_places_of

    try:
        check_places_of(conn)
        known = records.places(conn)
        for record in records.spools(conn).values():
            records.spool_from(conn, record, known)
    except GcodetoolError as error:
        raise LedgerError(f"{source}: not merged, the two do not fit together: {error}") from None


class _Merge:
    """A merging under way; places come before the spools that stood in them."""

    def __init__(self, conn: Connection, source: Connection, *, keep_places: bool) -> None:
        self.conn, self.source, self.keep_places = conn, source, keep_places
        self.theirs = records.places(source)
        self.heat_before = set(_two_temperatures(conn)) | set(_two_temperatures(source))
        self.other_air: set[str] = set()
        self.added: Rows = []
        self.conflicts: list[Conflict] = []

    def place(self, name: str, there: Rows) -> None:
        """Take the entries of one place."""
        here = entries.of(self.conn, "place", name)
        missing = self._missing("place", name, here, there)
        mine, yours = records.place_record(name, here), records.place_record(name, there)
        if missing and mine is not None and yours is not None and _begun_twice(here, there):
            if not _same_place(mine, yours):
                self._other_place(mine, yours)
                return
            missing = _readings_among(missing, {entry.sign for entry in here}, there)
        self._take("place", name, here, missing, there)

    def _other_place(self, mine: PlaceRecord, yours: PlaceRecord) -> None:
        keys = sorted(
            key for key in {*mine.facts, *yours.facts} if mine.facts.get(key) != yours.facts.get(key)
        )
        what = (
            ", ".join(
                f"{key} {mine.facts.get(key, 'not stated')}, there {yours.facts.get(key, 'not stated')}"
                for key in keys
            )
            or "the air was measured there and here, from different figures on"
        )
        text = f"added on both sides, and not the same ({what}); this ledger's stays"
        if self.keep_places:
            self.conflicts.append(Conflict("kept", "place", mine.name, text))
        else:
            self.other_air.add(mine.name)
            self._left_out("place", mine.name, text)

    def spool(self, name: str, there: Rows) -> None:
        """Take the entries of one spool."""
        here = entries.of(self.conn, "spool", name)
        missing = self._missing("spool", name, here, there)
        mine, yours = records.spool_record(name, here), records.spool_record(name, there)
        if not missing:
            return
        elsewhere = (
            self.other_air & set(records.places_of(yours, self.theirs)) if yours is not None else set()
        )
        if elsewhere:
            where = ", ".join(sorted(elsewhere))
            text = (
                f"stood at {where}, which is another place there; make the places agree, or add --keep-places"
            )
            self._left_out("spool", name, text)
        elif mine is not None and yours is not None and _begun_twice(here, there):
            if _content(mine) != _content(yours):
                text = (
                    "two spools of one name, or one that was added on both sides; bring the other in under another ID: "
                    f"gcodetool spool export {name} --ledger FILE -o {name}.toml, then spool import {name}.toml --as ID"
                )
                self._left_out("spool", name, text)
        else:
            self._take("spool", name, here, missing, there)

    def series(self, name: str, there: Rows) -> None:
        """Take the entries of one test series."""
        here = entries.of(self.conn, "series", name)
        missing = self._missing("series", name, here, there)
        if missing and here and _begun_twice(here, there):
            self._left_out("series", name, "started on both sides; give one of the two plans another id")
        else:
            self._take("series", name, here, missing, there)

    def heat(self) -> None:
        """Say where a dryer has two temperatures at a time by what is one record now, and had not in either of the two."""
        for name, text in _two_temperatures(self.conn):
            if (name, text) not in self.heat_before:
                self.conflicts.append(Conflict("doubtful", "place", name, text))

    # ------------------------------------------------------------ what is there, what is missing

    def _missing(self, subject: Subject, name: str, here: Rows, there: Rows) -> Rows:
        """Return what only the other has, in the order of its turns; name entries that say different things."""
        mine = {entry.sign: entry for entry in here}
        signs, signs_there = ({entry.number: entry.sign for entry in rows} for rows in (here, there))
        for entry in there:
            same = mine.get(entry.sign)
            if same is not None and _said(same, signs) != _said(entry, signs_there):
                text = f"entry {same.number} says something else there; this ledger's counts"
                self.conflicts.append(Conflict("entry", subject, name, text))
        return [entry for entry in there if entry.sign not in mine]

    def _take(self, subject: Subject, name: str, here: Rows, missing: Rows, there: Rows) -> None:
        """Add entries where the record holds together with them; else leave it as it is, and say so."""
        if not missing:
            return
        ahead = {entry.sign for entry in here} <= {entry.sign for entry in there}  # nothing new on this side
        before = (self.conn.info.get(WROTE, 0), list(self.conn.info.get(NUMBERS, [])))
        step = self.conn.begin_nested()
        try:
            taken = self._adopt(here, missing, there)
            after = entries.of(self.conn, subject, name)
            told = [] if ahead else list(_parallel(subject, name, here, missing, there, after))
            self._refuse(subject, name, here, there, after, ahead=ahead)
        except GcodetoolError as error:
            step.rollback()
            self.conn.info[WROTE], self.conn.info[NUMBERS] = before
            self._left_out(subject, name, f"the two records do not go together: {error}")
            return
        step.commit()
        self.added += taken
        self.conflicts += told

    def _adopt(self, here: Rows, missing: Rows, there: Rows) -> Rows:
        numbers = _numbers(here)
        signs = {entry.number: entry.sign for entry in there}
        taken = []
        for entry in missing:
            facts = dict(entry.facts)
            if entry.kind == "undone":
                facts["cancels"] = [numbers[signs[number]] for number in entry.facts["cancels"]]
            written = entries.adopt(self.conn, replace(entry, facts=facts))
            numbers[written.sign] = written.number
            taken.append(written)
            if "digest" in entry.facts:
                entries.add_readings(self.conn, written, self._readings(entry))
        return taken

    def _readings(self, entry: LedgerEntry) -> Readings:
        asked = select(READINGS.c.at_us, READINGS.c.temperature_C, READINGS.c.rh_pct)
        rows = self.source.execute(asked.where(READINGS.c.entry == entry.number).order_by(READINGS.c.at_us))
        return [(at_us, celsius, rh) for at_us, celsius, rh in rows]

    def _refuse(
        self, subject: Subject, name: str, here: Rows, there: Rows, after: Rows, *, ahead: bool
    ) -> None:
        """Raise LedgerError where a record is gone that one side still notes things of, or cannot be read."""
        make: Any = records.spool_record if subject == "spool" else records.place_record
        record = make(name, after)
        if record is None:
            if not ahead and any(make(name, rows) is not None for rows in (here, there)):
                raise LedgerError("taken back on one side, and noted of on the other since")
        elif isinstance(record, SpoolRecord):
            first = min((entry.at_us for entry in record.happened), default=record.received_us)
            if first < record.received_us:
                raise LedgerError(f"received {wall(record.received_us)}, but it was used {wall(first)}")
            spool = records.spool_from(self.conn, record, records.places(self.conn))
            old = {entry.number for entry in here}
            for number, text in plausibility.doubtful(record, spool):
                if number is None or number not in old:
                    self.conflicts.append(Conflict("doubtful", subject, name, text))

    def _left_out(self, subject: str, name: str, text: str) -> None:
        self.conflicts.append(Conflict("left-out", subject, name, text))


def _two_temperatures(conn: Connection) -> Iterator[tuple[str, str]]:
    """Yield dryers that have two temperatures at a time, and which, in words."""
    for name, place in records.places(conn).items():
        if place.kind == "dryer":
            for text in contradictions(conn, place):
                yield name, text.removeprefix(f"place {name}: ")


def _numbers(rows: Rows) -> dict[tuple[str, int], int]:
    return {entry.sign: entry.number for entry in rows}


def _said(entry: LedgerEntry, signs: Mapping[int, tuple[str, int]]) -> tuple[Any, ...]:
    """Return what an entry says, without the numbers that a ledger gave."""
    facts = dict(entry.facts)
    if entry.kind == "undone":
        facts["cancels"] = sorted(signs[number] for number in facts["cancels"])
    return entry.kind, entry.at_us, entry.noted_us, entry.who, facts


def _begun_twice(here: Rows, there: Rows) -> bool:
    """Return whether a name was added on each side by a command of its own."""
    signs = [{entry.sign for entry in rows if entry.kind == "added"} for rows in (here, there)]
    return not signs[0] & signs[1]


def _content(record: SpoolRecord) -> tuple[Any, ...]:
    happened = [(entry.kind, entry.at_us, entry.facts) for entry in record.happened]
    return record.facts, record.received_us, record.received, happened, record.retired


def _same_place(mine: PlaceRecord, yours: PlaceRecord) -> bool:
    """Return whether two places are stated alike; of measured ones also from when on, as that counts as a reading."""
    if mine.facts != yours.facts:
        return False
    measured = mine.kind in MEASURABLE and (mine.measured or yours.measured)
    return not measured or mine.added.at_us == yours.added.at_us


def _readings_among(missing: Rows, known: set[tuple[str, int]], there: Rows) -> Rows:
    """Return the readings among entries, and what takes back readings alone."""
    signs = {entry.number: entry.sign for entry in there}
    have, found = set(known), []
    for entry in missing:
        undoes = entry.kind == "undone" and {signs[number] for number in entry.facts["cancels"]} <= have
        if entry.kind in ("read", "logged") or undoes:
            have.add(entry.sign)
            found.append(entry)
    return found


def _parallel(
    subject: str, name: str, here: Rows, missing: Rows, there: Rows, after: Rows
) -> Iterator[Conflict]:
    """Yield where both sides noted things since they were one."""
    common = {entry.sign for entry in there}
    counted = {entry.sign: entry for entry in entries.live(after)}
    mine = [counted[entry.sign] for entry in here if entry.sign not in common and entry.sign in counted]
    yours = [counted[entry.sign] for entry in missing if entry.sign in counted]
    ours, theirs = _corrections(mine), _corrections(yours)
    for key in sorted(set(ours) & set(theirs)):
        (one, value), (other, value_there) = ours[key], theirs[key]
        if value != value_there:
            later = max(one, other, key=lambda entry: entry.turn)
            text = f"both corrected {key}: {_by(one)} {value}, {_by(other)} {value_there}; entry {later.number} counts"
            yield Conflict("corrected", subject, name, text)
    if any(entry.kind == "moved" for entry in mine) and any(entry.kind == "moved" for entry in yours):
        numbers = ", ".join(str(entry.number) for entry in (*mine, *yours) if entry.kind == "moved")
        yield Conflict(
            "moved", subject, name, f"both noted moves (entries {numbers}): see where it really was"
        )
    for entry in yours:
        for other in mine:
            if entry.kind == other.kind == "fed" and entry.facts == other.facts:
                text = f"the same was fed by entry {other.number} and by {entry.number}: undo one if it was one print"
                yield Conflict("twice", subject, name, text)


def _by(entry: LedgerEntry) -> str:
    return f"{entry.who or 'somebody'} ({wall(entry.noted_us)})"


def _corrections(rows: Rows) -> dict[str, tuple[LedgerEntry, Any]]:
    """Return the last correction of each fact, by the fact's name; of a table, of each of its keys."""
    found: dict[str, tuple[LedgerEntry, Any]] = {}
    for entry in sorted((entry for entry in rows if entry.kind == "set"), key=lambda entry: entry.turn):
        for key, value in entry.facts.items():
            parts = value.items() if isinstance(value, dict) else ((None, value),)
            found |= {key if part is None else f"{key}.{part}": (entry, each) for part, each in parts}
    return found
