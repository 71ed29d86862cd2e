"""The scanner: exact numbers, each dialect's modal state, twins that agree, samples of known truth."""

import lzma
import math
import pathlib
import re
import tomllib
from array import array

import interpreter
import pytest
from histories import histories
from hypothesis import example, given, settings
from hypothesis import strategies as st
from naive import NaiveScan
from pytest import approx
from twins import interpreted

from gcodetool.gcode import arcs, dialects, rows, scan
from gcodetool.gcode.dialects import Dialect
from gcodetool.gcode.rows import Rows
from gcodetool.gcode.spellings import SPELLINGS

SAMPLES = pathlib.Path(__file__).parent / "data" / "gcode"
TRUTH = tomllib.loads((SAMPLES / "expected.toml").read_text("utf-8"))
MARLIN, KLIPPER, RRF = Dialect.MARLIN, Dialect.KLIPPER, Dialect.REPRAPFIRMWARE
TWINS = [
    pytest.param(scan, id="compiled" if scan.COMPILED else "as installed"),
    pytest.param(None, id="interpreted"),
]
COLUMNS = ("op", "arg", "line", "start", "length", "x", "y", "z", "e", "f", "i", "j")
OP_NAMES = (
    "MOVE", "ARC", "DWELL", "RETRACT", "UNRETRACT", "HOME", "TOOL", "ACCELERATION", "LAYER", "SET_POSITION",
    "COMMAND",
)  # fmt: skip
OP = {name: getattr(rows, name) for name in OP_NAMES}


def module(twin):
    return interpreted("gcodetool.gcode.scan") if twin is None else twin


def scanned(text, dialect=MARLIN, marks=0, *, twin=scan, capacity=512, cuts=(), scanner=None):
    """Return (rows as dicts, scanner) for *text*, given to the scanner in pieces that end at *cuts*."""
    data = text.encode("utf-8") if isinstance(text, str) else text
    scanner = module(twin).Scanner(int(dialect), marks) if scanner is None else scanner
    block, out, before = Rows(capacity), [], 0
    for cut in [*sorted(cuts), len(data)]:
        piece, at = data[before:cut], 0
        while at < len(piece):
            reached = scanner.fill(piece, at, block)
            assert reached > at
            at = reached
            for row in range(block.count):
                out.append({column: getattr(block, column)[row] for column in COLUMNS})
        scanner.offset += len(piece)
        before = cut
    return out, scanner


def ops(text, *arguments, **options):
    """Return the rows' (op name, arg)."""
    names = {number: name for name, number in OP.items()}
    return [(names[row["op"]], row["arg"]) for row in scanned(text, *arguments, **options)[0]]


def only(text, *arguments, **options):
    """Return the last row of *text*."""
    return scanned(text, *arguments, **options)[0][-1]


# --- numbers ------------------------------------------------------------------------------------

digits = st.text("0123456789", max_size=19)
plain_numbers = st.builds(
    lambda sign, whole, point, rest: sign + whole + point + (rest if point else ""),
    st.sampled_from(["", "-", "+"]),
    digits,
    st.sampled_from(["", "."]),
    digits,
).filter(lambda text: any(character.isdigit() for character in text))


@pytest.mark.parametrize("twin", TWINS)
@given(plain_numbers)
@example("0.30000000000000004")
@example("-.8")
@example("5.")
@example("999999999999999")
@example("9007199254740993")
@example("0" * 400 + "1.5")
@settings(max_examples=300)
def test_a_number_is_what_float_makes_of_it(twin, text):
    _, scanner = scanned(f"G1 X{text} Y 1\nG92 E{text}\n", twin=twin)
    assert scanner.x == float(text)
    assert scanner.e == float(text)  # the words of rarer commands go the same way
    assert math.copysign(1, scanner.e) == math.copysign(1, float(text))


usual_lines = st.lists(
    st.builds(
        "{}{}".format,
        st.sampled_from("XYZEF"),
        plain_numbers | st.sampled_from(("-0.000", "0", "-", "1.2.3")),
    ),
    min_size=1,
    max_size=5,
).map(" ".join)


@given(
    st.lists(usual_lines, min_size=1, max_size=6),
    st.sampled_from(("\n", "\r\n", " ;x\n", ";\n", " \n")),
    st.sampled_from(Dialect),
    st.sampled_from((0, 1)),
    st.sampled_from(("", "G91\n", "M83\n", "G92 X1 E2\n")),
)
@example(["X155.084 Y-.5 E.02652", "X1234.56 Y1234567 E12345.67891"], "\n", MARLIN, 1, "")
def test_usual_moves_read_as_those_written_unusually(lines, end, dialect, marks, before):
    # two spaces behind the command, and the line is read letter by letter; the last line has room behind it
    usual, unusual = (
        scanned(before + "".join(f"G1{gap}{line}{end}" for line in lines) + ";" + "-" * 40, dialect, marks)
        for gap in (" ", "  ")
    )
    for row in usual[0] + unusual[0]:
        del row["start"], row["length"]
    assert repr(usual[0]) == repr(unusual[0])  # -0.0 is not 0.0
    for name in ("x", "y", "z", "e", "feed", "known", "layer", "refused", "pulled_mm", "line"):
        assert repr(getattr(usual[1], name)) == repr(getattr(unusual[1], name))
    assert usual[1].odd.keys() == unusual[1].odd.keys()


