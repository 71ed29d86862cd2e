"""Evidence to print limits: where a material's own limits lie, by all that its spools showed.

Unknown are ln(limit/stated limit) for good and marginal, on a grid.  A maker's line lies off its material, a spool off its
line, both by a normal offset that moves both limits (partial pooling).  A content is known as the members
have it, one member for all prints of a spool (errors in variables).  How far spools differ and how gradual the signs
are is averaged over.  No draws: sums over grids.  Equations: ``docs/limits.md``.
Left out: what is seen (``signs``), whose (``evidence``), and what is done with a limit (``adopted``).
"""

import functools
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.limits.evidence import Evidence, Indices, SpoolPrints, by_spool
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
MOST_SETS: Final = 64  # of words that spools earned: they are much the same from spool to spool
FLOOR: Final = 1e-300  # of the likeliest: nothing is quite impossible


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
    powers = np.array([one.power for one in evidence])
    records = [binned(one, stated) for one in by_spool(evidence)]
    return learned_of(records, powers, stated, line=line, roughly=roughly)


def learned_of(
    records: "Sequence[Binned]",
    powers: Floats,
    stated: tuple[float, float],
    *,
    line: str | None,
    roughly: bool,
) -> Learned:
    """Return the same of evidence that is sorted into bins already, each record with a power of its own.

    Parameters
    ----------
    powers : (records,)
        Of all evidence, in the order that it was sorted in.
    """
    total = np.zeros((GRID.size, GRID.size))
    log_shares, log_size = [], []
    for lines in _by_line(records, powers, line, 1 if roughly else None):
        found = _posterior(lines, line)
        peak = float(found.max())
        size = float(np.log(np.exp(found - peak).sum())) + peak
        log_shares.append(found - size)
        log_size.append(size)
    weights = np.exp(np.array(log_size) - max(log_size))
    for weight, shares in zip(weights / weights.sum(), log_shares, strict=True):
        total += weight * np.exp(shares)
    if records:
        total = _blurred(total + FLOOR, MEANING_SD)
    return Learned(stated, total / total.sum())


def log_prior() -> Floats:
    """Return ln of the chance of each pair of cells before anything is seen, (good, marginal), up to a constant."""
    first, second = GRID[:, np.newaxis] / PRIOR_SD, GRID[np.newaxis, :] / PRIOR_SD
    return np.asarray(-(first**2 - 2.0 * TOGETHER * first * second + second**2) / (2.0 - 2.0 * TOGETHER**2))


def _by_line(
    records: "Sequence[Binned]", powers: Floats, line: str | None, only: int | None
) -> list[dict[str | None, Floats]]:
    """Return ln of the chance of what each line's spools showed, for each width of signs and each spread of spools.

    One spool is looked at after the other, so that no more than their sums is held.

    Parameters
    ----------
    only
        Which of WIDER and SPOOL_SD is taken alone; None: each with each.
    """
    widths, spreads = (each if only is None else each[only : only + 1] for each in (WIDER, SPOOL_SD))
    about, beyond = _beyond_grid(line)
    cells = {None: about, line: 0 if line is not None else about}
    found: list[dict[str | None, Floats]] = [{} for _ in widths for _ in spreads]
    for one in records:
        counts, less = counted(one, powers), MARGIN - cells.get(one.line, beyond)
        chances = (spool_chance(counts, wider) for wider in widths)
        told = (each.blurred(spread, less) for each in chances for spread in spreads)
        for lines, each in zip(found, told, strict=True):
            if one.line in lines:
                lines[one.line] += each
            else:
                lines[one.line] = each
    return found


def _beyond_grid(line: str | None) -> tuple[int, int]:
    """Return how many cells beyond GRID are asked for of the material, and of its lines; *line*: that is asked for."""
    about = 0 if line is None else min(MARGIN, _reach(LINE_SD))
    return about, min(MARGIN, about + _reach(LINE_SD))


def _posterior(lines: dict[str | None, Floats], line: str | None) -> Floats:
    """Return ln of prior times chance of the evidence, (good, marginal) on GRID.

    Parameters
    ----------
    lines
        ln of the chance of what the spools of each line showed.  Those that name none are the material's own, so they lie
        about it directly.
    """
    about, beyond = _beyond_grid(line)
    own = lines.pop(line, 0.0) if line is not None else 0.0
    total = np.pad(log_prior(), about, constant_values=-1e3)
    for name, found in lines.items():
        total = total + (found if name is None else _log_blurred(found, LINE_SD, beyond - about))
    return np.asarray(total if line is None else _log_blurred(total, LINE_SD, about) + own)


@dataclass(frozen=True, eq=False)
class Binned:
    """What one spool showed, its contents sorted into bins of ln(content/stated limit).

    Attributes
    ----------
    places : (records,)
        Among all evidence.
    weights : (members,)
    bins
        Of each limit the first bin that is met, and all from there on, (records, members).
    given
        Which of the records gave an answer; twice where two of their words say so.
    """

    line: str | None
    places: Indices
    weights: Floats
    bins: tuple[tuple[int, Indices], ...]
    given: dict[Answer, Indices]


def binned(spool: SpoolPrints, stated: tuple[float, float]) -> Binned:
    """Return a spool's evidence, sorted into bins."""
    bins = tuple(_bins(spool.seems - np.log(each)) for each in stated)
    return Binned(spool.line, spool.places, spool.weights, bins, _given(spool))


def _bins(log_ratio: Floats) -> tuple[int, Indices]:
    bins = ((log_ratio - LOWEST) / FINE).astype(int).clip(0, BINS - 1)
    first = int(bins.min())
    return first, (bins - first).astype(np.int16)


