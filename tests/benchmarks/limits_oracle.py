"""How narrow bands of limits could be at all: against somebody who knows how this workshop's eyes see.

python tests/benchmarks/limits_oracle.py [--workshops 24]

The same thirty prints (`tests/limits_truth.py`) are read twice: by the model, and by one who knows how gradual the eyes
are, how often they slip, how far spools differ and how far contents are off, and has to find the two limits only, from
the model's prior.  No method can tell more of them.  The first set is drawn as in `limits_coverage.py`; the second one
lies around both limits, from many reels, with every question answered.
"""

import argparse
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.special import ndtr

sys.path.insert(0, str(Path(__file__).parents[1]))

from limits_coverage import fitted
from limits_truth import ORDERED, Print, Workshop, drawn_workshop, prints_of

from gcodetool import profiles
from gcodetool.limits.evidence import Evidence
from gcodetool.limits.learning import GRID, Learned, LimitBand, learned, log_prior

Floats = NDArray[np.float64]
SETS = (
    ("as drawn, 6 reels", 6, 5, False),
    ("around both limits, 15 reels", 15, 2, True),
    ("around both limits, 30 reels", 30, 1, True),
)
OFFSETS: Floats = np.linspace(
    -1.2, 1.2, 33
)  # of a reel's limits and its contents together, in ln of a factor


def main(workshops: int) -> None:
    """Print bands over the prior's, good and marginal."""
    material = profiles.material("PETG")
    stated = (material.limit_good_wt_pct, material.limit_marginal_wt_pct)
    before = learned(material, [])
    for name, spools, each, around in SETS:
        ratios = []
        for seed in range(workshops):
            random = np.random.default_rng(seed)
            shop = drawn_workshop(random, stated)
            prints = prints_of(shop, random, spools=spools, each=each, around_limits=around)
            known = Learned(stated, by_known_eyes(shop, prints, stated))
            ours = fitted(material, [one.noted for one in prints])
            ratios.append([over(found, before) for found in (ours, known)])
        (good, marginal), (best_good, best_marginal) = np.mean(ratios, axis=0)
        print(
            f"{name}: band over prior's, good {good:.2f} (at best {best_good:.2f}), "
            f"marginal {marginal:.2f} (at best {best_marginal:.2f})"
        )


def over(found: Learned, before: Learned) -> tuple[float, float]:
    """Return both bands' widths over those of the prior."""
    return width(found.good) / width(before.good), width(found.marginal) / width(before.marginal)


def width(band: LimitBand) -> float:
    """Return a band's width. [ln of a factor]"""
    return float(np.log(band.p90 / band.p10))


def by_known_eyes(shop: Workshop, prints: list[Print], stated: tuple[float, float]) -> Floats:
    """Return the chance of each pair of limits by who knows all of a workshop but its limits, (good, marginal)."""
    by_spool: dict[str, list[Evidence]] = defaultdict(list)
    for one in prints:
        by_spool[one.noted.spool].append(one.noted)
    good, marginal = np.log(stated[0]) + GRID[:, np.newaxis], np.log(stated[1]) + GRID[np.newaxis, :]
    total = log_prior()
    for records in by_spool.values():
        logs = np.log([one.content for one in records])
        chance = np.zeros((OFFSETS.size, GRID.size, GRID.size))
        for one, content in zip(records, logs.mean(axis=1), strict=True):
            at = (content - OFFSETS)[:, np.newaxis, np.newaxis]
            for question, word in one.said:
                low = good if question == "strings" else marginal
                high = np.maximum(low, marginal + np.log(1.1 if question == "strings" else shop.second))
                steps = [1.0, ndtr((at - low) / shop.width), ndtr((at - high) / shop.width), 0.0]
                level = ORDERED[question].index(word)
                seen = steps[level] - steps[level + 1]
                chance += np.log(shop.mistaken / 3.0 + (1.0 - shop.mistaken) * seen + 1e-300)
        peak = chance.max()
        weights = offset_weights(shop, float(np.std(logs[0], ddof=1)))
        total = total + np.log(np.einsum("o,ogm->gm", weights, np.exp(chance - peak)) + 1e-300) + peak
    shares = np.exp(total - total.max())
    return np.asarray(shares / shares.sum())


def offset_weights(shop: Workshop, doubt: float) -> Floats:
    """Return how likely each of OFFSETS is: a spool's own limits, and how far its contents are off."""
    fine = np.linspace(-4.0, 4.0, 801)
    own = stats.t.pdf(fine / shop.spread, 5)
    error = stats.norm.pdf(
        fine / (doubt * np.sqrt(1.03 + 1.0 / 16.0))
    )  # its size is drawn, its mean read off 16 members
    weights = np.interp(OFFSETS, fine, np.convolve(own, error, "same"))
    return np.asarray(weights / weights.sum())


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--workshops", type=int, default=24)
    main(parser.parse_args().workshops)
