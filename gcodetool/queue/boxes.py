"""Boxes that a reel may stand in while it feeds a printer: which ones, how many reels they take, when they are in use.

Where a box can stand is what the printer's profile says (``feed_places``), its air what the records say.  A box is at
one printer at a time, for one job, until somebody takes the reel out or the box away.  A reel that stands in a box now
keeps its room there.  Left out: the air in it (``judge.feed_air``), which job is fed from it (``search``).
"""

import itertools
from collections.abc import Collection, Mapping
from dataclasses import field
from typing import TYPE_CHECKING, Final

from gcodetool.moisture.record import Place, Spool
from gcodetool.quickdata import dataclass
from gcodetool.tomlfile import nearest

if TYPE_CHECKING:
    from gcodetool.queue.job_list import QueuePrinter

FED: Final = "box"  # the kind of place that a queue feeds a printer from
Span = tuple[float, float]


def standing(spool: Spool, at_s: float) -> Place | None:
    """Return the place that a spool stands in at a moment, by its record; None: it does not say."""
    stays = [event.place for event in spool.events if event.at_s <= at_s and event.place is not None]
    return spool.places.get(stays[-1]) if stays else None


@dataclass(frozen=True)
class FeedBoxes:
    """The boxes of a plan.

    Attributes
    ----------
    at : by printer, the boxes that can stand at it.
    holds : how many reels each takes: as its records state; where they do not, one, or what stands in it now.
    homes : by box, the reels that stand in it now.
    uses : by box, when it is at a printer: never two of them at a time.
    """

    at: Mapping[str | None, tuple[str, ...]] = field(default_factory=dict)
    holds: Mapping[str, int] = field(default_factory=dict)
    homes: Mapping[str, frozenset[str]] = field(default_factory=dict)
    uses: Mapping[str, tuple[Span, ...]] = field(default_factory=dict)

    def lives_in(self, spool: str, box: str) -> bool:
        """Return whether a reel stands in that box when nothing is done with it."""
        return spool in self.homes.get(box, ())

    def take(self, box: str, spools: Collection[str]) -> bool:
        """Return whether a box has room for these reels at a time, beside those that stand in it."""
        return len(self.homes.get(box, frozenset()) | frozenset(spools)) <= self.holds.get(box, 1)

    def feed(self, printer: str | None, box: str, spools: Collection[str]) -> bool:
        """Return whether a box can stand at a printer with these reels in it."""
        return box in self.at.get(printer, ()) and self.take(box, spools)

    def clash(self, boxes: Collection[str], begin_s: float, end_s: float) -> float | None:
        """Return when the last of other uses in that time is over; None: there is none. [s]"""
        ends = [
            end for box in boxes for begin, end in self.uses.get(box, ()) if begin < end_s and begin_s < end
        ]
        return max(ends, default=None)

    def used(self, boxes: Collection[str], begin_s: float, end_s: float) -> "FeedBoxes":
        """Return the boxes with these in use for that time."""
        more = {box: tuple(sorted((*self.uses.get(box, ()), (begin_s, end_s)))) for box in boxes}
        return FeedBoxes(self.at, self.holds, self.homes, {**self.uses, **more})


NO_BOXES: Final = FeedBoxes()


def boxes_at_start(
    printers: Mapping[str, "QueuePrinter"], spools: Mapping[str, Spool], at_s: float, notes: list[str]
) -> FeedBoxes:
    """Return the boxes that printers may be fed from; what the profiles name and no record has is noted."""
    wanted = {
        name: machine.profile.feed_places for name, machine in printers.items() if machine.profile is not None
    }
    named = sorted(set(itertools.chain.from_iterable(wanted.values())))
    known: dict[str, int | None] = {}
    homes: dict[str, set[str]] = {}
    for spool in spools.values():
        for name in named:
            place = spool.places.get(name)
            if place is not None and place.kind == FED:  # of records that differ, the least
                stated = [each for each in (known.get(name), place.slots) if each is not None]
                known[name] = min(stated, default=None)
        here = standing(spool, at_s)
        if here is not None and here.name in named:
            homes.setdefault(here.name, set()).add(spool.id)
    notes += [
        f"{name}, which {machine} may be fed from, is not used: no spool's record has such a box; "
        f"{nearest(name, known)}"
        for machine, places in wanted.items()
        for name in places
        if name not in known and spools
    ]
    return FeedBoxes(
        {name: tuple(each for each in places if each in known) for name, places in wanted.items()},
        {name: slots or max(1, len(homes.get(name, ()))) for name, slots in known.items()},
        {name: frozenset(inside) for name, inside in homes.items()},
    )
