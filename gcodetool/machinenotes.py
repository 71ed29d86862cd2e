"""What is noted while a machine's own file is read: values taken, lines passed over, remarks.

Shared by the readers (:mod:`gcodetool.machinegcode`, :mod:`gcodetool.machineklipper`) and by
:mod:`gcodetool.machinefile`, which makes a printer profile of it.  A value counts only if the
profile's own reader accepts it, so no bound is stated twice.
"""

import functools
import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, NoReturn

from gcodetool.errors import ProfileError
from gcodetool.profilefile import read_printer
from gcodetool.profiles import DialectName
from gcodetool.textfile import MiB, read_text
from gcodetool.tomlfile import Document, Table, printable, shown

Keys = tuple[str, ...]  # where a value stands in the profile: ("marlin", "M203", "X")
Value = float | bool | tuple[float, ...]

MOST_BYTES: Final = 8 * MiB  # far above any configuration; a day's log of a serial line fits
MOST_LETTERS: Final = 8192  # of one line
MOST_FILES: Final = 500  # that includes may pull in
WHAT: Final = "machine's file"


@dataclass(frozen=True)
class SourceLine:
    """A line of a file; the file goes by its name alone, for profiles travel."""

    file: str
    line: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}"


@dataclass(frozen=True)
class Taken:
    """One value of the profile, the lines it came from, and how where it was not simply copied."""

    keys: Keys
    value: Value
    places: tuple[SourceLine, ...]
    how: str = ""


@dataclass(frozen=True)
class Skipped:
    """A line, or a word of it, that the profile has no use for."""

    what: str
    why: str
    place: SourceLine


@dataclass
class Notes:
    """The notebook of one reading."""

    dialect: DialectName
    taken: dict[Keys, Taken] = field(default_factory=dict)
    skipped: list[Skipped] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    def take(self, keys: Keys, value: Value, *places: SourceLine, how: str = "") -> bool:
        """Note a value, in place of an earlier one; return False where no profile may hold it."""
        problem = refusal(self.dialect, keys, value)
        if problem is not None:
            self.skip(" ".join(keys[1:] or keys), problem, places[-1])
            return False
        self.taken[keys] = Taken(keys, value, places, how)
        return True

    def skip(self, what: str, why: str, place: SourceLine) -> None:
        """Note what was passed over, and why."""
        self.skipped.append(Skipped(printable(what if len(what) <= 60 else what[:57] + "…"), why, place))

    def number(self, *keys: str) -> float | None:
        """Return the number noted under *keys*, None where there is none."""
        noted = self.taken.get(keys)
        return noted.value if noted is not None and isinstance(noted.value, float) else None


def nested(keys: Keys, value: Any, into: dict[str, Any]) -> dict[str, Any]:
    """Put *value* under *keys* into a tree of dictionaries, and return the tree.

    >>> nested(("marlin", "M203", "X"), 500.0, {})
    {'marlin': {'M203': {'X': 500.0}}}
    """
    inner = into
    for key in keys[:-1]:
        inner = inner.setdefault(key, {})
    inner[keys[-1]] = value
    return into


@functools.lru_cache(maxsize=1024)  # a log repeats itself
def refusal(dialect: str, keys: Keys, value: Value) -> str | None:
    """Return why a profile may not hold *value* under *keys*; None where it may.

    >>> refusal("marlin", ("marlin", "M205", "J"), 0.0)
    'J is 0, but must be from 0.01 to 0.3'
    """
    numbers = value if isinstance(value, tuple) else (value,)
    if not all(map(math.isfinite, numbers)):
        return "not a finite number"
    data = {"name": "?", "dialect": dialect}
    nested(keys, list(value) if isinstance(value, tuple) else value, data)
    try:
        read_printer(Table(Document("?", "", data, ProfileError), data, ()), "?")
    except ProfileError as error:
        return str(error).removeprefix("?:1: ").removesuffix("; correct it")
    return None


def text_of(path: Path) -> str:
    """Return the text of a machine's file; refuse in one line what cannot be one.

    Raises
    ------
    ProfileError
        Missing, a folder, a device, too large, empty, binary, not UTF-8, or a line without end.
    """
    text = read_text(path, ProfileError, WHAT, most=MOST_BYTES)
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    if not text.strip():
        refuse(path, None, f"the {WHAT} is empty; save the report or configuration again")
    for number, line_text in enumerate(text.split("\n"), start=1):
        if len(line_text) > MOST_LETTERS:
            long = f"a line of {len(line_text)} characters; no {WHAT} has such lines, check the path"
            refuse(path, number, long)
    return text


def refuse(path: Path | str, line: int | None, text: str) -> NoReturn:
    """Raise *text* with its place in front."""
    raise ProfileError.at(printable(str(path)), line, printable(text))


def name_of(path: Path) -> str:
    """Return a file's name as profiles and reports write it."""
    return printable(path.name) or shown(str(path))
