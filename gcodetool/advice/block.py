"""The purge-and-inspect block: the lines that purge the nozzle, show the strand, ask, and go on.

The state at the anchor, the machine's bounds and the job's own motion become a list of G-code lines,
or a reason why there are none.  The block gives back exactly the state it found, moves along no
axis whose position is unknown, stays inside bed and height, and never goes on by itself where the
strand hangs over the job.  ``docs/the-block.md`` explains each line.

Left out: where the block goes (``gcode.anchor``), and putting it there (``gcode.edits``).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final, Literal

from gcodetool.advice.spot import Box, Point, box_polygon, free_spot, inside
from gcodetool.gcode.anchor import Anchor
from gcodetool.gcode.dialects import Dialect
from gcodetool.gcode.markers import SlicerFacts, of_tool
from gcodetool.gcode.program import Program
from gcodetool.profiles import Printer

# Where nothing is known of the printer: figures that a small, plain machine can do.
MELT_ZONE_MM3: Final = 60.0
MAX_FLOW_MM3_S: Final = 5.0
PATH_MM: Final = 60.0
HEIGHT_MM: Final = 60.0
DIAMETER_MM: Final = 1.75

PURGE_SHARE: Final = 0.5  # of the largest flow: slow enough to melt through and to see bubbles
PURGE_MAX_MM: Final = 150.0  # of filament; more makes a heap higher than the keep-out reckons with
STEP_MM: Final = 20.0  # longest E move: far below any firmware's limit on one move
PRIME_MM: Final = 2.0  # purged again after the wait
PRIME_IN_PLACE_MM: Final = 1.0  # the same where the job starts right there
RETRACT_MM: Final = 1.0
RETRACT_MAX_MM: Final = 8.0
RETRACT_MM_S: Final = 20.0

COLD_C: Final = 170.0  # firmwares refuse to extrude below
STANDBY_LESS_K: Final = 40.0
STANDBY_MIN_C: Final = 140.0
STANDBY_FROM_S: Final = 60.0  # a shorter timed wait is over before a nozzle has cooled and heated again

LIFT_MM: Final = 10.0
PURGE_Z_MM: Final = 20.0  # the nozzle purges at least so high above the bed
WATCH_Z_MM: Final = PURGE_Z_MM + 2.0  # the keep-out covers every motion of the job below this
TRAVEL_F: Final = 6000  # mm/min
LIFT_F: Final = 600  # mm/min

LOOK_S: Final = 15.0  # nothing may ooze meanwhile; also the pause where a build ignores the real one
PLAIN_LOOK_S: Final = 60.0  # where no pause is sure to be obeyed
WARN_S: Final = 5.0
WAIT_MAX_S: Final = 600.0

Purge = Literal["melt-zone", "path"]


@dataclass(frozen=True)
class Machine:
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
    """

    lines: tuple[str, ...] | None
    reason: str
    cautions: tuple[str, ...] = ()
    purge_mm: float = 0.0
    standby_C: float | None = None
    in_place: bool = False


def number(value: float) -> str:
    """Return *value* as a plain decimal that reads back to the same double.

    >>> number(62.5), number(1e-07), number(3.0), number(-0.0)
    ('62.5', '0.0000001', '3', '0')
    """
    text = format(Decimal(repr(value)), "f")
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def feed_word(feed_mm_s: float) -> str:
    """Return the shortest F [mm/min] that a reader turns back into exactly *feed_mm_s*.

    >>> feed_word(1000 / 60)
    '1000'
    """
    for digits in range(18):
        text = number(round(feed_mm_s * 60, digits))
        if float(text) / 60 == feed_mm_s:
            return text
    return number(feed_mm_s * 60)


