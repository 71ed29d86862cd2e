"""What numbers of a few prints show, and what they cannot: scipy does it, here is said what is asked of it.

The unit is a print.  Specimens of one print share its day, its bed and its strand, so their mean counts once.
Quantities that are above zero are compared as ratios, on their logarithms, with one spread for all states (pooled);
others as differences over the reference's mean.  Left out: words (``wording``), and what a value is (``results``).
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.errors import UsageError

Floats = NDArray[np.float64]

INSTALL: Final = "pip install 'gcodetool[series]'"
MOST_PRINTS: Final = 200  # that a plan looks for
MOST_ARRANGEMENTS: Final = 200_000  # of ratings among two states, each of them looked at


def scipy_stats() -> Any:
    """Return scipy's statistics.

    Raises
    ------
    UsageError
        scipy is not installed.
    """
    try:
        from scipy import stats
    except ImportError:
        raise UsageError(
            f"test series need scipy, of the extra 'series', which is not installed; install it: {INSTALL}"
        ) from None
    return stats


@dataclass(frozen=True)
class Pooled:
    """A one-way analysis: spread within groups and whether groups differ at all.

    Attributes
    ----------
    spread, df
        Standard deviation within groups, and its degrees of freedom; 0 df: nobody knows it.
    between
        Mean square between groups.
    f, p
        Of "all groups are alike"; nan without degrees of freedom.
    """

    spread: float
    df: int
    between: float
    f: float
    p: float


def one_way(groups: Sequence[Sequence[float]]) -> Pooled:
    """Return the one-way analysis of variance of groups of numbers.

    >>> round(one_way([[1.0, 2.0, 3.0], [2.0, 3.0, 4.0]]).f, 6)
    1.5
    """
    stats = scipy_stats()
    arrays = about_their_mean([group for group in groups if len(group)])
    spread, df = within_groups(arrays)
    middle = float(np.mean(np.concatenate(arrays)))
    between = math.fsum(one.size * (float(one.mean()) - middle) ** 2 for one in arrays)
    between /= max(1, len(arrays) - 1)
    if df < 1 or len(arrays) < 2 or spread <= 0.0:
        return Pooled(spread, df, between, math.nan, math.nan)
    found = stats.f_oneway(*arrays)
    return Pooled(spread, df, between, float(found.statistic), float(found.pvalue))


def within_groups(groups: Sequence[Sequence[float] | Floats]) -> tuple[float, int]:
    """Return the standard deviation within groups and its degrees of freedom; without any, nan and 0.

    >>> within_groups([[1.0, 2.0, 3.0], [5.0]])
    (1.0, 2)
    """
    arrays = [np.asarray(group, dtype=np.float64) for group in groups if len(group)]
    df = sum(one.size - 1 for one in arrays)
    return (math.sqrt(math.fsum(float(one.var() * one.size) for one in arrays) / df) if df else math.nan), df


def about_their_mean(groups: Sequence[Sequence[float]]) -> list[Floats]:
    """Return groups of numbers less the mean of them all, digit by digit as they were typed.

    A large common part takes digits from what is computed of a binary number; its shortest decimal has them still.

    >>> about_their_mean([[1000000000000.3], [1000000000000.5]])
    [array([-0.1]), array([0.1])]
    """
    typed = [[Decimal(repr(float(value))) for value in group] for group in groups]
    mean = sum(itertools.chain.from_iterable(typed), Decimal()) / sum(map(len, typed))
    return [np.array([float(value - mean) for value in group], dtype=np.float64) for group in typed]


@dataclass(frozen=True)
class Difference:
    """One state against another, on the scale that was given: logarithms, or plain values.

    ``p`` is that of "no difference", ``p_alike`` that of "they differ by more than the margin" (two one-sided tests).
    """

    value: float
    low: float
    high: float
    p: float
    p_alike: float | None


def difference(
    reference: Sequence[float],
    other: Sequence[float],
    pooled: Pooled,
    *,
    confidence: float,
    margin: tuple[float, float] | None = None,
) -> Difference:
    """Return how much *other* lies above *reference*, with its interval, by the spread of all groups together.

    Parameters
    ----------
    margin
        The lowest and the highest difference that does not matter; None: equivalence is not asked.
    """
    stats = scipy_stats()
    before, after = about_their_mean([reference, other])
    value = float(np.mean(after) - np.mean(before))
    if pooled.df < 1:
        return Difference(value, -math.inf, math.inf, 1.0, None)
    error = pooled.spread * math.sqrt(1.0 / len(reference) + 1.0 / len(other))
    if error <= 0.0:  # every print alike to the last digit: a scale that reads too coarsely
        return Difference(value, value, value, 0.0 if value else 1.0, None)
    low, high = stats.t.interval(confidence, pooled.df, loc=value, scale=error)
    p = 2.0 * float(stats.t.sf(abs(value) / error, pooled.df))
    alike = None
    if margin is not None:
        above = stats.t.sf((value - margin[0]) / error, pooled.df)
        below = stats.t.cdf((value - margin[1]) / error, pooled.df)
        alike = float(max(above, below))
    return Difference(value, float(low), float(high), p, alike)


def mean_interval(values: Sequence[float], pooled: Pooled, confidence: float) -> tuple[float, float]:
    """Return the interval of a group's mean, by the spread of all groups together."""
    if pooled.df < 1 or not pooled.spread > 0.0:
        return -math.inf, math.inf
    low, high = scipy_stats().t.interval(
        confidence, pooled.df, loc=float(np.mean(values)), scale=pooled.spread / math.sqrt(len(values))
    )
    return float(low), float(high)


