"""A dryer's own temperature, logged: how far its knob is off, and how far its air swings."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.errors import OutOfRangeError

Floats = NDArray[np.float64]

FEWEST: Final = 10  # settled readings
LATE_SHARE: Final = 0.5  # of the log, whose middle is what the dryer settles at
LEAST_RISE_K: Final = 5.0  # less is no warm-up
RISE: Final = (0.1, 0.9)  # of the way, whose slope is told
PEAKS: Final = 0.98  # of the readings lie below what is called the swing's top


@dataclass(frozen=True)
class Thermostat:
    """What a log says of a dryer.

    Attributes
    ----------
    mean_C, highest_C
        Of its air once settled.
    swing_C
        From the mean to the top of its swing (98 of 100 readings lie below it).
    settled_s
        How long it took to get there, from the first reading.
    rise_K_min
        How fast it warmed up on the way, from a tenth to nine tenths of it; None where it was warm already.
    knob_C, set_offset_C
        What it was set to, and that minus the mean; None where it is not known.
    """

    mean_C: float
    swing_C: float
    highest_C: float
    settled_s: float
    knob_C: float | None
    set_offset_C: float | None
    rise_K_min: float | None = None


def thermostat(at_s: Sequence[float], temperature_C: Sequence[float], knob_C: float | None) -> Thermostat:
    """Return what the readings say; times ascending, the dryer switched on and left as it is.

    >>> log = [20, 40, 60] + [78, 74] * 10
    >>> found = thermostat(range(0, 60 * len(log), 60), log, 80)
    >>> round(found.set_offset_C, 1), round(found.swing_C, 1), found.settled_s
    (4.0, 2.0, 180.0)

    Raises
    ------
    OutOfRangeError
        Too few readings after it has settled.
    """
    at, warm = np.asarray(at_s, dtype=np.float64), np.asarray(temperature_C, dtype=np.float64)
    late = warm[int(warm.shape[0] * (1 - LATE_SHARE)) :]
    reached = np.flatnonzero(warm >= np.median(late)) if late.size else np.zeros(0, dtype=int)
    first = int(reached[0]) if reached.size else warm.shape[0]
    settled = warm[first:]
    if settled.shape[0] < FEWEST:
        raise OutOfRangeError(
            f"the dryer's log has {settled.shape[0]} readings after it settled; log at least {FEWEST}, a minute apart"
        )
    when = at[first:]
    mean = (
        float(np.trapezoid(settled, when) / (when[-1] - when[0])) if when[-1] > when[0] else float(settled[0])
    )
    top = float(np.quantile(settled, PEAKS))
    return Thermostat(
        mean_C=mean,
        swing_C=max(0.0, top - mean),
        highest_C=float(settled.max()),
        settled_s=float(when[0] - at[0]),
        knob_C=knob_C,
        set_offset_C=None if knob_C is None else knob_C - mean,
        rise_K_min=_rise(at[: first + 1], warm[: first + 1], mean),
    )


def _rise(at_s: Floats, temperature_C: Floats, mean_C: float) -> float | None:
    """Return the slope of the warm-up [K/min], between a tenth and nine tenths of the way; None: there is none.

    >>> _rise(np.array([0.0, 60.0, 120.0, 180.0]), np.array([20.0, 40.0, 60.0, 80.0]), 80.0)
    20.0
    """
    if at_s.shape[0] < 2 or mean_C - temperature_C[0] < LEAST_RISE_K:
        return None
    rising = np.maximum.accumulate(temperature_C)
    low, high = (temperature_C[0] + share * (mean_C - temperature_C[0]) for share in RISE)
    begin, end = (float(np.interp(celsius, rising, at_s)) for celsius in (low, high))
    return round(60.0 * float(high - low) / (end - begin), 9) if end > begin else None
