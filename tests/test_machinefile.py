"""A printer profile from the machine itself: each limit in its key and unit, what was passed over, bad input."""

import math
import os
import pathlib
import re
import tempfile

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool import machinefile, profiles
from gcodetool.cli.main import outcome
from gcodetool.errors import GcodetoolError, ProfileError
from gcodetool.machinefile import Machine, passed_over, printer_of, read, to_toml

MACHINES = pathlib.Path(__file__).parent / "data" / "machines"
CLASSIC = MACHINES / "m503.txt"
DEVIATION = MACHINES / "m503-deviation.txt"
KLIPPER = MACHINES / "klipper" / "printer.cfg"
RRF = MACHINES / "rrf" / "config.g"


def made(machine: Machine, folder: pathlib.Path) -> profiles.Printer:
    """Write a machine's profile, and return it as everybody reads it."""
    path = folder / "made.toml"
    path.write_text(to_toml(machine), encoding="utf-8")
    found = profiles.printer(path)
    assert found == printer_of(machine, path.read_text(encoding="utf-8"))
    return found


def written(folder: pathlib.Path, text: str, name: str = "machine.txt") -> pathlib.Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def skipped(machine: Machine) -> dict[str, str]:
    """Return what was passed over, and why."""
    return {skip.what: skip.why for skip in machine.skipped}


# ---------------------------------------------------------------- the print host

CAPABILITIES = "Recv: FIRMWARE_NAME:Marlin\nRecv: Cap:EMERGENCY_PARSER:1\nRecv: Cap:HOST_ACTION_COMMANDS:1\n"


@pytest.mark.parametrize(("answer", "prompts"), [("", None), ("1", True), ("0", False)])
def test_the_answer_to_m115_says_whether_m0_opens_a_dialog(answer, prompts, tmp_path: pathlib.Path) -> None:
    capability = f"Recv: Cap:PROMPT_SUPPORT:{answer}\n" if answer else ""
    source = written(tmp_path, CLASSIC.read_text(encoding="utf-8") + CAPABILITIES + capability)
    machine = read(source)
    assert made(machine, tmp_path).host_prompts is prompts
    assert ("prompts" in to_toml(machine)) == (prompts is not None)


def test_klippers_respond_section_lets_files_open_dialogs(tmp_path: pathlib.Path) -> None:
    text = "[printer]\nmax_velocity: 300\nmax_accel: 3000\n"
    assert made(read(written(tmp_path, text)), tmp_path).host_prompts is None
    machine = read(written(tmp_path, text + "[respond]\ndefault_type: echo\n"))
    assert made(machine, tmp_path).host_prompts is True
    assert "machine.txt:4" in to_toml(machine)
    assert not any("respond" in what for what in skipped(machine))


# ---------------------------------------------------------------- Marlin


def test_a_log_with_two_reports_gives_the_last_ones_limits(tmp_path: pathlib.Path) -> None:
    machine = read(CLASSIC)
    printer = made(machine, tmp_path)
    assert (printer.name, printer.dialect) == ("m503", "marlin")
    assert printer.marlin == {
        "M92": {"X": 80, "Y": 80, "Z": 400, "E": 93},
        "M201": {"X": 500, "Y": 500, "Z": 100, "E": 5000},
        "M203": {"X": 500, "Y": 500, "Z": 5, "E": 25},
        "M204": {"P": 500, "R": 1000, "T": 500},
        "M205": {"X": 8, "Y": 8, "Z": 0.4, "E": 5, "S": 0, "T": 0, "B": 20000},
    }
    assert "M207" not in printer.marlin  # only in the first report: compiled out since
    assert printer.bed_mm == (0, 0, 220, 220)
    assert printer.height_mm == 250
    assert machine.remarks == ("2 reports in m503.txt: the last one counts",)


def test_the_shipped_profile_of_bench_2_has_the_same_limits() -> None:
    """The workshop's machine and the log it wrote tell the same."""
    limits = profiles.printer("bench-2").marlin
    found = machinefile.read(CLASSIC).data()["marlin"]
    assert {word: {letter: found[word][letter] for letter in limits[word]} for word in limits} == limits