@given(st.floats(-1e6, 1e6), st.integers(0, 14))
def test_printed_numbers_come_back(value, decimals):
    text = f"{value:.{decimals}f}"
    assert scanned(f"G1 X{text}\n")[1].x == float(text)


@pytest.mark.parametrize("text", ["X", "X-", "X.", "X+", "X" + "9" * 400])
def test_a_word_without_a_finite_number_names_nothing(text):
    assert scanned(f"G1 {text} Y7\n")[0] == scanned("G1 Y7" + " " * (len(text) + 1) + "\n")[0]


# --- twins --------------------------------------------------------------------------------------

figures = st.sampled_from(
    """0 1 2 3.5 -1.25 .4 10 25 60 95.5 100 1500 -0 1:2 2.5:.5: {2+3} 1.2.3 -|""".replace("|", " |").split()
).map(lambda text: text.strip("|"))
words = st.builds(
    "{}{}{}".format,
    st.sampled_from("XXXYYYZEEEEFFIJRSPTDBOLWxyeKUHGM"),
    st.sampled_from(["", "", "", " "]),
    figures,
)
HEADS = """G0 G1 G1 G1 G01 G1 G2 G3 g1 G4 G10 G11 G17 G20 G21 G28 G29 G90 G91 G92 G92.1 G5 G54 G123
    G17 G18 G19 G53 G55 G93 if while echo M600 M701 FORCE_MOVE SET_GCODE_OFFSET
    M82 M83 M200 M204 M220 M221 M104 M109 M106 M73 M486 M1002 M120 M121 M400 M0 T0 T1 T2 T70 T-1 T? M117
    N12 N123456789 X1 F900 SAVE_GCODE_STATE RESTORE_GCODE_STATE ACTIVATE_EXTRUDER EXCLUDE_OBJECT_START
    PRINT_START SET_VELOCITY_LIMIT PAUSE _PARK RESPOND # ; ( \xff / 7"""
PAIRS = (
    """NAME=a MOVE=1 MOVE_SPEED=20 EXTRUDER=extruder1 EXTRUDER=214 HOTEND_TEMP=210 VELOCITY=200 MSG="x y\""""
)
heads = st.sampled_from(HEADS.split())
pairs = st.sampled_from(PAIRS.split())
comments = st.sampled_from(["", "", "; travel", ";X9", " (Y9) ", "(open", "*71", "*7;q", "; Düse", "\x80"])
moving = st.builds(
    lambda head, parts, gap, comment: head + gap + gap.join(parts) + comment,
    st.sampled_from(["G1", "G1", "G0", "g1", "N7 G1", "G2", "G3", "G01", "G 1", "G5"]),
    st.lists(words, max_size=4),
    st.sampled_from([" ", "", "  ", "\t"]),
    comments,
)
anything = st.builds(
    lambda head, parts, comment: head + " " + " ".join(parts) + comment,
    heads,
    st.lists(words | pairs | heads, max_size=4),
    comments,
)
SPELLED = [4 + SPELLINGS.index(text) for text in (b"; layer ", b";LAYER:", b"; BEGIN_LAYER_OBJECT z=")]
marks = st.sampled_from(
    [";LAYER_CHANGE", "; CHANGE_LAYER", ";LAYER:4", ";LAYER:-2 ", ";LAYER:", ";LAYER_CHANGED", " ;LAYER:1"]
) | st.builds(
    lambda text, number: text.decode() + number,
    st.sampled_from([SPELLINGS[code - 4] for code in SPELLED]),
    st.sampled_from(["3", "-1, Z = 2", "0.6", "3.", "", "x", "12of"]),
)
lines = st.lists(moving | anything | marks | st.just(""), max_size=25)
files = st.builds(
    lambda parts, newline, last: newline.join(parts) + (newline if last else ""),
    lines,
    st.sampled_from(["\n", "\n", "\r\n"]),
    st.booleans(),
)
kinds = st.tuples(st.sampled_from(list(Dialect)), st.sampled_from([0, 1, 2, 3, *SPELLED]))


def same(mine, theirs):
    """Compare rows; naive sums may round otherwise in the last place."""
    assert [(row["op"], row["arg"], row["line"], row["start"], row["length"]) for row in mine] == [
        (row["op"], row["arg"], row["line"], row["start"], row["length"]) for row in theirs
    ]
    for one, other in zip(mine, theirs, strict=True):
        for column in "xyzefij":
            assert one[column] == approx(other[column], rel=1e-12, abs=1e-12, nan_ok=True), (
                column,
                one,
                other,
            )


