"""A job in time: what one row per stretch of one layer and one tool says, its waits and demands.

Clocks start with the file's first line and include waits.  Left out: how it is made (``timing``).
"""

import math
from array import array
from collections.abc import Mapping
from dataclasses import field
from typing import TYPE_CHECKING, Any

from gcodetool.gcode.odd import OddFeature
from gcodetool.gcode.targets import Target
from gcodetool.motion.limits import LimitUse
from gcodetool.motion.reach import Overrun
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Wait:
    """One place where the job waits.

    Attributes
    ----------
    line : 1-based; 1 for a start that no line shows.
    kind : ``start``, ``heat``, ``dwell``, ``pause`` or ``change``.
    seconds : how long; heating that the start's wait covers is 0. [s]
    assumed : the length is an assumption.
    text : the command, with the reason where the file does not give the length.
    between_s : least and most, where an assumed length has a spread. [s]
    claimed_s : what the slicer's claim counts for it. [s]
    """

    line: int
    kind: str
    seconds: float
    assumed: bool
    text: str
    between_s: tuple[float, float] | None = None
    claimed_s: float = 0.0


@dataclass(frozen=True)
class Heating:
    """A line that names a nozzle temperature.

    Attributes
    ----------
    line, offset : 1-based, and the byte at which it starts.
    layer : layer in hand, 0 before the first.
    target : the number; one line may hold several.
    text : the line.
    """

    line: int
    offset: int
    layer: int
    target: Target
    text: str


@dataclass(frozen=True)
class Demands:
    """What a job asks of one tool.

    Attributes
    ----------
    tool : its number.
    flow_s : seconds of forward X/Y moves by volumetric flow at cruise, bins of ``flow_bin_mm3_s``
        from 0; the last holds all above. [s]
    flow_bin_mm3_s : width of a bin. [mm3/s]
    forward_mm : filament fed forward. [mm]
    path_mm : X/Y path with filament. [mm]
    travel_mm : X/Y path without. [mm]
    retractions, longest_retraction_mm : how often filament goes back, and how far at most. [-, mm]
    longest_over_print_mm : the longest X/Y path between two lines from the second layer on, so over what
        is printed already; that of the whole job where there is but one layer. [mm]
    """

    tool: int
    flow_s: "array[float]" = field(repr=False)
    flow_bin_mm3_s: float
    forward_mm: float
    path_mm: float
    travel_mm: float
    retractions: int
    longest_retraction_mm: float
    longest_over_print_mm: float = 0.0

    def flow(self, quantile: float) -> float:
        """Return the flow that is not passed in *quantile* of the time that plastic is laid. [mm3/s].

        The upper edge of the bin; 0 where nothing is laid.
        """
        total = math.fsum(self.flow_s)
        if total <= 0:
            return 0.0
        reached = 0.0
        for place, seconds in enumerate(self.flow_s):
            reached += seconds
            if reached >= quantile * total * (1 - 1e-12) and reached > 0:
                return (place + 1) * self.flow_bin_mm3_s
        return len(self.flow_s) * self.flow_bin_mm3_s


class _Column:
    """A column to compute with, made when it is first asked for: importing numpy takes longer than a small file."""

    def __set_name__(self, _: type, name: str) -> None:
        self.name = name

    def __get__(self, timeline: "Timeline", _: type) -> "NDArray[Any]":
        import numpy as np

        made = np.array(timeline.columns[self.name])
        timeline.__dict__[self.name] = made  # found there the next time
        return made


@dataclass(frozen=True)
class Timeline:
    """A job in time.  Columns have one row per stretch of one layer and one tool, in file order.

    Attributes
    ----------
    columns : what the file gave, by the names below; the attributes are the same as arrays of numpy.
    layer, tool, line, offset : layer number (0: before the first mark), tool, and the 1-based line and
        byte offset at which the stretch starts (a layer's: its mark's).
    z_mm : height of the first extrusion with X or Y in it; NaN: none. [mm]
    start_s : when it starts. [s]
    moving_s, extruding_s, waiting_s : planned motion, of it with filament going forward, and waits. [s]
    fed_mm, forward_mm : filament, net and forward; the firmware's own retractions left out, and what end code
        meant for another firmware would pull out of the print again. [mm]
    last_forward_s : when its last forward extrusion ends; NaN: none. [s]
    total_moving_s, total_extruding_s, total_waiting_s, open_air_s : sums. [s]
    layers, lines, moves : layer marks, lines of the file, moves planned.
    limits : what the times rest on, with sources.
    waits : each wait, in file order.
    notes : cautions, one line each.
    rules : the dialect that the job is timed by.
    unknown : commands that the dialect does not know, and how often.
    demands : per tool that moves, by tool number.
    low_box : x0, y0, x1, y1 of motion below the watched height after the watched place; None where not
        all of it was followed. [mm]
    heating : each line that names a nozzle temperature, in file order.
    overruns : moves beyond the printer's bed and height, by side.
    odd : what the firmware drops, refuses or does unseen, by line.
    table : only on demand, (moves, 6): line, kind bits, seconds speeding up, at speed, slowing down,
        speed at the start. [-, -, s, s, s, mm/s]
    """

    columns: Mapping[str, "array[Any]"] = field(repr=False)
    total_moving_s: float
    total_extruding_s: float
    total_waiting_s: float
    open_air_s: float
    layers: int
    lines: int
    moves: int
    limits: tuple[LimitUse, ...]
    waits: tuple[Wait, ...]
    notes: tuple[str, ...]
    rules: str
    unknown: dict[str, int]
    demands: dict[int, Demands]
    low_box: tuple[float, float, float, float] | None = None
    table: "Floats | None" = None
    heating: tuple[Heating, ...] = ()
    overruns: tuple[Overrun, ...] = ()
    odd: tuple[OddFeature, ...] = ()

    layer = _Column()
    tool = _Column()
    line = _Column()
    offset = _Column()
    z_mm = _Column()
    start_s = _Column()
    moving_s = _Column()
    extruding_s = _Column()
    waiting_s = _Column()
    fed_mm = _Column()
    forward_mm = _Column()
    last_forward_s = _Column()

    @property
    def tools(self) -> tuple[int, ...]:
        """Tools that feed filament forward, by number."""
        pairs = zip(self.columns["tool"], self.columns["forward_mm"], strict=True)
        return tuple(sorted({tool for tool, forward in pairs if forward > 0}))

    def filament_mm(self, tool: int) -> float:
        """Return the net filament that *tool* feeds. [mm]."""
        return math.fsum(self._of(tool, "fed_mm"))

    def extruding_of_s(self, tool: int) -> float:
        """Return how long *tool* feeds filament forward. [s]."""
        return math.fsum(self._of(tool, "extruding_s"))

    def needed_s(self, tool: int) -> float:
        """Return the clock at the end of *tool*'s last forward extrusion; 0 where it has none. [s]."""
        times = [time for time in self._of(tool, "last_forward_s") if not math.isnan(time)]
        return max(times, default=0.0)

    def _of(self, tool: int, column: str) -> "list[Any]":
        """Return the rows of *tool* in a column."""
        pairs = zip(self.columns["tool"], self.columns[column], strict=True)
        return [value for of, value in pairs if of == tool]
