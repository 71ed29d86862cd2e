"""The floor: what a spool ends at in a device's air, however long; and how dry an air a content needs.

An open stream leaves its own humidity; a box without exchange shares its water with the spools in it and their reels.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.drying.device import Device
from gcodetool.moisture import air as airs
from gcodetool.moisture.air import Air
from gcodetool.moisture.constants import VAPOUR_GAS, ZERO_CELSIUS_K
from gcodetool.moisture.field import Field
from gcodetool.moisture.history import State, quantile
from gcodetool.moisture.members import spread_over
from gcodetool.moisture.shared_air import Companion

Floats = NDArray[np.float64]

HALVINGS: Final = 60


def equilibrium(
    state: State, device: Device, temperature_C: float, company: Sequence[Companion] = ()
) -> tuple[Floats, tuple[str, ...]]:
    """Return the content in the end, (members,) [kg/kg], and what is to be said of it.

    *company*: other reels in the device, with which a shut one shares its water.
    """
    air = device.air(temperature_C)
    activity = final_activity(state, device, temperature_C, company)
    notes: tuple[str, ...] = ()
    if air.closed and air.exchange_m3_s > 0 and air.desiccant is not None:
        notes = ("the floor is that of the room's air: in the end the desiccant is spent",)
    return state.polymer.own_equilibrium(activity, air.members_K), notes


def final_activity(
    state: State, device: Device, temperature_C: float, company: Sequence[Companion] = ()
) -> Floats:
    """Return the activity of the air around the spool in the end, (members,): 0 to 1.

    In a stream the stream's, with an exchange that of the air that comes in; in a shut box where strands, bodies, air
    and desiccant share their water evenly, those of *company*, other reels in it, too.
    """
    air = device.air(temperature_C)
    full = np.broadcast_to(airs.saturation_pressure(air.members_K), (state.members,))
    if not air.closed:
        return np.minimum(1.0, air.members_Pa / full)
    if air.exchange_m3_s > 0:
        incoming_Pa = np.asarray(air.members_exchange[1]) * VAPOUR_GAS * air.members_K
        return np.minimum(1.0, incoming_Pa / full)
    here = device.place is not None and state.place == device.place
    beside = company or (state.company if here else ())
    reels = [Companion(state.field, state.polymer), *beside]
    total = _store_kg(state, air, here)
    for reel in reels:
        total = total + spread_over(_water_kg(reel.field), state.members)
    low, high = np.zeros(state.members), np.ones(state.members)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        below = air.store_at(middle) + sum(_held_kg(reel, middle, air) for reel in reels) < total
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return 0.5 * (low + high)


def _store_kg(state: State, air: Air, here: bool) -> Floats:
    """Return what a shut box's air and desiccant hold when the spool is in it, (members,) [kg]."""
    if here and state.field.store_kg is not None:
        return state.field.store_kg
    # closed now: the air as it is, the desiccant fresh
    held = air.air_m3 * airs.vapour_density(air.members_K, air.members_Pa) * np.ones(state.members)
    if air.desiccant is not None:
        held += air.desiccant_kg * air.desiccant.content(air.desiccant.fresh_rh_pct / 100.0)
    return held


def _water_kg(field: Field) -> Floats:
    """Return a reel's own water, its body's among it, (members,) [kg]."""
    body = field.winding.body
    unsaid = 0.0 if body is None or field.body_kg is not None else body.weighed_kg
    return unsaid + replace(field, store_kg=None).water_kg()


def _held_kg(reel: Companion, activity: Floats, air: Air) -> Floats:
    """Return what strand, gaps and body of a reel hold in balance with the members' activity [kg]."""
    wound, members = reel.field.winding, activity.shape[0]
    kelvin = np.broadcast_to(np.asarray(air.members_K, dtype=np.float64), (members,))
    own = spread_over(kelvin, reel.field.members)
    strand = reel.polymer.own_equilibrium(spread_over(activity, reel.field.members), own)
    gaps = float(wound.gap_m3().sum()) * airs.vapour_density(
        kelvin, activity * airs.saturation_pressure(kelvin)
    )
    held = float(wound.strand_kg().sum()) * spread_over(strand, members) + gaps
    return held if wound.body is None else held + wound.body.balance_kg(activity)


def activity_for(state: State, content: Floats, temperature_C: float, confidence: float) -> float:
    """Return the activity of air in which the spool ends at *content* (members,), at that confidence."""
    each = state.polymer.activity(content, temperature_C + ZERO_CELSIUS_K)
    # the members that hold more at the same humidity need the drier air
    return quantile(each, 1.0 - confidence, state.weights)


def dew_point_C(activity: float, temperature_C: float) -> float:
    """Return the dew point of air that has this activity at this temperature, °C."""
    pressure = activity * float(airs.saturation_pressure(temperature_C + ZERO_CELSIUS_K))
    return float(airs.dew_point(pressure)) - ZERO_CELSIUS_K
