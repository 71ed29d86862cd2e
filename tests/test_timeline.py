"""Times against firmwares' own planners, and the laws of a timeline.

``data/motion`` holds what the unmodified planners of three firmwares made of three files; tolerances are
those agreed on (Klipper 0.02 %, Marlin 0.2 %, arcs under Marlin 1 %, RepRapFirmware 0.05 %).
"""

import dataclasses
import gzip
import json
import lzma
import math
import re
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetool.gcode.program import Program, read
from gcodetool.motion.timeline import Timeline
from gcodetool.motion.timing import PAUSE_S, START_S, build_timeline
from gcodetool.profiles import Printer, Waiting

DATA = Path(__file__).parent / "data" / "motion"


def cases(name: str) -> list[tuple[str, dict[str, Any], dict[str, Any]]]:
    """Return (file, case, about) of one firmware's expectations."""
    expected = json.loads((DATA / name).read_text())
    return [
        (file, case, expected["about"])
        for file, known in expected["files"].items()
        for case in known["cases"]
    ]


def named(found: list[tuple[str, dict[str, Any], dict[str, Any]]]) -> list[Any]:
    return [pytest.param(*one, id=f"{one[0]} {one[1]['case']}") for one in found]


KLIPPER = cases("expected.json")
MARLIN = cases("expected-marlin.json")
RRF = cases("expected-rrf.json")
LEFT_OUT = {
    "without header limits": re.compile(r"^(M201|M203|M205|M204 P\S+ R).*$", re.MULTILINE),
    "without its M203 line": re.compile(r"^M203.*$", re.MULTILINE),
}


def job_of(name: str, folder: Path) -> Path:
    """Return the file of a case; where lines are to be left out, a copy with them blank."""
    file, _, change = name.partition(" ")
    if not change:
        return DATA / file
    copy = folder / file
    copy.write_text(LEFT_OUT[change].sub("", (DATA / file).read_text()))
    return copy


def program_at(job: Path, dialect: str) -> Program:
    """Return a program whose layer marks count, though no slicer's name stands on top."""
    return dataclasses.replace(read(job, dialect=dialect), layer_marks=1)


def klipper_printer(case: dict[str, Any]) -> Printer:
    return Printer(name="case", dialect="klipper", klipper=case["limits"])


def marlin_printer(case: dict[str, Any], about: dict[str, Any]) -> Printer:
    given = about["limit_sets"][case["limits"]]
    tables = {word: given[word] for word in ("M201", "M203", "M204")}
    tables["M92"] = dict(zip("XYZE", about["firmware"]["steps_per_mm"], strict=True))
    tables["M205"] = {"J": given["J_mm"]} if case["build"] == "junction-deviation" else given["jerk_M205"]
    return Printer(name="case", dialect="marlin", marlin=tables)


def rrf_printer(case: dict[str, Any], about: dict[str, Any]) -> Printer:
    given = about["limit_sets"][case["limits"]]
    tables = {word: given[word] for word in ("M201", "M204", "M207")}
    tables["M203"] = given["M203_mm_min"]
    tables["M566"] = given["M566_mm_min"] | {"P": case["jerk_policy"]}
    return Printer(name="case", dialect="reprapfirmware", reprapfirmware=tables)


def expected_rows(name: str) -> dict[int, tuple[int, float]]:
    """Return line -> (moves, seconds)."""
    rows = {}
    for row in lzma.decompress((DATA / f"{name}.xz").read_bytes()).decode().splitlines()[1:]:
        line, moves, *seconds = row.split(",")
        rows[int(line)] = (int(moves), sum(float(part) for part in seconds[:3]))
    return rows


def found_rows(found: Timeline) -> dict[int, tuple[int, float]]:
    assert found.table is not None
    moves: dict[int, int] = defaultdict(int)
    seconds: dict[int, float] = defaultdict(float)
    for line, _, up, cruise, down, _ in found.table.tolist():
        moves[int(line)] += 1
        seconds[int(line)] += up + cruise + down
    return {line: (moves[line], seconds[line]) for line in moves}


def by_layer(values: "np.ndarray[Any, Any]", found: Timeline) -> list[float]:
    return [float(values[found.layer == layer].sum()) for layer in range(found.layers + 1)]


def with_xy(found: Timeline) -> float:
    assert found.table is not None
    kinds = found.table[:, 1].astype(int)
    return float(found.table[kinds & 3 == 3, 2:5].sum())


