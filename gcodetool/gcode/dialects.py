"""Firmware dialects: which one a file is meant for, what its commands are, and what their words say.

Bytes of a file's head and tail become a :class:`Dialect` with the reason; the bytes of one command
line become a :class:`Command`.  The tables of known commands serve the scanner: a command that no
table knows is still kept, and counted.

Left out: what a command does to motion (``scan`` for modal state, ``motion`` for limits).
"""

import re
from collections.abc import Mapping
from dataclasses import field
from enum import IntEnum
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from gcodetool.quickdata import dataclass
from gcodetool.quickpattern import compiled

if TYPE_CHECKING:
    from gcodetool.gcode.markers import SlicerFacts


class Dialect(IntEnum):
    """A firmware's way to read G-code; the numbers are the scanner's codes."""

    MARLIN = 0
    KLIPPER = 1
    REPRAPFIRMWARE = 2

    @property
    def label(self) -> str:
        """Name as printers and reports write it."""
        return ("marlin", "klipper", "reprapfirmware")[self]

    @classmethod
    def named(cls, name: str) -> "Dialect":
        """Return the dialect called *name*; KeyError for any other name.

        >>> Dialect.named("Klipper").label
        'klipper'
        """
        return _NAMES[name.strip().lower()]


_NAMES: Final = {dialect.name.lower(): dialect for dialect in Dialect} | {
    "marlin2": Dialect.MARLIN,
    "rrf": Dialect.REPRAPFIRMWARE,
}

# --- which commands a dialect knows ------------------------------------------------------------
# Classes of a command, as the scanner reads them from the tables below.
UNKNOWN: Final = 0  # kept as a row, counted by its word
INERT: Final = 1  # no effect on motion, temperature or place: no row
KEPT: Final = 2  # kept as a row
ROAMING: Final = 3  # kept as a row; where the head stands afterwards cannot be told
MODAL: Final = 4  # changes how later lines are read (G0-G3, G5, G10, G11, G92 and M204: the scanner itself)

_G_CODES: Final = 128
_M_CODES: Final = 1024


def number_set(text: str) -> set[int]:
    """Return the numbers in ``"0-3 17 20-21"``."""
    found: set[int] = set()
    for part in text.split():
        first, _, last = part.partition("-")
        found.update(range(int(first), int(last or first) + 1))
    return found


def _table(size: int, *, kept: str, modal: str, roaming: str = "", inert: str = "") -> bytes:
    table = bytearray(size)
    for numbers, kind in ((kept, KEPT), (roaming, ROAMING), (inert, INERT), (modal, MODAL)):
        for number in number_set(numbers):
            table[number] = kind
    return bytes(table)


# Fans, lights, sounds, texts, progress, object labels, reports: in every dialect, known to it or not.
_INERT_M: Final = "31 73 75-78 105-107 110 111 113-115 117-119 150 155 300 355 486"

# In the order of the dialects' numbers.
G_TABLES: Final = (
    _table(_G_CODES, kept="53-60", roaming="12 26 27 29-38 61 76 80", modal="4 17-21 28 90 91"),
    _table(_G_CODES, kept="20", inert="21", modal="4 17-19 28 90 91"),  # G20 stops that firmware: odd.noted
    _table(_G_CODES, kept="53-60 68 69 93 94", roaming="29-38", modal="4 17-21 28 90 91"),
)
M_TABLES: Final = (
    _table(
        _M_CODES,
        kept="0 1 16-18 20-30 32-34 42 43 80 81 84 85 92 100 104 108 109 112 116 122 123 125-129 140 141 145"
        " 149 154 163-166 190-193 201 203 205-211 217 218 226 240 250 255 256 260 261 280-282 290 301-306"
        " 350 351 360-364 380 381 400-407 410 412-414 420-423 425 430 500-504 510-512 524 540 552-554 569"
        " 575 592 593 603 605 665 666 672 710 808 810-819 851 852 860-869 871 876 900 906-919 928 951"
        " 993-995 997 999",
        roaming="48 428 600 701 702",
        inert=_INERT_M + " 120 121",  # endstops on and off
        modal="82 83 200 220 221",
    ),
    _table(_M_CODES, kept="18 20-27 84 104 109 112 140 190 400", inert=_INERT_M, modal="82 83 220 221"),
    _table(
        _M_CODES,
        kept="0-5 17 18 20-30 32 36-39 42 80 81 84 92 99 104 108 109 112 116 122 135 140-144 190-192 201 203"
        " 205-209 226 260 261 280 290-292 301-309 350 374-376 400-409 450-453 470 471 500-505 540 550-593"
        " 595-597 601 602 606 665-675 703 750-756 851 905-918 929 950-959 997-999",
        roaming="98 600 701 702",
        inert=_INERT_M,
        modal="82 83 120 121 200 220 221",
    ),
)

