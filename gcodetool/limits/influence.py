"""How far each record moved the limits, and which the others contradict.

Of one spool, what moves all of its records alike (how wet it really is, where its own limits lie) is known from the
others of them, too, so a record is looked at beside these.  Leaving one out divides its chance out of what was learned.
Left out: limits (``learning``).
"""

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.limits.evidence import Evidence
from gcodetool.limits.learning import GRID, SPOOL_SD, Learned
from gcodetool.limits.signs import LIMITS, WORDS, Answer, Said, answers, log_chance

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
    """One record, and how far it moved the middle of both limits: upwards is positive. [wt %]"""

    evidence: Evidence
    good: float
    marginal: float


@dataclass(frozen=True, eq=False)
class Heard:
    """All records of a spool, on the part of the coarse grid where limits may lie.

    Attributes
    ----------
    places : of the records, among all.
    guessed : (records,)
        The chance of their words from eyes that guess.
    good, marginal : (records, NODES, cells)
        ln of the chance of what was said of that limit.
    rows, columns
        Where the cells of the good and of the marginal limit begin and end on the coarse grid.
    """

    places: list[int]
    guessed: Floats
    good: Floats
    marginal: Floats
    rows: slice
    columns: slice

    def joint(self, shares: Floats, power: Floats) -> Floats:
        """Return the chance of limits and of what the records share, by all of them, (NODES, good, marginal)."""
        mine = shares[COARSE, COARSE][self.rows, self.columns]
        good, marginal = (np.tensordot(power, each, 1) for each in (self.good, self.marginal))
        told = good[:, :, np.newaxis] + marginal[:, np.newaxis]
        shared = NODE_WEIGHTS[:, np.newaxis, np.newaxis] * np.exp(told - told.max(axis=0))
        return np.asarray(mine / mine.sum() * shared / shared.sum(axis=0))


def heard(evidence: Sequence[Evidence], found: Learned) -> list[Heard]:
    """Return the records of each spool; *found* says roughly where limits may lie."""
    spools: dict[str, list[int]] = defaultdict(list)
    for i, one in enumerate(evidence):
        spools[one.spool].append(i)
    shares, cells = found.shares[COARSE, COARSE], GRID[COARSE]
    kept = [np.flatnonzero(shares.max(axis=axis) > UNLIKELY * shares.max()) for axis in (1, 0)]
    rows, columns = (slice(max(0, each[0] - BESIDE), each[-1] + 1 + BESIDE) for each in kept)
    listed = []
    for places in spools.values():
        mine = [evidence[i] for i in places]
        good, marginal = _heard(mine, found.stated, (cells[rows], cells[columns]))
        guessed = np.array([_guessed(one.said) for one in mine])
        listed.append(Heard(places, guessed, good, marginal, rows, columns))
    return listed


def moves(evidence: Sequence[Evidence], spools: Sequence[Heard], found: Learned) -> list[Moved]:
    """Return how far each record moved the middle of both limits; *spools*: the same records, as heard."""
    listed: dict[int, Moved] = {}
    for each in spools:
        power = np.array([evidence[i].power for i in each.places])
        joint = each.joint(found.shares, power)
        middle = _middles(joint.sum(axis=0)[np.newaxis], each, found.stated)[0]
        for first in range(0, len(each.places), AT_A_TIME):
            some = slice(first, first + AT_A_TIME)
            good, marginal = (
                np.exp(-power[some, np.newaxis, np.newaxis] * one[some]).transpose(1, 0, 2)
                for one in (each.good, each.marginal)
            )
            without = sum(
                (a[:, :, np.newaxis] * j) * b[:, np.newaxis]
                for a, j, b in zip(good, joint, marginal, strict=True)
            )
            off = middle - _middles(np.asarray(without), each, found.stated)
            for i, (one_, other) in zip(each.places[some], off.tolist(), strict=True):
                listed[i] = Moved(evidence[i], one_, other)
    return [listed[i] for i in range(len(evidence))]


