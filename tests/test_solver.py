"""The solver against closed forms, a second solution of the equations, and the laws it must keep."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from naive_moisture import Hull, Stay, edges
from naive_moisture import march as naive_march
from scipy.special import j0, j1, jn_zeros
from twins import interpreted

from gcodetool import profiles
from gcodetool.errors import CalculationError
from gcodetool.moisture import air, reel_body, solver, solver_numpy
from gcodetool.moisture import field as fields
from gcodetool.moisture.constants import MOLAR_GAS
from gcodetool.moisture.field import SpoolIntegrator, uniform
from gcodetool.moisture.kernel import KERNEL
from gcodetool.moisture.polymer import CONDENSATION_J_MOL, polymer, spread_evenly
from gcodetool.moisture.record import Body, Spool
from gcodetool.moisture.winding import SHELLS, shells, winding

ZEROS = jn_zeros(0, 400)
ROOM_K = 296.15
ROOM = air.room_air(23.0, 50.0)
CONSTANT_D = ["PLA", "PETG", "ABS", "PC", "TPU_95A", "PA12", "PEI"]
SMALL_REEL_G = 120.0
AGENTS = {name: air.drying_agent(profiles.desiccant(name)) for name in profiles.names("desiccants")}


def unsolved(tau):
    """The cylinder series (Crank): what is left to exchange at tau = D t / r0²."""
    return float(np.sum(4 / ZEROS**2 * np.exp(-(ZEROS**2) * tau)))


def wound(name, *, grams=SMALL_REEL_G, form="wound", diameter_mm=1.75, members=1, fibre_wt_pct=0.0):
    material = profiles.material(name)
    parameters = polymer(material, members=members, seed="petg-03", fibre_wt_pct=fibre_wt_pct)
    spool = Spool("petg-03", material, diameter_mm, grams, {}, (), winding=form)
    return winding(spool, parameters.density_kg_m3), parameters


def reel(name, content, kelvin=ROOM_K, *, kernel=solver, count=SHELLS, **more):
    wind, parameters = wound(name, **more)
    return SpoolIntegrator(uniform(wind, parameters, content, kelvin, count=count), parameters, kernel=kernel)


def exposed(march, around, seconds, **more):
    march.surround(around)
    march.run(seconds, **more)
    return march


def linear(parameters):
    """The same polymer with a straight isotherm, one diffusivity and no heat: what superposition asks for."""
    straight = parameters.first + parameters.second
    zero = np.zeros_like(straight)
    return dataclasses.replace(
        parameters,
        gab=False,
        first=straight,
        second=zero,
        third=zero + 1.0,
        diffusivity_per_content=zero,
        sorption_K=zero + CONDENSATION_J_MOL / MOLAR_GAS,
    )


def evenly(march, seconds, parts=100):
    """March in given steps: those that the kernel chooses follow the error of the worst member."""
    for _ in range(parts):
        march.run(seconds / parts, first_s=seconds / parts)


def newton_to_the_end(monkeypatch):
    monkeypatch.setattr(fields, "LINE_ERROR", 1e-12)
    monkeypatch.setattr(fields, "ACTIVITY_SLACK", 1e-9)
    monkeypatch.setattr(fields, "HEAT_SLACK", 1e-9)


# ------------------------------------------------------------------------------- closed forms


@pytest.mark.parametrize("name", CONSTANT_D)
@pytest.mark.parametrize("tau", [0.005, 0.01, 0.03, 0.0631, 0.2, 0.334, 0.733, 1.5])
def test_a_loose_strand_takes_up_what_the_cylinder_series_says(name, tau):
    strand = reel(name, 0.0, form="loose")
    target = float(strand.polymer.equilibrium(0.5, ROOM_K)[0])
    seconds = tau * 0.000875**2 / float(strand.polymer.diffusivity_m2_s[0])
    got = float(exposed(strand, ROOM, seconds).outer_mean()[0])
    assert got == pytest.approx(target * (1 - unsolved(tau)), rel=0.01)


@pytest.mark.parametrize("name", CONSTANT_D)
@pytest.mark.parametrize("tau", [0.005, 0.05, 0.3])
def test_a_loose_strand_dries_hot_as_the_cylinder_series_says(name, tau):
    kelvin = profiles.material(name).dry_at_C + 273.15
    start = 0.9 * float(wound(name)[1].room_equilibrium()[0])
    strand = reel(name, start, form="loose")
    hot = air.heated_air(kelvin - 273.15, ROOM.vapour_Pa)
    floor = float(strand.polymer.equilibrium(hot.rh_pct / 100, kelvin)[0])
    seconds = tau * 0.000875**2 / float(strand.polymer.diffusivity(kelvin)[0])
    lost = start - float(exposed(strand, hot, seconds).outer_mean()[0])
    assert lost == pytest.approx((start - floor) * (1 - unsolved(tau)), rel=0.01)


@pytest.mark.parametrize("tau", [0.005, 0.02, 0.1, 0.5])
def test_the_profile_inside_a_strand_is_the_series_too(tau):
    strand = reel("PLA", 0.0, form="loose")
    exposed(strand, ROOM, tau * 0.000875**2 / 4e-12)
    field = strand.field()
    target = float(strand.polymer.equilibrium(0.5, ROOM_K)[0])
    grid = field.grid
    for shell in range(grid.share.size):
        inner, outer = grid.edge[shell], grid.edge[shell + 1]
        r = np.linspace(inner, outer, 51)
        local = 1 - (2 * j0(np.outer(r, ZEROS)) / (ZEROS * j1(ZEROS))) @ np.exp(-(ZEROS**2) * tau)
        mean = np.trapezoid(local * r, r) * 2 / (outer**2 - inner**2)
        assert field.water[0, shell, 0] / target == pytest.approx(mean, abs=0.01)


@given(st.floats(0.001, 0.5), st.floats(0.001, 0.5), st.floats(0.05, 0.9), st.floats(0.05, 0.9))
@settings(max_examples=40)
def test_two_exposures_of_a_strand_superpose(tau_1, tau_2, humid_1, humid_2):
    wind, nominal = wound("PETG", form="loose")
    parameters = linear(nominal)
    second = 0.000875**2 / 1e-12
    strand = SpoolIntegrator(uniform(wind, parameters, 0.0, ROOM_K), parameters)
    for tau, humid in ((tau_1, humid_1), (tau_2, humid_2)):
        exposed(strand, air.Air(ROOM_K, humid * float(air.saturation_pressure(ROOM_K))), tau * second)
    step = float(parameters.first[0])
    # Duhamel: a step to the first humidity, and later one by the difference.
    parts = (humid_1 * (1 - unsolved(tau_1 + tau_2)), (humid_2 - humid_1) * (1 - unsolved(tau_2)))
    expected = step * sum(parts)
    assert float(strand.outer_mean()[0]) == pytest.approx(
        expected, abs=0.01 * step * sum(map(abs, parts)) + 1e-9
    )


def test_exposures_of_a_whole_winding_superpose():
    """Straight isotherm, one D, one temperature: the coupled field is linear in what happened to it."""
    wind, nominal = wound("PLA")
    parameters = linear(nominal)
    full = float(air.saturation_pressure(ROOM_K))

    def field(*vapours):
        march = SpoolIntegrator(uniform(wind, parameters, 0.0, ROOM_K), parameters)
        for vapour in vapours:
            march.surround(air.Air(ROOM_K, vapour * full))
            evenly(march, 7200.0)
        return march.field().water

    assert field(0.3, 0.0) + field(0.0, 0.6) == pytest.approx(field(0.3, 0.6), rel=1e-6, abs=1e-12)


# Hours of a free strand of 1.75 mm, from an independent calculation with the same material figures: half and
# 90 % of the uptake at 23 °C/50 % RH; then from that content at dry_at_C to limit_good and limit_marginal in
# heated room air, to limit_good in air of dew point -32 °C.  None: there from the start, or too soon to
# compare; inf: the floor is above the limit.
HOURS = {
    "PLA": (3.4, 18, 7.2, None, 2.1),
    "PETG": (13, 71, 4.3, None, 3.0),
    "PCTG": (8.9, 47, 1.3, None, 1.0),
    "PET_amorphous": (17, 89, math.inf, 5.3, 13),
    "ABS": (5.4, 28, 0.7, None, 0.6),
    "ASA": (6.7, 36, 1.6, None, 1.2),
    "PC": (2.4, 13, 0.5, None, 0.4),
    "PA6": (100, 500, 17, 8.3, 14),
    "PA6_66": (43, 210, 12, 5.8, 9.1),
    "PA12": (27, 140, 2.7, 0.5, 2.3),
    "TPU_95A": (2.7, 14, 3.1, 0.8, 1.6),
    "PVA": (20, 93, math.inf, 10, 21),
    "PEEK": (27, 140, 2.3, 0.7, 2.1),
    "PEI": (12, 65, 5.3, 2.6, 4.3),
}


def hours_until(name, start, around, limit, *, longest_h=1e4):
    strand = reel(name, start, form="loose")
    strand.surround(around)
    rising = limit > start
    at_s, step, now = 0.0, 1.0, start
    while at_s < 3600 * longest_h:
        strand.run(step, first_s=step)
        after = float(strand.outer_mean()[0])
        if (after > limit) == rising:
            share = (limit - now) / (after - now)
            return (math.sqrt(at_s) + share * (math.sqrt(at_s + step) - math.sqrt(at_s))) ** 2 / 3600
        now, at_s, step = after, at_s + step, 1.1 * step
    return None


@pytest.mark.parametrize("name", HOURS)
def test_free_strands_need_the_tabled_hours(name):
    parameters = wound(name)[1]
    room = float(parameters.room_equilibrium()[0])
    celsius = profiles.material(name).dry_at_C
    hot = air.heated_air(celsius, ROOM.vapour_Pa)
    dry = air.heated_air(celsius, float(air.saturation_pressure(273.15 - 32)))
    good, marginal = float(parameters.limit_good[0]), float(parameters.limit_marginal[0])
    asked = (
        (0.0, ROOM, 0.5 * room),
        (0.0, ROOM, 0.9 * room),
        (room, hot, good),
        (room, hot, marginal),
        (room, dry, good),
    )
    for (start, around, limit), hours in zip(asked, HOURS[name], strict=True):
        if hours == math.inf:
            assert hours_until(name, start, around, limit) is None
        elif hours is not None:
            rounding = 0.05 if hours < 10 else 0.5
            assert hours_until(name, start, around, limit) == pytest.approx(hours, rel=0.05, abs=rounding)


# ------------------------------------------------------------------------------- a second solution

HOUR = 3600.0
DAY = 24 * HOUR
SILICA = AGENTS["silica_gel"]
BOARD = reel_body.body_water(Body(profile=profiles.spool_body("cardboard"), mass_g=40.0))


def hot(hours, celsius=80.0, vapour=1269.0, **more):
    return Stay(hours * HOUR, celsius + 273.15, vapour, 20.0, 0.0135, **more)


def bench(hours, vapour=1269.0, **more):
    return Stay(hours * HOUR, 295.15, vapour, **more)


def box(hours, celsius=22.0, *, grams=60.0, litres=5.0, start_rh=45.0, **more):
    kelvin = celsius + 273.15
    vapour = start_rh / 100.0 * float(air.saturation_pressure(kelvin))
    agent = (SILICA.rh_pct, SILICA.content_wt_pct) if grams else ()
    held = grams / 1000.0 * SILICA.content(SILICA.fresh_rh_pct / 100.0)
    held += litres / 1000.0 * float(air.vapour_density(kelvin, vapour))
    closed = {"air_m3": litres / 1000.0, "agent": agent, "agent_kg": grams / 1000.0, "store_kg": held}
    return Stay(hours * HOUR, kelvin, None, **closed, **more)


DAMP = 2300.0
SETTINGS = {
    "D(c), warm-up, drying, wetting": ("PA6", 0.025, [hot(6), bench(5)], {}),
    "a dried reel in damp air": ("PA6", 0.002, [bench(200, DAMP)], {}),
    "GAB": ("PVA", 0.056, [hot(6, 50.0, 1400.0), bench(20, DAMP)], {}),
    "sealed without air": ("PLA", 0.004, [hot(3, 45.0), bench(20, None)], {}),
    "dried air": ("PA6_66", 0.02, [hot(3, 80.0, 30.0), bench(10)], {}),
    "30 % of glass": ("PA6", 0.017, [hot(8), bench(10, DAMP)], {"fibre_wt_pct": 30.0}),
    "a box with silica gel": ("TPU_95A", 0.004, [box(60), bench(2, DAMP)], {}),
    "a box that leaks, a body of board": (
        "PLA",
        0.003,
        [box(50, grams=20.0, exchange_m3_s=2e-6, exchange_kg_m3=0.009)],
        {"hull": BOARD},
    ),
    "open flanges in a draught": (
        "ABS",
        0.001,
        [bench(3, DAMP), hot(0.5, through=2.0)],
        {"flange_open": 0.5},
    ),
    "a dryer that breathes little": (
        "PC",
        0.0012,
        [box(4, 100.0, grams=0.0, litres=10.0, start_rh=1.4, exchange_m3_s=1e-5, exchange_kg_m3=0.008)],
        {},
    ),
}


def rings(water, count, grid):
    """The fine solution, averaged over our rings."""
    fine = edges(count)
    held = np.concatenate([np.zeros((len(water), 1)), np.cumsum(water * np.diff(fine**2), axis=1)], axis=1)
    inside = np.array([np.interp(grid.edge**2, fine**2, row) for row in held])
    return np.diff(inside, axis=1) / grid.share


def set_up(name, start, *, fibre_wt_pct=0.0, flange_open=0.0, hull=None):
    """The solver's side of a setting: a march at 22 °C, its body in balance with 45 % RH."""
    wind, parameters = wound(name, fibre_wt_pct=fibre_wt_pct)
    wind = dataclasses.replace(wind, flange_open=flange_open, body=hull)
    begin = uniform(wind, parameters, start, 295.15, body_activity=0.45)
    return SpoolIntegrator(begin, parameters), None if hull is None else float(begin.body_kg[0])


