"""``spool``: the reels on the shelf, what happened to them, and how wet they are now."""

import json
import sys
from typing import Any, Final

import click

from gcodetool.cli.completion import among
from gcodetool.cli.configured import configured
from gcodetool.cli.label import spool_label
from gcodetool.cli.options import (
    at_option,
    json_option,
    ledger_option,
    lone_spool,
    members_option,
)
from gcodetool.cli.output import say_json
from gcodetool.cli.quantity_types import Amount, MomentType
from gcodetool.cli.shelf import (
    DRYER,
    MATERIAL,
    PLACE,
    SPOOL,
    WriteContext,
    entry_dict,
    fact_keys,
    report_entries,
    report_entry,
    without_none,
    writer,
)
from gcodetool.cli.spool_exchange import export, import_spool
from gcodetool.cli.spool_options import described, heated, stated_facts
from gcodetool.cli.spool_prints import fed, inspect, outcome
from gcodetool.errors import UsageError
from gcodetool.quantities import HOURS, LENGTH, MASS

FORGETTABLE: Final = {
    "safe-exposure": "safe_exposure_h",
    "colour": "colour",
    "line": "line",
    "note": "note",
    "body": "body",
    "fibre": "fibre_wt_pct",
}


@click.group(
    epilog="Example: gcodetool spool move pa6-07 oven. Completion: see docs/shelf.md, 'Names that complete'."
)
def spool() -> None:
    """Keep the record of your spools, and see how wet they are."""


@spool.command("add", epilog="Example: gcodetool spool add petg-03 --material PETG --place bench --sealed")
@click.argument("spool_id", metavar="ID")
@click.option(
    "--material",
    required=True,
    type=MATERIAL,
    metavar="NAME|FILE",
    help="A profile's name, or a material file.",
)
@click.option(
    "--diameter", type=Amount(LENGTH, above=0, most=10), default=1.75, show_default=True, metavar="MM"
)
@click.option(
    "--net-mass",
    type=Amount(MASS, above=0, bare_from=20),
    default=1000,
    show_default=True,
    metavar="G",
    help="Filament when new, grams.",
)
@click.option(
    "--left",
    "left_g",
    type=Amount(MASS, above=0, bare_from=5),
    metavar="G",
    help="Of a spool begun before: filament still on it, grams.",
)
@click.option(
    "--gross",
    "gross_g",
    type=Amount(MASS, above=0, bare_from=5),
    metavar="G",
    help="The same as a scale shows it, reel and all; with --body-mass.",
)
@click.option("--place", type=PLACE, metavar="PLACE", help="Where it is; left out: the only open place.")
@click.option("--loose", is_flag=True, help="Not wound: a coil with all its strands open to the air.")
@described
@writer
def add(
    spool_id: str,
    material: str,
    diameter: float,
    net_mass: float,
    left_g: float | None,
    gross_g: float | None,
    place: str | None,
    loose: bool,
    context: WriteContext,
    **options: Any,
) -> int:
    """Put a spool on the shelf, under an ID of your own.

    An ID has small letters, digits and '-'.
    """
    from gcodetool import profiles
    from gcodetool.ledger.writers import add_spool

    if gross_g is not None:
        left_g = left_of(gross_g, left_g, options["body_mass"])
    facts, received = stated_facts(options)
    basics = {
        "material": profiles.kept_word(material),
        "diameter_mm": diameter,
        "net_mass_g": net_mass,
        **({"winding": "loose"} if loose else {}),
    }
    done = add_spool(
        context.ledger(make=True),
        spool_id,
        {**basics, **facts},
        place=place,
        received=received,
        left_g=left_g,
        at_s=context.at_s,
        force=context.force,
    )
    tell_material(material)
    where = done.entries[0].facts["received"]["place"]
    left = "" if left_g is None else f", {left_g:g} g left"
    return report_entry(spool_id, f"on the shelf at {where}{left}", done, as_json=context.as_json)