def _given(spool: SpoolPrints) -> dict[Answer, Indices]:
    """Return which records gave each answer."""
    records = np.arange(spool.codes.size)
    return {answer: np.repeat(records, times[spool.codes]) for answer, times in _times(spool.said).items()}


@functools.lru_cache(MOST_SETS)
def _times(said: tuple[Said, ...]) -> dict[Answer, Indices]:
    """Return by how many of its words each set of words gives an answer."""
    told = [answers(words) for words in said]
    given = dict.fromkeys(itertools.chain.from_iterable(told))
    return {answer: np.array([each.count(answer) for each in told]) for answer in given}


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


def counted(spool: Binned, powers: Floats) -> Counts:
    """Return how often each bin was met; *powers*: of all evidence."""
    own = powers[spool.places]
    found = []
    for answer, records in spool.given.items():
        first, bins = spool.bins[LIMITS.index(answer.sign.limit)]
        found.append((answer, first, _in_bins(bins[records], own[records])))
    return Counts(spool.weights, tuple(found))


def _in_bins(at: Indices, powers: Floats) -> Floats:
    """Return how often each member is in each bin, (members, bins); *at* is (records, members)."""
    members, bins = at.shape[1], int(at.max()) + 1
    flat = at + bins * np.arange(members)
    counts = np.bincount(flat.ravel(), np.repeat(powers, members), minlength=members * bins)
    return counts.astype(np.float64).reshape(members, bins)


@dataclass(frozen=True, eq=False)
class Chance:
    """The chance of all that a spool showed, by where its own limits lie.

    Attributes
    ----------
    shares : (good, marginal) on WIDE
        Of the likeliest pair of cells.
    log_peak
        ln of the chance there.
    """

    shares: Floats
    log_peak: float

    def blurred(self, spread: float, less: int) -> Floats:
        """Return ln of it after both limits together were moved by a normal offset, on WIDE *less* cells on each side."""
        return np.asarray(np.log(_blurred(self.shares, spread, less) + FLOOR) + self.log_peak)


def spool_chance(counts: Counts, wider: float) -> Chance:
    """Return the chance of all that a spool showed.

    A member's content holds for all prints of the spool together; members are summed over at the end.
    """
    good, marginal = (_along(counts, limit, wider) for limit in LIMITS)
    tops = good.max(axis=1) + marginal.max(axis=1)
    size = counts.weights * np.exp(tops - tops.max())
    first = np.exp(good - good.max(axis=1, keepdims=True)) * size[:, np.newaxis]
    second = np.exp(marginal - marginal.max(axis=1, keepdims=True))
    chance = first.T @ second + FLOOR
    peak = float(chance.max())
    return Chance(chance / peak, float(np.log(peak) + tops.max()))


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
    steps = np.arange(BINS)[:, np.newaxis] - 2 * np.arange(WIDE.size)  # between them, in bins
    least = int(steps.min())
    apart = LOWEST - WIDE[0] + FINE * (np.arange(least, int(steps.max()) + 1) + 0.5)
    return np.asarray(log_chance(answer, apart, wider=wider)[steps - least])


def _log_blurred(log_chance_: Floats, spread: float, less: int) -> Floats:
    """Return ln of a chance, given as ln, after both limits together were moved by a normal offset."""
    peak = log_chance_.max()
    return np.asarray(np.log(_blurred(np.exp(log_chance_ - peak), spread, less) + FLOOR) + peak)


def _reach(spread: float) -> int:
    """Return how many cells a normal offset is followed."""
    return int(np.ceil(3.0 * spread / CELL))


def _blurred(chance: Floats, spread: float, less: int = 0) -> Floats:
    """Return a chance after both limits together were moved by a normal offset.

    Parameters
    ----------
    chance : (cells, cells)
        Beyond its edge it stays what it is there.
    less
        Cells on each side that the result has less.
    """
    weights, diagonals = _offsets(spread, chance.shape[0], less)
    size, cells = weights.shape
    moved = weights @ chance.take(diagonals)
    return np.asarray(moved.ravel()[: size * cells].reshape(size, cells)[:, :size])


@functools.cache
def _offsets(spread: float, cells: int, less: int) -> tuple[Floats, Indices]:
    """Return the shares of normal offsets, each row a cell further, and the cells that they are shares of.

    These are the rows of a square with its neighbourhood, written on in rows of one cell more: so the cells of a diagonal
    stand below each other.
    """
    reach = _reach(spread)
    each = np.exp(-0.5 * (np.arange(-reach, reach + 1) * CELL / spread) ** 2)
    size = cells - 2 * less
    wide = size + 2 * reach
    weights = np.zeros((size, wide))
    for row in range(size):
        weights[row, row : row + each.size] = each / each.sum()
    rows, columns = (
        (at + less - reach).clip(0, cells - 1) for at in np.divmod(np.arange(wide * (wide + 1)), wide)
    )
    return weights, (rows * cells + columns).reshape(wide, wide + 1)


def band_on_grid(shares: Floats, stated: float, grid: Floats = GRID) -> LimitBand:
    """Return the 10, 50 and 90 % points of a limit, from the chance of each cell of an even grid. [wt %]"""
    half = (grid[1] - grid[0]) / 2
    edges = np.append(grid - half, grid[-1] + half)
    below = np.append(0.0, np.cumsum(shares) / shares.sum())
    return LimitBand(*(stated * float(np.exp(np.interp(q, below, edges))) for q in (0.1, 0.5, 0.9)))
