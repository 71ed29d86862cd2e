"""``series``: test series planned, started, filled with results, and compared."""

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gcodetool.app import series_record
from gcodetool.app.drying import DryerQuestion, JobToDryFor, device_of, job_feed
from gcodetool.app.resolve import Moment, clock, find_printer, find_spool, is_spool_file, snapshots_of
from gcodetool.app.series_print import text_digest
from gcodetool.block.block import MELT_ZONE_MM3, PATH_MM, PRIME_MM
from gcodetool.drying.plan import DryingPlan
from gcodetool.drying.plan import plan as make_plan
from gcodetool.errors import UsageError
from gcodetool.gcode.edits import write_atomic
from gcodetool.gcode.program import Program, read
from gcodetool.ledger import series_entries
from gcodetool.ledger.placetables import check_places
from gcodetool.ledger.resultfile import read_results
from gcodetool.ledger.store import open_ledger, reading
from gcodetool.ledger.writers import Written
from gcodetool.moisture.history import State, state_at
from gcodetool.moisture.members import default_members
from gcodetool.moisture.record import Place, Spool
from gcodetool.series.findings import SeriesFindings, findings, spreads_of
from gcodetool.series.plan import Demand, SeriesOutlook, outlook
from gcodetool.series.planfile import COLUMNS, SeriesPlan, read_plan
from gcodetool.series.record import SeriesRecord, Value, checked

if TYPE_CHECKING:
    from gcodetool.profiles import Printer

SeriesWord = str | Path


def series_plan(
    plan: SeriesWord,
    *,
    at: Moment = None,
    members: int | None = None,
    ledger: str | None = None,
    output: str | Path | None = None,
) -> SeriesOutlook:
    """Return what a planned series comes to: strand, states, prints needed, order, calendar.  Nothing is noted.

    Parameters
    ----------
    plan : path of the plan's TOML file.
    at : when it begins.
    members, ledger : as for a check.
    output : also write a page there.

    Raises
    ------
    SeriesError
        The plan says what it cannot mean, or names a place that is not there.
    GcodetoolError
        As a check, of its job and spool.
    """
    found = _looked_ahead(read_plan(plan), at, members, ledger)[0]
    if output is not None:
        from gcodetool.report.html.series import plan_page

        write_atomic(Path(output), [plan_page(found).encode("utf-8", "replace")])
    return found


def series_start(
    plan: SeriesWord,
    *,
    at: Moment = None,
    members: int | None = None,
    ledger: str | None = None,
    force: bool = False,
) -> tuple[SeriesOutlook, Written]:
    """Note a series in the ledger: its plan, the order that was drawn, and its places.  Arguments and errors as before.

    Raises
    ------
    UsageError
        Its spool is a file: the prints of a series are kept in the ledger.
    LedgerError
        It was started before.
    """
    read_ = read_plan(plan)
    found, spool, program = _looked_ahead(read_, at, members, ledger)
    if not spool.in_ledger:
        raise UsageError(
            f"{read_.source}: spool {read_.spool} is a file; a series is kept in the ledger: gcodetool spool import FILE"
        )
    facts = series_record.facts_of(found, sha256=text_digest(program), reel=spool.reel_id)
    done = series_entries.start(
        open_ledger(ledger, make=False), read_.id, facts, read_.places, at_s=clock(at), force=force
    )
    return found, done


def _looked_ahead(
    plan: SeriesPlan, at: Moment, members: int | None, ledger: str | None
) -> tuple[SeriesOutlook, Spool, Program]:
    machine = find_printer(plan.printer, ledger=ledger).profile
    wanted = {place for state in plan.states.values() for place in (state.dryer, state.place) if place}
    rooms = {str(one["room"]) for one in plan.places.values() if "room" in one} - set(plan.places)
    word = str(Path(plan.source).parent / plan.spool) if is_spool_file(plan.spool) else plan.spool
    spool = find_spool(word, ledger=ledger, also=tuple(sorted(wanted | rooms)))
    spool = replace(spool, places={**_own_places(plan, rooms & set(spool.places)), **spool.places})
    state = state_at(spool, clock(at), members=default_members(members), shelf=snapshots_of(ledger)(spool))
    program = read(plan.job, dialect=None if machine is None else machine.dialect)
    demand = _demand(plan, spool, state, machine)

    def dry_plan(now: State, place: str) -> DryingPlan:
        return make_plan(now, device_of(now.spool, now, DryerQuestion(place)), suggest=False)

    earlier = _earlier(plan, ledger)
    return outlook(plan, spool, state, demand, dry_plan=dry_plan, earlier=earlier), spool, program


def _own_places(plan: SeriesPlan, rooms: set[str]) -> dict[str, Place]:
    """Return the places that a plan describes; *rooms* of the shelf may stand around them."""
    stated = {name: dict(one) for name, one in plan.places.items()}
    if not stated:
        return {}
    around: dict[str, dict[str, Any]] = {
        name: {"kind": "sealed"} for name in rooms
    }  # their air is the shelf's to say
    found = check_places({**around, **stated}, plan.source)
    return {name: found[name] for name in stated}


