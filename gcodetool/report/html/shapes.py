"""What a job's moves lay down, layer by layer, in bounded memory: for drawing the part, not for judging it.

One pass over the file.  Of each layer and tool stay the stretches of X that it covers (the part from the
front) and of some layers the path itself, thinned (the part from above).  The same pass picks out lines
of the file around given bytes.  Before the first layer mark nothing is drawn: those are purge lines.

Left out: times and contents (``motion``, ``moisture``); bead widths; what a wipe smears.
"""

import contextlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.gcode.batches import batches
from gcodetool.gcode.rows import ARC, CLOCKWISE, LAYER, MOVE, RADIUS_FORM, TOOL

if TYPE_CHECKING:
    from gcodetool.gcode.program import Program

Floats = NDArray[np.float64]

MOST_POINTS: Final = 50_000  # of all paths kept
PATH_POINTS: Final = 800  # of one path; fewer would not look like the layer
ARC_PIECES: Final = 8
GAP_MM: Final = 1.2  # stretches of X closer than this are drawn as one
MOST_SPANS: Final = 10  # of one layer and tool
BUFFER: Final = 32_768  # points of a layer held before they are thinned
FINEST_MM: Final = 0.05  # a corner of less than this is not seen
COARSEST_MM: Final = 1e3
ROUNDS: Final = 24
REACH_MM: Final = 1e5  # no machine is larger: what lies beyond is no place
MOST_SHAPES: Final = 20_000  # layers and tools; more are not drawn


@dataclass(frozen=True)
class Shape:
    """What one tool lays down in one layer.

    Attributes
    ----------
    layer, tool : as the timeline numbers them.
    z_mm : height of its first extrusion; NaN: none is known. [mm]
    spans : (n, 2) stretches of X, apart from each other. [mm]
    path : (n, 2) X and Y of the strand; NaN rows lie between pieces; None: not kept. [mm]
    low, high : corners of what it covers. [mm]
    """

    layer: int
    tool: int
    z_mm: float
    spans: Floats
    path: Floats | None
    low: tuple[float, float]
    high: tuple[float, float]


@dataclass(frozen=True)
class Excerpt:
    """Lines of a file around a stretch of bytes.

    Attributes
    ----------
    line : 1-based number of the first line that the stretch touches.
    before, inside, after : lines without their ends; *inside* are those that the stretch touches.
    """

    line: int
    before: tuple[str, ...] = ()
    inside: tuple[str, ...] = ()
    after: tuple[str, ...] = ()


@dataclass(frozen=True)
class Shapes:
    """All shapes of a job in file order, and the excerpts that were asked for."""

    shapes: tuple[Shape, ...]
    every: int  # of so many layers the path of one was kept
    cut: int | None = None  # only so many are there; None: all
    excerpts: tuple[Excerpt, ...] = ()


