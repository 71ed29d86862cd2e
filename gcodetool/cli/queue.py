"""``queue``: many jobs against the shelf."""

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from gcodetool.app.resolve import clock, find_printer, snapshots_of
from gcodetool.cli.options import (
    at_option,
    confidence_option,
    json_option,
    ledger_option,
    members_option,
)
from gcodetool.cli.progress import watched
from gcodetool.errors import GcodetoolError, UsageError

if TYPE_CHECKING:
    from gcodetool.moisture.record import Spool
    from gcodetool.queue.hands import Cluster, Here, Processes
    from gcodetool.queue.listing import Listing, Machine
    from gcodetool.queue.tasks import Stock

INTERRUPTED: Final = 130


@click.command(
    epilog="Example: gcodetool queue tonight.toml --shelf shelf/ --at 2026-11-25T18:00. "
    "Exit code: the worst job's: 0 clear, 10 adjust, 21 runs-out, 20 dry-first, 30 unknown, 1 a file that cannot "
    "be read; 2 misuse."
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
    help="Spool file, or folder of them; else the list's, else the ledger's spools.",
)
@click.option(
    "--printer",
    metavar="NAME|FILE",
    help="Printer profile, or printer of the ledger, for jobs that name none.",
)
@click.option(
    "--dryer",
    "dryers",
    multiple=True,
    metavar="NAME[=N]",
    help="Dryer that may be used, and how many reels it takes (1); 'none': no drying.",
)
@at_option("When the first job may start")
@confidence_option()
@members_option()
@ledger_option
@click.option("--processes", type=click.IntRange(1, 256), metavar="N", help="Processes; as many as cores.")
@click.option("--scheduler", metavar="ADDRESS", help="Read and forecast on a Dask cluster, tcp://HOST:8786.")
@click.option(
    "--html",
    "page",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Also write a page to FILE; replaced.",
)
@json_option("Print one JSON object (docs/queue.schema.json).")
def queue(
    jobs: tuple[Path, ...],
    shelves: tuple[Path, ...],
    printer: str | None,
    dryers: tuple[str, ...],
    at_s: float | None,
    confidence: float,
    members: int | None,
    ledger: str | None,
    processes: int | None,
    scheduler: str | None,
    page: Path | None,
    as_json: bool,
) -> int:
    """Say which of many jobs can run when, on which spool, and what to dry for them.

    Jobs run in their order, each as early as printer, spool and its own time allow.  Spools that no list names
    are chosen so that most jobs make it, then with the fewest dryings, then with the fewest changes.
    A dryer is hot: stay near it; makers' limits come first.
    """
    from gcodetool.queue import cache
    from gcodetool.queue.findings import ORDER
    from gcodetool.queue.run import plan

    if scheduler is not None and processes is not None:
        raise UsageError("--scheduler and --processes exclude each other; leave one out")
    if page is not None and any(page.exists() and job.exists() and page.samefile(job) for job in jobs):
        raise UsageError(f"--html {page} is one of the jobs itself; name another file")
    listing = listed(jobs, printer, ledger)
    holds = dryer_words(dryers)
    stock = stock_of(shelves or listing.shelf, ledger, listing)
    with hands_of(scheduler, processes) as hands, watched() as progress:
        found = plan(
            listing,
            stock,
            at_s=clock(at_s),
            confidence=confidence,
            members=members,
            holds=holds,
            hands=hands,
            folder=cache.user_folder(),
            shelf_of=snapshots_of(ledger) if stock.spools else None,
            progress=progress,
        )
    if page is not None:
        from gcodetool.gcode.edits import write_atomic
        from gcodetool.report.html.queue import queue as page_of

        write_atomic(page, [page_of(found).encode("utf-8", "replace")])
    if as_json:
        from gcodetool.report.queue_json import to_json

        click.echo(to_json(found))
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
        click.echo(
            f"gcodetool: stopped; {finished} of {len(found.rows)} jobs were finished, their rows stand",
            err=True,
        )
        return INTERRUPTED
    return found.exit_code


def listed(jobs: tuple[Path, ...], printer: str | None, ledger: str | None) -> "Listing":
    """Return what the words of a call ask for.

    Raises
    ------
    UsageError
        A list beside other words.
    """
    from gcodetool.queue import listing

    def find(word: str) -> "Machine":
        machine = find_printer(word, ledger=ledger)
        return listing.Machine(machine.profile, machine.places)

    lists = [path for path in jobs if listing.is_list(path)]
    if lists and len(jobs) > 1:
        raise UsageError(f"{lists[0]}: a list stands alone; put the other jobs into it")
    if lists:
        return listing.read_list(lists[0], printer=printer, find=find)
    return listing.from_paths(jobs, printer=printer, find=find)


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


def stock_of(paths: tuple[Path, ...], ledger: str | None, listing: "Listing") -> "Stock":
    """Return the spools at hand: of files and folders, else of the ledger; a broken record is left out and said.

    Raises
    ------
    UsageError
        A shelf that is not there, or holds no spool file.
    """
    from gcodetool.ledger.spoolfile import read_spool
    from gcodetool.queue.tasks import Stock

    if not paths:
        return of_ledger(ledger, listing)
    spools: dict[str, Spool] = {}
    broken: dict[str, str] = {}
    for path in paths:
        if not path.exists():
            raise UsageError(f"--shelf '{path}': no such file or folder; correct the path")
        files = sorted(each for each in path.iterdir() if each.suffix == ".toml") if path.is_dir() else [path]
        if not files:
            raise UsageError(f"--shelf '{path}': no spool file in this folder; name another")
        for file in files:
            try:
                spool = read_spool(file)
            except GcodetoolError as error:
                broken[file.stem] = str(error)
                continue
            if spool.id in spools:
                broken[file.stem] = f"{file}: a second spool '{spool.id}'; {spools[spool.id].source} counts"
                continue
            spools[spool.id] = spool
    return Stock(spools, broken)


def of_ledger(ledger: str | None, listing: "Listing") -> "Stock":
    """Return the ledger's spools, each with the printers and dryers that the queue may use; none without a ledger."""
    from gcodetool.ledger import where
    from gcodetool.queue.tasks import Stock

    if ledger is None and not where.exists(None):
        return Stock({})
    from gcodetool.ledger import records, store

    try:
        with store.reading(store.open_ledger(ledger, make=False)) as conn:
            places, known = records.places(conn), records.spools(conn)
            also = {name for machine in listing.printers.values() for name in machine.places}
            also |= {name for name, place in places.items() if place.kind == "dryer"}
            spools: dict[str, Spool] = {}
            broken: dict[str, str] = {}
            for name, entry in known.items():
                if entry.retired:
                    continue
                try:
                    spools[name] = records.spool_from(conn, entry, places, also=tuple(sorted(also)))
                except GcodetoolError as error:
                    broken[name] = str(error)
            return Stock(spools, broken)
    except GcodetoolError as error:
        if ledger is not None:
            raise
        click.echo(f"gcodetool: note: the ledger was not asked: {error}", err=True)
        return Stock({})


def hands_of(scheduler: str | None, processes: int | None) -> "Here | Processes | Cluster[Any, Any]":
    """Return who does the work."""
    from gcodetool.queue import hands

    if scheduler is not None:
        return hands.Cluster(scheduler)
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    count = processes or cores
    return hands.Here() if count == 1 else hands.Processes(count)
