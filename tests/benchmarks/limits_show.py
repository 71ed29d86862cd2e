"""What `limits show` takes with 20,000 records in a ledger: the first time, and again.

python tests/benchmarks/limits_show.py [--spools 100] [--prints 200]

Makes a ledger in a temporary folder and runs the command in processes of its own; prints processor seconds and peak
memory of each, and of what it cannot do without importing.  The first call replays every spool, the second one takes kept
replays.
"""

import argparse
import datetime
import os
import random
import resource
import sys
import tempfile
from pathlib import Path

from gcodetool.ledger import entries, place_entries, writers
from gcodetool.ledger.entries import Draft, micro
from gcodetool.ledger.store import open_ledger, writing

BEGIN = datetime.datetime(2026, 1, 5, 8, tzinfo=datetime.UTC).timestamp()
DAY_S = 86_400.0
RUNS = 3
NOWHERE = [(os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0)]  # stdout
WORDS = {"strings": ("none", "few", "many"), "parts": ("good", "usable", "scrap")}


def main(spools: int, prints: int) -> None:
    """Print what it takes."""
    with tempfile.TemporaryDirectory() as folder:
        word = str(Path(folder) / "ledger.sqlite")
        _filled(word, spools, prints)
        place = {name: str(Path(folder) / name) for name in ("GCODETOOL_SNAPSHOTS", "GCODETOOL_PROFILES")}
        environment = {**os.environ, **place, "GCODETOOL_LEDGER": word}
        show = ("-m", "gcodetool", "limits", "show", "PETG", "--at", "2026-12-02")
        _measured("import click, numpy", ("-c", "import click, numpy"), environment)
        _measured("import click, numpy, sqlalchemy", ("-c", "import click, numpy, sqlalchemy"), environment)
        _measured("first call", show, environment)
        for _ in range(RUNS):
            _measured("again", show, environment)
            _measured("again, --json", (*show, "--json"), environment)
        writers.outcome(open_ledger(word), "petg-000", {"strings": "few"}, at_s=BEGIN + 330 * DAY_S)
        _measured("again, with one print more", show, environment)


def _measured(name: str, words: tuple[str, ...], environment: dict[str, str]) -> None:
    call = os.posix_spawn(sys.executable, [sys.executable, *words], environment, file_actions=NOWHERE)
    _, status, used = os.wait4(call, 0)
    if status != 0:
        raise SystemExit(f"{name} failed")
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss  # a child's peak begins there
    peak = f", {used.ru_maxrss / 1024:.0f} MB at most" if used.ru_maxrss > own else ""
    print(f"{name}: {used.ru_utime + used.ru_stime:.2f} s of processor time{peak}")


def _filled(word: str, spools: int, prints: int) -> None:
    """Fill a ledger: each spool stands in one room, is found open, and has prints judged over its time."""
    ledger = open_ledger(word)
    draw = random.Random(1)
    place_entries.add_place(
        ledger, "bench", {"kind": "open", "temperature_C": 22.0, "rh_pct": 45.0}, at_s=BEGIN
    )
    for number in range(spools):
        facts = {"material": "PETG", "diameter_mm": 1.75, "net_mass_g": 1000.0}
        name = f"petg-{number:03d}"
        writers.add_spool(
            ledger, name, facts, place="bench", received={"water_wt_pct": draw.uniform(0.02, 0.5)}, at_s=BEGIN
        )
        if number < spools - 8:  # eight are left on the shelf
            writers.retire(ledger, name, at_s=BEGIN + 329 * DAY_S)
        said = [
            Draft(
                "spool",
                name,
                "outcome",
                micro(BEGIN + (1 + 320 * i / prints) * DAY_S),
                {key: draw.choice(each) for key, each in WORDS.items()},
            )
            for i in range(prints)
        ]
        with writing(ledger) as conn:
            entries.append(conn, said)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--spools", type=int, default=100)
    parser.add_argument("--prints", type=int, default=200)
    asked = parser.parse_args()
    main(asked.spools, asked.prints)