def shapes(
    program: "Program", *, layers: int, places: Sequence[tuple[int, int]] = (), context: int = 2
) -> Shapes:
    """Return what *program* lays down.

    Parameters
    ----------
    layers : how many there are, from the timeline; settles of how many the path is kept.
    places : (start, stop) byte offsets to show the lines of, in order.
    context : lines before and after each.

    Raises
    ------
    GcodeError
        The file went away or is damaged.
    """
    keep = max(1, MOST_POINTS // PATH_POINTS)
    every = max(1, math.ceil(layers / keep))
    points = max(PATH_POINTS, MOST_POINTS // max(1, math.ceil(layers / every)))
    drawn = _Drawing(layers > 0, every, min(points, 3000))
    looked = _Lines(places, context)
    scanner = program.scanner()
    at = -1
    with contextlib.closing(batches(program, scanner)) as read:
        for rows, text, offset in read:
            if offset != at:
                at = offset
                looked.take(text, offset)
            drawn.take(rows)
    drawn.finish()
    return Shapes(tuple(drawn.done), every, drawn.cut, looked.finish())


class _Open:
    """A shape that is still growing."""

    def __init__(self, layer: int, tool: int, *, keep: bool) -> None:
        self.layer, self.tool, self.keep = layer, tool, keep
        self.z_mm = math.nan
        self.spans = np.empty((0, 2))
        self.pieces: list[Floats] = []
        self.held = 0
        self.width_mm = FINEST_MM
        self.low, self.high = np.full(2, math.inf), np.full(2, -math.inf)

    def add(self, begin: Floats, end: Floats, z_mm: float) -> None:
        """Add segments, (n, 2) each."""
        if math.isnan(self.z_mm):
            self.z_mm = z_mm
        left, right = np.minimum(begin[:, 0], end[:, 0]), np.maximum(begin[:, 0], end[:, 0])
        both = (begin, end)
        self.low = np.minimum(self.low, [left.min(), min(float(each[:, 1].min()) for each in both)])
        self.high = np.maximum(self.high, [right.max(), max(float(each[:, 1].max()) for each in both)])
        self.spans = merged(np.concatenate([self.spans, np.stack([left, right], axis=1)]), GAP_MM)
        if not self.keep:
            return
        # a new piece where a segment does not go on from the one before
        apart = np.ones(begin.shape[0], dtype=bool)
        apart[1:] = (begin[1:] != end[:-1]).any(axis=1)
        starts = np.flatnonzero(apart)
        path = np.insert(end, starts, begin[starts], axis=0)
        heads = starts + np.arange(starts.shape[0])
        path = np.insert(path, heads, math.nan, axis=0)
        self.pieces.append(path)
        self.held += path.shape[0]
        if self.held > BUFFER:
            self.thin(BUFFER // 4)

    def thin(self, most: int) -> None:
        """Bring the path down to *most* points, the flattest corners first."""
        if not self.pieces:
            return
        path = thinned(np.concatenate(self.pieces), self.width_mm)
        while path.shape[0] > most and self.width_mm < COARSEST_MM:
            self.width_mm *= 1.4
            path = thinned(path, self.width_mm)
        if path.shape[0] > most:  # nothing but short pieces: the first ones stand for all
            path = path[:most]
        self.pieces, self.held = [path], path.shape[0]

    def shape(self, most: int) -> Shape | None:
        """Return the finished shape; None where nothing was laid down."""
        if not self.spans.shape[0]:
            return None
        gap, spans = GAP_MM, self.spans
        while spans.shape[0] > MOST_SPANS:
            gap *= 2.0
            spans = merged(spans, gap)
        self.thin(most)
        path = self.pieces[0] if self.pieces else None
        return Shape(
            self.layer,
            self.tool,
            self.z_mm,
            spans,
            path,
            (float(self.low[0]), float(self.low[1])),
            (float(self.high[0]), float(self.high[1])),
        )


class _Drawing:
    """The pass over the rows: which moves lay down filament, and where."""

    def __init__(self, marked: bool, every: int, most: int) -> None:
        self.marked, self.every, self.most = marked, every, most
        self.layer, self.tool = 0, 0
        self.at = (0.0, 0.0)
        self.open: dict[int, _Open] = {}
        self.done: list[Shape] = []
        self.cut: int | None = None

    def take(self, rows: Any) -> None:
        """Take a block of rows."""
        count = rows.count
        op = np.frombuffer(rows.op, dtype=np.int32)[:count]
        cuts = np.flatnonzero((op == LAYER) | (op == TOOL))
        begin = 0
        for cut in [*cuts.tolist(), count]:
            if cut > begin:
                self.moves(rows, op, begin, cut)
            if cut < count:
                if op[cut] == LAYER:
                    self.close()
                    self.layer = rows.arg[cut]
                else:
                    self.tool = rows.arg[cut]
            begin = cut + 1

    def moves(self, rows: Any, op: Any, begin: int, end: int) -> None:
        """Take the moves from row *begin* to before *end*."""
        kinds = op[begin:end]
        arcs = kinds == ARC
        moving = (kinds == MOVE) | arcs
        if not moving.any():
            return
        chosen: Any = slice(begin, end) if moving.all() else np.flatnonzero(moving) + begin
        x, y = np.frombuffer(rows.x)[chosen], np.frombuffer(rows.y)[chosen]
        from_x, from_y = np.empty_like(x), np.empty_like(y)
        from_x[0], from_y[0] = self.at
        from_x[1:], from_y[1:] = x[:-1], y[:-1]
        self.at = (float(x[-1]), float(y[-1]))
        if self.marked and not self.layer:
            return
        arcs = arcs if isinstance(chosen, slice) else arcs[chosen - begin]
        lays = np.frombuffer(rows.e)[chosen] > 0
        lays &= (from_x != x) | (from_y != y) | arcs
        if not max(_reach(x), _reach(y), _reach(from_x[:1]), _reach(from_y[:1])) < REACH_MM:
            for column in (x, y, from_x, from_y):
                lays &= np.abs(column) < REACH_MM
        places = np.flatnonzero(lays)
        if not places.size:
            return
        rows_of = places + begin if isinstance(chosen, slice) else chosen[places]
        start = np.stack([from_x[places], from_y[places]], axis=1)
        to = np.stack([x[places], y[places]], axis=1)
        if arcs[places].any():
            start, to = _with_arcs(rows, rows_of, start, to, arcs[places])
        place = self.open.get(self.tool)
        if place is None:
            keep = self.layer % self.every == 0 or self.layer <= 1
            place = self.open[self.tool] = _Open(self.layer, self.tool, keep=keep)
        place.add(start, to, float(rows.z[int(rows_of[0])]))

    def close(self) -> None:
        """End the shapes in hand."""
        if len(self.done) >= MOST_SHAPES:
            self.cut, self.open = MOST_SHAPES, {}
            return
        for place in self.open.values():
            shape = place.shape(self.most)
            if shape is not None:
                self.done.append(shape)
        self.open = {}

    def finish(self) -> None:
        """End the last shapes."""
        self.close()


def _reach(values: Floats) -> float:
    """Return how far from 0 a value lies at most; NaN if any is."""
    return float(np.abs(values).max())


def _with_arcs(rows: Any, chosen: Any, start: Floats, to: Floats, arcs: Any) -> tuple[Floats, Floats]:
    """Return segments with each arc in ``ARC_PIECES`` straight ones."""
    arg = np.frombuffer(rows.arg, dtype=np.int32)[chosen]
    centre = start + np.stack([np.frombuffer(rows.i)[chosen], np.frombuffer(rows.j)[chosen]], axis=1)
    round_ = arcs & (arg & RADIUS_FORM == 0)  # an arc by its radius is drawn straight
    first = np.arctan2(start[:, 1] - centre[:, 1], start[:, 0] - centre[:, 0])
    last = np.arctan2(to[:, 1] - centre[:, 1], to[:, 0] - centre[:, 0])
    clockwise = arg & CLOCKWISE != 0
    sweep = np.where(clockwise, -((first - last) % math.tau), (last - first) % math.tau)
    sweep = np.where(sweep == 0.0, np.where(clockwise, -math.tau, math.tau), sweep)
    radius = np.hypot(start[:, 0] - centre[:, 0], start[:, 1] - centre[:, 1])
    repeat = np.where(round_, ARC_PIECES, 1)
    row = np.repeat(np.arange(start.shape[0]), repeat)
    step = np.arange(row.shape[0]) - np.repeat(np.cumsum(repeat) - repeat, repeat) + 1
    angle = first[row] + sweep[row] * step / repeat[row]
    points = centre[row] + radius[row, np.newaxis] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    ends = np.where((step == repeat[row])[:, np.newaxis], to[row], points)
    begins = np.concatenate([start[:1], ends[:-1]])
    begins = np.where((step == 1)[:, np.newaxis], start[row], begins)
    good = np.isfinite(begins).all(axis=1) & np.isfinite(ends).all(axis=1)
    return begins[good], ends[good]


def merged(spans: Floats, gap: float) -> Floats:
    """Return stretches with those joined that overlap or lie within *gap*, sorted.

    >>> merged(np.array([[4.0, 5.0], [0.0, 1.0], [1.5, 2.0]]), 1.0).tolist()
    [[0.0, 2.0], [4.0, 5.0]]
    """
    if spans.shape[0] < 2:
        return spans
    order = spans[np.argsort(spans[:, 0], kind="stable")]
    reach = np.maximum.accumulate(order[:, 1])
    first = np.concatenate([[True], order[1:, 0] > reach[:-1] + gap])
    last = np.concatenate([first[1:], [True]])
    return np.stack([order[first, 0], reach[last]], axis=1)


def thinned(path: Floats, width_mm: float) -> Floats:
    """Return *path* without the points that make a triangle with both neighbours narrower than *width_mm*.

    Of neighbours every other one goes, round by round; ends of pieces stay.

    >>> thinned(np.array([[0.0, 0.0], [1.0, 0.001], [2.0, 0.0], [2.0, 2.0]]), 0.1).tolist()
    [[0.0, 0.0], [2.0, 0.0], [2.0, 2.0]]
    """
    for _ in range(ROUNDS):
        if path.shape[0] < 3:
            break
        one, two, across = path[1:-1] - path[:-2], path[2:] - path[1:-1], path[2:] - path[:-2]
        longest = np.sqrt(np.max([(each**2).sum(axis=1) for each in (one, two, across)], axis=0))
        with np.errstate(invalid="ignore", divide="ignore"):
            width = np.abs(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]) / longest
        width = np.where(longest == 0.0, 0.0, np.where(np.isnan(width), math.inf, width))
        flat = width < width_mm
        # of a run of flat corners every other one goes, so that no two neighbours go at once
        place = np.arange(flat.shape[0])
        before = np.maximum.accumulate(np.where(flat, -1, place))
        gone = flat & ((place - before) % 2 == 1)
        if not gone.any():
            break
        path = path[np.concatenate([[True], ~gone, [True]])]
    return path


@dataclass
class _Wanted:
    """A stretch of bytes, and the lines found for it so far."""

    start: int
    stop: int
    line: int = 0
    before: tuple[str, ...] = ()
    inside: list[str] = field(default_factory=list)
    after: list[str] = field(default_factory=list)
    begun: bool = False


class _Lines:
    """Lines around given bytes, found while the text passes by."""

    MOST_INSIDE: Final = 4
    MOST_SHOWN: Final = 160  # characters of a line

    def __init__(self, places: Sequence[tuple[int, int]], context: int) -> None:
        self.context = context
        self.wanted = [_Wanted(start, stop) for start, stop in places]
        self.lines = 0  # before the text in hand
        self.recent: list[str] = []  # the last lines of the text before
        self.end = 0

    def take(self, text: bytes, offset: int) -> None:
        """Look at the next piece of the text; it ends on a line's end."""
        self.end = offset + len(text)
        for each in self.wanted:
            if not each.begun and each.start < self.end:
                self._begin(each, text, offset)
            if each.begun and len(each.after) < self.context:
                self._go_on(each, text, offset)
        self.lines += text.count(b"\n")
        self.recent = [self._shown(line) for line in text.rsplit(b"\n", self.context + 1)[1:-1]]

    def _begin(self, each: _Wanted, text: bytes, offset: int) -> None:
        at = text.rfind(b"\n", 0, each.start - offset) + 1
        each.begun = True
        each.line = self.lines + text.count(b"\n", 0, at) + 1
        head = [
            self._shown(line) for line in text[:at].rsplit(b"\n", self.context + 1)[-self.context - 1 : -1]
        ]
        each.before = tuple([*self.recent, *head][-self.context :]) if self.context else ()

    def _go_on(self, each: _Wanted, text: bytes, offset: int) -> None:
        at = max(0, text.rfind(b"\n", 0, max(0, each.start - offset)) + 1)
        while at < len(text) and len(each.after) < self.context:
            end = text.find(b"\n", at)
            end = len(text) if end < 0 else end + 1
            line = self._shown(text[at:end])
            if offset + at < each.stop and offset + end > each.start:
                if len(each.inside) < self.MOST_INSIDE:
                    each.inside.append(line)
            else:
                each.after.append(line)
            at = end

    def _shown(self, line: bytes) -> str:
        return line[: 4 * self.MOST_SHOWN].decode("utf-8", "replace").rstrip("\r\n")

    def finish(self) -> tuple[Excerpt, ...]:
        """Return the excerpts in the order of the places."""
        return tuple(
            Excerpt(
                each.line if each.begun else self.lines + 1,
                each.before if each.begun else tuple(self.recent),
                tuple(each.inside),
                tuple(each.after),
            )
            for each in self.wanted
        )
