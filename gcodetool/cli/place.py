"""``place``: where spools stand, and the air there."""

import contextlib
import json
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from gcodetool.cli.completion import among, completing
from gcodetool.cli.label import place_label
from gcodetool.cli.options import at_option, json_option, ledger_option
from gcodetool.cli.output import say_json
from gcodetool.cli.place_options import FORGETTABLE, KINDS, PlaceKindType, aired, stated_place
from gcodetool.cli.quantity_types import Amount
from gcodetool.cli.shelf import (
    PLACE,
    WriteContext,
    entry_dict,
    fact_keys,
    jsonable,
    opened,
    report_entry,
    writer,
)
from gcodetool.cli.storage import fit, renewed, size
from gcodetool.errors import LedgerError, SpoolError, UsageError
from gcodetool.quantities import (
    HUMIDITY,
    TEMPERATURE,
)
from gcodetool.shell import shell_word

if TYPE_CHECKING:
    from gcodetool.judge.shelf_findings import PlaceOnShelf
    from gcodetool.ledger.hygrometer import ParsedReadings

GAPS_SHOWN: Final = 3
LOOK_EVERY_S: Final = 10.0  # at a logger's file that grows
MOST_TOGETHER: Final = 60  # readings that arrive one by one, written as one entry
LONGEST_TOGETHER_S: Final = 300.0


@click.group(epilog="Example: gcodetool place read bench --humidity 52")
def place() -> None:
    """Keep a record of rooms, boxes, bags, dryers and printers."""


for _command in (fit, size, renewed):
    place.add_command(_command)


@place.command("add", epilog="Example: gcodetool place add oven --kind dryer --temperature 78 --room bench")
@click.argument("name")
@click.option("--kind", type=PlaceKindType(KINDS), required=True)
@aired
@writer
def add(
    name: str,
    kind: str,
    context: WriteContext,
    **options: Any,
) -> int:
    """Add a place: a room, box, bag, dryer or printer."""
    from gcodetool.ledger import place_entries

    facts = {"kind": kind, **stated_place(options)}
    done = place_entries.add_place(
        context.ledger(make=True), name, facts, at_s=context.at_s, force=context.force
    )
    return report_entry(name, f"added, {kind}", done, as_json=context.as_json, subject="place")


@place.command("set", epilog="Example: gcodetool place set oven --temperature 75")
@click.argument("name", type=PLACE)
@click.option(
    "--forget",
    multiple=True,
    metavar="FACT",
    shell_complete=among(FORGETTABLE),
    help="Remove a figure that was stated, e.g. dew-point.",
)
@aired
@writer
def set_place(
    name: str,
    forget: tuple[str, ...],
    context: WriteContext,
    **options: Any,
) -> int:
    """Correct what a place is, for its whole record.

    When its air has changed, use 'place read'.
    """
    from gcodetool.app.heat import with_heat_cautions
    from gcodetool.ledger import place_entries

    shelf = context.ledger(make=False)
    changes = {**stated_place(options), **dict.fromkeys(fact_keys(forget, FORGETTABLE))}
    done = place_entries.set_place(shelf, name, changes, at_s=context.at_s, force=context.force)
    done = with_heat_cautions(shelf, done)
    return report_entry(
        name, "corrected for its whole record", done, as_json=context.as_json, subject="place"
    )


