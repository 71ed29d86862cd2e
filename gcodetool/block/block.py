"""The purge-and-inspect block: the lines that purge the nozzle, show the strand, ask, and go on.

The state at the anchor, the machine's bounds and the job's own motion become a list of G-code lines,
or a reason why there are none.  The block gives back exactly the state it found, moves along no
axis whose position is unknown, stays inside bed and height, and never goes on by itself where the
strand hangs over the job.  ``docs/the-block.md`` explains each line.

Left out: where the block goes (``gcode.anchor``), and putting it there (``gcode.edits``).
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from gcodetool.block.bed_geometry import Box, Point, box_polygon, free_spot, inside
from gcodetool.block.block_lines import BlockPlan, feed_word, lines_of, number
from gcodetool.block.dialect_commands import DialectCommands, own_pause, shows_prompts
from gcodetool.gcode.anchor import Anchor
from gcodetool.gcode.dialects import Dialect
from gcodetool.gcode.markers import SlicerFacts
from gcodetool.gcode.program import Program
from gcodetool.motion.machine_limits import too_hot
from gcodetool.profiles import Printer

__all__ = ["Block", "BlockMachine", "Purge", "block_for", "feed_word", "machine_of", "number", "purge_block"]

# Where nothing is known of the printer: figures that a small, plain machine can do.
MELT_ZONE_MM3: Final = 60.0
MAX_FLOW_MM3_S: Final = 5.0
PATH_MM: Final = 60.0
HEIGHT_MM: Final = 60.0
DIAMETER_MM: Final = 1.75

PURGE_SHARE: Final = 0.5  # of the largest flow: slow enough to melt through and to see bubbles
PURGE_MAX_MM: Final = 150.0  # of filament at once; more makes a heap higher than the keep-out reckons with
PATH_MAX_MM: Final = 1500.0  # of filament in all: ten times a strand to take off
PRIME_MM: Final = 2.0  # purged again after the wait
PRIME_IN_PLACE_MM: Final = 1.0  # the same where the job starts right there
RETRACT_MM: Final = 1.0
RETRACT_MAX_MM: Final = 8.0
RETRACT_MM_S: Final = 20.0

COLD_C: Final = 170.0  # firmwares refuse to extrude below

LIFT_MM: Final = 10.0
PURGE_Z_MM: Final = 20.0  # the nozzle purges at least so high above the bed
WATCH_Z_MM: Final = PURGE_Z_MM + 2.0  # the keep-out covers every motion of the job below this

Purge = Literal["melt-zone", "path"]


@dataclass(frozen=True)
class BlockMachine:
    """What the block must keep to.  ``None`` or empty: unknown.

    Attributes
    ----------
    bed : corners of the printable area. [mm]
    exclude : corners of what is cut out of it.
    height_mm : highest Z.
    park : a spot that the user keeps free: x, y.
    melt_zone_mm3, path_mm, max_flow_mm3_s, max_temperature_C : the hot end.
    retract_mm, retract_mm_s : how far and how fast this machine retracts.
    retract_max_mm : never further than this.
    """

    bed: Sequence[Point] = ()
    exclude: Sequence[Point] = ()
    height_mm: float | None = None
    park: Point | None = None
    melt_zone_mm3: float | None = None
    path_mm: float | None = None
    max_flow_mm3_s: float | None = None
    max_temperature_C: float | None = None
    retract_mm: float | None = None
    retract_mm_s: float | None = None
    retract_max_mm: float | None = None


@dataclass(frozen=True)
class Block:
    """The block, or why there is none.

    Attributes
    ----------
    lines : G-code without line ends; None where there is no block.
    reason : what the block does and on which assumptions, or why there is none.
    cautions : what the person should know besides.
    purge_mm : filament that goes through, re-priming included. [mm]
    standby_C : nozzle temperature while it asks; None where it stays hot.
    in_place : the head stays where it is in X and Y.
    tool : whose filament it purges.
    """

    lines: tuple[str, ...] | None
    reason: str
    cautions: tuple[str, ...] = ()
    purge_mm: float = 0.0
    standby_C: float | None = None
    in_place: bool = False
    tool: int = 0


def purge_block(
    anchor: Anchor,
    *,
    dialect: Dialect,
    sure: bool,
    diameter_mm: float,
    nozzle_min_C: float | None,
    nozzle_max_C: float | None = None,
    machine: BlockMachine | None = None,
    low_box: Box | None = None,
    material_flow_mm3_s: float | None = None,
    wait_s: float | None = None,
    purge: Purge = "melt-zone",
    pause_code: str | None = None,
    prompts: bool = False,
) -> Block:
    """Return the block for *anchor*.

    Parameters
    ----------
    anchor : place and state.
    dialect, sure : the firmware's; where it is not sure, only commands that mean the same everywhere
        are used.
    diameter_mm : the filament's.
    nozzle_min_C, nozzle_max_C : of the material; None where it is unknown.
    machine : bounds; what is missing takes a small machine's value, and the reason says so.
    low_box : box of all motion of the job from the anchor on that starts or ends below
        ``WATCH_Z_MM``: x0, y0, x1, y1; None: unknown, then nothing moves in X and Y. [mm]
    material_flow_mm3_s : largest flow of the material, where known.
    wait_s : timed wait, for somebody who has said that they stand there; None: wait for the person.
    purge : the volume that melts at once, or everything from the drive gear to the nozzle.
    pause_code : the printer's own pause as the file's settings name it.
    prompts : the firmware passes dialogs on to a print host (:func:`host_prompts`).
    """
    machine = machine or BlockMachine()
    refusal = _refusal(anchor, sure, (nozzle_min_C, nozzle_max_C), machine)
    if refusal:
        return Block(None, refusal)
    commands = DialectCommands(dialect, not sure, own_pause(pause_code), anchor.tool, prompts)
    spot, why_in_place, lift_mm = _where(anchor, machine, low_box)
    cautions = list(anchor.cautions)
    if commands.plain and (spot is None or (wait_s is None and not commands.asks)):
        return Block(None, _not_obeyed(None if spot is not None else why_in_place), tuple(cautions))
    if spot is None and wait_s is not None:
        cautions.append(
            "the strand stays under the nozzle, so the block waits for the person, not for a time"
        )
        wait_s = None
    plan = _plan(
        anchor,
        machine,
        spot,
        why_in_place,
        lift_mm,
        diameter_mm=diameter_mm,
        material_flow_mm3_s=material_flow_mm3_s,
        purge=purge,
        in_heaps=wait_s is None and not commands.plain,
    )
    cautions += [*_unwatched(commands, wait_s), *plan.cautions, *_other_lengths(anchor, diameter_mm)]
    lines, standby_C = lines_of(anchor, plan, commands, wait_s, diameter_mm)
    reason = _what_it_does(plan, commands.waits_by if wait_s is None else f"waits {number(wait_s)} s")
    fed_mm = plan.total_mm + plan.prime_mm
    return Block(lines, reason, tuple(cautions), fed_mm, standby_C, plan.spot is None, anchor.tool)


def _not_obeyed(why_in_place: str | None) -> str:
    """Return why there is no block where no pause is sure to be obeyed; *why_in_place*: no free spot, and why."""
    # the machine must not go on by itself unless the person has said that they stand there
    needs = (
        "the job must not go on by itself; stay there and say --wait seconds=N"
        if why_in_place is None
        else f"without one the purge must go to a free spot, but {why_in_place}"
    )
    return (
        "no block: it is not sure which firmware the file is for, so no pause is sure to be obeyed "
        f"(--printer would settle it), and {needs}"
    )


def _unwatched(commands: DialectCommands, wait_s: float | None) -> Iterator[str]:
    """Yield the caution where the job may go on although nobody has looked."""
    if wait_s is not None:
        yield (
            f"after {number(wait_s)} s the job goes on by itself, whatever the strand looks like: be there, "
            "look, and stop it if the strand is wet"
        )
    elif commands.plain:
        yield f"it {commands.waits_by}: stay there until you have seen that it is obeyed"


def _other_lengths(anchor: Anchor, diameter_mm: float) -> Iterator[str]:
    """Yield the cautions where E words mean other lengths of strand than they say."""
    if anchor.flow != 1.0:
        yield f"the file sets the flow to {number(round(anchor.flow * 100, 3))} %: purge lengths allow for it"
    if anchor.volumetric_mm and anchor.volumetric_mm != diameter_mm:
        yield (
            f"the file assumes {number(anchor.volumetric_mm)} mm filament, the spool's is "
            f"{number(diameter_mm)} mm"
        )


def _what_it_does(plan: BlockPlan, waits: str) -> str:
    """Return in one sentence how much is purged, where, how fast, and how it *waits*."""
    where = "where it stands" if plan.spot is None else f"at X{number(plan.spot[0])} Y{number(plan.spot[1])}"
    heaps = f" in {len(plan.purge_mm)} heaps" if len(plan.purge_mm) > 1 else ""
    reason = (
        f"purges {number(round(plan.total_mm, 1))} mm of filament ({plan.purge_of}){heaps} {where} at "
        f"{number(round(plan.flow_mm3_s, 2))} mm3/s, {waits}"
    )
    if plan.spot is None:
        reason += f"; it moves nothing sideways: {plan.why_in_place}"
    return f"{reason}; assumed: {', '.join(plan.assumed)}" if plan.assumed else reason


# --- may there be one -------------------------------------------------------------------------


def _refusal(
    anchor: Anchor, sure: bool, window_C: tuple[float | None, float | None], machine: BlockMachine
) -> str | None:
    """Return why no block may go in, or None; *window_C*: the material's."""
    nozzle_min_C, nozzle_max_C = window_C
    if anchor.refusal:
        return f"no block: {anchor.refusal}"
    target = anchor.target_C
    if not target:
        return "no block: the nozzle is not heated before the first layer, as far as the file shows"
    if target < COLD_C:
        return f"no block: the nozzle is at {number(target)} C, too cold to extrude"
    if nozzle_min_C is not None and target < nozzle_min_C:
        return (
            f"no block: the nozzle is at {number(target)} C, below the material's {number(nozzle_min_C)} C; "
            "check the material or the slicer's temperature"
        )
    if nozzle_max_C is not None and target > nozzle_max_C:
        return (
            f"no block: the nozzle is at {number(target)} C, above the material's {number(nozzle_max_C)} C; "
            "check the material or the slicer's temperature"
        )
    hot_end_C = machine.max_temperature_C
    if hot_end_C is not None and too_hot(target, hot_end_C):
        return (
            f"no block: the nozzle is at {number(target)} C, above the hot end's limit, {number(hot_end_C)} C"
        )
    if anchor.feed_mm_s is None and not anchor.feed_follows:
        return "no block: the speed in force before the first layer is unknown and could not be restored"
    if anchor.firmware_retracted and not sure:
        return (
            "no block: the firmware holds the filament retracted, and how this dialect undoes that is unsure"
        )
    return None


