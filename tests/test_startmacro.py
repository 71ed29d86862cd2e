"""Start macros: where the nozzle's temperature is found, and which line a refusal names."""

import interpreter
import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_anchor import LAYER, LINE_1, PREAMBLE, job

from gcodetool.block.block import block_for
from gcodetool.gcode.anchor import find_anchor
from gcodetool.gcode.dialects import Dialect

SETTINGS = (
    "; slicer_config = begin\n; first_layer_temperature = 242,215\n; temperature = 235,210\n"
    "; slicer_config = end\n"
)


def klipper_job(start, settings=SETTINGS):
    return LINE_1 + "M140 S0\nM104 S0\n" + start + PREAMBLE + LAYER + settings


def anchor_of(tmp_path, start, settings=SETTINGS, dialect=Dialect.KLIPPER):
    return find_anchor(job(tmp_path, klipper_job(start, settings), dialect=dialect))


CALLS = {
    "another name": "PRINT_START BED=85 T_HOT=242\n",
    "a digit in it": "PRINT_START BED_0=85 T0=242\n",
    "short": "START_PRINT B=85 E=242 CHAMBER=40\n",
    "quoted": 'START_PRINT B="85" HOT="242"\n',
    "a decimal": "START_PRINT B=85 HOT=242.0\n",
    "another macro": "BEGIN_JOB BED=85 HEAT=242\n",
    "a variable of its own": "SET_GCODE_VARIABLE MACRO=START_PRINT VARIABLE=hot VALUE=242\nSTART_PRINT\n",
    "a shared variable": "SET_GCODE_VARIABLE MACRO=_SETTINGS VARIABLE=nozzle_temp VALUE=242\nSTART_PRINT\n",
    "a saved variable": 'SAVE_VARIABLE VARIABLE=heat VALUE="242"\nSTART_PRINT\n',
    "beside a tool and a diameter": "START_PRINT TOOL=0 NOZZLE=0.4 HOT=242\n",
}


@pytest.mark.parametrize("what", CALLS)
def test_a_temperature_of_another_name_is_known_by_its_number(tmp_path, what):
    program = job(tmp_path, klipper_job(CALLS[what]))
    assert program.dialect is Dialect.KLIPPER
    found = find_anchor(program)
    assert (found.refusal, found.target_C, found.waited, found.homed) == (None, 242.0, True, True)
    assert (found.x, found.y, found.z, found.feed_mm_s) == (None, None, None, None)
    assert not found.assumed
    assert not found.cautions
    made = block_for(program, found, printer=None, nozzle_min_C=None, diameter_mm=None, low_box=None)
    assert made.lines is not None
    state = interpreter.State(e_absolute=False, targets=((0, 242.0),), homed=frozenset("XYZ"))
    came_back = interpreter.final(made.lines, "klipper", state)
    assert interpreter.given_back(state, came_back, e_known=False, feed_known=False) == []


def test_the_name_outranks_the_number(tmp_path):
    found = anchor_of(tmp_path, "PRINT_START SOAK=242 EXTRUDER_TEMP=230\n")
    assert found.target_C == 230.0
    (caution,) = found.cautions
    assert "at 230 C before layer 1, the settings say 242 C" in caution


def test_each_tool_has_its_own_number(tmp_path):
    found = anchor_of(tmp_path, "T1\nPRINT_START A=242 B=215\n")
    assert (found.tool, found.target_C) == (1, 215.0)


SILENT = ["START_PRINT\n", "START_PRINT BED=85 PROFILE=fine\n", "M104 S150\nG28\nSTART_PRINT TOOL=0\n"]


@pytest.mark.parametrize("start", SILENT)
def test_a_silent_macro_takes_the_settings_and_says_so(tmp_path, start):
    found = anchor_of(tmp_path, start)
    assert (found.refusal, found.target_C, found.waited, found.assumed) == (None, 242.0, True, True)
    (caution,) = found.cautions
    line = klipper_job(start).split("\n").index(start.split("\n")[-2]) + 1
    assert caution.startswith(f"the start macro on line {line} names no nozzle temperature")
    assert "242 C" in caution


def test_what_stands_behind_a_silent_macro_counts(tmp_path):
    assert "not heated" in anchor_of(tmp_path, "START_PRINT\nM104 S0\n").refusal
    assert "nothing waits" in anchor_of(tmp_path, "TIMELAPSE_START\nM104 S242\n").refusal
    found = anchor_of(tmp_path, "START_PRINT\nM109 S238\n")
    assert (found.target_C, found.assumed, found.wait) == (238.0, False, "M109 S238")
    found = anchor_of(tmp_path, "M109 S238\nTIMELAPSE_START\n")
    assert (found.target_C, found.assumed, found.wait) == (238.0, False, "M109 S238")


@pytest.mark.parametrize(
    ("start", "why"),
    [
        ("G28\nSTART_PRINT BED=85\n", "not heated"),
        ("G28\nPREPARE_ALL FAST=1\n", "not heated"),
        ("G28\nM104 S242\nSTART_PRINT\n", "nothing waits"),
        ("START_PRINT EXTRUDER_TEMP=0\n", "asks for 0 C"),
    ],
)
def test_a_refusal_names_the_macro_and_its_line(tmp_path, start, why):
    refusal = anchor_of(tmp_path, start, settings="").refusal
    macro = start.split("\n")[-2]
    line = klipper_job(start, "").split("\n").index(macro) + 1
    assert why in refusal
    assert f"'{macro}' on line {line}" in refusal


def test_refusals_for_modes_and_register_name_it_too(tmp_path):
    text = LINE_1 + "M83\nPRINT_START EXTRUDER=240\nG21\nG90\n" + LAYER
    assert "'PRINT_START EXTRUDER=240' on line 3" in find_anchor(job(tmp_path, text)).refusal
    text = LINE_1 + "PRINT_START EXTRUDER=240\nG90\nM82\n" + LAYER
    refusal = find_anchor(job(tmp_path, text)).refusal
    assert "register" in refusal
    assert "'PRINT_START EXTRUDER=240' on line 2" in refusal


def test_a_number_that_is_no_temperature_of_this_file_is_none(tmp_path):
    """No other number is taken, nor one beyond what a nozzle is at, even where the settings say it."""
    assert "not heated" in anchor_of(tmp_path, "G28\nPREPARE SPEED=243 FLOW=235\n").refusal
    cold = "; slicer_config = begin\n; first_layer_temperature = 60\n; slicer_config = end\n"
    assert "not heated" in anchor_of(tmp_path, "G28\nPREPARE BED=60\n", cold).refusal


names = st.from_regex(r"[A-Z]{1,3}_?[A-Z0-9]{1,4}", fullmatch=True).filter(
    lambda name: not name.startswith(("EXTR", "HOT", "NOZ", "TOOL"))
)


@given(st.dictionaries(names, st.integers(0, 149), max_size=4), names, st.integers(150, 320))
def test_any_name_will_do(tmp_path_factory, others, name, celsius):
    pairs = " ".join(f"{key}={value}" for key, value in {**others, name: celsius}.items())
    settings = f"; slicer_config = begin\n; first_layer_temperature = {celsius}\n; slicer_config = end\n"
    found = anchor_of(tmp_path_factory.mktemp("macro"), f"PRINT_START {pairs}\n", settings)
    assert (found.target_C, found.assumed) == (float(celsius), False)