def around(stay):
    return air.Air(
        stay.kelvin,
        stay.vapour_Pa or 0.0,
        closed=stay.vapour_Pa is None,
        air_m3=stay.air_m3,
        desiccant=SILICA if stay.agent_kg else None,
        desiccant_kg=stay.agent_kg,
        heat_W_m2K=stay.heat,
        mass_m_s=stay.film,
        through=stay.through,
        exchange_m3_s=stay.exchange_m3_s,
        exchange_kg_m3=stay.exchange_kg_m3,
    )


@pytest.mark.parametrize("setting", SETTINGS)
def test_the_coupled_equations_have_the_same_second_solution(setting):
    name, start, stays, more = SETTINGS[setting]
    march, body = set_up(name, start, **more)
    count = 100
    twin = {**more}
    if "hull" in more:
        hull = more["hull"]
        twin["hull"] = Hull(
            hull.dry_kg, hull.activity, hull.content, hull.exchange_s, hull.activation_K, body
        )
    _, water, kelvin, store, held = naive_march(
        profiles.material(name), march.winding, start, 295.15, stays, count=count, **twin
    )
    spread = max(water.max(), start) - min(water.min(), start)
    for stay in stays:
        loaded = stay.store_kg - stay.air_m3 * float(air.vapour_density(stay.kelvin, stay.vapour_Pa or 0.0))
        march.surround(around(stay), loaded_kg=loaded if stay.vapour_Pa is None else None)
        march.run(stay.seconds)
    field = march.field()
    assert field.water[:, :, 0] == pytest.approx(rings(water, count, field.grid), abs=0.01 * spread)
    assert field.temperature_K[:, 0] == pytest.approx(kelvin, abs=0.1)
    if stays[-1].vapour_Pa is None and stays[-1].air_m3:
        assert float(field.store_kg[0]) == pytest.approx(store, rel=0.01)
    if body is not None:
        assert float(field.body_kg[0]) == pytest.approx(held, rel=0.01)
        assert abs(held - body) > 0.05 * body  # it did take part


