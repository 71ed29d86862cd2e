"""A spool's record out of the ledger as a spool file, and out of a spool file into the ledger.

What goes out is the file contract: one TOML file, with a CSV file beside it for each measured place.
Times are written in UTC, so a record reads the same wherever it is exported.  Left out: what was undone,
and plans: they are the ledger's, not the record's.
"""

import os
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection

from gcodetool import profiles
from gcodetool.errors import DoubtError, LedgerError, SpoolError
from gcodetool.ledger import entries, records
from gcodetool.ledger.airlogfile import read_log
from gcodetool.ledger.dryers import as_place, contradictions, heat_of
from gcodetool.ledger.entries import Draft, Readings, micro
from gcodetool.ledger.eventtables import EVENT_KEYS
from gcodetool.ledger.place_entries import check_name
from gcodetool.ledger.records import PlaceRecord
from gcodetool.ledger.spoolfile import NAME, SPOOL_KEYS, read_spool
from gcodetool.ledger.store import Ledger, reading
from gcodetool.ledger.writers import Written, write_transaction
from gcodetool.moisture.dryer_runs import air_C
from gcodetool.moisture.record import Place
from gcodetool.shell import shell_word
from gcodetool.textfile import MOST_RECORD
from gcodetool.tomlfile import load, toml_text

BARE: Final = re.compile(r"[A-Za-z0-9_-]+")
TABLES: Final = ("body", "cut_from", "place", "event")
FIRST: Final = ("kind", "temperature_C", "rh_pct")  # of a place, as people write them


DEVICE: Final = re.compile("con|prn|aux|nul|(?:com|lpt)[0-9]")  # what Windows opens where a file is so called


@dataclass(frozen=True)
class Exported:
    """A record as files: the TOML text, and CSV texts by file name."""

    text: str
    logs: dict[str, str]


# ---------------------------------------------------------------- out


def export(ledger: Ledger, spool_id: str, *, beside: Path | None = None) -> Exported:
    """Return a spool's record as a spool file; paths in it are relative to the folder *beside*, if given.

    Raises
    ------
    LedgerError
        There is no such spool.
    """
    logs: dict[str, str] = {}
    with reading(ledger) as conn:
        record, known = records.spool(conn, spool_id), records.places(conn)

        def log_of(place: PlaceRecord) -> str | None:
            rows = records.air_of(conn, place)
            if not rows:
                return None
            name = f"{spool_id}.{re.sub(r'[^A-Za-z0-9_-]', '_', place.name)}.csv"
            if DEVICE.fullmatch(spool_id):
                name = "spool-" + name
            while name.casefold() in map(
                str.casefold, logs
            ):  # alike but for signs that file names lack, or for case
                name = name.removesuffix(".csv") + "_.csv"
            logs[name] = _csv(rows)
            return name

        before = records.ancestors(conn, record)
        data = records.data_of(record, known, log_of, before=before)
        rows = [entry for one in (*before, record) for entry in (one.added, *one.happened)]
        for event, entry in zip(data["event"], rows, strict=True):
            if entry.who:
                event["who"] = entry.who
    if beside is not None:
        data["material"] = _seen_from(beside, data["material"])
        for place in data["place"].values():
            if "printer" in place:
                place["printer"] = _seen_from(beside, place["printer"])
    return Exported(_toml(data), logs)


def _seen_from(folder: Path, word: str) -> str:
    """Return the path of a profile's file as seen from a folder; a profile's name as it is."""
    if not profiles.names_file(word) or not Path(word).is_absolute():
        return word
    try:
        return Path(os.path.relpath(word, folder.absolute())).as_posix()
    except ValueError:  # another drive
        return word


def _csv(rows: Readings) -> str:
    lines = [f"{_time(at_us)},{celsius!r},{rh!r}\n" for at_us, celsius, rh in rows]
    return "time,temperature_C,rh_pct\n" + "".join(lines)


def _time(at_us: int) -> str:
    return records.utc(at_us).isoformat()


