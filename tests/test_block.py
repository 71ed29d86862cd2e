"""The purge-and-inspect block: its laws for generated starts, by an interpreter of our own."""

import itertools
import math
import pathlib
import re
import warnings
from dataclasses import replace

import interpreter
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetool.advice import block as blocks
from gcodetool.advice.block import Machine, block_for, feed_word, number, purge_block
from gcodetool.advice.spot import box_distance, box_polygon, free_spot, inside
from gcodetool.gcode import edits
from gcodetool.gcode.anchor import Anchor, find_anchor
from gcodetool.gcode.dialects import Dialect
from gcodetool.gcode.program import read

CASES = max(200, settings().max_examples)  # 20,000 in the long profile
SAMPLES = sorted((pathlib.Path(__file__).parent / "data" / "gcode").glob("*.gcode.xz"))
NAMES = {
    Dialect.MARLIN: interpreter.MARLIN,
    Dialect.KLIPPER: interpreter.KLIPPER,
    Dialect.REPRAPFIRMWARE: interpreter.RRF,
}
# What follows the anchor in generated jobs: nothing names its own F, E goes on from where it was,
# and each mode is used, so that nothing that was not given back stays hidden.
LATER_ABSOLUTE = ["G1 E{0}", "G1 X41.5 Y42", "G1 Z0.3 E{1}", "G1 X60 Y61.25 E{2}", "G0 X50"]
LATER_RELATIVE = ["G1 E0.4", "G1 X41.5 Y42", "G1 Z0.3 E0.01", "G1 X60 Y61.25 E1.5", "G0 X50"]


def start_of(anchor: Anchor, dialect: Dialect, *, homed: bool = True) -> interpreter.State:
    """The interpreter's state that an anchor describes."""
    fed = 30.0
    return interpreter.State(
        x=anchor.x,
        y=anchor.y,
        z=anchor.z,
        e=anchor.e if anchor.e is not None else 7.125,
        absolute=True,
        e_absolute=anchor.e_absolute,
        feed=None if anchor.feed_mm_s is None else float(feed_word(anchor.feed_mm_s)),
        tool=anchor.tool,
        targets=((anchor.tool, anchor.target_C or 0.0),),
        fed=((anchor.tool, fed - anchor.retracted_mm),),
        peak=((anchor.tool, fed),),
        firmware_retracted=((0 if dialect is Dialect.KLIPPER else anchor.tool),)
        if anchor.firmware_retracted
        else (),
        volumetric=anchor.volumetric_mm or 0.0,
        flow=anchor.flow,
        speed=anchor.speed_factor,
        homed=frozenset("XYZ") if homed else frozenset(),
    )


def later(anchor: Anchor) -> list[str]:
    """A job that goes on from *anchor*."""
    lines = LATER_RELATIVE
    if anchor.e_absolute:
        lines = [
            line.format(*(number((anchor.e or 0.0) + more) for more in (0.4, 0.41, 1.91)))
            for line in LATER_ABSOLUTE
        ]
    if anchor.feed_mm_s is None:
        lines = [f"{lines[0]} F1200", *lines[1:]]
    return lines


def outcome(anchor: Anchor, dialect: Dialect, lines: list[str]) -> list[interpreter.Event]:
    """What the job after *lines* comes to."""
    name = NAMES[dialect]
    state = interpreter.final(lines, name, start_of(anchor, dialect))
    return list(interpreter.execute(later(anchor), name, state))


def same_state(one: interpreter.State, other: interpreter.State, *, e_matters: bool) -> bool:
    """Whether a block gave back what it found in *one*: net filament aside, and what was unknown there."""
    rubbed = [
        replace(
            state,
            fed=(),
            peak=(),
            targets=((state.tool, state.target),),
            e=state.e if e_matters else 0.0,
            feed=None if one.feed is None else state.feed,
        )
        for state in (one, other)
    ]
    return rubbed[0] == rubbed[1] and math.isclose(one.retracted, other.retracted, abs_tol=1e-5)


coordinates = st.floats(1, 150).map(lambda value: round(value, 3))
heights = st.sampled_from([0.2, 0.25, 0.3, 2.0, 5.0, 15.0, 40.0, 190.0, 244.5])
# what words of five decimals, and sums of them, leave in a register
words = st.floats(-50, 5000).map(lambda value: round(value, 5))
registers = st.one_of(st.just(0.0), words, st.lists(words, min_size=2, max_size=6).map(sum))
feeds = st.one_of(st.none(), st.sampled_from([1320.0, 1000.0, 7.0, 9600.0]), st.floats(1, 20000)).map(
    lambda feed: None if feed is None else feed / 60
)


