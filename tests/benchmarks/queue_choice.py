"""How good the choice of a queue is: random workshops of 20 to 40 jobs, gap to the proven bound, time.

Run by hand: ``python tests/benchmarks/queue_choice.py --worlds 5 --jobs 20 40 --free``.  Each plan is read back by the
tests' checker.  A line for each world, then a table.  With --clock processor the search's time limit counts this process'
own seconds on a processor, so that a busy machine does not cut it short; --first goes on with later worlds, --stop ends
after so many seconds on the clock with what there is.  A plan in which more jobs make it than were proven to be
possible is told: the proof is wrong then.
"""

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from types import SimpleNamespace
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from plan_checker import check
from queue_world import NOW
from queue_worlds import random_world

from gcodetool.queue import choice, optimise
from gcodetool.queue.findings import QueueFindings
from gcodetool.queue.plan import plan


def line(number: int, found: QueueFindings, spools: int, seconds: float, work: float) -> str:
    """Return what came of one world."""
    return (
        f"world {number}: {len(found.rows)} jobs, {spools} spools, {found.made} make it, at most {found.at_most}, "
        f"{len(found.handoffs)} hand-offs, {seconds:.1f} s, {work:.1f} s of the processor; {found.search}"
    )


def table(gaps: list[int | None], works: list[float]) -> str:
    """Return how many worlds have which gap, in jobs."""
    if not gaps:
        return "no world was finished"
    lines = ["jobs more at most   worlds"]
    lines += [
        f"{'no bound' if gap is None else gap:>17}   {count:6}"
        for gap, count in sorted(Counter(gaps).items(), key=lambda item: (item[0] is None, item[0] or 0))
    ]
    works = sorted(works)
    return "\n".join(
        [
            *lines,
            f"seconds of the processor: {works[len(works) // 2]:.1f} in the middle, {works[-1]:.1f} at most",
        ]
    )


def main() -> None:
    """Plan worlds and print what came of them."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--worlds", type=int, default=5)
    words.add_argument("--first", type=int, default=0)
    words.add_argument("--jobs", type=int, nargs=2, default=(20, 40))
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--limit", type=float, default=60.0)
    words.add_argument("--clock", choices=["wall", "processor"], default="wall")
    words.add_argument("--stop", type=float, default=float("inf"))
    words.add_argument("--free", action="store_true", help="the order of the jobs is free")
    asked = words.parse_args()
    if asked.clock == "processor":
        choice.time = SimpleNamespace(monotonic=time.process_time)  # type: ignore[assignment]
    proven: list[int] = []

    def kept(*question: Any) -> int | None:
        found = optimise.bound(*question)
        proven.extend([] if found is None or (asked.free and question[-1] != "free") else [found])
        return found

    vars(choice)["optimise"] = SimpleNamespace(**{**vars(optimise), "bound": kept})
    gaps: list[int | None] = []
    works: list[float] = []
    started = time.monotonic()
    for number in range(asked.first, asked.first + asked.worlds):
        if time.monotonic() - started > asked.stop:
            break
        dice = random.Random(f"{asked.seed} {number}")
        with tempfile.TemporaryDirectory() as folder:
            job_list, shelf = random_world(dice, Path(folder), dice.randint(*asked.jobs), free=asked.free)
            proven.clear()
            begin, work = time.monotonic(), time.process_time()
            found = plan(job_list, shelf, at_s=NOW, members=1, limit_s=asked.limit)
            seconds, work = time.monotonic() - begin, time.process_time() - work
            check(found, job_list, shelf)
        gaps.append(None if found.at_most is None else found.at_most - found.made)
        works.append(work)
        print(line(number, found, len(shelf.spools), seconds, work), flush=True)
        if proven and found.made > min(proven):
            print(f"WRONG: {min(proven)} were proven to be all that can be")
    print(table(gaps, works))


if __name__ == "__main__":
    main()
