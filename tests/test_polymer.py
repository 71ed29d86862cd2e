"""Isotherms, diffusivities, ensembles: the material files' own figures, and laws."""

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool import profiles
from gcodetool.errors import OutOfRangeError
from gcodetool.moisture import air
from gcodetool.moisture.polymer import (
    BED_FACTOR,
    DIMENSIONS,
    LIMIT_FACTOR,
    SEALED_SHARE,
    polymer,
    spread_evenly,
)

MATERIALS = sorted(profiles.names("materials"))
materials = st.sampled_from(MATERIALS)
activities = st.floats(0.0, 1.0)
temperatures = st.floats(283.15, 393.15)


HOUSE_BLEND = profiles.Material(
    key="house-blend", name="house blend", diffusivity_23C_m2_s=1e-12, activation_energy_kJ_mol=40.0,
    density_kg_m3=1200.0, uptake_saturation_wt_pct=2.0, uptake_50rh_wt_pct=0.25, isotherm_exponent=1.5,
    limit_good_wt_pct=0.1, limit_marginal_wt_pct=0.3, dry_at_C=60.0, nozzle_min_C=220.0, nozzle_max_C=250.0,
)  # fmt: skip


def test_there_are_materials():
    assert len(MATERIALS) >= 12


@pytest.mark.parametrize("name", MATERIALS)
def test_the_isotherm_meets_the_file_at_50_and_100_percent(name):
    material = profiles.material(name)
    nominal = polymer(material)
    assert 100 * float(nominal.room_equilibrium()[0]) == pytest.approx(material.uptake_50rh_wt_pct, rel=0.06)
    saturated = 100 * float(nominal.equilibrium(1.0, 296.15)[0])
    # The nominal saturation of PVA is a bound: it dissolves, and GAB is the better form below it.
    assert saturated == pytest.approx(material.uptake_saturation_wt_pct, rel=0.10 if nominal.gab else 1e-9)


# Content in room air (23 °C, 50 % RH) heated to the drying temperature: what no time beats.  From
# the reference calculation of the material figures, to its last digit.
FLOORS = {
    "PLA": "0.13", "PETG": "0.030", "PCTG": "0.025", "PET_amorphous": "0.045", "ABS": "0.023", "ASA": "0.034",
    "PC": "0.007", "PA6": "0.09", "PA6_66": "0.10", "PA12": "0.033", "TPU_95A": "0.059", "PVA": "1.3",
    "PEEK": "0.004", "PEI": "0.011",
}  # fmt: skip


@pytest.mark.parametrize(("name", "floor"), FLOORS.items())
def test_heated_room_air_has_the_tabled_floor(name, floor):
    material = profiles.material(name)
    kelvin = material.dry_at_C + 273.15
    vapour = float(air.vapour_pressure(296.15, 50.0))
    activity = air.heated_air(material.dry_at_C, vapour).rh_pct / 100
    digit = 10.0 ** -len(floor.partition(".")[2])
    content = 100 * float(polymer(material).equilibrium(activity, kelvin)[0])
    assert content == pytest.approx(float(floor), abs=0.6 * digit)


@given(materials, activities, activities, temperatures)
def test_wetter_air_never_means_less_water(name, one, other, kelvin):
    nominal = polymer(profiles.material(name))
    low, high = sorted((one, other))
    assert nominal.equilibrium(low, kelvin)[0] <= nominal.equilibrium(high, kelvin)[0] + 1e-15
    assert nominal.equilibrium(0.0, kelvin)[0] == 0.0


@given(materials, activities, temperatures)
def test_activity_inverts_the_isotherm(name, activity, kelvin):
    nominal = polymer(profiles.material(name), members=5, seed="petg-03")
    content = nominal.equilibrium(activity, kelvin)
    assert nominal.activity(content, kelvin) == pytest.approx(activity, abs=1e-9)


