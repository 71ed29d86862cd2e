"""What a file says about itself: family and slicer's facts."""

import lzma
import pathlib
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool.gcode.markers import Family, facts, family, layer_marks
from gcodetool.gcode.values import numbers, points, seconds, spool_id, strings

DATA = pathlib.Path(__file__).parent / "data" / "gcode"
EXPECTED = tomllib.loads((DATA / "expected.toml").read_text(encoding="utf-8"))
SHORT = {name[:3]: name for name in EXPECTED}


def ends(name):
    text = lzma.decompress((DATA / f"{SHORT[name]}.gcode.xz").read_bytes())
    return text[: 512 << 10], text[-(256 << 10) :]


def said(name):
    head, tail = ends(name)
    return facts(head, tail, family(head, tail))


@pytest.mark.parametrize("name", SHORT)
def test_each_sample_is_of_its_family(name):
    head, tail = ends(name)
    assert family(head, tail).value == EXPECTED[SHORT[name]]["family"]


@pytest.mark.parametrize("name", SHORT)
@pytest.mark.parametrize("change", ["other product word", "CRLF", "byte order mark", "head only"])
def test_the_family_shows_through_what_files_go_through(name, change):
    head, tail = ends(name)
    expected = EXPECTED[SHORT[name]]["family"]
    if change == "other product word":
        head, tail = (
            part.replace(b"SLICER", b"Cutter9").replace(b"slicer_", b"cutter9_") for part in (head, tail)
        )
    elif change == "CRLF":
        head, tail = (part.replace(b"\r\n", b"\n").replace(b"\n", b"\r\n") for part in (head, tail))
    elif change == "byte order mark":
        head = b"\xef\xbb\xbf" + head
    else:  # cut off in the middle of the print
        tail = head
    assert family(head, tail).value == expected


def test_what_is_no_sliced_file_is_of_no_family():
    assert family(b"", b"") is Family.UNKNOWN
    assert family(b"G28\nG1 X5\n", b"G28\nG1 X5\n") is Family.UNKNOWN
    assert family(b"G28\nM117 ;FLAVOR:Marlin\n", b"") is Family.UNKNOWN
    assert facts(b"G28\n", b"G28\n", Family.UNKNOWN).config == {}
    assert layer_marks(Family.UNKNOWN) == layer_marks(Family.A_OLD) == 0


CLAIMED_MM = {
    "a01": (3089.19,),
    "a05": (5786.71, 280.47),
    "a08": (3268.2,),
    "a10": (599.69, 245.9),
    "b01": (),  # the engine's placeholder
    "b02": (1687.26,),
    "b04": (5417.22, 169.836),
    "b05": (4586.28,),  # 11031.3 mm3
    "c01": (2635.34,),  # not the volume, which stands there in mm3 under another unit
    "c02": (1270.73,),
}


@pytest.mark.parametrize("name", CLAIMED_MM)
def test_claimed_filament(name):
    assert said(name).filament_mm == pytest.approx(CLAIMED_MM[name], abs=0.005)


CLAIMED_S = {
    "a01": 34 * 60 + 44,
    "a03": 5259,
    "a10": 5590,
    "a05": 4099,  # the normal mode's, not the silent one's
    "a08": None,
    "b01": 3901.249781,  # not the header's 6666
    "b02": 2370,
    "c01": 34 * 60 + 54,  # the model's, without 402 s of start
    "c02": 18 * 60 + 6,
}


@pytest.mark.parametrize("name", CLAIMED_S)
def test_claimed_time(name):
    assert said(name).claimed_s == CLAIMED_S[name]


def test_settings_of_family_a():
    found = said("a01")
    assert found.flavour == "marlin2"
    assert (found.first_layer_C, found.other_layer_C) == ((242.0,), (238.0,))
    assert (found.filament_types, found.diameters_mm) == (("PETG",), (1.75,))
    assert (found.max_flow_mm3_s, found.nozzle_mm) == ((8.0,), (0.4,))
    assert (found.retract_mm, found.retract_mm_s) == ((0.8,), (35.0,))
    assert found.bed_polygon == ((0.0, 0.0), (220.0, 0.0), (220.0, 220.0), (0.0, 220.0))
    assert found.height_mm == 250.0
    assert found.notes == ("opened 14 days; dryer log: bench-drier-2",)
    assert found.pause_code == "M0 Inspect"
    assert found.machine_limits["max_jerk_e"] == (2.5, 2.5)
    assert found.machine_limits_usage == "emit_to_gcode"
    assert (found.volumetric_e, found.firmware_retraction) == (False, False)


def test_a_value_of_the_filament_wins_unless_it_is_nil():
    assert said("a05").retract_mm == (0.8, 1.1)
    assert said("a05").notes == ("", "second spool; opened 60 days")
    assert said("c02").retract_mm == (0.5,)
    assert said("c02").retract_mm_s == (40.0,)


