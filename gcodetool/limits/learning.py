"""Evidence to print limits: where a material's own limits lie, by all that its spools showed.

Unknown are ln(limit/stated limit) for good and marginal, on a grid.  A maker's line lies off its material, a spool off its
line, both by a normal offset that moves both limits (partial pooling).  A content is known as the members
have it, one member for all prints of a spool (errors in variables).  How far spools differ and how gradual the signs
are is averaged over.  No draws: sums over grids.  Equations: ``docs/limits.md``.
Left out: what is seen (``signs``), whose (``evidence``), and what is done with a limit (``adopted``).
"""

import functools
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from gcodetool.limits.evidence import Evidence
from gcodetool.limits.signs import LIMITS, Answer, Limit, Said, answers, log_chance
from gcodetool.moisture.polymer import LIMIT_FACTOR
from gcodetool.profiles import Material

Floats = NDArray[np.float64]

# The prior has the 10 % and 90 % points that members have before anything is learned, and tails that give way.
P90: Final = 1.2815515655446004  # of a standard normal
PRIOR_SD: Final = 0.8 * float(np.log(LIMIT_FACTOR[2] / LIMIT_FACTOR[1])) / P90
TOGETHER: Final = 0.7  # correlation of good and marginal before anything is seen (own estimate)
LINE_SD: Final = 0.2  # of a maker's lines about their material, in ln of a factor (own estimate)
SPOOL_SD: Final = (0.1, 0.25, 0.4)  # of spools about their line: one of these, equally likely
WIDER: Final = (0.7, 1.0, 1.5)  # signs are so many times as gradual as ``signs`` says: likewise
MEANING_SD: Final = 0.06  # of what a word means to a workshop: no number of prints tells (own estimate)

CELL: Final = 0.05  # of the grid, in ln of a factor
GRID: Final[Floats] = np.asarray(
    np.arange(-36, 37) * CELL, dtype=np.float64
)  # of a limit: 0.17 to 6 times the stated one
MARGIN: Final = 24  # cells beyond it on both sides, for offsets of spools and lines
WIDE: Final[Floats] = np.asarray(np.arange(-36 - MARGIN, 37 + MARGIN) * CELL, dtype=np.float64)
FINE: Final = CELL / 2  # contents are counted in bins of this width
LOWEST, HIGHEST = -6.0, 4.0  # ln(content/stated limit) that bins hold; beyond it signs are sure
BINS: Final = round((HIGHEST - LOWEST) / FINE)


@dataclass(frozen=True)
class LimitBand:
    """Where one limit lies. [wt % of the polymer]"""

    p10: float
    p50: float
    p90: float


@dataclass(frozen=True, eq=False)
class Learned:
    """What evidence says about the limits of one material or line.

    Attributes
    ----------
    stated
        The limits before. [wt %]
    shares : (good, marginal)
        The chance of each pair of cells of GRID; they sum to 1.
    """

    stated: tuple[float, float]
    shares: Floats

    @property
    def good(self) -> LimitBand:
        """Where the good limit lies."""
        return band_on_grid(self.shares.sum(axis=1), self.stated[0])

    @property
    def marginal(self) -> LimitBand:
        """Where the marginal limit lies."""
        return band_on_grid(self.shares.sum(axis=0), self.stated[1])


def learned(
    material: Material, evidence: Sequence[Evidence], *, line: str | None = None, roughly: bool = False
) -> Learned:
    """Return where a material's limits lie, or a line's of it.

    Parameters
    ----------
    evidence
        Of this material, whichever line.  None: the prior, exactly.
    line
        A maker's line; None: the material at large.
    roughly
        How far spools differ and how gradual signs are is taken as usual, not averaged over.
    """
    stated = (material.limit_good_wt_pct, material.limit_marginal_wt_pct)
    by_line: dict[str | None, list[Counts]] = defaultdict(list)
    for _, one in sorted(_grouped(evidence).items()):
        by_line[one[0].line].append(counted(one, stated))
    total = np.zeros((GRID.size, GRID.size))
    log_shares, log_size = [], []
    for wider in WIDER[1:2] if roughly else WIDER:
        spools = {name: [spool_chance(one, wider) for one in each] for name, each in by_line.items()}
        for spread in SPOOL_SD[1:2] if roughly else SPOOL_SD:
            found = _posterior(spools, spread, line)
            peak = float(found.max())
            size = float(np.log(np.exp(found - peak).sum())) + peak
            log_shares.append(found - size)
            log_size.append(size)
    weights = np.exp(np.array(log_size) - max(log_size))
    for weight, shares in zip(weights / weights.sum(), log_shares, strict=True):
        total += weight * np.exp(shares)
    if evidence:
        total = np.exp(_blurred(np.log(total + 1e-300), MEANING_SD))
    return Learned(stated, total / total.sum())


def _grouped(evidence: Sequence[Evidence]) -> dict[str, list[Evidence]]:
    """Return evidence by spool."""
    found: dict[str, list[Evidence]] = defaultdict(list)
    for one in evidence:
        found[one.spool].append(one)
    return found


def log_prior() -> Floats:
    """Return ln of the chance of each pair of cells before anything is seen, (good, marginal), up to a constant."""
    first, second = GRID[:, np.newaxis] / PRIOR_SD, GRID[np.newaxis, :] / PRIOR_SD
    return np.asarray(-(first**2 - 2.0 * TOGETHER * first * second + second**2) / (2.0 - 2.0 * TOGETHER**2))