# --- what to do -------------------------------------------------------------------------------


def _plan(
    anchor: Anchor,
    machine: BlockMachine,
    spot: Point | None,
    why_in_place: str,
    lift_mm: float,
    *,
    diameter_mm: float,
    material_flow_mm3_s: float | None,
    purge: Purge,
    in_heaps: bool,
) -> BlockPlan:
    """Return what to do at *spot* (None: in place) once the head is lifted by *lift_mm*.

    ``in_heaps``: the person is asked between heaps, so more than one may be purged.
    """
    assumed: list[str] = []
    cautions: list[str] = []
    area_mm2 = math.pi / 4 * diameter_mm**2

    def or_assume(value: float | None, default: float, name: str, unit: str) -> float:
        if value is not None:
            return value
        assumed.append(f"{name} {number(default)} {unit}")
        return default

    max_flow = or_assume(machine.max_flow_mm3_s, MAX_FLOW_MM3_S, "largest flow", "mm3/s")
    if material_flow_mm3_s:
        max_flow = min(max_flow, material_flow_mm3_s)
    if purge == "path":
        wanted_mm = or_assume(machine.path_mm, PATH_MM, "gear to nozzle", "mm")
        purge_of = "drive gear to nozzle"
    else:
        wanted_mm = or_assume(machine.melt_zone_mm3, MELT_ZONE_MM3, "melt zone", "mm3") / area_mm2
        purge_of = "the melt zone"
    most_mm = PATH_MAX_MM if in_heaps else PURGE_MAX_MM
    if wanted_mm > most_mm:
        cautions.append(
            f"{purge_of} holds {number(round(wanted_mm))} mm of filament, the block purges "
            f"{number(most_mm)} mm; push the rest through by hand before the print"
        )
        wanted_mm = most_mm
    heaps = max(1, math.ceil(wanted_mm / PURGE_MAX_MM))
    retract = machine.retract_mm if machine.retract_mm is not None else anchor.retract_ahead_mm
    retract = RETRACT_MM if retract is None else retract
    retract = round(min(retract, RETRACT_MAX_MM, machine.retract_max_mm or RETRACT_MAX_MM), 3)

    if anchor.homed and anchor.z is not None and machine.height_mm is None:
        assumed.append(f"height {number(HEIGHT_MM)} mm")
    high = anchor.homed and anchor.z is not None and anchor.z + lift_mm >= PURGE_Z_MM
    if not anchor.homed or anchor.z is None:
        cautions.append("the nozzle's height is unknown: the machine asks before it extrudes anything")
    return BlockPlan(
        purge_mm=(round(wanted_mm / heaps, 3),) * heaps,
        purge_of=purge_of,
        prime_mm=PRIME_MM if spot else PRIME_IN_PLACE_MM,
        flow_mm3_s=max_flow * PURGE_SHARE,
        retract_mm=retract,
        retract_mm_s=machine.retract_mm_s or RETRACT_MM_S,
        lift_mm=lift_mm,
        ask_first=spot is None and not high,
        spot=spot,
        why_in_place=why_in_place,
        assumed=tuple(assumed),
        cautions=tuple(cautions),
    )


