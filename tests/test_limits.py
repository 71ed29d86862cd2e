"""Limits: which value wins, what each dialect's commands do to them, and what is refused."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool.gcode.dialects import Dialect, command
from gcodetool.gcode.markers import SlicerFacts
from gcodetool.motion.limits import (
    SETTINGS_BLOCK,
    STATED_DEFAULT,
    Limits,
    klipper_limits,
    limits_for,
    marlin_limits,
    rrf_limits,
)
from gcodetool.profiles import HotEnd, Printer

BLOCK = SlicerFacts(
    machine_limits={
        "max_acceleration_x": (900.0, 500.0),
        "max_acceleration_y": (800.0,),
        "max_acceleration_e": (4000.0,),
        "max_acceleration_extruding": (700.0,),
        "max_acceleration_retracting": (1100.0,),
        "max_feedrate_x": (180.0,),
        "max_speed_y": (170.0,),
        "max_feedrate_z": (11.0,),
        "max_jerk_x": (9.0,),
    }
)


def applied(limits: Limits, line: str, number: int = 7) -> bool:
    return limits.apply(command(line.encode()), number)


def test_the_profile_wins_over_the_settings_block_and_that_over_defaults() -> None:
    printer = Printer(name="bench-2", dialect="marlin", marlin={"M201": {"X": 650}})
    limits = limits_for(Dialect.MARLIN, printer=printer, facts=BLOCK)
    assert (limits["M201 X"], limits.source("M201 X")) == (650, "printer bench-2")
    assert (limits["M201 Y"], limits.source("M201 Y")) == (800, SETTINGS_BLOCK)
    assert (limits["M201 Z"], limits.source("M201 Z")) == (100, STATED_DEFAULT)
    assert (limits["M203 Y"], limits["M204 P"], limits["M204 T"], limits["M204 R"]) == (170, 700, 700, 1100)
    assert "M201 X" not in limits.guessed
    assert {"M201 Y", "M201 Z"} <= set(limits.guessed)
    assert applied(limits, "M201 X400 ; slower")
    assert (limits["M201 X"], limits.source("M201 X")) == (400, "the file, line 7")


def test_a_settings_block_that_says_it_is_not_used_is_not_used() -> None:
    facts = SlicerFacts(machine_limits=BLOCK.machine_limits, machine_limits_usage="ignore")
    assert limits_for(Dialect.MARLIN, facts=facts)["M201 X"] == 3000


def test_a_profile_of_another_dialect_says_nothing() -> None:
    printer = Printer(name="bench-1", dialect="klipper", klipper={"max_accel": 1234})
    assert limits_for(Dialect.MARLIN, printer=printer)["M204 P"] == 3000
    assert limits_for(Dialect.KLIPPER, printer=printer)["max_accel"] == 1234


def test_klipper_defaults_follow_from_what_is_configured() -> None:
    limits = klipper_limits({"max_velocity": 300, "max_accel": 3000}, None)
    assert limits["max_z_velocity"] == 300
    assert limits["max_z_accel"] == 3000
    assert limits["max_extrude_only_velocity"] == pytest.approx(79.8243241)  # docs/motion.md A7
    assert limits["max_extrude_only_accel"] == pytest.approx(798.243241)
    assert limits["minimum_cruise_ratio"] == 0.5
    assert limits["retract_length"] == -1
    wide = klipper_limits({}, None, nozzle_mm=0.8, filament_mm=2.85)
    assert wide["max_extrude_only_velocity"] == pytest.approx(300 * 4 * 0.64 / (math.pi * 2.85**2 / 4))


def test_klippers_nozzle_comes_from_the_hot_end() -> None:
    printer = Printer(name="bench-1", dialect="klipper", hot_end=HotEnd(nozzle_mm=0.8))
    narrow = limits_for(Dialect.KLIPPER)["max_extrude_only_accel"]
    assert limits_for(Dialect.KLIPPER, printer=printer)["max_extrude_only_accel"] == pytest.approx(4 * narrow)


def test_klipper_takes_its_own_command_and_no_other() -> None:
    limits = klipper_limits({"max_velocity": 300, "max_accel": 3000}, None)
    assert applied(
        limits, "SET_VELOCITY_LIMIT VELOCITY=120 ACCEL=900 SQUARE_CORNER_VELOCITY=0 MINIMUM_CRUISE_RATIO=0"
    )
    names = ("max_velocity", "max_accel", "square_corner_velocity", "minimum_cruise_ratio")
    assert [limits[name] for name in names] == [120, 900, 0, 0]
    before = list(limits.values)
    for line in ("M201 X5", "M203 X5", "M205 X5", "M566 X5", "SET_RETRACTION RETRACT_LENGTH=2", "M204 S5"):
        assert not applied(limits, line), line  # M204 is a row of its own
    assert list(limits.values) == before


@pytest.mark.parametrize("ratio", ["1", "1.5", "-0.1", "nan", "much"])
def test_a_cruise_ratio_that_would_stop_everything_is_refused(ratio: str) -> None:
    limits = klipper_limits({}, None)
    assert not applied(limits, f"SET_VELOCITY_LIMIT MINIMUM_CRUISE_RATIO={ratio}")
    assert limits["minimum_cruise_ratio"] == 0.5


def test_klippers_retraction_is_there_only_where_configured() -> None:
    limits = klipper_limits({}, {"retract_length": 1.0})
    assert [use.name for use in limits.uses() if "retract" in use.name] == [
        "retract_length",
        "retract_speed",
        "unretract_extra_length",
        "unretract_speed",
    ]
    assert limits["unretract_speed"] == 10
    assert applied(limits, "SET_RETRACTION RETRACT_LENGTH=2 UNRETRACT_SPEED=44")
    assert (limits["retract_length"], limits["unretract_speed"]) == (2, 44)
    assert not any("retract" in use.name for use in klipper_limits({}, None).uses())


def test_words_of_m205_choose_marlins_corner_build() -> None:
    classic = marlin_limits({"M205": {"X": 8, "Y": 8, "Z": 0.4, "E": 5}})
    deviation = marlin_limits({"M205": {"J": 0.02}})
    unknown = marlin_limits(None)
    assert classic.classic
    assert (deviation.classic, deviation["M205 J"]) == (False, 0.02)
    assert (unknown.classic, unknown["M205 J"], unknown.source("M205 J")) == (False, 0.013, STATED_DEFAULT)
    # a file's words of the other build are ignored, as that firmware does
    assert not applied(classic, "M205 J0.1")
    assert not applied(deviation, "M205 X3 Y3")
    assert applied(classic, "M205 X3 S10")
    assert (classic["M205 X"], classic["M205 S"]) == (3, 10)
    assert applied(deviation, "M205 J0.1")
    for line in ("M205 J0.005", "M205 J0.31"):
        assert not applied(deviation, line)
    names = [use.name for use in deviation.uses()]
    assert "M205 J" in names
    assert "M205 X" not in names


def test_marlin_reads_speeds_in_mm_per_s_and_retraction_in_mm_per_min() -> None:
    limits = marlin_limits({"M207": {"S": 1, "F": 2400}, "M208": {"F": 1800}})
    assert (limits["M207 F"], limits["M208 F"]) == (40, 30)
    assert applied(limits, "M203 X220 E45")
    assert (limits["M203 X"], limits["M203 E"]) == (220, 45)
    assert applied(limits, "M207 S1.5 F1200 Z0.2")
    assert (limits["M207 S"], limits["M207 F"], limits["M207 Z"]) == (1.5, 20, 0.2)


def test_a_marlin_profile_without_m207_has_no_firmware_retraction() -> None:
    assert marlin_limits({"M201": {"X": 500}})["M207 S"] == -1
    assert marlin_limits(None)["M207 S"] == 3
    without = marlin_limits({"M201": {"X": 500}})
    assert not applied(without, "M207 S2")


def test_linear_advance_acts_only_where_the_profile_has_it() -> None:
    assert not applied(marlin_limits({}), "M900 K0.5")
    has = marlin_limits({"M900": {"K": 0.0}})
    assert applied(has, "M900 K0.5")
    assert has["M900 K"] == 0.5


def test_reprapfirmware_reads_speeds_and_jerk_in_mm_per_min() -> None:
    limits = rrf_limits({"M203": {"X": 9000}, "M566": {"X": 600, "P": 1}, "M204": {"P": 1000, "T": 1500}})
    assert (limits["M203 X"], limits["M566 X"], limits["M566 P"]) == (150, 10, 1)
    assert limits.source("M203 X") == "the printer's profile"
    assert limits.source("M203 Y") == STATED_DEFAULT
    assert (limits["M204 P"], limits["M204 T"]) == (1000, 1500)
    assert applied(limits, "M203 X220 Y12000")
    assert limits["M203 X"] == pytest.approx(220 / 60)
    assert applied(limits, "M203 S1 X220")
    assert limits["M203 X"] == 220
    assert applied(limits, "M203 Z10")
    assert limits["M203 Z"] == 0.5  # never under the minimum speed
    assert applied(limits, "M205 X8")
    assert limits["M566 X"] == 8
    assert applied(limits, "M566 X1")
    assert limits["M566 X"] == 0.1
    assert applied(limits, "M201 E600:400")
    assert applied(limits, "M572 D0 S0.05")
    assert limits["M572 S"] == 0.05
    assert applied(limits, "M207 S0.9 F2400")
    assert (limits["M207 F"], limits["M207 T"]) == (40, 40)


def test_a_reprapfirmware_profile_takes_pressure_advance_as_a_number() -> None:
    assert rrf_limits({"M572": 0.04})["M572 S"] == 0.04
    assert any(use.name == "M572 S" for use in rrf_limits({"M572": 0.04}).uses())


def test_the_settings_block_speaks_in_mm_per_s_to_every_dialect() -> None:
    rrf = limits_for(Dialect.REPRAPFIRMWARE, facts=BLOCK)
    assert (rrf["M203 X"], rrf["M566 X"], rrf["M204 T"]) == (180, 9, 700)
    klipper = limits_for(Dialect.KLIPPER, facts=BLOCK)
    assert (klipper["max_velocity"], klipper["max_accel"], klipper["max_z_velocity"]) == (170, 700, 11)
    assert klipper.source("max_accel") == SETTINGS_BLOCK


MAKERS = {"klipper": klipper_limits, "marlin": marlin_limits, "reprapfirmware": rrf_limits}
LINES = (
    "SET_VELOCITY_LIMIT VELOCITY={0} ACCEL={0} SQUARE_CORNER_VELOCITY={0}",
    "M201 X{0} Y{0} Z{0} E{0}",
    "M203 X{0} Y{0} Z{0} E{0}",
    "M205 X{0} E{0} S{0} J{0}",
    "M566 X{0} E{0} P{0}",
    "M92 X{0} E{0}",
    "M207 S{0} F{0} Z{0} R{0} T{0}",
    "M208 S{0} F{0}",
    "M572 S{0}",
)


@pytest.mark.parametrize("kind", MAKERS)
@given(
    line=st.sampled_from(LINES),
    number=st.one_of(
        st.floats().map(repr), st.sampled_from(["0", "-1", "1e300", "1e-300", "", "9" * 400, "five", "1:2"])
    ),
)
def test_no_command_makes_a_limit_that_no_machine_has(kind: str, line: str, number: str) -> None:
    limits = klipper_limits({}, {"retract_length": 1.0}) if kind == "klipper" else MAKERS[kind](None)
    usual = dict(zip(limits.names, limits.values, strict=True))
    applied(limits, line.format(number))
    for name, value in zip(limits.names, limits.values, strict=True):
        assert math.isfinite(value), name
        assert 0 <= value <= 1e9, name
        if usual[name] > 0 and name not in limits.zero_allowed:
            assert value > 0, name


def test_m204_rows_are_noted_with_their_line() -> None:
    limits = marlin_limits(None)
    limits.acceleration_seen(41)
    assert limits.source("M204 P") == limits.source("M204 R") == "the file, M204 from line 41"
    klipper = klipper_limits({}, None)
    klipper.acceleration_seen(41)
    assert klipper.source("max_accel") == "the file, M204 from line 41"


@pytest.mark.parametrize(
    ("limits", "line", "says"),
    [
        (rrf_limits(None), "M203 X200 Y200", "M203 is in mm/min here and holds X to 3.3 mm/s"),
        (rrf_limits(None), "M566 X8 Y8", "M566 is in mm/min here and allows X steps of 0.13 mm/s"),
        (rrf_limits(None), "M203 X12000 Y12000", None),
        (rrf_limits(None), "M566 X480 Y480", None),
        (rrf_limits(None), "M203 S1 X200 Y200", None),
        (marlin_limits(None), "M203 X12000 Y12000", "M203 is in mm/s here and allows X 12000 mm/s"),
        (marlin_limits(None), "M203 X500 Y500", None),
        (marlin_limits(None), "M201 X12000 Y12000", None),
    ],
)
def test_values_meant_in_another_unit_are_said(limits: Limits, line: str, says: str | None) -> None:
    assert applied(limits, line)
    found = limits.wrong_units(line.partition(" ")[0])
    assert (found is None) is (says is None)
    assert says is None or (found or "").startswith(says)


@pytest.mark.parametrize("value", [0.0, -0.0, -5.0, math.nan, math.inf])
def test_a_settings_block_without_acceleration_leaves_the_default(value: float) -> None:
    """Slicers write 0 for "not limited"; a plan with it would have no end."""
    machine = {
        "max_acceleration_extruding": value,
        "max_acceleration_travel": value,
        "max_acceleration_x": value,
    }
    stated = rrf_limits(None)
    for limits in (rrf_limits(None, machine=machine), marlin_limits(None, machine=machine)):
        assert limits["M204 P"] > 0
        assert limits["M201 X"] > 0
    assert rrf_limits(None, machine=machine).values == stated.values