@place.command("read", epilog="Example: gcodetool place read bench --humidity 52")
@click.argument("name", type=PLACE)
@click.option("--humidity", type=Amount(HUMIDITY, 0, 100), metavar="RH", help="% RH; of a dryer none.")
@click.option(
    "--temperature", type=Amount(TEMPERATURE, -40, 200), metavar="C", help="°C; left out: as known before."
)
@click.option(
    "--knob",
    type=Amount(TEMPERATURE, -40, 200),
    metavar="C",
    help="Dryer: what its knob shows meanwhile; left out: as its drying was noted.",
)
@writer
def read(
    name: str,
    humidity: float | None,
    temperature: float | None,
    knob: float | None,
    context: WriteContext,
) -> int:
    """Note what a hygrometer or a dryer's thermometer shows.

    Between readings of a hygrometer the air is taken to change evenly.  A thermometer tells how far a dryer is off;
    that counts for all dryings in it.
    """
    from gcodetool.app.heat import with_heat_cautions
    from gcodetool.ledger import place_entries

    shelf = context.ledger(make=False)
    done = place_entries.read(
        shelf,
        name,
        rh_pct=humidity,
        temperature_C=temperature,
        knob_C=knob,
        at_s=context.at_s,
        force=context.force,
    )
    read_ = f"{temperature:g} °C" if humidity is None else f"{humidity:g} % RH"
    done = with_heat_cautions(shelf, done)
    return report_entry(name, read_, done, as_json=context.as_json, subject="place")


@place.command("log", epilog="Example: gcodetool place log bench hygrometer.csv --zone Europe/Vienna")
@click.argument("name", type=PLACE)
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--zone",
    metavar="ZONE",
    shell_complete=completing("zone"),
    help="Zone of times that state none: a name, UTC or local (the default).",
)
@click.option(
    "--days",
    "order",
    type=click.Choice(["dmy", "mdy"]),
    help="Order of day and month in dates like 3/4/2026, if unsure.",
)
@click.option("--dry-run", is_flag=True, help="Only say how the file is understood.")
@click.option(
    "--follow",
    is_flag=True,
    help="Stay, and take in what the logger adds, until Ctrl-C; FILE -: one JSON object a line.",
)
@click.option(
    "--force", is_flag=True, help="Take readings also where they differ from those of the same moment."
)
@ledger_option
@json_option()
def log(
    name: str,
    file: Path,
    zone: str | None,
    order: str | None,
    dry_run: bool,
    follow: bool,
    force: bool,
    ledger: str | None,
    as_json: bool,
) -> int:
    """Add the readings of a logger's CSV file to a place.

    Those that are there already are not added again.  With --follow, lines such as
    {"temperature_C": 21.5, "rh_pct": 48} arrive at the standard input; without "at" they are of that moment.
    """
    if str(file) == "-":
        if not follow:
            raise UsageError("the file name - goes with --follow: gcodetool place log bench --follow -")
        if dry_run or zone is not None or order is not None or as_json:
            raise UsageError("--follow goes with --force and --ledger only; leave the others out")
        return follow_readings(name, ledger, force=force)
    from gcodetool.ledger import hygrometer, place_entries, records
    from gcodetool.ledger.store import reading
    from gcodetool.ledger.writers import Written

    where = opened(ledger, make=False)
    with reading(where) as conn:
        place_entries.measured(records.places(conn), name)
    if follow:
        return follow_log(name, file, zone, order, ledger)
    found = hygrometer.parse_readings(file, zone=zone, order=order)
    done = Written((), ("nothing written: --dry-run",))
    if not dry_run:
        done = place_entries.log(where, name, found.readings, source=file.name, force=force)
    if as_json:
        said = {
            "understood": understood_dict(found),
            "entries": [entry_dict(entry) for entry in done.entries],
        }
        say_json(json.dumps(said, indent=1))
        return 0
    click.echo(understood(file, found))
    for note in done.notes:
        click.echo(f"gcodetool: {note}", err=True)
    if done.entries:
        new = done.entries[0].facts["count"]
        click.echo(
            f"{name}: {new} readings added (entry {done.entries[0].number}; undo: gcodetool place undo {shell_word(name)})"
        )
    return 0


def follow_log(name: str, file: Path, zone: str | None, order: str | None, ledger: str | None) -> int:
    """Take in what a logger adds to its file, and say so, until somebody stops it."""
    import time

    from gcodetool.app.air import follow

    def wait() -> bool:
        time.sleep(LOOK_EVERY_S)
        return True

    for new, noted in follow(name, file, zone=zone, order=order, ledger=ledger, wait=wait):
        click.echo(f"{name}: {new} new readings, {noted} noted by them")
    return 0


