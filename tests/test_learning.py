"""Weigh-ins and inspections: what they tell, what they cannot, and that the band stays honest."""

import dataclasses

import numpy as np
import pytest
from coverage_cases import simulate
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetool import profiles
from gcodetool.moisture import inference, next_measurement, observations, smc
from gcodetool.moisture.history import quantile, state_at
from gcodetool.moisture.next_measurement import (
    MeasurementGain,
    best_measurement,
    measurement_gains,
    worth_recording,
)
from gcodetool.moisture.record import Body, Event, Place, Spool, Thermometer
from gcodetool.moisture.solver import COMPILED

many_reels = pytest.mark.skipif(
    not COMPILED, reason="dozens of reels: minutes where the kernel runs interpreted"
)

HOUR = 3600.0
EXACT = {"accuracy_C": 0.0, "accuracy_rh_pct": 0.0}  # here weigh-ins are about the strand, not about the air
PLACES = {
    place.name: place
    for place in (
        Place("bench", "open", 22.0, 48.0, **EXACT),
        Place("oven", "dryer", 78.0, room="bench", accuracy_C=0.0, exchange_m3_h=500.0),
        Place("bench-1", "printer", printer="bench-1", room="bench"),
    )
}
BODY = Body(mass_g=210.0)
DRIED = (
    Event(0.0, "received", place="bench", sealed=False),
    Event(10 * HOUR, "moved", place="oven"),
    Event(22 * HOUR, "moved", place="bench"),
)


def weighed(hours, grams, resolution_g=0.1):
    return Event(hours * HOUR, "weighed", gross_g=grams, resolution_g=resolution_g)


def spool(*more, material="PA6", body=BODY):
    events = tuple(sorted((*DRIED, *more), key=lambda event: event.at_s))
    return Spool("pa6-07", profiles.material(material), 1.75, 500.0, PLACES, events, body=body)


def width(state, values):
    band = state.quantiles(values)
    return band.p90 - band.p10


def state(*more, hours=23, members=48, **rest):
    return state_at(spool(*more, **rest), hours * HOUR, members=members)


def masses(one, member, hours):
    """What a scale would show of one member's reel."""
    now = state_at(spool(), hours * HOUR, members=48)
    return one + 500.0 * (1 + float(now.mean_wt_pct[member]) / 100)


# ------------------------------------------------------------------------------- weigh-ins


def test_a_weighed_loss_sharpens_and_finds_its_member():
    member = 17
    plain = state()
    loss = [weighed(hours, round(masses(210.0, member, hours), 1)) for hours in (9.9, 21.9)]
    learned = state(*loss)
    assert width(learned, learned.next_fed_wt_pct) < 0.8 * width(plain, plain.next_fed_wt_pct)
    truth = float(state_at(spool(), 23 * HOUR, members=48).next_fed_wt_pct[member])
    low, high = (quantile(learned.next_fed_wt_pct, q, learned.weights) for q in (0.02, 0.98))
    assert low <= truth <= high
    # What members say they lost now agrees with the scale.
    lost = learned.record[0].water_g - learned.record[1].water_g
    seen = loss[0].gross_g - loss[1].gross_g
    assert float(learned.weights @ lost) == pytest.approx(seen, abs=0.3)
    assert any("more members drawn" in note for note in map(str, learned.notes))


def test_only_differences_tell_where_the_body_is_unknown():
    shift = [[weighed(9.9, 717.0 + more), weighed(21.9, 706.5 + more)] for more in (0.0, 40.0)]
    one, other = (state(*readings, body=Body()) for readings in shift)
    assert float(one.weights @ one.mean_wt_pct) == pytest.approx(
        float(other.weights @ other.mean_wt_pct), rel=0.1
    )


def test_a_record_that_no_member_fits_is_said_to():
    odd = state(weighed(9.9, 722.0), weighed(21.9, 640.0))
    assert any("the weigh-in of 640 g contradicts" in note for note in map(str, odd.notes))
    assert inference.effective_sample_size(odd.weights) >= 7.9