def test_what_the_report_says_beside_limits_is_listed_and_counted() -> None:
    lines = "\n".join(passed_over(read(CLASSIC)))
    assert lines.startswith("skipped: 8\n")
    assert "  M145 ×2: presets of materials   # m503.txt:36,37" in lines
    assert "  M301: heater control   # m503.txt:39" in lines
    assert "M203" not in lines


def test_a_bare_report_of_a_build_with_junction_deviation(tmp_path: pathlib.Path) -> None:
    machine = read(DEVIATION, name="bench-3")
    printer = made(machine, tmp_path)
    assert printer.name == "bench-3"
    assert printer.marlin["M205"] == {"J": 0.02, "S": 0, "T": 0, "B": 20000}
    assert printer.marlin["M207"] == {
        "S": 1,
        "F": 2400,
        "Z": 0,
    }  # mm/min, as the report and the profile count
    assert printer.marlin["M208"] == {"S": 0, "F": 1800}
    assert printer.marlin["M92"]["E"] == 93  # the first extruder's
    assert printer.marlin["M900"] == {"K": 0}  # compiled in: a job's own M900 counts
    assert skipped(machine)["M92 T1"].startswith("a further extruder")
    assert printer.bed_mm is None


def test_two_digits_of_junction_deviation_are_remarked() -> None:
    text = DEVIATION.read_text(encoding="utf-8").replace("J0.02", "J0.01")
    with tempfile.TemporaryDirectory() as folder:
        machine = read(written(pathlib.Path(folder), text))
    assert "0.013 looks the same" in machine.remarks[0]


def test_a_single_answer_after_the_report_counts(tmp_path: pathlib.Path) -> None:
    text = CLASSIC.read_text(encoding="utf-8") + "Recv: echo:  M92 X80.00 Y80.00 Z400.00 E97.50\n"
    assert made(read(written(tmp_path, text)), tmp_path).marlin["M92"]["E"] == 97.5
    assert made(read(written(tmp_path, text)), tmp_path).marlin["M203"]["X"] == 500


@pytest.mark.parametrize(
    "prefix",
    ["", "echo:", "Recv: ", "Recv: echo:  ", "[12:00:01] ", "12:00:01.5 : Recv: echo:", "<<< echo: "],
)
def test_prefixes_of_terminals_change_nothing(prefix: str, tmp_path: pathlib.Path) -> None:
    body = (
        "M201 X500.00 Y400.00\nM203 X300.00 Z5.00 ; note\nM204 P500.00 R1000.00 T600.00\nM205 X8.00 Y7.00\n"
    )
    text = "".join(f"{prefix}{line}\n" for line in body.splitlines())
    assert read(written(tmp_path, text)).data()["marlin"] == {
        "M201": {"X": 500, "Y": 400},
        "M203": {"X": 300, "Z": 5},
        "M204": {"P": 500, "R": 1000, "T": 600},
        "M205": {"X": 8, "Y": 7},
    }


@pytest.mark.parametrize("prefix", ["Send: ", ">>> ", "12:00:01 >>> ", "Sent: N4 "])
def test_what_was_sent_is_no_report(prefix: str, tmp_path: pathlib.Path) -> None:
    text = CLASSIC.read_text(encoding="utf-8") + f"{prefix}M203 X1.00\n"
    assert read(written(tmp_path, text)).data()["marlin"]["M203"]["X"] == 500


def test_older_releases_words_are_translated_and_said(tmp_path: pathlib.Path) -> None:
    text = "echo:  M201 X900\necho:  M203 X500\necho:  M204 S800.00 T3000.00\necho:  M205 S0.00 T0.00 X20.00 Z0.40\n"
    machine = read(written(tmp_path, text))
    assert machine.data()["marlin"]["M204"] == {"P": 800, "R": 3000, "T": 800}
    assert machine.data()["marlin"]["M205"]["Y"] == 20
    assert "older releases state one jerk" in to_toml(machine)


