"""Tool changes: what counts as one, how long it takes, and that none is counted twice."""

import dataclasses
import io
import itertools
import lzma
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool.app.check import check
from gcodetool.gcode.markers import Family, SlicerFacts, facts
from gcodetool.gcode.program import Program, read
from gcodetool.motion.changes import ONE_NOZZLE_S, OTHERWISE_S, PULLED_OUT_MM, assumed_range, change
from gcodetool.motion.time_uncertainty import claim_difference
from gcodetool.motion.timeline import Timeline, Wait
from gcodetool.motion.timing import PAUSE_S, build_timeline
from gcodetool.profiles import Printer, Waiting
from gcodetool.report.as_json import as_dict
from gcodetool.report.as_text import print_report

SAMPLE = Path(__file__).parent / "data" / "gcode" / "a10-hose-marker-petg-two-colour-change-times.gcode.xz"
KEYS = (b"; filament_load_time = 34,37", b"; filament_unload_time = 31,28")
LAID = "G1 X50 E5 F3000\nG1 X0 E5\n"
OWN = SlicerFacts(load_s=(34.0, 37.0), unload_s=(31.0, 28.0))
DIALECTS = ["marlin", "klipper", "reprapfirmware"]


def job(folder: Path, text: str, *, dialect: str = "marlin", said: SlicerFacts = OWN) -> Program:
    path = folder / "job.gcode"
    path.write_text("M83\n" + text)
    return dataclasses.replace(read(path, dialect=dialect), facts=said)


def changes(found: Timeline) -> list[Wait]:
    return [wait for wait in found.waits if wait.kind == "change"]


# --- the sample, whose claim counts the changes ---


def sample(folder: Path, *changed: tuple[bytes, bytes]) -> Program:
    text = lzma.decompress(SAMPLE.read_bytes())
    for old, new in changed:
        assert text.count(old) == 1
        text = text.replace(old, new)
    path = folder / "marker.gcode"
    path.write_bytes(text)
    return read(path)


def test_with_change_times_open_air_is_what_the_slicer_says(tmp_path: Path) -> None:
    program = sample(tmp_path)
    found = build_timeline(program)
    claim = program.facts.claimed_s
    assert claim == 5590
    assert found.open_air_s == pytest.approx(claim, rel=0.05)
    in_file = sum(wait.seconds for wait in found.waits if wait.kind == "start")
    assert found.open_air_s - in_file == pytest.approx(claim, rel=0.01)  # claims leave out the start
    assert found.total_moving_s < 0.2 * claim
    # 36 times out of T0 into T1, and as often back
    assert sum(wait.seconds for wait in changes(found)) == 36 * (31 + 37) + 36 * (28 + 34)
    assert not any(wait.assumed for wait in changes(found))
    assert assumed_range(found.waits) is None
    parts = dict(claim_difference(program, found) or ())
    assert "change" not in parts  # both count the same
    assert sum(parts.values()) == pytest.approx(found.open_air_s - claim)


def test_without_the_keys_a_length_is_assumed_with_a_spread_and_said(tmp_path: Path) -> None:
    program = sample(tmp_path, *((line, line.split(b"=")[0] + b"= 0") for line in KEYS))
    found = build_timeline(program)
    assert {wait.seconds for wait in changes(found)} == {ONE_NOZZLE_S[0]}
    assert all(wait.assumed for wait in changes(found))
    least, most = (72 * seconds for seconds in ONE_NOZZLE_S[1:])
    assert assumed_range(found.waits) == (least, most)
    said = [note for note in found.notes if note.startswith("72 tool changes")]
    assert len(said) == 1
    assert "2160 s in all assumed (between 1080 and 6480 s)" in said[0]
    parts = dict(claim_difference(program, found) or ())
    assert parts["change"] == 72 * ONE_NOZZLE_S[0]  # the claim counts none, by the settings
    assert sum(parts.values()) == pytest.approx(found.open_air_s - 5590)
    known = build_timeline(sample(tmp_path))
    low, high = (found.open_air_s - 2160 + total for total in (least, most))
    assert low < known.open_air_s < high


