"""The verdict: from what arrives at the nozzle, member by member, to one word with its shares.

Contents come as ratios to each member's own limits, so that a member with a stricter limit counts by that
limit.  Each member has an outcome; the verdict is the best one that enough members reach or better, so the
numbers beside it are those of the same share and support it.  Nothing here knows files, clocks or spools.
"""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from gcodetool.judge.verdict_codes import BADNESS, Code
from gcodetool.moisture.history import quantile
from gcodetool.quickdata import dataclass

CAUTIOUS: Final = 0.9  # where this share of the members does not hold the verdict, a caution says so
DRIED: Final = (
    0.95  # of the members are dry, then a reel in a dryer is: it comes out once, and nobody dries it again
)
OUTCOMES: Final[tuple[Code, ...]] = BADNESS[:4]  # what can become of a member that is known
ROUNDING: Final = 1e-9  # of a sum of shares

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Judgement:
    """What the members say of one job on one spool.

    Attributes
    ----------
    code
        The verdict.
    outcomes
        Share of the members by outcome, 0 to 1, in sum 1.
    from_layer
        The layer at which the limit that decides is passed: the median one of the members whose outcome is
        the verdict's; None where none is.
    runs_out_layer
        The same of the members that run out, whatever the verdict; None: none does.
    cautious_code, cautious_layer
        The verdict that CAUTIOUS of the members hold, and its layer.
    past_good, past_marginal
        The layer at which each limit is passed where the verdict says that it is; None: it is not.
    start_of_marginal, worst_of_good, worst_of_marginal
        Content over the member's own limit that the asked share of the members does not exceed: of the first
        strand fed, and of the wettest. [-]
    """

    code: Code
    outcomes: dict[Code, float]
    from_layer: int | None
    runs_out_layer: int | None
    cautious_code: Code
    cautious_layer: int | None
    past_good: int | None
    past_marginal: int | None
    start_of_marginal: float
    worst_of_good: float
    worst_of_marginal: float

    @property
    def share(self) -> float:
        """Share of the members whose outcome is the verdict's; of unknown, of the largest."""
        return max(self.outcomes.values()) if self.code == "unknown" else self.outcomes[self.code]


def judge(
    to_good: Floats,
    to_marginal: Floats,
    layers: Sequence[int],
    *,
    confidence: float = 0.5,
    weights: Floats | None = None,
) -> Judgement:
    """Return the verdict on everything a job feeds from one spool.

    Parameters
    ----------
    to_good, to_marginal : (segments, members)
        Content of the strand that arrives, over the member's own limit. [-]
    layers : (segments,)
        The layer of each segment.
    confidence : 0 to 1
        Share of the members that must reach the verdict or better.
    weights : (members,)
        Of the members; equal where left out.

    Raises
    ------
    ValueError
        No segments, or shapes that do not fit.
    """
    if to_good.shape != to_marginal.shape or to_good.ndim != 2 or to_good.shape[0] != len(layers):
        raise ValueError(f"shapes do not fit: {to_good.shape}, {to_marginal.shape}, {len(layers)} layers")
    if not layers:
        raise ValueError("a job that feeds nothing has no verdict")
    members = to_good.shape[1]
    share = np.full(members, 1.0 / members) if weights is None else weights / weights.sum()
    ranks = _ranks(to_good, to_marginal)
    outcomes = {code: _sum(share[ranks == rank]) for rank, code in enumerate(OUTCOMES)}
    passes = _Passes(to_good, to_marginal, layers, ranks, share)
    rank = int(reached(ranks, confidence, share))
    cautious = int(reached(ranks, max(confidence, CAUTIOUS), share))
    code, cautious_code = OUTCOMES[rank], OUTCOMES[cautious]
    layer, cautious_layer = passes.layer(rank), passes.layer(cautious)
    if leaves_open(to_good[0], to_marginal[0], share):
        code, cautious_code, layer, cautious_layer = "unknown", "unknown", None, None
    known = code != "unknown"
    past_marginal = passes.layer(max(rank, OUTCOMES.index("runs-out"))) if known and rank >= 2 else None
    past_good = passes.first_good() if known and rank >= 1 else None
    if past_good is not None and past_marginal is not None:
        past_good = min(past_good, past_marginal)
    return Judgement(
        code=code,
        outcomes=outcomes,
        from_layer=layer,
        runs_out_layer=passes.layer(OUTCOMES.index("runs-out")),
        cautious_code=cautious_code,
        cautious_layer=cautious_layer,
        past_good=past_good if rank != 1 else layer,
        past_marginal=past_marginal,
        start_of_marginal=reached(to_marginal[0], confidence, share),
        worst_of_good=reached(to_good.max(axis=0), confidence, share),
        worst_of_marginal=reached(to_marginal.max(axis=0), confidence, share),
    )


