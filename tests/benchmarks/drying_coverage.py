"""How often `drying fit` has the dry limit in its band, and `drying status` is right, on simulated runs. By hand.

Run: ``python tests/benchmarks/drying_coverage.py [fit|status] [COUNT] [FIRST SEED] [SCALE]``; left out: both, 200 runs
each from seed 0 on, status on scales that read 0.1 g and 1 g.  The runs of `fit` are of the tool's own model
(``tests/simulated_drying.py``), those of `status` are not (``tests/drying_truth.py``).
"""

import math
import sys
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from drying_truth import HOUR, START_S, OtherRun, other_run
from simulated_drying import simulated

from gcodetool.app.drying import status_of
from gcodetool.drying.fit import fit
from gcodetool.moisture.history import state_at

CHECKS_H = (1.0, 2.0, 4.0, 7.0, 11.0, 16.0, 23.0, 32.0, 44.0, 60.0, 71.0)
WRONG = 1.1  # times what is good


def fits(count: int, first: int) -> None:
    """Print the coverage of the dry limit."""
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


@dataclass
class Counted:
    """What many runs came to: at the first "done", and of the hours to go that were told before."""

    done: list[float] = field(default_factory=list)  # wettest over good
    late_h: list[float] = field(default_factory=list)
    cannot: list[float] = field(default_factory=list)  # the best that it got to within the hours simulated
    hours: list[tuple[float, float]] = field(default_factory=list)  # told over true; and by how far it was in
    covered: list[bool] = field(default_factory=list)
    never: int = 0

    def line(self) -> str:
        """Return the figures."""
        wrong = sum(one > WRONG for one in self.done)
        told = np.array([one for one, _ in self.hours])
        near = np.mean((told < 1.5) & (told > 1 / 1.5))
        double = np.mean((told < 2.0) & (told > 0.5))
        total = np.array([one for _, one in self.hours])
        whole = np.mean((total < 1.5) & (total > 1 / 1.5))
        mistaken = sum(one <= 1.0 for one in self.cannot)
        return (
            f"done: said of {len(self.done)}, wettest more than 10 % above good in {wrong} "
            f"({100 * wrong / max(1, len(self.done)):.1f} %), half of them {np.median(self.late_h):.1f} h after it was; "
            f"never said within 72 h: {self.never}; this air cannot: {len(self.cannot)}, of which {mistaken} did get there\n"
            f"  hours to go, {len(told)} times told: within a factor 1.5 in {100 * near:.0f} %, 2 in {100 * double:.0f} %; "
            f"truth within p10 to p90 in {100 * np.mean(self.covered):.0f} %; "
            f"hours from the start within 1.5 in {100 * whole:.0f} %"
        )


def statuses(count: int, first: int, resolution_g: float) -> Counted:
    """Follow many runs, weighed now and then, until "done" is said."""
    counted = Counted()
    for seed in range(first, first + count):
        follow(other_run(seed), seed, resolution_g, counted)
    return counted


def follow(run: OtherRun, seed: int, resolution_g: float, counted: Counted) -> None:
    """Ask for the status after each weigh-in of one run."""
    random = np.random.default_rng([seed, 3])
    checks = np.array(CHECKS_H) * HOUR * random.uniform(0.8, 1.0, len(CHECKS_H))
    true_s = run.dry_at_s()
    for number, now in enumerate(checks, 1):
        held = run.weighed([0.0, *checks[:number]], resolution_g, seed)
        said = status_of(held, state_at(held, START_S + float(now), members=64))
        ratio = float(np.interp(now, run.at_s, run.wettest)) / run.good
        if said.word == "done":
            counted.done.append(ratio)
            counted.late_h.append((now - true_s) / HOUR if math.isfinite(true_s) else math.nan)
            return
        if said.word == "cannot":
            counted.cannot.append(float(run.wettest.min()) / run.good)
            return
        left_s = true_s - now
        if math.isfinite(true_s) and left_s >= HOUR:
            told, low, high = said.to_go_s.p50, said.to_go_s.p10 or 0.0, said.to_go_s.p90 or math.inf
            counted.hours.append((told / left_s, (told + now) / true_s))
            counted.covered.append(low <= left_s <= high)
    counted.never += 1


def main(words: list[str]) -> None:
    """Print all that is asked for."""
    which = words.pop(0) if words and words[0] in ("fit", "status") else None
    count, first = (int(words[i]) if len(words) > i else fallback for i, fallback in ((0, 200), (1, 0)))
    if which != "status":
        fits(count, first)
    for scale in (float(words[2]),) if len(words) > 2 else (0.1, 1.0):
        if which != "fit":
            print(
                f"{count} runs on a scale that reads {scale:g} g: {statuses(count, first, scale).line()}",
                flush=True,
            )


if __name__ == "__main__":
    main(sys.argv[1:])
