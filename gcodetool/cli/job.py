"""``check`` and ``prepare``: one sliced file against its spools."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gcodetool.advice.codes import BADNESS, EXIT_CODES
from gcodetool.cli.options import clock, job_options, spool_words
from gcodetool.errors import UsageError

if TYPE_CHECKING:
    from gcodetool.advice.findings import JobFindings
    from gcodetool.advice.job import Examined
    from gcodetool.gcode.program import Program
    from gcodetool.moisture.record import Spool
    from gcodetool.profiles import Printer


@click.command(
    epilog="Example: gcodetool check manifold.gcode --spool pa6-07.toml --printer bench-1. "
    "Exit code: 0 clear, 10 adjust, 21 runs-out, 20 dry-first, 30 unknown, 1 error, 2 misuse."
)
@job_options
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object (docs/report.schema.json).")
def check(job: Path, as_json: bool, **options: Any) -> int:
    """Say whether JOB's filament will be dry enough from the first layer to the last."""
    found = look_at(job, **options)[1].findings
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
    "--refuse", metavar="VERDICT,…", help="Verdicts at which the file is left alone and the call fails."
)
@click.option(
    "--report", type=click.Path(path_type=Path), metavar="FILE", help="Also write the JSON report to FILE."
)
def prepare(
    job: Path,
    in_place: bool,
    output: Path | None,
    block: str,
    wait: str,
    refuse: str | None,
    report: Path | None,
    **options: Any,
) -> int:
    """Write JOB with its forecast on top and a purge-and-inspect block before the first layer.

    Without --in-place or -o the result is NAME.prepared.gcode beside JOB.  The block heats,
    purges and asks: stay at the machine, hot filament comes out.
    """
    from gcodetool.advice.prepare import WATCH, Wish, target_of, write
    from gcodetool.advice.prepare import prepare as prepare_job
    from gcodetool.report.as_json import to_json

    if in_place and output is not None:
        raise UsageError("--in-place and -o exclude each other; leave one out")
    refused = refusals(refuse)
    wish = Wish(block=block, wait_s=wait_seconds(wait))
    # a slicer waits for --in-place: no bar, and no more than one pass unless the report is wanted
    program, examined, records, machine = look_at(
        job, watch_z_mm=WATCH, spread=report is not None, watched=not in_place, **options
    )
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
    done = prepare_job(program, examined, list(records.values()), printer=machine, wish=wish)
    write(program, done, target)
    for note in done.notes:
        click.echo(f"gcodetool: {note}", err=True)
    click.echo(f"{found.verdict}: {reason(found)}")
    click.echo(f"wrote {target}")
    return 0


def look_at(
    job: Path,
    *,
    spools: tuple[str, ...],
    printer: str | None,
    place: str | None,
    at_s: float | None,
    confidence: float,
    members: int | None,
    watch_z_mm: float | None = None,
    spread: bool = True,
    watched: bool = True,
) -> "tuple[Program, Examined, dict[int | None, Spool], Printer | None]":
    """Read what a call names, and examine it; *watched*: somebody may look at a progress bar."""
    from gcodetool import profiles
    from gcodetool.advice.job import examine
    from gcodetool.cli.progress import reading
    from gcodetool.gcode.program import read

    words = spool_words(spools)
    machine = None if printer is None else profiles.printer(printer)
    records = {tool: record(word) for tool, word in words.items()}
    program = read(job, dialect=None if machine is None else machine.dialect)
    with reading(program, wanted=watched) as progress:
        examined = examine(
            program,
            records,
            at_s=clock(at_s),
            printer=machine,
            place=place,
            confidence=confidence,
            members=members,
            watch_z_mm=watch_z_mm,
            spread=spread,
            progress=progress,
        )
    return program, examined, records, machine


def record(word: str) -> "Spool":
    """Return the spool of a file.

    Raises
    ------
    SpoolError
        The file is missing or says what it cannot mean.
    """
    from gcodetool.ledger.spoolfile import read_spool

    return read_spool(Path(word))


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
