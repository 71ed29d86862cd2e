"""``spool inspect``, ``fed`` and ``outcome``: what went through the nozzle, and how it looked.

Left out: what is made of it (``limits``, ``series``).
"""

from pathlib import Path
from typing import Any

import click

from gcodetool.cli.options import (
    lone_spool,
)
from gcodetool.cli.quantity_types import Amount
from gcodetool.cli.shelf import (
    SPOOL,
    WriteContext,
    report_entry,
    without_none,
    writer,
)
from gcodetool.cli.spool_options import judged, said_of_print
from gcodetool.errors import UsageError
from gcodetool.quantities import LENGTH, MASS


@click.command("inspect", epilog="Example: gcodetool spool inspect pa6-07 --bubbles few --oozes --pops")
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


@click.command(
    "fed", epilog="Example: gcodetool spool fed pa6-07 --job report.json --strings few --parts good"
)
@click.argument("spool_id", metavar="ID", type=SPOOL, required=False, callback=lone_spool)
@click.option(
    "--length",
    type=Amount(LENGTH, above=0, most=1e9),
    metavar="MM",
    help="Filament that went through the nozzle, mm.",
)
@click.option("--mass", type=Amount(MASS, above=0, most=1e6), metavar="G", help="The same, grams.")
@click.option(
    "--job",
    type=click.Path(path_type=Path),
    metavar="REPORT.json",
    help="What 'check --json' wrote of the job.",
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
    from gcodetool.report.shelf_text import fed_in_words

    return report_entry(spool_id, f"fed {fed_in_words(facts)}", done, as_json=context.as_json)


@click.command("outcome", epilog="Example: gcodetool spool outcome petg-03 --strings few --parts good")
@click.argument("spool_id", metavar="ID", type=SPOOL)
@click.option(
    "--job",
    type=click.Path(path_type=Path),
    metavar="REPORT.json",
    help="What 'check --json' wrote of the job.",
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
    """Note how a print came out.

    'gcodetool limits show' learns from it.  A word that you leave out is no evidence.
    """
    from gcodetool.app.fed_from_report import fed_from_report
    from gcodetool.ledger import writers
    from gcodetool.ledger.eventtables import SIGNS

    printed = None if job is None else fed_from_report(job, spool_id, tool)
    said = _said(options, printed)
    if said.keys().isdisjoint(SIGNS):
        asked = ", ".join(f"--{word}" for word in SIGNS[:-1])
        raise UsageError(f"say how it came out: add {asked} or --{SIGNS[-1]}")
    done = writers.outcome(
        context.ledger(make=False),
        spool_id,
        said,
        job=printed,
        at_s=context.at_s,
        note=note,
        force=context.force,
    )
    words = ", ".join(f"{key} {said[key]}" for key in SIGNS if key in said)
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
