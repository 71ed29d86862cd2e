"""From a record to a state: places, events, what is assumed, what is refused."""

import dataclasses
import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetool import profiles
from gcodetool.errors import SpoolError
from gcodetool.moisture import air
from gcodetool.moisture.history import log_air, quantile, quantiles, state_at, stretches, surroundings
from gcodetool.moisture.record import AirLog, Event, Place, Spool

HOUR = 3600.0
DAY = 24 * HOUR
PLACES = {
    place.name: place
    for place in (
        Place("bench", "open", 22.0, 48.0),
        Place("oven", "dryer", 78.0, room="bench"),
        Place("cabinet", "dryer", 60.0, dew_point_C=-20.0),
        Place("bag", "sealed", leak_g_per_day=0.0),
        Place("tin", "sealed", 20.0, air_L=2.0, leak_g_per_day=0.0),
        Place("box-2", "box", 22.0, 14.0),
        Place("box-3", "box", 22.0, air_L=9.0, desiccant="silica gel", desiccant_g=200.0),
        Place("bench-1", "printer", printer="bench-1", room="bench"),
        Place("bench-2", "printer", printer="bench-2", room="bench", fed_from="box-2"),
    )
}


def received(**more):
    return Event(0.0, "received", place=more.pop("place", "bench"), **more)


def moved(hours, place):
    return Event(hours * HOUR, "moved", place=place)


def fed(hours, length_mm):
    return Event(hours * HOUR, "fed", length_mm=length_mm)


def spool(*events, material="PA6", net_mass_g=750.0, **more):
    places = {**PLACES, **more.pop("places", {})}
    return Spool(
        "pa6-07", profiles.material(material), 1.75, net_mass_g, places, events, source="pa6-07.toml", **more
    )


def mean(state):
    return float(state.mean_wt_pct[0])


def next_fed(state):
    return float(state.next_fed_wt_pct[0])


# ------------------------------------------------------------------------------- where it starts


def test_known_water_is_taken_at_its_word():
    state = state_at(spool(received(water_wt_pct=0.4)), 0.0)
    assert state.water_wt_pct == pytest.approx(0.4)
    assert not any("found open" in note or "sealed" in note for note in map(str, state.notes))


def test_found_open_is_in_balance_with_its_place():
    state = state_at(spool(received()), 0.0)
    assert mean(state) == pytest.approx(100 * float(state.polymer.equilibrium(0.48, 295.15)[0]))
    assert mean(state) == pytest.approx(next_fed(state))
    assert any("found open" in note and "bench" in note for note in map(str, state.notes))
    later = state_at(spool(received()), 30 * DAY)
    assert mean(later) == pytest.approx(mean(state), rel=1e-6)


@pytest.mark.parametrize("place", ["bag", "box-3"])
def test_found_open_where_the_place_tells_nothing_is_never_silently_dry(place):
    state = state_at(spool(received(place=place)), 0.0)
    assert mean(state) == pytest.approx(100 * float(state.polymer.equilibrium(0.5, 295.15)[0]))
    assert any("22 °C and 50 % RH" in note for note in map(str, state.notes))


def test_found_open_in_a_dryer_comes_from_its_room():
    assert mean(state_at(spool(received(place="oven")), 0.0)) == pytest.approx(
        mean(state_at(spool(received()), 0.0))
    )


def test_a_new_sealed_reel_holds_part_of_its_room_content_and_says_so():
    state = state_at(spool(received(sealed=True, place="bag")), 20 * DAY)
    assert mean(state) == pytest.approx(0.4 * 100 * float(state.polymer.room_equilibrium()[0]), rel=5e-3)
    assert any("new sealed reel" in note for note in map(str, state.notes))


MATERIALS = ("PLA", "PETG", "ABS", "PA6", "PVA", "TPU_95A", "PC")


@pytest.mark.parametrize("material", MATERIALS)
@pytest.mark.parametrize("start", [{}, {"sealed": False}, {"sealed": True}, {"sealed": True, "place": "bag"}])
def test_an_unknown_start_is_a_band_and_never_silently_dry(material, start):
    """Neither water nor sealed stated means found open; a prior is a band, not a point, and the notes say it."""
    state = state_at(spool(received(**start), material=material, net_mass_g=60.0), 0.0, members=64)
    band = state.quantiles(state.next_fed_wt_pct)
    assert band.p10 > 0.01
    assert band.p90 > 1.05 * band.p10
    assert (state.next_fed_wt_pct > 0.05 * state.limit_good_wt_pct).all()
    said = "new sealed reel" if start.get("sealed") else "found open"
    assert any(note.startswith("assumed") and said in note for note in map(str, state.notes))
    if start.get("sealed"):  # wet enough to matter, and drier than one that stood open
        open_reel = state_at(spool(received(), material=material, net_mass_g=60.0), 0.0, members=64)
        share = float(np.mean(state.next_fed_wt_pct) / np.mean(open_reel.next_fed_wt_pct))
        assert 0.3 < share < 0.6


