"""Which strand to print next so that the limits become known soonest: what each spool would tell, on average.

For each word that a print may earn, how likely it is and how narrow the marginal limit's band would be then.  A print
well below the limit or well above it tells nothing that is not known already.  Left out: what the print is good for.
"""

import functools
import itertools
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.limits.evidence import Evidence
from gcodetool.limits.influence import COARSE, chances_of_words
from gcodetool.limits.learning import GRID, Learned
from gcodetool.limits.signs import WORDS, Said

Floats = NDArray[np.float64]

ASKED: Final = ("strings", "bubbles")  # what nearly every print shows


@dataclass(frozen=True)
class Try:
    """What one more print would tell; *narrower*: the share of the marginal limit's spread that goes, on average."""

    spool: str
    p10: float
    p50: float
    p90: float
    narrower: float


def tries(candidates: Iterable[Evidence], found: Learned) -> list[Try]:
    """Return what each candidate would tell, the best one first.

    Parameters
    ----------
    candidates
        Spools as they stand: content and weights count, nothing was said yet.
    """
    listed = []
    for one in candidates:
        order = np.argsort(one.content)
        at = np.searchsorted(np.cumsum(one.weights[order]), (0.1, 0.5, 0.9)).clip(max=order.size - 1)
        p10, p50, p90 = (float(one.content[order[i]]) for i in at)
        listed.append(Try(one.spool, p10, p50, p90, narrower(one, found)))
    return sorted(listed, key=lambda each: (-each.narrower, each.spool))


def narrower(one: Evidence, found: Learned) -> float:
    """Return the share of the marginal limit's standard deviation that one print would take away, on average. [-]"""
    shares = found.shares[COARSE, COARSE] / found.shares[COARSE, COARSE].sum()
    by_limit = (shares * chances_of_words(one, every_answer(), found.stated)).sum(
        axis=1
    )  # (answers, marginal)
    sizes = by_limit.sum(axis=1)
    after = float(sizes @ spread_of(by_limit / sizes[:, np.newaxis]) / sizes.sum())
    return max(0.0, 1.0 - after / float(spread_of(shares.sum(axis=0))))


@functools.cache
def every_answer() -> list[Said]:
    """Return every set of words that a print may earn."""
    return [
        tuple(zip(ASKED, words, strict=True)) for words in itertools.product(*(WORDS[each] for each in ASKED))
    ]


def spread_of(shares: Floats) -> Floats:
    """Return the standard deviation of ln(marginal limit), of each row of the shares of its cells."""
    at = GRID[COARSE]
    return np.sqrt(np.maximum(0.0, shares @ at**2 - (shares @ at) ** 2))


def best_content(found: Learned) -> float:
    """Return the content at which one print would tell most, if it were known exactly. [wt %]"""
    stated, one = found.stated[1], np.ones(1)
    contents = stated * np.exp(np.arange(-1.5, 1.5, 0.1))
    tells = [narrower(Evidence("", None, 0.0, (), each * one, one), found) for each in contents]
    return float(contents[int(np.argmax(tells))])
