"""The purge-and-inspect block: its laws for generated starts, by an interpreter of our own."""

import itertools
import math
import re
import warnings
from collections.abc import Iterator
from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import interpreter
import pytest
from block_cases import ELL, MEDDLED, ROUND, cases, coordinates, faults, low_boxes, name_of, start_of
from histories import histories
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetool.block import block as blocks
from gcodetool.block.annotate import layer_notes
from gcodetool.block.bed_geometry import box_distance, box_polygon, free_spot, inside
from gcodetool.block.block import BlockMachine, feed_word, host_prompts, number, purge_block
from gcodetool.block.dialect_commands import own_pause
from gcodetool.gcode.anchor import Anchor
from gcodetool.gcode.dialects import Dialect
from gcodetool.gcode.program import read
from gcodetool.profiles import Printer

CASES = max(500, settings().max_examples)  # 20,000 in the long profile


@settings(max_examples=CASES)
@given(cases, st.data())
def test_the_machine_is_given_back_as_it_was_found(case, data):
    """Also where the person changed modes, register, speed and heat while it asked.

    However the job later switches between absolute and relative E, what it feeds is what it fed without.
    """
    made = purge_block(**case)
    if made.lines is None:
        assert made.reason.startswith("no block: ")
        return
    assert faults(case, made, made.lines, data.draw(histories(case["dialect"]))) == []


@settings(max_examples=CASES)
@given(cases)
def test_the_block_keeps_every_bound(case):
    anchor, machine, dialect = case["anchor"], case["machine"], case["dialect"]
    made = purge_block(**case)
    if made.lines is None:
        return
    start = start_of(anchor, dialect)
    events = list(interpreter.execute(made.lines, name_of(case), start))
    area = math.pi / 4 * case["diameter_mm"] ** 2
    flow_limit = min(machine.max_flow_mm3_s or blocks.MAX_FLOW_MM3_S, case["material_flow_mm3_s"] or math.inf)
    height = machine.height_mm or blocks.HEIGHT_MM
    nowhere = anchor.x is None or anchor.y is None
    lowest_travel = math.inf
    for event in events:
        # the dialect knows each command, and none of them changes what is not ours
        assert event.kind in (
            "move",
            "mode",
            "dwell",
            "pause",
            "set",
            "heat",
            "say",
            "beep",
            "other",
            "retract",
            "prompt",
        )
        assert event.kind != "other" or event.text == "M400"
        assert len(event.text) <= (96 if dialect is not Dialect.REPRAPFIRMWARE else 255)
        assert event.text.isascii()
        if event.kind == "set":
            assert min(140.0, anchor.target_C) <= event.after.target <= anchor.target_C
        if event.kind != "move":
            continue
        if event.moved:
            assert anchor.homed
            assert anchor.z is not None
            assert event.fed == 0.0
            assert event.after.z <= height + 1e-9
            assert event.after.z >= anchor.z - 1e-9
        if {"X", "Y"} & set(event.words):
            assert not nowhere
            assert inside(machine.bed, (event.after.x, event.after.y))
            lowest_travel = min(lowest_travel, event.before.z)
        # no cold extrusion; hot means waited for
        assert abs(event.fed) <= 20.0 + 2e-5  # E words have five decimals
        if event.fed:
            assert event.before.target >= 170.0
            assert event.before.hot
            assert event.before.target == anchor.target_C
        if event.forward > 2e-5:
            if dialect is not Dialect.REPRAPFIRMWARE:  # there M220 leaves such moves alone
                assert event.after.feed / 60 * anchor.speed_factor * area <= flow_limit + 1e-9
            assert event.after.feed / 60 * area <= flow_limit + 1e-9
    if lowest_travel < math.inf:
        assert lowest_travel >= anchor.z + blocks.LIFT_MM - 1e-9
    # where filament comes out: in a spot clear of the job, or in place with a person there
    spots = {(event.after.x, event.after.y) for event in events if event.forward > 2e-5}
    assert len(spots) == 1
    (spot,) = spots
    pauses = [event for event in events if event.kind == "pause"]
    # nothing goes on by itself but for somebody who said that they stand there
    assert bool(pauses) == (made.in_place or case["wait_s"] is None)
    if not pauses:
        assert any("goes on by itself" in caution for caution in made.cautions)
    else:
        assert not any(
            event.forward > 2e-5 + blocks.PRIME_MM for event in events if event.number > pauses[-1].number
        )
        assert not any(event.moved for event in events if pauses[0].number < event.number < pauses[-1].number)
    # no heap is higher than the keep-out reckons with; the person takes each off
    heaps = [0.0]
    for event in events:
        heaps[-1] += event.forward
        if event.kind == "pause":
            heaps.append(0.0)
    assert max(heaps) <= blocks.PURGE_MAX_MM + blocks.PRIME_MM + 0.01
    if made.in_place:
        assert spot == (anchor.x, anchor.y)
        assert pauses[0].number < max(event.number for event in events if event.forward > 2e-5)
        before_asking = [
            event for event in events if event.forward > 2e-5 and event.number < pauses[0].number
        ]
        for event in before_asking:
            assert event.before.z >= blocks.PURGE_Z_MM - 1e-9
    else:
        assert box_distance(case["low_box"], spot) >= 8.0
        assert math.dist(spot, (anchor.x, anchor.y)) >= 8.0
    # somebody is warned before the head moves on, and there is a dwell besides the pause
    assert any(event.kind == "dwell" and event.seconds >= 15 for event in events)
    waits = [event.number for event in events if event.kind == "pause" or event.seconds >= 15]
    warned = [event.number for event in events if event.kind == "dwell" and event.seconds == 5.0]
    moves_after = [event.number for event in events if event.moved and event.number > max(waits)]
    assert len(warned) == 1
    assert warned[0] > max(waits)
    assert all(number > warned[0] for number in moves_after)