def test_a_report_in_inches_is_refused(tmp_path: pathlib.Path) -> None:
    path = written(tmp_path, CLASSIC.read_text(encoding="utf-8").replace("G21 ", "G20 "))
    with pytest.raises(ProfileError, match=r"machine\.txt:18: the report counts in inches; send G21"):
        read(path)


def test_a_build_that_states_both_corners_plans_by_deviation(tmp_path: pathlib.Path) -> None:
    text = DEVIATION.read_text(encoding="utf-8").replace("J0.02", "J0.02 X10.00 Y10.00 Z0.30 E5.00")
    machine = read(written(tmp_path, text))
    assert made(machine, tmp_path).marlin["M205"] == {"J": 0.02, "S": 0, "T": 0, "B": 20000, "E": 5}
    assert "M205 Z" in skipped(machine)


def test_a_number_that_no_machine_has_is_passed_over(tmp_path: pathlib.Path) -> None:
    text = (
        DEVIATION.read_text(encoding="utf-8").replace("J0.02", "J0.00").replace("M203 X300.00", "M203 X0.00")
    )
    machine = read(written(tmp_path, text))
    assert skipped(machine)["M205 J"] == "J is 0, but must be from 0.01 to 0.3"
    assert set(made(machine, tmp_path).marlin["M203"]) == {"Y", "Z", "E"}


# ---------------------------------------------------------------- Klipper


def test_a_configuration_with_includes_and_a_saved_block(tmp_path: pathlib.Path) -> None:
    machine = read(KLIPPER, name="bench-1")
    printer = made(machine, tmp_path)
    assert printer.klipper == {
        "max_velocity": 300,  # the last [printer]
        "max_accel": 3000,
        "max_z_velocity": 15,
        "max_z_accel": 300,
        "square_corner_velocity": 6,  # of an included file
        "minimum_cruise_ratio": 0.5,  # 1 - 1500 / 3000
        "max_extrude_only_velocity": pytest.approx(300 * 4 * 0.4**2 / (math.pi * 1.75**2 / 4)),
        "max_extrude_only_accel": 800,
        "instantaneous_corner_velocity": 1.5,  # the saved block wins over the include
        "arc_resolution": 0.5,
    }
    assert printer.klipper_firmware_retraction == {
        "retract_length": 1.2,
        "retract_speed": 35,
        "unretract_extra_length": 0,
        "unretract_speed": 10,
    }
    assert printer.bed_mm == (-2, 0, 250, 210)
    assert printer.height_mm == 210
    assert (printer.hot_end.nozzle_mm, printer.hot_end.max_temperature_C) == (0.4, 285)


def test_sections_and_options_without_limits_are_grouped() -> None:
    said = skipped(read(KLIPPER))
    assert said["[gcode_macro …]"] == "macros"
    assert said["[extruder1]"].startswith("a further extruder")
    assert said["[extruder] max_extrude_cross_section"].startswith("refuses thick")
    assert said["[stepper_x] step_pin"] == "not about limits"
    lines = "\n".join(passed_over(read(KLIPPER)))
    assert "[gcode_macro …] ×2: macros   # printer.cfg:36,43" in lines
    assert not any("max_velocity" in what for what in said)


def test_the_profile_says_which_file_each_value_came_from() -> None:
    text = to_toml(read(KLIPPER))
    assert "square_corner_velocity = 6 # limits.cfg:2\n" in text
    assert "instantaneous_corner_velocity = 1.5 # printer.cfg:62\n" in text
    assert "1 - max_accel_to_decel 1500 / max_accel 3000" in text
    assert str(MACHINES) not in text
    assert "parts/" not in text


