"""A check put together: which air, whose figure, which reason, and until when."""

import functools
from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import gcodetool
from gcodetool import profiles
from gcodetool.app import examine as jobs
from gcodetool.app.spools import look
from gcodetool.drying.device import of_place
from gcodetool.drying.instructions import instruction
from gcodetool.drying.limits import bounds, highest
from gcodetool.drying.plan import plan
from gcodetool.errors import UsageError
from gcodetool.gcode.program import read
from gcodetool.judge.print_air import air_of_print
from gcodetool.judge.print_judgement import history_cause, layer_before
from gcodetool.judge.spool_judgement import judge_spool
from gcodetool.moisture.history import state_at
from gcodetool.moisture.record import Body, Event, Place, Spool
from gcodetool.motion.feed import ToolFeed
from gcodetool.profiles import sample_folder

NOW = datetime.fromisoformat("2026-11-25T09:00:00+01:00").timestamp()
HOUR = 3600.0
PLACES = {
    "bench": Place("bench", "open", 22.0, 50.0),
    "damp": Place("damp", "open", 24.0, 80.0),
    "oven": Place("oven", "dryer", 60.0, room="bench"),
    "bag": Place("bag", "sealed", leak_g_per_day=0.0),
    "bench-1": Place("bench-1", "printer", room="damp", printer="bench-1"),
    "feed": Place("feed", "printer", room="damp", fed_from="box-2"),
    "box-2": Place("box-2", "box", 22.0, 12.0),
}


@functools.cache
def program():
    return read(sample_folder() / "hose-clips-petg.gcode")


def spool(*moves: tuple[float, str], material: str = "PETG", water: float = 0.05, **more) -> Spool:
    """Return a spool received dry in the bag, then moved: hours before now, place."""
    events = [Event(NOW - 1000 * HOUR, "received", "bag", water_wt_pct=water)]
    events += [Event(NOW - hours * HOUR, "moved", place) for hours, place in moves]
    return Spool("petg-09", profiles.material(material), 1.75, 1000.0, PLACES, tuple(events), **more)


def checked(stock: Spool, **more):
    return gcodetool.check(program(), {None: stock}, at=NOW, members=more.pop("members", 1), **more)


def air_of(stock: Spool, **more) -> str:
    state = state_at(stock, NOW)
    more = {"place": None, "printer": None} | more
    return air_of_print(stock, state, at_s=NOW, **more).words.split(",")[0]


def test_which_air_a_job_is_printed_in() -> None:
    bench_1 = profiles.printer("bench-1")
    on_bench, in_bag, in_oven = spool((2, "bench")), spool((2, "bench"), (1, "bag")), spool((2, "oven"))
    assert air_of(on_bench) == "bench"
    assert air_of(on_bench, place="damp") == "damp"
    assert air_of(on_bench, printer=bench_1) == "bench-1"
    assert air_of(on_bench, printer=bench_1, place="feed") == "feed"
    assert air_of(in_bag) == "bench"
    assert air_of(in_oven) == "bench"
    assert air_of(in_bag, printer=bench_1) == "bench-1"
    with pytest.raises(UsageError, match="did you mean 'bench'"):
        air_of(on_bench, place="bensh")


def test_assumed_air_is_said() -> None:
    found = checked(spool((2, "bench"), (1, "bag")))
    assert any("printed in the air of bench, assumed" in caution for caution in found.cautions)
    nowhere = replace(spool(), places={"bag": PLACES["bag"]})
    found = checked(nowhere)
    assert any("name the place with --place" in caution for caution in found.cautions)


def test_a_job_fed_from_a_dry_box_stays_drier() -> None:
    stock = spool((10, "feed"))
    boxed, open_ = (checked(stock, place=place).tools[0].forecast for place in ("feed", "damp"))
    assert boxed.worst_wt_pct.p50 < open_.worst_wt_pct.p50


