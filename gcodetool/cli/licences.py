"""``licences``: under which licences gcodetool and what it runs on stand."""

import json
from dataclasses import asdict

import click

from gcodetool.cli.options import json_option
from gcodetool.cli.output import say_json


@click.command(epilog="Example: gcodetool licences --json")
@json_option()
def licences(as_json: bool) -> int:
    """List what gcodetool runs on, and under which licences.

    As the installed packages state it; their full texts lie in their own folders.
    """
    from gcodetool.app.licences import licences as found

    rows = found()
    if as_json:
        say_json(json.dumps({"packages": [asdict(row) for row in rows]}, indent=1))
        return 0
    name, version = (max(len(getattr(row, key)) for row in rows) for key in ("package", "version"))
    for row in rows:
        click.echo(f"{row.package:<{name}}  {row.version:<{version}}  {row.licence}")
    return 0
