"""The verdict: from what arrives at the nozzle to one word and a reason.

Contents come as ratios to each member's own limits, so that a member with a stricter limit
counts by that limit.  Nothing here knows files, clocks or spools; ``job`` puts it together.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from gcodetool.judge.verdict_codes import Code
from gcodetool.moisture.history import quantile

CAUTIOUS: Final = 0.9  # where this quantile is worse than the verdict, a caution names the layer

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Judgement:
    """One tool's verdict.

    Attributes
    ----------
    code : the verdict.
    share : share of members with the same verdict, 0 to 1.
    from_layer : first layer at which the content passes the limit that decides; None where none does.
    cautious_code, cautious_layer : the same at the 0.9 quantile.
    past_good, past_marginal : first layer past each limit, whichever decides; None: never.
    """

    code: Code
    share: float
    from_layer: int | None
    cautious_code: Code
    cautious_layer: int | None
    past_good: int | None = None
    past_marginal: int | None = None


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
        Quantile of the members that must hold.
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
    weights = np.full(members, 1.0 / members) if weights is None else weights
    good, marginal = _quantiles(to_good, to_marginal, confidence, weights)
    code, layer = _code(good, marginal, layers)
    cautious = _quantiles(to_good, to_marginal, max(confidence, CAUTIOUS), weights)
    cautious_code, cautious_layer = _code(*cautious, layers)
    codes = [_code(to_good[:, each], to_marginal[:, each], layers)[0] for each in range(members)]
    normed = weights / weights.sum()
    shares = {
        each: min(
            1.0, math.fsum(weight for code_, weight in zip(codes, normed, strict=True) if code_ == each)
        )
        for each in set(codes)
    }
    # dry enough for some, far too wet for others already at the start: nobody can say
    if quantile(to_good[0], 0.25, weights) <= 1 and quantile(to_marginal[0], 0.75, weights) > 1:
        return Judgement("unknown", max(shares.values()), None, "unknown", None)
    return Judgement(
        code,
        shares.get(code, 0.0),
        layer,
        cautious_code,
        cautious_layer,
        past_good=_first_past(good, layers),
        past_marginal=_first_past(marginal, layers),
    )


def _quantiles(to_good: Floats, to_marginal: Floats, at: float, weights: Floats) -> tuple[Floats, Floats]:
    """Return each segment's ratios at one quantile of the members: to good, to marginal."""
    good = np.array([quantile(row, at, weights) for row in to_good])
    marginal = np.array([quantile(row, at, weights) for row in to_marginal])
    return good, marginal


def _first_past(ratios: Floats, layers: Sequence[int]) -> int | None:
    """Return the layer at which one column of ratios first passes its limit."""
    past = np.flatnonzero(ratios > 1)
    return layers[int(past[0])] if past.size else None


def _code(to_good: Floats, to_marginal: Floats, layers: Sequence[int]) -> tuple[Code, int | None]:
    """Return verdict and layer of one column of ratios."""
    if to_marginal[0] > 1:
        return "dry-first", layers[0]
    if (wet := _first_past(to_marginal, layers)) is not None:
        return "runs-out", wet
    if (damp := _first_past(to_good, layers)) is not None:
        return "adjust", damp
    return "clear", None
