"""Belt machines, known by what anyone can see in their files.

Their bed is a belt that carries the part away along Z, and their gantry is tilted: lifting the head as the
block does would move the belt, and no spot on it is free for good.  A program becomes the sign that shows
such a machine, or None.  Left out: what to do about it (``anchor``, ``advice.job``).
"""

import itertools
import operator
import re
from collections.abc import Mapping, Sequence
from typing import Final

from gcodetool.gcode import rows as row
from gcodetool.gcode.program import Program, walk
from gcodetool.gcode.rows import Rows
from gcodetool.quickpattern import compiled

BELT: Final = "the file is for a belt machine"

SWITCH: Final = compiled(r"belt|conveyor|(?:infinite|endless)_?z(?![a-z])")
NOTHING: Final = frozenset(("", "0", "false", "no", "off", "nil", "none"))
NAME: Final = compiled(
    r"(?:printer|machine)_(?:model|name|settings_id|variant|type|structure|kinematics|id)|inherits"
)
BELT_WORD: Final = compiled(r"(?<![a-z])(?:belt|conveyor)(?![a-z])", re.IGNORECASE)
ANGLE: Final = compiled(r"\w*gantry\w*(?:angle|tilt)\w*|\w*(?:tilt|angle)\w*gantry\w*")
TILTED_DEG: Final = (20.0, 70.0)
PHRASE: Final = compiled(
    r"""\b(?: belt[ _-](?:printer|machine|bed|mode) | conveyor[ _-](?:belt|printer|bed)
      | (?:infinite|endless)[ _-]z\b | (?:tilted|inclined|angled)[ ]gantry
      | gantry[ ](?:angle|tilt)(?:ed)?(?:[ ](?:by|at|of))?\W{0,3}[2-6]\d\b
      | [2-6]\d[ ]?(?:°|deg(?:rees)?)[ ](?:tilted[ ])?gantry)""",
    re.VERBOSE | re.IGNORECASE,
)
DENIAL: Final = compiled(r"\b(?:not?|non|never|without|off|false|disabled)\b|[=:]\s*0\s*$", re.IGNORECASE)
COMMENT: Final = compiled(r"^;[ \t]*([^\r\n]{1,60})\r?$", re.MULTILINE)  # longer ones tell about other things
HEADER_BYTES: Final = 1 << 13
ENDLESS_MM: Final = 5000.0  # no bed goes down so far

WATCHED: Final = 5000  # rows that are looked at
SOME_ROWS: Final = 1024  # at a time
ALONG_MM: Final = 0.05  # shorter ones say nothing of a slope
TILTED_MOVES: Final = 20  # with filament along Y
SAME: Final = 0.02  # of a ratio
SHARE: Final = 0.9
RATIO: Final = (0.3, 3.5)  # of Z to Y, or of Y to Z: gantries tilted by 20 to 70 degrees
STEPS: Final = 8  # layers that grow evenly out of the belt,
STARTS: Final = 4  # from one of the first so many on
ON_BELT_MM: Final = 1.0
SLACK_MM: Final = 0.5


def belt_sign(program: Program) -> str | None:
    """Return what shows that *program* is for a belt machine, None where nothing does."""
    return _settings(program.facts.config) or _height(program) or _comments(program) or _motion(program)


def _settings(config: Mapping[str, str]) -> str | None:
    for key, value in config.items():
        if SWITCH.search(key) and value.strip().lower() not in NOTHING:
            return f"its settings say {key} = {_short(value)}"
        if NAME.fullmatch(key) and BELT_WORD.search(value):
            return f"its settings say {key} = {_short(value)}"
        if ANGLE.fullmatch(key) and _tilted(value):
            return f"its settings say {key} = {_short(value)}"
        if key == "printer_notes":
            for note in value.replace("\\n", "\n").split("\n"):
                if PHRASE.search(note) and not DENIAL.search(note):
                    return f"its printer's notes say '{_short(note)}'"
    return None


