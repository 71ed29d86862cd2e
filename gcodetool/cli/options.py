"""Options that several commands share."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from gcodetool.errors import GcodetoolError, SpoolError, UsageError

if TYPE_CHECKING:
    from gcodetool.gcode.markers import SlicerFacts
    from gcodetool.ledger.records import PlaceRecord
    from gcodetool.moisture.record import Spool
    from gcodetool.moisture.snapshot import Shelf, ShelfOf
    from gcodetool.profiles import Printer

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
            return moment.timestamp() if moment.tzinfo is not None else local_s(moment)
        except (ValueError, OverflowError, OSError) as error:
            raise click.BadParameter(
                f"'{value}' is no time; write 2026-11-04T08:00 or 2026-11-04T08:00+01:00", ctx, param
            ) from error


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
            f"{moment} is not there: the clock skips that hour; add the offset, e.g. {max(first, second)}"
        )
    if second > first:
        click.echo(
            f"gcodetool: note: {moment} is there twice that day; taken as the first, {first}", err=True
        )
    return first.timestamp()


def completing(subject: str, kind: str | None = None) -> Callable[..., list[str]]:
    """Return what completes a name of the ledger at the shell, after ``TOOL=`` too; none: the shell offers files."""

    def complete(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
        from gcodetool.cli.shelf import names

        head, separator, tail = incomplete.rpartition("=")
        try:
            listed = names(ctx.params.get("ledger"), subject, kind)
        except GcodetoolError:
            return []
        return [f"{head}{separator}{name}" for name in listed if name.startswith(tail)]

    return complete


Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


def at_option(what: str) -> Decorator:
    """Return the option ``--at``, for the moment that *what* says."""
    return click.option("--at", "at_s", type=MomentType(), metavar="TIME", help=f"{what} (ISO 8601); now.")


def members_option(what: str = "Members of the forecast (64); 1 = nominal parameters alone.") -> Decorator:
    """Return the option ``--members``."""
    return click.option("--members", type=click.IntRange(1, 1024), default=None, metavar="N", help=what)


def confidence_option(what: str = "Quantile of the forecast that must hold.") -> Decorator:
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
        help="The ledger; else GCODETOOL_LEDGER, else the file in your data folder.",
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


# ---------------------------------------------------------------- what a call names

LEDGER: Final = "ledger, "  # how the source of a spool from the ledger begins


@dataclass(frozen=True)
class Named:
    """What a call names, found.

    Attributes
    ----------
    printer : profile of the machine, if one is known.
    spools : by tool; None stands for the job's only tool.
    mounted : the spools were found, not named: those of tools that the job does not use are left out.
    notes : where they were found.
    """

    printer: "Printer | None"
    spools: "dict[int | None, Spool]"
    mounted: bool
    notes: tuple[str, ...] = ()


def is_spool_file(word: str) -> bool:
    """Return whether a word means a spool file, and not a spool of the ledger."""
    from gcodetool import profiles

    return profiles.is_path(word) or word.endswith(".toml") or Path(word).is_file()


def find_spool(word: str, *, ledger: str | None = None, also: tuple[str, ...] = ()) -> "Spool":
    """Return the spool that a word means, from its file or the ledger.

    Parameters
    ----------
    word : a spool's id in the ledger, or the path of a spool file.
    ledger : what ``--ledger`` says.
    also : places that it may be printed in, beside those that it stood in.

    Raises
    ------
    SpoolError, LedgerError
        There is none, or its record says what it cannot mean.
    """
    if is_spool_file(word):
        from gcodetool.ledger.spoolfile import read_spool

        return read_spool(Path(word))
    from gcodetool.ledger import where

    if not where.exists(ledger):
        raise SpoolError(
            f"no spool file '{word}', and no ledger at {where.place_of(ledger)}; name a file, or begin a ledger "
            "with 'gcodetool place add' and 'gcodetool spool add'"
        )
    from gcodetool.ledger import records, store

    with store.reading(store.open_ledger(ledger, make=False)) as conn:
        return records.load_spool(conn, word, also=also)


def snapshots_of(ledger: str | None) -> "ShelfOf":
    """Return where snapshots lie: of the ledger's spools in the ledger, of others beside their files."""
    from gcodetool.ledger import snapshots

    opened: list[Any] = []

    def shelf_of(spool: "Spool") -> "Shelf | None":
        if not spool.source.startswith(LEDGER):
            return snapshots.shelf_of(spool)
        from gcodetool.ledger import cache, store

        if not opened:
            opened.append(store.open_ledger(ledger, make=False))
        return cache.LedgerShelf(opened[0], spool.id)

    return shelf_of


@dataclass(frozen=True)
class _Machine:
    """The printer that a call names: its profile, and the ledger's places that are it."""

    profile: "Printer | None" = None
    places: tuple[str, ...] = ()
    ledger: Any = None