@st.composite
def anchors(draw: st.DrawFn) -> Anchor:
    """Places in jobs of all kinds that may take a block."""
    known = draw(st.sampled_from(["all", "all", "all", "all", "all", "none", "z", "xy"]))
    e_absolute = draw(st.booleans())
    feed = draw(feeds)
    x, y, z = (draw(coordinates), draw(coordinates), draw(heights))
    firmware = draw(st.sampled_from([False, False, False, True]))
    return Anchor(
        line=10,
        offset=100,
        tool=draw(st.integers(0, 3)),
        target_C=draw(st.sampled_from([170.0, 195.0, 220.0, 242.0, 268.0, 280.0])),
        waited=True,
        e_absolute=e_absolute,
        e=draw(registers) if e_absolute else draw(st.one_of(st.none(), registers)),
        x=x if known in ("all", "xy") else None,
        y=y if known in ("all", "xy") else None,
        z=z if known in ("all", "z") else None,
        homed=draw(st.sampled_from([True] * 7 + [False])),
        feed_mm_s=feed,
        feed_follows=feed is None,
        retracted_mm=draw(st.sampled_from([0.0, 0.8, 5.0])),
        firmware_retracted=firmware,
        retract_ahead_mm=draw(st.sampled_from([None, 0.6, 5.0])),
        volumetric_mm=draw(st.sampled_from([None, None, 1.75])),
        flow=draw(st.sampled_from([1.0, 1.0, 0.97, 1.2])),
        speed_factor=draw(st.sampled_from([1.0, 1.0, 0.5, 2.0])),
    )


ROUND = tuple(
    (100 + 100 * math.cos(k * math.pi / 18), 100 + 100 * math.sin(k * math.pi / 18)) for k in range(36)
)
ELL = ((0.0, 0.0), (200.0, 0.0), (200.0, 80.0), (80.0, 80.0), (80.0, 200.0), (0.0, 200.0))
beds = st.sampled_from(
    [
        (),
        box_polygon((0, 0, 220, 210)),
        box_polygon((0, 0, 200, 200)),
        box_polygon((-100, -100, 120, 120)),
        ROUND,
        ELL,
    ]
)


@st.composite
def machines(draw: st.DrawFn) -> Machine:
    """Machines of which more or less is known."""
    return Machine(
        bed=draw(beds),
        exclude=draw(st.sampled_from([(), ((0.0, 0.0), (25.0, 0.0), (25.0, 20.0), (0.0, 20.0))])),
        height_mm=draw(st.sampled_from([None, 18.0, 60.0, 200.0, 250.0])),
        park=draw(st.sampled_from([None, (6.0, 6.0), (190.0, 100.0)])),
        melt_zone_mm3=draw(st.sampled_from([None, 20.0, 150.0, 900.0])),
        path_mm=draw(st.sampled_from([None, 45.0, 700.0])),
        max_flow_mm3_s=draw(st.sampled_from([None, 3.0, 24.0])),
        max_temperature_C=draw(st.sampled_from([None, 300.0])),
        retract_mm=draw(st.sampled_from([None, 0.0, 0.8, 12.0])),
        retract_mm_s=draw(st.sampled_from([None, 35.0])),
        retract_max_mm=draw(st.sampled_from([None, 2.0])),
    )


@st.composite
def low_boxes(draw: st.DrawFn) -> tuple[float, float, float, float] | None:
    """Boxes of the job's motion; None: unknown."""
    if draw(st.integers(0, 7)) == 0:
        return None
    x0, y0 = draw(st.floats(0, 120)), draw(st.floats(0, 120))
    return x0, y0, x0 + draw(st.floats(1, 80)), y0 + draw(st.floats(1, 80))


cases = st.fixed_dictionaries(
    {
        "anchor": anchors(),
        "machine": machines(),
        "low_box": low_boxes(),
        "dialect": st.sampled_from(list(Dialect)),
        "sure": st.sampled_from([True, True, False]),
        "diameter_mm": st.sampled_from([1.75, 2.85]),
        "nozzle_min_C": st.sampled_from([None, None, 190.0]),
        "material_flow_mm3_s": st.sampled_from([None, 2.0]),
        "wait_s": st.sampled_from([None, 15.0, 90.0, 600.0]),
        "purge": st.sampled_from(["melt-zone", "path"]),
    }
)


@settings(max_examples=CASES)
@given(cases)
def test_the_machine_is_given_back_as_it_was_found(case):
    anchor, dialect = case["anchor"], case["dialect"]
    made = purge_block(case.pop("anchor"), **case)
    if made.lines is None:
        assert made.reason.startswith("no block: ")
        return
    before = start_of(anchor, dialect)
    after = interpreter.final(made.lines, NAMES[dialect], before)
    assert same_state(before, after, e_matters=anchor.e is not None)
    assert interpreter.alike(outcome(anchor, dialect, []), outcome(anchor, dialect, list(made.lines)))
    # what went through is what the block says, and it ends as it began
    fed = dict(after.fed)[anchor.tool] - dict(before.fed)[anchor.tool]
    assert fed == pytest.approx(made.purge_mm, abs=0.01)


