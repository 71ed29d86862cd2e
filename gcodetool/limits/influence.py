"""How far each record moved the limits, and which the others contradict.

Each record by itself, its spool's offset taken as unknown: leaving it out divides its chance out of what was
learned.  That is right to first order only, where a spool has several records.  Left out: limits (``learning``).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.limits.evidence import Evidence
from gcodetool.limits.learning import GRID, SPOOL_SD, Learned, band_on_grid
from gcodetool.limits.signs import WORDS, Said, answers, log_chance
from gcodetool.moisture.inspections import CONTRADICTED, UNEXPLAINED

Floats = NDArray[np.float64]

NODES, NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(5)
COARSE: Final = slice(None, None, 2)  # every other cell is enough for differences


@dataclass(frozen=True, eq=False)
class Moved:
    """One record, and what the limits' middle would be without it less what it is. [wt %]"""

    evidence: Evidence
    good: float
    marginal: float


def moves(evidence: Sequence[Evidence], found: Learned) -> list[Moved]:
    """Return how far each record moved the middle of both limits: upwards is positive."""
    shares = found.shares[COARSE, COARSE]
    middle = _middles(shares, found.stated)
    listed = []
    for one in evidence:
        without = shares / np.maximum(_chance(one, found.stated) ** one.power, 1e-12)
        good, marginal = _middles(without / without.sum(), found.stated)
        listed.append(Moved(one, middle[0] - good, middle[1] - marginal))
    return listed


def with_less_power(evidence: Sequence[Evidence], found: Learned) -> list[Evidence]:
    """Return the evidence, with records that the others contradict counting for less.

    A record is contradicted where eyes that guess would be likelier to say it.
    """
    shares = found.shares[COARSE, COARSE]
    return [
        replace(one, power=CONTRADICTED * one.power)
        if float((_chance(one, found.stated) * shares).sum() / shares.sum()) < UNEXPLAINED * _guessed(one)
        else one
        for one in evidence
    ]


def _guessed(one: Evidence) -> float:
    """Return the chance of a record's words from eyes that guess."""
    chance = 1.0
    for question, _ in one.said:
        chance /= len(WORDS[question])
    return chance


def _chance(one: Evidence, stated: tuple[float, float]) -> Floats:
    """Return the chance of one record by where the limits lie, (good, marginal) on the coarse grid."""
    return chance_of_words(one, one.said, stated)


def chance_of_words(one: Evidence, said: Said, stated: tuple[float, float]) -> Floats:
    """Return the same if these words were said of its strand."""
    seems = np.log(np.maximum(one.content, 1e-9)) + one.shift
    mean = float(one.weights @ seems)
    spread = float(np.sqrt(one.weights @ (seems - mean) ** 2 + SPOOL_SD[1] ** 2))
    at = (mean + spread * NODES)[:, np.newaxis] - GRID[np.newaxis, COARSE]
    total = {"good": np.zeros_like(at), "marginal": np.zeros_like(at)}
    for answer in answers(said):
        total[answer.sign.limit] += log_chance(answer, at - np.log(stated[answer.sign.limit == "marginal"]))
    nodes = NODE_WEIGHTS / NODE_WEIGHTS.sum()
    return np.asarray((np.exp(total["good"]) * nodes[:, np.newaxis]).T @ np.exp(total["marginal"]))


def _middles(shares: Floats, stated: tuple[float, float]) -> tuple[float, float]:
    return (
        band_on_grid(shares.sum(axis=1), stated[0], GRID[COARSE]).p50,
        band_on_grid(shares.sum(axis=0), stated[1], GRID[COARSE]).p50,
    )
