"""Where a block may go in a file, and the machine's state there.

The block belongs after everything that the start code does and just before the first layer.  Which
line that is depends on the slicer family; the state at it (temperatures, modes, position, what is
retracted) comes from executing the file up to there.  What a start macro hides is unknown, and
stays so.  Where anything needed is missing or odd, the anchor carries a refusal instead of a guess.

Left out: the block itself (``advice.block``).
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from copy import copy
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any, Final

from gcodetool.gcode import rows as row
from gcodetool.gcode.dialects import (
    EXTENDED_KINDS,
    Command,
    Dialect,
    command,
    is_start_macro,
)
from gcodetool.gcode.markers import Family, of_tool
from gcodetool.gcode.program import Program, walk
from gcodetool.gcode.rows import Rows
from gcodetool.gcode.scan import Scanner

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

MACRO: Final = re.compile(r"[A-Z_]*START[A-Z_]*")
MACRO_TARGET: Final = re.compile(
    r"\b(?:EXTRUDER|HOTEND|NOZZLE|TOOL)(?:_?TEMP(?:ERATURE)?)?\s*=\s*(\d+(?:\.\d+)?)"
)
UNSURE_E: Final = (
    "it is not sure which firmware the file is for, and they count E in different ways here "
    "(--printer would settle it)"
)
BELT: Final = "the file is for a belt machine"
SPINDLE: Final = frozenset(("M3", "M4"))
WORK_OFFSETS: Final = frozenset(f"G{code}" for code in (55, 56, 57, 58, 59, 68)) | {"G59.1", "G59.2", "G59.3"}
DIVE: Final = re.compile(rb"G1 Z[\d.]+(?: F[\d.]+)?")
BLANK: Final = rb"[\x00-\x09\x0b-\x20]*"  # what the scanner passes over, also the \r of a lone "\n\r"
MODE_LINE: Final = re.compile(rb"^" + BLANK + rb"(?:N\d+[ \t]*)?M8[23]\b", re.MULTILINE | re.IGNORECASE)
FEED: Final = rb"F[ ]*(?=[\d.]*[1-9])[\d.]"  # F0 says nothing
MOVE_LINE: Final = rb"^" + BLANK + rb"(?:N\d+[ \t]*)?G0*[0-3](?!\d)[^;(\n]*"
FEED_LINE: Final = re.compile(MOVE_LINE + FEED, re.MULTILINE | re.IGNORECASE)
AHEAD_MOVE: Final = re.compile(MOVE_LINE, re.MULTILINE | re.IGNORECASE)
FEED_WORD: Final = re.compile(FEED, re.IGNORECASE)


@dataclass(frozen=True)
class Anchor:
    """The place for the block, and the state there.  ``None``: unknown.

    Attributes
    ----------
    line, offset : insert before this line (1-based) that starts at this byte; None where there is
        no such place.
    text : that line.
    rule : how it was found.
    refusal : why no block may go in, else None.
    untouchable : why nothing at all may be inserted: not a file of a filament printer of this kind.
    cautions : what is odd but no reason to refuse.
    tool : the active tool.
    target_C : its nozzle target; ``targets_C`` of all tools that were given one. [°C]
    wait : the last command that waited for a nozzle; ``waited``: the active tool's target was waited for.
    macro : the start macro, as it stands.
    absolute : G90 is in force.
    e_absolute : E words are absolute as the dialect sees it.
    e : the E register in the file's own unit (mm, or mm³ where volumetric).
    x, y, z : machine position. [mm]
    homed : all axes, or a start macro that is expected to.
    feed_mm_s : speed in force; ``feed_follows``: the next move names its own.
    retracted_mm : filament pulled back by E moves at the anchor. [mm]
    firmware_retracted : G10 without its G11.
    retract_ahead_mm : the first retraction after the anchor, a hint of what this machine needs. [mm]
    volumetric_mm : filament diameter where E is in mm³.
    flow, speed_factor : M221 and M220 as factors.
    """

    line: int | None = None
    offset: int | None = None
    text: str = ""
    rule: str = ""
    refusal: str | None = None
    untouchable: str | None = None
    cautions: tuple[str, ...] = ()
    tool: int = 0
    target_C: float | None = None
    targets_C: Mapping[int, float] = field(default_factory=lambda: MappingProxyType({}))
    wait: str | None = None
    waited: bool = False
    macro: str | None = None
    absolute: bool = True
    e_absolute: bool = True
    e: float | None = None
    x: float | None = None
    y: float | None = None
    z: float | None = None
    homed: bool = False
    feed_mm_s: float | None = None
    feed_follows: bool = True
    retracted_mm: float = 0.0
    firmware_retracted: bool = False
    retract_ahead_mm: float | None = None
    volumetric_mm: float | None = None
    flow: float = 1.0
    speed_factor: float = 1.0


@dataclass(frozen=True)
class _Place:
    offset: int
    rule: str


def find_anchor(program: Program, *, diameters_mm: float | Mapping[int, float] | None = None) -> Anchor:
    """Return where the block goes in *program*, and the state there.

    Parameters
    ----------
    diameters_mm : of the spools, as ``Program.scanner`` takes them.

    Raises
    ------
    GcodeError
        The file cannot be read.
    """
    place = _by_mark(program) or _by_shape(program)
    if isinstance(place, str):
        return Anchor(refusal=place)
    state = _State(program, diameters_mm)
    for data, offset in _until(program.blocks(), place.offset):
        state.take(data, offset)
    found = state.anchor(place, _after(program.blocks(), place.offset))
    if found.refusal is None and not program.dialect_sure and len(_e_counts(program, place.offset)) > 1:
        return replace(found, refusal=UNSURE_E)
    return found


def _e_counts(program: Program, offset: int) -> set[tuple[bool, float]]:
    """Return how the dialects count E at byte *offset*: absolute or not, and from which register if it is."""
    counts = set()
    for dialect in Dialect:
        scanner = replace(program, dialect=dialect).scanner()
        for _ in walk(program, scanner=scanner, stop=offset):
            pass
        absolute = bool(scanner.e_absolute)
        counts.add((absolute, round(scanner.e, 6) + 0.0 if absolute else 0.0))
    return counts


def _until(blocks: Iterable[bytes], stop: int) -> Iterator[tuple[bytes, int]]:
    """Yield (data, offset) of the blocks up to byte *stop*."""
    offset = 0
    for block in blocks:
        if offset >= stop:
            return
        yield block[: stop - offset], offset
        offset += len(block)


def _after(blocks: Iterable[bytes], start: int) -> bytes:
    """Return the block's rest from byte *start* on, and one block more if that is short."""
    offset, rest = 0, b""
    for block in blocks:
        if offset + len(block) > start:
            rest += block[max(0, start - offset) :]
            if len(rest) >= AHEAD_BYTES:
                break
        offset += len(block)
    return rest[:AHEAD_BYTES]