def test_a_member_without_weight_is_no_end_of_the_band():
    values = [0.0, 0.0, *range(10, 18), 500.0]
    weights = np.array([0.0, 0.0, *[0.125] * 8, 0.0])
    assert quantile(values, 0.9, weights) <= 17.0
    assert quantile(values, 0.1, weights) >= 9.0
    assert quantile(values, 0.5, weights) == pytest.approx(13.5)


# ------------------------------------------------------------------------------- places


def test_a_dryer_takes_water_out_and_the_room_puts_it_back():
    record = spool(received(), moved(24, "oven"), moved(40, "bench"))
    wet, dry, again = (state_at(record, hours * HOUR) for hours in (24, 40, 60))
    assert mean(dry) < 0.25 * mean(wet)
    assert mean(dry) < mean(again) < mean(wet)
    assert float(state_at(record, 39 * HOUR).temperature_C[-1, 0]) == pytest.approx(78.0, abs=0.5)
    assert float(again.temperature_C.max()) == pytest.approx(22.0, abs=0.5)


def test_warm_up_comes_before_drying():
    cold = state_at(spool(received(), moved(24, "oven")), 24 * HOUR)
    soon = state_at(spool(received(), moved(24, "oven")), 24.5 * HOUR)
    assert cold.temperature_C == pytest.approx(22.0)
    assert soon.temperature_C[0, 0] < 40 < 50 < soon.temperature_C[-1, 0]
    assert soon.by_depth()[0][1][0] < soon.by_depth()[-1][1][0]


def test_dried_air_goes_deeper_than_heated_room_air():
    room = dataclasses.replace(PLACES["cabinet"], dew_point_C=None, room="bench")
    ends = [
        mean(
            state_at(spool(received(place="bench"), moved(1, "cabinet"), places={"cabinet": place}), 60 * DAY)
        )
        for place in (PLACES["cabinet"], room)
    ]
    assert ends[0] < 0.4 * ends[1]


@pytest.mark.parametrize("place", ["bag", "tin"])
@pytest.mark.parametrize("material", ["PLA", "PA6"])
def test_a_sealed_place_keeps_the_mean_and_levels_the_profile(place, material):
    record = spool(received(water_wt_pct=0.1), moved(3, place), material=material)
    before, after = state_at(record, 3 * HOUR), state_at(record, 90 * DAY)
    # What the enclosed air held goes into the strand: of the tin's 2 L a hundredth of it.
    assert mean(after) == pytest.approx(mean(before), rel=0.005 if place == "bag" else 0.02)
    assert np.ptp(after.water_wt_pct) < 0.2 * np.ptp(before.water_wt_pct)
    assert abs(next_fed(after) - mean(after)) < 0.2 * abs(next_fed(before) - mean(before))


def test_a_box_as_read_is_air_of_that_humidity():
    state = state_at(spool(received(), moved(1, "box-2"), material="PLA"), 400 * DAY)
    assert mean(state) == pytest.approx(100 * float(state.polymer.equilibrium(0.14, 295.15)[0]), rel=0.01)


def test_a_box_with_desiccant_dries_and_does_not_begin_afresh_at_every_event():
    quiet = spool(received(), moved(1, "box-3"), material="PA12")
    busy = spool(
        received(),
        moved(1, "box-3"),
        *(Event(hours * HOUR, "weighed", gross_g=900.0) for hours in range(10, 2000, 100)),
        material="PA12",
    )
    one, other = state_at(quiet, 100 * DAY), state_at(busy, 100 * DAY)
    assert mean(one) < 0.7 * mean(state_at(quiet, HOUR))
    assert mean(other) == pytest.approx(mean(one), rel=1e-3)
    assert any("fresh desiccant" in note for note in map(str, one.notes))


