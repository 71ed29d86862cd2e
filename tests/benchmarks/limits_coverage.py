"""Whether learned limits hold what their bands promise, in workshops whose limits are known.

python tests/benchmarks/limits_coverage.py [--workshops 300] [--first 0]

Prints, for each number of outcomes: how often the truth lies within p10 to p90 (80 % is right), how wide the band is
against the one before anything was seen, and how far the median is off.  Then: how far three wrong records of thirty
move the median, and what 20,000 records cost.
"""

import argparse
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from limits_truth import drawn_workshop, prints_of

from gcodetool import profiles
from gcodetool.limits.evidence import Evidence
from gcodetool.limits.findings import findings
from gcodetool.limits.learning import Learned, LimitBand, learned
from gcodetool.limits.signs import WORDS

CASES = ((1, 1), (2, 3), (6, 5), (10, 10))  # spools, prints of each


def main(workshops: int, first: int) -> None:
    """Print the table."""
    material = profiles.material("PETG")
    stated = (material.limit_good_wt_pct, material.limit_marginal_wt_pct)
    before = learned(material, [])
    print("outcomes  covered good/marginal  band over prior's good/marginal  median off, ln")
    for spools, each in CASES:
        hits, ratios, misses = [], [], []
        for seed in range(first, first + workshops):
            random = np.random.default_rng(seed)
            shop = drawn_workshop(random, stated)
            after = fitted(material, [one.noted for one in prints_of(shop, random, spools=spools, each=each)])
            hits.append([_within(after.good, shop.good), _within(after.marginal, shop.marginal)])
            ratios.append(
                [_width(after.good) / _width(before.good), _width(after.marginal) / _width(before.marginal)]
            )
            misses.append(abs(np.log(after.marginal.p50 / shop.marginal)))
        covered, narrower = np.mean(hits, axis=0), np.mean(ratios, axis=0)
        print(
            f"{spools * each:8d}  {covered[0]:.2f} / {covered[1]:.2f}            {narrower[0]:.2f} / {narrower[1]:.2f}"
            f"                      {np.median(misses):.2f}"
        )
    moved = [_moved_by_three(material, stated, seed) for seed in range(first, first + min(workshops, 100))]
    print(f"three wrong of thirty move the median by {np.median(moved):.1%}, at most {np.max(moved):.1%}")

    random = np.random.default_rng(0)
    many = [one.noted for one in prints_of(drawn_workshop(random, stated), random, spools=100, each=200)]
    begin = time.process_time()
    fitted(material, many)
    print(f"{len(many)} records of 100 spools: {time.process_time() - begin:.1f} s of processor time")


def _moved_by_three(material: profiles.Material, stated: tuple[float, float], seed: int) -> float:
    """Return how far three records turned to their opposite move the marginal limit's median. [-]"""
    random = np.random.default_rng(seed)
    shop = drawn_workshop(random, stated)
    prints = [one.noted for one in prints_of(shop, random, spools=6, each=5)]
    right = fitted(material, prints)
    wrong = [*(turned(one) for one in prints[::10]), *(one for i, one in enumerate(prints) if i % 10)]
    return abs(fitted(material, wrong).marginal.p50 / right.marginal.p50 - 1.0)


def fitted(material: profiles.Material, prints: list[Evidence]) -> Learned:
    """Return what prints say, as `limits show` takes them."""
    return findings(material, material, prints, (), line=None).learned


def turned(one: Evidence) -> Evidence:
    """Return a record with every word at the other end of its scale."""
    said = tuple((key, WORDS[key][-1 if WORDS[key].index(word) == 0 else 0]) for key, word in one.said)
    return replace(one, said=said)


def _within(band: LimitBand, truth: float) -> bool:
    return band.p10 <= truth <= band.p90


def _width(band: LimitBand) -> float:
    return float(np.log(band.p90 / band.p10))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--workshops", type=int, default=300)
    parser.add_argument("--first", type=int, default=0)
    asked = parser.parse_args()
    main(asked.workshops, asked.first)
