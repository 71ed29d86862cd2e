"""Random and mutated G-code, and what has to hold for every bit of it.

:func:`mutated` makes a job from a seed: pieces of the sample files, broken in the ways in which files
break and in a few in which they never should.  :func:`examined` puts bytes through scan, plan, anchor
and prepare in all three dialects.  Used by ``test_fuzz.py`` and, for minutes or hours, ``fuzz_long.py``.
"""

import functools
import io
import lzma
import math
import random
import re
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np

from gcodetool.app.conditions import Conditions
from gcodetool.app.examine import examine
from gcodetool.block.annotate import WATCH, PrepareOptions, annotate
from gcodetool.errors import GcodetoolError
from gcodetool.gcode import edits
from gcodetool.gcode.anchor import Anchor, find_anchor
from gcodetool.gcode.program import Program, read
from gcodetool.gcode.rows import Rows
from gcodetool.motion.timeline import Timeline
from gcodetool.motion.timing import build_timeline
from gcodetool.profiles import Heater, Printer, Waiting
from gcodetool.report.as_json import to_json
from gcodetool.report.as_text import print_report

FOLDER: Final = Path(__file__).parent / "data" / "gcode"
DIALECTS: Final = ("marlin", "klipper", "reprapfirmware")
MODEL: Final = Waiting(nozzle=Heater(2.0, 1.0), bed=Heater(0.4), overhead_s=90)
NUMBER: Final = re.compile(rb"[-+]?\d+\.?\d*")
ABSOLUTE: Final = re.compile(rb"M *82|G *90", re.IGNORECASE)
COLUMNS: Final = ("op", "arg", "x", "y", "z", "e", "f", "i", "j")
HOSTILE_NUMBERS: Final = (
    *(b"nan", b"inf", b"-inf", b"1e300", b"-1e9", b"9" * 400, b"0", b"-0", b"0.0000000001", b"1.2.3", b"--1"),
    *(b"", b".", b"+", b"2147483648", b"9223372036854775808", b"-99999", b"1000", b"250000", b"0x10", b"1,5"),
)
NAMES: Final = (
    *(
        b"G0",
        b"G1",
        b"G1",
        b"G1",
        b"G2",
        b"G3",
        b"G4",
        b"G10",
        b"G11",
        b"G20",
        b"G21",
        b"G28",
        b"G90",
        b"G91",
    ),
    *(
        b"G92",
        b"M82",
        b"M83",
        b"M104",
        b"M109",
        b"M190",
        b"M200",
        b"M201",
        b"M203",
        b"M204",
        b"M205",
        b"M207",
    ),
    *(
        b"M220",
        b"M221",
        b"M400",
        b"M566",
        b"M572",
        b"M600",
        b"M900",
        b"T0",
        b"T1",
        b";LAYER:1",
        b";LAYER_CHANGE",
    ),
)
HOSTILE_LINES: Final = (
    *(b"G1 Xnan Yinf Enan F-1", b"G1 X1e300 Y-1e300 E1e300", b"G2 X10 Y10 I1e9 J1e9 E1", b"G3 I0.001 J0 E5"),
    *(b"G2 X900 Y900 R-1000 E9 F1", b"G1 F0", b"G1 X5 F0.000001", b"G4 S1e12", b"G4 P-5", b"G92 E1e300"),
    *(
        b"G92 X-1e15 Y1e15",
        b"M220 S0",
        b"M220 S-10",
        b"M220 S1e9",
        b"M221 S0",
        b"M221 S-300",
        b"M200 D0.0001",
    ),
    *(b"M204 P0 T0", b"M204 S1e-300", b"M203 X0 Y0 Z0 E0", b"M201 X1e300", b"M205 J9 X-1", b"M566 X0 Y0 P7"),
    *(
        b"SET_VELOCITY_LIMIT ACCEL=0 VELOCITY=-1",
        b"SET_VELOCITY_LIMIT MINIMUM_CRUISE_RATIO=nan",
        b"T999999999",
    ),
    *(
        b"T-1",
        b"T0 T1",
        b"M109 S1e9",
        b"M190 R-273",
        b"TEMPERATURE_WAIT SENSOR=extruder MINIMUM=9e9",
        b"G10 P99 S1",
    ),
    *(
        b"SAVE_GCODE_STATE NAME=a",
        b"RESTORE_GCODE_STATE NAME=a MOVE=1",
        b"RESTORE_GCODE_STATE NAME=b",
        b"G20",
    ),
    *(
        b"G91",
        b"M82",
        b"M83",
        b"G53 X1",
        b"G10 L2 P1 X5",
        b"M73 P99 R0",
        b"%",
        b"O1000",
        b"N99999999999999 G1 X1*99",
    ),
    *(
        b"; gcodetool:begin header",
        b"; gcodetool:end header",
        b"G1 X1 ; gcodetool:begin header",
        b";LAYER:-5",
    ),
    *(
        b";LAYER_CHANGE",
        b"; CHANGE_LAYER",
        b"PRINT_START EXTRUDER=1e9 BED=nan",
        b"START_PRINT",
        b"M486 S-1",
        b"M600",
    ),
    *(
        "; 烘干 °C \u202e".encode(),
        "G1 X１０ Y２０".encode(),
        b"\xff\xfe\x00G1",
        b"G1\x00X5",
        b"(G1 X5",
        b"G1 X5 ) Y6",
    ),
    *(
        b"G" + b"1" * 300,
        b"M" + b"9" * 30,
        b"G1" + b" X1" * 2000,
        b"\x1b[31m",
        b'M117 "unclosed',
        b"G28 X Y Z W",
    ),
)