# ------------------------------------------------------------------------------- laws

names = st.sampled_from(["PLA", "PA6", "PVA", "ABS", "TPU_95A", "PA12"])
rooms = st.builds(air.room_air, st.floats(15, 30), st.floats(5, 95))
dryers = st.builds(air.heated_air, st.floats(40, 85), st.floats(50, 2500))
bags = st.builds(
    air.Air,
    st.floats(285.0, 310.0),
    st.floats(0.0, 1200.0),
    closed=st.just(True),
    air_m3=st.floats(0.0, 0.02),
    desiccant=st.sampled_from([None, *AGENTS.values()]),
    desiccant_kg=st.floats(0.0, 0.5),
)
stays = st.lists(st.tuples(st.one_of(rooms, dryers, bags), st.floats(1.0, 1e6)), min_size=1, max_size=4)


@given(names, st.floats(0, 1), stays, st.floats(0, 30), st.integers(1, 3))
@settings(max_examples=60)
def test_water_is_conserved(name, share, around, fed_m, members):
    wind, parameters = wound(name, members=members)
    march = SpoolIntegrator(
        uniform(wind, parameters, share * parameters.room_equilibrium(), ROOM_K), parameters
    )
    seen = float(march.field().water_kg().max())
    for place, seconds in around:
        march.surround(place)
        before = march.field().water_kg() + march.fed_kg + march.vented_kg - march.inflow_kg()
        march.run(seconds)
        march.feed(fed_m)
        after = march.field().water_kg() + march.fed_kg + march.vented_kg - march.inflow_kg()
        seen = max(seen, float(march.field().water_kg().max() + march.fed_kg.max()))
        assert np.abs(after - before).max() <= 1e-9 * seen
        if place.closed:
            assert march.field().store_kg.shape == (members,)
    assert march.winding.remaining_mm == pytest.approx(
        max(0.0, wind.remaining_mm - 1000 * fed_m * len(around))
    )


