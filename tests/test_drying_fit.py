"""Weigh-ins of a drying run to a dry limit, and a log to a dryer's offset and swing."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated_drying import START_S, simulated
from test_drying_limits import reel

from gcodetool import profiles
from gcodetool.drying.fit import _among, fit
from gcodetool.drying.runs import BEFORE_S, last_run, readings_of
from gcodetool.drying.thermostat import thermostat
from gcodetool.errors import OutOfRangeError, SpoolError, UsageError
from gcodetool.moisture.record import Event, Place
from gcodetool.moisture.solver import COMPILED

HOUR = 3600.0
RUNS = 16
SHAPES = 32
pytestmark = pytest.mark.skipif(not COMPILED, reason="minutes where the kernel runs interpreted")


def run_of(one, **more):
    found = fit(one.spool, one.now_s, members=SHAPES, **more)
    assert found.run is not None
    return found.run


def test_the_dry_limit_lies_in_its_band_three_times_in_four():
    """A few of the runs that tests/benchmarks/drying_coverage.py counts (86 in 100 of 200)."""
    inside = 0
    for seed in range(3000, 3000 + RUNS):
        one = simulated(seed)
        band = run_of(one).dry_limit_g
        inside += band.p10 <= one.dry_limit_g <= band.p90
        assert band.p10 <= band.p50 <= band.p90
    assert inside >= 0.7 * RUNS


def test_more_readings_narrow_the_band():
    one = simulated(9, material="PA6")
    readings = [event for event in one.spool.events if event.kind == "weighed"]
    assert len(readings) >= 5
    few = replace(one.spool, events=tuple(event for event in one.spool.events if event not in readings[3:]))
    wide = fit(few, one.now_s, members=SHAPES).run.dry_limit_g
    narrow = run_of(one).dry_limit_g
    assert narrow.p90 - narrow.p10 < wide.p90 - wide.p10


def test_a_finer_scale_tells_more():
    bands = [run_of(simulated(21, material="PA12", resolution_g=step)).left_g for step in (0.01, 1.0)]
    assert bands[0].p90 - bands[0].p10 < bands[1].p90 - bands[1].p10


def test_petg_on_a_kitchen_scale_tells_nothing():
    one = simulated(5, material="ABS", resolution_g=1.0)
    spool = replace(one.spool, material=profiles.material("PETG"), id="petg-09")
    found = fit(spool, one.now_s, members=SHAPES)
    assert found.run.tells is False
    assert found.cautions[0].startswith("the scale can't tell: this reel can give off about")
    assert "reads to 1 g" in found.cautions[0]


def test_a_cardboard_reel_tells_nothing():
    one = simulated(6, material="PLA")
    body = replace(one.spool.body, profile=profiles.spool_body("cardboard"), mass_g=150.0)
    found = fit(replace(one.spool, body=body), one.now_s, members=SHAPES)
    assert found.run.tells is False
    assert "cardboard" in found.cautions[0]


def test_a_wetter_and_faster_reel_than_the_record_says_still_fits():
    """The truth is a curve of none of the members: half as much water again, in two thirds of the time."""
    one = simulated(40, material="PA6")
    spool = replace(one.spool, net_mass_g=500.0)
    at = np.array([0.0, 2.0, 4.0, 6.0, 9.0, 12.0]) * HOUR
    plain = fit(_weighed(spool, at, np.linspace(900, 890, 6)), START_S + at[-1], members=SHAPES)
    del plain
    from gcodetool.drying.course import course
    from gcodetool.drying.device import of_place
    from gcodetool.moisture.history import state_at

    state = state_at(replace(spool, events=spool.events[:1]), START_S)
    ran = course(state, of_place(spool, state, "oven"), 78.0, length_mm=state.remaining_mm, cap_s=400 * HOUR)
    water = 1.5 * state.remaining_g * (ran.whole[:, 0] - ran.whole[-1, 0])
    truth = 700.0 + np.interp(1.5 * at, ran.at_s, water)
    found = fit(_weighed(spool, at, np.round(truth, 1)), START_S + at[-1], members=SHAPES).run
    assert found.dry_limit_g.p10 <= 700.0 <= found.dry_limit_g.p90
    assert found.lost_g == pytest.approx(truth[0] - truth[-1], abs=0.2)


def _weighed(spool, at_s, gross_g):
    rest = [event for event in spool.events if event.kind != "weighed"]
    weighed = [
        Event(START_S + float(at), "weighed", gross_g=float(grams), resolution_g=0.1)
        for at, grams in zip(at_s, gross_g, strict=True)
    ]
    return replace(spool, events=tuple(sorted([*rest, *weighed], key=lambda event: event.at_s)))


def test_it_is_taken_out_only_when_it_is_done_or_nothing_more_is_gained():
    one = simulated(11, material="PA6")
    early = fit(one.spool, one.now_s, members=SHAPES)
    assert early.status.word == "not-yet"
    assert not early.status.take_out
    assert "is not dry yet: " in early.do
    assert early.status.next_hour.loss_g.p50 > 0.05
    late = fit(one.spool, one.now_s + 400 * HOUR, members=SHAPES)  # still in the oven, weeks later
    assert late.status.take_out
    assert late.do.startswith("Take sim-11 out: it is dry; ")
    assert late.run.left_g.p50 < 0.1
    out = replace(one.spool, events=(*one.spool.events, Event(one.now_s + HOUR, "moved", place="bench")))
    assert fit(out, one.now_s + 9 * HOUR, members=SHAPES).do.endswith("; put it back in")


def test_what_the_scale_will_show_is_what_it_then_shows():
    """The truth of a run goes on as it was going: the next weigh-in lies near the band that was told."""
    one = simulated(11, material="PA6", resolution_g=0.01)
    early = fit(one.spool, one.now_s, members=SHAPES).status
    last = [event for event in one.spool.events if event.kind == "weighed"][-1]
    assert early.end_g.p50 < early.by_then.gross_g.p50 < last.gross_g
    assert early.weigh_next.gross_g.p50 == pytest.approx(last.gross_g - early.weigh_next.loss_g.p50, abs=0.05)
    assert HOUR <= early.weigh_next.at_s <= max(HOUR, early.to_go_s.p50)


def stays(*moves):
    """Return a reel that was moved so: (hours, place)."""
    spool = reel("PA6", "abs", 500.0, places={"cabinet": Place("cabinet", "dryer", 60.0, dew_point_C=-20.0)})
    return replace(
        spool,
        events=(*spool.events, *(Event(hours * HOUR, "moved", place=place) for hours, place in moves)),
    )


def test_short_absences_are_part_of_a_run():
    spool = stays((10, "oven"), (12, "bench"), (12.2, "oven"), (15, "bench"), (15.5, "oven"))
    assert last_run(spool, 20 * HOUR, None)[:2] == (10 * HOUR, 20 * HOUR)
    long = stays((10, "oven"), (12, "bench"), (14, "oven"), (16, "bench"))
    assert last_run(long, 20 * HOUR, None)[:2] == (14 * HOUR, 16 * HOUR)
    other = stays((10, "oven"), (12, "cabinet"), (14, "bench"))
    assert last_run(other, 20 * HOUR, None)[2].name == "cabinet"
    assert last_run(other, 20 * HOUR, "oven")[:2] == (10 * HOUR, 12 * HOUR)


def test_the_weigh_in_before_counts_and_what_was_printed_ends_it():
    spool = stays((10, "oven"))

    def with_(*events):
        return replace(spool, events=tuple(sorted([*spool.events, *events], key=lambda one: one.at_s)))

    def weighed(hours, grams):
        return Event(hours * HOUR, "weighed", gross_g=grams)

    full = with_(weighed(3, 800.0), weighed(9.5, 790.0), weighed(12, 785.0), weighed(14, 783.0))
    found = readings_of(full, 10 * HOUR, 15 * HOUR)
    assert [(one.at_s / HOUR, one.gross_g) for one in found] == [(0, 790.0), (2, 785.0), (4, 783.0)]
    fed = with_(weighed(9.5, 790.0), Event(9.8 * HOUR, "fed", length_mm=5000.0), weighed(12, 785.0))
    assert [one.gross_g for one in readings_of(fed, 10 * HOUR, 15 * HOUR)] == [785.0]


def test_too_few_weigh_ins_are_refused_in_one_line():
    spool = stays((10, "oven"))
    with pytest.raises(SpoolError, match="0 weigh-ins in the last stay in oven"):
        fit(spool, 20 * HOUR, members=1)
    with pytest.raises(SpoolError, match="never in a dryer"):
        fit(stays(), 20 * HOUR, members=1)
    with pytest.raises(UsageError, match="no such place"):
        fit(spool, 20 * HOUR, members=1, place="shed")


@settings(max_examples=40)
@given(
    st.floats(30, 150),
    st.floats(0, 8),
    st.floats(2, 30),
    st.floats(-15, 15),
    st.integers(120, 400),
)
def test_a_log_gives_offset_and_swing(mean, swing, warming_min, offset, count):
    minutes = np.arange(count, dtype=float)
    settled = minutes > 5 * warming_min
    warm = 22 + (mean - 22) * (1 - np.exp(-minutes / warming_min))
    warm[settled] = mean + swing * np.sin(minutes[settled] / 3)
    if settled.sum() < count * 0.6:
        return
    found = thermostat((minutes * 60).tolist(), warm.tolist(), mean + offset)
    assert found.mean_C == pytest.approx(mean, abs=0.25 * swing + 0.5)
    assert found.swing_C == pytest.approx(swing, abs=0.3 * swing + 0.5)
    assert found.set_offset_C == pytest.approx(offset, abs=0.25 * swing + 0.5)
    assert found.highest_C >= found.mean_C - 1e-9
    if mean > 50 and swing < 2:  # of an exponential: from a tenth to nine tenths in ln 9 time constants
        slope = 0.8 * (mean - 22) / (np.log(9) * warming_min)
        assert found.rise_K_min == pytest.approx(slope, rel=0.25)


def test_a_log_without_settled_readings_is_refused():
    with pytest.raises(OutOfRangeError, match="readings after it settled"):
        thermostat([0.0, 60.0, 120.0], [20.0, 40.0, 60.0], None)


def test_a_log_alone_is_enough_and_warns_above_a_limit():
    spool = stays((10, "oven"))
    log = [20.0, 50.0, 80.0, *([84.0, 88.0] * 20)]
    warmth = thermostat([60.0 * i for i in range(len(log))], log, 90.0)
    found = fit(spool, 20 * HOUR, members=1, warmth=warmth)
    assert found.run is None
    assert "set_offset_C = 4.0" in found.do
    assert "swing_C = 2.0" in found.do
    assert "peaked at 88.0 °C, above 80 °C: the reel (abs)" in found.cautions[0]


def test_a_weigh_in_just_before_it_went_in_is_of_the_run():
    """What stood on the scale on its way into the dryer is the run's first reading, and no one earlier."""
    first, before = (
        Event(kind="weighed", at_s=HOUR - BEFORE_S - early, gross_g=900.0) for early in (0.0, 1.0)
    )
    assert _among(first, HOUR)
    assert not _among(before, HOUR)
    assert not _among(replace(first, kind="moved"), HOUR)
