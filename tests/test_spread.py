"""How far a time may be off where limits are guessed, and the difference to the slicer's claim by kind."""

import dataclasses
import functools
import io
import re
from pathlib import Path

import pytest

from gcodetool.app.check import check
from gcodetool.app.conditions import Conditions
from gcodetool.app.examine import examine
from gcodetool.gcode.batches import Batch
from gcodetool.gcode.dialects import Dialect
from gcodetool.gcode.markers import SlicerFacts
from gcodetool.gcode.program import Program, read
from gcodetool.gcode.rows import Rows
from gcodetool.motion import time_uncertainty
from gcodetool.motion.limits import Limits, klipper_limits, limits_for
from gcodetool.motion.time_uncertainty import (
    FAST,
    SLOW,
    as_guessed,
    assume,
    claim_difference,
    moving_range,
)
from gcodetool.motion.timing import FELT, START_S, build_timeline, moving_times
from gcodetool.profiles import Printer
from gcodetool.report.as_json import as_dict
from gcodetool.report.as_text import print_report

ZIGZAG = "".join(f"G1 X{30 * (n % 2)} Y{n} Z{n / 100} E{n}\n" for n in range(1, 60))
DIALECTS = ["marlin", "klipper", "reprapfirmware"]
# a profile that states all that most jobs feel
STATED = {
    "marlin": {"M201": {"X": 900, "Y": 900}, "M204": {"P": 900, "T": 900}, "M205": {"J": 0.02}},
    "klipper": {"max_accel": 900, "max_velocity": 200, "square_corner_velocity": 4},
    "reprapfirmware": {
        "M201": {"X": 900, "Y": 900},
        "M203": {"X": 12000, "Y": 12000},
        "M204": {"P": 900, "T": 900},
        "M566": {"X": 500, "Y": 500},
    },
}


def printer(dialect: str) -> Printer:
    return Printer(name="bench-9", dialect=dialect, **{dialect: STATED[dialect]})  # type: ignore[arg-type]


def job(folder: Path, dialect: str, text: str = "G1 F9000\n" + ZIGZAG) -> Program:
    path = folder / "job.gcode"
    path.write_text(text)
    return read(path, dialect=dialect)


@pytest.mark.parametrize("dialect", DIALECTS)
def test_the_range_holds_what_was_guessed_and_is_what_the_sets_make(dialect: str, tmp_path: Path) -> None:
    program = job(tmp_path, dialect)
    found = build_timeline(program)
    known = moving_range(program, found)
    assert known is not None
    low, high = known
    assert low < found.total_moving_s < high

    def slower(limits: Limits) -> None:
        assume(limits, SLOW[program.dialect], slower=True)

    slow, as_found = moving_times(program, (slower, as_guessed))
    assert slow == pytest.approx(high, rel=0.05)  # but for Marlin's corner build
    assert as_found == found.total_moving_s


