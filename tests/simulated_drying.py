"""Drying runs as they might have been: a truth drawn from the stated ranges, a scale, a record that does not know it.

The truth has its own parameters, water, room and temperature; the record states the nominal ones.
"""

from dataclasses import dataclass, replace

import numpy as np

from gcodetool import profiles
from gcodetool.drying.course import course
from gcodetool.drying.device import of_place
from gcodetool.drying.drying_floor import equilibrium
from gcodetool.moisture.history import State, state_at
from gcodetool.moisture.polymer import polymer
from gcodetool.moisture.record import Body, Event, Place, Spool

HOUR = 3600.0
DAY = 24 * HOUR
START_S = 30 * DAY
MATERIALS = {"PLA": 42.0, "ABS": 75.0, "PA6": 78.0, "PA12": 78.0, "TPU_95A": 60.0, "PVA": 50.0, "PC": 100.0}


@dataclass(frozen=True)
class Simulated:
    """A record with its weigh-ins, and what was true."""

    spool: Spool
    now_s: float
    dry_limit_g: float
    left_g: float


def simulated(seed: int, *, resolution_g: float = 0.1, material: str | None = None) -> Simulated:
    """Return one run; a seed always the same."""
    random = np.random.default_rng(seed)
    name = material or list(MATERIALS)[int(random.integers(len(MATERIALS)))]
    stock = profiles.material(name)
    celsius, rh = MATERIALS[name], float(random.uniform(35, 60))
    places = {
        "bench": Place("bench", "open", 22.0, round(rh)),
        "oven": Place("oven", "dryer", celsius, room="bench"),
    }
    body = Body(profiles.spool_body("polycarbonate"), hub_diameter_mm=80.0, width_mm=60.0)
    received = Event(0.0, "received", place="bench", sealed=bool(random.integers(2)))
    net = float(random.choice([150.0, 300.0, 500.0, 750.0, 1000.0]))
    spool = Spool(
        f"sim-{seed}", stock, 1.75, net, places, (received, Event(START_S, "moved", place="oven")), body=body
    )
    # the truth: parameters of its own, in air that is a little off what the record says
    odd = {
        "bench": replace(places["bench"], rh_pct=min(95.0, max(5.0, rh + float(random.normal(0, 3))))),
        "oven": replace(places["oven"], temperature_C=celsius + float(random.normal(0, 1.0))),
    }
    true = truth(replace(spool, places=odd), random)
    device = of_place(true.spool, true, "oven")
    temperature = odd["oven"].temperature_C or celsius
    hours = float(random.uniform(3, 14))
    looks = np.sort(random.uniform(0.1, 1.0, int(random.integers(3, 8)))) * hours * HOUR
    looks = np.concatenate([[0.0], looks])
    ran = course(true, device, temperature, length_mm=true.remaining_mm, cap_s=float(looks[-1]) + 60.0)
    empty_g = float(random.uniform(150, 260))
    dry_g = true.remaining_g * float(random.uniform(0.99, 1.01))
    water = dry_g * np.interp(looks, ran.at_s, ran.whole[:, 0])
    shown = empty_g + dry_g + water + random.normal(0, 0.2 * resolution_g, looks.shape)
    shown = np.round(shown / resolution_g) * resolution_g
    events = [
        Event(START_S + float(at), "weighed", gross_g=float(grams), resolution_g=resolution_g)
        for at, grams in zip(looks, shown, strict=True)
    ]
    # the weigh-in before comes before the move
    record = replace(spool, events=(received, events[0], spool.events[1], *events[1:]))
    floor, _ = equilibrium(true, device, temperature)
    limit = empty_g + dry_g * (1.0 + float(floor[0]))
    return Simulated(record, START_S + float(looks[-1]), limit, float(water[-1] - dry_g * floor[0]))


def truth(spool: Spool, random: np.random.Generator) -> State:
    """Return the state in which a spool with parameters of its own goes into the dryer."""
    stock = spool.material
    low, high = stock.diffusivity_range_m2_s or (stock.diffusivity_23C_m2_s,) * 2
    uptake = stock.uptake_50rh_range_wt_pct or stock.uptake_saturation_range_wt_pct
    nominal = stock.uptake_50rh_wt_pct if stock.uptake_50rh_range_wt_pct else stock.uptake_saturation_wt_pct
    share = 1.0 if uptake is None or nominal is None else float(random.uniform(*uptake)) / nominal
    own = replace(
        stock,
        diffusivity_23C_m2_s=float(low * (high / low) ** random.random()),
        diffusivity_conc_coeff_per_wt_pct=float(
            random.uniform(*(stock.diffusivity_conc_coeff_range_per_wt_pct or (0.0, 0.0)))
        )
        or stock.diffusivity_conc_coeff_per_wt_pct,
        activation_energy_kJ_mol=float(
            random.uniform(*(stock.activation_energy_range_kJ_mol or (stock.activation_energy_kJ_mol,) * 2))
        ),
        uptake_saturation_wt_pct=stock.uptake_saturation_wt_pct * share,
        isotherm_gab_m0_wt_pct=stock.isotherm_gab_m0_wt_pct and stock.isotherm_gab_m0_wt_pct * share,
    )
    first = spool.events[0]
    if first.sealed:
        room = 100.0 * float(polymer(own).room_equilibrium()[0])
        first = replace(first, sealed=None, water_wt_pct=room * float(random.uniform(0.2, 0.6)))
    state = state_at(replace(spool, material=own, events=(first, *spool.events[1:])), START_S, members=1)
    bed = np.array([0.6 * (1.7 / 0.6) ** random.random()])
    return replace(state, polymer=replace(state.polymer, bed_factor=bed))
