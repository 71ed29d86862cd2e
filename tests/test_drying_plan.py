"""Plans: what a dryer can reach, what would do instead, conditioning, jobs, energy."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from test_drying_limits import reel

from gcodetool import profiles
from gcodetool.drying import instructions
from gcodetool.drying.advice import drying_advice
from gcodetool.drying.device import Room, of_place, of_profile, powered, room_at
from gcodetool.drying.job import JobFeed
from gcodetool.drying.plan import advised_s, plan
from gcodetool.drying.words import hours as hours_of
from gcodetool.drying.words import timer_s
from gcodetool.errors import OutOfRangeError, SpoolError, UsageError
from gcodetool.judge.print_air import PrintAir
from gcodetool.moisture import air
from gcodetool.moisture.field import uniform
from gcodetool.moisture.history import Surroundings, state_at
from gcodetool.moisture.record import Event, Place
from gcodetool.moisture.solver import COMPILED
from gcodetool.motion.feed import ToolFeed

HOUR = 3600.0
FEW = 16
pytestmark = pytest.mark.skipif(not COMPILED, reason="minutes where the kernel runs interpreted")


def begun(material, grams=1000.0, members=FEW, rh=50.0, body="polypropylene", **more):
    places = {"bench": Place("bench", "open", 23.0, rh), **more.pop("places", {})}
    return state_at(reel(material, body, grams, places=places, **more), HOUR, members=members)


def dryer(name, rh=50.0, celsius=23.0):
    return of_profile(profiles.dryer(name), room_at(celsius, rh))


# moisture physics, "heated room air": what the floor keeps from ever being dry
NEVER = [("PET_amorphous", 60, 50), ("PVA", 50, 50), ("PA6", 60, 50), ("PLA", 45, 60), ("TPU", 60, 70)]


@pytest.mark.parametrize("members", [1, 64])
@pytest.mark.parametrize(("material", "celsius", "rh"), NEVER)
def test_never_in_this_air(material, celsius, rh, members):
    made = plan(
        begun(material, 100.0, members, rh), dryer("heated-box", rh), at_most_C=celsius, cap_s=24 * HOUR
    )
    assert made.set_point.temperature_C == celsius
    assert made.first.outcome == "never"
    assert made.advised_s is None
    assert made.floor_wt_pct.p50 > made.first.limit_wt_pct
    assert "never" in instructions.instruction(made)
    assert {one.kind for one in made.alternatives} >= {"dried-air"}


@pytest.mark.parametrize(("material", "celsius", "rh"), [("PLA", 45, 40), ("TPU", 60, 45), ("PA6", 75, 50)])
def test_drier_air_or_more_heat_is_not_never(material, celsius, rh):
    device = dryer("oven" if celsius > 65 else "heated-box", rh)
    made = plan(begun(material, 100.0, 1, rh), device, at_most_C=celsius, cap_s=200 * HOUR)
    assert made.first.outcome == "reaches"


def test_longer_is_not_never():
    made = plan(begun("PA6"), dryer("oven"), cap_s=5 * HOUR)
    assert made.first.outcome == "longer"
    assert made.floor_wt_pct.p50 < made.first.limit_wt_pct
    assert "longer than 5 h" in instructions.instruction(made)
    assert plan(begun("PA6"), dryer("oven"), cap_s=300 * HOUR).first.outcome == "reaches"


def test_p90_takes_no_less_than_p50_and_confidence_decides_between():
    state = begun("ABS")
    made = [plan(state, dryer("oven"), confidence=q).first for q in (0.1, 0.5, 0.9)]
    assert made[0].seconds < made[1].seconds < made[2].seconds
    assert made[0].p50_s == made[1].seconds == made[2].p50_s
    assert made[2].seconds == made[0].p90_s


def test_one_member_has_no_band():
    made = plan(begun("ABS", members=1), dryer("oven"))
    assert made.first.p90_s is None
    assert made.first.share == 1
    assert "9 in 10" not in instructions.instruction(made)


def test_warming_up_is_counted_in():
    state = begun("PC", body="polycarbonate", members=1)
    warm = replace(
        state, field=replace(state.field, temperature_K=np.full_like(state.field.temperature_K, 378.0))
    )
    cold_s, warm_s = (plan(one, dryer("oven")).first.seconds for one in (state, warm))
    assert warm_s < 0.8 * cold_s


def test_hotter_and_another_reel_are_computed_not_canned():
    """What a plan says of another dryer is what that dryer's own plan says."""
    state = begun("PA6", 300.0)
    made = plan(state, dryer("heated-box"), at_most_C=60)
    hotter = next(one for one in made.alternatives if one.kind == "hotter")
    own = replace(dryer("heated-box"), max_temperature_C=150.0)
    assert plan(state, own).set_point.temperature_C == hotter.temperature_C
    assert plan(state, own).first.p50_s == pytest.approx(hotter.p50_s)
    unknown = begun("PA6", 300.0, body=None)
    reel_ = next(one for one in plan(unknown, dryer("oven")).alternatives if one.kind == "reel")
    assert "[body] material" in reel_.what
    metal = begun("PA6", 300.0, body="metal_or_glass_filled")
    assert plan(metal, dryer("oven")).first.p50_s == pytest.approx(reel_.p50_s)


