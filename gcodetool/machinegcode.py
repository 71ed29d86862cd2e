"""Marlin's M503 report and RepRapFirmware's ``config.g`` to the values of a printer profile.

A report stands anywhere in a log of the serial line, with or without ``echo:``, ``Recv:`` and
timestamps, perhaps several times: the last full one counts, and single replies after it.  A
``config.g`` runs from top to bottom; the macros it calls are followed where they lie beside it, what
stands in conditions or in braces is passed over and said.  Left out: steps, drivers, heaters, probes.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from gcodetool.machinenotes import MOST_FILES, Notes, SourceLine, name_of, refuse, text_of
from gcodetool.profilefile import MARLIN, REPRAPFIRMWARE
from gcodetool.tomlfile import shown

PREFIX: Final = re.compile(  # what terminals and firmware write before a report's line
    r"""\s*
    (?: [\[(<]? \d[\d:.,/TZ+\-]* (?:\s+ \d[\d:.,/Z+\-]*)? [\])>]? \s* [-|:]* \s* )?   # a timestamp
    (?: (?:Recv|Received|RX|READ) \s* [:>]? \s* | <{1,3} \s* )?
    (?: echo: \s* )?""",
    re.VERBOSE | re.IGNORECASE,
)
REPORT: Final = re.compile(r"\s*(?P<word>[GM]\d{1,4}(?:\.\d+)?)(?![\w.])(?P<rest>[^*]*)(?:\*\d+)?$")
NUMBER: Final = r"[-+]?(?:\d++(?:\.\d*+)?|\.\d++)"  # possessive: a long line costs no more than its length
LETTER: Final = re.compile(  # a letter with a text, or with numbers and expressions joined by colons
    rf"""(?P<letter>[A-Za-z])
    (?: (?P<text>"(?:[^"]|"")*") | (?P<values>(?:\{{[^{{}}]*\}}|{NUMBER})(?::(?:\{{[^{{}}]*\}}|{NUMBER}))*) )?""",
    re.VERBOSE,
)
SOFT_ENDSTOPS: Final = re.compile(
    rf"Min:\s*X({NUMBER})\s*Y({NUMBER})\s*Z({NUMBER})\s*Max:\s*X({NUMBER})\s*Y({NUMBER})\s*Z({NUMBER})"
)
PROMPTS: Final = re.compile(r"\bCap:PROMPT_SUPPORT:([01])\b")  # in the answer to M115
MOVE: Final = re.compile(r"\s*[Gg][0123]\s*[XYZE]", re.IGNORECASE)
MOST_MOVES: Final = 50  # a configuration has a few at most, a job thousands
COMMAND: Final = re.compile(r'"(?:[^"]|"")*"|(?<![A-Za-z0-9_.{])([GMTgmt]-?\d+(?:\.\d+)?)(?![\d.])')
REMARK: Final = re.compile(r'("(?:[^"]|"")*")|\([^()]*\)|;.*$')
CONDITION: Final = frozenset(("if", "elif", "else", "while"))
META: Final = frozenset(("var", "global", "set", "echo", "abort", "break", "continue", "skip", "param"))
PER_TOOL: Final = frozenset(("M92", "M201", "M203", "M900"))  # Marlin lists further extruders as T1, T2, …
WANTED: Final = ("M201", "M203", "M204", "M205", "M566", "M207", "M208", "M572", "M143", "M404", "M563")
SLOW_MM_MIN: Final = 1200.0  # M203 X below 20 mm/s was most likely meant in mm/s

MARLIN_WHY: Final[dict[str, str]] = {
    "G21": "units: mm",
    "M145": "presets of materials",
    "M149": "temperature unit",
    "M200": "volumetric extrusion: the file's own M200 counts",
    "M206": "home offset",
    "M209": "automatic retraction",
    "M218": "tool offset",
    "M301": "heater control",
    "M304": "heater control",
    "M420": "bed levelling",
    "M851": "probe offset",
}
RRF_WHY: Final[dict[str, str]] = {
    "M92": "this firmware plans without steps",
    "M665": "delta geometry: state bed_mm and height_mm yourself",
    "M669": "kinematics: limits of combined motors are not modelled",
    "M593": "input shaping is not modelled",
}


@dataclass(frozen=True)
class Line:
    """One command, the text after its word, and where it stands."""

    word: str
    rest: str
    place: SourceLine
    path: Path


Words = dict[str, tuple[str, ...]]  # letter → its values as written; a text has quotes


