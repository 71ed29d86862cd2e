"""``adjust``: a slicer's filament profile, its copy for a spool as wet as it is."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from gcodetool.cli.options import (
    at_option,
    clock,
    find_printer,
    find_spool,
    ledger_option,
    members_option,
    snapshots_of,
    spool_words,
)
from gcodetool.errors import UsageError

if TYPE_CHECKING:
    from gcodetool.advice.adjust import Plan
    from gcodetool.advice.demands import Asked
    from gcodetool.advice.tweaks import Water
    from gcodetool.moisture.record import Spool
    from gcodetool.profiles import Printer


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
    help="Spool of the ledger, or a spool file; with a job of several tools, or a list per tool, name its tool.",
)
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), metavar="OUT", help="The copy; its name is OUT's."
)
@click.option(
    "--job",
    type=click.Path(path_type=Path),
    metavar="JOB",
    help="A sliced job: what is asked of the hot end.",
)
@click.option(
    "--diff", "shows", is_flag=True, help="Show the change line by line first; without -o, that alone."
)
@click.option("--printer", metavar="NAME|FILE", help="Printer profile: bounds of hot end and retraction.")
@click.option("--place", metavar="NAME", help="Place whose air the job is printed in.")
@click.option("--filament", metavar="NAME", help="Which filament of a bundle; else the one in use.")
@at_option("When it is printed")
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
    """Write a copy of filament PROFILE with what may help a marginal spool through.

    The original is never touched.  Nothing is changed where the spool is dry, or too wet for settings
    to cover: then the copy is the original, byte for byte.
    """
    from gcodetool.advice import adjust as advice
    from gcodetool.slicerfiles import preset as presets

    if output is None and not shows:
        raise UsageError("name the copy with -o OUT, or look first with --diff")
    seen = presets.read(profile, filament=filament)
    if output is not None:
        advice.check_target(seen, output, (output.with_suffix(".info"),))
    ((tool, word),) = spool_words((spool_word,)).items()
    machine = find_printer(printer, ledger=ledger).profile
    spool = find_spool(word, ledger=ledger)
    now_s = clock(at_s)
    if job is None:
        water, asked = held(spool, now_s, members, ledger), None
    else:
        water, asked = asked_by(
            job, spool, tool, machine, at_s=now_s, place=place, members=members, ledger=ledger
        )
    plan = advice.plan(seen, spool.material, water, asked=asked, printer=machine, tool=tool)
    name = advice.stem_of(output) if output is not None else f"{seen.name} for {spool.id}"
    if seen.family.read_only is not None:
        if output is not None:
            click.echo(f"gcodetool: {profile}: {seen.family.read_only}; nothing was written", err=True)
        tell(plan, water, spool)
        return 0 if output is None else 1
    made = advice.copy_of(plan, name=name, note=advice.note_of(plan, spool.id, water, now_s), at_s=now_s)
    tell(plan, water, spool)
    if shows:
        click.echo(difference(seen.data, made[""], str(profile), str(output or name)), nl=False)
    if output is not None:
        write(plan, made, output, name)
    return 0


def held(spool: "Spool", at_s: float, members: int | None, ledger: str | None) -> "Water":
    """Return what the next-fed strand holds now, against the limits."""
    from gcodetool.advice.tool import limits_of
    from gcodetool.advice.tweaks import Water
    from gcodetool.moisture.history import quantile, state_at
    from gcodetool.moisture.members import usual

    state = state_at(spool, at_s, members=usual(members), shelf=snapshots_of(ledger)(spool))
    good, marginal = limits_of(state)
    worst = quantile(state.next_fed_wt_pct, 0.5, state.weights)
    return Water(good, marginal, worst, polymer=1 - spool.fibre_wt_pct / 100)


def asked_by(
    job: Path,
    spool: "Spool",
    tool: int | None,
    machine: "Printer | None",
    *,
    at_s: float,
    place: str | None,
    members: int | None,
    ledger: str | None,
) -> "tuple[Water, Asked]":
    """Return what the strand holds at worst over *job*, and what the job asks of its tool."""
    from gcodetool.advice.demands import asked_of
    from gcodetool.advice.job import examine
    from gcodetool.advice.tweaks import Water
    from gcodetool.errors import SpoolError
    from gcodetool.gcode.program import read

    program = read(job, dialect=None if machine is None else machine.dialect)
    examined = examine(
        program,
        {tool: spool},
        at_s=at_s,
        printer=machine,
        place=place,
        members=members,
        spread=False,
        shelf_of=snapshots_of(ledger),
    )
    found = next(each for each in examined.findings.tools if each.spool == spool.id)
    forecast = found.forecast
    if forecast is None or forecast.worst_wt_pct.p50 is None:
        raise SpoolError(f"{spool.id}: {found.verdict.because}; correct its record, or leave --job out")
    water = Water(
        forecast.limit_good_wt_pct,
        forecast.limit_marginal_wt_pct,
        forecast.worst_wt_pct.p50,
        polymer=1 - spool.fibre_wt_pct / 100,
    )
    asked = asked_of(
        program,
        examined.timeline,
        found.tool,
        material=spool.material,
        diameter_mm=spool.diameter_mm,
        printer=machine,
    )
    return water, asked


def tell(plan: "Plan", water: "Water", spool: "Spool") -> None:
    """Print what changes and why; cautions go to stderr."""
    for note in plan.notes:
        click.echo(f"gcodetool: {note}", err=True)
    click.echo(
        f"{spool.id}: {water.worst:.3f} wt %, good to {water.good:.3f}, marginal to {water.marginal:.3f}: "
        + (
            "dry, nothing to change"
            if water.worst <= water.good
            else "too wet for settings to cover: dry it first"
            if water.worst > water.marginal
            else "marginal"
        )
    )
    for change in plan.changes:
        before = ",".join(change.before) or "not set"
        tweak = change.tweak
        click.echo(f"{change.key}: {before} -> {','.join(change.after)}: {tweak.because}. Cost: {tweak.cost}")
    for tweak in plan.suggested:
        click.echo(f"by hand, this profile has no key for it: {tweak.setting}: {tweak.step}")
    if water.covered and not plan.changes:
        click.echo(
            "no key of this profile can be changed within the stated limits: better dry the spool first"
        )


def difference(before: bytes, after: bytes, first: str, second: str) -> str:
    """Return the unified difference of two texts."""
    import difflib

    one, two = (text.decode("utf-8").splitlines(keepends=True) for text in (before, after))
    lines = difflib.unified_diff(one, two, first, second)
    return "".join(line if line.endswith("\n") else line + "\n" for line in lines)


def write(plan: "Plan", made: dict[str, bytes], output: Path, name: str) -> None:
    """Write the copy and its sidecar, and read it back from the disk."""
    from gcodetool.advice.adjust import compare
    from gcodetool.gcode.edits import write_atomic

    for ending, data in made.items():
        target = output.with_suffix(ending) if ending else output
        write_atomic(target, [data])
        click.echo(f"wrote {target}")
    if plan.changes:
        compare(plan, output.read_bytes(), name)
