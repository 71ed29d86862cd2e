"""``check`` and ``prepare``: one sliced file against its spools."""

import functools
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gcodetool import quantities
from gcodetool.cli.completion import among, completing, of_series
from gcodetool.cli.options import job_options, json_option, parse_spool_words
from gcodetool.cli.output import say_json
from gcodetool.errors import UsageError
from gcodetool.judge.verdict_codes import BADNESS, EXIT_CODES

if TYPE_CHECKING:
    from collections.abc import Iterable

    from gcodetool.app.check import Words
    from gcodetool.app.prepare import NotedPlan
    from gcodetool.judge.findings import JobFindings


@click.command(
    epilog="Example: gcodetool check manifold.gcode --spool pa6-07.toml --printer bench-1. "
    "Exit code: 0 clear, 10 adjust, 21 runs-out, 20 dry-first, 30 unknown, 1 error, 2 misuse."
)
@job_options
@json_option("Print one JSON object (docs/report.schema.json).")
@click.option("--no-tweaks", is_flag=True, help="Suggest no settings: for tests that compare spools.")
def check(job: Path, as_json: bool, no_tweaks: bool, **options: Any) -> int:
    """Say whether JOB prints dry from first layer to last."""
    from gcodetool.app.check import JobQuestion, examine_job
    from gcodetool.cli.progress import reading

    asked = JobQuestion(parse_spool_words(options["spools"]), **words_of_call(options, tweaks=not no_tweaks))
    seen = examine_job(job, asked, reading=reading)
    tell(seen.notes)
    show(seen.findings, as_json=as_json)
    return EXIT_CODES[seen.findings.verdict]


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
    shell_complete=among(("button", "seconds=")),
    default="button",
    show_default=True,
    metavar="button|seconds=N",
    help="How the block waits for the person at the machine.",
)
@click.option(
    "--apply",
    "applies",
    shell_complete=among(("temperature", "retraction", "none")),
    metavar="temperature,retraction",
    help="Write these tweaks into the file, where the verdict is adjust and it can be done exactly.",
)
@click.option(
    "--from-layer",
    type=click.IntRange(1),
    metavar="N",
    help="Apply from layer N on; earlier layers stay as they are.",
)
@click.option(
    "--no-tweaks", is_flag=True, help="Suggest and apply no settings: for tests that compare spools."
)
@click.option(
    "--refuse",
    metavar="VERDICT,…",
    shell_complete=among(EXIT_CODES),
    help="Verdicts at which the file is left alone and the call fails.",
)
@click.option(
    "--report", type=click.Path(path_type=Path), metavar="FILE", help="Also write the JSON report to FILE."
)
@click.option(
    "--record", "plans", is_flag=True, help="Note the plan in the ledger, for each spool of the job."
)
@click.option(
    "--series",
    metavar="ID",
    shell_complete=completing("series"),
    help="It is a print of this test series: no tweaks, the same block.",
)
@click.option(
    "--state",
    metavar="NAME",
    shell_complete=of_series("state"),
    help="Of the series: which state; left out: the next in its order.",
)
@click.option(
    "--print",
    "number",
    type=click.IntRange(1),
    metavar="N",
    help="Of that state: which print, to make it again.",
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
    series: str | None,
    state: str | None,
    number: int | None,
    **options: Any,
) -> int:
    """Write JOB with its forecast and a purge-and-inspect block.

    The forecast stands on top, the block before the first layer.

    Without --in-place or -o the result is NAME.prepared.gcode beside JOB; a zip container and
    binary G-code stay what they are.  The block heats, purges and asks: stay at the machine, hot
    filament comes out.
    """
    from gcodetool.app.prepare import prepare as prepare_job
    from gcodetool.block.annotate import PrepareOptions
    from gcodetool.cli.progress import reading

    if in_place and output is not None:
        raise UsageError("--in-place and -o cannot be used together; leave one out")
    refused = refusals(refuse)
    wanted: frozenset[str] = frozenset()
    if applies:
        from gcodetool.tweaks.apply import words_of  # numpy comes along: only where it is needed

        wanted = words_of(applies)
    if wanted and no_tweaks:
        raise UsageError("--apply and --no-tweaks cannot be used together; leave one out")
    if series is None and (state is not None or number is not None):
        raise UsageError("--state and --print belong to a series; name it with --series ID")
    if number is not None and state is None:
        raise UsageError("--print says which print of a state; name that with --state")
    if from_layer is not None and not wanted:
        raise UsageError("--from-layer says where --apply begins; name what to apply, or leave it out")
    turn = None
    if series is not None:
        from gcodetool.app.series_print import SeriesTurn

        turn = SeriesTurn(series, state, number)
    done = prepare_job(
        job,
        parse_spool_words(options.pop("spools")),
        output=output,
        in_place=in_place,
        options=PrepareOptions(block=block, wait_s=wait_seconds(wait)),
        apply=wanted,
        from_layer=from_layer or 1,
        refuse=refused,
        report=report,
        record=plans,
        series=turn,
        reading=functools.partial(reading, wanted=not in_place),  # a slicer waits for that: no bar
        **words_of_call(options, tweaks=not no_tweaks),
    )
    tell(done.notes)
    found = done.findings
    if done.target is None:
        click.echo(
            f"gcodetool: {job}: refused, the verdict is {found.verdict}: {reason(found)}; the file is untouched",
            err=True,
        )
        return EXIT_CODES[found.verdict]
    if done.applied_before is not None:
        click.echo(
            f"gcodetool: {job}: tweaks were applied to it before ({done.applied_before}): left as it is; "
            "to prepare it anew, export it again from the slicer",
            err=True,
        )
        return 0
    tell(misfits(found))
    click.echo(f"{found.verdict}: {reason(found)}")
    click.echo(f"wrote {done.target}")
    for plan in done.planned:
        tell_plan(plan)
    return 0