def _demand(plan: SeriesPlan, spool: Spool, state: State, machine: "Printer | None") -> Demand:
    """Return what one print takes; of a hot end that states less, as the block assumes it."""
    feed = job_feed(JobToDryFor(plan.job), spool, state, machine).feed
    area_mm2 = math.pi / 4.0 * spool.diameter_mm**2
    hot_end = None if machine is None else machine.hot_end
    melt_mm3 = (None if hot_end is None else hot_end.melt_zone_mm3) or MELT_ZONE_MM3
    path_mm = (None if hot_end is None else hot_end.path_mm) or PATH_MM
    return Demand(feed.forward_mm, path_mm + melt_mm3 / area_mm2 + PRIME_MM, path_mm, feed.until_s)


def _earlier(plan: SeriesPlan, ledger: str | None) -> dict[str, float]:
    """Return spreads that earlier series of the ledger tell, by the plan's quantities."""
    found = spreads_of([one for one in series_records(ledger=ledger) if one.plan.id != plan.id])
    return {
        quantity.name: found[quantity.name, quantity.unit]
        for quantity in plan.quantities.values()
        if quantity.unit is not None and (quantity.name, quantity.unit) in found
    }


def series_records(*, ledger: str | None = None) -> list[SeriesRecord]:
    """Return every series of the ledger, by id; none where there is no ledger."""
    from gcodetool.ledger import location

    if not location.exists(ledger):
        return []
    with reading(open_ledger(ledger, make=False)) as conn:
        return [series_record.load(conn, name) for name in series_entries.started(conn)]


def series_show(series_id: str, *, ledger: str | None = None) -> SeriesRecord:
    """Return one series of the ledger: its plan, order, prints and values.

    Raises
    ------
    LedgerError
        There is none of that id.
    """
    with reading(open_ledger(ledger, make=False)) as conn:
        return series_record.load(conn, series_id)


def series_result(
    series_id: str,
    values: str | Path | Sequence[Value],
    *,
    at: Moment = None,
    ledger: str | None = None,
    force: bool = False,
) -> Written:
    """Note results: a CSV file, or values; later values correct earlier ones with *force*, and all are kept.

    Raises
    ------
    SeriesError
        A file that cannot be read, or values that the plan has no place for.
    LedgerError
        No such series, or another value is there.
    """
    source, rows = series_id, values
    if isinstance(values, str | Path):
        source = str(values)
        rows = [
            Value(state, number, specimen, quantity, value, line=line)
            for line, state, number, specimen, quantity, value in read_results(Path(values))
        ]
    assert not isinstance(rows, str | Path)
    record = series_show(series_id, ledger=ledger)
    found = checked(record.plan, rows, source)
    return series_entries.note_values(
        open_ledger(ledger, make=False),
        series_id,
        [(one.state, one.print, one.specimen, one.quantity, one.value) for one in found],
        source=Path(source).name if isinstance(values, str | Path) else None,
        at_s=None if at is None else clock(at),
        force=force,
    )


def series_report(
    series_id: str, *, at: Moment = None, ledger: str | None = None, output: str | Path | None = None
) -> SeriesFindings:
    """Return what a series shows and cannot show; *output*: also write a page there.

    Raises
    ------
    LedgerError
        There is no such series.
    UsageError
        scipy is not installed.
    """
    record = series_show(series_id, ledger=ledger)
    found = findings(record, clock(at))
    if output is not None:
        from gcodetool.report.html.series import report_page

        write_atomic(Path(output), [report_page(found).encode("utf-8", "replace")])
    return found


def series_export(series_id: str, output: str | Path, *, ledger: str | None = None) -> int:
    """Write all values of a series to a CSV file, those that were corrected too; return how many."""
    record = series_show(series_id, ledger=ledger)
    counted = {id(value) for value in record.counted}
    prints = record.latest
    text = io.StringIO(newline="")
    sheet = csv.writer(text, lineterminator="\n")
    sheet.writerow([*COLUMNS, "unit", "counts", "wt_pct_p10", "wt_pct_p50", "wt_pct_p90", "spool"])
    for value in record.values:
        made = prints.get((value.state, value.print))
        water = ["", "", ""] if made is None else ["" if one is None else f"{one:.6g}" for one in made.wt_pct]
        cells: list[Any] = [
            *(value.state, value.print, value.specimen, value.quantity, repr(value.value)),
            record.plan.quantities[value.quantity].unit or "rating",
            "yes" if id(value) in counted else "corrected",
            *water,
            "" if made is None else made.spool,
        ]
        sheet.writerow(cells)
    write_atomic(Path(output), [text.getvalue().encode()])
    return len(record.values)


def series_undo(
    series_id: str,
    entry: int | None = None,
    *,
    at: Moment = None,
    ledger: str | None = None,
    force: bool = False,
) -> Written:
    """Cancel the last thing noted of a series, or the one of an entry.  Nothing is erased."""
    at_s = None if at is None else clock(at)
    return series_entries.undo(open_ledger(ledger, make=False), series_id, entry, at_s=at_s, force=force)
