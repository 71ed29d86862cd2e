"""A band of water contents against limits, in text: rows of content, columns along a job or into a reel.

Every sign stands for itself, so that it reads without colour; on terminals that have them, block
signs replace letters.  Left out: which values are shown.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

Triple = tuple[float | None, float, float | None]  # p10, p50, p90

COLUMNS: Final = 60
FEWEST: Final = 12  # columns that are worth a plot
ROWS: Final = 10
LABEL: Final = 8  # columns left of the axis
HEADROOM: Final = 1.05


@dataclass(frozen=True)
class Limit:
    """A line across a plot and its name."""

    at: float
    name: str


@dataclass(frozen=True)
class Signs:
    """What a plot is drawn with: band, middle, limit, axis and its corner."""

    band: str = ":"
    middle: str = "#"
    limit: str = "-"
    axis: str = "|"
    corner: str = "+"
    floor: str = "-"


ASCII: Final = Signs()
BLOCKS: Final = Signs("▒", "█", "─", "│", "└", "─")


def thinned(values: Sequence[Triple], columns: int) -> list[Triple]:
    """Return at most so many values, each the wettest of its neighbours: a peak is never left out.

    >>> thinned([(None, 1.0, None), (None, 3.0, None), (None, 2.0, None)], 2)
    [(None, 1.0, None), (None, 3.0, None)]
    """
    if len(values) <= columns:
        return list(values)
    bounds = [len(values) * i // columns for i in range(columns + 1)]
    return [max(values[low:high], key=lambda one: one[1]) for low, high in itertools.pairwise(bounds)]


def stretched(values: Sequence[Triple], columns: int) -> list[Triple]:
    """Return so many columns; each value as wide as it comes out."""
    return [values[len(values) * i // columns] for i in range(columns)]


def plot(
    values: Sequence[Triple], limits: Sequence[Limit], *, ends: tuple[str, str], width: int, signs: Signs
) -> list[str]:
    """Return the lines of a plot, none where there is nothing to see or no room.

    Parameters
    ----------
    values : quantiles along the way; where p10 and p90 are None, the middle alone is drawn.
    limits : lines across, in any order; their names stand at the right.
    ends : what the first and the last column are.
    width : columns of the page.
    """
    known = [one for one in values if math.isfinite(one[1])]
    top = HEADROOM * max(
        [one[1] if one[2] is None else one[2] for one in known] + [limit.at for limit in limits], default=0.0
    )
    if not known or top <= 0.0:
        return []
    edges = [top * row / ROWS for row in range(ROWS + 1)]
    across = [
        [limit for limit in limits if low <= limit.at < high] for low, high in itertools.pairwise(edges)
    ]
    names = [", ".join(limit.name for limit in here) for here in across]
    columns = min(COLUMNS, width - LABEL - 2 - 1 - max(map(len, names)))
    if columns < FEWEST:
        return []
    shown = stretched(thinned(known, columns), columns)
    lines = []
    for row in reversed(range(ROWS)):
        low, high = edges[row], edges[row + 1]
        cells = "".join(_cell(one, low, high, signs) for one in shown)
        if across[row]:  # shows through what lies on it
            cells = "".join(
                signs.limit if sign == " " or i % 3 == 2 else sign for i, sign in enumerate(cells)
            )
        at = across[row][0].at if len(across[row]) == 1 else 0.5 * (low + high)
        lines.append(f"{_number(at, top):>{LABEL}} {signs.axis}{cells} {names[row]}".rstrip())
    lines.append(" " * (LABEL + 1) + signs.corner + signs.floor * columns)
    first, last = ends
    gap = columns - len(first) - len(last)
    lines.append(" " * (LABEL + 2) + (f"{first}{' ' * gap}{last}" if gap > 0 else first))
    return lines


def legend(values: Sequence[Triple], signs: Signs) -> str:
    """Return what the signs mean."""
    if all(one[0] is None for one in values):
        return f"{signs.middle} the forecast"
    return f"{signs.middle} middle, {signs.band} holds 8 in 10"


def _cell(one: Triple, low: float, high: float, signs: Signs) -> str:
    """Return the sign of one column in one row."""
    bottom, middle, top = one
    if low <= middle < high:
        return signs.middle
    if bottom is not None and top is not None and bottom < high and top >= low:
        return signs.band
    return " "


def _number(value: float, top: float) -> str:
    """Return a value of an axis with as many digits as its top has room for.

    >>> _number(0.1234, 0.6), _number(12.34, 20.0), _number(0.00123, 0.004)
    ('0.123', '12.3', '0.0012')
    """
    digits = max(0, 2 - math.floor(math.log10(top)))
    return f"{value:.{min(digits, 4)}f}"
