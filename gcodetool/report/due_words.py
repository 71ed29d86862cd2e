"""What needs a hand, in sentences: the same in the list, in a calendar and on the page."""

from datetime import datetime

from gcodetool.judge.due import DueItem
from gcodetool.judge.reasons import NOTED_BY
from gcodetool.report.layout import plain

DO = {
    "take-out": "take {spool} out of {place}",
    "dry-elsewhere": "dry {spool} another way",
    "weigh": "weigh {spool}",
    "look": "look at {spool}",
    "too-wet": "{spool} on {place} is too wet to print",
    "passes-marginal": "{spool} on {place} gets too wet to print",
    "put-away": "{spool} gets too wet to print at {place}",
    "desiccant": "the desiccant of {place} is spent",
    "warm": "open {spool}, not before it is warm",
    "start-by": "start {job}, or dry {spool} before it",
}
THEN = {
    "look": "it is not known how wet it is",
    "too-wet": "dry it before the next job",
    "passes-marginal": "print before, or take it back into its box or bag",
    "put-away": "put it into a box or bag before",
    "desiccant": "renew it, and note that",
}


def what(item: DueItem) -> str:
    """Return what is to be done, in few words.

    >>> what(DueItem("passes-marginal", 0.0, spool="pa6-07", place="bench-1"))
    'pa6-07 on bench-1 gets too wet to print'
    """
    return DO[item.kind].format(
        spool=plain(item.spool or "its spool"), place=plain(item.place or ""), job=plain(item.job or "")
    )


def why(item: DueItem) -> str:
    """Return what belongs to it; empty where the few words say all."""
    return plain(item.detail) if item.detail else THEN.get(item.kind, "")


def why_on_page(item: DueItem) -> str:
    """Return the same where forms stand for commands.

    >>> why_on_page(DueItem("look", 0.0, spool="petg-03", detail="look at it, and note it: gcodetool spool inspect …"))
    'look at it'
    """
    return why(item).partition(NOTED_BY)[0]


def due_at(at_s: float, now_s: float) -> str:
    """Return when, as the clock on the wall shows it: "now", the hour of today, or the day with the hour."""
    if at_s <= now_s:
        return "now"
    moment, now = datetime.fromtimestamp(at_s).astimezone(), datetime.fromtimestamp(now_s).astimezone()
    if moment.date() == now.date():
        return moment.strftime("%H:%M")
    return moment.strftime("%a %d %b %H:%M" if at_s - now_s < 6 * 86_400 else "%d %b %Y")
