"""Where a block may go in a file, and the machine's state there.

The block belongs after everything that the start code does and just before the first layer.  Which
line that is depends on the slicer family; the state at it (temperatures, modes, position, what is
retracted) comes from executing the file up to there.  What a start macro hides is unknown, and
stays so.  Where anything needed is missing or odd, the anchor carries a refusal instead of a guess.

Left out: the block itself (``advice.block``).
"""

import re
from collections.abc import Iterable, Mapping
from copy import copy
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Final

from gcodetool.gcode import odd, startmacro
from gcodetool.gcode import rows as row
from gcodetool.gcode.belt import BELT, belt_sign
from gcodetool.gcode.dialects import (
    EXTENDED_KINDS,
    Command,
    Dialect,
    Value,
    command,
    is_start_macro,
)
from gcodetool.gcode.place import AHEAD_BYTES, XYZ, InsertionPoint, by_mark, by_shape
from gcodetool.gcode.program import Program, walk
from gcodetool.gcode.rows import Rows

MACRO: Final = re.compile(r"[A-Z_]*START[A-Z_]*")
UNSURE_E: Final = (
    "it is not sure which firmware the file is for, and they count E in different ways here "
    "(--printer would settle it)"
)
SPINDLE: Final = frozenset(("M3", "M4"))
WORK_OFFSETS: Final = frozenset(f"G{code}" for code in (55, 56, 57, 58, 59, 68)) | {"G59.1", "G59.2", "G59.3"}
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
    macro : the start macro, as it stands; ``macro_line``: where.
    assumed : the macro names no temperature, so the settings' is taken for its own.
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
    macro_line: int | None = None
    assumed: bool = False
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
    sign = belt_sign(program)
    if sign is not None:
        return Anchor(refusal=f"{BELT} ({sign})", untouchable=f"{BELT} ({sign})")
    place = by_mark(program) or by_shape(program)
    if isinstance(place, str):
        return Anchor(refusal=place)
    state = _State(program, diameters_mm)
    for _, block, rows in walk(program, scanner=state.scanner, stop=place.offset):
        state.take(block, rows)
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


# --- the state --------------------------------------------------------------------------------


