"""Entries: rows that are added and never changed, and which of them count.

An entry of kind ``undone`` names the entries that it cancels, undone entries among them.  Each row carries
a digest over itself and the row before it of the same spool or place, so the last one stands for the whole
history behind it.  Numbers count up as rows come in; what is later than what, an entry's *turn* says: the moment
at which it was noted, but never before an entry that its writer could have seen.  It stays when entries come from
another ledger, so two ledgers with the same entries say the same.  Left out: what the facts mean (``records``).
"""

import contextlib
import datetime
import hashlib
import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

from sqlalchemy import Connection, Row, func, insert, select

from gcodetool.errors import LedgerError
from gcodetool.ledger.call import BY, CALL, HELD, NUMBERS, TURN, WROTE, now_us, writer_name
from gcodetool.ledger.schema import ENTRIES, READINGS

Subject = Literal["spool", "place", "series"]
MICRO: Final = 1_000_000
LAST_US: Final = 253_000_000_000 * MICRO  # in the year 9987: nothing that was noted lies beyond


@dataclass(frozen=True)
class Draft:
    """An entry to be written; ``who`` None: by whoever gives this command, empty: nobody knows."""

    subject: Subject
    name: str
    kind: str
    at_us: int
    facts: dict[str, Any] = field(default_factory=dict)
    who: str | None = None


@dataclass(frozen=True)
class LedgerEntry:
    """An entry as it stands; ``facts`` has the keys of the spool file."""

    number: int
    subject: str
    name: str
    kind: str
    at_us: int
    noted_us: int
    facts: dict[str, Any]
    call: str
    chain: str
    damage: str | None = None  # what is wrong with it: then its facts are empty, and nothing of it counts
    who: str | None = None
    part: int = 0
    turn_us: int = 0
    nth: int | None = None

    @property
    def sign(self) -> tuple[str, int]:
        """What tells this entry from all others, in every ledger that has it."""
        return self.call, self.part

    @property
    def turn(self) -> tuple[int, str, int]:
        """Its place in the order of all entries, the same in every ledger that has it."""
        return self.turn_us, self.call, self.part

    @property
    def at_s(self) -> float:
        """When it happened. [s since 1970-01-01 UTC]"""
        return self.at_us / MICRO


def micro(at_s: float) -> int:
    """Return a moment in microseconds."""
    return round(at_s * MICRO)


HALVES: Final = re.compile("[\ud800-\udfff]")  # what a terminal hands over for bytes that are no text
AT: Final = "$us"  # a moment among the facts: microseconds since 1970-01-01 UTC


def packed(facts: dict[str, Any]) -> str:
    """Return facts as the one JSON text that stands for them.

    >>> packed({"b": 1.5, "a": datetime.datetime(1970, 1, 1, 0, 0, 2, tzinfo=datetime.UTC)})
    '{"a":{"$us":2000000},"b":1.5}'
    """
    text = json.dumps(
        facts, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False, default=_moment
    )
    return HALVES.sub(lambda half: f"\\u{ord(half[0]):04x}", text)


def _moment(fact: Any) -> dict[str, int]:
    if isinstance(fact, datetime.datetime):
        return {AT: micro(fact.timestamp())}
    raise TypeError(f"{type(fact).__name__} is no fact that an entry can hold")


def unpacked(text: str) -> dict[str, Any]:
    """Return the facts in a JSON text.

    >>> unpacked('{"a":{"$us":2000000},"b":1.5}')["a"].isoformat()
    '1970-01-01T00:00:02+00:00'
    """
    found: dict[str, Any] = FACTS.decode(text) if f'"{AT}"' in text or "\\" in text else PLAIN.decode(text)
    return found


def _as_moment(value: dict[str, Any]) -> Any:
    return utc(value[AT]) if AT in value else value


FACTS: Final = json.JSONDecoder(object_hook=_as_moment)
PLAIN: Final = json.JSONDecoder()  # no call for each object


def utc(at_us: int) -> datetime.datetime:
    """Return a moment with its zone, UTC."""
    whole, rest = divmod(at_us, MICRO)
    return datetime.datetime.fromtimestamp(whole, datetime.UTC).replace(microsecond=rest)


def linked(before: str, row: Any, facts: str) -> str:
    """Return the digest of an entry, a row or the like of one, and of all that stands before it under its name."""
    later = None if row.who is None else (row.who, row.noted_us, row.call, row.part, row.turn_us, row.nth)
    return _digest(before, (row.subject, row.name, row.kind, row.at_us, facts), later)


