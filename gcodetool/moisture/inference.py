"""What weigh-ins and inspections say about the members: weights, and better members where those collapse.

A weigh-in is a mass on a scale: body, strand and the strand's water.  What is not known of the first
two (weighing_covariance: the body's mass, the net mass, the length fed) is integrated out of a normal
likelihood, so that what stays is what *differences* between weigh-ins tell, and the absolute mass
only as far as the body is known.  What eyes say: ``inspections``.  Members that fit weigh more; where
only few are left, others are drawn where the record says they should be.  Equations: ``docs/physics.md``,
section 6.
Left out: drift of a scale, plasticisers and other volatiles that leave with the water.
"""

import math
import zlib
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture.inspections import log_chance
from gcodetool.moisture.observations import BODY_UNKNOWN_G, Record, ReelMass, Weighed
from gcodetool.moisture.polymer import DIMENSIONS
from gcodetool.moisture.smc import fit_surrogate, sample_posterior
from gcodetool.quickdata import dataclass

Floats = NDArray[np.float64]

# Nuisances, standard deviations (own estimates).
BODY_STATED_SHARE: Final = 0.005  # of a stated body mass, at least a gram
NET_MASS_SHARE: Final = 0.0058  # of the net mass: within 1 % of the label, evenly
FED_SHARE: Final = 0.02  # of the mass fed: diameter, density and counted length
READING_SHARE: Final = 0.4  # of the scale's resolution
MODEL_SHARE: Final = (
    0.02  # of the water that came or went since the first weigh-in: what the model makes too much
)
MODEL_NOISE_SHARE: Final = 0.01  # of the same, afresh at every weigh-in: a model is wrong smoothly over time
CARDBOARD_SHARE: Final = 0.015  # of a cardboard body's mass, afresh at every weigh-in: its own water
UNNOTED_SHARE: Final = 1.0  # of a use that nobody noted, or this at least:
UNNOTED_LEAST_G: Final = 2.0
# A slip: one weigh-in off by anything, by a misread scale or another reel on it (own estimates): how often, how far.
SLIP: Final = 0.02
SLIP_G: Final = 50.0
DOUBTED: Final = 0.5  # chance of a slip from which on it is told
CONTRADICTS: Final = (
    "the record contradicts itself or the model: no member comes near what the scale read, so the weigh-ins "
    "count for less"
)

SELDOM: Final = 3.09  # deviations, one side: once in a thousand
ENOUGH: Final = 0.5  # effective_sample_size share of the members
ROUNDS: Final = 5  # of drawing anew
HOPELESS: Final = (
    4.0  # a misfit_ratio (see `misfit_ratio`) that two rounds left so large is none of the members'
)
WIDER: Final = 0.8  # power of the judgement that new members are drawn by
LEAST_MEMBERS: Final = 16  # fewer are weighed, but not drawn anew


def predictions(record: Record) -> Floats:
    """Return what each member predicts of each record, (members, records): grams, or ln of a ratio."""
    columns = [
        one.water_g if isinstance(one, Weighed) else np.log(np.maximum(one.ratio, 1e-6)) for one in record
    ]
    return np.stack(columns, axis=1)


def log_likelihood(record: Record, reel: ReelMass, predicted: Floats) -> Floats:
    """Return ln of how well each row of *predicted* fits the record, (rows,), up to a constant."""
    total = log_chance(record, predicted)
    scales = [i for i, one in enumerate(record) if isinstance(one, Weighed)]
    if scales:
        total += np.logaddexp.reduce(_with_slips(record, reel, predicted, scales), axis=1)
    return total


def _with_slips(record: Record, reel: ReelMass, predicted: Floats, scales: list[int]) -> Floats:
    """Return ln of how well the weigh-ins fit: as they are, and each in turn as a slip; (rows, 1 + weigh-ins).

    A normal likelihood contaminated by one slip at most, so that an outlier never decides; a slip adds SLIP_G² to
    one diagonal element of the covariance (Sherman and Morrison's formula).
    """
    gap, precision = _gaps(record, reel, predicted, scales)
    pulled = gap @ precision
    plain = -0.5 * np.sum(gap * pulled, axis=1)
    wider = 1.0 + SLIP_G**2 * np.diag(precision)
    slipped = plain[:, np.newaxis] + 0.5 * SLIP_G**2 * pulled**2 / wider - 0.5 * np.log(wider)
    odds = math.log(SLIP / (1.0 - SLIP))
    return np.column_stack([plain, slipped + odds])


