"""Laws of the tweaks: bounded by what is stated, moved by what the job asks, and nothing where nothing helps."""

import math
import pathlib
import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import jn_zeros

from gcodetool import profiles
from gcodetool.moisture import hydrolysis
from gcodetool.tweaks.suggest import (
    FIRST_NOZZLE,
    FIRST_SPEED,
    NOZZLE,
    RETRACTION,
    RETRACTION_SPEED,
    SLOWEST,
    WIPE,
    WaterVsLimits,
    floor_C,
    lasting_damage,
    shortfall,
    suggest,
    water_severity,
)
from gcodetool.tweaks.tool_demands import ToolDemands

MATERIALS = [profiles.material(name) for name in profiles.names("materials")]
BENCH = profiles.printer("bench-1")
PETG = profiles.material("PETG")
materials = st.sampled_from(MATERIALS)
shares = st.floats(0.01, 1)


def holding(material, share):
    """WaterVsLimits at *share* of the way from good to marginal."""
    good, marginal = material.limit_good_wt_pct, material.limit_marginal_wt_pct
    return WaterVsLimits(good, marginal, good + share * (marginal - good))


def asked(**more):
    """A job: moderate in everything."""
    usual = {
        "nozzle_C": 245.0,
        "first_layer_C": 248.0,
        "flow_mm3_s": 4.0,
        "residence_s": 15.0,
        "line_mm2": 0.09,
        "travel_mm": 50.0,
        "retract_mm": 0.8,
        "retract_mm_s": 35.0,
    }
    return ToolDemands(**{**usual, **more})


def tweaks(material=PETG, share=0.3, *, printer=BENCH, **more):
    """The tweaks by setting."""
    return {
        each.setting: each
        for each in suggest(material, holding(material, share), asked(**more), printer=printer)
    }


@given(
    materials,
    shares,
    st.floats(0, 1),
    st.floats(0, 20),
    st.floats(0, 300),
    st.floats(0, 200),
    st.floats(0.1, 8),
    st.floats(0, 8),
    st.floats(0, 1),
)
def test_no_tweak_leaves_its_bounds(
    material, share, heat, flow, residence, travel, retract, bound, fan
) -> None:
    printer = replace(
        BENCH, retraction=replace(BENCH.retraction, max_length_mm=bound, max_speed_mm_s=40.0 + bound)
    )
    nozzle = material.nozzle_min_C + heat * (material.nozzle_max_C - material.nozzle_min_C)
    found = tweaks(
        material,
        share,
        printer=printer,
        nozzle_C=nozzle,
        first_layer_C=nozzle + 5,
        flow_mm3_s=flow,
        residence_s=residence,
        travel_mm=travel,
        retract_mm=retract,
        fan=fan,
        wipe=False,
        slowest_mm_s=10.0,
        first_layer_mm_s=30.0,
    )
    for setting in (NOZZLE, FIRST_NOZZLE):
        if cooler := found.get(setting):
            assert cooler.after <= cooler.before - 2
            assert cooler.after >= max(material.nozzle_bond_min_C, material.nozzle_min_C)
            assert cooler.after >= cooler.before - 15
    if NOZZLE in found and FIRST_NOZZLE in found:
        assert found[FIRST_NOZZLE].after >= found[NOZZLE].after + 5 - 1e-9
    else:
        assert FIRST_NOZZLE not in found
    if longer := found.get(RETRACTION):
        assert retract < longer.after <= bound + 1e-9
    if faster := found.get(RETRACTION_SPEED):
        assert faster.before < faster.after <= 40 + bound
    if material.key.startswith("TPU"):
        assert not {RETRACTION, RETRACTION_SPEED} & set(found)
    if quicker := found.get(SLOWEST):
        assert quicker.after * 0.09 <= BENCH.hot_end.max_flow_mm3_s
        assert material.hydrolyses
    if slower := found.get(FIRST_SPEED):
        assert 10 <= slower.after < slower.before
    for each in found.values():
        assert each.because
        assert each.effect
        assert each.cost
        assert each.confidence
        assert math.isfinite(each.after)


@given(materials, shares, st.floats(0.5, 10))
def test_more_flow_never_allows_a_cooler_nozzle(material, share, flow) -> None:
    nozzle = material.nozzle_max_C
    slow, fast = (
        tweaks(material, share, nozzle_C=nozzle, first_layer_C=None, flow_mm3_s=each).get(NOZZLE)
        for each in (flow, 2 * flow)
    )
    if fast is not None:
        assert slow is not None
        assert fast.after >= slow.after


