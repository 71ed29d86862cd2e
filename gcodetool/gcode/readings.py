"""What each firmware makes of lines that are no plain move: data for ``odd`` and for the table in the docs.

Left out: how such a line is told and read (``odd``).
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from gcodetool.quickdata import dataclass


@dataclass(frozen=True)
class FirmwareReading:
    """What becomes of a feature in one dialect.

    Attributes
    ----------
    words : what the firmware does, and what is counted here where that differs.
    cautioned : a note is made of it.
    sure : the machine's state behind it is known.
    seen : all motion of it is followed.
    """

    words: str
    cautioned: bool = True
    sure: bool = True
    seen: bool = True


def _read(words: str) -> FirmwareReading:
    return FirmwareReading(words, cautioned=False)


def _guess(words: str) -> FirmwareReading:
    return FirmwareReading(words, sure=False, seen=False)


_STOPS: Final = FirmwareReading("the firmware cannot read it and stops the job there", sure=False)
_REFUSED: Final = FirmwareReading("the firmware refuses the line, and goes on")
_LISTED: Final = _read("not known: listed as such, not carried out")
_NOT_DONE: Final = FirmwareReading("no such command: the line is not carried out", sure=False, seen=False)
_UNREAD: Final = FirmwareReading("not read by the firmware")
_AXIS: Final = FirmwareReading("moves only a machine that has such an axis: not followed")
_FIRST_ONLY: Final = FirmwareReading("only the first command of a line is carried out")
_CHORD: Final = "read as a straight move to its end: shorter and quicker than the real one"
_FRAMES: Final = "machines with work coordinates move the origin: read as if it stayed"
_SCRIPT: Final = FirmwareReading("the machine moves or feeds by a script of its own: not counted")


@dataclass(frozen=True)
class Feature:
    """Something that may stand in a file.

    Attributes
    ----------
    what : for people.
    example : lines that hold it.
    readings : by dialect: Marlin, Klipper, RepRapFirmware.
    """

    what: str
    example: str
    readings: tuple[FirmwareReading, FirmwareReading, FirmwareReading]


_LAST: Final = FirmwareReading("the last one counts")

FEATURES: Final[Mapping[str, Feature]] = MappingProxyType(
    {
        "second": Feature(
            "two commands on a line",
            "M83 G1 X5 E1",
            (_FIRST_ONLY, _FIRST_ONLY, _read("carried out one after the other")),
        ),
        "drives": Feature(
            "a length for each drive",
            "M83\nG1 X5 E2.5:2.5",
            (
                FirmwareReading("only the first number is read"),
                _STOPS,
                FirmwareReading("counted as the sum, though each drive feeds its own"),
            ),
        ),
        "drives-absolute": Feature(
            "the same with absolute E",
            "M82\nG1 X5 E2.5:2.5",
            (
                FirmwareReading("only the first number is read"),
                _STOPS,
                FirmwareReading("the firmware refuses the line, and goes on", sure=False),
            ),
        ),
        "expression": Feature(
            "a number to be worked out",
            "G1 X{2+3}",
            (
                _guess("no number there: the word is left out"),
                _STOPS,
                _guess("only the machine knows it: the word is left out"),
            ),
        ),
        "condition": Feature(
            "conditions and loops",
            "if state.gpOut[0].pwm > 0",
            (_LISTED, _LISTED, _guess("only the machine knows: the lines below are counted once")),
        ),
        "curve": Feature(
            "splines",
            "G5 X5 Y5 I1 J1 P1 Q1 E1",
            (_guess(f"not every machine knows them; {_CHORD}"), _NOT_DONE, _NOT_DONE),
        ),
        "machine": Feature(
            "machine coordinates",
            "G53 G1 X5",
            (
                _guess("carried out only by machines with work coordinates: not followed"),
                _FIRST_ONLY,
                _guess("ignores the offsets of tool and origin, which are not known here: read without them"),
            ),
        ),
        "origin": Feature("another origin", "G55", (_guess(_FRAMES), _LISTED, _guess(_FRAMES))),
        "plane": Feature(
            "arcs upright (G18, G19)",
            "G18\nG2 X5 Z5 I2 K1",
            (
                _guess(f"not every machine knows the plane; {_CHORD}"),
                FirmwareReading(_CHORD),
                FirmwareReading(_CHORD),
            ),
        ),
        "arc": Feature("an arc without a centre", "G2 X5 E1", (_REFUSED, _STOPS, _REFUSED)),
        "arc-form": Feature("an arc by radius", "G2 X5 R5", (_read("read"), _STOPS, _read("read"))),
        "speed": Feature(
            "a speed of 0",
            "G1 X5 F0",
            (
                _read("says nothing"),
                FirmwareReading("the firmware stops the job there; counted as if it went on", sure=False),
                _read("as slow as the machine can"),
            ),
        ),
        "bare": Feature(
            "a letter without a number",
            "G1 X Y5",
            (
                _UNREAD,
                _STOPS,
                FirmwareReading("the firmware may refuse the line; read without the word", sure=False),
            ),
        ),
        "repeated": Feature(
            "a word twice", "G1 X5 X9", (_LAST, _LAST, FirmwareReading("the first one counts"))
        ),
        "axis": Feature("further axes", "G1 X5 U5", (_AXIS, _AXIS, _AXIS)),
        "word": Feature("words of no meaning there", "G1 X5 Q1", (_UNREAD, _UNREAD, _UNREAD)),
        "turns": Feature(
            "full turns of an arc",
            "G2 X5 I2 P2",
            (_guess("full turns only if the firmware was built so: counted as one"), _UNREAD, _UNREAD),
        ),
        "endstop": Feature(
            "moves to an endstop or a stored place",
            "G1 X5 H1",
            (_UNREAD, _UNREAD, _guess("where it ends is not known: read as a plain move")),
        ),
        "stray": Feature(
            "signs that belong to no word",
            "G1 X5 =7",
            (_UNREAD, _STOPS, FirmwareReading("the firmware may refuse the line; passed over", sure=False)),
        ),
        "brackets": Feature(
            "comments in round brackets",
            "G1 X5 (Y9)",
            (
                _guess("a comment only if the firmware was built so: words in it may be carried out"),
                _STOPS,
                _read("a comment"),
            ),
        ),
        "zeros": Feature(
            "leading zeros",
            "G01 X5",
            (_read("read"), FirmwareReading("no such command: the line is not carried out"), _read("read")),
        ),
        "inches": Feature(
            "inches",
            "G20",
            (
                _read("read"),
                FirmwareReading("the firmware has no inches and stops the job there; read as mm", sure=False),
                _read("read"),
            ),
        ),
        "volumes": Feature(
            "filament by volume",
            "M200 D1.75",
            (
                _read("read"),
                FirmwareReading("no such command: E words behind it are fed as mm, not as mm³"),
                _read("read"),
            ),
        ),
        "exponent": Feature(
            "E close behind a number",
            "G1 X1E2",
            (
                _read("a word of its own"),
                _read("a word of its own"),
                FirmwareReading("a power of ten, so no filament"),
            ),
        ),
        "change": Feature(
            "a pause for filament",
            "M600",
            (
                _read("a pause"),
                FirmwareReading("no such command: without a macro of that name the job goes on", sure=False),
                _read("a pause"),
            ),
        ),
        "script": Feature("loading and unloading", "M701", (_SCRIPT, _LISTED, _SCRIPT)),
        "macro-file": Feature("a file of the machine", 'M98 P"a.g"', (_LISTED, _LISTED, _SCRIPT)),
        "force": Feature(
            "a motor on its own", "FORCE_MOVE STEPPER=extruder DISTANCE=5", (_LISTED, _SCRIPT, _LISTED)
        ),
        "offset": Feature(
            "an offset set in motion",
            "SET_GCODE_OFFSET Z=0.1 MOVE=1",
            (_LISTED, FirmwareReading("shifts the head: not followed"), _LISTED),
        ),
        "inverse": Feature(
            "speed as inverse time",
            "G93",
            (
                _LISTED,
                _LISTED,
                FirmwareReading("F is then not a speed: read as one, so times are wrong", sure=False),
            ),
        ),
        "unknown": Feature("axis words of an unknown command", "G123 X5", (_NOT_DONE, _NOT_DONE, _NOT_DONE)),
    }
)
