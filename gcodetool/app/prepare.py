"""``prepare``: the job with its forecast on top, and a purge-and-inspect block before the first layer."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Unpack

from gcodetool.app.check import CheckedJob, JobQuestion, Reading, Spools, Words, examine_job
from gcodetool.app.resolve import clock
from gcodetool.block import annotate as prepared
from gcodetool.block.annotate import PrepareOptions
from gcodetool.errors import UsageError
from gcodetool.gcode.edits import write_atomic
from gcodetool.gcode.output_form import form_of
from gcodetool.report.as_json import to_json
from gcodetool.tweaks.applied_before import applied_before

if TYPE_CHECKING:
    from gcodetool.app.series_print import SeriesTurn
    from gcodetool.block.annotate import Annotations
    from gcodetool.gcode.program import Program
    from gcodetool.judge.findings import JobFindings


@dataclass(frozen=True)
class PreparedJob:
    """What became of a job.

    Attributes
    ----------
    findings : what the check found, with what was applied.
    target : where the result is; None: refused, nothing was written.
    applied_before : what an earlier preparation had applied: then the job is left as it was.
    insertions : what was inserted; None where nothing was.
    notes, planned : what is worth telling; the plans that were noted in the ledger.
    """

    findings: "JobFindings"
    target: Path | None
    applied_before: str | None = None
    insertions: "Annotations | None" = None
    notes: tuple[str, ...] = ()
    planned: tuple["NotedPlan", ...] = ()


@dataclass(frozen=True)
class NotedPlan:
    """What a job will feed from one spool, noted in the ledger; ``entry`` None: noted before, or not the ledger's."""

    tool: int
    spool: str | None
    length_mm: float
    entry: int | None
    notes: tuple[str, ...] = ()


def prepare(
    job: str | Path,
    spool: Spools = None,
    *,
    output: str | Path | None = None,
    in_place: bool = False,
    options: PrepareOptions | None = None,
    apply: Iterable[str] = (),
    from_layer: int = 1,
    refuse: Iterable[str] = (),
    report: str | Path | None = None,
    record: bool = False,
    reading: Reading | None = None,
    series: "SeriesTurn | None" = None,
    **words: Unpack[Words],
) -> PreparedJob:
    """Write a job with its forecast on top and a purge-and-inspect block before the first layer.

    Parameters
    ----------
    job : path of a sliced file.
    spool, words : as for a check.
    output, in_place : where to; neither: NAME.prepared.gcode beside it, of binary G-code
        NAME.prepared.bgcode.
    options : when a block is wanted, and how it waits.
    apply, from_layer : tweaks to be written into the file (temperature, retraction), from which layer on.
    refuse : verdicts at which nothing is written.
    report : write the JSON report there, too.
    record : note the plan in the ledger.
    reading : is told how far the reading is.
    series : the print of a test series that it is: no tweaks, the same block as all others, and a note in the ledger.

    Raises
    ------
    GcodeError
        A file that must not be touched; it is as it was.
    WriteError
        What went wrong; the target is as it was.
    GcodetoolError
        As a check.
    """
    wanted, options = frozenset(apply), options or PrepareOptions()
    if series is not None:
        from gcodetool.app.series_print import options_of

        if wanted:
            raise UsageError("--series: every print must have the same bytes; leave --apply out")
        words["tweaks"], options = False, options_of(options)
    asked = JobQuestion(spool, **words)
    # a slicer waits for a step: no more than one pass unless the report is wanted
    seen = examine_job(job, asked, watch_z_mm=prepared.WATCH, spread=report is not None, reading=reading)
    program, examined, notes = seen.program, seen.examined, seen.notes
    before = applied_before(program)
    if before is None and wanted:
        from gcodetool.tweaks.apply import apply_tweaks  # and numpy with it

        done_to = apply_tweaks(
            program, examined, wanted, from_layer=from_layer, printer=seen.printer, again=seen.again
        )
        program, examined = done_to.program, done_to.examined
        notes = (*notes, *done_to.notes)
    found = examined.findings
    if found.verdict in set(refuse):
        _report(found, report)
        return PreparedJob(found, None, notes=notes)
    target = _target(program, output, in_place=in_place)
    _refuse_over_job(report, program.path, target)
    if before is not None:
        _keep_as_it_is(seen, target, lambda: _report(found, report))
        return PreparedJob(found, target, applied_before=before, notes=notes)
    spools = list(seen.spools.values())
    done = prepared.annotate(program, examined, spools, printer=seen.printer, options=options)
    turn = None
    if series is not None:
        from gcodetool.app.series_print import noted_print

        turn = noted_print(series, seen, done, ledger=asked.ledger)
        notes = (*notes, *turn.notes)
    planned: list[NotedPlan] = []

    def last_look() -> None:
        """Do all that may fail before the job itself is replaced."""
        program.source.same_bytes(found.sha256)
        _report(found, report)
        planned.extend(_note_plans(seen, found, asked) if record else ())
        if turn is not None:
            turn.note(asked.ledger, clock(asked.at))

    prepared.write(program, done, target, last_look=last_look)
    return PreparedJob(found, target, insertions=done, notes=(*notes, *done.notes), planned=tuple(planned))


def _target(program: "Program", output: str | Path | None, *, in_place: bool) -> Path:
    """Return where the prepared job goes."""
    if in_place:
        return program.path
    return Path(output) if output is not None else prepared.target_of(program.path, program.source.kind)


def _report(found: "JobFindings", report: str | Path | None) -> None:
    if report is not None:
        write_atomic(Path(report), [to_json(found).encode() + b"\n"])


def _refuse_over_job(report: str | Path | None, job: Path, target: Path) -> None:
    """Raise UsageError where the report would stand over the job or its prepared copy."""
    if report is not None and {Path(report).resolve()} & {job.resolve(), target.resolve()}:
        raise UsageError(f"--report {report} is the job's own file; name another one")


def _keep_as_it_is(seen: CheckedJob, target: Path, report: Callable[[], None]) -> None:
    """Write the report, and the job's own text to *target*, where that is another file."""
    program = seen.program
    if target.exists() and target.samefile(program.path):
        report()
        return

    def last_look() -> None:
        program.source.same_bytes(seen.findings.sha256)
        report()

    form = form_of(program.source.kind, program.path, target)
    write_atomic(target, program.source.packed(iter, form), last_look=last_look)


def _note_plans(seen: CheckedJob, found: "JobFindings", asked: JobQuestion) -> Iterable[NotedPlan]:
    """Note in the ledger what the job will feed from each of its spools, once for each file."""
    from gcodetool.ledger import writers
    from gcodetool.ledger.store import open_ledger

    in_ledger = {spool.id for spool in seen.spools.values() if spool.in_ledger}
    for tool in found.tools:
        if tool.spool not in in_ledger or tool.spool is None:
            yield NotedPlan(tool.tool, None, tool.filament_mm, None)
            continue
        facts = {
            "job": Path(found.path).name,
            "sha256": found.sha256,
            "tool": tool.tool,
            "length_mm": tool.filament_mm,
            "verdict": tool.verdict.code,
        }
        done = writers.plan(open_ledger(asked.ledger, make=False), tool.spool, facts, at_s=clock(asked.at))
        number = done.entries[0].number if done.entries else None
        yield NotedPlan(tool.tool, tool.spool, tool.filament_mm, number, done.notes)
