"""Does a record that is a little wrong make a sure answer?  Coverage and words on reels whose truth another model made.

Run: ``python tests/benchmarks/honest_inputs.py [--reels 200] [--material PA6 …] [--scene bag …] [--processes 1]``; a reel
takes about 0.3 s of processor time, with and without its weigh-ins.  ``--check``: how far the other model is from the tool's
own on the same parameters and right records.  ``--noticed``: how far the errors at their bad end move what the scale reads.
``--write`` puts the lines of all materials together into docs/physics.md.

Scenes, materials and errors: ``tests/honest_scenes.py``; the truth: ``tests/honest_truth.py``.  Columns:

- start, end: how often p10 to p90 covers the truth at the job's start and end [%]; band: its width over p50, median
- sure: reels of which at least 80 % of the members share the verdict; of these right: where it is the true one [%]
- score: interval score [1] of the weighed bands over that of the unweighed; above 1, weighing made it worse
- told (errors at their bad end): how often the report itself is less sure than with a right record (verdict open, a share
  below 80 % or 5 points lower, a band a quarter wider), tells a contradiction or that the bag leaks; held or told:
  that, or bands and verdict are true all the same [%]

[1] Gneiting and Raftery, "Strictly Proper Scoring Rules, Prediction, and Estimation" (2007), section 6.2.
"""

import argparse
import os
import re
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import NormalDist

os.environ.setdefault("OMP_NUM_THREADS", "1")
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
import honest_scenes as scenes

from gcodetool.moisture.history import reel_of, state_at
from gcodetool.moisture.inference import LEAST_MEMBERS, weighing_covariance

PAGE = Path(__file__).parents[2] / "docs/physics.md"
MARK = re.compile(r"(<!-- honest_inputs: begin -->\n).*?(<!-- honest_inputs: end -->)", re.DOTALL)
MATERIALS = ("PLA", "PETG", "TPU_95A", "PA6", "PVA")
COVERED, COVERED_BAD_END, SURE, RIGHT, TELLS = (0.72, 0.90), 0.50, 0.80, 0.80, 0.80
WORSE = 1.05  # of the interval score: chance
LEAST_SURE = 10  # claims, fewer say nothing of how often they are right
HEAD = """| material | scene | weighed | start | end | band | sure | of these right | score | told | held or told | |
| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |"""


@dataclass(frozen=True)
class Row:
    """One line of the table: all reels of a material in one scene, weighed or not."""

    start: float
    end: float
    band: float
    sure: int
    right: float
    score: float  # of the weighed over that of the unweighed; within `row`, the sum itself
    told: float | None = None
    held_or_told: float | None = None


def one(task):
    """Return what the tool says of one reel: of its record without weigh-ins, and with them."""
    world, number, gross_g = task
    return [scenes.told(*scenes.record(world, number, each), world, number) for each in (None, gross_g)]


def said_of(world, gross_g, pool):
    """Return what the tool says of every reel, unweighed and weighed."""
    tasks = [(world, number, gross_g) for number in range(len(world.net))]
    done = list(map(one, tasks) if pool is None else pool.map(one, tasks, chunksize=4))
    return [pair[0] for pair in done], [pair[1] for pair in done]


def interval_score(band, true):
    """Return width and penalties of an 80 % interval that missed."""
    low, _, high = band
    return high - low + 10.0 * (max(low - true, 0.0) + max(true - high, 0.0))


def inside(band, true):
    return band[0] <= true <= band[2]


def row(said, truth, right=None):
    """Return one line; *right*: what was said of the same reels with right records."""
    start = [inside(one.start, true) for one, true in zip(said, truth.start, strict=True)]
    end = [inside(one.end, true) for one, true in zip(said, truth.end, strict=True)]
    width = [(band[2] - band[0]) / band[1] for one in said for band in (one.start, one.end)]
    sure = [i for i, one in enumerate(said) if one.code != "unknown" and one.share >= SURE]
    word = [one.code == true for one, true in zip(said, truth.word, strict=True)]
    score = [
        interval_score(one.start, first) + interval_score(one.end, last)
        for one, first, last in zip(said, truth.start, truth.end, strict=True)
    ]
    told = held = None
    if right is not None:
        tells = np.array([less_sure(one, other) for one, other in zip(said, right, strict=True)])
        misses = ~(np.array(start) & np.array(end) & np.array(word))
        told, held = float(tells.mean()), float((tells | ~misses).mean())
    return Row(
        float(np.mean(start)),
        float(np.mean(end)),
        float(np.median(width)),
        len(sure),
        float(np.mean([word[i] for i in sure])) if sure else float("nan"),
        float(np.sum(score)),
        told,
        held,
    )