def test_the_dew_point_it_asks_for_does():
    state = begun("PLA", 100.0, rh=66.0)
    made = plan(state, dryer("heated-box", 60.0), at_most_C=45)
    one = next(one for one in made.alternatives if one.kind == "dry-enough-air")
    assert one.p50_s is not None
    assert one.floor_wt_pct.p50 == pytest.approx(0.8 * made.first.limit_wt_pct, rel=0.05)


def test_a_shut_box_is_told_to_open():
    made = plan(begun("PA6", 500.0), dryer("sealed-box").exchanging(0.0), cap_s=200 * HOUR)
    assert made.first.outcome == "never"  # what leaves the strand stays in the box
    kinds = {one.kind: one for one in made.alternatives}
    assert kinds["vent"].outcome == "never"  # and at 62 °C room air has its floor
    assert kinds["desiccant"].floor_wt_pct.p50 < made.floor_wt_pct.p50
    petg = plan(begun("PETG", 500.0), dryer("sealed-box").exchanging(0.0))
    kinds = {one.kind: one for one in petg.alternatives}
    assert kinds["vent"].p50_s is not None
    assert kinds["exchange"].p50_s <= 1.25 * kinds["vent"].p50_s
    assert instructions.best_alternative(petg) is not None
    assert instructions.instruction(petg).startswith(instructions.best_alternative(petg).what)


def test_the_best_thing_else_is_the_first_within_a_day_or_the_quickest():
    """The simplest comes first; where all are slow, hours count."""
    made = plan(begun("PETG", 500.0), dryer("sealed-box").exchanging(0.0))
    one = made.alternatives[0]

    def best(*hours):
        every = [
            replace(one, what=str(number), p50_s=None if each is None else each * HOUR)
            for number, each in enumerate(hours)
        ]
        found = instructions.best_alternative(replace(made, alternatives=tuple(every)))
        return None if found is None else int(found.what)

    assert best(None, 60, 30, 90) == 2
    assert best(30, 23, 2) == 1
    assert best(None, None) is None


def test_the_advice_is_each_dryers_own_plan_the_quickest_first():
    ovens = {
        name: Place(name, "dryer", celsius, room="bench")
        for name, celsius in (("a-lukewarm", 50.0), ("b-warm", 65.0))
    }
    begin = begun("PETG", 300.0)
    bench = {"bench": begin.spool.places["bench"]}
    nowhere = replace(begin, spool=replace(begin.spool, places=bench))
    state = replace(begin, spool=replace(begin.spool, places=bench | ovens))
    plans = [plan(state, of_place(state.spool, state, name), confidence=0.5) for name in ovens]
    slow, quick = plans
    assert quick.advised_s < (slow.advised_s or slow.cap_s)
    assert drying_advice(state) == (
        instructions.instruction(quick),
        instructions.instruction(slow),
        instructions.HEAT_IN_SHORT,
    )
    whole = (
        "these hours dry the whole reel; how long for this job alone: gcodetool drying plan petg-03 --for JOB"
    )
    assert drying_advice(state, of_job=True)[2:] == (
        whole.replace("petg-03", state.spool.id),
        instructions.HEAT_IN_SHORT,
    )
    none, caution = drying_advice(nowhere)
    assert "--dryer" in none
    assert caution == instructions.HEAT_IN_SHORT


