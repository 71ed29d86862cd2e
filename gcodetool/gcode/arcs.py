"""Where an arc reaches: the box around it, bulges included.

Left out: cutting arcs into chords (``motion``).
"""

import math

from gcodetool.gcode.rows import CLOCKWISE, RADIUS_FORM

Point = tuple[float, float]
Box = tuple[float, float, float, float]


def centre_of(start: Point, end: Point, i: float, j: float, arg: int) -> Point:
    """Return the centre of an arc row that goes from *start* to *end*. [mm].

    In the radius form (*i* holds R) a positive radius means the shorter way round, a negative one the longer.

    >>> centre_of((0, 0), (10, 0), 5, 0, RADIUS_FORM)
    (5.0, 0.0)
    """
    (x0, y0), (x1, y1) = start, end
    if not arg & RADIUS_FORM:
        return x0 + i, y0 + j
    dx, dy = x1 - x0, y1 - y0
    chord2 = dx * dx + dy * dy
    share = math.sqrt(max(0.0, i * i / chord2 - 0.25)) if chord2 else 0.0
    if (i < 0.0) != bool(arg & CLOCKWISE):
        share = -share
    return x0 + dx / 2 - dy * share, y0 + dy / 2 + dx * share


def box_of(start: Point, end: Point, i: float, j: float, arg: int) -> Box:
    """Return (min x, min y, max x, max y) of an arc row that goes from *start* to *end*. [mm].

    >>> box_of((1, 0), (0, 1), -1, 0, 0)  # a quarter to the left, around the origin
    (0, 0, 1, 1)
    >>> box_of((1, 0), (1, 0), -1, 0, 0)  # a full circle
    (-1.0, -1.0, 1, 1.0)
    """
    (x0, y0), (x1, y1) = start, end
    centre_x, centre_y = centre_of(start, end, i, j, arg)
    reach = math.hypot(x0 - centre_x, y0 - centre_y)
    begin = math.atan2(y0 - centre_y, x0 - centre_x)
    sweep = math.atan2(y1 - centre_y, x1 - centre_x) - begin
    sign = -1 if arg & CLOCKWISE else 1
    sweep = (sign * sweep) % math.tau or math.tau
    if sweep < 1e-9:  # back at the start but for rounding
        sweep = math.tau
    across, along = [x0, x1], [y0, y1]
    for quarter, (ux, uy) in enumerate(((1, 0), (0, 1), (-1, 0), (0, -1))):
        if (
            sign * (quarter * math.pi / 2 - begin)
        ) % math.tau <= sweep:  # one of the outermost points is passed
            across.append(centre_x + ux * reach)
            along.append(centre_y + uy * reach)
    return min(across), min(along), max(across), max(along)
