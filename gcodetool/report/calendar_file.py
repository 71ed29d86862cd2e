"""Things to do as a calendar file (RFC 5545), by the library ``icalendar``.

An entry keeps its UID from file to file, so a calendar that fetches it again moves the entry instead of adding another.
Left out: which things (``due_calendar``, ``queue_calendar``).
"""

import hashlib
import importlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from gcodetool.errors import UsageError

LENGTH: Final = timedelta(minutes=15)  # of an entry: so that it can be seen


@dataclass(frozen=True)
class Reminder:
    """One thing to do; ``key`` is what it is about, whenever that is."""

    key: tuple[str, ...]
    at_s: float
    what: str
    why: str = ""


def calendar_library() -> Any:
    """Return the library that writes calendars.

    Raises
    ------
    UsageError
        The extra ``serve`` is not installed.
    """
    try:
        return importlib.import_module("icalendar")
    except ImportError:
        raise UsageError(
            "a calendar needs the extra 'serve'; install it: pip install 'gcodetool[serve]'"
        ) from None


def calendar_of(entries: Iterable[Reminder], as_of_s: float, *, name: str, product: str) -> bytes:
    """Return the entries as one calendar, each with an alarm at its moment; what was due before stands at *as_of_s*.

    Errors as in :func:`calendar_library`.
    """
    library = calendar_library()
    made = datetime.fromtimestamp(as_of_s, UTC).replace(microsecond=0)
    cal = library.Calendar()
    cal.add("prodid", f"-//gcodetool//{product}//EN")
    cal.add("version", "2.0")
    cal.add("x-wr-calname", name)
    for each in entries:
        begin = datetime.fromtimestamp(max(each.at_s, as_of_s), UTC).replace(microsecond=0)
        event = library.Event()
        event.add("uid", uid(each.key))
        event.add("dtstamp", made)
        event.add("dtstart", begin)
        event.add("dtend", begin + LENGTH)
        event.add("summary", each.what)
        if each.why:
            event.add("description", each.why)
        alarm = library.Alarm()
        alarm.add("action", "DISPLAY")
        alarm.add("description", each.what)
        alarm.add("trigger", timedelta(0))
        event.add_component(alarm)
        cal.add_component(event)
    return bytes(cal.to_ical())


def uid(key: Iterable[str]) -> str:
    """Return what names an entry of the calendar: the thing to do, and about what."""
    text = "\x1f".join(key)
    return f"{hashlib.sha256(text.encode()).hexdigest()[:32]}@gcodetool"
