"""The part as pictures: from the front and from above, each stretch in the colour of the strand it is made of.

From above, later layers cover earlier ones, as on the bed.  Paths carry their layer's number, so that a
script can pick one out; without scripts the pictures stand as they are.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from gcodetool.report.html.scale import NONE, colours
from gcodetool.report.html.shapes import Shape

WIDTH: Final = 440  # units of a picture; its height follows, to
TALLEST: Final = 340
EDGE: Final = 10
FINE: Final = 10  # a path's own units in one of these
ROW: Final = 0.5  # units: layers closer than this are drawn as one row
BEAD_MM: Final = 0.5  # how wide a strand is drawn, at least a unit
FALLBACK_MM: Final = 0.2  # a layer's height where heights do not tell
FAR: Final = 0.002  # of all shapes at either end may lie far outside

Step = Callable[[int, int], int | None]  # layer, tool → step of the colour scale; None: not known


@dataclass(frozen=True)
class View:
    """One picture: its size in units, and how a place on the machine becomes one on it."""

    width: float
    height: float
    scale: float  # units per mm
    left_mm: float
    top_mm: float  # the machine's coordinate at the upper edge

    def x(self, x_mm: float) -> float:
        """Return the unit across of a place."""
        return EDGE + (x_mm - self.left_mm) * self.scale

    def y(self, up_mm: float) -> float:
        """Return the unit down of a place."""
        return EDGE + (self.top_mm - up_mm) * self.scale


@dataclass(frozen=True)
class ColouredPath:
    """Rectangles of one colour, as the data of one SVG path."""

    fill: str
    d: str


@dataclass(frozen=True)
class Strand:
    """One layer's path from above."""

    layer: int
    stroke: str
    d: str


@dataclass(frozen=True)
class Part:
    """Both pictures of a part, and its size. [mm]"""

    size_mm: tuple[float, float, float]
    front: View
    rows: tuple[ColouredPath, ...]
    above: View
    strands: tuple[Strand, ...]
    bead: float
    every: int


def part(shapes: Sequence[Shape], step: Step, *, every: int = 1) -> Part | None:
    """Return the pictures of *shapes*; None where there is nothing to draw."""
    drawn = [shape for shape in shapes if math.isfinite(shape.z_mm)]
    if not drawn:
        return None
    low, high = _corners(drawn)
    heights = heights_of(drawn)
    top = max(shape.z_mm for shape in drawn)
    floor = min(0.0, *(shape.z_mm - height for shape, height in zip(drawn, heights, strict=True)))
    front = _view(low[0], high[0], floor, top)
    above = _view(low[0], high[0], low[1], high[1])
    return Part(
        size_mm=(high[0] - low[0], high[1] - low[1], top),
        front=front,
        rows=_rows(drawn, heights, step, front),
        above=above,
        strands=tuple(_strands(drawn, step, above)),
        bead=max(1.1, BEAD_MM * above.scale),
        every=every,
    )


