"""The one colour scale of all pictures: dry sand to deep water, perceptually uniform.

Colours are even steps in OKLab [1] along a curve from a pale sand over a sea green to a dark blue.
Lightness falls at every step, so that the order is seen by colour-blind eyes and on grey paper
too.  ``share`` is a content over the limit of *marginal*.

References
----------
.. [1] B. Ottosson, "A perceptual color space for image processing", 2020 (matrices from there).
"""

import bisect
import functools
import itertools
import math
from typing import Final

STEPS: Final = 24
TOP: Final = 1.5  # shares above this look the same
DRY: Final = (0.930, 0.002, 0.060)  # L, a, b
SEA: Final = (0.610, -0.115, -0.020)  # the curve bends towards it
WET: Final = (0.285, 0.005, -0.120)
NONE: Final = "#d3bfca"  # nothing is known: a colour that the scale has not

Triple = tuple[float, float, float]


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


def bend(along: float) -> Triple:
    """Return a point of the curve, 0 to 1: a parabola from DRY to WET."""
    ends = zip(DRY, SEA, WET, strict=True)
    low, middle, high = (1 - along) ** 2, 2 * along * (1 - along), along**2
    return tuple(low * dry + middle * sea + high * wet for dry, sea, wet in ends)  # type: ignore[return-value]


@functools.cache
def colours() -> tuple[str, ...]:
    """Return all colours, dry first: points of the curve at equal distances along it.

    >>> colours()[0], colours()[-1]
    ('#f9e6bb', '#191f64')
    """
    fine = [bend(place / 2000) for place in range(2001)]
    way = [0.0, *itertools.accumulate(map(math.dist, fine, fine[1:]))]
    found = []
    for step in range(STEPS):
        place = bisect.bisect_left(way, way[-1] * step / (STEPS - 1))
        found.append("#" + "".join(f"{round(255 * each):02x}" for each in srgb(fine[min(place, 2000)])))
    return tuple(found)


def step_of(share: float | None) -> int | None:
    """Return the step of a content over the limit of *marginal*; None where it is not known.

    >>> step_of(0.0), step_of(1.5), step_of(9.0), step_of(None)
    (0, 23, 23, None)
    """
    if share is None or math.isnan(share):
        return None
    return min(STEPS - 1, max(0, int(share / TOP * STEPS)))


def colour_of(share: float | None) -> str:
    """Return the colour of a share; grey where it is not known."""
    step = step_of(share)
    return NONE if step is None else colours()[step]
