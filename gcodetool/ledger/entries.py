"""Entries: rows that are added and never changed, and which of them count.

An entry of kind ``undone`` names the entries that it cancels, undone entries among them.  Each row carries
a digest over itself and the row before it of the same spool or place, so the last one stands for the whole
history behind it.  Left out: what the facts mean (``records``).
"""

import contextlib
import datetime
import hashlib
import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from sqlalchemy import Connection, Row, func, insert, select

from gcodetool.errors import LedgerError
from gcodetool.ledger.call import CALL, NUMBERS, WROTE, now_us
from gcodetool.ledger.schema import ENTRIES, READINGS

Subject = Literal["spool", "place"]
MICRO: Final = 1_000_000


@dataclass(frozen=True)
class Draft:
    """An entry to be written."""

    subject: Subject
    name: str
    kind: str
    at_us: int
    facts: dict[str, Any] = field(default_factory=dict)


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
    found: dict[str, Any] = FACTS.decode(text)
    return found


def _as_moment(value: dict[str, Any]) -> Any:
    return utc(value[AT]) if AT in value else value


FACTS: Final = json.JSONDecoder(object_hook=_as_moment)


def utc(at_us: int) -> datetime.datetime:
    """Return a moment with its zone, UTC."""
    whole, rest = divmod(at_us, MICRO)
    return datetime.datetime.fromtimestamp(whole, datetime.UTC).replace(microsecond=rest)


def linked(before: str, subject: str, name: str, kind: str, at_us: int, facts: str) -> str:
    """Return the digest of an entry and of all that stands before it under its name."""
    text = "\x1f".join((before, subject, name, kind, str(at_us), facts))
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()


CHANGED: Final = "not as it was noted (changed, or one before it is gone)"


def _entry(row: Row[Any], before: str | None = None) -> LedgerEntry:
    """Return an entry as it stands in the database, or what is wrong with it.

    *before*: the digest of the one before it under its name; None: that was not read.
    """
    damage, facts = None, {}
    try:
        facts = unpacked(row.facts)
        if not isinstance(facts, dict) or not all(
            isinstance(each, int) for each in (row.at_us, row.noted_us)
        ):
            damage = "cannot be read"
        elif before is not None and row.chain != linked(
            before, row.subject, row.name, row.kind, row.at_us, row.facts
        ):
            damage = CHANGED
    except (ValueError, TypeError, KeyError, OverflowError, RecursionError):
        damage = "cannot be read"
    whole = damage is None
    return LedgerEntry(
        number=row.number,
        subject=str(row.subject),
        name=str(row.name),
        kind=str(row.kind),
        at_us=row.at_us if whole else 0,
        noted_us=row.noted_us if whole else 0,
        facts=facts if whole else {},
        call=str(row.call),
        chain=str(row.chain),
        damage=damage,
    )


def drafted(draft: Draft) -> LedgerEntry:
    """Return an entry that is not written yet, to be read like one that is."""
    return LedgerEntry(
        0, draft.subject, draft.name, draft.kind, draft.at_us, draft.at_us, draft.facts, "", ""
    )


def append(conn: Connection, drafts: Sequence[Draft]) -> list[LedgerEntry]:
    """Write entries within the caller's ``writing`` transaction, and return them with their numbers."""
    call, noted = conn.info[CALL], now_us()
    part = conn.info.get(WROTE, 0)
    written = []
    for draft in drafts:
        before = conn.execute(
            select(ENTRIES.c.chain)
            .where(ENTRIES.c.subject == draft.subject, ENTRIES.c.name == draft.name)
            .order_by(ENTRIES.c.number.desc())
            .limit(1)
        ).scalar()
        facts = packed(draft.facts)
        chain = linked(before or "", draft.subject, draft.name, draft.kind, draft.at_us, facts)
        values = {
            "subject": draft.subject,
            "name": draft.name,
            "kind": draft.kind,
            "at_us": draft.at_us,
            "noted_us": noted,
            "facts": facts,
            "call": call,
            "part": part,
            "chain": chain,
        }
        number = conn.execute(insert(ENTRIES).values(values)).inserted_primary_key
        assert number is not None
        written.append(
            LedgerEntry(
                number[0],
                draft.subject,
                draft.name,
                draft.kind,
                draft.at_us,
                noted,
                draft.facts,
                call,
                chain,
            )
        )
        part += 1
        conn.info[WROTE] = part
        conn.info.setdefault(NUMBERS, []).append(number[0])
    return written