def test_members_are_the_same_every_time():
    readings = weighed(9.9, 722.0), weighed(21.9, 711.0)
    one, other = state(*readings), state(*readings)
    assert (one.weights == other.weights).all()
    assert (one.water_wt_pct == other.water_wt_pct).all()


def test_a_use_that_nobody_noted_is_read_from_the_scale():
    printed = (
        Event(22.5 * HOUR, "moved", place="bench-1"),
        weighed(22.4, 711.0),
        weighed(24, 660.0),
    )
    used = state(*printed, hours=25)
    assert used.remaining_g == pytest.approx(449.0, abs=1.5)
    assert any("51 g were printed" in note for note in map(str, used.notes))
    noted = state(
        Event(22.5 * HOUR, "moved", place="bench-1"), Event(23 * HOUR, "fed", length_mm=3000.0), hours=25
    )
    assert not any("without a note" in note for note in map(str, noted.notes))


def test_weighing_around_a_print_tells_use_from_uptake_though_no_length_was_noted():
    """Dried, weighed before and after a print, and before the next: the use is read off, the gain is water."""
    damp = {**PLACES, "damp": Place("damp", "open", 24.0, 75.0, **EXACT)}
    damp["bench-1"] = Place("bench-1", "printer", printer="bench-1", room="damp")
    on_printer = Event(22.5 * HOUR, "moved", place="bench-1")
    hours, used_g, member = (9.9, 22.4, 26.1, 60.0), 12.0, 30

    def reel(*more):
        events = tuple(sorted((*DRIED, on_printer, *more), key=lambda event: event.at_s))
        return Spool("pa6-07", profiles.material("PA6"), 1.75, 120.0, damp, events, body=BODY)

    length_mm = used_g / 1130e-6 / (np.pi * 1.75**2 / 4)
    fed = Event(26 * HOUR, "fed", length_mm=length_mm)
    truth = [state_at(reel(fed), hour * HOUR, members=48) for hour in (*hours, 61)]
    gross = [
        210.0 + float(one.body_gain_g[member]) + one.remaining_g * (1 + float(one.mean_wt_pct[member]) / 100)
        for one in truth
    ]
    readings = [weighed(hour, round(grams, 1)) for hour, grams in zip(hours, gross[:-1], strict=True)]
    before, after = (state_at(reel(*readings[:count]), 61 * HOUR, members=48) for count in (3, 4))
    assert after.remaining_g == pytest.approx(120.0 - used_g, abs=1.0)
    assert any("were printed" in note for note in map(str, after.notes))
    assert width(after, after.mean_wt_pct) < 0.85 * width(before, before.mean_wt_pct)  # the gain tells
    low, high = (quantile(after.mean_wt_pct, q, after.weights) for q in (0.02, 0.98))
    assert low <= float(truth[-1].mean_wt_pct[member]) <= high


def test_a_reel_that_came_back_heavier_was_not_printed_from():
    idle = state(
        Event(22.5 * HOUR, "moved", place="bench-1"), weighed(22.6, 711.0), weighed(40, 712.5), hours=41
    )
    assert idle.remaining_g == pytest.approx(500.0)
    assert idle.record[-1].unnoted_g is None


def test_a_finer_scale_tells_more():
    readings = [(hours, masses(210.0, 17, hours)) for hours in (9.9, 21.9)]
    fine, coarse = (
        state(*(weighed(hours, round(grams / step) * step, step) for hours, grams in readings))
        for step in (0.1, 5.0)
    )
    assert width(fine, fine.next_fed_wt_pct) < 0.9 * width(coarse, coarse.next_fed_wt_pct)