def _gaps(record: Record, reel: ReelMass, predicted: Floats, scales: list[int]) -> tuple[Floats, Floats]:
    """Return what the scale read beyond each row's prediction [g], and the inverse of their covariance."""
    weighed = [one for one in record if isinstance(one, Weighed)]
    known = np.array([(one.reel or reel).likely_body_g + one.dry_g for one in weighed])
    gap = np.array([one.gross_g for one in weighed]) - known - predicted[:, scales]
    return gap, np.asarray(np.linalg.inv(weighing_covariance(weighed, reel)), dtype=np.float64)


def contradiction(record: Record, reel: ReelMass, known: Floats, weights: Floats) -> str | None:
    """Return which weigh-in the others and the model contradict, in words; None: none that stands out.

    Parameters
    ----------
    known
        Predictions of all members simulated so far, (rows, records).
    weights
        Of the record's own members.
    """
    scales = [i for i, one in enumerate(record) if isinstance(one, Weighed)]
    if not scales or misfit_ratio(record, reel, known, slips=False) <= 1.0:
        return None
    fits = _with_slips(record, reel, predictions(record), scales)
    chance = weights @ np.exp(fits - np.logaddexp.reduce(fits, axis=1)[:, np.newaxis])
    if 1.0 - chance[0] < DOUBTED:
        return None
    worst = int(np.argmax(chance[1:]))
    if chance[1 + worst] < DOUBTED:
        return contradicts(reel)
    one = record[scales[worst]]
    assert isinstance(one, Weighed)
    which = f"the weigh-in of {one.gross_g:g} g contradicts the others or the model"
    return f"{which}, so it counts for little; {_look_for(reel)}"


def contradicts(reel: ReelMass) -> str:
    """Return that all weigh-ins together contradict the record or the model, and what may be behind it."""
    return f"{CONTRADICTS}; {_look_for(reel)}"


def _look_for(reel: ReelMass) -> str:
    causes = "look for a use that was not noted, another reel, or a misread scale"
    if reel.stated:
        return causes
    return f"{causes}; or state what the reel is made of: one of cardboard takes up and gives off several grams of its own"


def weighing_covariance(weighed: Sequence[Weighed], reel: ReelMass) -> Floats:
    """Return the covariance of weigh-ins for one member, (weigh-ins, weigh-ins) [g²]."""
    count = len(weighed)
    reels = [one.reel or reel for one in weighed]
    same = np.array([[one == other for other in reels] for one in reels], dtype=float)
    mass = np.array([_mass_variance(one) for one in reels])
    covariance = same * mass  # rows of one reel have one variance
    fed = np.array([one.fed_g for one in weighed])
    covariance += FED_SHARE**2 * same * np.outer(fed, fed)
    firsts = [weighed[reels.index(one)] for one in reels]
    moved = np.array(
        [float(np.mean(one.water_g - first.water_g)) for one, first in zip(weighed, firsts, strict=True)]
    )
    covariance += MODEL_SHARE**2 * np.outer(moved, moved) + MODEL_NOISE_SHARE**2 * np.diag(moved**2)
    covariance += np.diag([(READING_SHARE * one.resolution_g) ** 2 for one in weighed])
    card = np.array([one.likely_body_g if one.cardboard else 0.0 for one in reels])
    covariance += np.diag((CARDBOARD_SHARE * card) ** 2)
    for i, one in enumerate(weighed):
        if one.unnoted_g is not None:
            after = (np.arange(count) >= i) * same[i]
            covariance += max(UNNOTED_LEAST_G, UNNOTED_SHARE * one.unnoted_g) ** 2 * np.outer(after, after)
    return np.asarray(covariance)