@given(files, kinds)
@settings(max_examples=600)
@example("G91 G1 X1\nM83G1E2\n", (RRF, 0))
@example("N12 I0 G0 X1\n", (RRF, 0))
@example("G4 S1 S\nM220 S50 MOVE_SPEED=20\n", (MARLIN, 0))
@example("M200 D1.75\nG20\nG1 X1 E1\nG92 E2\nG1 X2 E3", (MARLIN, 0))
@example(
    "SAVE_GCODE_STATE NAME=a\nG1 X3\nRESTORE_GCODE_STATE NAME=a MOVE=1 MOVE_SPEED=20\nG1 X1", (KLIPPER, 0)
)
def test_the_naive_twin_agrees(text, kind):
    data = text.encode("latin-1")
    mine, scanner = scanned(data, *kind)
    twin = NaiveScan(*kind)
    same(mine, list(twin.scan(data)))
    assert scanner.line == twin.line
    assert (scanner.x, scanner.y, scanner.z) == approx(tuple(twin.position.values()))
    assert (scanner.shift_x, scanner.shift_y, scanner.shift_z) == approx(tuple(twin.shift.values()))
    assert (scanner.e, scanner.feed, scanner.speed_factor) == approx((twin.e, twin.feed, twin.speed))
    assert scanner.known == sum({"X": 1, "Y": 2, "Z": 4}[axis] for axis in twin.known)
    assert scanner.homed == sum({"X": 1, "Y": 2, "Z": 4}[axis] for axis in twin.homed)
    assert (bool(scanner.absolute), bool(scanner.e_absolute)) == (twin.g90, twin.e_is_absolute())
    assert (scanner.tool, scanner.layer, bool(scanner.volumetric)) == (twin.tool, twin.layer, twin.volumetric)
    assert scanner.unknown == twin.unknown
    assert (scanner.inert, scanner.stray, scanner.refused) == (twin.inert, twin.stray, twin.refused)
    assert scanner.filament_per_e == approx(twin.gain())


VISIBLE = frozenset(
    re.findall(
        r"^    (\w+) = cython\.declare\(",
        pathlib.Path(scan.__file__).with_name("scan.py").read_text(),
        re.MULTILINE,
    )
) | {"filament_per_e", "flow_factor", "retracted"}  # interpreted, a scanner shows its scratch too


def settled(scanner):
    """Return all of a scanner's state that users see."""
    return {
        name: list(value) if isinstance(value, array) else value
        for name in sorted(VISIBLE)
        for value in [getattr(scanner, name)]
        if not callable(value)
    }


@given(files, kinds)
@settings(max_examples=200)
def test_compiled_and_interpreted_agree_bit_for_bit(text, kind):
    compiled, one = scanned(text, *kind)
    plain, other = scanned(text, *kind, twin=None)
    assert repr(compiled) == repr(plain)  # NaN compares as text
    mine, theirs = settled(one), settled(other)
    assert repr(mine) == repr({name: theirs[name] for name in mine})


@given(files, kinds, st.data())
@settings(max_examples=200)
def test_where_blocks_are_cut_changes_nothing(text, kind, data):
    whole, one = scanned(text, *kind)
    encoded = text.encode()
    ends = [at + 1 for at, byte in enumerate(encoded) if byte == 10]
    cuts = data.draw(st.lists(st.sampled_from(ends), unique=True) if ends else st.just([]))
    pieces, other = scanned(text, *kind, cuts=cuts, capacity=data.draw(st.sampled_from([3, 4, 7, 64])))
    assert repr(whole) == repr(pieces)
    assert repr(settled(one)) == repr(settled(other))


@pytest.mark.parametrize("twin", TWINS)
@given(st.binary(max_size=200), kinds)
@settings(max_examples=300)
def test_no_bytes_break_it_and_every_line_is_counted(twin, data, kind):
    _, scanner = scanned(data, *kind, twin=twin)
    assert scanner.line == data.count(b"\n") + (data[-1:] not in (b"", b"\n"))


@given(lines, kinds)
def test_line_ends_case_numbers_and_checksums_carry_no_meaning(parts, kind):
    parts = [part for part in parts if part.startswith(("G1", "G0")) and "(" not in part and "*" not in part]
    plain = scanned("\n".join(parts) + "\n", *kind)[0]
    dressed = [
        "\n".join(part.partition(";")[0].lower() for part in parts),
        "\r\n".join(parts) + "\r\n",
        "\n".join(f"N{number} {part.partition(';')[0]}*{number % 256}" for number, part in enumerate(parts)),
        "\n".join("  " + part.replace(" ", "   ") for part in parts),
    ]
    for text in dressed:
        other = scanned(text, *kind)[0]
        values = [[row[name] for name in ("op", "arg", "line", "x", "y", "z", "e", "f")] for row in other]
        assert values == [
            [row[name] for name in ("op", "arg", "line", "x", "y", "z", "e", "f")] for row in plain
        ]


def test_an_independent_reader_finds_the_same_words():
    """pygcode reads 400 moves of a sample as the scanner does."""
    pygcode = pytest.importorskip("pygcode")
    text = lzma.decompress(
        (SAMPLES / "b01-valve-body-pla-marlin-cmdline-header.gcode.xz").read_bytes()
    ).decode()
    for line in [part for part in text.splitlines() if part.startswith(("G0 ", "G1 "))][1000:1400]:
        expected = {word.letter: word.value for word in pygcode.Line(line).block.words[1:]}
        row = only("G92 E-1000\nG1 X-1 Y-1 Z-1\n" + line + "\n")
        for letter, column in (("X", "x"), ("Y", "y"), ("Z", "z")):
            assert row[column] == expected.get(letter, -1)
        assert row["e"] == approx(expected["E"] + 1000 if "E" in expected else 0)
        assert row["f"] == approx((expected.get("F") or 4000) / 60)  # that slicer prints F0 too
        assert row["arg"] == sum(
            bit for letter, bit in zip("XYZEF", (1, 2, 4, 8, 16), strict=True) if letter in expected
        )