def purge_block(
    anchor: Anchor,
    *,
    dialect: Dialect,
    sure: bool,
    diameter_mm: float,
    nozzle_min_C: float | None,
    machine: Machine | None = None,
    low_box: Box | None = None,
    material_flow_mm3_s: float | None = None,
    wait_s: float | None = None,
    purge: Purge = "melt-zone",
) -> Block:
    """Return the block for *anchor*.

    Parameters
    ----------
    anchor : place and state.
    dialect, sure : the firmware's; where it is not sure, or RepRapFirmware, only commands that mean
        the same everywhere are used.
    diameter_mm : the filament's.
    nozzle_min_C : lowest nozzle temperature of the material; None where the material is unknown.
    machine : bounds; what is missing takes a small machine's value, and the reason says so.
    low_box : box of all motion of the job from the anchor on that starts or ends below
        ``WATCH_Z_MM``: x0, y0, x1, y1; None: unknown, then nothing moves in X and Y. [mm]
    material_flow_mm3_s : largest flow of the material, where known.
    wait_s : timed wait; None: wait for the person.
    purge : the volume that melts at once, or everything from the drive gear to the nozzle.
    """
    machine = machine or Machine()
    refusal = _refusal(anchor, dialect, sure, nozzle_min_C, machine)
    if refusal:
        return Block(None, refusal)
    plain = not sure or dialect is Dialect.REPRAPFIRMWARE
    plan = _plan(
        anchor,
        machine,
        low_box,
        diameter_mm=diameter_mm,
        material_flow_mm3_s=material_flow_mm3_s,
        purge=purge,
    )
    cautions = list(anchor.cautions) + list(plan.cautions)
    in_place = plan.spot is None
    if plain and in_place:
        return Block(
            None,
            "no block: this dialect has no pause that is sure to be obeyed, and without one the purge "
            f"must go to a free spot, but {plan.why_in_place}",
            tuple(cautions),
        )
    if in_place and wait_s is not None:
        cautions.append(
            "the strand stays under the nozzle, so the block waits for the button, not for a time"
        )
        wait_s = None
    if plain and wait_s is None:
        cautions.append(
            f"this dialect has no pause that is sure to be obeyed: the machine goes on by itself after "
            f"{number(PLAIN_LOOK_S)} s; stay there"
        )
        wait_s = PLAIN_LOOK_S
    if anchor.flow != 1.0:
        cautions.append(
            f"the file sets the flow to {number(round(anchor.flow * 100, 3))} %: purge lengths allow for it"
        )
    if anchor.volumetric_mm and anchor.volumetric_mm != diameter_mm:
        cautions.append(
            f"the file reckons with {number(anchor.volumetric_mm)} mm filament, the spool's is "
            f"{number(diameter_mm)} mm"
        )
    lines, standby_C = _lines(anchor, plan, _tongue(dialect, plain), wait_s, diameter_mm)
    where = "where it stands" if plan.spot is None else f"at X{number(plan.spot[0])} Y{number(plan.spot[1])}"
    waits = "waits for the person" if wait_s is None else f"waits {number(wait_s)} s"
    reason = (
        f"purges {number(round(plan.purge_mm, 1))} mm of filament ({plan.purge_of}) {where} at "
        f"{number(round(plan.flow_mm3_s, 2))} mm3/s, {waits}"
    )
    if in_place:
        reason += f"; it moves nothing sideways: {plan.why_in_place}"
    if plan.assumed:
        reason += f"; assumed: {', '.join(plan.assumed)}"
    return Block(lines, reason, tuple(cautions), plan.purge_mm + plan.prime_mm, standby_C, in_place)


# --- may there be one -------------------------------------------------------------------------


def _refusal(
    anchor: Anchor, dialect: Dialect, sure: bool, nozzle_min_C: float | None, machine: Machine
) -> str | None:
    """Return why no block may go in, or None."""
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
    if machine.max_temperature_C is not None and target > machine.max_temperature_C:
        return (
            f"no block: the nozzle is at {number(target)} C, above what the hot end stands, "
            f"{number(machine.max_temperature_C)} C"
        )
    if anchor.feed_mm_s is None and not anchor.feed_follows:
        return "no block: the speed in force before the first layer is unknown and could not be given back"
    if anchor.firmware_retracted and (not sure or dialect is Dialect.REPRAPFIRMWARE):
        return (
            "no block: the firmware holds the filament retracted, and how this dialect undoes that is unsure"
        )
    return None


