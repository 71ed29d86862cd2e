"""Does p10-p90 cover the truth in 80 % of simulated reels, and what does weighing before and after drying add?

Run: ``python tests/benchmarks/moisture_coverage.py [--once] [CASES] [MATERIAL=RESOLUTION …]``; 400 cases take minutes.
Reels are found open, weighed, dried for one to two times the profile's hours, weighed, and looked at up to two hours later,
as a job begins; and as a reel in use is dried again and again, this is done twice, ten hours out in between.  ``--once``: of
one drying, which tells content times speed and not each of them; ``docs/experiments/weighed_once.py`` shows that no method
could make more of it.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from coverage_cases import simulate

WHAT = {"PLA": None, "PETG": 1.0, "TPU_95A": None, "PA6": 0.1, "PVA": 0.1}


def main() -> None:
    words = [word for word in sys.argv[1:] if not word.startswith("-")]
    dryings = 1 if "--once" in sys.argv else 2
    cases = int(words[0]) if words else 400
    asked = dict(word.split("=") for word in words[1:]) or WHAT
    for name, resolution in asked.items():
        grams = float(resolution) if resolution else None
        done = [simulate(name, number, resolution_g=grams, dryings=dryings) for number in range(cases)]
        line = f"{name:8s} {cases} reels: covered {100 * np.mean([case.covered for case in done]):.1f} %"
        if grams:
            width = np.median([case.narrower for case in done])
            told = np.mean([any("can't tell" in str(note) for note in case.notes) for case in done])
            few = np.mean([any("few members" in str(note) for note in case.notes) for case in done])
            line += (
                f"; weighed on a {grams:g} g scale: {100 * np.mean([c.covered_weighed for c in done]):.1f} %, "
                f"band {width:.2f} as wide (median), {100 * told:.0f} % told that weighing can't tell, "
                f"{100 * few:.0f} % on few members"
            )
        print(line, flush=True)


if __name__ == "__main__":
    main()
