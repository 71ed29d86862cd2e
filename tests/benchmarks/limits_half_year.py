"""How many verdicts are wrong before and after limits are adopted, on prints that nothing was learned from.

python tests/benchmarks/limits_half_year.py [--workshops 100]

Each workshop prints half a year with a limit of its own: 40 prints of 8 spools are noted, then 60 more are
judged, by the stated and by the learned limits.  A verdict is wrong if the middle of the content lies on another side of
the marginal limit than the print, by its spool's own limit, does.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from limits_truth import drawn_workshop, prints_of

from gcodetool import profiles
from gcodetool.limits.findings import findings


def main(workshops: int) -> None:
    """Print the shares of wrong verdicts."""
    material = profiles.material("PETG")
    stated = (material.limit_good_wt_pct, material.limit_marginal_wt_pct)
    before, after, off = [], [], []
    for seed in range(workshops):
        random = np.random.default_rng(seed)
        shop = drawn_workshop(random, stated)
        noted = [one.noted for one in prints_of(shop, random, spools=8, each=5)]
        found = findings(material, material, noted, (), line=None)
        held_back = prints_of(shop, random, spools=12, each=5, first=8)
        own = found.to_adopt.marginal.p50
        before.append(np.mean([(one.noted.p50 > stated[1]) != (one.of_marginal > 1) for one in held_back]))
        after.append(np.mean([(one.noted.p50 > own) != (one.of_marginal > 1) for one in held_back]))
        off.append(abs(np.log(shop.marginal / stated[1])))
    far = np.array(off) > 0.25
    for name, chosen in (("all workshops", slice(None)), ("those whose limit is over 1.28 x off", far)):
        print(
            f"{name}: wrong by the stated limits {np.mean(np.array(before)[chosen]):.1%}, "
            f"by the learned ones {np.mean(np.array(after)[chosen]):.1%}"
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--workshops", type=int, default=100)
    main(parser.parse_args().workshops)