# Klipper's own extended commands.  Any other name is a user's macro: what it does is not known.
_EXTENDED: Final = {
    INERT: """GET_POSITION QUERY_ADC QUERY_ENDSTOPS QUERY_PROBE RESPOND SET_DISPLAY_GROUP SET_DISPLAY_TEXT
        SET_LED SET_LED_TEMPLATE SET_PRINT_STATS_INFO STATUS""",
    KEPT: """BED_MESH_CLEAR BED_MESH_OFFSET BED_MESH_OUTPUT BED_MESH_PROFILE CLEAR_PAUSE DUMP_TMC
        EXCLUDE_OBJECT EXCLUDE_OBJECT_DEFINE EXCLUDE_OBJECT_END EXCLUDE_OBJECT_START GET_RETRACTION INIT_TMC
        PID_CALIBRATE RESET_PRINT_STATS SAVE_CONFIG SAVE_VARIABLE SDCARD_LOOP_BEGIN SDCARD_LOOP_DESIST
        SDCARD_LOOP_END SET_EXTRUDER_ROTATION_DISTANCE SET_FAN_SPEED SET_FILAMENT_SENSOR SET_GCODE_OFFSET
        SET_GCODE_VARIABLE SET_HEATER_TEMPERATURE SET_IDLE_TIMEOUT SET_INPUT_SHAPER SET_PIN
        SET_PRESSURE_ADVANCE SET_RETRACTION SET_SERVO SET_SKEW SET_STEPPER_ENABLE SET_TEMPERATURE_FAN_TARGET
        SET_TMC_CURRENT SET_TMC_FIELD SET_VELOCITY_LIMIT SKEW_PROFILE SYNC_EXTRUDER_MOTION TEMPERATURE_WAIT
        TUNING_TOWER TURN_OFF_HEATERS UPDATE_DELAYED_GCODE""",
    ROAMING: """BED_MESH_CALIBRATE BED_SCREWS_ADJUST BED_TILT_CALIBRATE CANCEL_PRINT DELTA_CALIBRATE
        FORCE_MOVE MANUAL_PROBE PAUSE PROBE PROBE_ACCURACY PROBE_CALIBRATE QUAD_GANTRY_LEVEL RESUME
        SCREWS_TILT_CALCULATE SET_DUAL_CARRIAGE SET_KINEMATIC_POSITION Z_ENDSTOP_CALIBRATE Z_TILT_ADJUST""",
    MODAL: "ACTIVATE_EXTRUDER RESTORE_GCODE_STATE SAVE_GCODE_STATE",
}
EXTENDED_KINDS: Final = {name: kind for kind, names in _EXTENDED.items() for name in names.split()}

# How a macro's parameter for the nozzle's temperature is mostly called.
NOZZLE_WORD: Final = r"(?:EXTRUDER|HOTEND|NOZZLE|TOOL)(?:_?TEMP(?:ERATURE)?)?"
# A macro that starts a print and hides heating behind its words: position, modes and whether the
# filament is primed are unknown after it.
START_MACRO: Final = compiled(
    rb"""
    ^[ \t]*
    [A-Z_]*START[A-Z_]*\b  # PRINT_START, START_PRINT and their like
    [^;\r\n]*
    [ \t]"""
    + NOZZLE_WORD.encode()
    + rb"[ \t]*=",
    re.VERBOSE | re.IGNORECASE,
)


def is_start_macro(line: bytes) -> bool:
    """Tell whether *line* calls a macro that heats and homes out of the file's sight.

    >>> is_start_macro(b"PRINT_START BED=60 EXTRUDER=214"), is_start_macro(b"EXCLUDE_OBJECT_START NAME=a")
    (True, False)
    """
    return START_MACRO.match(line) is not None


# --- the words of one command ------------------------------------------------------------------

CLASSIC: Final = compiled(r"([A-Za-z])[ ]?(\d+(?:\.\d+)?)")
WORD: Final = compiled(
    r"""
    ([A-Za-z])                                              # the letter
    [ ]*
    (?: "((?:[^"]|"")*)"                                    # a text, quotes in it doubled
      | ([-+]?(?:\d+\.?\d*|\.\d+)(?::[-+]?(?:\d+\.?\d*|\.\d+))*)  # a number, or one per drive: 500:500
    )?
    """,
    re.VERBOSE,
)
PAIR: Final = compiled(r"""([A-Za-z_][A-Za-z0-9_]*)[ ]*=[ ]*(?:"([^"]*)"|'([^']*)'|([^\s]*))""")
NAME: Final = compiled(r"[A-Za-z_][A-Za-z0-9_]*")
LINE_NUMBER: Final = compiled(r"[Nn]\d+\s*")
CHECKSUM: Final = compiled(r"\*\d*\s*$")
# After these the rest of the line is a text for a person, not words.
TEXT_COMMANDS: Final = frozenset(
    {"M117", "M118", "M23", "M28", "M30", "M32", "M98", "M0", "M1", "M16", "M928"}
)

