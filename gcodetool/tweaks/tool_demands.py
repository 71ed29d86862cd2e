"""What a job asks of one tool, as the tweaks need it: temperatures, flow, time in the melt, travel.

From the timeline, the slicer's own settings and the printer's profile.  A figure that none of them
gives is None; what is assumed in its place stands in ``assumed``.
"""

import math
from typing import TYPE_CHECKING, Final

from gcodetool.gcode.dialects import Dialect
from gcodetool.gcode.values import numbers
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gcodetool.gcode.markers import ToolFacts
    from gcodetool.gcode.program import Program
    from gcodetool.motion.limits import LimitUse
    from gcodetool.motion.timeline import Heating, Timeline
    from gcodetool.profiles import Material, Printer

USUAL_MELT_ZONE_MM3: Final = 60.0  # of a common hot end; estimated
USUAL_TRAVEL_MM_S: Final = 120.0  # where neither slicer nor printer states it; estimated
# Settings by family, the filament's own first: names as they stand in a file's settings.
TRAVEL_KEYS: Final = ("travel_speed", "speed_travel")
FIRST_LAYER_KEYS: Final = ("first_layer_speed", "initial_layer_speed", "speed_print_layer_0")
SLOWEST_KEYS: Final = ("min_print_speed", "slow_down_min_speed", "cool_min_speed")
FAN_KEYS: Final = ("max_fan_speed", "fan_max_speed", "cool_fan_speed_max", "cool_fan_speed")
WIPE_KEYS: Final = ("filament_wipe", "wipe")


@dataclass(frozen=True)
class ToolDemands:
    """What one tool is asked for.

    Attributes
    ----------
    nozzle_C, first_layer_C : targets after and in the first layer. [°C]
    flow_mm3_s : not passed in 95 % of the time that plastic is laid. [mm³/s]
    residence_s : mean time in the melt zone while the tool prints, travel and waits included. [s]
    line_mm2 : mean cross-section of what is laid. [mm²]
    travel_mm, travel_mm_s : longest travel over what is printed, and how fast. [mm, mm/s]
    retract_mm, retract_mm_s : the retraction in effect. [mm, mm/s]
    firmware_retraction : G10 and G11 do it.
    first_layer_mm_s, slowest_mm_s : speeds in the slicer's settings. [mm/s]
    fan : part cooling, share of full. [-]
    wipe : the nozzle is wiped while it retracts; None = not stated.
    melt_zone_mm3, diameter_mm : of the hot end, and of the strand.
    assumed : what was assumed, in words.
    """

    nozzle_C: float | None = None
    first_layer_C: float | None = None
    flow_mm3_s: float | None = None
    residence_s: float | None = None
    line_mm2: float | None = None
    travel_mm: float | None = None
    travel_mm_s: float = USUAL_TRAVEL_MM_S
    retract_mm: float | None = None
    retract_mm_s: float | None = None
    firmware_retraction: bool = False
    first_layer_mm_s: float | None = None
    slowest_mm_s: float | None = None
    fan: float | None = None
    wipe: bool | None = None
    melt_zone_mm3: float = USUAL_MELT_ZONE_MM3
    diameter_mm: float = 1.75
    assumed: tuple[str, ...] = ()


def demands_of(
    program: "Program",
    timeline: "Timeline",
    stated: "ToolFacts",
    *,
    material: "Material",
    diameter_mm: float,
    printer: "Printer | None" = None,
) -> ToolDemands:
    """Return what *program*, timed as *timeline*, asks of the tool that *stated* is about."""
    tool, facts, config = stated.tool, program.facts, program.facts.config
    demands = timeline.demands.get(tool)
    assumed = []
    zone = None if printer is None else printer.hot_end.melt_zone_mm3
    if zone is None:
        zone = USUAL_MELT_ZONE_MM3
        assumed.append(f"a melt zone of {zone:g} mm³")
    speed = of_config(config, TRAVEL_KEYS, tool)
    if not speed:
        speed = USUAL_TRAVEL_MM_S
        assumed.append(f"travel at {speed:g} mm/s")
    area = math.pi * diameter_mm**2 / 4
    volume = 0.0 if demands is None else demands.forward_mm * area
    stated_C = stated.first_layer_C, stated.other_layer_C
    first, other = nozzle_targets(stated_C, timeline.heating, tool, least_C=material.nozzle_min_C)
    retract_mm = stated.retract_mm
    if facts.firmware_retraction:
        retract_mm = firmware_length_mm(program.dialect, timeline.limits)
    elif retract_mm is None:
        retract_mm = retraction_seen_mm(timeline, tool)
    fan = of_config(config, FAN_KEYS, tool)
    wipe = of_config(config, WIPE_KEYS, tool)
    if wipe is None:
        wipe = of_config(config, WIPE_KEYS[1:], tool)
    return ToolDemands(
        nozzle_C=other,
        first_layer_C=first,
        residence_s=residence_s(timeline, tool, area, zone),
        flow_mm3_s=None if demands is None else demands.flow(0.95),
        line_mm2=volume / demands.path_mm if demands is not None and demands.path_mm > 0 else None,
        travel_mm=None if demands is None else demands.longest_over_print_mm,
        travel_mm_s=speed,
        retract_mm=retract_mm,
        retract_mm_s=stated.retract_mm_s,
        firmware_retraction=bool(facts.firmware_retraction),
        first_layer_mm_s=of_config(config, FIRST_LAYER_KEYS, tool),
        slowest_mm_s=of_config(config, SLOWEST_KEYS, tool),
        fan=None if fan is None else min(1.0, fan / 100),
        wipe=None if wipe is None else wipe > 0,
        melt_zone_mm3=zone,
        diameter_mm=diameter_mm,
        assumed=tuple(assumed),
    )


