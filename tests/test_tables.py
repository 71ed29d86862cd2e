"""Tables: every cell whole in a pipe, nothing over a terminal's edge, colours only where somebody sees them."""

import io
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool.report.layout import Page
from gcodetool.report.tables import Cell, Column, columns_of, print_table

WORDS = st.text(st.sampled_from("ab線材é -µ"), min_size=0, max_size=30).map(
    lambda text: " ".join(text.split())
)
ROWS = st.lists(st.tuples(WORDS, WORDS, WORDS), min_size=1, max_size=4)
COLUMNS = (Column("spool"), Column("air"), Column("left", right=True))


def printed(rows, width=None, columns=COLUMNS):
    stream = io.StringIO()
    print_table(Page(stream, width=width), columns, [[Cell(text) for text in row] for row in rows])
    return stream.getvalue().splitlines()


@given(ROWS)
def test_in_a_pipe_a_row_is_one_line_that_holds_each_cell(rows):
    head, *lines = printed(rows)
    assert head.split() == ["spool", "air", "left"]
    assert len(lines) == len(rows)
    for line, row in zip(lines, rows, strict=True):
        assert [*"".join(line.split())] == [*"".join("".join(row).split())]


@given(ROWS, st.integers(30, 120))
def test_no_line_is_wider_than_the_screen_and_no_letter_is_lost(rows, width):
    lines = printed(rows, width)
    assert all(columns_of(line) <= width for line in lines)
    shown = sorted("".join("".join(lines[1:]).split()))
    if lines[0].split() == ["spool", "air", "left"]:
        assert shown == sorted("".join("".join("".join(row) for row in rows).split()))


def test_a_column_that_must_stay_whole_does():
    lines = printed(
        [("a b c d e f g h i j", "1234567890 123456", "x")], 30, (Column(), Column(whole=True), Column())
    )
    assert all("1234567890 123456" in line for line in lines[:1])
    assert len(lines) > 1


class Terminal(io.StringIO):
    encoding = "cp437"

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("without", "coloured"), [("", True), ("1", False)])
def test_colours_are_for_terminals_that_want_them_and_take_no_room(without, coloured, monkeypatch):
    monkeypatch.setenv("NO_COLOR", without)
    monkeypatch.setenv("TERM", "xterm")
    stream = Terminal()
    rows = [
        [Cell("a", "bold red"), Cell("線", "dim struck"), Cell("9 g")],
        [Cell("long"), Cell("-"), Cell("10 g")],
    ]
    print_table(Page(stream, width=60), COLUMNS, rows)
    text = stream.getvalue()
    assert ("\x1b[" in text) is coloured
    bare = re.sub("\x1b\\[[0-9;]*m", "", text).splitlines()
    assert bare[1].rindex("g") == bare[2].rindex(
        "g"
    )  # in one column, whatever the code page made of the letters
    assert "\\u7dda" in bare[1]
