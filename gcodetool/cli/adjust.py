"""``adjust``: a slicer's filament profile, its copy for a spool as wet as it is."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from gcodetool.cli.completion import completing, filaments
from gcodetool.cli.job import tell
from gcodetool.cli.options import (
    at_option,
    ledger_option,
    members_option,
    parse_spool_words,
    printer_option,
)
from gcodetool.errors import UsageError

if TYPE_CHECKING:
    from gcodetool.app.adjust import AdjustedProfile

ANSWERS = {
    "clear": ": nothing to change",
    "runs-out": ": no setting makes up for that, dry it first",
    "dry-first": ": no setting makes up for that, dry it first",
    "unknown": ": nothing is changed; weigh it, or purge and look at the strand",
}


@click.command(
    epilog="Example: gcodetool adjust pa6.ini --spool pa6-07 --job manifold.gcode --printer bench-1 "
    "-o pa6-marginal.ini --diff"
)
@click.argument("profile", type=click.Path(path_type=Path))
@click.option(
    "--spool",
    "spool_word",
    required=True,
    metavar="[TOOL=]ID|FILE",
    shell_complete=completing("spool"),
    help="Spool of the ledger, or a spool file; with a job of several tools, or a list per tool, name its tool.",
)
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    metavar="OUT",
    help="Write the copy to OUT, which also names the preset.",
)
@click.option(
    "--job",
    type=click.Path(path_type=Path),
    metavar="JOB",
    help="A sliced job, to know what it asks of the hot end.",
)
@click.option(
    "--diff", "shows", is_flag=True, help="Show the changes line by line; without -o nothing is written."
)
@printer_option("Printer profile, for its limits of hot end and retraction.")
@click.option(
    "--place",
    metavar="NAME",
    shell_complete=completing("place"),
    help="Place whose air the job is printed in.",
)
@click.option(
    "--filament",
    metavar="NAME",
    shell_complete=filaments,
    help="Which filament of a bundle; left out: the one in use.",
)
@at_option("When it is printed", "coming")
@members_option()
@ledger_option
def adjust(
    profile: Path,
    spool_word: str,
    output: Path | None,
    job: Path | None,
    shows: bool,
    printer: str | None,
    place: str | None,
    filament: str | None,
    at_s: float | None,
    members: int | None,
    ledger: str | None,
) -> int:
    """Write a copy of PROFILE with settings for a marginal spool.

    It is a slicer's filament profile; the settings may help, no more.

    The original is never touched.  If the spool is dry, or too wet for settings to help, nothing is
    changed: the copy is then the original, byte for byte.
    """
    from gcodetool.app.adjust import adjust as adjust_profile

    if output is None and not shows:
        raise UsageError("name the copy with -o OUT, or look first with --diff")
    done = adjust_profile(
        profile,
        parse_spool_words((spool_word,)),
        output=output,
        job=job,
        filament=filament,
        printer=printer,
        place=place,
        at=at_s,
        members=members,
        ledger=ledger,
    )
    if done.read_only is not None and output is not None:
        click.echo(f"gcodetool: {profile}: {done.read_only}; nothing was written", err=True)
    tell_change(done)
    if done.read_only is not None:
        return 0 if output is None else 1
    if shows:
        click.echo(done.difference, nl=False)
    for path in done.written:
        click.echo(f"wrote {path}")
    return 0


def tell_change(done: "AdjustedProfile") -> None:
    """Print what changes and why; cautions go to stderr."""
    from gcodetool.report.as_text import percent

    plan, water = done.plan, done.water
    tell(plan.notes)
    when = "fed next" if done.findings is None else "at worst"
    answer = ANSWERS.get(water.code or "", "")
    click.echo(
        f"{done.spool.id}: {water.code}: {percent(water.content)} wt % {when}; {water.because}{answer}"
    )
    for change in plan.changes:
        before = ",".join(change.before) or "not set"
        tweak = change.tweak
        click.echo(f"{change.key}: {before} -> {','.join(change.after)}: {tweak.because}. Cost: {tweak.cost}")
    for tweak in plan.suggested:
        click.echo(f"to set by hand, this profile has no key for it: {tweak.setting}: {tweak.step}")
    if water.covered and not plan.changes:
        click.echo(
            "no key of this profile can be changed within the stated limits: better dry the spool first"
        )