WORDS = {
    Dialect.MARLIN: r"(G1|G4|G9[012]|G1[01]|M8[23]|M10[49]|M400|M117|M118|M300|M0)\b",
    Dialect.KLIPPER: r"(G1|G4|G9[012]|G1[01]|M8[23]|M10[49]|M400|M117|RESPOND|PAUSE|PAUSE_HERE)\b",
    Dialect.REPRAPFIRMWARE: r"(G1 |G4 P|G9[012]|G10( P\d S[\d.]+)?$|G11$|M8[23]|M116 P\d$|M400$)"
    r'|(M117 "|M118 S"|M300|M291 P")',
}
PLAIN_WORDS = r"G1 .*|G4 P\d+|G9[01]|G92 E-?[\d.]+|M8[23]|M10[49] S[\d.]+|M400 U1|PAUSE_HERE"


@settings(max_examples=CASES)
@given(cases)
def test_only_words_that_the_dialect_has(case):
    made = purge_block(**case)
    asked = case["pause_code"] in ("M400 U1", "PAUSE_HERE") and case["wait_s"] is None
    for line in made.lines or ():
        assert ";" not in line
        assert "*" not in line
        if not case["sure"]:
            assert re.fullmatch(PLAIN_WORDS, line), line
            assert asked or line not in ("M400 U1", "PAUSE_HERE")
        else:
            assert re.match(WORDS[case["dialect"]], line), line
        said = re.match(r'(?:M117|M118 S|M118|M0|M291 P|RESPOND TYPE=echo MSG=)\s*("?)([^"]*)', line)
        if said:
            assert len(said[2]) <= 80
            assert (said[1] == '"') == (
                not line.startswith("M117")
                if case["dialect"] is Dialect.KLIPPER
                else case["dialect"] is Dialect.REPRAPFIRMWARE
            )
        if line.startswith(("M0", "M118")):
            text = re.sub(r"^A1 (?=action:(?:notification |prompt_end$))", "", line.split(" ", 1)[1])
            assert not re.search(r"\b[A-Z][\d.]", text)


