"""Whether "what to print next" tells sooner where a limit lies than any spool of the shelf would.

python tests/benchmarks/limits_next.py [--workshops 16]

Each workshop (`tests/limits_truth.py`) has eight spools at hand before every print, half of them dry, the others from damp
to wet.  Counted are the prints until the marginal limit's band is as narrow as asked: with the spool that would tell
most, and with any spool.
"""

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from limits_truth import MEMBERS, Workshop, drawn_workshop, seen

from gcodetool import profiles
from gcodetool.limits.evidence import Evidence
from gcodetool.limits.learning import Learned, learned
from gcodetool.limits.next_try import tries

GOALS = (0.6, 0.5)  # of the band's width before anything was seen, in ln
MOST = 60
AT_HAND = 8


def main(workshops: int) -> None:
    """Print how many prints it takes."""
    material = profiles.material("PETG")
    stated = (material.limit_good_wt_pct, material.limit_marginal_wt_pct)
    before = _width(learned(material, []))
    for goal in GOALS:
        counts = np.array(
            [
                [_prints_until(goal * before, material, stated, seed, best=best) for best in (True, False)]
                for seed in range(workshops)
            ]
        )
        chosen, any_spool = counts.mean(axis=0)
        print(
            f"band {goal:g} of the first: {chosen:.1f} prints of the spool that tells most, {any_spool:.1f} of any spool; "
            f"ratio {chosen / any_spool:.2f}, of the medians {np.median(counts[:, 0]) / np.median(counts[:, 1]):.2f}"
        )


def _prints_until(
    width: float, material: profiles.Material, stated: tuple[float, float], seed: int, *, best: bool
) -> int:
    random = np.random.default_rng(seed)
    shop = drawn_workshop(random, stated)
    noted: list[Evidence] = []
    while len(noted) < MOST:
        found = learned(material, noted)
        if _width(found) <= width:
            break
        shelf = {f"{len(noted)}-{i}": _spool(shop, random, f"{len(noted)}-{i}") for i in range(AT_HAND)}
        names = list(shelf)
        name = (
            tries([one for _, _, one in shelf.values()], found)[0].spool
            if best
            else str(random.choice(names))
        )
        content, own, one = shelf[name]
        said: tuple[tuple[str, str], ...] = ()
        while not said:
            said = seen(shop, random, content, own)
        noted.append(replace(one, said=said))
    return len(noted)


def _spool(shop: Workshop, random: np.random.Generator, name: str) -> tuple[float, float, Evidence]:
    """Return a spool's true content [wt %], how far its own limits lie off, and what is known of it."""
    low, high = (0.08, 0.4) if random.random() < 0.5 else (0.4, 2.5)
    content = shop.marginal * float(np.exp(random.uniform(np.log(low), np.log(high))))
    doubt = random.uniform(0.1, 0.3)
    known = content * np.exp(doubt * (random.standard_normal() + random.standard_normal(MEMBERS)))
    one = Evidence(name, None, 0.0, (), known, np.full(MEMBERS, 1.0 / MEMBERS))
    return content, float(random.normal(0.0, shop.spread)), one


def _width(found: Learned) -> float:
    return float(np.log(found.marginal.p90 / found.marginal.p10))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--workshops", type=int, default=16)
    main(parser.parse_args().workshops)