def left_of(gross_g: float, left_g: float | None, body_g: float | None) -> float:
    """Return the filament on a spool that weighs so much with its reel. [g]"""
    if left_g is not None:
        raise UsageError("--left and --gross say the same; give one of them")
    if body_g is None:
        raise UsageError(
            "--gross needs the empty reel's mass too; add --body-mass G, or say --left G instead"
        )
    if gross_g <= body_g:
        raise UsageError(
            f"--gross {gross_g:g} is not more than the empty reel ({body_g:g} g); correct one of them"
        )
    return gross_g - body_g


def tell_material(word: str) -> None:
    """Say, to stderr, which profile a trade's word for a material means."""
    from gcodetool import profiles

    stock = None if profiles.names_file(word) else profiles.material(word)
    if stock is not None and profiles.slug(stock.key) != profiles.slug(word):
        click.echo(f"gcodetool: note: {word} is taken as {stock.key} ({stock.name})", err=True)


@spool.command("set", epilog="Example: gcodetool spool set pa6-07 --body-mass 210")
@click.argument("spool_id", metavar="ID", type=SPOOL)
@click.option("--material", type=MATERIAL, metavar="NAME|FILE")
@click.option("--diameter", type=Amount(LENGTH, above=0, most=10), metavar="MM")
@click.option(
    "--net-mass", type=Amount(MASS, above=0, bare_from=20), metavar="G", help="Filament when new, grams."
)
@click.option(
    "--received", "received_s", type=MomentType("past"), metavar="TIME", help="When it really came in."
)
@click.option("--place", type=PLACE, metavar="PLACE", help="Where it really came in.")
@click.option(
    "--forget",
    multiple=True,
    metavar="FACT",
    shell_complete=among(FORGETTABLE),
    help=f"Remove: {', '.join(FORGETTABLE)}.",
)
@described
@writer
def set_spool(
    spool_id: str,
    material: str | None,
    diameter: float | None,
    net_mass: float | None,
    received_s: float | None,
    place: str | None,
    forget: tuple[str, ...],
    context: WriteContext,
    **options: Any,
) -> int:
    """Correct what a spool is, or how it came in.

    That holds for its whole record.
    """
    from gcodetool import profiles
    from gcodetool.ledger.writers import set_spool as correct

    facts, received = stated_facts(options)
    word = None if material is None else profiles.kept_word(material)
    facts |= without_none(material=word, diameter_mm=diameter, net_mass_g=net_mass)
    facts |= dict.fromkeys(fact_keys(forget, FORGETTABLE))
    received |= without_none(place=place)
    done = correct(
        context.ledger(make=False),
        spool_id,
        facts,
        received_at_s=received_s,
        received=received,
        at_s=context.at_s,
        force=context.force,
    )
    if material is not None:
        tell_material(material)
    return report_entry(spool_id, "corrected", done, as_json=context.as_json)


@spool.command("move", epilog="Example: gcodetool spool move pa6-07 bench-1 --tool 0")
@click.argument("spool_id", metavar="ID", type=SPOOL)
@click.argument("place", metavar="PLACE", type=PLACE)
@click.option(
    "--tool", type=click.IntRange(0, 255), metavar="N", help="On a printer with several tools: which."
)
@heated
@click.option("--note", metavar="TEXT")
@writer
def move(
    spool_id: str,
    place: str,
    tool: int | None,
    temperature: float | None,
    knob: float | None,
    note: str | None,
    context: WriteContext,
) -> int:
    """Note that a spool went to PLACE; on a printer it is mounted.

    A dryer has one temperature at a time: a spool that joins others takes theirs, or turns it for all.
    """
    from gcodetool.app.heat import with_heat_cautions
    from gcodetool.ledger import writers

    shelf = context.ledger(make=False)
    done = writers.move(
        shelf,
        spool_id,
        place,
        tool=tool,
        temperature_C=temperature,
        knob_C=knob,
        at_s=context.at_s,
        note=note,
        force=context.force,
    )
    what = f"at {place}" + ("" if tool is None else f", tool {tool}")
    return report_entry(spool_id, what, with_heat_cautions(shelf, done), as_json=context.as_json)