def _corners(drawn: Sequence[Shape]) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the corners of what is drawn; a few stray shapes of many do not count."""
    count = len(drawn)
    skip = int(FAR * count)
    low = [sorted(shape.low[axis] for shape in drawn)[skip] for axis in (0, 1)]
    high = [sorted(shape.high[axis] for shape in drawn)[count - 1 - skip] for axis in (0, 1)]
    return (low[0], low[1]), (high[0], high[1])


def heights_of(drawn: Sequence[Shape]) -> list[float]:
    """Return how high each shape is: the rise since the layer before, the usual one where it falls. [mm]"""
    rises = []
    before = 0.0
    for shape in drawn:
        rises.append(shape.z_mm - before)
        before = shape.z_mm
    usual = float(np.median([rise for rise in rises if rise > 0] or [FALLBACK_MM]))
    return [rise if 0 < rise <= 3 * usual else usual for rise in rises]


def _view(left: float, right: float, low: float, high: float) -> View:
    across, up = max(right - left, 1e-3), max(high - low, 1e-3)
    scale = min((WIDTH - 2 * EDGE) / across, (TALLEST - 2 * EDGE) / up)
    height = max(60.0, up * scale + 2 * EDGE)
    spare = (WIDTH - 2 * EDGE - across * scale) / 2 / scale
    lift = (height - 2 * EDGE - up * scale) / scale  # a flat part lies at the bottom
    return View(WIDTH, round(height, 1), scale, left - spare, high + lift)


def _rows(
    drawn: Sequence[Shape], heights: Sequence[float], step: Step, view: View
) -> tuple[ColouredPath, ...]:
    """Return the front view: what falls on the same row of the picture is drawn once, the wettest on top."""
    found: dict[int, dict[tuple[float, float, float, float], None]] = {}
    for shape, height in zip(drawn, heights, strict=True):
        upper, lower = view.y(shape.z_mm), view.y(shape.z_mm - height)
        upper, lower = math.floor(upper / ROW) * ROW, math.ceil(lower / ROW) * ROW
        wet = step(shape.layer, shape.tool)
        boxes = found.setdefault(-1 if wet is None else wet, {})
        for begin, end in shape.spans.tolist():
            left, right = max(0.0, round(view.x(begin), 1)), min(view.width, round(view.x(end), 1))
            if right > left:
                boxes[(left, upper, right, lower)] = None
    return tuple(
        ColouredPath(
            NONE if wet < 0 else colours()[wet],
            "".join(
                f"M{left:g} {upper:g}H{right:g}V{lower:g}H{left:g}z"
                for left, upper, right, lower in _joined(boxes)
            ),
        )
        for wet, boxes in sorted(found.items())
    )


def _joined(
    boxes: dict[tuple[float, float, float, float], None],
) -> list[tuple[float, float, float, float]]:
    """Return boxes with those joined that stand on each other exactly."""
    columns: dict[tuple[float, float], list[tuple[float, float]]] = {}
    for left, upper, right, lower in boxes:
        columns.setdefault((left, right), []).append((upper, lower))
    found = []
    for (left, right), spans in columns.items():
        spans.sort()
        begin, end = spans[0]
        for upper, lower in spans[1:]:
            if upper > end:
                found.append((left, begin, right, end))
                begin, end = upper, lower
            else:
                end = max(end, lower)
        found.append((left, begin, right, end))
    return found


def _strands(drawn: Sequence[Shape], step: Step, view: View) -> "list[Strand]":
    found = []
    for shape in drawn:
        if shape.path is None:
            continue
        wet = step(shape.layer, shape.tool)
        d = path_data(shape, view)
        if d:
            found.append(Strand(shape.layer, NONE if wet is None else colours()[wet], d))
    return found


def path_data(shape: Shape, view: View) -> str:
    """Return a path as SVG data in whole ``FINE`` parts of a unit, each step from the point before."""
    assert shape.path is not None
    x = (EDGE + (shape.path[:, 0] - view.left_mm) * view.scale) * FINE
    y = (EDGE + (view.top_mm - shape.path[:, 1]) * view.scale) * FINE
    gap = np.isnan(x) | (np.abs(x) > 1e6) | (np.abs(y) > 1e6)
    column = np.where(gap, 0.0, np.round(x)).astype(np.int64).tolist()
    line = np.where(gap, 0.0, np.round(y)).astype(np.int64).tolist()
    said: list[str] = []
    pen = False
    at_x = at_y = 0
    for lifted, to_x, to_y in zip(gap.tolist(), column, line, strict=True):
        if lifted:
            pen = False
            continue
        if not pen:
            said.append(f"M{to_x} {to_y}l")
        elif (to_x, to_y) != (at_x, at_y):
            step_y = to_y - at_y
            joint = "" if step_y < 0 else " "
            lead = "" if to_x < at_x or said[-1].endswith("l") else " "
            said.append(f"{lead}{to_x - at_x}{joint}{step_y}")
        pen, at_x, at_y = True, to_x, to_y
    return "".join(said).replace("lM", "M").removesuffix("l")
