"""What `ledger check` and `spool show` take as a record grows: one spool with many `fed` notes, whole processes.

    python tests/benchmarks/ledger_check.py [--notes 5000 10000 20000]

Processor seconds of each; they should grow with the notes, beside a start that is always the same.
"""

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from run import GCODETOOL, Bench
from shelf import BEGIN_S

from gcodetool.ledger import entries, place_entries
from gcodetool.ledger.entries import Draft, micro
from gcodetool.ledger.store import open_ledger, writing

EVERY_S = 400.0
AT = "2026-11-01"


def make(path: Path, notes: int) -> None:
    """Make a ledger with one spool that was fed so often."""
    ledger = open_ledger(path)
    place_entries.add_place(
        ledger, "bench", {"kind": "open", "temperature_C": 21.0, "rh_pct": 45.0}, at_s=BEGIN_S
    )
    facts = {"material": "PETG", "diameter_mm": 1.75, "net_mass_g": 1000, "body": {"mass_g": 210}}
    facts["received"] = {"place": "bench", "sealed": True}
    drafts = [Draft("spool", "petg-03", "added", micro(BEGIN_S), facts)]
    drafts += [
        Draft("spool", "petg-03", "fed", micro(BEGIN_S + 60.0 + i * EVERY_S), {"mass_g": 0.03})
        for i in range(notes)
    ]
    with writing(ledger) as conn:
        entries.append(conn, drafts)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--notes", type=int, nargs="+", default=[5000, 10_000, 20_000])
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="gcodetool-check-") as name:
        bench = Bench(Path(name), 1)
        print("| notes | ledger check | spool show |")
        for notes in options.notes:
            path = Path(name) / f"{notes}.sqlite"
            make(path, notes)
            bench.env["GCODETOOL_LEDGER"] = str(path)
            checked, shown = (
                bench.once([[*GCODETOOL, *words]])[1]
                for words in (["ledger", "check"], ["spool", "show", "petg-03", "--at", AT])
            )
            print(f"| {notes} | {checked:.2f} s | {shown:.2f} s |", flush=True)


if __name__ == "__main__":
    main()
