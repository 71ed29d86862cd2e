"""Times, degrees and contents in the words of all that is said of drying."""

import math
from typing import Final

from gcodetool.moisture.constants import HOUR_S

HEAT: Final = (
    "do not leave heat unattended: near enough to notice, not in its fumes; the makers' limits come first"
)


def hours(seconds: float) -> str:
    """Return a time to dry, rounded up to what a person sets a timer to.

    >>> hours(250), hours(4 * 3600 + 60), hours(13.2 * 3600), hours(50 * 3600)
    ('5 min', '4 h 15 min', '14 h', '50 h')
    """
    minutes = round(timer_s(seconds) / 60)
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h" + (f" {minutes % 60} min" if minutes % 60 else "")


def timer_s(seconds: float) -> float:
    """Return a time to dry, rounded up to what a person sets a timer to. [s]

    >>> timer_s(250.0), timer_s(4 * 3600.0 + 60)
    (300.0, 15300.0)
    """
    step = 5 if seconds <= HOUR_S else 15 if seconds <= 10 * HOUR_S else 60
    return 60.0 * step * math.ceil(seconds / 60 / step - 1e-6)


def degrees(celsius: float) -> str:
    """Return a temperature without needless digits."""
    return f"{celsius:.1f}".removesuffix(".0") + " °C"


def rounded(value: float, digits: int = 2, *, sign: str = "") -> str:
    """Return a number with so many digits that mean something, a large one whole: never as a power of ten.

    >>> rounded(0.0312), rounded(7.44), rounded(99.6), rounded(144.2), rounded(1234.0, 3), rounded(0.5, sign="+")
    ('0.031', '7.4', '100', '144', '1234', '+0.5')
    """
    short = f"{value:{sign}.{digits}g}"
    return f"{value:{sign}.0f}" if "e+" in short else short


def content(wt_pct: float | None) -> str:
    """Return a water content with the digits that mean something."""
    if wt_pct is None or not math.isfinite(wt_pct):
        return "? wt %"
    return f"{wt_pct:.3f} wt %" if wt_pct < 1 else f"{wt_pct:.2f} wt %"