@pytest.mark.parametrize(
    ("body", "key", "value"),
    [
        ("max_velocity = 250", "max_velocity", 250),
        ("MAX_VELOCITY: 250", "max_velocity", 250),
        ("max_velocity: 250 # mm/s", "max_velocity", 250),
        ("max_velocity: 250 ; mm/s", "max_velocity", 250),
        ("  max_velocity: 250\n  max_accel: 2e3", "max_accel", 2000),
        ("max_accel: 5000\nmax_accel_to_decel: 9000", "minimum_cruise_ratio", 0),
        ("max_accel: 5000\nmax_accel_to_decel: 1\nminimum_cruise_ratio: 0.3", "minimum_cruise_ratio", 0.3),
        ("max_accel: 5000\n#max_accel: 1", "max_accel", 5000),
        ("max_accel: 5000\nnote:\n  max_accel: 1\n\n  [printer]\n  max_accel: 2", "max_accel", 5000),
    ],
)
def test_how_the_firmware_reads_options(body: str, key: str, value: float, tmp_path: pathlib.Path) -> None:
    assert read(written(tmp_path, f"[printer]\n{body}\n")).data()["klipper"][key] == value


def test_no_retraction_section_means_no_table(tmp_path: pathlib.Path) -> None:
    head = "[printer]\nmax_velocity: 300\nmax_accel: 3000\n"
    assert made(read(written(tmp_path, head)), tmp_path).klipper_firmware_retraction is None
    empty = made(read(written(tmp_path, head + "[firmware_retraction]\n")), tmp_path)
    assert empty.klipper_firmware_retraction == {
        "retract_length": 0,
        "retract_speed": 20,
        "unretract_extra_length": 0,
        "unretract_speed": 10,
    }


def test_a_delta_has_no_rectangle(tmp_path: pathlib.Path) -> None:
    text = "[printer]\nkinematics: delta\nmax_velocity: 300\n[stepper_x]\nposition_max: 9\n[stepper_y]\nposition_max: 9\n"
    machine = read(written(tmp_path, text))
    assert "bed_mm" not in machine.data()
    assert "kinematics delta" in skipped(machine)
    assert "[printer] has no max_accel" in machine.remarks[0]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[include absent.cfg]\n", r"printer\.cfg:1: \[include absent\.cfg\]: no such file"),
        ("[include printer.cfg]\n", r"printer\.cfg:1: \[include printer\.cfg\] leads back"),
        ("[include *.cfg]\n", r"printer\.cfg:1: \[include \*\.cfg\] takes in this file itself"),
        ("[include other/*.cfg]\n", r"printer\.cfg: no \[printer\] section in it or its includes"),
        ("[printer]\nmax_velocity: fast\n", r"printer\.cfg:2: max_velocity is 'fast', not a number"),
        ("[printer]\nkinematics: none\n", r"printer\.cfg: no limit of motion in it, read as Klipper's"),
        ("[include .]\n", r"a folder, not a machine's file"),
    ],
)
def test_configurations_that_cannot_be_meant(text: str, message: str, tmp_path: pathlib.Path) -> None:
    with pytest.raises(ProfileError, match=message):
        read(written(tmp_path, text, "printer.cfg"))


def test_a_circle_of_two_files_is_one_line(tmp_path: pathlib.Path) -> None:
    path = written(tmp_path, "[printer]\n[include b.cfg]\n", "a.cfg")
    written(tmp_path, "\n[include a.cfg]\n", "b.cfg")
    with pytest.raises(ProfileError, match=r"b\.cfg:2: \[include a\.cfg\] leads back to a file"):
        read(path)


# ---------------------------------------------------------------- RepRapFirmware


