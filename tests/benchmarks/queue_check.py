"""Whether every plan can be carried out: random workshops of every kind, each plan read back by the tests' checker.

Run by hand: ``python tests/benchmarks/queue_check.py --worlds 1000``.  The checker (``tests/plan_checker.py``) knows nothing
of the search: no machine twice, one temperature at a time, presence, lengths left, every forecast again with one reel alone.
Text, JSON and page of each plan are made as well; a third of the worlds is taken up again later.  What is broken is printed
with the number of its world; ``--first N --worlds 1 --keep FOLDER`` leaves the files of one.
"""

import argparse
import os
import random
import shutil
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from queue_varied import carried_out

from gcodetool.queue import choice


def main() -> None:
    """Plan worlds and print what is broken."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--worlds", type=int, default=1000)
    words.add_argument("--first", type=int, default=0)
    words.add_argument("--limit", type=float, default=20.0)
    words.add_argument("--jobs", type=int, default=12, help="of a world at most")
    words.add_argument(
        "--quick", action="store_true", help="without the table of forecasts: no bound, no solver"
    )
    words.add_argument("--stop", type=float, default=float("inf"), help="seconds on the clock")
    words.add_argument("--keep", type=Path, help="a new folder for the files of the last world")
    asked = words.parse_args()
    os.environ["GCODETOOL_CACHE"] = ""
    if asked.quick:
        choice.MOST_OPTIMISED = 0  # type: ignore[misc]
    met: Counter[str] = Counter()
    broken: list[int] = []
    started, work, number = time.monotonic(), time.process_time(), asked.first
    while number < asked.first + asked.worlds and time.monotonic() - started < asked.stop:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            try:
                found = carried_out(
                    random.Random(f"varied {number}"), folder, limit_s=asked.limit, most_jobs=asked.jobs
                )
            except Exception:
                broken.append(number)
                print(f"world {number} is BROKEN\n{traceback.format_exc()}", flush=True)
            else:
                for each in found:
                    met.update(plans=1, jobs=len(each.rows), dryings=len(each.dryings), unmet=each.unmet)
                    met.update(waits=len(each.waits))
                    met.update(
                        handoffs=len(each.handoffs), begun=each.begun_s is not None, free=each.free_order
                    )
                    met.update(boxes=sum(tool.box is not None for row in each.rows for tool in row.tools))
                    met.update(row.verdict for row in each.rows)
            if asked.keep is not None:
                shutil.copytree(folder, asked.keep, dirs_exist_ok=True)
        number += 1
    print(
        f"{number - asked.first} worlds from {asked.first} on, {len(broken)} broken: {broken}; "
        f"{time.process_time() - work:.0f} s of the processor"
    )
    print(", ".join(f"{count} {what}" for what, count in met.items()))


if __name__ == "__main__":
    main()
