"""The latest start: what a check by hand at that moment would say, a little earlier and a little later."""

import os
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from gcodetool import profiles
from gcodetool.judge import latest_start as module
from gcodetool.judge import reasons
from gcodetool.judge.latest_start import HORIZON_S, ROUNDING, SOON_S, LatestStart
from gcodetool.judge.outcomes import headroom, judge
from gcodetool.judge.print_air import air_of_print
from gcodetool.judge.print_judgement import judge_print
from gcodetool.judge.verdict_codes import worse
from gcodetool.moisture.history import state_at
from gcodetool.moisture.record import Event, Place, Spool
from gcodetool.moisture.solver import COMPILED
from gcodetool.motion.feed import ToolFeed

LONG = os.environ.get("GCODETOOL_HYPOTHESIS") == "long"
REELS = 200 if LONG else 25 if COMPILED else 2
MEMBERS = 64 if LONG else 24 if COMPILED else 3
GRAMS = (250.0, 750.0, 1000.0) if LONG else (60.0, 250.0)
HOUR = 3600.0
NOW = 1.79e9
MATERIALS = ("PLA", "PETG", "PCTG", "ABS", "ASA", "PC", "PA6", "PA6_66", "PA12", "TPU_95A", "PVA", "PET")


def feed(hours: float, metres: float, rows: int) -> ToolFeed:
    """Return an even feed that begins after three minutes."""
    at = np.linspace(180.0, 180.0 + hours * HOUR, rows + 1)
    segments = np.stack([at[:-1], at[1:], np.full(rows, 1000.0 * metres / rows)], axis=1)
    ends_s = float(at[-1])
    return ToolFeed(0, segments, np.arange(1, rows + 1), 1000.0 * metres, hours * HOUR, ends_s, ends_s)


def dried(random: np.random.Generator) -> tuple[Spool, ToolFeed, str | None]:
    """Return a spool found open, dried and left somewhere, a job for it, and where that is printed."""
    material = profiles.material(str(random.choice(MATERIALS)))
    box = {"desiccant": "silica gel", "desiccant_g": float(random.choice([50.0, 200.0]))}
    places = (
        Place("bench", "open", 22.0, float(random.uniform(30, 75))),
        Place("damp", "open", 24.0, float(random.uniform(55, 85))),
        Place("oven", "dryer", float(material.dry_at_C), room="bench"),
        Place("box", "box", 22.0, air_L=10.0, exchange_m3_h=0.005, room="bench", **box),
        Place("bag", "sealed"),
    )
    left_h = float(10 ** random.uniform(-1, 1.3))
    dried_h = float(material.dry_hours * 10 ** random.uniform(-0.3, 0.3))
    events = (
        Event(NOW - 2000 * HOUR, "received", "bench", sealed=False),
        Event(NOW - (left_h + dried_h) * HOUR, "moved", "oven"),
        Event(NOW - left_h * HOUR, "moved", str(random.choice(["bench", "damp", "box", "bag"]))),
    )
    grams = float(random.choice(GRAMS))
    spool = Spool("dried", material, 1.75, grams, {each.name: each for each in places}, events)
    hours = float(10 ** random.uniform(-0.3, 1.3))
    metres = min(hours * float(random.uniform(4, 15)), 0.24 * grams)
    where = str(random.choice(["", "bench", "damp"])) or None
    return spool, feed(hours, metres, int(random.choice([1, 12, 200]))), where


def check(
    spool: Spool, job: ToolFeed, where: str | None, after_s: float = 0.0, *, explain: bool = False, strict=0.0
):
    """Return what a check by hand says after a delay; *strict*: limits lower by that share."""
    state = state_at(spool, NOW + after_s, members=MEMBERS)
    limits = {
        name: (1.0 - strict) * getattr(state.polymer, name) for name in ("limit_good", "limit_marginal")
    }
    state = replace(state, polymer=replace(state.polymer, **limits))
    return judge_print(
        state, air_of_print(spool, state, at_s=NOW + after_s, place=where), job, explain=explain
    )


@pytest.mark.parametrize("number", range(REELS))
def test_the_verdict_holds_until_the_latest_start_and_no_longer(number) -> None:
    random = np.random.default_rng(number)
    while True:  # many a spool is too wet at once, or keeps for good
        spool, job, where = dried(random)
        if check(spool, job, where).code not in ("clear", "adjust"):
            continue
        found = check(spool, job, where, explain=True)
        if found.start_by_s is not None:
            break
        assert not worse(check(spool, job, where, HORIZON_S).code, found.code)
    span_s = found.start_by_s - NOW
    for share in (0.95, 1.0):
        assert not worse(check(spool, job, where, share * span_s).code, found.code)
    # where a limit is passed so slowly that rounding decides when, that much is allowed
    later = check(spool, job, where, 1.1 * span_s + 2 * SOON_S, strict=2 * ROUNDING)
    assert worse(later.code, found.code)