@given(names, st.floats(0, 1), st.floats(0.05, 0.95), st.floats(10.0, 1e7))
@settings(max_examples=60)
def test_content_stays_between_start_and_equilibrium(name, start_share, humid, seconds):
    wind, parameters = wound(name)
    target = float(parameters.equilibrium(humid, ROOM_K)[0])
    start = start_share * float(parameters.room_equilibrium()[0])
    march = SpoolIntegrator(uniform(wind, parameters, start, ROOM_K), parameters)
    exposed(march, air.Air(ROOM_K, humid * float(air.saturation_pressure(ROOM_K))), seconds)
    water = march.field().water
    slack = 2e-3 * abs(target - start) + 1e-9
    assert water.min() >= min(start, target) - slack
    assert water.max() <= max(start, target) + slack


@pytest.mark.parametrize("name", ["PLA", "PA6", "PVA", "TPU_95A"])
def test_a_sealed_bag_keeps_the_mean_and_levels_the_profile(name):
    march = exposed(reel(name, 0.0), ROOM, 1800.0)
    wet = march.field()
    march.surround(air.Air(ROOM_K, 0.0, closed=True))
    total = march.field().water_kg()
    spread = [np.ptp(wet.water)]
    for _ in range(5):
        march.run(20 * 86_400.0)
        spread.append(np.ptp(march.field().water))
        assert march.field().water_kg() == pytest.approx(total, rel=1e-9)
    # The strand soaks up what the air in the gaps held, a few thousandths.
    assert march.field().mean() == pytest.approx(wet.mean(), rel=5e-3)
    assert (np.diff(spread) <= 1e-6 * spread[0]).all()  # what the lines were left off by
    assert spread[-1] < 0.2 * spread[0]
    assert np.ptp(march.field().layer_mean()) < np.ptp(wet.layer_mean())


@pytest.mark.parametrize("name", ["PLA", "PA6", "PVA"])
@pytest.mark.parametrize("hours", [0.5, 5, 50])
def test_a_thicker_strand_needs_the_square_of_its_diameter(name, hours):
    slower = (2.85 / 1.75) ** 2
    thin = exposed(reel(name, 0.0, form="loose"), ROOM, 3600 * hours)
    thick = exposed(reel(name, 0.0, form="loose", diameter_mm=2.85), ROOM, 3600 * hours * slower)
    assert thick.outer_mean() == pytest.approx(thin.outer_mean(), rel=5e-3)  # the steps differ


@pytest.mark.parametrize("name", ["PLA", "PA6", "TPU_95A"])
def test_a_full_reel_dries_slower_than_a_near_empty_one(name):
    material = profiles.material(name)
    start = float(wound(name)[1].room_equilibrium()[0])
    hot = air.heated_air(material.dry_at_C, ROOM.vapour_Pa)
    means = [
        float(exposed(reel(name, start, grams=grams), hot, 4 * 3600).field().mean()[0])
        for grams in (1000, 300, 60)
    ]
    assert means == sorted(means, reverse=True)
    assert start - means[0] < 0.8 * (start - means[2])