def less_sure(said, right):
    """Return whether a report warns by itself, against the one that a right record would have given."""
    wider = any(
        (a[2] - a[0]) / a[1] > 1.25 * (b[2] - b[0]) / b[1]
        for a, b in ((said.start, right.start), (said.end, right.end))
    )
    return (
        said.contradiction
        or said.leaks
        or said.code == "unknown"
        or said.share < SURE
        or said.share < right.share - 0.05
        or wider
    )


def failures(row, weighed, bad_end):
    """Return which of the acceptance figures a line misses, in words."""
    out = []
    low, high = (COVERED_BAD_END, 1.0) if bad_end else COVERED
    for name, value in (("start", row.start), ("end", row.end)):
        if value < low:
            out.append(f"{name} too narrow")
        elif value > high:
            out.append(f"{name} too wide")
    if not bad_end and row.sure >= LEAST_SURE and row.right < RIGHT:
        out.append("sure and wrong")
    if weighed and not bad_end and row.score > WORSE:
        out.append("worse weighed")
    if weighed and bad_end and row.held_or_told is not None and row.held_or_told < TELLS:
        out.append("not told")
    return out


def line(name, scene, weighed, row, failed):
    def per_cent(value):
        return "" if value is None or np.isnan(value) else f"{100 * value:.0f}"

    cells = [
        name,
        scene,
        "twice" if weighed else "no",
        per_cent(row.start),
        per_cent(row.end),
        f"{row.band:.2f}",
        str(row.sure),
        per_cent(row.right),
        f"{row.score:.2f}" if weighed else "",
        per_cent(row.told) if weighed else "",
        per_cent(row.held_or_told) if weighed else "",
        ", ".join(failed) or "ok",
    ]
    return f"| {' | '.join(cells)} |"


def cell(name, scene, reels, seed, pool):
    """Return both lines of one material in one scene: unweighed and weighed."""
    errors = scenes.SCENES[scene]
    world = scenes.world(name, errors, reels, seed)
    truth = scenes.truth(world, seed)
    plain, weighed = said_of(world, truth.gross_g, pool)
    right = None
    if scene in scenes.BAD_END:
        right = said_of(world, scenes.truth(scenes.without_errors(world), seed).gross_g, pool)[1]
    first = row(plain, truth)
    after = row(weighed, truth, right)
    return replace(first, score=1.0), replace(after, score=after.score / first.score)


def pooled(rows):
    """Return one line of all materials; each has the same number of reels."""

    def mean(values):
        known = [value for value in values if value is not None and not np.isnan(value)]
        return float(np.mean(known)) if known else None

    sure = sum(one.sure for one in rows)
    right = sum(one.sure * one.right for one in rows if one.sure) / sure if sure else float("nan")
    return Row(
        float(np.mean([one.start for one in rows])),
        float(np.mean([one.end for one in rows])),
        float(np.median([one.band for one in rows])),
        sure,
        right,
        float(np.exp(np.mean(np.log([one.score for one in rows])))),
        mean([one.told for one in rows]),
        mean([one.held_or_told for one in rows]),
    )


def show(name, scene, rows):
    """Print both lines; return them, and how many miss a figure."""
    bad_end = scene in scenes.BAD_END
    failed = [failures(one, i == 1, bad_end) for i, one in enumerate(rows)]
    lines = [line(name, scene, i == 1, rows[i], failed[i]) for i in (0, 1)]
    print("\n".join(lines), flush=True)
    return lines, sum(map(bool, failed))


def check(name, reels):
    """Print how far the two models are apart on the same nominal parameters and right records."""
    world = scenes.world(name, scenes.Errors(), reels, nominal=True)
    truth = scenes.truth(world)
    said = [scenes.told(*scenes.record(world, i), world, i, members=1) for i in range(reels)]
    scale = 100.0 * world.strand.room_content()
    apart = np.array([[one.start[1], one.end[1]] for one in said]) / np.stack(
        [truth.start, truth.end], axis=1
    )
    of_room = (np.array([one.start[1] for one in said]) - truth.start) / scale
    print(
        f"{name:8s} {reels} reels: the tool's content over the truth's, median {np.median(apart):.3f}, "
        f"{apart.min():.3f} to {apart.max():.3f}; at the start within "
        f"{100 * np.abs(of_room).max():.1f} % of the room's content",
        flush=True,
    )