def words_of(rest: str) -> Words:
    """Return the letters of a command and what follows each; the later of two wins.

    >>> words_of('X6000 E3600:{global.e} P"fan"')
    {'X': ('6000',), 'E': ('3600', '{global.e}'), 'P': ('"fan"',)}
    """
    found: Words = {}
    for match in LETTER.finditer(rest):
        if match["text"] is not None:
            values: tuple[str, ...] = (match["text"],)
        else:
            values = tuple(re.findall(rf"\{{[^{{}}]*\}}|{NUMBER}", match["values"] or ""))
        found[match["letter"].upper()] = values
    return found


def refuse_job(path: Path, moves: int) -> None:
    """Refuse a sliced file: its M201 … are the slicer's, not the machine's."""
    if moves > MOST_MOVES:
        text = "a print job, not a machine's file; name the M503 report or the configuration"
        refuse(path, None, text)


def moves(text: str) -> int:
    """Return how many lines of *text* move an axis."""
    return sum(bool(MOVE.match(line)) for line in text.split("\n"))


def stated(path: Path, text: str) -> Iterator[Line]:
    """Yield the commands of a configuration's lines, as they stand."""
    for number, raw in enumerate(text.split("\n"), start=1):
        inner = REMARK.sub(lambda match: match[1] or "", raw).strip()
        if inner:
            yield from _split(inner, SourceLine(name_of(path), number), path)


# ---------------------------------------------------------------- Marlin


def reported(path: Path, text: str) -> Iterator[Line]:
    """Yield the commands that a report's lines state; what was sent to the machine is no report."""
    for number, raw in enumerate(text.split("\n"), start=1):
        start = PREFIX.match(raw)
        line = raw[start.end() if start else 0 :].split(";", 1)[0].rstrip()
        match = REPORT.match(line)
        if match:
            yield Line(match["word"], match["rest"], SourceLine(name_of(path), number), path)


Report = dict[tuple[str, str], Line]  # (word, T) → its line


def _reports(lines: Iterator[Line]) -> list[Report]:
    """Cut a log into its reports: a new one begins with its units, with M92, or with a repeated word."""
    reports: list[Report] = [{}]
    for line in lines:
        if line.word in ("G20", "G21"):
            key = ("unit", "")
            begins = bool(reports[-1])
        elif line.word in MARLIN:
            tool = words_of(line.rest).get("T", ()) if line.word in PER_TOOL else ()
            key = (line.word, tool[0] if tool else "")
            others = {word for word, _ in reports[-1]} - {"unit", "M92"}
            begins = key in reports[-1] or (line.word == "M92" and bool(others))
        else:
            continue
        if begins:
            reports.append({})
        reports[-1][key] = line
    return [report for report in reports if report]


def _full(report: Report) -> bool:
    words = {word for word, _ in report}
    return {"M201", "M203"} <= words and not words.isdisjoint(("M204", "M205"))


def read_marlin(path: Path, text: str) -> Notes:
    """Return what the last full M503 report in *text* says, and single replies after it.

    Raises
    ------
    ProfileError
        It counts in inches, or the file is a print job.
    """
    lines = list(reported(path, text))
    refuse_job(path, sum(line.word in ("G0", "G1", "G2", "G3") for line in lines))
    notes = Notes("marlin")
    reports = _reports(iter(lines))
    full = [number for number, report in enumerate(reports) if _full(report)]
    first = full[-1] if full else 0
    merged: Report = {}
    for report in reports[first:]:
        merged |= report
    if len(full) > 1:
        notes.remarks.append(f"{len(full)} reports in {name_of(path)}: the last one counts")
    if reports and not full:
        notes.remarks.append(f"no full report in {name_of(path)}: send M503 and save all of its answer")
    unit = merged.get(("unit", ""))
    if unit is not None and unit.word == "G20":
        refuse(path, unit.place.line, "the report counts in inches; send G21, then M503, and save that")
    begin = min((line.place.line for line in merged.values()), default=1)
    for (word, tool), line in merged.items():
        if word != "unit":
            _marlin_line(notes, word, tool, line)
    _marlin_corners(notes)
    for line in lines:
        if line.place.line >= begin and line.word not in MARLIN:
            notes.skip(line.word, MARLIN_WHY.get(line.word, "no limit of motion"), line.place)
    _soft_endstops(notes, path, text)
    _prompts(notes, path, text)
    return notes


