"""``limits``: what your own prints say about how wet is too wet."""

import sys
from pathlib import Path

import click

from gcodetool.cli.completion import completing
from gcodetool.cli.options import at_option, json_option, ledger_option, members_option, page_path
from gcodetool.cli.output import say_json_parts
from gcodetool.cli.shelf import MATERIAL

LINE = click.option(
    "--line",
    metavar="NAME",
    shell_complete=completing("line"),
    help="A maker's line, as the spools of it state theirs; left out: the material.",
)


@click.group(epilog="Example: gcodetool limits show PETG")
def limits() -> None:
    """Learn from your own prints how wet is too wet.

    Nothing learned is used before you adopt it.
    """


@limits.command("show", epilog="Example: gcodetool limits show PETG --line 'matt black'")
@click.argument("material", type=MATERIAL)
@LINE
@click.option("--records", "every", is_flag=True, help="List every record, not the last ones alone.")
@click.option(
    "-o",
    "--output",
    "out",
    type=click.Path(path_type=Path),
    metavar="FILE.html",
    help="Write a page with a picture.",
)
@at_option("The moment that counts as now")
@members_option("Members of each replay (32).")
@ledger_option
@json_option("Print one JSON object (docs/limits.schema.json).")
def show(
    material: str,
    line: str | None,
    every: bool,
    out: Path | None,
    at_s: float | None,
    members: int | None,
    ledger: str | None,
    as_json: bool,
) -> None:
    """Show stated and learned limits of MATERIAL.

    Record by record, and which print would tell most next.
    """
    from gcodetool.app import limits as app
    from gcodetool.cli.progress import watched

    if out is not None:
        page_path(out)
    with watched() as progress:
        found = app.learned_limits(
            material, line=line, at=at_s, members=members, ledger=ledger, progress=progress
        )
    if out is not None:
        from gcodetool.gcode.edits import write_atomic
        from gcodetool.report.html.limits import limits_page

        write_atomic(out, [limits_page(found).encode()])
    if as_json:
        from gcodetool.report.limits_json import limits_json

        say_json_parts(limits_json(found))
        return
    from gcodetool.report.limits_text import print_limits

    print_limits(found, sys.stdout, every=every)


@limits.command("adopt", epilog="Example: gcodetool limits adopt PETG")
@click.argument("material", type=MATERIAL)
@LINE
@at_option("The moment that counts as now")
@members_option("Members of each replay (32).")
@ledger_option
def adopt(
    material: str, line: str | None, at_s: float | None, members: int | None, ledger: str | None
) -> None:
    """Let verdicts use the limits that you learned.

    They stand in a material file of your own, and reports say so.
    """
    from gcodetool.app import limits as app
    from gcodetool.cli.progress import watched
    from gcodetool.report.limits_text import asked, band, whose

    with watched() as progress:
        done = app.adopt_limits(
            material, line=line, at=at_s, members=members, ledger=ledger, progress=progress
        )
    found = done.found.to_adopt
    click.echo(
        f"{whose(done.found)}: good to {band(found.good)}, marginal to {band(found.marginal)} wt % from now on"
    )
    if found.held_back is not None:
        click.echo(found.held_back)
    click.echo(f"{done.path}: written; to take it back: gcodetool limits drop {asked(done.found)}", err=True)


@limits.command("drop", epilog="Example: gcodetool limits drop PETG")
@click.argument("material", type=MATERIAL)
@LINE
def drop(material: str, line: str | None) -> None:
    """Take adopted limits of MATERIAL back: the stated ones hold again."""
    from gcodetool.app import limits as app

    path = app.drop_limits(material, line=line)
    click.echo(f"{path}: taken away; the stated limits hold again")