def test_reasons_tell_inner_layers_from_uptake() -> None:
    """Dried at the outside only: what was never dried arrives; dried through: the air does it."""

    def between(stock: Spool, share: float, **more) -> str:
        forecast = checked(stock, **more).tools[0].forecast
        start, worst = forecast.start_wt_pct.p50, forecast.worst_wt_pct.p50
        limit = start + share * (worst - start)
        assert start < limit < worst
        strict = replace(stock.material, limit_good_wt_pct=limit / 2, limit_marginal_wt_pct=limit)
        verdict = checked(replace(stock, material=strict), **more).tools[0].verdict
        assert verdict.code == "runs-out"
        return verdict.because

    assert "picks up water in the air" in between(spool((0.1, "damp")), 0.5, place="damp")
    # a narrow reel of a few metres, so that a small job gets to its inner layers
    wet = replace(spool(), net_mass_g=12.0, body=Body(width_mm=4.0))
    events = (
        Event(NOW - 2.5 * HOUR, "received", "oven", water_wt_pct=0.5),
        Event(NOW - 0.1 * HOUR, "moved", "box-2"),
    )
    assert "never dried enough: the last drying, 2.4 h in oven" in between(
        replace(wet, events=events), 0.5, place="box-2"
    )


def why(*moves: tuple[float, str], water: float = 0.05) -> str:
    verdict = checked(spool(*moves, water=water), place="bench").tools[0].verdict
    assert verdict.code == "dry-first"
    return verdict.because


def test_only_a_reel_whose_record_shows_it_was_never_dried_enough() -> None:
    assert "it was never dried: it came in wet, and its record shows no drying" in why(
        (5, "bench"), water=0.5
    )
    assert "it was never dried enough: the last drying, 0.5 h in oven" in why(
        (1, "oven"), (0.5, "bench"), water=0.5
    )
    assert "it is in the dryer still" in why((0.2, "oven"), water=0.5)
    left_out = why((900, "oven"), (800, "damp"))
    assert "picked up in the air in the 33 d 8 h since it was dried, in damp" in left_out
    assert "picked up in the air in the 41 d 16 h since it came in, in damp and bag" in why((800, "damp"))
    # what had dried through and then stood in the damp for months says so of its inner layers, too
    inner = history_cause(spool((900, "oven"), (800, "damp")), NOW, 0)
    assert (inner.origin, inner.places) == ("picked-up", ("damp",))


@given(st.lists(st.floats(-500.0, 5000.0), min_size=1, max_size=40))
@settings(max_examples=30)
def test_a_row_is_fed_from_the_turn_that_is_reached_at_its_end(fed_mm) -> None:
    """As if one took the layers off the reel, the outermost first, until all rows so far are fed."""
    state = state_at(replace(spool((1, "bench")), net_mass_g=60.0), NOW, members=1)
    times = np.arange(len(fed_mm), dtype=float)
    feed = ToolFeed(
        0, np.stack([times, times + 1, fed_mm], axis=1), np.ones(len(fed_mm), dtype=int), 1.0, 1.0, 1.0, 1.0
    )
    length_m = state.field.winding.length_m.tolist()
    for row in range(len(fed_mm)):
        left_m = sum(max(0.0, fed) for fed in fed_mm[: row + 1]) / 1000.0
        layer = len(length_m) - 1
        while layer > 0 and left_m > length_m[layer] + 1e-9:
            left_m -= length_m[layer]
            layer -= 1
        assert layer_before(state, feed, row) == layer


def test_steam_at_the_nozzle_is_a_floor_until_the_spool_was_dried() -> None:
    dry = spool((2, "bench"))
    seen = Event(NOW - HOUR, "inspected", bubbles="many", pops=True)
    found = checked(replace(dry, events=(*dry.events, seen))).tools[0].verdict
    assert (found.code, found.by_model) == ("dry-first", False)
    assert "saw steam" in found.because
    dried = (Event(NOW - 0.9 * HOUR, "moved", "oven"), Event(NOW - 0.1 * HOUR, "moved", "bench"))
    found = checked(replace(dry, events=(*dry.events, seen, *dried))).tools[0].verdict
    assert (found.code, found.by_model) == ("clear", True)


