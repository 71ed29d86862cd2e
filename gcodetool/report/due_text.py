"""What needs a hand, for a person and for a program."""

from typing import Any, Final, TextIO

from gcodetool.judge.due import DueFindings, DueItem
from gcodetool.report.as_text import duration
from gcodetool.report.due_words import due_at, what, why
from gcodetool.report.json_values import fields, utc
from gcodetool.report.layout import Page, plain

SCHEMA: Final = "gcodetool/due/1"
WHEN_WIDTH: Final = 17


def print_due(found: DueFindings, stream: TextIO) -> None:
    """Print what is due to *stream*, and where nothing is, what comes next."""
    page = Page(stream)
    for item in found.due:
        page.hanging(f"{due_at(item.at_s, found.as_of_s):{WHEN_WIDTH}}", line(item))
    if not found.due:
        page.hanging("", f"nothing due within {duration(found.within_s)}")
        for item in found.items[:1]:
            page.hanging("", f"next, {due_at(item.at_s, found.as_of_s)}: {line(item)}")
    for trouble in found.troubles:
        page.hanging("", plain(trouble))


def line(item: DueItem) -> str:
    """Return an item in one line."""
    more = why(item)
    return what(item) + (f": {more}" if more else "")


def due_dict(found: DueFindings) -> dict[str, Any]:
    """Return what ``due --json`` prints."""
    return {
        "schema": SCHEMA,
        "as_of": utc(found.as_of_s),
        "within_s": found.within_s,
        "due": [item_dict(item) for item in found.due],
        "later": [item_dict(item) for item in found.items if item not in found.due],
        "troubles": list(found.troubles),
    }


def item_dict(item: DueItem) -> dict[str, Any]:
    """Return one entry of ``due``."""
    return {
        **fields(item, "kind"),
        "at": utc(item.at_s),
        **fields(item, "spool place job"),
        "what": line(item),
    }