@spool.command("dried", epilog="Example: gcodetool spool dried pa6-07 --hours 10 --temperature 78")
@click.argument("spool_ids", metavar="ID...", type=SPOOL, nargs=-1, callback=lone_spool)
@click.option("--hours", type=Amount(HOURS, above=0, most=10_000), required=True, metavar="H")
@heated
@click.option(
    "--dryer",
    type=DRYER,
    metavar="PLACE",
    default=configured("dryer"),
    help="In which dryer; left out: your gcodetool.toml's, else the only one.",
)
@click.option("--to", type=PLACE, metavar="PLACE", help="Where it went then; left out: back where it was.")
@click.option("--note", metavar="TEXT")
@writer
def dried(
    spool_ids: tuple[str, ...],
    hours: float,
    temperature: float | None,
    knob: float | None,
    dryer: str | None,
    to: str | None,
    note: str | None,
    context: WriteContext,
) -> int:
    """Note a drying that has ended, of one spool or several.

    It has just ended, or ended at --at.

    For advice see 'gcodetool drying plan'.
    """
    from gcodetool.app.heat import with_heat_cautions
    from gcodetool.ledger import dryings

    shelf = context.ledger(make=False)
    done = dryings.dried(
        shelf,
        spool_ids,
        hours=hours,
        temperature_C=temperature,
        knob_C=knob,
        dryer=dryer,
        to=to,
        at_s=context.at_s,
        note=note,
        force=context.force,
    )
    return report_entries(
        with_heat_cautions(shelf, done),
        lambda rows: f"dried {hours:g} h in {rows[0].facts['place']}, now at {rows[-1].facts['place']}",
        as_json=context.as_json,
    )


@spool.command("weigh", epilog="Example: gcodetool spool weigh pa6-07 958.4")
@click.argument("spool_id", metavar="ID", type=SPOOL)
@click.argument("grams", type=Amount(MASS, above=0, most=1e6, bare_from=2))
@click.option(
    "--resolution",
    type=Amount(MASS, above=0, most=1e4),
    metavar="G",
    help="What the scale reads to; left out: 0.1.",
)
@click.option("--note", metavar="TEXT")
@writer
def weigh(
    spool_id: str,
    grams: float,
    resolution: float | None,
    note: str | None,
    context: WriteContext,
) -> int:
    """Note what the scale says, reel and all."""
    from gcodetool.ledger import writers

    done = writers.weigh(
        context.ledger(make=False),
        spool_id,
        grams,
        resolution_g=resolution,
        at_s=context.at_s,
        note=note,
        force=context.force,
    )
    return report_entry(spool_id, f"weighs {grams:g} g", done, as_json=context.as_json)


@spool.command("cut", epilog="Example: gcodetool spool cut petg-03 petg-03-a --mass 30")
@click.argument("spool_id", metavar="ID", type=SPOOL)
@click.argument("sample_id", metavar="NEW")
@click.option("--length", type=Amount(LENGTH, most=1e9, above=0), metavar="MM", help="Cut off, mm.")
@click.option("--mass", type=Amount(MASS, most=1e6, above=0), metavar="G", help="The same, grams.")
@click.option(
    "--winding",
    type=click.Choice(["loose", "wound"]),
    default="loose",
    show_default=True,
    help="A coil with all its strands open to the air, or wound again.",
)
@click.option("--note", metavar="TEXT")
@writer
def cut(
    spool_id: str,
    sample_id: str,
    length: float | None,
    mass: float | None,
    winding: Any,
    note: str | None,
    context: WriteContext,
) -> int:
    """Note a sample that was cut off a spool.

    NEW is a spool of its own, with the water of the turns that were cut.

    What is weighed or seen of one counts for the other's past.
    """
    from gcodetool.ledger import cuts

    if (length is None) == (mass is None):
        raise UsageError("give one of --length MM and --mass G")
    done = cuts.cut(
        context.ledger(make=False),
        spool_id,
        sample_id,
        length_mm=length,
        mass_g=mass,
        winding=winding,
        at_s=context.at_s,
        note=note,
        force=context.force,
    )
    said = f"{cuts.length_of(done) / 1000:.2f} m cut off, now {sample_id}"
    return report_entry(spool_id, said, done, as_json=context.as_json)