def _toml(data: Mapping[str, Any]) -> str:
    """Return the text of a spool file."""
    plain = [key for key in SPOOL_KEYS if key in data and key not in TABLES]
    lines = [f"{key} = {_value(data[key])}" for key in plain]
    if data.get("body"):
        lines += ["", "[body]", *_pairs(data["body"], ())]
    for origin in data.get("cut_from", []):
        lines += ["", "[[cut_from]]", *_pairs(origin, ("id",))]
    for name, place in data["place"].items():
        lines += ["", f"[place.{_key(name)}]", *_pairs(place, FIRST)]
    for event in data["event"]:
        order = ("at", "kind", *EVENT_KEYS[event["kind"]])
        lines += ["", "[[event]]", *_pairs(event, order)]
    return "\n".join(lines) + "\n"


def _pairs(table: Mapping[str, Any], first: tuple[str, ...]) -> list[str]:
    keys = [key for key in first if key in table] + sorted(key for key in table if key not in first)
    return [f"{key} = {_value(table[key])}" for key in keys]


def _key(name: str) -> str:
    return name if BARE.fullmatch(name) else toml_text(name)


def _value(value: Any) -> str:
    r"""Return a value as TOML writes it.

    >>> _value(True), _value(0.1), _value('say "no"')
    ('true', '0.1', '"say \\"no\\""')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return toml_text(value)
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, Mapping):
        return f"{{ {', '.join(_pairs(value, ('at',)))} }}"
    if isinstance(value, list):
        return f"[{', '.join(map(_value, value))}]"
    return str(value.isoformat())


# ---------------------------------------------------------------- in


def import_spool(
    ledger: Ledger,
    path: Path,
    *,
    as_id: str | None = None,
    keep_places: bool = False,
    merge: bool = False,
    at_s: float | None = None,
    force: bool = False,
) -> Written:
    """Take a spool file in: the spool, its events, and the places that the ledger has not got.

    Parameters
    ----------
    as_id
        The spool's id here, in place of the file's.
    keep_places
        Where a place of the ledger differs from the file's: take the ledger's.
    merge
        Where the spool is on the shelf with another record: add the events that it lacks.

    Raises
    ------
    SpoolError, ProfileError
        The file says what it cannot mean.
    LedgerError
        The id is taken by another record, a place differs, or a dryer would have two temperatures at a time (unless
        *force*).
    """
    read_spool(path)  # refuses what cannot be, with its line
    data = load(path, SpoolError, "spool file", most=MOST_RECORD).data
    spool_id = as_id or data["id"]
    if not NAME.fullmatch(spool_id):
        raise LedgerError(f"--as '{spool_id}' cannot be an id; write small letters a-z, digits and '-' only")
    data["material"] = _from_file(path, data["material"])
    received, events = _in_order(data["event"])
    with write_transaction(ledger, at_s, force=force) as (conn, _):
        known = records.places(conn)
        drafts: list[Draft] = []
        readings: dict[str, Readings] = {}
        hot, notes = _places(path, data["place"], known, received["at"], keep_places, drafts, readings)
        drafts += _of_spool(spool_id, data, received, events, hot)
        old = records.spool_record(spool_id, entries.of(conn, "spool", spool_id))
        if old is not None:
            if _same(old, drafts):
                return Written((), (f"{spool_id} is on the shelf with the same record; nothing written",))
            if not merge:
                raise LedgerError(
                    f"spool '{spool_id}' is on the shelf already, with another record; add what that lacks with --merge, or "
                    "name this one with --as ID"
                )
            drafts, told = _lacking(old, drafts)
            notes += told
        written = entries.append(conn, drafts)
        for entry in written:
            if entry.kind == "logged":
                entries.add_readings(conn, entry, readings[entry.name])
        records.load_spool(conn, spool_id)
        notes += _two_temperatures(conn, spool_id, force=force)
        return Written(tuple(written), tuple(notes))


def _in_order(events: list[dict[str, Any]]) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Return a file's first event, received, and the others by time, which counts in whole microseconds."""
    timed = ({**event, "at": micro(event["at"].timestamp())} for event in events)
    found = sorted(timed, key=lambda event: (event["at"], event["kind"] != "received"))
    received = next(event for event in found if event["kind"] == "received")
    return received, [event for event in found if event is not received]