def rating_p(reference: Sequence[float], other: Sequence[float]) -> float:
    """Return the chance of means at least so far apart, if the prints' ratings were dealt out anew: every way of it.

    >>> round(rating_p([5, 5, 5, 5], [2, 3, 2, 3]), 4)  # 2 of 70 ways
    0.0286
    >>> round(rating_p([5, 4], [1]), 4), rating_p([5], [1])  # each of the three, each of the two, could be the other
    (0.6667, 1.0)
    """
    stats = scipy_stats()
    if min(len(reference), len(other)) < 2:  # scipy asks for two at least
        return _lone_p(reference, other)
    ways = math.comb(len(reference) + len(other), len(other))
    found = stats.permutation_test(
        (np.asarray(other, dtype=np.float64), np.asarray(reference, dtype=np.float64)),
        lambda a, b, axis: np.mean(a, axis=axis) - np.mean(b, axis=axis),
        vectorized=True,
        n_resamples=np.inf if ways <= MOST_ARRANGEMENTS else MOST_ARRANGEMENTS,
        rng=np.random.default_rng(0),
    )
    return float(found.pvalue)


def _lone_p(reference: Sequence[float], other: Sequence[float]) -> float:
    """Return the same where one side is a single print: twice the smaller tail, as scipy has it."""
    every = [*reference, *other]
    lone = (other if len(other) == 1 else reference)[0]
    # the mean of all the others falls as the lone one rises, so the lone one alone orders the ways
    tails = (sum(value >= lone for value in every), sum(value <= lone for value in every))
    return min(1.0, 2.0 * min(tails) / len(every))


def fewest_ratings(confidence: float, comparisons: int) -> int:
    """Return how many prints a state needs until the clearest ratings can show a difference at all.

    >>> fewest_ratings(0.95, 1), fewest_ratings(0.95, 6)
    (4, 5)
    """
    count = 2
    while 2.0 / math.comb(2 * count, count) > (1.0 - confidence) / comparisons:
        count += 1
    return count


def holm(chances: Sequence[float]) -> list[float]:
    """Return chances that pay for being one of several (Holm 1979), in their order.

    scipy has no function for it: the smallest is multiplied by how many there are, the next by one less, and so on,
    and none may be below one before it.

    >>> holm([0.01, 0.04, 0.03])
    [0.03, 0.06, 0.06]
    """
    found = [0.0] * len(chances)
    highest = 0.0
    for rank, place in enumerate(sorted(range(len(chances)), key=lambda i: chances[i])):
        highest = max(highest, min(1.0, (len(chances) - rank) * chances[place]))
        found[place] = highest
    return found


