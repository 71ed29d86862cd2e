"""Odd lines: no word of a move is dropped in silence, in any dialect; the documented table is true."""

import pathlib
import subprocess
import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest import approx
from test_scan import TWINS, scanned

from gcodetool.gcode import odd, readings, rows
from gcodetool.gcode.dialects import Dialect

ROOT = pathlib.Path(__file__).parent.parent
MARLIN, KLIPPER, RRF = Dialect

# What each dialect may be asked to move or feed by, with every letter that its manual gives the command,
# and some that it does not: name to letters.  Written from the manuals, not from the package.
SHARED = {
    "G0": "XYZEF", "G1": "XYZEF", "G2": "XYZEFIJRP", "G3": "XYZEFIJRP", "G5": "XYEFIJPQ", "G6": "XYZERS",
    "G28": "XYZ", "G123": "XYZE",
}  # fmt: skip
VOCABULARY = {
    MARLIN: SHARED | {"G0": "XYZEFABCUVWS", "G1": "XYZEFABCUVWS", "G2": "XYZEFIJKRPS", "G53 G1": "XYZEF", "G42": "IJFP"},
    KLIPPER: SHARED | {"G1": "XYZEFABC", "G2": "XYZEFIJK", "G53 G1": "XYZEF"},
    RRF: SHARED | {"G0": "XYZEFABCDUVWHRSP", "G1": "XYZEFABCDUVWHRSP", "G2": "XYZEFIJKR", "G53 G1": "XYZEF"},
}  # fmt: skip
PLAIN = st.sampled_from(["1", "2.5", "-3", ".75", "+4", "6.", "07"])
ODD_VALUES = st.sampled_from(
    ["", "-", "1:2", "1.5:.5:1", "{2+3}", "{move.axes[0].max}", "1.2.3", "(2)", "=4", "#", '"5"']
)
COLUMNS = {"X": "x", "Y": "y", "Z": "z", "E": "e", "I": "i", "J": "j"}


@st.composite
def moves(draw, dialect):
    """One line that moves or feeds: (name as written, [(letter, gap, value)], separator, what follows)."""
    name = draw(st.sampled_from(sorted(VOCABULARY[dialect])))
    letters = VOCABULARY[dialect][name] + draw(st.sampled_from(["", "", "KQT", "GM"]))
    words = draw(
        st.lists(
            st.tuples(
                st.sampled_from(letters or "X"),
                st.sampled_from(["", "", " "]),
                PLAIN | PLAIN | PLAIN | ODD_VALUES,
            ),
            min_size=1,
            max_size=5,
        )
    )
    spelt = draw(
        st.sampled_from([name, name, name.lower(), f"{name[0]} {name[1:]}", f"{name[0]}0{name[1:]}"])
    )
    rest = draw(
        st.sampled_from(
            ["", "", "", " ; X9", " G1 X9", " M83 G1 E9", " (Y9)", "*12", " if", " T1", "G1E9", " N4"]
        )
    )
    return spelt, words, draw(st.sampled_from([" ", " ", ""])), rest


def witnessed(found, name, words):
    """Whether each word of a plain move had its effect on the row: the only rule that this law has."""
    code = int(name[1:].strip())
    named = {letter: value for letter, _, value in words}
    if len(named) < len(words):
        return False  # one of two was dropped
    [row] = found
    expected = {"X": 0.0, "Y": 0.0, "Z": 0.0, "E": 0.0, "I": 0.0, "J": 0.0}
    for letter, value in named.items():
        if letter == "F":
            if float(value) > 0 and row["f"] != approx(float(value) / 60):
                return False
        elif letter == "R" and code in (2, 3):
            expected["I"], expected["J"] = float(value), 0.0
        elif letter in "XYZE" or (letter in "IJ" and code in (2, 3)):
            expected[letter] = float(value)
        else:
            return False
    if "R" in named and code in (2, 3):
        expected["I"], expected["J"] = float(named["R"]), 0.0
    return row["op"] == (rows.ARC if code in (2, 3) else rows.MOVE) and all(
        row[COLUMNS[letter]] == approx(value) for letter, value in expected.items()
    )


def moves_nothing(words):
    """Whether all that the words say is where the machine already is."""
    return all(letter == "F" for letter, _, _ in words)


