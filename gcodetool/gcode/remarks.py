"""What files of no known family say of themselves in plain comments: layer marks, and a few facts.

Many programs write a comment at each layer and a ``name: value`` line for time, filament and material.
The spellings here are those of no one product: a word that says layer and a number, or the trade's own
words for the fact.  A number without a unit is no fact; ``doubts`` tells of it.

Left out: settings of any one program, marks that are no comments, numbers inside sentences.
"""

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, TypeVar

from gcodetool.gcode.spellings import BY_HEIGHT, SPELLINGS

Value = TypeVar("Value")

FEWEST_MARKS: Final = 2  # one alone is a word in passing
MARK: Final = re.compile(
    r"^(?P<spelling>; ?layer(?:: ?| : | ?= ?| #| |_))(?P<number>-?\d{1,9})(?![\d.])",
    re.MULTILINE | re.IGNORECASE,
)
HEIGHT: Final = re.compile(
    rf"^(?P<spelling>{'|'.join(re.escape(text.decode()) for text in BY_HEIGHT)})(?P<number>-?\d+\.?\d*)",
    re.MULTILINE,
)

EDGE_LINES: Final = 400  # facts stand among so many first and last lines
MOST_TOOLS: Final = 64
MOST_S: Final = 1e8  # three years
MOST_MM: Final = 1e9  # no spool holds more
FILAMENTS_MM: Final = (0.1, 100.0)  # beyond these there is no filament
NOZZLES_MM: Final = (0.01, 20.0)
FACT: Final = re.compile(
    r";+[ \t]*(?P<name>[A-Za-z][\w #()\[\]/-]{1,48}?)[ \t]*[:=][ \t]*(?P<value>\S.{0,200}?)[ \t\r]*"
)
# What a name is made of: its words, a tool's number (counted from 1), a unit.
TOOL: Final = re.compile(r" ?(?:#|\b(?:tool|extruder|ext) ?#?|(?<=\bfilament) |(?<=\bmaterial) )(\d{1,2})\b")
UNIT: Final = re.compile(r" ?[(\[]([a-z]+)[)\]]")
TIME: Final = re.compile(r"(?:total |estimated )*(?:build|print|printing) ?time")
LENGTH: Final = re.compile(r"(?:total )?(?:filament|material|plastic) (?:length|used|usage)|used filament")
COUNT: Final = re.compile(r"(?:total )?(?:layers? count|layers|number of layers|layer number)")
KIND: Final = re.compile(r"(?:filament|material) type|(?:print )?material")
NAMED: Final = re.compile(r"(?:filament|material) name|filament")
FILAMENT: Final = re.compile(r"(?:filament |material )diameter")
NOZZLE: Final = re.compile(r"(?:nozzle|extruder) diameter")

NUMBER: Final = r"(\d{1,12}(?:\.\d{1,12})?)"
SPAN: Final = re.compile(
    rf"{NUMBER} ?(d(?:ays?)?|h(?:(?:ou)?rs?)?|m(?:in(?:ute)?s?)?|s(?:ec(?:ond)?s?)?)\b\.?(?: and\b|,)? ?",
    re.IGNORECASE,
)
CLOCK: Final = re.compile(r"(\d{1,4}):([0-5]\d):([0-5]\d)")
SECONDS: Final = {"d": 86400.0, "h": 3600.0, "m": 60.0, "s": 1.0}
MEASURE: Final = re.compile(rf"{NUMBER} ?(mm|cm|m|)(?: ?\([^()]*\))?")
MM: Final = {"mm": 1.0, "cm": 10.0, "m": 1000.0}
# The material inside what a filament is called.
WORD: Final = re.compile(
    r"(?<![A-Z0-9])((?:PLA|PETG|PET|ABS|ASA|PA6|PA12|PA|NYLON|TPU|TPE|PC|PVA|PVB|PP|HIPS|PEEK|PEI)(?:-?[CG]F)?)(?![A-Z0-9])",
    re.IGNORECASE,
)