def with_less_power(
    evidence: Sequence[Evidence], counted: Sequence[Evidence], spools: Sequence[Heard], found: Learned
) -> list[Evidence]:
    """Return the evidence, each record with the chance that it is no slip: against eyes that guess, by all others.

    Parameters
    ----------
    counted
        The same records, with the power that *found* was learned with.
    spools
        The same, as heard.
    """
    weighed = list(evidence)
    for each in spools:
        power = np.array([counted[i].power for i in each.places])
        joint = each.joint(found.shares, power)
        likely = _expected(each, joint, 1.0 - power) / _expected(each, joint, -power)
        for i, right in zip(each.places, (likely / (likely + each.guessed)).tolist(), strict=True):
            weighed[i] = evidence[i].with_power(right * evidence[i].power)
    return weighed


def contradicted(evidence: Sequence[Evidence], counted: Sequence[Evidence]) -> frozenset[int]:
    """Return which records the others contradict, by the power that they are left with."""
    return frozenset(
        i
        for i, (now, before) in enumerate(zip(counted, evidence, strict=True))
        if now.power < CONTRADICTED * before.power
    )


def chance_of_words(one: Evidence, said: Said, stated: tuple[float, float]) -> Floats:
    """Return the chance that these words are said of a strand, by where limits lie, (good, marginal) on the coarse grid."""
    grid = GRID[COARSE]
    good, marginal = (np.exp(each[0]) for each in _heard([replace(one, said=said)], stated, (grid, grid)))
    return np.asarray((good * NODE_WEIGHTS[:, np.newaxis]).T @ marginal)


def _guessed(said: Said) -> float:
    """Return the chance of words from eyes that guess."""
    chance = 1.0
    for question, _ in said:
        chance /= len(WORDS[question])
    return chance


def _heard(
    records: Sequence[Evidence], stated: tuple[float, float], cells: tuple[Floats, Floats]
) -> tuple[Floats, Floats]:
    """Return ln of the chance of what records said of the good and of the marginal limit, (records, NODES, cells)."""
    at = []
    for one in records:
        seems = np.log(np.maximum(one.content, 1e-9)) + one.shift
        mean = one.weights @ seems
        at.append(mean + np.sqrt(one.weights @ (seems - mean) ** 2 + SPOOL_SD[1] ** 2) * NODES)
    nodes = np.array(at)[:, :, np.newaxis]
    alike: dict[Said, list[int]] = defaultdict(list)
    for i, one in enumerate(records):
        alike[one.said].append(i)
    given: dict[Answer, Counter[int]] = defaultdict(Counter)  # several words may speak of one sign
    for said, which in alike.items():
        for answer in answers(said):
            given[answer].update(which)
    total = [np.zeros((len(records), NODES.size, each.size)) for each in cells]
    for answer, times in given.items():
        limit = LIMITS.index(answer.sign.limit)
        which, often = list(times), np.array(list(times.values()))[:, np.newaxis, np.newaxis]
        total[limit][which] += often * log_chance(answer, nodes[which] - np.log(stated[limit]) - cells[limit])
    return total[0], total[1]


def _expected(spool: Heard, joint: Floats, power: Floats) -> Floats:
    """Return the mean of each record's chance to a power of its own, by all records, (records,)."""
    good, marginal = (
        np.exp(power[:, np.newaxis, np.newaxis] * each).transpose(1, 0, 2)
        for each in (spool.good, spool.marginal)
    )
    return np.asarray(((good @ joint) * marginal).sum(axis=(0, 2)))


def _middles(shares: Floats, spool: Heard, stated: tuple[float, float]) -> Floats:
    """Return the middles of both limits, (rows, good and marginal), of (rows, good, marginal) shares. [wt %]"""
    cells = GRID[COARSE]
    return np.column_stack(
        [
            _middle(shares.sum(axis=2), cells[spool.rows], stated[0]),
            _middle(shares.sum(axis=1), cells[spool.columns], stated[1]),
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