@given(materials, st.one_of(st.floats(-1, 0), st.floats(1.01, 3)))
def test_nothing_is_suggested_for_dry_or_for_wet_stock(material, share) -> None:
    assert tweaks(material, share, nozzle_C=material.nozzle_max_C, wipe=False, first_layer_mm_s=30.0) == {}


@given(materials, shares, st.floats(150, 420), st.floats(0, 200))
def test_a_cooler_melt_never_works_harder(material, share, celsius, residence) -> None:
    water, job = holding(material, share), asked(residence_s=residence)
    assert water_severity(material, water, celsius - 5, job, celsius) < water_severity(
        material, water, celsius, job, celsius
    )


# ---------------------------------------------------------------- no fixed nudges

MARGINAL = 0.1  # PETG at 0.097 wt %


def test_jobs_that_differ_only_in_flow_differ_in_the_nozzle() -> None:
    after = [tweaks(share=0.6, flow_mm3_s=flow)[NOZZLE].after for flow in (4.0, 8.0, 9.0)]
    assert after == sorted(set(after))


def test_jobs_that_differ_only_in_travel_differ_in_retraction() -> None:
    after = [tweaks(share=MARGINAL, travel_mm=travel)[RETRACTION].after for travel in (80.0, 120.0, 200.0)]
    assert after == sorted(set(after))


def test_jobs_that_differ_only_in_time_in_the_melt_differ_in_the_nozzle() -> None:
    after = [tweaks(share=MARGINAL, residence_s=seconds)[NOZZLE].after for seconds in (5.0, 10.0, 20.0)]
    assert after == sorted(set(after), reverse=True)
    assert SLOWEST not in tweaks(share=0.6, residence_s=5.0)
    assert SLOWEST in tweaks(share=0.6, residence_s=90.0, flow_mm3_s=4.0)


def test_each_bound_in_turn_changes_the_tweak_or_blocks_it() -> None:
    free = tweaks(share=0.6)
    raised = replace(PETG, nozzle_bond_min_C=240.0)
    assert tweaks(raised, 0.6)[NOZZLE].after > free[NOZZLE].after
    assert NOZZLE not in tweaks(replace(PETG, nozzle_bond_min_C=245.0), 0.6)
    weak = replace(BENCH, hot_end=replace(BENCH.hot_end, max_flow_mm3_s=4.4))
    assert (
        tweaks(share=0.6, printer=weak, nozzle_C=250.0)[NOZZLE].after
        > tweaks(share=0.6, nozzle_C=250.0)[NOZZLE].after
    )
    assert NOZZLE not in tweaks(
        share=0.6, printer=replace(BENCH, hot_end=replace(BENCH.hot_end, max_flow_mm3_s=4.0))
    )
    short = replace(BENCH, retraction=replace(BENCH.retraction, max_length_mm=0.9))
    assert tweaks(share=0.6, printer=short)[RETRACTION].after == 0.9 < free[RETRACTION].after
    for printer in (replace(BENCH, retraction=replace(BENCH.retraction, max_length_mm=0.8)), None):
        assert RETRACTION not in tweaks(share=0.6, printer=printer)


def test_a_nudge_is_small_however_wet_the_strand_is() -> None:
    pla = profiles.material("PLA")
    cooler = tweaks(pla, 1.0, nozzle_C=220.0, first_layer_C=None, flow_mm3_s=1.0)[NOZZLE]
    assert (cooler.before, cooler.after) == (220.0, 205.0)
    assert "no more than 15 K cooler than sliced" in cooler.because
    little = tweaks(pla, 0.3, nozzle_C=220.0, first_layer_C=None, flow_mm3_s=1.0)[NOZZLE]
    assert little.after > 205.0 or "15 K" in little.because
    text = (pathlib.Path(__file__).parents[1] / "docs" / "tweaks.md").read_text(encoding="utf-8")
    assert "or 15 °C below what the file was sliced for" in text


def test_part_cooling_holds_the_nozzle_up() -> None:
    assert tweaks(share=0.6, fan=1.0)[NOZZLE].after > tweaks(share=0.6, fan=0.0)[NOZZLE].after
    text = (pathlib.Path(__file__).parents[1] / "docs" / "tweaks.md").read_text(encoding="utf-8")
    (kelvin,) = re.findall(r"(\d+) K at full part cooling", text)
    still, half, full = (floor_C(PETG, asked(fan=fan), BENCH)[0] for fan in (None, 0.5, 1.0))
    assert full - still == pytest.approx(float(kelvin)) == pytest.approx(2 * (half - still))


