"""The record of a series: its plan as it was started, what was printed, and values, corrections among them.

Plain dataclasses; ``ledger.series_entries`` keeps what they say, ``app.series`` fills them.  Left out: what the
numbers show (``findings``).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from gcodetool.errors import SeriesError
from gcodetool.moisture.history import Quantiles
from gcodetool.series.plan import Turn
from gcodetool.series.planfile import SEEN, Quantity, SeriesPlan

BUBBLES: Final = {"none": 0.0, "few": 1.0, "many": 2.0}


@dataclass(frozen=True)
class PrintRecord:
    """One print as it was prepared.

    Attributes
    ----------
    spool, reel
        What fed it, and the first reel that this was of.
    sha256
        Of the job without what was inserted.
    block_sha256
        Of the block; None: there was none.
    wt_pct
        What arrives at the nozzle, over its whole length.
    target_wt_pct
        What the whole strand was to hold, as it was known then; None: its state is made by hours, or as it was found.
    """

    number: int
    state: str
    print: int
    at_s: float
    spool: str
    reel: str
    sha256: str
    block_sha256: str | None
    wt_pct: Quantiles
    target_wt_pct: float | None = None


@dataclass(frozen=True)
class Value:
    """One value of one specimen; ``number`` is that of its entry, later ones correct earlier ones."""

    state: str
    print: int
    specimen: int
    quantity: str
    value: float
    number: int = 0
    line: int | None = None

    @property
    def key(self) -> tuple[str, int, int, str]:
        """What it is a value of."""
        return self.state, self.print, self.specimen, self.quantity

    @property
    def words(self) -> str:
        """The same in words."""
        return f"{self.state}, print {self.print}, specimen {self.specimen}, {self.quantity}"


@dataclass(frozen=True)
class SeriesRecord:
    """A series as the ledger has it.

    Attributes
    ----------
    sha256
        Of the job's text when the series was started.
    reel
        The spool's first reel.
    planned
        By state: (p10, p50, p90) that was planned, and whether it is a target (else a forecast).
    """

    plan: SeriesPlan
    started_s: float
    seed: int
    order: tuple[Turn, ...]
    sha256: str
    reel: str
    planned: dict[str, "PlannedContent"]
    prints: tuple[PrintRecord, ...] = ()
    values: tuple[Value, ...] = ()

    @property
    def counted(self) -> list[Value]:
        """The values that count: of each key the last one."""
        return list({value.key: value for value in self.values}.values())

    @property
    def corrections(self) -> list[tuple[Value, Value]]:
        """Values that another one corrected, each with the next one."""
        last: dict[tuple[str, int, int, str], Value] = {}
        found = []
        for value in self.values:
            if value.key in last and last[value.key].value != value.value:
                found.append((last[value.key], value))
            last[value.key] = value
        return found

    @property
    def latest(self) -> dict[tuple[str, int], PrintRecord]:
        """The print that counts of each state and number: the last one that was prepared."""
        return {(one.state, one.print): one for one in self.prints}


@dataclass(frozen=True)
class PlannedContent:
    """What a state was to hold at the nozzle: a target with its band, or the forecast's band; [wt %]."""

    wt_pct: Quantiles
    low: float
    high: float


def next_turn(record: SeriesRecord, state: str | None) -> Turn:
    """Return the turn that a print belongs to: the next of its order, or of *state*'s own.

    Raises
    ------
    SeriesError
        No such state, or all of its prints were made.
    """
    if state is not None and state not in record.plan.states:
        raise SeriesError(
            f"{record.plan.id}: no state '{state}'; its states: {', '.join(record.plan.states)}"
        )
    done = record.latest
    ahead = [turn for turn in record.order if (turn.state, turn.print) not in done]
    mine = [turn for turn in ahead if state in (None, turn.state)]
    if not mine:
        whose = "all prints" if state is None else f"all prints of {state}"
        raise SeriesError(
            f"{record.plan.id}: {whose} were prepared; name the one to be made again with --print N"
        )
    return mine[0]


def checked(plan: SeriesPlan, values: Sequence[Value], source: str) -> list[Value]:
    """Return values, each with its quantity's name as the plan spells it; the reader says which line.

    Raises
    ------
    SeriesError
        A state, print, specimen or quantity that the plan has not, a value outside its scale, or two of one specimen.
    """
    seen: dict[tuple[str, int, int, str], Value] = {}
    for value in values:
        quantity = plan.quantities.get(value.quantity)
        wrong = _wrong(plan, quantity, value)
        if wrong is None and value.key in seen:
            wrong = f"{value.words} is there twice; keep one, or correct it in a call of its own"
        if wrong is not None:
            raise SeriesError.at(source, value.line, wrong)
        seen[value.key] = value
    return list(seen.values())


def _wrong(plan: SeriesPlan, quantity: Quantity | None, value: Value) -> str | None:
    if value.state not in plan.states:
        return f"no state '{value.state}' in {plan.id}; its states: {', '.join(plan.states)}"
    if quantity is None:
        return f"no quantity '{value.quantity}' in {plan.id}; its quantities: {', '.join(plan.quantities)}"
    if not 1 <= value.print <= plan.prints:
        return f"print {value.print} of {value.state}: {plan.id} has prints 1 to {plan.prints} of each state"
    if not 1 <= value.specimen <= quantity.specimens:
        return f"specimen {value.specimen} of {value.quantity}: {plan.id} has specimens 1 to {quantity.specimens} in a print"
    if quantity.scale is not None and not quantity.scale[0] <= value.value <= quantity.scale[1]:
        low, high = quantity.scale
        return f"{value.quantity} is {value.value:g}, but its scale runs from {low:g} to {high:g}; correct it"
    return None


@dataclass(frozen=True)
class Looked:
    """An inspection of a spool's strand: what was seen, and when."""

    spool: str
    at_s: float
    bubbles: str | None = None
    oozes: bool | None = None
    pops: bool | None = None


def with_inspections(record: SeriesRecord, looks: Sequence[Looked]) -> SeriesRecord:
    """Return a record with what was seen of its prints' strands as values of the quantities of those names.

    A look counts for the print that its spool was prepared for last.  Values that were stated count before it.
    """
    wanted = [name for name in SEEN if name in record.plan.quantities]
    found = []
    for look in sorted(looks, key=lambda one: one.at_s) if wanted else ():
        mine = [one for one in record.prints if one.spool == look.spool and one.at_s <= look.at_s]
        if not mine:
            continue
        last = max(mine, key=lambda one: one.at_s)
        seen = {
            "bubbles": None if look.bubbles is None else BUBBLES[look.bubbles],
            "oozes": None if look.oozes is None else float(look.oozes),
            "pops": None if look.pops is None else float(look.pops),
        }
        for name in wanted:
            value = seen[name]
            if value is not None:
                found.append(Value(last.state, last.print, 1, name, value))
    return replace(record, values=(*found, *record.values))
