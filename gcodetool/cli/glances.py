"""The list of spools put together: outlooks from the ledger's cache, computed where they no longer hold."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from gcodetool.errors import GcodetoolError

if TYPE_CHECKING:
    from gcodetool.cli.progress import Progress
    from gcodetool.judge.idle_forecast import Glance
    from gcodetool.ledger.cache import Marks
    from gcodetool.ledger.records import PlaceRecord, SpoolRecord
    from gcodetool.ledger.store import Ledger

TOGETHER: Final = 25  # outlooks kept at a time: what is computed is not lost where the work is broken off


@dataclass(frozen=True)
class Shelved:
    """A spool on the list: what is seen of it, or why nothing is."""

    id: str
    glance: "Glance | None"
    trouble: str | None
    retired: bool = False


def glances(
    ledger: "Ledger",
    *,
    now_s: float,
    members: int | None,
    everything: bool,
    wanted: Callable[[str, str], bool],
    progress: "Progress | None" = None,
) -> list[Shelved]:
    """Return what a list says of each spool at a moment, by id.

    Parameters
    ----------
    everything
        Retired ones too.
    wanted
        Takes place and material.
    progress
        Is told how many spools are worked out.
    """
    from gcodetool.ledger import cache, entries
    from gcodetool.ledger.store import reading
    from gcodetool.moisture.members import usual

    count = usual(members)
    with reading(ledger) as conn:
        heads, marks = entries.heads(conn, "spool"), cache.marks(conn)
        retired = entries.names_with(conn, "retired")
        kept = cache.outlooks(conn, count)
    stamp = cache.profiles_stamp()
    found: dict[str, Shelved] = {}
    missing: list[str] = []
    for spool_id in sorted(heads):
        seen = _kept(kept.get(spool_id), heads[spool_id], marks, count, stamp)
        if seen is not None and spool_id not in retired and _holds(seen, now_s):
            found[spool_id] = _glanced(seen, now_s)
        else:
            missing.append(spool_id)
    if missing:
        found |= _worked_out(ledger, missing, heads, marks, count, stamp, now_s, everything, progress)
    listed = [found[spool_id] for spool_id in sorted(found)]
    return [
        each
        for each in listed
        if (everything or not each.retired)
        and (each.glance is None or wanted(each.glance.place, each.glance.material))
    ]


def _holds(seen: Any, now_s: float) -> bool:
    from gcodetool.judge.idle_forecast import holds

    return holds(seen, now_s)


def _glanced(seen: Any, now_s: float, *, retired: bool = False) -> Shelved:
    from gcodetool.judge.idle_forecast import glance

    return Shelved(seen.spool, glance(seen, now_s), None, retired)


def _kept(row: tuple[str, str] | None, head: str, marks: "Marks", members: int, stamp: str) -> Any:
    """Return the outlook in a row of the cache, if all that it rests on is as it was."""
    import json

    from gcodetool.judge.idle_forecast import from_text
    from gcodetool.ledger import cache
    from gcodetool.moisture.snapshot import MODEL

    if row is None:
        return None
    try:
        rests = json.loads(row[1])
        places, files, text = rests["places"], rests["files"], rests["outlook"]
    except (ValueError, KeyError, TypeError):
        return None
    key = cache.key(head, places, marks, files, members=members, model=MODEL, stamp=stamp)
    return from_text(text) if key == row[0] else None


def _worked_out(
    ledger: "Ledger",
    missing: list[str],
    heads: dict[str, str],
    marks: "Marks",
    members: int,
    stamp: str,
    now_s: float,
    everything: bool,
    progress: "Progress | None",
) -> dict[str, Shelved]:
    """Return what is seen of spools whose outlooks are not at hand, and keep the outlooks."""
    import json

    from gcodetool.judge.idle_forecast import outlook, to_text
    from gcodetool.ledger import cache, entries, records
    from gcodetool.ledger.entries import micro
    from gcodetool.ledger.store import reading
    from gcodetool.moisture.history import state_at
    from gcodetool.moisture.snapshot import MODEL

    found: dict[str, Shelved] = {}
    keep: dict[str, tuple[str, str]] = {}
    airs: dict[str, Any] = {}
    with reading(ledger) as conn:
        places = records.places(conn)
        shelf = {
            name: record
            for name in missing
            if (record := records.spool_record(name, entries.of(conn, "spool", name))) is not None
        }
    for number, spool_id in enumerate(missing, 1):
        record = shelf.get(spool_id)
        if record is None or (record.retired and not everything):
            continue
        try:
            with reading(ledger) as conn:
                spool = records.spool_from(conn, record, places, airs=airs)
            state = state_at(spool, now_s, members=members, shelf=cache.LedgerShelf(ledger, spool_id))
            seen = outlook(spool, state)
        except GcodetoolError as error:
            found[spool_id] = Shelved(spool_id, None, str(error), record.retired)
            continue
        used = relied_on(record, places, micro(state.as_of_s))
        files = [each for each in (str(record.facts["material"]),) if each.endswith(".toml")]
        key = cache.key(heads[spool_id], used, marks, files, members=members, model=MODEL, stamp=stamp)
        keep[spool_id] = (key, json.dumps({"places": used, "files": files, "outlook": to_text(seen)}))
        found[spool_id] = _glanced(seen, now_s, retired=record.retired)
        if progress is not None:
            progress("working out spools", number, len(missing))
        if len(keep) == TOGETHER:
            cache.keep_outlooks(ledger, members, keep)
            keep = {}
    cache.keep_outlooks(ledger, members, keep)
    return found


def relied_on(
    record: "SpoolRecord", places: "Mapping[str, PlaceRecord]", at_us: int
) -> dict[str, int | None]:
    """Return the places whose air a spool's outlook rests on, and up to when [µs]; None: also from now on.

    A spool in a bag is printed in some open air, so its safe exposure rests on all it has stood in.
    """
    from gcodetool.ledger import records

    here = record.stay(at_us)[1]
    now = set(records.around(places, [here]))
    if here in places and places[here].kind == "sealed":
        now |= set(records.places_of(record, places))
    came = record.received
    if came.get("water_wt_pct") is None and not came.get("sealed"):  # in balance with all that was read there
        now |= set(records.around(places, [str(came["place"])]))
    moments = [record.received_us, *(entry.at_us for entry in record.happened if entry.at_us <= at_us)]
    last_us = max(moments)
    return {name: None if name in now else last_us for name in records.places_of(record, places)}