# --- the place --------------------------------------------------------------------------------


def _by_mark(program: Program) -> _Place | None:
    """Return the first layer mark of the file's family; family B's retraction before it is left behind."""
    pattern = FIRST_MARK.get(program.family)
    if pattern is None:
        return None
    scanner = program.scanner()
    rows: Any = Rows()
    last: tuple[int, int, bool] | None = None  # start, end, is a retraction: the last row
    offset = 0
    for block in program.blocks():
        found = pattern.search(block)
        data = block if found is None else block[: found.start()]
        if program.family is Family.B:
            for n in _rows(scanner, data, offset, rows):
                pulls = rows.op[n] == row.RETRACT or (
                    rows.op[n] == row.MOVE and rows.e[n] < 0 and not rows.arg[n] & XYZ
                )
                last = rows.start[n], rows.start[n] + rows.length[n], pulls
        if found is not None:
            mark = found[0].strip().decode()
            if (
                last
                and last[2]
                and last[0] >= offset
                and not _commands(block[last[1] - offset : found.start()])
            ):
                return _Place(last[0], f"before the retraction that precedes '{mark}'")
            return _Place(offset + found.start(), f"before '{mark}'")
        offset += len(block)
    return None


def _commands(text: bytes) -> bool:
    """Tell whether *text* holds anything but comments and blanks."""
    return any(line.strip() and not line.lstrip().startswith(b";") for line in text.split(b"\n"))