def test_the_core_of_the_strand_lags_as_the_slowest_mode_of_a_cylinder_says() -> None:
    """At half the rated flow: one more stay in the melt zone, with tau from the first zero of J0."""
    rated = 12.0
    printer = replace(BENCH, hot_end=replace(BENCH.hot_end, max_flow_mm3_s=rated))

    def lag(flow):
        job = asked(flow_mm3_s=flow, diameter_mm=1.75, melt_zone_mm3=60.0)
        return floor_C(PETG, job, printer)[0] - floor_C(PETG, replace(job, flow_mm3_s=0.0), printer)[0]

    tau_s = 0.875**2 / (float(jn_zeros(0, 1)[0]) ** 2 * 0.1)
    assert lag(rated / 2) / lag(rated) == pytest.approx(math.exp(-(60.0 / rated) / tau_s), rel=1e-3)


def test_no_stated_bound_no_longer_or_faster_retraction() -> None:
    found = tweaks(share=0.8)
    assert RETRACTION in found
    assert RETRACTION_SPEED not in found  # the profile states no speed
    unbound = replace(BENCH, retraction=replace(BENCH.retraction, max_length_mm=None))
    assert RETRACTION not in tweaks(share=0.8, printer=unbound)
    quick = replace(BENCH, retraction=replace(BENCH.retraction, max_speed_mm_s=50.0))
    assert 35 < tweaks(share=0.8, printer=quick)[RETRACTION_SPEED].after <= 50
    assert RETRACTION not in tweaks(profiles.material("TPU"), 0.8, nozzle_C=230.0)


def test_wiping_is_advised_only_where_it_is_known_to_be_off() -> None:
    assert WIPE in tweaks(share=0.8, wipe=False)
    assert WIPE not in tweaks(share=0.8, wipe=True)
    assert WIPE not in tweaks(share=0.8, wipe=None)
    assert WIPE not in tweaks(share=0.8, wipe=False, firmware_retraction=True)


def test_what_is_not_known_is_not_guessed() -> None:
    for missing in ("nozzle_C", "flow_mm3_s"):
        assert NOZZLE not in tweaks(share=0.6, **{missing: None})
    for missing in ("retract_mm", "travel_mm", "nozzle_C"):
        assert RETRACTION not in tweaks(share=0.6, **{missing: None})
    assert SLOWEST not in tweaks(share=0.6, residence_s=None)


def test_a_marginal_strand_that_no_setting_helps_is_said_so() -> None:
    water = holding(PETG, 0.6)
    job = asked(nozzle_C=230.0, first_layer_C=230.0, travel_mm=0.0)
    assert shortfall(water, suggest(PETG, water, job, printer=BENCH)).startswith("no setting")
    assert shortfall(water, suggest(PETG, water, asked(), printer=BENCH)) is None


# ---------------------------------------------------------------- chains and steam


@pytest.mark.parametrize(
    ("celsius", "megapascal"), [(100, 0.101418), (150, 0.47617), (200, 1.5549), (250, 3.9762)]
)
def test_steam_pressure_is_the_published_one(celsius, megapascal) -> None:
    # IAPWS-IF97 saturation values as tabulated at these temperatures, four digits
    assert hydrolysis.steam_pressure(celsius) / 1e6 == pytest.approx(megapascal, rel=2e-4)


def test_all_water_cuts_as_the_balance_says() -> None:
    # 1/M = 1/M0 + w/18.02: 20,000 g/mol with 0.02 wt % falls to 16,400
    all_of_it = hydrolysis.chain_loss(hydrolysis.Chains(20_000, 1.0, 280.0), 0.02, 280.0, 1e9)
    assert 20_000 * (1 - all_of_it) == pytest.approx(16_400, rel=3e-3)


@given(st.floats(0, 3), st.floats(0, 3), st.floats(150, 400), st.floats(0, 1000))
def test_more_water_time_or_heat_never_cuts_fewer_chains(less, more, celsius, seconds) -> None:
    chains = hydrolysis.chains_of("PETG")
    base = hydrolysis.chain_loss(chains, less, celsius, seconds)
    assert 0 <= base < 1
    assert hydrolysis.chain_loss(chains, less + more, celsius, seconds) >= base
    assert hydrolysis.chain_loss(chains, less, celsius + 10, seconds) >= base
    assert hydrolysis.chain_loss(chains, less, celsius, 2 * seconds) >= base


waters = st.floats(0, 3)
polyamides = st.sampled_from(["PA6", "PA6_66", "PA12"])