@pytest.mark.parametrize("name", ["PLA", "PA6", "PVA", "PC"])
def test_no_time_beats_the_floor_of_a_dryer(name):
    celsius = profiles.material(name).dry_at_C
    hot = air.heated_air(celsius, ROOM.vapour_Pa)
    march = reel(name, float(wound(name)[1].room_equilibrium()[0]))
    floor = float(march.polymer.equilibrium(hot.rh_pct / 100, celsius + 273.15)[0])
    exposed(march, hot, 90 * 86_400)
    assert march.field().water == pytest.approx(floor, rel=1e-3)
    assert march.field().temperature_K == pytest.approx(celsius + 273.15)


def test_a_reel_warms_from_its_face_for_hours():
    full = reel("PLA", 0.004, grams=1000.0)
    hot = air.heated_air(70.0, ROOM.vapour_Pa)
    exposed(full, hot, 1800.0)
    kelvin = full.field().temperature_K[:, 0]
    assert (np.diff(kelvin) > 0).all()
    assert kelvin[0] < 273.15 + 35
    assert kelvin[-1] > 273.15 + 45
    full.run(6 * 3600.0)
    assert full.field().temperature_K[0, 0] > 273.15 + 60


def test_an_hour_in_room_air_wets_the_outside_more_than_the_depth():
    march = exposed(reel("TPU_95A", 0.0005, grams=1000.0), ROOM, 3600.0)
    field = march.field()
    mean, depth = field.layer_mean()[:, 0], field.winding.depth_mm()
    at_10 = float(np.interp(10.0, depth[::-1], mean[::-1]))
    assert mean[-1] > 3 * 0.0005
    assert 0.3 < (at_10 - 0.0005) / (mean[-1] - 0.0005) < 0.8


def test_a_box_with_desiccant_ends_where_all_its_water_is_in_balance():
    box = air.Air(ROOM_K, 1400.0, closed=True, air_m3=0.009, desiccant=AGENTS["silica_gel"], desiccant_kg=0.2)
    march = reel("PA6", 0.01)
    march.surround(box)
    before = march.field().water_kg()
    march.run(3000 * 86_400.0)
    field = march.field()
    water = field.water[..., 0]
    assert np.ptp(water) < 1e-5
    humid = float(march.polymer.activity(water.mean(), ROOM_K)[0])
    gel = 0.2 * np.interp(100 * humid, box.desiccant.rh_pct, box.desiccant.content_wt_pct) / 100
    vapour = 0.009 * float(air.vapour_density(ROOM_K, humid * float(air.saturation_pressure(ROOM_K))))
    assert float(field.store_kg[0]) == pytest.approx(gel + vapour, rel=1e-3)
    assert field.water_kg() == pytest.approx(before, rel=1e-9)


def test_drying_agent_dries_and_a_spent_one_less_so():
    def end(grams):
        box = air.Air(
            ROOM_K,
            700.0,
            closed=True,
            air_m3=0.01,
            desiccant=AGENTS["silica_gel"],
            desiccant_kg=grams / 1000,
        )
        return float(exposed(reel("PA12", 0.006), box, 300 * 86_400).field().mean()[0])

    assert end(200) < end(20) < end(2) < 0.006


# ------------------------------------------------------------------------------- numerics


def test_members_do_not_see_each_other(monkeypatch):
    newton_to_the_end(monkeypatch)
    wind, many = wound("PA6", members=5)
    together = SpoolIntegrator(uniform(wind, many, 0.003, ROOM_K), many)
    together.surround(ROOM)
    evenly(together, 7200.0)
    got = together.field().water
    for one in range(5):
        alone = alone_in(many, one)
        march = SpoolIntegrator(uniform(wind, alone, 0.003, ROOM_K), alone)
        march.surround(ROOM)
        evenly(march, 7200.0)
        assert march.field().water[:, :, 0] == pytest.approx(got[:, :, one], rel=1e-6)
        # With the steps that the error of the worst member allows, and Newton stopped early:
        monkeypatch.undo()
        lone = SpoolIntegrator(uniform(wind, alone, 0.003, ROOM_K), alone)
        exposed(lone, ROOM, 7200.0)
        assert lone.outer_mean() == pytest.approx(march.outer_mean(), rel=2e-3)
        newton_to_the_end(monkeypatch)


OWN = air.OwnAir(
    warmer_K=np.array([-4.0, 0.0, 1.5, 6.0]),
    moister=np.array([0.7, 1.0, 1.2, 1.4]),
    incoming=np.array([1.3, 1.0, 0.8, 0.6]),
    exchange=np.array([0.3, 1.0, 2.0, 4.0]),
    draught=np.array([0.5, 1.0, 1.5, 2.0]),
    vent_m3_s=np.array([math.inf, 1e-6, 1e-5, 1e-4]),
)
LEAKY = air.Air(
    ROOM_K,
    900.0,
    closed=True,
    air_m3=0.01,
    desiccant=AGENTS["clay"],
    desiccant_kg=0.1,
    exchange_m3_s=1e-6,
    exchange_kg_m3=0.01,
)
STAYS = [(ROOM, 3600.0), (air.heated_air(60.0, 1400.0), 7200.0), (LEAKY, 86_400.0), (ROOM, 600.0)]


