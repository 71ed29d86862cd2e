"""Where a spool was, from when to when: the places that a record's moves walk through.

Left out: what kind of place each is (``places``), and what short absences mean (``drying.runs``).
"""

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, NamedTuple, TypeVar

if TYPE_CHECKING:
    from gcodetool.moisture.record import Event, Spool

T = TypeVar("T", int, float)
W = TypeVar("W")


class Stay(NamedTuple):
    """A stay in one place, from begin to end. [s since 1970]"""

    place: str
    begin_s: float
    end_s: float


def spans(moves: Sequence[tuple[T, W]], end: T) -> list[tuple[T, T, W]]:
    """Return (begin, end, what it began with) of stays that follow each other; the last one ends at *end*.

    >>> spans([(1, "bench"), (4, "oven")], 9)
    [(1, 4, 'bench'), (4, 9, 'oven')]
    """
    ends = [at for at, _ in moves[1:]] + [end]
    return [(begin, until, what) for (begin, what), until in zip(moves, ends, strict=False)]


def stays(spool: "Spool", at_s: float = math.inf) -> list[Stay]:
    """Return the stays of a spool up to a moment, in order; the last one ends at that moment."""
    return stays_in(spool.events, at_s)


def joined(found: Iterable[Stay], gap_s: float) -> list[Stay]:
    """Return stays with those of one place that follow each other within a gap as one.

    >>> joined([Stay("oven", 0.0, 5.0), Stay("oven", 6.0, 9.0), Stay("oven", 20.0, 21.0)], 2.0)
    [Stay(place='oven', begin_s=0.0, end_s=9.0), Stay(place='oven', begin_s=20.0, end_s=21.0)]
    """
    one: list[Stay] = []
    for stay in found:
        if one and one[-1].place == stay.place and stay.begin_s - one[-1].end_s <= gap_s:
            one[-1] = Stay(stay.place, one[-1].begin_s, stay.end_s)
        else:
            one.append(stay)
    return one


def stays_in(events: "Iterable[Event]", at_s: float) -> list[Stay]:
    """Return the stays that events tell of; those later than the moment do not count."""
    moves = [(one.at_s, one.place) for one in events if one.place is not None and one.at_s <= at_s]
    return [Stay(place, begin_s, end_s) for begin_s, end_s, place in spans(moves, at_s)]