def _marlin_line(notes: Notes, word: str, tool: str, line: Line) -> None:
    if tool not in ("", "0"):
        notes.skip(f"{word} T{tool}", "a further extruder: profiles hold the first one's", line.place)
        return
    for letter, values in words_of(line.rest).items():
        if letter == "T" and word in PER_TOOL:
            continue
        if letter not in MARLIN[word]:
            notes.skip(f"{word} {letter}", "not used", line.place)
        elif not values or not re.fullmatch(NUMBER, values[0]):
            notes.skip(f"{word} {letter}", "no number", line.place)
        else:
            notes.take(("marlin", word, letter), float(values[0]), line.place)


def _marlin_corners(notes: Notes) -> None:
    """Settle what older releases word otherwise: one jerk for X and Y, M204 S and T."""
    taken = notes.taken
    corner = {keys[2]: noted for keys, noted in taken.items() if keys[1:2] == ("M205",)}
    if "J" in corner:
        for letter in "XYZ":
            if letter in corner:
                why = "a build with J plans its corners by J"
                notes.skip(f"M205 {letter}", why, taken.pop(("marlin", "M205", letter)).places[0])
        if corner["J"].value == 0.01:
            notes.remarks.append(
                "M205 J0.01: the report shows two digits, the stock value 0.013 looks the same; "
                "correct J if you know it"
            )
    elif "X" in corner and "Y" not in corner:
        how = "older releases state one jerk for X and Y"
        _derive(notes, ("M205", "X"), ("M205", "Y"), how)
    if ("marlin", "M204", "S") in taken and ("marlin", "M204", "P") not in taken:
        how = "older releases: S prints and travels, T retracts"
        _derive(notes, ("M204", "T"), ("M204", "R"), how)
        _derive(notes, ("M204", "S"), ("M204", "P"), how)
        _derive(notes, ("M204", "S"), ("M204", "T"), how)
        del taken["marlin", "M204", "S"]


def _derive(notes: Notes, source: tuple[str, str], target: tuple[str, str], how: str) -> None:
    """Take the value of one letter for another one too."""
    value = notes.number("marlin", *source)
    if value is not None:
        notes.take(("marlin", *target), value, *notes.taken["marlin", *source].places, how=how)


def _soft_endstops(notes: Notes, path: Path, text: str) -> None:
    """Take bed and height from the answer to M211, where the log holds it."""
    for number, line in enumerate(text.split("\n"), start=1):
        if match := SOFT_ENDSTOPS.search(line):
            x0, y0, _, x1, y1, z1 = map(float, match.groups())
            place = SourceLine(name_of(path), number)
            notes.take(("bed_mm",), (x0, y0, x1, y1), place, how="travel of the axes, as M211 answers")
            notes.take(("height_mm",), z1, place, how="travel of the axis, as M211 answers")


def _prompts(notes: Notes, path: Path, text: str) -> None:
    """Take from the answer to M115, where the log holds it, whether M0 opens a dialog on the host."""
    for number, line in enumerate(text.split("\n"), start=1):
        if match := PROMPTS.search(line):
            place = SourceLine(name_of(path), number)
            notes.take(("host", "prompts"), match[1] == "1", place, how="PROMPT_SUPPORT, as M115 answers")


# ---------------------------------------------------------------- RepRapFirmware


class _Config:
    """The run of a ``config.g``: what has been met so far."""

    def __init__(self, path: Path) -> None:
        self.folder = path.parent
        self.notes = Notes("reprapfirmware")
        self.ends: dict[tuple[str, str], tuple[float, SourceLine]] = {}  # (axis, min or max) of M208
        self.hottest: dict[int, tuple[float, SourceLine]] = {}  # heater → M143 S
        self.tool_heater: int | None = None
        self.files = 0
        self.moves = 0


def read_reprapfirmware(path: Path, text: str) -> Notes:
    """Return what ``config.g`` says, with the macros beside it.

    Raises
    ------
    ProfileError
        It counts in inches, a macro calls itself, or the file is a print job.
    """
    run = _Config(path)
    _run(run, path, text, (path.resolve(),))
    refuse_job(path, run.moves)
    _travel(run)
    heater = 1 if run.tool_heater is None else run.tool_heater
    for number, (limit, place) in run.hottest.items():
        if number == heater:
            run.notes.take(("hot_end", "max_temperature_C"), limit, place, how=f"M143 of heater {number}")
        else:
            run.notes.skip(f"M143 H{number}", "not the first tool's heater", place)
    speed = run.notes.number("reprapfirmware", "M203", "X")
    if speed is not None and speed < SLOW_MM_MIN:
        run.notes.remarks.append(
            f"M203 X{speed:g} is {speed / 60:.3g} mm/s, for M203 counts in mm/min here; if the machine "
            f"really has it, its jobs are that slow; if not, correct the profile"
        )
    return run.notes


