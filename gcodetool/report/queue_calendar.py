"""What a plan asks people to do as a calendar (``calendar_file``), with the cautions of heat where a reel is put in."""

from pathlib import PurePath

from gcodetool.queue.findings import HandOff, QueueFindings
from gcodetool.report.calendar_file import Reminder, calendar_of
from gcodetool.report.layout import plain
from gcodetool.report.queue_text import handoff


def calendar(found: QueueFindings) -> bytes:
    """Return the list of what is to be done by hand as one calendar; errors as in :func:`calendar_library`."""
    paths = {row.number: PurePath(row.path).name for row in found.rows}
    entries = (
        Reminder(
            (*key(each), paths.get(each.number or 0, "")),
            each.at_s,
            plain(handoff(each, paths, each.at_s)),
            heat(found, each),
        )
        for each in found.handoffs
    )
    return calendar_of(entries, found.as_of_s, name="Queue", product="queue")


def key(each: HandOff) -> tuple[str, ...]:
    """Return what a hand-off is about."""
    return "queue", each.action, each.where or "", *each.spools, str(each.number or "")


def heat(found: QueueFindings, each: HandOff) -> str:
    """Return the cautions of a drying, or of waiting in a dryer, that begins with a hand-off, a line each; else none."""
    if each.action != "put-in":
        return ""
    said = (
        caution
        for one in found.inside
        if (one.dryer, one.in_s) == (each.where, each.at_s) and one.spool in each.spools
        for caution in one.cautions
    )
    return "\n".join(dict.fromkeys(plain(each) for each in said))