def _digest(before: str, happened: tuple[Any, ...], noted: tuple[Any, ...] | None) -> str:
    parts = (before, *happened, *(noted or ()))  # entries of older versions vouch for what happened alone
    return hashlib.sha256("\x1f".join(map(str, parts)).encode("utf-8", "surrogateescape")).hexdigest()


def _says_enough(subject: str, kind: str, facts: dict[str, Any]) -> bool:
    """Return whether facts have what every entry of a kind has; where digests are not looked at, a damaged one may not."""
    if kind == "undone":
        cancels = facts.get("cancels")
        return isinstance(cancels, list) and all(isinstance(number, int) for number in cancels)
    if subject == "spool" and kind == "added":
        received = facts.get("received")
        return isinstance(received, dict) and isinstance(received.get("place"), str)
    if subject == "spool" and kind == "moved":
        return isinstance(facts.get("place"), str)
    return subject != "place" or kind != "added" or isinstance(facts.get("kind"), str)


CHANGED: Final = "not as it was noted (changed, or one before it is gone)"


ROW: Final = tuple(
    ENTRIES.c[name]
    for name in (
        *("number", "subject", "name", "kind", "at_us", "noted_us", "facts", "call", "part", "chain"),
        *("who", "turn_us", "nth"),
    )
)  # what `_entry` takes apart: thousands of rows are read at once, and their names would be looked up in each


NAME: Final = 2  # the place of the name in it


def _entry(row: Row[Any], before: str | None = None) -> LedgerEntry:
    """Return an entry as it stands in the database, of a row of ROW, or what is wrong with it.

    *before*: the digest of the one before it under its name; None: that was not read.
    """
    number, subject, name, kind, at_us, noted_us, text, call, part, chain, who, turn_us, nth = tuple(row)
    damage, facts = None, {}
    try:
        facts = unpacked(text)
        if not isinstance(facts, dict) or not (
            _is_moment(at_us) and _is_moment(noted_us) and _is_moment(turn_us) and _is_moment(part)
        ):
            damage = "cannot be read"
        elif not _says_enough(subject, kind, facts):
            damage = "does not say what such an entry says"
        elif before is not None and chain != _digest(
            before,
            (subject, name, kind, at_us, text),
            None if who is None else (who, noted_us, call, part, turn_us, nth),
        ):
            damage = CHANGED
    except (ValueError, TypeError, KeyError, OverflowError, RecursionError):
        damage = "cannot be read"
    whole = damage is None
    return LedgerEntry(
        number,
        str(subject),
        str(name),
        str(kind),
        at_us if whole else 0,
        noted_us if whole else 0,
        facts if whole else {},
        str(call),
        str(chain),
        damage,
        None if who is None else str(who),
        part if isinstance(part, int) else 0,
        turn_us if isinstance(turn_us, int) else 0,
        nth,
    )


def _is_moment(value: Any) -> bool:
    """Return whether that is a whole number within all that was ever noted."""
    return isinstance(value, int) and -LAST_US < value < LAST_US


def drafted(draft: Draft) -> LedgerEntry:
    """Return an entry that is not written yet, to be read like one that is."""
    return LedgerEntry(
        0, draft.subject, draft.name, draft.kind, draft.at_us, draft.at_us, draft.facts, "", ""
    )


def append(conn: Connection, drafts: Sequence[Draft]) -> list[LedgerEntry]:
    """Write entries within the caller's ``writing`` transaction, and return them with their numbers."""
    noted = now_us()
    if TURN not in conn.info:
        conn.info[TURN] = max(noted, _last_turn_us(conn) + 1)
    mine = (conn.info.get(BY) or writer_name()) if any(draft.who is None for draft in drafts) else ""
    written = []
    for draft in drafts:
        entry = replace(
            drafted(draft),
            noted_us=noted,
            call=conn.info[CALL],
            who=mine if draft.who is None else draft.who,
            part=conn.info.get(WROTE, 0),
            turn_us=conn.info[TURN],
        )
        written.append(adopt(conn, entry))
    return written


