"""How far each record moved the limits, and which the others contradict.

Of one spool, what moves all of its records alike (how wet it really is, where its own limits lie) is known from the
others of them, too, so a record is looked at beside these.  Leaving one out divides its chance out of what was learned.
What was heard is worked out block by block, and again where it is asked for again: all of it would grow with the records.
Left out: limits (``learning``).
"""

import functools
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, overload

import numpy as np
from numpy.typing import NDArray

from gcodetool.limits.evidence import Evidence, Indices, SpoolPrints, as_columns, middles
from gcodetool.limits.learning import GRID, MOST_SETS, SPOOL_SD, Learned
from gcodetool.limits.signs import LIMITS, WORDS, Said, Sign, answers, shown

Floats = NDArray[np.float64]

NODES: Final[Floats] = np.linspace(-2.4, 2.4, 9)  # of what all records of a spool share, in deviations
NODE_WEIGHTS: Final[Floats] = np.exp(-0.5 * NODES**2) / np.exp(-0.5 * NODES**2).sum()
COARSE: Final = slice(None, None, 2)  # every other cell is enough for differences
UNLIKELY: Final = 1e-12  # of the likeliest cell: no place for a limit,
BESIDE: Final = 3  # but so many cells beyond are looked at, too
CONTRADICTED: Final = 0.4  # records that count less than so much are named
AT_A_TIME: Final = 256  # records: each takes a row of the coarse grid for both limits, at each of NODES
KEPT: Final = 2  # blocks of so many: a spool is asked again before the next one


@dataclass(frozen=True, eq=False)
class Moved:
    """One record, the middle of its content, and how far it moved the middle of both limits: upwards is positive. [wt %]"""

    evidence: Evidence
    wt_pct: float
    good: float
    marginal: float


@dataclass(frozen=True, eq=False)
class SpoolInShort:
    """One spool's records in short.

    Attributes
    ----------
    places : (records,)
        Among all.
    middle, spread : (records,)
        ln of how wet each strand seems, and how far that may be off for all of them together.
    said, codes
        As in `SpoolPrints`.
    """

    places: Indices
    middle: Floats
    spread: Floats
    said: tuple[Said, ...]
    codes: Indices


@dataclass(frozen=True, eq=False)
class Heard:
    """All records of a spool, and the part of the coarse grid where limits may lie.

    Attributes
    ----------
    stated
        The limits before. [wt %]
    rows, columns
        Where the cells of the good and of the marginal limit begin and end on the coarse grid.
    """

    told: SpoolInShort
    stated: tuple[float, float]
    rows: slice
    columns: slice

    @property
    def places(self) -> Indices:
        """Which records they are, among all, (records,)."""
        return self.told.places

    @property
    def guessed(self) -> Floats:
        """The chance of their words from eyes that guess, (records,)."""
        return np.array([_guessed(said) for said in self.told.said])[self.told.codes]

    @property
    def blocks(self) -> list[slice]:
        """The records, so many at a time."""
        return [slice(at, at + AT_A_TIME) for at in range(0, self.places.size, AT_A_TIME)]

    def joint(self, shares: Floats, power: Floats) -> Floats:
        """Return the chance of limits and of what the records share, by all of them, (NODES, good, marginal)."""
        mine = shares[COARSE, COARSE][self.rows, self.columns]
        told = np.zeros((NODES.size, *mine.shape))
        for block in self.blocks:
            good, marginal = _log_heard(self, block.start)
            told += (power[block] @ good)[:, :, np.newaxis] + (power[block] @ marginal)[:, np.newaxis]
        shared = NODE_WEIGHTS[:, np.newaxis, np.newaxis] * np.exp(told - told.max(axis=0))
        return np.asarray(mine / mine.sum() * shared / shared.sum(axis=0))

    def undone(self, power: Floats, some: Indices) -> tuple[Floats, Floats]:
        """Return what takes records of one block out again, of both limits: 1 over the chance of each to its power."""
        by, start = -power[some, np.newaxis], some[0] - some[0] % AT_A_TIME
        good, marginal = (each[:, some - start] for each in _log_heard(self, int(start)))
        if not by.any():
            return np.ones_like(good), np.ones_like(marginal)
        return np.exp(by * good), np.exp(by * marginal)


