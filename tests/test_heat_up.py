"""The heater model: seconds from stated rates, who waits for cooling, and what a profile may say."""

import dataclasses
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool import profiles
from gcodetool.errors import ProfileError
from gcodetool.gcode.dialects import Dialect, command
from gcodetool.gcode.program import read
from gcodetool.motion.file_cautions import file_cautions
from gcodetool.motion.heat_up import Heaters, seconds_between, warmed
from gcodetool.motion.timeline import Timeline
from gcodetool.motion.timing import START_S, build_timeline
from gcodetool.profiles import Heater, Printer, Waiting

# 23 °C room; whole numbers of seconds below: nozzle 2 °C/s, bed 0.5 °C/s
MODEL = Waiting(nozzle=Heater(2.0), bed=Heater(0.5), overhead_s=40.0)
COOLS = Waiting(nozzle=Heater(2.0, cooling_C_s=1.0), bed=Heater(0.5, cooling_C_s=0.1), overhead_s=40.0)


def timed(folder: Path, text: str, *, dialect: str = "marlin", waiting: Waiting = MODEL) -> Timeline:
    job = folder / "job.gcode"
    job.write_text(text)
    printer = Printer(name="bench-9", dialect=dialect, waiting=waiting)  # type: ignore[arg-type]
    return build_timeline(read(job, dialect=dialect), printer=printer)


def listed(found: Timeline) -> list[tuple[int, str, float, bool]]:
    return [(wait.line, wait.kind, pytest.approx(wait.seconds), wait.assumed) for wait in found.waits]


def test_each_wait_takes_target_minus_present_temperature(tmp_path: Path) -> None:
    found = timed(tmp_path, "M190 S60\nG28\nM109 S210\nG1 X50 E5 F3000\nM109 S220\n")
    assert listed(found) == [
        (1, "start", 40.0, False),
        (1, "heat", 37 / 0.5, False),
        (3, "heat", 187 / 2, False),
        (5, "heat", 10 / 2, False),
    ]
    assert found.waits[1].text == "M190 S60: 23 to 60 °C by the printer's heater model"
    assert found.total_waiting_s == pytest.approx(40 + 74 + 93.5 + 5)


def test_heaters_warm_while_another_is_waited_for(tmp_path: Path) -> None:
    found = timed(tmp_path, "M140 S60\nM104 S160\nM190 S60\nM109 S210\n")
    # the nozzle is at 160 °C after 68.5 s, before the bed is done after 74 s
    assert listed(found)[1:] == [(3, "heat", 74.0, False), (4, "heat", 25.0, False)]
    half = timed(tmp_path, "M140 S60\nM104 S210\nM190 S60\nM109 S210\n")
    assert listed(half)[2] == (4, "heat", (187 - 74 * 2) / 2, False)


def test_motion_counts_as_heating_time(tmp_path: Path) -> None:
    still = timed(tmp_path, "M104 S210\nM109 S210\n")
    moves = timed(tmp_path, "M104 S210\nG1 X200 F600\nG1 X0\nM109 S210\n")
    assert moves.total_moving_s > 40
    assert moves.waits[1].seconds == pytest.approx(still.waits[1].seconds - moves.total_moving_s)


def test_a_heater_at_its_target_is_not_waited_for(tmp_path: Path) -> None:
    found = timed(tmp_path, "M109 S210\nM109 S210\nM190 S10\n")
    assert [wait.seconds for wait in found.waits] == pytest.approx([40.0, 93.5, 0.0, 0.0])
    assert not any(wait.assumed for wait in found.waits)


