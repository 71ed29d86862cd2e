"""``series``: the same job on the same spool in several states of water, planned and compared."""

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from gcodetool.cli.completion import of_series
from gcodetool.cli.options import at_option, json_option, ledger_option, members_option
from gcodetool.cli.output import say_json
from gcodetool.cli.shelf import SERIES, WriteContext, print_entries, print_remarks, report_entry, writer
from gcodetool.errors import UsageError

if TYPE_CHECKING:
    from gcodetool.series.record import Value

ASSIGNED: Final = re.compile(r"([A-Za-z][A-Za-z0-9_]*)=(.+)")
page_option: Final = click.option(
    "-o", "--output", type=click.Path(path_type=Path), metavar="FILE.html", help="Also write a page."
)


@click.group(epilog="Example: gcodetool series plan clip-petg.toml")
def series() -> None:
    """Print one job in several states of water, and compare.

    A series shows what the water did only if nothing else differs: one file, one reel, prints in a drawn order.
    """


@series.command("plan", epilog="Example: gcodetool series plan clip-petg.toml -o plan.html")
@click.argument("plan", type=click.Path(path_type=Path))
@at_option("When it begins")
@members_option()
@ledger_option
@page_option
@json_option()
def plan_series(
    plan: Path,
    at_s: float | None,
    members: int | None,
    ledger: str | None,
    output: Path | None,
    as_json: bool,
) -> None:
    """Say what PLAN comes to, before anything is printed.

    Strand, how each state is made and how long that takes, what so few prints can show, order and calendar.
    Nothing is written but the page.
    """
    from gcodetool.app.series import series_plan

    found = series_plan(plan, at=at_s, members=members, ledger=ledger, output=output)
    if as_json:
        from gcodetool.report.series_json import plan_json

        say_json(plan_json(found))
        return
    from gcodetool.report.series_text import print_plan

    print_plan(found, sys.stdout)
    if output is not None:
        click.echo(f"wrote {output}")


@series.command("start", epilog="Example: gcodetool series start clip-petg.toml")
@click.argument("plan", type=click.Path(path_type=Path))
@members_option()
@writer
def start(plan: Path, members: int | None, context: WriteContext) -> int:
    """Note the series of PLAN in the ledger.

    Its order, its seed, and the places that it brings.
    """
    from gcodetool.app.series import series_start

    found, done = series_start(
        plan, at=context.at_s, members=members, ledger=context.word, force=context.force
    )
    for doubt in found.doubts:
        click.echo(f"gcodetool: {doubt.text}", err=True)
    first = found.order[0]
    said = f"started, {len(found.order)} prints (seed {found.seed}); print {first.print} of {first.state} is the first"
    return report_entry(found.plan.id, said, done, as_json=context.as_json, subject="series")


@series.command("list", epilog="Example: gcodetool series list")
@ledger_option
def list_series(ledger: str | None) -> None:
    """List the series of the ledger."""
    from gcodetool.app.series import series_records
    from gcodetool.report.series_text import print_list

    print_list(series_records(ledger=ledger), sys.stdout)


@series.command("show", epilog="Example: gcodetool series show clip-petg-1")
@click.argument("series_id", metavar="ID", type=SERIES)
@ledger_option
@json_option()
def show(series_id: str, ledger: str | None, as_json: bool) -> None:
    """Show what was printed of a series, and what is next."""
    from gcodetool.app.series import series_show

    found = series_show(series_id, ledger=ledger)
    if as_json:
        from gcodetool.report.series_json import record_json

        say_json(record_json(found))
        return
    from gcodetool.report.series_text import print_record

    print_record(found, sys.stdout)


