"""How often `drying fit` has the dry limit in its band, and `drying status` is right, on simulated runs. By hand.

Run: ``python tests/benchmarks/drying_coverage.py [fit|status] [COUNT] [FIRST SEED] [SCALE]``; left out: both, 200 runs
each from seed 0 on, status on scales that read 0.1 g and 1 g.  The runs of `fit` are of the tool's own model
(``tests/simulated_drying.py``), those of `status` are not (``tests/drying_truth.py``).

In a run of `status` the reel is weighed before it goes in, and then when the tool asks for it, or up to a third later, but
not more often than after a quarter of the hours it was in by then, until the tool says that it is done or cannot be, or to
take it out because nothing more can be gained.  That last answer makes two claims, which are counted by themselves: so many
chances that it is dry, and that less than a twentieth of good is still to be gained (by the mean of the last day simulated:
the room's humidity goes up and down with the hours).

The hours to go count at each weigh-in from the third on, where they are an hour or more in truth: how often the truth lies
in the band that is told, and how often within a factor 1.5 of the middle, where the tool tells that as one figure because
the band is close, and everywhere.  Beside it, how often the best guess of somebody who knows how the runs are drawn is
within 1.5 (``drying_truth.Observer``, 256 of them each): more than that no tool can get out of the same weigh-ins.
"""

import functools
import math
import sys
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from drying_truth import HOUR, START_S, Observer, OtherRun, other_run
from simulated_drying import simulated

from gcodetool.app.drying import status_of
from gcodetool.drying.fit import fit
from gcodetool.drying.status import GAIN_SHARE, DryingStatus
from gcodetool.drying.status_words import is_close
from gcodetool.moisture.history import state_at

LONGEST_H = 71.0  # of the hours that are simulated
SELDOM = 0.25  # of the time in the dryer, between two weigh-ins at least
BLIND_H = 4.0  # until somebody asks again where no scale can tell
SEVERAL = 3  # weigh-ins from which on the hours count, the first one among them
LAST_S = 24 * HOUR
WRONG = 1.1  # times what is good
NEAR = 1.5  # factor of the hours to go


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
    """What many runs came to: at the first "take it out", and of the hours to go that were told before."""

    done: list[float] = field(default_factory=list)  # wettest over good
    late_h: list[float] = field(default_factory=list)
    no_more: list[tuple[float, float, float]] = field(
        default_factory=list
    )  # chance told, wettest over good, what was still to gain
    cannot: list[float] = field(default_factory=list)  # the best that it got to within the hours simulated
    hours: list[tuple[float, bool, bool, str]] = field(
        default_factory=list
    )  # told over true, in its band, band close, material
    best: list[tuple[float, float]] = field(default_factory=list)  # an observer's guess over true, its chance
    likely: list[bool] = field(default_factory=list)  # "likely there": whether it was
    weigh_ins: list[int] = field(default_factory=list)
    never: int = 0

    def line(self) -> str:
        """Return the figures."""
        wrong = sum(map(_is_wrong, self.done))
        mistaken = sum(map(_is_dry, self.cannot))
        near = [_near(ratio) for ratio, *_ in self.hours]
        close = [_near(ratio) for ratio, _, known, _ in self.hours if known]
        held = [inside for _, inside, _, _ in self.hours]
        best = [_near(ratio) for ratio, _ in self.best]
        return (
            f"done: said of {len(self.done)}, wettest more than 10 % above good in {wrong} "
            f"({_per_cent(map(_is_wrong, self.done))}), half of them {np.nanmedian(self.late_h):.1f} h after it was; "
            f"{np.median(self.weigh_ins):.0f} weigh-ins; "
            f"no answer within 72 h: {self.never}; this air cannot: {len(self.cannot)}, of which {mistaken} did get there\n"
            f"{self.no_more_line()}\n"
            f"  hours to go, {len(near)} times told: truth within p10 to p90 in {_per_cent(held)}; the middle within "
            f"a factor 1.5 in {_per_cent(near)}; told as one figure {len(close)} times, and then within 1.5 in "
            f"{_per_cent(close)}; the middle by material: {self.near_by_material()}\n"
            f"  the best guess of who knows how the runs are drawn: within 1.5 in {_per_cent(best)}, by its own reckoning "
            f"in {_per_cent(chance for _, chance in self.best)}\n"
            f"  likely there, not surely: {len(self.likely)} times, there in truth in {_per_cent(self.likely)}"
        )

    def near_by_material(self) -> str:
        """Return how often the middle is near, material by material."""
        materials = sorted({material for *_, material in self.hours})
        near = {one: [_near(ratio) for ratio, *_, of in self.hours if of == one] for one in materials}
        return ", ".join(f"{one} {_per_cent(near[one])} of {len(near[one])}" for one in materials)

    def no_more_line(self) -> str:
        """Return what became of the reels that could come out because nothing more was to be gained."""
        dry, wet = (_per_cent(test(one) for _, one, _ in self.no_more) for test in (_is_dry, _is_wrong))
        gained = _per_cent(gain >= GAIN_SHARE for _, _, gain in self.no_more)
        return (
            f"  nothing more can be gained: said of {len(self.no_more)}, told to be dry by a chance of "
            f"{_per_cent(chance for chance, _, _ in self.no_more)}; dry in truth {dry}, more than 10 % above good {wet}; "
            f"more was to be gained in {gained}"
        )