def tell_plan(plan: "NotedPlan") -> None:
    """Print what was noted of a plan."""
    if plan.spool is None:
        click.echo(f"gcodetool: note: T{plan.tool}: no spool of the ledger, nothing noted", err=True)
        return
    tell(plan.notes)
    if plan.entry is not None:
        click.echo(
            f"{plan.spool}: planned, {plan.length_mm / 1000:.2f} m (entry {plan.entry}); when it is "
            f"printed: gcodetool spool fed {plan.spool} --job REPORT.json"
        )


def tell(notes: "Iterable[str]") -> None:
    """Print notes to stderr, one line each."""
    for note in notes:
        click.echo(f"gcodetool: {note}", err=True)


def words_of_call(options: dict[str, Any], *, tweaks: bool = True) -> "Words":
    """Return the options of a call as the words of a question; a slicer's settings come with it."""
    return {
        "printer": options["printer"],
        "place": options["place"],
        "feed": options["feed"],
        "at": options["at_s"],
        "confidence": options["confidence"],
        "members": options["members"],
        "ledger": options["ledger"],
        "tweaks": tweaks,
        "environment": os.environ,
    }


def show(found: "JobFindings", *, as_json: bool) -> None:
    """Print the report."""
    if as_json:
        from gcodetool.report.as_json import to_json

        say_json(to_json(found))
        return
    from gcodetool.report.as_text import print_report

    print_report(found, sys.stdout)


def reason(found: "JobFindings") -> str:
    """Return the reason of the tool that decides the verdict; of several tools also which."""
    for tool in found.tools:
        if tool.verdict.code == found.verdict:
            return f"{f'T{tool.tool}: ' if len(found.tools) > 1 else ''}{tool.verdict.because}"
    return "nothing is extruded" if not found.tools else found.tools[0].verdict.because


def misfits(found: "JobFindings") -> list[str]:
    """Return that reels are not what the file was sliced for: without a look at its cautions that would be missed."""
    return [line for tool in found.tools for line in tool.misfits]


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
        seconds = quantities.number(number) if name == "seconds" else -1.0
    except quantities.NotUnderstoodError:
        seconds = -1.0
    if not 15 <= seconds <= 600:
        raise UsageError(f"--wait '{word}' is neither 'button' nor 'seconds=N' with N from 15 to 600")
    return seconds
