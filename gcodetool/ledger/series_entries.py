"""What people do with test series, as entries: started, a print noted, results, undone.

The plan's own words, order and seed stand in the first entry; values are added and never changed: a later one corrects.
Left out: what the facts mean (``app.series_record``).
"""

from collections.abc import Mapping, Sequence
from typing import Any, Final

from sqlalchemy import Connection

from gcodetool.errors import DoubtError, LedgerError
from gcodetool.ledger import entries, records
from gcodetool.ledger.entries import Draft, LedgerEntry
from gcodetool.ledger.place_entries import added, care_of, check_places_of
from gcodetool.ledger.store import Ledger
from gcodetool.ledger.writers import Written, refuse_depending, to_undo, write_transaction

Values = Sequence[tuple[str, int, int, str, float]]  # state, print, specimen, quantity, value

SLIP: Final = 5.0  # so many times the middle of the others, or less than that part of it: asked about


def started(conn: Connection) -> dict[str, list[LedgerEntry]]:
    """Return what counts of each series that was started and not taken back, by id."""
    found = {}
    for name, rows in sorted(entries.by_name(entries.of(conn, "series")).items()):
        counted = entries.live(rows)
        if any(entry.kind == "added" for entry in counted):
            found[name] = counted
    return found


def one(conn: Connection, series_id: str) -> list[LedgerEntry]:
    """Return what counts of one series, its beginning first.

    Raises
    ------
    LedgerError
        There is none of that id.
    """
    counted = entries.live(entries.of(conn, "series", series_id))
    begins = [i for i, entry in enumerate(counted) if entry.kind == "added"]
    if not begins:
        known = ", ".join(started(conn)) or "none"
        raise LedgerError(
            f"no series '{series_id}'; known: {known} (a new one: gcodetool series start PLAN.toml)"
        )
    return counted[begins[-1] :]


def start(
    ledger: Ledger,
    series_id: str,
    facts: Mapping[str, Any],
    places: Mapping[str, dict[str, Any]],
    *,
    at_s: float | None = None,
    force: bool = False,
) -> Written:
    """Note a series, and add those of its plan's places that the ledger has not.

    Raises
    ------
    LedgerError
        It was started already, or a place differs from the ledger's.
    """
    with write_transaction(ledger, at_s, force=force) as (conn, at_us):
        if series_id in started(conn):
            raise LedgerError(
                f"series '{series_id}' was started already; 'gcodetool series undo {series_id}' takes it back"
            )
        known = records.places(conn)
        new = {name: stated for name, stated in places.items() if name not in known}
        notes = [care for stated in new.values() for care in care_of(stated)]
        notes += [
            f"{name}: the ledger's place of that name counts, not the plan's"
            for name, stated in places.items()
            if name in known and known[name].facts != stated
        ]
        drafts = [Draft("series", series_id, "added", at_us, dict(facts)), *added(conn, new, at_us)]
        written = entries.append(conn, drafts)
        check_places_of(conn)
        return Written(tuple(written), tuple(notes))


def note_print(
    ledger: Ledger, series_id: str, facts: Mapping[str, Any], *, at_s: float | None = None
) -> Written:
    """Note what a print of a series is made of.  Errors as in :func:`one`."""
    with write_transaction(ledger, at_s, force=True) as (conn, at_us):
        one(conn, series_id)
        return Written(
            tuple(entries.append(conn, [Draft("series", series_id, "printed", at_us, dict(facts))]))
        )


def note_values(
    ledger: Ledger,
    series_id: str,
    values: Values,
    *,
    source: str | None = None,
    at_s: float | None = None,
    force: bool = False,
) -> Written:
    """Note values; those there already are not written again.

    Raises
    ------
    LedgerError
        Another value of the same specimen is there (unless *force*: then it is corrected, and both are kept).
    """
    with write_transaction(ledger, at_s, force=force) as (conn, at_us):
        there = {
            tuple(row[:4]): row[4]
            for entry in one(conn, series_id)
            if entry.kind == "result"
            for row in entry.facts["values"]
        }
        new = [row for row in values if there.get(row[:4]) != row[4]]
        other = [row for row in new if row[:4] in there]
        if other and not force:
            state, number, specimen, quantity, value = other[0]
            more = f", and {len(other) - 1} more" if len(other) > 1 else ""
            raise DoubtError(
                f"{series_id}: {state}, print {number}, specimen {specimen}, {quantity} is there with "
                f"{there[other[0][:4]]:g}, not {value:g}{more}; add --force to correct: both values are kept"
            )
        notes = [f"new: {len(new) - len(other)}; there already: {len(values) - len(new)}"]
        if other:
            notes.append(f"corrected: {len(other)}; the earlier ones are kept")
        if not new:
            return Written((), (*notes, "nothing written"))
        notes += _slips(new, there)
        facts: dict[str, Any] = {"values": [list(row) for row in new]}
        if source is not None:
            facts["source"] = source
        return Written(
            tuple(entries.append(conn, [Draft("series", series_id, "result", at_us, facts)])), tuple(notes)
        )


def _slips(new: Values, there: Mapping[tuple[Any, ...], float]) -> list[str]:
    """Return a note for each new value that is so far from the others of its state that a decimal point may be missing."""
    import statistics  # little else of a ledger needs it

    all_of = {**there, **{row[:4]: row[4] for row in new}}
    notes = []
    for state, number, specimen, quantity, value in new:
        others = [
            other
            for key, other in all_of.items()
            if (key[0], key[3]) == (state, quantity) and key[:4] != (state, number, specimen, quantity)
        ]
        middle = statistics.median(others) if others else 0.0
        if min(value, middle) > 0.0 and not 1.0 / SLIP < value / middle < SLIP:
            notes.append(
                f"{state}, print {number}, specimen {specimen}: {quantity} is {value:g}, the others of this state are "
                f"about {middle:g}; if a decimal point slipped, correct it with --force"
            )
    return notes


def undo(
    ledger: Ledger,
    series_id: str,
    number: int | None = None,
    *,
    at_s: float | None = None,
    force: bool = False,
) -> Written:
    """Cancel the last thing noted of a series, or the one of an entry; an undo, too.

    Places that it brought stay.  Errors: no such series or entry, undone already, or others rest on it.
    """
    with write_transaction(ledger, at_s, force=force) as (conn, at_us):
        rows = entries.of(conn, "series", series_id)
        if not rows:
            one(conn, series_id)
        targets, draft = to_undo("series", series_id, rows, number, at_us)
        if any(entry.kind == "added" for entry in targets) and not force:
            refuse_depending(series_id, [entry for entry in entries.live(rows) if entry not in targets])
        return Written(tuple(entries.append(conn, [draft])))
