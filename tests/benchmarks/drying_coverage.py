"""How often `drying fit` has the dry limit within its own band, on simulated runs. By hand.

Run: ``python tests/benchmarks/drying_coverage.py 200 [first seed]``.
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from simulated_drying import simulated

from gcodetool.drying.fit import fit


def main(count: int, first: int) -> None:
    """Print the coverage."""
    limit = left = tells = both = 0
    for seed in range(first, first + count):
        one = simulated(seed)
        run = fit(one.spool, one.now_s, members=64).run
        assert run is not None
        assert run.dry_limit_g.p10 is not None
        assert run.dry_limit_g.p90 is not None
        inside = run.dry_limit_g.p10 <= one.dry_limit_g <= run.dry_limit_g.p90
        limit += inside
        tells += run.tells
        both += inside and run.tells
        assert run.left_g.p10 is not None
        assert run.left_g.p90 is not None
        left += run.left_g.p10 <= one.left_g <= run.left_g.p90
    print(f"dry limit within p10 to p90: {limit} of {count} runs ({100 * limit / count:.0f} %)")
    print(f"of the {tells} where the scale tells: {both} ({100 * both / max(1, tells):.0f} %)")
    print(f"water left within p10 to p90: {left} of {count}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200, int(sys.argv[2]) if len(sys.argv) > 2 else 0)