@settings(max_examples=CASES)
@given(cases)
def test_the_block_keeps_every_bound(case):
    anchor, machine, dialect = case["anchor"], case["machine"], case["dialect"]
    made = purge_block(case.pop("anchor"), **case)
    if made.lines is None:
        return
    start = start_of(anchor, dialect)
    events = list(interpreter.execute(made.lines, NAMES[dialect], start))
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
        )
        assert event.kind != "other" or event.text == "M400"
        assert len(event.text) <= 96
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
    if made.in_place:
        assert spot == (anchor.x, anchor.y)
        assert pauses
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


@settings(max_examples=CASES)
@given(cases)
def test_only_words_that_the_dialect_has(case):
    dialect, plain = case["dialect"], not case["sure"] or case["dialect"] is Dialect.REPRAPFIRMWARE
    made = purge_block(case.pop("anchor"), **case)
    for line in made.lines or ():
        assert ";" not in line
        assert "*" not in line
        if plain:
            assert re.fullmatch(r"G1 .*|G4 P\d+|G9[01]|G92 E-?[\d.]+|M8[23]|M10[49] S[\d.]+", line), line
        if dialect is Dialect.KLIPPER:
            assert re.match(r"(G1|G4|G9[012]|G1[01]|M8[23]|M10[49]|M400|M117|RESPOND|PAUSE)\b", line), line
        said = re.match(r'(?:M117|M118|M0|RESPOND TYPE=echo MSG=)\s*"?([^"]*)', line)
        if said:
            assert len(said[1]) <= 80
        if line.startswith(("M0", "M118")):
            assert not re.search(r"\b[A-Z][\d.]", line.split(" ", 1)[1])


# One line of each kind that gives something back; left out, the job after it comes out different.
RESTORES = {
    "E register": r"G92 E",
    "E mode": r"M82$",
    "axes mode": r"G90$",
    "feed": r"G1 F[\d.]+$",
    "heat": r"M109 S",
    "undo the retraction": r"G1 E[\d.]+ F",
    "position": r"G1 X[-\d.]+ Y[-\d.]+ F6000$",  # behind G90: before it the block goes away from there
    "height": r"G1 Z[-\d.]+ F600$",
    "retract again": r"G1 E-[\d.]+ F",
    "held by the firmware": r"G10$",
}

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
ROOM = Machine(bed=box_polygon((0, 0, 200, 200)), height_mm=180.0, retract_mm=1.2)


@pytest.mark.parametrize("dialect", list(Dialect))
@pytest.mark.parametrize("what", RESTORES)
@pytest.mark.parametrize("e_absolute", [True, False])
def test_leaving_out_any_restoring_line_shows(dialect, what, e_absolute):
    anchor = replace(FULL, e_absolute=e_absolute, firmware_retracted=dialect is not Dialect.REPRAPFIRMWARE)
    made = purge_block(
        anchor,
        dialect=dialect,
        sure=True,
        diameter_mm=1.75,
        nozzle_min_C=None,
        machine=ROOM,
        low_box=(80.0, 80.0, 120.0, 120.0),
        wait_s=None if dialect is not Dialect.REPRAPFIRMWARE else 120.0,  # long enough to cool
    )
    good = outcome(anchor, dialect, [])
    assert interpreter.alike(outcome(anchor, dialect, list(made.lines)), good)
    found = [at for at, line in enumerate(made.lines) if re.match(RESTORES[what], line)]
    if what in ("position", "height"):
        found = [at for at in found if at > made.lines.index("G90")]
    if what == "held by the firmware" and dialect is Dialect.REPRAPFIRMWARE:
        assert not found  # refused there, unless the file does not retract so
        return
    if not e_absolute and what in ("E register", "E mode"):
        return  # nothing to give back
    assert found
    if what == "E mode":
        assert len(found) == 1
    start = start_of(anchor, dialect)
    fed = dict(interpreter.final(made.lines, NAMES[dialect], start).fed)
    for at in found:
        fewer = [*made.lines[:at], *made.lines[at + 1 :]]
        broken = not interpreter.alike(outcome(anchor, dialect, fewer), good)
        if what in ("undo the retraction", "retract again") and not broken:
            # a purge step left out shows in what was fed
            broken = dict(interpreter.final(fewer, NAMES[dialect], start).fed) != fed
        assert broken, made.lines[at]


