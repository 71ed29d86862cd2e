"""Nozzle targets in G-code lines: which tool, which temperature, and where the number stands.

The bytes of one command line become a :class:`Target` per number that sets a nozzle, or that a wait
compares it with.  Left out: beds, chambers, and what a target does to time (``motion.heat_up``).
"""

import functools
import re
from typing import Final

from gcodetool.gcode.dialects import NOZZLE_WORD, Dialect
from gcodetool.quickdata import dataclass

# of a temperature or a tool: more digits are none
NUMBER: Final = rb"([-+]?(?:\d{1,6}(?:\.\d{0,9})?|\.\d{1,9})(?![\d.]))"
CLASSIC: Final = rb"[ \t]*(?:[Nn]\d+[ \t]*)?([GMgm])[ ]?0*(\d{1,5})(?![\d.])([^;\r\n]*)"
compiled: Final = functools.cache(re.compile)  # when the first line asks for it
LETTERS: Final = {letter: letter.encode() + rb"[ ]*" + NUMBER for letter in "PRST"}
MACRO: Final = rb"[ \t]*[A-Z_]*START[A-Z_]*\b([^;\r\n]*)"
MACRO_NUMBER: Final = (
    rb"(?<=[ \t])" + NOZZLE_WORD.encode() + rb"[ \t]*=[ \t]*" + NUMBER + rb"(?=[ \t\r\n;]|$)"
)
HEATER: Final = (
    rb"[ \t]*(SET_HEATER_TEMPERATURE|TEMPERATURE_WAIT)\b"
    rb"(?=[^;\r\n]*\b(?:HEATER|SENSOR)=(extruder\d{0,3})\b)([^;\r\n]*)"
)
HEATER_NUMBER: Final = rb"\b(TARGET|MINIMUM|MAXIMUM)=" + NUMBER + rb"(?=[ \t\r\n;]|$)"
HEATER_KINDS: Final = {b"TARGET": "set", b"MINIMUM": "at-least", b"MAXIMUM": "at-most"}
SETS: Final = frozenset((104, 109))
NAMES: Final = frozenset(("M104", "M109", "G10", "M568", "SET_HEATER_TEMPERATURE", "TEMPERATURE_WAIT"))


@dataclass(frozen=True)
class Target:
    """One number on one line.

    Attributes
    ----------
    tool : whose nozzle; celsius : the number. [°C]
    start, stop : where it stands in the line.
    kind : ``set`` (the active target), ``standby``, or what a wait compares with: ``at-least``, ``at-most``.
    """

    tool: int
    celsius: float
    start: int
    stop: int
    kind: str


def targets(line: bytes, dialect: Dialect, *, tool: int) -> tuple[Target, ...]:
    """Return the nozzle temperatures on *line*; *tool* is the active one.

    >>> [(each.tool, each.celsius, each.kind) for each in targets(b"G10 P1 S268 R200", Dialect.REPRAPFIRMWARE, tool=0)]
    [(1, 268.0, 'set'), (1, 200.0, 'standby')]
    >>> targets(b"START_PRINT BED_TEMP=50 EXTRUDER_TEMP=232", Dialect.KLIPPER, tool=0)[0].celsius
    232.0
    """
    classic = compiled(CLASSIC).match(line)
    if classic is not None:
        return _classic(classic, dialect, tool)
    if dialect == Dialect.KLIPPER:
        heater = compiled(HEATER).match(line)
        if heater is not None:
            number = int(heater[2][len("extruder") :] or b"0")
            first = heater.start(3)
            return tuple(
                Target(number, float(found[2]), *found.span(2), HEATER_KINDS[found[1]])
                for found in compiled(HEATER_NUMBER).finditer(line, first, heater.end(3))
            )
    macro = compiled(MACRO).match(line)
    if macro is not None:
        return tuple(
            Target(tool, float(found[1]), *found.span(1), "set")
            for found in compiled(MACRO_NUMBER).finditer(line, macro.start(1))
        )
    return ()


def _classic(found: re.Match[bytes], dialect: Dialect, tool: int) -> tuple[Target, ...]:
    kind, number, begin = found[1].upper(), int(found[2]), found.start(3)
    line, end = found.string, found.end(3)

    def word(letter: str) -> re.Match[bytes] | None:
        return compiled(LETTERS[letter]).search(line, begin, end)

    if kind == b"M" and number in SETS:
        named, value = word("T"), word("S")
        whose = tool if named is None else int(float(named[1]))
        if value is None and number == 109 and dialect != Dialect.KLIPPER:
            value = word("R")
        return () if value is None else (Target(whose, float(value[1]), *value.span(1), "set"),)
    tools = (kind == b"G" and number == 10) or (kind == b"M" and number == 568)
    if tools and dialect == Dialect.REPRAPFIRMWARE:
        named = word("P")
        whose = tool if named is None else int(float(named[1]))
        listed = (("S", "set"), ("R", "standby"))
        return tuple(
            Target(whose, float(value[1]), *value.span(1), role)
            for letter, role in listed
            if (value := word(letter)) is not None
        )
    return ()
