"""``spool``: the reels on the shelf, what happened to them, and how wet they are now."""

import json
import sys
from pathlib import Path
from typing import Any, Final

import click

from gcodetool.cli.label import spool_label
from gcodetool.cli.options import (
    at_option,
    configured,
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
    opened,
    report_entries,
    report_entry,
    without_none,
    writer,
)
from gcodetool.cli.spool_options import described, heated, judged, said_of_print, stated_facts
from gcodetool.errors import LedgerError, UsageError
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
    type=Amount(MASS, above=0),
    default=1000,
    show_default=True,
    metavar="G",
    help="Filament when new, grams.",
)
@click.option(
    "--left",
    "left_g",
    type=Amount(MASS, above=0),
    metavar="G",
    help="Of a spool begun before: filament still on it, grams.",
)
@click.option(
    "--gross",
    "gross_g",
    type=Amount(MASS, above=0),
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
    from gcodetool.ledger.writers import add_spool, material_word

    if gross_g is not None:
        left_g = left_of(gross_g, left_g, options["body_mass"])
    facts, received = stated_facts(options)
    basics = {
        "material": material_word(material),
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

    stock = None if profiles.is_path(word) or word.endswith(".toml") else profiles.material(word)
    if stock is not None and profiles.slug(stock.key) != profiles.slug(word):
        click.echo(f"gcodetool: note: {word} is taken as {stock.key} ({stock.name})", err=True)


@spool.command("set", epilog="Example: gcodetool spool set pa6-07 --body-mass 210")
@click.argument("spool_id", metavar="ID", type=SPOOL)
@click.option("--material", type=MATERIAL, metavar="NAME|FILE")
@click.option("--diameter", type=Amount(LENGTH, above=0, most=10), metavar="MM")
@click.option("--net-mass", type=Amount(MASS, above=0), metavar="G", help="Filament when new, grams.")
@click.option(
    "--received", "received_s", type=MomentType("past"), metavar="TIME", help="When it really came in."
)
@click.option("--place", type=PLACE, metavar="PLACE", help="Where it really came in.")
@click.option("--forget", multiple=True, metavar="FACT", help=f"Remove: {', '.join(FORGETTABLE)}.")
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
    from gcodetool.ledger.writers import material_word
    from gcodetool.ledger.writers import set_spool as correct

    facts, received = stated_facts(options)
    word = None if material is None else material_word(material)
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
@click.argument("grams", type=Amount(MASS, above=0, most=1e6))
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


@spool.command("inspect", epilog="Example: gcodetool spool inspect pa6-07 --bubbles few --oozes --pops")
@click.argument("spool_id", metavar="ID", type=SPOOL, required=False, callback=lone_spool)
@click.option("--bubbles", type=click.Choice(["none", "few", "many"]), help="Bubbles in the strand.")
@click.option("--oozes/--no-oozes", default=None, help="It oozes though nothing is fed.")
@click.option("--pops/--no-pops", default=None, help="It crackles or steams.")
@click.option(
    "--winding",
    type=click.Choice(["good", "deformed"]),
    help="The wound strand, after it may have been too hot.",
)
@click.option(
    "--free-end",
    type=click.Choice(["stands", "sags"]),
    help="An end of strand left standing out of it in a dryer.",
)
@click.option("--note", metavar="TEXT")
@writer
def inspect(
    spool_id: str,
    bubbles: str | None,
    oozes: bool | None,
    pops: bool | None,
    winding: str | None,
    free_end: str | None,
    note: str | None,
    context: WriteContext,
) -> int:
    """Note what a purged strand, or a dried winding, looked like.  It is hot: look, do not touch."""
    from gcodetool.ledger import writers

    if all(word is None for word in (bubbles, oozes, pops, winding, free_end)):
        raise UsageError(
            "say what was seen: add --bubbles none|few|many, --oozes, --pops, --winding or --free-end"
        )
    done = writers.inspect(
        context.ledger(make=False),
        spool_id,
        bubbles=bubbles,
        oozes=oozes,
        pops=pops,
        winding=winding,
        free_end=free_end,
        at_s=context.at_s,
        note=note,
        force=context.force,
    )
    seen = [f"bubbles {bubbles}"] if bubbles is not None else []
    seen += [
        f"{'' if flag else 'no '}{word}"
        for word, flag in (("ooze", oozes), ("popping", pops))
        if flag is not None
    ]
    seen += [] if winding is None else [f"winding {winding}"]
    seen += [] if free_end is None else [f"free end {free_end}"]
    return report_entry(spool_id, ", ".join(seen), done, as_json=context.as_json)


@spool.command(
    "fed", epilog="Example: gcodetool spool fed pa6-07 --job report.json --strings few --parts good"
)
@click.argument("spool_id", metavar="ID", type=SPOOL, required=False, callback=lone_spool)
@click.option(
    "--length", type=Amount(LENGTH, above=0, most=1e9), metavar="MM", help="Through the nozzle, mm."
)
@click.option("--mass", type=Amount(MASS, above=0, most=1e6), metavar="G", help="The same, grams.")
@click.option(
    "--job", type=click.Path(path_type=Path), metavar="REPORT.json", help="What 'check --json' said of it."
)
@click.option("--tool", type=click.IntRange(0, 255), metavar="N", help="Which tool of the job.")
@judged
@click.option("--note", metavar="TEXT")
@writer
def fed(
    spool_id: str,
    length: float | None,
    mass: float | None,
    job: Path | None,
    tool: int | None,
    note: str | None,
    context: WriteContext,
    **options: Any,
) -> int:
    """Note what was fed, and how the print came out."""
    from gcodetool.app.fed_from_report import fed_from_report
    from gcodetool.ledger import writers

    if sum(word is not None for word in (length, mass, job)) != 1:
        raise UsageError("give one of --length MM, --mass G and --job REPORT.json")
    printed = None if job is None else fed_from_report(job, spool_id, tool)
    done = writers.fed(
        context.ledger(make=False),
        spool_id,
        length_mm=length,
        mass_g=mass,
        job=printed,
        said=_said(options, printed),
        at_s=context.at_s,
        note=note,
        force=context.force,
    )
    facts = done.entries[-1].facts
    amount = f"{facts['length_mm'] / 1000:.2f} m" if "length_mm" in facts else f"{facts['mass_g']:g} g"
    return report_entry(spool_id, f"fed {amount}", done, as_json=context.as_json)


@spool.command("outcome", epilog="Example: gcodetool spool outcome petg-03 --strings few --parts good")
@click.argument("spool_id", metavar="ID", type=SPOOL)
@click.option(
    "--job", type=click.Path(path_type=Path), metavar="REPORT.json", help="What 'check --json' said of it."
)
@click.option("--tool", type=click.IntRange(0, 255), metavar="N", help="Which tool of the job.")
@judged
@click.option("--note", metavar="TEXT")
@writer
def outcome(
    spool_id: str,
    job: Path | None,
    tool: int | None,
    note: str | None,
    context: WriteContext,
    **options: Any,
) -> int:
    """Note how a print came out: 'gcodetool limits show' learns from it.

    A word that you leave out is no evidence.
    """
    from gcodetool.app.fed_from_report import fed_from_report
    from gcodetool.ledger import writers

    printed = None if job is None else fed_from_report(job, spool_id, tool)
    said = _said(options, printed)
    if not {"strings", "bubbles", "surface", "parts"} & said.keys():
        raise UsageError("say how it came out: add --strings, --bubbles, --surface or --parts")
    done = writers.outcome(
        context.ledger(make=False), spool_id, said, at_s=context.at_s, note=note, force=context.force
    )
    words = ", ".join(
        f"{key} {said[key]}" for key in ("strings", "bubbles", "surface", "parts") if key in said
    )
    return report_entry(spool_id, f"came out with {words}", done, as_json=context.as_json)


def _said(options: dict[str, Any], printed: dict[str, Any] | None) -> dict[str, Any]:
    """Return what was said of a print; its temperature and time in the melt as the job has them, unless stated."""
    said = said_of_print(options)
    if not said or printed is None:
        return said
    return {
        "job": printed["name"],
        **without_none(nozzle_C=printed["nozzle_C"], melt_s=printed["melt_s"]),
        **said,
    }


@spool.command("cut", epilog="Example: gcodetool spool cut petg-03 petg-03-a --mass 30")
@click.argument("spool_id", metavar="ID", type=SPOOL)
@click.argument("sample_id", metavar="NEW")
@click.option("--length", type=click.FloatRange(0, 1e9, min_open=True), metavar="MM", help="Cut off, mm.")
@click.option("--mass", type=click.FloatRange(0, 1e6, min_open=True), metavar="G", help="The same, grams.")
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
@members_option("Members of the forecast (64); 1 = nominal parameters alone.")
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
@members_option("Members of the forecast (64); 1 = nominal parameters alone.")
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
    from gcodetool.app.resolve import find_spool
    from gcodetool.app.spools import look

    found = find_spool(file, ledger=ledger)
    seen = look(found, at=at_s, members=members, ledger=ledger)
    noted = found.in_ledger
    if as_json:
        from gcodetool.report.as_json import spool_dict

        said = spool_dict(seen)
        if noted:
            said["history"] = [entry_dict(entry) for entry in entries_of(found.id, ledger)]
        say_json(json.dumps(said, indent=1, allow_nan=False))
        return
    from gcodetool.report.as_text import print_spool

    print_spool(seen, sys.stdout)
    if noted and history:
        from gcodetool.app.noting import history_of
        from gcodetool.report.shelf_text import print_history

        print_history(history_of(entries_of(found.id, ledger)), sys.stdout, last=history)


def entries_of(spool_id: str, word: str | None) -> list[Any]:
    """Return the entries of a spool."""
    from gcodetool.ledger import entries
    from gcodetool.ledger.store import reading

    with reading(opened(word, make=False)) as conn:
        return entries.of(conn, "spool", spool_id)


# ---------------------------------------------------------------- files


@spool.command("export", epilog="Example: gcodetool spool export pa6-07 -o pa6-07.toml")
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


@spool.command("import", epilog="Example: gcodetool spool import pa6-07.toml")
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


spool.add_command(spool_label)
