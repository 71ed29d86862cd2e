"""The bare strand between a box and the drive gear: what each piece takes up from the room while it crosses.

In: what leaves the reel over a job, and when it is drawn on.  Left out: the piece that hangs there when the job
begins, which ages as the path does and which a purge takes out; heat.
"""

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture.air import Air
from gcodetool.moisture.polymer import Polymer

Floats = NDArray[np.float64]


def strand_uptake(tau: Floats) -> Floats:
    """Return the share that a cylinder has exchanged at ``tau = D t / r²``, any shape.

    Crank, "The Mathematics of Diffusion" (1975), equations 5.23 and 5.26: three terms for short times, the first
    one of the series for long; off by 0.002 where they meet.

    >>> strand_uptake(np.array([0.0, 0.001, 0.1, 10.0])).round(3).tolist()
    [0.0, 0.07, 0.608, 1.0]
    """
    short = 4.0 * np.sqrt(tau / np.pi) - tau - tau**1.5 / (3.0 * np.sqrt(np.pi))
    long = 1.0 - 4.0 / 5.783 * np.exp(-5.783 * tau)
    return np.maximum(0.0, np.where(tau < 0.12, short, long))


def crossed(
    content: Floats,
    leaves_s: Floats,
    fed_m: Floats,
    curve: tuple[Floats, Floats],
    *,
    bare_m: Floats,
    air: Air,
    polymer: Polymer,
    radius_m: float,
) -> Floats:
    """Return what arrives of each piece that leaves the reel, (pieces, members) [kg/kg].

    Parameters
    ----------
    content : (pieces, members)
        Of each piece as it leaves.
    leaves_s, fed_m : (pieces,)
        When that is, and how much was fed by then.
    curve
        Moments, and the length fed by then; both ascending.
    bare_m : (members,)
        The way in the open.
    air
        Of the room.
    """
    at_s, length_m = curve
    drawn = np.flatnonzero(np.diff(length_m) > 0.0)
    if not drawn.size:
        return content
    # Where the feed has ended, for good or with the reel, nothing is drawn on: that is no pause.
    at_s, length_m = at_s[: drawn[-1] + 2], length_m[: drawn[-1] + 2]
    begin_s, end_s, total = at_s[drawn[0]], at_s[-1], length_m[-1]
    rate = total / (end_s - begin_s) if end_s > begin_s else np.inf
    wanted = fed_m[:, np.newaxis] + bare_m
    rising = np.append(np.diff(length_m) > 0.0, True)
    arrives_s = np.interp(wanted, length_m[rising], at_s[rising]) + np.maximum(0.0, wanted - total) / rate
    out_s = np.maximum(0.0, arrives_s - np.maximum(leaves_s, begin_s)[:, np.newaxis])
    goal = polymer.own_equilibrium(np.asarray(air.members_rh_pct) / 100.0, air.members_K)
    middle = 0.5 * (content + goal)
    speed = polymer.own_diffusivity(air.members_K, middle)
    return np.asarray(content + (goal - content) * strand_uptake(speed * out_s / radius_m**2))
