"""``check`` and ``prepare``: one sliced file against its spools."""

import functools
import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gcodetool.cli.options import (
    LEDGER,
    clock,
    find_printer,
    find_spool,
    find_spools,
    job_options,
    json_option,
    snapshots_of,
)
from gcodetool.errors import UsageError
from gcodetool.judge.verdict_codes import BADNESS, EXIT_CODES

if TYPE_CHECKING:
    from collections.abc import Callable

    from gcodetool.advice.job import Examined
    from gcodetool.gcode.program import Program
    from gcodetool.judge.findings import JobFindings
    from gcodetool.moisture.record import Spool
    from gcodetool.profiles import Printer


@click.command(
    epilog="Example: gcodetool check manifold.gcode --spool pa6-07.toml --printer bench-1. "
    "Exit code: 0 clear, 10 adjust, 21 runs-out, 20 dry-first, 30 unknown, 1 error, 2 misuse."
)
@job_options
@json_option("Print one JSON object (docs/report.schema.json).")
@click.option("--no-tweaks", is_flag=True, help="Suggest no settings: for a series that compares spools.")
def check(job: Path, as_json: bool, no_tweaks: bool, **options: Any) -> int:
    """Say whether JOB's filament will be dry enough from the first layer to the last."""
    found = look_at(job, tweaks=not no_tweaks, **options).examined.findings
    show(found, as_json=as_json)
    return EXIT_CODES[found.verdict]


@click.command(
    epilog="Example, as a slicer's step (the slicer adds the path): "
    "gcodetool prepare --in-place --spool pa6-07.toml --refuse dry-first. "
    "Exit code: 0, or the verdict's where --refuse lists it; then the file is untouched."
)
@job_options
@click.option("--in-place", is_flag=True, help="Replace JOB itself; for the slicer's post-processing step.")
@click.option("-o", "--output", type=click.Path(path_type=Path), metavar="OUT", help="Write to OUT.")
@click.option(
    "--block",
    type=click.Choice(["always", "unless-clear", "never"]),
    default="unless-clear",
    show_default=True,
    help="When to insert the purge-and-inspect block.",
)
@click.option(
    "--wait",
    default="button",
    show_default=True,
    metavar="button|seconds=N",
    help="How the block waits for the person at the machine.",
)
@click.option(
    "--apply",
    "applies",
    metavar="temperature,retraction",
    help="Write these tweaks into the file, where the verdict is adjust and it can be done exactly.",
)
@click.option(
    "--from-layer",
    type=click.IntRange(1),
    metavar="N",
    help="Apply from layer N on; what comes before it stays.",
)
@click.option(
    "--no-tweaks", is_flag=True, help="Suggest and apply no settings: for a series that compares spools."
)
@click.option(
    "--refuse", metavar="VERDICT,…", help="Verdicts at which the file is left alone and the call fails."
)
@click.option(
    "--report", type=click.Path(path_type=Path), metavar="FILE", help="Also write the JSON report to FILE."
)
@click.option(
    "--record", "plans", is_flag=True, help="Note the plan in the ledger, for each spool of the job."
)
def prepare(
    job: Path,
    in_place: bool,
    output: Path | None,
    block: str,
    wait: str,
    applies: str | None,
    from_layer: int | None,
    no_tweaks: bool,
    refuse: str | None,
    report: Path | None,
    plans: bool,
    **options: Any,
) -> int:
    """Write JOB with its forecast on top and a purge-and-inspect block before the first layer.

    Without --in-place or -o the result is NAME.prepared.gcode beside JOB.  The block heats,
    purges and asks: stay at the machine, hot filament comes out.
    """
    from gcodetool.advice.apply import apply_tweaks, words_of
    from gcodetool.advice.prepare import WATCH, Wish, target_of, write
    from gcodetool.advice.prepare import prepare as prepare_job
    from gcodetool.advice.traces import applied_before
    from gcodetool.report.as_json import to_json

    if in_place and output is not None:
        raise UsageError("--in-place and -o exclude each other; leave one out")
    refused = refusals(refuse)
    wanted = words_of(applies)
    if wanted and no_tweaks:
        raise UsageError("--apply and --no-tweaks exclude each other; leave one out")
    if from_layer is not None and not wanted:
        raise UsageError("--from-layer says where --apply begins; name what to apply, or leave it out")
    wish = Wish(block=block, wait_s=wait_seconds(wait))
    # a slicer waits for --in-place: no bar, and no more than one pass unless the report is wanted
    seen = look_at(
        job,
        watch_z_mm=WATCH,
        spread=report is not None,
        watched=not in_place,
        tweaks=not no_tweaks,
        **options,
    )
    program, examined = seen.program, seen.examined
    notes: tuple[str, ...] = ()
    before = applied_before(program)
    if before is None and wanted:
        done_to = apply_tweaks(
            program,
            examined,
            wanted,
            from_layer=from_layer or 1,
            printer=seen.printer,
            again=seen.again,
        )
        program, examined, notes = done_to.program, done_to.examined, done_to.notes
    found = examined.findings
    target = job if in_place else output or target_of(job, program.source.kind)
    if report is not None:
        from gcodetool.gcode.edits import write_atomic

        write_atomic(report, [to_json(found).encode() + b"\n"])
    if found.verdict in refused:
        click.echo(
            f"gcodetool: {job}: refused, the verdict is {found.verdict}: {reason(found)}; the file is untouched",
            err=True,
        )
        return EXIT_CODES[found.verdict]
    if before is not None:
        keep_as_it_is(program, target)
        click.echo(
            f"gcodetool: {job}: tweaks were applied to it before ({before}): left as it is; "
            "to prepare it anew, export it again from the slicer",
            err=True,
        )
        return 0
    done = prepare_job(program, examined, list(seen.spools.values()), printer=seen.printer, wish=wish)
    write(program, done, target)
    for note in (*notes, *done.notes):
        click.echo(f"gcodetool: {note}", err=True)
    click.echo(f"{found.verdict}: {reason(found)}")
    click.echo(f"wrote {target}")
    if plans:
        note_plan(found, seen.spools, at_s=clock(options["at_s"]), ledger=options["ledger"])
    return 0