def test_m83_behind_g90_is_needed_where_g90_decides_about_e():
    made = purge_block(
        replace(FULL, e_absolute=False),
        dialect=Dialect.MARLIN,
        sure=True,
        diameter_mm=1.75,
        nozzle_min_C=None,
        machine=ROOM,
        low_box=(80.0, 80.0, 120.0, 120.0),
    )
    at = made.lines.index("G90")
    assert made.lines[at + 1] == "M83"
    fewer = [*made.lines[: at + 1], *made.lines[at + 2 :]]
    anchor = replace(FULL, e_absolute=False)
    assert not interpreter.alike(outcome(anchor, Dialect.MARLIN, fewer), outcome(anchor, Dialect.MARLIN, []))


def motion_lines(lines):
    return [line for line in lines if re.match(r"G1\b", line)]


@settings(max_examples=60)
@given(cases)
def test_another_reader_agrees_on_each_motion_line(case):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pygcode

    made = purge_block(case.pop("anchor"), **case)
    for line in motion_lines(made.lines or ()):
        words = {word.letter: float(word.value) for word in pygcode.Line(line).block.words}
        ours = {letter: float(value) for letter, value in re.findall(r"([A-Z])(-?[\d.]+)", line)}
        assert words == ours


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.name[:3])
@pytest.mark.parametrize("setting", [None, *Dialect])
def test_samples_with_a_block_print_the_same(path, setting):
    import lzma

    program = read(path, dialect=setting)
    anchor = find_anchor(program)
    made = block_for(
        program,
        anchor,
        printer=None,
        nozzle_min_C=None,
        diameter_mm=None,
        low_box=(60.0, 60.0, 210.0, 210.0),
    )
    text = lzma.decompress(path.read_bytes())
    if made.lines is None:
        assert (
            setting is None
            or anchor.refusal
            or setting is Dialect.REPRAPFIRMWARE
            or anchor.firmware_retracted
        )
        return
    insertion = edits.insertion(
        anchor.offset, "purge-and-inspect", made.lines, newline=edits.newline_of(text)
    )
    prepared = b"".join(edits.apply([text], [insertion]))
    assert b"".join(edits.strip_regions([prepared])) == text
    lines = prepared.decode("utf-8", "replace").split("\n")
    before, inside_, after = interpreter.split(lines)
    after = after[:3000]
    name = NAMES[program.dialect]
    state = interpreter.final(before, name)
    came_back = interpreter.final(inside_, name, state)
    assert same_state(state, came_back, e_matters=anchor.e is not None)
    without = list(interpreter.execute(after, name, state))
    with_block = list(interpreter.execute(after, name, came_back))
    assert interpreter.alike(without, with_block)


def test_what_the_block_says_no_to():
    bounds = {"dialect": Dialect.MARLIN, "sure": True, "diameter_mm": 1.75, "machine": ROOM}

    def reason(anchor, *, nozzle_min_C=None, **more):
        made = purge_block(anchor, nozzle_min_C=nozzle_min_C, **{**bounds, **more})
        assert made.lines is None
        return made.reason

    assert "160 C, too cold" in reason(replace(FULL, target_C=160.0))
    assert "below the material's 250 C" in reason(FULL, nozzle_min_C=250.0)
    assert "above what the hot end stands, 235 C" in reason(
        FULL, machine=replace(ROOM, max_temperature_C=235.0)
    )
    assert "not heated" in reason(replace(FULL, target_C=None))
    assert "speed in force" in reason(replace(FULL, feed_mm_s=None, feed_follows=False))
    assert "no pause that is sure to be obeyed" in reason(FULL, sure=False, low_box=None)
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
    assert any("button" in caution for caution in made.cautions)


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


def test_the_documented_block_is_the_one_that_is_made():
    """docs/the-block.md explains line by line what its command writes."""
    from gcodetool import profiles
    from gcodetool.motion.timeline import timeline

    guide = pathlib.Path(__file__).parent.parent / "docs" / "the-block.md"
    text = guide.read_text(encoding="utf-8").split("## Each line")[1].split("## ")[0]
    explained = re.findall(r"^\| `([^`]+)` \|", text, re.MULTILINE)
    named = re.search(r"(tests/data/\S+) --printer (\S+)", text)
    program = read(guide.parent.parent / named[1])
    printer = profiles.printer(named[2])
    program = read(program.path, dialect=printer.dialect)
    anchor = find_anchor(program)
    low_box = timeline(program, printer=printer, watch=(anchor.offset, blocks.WATCH_Z_MM)).low_box
    made = block_for(program, anchor, printer=printer, nozzle_min_C=None, diameter_mm=None, low_box=low_box)
    assert list(made.lines) == explained