def _where(anchor: Anchor, machine: BlockMachine, low_box: Box | None) -> tuple[Point | None, str, float]:
    """Return the free spot or None, the reason why the head must stay, and how far it lifts. [mm]."""
    z = anchor.z if anchor.homed else None
    height = machine.height_mm if machine.height_mm is not None else HEIGHT_MM
    lift = 0.0
    if z is not None and z + LIFT_MM <= height:
        lift = round(max(LIFT_MM, min(PURGE_Z_MM, height) - z), 3)
        if z + lift > height:
            lift = LIFT_MM
    spot, why = _spot(anchor, machine, low_box, lift)
    if spot is None and z is not None and z >= PURGE_Z_MM:
        lift = 0.0  # high enough as it is
    return spot, why, lift


def _spot(
    anchor: Anchor, machine: BlockMachine, low_box: Box | None, lift_mm: float
) -> tuple[Point | None, str]:
    """Return a free spot, or None and the reason why the head must stay where it is."""
    if not anchor.homed or anchor.x is None or anchor.y is None:
        return None, "the head's position is unknown"
    if anchor.z is None:
        return None, "the nozzle's height is unknown"
    if not lift_mm:
        return None, "the head cannot be lifted any further"
    if not machine.bed:
        return None, "the size of the bed is unknown"
    if low_box is None:
        return None, "where the job moves is unknown"
    start = (anchor.x, anchor.y)
    if not inside(machine.bed, start):
        return None, "the head is beside the bed"
    keep_out = [low_box, (*start, *start)]
    found = free_spot(
        machine.bed,
        keep_out=_around(keep_out),
        exclude=box_of(machine.exclude),
        park=machine.park,
        start=start,
    )
    return found, "" if found else "there is no free spot on the bed"