def test_a_reel_wound_heavier_than_its_label_is_not_taken_for_a_wet_one():
    """Three grams more of filament at every weigh-in: 0.6 wt % if it were water."""
    readings = [(hours, round(masses(210.0, 17, hours), 1)) for hours in (9.9, 21.9)]
    label, heavier = (
        state(*(weighed(hours, grams + more) for hours, grams in readings), members=64) for more in (0.0, 3.0)
    )
    moved = abs(float(heavier.weights @ heavier.mean_wt_pct) - float(label.weights @ label.mean_wt_pct))
    assert moved < 0.15


def test_a_coarse_scale_cannot_tell_petg():
    told = state(weighed(9.9, 711.0, 1.0), weighed(21.9, 710.0, 1.0), material="PETG")
    assert any("weighing can't tell" in note and "1 g" in note for note in map(str, told.notes))
    fine = state(weighed(9.9, 722.0), weighed(21.9, 711.5))
    assert not any("can't tell" in note for note in map(str, fine.notes))


def test_a_cardboard_body_hides_what_the_strand_loses():
    board = Body(profile=profiles.spool_body("cardboard"), mass_g=150.0)
    told = state(weighed(9.9, 652.0), weighed(21.9, 650.0), material="PLA", body=board)
    assert any("cardboard body" in note for note in map(str, told.notes))
    plain = state(material="PLA", body=board)
    assert width(told, told.next_fed_wt_pct) > 0.8 * width(plain, plain.next_fed_wt_pct)


@pytest.mark.parametrize("stated", [False, True])
def test_where_more_water_went_than_the_strand_holds_a_reel_of_unknown_material_may_be_cardboard(stated):
    body = Body(profile=profiles.spool_body("polycarbonate")) if stated else Body()
    told = state(weighed(9.9, 712.0), weighed(21.9, 702.0), material="PETG", body=body, members=16)
    (odd,) = [note for note in map(str, told.notes) if "contradict" in note]
    assert ("cardboard" in odd) != stated


def test_what_chance_explains_contradicts_nothing():
    """Readings drawn as the model says: one record in a thousand may be called contradictory, not one in ten."""
    random = np.random.default_rng(4)
    reel = observations.ReelMass(500.0, 210.0)
    truth, odd = np.array([12.0, 5.0, 6.0]), 0
    for _ in range(300):
        empty = [observations.Weighed(0.0, 0.1, np.full(1, water), 500.0, 0.0) for water in truth]
        noise = random.multivariate_normal(np.zeros(3), inference.weighing_covariance(empty, reel))
        record = [
            dataclasses.replace(one, gross_g=710.0 + water + miss)
            for one, water, miss in zip(empty, truth, noise, strict=True)
        ]
        odd += inference.misfit_ratio(record, reel, truth[np.newaxis]) > 1.0
    assert odd <= 3
    wrong = [dataclasses.replace(record[0], gross_g=record[0].gross_g + 30.0), *record[1:]]
    assert inference.misfit_ratio(wrong, reel, truth[np.newaxis], slips=False) > 10.0
    assert inference.misfit_ratio(wrong, reel, truth[np.newaxis]) < 1.0  # one slip explains it, two do not
    wrong[1] = dataclasses.replace(record[1], gross_g=record[1].gross_g - 40.0)
    assert inference.misfit_ratio(wrong, reel, truth[np.newaxis]) > 10.0
    assert inference.misfit_ratio([], reel, np.zeros((1, 0))) == 0.0


# ------------------------------------------------------------------------------- members drawn anew


def test_a_stand_in_is_right_where_it_was_fitted_and_near_between():
    random = np.random.default_rng(1)

    def march(at):
        return np.column_stack([np.exp(at[:, 0] - at[:, 1]), np.tanh(3 * at[:, 2] + at[:, 0])])

    at = random.random((150, 4))
    predict = smc.fit_surrogate(at, march(at), np.ones(150))
    assert np.abs(predict(at) - march(at)).max() < 0.05
    elsewhere = random.random((200, 4))
    assert np.abs(predict(elsewhere) - march(elsewhere)).mean() < 0.03
    fewer = smc.fit_surrogate(at[:40], march(at[:40]), np.ones(40))  # more marches, a better stand-in
    assert (
        np.abs(predict(elsewhere) - march(elsewhere)).mean()
        < np.abs(fewer(elsewhere) - march(elsewhere)).mean()
    )