@pytest.mark.parametrize(("file", "case", "about"), named(KLIPPER))
def test_klipper_as_its_own_planner(
    file: str, case: dict[str, Any], about: dict[str, Any], tmp_path: Path
) -> None:
    found = build_timeline(
        program_at(job_of(file, tmp_path), "klipper"), printer=klipper_printer(case), moves=True
    )
    assert found.moves == case["moves"]
    assert found.total_moving_s == pytest.approx(case["motion_s"], rel=1e-6)  # agreed: 2e-4
    assert found.total_extruding_s == pytest.approx(case["forward_s"], rel=1e-6)  # agreed: 1e-3
    assert with_xy(found) == pytest.approx(case["forward_with_xy_s"], rel=1e-6)
    assert found.fed_mm.sum() == pytest.approx(case["e_net_mm"], rel=1e-6)
    assert found.forward_mm.sum() == pytest.approx(case["e_forward_mm"], rel=1e-6)
    dwells = sum(wait.seconds for wait in found.waits if wait.kind == "dwell")
    assert dwells == pytest.approx(case["dwell_s"])
    waiting = found.waiting_s.copy()
    waiting[0] -= START_S
    seconds = by_layer(found.moving_s + waiting, found)
    for (layer, z_mm, expected), at in zip(case["layer_seconds"], seconds, strict=True):
        assert at == pytest.approx(expected, rel=1e-5, abs=2e-6), layer  # agreed: 5e-3
        first = found.z_mm[(found.layer == layer) & ~np.isnan(found.z_mm)]
        if z_mm is None or layer == 0:
            continue
        assert first[0] == pytest.approx(z_mm), layer


@pytest.mark.parametrize("file", ["corners", "wedge", "arcs-and-limits"])
def test_each_klipper_line_takes_its_own_time(file: str) -> None:
    case = next(case for name, case, _ in KLIPPER if name == f"{file}.gcode" and case["case"] == "default")
    program = read(DATA / f"{file}.gcode", dialect="klipper")
    found = found_rows(build_timeline(program, printer=klipper_printer(case), moves=True))
    expected = expected_rows(f"{file}.lines.csv")
    assert found.keys() == expected.keys()
    for line, (moves, seconds) in expected.items():
        assert found[line][0] == moves, line
        assert found[line][1] == pytest.approx(seconds, abs=1e-6), line


@pytest.mark.parametrize(("file", "case", "about"), named(MARLIN))
def test_marlin_as_its_own_planner(
    file: str, case: dict[str, Any], about: dict[str, Any], tmp_path: Path
) -> None:
    program = program_at(job_of(file, tmp_path), "marlin")
    found = build_timeline(program, printer=marlin_printer(case, about), moves=True)
    # what remains: docs/motion.md B8
    arcs = file.startswith("arcs")
    assert found.moves == case["blocks"]
    assert found.total_moving_s == pytest.approx(case["motion_s"], rel=0.01 if arcs else 0.002)
    assert found.total_extruding_s == pytest.approx(case["forward_s"], rel=0.005)
    assert with_xy(found) == pytest.approx(case["forward_with_xy_s"], rel=0.005)
    assert sum(wait.seconds for wait in found.waits if wait.kind == "dwell") == pytest.approx(case["dwell_s"])
    for at, expected in zip(by_layer(found.moving_s, found), case["layer_seconds"], strict=True):
        assert at == pytest.approx(expected, rel=0.015 if arcs else 0.003, abs=0.015)


@pytest.mark.parametrize("build", ["classic", "jd"])
@pytest.mark.parametrize("file", ["corners", "wedge"])
def test_marlin_lines_take_their_own_time(file: str, build: str) -> None:
    table = f"{file}.marlin-{build}.lines.csv"
    case, about = next((case, about) for _, case, about in MARLIN if case.get("lines_csv") == table)
    program = read(DATA / f"{file}.gcode", dialect="marlin")
    found = found_rows(build_timeline(program, printer=marlin_printer(case, about), moves=True))
    expected = expected_rows(table)
    assert found.keys() == expected.keys()
    off = np.array([abs(found[line][1] - seconds) for line, (_, seconds) in expected.items()])
    assert np.quantile(off, 0.5) < 1e-6
    assert np.quantile(off, 0.95) < 1e-4 if file == "wedge" else 3e-3
    assert off.max() < 0.01  # one step at a near-stop


