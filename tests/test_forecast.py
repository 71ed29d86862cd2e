"""What arrives at the nozzle, and how long a spool may stand."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetool import profiles
from gcodetool.errors import OutOfRangeError
from gcodetool.moisture import air
from gcodetool.moisture.exposure import age, crossing_times, safe_exposure
from gcodetool.moisture.forecast import _Course, forecast
from gcodetool.moisture.history import Surroundings, state_at, surroundings
from gcodetool.moisture.record import Event, Place, Spool

HOUR = 3600.0
PLACES = {
    place.name: place
    for place in (
        Place("bench", "open", 22.0, 48.0),
        Place("box-2", "box", 22.0, 14.0),
        Place("box-3", "box", 22.0, air_L=9.0, desiccant="silica gel", desiccant_g=200.0),
        Place("bag", "sealed", leak_g_per_day=0.0),
        Place("bench-1", "printer", printer="bench-1", room="bench"),
        Place("bench-2", "printer", printer="bench-1", room="bench", fed_from="box-3"),
    )
}
ROOM = air.room_air(22.0, 48.0)
DRY = air.room_air(22.0, 5.0)


def dried(
    material="TPU_95A", *, water=0.05, place="bag", net_mass_g=750.0, members=1, hours=0.0, winding="wound"
):
    """A spool of known, even water, out of the bag now."""
    record = Spool(
        "tpu-02",
        profiles.material(material),
        1.75,
        net_mass_g,
        PLACES,
        (Event(0.0, "received", place=place, water_wt_pct=water),),
        winding=winding,
    )
    return state_at(record, hours * HOUR, members=members)


def even_feed(hours, length_mm, segments, *, start_s=0.0):
    bounds = np.linspace(start_s, start_s + hours * HOUR, segments + 1)
    return np.stack([bounds[:-1], bounds[1:], np.full(segments, length_mm / segments)], axis=1)


# ------------------------------------------------------------------------------- what arrives


def test_a_long_job_from_a_dry_spool_in_open_air_gets_wetter():
    state = dried()
    job = forecast(state, ROOM, even_feed(20, 60_000, 200))
    content = job.wt_pct[:, 0]
    assert job.wt_pct.shape == (200, 1)
    assert job.start_wt_pct[0] == pytest.approx(state.next_fed_wt_pct[0])
    assert content[0] > job.start_wt_pct[0]
    assert content[-1] > 4 * content[0]
    assert job.worst_wt_pct[0] == content.max()
    assert job.fed_mm == 60_000
    assert job.short_mm == 0
    assert job.empty_at is None
    assert job.after.remaining_mm == pytest.approx(state.remaining_mm - 60_000)
    assert job.after.as_of_s == state.as_of_s + 20 * HOUR


def test_the_next_layer_is_drier_than_the_one_before_it_was():
    """In air that wets, a fresh layer has lain in the shade: contents drop where one is used up."""
    state = dried()
    outer_mm = 1000 * float(state.field.winding.length_m[-1])
    length = state.field.winding.length_m[::-1][:4].sum() * 1000
    content = forecast(state, ROOM, even_feed(8, length, 400)).wt_pct[:, 0]
    drop = int(np.flatnonzero(np.diff(content) < 0)[0])
    assert (drop + 1) * length / 400 == pytest.approx(outer_mm, abs=2 * length / 400)


def test_segments_fine_and_coarse_tell_the_same_mean():
    state = dried()
    fine = forecast(state, ROOM, even_feed(10, 40_000, 500)).wt_pct[:, 0]
    coarse = forecast(state, ROOM, even_feed(10, 40_000, 5)).wt_pct[:, 0]
    assert fine.reshape(5, 100).mean(axis=1) == pytest.approx(coarse, rel=2e-3)


@given(st.lists(st.floats(0.01, 5.0), min_size=1, max_size=6), st.floats(0.0, 0.99), st.floats(0.001, 1.0))
@settings(max_examples=50)
def test_between_two_looks_a_content_follows_the_root_of_time(widths, low, width):
    """The mean over any part, across looks and a change of layer, is the integral of the root's curve."""
    at = np.cumsum([0.0, *widths])
    knots = [(float(t), 0.0, np.array([0.1 + 0.2 * math.sqrt(t), 0.3])) for t in at]
    changed = float(at[-1])  # a layer is used up; the next one begins elsewhere
    knots += [(changed + t, 0.0, np.array([0.05 + 0.3 * math.sqrt(t), 0.3])) for t in (0.0, 1.0, 3.0)]
    end_s = changed + 3.0
    begin = low * end_s
    end = begin + width * (end_s - begin)

    def held(t):
        if t <= changed:
            return 0.1 * t + 0.2 * t**1.5 / 1.5
        return held(changed) + 0.05 * (t - changed) + 0.3 * (t - changed) ** 1.5 / 1.5

    found = _Course(knots).mean(np.array([begin]), np.array([end]))[0]
    assert found[0] == pytest.approx((held(end) - held(begin)) / (end - begin), rel=1e-6)
    assert found[1] == pytest.approx(0.3, rel=1e-12)