def test_what_is_told_is_the_first_moment_though_it_holds_again_later() -> None:
    """A dry skin on a wet reel in a box that leaks dry air: the core wets the skin, and the air dries both in the end."""
    places = {
        "oven": Place("oven", "dryer", 70.0, room="bench"),
        "bench": Place("bench", "open", 22.0, 50.0),
        "cabinet": Place("cabinet", "open", 22.0, 2.0),
        "box": Place("box", "box", 22.0, air_L=3.0, exchange_m3_h=0.003, room="cabinet"),
    }
    events = (
        Event(NOW - 2000 * HOUR, "received", "bench", water_wt_pct=0.3),
        Event(NOW - 1.2 * HOUR, "moved", "oven"),
        Event(NOW - 0.2 * HOUR, "moved", "box"),
    )
    strict = replace(profiles.material("ABS"), limit_good_wt_pct=0.15)
    spool, job = Spool("skin", strict, 1.75, 750.0, places, events), feed(0.1, 1.0, 3)

    def code(hours: float) -> str:
        state = state_at(spool, NOW + hours * HOUR)
        around = air_of_print(spool, state, at_s=NOW + hours * HOUR)
        return judge_print(state, around, job, explain=False).code

    assert [code(hours) for hours in (0.0, 2.0, 24.0, 719.0)] == ["clear", "adjust", "clear", "clear"]
    state = state_at(spool, NOW)
    found = judge_print(state, air_of_print(spool, state, at_s=NOW), job).start_by_s
    span_h = (found - NOW) / HOUR
    assert 0.0 < span_h < 2.0
    assert (code(0.95 * span_h), code(1.1 * span_h)) == ("clear", "adjust")


contents = hnp.arrays(float, st.tuples(st.integers(1, 6), st.integers(1, 9)), elements=st.floats(0, 3))


@given(contents, st.floats(0, 1), st.sampled_from(["clear", "adjust"]), st.floats(0.2, 1.0))
def test_headroom_is_there_exactly_where_the_verdict_is_no_worse(
    content, confidence, code, strictness
) -> None:
    to_good, to_marginal = content, strictness * content
    weights = np.full(content.shape[1], 1.0 / content.shape[1])
    judged = judge(to_good, to_marginal, range(len(content)), confidence=confidence, weights=weights)
    left = headroom(to_good, to_marginal, code, confidence=confidence, weights=weights)
    assert (left >= 0.0) == (not worse(judged.code, code))


def test_the_users_own_figure_ends_it_too() -> None:
    spool, _, _ = dried(np.random.default_rng(1))
    places = {**spool.places, "bench": Place("bench", "open", 22.0, 40.0)}
    events = (
        spool.events[0],
        replace(spool.events[1], at_s=NOW - 20 * HOUR),
        Event(NOW - HOUR, "moved", "bench"),
    )
    spool = replace(
        spool, material=profiles.material("PLA"), places=places, events=events, safe_exposure_h=4.0
    )
    found = check(spool, feed(1.0, 5.0, 12), None, explain=True)
    assert found.start_by_s - NOW == pytest.approx(3.0 * HOUR - (HOUR + 180.0))


def test_a_search_takes_few_looks_at_the_whole_job(monkeypatch) -> None:
    looked = []
    look = module._Search._look

    def counted(self, delay_s, *, rough=False):
        looked.append(1 / 3 if rough else 1)  # of the time of a whole one
        return look(self, delay_s, rough=rough)

    monkeypatch.setattr(module._Search, "_look", counted)
    for number in range(8):
        spool, job, where = dried(np.random.default_rng(number))
        looked.clear()
        check(spool, job, where, explain=True)
        assert sum(looked) <= 9


def test_the_advice_says_what_ends_it() -> None:
    def said(start_by: LatestStart | None) -> str:
        return next(
            reasons.next_steps(
                "clear", place="bench", start_by=start_by, now_s=NOW, record=None, damage="part"
            )
        )

    assert "start at once: minutes later it gets too wet on the way" in said(LatestStart(NOW, "runs-out"))
    assert "another 2 h 0 min where it is (bench), then it prints marginal" in said(
        LatestStart(NOW + 7200.0, "adjust")
    )
    assert "for the next 30 days" in said(None)