def adopt(conn: Connection, entry: LedgerEntry) -> LedgerEntry:
    """Write an entry that has all but its number and its link, and return it with them."""
    before = conn.execute(
        select(ENTRIES.c.chain)
        .where(ENTRIES.c.subject == entry.subject, ENTRIES.c.name == entry.name)
        .order_by(ENTRIES.c.number.desc())
        .limit(1)
    ).scalar()
    if HELD not in conn.info:
        conn.info[HELD] = conn.execute(select(func.count()).select_from(ENTRIES)).scalar_one()
    entry = replace(entry, nth=conn.info[HELD] + conn.info.get(WROTE, 0) + 1)
    facts = packed(entry.facts)
    chain = linked(before or "", entry, facts)
    kept = ("subject", "name", "kind", "at_us", "noted_us", "call", "part", "who", "turn_us", "nth")
    values = {key: getattr(entry, key) for key in kept}
    number = conn.execute(insert(ENTRIES).values(**values, facts=facts, chain=chain)).inserted_primary_key
    assert number is not None
    conn.info[WROTE] = conn.info.get(WROTE, 0) + 1
    conn.info.setdefault(NUMBERS, []).append(number[0])
    return replace(entry, number=number[0], chain=chain)


def _last_turn_us(conn: Connection) -> int:
    last = conn.execute(select(func.max(ENTRIES.c.turn_us))).scalar()
    return last if isinstance(last, int) else 0  # a damaged one says nothing


def of(conn: Connection, subject: Subject, name: str | None = None) -> list[LedgerEntry]:
    """Return the entries of one name, or of all, in the order of their turns."""
    asked = select(*ROW).where(ENTRIES.c.subject == subject).order_by(ENTRIES.c.number)
    if name is not None:
        if HALVES.search(name):  # a database takes text alone, so it has no such name
            return []
        asked = asked.where(ENTRIES.c.name == name)
    found: list[LedgerEntry] = []
    last: dict[str, str] = {}
    for row in conn.execute(asked).fetchall():
        entry = _entry(row, last.get(str(row[NAME]), ""))
        last[entry.name] = entry.chain
        found.append(entry)
    return sorted(found, key=lambda entry: entry.turn)


def of_kinds(conn: Connection, subject: Subject, kinds: Sequence[str]) -> list[LedgerEntry]:
    """Return the entries of some kinds, in the order of their turns."""
    asked = select(*ROW).where(ENTRIES.c.subject == subject, ENTRIES.c.kind.in_(kinds))
    found = [_entry(row) for row in conn.execute(asked.order_by(ENTRIES.c.number))]
    return sorted(found, key=lambda entry: entry.turn)


def names_saying(conn: Connection, subject: Subject, text: str) -> list[str]:
    """Return the names with an entry, counted or not, among whose facts *text* stands as a value."""
    word = json.dumps(text, ensure_ascii=False)
    asked = select(ENTRIES.c.name).where(
        ENTRIES.c.subject == subject, ENTRIES.c.facts.contains(word, autoescape=True)
    )
    return sorted({str(name) for name in conn.execute(asked).scalars()})


def moments(conn: Connection, kinds: Sequence[str]) -> list[tuple[str, int, int]]:
    """Return (name, number, at [µs]) of all entries of spools of some kinds, in the order of their turns."""
    asked = select(ENTRIES.c.name, ENTRIES.c.number, ENTRIES.c.at_us)
    turns = (ENTRIES.c.turn_us, ENTRIES.c.call, ENTRIES.c.part)
    rows = conn.execute(asked.where(ENTRIES.c.subject == "spool", ENTRIES.c.kind.in_(kinds)).order_by(*turns))
    return [(row[0], row[1], row[2]) for row in rows if isinstance(row[2], int)]  # a damaged one says nothing


def facts_of(conn: Connection, numbers: Sequence[int]) -> dict[int, dict[str, Any]]:
    """Return the facts of some entries, by number."""
    found = {}
    for first in range(0, len(numbers), 500):  # a statement takes so many figures
        some = numbers[first : first + 500]
        for row in conn.execute(select(ENTRIES.c.number, ENTRIES.c.facts).where(ENTRIES.c.number.in_(some))):
            with contextlib.suppress(ValueError, TypeError, RecursionError):  # a damaged one says nothing
                facts = unpacked(row.facts)
                if isinstance(facts, dict):
                    found[row.number] = facts
    return found


def heads(conn: Connection, subject: Subject) -> dict[str, str]:
    """Return the digest of each name's whole history."""
    last = (
        select(func.max(ENTRIES.c.number)).where(ENTRIES.c.subject == subject).group_by(ENTRIES.c.name)
    ).scalar_subquery()
    rows = conn.execute(select(ENTRIES.c.name, ENTRIES.c.chain).where(ENTRIES.c.number.in_(last)))
    return {str(row.name): str(row.chain) for row in rows}  # a damaged one may be no text


