"""What a replay holds, as small facts and arrays for a snapshot, and back.

Left out: how a snapshot is written and when it fits (``snapshot``).
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture.air import AS_STATED, Air, OwnAir
from gcodetool.moisture.field import Field
from gcodetool.moisture.observations import Inspected, ReelMass, Weighed
from gcodetool.moisture.winding import Winding

Floats = NDArray[np.float64]


def facts_of(one: Weighed | Inspected) -> list[Any]:
    """Return what a weigh-in or inspection says for all members."""
    if isinstance(one, Weighed):
        return [one.gross_g, one.resolution_g, one.dry_g, one.fed_g, one.unnoted_g]
    return [one.bubbles, one.oozes, one.pops, one.strand]


def members_of(one: Weighed | Inspected) -> Floats:
    """Return what each member says of it."""
    return one.water_g if isinstance(one, Weighed) else one.ratio


def record_of(facts: list[Any], members: Floats, reel: ReelMass) -> Weighed | Inspected:
    """Return the weigh-in, of that *reel*, or the inspection again."""
    if len(facts) == 5:
        gross_g, resolution_g, dry_g, fed_g, unnoted_g = facts
        return Weighed(gross_g, resolution_g, members, dry_g, fed_g, unnoted_g, reel)
    return Inspected(members, *facts)


def arrays_of(name: str, field: Field) -> dict[str, Floats]:
    """Return a field's arrays under names that begin with its own."""
    arrays = {f"{name} water": field.water, f"{name} gap": field.gap, f"{name} kelvin": field.temperature_K}
    if field.store_kg is not None:
        arrays[f"{name} store"] = field.store_kg
    if field.body_kg is not None:
        arrays[f"{name} body"] = field.body_kg
    return arrays


def field_of(name: str, wound: Winding, arrays: dict[str, Floats]) -> Field:
    """Return the field again."""
    return Field(
        wound,
        arrays[f"{name} water"],
        arrays[f"{name} gap"],
        arrays[f"{name} kelvin"],
        arrays.get(f"{name} store"),
        arrays.get(f"{name} body"),
    )


def air_facts(air: Air | None) -> list[float] | None:
    """Return the stated numbers of a room's air."""
    return None if air is None else [air.temperature_K, air.vapour_Pa]


def air_arrays(air: Air | None, members: int) -> dict[str, Floats]:
    """Return how the members' own air differs from it."""
    if air is None or air.own is AS_STATED:
        return {}
    own = air.own
    return {
        "previous warmer": np.broadcast_to(own.warmer_K, members).copy(),
        "previous moister": np.broadcast_to(own.moister, members).copy(),
    }


def air_of(facts: list[float] | None, arrays: dict[str, Floats]) -> Air | None:
    """Return a room's air again."""
    if facts is None:
        return None
    own = AS_STATED
    if "previous warmer" in arrays:
        own = OwnAir(warmer_K=arrays["previous warmer"], moister=arrays["previous moister"])
    return Air(facts[0], facts[1], own=own)
