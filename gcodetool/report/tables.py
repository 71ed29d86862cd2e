"""Tables for a terminal or a pipe: columns as wide as what stands in them, and wrapped where a screen is narrower.

Cells come here plain.  In a pipe a row is one line, however long.  Left out: which columns there are.
"""

import textwrap
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from gcodetool.report.layout import Page

GAP: Final = 2
LEAST: Final = 6  # columns of a cell that is wrapped


@dataclass(frozen=True)
class Column:
    """A column's head; *whole*: it is never wrapped, *right*: its cells stand at its right edge."""

    head: str = ""
    whole: bool = False
    right: bool = False


@dataclass(frozen=True)
class Cell:
    """What stands in one place of a table, and in which style (`Page.styled`)."""

    text: str
    style: str | None = None


def columns_of(text: str) -> int:
    """Return how many columns of a terminal a text takes: some letters take two, some none.

    >>> columns_of("PLA"), columns_of("線材")
    (3, 4)
    """
    return sum(
        0 if unicodedata.combining(letter) else 2 if unicodedata.east_asian_width(letter) in "WF" else 1
        for letter in text
    )


def print_table(page: Page, columns: Sequence[Column], rows: Iterable[Sequence[Cell]]) -> None:
    """Print rows under their heads; without any head there is no line of them."""
    lines = [tuple(Cell(page.fitting(cell.text), cell.style) for cell in row) for row in rows]
    if any(column.head for column in columns):
        lines.insert(0, tuple(Cell(column.head, "bold") for column in columns))
    widths = _widths(columns, lines, page.columns)
    for line in lines:
        parts = [_wrapped(cell.text, width) for cell, width in zip(line, widths, strict=True)]
        for at in range(max(map(len, parts))):
            shown = ""
            for column, cell, part, width in zip(columns, line, parts, widths, strict=True):
                text = part[at] if at < len(part) else ""
                blank = " " * (width - columns_of(text))
                styled = page.styled(text, cell.style)
                shown += (blank + styled if column.right else styled + blank) + " " * GAP
            page.raw(shown.rstrip())


def _widths(columns: Sequence[Column], lines: Sequence[Sequence[Cell]], most: int | None) -> list[int]:
    """Return the widths of the columns: as they come, or the widest made narrower until all fit into *most*."""
    widths = [max((columns_of(line[at].text) for line in lines), default=0) for at in range(len(columns))]
    over = 0 if most is None else sum(widths) + GAP * (len(widths) - 1) - most
    while over > 0:
        wide = [at for at, column in enumerate(columns) if not column.whole and widths[at] > LEAST]
        if not wide:
            break
        at = max(wide, key=lambda one: widths[one])
        widths[at] -= 1
        over -= 1
    return widths


def _wrapped(text: str, width: int) -> list[str]:
    if columns_of(text) <= width:
        return [text]
    lines = []
    for line in textwrap.wrap(text, width) or [""]:
        while columns_of(line) > width:  # letters that take two columns
            cut = next(at for at in range(len(line), 0, -1) if columns_of(line[:at]) <= max(width, 2))
            lines.append(line[:cut])
            line = line[cut:]  # noqa: PLW2901  the rest of the same line
        lines.append(line)
    return lines
