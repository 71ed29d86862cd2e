"""What the commands on the shelf share: the ledger's options, names that complete, times, what was written."""

import functools
import json
import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

import click
from click.shell_completion import CompletionItem

from gcodetool.cli.completion import completing, files
from gcodetool.cli.options import at_option, json_option, ledger_option
from gcodetool.cli.output import say_json
from gcodetool.cli.quantity_types import Base, SpanType
from gcodetool.errors import SpoolError, UsageError
from gcodetool.shell import shell_word

if TYPE_CHECKING:
    from gcodetool.ledger.entries import LedgerEntry
    from gcodetool.ledger.store import Ledger
    from gcodetool.ledger.writers import Written


class NameType(Base):  # type: ignore[misc]
    """A name of a spool, a place, a profile; the shell completes it."""

    def __init__(self, subject: str) -> None:
        self.name = subject

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return the name."""
        return str(value)

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Return the names that begin so; files where none does."""
        found = [CompletionItem(name) for name in completing(self.name)(ctx, param, incomplete)]
        return found or files(ctx, param, incomplete)


SPOOL: Final = NameType("spool")
PLACE: Final = NameType("place")
DRYER: Final = NameType("dryer")
ANY_DRYER: Final = NameType("dryer or profile")
MATERIAL: Final = NameType("material")
BODY: Final = NameType("spool body")
DESICCANT: Final = NameType("desiccant")
SERIES: Final = NameType("series")


OPTIONS: Final = {  # what a fact is stated by on the command line, by its key in a spool file
    "diameter_mm": "--diameter",
    "net_mass_g": "--net-mass",
    "fibre_wt_pct": "--fibre",
    "safe_exposure_h": "--safe-exposure",
    "hub_diameter_mm": "--hub",
    "outer_diameter_mm": "--outer",
    "width_mm": "--width",
    "flange_open_share": "--flange-open",
    "water_wt_pct": "--water",
    "gross_g": "GRAMS",
    "resolution_g": "--resolution",
    "free_end": "--free-end",
    "length_mm": "--length",
    "mass_g": "--mass",
    "knob_C": "--knob",
    "temperature_C": "--temperature",
    "rh_pct": "--humidity",
    "fed_from": "--fed-from",
    "dew_point_C": "--dew-point",
    "air_L": "--air",
    "desiccant_g": "--desiccant-mass",
    "desiccant_fresh_at": "--fresh-at",
    "set_offset_C": "--set-offset",
    "swing_C": "--swing",
    "max_temperature_C": "--max-temperature",
    "power_W": "--watts",
    "exchange_m3_h": "--exchange",
    "film_area_m2": "--film-area",
    "leak_g_per_day": "--leak",
    "accuracy_C": "--accuracy",
    "accuracy_rh_pct": "--humidity-accuracy",
}
KEYS: Final = re.compile(rf"\b(?:{'|'.join(OPTIONS)})\b")
ADDED: Final = re.compile(r"\badd [^;]*")  # what is to be stated; a log is a command of its own
WORDS: Final = re.compile(
    r"(?<![-\w])(room|desiccant|solution)\b"
)  # keys there, and words of the language elsewhere


def in_options(text: str) -> str:
    """Return a message about facts in the words of the call that stated them.

    >>> in_options("ledger: [place.box] is a box; add rh_pct as read")
    "ledger: place 'box' is a box; add --humidity as read"
    >>> in_options("ledger: place 'loft' is open, so its air must be known; add temperature_C and rh_pct, or log")
    "ledger: place 'loft' is open, so its air must be known; add --temperature and --humidity"
    >>> in_options("ledger: place 'box' draws air from a room; add temperature_C, or room")
    "ledger: place 'box' draws air from a room; add --temperature, or --room"
    """
    said = re.sub(r"\[place\.([^\]]+)\]", r"place '\1'", text)
    said = KEYS.sub(lambda found: OPTIONS[found[0]], said)
    return ADDED.sub(lambda found: WORDS.sub(r"--\1", re.sub(r",? or log\b", "", found[0])), said)


@dataclass(frozen=True)
class WriteContext:
    """What every command that writes takes: when it happened (None = now), whether checks count, where to."""

    at_s: float | None
    force: bool
    word: str | None
    as_json: bool

    def ledger(self, *, make: bool) -> "Ledger":
        """Return the ledger, as :func:`opened`."""
        return opened(self.word, make=make)