@pytest.mark.parametrize(
    ("later", "floored"),
    [
        ({"bubbles": "none"}, False),  # the user's word that it is gone
        ({"oozes": False}, True),  # says nothing of steam
        ({"bubbles": "few", "pops": True}, True),
    ],
)
def test_three_wet_looks_floor_the_verdict_unless_a_later_look_says_otherwise(later, floored) -> None:
    dry = spool((2, "bench"), material="PA6")
    looks = [Event(NOW - (1.0 - 0.1 * i) * HOUR, "inspected", bubbles="many", pops=True) for i in range(3)]
    found = checked(replace(dry, events=(*dry.events, *looks)), members=32)
    assert found.tools[0].verdict.code == "dry-first"
    assert any(
        "contradicts the forecast" in caution for caution in found.cautions
    )  # it was dried, by its record
    last = Event(NOW - 0.5 * HOUR, "inspected", **later)
    found = checked(replace(dry, events=(*dry.events, *looks, last))).tools[0].verdict
    assert (found.code == "dry-first") == floored


def test_a_few_minutes_in_a_dryer_are_no_drying() -> None:
    dry = spool((2, "bench"))
    seen = Event(NOW - HOUR, "inspected", bubbles="many")
    for minutes, code in ((10, "dry-first"), (50, "clear")):
        there = Event(NOW - 0.95 * HOUR, "moved", "oven")
        back = Event(NOW - 0.95 * HOUR + 60 * minutes, "moved", "bench")
        assert checked(replace(dry, events=(*dry.events, seen, there, back))).tools[0].verdict.code == code


@pytest.mark.parametrize(
    ("material", "water", "bubbles", "words"),
    [
        ("PLA", 0.72, None, "strings and a rough surface are likely"),
        ("PETG", 0.36, None, "strings and a rough surface are likely"),
        ("PLA", 0.72, "many", "do not print"),  # steam is steam, whatever the model says
        ("PETG", 0.6, None, "do not print"),
        ("PA6", 0.7, None, "do not print"),
    ],
)
def test_the_words_fit_how_wet_it_is_and_what_that_does(material, water, bubbles, words) -> None:
    stock = spool((1.0, "bag"), material=material, water=water)
    if bubbles:
        stock = replace(stock, events=(*stock.events, Event(NOW - 60.0, "inspected", bubbles=bubbles)))
    tool = checked(stock).tools[0]
    assert tool.verdict.code == "dry-first"
    assert words in tool.advice[0]
    state = state_at(stock, NOW, members=1)
    shown = judge_spool(state, state)
    assert shown.word == "wet"
    assert words in shown.advice[0]


def test_a_sealed_spool_keeps_beyond_the_horizon() -> None:
    found = checked(spool((2, "bench"), (1.9, "bag"))).tools[0].verdict
    assert found.start_by_s is None


@pytest.mark.parametrize(("hours", "code"), [(1.0, "clear"), (3.9, "runs-out"), (5.0, "dry-first")])
def test_the_users_own_figure_counts_down_from_the_dryer(hours, code) -> None:
    stock = replace(spool((30, "oven"), (hours, "bench"), water=0.03), safe_exposure_h=4.0)
    found = checked(stock)
    tool = found.tools[0]
    assert tool.exposure.source == "stated"
    assert tool.exposure.safe_s == pytest.approx(max(0.0, (4.0 - hours) * HOUR))
    assert tool.verdict.code == code


def test_a_wet_inspection_beats_the_users_own_figure() -> None:
    stock = replace(spool((30, "oven"), (1, "bench"), water=0.03), safe_exposure_h=40.0)
    seen = Event(NOW - 0.5 * HOUR, "inspected", bubbles="many")
    found = checked(replace(stock, events=(*stock.events, seen)))
    assert found.tools[0].exposure.safe_s == 0
    assert found.verdict == "dry-first"


