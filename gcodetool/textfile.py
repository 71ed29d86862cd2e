"""The one door through which files are read: ordinary files only, no more than a kind may hold, text that is text.

:func:`opened` opens a file for those who read it as a stream, :func:`read_bytes` and :func:`read_text` read a
small one whole; :func:`from_json` takes JSON apart, :func:`bounded` bounds what any reader made of a file.  A named
pipe, a device or a folder is refused before anything waits for it.  Left out: TOML (``tomlfile``), where a
G-code file's packing ends (``gcode.source``).
"""

import datetime
import errno
import io
import json
import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from gcodetool.errors import InputError
from gcodetool.heldfile import LET_GO, is_held

MiB: Final = 1 << 20
MOST_TEXT: Final = (
    4 * MiB
)  # bytes of what a person or a slicer writes: profiles, lists, presets; some kilobytes are usual
MOST_RECORD: Final = 16 * MiB  # of a spool's record: 200,000 events
MOST_LOG: Final = 64 * MiB  # of a logger's file: three years of readings a minute
MOST_REPORT: Final = 16 * MiB  # of our own report on a job: 50,000 layers
LONGEST_LINE: Final = 8 * MiB  # bytes of a line of G-code: longer than any settings line
MOST_UNPACKED: Final = 2 << 30  # bytes of text that a packed job holds: no printer takes more
BOMB_SIZE: Final = (
    64 * MiB
)  # more text than this, and more than BOMB_RATIO times its packed size, is no sliced job
BOMB_RATIO: Final = 200  # sliced text packs 3 to 50 times
DEEPEST: Final = 32  # tables in tables, lists in lists; ours need five
LARGEST_NUMBER: Final = 2**63  # whole numbers beyond it mean nothing in any of our files
YEARS: Final = (1970, 2200)  # of moments in records: a clock that was never set, a slip of the pen


class NotOrdinaryError(OSError):
    """What is there is no ordinary file: a named pipe, a device, a socket."""

    def __init__(self, path: str | Path) -> None:
        super().__init__(errno.EINVAL, "not an ordinary file", str(path))


def opened(path: str | Path) -> io.FileIO:
    """Open an ordinary file for reading, without a buffer; never waits for a pipe's other end.

    Raises
    ------
    OSError
        It is not there, a folder, no ordinary file (:class:`NotOrdinaryError`), or may not be read.
    """
    _ordinary(path, Path(path).stat())  # opening a device may already do something
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    handle = os.open(path, flags)
    try:
        _ordinary(path, os.fstat(handle))
        return io.FileIO(handle, "rb")
    except BaseException:
        os.close(handle)
        raise


def buffered(path: str | Path) -> io.BufferedReader:
    """Open an ordinary file as :func:`opened` does, for those who read it in small pieces or by places."""
    return io.BufferedReader(opened(path))


