"""A spool in a device from now on: contents over time, layer by layer, until they are where they should be.

The solver computes; what is looked at is decided here.  Left out: a dryer's own warm-up (here the spool goes in after it;
what happened is replayed with it, see ``moisture.places``).
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.drying.device import Device
from gcodetool.moisture import air as airs
from gcodetool.moisture.air import Air
from gcodetool.moisture.field import FIRST_STEP_S, Field
from gcodetool.moisture.history import State
from gcodetool.moisture.shared_air import Companion
from gcodetool.moisture.state import marched

Floats = NDArray[np.float64]

# Looks stand close where contents fall fastest: just after the reel went in.
FIRST_S: Final = 60.0
GROWTH: Final = 1.12  # of the steps between two looks
LONGEST_S: Final = 2 * 3600.0


@dataclass(frozen=True)
class Course:
    """Contents over time, in kg per kg of dry strand.

    Attributes
    ----------
    at_s : (looks,)
        From 0 on.
    wettest, driest, middle : (looks, members)
        Of the layers in the length needed: the highest and lowest layer's mean, and the mean of all.
    whole : (looks, members)
        Mean of all strand on the reel.
    scale_g : (looks, members)
        Water that a scale weighs: in all strand, and in the reel's own body beyond what it has in room air.
    core_K : (looks,)
        Temperature of the innermost layer needed, mean over members.
    air_Pa : (looks,)
        Vapour around the reel, mean over members.
    fields
        The field at each look, where they were asked for.
    """

    at_s: Floats
    wettest: Floats
    driest: Floats
    middle: Floats
    whole: Floats
    scale_g: Floats
    core_K: Floats
    air_Pa: Floats
    fields: tuple[Field, ...] = field(default=(), repr=False)


def outermost(state: State, length_mm: float) -> int:
    """Return the first layer, from the hub, of the outermost *length_mm*."""
    length = state.field.winding.length_m * 1000.0
    from_outside = np.cumsum(length[::-1])
    # a length that ends with a layer must not, by rounding, ask for the next one too
    turns = int(np.searchsorted(from_outside, length_mm * (1 - 1e-9))) + 1
    return max(0, int(length.shape[0]) - turns)


def course(
    state: State,
    device: Device,
    temperature_C: float,
    *,
    length_mm: float,
    cap_s: float,
    done: Callable[[Floats, Floats], bool] | None = None,
    keep: bool = False,
    company: Sequence[Companion] = (),
    at_least_s: float = 0.0,
) -> Course:
    """Return the course of *state* in *device* at *temperature_C*, from now on.

    Parameters
    ----------
    state
        The spool now; with strand on it.
    device, temperature_C
        Its surroundings, constant but for a box's own air.
    length_mm
        The strand that matters, from the outside in.
    cap_s
        How far to look.
    done
        Called with the wettest and the driest layer's content (members,) at each look; True ends it.
    keep
        Keep the fields.
    company
        Other reels that are in the device from now on: where it keeps its own air, they share that.
    at_least_s
        Not to end before.
    """
    air = device.air(temperature_C)
    again = device.place is not None and state.place == device.place
    first = outermost(state, length_mm)
    march = marched(replace(state, company=tuple(company)) if company else state, most=None)
    march.surround(air, again=again, joined=bool(company))
    looks: list[tuple[float, Floats, Floats, Floats, Floats, Floats, float, float]] = []
    fields: list[Field] = []

    def look(at_s: float) -> bool:
        now = march.field()
        layers = now.layer_mean()
        mass = now.winding.strand_kg()
        needed, weight = layers[first:], mass[first:]
        high, low = needed.max(axis=0), needed.min(axis=0)
        middle = weight @ needed / weight.sum()
        core = float(np.mean(now.temperature_K[first]))
        water_kg = mass @ layers
        # a stated body mass was weighed in room air, so only what it holds beyond that shows on the scale
        scale_g = 1000.0 * (water_kg + now.body_gain_kg())
        looks.append((at_s, high, low, middle, water_kg / mass.sum(), scale_g, core, vapour_Pa(air, now)))
        if keep:
            fields.append(now)
        return done is not None and done(high, low)

    at_s, step_s = 0.0, FIRST_S
    next_s = FIRST_STEP_S
    finished = look(0.0)
    while at_s < cap_s and not (finished and at_s >= at_least_s):
        step_s = min(step_s, cap_s - at_s)
        next_s = march.run(step_s, first_s=min(step_s, next_s))
        at_s += step_s
        finished = look(at_s)
        step_s = min(LONGEST_S, step_s * GROWTH)
    at, high, low, middle, whole, scale, core, air_Pa = (np.array(one) for one in zip(*looks, strict=True))
    return Course(at, high, low, middle, whole, scale, core, air_Pa, tuple(fields))


def vapour_Pa(air: Air, field: Field) -> float:
    """Return the vapour around the reel, mean over members."""
    if not air.closed or field.store_kg is None:
        return air.vapour_Pa
    activity = air.activity_over(field.store_kg)
    return float(np.mean(activity)) * float(airs.saturation_pressure(air.temperature_K))


def falls_to(at_s: Floats, content: Floats, limit: Floats) -> Floats:
    """Return when each member first lies at or below its limit, (members,) [s]; inf: not within the course.

    >>> falls_to(np.array([0.0, 10.0]), np.array([[3.0, 1.0], [1.0, 0.5]]), np.array([2.0, 2.0])).tolist()
    [5.0, 0.0]
    """
    under = content <= limit
    found = np.full(limit.shape, np.inf)
    reached = under.any(axis=0)
    row = under.argmax(axis=0)
    for member in np.flatnonzero(reached):
        i = int(row[member])
        if i == 0:
            found[member] = 0.0
            continue
        before, after = content[i - 1, member], content[i, member]
        share = (before - limit[member]) / (before - after)
        found[member] = at_s[i - 1] + share * (at_s[i] - at_s[i - 1])
    return found


def rises_to(at_s: Floats, content: Floats, limit: Floats) -> Floats:
    """Return when each member first lies at or above its limit, (members,) [s]; inf: not within the course."""
    return falls_to(at_s, -content, -limit)


def known(seconds: float) -> float | None:
    """Return a time that comes; None: it never does."""
    return seconds if math.isfinite(seconds) else None
