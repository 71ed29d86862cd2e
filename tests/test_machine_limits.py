"""A job against its machine: what goes beyond hot end, bed and height is told wherever a job is looked at."""

import json
import math
import pathlib
from dataclasses import replace

import jsonschema
import pytest
from click.testing import CliRunner

from gcodetool import profiles
from gcodetool.cli.main import main
from gcodetool.gcode.program import read
from gcodetool.motion.machine_limits import machine_cautions, too_hot
from gcodetool.motion.reach import LAID_SLACK_MM, OTHER_SLACK_MM, TOP_SLACK_MM
from gcodetool.motion.timing import build_timeline

SCHEMAS = pathlib.Path(__file__).parent.parent / "docs"
AT = ["--at", "2026-11-25T09:00:00+01:00", "--members", "1"]
START = "G28\nG90\nM83\nM104 S240\nG1 X20 Y20 Z0.3 F3000\n"  # 5 lines
MACHINE = replace(profiles.printer("bench-2"), bed_mm=(0.0, -10.0, 220.0, 200.0), height_mm=250.0)


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path, monkeypatch):
    monkeypatch.setenv("GCODETOOL_PROFILES", str(tmp_path / "no-profiles"))
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "no-ledger.sqlite"))
    monkeypatch.setenv("GCODETOOL_CACHE", str(tmp_path / "cache"))


def job(folder, text, dialect="marlin", printer=MACHINE):
    """The timeline of *text* on a printer."""
    path = folder / "job.gcode"
    path.write_text(text, encoding="utf-8")
    return build_timeline(read(path, dialect=dialect), printer=printer)


def sides(folder, text, **more):
    """Axis, limit, line and value of each overrun after the usual start."""
    found = job(folder, START + text, **more).overruns
    return [(each.axis, each.limit_mm, each.line - 5, each.value_mm) for each in found]


@pytest.mark.parametrize(
    ("axis", "limit", "away"), [("X", 0.0, -1), ("X", 220.0, 1), ("Y", -10.0, -1), ("Y", 200.0, 1)]
)
@pytest.mark.parametrize(("more", "slack"), [(" E1", LAID_SLACK_MM), ("", OTHER_SLACK_MM)])
def test_each_side_has_its_slack(tmp_path, axis, limit, away, more, slack):
    edge = limit + away * slack
    assert sides(tmp_path, f"G1 {axis}{edge:g}{more}\n") == []
    beyond = edge + away * 0.5
    assert sides(tmp_path, f"G1 {axis}{edge:g}{more}\nG1 {axis}{beyond:g}{more}\n") == [
        (axis, limit, 2, beyond)
    ]


def test_the_height_has_a_hops_slack(tmp_path):
    top = 250 + TOP_SLACK_MM
    assert sides(tmp_path, f"G1 Z{top:g}\nG1 X30 E1\n") == []
    assert sides(tmp_path, f"G1 Z{top + 0.5:g}\n") == [("Z", 250.0, 1, top + 0.5)]


def test_what_is_usual_beside_a_bed_is_no_overrun(tmp_path):
    purge_line = "G1 X-2 Y-13 F6000\nG1 E8\nG1 X90 E12\n"  # in front of the bed
    bucket = "G1 X-18\nG1 E40 F200\nG1 E-1\n"  # purged in place over a bucket beside it
    assert sides(tmp_path, purge_line + bucket + "G1 X0\n") == []


def test_coordinates_that_nobody_knows_are_left_out(tmp_path):
    before_homing = "G91\nG1 X-400 Z400\nG90\nG28\nM83\nG1 X5 Y5 Z0.3\nG1 X9 E1\n"
    assert job(tmp_path, before_homing).overruns == ()
    assert sides(tmp_path, "G28\nG91\nG1 X400\nG90\n") == []
    assert sides(tmp_path, "M600\nG91\nG1 X400\nG90\n") == []  # the change leaves it anywhere
    assert sides(tmp_path, "G91\nG1 X400\nG90\n") == [("X", 220.0, 2, 420.0)]


def test_shifts_are_taken_out(tmp_path):
    assert sides(tmp_path, "G92 X300\nG1 X310 E1\n") == []  # 10 mm on
    assert sides(tmp_path, "G92 X-200\nG1 X100 E1\n") == [("X", 220.0, 2, 320.0)]
    assert sides(tmp_path, "G20\nG1 X10\n") == [("X", 220.0, 2, 254.0)]


def test_an_arc_counts_with_its_bulge(tmp_path):
    assert sides(tmp_path, "G1 X210 Y100\nG3 X210 Y140 I0 J20 E4\n") == [
        ("X", 220.0, 2, pytest.approx(230.0))
    ]
    assert sides(tmp_path, "G1 X210 Y100\nG2 X210 Y140 I0 J20 E4\n") == []  # the other way round


def test_the_first_and_the_furthest_are_named(tmp_path):
    found = job(tmp_path, START + "G1 X230 E1\nG1 X400\nG1 X300 E1\n")
    (over,) = found.overruns
    assert (over.line, over.value_mm, over.lays) == (6, 230.0, True)
    assert (over.furthest_line, over.furthest_mm) == (7, 400.0)
    (said,) = machine_cautions(found, MACHINE)
    for word in ("line 6", "X230", "line 7", "X400", "bench-2", "X220"):
        assert word in said


def test_nothing_is_said_of_what_no_profile_states(tmp_path):
    text = START + "M109 S400\nG1 X900 Y900 Z900\nG1 X901 E1\n"
    bare = replace(MACHINE, bed_mm=None, height_mm=None, hot_end=profiles.HotEnd())
    for printer in (None, bare):
        assert machine_cautions(job(tmp_path, text, printer=printer), printer) == ()
    low = replace(bare, height_mm=250.0)
    assert [each.axis for each in job(tmp_path, text, printer=low).overruns] == ["Z"]


