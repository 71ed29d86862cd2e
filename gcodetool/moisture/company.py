"""Records of spools that stood together, replayed side by side in order of time.

A spool alone in its place goes on by itself, and only when something happens to it; those in one closed place
go on together (``shared_air``), and stop at whatever happens to one of them.  So moving one out changes the
others' future only.  Spools that were one strand until a cut are one there, too: the first of them lives through its
past, and the others begin where they parted.  Left out: one spool's own events (``history``), who belongs together
(``neighbours``).
"""

import itertools
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final, Generic, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture.air import Air
from gcodetool.moisture.cutting import parting
from gcodetool.moisture.desiccant_charge import Charges
from gcodetool.moisture.doubts import Doubts
from gcodetool.moisture.field import SpoolIntegrator, first_step_s
from gcodetool.moisture.members import air_as_met, spread_over
from gcodetool.moisture.neighbours import described, shares
from gcodetool.moisture.places import Surroundings, box_of, place_of, stretches
from gcodetool.moisture.polymer import Polymer
from gcodetool.moisture.record import Event, Place, Spool
from gcodetool.moisture.shared_air import FIRST_SLICE_S, Companion, SharedIntegrator

Floats = NDArray[np.float64]
Picture = tuple[dict[str, Any], dict[str, Floats]]  # of one replay: small facts, and arrays

NEIGHBOURS_WORTH: Final = 1  # all neighbours together have at most so many times the spool's own members


class Replayed(Protocol):
    """What a replay of one record shows to those beside it (`history` has it)."""

    spool: Spool
    polymer: Polymer
    doubts: Doubts | None
    now_s: float
    at_s: float
    place: str
    box: str | None
    since_s: float
    fresh: bool
    previous: Air | None
    enclosed: Air | None
    reel: SpoolIntegrator | None
    path: SpoolIntegrator | None
    charges: Charges

    def until(self, at_s: float) -> None:
        """March through the present stay, alone."""

    def begin_as(self, other: Any) -> None:
        """Go on from where another replay of the same strand stands."""

    def expect(self, events: Sequence[Event]) -> None:
        """Be told all events that will happen."""

    def waits(self, event: Event) -> bool:
        """Take a feed together with those before it, or say no."""

    def apply(self, event: Event) -> None:
        """Let an event happen."""

    def settle(self) -> None:
        """Go on from the numbers alone."""

    def note_once(self, text: str) -> None:
        """Add a note unless it stands there."""

    def capture(self) -> None:
        """Keep a picture of the present moment."""


R = TypeVar("R", bound=Replayed)


def members_beside(members: int, neighbours: int) -> int:
    """Return how many members each neighbour has: halved until all of them together are few enough.

    >>> members_beside(64, 1), members_beside(64, 5), members_beside(1, 5)
    (64, 8, 1)
    """
    count = members
    while count > 1 and count * neighbours > NEIGHBOURS_WORTH * members:
        count //= 2
    return count


def until(spool: Spool, now_s: float) -> list[Event]:
    """Return a spool's events up to a moment, in order of time."""
    return sorted((event for event in spool.events if event.at_s <= now_s), key=lambda event: event.at_s)


def together_picture(pictures: Sequence[Picture | None]) -> Picture:
    """Return the pictures of some replays as one; None of a spool that is not in yet."""
    facts = {"replays": [None if one is None else one[0] for one in pictures]}
    arrays = {
        f"{i} {name}": array
        for i, one in enumerate(pictures)
        if one is not None
        for name, array in one[1].items()
    }
    return facts, arrays


def pictures_of(facts: dict[str, Any], arrays: dict[str, Floats]) -> list[Picture | None]:
    """Return the pictures of some replays from one; the way back from `together_picture`."""
    found: list[Picture | None] = []
    for i, one in enumerate(facts["replays"]):
        head = f"{i} "
        mine = {name.removeprefix(head): array for name, array in arrays.items() if name.startswith(head)}
        found.append(None if one is None else (one, mine))
    return found


