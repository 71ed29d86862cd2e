"""One marginal spool, jobs that differ in one thing: the tweaks that a whole check suggests differ too."""

from dataclasses import replace

import pytest

from gcodetool import profiles
from gcodetool.app.conditions import Conditions
from gcodetool.app.examine import examine
from gcodetool.gcode.program import read
from gcodetool.ledger.spoolfile import read_spool
from gcodetool.tweaks.suggest import NOZZLE, RETRACTION, SLOWEST
from gcodetool.tweaks.tool_demands import of_config

AT_S = 1793606400.0  # 2026-11-02 08:00 UTC
SPOOL = """\
id = "petg-03"
material = "PETG"
diameter_mm = 1.75
net_mass_g = 1000
[place.bench]
kind = "open"
temperature_C = 22.0
rh_pct = 25.0
[[event]]
at = 2026-11-02T07:59:00Z
kind = "received"
water_wt_pct = {water}
place = "bench"
"""
PRINTER = replace(
    profiles.printer("bench-2"),
    retraction=replace(profiles.printer("bench-2").retraction, max_length_mm=3.0),
    hot_end=replace(profiles.printer("bench-2").hot_end, max_flow_mm3_s=11.0, melt_zone_mm3=60.0),
)


def job(*, feed=1800, travel=60, dwell_s=0.0, nozzle=250):
    """Four layers of a square, with one long way back over it each."""
    lines = ["M82", f"M109 S{nozzle}", "G28", "G92 E0", "M83", "G1 Z5 F600"]
    for layer in range(1, 5):
        lines += [f"G1 Z{0.2 * layer:.1f} F600", f"G1 X0 Y0 F{feed}"]
        for side in range(8):
            lines += [
                f"G1 X{40 * (side % 2)} Y{side * 5} E1.6 F{feed}",
                f"G1 X{40 * (1 - side % 2)} Y{side * 5 + 5} E1.6",
            ]
        lines += [
            "G1 E-0.8 F2100",
            f"G0 X{40 - travel} Y40 F9000",
            "G1 E0.8 F2100",
            f"G1 X40 Y45 E1.6 F{feed}",
        ]
        if dwell_s:
            lines.append(f"G4 P{dwell_s * 1000:.0f}")
    return "\n".join(lines) + "\n"


def suggested(folder, *, water=0.1, printer=PRINTER, **more):
    path = folder / "clip.gcode"
    path.write_text(job(**more), encoding="utf-8")
    spool = folder / "petg-03.toml"
    spool.write_text(SPOOL.format(water=water), encoding="utf-8")
    found = examine(
        read(path, dialect="marlin"),
        {None: read_spool(spool)},
        Conditions(AT_S, printer, members=1),
        spread=False,
    ).findings
    assert found.verdict == "adjust"
    return {tweak.setting: tweak for tweak in found.tools[0].tweaks}


def test_only_the_flow_differs(tmp_path) -> None:
    slow, fast = (suggested(tmp_path, feed=feed, water=0.16)[NOZZLE].after for feed in (1200, 5400))
    assert slow < fast < 250


def test_only_the_longest_travel_differs(tmp_path) -> None:
    near, far = (suggested(tmp_path, travel=travel, water=0.16)[RETRACTION].after for travel in (60, 240))
    assert 0.8 < near < far <= 3.0


@pytest.mark.parametrize("water", [0.09, 0.16])
def test_only_the_time_in_the_melt_differs(tmp_path, water) -> None:
    short, long = (suggested(tmp_path, dwell_s=dwell, water=water) for dwell in (0.0, 120.0))
    told = {setting: tweak.after for setting, tweak in short.items()}
    assert told != {setting: tweak.after for setting, tweak in long.items()}
    assert SLOWEST in long
    assert long[NOZZLE].after <= short[NOZZLE].after


def test_each_bound_raised_in_turn_changes_or_blocks(tmp_path) -> None:
    free = suggested(tmp_path, water=0.16)
    weak = replace(PRINTER, hot_end=replace(PRINTER.hot_end, max_flow_mm3_s=3.5))
    assert suggested(tmp_path, water=0.16, printer=weak).get(NOZZLE) != free[NOZZLE]
    short = replace(PRINTER, retraction=replace(PRINTER.retraction, max_length_mm=0.85))
    assert suggested(tmp_path, water=0.16, printer=short)[RETRACTION].after == 0.85 < free[RETRACTION].after
    assert NOZZLE not in suggested(tmp_path, water=0.16, nozzle=230)  # at the bonding floor already


@pytest.mark.parametrize(
    ("stated", "tool", "number"),
    [
        ("30", 0, 30.0),
        ("30", 2, 30.0),  # one figure is for all tools
        ("30,25", 1, 25.0),
        ("30,25", 2, None),  # two figures leave the third open
        ("50%", 0, 15.0),
        (None, 0, 15.0),
    ],
)
def test_a_setting_is_read_for_its_tool_from_the_first_key_that_states_a_number(stated, tool, number) -> None:
    config = {"first": stated, "second": "15"} if number == 15.0 else {"first": stated}
    assert of_config(config, ("first", "second"), tool) == number