@given(st.data(), st.sampled_from(list(Dialect)), st.sampled_from(["M83", "M82"]))
@settings(max_examples=1500)
def test_no_word_of_a_line_that_moves_is_dropped_without_a_caution(data, dialect, mode):
    name, words, gap, rest = data.draw(moves(dialect))
    line = name + gap + gap.join(letter + space + value for letter, space, value in words) + rest
    found, scanner = scanned(f"{mode}\n{line}\n", dialect, 1)
    if any(2 in note.lines for note in odd.notes(scanner)):
        return
    code = name[1:].strip().lstrip("0") or "0"
    assert not code.startswith("53"), line
    if dialect == RRF and (
        rest[:2].strip()[:1] in ("G", "M") or {letter for letter, _, _ in words} & set("GM")
    ):
        return  # further commands, carried out one after the other: the twins argue that
    if code == "123" and not {letter for letter, _, _ in words} & set("XYZE"):
        return  # an unknown command that names no place
    if code == "28" or (code == "42" and dialect == MARLIN):  # homes, or goes where only the machine knows
        assert found[0]["op"] in (rows.HOME, rows.COMMAND), line
        assert not scanner.known & 7 or code == "42", line
        return
    assert all(value and value[-1] in "0123456789." for _, _, value in words), line
    assert rest in ("", " ; X9", "*12", " (Y9)"), line
    if moves_nothing(words):
        assert found == [], line
        return
    assert witnessed(found, name, words), (line, found)


@given(
    st.lists(
        st.tuples(st.sampled_from("XYZE"), PLAIN), min_size=1, max_size=4, unique_by=lambda word: word[0]
    ),
    st.sampled_from(list(Dialect)),
)
def test_plain_moves_are_passed_without_a_word(words, dialect):
    line = "G1 " + " ".join(letter + value for letter, value in words) + " F600 ; X9"
    _, scanner = scanned(f"G90\nM83\n{line}\nG2 X5 I2 E1\nG92 E0\nG28\nG17\nT0\nM117 G1 X5\n", dialect, 1)
    assert odd.notes(scanner) == ()


@pytest.mark.parametrize("twin", TWINS)
@pytest.mark.parametrize("dialect", list(Dialect))
@pytest.mark.parametrize("feature", sorted(readings.FEATURES))
def test_the_table_of_readings_is_true(feature, dialect, twin):
    each = readings.FEATURES[feature]
    reading = each.readings[dialect]
    _, scanner = scanned(each.example, dialect, 1, twin=twin)
    found = odd.notes(scanner)
    assert bool(found) is reading.cautioned
    if found:
        assert any(note.reading == reading for note in found)
        assert all(note.lines == (each.example.count("\n") + 1,) for note in found)
        assert scanner.box_sure is all(note.reading.seen for note in found)


def test_what_the_issue_of_a_line_is():
    def ends(text, dialect):
        found, scanner = scanned(text, dialect, 1)
        return (scanner.x, scanner.z, sum(row["e"] for row in found if row["op"] in (rows.MOVE, rows.ARC)))

    assert ends("M83\nG1 X5 E2.5:2.5", RRF) == (5, 0, 5)
    assert ends("M82\nG1 X5 E2.5:2.5", RRF) == (0, 0, 0)
    assert ends("M83\nG1 X5 E2.5:2.5", MARLIN) == (5, 0, 2.5)
    assert ends("M83 G1 X5 E1 M104 S200 G1 X7 E1", RRF) == (7, 0, 2)
    assert ends("G53 G1 X5", RRF) == (5, 0, 0)
    assert ends("G53 G1 X5", MARLIN) == (0, 0, 0)
    assert ends("G18\nG2 X5 Z4 I2 K1", KLIPPER) == (5, 4, 0)
    assert ends("M83\nG5 X5 Y5 I1 J1 P1 Q1 E1", MARLIN) == (5, 0, 1)
    assert ends("G1 X{2+3} Z4", RRF) == (0, 4, 0)


def test_what_klipper_has_not_is_no_macro_and_volumes_switched_off_are_no_matter():
    _, scanner = scanned("G21\nM200 D0\nM200 D1.75\nG20\n", KLIPPER, 1)
    assert [(note.feature, note.lines) for note in odd.notes(scanner)] == [
        ("volumes", (3,)),
        ("inches", (4,)),
    ]
    assert "G20" not in scanner.unknown


def test_each_command_of_a_shared_line_has_its_own_text():
    text = "T1 M104 S200 M109 S210 ; warm\n"
    found, _ = scanned(text, RRF, 1)
    texts = [text[row["start"] :][: row["length"]] for row in found if row["op"] == rows.COMMAND]
    assert texts == ["M104 S200", "M109 S210 ; warm"]


def test_a_note_names_the_first_lines_and_counts_the_rest():
    _, scanner = scanned("G1 X5 S1 ; laser\n" * 9, MARLIN, 1)
    [note] = odd.notes(scanner)
    assert note.words == "lines 1, 2, 3, 4, 5 and 4 more: 'G1 X5 S1': not read by the firmware"


def test_the_documented_table_is_that_of_the_dialects():
    command = [sys.executable, str(ROOT / "docs/experiments/readings_table.py"), "--check"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
