"""A series' entries to its record, and back: what ``series start`` and ``prepare --series`` note, and reports read."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from gcodetool.errors import LedgerError, SeriesError
from gcodetool.ledger import records, series_entries
from gcodetool.ledger.entries import LedgerEntry
from gcodetool.moisture.history import Quantiles
from gcodetool.series.plan import PlannedState, SeriesOutlook, Turn
from gcodetool.series.planfile import WHOLE_STRAND, SeriesPlan, plan_of
from gcodetool.series.record import (
    Looked,
    PlannedContent,
    PrintRecord,
    SeriesRecord,
    Value,
    with_inspections,
)
from gcodetool.tomlfile import Document, Table

if TYPE_CHECKING:
    from sqlalchemy import Connection

WETTEST: Final = 100.0
LISTED: Final = ("state", "quantity")


def facts_of(found: SeriesOutlook, *, sha256: str, reel: str) -> dict[str, Any]:
    """Return what is noted of a series that is started."""
    data = found.plan.data
    return {
        "plan": dict(data),
        "listed": {key: list(data[key]) for key in LISTED},  # an entry keeps no order of keys
        "source": found.plan.source,
        "seed": found.seed,
        "order": [[turn.state, turn.print, turn.block] for turn in found.order],
        "sha256": sha256,
        "reel": reel,
        "planned": {state.name: _planned_facts(state) for state in found.states},
    }


def _planned_facts(state: PlannedState) -> dict[str, Any]:
    """Return a state's planned content, and from where to where it counts as reached."""
    band = state.target_wt_pct or state.content_wt_pct
    low, high = 0.0, WETTEST  # as it was found: whatever that is
    if state.steps:
        low, high = (1.0 - WHOLE_STRAND) * band.p50, (1.0 + WHOLE_STRAND) * band.p50
        if state.target_wt_pct is None:  # so many hours: what the members make of them
            low = min(low, low if band.p10 is None else band.p10)
            high = max(high, high if band.p90 is None else band.p90)
        if state.steps[-1].kind == "dry":
            low = 0.0
    return {"wt_pct": list(band), "low": low, "high": high}


def record_of(rows: Sequence[LedgerEntry]) -> SeriesRecord:
    """Return a series' record from what counts of its entries, its beginning first.

    Raises
    ------
    SeriesError
        Its plan is none that this version reads.
    """
    begin = rows[0]
    facts = begin.facts
    data = {**facts["plan"]}
    for key, names in facts.get("listed", {}).items():
        data[key] = {name: data[key][name] for name in names}
    plan = read_again(data, str(facts.get("source", begin.name)))
    prints = [
        PrintRecord(
            entry.number,
            **{key: value for key, value in entry.facts.items() if key not in ("wt_pct", "file")},
            at_s=entry.at_s,
            wt_pct=Quantiles(*entry.facts["wt_pct"]),
        )
        for entry in rows
        if entry.kind == "printed"
    ]
    values = [
        Value(state, number, specimen, quantity, float(value), entry.number)
        for entry in rows
        if entry.kind == "result"
        for state, number, specimen, quantity, value in entry.facts["values"]
    ]
    planned = {
        name: PlannedContent(Quantiles(*one["wt_pct"]), one["low"], one["high"])
        for name, one in facts["planned"].items()
    }
    return SeriesRecord(
        plan,
        begin.at_s,
        facts["seed"],
        tuple(Turn(*each) for each in facts["order"]),
        facts["sha256"],
        facts["reel"],
        planned,
        tuple(prints),
        tuple(values),
    )


def read_again(data: Mapping[str, Any], source: str) -> SeriesPlan:
    """Return the plan in keys and values as its file had them."""
    table = Table(Document(source, "", dict(data), SeriesError), dict(data), ())
    return plan_of(table, source)


def load(conn: "Connection", series_id: str) -> SeriesRecord:
    """Return one series of the ledger, with what was seen of its prints' strands.

    Raises
    ------
    LedgerError
        There is none of that id.
    """
    record = record_of(series_entries.one(conn, series_id))
    looks = []
    for name in sorted({one.spool for one in record.prints}):
        try:
            happened = records.spool(conn, name).happened
        except LedgerError:  # taken off the shelf since
            continue
        for entry in happened:
            if entry.kind == "inspected" and entry.at_s >= record.started_s:
                seen = {key: entry.facts.get(key) for key in ("bubbles", "oozes", "pops")}
                looks.append(Looked(name, entry.at_s, **seen))
    return with_inspections(record, looks)
