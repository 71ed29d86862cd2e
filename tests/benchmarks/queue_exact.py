"""Whether a queue of few jobs is planned as well as can be: random workshops, each against everything tried.

Run by hand: ``python tests/benchmarks/queue_exact.py --worlds 200 --jobs 4 8``.  Each plan is read back by the tests'
checker, then ``tests/plan_oracle.py`` looks for any plan that is better, without bounds or table.  Seconds are
the processor's, with --clock processor those of the search's time limit, too; --give-up is how many forecasts the oracle
may ask for in one world, --stop ends after so many seconds on the clock with what there is.
"""

import argparse
import random
import sys
import tempfile
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from plan_checker import check
from plan_oracle import GaveUpError, better_than
from queue_world import NOW
from queue_worlds import random_world

from gcodetool.queue import choice, plan


def main() -> None:
    """Plan worlds and look for better plans."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--worlds", type=int, default=200)
    words.add_argument("--first", type=int, default=0)
    words.add_argument("--jobs", type=int, nargs=2, default=(4, 8))
    words.add_argument("--limit", type=float, default=60.0)
    words.add_argument("--give-up", type=int, default=20_000)
    words.add_argument("--clock", choices=["wall", "processor"], default="wall")
    words.add_argument("--stop", type=float, default=float("inf"))
    asked = words.parse_args()
    if asked.clock == "processor":
        choice.time = SimpleNamespace(monotonic=time.process_time)  # type: ignore[assignment]
    known: dict[str, Any] = {}

    def kept(memo: Any, start: Any, tasks: Any, **more: Any) -> Any:
        known.update(memo=memo, start=start, tasks=tasks, result=choice.choose(memo, start, tasks, **more))
        return known["result"]

    plan.choose = kept  # type: ignore[attr-defined]
    count = exact = equal = undecided = 0
    started = time.monotonic()
    most_s = 0.0
    for number in range(asked.first, asked.first + asked.worlds):
        if time.monotonic() - started > asked.stop:
            break
        count += 1
        dice = random.Random(f"small {number}")
        with tempfile.TemporaryDirectory() as folder:
            job_list, shelf = random_world(dice, Path(folder), dice.randint(*asked.jobs))
            begin = time.process_time()
            found = plan.plan(job_list, shelf, at_s=NOW, members=1, limit_s=asked.limit)
            took = time.process_time() - begin
            check(found, job_list, shelf)
        result = known["result"]
        exact += result.exact
        most_s = max(most_s, took)
        said = "equal to everything tried"
        try:
            better = better_than(
                known["memo"], known["start"], known["tasks"], result.schedule.cost, forecasts=asked.give_up
            )
            if better is None:
                equal += 1
            else:
                said = f"BETTER: {better.cost} against {result.schedule.cost}"
        except GaveUpError:
            undecided += 1
            said = "no better plan among the oracle's forecasts"
        print(
            f"world {number}: {len(found.rows)} jobs, {found.made} make it, at most {found.at_most}, "
            f"{'exact' if result.exact else 'NOT EXACT'}, {took:.1f} s; {said}",
            flush=True,
        )
    print(
        f"{count} worlds: {exact} with gap 0 by their own words, {equal} equal to everything tried, "
        f"{undecided} undecided, {count - equal - undecided} worse; {most_s:.1f} s at most for a plan"
    )


if __name__ == "__main__":
    main()