@functools.lru_cache(KEPT)
def _log_heard(spool: Heard, first: int) -> tuple[Floats, Floats]:
    """Return ln of the chance of what a block of records says of both limits, (NODES, records, cells)."""
    cells = GRID[COARSE][spool.rows], GRID[COARSE][spool.columns]
    good, marginal = _heard(spool.told, slice(first, first + AT_A_TIME), spool.stated, cells)
    return np.log(good, out=good), np.log(marginal, out=marginal)


def in_short(spool: SpoolPrints) -> SpoolInShort:
    """Return of a spool's records what their influence rests on."""
    middle = spool.seems @ spool.weights
    spread = np.sqrt((spool.seems - middle[:, np.newaxis]) ** 2 @ spool.weights + SPOOL_SD[1] ** 2)
    return SpoolInShort(spool.places, middle, spread, spool.said, spool.codes)


def heard(spools: Sequence[SpoolInShort], found: Learned) -> list[Heard]:
    """Return the records of each spool; *found* says roughly where limits may lie."""
    shares = found.shares[COARSE, COARSE]
    kept = [np.flatnonzero(shares.max(axis=axis) > UNLIKELY * shares.max()) for axis in (1, 0)]
    rows, columns = (slice(max(0, each[0] - BESIDE), each[-1] + 1 + BESIDE) for each in kept)
    return [Heard(one, found.stated, rows, columns) for one in spools]


class Records(Sequence[Moved]):
    """Records by time; how far one moved the limits is worked out when it is looked at.

    Parameters
    ----------
    powers : (records,)
        That *found* was learned with.
    spools
        The same records, as heard.
    """

    def __init__(
        self, evidence: Sequence[Evidence], powers: Floats, spools: Sequence[Heard], found: Learned
    ) -> None:
        self.evidence, self.powers, self.spools, self.found = evidence, powers, spools, found

    def __len__(self) -> int:
        return len(self.evidence)

    @overload
    def __getitem__(self, at: int) -> Moved: ...

    @overload
    def __getitem__(self, at: slice) -> list[Moved]: ...

    def __getitem__(self, at: int | slice) -> Moved | list[Moved]:
        places = range(len(self))[at]
        return next(self._moved([places])) if isinstance(places, int) else list(self._moved(places))

    def __iter__(self) -> Iterator[Moved]:
        return self._moved(range(len(self)))

    def _moved(self, places: Sequence[int]) -> Iterator[Moved]:
        """Yield the records at these places; they are worked out all of a spool at a time."""
        off = self._off(places)
        for first in range(0, len(places), AT_A_TIME):
            some = places[first : first + AT_A_TIME]
            seen = [self.evidence[i] for i in some]
            for one, wt_pct, both in zip(seen, middles(seen), off[list(some)].tolist(), strict=True):
                yield Moved(one, wt_pct, *both)

    def _off(self, places: Sequence[int]) -> Floats:
        """Return how far the records at these places moved both limits, (all records, good and marginal). [wt %]"""
        looked_at = np.zeros(len(self), dtype=bool)
        looked_at[list(places)] = True
        off = np.zeros((len(self), 2))
        for each in self.spools:
            own = np.flatnonzero(looked_at[each.places])
            if own.size:
                off[each.places[own]] = moves(each, own, self.powers[each.places], self.found)
        return off


def moves(spool: Heard, records: Indices, power: Floats, found: Learned) -> Floats:
    """Return how far some records of a spool moved the middle of both limits, (some, good and marginal). [wt %]

    Parameters
    ----------
    power : (records,)
        That *found* was learned with.
    """
    joint = spool.joint(found.shares, power)
    whole = joint.sum(axis=0)
    middle = _middles((whole.sum(axis=1)[np.newaxis], whole.sum(axis=0)[np.newaxis]), spool, found.stated)
    listed = []
    for some in _in_blocks(records):
        good, marginal = spool.undone(power, some)
        without = (
            (good * (marginal @ joint.transpose(0, 2, 1))).sum(axis=0),
            (marginal * (good @ joint)).sum(axis=0),
        )
        listed.append(middle - _middles(without, spool, found.stated))
    return np.concatenate(listed)


def with_less_power(stated: Floats, counted: Floats, spools: Sequence[Heard], found: Learned) -> Floats:
    """Return the power of each record with the chance that it is no slip: against eyes that guess, by all others.

    Parameters
    ----------
    stated : (records,)
        The power that each has by itself.
    counted : (records,)
        The power that *found* was learned with.
    spools
        The records, as heard.
    """
    weighed = stated.copy()
    for each in spools:
        power = counted[each.places]
        joint = each.joint(found.shares, power)
        guessed = each.guessed
        for some in _in_blocks(np.arange(power.size)):
            good, marginal = each.undone(power, some)
            without = _expected(good, joint, marginal)
            good, marginal = each.undone(power - 1.0, some)
            likely = _expected(good, joint, marginal) / without
            weighed[each.places[some]] *= likely / (likely + guessed[some])
    return weighed


