"""A spool in a device over time: streams, boxes, exchange, floors, fills."""

from dataclasses import replace

import numpy as np
import pytest
from test_drying_limits import ROOM, reel

from gcodetool import profiles
from gcodetool.drying import course as module
from gcodetool.drying.course import course, falls_to, outermost, rises_to
from gcodetool.drying.device import of_place, of_profile
from gcodetool.drying.drying_floor import activity_for, dew_point_C, equilibrium, final_activity
from gcodetool.moisture import air as airs
from gcodetool.moisture.field import SpoolIntegrator
from gcodetool.moisture.history import state_at
from gcodetool.moisture.record import Place
from gcodetool.moisture.solver import COMPILED

HOUR = 3600.0


def begun(material="PA6", grams=300.0 if COMPILED else 60.0, members=1, **more):
    return state_at(reel(material, "polypropylene", grams, **more), HOUR, members=members)


def box(stream_m3_h, air_L=10.0):
    device = of_profile(profiles.dryer("sealed-box"), ROOM)
    return replace(device, around=replace(device.around, air_m3=air_L / 1000)).exchanging(stream_m3_h)


def wettest(state, device, hours, celsius=60.0):
    ran = course(state, device, celsius, length_mm=state.remaining_mm, cap_s=hours * HOUR)
    return float(ran.wettest[-1, 0]), ran


def test_much_exchange_is_a_stream_of_fresh_air():
    state = begun()
    fresh, _ = wettest(state, of_profile(profiles.dryer("dehydrator"), ROOM), 10)
    vented, _ = wettest(state, box(500.0), 10)
    assert vented == pytest.approx(fresh, rel=0.01)


def test_no_exchange_keeps_every_gram_of_water():
    state = begun()
    _, ran = wettest(state, box(0.0), 40)
    held = state.remaining_g * ran.whole[:, 0]
    kelvin = 333.15
    air = 10.0 * airs.vapour_density(kelvin, ran.air_Pa) + state.field.winding.gap_m3().sum() * 1000 * (
        airs.vapour_density(kelvin, ran.air_Pa)
    )
    assert held[-1] + air[-1] == pytest.approx(held[0] + air[0], rel=2e-3)
    assert ran.wettest[-1, 0] == pytest.approx(float(equilibrium(state, box(0.0), 60.0)[0][0]), rel=0.02)


@pytest.mark.parametrize("stream", [0.02, 0.3])
def test_an_exchange_carries_off_what_the_strand_loses(stream):
    """An independent balance: the vapour that the stream takes out, over the course's own looks."""
    state = begun()
    _, ran = wettest(state, box(stream), 30)
    density = airs.vapour_density(333.15, ran.air_Pa)
    incoming = float(airs.vapour_density(333.15, ROOM.vapour_Pa))
    out_g = 1000 * stream / HOUR * float(np.trapezoid(density - incoming, ran.at_s))
    lost_g = state.remaining_g * float(ran.whole[0, 0] - ran.whole[-1, 0])
    assert out_g == pytest.approx(lost_g, rel=0.05)


def test_a_vented_dryer_of_the_record_is_a_vented_profile():
    places = {
        "vented": Place("vented", "dryer", 60.0, room="bench", exchange_m3_h=0.3, air_L=10.0, draught=3.0)
    }
    state = begun(places=places)
    device = of_place(state.spool, state, "vented")
    assert device.around.closed
    ours, _ = wettest(state, device, 12)
    like = of_profile(replace(profiles.dryer("sealed-box"), draught=3.0, exchange_m3_h=0.3), ROOM)
    assert ours == pytest.approx(wettest(state, like, 12)[0], rel=1e-3)
    cooler, _ = wettest(state, device, 12, 45.0)
    assert cooler > ours


def test_more_looks_change_little(monkeypatch):
    state = begun()
    coarse, _ = wettest(state, box(0.3), 12)
    monkeypatch.setattr(module, "LONGEST_S", 300.0)
    fine, _ = wettest(state, box(0.3), 12)
    assert coarse == pytest.approx(fine, rel=0.01)


def test_more_exchange_never_dries_less():
    state = begun()
    ends = [wettest(state, box(stream), 12)[0] for stream in (0.0, 0.05, 0.2, 1.0, 20.0)]
    assert ends == sorted(ends, reverse=True)
    assert ends[0] > 1.5 * ends[-1]


def test_desiccant_in_a_box_takes_the_water():
    state = begun()
    device = box(0.0)
    dried = replace(
        device,
        around=replace(device.around, desiccant=airs.desiccant("molecular sieve"), desiccant_kg=0.2),
    )
    with_it, _ = wettest(state, dried, 30)
    without, _ = wettest(state, device, 30)
    assert with_it < 0.5 * without
    floor = float(equilibrium(state, dried, 60.0)[0][0])
    assert floor < with_it < without
    end, _ = wettest(state, dried, 2000)
    assert end == pytest.approx(floor, rel=0.05)


def test_no_time_beats_the_floor():
    state = begun("TPU")
    device = of_profile(profiles.dryer("dehydrator"), ROOM)
    end, _ = wettest(state, device, 2000)
    floor = float(equilibrium(state, device, 60.0)[0][0])
    assert end == pytest.approx(floor, rel=1e-3)
    assert end >= floor * (1 - 1e-6)


def test_the_air_that_a_content_needs_is_the_floors_inverse():
    state = begun("PLA", members=16)
    activity = activity_for(state, state.polymer.limit_good, 45.0, 0.5)
    over = state.polymer.equilibrium(activity, 318.15) / state.polymer.limit_good
    assert np.median(over) == pytest.approx(1.0, abs=0.03)
    assert float(airs.saturation_pressure(dew_point_C(activity, 45.0) + 273.15)) == pytest.approx(
        activity * float(airs.saturation_pressure(318.15)), rel=1e-4
    )


