"""Options that several commands share."""

from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import click

from gcodetool import moments, quantities
from gcodetool.cli.completion import completing, files, known_names
from gcodetool.cli.configured import configured, configured_ledger
from gcodetool.cli.quantity_types import Amount, MomentType
from gcodetool.errors import UsageError

MOST_MEMBERS: Final = 1024


def lone_spool(
    ctx: click.Context, param: click.Parameter, value: str | tuple[str, ...] | None
) -> str | tuple[str, ...]:
    """Return the spool that a call names; where it names none, the only one on the shelf.

    Raises
    ------
    UsageError
        There are several, or none.
    """
    if value or ctx.resilient_parsing:
        return value or ""
    known = known_names("spool", ctx.params.get("ledger") or configured_ledger())
    if len(known) != 1:
        shelf = f"one of {', '.join(known)}" if known else "one; there is none on the shelf"
        raise click.UsageError(f"Missing argument '{param.metavar}': name {shelf}.", ctx)
    return (known[0],) if param.nargs == -1 else known[0]


Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


def at_option(what: str, tense: moments.Tense | None = None) -> Decorator:
    """Return the option ``--at``, for the moment that *what* says; *tense*: on which side of now it lies."""
    return click.option(
        "--at",
        "at_s",
        type=MomentType(tense),
        metavar="TIME",
        help=f"{what}: 2026-11-04 08:00, 'yesterday 18:00', 18:00; left out: now.",
    )


def members_option(
    what: str = "How many possible spools are forecast (64); 1: the nominal one alone.",
) -> Decorator:
    """Return the option ``--members``."""
    return click.option(
        "--members",
        type=click.IntRange(1, MOST_MEMBERS),
        default=configured("members"),
        metavar="N",
        help=what,
    )


def confidence_option(
    what: str = "Share of the forecast's members that must reach the verdict or better.",
) -> Decorator:
    """Return the option ``--confidence``."""
    return click.option(
        "--confidence",
        type=Amount(quantities.SHARE, 0.0, 1.0),
        default=configured("confidence", 0.5),
        metavar="Q",
        help=f"{what.removesuffix('.')} (0.5).",
    )


def ledger_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add ``--ledger``."""
    return click.option(
        "--ledger",
        metavar="URL|PATH",
        shell_complete=files,
        default=configured_ledger,
        help="The ledger; left out: GCODETOOL_LEDGER, else your gcodetool.toml, else the file in your data folder.",
    )(command)


def printer_option(what: str) -> Decorator:
    """Return the option ``--printer``; left out, the user's ``gcodetool.toml`` may name one."""
    return click.option(
        "--printer",
        metavar="NAME|FILE",
        default=configured("printer"),
        shell_complete=completing("printer"),
        help=what,
    )


def tariff_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add ``--tariff``."""
    return click.option(
        "--tariff",
        type=Amount(quantities.NUMBER, 0),
        metavar="PRICE",
        default=configured("tariff"),
        help="Price of a kWh, in your currency.",
    )(command)


def json_option(what: str = "Print one JSON object.") -> Decorator:
    """Return the flag ``--json``."""
    return click.option("--json", "as_json", is_flag=True, help=what)


def job_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add a job, and the options that describe it and its spools."""
    return click.argument("job", type=click.Path(path_type=Path))(question_options(command))


def question_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that describe a job and its spools."""
    options: list[Decorator] = [
        click.option(
            "--spool",
            "spools",
            multiple=True,
            metavar="[TOOL=]ID|FILE",
            shell_complete=completing("spool"),
            help="Spool of the ledger, or spool file; with several tools name each: --spool 0=pa6-07 --spool 1=b.toml.",
        ),
        printer_option("Printer profile, or printer of the ledger, whose mounted spools then count."),
        click.option(
            "--place",
            metavar="NAME",
            shell_complete=completing("place"),
            help="Place of the record whose air the job is printed in.",
        ),
        click.option(
            "--feed",
            metavar="PLACE",
            shell_complete=completing("box"),
            help="Box of the record that the job is fed from, as if the reel stood in it.",
        ),
        at_option("When the job starts", "coming"),
        confidence_option(),
        members_option(),
        ledger_option,
    ]
    for option in reversed(options):
        command = option(command)
    return command


def parse_spool_words(words: tuple[str, ...]) -> dict[int | None, str]:
    """Return tool → spool file; the tool is None where the word names none.

    Raises
    ------
    UsageError
        Two spools for one tool, or a named and an unnamed one together.

    >>> parse_spool_words(("1=petg-03.toml",))
    {1: 'petg-03.toml'}
    """
    found: dict[int | None, str] = {}
    for word in words:
        head, separator, tail = word.partition("=")
        named = bool(separator) and head.strip().isdecimal() and head.isascii()
        tool = int(head) if named else None
        name = tail if named else word
        if not name:
            raise UsageError(f"--spool '{word}' names no spool; write --spool 0=petg-03.toml")
        if tool in found:
            which = "the job" if tool is None else f"tool {tool}"
            raise UsageError(
                f"two spools for {which}: '{found[tool]}' and '{name}'; name each tool: --spool 0=… --spool 1=…"
            )
        found[tool] = name
    if None in found and len(found) > 1:
        raise UsageError(f"--spool '{found[None]}' names no tool, but the others do; write --spool 0=…")
    return found


def page_path(output: Path) -> Path:
    """Return where a page is to be written: neither a job nor a record is overwritten by a slip.

    Raises
    ------
    UsageError
        It does not end as a page does.
    """
    if output.suffix.lower() not in (".html", ".htm"):
        raise UsageError(
            f"-o {output} is not a page; name a file that ends in .html, such as {output.stem}.html"
        )
    return output