def of(conn: Connection, subject: Subject, name: str | None = None) -> list[LedgerEntry]:
    """Return the entries of one name, or of all, in the order in which they were written."""
    asked = select(ENTRIES).where(ENTRIES.c.subject == subject).order_by(ENTRIES.c.number)
    if name is not None:
        asked = asked.where(ENTRIES.c.name == name)
    found: list[LedgerEntry] = []
    last: dict[str, str] = {}
    for row in conn.execute(asked):
        entry = _entry(row, last.get(str(row.name), ""))
        last[entry.name] = entry.chain
        found.append(entry)
    return found


def of_kinds(conn: Connection, subject: Subject, kinds: Sequence[str]) -> list[LedgerEntry]:
    """Return the entries of some kinds, in the order in which they were written."""
    asked = select(ENTRIES).where(ENTRIES.c.subject == subject, ENTRIES.c.kind.in_(kinds))
    return [_entry(row) for row in conn.execute(asked.order_by(ENTRIES.c.number))]


def names_saying(conn: Connection, subject: Subject, text: str) -> list[str]:
    """Return the names with an entry, counted or not, among whose facts *text* stands as a value."""
    word = json.dumps(text, ensure_ascii=False)
    asked = select(ENTRIES.c.name).where(
        ENTRIES.c.subject == subject, ENTRIES.c.facts.contains(word, autoescape=True)
    )
    return sorted(set(conn.execute(asked).scalars()))


def moments(conn: Connection, kinds: Sequence[str]) -> list[tuple[str, int, int]]:
    """Return (name, number, at [µs]) of all entries of spools of some kinds."""
    asked = select(ENTRIES.c.name, ENTRIES.c.number, ENTRIES.c.at_us)
    rows = conn.execute(asked.where(ENTRIES.c.subject == "spool", ENTRIES.c.kind.in_(kinds)))
    return [(row[0], row[1], row[2]) for row in rows]


def facts_of(conn: Connection, numbers: Sequence[int]) -> dict[int, dict[str, Any]]:
    """Return the facts of some entries, by number."""
    found = {}
    for first in range(0, len(numbers), 500):  # a statement takes so many figures
        some = numbers[first : first + 500]
        for row in conn.execute(select(ENTRIES.c.number, ENTRIES.c.facts).where(ENTRIES.c.number.in_(some))):
            with contextlib.suppress(ValueError, TypeError, RecursionError):  # a damaged one says nothing
                found[row.number] = unpacked(row.facts)
    return found


def heads(conn: Connection, subject: Subject) -> dict[str, str]:
    """Return the digest of each name's whole history."""
    last = (
        select(func.max(ENTRIES.c.number)).where(ENTRIES.c.subject == subject).group_by(ENTRIES.c.name)
    ).scalar_subquery()
    rows = conn.execute(select(ENTRIES.c.name, ENTRIES.c.chain).where(ENTRIES.c.number.in_(last)))
    return {row.name: row.chain for row in rows}


def names_with(conn: Connection, kind: str) -> set[str]:
    """Return the names that have an entry of this kind, undone or not."""
    return set(conn.execute(select(ENTRIES.c.name).where(ENTRIES.c.kind == kind)).scalars())


def last_noted_us(conn: Connection) -> int:
    """Return when the last entry was written down; 0 where there is none."""
    last = select(func.max(ENTRIES.c.number)).scalar_subquery()
    return conn.execute(select(ENTRIES.c.noted_us).where(ENTRIES.c.number == last)).scalar() or 0


def cancelled(entries: Iterable[LedgerEntry]) -> dict[int, int]:
    """Return the number of each entry that does not count, with that of the entry that cancels it.

    Later entries decide over earlier ones: an undo that is itself undone cancels nothing.
    """
    found: dict[int, int] = {}
    for entry in sorted(entries, key=lambda each: -each.number):
        if entry.kind == "undone" and entry.number not in found and entry.damage is None:
            for number in entry.facts["cancels"]:
                found.setdefault(number, entry.number)
    return found


def live(entries: Sequence[LedgerEntry]) -> list[LedgerEntry]:
    """Return the entries that count, without the undoing ones, in the order in which they were written.

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
    """Return a place's readings by time, of the entries that count; of two at the same time the later noted."""
    wanted = set(counted)
    rows = conn.execute(
        select(READINGS.c.at_us, READINGS.c.entry, READINGS.c.temperature_C, READINGS.c.rh_pct)
        .where(READINGS.c.place == place)
        .order_by(READINGS.c.at_us, READINGS.c.entry)
    )
    found = {}
    for at_us, entry, celsius, rh in rows:
        if entry in wanted:
            if not (isinstance(at_us, int) and isinstance(celsius, float) and isinstance(rh, float)):
                raise LedgerError(
                    f"place {place}, entry {entry}: its readings are not those that were noted; "
                    "'gcodetool ledger restore FILE' puts a backup in the ledger's place"
                )
            found[at_us] = (celsius, rh)
    return [(at_us, celsius, rh) for at_us, (celsius, rh) in found.items()]