def _run(run: _Config, path: Path, text: str, chain: tuple[Path, ...]) -> None:
    """Take one file's commands in their order; *chain*: the files being run."""
    block: int | None = None  # indent of the condition around the line
    name = name_of(path)
    for number, raw in enumerate(text.split("\n"), start=1):
        line = REMARK.sub(lambda match: match[1] or "", raw).rstrip().expandtabs(4)
        inner = line.lstrip()
        if not inner:
            continue
        place, indent = SourceLine(name, number), len(line) - len(inner)
        keyword = inner.split(None, 1)[0].casefold()
        if block is not None and indent > block:
            word = keyword.upper() if keyword.upper() in WANTED or keyword == "m98" else "lines"
            run.notes.skip(f"{word} inside a condition", "the machine decides it while it runs", place)
            continue
        block = None
        if keyword in CONDITION:
            block = indent
            run.notes.skip(keyword, "the machine decides it while it runs", place)
        elif keyword in META:
            run.notes.skip(keyword, "no command", place)
        else:
            run.moves += bool(MOVE.match(inner))
            for command in _split(inner, place, path):
                _command(run, command, chain)


def _split(inner: str, place: SourceLine, path: Path) -> Iterator[Line]:
    """Yield the commands of one line; this firmware allows several."""
    found = list(COMMAND.finditer(inner))
    starts = [match for match in found if match[1] and (match.start() == 0 or match[1][0] not in "Tt")]
    starts = starts if starts and starts[0].start() == 0 else []
    for index, match in enumerate(starts):
        end = starts[index + 1].start() if index + 1 < len(starts) else len(inner)
        yield Line(match[1].upper(), inner[match.end() : end], place, path)
    if not starts:
        yield Line(inner.split(None, 1)[0], "", place, path)


def _command(run: _Config, line: Line, chain: tuple[Path, ...]) -> None:
    notes, word = run.notes, line.word
    if word == "G20":
        refuse(
            line.path, line.place.line, "the file counts in inches (G20); write its limits in mm, with G21"
        )
    elif word in ("M98", "M501"):
        _macro(run, line, chain)
    elif word not in WANTED:
        notes.skip(word, RRF_WHY.get(word, "no limit of motion"), line.place)
    else:
        words = words_of(line.rest)
        if word in ("M563", "M404"):  # of tools and filament, only heater and nozzle are asked for
            words = {letter: values for letter, values in words.items() if letter in "PHD"}
        numbers = {letter: _numbers(notes, word, letter, values, line) for letter, values in words.items()}
        _limit(run, line, {letter: values for letter, values in numbers.items() if values})


def _numbers(notes: Notes, word: str, letter: str, values: tuple[str, ...], line: Line) -> tuple[float, ...]:
    """Return a letter's numbers up to the first that is none; what is no number is noted."""
    found = []
    for value in values:
        if not re.fullmatch(NUMBER, value):
            break
        found.append(float(value))
    if len(found) < len(values) and not found:
        expression = values[0].startswith("{")
        why = "an expression: the machine works it out" if expression else "no number"
        notes.skip(f"{word} {letter}{values[0]}", why, line.place)
    elif not values:
        notes.skip(f"{word} {letter}", "no number", line.place)
    return tuple(found)


def _macro(run: _Config, line: Line, chain: tuple[Path, ...]) -> None:
    """Follow M98 P"file.g" where the file lies beside the configuration."""
    name = '"config-override.g"' if line.word == "M501" else "".join(words_of(line.rest).get("P", ()))
    if not name.startswith('"'):
        run.notes.skip(line.word, "names no file", line.place)
        return
    wanted = re.sub(r"^\d:", "", name[1:-1].replace('""', '"')).replace("\\", "/")
    if wanted.startswith("/"):  # from the card's root; the configuration's folder is its /sys
        target = run.folder / wanted.removeprefix("/sys/") if wanted.startswith("/sys/") else None
        target = run.folder.parent / wanted.lstrip("/") if target is None else target
    else:
        target = run.folder / wanted
    try:
        there = target.is_file()
    except (OSError, ValueError):
        there = False
    if not there:
        run.notes.skip(f"{line.word} {name}", "no such file beside it: not followed", line.place)
        return
    if target.resolve() in chain:
        text = f"{line.word} {shown(wanted)} leads back to a file that is running; take it out"
        refuse(line.path, line.place.line, text)
    run.files += 1
    if run.files > MOST_FILES:
        refuse(line.path, line.place.line, f"more than {MOST_FILES} macros; check this M98")
    _run(run, target, text_of(target), (*chain, target.resolve()))


