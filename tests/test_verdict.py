"""Laws of the verdict."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from gcodetool.judge.outcomes import judge
from gcodetool.judge.verdict_codes import BADNESS, EXIT_CODES, worst

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
