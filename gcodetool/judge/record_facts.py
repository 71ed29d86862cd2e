"""What a record says by itself, without any forecast: dryings, time in the open, what eyes saw.

Events later than the moment asked about do not count.
"""

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from gcodetool.judge.print_air import KEEPS
from gcodetool.moisture.stays import Stay, stays

if TYPE_CHECKING:
    from gcodetool.moisture.record import Event, Spool


LEAST_DRYING_S: Final = 1800.0  # a shorter stay in a dryer dried nothing (own estimate)


def last_drying(spool: "Spool", at_s: float) -> Stay | None:
    """Return the last drying that began before a moment; None: the record shows none.

    Stays in one dryer that follow each other, at other temperatures, are one drying.
    """
    found: Stay | None = None
    for stay in stays(spool, at_s):
        if kind_of(spool, stay.place) == "dryer":
            goes_on = found is not None and found.place == stay.place and found.end_s == stay.begin_s
            found = Stay(stay.place, found.begin_s if found and goes_on else stay.begin_s, stay.end_s)
    return found


def out_since(spool: "Spool", at_s: float) -> float | None:
    """Return since when a spool is out of dryer and sealed storage; None while it is in one. [s since 1970]"""
    since: float | None = None
    for stay in stays(spool, at_s):
        kept = kind_of(spool, stay.place) in KEEPS
        since = None if kept else stay.begin_s if since is None else since
    return since


def out_for_s(spool: "Spool", at_s: float) -> float:
    """Return how long a spool has been out of dryer and sealed storage; 0 while it is in one. [s]"""
    since = out_since(spool, at_s)
    return 0.0 if since is None else at_s - since


def steam_seen(spool: "Spool", at_s: float) -> bool:
    """Return whether the last look since the last drying saw a wet strand: many bubbles, or popping.

    A later look that saw neither is the user's word that it is gone; one that says nothing of them changes nothing.
    """
    dried = [
        stay.end_s
        for stay in stays(spool, at_s)
        if kind_of(spool, stay.place) == "dryer" and stay.end_s - stay.begin_s >= LEAST_DRYING_S
    ]
    since_s = max(dried, default=-math.inf)
    looks = [
        event.bubbles == "many" or bool(event.pops)
        for event in _until(spool, at_s)
        if event.kind == "inspected"
        and event.at_s >= since_s
        and (event.bubbles is not None or event.pops is not None)
    ]
    return bool(looks) and looks[-1]


def kind_of(spool: "Spool", place: str) -> str | None:
    """Return the kind of a place of the record; None: it is not described."""
    found = spool.places.get(place)
    return None if found is None else found.kind


def _until(spool: "Spool", at_s: float) -> "Iterator[Event]":
    return (event for event in spool.events if event.at_s <= at_s)