def _tilted(value: str) -> bool:
    found = re.fullmatch(r"\s*(\d{1,3}(?:\.\d{0,3})?)\s*(?:deg|°)?\s*", value)
    return found is not None and TILTED_DEG[0] <= float(found[1]) <= TILTED_DEG[1]


def _height(program: Program) -> str | None:
    height = program.facts.height_mm
    return f"its settings give a height of {height:g} mm" if height and height >= ENDLESS_MM else None


def _comments(program: Program) -> str | None:
    for found in COMMENT.finditer(program.head[:HEADER_BYTES].decode("utf-8", "replace")):
        if PHRASE.search(found[1]) and not DENIAL.search(found[1]):
            return f"a comment says '{_short(found[1])}'"
    return None


def _short(text: str) -> str:
    text = " ".join(text.split())
    return text if len(text) <= 40 else text[:39] + "…"


# --- motion -----------------------------------------------------------------------------------


def _motion(program: Program) -> str | None:
    laid = _laid(program)
    climbs = [(z1 - z0) / (y1 - y0) for y0, z0, y1, z1 in laid if abs(y1 - y0) > ALONG_MM]
    if len(climbs) >= TILTED_MOVES and _even(climbs, RATIO, SAME):
        return "its moves climb in Z as they go along Y"
    levels = []
    for height, moves in itertools.islice(
        itertools.groupby(laid, key=operator.itemgetter(3)), STARTS + STEPS
    ):
        ends = [y for y0, _, y1, _ in moves for y in (y0, y1)]
        levels.append([height, min(ends), max(ends)])
    if any(_grows(levels[at : at + STEPS + 1]) for at in range(STARTS)):
        return "its layers grow evenly out of the line Y0 as Z goes on"
    return None


def _laid(program: Program) -> list[tuple[float, float, float, float]]:
    """Return y0, z0, y1, z1 of the moves that lay filament across, of the first ``WATCHED`` in the head."""
    found: list[tuple[float, float, float, float]] = []
    seen, y0, z0 = 0, 0.0, 0.0
    head = program.head[: program.head.rfind(b"\n") + 1]
    for _, _, rows in walk(program, Rows(SOME_ROWS), blocks=[head]):
        columns = (rows.op[: rows.count], rows.arg, rows.y, rows.z, rows.e)
        for op, arg, y, z, e in zip(*columns, strict=False):  # the others are longer
            if op in (row.MOVE, row.ARC):
                if e > 0 and arg & (row.X | row.Y):
                    found.append((y0, z0, y, z))
                y0, z0 = y, z
                seen += 1
                if seen == WATCHED:
                    return found
    return found


def _even(values: Sequence[float], bounds: tuple[float, float], slack: float) -> bool:
    """Tell whether nearly all *values*, at least one, are the same, of a size within *bounds*."""
    ranked, half = sorted(values), len(values) // 2
    middle = (ranked[half] + ranked[-1 - half]) / 2  # `statistics` is slow to load
    if not bounds[0] <= abs(middle) <= bounds[1]:
        return False
    return sum(abs(value - middle) <= slack * abs(middle) for value in values) >= SHARE * len(values)


def _grows(levels: list[list[float]]) -> bool:
    """Tell whether layers that all begin on the belt reach further by the same amount each."""
    if len(levels) <= STEPS:
        return False
    steps = [(after[0] - before[0], after[2] - before[2]) for before, after in itertools.pairwise(levels)]
    if any(rise <= 0 for rise, _ in steps):
        return False
    if any(abs(low) > ON_BELT_MM or abs(low - levels[0][1]) > SLACK_MM for _, low, _ in levels):
        return False
    narrow = levels[0][2] - levels[0][1] <= 3 * max(steps[0][1], 0.0)
    return narrow and _even([growth / rise for rise, growth in steps], RATIO, 0.1)
