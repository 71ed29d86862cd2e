"""The air at the feed: a job fed from a box, the most humid box that would do, and which of the workshop's does.

A box at the feed stands around the reel; the strand still crosses the room on its way to the drive gear.  How humid
it may be is told as its hygrometer shows it, which may be as far off as any that a record states.
Left out: what a strand in the box itself gives off or takes up from others there.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

from gcodetool.errors import GcodetoolError, UsageError
from gcodetool.judge.feed_judgement import extremes, judged_by
from gcodetool.judge.findings import BoxAtFeed, FeedNeed
from gcodetool.judge.outcomes import headroom
from gcodetool.judge.print_air import PrintAir
from gcodetool.judge.verdict_codes import Code, worse
from gcodetool.moisture.air import room_air
from gcodetool.moisture.constants import DAY_S
from gcodetool.moisture.doubts import of_reading
from gcodetool.moisture.forecast import ROUGH_OFF, forecast
from gcodetool.moisture.history import State, Surroundings, surroundings
from gcodetool.moisture.places import FAR_FROM_READING_S, keeps_books
from gcodetool.moisture.record import Place, Spool
from gcodetool.motion.feed import ToolFeed
from gcodetool.shell import shell_word

FEEDS: Final = ("box", "dryer")  # kinds of place that a strand can leave for a printer
ANY_BOX: Final = "a box at the feed"  # whose hygrometer is meant where no place is named
DRIEST_PCT: Final = 1.0  # below it no box with desiccant stays
NEAR_PCT: Final = 0.5  # how close the edge is found [% RH]
TRIES: Final = 24
FLAT: Final = 0.02  # of the headroom: it hardly answers
MOST_BOXES: Final = 8  # that are judged, the driest first
GOOD: Final[tuple[Code, ...]] = ("clear", "adjust")


def place_at_feed(spool: Spool, name: str) -> Place:
    """Return the place of a record that a job is to be fed from.

    Raises
    ------
    UsageError
        There is none of that name, or no strand can leave it for a printer.
    """
    if name not in spool.places:
        import difflib

        near = difflib.get_close_matches(name, spool.places, n=1)
        known = ", ".join(each for each in sorted(spool.places) if spool.places[each].kind in FEEDS) or "none"
        offer = f"did you mean '{near[0]}'?" if near else f"boxes there: {known}"
        raise UsageError(f"--feed '{name}': the record of {spool.id} has no such place; {offer}")
    found = spool.places[name]
    if found.kind not in FEEDS:
        raise UsageError(
            f"--feed '{name}' is a place of kind '{found.kind}', and a strand is fed from a box or a dryer; "
            "for the air around the printer use --place"
        )
    return found


def air_of_feed(spool: Spool, state: State, name: str, room: PrintAir, at_s: float) -> PrintAir:
    """Return the air of a print fed from a place of the record, the printer standing in *room*; errors as above."""
    place = place_at_feed(spool, name)
    inside, cautions = _inside(spool, state, place, at_s)
    reel = inside.reel
    humid = "closed" if reel.closed else f"{reel.rh_pct:.0f} % RH"
    words = f"fed from {name}, {reel.temperature_C:.0f} °C, {humid}"
    around = replace(inside, path=room.air.path, fed=True)
    return PrintAir(around, words, room.keeps, (*room.cautions, *cautions), room.assumed)


def _inside(spool: Spool, state: State, place: Place, at_s: float) -> tuple[Surroundings, tuple[str, ...]]:
    """Return the air around a reel in a place, and what is assumed of it."""
    shown = last_shown(place, at_s)
    if shown is None:
        around = surroundings(spool, place.name, at_s, state.doubts)
        if not around.reel.closed or state.place == place.name:
            return around, ()
        held = "no desiccant" if around.reel.desiccant is None else "fresh desiccant"
        return around, (
            f"{place.name} is taken as closed at the start with {held}; what its hygrometer shows counts instead: "
            f"gcodetool place read {shell_word(place.name)} --humidity RH",
        )
    celsius, rh_pct, ago_s = shown
    late: tuple[str, ...] = ()
    if ago_s > FAR_FROM_READING_S:
        late = (f"the air of {place.name} was read {ago_s / DAY_S:.0f} days ago: read it again",)
    stated = replace(place, temperature_C=celsius, rh_pct=rh_pct)
    return as_shown(state, stated, celsius, rh_pct), late


def last_shown(place: Place, at_s: float) -> tuple[float, float, float] | None:
    """Return what a box showed last: [°C], [% RH], how long ago [s]; None: nobody read it, or it keeps its own air.

    A box that says what is in it goes by its hygrometer for a day, and then by its desiccant.
    """
    if place.kind != "box":
        return None
    if place.log is not None:
        before = [i for i, moment in enumerate(place.log.at_s) if moment <= at_s]
        if before:
            i = before[-1]
            ago_s = at_s - place.log.at_s[i]
            if any(place.log.at_s[i] < fresh_s <= at_s for fresh_s in place.desiccant_fresh_s):
                return None  # what was shown is past
            if ago_s <= FAR_FROM_READING_S or not keeps_books(place):
                return place.log.temperature_C[i], place.log.rh_pct[i], ago_s
        return None
    if place.rh_pct is None or place.temperature_C is None:
        return None
    return place.temperature_C, place.rh_pct, 0.0


def as_shown(state: State, box: Place, celsius: float, rh_pct: float) -> Surroundings:
    """Return a box's air as its hygrometer shows it, which is off for each member by what the record makes of it.

    All boxes share one error that nothing is known of, so that what is told of one humidity holds for each of them.
    """
    air = room_air(celsius, rh_pct)
    doubts = state.doubts
    if doubts is not None:
        own = f"humidity {box.name}" in doubts.learned
        asked = box if own else replace(box, name=ANY_BOX)
        air = replace(air, own=of_reading(air, doubts.warmer_K(asked), doubts.humidity_pct(asked)))
    return Surroundings(air, air)


def fed_at(state: State, around: PrintAir, box: Place, celsius: float, rh_pct: float) -> Surroundings:
    """Return the air of a print fed from a box that shows so much, the strand crossing the air of *around*'s path."""
    return replace(as_shown(state, box, celsius, rh_pct), path=around.air.path, fed=True)