@pytest.mark.parametrize(
    ("dialect", "line", "seconds", "assumed"),
    [
        ("marlin", "M109 S180", 0.0, False),  # waits for heat only
        ("marlin", "M109 R180", 30.0, False),
        ("klipper", "M109 S180", 30.0, False),  # waits for both
        ("klipper", "TEMPERATURE_WAIT SENSOR=extruder MAXIMUM=180", 0.0, True),  # nobody told it to cool
        ("reprapfirmware", "M109 S180", 0.0, False),
        ("reprapfirmware", "M109 R180", 30.0, False),
    ],
)
def test_who_waits_for_cooling(
    dialect: str, line: str, seconds: float, assumed: bool, tmp_path: Path
) -> None:
    found = timed(tmp_path, f"M109 S210\n{line}\n", dialect=dialect, waiting=COOLS)
    assert listed(found)[2] == (2, "heat", seconds, assumed)


def test_cooling_that_nobody_stated_is_nothing_and_said(tmp_path: Path) -> None:
    found = timed(tmp_path, "M109 S210\nM109 R180\nM109 S210\n")
    assert listed(found)[2:] == [(2, "heat", 0.0, True), (3, "heat", 15.0, False)]
    assert "no cooling rate" in found.waits[2].text


def test_a_heater_that_is_off_cools_to_the_room_and_no_further(tmp_path: Path) -> None:
    found = timed(tmp_path, "M109 S210\nM104 S0\nG4 S1000\nM109 S210\n", waiting=COOLS)
    assert found.waits[3].seconds == pytest.approx(187 / 2)
    found = timed(tmp_path, "M109 S210\nM104 S0\nG4 S20\nM109 S210\n", waiting=COOLS)
    assert found.waits[3].seconds == pytest.approx(20 / 2)


def test_all_heaters_off_at_once(tmp_path: Path) -> None:
    text = "M109 S210\nTURN_OFF_HEATERS\nG4 P20000\nM109 S210\n"
    found = timed(tmp_path, text, dialect="klipper", waiting=COOLS)
    assert found.waits[3].seconds == pytest.approx(20 / 2)


def test_klippers_own_words_for_heat(tmp_path: Path) -> None:
    text = (
        "SET_HEATER_TEMPERATURE HEATER=heater_bed TARGET=60\n"
        "SET_HEATER_TEMPERATURE HEATER=extruder TARGET=200\n"
        "TEMPERATURE_WAIT SENSOR=heater_bed MINIMUM=50\n"
        "TEMPERATURE_WAIT SENSOR=extruder MINIMUM=200\n"
        "TEMPERATURE_WAIT SENSOR=fan_of_the_lid MINIMUM=30\n"
        "M109 S230\n"
    )
    found = timed(tmp_path, text, dialect="klipper")
    assert listed(found)[1:] == [
        (3, "heat", 54.0, False),
        (4, "heat", 34.5, False),
        (5, "heat", 0.0, True),
        (6, "heat", 15.0, False),
    ]


def test_reprapfirmwares_tools_stand_by_and_come_back(tmp_path: Path) -> None:
    text = "G10 P0 S200 R150\nG10 P1 S220 R160\nT0\nM116 P0\nT1\nM116 P1\nG4 S500\nT0\nM116 P0\n"
    found = timed(tmp_path, text, dialect="reprapfirmware", waiting=COOLS)
    waits = [wait.seconds for wait in found.waits if wait.kind == "heat"]
    # meanwhile T1 warmed to its standby of 160 °C, T0 later cooled to its own of 150 °C
    assert waits == pytest.approx([177 / 2, 60 / 2, 50 / 2])


def test_tools_of_one_nozzle_share_its_heat(tmp_path: Path) -> None:
    text = "M109 S210\nT1\nM109 S210\nG1 X5 E1\n"
    two = timed(tmp_path, text)
    assert two.waits[2].seconds == pytest.approx(93.5)
    program = read(tmp_path / "job.gcode", dialect="marlin")
    facts = dataclasses.replace(program.facts, one_nozzle=True)
    printer = Printer(name="bench-9", dialect="marlin", waiting=MODEL)
    one = build_timeline(dataclasses.replace(program, facts=facts), printer=printer)
    assert one.waits[2].seconds == 0