def test_a_config_with_a_macro(tmp_path: pathlib.Path) -> None:
    printer = made(read(RRF, name="rig-4"), tmp_path)
    assert printer.dialect == "reprapfirmware"
    assert printer.reprapfirmware == {
        "M201": {"X": 1000, "Y": 1000, "Z": 200, "E": 500},
        "M203": {"X": 6000, "Y": 6000, "Z": 1200, "E": 6000, "I": 30},  # mm/min, as the profile counts
        "M204": {"P": 1000, "T": 1500},
        "M566": {"X": 900, "Y": 900, "Z": 600, "E": 240, "P": 1},  # E of the macro, which runs later
        "M207": {"S": 1, "R": 0, "F": 2400, "T": 1800, "Z": 0},
        "M572": 0.05,
    }
    assert printer.bed_mm == (-5, 0, 300, 300)
    assert printer.height_mm == 300
    assert (printer.hot_end.nozzle_mm, printer.hot_end.max_temperature_C) == (0.4, 300)


def test_conditions_expressions_and_missing_macros_are_listed() -> None:
    said = skipped(read(RRF))
    for what in (
        "if",
        "M203 inside a condition",
        "lines inside a condition",
        "M201 Z{global.zAccel}",
        'M98 "/sys/absent.g"',
        'M501 "config-override.g"',
        "M572 D1",
        "M143 H0",
        "M92",
        "M669",
    ):
        assert what in said, what
    assert "M563" not in said
    assert "extruder.g" not in "".join(said)


@pytest.mark.parametrize(
    ("line", "keys", "value"),
    [
        ("M203 S1 X200 Y150", ("M203", "X"), 12000),
        ("M205 X15 E5", ("M566", "X"), 900),
        ("M204 S1200", ("M204", "T"), 1200),
        ("M204 S1200 T900", ("M204", "T"), 900),
        ("M201 X1000 M203 X9000 Y9000", ("M203", "Y"), 9000),
        ('M550 P"M203 X1" M203 X9000', ("M203", "X"), 9000),
        ("m201 x1234.5", ("M201", "X"), 1234.5),
        ("M201 X(was 5)700", ("M201", "X"), 700),
    ],
)
def test_units_and_older_words(
    line: str, keys: tuple[str, str], value: float, tmp_path: pathlib.Path
) -> None:
    machine = read(written(tmp_path, f"M584 X0 Y1\nM574 X1\n{line}\n"))
    word, letter = keys
    assert machine.data()["reprapfirmware"][word][letter] == value


def test_a_speed_in_the_other_unit_is_taken_and_remarked(tmp_path: pathlib.Path) -> None:
    machine = read(written(tmp_path, "M566 X900\nM203 X200 Y200\n"))
    assert machine.data()["reprapfirmware"]["M203"]["X"] == 200
    assert "M203 X200 is 3.33 mm/s" in machine.remarks[0]


def test_axis_ends_in_two_lines_and_a_conditions_end(tmp_path: pathlib.Path) -> None:
    text = "M208 X0 Y10 Z0 S1\nM208 X200 Y210 Z180 S0\nif true\n  M208 X1\n\n  M208 X2\nM566 X600\nelse\n\tM566 X1\n"
    machine = read(written(tmp_path, text))
    assert machine.data()["bed_mm"] == [0, 10, 200, 210]
    assert machine.data()["height_mm"] == 180
    assert machine.data()["reprapfirmware"]["M566"] == {"X": 600}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("M584 X0\nG20\nM203 X200\n", r"config\.g:2: the file counts in inches \(G20\)"),
        ('M566 X1\nM98 P"config.g"\n', r"config\.g:2: M98 'config\.g' leads back to a file that is running"),
        ("M584 X0\nM550 P1\n", r"config\.g: no limit of motion in it, read as RepRapFirmware's"),
    ],
)
def test_configs_that_cannot_be_meant(text: str, message: str, tmp_path: pathlib.Path) -> None:
    with pytest.raises(ProfileError, match=message):
        read(written(tmp_path, text, "config.g"))


# ---------------------------------------------------------------- telling the kind


