"""How far a forecast's steps put off what arrives, and the time until a limit is passed.

    python docs/experiments/forecast_steps.py

Spools of the demo shelf in a damp room (22 °C, 50 % RH) feed a job of 2 h and one of 60 h, layer by layer of the print;
each setting against a run with far shorter steps: the worst member's worst segment, per cent of its content there, and
the worst member's moment of passing a limit (1.1, 1.5 and 3 times what it holds now), per cent of that time.
`docs/physics.md`, section 5, has the result.
"""

import datetime
import time

import numpy as np

from gcodetool import profiles
from gcodetool.ledger.spoolfile import read_spool
from gcodetool.moisture import exposure, forecast
from gcodetool.moisture.air import room_air
from gcodetool.moisture.history import State, state_at

SPOOLS = ("petg-03", "pa6-07", "tpu-02", "pla-11")
JOBS = ((2.0, 16.0), (60.0, 240.0))  # hours, metres
SEGMENTS = 200
AT_S = datetime.datetime.fromisoformat("2026-11-25T09:00:00+01:00").timestamp()
ROOM = room_air(22.0, 50.0)
SETTINGS = (
    (1.06, 1.05),
    (1.3, 1.2),
    (1.5, 1.3),
    (1.7, 1.4),
    (2.0, 1.6),
    (2.5, 2.0),
)  # the first: the reference


def arriving(state: State, *, rough: bool = False) -> list[np.ndarray]:
    """Return what arrives in each job, (segments, members)."""
    found = []
    for hours, metres in JOBS:
        edge = np.linspace(0.0, 3600.0 * hours, SEGMENTS + 1)
        rows = np.stack([edge[:-1], edge[1:], np.full(SEGMENTS, 1000.0 * metres / SEGMENTS)], axis=1)
        found.append(forecast.forecast(state, ROOM, rows, rough=rough).wt_pct)
    return found


def passing(state: State) -> list[np.ndarray]:
    """Return when each member passes some limits, (members,)."""
    now = state.next_fed_wt_pct
    return [
        exposure.crossing_times(state, ROOM, limit_wt_pct=factor * now, horizon_s=10 * 86_400.0)
        for factor in (1.1, 1.5, 3.0)
    ]


def main() -> None:
    """Print the table."""
    shelf = profiles.sample_folder() / "shelf"
    states = [state_at(read_spool(shelf / f"{name}.toml"), AT_S, members=16) for name in SPOOLS]
    exact: list[tuple[list[np.ndarray], list[np.ndarray]]] = []
    print("| steps grow by | " + " | ".join(SPOOLS) + " | in processor seconds |")
    for growth, until in SETTINGS:
        forecast.GROWTH, exposure.GROWTH = growth, until  # type: ignore[misc]
        begin = time.process_time()
        got = [(arriving(state), passing(state)) for state in states]
        spent = time.process_time() - begin
        if not exact:
            exact = got
            continue
        cells = []
        for one, other in zip(got, exact, strict=True):
            content = max(float(np.nanmax(abs(a / b - 1.0))) for a, b in zip(one[0], other[0], strict=True))
            with np.errstate(invalid="ignore"):
                times = [abs(a / b - 1.0)[np.isfinite(b)] for a, b in zip(one[1], other[1], strict=True)]
            late = max((float(each.max()) for each in times if each.size), default=0.0)
            cells.append(f"{100.0 * content:.2f}, {100.0 * late:.1f}")
        print(f"| {growth:g}, {until:g} | " + " | ".join(cells) + f" | {spent:.1f} |", flush=True)
    rough = [arriving(state, rough=True) for state in states]
    off = [
        max(float(np.nanmax(abs(a / b - 1.0))) for a, b in zip(one, other[0], strict=True))
        for one, other in zip(rough, exact, strict=True)
    ]
    print("| rough | " + " | ".join(f"{100.0 * each:.2f}" for each in off) + " | |")


if __name__ == "__main__":
    main()