def test_a_start_macro_that_names_temperatures_heats_them_one_by_one(tmp_path: Path) -> None:
    found = timed(
        tmp_path,
        "PRINT_START EXTRUDER_TEMP=210 BED_TEMP=60 MATERIAL=PETG\nG1 X50 E5 F3000\nM109 S210\n",
        dialect="klipper",
    )
    assert listed(found) == [
        (1, "start", 40.0, False),
        (1, "heat", 74 + 93.5, True),  # in which order the macro heats, the file does not say
        (3, "heat", 0.0, False),
    ]


def test_a_stated_start_wins_until_the_first_layer(tmp_path: Path) -> None:
    waiting = Waiting(start_s=300.0, nozzle=Heater(2.0), bed=Heater(0.5))
    text = "M190 S60\nM109 S210\nG1 X50 Z0.2 E5 F3000\nM109 S220\n"
    found = timed(tmp_path, text, waiting=waiting)
    assert listed(found) == [
        (1, "start", 300.0, False),
        (1, "heat", 0.0, True),
        (2, "heat", 0.0, True),
        (4, "heat", 5.0, False),
    ]


def test_without_overhead_the_start_is_heat_alone_and_said(tmp_path: Path) -> None:
    found = timed(tmp_path, "M109 S210\n", waiting=Waiting(nozzle=Heater(2.0)))
    assert listed(found) == [(1, "start", 0.0, True), (1, "heat", 93.5, False)]
    assert "no overhead_s" in found.waits[0].text


def test_a_heater_without_a_rate_is_said(tmp_path: Path) -> None:
    found = timed(tmp_path, "M190 S60\nM191 S40\n", waiting=Waiting(nozzle=Heater(2.0)))
    assert [(wait.seconds, wait.assumed) for wait in found.waits[1:]] == [(0.0, True), (0.0, True)]
    assert "no rate for the bed" in found.waits[1].text


def test_a_wait_that_the_firmware_has_as_a_macro_is_timed_and_not_said_to_be_left_out(tmp_path: Path) -> None:
    chamber = Waiting(nozzle=Heater(2.0), chamber=Heater(0.05))
    found = timed(tmp_path, "M191 S40\nWIPE_NOZZLE\nG1 X50 E5 F3000\n", dialect="klipper", waiting=chamber)
    assert found.waits[1].seconds == pytest.approx(17 / 0.05)
    said = file_cautions(read(tmp_path / "job.gcode", dialect="klipper"), found)
    assert [text.rpartition(", ")[2] for text in said if "macros?" in text] == [
        "kept and not timed: WIPE_NOZZLE (1)",
        "taken for macros that wait for that heat: M191 (1)",
    ]


def test_a_file_that_shows_no_heating_keeps_the_assumed_start(tmp_path: Path) -> None:
    found = timed(tmp_path, "G1 X50 E5 F3000\n")
    assert listed(found) == [(1, "start", START_S, True)]


@given(
    temperature=st.floats(-50, 400),
    goal=st.floats(-50, 400),
    rate=st.floats(0.001, 1000),
    share=st.floats(0, 1),
)
def test_warming_in_two_parts_is_warming_at_once(
    temperature: float, goal: float, rate: float, share: float
) -> None:
    heater = Heater(rate, cooling_C_s=rate)
    whole = seconds_between(temperature, goal, heater)
    assert whole is not None
    assert whole >= 0
    middle = warmed(temperature, goal, whole * share, heater)
    assert min(temperature, goal) <= middle <= max(temperature, goal)
    assert warmed(middle, goal, whole * (1 - share), heater) == pytest.approx(goal, abs=1e-6)


