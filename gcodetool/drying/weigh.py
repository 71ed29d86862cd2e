"""What a scale should show while a spool dries, and whether it can tell anything at all."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.drying.course import Course
from gcodetool.moisture import inference
from gcodetool.moisture.constants import HOUR_S
from gcodetool.moisture.history import Quantiles, State, quantile, quantiles, reel_of

SCALES_G: Final = (1.0, 0.1, 0.01)
STEPS: Final = 10.0  # of a scale, over the whole loss, that tell something
SHARES: Final = (1 / 3, 2 / 3, 1.0)  # of the hours advised: three looks and the one before


@dataclass(frozen=True)
class Expected:
    """What the reel should have lost by then, in grams."""

    at_s: float
    loss_g: Quantiles


@dataclass(frozen=True)
class Weighing:
    """When to weigh, and what it should show.

    Attributes
    ----------
    looks
        The reel's loss since it went in.
    still_g_h
        How fast it still loses at the end: less than this between two weighings an hour apart, and it is
        where this plan takes it.
    scale_g
        The coarsest scale that tells something; None: none of the usual ones does.
    body_g
        What a cardboard body's own water may give or take; 0 for others.
    """

    looks: tuple[Expected, ...]
    still_g_h: float
    scale_g: float | None
    body_g: float


def weighing(state: State, ran: Course, end_s: float) -> Weighing | None:
    """Return when to weigh during *ran*, which is judged at *end_s*; None where nothing is to be dried."""
    if end_s <= 0:
        return None
    grams = state.remaining_g
    lost = grams * (ran.whole[0] - ran.whole)
    members = lost.shape[1]

    def at(seconds: float) -> NDArray[np.float64]:
        return np.array([np.interp(seconds, ran.at_s, lost[:, m]) for m in range(members)])

    looks = tuple(Expected(share * end_s, quantiles(at(share * end_s), state.weights)) for share in SHARES)
    before = max(0.0, end_s - HOUR_S)
    rate = (at(end_s) - at(before)) / max(end_s - before, 1.0) * HOUR_S
    reel = reel_of(state.spool)
    body = 0.0
    if reel.cardboard:
        body = 2.0 * inference.CARDBOARD_SHARE * reel.likely_body_g
    whole = abs(looks[-1].loss_g.p50 or 0.0)
    fine = [scale for scale in SCALES_G if scale * STEPS <= whole]
    return Weighing(
        looks=looks,
        still_g_h=abs(quantile(rate, 0.5, state.weights)),
        scale_g=fine[0] if fine and body < whole / 2 else None,
        body_g=body,
    )
