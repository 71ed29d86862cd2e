"""Which firmware a file is for, and the words of a command line in any dialect."""

import lzma
import pathlib
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool.gcode import dialects, markers
from gcodetool.gcode.dialects import Dialect, command, detect

SAMPLES = pathlib.Path(__file__).parent / "data" / "gcode"
TRUTH = tomllib.loads((SAMPLES / "expected.toml").read_text("utf-8"))
MARLIN, KLIPPER, RRF = Dialect


@pytest.mark.parametrize("name", sorted(TRUTH))
def test_samples(name):
    text = lzma.decompress((SAMPLES / f"{name}.gcode.xz").read_bytes())
    family = markers.family(text, text)
    found = detect(text, text, markers.facts(text, text, family))
    assert found.dialect is Dialect.named(TRUTH[name]["dialect"])
    assert found.sure is TRUTH[name].get("sure", True)
    assert found.fork is (TRUTH[name]["family"] == "C-top")


@pytest.mark.parametrize(
    ("text", "dialect", "sure", "fork", "because"),
    [
        (b"PRINT_START EXTRUDER=214\n; gcode_flavor = marlin2\n", KLIPPER, True, False, "PRINT_START EX"),
        (b"START_PRINT\r\n;FLAVOR:Marlin\r\n", KLIPPER, True, False, "START_PRINT"),
        (b"G10 P0 S200 R150\n", RRF, True, False, "G10 P0 S200 R150"),
        (b"M116 P0\n", RRF, True, False, "M116 P0"),
        (b"M620 S0A\n; gcode_flavor = marlin\n", MARLIN, False, True, "M620 S0A"),
        (b"M400 U1\n", MARLIN, False, True, "M400 U1"),
        (b"; gcode_flavor = klipper\n", KLIPPER, True, False, "the flavour is klipper"),
        (b";FLAVOR:Marlin(Volumetric)\r\n", MARLIN, True, False, "marlin(volumetric)"),
        (b"; gcode_flavor = reprapfirmware\n", RRF, True, False, "reprapfirmware"),
        (b"; gcode_flavor = repetier\n", MARLIN, False, False, "repetier fits several firmwares"),
        (b"; gcode_flavor = reprap\nM900 K0.05\n", MARLIN, True, False, "M900 K0.05"),
        (b"M205 X8 J0.013\n", MARLIN, True, False, "M205 X8 J0.013"),
        (b"G1 X1\n", MARLIN, False, False, "does not say"),
        (b"", MARLIN, False, False, "does not say"),
        # Words in comments, settings and texts prove nothing.
        (b"; start_gcode = PRINT_START BED=60\\nM116\n;PRINT_START\n", MARLIN, False, False, "does not say"),
        (b"M117 PRINT_START\n", MARLIN, False, False, "does not say"),
        (b"G10\nG10 S1\nM400\nM205 X8 Y8\n", MARLIN, False, False, "does not say"),
    ],
)  # fmt: skip
def test_content_outranks_the_flavour_key(text, dialect, sure, fork, because):
    found = detect(text, text)
    assert (found.dialect, found.sure, found.fork) == (dialect, sure, fork)
    assert because in found.reason


def test_the_printers_setting_outranks_the_file():
    found = detect(b"PRINT_START EXTRUDER=214\n", b"", setting="marlin")
    assert (found.dialect, found.sure) == (MARLIN, True)
    assert "printer" in found.reason
    assert detect(b"", b"", setting=RRF).dialect is RRF
    closed = detect(b"M620 S0A\n", b"", setting="marlin")  # no setting makes a fork's own commands known
    assert (closed.dialect, closed.sure, closed.fork) == (MARLIN, True, True)
    assert not detect(b"M620 S0A\n", b"", setting="klipper").fork
    with pytest.raises(KeyError):
        detect(b"", b"", setting="basic")


def test_names_come_back():
    assert [Dialect.named(dialect.label) for dialect in Dialect] == list(Dialect)


