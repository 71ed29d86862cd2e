"""A sample cut off a reel: two entries of one command, one of the reel and one that makes the sample a spool.

The sample's record goes on from the reel's, as ``records.ancestors`` has it, so a correction of that one's past
counts for both.  Left out: what water the sample has (``moisture.cutting``).
"""

import math
from dataclasses import replace
from typing import Any, Final, Literal

from gcodetool.errors import LedgerError
from gcodetool.ledger import entries, records
from gcodetool.ledger.entries import Draft
from gcodetool.ledger.plausibility import check_plausible
from gcodetool.ledger.records import PlaceRecord
from gcodetool.ledger.spoolfile import NAME
from gcodetool.ledger.store import Ledger
from gcodetool.ledger.writers import Written, after_received, noted, said_of_retired, write_transaction

INHERITED: Final = ("material", "diameter_mm", "fibre_wt_pct", "colour", "line")


def cut(
    ledger: Ledger,
    spool_id: str,
    sample_id: str,
    *,
    length_mm: float | None = None,
    mass_g: float | None = None,
    winding: Literal["wound", "loose"] = "loose",
    at_s: float | None = None,
    note: str | None = None,
    force: bool = False,
) -> Written:
    """Note that a sample was cut off a spool, and is a spool of its own from then on.

    Parameters
    ----------
    length_mm, mass_g
        How much was cut off; one of them.
    winding
        A loose coil, or wound again.

    Raises
    ------
    LedgerError
        Unknown spool, an id that is taken or cannot be one, a moment before it was received; more than there is
        (unless *force*).
    """
    if not NAME.fullmatch(sample_id):
        raise LedgerError(f"'{sample_id}' cannot be an id; write small letters a-z, digits and '-' only")
    with write_transaction(ledger, at_s, force=force) as (conn, at_us):
        record = records.spool(conn, spool_id)
        if records.spool_record(sample_id, entries.of(conn, "spool", sample_id)) is not None:
            raise LedgerError(f"spool '{sample_id}' is on the shelf already; name the sample otherwise")
        after_received(record, at_us)
        bare = records.bare(conn, record)
        if length_mm is None:
            length_mm = (mass_g or 0.0) / bare.metre_g * 1e3
        facts: dict[str, Any] = {key: record.facts[key] for key in INHERITED if key in record.facts}
        facts["net_mass_g"] = length_mm / 1e3 * bare.metre_g
        if winding == "loose":
            facts["winding"] = winding
        place = _lies_at(records.places(conn), record.stay(at_us)[1])
        came = {"place": place, "cut_from": {"spool": spool_id, "length_mm": length_mm}}
        drafts = [
            Draft("spool", spool_id, "cut", at_us, noted({"length_mm": length_mm, "into": sample_id}, note)),
            Draft("spool", sample_id, "added", at_us, {**facts, "received": came}),
        ]
        written = entries.append(conn, drafts)
        after = replace(record, happened=(*record.happened, written[0]))
        notes = check_plausible(after, bare, force=force, only=written[0])
        records.load_spool(conn, sample_id)  # refuses what cannot be; nothing is kept then
        return Written(tuple(written), (*notes, *said_of_retired(record)))


def _lies_at(known: dict[str, PlaceRecord], place: str) -> str:
    """Return where a sample lies that was cut there: not on the printer, but in its room."""
    facts = known[place].facts if place in known else {}
    return (
        str(facts.get("room") or facts.get("fed_from") or place) if facts.get("kind") == "printer" else place
    )


def length_of(written: Written) -> float:
    """Return what a cut took off. [mm]"""
    return math.fsum(
        entry.facts["length_mm"] for entry in written.entries if entry.kind == "cut" and "into" in entry.facts
    )