def of_member(around, one):
    """The stated air that is one member's own."""
    exchange_m3_s, exchange_kg_m3 = around.members_exchange
    return dataclasses.replace(
        around,
        temperature_K=float(around.members_K[one]),
        vapour_Pa=float(around.members_Pa[one]),
        mass_m_s=float(around.members_mass_m_s[one]),
        through=float(around.members_through[one]),
        exchange_m3_s=float(exchange_m3_s[one]),
        exchange_kg_m3=0.0 if not around.closed else float(exchange_kg_m3[one]),
        own=air.OwnAir(vent_m3_s=float(around.own.vent_m3_s[one])),
    )


def alone_in(many, one):
    """One member's parameters."""
    return dataclasses.replace(
        many,
        **{
            part.name: getattr(many, part.name)[one : one + 1]
            for part in dataclasses.fields(many)
            if isinstance(getattr(many, part.name), np.ndarray)
        },
    )


@pytest.mark.parametrize("name", ["PLA", "PA6"])
def test_a_member_in_its_own_air_is_as_if_alone_there(name, monkeypatch):
    newton_to_the_end(monkeypatch)
    wind, many = wound(name, grams=40.0, members=4)
    wind = dataclasses.replace(wind, body=BOARD)
    flanges = np.array([0.0, 0.3, 0.5, 1.0])

    def ran(parameters, stays, share):
        reel = dataclasses.replace(wind, flange_open=share)
        march = SpoolIntegrator(uniform(reel, parameters, 0.004, ROOM_K, count=8), parameters)
        for around, seconds in stays:
            march.surround(around)
            evenly(march, seconds, 20)
        return march.field()

    own = [(dataclasses.replace(around, own=OWN), seconds) for around, seconds in STAYS]
    together = ran(many, own, flanges)
    for one in range(4):
        stays = [(of_member(around, one), seconds) for around, seconds in own]
        alone = ran(alone_in(many, one), stays, float(flanges[one]))
        assert alone.water[:, :, 0] == pytest.approx(together.water[:, :, one], rel=1e-4)
        assert alone.body_kg[0] == pytest.approx(together.body_kg[one], rel=1e-4)
    assert np.ptp(together.water[-1, -1]) > 0.1 * together.water[-1, -1].mean()  # and they do differ


def test_own_air_conserves_water_and_the_same_for_all_is_the_stated_one():
    wind, many = wound("PA6", grams=40.0, members=4)
    wind = dataclasses.replace(wind, flange_open=0.3, body=BOARD)
    one = np.ones(4)
    same = air.OwnAir(0.0 * one, one, one, one, one)
    found = []
    for own in (air.AS_STATED, same, OWN):
        march = SpoolIntegrator(uniform(wind, many, 0.004, ROOM_K, count=8), many)
        for around, seconds in STAYS:
            march.surround(dataclasses.replace(around, own=own))
            begun = march.field().water_kg() - march.inflow_kg()
            march.run(seconds)
            assert march.field().water_kg() - march.inflow_kg() == pytest.approx(begun, rel=1e-12)
        found.append(march.field())
    assert found[1].water == pytest.approx(found[0].water, rel=1e-9)
    assert found[1].temperature_K == pytest.approx(found[0].temperature_K, rel=1e-12)


def test_more_members_than_a_block_holds(monkeypatch):
    newton_to_the_end(monkeypatch)
    wind, many = wound("PA6", grams=20.0, members=70)
    together = SpoolIntegrator(uniform(wind, many, 0.003, ROOM_K, count=8), many)
    few = polymer(profiles.material("PA6"), at=spread_evenly(70, "petg-03")[63:])
    last = SpoolIntegrator(uniform(wind, few, 0.003, ROOM_K, count=8), few)
    for march in (together, last):
        march.surround(ROOM)
        evenly(march, 7200.0, 20)
    assert together.field().water[:, :, 63:] == pytest.approx(last.field().water, rel=1e-6)


@pytest.mark.parametrize("name", ["PLA", "PA6"])
def test_steps_converge_with_order_two(monkeypatch, name):
    newton_to_the_end(monkeypatch)

    def after(parts):
        march = reel(name, 0.0005, count=12)
        march.surround(ROOM)
        for _ in range(parts):
            march.run(3600.0 / parts, first_s=3600.0 / parts)
        return march.field().water

    exact = after(2048)
    errors = [np.abs(after(parts) - exact).max() for parts in (32, 64, 128)]
    # Four times less error for steps half as long.
    assert errors[0] / errors[1] == pytest.approx(4.0, abs=0.8)
    assert errors[1] / errors[2] == pytest.approx(4.0, abs=0.8)


def test_shells_converge_with_order_two(monkeypatch):
    wind, parameters = wound("PLA", form="loose")
    exact = 1 - unsolved(3600 * 4e-12 / 0.000875**2)

    def error(count):
        # Halved everywhere: twice as many, the outermost half as thick.
        monkeypatch.setattr(fields, "shells", lambda n: shells(n, 0.084 / n))
        strand = SpoolIntegrator(uniform(wind, parameters, 0.0, ROOM_K, count=count), parameters)
        strand.surround(ROOM)
        for _ in range(800):
            strand.run(4.5, first_s=4.5)
        return abs(float(strand.outer_mean()[0]) / float(parameters.equilibrium(0.5, ROOM_K)[0]) - exact)

    errors = [error(count) for count in (14, 28, 56)]
    assert errors[0] / errors[1] == pytest.approx(4.0, abs=1.0)
    assert errors[1] / errors[2] == pytest.approx(4.0, abs=1.0)


