"""Commands that change how later lines are read, one dialect's way or another's.

The scanner meets a few of these in a file and hands each over here: its own state and the bytes of the
line go in, the state is changed, and the row that the line leaves, if any, comes out.

Left out: what comes often (G0-G3, G10, G11, G92, M204), which the scanner does itself.
"""

from dataclasses import field
from typing import Any, Final

from gcodetool.gcode import odd, rows
from gcodetool.gcode.dialects import (
    EXTENDED_KINDS,
    KEPT,
    MODAL,
    ROAMING,
    UNKNOWN,
    Command,
    Dialect,
    command,
    is_start_macro,
)
from gcodetool.quickdata import dataclass

Scanner = Any  # it imports this file, and no file may import its importer

AXES_STATED: Final = 1  # G90 or G91 was said
E_STATED: Final = 2  # M82 or M83 was said, or what sets E too
INCH_MM: Final = 25.4
AXES: Final = (("X", rows.X), ("Y", rows.Y), ("Z", rows.Z))


@dataclass
class SavedState:
    """State that a command put aside for another one to take up.

    Attributes
    ----------
    speed_factor : Marlin's M220 B.
    states : Klipper's SAVE_GCODE_STATE, by name.
    stack : RepRapFirmware's M120.
    """

    speed_factor: float = 1.0
    states: dict[str, tuple[tuple[float, ...], ...]] = field(default_factory=dict)
    stack: list[tuple[int, int, int, float]] = field(default_factory=list)


@dataclass(frozen=True)
class ScanRow:
    """A row as the scanner fills it in; see ``rows``."""

    op: int
    arg: int = 0
    x: float = 0.0
    y: float = 0.0
    z: float = 0.0
    e: float = 0.0
    f: float = 0.0


KEPT_ROW: Final = ScanRow(rows.COMMAND)


def act(scanner: Scanner, line: bytes) -> ScanRow | None:
    """Change the state of *scanner* as the modal or extended command on *line* does; return its row."""
    said = command(line)
    match said.name:
        case "G90" | "G91":
            scanner.absolute = int(said.name == "G90")
            scanner.stated |= AXES_STATED
            if scanner.dialect == Dialect.MARLIN:  # rules E too, and cancels M82 and M83
                scanner.m82 = scanner.absolute
                scanner.stated |= E_STATED
            _settle(scanner)
        case "M82" | "M83":
            scanner.m82 = int(said.name == "M82")
            scanner.said_m83 = int(said.name == "M83")
            scanner.stated |= E_STATED
            _settle(scanner)
        case "G20" | "G21":
            scanner.inches = int(said.name == "G20")
            return KEPT_ROW if scanner.inches else None
        case "G17" | "G18" | "G19":
            scanner.plane = int(said.name[1:]) - 17
        case "G4":
            return ScanRow(rows.DWELL, e=_dwell_s(scanner, said))
        case "G28":
            return _home(scanner, said)
        case "M220":
            _speed(scanner, said)
        case "M221":
            _flow(scanner, said)
        case "M200":
            _volumetric(scanner, said)
        case "M120":
            scanner.saved.stack.append((scanner.absolute, scanner.m82, scanner.inches, scanner.feed))
        case "M121":
            if scanner.saved.stack:
                scanner.absolute, scanner.m82, scanner.inches, scanner.feed = scanner.saved.stack.pop()
                _settle(scanner)
        case _:
            return _extended(scanner, said, line)
    return None


def _settle(scanner: Scanner) -> None:
    """Work out how E words are read, from both modes: under Klipper G91 wins over M82."""
    relative = scanner.dialect == Dialect.KLIPPER and not scanner.absolute
    scanner.e_absolute = 0 if relative else scanner.m82


def _dwell_s(scanner: Scanner, said: Command) -> float:
    """Return the seconds of G4: S wins over P, but Klipper does not read S and waits 0 s for it."""
    seconds = None if scanner.dialect == Dialect.KLIPPER else said.number("S")
    if seconds is None:
        seconds = (said.number("P") or 0.0) / 1000
    return max(0.0, seconds)


def _home(scanner: Scanner, said: Command) -> ScanRow | None:
    """G28 of the axes named, or of all: 0 for timing, in truth unknown, and without G92's shift."""
    axes = sum(bit for letter, bit in AXES if letter in said.words)
    if not axes:
        axes = rows.X | rows.Y | rows.Z
        if scanner.dialect == Dialect.MARLIN and "O" in said.words and scanner.homed == axes:
            return None  # "only if not homed yet"
    if axes & rows.X:
        scanner.x = scanner.shift_x = 0.0
    if axes & rows.Y:
        scanner.y = scanner.shift_y = 0.0
    if axes & rows.Z:
        scanner.z = scanner.shift_z = 0.0
    scanner.homed |= axes
    scanner.known &= ~axes
    return ScanRow(rows.HOME, axes)


def _percent(scanner: Scanner, said: Command) -> float | None:
    """Return the factor that M220 or M221 sets, None for none.

    Marlin reads whole per cent.  Klipper takes a missing S for 100 and refuses 0 or less.
    """
    value = said.number("S")
    if value is None:
        return 1.0 if scanner.dialect == Dialect.KLIPPER else None
    if scanner.dialect == Dialect.MARLIN:
        value = float(int(value))
    least = 1.0 if scanner.dialect == Dialect.REPRAPFIRMWARE else 0.0
    return value / 100 if value > 0.0 and value >= least else None


