"""Lines that no plain reading covers: what the firmware makes of them, and what is read here instead.

The kernel hands over a move that holds more than plain words, and commands that move or feed out of the
file's sight.  Each gets the reading of its dialect: a plain line to go on with, or none, and a note of
what is dropped, refused or guessed.  ``readings`` says which is which.

Left out: what the notes do to an advice (``anchor`` refuses where the state is not sure).
"""

import functools
import re
from collections.abc import Iterator
from dataclasses import field
from typing import Any, Final

from gcodetool.gcode.dialects import M_TABLES, TEXT_COMMANDS, UNKNOWN, Command, Dialect, command, shown_line
from gcodetool.gcode.readings import FEATURES, FirmwareReading
from gcodetool.quickdata import dataclass

Scanner = Any  # it imports this file, and no file may import its importer

MOST_LINES: Final = 5  # that a note names
compiled: Final = functools.cache(re.compile)  # when the first odd line comes: most files have none


@dataclass
class Found:
    """Lines of one feature in a file: how many, the first few by number, and the first one."""

    count: int = 0
    lines: list[int] = field(default_factory=list)
    first: bytes = b""


@dataclass(frozen=True)
class OddFeature:
    """A feature that a file holds and its dialect does not simply read.

    Attributes
    ----------
    feature : key in ``readings.FEATURES``; reading : what becomes of it.
    count, lines, text : how often, the first few lines, and the first one's text.
    """

    feature: str
    reading: FirmwareReading
    count: int
    lines: tuple[int, ...]
    text: str

    @property
    def words(self) -> str:
        """One line for a person: where, what, and the effect."""
        more = self.count - len(self.lines)
        listed = ", ".join(str(line) for line in self.lines) + (f" and {more} more" if more else "")
        return f"line{'s' if self.count > 1 else ''} {listed}: '{self.text}': {self.reading.words}"


def notes(scanner: Scanner) -> tuple[OddFeature, ...]:
    """Return what *scanner* found odd so far, by line."""
    found = [
        OddFeature(
            key,
            FEATURES[key].readings[scanner.dialect],
            each.count,
            tuple(each.lines),
            shown_line(each.first),
        )
        for key, each in scanner.odd.items()
    ]
    return tuple(sorted(found, key=lambda note: note.lines))


def note(scanner: Scanner, feature: str, line: bytes) -> None:
    """Note that *line*, the one that *scanner* is at, holds *feature*."""
    reading = FEATURES[feature].readings[scanner.dialect]
    if not reading.cautioned:
        return
    found = scanner.odd.setdefault(feature, Found())
    if not reading.seen:
        scanner.box_sure = False
    if found.lines and found.lines[-1] == scanner.line:
        return
    found.count += 1
    if len(found.lines) < MOST_LINES:
        found.lines.append(int(scanner.line))
    if found.count == 1:
        found.first = line


# --- commands ------------------------------------------------------------------------------------

TEXTS: Final = bytes(f"M{code}" in TEXT_COMMANDS | {"M117", "M118"} for code in range(1024))
CONDITIONS: Final = frozenset("if elif else while break continue abort".upper().split())
HARMLESS: Final = frozenset("echo var global set".upper().split())
AXIS_WORD: Final = "(?i)[XYZE]"
# By number, for the kernel to look up.
_NAMED: Final[tuple[dict[int, str], ...]] = (
    {53: "machine"} | dict.fromkeys(range(55, 60), "origin"),
    {20: "inches"},
    {53: "machine", 93: "inverse", 68: "origin"} | dict.fromkeys(range(55, 60), "origin"),
)
_NAMED_M: Final[tuple[dict[int, str], ...]] = (
    {701: "script", 702: "script"},
    {200: "volumes", 600: "change", 601: "change", 226: "change"},
    {701: "script", 702: "script", 98: "macro-file"},
)
NOTED_G: Final = tuple(bytes(code in named for code in range(128)) for named in _NAMED)
NOTED_M: Final = tuple(bytes(code in named for code in range(1024)) for named in _NAMED_M)


