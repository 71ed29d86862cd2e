"""How large a review is and what it costs beside a check: run by hand.

    python tests/benchmarks/review_size.py [--mb 10 100] [--runs 3]

Whole processes, in turn; the median of the runs.  Goal: at most twice the check's time and 2 s more, 300 MB.
"""

import argparse
import os
import pathlib
import statistics
import subprocess
import sys
import tempfile
import time

ROOT = pathlib.Path(__file__).parent.parent.parent
SAMPLES = ROOT / "sample_gcode"
AT = ["--at", "2026-11-25T09:00:00+01:00"]
CODE = "from gcodetool.cli.main import run; run()"


def timed(words: list[str]) -> tuple[float, float, float]:
    """Return seconds on the clock, seconds of processors and the most memory [MB] of one call."""
    began = time.monotonic()
    process = subprocess.Popen(
        [sys.executable, "-c", CODE, *words],
        stdout=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    _, _, used = os.wait4(process.pid, 0)
    wall = time.monotonic() - began
    return wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--mb", type=float, nargs="*", default=[10.0, 100.0])
    parser.add_argument("--runs", type=int, default=3)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        jobs = [
            (SAMPLES / "hose-clips-tpu.gcode", "tpu-05"),
            (SAMPLES / "drip-manifold-pa.gcode", "pa6-07"),
            (SAMPLES / "hose-clips-petg.gcode", "petg-03"),
        ]
        for size in options.mb:
            made = pathlib.Path(folder) / f"emitters-{size:g}.gcode"
            maker = ROOT / "tests" / "benchmarks" / "make_job.py"
            subprocess.run(
                [sys.executable, str(maker), str(made), "--mb", str(size)],
                check=True,
                stdout=subprocess.DEVNULL,
            )
            jobs.append((made, "petg-03"))
        page = pathlib.Path(folder) / "review.html"
        print(
            "| job | page, kB | check, s | review, s | goal, s | check, CPU s | review, CPU s | review, MB |"
        )
        print("| --- | --- | --- | --- | --- | --- | --- | --- |")
        for job, spool in jobs:
            words = [str(job), "--spool", str(SAMPLES / "shelf" / f"{spool}.toml"), *AT]
            runs = [
                (timed(["check", *words]), timed(["review", *words, "-o", str(page)]))
                for _ in range(options.runs)
            ]
            check, review = (
                [statistics.median(run[place][part] for run in runs) for part in range(3)]
                for place in range(2)
            )
            print(
                f"| {job.name} | {page.stat().st_size / 1000:.0f} | {check[0]:.1f} | {review[0]:.1f} "
                f"| {2 * check[0] + 2:.1f} | {check[1]:.1f} | {review[1]:.1f} | {review[2]:.0f} |"
            )


if __name__ == "__main__":
    main()
