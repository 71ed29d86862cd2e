"""Which spools of the ledger stood together in closed places, and their records as the physics takes them.

Only moves are read of all spools; whole records of those few that matter.  Where no place is closed, nothing is.
Left out: what they share (``moisture.company``).
"""

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from sqlalchemy import Connection

from gcodetool.errors import LedgerError
from gcodetool.ledger import entries, records
from gcodetool.ledger.entries import MICRO
from gcodetool.ledger.placetables import check_places
from gcodetool.ledger.records import MEASURABLE, PlaceRecord, SpoolRecord
from gcodetool.moisture.neighbours import ClosedStay, Meetings, counted, shares
from gcodetool.moisture.places import closed_place
from gcodetool.moisture.record import AirLog, Spool
from gcodetool.moisture.stays import spans

MOVES: Final = ("added", "moved", "set", "undone")
ANY_AIR: Final = AirLog((0.0,), (20.0,), (50.0,))  # stands for readings, where only their being there counts


NOBODY: Final = Meetings({}, {})


def meetings(conn: Connection, known: Mapping[str, PlaceRecord], among: list[str] | None = None) -> Meetings:
    """Return who stood with whom in closed places, of all spools, retired ones too.

    *among*: only if a spool that stood in these places stood in a closed one; else nothing is read.
    """
    stated = {}
    for name, each in known.items():
        facts = each.stated
        if each.kind in MEASURABLE and each.measured:
            facts["log"] = ANY_AIR
        stated[name] = facts
    described = check_places(stated, "ledger") if stated else {}
    within = {name: closed_place(described, place) for name, place in described.items()}
    boxes = {name: box for name, box in within.items() if box is not None and shares(described[box])}
    if not any(boxes.get(name) for name in (boxes if among is None else among)):
        return NOBODY
    renewals = {name: described[name].desiccant_fresh_s for name in set(boxes.values())}
    found: dict[str, list[ClosedStay]] = {}
    cuts: dict[str, tuple[str, float]] = {}
    for spool_id, rows in entries.by_name(entries.of_kinds(conn, "spool", MOVES)).items():
        try:
            record = records.spool_record(spool_id, rows)
        except LedgerError:  # damaged: where it stood is not known
            continue
        if record is None:
            continue
        mine = _closed(record, boxes)
        if mine:
            found[spool_id] = mine
        if record.cut_from is not None:
            cuts[spool_id] = (record.cut_from["spool"], record.received_us / MICRO)
    return Meetings(found, renewals, cuts)


def _closed(record: SpoolRecord, boxes: Mapping[str, str]) -> list[ClosedStay]:
    """Return a record's stays in closed places."""
    moves = [(since_us / MICRO, place) for since_us, place, _ in record.stays()]
    return [
        ClosedStay(boxes[place], begin_s, end_s)
        for begin_s, end_s, place in spans(moves, math.inf)
        if place in boxes
    ]


def with_neighbours(
    conn: Connection,
    spool: Spool,
    known: Mapping[str, PlaceRecord],
    *,
    met: Meetings | None = None,
    airs: dict[str, AirLog | None] | None = None,
) -> Spool:
    """Return a spool of the ledger with those that stood with it in closed places.

    Parameters
    ----------
    known
        The places.
    met, airs
        What was read already: who met whom, and the air of places.

    Raises
    ------
    SpoolError, ProfileError
        A neighbour's record does not say what is needed.
    """
    if met is None:
        met = meetings(conn, known, [event.place for event in spool.events if event.place is not None])
    until, more = met.needed(spool.id)
    if not until:
        return spool
    airs = {} if airs is None else airs
    found = [
        counted(records.spool_from(conn, records.spool(conn, name), known, airs=airs), end_s)
        for name, end_s in sorted(until.items())
    ]
    return replace(spool, neighbours=tuple(found), more_neighbours=more)
