"""Tool changes: how long a machine takes for one, beside the moves that the file itself holds.

The printer's profile says it (``change_s``), else the times that the slicer counts in its settings
block: unloading the tool in hand, loading the next, changing over.  A setting of 0 is what slicers
print where nobody set one.  Where nobody says, a file that pulls the filament out by its own moves
leaves nothing to wait for; else a length is assumed, with a spread.

Left out: heating (``heat_up``), changes by hand (a pause, ``timeline``), loading before the first layer,
which the start holds.
"""

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Final

from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from gcodetool.gcode.markers import SlicerFacts
    from gcodetool.gcode.values import Numbers
    from gcodetool.motion.timeline import Wait

PULLED_OUT_MM: Final = 30.0  # no retraction of a hose or a hot end; the file unloads by itself

BY_HAND: Final = "the pause beside it is for that"

# Seconds, least and most: rough figures of the trade, measured by nobody here.
ONE_NOZZLE_S: Final = (30.0, 15.0, 90.0)  # one filament out, another in
OTHERWISE_S: Final = (5.0, 0.0, 60.0)  # tools as a rule with a nozzle each; they may share one


@dataclass(frozen=True)
class ToolChange:
    """One tool change.

    Attributes
    ----------
    seconds : how long. [s]
    between_s : least and most, where that is assumed. [s]
    claimed_s : what the slicer's claim counts for it. [s]
    words : the reason, for people.
    """

    seconds: float
    between_s: tuple[float, float] | None
    claimed_s: float
    words: str


def change(
    facts: "SlicerFacts",
    before: int,
    after: int,
    *,
    stated_s: float | None = None,
    pulled_out: bool = False,
    by_hand: bool = False,
) -> ToolChange:
    """Return the change from tool *before* to tool *after*.

    Parameters
    ----------
    stated_s : what the printer's profile says of each change. [s]
    pulled_out : the file has pulled the filament out of the nozzle by its own moves.
    by_hand : a pause just before it is for that, and has its own length.
    """
    # the order of docs/motion.md, tool changes: who stands at the machine, who measured it, who sliced, who guesses
    claimed = counted_s(facts, before, after)
    if by_hand:
        return ToolChange(0.0, None, claimed, BY_HAND)
    if stated_s is not None:
        return ToolChange(stated_s, None, claimed, "from the printer's profile")
    if claimed:
        return ToolChange(claimed, None, claimed, "by the slicer's settings")
    if pulled_out:
        return ToolChange(0.0, None, 0.0, "the file's own moves change the filament")
    if facts.one_nozzle:
        usual, *between = ONE_NOZZLE_S
        words = "one nozzle for all, length assumed"
    else:
        usual, *between = OTHERWISE_S
        words = "length assumed"
    return ToolChange(usual, (between[0], between[1]), 0.0, words)


def counted_s(facts: "SlicerFacts", before: int, after: int) -> float:
    """Return what the slicer's settings count for a change; 0 where they state nothing. [s]."""
    return _of(facts.unload_s, before) + _of(facts.load_s, after) + _of(facts.change_s, after)


def _of(values: "Numbers", tool: int) -> float:
    """Return one tool's setting; where fewer are stated than there are tools, the first is for all."""
    value = (values[tool] if tool < len(values) else values[0]) if values else None
    return value or 0.0


def assumed_range(waits: "Iterable[Wait]") -> tuple[float, float] | None:
    """Return the least and the most that the changes in *waits* take in all; None: none is assumed. [s]."""
    found = [wait for wait in waits if wait.kind == "change"]
    if all(wait.between_s is None for wait in found):
        return None
    pairs = [wait.between_s or (wait.seconds, wait.seconds) for wait in found]
    return sum(low for low, _ in pairs), sum(high for _, high in pairs)


def notes(waits: "Iterable[Wait]") -> "Iterator[str]":
    """Yield the caution about changes whose length is assumed, if there are any."""
    guesses = [wait for wait in waits if wait.kind == "change" and wait.between_s is not None]
    between = assumed_range(guesses)
    if between is not None:
        count = "1 tool change" if len(guesses) == 1 else f"{len(guesses)} tool changes"
        yield (
            f"{count}, {sum(wait.seconds for wait in guesses):.0f} s in all assumed (between {between[0]:.0f}"
            f" and {between[1]:.0f} s): the file does not say how long one takes; the slicer's load and unload"
            " times would settle it, or change_s in the printer's profile"
        )
