"""What arrives at the nozzle: a state, the air of the print and a feed become contents over time.

Printing draws the outermost layer turn by turn; the winding recedes and the next layer meets the
air.  A parked tool is the same with a feed that begins late.  The strand in guide tube and hot
end ages apart, in its own air, and is not part of the contents: it is what a purge takes out.
Left out: heat from the printer.
"""

import math
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gcodetool.errors import OutOfRangeError
from gcodetool.moisture.air import Air
from gcodetool.moisture.bare_run import crossed
from gcodetool.moisture.field import FIRST_STEP_S, Field, SpoolIntegrator
from gcodetool.moisture.history import State, Surroundings
from gcodetool.moisture.state import marched
from gcodetool.quickdata import dataclass

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

GROWTH: Final = 1.7  # of the steps between two looks at what lies outside; docs/physics.md, section 5
NEW_LAYER_STEP_S: Final = 10.0  # its air changes less than a spool's that is moved
ROUGH_GROWTH: Final = 4.0  # the same where a rough answer will do
ROUGH_FIRST_STEP_S: Final = 10.0
ROUGH_NEW_LAYER_STEP_S: Final = 60.0
ROUGH_OFF: Final = 0.03  # of a limit: what lies further from it in a rough answer does so in a fine one
AT_ONCE: Final = 512  # segments
ROUNDING: Final = 1e-12  # of a length


@dataclass(frozen=True)
class Arrival:
    """What a job takes off a spool; contents in wt %.

    Attributes
    ----------
    wt_pct : (segments, members)
        Of the strand that each segment feeds; where a segment feeds nothing, what it would have
        fed; NaN from where the reel is empty.
    start_wt_pct, worst_wt_pct : (members,)
        Of the first strand fed, and the wettest segment's; a job that feeds nothing: the next-fed strand's.
    path_wt_pct : (members,)
        Of the strand in tube and hot end when this tool begins to feed.
    fed_mm, short_mm
        Drawn off the reel, and what the job asks for beyond that.
    empty_at
        The first segment that the reel cannot feed to its end, or None.
    after
        The spool when the job has ended.
    """

    wt_pct: Floats
    start_wt_pct: Floats
    worst_wt_pct: Floats
    path_wt_pct: Floats
    fed_mm: float
    short_mm: float
    empty_at: int | None
    after: State


def forecast(
    state: State,
    around: Surroundings | Air,
    feed: ArrayLike,
    *,
    delay_s: float = 0.0,
    until_s: float | None = None,
    rough: bool = False,
) -> Arrival:
    """Return what *feed* takes off the spool.

    Parameters
    ----------
    state
        The spool at the clock's zero.
    around
        The air of the print, around reel and path; constant.
    feed : (segments, 3)
        Start and end on the job's clock [s] and net length fed [mm]; in order of time, not overlapping.
        A negative length (drawn back) is made up for by what is fed next.
    delay_s
        Idle time in the same air before the job's clock begins.
    until_s
        Where the job ends, if later than the last segment.
    rough
        Look less often: in a third of the time, contents off by up to 1 % of them (docs/physics.md, section 5).

    Raises
    ------
    OutOfRangeError
        Segments out of order, or numbers that are not finite.
    """
    if isinstance(around, Air):
        around = Surroundings(around, around)
    begin, end, drawn = _checked(feed, delay_s)
    # Filament drawn back comes again first: what leaves the reel is the running maximum of the net feed.
    total_m = np.maximum.accumulate(np.concatenate([[0.0], np.cumsum(drawn)])) / 1000.0
    curve_s = np.concatenate([[0.0], np.stack([begin, end], axis=1).ravel()])
    curve_m = np.concatenate([[0.0], np.stack([total_m[:-1], total_m[1:]], axis=1).ravel()])
    held_m = state.remaining_mm / 1000.0
    finish = max(float(curve_s[-1]), delay_s + (until_s or 0.0))
    run = _Run(state, around, curve_s, np.minimum(curve_m, held_m), rough=rough)
    run.to(finish)
    if around.fed and state.doubts is not None:
        run.cross(state.doubts.bare_m(), around.path, state)
    if total_m[-1] >= held_m:  # to the last millimetre, whatever rounding left of it
        run.march.feed(math.inf)
    wt_pct = 100.0 * run.means(begin, end, total_m)
    # By length, not by time: a segment that ends on the last millimetre is fed in full.
    short = np.flatnonzero(total_m[1:] > held_m * (1.0 + ROUNDING) + ROUNDING)
    empty_at = int(short[0]) if short.size else None
    if empty_at is not None:
        wt_pct[empty_at + (1 if total_m[empty_at] < held_m else 0) :] = np.nan
    fed = np.diff(total_m) > 0.0
    first = int(np.argmax(fed)) if fed.any() else None
    start = 100.0 * run.at_length(0.0) if first is not None else state.next_fed_wt_pct
    fed_rows = wt_pct[fed] if first is not None else start[np.newaxis]
    known = fed_rows[~np.isnan(fed_rows).any(axis=1)]
    worst = np.maximum(known.max(axis=0), start) if known.size else start
    begin_feed = float(begin[first]) if first is not None else finish
    path, after_path = _path(state, around.path, begin_feed, finish)
    if first is not None:  # fed through: the tube now holds what came off the reel last
        after_path = run.march.field().outermost() if run.march.winding.layers else None
    return Arrival(
        wt_pct=wt_pct,
        start_wt_pct=start,
        worst_wt_pct=worst,
        path_wt_pct=path,
        fed_mm=1000.0 * min(float(total_m[-1]), held_m),
        short_mm=1000.0 * max(0.0, float(total_m[-1]) - held_m),
        empty_at=empty_at,
        after=replace(
            state,
            as_of_s=state.as_of_s + finish,
            field=run.march.field(),
            company=run.march.company,
            path=after_path,
        ),
    )