@functools.cache
def samples() -> tuple[tuple[bytes, ...], ...]:
    """Return the lines of each sample file, line ends kept."""
    packed = sorted(FOLDER.glob("*.gcode.xz"))
    assert len(packed) == 17
    return tuple(tuple(lzma.decompress(path.read_bytes()).splitlines(keepends=True)) for path in packed)


@functools.cache
def first_layer(sample: int) -> int:
    """Return the line of a sample's first mark of a layer, 0-based."""
    for number, line in enumerate(samples()[sample]):
        if line.startswith((b";LAYER_CHANGE", b"; CHANGE_LAYER", b";LAYER:")):
            return number
    return 200


def snippet(chance: random.Random) -> list[bytes]:
    """Return a short job cut out of a sample: its head, its first layer, some of the rest, its tail."""
    number = chance.randrange(len(samples()))
    lines = samples()[number]
    layer = first_layer(number)
    # thumbnails and settings are most of some heads: what stands before them says the family
    head = [*lines[:30], *lines[max(30, layer - chance.choice((10, 60, 200))) : layer + 60]]
    middle = chance.randrange(len(lines))
    tail = lines[-chance.choice((1, 20, 400)) :]
    return [*head, *lines[middle : middle + 120], *tail]


def _at(chance: random.Random, lines: list[bytes]) -> int:
    return chance.randrange(len(lines))


def flip_bytes(chance: random.Random, lines: list[bytes]) -> None:
    for _ in range(chance.choice((1, 3, 20))):
        at = _at(chance, lines)
        line = bytearray(lines[at])
        if line:
            line[chance.randrange(len(line))] = chance.randrange(256)
        lines[at] = bytes(line)


def shuffle_lines(chance: random.Random, lines: list[bytes]) -> None:
    start = _at(chance, lines)
    part = lines[start : start + chance.choice((3, 20, 200))]
    chance.shuffle(part)
    lines[start : start + len(part)] = part


def double_lines(chance: random.Random, lines: list[bytes]) -> None:
    start = _at(chance, lines)
    part = lines[start : start + chance.choice((1, 5, 60))]
    lines[start:start] = part * chance.choice((1, 1, 7))


def drop_lines(chance: random.Random, lines: list[bytes]) -> None:
    start = _at(chance, lines)
    del lines[start : start + chance.choice((1, 5, 60))]
    if not lines:
        lines.append(b"G28\n")


def cut_lines(chance: random.Random, lines: list[bytes]) -> None:
    for _ in range(chance.choice((1, 10))):
        at = _at(chance, lines)
        if lines[at]:
            lines[at] = lines[at][
                : chance.randrange(len(lines[at]))
            ]  # its end goes too: two lines become one


def cut_file(chance: random.Random, lines: list[bytes]) -> None:
    del lines[max(1, _at(chance, lines)) :]


def swap_numbers(chance: random.Random, lines: list[bytes]) -> None:
    for _ in range(chance.choice((1, 5, 30))):
        at = _at(chance, lines)
        lines[at] = NUMBER.sub(
            lambda _: chance.choice(HOSTILE_NUMBERS), lines[at], count=chance.choice((1, 9))
        )