def _mass_variance(reel: ReelMass) -> float:
    """Return the variance of a reel's mass without its water: body and filament. [g²]"""
    if reel.body_g is None:
        body = BODY_UNKNOWN_G[1]
    else:
        body = max(1.0, BODY_STATED_SHARE * reel.body_g)
    return float(body**2 + (NET_MASS_SHARE * reel.net_g) ** 2)


def misfit_ratio(record: Record, reel: ReelMass, predicted: Floats, *, slips: bool = True) -> float:
    """Return how far the best of *predicted* (rows, records) misses the weigh-ins, over what chance explains.

    With *slips*, after the weigh-in that fits least was left out.

    The smallest sum of squared misses, in deviations, over its 0.999 quantile if the model holds (Wilson and
    Hilferty's approximation of chi-square's); above 1 the record contradicts itself or the model.  0: no weigh-ins.
    """
    scales = [i for i, one in enumerate(record) if isinstance(one, Weighed)]
    if not scales:
        return 0.0
    fits = _with_slips(record, reel, predicted, scales)
    smallest = -2.0 * float(fits[:, 0].max())
    if slips:  # what a slip costs by itself is no misfit
        free = math.log(SLIP / (1.0 - SLIP)) - 0.5 * np.log(
            1.0 + SLIP_G**2 * np.diag(_gaps(record, reel, predicted[:1], scales)[1])
        )
        smallest = min(smallest, -2.0 * float((fits[:, 1:] - free).max()))
    share = 2.0 / (9.0 * len(scales))
    return smallest / (len(scales) * (1.0 - share + SELDOM * math.sqrt(share)) ** 3)


def weights_of(log_weight: Floats) -> Floats:
    """Return weights that sum to 1.

    >>> weights_of(np.log([1.0, 3.0])).round(3).tolist()
    [0.25, 0.75]
    """
    shifted = np.exp(log_weight - log_weight.max())
    return np.asarray(shifted / shifted.sum())


def effective_sample_size(weights: Floats) -> float:
    """Return how many members of equal weight these are worth.

    >>> effective_sample_size(np.array([0.5, 0.5, 0.0]))
    2.0
    """
    return float(1.0 / np.sum(weights**2))


def tempered_weights(log_weight: Floats, share: float) -> tuple[Floats, float]:
    """Return weights of at least that effective_sample_size share of the members, and the power that it took (1: none)."""
    wanted = share * log_weight.shape[0]
    if effective_sample_size(weights_of(log_weight)) >= wanted:
        return weights_of(log_weight), 1.0
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (
            (middle, high)
            if effective_sample_size(weights_of(middle * log_weight)) >= wanted
            else (low, middle)
        )
    return weights_of(low * log_weight), low


@dataclass(frozen=True)
class Drawn:
    """New members, and ln of the density that they were drawn with, up to a constant."""

    at: Floats
    log_density: Floats


