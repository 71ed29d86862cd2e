"""``check``: one sliced file against its spools."""

import functools
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import field
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict, Unpack

from gcodetool.app.conditions import Conditions
from gcodetool.app.examine import assign, examine
from gcodetool.app.resolve import (
    Moment,
    Named,
    boxes_of,
    clock,
    find_printer,
    find_spools,
    rests_on_files,
    snapshots_of,
)
from gcodetool.gcode.program import Program, read
from gcodetool.gcode.slicer_environment import handed_over
from gcodetool.judge.findings import ExaminedJob
from gcodetool.moisture.record import Spool
from gcodetool.profiles import Printer
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from gcodetool.judge.findings import JobFindings

SpoolWord = str | Path | Spool


class Words(TypedDict, total=False):
    """What a question about a job may say by keyword; see :class:`JobQuestion`."""

    printer: str | Printer | None
    place: str | None
    feed: str | None
    at: Moment
    confidence: float
    members: int | None
    ledger: str | None
    tweaks: bool
    environment: Mapping[str, str]


Spools = SpoolWord | Mapping[int | None, SpoolWord] | None
Reading = Callable[[Program], AbstractContextManager[Callable[[int], None] | None]]


@dataclass(frozen=True)
class JobQuestion:
    """What is asked of one job: the same for a check, a preparation, a page and an adjusted profile.

    Attributes
    ----------
    spools : one spool for the job's only tool, or spools by tool: an ID of the ledger, a spool file, or a
        record. None: those mounted on the printer, else those that the file's filament notes name.
    printer : profile, its file, or a printer of the ledger.
    place : place of the record in whose air the job is printed.
    feed : place of the record that the job is fed from, as if its reel stood there; None: as it stands.
    at : when the job starts; None: now.
    confidence : share of the forecast's members that must reach the verdict or better, 0 to 1.
    members : of the forecast; None: the usual number; 1: nominal parameters alone.
    ledger : path or URL; None: GCODETOOL_LEDGER, else the user's own.
    tweaks : suggest settings for marginal stock.
    environment : a slicer's settings, handed over in variables.
    """

    spools: Spools = None
    printer: str | Printer | None = None
    place: str | None = None
    feed: str | None = None
    at: Moment = None
    confidence: float = 0.5
    members: int | None = None
    ledger: str | None = None
    tweaks: bool = True
    environment: Mapping[str, str] = field(default_factory=dict)


def limits_contradicted(spool: Spool, *, ledger: str | None) -> tuple[str, ...]:
    """Return the caution where one's own prints, as they were last looked at, contradict the limits used; else none."""
    if not spool.in_ledger:
        return ()
    from gcodetool.app.limits_summary import contradiction

    said = contradiction(spool, ledger)
    return () if said is None else (said,)


@dataclass(frozen=True)
class CheckedJob:
    """A job as it was asked about: what was read, what it comes to, spools by tool, printer, what is worth telling.

    ``again`` examines a changed program in the same way.
    """

    program: Program
    examined: ExaminedJob
    spools: dict[int | None, Spool]
    printer: Printer | None
    notes: tuple[str, ...]
    again: Callable[[Program], ExaminedJob]

    @property
    def findings(self) -> "JobFindings":
        """What the check found."""
        return self.examined.findings


def check(job: str | Path | Program, spool: Spools = None, **words: Unpack[Words]) -> "JobFindings":
    """Return whether a job's filament will be dry enough from the first layer to the last.

    Parameters
    ----------
    job : path of a sliced file, or a program from ``gcodetool.gcode.program.read``.
    spool, words : as in :class:`JobQuestion`.

    Raises
    ------
    GcodeError
        The file cannot be read, or lays down no filament.
    UsageError
        Spools that do not fit the job's tools, or a name that is none.
    SpoolError, LedgerError, ProfileError
        A record or profile that is not there, or does not say what is needed.
    """
    return examine_job(job, JobQuestion(spool, **words)).findings


def examine_job(
    job: str | Path | Program,
    asked: JobQuestion,
    *,
    watch_z_mm: float | None = None,
    spread: bool = True,
    reading: Reading | None = None,
) -> CheckedJob:
    """Return the check of a job with all that it rests on; errors as in :func:`check`.

    Parameters
    ----------
    watch_z_mm, spread : as in ``examine``.
    reading : gives, for a program, what is told the number of bytes done.
    """
    named_printer = find_printer(asked.printer, ledger=asked.ledger, alone=not rests_on_files(asked.spools))
    machine = named_printer.profile
    dialect = None if machine is None else machine.dialect
    program = (
        job
        if isinstance(job, Program)
        else read(Path(job), dialect=dialect, handed=handed_over(asked.environment))
    )
    at_s = clock(asked.at)
    also = tuple(name for name in (asked.place, asked.feed) if name is not None)
    named: Named = find_spools(
        asked.spools, named_printer, program.facts, also=also, at_s=at_s, ledger=asked.ledger
    )
    conditions = Conditions(
        at_s,
        machine,
        place=asked.place,
        confidence=asked.confidence,
        members=asked.members,
        tweaks=asked.tweaks,
        shelf_of=snapshots_of(asked.ledger),
        remarks=functools.partial(limits_contradicted, ledger=asked.ledger),
        feed=asked.feed,
        boxes_of=boxes_of(asked.ledger),
    )
    look = functools.partial(examine, asked=conditions, watch_z_mm=watch_z_mm, spread=spread)
    with nullcontext() if reading is None else reading(program) as progress:
        examined = look(program, named.spools, progress=progress, mounted=named.found)
    tools = [tool.tool for tool in examined.findings.tools]
    assigned = assign(named.spools, tools, mounted=named.found)
    used: dict[int | None, Spool] = {tool: spool for tool, spool in assigned.items() if spool is not None}
    return CheckedJob(
        program,
        examined,
        used,
        machine,
        named.notes,
        again=lambda changed: look(changed, used),
    )
