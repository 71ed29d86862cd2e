"""What the numbers of a series show: against certified values, and over simulated series."""

import itertools
import math
import os
import re
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from gcodetool.series import statistics as ours

LONG = os.environ.get("GCODETOOL_HYPOTHESIS") == "long"


def reference_sets():
    """Yield the one-way data sets of the Statistical Reference Datasets that scipy's wheel carries for its own tests.

    Source: US National Institute of Standards and Technology, StRD, analysis of variance; each file certifies its mean
    squares, F and residual standard deviation to 15 digits.  Not every packager ships a package's tests.
    """
    tests = pytest.importorskip("scipy.stats.tests")
    import pathlib

    folder = pathlib.Path(tests.__path__[0]) / "data" / "nist_anova"
    files = sorted(folder.glob("*.dat"))
    if not files:
        pytest.skip("this scipy comes without its tests' data")
    return files


@pytest.mark.parametrize("number", range(11))
def test_one_way_agrees_with_certified_values(number):
    file = reference_sets()[number]
    text = file.read_text(encoding="latin-1")
    between = re.search(r"^Between \S+\s+\d+\s+\S+\s+(\S+)\s+(\S+)", text, re.MULTILINE)
    within = re.search(r"^Within \S+\s+\d+\s+\S+\s+(\S+)", text, re.MULTILINE)
    rows = [line.split() for line in text.splitlines()[60:] if len(line.split()) == 2]
    groups: dict[str, list[float]] = {}
    for name, value in rows:
        groups.setdefault(name, []).append(float(value))
    found = ours.one_way(list(groups.values()))
    assert found.between == pytest.approx(float(between[1]), rel=1e-6)
    assert found.f == pytest.approx(float(between[2]), rel=1e-6)
    assert found.spread == pytest.approx(math.sqrt(float(within[1])), rel=1e-6)


def simulated(random, *, states=4, prints=3, specimens=3, ratio=1.0, skewed=False):
    """Return print means of a series: prints differ among themselves, specimens within them; the last state by *ratio*."""
    found = []
    for state in range(states):
        level = 100.0 * (ratio if state == states - 1 else 1.0)
        if skewed:
            of_print = random.gamma(1 / 0.06**2, 0.06**2, prints)
            of_specimen = random.gamma(1 / 0.08**2, 0.08**2, (prints, specimens))
        else:
            of_print = 1 + 0.06 * random.standard_normal(prints)
            of_specimen = 1 + 0.08 * random.standard_normal((prints, specimens))
        found.append(level * (of_print[:, np.newaxis] * of_specimen).mean(axis=1))
    return found


def spread_of_prints(specimens=3):
    return math.sqrt(0.06**2 + 0.08**2 / specimens)


def judged(means, confidence=0.95):
    """Return differences of each state from the first, on logarithms, and their chances paid for."""
    logs = [np.log(one) for one in means]
    pooled = ours.one_way(logs)
    found = [ours.difference(logs[0], one, pooled, confidence=confidence) for one in logs[1:]]
    return found, ours.holm([one.p for one in found])


COUNT = 2000 if LONG else 400


@pytest.mark.parametrize("prints", [2, 3, 4, 5] if LONG else [2, 5])
@pytest.mark.parametrize("skewed", [False, True])
def test_the_interval_of_the_ratio_covers_the_truth(prints, skewed):
    random = np.random.default_rng(prints + 10 * skewed)
    truth, inside = math.log(0.75), 0
    for _ in range(COUNT):
        found, _ = judged(simulated(random, prints=prints, ratio=0.75, skewed=skewed))
        inside += found[-1].low <= truth <= found[-1].high
    # 93 to 97 % of 2,000; of fewer as wide as chance makes it
    slack = 0.02 if LONG else 0.035
    assert abs(inside / COUNT - 0.95) <= slack


@pytest.mark.parametrize("skewed", [False, True])
def test_where_nothing_differs_few_series_claim_that_anything_does(skewed):
    random = np.random.default_rng(5 + skewed)
    claims = sum(min(judged(simulated(random, prints=2, skewed=skewed))[1]) < 0.05 for _ in range(COUNT))
    limit = 0.05 + (0.0 if LONG else 2.5 * math.sqrt(0.05 * 0.95 / COUNT))
    assert claims / COUNT <= limit