@pytest.mark.parametrize(("file", "case", "about"), named(RRF))
def test_reprapfirmware_as_its_own_planner(
    file: str, case: dict[str, Any], about: dict[str, Any], tmp_path: Path
) -> None:
    program = program_at(job_of(file, tmp_path), "reprapfirmware")
    found = build_timeline(program, printer=rrf_printer(case, about), moves=True)
    assert found.moves == case["moves"]
    assert found.total_moving_s == pytest.approx(case["motion_s"], rel=0.0005)
    assert found.total_extruding_s == pytest.approx(case["forward_s"], rel=0.0002)
    assert with_xy(found) == pytest.approx(case["forward_with_xy_s"], rel=0.0002)
    assert found.forward_mm.sum() == pytest.approx(case["e_forward_mm"], abs=5e-4)
    for at, expected in zip(by_layer(found.moving_s, found), case["layer_seconds"], strict=True):
        assert at == pytest.approx(expected, rel=0.001, abs=1e-3)


def test_each_reprapfirmware_line_takes_its_own_time() -> None:
    table = "corners.rrf-p0.lines.csv"
    case, about = next((case, about) for _, case, about in RRF if case.get("lines_csv") == table)
    program = read(DATA / "corners.gcode", dialect="reprapfirmware")
    found = found_rows(build_timeline(program, printer=rrf_printer(case, about), moves=True))
    expected = expected_rows(table)
    assert found.keys() == expected.keys()
    for line, (_, seconds) in expected.items():
        assert found[line][1] == pytest.approx(seconds, abs=1e-5), line


def test_a_header_meant_in_other_units_is_timed_and_said() -> None:
    case, about = next((case, about) for name, case, about in RRF if name == "wedge.gcode")
    found = build_timeline(
        read(DATA / "wedge.gcode", dialect="reprapfirmware"), printer=rrf_printer(case, about)
    )
    assert found.total_moving_s > 1600
    assert any("M203 is in mm/min here" in note and note.startswith("line 13:") for note in found.notes)


# --- laws and stories --------------------------------------------------------------------------


def written(folder: Path, text: str, **options: Any) -> Timeline:
    """Return the timeline of a short Klipper job."""
    job = folder / "job.gcode"
    job.write_bytes(text.encode())
    dialect = options.pop("dialect", "klipper")
    return build_timeline(program_at(job, dialect), **options)


def test_columns_add_up_and_clocks_run_on() -> None:
    found = build_timeline(read(DATA / "corners.gcode", dialect="klipper"))
    assert found.moving_s.sum() == pytest.approx(found.total_moving_s)
    assert found.extruding_s.sum() == pytest.approx(found.total_extruding_s)
    assert found.waiting_s.sum() == pytest.approx(found.total_waiting_s)
    assert found.open_air_s == pytest.approx(found.total_moving_s + found.total_waiting_s)
    assert (found.extruding_s <= found.moving_s + 1e-9).all()
    ends = found.start_s + found.moving_s + found.waiting_s
    assert found.start_s[0] == 0
    assert found.start_s[1:] == pytest.approx(ends[:-1])
    fed = found.forward_mm > 0
    assert (found.last_forward_s[fed] <= ends[fed] + 1e-9).all()
    assert (found.last_forward_s[fed] > found.start_s[fed]).all()
    assert np.isnan(found.last_forward_s[~fed]).all()
    assert (np.diff(found.line) > 0).all()
    assert found.table is None


def test_a_stretch_starts_where_its_mark_or_tool_change_stands(tmp_path: Path) -> None:
    text = (
        "M82\nG1 X10 E1 F600\n;LAYER_CHANGE\nG1 Z0.2\nG1 X20 E2\nT1\nG92 E0\nG1 X30 E1\n"
        ";LAYER_CHANGE\nG1 Z0.4\nG1 X0 E3\nT0\nG1 X1 E4\n"
    )
    head = "; generated by SLICER 2.5.0 on 2026-11-02 at 08:00:00 UTC\n"
    found = written(tmp_path, head + text, dialect="marlin")
    assert found.layer.tolist() == [0, 1, 1, 2, 2]
    assert found.tool.tolist() == [0, 0, 1, 1, 0]
    assert found.line.tolist() == [1, 4, 7, 10, 13]
    lines = (head + text).encode().splitlines(keepends=True)
    assert [int(at) for at in found.offset] == [sum(map(len, lines[: n - 1])) for n in found.line]
    assert found.fed_mm.tolist() == pytest.approx([1, 1, 1, 2, 1])
    assert found.z_mm.tolist() == pytest.approx([0.0, 0.2, 0.2, 0.4, 0.4])
    assert found.tools == (0, 1)
    assert found.filament_mm(0) == pytest.approx(3)
    assert found.needed_s(1) == pytest.approx(found.last_forward_s[3])
    assert found.demands[1].forward_mm == pytest.approx(3)


