"""How far a job's moves go beyond a printer's bed and height.

A printer's profile becomes the scanner's bounds, what the scanner found beyond them becomes overruns.
Positions are the machine's own (G92 taken out); a coordinate that no absolute word has made known is left
out.  Left out: what is said about it (``advice``), tool offsets, what a firmware clips.
"""

from typing import TYPE_CHECKING, Any, Final, Literal

from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from gcodetool.profiles import Printer

# Slicers' own purge lines lie up to 4 mm in front of a bed, wipers, purge buckets and docks beside it; a
# profile's bed may be what can be printed on or all of the travel.  Choices, stated in docs/files.md.
LAID_SLACK_MM: Final = 5.0  # filament laid so far beyond the bed is no caution
OTHER_SLACK_MM: Final = 20.0  # nor is any other move so far beyond it
TOP_SLACK_MM: Final = 1.0  # nor a hop so far above the height
SIDES: Final = ("X", "Y", "X", "Y", "Z")  # of the scanner's bounds


@dataclass(frozen=True)
class Overrun:
    """Moves beyond one side of the bed, or above the height.

    Attributes
    ----------
    axis : X, Y or Z.
    limit_mm : where the bed, or the height, ends.
    line, value_mm, lays : the first such move: 1-based line, where it goes, whether it lays filament.
    furthest_line, furthest_mm : the one that goes furthest.
    """

    axis: Literal["X", "Y", "Z"]
    limit_mm: float
    line: int
    value_mm: float
    lays: bool
    furthest_line: int
    furthest_mm: float


def _limits(printer: "Printer | None") -> tuple[float | None, ...]:
    """Return x0, y0, x1, y1 and height; None where the profile does not say."""
    if printer is None:
        return (None,) * 5
    return (*(printer.bed_mm or (None,) * 4), printer.height_mm)


def set_bounds(scanner: Any, printer: "Printer | None") -> None:
    """Tell *scanner*, at the start of a program, what *printer* can reach."""
    limits = _limits(printer)
    for kind, slack in enumerate((LAID_SLACK_MM, OTHER_SLACK_MM)):
        for side, limit in enumerate(limits):
            if limit is not None:
                more = TOP_SLACK_MM if side == 4 else -slack if side < 2 else slack
                scanner.bounds[5 * kind + side] = limit + more


def overruns(scanner: Any, printer: "Printer | None") -> tuple[Overrun, ...]:
    """Return what *scanner*, at the end of a program, found beyond the bounds; one for each side."""
    found = []
    for side, limit in enumerate(_limits(printer)):
        seen = [(scanner.beyond[at], at == side) for at in (side, side + 5) if at in scanner.beyond]
        if limit is None or not seen:
            continue
        (line, value, *_), lays = min(seen, key=lambda each: each[0][0])
        sign = -1.0 if side < 2 else 1.0
        *_, furthest_line, furthest = max((each for each, _ in seen), key=lambda each: sign * each[3])
        found.append(Overrun(SIDES[side], limit, line, value, lays, furthest_line, furthest))
    return tuple(found)