def test_a_printer_stands_in_its_room_and_a_box_may_feed_it():
    dry = (received(water_wt_pct=0.1),)
    open_air = state_at(spool(*dry, moved(1, "bench-1")), 13 * HOUR)
    boxed = state_at(spool(*dry, moved(1, "bench-2")), 13 * HOUR)
    benched = state_at(spool(*dry, moved(1, "bench")), 13 * HOUR)
    assert next_fed(open_air) == pytest.approx(next_fed(benched), rel=1e-6)
    assert next_fed(boxed) < next_fed(open_air)
    # The strand in tube and hot end stands in the room's air either way, and all around.
    assert boxed.path_wt_pct == pytest.approx(open_air.path_wt_pct, rel=0.05)
    assert open_air.path_wt_pct[0] > next_fed(open_air)
    assert benched.path is None
    assert benched.path_wt_pct == pytest.approx(next_fed(benched))


def test_printing_renews_the_strand_in_the_path():
    events = (received(water_wt_pct=0.1), moved(1, "bench-1"))
    parked = state_at(spool(*events), 48 * HOUR)
    printed = state_at(spool(*events, fed(47.9, 5000.0)), 48 * HOUR)
    assert printed.path_wt_pct[0] < parked.path_wt_pct[0]


# ------------------------------------------------------------------------------- no lumped water


def test_the_same_mean_does_not_mean_the_same_next_fed():
    """One wet throughout, one dried and then exposed: same water, another strand at the nozzle."""
    exposed = state_at(spool(received(water_wt_pct=0.1), moved(1, "bench")), 30 * HOUR)
    uniform = state_at(spool(received(water_wt_pct=mean(exposed))), 0.0)
    assert mean(uniform) == pytest.approx(mean(exposed))
    assert next_fed(exposed) > 1.4 * next_fed(uniform)
    depth, content = zip(*exposed.by_depth(), strict=True)
    at_10 = np.interp(10.0, depth, [value[0] for value in content])
    assert at_10 < 0.8 * next_fed(exposed)
    radius, strand = zip(*exposed.strand(), strict=True)
    assert 0 < radius[0] < radius[-1] < 0.875
    assert strand[-1] > 2 * strand[0]


# ------------------------------------------------------------------------------- feeding


def test_feeding_recedes_the_winding():
    events = [received(water_wt_pct=0.1), moved(1, "bench-1")]
    before = state_at(spool(*events), 20 * HOUR)
    outer_mm = 1000 * float(before.field.winding.length_m[-1])
    after = state_at(spool(*events, fed(20, outer_mm + 10.0)), 20 * HOUR)
    assert after.remaining_mm == pytest.approx(before.remaining_mm - outer_mm - 10.0)
    assert after.field.winding.layers == before.field.winding.layers - 1
    assert next_fed(after) == pytest.approx(float(before.by_depth()[1][1][0]))
    assert after.remaining_g == pytest.approx(after.remaining_mm / before.remaining_mm * before.remaining_g)


def test_an_emptied_reel_is_nan_and_says_why():
    state = state_at(
        spool(received(water_wt_pct=0.1), moved(1, "bench-1"), fed(2, 1e7), moved(3, "bag")), DAY
    )
    assert state.remaining_mm == 0.0
    assert math.isnan(mean(state))
    assert math.isnan(next_fed(state))
    assert state.by_depth() == []
    assert state.strand() == []
    assert any("more filament fed than the reel held" in note for note in map(str, state.notes))


def test_a_loose_coil_has_no_winding():
    state = state_at(
        spool(received(water_wt_pct=0.0), material="PETG", net_mass_g=10.0, winding="loose"), 12 * HOUR
    )
    assert [depth for depth, _ in state.by_depth()] == [0.0]
    wound = state_at(spool(received(water_wt_pct=0.0), material="PETG"), 12 * HOUR)
    assert mean(state) > mean(wound)


def test_filled_grades_hold_less():
    neat, filled = (state_at(spool(received(), fibre_wt_pct=share), 0.0) for share in (0.0, 30.0))
    assert mean(filled) == pytest.approx(0.7 * mean(neat))
    assert filled.limit_marginal_wt_pct == pytest.approx(0.7 * neat.limit_marginal_wt_pct)
    assert any("glass" in note for note in map(str, filled.notes))


# ------------------------------------------------------------------------------- time, notes, refusals


def test_later_events_are_ignored_with_a_note():
    record = spool(received(water_wt_pct=0.1), moved(10, "oven"), fed(50, 1000.0))
    state = state_at(record, 5 * HOUR)
    assert state.place == "bench"
    assert state.last == record.events[0]
    assert any(note.startswith("ignored: 2 events later") for note in map(str, state.notes))


