"""Laws of the tweaks: bounded by what is stated, and nothing where nothing helps."""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from gcodetool import profiles
from gcodetool.advice.tweaks import suggest

MATERIALS = [profiles.material(name) for name in profiles.names("materials")]
BENCH = profiles.printer("bench-1")
materials = st.sampled_from(MATERIALS)


def asked(material, share, *, nozzle_C, retract_mm=None, flow_mm3_s=4.0, printer=BENCH):
    """Return the tweaks for a strand at *share* of the way from good to marginal, by setting."""
    good, marginal = material.limit_good_wt_pct, material.limit_marginal_wt_pct
    found = suggest(
        material,
        good=good,
        marginal=marginal,
        worst=good + share * (marginal - good),
        nozzle_C=nozzle_C,
        retract_mm=retract_mm,
        flow_mm3_s=flow_mm3_s,
        printer=printer,
    )
    return {tweak.setting: tweak for tweak in found}


@given(materials, st.floats(0.01, 1), st.floats(0, 1), st.floats(0, 20), st.floats(0.1, 8), st.floats(0, 8))
def test_no_tweak_leaves_its_bounds(material, share, heat, flow, retract, bound) -> None:
    printer = replace(BENCH, retraction=replace(BENCH.retraction, max_length_mm=bound))
    nozzle = material.nozzle_min_C + heat * (material.nozzle_max_C - material.nozzle_min_C)
    found = asked(material, share, nozzle_C=nozzle, retract_mm=retract, flow_mm3_s=flow, printer=printer)
    if cooler := found.get("nozzle temperature"):
        assert cooler.after < cooler.before == nozzle
        assert cooler.after >= material.nozzle_bond_min_C
        assert cooler.before - cooler.after <= 10
    if longer := found.get("retraction length"):
        assert retract < longer.after <= bound
        assert not material.key.startswith("TPU")


@given(materials, st.floats(0.01, 1), st.floats(0.5, 10))
def test_more_flow_never_allows_a_cooler_nozzle(material, share, flow) -> None:
    nozzle = material.nozzle_max_C
    slow, fast = (
        asked(material, share, nozzle_C=nozzle, flow_mm3_s=each).get("nozzle temperature")
        for each in (flow, 2 * flow)
    )
    if fast is not None:
        assert slow is not None
        assert fast.after >= slow.after


@given(materials, st.one_of(st.floats(-1, 0), st.floats(1.01, 3)))
def test_nothing_is_suggested_for_dry_or_for_wet_stock(material, share) -> None:
    assert asked(material, share, nozzle_C=material.nozzle_max_C, retract_mm=1.0) == {}


def test_no_stated_bound_no_longer_retraction() -> None:
    petg = profiles.material("PETG")
    assert "retraction length" in asked(petg, 0.8, nozzle_C=245, retract_mm=0.8)
    unbound = replace(BENCH, retraction=replace(BENCH.retraction, max_length_mm=None))
    assert "retraction length" not in asked(petg, 0.8, nozzle_C=245, retract_mm=0.8, printer=unbound)
    assert "retraction length" not in asked(petg, 0.8, nozzle_C=245, retract_mm=0.8, printer=None)
    assert "retraction length" not in asked(profiles.material("TPU"), 0.8, nozzle_C=230, retract_mm=0.8)


def test_a_nozzle_at_the_bonding_floor_stays() -> None:
    petg = profiles.material("PETG")
    assert "nozzle temperature" not in asked(petg, 0.9, nozzle_C=petg.nozzle_bond_min_C, flow_mm3_s=0.0)
