"""When is it done: whoever is asked of a reel in a dryer at one moment says the same."""

import functools
import itertools
import pathlib
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st
from queue_world import NOW as EVENING
from queue_world import PLACES, job, spool
from test_agreement import JOB, shelf
from test_drying_limits import reel

import gcodetool
from gcodetool import profiles
from gcodetool.app.drying import DryerQuestion, JobToDryFor, status_of
from gcodetool.app.resolve import find_spool
from gcodetool.drying.course import course
from gcodetool.drying.device import of_place
from gcodetool.drying.fit import FEWEST
from gcodetool.drying.goal import DryingGoal
from gcodetool.drying.instructions import instruction
from gcodetool.drying.status import is_dry, status
from gcodetool.drying.status_words import chances, headline, short, to_go, to_go_at_length
from gcodetool.drying.words import hours as hours_of
from gcodetool.drying.words import timer_s
from gcodetool.errors import SpoolError
from gcodetool.judge.outcomes import DRIED
from gcodetool.ledger import writers
from gcodetool.ledger.store import open_ledger
from gcodetool.moisture.history import Quantiles, quantile, state_at
from gcodetool.moisture.record import Event
from gcodetool.moisture.solver import COMPILED

pytestmark = pytest.mark.skipif(not COMPILED, reason="many forecasts: compiled kernels only")

__all__ = ["shelf"]
NOW = 1795593600.0
HOUR = 3600.0
MEMBERS = 16
NAMES = itertools.count()


def dried(where, spool, material, water, hours, weigh_ins):
    """Note a reel that goes into the oven, and is weighed there as one of its like would be."""
    ledger = open_ledger(where)
    facts = {"material": material, "diameter_mm": 1.75, "net_mass_g": 500.0}
    began = NOW - hours * HOUR
    writers.add_spool(
        ledger,
        spool,
        facts,
        place="bench",
        received={"water_wt_pct": water},
        at_s=began - HOUR,
        force=True,
    )
    writers.move(ledger, spool, "oven", tool=None, at_s=began, note=None, force=True)
    state = state_at(find_spool(spool, ledger=where), began)
    ran = course(
        state, of_place(state.spool, state, "oven"), 65.0, length_mm=state.remaining_mm, cap_s=hours * HOUR
    )
    for number in range(weigh_ins):
        at_s = hours * HOUR * number / max(1, weigh_ins - 1) * 0.999
        row = min(range(ran.at_s.shape[0]), key=lambda i: abs(ran.at_s[i] - at_s))
        grams = round(200.0 + state.remaining_g + float(ran.scale_g[row, 0]), 1)
        writers.weigh(
            ledger, spool, grams, resolution_g=0.1, at_s=began + ran.at_s[row], note=None, force=True
        )


