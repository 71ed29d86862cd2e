"""stdout and stderr that take any text: what they cannot show, or what would steer a terminal, is written as escapes.

A name or a note may hold any bytes; a pipe may have any code page.  :func:`careful` puts both streams behind
:class:`Careful`; those who colour their lines write to :attr:`Careful.styled`, with names that are plain already.
"""

import contextlib
import io
import os
import re
import sys
import unicodedata
from collections.abc import Iterable, Iterator
from typing import Any, Final, TextIO, cast

from gcodetool.quickpattern import compiled

UNSEEN: Final = (
    "Cc",
    "Cf",
    "Cs",
    "Co",
    "Cn",
    "Zl",
    "Zp",
)  # controls, directions, halves of pairs, private, line ends
UNSURE: Final = compiled(r"[^\n\t\x20-\x7e]")  # line end, tab and plain ASCII are kept unseen
NOT_ASCII: Final = compiled(r"[^\x00-\x7e]")


def escaped(text: str) -> str:
    r"""Return *text* with what would steer a terminal, or is no character, as escapes.

    >>> print(escaped("a" + chr(27) + "[31mb" + chr(0x202E)))
    a\x1b[31mb\u202e
    """
    if text.isascii() and text.isprintable():  # quicker than a pattern, for large JSON
        return text
    return UNSURE.sub(_plain, text)


def _plain(found: "re.Match[str]") -> str:
    """Return one letter beyond plain ASCII as it is, or its escape."""
    letter = found[0]
    if letter.isprintable() or unicodedata.category(letter) not in UNSEEN:
        return letter
    number = ord(letter)
    return (
        f"\\x{number:02x}"
        if number < 0x100
        else f"\\u{number:04x}"
        if number < 0x10000
        else f"\\U{number:08x}"
    )


def fitted(text: str, encoding: str) -> str:
    r"""Return *text* with what *encoding* does not have as escapes.

    >>> fitted("5 µm", "ascii")
    '5 \\xb5m'
    """
    try:
        return text.encode(encoding, "backslashreplace").decode(encoding)
    except (LookupError, UnicodeError):  # no encoding of this Python, or one without a backslash
        return text.encode("ascii", "backslashreplace").decode("ascii")


def json_for(stream: TextIO, text: str) -> str:
    """Return a JSON text in pure ASCII where *stream* may not have its letters, or is looked at by a person."""
    name = (getattr(stream, "encoding", None) or "").lower().replace("-", "").replace("_", "")
    if name == "utf8" and not stream.isatty() and escaped(text) == text:
        return text
    return NOT_ASCII.sub(_json_escape, text)


def _json_escape(found: "re.Match[str]") -> str:
    pair = found[0].encode("utf-16-be", "surrogatepass").hex()
    return "".join(f"\\u{pair[at : at + 4]}" for at in range(0, len(pair), 4))


def say_json(text: str) -> None:
    """Write one JSON text to stdout."""
    import click

    click.echo(json_for(sys.stdout, text))


def say_json_parts(parts: Iterable[str]) -> None:
    """Write one JSON text to stdout, part by part as they come."""
    for part in parts:
        sys.stdout.write(json_for(sys.stdout, part))
    sys.stdout.write("\n")


class Fitting(io.TextIOBase):
    """A stream that takes any text, its colours too; *stream* stands behind it."""

    def __init__(self, stream: TextIO) -> None:
        self.behind = stream

    @property
    def encoding(self) -> str:  # type: ignore[override]
        """Return the code page of the stream behind."""
        return getattr(self.behind, "encoding", None) or "utf-8"

    def writable(self) -> bool:
        """Return that it is written to."""
        return True

    def write(self, text: str, /) -> int:
        """Write *text*, whatever it holds."""
        self.behind.write(fitted(text, self.encoding))
        return len(text)

    def flush(self) -> None:
        """Hand on what was written."""
        if not self.behind.closed:
            self.behind.flush()

    def isatty(self) -> bool:
        """Return whether a person looks at it."""
        return self.behind.isatty()

    def fileno(self) -> int:
        """Return the system's number of it."""
        return self.behind.fileno()


class Careful(Fitting):
    """A stream that takes any text, and of it nothing that would steer a terminal.

    Attributes
    ----------
    styled : the same stream for what colours its own lines, and puts nothing into them that is not plain.
    """

    def __init__(self, stream: TextIO) -> None:
        super().__init__(stream)
        self.styled = Fitting(stream)

    def write(self, text: str, /) -> int:
        """Write *text*, whatever it holds."""
        super().write(escaped(text))
        return len(text)


@contextlib.contextmanager
def careful() -> Iterator[None]:
    """Put stdout and stderr behind streams that take any text; one that the caller has closed swallows it."""
    before: Any = (sys.stdout, sys.stderr)
    with contextlib.ExitStack() as opened:
        sys.stdout, sys.stderr = (
            stream
            if isinstance(stream, Careful)
            else cast("TextIO", Careful(_nowhere(opened) if stream is None else stream))
            for stream in before
        )
        try:
            yield
        finally:
            sys.stdout, sys.stderr = before


def _nowhere(opened: contextlib.ExitStack) -> TextIO:
    return opened.enter_context(os.fdopen(os.open(os.devnull, os.O_WRONLY), "w", encoding="utf-8"))
