"""What a check found: the dataclasses that reports print and ``prepare`` writes from.

Field names and units are those of the report contract (``docs/report.schema.json``).  None
stands for what cannot be known.
"""

from dataclasses import field
from typing import TYPE_CHECKING

from gcodetool.judge.verdict_codes import Code
from gcodetool.motion.changes import assumed_range
from gcodetool.motion.limits import LimitUse
from gcodetool.motion.timeline import Wait
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from collections.abc import Mapping

    from gcodetool.gcode.anchor import Anchor
    from gcodetool.moisture.notes import Note
    from gcodetool.moisture.record import Spool
    from gcodetool.moisture.state import State
    from gcodetool.motion.timeline import Timeline


@dataclass(frozen=True)
class Band:
    """Quantiles of a water content over the members. [wt %]"""

    p10: float | None
    p50: float | None
    p90: float | None


@dataclass(frozen=True)
class LayerForecast:
    """What one tool lays down in one layer, and how wet it arrives."""

    layer: int
    z_mm: float | None
    start_s: float
    filament_mm: float
    wt_pct: Band
    offset: int = 0  # byte at which the layer starts in the file


@dataclass(frozen=True)
class SpoolState:
    """A spool at one moment."""

    as_of_s: float
    next_fed_wt_pct: Band
    mean_wt_pct: Band
    path_wt_pct: Band | None
    remaining_mm: float
    place: str
    assumed: "tuple[Note, ...]" = ()


@dataclass(frozen=True)
class Exposure:
    """Open-air time that is safe, and that the job needs. [s]"""

    safe_s: float | None
    needed_s: float | None
    margin_s: float | None
    source: str
    air: str
    air_assumed: bool = False


@dataclass(frozen=True)
class Forecast:
    """Contents over the job against the material's limits. [wt %]"""

    limit_good_wt_pct: float
    limit_marginal_wt_pct: float
    start_wt_pct: Band
    worst_wt_pct: Band
    layers: tuple[LayerForecast, ...]
    worst_of_good: float | None = None  # content over each member's own limit, at the verdict's share
    worst_of_marginal: float | None = None
    worst_at_share_wt_pct: float | None = None  # the worst content at the verdict's share; the middle at 0.5
    limits_source: str = "stated"  # or by which prints of one's own


@dataclass(frozen=True)
class ToolVerdict:
    """One tool's verdict in words; ``start_by_s`` in seconds since 1970 UTC.

    ``past_good`` and ``past_marginal`` are the first layers past each limit by the model, None where
    the strand never passes it or no model was asked; ``from_layer`` is the one that decides.
    """

    code: Code
    share: float | None
    because: str
    from_layer: int | None
    start_by_s: float | None
    past_good: int | None = None
    past_marginal: int | None = None
    outcomes: dict[Code, float] | None = None  # share of the members by outcome, in sum 1
    runs_out_layer: int | None = None  # by which half of the members that run out have done so
    by_model: bool = False  # not by the user's own figure, not by an inspection


@dataclass(frozen=True)
class Application:
    """Whether a tweak was written into a file, and what was written, or why nothing was."""

    done: bool
    text: str

    def __str__(self) -> str:
        """Return both in words.

        >>> str(Application(True, "line 41")), str(Application(False, "one nozzle serves several tools"))
        ('applied: line 41', 'not applied: one nozzle serves several tools')
        """
        return f"{'applied' if self.done else 'not applied'}: {self.text}"


@dataclass(frozen=True)
class Tweak:
    """One setting that may help a marginal spool through; a suggestion with its bounds inside.

    ``apply`` is the word of ``prepare --apply`` that writes it into a file, None = none does; ``applied``
    says what became of it, None = nobody asked.
    """

    setting: str
    before: float | None
    after: float
    unit: str
    because: str
    effect: str = ""
    cost: str = ""
    confidence: str = "estimated"
    apply: str | None = None
    applied: Application | None = None

    @property
    def step(self) -> str:
        """From what to what, in words.

        >>> Tweak("retraction length", 0.8, 0.95, "mm", "").step, Tweak("wipe", 0.0, 1.0, "switch", "").step
        ('0.8 to 0.95 mm', 'on')
        """
        if self.unit == "switch":
            return "on" if self.after else "off"
        before = "" if self.before is None else f"{self.before:g} to "
        return f"{before}{self.after:g} {self.unit}"