# --- what lines mean ------------------------------------------------------------------------------


@pytest.mark.parametrize("twin", TWINS)
def test_a_move_names_its_line_place_and_words(twin):
    text = "; head\r\nG1 X10.5 Y2 E.4 F1800 ; bead\r\nG1 F900\nG1 X10.5\ng1y3(here)Z1\n"
    first, second = scanned(text, twin=twin, scanner=None, marks=1)[0]
    assert first == {
        "op": rows.MOVE, "arg": rows.X | rows.Y | rows.E | rows.F, "line": 2, "start": 8, "length": 28,
        "x": 10.5, "y": 2.0, "z": 0.0, "e": 0.4, "f": 30.0, "i": 0.0, "j": 0.0,
    }  # fmt: skip
    assert (second["line"], second["arg"], second["f"]) == (5, rows.Y | rows.Z, 15.0)  # F alone leaves no row
    assert text.encode()[second["start"] :][: second["length"]] == b"g1y3(here)Z1"


@pytest.mark.parametrize(
    ("dialect", "text", "relative"),
    [
        (MARLIN, "M83", True),
        (MARLIN, "M83\nG90", False),  # G90 cancels M83
        (MARLIN, "G91", True),
        (MARLIN, "G91\nM82", False),  # the last one wins
        (MARLIN, "M82\nG91", True),
        (KLIPPER, "M83\nG90", True),
        (KLIPPER, "G91\nM82", True),  # G91 wins
        (KLIPPER, "G91\nM82\nG90", False),
        (RRF, "M83\nG90", True),
        (RRF, "G91", False),  # apart
        (RRF, "M83\nG91\nM82", False),
    ],
)
def test_how_e_is_read(dialect, text, relative):
    _, scanner = scanned(text, dialect)
    assert bool(scanner.e_absolute) is not relative
    moves = [row["e"] for row in scanned(text + "\nG1 X1 E5\nG1 X2 E7\n", dialect, 1)[0]]
    assert moves == ([5, 7] if relative else [5, 2])


# What each firmware's register stands at after a history, and what the last word feeds.
REGISTERS = [
    # relative words: counted by Marlin and Klipper; RepRapFirmware counts absolute words and G92 alone
    ("M83\nG1 X1 E5\nM82\nG1 X2 E7", (7, 2), (7, 2), (7, 7)),
    ("G92 E3\nM83\nG1 E5\nG1 E-1\nM82\nG1 X2 E4", (4, -3), (4, -3), (4, 1)),
    ("M82\nG1 E4\nM83\nG1 E5\nG1 E1", (10, 1), (10, 1), (4, 1)),
    ("M83\nG1 E5\nG92 E2\nM82\nG1 E3", (3, 1), (3, 1), (3, 1)),
    # G91: relative under Marlin, which forgets M82; under Klipper whatever M82 says; not at all elsewhere
    ("G92 E8\nG91\nG1 E-2", (6, -2), (6, -2), (-2, -10)),
    ("G92 E8\nG91\nM82\nG1 E-2", (-2, -10), (6, -2), (-2, -10)),
    ("G92 E8\nM82\nG91\nG1 E-2\nG90\nG1 E7", (7, 1), (7, 1), (7, 9)),
    # G90: absolute under Marlin, which forgets M83
    ("G92 E8\nM83\nG90\nG1 E1", (1, -7), (9, 1), (8, 1)),
    ("G92 E8\nG90\nM83\nG1 E1\nM82\nG1 E1", (1, -8), (1, -8), (1, -7)),
    # one register for all tools
    ("M82\nG1 E4\nT1\nG1 E5", (5, 1), (5, 1), (5, 1)),
    ("M83\nG1 E4\nT1\nM82\nG1 E5", (5, 1), (5, 1), (5, 5)),
    # a bare G92 sets Klipper's register alone
    ("G1 E4\nG92\nG1 E5", (5, 1), (5, 5), (5, 1)),
    # only Klipper has named states, and its activated extruder counts from 0; the active one goes on
    ("G1 E4\nSAVE_GCODE_STATE\nM83\nG1 E2\nRESTORE_GCODE_STATE\nG1 E5", (11, 5), (5, 1), (4, 5)),
    ("G1 E4\nACTIVATE_EXTRUDER EXTRUDER=extruder1\nG1 E5", (5, 1), (5, 5), (5, 1)),
    ("G1 E4\nACTIVATE_EXTRUDER EXTRUDER=extruder\nG1 E5", (5, 1), (5, 1), (5, 1)),
    # only RepRapFirmware's M121 takes the mode back, and the register stays
    ("G1 E4\nM120\nM83\nG1 E2\nM121\nG1 E5", (11, 5), (11, 5), (5, 1)),
]


@pytest.mark.parametrize("dialect", list(Dialect), ids=lambda dialect: dialect.label)
@pytest.mark.parametrize(("text", "marlin", "klipper", "rrf"), REGISTERS)
def test_where_the_register_stands_and_what_its_next_word_feeds(dialect, text, marlin, klipper, rrf):
    found, scanner = scanned(text + "\n", dialect)
    moves = [row for row in found if row["op"] == rows.MOVE]
    assert (scanner.e, moves[-1]["e"]) == {MARLIN: marlin, KLIPPER: klipper, RRF: rrf}[dialect]