@pytest.mark.parametrize(
    ("source", "dialect"),
    [
        (CLASSIC, "marlin"),
        (DEVIATION, "marlin"),
        (KLIPPER.parent / "hot-end.cfg", "klipper"),
        (RRF, "reprapfirmware"),
    ],
)
def test_the_kind_is_told_by_content_not_by_name(source: pathlib.Path, dialect: str) -> None:
    text = source.read_text(encoding="utf-8")
    assert machinefile.kind_of(pathlib.Path("notes.jpg"), text) == dialect


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("the printer in the corner\n", "not a machine's file; expected Marlin's M503 report"),
        ("M201 X500\nM203 X500\n", "not a machine's file; expected"),
        ("M205 X8\nM566 X600\n", "may be either G-code firmware's; add --dialect; expected"),
        ("M203 X5\n" + "G1 X1 E1\n" * 51, "a print job, not a machine's file"),
        ("M205 X5\nM204 P1 R1 T1\n" + "G1 X1 E1\n" * 51, "a print job, not a machine's file"),
    ],
)
def test_an_unsure_kind_says_what_was_expected(text: str, what: str, tmp_path: pathlib.Path) -> None:
    with pytest.raises(ProfileError, match=re.escape(what)):
        read(written(tmp_path, text))


def test_a_stated_dialect_settles_it(tmp_path: pathlib.Path) -> None:
    path = written(tmp_path, "M201 X500\nM203 X600\n")
    assert read(path, dialect="marlin").data()["marlin"]["M203"] == {"X": 600}
    assert read(path, dialect="reprapfirmware").data()["reprapfirmware"]["M203"] == {"X": 600}


# ---------------------------------------------------------------- laws

words = st.sampled_from(
    [
        "G20",
        "G21",
        "M92",
        "M201",
        "M203",
        "M204",
        "M205",
        "M207",
        "M208",
        "M566",
        "M572",
        "M98",
        "M143",
        "M301",
        "T0",
    ]
)
numbers = st.one_of(
    st.floats(0, 1e6).map(lambda number: f"{number:.2f}"),
    st.sampled_from(["", "nan", "-", "{x}", "1:2", '"a', "1e999", "9" * 400, "-0", "."]),
)
letters = st.tuples(st.sampled_from("XYZEPRTSJFBDHIA"), numbers).map("".join)
commands = st.builds(
    lambda prefix, word, rest, tail: f"{prefix}{word} {' '.join(rest)}{tail}",
    st.sampled_from(["", "echo:  ", "Recv: ", "12:00:01 ", "  ", "if ", "; "]),
    words,
    st.lists(letters, max_size=6),
    st.sampled_from(["", " ; note", "*55", " (", '"']),
)
options = st.builds(
    lambda name, sign, value: f"{name}{sign}{value}",
    st.sampled_from(
        ["max_velocity", "max_accel", "max_accel_to_decel", "nozzle_diameter", "position_max", " x", ""]
    ),
    st.sampled_from([":", "=", " : ", ""]),
    numbers,
)
headers = st.sampled_from(
    [
        "[printer]",
        "[extruder]",
        "[stepper_x]",
        "[firmware_retraction]",
        "[",
        "[]",
        "[include ]",
        "#*#",
        "#*# <- SAVE_CONFIG ->",
    ]
)


BASES = (  # random lines behind a sound file reach further than random lines alone
    ("", None),
    (CLASSIC.read_text(encoding="utf-8"), "marlin"),
    ("[printer]\nmax_velocity: 300\nmax_accel: 3000\n[extruder]\nmax_temp: 280\n", "klipper"),
    ("M566 X900 Y900\nM208 X0:200 Y0:200\n", "reprapfirmware"),
)


@given(
    st.sampled_from(BASES),
    st.lists(st.one_of(commands, options, headers, st.text(max_size=20)), min_size=1, max_size=30).map(
        "\n".join
    ),
    st.sampled_from(["marlin", "klipper", "reprapfirmware", None]),
    st.booleans(),
)
def test_any_text_gives_a_profile_that_reads_back_or_one_line(
    base: tuple[str, str | None], more: str, stated: str | None, sound: bool
) -> None:
    text = base[0] + more
    dialect = base[1] if sound else stated
    with tempfile.TemporaryDirectory() as folder:
        path = pathlib.Path(folder) / "machine.txt"
        path.write_bytes(text.encode("utf-8", "surrogatepass"))
        try:
            machine = read(path, dialect=dialect)  # type: ignore[arg-type]
        except GcodetoolError as error:
            assert "\n" not in str(error)
            return
        assert printer_of(machine, to_toml(machine)).dialect == machine.dialect