@pytest.mark.parametrize("dialect", DIALECTS)
@pytest.mark.parametrize("few", [4096, 7])
def test_what_was_kept_of_a_small_file_gives_the_same_range(
    dialect: str, few: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gcodetool.gcode.batches.Rows", functools.partial(Rows, few))
    program = job(tmp_path, dialect)
    kept: list[Batch] = []
    found = build_timeline(program, keep=kept)
    assert len(kept) == 1 if few > 1000 else len(kept) > 3
    again = moving_range(program, found)
    program.path.unlink()  # nothing is read once more
    assert moving_range(program, found, kept=kept) == again


@pytest.mark.parametrize("dialect", DIALECTS)
def test_there_is_no_range_where_a_profile_says_all_that_is_felt(dialect: str, tmp_path: Path) -> None:
    program = job(tmp_path, dialect)
    machine = printer(dialect)
    assert moving_range(program, build_timeline(program, printer=machine), printer=machine) is None


@pytest.mark.parametrize("dialect", DIALECTS)
def test_what_is_stated_does_not_spread(dialect: str) -> None:
    for values, slower in ((SLOW, True), (FAST, False)):
        limits = limits_for(Dialect.named(dialect), printer=printer(dialect))
        before = {name: limits[name] for name in limits.names if name not in limits.guessed}
        assume(limits, values[Dialect.named(dialect)], slower=slower)
        assert {name: limits[name] for name in before} == before


def test_a_guess_never_moves_the_wrong_way() -> None:
    limits = klipper_limits(None, None, machine={"max_acceleration_extruding": 300.0})
    assume(limits, SLOW[Dialect.KLIPPER], slower=True)
    assert limits["max_accel"] == 300  # the settings block's is slower than the slow machine's
    assume(limits, FAST[Dialect.KLIPPER], slower=False)
    assert limits["max_accel"] == 7000


def test_klippers_extrude_only_limits_follow() -> None:
    limits = klipper_limits(None, None)
    before = limits["max_extrude_only_velocity"]
    assume(limits, {"max_velocity": 150.0}, slower=True)
    assert limits["max_extrude_only_velocity"] == pytest.approx(before / 2)


def test_the_corner_build_spreads_where_all_else_is_in_the_file(tmp_path: Path) -> None:
    head = "M201 X1000 Y1000 Z1000 E1000\nM203 X500 Y500 Z50 E100\nM204 P1000 R1000 T1000\nG1 F9000\n"
    program = job(tmp_path, "marlin", head + "".join(f"G1 X{n // 2} Y{(n + 1) // 2}\n" for n in range(200)))
    found = build_timeline(program)
    known = moving_range(program, found)
    assert known is not None
    assert known[0] < 0.9 * found.total_moving_s
    classic = dataclasses.replace(printer("marlin"), marlin={"M205": {"X": 10, "Y": 10, "Z": 0.3, "E": 5}})
    assert known[0] == pytest.approx(build_timeline(program, printer=classic).total_moving_s, rel=1e-3)


def test_large_files_are_planned_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program = job(tmp_path, "klipper")
    found = build_timeline(program)
    assert moving_range(program, found) is not None
    monkeypatch.setattr(
        time_uncertainty, "MOST_MOVES", found.moves - 1
    )  # moves: a packed file is no smaller a job
    assert moving_range(program, found) is None


def claimed(program: Program, seconds: float | None, **limits: float) -> Program:
    facts = SlicerFacts(claimed_s=seconds, machine_limits={key: (value,) for key, value in limits.items()})
    return dataclasses.replace(program, facts=facts)


def test_the_difference_is_whole_and_by_kind(tmp_path: Path) -> None:
    program = claimed(job(tmp_path, "marlin", ZIGZAG + "G4 S7\nM600\n"), 30.0, max_acceleration_extruding=400)
    machine = printer("marlin")
    found = build_timeline(program, printer=machine)
    parts = claim_difference(program, found, printer=machine)
    assert parts is not None
    by_kind = dict(parts)
    assert sum(by_kind.values()) == pytest.approx(found.open_air_s - 30)
    assert by_kind["start"] == START_S
    assert (by_kind["dwell"], by_kind["pause"]) == (7, 60)
    by_block = build_timeline(program).total_moving_s
    assert by_kind["limits"] == pytest.approx(found.total_moving_s - by_block)
    assert by_kind["limits"] < 0
    assert by_kind["motion"] == pytest.approx(by_block - 30)


def test_without_a_claim_there_is_no_difference(tmp_path: Path) -> None:
    program = claimed(job(tmp_path, "marlin"), None)
    assert claim_difference(program, build_timeline(program)) is None


def test_without_a_settings_block_limits_are_no_kind(tmp_path: Path) -> None:
    program = claimed(job(tmp_path, "klipper"), 12.0)
    machine = printer("klipper")
    parts = claim_difference(program, build_timeline(program, printer=machine), printer=machine)
    assert parts is not None
    assert {kind for kind, _ in parts} == {"start", "motion"}


def test_every_set_names_limits_that_exist() -> None:
    for dialect in Dialect:
        names = set(limits_for(dialect).names)
        assert SLOW[dialect].keys() <= names
        assert FAST[dialect].keys() <= names
        assert set(FELT[dialect]) <= names


def test_the_caution_about_units_names_its_line_and_the_first_only(tmp_path: Path) -> None:
    program = job(tmp_path, "marlin", "M203 X9000 Y9000\nM203 X12000 Y12000\n" + ZIGZAG)
    said = [note for note in build_timeline(program).notes if "M203 is in mm/s here" in note]
    assert len(said) == 1
    assert said[0].startswith("line 1: ")


def test_a_report_shows_the_range_and_the_difference(tmp_path: Path) -> None:
    program = claimed(job(tmp_path, "marlin"), 30.0)
    found = check(program, {}, at=0.0)
    time = as_dict(found)["time"]
    assert time["moving_s_range"]["low"] < time["moving_s"] < time["moving_s_range"]["high"]
    assert [part["kind"] for part in time["claim_difference"]] == ["start", "motion"]
    shown = io.StringIO()
    print_report(found, shown)
    text = " ".join(shown.getvalue().split())
    assert re.search(r"moving ~\d+ s \(between \d+ s and \d+ s, limits guessed\)", text)
    assert "against the slicer's: start +3 min 0 s, motion calculated differently " in text
    alone = examine(program, {}, Conditions(0.0), spread=False).findings
    assert as_dict(alone)["time"]["moving_s_range"] is None
    assert as_dict(alone)["time"]["claim_difference"] is None