def _limit(run: _Config, line: Line, numbers: dict[str, tuple[float, ...]]) -> None:
    """Take one command that states limits."""
    notes, word, place = run.notes, line.word, line.place
    if word == "M208":
        _axis_ends(run, numbers, place)
    elif word == "M572":
        drives = numbers.get("D", (0.0,))
        if 0.0 not in drives:
            notes.skip(f"M572 D{drives[0]:g}", "a further extruder: profiles hold the first one's", place)
        elif "S" in numbers:
            notes.take(("reprapfirmware", "M572"), numbers["S"][0], place)
    elif word == "M143":
        if "S" in numbers and numbers.get("A", (0.0,))[0] == 0:
            run.hottest[int(numbers.get("H", (1.0,))[0])] = (numbers["S"][0], place)
    elif word == "M563":
        if "H" in numbers and (run.tool_heater is None or numbers.get("P", (0.0,))[0] == 0):
            run.tool_heater = int(numbers["H"][0])
    elif word == "M404":
        if "D" in numbers:
            notes.take(("hot_end", "nozzle_mm"), numbers["D"][0], place)
    elif word == "M207" and numbers.get("P", (0.0,))[0] != 0:
        notes.skip(f"M207 P{numbers['P'][0]:g}", "a further tool: profiles hold the first one's", place)
    else:
        _letters(notes, word, numbers, place)


def _letters(notes: Notes, word: str, numbers: dict[str, tuple[float, ...]], place: SourceLine) -> None:
    """Take the letters of M201, M203, M204, M205, M207, M566 in the profile's units."""
    factor, how, target = 1.0, "", word
    if word == "M203" and numbers.get("S", (0.0,))[0] == 1:
        factor, how = 60.0, "S1: stated in mm/s"
    elif word == "M205":
        factor, how, target = 60.0, "M205: stated in mm/s", "M566"
    if word == "M204" and "S" in numbers:  # the older word for both
        numbers = {"P": numbers["S"], "T": numbers["S"], **{k: v for k, v in numbers.items() if k != "S"}}
    for letter, values in numbers.items():
        if (word == "M203" and letter == "S") or (word == "M207" and letter == "P"):
            continue
        if letter not in REPRAPFIRMWARE[target] or (word == "M205" and letter == "P"):
            notes.skip(f"{word} {letter}", "profiles hold X, Y, Z and E", place)
            continue
        further = f"the first of {len(values)}" if len(values) > 1 else ""
        said = "; ".join(part for part in (how, further) if part)
        notes.take(("reprapfirmware", target, letter), values[0] * factor, place, how=said)


def _axis_ends(run: _Config, numbers: dict[str, tuple[float, ...]], place: SourceLine) -> None:
    """Note M208: low and high end with a colon, else S1 the low ends, S0 the high ones."""
    low = numbers.get("S", (0.0,))[0] == 1
    for letter, values in numbers.items():
        if letter in "XYZ":
            if len(values) > 1:
                run.ends[letter, "min"], run.ends[letter, "max"] = (values[0], place), (values[1], place)
            else:
                run.ends[letter, "min" if low else "max"] = (values[0], place)
        elif letter != "S":
            run.notes.skip(f"M208 {letter}", "profiles hold X, Y and Z", place)


def _travel(run: _Config) -> None:
    ends = run.ends
    if ("X", "max") in ends and ("Y", "max") in ends:
        corners = [("X", "min"), ("Y", "min"), ("X", "max"), ("Y", "max")]
        numbers = tuple(ends[corner][0] if corner in ends else 0.0 for corner in corners)
        places = [ends[corner][1] for corner in corners if corner in ends]
        run.notes.take(("bed_mm",), numbers, *places, how="travel of the axes")
    if ("Z", "max") in ends:
        height, place = ends["Z", "max"]
        run.notes.take(("height_mm",), height, place, how="travel of the axis")