class Company(Generic[R]):
    """Replays side by side, and of each the events that count; the first one is asked for.

    All share what is known of desiccants.
    """

    def __init__(self, replays: Sequence[R], events: Sequence[Sequence[Event]]) -> None:
        self.replays = list(replays)
        self.events = [list(each) for each in events]
        self.partings = self._partings()
        for one in self.replays[1:]:
            one.charges.loads = self.replays[0].charges.loads

    def _partings(self) -> dict[int, tuple[int, int, int]]:
        """Return, of replays that were one strand with an earlier one: which, and how many events of each until then."""
        found: dict[int, tuple[int, int, int]] = {}
        for i, one in enumerate(self.replays):
            for before, other in enumerate(self.replays[:i]):
                parted = parting(other.spool, self.events[before], one.spool, self.events[i])
                if parted is not None and (i not in found or parted[1] > found[i][2]):
                    found[i] = (before, *parted)
        return found

    def through(self, seen: Sequence[int] | None = None) -> None:
        """Let the events of each replay happen, in order of time; ties by order of replays, then of the record.

        *seen*: how many of each happened already; None: none.
        """
        for one, each in zip(self.replays, self.events, strict=True):
            one.expect(each)
        order = sorted(
            (event.at_s, i, number)
            for i, each in enumerate(self.events)
            for number, event in enumerate(each)
            if seen is None or number >= seen[i]
        )
        for at_s, i, number in order:
            self._part(i, number, at_s)
            one, event = self.replays[i], self.events[i][number]
            if i in self.partings and number < self.partings[i][2]:
                continue  # another one lives through it
            if len(self._with(one)) == 1 and one.waits(event):
                continue
            beside = [*self._with(one), *self._in(self._goes_to(one, event))]
            for group in (self._with(one), self._in(self._goes_to(one, event))):
                self._advance(group, at_s)
            one.apply(event)
            for other in beside:
                if other is not one:
                    other.settle()

    def _part(self, i: int, number: int, at_s: float) -> None:
        """Before one's event: let those begin that were one strand until then."""
        for late, (before, shared, own) in self.partings.items():
            begins = (i == before and number >= shared) or (i == late and number >= own)
            if begins and self.replays[late].reel is None:
                self._advance(self._with(self.replays[before]), at_s)
                self.replays[late].begin_as(self.replays[before])

    @property
    def own(self) -> R:
        """The replay that is asked for."""
        return self.replays[0]

    def capture(self) -> None:
        """Let every replay keep a picture of where it stands."""
        for one in self.replays:
            if one.reel is not None:
                one.capture()

    def until(self, at_s: float) -> None:
        """March on to a moment, as far as the first replay is concerned."""
        self._advance(self._with(self.replays[0]), at_s)

    def beside(self) -> tuple[Companion, ...]:
        """Return the others in the first one's closed place."""
        first = self.own
        return tuple(
            Companion(one.reel.field(), one.polymer)
            for one in self._with(first)
            if one is not first and one.reel is not None
        )

    def names_beside(self) -> list[str]:
        """Return the ids of these others."""
        return [one.spool.id for one in self._with(self.own) if one is not self.own]

    def _with(self, one: R) -> list[R]:
        """Return all that stand in the same closed place; a spool in the open, or not yet in, is alone."""
        return (None if one.reel is None else self._in(_box(one))) or [one]

    def _in(self, box: Place | None) -> list[R]:
        if box is None:
            return []
        return [one for one in self.replays if one.reel is not None and _box(one) == box]

    def _goes_to(self, one: Replayed, event: Event) -> Place | None:
        """Return the closed place that a spool is put into."""
        if event.place is None:
            return None
        return _shared(one.spool, box_of(one.spool, place_of(one.spool, event.place, event.line)))

    def _advance(self, group: list[R], at_s: float) -> None:
        if len(group) < 2:
            for one in group:
                one.until(at_s)
            return
        main = max(group, key=lambda one: one.polymer.members)
        while main.at_s < at_s:
            renewals = main.charges.renewals(main.box)
            end_s = min([at_s, *(one for one in renewals if one > main.at_s)])
            self._stay(group, main, end_s)
            for one in group:
                one.at_s = end_s
            if end_s in renewals and main.box is not None:  # the box is opened for it
                main.charges.renew(main.box)
                for one in group:
                    one.fresh = True

    def _stay(self, group: list[R], main: R, end_s: float) -> None:
        """March on in the same place, together."""
        closed_by = min(group, key=lambda one: one.since_s)
        previous = air_as_met(closed_by.previous, main.polymer.members)
        plans = [
            list(
                stretches(
                    one.spool,
                    one.place,
                    main.at_s,
                    end_s,
                    now_s=one.now_s,
                    previous=previous if one is main else None,
                    doubts=one.doubts,
                )
            )
            for one in group
        ]
        bounds = sorted({at for plan in plans for begin, end, _ in plan for at in (begin, end)})
        for begin, end in itertools.pairwise(bounds):
            arounds = [next(air for start, stop, air in plan if start <= begin < stop) for plan in plans]
            if arounds[0].reel.closed:
                _march(group, arounds, group.index(main), begin, end)
            else:  # its air is as read
                for one, around in zip(group, arounds, strict=True):
                    _expose(one, around, begin, end)
        if all(plan[-1][0] == plan[-1][1] for plan in plans):  # and what it holds since the last reading
            _march(group, [plan[-1][2] for plan in plans], group.index(main), end_s, end_s)


