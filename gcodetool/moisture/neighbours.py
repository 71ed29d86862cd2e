"""Which other reels a spool's water rests on: those that stood with it in a closed place, and theirs in turn.

From stays in closed places to what counts of each neighbour's record; plain data.  A sample stood, before it was cut
off, where its reel did: as the same strand, so it counts there once.  Left out: finding the
records (``ledger.neighbours`` for the ledger's, ``app.resolve`` for files), and marching them (``company``).
"""

import heapq
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final, TypeVar

import numpy as np

from gcodetool.moisture.cutting import before_cut
from gcodetool.moisture.places import box_of
from gcodetool.moisture.record import Place, Spool
from gcodetool.moisture.stays import stays
from gcodetool.quickdata import dataclass

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
    """Return a spool's own stays in closed places, none of what it was cut off.

    Places of one name and one description are the same place.
    """
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
    cuts
        Of samples: what each was cut off, and when [s].
    """

    def __init__(
        self,
        stays: Mapping[str, Sequence[ClosedStay]],
        renewals: Mapping[Any, Sequence[float]],
        cuts: Mapping[str, tuple[str, float]] | None = None,
    ) -> None:
        rows: dict[Any, list[tuple[float, float, str]]] = {}
        for name, each in sorted(stays.items()):
            for stay in each:
                rows.setdefault(stay.box, []).append((stay.begin_s, stay.end_s, name))
        self.stays = stays
        self.renewals = renewals
        self.cuts = cuts or {}
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

        Those met last come first, then whom these had met by then, and so on.  What a sample among them (or *name*
        itself) was cut off is not named again for the time that the sample's own record tells of.
        """
        until: dict[str, float] = {}
        ahead = [(-end_s, other) for other, end_s in self.met(name, math.inf).items() if other != name]
        heapq.heapify(ahead)
        while ahead and len(until) < MOST:
            end_s, other = heapq.heappop(ahead)
            if other in until or self._told_by((name, *until), other, -end_s):
                continue
            until[other] = -end_s
            for third, met_s in self.met(other, -end_s).items():
                if third not in until and third != name:
                    heapq.heappush(ahead, (-met_s, third))
        more = {other for end_s, other in ahead if not self._told_by((name, *until), other, -end_s)}
        return until, len(more - set(until))

    def _told_by(self, names: Iterable[str], other: str, until_s: float) -> bool:
        """Return whether one of *names* was cut off *other* at that moment or later."""
        return any(who == other and last_s >= until_s for name in names for who, last_s in self._was(name))

    def _was(self, name: str) -> Iterator[tuple[str, float]]:
        """Yield what a sample was before, and until when [s]; of other spools nothing."""
        until_s = math.inf
        while name in self.cuts:
            name, cut_s = self.cuts[name]
            until_s = min(until_s, cut_s)
            yield name, until_s

    def met(self, name: str, until_s: float) -> dict[str, float]:
        """Return whom a spool stood with up to a moment, and until when that counts [s]."""
        found: dict[str, float] = {}
        for who, mine_s in ((name, math.inf), *self._was(name)):
            for other, last_s in self._met_as(who, min(until_s, mine_s)).items():
                if other != who:
                    found[other] = max(found.get(other, -math.inf), last_s)
        return found

    def _met_as(self, name: str, until_s: float) -> dict[str, float]:
        """Return the same of one's own stays."""
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
    known, cuts = _with_origins(list(spools.values()))
    stays = {str(i): closed_stays(spool) for i, spool in enumerate(known)}
    for unnamed in range(len(spools), len(known)):  # nobody says where it was after the cut
        cut_s = max(at_s for parent, at_s in cuts.values() if parent == str(unnamed))
        stays[str(unnamed)] = [replace(one, end_s=min(one.end_s, cut_s)) for one in stays[str(unnamed)]]
    renewals = {stay.box: stay.box.desiccant_fresh_s for each in stays.values() for stay in each}
    meetings = Meetings(stays, renewals, cuts)
    found = {}
    for i, (key, spool) in enumerate(spools.items()):
        until, more = meetings.needed(str(i))
        beside = tuple(counted(known[int(other)], end_s) for other, end_s in sorted(until.items()))
        found[key] = replace(spool, neighbours=beside, more_neighbours=more) if beside else spool
    return found


def _with_origins(spools: list[Spool]) -> tuple[list[Spool], dict[str, tuple[str, float]]]:
    """Return spools, with what samples among them were cut off where nobody named it, and the cuts, by their numbers."""
    known = list(spools)
    cuts: dict[str, tuple[str, float]] = {}
    ahead = sorted((i for i, one in enumerate(known) if one.origins), key=lambda i: -known[i].own_from_s)
    while ahead:  # the one cut off last first: its record tells most of what it was cut off
        number = ahead.pop(0)
        sample = known[number]
        named = (
            i
            for i, one in enumerate(known)
            if one.id == sample.origins[-1].id and any(event.into == sample.id for event in one.events)
        )
        parent = next(named, len(known))
        if parent == len(known):
            known.append(before_cut(sample))
            if known[parent].origins:
                ahead.append(parent)
        cuts[str(number)] = (str(parent), sample.own_from_s)
    return known, cuts