Value = float | str


@dataclass(frozen=True)
class Command:
    """One command line, taken apart.

    Attributes
    ----------
    name : ``M104``, ``G29``, ``PRINT_START``; upper case, no leading zeros.
    words : letter or KEY to number, or to text where it is not one number; a letter that stands
        alone maps to the empty text.
    text : what stands after the name, comment and checksum taken off.
    """

    name: str
    words: Mapping[str, Value] = field(default_factory=lambda: MappingProxyType({}))
    text: str = ""

    def number(self, key: str) -> float | None:
        """Return word *key* as a number (the first of ``500:500``); None where it is none.

        >>> command(b"M201 E500:400").number("E")
        500.0
        """
        value = self.words.get(key)
        if isinstance(value, str):
            return _float(value.partition(":")[0])
        return value


def _float(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if value - value == 0 else None  # inf and nan are words, not numbers


def _without_comment(text: str) -> str:
    """Return *text* up to the first ``;`` that is not inside double quotes."""
    quoted = False
    for at, character in enumerate(text):
        if character == '"':
            quoted = not quoted
        elif character == ";" and not quoted:
            return text[:at]
    return text if not quoted else text.partition(";")[0]


def command(line: bytes) -> Command:
    """Return the command on *line*, of any dialect; a line without one has an empty name.

    >>> command(b"M109 T1 S175 ; standby").words
    mappingproxy({'T': 1.0, 'S': 175.0})
    >>> command(b"PRINT_START EXTRUDER=214 MATERIAL=PLA").words["MATERIAL"]
    'PLA'
    """
    text = _without_comment(line.decode("utf-8", "replace")).strip()
    numbered = LINE_NUMBER.match(text)
    if numbered:
        text = text[numbered.end() :]
    text = CHECKSUM.sub("", text).strip()
    classic = CLASSIC.match(text)
    if classic:
        code = classic[2]
        whole, dot, rest = code.partition(".")
        name = f"{classic[1].upper()}{int(whole)}{dot}{rest}"
        text = text[classic.end() :].strip()
        words = {} if name in TEXT_COMMANDS and not _only_words(text) else _words(text)
        return Command(name, MappingProxyType(words), text)
    extended = NAME.match(text)
    if not extended:
        return Command("", text=text)
    rest = text[extended.end() :].partition("#")[0].strip()
    return Command(extended[0].upper(), MappingProxyType(_pairs(rest)), rest)


def _only_words(text: str) -> bool:
    """Tell whether *text* is made of words with numbers (``M0 S10``), so not for a person to read."""
    return re.fullmatch(r"(?:[A-Za-z][ ]*[-+]?[\d.]+\s*)*", text) is not None


def _words(text: str) -> dict[str, Value]:
    words: dict[str, Value] = {}
    for letter, quoted, number in WORD.findall(re.sub(r"\([^)]*\)?", " ", text) if "(" in text else text):
        value = _float(number) if number else None
        if number or quoted or letter.upper() not in words:  # alone, it takes nothing from one with a number
            words[letter.upper()] = value if value is not None else number or quoted.replace('""', '"')
    return words


def _pairs(text: str) -> dict[str, Value]:
    pairs: dict[str, Value] = {}
    for key, double, single, bare in PAIR.findall(text):
        value = _float(bare) if bare else None
        pairs[key.upper()] = value if value is not None else double or single or bare
    return pairs


# --- which dialect ------------------------------------------------------------------------------

# Whole commands only: text in comments and in the settings block starts with ";" and never matches.
KLIPPER_LINE: Final = compiled(rb"^(?:[A-Z_]{4,})(?: +[A-Z_][A-Z0-9_]*=[^\r\n]*|[ \t]*)\r?$", re.MULTILINE)
RRF_LINE: Final = compiled(rb"^(?:G10 P\d|M116\b|M572 D|M98 P|M566 )[^\r\n]*", re.MULTILINE)
FORK_LINE: Final = compiled(rb"^(?:M62[012]\b|M1002\b|M400 U)[^\r\n]*", re.MULTILINE)
MARLIN_LINE: Final = compiled(rb"^(?:M900 K|M205 [^\r\n;]*J\d|M205 [^\r\n;]*J\.\d)[^\r\n]*", re.MULTILINE)
FLAVOUR_KEY: Final = compiled(rb"^(?:; gcode_flavor = |;FLAVOR:)([^\r\n]*?)[ \t]*\r?$", re.MULTILINE)
CLOSED_HEADER: Final = compiled(rb"^; HEADER_BLOCK_START\r?$", re.MULTILINE)
CONFIG_ON_TOP: Final = compiled(rb"^; CONFIG_BLOCK_START\r?$", re.MULTILINE)
CODE_START: Final = compiled(rb"^; EXECUTABLE_BLOCK_START\r?$", re.MULTILINE)

FLAVOURS: Final = {
    "marlin": Dialect.MARLIN,
    "marlin2": Dialect.MARLIN,
    "marlin(volumetric)": Dialect.MARLIN,
    "klipper": Dialect.KLIPPER,
    "reprapfirmware": Dialect.REPRAPFIRMWARE,
}


@dataclass(frozen=True)
class Detection:
    """The dialect that a file is read in, and why.

    Attributes
    ----------
    dialect : the rules that are used.
    reason : one clause for the report.
    sure : False where the file does not settle it; Marlin's rules then stand in.
    fork : the file is for a closed fork of Marlin, whose own commands are not known.
    """

    dialect: Dialect
    reason: str
    sure: bool
    fork: bool = False


def detect(
    head: bytes, tail: bytes, facts: "SlicerFacts | None" = None, *, setting: "Dialect | str | None" = None
) -> Detection:
    """Return the dialect of a file: the user's *setting*, else what its commands show, else its flavour key.

    Parameters
    ----------
    head, tail : the first and last part of the text.
    facts : the slicer's facts; their flavour key is used where the text shows none.
    setting : what the user or the printer's profile says.

    Raises
    ------
    KeyError
        *setting* names no dialect.
    """
    if setting is not None:
        chosen = setting if isinstance(setting, Dialect) else Dialect.named(setting)
        own = FORK_LINE.search(head) or FORK_LINE.search(tail)
        if own and chosen is Dialect.MARLIN:  # the settings settle how it moves, not what its own commands do
            reason = f"as the printer's settings say; '{shown_line(own[0], 40)}' is a command of a closed Marlin fork"
            return Detection(chosen, reason, sure=True, fork=True)
        return Detection(chosen, "as the printer's settings say", sure=True)
    for pattern, dialect, says in (
        (KLIPPER_LINE, Dialect.KLIPPER, "a Klipper command"),
        (RRF_LINE, Dialect.REPRAPFIRMWARE, "a RepRapFirmware command"),
        (FORK_LINE, Dialect.MARLIN, "a command of a closed Marlin fork"),
    ):
        found = pattern.search(head) or pattern.search(tail)
        if found:
            fork = pattern is FORK_LINE
            return Detection(dialect, f"'{shown_line(found[0], 40)}' is {says}", sure=not fork, fork=fork)
    if _config_on_top(head):
        return Detection(
            Dialect.MARLIN,
            "settings above the code: the layout of a closed Marlin fork",
            sure=False,
            fork=True,
        )
    flavour = _flavour(head, tail, facts)
    if flavour in FLAVOURS:
        return Detection(FLAVOURS[flavour], f"the flavour is {flavour}", sure=True)
    found = MARLIN_LINE.search(head) or MARLIN_LINE.search(tail)
    if found:
        return Detection(Dialect.MARLIN, f"'{shown_line(found[0], 40)}' is a Marlin command", sure=True)
    if flavour:
        return Detection(Dialect.MARLIN, f"the flavour {flavour} fits several firmwares", sure=False)
    return Detection(Dialect.MARLIN, "the file does not say which firmware it is for", sure=False)


def shown_line(line: bytes, most: int = 60) -> str:
    """Return a command line as it is shown to people: without its comment, of at most so many characters."""
    text = line.decode("utf-8", "replace").partition(";")[0].strip()
    return text if len(text) <= most else text[: most - 1] + "…"


def _config_on_top(head: bytes) -> bool:
    """Tell whether the settings block stands above the code, as in files for closed printers."""
    if not CLOSED_HEADER.search(head):
        return False
    config, code = CONFIG_ON_TOP.search(head), CODE_START.search(head)
    return config is not None and (code is None or config.start() < code.start())


def _flavour(head: bytes, tail: bytes, facts: "SlicerFacts | None") -> str:
    found = FLAVOUR_KEY.search(tail) or FLAVOUR_KEY.search(head)
    if found:
        return found[1].decode("utf-8", "replace").strip().lower()
    return (facts.flavour or "") if facts is not None else ""