def test_reports_say_how_long_the_changes_take(tmp_path: Path) -> None:
    told = check(sample(tmp_path), {}, at=0.0)
    shown = io.StringIO()
    print_report(told, shown)
    text = " ".join(shown.getvalue().split())
    assert "waiting for 72 tool changes 1 h 18 min; the slicer's time counts 1 h 18 min for them" in text
    assert as_dict(told)["time"]["change_s_range"] is None
    guessed = check(sample(tmp_path, *((line, b"; x = 0") for line in KEYS)), {}, at=0.0)
    shown = io.StringIO()
    print_report(guessed, shown)
    text = " ".join(shown.getvalue().split())
    assert "waiting for 72 tool changes ~36 min 0 s (between 18 min 0 s and 1 h 48 min, assumed)" in text
    assert "tool changes +36 min 0 s" in text
    assert as_dict(guessed)["time"]["change_s_range"] == {"low": 1080, "high": 6480}


# --- what counts as a change ---


@pytest.mark.parametrize("dialect", DIALECTS)
def test_a_change_is_another_tool_after_the_one_in_hand_was_used(dialect: str, tmp_path: Path) -> None:
    cases = {
        "T1\n" + LAID: [],  # the first to be chosen
        "T0\nT0\n" + LAID + "T0\n" + LAID: [],
        "T0\nT1\nT0\n" + LAID: [],  # a start that looks at its tools
        LAID + "T1\n" + LAID: [(4, 31 + 37)],  # tool 0 needs no line
        LAID + "T1\nT1\n" + LAID + "T0\n" + LAID: [(4, 68), (8, 28 + 34)],
    }
    for text, expected in cases.items():
        found = build_timeline(job(tmp_path, text, dialect=dialect))
        assert [(wait.line, wait.seconds) for wait in changes(found)] == expected, text


def test_a_stated_start_holds_the_changes_before_the_first_layer(tmp_path: Path) -> None:
    text = LAID + "T1\n" + LAID + ";LAYER_CHANGE\nT0\n" + LAID
    program = dataclasses.replace(job(tmp_path, text), layer_marks=1)
    assert [wait.line for wait in changes(build_timeline(program))] == [4, 8]
    machine = Printer(name="bench-9", dialect="marlin", waiting=Waiting(start_s=200.0))
    assert [wait.line for wait in changes(build_timeline(program, printer=machine))] == [8]


def test_the_wait_stands_before_what_the_new_tool_lays(tmp_path: Path) -> None:
    found = build_timeline(job(tmp_path, LAID + "T1\n" + LAID))
    none = build_timeline(job(tmp_path, LAID + "T1\n" + LAID, said=SlicerFacts(load_s=(1e-9,))))
    assert found.needed_s(1) == pytest.approx(none.needed_s(1) + 68)
    assert found.needed_s(0) == pytest.approx(none.needed_s(0))


@pytest.mark.parametrize(
    "text", ["M600\nT1\n", "T1\nM600\n", "T1\nG1 X9 F6000\nM0 change\n", "M0\nT1\nM109 S9\n"]
)
def test_a_change_by_hand_is_a_pause_and_nothing_more(text: str, tmp_path: Path) -> None:
    for said in (OWN, SlicerFacts()):
        found = build_timeline(job(tmp_path, LAID + text + LAID, said=said))
        assert [wait.seconds for wait in found.waits if wait.kind == "pause"] == [PAUSE_S]
        assert [wait.seconds for wait in changes(found)] == [0.0]
        assert assumed_range(found.waits) is None
        assert found.total_waiting_s == sum(wait.seconds for wait in found.waits)


@pytest.mark.parametrize(
    "text", ["M600\n" + LAID + "T1\n", "T1\n" + LAID + "M600\n", "T1\nM0 S2\n", "M0 P500\nT1\n"]
)
def test_a_pause_elsewhere_or_of_stated_length_is_apart(text: str, tmp_path: Path) -> None:
    found = build_timeline(job(tmp_path, LAID + text + LAID))
    assert [wait.seconds for wait in changes(found)] == [68.0]


