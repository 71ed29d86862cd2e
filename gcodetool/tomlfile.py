"""A TOML file to checked values, with the line of every key for the messages.

:func:`load` reads a file into a :class:`Table`; its methods take one value each, and refuse what
has the wrong type, is out of range or not finite with one line: ``file:line: what; what to do``.
Left out: where array elements and inline tables stand; they get the line of their key.
"""

import datetime
import functools
import math
import re
from collections.abc import Collection, Iterable
from pathlib import Path
from typing import Any, Final, NoReturn

import tomli

from gcodetool import moments, quantities
from gcodetool.errors import InputError
from gcodetool.quickdata import dataclass
from gcodetool.quickpattern import compiled
from gcodetool.textfile import MOST_TEXT, YEARS, bounded, read_text, seconds_of

Keys = tuple[str | int, ...]  # the path to a value: ("event", 3, "at")

QUOTED: Final = r"""
    \"{3} (?:\\.|[^\\])*? \"{3}\"{0,2}     # many lines; up to two quotes more belong to the text
  | '{3} .*? '{3}'{0,2}
  | \" (?:\\.|[^"\\\n])* \"                # one line
  | ' [^'\n]* '
"""
KEY: Final = compiled(rf"(?: [A-Za-z0-9_-]+ | {QUOTED} | [ \t.] )+", re.VERBOSE | re.DOTALL)
PIECE: Final = compiled(
    rf"(?P<text>{QUOTED}) | (?P<comment>\#[^\n]*) | (?P<open>[\[{{]) | (?P<close>[\]}}])"
    r"| (?P<line>\n) | [^\[\]{}\"'\#\n]+",
    re.VERBOSE | re.DOTALL,
)
# a name of more parts than any table needs; taking such a one apart takes time with the square of its parts
LONG_NAME: Final = compiled(
    r"""(?<![\w-]) (?: (?: [\w-]++ | "[^"\n]*+" | '[^'\n]*+' ) [ \t]*+ \. [ \t]*+ ){32}""", re.VERBOSE
)
PLACE: Final = compiled(r" \(at (?:line (\d+), column \d+|end of document)\)$")


def printable(text: str) -> str:
    """Return *text* fit for a one-line message, whatever a value of a file holds."""
    return "".join(letter if letter.isprintable() else " " for letter in text)


def shown(word: str) -> str:
    """Return a word of a file or a call in quotes, cut where it is long."""
    return f"'{printable(word if len(word) <= 60 else word[:57] + '…')}'"


def nearest(word: str, known: Iterable[str], *, offer: Iterable[str] | None = None) -> str:
    """Return *word*'s nearest neighbours among *known* as the tail of a message; none near: all of *offer*.

    >>> nearest("PTEG", ["PETG", "PLA"])
    "did you mean 'PETG'?"
    >>> nearest("wood", ["PETG", "PLA"])
    'known: PETG, PLA'
    >>> nearest("wood", ["abs", "ABS"]) == nearest("wood", ["ABS", "abs"])  # whatever order a set has
    True
    """
    import difflib

    names = {name.casefold(): name for name in sorted(known, key=lambda name: (name.casefold(), name))}
    close = difflib.get_close_matches(word.casefold(), names, n=3, cutoff=0.6)
    if close:
        return "did you mean " + " or ".join(f"'{names[name]}'" for name in close) + "?"
    every = list(names.values()) if offer is None else list(offer)
    return "known: " + ", ".join(every) if every else "none is known here"


def locate(text: str) -> dict[Keys, int]:
    r"""Return the 1-based line of each key and table header of *text*, a valid TOML document.

    >>> locate('id = "x"\n[[event]]\nkind = "fed"')
    {('id',): 1, ('event',): 2, ('event', 0): 2, ('event', 0, 'kind'): 3}
    """
    text = text.replace("\r\n", "\n")
    lines: dict[Keys, int] = {}
    counts: dict[Keys, int] = {}  # tables seen of each array of tables
    prefix: Keys = ()
    position, line = 0, 1
    while position < len(text):
        character = text[position]
        if character in " \t\n":
            line += character == "\n"
            position += 1
        elif character == "#":
            position = _line_end(text, position)
        elif character == "[":
            array = text.startswith("[[", position)
            start = position + 1 + array
            end = _key_end(text, start)
            names = _split(text[start:end])
            prefix = _resolved((), names[:-1], counts) + names[-1:]
            _note(lines, prefix, line)
            if array:
                counts[prefix] = counts.get(prefix, 0) + 1
                prefix = (*prefix, counts[prefix] - 1)
                lines[prefix] = line
            position = _line_end(text, end)
        else:
            end = _key_end(text, position)
            _note(lines, prefix + _split(text[position:end]), line)
            start, position = position, _value_end(text, end)
            line += text.count("\n", start, position)
    return lines