# ---------------------------------------------------------------- before anything is printed


def log_spread(spread: float) -> float:
    """Return the standard deviation of logarithms where values have that one over their mean."""
    return math.sqrt(math.log1p(spread**2))


@dataclass(frozen=True)
class Design:
    """What decides how much a series can show: states, comparisons that are paid for, confidence."""

    states: int
    comparisons: int
    confidence: float


def power(design: Design, prints: int, *, spread: float, share: float) -> float:
    """Return the chance that a state that is weaker by *share* (0 to 1) is told from the reference.

    Parameters
    ----------
    spread
        Of prints, over their mean.

    By the noncentral t distribution, with the spread that all states tell together, at the level that the first of
    Holm's steps asks for: so it is the least chance.
    """
    stats = scipy_stats()
    df = design.states * (prints - 1)
    if df < 1:
        return 0.0
    error = log_spread(spread) * math.sqrt(2.0 / prints)
    edge = stats.t.ppf(1.0 - 0.5 * (1.0 - design.confidence) / design.comparisons, df)
    away = -math.log1p(-share) / error
    wrong_way = float(stats.nct.cdf(-edge, df, away))  # scipy's is nan where it is next to nothing
    return float(stats.nct.sf(edge, df, away)) + (wrong_way if wrong_way > 0.0 else 0.0)


def prints_needed(design: Design, *, spread: float, share: float, wanted: float) -> int | None:
    """Return the fewest prints a state that see such a difference with the wanted power; None: more than MOST_PRINTS."""
    low, high = 1, 2
    while power(design, high, spread=spread, share=share) < wanted:
        low, high = high, 2 * high
        if low >= MOST_PRINTS:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        if power(design, middle, spread=spread, share=share) < wanted:
            low = middle
        else:
            high = middle
    return high if high <= MOST_PRINTS else None


def smallest_share(design: Design, prints: int, *, spread: float, wanted: float) -> float | None:
    """Return the smallest difference (0 to 1) that so many prints a state see; None: they see none."""
    from scipy import optimize

    most = 0.999
    if power(design, prints, spread=spread, share=most) < wanted:
        return None
    least = 1e-6
    return float(
        optimize.brentq(lambda share: power(design, prints, spread=spread, share=share) - wanted, least, most)
    )


# ---------------------------------------------------------------- over water


@dataclass(frozen=True)
class Trend:
    """How a result goes with content, whichever state it came from; on the scale that was given.

    Attributes
    ----------
    slope, low, high
        Per wt %, and its interval (Theil and Sen).
    p
        Of "no monotone trend" (Kendall).
    fit
        (content, level) of the monotone curve closest to the prints, of each content once, by content.
    """

    slope: float
    low: float
    high: float
    p: float
    fit: tuple[tuple[float, float], ...]


def trend(content: Sequence[float], level: Sequence[float], confidence: float) -> Trend | None:
    """Return the trend of prints' levels over their content; None: fewer than four, or of fewer than three contents."""
    stats = scipy_stats()
    from scipy import optimize

    x, y = np.asarray(content, dtype=np.float64), np.asarray(level, dtype=np.float64)
    if x.size < 4 or np.unique(x).size < 3 or np.ptp(y) == 0.0:
        return None
    slope = stats.theilslopes(y, x, alpha=confidence, method="separate")
    ranks = stats.kendalltau(x, y)
    contents, whose, counts = np.unique(x, return_inverse=True, return_counts=True)
    means = np.bincount(whose, y) / counts
    curve = optimize.isotonic_regression(means, weights=counts, increasing=bool(slope.slope >= 0.0)).x
    fit = tuple((float(a), float(b)) for a, b in zip(contents, curve, strict=True))
    return Trend(
        float(slope.slope), float(slope.low_slope), float(slope.high_slope), float(ranks.pvalue), fit
    )