def noted(scanner: Scanner, letter: str, code: int, line: bytes) -> None:
    """Note a command that is kept, but not simply read."""
    feature = (_NAMED if letter == "G" else _NAMED_M)[scanner.dialect][code]
    if feature == "change":  # what a macro of that name does with the head is not known
        scanner.known = 0
    if feature == "volumes" and not command(line).number("D"):  # switches off what was never on
        return
    note(scanner, feature, line)


def unknown(scanner: Scanner, said: Command, line: bytes) -> None:
    """Note an unknown G command, *said* on *line*, that names a place or filament."""
    if said.name in ("G5", "G6") or (said.name.startswith("G") and compiled(AXIS_WORD).search(said.text)):
        note(scanner, "curve" if said.name == "G5" else "unknown", line)


def second(scanner: Scanner, letter: int, code: int, line: bytes) -> None:
    """Note that only the first command on *line* is done; texts and unknown M commands hold none."""
    if letter == ord("M"):
        table = M_TABLES[scanner.dialect]
        if code >= len(table) or TEXTS[code] or table[code] == UNKNOWN:
            return
    note(scanner, "second", line)


# --- moves -----------------------------------------------------------------------------------------

TOKEN: Final = r"""(?xs)
      (?P<comment> \( [^)]* \)? )
    | (?P<quoted> "[^"]*"? )
    | (?P<letter> [A-Z] ) [ ]* (?: (?P<number> [-+]? (?: \d+ \.? \d* | \. \d+ ) (?: (?P<more> : ) [-+.:\d]* )? )
                                 | (?P<braces> \{ [^}]* \}? ) )?
    | (?P<blank> [\x00-\x20]+ )
    | (?P<other> . )
    """
# nothing of it is tried twice: a line of 9000 digits took half an hour
EXPONENT: Final = r"((?<!\d)\d++\.?\d*+|\.\d++)(?<=\d)E([-+]?\d{1,2})"
FLOAT: Final = r"[-+]?(?:\d+\.?\d*|\.\d+)"
SPOKEN: Final = r"[A-Z] *[-+.\d]"  # what may be a word
MORE_AXES: Final = frozenset("ABCDUVW")
NOT_KLIPPERS: Final = r"([A-Z_]+|[A-Z*])"


@dataclass
class _Words:
    """Words of a move to go on with, as texts, and what is noted besides."""

    kept: dict[str, str] = field(default_factory=dict)
    found: list[str] = field(default_factory=list)
    refused: bool = False


def plain_move(scanner: Scanner, code: int, head: bytes, rest: bytes) -> bytes | None:
    """Return the plain move that the firmware makes of an odd one, None for none; note what is odd.

    Parameters
    ----------
    scanner : in the state before the line.
    code : 0 to 3, and 5 for a spline.
    head, rest : the command as it stands, and its words.
    """
    line = head + rest
    text = rest.decode("latin-1")
    text = re.split(r"[;\n]", text, maxsplit=1)[0] if "(" not in text else _cut(text)
    text = (
        text.upper()
        if text.isascii()
        else "".join(each.upper() if each.isascii() else "\x80" for each in text)
    )
    reader = (_marlin, _klipper, _reprapfirmware)[scanner.dialect]
    words = reader(scanner, code, head, text)
    for feature in words.found:
        note(scanner, feature, line)
    if words.refused:
        scanner.refused += 1
        return None
    straight = code == 5 or (code >= 2 and _upright(scanner, words, line))
    if straight:
        words.kept = {letter: value for letter, value in words.kept.items() if letter in "XYZEF"}
    elif code >= 2:
        _arc(scanner, words, line)
    said = " ".join(f"{letter}{value}" for letter, value in words.kept.items())
    return f"G{1 if straight else code} {said}\n".encode("ascii")


def _cut(text: str) -> str:
    """Return *text* up to its comment; a ``;`` in round brackets begins none."""
    depth = False
    for at, sign in enumerate(text):
        if sign == "(":
            depth = True
        elif sign == ")":
            depth = False
        elif (sign == ";" and not depth) or sign == "\n":
            return text[:at]
    return text