@pytest.mark.parametrize(
    ("dialect", "text", "lines"),
    [
        ("marlin", "M104 S250\nM109 S0\nM140 S300\n", []),
        ("marlin", "M104 S251\n", [("T0", 6, 251)]),
        ("marlin", "M109 R260\nT1\nM104 S255\nM104 T0 S270\n", [("T0", 6, 260), ("T1", 8, 255)]),
        ("klipper", "SET_HEATER_TEMPERATURE HEATER=extruder1 TARGET=290\n", [("T1", 6, 290)]),
        ("klipper", "TEMPERATURE_WAIT SENSOR=extruder MAXIMUM=300\n", []),  # heats nothing
        ("klipper", "START_PRINT EXTRUDER_TEMP=280 BED_TEMP=300\n", [("T0", 6, 280)]),
        ("reprapfirmware", "G10 P1 S240 R251\n", [("T1", 6, 251)]),  # stand-by heats too
    ],
)
def test_heat_above_the_hot_ends_limit(tmp_path, dialect, text, lines):
    printer = replace(profiles.printer("bench-2"), dialect=dialect)
    said = machine_cautions(job(tmp_path, START + text, dialect, printer), printer)
    assert len(said) == len(lines)
    for caution, (tool, line, celsius) in zip(said, lines, strict=True):
        assert f"line {line} heats {tool} to {celsius} °C" in caution
        assert "bench-2 is for at most 250 °C" in caution
        assert "do not start it there" in caution


def test_the_hottest_line_is_named_too(tmp_path):
    (said,) = machine_cautions(job(tmp_path, START + "M104 S260\nM104 S300\nM104 S280\n"), MACHINE)
    assert "line 6 heats T0 to 260 °C (line 7: 300 °C)" in said


def test_a_limit_is_no_excess():
    assert not too_hot(250.0, 250.0)
    assert too_hot(math.nextafter(250.0, 300.0), 250.0)
    assert not too_hot(400.0, None)


# --- stories ------------------------------------------------------------------------------------

RINGS = "".join(
    f";LAYER_CHANGE\nG1 Z{0.3 * layer:.1f} F600\n"
    + "".join(f"G1 X{100 + step % 2 * 20} Y{90 + step} E0.5 F1800\n" for step in range(30))
    for layer in range(1, 4)
)


@pytest.fixture
def too_much(tmp_path):
    """A job that needs 300 °C and lays filament at X400."""
    path = tmp_path / "manifold.gcode"
    path.write_text(
        "; manifold\nG28\nG90\nM83\nM104 S300\nM109 S300\nG1 X5 Y5 Z0.3 F3000\n" + RINGS + "G1 X400 Y60 E9\n",
        encoding="utf-8",
    )
    return path


def said(*words, code=None):
    done = CliRunner().invoke(main, [str(word) for word in words])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.output
    if code is not None:
        assert done.exit_code == code, done.output
    return done.stdout


def test_check_prepare_and_queue_tell_the_same(tmp_path, too_much):
    words = (too_much, "--printer", "bench-2", *AT)
    checked = json.loads(said("check", *words, "--json"))
    jsonschema.validate(checked, json.loads((SCHEMAS / "report.schema.json").read_text("utf-8")))
    machine = [each for each in checked["cautions"] if "slice it for" in each]
    assert len(machine) == 2
    heat, move = machine
    assert "line 5 heats T0 to 300 °C" in heat
    assert "lays filament at X400" in move
    for word in ("bench-2", "X220"):
        assert word in move

    queued = json.loads(said("queue", *words, "--json"))
    jsonschema.validate(queued, json.loads((SCHEMAS / "queue.schema.json").read_text("utf-8")))
    assert queued["jobs"][0]["cautions"][:2] == machine
    again = json.loads(said("queue", *words, "--json"))  # from the cache
    assert again["jobs"][0]["cautions"][:2] == machine
    assert "do not start it there" in " ".join(said("queue", *words).split())

    out = tmp_path / "out.gcode"
    said("prepare", *words, "-o", out, code=0)
    text = out.read_text(encoding="utf-8")
    header = " ".join(
        line.removeprefix(";").strip() for line in text.split("gcodetool:end header")[0].split("\n")
    )
    for caution in machine:
        assert caution.replace("°", "") in header
    assert "gcodetool:begin purge-and-inspect" not in text  # it would heat to 300 °C
    assert "block: no block: the nozzle is at 300 C, above the hot end's limit, 250 C" in header


def test_a_fitting_machine_gets_the_block_and_no_caution(tmp_path, too_much):
    text = too_much.read_text("utf-8").replace("S300", "S240").replace("X400", "X200")
    too_much.write_text(text, encoding="utf-8")
    out = tmp_path / "out.gcode"
    said("prepare", too_much, "--printer", "bench-2", *AT, "-o", out, code=0)
    text = out.read_text(encoding="utf-8")
    assert "slice it for" not in text
    assert "gcodetool:begin purge-and-inspect" in text


def test_another_printer_is_another_answer_of_the_cache(too_much):
    def cautions(name):
        return json.loads(said("queue", too_much, "--printer", name, *AT, "--json"))["jobs"][0]["cautions"]

    assert any("heats T0 to 300" in each for each in cautions("bench-2"))
    wide = cautions("rig-4")  # stands 300 °C, 300 mm wide
    assert not any("heats T0" in each for each in wide)
    assert any("the bed of rig-4 ends at X300" in each for each in wide)
