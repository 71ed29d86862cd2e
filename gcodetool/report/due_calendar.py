"""What needs a hand as a calendar (``calendar_file``)."""

from gcodetool.judge.due import DueFindings, DueItem
from gcodetool.report.calendar_file import Reminder, calendar_of
from gcodetool.report.due_words import what, why


def calendar(found: DueFindings) -> bytes:
    """Return all items, those later than *within_s* too, as one calendar; errors as in :func:`calendar_library`."""
    entries = (Reminder(key(item), item.at_s, what(item), why(item)) for item in found.items)
    return calendar_of(entries, found.as_of_s, name="Filament", product="due")


def key(item: DueItem) -> tuple[str, ...]:
    """Return what an item is about: the thing to do, the spool, the place, the job."""
    return item.kind, item.spool or "", item.place or "", item.job or ""