def test_place_and_since_are_told():
    state = state_at(spool(received(), moved(24, "oven"), moved(40, "box-2")), 50 * HOUR)
    assert (state.place, state.since_s, state.as_of_s) == ("box-2", 40 * HOUR, 50 * HOUR)
    assert state.last.kind == "moved"


def test_one_member_has_nothing_to_learn():
    state = state_at(spool(received(), Event(HOUR, "weighed", gross_g=958.4)), DAY)
    assert any("not learned from: 1 weigh-in or inspection" in note for note in map(str, state.notes))
    assert mean(state) == pytest.approx(mean(state_at(spool(received()), DAY)))


@given(st.lists(st.floats(0.0, 200.0), max_size=5))
@settings(max_examples=25)
def test_looking_more_often_changes_nothing(hours):
    """A weigh-in splits a stay; the march through its parts ends where the whole one does."""
    events = [received(water_wt_pct=0.1), moved(0, "bench")]
    split = [Event(hour * HOUR, "weighed", gross_g=900.0) for hour in sorted(hours)]
    one = state_at(spool(*events, material="PETG"), 201 * HOUR)
    other = state_at(spool(*events, *split, material="PETG"), 201 * HOUR)
    assert other.water_wt_pct == pytest.approx(one.water_wt_pct, rel=5e-3)


@pytest.mark.parametrize(
    ("place", "text"),
    [
        (Place("shed", "open", 20.0), "place.shed (open) states no rh_pct"),
        (Place("shed", "open", rh_pct=50.0), "place.shed (open) states no temperature_C"),
        (Place("shed", "dryer", 60.0), "place.shed (dryer) states no room"),
        (Place("shed", "dryer", room="bench"), "place.shed (dryer) states no temperature_C"),
        (
            Place("shed", "dryer", 60.0, room="hall"),
            "place.shed takes its air from 'hall', which is not described",
        ),
        (Place("shed", "printer"), "place.shed (printer) states no room"),
        (Place("shed", "box", 20.0), "place.shed (box) states no rh_pct"),
        (
            Place("shed", "box", 20.0, desiccant="rice", desiccant_g=99.0),
            "no desiccant 'rice'",
        ),
    ],
)
def test_a_place_without_its_air_is_refused(place, text):
    with pytest.raises(SpoolError) as caught:
        state_at(spool(received(), moved(1, "shed"), places={"shed": place}), DAY)
    assert text in str(caught.value)
    assert str(caught.value).startswith("pa6-07.toml: ")
    assert "\n" not in str(caught.value)


def test_records_that_cannot_be_are_refused():
    with pytest.raises(
        SpoolError, match=r"pa6-07.toml:7: place 'attic' is not described; places here: bag, bench"
    ):
        state_at(spool(received(), Event(HOUR, "moved", place="attic", line=7)), DAY)
    with pytest.raises(
        SpoolError,
        match=r"no event up to the moment asked for; its record begins 24\.0 h later, so ask for later",
    ):
        state_at(spool(received()), -DAY)
    with pytest.raises(SpoolError, match="no event up to the moment asked for; add 'received'"):
        state_at(spool(), DAY)
    with pytest.raises(SpoolError, match="'moved' stands before 'received'"):
        state_at(spool(moved(1, "bench"), Event(2 * HOUR, "received", place="bench")), DAY)


# ------------------------------------------------------------------------------- logs


def log(*readings):
    at, celsius, humid = zip(*readings, strict=True)
    return AirLog(at, celsius, humid)


def test_a_log_of_constant_air_is_that_air():
    hourly = log(*((hour * HOUR, 22.0, 48.0) for hour in range(500)))
    room = Place("log-room", "open", log=hourly)
    one = state_at(spool(received(water_wt_pct=0.1, place="log-room"), places={"log-room": room}), 20 * DAY)
    other = state_at(spool(received(water_wt_pct=0.1)), 20 * DAY)
    assert one.water_wt_pct == pytest.approx(other.water_wt_pct, rel=5e-3)


def test_a_log_is_averaged_by_its_vapour():
    swing = log((0.0, 20.0, 40.0), (HOUR, 20.0, 60.0), (2 * HOUR, 30.0, 60.0))
    first = log_air(swing, 0.0, HOUR)
    assert first.temperature_C == pytest.approx(20.0)
    assert first.rh_pct == pytest.approx(50.0)
    both = log_air(swing, 0.0, 2 * HOUR)
    vapours = air.vapour_pressure(np.array([20.0, 20.0, 30.0]) + 273.15, [40.0, 60.0, 60.0])
    assert both.vapour_Pa == pytest.approx(float(np.trapezoid(vapours, dx=0.5)))
    assert log_air(swing, -DAY, -HOUR).rh_pct == pytest.approx(40.0)
    assert log_air(swing, 5 * HOUR, 5 * HOUR).temperature_C == pytest.approx(30.0)