def _checked(feed: ArrayLike, delay_s: float) -> tuple[Floats, Floats, Floats]:
    rows = np.asarray(feed, dtype=np.float64).reshape(-1, 3)
    if not np.isfinite(rows).all() or not math.isfinite(delay_s) or delay_s < 0:
        raise OutOfRangeError("a feed needs finite times and lengths and a delay of 0 s or more")
    times = rows[:, :2].ravel()
    if (times < 0).any() or (np.diff(times) < -1e-6).any():
        raise OutOfRangeError("the segments of a feed must follow each other in time, from 0 s on")
    times = np.maximum.accumulate(times).reshape(-1, 2) + delay_s
    return times[:, 0], times[:, 1], rows[:, 2]


class _Run:
    """A simulation along a feed curve, remembering what lay outside at each moment.

    `knots` are (time, length fed, content of the strand at the outside); where a layer is used up two of them
    share a time and a length.
    """

    def __init__(
        self, state: State, around: Surroundings, curve_s: Floats, curve_m: Floats, *, rough: bool
    ) -> None:
        self.march = marched(state)
        self.march.surround(around.reel, again=state.stays_in(around))
        self.curve_s, self.curve_m = curve_s, curve_m
        self.at_s, self.fed_m = 0.0, 0.0
        self.knots: list[tuple[float, float, Floats]] = [(0.0, 0.0, self.march.outer_mean())]
        self.step_s = ROUGH_FIRST_STEP_S if rough else FIRST_STEP_S
        self.new_layer_step_s = ROUGH_NEW_LAYER_STEP_S if rough else NEW_LAYER_STEP_S
        self.growth = ROUGH_GROWTH if rough else GROWTH

    def to(self, finish_s: float) -> None:
        """March to the end of the feed and on to *finish_s*."""
        while self.at_s < finish_s or self.fed_m < self.curve_m[-1]:
            gone_m = self.fed_m + self._outer_m()
            gone_s = self._reaches_s(gone_m)
            end_s = min(finish_s, self.at_s + self.step_s, gone_s)
            if end_s < gone_s:
                self._advance(end_s, float(np.interp(end_s, self.curve_s, self.curve_m)))
                self.step_s *= self.growth
            else:  # the layer is used up, and the next one meets the air
                self._advance(end_s, gone_m)
                self.march.feed(self._outer_m())  # what is left of it is rounding
                self._remember()
                self.step_s = min(self.step_s, self.new_layer_step_s)

    def cross(self, bare_m: Floats, air: Air, state: State) -> None:
        """Let what left the reel cross the open on its way from the box."""
        at, fed = (np.array([knot[i] for knot in self.knots]) for i in (0, 1))
        arrived = crossed(
            np.stack([knot[2] for knot in self.knots]),
            at,
            fed,
            (self.curve_s, self.curve_m),
            bare_m=bare_m,
            air=air,
            polymer=state.polymer,
            radius_m=state.spool.diameter_mm / 2000.0,
        )
        self.knots = [(knot[0], knot[1], content) for knot, content in zip(self.knots, arrived, strict=True)]

    def _outer_m(self) -> float:
        return float(self.march.winding.length_m[-1]) if self.march.winding.layers else math.inf

    def _reaches_s(self, length_m: float) -> float:
        """Return when so much will have been fed; inf if never."""
        if length_m > self.curve_m[-1] * (1.0 + ROUNDING):
            return math.inf
        length_m = min(length_m, float(self.curve_m[-1]))
        i = max(1, int(np.searchsorted(self.curve_m, length_m, side="left")))
        low, high = self.curve_m[i - 1], self.curve_m[i]
        share = 1.0 if high <= low else (length_m - low) / (high - low)
        return max(self.at_s, float(self.curve_s[i - 1] + share * (self.curve_s[i] - self.curve_s[i - 1])))

    def _advance(self, end_s: float, fed_m: float) -> None:
        """March to *end_s*, by when *fed_m* have been fed, all of it from the outermost layer."""
        if end_s > self.at_s:
            self.march.run(end_s - self.at_s, first_s=end_s - self.at_s)
        drawn = min(fed_m - self.fed_m, self._outer_m() * (1.0 - ROUNDING))
        if drawn > 0.0 and self.march.winding.layers:
            self.march.feed(drawn)
        self.at_s, self.fed_m = end_s, max(fed_m, self.fed_m)
        self._remember()

    def _remember(self) -> None:
        self.knots.append((self.at_s, self.fed_m, self.march.outer_mean()))

    def at_length(self, fed_m: float) -> Floats:
        """Return the content of the strand that leaves the reel just after *fed_m* have been fed."""
        lengths = np.array([knot[1] for knot in self.knots])
        i = min(int(np.searchsorted(lengths, fed_m, side="right")), len(lengths) - 1)
        if i == 0 or lengths[i] == lengths[i - 1]:
            return self.knots[i][2]
        begin_s = float(np.interp(fed_m, *_rising(self.curve_m, self.curve_s)))
        return np.asarray(_Course(self.knots).between(np.array([begin_s]), np.array([i]))[0])

    def means(self, begin: Floats, end: Floats, total_m: Floats) -> Floats:
        """Return the mean content of the strand that each segment feeds, (segments, members)."""
        course = _Course(self.knots)
        fed, room = np.diff(total_m), self.curve_m[-1] - total_m[:-1]
        feeds = (fed > 0.0) & (end > begin)
        # Within a segment the feed is even, so the mean over length is the mean over time: of what the reel
        # could still feed of it.
        short = feeds & (room > 0.0) & (room < fed)
        last = end.copy()
        last[short] = begin[short] + (end[short] - begin[short]) * room[short] / fed[short]
        out = np.empty((begin.shape[0], self.knots[0][2].shape[0]))
        still, moving = np.flatnonzero(~feeds), np.flatnonzero(feeds)
        for rows in _parts(still):
            out[rows] = course.at(begin[rows])
        for rows in _parts(moving):
            out[rows] = course.mean(begin[rows], last[rows])
        return out


