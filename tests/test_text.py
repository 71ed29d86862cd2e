"""The report for people: what to do first, then how sure, then a plot; on any terminal and in a pipe."""

import dataclasses
import io
import re
import subprocess
import sys
from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool.app.check import check
from gcodetool.app.spools import look
from gcodetool.gcode.program import read
from gcodetool.ledger.spoolfile import read_spool
from gcodetool.profiles import sample_folder
from gcodetool.report.as_text import LEGEND, SIGNS, print_report, print_spool
from gcodetool.report.layout import NAME_WIDTH, Page
from gcodetool.report.plot import ASCII, BLOCKS, FEWEST, LABEL, Limit, plot, stretched, thinned

NOW = datetime.fromisoformat("2026-11-25T09:00:00+01:00").timestamp()
SHELF = sample_folder() / "shelf"


class Terminal(io.StringIO):
    """A terminal of an encoding, as far as a page asks."""

    def __init__(self, encoding="utf-8"):
        super().__init__()
        self._encoding = encoding

    @property
    def encoding(self):
        return self._encoding

    def isatty(self):
        return True


@pytest.fixture(autouse=True)
def _plain_surroundings(monkeypatch):
    for name in ("COLUMNS", "NO_COLOR"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("TERM", "xterm")


@pytest.fixture(scope="module")
def found():
    program = read(sample_folder() / "hose-clips-tpu.gcode")
    spool = read_spool(SHELF / "tpu-05.toml")
    return check(program, {None: spool}, at=NOW, members=16)


@pytest.fixture(scope="module")
def seen():
    return look(read_spool(SHELF / "pa6-07.toml"), at=NOW, members=16)


def shown(print_it, what, stream=None):
    stream = io.StringIO() if stream is None else stream
    print_it(what, stream)
    return stream.getvalue()


def test_a_report_says_what_to_do_then_how_sure_then_draws_then_tells_the_rest(found):
    text = shown(print_report, found)
    order = [
        SIGNS[found.verdict],
        "  > ",
        "  how sure",
        "water that arrives",
        "~marginal",
        "  feeds",
        "  job",
    ]
    places = [text.index(part) for part in order]
    assert places == sorted(places)
    assert text.startswith(f"{SIGNS[found.verdict]} {found.verdict}")


@pytest.mark.parametrize("source", ["stated", "model"])
def test_whose_figure_a_safe_time_is_and_a_stated_one_is_not_assumed(found, source):
    (tool,) = found.tools
    exposure = dataclasses.replace(tool.exposure, safe_s=4 * 3600.0, source=source)
    text = shown(
        print_report, dataclasses.replace(found, tools=(dataclasses.replace(tool, exposure=exposure),))
    )
    (line,) = (line for line in text.splitlines() if "safe in open air" in line)
    assert ("your own figure" in line, "~4 h" in line) == (
        (True, False) if source == "stated" else (False, True)
    )


def test_a_spool_says_what_to_do_then_what_would_tell_more_then_draws(seen):
    text = shown(print_spool, seen)
    order = [
        "marginal",
        "  > dry it",
        "  to be surer",
        "water from the outermost",
        "  next fed",
        "  ~ assumed",
    ]
    places = [text.index(part) for part in order]
    assert places == sorted(places)
    assert "mm deep" in text


def test_what_is_assumed_is_marked_and_the_mark_explained(found, seen):
    for text in (shown(print_report, found), shown(print_spool, seen)):
        assert re.search(r"good to ~\d", text)
        assert "~ assumed  " in text
        assert text.rstrip().endswith(LEGEND)
    assert "waiting ~3 min" in shown(print_report, found).replace("\n" + " " * 19, " ")


@pytest.mark.parametrize("columns", [40, 60, 80, 200])
def test_lines_fit_the_page_and_end_in_no_blanks(found, seen, columns, monkeypatch):
    monkeypatch.setenv("COLUMNS", str(columns))
    for print_it, what in ((print_report, found), (print_spool, seen)):
        for line in shown(print_it, what).splitlines():
            assert line == line.rstrip()
            longest = max(map(len, line.split()), default=0)  # a path stays whole, to be copied
            assert len(line) <= columns or longest > columns - NAME_WIDTH - 1


def test_a_pipe_gets_plain_signs_and_no_colour(found, seen):
    for print_it, what in ((print_report, found), (print_spool, seen)):
        text = shown(print_it, what)
        assert "\x1b" not in text
        assert not set(text) & {BLOCKS.band, BLOCKS.middle, BLOCKS.axis}
        assert f"{ASCII.middle * 3}" in text


def test_a_terminal_gets_blocks_and_colour_unless_it_or_its_user_says_no(found, monkeypatch):
    assert BLOCKS.middle in shown(print_report, found, Terminal())
    assert "\x1b[" in shown(print_report, found, Terminal())
    assert BLOCKS.middle not in shown(print_report, found, Terminal("ascii"))
    monkeypatch.setenv("NO_COLOR", "1")
    uncoloured = shown(print_report, found, Terminal())
    assert "\x1b" not in uncoloured
    assert BLOCKS.middle in uncoloured
    monkeypatch.delenv("NO_COLOR")
    monkeypatch.setenv("TERM", "dumb")
    assert shown(print_report, found, Terminal()) == shown(print_report, found)


def test_an_encoding_without_a_sign_gets_an_escape_not_an_error(found):
    assert " \\xb0C" in shown(print_report, found, Terminal("ascii"))


def test_one_member_draws_no_band_and_says_that_nothing_is_sure():
    program = read(sample_folder() / "hose-clips-tpu.gcode")
    spool = read_spool(SHELF / "tpu-05.toml")
    text = shown(print_report, check(program, {None: spool}, at=NOW, members=1))
    assert "not known: nominal parameters alone" in text
    assert "# the forecast" in text
    assert ":::" not in text


def test_several_tools_each_carry_their_own_verdict(found):
    other = dataclasses.replace(
        found.tools[0], tool=1, verdict=dataclasses.replace(found.tools[0].verdict, code="clear")
    )
    text = shown(print_report, dataclasses.replace(found, tools=(found.tools[0], other)))
    assert f"T0 {SIGNS[found.verdict]} {found.verdict}: tpu-05" in text
    assert "T1 = clear: tpu-05" in text


def test_words_from_files_cannot_command_a_terminal(found):
    tool = dataclasses.replace(found.tools[0], spool="tpu\x1b[31m-05", advice=("dry\x07 it",))
    text = shown(print_report, dataclasses.replace(found, tools=(tool,), path="a\x1b[2Jb.gcode"))
    assert "\x1b" not in text
    assert "\x07" not in text


def test_a_report_needs_no_rich():
    code = (
        "import sys, gcodetool.report.as_text, gcodetool.app.examine\n"
        "print(sorted({'rich', 'numpy.random', 'gcodetool.moisture.history'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


# ------------------------------------------------------------------------------- pages


def test_facts_stand_in_columns_and_on_a_narrow_page_below_each_other():
    wide, narrow = io.StringIO(), io.StringIO()
    rows = [("feeds", "one two three four five six seven eight nine ten"), ("limits", "good")]
    Page(wide, width=60).facts(rows)
    Page(narrow, width=32).facts(rows)
    assert wide.getvalue().splitlines()[0].startswith("  feeds".ljust(NAME_WIDTH) + " one")
    assert wide.getvalue().splitlines()[1].startswith(" " * (NAME_WIDTH + 1))
    assert narrow.getvalue().splitlines()[:2] == ["  feeds", "    one two three four five six"]


# ------------------------------------------------------------------------------- plots

contents = st.floats(0.0, 20.0)
triples = st.tuples(contents, contents, contents).map(sorted).map(tuple)


@given(
    st.lists(triples, min_size=1, max_size=300),
    st.floats(0.001, 20),
    st.floats(0.001, 20),
    st.integers(20, 200),
)
def test_a_plot_fits_its_page_and_shows_every_limit_and_the_wettest_place(values, good, marginal, width):
    limits = [Limit(good, "good"), Limit(marginal, "marginal")]
    lines = plot(values, limits, ends=("a", "b"), width=width, signs=ASCII)
    if not lines:
        assert width < LABEL + 2 + FEWEST + 1 + len("good, marginal")
        return
    assert all(len(line) <= width for line in lines)
    drawn = "\n".join(lines)
    assert "good" in drawn
    assert "marginal" in drawn
    rows = [line[LABEL + 2 :] for line in lines[:-2]]
    peak = max(one[1] for one in values)
    top = 1.05 * max(*(one[2] for one in values), good, marginal)
    highest = next(i for i, row in enumerate(rows) if ASCII.middle in row)
    step = top / len(rows)
    assert peak < (len(rows) - highest) * step * (1 + 1e-9)  # never drawn below where it lies
    assert peak > (len(rows) - 1 - highest) * step * (1 - 1e-9) - 1e-9


@given(st.lists(triples, min_size=1, max_size=200), st.integers(1, 80))
def test_thinning_keeps_the_wettest_and_stretching_keeps_the_order(values, columns):
    few = thinned(values, columns)
    assert len(few) <= columns
    assert max(one[1] for one in few) == max(one[1] for one in values)
    wide = stretched(few, columns)
    assert len(wide) == columns
    assert [one for i, one in enumerate(wide) if i == 0 or one is not wide[i - 1]] == few


def test_nothing_to_see_draws_nothing():
    assert plot([], [Limit(0.1, "good")], ends=("a", "b"), width=80, signs=ASCII) == []
    assert plot([(None, float("nan"), None)], [], ends=("a", "b"), width=80, signs=ASCII) == []
    assert plot([(None, 0.0, None)], [], ends=("a", "b"), width=80, signs=ASCII) == []