@settings(max_examples=CASES)
@given(cases)
def test_a_dialog_comes_on_top_and_takes_nothing_away(case):
    """Each question stands on the host while it waits, with answers that the firmware knows; never else."""
    made = purge_block(**case)
    plain = purge_block(**{**case, "prompts": False})
    assert not any("action:" in line for line in plain.lines or ())
    if made.lines is None or not case["prompts"]:
        assert made == plain
        return
    assert tuple(line for line in made.lines if "action:" not in line) == plain.lines
    said = [line.split("action:")[1].split()[0].rstrip('"') for line in made.lines if "action:" in line]
    dialect, name = case["dialect"], name_of(case)
    start = start_of(case["anchor"], dialect, prompts=case["sure"])
    events = list(interpreter.execute(made.lines, name, start))
    pauses = [event for event in events if event.kind == "pause"]
    if not case["sure"] or dialect is Dialect.REPRAPFIRMWARE:
        assert said == []
    elif (
        dialect is Dialect.MARLIN
    ):  # each answer goes on there: M0 opens the dialog, the text comes before it
        assert said == ["notification", "notification", "prompt_end"] * len(pauses)
    else:
        for event in pauses:
            (begin, title), *parts = event.before.dialog
            assert (begin, parts[-1]) == ("begin", ("show", ""))
            assert title.endswith("?")
            buttons = [text.split("|") for kind, text in parts if kind == "footer_button"]
            assert [button[1] for button in buttons] == ["RESUME", "CANCEL_PRINT"]
            told = " ".join(text for kind, text in parts if kind == "text")
            assert all(button[0] in told for button in buttons)
    for event in events:
        if event.kind not in ("pause", "say", "prompt"):
            assert not event.before.dialog


def test_a_block_says_what_to_look_at_how_to_go_on_and_how_to_stop():
    for dialect, go_on, stop in (
        (Dialect.MARLIN, "press the button", "Stop the print"),
        (Dialect.KLIPPER, "RESUME", "CANCEL_PRINT"),
        (Dialect.REPRAPFIRMWARE, "OK", "Cancel the job"),
    ):
        for spot in (True, False):
            text = "\n".join(full(replace(FULL, x=102.0 if spot else None), dialect=dialect).lines)
            for sign in ("bubbles", "popping", "steam like smoke", "rough or matt", "oozing"):
                assert sign in text
            question = next(line for line in text.split("\n") if "tweezers" in line)
            assert go_on in question
            assert stop in question
            # hands away before the first motion and before the last
            first, last = (
                text.index("Hands away: the head may"),
                text.index("Hands away: the head moves in 5"),
            )
            moves = [found.start() for found in re.finditer(r"^G1 [XYZ]", text, re.MULTILINE)]
            assert first < min(moves)
            assert any(last < move for move in moves)
            assert not any(text.index("tweezers") < move < last for move in moves)


def full(anchor, **more):
    """The block for *anchor* on a machine of which all is known."""
    known = {
        "dialect": Dialect.MARLIN,
        "sure": True,
        "diameter_mm": 1.75,
        "nozzle_min_C": None,
        "machine": ROOM,
        "low_box": (80.0, 80.0, 120.0, 120.0),
    }
    return purge_block(anchor, **{**known, **more})


FULL = Anchor(
    line=10,
    offset=100,
    target_C=240.0,
    waited=True,
    e_absolute=True,
    e=12.5,
    x=102.0,
    y=4.0,
    z=0.28,
    homed=True,
    feed_mm_s=25.0,
    feed_follows=False,
    retracted_mm=0.8,
)
ROOM = BlockMachine(bed=box_polygon((0, 0, 200, 200)), height_mm=180.0, retract_mm=1.2)


# Lines that tell, wait or make ready, and give nothing back.
READY = re.compile(
    r"M117|(?:M118|RESPOND)(?!.*prompt_end)|M300|M400|G4|G91$|M0|M291|PAUSE|G1 Z[\d.]+ F600$|G1 X\S+ Y\S+ F6000$"
)


def gives_back(case, made) -> Iterator[int]:
    """Yield the index of each line that gives something back: one that makes ready does not, nor one that
    changes nothing."""
    prompts = case["sure"] and case.get("prompts", False)
    name, before = name_of(case), start_of(case["anchor"], case["dialect"], prompts=prompts)
    runs = [list(interpreter.execute(made.lines, name, before, meddle=meddle)) for meddle in MEDDLED]
    absolute = len(made.lines) - 1 - list(reversed(made.lines)).index("G90")
    standby = None if made.standby_C is None else f"S{number(made.standby_C)}"
    for at, line in enumerate(made.lines):
        if READY.match(line) and not (at > absolute and line.startswith("G1 ")):
            continue
        if made.lines[at - 1] == "G91":
            continue  # M83, which makes E relative where G91 does not
        if standby is not None and line.split()[-1] == standby and case["anchor"].target_C != made.standby_C:
            continue
        if any(events[at].before != events[at].after for events in runs):
            yield at