def hostile_lines(chance: random.Random, lines: list[bytes]) -> None:
    for _ in range(chance.choice((1, 4, 15))):
        lines.insert(
            _at(chance, lines), chance.choice(HOSTILE_LINES) + chance.choice((b"\n", b"\r\n", b"\n\n", b"\r"))
        )


def other_dialect(chance: random.Random, lines: list[bytes]) -> None:
    start = chance.randrange(len(samples()))
    other = samples()[start]
    at = chance.randrange(len(other))
    lines[_at(chance, lines) :] = other[at : at + 150]


def line_ends(chance: random.Random, lines: list[bytes]) -> None:
    end = chance.choice((b"\r\n", b"\r", b"\n\r", b"\x00\n", b" \t\n"))
    lines[:] = [line.rstrip(b"\r\n") + end for line in lines]


def case(chance: random.Random, lines: list[bytes]) -> None:
    start = _at(chance, lines)
    for at in range(start, min(len(lines), start + 50)):
        lines[at] = lines[at].lower()


def blanks(chance: random.Random, lines: list[bytes]) -> None:
    start = _at(chance, lines)
    for at in range(start, min(len(lines), start + 50)):
        lines[at] = lines[at].replace(b" ", chance.choice((b"", b"  ", b"\t")))


MUTATIONS: Final[tuple[Callable[[random.Random, list[bytes]], None], ...]] = (
    *(flip_bytes, shuffle_lines, double_lines, drop_lines, cut_lines, cut_file, swap_numbers, hostile_lines),
    *(other_dialect, line_ends, case, blanks),
)


def mutated(seed: int) -> bytes:
    """Return the job of *seed*."""
    chance = random.Random(seed)
    lines = snippet(chance)
    for _ in range(chance.choice((0, 1, 1, 2, 4, 8))):
        chance.choice(MUTATIONS)(chance, lines)
    return b"".join(lines)


def nonsense(seed: int) -> bytes:
    """Return lines of *seed* that no slicer wrote: commands with any words, hostile lines, bytes."""
    chance = random.Random(seed)
    lines = []
    for _ in range(chance.choice((1, 20, 200))):
        kind = chance.random()
        if kind < 0.1:
            lines.append(chance.choice(HOSTILE_LINES))
        elif kind < 0.2:
            lines.append(chance.randbytes(chance.randrange(30)))
        else:
            letters = [chance.choice(b"XYZEFIJRSPT") for _ in range(chance.randrange(6))]
            words = (b"%c%s" % (letter, _any_number(chance)) for letter in letters)
            lines.append(b" ".join((chance.choice(NAMES), *words)))
    return chance.choice((b"\n", b"\r\n")).join(lines)


def _any_number(chance: random.Random) -> bytes:
    if chance.random() < 0.2:
        return chance.choice(HOSTILE_NUMBERS)
    return b"%.*f" % (chance.randrange(6), chance.uniform(-1, 1) * 10 ** chance.randrange(-3, 5))


# --- the laws ----------------------------------------------------------------------------------


def examined(data: bytes, folder: Path) -> dict[str, int]:
    """Put *data* through everything, in all dialects; return what became of it, counted.

    Whatever raises but a ``GcodetoolError`` raises here too, as does a law that does not hold.
    """
    job = folder / "job.gcode"
    job.write_bytes(data)
    counts = dict.fromkeys(("unreadable", "planned", "anchored", "prepared", "blocks"), 0)
    for dialect in DIALECTS:
        try:
            program = read(job, dialect=dialect)
            scanned(program)
        except GcodetoolError as error:
            assert "\n" not in str(error)
            counts["unreadable"] += 1
            continue
        for waiting in (Waiting(), MODEL):
            printer = Printer(name="bench-9", dialect=dialect, waiting=waiting)  # type: ignore[arg-type]
            sane(build_timeline(program, printer=printer))
        sane(build_timeline(program))
        counts["planned"] += 1
        counts["anchored"] += find_anchor(program).offset is not None
        try:
            found = examine(program, {}, Conditions(0.0), watch_z_mm=WATCH, spread=False)
            to_json(found.findings)  # refuses what is no number
            print_report(found.findings, io.StringIO())
            done = annotate(program, found, options=PrepareOptions(block="always"))
        except GcodetoolError as error:
            assert "\n" not in str(error)
            continue
        counts["prepared"] += 1
        counts["blocks"] += done.block is not None and done.block.lines is not None
        whole(program, done.edits, found.anchor)
    return counts


