"""Where members should be: a surrogate of the simulation, and samples of the posterior that it gives.

`fit_surrogate` fits what members simulated so far predict, so that a place in the unit cube is judged in
microseconds, without a simulation; `sample_posterior` moves candidates from an even spread to where their
likelihood is high (sequential Monte Carlo with tempering), and returns them with the density they then have.
Left out: what the judgement is (``learning``).
"""

from collections.abc import Callable
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:  # numpy's random numbers cost a tenth of a start, and most starts draw none
    from numpy.random import Generator

Floats = NDArray[np.float64]
Judge = Callable[[Floats], Floats]

PARTICLES: Final = 512
KEEP: Final = 0.5  # effective share of the candidates that each stage keeps
STAGES: Final = 40  # at most
MOVES: Final = 5  # tries of each walker in a stage
RIDGE: Final = 1e-3
RANGE: Final = 1.0  # of the unit cube's coordinates: over what the remainder of the quadratic is alike
NUGGET: Final = 1e-3  # of its variance: the numerical roughness of a simulation


def fit_surrogate(
    at: Floats, values: Floats, near: Floats, *, together: int | None = None
) -> Callable[[Floats], Floats]:
    """Return a function of places (rows, coordinates) that gives what a simulation there would predict.

    A quadratic, fitted closest where *near* is large, and on top of it a Gaussian process for what the
    quadratic leaves, so that it is right at the places that were simulated.

    Parameters
    ----------
    at, values
        Places simulated and what they predict, (rows, coordinates) and (rows, predictions).
    near : (rows,)
        Weights of the rows in the fit.
    together
        How many of the first coordinates have products in the quadratic; the others only their squares, or there
        were more products than places simulated.
    """
    features = _features(at, together)
    ridge = np.full(features.shape[1], RIDGE * float(near.max()))
    ridge[0] = 0.0
    fitted, *_ = np.linalg.lstsq(
        np.vstack([near[:, np.newaxis] * features, np.diag(ridge)]),
        np.vstack([near[:, np.newaxis] * values, np.zeros((ridge.shape[0], values.shape[1]))]),
        rcond=None,
    )
    rest = values - features @ fitted
    alike = _alike(at, at) + NUGGET * np.eye(at.shape[0])
    pull = np.linalg.solve(alike, rest)

    def predict(places: Floats) -> Floats:
        return np.asarray(_features(places, together) @ fitted + _alike(places, at) @ pull)

    return predict


def sample_posterior(judge: Judge, dimensions: int, random: "Generator") -> tuple[Floats, Floats]:
    """Return places spread as exp(judge), (PARTICLES, dimensions), and their judgements; inside the unit cube.

    The candidates start evenly spread.  Each stage raises the power of the likelihood as far as KEEP of them stay
    effective, resamples them by it, and moves each one (Metropolis, steps of the candidates' own spread), so that
    none stays a copy of another.
    """
    at = random.random((PARTICLES, dimensions))
    told = judge(at)
    power, step = 0.0, 2.4 / np.sqrt(dimensions)
    for _ in range(STAGES):
        power, weights = next_temperature(told, power)
        taken = np.searchsorted(np.cumsum(weights), (np.arange(PARTICLES) + random.random()) / PARTICLES)
        taken = np.minimum(taken, PARTICLES - 1)
        at, told = at[taken], told[taken]
        lower = np.linalg.cholesky(np.cov(at.T) + 1e-9 * np.eye(dimensions))
        for _ in range(MOVES):
            tried = _reflected(at + step * random.standard_normal(at.shape) @ lower.T)
            then = judge(tried)
            accepted = np.log(random.random(PARTICLES)) < power * (then - told)
            at = np.where(accepted[:, np.newaxis], tried, at)
            told = np.where(accepted, then, told)
            step *= float(np.exp(0.5 * (accepted.mean() - 0.25)))
        if power >= 1.0:
            break
    return at, power * told


def next_temperature(told: Floats, power: float) -> tuple[float, Floats]:
    """Return the next power of the judgement, at most 1, and the weights that lead there."""

    def weights(to: float) -> Floats:
        shifted = np.exp((to - power) * (told - told.max()))
        return np.asarray(shifted / shifted.sum())

    wanted = KEEP * told.shape[0]
    low, high = power, 1.0
    if 1.0 / np.sum(weights(1.0) ** 2) >= wanted:
        return 1.0, weights(1.0)
    for _ in range(30):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if 1.0 / np.sum(weights(middle) ** 2) >= wanted else (low, middle)
    return low, weights(low)


def _reflected(at: Floats) -> Floats:
    """Return places folded back into the unit cube at its walls."""
    folded = np.abs(np.mod(at, 2.0))
    return np.where(folded > 1.0, 2.0 - folded, folded)


def _features(at: Floats, together: int | None) -> Floats:
    """Return a quadratic in the coordinates, (rows, features)."""
    x = 2.0 * at - 1.0
    count = x.shape[1]
    crossed = count if together is None else min(together, count)
    products = [x[:, i] * x[:, j] for i in range(crossed) for j in range(i, crossed)]
    products += [x[:, i] ** 2 for i in range(crossed, count)]
    return np.column_stack([np.ones(x.shape[0]), x, *products])


def _alike(one: Floats, other: Floats) -> Floats:
    """Return how alike the remainder is at two sets of places, (rows, rows), 1 where they are the same."""
    apart = np.sum(one**2, axis=1)[:, np.newaxis] + np.sum(other**2, axis=1) - 2.0 * one @ other.T
    return np.asarray(np.exp(-0.5 * np.maximum(apart, 0.0) / RANGE**2))
