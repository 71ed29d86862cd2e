"""Lines for a terminal or a pipe: wrapped behind marks, coloured only where somebody can see it.

A `Page` knows how wide its stream is and what it can show; what is printed to a pipe or a file is
plain, and needs no more than the standard library and click.  Left out: what the lines say.
"""

import os
import re
import shutil
import unicodedata
from collections.abc import Iterable
from typing import Final, TextIO

import click

WIDTH: Final = 80  # where the stream is no terminal
NARROWEST, WIDEST = 30, 110
NAME_WIDTH: Final = 18  # of the first column of facts
BLOCKS: Final = "▒█─│└"


class Page:
    """A stream, its width, and whether it shows colour and block signs.

    Parameters
    ----------
    stream : where the lines go.
    width : in columns; left out, the terminal's, or 80.
    """

    def __init__(self, stream: TextIO, *, width: int | None = None) -> None:
        self.stream = getattr(stream, "styled", stream)  # lines come here plain, and get their colours here
        self.encoding = getattr(stream, "encoding", None) or "utf-8"
        terminal = stream.isatty() and os.environ.get("TERM") != "dumb"
        columns = shutil.get_terminal_size((WIDTH, 24)).columns if width is None else width
        self.width = min(WIDEST, max(NARROWEST, columns))
        self.columns = columns if terminal or width is not None else None  # of tables: a pipe has no edge
        self.colour = terminal and not os.environ.get("NO_COLOR")
        self.blocks = terminal and can_show(BLOCKS, self.encoding)

    def styled(self, text: str, style: str | None) -> str:
        """Return *text* as this stream shows it; *style*: colours, ``bold``, ``dim`` and ``struck`` as words."""
        shown = self.fitting(text)
        if not (self.colour and style and shown):
            return shown
        words = style.split()
        colour = next((word for word in words if word not in ("bold", "dim", "struck")), None)
        return click.style(
            shown,
            fg=colour,
            bold="bold" in words or None,
            dim="dim" in words or None,
            strikethrough="struck" in words or None,
        )

    def raw(self, shown: str) -> None:
        """Print a line that was put together of :meth:`styled` parts."""
        click.echo(shown, file=self.stream, color=True if self.colour else None)

    def fitting(self, text: str) -> str:
        """Return *text* with what the stream's code page does not have as escapes."""
        return text.encode(self.encoding, "backslashreplace").decode(self.encoding)

    def line(self, text: str = "", *, style: str | None = None) -> None:
        """Print one line as it is; *style* is a colour, or "bold"."""
        shown = self.fitting(text.rstrip())
        if self.colour and style is not None and shown:
            shown = click.style(shown, bold=True, fg=None if style == "bold" else style)
        click.echo(shown, file=self.stream, color=True if self.colour else None)

    def hanging(self, mark: str, text: str, *, style: str | None = None) -> None:
        """Print *text* wrapped behind a mark; *style* is the mark's."""
        first, *others = self.wrapped(text, self.width - len(mark)) or [""]
        shown = click.style(mark, bold=True, fg=style if style != "bold" else None) if style else mark
        if self.colour and style:
            click.echo(self.fitting(shown + first), file=self.stream, color=True)
        else:
            self.line(mark + first)
        for each in others:
            self.line(" " * len(mark) + each)

    def facts(self, rows: Iterable[tuple[str, str]]) -> None:
        """Print names and what they come to, in two columns; on a narrow page one below the other."""
        for name, text in rows:
            if self.width < 3 * NAME_WIDTH:
                self.line(f"  {name}")
                self.hanging("    ", text)
            else:
                self.hanging(f"  {name}".ljust(NAME_WIDTH) + " ", text)

    def wrapped(self, text: str, width: int) -> list[str]:
        """Return *text* in lines of at most *width* columns; a longer word stays whole, to be copied."""
        import textwrap

        return textwrap.wrap(text, max(width, 16), break_long_words=False, break_on_hyphens=False)


def can_show(signs: str, encoding: str) -> bool:
    """Return whether an encoding has *signs*.

    >>> can_show("█", "utf-8"), can_show("█", "ascii"), can_show("█", "no-such")
    (True, False, False)
    """
    try:
        signs.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def without_halves(json_text: str) -> str:
    r"""Return a JSON text that every code page of Unicode has: of bytes that are no text, their escapes.

    >>> without_halves(chr(34) + chr(0xDC80) + chr(34))
    '"\\udc80"'
    """
    if json_text.isascii():
        return json_text
    return re.sub("[\ud800-\udfff]", lambda half: f"\\u{ord(half[0]):04x}", json_text)


def plain(text: str) -> str:
    """Return *text* without control and direction-changing characters.

    >>> plain("a" + chr(27) + "[31mb" + chr(0x202E))
    'a[31mb'
    """
    return "".join(sign for sign in text if unicodedata.category(sign) not in ("Cc", "Cf", "Cs"))