def spelling(top: str, end: str = "") -> int | None:
    r"""Return the place in ``SPELLINGS`` of the layer mark that *top* and *end* use most; None: there is none.

    >>> SPELLINGS[spelling("; layer 1, Z = 0.2\nG1 X1\n; layer 2, Z = 0.4\n")]
    b'; layer '
    """
    seen = {
        (found["spelling"].encode(), found["number"])
        for text in (top, end)
        for pattern in (MARK, HEIGHT)
        for found in pattern.finditer(text)
    }
    counts = Counter(text for text, _ in seen if text in SPELLINGS)
    usual = max(counts, key=lambda text: (counts[text], -SPELLINGS.index(text)), default=None)
    return None if usual is None or counts[usual] < FEWEST_MARKS else SPELLINGS.index(usual)


@dataclass(frozen=True)
class Remarks:
    """What plain comments say; ``None`` or empty: they do not.

    Attributes
    ----------
    claimed_s : printing time. [s]
    filament_mm : filament per tool. [mm]
    total_mm : filament of all tools together, where no tool is named. [mm]
    filament_types, diameters_mm, nozzle_mm : per tool.
    layers : how many.
    doubts : what is said and cannot be taken, one line each.
    """

    claimed_s: float | None = None
    filament_mm: tuple[float | None, ...] = ()
    total_mm: float | None = None
    filament_types: tuple[str | None, ...] = ()
    diameters_mm: tuple[float | None, ...] = ()
    nozzle_mm: tuple[float | None, ...] = ()
    layers: int | None = None
    doubts: tuple[str, ...] = ()

    @property
    def signed(self) -> bool:
        """Whether they tell a sliced file from any other: by a time or a length of filament."""
        return self.claimed_s is not None or bool(self.filament_mm) or self.total_mm is not None


def remarks(top: str, end: str) -> Remarks:
    """Return what the comments among the first lines of *top* and the last of *end* say.

    Where a fact is stated twice, the first one counts.
    """
    said = _Said()
    for line in (*top.splitlines()[:EDGE_LINES], *end.splitlines()[-EDGE_LINES:]):
        found = FACT.fullmatch(line)
        if found:
            said.take(found["name"], found["value"])
    return Remarks(
        claimed_s=said.claimed_s,
        filament_mm=_per_tool(said.lengths),
        total_mm=None if said.lengths else said.total_mm,
        filament_types=_per_tool(said.kinds) or _per_tool(said.names),
        diameters_mm=_per_tool(said.diameters),
        nozzle_mm=_per_tool(said.nozzles),
        layers=said.layers,
        doubts=tuple(said.doubts.values()),
    )


class _Said:
    """Facts as they come, by tool."""

    def __init__(self) -> None:
        self.claimed_s: float | None = None
        self.total_mm: float | None = None
        self.layers: int | None = None
        self.lengths: dict[int, float] = {}
        self.kinds: dict[int, str] = {}
        self.names: dict[int, str] = {}
        self.diameters: dict[int, float] = {}
        self.nozzles: dict[int, float] = {}
        self.doubts: dict[str, str] = {}

    def take(self, name: str, value: str) -> None:
        """Take one ``name: value``."""
        words, tool, unit = _taken_apart(name)
        place = 0 if tool is None else tool
        if TIME.fullmatch(words):
            seconds = duration(value if unit is None else f"{value} {unit}")
            if seconds is None:
                self.doubt(name, value)
            elif self.claimed_s is None:
                self.claimed_s = seconds
        elif LENGTH.fullmatch(words):
            self.length(name, value, tool, unit)
        elif COUNT.fullmatch(words):
            if self.layers is None and re.fullmatch(r"\d{1,9}", value):
                self.layers = int(value)
        elif KIND.fullmatch(words) or NAMED.fullmatch(words):
            kind = material(value)
            if kind is not None:
                (self.kinds if KIND.fullmatch(words) else self.names).setdefault(place, kind)
        else:
            for pattern, table, bounds in (
                (FILAMENT, self.diameters, FILAMENTS_MM),
                (NOZZLE, self.nozzles, NOZZLES_MM),
            ):
                found = MEASURE.fullmatch(value) if pattern.fullmatch(words) else None
                if found and found[2] in ("", "mm") and bounds[0] <= float(found[1]) <= bounds[1]:
                    table.setdefault(place, float(found[1]))

    def length(self, name: str, value: str, tool: int | None, unit: str | None) -> None:
        """Take filament: one length, or a list of one for each tool."""
        found = lengths(value, unit)
        if found is None:
            self.doubt(name, value)
        elif tool is not None:
            self.lengths.setdefault(tool, found[0])
        elif len(found) > 1:
            self.lengths = self.lengths or dict(enumerate(found))
        elif self.total_mm is None:
            self.total_mm = found[0]

    def doubt(self, name: str, value: str) -> None:
        """Tell of a number without a unit; other values are no business of this module."""
        if re.fullmatch(rf"{NUMBER}(?:, ?{NUMBER})*", value):
            text = f"the file says '{name.strip()}: {value}' without a unit: not taken"
            self.doubts.setdefault(name, text)


