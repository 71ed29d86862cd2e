"""``due``: what needs a hand, and when."""

import json
import sys
from pathlib import Path
from typing import Final

import click

from gcodetool.cli.options import at_option, json_option, ledger_option, members_option
from gcodetool.cli.output import say_json
from gcodetool.cli.quantity_types import SpanType
from gcodetool.cli.shelf import PLACE

SOMETHING: Final = 10  # exit code where something is due


@click.command(epilog="Example: gcodetool due --within 4h --ics filament.ics")
@click.option(
    "--within",
    "within_s",
    type=SpanType(),
    default="24h",
    show_default=True,
    metavar="SPAN",
    help="How far ahead a thing counts as due: 4h, 2d.",
)
@click.option(
    "--jobs",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="A folder of sliced files that wait: until when each may start.",
)
@click.option("--printer", type=PLACE, metavar="NAME|FILE", help="The printer that they wait for.")
@click.option(
    "--ics",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write a calendar of all that is seen ahead.",
)
@at_option("The moment to look from")
@members_option()
@ledger_option
@json_option()
def due(
    within_s: float,
    jobs: Path | None,
    printer: str | None,
    ics: Path | None,
    at_s: float | None,
    members: int | None,
    ledger: str | None,
    as_json: bool,
) -> int:
    """Say what is to be done by hand, and when.

    Exit code 10 if something does, else 0.

    A spool in a dryer to be taken out or weighed, one that gets too wet where it is, desiccant that is spent, a job
    that must start.
    """
    from gcodetool.app.due import due as ask
    from gcodetool.cli.progress import watched
    from gcodetool.report.due_text import due_dict, print_due

    with watched() as progress:
        found = ask(
            at=at_s,
            within_s=within_s,
            members=members,
            ledger=ledger,
            jobs=jobs,
            printer=printer,
            progress=progress,
        )
    if ics is not None:
        from gcodetool.gcode.edits import write_atomic
        from gcodetool.report.due_calendar import calendar

        write_atomic(ics, [calendar(found)])
    if as_json:
        say_json(json.dumps(due_dict(found), indent=1, allow_nan=False))
    else:
        print_due(found, sys.stdout)
    return SOMETHING if found.due else 0