def test_long_steps_tell_what_short_ones_do(monkeypatch):
    """Within 0.25 % of what arrives, rough ones within 1.5 % (docs/physics.md, section 5)."""
    feed = even_feed(20, 100_000.0, 40)
    for material in ("PETG", "PA6"):
        state = dried(material, members=4)
        as_set = forecast(state, ROOM, feed).wt_pct
        with monkeypatch.context() as patched:
            patched.setattr("gcodetool.moisture.forecast.GROWTH", 1.1)
            exact = forecast(state, ROOM, feed).wt_pct
        assert as_set == pytest.approx(exact, rel=2.5e-3)
        assert forecast(state, ROOM, feed, rough=True).wt_pct == pytest.approx(exact, rel=1.5e-2)


def test_an_idle_job_is_ageing():
    """With nearly nothing fed, what would be fed next is what the idle spool holds."""
    state = dried()
    job = forecast(state, ROOM, [[5 * HOUR, 5 * HOUR + 1, 1e-3]])
    idle = age(state, ROOM, 5 * HOUR)
    assert job.wt_pct[0] == pytest.approx(idle.next_fed_wt_pct, rel=5e-3)
    assert job.after.water_wt_pct == pytest.approx(idle.water_wt_pct, rel=0.02)


def test_a_parked_tool_ages_before_it_feeds():
    state = dried()
    early = forecast(state, ROOM, even_feed(1, 1000, 10))
    late = forecast(state, ROOM, even_feed(1, 1000, 10, start_s=10 * HOUR))
    assert late.start_wt_pct[0] > 2 * early.start_wt_pct[0]
    delayed = forecast(state, ROOM, even_feed(1, 1000, 10), delay_s=10 * HOUR)
    assert delayed.wt_pct == pytest.approx(late.wt_pct, rel=1e-9)


def test_the_path_ages_apart_and_faster():
    state = dried(place="bench-1", hours=2.0)
    job = forecast(state, ROOM, even_feed(1, 1000, 4, start_s=HOUR))
    assert job.path_wt_pct[0] > job.start_wt_pct[0] > state.next_fed_wt_pct[0]
    assert job.path_wt_pct[0] > state.path_wt_pct[0]
    sheltered = forecast(state, Surroundings(reel=DRY, path=ROOM), even_feed(1, 1000, 4, start_s=HOUR))
    assert sheltered.path_wt_pct == pytest.approx(job.path_wt_pct)
    assert sheltered.start_wt_pct[0] < job.start_wt_pct[0]
    # Printed through: what hangs in the tube afterwards came off the reel last.
    assert job.after.path_wt_pct == pytest.approx(job.after.next_fed_wt_pct)


def test_a_box_that_feeds_the_printer_keeps_the_spool_dry():
    state = dried(place="bench-2")
    boxed = forecast(state, surroundings(state.spool, "bench-2", 0.0), even_feed(20, 40_000, 50))
    open_air = forecast(state, surroundings(state.spool, "bench-1", 0.0), even_feed(20, 40_000, 50))
    assert boxed.worst_wt_pct[0] < 0.4 * open_air.worst_wt_pct[0]