@given(st.floats(0.001, 1e7), st.floats(0.001, 1e7), st.floats(0, 1e4))
def test_numbers_read_back_exactly(speed: float, accel: float, corner: float) -> None:
    text = f"[printer]\nmax_velocity: {speed!r}\nmax_accel: {accel!r}\nsquare_corner_velocity = {corner!r}\n"
    with tempfile.TemporaryDirectory() as folder:
        machine = read(written(pathlib.Path(folder), text))
    found = printer_of(machine, to_toml(machine)).klipper
    stated = {"max_accel": accel, "square_corner_velocity": corner, "max_velocity": speed}
    for name, value in stated.items():
        if name in found:
            assert found[name] == value
        else:
            assert name in skipped(machine)  # outside what a profile may hold


# ---------------------------------------------------------------- the command


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GCODETOOL_PROFILES", str(tmp_path / "no-profiles"))


def call(capsys: pytest.CaptureFixture[str], *call_words: str | os.PathLike[str]) -> tuple[int, str, str]:
    """Return exit code, stdout and stderr of one import."""
    code = outcome(["profiles", "import", *map(str, call_words)])
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    assert "a fault in gcodetool itself" not in err
    return code, out, err


@pytest.mark.parametrize("source", [CLASSIC, DEVIATION, KLIPPER, RRF])
def test_the_command_writes_a_profile_and_tells_all_three_lists(
    source: pathlib.Path, capsys: pytest.CaptureFixture[str], tmp_path: pathlib.Path
) -> None:
    code, out, err = call(capsys, source, "-o", "my-printer.toml", "--name", "bench-5")
    assert code == 0
    assert out.startswith(f"bench-5: {machinefile.KINDS[read(source).dialect]}, {source.name}\n")
    for title in ("taken:\n", "not stated, so the default is used", "skipped: "):
        assert title in out
    lines = [line for line in err.splitlines() if "runs interpreted" not in line]
    assert lines == ["my-printer.toml: written; check with it: gcodetool check JOB --printer my-printer.toml"]
    assert profiles.printer(tmp_path / "my-printer.toml").name == "bench-5"
    assert [entry.name for entry in tmp_path.iterdir()] == ["my-printer.toml"]


def test_what_is_left_to_defaults_is_named(
    capsys: pytest.CaptureFixture[str], tmp_path: pathlib.Path
) -> None:
    written(tmp_path, "[printer]\nmax_velocity: 200\nmax_accel: 4000\n", "printer.cfg")
    _, out, _ = call(capsys, "printer.cfg", "-o", "p.toml")
    left = out.split("not stated", 1)[1].split("skipped", 1)[0]
    assert "square_corner_velocity = 5" in left
    assert "max_z_velocity = 200" in left
    assert "bed_mm: not known" in left
    assert "max_accel = " not in left


def test_an_existing_profile_is_kept_without_force(
    capsys: pytest.CaptureFixture[str], tmp_path: pathlib.Path
) -> None:
    target = written(tmp_path, "mine\n", "my-printer.toml")
    code, out, err = call(capsys, CLASSIC, "-o", target)
    assert (code, out) == (1, "")
    assert "is there already; name another file, or add --force" in err
    assert target.read_text() == "mine\n"
    assert call(capsys, CLASSIC, "-o", target, "--force")[0] == 0
    assert profiles.printer(target).dialect == "marlin"


