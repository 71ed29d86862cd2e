"""What a queue comes to: the dataclasses that the table, JSON and HTML are made from.

Times are seconds since 1970 UTC, contents wt %.  None stands for what cannot be known.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final, Literal

from gcodetool.judge.verdict_codes import BADNESS, EXIT_CODES, Code
from gcodetool.queue.spool_steps import Waits
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from gcodetool.moisture.record import Spool
    from gcodetool.queue.summary import ToolSummary

Verdict = Literal[
    "clear", "adjust", "runs-out", "dry-first", "unknown", "which-filament", "unreadable", "not-read"
]
How = Literal["named", "noted", "mounted", "chosen", "none"]
Progress = Literal["done", "running"]  # of what a plan began that is taken up again
Action = Literal["clear", "take-out", "put-in", "start"]
Bottleneck = Literal["printer", "dryer", "presence", "reel", "filament", "water", "time", "box"]

ORDER: Final[tuple[Verdict, ...]] = (*BADNESS, "which-filament", "unreadable", "not-read")
ASKED: Final = "which-filament"  # nobody named the filament: the shop is asked, nothing is started
GOOD_ENOUGH: Final = ("clear", "adjust")


@dataclass(frozen=True)
class ToolRow:
    """One tool of one job.

    Attributes
    ----------
    tool, spool, how : whose filament, and why that spool: named in the list, noted in the file, mounted
        on the printer, chosen; "none": there is none.
    material : the spool's, else the slicer's word.
    filament_mm, left_mm, short_mm : what the job feeds, what the reel holds before it, what is missing.
    extruding_s, needed_s : time in which filament flows; the clock at its end.
    safe_s : idle time in open air until what is fed next passes the marginal limit; None with a *source*:
        beyond what was looked at.
    source, air : "model" or "stated"; the air of the print.
    start_wt_pct, worst_wt_pct : at the confidence asked for.
    code, share, outcomes, because, from_layer : as a check says them.
    box : the place that the reel stands in while it feeds the printer; None: at the printer.
    """

    tool: int
    spool: str | None
    how: How
    material: str | None
    filament_mm: float
    extruding_s: float
    needed_s: float
    code: Verdict
    because: str
    left_mm: float | None = None
    short_mm: float = 0.0
    safe_s: float | None = None
    source: str | None = None
    air: str | None = None
    start_wt_pct: float | None = None
    worst_wt_pct: float | None = None
    share: float | None = None
    outcomes: dict[Code, float] | None = None
    from_layer: int | None = None
    cautions: tuple[str, ...] = ()
    box: str | None = None

    @property
    def margin_s(self) -> float | None:
        """What is left of the safe exposure when filament has flowed; None as of ``safe_s``."""
        return None if self.safe_s is None else self.safe_s - self.needed_s


def empty_row(
    tool: "ToolSummary",
    code: Verdict,
    because: str,
    *,
    spool: str | None = None,
    stock: "Spool | None" = None,
) -> ToolRow:
    """Return a row of which only the job's side is known."""
    return ToolRow(
        tool=tool.tool,
        spool=spool,
        how="none",
        material=tool.material if stock is None else stock.material.key,
        filament_mm=tool.filament_mm,
        extruding_s=tool.extruding_s,
        needed_s=tool.needed_s,
        code=code,
        because=because,
    )


