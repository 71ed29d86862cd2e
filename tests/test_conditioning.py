"""How long a loose coil takes to its content: against the series of a cylinder."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, special
from test_cut import AT, record

from gcodetool.moisture.cutting import sample_of
from gcodetool.moisture.history import state_at
from gcodetool.moisture.record import Event, Place
from gcodetool.profiles import material
from gcodetool.series.conditioning import conditioning, wound_takes_s

CONSTANT = replace(
    material("PETG"),
    diffusivity_conc_coeff_per_wt_pct=0.0,
    diffusivity_conc_coeff_range_per_wt_pct=None,
    activation_energy_kJ_mol=0.0,
    sorption_excess_enthalpy_kJ_mol=0.0,
)


def centre(fourier, terms=200):
    """Return how much of its first distance from balance a cylinder's axis keeps (Crank 1975, eq. 5.22)."""
    roots = special.jn_zeros(0, terms)
    return float(np.sum(2.0 / (roots * special.j1(roots)) * np.exp(-(roots**2) * fourier)))


@pytest.mark.parametrize(("start", "rh_pct"), [(0.01, 75.0), (0.05, 50.0), (0.6, 30.0)])
def test_a_loose_coil_takes_as_long_as_the_series_of_a_cylinder(start, rh_pct):
    spool = replace(record(winding="loose", net_mass_g=30.0), material=CONSTANT)
    places = {**spool.places, "jar": replace(spool.places["jar"], temperature_C=23.0, rh_pct=rh_pct)}
    first = replace(spool.events[0], water_wt_pct=start)
    state = state_at(replace(spool, places=places, events=(first,)), AT)
    found = conditioning(state, "jar", None)
    goal = found.target_wt_pct.p50
    left = 0.1 * goal / abs(goal - start)  # of the distance that the axis may keep
    fourier = optimize.brentq(lambda f: centre(f) - left, 1e-3, 5.0)
    expected = fourier * (1.75e-3 / 2) ** 2 / CONSTANT.diffusivity_23C_m2_s
    assert found.takes_s.p50 == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize(("name", "times"), [("PETG", 1.2), ("PA6", 2.0)])
def test_a_wound_reel_takes_longer_the_more_its_material_holds(name, times):
    spool = replace(record(net_mass_g=900.0), material=material(name))
    coil = sample_of(spool, "a", grams=30.0, density_kg_m3=1200.0, at_s=AT, place="bench")
    loose = conditioning(state_at(coil, AT), "jar", None).takes_s.p50
    assert wound_takes_s(state_at(spool, AT), "jar") > times * loose
    assert wound_takes_s(state_at(coil, AT), "jar") is None  # it is no reel


def test_air_that_leads_beyond_the_target_takes_a_bag_to_even_out():
    """The mean passes the target on the way; what a bag of no air holds cannot go elsewhere."""
    state = state_at(record(winding="loose", net_mass_g=30.0), AT)
    balance = conditioning(state, "jar", None).target_wt_pct.p50
    near = conditioning(state, "jar", round(balance, 3))
    half = conditioning(state, "jar", balance / 2)
    assert near.takes_s is not None and near.even_s is None
    assert math.isclose(near.wanted_rh_pct, 75.0, abs_tol=1.0)
    assert 0 < half.takes_s.p50 < near.takes_s.p50 and half.even_s > 0
    assert half.wanted_rh_pct < 60.0
    spool = state.spool
    moved = Event(AT, "moved", "jar"), Event(AT + half.takes_s.p50, "moved", "bag")
    bag = Place("bag", "sealed", temperature_C=22.0, leak_g_per_day=0.0)
    kept = replace(spool, places={**spool.places, "bag": bag}, events=(*spool.events, *moved))
    after = state_at(kept, AT + half.takes_s.p50 + half.even_s)
    water = 100.0 * after.field.water
    assert float(after.mean_wt_pct[0]) == pytest.approx(balance / 2, rel=0.02)
    assert float(np.abs(water / after.mean_wt_pct[0] - 1.0).max()) == pytest.approx(0.1, abs=0.01)


def test_air_that_leads_elsewhere_is_told_with_the_humidity_that_would_do():
    state = state_at(record(winding="loose", net_mass_g=30.0), AT)
    found = conditioning(state, "jar", 0.9)  # more than the jar's air gives
    assert found.takes_s is None and found.even_s is None and found.wanted_rh_pct > 95.0
