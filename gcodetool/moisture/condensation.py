"""Water that condenses on a cold reel which is brought into warmer, damper air.

Heat and vapour come to the reel through the same still air, so how much condenses before it has warmed past the
dew point hangs on neither its shape nor the draught.  Left out: the core, which warms later than the face (more
condenses on an open flange, less on a full reel), frost that it carries, heat from a hand.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from gcodetool.moisture.air import (
    RADIATION_W_M2K,
    STILL_CONVECTION_W_M2K,
    STILL_MASS_M_S,
    dew_point,
    saturation_pressure,
    vapour_density,
    vapour_pressure,
)
from gcodetool.moisture.constants import ZERO_CELSIUS_K

HEAT_J_KGK: Final = 1300.0  # of filament and reel [as the winding's]
LATENT_J_KG: Final = 2.47e6  # of water at 10 to 15 °C
FACE_M2_KG: Final = 0.09  # of a reel of a kilogram: a hub of 80 mm, 200 mm across, 60 mm wide
LEAST_K: Final = 0.5  # below the dew point: less is what thermometers are off by
STEPS: Final = 400
CORE_S: Final = 7200.0  # until the middle of 60 mm of winding follows its face: (30 mm)² over 1.2e-7 m²/s
WARM: Final = 0.05  # of the difference: what is left when a reel is called warm


@dataclass(frozen=True)
class Condensation:
    """What happens to a cold reel in a room: dew point [°C], water on it [g], until it is warm in its bag [s]."""

    reel_C: float
    dew_point_C: float
    grams: float
    warm_s: float


def condensation(reel_C: float, room_C: float, room_rh_pct: float, mass_kg: float) -> Condensation | None:
    """Return what condenses on a reel of so much mass; None: it is not below the room's dew point.

    >>> found = condensation(2.0, 22.0, 50.0, 1.0)
    >>> round(found.dew_point_C, 1), round(found.grams, 1), round(found.warm_s / 3600.0, 1)
    (11.1, 0.6, 4.4)
    >>> condensation(15.0, 22.0, 50.0, 1.0)
    """
    vapour = float(vapour_pressure(room_C + ZERO_CELSIUS_K, room_rh_pct))
    dew_C = float(dew_point(vapour)) - ZERO_CELSIUS_K
    if not reel_C < dew_C - LEAST_K:
        return None
    # per square metre and kelvin of warming: what comes as vapour over what comes as heat
    kelvin = np.linspace(reel_C, dew_C, STEPS) + ZERO_CELSIUS_K
    room_K = room_C + ZERO_CELSIUS_K
    excess = vapour_density(room_K, vapour) - vapour_density(kelvin, saturation_pressure(kelvin))
    wet = STILL_MASS_M_S * np.maximum(excess, 0.0)
    heat = (RADIATION_W_M2K + STILL_CONVECTION_W_M2K) * (room_K - kelvin) + LATENT_J_KG * wet
    grams = 1000.0 * mass_kg * HEAT_J_KGK * float(np.trapezoid(wet / heat, kelvin))
    follows_s = HEAT_J_KGK / (FACE_M2_KG * (RADIATION_W_M2K + STILL_CONVECTION_W_M2K) / 2.0)
    return Condensation(reel_C, dew_C, grams, CORE_S + follows_s * float(np.log(1.0 / WARM)))
