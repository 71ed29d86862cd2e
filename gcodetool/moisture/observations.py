"""What a scale showed and eyes saw of a reel, beside what each member of a forecast says of it then.

Left out: how likely that makes a member (``inference``, ``inspections``).
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.quickdata import dataclass

Floats = NDArray[np.float64]

BODY_UNKNOWN_G: Final = (
    200.0,
    100.0,
)  # mean and deviation where the record states no body mass (own estimate)


@dataclass(frozen=True)
class ReelMass:
    """What the record says of the body and the filament; *name* tells one reel from its samples.

    *stated*: whether it says what the body is made of.
    """

    net_g: float
    body_g: float | None
    cardboard: bool = False
    name: str = ""
    stated: bool = True

    @property
    def likely_body_g(self) -> float:
        """Mass of the body, as stated or as bodies usually weigh."""
        return BODY_UNKNOWN_G[0] if self.body_g is None else self.body_g


@dataclass(frozen=True)
class Weighed:
    """One weigh-in: what the scale said, and what each member says the strand held.

    Attributes
    ----------
    gross_g, resolution_g
        Of the scale.
    water_g : (members,)
        Water in the strand then.
    dry_g, fed_g
        Dry strand on the reel by the record, and what was fed since it was new.
    unnoted_g
        A use since the last weigh-in that nobody noted, as read from the weights; None: none is possible.
    reel
        What was on the scale, where it was not the reel that is asked about: what that was cut off, or a sample.
    """

    gross_g: float
    resolution_g: float
    water_g: Floats
    dry_g: float
    fed_g: float
    unnoted_g: float | None = None
    reel: ReelMass | None = None


@dataclass(frozen=True)
class Inspected:
    """One look at the strand at the nozzle; `ratio` (members,) is its content over limit_marginal.

    Looks with the same number *strand* saw the same few metres; *power* is that of its chance.
    """

    ratio: Floats
    bubbles: str | None = None
    oozes: bool | None = None
    pops: bool | None = None
    strand: int = 0
    power: float = 1.0


Record = Sequence[Weighed | Inspected]
