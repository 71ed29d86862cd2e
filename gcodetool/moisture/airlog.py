"""A measured log's mean air between two moments.

Left out: what a hygrometer is off by (``doubts``).
"""

import bisect

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture import air as airs
from gcodetool.moisture.air import Air
from gcodetool.moisture.constants import ZERO_CELSIUS_K
from gcodetool.moisture.record import AirLog

Floats = NDArray[np.float64]


def log_air(log: AirLog, begin_s: float, end_s: float) -> Air:
    """Return a log's mean air between two moments: its temperature and its vapour, lines between readings.

    Before the first and after the last reading that reading holds.
    """
    # Only what lies in the window, and a reading on either side: a log may hold years.
    low = max(0, bisect.bisect_right(log.at_s, begin_s) - 1)
    high = bisect.bisect_right(log.at_s, end_s) + 1
    at = np.asarray(log.at_s[low:high], dtype=np.float64)
    kelvin = np.asarray(log.temperature_C[low:high], dtype=np.float64) + ZERO_CELSIUS_K
    # The mean of the pressure, not of RH: what drives water is the pressure, and RH moves with temperature.
    vapour = airs.vapour_pressure(kelvin, log.rh_pct[low:high])
    return Air(_mean(at, kelvin, begin_s, end_s), _mean(at, vapour, begin_s, end_s))


def _mean(at_s: Floats, values: Floats, begin_s: float, end_s: float) -> float:
    if end_s <= begin_s:
        return float(np.interp(begin_s, at_s, values))
    low, high = np.searchsorted(at_s, [begin_s, end_s], side="right")
    x = np.concatenate([[begin_s], at_s[low:high], [end_s]])
    return float(np.trapezoid(np.interp(x, at_s, values), x) / (end_s - begin_s))