def scanned(program: Program) -> None:
    """Scan to the end: each byte and each line once."""
    size = lines = 0
    for block in program.blocks():
        size += len(block)
        lines += block.count(b"\n") + (not block.endswith(b"\n"))
    scanner: Any = program.scanner()
    rows: Any = Rows()
    before = 0
    for block in program.blocks():
        at = 0
        while at < len(block):
            at = scanner.fill(block, at, rows)
            for row in range(rows.count):
                begin = rows.start[row] - scanner.offset
                assert 0 <= begin < len(block)
                assert rows.length[row] >= 0
                assert b"\n" not in block[begin : begin + rows.length[row]]
                line = scanner.offset + block.rfind(b"\n", 0, begin) + 1
                assert before <= line  # on one line a command starts at its own text, a move at the line
                before = line
        scanner.offset += len(block)
    assert scanner.offset == size
    assert scanner.line == lines


def sane(found: Timeline) -> None:
    """No time is negative or no number, and the parts make the whole."""
    for name in ("moving_s", "extruding_s", "waiting_s", "start_s", "forward_mm"):
        column = getattr(found, name)
        assert np.isfinite(column).all(), name
        assert (column >= 0).all(), name
    assert np.isfinite(found.fed_mm).all()
    assert (found.extruding_s <= found.moving_s * (1 + 1e-9) + 1e-9).all()
    assert not np.isinf(found.last_forward_s).any()
    assert not (found.last_forward_s < 0).any()
    assert math.isfinite(found.open_air_s)
    assert found.open_air_s == found.total_moving_s + found.total_waiting_s
    for wait in found.waits:
        assert math.isfinite(wait.seconds)
        assert wait.seconds >= 0
        assert "\n" not in wait.text
    for tool, demands in found.demands.items():
        assert np.isfinite(demands.flow_s).all()
        assert min(demands.flow_s) >= 0
        assert math.isfinite(found.needed_s(tool))
        for figure in (
            demands.path_mm,
            demands.travel_mm,
            demands.longest_over_print_mm,
        ):
            assert math.isfinite(figure)
            assert figure >= 0
    assert found.limits
    assert all(math.isfinite(use.value) for use in found.limits)


def whole(program: Program, changes: Iterable[edits.Edit], anchor: Anchor | None) -> None:
    """With the regions out the input is back, and what comes later moves as it did."""
    source = list(program.blocks())
    written = b"".join(edits.apply(source, list(changes)))
    assert b"".join(edits.strip_regions([written])) == b"".join(source)
    # Where E is relative and nobody said where its register stands, a later M82 means an unknown place.
    moot = math.inf
    if anchor is not None and anchor.offset is not None and anchor.e is None:
        later = ABSOLUTE.search(b"".join(source), anchor.offset)
        moot = math.inf if later is None else later.start()
    before = list(motion(program, source, regions=False))
    after = list(motion(program, [written], regions=True))
    assert len(before) == len(after)
    for one, other in zip(before, after, strict=True):
        assert one[1:3] == other[1:3]
        for column, a, b in zip(COLUMNS[2:], one[3:], other[3:], strict=True):
            if not (column == "e" and one[0] > moot) and not (a != a and b != b):
                assert a == b or math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-5), (column, one, other)


def motion(program: Program, blocks: Iterable[bytes], *, regions: bool) -> Iterator[tuple[float, ...]]:
    """Yield each row's place and numbers in file order, but those that stand in regions."""
    scanner: Any = program.scanner()
    rows: Any = Rows()
    for block in blocks:
        spans = []
        if regions:
            starts = [mark for mark in edits.MARK_LINE.finditer(block) if mark["side"] == b"begin"]
            ends = [mark for mark in edits.MARK_LINE.finditer(block) if mark["side"] == b"end"]
            spans = [(a.start(), b.end()) for a, b in zip(starts, ends, strict=True)]
        at = 0
        while at < len(block):
            at = scanner.fill(block, at, rows)
            for row in range(rows.count):
                place = rows.start[row] - scanner.offset
                if not any(start <= place < end for start, end in spans):
                    yield (rows.start[row], *(getattr(rows, name)[row] for name in COLUMNS))
        scanner.offset += len(block)
