"""What the page notes: the same writers as the commands, each form once.

Left out: reading what was filled in (``serve``).
"""

import functools
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Literal

from gcodetool import profiles
from gcodetool.changes import collected
from gcodetool.errors import LedgerError
from gcodetool.ledger import dryings, entries, place_entries, writers
from gcodetool.ledger.access import digest
from gcodetool.ledger.forms import Form
from gcodetool.ledger.location import place_of
from gcodetool.ledger.store import open_ledger, reading
from gcodetool.report.shelf_text import Happened
from gcodetool.tomlfile import shown

if TYPE_CHECKING:
    from gcodetool.ledger.store import Ledger
    from gcodetool.ledger.writers import Written

Subject = Literal["spool", "place"]


@dataclass(frozen=True)
class Noted:
    """What was noted, as lines of a history, and what is to be said about it."""

    subject: Subject
    name: str
    happened: tuple[Happened, ...]
    notes: tuple[str, ...] = ()


def _undo_spool(ledger: "Ledger", name: str, **values: Any) -> "Written":
    return writers.undo(ledger, name, **values)


def _came_out(
    ledger: "Ledger", name: str, *, at_s: float | None = None, force: bool = False, **said: str | None
) -> "Written":
    return writers.outcome(ledger, name, said, at_s=at_s, force=force)


def _renewed(
    ledger: "Ledger", name: str, *, at_s: float | None = None, force: bool = False, **charge: Any
) -> "Written":
    return place_entries.renew(ledger, name, charge, at_s=at_s, force=force)


def _new(
    ledger: "Ledger",
    place: str,
    *,
    spool_id: str,
    facts: Mapping[str, Any],
    at_s: float | None = None,
    force: bool = False,
    **came: Any,
) -> "Written":
    for kind, word in (("materials", facts["material"]), ("spool-bodies", facts["body"]["material"])):
        if word is not None and word not in profiles.names(kind):  # a page names no file of this machine
            raise LedgerError(f"{shown(word)}: choose one of the names in the list")
    return writers.add_spool(ledger, spool_id, facts, place=place, at_s=at_s, force=force, **came)


ACTIONS: Final[Mapping[tuple[Subject, str], Callable[..., Any]]] = {
    ("spool", "move"): writers.move,
    ("spool", "weigh"): writers.weigh,
    ("spool", "dry"): dryings.dried,
    ("spool", "look"): writers.inspect,
    ("spool", "feed"): writers.fed,
    ("spool", "outcome"): _came_out,
    ("spool", "undo"): _undo_spool,
    ("place", "read"): place_entries.read,
    ("place", "renew"): _renewed,
    ("place", "new"): _new,
    ("place", "undo"): place_entries.undo_place,
}


def note(
    subject: Subject,
    name: str,
    what: str,
    values: Mapping[str, Any],
    *,
    key: str,
    seen: int | None = None,
    who: str = "",
    at_s: float | None = None,
    force: bool = False,
    ledger: str | None = None,
) -> Noted:
    """Note one thing of a spool or a place, once for each *key*.

    Parameters
    ----------
    what
        A word of `ACTIONS`.
    values
        What its writer takes by keyword.  A new reel is noted at its place, and what comes back is about the reel.
    key, seen, who
        Of the form: unlike any other; the last entry that its page knew, None where a move does not matter; the name
        of the device that sent it, empty where nobody was asked.

    Raises
    ------
    FormUsedError, MovedMeanwhileError
        The form was sent before, or what it is about went elsewhere.
    LedgerError, SpoolError
        As the writer.
    """
    filled_in = json.dumps(
        [subject, name, what, dict(values), at_s is None, force], sort_keys=True, default=str
    )
    form = Form(digest(key), digest(filled_in), subject, name, seen, who)
    handle = replace(opened(ledger), form=form)
    with collected():  # what one form changed is no last word of a command that goes on for days
        done: Written = ACTIONS[subject, what](handle, name, at_s=at_s, force=force, **values)
    if what == "new":
        subject, name = "spool", values["spool_id"]
    return Noted(subject, name, tuple(history_of(list(done.entries))), done.notes)


def opened(word: str | None) -> "Ledger":
    """Return a ledger, opened once for all that a server asks of it.

    Raises
    ------
    LedgerError
        There is none, or it cannot be used.
    """
    return _opened(place_of(word))


@functools.lru_cache(maxsize=4)
def _opened(place: str) -> "Ledger":
    return open_ledger(place, make=False)


def stock() -> tuple[list[str], list[str]]:
    """Return the materials and the reels' bodies that a new reel may be of, by name."""
    return profiles.names("materials"), profiles.names("spool-bodies")


def history(subject: Subject, name: str, *, ledger: str | None = None) -> list[Happened]:
    """Return what was noted of a spool or a place, in the order in which it was written."""
    with reading(opened(ledger)) as conn:
        return history_of(entries.of(conn, subject, name))


def newest(*, ledger: str | None = None) -> int:
    """Return the number of the last entry of all; 0 where there is none."""
    with reading(opened(ledger)) as conn:
        return entries.newest(conn)


def history_of(rows: Sequence[entries.LedgerEntry]) -> list[Happened]:
    """Return entries as lines of a history."""
    gone = entries.cancelled(rows)
    return [
        Happened(entry.number, entry.at_s, entry.kind, entry.facts, gone.get(entry.number), entry.who or None)
        for entry in rows
    ]