@given(st.floats(0.1, 0.9), st.floats(0.02, 0.3), st.integers(0, 2**32 - 1))
@settings(max_examples=15)
def test_a_crowd_ends_where_it_is_judged_likely_and_inside_the_cube(middle, spread, seed):
    def judge(at):
        return -0.5 * np.sum((at[:, :2] - middle) ** 2, axis=1) / spread**2

    at, log_density = smc.sample_posterior(judge, 3, np.random.default_rng(seed))
    assert ((at >= 0.0) & (at <= 1.0)).all()
    assert log_density == pytest.approx(judge(at))
    # against the same density by brute force
    even = (np.arange(4000) + 0.5) / 4000
    weight = np.exp(-0.5 * ((even - middle) / spread) ** 2)
    mean = float(weight @ even / weight.sum())
    deviation = float(np.sqrt(weight @ (even - mean) ** 2 / weight.sum()))
    assert at[:, :2].mean(axis=0) == pytest.approx([mean, mean], abs=0.3 * deviation)
    assert at[:, :2].std(axis=0) == pytest.approx([deviation, deviation], rel=0.3)
    assert at[:, 2].mean() == pytest.approx(0.5, abs=0.12)


# ------------------------------------------------------------------------------- inspections


def test_bubbles_move_contents_up_and_none_down():
    seen = {what: state(Event(22.5 * HOUR, "inspected", bubbles=what)) for what in ("none", "few", "many")}
    ratio = {
        what: float(one.weights @ (one.next_fed_wt_pct / one.limit_marginal_wt_pct))
        for what, one in seen.items()
    }
    assert ratio["none"] < ratio["few"] < ratio["many"]


def test_inspections_move_limits_too():
    """Clean though the model says wet: the limits of those members that stay lie higher."""
    wet = Spool("pa6-07", profiles.material("PC"), 1.75, 500.0, PLACES, DRIED[:1], body=BODY)
    looked = dataclasses.replace(
        wet, events=(*DRIED[:1], *(Event(h * HOUR, "inspected", bubbles="none") for h in (1, 2, 3)))
    )
    before, after = (state_at(one, 4 * HOUR, members=64) for one in (wet, looked))
    assert float(after.weights @ after.limit_marginal_wt_pct) > 1.03 * float(
        before.weights @ before.limit_marginal_wt_pct
    )


@pytest.mark.parametrize("ratio", [0.2, 1.0, 5.0])
def test_the_chances_of_what_can_be_seen_add_up_to_one(ratio):
    given = np.array([ratio])
    for key, answers in (
        ("bubbles", ("none", "few", "many")),
        ("oozes", (True, False)),
        ("pops", (True, False)),
    ):
        chances = [
            float(
                np.exp(
                    inference.log_likelihood(
                        [observations.Inspected(given, **{key: answer})],
                        observations.ReelMass(500.0, None),
                        np.log([[ratio]]),
                    )[0]
                )
            )
            for answer in answers
        ]
        assert sum(chances) == pytest.approx(1.0)


# ------------------------------------------------------------------------------- honest bands


@many_reels
def test_bands_cover_the_truth_of_simulated_reels():
    """A small version of tests/benchmarks/moisture_coverage.py: 400 reels there."""
    done = [simulate("TPU_95A", number, net_g=60.0) for number in range(60)]
    assert 0.66 <= np.mean([case.covered for case in done]) <= 0.94  # 80 % give or take 2.7 deviations


