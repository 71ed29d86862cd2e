"""The reel's own body: water that it holds itself, and what that weighs on a scale.

A body follows the humidity of the air around it with one time constant, at that air's temperature; it
never limits what a spool's strands see in the open, but in a closed place its water is shared with them.
Left out: the way between the body and the inner turns that lie on it.
"""

import math
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gcodetool.moisture.constants import MOLAR_GAS, REFERENCE_K
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from gcodetool.moisture.record import Body

Floats = NDArray[np.float64]

WEIGHED_RH_PCT: Final = 50.0  # a stated body mass is one that was weighed in such air
DEFAULT_MASS_G: Final = 200.0  # where the record states none (own estimate, 100 to 300)
# Content over that at 50 % RH.  Paper and board (handbook, recalled, 23 °C, between uptake and release);
# everything else is a straight line.
BOARD: Final = (
    (0, 0.0),
    (5, 0.3),
    (10, 0.4),
    (20, 0.56),
    (30, 0.71),
    (40, 0.85),
    (50, 1.0),
    (60, 1.17),
    (70, 1.4),
    (80, 1.75),
    (90, 2.4),
    (100, 3.5),
)
# Plastics take up little and in proportion to humidity (docs/physics.md, section 4): 2 at saturation is 1 at 50 % RH.
STRAIGHT: Final = ((0, 0.0), (100, 2.0))


@dataclass(frozen=True)
class BodyWater:
    """How a reel's body holds water.

    Attributes
    ----------
    dry_kg
        Its mass without any.
    activity, content
        Its isotherm, lines between points [kg/kg].
    exchange_s, activation_K
        Its time constant at 23 °C, and how that shortens with temperature.
    assumed
        What was assumed, for a note.
    """

    dry_kg: float
    activity: tuple[float, ...]
    content: tuple[float, ...]
    exchange_s: float
    activation_K: float
    assumed: str = ""

    def balance_kg(self, activity: ArrayLike) -> Floats:
        """Return the water held in air of one *activity*, 0 to 1. [kg]"""
        return np.asarray(
            self.dry_kg * np.interp(np.asarray(activity, dtype=np.float64), self.activity, self.content)
        )

    def follows_s(self, temperature_K: float | Floats) -> float | Floats:
        """Return the time constant at a temperature, or at each member's. [s]"""
        exponent = self.activation_K * (1.0 / temperature_K - 1.0 / REFERENCE_K)
        return self.exchange_s * (math.exp(exponent) if isinstance(exponent, float) else np.exp(exponent))

    @property
    def weighed_kg(self) -> float:
        """The water that a stated body mass holds already. [kg]"""
        return float(self.balance_kg(WEIGHED_RH_PCT / 100.0))


def body_water(body: "Body") -> BodyWater | None:
    """Return what a reel's body holds; None where it is not known or holds nothing."""
    profile = body.profile
    if profile is None or profile.uptake_50rh_wt_pct <= 0.0:
        return None
    share = profile.uptake_50rh_wt_pct / 100.0
    mass_kg = (DEFAULT_MASS_G if body.mass_g is None else body.mass_g) / 1000.0
    table = BOARD if profile.uptake_shape == "board" else STRAIGHT
    assumed = ""
    if share > 0.02:
        between = profile.uptake_50rh_range_wt_pct
        spread = "" if between is None else f" ({between[0]:g} to {between[1]:g})"
        unstated = " of an assumed mass" if body.mass_g is None else ""
        assumed = (
            f"the {profile.key} body holds {profile.uptake_50rh_wt_pct:g} %{spread} of water at 50 % RH"
            f"{unstated}, and follows the air within {profile.exchange_hours:g} h"
        )
    return BodyWater(
        dry_kg=mass_kg / (1.0 + share),
        activity=tuple(rh / 100.0 for rh, _ in table),
        content=tuple(share * factor for _, factor in table),
        exchange_s=3600.0 * profile.exchange_hours,
        activation_K=1000.0 * profile.exchange_activation_kJ_mol / MOLAR_GAS,
        assumed=assumed,
    )
