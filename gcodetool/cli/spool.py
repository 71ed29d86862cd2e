"""``spool``: what one spool's record comes to."""

import json
import sys
from pathlib import Path

import click

from gcodetool.cli.options import MomentType, clock


@click.group(epilog="Example: gcodetool spool show pa6-07.toml --at 2026-11-04T08:00")
def spool() -> None:
    """Look at a spool: what happened to it and how wet it is now."""


@spool.command("show", epilog="Example: gcodetool spool show pa6-07.toml --json")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--at", "at_s", type=MomentType(), metavar="TIME", help="The moment to look at (ISO 8601); now."
)
@click.option("--members", type=click.IntRange(1, 1024), default=None, metavar="N", help="1 = nominal alone.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def show(file: Path, at_s: float | None, members: int | None, as_json: bool) -> None:
    """Say how much water FILE's spool holds, where in the winding, and how long it stays usable."""
    from gcodetool.advice.job import look
    from gcodetool.ledger.spoolfile import read_spool

    seen = look(read_spool(file), at_s=clock(at_s), members=members)
    if as_json:
        from gcodetool.report.as_json import spool_dict

        click.echo(json.dumps(spool_dict(seen), indent=1, allow_nan=False))
        return
    from gcodetool.report.as_text import print_spool

    print_spool(seen, sys.stdout)
