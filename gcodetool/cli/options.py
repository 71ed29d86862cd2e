"""Options that several commands share."""

import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from gcodetool.errors import UsageError

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
            return (moment if moment.tzinfo is not None else moment.astimezone()).timestamp()
        except (ValueError, OverflowError, OSError) as error:
            raise click.BadParameter(
                f"'{value}' is no time; write 2026-11-04T08:00 or 2026-11-04T08:00+01:00", ctx, param
            ) from error


def job_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that describe a job and its spools."""
    options = [
        click.argument("job", type=click.Path(path_type=Path)),
        click.option(
            "--spool",
            "spools",
            multiple=True,
            metavar="[TOOL=]FILE",
            help="Spool file; with several tools name each: --spool 0=a.toml --spool 1=b.toml.",
        ),
        click.option(
            "--printer", metavar="NAME|FILE", help="Printer profile: limits, bed, hot end, start time."
        ),
        click.option(
            "--place", metavar="NAME", help="Place of the spool file whose air the job is printed in."
        ),
        click.option(
            "--at", "at_s", type=MomentType(), metavar="TIME", help="When the job starts (ISO 8601); now."
        ),
        click.option(
            "--confidence",
            type=click.FloatRange(0.0, 1.0),
            default=0.5,
            show_default=True,
            metavar="Q",
            help="Quantile of the forecast that must hold.",
        ),
        click.option(
            "--members",
            type=click.IntRange(1, 1024),
            default=None,
            metavar="N",
            help="Members of the forecast (64); 1 = nominal parameters alone, as where kernels run interpreted.",
        ),
    ]
    for option in reversed(options):
        command = option(command)
    return command


def clock(at_s: float | None) -> float:
    """Return the stated moment, or the present one."""
    return time.time() if at_s is None else at_s


def spool_words(words: tuple[str, ...]) -> dict[int | None, str]:
    """Return tool → spool file; the tool is None where the word names none.

    Raises
    ------
    UsageError
        Two spools for one tool, or a named and an unnamed one together.

    >>> spool_words(("1=petg-03.toml",))
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
        raise UsageError(f"--spool '{found[None]}' names no tool beside others that do; write --spool 0=…")
    return found