# --- what to do -------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Plan:
    purge_mm: float
    purge_of: str
    prime_mm: float
    flow_mm3_s: float
    retract_mm: float
    retract_mm_s: float
    lift_mm: float  # 0: Z stays
    ask_first: bool  # height unknown or low: the person looks before anything is extruded
    spot: Point | None
    why_in_place: str
    assumed: tuple[str, ...] = field(default=())
    cautions: tuple[str, ...] = field(default=())


def _plan(
    anchor: Anchor,
    machine: Machine,
    low_box: Box | None,
    *,
    diameter_mm: float,
    material_flow_mm3_s: float | None,
    purge: Purge,
) -> _Plan:
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
    if wanted_mm > PURGE_MAX_MM:
        cautions.append(
            f"{purge_of} holds {number(round(wanted_mm))} mm of filament, the block purges "
            f"{number(PURGE_MAX_MM)} mm; push the rest through by hand before the print"
        )
        wanted_mm = PURGE_MAX_MM
    retract = machine.retract_mm if machine.retract_mm is not None else anchor.retract_ahead_mm
    retract = RETRACT_MM if retract is None else retract
    retract = round(min(retract, RETRACT_MAX_MM, machine.retract_max_mm or RETRACT_MAX_MM), 3)

    z = anchor.z if anchor.homed else None
    height = or_assume(machine.height_mm, HEIGHT_MM, "height", "mm") if z is not None else 0.0
    lift = 0.0
    if z is not None and z + LIFT_MM <= height:
        lift = round(max(LIFT_MM, min(PURGE_Z_MM, height) - z), 3)
        if z + lift > height:
            lift = LIFT_MM
    spot, why = _spot(anchor, machine, low_box, lift)
    if spot is None and z is not None and z >= PURGE_Z_MM:
        lift = 0.0  # high enough as it is
    high = z is not None and z + lift >= PURGE_Z_MM
    if z is None:
        cautions.append("the nozzle's height is unknown: the machine asks before it extrudes anything")
    return _Plan(
        purge_mm=round(wanted_mm, 3),
        purge_of=purge_of,
        prime_mm=PRIME_MM if spot else PRIME_IN_PLACE_MM,
        flow_mm3_s=max_flow * PURGE_SHARE,
        retract_mm=retract,
        retract_mm_s=machine.retract_mm_s or RETRACT_MM_S,
        lift_mm=lift,
        ask_first=spot is None and not high,
        spot=spot,
        why_in_place=why,
        assumed=tuple(assumed),
        cautions=tuple(cautions),
    )


def _spot(anchor: Anchor, machine: Machine, low_box: Box | None, lift_mm: float) -> tuple[Point | None, str]:
    """Return a free spot, or None and the reason why the head must stay where it is."""
    if not anchor.homed or anchor.x is None or anchor.y is None:
        return None, "where the head stands is unknown"
    if anchor.z is None:
        return None, "how high the nozzle stands is unknown"
    if not lift_mm:
        return None, "there is no room to lift the head"
    if not machine.bed:
        return None, "the size of the bed is unknown"
    if low_box is None:
        return None, "where the job moves is unknown"
    start = (anchor.x, anchor.y)
    if not inside(machine.bed, start):
        return None, "the head stands beside the bed"
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


# --- how each dialect says it -----------------------------------------------------------------


@dataclass(frozen=True)
class _Tongue:
    """A dialect's words.  A plain one says only what means the same everywhere."""

    dialect: Dialect
    plain: bool

    def say(self, text: str) -> list[str]:
        if self.plain:
            return []
        if self.dialect is Dialect.KLIPPER:
            return [f"M117 {text}", f'RESPOND TYPE=echo MSG="{text}"']
        return [f"M117 {text}", f"M118 {text}"]

    def beep(self) -> list[str]:
        return ["M300 S880 P400"] if not self.plain and self.dialect is Dialect.MARLIN else []

    def finish_moves(self) -> list[str]:
        return [] if self.plain else ["M400"]  # plain: the dwell that follows waits for them

    def pause(self, text: str) -> list[str]:
        if self.dialect is Dialect.KLIPPER:
            return [f"M117 {text}", f'RESPOND TYPE=echo MSG="{text}"', "PAUSE"]
        return [f"M0 {text}"]


def _tongue(dialect: Dialect, plain: bool) -> _Tongue:
    return _Tongue(dialect, plain)