def _in_blocks(records: Indices) -> list[Indices]:
    """Return some of a spool's records, ascending, those of a block together."""
    blocks = records // AT_A_TIME
    return np.split(records, np.flatnonzero(np.diff(blocks)) + 1)


def contradicted(stated: Floats, counted: Floats) -> frozenset[int]:
    """Return which records the others contradict, by the power that they are left with."""
    return frozenset(np.flatnonzero(counted < CONTRADICTED * stated).tolist())


def chances_of_words(one: Evidence, said: Sequence[Said], stated: tuple[float, float]) -> Floats:
    """Return the chance of each of these answers about one strand, (answers, good, marginal) on the coarse grid."""
    asked = as_columns([replace(one, said=each) for each in said], range(len(said)))
    good, marginal = _heard(in_short(asked), slice(None), stated, (GRID[COARSE], GRID[COARSE]))
    return np.asarray((good.T * NODE_WEIGHTS).transpose(1, 0, 2) @ marginal.transpose(1, 0, 2))


def _guessed(said: Said) -> float:
    """Return the chance of words from eyes that guess."""
    chance = 1.0
    for question, _ in said:
        chance /= len(WORDS[question])
    return chance


def _heard(
    spool: SpoolInShort, some: slice, stated: tuple[float, float], cells: tuple[Floats, Floats]
) -> tuple[Floats, Floats]:
    """Return the chance of what some records say of the good and of the marginal limit, (NODES, some, cells)."""
    nodes = spool.middle[some] + NODES[:, np.newaxis] * spool.spread[some]
    codes = spool.codes[some]
    good, marginal = (np.ones((*nodes.shape, each.size)) for each in cells)
    for sign, lines in _told(spool.said).items():
        limit = LIMITS.index(sign.limit)
        seen = shown(sign, nodes - np.log(stated[limit]), cells[limit])
        chance = (good, marginal)[limit]
        for start, slope in lines:
            told = slope[codes, np.newaxis] * seen
            told += start[codes, np.newaxis]
            chance *= told
    return good, marginal


@functools.lru_cache(MOST_SETS)
def _told(said: tuple[Said, ...]) -> dict[Sign, list[Floats]]:
    """Return what each set of words says of each sign: lines of the chance of an answer over the share that shows it.

    Several words may speak of one sign: it has as many lines, (start and slope, sets of words).  Who said less has a chance
    of 1 in the others.
    """
    found: dict[Sign, list[Floats]] = defaultdict(list)
    for i, words in enumerate(said):
        times: Counter[Sign] = Counter()
        for answer in answers(words):
            lines = found[answer.sign]
            if times[answer.sign] == len(lines):
                lines.append(np.array([[1.0], [0.0]]) * np.ones(len(said)))
            lines[times[answer.sign]][:, i] = answer.line
            times[answer.sign] += 1
    return found


def _expected(good: Floats, joint: Floats, marginal: Floats) -> Floats:
    """Return the mean of what each record has of both limits, by all records, (records,)."""
    return np.asarray(((good @ joint) * marginal).sum(axis=(0, 2)))


def _middles(shares: tuple[Floats, Floats], spool: Heard, stated: tuple[float, float]) -> Floats:
    """Return the middles of both limits, (rows, good and marginal), of (rows, cells) shares of each. [wt %]"""
    cells = GRID[COARSE]
    return np.column_stack(
        [
            _middle(shares[0], cells[spool.rows], stated[0]),
            _middle(shares[1], cells[spool.columns], stated[1]),
        ]
    )


def _middle(shares: Floats, cells: Floats, stated: float) -> Floats:
    """Return where half of each row of *shares* lies below, evenly within a cell. [wt %]"""
    width = GRID[COARSE][1] - GRID[COARSE][0]
    below = np.cumsum(shares, axis=1) / shares.sum(axis=1, keepdims=True)
    cell = np.argmax(below >= 0.5, axis=1)
    rows = np.arange(shares.shape[0])
    last = np.where(cell > 0, below[rows, cell - 1], 0.0)
    within = (0.5 - last) / (below[rows, cell] - last)
    return np.asarray(stated * np.exp(cells[cell] - width / 2 + within * width))