def test_a_closed_box_goes_on_from_what_it_holds():
    """The desiccant does not become fresh because a forecast begins."""
    state = dried("PA6", water=2.0, place="box-3", hours=500)
    stays = forecast(state, surroundings(state.spool, "box-3", 0.0), [[0, 500 * HOUR, 0.0]])
    record = state_at(state.spool, 1000 * HOUR)
    assert stays.after.mean_wt_pct == pytest.approx(record.mean_wt_pct, rel=3e-3)
    assert stays.after.field.store_kg == pytest.approx(record.field.store_kg, rel=1e-2)


def test_a_job_longer_than_the_spool_stops_at_empty():
    state = dried(net_mass_g=20.0)
    has = state.remaining_mm
    job = forecast(state, ROOM, [[0, 600, has - 100], [600, 1200, 200], [1200, 1800, 50], [1800, 2400, 0]])
    assert job.empty_at == 1
    assert np.isfinite(job.wt_pct[:2]).all()  # what it could still feed of the second
    assert np.isnan(job.wt_pct[2:]).all()
    assert job.fed_mm == pytest.approx(has)
    assert job.short_mm == pytest.approx(150)
    assert job.after.remaining_mm == 0
    assert math.isfinite(job.worst_wt_pct[0])
    assert job.after.path is None


def test_a_job_of_exactly_the_rest_is_fed_in_full():
    state = dried(net_mass_g=20.0)
    job = forecast(state, ROOM, even_feed(1, state.remaining_mm, 7))
    assert np.isfinite(job.wt_pct).all()
    assert job.empty_at is None
    assert job.short_mm == pytest.approx(0, abs=1e-6)


def test_filament_drawn_back_comes_again_first():
    state = dried()
    plain = forecast(state, ROOM, [[0, 600, 500.0], [600, 700, 0.0], [700, 1300, 500.0]])
    back = forecast(state, ROOM, [[0, 600, 500.0], [600, 700, -100.0], [700, 1300, 600.0]])
    assert back.fed_mm == plain.fed_mm == 1000
    assert back.wt_pct == pytest.approx(plain.wt_pct, rel=1e-9)
    begins = forecast(state, ROOM, [[0, 10, -5.0], [10, 20, 5.0], [20, 30, 100.0]])
    assert begins.fed_mm == 100
    assert np.isfinite(begins.wt_pct).all()


def test_a_job_that_feeds_nothing_is_told_too():
    state = dried()
    for feed in (np.zeros((0, 3)), [[0, 60, 0.0]]):
        job = forecast(state, ROOM, feed, until_s=HOUR)
        assert job.fed_mm == 0
        assert job.start_wt_pct == pytest.approx(state.next_fed_wt_pct)
        assert job.after.as_of_s == HOUR
        assert job.after.next_fed_wt_pct[0] > state.next_fed_wt_pct[0]
    assert forecast(state, ROOM, np.zeros((0, 3))).wt_pct.shape == (0, 1)


def test_an_empty_reel_gives_nan_and_no_error():
    state = dried(net_mass_g=20.0)
    gone = forecast(state, ROOM, [[0, 60, state.remaining_mm]]).after
    job = forecast(gone, ROOM, [[0, 60, 10.0]])
    assert np.isnan(job.wt_pct).all()
    assert np.isnan(job.start_wt_pct).all()
    assert job.empty_at == 0
    assert job.short_mm == 10.0
    assert safe_exposure(gone, ROOM) is None


@pytest.mark.parametrize(
    "feed",
    [[[0, 10, 1], [5, 20, 1]], [[10, 0, 1]], [[-5, 0, 1]], [[0, math.nan, 1]], [[0, 1, math.inf]]],
)
def test_feeds_that_cannot_be_are_refused(feed):
    with pytest.raises(OutOfRangeError, match=r"feed"):
        forecast(dried(), ROOM, feed)


