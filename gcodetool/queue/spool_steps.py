"""What happens to a spool from now on, step by step: the keys by which what becomes of it is remembered.

Left out: what comes of the steps (``spool_simulation``), and remembering it (``forecast_memo``).
"""

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import field
from typing import Any, Final, Literal

from gcodetool.quickdata import dataclass

Waits = Literal["off", "warm"]  # of a reel that waits in a dryer: whether that is heated


@dataclass(frozen=True)
class Print:
    """A job fed from the spool; *job* is its digest.

    ``off_s``: when it is taken off the printer, where nobody is there at the job's end; ``box``: the place that the
    reel stands in meanwhile; None: at the printer.
    """

    job: str
    tool: int
    start_s: float
    printer: str | None
    off_s: float | None = None
    box: str | None = None


@dataclass(frozen=True)
class Dry:
    """A stay in a dryer.

    ``beside``: of a dryer that keeps its own air, the other reels that are in it meanwhile, as they go in; ``waits``: it
    is dry already and only waits there for its job, with the heat off, or warm.
    """

    dryer: str
    in_s: float
    out_s: float
    temperature_C: float
    beside: "tuple[StepHistory, ...]" = ()
    waits: Waits | None = None


@dataclass(frozen=True)
class Leave:
    """Taken out of where it stands, to another place; None: to the room."""

    at_s: float
    place: str | None = None


Step = Print | Dry | Leave


def begin_of(step: Step) -> float:
    """Return when a step begins. [s]"""
    if isinstance(step, Print):
        return step.start_s
    return step.in_s if isinstance(step, Dry) else step.at_s


class StepHistory:
    """A spool and its steps so far; two are the same where spool and steps are.

    ``shared``: some of them rest on other spools, too.
    """

    __slots__ = ("before", "count", "digest", "shared", "spool", "step")

    def __init__(self, spool: str, before: "StepHistory | None" = None, step: Step | None = None) -> None:
        self.spool = spool
        self.before = before
        self.step = step
        self.count: int = 0 if before is None else before.count + 1
        self.shared: bool = (before is not None and before.shared) or bool(
            isinstance(step, Dry) and step.beside
        )
        behind = spool if before is None else before.digest
        self.digest: str = hashlib.sha256(f"{behind} {step!r}".encode()).hexdigest()

    def __repr__(self) -> str:  # it goes into digests of other spools' steps
        return f"StepHistory({self.digest})"

    def __hash__(self) -> int:
        return hash(self.digest)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, StepHistory) and self.digest == other.digest

    def __reduce__(self) -> Any:  # a long one would be too deep to pickle link by link
        return history_of, (self.spool, self.steps)

    def drying_key(self, dryer: str, in_s: float, length_mm: float, shared_C: float | None) -> str:
        """Return the digest of a question: how long such a drying takes after these steps."""
        asked = f"{self.digest} {dryer} {in_s!r} {length_mm!r} {shared_C!r}"
        return hashlib.sha256(asked.encode()).hexdigest()

    def hours_key(self, drying: Dry, step: Print, wanted: str) -> str:
        """Return the digest of a question: how long a job needs the spool dried after these steps."""
        return hashlib.sha256(f"{self.digest} {drying!r} {step!r} {wanted}".encode()).hexdigest()

    def with_step(self, step: Step) -> "StepHistory":
        """Return the history with one step more."""
        return StepHistory(self.spool, self, step)

    @property
    def steps(self) -> tuple[Step, ...]:
        """All steps, the first one first."""
        return tuple(part.step for part in self.parts()[1:] if part.step is not None)

    def parts(self) -> "list[StepHistory]":
        """Return the histories that this one grew through, from the one without a step to itself."""
        found: list[StepHistory] = []
        part: StepHistory | None = self
        while part is not None:
            found.append(part)
            part = part.before
        return found[::-1]


def history_of(spool: str, steps: Iterable[Step]) -> StepHistory:
    """Return the history of these steps."""
    history = StepHistory(spool)
    for step in steps:
        history = history.with_step(step)
    return history


@dataclass(frozen=True)
class DryingTime:
    """How long a spool needs in a dryer, and how hot; *reached*: the limit that it gets below.

    ``beside``: the reels that share the dryer's own air with it, as for :class:`Dry`.
    """

    seconds: float
    temperature_C: float
    knob_C: float | None
    binding: str
    reached: str
    beside: tuple[StepHistory, ...] = ()


@dataclass(frozen=True)
class Dried:
    """What a drying does to what is fed next, at the confidence asked for. [wt %]"""

    before_wt_pct: float
    after_wt_pct: float


@dataclass(frozen=True)
class ForecastOptions:
    """What a forecast is asked for.

    Attributes
    ----------
    pieces : of a job's feed at most, neighbours joined; None: every layer.
    exposures : also compute the safe exposure, which no verdict needs.
    """

    at_s: float
    confidence: float = 0.5
    members: int = 1
    pieces: int | None = None
    exposures: bool = False


@dataclass(frozen=True)
class Pasts:
    """What a plan did to spools by now that their records do not have.

    Attributes
    ----------
    histories : by spool.
    since : by spool, the moment before the first of its steps.
    """

    histories: Mapping[str, StepHistory] = field(default_factory=dict)
    since: Mapping[str, float] = field(default_factory=dict)


NO_PASTS: Final = Pasts()
