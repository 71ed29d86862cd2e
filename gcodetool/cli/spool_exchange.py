"""``spool export`` and ``import``: records as files, and whole shelves.

Left out: what a file holds (``ledger.exchange``, ``ledger.merge``).
"""

import json
from pathlib import Path

import click

from gcodetool.cli.options import (
    json_option,
    ledger_option,
    lone_spool,
)
from gcodetool.cli.output import say_json
from gcodetool.cli.shelf import (
    SPOOL,
    entry_dict,
    opened,
    report_entry,
)
from gcodetool.errors import LedgerError, UsageError


@click.command("export", epilog="Example: gcodetool spool export pa6-07 -o pa6-07.toml")
@click.argument("spool_id", metavar="ID", type=SPOOL, required=False, callback=lone_spool)
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write to FILE; left out: to stdout.",
)
@ledger_option
def export(spool_id: str, output: Path | None, ledger: str | None) -> int:
    """Write a spool's record as a spool file.

    The logs of measured places go beside it.
    """
    from gcodetool.ledger import exchange

    where = None if output is None else output.parent
    found = exchange.export(opened(ledger, make=False), spool_id, beside=where)
    if output is None:
        if found.logs:
            raise UsageError(
                f"{spool_id} stood where the air was measured, and logs are files of their own; "
                f"name the file: -o {spool_id}.toml"
            )
        click.echo(found.text, nl=False)
        return 0
    from gcodetool.gcode.edits import write_atomic

    for name, text in found.logs.items():
        write_atomic(output.with_name(name), [text.encode()])
    write_atomic(output, [found.text.encode()])
    beside = f" and {', '.join(found.logs)}" if found.logs else ""
    click.echo(f"wrote {output}{beside}")
    return 0


@click.command("import", epilog="Example: gcodetool spool import pa6-07.toml")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--as", "as_id", metavar="ID", help="Its ID in the ledger, in place of the file's.")
@click.option("--keep-places", is_flag=True, help="Where a place differs, take the ledger's figures.")
@click.option(
    "--merge", is_flag=True, help="Add what is missing here; FILE may be another ledger, or a backup of one."
)
@click.option("--force", is_flag=True, help="Write it even if a check says that it is impossible.")
@ledger_option
@json_option()
def import_spool(
    file: Path,
    as_id: str | None,
    keep_places: bool,
    merge: bool,
    force: bool,
    ledger: str | None,
    as_json: bool,
) -> int:
    """Take a spool file into the ledger, with places and history.

    With --merge also into a record that is there, or a whole shelf into another.
    """
    from gcodetool.ledger import exchange
    from gcodetool.ledger.merge import is_ledger
    from gcodetool.ledger.spoolfile import read_spool

    if is_ledger(file):
        if not merge or as_id is not None:
            raise UsageError(f"{file} is a ledger, not one spool's file; add --merge, and leave --as out")
        return merge_shelf(file, keep_places, ledger, as_json)
    read_spool(file)  # a file that cannot be read makes no ledger
    done = exchange.import_spool(
        opened(ledger, make=True), file, as_id=as_id, keep_places=keep_places, merge=merge, force=force
    )
    name = next((entry.name for entry in done.entries if entry.subject == "spool"), as_id or file.stem)
    events = sum(entry.subject == "spool" for entry in done.entries)
    return report_entry(name, f"added with {events} events", done, as_json=as_json)


def merge_shelf(file: Path, keep_places: bool, word: str | None, as_json: bool) -> int:
    """Take another shelf in, and say where the two do not agree.

    Raises
    ------
    LedgerError
        Names were left out; the others are merged.
    """
    from gcodetool.ledger.merge import merge

    done = merge(opened(word, make=True), file, keep_places=keep_places)
    if as_json:
        conflicts = [
            {"kind": each.kind, "subject": each.subject, "name": each.name, "text": each.text}
            for each in done.conflicts
        ]
        rows = [entry_dict(entry) for entry in done.entries]
        say_json(json.dumps({"entries": rows, "conflicts": conflicts}, indent=1))
    else:
        for conflict in done.conflicts:
            click.echo(f"- {conflict}")
        names = len({(entry.subject, entry.name) for entry in done.entries})
        click.echo(
            f"{len(done.entries)} entries taken in from {file}, of {names} spools and places"
            if done.entries
            else f"nothing in {file} that is not here; nothing written"
        )
    out = [conflict for conflict in done.conflicts if conflict.kind == "left-out"]
    if out:
        raise LedgerError(f"{file}: {len(out)} not merged, the first: {out[0]}")
    return 0
