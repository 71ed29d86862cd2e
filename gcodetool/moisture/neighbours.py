"""Which other reels a spool's water rests on: those that stood with it in a closed place, and theirs in turn.

From stays in closed places to what counts of each neighbour's record; plain data.  Left out: finding the
records (``ledger.neighbours`` for the ledger's, ``app.resolve`` for files), and marching them (``company``).
"""

import heapq
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, TypeVar

import numpy as np

from gcodetool.moisture.places import box_of
from gcodetool.moisture.record import Place, Spool
from gcodetool.moisture.stays import stays

SLACK_S: Final = 1e-3  # of moments that were rounded on their way
K = TypeVar("K")

MOST: Final = 8  # neighbours that are followed; a forecast's cost grows with them


@dataclass(frozen=True)
class ClosedStay:
    """A stay in a closed place, `box` whatever tells one such place from another; still there: it ends at inf."""

    box: Any
    begin_s: float
    end_s: float


def closed_stays(spool: Spool) -> list[ClosedStay]:
    """Return a spool's stays in closed places; places of one name and one description are the same place."""
    found = []
    for stay in stays(spool):
        if stay.begin_s < spool.own_from_s:
            continue
        place = spool.places.get(stay.place)
        box = None if place is None else box_of(spool, place)
        if box is not None and shares(spool.places[box]):
            found.append(ClosedStay(described(spool.places[box]), stay.begin_s, stay.end_s))
    return found


def shares(place: Place) -> bool:
    """Return whether spools in a closed place share its air.

    A bag that states neither air nor desiccant is one for each reel: that is how "bag" is written down.
    """
    return place.kind != "sealed" or place.air_L is not None or place.desiccant is not None


def described(place: Place) -> Place:
    """Return what tells one place from another: all that is stated of it but its readings."""
    return replace(place, log=None)


class Meetings:
    """Who stood with whom in closed places.

    Parameters
    ----------
    stays
        Of every spool, in closed places.
    renewals
        Of places whose desiccant is known to stay in until it is renewed: when that was.  There, who stood in
        before counts too.
    """

    def __init__(
        self, stays: Mapping[str, Sequence[ClosedStay]], renewals: Mapping[Any, Sequence[float]]
    ) -> None:
        rows: dict[Any, list[tuple[float, float, str]]] = {}
        for name, each in sorted(stays.items()):
            for stay in each:
                rows.setdefault(stay.box, []).append((stay.begin_s, stay.end_s, name))
        self.stays = stays
        self.renewals = renewals
        self.columns = {
            box: (
                np.array([row[0] for row in each]),
                np.array([row[1] for row in each]),
                [r[2] for r in each],
            )
            for box, each in rows.items()
        }

    def needed(self, name: str) -> tuple[dict[str, float], int]:
        """Return until when the record of each other spool matters to one [s], and how many more than MOST do.

        Those met last come first, then whom these had met by then, and so on.
        """
        until: dict[str, float] = {}
        ahead = [(-end_s, other) for other, end_s in self.met(name, math.inf).items() if other != name]
        heapq.heapify(ahead)
        while ahead and len(until) < MOST:
            end_s, other = heapq.heappop(ahead)
            if other in until:
                continue
            until[other] = -end_s
            for third, met_s in self.met(other, -end_s).items():
                if third not in until and third != name:
                    heapq.heappush(ahead, (-met_s, third))
        return until, len({other for _, other in ahead} - set(until))

    def met(self, name: str, until_s: float) -> dict[str, float]:
        """Return whom a spool stood with up to a moment, and until when that counts [s]."""
        found: dict[str, float] = {}
        for stay in self.stays.get(name, ()):
            if stay.begin_s > until_s:
                continue
            begin, end, names = self.columns[stay.box]
            last_s = min(stay.end_s, until_s)
            there = (begin <= last_s) & (end >= stay.begin_s)
            renewed = self.renewals.get(stay.box)
            if renewed:  # its desiccant goes on from what it held
                fresh_s = max((one for one in renewed if one <= stay.begin_s), default=-math.inf)
                there |= (begin <= last_s) & (end > fresh_s)
            for i in map(int, np.flatnonzero(there)):
                found[names[i]] = max(found.get(names[i], -math.inf), min(last_s, float(end[i])))
        return found


def counted(spool: Spool, until_s: float) -> Spool:
    """Return a neighbour as far as its record matters."""
    events = tuple(event for event in spool.events if event.at_s <= until_s + SLACK_S)
    return replace(spool, events=events, neighbours=(), more_neighbours=0)


def together(spools: Mapping[K, Spool]) -> dict[K, Spool]:
    """Return each spool with those of the others that stood with it in closed places which both describe alike."""
    known = list(spools.values())
    stays = {str(i): closed_stays(spool) for i, spool in enumerate(known)}
    renewals = {stay.box: stay.box.desiccant_fresh_s for each in stays.values() for stay in each}
    meetings = Meetings(stays, renewals)
    found = {}
    for i, (key, spool) in enumerate(spools.items()):
        until, more = meetings.needed(str(i))
        beside = tuple(counted(known[int(other)], end_s) for other, end_s in sorted(until.items()))
        found[key] = replace(spool, neighbours=beside, more_neighbours=more) if beside else spool
    return found