def _tokens(text: str) -> Iterator[re.Match[str]]:
    """Yield what stands in *text*, up to a checksum."""
    for found in compiled(TOKEN).finditer(text):
        if found["other"] == "*":
            return
        if found["blank"] is None:
            yield found


def _taken(code: int) -> str:
    return "XYZEF" if code < 2 else "XYZEFPQ" if code == 5 else "XYZEFIJR"


def _classed(letter: str, code: int) -> str | None:
    """Return the feature of a word that a move does not take; None: it is read."""
    if letter in _taken(code) or (code == 5 and letter in "IJ") or (code in (2, 3) and letter == "K"):
        return None
    if letter in "GMT":
        return "second" if letter != "T" else "word"
    if letter == "P" and code in (2, 3):
        return "turns"
    return "axis" if letter in MORE_AXES else "word"


def _marlin(scanner: Scanner, code: int, head: bytes, text: str) -> _Words:
    """Read words as Marlin does: the last of two counts, what is no word is passed over."""
    words = _Words(found=["expression"] if "{" in text else [])
    text = re.sub('["{}]', "\x80", text)  # neither hides a word
    for found in _tokens(text):
        letter = found["letter"]
        if letter is None:
            if not found["comment"]:
                words.found.append("stray")
            elif compiled(SPOKEN).search(found["comment"]):
                words.found.append("brackets")
        elif found["number"] is None:
            words.found.append("bare")
        else:
            feature = _classed(letter, code)
            if feature is not None:
                words.found.append(feature)
                continue
            if found["more"]:
                words.found.append(_drives(scanner) if letter == "E" else "stray")
            if letter in words.kept:
                words.found.append("repeated")
            words.kept[letter] = _number(found["number"])
            if not words.kept[letter]:
                del words.kept[letter]
                words.found.append("bare")
    if code == 5:
        words.found.append("curve")
    return words


def _drives(scanner: Scanner) -> str:
    return "drives-absolute" if scanner.e_absolute else "drives"


def _number(text: str) -> str:
    """Return the number that *text* begins with; empty where it is beyond all measure."""
    found = compiled(FLOAT).match(text)
    assert found is not None
    return found[0] if abs(float(found[0])) <= 1e300 else ""


def _klipper(scanner: Scanner, code: int, head: bytes, text: str) -> _Words:
    """Read words as Klipper does: letters between numbers are names, and any value must be a number."""
    words = _Words()
    name = "".join(head.decode("latin-1").upper().split())
    if name != f"G{code}":
        scanner.unknown[name] = scanner.unknown.get(name, 0) + 1
        return _Words(found=["zeros"], refused=True)
    parts = compiled(NOT_KLIPPERS).split(text.partition("*")[0])
    takes = _taken(code) + "K" * (code >= 2)
    if parts[0].strip():  # it is part of the command's own name
        return _Words(found=[_of_value(scanner, "", parts[0])], refused=True)
    values: dict[str, str] = {}
    for key, value in zip(parts[1::2], parts[2::2], strict=True):
        if key in takes and key in values:
            words.found.append("repeated")
        values[key] = value.strip()
        if key not in takes:
            words.found.append((_classed(key, code) or "word") if len(key) == 1 else "word")
    for key in takes:
        if key in values and not _is_float(values[key]):
            return _Words(found=[*words.found, _of_value(scanner, key, values[key])], refused=True)
        if key in values:
            words.kept[key] = values[key]
    if "F" in words.kept and float(words.kept["F"]) <= 0:
        words.found.append("speed")
    return words


def _of_value(scanner: Scanner, key: str, value: str) -> str:
    """Return the feature of a value that is no number."""
    if "(" in value:
        return "brackets"
    if "{" in value or "}" in value:
        return "expression"
    if ":" in value and key == "E":
        return _drives(scanner)
    return "stray" if value else "bare"


def _is_float(text: str) -> bool:
    return compiled(FLOAT).fullmatch(text) is not None and abs(float(text)) <= 1e300