def note_plan(
    found: "JobFindings", records: "dict[int | None, Spool]", *, at_s: float, ledger: str | None
) -> None:
    """Note in the ledger what the job will feed from each of its spools, once for each file."""
    from gcodetool.ledger import writers
    from gcodetool.ledger.store import open_ledger

    in_ledger = {spool.id for spool in records.values() if spool.source.startswith(LEDGER)}
    for tool in found.tools:
        if tool.spool not in in_ledger:
            click.echo(f"gcodetool: note: T{tool.tool}: no spool of the ledger, nothing noted", err=True)
            continue
        done = writers.plan(
            open_ledger(ledger, make=False),
            tool.spool,
            {
                "job": Path(found.path).name,
                "sha256": found.sha256,
                "tool": tool.tool,
                "length_mm": tool.filament_mm,
                "verdict": tool.verdict.code,
            },
            at_s=at_s,
        )
        for note in done.notes:
            click.echo(f"gcodetool: {note}", err=True)
        if done.entries:
            click.echo(
                f"{tool.spool}: planned, {tool.filament_mm / 1000:.2f} m (entry {done.entries[0].number}); when it is "
                f"printed: gcodetool spool fed {tool.spool} --job REPORT.json"
            )


@dataclass(frozen=True)
class Looked:
    """A job as a call names it: what was read, what it comes to, the spools that it feeds from, the printer.

    ``again`` examines a changed program in the same way.
    """

    program: "Program"
    examined: "Examined"
    spools: "dict[int | None, Spool]"
    printer: "Printer | None"
    again: "Callable[[Program], Examined]"


def look_at(
    job: Path,
    *,
    spools: tuple[str, ...],
    printer: str | None,
    place: str | None,
    at_s: float | None,
    confidence: float,
    members: int | None,
    ledger: str | None,
    watch_z_mm: float | None = None,
    spread: bool = True,
    watched: bool = True,
    tweaks: bool = True,
) -> Looked:
    """Read what a call names, and examine it, with the spools that it feeds from.

    *watched*: somebody may look at a progress bar.
    """
    from gcodetool.advice.job import assign, examine
    from gcodetool.cli.progress import reading
    from gcodetool.gcode.handover import handed_over
    from gcodetool.gcode.program import read

    at = find_printer(printer, ledger=ledger)
    machine = at.profile
    dialect = None if machine is None else machine.dialect
    program = read(job, dialect=dialect, handed=handed_over(os.environ))
    named = find_spools(spools, at, program.facts, place=place, at_s=at_s, ledger=ledger)
    for note in named.notes:
        click.echo(f"gcodetool: {note}", err=True)
    look = functools.partial(
        examine,
        at_s=clock(at_s),
        printer=machine,
        place=place,
        confidence=confidence,
        members=members,
        watch_z_mm=watch_z_mm,
        spread=spread,
        shelf_of=snapshots_of(ledger),
    )
    with reading(program, wanted=watched) as progress:
        examined = look(program, named.spools, tweaks=tweaks, progress=progress, mounted=named.mounted)
    tools = [tool.tool for tool in examined.findings.tools]
    used: dict[int | None, Spool] = dict(assign(named.spools, tools, mounted=named.mounted).items())
    return Looked(program, examined, used, machine, again=lambda changed: look(changed, used))


def keep_as_it_is(program: "Program", target: Path) -> None:
    """Write the job's own text to *target*, where that is another file."""
    from gcodetool.gcode.edits import write_atomic
    from gcodetool.gcode.packing import form_of

    if target.exists() and target.samefile(program.path):
        return
    form = form_of(program.source.kind, program.path, target)
    write_atomic(target, program.source.packed(program.source.blocks(), form))


def record(word: str, *, ledger: str | None = None) -> "Spool":
    """Return the spool of a file or of the ledger; errors as in :func:`find_spool`."""
    return find_spool(word, ledger=ledger)


def show(found: "JobFindings", *, as_json: bool) -> None:
    """Print the report."""
    if as_json:
        from gcodetool.report.as_json import to_json

        click.echo(to_json(found))
        return
    from gcodetool.report.as_text import print_report

    print_report(found, sys.stdout)


def reason(found: "JobFindings") -> str:
    """Return the reason of the tool that decides the verdict."""
    for tool in found.tools:
        if tool.verdict.code == found.verdict:
            return tool.verdict.because
    return "nothing is extruded" if not found.tools else found.tools[0].verdict.because


def refusals(words: str | None) -> set[str]:
    """Return the verdicts that ``--refuse`` lists."""
    listed = {word.strip() for word in (words or "").split(",") if word.strip()}
    wrong = sorted(listed - set(BADNESS))
    if wrong:
        raise UsageError(f"--refuse '{wrong[0]}' is no verdict; write one of {', '.join(BADNESS)}")
    return listed


def wait_seconds(word: str) -> float | None:
    """Return seconds of a timed wait; None = a button.

    >>> wait_seconds("seconds=90")
    90.0
    """
    if word == "button":
        return None
    name, _, number = word.partition("=")
    try:
        seconds = float(number) if name == "seconds" else -1.0
    except ValueError:
        seconds = -1.0
    if not 15 <= seconds <= 600:
        raise UsageError(f"--wait '{word}' is neither 'button' nor 'seconds=N' with N from 15 to 600")
    return seconds