def names_with(conn: Connection, kind: str) -> set[str]:
    """Return the names that have an entry of this kind, undone or not."""
    return {
        str(name) for name in conn.execute(select(ENTRIES.c.name).where(ENTRIES.c.kind == kind)).scalars()
    }


def newest(conn: Connection) -> int:
    """Return the number of the last entry; 0 where there is none."""
    return conn.execute(select(func.max(ENTRIES.c.number))).scalar() or 0


def last_noted(conn: Connection) -> tuple[int, str]:
    """Return when the last entry was written down [µs], and by whom; 0 where there is none."""
    asked = select(ENTRIES.c.noted_us, ENTRIES.c.who).order_by(
        ENTRIES.c.turn_us.desc(), ENTRIES.c.part.desc()
    )
    row = conn.execute(asked.limit(1)).first()
    return (0, "") if row is None else (row.noted_us, row.who or "")


def server_clock_us(conn: Connection) -> int | None:
    """Return what a server's clock says [µs]; None where the ledger is a file of this machine."""
    if conn.dialect.name == "sqlite":
        return None
    return int(conn.execute(select(func.extract("epoch", func.clock_timestamp()) * MICRO)).scalar_one())


def cancelled(entries: Iterable[LedgerEntry]) -> dict[int, int]:
    """Return the number of each entry that does not count, with that of the entry that cancels it.

    Later entries decide over earlier ones: an undo that is itself undone cancels nothing.
    """
    found: dict[int, int] = {}
    for entry in sorted(entries, key=lambda each: each.turn, reverse=True):
        if entry.kind == "undone" and entry.number not in found and entry.damage is None:
            for number in entry.facts["cancels"]:
                found.setdefault(number, entry.number)
    return found


def live(entries: Sequence[LedgerEntry]) -> list[LedgerEntry]:
    """Return the entries that count, without the undoing ones, in the order given.

    Raises
    ------
    LedgerError
        One of them is damaged: what counts is not known.
    """
    for entry in entries:
        if entry.damage is not None:
            raise LedgerError(
                f"{entry.subject} {entry.name}, entry {entry.number}: {entry.damage}; 'gcodetool ledger check' names all "
                "that is damaged, 'gcodetool ledger restore FILE' puts a backup in its place"
            )
    gone = cancelled(entries)
    return [entry for entry in entries if entry.kind != "undone" and entry.number not in gone]


def by_name(entries: Iterable[LedgerEntry]) -> dict[str, list[LedgerEntry]]:
    """Return entries by the name that they are about."""
    found: dict[str, list[LedgerEntry]] = {}
    for entry in entries:
        found.setdefault(entry.name, []).append(entry)
    return found


Readings = list[tuple[int, float, float]]  # at [µs], [°C], [% RH]


def digest_of(readings: Readings) -> str:
    """Return the digest by which an entry vouches for its readings."""
    text = "\n".join(f"{at_us} {celsius!r} {rh!r}" for at_us, celsius, rh in readings)
    return hashlib.sha256(text.encode()).hexdigest()


def add_readings(conn: Connection, entry: LedgerEntry, readings: Readings) -> None:
    """Write the readings that *entry* brings in."""
    rows = [
        {"entry": entry.number, "place": entry.name, "at_us": at_us, "temperature_C": celsius, "rh_pct": rh}
        for at_us, celsius, rh in readings
    ]
    conn.execute(insert(READINGS), rows)


def readings_of(conn: Connection, place: str, counted: Iterable[int]) -> Readings:
    """Return a place's readings by time, of the entries that count; of two at a time that of the last of *counted*."""
    turns = {number: turn for turn, number in enumerate(counted)}
    rows = conn.execute(
        select(READINGS.c.at_us, READINGS.c.entry, READINGS.c.temperature_C, READINGS.c.rh_pct)
        .where(READINGS.c.place == place)
        .order_by(READINGS.c.at_us, READINGS.c.entry)
    )
    found: dict[int, tuple[int, float, float]] = {}
    for at_us, entry, celsius, rh in rows:
        if entry in turns:
            if not (isinstance(at_us, int) and isinstance(celsius, float) and isinstance(rh, float)):
                raise LedgerError(
                    f"place {place}, entry {entry}: its readings are not those that were noted; "
                    "'gcodetool ledger restore FILE' puts a backup in the ledger's place"
                )
            turn = turns[entry]
            if at_us not in found or turn > found[at_us][0]:
                found[at_us] = (turn, celsius, rh)
    return [(at_us, celsius, rh) for at_us, (_, celsius, rh) in found.items()]
