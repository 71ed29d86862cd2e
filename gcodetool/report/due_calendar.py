"""What needs a hand as a calendar file (RFC 5545), by the library ``icalendar``.

An item keeps its UID from file to file, so a calendar that fetches it again moves the entry instead of adding another.
"""

import hashlib
from datetime import UTC, datetime, timedelta

from gcodetool.errors import UsageError
from gcodetool.judge.due import DueFindings, DueItem
from gcodetool.report.due_words import what, why

LENGTH = timedelta(minutes=15)  # of an entry: so that it can be seen


def calendar(found: DueFindings) -> bytes:
    """Return all items, those later than *within_s* too, as one calendar; what is due now stands at that moment.

    Raises
    ------
    UsageError
        The extra ``serve`` is not installed.
    """
    try:
        from icalendar import Alarm, Calendar, Event
    except ImportError:
        raise UsageError(
            "a calendar needs the extra 'serve'; install it: pip install 'gcodetool[serve]'"
        ) from None
    made = datetime.fromtimestamp(found.as_of_s, UTC).replace(microsecond=0)
    cal = Calendar()
    cal.add("prodid", "-//gcodetool//due//EN")
    cal.add("version", "2.0")
    cal.add("x-wr-calname", "Filament")
    for item in found.items:
        begin = datetime.fromtimestamp(max(item.at_s, found.as_of_s), UTC).replace(microsecond=0)
        event = Event()
        event.add("uid", uid(item))
        event.add("dtstamp", made)
        event.add("dtstart", begin)
        event.add("dtend", begin + LENGTH)
        event.add("summary", what(item))
        if why(item):
            event.add("description", why(item))
        alarm = Alarm()
        alarm.add("action", "DISPLAY")
        alarm.add("description", what(item))
        alarm.add("trigger", timedelta(0))
        event.add_component(alarm)
        cal.add_component(event)
    return bytes(cal.to_ical())


def uid(item: DueItem) -> str:
    """Return what names an entry of the calendar: the thing to do, and about what."""
    text = "\x1f".join((item.kind, item.spool or "", item.place or "", item.job or ""))
    return f"{hashlib.sha256(text.encode()).hexdigest()[:32]}@gcodetool"