def test_beyond_saturation_the_isotherm_goes_on_as_its_tangent():
    nominal = polymer(profiles.material("ABS"))
    below, top = nominal.equilibrium(1.0 - 1e-6, 300.0), nominal.equilibrium(1.0, 300.0)
    assert nominal.equilibrium(1.2, 300.0) == pytest.approx(top + 0.2 * (top - below) / 1e-6, rel=1e-4)


def test_polycarbonate_has_the_diffusivity_that_was_measured_at_100_c():
    # Golovoy, Zinbo 1989, from which the 23 °C figure was extrapolated: consistency, no validation.
    assert float(polymer(profiles.material("PC")).diffusivity(373.15)[0]) == pytest.approx(8.7e-11, rel=0.05)


def test_conditioning_at_70_c_62_percent_gives_pa6_its_room_content():
    nominal = polymer(profiles.material("PA6"))  # the basis of ISO 1110; the sorption heat was set by it
    assert float(nominal.equilibrium(0.62, 343.15)[0]) == pytest.approx(
        float(nominal.room_equilibrium()[0]), rel=0.03
    )


def test_diffusivity_grows_with_content_where_the_file_says_so():
    pa6, petg = polymer(profiles.material("PA6")), polymer(profiles.material("PETG"))
    assert pa6.diffusivity(296.15, 0.01) / pa6.diffusivity(296.15) == pytest.approx(np.exp(0.35))
    assert petg.diffusivity(296.15, 0.01) == petg.diffusivity(296.15)


def test_fibre_takes_up_nothing():
    neat, filled = (polymer(profiles.material("PA6"), fibre_wt_pct=share) for share in (0, 30))
    for what in ("limit_good", "limit_marginal"):
        assert getattr(filled, what) == pytest.approx(0.7 * getattr(neat, what))
    assert filled.equilibrium(0.4, 310.0) == pytest.approx(0.7 * neat.equilibrium(0.4, 310.0))
    # The polymer between the fibres diffuses as it does neat: at the same content *of the polymer*.
    assert filled.diffusivity(310.0, 0.007) == pytest.approx(neat.diffusivity(310.0, 0.01))
    assert filled.density_kg_m3 == pytest.approx(1 / (0.7 / 1130 + 0.3 / 2550))


def test_a_file_with_one_exponent_only_uses_the_one_parameter_law():
    assert float(polymer(HOUSE_BLEND).equilibrium(0.25, 296.15)[0]) == pytest.approx(0.02 * 0.25**1.5)


RANGES = {  # the range key of a file, and what of a polymer it spreads
    "diffusivity_range_m2_s": ((5e-13, 2e-12), "diffusivity_m2_s"),
    "diffusivity_conc_coeff_range_per_wt_pct": ((0.0, 0.5), "diffusivity_per_content"),
    "activation_energy_range_kJ_mol": ((35.0, 45.0), "activation_K"),
    "uptake_50rh_range_wt_pct": ((0.2, 0.3), "second"),
    "uptake_saturation_range_wt_pct": ((1.5, 2.5), "second"),
}


@pytest.mark.parametrize("key", RANGES)
def test_each_stated_range_spreads_its_own_parameter_and_no_other(key):
    bounds, spread = RANGES[key]
    base = polymer(HOUSE_BLEND, members=16)
    drawn = polymer(dataclasses.replace(HOUSE_BLEND, **{key: bounds}), members=16)
    for name in ("diffusivity_m2_s", "diffusivity_per_content", "activation_K", "second"):
        assert np.ptp(getattr(base, name)) == 0
        assert (np.ptp(getattr(drawn, name)) > 0) == (name == spread)


def test_what_is_no_material_is_refused_and_never_read_in_part():
    """A stand-in whose range is misspelt would lose its uncertainty without a word."""
    stated = {field.name: getattr(HOUSE_BLEND, field.name) for field in dataclasses.fields(HOUSE_BLEND)}
    with pytest.raises(TypeError, match="activation_energy_rnge_kJ_mol"):
        profiles.Material(**stated, activation_energy_rnge_kJ_mol=(35.0, 45.0))
    stated["activation_energy_rnge_kJ_mol"] = stated.pop("activation_energy_range_kJ_mol")
    with pytest.raises(AttributeError, match="activation_energy_range_kJ_mol"):
        polymer(SimpleNamespace(**stated), members=16)