@dataclass(frozen=True)
class JobRow:
    """One job.

    Attributes
    ----------
    number : place in the list, from 1.
    held : its spool is too wet for it, too short, or not known: it is not run, takes no time and no filament.
    start_s, end_s : when it runs; of a held one, when it would have begun.
    in_time : whether it ends by its due time; None: it has none.
    met : clear or adjust, enough filament, and in time.
    priority : as many jobs it counts for.
    why : why this spool, this printer and this time.
    bottleneck : of one that does not make it, what it lacks; None: nobody looked, or several at once.
    instead : of one that does not make it, what drying would do; None: it cannot be dried, or nobody looked.
    error : what is wrong with the file.
    progress : of a plan that was begun and is taken up again, of what was begun; then all is as that plan had it.
    cautions, file_cautions : about spools and filament; about the file and its times.
    machine_cautions : what it asks of its printer beyond hot end, bed and height.
    """

    number: int
    path: str
    printer: str | None
    verdict: Verdict
    because: str
    sha256: str | None = None
    start_s: float | None = None
    end_s: float | None = None
    earliest_s: float | None = None
    due_s: float | None = None
    in_time: bool | None = None
    met: bool = False
    held: bool = False
    moving_s: float | None = None
    extruding_s: float | None = None
    waiting_s: float | None = None
    open_air_s: float | None = None
    tools: tuple[ToolRow, ...] = ()
    priority: int = 1
    why: str | None = None
    bottleneck: Bottleneck | None = None
    instead: str | None = None
    error: str | None = None
    cautions: tuple[str, ...] = ()
    file_cautions: tuple[str, ...] = ()
    machine_cautions: tuple[str, ...] = ()
    progress: Progress | None = None

    @property
    def all_cautions(self) -> tuple[str, ...]:
        """All of them, what the printer cannot do first."""
        return (*self.machine_cautions, *self.cautions, *self.file_cautions)


@dataclass(frozen=True)
class DryingRow:
    """A spool in a dryer: from when to when, how hot, what for.

    ``knob_C`` is what the dryer must show for that; None where nothing is to be set.  ``reached`` is the limit
    that everything the job feeds lies below at the end: "good" or "marginal"; ``undried`` and ``because``: what the
    job would come to at the same time without the drying (of a spool that stood in the dryer: at its beginning);
    ``others``: where that is good enough, the other jobs that would not make it then; ``progress``: as of a job.
    """

    spool: str
    material: str
    dryer: str
    in_s: float
    out_s: float
    temperature_C: float
    knob_C: float | None
    binding: str
    reached: str
    before_wt_pct: float
    after_wt_pct: float
    for_number: int
    undried: Verdict
    because: str
    cautions: tuple[str, ...] = ()
    progress: Progress | None = None
    others: tuple[int, ...] = ()

    @property
    def seconds(self) -> float:
        """How long it stays in."""
        return self.out_s - self.in_s


@dataclass(frozen=True)
class WaitRow:
    """A dried spool that waits for its job in the dryer that it was dried in, from its last use until the job begins.

    ``waits``: with the heat off, at about ``temperature_C``, its room's, or warm at it; ``stays``: it is in there already.
    ``undried`` and ``because``: what the job would come to had it gone back to its place instead; ``progress``: as of a job.
    """

    spool: str
    material: str
    dryer: str
    in_s: float
    out_s: float
    waits: Waits
    temperature_C: float
    stays: bool
    before_wt_pct: float
    after_wt_pct: float
    for_number: int
    undried: Verdict
    because: str
    cautions: tuple[str, ...] = ()
    progress: Progress | None = None

    @property
    def seconds(self) -> float:
        """How long it waits there."""
        return self.out_s - self.in_s


@dataclass(frozen=True)
class HandOff:
    """Something that somebody has to do at one moment.

    Attributes
    ----------
    where : the dryer or printer; None: the only printer, which has no name.
    spools : that it is about; of a start, all that the job is fed from.
    number : of the job that it is for, or whose parts are taken off.
    mounted, straight, cleared : of a start, the spools to mount, those that come out of a dryer for it at that
        moment, and the job whose parts come off first.
    temperature_C, knob_C : of a dryer, as for a drying.
    until_s : when the drying or the job ends.
    boxed : of a start, (spool, box) of those that stand in a box while they feed the printer;
    into : those of them that are put into it for that.
    again : of a start, reels that hung there before and were put back or dried since.
    fetched : (reel, place) of those to mount that do not come out of a dryer, and where each is; of a printer's, its name.
    off : (reel, place) of reels that come off a printer or out of a box, and where each goes back to; None: it stays by
        the printer. Of what is taken out of a dryer, where it waits.
    stands : of what is dried, or waits there, that it is in the dryer already and stays there.
    waits : of what is put into a dryer or taken out, that it is dry and waits there for its job: with the heat off, or warm.
    """

    at_s: float
    action: Action
    where: str | None
    spools: tuple[str, ...] = ()
    number: int | None = None
    mounted: tuple[str, ...] = ()
    straight: tuple[str, ...] = ()
    cleared: int | None = None
    temperature_C: float | None = None
    knob_C: float | None = None
    until_s: float | None = None
    boxed: tuple[tuple[str, str], ...] = ()
    into: tuple[str, ...] = ()
    again: tuple[str, ...] = ()
    fetched: tuple[tuple[str, str], ...] = ()
    off: tuple[tuple[str, str | None], ...] = ()
    stands: bool = False
    waits: Waits | None = None


