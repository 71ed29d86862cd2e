"""How good the choice of a queue is: random workshops of 20 to 40 jobs, gap to the proven bound, time.

Run by hand: ``python tests/benchmarks/queue_choice.py --worlds 5 --jobs 20 40``.  Each plan is read back by the tests'
checker.  A line for each world, then the sum.
"""

import argparse
import random
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from plan_checker import check
from queue_world import NOW
from queue_worlds import random_world

from gcodetool.app.queue import executor_of
from gcodetool.queue.plan import plan


def main() -> None:
    """Plan worlds and print what came of them."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--worlds", type=int, default=5)
    words.add_argument("--jobs", type=int, nargs=2, default=(20, 40))
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--limit", type=float, default=60.0)
    words.add_argument("--free", action="store_true")
    asked = words.parse_args()
    gaps = []
    for number in range(asked.worlds):
        dice = random.Random(f"{asked.seed} {number}")
        with tempfile.TemporaryDirectory() as folder:
            job_list, shelf = random_world(dice, Path(folder), dice.randint(*asked.jobs), free=asked.free)
            begin, work = time.monotonic(), time.process_time()
            with executor_of(None, 1) as workers:
                found = plan(job_list, shelf, at_s=NOW, members=1, limit_s=asked.limit, executor=workers)
            seconds, work = time.monotonic() - begin, time.process_time() - work
            check(found, job_list, shelf)
        gap = None if found.at_most is None else (found.at_most - found.made) / max(found.at_most, 1)
        gaps.append(gap)
        print(
            f"world {number}: {len(found.rows)} jobs, {len(shelf.spools)} spools, {found.made} make it, at most "
            f"{found.at_most}, gap {'-' if gap is None else f'{100 * gap:.1f} %'}, {len(found.handoffs)} hand-offs, "
            f"{seconds:.1f} s, {work:.1f} s of work; {found.search}",
            flush=True,
        )
    known = [gap for gap in gaps if gap is not None]
    print(f"{len(known)} of {len(gaps)} with a bound; gap at most 2 % in {sum(gap <= 0.02 for gap in known)}")


if __name__ == "__main__":
    main()