def _of_spool(
    spool_id: str,
    data: Mapping[str, Any],
    received: Mapping[str, Any],
    events: list[dict[str, Any]],
    hot: Mapping[str, Place],
) -> list[Draft]:
    """Return the drafts of the spool itself, added as it was received, and of all that happened to it."""
    facts = {key: value for key, value in data.items() if key not in ("id", "place", "event") and value != {}}
    facts["received"] = _facts(received, {})
    return [
        Draft("spool", spool_id, "added", received["at"], facts, received.get("who", "")),
        *(
            Draft("spool", spool_id, event["kind"], event["at"], _facts(event, hot), event.get("who", ""))
            for event in events
        ),
    ]


def _two_temperatures(conn: Connection, spool_id: str, *, force: bool) -> list[str]:
    """Return where a record gives a dryer of the ledger another temperature than it had; refuse that without *force*."""
    stood = {place for _, place, _ in records.spool(conn, spool_id).stays()}
    machines = [each for name, each in records.places(conn).items() if name in stood and each.kind == "dryer"]
    found = [text for machine in machines for text in contradictions(conn, machine, spool_id)]
    if found and not force:
        raise DoubtError(
            f"{found[0]}; a dryer has one temperature at a time: correct the file or the ledger's note, or add --force"
        )
    return found


def _from_file(path: Path, word: str) -> str:
    """Return a profile's name as it is, a profile's file with its whole path."""
    if profiles.names_file(word):
        return str((path.parent / word).resolve())
    return word


def _facts(event: Mapping[str, Any], hot: Mapping[str, Place]) -> dict[str, Any]:
    """Return an event's facts; in a dryer whose figures the ledger states otherwise, with what its air had."""
    facts = {key: value for key, value in event.items() if key not in ("at", "kind", "who")}
    if event["kind"] == "moved" and facts["place"] in hot:
        celsius = air_C(hot[facts["place"]], **heat_of(facts))
        assert celsius is not None  # a dryer states one
        facts = {**{key: value for key, value in facts.items() if key != "knob_C"}, "temperature_C": celsius}
    return facts


def _same(old: records.SpoolRecord, drafts: list[Draft]) -> bool:
    mine = [draft for draft in drafts if draft.subject == "spool"]
    added, *rest = mine
    there = [(entry.kind, entry.at_us, entry.facts) for entry in old.happened]
    description = {**old.facts, "received": old.received}
    return (description, old.received_us) == (added.facts, added.at_us) and there == [
        (draft.kind, draft.at_us, draft.facts) for draft in rest
    ]


def _lacking(old: records.SpoolRecord, drafts: list[Draft]) -> tuple[list[Draft], list[str]]:
    """Return the drafts of what was never noted of a spool here, undone or not, and what to say.

    The same thing twice in a file is twice what happened.
    """
    known = Counter((entry.kind, entry.at_us, entries.packed(entry.facts)) for entry in old.entries)
    added = next(draft for draft in drafts if draft.kind == "added" and draft.subject == "spool")
    found, notes = [], []
    for draft in drafts:
        sign = (draft.kind, draft.at_us, entries.packed(draft.facts))
        if draft.subject == "spool" and known[sign] > 0:
            known[sign] -= 1
        elif draft is not added:
            found.append(draft)
    here = {**old.facts, "received": {"at": records.wall(old.received_us), **old.received}}
    there = {**added.facts, "received": {"at": records.wall(added.at_us), **added.facts["received"]}}
    if here != there:
        notes.append(f"{old.id}: the file says otherwise, and this ledger counts: {_difference(here, there)}")
    if not any(draft.subject == "spool" for draft in found):
        return [], [*notes, f"{old.id}: all events of the file are here; nothing written"]
    return found, notes


