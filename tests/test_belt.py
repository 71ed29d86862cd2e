"""Belt machines: known by signs that anyone can see, refused untouched; nothing else is taken for one."""

import json
import math
import pathlib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_anchor import a_job, job

from gcodetool.cli.main import outcome
from gcodetool.gcode.anchor import find_anchor
from gcodetool.gcode.belt import belt_sign
from gcodetool.gcode.dialects import Dialect
from gcodetool.gcode.program import read

DATA = pathlib.Path(__file__).parent / "data" / "gcode"
SAMPLES = sorted(DATA.glob("*.gcode.xz"))
START = "G28\nM109 S240\n"


def settings_job(*pairs):
    block = "".join(f"; {pair}\n" for pair in pairs)
    return a_job(START) + f"; slicer_config = begin\n{block}; slicer_config = end\n"


def comment_job(comment):
    line_1, _, rest = a_job(START).partition("\n")
    return f"{line_1}\n; {comment}\n{rest}"


def climbing_job(tan=1.0, *, turned=False):
    """World coordinates: each layer lies in a plane that leans by the gantry's angle."""
    lines = []
    for layer in range(6):
        for n in range(12):
            y = 5.0 + 12 * (n % 2)
            z = 0.3 * layer + tan * (y if not turned else 20 - y)
            lines.append(f"G1 X{40 + n} Y{y:.3f} Z{z:.3f} E.4 F1200")
    return START + "G21\nG90\nM83\nG1 Z10 F600\n" + "\n".join(lines) + "\n"


def growing_job(ratio=1.41421, *, from_y=0.0, skirt=False):
    """The machine's own coordinates: Y along the tilted gantry, Z along the belt, a block cut at an angle."""
    lines = ["G1 X20 Y60 Z.3 F6000", "G1 X90 E3", "G1 Y120 E3"] if skirt else []
    for layer in range(1, 14):
        z = 0.28 * layer
        lines.append(f"G1 Z{z:.3f} F600")
        top = from_y + ratio * z
        for n in range(6):
            lines.append(f"G1 X{40 + 20 * (n % 2)} Y{from_y + (top - from_y) * n / 5:.3f} E.4 F1200")
    return START + "G21\nG90\nM83\n" + "\n".join(lines) + "\n"


BELTS = {
    "a switch": settings_job("belt_printer = 1"),
    "an endless Z": settings_job("machine_infinite_z = true"),
    "a model": settings_job("printer_model = Bench Belt 45"),
    "a preset": settings_job("printer_settings_id = rig-belt_0.4"),
    "the gantry's angle": settings_job("gantry_angle = 45"),
    "the gantry's tilt": settings_job("machine_gantry_tilt = 35.0"),
    "notes": settings_job("printer_notes = workshop rig\\nconveyor belt along Z"),
    "a height without end": settings_job("max_print_height = 99999"),
    "a comment": comment_job("machine: belt printer"),
    "a comment on the gantry": comment_job("tilted gantry, 45 deg"),
    "a comment on Z": comment_job("infinite Z"),
    "moves that climb": climbing_job(),
    "moves that climb less": climbing_job(0.7),
    "moves that climb the other way": climbing_job(turned=True),
    "layers that grow": growing_job(),
    "layers that grow less": growing_job(1.0),
    "layers that grow behind a skirt": growing_job(skirt=True),
}


@pytest.mark.parametrize("what", BELTS)
def test_a_belt_machine_is_known(tmp_path, what):
    found = find_anchor(job(tmp_path, BELTS[what], dialect=Dialect.MARLIN))
    assert found.untouchable is not None
    assert found.untouchable == found.refusal
    assert found.untouchable.startswith("the file is for a belt machine (")
    assert (found.line, found.offset) == (None, None)


OTHERS = {
    "a switch that is off": settings_job("belt_printer = 0", "machine_infinite_z = nil"),
    "belts of a usual machine": settings_job("printer_notes = check belt tension; new belts on X and Y"),
    "a denial": comment_job("not a belt printer"),
    "a comment of other things": comment_job(
        "the customer wants this bracket for a conveyor belt in the greenhouse, so print it with 4 walls"
    ),
    "a level gantry": settings_job("gantry_angle = 0", "printer_model = Beltane 3"),
    "a tall machine": settings_job("max_print_height = 2000"),
    "a wedge in mid-bed": growing_job(from_y=60.0),
    "a wedge that leans less": growing_job(0.2),
    "a spiral": climbing_job(0.002),
    "a usual job": a_job(START),
}


@pytest.mark.parametrize("what", OTHERS)
def test_what_only_looks_like_one_is_none(tmp_path, what):
    assert belt_sign(job(tmp_path, OTHERS[what], dialect=Dialect.MARLIN)) is None


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.name[:3])
def test_no_sample_is_taken_for_one(path):
    assert belt_sign(read(path)) is None


@given(st.floats(20, 70), st.integers(0, 1))
def test_any_tilt_within_reach_shows_in_the_moves(tmp_path_factory, degrees, turned):
    text = climbing_job(math.tan(math.radians(degrees)), turned=bool(turned))
    assert belt_sign(job(tmp_path_factory.mktemp("belt"), text)) is not None


def call(capsys, *words):
    """Run a command; its exit code, and what it printed."""
    code = outcome([str(word) for word in words])
    said = capsys.readouterr()
    return code, said.out, said.err


@pytest.mark.parametrize("what", ["a switch", "layers that grow"])
@pytest.mark.parametrize("more", [[], ["--block", "never"], ["--in-place"]])
def test_prepare_refuses_it_and_leaves_it_as_it_was(tmp_path, capsys, what, more):
    path = tmp_path / "belt.gcode"
    path.write_text(BELTS[what], encoding="utf-8", newline="")
    code, _, said = call(capsys, "prepare", path, *more)
    assert code == 1
    first = said.split("\n")[0]
    assert "belt machine (" in first
    assert "the file is as it was" in first
    assert path.read_text(encoding="utf-8") == BELTS[what]
    assert [each.name for each in tmp_path.iterdir()] == ["belt.gcode"]


@pytest.mark.parametrize("what", ["a switch", "layers that grow"])
def test_check_says_so(tmp_path, capsys, what):
    path = tmp_path / "belt.gcode"
    path.write_text(BELTS[what], encoding="utf-8", newline="")
    code, said, _ = call(capsys, "check", path, "--json")
    assert code == 30  # without a record, as for any other file
    (caution,) = [text for text in json.loads(said)["cautions"] if "belt machine" in text]
    assert "prepare leaves it untouched" in caution
