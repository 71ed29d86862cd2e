"""A sliced file boiled down to what a forecast needs: small enough to keep, exact enough to judge by.

``summarise`` reads and plans a file once.  The columns hold one row per stretch of one layer and one tool; what
belongs to single moves is gone.  Left out: how it is kept (``job_cache``), the spools (``forecast_memo``).
"""

import functools
import hashlib
from dataclasses import asdict, field, fields
from typing import TYPE_CHECKING, Final

from gcodetool.errors import GcodeError
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from pathlib import Path

    from gcodetool.motion.feed import ToolFeed
    from gcodetool.profiles import Printer

COLUMNS: Final = 4  # start, end [s], net length [mm], layer


@dataclass(frozen=True)
class ToolSummary:
    """What a job takes from one tool's spool; words are the slicer's."""

    tool: int
    filament_mm: float
    extruding_s: float
    needed_s: float
    rows: int
    material: str | None = None
    diameter_mm: float | None = None
    spool: str | None = None


@dataclass(frozen=True)
class JobSummary:
    """A sliced file in time; ``columns`` are little-endian floats, tool after tool. [s, mm]

    ``machine_cautions``: what it asks of the printer beyond hot end, bed and height.
    """

    sha256: str
    dialect: str
    family: str | None
    layers: int
    moving_s: float
    extruding_s: float
    waiting_s: float
    open_air_s: float
    tools: tuple[ToolSummary, ...]
    cautions: tuple[str, ...]
    columns: bytes = field(repr=False, default=b"")
    machine_cautions: tuple[str, ...] = ()

    def feed(self, tool: int) -> "ToolFeed":
        """Return what one tool takes off its spool, without heights and places in the file."""
        import numpy as np

        from gcodetool.motion.feed import ToolFeed

        table = np.frombuffer(self.columns, dtype="<f8").reshape(-1, COLUMNS)
        first = 0
        for each in self.tools:
            if each.tool == tool:
                rows = table[first : first + each.rows]
                facts = {name: value for name, value in asdict(each).items() if name != "rows"}
                return ToolFeed(
                    segments=np.ascontiguousarray(rows[:, :3]),
                    layer=rows[:, 3].astype(np.int64),
                    until_s=self.open_air_s,
                    **facts,
                )
            first += each.rows
        raise KeyError(tool)

    @functools.cached_property
    def digest(self) -> str:
        """Digest of all that a forecast takes from the job."""
        tools = repr(self.tools).encode()
        return hashlib.sha256(tools + repr(self.open_air_s).encode() + self.columns).hexdigest()


def summarise(
    path: "Path",
    *,
    printer: "Printer | None",
    diameters: "dict[int, float] | None" = None,
    sha256: str | None = None,
) -> JobSummary:
    """Return the job in the file *path*, timed for *printer*.

    Parameters
    ----------
    diameters : filament diameters by tool where they are known; else the slicer's. [mm]
    sha256 : of the file's bytes, where it is known; else it is worked out.

    Raises
    ------
    GcodeError
        It cannot be read, or lays down no filament.
    """
    import numpy as np

    from gcodetool.gcode.program import read
    from gcodetool.motion.feed import feed_of
    from gcodetool.motion.file_cautions import file_cautions, nothing_fed
    from gcodetool.motion.machine_limits import machine_cautions
    from gcodetool.motion.timing import build_timeline

    program = read(path, dialect=None if printer is None else printer.dialect)
    timeline = build_timeline(program, printer=printer, filament_diameter_mm=diameters or None)
    if not timeline.tools:
        raise GcodeError(f"{path}: {nothing_fed(program, timeline)}")
    tools, columns = [], []
    for tool in timeline.tools:
        feed = feed_of(timeline, program.facts.of_tool(tool))
        rows = np.column_stack([feed.segments, feed.layer.astype(np.float64)]).astype("<f8")
        columns.append(rows.tobytes())
        named = {each.name: getattr(feed, each.name) for each in fields(ToolSummary) if each.name != "rows"}
        tools.append(ToolSummary(**named, rows=len(rows)))
    return JobSummary(
        sha256=program.sha256 if sha256 is None else sha256,
        dialect=program.dialect.label,
        family=program.known_family,
        layers=timeline.layers,
        moving_s=timeline.total_moving_s,
        extruding_s=timeline.total_extruding_s,
        waiting_s=timeline.total_waiting_s,
        open_air_s=timeline.open_air_s,
        tools=tuple(tools),
        cautions=(*timeline.notes, *(text.replace("\n", " ") for text in file_cautions(program, timeline))),
        machine_cautions=machine_cautions(timeline, printer),
        columns=b"".join(columns),
    )