def _around(boxes: Sequence[Box]) -> Box:
    return (
        min(box[0] for box in boxes),
        min(box[1] for box in boxes),
        max(box[2] for box in boxes),
        max(box[3] for box in boxes),
    )


def box_of(corners: Sequence[Point]) -> Box | None:
    """Return the box around *corners*; None where there are none."""
    return _around([(*corner, *corner) for corner in corners]) if corners else None


def machine_of(facts: SlicerFacts, printer: Printer | None, *, tool: int) -> BlockMachine:
    """Return what the printer's profile says, and where it is silent, the slicer's settings.

    Parameters
    ----------
    facts : of the job.
    printer : the profile, if there is one.
    tool : whose retraction and flow count.
    """
    bed = tuple(facts.bed_polygon)
    height, stated = facts.height_mm, facts.of_tool(tool)
    if printer is None:
        return BlockMachine(
            bed=bed,
            exclude=facts.bed_exclude,
            height_mm=height,
            retract_mm=stated.retract_mm,
            retract_mm_s=stated.retract_mm_s,
        )
    hot_end = printer.hot_end
    return BlockMachine(
        bed=box_polygon(printer.bed_mm) if printer.bed_mm is not None else bed,
        exclude=facts.bed_exclude,
        height_mm=printer.height_mm if printer.height_mm is not None else height,
        park=printer.park,
        melt_zone_mm3=hot_end.melt_zone_mm3,
        path_mm=hot_end.path_mm,
        max_flow_mm3_s=hot_end.max_flow_mm3_s,
        max_temperature_C=hot_end.max_temperature_C,
        retract_mm=stated.retract_mm,
        retract_mm_s=stated.retract_mm_s,
        retract_max_mm=printer.retraction.max_length_mm,
    )


