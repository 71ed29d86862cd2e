"""Laws of the verdict."""

import math
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from gcodetool.judge.feed_judgement import extremes, is_fed, over_limits
from gcodetool.judge.outcomes import content_like, headroom, judge, leaves_open
from gcodetool.judge.verdict_codes import BADNESS, EXIT_CODES, worst
from gcodetool.moisture.state import quantile

contents = hnp.arrays(
    float,
    st.tuples(st.integers(1, 12), st.integers(1, 9)),
    elements=st.floats(0, 3, allow_nan=False),
)


def ratios(content: np.ndarray, good: float = 1.0, marginal: float = 2.0) -> tuple[np.ndarray, np.ndarray]:
    return content / good, content / marginal


def test_each_verdict_by_its_definition() -> None:
    def of(*column: float) -> tuple[str, int | None]:
        found = judge(*ratios(np.array([column]).T), layers=list(range(1, len(column) + 1)))
        return found.code, found.from_layer

    assert of(0.5, 0.9, 1.0) == ("clear", None)
    assert of(0.5, 1.1, 1.9) == ("adjust", 2)
    assert of(1.5, 1.9, 2.0) == ("adjust", 1)
    assert of(0.5, 1.9, 2.1) == ("runs-out", 3)
    assert of(2.1, 0.1, 0.1) == ("dry-first", 1)


@given(contents, st.floats(0, 1))
def test_a_stricter_quantile_is_never_better(content: np.ndarray, confidence: float) -> None:
    layers = list(range(len(content)))
    found = judge(*ratios(content), layers=layers, confidence=confidence)
    stricter = judge(*ratios(content), layers=layers, confidence=1.0)
    if "unknown" not in (found.code, stricter.code):
        assert BADNESS.index(stricter.code) >= BADNESS.index(found.code)
    assert 0 <= found.share <= 1


@given(contents, st.floats(1.0, 3.0))
def test_wetter_is_never_better(content: np.ndarray, factor: float) -> None:
    # one member: with several, more water may also make an unsure start sure
    content = content[:, :1]
    layers = list(range(len(content)))
    before, after = (judge(*ratios(each), layers=layers) for each in (content, content * factor))
    assert BADNESS.index(after.code) >= BADNESS.index(before.code)


def test_a_split_start_is_unknown() -> None:
    content = np.array([[0.5, 0.6, 2.5, 2.6]])
    found = judge(*ratios(content), layers=[1])
    assert found.code == "unknown"
    assert found.share == 0.5
    assert found.outcomes == {"clear": 0.5, "adjust": 0.0, "runs-out": 0.0, "dry-first": 0.5}


members = st.integers(1, 9).flatmap(
    lambda count: st.tuples(
        hnp.arrays(float, st.tuples(st.integers(1, 8), st.just(count)), elements=st.floats(0, 3)),
        hnp.arrays(float, count, elements=st.floats(0.1, 5)),
        hnp.arrays(float, count, elements=st.floats(0.3, 1.7)),
    )
)


@given(members, st.floats(0, 1))
def test_the_verdict_is_the_best_outcome_that_enough_members_reach(drawn, confidence) -> None:
    content, weights, strictness = drawn
    to_good, to_marginal = ratios(content / strictness)
    found = judge(to_good, to_marginal, list(range(len(content))), confidence=confidence, weights=weights)
    assert math.fsum(found.outcomes.values()) == pytest.approx(1.0)
    if found.code == "unknown":
        return
    assert found.outcomes[found.code] > 0  # a verdict that nobody holds cannot come out
    reach = [sum(found.outcomes[code] for code in BADNESS[: rank + 1]) for rank in range(4)]
    rank = BADNESS.index(found.code)
    assert reach[rank] >= confidence - 1e-6
    assert rank == 0 or reach[rank - 1] < confidence + 1e-6
    # the numbers beside the word support it
    assert (found.worst_of_good <= 1) == (found.code == "clear")
    assert (found.worst_of_marginal <= 1) == (found.code in ("clear", "adjust"))
    assert (found.start_of_marginal <= 1) == (found.code != "dry-first")
    good, marginal = 0.2, 0.5
    told = content_like(found.worst_of_good, found.worst_of_marginal, good, marginal)
    assert (told <= good) == (found.code == "clear")
    assert (told <= marginal) == (found.code in ("clear", "adjust"))


@given(members, st.floats(0, 1))
def test_layers_are_told_only_where_the_verdict_says_that_a_limit_is_passed(drawn, confidence) -> None:
    content, weights, strictness = drawn
    to_good, to_marginal = ratios(content / strictness)
    layers = list(range(1, len(content) + 1))
    found = judge(to_good, to_marginal, layers, confidence=confidence, weights=weights)
    bad = found.code in ("runs-out", "dry-first")
    assert (found.past_marginal is not None) == bad
    assert (found.past_good is not None) == (bad or found.code == "adjust")
    if bad:
        assert found.past_good <= found.past_marginal == found.from_layer
    if found.code == "adjust":
        assert found.past_good == found.from_layer