def most_humid(
    state: State, around: PrintAir, feed: ToolFeed, code: Code, *, confidence: float
) -> float | None:
    """Return the highest humidity that a box at the feed may show for a verdict; None: at none it holds. [% RH]"""
    return _Looks(state, around, feed, confidence, Place(ANY_BOX, "box")).edge(code)


@dataclass
class _Looks:
    """Forecasts of one job fed from boxes, each made once."""

    state: State
    around: PrintAir
    feed: ToolFeed
    confidence: float
    box: Place

    def __post_init__(self) -> None:
        self._made: dict[float, dict[Code, float]] = {}

    def headroom(self, rh_pct: float, code: Code, *, far: bool = False) -> float:
        """Return how far what decides lies below its limit in a box of that humidity; 0 or more: it holds.

        *far*: it may be far from the limit, where a rough look tells.
        """
        if rh_pct not in self._made:
            celsius = self.around.air.path.temperature_C
            if self.box.temperature_C is not None:
                celsius = self.box.temperature_C
            self._made[rh_pct] = self._of(fed_at(self.state, self.around, self.box, celsius, rh_pct), far=far)
        return self._made[rh_pct][code]

    def _of(self, around: Surroundings, *, far: bool) -> dict[Code, float]:
        found = self._looked(around, rough=far)
        near = any(abs(each) < ROUGH_OFF for each in found.values())
        return self._looked(around, rough=False) if far and near else found

    def _looked(self, around: Surroundings, *, rough: bool) -> dict[Code, float]:
        until_s = self.feed.until_s
        arrival = forecast(self.state, around, self.feed.segments, until_s=until_s, rough=rough)
        good, marginal = extremes(self.state, arrival, self.feed)
        weights = self.state.weights
        return {
            code: headroom(good, marginal, code, confidence=self.confidence, weights=weights) for code in GOOD
        }

    def edge(self, code: Code) -> float | None:
        """Return the highest humidity at which a verdict holds, at most NEAR_PCT too low; None: at none. [% RH]

        Regula falsi (Illinois) on the headroom, which falls as the box grows more humid, from the air of the print
        on; where the headroom is flat, as where the first strand alone decides, halves.
        """
        low, high = DRIEST_PCT, 100.0
        below = self.headroom(low, code, far=True)
        if below < 0.0:
            return None
        for high in (min(max(self.around.air.reel.rh_pct, low + NEAR_PCT), 99.0), 100.0):
            above = self.headroom(high, code, far=True)
            if above < 0.0:
                break
            low, below = high, above
        else:
            return high
        last, flat = 0, False
        for _ in range(TRIES):
            if high - low <= NEAR_PCT:
                break
            share = 0.5 if flat else below / (below - above)
            guess = low + min(max(share, 0.02), 0.98) * (high - low)
            # a step to either side of a guess that is right ends the search at once
            guess = min(max(guess + (0.4 if last > 0 else -0.4) * NEAR_PCT, low + 0.1), high - 0.1)
            left = self.headroom(guess, code, far=flat)
            if left >= 0.0:
                flat = left >= (1.0 - FLAT) * below
                low, below = guess, left
                above *= 0.5 if last > 0 and not flat else 1.0
                last = 1
            else:
                flat = False
                high, above = guess, left
                below *= 0.5 if last < 0 else 1.0
                last = -1
        return low


