"""Long lists: what a plan of thousands of small jobs on hundreds of spools takes, in processor time and memory.

    python tests/benchmarks/queue_scale.py --jobs 2000 --spools 500 --dryers 4 --printers 20
    python tests/benchmarks/queue_scale.py --jobs 1 --spools 200 --dryers 1 --printers 1

Jobs of a few layers, so that reading takes little.  Printers stand in groups of five, a job fits two of its group; each
group is given one of four materials, or two.  One spool in four is too wet.  The call runs in a process of its own, with an
empty cache and again with what the first one kept; both must print the same bytes.
"""

import argparse
import json
import random
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from queue_speed import Run, call
from queue_world import AT, PLACES, job, spool

from gcodetool.profiles import sample_folder

MATERIALS = {"PETG": (0.02, 0.4), "PLA": (0.05, 0.6), "TPU": (0.02, 0.9), "PA6": (0.1, 2.4)}
GROUP = 5  # printers
DRYER = """
[place.dryer-{0}]
kind = "dryer"
temperature_C = 65.0
max_temperature_C = 90.0
slots = 4
room = "bench"
"""


def write(folder: Path, asked: argparse.Namespace) -> Path:
    """Write printers, spools, jobs and the list; return its path."""
    dice = random.Random(asked.seed)
    shelf, jobs = folder / "shelf", folder / "jobs"
    shelf.mkdir()
    jobs.mkdir()
    twin = (sample_folder().parent / "profiles" / "printers" / "bench-2.toml").read_text(encoding="utf-8")
    printers = [f"rack-{number:02}" for number in range(asked.printers)]
    for name in printers:
        (folder / f"{name}.toml").write_text(twin.replace('"bench-2"', f'"{name}"'), encoding="utf-8")
    places = PLACES + "".join(f'\n[place.{name}]\nkind = "printer"\nroom = "bench"\n' for name in printers)
    places += "".join(DRYER.format(number) for number in range(asked.dryers))
    for number in range(asked.spools):
        material = sorted(MATERIALS)[number % len(MATERIALS)]
        water = dice.choices(MATERIALS[material], (3, 1))[0]
        spool(shelf, f"{material.lower()}-{number:03}", material, water=water, places=places, net_g=1000)
    lines = ['shelf = "shelf"', "turnaround_min = 10"]
    lines += [f"[dryer.dryer-{number}]\nunattended = true" for number in range(asked.dryers)]
    for number in range(asked.jobs):
        first = number % len(printers) // GROUP
        group = printers[first * GROUP : first * GROUP + GROUP]
        material = dice.choice(
            [sorted(MATERIALS)[(first + more) % len(MATERIALS)] for more in (0, asked.mixed)]
        )
        hours, metres = dice.choice(((0.5, 4), (1, 8), (2, 20)))
        path = job(
            jobs, f"part-{number:05}.gcode", hours=hours, metres=metres, layers=2, materials=[material],
            words=f"; part {number}\n",
        )  # fmt: skip
        own, other = (*dice.sample(group, min(2, len(group))), None)[:2]
        fits = f'fits = ["{other}.toml"]\n' if other else ""
        lines.append(f'[[job]]\nfile = "jobs/{path.name}"\nprinter = "{own}.toml"\n{fits}')
    path = folder / "list.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def told(what: str, run: Run, text: str) -> dict[str, Any]:
    """Print what a run took and what came of it; return its plan."""
    found: dict[str, Any] = json.loads(text)
    plan = found["plan"]
    print(
        f"{what}: {run.processors_s:.1f} s of processors ({run.parent_s:.1f} s in the parent), {run.wall_s:.0f} s on the "
        f"wall, {run.parent_MB:.0f} MB, a worker {run.worker_MB:.0f} MB; {plan['met']} of {len(found['jobs'])} make it, "
        f"{plan['dryings']} dryings, {plan['hand_offs']} hand-offs, {len(text) / 1e6:.1f} MB of JSON\n  {plan['search']}",
        flush=True,
    )
    return found


def main() -> None:
    """Write the world, plan it twice, print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--jobs", type=int, default=2000)
    parser.add_argument("--spools", type=int, default=500)
    parser.add_argument("--dryers", type=int, default=4)
    parser.add_argument("--printers", type=int, default=20)
    parser.add_argument("--mixed", type=int, default=0, help="1: two materials in each group of printers")
    parser.add_argument("--members", default="1")
    parser.add_argument("--processes", default="1")
    parser.add_argument("--time-limit", default="60")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="write the world into this new folder and stop")
    asked = parser.parse_args()
    if asked.keep is not None:
        asked.keep.mkdir()
        print(write(asked.keep, asked))
        return
    words = ("--members", asked.members, "--processes", asked.processes, "--time-limit", asked.time_limit)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = write(folder, asked)
        time.sleep(3)  # so that the files count as settled
        first, text = call(path, folder / "cache", *words, at=AT)
        told("first", first, text)
        again, same = call(path, folder / "cache", *words, at=AT)
        told("again, from the cache", again, same)
        print("the same bytes" if text == same else "ANOTHER PLAN from the cache")


if __name__ == "__main__":
    main()