@pytest.mark.skipif(not COMPILED, reason="a minute where the kernel runs interpreted")
@pytest.mark.parametrize(("material", "celsius"), [("PLA", 46.0), ("PETG", 61.0), ("PA6", 66.0)])
def test_a_full_reel_takes_longer_by_the_solvers_own_factor(material, celsius):
    """The course's hours against a march of the solver alone, in steps of its own."""
    device = of_profile(profiles.dryer("dehydrator"), ROOM)
    air = device.air(celsius)
    ratios = []
    for reach in (_by_course, _by_march):
        hours = [reach(begun(material, grams), device, air, celsius) for grams in (1000.0, 100.0)]
        ratios.append(hours[0] / hours[1])
    assert ratios[0] == pytest.approx(ratios[1], rel=0.02)
    assert ratios[0] > 1.5


def _by_course(state, device, air, celsius):
    limit = state.polymer.limit_marginal if state.polymer.limit_marginal < state.field.mean() else None
    limit = state.field.mean() * 0.5 if limit is None else limit
    ran = course(state, device, celsius, length_mm=state.remaining_mm, cap_s=300 * HOUR)
    return float(falls_to(ran.at_s, ran.wettest, limit)[0])


def _by_march(state, device, air, celsius):
    limit = float(state.field.mean()[0]) * 0.5
    if state.polymer.limit_marginal[0] < state.field.mean()[0]:
        limit = float(state.polymer.limit_marginal[0])
    march = SpoolIntegrator(state.field, state.polymer)
    march.surround(air)
    at = 0.0
    while True:
        march.run(300.0, first_s=300.0 if at else 1.0)
        at += 300.0
        if march.field().layer_mean().max() <= limit:
            return at


def test_only_the_layers_that_are_needed_count():
    state = begun(grams=300.0)
    layers = state.field.winding.layers
    assert outermost(state, state.remaining_mm) == 0
    assert outermost(state, 1.0) == layers - 1
    assert outermost(state, 0.0) == layers - 1
    device = of_profile(profiles.dryer("dehydrator"), ROOM)
    all_of_it = course(state, device, 66.0, length_mm=state.remaining_mm, cap_s=5 * HOUR)
    outside = course(state, device, 66.0, length_mm=1.0, cap_s=5 * HOUR)
    assert outside.wettest[-1, 0] < 0.9 * all_of_it.wettest[-1, 0]
    assert outside.whole[-1, 0] == pytest.approx(all_of_it.whole[-1, 0])


def test_crossings_are_read_between_looks():
    at = np.array([0.0, 10.0, 20.0])
    content = np.array([[4.0, 1.0], [2.0, 1.0], [1.0, 3.0]])
    assert falls_to(at, content, np.array([3.0, 0.5])).tolist() == [5.0, np.inf]
    assert rises_to(at, content, np.array([9.0, 2.0])).tolist() == [np.inf, 15.0]


def test_a_stay_in_a_shut_box_goes_on():
    """What a box has taken up already is not forgotten when its plan begins."""
    places = {"tin": Place("tin", "box", 23.0, air_L=5.0, desiccant="silica gel", desiccant_g=50.0)}
    spool = reel("PLA", "abs", 200.0, places=places)
    moved = replace(
        spool, events=(*spool.events, replace(spool.events[0], kind="moved", at_s=1.0, place="tin"))
    )
    state = state_at(moved, 20 * 24 * HOUR)
    ran = course(
        state,
        of_place(moved, state, "tin"),
        23.0,
        length_mm=state.remaining_mm,
        cap_s=24 * HOUR,
    )
    later = state_at(moved, 21 * 24 * HOUR)
    assert ran.whole[-1, 0] == pytest.approx(float(later.field.mean()[0]), rel=5e-3)


@pytest.mark.parametrize("body", ["cardboard", "polypropylene", "abs"])
@pytest.mark.parametrize("agent", [None, "silica gel"])
def test_a_shut_box_ends_where_the_body_shares_its_water_too(body, agent):
    """The floor and the humidity that go with it, against years in the box."""
    box_place = Place(
        "box", "box", 40.0, air_L=10.0, desiccant=agent, desiccant_g=None if agent is None else 30.0
    )
    state = state_at(reel("PETG", body, 60.0, places={"box": box_place}), HOUR, members=2)
    device = of_place(state.spool, state, "box")
    assert device.around.closed
    march = SpoolIntegrator(state.field, state.polymer)
    march.surround(device.air(40.0))
    march.run(5 * 365 * 24 * HOUR)
    field = march.field()
    content, _ = equilibrium(state, device, 40.0)
    assert field.outer_mean() == pytest.approx(content, rel=5e-3)
    activity = final_activity(state, device, 40.0)
    assert device.air(40.0).activity_over(field.store_kg) == pytest.approx(activity, rel=5e-3)
    # the same again from within: what the box holds by then is what counts, not what it was closed with
    later = replace(state, field=field, place="box")
    assert equilibrium(later, device, 40.0)[0] == pytest.approx(content, rel=1e-3)


def test_a_board_reel_wets_a_dried_strand_in_a_shut_box():
    """A dried reel on cardboard in a small box without desiccant: its own body brings more water than the air."""
    state = begun("PETG", 60.0)
    dry = replace(state, field=replace(state.field, water=0.05 * state.field.water))
    board = state_at(reel("PETG", "cardboard", 60.0), HOUR)
    dry_on_board = replace(board, field=replace(board.field, water=0.05 * board.field.water))
    plastic, cardboard = (float(equilibrium(one, box(0.0), 40.0)[0][0]) for one in (dry, dry_on_board))
    assert cardboard > 2.0 * plastic