@many_reels
@pytest.mark.parametrize("material", ["PA6", "PVA"])
def test_weighing_narrows_the_band_of_simulated_reels_and_still_covers(material):
    done = [
        simulate(material, number, resolution_g=0.1, net_g=120.0, members=40, dryings=2)
        for number in range(8)
    ]
    assert np.median([case.narrower for case in done]) < 0.7  # what the dryer and the room may be is in it
    assert np.mean([case.covered_weighed for case in done]) >= 0.5  # 80 % less 2.1 deviations
    assert not any(
        "few members" in note or "contradicts" in note for case in done for note in map(str, case.notes)
    )


# ------------------------------------------------------------------------------- what to record next


def test_sharpening_names_the_scale_for_pa6_and_not_for_petg():
    weighed_once = state(weighed(9.9, 722.0))
    assert "weigh it now" in best_measurement(weighed_once)
    petg = measurement_gains(state(material="PETG"))
    assert all(gain.share < 0.3 for gain in petg if "weigh" in gain.what)


def test_sharpening_orders_its_gains_and_keeps_to_shares():
    found = measurement_gains(state(body=Body()))
    assert [gain.share for gain in found] == sorted((gain.share for gain in found), reverse=True)
    assert all(0.0 <= gain.share <= 1.0 for gain in found)
    assert any("empty reel" in gain.what for gain in found)
    assert any("hygrometer at bench" in gain.what for gain in found)


def test_a_thermometer_is_named_for_a_dryer_that_nobody_has_read():
    """Two weigh-ins tell a cool dryer hardly from a strand that takes up little; a thermometer does."""

    def thermometer(**stated):
        oven = dataclasses.replace(PLACES["oven"], **{"accuracy_C": None, **stated})
        dried = dataclasses.replace(spool(material="PLA"), places={**PLACES, "oven": oven})
        gains = measurement_gains(state_at(dried, 22 * HOUR, members=48))
        return [gain.share for gain in gains if "put a thermometer into oven" in gain.what]

    assert thermometer()[0] > 0.1
    assert not thermometer(accuracy_C=1.0)
    assert not thermometer(readings=(Thermometer(10.5 * HOUR, 71.0, knob_C=75.0),))


@pytest.mark.parametrize(("share", "worth"), [(0.14, False), (0.16, True)])
def test_a_record_is_worth_the_walk_from_a_seventh_of_the_band_on(share, worth, monkeypatch):
    monkeypatch.setattr(next_measurement, "measurement_gains", lambda _: [MeasurementGain("weigh it", share)])
    assert worth_recording(state(members=2)) == (
        f"weigh it (takes about {100 * share:.0f} % off the band)" if worth else None
    )


def test_what_was_fed_is_known_to_two_hundredths_and_wrong_alike_in_all_weigh_ins():
    def covariance(*fed_g):
        water = np.full(3, 5.0)
        record = [observations.Weighed(700.0, 0.1, water, 500.0 - fed, fed) for fed in fed_g]
        return inference.weighing_covariance(record, observations.ReelMass(500.0, 210.0))

    more = covariance(100.0, 200.0) - covariance(0.0, 0.0)
    assert more == pytest.approx(np.outer([2.0, 4.0], [2.0, 4.0]))  # grams


def test_one_member_has_nothing_to_sharpen():
    assert "one member gives no band" in best_measurement(state(members=1))


def wet(*looks, material="PA6", rh_pct=48.0, **places):
    """Return a reel found open in that room and never dried, with looks at so many hours: ``(hours, facts)``."""
    bench = Place("bench", "open", 22.0, rh_pct)
    events = tuple(Event(hours * HOUR, "inspected", **facts) for hours, facts in looks)
    return Spool(
        "pa6-07",
        profiles.material(material),
        1.75,
        500.0,
        {"bench": bench, **places},
        (DRIED[0], *events),
        body=BODY,
    )


