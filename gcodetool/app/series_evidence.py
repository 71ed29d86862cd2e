"""What test series say about limits, as events of the spools that they printed: nothing is asked twice.

Left out: which prints speak (``series.judged``), and what it says of limits (``limits.evidence``).
"""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

from gcodetool.ledger import entries
from gcodetool.moisture.record import Event, Outcome, Spool

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from gcodetool.series.judged import JudgedPrint


def series_prints(conn: "Connection", now_s: float) -> "dict[str, list[JudgedPrint]]":
    """Return, by spool, the prints of the ledger's series that say something up to a moment, by time."""
    if not entries.heads(conn, "series"):
        return {}
    from gcodetool.app import series_record
    from gcodetool.ledger import series_entries
    from gcodetool.series.judged import judged_prints

    found: dict[str, list[JudgedPrint]] = defaultdict(list)
    for name in series_entries.started(conn):
        rows = [entry for entry in series_entries.one(conn, name) if entry.at_s <= now_s]
        for one in judged_prints(series_record.record_of(rows)) if rows else ():
            found[one.made.spool].append(one)
    return {name: sorted(each, key=lambda one: one.made.at_s) for name, each in found.items()}


def with_series(spool: Spool, prints: "Sequence[JudgedPrint]") -> Spool:
    """Return a record with what series say of its prints as outcomes.

    What was said of a print already counts in its place: a look at the strand, parts that were judged.
    """
    ends = [*(one.made.at_s for one in prints), math.inf]
    added = []
    for one, (begin_s, end_s) in zip(prints, pairwise(ends), strict=True):
        there = [event for event in spool.events if begin_s <= event.at_s < end_s]
        looked = any(event.kind == "inspected" for event in there)
        parted = any(event.outcome is not None and event.outcome.parts is not None for event in there)
        said = Outcome(
            tested=None if parted else one.tested,
            bubbles=None if looked else one.bubbles,
            oozes=None if looked else one.oozes,
            pops=None if looked else one.pops,
        )
        if said != Outcome():
            added.append(Event(begin_s, "outcome", outcome=said))
    if not added:
        return spool
    events = sorted((*spool.events, *added), key=lambda event: event.at_s)
    return replace(spool, events=tuple(events))
