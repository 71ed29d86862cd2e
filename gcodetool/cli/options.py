"""Options that several commands share."""

import math
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from gcodetool.errors import GcodetoolError, UsageError
from gcodetool.textfile import seconds_of

# generic in newer releases only
Base: Any = click.ParamType


class MomentType(Base):  # type: ignore[misc]
    """ISO 8601 date and time; without a zone it is local time. Seconds since 1970 UTC."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the moment in seconds."""
        if isinstance(value, float):
            return value
        try:
            moment = datetime.fromisoformat(str(value))
            seconds_of(moment)  # refuses years that no record is of
            return moment.timestamp() if moment.tzinfo is not None else local_s(moment)
        except (ValueError, OverflowError, OSError) as error:
            raise click.BadParameter(
                f"'{value}' is no time; write 2026-11-04T08:00 or 2026-11-04T08:00+01:00", ctx, param
            ) from error


class FiniteNumber(click.types.FloatParamType):
    """A number, but no NaN and no infinity."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number."""
        return _finite(super().convert(value, param, ctx), param, ctx)


class FiniteRange(click.FloatRange):
    """A number of a range; NaN, which passes every comparison, is none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number."""
        return _finite(super().convert(value, param, ctx), param, ctx)


def _finite(number: float, param: click.Parameter | None, ctx: click.Context | None) -> float:
    if not math.isfinite(number):
        raise click.BadParameter(f"{number} is not finite; write a number.", ctx, param)
    return number


def finite_numbers(command: click.Command) -> None:
    """Let every option and argument of a command, and of those below it, take finite numbers only."""
    for each in command.params:
        kind = each.type
        if isinstance(kind, click.FloatRange):
            each.type = FiniteRange(kind.min, kind.max, kind.min_open, kind.max_open, kind.clamp)
        elif isinstance(kind, click.types.FloatParamType):
            each.type = FiniteNumber()
    if isinstance(command, click.Group):
        for below in command.commands.values():
            finite_numbers(below)


def local_s(moment: datetime) -> float:
    """Return a moment of the wall clock in seconds since 1970 UTC; of an hour that is there twice, the first.

    Raises
    ------
    UsageError
        The clock skips that moment.
    """
    first, second = moment.astimezone(), moment.replace(fold=1).astimezone()
    if first.replace(tzinfo=None) != moment:
        raise UsageError(
            f"{moment} does not exist: clocks were put forward over that hour; add the offset, e.g. {max(first, second)}"
        )
    if second > first:
        click.echo(f"gcodetool: note: {moment} happens twice that day; taken as the first, {first}", err=True)
    return first.timestamp()


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


def at_option(what: str) -> Decorator:
    """Return the option ``--at``, for the moment that *what* says."""
    return click.option(
        "--at", "at_s", type=MomentType(), metavar="TIME", help=f"{what} (ISO 8601); left out: now."
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
        type=click.FloatRange(0.0, 1.0),
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
        click.option(
            "--feed",
            metavar="PLACE",
            shell_complete=completing("place", "box"),
            help="Box of the record that the job is fed from, as if the reel stood in it.",
        ),
        at_option("When the job starts"),
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