def _reprapfirmware(scanner: Scanner, code: int, head: bytes, text: str) -> _Words:
    """Read words as RepRapFirmware does: the first of two counts, lists are one value for each drive."""
    words = _Words()
    raised = compiled(EXPONENT).sub(_raised, text)
    if raised != text:
        words.found.append("exponent")
    text = raised
    for found in _tokens(text):
        letter = found["letter"]
        if letter is None:
            if not found["comment"]:
                words.found.append("stray")
            continue
        feature = "endstop" if letter == "H" or (letter == "R" and code < 2) else _classed(letter, code)
        if letter == "E" and text[: found.start()][-1:].isdigit():
            feature = "exponent"
        if feature is not None:
            words.found.append(feature)
        elif found["braces"]:
            words.found.append("expression")
        elif found["number"] is None:
            words.found.append("bare")
        elif letter in words.kept:
            words.found.append("repeated")
        elif found["more"] and letter == "E":
            words.found.append(_drives(scanner))
            words.refused = words.refused or bool(scanner.e_absolute)
            words.kept["E"] = _sum(found["number"])
        else:
            if found["more"]:
                words.found.append("stray")
            value = _number(found["number"])
            if value:
                words.kept[letter] = value
            else:
                words.found.append("bare")
    return words


def _raised(found: re.Match[str]) -> str:
    from decimal import Decimal  # slow to load, seldom needed

    return f"{Decimal(found[1]).scaleb(int(found[2])):f}"


def _sum(text: str) -> str:
    """Return the sum of ``2.5:2.5``; what is no number in it counts nothing."""
    from decimal import Decimal

    numbers = (Decimal(part) for part in text.split(":") if compiled(FLOAT).fullmatch(part))
    return f"{sum(numbers, Decimal(0)):f}"


def _upright(scanner: Scanner, words: _Words, line: bytes) -> bool:
    """Tell whether an arc lies in another plane than X and Y; note it."""
    if not scanner.plane or (scanner.dialect == Dialect.KLIPPER and _not_klippers(scanner, words)):
        return False
    note(scanner, "plane", line)
    return True


def _arc(scanner: Scanner, words: _Words, line: bytes) -> None:
    """Note an arc that is none, or not by this firmware."""
    kept = words.kept
    if scanner.dialect == Dialect.KLIPPER and _not_klippers(scanner, words):
        note(scanner, "arc-form", line)
    elif "R" in kept:
        if float(kept["R"]) == 0 or not _goes(scanner, kept):
            note(scanner, "arc", line)
    elif float(kept.get("I", 0)) == 0 and float(kept.get("J", 0)) == 0:
        note(scanner, "arc", line)
    if "K" in kept:
        del kept["K"]
        note(scanner, "word", line)


def _not_klippers(scanner: Scanner, words: _Words) -> bool:
    """Tell whether an arc is by radius or relative, which Klipper refuses."""
    return "R" in words.kept or not scanner.absolute


def _goes(scanner: Scanner, kept: dict[str, str]) -> bool:
    """Tell whether an arc by radius ends elsewhere than it begins."""
    unit = 25.4 if scanner.inches else 1.0
    for letter, here, shift in (("X", scanner.x, scanner.shift_x), ("Y", scanner.y, scanner.shift_y)):
        if letter in kept:
            asked = float(kept[letter]) * unit
            if (asked + shift if scanner.absolute else here + asked) != here:
                return True
    return False


def extended(scanner: Scanner, said: Command, line: bytes) -> bool:
    """Note conditions, and Klipper's own ways to move unseen; True: the line is nothing but that."""
    name = said.name
    if scanner.dialect == Dialect.REPRAPFIRMWARE:
        if name in CONDITIONS:
            note(scanner, "condition", line)
        return name in CONDITIONS or name in HARMLESS
    if scanner.dialect == Dialect.KLIPPER:
        if name in ("FORCE_MOVE", "MANUAL_STEPPER"):
            note(scanner, "force", line)
        elif name == "SET_GCODE_OFFSET" and said.number("MOVE") == 1:
            note(scanner, "offset", line)
    return False
