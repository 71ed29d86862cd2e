"""Options that say what a place is and what its air is, and the facts they state."""

from datetime import UTC, datetime
from typing import Any, Final

import click

from gcodetool.cli.completion import among, completing
from gcodetool.cli.quantity_types import Amount, MomentType
from gcodetool.cli.shelf import DESICCANT, PLACE, without_none
from gcodetool.quantities import (
    AREA,
    DIFFERENCE,
    FLOW,
    HUMIDITY,
    HUMIDITY_DIFFERENCE,
    MASS,
    MASS_A_DAY,
    POWER,
    TEMPERATURE,
    VOLUME,
)

FILMS: Final = ("foil", "metallised", "polyamide-polyethylene", "polyethylene")  # `moisture.bag` has them
KINDS: Final = ("open", "box", "sealed", "dryer", "printer")
SAID: Final = {
    "room": "open",
    "bag": "sealed",
    "oven": "dryer",
    "dehydrator": "dryer",
    "drybox": "box",
    "dry-box": "box",
    "dry box": "box",
}  # what people call them
FORGETTABLE: Final = {
    "temperature": "temperature_C",
    "humidity": "rh_pct",
    "room": "room",
    "fed-from": "fed_from",
    "dew-point": "dew_point_C",
    "air": "air_L",
    "desiccant": "desiccant",
    "desiccant-mass": "desiccant_g",
    "printer": "printer",
    "set-offset": "set_offset_C",
    "swing": "swing_C",
    "max-temperature": "max_temperature_C",
    "slots": "slots",
    "watts": "power_W",
    "draught": "draught",
    "exchange": "exchange_m3_h",
    "exchange-range": "exchange_range_m3_h",
    "film": "film",
    "film-area": "film_area_m2",
    "leak": "leak_g_per_day",
    "fresh-at": "desiccant_fresh_at",
    "solution": "solution",
    "accuracy": "accuracy_C",
    "humidity-accuracy": "accuracy_rh_pct",
    "note": "note",
}


class PlaceKindType(click.Choice[str]):
    """A kind of place, also by what people call it."""

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return the kind."""
        word = value.strip().lower()
        return super().convert(SAID.get(word, word), param, ctx)


def aired(command: Any) -> Any:
    """Add the options that say what a place's air is."""
    options = [
        click.option(
            "--temperature",
            type=Amount(TEMPERATURE),
            metavar="C",
            help="°C; of a dryer: what its air really reaches.",
        ),
        click.option("--humidity", type=Amount(HUMIDITY, 0, 100), metavar="RH", help="% RH."),
        click.option(
            "--room",
            type=PLACE,
            metavar="PLACE",
            help="Dryer: the room whose air it heats. Printer, box, bag: its room.",
        ),
        click.option(
            "--fed-from", type=PLACE, metavar="PLACE", help="Printer: the box that the reel stays in."
        ),
        click.option(
            "--dew-point",
            type=Amount(TEMPERATURE),
            metavar="C",
            help="Dryer with dried air: its dew point, °C.",
        ),
        click.option(
            "--printer",
            metavar="NAME|FILE",
            shell_complete=completing("printer"),
            help="Printer: its profile.",
        ),
        click.option("--air", type=Amount(VOLUME, 0), metavar="L", help="Box, bag: litres of air in it."),
        click.option(
            "--desiccant",
            type=DESICCANT,
            metavar="NAME",
            help="Box, bag: what keeps it dry ('gcodetool profiles list desiccants').",
        ),
        click.option(
            "--desiccant-mass",
            type=Amount(MASS, 0),
            metavar="G",
            help="Box, bag: grams of it; 0: it holds none.",
        ),
        click.option(
            "--solution",
            shell_complete=completing("salt"),
            metavar="SALT",
            help="Box: a saturated salt solution makes its air ('gcodetool profiles list humidity').",
        ),
        click.option(
            "--set-offset",
            type=Amount(DIFFERENCE),
            metavar="C",
            help="Dryer: what its knob shows minus the true temperature.",
        ),
        click.option(
            "--swing",
            type=Amount(DIFFERENCE, 0),
            metavar="C",
            help="Dryer: how far its air goes above its mean.",
        ),
        click.option(
            "--max-temperature",
            type=Amount(TEMPERATURE),
            metavar="C",
            help="Dryer: the most that its air may have, °C.",
        ),
        click.option(
            "--slots",
            type=click.IntRange(1, 1000),
            metavar="N",
            help="Dryer, box: reels that it takes at a time; left out: 1.",
        ),
        click.option(
            "--watts",
            type=Amount(POWER, 0, 1e5),
            metavar="W",
            help="Dryer: its mean power while it holds its temperature.",
        ),
        click.option(
            "--draught",
            type=Amount(),
            metavar="X",
            help="How much faster a fan at the reel dries; still air is 1.",
        ),
        click.option(
            "--exchange",
            type=Amount(FLOW),
            metavar="M3H",
            help="Leaking box, or dryer with its own air: m³/h that it exchanges.",
        ),
        click.option(
            "--fresh-at",
            multiple=True,
            type=MomentType("past"),
            metavar="TIME",
            help="Box, bag: when its desiccant was renewed.",
        ),
        click.option(
            "--film",
            metavar="FILM",
            shell_complete=among(FILMS),
            help=f"Bag: what it is made of: {', '.join(FILMS)}.",
        ),
        click.option(
            "--film-area",
            type=Amount(AREA, above=0),
            metavar="M2",
            help="Bag: how much film; else 0.15 m².",
        ),
        click.option(
            "--leak",
            type=Amount(MASS_A_DAY, 0),
            metavar="G",
            help="Bag, box: grams of water a day that come in, at 23 °C from 50 % RH to dry air.",
        ),
        click.option(
            "--accuracy",
            type=Amount(DIFFERENCE, 0, 50),
            metavar="C",
            help="How far its temperature may be off, °C (1; a dryer's 3).",
        ),
        click.option(
            "--humidity-accuracy",
            type=Amount(HUMIDITY_DIFFERENCE, 0, 50),
            metavar="RH",
            help="How far its hygrometer may be off, % RH (4.5; a humidity stated once 7).",
        ),
        click.option("--note", metavar="TEXT"),
    ]
    for option in reversed(options):
        command = option(command)
    return command


def stated_place(options: dict[str, Any]) -> dict[str, Any]:
    """Return what was stated, by the keys of a spool file."""
    facts = {key: options.pop(word.replace("-", "_"), None) for word, key in FORGETTABLE.items()}
    facts["desiccant_fresh_at"] = [
        datetime.fromtimestamp(at_s, UTC) for at_s in facts["desiccant_fresh_at"]
    ] or None
    if facts["printer"] is not None:
        from gcodetool import profiles

        facts["printer"] = profiles.kept_word(facts["printer"])
    return without_none(**facts)
