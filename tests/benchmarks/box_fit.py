"""Run by hand: how often a box's true tightness lies in the band of `place fit`, and how many openings it finds.

    .venv/bin/python tests/benchmarks/box_fit.py [--logs 200] [--seed 1] [--days D]

The logs come from `tests/storage_truth.py`, a second model of boxes and hygrometers.  `docs/storage.md` has the result.
"""

import argparse
import pathlib
import sys

import numpy as np

sys.path.insert(0, str(pathlib.Path(__file__).parent.parent))
from storage_truth import scored, simulate  # beside this folder


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--logs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--days", type=float, help="of every log; left out: one to ten")
    asked = parser.parse_args()
    rows = [scored(each) for each in simulate(asked.logs, asked.seed, asked.days)]
    print(f"{len(rows)} logs, seed {asked.seed}")
    kinds = {
        "all": lambda row: True,
        "desiccant": lambda row: row.dried and not row.reel,
        "desiccant and a reel": lambda row: row.dried and row.reel,
        "neither": lambda row: not row.dried and not row.reel,
        "a reel alone": lambda row: not row.dried and row.reel,
        "shorter than two days": lambda row: row.days < 2.0,
    }
    print(f"{'boxes with':<24}{'logs':>5}{'in its band':>13}{'band, p90/p10':>15}{'held in band':>14}")
    for name, of in kinds.items():
        some = [row for row in rows if of(row)]
        if some:
            inside = np.mean([row.inside for row in some])
            wide = np.median([row.p90 / row.p10 for row in some])
            held = [row.held_inside for row in some if row.held_inside is not None]
            shown = f"{100 * np.mean(held):.0f} %" if held else "-"
            print(f"{name:<24}{len(some):>5}{100 * inside:>11.0f} %{wide:>15.1f}{shown:>14}")
    found, true = sum(row.found for row in rows), sum(row.true for row in rows)
    false, days = sum(row.false for row in rows), sum(row.days for row in rows)
    print(
        f"openings found: {found} of {true}, {100 * found / max(1, true):.0f} %; without one: {false} in {days:.0f} days"
    )


if __name__ == "__main__":
    main()