def test_what_other_samples_show():
    assert said("a02").pause_code == "PAUSE"
    assert said("a03").pause_code is None  # what the slicer prints for everyone
    assert said("a06").diameters_mm == (2.85,)
    assert said("a07").volumetric_e
    assert max(said("a08").bed_polygon) == (210.0, 200.0)
    assert (said("a08").flavour, said("a08").height_mm) == ("reprap", None)
    assert said("a09").notes == ("PETG; last dried unknown",)
    assert said("b05").flavour == "marlin(volumetric)"
    assert said("b05").diameters_mm == (1.75,)
    assert (said("c01").layers, said("c02").layers, said("b01").layers) == (75, 29, 122)
    assert said("c01").filament_types == ("PA",)
    assert max(said("c01").bed_polygon) == (256.0, 256.0)


def test_family_b_keeps_changed_settings_in_its_tail():
    found = said("b02")
    assert found.config["material_print_temperature_layer_0"] == "232"
    assert (found.first_layer_C, found.other_layer_C) == ((232.0,), (228.0,))
    assert found.retract_mm == (1.5,)
    # a family that says nothing of it: nothing
    assert said("b01").first_layer_C == said("b01").retract_mm == said("b01").bed_polygon == ()


def test_markers_inside_settings_are_no_settings():
    """A start code in the settings holds lines of its own, escaped."""
    start = said("c01").config["machine_start_gcode"]
    assert "M109 S150" in start
    assert "\\n" in start


def test_a_damaged_tail_of_family_b_says_nothing():
    head = b";FLAVOR:Marlin\n;Generated with ENGINE 4.0\n"
    for tail in (b";SETTING_3 {\n", b";SETTING_3 [1]\n", b';SETTING_3 {"extruder_quality": [5]}\n'):
        assert facts(head, tail, Family.B).config == {}


def test_a_spool_named_in_the_notes():
    text = (
        b"; generated by SLICER 2.5.0 on 2026-11-24\n;LAYER_CHANGE\n; slicer_config = begin\n"
        b'; filament_notes = "dry box; spool: pa6-07";"spool: PETG-03 "\n; slicer_config = end\n'
    )
    assert facts(text, text, Family.A).spools == ("pa6-07", "petg-03")
    assert spool_id("no spool here") is None


@given(
    st.lists(
        st.text(alphabet=st.characters(codec="utf-8", exclude_characters="\r\n")), min_size=1, max_size=4
    )
)
def test_strings_of_settings_are_read_back(values):
    def quoted(text):
        return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'

    assert strings(";".join(map(quoted, values))) == tuple(values)


@given(st.integers(0, 99), st.integers(0, 23), st.integers(0, 59), st.integers(0, 59))
def test_times_of_settings_are_read_back(days, hours, minutes, rest):
    text = " ".join(
        f"{count}{unit}" for count, unit in ((days, "d"), (hours, "h"), (minutes, "m"), (rest, "s"))
    )
    assert seconds(text) == ((days * 24 + hours) * 60 + minutes) * 60 + rest
    assert seconds("soon") is None


def test_values_that_are_none():
    assert numbers("0.4,nil, 5% ,-1.5e2,") == (0.4, None, None, -150.0, None)
    assert numbers(None) == numbers("") == ()
    assert points("0x0,220x0") == points("round") == ()


@given(st.binary(max_size=300), st.binary(max_size=300))
def test_no_bytes_are_too_odd(head, tail):
    for each in (family(head, tail), *Family):
        facts(head, tail, each)


@pytest.mark.parametrize(
    "head",
    [
        "; machine_max_acceleration_x = \x1f000\n",
        "; estimated printing time (normal mode) = " + "9" * 400 + "d 1h\n",
        "; estimated printing time (normal mode) = 1.2.3s\n",
        "; nozzle_diameter = 1e300\n; filament_diameter = 1e-200\n",
        "; printable_area = 0x0,1.2.3x0,5x5\n",
        "; total layer number: " + "7" * 5000 + "\n",
    ],
)
def test_figures_that_are_none_are_not_known(head: str) -> None:
    for of in (Family.A, Family.C_TOP):
        found = facts(head.encode(), head.encode(), of)
        assert found.claimed_s is None
        assert found.bed_polygon == ()
        assert found.layers is None
        assert all(value is None for value in (*found.nozzle_mm, *found.diameters_mm))


@pytest.mark.parametrize(
    "line",
    [
        "Filament used: 1.2.3m",
        "Filament used: " + "9" * 400 + "m",
        "LAYER_COUNT:" + "9" * 5000,
        "TIME:" + "9" * 400,
    ],
)
def test_claims_of_family_b_that_are_none_are_not_known(line: str) -> None:
    head = f";FLAVOR:Marlin\n;{line}\n".encode()
    found = facts(head, b"", Family.B)
    assert (found.claimed_s, found.filament_mm, found.layers) == (None, (), None)
