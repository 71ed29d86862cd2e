"""Whether the charge that `place size` names keeps the spools, and half of it does not, over a wide grid.

    python tests/benchmarks/size_grid.py [--every 4] [--seed 1]

Materials, days, exchanges, openings and desiccants in every combination; one in *every* of them is drawn.  A charge
is held against a replay of the record, as `tests/test_storage_size.py` does for some.
"""

import argparse
import itertools
import random
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
from test_storage_size import CONFIDENCE, MEMBERS, NOW, dried, least_charge, plan, share_good, state_at

from gcodetool import profiles

GRID = (
    ("PETG", "PLA", "TPU_95A", "ASA", "PC"),
    (15.0, 45.0, 90.0),
    (0.3, 1.0, 3.0),
    ("silica gel", "molecular sieve", "activated alumina"),
    (1.0, 6.0),
)


def main() -> None:
    """Print what does not hold, and how many were looked at."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--every", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    points = list(itertools.product(*GRID))
    chosen = random.Random(options.seed).sample(points, len(points) // options.every)
    none = off = 0
    for material, days, per_day, kind, openings in chosen:
        spool, agent = dried(material, "one"), profiles.desiccant(kind)
        made = plan(days, per_day=per_day, openings=openings)
        grams = least_charge([state_at(spool, NOW, members=MEMBERS)], made, agent).grams
        if grams is None:
            none += 1
            continue
        kept = share_good(spool, [], made, agent if grams else None, grams)
        half = share_good(spool, [], made, agent, grams / 2.0) if grams else 0.0
        if kept < CONFIDENCE or half >= CONFIDENCE:
            off += 1
            print(
                f"{material} {days:g} d {per_day:g}/d {kind} {openings:g}: {grams:g} g, {kept:.2f} {half:.2f}"
            )
    print(f"{len(chosen)} points: {off} off, {none} that no charge keeps")


if __name__ == "__main__":
    main()
