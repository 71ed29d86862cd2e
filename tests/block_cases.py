"""Generated places for a block, and what is wrong with one, by an interpreter of our own."""

import math
from collections.abc import Sequence
from dataclasses import replace

import interpreter
from hypothesis import strategies as st

from gcodetool.block.bed_geometry import box_polygon
from gcodetool.block.block import BlockMachine, feed_word, number
from gcodetool.gcode.anchor import Anchor
from gcodetool.gcode.dialects import Dialect

NAMES = {
    Dialect.MARLIN: interpreter.MARLIN,
    Dialect.KLIPPER: interpreter.KLIPPER,
    Dialect.REPRAPFIRMWARE: interpreter.RRF,
}
# What follows the anchor in generated jobs: nothing names its own F, E goes on from where it was,
# and each mode is used, so that nothing that was not given back stays hidden.
LATER_ABSOLUTE = ["G1 E{0}", "G1 X41.5 Y42", "G1 Z0.3 E{1}", "G1 X60 Y61.25 E{2}", "G0 X50"]
LATER_RELATIVE = ["G1 E0.4", "G1 X41.5 Y42", "G1 Z0.3 E0.01", "G1 X60 Y61.25 E1.5", "G0 X50"]


def start_of(
    anchor: Anchor, dialect: Dialect, *, homed: bool = True, prompts: bool = False
) -> interpreter.State:
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
        prompts=prompts,
    )


def later(anchor: Anchor, then: Sequence[str] = ()) -> list[str]:
    """A job that goes on from *anchor*, and *then* changes how E counts; an unknown register is set first."""
    lines = LATER_RELATIVE
    if anchor.e_absolute:
        lines = [
            line.format(*(number((anchor.e or 0.0) + more) for more in (0.4, 0.41, 1.91)))
            for line in LATER_ABSOLUTE
        ]
    if anchor.feed_mm_s is None:
        lines = [f"{lines[0]} F1200", *lines[1:]]
    return [*lines, *(["G92 E0"] if anchor.e is None else []), *then]


def name_of(case) -> str:
    """Whose rules a case is executed by: where it is not sure, those of the printer that its pause is for."""
    if not case["sure"]:
        return {"M400 U1": interpreter.FORK, "PAUSE_HERE": interpreter.KLIPPER}.get(
            case["pause_code"], interpreter.MARLIN
        )
    return NAMES[case["dialect"]]


def outcome(
    anchor: Anchor, state: interpreter.State, name: str, then: Sequence[str] = ()
) -> list[interpreter.Event]:
    """What the job comes to that goes on from *anchor* in *state*."""
    return list(interpreter.execute(later(anchor, then), name, state))


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
def machines(draw: st.DrawFn) -> BlockMachine:
    """Machines of which more or less is known."""
    return BlockMachine(
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
        "sure": st.sampled_from([True, True, True, False]),
        "diameter_mm": st.sampled_from([1.75, 2.85]),
        "nozzle_min_C": st.sampled_from([None, None, 190.0]),
        "material_flow_mm3_s": st.sampled_from([None, 2.0]),
        "wait_s": st.sampled_from([None, None, None, 15.0, 90.0, 600.0]),
        "purge": st.sampled_from(["melt-zone", "path"]),
        "pause_code": st.sampled_from([None, None, "M400 U1", "PAUSE_HERE", "M25"]),
        "prompts": st.booleans(),
    }
).map(lambda case: case if case["sure"] else case | {"dialect": Dialect.MARLIN})  # then its rules stand in

MEDDLED = ("", "G90", "G91")  # what the person leaves behind at the console


def faults(case, made, lines, then: Sequence[str] = ()) -> list[str]:
    """What is wrong with *lines* as the block *made* for *case*; nothing, if they are all of it.

    ``then``: how the job changes the way E counts later on.
    """
    anchor, dialect, name = case["anchor"], case["dialect"], name_of(case)
    before = start_of(anchor, dialect, prompts=case["sure"] and case.get("prompts", False))
    without = outcome(anchor, before, name, then)
    found = []
    for meddle in MEDDLED:
        events = list(interpreter.execute(lines, name, before, meddle=meddle))
        after = events[-1].after
        if not same_state(before, after, e_matters=anchor.e is not None):
            found.append(f"{meddle}: another state")
        if not interpreter.alike(without, outcome(anchor, after, name, then)):
            found.append(f"{meddle}: the job goes on in another way")
        fed = dict(after.fed)[anchor.tool] - dict(before.fed)[anchor.tool]
        if not math.isclose(fed, made.purge_mm, abs_tol=0.01):
            found.append(f"{meddle}: {fed} mm of filament went through, not {made.purge_mm}")
        for event in events:
            if event.fed and not (event.before.hot and event.before.target == anchor.target_C >= 170.0):
                found.append(f"{meddle}: cold: {event.text}")
            if event.kind in ("move", "heat") and event.before.dialog:
                found.append(f"{meddle}: a dialog stands open: {event.text}")
            if event.fed and event.before.firmware_retracted:
                found.append(f"{meddle}: held back by the firmware: {event.text}")
    return found