def test_what_does_not_fit_is_a_caution() -> None:
    said = " ".join(checked(spool((1, "bench"), material="PLA")).cautions)
    assert "sliced for PETG, but petg-09 is PLA" in said
    said = " ".join(checked(replace(spool((1, "bench")), diameter_mm=2.85)).cautions)
    assert "2.85 mm" in said
    said = " ".join(checked(replace(spool((1, "bench")), net_mass_g=2.0)).cautions)
    assert "short" in said


def test_spools_go_to_their_tools() -> None:
    one, two = spool((1, "bench")), replace(spool((1, "bench")), id="other")
    assert jobs.assign({None: one}, (2,)) == {2: one}
    assert jobs.assign({0: one, 1: two}, (0, 1)) == {0: one, 1: two}
    assert jobs.assign({1: two}, (0, 1)) == {0: None, 1: two}
    with pytest.raises(UsageError, match="name each spool's tool"):
        jobs.assign({None: one}, (0, 1))
    with pytest.raises(UsageError, match="feeds nothing from tool 4"):
        jobs.assign({4: one}, (0, 1))


@given(
    st.lists(st.tuples(st.floats(0.01, 100), st.floats(-5, 50)), min_size=1, max_size=300), st.integers(1, 64)
)
def test_a_coarse_feed_keeps_ends_and_length(rows, pieces) -> None:
    ends = np.cumsum([seconds for seconds, _ in rows])
    feed = np.stack([np.concatenate([[0], ends[:-1]]), ends, [mm for _, mm in rows]], axis=1)
    rows = len(feed)
    layers = np.arange(rows)
    whole = ToolFeed(0, feed, layers, 1.0, 1.0, 1.0, 1.0, z_mm=layers / 5, offset=layers * 9)
    thin = whole.thinned(pieces)
    assert set(thin.layer.tolist()) <= set(layers.tolist())
    assert thin.offset.tolist() == (thin.layer * 9).tolist()
    assert thin.z_mm.tolist() == (thin.layer / 5).tolist()
    found = thin.segments
    assert len(found) <= max(pieces, 1) or len(found) == len(feed) <= pieces
    assert found[0, 0] == feed[0, 0]
    assert found[-1, 1] == feed[-1, 1]
    assert found[:, 2].sum() == pytest.approx(feed[:, 2].sum(), abs=1e-6)


@settings(max_examples=60)
@given(
    st.sampled_from(profiles.names("materials")), st.none() | st.sampled_from(profiles.names("spool-bodies"))
)
def test_no_drying_advice_above_any_stated_limit(material, body) -> None:
    stock = replace(spool(material=material), body=Body(None if body is None else profiles.spool_body(body)))
    celsius, _ = highest(stock)
    assert all(celsius <= bound for bound, _ in bounds(stock))
    if body is None:
        assert celsius <= min(profiles.spool_body(each).safe_C for each in profiles.names("spool-bodies"))
    if stock.material.softening_C is not None:
        assert celsius <= stock.material.softening_C - 5


@pytest.mark.parametrize("water", [0.02, 0.17, 0.5])
def test_a_spool_on_the_shelf_is_told_what_to_do(water) -> None:
    stock = spool((2, "bench"), water=water)
    seen = look(stock, at=NOW, members=1)
    assert seen.word == {0.02: "dry", 0.17: "marginal", 0.5: "wet"}[water]
    # where heat is advised, its cautions stand beside it, and the hours are the planner's
    assert any("makers' limits" in line for line in seen.advice) == (seen.word != "dry")
    state = state_at(stock, NOW)
    if seen.word != "dry":
        assert seen.advice[1] == instruction(plan(state, of_place(stock, state, "oven")))