def test_nothing_is_dried_that_is_dry():
    state = begun("PETG", 200.0)
    field = uniform(state.field.winding, state.polymer, 0.5 * state.polymer.limit_good, 296.0)
    made = plan(replace(state, field=field), dryer("oven"))
    assert made.first.outcome == "already"
    assert made.advised_s == 0
    assert made.energy is None
    assert instructions.instruction(made).startswith("Nothing to dry")
    assert not list(instructions.cautions(made, state.spool))


def test_a_place_too_hot_for_the_reel_is_refused():
    places = {"press": Place("press", "box", 62.0, 5.0)}
    state = begun("PLA", 100.0, body="recycled_pla", places=places)
    made = plan(state, of_place(state.spool, state, "press"))
    assert not made.set_point.possible
    assert instructions.instruction(made).startswith("Do not put")
    assert made.first.seconds is None
    assert made.advised_s is None
    swinging = replace(dryer("oven"), swing_C=30.0)
    assert instructions.instruction(plan(state, swinging)).startswith("Do not put")


def test_conditioning_upwards_in_a_damp_place():
    places = {"greenhouse": Place("greenhouse", "open", 24.0, 82.0)}
    state = begun("PA6", 20.0, winding="loose", places=places, body=None)
    device = of_place(state.spool, state, "greenhouse")
    held = float(np.median(state.mean_wt_pct))
    made = plan(state, device, to_wt_pct=held + 0.5, cap_s=2000 * HOUR)
    assert made.upwards
    assert made.first.goal == "target"
    assert made.first.outcome == "reaches"
    assert made.spread_wt_pct == pytest.approx((held + 0.5, held + 0.5), rel=0.01)  # a loose coil is even
    assert instructions.instruction(made).startswith("Leave")
    never = plan(state, device, to_wt_pct=9.0)
    assert never.first.outcome == "never"
    assert {one.kind for one in never.alternatives} <= {"humid-air"}


def test_a_target_of_ones_own_from_above():
    state = begun("PA6", 100.0)
    deep = plan(state, dryer("oven"), to_wt_pct=0.3, cap_s=200 * HOUR)
    less = plan(state, dryer("oven"), to_wt_pct=1.0, cap_s=200 * HOUR)
    assert not deep.upwards
    assert less.first.seconds < deep.first.seconds


def job(metres, hours, rh, name="manifold.gcode"):
    around = air.room_air(23.0, rh)
    ends = np.linspace(0, hours * HOUR, 31)
    feed = np.stack([ends[:-1], ends[1:], np.full(30, 1000.0 * metres / 30)], axis=1)
    taken = ToolFeed(0, feed, np.arange(1, 31), 1000.0 * metres, hours * HOUR, hours * HOUR, hours * HOUR)
    return JobFeed(
        name, taken, PrintAir(Surroundings(around, around), f"bench, 23 °C, {rh:g} % RH", keeps=False)
    )


def test_a_job_needs_no_more_than_its_length():
    state = begun("PETG", 750.0)
    short, long = (plan(state, dryer("oven"), job=job(metres, 1.0, 40)) for metres in (5.0, 120.0))
    everything = plan(state, dryer("oven"))
    assert 0 < short.job.clear_s < long.job.clear_s
    assert short.first.seconds < everything.first.seconds
    assert short.advised_s == short.job.clear_s
    assert short.job.adjust_s <= short.job.clear_s


