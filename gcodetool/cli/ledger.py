"""``ledger``: is it whole, a copy of it, and a copy put in its place."""

import json
from pathlib import Path

import click

from gcodetool.cli.options import json_option, ledger_option
from gcodetool.cli.output import say_json
from gcodetool.cli.shelf import opened
from gcodetool.errors import LedgerError


@click.group(epilog="Example: gcodetool ledger backup -o shelf-2026-11.sqlite")
def ledger() -> None:
    """Check, back up and restore the record of spools and places."""


@ledger.command("check", epilog="Example: gcodetool ledger check")
@ledger_option
@json_option()
def check(ledger: str | None, as_json: bool) -> int:
    """Say whether the whole ledger is as it was noted.

    Exit code 1 if not.
    """
    from dataclasses import asdict

    from gcodetool.ledger import maintenance

    found = opened(ledger, make=False)
    faults = list(maintenance.integrity_errors(found))
    held = None if any(fault.kind == "file" for fault in faults) else maintenance.ledger_stats(found)
    if as_json:
        said = {
            "ledger": found.where,
            "faults": [fault.text for fault in faults],
            "holds": held and asdict(held),
        }
        say_json(json.dumps(said, indent=1))
    else:
        for fault in faults:
            click.echo(f"- {fault}")
    if held is not None and not as_json:
        spools = f"{held.spools} spool{'' if held.spools == 1 else 's'}"
        click.echo(
            f"{found.where}: {spools} ({held.retired} retired beside them), {held.places} places, "
            f"{held.entries} entries, {held.readings} reading{'' if held.readings == 1 else 's'}, schema {held.version}"
            + ("" if faults else "; all as it was noted")
        )
    if faults:
        count = f"{len(faults)} thing{'s' if len(faults) > 1 else ''}"
        raise LedgerError(
            f"{found.where}: {count} not in order, the first: {faults[0]}; 'gcodetool spool undo' takes entries "
            "back, 'gcodetool ledger restore FILE' puts a backup in a damaged one's place"
        )
    return 0


@ledger.command("backup", epilog="Example: gcodetool ledger backup -o shelf-2026-11.sqlite")
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write to FILE; else beside the ledger.",
)
@ledger_option
def backup(output: Path | None, ledger: str | None) -> int:
    """Write all that was ever noted into one SQLite file.

    --ledger FILE can use it.
    """
    from gcodetool.ledger import maintenance

    found = opened(ledger, make=False)
    target = output or maintenance.default_target(found)
    maintenance.backup(found, target)
    click.echo(f"wrote {target}")
    return 0


@ledger.command("restore", epilog="Example: gcodetool ledger restore shelf-2026-11.sqlite")
@click.argument("file", type=click.Path(path_type=Path))
@ledger_option
def restore(file: Path, ledger: str | None) -> int:
    """Put a backup in the ledger's place; what was there is kept.

    The backup is FILE; the ledger as it was stays beside it.

    Also into a ledger on a server: what was there goes into a file of this folder first.
    """
    from gcodetool.ledger.restore import restore as put_back

    done = put_back(file, ledger)
    click.echo(f"{done.where}: {done.entries} entries from {file}")
    if done.kept is not None:
        click.echo(f"what was there before: {done.kept}")
    return 0