def moved(spool, now_s, more_g):
    """Return how far apart *more_g* more on the scale is, in deviations of what members and scale differ by.

    So few members are weighed but not drawn anew: they are spread over all that the record leaves open.
    """
    state = state_at(spool, now_s, members=LEAST_MEMBERS - 1)
    spread = np.cov([one.water_g for one in state.record]) + weighing_covariance(state.record, reel_of(spool))
    return float(np.sqrt(more_g @ np.linalg.solve(spread, more_g)))


def noticed(name, scene, reels, seed):
    """Print how far an error moves what the scale reads, and how often anybody could notice it by that.

    Beside that error nothing but the material, the reel and the scale is in doubt.  Of two normal densities so far
    apart, the best test that errs once in ten tells the one from the other with this chance, if it knows where to look
    (Neyman and Pearson's lemma).
    """
    world = scenes.world(name, scenes.SCENES[scene], reels, seed)
    wrong, right = (scenes.truth(one, seed).gross_g for one in (world, scenes.without_errors(world)))
    known = replace(world, errors=scenes.Errors())
    far = [moved(*scenes.record(known, i, wrong), wrong[i] - right[i]) for i in range(reels)]
    chance = [NormalDist().cdf(one - NormalDist().inv_cdf(0.9)) for one in far]
    print(f"| {name} | {scene} | {np.median(far):.1f} | {100 * np.mean(chance):.0f} |", flush=True)
    return float(np.mean(chance))


def all_noticed(asked):
    """Print the same of every material and bad end asked for, and together."""
    print("| material | scene | moved, deviations | noticed at best, % |\n| --- | --- | --- | --- |")
    for scene in (one for one in asked.scene if one in scenes.BAD_END):
        each = [noticed(name, scene, asked.reels, asked.seed) for name in asked.material]
        print(f"| together | {scene} | | {100 * np.mean(each):.0f} |", flush=True)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--reels", type=int, default=200)
    parser.add_argument("--material", nargs="+", choices=MATERIALS, default=MATERIALS)
    parser.add_argument("--scene", nargs="+", choices=scenes.SCENES, default=list(scenes.SCENES))
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--check", action="store_true")
    parser.add_argument("--noticed", action="store_true")
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    if asked.check:
        for name in asked.material:
            check(name, asked.reels)
        return
    if asked.noticed:
        all_noticed(asked)
        return
    print(
        f"{asked.reels} reels a line, seed {asked.seed}; chance moves a coverage of 80 % by "
        f"{100 * (0.16 / asked.reels) ** 0.5:.0f} (one deviation)\n\n{HEAD}",
        flush=True,
    )
    missed, of_scene = 0, {scene: [] for scene in asked.scene}
    pool = ProcessPoolExecutor(asked.processes) if asked.processes > 1 else None
    for name in asked.material:
        for scene in asked.scene:
            rows = cell(name, scene, asked.reels, asked.seed, pool)
            of_scene[scene].append(rows)
            missed += show(name, scene, rows)[1]
    together = []
    for scene, cells in of_scene.items():
        together += show("together", scene, [pooled(rows) for rows in zip(*cells, strict=True)])[0]
    if asked.write:
        made = f"{asked.reels} reels each of {', '.join(asked.material)}:\n\n{HEAD}\n" + "\n".join(together)
        PAGE.write_text(
            MARK.sub(lambda found: f"{found[1]}{made}\n{found[2]}", PAGE.read_text("utf-8")), "utf-8"
        )
    print(
        f"\n{missed} of {2 * len(asked.material) * len(asked.scene)} lines miss a figure: covered "
        f"{COVERED[0]:.0%} to {COVERED[1]:.0%} (bad end: {COVERED_BAD_END:.0%} or more), sure and right {RIGHT:.0%}, "
        f"weighed no worse than not, held or told {TELLS:.0%}"
    )


if __name__ == "__main__":
    main()