# What the person reads: ASCII, at most 80 characters, no ";" and nothing that reads as a word with
# a number after M0 or M118.
SAY_PURGE: Final = "Purging to look at the filament, keep hands away"
SAY_LOOK: Final = "Look at the strand: bubbles, popping, steam, rough or matt?"
SAY_OOZE: Final = "Feeding has stopped: nothing should ooze out now"
SAY_ASK: Final = "Looks good? Take the strand off, continue. Wet? Stop the job"
SAY_HEIGHT: Final = "Is the nozzle well above the bed? Then continue. If not, stop the job"
SAY_HEAT: Final = "Heating up again"
SAY_AWAY: Final = "Hands away, the head moves in 5 seconds"


def _lines(
    anchor: Anchor, plan: _Plan, tongue: _Tongue, wait_s: float | None, diameter_mm: float
) -> tuple[tuple[str, ...], float | None]:
    """Return the block's lines and the stand-by temperature (None: none)."""
    area_mm2 = math.pi / 4 * diameter_mm**2
    # words per mm of filament that goes through: mm3 words, then the flow factor that scales them
    scaled = tongue.dialect is not Dialect.REPRAPFIRMWARE  # there M220 and M221 leave E-only moves alone
    flow = anchor.flow if scaled else 1.0
    word_per_mm = (math.pi / 4 * anchor.volumetric_mm**2 if anchor.volumetric_mm else 1.0) / flow
    slow = max(1.0, anchor.speed_factor) if scaled else 1.0
    purge_f = _down(plan.flow_mm3_s / area_mm2 * 60 / slow)
    back_f = _down(plan.retract_mm_s * 60 / slow)
    held = number(round(anchor.retracted_mm * word_per_mm, 5)) if anchor.retracted_mm > 0 else ""
    back = number(round(plan.retract_mm * word_per_mm, 5))

    def feed(length_mm: float) -> list[str]:
        longest = STEP_MM * min(1.0, flow)  # neither what is said nor what is fed gets longer
        out = []
        while length_mm > 1e-6:
            out.append(f"G1 E{number(round(min(longest, length_mm) * word_per_mm, 5))} F{purge_f}")
            length_mm -= longest
        return out

    target = anchor.target_C or 0.0
    standby = max(target - STANDBY_LESS_K, STANDBY_MIN_C)
    cools = wait_s is None or wait_s > STANDBY_FROM_S

    def wait(text: str) -> list[str]:
        """Retract, cool and ask (or dwell), then heat up and undo the retraction."""
        out = [f"G1 E-{back} F{back_f}"] if plan.retract_mm else []
        if cools:
            out.append(f"M104 S{number(standby)}")
        if wait_s is None:
            out += [*tongue.beep(), *tongue.pause(text)]
        else:
            out += [*tongue.say(text), f"G4 P{number(round(max(0.0, wait_s - LOOK_S) * 1000))}"]
        if cools:
            out += [*tongue.say(SAY_HEAT), f"M109 S{number(target)}"]
        if plan.retract_mm:
            out.append(f"G1 E{back} F{back_f}")
        return out

    out = tongue.finish_moves()
    out += tongue.say(SAY_PURGE)
    # relative moves only before the person is asked, absolute ones only after
    out += ["G91", "M83"]
    if anchor.firmware_retracted:
        out.append("G11")
    if held:
        out.append(f"G1 E{held} F{back_f}")
    if plan.lift_mm:
        out.append(f"G1 Z{number(plan.lift_mm)} F{LIFT_F}")
    if plan.spot is not None and anchor.x is not None and anchor.y is not None:
        across, along = round(plan.spot[0] - anchor.x, 3), round(plan.spot[1] - anchor.y, 3)
        out.append(f"G1 X{number(across)} Y{number(along)} F{TRAVEL_F}")
    if plan.ask_first:
        out += wait(SAY_HEIGHT)
    out += tongue.say(SAY_LOOK)
    out += feed(plan.purge_mm)
    out += [*tongue.finish_moves(), *tongue.say(SAY_OOZE)]
    out.append(f"G4 P{number(round(LOOK_S * 1000))}")
    out += wait(SAY_ASK)
    out += feed(plan.prime_mm)
    out += [
        *tongue.finish_moves(),
        *tongue.say(SAY_AWAY),
        *tongue.beep(),
        f"G4 P{number(round(WARN_S * 1000))}",
    ]
    travels = plan.spot is not None
    if travels and plan.retract_mm:
        out.append(f"G1 E-{back} F{back_f}")
    out += ["G90", "M83"]  # some firmwares let G90 decide about E as well
    if travels and anchor.x is not None and anchor.y is not None:
        out.append(f"G1 X{number(anchor.x)} Y{number(anchor.y)} F{TRAVEL_F}")
    if plan.lift_mm and anchor.z is not None:
        out.append(f"G1 Z{number(anchor.z)} F{LIFT_F}")
    if travels and plan.retract_mm:
        out.append(f"G1 E{back} F{back_f}")
    if held:
        out.append(f"G1 E-{held} F{back_f}")
    if anchor.firmware_retracted:
        out.append("G10")
    if anchor.e_absolute:
        out.append("M82")
    if anchor.e is not None:
        out.append(f"G92 E{number(anchor.e)}")
    if anchor.feed_mm_s is not None:
        out.append(f"G1 F{feed_word(anchor.feed_mm_s)}")
    return tuple(out), standby if cools else None