def _by_shape(program: Program) -> "_Place | str":
    """Return the start of the first layer by what is laid there; a text: why it is not clear."""
    scanner = program.scanner()
    rows: Any = Rows()
    layer = _FirstLayer()
    offset = 0
    preambles = _Preambles()
    for block in program.blocks():
        if program.family is Family.A_OLD:
            preambles.take(block, offset)
        for n in _rows(scanner, block, offset, rows):
            if layer.take(rows, n):
                if layer.before > STRAY_MOVES:
                    return "the first layer is not clear: filament is laid in several places before it"
                dive = preambles.last_before(layer.first_extrusion)
                if dive is not None:
                    return _Place(dive, "before the first move in Z after the slicer's preamble")
                return _Place(layer.start, "before the travel to the first layer, which no mark shows")
        offset += len(block)
    return "no first layer was found: the file lays down no filament in a plane"


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
    """Family A-old's ``G21 G90 M82|M83 [G92 E0]``, and the first ``G1 Z`` after each."""

    def __init__(self) -> None:
        self.step = 0
        self.dives: list[int] = []

    def take(self, block: bytes, offset: int) -> None:
        """Take the lines of a block that starts at *offset*; the start code is in the first few."""
        if offset > AHEAD_BYTES:
            return
        for line in block.split(b"\n"):
            text = line.partition(b";")[0].strip()
            if text:
                if text == b"G21":
                    self.step = 1
                elif self.step == 1 and text == b"G90":
                    self.step = 2
                elif self.step == 2 and text in (b"M82", b"M83"):
                    self.step = 3
                elif self.step == 3 and DIVE.fullmatch(text):
                    self.dives.append(offset)
                    self.step = 0
                elif self.step < 3 or text[:1] in (b"X", b"Y") or re.match(rb"G[0-3]\b", text):
                    self.step = 0
            offset += len(line) + 1

    def last_before(self, offset: int) -> int | None:
        """Return the last dive before *offset*."""
        return max((dive for dive in self.dives if dive < offset), default=None)


def _rows(scanner: Scanner, data: bytes, offset: int, rows: Rows) -> Iterator[int]:
    """Scan *data*, which stands at *offset* in the file, and yield the index of each row in turn."""
    scanner.offset = offset
    at = 0
    while at < len(data):
        at = scanner.run(data, at, rows)
        yield from range(rows.count)


# --- the state --------------------------------------------------------------------------------


