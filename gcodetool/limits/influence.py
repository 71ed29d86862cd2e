"""How far each record moved the limits, and which the others contradict.

Each record by itself, its spool's offset taken as unknown: leaving it out divides its chance out of what was
learned.  That is right to first order only, where a spool has several records.  Left out: limits (``learning``).
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.limits.evidence import Evidence
from gcodetool.limits.learning import GRID, SPOOL_SD, Learned
from gcodetool.limits.signs import WORDS, Said, answers, log_chance

Floats = NDArray[np.float64]

NODES, NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(5)
COARSE: Final = slice(None, None, 2)  # every other cell is enough for differences
# A record that guessing eyes would be clearly likelier to note is most probably a slip, and counts next to nothing.
UNEXPECTED: Final = 0.6
LITTLE: Final = 0.1
AT_A_TIME: Final = 256  # records: each takes a square of the coarse grid


@dataclass(frozen=True, eq=False)
class Moved:
    """One record, and how far it moved the middle of both limits: upwards is positive. [wt %]"""

    evidence: Evidence
    good: float
    marginal: float


def moves(evidence: Sequence[Evidence], found: Learned) -> list[Moved]:
    """Return how far each record moved the middle of both limits."""
    shares = found.shares[COARSE, COARSE]
    middle = _middles(shares[np.newaxis], found.stated)[0]
    listed: dict[int, Moved] = {}
    for places, chance in _chances(evidence, found.stated):
        power = np.array([evidence[i].power for i in places])[:, np.newaxis, np.newaxis]
        without = _middles(shares / np.maximum(chance**power, 1e-12), found.stated)
        for i, (good, marginal) in zip(places, (middle - without).tolist(), strict=True):
            listed[i] = Moved(evidence[i], good, marginal)
    return [listed[i] for i in range(len(evidence))]


def with_less_power(evidence: Sequence[Evidence], found: Learned) -> list[Evidence]:
    """Return the evidence, with records that the others contradict counting for less.

    A record is contradicted where eyes that guess would be likelier to say it.
    """
    shares = found.shares[COARSE, COARSE] / found.shares[COARSE, COARSE].sum()
    counted = list(evidence)
    for places, chances in _chances(evidence, found.stated):
        for i, chance in zip(places, np.einsum("rgh,gh->r", chances, shares).tolist(), strict=True):
            if chance < UNEXPECTED * _guessed(evidence[i].said):
                counted[i] = replace(evidence[i], power=LITTLE * evidence[i].power)
    return counted


def chance_of_words(one: Evidence, said: Said, stated: tuple[float, float]) -> Floats:
    """Return the chance that these words are said of a strand, by where limits lie, (good, marginal) on the coarse grid."""
    return np.asarray(_chance([one], said, stated)[0])


def _guessed(said: Said) -> float:
    """Return the chance of words from eyes that guess."""
    chance = 1.0
    for question, _ in said:
        chance /= len(WORDS[question])
    return chance


def _chances(evidence: Sequence[Evidence], stated: tuple[float, float]) -> Iterator[tuple[list[int], Floats]]:
    """Yield the chance of records, some at a time: their places, and (records, good, marginal)."""
    alike: dict[Said, list[int]] = defaultdict(list)
    for i, one in enumerate(evidence):
        alike[one.said].append(i)
    for said, places in alike.items():
        for first in range(0, len(places), AT_A_TIME):
            some = places[first : first + AT_A_TIME]
            yield some, _chance([evidence[i] for i in some], said, stated)


def _chance(records: Sequence[Evidence], said: Said, stated: tuple[float, float]) -> Floats:
    """Return the chance that these words are said of each record's strand, (records, good, marginal) on the coarse grid."""
    means, spreads = [], []
    for one in records:
        seems = np.log(np.maximum(one.content, 1e-9)) + one.shift
        means.append(one.weights @ seems)
        spreads.append(np.sqrt(one.weights @ (seems - means[-1]) ** 2 + SPOOL_SD[1] ** 2))
    nodes = np.array(means)[:, np.newaxis] + np.outer(spreads, NODES)
    at = nodes[:, :, np.newaxis] - GRID[np.newaxis, np.newaxis, COARSE]
    total = {"good": np.zeros_like(at), "marginal": np.zeros_like(at)}
    for answer in answers(said):
        limit = answer.sign.limit
        total[limit] += log_chance(answer, at - np.log(stated[limit == "marginal"]))
    good = np.exp(total["good"]) * (NODE_WEIGHTS / NODE_WEIGHTS.sum())[np.newaxis, :, np.newaxis]
    return np.asarray(np.matmul(good.transpose(0, 2, 1), np.exp(total["marginal"])))


def _middles(shares: Floats, stated: tuple[float, float]) -> Floats:
    """Return the middles of both limits, (rows, good and marginal), of (rows, good, marginal) shares. [wt %]"""
    return np.column_stack([_middle(shares.sum(axis=2), stated[0]), _middle(shares.sum(axis=1), stated[1])])


def _middle(shares: Floats, stated: float) -> Floats:
    """Return where half of each row of *shares* lies below, evenly within a cell. [wt %]"""
    grid = GRID[COARSE]
    width = grid[1] - grid[0]
    below = np.cumsum(shares, axis=1) / shares.sum(axis=1, keepdims=True)
    cell = np.argmax(below >= 0.5, axis=1)
    rows = np.arange(shares.shape[0])
    last = np.where(cell > 0, below[rows, cell - 1], 0.0)
    within = (0.5 - last) / (below[rows, cell] - last)
    return np.asarray(stated * np.exp(grid[cell] - width / 2 + within * width))
