"""What each tool of a job takes off its spool, and when: a timeline, tool by tool.

One row per stretch of one layer; who forecasts, plans or judges takes its feed from here.  Left out: the
spool (``moisture.forecast``), and how a feed is kept between calls (``queue.summary``).
"""

import math
from dataclasses import field, replace
from typing import TYPE_CHECKING, Any

from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from gcodetool.gcode.markers import ToolFacts
    from gcodetool.motion.timeline import Timeline

    Floats = NDArray[np.float64]
    Whole = NDArray[np.int64]


def no_rows(kind: type = float) -> "NDArray[Any]":
    """Return a column of no rows."""
    import numpy as np

    return np.zeros(0, dtype=kind)


@dataclass(frozen=True, eq=False)
class ToolFeed:
    """One tool of a job.

    Attributes
    ----------
    tool
        Its number.
    segments : (rows, 3)
        Start and end on the job's clock [s], and net length fed [mm].
    layer, offset : (rows,)
        Layer of each row (0: before the first mark), and the byte of the file at which it starts.
    z_mm : (rows,)
        Height; NaN where nothing is laid. [mm]
    filament_mm, extruding_s, needed_s
        Net length in all, time in which filament goes forward, clock at the end of that.
    until_s
        Clock at the job's end.
    material, diameter_mm, spool
        The slicer's word, its diameter, and the spool that the filament notes name; None: not said.
    """

    tool: int
    segments: "Floats" = field(repr=False)
    layer: "Whole" = field(repr=False)
    filament_mm: float
    extruding_s: float
    needed_s: float
    until_s: float
    z_mm: "Floats" = field(repr=False, default_factory=no_rows)
    offset: "Whole" = field(repr=False, default_factory=lambda: no_rows(int))
    material: str | None = None
    diameter_mm: float | None = None
    spool: str | None = None

    @property
    def forward_mm(self) -> float:
        """Sum of what the rows feed forward. [mm]"""
        import numpy as np

        return float(np.clip(self.segments[:, 2], 0.0, None).sum())

    def thinned(self, most: int | None) -> "ToolFeed":
        """Return the feed in at most so many rows: neighbours joined, ends and lengths kept; None: as it is."""
        import numpy as np

        rows = len(self.segments)
        if most is None or rows <= most:
            return self
        bounds = np.unique(np.linspace(0, rows, most + 1).astype(int))
        first, last = bounds[:-1], bounds[1:] - 1
        begin, end, fed = self.segments.T

        def firsts(values: "NDArray[Any]") -> "NDArray[Any]":
            return values[first] if len(values) else values

        return replace(
            self,
            segments=np.stack([begin[first], end[last], np.add.reduceat(fed, first)], axis=1),
            layer=self.layer[first],
            z_mm=firsts(self.z_mm),
            offset=firsts(self.offset),
        )


def feed_of(timeline: "Timeline", stated: "ToolFacts") -> ToolFeed:
    """Return what one tool takes off its spool; *stated*: what the slicer wrote down about that tool."""
    import numpy as np

    tool = stated.tool
    rows = np.flatnonzero(timeline.tool == tool)
    start = timeline.start_s[rows]
    end = start + timeline.moving_s[rows] + timeline.waiting_s[rows]
    return ToolFeed(
        tool=tool,
        segments=np.stack([start, end, timeline.fed_mm[rows]], axis=1),
        layer=timeline.layer[rows],
        z_mm=timeline.z_mm[rows],
        offset=timeline.offset[rows],
        filament_mm=timeline.filament_mm(tool),
        extruding_s=timeline.extruding_of_s(tool),
        needed_s=timeline.needed_s(tool),
        until_s=timeline.open_air_s,
        material=stated.filament_type,
        diameter_mm=stated.diameter_mm,
        spool=stated.spool,
    )


def mass_g(length_mm: float, diameter_mm: float, density_kg_m3: float) -> float:
    """Return the mass of a length of strand.

    >>> round(mass_g(1000.0, 1.75, 1240.0), 3)
    2.983
    """
    return length_mm * math.pi * diameter_mm**2 / 4 * density_kg_m3 * 1e-6