@place.command("sensor", epilog="Example: gcodetool place sensor box-2 --name box-2-hygrometer")
@click.argument("name", type=PLACE)
@click.option("--name", "sensor", metavar="WORD", help="What to call it; left out: the place's name.")
@ledger_option
def sensor(name: str, sensor: str | None, ledger: str | None) -> int:
    """Make a token for a sensor that sends by itself.

    It sends what it reads to the page of 'gcodetool serve', POST /air/NAME (docs/serve.md).

    The token is shown once; made again, the old one ends.  'gcodetool serve devices drop' takes it back.
    """
    from gcodetool.app.access import grant

    click.echo(grant(sensor or f"sensor of {name}", "sensor", place=name, ledger=ledger))
    return 0


def follow_readings(name: str, ledger: str | None, *, force: bool) -> int:
    """Take in readings from the standard input; a bad line is said and passed over.  Exit code 1 if there was one."""
    from gcodetool.ledger import piped, place_entries, records
    from gcodetool.ledger.store import reading

    where = opened(ledger, make=False)
    with reading(where) as conn:
        place_entries.measured(records.places(conn), name)
    bad = 0

    def arriving() -> Iterator[tuple[int, float, float]]:
        nonlocal bad
        with contextlib.suppress(KeyboardInterrupt):  # what has arrived is written all the same
            for number, line in enumerate(sys.stdin, 1):
                if not line.strip():
                    continue
                try:
                    yield piped.reading_of(line, number, time.time())
                except SpoolError as error:
                    bad += 1
                    click.echo(f"gcodetool: {error}", err=True)

    for group in piped.batches(arriving(), MOST_TOGETHER, LONGEST_TOGETHER_S):
        rows = [(at, *air) for at, air in sorted({at: (celsius, rh) for at, celsius, rh in group}.items())]
        try:
            done = place_entries.log(where, name, rows, source=piped.WHERE, force=force)
        except LedgerError as error:
            bad += 1
            click.echo(f"gcodetool: {error}", err=True)
            continue
        for entry in done.entries:
            click.echo(f"{name}: {entry.facts['count']} readings added (entry {entry.number})")
            sys.stdout.flush()
    return 1 if bad else 0


def understood(file: Path, found: "ParsedReadings") -> str:
    """Return in words what a logger's file was taken for."""
    from gcodetool.report.as_text import duration
    from gcodetool.report.shelf_text import when

    first, last = found.readings[0][0] / 1e6, found.readings[-1][0] / 1e6
    every = "" if found.interval_s is None else f", one every {duration(found.interval_s)}"
    lines = [
        f"{file.name}: {len(found.readings)} readings{every}, {when(first)} to {when(last)} local time",
        f"  understood as: {found.delimiter} between columns, decimal {found.decimal}, {found.unit}, times "
        f"{found.times}, zone {found.zone}",
    ]
    if found.gaps:
        shown = [
            f"{when(a / 1e6)} to {when(b / 1e6)} ({duration((b - a) / 1e6)})"
            for a, b in found.gaps[:GAPS_SHOWN]
        ]
        more = len(found.gaps) - len(shown)
        lines.append(
            f"  {len(found.gaps)} gap{'s' if len(found.gaps) > 1 else ''}, bridged by straight lines: {'; '.join(shown)}"
            + (f"; {more} more" if more else "")
        )
    if found.skipped:
        lines.append(
            f"  left out: {'1 line' if found.skipped == 1 else f'{found.skipped} lines'} without a reading"
        )
    if found.doubles:
        lines.append(
            f"  left out: {'1 line' if found.doubles == 1 else f'{found.doubles} lines'} whose moment a later line has too"
        )
    return "\n".join(lines)