def _places(
    path: Path,
    stated: Mapping[str, dict[str, Any]],
    known: Mapping[str, PlaceRecord],
    received_us: int,
    keep: bool,
    drafts: list[Draft],
    readings: dict[str, Readings],
) -> tuple[dict[str, Place], list[str]]:
    """Add drafts of the places that are not there; return dryers whose heat the file states otherwise, and what to say.

    Raises
    ------
    LedgerError
        A place is there with other figures.
    """
    hot: dict[str, Place] = {}
    notes = []
    told = {}
    for name, facts in stated.items():
        check_name(name)
        told[name] = {key: value for key, value in facts.items() if key not in ("log", "readings", "renewed")}
        if "printer" in facts:
            told[name]["printer"] = _from_file(path, facts["printer"])
    for name, facts in stated.items():
        rows: Readings = []
        if "log" in facts:
            log = read_log(path.parent / facts["log"])
            rows = [
                (micro(at_s), celsius, rh)
                for at_s, celsius, rh in zip(log.at_s, log.temperature_C, log.rh_pct, strict=True)
            ]
        if name in known:
            there = known[name].facts
            if there != told[name] and not keep:
                if facts["kind"] == there["kind"] == "dryer" and _but_heat(there) == _but_heat(told[name]):
                    hot[name] = as_place(_in_file(name, told[name], _read_in_file(facts), received_us))
                    notes.append(
                        f"{name} has other figures in the ledger ({_difference(there, told[name])}); those count, and its "
                        "stays in it are noted with the temperature that the file says its air had"
                    )
                    continue
                raise LedgerError(
                    f"{path}: place '{name}' is in the ledger with other figures ({_difference(there, told[name])}); "
                    "rename it in the file, or add --keep-places to take the ledger's"
                )
            if rows:
                notes.append(
                    f"{name}: its log was not added; do that with 'gcodetool place log {shell_word(name)} FILE'"
                )
            continue
        first_us = rows[0][0] if rows else received_us
        drafts.append(Draft("place", name, "added", first_us, told[name]))
        drafts += [Draft("place", name, "read", at_us, read) for at_us, read in _read_in_file(facts)]
        drafts += [
            Draft("place", name, "renewed", micro(one["at"].timestamp()), _without_moment(one))
            for one in facts.get("renewed", [])
        ]
        if rows:
            facts_of_log = {
                "source": str(facts["log"]),
                "until_us": rows[-1][0],
                "count": len(rows),
                "digest": entries.digest_of(rows),
            }
            drafts.append(Draft("place", name, "logged", first_us, facts_of_log))
            readings[name] = rows
    return hot, notes


def _but_heat(facts: Mapping[str, Any]) -> dict[str, Any]:
    other = (
        *("temperature_C", "swing_C", "set_offset_C", "max_temperature_C", "accuracy_C"),
        *("slots", "power_W", "note"),
    )
    return {key: value for key, value in facts.items() if key not in other}


def _read_in_file(facts: Mapping[str, Any]) -> list[tuple[int, dict[str, Any]]]:
    """Return (at [µs], facts) of what a file says that a thermometer in a dryer read."""
    return [
        (micro(one["at"].timestamp()), {key: float(value) for key, value in one.items() if key != "at"})
        for one in facts.get("readings", [])
    ]


def _without_moment(one: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in one.items() if key != "at"}


def _in_file(
    name: str, facts: dict[str, Any], read: list[tuple[int, dict[str, Any]]], at_us: int
) -> PlaceRecord:
    """Return a place as the ledger would have it by the file alone."""
    drafts = [Draft("place", name, "added", at_us, facts)]
    drafts += [Draft("place", name, "read", moment, one) for moment, one in read]
    found = records.place_record(name, [entries.drafted(draft) for draft in drafts])
    assert found is not None  # it was added
    return found


def _difference(there: Mapping[str, Any], here: Mapping[str, Any]) -> str:
    keys = [key for key in sorted({*there, *here}) if there.get(key) != here.get(key)]
    return ", ".join(
        f"{key} {there.get(key, 'not stated')}, here {here.get(key, 'not stated')}" for key in keys
    )
