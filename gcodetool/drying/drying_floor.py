"""The floor: what a spool ends at in a device's air, however long; and how dry an air a content needs.

An open stream leaves its own humidity, a box without exchange shares its water with the spool.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.drying.device import Device
from gcodetool.moisture import air as airs
from gcodetool.moisture.constants import ZERO_CELSIUS_K
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
    polymer = state.polymer
    full = float(airs.saturation_pressure(air.temperature_K))
    if not air.closed:
        return polymer.equilibrium(air.vapour_Pa / full, air.temperature_K), ()
    if air.exchange_m3_s > 0:
        activity = min(1.0, device.incoming_Pa / full)
        notes: tuple[str, ...] = ()
        if air.desiccant is not None:
            notes = ("the floor is that of the room's air: in the end the desiccant is spent",)
        return polymer.equilibrium(activity, air.temperature_K), notes
    strand_kg = float(state.field.winding.strand_kg().sum())
    agent = air.desiccant

    def held(rh: Floats) -> Floats:
        """Return what a box's air and desiccant hold at activity *rh* [kg]."""
        vapour = air.air_m3 * airs.vapour_density(air.temperature_K, rh * full)
        if agent is None:
            return np.asarray(vapour)
        content = np.interp(100.0 * rh, agent.rh_pct, agent.content_wt_pct)
        return np.asarray(vapour + air.desiccant_kg * content / 100.0)

    store = state.field.store_kg if device.place is not None and state.place == device.place else None
    if store is None:
        fresh = 0.0 if agent is None else agent.fresh_rh_pct / 100.0
        store = held(np.array([0.0])) + air.air_m3 * airs.vapour_density(air.temperature_K, air.vapour_Pa)
        if agent is not None:
            store = store + held(np.array([fresh])) - held(np.array([0.0]))
            store = store - air.air_m3 * airs.vapour_density(air.temperature_K, fresh * full)
    others = [(float(one.field.winding.strand_kg().sum()), one) for one in company]

    def held_by_others(rh: Floats) -> Floats:
        """Return what the strands of the other reels hold at activity *rh* [kg]."""
        found = np.zeros(state.members)
        for mass_kg, one in others:
            at = spread_over(rh, one.field.members)
            content = np.diag(np.atleast_2d(one.polymer.equilibrium(at, air.temperature_K)))
            found = found + spread_over(mass_kg * content, state.members)
        return found

    total = store + strand_kg * state.field.mean()
    for mass_kg, one in others:
        total = total + spread_over(mass_kg * one.field.mean(), state.members)
    low, high = np.zeros(state.members), np.ones(state.members)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        content = np.diag(np.atleast_2d(polymer.equilibrium(middle, air.temperature_K)))
        below = held(middle) + strand_kg * content + held_by_others(middle) < total
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    ends = np.diag(np.atleast_2d(polymer.equilibrium(0.5 * (low + high), air.temperature_K)))
    return np.minimum(ends, total / strand_kg), ()


def activity_for(state: State, content: Floats, temperature_C: float, confidence: float) -> float:
    """Return the activity of air in which the spool ends at *content* (members,), at that confidence."""
    each = state.polymer.activity(content, temperature_C + ZERO_CELSIUS_K)
    # the members that hold more at the same humidity need the drier air
    return quantile(each, 1.0 - confidence, state.weights)


def dew_point_C(activity: float, temperature_C: float) -> float:
    """Return the dew point of air that has this activity at this temperature, °C."""
    pressure = activity * float(airs.saturation_pressure(temperature_C + ZERO_CELSIUS_K))
    return float(airs.dew_point(pressure)) - ZERO_CELSIUS_K
