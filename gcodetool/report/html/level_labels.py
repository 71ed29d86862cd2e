"""Where the words of a level line, or of a mark, stand: where they hide neither curve, nor line, nor other words.

In: axes whose limits are set, the levels, and the curves to keep off.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SIZE: Final = 11  # px
LETTER: Final = 0.56  # of the size: how wide a letter is on average, with some to spare
TAIL: Final = 3  # px of letters below the line that they stand on
HIGH: Final = SIZE + TAIL
GAP: Final = 4  # px between a line and its words
RISES: Final = (
    GAP,
    -GAP - HIGH,
    GAP + 15,
    -GAP - HIGH - 15,
    GAP + 30,
    GAP + 45,
)  # px, from the line to the foot
MARK_SIZE: Final = 12  # px, bold
MARK_LETTER: Final = 0.62
MARK_OFF: Final = 9  # px from a mark to its words, to the side and up or down
STEP: Final = 4.0  # px between the points of a curve that are looked at

Curve = Sequence[tuple[float, float]]


@dataclass(frozen=True)
class Level:
    """A line at one value, and its words."""

    value: float
    words: str
    colour: str


@dataclass(frozen=True)
class Box:
    """Room that words take. [px]"""

    left: float
    right: float
    foot: float
    head: float

    def holds(self, points: np.ndarray) -> int:
        """Return how many points are inside, or so near that they touch."""
        x, y = points[:, 0], points[:, 1]
        inside = (self.left - 2 < x) & (x < self.right + 2) & (self.foot - 3 < y) & (y < self.head + 3)
        return int(inside.sum())

    def meets(self, other: "Box") -> bool:
        """Return whether two share room."""
        return (
            self.left < other.right
            and other.left < self.right
            and self.foot < other.head
            and other.foot < self.head
        )


def name_mark(
    axes: "Axes", at: tuple[float, float], words: str, levels: Sequence[Level], curve: Curve, colour: str
) -> Box:
    """Write the words of a mark at one point beside it, below it if that is as good; return where they stand."""
    frame = axes.get_window_extent()
    x, y = axes.transData.transform(at)
    lines = [float(axes.transData.transform((0.0, level.value))[1]) for level in levels]
    path = _path(axes, curve)
    wide, high = MARK_LETTER * MARK_SIZE * len(words), MARK_SIZE + TAIL
    found = [
        Box(left, left + wide, foot, foot + high)
        for foot in (y - MARK_OFF - high, y + MARK_OFF, y - MARK_OFF - 3 * high, y + MARK_OFF + 2 * high)
        for left in (x + MARK_OFF, x - MARK_OFF - wide)
    ]

    def hidden(box: Box) -> float:
        outside = min(box.left - frame.x0, frame.x1 - box.right, box.foot - frame.y0, frame.y1 - box.head) < 0
        crossed = sum(box.foot - 3 < each < box.head + 3 for each in lines)
        return float(1000 * outside + 400 * crossed + 20 * box.holds(path))

    box = min(found, key=hidden)  # of equal ones the first
    axes.annotate(
        words,
        (box.left - frame.x0, box.foot + TAIL - frame.y0),
        xycoords="axes pixels",
        color=colour,
        fontsize=MARK_SIZE,
        fontweight="bold",
    )
    return box


def name_levels(
    axes: "Axes",
    levels: Sequence[Level],
    curves: Sequence[Curve],
    edges: Sequence[Curve] = (),
    *,
    beside: Sequence[Box] = (),
) -> None:
    """Write the words of each level beside its line; *curves* and *edges* of bands are in the units of the axes.

    Words may stand over the edge of a band rather than far from their line, over a curve hardly, over other words
    (*beside*) never.
    """
    frame = axes.get_window_extent()
    inside = Box(frame.x0, frame.x1, frame.y0, frame.y1)
    paths = [(20, _path(axes, curve)) for curve in curves] + [(3, _path(axes, curve)) for curve in edges]
    lines = [float(axes.transData.transform((0.0, level.value))[1]) for level in levels]
    taken = list(beside)
    for level, line in zip(levels, lines, strict=True):
        box = min(
            _boxes(level, line, inside),
            key=lambda box: _hidden(box, line, inside, paths, lines, taken),
        )
        taken.append(box)
        axes.annotate(
            level.words,
            (box.left - frame.x0, box.foot + TAIL - frame.y0),
            xycoords="axes pixels",
            color=level.colour,
            fontsize=SIZE,
        )


def _path(axes: "Axes", curve: Curve) -> np.ndarray:
    """Return points of a curve, close to one another; shape (n, 2). [px]"""
    if not curve:
        return np.empty((0, 2))
    corners = np.asarray(axes.transData.transform(list(curve)))
    steps = np.linalg.norm(np.diff(corners, axis=0), axis=1)
    along = np.concatenate(([0.0], np.cumsum(steps)))
    at = np.linspace(0.0, along[-1], 1 + int(along[-1] / STEP))
    return np.column_stack([np.interp(at, along, corners[:, axis]) for axis in (0, 1)])


def _boxes(level: Level, line: float, inside: Box) -> list[Box]:
    width = LETTER * SIZE * len(level.words)
    first, last = inside.left + 6, max(inside.left + 6, inside.right - 4 - width)
    return [
        Box(left, left + width, line + rise, line + rise + HIGH)
        for rise in RISES
        for left in (last, first, *(first + (last - first) * share for share in (0.75, 0.5, 0.25)))
    ]


def _hidden(
    box: Box,
    line: float,
    inside: Box,
    paths: Sequence[tuple[int, np.ndarray]],
    lines: Sequence[float],
    taken: Sequence[Box],
) -> float:
    """Return how much words in a box would hide, and how far from their line they would be; less is better."""
    outside = box.foot < inside.foot or box.head > inside.head
    crossed = sum(box.foot - 3 < each < box.head + 3 for each in lines)
    over = sum(weight * box.holds(path) for weight, path in paths)
    beyond = sum((box.foot > other) != (line >= other) for other in lines if other != line)
    far = abs((box.foot + box.head) / 2 - line)
    return 1000 * outside + 1000 * any(map(box.meets, taken)) + 400 * crossed + 40 * beyond + over + far
