"""Every sliced sample in every dialect setting: with its block it prints the same, by an interpreter of our own."""

import itertools
import lzma
import pathlib
import re
import warnings
from dataclasses import replace

import interpreter
import pytest
from hypothesis import settings

from gcodetool.block.bed_geometry import box_distance
from gcodetool.block.block import WATCH_Z_MM, block_for
from gcodetool.gcode import edits
from gcodetool.gcode.anchor import find_anchor
from gcodetool.gcode.dialects import Dialect
from gcodetool.gcode.program import read
from gcodetool.motion.timing import build_timeline
from gcodetool.profiles import Printer

SAMPLES = sorted((pathlib.Path(__file__).parent / "data" / "gcode").glob("*.gcode.xz"))
LATER = None if settings().max_examples >= 20_000 else 2000  # lines; None: to the end, in the long mode
BED = (0.0, 0.0, 250.0, 210.0)


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.name[:3])
@pytest.mark.parametrize(
    ("place", "setting"),
    [
        *itertools.product(["free spot", "in place"], [None, *Dialect]),
        ("at the host", Dialect.MARLIN),
        ("at the host", Dialect.KLIPPER),
    ],
    ids=lambda value: getattr(value, "label", value or "as-found"),
)
def test_samples_with_a_block_print_the_same(path, place, setting):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pygcode

    program = read(path, dialect=setting)
    anchor = find_anchor(program)
    at_host = place == "at the host"
    printer = Printer("rig", program.dialect.label, host_prompts=True) if at_host else None
    made = block_for(
        program,
        anchor,
        printer=printer,
        nozzle_min_C=None,
        diameter_mm=None,
        low_box=(60.0, 60.0, 210.0, 210.0) if place == "free spot" else None,
    )
    text = lzma.decompress(path.read_bytes())
    if made.lines is None:
        # an unsure dialect keeps a block out, or one that does not know how this file heats
        if program.dialect_sure:
            assert path.name.startswith("a04")
            assert setting is not Dialect.REPRAPFIRMWARE
            assert "not heated" in made.reason
        else:
            assert "not sure which firmware" in made.reason
        return
    insertion = edits.insertion(
        anchor.offset, "purge-and-inspect", made.lines, newline=edits.newline_of(text)
    )
    prepared = b"".join(edits.apply([text], [insertion]))
    assert b"".join(edits.strip_regions([prepared])) == text
    before, inside, after = interpreter.split(prepared.decode("utf-8", "replace").split("\n"))
    name = interpreter.FORK if program.fork else program.dialect.label
    state = replace(interpreter.final(before, name), prompts=at_host and program.dialect_sure)
    assert any("action:" in line for line in inside) == (
        at_host and program.dialect_sure and not program.fork
    )
    pauses = 0
    for meddle in ("", "G90", "G91"):
        events = list(interpreter.execute(inside, name, state, meddle=meddle))
        pauses += sum(event.kind == "pause" for event in events)
        came_back = events[-1].after
        known = {"e_known": anchor.e is not None, "feed_known": anchor.feed_mm_s is not None}
        assert interpreter.given_back(state, came_back, **known) == []
        if not meddle:
            without = list(interpreter.execute(after[:LATER], name, state))
            assert interpreter.alike(without, list(interpreter.execute(after[:LATER], name, came_back)))
    assert pauses >= 3
    for line in inside:
        if re.match(r"G1\b", line):
            theirs = {word.letter: float(word.value) for word in pygcode.Line(line.strip()).block.words}
            assert theirs == {letter: float(at) for letter, at in re.findall(r"([A-Z])(-?[\d.]+)", line)}


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.name[:3])
def test_the_box_that_is_kept_clear_covers_what_the_samples_do_below_the_heap(path):
    """Each end of each low move, by the interpreter, lies in the box that the timeline found."""
    program = read(path)
    anchor = find_anchor(program)
    box = build_timeline(program, watch=(anchor.offset, WATCH_Z_MM)).low_box
    assert box is not None
    text = lzma.decompress(path.read_bytes())
    name = interpreter.FORK if program.fork else program.dialect.label
    state = interpreter.final(text[: anchor.offset].decode("utf-8", "replace").split("\n"), name)
    after = text[anchor.offset :].decode("utf-8", "replace").split("\n")[: LATER and 3 * LATER]
    for event in interpreter.execute(after, name, state):
        ends = (event.before, event.after)
        if event.kind != "move" or not {"X", "Y"} & set(event.words):
            continue
        if all(end.z is not None and end.z > WATCH_Z_MM for end in ends):
            continue
        for end in ends:
            if end.x is not None and end.y is not None:
                assert box_distance(box, (end.x, end.y)) <= 1e-6, event


def test_the_interpreter_shares_nothing_with_the_package():
    assert "import gcodetool" not in (
        source := pathlib.Path(interpreter.__file__).read_text(encoding="utf-8")
    )
    assert "from gcodetool" not in source
