"""How far each record moved the limits, and which the others contradict.

Of one spool, what moves all of its records alike (how wet it really is, where its own limits lie) is known from the
others of them, too, so a record is looked at beside these.  Leaving one out divides its chance out of what was learned.
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
AT_A_TIME: Final = 256  # records: each takes a square of the coarse grid


@dataclass(frozen=True, eq=False)
class Moved:
    """One record, the middle of its content, and how far it moved the middle of both limits: upwards is positive. [wt %]"""

    evidence: Evidence
    wt_pct: float
    good: float
    marginal: float


@dataclass(frozen=True, eq=False)
class Heard:
    """All records of a spool, on the part of the coarse grid where limits may lie.

    Attributes
    ----------
    places : (records,)
        Among all.
    guessed : (records,)
        The chance of their words from eyes that guess.
    good, marginal : (NODES, records, cells)
        ln of the chance of what was said of that limit.
    rows, columns
        Where the cells of the good and of the marginal limit begin and end on the coarse grid.
    """

    places: Indices
    guessed: Floats
    good: Floats
    marginal: Floats
    rows: slice
    columns: slice

    def joint(self, shares: Floats, power: Floats) -> Floats:
        """Return the chance of limits and of what the records share, by all of them, (NODES, good, marginal)."""
        mine = shares[COARSE, COARSE][self.rows, self.columns]
        told = (power @ self.good)[:, :, np.newaxis] + (power @ self.marginal)[:, np.newaxis]
        shared = NODE_WEIGHTS[:, np.newaxis, np.newaxis] * np.exp(told - told.max(axis=0))
        return np.asarray(mine / mine.sum() * shared / shared.sum(axis=0))

    def undone(self, power: Floats, some: Indices) -> tuple[Floats, Floats]:
        """Return what takes records out again, of both limits: 1 over the chance of each to its power."""
        by = -power[some, np.newaxis]
        good, marginal = self.good[:, some], self.marginal[:, some]
        if not by.any():
            return np.ones_like(good), np.ones_like(marginal)
        return np.exp(by * good), np.exp(by * marginal)


def heard(spools: Sequence[SpoolPrints], found: Learned) -> list[Heard]:
    """Return the records of each spool; *found* says roughly where limits may lie."""
    shares, cells = found.shares[COARSE, COARSE], GRID[COARSE]
    kept = [np.flatnonzero(shares.max(axis=axis) > UNLIKELY * shares.max()) for axis in (1, 0)]
    rows, columns = (slice(max(0, each[0] - BESIDE), each[-1] + 1 + BESIDE) for each in kept)
    listed = []
    for one in spools:
        good, marginal = _heard(one, found.stated, (cells[rows], cells[columns]))
        guessed = np.array([_guessed(said) for said in one.said])[one.codes]
        listed.append(Heard(one.places, guessed, np.log(good), np.log(marginal), rows, columns))
    return listed


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
        return self._moved([places])[0] if isinstance(places, int) else self._moved(places)

    def __iter__(self) -> Iterator[Moved]:
        return iter(self[:])

    def _moved(self, places: Sequence[int]) -> list[Moved]:
        """Return the records at these places, all of a spool at a time."""
        looked_at = np.zeros(len(self), dtype=bool)
        looked_at[list(places)] = True
        off = np.zeros((len(self), 2))
        for each in self.spools:
            own = np.flatnonzero(looked_at[each.places])
            if own.size:
                off[each.places[own]] = moves(each, own, self.powers[each.places], self.found)
        seen = [self.evidence[i] for i in places]
        rows = zip(seen, middles(seen), off[list(places)].tolist(), strict=True)
        return [Moved(one, wt_pct, *both) for one, wt_pct, both in rows]


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
    for some in np.split(records, range(AT_A_TIME, records.size, AT_A_TIME)):
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
        records = np.arange(power.size)
        for some in np.split(records, range(AT_A_TIME, power.size, AT_A_TIME)):
            good, marginal = each.undone(power, some)
            without = _expected(good, joint, marginal)
            good, marginal = each.undone(power - 1.0, some)
            likely = _expected(good, joint, marginal) / without
            weighed[each.places[some]] *= likely / (likely + each.guessed[some])
    return weighed


def contradicted(stated: Floats, counted: Floats) -> frozenset[int]:
    """Return which records the others contradict, by the power that they are left with."""
    return frozenset(np.flatnonzero(counted < CONTRADICTED * stated).tolist())


def chances_of_words(one: Evidence, said: Sequence[Said], stated: tuple[float, float]) -> Floats:
    """Return the chance of each of these answers about one strand, (answers, good, marginal) on the coarse grid."""
    asked = as_columns([replace(one, said=each) for each in said], range(len(said)))
    good, marginal = _heard(asked, stated, (GRID[COARSE], GRID[COARSE]))
    return np.asarray((good.T * NODE_WEIGHTS).transpose(1, 0, 2) @ marginal.transpose(1, 0, 2))


def _guessed(said: Said) -> float:
    """Return the chance of words from eyes that guess."""
    chance = 1.0
    for question, _ in said:
        chance /= len(WORDS[question])
    return chance


def _nodes(spool: SpoolPrints) -> Floats:
    """Return ln of how wet strands seem, spread as all records of a spool share it, (NODES, records)."""
    mean = spool.seems @ spool.weights
    spread = np.sqrt((spool.seems - mean[:, np.newaxis]) ** 2 @ spool.weights + SPOOL_SD[1] ** 2)
    return np.asarray(mean + NODES[:, np.newaxis] * spread)


def _heard(
    spool: SpoolPrints, stated: tuple[float, float], cells: tuple[Floats, Floats]
) -> tuple[Floats, Floats]:
    """Return the chance of what was said of the good and of the marginal limit, (NODES, records, cells)."""
    nodes = _nodes(spool)
    good, marginal = (np.ones((*nodes.shape, each.size)) for each in cells)
    for sign, lines in _told(spool.said).items():
        limit = LIMITS.index(sign.limit)
        seen = shown(sign, nodes - np.log(stated[limit]), cells[limit])
        chance = (good, marginal)[limit]
        for start, slope in lines:
            chance *= start[spool.codes, np.newaxis] + slope[spool.codes, np.newaxis] * seen
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