def test_the_difference_that_was_planned_for_is_seen_as_often_as_planned():
    design = ours.Design(states=4, comparisons=3, confidence=0.95)
    spread = spread_of_prints()
    prints = ours.prints_needed(design, spread=spread, share=0.2, wanted=0.8)
    assert ours.power(design, prints - 1, spread=spread, share=0.2) < 0.8
    random = np.random.default_rng(7)
    seen = sum(judged(simulated(random, prints=prints, ratio=0.8))[1][-1] < 0.05 for _ in range(COUNT))
    assert seen / COUNT >= 0.8 - (0.0 if LONG else 2.5 * math.sqrt(0.8 * 0.2 / COUNT))


def test_the_smallest_difference_is_the_one_that_the_power_belongs_to():
    design = ours.Design(states=4, comparisons=3, confidence=0.95)
    share = ours.smallest_share(design, 3, spread=0.08, wanted=0.8)
    assert ours.power(design, 3, spread=0.08, share=share) == pytest.approx(0.8, abs=1e-6)
    assert ours.smallest_share(design, 1, spread=0.08, wanted=0.8) is None
    assert ours.prints_needed(design, spread=0.6, share=0.01, wanted=0.8) is None


def test_equivalence_is_claimed_only_within_the_margin():
    margin = (math.log(0.85), math.log(1.15))
    same = [np.log([100, 101, 99, 100]), np.log([100, 99, 101, 100])]
    apart = [np.log([100, 101, 99, 100]), np.log([86, 85, 87, 86])]
    for logs, alike in ((same, True), (apart, False)):
        found = ours.difference(*logs, ours.one_way(logs), confidence=0.95, margin=margin)
        assert (found.p_alike < 0.05) is alike


def test_one_print_a_state_tells_no_spread():
    pooled = ours.one_way([[1.0], [2.0]])
    found = ours.difference([1.0], [2.0], pooled, confidence=0.95)
    assert (pooled.df, found.low, found.high, found.p) == (0, -math.inf, math.inf, 1.0)


def test_a_trend_is_found_where_there_is_one_and_not_where_there_is_none():
    content = [0.02, 0.02, 0.1, 0.11, 0.2, 0.21, 0.3, 0.31]
    falls = [0.0, 0.01, -0.02, -0.01, -0.1, -0.11, -0.3, -0.28]
    found = ours.trend(content, falls, 0.95)
    assert found.p < 0.01 and found.high < 0.0
    assert all(after[1] <= before[1] for before, after in itertools.pairwise(found.fit))
    none = ours.trend(content, [0.0, 0.1, 0.05, -0.1, 0.08, -0.02, 0.1, 0.0], 0.95)
    assert none.p > 0.1 and none.low < 0.0 < none.high
    assert ours.trend(content[:3], falls[:3], 0.95) is None


def test_without_scipy_the_message_is_the_command_that_installs_it(monkeypatch):
    import builtins

    real = builtins.__import__

    def without(name, *rest):
        if name.startswith("scipy"):
            raise ImportError(name)
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(ours.UsageError, match=re.escape("pip install 'gcodetool[series]'")):
        ours.one_way([[1.0, 2.0], [2.0, 3.0]])


RATINGS = st.lists(st.integers(0, 5), min_size=1, max_size=4)


@given(RATINGS, RATINGS)
@example([5, 5], [1])
@example([5], [1])
def test_ratings_are_dealt_out_in_every_way(reference, other):
    every = [*reference, *other]
    gaps = []
    for chosen in itertools.combinations(range(len(every)), len(other)):
        mine = [every[i] for i in chosen]
        rest = [every[i] for i in range(len(every)) if i not in chosen]
        gaps.append(Fraction(sum(mine), len(mine)) - Fraction(sum(rest), len(rest)))
    seen = Fraction(sum(other), len(other)) - Fraction(sum(reference), len(reference))
    tails = (sum(gap >= seen for gap in gaps), sum(gap <= seen for gap in gaps))
    assert ours.rating_p(reference, other) == pytest.approx(min(1.0, 2 * min(tails) / len(gaps)))
