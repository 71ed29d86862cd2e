"""``check`` of binary G-code against ``check`` of the same text: whole processes, in turn.

    python tests/benchmarks/binary_speed.py [--mb 100] [--runs 5] [--ways 0.0 1.0 3.2 ...]

A way is compression.encoding, by the numbers of the format; without, all that differ in cost.  Ratios are the
median over pairs, of seconds and of processor seconds; the goal is 1.5.  ``heatshrink2`` packs the input; that takes
minutes for 100 MB, and is not timed.
"""

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

import binary_twin as twin  # noqa: E402
from run import GCODETOOL, Bench  # noqa: E402

WAYS = ("0.0", "1.0", "3.0", "0.2", "1.2", "2.2", "3.2")
GOAL = 1.5


def main() -> None:
    """Make the inputs and print a line for each way."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--mb", type=float, default=100)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--ways", nargs="+", default=WAYS)
    parser.add_argument("--make", nargs=2, type=Path, metavar=("TEXT", "OUT"), help="write OUT and stop")
    given = parser.parse_args()
    if given.make:
        compression, encoding = map(int, given.ways[0].split("."))
        given.make[1].write_bytes(twin.written(given.make[0].read_bytes(), compression, encoding)[0])
        return
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder), given.runs)
        job = bench.job(given.mb)
        for way in given.ways:
            packed = Path(folder, "job.bgcode")
            maker = [sys.executable, __file__, "--make", str(job), str(packed), "--ways", way]
            subprocess.run(maker, check=True)  # a process of its own: peaks below are not this one's
            row = bench.compare(
                f"check, binary, {way}, {packed.stat().st_size / 1e6:.0f} MB",
                [*GCODETOOL, "check", str(packed)],
                "check, text",
                [[*GCODETOOL, "check", str(job)]],
                GOAL,
            )
            print(row, flush=True)


if __name__ == "__main__":
    main()