@pytest.mark.parametrize(
    ("line", "name", "words", "text"),
    [
        (b"M104 S200 T1 ; nozzle", "M104", {"S": 200.0, "T": 1.0}, "S200 T1"),
        (b"N12 m104s200*57\r\n", "M104", {"S": 200.0}, "s200"),
        (b"G1X1Y-.5", "G1", {"X": 1.0, "Y": -0.5}, "X1Y-.5"),
        (b"G01 X 1 Y", "G1", {"X": 1.0, "Y": ""}, "X 1 Y"),
        (b"G92.1", "G92.1", {}, ""),
        (b"M201 E500:400 X9000", "M201", {"E": "500:400", "X": 9000.0}, "E500:400 X9000"),
        (b'M291 P"take ""it""; off" R"wet" S2', "M291", {"P": 'take "it"; off', "R": "wet", "S": 2.0}, None),
        (b"M117 open the box", "M117", {}, "open the box"),
        (b"M0 S10", "M0", {"S": 10.0}, "S10"),
        (b"M0 Inspect", "M0", {}, "Inspect"),
        (b"PRINT_START EXTRUDER=214 MATERIAL=PA12 BED = 60", "PRINT_START",
         {"EXTRUDER": 214.0, "MATERIAL": "PA12", "BED": 60.0}, None),
        (b"set_pressure_advance advance=0.042 # note", "SET_PRESSURE_ADVANCE", {"ADVANCE": 0.042}, None),
        (b'RESPOND MSG="wet; dry it" TYPE=echo', "RESPOND", {"MSG": "wet; dry it", "TYPE": "echo"}, None),
        (b"EXCLUDE_OBJECT_DEFINE NAME=a CENTER=1,2", "EXCLUDE_OBJECT_DEFINE",
         {"NAME": "a", "CENTER": "1,2"}, None),
        (b"T0", "T0", {}, ""),
        (b"Tx", "TX", {}, ""),
        (b"; comment", "", {}, ""),
        (b"", "", {}, ""),
        (b"M104 S" + b"9" * 400, "M104", {"S": "9" * 400}, None),
        ("M117 Düse °C".encode(), "M117", {}, "Düse °C"),
        (b"G4 (wait) P100", "G4", {"P": 100.0}, None),
    ],
)  # fmt: skip
def test_command_lines(line, name, words, text):
    said = command(line)
    assert (said.name, dict(said.words)) == (name, words)
    if text is not None:
        assert said.text == text


@given(st.binary(max_size=80))
def test_any_line_is_some_command(line):
    said = command(line)
    assert said.name == said.name.upper()
    assert all(isinstance(value, float | str) for value in said.words.values())
    assert all(isinstance(said.number(key), float | None) for key in said.words)


words = st.dictionaries(
    st.sampled_from("SPTRXYZEFKDJ"), st.floats(-1e6, 1e6).map(lambda value: round(value, 5))
)


@given(st.sampled_from(["M104", "M205", "G10", "M900"]), words)
def test_a_printed_command_reads_back(name, pairs):
    line = " ".join([name, *(f"{letter}{value:.5f}" for letter, value in pairs.items())])
    assert command(line.encode()).words == pairs


@pytest.mark.parametrize(
    ("line", "is_start"),
    [
        (b"PRINT_START EXTRUDER=214 BED=60", True), (b"start_print nozzle_temp=250", True),
        (b"MY_START TOOL_TEMPERATURE = 220", True), (b"PRINT_START BED=60", False), (b"PRINT_START", False),
        (b"EXCLUDE_OBJECT_START NAME=NOZZLE", False), (b"PRINT_START BED=60 ; EXTRUDER=214", False),
        (b"M109 S200", False),
    ],
)  # fmt: skip
def test_start_macros(line, is_start):
    assert dialects.is_start_macro(line) is is_start


def test_tables_hold_what_the_dialects_know():
    def kind(table, code):
        return table[Dialect.MARLIN][code], table[Dialect.KLIPPER][code], table[Dialect.REPRAPFIRMWARE][code]

    kept, unknown, inert, roaming, modal = (
        dialects.KEPT,
        dialects.UNKNOWN,
        dialects.INERT,
        dialects.ROAMING,
        dialects.MODAL,
    )
    assert kind(dialects.M_TABLES, 104) == (kept, kept, kept)
    assert kind(dialects.M_TABLES, 106) == (inert, inert, inert)
    assert kind(dialects.M_TABLES, 0) == (kept, unknown, kept)
    assert kind(dialects.M_TABLES, 201) == (kept, unknown, kept)
    assert kind(dialects.M_TABLES, 207) == (kept, unknown, kept)
    assert kind(dialects.M_TABLES, 900) == (kept, unknown, unknown)
    assert kind(dialects.M_TABLES, 566) == (unknown, unknown, kept)
    assert kind(dialects.M_TABLES, 600) == (roaming, unknown, roaming)
    assert kind(dialects.M_TABLES, 120) == (inert, unknown, modal)
    assert kind(dialects.M_TABLES, 220) == (modal, modal, modal)
    assert kind(dialects.G_TABLES, 29) == (roaming, unknown, roaming)
