"""``queue``: many jobs against the shelf."""

import sys
from pathlib import Path
from typing import Final

import click

from gcodetool import quantities
from gcodetool.cli.completion import completing
from gcodetool.cli.options import (
    at_option,
    confidence_option,
    json_option,
    ledger_option,
    members_option,
    printer_option,
)
from gcodetool.cli.output import say_json
from gcodetool.cli.quantity_types import Amount
from gcodetool.errors import UsageError

INTERRUPTED: Final = 130


@click.command(
    epilog="Example: gcodetool queue tonight.toml --shelf shelf/ --at 2026-11-25T18:00. "
    "Exit code: the worst job's: 0 clear, 10 adjust, 21 runs-out, 20 dry-first, 30 unknown or "
    "which-filament, 1 a file that cannot be read; 2 misuse."
)
@click.argument(
    "jobs", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="DIR|LIST.toml|JOB…"
)
@click.option(
    "--shelf",
    "shelves",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="DIR|FILE",
    help="Spool file, or folder of them; left out: the list's, else the ledger's spools.",
)
@printer_option("Printer profile, or printer of the ledger, for jobs that name none.")
@click.option(
    "--dryer",
    "dryers",
    multiple=True,
    metavar="NAME[=N]",
    shell_complete=completing("dryer"),
    help="Dryer that may be used, and how many reels it takes (1); 'none': no drying.",
)
@click.option(
    "--present",
    multiple=True,
    metavar="HOURS",
    help="Hours in which somebody is there, 'Mon-Fri 07:30-18:00'; may be given again; left out: the list's, else always.",
)
@click.option(
    "--assume-mounted",
    is_flag=True,
    help="A job whose filament neither list nor file names is fed from the spool on its printer; left out: you are asked.",
)
@click.option(
    "--from-now",
    "from_now",
    type=click.Path(path_type=Path),
    metavar="PLAN.json",
    help="A plan that was begun (its --json): what it began by now stays, the rest is planned anew.",
)
@click.option(
    "--not-started",
    multiple=True,
    type=click.IntRange(1),
    metavar="N",
    help="With --from-now: a job that was to begin by now and did not; may be given again.",
)
@at_option("When the first job may start", "coming")
@confidence_option()
@members_option()
@ledger_option
@click.option(
    "--time-limit",
    "limit_s",
    type=Amount(quantities.SECONDS, 0.0, 86400.0),
    default=60.0,
    show_default=True,
    metavar="SECONDS",
    help="After so long the choice takes the best plan so far; each job is placed once, however long that takes.",
)
@click.option(
    "--processes",
    type=click.IntRange(1, 256),
    metavar="N",
    help="Number of processes; left out: one for each core.",
)
@click.option("--scheduler", metavar="ADDRESS", help="Read and forecast on a Dask cluster, tcp://HOST:8786.")
@click.option(
    "--html",
    "page",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Also write a page to FILE; an existing one is replaced.",
)
@click.option(
    "--ics",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Also write what is to be done by hand as a calendar to FILE; an existing one is replaced.",
)
@json_option("Print one JSON object (docs/queue.schema.json).")
def queue(
    jobs: tuple[Path, ...],
    shelves: tuple[Path, ...],
    printer: str | None,
    dryers: tuple[str, ...],
    present: tuple[str, ...],
    assume_mounted: bool,
    from_now: Path | None,
    not_started: tuple[int, ...],
    at_s: float | None,
    confidence: float,
    members: int | None,
    limit_s: float,
    ledger: str | None,
    processes: int | None,
    scheduler: str | None,
    page: Path | None,
    ics: Path | None,
    as_json: bool,
) -> int:
    """Say which jobs can run when, on which spool, and what to dry.

    Jobs run in their order, each as early as printer, spool and its own time allow.  Spools that no list names
    are chosen so that most jobs can run, then for the fewest hand-offs, dryings and hours of heat.
    A dryer is hot: stay near it; makers' limits come first.
    """
    from gcodetool.app.queue import queue_plan
    from gcodetool.cli.progress import watched
    from gcodetool.queue.findings import ORDER

    for option, file in (("--html", page), ("--ics", ics)):
        if file is not None and any(file.exists() and job.exists() and file.samefile(job) for job in jobs):
            raise UsageError(f"{option} {file} is one of the jobs itself; name another file")
    if ics is not None:
        from gcodetool.report.calendar_file import calendar_library

        calendar_library()  # else it would be missed only after the work
    with watched() as progress:
        found = queue_plan(
            jobs,
            shelf=shelves,
            printer=printer,
            dryers=dryer_words(dryers),
            present=present,
            assume_mounted=assume_mounted,
            at=at_s,
            confidence=confidence,
            members=members,
            limit_s=limit_s,
            ledger=ledger,
            from_now=from_now,
            not_started=not_started,
            processes=processes,
            scheduler=scheduler,
            progress=progress,
            tell=lambda text: click.echo(f"gcodetool: {text}", err=True),
        )
    if page is not None:
        from gcodetool.gcode.edits import write_atomic
        from gcodetool.report.html.queue import queue as page_of

        write_atomic(page, [page_of(found).encode("utf-8", "replace")])
    if ics is not None:
        from gcodetool.gcode.edits import write_atomic
        from gcodetool.report.queue_calendar import calendar

        write_atomic(ics, [calendar(found)])
    if as_json:
        from gcodetool.report.queue_json import to_json

        say_json(to_json(found))
    else:
        from gcodetool.report.queue_text import print_queue

        print_queue(found, sys.stdout)
    bad = [row for row in found.rows if row.verdict == "unreadable"]
    if bad:
        more = (
            f" ({len(bad)} of {len(found.rows)} files cannot be read; the rows name them)"
            if len(bad) > 1
            else ""
        )
        click.echo(f"gcodetool: {bad[0].error}{more}", err=True)
    if not found.complete:
        finished = sum(ORDER.index(row.verdict) < ORDER.index("not-read") for row in found.rows)
        said = f"{finished} of {len(found.rows)} jobs were finished and are shown"
        if found.rough and finished == len(found.rows):
            said = "the best plan so far is shown, with quick forecasts"
        elif found.rough:
            said = f"{finished} of {len(found.rows)} jobs were placed and are shown, with quick forecasts"
        click.echo(
            f"gcodetool: {found.lost or 'stopped'}; {said}"
            + ("" if page is None else f"; {page} was written"),
            err=True,
        )
        return INTERRUPTED if found.lost is None else 1
    return found.exit_code


def dryer_words(words: tuple[str, ...]) -> dict[str, int] | None:
    """Return reels by dryer; None where nothing is said.

    >>> dryer_words(("oven=2", "box"))
    {'oven': 2, 'box': 1}
    """
    if not words:
        return None
    if words == ("none",):
        return {}
    found = {}
    for word in words:
        name, _, count = word.rpartition("=") if "=" in word else (word, "", "1")
        if not name or not count.isdecimal() or not 0 < int(count) <= 1000:
            raise UsageError(f"--dryer '{word}' is no dryer with a number of reels; write --dryer oven=2")
        found[name] = int(count)
    return found
