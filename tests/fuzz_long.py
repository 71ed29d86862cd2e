"""Fuzz for a stated time: what breaks a law is kept, with its seed.

    python tests/fuzz_long.py --minutes 10 [--sort gcode] [--seed 1] [--keep FOLDER]

Sorts: gcode (``fuzzing.py``), containers, toml, csv, presets, machines (``fuzzing_files.py``) and ledgers
(``ledger_damage.py``).
The exit code is 1 where anything was found.  A file that takes over two minutes ends the run with the
place in the code where it hangs.
"""

import argparse
import collections
import faulthandler
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from pathlib import Path

import click
import fuzzing
import fuzzing_files
import ledger_damage

HANG_S = 120


Examine = Callable[[str, bytes, Path], dict[str, int]]


def sort_of(name: str, good: Path) -> tuple[Callable[[int], tuple[str, bytes]], Examine]:
    """Return what makes a file from a seed, and what examines it; *good* is a folder for a sound ledger."""
    if name == "gcode":
        return (
            lambda seed: ("job.gcode", fuzzing.nonsense(seed) if seed % 4 == 0 else fuzzing.mutated(seed)),
            lambda _, data, folder: fuzzing.examined(data, folder),
        )
    if name == "ledgers":
        sound = ledger_damage.made(good)
        return (
            lambda seed: ("ledger.sqlite", ledger_damage.damaged(sound, seed, good / "work.sqlite")),
            lambda _, data, folder: ledger_damage.examined(sound, data, folder),
        )
    return (
        lambda seed: fuzzing_files.broken(name, seed),
        lambda file, data, folder: fuzzing_files.examined(name, file, data, folder),
    )


def main() -> int:
    """Fuzz, and print what became of the files."""
    options = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    options.add_argument("--sort", choices=("gcode", *fuzzing_files.SORTS, "ledgers"), default="gcode")
    options.add_argument("--minutes", type=float, default=10.0)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--keep", type=Path, default=Path(tempfile.gettempdir()))
    chosen = options.parse_args()
    chosen.keep.mkdir(parents=True, exist_ok=True)
    end = time.monotonic() + 60 * chosen.minutes
    counts: collections.Counter[str] = collections.Counter()
    faults: dict[str, int] = {}
    slowest, slowest_seed = 0.0, chosen.seed
    seed = chosen.seed
    with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as good:
        make, examine = sort_of(chosen.sort, Path(good))
        while time.monotonic() < end:
            name, data = make(seed)
            faulthandler.dump_traceback_later(HANG_S, exit=True)
            began = time.monotonic()
            try:
                counts.update(examine(name, data, Path(folder)))
            except BaseException as error:  # an exit or a stop of a command's own is a fault, too
                if isinstance(error, KeyboardInterrupt):
                    raise
                kept = chosen.keep / f"fuzz-{seed}-{Path(name).name}"
                text = traceback.format_exc()
                place = text.strip().splitlines()[-1][:200]
                if place not in faults:
                    faults[place] = seed
                    kept.write_bytes(data)
                    click.echo(f"seed {seed}, kept as {kept}\n{text}")
            spent = time.monotonic() - began
            if spent > slowest:
                slowest, slowest_seed = spent, seed
            counts["files"] += 1
            seed += 1
    faulthandler.cancel_dump_traceback_later()
    click.echo(", ".join(f"{name} {count:,}" for name, count in sorted(counts.items())))
    click.echo(
        f"slowest: seed {slowest_seed}, {slowest:.2f} s; faults of {len(faults)} kinds {sorted(faults.values())}"
    )
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
