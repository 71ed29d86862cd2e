"""What steps, lines and temperatures taken loosely cost: the next-fed content against a run with all of them tight.

Run: ``python docs/experiments/moisture_steps.py``.  A third of the benchmark's year (``tests/benchmarks/moisture_year.py``),
eight members, looked at after every stay; per cent of the range that the content went through.
"""

import dataclasses
import sys
from pathlib import Path

import numpy as np

from gcodetool.moisture import field
from gcodetool.moisture.history import state_at

sys.path.insert(0, str(Path(__file__).parents[2] / "tests" / "benchmarks"))

from moisture_year import year

TIGHT = {
    "TOLERANCE": 0.005,
    "GROWTH": 1.3,
    "LINE_ERROR": 1e-6,
    "ACTIVITY_SLACK": 1e-6,
    "HEAT_SLACK": 1e-4,
    "HEAT_TOLERANCE": 0.01,
    "NEW_AIR_STEP_S": 0.3,
    "SAME_AIR_STEP_S": 20.0,
}
LOOSER: tuple[dict[str, float], ...] = (
    {},
    {"TOLERANCE": 2.0},
    {"NEW_AIR_STEP_S": 600.0},
    {"SAME_AIR_STEP_S": 36_000.0, "SAME_AIR_SHARE": 1.0},
    {"LINE_ERROR": 1.0},
    {"HEAT_TOLERANCE": 32.0},
    {"HEAT_SLACK": 0.1},
    {"ACTIVITY_SLACK": 0.01},
)


def next_fed(material: str, **changed: float) -> np.ndarray:
    """Return the content of the outermost layer after every stay, (stays, members)."""
    spool = year(material)
    spool = dataclasses.replace(spool, events=spool.events[:100])
    seen = []
    kept = {name: getattr(field, name) for name in changed}
    run = field.SpoolIntegrator.run

    def watched(self: field.SpoolIntegrator, *args: float, **options: float) -> float:
        after = run(self, *args, **options)
        if not self.winding.loose:
            seen.append(self.outer_mean())
        return after

    try:
        field.SpoolIntegrator.run = watched  # type: ignore[method-assign]
        for name, value in changed.items():
            setattr(field, name, value)
        state_at(spool, spool.events[-1].at_s + 3600.0, members=8)
    finally:
        field.SpoolIntegrator.run = run  # type: ignore[method-assign]
        for name, value in kept.items():
            setattr(field, name, value)
    return np.array(seen)


def main() -> None:
    """Print the table."""
    print("| settings | PA6: worst | 99 % below | PVA: worst | 99 % below |\n| --- | --- | --- | --- | --- |")
    exact = {material: next_fed(material, **TIGHT) for material in ("PA6", "PVA")}
    for changed in LOOSER:
        cells = []
        for material, reference in exact.items():
            off = np.abs(next_fed(material, **changed) - reference) / np.ptp(reference)
            cells += [f"{100 * off.max():.2g}", f"{100 * np.quantile(off, 0.99):.2g}"]
        words = ", ".join(f"`{name}` {value:g}" for name, value in changed.items()) or "**as set**"
        print(f"| {words} | {' | '.join(cells)} |")


if __name__ == "__main__":
    main()
