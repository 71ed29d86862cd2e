"""Options that several commands share."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from gcodetool import quantities
from gcodetool.cli.quantity_types import Amount, MomentType
from gcodetool.errors import GcodetoolError, UsageError


def ledger_names(word: str | None, subject: str, kind: str | None = None) -> list[str]:
    """Return the names on the shelf; empty where there is no ledger."""
    from gcodetool.ledger import location

    if not location.exists(word):
        return []
    from gcodetool.ledger import records, store

    with store.reading(store.open_ledger(word, make=False)) as conn:
        if subject == "place":
            return [name for name, each in records.places(conn).items() if kind in (None, each.kind)]
        return records.on_shelf(conn)


def completing(subject: str, kind: str | None = None) -> Callable[..., list[str]]:
    """Return what completes a name of the ledger at the shell, after ``TOOL=`` too; none: the shell offers files."""

    def complete(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
        head, separator, tail = incomplete.rpartition("=")
        try:
            listed = ledger_names(ctx.params.get("ledger"), subject, kind)
        except GcodetoolError:
            return []
        return [f"{head}{separator}{name}" for name in listed if name.startswith(tail)]

    return complete


Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


def at_option(what: str, tense: quantities.Tense | None = None) -> Decorator:
    """Return the option ``--at``, for the moment that *what* says; *tense*: on which side of now it lies."""
    return click.option(
        "--at",
        "at_s",
        type=MomentType(tense),
        metavar="TIME",
        help=f"{what}: 2026-11-04 08:00, 'yesterday 18:00', 18:00; left out: now.",
    )


def members_option(what: str = "Members of the forecast (64); 1 = nominal parameters alone.") -> Decorator:
    """Return the option ``--members``."""
    return click.option("--members", type=click.IntRange(1, 1024), default=None, metavar="N", help=what)


def confidence_option(
    what: str = "Share of the forecast's members that must reach the verdict or better.",
) -> Decorator:
    """Return the option ``--confidence``."""
    return click.option(
        "--confidence",
        type=Amount(quantities.SHARE, 0.0, 1.0),
        default=0.5,
        show_default=True,
        metavar="Q",
        help=what,
    )


def ledger_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add ``--ledger``."""
    return click.option(
        "--ledger",
        metavar="URL|PATH",
        help="The ledger; left out: GCODETOOL_LEDGER, else the file in your data folder.",
    )(command)


def json_option(what: str = "Print one JSON object.") -> Decorator:
    """Return the flag ``--json``."""
    return click.option("--json", "as_json", is_flag=True, help=what)


def job_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that describe a job and its spools."""
    options: list[Decorator] = [
        click.argument("job", type=click.Path(path_type=Path)),
        click.option(
            "--spool",
            "spools",
            multiple=True,
            metavar="[TOOL=]ID|FILE",
            shell_complete=completing("spool"),
            help="Spool of the ledger, or spool file; with several tools name each: --spool 0=pa6-07 --spool 1=b.toml.",
        ),
        click.option(
            "--printer",
            metavar="NAME|FILE",
            shell_complete=completing("place", "printer"),
            help="Printer profile, or printer of the ledger, whose mounted spools then count.",
        ),
        click.option(
            "--place",
            metavar="NAME",
            shell_complete=completing("place"),
            help="Place of the record whose air the job is printed in.",
        ),
        at_option("When the job starts", "coming"),
        confidence_option(),
        members_option(
            "Members of the forecast (64); 1 = nominal parameters alone, as where kernels run interpreted."
        ),
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