def _ordinary(path: str | Path, found: os.stat_result) -> None:
    if stat.S_ISDIR(found.st_mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    if not stat.S_ISREG(found.st_mode):
        raise NotOrdinaryError(path)


def own_folder(path: Path) -> None:
    """Make a folder, and those above it that are missing, for its owner alone, where the platform can."""
    missing = [path]
    while not missing[-1].parent.exists() and missing[-1].parent != missing[-1]:
        missing.append(missing[-1].parent)
    for folder in reversed(missing):
        folder.mkdir(mode=0o700, exist_ok=True)


def read_bytes(path: str | Path, error: type[InputError], what: str, *, most: int = MOST_TEXT) -> bytes:
    """Return the bytes of the file at *path*.

    Parameters
    ----------
    path
        The file; it is named in messages as given here.
    error
        The class of what is raised.
    what
        What the file should be, for messages: ``"spool file"``.
    most
        Bytes that such a file may have.

    Raises
    ------
    InputError
        *error*: missing, a folder, no ordinary file, unreadable, or larger.
    """
    try:
        with opened(path) as file:
            pieces, left = [], most + 1
            while left and (piece := file.read(min(left, MiB))):
                pieces.append(piece)
                left -= len(piece)
    except FileNotFoundError:
        raise error.at(path, None, f"no such {what}; check the path") from None
    except IsADirectoryError:
        raise error.at(path, None, f"a folder, not a {what}; name the file in it") from None
    except NotOrdinaryError:
        raise error.at(path, None, f"not an ordinary file; name the {what} itself") from None
    except (OSError, ValueError) as problem:
        reason = LET_GO if is_held(problem) else getattr(problem, "strerror", None) or str(problem)
        raise error.at(path, None, f"the {what} cannot be read: {reason}") from None
    if not left:
        raise error.at(path, None, f"more than {most // MiB} MiB: too large for a {what}; check the path")
    return b"".join(pieces)


def read_text(path: str | Path, error: type[InputError], what: str, *, most: int = MOST_TEXT) -> str:
    """Return the text of the file at *path* without its byte-order mark; parameters as of :func:`read_bytes`.

    Raises
    ------
    InputError
        *error*: as :func:`read_bytes`, not UTF-8, or a binary file.
    """
    return text_of(read_bytes(path, error, what, most=most), path, error, what)


def text_of(data: bytes, path: str | Path, error: type[InputError], what: str) -> str:
    """Return the text in *data*, the content of *path*; as :func:`read_text`."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line = data.count(b"\n", 0, problem.start) + 1
        said = f"byte 0x{data[problem.start]:02x} is not UTF-8; save the {what} as UTF-8"
        raise error.at(path, line, said) from None
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise error.at(path, line, f"a binary file, not a {what}; save it as text")
    return text


def seconds_of(moment: datetime.datetime) -> float:
    """Return a moment of a record in seconds since 1970 UTC, one without a zone taken as local.

    Raises
    ------
    ValueError
        Its year is none of a record.
    """
    if not YEARS[0] <= moment.year < YEARS[1]:
        raise ValueError(f"the year {moment.year} is outside {YEARS[0]} to {YEARS[1] - 1}")
    return moment.timestamp()


def from_json(text: str, path: str | Path, error: type[InputError], what: str) -> Any:
    """Return what the JSON in *text*, the content of *path*, stands for.

    Raises
    ------
    InputError
        *error*: not JSON, nested too deeply, or a number that none of our files can mean.
    """
    try:
        found = json.loads(text, parse_constant=_no_number)
    except json.JSONDecodeError as problem:
        raise error.at(
            path, problem.lineno, f"not well-formed JSON; make or export the {what} again"
        ) from None
    except RecursionError:
        raise error.at(path, None, f"nested too deeply to be a {what}; name another") from None
    except ValueError:  # NaN, or a whole number of more than some thousand digits
        raise error.at(path, None, f"a number in it is none; make or export the {what} again") from None
    beyond = bounded(found)
    if beyond is not None:
        raise error.at(path, None, f"{beyond[1]}; make or export the {what} again")
    return found


def _no_number(word: str) -> float:
    raise ValueError(word)


def bounded(data: Any) -> tuple[tuple[str | int, ...], str] | None:
    """Return where a tree of tables, lists and values goes beyond what a file may hold, and how; None: nowhere.

    >>> bounded({"a": [1, 2**70]})
    (('a', 1), 'a whole number of more than 64 bits')
    """
    waiting: list[tuple[tuple[str | int, ...], Iterator[tuple[str | int, Any]]]] = [((), iter([("", data)]))]
    while waiting:
        keys, members = waiting[-1]
        for key, value in members:
            if isinstance(value, int) and not -LARGEST_NUMBER <= value < LARGEST_NUMBER:
                return (*keys, key)[1:], "a whole number of more than 64 bits"
            if isinstance(value, dict | list):
                if len(keys) > DEEPEST:
                    return (*keys, key)[1:], f"nested more than {DEEPEST} deep"
                waiting.append(
                    ((*keys, key), iter(value.items() if isinstance(value, dict) else enumerate(value)))
                )
                break
        else:
            waiting.pop()
    return None