@settings(max_examples=8, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(
    st.sampled_from(["PETG", "TPU", "PA6", "PLA", "PA12"]),
    st.floats(0.05, 1.5),
    st.floats(0.3, 60.0),
    st.sampled_from([0, 0, 3, 4]),
    st.booleans(),
)
def test_nobody_disagrees_on_done(shelf, material, times_good, hours, weigh_ins, out) -> None:
    spool = f"dried-{next(NAMES)}"
    ledger = open_ledger(shelf)
    good = profiles.material(material).limit_good_wt_pct
    dried(shelf, spool, material, times_good * 3.0 * good, hours, weigh_ins)
    if out:
        writers.move(ledger, spool, "bench", tool=None, at_s=NOW - 60.0, note=None, force=True)
    asked = {"at": NOW, "members": MEMBERS, "ledger": shelf}

    (said,) = gcodetool.drying_status(spool, **asked)
    assert said.inside is not out
    line, done = headline(said), said.word == "done"
    if done:
        assert said.wettest_wt_pct.p50 <= said.goal_wt_pct
        assert said.because == "reached"
        assert out or said.share >= DRIED - 1e-9
    assert ("Take" in line and " out" in line) == (said.take_out and not out) or said.word == "cannot"
    assert said.take_out == (said.because is not None)
    assert done or said.because in (None, "nothing-more")
    if said.word == "cannot" and not out:  # as sure as a reel has to be that is said to be dry
        assert said.can_share <= 1 - DRIED + 1e-9 or said.because == "nothing-more"
    open_still = (
        said.word == "not-yet" and not said.take_out and said.to_go_s.p50 > 0 and said.can_share < 0.85
    )
    assert ("in 10 that this air gets it there at all" in line) == open_still
    if said.word == "not-yet" and said.take_out:
        assert said.share >= 0.5
        assert "nothing more can be gained" in line and "chances in 10" in line

    shown = gcodetool.spool(spool, **asked)
    (row,) = [each.row for each in gcodetool.spools(**asked) if each.id == spool]
    if out:
        assert row.drying is None
        assert shown.drying is None
        # outside, the middle counts: the list's word for the wettest turns is the status'
        if row.whole_word != "unknown":
            assert (row.whole_word == "dry") >= done
    else:
        assert row.drying == shown.drying
        assert (row.drying.word, row.drying.because) == (said.word, said.because)
        assert (row.drying.line, row.drying.short) == (line, short(said))
        assert row.word == row.whole_word  # by its wettest turns
        if done:
            assert row.word in ("dry", "unknown")
        if row.word == "dry":
            assert done or said.wettest_wt_pct.p50 > said.goal_wt_pct

    made, _ = gcodetool.drying_plan(spool, DryerQuestion("oven"), cap_s=96 * HOUR, **asked)
    if out:
        assert made.status is None
        if said.because == "reached":
            assert made.first.outcome == "already"
    else:
        assert (made.status.word, made.status.because) == (said.word, said.because)
        assert made.status.to_go_s == said.to_go_s
        assert line in instruction(made)
        assert (made.advised_s == 0.0) <= said.take_out

    if weigh_ins >= FEWEST:
        read = gcodetool.drying_fit(spool, **asked)
        assert read.do == line
        assert (read.status.word, read.status.to_go_s) == (said.word, said.to_go_s)
    else:
        with pytest.raises(SpoolError, match="a curve needs"):
            gcodetool.drying_fit(spool, **asked)

    # the queue dries nothing further where it is done
    if not out:
        plan = pathlib.Path(shelf).with_name(f"{spool}.toml")
        plan.write_text(f'[[job]]\nfile = "{JOB}"\nspool = "{spool}"\n')
        listed = gcodetool.queue_plan([plan], printer="bench-1", dryers={"oven": 3}, processes=1, **asked)
        assert said.because != "reached" or not listed.dryings


@settings(max_examples=6, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@example(
    "PA6", 2.0, 300.0, 0.25, 30.0
)  # by the limits alone it would dry until nobody can say what comes of it
@example("TPU", 0.9, 60.0, 0.4, 55.0)  # good in 17 h, adjust in 5, clear never
@example("PETG", 0.42, 300.0, 3.0, 55.0)
@example("TPU", 0.5, 750.0, 2.0, 30.0)  # the plan advises a dry box at the feed, and this shelf has none
@given(
    st.sampled_from(["PETG", "TPU", "PLA"]),
    st.floats(0.2, 0.9),
    st.sampled_from([60.0, 750.0]),
    st.sampled_from([0.3, 2.0]),
    st.sampled_from([30.0, 45.0]),
)
def test_a_queue_of_one_job_dries_as_long_as_the_drying_plan_for_it_says(
    tmp_path_factory, material, water, grams, length_h, rh
) -> None:
    folder = tmp_path_factory.mktemp("one")
    places = PLACES.replace("max_temperature_C = 90.0", "max_temperature_C = 65.0")
    places = places.replace("rh_pct = 55.0", f"rh_pct = {rh}")
    path = job(folder, "one.gcode", hours=length_h, metres=4, materials=(material,))
    record = spool(folder, "reel", material, water=water, place="bench", net_g=grams, places=places)
    made, _ = gcodetool.drying_plan(
        record, "oven", job=JobToDryFor(path, printer="bench-1"), at=EVENING, members=MEMBERS, cap_s=48 * HOUR
    )
    listed = gcodetool.queue_plan(
        [path],
        printer="bench-1",
        shelf=[folder],
        dryers={"oven": 1},
        at=EVENING,
        members=MEMBERS,
        processes=1,
    )
    (row,), need = listed.rows, made.job
    assert need is not None
    if need.now.code in ("clear", "adjust"):
        assert not listed.dryings
    elif need.clear_s is None and need.adjust_s is None:
        assert not listed.dryings
        assert not row.met
    else:
        (drying,) = listed.dryings
        told_s = need.adjust_s if need.clear_s is None else need.clear_s
        assert drying.seconds == pytest.approx(timer_s(told_s), abs=1e-3)
        boxed = need.box_now_rh_pct is not None or need.boxed_s is not None
        if (
            need.clear_s is not None or not boxed
        ):  # else its one line is about the box that would keep it clear
            assert hours_of(drying.seconds) in instruction(made)
        assert row.verdict == ("adjust" if need.clear_s is None else "clear")


@settings(max_examples=20)
@given(st.floats(0.0, 90.0), st.sampled_from(["PA6", "PETG", "TPU_95A"]))
def test_once_done_it_stays_done_and_the_hours_to_go_fall(hours, material) -> None:
    """Along one course of drying, left alone: done is not taken back, and an hour later there is an hour less to go."""
    spool = reel(material, "polycarbonate", 300.0)
    began = spool.events[-1].at_s + HOUR
    spool = replace(spool, events=(*spool.events, Event(began, "moved", place="oven")))
    at = began + hours * HOUR
    now, later = (status_of(spool, state_at(spool, moment, members=MEMBERS)) for moment in (at, at + HOUR))
    assert (now.word == "done") <= (later.word == "done")
    assert later.to_go_s.p50 <= now.to_go_s.p50 + 0.1 * HOUR
    if now.word == "not-yet" and now.to_go_s.p50 > 2 * HOUR:
        assert later.to_go_s.p50 == pytest.approx(now.to_go_s.p50 - HOUR, abs=0.3 * HOUR)


def test_is_dry_is_what_status_says_inside() -> None:
    spool = reel("PETG", "polycarbonate", 300.0)
    began = spool.events[-1].at_s + HOUR
    spool = replace(spool, events=(*spool.events, Event(began, "moved", place="oven")))
    seen = set()
    for hours in (0.5, 3, 6, 12, 48):
        state = state_at(spool, began + hours * HOUR, members=MEMBERS)
        said = status(state, of_place(spool, state, "oven"))
        assert is_dry(state) == (said.because == "reached")
        seen.add(said.word)
    assert seen == {"not-yet", "done"}


def test_nothing_more_is_gained_only_where_hardly_any_member_still_gains() -> None:
    spool = reel("TPU_95A", "polycarbonate", 250.0)
    began = spool.events[-1].at_s + HOUR
    spool = replace(spool, events=(*spool.events, Event(began, "moved", place="oven")))
    seen = set()
    for hours in (2, 8, 16, 30, 60, 90):
        state = state_at(spool, began + hours * HOUR, members=32)
        said = status(state, of_place(spool, state, "oven"))
        later = state_at(spool, began + (hours + 90) * HOUR, members=32)
        gain = 100.0 * (state.field.layer_mean().max(axis=0) - later.field.layer_mean().max(axis=0))
        still = float(state.weights[gain >= 0.05 * said.goal_wt_pct].sum())
        seen.add(said.because)
        if said.because == "nothing-more":
            assert said.word == "not-yet"  # it comes out, but nobody may call it dry
            assert all(f"dry by {chances(said.share)}" in text for text in (headline(said), short(said)))
            assert still <= 1 - DRIED + 0.04  # the course is looked at in steps
        elif said.because is None and said.share >= 0.5:
            assert still >= 1 - DRIED - 0.04
    assert len(seen) > 1


def test_where_half_are_there_the_plan_says_so_exactly_where_the_status_does() -> None:
    """Between a member that is there and one that is not, half-way in hours is not half-way in content."""
    state = state_at(reel("PETG", "polycarbonate", 300.0), NOW, members=4)
    goal = DryingGoal(state, 0.5, 1.0, HOUR, None)
    times = np.array([0.0, 0.0, 600.0, 900.0])
    for next_one in (1.05, 1.2):
        ratio = np.array([0.8, 0.9, next_one, 1.3])
        there = quantile(ratio, 0.5, state.weights) <= 1
        assert (goal.when(times, ratio, 0.5) == 0.0) == there


@functools.cache
def one_status():
    spool = reel("PETG", "polycarbonate", 300.0)
    began = spool.events[-1].at_s + HOUR
    spool = replace(spool, events=(*spool.events, Event(began, "moved", place="oven")))
    return status_of(spool, state_at(spool, began + HOUR, members=4))


@given(st.tuples(*[st.floats(60.0, 90 * HOUR)] * 3), st.booleans(), st.booleans())
def test_hours_are_told_as_one_figure_only_where_they_are_known_closely(times, from_now, scale) -> None:
    low, middle, high = sorted(times)
    low = 0.0 if from_now else low
    said = one_status()
    look = said.next_hour if scale else None
    said = replace(said, word="not-yet", to_go_s=Quantiles(low, middle, high), weigh_next=look)
    text, line = to_go(said), headline(said)
    assert text in line and text in short(said)
    if high <= 2.25 * low:
        assert text == f"{hours_of(middle)} to go"
        assert "known closer" not in line
    else:
        assert text == f"{f'{hours_of(low)} to' if low else 'up to'} {hours_of(high)} to go"
        assert ("not known closer before the next weigh-in" in line) == scale
        sure = f"({8 if low else 9} chances in 10)"  # beside the hours after which it is surely dry
        assert sure in line
        assert to_go_at_length(said, row=True).startswith(f"{text.removesuffix(' to go')} {sure}")
    alone = replace(said, to_go_s=Quantiles(None, middle, None))
    assert to_go(alone) == f"{hours_of(middle)} to go"
