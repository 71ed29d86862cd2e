"""``place fit``, ``place size`` and ``place renewed``: boxes that keep spools dry, and their desiccant."""

import json
import sys
from typing import Any

import click

from gcodetool import quantities
from gcodetool.cli.completion import completing
from gcodetool.cli.options import at_option, json_option, ledger_option, members_option
from gcodetool.cli.output import say_json
from gcodetool.cli.quantity_types import Amount, MomentType
from gcodetool.cli.shelf import DESICCANT, PLACE, WriteContext, report_entry, without_none, writer
from gcodetool.errors import UsageError
from gcodetool.quantities import HUMIDITY, MASS, NUMBER
from gcodetool.shell import shell_word


@click.command(epilog="Example: gcodetool place fit box-2 --keep")
@click.argument("name", type=PLACE)
@click.option("--keep", is_flag=True, help="Write the exchange of air and its range to the place.")
@at_option("The moment to look at")
@ledger_option
@json_option()
def fit(name: str, keep: bool, at_s: float | None, ledger: str | None, as_json: bool) -> int:
    """Say by its log how tight a box is.

    And how often it was opened, and what its desiccant still takes.

    Needs readings of the box and of its room for a day or more ('place log'), and its litres or its desiccant.
    """
    from gcodetool.app.storage import place_fit

    found = place_fit(name, keep=keep, at=at_s, ledger=ledger)
    if as_json:
        from gcodetool.report.storage_json import fit_dict

        say_json(json.dumps(fit_dict(found), indent=1, allow_nan=False, ensure_ascii=False))
        return 0
    from gcodetool.report.storage_text import print_place_fit

    print_place_fit(found, sys.stdout)
    if found.entry is not None:
        click.echo(
            f"{name}: exchange kept (entry {found.entry}; undo: gcodetool place undo {shell_word(name)})"
        )
    return 0


@click.command(epilog="Example: gcodetool place size box-2 --spools petg-03,pla-11 --until 2026-12-31T00:00")
@click.argument("name", type=PLACE)
@click.option(
    "--spools",
    required=True,
    metavar="ID,…",
    shell_complete=completing("spool"),
    help="What is to stand in it together: ids, or spool files.",
)
@click.option(
    "--until",
    "until_s",
    type=MomentType(),
    metavar="TIME",
    help="The day to keep them until; left out: 30 days.",
)
@click.option(
    "--openings-per-week", type=Amount(NUMBER, 0, 1000), default=2.0, show_default=True, metavar="N"
)
@click.option(
    "--humidity-max",
    type=Amount(HUMIDITY, 0, 100),
    metavar="RH",
    help="What it may show at most on that day, % RH.",
)
@click.option(
    "--price",
    "prices",
    multiple=True,
    metavar="KIND=PRICE",
    shell_complete=completing("desiccant", ends="="),
    help="Price of a kilogram of a desiccant, in your currency; may be repeated.",
)
@at_option("When they go into it")
@members_option()
@ledger_option
@json_option()
def size(
    name: str,
    spools: str,
    until_s: float | None,
    openings_per_week: float,
    humidity_max: float | None,
    prices: tuple[str, ...],
    at_s: float | None,
    members: int | None,
    ledger: str | None,
    as_json: bool,
) -> int:
    """Say how many grams of each desiccant keep spools good in a box.

    What is fed next of each must be good until the day, for nine members of the forecast in ten.
    """
    from gcodetool.app.storage import place_size

    found = place_size(
        name,
        [word for word in (each.strip() for each in spools.split(",")) if word],
        until=until_s,
        openings_per_week=openings_per_week,
        humidity_max=humidity_max,
        prices=dict(map(price_of, prices)),
        at=at_s,
        members=members,
        ledger=ledger,
    )
    if as_json:
        from gcodetool.report.storage_json import size_dict

        say_json(json.dumps(size_dict(found), indent=1, allow_nan=False, ensure_ascii=False))
        return 0
    from gcodetool.report.storage_text import print_place_size

    print_place_size(found, sys.stdout)
    return 0


def price_of(word: str) -> tuple[str, float]:
    """Return a desiccant and the price of a kilogram of it.

    >>> price_of("silica gel=8.50"), price_of("clay=3,20")
    (('silica gel', 8.5), ('clay', 3.2))
    """
    name, _, number = word.rpartition("=")
    try:
        price = quantities.number(number)
    except ValueError:
        price = -1.0
    if not name or not 0.0 <= price < 1e6:
        raise UsageError(f"--price '{word}' is no price; write --price 'silica gel=8.50'")
    return name, price


@click.command(epilog="Example: gcodetool place renewed box-2 --desiccant 'silica gel' --mass 200")
@click.argument("name", type=PLACE)
@click.option(
    "--desiccant",
    type=DESICCANT,
    metavar="KIND",
    help="What is in it from now on; left out: the same as before.",
)
@click.option(
    "--mass", "grams", type=Amount(MASS, 0, 1e6), metavar="G", help="Grams of it; left out: as before."
)
@writer
def renewed(name: str, desiccant: str | None, grams: float | None, context: WriteContext) -> int:
    """Note that a box's or bag's desiccant was renewed.

    What it was before counts until then.
    """
    from gcodetool import profiles
    from gcodetool.ledger import place_entries
    from gcodetool.report.shelf_text import charge_in_words

    agent = None if desiccant is None else profiles.desiccant(desiccant)
    told: dict[str, Any] = without_none(desiccant=None if agent is None else agent.name, desiccant_g=grams)
    done = place_entries.renew(context.ledger(make=False), name, told, at_s=context.at_s, force=context.force)
    what = f"desiccant renewed{charge_in_words(told)}"
    code = report_entry(name, what, done, as_json=context.as_json, subject="place")
    if not context.as_json:
        advise(context.word, name)
    return code


def advise(ledger: str | None, name: str) -> None:
    """Print how what came out of a place is dried again."""
    from gcodetool.app.storage import agent_of
    from gcodetool.report.storage_text import regeneration

    agent = agent_of(name, ledger=ledger)
    for line in () if agent is None else regeneration(agent):
        click.echo(f"  {line}")
