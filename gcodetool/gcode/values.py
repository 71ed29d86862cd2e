"""Values as slicers write them: numbers and strings of several tools, corners of a bed, times.

Text becomes Python's values; what is anything else becomes ``None`` or nothing.  Left out: which key
holds what (``markers``), and the spellings of plain comments (``remarks``).
"""

import math
import re

Numbers = tuple[float | None, ...]


def numbers(value: str | None) -> Numbers:
    """Return the comma-separated numbers of a setting; what is not a number (``nil``, ``%``) is None.

    >>> numbers("nil,1.1")
    (None, 1.1)
    """
    if value is None or not value.strip():
        return ()
    return tuple(number(part) for part in value.split(","))


def number(text: str) -> float | None:
    """Return the number that *text* is; None for any other text, and beyond what a double holds."""
    if not re.fullmatch(r"\s*[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?\s*", text):
        return None
    value = float(text.strip())
    return value if math.isfinite(value) else None


def strings(value: str | None) -> tuple[str, ...]:
    r"""Return the strings of a setting: joined by ``;``, quoted and escaped where needed.

    >>> strings(';"second spool; opened 60 days"')
    ('', 'second spool; opened 60 days')
    """
    if value is None or value == "":
        return ()
    out, here, at = [], [], 0
    while at < len(value):
        if value[at] == '"':
            at += 1
            while at < len(value) and value[at] != '"':
                if value[at] == "\\" and at + 1 < len(value):
                    at += 1
                    here.append({"n": "\n", "r": "\r", "t": "\t"}.get(value[at], value[at]))
                else:
                    here.append(value[at])
                at += 1
        elif value[at] == ";":
            out.append("".join(here))
            here = []
        else:
            here.append(value[at])
        at += 1
    out.append("".join(here))
    return tuple(out)


def points(value: str | None) -> tuple[tuple[float, float], ...]:
    """Return the corners in ``0x0,220x0,220x220``; empty where it is anything else.

    >>> points("0x0,220x0,220x220,0x220")[2]
    (220.0, 220.0)
    """
    corners = []
    for part in (value or "").split(","):
        found = re.fullmatch(r"\s*(-?[\d.]+)x(-?[\d.]+)\s*", part)
        x, y = (number(found[1]), number(found[2])) if found else (None, None)
        if x is None or y is None:
            return ()
        corners.append((x, y))
    return tuple(corners) if len(corners) >= 3 else ()


def spool_id(note: str) -> str | None:
    """Return ID of ``spool: ID`` in a filament's note."""
    found = re.search(r"\bspool:[ \t]*([a-z0-9][a-z0-9-]*)(?![\w-])", note, re.IGNORECASE)
    return found[1].lower() if found else None


def seconds(text: str) -> float | None:
    """Return the seconds in ``1d 2h 3m 4s``.

    >>> seconds("1h 8m 19s")
    4099.0
    """
    found = re.fullmatch(r"\s*(?:(\d+)d)?\s*(?:(\d+)h)?\s*(?:(\d+)m)?\s*(?:([\d.]+)s)?\s*", text)
    if not found or not any(found.groups()):
        return None
    parts = [number(part or "0") for part in found.groups()]
    days, hours, minutes, rest = (math.nan if part is None else part for part in parts)
    total = ((days * 24 + hours) * 60 + minutes) * 60 + rest
    return total if math.isfinite(total) else None