def test_a_file_that_moves_the_filament_out_itself_waits_for_nothing(tmp_path: Path) -> None:
    out = f"G1 E-{PULLED_OUT_MM + 1} F3000\n"
    for text in (out, out + "G1 X30 E5\nG1 X20 E-5\n"):
        found = build_timeline(job(tmp_path, LAID + text + "T1\nG1 E40\n" + LAID, said=SlicerFacts()))
        assert [(wait.seconds, wait.assumed) for wait in changes(found)] == [(0.0, False)]
    # what the settings count is what the firmware does besides
    found = build_timeline(job(tmp_path, LAID + out + "T1\nG1 E40\n" + LAID))
    assert [wait.seconds for wait in changes(found)] == [68.0]
    small = build_timeline(job(tmp_path, LAID + "G1 E-16\nT1\nG1 E16\n" + LAID, said=SlicerFacts()))
    assert [(wait.seconds, wait.assumed) for wait in changes(small)] == [(OTHERWISE_S[0], True)]


# --- how long ---


def test_a_profile_wins_over_the_settings(tmp_path: Path) -> None:
    machine = Printer(name="bench-9", dialect="marlin", waiting=Waiting(change_s=12.0))
    program = dataclasses.replace(job(tmp_path, LAID + "T1\n" + LAID))
    program = dataclasses.replace(program, facts=dataclasses.replace(OWN, claimed_s=100.0))
    found = build_timeline(program, printer=machine)
    assert [(wait.seconds, wait.assumed, wait.claimed_s) for wait in changes(found)] == [(12.0, False, 68.0)]
    parts = dict(claim_difference(program, found, printer=machine) or ())
    assert parts["change"] == 12 - 68
    assert sum(parts.values()) == pytest.approx(found.open_air_s - 100)


@pytest.mark.parametrize(
    ("keys", "family", "expected"),
    [
        ({"filament_load_time": "34,37", "filament_unload_time": "31,28"}, Family.A, 68.0),
        ({"filament_load_time": "20", "filament_unload_time": "10"}, Family.A, 30.0),  # one for all
        ({"machine_load_filament_time": "29", "machine_unload_filament_time": "28"}, Family.C_TOP, 57.0),
        ({"machine_tool_change_time": "4.5"}, Family.C_END, 4.5),
        (
            {
                "machine_load_filament_time": "25",
                "machine_unload_filament_time": "20",
                "machine_tool_change_time": "5",
            },
            Family.C_END,
            50.0,
        ),
        ({"machine_extruder_change_duration": "nil,6"}, Family.B, 6.0),
    ],
)
def test_each_familys_settings_make_one_length(keys: dict[str, str], family: Family, expected: float) -> None:
    said = facts(b"", b"", family, handed=keys)
    found = change(said, 0, 1)
    assert (found.seconds, found.between_s, found.claimed_s) == (expected, None, expected)


def test_settings_beyond_reason_are_no_settings() -> None:
    for value in ("0", "nil", "-5", "1e9", "soon", ""):
        said = facts(b"", b"", Family.A, handed={"filament_load_time": value})
        assert change(said, 0, 1).between_s == OTHERWISE_S[1:]
    shared = facts(b"", b"", Family.A, handed={"single_extruder_multi_material": "1"})
    assert change(shared, 0, 1).between_s == ONE_NOZZLE_S[1:]


seconds = st.one_of(st.none(), st.floats(0, 3600))


@given(
    st.lists(seconds, max_size=3),
    st.lists(seconds, max_size=3),
    st.lists(seconds, max_size=3),
    st.sampled_from([None, True, False]),
    st.sampled_from(list(itertools.permutations(range(4), 2))),
    st.one_of(st.none(), st.floats(0, 3600)),
    st.booleans(),
    st.booleans(),
)
def test_a_length_lies_within_its_spread_and_is_stated_or_spread(
    load, unload, over, one_nozzle, tools, stated, pulled_out, by_hand
) -> None:
    said = SlicerFacts(
        load_s=tuple(load), unload_s=tuple(unload), change_s=tuple(over), one_nozzle=one_nozzle
    )
    found = change(said, *tools, stated_s=stated, pulled_out=pulled_out, by_hand=by_hand)
    assert 0 <= found.seconds <= 3 * 3600
    if found.between_s is not None:
        assert found.between_s[0] < found.seconds < found.between_s[1]
        assert stated is None
        assert not found.claimed_s