def sliced(wind, times):
    """The same winding, full, in so many times as many layers as it was wound in."""
    count = wind.layers * times
    radius = wind.hub_radius_m + wind.pitch_m / times * np.arange(count + 1)
    length = wind.full_m.sum() * np.diff(radius**2) / (radius[-1] ** 2 - radius[0] ** 2)
    return dataclasses.replace(wind, pitch_m=wind.pitch_m / times, length_m=length, full_m=length.copy())


def test_layers_converge_with_order_two(monkeypatch):
    newton_to_the_end(monkeypatch)
    wind, parameters = wound("PC", grams=250.0)

    def mean(times):
        cut = sliced(wind, times)
        march = SpoolIntegrator(uniform(cut, parameters, 0.0005, ROOM_K, count=8), parameters)
        march.surround(air.room_air(30.0, 60.0))
        evenly(march, 20 * HOUR, 60)
        return float(march.field().mean()[0])

    exact = mean(12)
    errors = [abs(mean(times) - exact) for times in (1, 2, 4)]
    assert errors[0] < 0.002 * exact  # as wound, it is fine enough
    assert errors[0] / errors[1] == pytest.approx(4.0, abs=1.0)
    assert errors[1] / errors[2] == pytest.approx(4.0, abs=1.0)


def marched_by(kernel, name, members):
    own = OWN if members == len(OWN.warmer_K) else air.AS_STATED
    wind, parameters = wound(name, grams=40.0, members=members)
    wind = dataclasses.replace(wind, flange_open=0.3, body=BOARD)
    march = SpoolIntegrator(uniform(wind, parameters, 0.004, ROOM_K, count=8), parameters, kernel=kernel)
    for around, seconds in STAYS:
        exposed(march, dataclasses.replace(around, own=own), seconds)
        march.feed(1.0)
    return march.field(), march.inflow_kg()


@pytest.mark.parametrize(("name", "members"), [("PLA", 1), ("PA6", 2), ("PVA", 1), ("PA6", 4), ("PLA", 7)])
def test_compiled_and_interpreted_agree(name, members):
    if not solver.COMPILED:
        pytest.skip("the solver is not compiled here")
    (one, flow), (other, flow_other) = (
        marched_by(kernel, name, members) for kernel in (solver, interpreted("gcodetool.moisture.solver"))
    )
    assert one.water == pytest.approx(other.water, rel=1e-9)
    assert one.gap == pytest.approx(other.gap, rel=1e-9)
    assert one.temperature_K == pytest.approx(other.temperature_K, rel=1e-12)
    assert one.body_kg == pytest.approx(other.body_kg, rel=1e-9)
    assert flow == pytest.approx(flow_other, rel=1e-8, abs=1e-15)


@pytest.mark.parametrize(("name", "members"), [("PA6", 65), ("PVA", 64), ("TPU_95A", 9)])
def test_both_builds_give_the_same_bits(name, members):
    if KERNEL is solver:
        pytest.skip("only one build here")
    (one, flow), (other, flow_other) = (marched_by(kernel, name, members) for kernel in (solver, KERNEL))
    for attribute in ("water", "gap", "temperature_K", "body_kg"):
        assert np.array_equal(getattr(one, attribute), getattr(other, attribute))
    assert np.array_equal(flow, flow_other)


@pytest.mark.parametrize(
    ("name", "members"), [("PLA", 1), ("PA6", 4), ("PVA", 3), ("PLA", 7), ("PA6", 65), ("TPU_95A", 9)]
)
def test_numpy_takes_the_same_steps(name, members):
    """What runs where nothing is compiled, against the compiled kernel: same steps, same turns, same water."""
    (one, flow), (other, flow_other) = (
        marched_by(kernel, name, members) for kernel in (solver, solver_numpy)
    )
    assert other.water == pytest.approx(one.water, rel=3e-9)
    assert other.gap == pytest.approx(one.gap, rel=1e-9)
    assert other.temperature_K == pytest.approx(one.temperature_K, rel=1e-12)
    assert other.body_kg == pytest.approx(one.body_kg, rel=1e-9)
    assert flow_other == pytest.approx(flow, rel=1e-8, abs=1e-15)


def test_numpy_goes_on_from_the_field_alone_as_the_compiled_kernel_does():
    wind, parameters = wound("PA6", grams=40.0, members=4)
    found = []
    for kernel in (solver, solver_numpy):
        march = SpoolIntegrator(uniform(wind, parameters, 0.004, ROOM_K, count=8), parameters, kernel=kernel)
        for around, seconds in STAYS:
            exposed(march.settled(), around, seconds)
            march.feed(1.0)
        found.append(march)
    assert found[1].field().water == pytest.approx(found[0].field().water, rel=3e-9)
    assert found[1].inflow_kg() == pytest.approx(found[0].inflow_kg(), rel=1e-8)
    fresh = SpoolIntegrator(found[1].field(), parameters, kernel=solver_numpy)
    for march in (found[1].settled(), fresh):
        exposed(march, ROOM, 3600.0)
    assert np.array_equal(fresh.field().water, found[1].field().water)