def _posterior(spools: dict[str | None, list[Floats]], spread: float, line: str | None) -> Floats:
    """Return ln of prior times chance of the evidence, (good, marginal) on GRID, for one spread of spools.

    Spools that name no line are the material's own, so they lie about it directly.
    """
    lines = {name: sum(_blurred(one, spread) for one in each) for name, each in spools.items()}
    own = lines.pop(line, np.zeros((WIDE.size, WIDE.size))) if line is not None else 0.0
    total = np.pad(log_prior(), MARGIN, constant_values=-1e3)
    for name, each in lines.items():
        total = total + (each if name is None else _blurred(np.asarray(each), LINE_SD))
    if line is not None:
        total = _blurred(np.asarray(total), LINE_SD) + own
    return np.asarray(total)[MARGIN:-MARGIN, MARGIN:-MARGIN]


@dataclass(frozen=True, eq=False)
class Counts:
    """How often each member's content lies in each bin, for each answer that was given.

    Attributes
    ----------
    weights : (members,)
    answers
        (answer, first bin, counts (members, bins)); each time with its record's power.
    """

    weights: Floats
    answers: tuple[tuple[Answer, int, Floats], ...]


def counted(prints: Sequence[Evidence], stated: tuple[float, float]) -> Counts:
    """Return what a spool showed, counted in bins of ln(content/stated limit)."""
    contents = np.log(np.maximum([one.content for one in prints], 1e-9))
    seems = contents + np.array([[one.shift] for one in prints])
    given: dict[Answer, list[int]] = defaultdict(list)
    alike: dict[Said, list[int]] = defaultdict(list)
    for i, one in enumerate(prints):
        alike[one.said].append(i)
    for said, which in alike.items():
        for answer in answers(said):
            given[answer] += which
    powers = np.array([one.power for one in prints])
    found = []
    for limit, each in zip(LIMITS, stated, strict=True):
        bins = ((seems - np.log(each) - LOWEST) / FINE).astype(int)
        bins = np.minimum(np.maximum(bins, 0), BINS - 1)
        found += [
            (answer, *_in_bins(bins[records], powers[records]))
            for answer, records in given.items()
            if answer.sign.limit == limit
        ]
    return Counts(prints[0].weights, tuple(found))


def _in_bins(at: NDArray[np.int_], powers: Floats) -> tuple[int, Floats]:
    """Return the first bin, and how often each member is in each from there on; *at* is (records, members)."""
    first, members = int(at.min()), at.shape[1]
    bins = int(at.max()) - first + 1
    flat = at - first + bins * np.arange(members)[np.newaxis, :]
    counts = np.bincount(flat.ravel(), np.repeat(powers, members), minlength=members * bins)
    return first, counts.astype(np.float64).reshape(members, bins)


def spool_chance(counts: Counts, wider: float) -> Floats:
    """Return ln of the chance of all that a spool showed, by where its own limits lie, (good, marginal) on WIDE.

    A member's content holds for all prints of the spool together; members are summed over at the end.
    """
    good, marginal = (_along(counts, limit, wider) for limit in LIMITS)
    tops = good.max(axis=1) + marginal.max(axis=1)
    size = counts.weights * np.exp(tops - tops.max())
    first = np.exp(good - good.max(axis=1, keepdims=True)) * size[:, np.newaxis]
    second = np.exp(marginal - marginal.max(axis=1, keepdims=True))
    return np.asarray(np.log(first.T @ second + 1e-300) + tops.max())


def _along(counts: Counts, limit: Limit, wider: float) -> Floats:
    """Return ln of the chance of all answers about one limit, for each member and place of it, (members, WIDE)."""
    total = np.zeros((counts.weights.size, WIDE.size))
    for answer, first, each in counts.answers:
        if answer.sign.limit == limit:
            total += each @ _table(answer, wider)[first : first + each.shape[1]]
    return total


@functools.cache
def _table(answer: Answer, wider: float) -> Floats:
    """Return ln of the chance of an answer for contents in each bin and limits in each cell, (BINS, WIDE)."""
    centres = LOWEST + FINE * (np.arange(BINS) + 0.5)
    return log_chance(answer, centres[:, np.newaxis] - WIDE[np.newaxis, :], wider=wider)


def _blurred(log_chance_: Floats, spread: float) -> Floats:
    """Return ln of a chance after both limits together were moved by a normal offset, on the same grid."""
    reach = int(np.ceil(3.0 * spread / CELL))
    steps = np.arange(-reach, reach + 1)
    weights = np.exp(-0.5 * (steps * CELL / spread) ** 2)
    peak = log_chance_.max()
    padded = np.pad(np.exp(log_chance_ - peak), reach, mode="edge")
    down, along = padded.strides
    moved = as_strided(
        padded, (*log_chance_.shape, steps.size), (down, along, down + along)
    )  # both by as many cells
    total = np.einsum("ijk,k->ij", moved, weights / weights.sum())
    return np.asarray(np.log(total + 1e-300) + peak)


def band_on_grid(shares: Floats, stated: float, grid: Floats = GRID) -> LimitBand:
    """Return the 10, 50 and 90 % points of a limit, from the chance of each cell of an even grid. [wt %]"""
    half = (grid[1] - grid[0]) / 2
    edges = np.append(grid - half, grid[-1] + half)
    below = np.append(0.0, np.cumsum(shares) / shares.sum())
    return LimitBand(*(stated * float(np.exp(np.interp(q, below, edges))) for q in (0.1, 0.5, 0.9)))