@given(
    lines=st.lists(
        st.sampled_from(
            [
                *(
                    "M104 S200",
                    "M109 S250",
                    "M109 R150",
                    "M190 S60",
                    "M140 S0",
                    "M116",
                    "M116 H1",
                    "T1",
                    "T0",
                ),
                *("M109 T1 S1e9", "M109", "M190 R40", "G10 P1 S200 R100", "M568 P0 S210", "M191 S50"),
                *("SET_HEATER_TEMPERATURE HEATER=extruder1", "TEMPERATURE_WAIT SENSOR=extruder MINIMUM=900"),
                *("TEMPERATURE_WAIT SENSOR=extruder MAXIMUM=40", "M109 T-3 S210", "M109 T99999999999 S210"),
            ]
        ),
        max_size=30,
    ),
    dialect=st.sampled_from(list(Dialect)),
)
def test_no_order_of_commands_makes_a_hostile_wait(lines: list[str], dialect: Dialect) -> None:
    heaters = Heaters(COOLS, dialect)
    now = 0.0
    tool = 0
    for line in lines:
        called = command(line.encode())
        if line.startswith("T") and line[1:].isdigit():
            heaters.select(int(line[1:]), tool, now)
            tool = int(line[1:])
            continue
        heaters.see(called, now, tool)
        if called.name in ("M109", "M190", "M191", "M116", "TEMPERATURE_WAIT"):
            found = heaters.wait(called, now, tool)
            assert math.isfinite(found.seconds)
            assert 0 <= found.seconds <= 1000 / 0.1
            now += found.seconds


# ---------------------------------------------------------------- what a profile may say

HEAD = 'name = "bench-9"\ndialect = "marlin"\n'


def printer_of(folder: Path, text: str) -> Printer:
    path = folder / "bench-9.toml"
    path.write_text(HEAD + text)
    return profiles.printer(path)


def test_a_profile_states_the_model(tmp_path: Path) -> None:
    text = "[waiting]\nroom_C = 18\noverhead_s = 95\n"
    text += "[waiting.nozzle]\nrate_C_s = 2.5\ncooling_C_s = 1\n[waiting.bed]\nrate_C_s = 0.4\n"
    assert printer_of(tmp_path, text).waiting == Waiting(
        room_C=18, overhead_s=95, nozzle=Heater(2.5, 1.0), bed=Heater(0.4)
    )
    assert not printer_of(tmp_path, "[waiting]\nstart_s = 90\n").waiting.heats


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("[waiting.nozzle]\nrate_C_s = 0\n", 4, "rate_C_s is 0, but must be from 0.001 to 1000"),
        ("[waiting.nozzle]\nrate_C_s = -2\n", 4, "rate_C_s is -2"),
        ("[waiting.bed]\nrate_C_s = inf\n", 4, "not finite"),
        ("[waiting.bed]\nrate_C_s = nan\n", 4, "not finite"),
        ('[waiting.bed]\nrate_C_s = "fast"\n', 4, "write a number without quotes"),
        ("[waiting.bed]\ncooling_C_s = 1\n", 3, "has no rate_C_s"),
        ("[waiting.bed]\nrate_C_s = 1\ncooling_C_s = 0\n", 5, "cooling_C_s is 0"),
        ("[waiting.bed]\nrate = 1\n", 4, "did you mean 'rate_C_s'"),
        ("[waiting]\nbed = 3\n", 4, "write a table"),
        ("[waiting.heater]\nrate_C_s = 1\n", 3, "'heater' is no key of [waiting]"),
        ("[waiting]\noverhead_s = 3\n", 4, "overhead_s says nothing without a heater"),
        ("[waiting]\noverhead_s = -3\n", 4, "overhead_s is -3"),
        ("[waiting]\nroom_C = 400\n", 4, "room_C is 400"),
    ],
)
def test_a_model_that_cannot_be_is_refused_with_its_line(
    text: str, line: int, says: str, tmp_path: Path
) -> None:
    with pytest.raises(ProfileError) as refused:
        printer_of(tmp_path, text)
    assert f"bench-9.toml:{line}: " in str(refused.value)
    assert says in str(refused.value)