def writer(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add what every command that writes takes; the command gets it as one *context*."""

    @functools.wraps(command)
    def call(
        *args: Any,
        at_s: float | None,
        since_s: float | None,
        force: bool,
        ledger: str | None,
        as_json: bool,
        **options: Any,
    ) -> Any:
        context = WriteContext(moment(at_s, since_s), force, ledger, as_json)
        try:
            return command(*args, context=context, **options)
        except SpoolError as error:
            raise SpoolError(in_options(str(error))) from None

    decorators: list[Callable[[Any], Any]] = [
        at_option("When it happened", "past"),
        click.option("--since", "since_s", type=SpanType(), metavar="SPAN", help="How long ago: 2h, 1d4h."),
        click.option("--force", is_flag=True, help="Write it even if a check says that it is impossible."),
        ledger_option,
        json_option(),
    ]
    decorated: Callable[..., Any] = call
    for decorate in reversed(decorators):
        decorated = decorate(decorated)
    return decorated


def moment(at_s: float | None, since_s: float | None) -> float | None:
    """Return when it happened; None = now."""
    if since_s is None:
        if at_s is not None and at_s > time.time() + 60.0:
            click.echo("gcodetool: note: that moment lies in the future by this machine's clock", err=True)
        return at_s
    if at_s is not None:
        raise UsageError("--at and --since cannot be used together; leave one out")
    return time.time() - since_s


def opened(word: str | None, *, make: bool) -> "Ledger":
    """Return the ledger; a reader never makes one.

    Raises
    ------
    LedgerError
        There is none, or it cannot be used.
    """
    from gcodetool.ledger.store import open_ledger

    return open_ledger(word, make=make)


def report_entry(name: str, what: str, done: "Written", *, as_json: bool, subject: str = "spool") -> int:
    """Print what a command wrote about one name; its remarks go to stderr."""
    print_remarks(done)
    if as_json:
        return print_entries(done)
    rows = [entry for entry in done.entries if entry.subject == subject and entry.name == name]
    if rows:
        print_written(name, what, rows, subject)
    return 0


def report_entries(done: "Written", what: "Callable[[list[LedgerEntry]], str]", *, as_json: bool) -> int:
    """Print what a command wrote about each spool, a line each; *what* puts its entries into words."""
    print_remarks(done)
    if as_json:
        return print_entries(done)
    names = dict.fromkeys(entry.name for entry in done.entries if entry.subject == "spool")
    for name in names:
        rows = [entry for entry in done.entries if entry.subject == "spool" and entry.name == name]
        print_written(name, what(rows), rows, "spool")
    return 0


def print_remarks(done: "Written") -> None:
    """Print what is to be said of what was written, to stderr."""
    for note in done.notes:
        click.echo(f"gcodetool: {note}", err=True)


def print_entries(done: "Written") -> int:
    """Print what was written as JSON."""
    say_json(json.dumps({"entries": [entry_dict(entry) for entry in done.entries]}, indent=1))
    return 0


def print_written(name: str, what: str, rows: "list[LedgerEntry]", subject: str) -> None:
    """Print one line about the entries of one name."""
    from gcodetool.ledger.records import wall

    numbers = sorted(entry.number for entry in rows)
    which = f"{numbers[0]}" if len(numbers) == 1 else f"{numbers[0]}-{numbers[-1]}"
    back = f" {numbers[0]}" if rows[0].kind == "undone" else ""
    click.echo(
        f"{name}: {what}, {wall(rows[-1].at_us)} (entry {which}; undo: gcodetool {subject} undo {shell_word(name)}{back})"
    )


def entry_dict(entry: "LedgerEntry") -> dict[str, Any]:
    """Return an entry for JSON."""
    from gcodetool.ledger.records import utc

    return {
        "number": entry.number,
        "subject": entry.subject,
        "name": entry.name,
        "kind": entry.kind,
        "at": utc(entry.at_us).isoformat(),
        "noted": utc(entry.noted_us).isoformat(),
        "who": entry.who or None,
        "facts": jsonable(entry.facts),
    }


def jsonable(value: Any) -> Any:
    """Return a fact as JSON can say it: moments in ISO 8601."""
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    if isinstance(value, dict):
        return {key: jsonable(each) for key, each in value.items()}
    return [jsonable(each) for each in value] if isinstance(value, list) else value


def without_none(**facts: Any) -> dict[str, Any]:
    """Return the facts that were stated."""
    return {key: value for key, value in facts.items() if value is not None}


def fact_keys(words: tuple[str, ...], known: dict[str, str]) -> list[str]:
    """Return the facts to be taken out, by the names that people use for them.

    Raises
    ------
    UsageError
        A word is none of them.
    """
    wrong = [word for word in words if word not in known]
    if wrong:
        raise UsageError(f"--forget '{wrong[0]}': write one of {', '.join(known)}")
    return [known[word] for word in words]
