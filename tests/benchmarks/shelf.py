"""A shelf of 200 spools with a year of history each: what a list and a check take beside their yardsticks.

    python tests/benchmarks/shelf.py [--spools 200] [--runs 5] [--check-only]

Makes a ledger in a folder of its own: each spool is dried, printed from and put back all through the year,
and the bench has an hourly log.  The first list works everything out and keeps it; what counts is the next
one.  Each measurement is a whole process, run in turn with its yardstick; the ratio is the median.
"""

import argparse
import math
import os
import random
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from run import GCODETOOL, SMALL_MB, Bench

from gcodetool.ledger import entries, place_entries, records
from gcodetool.ledger.entries import Draft, micro
from gcodetool.ledger.store import Ledger, open_ledger, reading, writing

BEGIN_S = datetime(2025, 11, 1, 8, tzinfo=UTC).timestamp()
DAYS = 365
HOUR_S = 3600.0
START = "import click, numpy, sqlalchemy"
MATERIALS = (("PETG", 1000), ("PLA", 1000), ("PA6", 750), ("TPU", 500), ("ASA", 1000))


def make(path: Path, spools: int) -> Ledger:
    """Make the ledger; return it."""
    ledger = open_ledger(path)
    chance = random.Random(11)
    for name, facts in (
        ("bench", {"kind": "open", "temperature_C": 21.0, "rh_pct": 45.0}),
        ("oven", {"kind": "dryer", "temperature_C": 63.0, "room": "bench"}),
        ("box-2", {"kind": "box", "temperature_C": 22.0, "rh_pct": 14.0}),
        ("bag", {"kind": "sealed"}),
        ("bench-1", {"kind": "printer", "printer": "bench-1", "room": "bench"}),
    ):
        place_entries.add_place(ledger, name, facts, at_s=BEGIN_S)
    rows = [
        (
            micro(BEGIN_S + hour * HOUR_S),
            21.0 + 2.0 * math.sin(hour / 24 * math.tau) - 2.0 * math.cos(hour / 8760 * math.tau),
            45.0 + 10.0 * math.sin(hour / 8760 * math.tau) + chance.uniform(-5, 5),
        )
        for hour in range(24 * DAYS)
    ]
    place_entries.log(ledger, "bench", rows, source="hygrometer.csv")
    with writing(ledger) as conn:
        for number in range(spools):
            entries.append(conn, history(f"spool-{number:03d}", number, chance))
    with reading(ledger) as conn:
        records.load_spool(conn, "spool-000")  # it is a record
    return ledger


def history(spool: str, number: int, chance: random.Random) -> list[Draft]:
    """Return a year of one spool."""
    material, net_g = MATERIALS[number % len(MATERIALS)]
    facts = {"material": material, "diameter_mm": 1.75, "net_mass_g": net_g, "body": {"mass_g": 210}}
    drafts = [
        Draft(
            "spool", spool, "added", micro(BEGIN_S), {**facts, "received": {"place": "bench", "sealed": True}}
        )
    ]

    def note(kind: str, day: float, facts: dict[str, object]) -> None:
        drafts.append(Draft("spool", spool, kind, micro(BEGIN_S + day * 24 * HOUR_S), facts))

    day, left_g = 1.0 + chance.uniform(0, 9), 0.9 * net_g
    while day < DAYS - 8:
        note("moved", day, {"place": "oven"})
        note("moved", day + 0.4, {"place": "box-2"})
        for _ in range(chance.randint(1, 4)):
            day += chance.uniform(1, 5)
            note("moved", day, {"place": "bench-1", "tool": 0})
            grams = round(min(left_g / 20, chance.uniform(5, 60)), 1)
            left_g -= grams
            note("fed", day + 0.2, {"mass_g": grams})
            note("moved", day + 0.3, {"place": "box-2"})
        if chance.random() < 0.3:
            note("inspected", day + 0.35, {"bubbles": "none"})
        day += chance.uniform(5, 25)
    return drafts


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--spools", type=int, default=200)
    parser.add_argument("--runs", type=int, default=5, help="pairs of runs behind each ratio")
    parser.add_argument(
        "--members",
        type=int,
        default=64,
        help="of the lists; few make the first one quick, the next takes the same",
    )
    parser.add_argument("--check-only", action="store_true", help="leave the list out, and its first run")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="gcodetool-shelf-") as name:
        bench = Bench(Path(name), options.runs)
        path = Path(name) / "ledger.sqlite"
        made = time.perf_counter()
        ledger = make(path, options.spools)
        with reading(ledger) as conn:
            count = len(entries.of(conn, "spool"))
        print(
            f"{os.cpu_count()} CPUs, Python {sys.version.split()[0]}; {options.spools} spools, {count} entries, "
            f"{24 * DAYS} readings, made in {time.perf_counter() - made:.0f} s"
        )
        os.environ["GCODETOOL_LEDGER"] = bench.env["GCODETOOL_LEDGER"] = str(path)
        later = BEGIN_S + DAYS * 24 * HOUR_S
        start = [[sys.executable, "-c", START]]
        if not options.check_only:
            first, worked = listing(bench, later, options.members)
            print(
                f"first list, everything worked out: {first:.1f} s; {worked:.1f} s of processor, "
                f"{worked / options.spools:.2f} s a spool"
            )
            work = [
                *GCODETOOL,
                "spool",
                "list",
                "--at",
                at(later + 7 * HOUR_S),
                "--members",
                str(options.members),
            ]
            spent = sorted(
                listing(bench, later + (1 + k) * HOUR_S, options.members)[::-1] for k in range(options.runs)
            )
            print(
                f"next list, an hour later each: {spent[len(spent) // 2][0]:.2f} s of processor, "
                f"{spent[len(spent) // 2][1]:.2f} s by the clock (goal 0.5)"
            )
            print(bench.compare("spool list, from the outlooks", work, START, start, None))
            subprocess.run(
                [*GCODETOOL, "spool", "fed", "spool-001", "--mass", "1", "--at", at(later + HOUR_S)],
                check=True,
                env=bench.env,
                cwd=bench.folder,
                capture_output=True,
            )
            after, worked = listing(bench, later + 2 * HOUR_S, options.members)
            print(
                f"the list after one event of one spool: {worked:.2f} s of processor, {after:.2f} s by the clock"
            )
        job = str(bench.job(SMALL_MB))
        check = [*GCODETOOL, "check", job, "--spool", "spool-005", "--at", at(later)]
        print(bench.compare(f"check --spool ID, {SMALL_MB} MB", check, START, start, 2.5))


def at(at_s: float) -> str:
    """Return a moment as a command takes it."""
    return datetime.fromtimestamp(at_s, UTC).isoformat()


def listing(bench: Bench, at_s: float, members: int) -> tuple[float, float]:
    """Return how long one list takes by the clock and of processors, its helpers' too. [s]"""
    words = [*GCODETOOL, "spool", "list", "--at", at(at_s), "--members", str(members)]
    spent, worked, _ = bench.once([words])
    return spent, worked


if __name__ == "__main__":
    main()
