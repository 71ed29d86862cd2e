"""How many members a forecast takes unless somebody says; values of so many members for another number."""

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture.air import AS_STATED, Air

Floats = NDArray[np.float64]

# Even draws of so many hold 81 % of the truths between p10 and p90, 0.8 + 0.8/64 (docs/physics.md, section 6, quantiles).
MEMBERS: Final = 64


def default_members(members: int | None) -> int:
    """Return the number asked for, or the usual one."""
    return MEMBERS if members is None else members


def spread_over(values: Floats, members: int) -> Floats:
    """Return one value per member for another number of members: repeated, or the means of neighbouring ones.

    >>> spread_over(np.array([1.0, 3.0]), 4).tolist(), spread_over(np.array([1.0, 1.0, 3.0, 5.0]), 2).tolist()
    ([1.0, 1.0, 3.0, 3.0], [1.0, 4.0])
    """
    count = values.shape[0]
    if count == members:
        return values
    if count < members:
        return np.asarray(values[some_of(count, members)])
    whose = (np.arange(count) * members) // count
    return np.asarray(np.bincount(whose, values, members) / np.bincount(whose, minlength=members))


def air_as_met(air: Air | None, members: int) -> Air | None:
    """Return air as so many members have it."""
    if air is None:
        return None

    def each(value: float | Floats) -> float | Floats:
        return value if np.ndim(value) == 0 else spread_over(np.asarray(value), members)

    own = replace(air.own, warmer_K=each(air.own.warmer_K), moister=each(air.own.moister))
    return air if air.own is AS_STATED else replace(air, own=own)


def some_of(count: int, members: int) -> NDArray[np.int_]:
    """Return which of *count* members stand for all of them where there are only so many, evenly chosen.

    >>> some_of(8, 2).tolist()
    [0, 4]
    """
    return (np.arange(members) * count) // members
