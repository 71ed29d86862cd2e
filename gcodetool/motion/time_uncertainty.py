"""How far the time of motion may be off where limits are guessed, and where the slicer's claim differs.

Both plan the file again, under other limits, and so are for files that take no time worth naming.

- :func:`moving_range`: once as an older machine with a moving bed, once as a tuned one; only what nobody
  stated changes, and never past what was guessed the other way.
- :func:`claim_difference`: our open-air time minus the slicer's claim, by kind; with a printer's profile
  and a settings block, once more with the settings block's limits.

The two sets are those of docs/motion.md, section D.
"""

import functools
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

from gcodetool.gcode.batches import Batch
from gcodetool.gcode.dialects import Dialect
from gcodetool.motion.limits import SETTINGS_BLOCK, STATED_DEFAULT, Limits, each_letter
from gcodetool.motion.planner import COMPILED
from gcodetool.motion.timeline import Timeline
from gcodetool.motion.timing import FELT, moving_times

if TYPE_CHECKING:
    from gcodetool.gcode.program import Program
    from gcodetool.profiles import Printer

MOST_MOVES: Final = 700_000 if COMPILED else 14_000  # about 20 MB of text; longer jobs are planned once
GUESSES: Final = (SETTINGS_BLOCK, STATED_DEFAULT)
KINDS: Final = ("start", "heat", "dwell", "pause", "change", "limits", "motion")

# An older bed-slinger as it ships, and a tuned machine of the kind that keeps its corners sharp.
SLOW: Final[Mapping[Dialect, Mapping[str, float]]] = {
    Dialect.MARLIN: each_letter("M201 XY 500, M203 Z 5, M204 P 500, M204 R 1000, M204 T 500, M205 XY 8"),
    Dialect.KLIPPER: {"max_accel": 500.0, "max_velocity": 150.0, "max_z_velocity": 5.0, "max_z_accel": 100.0},
    Dialect.REPRAPFIRMWARE: each_letter("M201 XY 500, M203 Z 5, M204 PT 500, M566 XY 8"),
}
FAST: Final[Mapping[Dialect, Mapping[str, float]]] = {
    Dialect.MARLIN: each_letter(
        "M201 XY 7000, M203 XY 500, M203 Z 20, M203 E 100, M204 PRT 7000, M205 XY 10"
    ),
    Dialect.KLIPPER: {"max_accel": 7000.0, "max_velocity": 500.0, "max_z_velocity": 20.0},
    Dialect.REPRAPFIRMWARE: each_letter("M201 XY 7000, M203 XY 500, M204 PT 7000, M566 XY 15, M566 P 1"),
}


def assume(limits: Limits, values: Mapping[str, float], *, slower: bool) -> None:
    """Put *values* in place of guesses, each only where it is slower, or faster, than the guess."""
    guessed = set(limits.guessed)
    for name, value in values.items():
        if name not in guessed or (value < limits[name]) is not slower:
            continue
        if name in ("max_accel", "max_velocity"):
            # Klipper works these out from the two, docs/motion.md A7
            follower = "max_extrude_only_accel" if name == "max_accel" else "max_extrude_only_velocity"
            if limits.source(follower) == STATED_DEFAULT:
                limits.set(follower, limits[follower] * value / limits[name], STATED_DEFAULT)
        limits.set(name, value, limits.source(name))


def as_guessed(_: Limits) -> None:
    """Leave all limits as they are guessed without a printer's profile."""


def choose_corners(limits: Limits, stated_accel: float | None, *, slower: bool) -> None:
    """Take Marlin's slower, or faster, corner build, by the speed at which each takes a right angle."""
    accel = limits["M204 P"] if stated_accel is None else stated_accel
    deviation = math.sqrt(accel * limits["M205 J"] * (1 + math.sqrt(2)))  # docs/motion.md B3
    if (limits["M205 X"] < deviation) is slower:
        limits.set_raw("M205 J", 0.0)


def moving_range(
    program: "Program",
    found: Timeline,
    *,
    printer: "Printer | None" = None,
    filament_diameter_mm: float | Mapping[int, float] | None = None,
    kept: Sequence[Batch] = (),
) -> tuple[float, float] | None:
    """Return the least and the most that *found*'s ``total_moving_s`` may be. [s].

    Parameters
    ----------
    program, printer, filament_diameter_mm : those that *found* was made of.
    kept : what was kept of the file then; empty: it is read again.

    Returns
    -------
    None where no limit that most jobs feel is guessed, or the job has more than ``MOST_MOVES``.
    """
    rules = program.dialect
    sources = {use.name: use.source for use in found.limits}
    if found.moves > MOST_MOVES or not any(sources.get(name) in GUESSES for name in FELT[rules]):
        return None
    stated_accel = None
    if sources.get("M204 P") not in GUESSES:
        stated_accel = next((use.value for use in found.limits if use.name == "M204 P"), None)

    def other(limits: Limits, values: Mapping[str, float], *, slower: bool) -> None:
        assume(limits, values, slower=slower)
        if rules == Dialect.MARLIN and sources.get("M205 J") in GUESSES:
            choose_corners(limits, stated_accel, slower=slower)

    slow, fast = moving_times(
        program,
        (
            functools.partial(other, values=SLOW[rules], slower=True),
            functools.partial(other, values=FAST[rules], slower=False),
        ),
        printer=printer,
        filament_diameter_mm=filament_diameter_mm,
        kept=kept,
    )
    # a plan is a sum of roundings and cruise rules: a lower limit may save a second somewhere
    return min(fast, found.total_moving_s), max(slow, found.total_moving_s)


def claim_difference(
    program: "Program",
    found: Timeline,
    *,
    printer: "Printer | None" = None,
    filament_diameter_mm: float | Mapping[int, float] | None = None,
    kept: Sequence[Batch] = (),
) -> tuple[tuple[str, float], ...] | None:
    """Return what *found*'s open-air time has more than the slicer's claim, by kind; None: no claim. [s].

    ``start``, ``heat``, ``dwell``, ``pause``: waits in the file and before it, which claims leave out as
    a rule.  ``change``: tool changes, less what the claim counts for them by the slicer's settings.
    ``limits``: motion under the printer's profile minus motion under the settings block's limits.
    ``motion``: the rest, how a slicer reckons motion, and any dwell that it does count.  The sum is the
    whole difference; parts of 0 are left out.
    """
    claim = program.facts.claimed_s
    if claim is None:
        return None
    parts = dict.fromkeys(KINDS, 0.0)
    for wait in found.waits:
        parts[wait.kind] += wait.seconds - wait.claimed_s
    claim -= sum(wait.claimed_s for wait in found.waits)
    facts = program.facts
    if (
        printer is not None
        and facts.machine_limits
        and facts.machine_limits_usage != "ignore"
        and found.moves <= MOST_MOVES
        and printer.dialect == program.dialect.label
    ):
        diameters = filament_diameter_mm
        (by_block,) = moving_times(program, (as_guessed,), filament_diameter_mm=diameters, kept=kept)
        parts["limits"] = found.total_moving_s - by_block
    parts["motion"] = found.total_moving_s - parts["limits"] - claim
    return tuple((kind, seconds) for kind, seconds in parts.items() if seconds)