def _is_dry(ratio: float) -> bool:
    return ratio <= 1.0


def _is_wrong(ratio: float) -> bool:
    return ratio > WRONG


def _near(ratio: float) -> bool:
    return abs(math.log(max(ratio, 1e-9))) <= math.log(NEAR)


def _per_cent(found: Iterable[float]) -> str:
    known = list(found)
    return f"{100 * np.mean(known):.1f} %" if known else "no case"


def statuses(count: int, first: int, resolution_g: float) -> Counted:
    """Follow many runs, weighed now and then, until "done" is said."""
    counted = Counted()
    for seed in range(first, first + count):
        follow(other_run(seed), seed, resolution_g, counted)
    return counted


def follow(run: OtherRun, seed: int, resolution_g: float, counted: Counted) -> None:
    """Weigh one run whenever the tool asks for it, and ask for its status then, until it is to come out."""
    random = np.random.default_rng([seed, 3])
    observer = functools.cache(lambda: Observer(seed, resolution_g))
    true_s, moments, now = run.dry_at_s(), [0.0], 60.0  # asked first when it has just gone in
    while now < LONGEST_H * HOUR:
        held = run.weighed(moments, resolution_g, seed)
        said = status_of(held, state_at(held, START_S + now, members=64))
        if said.word == "done":
            ratio = float(np.interp(now, run.at_s, run.wettest)) / run.good
            counted.done.append(ratio)
            counted.late_h.append((now - true_s) / HOUR if math.isfinite(true_s) else math.nan)
            counted.weigh_ins.append(len(moments))
            return
        if said.word == "cannot":
            counted.cannot.append(float(run.wettest.min()) / run.good)
            return
        if said.take_out:
            ratio = float(np.interp(now, run.at_s, run.wettest)) / run.good
            ahead = float(run.wettest[run.at_s >= run.at_s[-1] - LAST_S].mean()) / run.good
            counted.no_more.append((said.share, ratio, ratio - ahead))
            return
        if len(moments) >= SEVERAL:
            read = [event.gross_g for event in held.events if event.kind == "weighed"]
            if _count(said, true_s, now, counted):
                best_s, chance = observer().guess(moments, read, now, HOUR, NEAR)
                counted.best.append((best_s / (true_s - now), chance))
        wait_s = BLIND_H * HOUR if said.weigh_next is None else said.weigh_next.at_s
        now += max(wait_s, SELDOM * now) * random.uniform(1.0, 1.3)
        moments.append(now)
    counted.never += 1


def _count(said: DryingStatus, true_s: float, now: float, counted: Counted) -> bool:
    """Count what is told of the hours to go; return whether these count."""
    left_s, band = true_s - now, said.to_go_s
    assert band.p10 is not None
    assert band.p90 is not None
    if band.p50 == 0.0:
        counted.likely.append(left_s <= 0.0)
        return False
    if not math.isfinite(true_s) or left_s < HOUR:
        return False
    inside = band.p10 <= left_s <= band.p90
    counted.hours.append((band.p50 / left_s, inside, is_close(band), said.material))
    return True


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