def test_looks_at_one_strand_are_one_look():
    """Six looks in one stay with nothing fed in between tell what one tells; at other strands they tell more."""
    one, six = (
        state_at(wet(*((20 + hour, {"bubbles": "few"}) for hour in range(count))), 200 * HOUR, members=48)
        for count in (1, 6)
    )
    assert six.weights == pytest.approx(one.weights)
    fed = [Event((20.5 + hour) * HOUR, "fed", length_mm=6000.0) for hour in range(5)]
    looked = wet(*((20 + hour, {"bubbles": "few"}) for hour in range(6)))
    events = tuple(sorted((*looked.events, *fed), key=lambda event: event.at_s))
    apart = state_at(dataclasses.replace(looked, events=events), 200 * HOUR, members=48)
    assert len({seen.strand for seen in apart.record}) == 6
    assert width(apart, apart.next_fed_wt_pct / apart.limit_marginal_wt_pct) < 0.8 * width(
        six, six.next_fed_wt_pct / six.limit_marginal_wt_pct
    )


def test_a_strand_that_looks_different_days_later_is_seen_anew():
    seen = state_at(
        wet((20, {"bubbles": "few"}), (30, {"bubbles": "many"}), (80, {"bubbles": "many"})),
        90 * HOUR,
        members=16,
    )
    assert [look.strand for look in seen.record] == [1, 1, 2]


@pytest.mark.parametrize("material", ["PA6", "TPU_95A", "PVA", "PET_amorphous"])
def test_dry_looks_at_a_wet_reel_contradict_the_forecast_and_hardly_move_the_water(material):
    spool = wet(material=material, rh_pct=60.0)
    looked = wet(*((20 + hour, {"bubbles": "none"}) for hour in range(6)), material=material, rh_pct=60.0)
    before, after = (state_at(one, 200 * HOUR, members=64) for one in (spool, looked))
    assert not any(note.kind == "contradiction" for note in before.notes)
    assert [note.kind for note in after.notes].count("contradiction") == 1
    assert width(after, after.next_fed_wt_pct) > 0.9 * width(before, before.next_fed_wt_pct)
    limits = [float(one.weights @ one.limit_marginal_wt_pct) for one in (before, after)]
    assert limits[1] > limits[0]  # the limit gives way first


def test_what_was_to_be_seen_contradicts_nothing():
    for bubbles in ("few", "many"):
        seen = state_at(wet((20, {"bubbles": bubbles}), material="PC"), 30 * HOUR, members=48)
        assert not any(note.kind == "contradiction" for note in seen.notes)


@given(st.lists(st.floats(0.0, 15.0), min_size=3, max_size=7, unique=True), st.floats(0.01, 1.0))
def test_a_model_that_is_wrong_by_a_share_blurs_a_loss_and_not_a_curves_bend(lost, resolution_g):
    record = [
        observations.Weighed(700.0 - one, resolution_g, np.full(2, 20.0 - one), 490.0, 0.0) for one in lost
    ]
    covariance = inference.weighing_covariance(record, observations.ReelMass(500.0, 210.0))
    moved = lost[0] - np.array(lost)
    # what neither the reel's mass nor a share of the loss moves: the curve's bend
    _, _, rows = np.linalg.svd(np.stack([np.ones(len(lost)), moved]))
    bend = rows[2]
    own = (inference.READING_SHARE * resolution_g) ** 2 + (inference.MODEL_NOISE_SHARE * moved) ** 2
    assert bend @ covariance @ bend == pytest.approx(bend**2 @ own, rel=1e-6)
    first_to_last = np.zeros(len(lost))
    first_to_last[0], first_to_last[-1] = -1.0, 1.0
    share = inference.MODEL_SHARE**2 + inference.MODEL_NOISE_SHARE**2
    loss = 2 * (inference.READING_SHARE * resolution_g) ** 2 + share * moved[-1] ** 2
    assert first_to_last @ covariance @ first_to_last == pytest.approx(loss, rel=1e-6)