def test_numpy_agrees_where_members_stand_in_airs_far_apart():
    """There the compiled kernel takes vapour's pressure from a cubic, good to 5e-6."""
    share = np.linspace(0.0, 1.0, 9)
    own = air.OwnAir(
        warmer_K=-8.0 + 16.0 * share,
        moister=0.7 + 0.5 * share,
        incoming=0.8 + 0.4 * share,
        exchange=0.5 + share,
        draught=0.5 + share,
    )
    wind, parameters = wound("PA6", grams=40.0, members=9)
    found = []
    for kernel in (solver, solver_numpy):
        march = SpoolIntegrator(uniform(wind, parameters, 0.004, ROOM_K, count=8), parameters, kernel=kernel)
        for around, seconds in STAYS:
            exposed(march, dataclasses.replace(around, own=own), seconds)
            march.feed(1.0)
        found.append((march.field(), march.spent_s()))
    (one, spent), (other, spent_other) = found
    assert other.water == pytest.approx(one.water, rel=2e-5)
    assert other.gap == pytest.approx(one.gap, rel=2e-5)
    assert np.array_equal(spent, spent_other)


@pytest.mark.parametrize("kernel", [KERNEL, solver_numpy])
@pytest.mark.parametrize("name", ["PLA", "PA6"])
def test_a_reel_that_settles_goes_on_as_a_new_one_would(kernel, name):
    """To the bit, as a state with and without a snapshot is the same."""
    march = reel(name, 0.002, kernel=kernel, count=8)
    for around, seconds in STAYS[:2]:
        exposed(march, around, seconds)
        march.feed(1.0)
    anew = SpoolIntegrator(march.field(), march.polymer, kernel=kernel)
    march = march.settled()
    for around, seconds in STAYS:
        for one in (march, anew):
            exposed(one, around, seconds)
            one.feed(0.5)
        assert np.array_equal(march.held_kg(), anew.held_kg())
        assert np.array_equal(march.inflow_kg(), anew.inflow_kg())
    for attribute in ("water", "gap", "temperature_K"):
        assert np.array_equal(getattr(march.field(), attribute), getattr(anew.field(), attribute))
    assert np.array_equal(march.fed_kg, anew.fed_kg)


@pytest.mark.parametrize("kernel", [solver, solver_numpy])
def test_an_empty_reel_marches_on_and_says_nan(kernel):
    march = reel("PLA", 0.002, kernel=kernel)
    march.feed(1e6)
    exposed(march, ROOM, 3600.0)
    assert np.isnan(march.outer_mean()).all()
    assert np.isnan(march.field().mean()).all()
    assert march.field().water.shape == (0, SHELLS, 1)


@pytest.mark.parametrize("kernel", [solver, solver_numpy])
def test_nan_stays_nan_and_comes_back(kernel):
    march = exposed(reel("PLA", math.nan, kernel=kernel), ROOM, 60.0)
    assert np.isnan(march.outer_mean()).all()


def over_saturated(kelvin, share):
    """A box that takes in air with *share* times the vapour that saturates it."""
    density = share * float(air.vapour_density(kelvin, air.saturation_pressure(kelvin)))
    return air.Air(kelvin, 300.0, closed=True, air_m3=0.007, exchange_m3_s=1e-4, exchange_kg_m3=density)


@pytest.mark.parametrize("members", [1, 3])
@pytest.mark.parametrize("days", [1, 16])
def test_a_reel_soaked_in_air_beyond_saturation_dries_to_numbers(members, days):
    wind, parameters = wound("PVA", grams=60.0, members=members)
    wind = dataclasses.replace(wind, flange_open=1.0)
    march = SpoolIntegrator(uniform(wind, parameters, 0.004, ROOM_K, count=8), parameters)
    room = air.blown(air.room_air(29.6, 25.0), 5.6)
    for place, seconds in ((over_saturated(297.4, 1.48), days * DAY), (room, 2 * HOUR), (room, 300 * DAY)):
        march.surround(place)
        before = march.field().water_kg() - march.inflow_kg()
        march.run(seconds)
        after = march.field().water_kg() - march.inflow_kg()
        assert after == pytest.approx(before, rel=1e-9)
    balance = parameters.equilibrium(room.rh_pct / 100.0, room.temperature_K)
    assert march.field().mean() == pytest.approx(balance, rel=0.01)


class Broken:
    """A kernel that turns one member's water into something else than a number."""

    class Reel(solver.Reel):
        def __init__(self, given):
            super().__init__(given)
            self.given = given

        def march(self, *step):
            self.given.water[1] = math.inf
            return super().march(*step)


def test_a_calculation_that_stops_being_numbers_says_so():
    wind, parameters = wound("PA6", members=3)
    march = SpoolIntegrator(uniform(wind, parameters, 0.004, ROOM_K), parameters, kernel=Broken)
    march.surround(ROOM)
    with pytest.raises(CalculationError, match=r"1 of 3 members .* within 2 h in air of 23.0 °C and 50 % RH"):
        march.run(2 * HOUR)
    start = np.array([0.004, math.nan, 0.004])  # what was none from the start is left alone
    march = SpoolIntegrator(uniform(wind, parameters, start, ROOM_K), parameters, kernel=Broken)
    march.surround(ROOM)
    march.run(2 * HOUR)
