"""How many members a forecast takes unless somebody says; values of so many members for another number."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture.solver import COMPILED

Floats = NDArray[np.float64]

MEMBERS: Final = 64 if COMPILED else 1  # interpreted, a band would take minutes: nominal parameters alone


def default_members(members: int | None) -> int:
    """Return the number asked for, or the default_members one."""
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
        return np.asarray(values[(np.arange(members) * count) // members])
    whose = (np.arange(count) * members) // count
    return np.asarray(np.bincount(whose, values, members) / np.bincount(whose, minlength=members))