@spool.command("undo", epilog="Example: gcodetool spool undo pa6-07")
@click.argument("spool_id", metavar="ID", type=SPOOL)
@click.argument("entry", type=click.IntRange(1), required=False)
@writer
def undo(
    spool_id: str,
    entry: int | None,
    context: WriteContext,
) -> int:
    """Cancel the last command noted of a spool, or the one of ENTRY.

    Undoing an undo brings it back.

    Nothing is erased: the undo is an entry itself.  'spool show' lists the numbers.
    """
    from gcodetool.ledger import writers

    done = writers.undo(context.ledger(make=False), spool_id, entry, at_s=context.at_s, force=context.force)
    cancels = ", ".join(str(number) for number in done.entries[0].facts["cancels"])
    return report_entry(spool_id, f"undone: entry {cancels}", done, as_json=context.as_json)


@spool.command("retire", epilog="Example: gcodetool spool retire pla-11 --note empty")
@click.argument("spool_id", metavar="ID", type=SPOOL)
@click.option("--note", metavar="TEXT")
@writer
def retire(
    spool_id: str,
    note: str | None,
    context: WriteContext,
) -> int:
    """Take a spool off the shelf for good.

    Its history stays, and 'undo' brings it back.
    """
    from gcodetool.ledger import writers

    done = writers.retire(
        context.ledger(make=False), spool_id, at_s=context.at_s, note=note, force=context.force
    )
    return report_entry(spool_id, "retired", done, as_json=context.as_json)


# ---------------------------------------------------------------- looking


@spool.command("list", epilog="Example: gcodetool spool list --place bench")
@click.option("--place", type=PLACE, metavar="PLACE", help="Only spools at this place.")
@click.option("--material", type=MATERIAL, metavar="WORD", help="Only this material.")
@click.option("--all", "everything", is_flag=True, help="Retired spools too.")
@at_option("The moment to look at")
@members_option()
@ledger_option
@json_option()
def list_spools(
    place: str | None,
    material: str | None,
    everything: bool,
    at_s: float | None,
    members: int | None,
    ledger: str | None,
    as_json: bool,
) -> int:
    """List spools: where, how wet, how long that keeps, what is left.

    What is fed next counts; of a spool in a dryer it is said whether it is done.
    """
    from gcodetool.app.resolve import clock
    from gcodetool.app.spools import spools
    from gcodetool.cli.progress import watched

    now_s = clock(at_s)
    with watched() as progress:
        found = spools(
            at=now_s,
            members=members,
            ledger=ledger,
            retired=everything,
            wanted=lambda where, what: place in (None, where) and material in (None, what),
            progress=progress,
        )
    if as_json:
        from gcodetool.report.shelf_text import shelf_dict

        say_json(json.dumps(shelf_dict(found, now_s), indent=1, allow_nan=False))
        return 0
    from gcodetool.report.shelf_text import print_shelf

    print_shelf(found, now_s, sys.stdout)
    return 0


@spool.command("show", epilog="Example: gcodetool spool show pa6-07 --json")
@click.argument("file", metavar="ID|FILE", type=SPOOL, required=False, callback=lone_spool)
@at_option("The moment to look at")
@members_option()
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
def show(
    file: str, at_s: float | None, members: int | None, history: int, ledger: str | None, as_json: bool
) -> None:
    """Say how wet a spool is, how long it keeps, and its history.

    The water is told over the winding's depth; of a spool in a dryer it is said whether it is done.
    """
    from gcodetool.app.resolve import spool_with_entries
    from gcodetool.app.spools import look

    found, noted = spool_with_entries(file, ledger=ledger)
    seen = look(found, at=at_s, members=members, ledger=ledger)
    if as_json:
        from gcodetool.report.as_json import spool_dict

        said = spool_dict(seen)
        if found.in_ledger:
            said["history"] = [entry_dict(entry) for entry in noted]
        say_json(json.dumps(said, indent=1, allow_nan=False))
        return
    from gcodetool.report.as_text import print_spool

    print_spool(seen, sys.stdout)
    if noted and history:
        from gcodetool.app.noting import history_of
        from gcodetool.report.shelf_text import print_history

        print_history(history_of(noted), sys.stdout, last=history)


# ---------------------------------------------------------------- files


for each in (inspect, fed, outcome, export, import_spool, spool_label):
    spool.add_command(each)