def _note(lines: dict[Keys, int], path: Keys, line: int) -> None:
    """Keep the first line of *path* and of every table on the way to it."""
    for length in range(1, len(path) + 1):
        lines.setdefault(path[:length], line)


def _resolved(path: Keys, names: Keys, counts: dict[Keys, int]) -> Keys:
    """Return *names* below *path*, each array of tables followed by the number of its last table."""
    for name in names:
        path = (*path, name)
        if path in counts:
            path = (*path, counts[path] - 1)
    return path


def _line_end(text: str, position: int) -> int:
    end = text.find("\n", position)
    return len(text) if end < 0 else end


def _key_end(text: str, position: int) -> int:
    match = KEY.match(text, position)
    return match.end() if match else position + 1


def _split(key: str) -> Keys:
    """Return the names of a dotted key; quoted ones as TOML reads them."""
    if '"' not in key and "'" not in key:
        return tuple(name.strip() for name in key.split("."))
    inner: Any = tomli.loads(key + "= 0")
    names: list[str | int] = []
    while isinstance(inner, dict):
        (name,) = inner
        names.append(name)
        inner = inner[name]
    return tuple(names)


def _value_end(text: str, position: int) -> int:
    """Return where the value that begins after *position* ends: its line end outside brackets."""
    depth = 0
    while match := PIECE.match(text, position):
        if match.lastgroup == "line" and not depth:
            break
        depth += (match.lastgroup == "open") - (match.lastgroup == "close")
        position = match.end()
    return position


@dataclass(frozen=True)
class Document:
    """A file's text and values; *error* is what its messages are raised as."""

    path: str
    text: str
    data: dict[str, Any]
    error: type[InputError]

    @functools.cached_property
    def lines(self) -> dict[Keys, int]:
        """The line of each key, found when first asked for."""
        return locate(self.text)

    def line(self, keys: Keys) -> int | None:
        """Return the line of *keys*, or of the nearest table around it; None where the values stand in no file."""
        while keys and keys not in self.lines:
            keys = keys[:-1]
        return self.lines.get(keys, 1)

    def fail(self, keys: Keys, text: str) -> NoReturn:
        """Raise *text* with the file and line of *keys* in front."""
        raise self.error.at(self.path, self.line(keys), printable(text))


def load(path: str | Path, error: type[InputError], what: str, *, most: int = MOST_TEXT) -> "Table":
    """Return the outermost table of the TOML file at *path*.

    Parameters
    ----------
    path : the file; it is named in messages as given here.
    error : the class of what is raised.
    what : what the file should be, for messages: ``"spool file"``.
    most : bytes that it may have.

    Raises
    ------
    InputError
        *error*: as ``textfile.read_text``, or the file is empty, not TOML, nested too deeply.
    """
    name = str(path)
    text = read_text(path, error, what, most=most)
    if not text.strip():
        raise error.at(name, None, f"the {what} is empty; fill it or name another")
    if long := LONG_NAME.search(text):
        line = text.count("\n", 0, long.start()) + 1
        raise error.at(name, line, "a name of more than 32 parts; correct this line")
    try:
        data = tomli.loads(text)
    except tomli.TOMLDecodeError as problem:
        message = str(problem)
        place = PLACE.search(message)
        line = int(place[1]) if place and place[1] else text.count("\n") + (not text.endswith("\n"))
        reason = message[: place.start()] if place else message
        raise error.at(name, line, f"not TOML: {reason}; correct this line") from None
    except RecursionError:
        raise error.at(name, None, f"nested too deeply to be a {what}; name another") from None
    except ValueError:  # Python reads no whole number of more than some thousand digits
        raise error.at(name, None, f"a number in the {what} is too long; correct it") from None
    found = bounded(data)
    if found is not None:
        Document(name, text, data, error).fail(
            found[0], f"{shown(str(found[0][-1]))} is {found[1]}; correct it"
        )
    return Table(Document(name, text, data, error), data, ())


