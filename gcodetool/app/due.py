"""``due``: what needs a hand and when, from the record and the forecast of every spool, and from waiting jobs."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Final

from gcodetool.app.drying import StatusQuestion, statuses
from gcodetool.app.places import places
from gcodetool.app.resolve import Moment, clock
from gcodetool.app.spools import spools
from gcodetool.app.waiting import WaitingJob, waiting_jobs
from gcodetool.drying.status import DryingStatus
from gcodetool.drying.status_words import headline, scale_shows, sure_then
from gcodetool.drying.too_hot import too_hot_now
from gcodetool.errors import GcodetoolError
from gcodetool.judge.due import DueFindings as DueFindings  # noqa: PLC0414  # what pages are told
from gcodetool.judge.due import DueItem, of_boxes, of_row
from gcodetool.judge.shelf_findings import ListedSpool, SpoolRow
from gcodetool.ledger import records
from gcodetool.ledger.cold_reels import cold_until
from gcodetool.ledger.entries import MICRO, micro
from gcodetool.ledger.store import open_ledger, reading
from gcodetool.moisture.constants import DAY_S

if TYPE_CHECKING:
    from gcodetool.app.spools import Progress

WITHIN_S: Final = DAY_S  # how far ahead a thing counts as due, unless somebody says


def due(
    *,
    at: Moment = None,
    within_s: float = WITHIN_S,
    members: int | None = None,
    ledger: str | None = None,
    jobs: str | Path | None = None,
    printer: str | None = None,
    progress: "Progress | None" = None,
) -> DueFindings:
    """Return what needs a hand, the first thing first.

    Parameters
    ----------
    at, members, ledger : as for a check.
    within_s : how far ahead a thing counts as due. [s]
    jobs, printer : a folder of sliced files that wait to be printed, and on which machine.
    progress : is told how far the work is.

    Raises
    ------
    LedgerError
        There is no ledger, or it cannot be used.
    UsageError
        *jobs* is no folder.
    """
    now_s = clock(at)
    listed = spools(at=now_s, members=members, ledger=ledger, progress=progress)
    kinds = {each.name: each.kind for each in places(at=now_s, ledger=ledger)}
    waiting = (
        [] if jobs is None else waiting_jobs(jobs, printer=printer, at=now_s, members=members, ledger=ledger)
    )
    return due_of(listed, kinds, waiting, now_s=now_s, within_s=within_s, members=members, ledger=ledger)


def due_of(
    listed: list[ListedSpool],
    kinds: Mapping[str, str],
    waiting: list[WaitingJob],
    *,
    now_s: float,
    within_s: float,
    members: int | None = None,
    ledger: str | None = None,
) -> DueFindings:
    """Return the same from a list of spools, the kind of each place and jobs that are at hand."""
    rows = [each.row for each in listed if each.row is not None]
    items = [item for row in rows for item in of_row(row, kinds, now_s)]
    items += of_boxes(rows, now_s)
    items += _still_cold(rows, now_s, ledger)
    troubles = [f"{each.id}: {each.trouble}" for each in listed if each.trouble is not None]
    asked = StatusQuestion(None, None, now_s, members, None, ledger)
    for row in rows:
        if kinds.get(row.place) == "dryer" and row.word != "empty":
            try:
                for _, _, said in statuses(row.spool, asked):
                    items += _in_dryer(said)
            except GcodetoolError as error:
                troubles.append(f"{row.spool}: {error}")
    for job in waiting:
        if job.start_by_s is not None:
            items.append(DueItem("start-by", job.start_by_s, spool=job.spool, job=job.name))
    ordered = sorted(items, key=lambda item: (item.at_s, item.kind, item.spool or "", item.place or ""))
    return DueFindings(now_s, within_s, tuple(ordered), tuple(troubles))


def _still_cold(rows: list[SpoolRow], now_s: float, ledger: str | None) -> Iterator[DueItem]:
    """Yield when a reel that was brought in from the cold may be opened: until then water condenses on it."""
    late = [row for row in rows if 0.0 <= now_s - row.since_s <= DAY_S and row.word != "empty"]
    if not late:
        return
    with reading(open_ledger(ledger, make=False)) as conn:
        known = records.places(conn)
        for row in late:
            found = cold_until(conn, records.spool(conn, row.spool), known, micro(now_s))
            if found is not None:
                until_us, cold = found
                detail = (
                    f"it comes from {cold.reel_C:.0f} °C, and the dew point in {cold.room} is "
                    f"{cold.dew.dew_point_C:.0f} °C: till then water condenses on it"
                )
                yield DueItem("warm", until_us / MICRO, spool=row.spool, place=row.place, detail=detail)


def _in_dryer(said: DryingStatus) -> Iterator[DueItem]:
    """Yield what a spool in a dryer needs: out, elsewhere, or onto the scale."""
    now_s, about = said.as_of_s, {"spool": said.spool, "place": said.dryer}
    if said.too_hot is not None:
        hot = too_hot_now(said.too_hot).removeprefix(f"{said.spool}: ")
        yield DueItem("take-out", now_s, detail=hot, **about)
        return
    if said.take_out:
        yield DueItem(
            "take-out", now_s, detail=headline(said).removeprefix(f"Take {said.spool} out: "), **about
        )
    elif said.word == "cannot":
        yield DueItem("dry-elsewhere", now_s, detail=headline(said), **about)
    elif said.sure_s is not None:
        yield DueItem("take-out", now_s + said.sure_s, detail=sure_then(said), **about)
    if said.weigh_next is not None:
        shows = f"the scale should show {scale_shows(said.weigh_next)}"
        if said.weigh_next.gross_g is None:  # it was never weighed: less than what?
            shows = f"weigh it now too; {shows}"
        yield DueItem("weigh", now_s + said.weigh_next.at_s, detail=shows, **about)