@dataclass(frozen=True)
class QueueFindings:
    """All that is known of a queue.

    Attributes
    ----------
    rows : in the list's order.
    dryings, waits : by time: what is dried, and what waits in a dryer.
    unmet, changes : jobs that are not clear or adjust by their due time; spools mounted that were not on the printer.
    search : how the plan was found, in words.
    handoffs : what somebody has to do, by time.
    present, presence : hours in which somebody is there, in words, and as stretches of the plan's time; none: always.
    heat_s : in which dryers are hot. [s]
    free_order : jobs may run in another order than the list's.
    at_most : how much ``made`` can be at most, as far as it is proven, in the list's order unless it is free; None: it is
        not.
    rough : stopped after a plan was found: it is shown as it was chosen by, not forecast in full.
    exact : nothing better can be found in this simulation, in this order, whatever is compared.
    complete : False where the call was stopped.
    begun_s : when the plan was made that is taken up again; None: it is a new one.
    made_room : (reel, moment) of those that the plan taken up again had taken out of a dryer to make room.
    lost : why the workers were there no more; None: they were to the end.
    """

    as_of_s: float
    confidence: float
    members: int
    rows: tuple[JobRow, ...]
    dryings: tuple[DryingRow, ...]
    changes: int
    search: str
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    complete: bool = True
    lost: str | None = None
    handoffs: tuple[HandOff, ...] = ()
    present: tuple[str, ...] = ()
    presence: tuple[tuple[float, float], ...] = ()
    heat_s: float = 0.0
    free_order: bool = False
    at_most: int | None = None
    exact: bool = False
    rough: bool = False
    begun_s: float | None = None
    waits: tuple[WaitRow, ...] = ()
    made_room: tuple[tuple[str, float], ...] = ()

    @property
    def inside(self) -> "tuple[DryingRow | WaitRow, ...]":
        """All that is in a dryer, or was and is over, by time."""
        return tuple(sorted((*self.dryings, *self.waits), key=lambda each: (each.in_s, each.out_s)))

    @property
    def made(self) -> int:
        """Jobs that are clear or adjust by their due time, each as often as its priority says."""
        return sum(row.priority for row in self.rows if row.met)

    @property
    def unmet(self) -> int:
        """Jobs that are not clear or adjust by their due time."""
        return sum(not row.met for row in self.rows)

    @property
    def verdict(self) -> Verdict:
        """The worst of all rows; nothing to judge is unknown."""
        return worst([row.verdict for row in self.rows])

    @property
    def exit_code(self) -> int:
        """The worst verdict's; 1 where a file could not be read."""
        return exit_code(self.verdict)


def worst(verdicts: Sequence[Verdict]) -> Verdict:
    """Return the worst verdict; of none, unknown.

    >>> worst(["clear", "unreadable", "unknown"])
    'unreadable'
    """
    return max(verdicts, key=ORDER.index, default="unknown")


def exit_code(verdict: Verdict) -> int:
    """Return the exit code of a queue whose worst row has that verdict.

    >>> exit_code("runs-out"), exit_code("which-filament"), exit_code("unreadable")
    (21, 30, 1)
    """
    for code, number in EXIT_CODES.items():
        if code == verdict:
            return number
    return EXIT_CODES["unknown"] if verdict == ASKED else 1