class Pool:
    """Members simulated so far, and how well each round of them fits the record.

    The first round is spread over what is open, the others are drawn where the record says they should be; `chosen`
    takes as many as there were first from all of them together (adaptive importance sampling: each round's weights
    are its own, and a round counts by its effective sample size).

    Attributes
    ----------
    at, predicted
        Coordinates and predictions of all of them, (rows, coordinates) and (rows, records).
    fits
        Of each round: ln of its members' weights, up to a constant.
    power
        Of the weights that `chosen` took (1: as they are).
    """

    def __init__(self, record: Record, reel: ReelMass, at: Floats, seed: str) -> None:
        self.record, self.reel, self.seed = record, reel, seed
        self.members = at.shape[0]
        self.at, self.predicted = at, predictions(record)
        self.fits = [log_likelihood(record, reel, self.predicted)]
        self.power = 1.0

    @property
    def rounds(self) -> int:
        """How often members were drawn anew."""
        return len(self.fits) - 1

    @property
    def worth(self) -> float:
        """How many members of equal weight all of them are worth together."""
        return sum(effective_sample_size(weights_of(fits)) for fits in self.fits)

    def misfit_ratio(self) -> float:
        """Return how far the best of all misses the weigh-ins, see `misfit_ratio`."""
        return misfit_ratio(self.record, self.reel, self.predicted)

    def wants_more(self) -> bool:
        """Whether another round is worth its simulation."""
        if self.members < LEAST_MEMBERS or self.rounds >= ROUNDS:
            return False
        if self.rounds >= 2 and self.misfit_ratio() >= HOPELESS:
            return False
        return bool(self.worth < (1.0 if self.rounds else ENOUGH) * self.members)

    def drawn(self) -> "Drawn":
        """Return as many members as the first ones, where the record says they should be.

        A surrogate of the simulation is fitted to what the members tried so far predict, closest where they fit the
        record; candidates are sampled where the record, judged by it, is likely; members are taken from these.
        """
        record, reel = self.record, self.reel
        fits = log_likelihood(record, reel, self.predicted)
        near = np.sqrt(tempered_weights(fits, 0.5)[0] + 1e-4 / fits.shape[0])
        predict = fit_surrogate(self.at, self.predicted, near, together=DIMENSIONS)
        random = np.random.default_rng(zlib.crc32(self.seed.encode()) + self.at.shape[0])
        # A little wider than the judgement: what the surrogate rules out by mistake would never come back.
        crowd, log_density = sample_posterior(
            lambda places: WIDER * log_likelihood(record, reel, predict(places)), self.at.shape[1], random
        )
        # Evenly along what the last record leaves open, so that few members tell as much as many.
        order = np.argsort(predict(crowd)[:, -1], kind="stable")
        step = crowd.shape[0] / self.members
        chosen = order[((np.arange(self.members) + random.random()) * step).astype(int)]
        return Drawn(crowd[chosen], log_density[chosen])

    def add(self, drawn: "Drawn", record: Record) -> None:
        """Add a round that was simulated: *record* is what its members say."""
        predicted = predictions(record)
        self.fits.append(log_likelihood(self.record, self.reel, predicted) - drawn.log_density)
        self.at = np.vstack([self.at, drawn.at])
        self.predicted = np.vstack([self.predicted, predicted])

    def chosen(self) -> Floats:
        """Return the coordinates of members of equal weight, (members, coordinates), by systematic resampling."""
        sizes = [effective_sample_size(weights_of(fits)) for fits in self.fits]
        total = np.concatenate(
            [
                np.log(size) + np.log(np.maximum(weights_of(fits), 1e-300))
                for size, fits in zip(sizes, self.fits, strict=True)
            ]
        )
        weights, self.power = tempered_weights(total, LEAST_MEMBERS / 2.0 / total.shape[0])
        order = np.argsort(self.predicted[:, -1], kind="stable")
        at = (np.arange(self.members) + 0.5) / self.members
        taken = np.minimum(np.searchsorted(np.cumsum(weights[order]), at), total.shape[0] - 1)
        return np.asarray(self.at[order[taken]])


def uninformative_notes(record: Record, reel: ReelMass) -> list[str]:
    """Return a note where scale or body are too coarse for what the strand can gain or lose."""
    weighed = [one for one in record if isinstance(one, Weighed) and one.reel in (None, reel)]
    if not weighed:
        return []
    if reel.cardboard:
        mass = reel.likely_body_g
        noise, why = (
            2.0 * CARDBOARD_SHARE * mass,
            f"its cardboard body's own water varies by {mass * 0.03:.0f} g",
        )
    else:
        coarsest = max(one.resolution_g for one in weighed)
        noise, why = coarsest, f"the scale reads to {coarsest:g} g"
    if len(weighed) == 1:
        spread, noise = (
            float(np.ptp(weighed[0].water_g)),
            float(np.sqrt(weighing_covariance(weighed, reel)[0, 0])),
        )
        if spread < 2.0 * noise:
            return [
                "one weigh-in alone tells little: body and net mass are not known better than "
                f"{noise:.0f} g; weigh again before and after drying"
            ]
        return []
    change = np.ptp(np.stack([one.water_g for one in weighed]), axis=0)
    differ = float(np.quantile(change, 0.9) - np.quantile(change, 0.1)) if change.size > 1 else 0.0
    if change.size > 1 and differ < 2.0 * noise:
        return [
            f"weighing can't tell here: between the weigh-ins the strand gained or lost "
            f"{np.median(change):.1f} g give or take {differ / 2:.1f} g, and {why}"
        ]
    return []