def understood_dict(found: "ParsedReadings") -> dict[str, Any]:
    """Return the same for JSON."""
    from gcodetool.ledger.records import utc

    return {
        "readings": len(found.readings),
        "delimiter": found.delimiter,
        "decimal": found.decimal,
        "times": found.times,
        "zone": found.zone,
        "unit": found.unit,
        "from": utc(found.readings[0][0]).isoformat(),
        "to": utc(found.readings[-1][0]).isoformat(),
        "interval_s": found.interval_s,
        "gaps": [{"from": utc(a).isoformat(), "to": utc(b).isoformat()} for a, b in found.gaps],
        "skipped": found.skipped,
        "doubles": found.doubles,
    }


@place.command("undo", epilog="Example: gcodetool place undo bench")
@click.argument("name", type=PLACE)
@click.argument("entry", type=click.IntRange(1), required=False)
@writer
def undo(
    name: str,
    entry: int | None,
    context: WriteContext,
) -> int:
    """Cancel the last command noted of a place, or that of ENTRY.

    Undoing an undo brings it back.
    """
    from gcodetool.ledger import place_entries

    done = place_entries.undo_place(
        context.ledger(make=False), name, entry, at_s=context.at_s, force=context.force
    )
    cancels = ", ".join(str(number) for number in done.entries[0].facts["cancels"])
    return report_entry(name, f"undone: entry {cancels}", done, as_json=context.as_json, subject="place")


# ---------------------------------------------------------------- looking


@place.command("list", epilog="Example: gcodetool place list")
@at_option("The moment to look at")
@ledger_option
@json_option()
def list_places(at_s: float | None, ledger: str | None, as_json: bool) -> int:
    """List the places: their kind, their air, and the spools in them."""
    from gcodetool.app.places import places
    from gcodetool.report.shelf_text import print_places

    found = places(at=at_s, ledger=ledger)
    if as_json:
        said = [
            {
                "name": each.name,
                **plain_facts(each),
                "reading": reading_dict(each),
                "spools": list(each.spools),
            }
            for each in found
        ]
        say_json(json.dumps({"places": said}, indent=1))
        return 0
    print_places(found, sys.stdout)
    return 0


@place.command("show", epilog="Example: gcodetool place show bench")
@click.argument("name", type=PLACE)
@at_option("The moment to look at")
@click.option(
    "--history",
    type=click.IntRange(0),
    default=12,
    show_default=True,
    metavar="N",
    help="Last entries to list.",
)
@ledger_option
@json_option()
def show(name: str, at_s: float | None, history: int, ledger: str | None, as_json: bool) -> int:
    """Say what a place is, its readings, spools and history."""
    from gcodetool.app.noting import history_of
    from gcodetool.app.places import place as look_at
    from gcodetool.report.shelf_text import air_in_words, place_in_words, print_history

    found = look_at(name, at=at_s, ledger=ledger)
    if as_json:
        said = {
            "name": name,
            **plain_facts(found),
            "reading": reading_dict(found),
            "readings": found.readings,
            "spools": list(found.spools),
            "history": [entry_dict(entry) for entry in found.entries],
        }
        say_json(json.dumps(said, indent=1))
        return 0
    click.echo(f"{name}: {place_in_words(found)}")
    if found.reading is not None:
        click.echo(f"  air: {air_in_words(found)}; {found.readings} readings")
    click.echo(f"  spools: {', '.join(found.spools) or 'none'}")
    if history:
        print_history(history_of(list(found.entries)), sys.stdout, last=history)
    return 0


def plain_facts(found: "PlaceOnShelf") -> dict[str, Any]:
    """Return what is stated of a place, as JSON can say it."""
    return {key: jsonable(value) for key, value in found.facts.items()}


def reading_dict(found: "PlaceOnShelf") -> dict[str, Any] | None:
    """Return the last reading of a place; None where it is not measured."""
    from gcodetool.report.json_values import utc

    last = found.reading
    if last is None:
        return None
    return {"at": utc(last.at_s), "temperature_C": last.temperature_C, "rh_pct": last.rh_pct}


place.add_command(place_label)