@pytest.mark.parametrize("dialect", list(Dialect), ids=lambda dialect: dialect.label)
@given(st.data())
def test_any_history_of_the_register_feeds_what_an_interpreter_of_our_own_says(dialect, data):
    lines = data.draw(histories(dialect))
    found, scanner = scanned("".join(f"{line}\n" for line in lines), dialect, 1)
    fed = dict.fromkeys(range(1, len(lines) + 1), 0.0)
    for row in found:
        if row["op"] == rows.MOVE:
            fed[row["line"]] += row["e"]
    state = interpreter.State()
    for event in interpreter.execute(lines, dialect.label):
        assert fed[event.number] == approx(event.fed, abs=1e-9), event.text
        state = event.after
    assert scanner.e == approx(state.e, abs=1e-9)
    assert bool(scanner.absolute) is state.absolute
    assert bool(scanner.e_absolute) is (state.e_absolute and (dialect != KLIPPER or state.absolute))
    assert scanner.tool == state.tool


@pytest.mark.parametrize(
    ("dialect", "text", "feed"),
    [
        (MARLIN, "", 4000 / 60), (KLIPPER, "", 25), (RRF, "", 50),
        (MARLIN, "G1 F1200\nM220 S50", 10), (KLIPPER, "G1 F1200\nM220 S50", 10),
        (RRF, "G1 F1200\nM220 S50", 10),
        (MARLIN, "G1 F1200\nM220 S50.9", 10), (KLIPPER, "G1 F1200\nM220 S50.5", 10.1),
        (MARLIN, "G1 F1200\nM220 S50\nM220", 10), (KLIPPER, "G1 F1200\nM220 S50\nM220", 20),
        (RRF, "G1 F1200\nM220 S50\nM220", 10), (KLIPPER, "G1 F1200\nM220 S0", 20),
        (MARLIN, "G1 F1200\nM220 S50\nM220 B\nM220 S100\nM220 R", 10),
        (MARLIN, "G1 F1200\nM220 S50\nM220 B S100\nM220 R", 10),
        (KLIPPER, "G1 F1200\nM220 S50\nM220 B\nM220 S100\nM220 R", 20),
        (KLIPPER, "G1 F0", 25), (RRF, "G1 F0", 0), (RRF, "G1 F-5", 0),  # there: as slow as it can
        (MARLIN, "G1 F0", 4000 / 60), (MARLIN, "G1 F-5", 4000 / 60), (MARLIN, "G20\nG1 F60", 25.4),
    ],
)  # fmt: skip
def test_speed_in_force(dialect, text, feed):
    assert only(text + "\nG1 X1\n", dialect)["f"] == approx(feed)


@pytest.mark.parametrize(
    ("dialect", "text", "fed"),
    [
        (MARLIN, "M221 S97\nG1 X1 E10", 9.7), (MARLIN, "M221 S97\nG1 E10", 9.7),
        (RRF, "M221 S97\nG1 X1 E10", 9.7), (RRF, "M221 S97\nG1 E10", 10),  # E alone is not scaled
        (KLIPPER, "M221 S97\nM221\nG1 X1 E10", 10), (MARLIN, "M221 S97\nM221\nG1 X1 E10", 9.7),
        (MARLIN, "M221 T1 S50\nG1 X1 E10", 10), (MARLIN, "M221 T1 S50\nT1\nG1 X1 E10", 5),
        (KLIPPER, "M221 T1 S50\nG1 X1 E10", 5), (RRF, "M221 D1 S50\nT1\nG1 X1 E10", 5),
        (MARLIN, "M221 T99 S50\nG1 X1 E10", 10),
        (MARLIN, "G20\nG1 X1 E1", 25.4), (KLIPPER, "G20\nG1 X1 E1", 1),
        (MARLIN, "M200 D2\nG1 X1 E10", 10 / math.pi), (RRF, "M200 D2\nG1 X1 E10", 10 / math.pi),
        (KLIPPER, "M200 D2\nG1 X1 E10", 10),
        (MARLIN, "M200 D2\nM200 D0\nG1 X1 E10", 10), (MARLIN, "M200 D2\nM200 S0\nG1 X1 E10", 10),
        (MARLIN, "M200 D2 S0\nM200 S1\nG1 X1 E10", 10 / math.pi),
        (MARLIN, "M200 T1 D2\nG1 X1 E10", 10 / (math.pi * 1.75**2 / 4)),
        (RRF, "M200 D2\nT1\nG1 X1 E10", 10 / math.pi),
        (MARLIN, "M200 D2\nM221 S50\nG1 X1 E-10", -5 / math.pi),
    ],
)  # fmt: skip
def test_filament_that_goes_through(dialect, text, fed):
    assert only(text + "\n", dialect)["e"] == approx(fed, rel=1e-14)


@pytest.mark.parametrize(
    ("dialect", "text", "seconds"),
    [
        (MARLIN, "G4 S2", 2), (MARLIN, "G4 P250", 0.25), (MARLIN, "G4 S2 P250", 2), (MARLIN, "G4", 0),
        (KLIPPER, "G4 S2", 0), (KLIPPER, "G4 P250", 0.25), (KLIPPER, "G4 S2 P250", 0.25),
        (RRF, "G4 S.5", 0.5), (RRF, "G4 P-9", 0),
    ],
)  # fmt: skip
def test_dwell(dialect, text, seconds):
    row = only(text, dialect)
    assert (row["op"], row["e"]) == (rows.DWELL, approx(seconds))


