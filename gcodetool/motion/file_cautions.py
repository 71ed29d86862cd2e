"""What is odd about a job's file itself: a belt machine's, cut off, a dialect that is not sure, unknown commands.

Left out: what it asks of the machine (``machine_limits``), and its times (``Timeline.notes``).
"""

from typing import TYPE_CHECKING, Final

from gcodetool.gcode.belt import BELT, belt_sign
from gcodetool.gcode.markers import Family
from gcodetool.motion.stops import HEAT

if TYPE_CHECKING:
    from gcodetool.gcode.program import Program
    from gcodetool.motion.timeline import Timeline

MOST_ODD: Final = 3  # of the kinds of odd lines, in one message
CUT_OFF: Final = 0.95  # less filament than this share of the slicer's claim: the file ends early
MOST_NAMED: Final = 5  # commands, in one message
AT_CHANGES_MM: Final = 50.0  # slicers count what a tool draws back and pushes at its changes in various ways


def nothing_fed(program: "Program", timeline: "Timeline") -> str:
    """Return why nothing comes of a file: its lines that this firmware does not understand, where there are such."""
    if not timeline.odd:
        return "no filament is extruded; export the sliced job, not a macro or a probe run"
    lines = "; ".join(note.words for note in timeline.odd[:MOST_ODD])
    return (
        f"no filament is extruded, as {program.dialect.label} reads it: {lines}; export it for this firmware, or name "
        "the printer that it is for with --printer"
    )


def file_cautions(program: "Program", timeline: "Timeline") -> list[str]:
    """Return what is odd about the file itself."""
    said = []
    sign = belt_sign(program)
    if sign is not None:
        said.append(
            f"{BELT} ({sign}): prepare leaves it untouched; purge by hand and look at the strand before the start"
        )
    if not program.dialect_sure:
        said.append(f"the dialect is not sure ({program.dialect_reason}); name the printer with --printer")
    claims = [
        (f"T{tool}", timeline.filament_mm(tool), claim)
        for tool, claim in enumerate(program.facts.filament_mm)
        if tool in timeline.tools
    ]
    claims.append(
        (
            "the job",
            sum(timeline.filament_mm(tool) for tool in timeline.tools),
            program.facts.filament_total_mm,
        )
    )
    for what, fed, claim in claims:
        at_changes_mm = 0.0 if what == "the job" or len(claims) == 2 else AT_CHANGES_MM
        if claim and fed < min(CUT_OFF * claim, claim - at_changes_mm):
            said.append(
                f"{what} feeds {fed / 1000:.2f} m, the slicer claims {claim / 1000:.2f} m: "
                "the file may be cut off; export it again"
            )
    said += program.facts.doubts
    if program.family in (Family.A, Family.C_END) and not program.facts.config:
        said.append(
            "the settings that this family prints at the end are missing: the file may be cut off; export it again"
        )
    said += [note.words for note in timeline.odd]
    unknown = sorted(timeline.unknown.items(), key=lambda item: (-item[1], item[0]))
    for waits in (False, True):
        most = [f"{name} ({count})" for name, count in unknown if (name in HEAT) == waits]
        if most:
            listed = f"{', '.join(most[:MOST_NAMED])}{_more(len(most))}"
            means = "taken for macros that wait for that heat" if waits else "kept and not timed"
            said.append(f"{program.dialect.label} does not know these by itself (macros?), {means}: {listed}")
    return said


def _more(count: int) -> str:
    """Return how many are not named."""
    return f" and {count - MOST_NAMED} more" if count > MOST_NAMED else ""