def _down(feed_mm_min: float) -> str:
    """Return *feed_mm_min* rounded down, so that a limit stays kept; at least 1."""
    return number(max(1.0, math.floor(feed_mm_min)))


def machine_of(facts: SlicerFacts, printer: Printer | None, *, tool: int = 0) -> Machine:
    """Return what the printer's profile says, and where it is silent, the slicer's settings.

    Parameters
    ----------
    facts : of the job.
    printer : the profile, if there is one.
    tool : whose retraction and flow count.
    """
    bed = tuple(facts.bed_polygon)
    height = facts.height_mm
    if printer is None:
        return Machine(
            bed=bed,
            exclude=facts.bed_exclude,
            height_mm=height,
            retract_mm=of_tool(facts.retract_mm, tool),
            retract_mm_s=of_tool(facts.retract_mm_s, tool),
        )
    hot_end = printer.hot_end
    return Machine(
        bed=box_polygon(printer.bed_mm) if printer.bed_mm is not None else bed,
        exclude=facts.bed_exclude,
        height_mm=printer.height_mm if printer.height_mm is not None else height,
        park=printer.park,
        melt_zone_mm3=hot_end.melt_zone_mm3,
        path_mm=hot_end.path_mm,
        max_flow_mm3_s=hot_end.max_flow_mm3_s,
        max_temperature_C=hot_end.max_temperature_C,
        retract_mm=of_tool(facts.retract_mm, tool),
        retract_mm_s=of_tool(facts.retract_mm_s, tool),
        retract_max_mm=printer.retraction.max_length_mm,
    )


def block_for(
    program: Program,
    anchor: Anchor,
    *,
    printer: Printer | None,
    nozzle_min_C: float | None,
    diameter_mm: float | None,
    low_box: Box | None,
    wait_s: float | None = None,
    purge: Purge = "melt-zone",
) -> Block:
    """Return the block for *program*: :func:`purge_block` with what profile and file say.

    Parameters
    ----------
    printer : its profile, if known.
    nozzle_min_C : of the spool's material, if known.
    diameter_mm : the spool's; None: what the file says, else 1.75 mm.
    low_box : ``Timeline.low_box`` of ``timeline(program, watch=(anchor.offset, WATCH_Z_MM))``.
    wait_s, purge : as in :func:`purge_block`.
    """
    facts, tool = program.facts, anchor.tool
    stated = of_tool(facts.diameters_mm, tool)
    flow = of_tool(facts.max_flow_mm3_s, tool)
    return purge_block(
        anchor,
        dialect=program.dialect,
        sure=program.dialect_sure and not program.fork,
        diameter_mm=diameter_mm or anchor.volumetric_mm or stated or DIAMETER_MM,
        nozzle_min_C=nozzle_min_C,
        machine=machine_of(facts, printer, tool=tool),
        low_box=low_box,
        material_flow_mm3_s=flow,
        wait_s=wait_s,
        purge=purge,
    )