def test_one_member_is_the_nominal_one():
    material = profiles.material("PETG")
    nominal = polymer(material)
    assert nominal.members == 1
    assert nominal.diffusivity_m2_s[0] == material.diffusivity_23C_m2_s
    assert nominal.limit_marginal[0] == pytest.approx(material.limit_marginal_wt_pct / 100)
    assert nominal.sealed_share[0] == SEALED_SHARE[1]
    assert nominal.bed_factor[0] == BED_FACTOR[1]


@pytest.mark.parametrize("name", MATERIALS)
def test_draws_fill_the_stated_ranges_evenly(name):
    material = profiles.material(name)
    drawn = polymer(material, members=64, seed="pa6-07")
    low, high = material.diffusivity_range_m2_s
    unit = np.log(drawn.diffusivity_m2_s / low) / np.log(high / low)
    assert unit.min() >= 0
    assert unit.max() <= 1
    assert np.histogram(unit, 8, (0, 1))[0] == pytest.approx(8, abs=3)  # random draws would give 0 to 16
    scale = drawn.room_equilibrium() / polymer(material).room_equilibrium()
    bounds = np.array(material.uptake_50rh_range_wt_pct) / material.uptake_50rh_wt_pct
    assert scale.min() >= bounds[0] - 1e-12
    assert scale.max() <= bounds[1] + 1e-12
    assert np.corrcoef(scale, unit)[0, 1] == pytest.approx(0.0, abs=0.2)
    if material.limit_marginal_x_room_equilibrium:
        factor = material.limit_marginal_x_room_equilibrium
        assert drawn.limit_marginal == pytest.approx(
            np.maximum(factor * drawn.room_equilibrium() * drawn.limit_factor, drawn.limit_good)
        )


def test_limits_are_drawn_too_and_both_by_one_factor():
    material = profiles.material("PA6")
    drawn = polymer(material, members=64, seed="pa6-07")
    assert drawn.limit_good == pytest.approx(material.limit_good_wt_pct / 100 * drawn.limit_factor)
    assert drawn.limit_marginal == pytest.approx(material.limit_marginal_wt_pct / 100 * drawn.limit_factor)
    assert drawn.limit_factor.min() >= LIMIT_FACTOR[0]
    assert drawn.limit_factor.max() <= LIMIT_FACTOR[2]
    assert np.histogram(np.log(drawn.limit_factor), 4)[0] == pytest.approx(16, abs=5)


def test_members_can_be_given_by_their_coordinates():
    material = profiles.material("PA6")
    ends = polymer(material, at=np.array([[0.0] * DIMENSIONS, [1.0] * DIMENSIONS]))
    assert ends.diffusivity_m2_s == pytest.approx(material.diffusivity_range_m2_s)
    evenly = spread_evenly(16, "pa6-07")
    same = polymer(material, at=evenly)
    assert (same.activation_K == polymer(material, members=16, seed="pa6-07").activation_K).all()


def test_draws_depend_on_the_spool_and_on_nothing_else():
    material = profiles.material("TPU_95A")
    one, again, other = (polymer(material, members=16, seed=seed) for seed in ("a-1", "a-1", "b-2"))
    assert (one.diffusivity_m2_s == again.diffusivity_m2_s).all()
    assert (one.diffusivity_m2_s != other.diffusivity_m2_s).any()
    more = polymer(material, members=32, seed="a-1")
    assert (more.diffusivity_m2_s[:16] == one.diffusivity_m2_s).all()


def test_what_cannot_be_is_refused():
    with pytest.raises(OutOfRangeError, match="fibre_wt_pct is 120 %"):
        polymer(profiles.material("PA6"), fibre_wt_pct=120)
    with pytest.raises(OutOfRangeError, match="members is 0"):
        polymer(profiles.material("PA6"), members=0)