class _Course:
    """What lies outside over time: between two knots straight over the root of the time since that layer met the air.

    That is how a fresh surface takes up water, so knots may stand far apart.
    """

    def __init__(self, knots: list[tuple[float, float, Floats]]) -> None:
        self.at_s = np.array([knot[0] for knot in knots])
        self.content = np.stack([knot[2] for knot in knots])
        meets = np.flatnonzero(np.diff(self.at_s) == 0.0) + 1  # a layer was used up
        since = np.zeros_like(self.at_s)
        since[meets] = self.at_s[meets]
        self.since_s = np.maximum.accumulate(since)  # of the piece that begins at each knot

    def at(self, moments: Floats) -> Floats:
        """Return the content at each of some moments, (moments, members); at a change of layer, the next one's."""
        return self.between(moments, np.searchsorted(self.at_s, moments, side="right"))

    def before(self, moments: Floats) -> Floats:
        """Return the content just before each of some moments, (moments, members)."""
        return self.between(moments, np.searchsorted(self.at_s, moments, side="left"))

    def between(self, moments: Floats, after: Rows) -> Floats:
        """Return the content at each moment on the piece that ends at knot *after*; the ends' own beyond both ends."""
        if self.at_s.shape[0] == 1:
            return np.repeat(self.content, moments.shape[0], axis=0)
        after = np.clip(after, 1, self.at_s.shape[0] - 1)
        low, high = self._root(after - 1, after - 1), self._root(after, after - 1)
        width = high - low
        way = np.sqrt(np.maximum(0.0, moments - self.since_s[after - 1])) - low
        share = np.where(width > 0.0, way / np.where(width > 0.0, width, 1.0), 1.0)
        share = np.clip(share, 0.0, 1.0)[:, np.newaxis]
        first = self.content[after - 1]
        return np.asarray(first + share * (self.content[after] - first))

    def _root(self, knot: Rows, piece: Rows) -> Floats:
        return np.asarray(np.sqrt(self.at_s[knot] - self.since_s[piece]))

    def mean(self, begin: Floats, end: Floats) -> Floats:
        """Return the mean content between the moments *begin* and *end*, (moments, members)."""
        low = np.searchsorted(self.at_s, begin, side="right")
        high = np.searchsorted(self.at_s, end, side="left")
        first, last = self.at(begin), self.before(end)
        low_piece = np.clip(low - 1, 0, self.at_s.shape[0] - 1)
        out = first + self._late(begin, end, low_piece) * (last - first)  # where no knot lies between
        within = np.flatnonzero(low < high)
        if within.size:
            low, high = low[within], high[within] - 1  # the first and the last knot in between
            total = np.add.reduceat(self._areas(), np.stack([low, high], axis=1).ravel(), axis=0)[::2]
            total[low == high] = 0.0
            edge_s = self.at_s[low]
            part = self._late(begin[within], edge_s, low_piece[within]) * (self.content[low] - first[within])
            total += (edge_s - begin[within])[:, np.newaxis] * (first[within] + part)
            edge_s = self.at_s[high]
            part = self._late(edge_s, end[within], high) * (last[within] - self.content[high])
            total += (end[within] - edge_s)[:, np.newaxis] * (self.content[high] + part)
            out[within] = total / (end[within] - begin[within])[:, np.newaxis]
        return np.asarray(out)

    def _areas(self) -> Floats:
        """Return content times time of the piece that begins at each knot, (knots, members)."""
        area = np.zeros_like(self.content)
        piece = np.arange(self.at_s.shape[0] - 1)
        late = self._late(self.at_s[:-1], self.at_s[1:], piece)
        area[:-1] = self.content[:-1] + late * np.diff(self.content, axis=0)
        area[:-1] *= np.diff(self.at_s)[:, np.newaxis]
        return area

    def _late(self, begin: Floats, end: Floats, piece: Rows) -> Floats:
        """Return how much the end counts in the mean over a part of a piece: a half, two thirds from the root's start.

        The mean of √t from a² to b² is a + (b - a)(a + 2 b)/(3 (a + b)).
        """
        low = np.sqrt(np.maximum(0.0, begin - self.since_s[piece]))
        high = np.sqrt(np.maximum(0.0, end - self.since_s[piece]))
        both = low + high
        late = np.where(both > 0.0, (low + 2.0 * high) / np.where(both > 0.0, 3.0 * both, 1.0), 0.5)
        return np.asarray(late[:, np.newaxis])


def _rising(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Return the curve with the last of each run of equal x: where a feed that paused goes on."""
    keep = np.append(np.diff(x) > 0.0, True)
    return x[keep], y[keep]


def _parts(rows: Rows) -> list[Rows]:
    """Return *rows* in parts that need little memory."""
    return [rows[at : at + AT_ONCE] for at in range(0, rows.shape[0], AT_ONCE)]


def _path(state: State, air: Air, begin_s: float, finish_s: float) -> tuple[Floats, Field | None]:
    """Return the content in tube and hot end when feeding begins, and that strand at the job's end.

    A spool that was not on a printer is threaded at the clock's zero with what is then outside.
    """
    if not state.field.winding.layers and state.path is None:
        return np.full(state.members, np.nan), None
    strand = state.field.outermost() if state.path is None else state.path
    march = SpoolIntegrator(strand, state.polymer)
    march.surround(air)
    march.run(begin_s)
    before = 100.0 * march.outer_mean()
    march.run(finish_s - begin_s)
    return before, march.field()