class _State:
    """Executes the file up to the anchor."""

    def __init__(self, program: Program, diameters_mm: float | Mapping[int, float] | None) -> None:
        self.program = program
        self.scanner = program.scanner(diameters_mm)
        self.rows: Any = Rows()
        self.klipper = program.dialect is Dialect.KLIPPER
        self.tool = 0
        self.targets: dict[int, float] = {}
        self.reached: dict[int, bool] = {}
        self.wait: str | None = None
        self.macro: str | None = None
        self.hidden = -1  # where the last user macro stands: after it modes, feed and E are unknown
        self.ran = -1  # where the last macro file was run, which gives modes and feed back, but not E
        self.e_set = -1
        self.mode_set = -1
        self.feed_set = -1
        self.origin_moved = False
        self.fed: dict[int, float] = {}
        self.peak: dict[int, float] = {}
        self.objects = 0
        self.odd: str | None = None
        self.no_printer: str | None = None

    def take(self, data: bytes, offset: int) -> None:
        """Execute *data*, which stands at *offset*."""
        for n in _rows(self.scanner, data, offset, self.rows):
            rows = self.rows
            op, start = rows.op[n], rows.start[n]
            if op in (row.MOVE, row.ARC):
                fed = self.fed.get(self.tool, 0.0) + rows.e[n]
                self.fed[self.tool] = fed
                self.peak[self.tool] = max(self.peak.get(self.tool, 0.0), fed)
            elif op == row.TOOL:
                self.tool = rows.arg[n]
                line = data[start - offset : start - offset + rows.length[n]]
                if self.klipper and b"ACTIVATE_EXTRUDER" in line.upper():
                    self.e_set = start  # E counts from 0 again
                elif self.klipper:
                    self.ran = start  # T is a macro of the user's
            elif op == row.SET_POSITION:
                if rows.arg[n] & row.E:
                    self.e_set = start
                self.origin_moved = self.origin_moved or bool(rows.arg[n] & XYZ)
            elif op == row.HOME:
                self.origin_moved = False
            elif op == row.COMMAND:
                self.command(data[start - offset : start - offset + rows.length[n]], start)
        for pattern, name in ((MODE_LINE, "mode_set"), (FEED_LINE, "feed_set")):
            for found in pattern.finditer(data):
                setattr(self, name, offset + found.start())

    def command(self, line: bytes, start: int) -> None:
        """Follow heating, macros and what makes a file unfit."""
        called = command(line)
        name = called.name
        if name in ("M104", "M109", "SET_HEATER_TEMPERATURE", "M568") or (
            name == "G10" and "S" in called.words
        ):
            self.heat(called)
        elif name in ("M116", "TEMPERATURE_WAIT"):
            if str(called.words.get("SENSOR", "extruder")).startswith("extruder"):
                self.wait = _shown(line)
                self.reached = dict.fromkeys(self.targets, True)
        elif name in {"EXCLUDE_OBJECT_START", "M624"}:
            self.objects += 1
        elif name in {"EXCLUDE_OBJECT_END", "M625"}:
            self.objects = max(0, self.objects - 1)
        elif name in SPINDLE:
            self.odd = self.no_printer = f"'{_shown(line)}' starts a spindle"
        elif name in WORK_OFFSETS:
            self.odd = f"'{_shown(line)}' moves the origin"
        elif name == "M98" and self.program.dialect is Dialect.REPRAPFIRMWARE:
            self.ran = start
            self.fed[self.tool] = self.peak[self.tool] = 0.0
        elif name == "G20":
            pass  # the scanner knows the units
        elif is_start_macro(line) or (self.klipper and not re.match(r"[A-Z]\d", name)):
            self.call(called, line, start)

    def heat(self, called: Command) -> None:
        """Set a nozzle's target."""
        tool: float | None = called.number("T")
        value = called.number("S")
        if called.name == "SET_HEATER_TEMPERATURE":
            heater = str(called.words.get("HEATER", ""))
            if not heater.startswith("extruder"):
                return
            tool, value = float(heater.removeprefix("extruder") or 0), called.number("TARGET") or 0.0
        elif called.name in ("G10", "M568"):
            tool = called.number("P")
        elif called.name == "M109" and value is None:
            value = called.number("R") if not self.klipper else 0.0  # Klipper reads S only
        elif self.klipper and value is None:
            value = 0.0
        if value is None:
            return
        index = self.tool if tool is None else int(tool)
        rises = value > self.targets.get(index, 0.0)
        self.targets[index] = value
        self.reached[index] = value > 0 and (self.reached.get(index, False) and not rises)
        if called.name == "M109" and value > 0:
            self.reached[index] = True
            self.wait = f"{called.name} {called.text}".strip()

    def call(self, called: Command, line: bytes, start: int) -> None:
        """Run a user's macro, as far as its words tell."""
        name = called.name
        if name in EXTENDED_KINDS:
            return
        self.hidden = start
        self.fed[self.tool] = self.peak[self.tool] = 0.0
        if MACRO.fullmatch(name):
            self.macro = _shown(line)
            heat = MACRO_TARGET.search(called.text.upper())
            if heat:
                self.targets[self.tool] = float(heat[1])
                self.reached[self.tool] = float(heat[1]) > 0
                self.wait = f"macro {name}"

    def anchor(self, place: _Place, ahead: bytes) -> Anchor:
        """Return the state as an anchor."""
        scanner = self.scanner
        tool = self.tool
        target = self.targets.get(tool)
        e_absolute = bool(scanner.e_absolute)
        e_known = self.e_set > max(self.hidden, self.ran)
        homed = scanner.homed == XYZ or self.macro is not None
        first_f = AHEAD_MOVE.search(ahead)
        feed_follows = first_f is None or FEED_WORD.search(first_f[0]) is not None
        feed = scanner.feed if self.feed_set > self.hidden and self.feed_set >= 0 else None
        retracted = round(self.peak.get(tool, 0.0) - self.fed.get(tool, 0.0), 6)
        anchor = Anchor(
            line=scanner.line + 1,
            offset=place.offset,
            text=ahead.split(b"\n", 1)[0].decode("utf-8", "replace").rstrip("\r"),
            rule=place.rule,
            tool=tool,
            target_C=target,
            targets_C=MappingProxyType(dict(self.targets)),
            wait=self.wait,
            waited=self.reached.get(tool, False),
            macro=self.macro,
            absolute=bool(scanner.absolute),
            e_absolute=e_absolute,
            e=scanner.e if e_known else None,
            x=scanner.x if scanner.known & row.X else None,
            y=scanner.y if scanner.known & row.Y else None,
            z=scanner.z if scanner.known & row.Z else None,
            homed=homed,
            feed_mm_s=feed,
            feed_follows=feed_follows,
            retracted_mm=max(0.0, retracted),
            firmware_retracted=bool(scanner.retracted),
            retract_ahead_mm=self.ahead(ahead),
            volumetric_mm=scanner.diameters[tool] if scanner.volumetric else None,
            flow=scanner.flow_factor,
            speed_factor=scanner.speed_factor,
        )
        belt = BELT if _belt(self.program.facts.config) else None
        return replace(
            anchor,
            refusal=self.refusal(anchor),
            untouchable=self.no_printer or belt,
            cautions=self.cautions(anchor),
        )

    def ahead(self, ahead: bytes) -> float | None:
        """Return the first retraction after the anchor."""
        scanner = self.program.scanner()
        rows: Any = Rows()
        scanner.e_absolute, scanner.m82, scanner.absolute = (
            self.scanner.e_absolute,
            self.scanner.m82,
            self.scanner.absolute,
        )
        scanner.volumetric, scanner.diameters, scanner.flow = (
            self.scanner.volumetric,
            copy(self.scanner.diameters),  # M200 and M221 ahead must not reach back
            copy(self.scanner.flow),
        )
        scanner.e, scanner.tool = self.scanner.e, self.scanner.tool
        for n in _rows(scanner, ahead[: ahead.rfind(b"\n") + 1], 0, rows):
            if rows.op[n] == row.MOVE and rows.e[n] < 0 and not rows.arg[n] & XYZ:
                return round(-float(rows.e[n]), 5)
        return None

    def refusal(self, anchor: Anchor) -> str | None:
        """Return why no block may stand here."""
        if self.odd:
            return self.odd
        if self.scanner.inches:
            return "the file is in inches"
        if _belt(self.program.facts.config):
            return BELT
        if self.origin_moved:
            return "G92 moves the origin of X, Y or Z"
        if not anchor.absolute:
            return "positions are relative (G91) where the first layer begins"
        if self.objects:
            return "the first layer begins inside a labelled object"
        if not anchor.homed:
            return "neither G28 nor a start macro comes before the first layer"
        if not anchor.target_C:
            return "the nozzle is not heated before the first layer, as far as the file shows"
        if not anchor.waited:
            return "nothing waits for the nozzle's temperature before the first layer"
        if self.mode_set <= self.hidden and self.hidden >= 0:
            return "the E mode (M82 or M83) after the start macro is unknown"
        if anchor.e_absolute and anchor.e is None:
            return "E is absolute, and where its register stands is unknown"
        return None

    def cautions(self, anchor: Anchor) -> tuple[str, ...]:
        """Return what is odd here but no reason to refuse."""
        out = []
        stated = self.program.facts.first_layer_C
        expected = of_tool(stated, anchor.tool)
        if expected and anchor.target_C and expected != anchor.target_C:
            out.append(
                f"the nozzle is at {anchor.target_C:g} C before layer 1, the settings say {expected:g} C"
            )
        if len(anchor.targets_C) > 1:
            out.append(f"only tool {anchor.tool}, active before the first layer, is purged")
        return tuple(out)


def _belt(config: Mapping[str, str]) -> bool:
    return any("belt" in key and value not in ("", "0", "False", "false") for key, value in config.items())


def _shown(line: bytes) -> str:
    """Return a command line without its comment."""
    return line.decode("utf-8", "replace").partition(";")[0].strip()