class _State:
    """Executes the file up to the anchor."""

    def __init__(self, program: Program, diameters_mm: float | Mapping[int, float] | None) -> None:
        self.program = program
        self.scanner = program.scanner(diameters_mm)
        self.klipper = program.dialect is Dialect.KLIPPER
        self.tool = 0
        self.targets: dict[int, float] = {}
        self.reached: dict[int, bool] = {}
        self.wait: str | None = None
        self.macro: str | None = None
        self.macro_line: int | None = None
        self.macro_C: float | None = None  # what it is called with
        self.silent = False  # it names no temperature, and nothing has heated since
        self.variables: dict[str, dict[str, Value]] = {}  # put aside for macros, by owner
        self.block = b""  # at hand
        self.hides = ""  # the last user macro, as a message names it
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

    def take(self, block: bytes, rows: Rows) -> None:
        """Execute a batch of rows, whose lines stand in *block*."""
        offset = self.scanner.offset
        for n in range(rows.count):
            op, start = rows.op[n], rows.start[n]
            line = rows.text(n, block, offset) if op in (row.TOOL, row.COMMAND) else b""
            if op in (row.MOVE, row.ARC):
                fed = self.fed.get(self.tool, 0.0) + rows.e[n]
                self.fed[self.tool] = fed
                self.peak[self.tool] = max(self.peak.get(self.tool, 0.0), fed)
            elif op == row.TOOL:
                self.tool = rows.arg[n]
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
                self.command(line, start, rows.line[n])
        if block is self.block:
            return
        self.block = block
        for pattern, name in ((MODE_LINE, "mode_set"), (FEED_LINE, "feed_set")):
            for found in pattern.finditer(block):
                setattr(self, name, offset + found.start())

    def command(self, line: bytes, start: int, at: int) -> None:
        """Follow heating, macros and what makes a file unfit; *line* stands at byte *start*, in line *at*."""
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
            self.call(called, line, start, at)

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
        self.silent = False
        index = self.tool if tool is None else int(tool)
        rises = value > self.targets.get(index, 0.0)
        self.targets[index] = value
        self.reached[index] = value > 0 and (self.reached.get(index, False) and not rises)
        if called.name == "M109" and value > 0:
            self.reached[index] = True
            self.wait = f"{called.name} {called.text}".strip()

    def call(self, called: Command, line: bytes, start: int, at: int) -> None:
        """Run a user's macro, as far as its words tell."""
        name = called.name
        put = startmacro.variable(called)
        if put is not None:
            owner, (key, value) = put
            self.variables.setdefault(owner, {})[key] = value
        if name in EXTENDED_KINDS:
            return
        self.hidden = start
        self.hides = f"'{_shown(line)}' on line {at}"
        self.fed[self.tool] = self.peak[self.tool] = 0.0
        starts = MACRO.fullmatch(name) is not None
        if not starts and self.reached.get(self.tool, False):
            return  # the file has seen to the heating by itself
        heat = startmacro.nozzle_C(called, self.variables, self.stated_C())
        if starts or heat is not None:
            self.macro, self.macro_line, self.macro_C = _shown(line), at, heat
            self.silent = heat is None
        if heat is not None:
            self.targets[self.tool] = heat
            self.reached[self.tool] = heat > 0
            self.wait = f"macro {name}"

    def stated_C(self) -> float | None:
        """Return the first layer's temperature of the active tool, as the settings say it. [°C]"""
        return self.program.facts.of_tool(self.tool).first_layer_C

    def assume(self) -> bool:
        """Take the settings' temperature for a start macro's that names none; tell whether that was done.

        Only where no line behind the macro heats, and nothing before it has waited.
        """
        stated = self.stated_C()
        if not self.silent or not stated or self.macro is None or self.reached.get(self.tool, False):
            return False
        self.targets[self.tool] = stated
        self.reached[self.tool] = True
        self.wait = f"macro {self.macro.split(maxsplit=1)[0].upper()}"
        return True

    def anchor(self, place: InsertionPoint, ahead: bytes) -> Anchor:
        """Return the state as an anchor."""
        assumed = self.assume()
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
            macro_line=self.macro_line,
            assumed=assumed,
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
        return replace(
            anchor,
            refusal=self.refusal(anchor),
            untouchable=self.no_printer,
            cautions=self.cautions(anchor),
        )

    def ahead(self, ahead: bytes) -> float | None:
        """Return the first retraction after the anchor."""
        scanner = self.program.scanner()
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
        scanner.e, scanner.tool, scanner.plane = self.scanner.e, self.scanner.tool, self.scanner.plane
        for _, _, rows in walk(self.program, scanner=scanner, blocks=[ahead[: ahead.rfind(b"\n") + 1]]):
            for n in range(rows.count):
                if rows.op[n] == row.MOVE and rows.e[n] < 0 and not rows.arg[n] & XYZ:
                    return round(-float(rows.e[n]), 5)
        return None

    def refusal(self, anchor: Anchor) -> str | None:
        """Return why no block may stand here."""
        if self.odd:
            return self.odd
        for note in odd.notes(self.scanner):
            if not note.reading.sure:
                return f"the machine's state is not sure: {note.words}"
        if self.scanner.inches:
            return "the file is in inches"
        if self.origin_moved:
            return "G92 moves the origin of X, Y or Z"
        if not anchor.absolute:
            return "positions are relative (G91) where the first layer begins"
        if self.objects:
            return "the first layer begins inside a labelled object"
        if not anchor.homed:
            return "neither G28 nor a start macro comes before the first layer"
        if not anchor.target_C:
            return f"the nozzle is not heated before the first layer, as far as the file shows{self.blind()}"
        if not anchor.waited:
            return f"nothing waits for the nozzle's temperature before the first layer{self.blind()}"
        if self.mode_set <= self.hidden and self.hidden >= 0:
            return f"the E mode (M82 or M83) is unknown after the macro {self.hides}; set it behind that line"
        if anchor.e_absolute and anchor.e is None:
            hides = f" after the macro {self.hides}; put G92 E0 behind that line" if self.hidden >= 0 else ""
            return f"E is absolute, and the value of its register is unknown{hides}"
        return None

    def blind(self) -> str:
        """Return which macro may heat and does not say so; nothing where there is none."""
        if self.macro is not None and self.macro_C is not None:
            named = f"'{self.macro}' on line {self.macro_line} asks for {self.macro_C:g} C"
            return "" if self.macro_C else f"; {named}"
        if self.hidden < 0:
            return ""
        return f"; the macro {self.hides} names no nozzle temperature: call it with EXTRUDER_TEMP=..."

    def cautions(self, anchor: Anchor) -> tuple[str, ...]:
        """Return what is odd here but no reason to refuse."""
        out = []
        expected = self.stated_C()
        if expected and anchor.target_C and expected != anchor.target_C:
            out.append(
                f"the nozzle is at {anchor.target_C:g} C before layer 1, the settings say {expected:g} C"
            )
        if anchor.assumed:
            out.append(
                f"the start macro on line {anchor.macro_line} names no nozzle temperature: "
                f"the settings' {anchor.target_C:g} C is taken for it"
            )
        if len(anchor.targets_C) > 1:
            out.append(f"only tool {anchor.tool}, active before the first layer, is purged")
        return tuple(out)


def _shown(line: bytes) -> str:
    """Return a command line without its comment."""
    return line.decode("utf-8", "replace").partition(";")[0].strip()