@series.command(
    "result",
    epilog="Example: gcodetool series result clip-petg-1 --state dried --print 1 --specimen 2 force=41.2",
)
@click.argument("series_id", metavar="ID", type=SERIES)
@click.argument(
    "words",
    metavar="FILE.csv | QUANTITY=VALUE...",
    nargs=-1,
    required=True,
    shell_complete=of_series("quantity"),
)
@click.option("--state", metavar="NAME", shell_complete=of_series("state"), help="Whose values follow.")
@click.option("--print", "number", type=click.IntRange(1), metavar="N", help="Which print of it.")
@click.option("--specimen", type=click.IntRange(1), metavar="N", help="Which specimen in it.")
@writer
def result(
    series_id: str,
    words: tuple[str, ...],
    state: str | None,
    number: int | None,
    specimen: int | None,
    context: WriteContext,
) -> int:
    """Note results: a CSV file, or values of one specimen.

    The file has the columns state, print, specimen, quantity, value, in any order; its delimiter and decimal sign
    are told by the file.  Another value of the same specimen is a correction: it needs --force, and both are kept.
    """
    from gcodetool.app.series import series_result

    matches = [ASSIGNED.fullmatch(word) for word in words]
    values: Any = Path(words[0])
    if all(matches):
        if state is None or number is None or specimen is None:
            raise UsageError("whose values are they? add --state NAME, --print N and --specimen N")
        values = [
            value_of(state, number, specimen, match[1], match[2]) for match in matches if match is not None
        ]
    elif len(words) > 1 or state is not None or number is not None or specimen is not None:
        raise UsageError(
            "name one CSV file alone, or write QUANTITY=VALUE with --state, --print and --specimen"
        )
    done = series_result(series_id, values, at=context.at_s, ledger=context.word, force=context.force)
    if context.as_json:
        print_remarks(done)
        return print_entries(done)
    count = len(done.entries[0].facts["values"]) if done.entries else 0
    return report_entry(
        series_id, f"{count} value{'' if count == 1 else 's'} noted", done, as_json=False, subject="series"
    )


def value_of(state: str, number: int, specimen: int, quantity: str, text: str) -> "Value":
    """Return a value of the command line; its decimal sign may be a comma."""
    import math

    from gcodetool.series.record import Value

    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise UsageError(f"{quantity}={text} is no number; write {quantity}=41.2")
    return Value(state, number, specimen, quantity, value)


@series.command("report", epilog="Example: gcodetool series report clip-petg-1 -o clip-petg.html")
@click.argument("series_id", metavar="ID", type=SERIES)
@at_option("The moment to print on it")
@ledger_option
@page_option
@json_option()
def report(
    series_id: str, at_s: float | None, ledger: str | None, output: Path | None, as_json: bool
) -> None:
    """Say what a series shows, and what it cannot: doubts first."""
    from gcodetool.app.series import series_report

    found = series_report(series_id, at=at_s, ledger=ledger, output=output)
    if as_json:
        from gcodetool.report.series_json import report_json

        say_json(report_json(found))
        return
    from gcodetool.report.series_text import print_findings

    print_findings(found, sys.stdout)
    if output is not None:
        click.echo(f"wrote {output}")


@series.command("export", epilog="Example: gcodetool series export clip-petg-1 -o clip-petg.csv")
@click.argument("series_id", metavar="ID", type=SERIES)
@click.option(
    "-o", "--output", required=True, type=click.Path(path_type=Path), metavar="FILE.csv", help="Where to."
)
@ledger_option
def export(series_id: str, output: Path, ledger: str | None) -> None:
    """Write all values to a CSV file.

    With the water of their prints; corrected ones too, marked.
    """
    from gcodetool.app.series import series_export

    count = series_export(series_id, output, ledger=ledger)
    click.echo(f"wrote {count} values to {output}")


@series.command("undo", epilog="Example: gcodetool series undo clip-petg-1")
@click.argument("series_id", metavar="ID", type=SERIES)
@click.argument("entry", type=click.IntRange(1), required=False)
@writer
def undo(series_id: str, entry: int | None, context: WriteContext) -> int:
    """Cancel the last thing noted of a series, or the one of ENTRY.

    Nothing is erased: the undo is an entry itself, and can be undone.
    """
    from gcodetool.app.series import series_undo

    done = series_undo(series_id, entry, at=context.at_s, ledger=context.word, force=context.force)
    cancels = ", ".join(str(number) for number in done.entries[0].facts["cancels"])
    return report_entry(
        series_id, f"undone: entry {cancels}", done, as_json=context.as_json, subject="series"
    )