def _box(one: Replayed) -> Place | None:
    return _shared(one.spool, one.box)


def _shared(spool: Spool, box: str | None) -> Place | None:
    place = None if box is None else spool.places[box]
    return described(place) if place is not None and shares(place) else None


def _expose(one: Replayed, around: Surroundings, begin_s: float, end_s: float) -> None:
    """March one of a group on in air that is known."""
    assert one.reel is not None
    first_s = first_step_s(end_s - begin_s, anew=one.fresh)
    one.fresh = False
    for march, air in ((one.reel, around.reel), (one.path, around.path)):
        if march is not None:
            march.surround(air)
            march.run(end_s - begin_s, first_s=first_s)


def _march(
    group: Sequence[Replayed], arounds: list[Surroundings], at: int, begin_s: float, end_s: float
) -> None:
    """March a group on in constant surroundings; the one *at* that place in it has the most members."""
    main, air = group[at], arounds[at].reel
    assert main.reel is not None
    fresh = any(one.fresh for one in group) or arounds[at].corrected
    first_s = FIRST_SLICE_S if fresh else min(300.0, (end_s - begin_s) / 8.0)
    held = [one.reel.field().store_kg for one in group if one.reel is not None and not one.fresh]
    if held and held[0] is not None and not arounds[at].corrected:
        store = spread_over(held[0], main.polymer.members)
    else:
        main.reel.surround(air, loaded_kg=main.charges.load(arounds[at], begin_s, main.polymer.members))
        store = main.reel.held_kg()
    others = [one for one in group if one is not main]
    march = SharedIntegrator(
        replace(main.reel.field(), store_kg=store),
        main.polymer,
        [Companion(one.reel.field(), one.polymer) for one in others if one.reel is not None],
    )
    march.surround(air, again=True)
    march.run(end_s - begin_s, first_s=first_s)
    said = main.charges.look(
        arounds[at],
        held_kg=march.held_kg(),
        spent_s=march.spent_s(),
        begin_s=begin_s,
        end_s=end_s,
        since_s=main.since_s,
    )
    fields = [
        (main, march.field()),
        *((one, each.field) for one, each in zip(others, march.company, strict=True)),
    ]
    for one, field in fields:
        store = spread_over(march.held_kg(), one.polymer.members)
        one.reel = SpoolIntegrator(replace(field, store_kg=store), one.polymer)
    for one, around in zip(group, arounds, strict=True):
        if fresh:
            one.enclosed = around.reel
        if said is not None:
            one.note_once(said)
        if one.path is not None:
            one.path.surround(around.path)
            one.path.run(end_s - begin_s, first_s=first_s)
        one.fresh = False