@dataclass(frozen=True)
class Table:
    """One table of a document and the path to it; every method takes one value, checked."""

    document: Document
    data: dict[str, Any]
    keys: Keys

    def __contains__(self, key: str) -> bool:
        return key in self.data

    def fail(self, key: str | None, text: str) -> NoReturn:
        """Raise *text* at the line of *key*; of the table itself where *key* is None."""
        self.document.fail(self.keys if key is None else (*self.keys, key), text)

    @property
    def title(self) -> str:
        """How messages call this table."""
        names = [str(name) for name in self.keys if isinstance(name, str)]
        if not names:
            return "the file"
        return f"[[{'.'.join(names)}]]" if isinstance(self.keys[-1], int) else f"[{'.'.join(names)}]"

    def only(self, known: Collection[str]) -> None:
        """Refuse any key that is not in *known*, with the nearest one offered."""
        for key in self.data:
            if key not in known:
                self.fail(key, f"{shown(key)} is no key of {self.title}; {nearest(key, known)}")

    def need(self, *names: str) -> None:
        """Refuse a table that lacks one of *names*."""
        for name in names:
            if name not in self.data:
                self.fail(None, f"{self.title} has no {name}; add it")

    def number(
        self, key: str, *, low: float = -math.inf, high: float = math.inf, above: float = -math.inf
    ) -> float | None:
        """Return the finite number *key* in *low* … *high*, more than *above*; None if it is absent."""
        if key not in self.data:
            return None
        return self._checked(key, self.data[key], key, low=low, high=high, above=above)

    def _checked(self, key: str, value: object, name: str, *, low: float, high: float, above: float) -> float:
        if isinstance(value, str):
            value = self._amount(key, value, name)
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.fail(key, f"{name} is {kind_of(value)}; write a number without quotes")
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            self.fail(key, f"{name} is not finite; write a number")
        if number < low or number > high or number <= above:
            self.fail(key, f"{name} is {value:g}, but must be {bounds_text(low, high, above)}; correct it")
        return number

    def _amount(self, key: str, text: str, name: str) -> float:
        """Return what a text in place of a number says, in the unit that the key names."""
        kind = quantities.kind_of_key(key)
        try:
            return quantities.amount(text, kind)
        except quantities.AmbiguousError as problem:
            self.fail(key, f"{name}: {problem}")
        except quantities.NotUnderstoodError as problem:
            plain = kind is quantities.NUMBER
            self.fail(
                key, f"{name} is a text; write a number without quotes" if plain else f"{name}: {problem}"
            )

    def numbers(
        self,
        key: str,
        count: int,
        *,
        low: float = -math.inf,
        high: float = math.inf,
        above: float = -math.inf,
        rising: bool = False,
    ) -> tuple[float, ...] | None:
        """Return the list *key* of *count* numbers within bounds; *rising*: none below the one before."""
        value = self.data.get(key)
        if value is None:
            return None
        if not isinstance(value, list) or len(value) != count:
            self.fail(key, f"{key} must be a list of {count} numbers; write [{', '.join(['…'] * count)}]")
        name = f"a number of {key}"
        numbers = tuple(self._checked(key, entry, name, low=low, high=high, above=above) for entry in value)
        if rising and list(numbers) != sorted(numbers):
            self.fail(key, f"{key} runs from high to low; write the low end first")
        return numbers

    def words(self, key: str) -> tuple[str, ...]:
        """Return the list of texts *key*; empty if it is absent."""
        value = self.data.get(key, [])
        if not isinstance(value, list) or not all(isinstance(entry, str) and entry for entry in value):
            self.fail(key, f'{key} must be a list of texts; write ["…", "…"]')
        return tuple(value)

    def text(self, key: str) -> str | None:
        """Return the text *key*, not empty; None if it is absent."""
        value = self.data.get(key)
        if value is None:
            return None
        if not isinstance(value, str):
            self.fail(key, f"{key} is {kind_of(value)}; write a text in quotes")
        if not value.strip():
            self.fail(key, f"{key} is empty; fill it or leave the key out")
        return value

    def choice(self, key: str, known: Collection[str]) -> str | None:
        """Return the text *key*, one of *known*; None if it is absent."""
        value = self.text(key)
        if value is not None and value not in known:
            import difflib

            close = difflib.get_close_matches(value.casefold(), known, n=1)
            hint = f"did you mean '{close[0]}'?" if close else "write one of these"
            self.fail(key, f"{key} is {shown(value)}, but must be {' | '.join(known)}; {hint}")
        return value

    def flag(self, key: str) -> bool | None:
        """Return the true or false *key*; None if it is absent."""
        value = self.data.get(key)
        if value is not None and not isinstance(value, bool):
            self.fail(key, f"{key} is {kind_of(value)}; write true or false")
        return value

    def whole(self, key: str, *, low: int = 0, high: int = 2**31) -> int | None:
        """Return the whole number *key*; None if it is absent."""
        value = self.data.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int):
            self.fail(key, f"{key} is {kind_of(value)}; write a whole number")
        if not low <= value <= high:
            self.fail(key, f"{key} is {value}, but must be {bounds_text(low, high)}; correct it")
        return value

    def moment(self, key: str) -> float | None:
        """Return the time *key* in seconds since 1970-01-01 UTC, naive times taken as local."""
        value = self.data.get(key)
        if value is None:
            return None
        if isinstance(value, str):
            try:
                return moments.moment(value).at_s
            except quantities.NotUnderstoodError as problem:
                self.fail(key, f"{key}: {problem}")
        if not isinstance(value, datetime.datetime):
            hint = f"write {key} = 2026-11-02T08:00:00+01:00 without quotes (no offset: local time)"
            self.fail(key, f"{key} is {kind_of(value)}, not a date with a time of day; {hint}")
        try:
            return seconds_of(value)
        except (OverflowError, ValueError, OSError):
            self.fail(key, f"{key} is outside the years {YEARS[0]} to {YEARS[1] - 1}; correct it")

    def table(self, key: str) -> "Table | None":
        """Return the table *key*; None if it is absent."""
        value = self.data.get(key)
        if value is None:
            return None
        if not isinstance(value, dict):
            self.fail(key, f"{key} is {kind_of(value)}; write a table, [{key}]")
        return Table(self.document, value, (*self.keys, key))

    def tables(self, key: str) -> dict[str, "Table"]:
        """Return the tables in the table *key* by name; empty if it is absent."""
        outer = self.table(key)
        if outer is None:
            return {}
        for name, value in outer.data.items():
            if not isinstance(value, dict):
                outer.fail(name, f"{key}.{name} is {kind_of(value)}; write a table, [{key}.NAME]")
        return {name: Table(self.document, value, (*outer.keys, name)) for name, value in outer.data.items()}

    def array(self, key: str) -> list["Table"]:
        """Return the array of tables *key*; empty if it is absent."""
        value = self.data.get(key, [])
        if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
            self.fail(key, f"{key} must be an array of tables; head each with [[{key}]]")
        return [Table(self.document, entry, (*self.keys, key, number)) for number, entry in enumerate(value)]