def feed_need(
    state: State,
    around: PrintAir,
    feed: ToolFeed,
    code: Code,
    *,
    confidence: float,
    asked: str | None = None,
    boxes: Mapping[str, Place] | None = None,
) -> FeedNeed | None:
    """Return how dry the air at the feed must be for a better verdict, and which boxes are; None: no air tells.

    Parameters
    ----------
    around
        The air of the print as it is judged; its path is the room that the strand crosses.
    code
        The verdict in that air.
    asked
        The place that the job is to be fed from, where one is named: then the edge is told of a good verdict too.
    boxes
        Other places that a job may be fed from.
    """
    if code == "unknown" or state.remaining_mm <= 0 or not (feed.segments[:, 2] > 0).any():
        return None
    if asked is None and not worse(code, "clear"):
        return None
    place = None if asked is None else state.spool.places[asked]
    shown = None if place is None else last_shown(place, state.as_of_s)
    box = place if place is not None and shown is not None else Place(ANY_BOX, "box")
    looks = _Looks(state, around, feed, confidence, box)
    wanted: Code | None = None
    edge: float | None = None
    # what is too wet on the reel stays so: no air of a box dries it while it is printed
    for target in GOOD if code != "dry-first" else ():
        if target == "clear" or asked is not None or worse(code, target):
            edge = looks.edge(target)
            if edge is not None:
                wanted = target
                break
    listed = (
        () if wanted is None else tuple(_doing(state, looks, wanted, {**state.spool.places, **(boxes or {})}))
    )
    return FeedNeed(asked, None if shown is None else shown[1], wanted, edge, listed)


def _doing(state: State, looks: _Looks, wanted: Code, places: Mapping[str, Place]) -> Iterator[BoxAtFeed]:
    """Yield the boxes with what they come to, the driest first; those whose air nobody knows are left out."""
    known = [place for place in places.values() if place.kind == "box"]
    spool = replace(state.spool, places=dict(places))

    def shown_pct(place: Place) -> float:
        shown = last_shown(place, state.as_of_s)
        return -1.0 if shown is None else shown[1]

    for place in sorted(known, key=lambda each: (shown_pct(each), each.name))[:MOST_BOXES]:
        try:
            air = air_of_feed(spool, state, place.name, looks.around, state.as_of_s).air
            arrival = forecast(state, air, looks.feed.segments, until_s=looks.feed.until_s)
        except GcodetoolError:
            continue
        judged = judged_by(state, arrival, looks.feed, looks.confidence)
        if judged is not None:
            rh_pct = shown_pct(place)
            enough = not worse(judged.code, wanted)
            yield BoxAtFeed(place.name, None if rh_pct < 0.0 else rh_pct, judged.code, enough)