def test_waits_are_listed_with_their_lines(tmp_path: Path) -> None:
    text = "G28\nM190 S60\nM109 S210 ; hot\nG1 X50 F3000\nG4 P1500\nM0 Look\nM0 S20\nG1 X0\nM190 S0\n"
    found = written(tmp_path, text, dialect="marlin")
    listed = [(wait.line, wait.kind, wait.seconds, wait.assumed, wait.text) for wait in found.waits]
    assert listed == [
        (2, "start", START_S, True, "heating and start, length assumed"),
        (2, "heat", 0.0, True, "M190 S60"),
        (3, "heat", 0.0, True, "M109 S210"),
        (5, "dwell", 1.5, False, "G4 P1500"),
        (6, "pause", PAUSE_S, True, "M0 Look"),
        (7, "pause", 20.0, False, "M0 S20"),
    ]
    assert found.total_waiting_s == pytest.approx(START_S + 1.5 + PAUSE_S + 20)


def test_the_printers_start_is_no_assumption(tmp_path: Path) -> None:
    printer = Printer(name="bench-1", dialect="klipper", waiting=Waiting(start_s=240.0))
    found = written(tmp_path, "G1 X50 E5 F3000\n", printer=printer)
    assert [(wait.line, wait.kind, wait.seconds, wait.assumed) for wait in found.waits] == [
        (1, "start", 240.0, False)
    ]
    assert found.needed_s(0) == pytest.approx(240 + found.total_moving_s)


def test_m0_ends_a_job_under_reprapfirmware_and_is_no_pause(tmp_path: Path) -> None:
    found = written(tmp_path, "G1 X50 F3000\nM0\n", dialect="reprapfirmware")
    assert [wait.kind for wait in found.waits] == ["start"]


FOUR = {"max_velocity": 100, "max_accel": 1000, "square_corner_velocity": 5, "minimum_cruise_ratio": 0}


def test_one_move_from_rest_to_rest(tmp_path: Path) -> None:
    printer = Printer(name="bench-1", dialect="klipper", klipper=FOUR)
    found = written(tmp_path, "G1 X100 F6000\n", printer=printer, moves=True)
    assert found.total_moving_s == pytest.approx(100 / 100 + 100 / 1000)  # L/v + v/a
    assert found.table is not None
    assert found.table.tolist() == [[1, 2, pytest.approx(0.1), pytest.approx(0.9), pytest.approx(0.1), 0]]


def test_heat_stops_marlin_and_not_klipper(tmp_path: Path) -> None:
    whole = "G1 X50 F3000\nG1 X100\n"
    split = "G1 X50 F3000\nM109 S210\nG1 X100\n"
    klipper = Printer(name="bench-1", dialect="klipper", klipper=FOUR)
    for dialect, printer, stops in (("klipper", klipper, False), ("marlin", None, True)):
        times = [
            written(tmp_path, text, dialect=dialect, printer=printer).total_moving_s
            for text in (whole, split)
        ]
        assert (times[1] > times[0] + 0.01) is stops


def test_firmware_retraction_takes_time_and_feeds_nothing(tmp_path: Path) -> None:
    text = "M83\nG1 X10 E1 F1200\nG10\nG10\nG1 X40 F6000\nG11\nG1 X50 E1 F1200\n"
    own = {"retract_length": 0.8, "retract_speed": 10, "unretract_speed": 5, "unretract_extra_length": 0.1}
    bare = Printer(name="bench-1", dialect="klipper", klipper=FOUR)
    has = Printer(name="bench-1", dialect="klipper", klipper=FOUR, klipper_firmware_retraction=own)
    without = written(tmp_path, text, printer=bare, moves=True)
    found = written(tmp_path, text, printer=has, moves=True)
    assert found.filament_mm(0) == without.filament_mm(0) == pytest.approx(2)
    assert without.table is not None
    assert found.table is not None
    assert without.table[:, 1].tolist() == [3, 2, 3]
    assert found.table[:, 1].tolist() == [3, 4, 2, 1, 3]  # the second G10 does nothing, G11 is forward
    a = 1000 * 4 * 0.4**2 / (math.pi * 1.75**2 / 4)
    assert found.table[3, 2:5].sum() == pytest.approx(0.9 / 5 + 5 / a)
    assert found.demands[0].retractions == 1
    assert found.demands[0].longest_retraction_mm == pytest.approx(0.8)
    assert any("3 times G10 or G11" in note for note in without.notes)
    assert not any("G10" in note for note in found.notes)


