"""The one colour scale of all pictures: dry sand, sea green, deep blue, with a step at each limit.

Up to the limit of *good* it is sand, up to *marginal* sea green, above it blue to one and a half times *marginal*.
Within each band colours are even steps in OKLab [1]; from band to band they jump, so that a limit is seen where
it is passed.  Lightness falls at every step: the order is seen by colour-blind eyes and on grey paper too.

References
----------
.. [1] B. Ottosson, "A perceptual color space for image processing", 2020 (matrices from there).
"""

import functools
import math
from typing import Final

STEPS: Final = 24
BAND: Final = STEPS // 3  # of one band
TOP: Final = 1.5  # of marginal: contents above this look the same
Triple = tuple[float, float, float]
BANDS: Final[tuple[tuple[Triple, Triple], ...]] = (  # L, a, b of the driest and the wettest of each
    ((0.955, 0.002, 0.040), (0.850, 0.012, 0.100)),
    ((0.730, -0.080, 0.005), (0.570, -0.085, -0.040)),
    ((0.440, -0.020, -0.115), (0.255, 0.015, -0.120)),
)
NONE: Final = "#d3bfca"  # nothing is known: a colour that the scale has not
Limits = tuple[float, float]  # good, marginal [wt %]


def srgb(lab: Triple) -> Triple:
    """Return OKLab as sRGB, 0 to 1 each."""
    light, a, b = lab
    long = (light + 0.3963377774 * a + 0.2158037573 * b) ** 3
    middle = (light - 0.1055613458 * a - 0.0638541728 * b) ** 3
    short = (light - 0.0894841775 * a - 1.2914855480 * b) ** 3
    linear = (
        4.0767416621 * long - 3.3077115913 * middle + 0.2309699292 * short,
        -1.2684380046 * long + 2.6097574011 * middle - 0.3413193965 * short,
        -0.0041960863 * long - 0.7034186147 * middle + 1.7076147010 * short,
    )
    return tuple(_companded(min(1.0, max(0.0, each))) for each in linear)  # type: ignore[return-value]


def _companded(value: float) -> float:
    return 12.92 * value if value <= 0.0031308 else 1.055 * value ** (1 / 2.4) - 0.055


@functools.cache
def colours() -> tuple[str, ...]:
    """Return all colours, dry first.

    >>> len(colours()), colours()[0]
    (24, '#fcefd2')
    """
    found = []
    for dry, wet in BANDS:
        for step in range(BAND):
            along = step / (BAND - 1)
            lab: Triple = tuple(one + (two - one) * along for one, two in zip(dry, wet, strict=True))  # type: ignore[assignment]
            found.append("#" + "".join(f"{round(255 * each):02x}" for each in srgb(lab)))
    return tuple(found)


def step_of(wt_pct: float | None, limits: Limits) -> int | None:
    """Return the step of a content, its limits good and marginal; None where it is not known.

    >>> [step_of(content, (0.1, 0.3)) for content in (0.0, 0.1, 0.11, 0.3, 0.31, 9.0, None)]
    [0, 7, 8, 15, 16, 23, None]
    """
    good, marginal = limits
    if wt_pct is None or math.isnan(wt_pct) or not marginal > 0:
        return None
    if wt_pct <= good:
        return _within(0, wt_pct, 0.0, good)
    if wt_pct <= marginal:
        return _within(1, wt_pct, good, marginal)
    return _within(2, wt_pct, marginal, TOP * marginal)


def _within(band: int, wt_pct: float, low: float, high: float) -> int:
    share = (wt_pct - low) / (high - low) if high > low else 0.0
    return BAND * band + min(BAND - 1, max(0, int(share * BAND)))


def colour_of(wt_pct: float | None, limits: Limits) -> str:
    """Return the colour of a content; a rose where it is not known."""
    step = step_of(wt_pct, limits)
    return NONE if step is None else colours()[step]