@settings(max_examples=max(60, CASES // 10))
@given(cases)
def test_leaving_out_any_line_that_gives_something_back_shows(case):
    made = purge_block(**case)
    if made.lines is None:
        return
    for at in gives_back(case, made):
        assert faults(case, made, [*made.lines[:at], *made.lines[at + 1 :]]), made.lines[at]


RESTORES = {
    "E register": r"G92 E",
    "E mode": r"M8[23]$",
    "axes mode": r"G90$",
    "feed": r"G1 F[\d.]+$",
    "heat": r"M109 S|G10 P0 S240$",
    "wait for it": r"M109 S|M116 P0$",
    "undo the retraction": r"G1 E[\d.]+ F",
    "position": r"G1 X[-\d.]+ Y[-\d.]+ F6000$",
    "height": r"G1 Z[-\d.]+ F600$",
    "retract again": r"G1 E-[\d.]+ F",
    "held by the firmware": r"G1[01]$",
}


@pytest.mark.parametrize("dialect", list(Dialect))
@pytest.mark.parametrize("what", RESTORES)
@pytest.mark.parametrize("e_absolute", [True, False])
def test_leaving_out_any_restoring_line_shows(dialect, what, e_absolute):
    """Each kind by name, so that none of them is missing above."""
    anchor = replace(FULL, e_absolute=e_absolute, firmware_retracted=True)
    case = {"anchor": anchor, "dialect": dialect, "sure": True, "pause_code": None}
    made = full(anchor, dialect=dialect)
    assert faults(case, made, made.lines) == []
    found = [at for at in gives_back(case, made) if re.match(RESTORES[what], made.lines[at])]
    assert found
    for at in found:
        assert faults(case, made, [*made.lines[:at], *made.lines[at + 1 :]]), made.lines[at]


def motion_lines(lines):
    return [line for line in lines if re.match(r"G1\b", line)]


@settings(max_examples=max(60, CASES // 20))
@given(cases)
def test_another_reader_agrees_on_each_motion_line(case):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pygcode

    made = purge_block(**case)
    for line in motion_lines(made.lines or ()):
        words = {word.letter: float(word.value) for word in pygcode.Line(line).block.words}
        ours = {letter: float(value) for letter, value in re.findall(r"([A-Z])(-?[\d.]+)", line)}
        assert words == ours


def test_what_the_block_says_no_to():
    bounds = {"dialect": Dialect.MARLIN, "sure": True, "diameter_mm": 1.75, "machine": ROOM}

    def reason(anchor, *, nozzle_min_C=None, **more):
        made = purge_block(anchor, nozzle_min_C=nozzle_min_C, **{**bounds, **more})
        assert made.lines is None
        return made.reason

    assert "160 C, too cold" in reason(replace(FULL, target_C=160.0))
    assert "below the material's 250 C" in reason(FULL, nozzle_min_C=250.0)
    assert "above the material's 230 C" in reason(FULL, nozzle_max_C=230.0)
    assert "above the hot end's limit, 235 C" in reason(FULL, machine=replace(ROOM, max_temperature_C=235.0))
    assert "not heated" in reason(replace(FULL, target_C=None))
    assert "speed in force" in reason(replace(FULL, feed_mm_s=None, feed_follows=False))
    assert "must go to a free spot, but where the job moves" in reason(FULL, sure=False, low_box=None)
    room = {"sure": False, "low_box": (80, 80, 120, 120)}
    assert "say --wait seconds=N" in reason(FULL, **room)
    assert "say --wait seconds=N" in reason(FULL, pause_code="M25", **room)
    assert "belt" in reason(replace(FULL, refusal="the file is for a belt machine"))
    assert "retracted" in reason(
        replace(FULL, firmware_retracted=True), sure=False, low_box=(80, 80, 120, 120)
    )


def test_a_timed_wait_over_the_job_becomes_a_button():
    made = purge_block(
        replace(FULL, x=None, y=None),
        dialect=Dialect.MARLIN,
        sure=True,
        diameter_mm=1.75,
        nozzle_min_C=None,
        machine=ROOM,
        wait_s=90.0,
    )
    assert any(line.startswith("M0 ") for line in made.lines)
    assert any("waits for the person" in caution for caution in made.cautions)


@pytest.mark.parametrize("dialect", [Dialect.MARLIN, Dialect.KLIPPER])
def test_a_dialog_that_is_left_open_shows(dialect):
    known = {"dialect": dialect, "prompts": True, "machine": replace(ROOM, path_mm=400.0), "purge": "path"}
    case = {"anchor": FULL, "dialect": dialect, "sure": True, "pause_code": None, "prompts": True}
    made = full(FULL, **known)
    assert faults(case, made, made.lines) == []
    ends = [at for at, line in enumerate(made.lines) if "prompt_end" in line]
    assert len(ends) == 3  # a heap each
    assert set(ends) <= set(gives_back(case, made))
    for at in ends:
        assert faults(case, made, [*made.lines[:at], *made.lines[at + 1 :]])


@pytest.mark.parametrize(
    ("line", "dialect", "shows"),
    [
        ('RESPOND TYPE=echo MSG="warming up"', Dialect.KLIPPER, True),
        ("RESPOND PREFIX=start MSG=on", Dialect.KLIPPER, True),
        ("; RESPOND TYPE=command MSG=on", Dialect.KLIPPER, False),
        ("RESPOND_LATER MSG=on", Dialect.KLIPPER, False),
        ("M118 A1 action:prompt_begin hello", Dialect.KLIPPER, False),
        ("M118 A1 action:prompt_begin hello", Dialect.MARLIN, True),
        ("M118 E1 A1 action:prompt_end", Dialect.MARLIN, True),
        ("M876 P1", Dialect.MARLIN, True),
        ("M118 A1 action:pause", Dialect.MARLIN, False),
        ("M118 action:prompt_begin hello", Dialect.MARLIN, False),
        ("; M876 S0", Dialect.MARLIN, False),
        ('M291 P"hello" S3', Dialect.REPRAPFIRMWARE, False),
    ],
)
def test_what_a_file_shows_of_its_host(tmp_path, line, dialect, shows):
    """The file's own lines decide where the profile is silent; the profile's word is the last."""
    path = tmp_path / "job.gcode"
    path.write_text(f"G28\n{line}\nG1 X1 E1\n", encoding="utf-8")
    program = read(path, dialect=dialect)
    assert host_prompts(program, None) is shows
    for stated in (None, True, False):
        printer = Printer("rig", dialect.label, host_prompts=stated)
        assert host_prompts(program, printer) is (shows if stated is None else stated)
    # what an earlier block says is no word of the file's
    mark = "; gcodetool:{} purge-and-inspect\n"
    mine = f"{mark.format('begin')}{line}\n{mark.format('end')}"
    path.write_text(f"G28\n{mine}G1 X1 E1\n", encoding="utf-8")
    assert not host_prompts(read(path, dialect=dialect), None)


def test_the_pause_that_the_settings_name_is_used_where_nothing_else_is_sure():
    unsure = full(FULL, sure=False, pause_code="M400 U1")
    assert "M400 U1" in unsure.lines
    assert "waits by 'M400 U1', the pause that the file's settings name" in unsure.reason
    assert any("until you have seen that it is obeyed" in caution for caution in unsure.cautions)
    assert not any(line.startswith(("M0", "M117", "M300")) for line in unsure.lines)
    klipper = full(FULL, dialect=Dialect.KLIPPER, pause_code="PAUSE_AND_PARK")
    assert "PAUSE_AND_PARK" in klipper.lines
    assert "PAUSE" not in klipper.lines
    # settled dialects keep the pause that is known to stop at once
    for dialect, pause in (
        (Dialect.MARLIN, "M0 "),
        (Dialect.REPRAPFIRMWARE, "M291 "),
        (Dialect.KLIPPER, "PAUSE"),
    ):
        made = full(FULL, dialect=dialect, pause_code="M601")
        assert any(line.startswith(pause) for line in made.lines)
        assert "M601" not in made.lines


@pytest.mark.parametrize(
    ("code", "own"),
    [
        (None, None),
        ("M0 Inspect", "M0"),
        ("M1", "M1"),
        ("M0 S10", None),  # goes on by itself
        ("M0 P500 look", None),
        ("M25", None),
        ("M600", None),
        ("M226", "M226"),
        ("M226 P4", None),  # elsewhere this waits for a pin
        ("M400 U1 ; stop", "M400 U1"),
        ("M400 S5", None),
        ("PAUSE", "PAUSE"),
        ("PAUSE X=5", None),
        ("G28\nM0", None),
    ],
)
def test_which_pauses_of_the_settings_are_trusted(code, own):
    assert own_pause(code) == own


def test_a_long_path_is_purged_in_heaps_that_the_person_takes_off():
    made = full(FULL, machine=replace(ROOM, path_mm=700.0), purge="path")
    assert made.purge_mm == pytest.approx(702.0)
    assert sum(line.startswith("M0 ") for line in made.lines) == 5
    assert sum("More comes" in line for line in made.lines if line.startswith("M0 ")) == 4
    assert "700 mm of filament (drive gear to nozzle) in 5 heaps" in made.reason
    # nobody takes anything off while it only waits for a time
    timed = full(FULL, machine=replace(ROOM, path_mm=700.0), purge="path", wait_s=90.0)
    assert timed.purge_mm == pytest.approx(152.0)
    assert any("push the rest through by hand" in caution for caution in timed.cautions)


def test_the_park_position_is_taken_where_it_is_free():
    made = purge_block(
        FULL,
        dialect=Dialect.MARLIN,
        sure=True,
        diameter_mm=1.75,
        nozzle_min_C=None,
        machine=replace(ROOM, park=(6.0, 190.0)),
        low_box=(80.0, 80.0, 120.0, 120.0),
    )
    assert "at X6 Y190" in made.reason


@given(st.floats(0.0, 1e6))
def test_numbers_read_back_to_the_same_double(value):
    assert float(number(value)) == value
    assert "e" not in number(value)
    feed = max(value, 1e-3)
    assert float(feed_word(feed)) / 60 == pytest.approx(feed, rel=1e-15)


@given(low_boxes(), st.sampled_from([ROUND, ELL, box_polygon((0, 0, 200, 200))]), coordinates, coordinates)
def test_a_free_spot_is_free(box, bed, x, y):
    if box is None or not inside(bed, (x, y)):
        return
    keep_out = (min(box[0], x), min(box[1], y), max(box[2], x), max(box[3], y))
    found = free_spot(bed, keep_out=keep_out, exclude=None, park=None, start=(x, y))
    room = itertools.product(range(8, 193, 4), repeat=2)
    if found is None:  # then a spot in plain sight would have been missed
        if bed == box_polygon((0, 0, 200, 200)):
            assert not any(box_distance(keep_out, point) >= 16 for point in room)
        return
    assert inside(bed, found)
    assert box_distance(keep_out, found) >= 10


def test_a_layer_note_stands_where_a_limit_is_passed_and_not_before_the_first_layer() -> None:
    layers = [SimpleNamespace(layer=n, offset=100 * n) for n in (1, 2, 3)]
    forecast = SimpleNamespace(layers=layers, limit_good_wt_pct=0.08, limit_marginal_wt_pct=0.31)

    def noted(past_good: int | None, past_marginal: int | None) -> list[tuple[int, str]]:
        verdict = SimpleNamespace(past_good=past_good, past_marginal=past_marginal)
        tool = SimpleNamespace(tool=1, spool="petg-03", forecast=forecast, verdict=verdict)
        return list(layer_notes(cast("Any", SimpleNamespace(tools=[tool]))))

    assert noted(None, None) == noted(1, None) == []  # the header says what is so from the first layer on
    assert noted(1, 3) == [
        (300, "T1 petg-03: from layer 3 the strand is wet (marginal ends near 0.310 wt %)")
    ]
    assert [at for at, _ in noted(2, 3)] == [200, 300]