def test_the_source_is_never_the_target(capsys: pytest.CaptureFixture[str], tmp_path: pathlib.Path) -> None:
    source = written(tmp_path, CLASSIC.read_text(encoding="utf-8"), "log.toml")
    code, _, err = call(capsys, source, "-o", source, "--force")
    assert code == 1
    assert "that is the file to read" in err
    assert source.read_text(encoding="utf-8") == CLASSIC.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("name", "content", "what"),
    [
        ("absent.txt", None, "absent.txt: no such machine's file; check the path"),
        ("empty.txt", b"", "empty.txt: the machine's file is empty"),
        ("blank.txt", b" \n\r\n", "blank.txt: the machine's file is empty"),
        ("binary.txt", b"M203 X1\n\0\1\2", "binary.txt:2: a binary file"),
        ("latin.txt", b"M203 X1\n; caf\xe9\n", "latin.txt:2: byte 0xe9 is not UTF-8"),
        ("wide.txt", "M203 X1\n".encode("utf-16"), "wide.txt:1: byte 0xff is not UTF-8"),
        ("long.txt", b"\nM203 X" + b"1" * 100_000, "long.txt:2: a line of 100006 characters"),
        ("large.txt", b"M203 X1\n" * 2**20 + b"\n", "large.txt: more than 8 MiB: too large"),
        ("prose.txt", b"hello\n", "prose.txt: not a machine's file; expected Marlin's M503 report"),
        (".", None, "a folder, not a machine's file"),
        (os.devnull, None, "not an ordinary file"),
    ],
)
def test_bad_input_is_one_line_and_nothing_is_written(
    name: str, content: bytes | None, what: str, capsys: pytest.CaptureFixture[str], tmp_path: pathlib.Path
) -> None:
    if content is not None:
        (tmp_path / name).write_bytes(content)
    code, out, err = call(capsys, name, "-o", "p.toml")
    assert (code, out) == (1, "")
    assert what in err
    assert err.count("\n") == 1
    assert not (tmp_path / "p.toml").exists()


@pytest.mark.parametrize(
    ("more", "what"),
    [
        (["-o", "p.cfg"], "write -o my-printer.toml"),
        (["-o", "p.toml", "--name", " "], "--name is empty"),
        (["-o", "p.toml", "--name", "a\nb"], "--name is empty or holds unprintable letters"),
        (["-o", "p.toml", "--dialect", "other"], "'other' is not one of"),
        ([], "Missing option '-o'"),
    ],
)
def test_misuse_exits_2(
    more: list[str], what: str, capsys: pytest.CaptureFixture[str], tmp_path: pathlib.Path
) -> None:
    code, _, err = call(capsys, CLASSIC, *more)
    assert code == 2
    assert what in err
    assert not list(tmp_path.glob("p.*"))


def test_a_folder_that_is_not_there(capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = call(capsys, CLASSIC, "-o", "nowhere/p.toml")
    assert code == 1
    assert err.count("\n") == 1


def test_odd_names_survive(capsys: pytest.CaptureFixture[str], tmp_path: pathlib.Path) -> None:
    source = written(tmp_path, CLASSIC.read_text(encoding="utf-8"), "Bench 2 (new)\n#.txt")
    assert call(capsys, source, "-o", "p.toml", "--name", 'the "big" \\ one')[0] == 0
    assert profiles.printer(tmp_path / "p.toml").name == 'the "big" \\ one'
    assert call(capsys, source, "-o", "q.toml")[0] == 0
    assert profiles.printer(tmp_path / "q.toml").name == "bench-2-new"


@pytest.mark.parametrize(
    ("dialect", "said", "message"),
    [
        ("klipper", "prompts = 1", "prompts"),
        ("marlin", "dialogs = true", "dialogs"),
        ("reprapfirmware", "prompts = true", "asks by M291"),
    ],
)
def test_what_a_profile_cannot_mean_by_its_host(dialect, said, message, tmp_path: pathlib.Path) -> None:
    path = written(tmp_path, f'name = "rig"\ndialect = "{dialect}"\n[host]\n{said}\n', "rig.toml")
    with pytest.raises(ProfileError, match=message) as caught:
        profiles.printer(path)
    assert "rig.toml:4" in str(caught.value)