def test_set_position_shifts_the_origin_and_homing_takes_the_shift_out():
    moves, scanner = scanned("G1 X10 Y5\nG92 X0 E3\nG1 X5 E4\nG28 X\nG1 X5\n")
    assert [(row["op"], row["arg"]) for row in moves] == [
        (rows.MOVE, 3), (rows.SET_POSITION, 9), (rows.LAYER, 1), (rows.MOVE, 9), (rows.HOME, 1),
        (rows.MOVE, 1),
    ]  # fmt: skip
    assert [row["x"] for row in moves if row["op"] == rows.MOVE] == [10, 15, 5]
    assert moves[3]["e"] == 1
    assert (scanner.homed, scanner.y) == (rows.X, 5)


def test_position_is_known_where_the_file_says_it():
    text = "G28\nG91\nG1 Z5\nG90\nG1 X3\nG29\nG1 Y3 Z1\nG1 X2\n"
    known = [scanned("\n".join(text.splitlines()[:count]))[1].known for count in range(1, 9)]
    assert known == [0, 0, 0, 0, rows.X, 0, rows.Y | rows.Z, rows.X | rows.Y | rows.Z]


@pytest.mark.parametrize("start", ["PRINT_START BED=60 EXTRUDER=214", "start_print hotend_temp=210"])
def test_after_a_start_macro_nothing_is_known_until_the_file_says_so(start):
    _, scanner = scanned(f"G28\nG1 X1 Y1 Z1\n{start}\n", KLIPPER)
    assert (scanner.known, scanner.stated, scanner.macro) == (0, 0, 3)
    _, scanner = scanned(f"{start}\nG90\nM83\nG1 X1\n", KLIPPER)
    assert (scanner.known, scanner.stated, scanner.macro) == (rows.X, 3, 1)


def test_a_users_macro_may_move_but_own_commands_do_not():
    assert scanned("G1 X1 Y1 Z1\nCLEAN_NOZZLE\n", KLIPPER)[1].known == 0
    assert scanned("G1 X1 Y1 Z1\nEXCLUDE_OBJECT_START NAME=a\nset_pin pin=a\n", KLIPPER)[1].known == 7


@pytest.mark.parametrize("twin", TWINS)
def test_firmware_retraction_once_and_again(twin):
    text = "G10\nG10\nG11\nG11\nG10 P0 S200\nT1\nG10 R0\n"
    marlin = [("RETRACT", 1), ("RETRACT", 0), ("UNRETRACT", 1), ("UNRETRACT", 0), ("RETRACT", 1), ("TOOL", 1)]
    assert ops(text, twin=twin) == [*marlin, ("RETRACT", 1)]
    rrf = [*marlin[:4], ("COMMAND", 0), ("TOOL", 1), ("COMMAND", 0)]  # P S R set temperatures there
    assert ops(text, RRF, twin=twin) == rrf
    assert scanned("G10", twin=twin)[1].retracted
    assert not scanned("G10\nT1", twin=twin)[1].retracted  # per tool
    assert scanned("G10\nT1", KLIPPER, twin=twin)[1].retracted  # one for all


def test_acceleration_words_and_their_absence():
    row = only("M204 P1500 T2000")
    assert (row["op"], row["y"], row["e"]) == (rows.ACCELERATION, 1500, 2000)
    assert math.isnan(row["x"])
    assert math.isnan(row["z"])


@pytest.mark.parametrize("twin", TWINS)
def test_arcs(twin):
    row = only("G1 X10\nG2 X0 I-5 E1 F600\n", marks=1, twin=twin)
    assert (row["op"], row["arg"]) == (rows.ARC, rows.X | rows.E | rows.F | rows.CLOCKWISE)
    assert (row["x"], row["i"], row["j"], row["e"], row["f"]) == (0, -5, 0, 1, 10)
    circle, scanner = scanned("M83\nG3 I5 E1\n", marks=1, twin=twin)
    assert [row["op"] for row in circle] == [rows.ARC]  # ends where it began: a full circle
    assert scanner.x == 0
    assert only("G3 X10 R5", twin=twin)["arg"] == rows.X | rows.RADIUS_FORM
    assert ops("G3 X10\nG3 R5\nG1 X1", twin=twin) == [("MOVE", 1)]  # no centre, no arc


@pytest.mark.parametrize("text", ["G3 X10 R5 F600 E3", "G91\nG3 X10 I5 F600 E3"])
def test_klipper_refuses_arcs_by_radius_and_in_g91(text):
    [row], scanner = scanned(text, KLIPPER, 1)
    assert row["op"] == rows.ARC
    assert row["arg"] & rows.RADIUS_FORM  # says so to whoever plans
    assert (scanner.x, scanner.e, scanner.feed, scanner.refused) == (0, 0, 25, 1)