def duration(text: str) -> float | None:
    """Return the seconds in *text*; None where it is no time, or says no unit. [s].

    >>> duration("1 hour 20 minutes"), duration("1h 2m"), duration("54.5 min"), duration("01:20:00")
    (4800.0, 3720.0, 3270.0, 4800.0)
    """
    text = text.strip()
    clock = CLOCK.fullmatch(text)
    if clock:
        return float(int(clock[1]) * 3600 + int(clock[2]) * 60 + int(clock[3]))
    total, at, before = 0.0, 0, "z"
    while at < len(text):
        found = SPAN.match(text, at)
        unit = found[2][0].lower() if found else ""
        if found is None or (before != "z" and SECONDS[unit] >= SECONDS[before]):
            return None
        total += float(found[1]) * SECONDS[unit]
        at, before = found.end(), unit
    return total if 0 < total <= MOST_S else None


def lengths(text: str, unit: str | None = None) -> list[float] | None:
    """Return the lengths in *text*, in the unit that stands there, else in *unit*; None where neither does. [mm].

    >>> lengths("3456.7 mm (3.46 m)"), lengths("5.4m, 0.17m"), lengths("12", "m"), lengths("12")
    ([3456.7], [5400.0, 170.0], [12000.0], None)
    """
    out = []
    for part in re.split(r",(?![^(]*\))", text):
        found = MEASURE.fullmatch(part.strip())
        scale = MM.get(found[2] or unit or "") if found else None
        if found is None or scale is None or float(found[1]) * scale > MOST_MM:
            return None
        out.append(float(found[1]) * scale)
    return out if len(out) <= MOST_TOOLS else None


def material(text: str) -> str | None:
    """Return the material that *text* names; None where no word is known and it is more than one.

    >>> material("Bench PETG brick"), material("PA6-CF"), material("X-17"), material("house blend")
    ('PETG', 'PA6-CF', 'X-17', None)
    """
    found = WORD.search(text)
    if found:
        return found[1].upper()
    return text if re.fullmatch(r"[\w.+-]{1,20}", text) and not text.replace(".", "").isdigit() else None


def _taken_apart(name: str) -> tuple[str, int | None, str | None]:
    """Return a name's words in lower case, the tool that it names, from 0, and its unit.

    >>> _taken_apart("Material#2 Used (mm)")
    ('material used', 1, 'mm')
    """
    text = name.lower().replace("_", " ")
    unit = UNIT.search(text)
    if unit:
        text = text[: unit.start()] + text[unit.end() :]
    tool = TOOL.search(text)
    if tool:
        text = text[: tool.start()] + text[tool.end() :]
    number = int(tool[1]) - 1 if tool else None
    if number is not None and not 0 <= number < MOST_TOOLS:
        return "", None, None
    return " ".join(text.split()), number, unit[1] if unit else None


def _per_tool(values: Mapping[int, Value]) -> tuple[Value | None, ...]:
    return tuple(values.get(tool) for tool in range(max(values) + 1)) if values else ()