def of_config(config: "object", keys: "Sequence[str]", tool: int) -> float | None:
    """Return the first of *keys* that states a plain number for *tool*; per cents and ``nil`` are none."""
    assert hasattr(config, "get")
    for key in keys:
        value = config.get(key)
        if not isinstance(value, str) or "%" in value:
            continue
        found = numbers(value)
        number = found[tool] if tool < len(found) else found[0] if len(found) == 1 else None
        if number is not None:
            return number
    return None


def residence_s(timeline: "Timeline", tool: int, area_mm2: float, zone_mm3: float) -> float | None:
    """Return the mean time that filament of *tool* spends in the melt zone while it prints. [s]

    The zone's volume over the mean flow, from the first layer on; what stands still counts.
    """
    rows = (timeline.tool == tool) & (timeline.forward_mm > 0) & (timeline.layer > 0)
    if not rows.any():
        rows = (timeline.tool == tool) & (timeline.forward_mm > 0)
    volume = float(timeline.forward_mm[rows].sum()) * area_mm2
    seconds = float((timeline.moving_s[rows] + timeline.waiting_s[rows]).sum())
    return zone_mm3 * seconds / volume if volume > 0 and seconds > 0 else None


def nozzle_targets(
    stated_C: "tuple[float | None, float | None]", heating: "Sequence[Heating]", tool: int, *, least_C: float
) -> tuple[float | None, float | None]:
    """Return the targets of *tool* in the first layer and after it. [°C]

    As the slicer states them, *stated_C*; else the last ones that the file sets, before the first layer and from
    there on, of those at which the material prints at all (standby and probing are lower).
    """
    first, other = stated_C
    if first is None and other is None:
        for each in heating:
            target = each.target
            if target.tool != tool or target.kind != "set" or target.celsius < least_C:
                continue
            if each.layer == 0:
                first = target.celsius
            else:
                other = target.celsius
    return first if first is not None else other, other if other is not None else first


def in_force(heating: "Sequence[Heating]", tool: int, offset: int) -> float | None:
    """Return the target of *tool* in force at byte *offset*; None before the first."""
    found = None
    for each in heating:
        if each.offset >= offset:
            break
        if each.target.tool == tool and each.target.kind == "set":
            found = each.target.celsius
    return found


def retraction_seen_mm(timeline: "Timeline", tool: int) -> float | None:
    """Return the length of *tool*'s retraction as the file does it. [mm]"""
    demands = timeline.demands.get(tool)
    if demands is None or not demands.retractions:
        return None
    # one tool: no tool change hides among them; a whole retraction is the longest
    return round(demands.longest_retraction_mm, 3) if len(timeline.demands) == 1 else None


NAMES: Final = {
    Dialect.MARLIN: "M207 S",
    Dialect.KLIPPER: "retract_length",
    Dialect.REPRAPFIRMWARE: "M207 S",
}


def firmware_length_mm(dialect: Dialect, limits: "Sequence[LimitUse]") -> float | None:
    """Return the length of the firmware's retraction, as file or printer state it; None = not stated. [mm]"""
    from gcodetool.motion.limits import STATED_DEFAULT

    for limit in limits:
        if limit.name == NAMES[dialect] and limit.source != STATED_DEFAULT and limit.value > 0:
            return limit.value
    return None