def host_prompts(program: Program, printer: Printer | None) -> bool:
    """Tell whether a dialog is sure to reach the print host: the profile says it, else the file shows it."""
    if printer is not None and printer.host_prompts is not None:
        return printer.host_prompts
    return shows_prompts(program.dialect, program.head, program.tail)


def block_for(
    program: Program,
    anchor: Anchor,
    *,
    printer: Printer | None,
    nozzle_min_C: float | None,
    diameter_mm: float | None,
    low_box: Box | None,
    nozzle_max_C: float | None = None,
    wait_s: float | None = None,
    purge: Purge = "melt-zone",
) -> Block:
    """Return the block for *program*: :func:`purge_block` with what profile and file say.

    Parameters
    ----------
    printer : its profile, if known.
    nozzle_min_C, nozzle_max_C : of the spool's material, if known.
    diameter_mm : the spool's; None: what the file says, else 1.75 mm.
    low_box : ``Timeline.low_box`` of ``build_timeline(program, watch=(anchor.offset, WATCH_Z_MM))``.
    wait_s, purge : as in :func:`purge_block`; the pause is the one that the file's settings name.
    """
    facts, tool = program.facts, anchor.tool
    stated = facts.of_tool(tool)
    return purge_block(
        anchor,
        dialect=program.dialect,
        sure=program.dialect_sure and not program.fork,
        diameter_mm=diameter_mm or anchor.volumetric_mm or stated.diameter_mm or DIAMETER_MM,
        nozzle_min_C=nozzle_min_C,
        nozzle_max_C=nozzle_max_C,
        machine=machine_of(facts, printer, tool=tool),
        low_box=low_box,
        material_flow_mm3_s=stated.max_flow_mm3_s,
        wait_s=wait_s,
        purge=purge,
        pause_code=facts.pause_code,
        prompts=host_prompts(program, printer),
    )