def test_the_hours_of_a_job_are_just_enough():
    from gcodetool.drying.course import course
    from gcodetool.moisture.forecast import forecast

    state = begun("PETG", 300.0, 1)
    one = job(10.0, 0.5, 40)
    made = plan(state, dryer("dehydrator"), job=one)
    ratios = []
    for share in (0.9, 1.02):
        ran = course(
            state,
            dryer("dehydrator"),
            made.set_point.temperature_C,
            length_mm=1e4,
            cap_s=share * made.job.clear_s,
            keep=True,
        )
        arrival = forecast(replace(state, field=ran.fields[-1]), one.around.air, one.feed.segments)
        ratios.append(float(arrival.worst_wt_pct[0] / state.limit_good_wt_pct[0]))
    assert ratios[1] <= 1.005 < ratios[0] + 0.005
    assert ratios[0] > 1


@pytest.mark.parametrize("cap_h", [72, 30])
def test_where_longer_drying_parts_the_members_the_hours_told_still_give_the_verdict(cap_h):
    """From 20 h on the job is adjust; at 28 h a quarter lies below good and a quarter above marginal: nobody can say."""
    from gcodetool.drying.course import course
    from gcodetool.judge.feed_judgement import judged_by
    from gcodetool.moisture.forecast import forecast

    spool = reel("PA6", "polycarbonate", 300.0)
    state = state_at(spool, HOUR, members=FEW)
    device, one = of_place(spool, state, "oven"), job(2.0, 0.25, 30)
    made = plan(state, device, job=one, cap_s=cap_h * HOUR, suggest=False)
    adjust_s = made.job.adjust_s
    assert adjust_s is not None
    said = []
    for seconds in (adjust_s - HOUR, adjust_s, timer_s(adjust_s), 28 * HOUR, 40 * HOUR):
        ran = course(state, device, made.set_point.temperature_C, length_mm=2e3, cap_s=seconds, keep=True)
        dried = replace(state, field=replace(ran.fields[-1], store_kg=None), path=None)
        arrival = forecast(dried, one.around.air, one.feed.segments, until_s=one.feed.until_s)
        said.append(judged_by(dried, arrival, one.feed, 0.5).code)
    assert said == ["dry-first", "adjust", "adjust", "unknown", "adjust"]


def test_the_box_at_the_feed_is_the_largest_that_keeps_the_job_clear():
    from gcodetool.moisture.forecast import forecast

    state = begun("TPU", 300.0, 1)
    dry = replace(
        state, field=uniform(state.field.winding, state.polymer, 0.4 * state.polymer.limit_good, 296.0)
    )
    one = job(30.0, 12.0, 60)
    made = plan(dry, dryer("dehydrator"), job=one)
    need = made.job
    assert need.box_now_rh_pct is not None
    assert need.box_now_rh_pct < 60
    worst = []
    for rh in (need.box_now_rh_pct, need.box_now_rh_pct + 2):
        box = Surroundings(air.room_air(23.0, rh), one.around.air.path)
        worst.append(float(forecast(dry, box, one.feed.segments).worst_wt_pct[0] / dry.limit_good_wt_pct[0]))
    assert worst[0] <= 1 < worst[1]
    assert "box" in instructions.instruction(made)


def test_the_hours_in_json_are_those_of_the_line_whatever_the_job_comes_to():
    """Marginal at best, a box at the feed, or nothing at all: the line told hours, the JSON none, or those of the reel."""
    state = begun("PETG", 300.0, 1)
    made = plan(state, dryer("oven"), job=job(5.0, 1.0, 40))
    for clear, box_now, boxed, adjust in itertools.product(
        (None, 0.0, 5 * HOUR), (None, 40.0), (None, 7 * HOUR), (None, 0.0, 3 * HOUR)
    ):
        need = replace(made.job, clear_s=clear, box_now_rh_pct=box_now, boxed_s=boxed, adjust_s=adjust)
        advised = advised_s(made.first, need, None)
        line = instructions.for_job(replace(made, job=need, advised_s=advised))
        case = (clear, box_now, boxed, adjust, line)
        if advised:
            assert line.startswith(f"Dry {made.spool} {hours_of(advised)} "), case
        else:
            assert not line.startswith("Dry "), case
        assert (advised is None) == line.startswith("oven does not get"), case