def test_marlins_own_retraction_lifts_and_lowers_z(tmp_path: Path) -> None:
    tables = {
        "M203": {"X": 300, "Y": 300, "Z": 10, "E": 100},
        "M201": {"X": 1e4, "Y": 1e4, "Z": 1e4, "E": 1e4},
        "M204": {"P": 1e4, "R": 1e4, "T": 1e4},
        "M205": {"J": 0.013},
        "M207": {"S": 1.0, "F": 2400, "Z": 1.0},
        "M208": {"F": 2400},
    }
    printer = Printer(name="bench-2", dialect="marlin", marlin=tables)
    text = "M83\nG1 X10 E1 F1200\nG10\nG1 X40 F6000\nG11\nG1 X50 E1 F1200\n"
    found = written(tmp_path, text, dialect="marlin", printer=printer, moves=True)
    assert found.table is not None
    assert found.table[:, 1].tolist() == [3, 4, 0, 2, 0, 1, 3]
    lift = found.table[2, 2:5].sum()
    assert lift == pytest.approx(1 / 10 + 10 / 1e4, rel=0.02)
    assert found.z_mm[0] == 0  # the job's own Z


def test_demands_name_flow_travel_and_retractions(tmp_path: Path) -> None:
    printer = Printer(name="bench-1", dialect="klipper", klipper={"max_velocity": 100, "max_accel": 1e6})
    text = "M83\nG1 X100 E5 F3000\nG1 E-1 F1800\nG1 Y60 F6000\nG1 Y30\nG1 E1 F1800\nG1 X0 E10 F3000\n"
    found = written(tmp_path, text, printer=printer).demands[0]
    area = math.pi * 1.75**2 / 4
    assert found.flow(0.25) == pytest.approx(0.05 * 50 * area, abs=0.13)
    assert found.flow(0.95) == pytest.approx(0.10 * 50 * area, abs=0.13)
    assert sum(found.flow_s) == pytest.approx(200 / 50, rel=1e-3)
    assert (found.retractions, found.longest_retraction_mm) == (1, 1)
    assert (found.travel_mm, found.longest_over_print_mm) == (90, 90)
    assert found.path_mm == 200


def test_low_box_covers_what_comes_after_the_watched_place(tmp_path: Path) -> None:
    before = "G28\nG1 X5 Y5 Z0.3 F6000\nG1 X50\n"
    after = "G1 X60 Y70\nG1 Z9\nG1 X200 Y200\nG1 Z0.4\nG1 X190\n"
    found = written(tmp_path, before + after, watch=(len(before), 5.0))
    assert found.low_box == (50, 5, 200, 200)
    assert written(tmp_path, before + after, watch=(len(before + after), 5.0)).low_box is None
    assert written(tmp_path, before + after).low_box is None
    whole = written(tmp_path, before + after)
    split = written(tmp_path, before + after, watch=(len(before), 5.0))
    assert split.total_moving_s == whole.total_moving_s


def test_packed_files_are_read_through(tmp_path: Path) -> None:
    packed = tmp_path / "wedge.gcode.gz"
    packed.write_bytes(gzip.compress((DATA / "wedge.gcode").read_bytes()))
    plain = build_timeline(read(DATA / "wedge.gcode"))
    assert build_timeline(read(packed)).total_moving_s == plain.total_moving_s


def test_unsure_files_are_timed_by_marlins_rules_and_said(tmp_path: Path) -> None:
    job = tmp_path / "job"
    job.write_text("G28\nG1 X50 E5 F3000\n")
    found = build_timeline(read(job))
    assert found.rules == "marlin"
    assert any("timed by Marlin's rules" in note for note in found.notes)
    assert any(note.startswith("limits guessed from defaults: ") for note in found.notes)
    assert all(use.source for use in found.limits)


def test_progress_names_the_bytes_done() -> None:
    seen: list[int] = []
    build_timeline(read(DATA / "wedge.gcode"), progress=seen.append)
    assert seen[-1] == (DATA / "wedge.gcode").stat().st_size


def test_memory_does_not_grow_with_layers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import gcodetool.motion.stretches as under_test

    monkeypatch.setattr(under_test, "MOST_STRETCHES", 10)
    text = "".join(f";LAYER_CHANGE\nG1 X{n % 2} Y{n} Z{n / 10} E{n}\n" for n in range(1, 60))
    found = written(tmp_path, text)
    assert len(found.layer) == 10
    assert found.filament_mm(0) == pytest.approx(59)
    assert any("more than 10 layers" in note for note in found.notes)