@dataclass(frozen=True)
class BoxAtFeed:
    """What a job comes to when it is fed from one box; ``rh_pct`` as read, None: nobody read it."""

    place: str
    rh_pct: float | None
    verdict: Code
    enough: bool


@dataclass(frozen=True)
class FeedNeed:
    """How dry the air at the feed must be.

    ``place`` and ``rh_pct`` are the box that was asked about and what it shows, None: none was named, nobody read it.
    From a box that shows at most ``rh_max_pct`` the job ends in ``verdict`` or better; both None: no box is so dry.
    """

    place: str | None
    rh_pct: float | None
    verdict: Code | None
    rh_max_pct: float | None
    boxes: tuple[BoxAtFeed, ...] = ()


@dataclass(frozen=True)
class ToolFindings:
    """All that is known of one tool's filament."""

    tool: int
    spool: str | None
    material: str | None
    filament_mm: float
    mass_g: float | None
    extruding_s: float
    verdict: ToolVerdict
    state: SpoolState | None = None
    exposure: Exposure | None = None
    forecast: Forecast | None = None
    tweaks: tuple[Tweak, ...] = ()
    advice: tuple[str, ...] = ()
    nozzle_C: float | None = (
        None  # after the first layer, and the mean time in the melt, where they are known
    )
    melt_s: float | None = None
    sharpen: str | None = None  # the record that would tell most, where one would
    feed: FeedNeed | None = None  # where a drier feed would help, or was asked about
    misfits: tuple[str, ...] = ()  # of its cautions those that it is the wrong reel, for answers of one line


@dataclass(frozen=True)
class JobFindings:
    """All that is known of one job."""

    path: str
    sha256: str
    bytes: int
    lines: int
    dialect: str
    dialect_reason: str
    dialect_sure: bool
    family: str | None
    layers: int
    unknown_commands: dict[str, int]
    moving_s: float
    extruding_s: float
    waiting_s: float
    open_air_s: float
    slicer_claim_s: float | None
    moving_s_range: tuple[float, float] | None  # None: no limit is guessed, or nobody looked
    claim_difference: tuple[tuple[str, float], ...] | None  # kind, seconds; None: no claim, or nobody looked
    rules: str
    limits: tuple[LimitUse, ...]
    waits: tuple[Wait, ...]
    as_of_s: float
    verdict: Code
    tools: tuple[ToolFindings, ...]
    cautions: tuple[str, ...] = field(default=())

    @property
    def feed(self) -> FeedNeed | None:
        """What the feed of the whole job needs: of the tool that needs it driest; None: of no tool that is known."""
        needs = [tool.feed for tool in self.tools if tool.feed is not None]
        return min(needs, key=lambda need: -1.0 if need.rh_max_pct is None else need.rh_max_pct, default=None)

    @property
    def change_s_range(self) -> tuple[float, float] | None:
        """Least and most that tool changes take in all; None: the length of none is assumed."""
        return assumed_range(self.waits)


@dataclass(frozen=True)
class SpoolOverJob:
    """A tool's spool, its state at the start, and at the end if it prints the job; *after* None: it is empty."""

    spool: "Spool"
    state: "State"
    after: "State | None"


@dataclass(frozen=True)
class ExaminedJob:
    """Findings, and what they rest on; ``spools`` by tool, of tools whose record is known."""

    findings: JobFindings
    timeline: "Timeline"
    anchor: "Anchor | None"
    spools: "Mapping[int, SpoolOverJob]" = field(default_factory=dict)