def find_printer(word: str | None, *, ledger: str | None = None) -> _Machine:
    """Return the printer that a word means: a place of the ledger, a profile, or a profile's file.

    Raises
    ------
    ProfileError
        It is none of them.
    """
    if word is None:
        return _Machine()
    from gcodetool import profiles

    if profiles.is_path(word) or word.endswith(".toml"):
        return _Machine(profiles.printer(word))
    known, opened = _printers(ledger, wanted=profiles.lookup("printers", word) is None)
    if word in known:
        own = known[word].facts.get("printer")
        if own is None and profiles.lookup("printers", word) is not None:
            own = word
        return _Machine(None if own is None else profiles.printer(own), (word,), opened)
    same = tuple(name for name, each in known.items() if each.facts.get("printer") == word)
    if same or not known or profiles.lookup("printers", word) is not None:
        return _Machine(profiles.printer(word), same, opened)
    import difflib

    listed = sorted({*known, *profiles.names("printers")})
    near = difflib.get_close_matches(word, listed, n=1)
    offer = f"did you mean '{near[0]}'?" if near else f"known: {', '.join(listed)}"
    raise UsageError(f"--printer '{word}': no place of the ledger and no profile; {offer}")


def _printers(ledger: str | None, *, wanted: bool) -> "tuple[dict[str, PlaceRecord], Any]":
    """Return the printers of the ledger; none where there is no ledger, or it fails and is not needed."""
    from gcodetool.ledger import where

    if not where.exists(ledger):
        return {}, None
    from gcodetool.ledger import records, store

    try:
        opened = store.open_ledger(ledger, make=False)
        with store.reading(opened) as conn:
            places = records.places(conn)
    except GcodetoolError as error:
        if wanted or ledger is not None:
            raise
        click.echo(f"gcodetool: note: the ledger was not asked: {error}", err=True)
        return {}, None
    return {name: each for name, each in places.items() if each.kind == "printer"}, opened


def find_spools(
    words: tuple[str, ...],
    machine: _Machine,
    facts: "SlicerFacts",
    *,
    place: str | None = None,
    at_s: float | None = None,
    ledger: str | None = None,
) -> Named:
    """Return the spools of a job: those named, else those mounted on the printer, else those the file names.

    Parameters
    ----------
    words : of ``--spool``.
    machine : from :func:`find_printer`.
    facts : what the slicer wrote down, with ``spool: ID`` of its filament notes.
    place : what ``--place`` says.

    Raises
    ------
    UsageError
        Words that do not fit together, or several printers with spools on them that the name means.
    SpoolError, LedgerError
        A spool that is not there.
    """
    also = (*machine.places, *(() if place is None else (place,)))
    named = spool_words(words)
    if named:
        found = {tool: find_spool(word, ledger=ledger, also=also) for tool, word in named.items()}
        return Named(machine.profile, found, False)
    mounted, notes = _mounted(machine, clock(at_s), also)
    if not mounted:
        mounted, more = _noted(facts, ledger, also)
        notes += more
    return Named(machine.profile, mounted, True, tuple(notes))


def _mounted(
    machine: _Machine, at_s: float, also: tuple[str, ...]
) -> "tuple[dict[int | None, Spool], list[str]]":
    """Return the spools on a printer by tool, where that is known, and where each was found."""
    if machine.ledger is None or not machine.places:
        return {}, []
    from gcodetool.ledger import records, store, writers
    from gcodetool.ledger.entries import micro

    found: dict[int | None, Spool] = {}
    notes = []
    with store.reading(machine.ledger) as conn:
        places = records.places(conn)
        mounted = {name: writers.mounted_on(conn, [name], micro(at_s)) for name in machine.places}
        used = [name for name, each in mounted.items() if each]
        if len(used) > 1:
            raise UsageError(f"--printer: spools are mounted on {' and '.join(used)}; name one of these")
        for tool, each in mounted[used[0]].items() if used else ():
            spool_id, since_us = each[0]
            found[tool] = records.load_spool(conn, spool_id, places, also=also)
            on = "" if tool is None else f", tool {tool}"
            notes.append(f"{spool_id}: on {used[0]}{on} since {writers.wall(since_us)}")
            notes += [
                f"{other} is noted on {used[0]}{on} too; say where it went: gcodetool spool move {other} PLACE"
                for other, _ in each[1:]
            ]
    return found, notes


def _noted(
    facts: "SlicerFacts", ledger: str | None, also: tuple[str, ...]
) -> "tuple[dict[int | None, Spool], list[str]]":
    """Return the ledger's spools that the file's filament notes name, by tool."""
    wanted = {tool: name for tool, name in enumerate(facts.spools) if name}
    if not wanted:
        return {}, []
    from gcodetool.ledger import where

    if not where.exists(ledger):
        return {}, []
    from gcodetool.ledger import records, store

    found: dict[int | None, Spool] = {}
    notes = []
    try:
        opened = store.open_ledger(ledger, make=False)
        with store.reading(opened) as conn:
            known, places = records.on_shelf(conn, retired=True), records.places(conn)
            for tool, name in wanted.items():
                if name in known:
                    found[tool] = records.load_spool(conn, name, places, also=also)
                    notes.append(f"{name}: named in the file's filament notes")
                else:
                    notes.append(f"the file's filament notes: {records.unknown('spool', name, known)}")
    except GcodetoolError as error:
        if ledger is not None:
            raise
        return {}, [f"the ledger was not asked: {error}"]
    return found, notes