def kind_of(value: object) -> str:
    """Return what a TOML value is, in a reader's words."""
    names: tuple[tuple[type, str], ...] = (
        (bool, "true or false"),
        (str, "a text"),
        (int, "a whole number"),
        (float, "a number"),
        (list, "a list"),
        (dict, "a table"),
        (datetime.datetime, "a date with a time"),
        (datetime.date, "a date without a time"),
        (datetime.time, "a time without a date"),
    )
    return next((name for kind, name in names if isinstance(value, kind)), type(value).__name__)


def bounds_text(low: float, high: float, above: float = -math.inf) -> str:
    """Return an allowed range in words.

    >>> bounds_text(0, 100), bounds_text(-math.inf, math.inf, 0)
    ('from 0 to 100', 'more than 0')
    """
    if above < low and math.isfinite(low) and math.isfinite(high):
        return f"from {low:g} to {high:g}"
    least = f"more than {above:g}" if above >= low and above > -math.inf else ""
    if not least and low > -math.inf:
        least = f"at least {low:g}"
    return " and ".join(part for part in (least, f"at most {high:g}" if high < math.inf else "") if part)


def toml_text(word: str) -> str:
    """Return a text as TOML writes it; bytes that are no text, which it has not, stand there as their escapes."""
    import json

    letters = word.encode("utf-8", "backslashreplace").decode()
    return json.dumps(letters, ensure_ascii=False).replace("\x7f", "\\u007F")
