"""The first layer's place: which byte of a file its first layer begins at.

A mark of the slicer's family says it; without one the slicer's own preamble or the shape of what is laid
down does.  Left out: the machine's state there (``anchor``).
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

from gcodetool.gcode import rows as row
from gcodetool.gcode.markers import Family
from gcodetool.gcode.program import Program, walk

XYZ: Final = row.X | row.Y | row.Z

FIRST_MARK: Final = {
    Family.A: re.compile(rb"^;LAYER_CHANGE\r?$", re.MULTILINE),
    Family.C_END: re.compile(rb"^;LAYER_CHANGE\r?$", re.MULTILINE),
    Family.C_TOP: re.compile(rb"^; CHANGE_LAYER\r?$", re.MULTILINE),
    Family.B: re.compile(rb"^;LAYER(?:_COUNT)?:-?\d+\r?$", re.MULTILINE),
}
RUN: Final = 20  # X/Y moves with rising E at one Z that make a layer, where no mark says so
STRIP_MM: Final = 6.0  # what is narrower is a purge line
STRAY_MOVES: Final = 10  # extruding moves that purge lines may take before the first layer
FRESH_MM: Final = 0.05  # filament beyond what only undoes a retraction
AHEAD_BYTES: Final = 1 << 16
DIVE: Final = re.compile(rb"G1 Z[\d.]+(?: F[\d.]+)?")
PULL: Final = re.compile(rb"G10|G1 (?:E-[\d.]+(?: F[\d.]+)?|F[\d.]+ E-[\d.]+)")
RESET_E: Final = re.compile(rb"G92 E0*(?:\.0+)?")


@dataclass(frozen=True)
class InsertionPoint:
    """A byte to insert before, and how it was found."""

    offset: int
    rule: str


def by_mark(program: Program) -> InsertionPoint | None:
    """Return the first layer mark of the file's family; family B's retraction before it is left behind."""
    pattern = FIRST_MARK.get(program.family)
    found = None if pattern is None else _first(program.blocks(), pattern)
    if found is None:
        return None
    offset, mark = found
    pull = _pull_before(program, offset) if program.family is Family.B else None
    if pull is not None:
        return InsertionPoint(pull, f"before the retraction that precedes '{mark}'")
    return InsertionPoint(offset, f"before '{mark}'")


def _first(blocks: Iterable[bytes], pattern: re.Pattern[bytes]) -> tuple[int, str] | None:
    """Return where *pattern* is found first, and what it finds."""
    offset = 0
    for block in blocks:
        found = pattern.search(block)
        if found is not None:
            return offset + found.start(), found[0].strip().decode()
        offset += len(block)
    return None


def _pull_before(program: Program, offset: int) -> int | None:
    """Return where the last command before byte *offset* starts, if it is a retraction; else None."""
    begin, end, before, text = -1, 0, 0, b""
    for scanner, block, rows in walk(program, stop=offset):
        before, text = scanner.offset, block
        n = rows.count - 1
        if n >= 0:
            alone = rows.op[n] == row.MOVE and rows.e[n] < 0 and not rows.arg[n] & XYZ
            begin = rows.start[n] if rows.op[n] == row.RETRACT or alone else -1
            end = rows.start[n] + rows.length[n]
    return begin if begin >= before and not _commands(text[end - before :]) else None


def _commands(text: bytes) -> bool:
    """Tell whether *text* holds anything but comments and blanks."""
    return any(line.strip() and not line.lstrip().startswith(b";") for line in text.split(b"\n"))


def by_shape(program: Program) -> "InsertionPoint | str":
    """Return the start of the first layer by what is laid there; a text: why it is not clear."""
    layer = _FirstLayer()
    preambles = _Preambles()
    laid, seen = 0, -1
    for scanner, block, rows in walk(program):
        if program.family is Family.A_OLD and scanner.offset > seen:
            seen = scanner.offset
            preambles.take(block, seen)
        for n in range(rows.count):
            across = bool(rows.arg[n] & (row.X | row.Y))
            laid += rows.op[n] in (row.MOVE, row.ARC) and across and rows.e[n] > 0
            if laid == STRAY_MOVES + 1:  # too many for purge lines: the layer, even one of small islands
                dive = preambles.only_before(rows.start[n])
                if dive is not None:
                    return dive
            if layer.take(rows, n):
                if layer.before > STRAY_MOVES:
                    return "the first layer is not clear: filament is laid in several places before it"
                return preambles.last_before(layer.first_extrusion) or InsertionPoint(
                    layer.start, "before the travel to the first layer, which no mark shows"
                )
    if not laid:
        return "no filament is laid: there is no first layer"
    return (
        f"no first layer was found: nowhere are {RUN} moves with filament laid one after the other at one height, "
        f"wider than {STRIP_MM:g} mm"
    )


class _FirstLayer:
    """Watches rows for the first run of extruding X/Y moves at one Z that is no purge line."""

    def __init__(self) -> None:
        self.start = self.first_extrusion = -1
        self.before = 0  # extruding moves passed over
        self.count = 0
        self.z = float("nan")
        self.box = [float("inf"), float("inf"), float("-inf"), float("-inf")]
        self.quiet: int | None = None  # where the travel, retraction or dive to the next run began
        self.fed = self.peak = 0.0

    def take(self, rows: Any, n: int) -> bool:
        """Take row *n*; True once the first layer is sure."""
        op = rows.op[n]
        if op not in (row.MOVE, row.ARC):
            if op not in (row.SET_POSITION, row.RETRACT, row.UNRETRACT, row.LAYER, row.ACCELERATION):
                self.quiet = None  # a command that heats, homes or waits is not part of the way to the layer
            elif op == row.RETRACT and self.quiet is None:
                self.quiet = rows.start[n]
            return False
        self.fed += rows.e[n]
        fresh = self.fed > self.peak + FRESH_MM
        self.peak = max(self.peak, self.fed)
        across = rows.arg[n] & (row.X | row.Y)
        if not across or rows.e[n] <= 0:
            if fresh:
                self.quiet = None  # a purge in place
            elif self.quiet is None:
                self.quiet = rows.start[n]
            if across and self.count and self.thin():
                self.drop()
            return False
        if rows.z[n] != self.z:
            self.drop()
            self.z = rows.z[n]
        if not self.count:
            self.first_extrusion = rows.start[n]
            self.start = rows.start[n] if self.quiet is None else self.quiet
        self.quiet = None
        self.count += 1
        self.box[0], self.box[2] = min(self.box[0], rows.x[n]), max(self.box[2], rows.x[n])
        self.box[1], self.box[3] = min(self.box[1], rows.y[n]), max(self.box[3], rows.y[n])
        return self.count >= RUN and not self.thin()

    def thin(self) -> bool:
        """Tell whether the run so far is a strip."""
        return min(self.box[2] - self.box[0], self.box[3] - self.box[1]) < STRIP_MM

    def drop(self) -> None:
        """Give the run up."""
        self.before += self.count
        self.count = 0
        self.box = [float("inf"), float("inf"), float("-inf"), float("-inf")]


class _Preambles:
    """Family A-old's ``G21 G90 M82|M83 [G92 E0]``, and the first ``G1 Z`` after each.

    A retraction may stand between the two; then the place is before it.
    """

    def __init__(self) -> None:
        self.step = 0
        self.held: int | None = None  # where a retraction began that leads to the dive
        self.dives: list[tuple[int, InsertionPoint]] = []  # where it stands, and the place before it

    def take(self, block: bytes, offset: int) -> None:
        """Take the lines of a block that starts at *offset*; the start code is in the first few."""
        if offset > AHEAD_BYTES:
            return
        for line in block.split(b"\n"):
            text = line.partition(b";")[0].strip()
            if text:
                self.line(text, offset)
            offset += len(line) + 1

    def line(self, text: bytes, offset: int) -> None:
        """Take one command, which starts at *offset*."""
        if text == b"G21":
            self.step, self.held = 1, None
        elif self.step == 1 and text == b"G90":
            self.step = 2
        elif self.step == 2 and text in (b"M82", b"M83"):
            self.step = 3
        elif self.step == 3 and DIVE.fullmatch(text):
            what = "the first move in Z after the slicer's preamble"
            if self.held is None:
                place = InsertionPoint(offset, f"before {what}")
            else:
                place = InsertionPoint(self.held, f"before the retraction that precedes {what}")
            self.dives.append((offset, place))
            self.step = 0
        elif self.step == 3 and PULL.fullmatch(text):
            self.held = offset if self.held is None else self.held
        elif self.step == 3 and RESET_E.fullmatch(text):
            pass
        elif self.step < 3 or text[:1] in (b"X", b"Y") or re.match(rb"G[0-3]\b", text):
            self.step = 0
        else:
            self.held = None  # a command that may heat or wait is no part of the way to the layer

    def last_before(self, offset: int) -> InsertionPoint | None:
        """Return the place of the last dive before *offset*."""
        return next((place for dive, place in reversed(self.dives) if dive < offset), None)

    def only_before(self, offset: int) -> InsertionPoint | None:
        """Return the same where no dive comes later, so that no start code's own is taken for the slicer's."""
        return self.last_before(offset) if all(dive < offset for dive, _ in self.dives) else None