def test_klipper_states():
    text = "G1 X1 E2 F600\nSAVE_GCODE_STATE NAME=a\nG91\nM83\nM221 S50\nG1 X5 E9 F60\n"
    text += "RESTORE_GCODE_STATE NAME=a{}\nG1 X2 E3\n"
    last, scanner = scanned(text.format(""), KLIPPER, 1)
    assert (last[-1]["x"], last[-1]["e"], last[-1]["f"], scanner.flow_factor) == (2, 1, 10, 1)
    back = scanned(text.format(" MOVE=1 MOVE_SPEED=40"), KLIPPER, 1)[0][-2]
    assert (back["op"], back["line"], back["x"], back["f"]) == (rows.MOVE, 7, 1, 40)
    assert scanned("RESTORE_GCODE_STATE NAME=b\n", KLIPPER)[0] == []
    assert ops("ACTIVATE_EXTRUDER EXTRUDER=extruder1", KLIPPER) == [("TOOL", 1)]


def test_reprapfirmware_stacks_modes_and_reads_on_after_them():
    [row], scanner = scanned("G1 F600\nM120\nG91 M83 G1 X1 F60\nM121\n", RRF, 1)
    assert (row["x"], row["f"]) == (1, 1)
    assert (scanner.absolute, scanner.m82, scanner.feed) == (1, 1, 10)
    assert ops("G91 G1 X1", MARLIN) == []  # the others read the first command only


def test_unknown_commands_are_kept_and_counted():
    text = "M1002 x\nM1002\nG99\nFROTH A=1\nM104 S200\nM73 P1\nM106 S9\nT77\n;c\n"
    assert ops(text) == [("COMMAND", 0)] * 6
    _, scanner = scanned(text)
    assert scanner.unknown == {"M1002": 2, "G99": 1, "FROTH": 1, "T77": 1}
    assert scanner.inert == 2
    assert scanned("M201 X1\nM204 S1\nSET_PIN PIN=a\n", KLIPPER)[1].unknown == {"M201": 1}
    assert scanned("M572 D0 S.05\nM116\n", RRF)[1].unknown == {}


def test_layer_marks_of_each_family():
    text = ";LAYER_CHANGE\n; CHANGE_LAYER\r\n;LAYER:-2\n;LAYER:0\n"
    text += "; x = ;LAYER_CHANGE\n;LAYER:x\n ;LAYER_CHANGE\n"
    found = [[(row["arg"], row["line"]) for row in scanned(text, MARLIN, marks)[0]] for marks in range(4)]
    assert found == [[], [(1, 1)], [(1, 2)], [(1, 3), (2, 4)]]


def test_without_marks_each_rise_with_filament_is_a_layer():
    text = "M83\nG1 Z5\nG1 Z.2\nG1 X1 E1\nG1 Z.6\nG1 Z.4\nG1 X2\nG1 X3 E1\n"  # 1 begins here, then 2
    text += "G1 E1\nG1 Z.2\nG1 X4 E1\nG1 Z.4\nG1 X5 E1\n"  # falls back, and rises to 3
    assert [row["line"] for row in scanned(text)[0] if row["op"] == rows.LAYER] == [4, 8, 13]


def test_the_box_of_low_motion():
    scanner = scan.Scanner(0, 1)
    scanner.watch_z = 2.0
    scanned("G1 X50\nG1 Y50\nG1 Z1\nG1 X10 Y10\nG3 X20 Y10 I5 J0\nG1 Z3\nG1 X-90\n", scanner=scanner)
    box = (scanner.box_min_x, scanner.box_min_y, scanner.box_max_x, scanner.box_max_y)
    assert box == approx((10, 5, 50, 50))  # at first Y is unknown; the arc bulges down to 5
    scanner.reset_box()
    scanned("G1 X99\n", scanner=scanner)
    assert scanner.box_min_x > scanner.box_max_x  # Z 3 is above the watched height
    assert scan.Scanner(0, 1).watch_z == -math.inf


def slow_beyond(data, kind, bounds):
    """Return what goes beyond *bounds*, found from the naive twin's rows."""
    twin = NaiveScan(*kind)
    found, before = {}, (0.0, 0.0)
    for row in twin.scan(data):
        refused = kind[0] == KLIPPER and row["op"] == rows.ARC and (row["arg"] & 64 or not twin.g90)
        x, y, z = twin.position.values()
        # a move from a macro's own state (RESTORE_GCODE_STATE MOVE=1) goes back where the head was
        macro = data[row["start"] : row["start"] + row["length"]].lstrip().startswith(b"RESTORE")
        if row["op"] in (rows.MOVE, rows.ARC) and not refused and not macro:
            arc = row["op"] == rows.ARC
            box = (
                arcs.box_of(before, (x, y), row["i"], row["j"], row["arg"]) if arc else (x, y, x, y)
            )  # tested below
            lays = row["e"] > 0 and (arc or (x, y) != before)
            for side, (axis, value) in enumerate(zip("XYXYZ", (*box, z), strict=True)):
                at = side + (0 if lays else 5)
                further = value < bounds[at] if side < 2 else value > bounds[at]
                if axis in twin.known and further:
                    seen = found.setdefault(at, [])
                    seen.append((value, row["line"]))
        if (
            row["op"] != rows.LAYER
        ):  # such a row stands before that of its move, which the twin has made by then
            before = (x, y)
    return {
        at: (
            (seen[0][1], seen[0][0]),
            (min if at % 5 < 2 else max)(value for value, _ in seen),
        )
        for at, seen in found.items()
    }