def test_a_job_longer_than_the_reel_says_so():
    state = begun("PETG", 30.0, 1)
    made = plan(state, dryer("oven"), job=job(50.0, 1.0, 40))
    assert made.job.short_mm > 0
    assert any("m left" in line for line in instructions.cautions(made, state.spool))


def test_energy_is_power_times_hours_and_costs_the_tariff():
    state = begun("ABS", 300.0)
    made = plan(state, powered(dryer("oven"), 400.0), tariff_per_kWh=0.25)
    assert made.energy.kWh == pytest.approx(0.4 * made.advised_s / HOUR)
    assert made.energy.cost == pytest.approx(0.25 * made.energy.kWh)
    assert made.energy.kWh_p90 == pytest.approx(0.4 * made.first.p90_s / HOUR)
    named = powered(of_place(state.spool, state, "oven"), None, profiles.dryer("oven"))
    assert "named after" in named.power_said
    assert plan(state, of_place(state.spool, state, "oven")).energy is None


def test_the_scale_is_told_what_it_will_show():
    made = plan(begun("PA6"), dryer("oven"), cap_s=100 * HOUR)
    assert made.weighing.scale_g == 1.0
    losses = [one.loss_g.p50 for one in made.weighing.looks]
    assert losses == sorted(losses)
    assert 15 < losses[-1] < 27  # 1 kg of PA6 at 23 °C and 50 % RH holds 27 g
    assert plan(begun("PETG", 300.0), dryer("oven")).weighing.scale_g < 0.1
    paper = plan(begun("PETG", 300.0, body="cardboard"), dryer("oven"))
    assert paper.weighing.scale_g is None
    assert any(
        "cardboard" in line for line in instructions.cautions(paper, begun("PETG", body="cardboard").spool)
    )


def test_cautions_stand_where_heat_is_advised():
    state = begun("ABS")
    said = " ".join(instructions.cautions(plan(state, dryer("oven")), state.spool))
    for word in ("microwave", "gas oven", "food", "styrene", "unattended", "socket", "codes", "settle"):
        assert word in said
    petg = begun("PETG")
    assert "styrene" not in " ".join(instructions.cautions(plan(petg, dryer("oven")), petg.spool))


def test_what_cannot_be_is_refused():
    state = begun("PETG", 100.0, 1)
    with pytest.raises(OutOfRangeError, match="confidence is 2"):
        plan(state, dryer("oven"), confidence=2)
    with pytest.raises(OutOfRangeError, match="hours"):
        plan(state, dryer("oven"), cap_s=0)
    empty = reel("PETG", "abs", 100.0)
    empty = replace(empty, events=(*empty.events, Event(1.0, "fed", length_mm=1e9)))
    with pytest.raises(SpoolError, match="empty"):
        plan(state_at(empty, HOUR), dryer("oven"))
    with pytest.raises(UsageError, match="no such place"):
        of_place(state.spool, state, "shed")
    with pytest.raises(UsageError, match="not a dryer"):
        of_place(state.spool, state, "bench", room=Room("x", 20.0, 1000.0))
    with pytest.raises(OutOfRangeError, match="cannot be set"):
        of_place(state.spool, state, "bench").air(50.0)


def test_a_reel_half_of_whose_members_are_there_is_not_sent_for_no_time_at_all() -> None:
    """Hotter would be quicker, but what is to be done is to be sure: no "or 0 min at 65 °C"."""
    spool = reel("PETG", "polycarbonate", 300.0)
    oven = replace(spool.places["oven"], temperature_C=55.0, max_temperature_C=70.0)
    began = spool.events[-1].at_s + HOUR
    moved = Event(began, "moved", place="oven")
    spool = replace(spool, places={**spool.places, "oven": oven}, events=(*spool.events, moved))
    lines = []
    for hours in (6, 12):
        state = state_at(spool, began + hours * HOUR, members=16)
        lines.append(instructions.instruction(plan(state, of_place(spool, state, "oven"), suggest=False)))
    assert "; or " in lines[0]
    assert "not surely dry yet" in lines[1]
    assert "; or " not in lines[1]
