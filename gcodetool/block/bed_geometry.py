"""A free spot on the bed: inside its outline, clear of the job's motion and of what is cut out.

Plain geometry of polygons and boxes; nothing here knows files or machines.
"""

import math
from collections.abc import Iterator, Sequence
from typing import Final

Point = tuple[float, float]
Box = tuple[float, float, float, float]  # x0, y0, x1, y1

EDGE_MM: Final = 5.0  # the spot keeps so far from the bed's outline
CLEAR_MM: Final = 10.0  # and from the job: 8 mm of keep-out and the nozzle's own width
GRID_MM: Final = 5.0
ENOUGH_MM: Final = 30.0  # more room than this is no better


def box_polygon(box: Box) -> tuple[Point, ...]:
    """Return the corners of *box*."""
    x0, y0, x1, y1 = box
    return (x0, y0), (x1, y0), (x1, y1), (x0, y1)


def inside(polygon: Sequence[Point], point: Point) -> bool:
    """Tell whether *point* lies in *polygon*; its outline counts as inside.

    >>> inside([(0, 0), (10, 0), (10, 10), (0, 10)], (10, 5))
    True
    """
    return _odd_crossings(polygon, point) or edge_distance(polygon, point) < 1e-9


def _odd_crossings(polygon: Sequence[Point], point: Point) -> bool:
    """Return the even-odd rule's answer."""
    x, y = point
    odd = False
    for (ax, ay), (bx, by) in _sides(polygon):
        if (ay > y) != (by > y) and x < ax + (y - ay) / (by - ay) * (bx - ax):
            odd = not odd
    return odd


def edge_distance(polygon: Sequence[Point], point: Point) -> float:
    """Return the distance from *point* to the nearest side of *polygon*.

    >>> square = [(10.0, 10.0), (30.0, 10.0), (30.0, 30.0), (10.0, 30.0)]
    >>> edge_distance(square, (13.0, 25.0)), edge_distance(square, (33.0, 34.0))
    (3.0, 5.0)
    """
    return min(_segment_distance(a, b, point) for a, b in _sides(polygon))


def _sides(polygon: Sequence[Point]) -> Iterator[tuple[Point, Point]]:
    return zip(polygon, (*polygon[1:], polygon[0]), strict=True)


def _segment_distance(a: Point, b: Point, point: Point) -> float:
    along_x, along_y = b[0] - a[0], b[1] - a[1]
    length2 = along_x**2 + along_y**2
    share = 0.0
    if length2 > 0:
        share = ((point[0] - a[0]) * along_x + (point[1] - a[1]) * along_y) / length2
        share = min(1.0, max(0.0, share))
    return math.hypot(point[0] - a[0] - share * along_x, point[1] - a[1] - share * along_y)


def box_distance(box: Box, point: Point) -> float:
    """Return the distance from *point* to *box*; 0 inside.

    >>> box_distance((0, 0, 10, 10), (13, 14))
    5.0
    """
    x0, y0, x1, y1 = box
    return math.hypot(max(x0 - point[0], 0.0, point[0] - x1), max(y0 - point[1], 0.0, point[1] - y1))


def free_spot(
    bed: Sequence[Point],
    *,
    keep_out: Box,
    exclude: Box | None,
    park: Point | None,
    start: Point,
) -> Point | None:
    """Return a spot on *bed* that is clear of everything, reached from *start* over the bed; or None.

    Parameters
    ----------
    bed : corners of the printable area. [mm]
    keep_out : box of the job's motion; the spot stays ``CLEAR_MM`` away from it.
    exclude : box of what is cut out of the bed.
    park : the user's own free spot, taken where it is clear.
    start : where the head comes from and goes back to.
    """

    def room(point: Point) -> tuple[float, float] | None:
        """Return the distances to the nearest thing to stay clear of and to the bed's edge; None: too near."""
        clear = box_distance(keep_out, point)
        if exclude is not None:
            clear = min(clear, box_distance(exclude, point))
        if clear < CLEAR_MM:
            return None
        edge = edge_distance(bed, point)
        return (clear, edge) if edge >= EDGE_MM and inside(bed, point) else None

    if park is not None and room(park) is not None and _over(bed, exclude, start, park):
        return park
    best: tuple[float, float, float] | None = None
    found = None
    for point in _grid(bed):
        free = room(point)
        if free is None:
            continue
        # room first, then the edge of the bed, then a short way
        rank = (-min(free[0], ENOUGH_MM), free[1], math.dist(start, point))
        if (best is None or rank < best) and _over(
            bed, exclude, start, point
        ):  # the way costs most, so it is last
            best, found = rank, point
    return found


def _grid(bed: Sequence[Point]) -> Iterator[Point]:
    across, along = zip(*bed, strict=True)
    # whole millimetres, and a few thousand spots on the largest bed
    step = max(GRID_MM, math.ceil(max(max(across) - min(across), max(along) - min(along)) / 60))
    for i in range(int((max(across) - min(across)) / step) + 1):
        for j in range(int((max(along) - min(along)) / step) + 1):
            yield min(across) + i * step, min(along) + j * step


def _over(bed: Sequence[Point], exclude: Box | None, start: Point, stop: Point) -> bool:
    """Tell whether the straight way lies over the bed (which need not be convex) and not over *exclude*."""
    for step in range(1, 16):
        share = step / 16
        point = start[0] + share * (stop[0] - start[0]), start[1] + share * (stop[1] - start[1])
        if not inside(bed, point) or (exclude is not None and box_distance(exclude, point) == 0.0):
            return False
    return True