HOSTILE = st.sampled_from(
    [
        "1e300",
        "-1e300",
        "1" * 400,
        "0",
        "-0",
        "0.0000000001",
        "999999999",
        "nan",
        "inf",
        "1.5",
        "-3",
        "",
        "--1",
    ]
)
WORDS = st.lists(st.tuples(st.sampled_from("XYZEFIJRSPTK"), HOSTILE), max_size=5).map(
    lambda pairs: " ".join(letter + number for letter, number in pairs)
)
NAMES = [f"G{n}" for n in (0, 1, 2, 3, 4, 10, 11, 28, 90, 91, 92)] + ["T0", "T1"]
NAMES += [f"M{n}" for n in (82, 83, 92, 201, 203, 204, 205, 207, 208, 220, 221, 400, 566, 572, 900)]
ODD = """
SET_VELOCITY_LIMIT ACCEL=1e-300
SET_VELOCITY_LIMIT ACCEL=0 VELOCITY=nan
SET_VELOCITY_LIMIT MINIMUM_CRUISE_RATIO=0.99999999 SQUARE_CORNER_VELOCITY=1e200
SET_RETRACTION RETRACT_LENGTH=1e9
SET_PRESSURE_ADVANCE SMOOTH_TIME=1e9
;LAYER_CHANGE
M0
M109 S200
G20
G21
""".strip().splitlines()
LINES = st.one_of(st.tuples(st.sampled_from(NAMES), WORDS).map(" ".join), st.sampled_from(ODD))


@pytest.mark.parametrize("dialect", ["klipper", "marlin", "reprapfirmware"])
@given(lines=st.lists(LINES, min_size=1, max_size=40))
@settings(max_examples=150)
def test_hostile_numbers_never_make_hostile_times(
    dialect: str, lines: list[str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    found = written(tmp_path_factory.mktemp("job"), "\n".join([*lines, "G1 X1 F600", ""]), dialect=dialect)
    for times in (found.moving_s, found.extruding_s, found.waiting_s, found.start_s, found.fed_mm):
        assert np.isfinite(times).all()
    assert (found.moving_s >= 0).all()
    assert (found.waiting_s >= 0).all()
    assert (found.extruding_s >= 0).all()
    for demands in found.demands.values():
        assert np.isfinite(demands.flow_s).all()


def test_arcs_that_klipper_refuses_take_no_time(tmp_path: Path) -> None:
    printer = Printer(name="bench-1", dialect="klipper", klipper=FOUR)
    plain = written(tmp_path, "G1 X50 F3000\nG1 X100\n", printer=printer)
    refused = written(tmp_path, "G1 X50 F3000\nG2 X60 Y10 R20\nG1 X100\n", printer=printer)
    assert refused.total_moving_s == plain.total_moving_s
    assert any("1 arcs" in note for note in refused.notes)


@pytest.mark.parametrize("dialect", ["marlin", "reprapfirmware"])
def test_an_arc_by_radius_is_the_arc_by_its_centre(dialect: str, tmp_path: Path) -> None:
    centre = written(tmp_path, "G1 X10 F3000\nG3 X0 Y10 I-10 J0\nG2 X10 Y20 I10 J0\n", dialect=dialect)
    radius = written(tmp_path, "G1 X10 F3000\nG3 X0 Y10 R10\nG2 X10 Y20 R10\n", dialect=dialect)
    assert radius.moves == centre.moves
    assert radius.total_moving_s == pytest.approx(centre.total_moving_s, rel=1e-6)


def test_a_move_is_never_lost_between_blocks() -> None:
    program = read(DATA / "wedge.gcode", dialect="klipper")
    whole = build_timeline(program)
    data = (DATA / "wedge.gcode").read_bytes()

    class Slices:
        """The same file, handed over in small blocks."""

        def __getattr__(self, name: str) -> Any:
            return getattr(program, name)

        def blocks(self) -> list[bytes]:
            out, at = [], 0
            while at < len(data):
                end = data.find(b"\n", at + 1000) + 1 or len(data)
                out.append(data[at:end])
                at = end
            return out

    sliced = build_timeline(Slices())  # type: ignore[arg-type]
    assert sliced.moving_s.tolist() == whole.moving_s.tolist()
    assert sliced.line.tolist() == whole.line.tolist()
    assert sliced.offset.tolist() == whole.offset.tolist()
