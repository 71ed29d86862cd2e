"""Time reading and planning a whole job, in its own process, against two yardsticks of the same run.

    python tests/benchmarks/make_job.py job.gcode --mb 100
    python tests/benchmarks/plan_speed.py job.gcode [--dialect klipper marlin reprapfirmware] [--repeat 3]

The yardsticks are ``md5sum`` of the same file and a plain Python loop over its lines.  Printed are ratios,
peak memory of the whole process, and moves planned per second; absolute seconds depend on the machine.
"""

import argparse
import resource
import subprocess
import sys
import time

WORK = """
import resource, sys, time
begin = time.perf_counter()
from gcodetool.gcode.program import read
from gcodetool.motion.planner import COMPILED
from gcodetool.motion.timing import build_timeline
found = build_timeline(read(sys.argv[1], dialect=sys.argv[2]))
spent = time.perf_counter() - begin
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(found.moves, spent, peak, COMPILED)
"""
LOOP = """
import sys
count = 0
with open(sys.argv[1], "rb") as file:
    for line in file:
        count += 1
"""


def fastest(command: list[str], repeat: int) -> tuple[float, str]:
    """Return the shortest of *repeat* runs of a whole process, and what it printed."""
    best, printed = float("inf"), ""
    for _ in range(repeat):
        begin = time.perf_counter()
        printed = subprocess.run(command, check=True, capture_output=True, text=True).stdout
        best = min(best, time.perf_counter() - begin)
    return best, printed


def main() -> None:
    """Print one line per dialect."""
    options = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    options.add_argument("job")
    options.add_argument("--dialect", nargs="+", default=["klipper", "marlin", "reprapfirmware"])
    options.add_argument("--repeat", type=int, default=3)
    chosen = options.parse_args()
    digest, _ = fastest(["md5sum", chosen.job], chosen.repeat)
    loop, _ = fastest([sys.executable, "-c", LOOP, chosen.job], chosen.repeat)
    print(f"line loop: {loop / digest:.2f} x md5sum")
    for dialect in chosen.dialect:
        whole, printed = fastest([sys.executable, "-c", WORK, chosen.job, dialect], chosen.repeat)
        moves, spent, peak, compiled = printed.split()
        print(
            f"{dialect}: {whole / digest:.2f} x md5sum, {whole / loop:.2f} x line loop, peak {float(peak):.0f} MB, "
            f"{int(moves):,} moves, {int(moves) / float(spent) / 1e6:.2f} M/s"
            f"{'' if compiled == 'True' else ', interpreted'}"
        )
    print(f"peak of this script itself: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
