"""Run by hand: what the search for the driest feed adds to a check, as a ratio of processor seconds.

    .venv/bin/python tests/benchmarks/feed_cost.py [--turns 7]

The sample jobs whose verdict is adjust or runs-out, checked with the search and with it left out, in turn, all in one
process and with a warm snapshot.  `docs/storage.md` has the result.
"""

import argparse
import datetime
import statistics
import time

from gcodetool import profiles
from gcodetool.app import tool_findings
from gcodetool.app.check import check

AT = datetime.datetime.fromisoformat("2026-11-25T09:00:00+01:00")
SCENES = [
    ("hose-clips-tpu", "bench-1", "tpu-05"),
    ("drip-manifold-pa", "rig-4", "pa6-07"),
    ("spacer-rings-pla", "bench-3", "pla-11"),
]


def seconds(job: str, printer: str, spool: str) -> float:
    """Return the processor seconds of one check."""
    folder = profiles.sample_folder()
    begin = time.process_time()
    check(folder / f"{job}.gcode", folder / "shelf" / f"{spool}.toml", printer=printer, at=AT)
    return time.process_time() - begin


def main() -> None:
    """Print the ratios."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--turns", type=int, default=7)
    turns = parser.parse_args().turns
    search = tool_findings.driest_feed
    for scene in SCENES:
        seconds(*scene)
        ratios = []
        for _ in range(turns):
            tool_findings.driest_feed = lambda *_: None
            without = seconds(*scene)
            tool_findings.driest_feed = search
            ratios.append(seconds(*scene) / without)
        print(f"{scene[0]:<18} {scene[2]:<8} with the search over without: {statistics.median(ratios):.2f}")


if __name__ == "__main__":
    main()