@given(st.floats(0.0, 5000.0), st.floats(0.0, 5000.0), st.floats(0.0, 5000.0))
def test_windows_tile_the_stay_and_grow_into_the_past(begin_h, length_h, since_h):
    room = Place("log-room", "open", log=log((0.0, 20.0, 40.0), (5000 * HOUR, 25.0, 60.0)))
    begin, end = begin_h * HOUR, (begin_h + length_h) * HOUR
    now = end + since_h * HOUR
    record = spool(received(), places={"log-room": room})
    parts = list(stretches(record, "log-room", begin, end, now_s=now, previous=None))
    if end <= begin:
        assert parts == []
        return
    assert parts[0][0] == begin
    assert parts[-1][1] == end
    assert all(one[1] == other[0] for one, other in itertools.pairwise(parts))
    lengths = [last - first for first, last, _ in parts]
    assert all(one >= other * 0.5 for one, other in itertools.pairwise(lengths))
    assert len(parts) < 250


def test_a_wet_spell_in_the_log_is_seen():
    dry = [(hour * HOUR, 22.0, 20.0) for hour in range(200)]
    wet = [(hour * HOUR, 22.0, 85.0 if 150 < hour < 190 else 20.0) for hour in range(200)]
    ends = [
        next_fed(
            state_at(
                spool(
                    received(water_wt_pct=0.1, place="log-room"),
                    places={"log-room": Place("log-room", "open", log=log(*readings))},
                ),
                195 * HOUR,
            )
        )
        for readings in (dry, wet)
    ]
    assert ends[1] > 1.5 * ends[0]


def test_surroundings_name_what_a_job_will_meet():
    record = spool(received())
    around = surroundings(record, "bench-2", 0.0)
    assert round(around.reel.rh_pct) == 14
    assert round(around.path.rh_pct) == 48
    assert surroundings(record, "oven", 0.0).reel.temperature_C == pytest.approx(78.0)
    assert surroundings(record, "bag", 0.0).reel.closed
    with pytest.raises(SpoolError, match="place 'attic' is not described"):
        surroundings(record, "attic", 0.0)


# ------------------------------------------------------------------------------- ensembles


def test_one_member_says_nothing_about_how_sure():
    state = state_at(spool(received()), DAY)
    assert state.quantiles(state.mean_wt_pct) == (None, mean(state), None)
    assert state.weights.tolist() == [1.0]


@pytest.mark.parametrize("material", ["PA6", "PLA", "PVA"])
def test_an_ensemble_spreads_around_the_nominal_member(material):
    record = spool(received(), moved(24, "oven"), moved(40, "bench"), material=material)
    nominal = state_at(record, 45 * HOUR)
    many = state_at(record, 45 * HOUR, members=32)
    p10, p50, p90 = many.quantiles(many.next_fed_wt_pct)
    assert p10 < p50 < p90
    assert p10 < next_fed(nominal) < p90
    assert many.water_wt_pct.shape == (*nominal.water_wt_pct.shape[:2], 32)
    assert many.weights.sum() == pytest.approx(1.0)
    again = state_at(record, 45 * HOUR, members=32)
    assert (again.water_wt_pct == many.water_wt_pct).all()


def test_quantiles_stand_at_k_over_n_plus_1():
    values = np.arange(1.0, 10.0)
    assert [quantile(values, q) for q in (0.1, 0.5, 0.9)] == pytest.approx([1.0, 5.0, 9.0])
    assert quantile(values, 0.01) == 1.0
    assert quantile(values[::-1], 0.25) == pytest.approx(2.5)
    assert quantile([1.0, math.inf, 2.0], 0.9) == math.inf
    assert quantile([1.0, math.inf, 2.0], 0.5) == 2.0
    assert math.isnan(quantile([1.0, math.nan], 0.5))
    heavy = np.array([0.0, 0.0, 1.0])
    assert quantile([1.0, 2.0, 3.0], 0.5, heavy) == pytest.approx(3.0, abs=0.4)
    assert quantiles([5.0]) == (None, 5.0, None)