def headroom(
    to_good: Floats, to_marginal: Floats, code: Code, *, confidence: float, weights: Floats
) -> float:
    """Return how far what decides lies below its limit: 0 or more exactly where `judge` says *code* or better. [-]

    Parameters
    ----------
    to_good, to_marginal, confidence, weights
        As for `judge`.
    code
        clear or adjust.
    """
    decides = to_good if code == "clear" else to_marginal
    left = 1.0 - reached(decides.max(axis=0), confidence, weights)
    if not leaves_open(to_good[0], to_marginal[0], weights):
        return left
    good, marginal = quantile(to_good[0], 0.25, weights), quantile(to_marginal[0], 0.75, weights)
    return min(left, max(good - 1.0, 1.0 - marginal), -ROUNDING)


def leaves_open(to_good: Floats, to_marginal: Floats, weights: Floats) -> bool:
    """Return whether one strand is dry enough for some members and far too wet for others: nobody can say."""
    if (to_marginal < 1).all():  # no quantile is more than the wettest
        return False
    return quantile(to_good, 0.25, weights) <= 1 and quantile(to_marginal, 0.75, weights) > 1


def reached(values: npt.ArrayLike, q: float, weights: Floats) -> float:
    """Return the smallest value that at least the share *q* of the members does not exceed; NaN if any is.

    The inverse of the members' distribution function, without interpolation [1]_: what it says of a limit is
    what the share of members below that limit says.

    >>> reached([3.0, 1.0, 2.0], 0.5, np.ones(3)), reached([3.0, 1.0, 2.0], 0.9, np.ones(3))
    (2.0, 3.0)

    References
    ----------
    .. [1] Hyndman and Fan, "Sample Quantiles in Statistical Packages" (1996), definition 1.
    """
    array = np.asarray(values, dtype=np.float64)
    if np.isnan(array).any():
        return math.nan
    order = np.argsort(array, kind="stable")
    share = np.cumsum(weights[order]) / weights.sum()
    held = order[weights[order] > 0]  # a member of no weight says nothing
    first = int(np.searchsorted(share[weights[order] > 0], q - ROUNDING))
    return float(array[held[min(first, len(held) - 1)]])


def _ranks(to_good: Floats, to_marginal: Floats) -> Floats:
    """Return each member's outcome as its place in OUTCOMES."""
    ranks = np.where(to_good.max(axis=0) <= 1, 0.0, 1.0)
    ranks[to_marginal.max(axis=0) > 1] = 2.0
    ranks[to_marginal[0] > 1] = 3.0
    return ranks


def _sum(shares: Floats) -> float:
    return min(1.0, math.fsum(shares.tolist()))


class _Passes:
    """At which layer members pass their limits."""

    def __init__(
        self, to_good: Floats, to_marginal: Floats, layers: Sequence[int], ranks: Floats, share: Floats
    ) -> None:
        self.numbers = np.asarray(layers)
        self.to_good, self.to_marginal = to_good, to_marginal
        self.ranks, self.share = ranks, share

    def layer(self, rank: int) -> int | None:
        """Return the median layer at which members of one outcome pass the limit that decides it."""
        if rank == 0:
            return None
        ratios = self.to_good if rank == 1 else self.to_marginal
        return self._median(ratios, self.ranks == rank)

    def first_good(self) -> int | None:
        """Return the median layer at which the members that pass their good limit do so."""
        return self._median(self.to_good, self.ranks >= 1)

    def _median(self, ratios: Floats, of: npt.NDArray[np.bool_]) -> int | None:
        if not self.share[of].sum() > 0:
            return None
        first = np.argmax(ratios[:, of] > 1, axis=0)
        return int(reached(self.numbers[first], 0.5, self.share[of]))


def content_like(to_good: float, to_marginal: float, good: float, marginal: float) -> float:
    """Return the content that says of two limits what the members say of their own. [unit of the limits]

    Members differ in their limits, so a content beside the median limits could say otherwise than they do:
    0.201 beside a marginal limit of 0.199, where all members that count are below their own.

    >>> content_like(0.8, 0.5, 0.2, 0.4), content_like(1.5, 0.9, 0.2, 0.4), content_like(4.0, 2.0, 0.2, 0.4)
    (0.16000000000000003, 0.36000000000000004, 0.8)
    """
    if to_good <= 1:
        return to_good * good
    if to_marginal > 1:
        return to_marginal * marginal
    return min(marginal, max(to_marginal * marginal, math.nextafter(good, marginal)))
