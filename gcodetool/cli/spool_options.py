"""What several ``spool`` commands take: what a spool is, and how hot a dryer is."""

from typing import Any

import click

from gcodetool.cli.completion import completing
from gcodetool.cli.quantity_types import Amount
from gcodetool.cli.shelf import BODY, without_none
from gcodetool.quantities import FIBRE, HOURS, LENGTH, MASS, SHARE, TEMPERATURE, WATER


def described(command: Any) -> Any:
    """Add the options that say what a spool is."""
    options = [
        click.option("--colour", metavar="WORD", shell_complete=completing("colour")),
        click.option(
            "--line",
            metavar="NAME",
            shell_complete=completing("line"),
            help="The maker's line it is of, in your own words.",
        ),
        click.option("--fibre", type=Amount(FIBRE, 0, 90), metavar="WT", help="Fibre in it, wt %."),
        click.option(
            "--safe-exposure",
            type=Amount(HOURS, above=0),
            metavar="H",
            help="Your own figure of safe hours in open air.",
        ),
        click.option(
            "--body",
            type=BODY,
            metavar="NAME",
            help="What the reel is made of ('gcodetool profiles list spool-bodies').",
        ),
        click.option(
            "--body-mass", type=Amount(MASS, 0, bare_from=5), metavar="G", help="The empty reel, grams."
        ),
        click.option("--hub", type=Amount(LENGTH, above=0), metavar="MM", help="Diameter of its hub."),
        click.option("--width", type=Amount(LENGTH, above=0), metavar="MM", help="Width of the winding."),
        click.option("--outer", type=Amount(LENGTH, above=0), metavar="MM", help="Outer diameter when full."),
        click.option(
            "--flange-open",
            type=Amount(SHARE, 0, 1),
            metavar="SHARE",
            help="How much of its flanges is open, 0 to 1.",
        ),
        click.option("--note", metavar="TEXT"),
        click.option(
            "--sealed/--found-open",
            default=None,
            help="New, out of its bag now (or still in it, in a place of kind sealed); or found open.",
        ),
        click.option(
            "--water", type=Amount(WATER, 0, 100), metavar="WT", help="Water it came with, wt %, if known."
        ),
    ]
    for option in reversed(options):
        command = option(command)
    return command


def judged(command: Any) -> Any:
    """Add the options that say how a print came out."""
    options = [
        click.option(f"--{name}", type=click.Choice(words), help=what)
        for name, words, what in (
            ("strings", ("none", "few", "many"), "Strings between parts."),
            ("bubbles", ("none", "few", "many"), "Bubbles in what was laid."),
            ("surface", ("smooth", "matt", "rough"), "How it looks."),
            ("parts", ("good", "usable", "scrap"), "What they are good for."),
            ("because", ("water", "other"), "What you blame; 'other' is no evidence of water."),
        )
    ]
    options.append(
        click.option(
            "--nozzle",
            type=Amount(TEMPERATURE, 50, 600),
            metavar="C",
            help="Printed at, °C; left out: as the job says.",
        )
    )
    for option in reversed(options):
        command = option(command)
    return command


def said_of_print(options: dict[str, Any]) -> dict[str, Any]:
    """Return what was said of a print, as an outcome in a spool file has it; empty: nothing."""
    words = without_none(
        **{key: options.pop(key) for key in ("strings", "bubbles", "surface", "parts", "because")}
    )
    return words | without_none(nozzle_C=options.pop("nozzle"))


def stated_facts(options: dict[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return what was stated of a spool, and of how it came in."""
    body = without_none(
        material=options.pop("body"),
        mass_g=options.pop("body_mass"),
        hub_diameter_mm=options.pop("hub"),
        width_mm=options.pop("width"),
        outer_diameter_mm=options.pop("outer"),
        flange_open_share=options.pop("flange_open"),
    )
    facts = without_none(
        fibre_wt_pct=options.pop("fibre"),
        safe_exposure_h=options.pop("safe_exposure"),
        colour=options.pop("colour"),
        line=options.pop("line"),
        note=options.pop("note"),
        body=body or None,
    )
    return facts, without_none(sealed=options.pop("sealed"), water_wt_pct=options.pop("water"))


def heated(command: Any) -> Any:
    """Add the options that say how hot a dryer is."""
    options = [
        click.option(
            "--temperature",
            type=Amount(TEMPERATURE, 0, 200),
            metavar="C",
            help="What the dryer's air has, °C; left out: as others in it, else as it is stated.",
        ),
        click.option(
            "--knob",
            type=Amount(TEMPERATURE, 0, 200),
            metavar="C",
            help="What its knob shows, instead of that, °C.",
        ),
    ]
    for option in reversed(options):
        command = option(command)
    return command