def test_members_arrive_together_as_they_do_alone():
    many = dried(members=6)
    feed = even_feed(5, 10_000, 20)
    together = forecast(many, ROOM, feed)
    assert together.wt_pct.shape == (20, 6)
    parts = dataclasses.fields(many.polymer)
    for one in (0, 3):
        alone = dataclasses.replace(
            many,
            polymer=dataclasses.replace(
                many.polymer,
                **{
                    part.name: getattr(many.polymer, part.name)[one : one + 1]
                    for part in parts
                    if isinstance(getattr(many.polymer, part.name), np.ndarray)
                },
            ),
            field=dataclasses.replace(
                many.field,
                water=many.field.water[:, :, one : one + 1],
                gap=many.field.gap[:, one : one + 1],
                temperature_K=many.field.temperature_K[:, one : one + 1],
                store_kg=many.field.store_kg[one : one + 1] if many.field.store_kg is not None else None,
            ),
            weights=np.ones(1),
        )
        assert forecast(alone, ROOM, feed).wt_pct[:, 0] == pytest.approx(together.wt_pct[:, one], rel=1e-3)


@given(
    st.lists(st.tuples(st.floats(0, 4000), st.floats(0, 4000), st.floats(-50, 30_000)), max_size=8),
    st.sampled_from(["TPU_95A", "PETG"]),
)
@settings(max_examples=40)
def test_any_feed_keeps_the_books(rows, material):
    state = dried(material, net_mass_g=120.0)
    feed, clock = [], 0.0
    for pause, seconds, length in rows:
        feed.append((clock + pause, clock + pause + seconds, length))
        clock += pause + seconds
    job = forecast(state, ROOM, np.array(feed).reshape(-1, 3))
    assert job.fed_mm + job.after.remaining_mm == pytest.approx(state.remaining_mm)
    asked = max(0.0, *np.cumsum([length for *_, length in feed])) if feed else 0.0
    assert job.fed_mm + job.short_mm == pytest.approx(asked, abs=1e-6)
    known = job.wt_pct[~np.isnan(job.wt_pct)]
    room = 100 * float(state.polymer.equilibrium(0.48, 295.15)[0])
    assert (known >= 0.05 - 1e-9).all()
    assert (known <= room * (1 + 1e-6)).all()
    assert (job.empty_at is None) == (job.short_mm < 1e-6)


# ------------------------------------------------------------------------------- safe exposure


@pytest.mark.parametrize("material", ["TPU_95A", "PA6", "PC"])
def test_safe_exposure_is_when_the_next_fed_passes_the_limit(material):
    state = dried(material, water=0.02)
    safe = safe_exposure(state, ROOM)
    assert safe > 600
    limit = state.limit_marginal_wt_pct[0]
    assert age(state, ROOM, safe).next_fed_wt_pct[0] == pytest.approx(limit, rel=0.01)
    assert age(state, ROOM, 0.9 * safe).next_fed_wt_pct[0] < limit


def test_wetter_air_means_less_time():
    state = dried("PA6", water=0.15)
    times = [safe_exposure(state, air.room_air(22.0, humid)) for humid in (35.0, 48.0, 65.0, 90.0)]
    assert times == sorted(times, reverse=True)


def test_above_the_limit_there_is_no_time_and_in_dry_air_all_of_it():
    assert safe_exposure(dried("PA6", water=0.9), ROOM) == 0.0
    assert safe_exposure(dried("PA6", water=0.2), DRY) is None
    assert safe_exposure(dried("PA6", water=0.2), ROOM, horizon_s=60.0) is None
    assert safe_exposure(dried("PA6", water=0.2), ROOM, limit_wt_pct=0.1) == 0.0


def test_more_confidence_means_less_time():
    state = dried("PA6", water=0.1, members=32)
    times = crossing_times(state, ROOM)
    assert times.shape == (32,)
    asked = [safe_exposure(state, ROOM, confidence=q) for q in (0.1, 0.5, 0.9)]
    assert asked == sorted(asked, reverse=True)
    # At the time of confidence q, a share of about q is still below.
    for q, at in zip((0.1, 0.5, 0.9), asked, strict=True):
        later = age(state, ROOM, at)
        below = (later.next_fed_wt_pct <= later.limit_marginal_wt_pct).mean()
        assert below == pytest.approx(q, abs=0.07)


def test_a_loose_strand_has_less_time_than_a_wound_one():
    wound, loose = (safe_exposure(dried("TPU_95A", winding=form), ROOM) for form in ("wound", "loose"))
    assert loose < 0.85 * wound