limits = st.lists(st.sampled_from([0.0, 1.0, 3.0, 20.0, 90.0, math.inf]), min_size=10, max_size=10).map(
    lambda numbers: [-number if at % 5 < 2 else number for at, number in enumerate(numbers)]
)


@pytest.mark.parametrize("twin", TWINS)
@given(files, kinds, limits, st.lists(st.integers(0, 400), max_size=3))
@example(
    "G1 X5 Y5\nG3 X7 I1 E1\nG2 X5 R-9\nG1 X95 E2\nG1 X-2\nG1 Z25", (MARLIN, 0), [0.0, 0, 9, 9, 9] * 2, []
)
@example("G0 RESTORE_GCODE_STATE X1", (MARLIN, 0), [0.0] * 10, [])
@example("G91\nG1 X25\nG90\nG1 Y3.5 E1\nG92 Y0\nG1 Y60 E2\n", (KLIPPER, 0), [0.0, 0, 9, 9, 9] * 2, [3])
@settings(max_examples=300)
def test_what_goes_beyond_bounds_is_what_a_slow_look_finds(twin, text, kind, bounds, cuts):
    data = text.encode("latin-1")
    scanner = module(twin).Scanner(*map(int, kind))
    scanner.bounds = array("d", bounds)
    ends = sorted({data.find(b"\n", cut) + 1 for cut in cuts if data.find(b"\n", cut) >= 0})
    scanned(data, cuts=ends, scanner=scanner)
    mine = {at: (found[:2], found[3]) for at, found in scanner.beyond.items()}
    theirs = slow_beyond(data, kind, bounds)
    assert mine.keys() == theirs.keys()
    for at, (first, furthest) in theirs.items():
        assert mine[at][0] == approx(first)
        assert mine[at][1] == approx(furthest)
        assert scanner.bounds[at] == mine[at][1]


angles = st.floats(0, math.tau)


@given(
    st.floats(-50, 50), st.floats(-50, 50), st.floats(0.1, 50), angles, angles, st.booleans(), st.booleans()
)
def test_the_box_of_an_arc_is_that_of_many_points_on_it(cx, cy, radius, begin, end, clockwise, by_radius):
    arg = rows.CLOCKWISE if clockwise else 0
    sweep = (begin - end if clockwise else end - begin) % math.tau or math.tau
    if sweep < 1e-3 or sweep > math.tau - 1e-3 or abs(sweep - math.pi) < 1e-3:
        return  # rounding decides which way round
    along = [begin + (-1 if clockwise else 1) * sweep * part / 2000 for part in range(2001)]
    points = [(cx + radius * math.cos(angle), cy + radius * math.sin(angle)) for angle in along]
    i, j = cx - points[0][0], cy - points[0][1]
    if by_radius:
        arg, i, j = arg | rows.RADIUS_FORM, radius if sweep < math.pi else -radius, 0.0
    box = arcs.box_of(points[0], points[-1], i, j, arg)
    xs, ys = zip(*points, strict=True)
    assert box == approx((min(xs), min(ys), max(xs), max(ys)), abs=radius * 1e-4)


# --- samples whose truth is known ------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(TRUTH))
def test_samples(name):
    truth = TRUTH[name]
    data = lzma.decompress((SAMPLES / f"{name}.gcode.xz").read_bytes())
    marks = {"A": 1, "C-end": 1, "C-top": 2, "B": 3, "A-old": 0}[truth["family"]]
    found, scanner = scanned(data, Dialect.named(truth["dialect"]), marks, capacity=rows.CAPACITY)
    assert scanner.line == truth["lines"]
    assert scanner.layer == truth["layers"]
    fed, tool = {}, 0
    for row in found:
        if row["op"] == rows.TOOL:
            tool = row["arg"]
        elif row["op"] in (rows.MOVE, rows.ARC):
            fed[tool] = fed.get(tool, 0.0) + row["e"]
    assert list(fed.values()) == approx(truth.get("fed_mm", truth["filament_mm"]), abs=0.051)
    macros = {"PRINT_START", "PRINT_END", "START_PRINT", "END_PRINT"}
    assert set(scanner.unknown) <= macros
    assert scanner.stray == 0


@pytest.mark.parametrize(
    "name", ["a07-spacer-ring-petg-volumetric-crlf", "a06-spacer-rings-pla285-sequential-absE"]
)
def test_samples_read_the_same_by_all_three(name):
    data = lzma.decompress((SAMPLES / f"{name}.gcode.xz").read_bytes())[:120_000]
    fast = scanned(data, MARLIN, 1)[0]
    assert fast == scanned(data, MARLIN, 1, twin=None)[0]
    same(fast, list(NaiveScan(MARLIN, 1).scan(data)))


def test_the_kernels_numbers_are_those_of_rows_and_dialects():
    kernel = interpreted("gcodetool.gcode.scan")
    for name in [*OP, "X", "Y", "Z", "E", "F", "CLOCKWISE", "RADIUS_FORM"]:
        if hasattr(kernel, name):
            assert getattr(kernel, name) == getattr(rows, name), name
    for name in ("UNKNOWN", "INERT", "KEPT", "ROAMING", "MODAL"):
        assert getattr(kernel, name) == getattr(dialects, name)
    assert list(Dialect) == [kernel.MARLIN, kernel.KLIPPER, kernel.REPRAPFIRMWARE]