@given(polyamides, waters, st.floats(200, 320), st.floats(0, 1e6))
def test_a_polyamide_melt_turns_at_one_content_of_water(key, water, celsius, seconds) -> None:
    """Drier melts build chains, wetter ones lose them; in the end the balance holds."""
    chains = hydrolysis.chains_of(key)
    turns = chains.turns_at_wt_pct(celsius)
    lost = hydrolysis.chain_loss(chains, water, celsius, seconds)
    assert hydrolysis.chain_loss(chains, turns, celsius, seconds) == pytest.approx(0.0, abs=1e-9)
    assert lost <= 1e-12 if water <= turns else lost >= -1e-12
    assert hydrolysis.chain_loss(chains, water + 0.1, celsius, seconds) >= lost
    cut = chains.cut_mol_kg(water, celsius, math.inf)
    ends, held = 1000 / chains.mean_g_mol, 10 * water / hydrolysis.WATER_G_MOL
    balance = chains.links_mol_kg * (held - cut) - chains.constant_at(celsius) * (ends + cut) ** 2
    assert balance == pytest.approx(0.0, abs=1e-9 * (1.0 + chains.links_mol_kg * held))


@pytest.mark.parametrize(("water", "seconds"), [(0.01, 1800.0), (0.5, 60.0), (2.0, 20.0), (2.0, 1e4)])
def test_chain_ends_over_time_are_the_equations_own(water, seconds) -> None:
    """The closed form against the rate equation in small steps (Runge and Kutta, as scipy has it)."""
    from scipy.integrate import solve_ivp

    chains = hydrolysis.CHAINS["PA6"]
    build = chains.build_kg_mol_s
    cut = build * chains.links_mol_kg / chains.constant
    ends, held = 1000 / chains.mean_g_mol, 10 * water / hydrolysis.WATER_G_MOL
    solved = solve_ivp(
        lambda _, x: cut * (held - x) - build * (ends + x) ** 2, (0, seconds), [0.0], rtol=1e-9, atol=1e-12
    )
    assert chains.cut_mol_kg(water, chains.at_C, seconds) == pytest.approx(float(solved.y[0, -1]), rel=1e-5)


def test_hydrolysis_of_polyamide_is_slow_beside_a_nozzle_and_a_dry_melt_grows() -> None:
    # recalled: PA6 moulded at up to 0.2 wt % keeps its chains; a dry PA66 melt grew by a fifth (seen: an abstract)
    assert 0.2 < hydrolysis.CHAINS["PA6"].turns_at_wt_pct(260.0) < 0.4
    assert -0.35 < hydrolysis.chain_loss(hydrolysis.CHAINS["PA6"], 0.01, 260.0, 1800.0) < -0.1


@given(materials, shares)
def test_lasting_damage_is_named_only_where_water_cuts_chains(material, share) -> None:
    water, job = holding(material, share), asked(nozzle_C=material.nozzle_max_C)
    said = lasting_damage(material, water, job)
    chains = hydrolysis.chains_of(material.key)
    grows = isinstance(chains, hydrolysis.AmideBalance) and (
        water.worst <= chains.turns_at_wt_pct(job.nozzle_C)
    )
    assert (said is not None) == (material.hydrolyses and not grows)
    if said is not None:
        assert "drying later does not repair" in said
        # per cent only where rates were published
        assert ("of their mean length is lost" in said) == (chains is not None and chains.published)
    assert lasting_damage(material, water, asked(residence_s=None)) is None


def test_no_loss_is_claimed_for_pla_that_its_own_limit_note_denies() -> None:
    pla = profiles.material("PLA")
    assert "stays sound" in pla.limit_note
    assert hydrolysis.loss_of(pla, pla.limit_marginal_wt_pct, 210.0, 60.0) == 0.0


def test_the_docs_state_the_kinetics_that_are_used() -> None:
    page = (pathlib.Path(__file__).parent.parent / "docs" / "tweaks.md").read_text(encoding="utf-8")
    rows = re.findall(
        r"^\| ([A-Z0-9_]+) \| (\d+) \| ([\d.]+) \| (\d+) \| (per cent|words)", page, re.MULTILINE
    )
    stated = {key: (float(mean), float(rate), float(at), how) for key, mean, rate, at, how in rows}
    assert stated == {
        key: (
            each.mean_g_mol,
            each.rate_per_s if isinstance(each, hydrolysis.Chains) else each.build_kg_mol_s,
            each.at_C,
            "per cent" if each.published else "words",
        )
        for key, each in hydrolysis.CHAINS.items()
    }


def test_in_a_filled_grade_all_the_water_is_in_the_polymer() -> None:
    pet = profiles.material("PET_amorphous")
    plain, filled = (WaterVsLimits(0.1, 0.3, 0.2, polymer=share) for share in (1.0, 0.7))
    before, after = (
        float(re.search(r"about ([\d.]+) %", lasting_damage(pet, water, asked(nozzle_C=265.0)))[1])
        for water in (plain, filled)
    )
    assert after > before
