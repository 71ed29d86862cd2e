"""Fuzz for a stated time: each job is saved before it is examined, and kept where a law does not hold.

    python tests/fuzz_long.py --minutes 10 [--seed 1] [--keep FOLDER]

The exit code is 1 where anything was found.  A job that takes over two minutes ends the run with the
place in the code where it hangs.
"""

import argparse
import collections
import faulthandler
import sys
import tempfile
import time
import traceback
from pathlib import Path

import click
import fuzzing

HANG_S = 120


def main() -> int:
    """Fuzz, and print what became of the jobs."""
    options = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    options.add_argument("--minutes", type=float, default=10.0)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--keep", type=Path, default=Path(tempfile.gettempdir()))
    chosen = options.parse_args()
    end = time.monotonic() + 60 * chosen.minutes
    counts: collections.Counter[str] = collections.Counter()
    faults: dict[str, int] = {}
    slowest, slowest_seed = 0.0, chosen.seed
    seed = chosen.seed
    with tempfile.TemporaryDirectory() as folder:
        while time.monotonic() < end:
            data = fuzzing.nonsense(seed) if seed % 4 == 0 else fuzzing.mutated(seed)
            faulthandler.dump_traceback_later(HANG_S, exit=True)
            began = time.monotonic()
            try:
                counts.update(fuzzing.examined(data, Path(folder)))
            except Exception:
                kept = chosen.keep / f"fuzz-{seed}.gcode"
                text = traceback.format_exc()
                place = text.strip().splitlines()[-1][:200]
                if place not in faults:
                    faults[place] = seed
                    kept.write_bytes(data)
                    click.echo(f"seed {seed}, kept as {kept}\n{text}")
            spent = time.monotonic() - began
            if spent > slowest:
                slowest, slowest_seed = spent, seed
            counts["jobs"] += 1
            seed += 1
    faulthandler.cancel_dump_traceback_later()
    click.echo(", ".join(f"{name} {count:,}" for name, count in sorted(counts.items())))
    click.echo(
        f"slowest: seed {slowest_seed}, {slowest:.2f} s; faults of {len(faults)} kinds {sorted(faults.values())}"
    )
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