def test_the_layer_is_the_median_one_of_the_members_that_run_out() -> None:
    content = np.array(
        [[0.5] * 5, [0.5, 0.5, 2.5, 0.5, 0.5], [0.5, 0.5, 2.5, 2.5, 0.5], [0.5, 0.5, 2.5, 2.5, 2.5]]
    )
    found = judge(*ratios(content), layers=[1, 2, 3, 4])
    assert (found.code, found.from_layer) == ("runs-out", 3)
    assert found.outcomes == {"clear": 0.4, "adjust": 0.0, "runs-out": pytest.approx(0.6), "dry-first": 0.0}


def test_the_cautious_quantile_names_its_layer() -> None:
    content = np.array([[0.5] * 10, [0.6] * 8 + [2.5] * 2])
    found = judge(*ratios(content), layers=[3, 7])
    assert (found.code, found.cautious_code, found.cautious_layer) == ("clear", "runs-out", 7)
    assert found.share == 0.8


def test_nothing_fed_and_crooked_shapes_are_refused() -> None:
    with pytest.raises(ValueError, match="feeds nothing"):
        judge(np.empty((0, 1)), np.empty((0, 1)), layers=[])
    with pytest.raises(ValueError, match="shapes do not fit"):
        judge(np.ones((2, 1)), np.ones((2, 1)), layers=[1])


def test_order_and_exit_codes_are_the_contract() -> None:
    assert BADNESS == ("clear", "adjust", "runs-out", "dry-first", "unknown")
    assert EXIT_CODES == {"clear": 0, "adjust": 10, "runs-out": 21, "dry-first": 20, "unknown": 30}
    assert worst(["clear", "unknown", "dry-first"]) == "unknown"
    assert worst([]) == "unknown"


@given(contents, st.data())
def test_the_first_and_the_wettest_strand_say_what_all_of_a_feed_says(
    content: np.ndarray, data: st.DataObject
) -> None:
    rows, members = content.shape
    draw = data.draw
    limit = draw(hnp.arrays(float, members, elements=st.floats(0.1, 2.5)))
    fed_mm = draw(hnp.arrays(float, rows, elements=st.sampled_from([-1.0, 0.0, 2.0])))
    content = content.copy()
    content[draw(st.integers(0, rows)) :] = np.nan  # from where the reel is empty
    state = cast("Any", SimpleNamespace(limit_good_wt_pct=limit, limit_marginal_wt_pct=1.5 * limit))
    start = draw(hnp.arrays(float, members, elements=st.floats(0, 3)))
    arrival = cast("Any", SimpleNamespace(start_wt_pct=start, wt_pct=content))
    feed = cast("Any", SimpleNamespace(segments=np.stack([np.zeros(rows), np.ones(rows), fed_mm], axis=1)))
    every = over_limits(state, arrival, is_fed(arrival, feed))
    two = extremes(state, arrival, feed)
    confidence, weights = draw(st.floats(0, 1)), np.full(members, 1.0 / members)

    def said(good: np.ndarray, marginal: np.ndarray) -> tuple[object, ...]:
        judged = judge(good, marginal, range(len(good)), confidence=confidence, weights=weights)
        left = [
            headroom(good, marginal, code, confidence=confidence, weights=weights)
            for code in ("clear", "adjust")
        ]
        return judged.code, judged.outcomes, judged.worst_of_good, judged.worst_of_marginal, left

    assert said(*two) == said(*every)


def test_what_takes_any_strand_off_a_reel_that_still_has_some_is_fed() -> None:
    fed_mm = np.array([-1.0, 0.0, 0.1, 0.1])
    feed = cast("Any", SimpleNamespace(segments=np.stack([np.zeros(4), np.ones(4), fed_mm], axis=1)))
    content = np.full((4, 2), 0.2)
    content[3, 1] = np.nan  # for that member the reel is empty by then
    assert is_fed(cast("Any", SimpleNamespace(wt_pct=content)), feed).tolist() == [False, False, True, False]


@given(contents)
def test_a_strand_leaves_open_what_its_quartiles_do(content: np.ndarray) -> None:
    good, marginal = (row[0] for row in ratios(content, 1.0, 1.2))
    weights = np.full(len(good), 1.0 / len(good))
    by_quartiles = quantile(good, 0.25, weights) <= 1 and quantile(marginal, 0.75, weights) > 1
    assert leaves_open(good, marginal, weights) == by_quartiles
