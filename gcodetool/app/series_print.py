"""A print of a series: what ``prepare --series`` sees to, and what it notes of what the print is made of.

Every print has the same bytes but for the regions that ``prepare`` inserts: no tweaks are applied, the same block
stands in all of them, and the record keeps the digest of the job without regions.  Left out: results (``app.series``).
"""

import hashlib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from gcodetool.app import series_record
from gcodetool.block.annotate import Annotations, PrepareOptions
from gcodetool.errors import UsageError
from gcodetool.gcode.program import Program
from gcodetool.judge.findings import Band, JobFindings, ToolFindings
from gcodetool.ledger import series_entries
from gcodetool.ledger.store import open_ledger, reading
from gcodetool.moisture.history import Quantiles, State, surroundings
from gcodetool.series.conditioning import equilibrium
from gcodetool.series.doubt import Doubt
from gcodetool.series.findings import missed, wanted_of
from gcodetool.series.planfile import SeriesPlan
from gcodetool.series.record import PrintRecord, SeriesRecord, next_turn

if TYPE_CHECKING:
    from gcodetool.app.check import CheckedJob
    from gcodetool.moisture.record import Spool


@dataclass(frozen=True)
class SeriesTurn:
    """The print that a job is prepared for; ``state`` and ``print`` None: the next in the series' order."""

    series: str
    state: str | None = None
    print: int | None = None


def options_of(options: PrepareOptions) -> PrepareOptions:
    """Return what is inserted in every print of a series: always the block, always the longer purge."""
    if options.block == "never":
        raise UsageError("in a series every print has the same block; leave --block out")
    return replace(options, block="always", purge="path")


def text_digest(program: Program) -> str:
    """Return the digest of a job's text without what ``prepare`` inserted."""
    digest = hashlib.sha256()
    for block in program.blocks():
        digest.update(block)
    return digest.hexdigest()


@dataclass(frozen=True)
class NotedPrint:
    """What is to be noted of a print, and what is worth telling."""

    series: str
    facts: dict[str, Any]
    notes: tuple[str, ...]

    def note(self, ledger: str | None, at_s: float) -> None:
        """Write it into the ledger."""
        series_entries.note_print(open_ledger(ledger, make=False), self.series, self.facts, at_s=at_s)


def noted_print(
    asked: SeriesTurn, seen: "CheckedJob", done: Annotations, *, ledger: str | None
) -> NotedPrint:
    """Return what a print of a series is made of.

    Raises
    ------
    LedgerError, SeriesError
        No such series or state, or all its prints were prepared.
    UsageError
        The job feeds from several tools, or nothing is known of its spool.
    """
    with reading(open_ledger(ledger, make=False)) as conn:
        record = series_record.load(conn, asked.series)
    due = next_turn(record, None) if asked.print is None and asked.state is None else None
    turn = due
    if turn is None and asked.print is None:
        turn = next_turn(record, asked.state)
    state, number = (asked.state, asked.print) if turn is None else (turn.state, turn.print)
    if state not in record.plan.states or not 1 <= (number or 0) <= record.plan.prints:
        known = ", ".join(record.plan.states)
        raise UsageError(
            f"--state '{state}' --print {number}: {asked.series} has prints 1 to {record.plan.prints} of {known}"
        )
    tool, spool = _fed(seen)
    sha256 = text_digest(seen.program)
    wt_pct = at_nozzle(tool)
    now = next(iter(seen.examined.spools.values())).state
    facts = {
        "state": state,
        "print": number,
        "spool": spool.id,
        "reel": spool.reel_id,
        "sha256": sha256,
        "block_sha256": None
        if done.block is None or done.block.lines is None
        else hashlib.sha256("\n".join(done.block.lines).encode()).hexdigest(),
        "wt_pct": [wt_pct.p10, wt_pct.p50, wt_pct.p90],
        "target_wt_pct": target_of(record.plan, str(state), now),
        "file": seen.program.path.name,
    }
    return NotedPrint(asked.series, facts, tuple(_told(record, facts, seen.findings)))


def _fed(seen: "CheckedJob") -> tuple[ToolFindings, "Spool"]:
    tools = seen.findings.tools
    if len(tools) != 1:
        raise UsageError(f"a series prints from one spool; this job feeds from {len(tools)} tools")
    spool = next(iter(seen.spools.values()), None)
    if spool is None or tools[0].forecast is None:
        raise UsageError("which strand is it? name its spool with --spool: the record keeps what it held")
    return tools[0], spool


def at_nozzle(tool: ToolFindings) -> Band:
    """Return what arrives at the nozzle over the whole job, by length. [wt %]"""
    assert tool.forecast is not None
    layers = [one for one in tool.forecast.layers if one.filament_mm > 0 and one.wt_pct.p50 is not None]
    if not layers:
        return tool.forecast.start_wt_pct
    lengths = [one.filament_mm for one in layers]

    def mean(name: str) -> float | None:
        found = [getattr(one.wt_pct, name) for one in layers]
        return None if None in found else float(np.average(found, weights=lengths))

    return Band(mean("p10"), mean("p50"), mean("p90"))


def target_of(plan: SeriesPlan, name: str, now: State) -> float | None:
    """Return what a state's whole strand is to hold by what is known now; None: it is made by hours. [wt %]"""
    state = plan.states[name]
    if state.to_wt_pct is not None:
        return state.to_wt_pct
    if state.place is None or state.hours is not None or state.place not in now.spool.places:
        return None
    balance = equilibrium(now, surroundings(now.spool, state.place, now.as_of_s, now.doubts))
    return 100.0 * float(np.median(balance))


def _told(record: SeriesRecord, facts: dict[str, Any], found: JobFindings) -> list[str]:
    """Return what is worth telling before it is printed."""
    plan, notes = record.plan, []
    state, number = facts["state"], facts["print"]
    said = f"{plan.id}: noted as print {number} of {state}"
    if facts["sha256"] != record.sha256:
        notes.append(
            f"{said}; but this is not the file of the series: print {plan.job.name}, or the series shows the file"
        )
    else:
        notes.append(f"{said}, from the file of the series")
    if facts["reel"] != record.reel:
        notes.append(f"{facts['spool']} is not of the reel {record.reel}: the series would show the reel")
    made = PrintRecord(
        0,
        **{key: value for key, value in facts.items() if key not in ("wt_pct", "file")},
        at_s=found.as_of_s,
        wt_pct=Quantiles(*facts["wt_pct"]),
    )
    wanted = wanted_of(record, made)
    if wanted is not None and missed(record, made):
        notes.append(Doubt.missed(state, number, made.wt_pct.p50, *wanted).text)
    ahead = [turn for turn in record.order if (turn.state, turn.print) not in record.latest]
    if ahead and (ahead[0].state, ahead[0].print) != (state, number) and (state, number) not in record.latest:
        notes.append(f"in the drawn order print {ahead[0].print} of {ahead[0].state} is next")
    return notes