def _speed(scanner: Scanner, said: Command) -> None:
    """M220; under Marlin R takes up what B put aside: R, then B, then S."""
    if scanner.dialect == Dialect.MARLIN:
        if "R" in said.words:
            scanner.speed_factor = scanner.saved.speed_factor
        if "B" in said.words:
            scanner.saved.speed_factor = scanner.speed_factor
    scanner.speed_factor = _percent(scanner, said) or scanner.speed_factor


def _tool(scanner: Scanner, said: Command, letter: str) -> int | None:
    """Return the tool that *letter* names, the active one where it is missing; None for none there is."""
    if letter not in said.words:
        return int(scanner.tool)
    number = said.number(letter)
    return int(number) if number is not None and 0 <= number < len(scanner.flow) else None


def _flow(scanner: Scanner, said: Command) -> None:
    """M221: per tool under Marlin (T) and RepRapFirmware (D), one factor under Klipper."""
    factor = _percent(scanner, said)
    if scanner.dialect == Dialect.KLIPPER:
        tool: int | None = 0
    else:
        tool = _tool(scanner, said, "T" if scanner.dialect == Dialect.MARLIN else "D")
    if factor is not None and tool is not None:
        scanner.flow[tool] = factor


def _volumetric(scanner: Scanner, said: Command) -> None:
    """M200: D above 0 gives the filament's diameter and turns volumes on, D0 off; S switches (Marlin)."""
    diameter, switch = said.number("D"), said.number("S")
    scanner.volumes_stated |= int(diameter is not None or switch is not None)
    if diameter is not None:
        scanner.volumetric = int(diameter > 0)
        tools: tuple[int | None, ...] = (_tool(scanner, said, "T"),)
        if scanner.dialect == Dialect.REPRAPFIRMWARE:  # one diameter is every drive's
            tools = tuple(range(len(scanner.diameters)))
        for tool in tools if diameter > 0 else ():
            if tool is not None:
                scanner.diameters[tool] = diameter * (INCH_MM if scanner.inches else 1.0)
    if switch is not None and (diameter is None or diameter > 0):
        scanner.volumetric = int(switch != 0)


def _extended(scanner: Scanner, said: Command, line: bytes) -> ScanRow | None:
    """Act on ``NAME KEY=VALUE``: Klipper's own, a user's macro, or what another dialect cannot read."""
    klipper = scanner.dialect == Dialect.KLIPPER
    if odd.extended(scanner, said, line):
        return KEPT_ROW
    kind = EXTENDED_KINDS.get(said.name, UNKNOWN) if klipper else UNKNOWN
    if kind == MODAL:
        return {
            "SAVE_GCODE_STATE": _save,
            "RESTORE_GCODE_STATE": _restore,
            "ACTIVATE_EXTRUDER": _activate,
        }[said.name](scanner, said)
    if kind == UNKNOWN:
        scanner.unknown[said.name] = scanner.unknown.get(said.name, 0) + 1
        if is_start_macro(line):  # it heats and homes: position and modes are as it leaves them
            scanner.known = scanner.stated = 0
            scanner.macro = scanner.line
        elif klipper:  # a user's macro may have moved the head
            scanner.known = 0
    elif kind == ROAMING:
        scanner.known = 0
    elif kind != KEPT:
        scanner.inert += 1
        return None
    return KEPT_ROW


def _save(scanner: Scanner, said: Command) -> None:
    scanner.saved.states[str(said.words.get("NAME", "default"))] = (
        (scanner.absolute, scanner.m82, scanner.feed, scanner.speed_factor, scanner.flow[0], scanner.e),
        (scanner.shift_x, scanner.shift_y, scanner.shift_z),
        (scanner.x, scanner.y, scanner.z, scanner.known),
    )


def _restore(scanner: Scanner, said: Command) -> ScanRow | None:
    """RESTORE_GCODE_STATE: modes, factors, origin and E; with MOVE=1 the place, straight there."""
    state = scanner.saved.states.get(str(said.words.get("NAME", "default")))
    if state is None:
        return None
    modes, (scanner.shift_x, scanner.shift_y, scanner.shift_z), (x, y, z, known) = state
    absolute, m82, scanner.feed, scanner.speed_factor, scanner.flow[0], scanner.e = modes
    scanner.absolute, scanner.m82 = int(absolute), int(m82)
    _settle(scanner)
    if said.number("MOVE") != 1:
        return None
    moves = (x, y, z) != (scanner.x, scanner.y, scanner.z)
    scanner.x, scanner.y, scanner.z, scanner.known = x, y, z, int(known)
    speed = said.number("MOVE_SPEED") or 0.0  # mm/s
    speed = speed if speed > 0 else scanner.feed * scanner.speed_factor
    return ScanRow(rows.MOVE, rows.X | rows.Y | rows.Z, x, y, z, 0.0, speed) if moves else None


def _activate(scanner: Scanner, said: Command) -> ScanRow | None:
    """ACTIVATE_EXTRUDER: E counts from 0 again, the flow factor is 1; nothing where it is active already."""
    name = str(said.words.get("EXTRUDER", ""))
    number = name.removeprefix("extruder") or "0"
    if not name.startswith("extruder") or not number.isdecimal() or int(number) >= len(scanner.flow):
        return KEPT_ROW
    if int(number) == scanner.tool:
        return None
    scanner.tool, scanner.e, scanner.flow[0] = int(number), 0.0, 1.0
    return ScanRow(rows.TOOL, scanner.tool)
