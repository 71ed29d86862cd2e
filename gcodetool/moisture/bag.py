"""Bags: how much water comes through their film and seams, by kind of film or as measured.

What a bag lets through is a permeance, times the difference of vapour pressures; it grows with temperature.
People know it as grams a day: of a reel's bag at 23 °C in air of 50 % RH, dry inside.  Left out: seals that are
not closed, pin holes (who knows of them states ``leak_g_per_day``).
"""

import math
from typing import Final

from gcodetool.moisture.air import vapour_pressure
from gcodetool.moisture.constants import DAY_S, MOLAR_GAS, REFERENCE_K, VAPOUR_GAS
from gcodetool.moisture.record import Place

STANDARD_PA: Final = float(
    vapour_pressure(REFERENCE_K, 50.0)
)  # against dry air: what grams a day are stated for
REEL_BAG_M2: Final = 0.15  # film around one reel: two sides of 0.25 by 0.3 m (own estimate)
ACTIVATION_J_MOL: Final = 33_500.0  # of water's permeability in polyethylene [handbook, recalled]

# Permeance of films, mg/(m² d Pa) at 23 °C.  Thin polyethylene: 1.8 to 3.2 at 38 °C, measured on 102 bags [read in
# an abstract], brought to 23 °C with the activation energy above.  Foil laminates let 100 times less through
# [recalled].  The others from usual transmission rates at 38 °C and 90 % RH, 0.7 and 5 g/(m² d) [recalled].
FILMS: Final = {"foil": 0.013, "metallised": 0.06, "polyamide-polyethylene": 0.44, "polyethylene": 1.3}
FILM_FACTOR: Final = (0.5, 2.0)  # thickness, seams and zip of a stated film (own estimate)
MEASURED_FACTOR: Final = (0.8, 1.25)  # of grams a day that somebody weighed (own estimate)
# A reel's bag of unknown film, g/d: from foil to thin polyethylene with a zip, even in the logarithm (own estimate).
UNSTATED_G_DAY: Final = (0.002, 0.4)
UNSTATED_MIDDLE_G_DAY: Final = 0.03


def leak_g_day(place: Place) -> float:
    """Return what a place lets through at 23 °C between 50 % RH and dry air [g/d], as stated or assumed; 0: nothing.

    >>> leak_g_day(Place("bag", "sealed", film="foil")), leak_g_day(Place("box", "box"))
    (0.0027, 0.0)
    """
    if place.leak_g_per_day is not None:
        return place.leak_g_per_day
    if place.film is not None:
        area_m2 = REEL_BAG_M2 if place.film_area_m2 is None else place.film_area_m2
        return round(FILMS[place.film] / 1000.0 * area_m2 * STANDARD_PA, 4)
    return UNSTATED_MIDDLE_G_DAY if place.kind == "sealed" else 0.0


def is_unstated(place: Place) -> bool:
    """Return whether a bag's leak is only assumed."""
    return place.kind == "sealed" and place.leak_g_per_day is None and place.film is None


def leak_range(place: Place) -> tuple[float, float]:
    """Return the factors between which the members' leak lies, relative to `leak_g_day`."""
    if place.leak_g_per_day is not None:
        return MEASURED_FACTOR
    if place.film is not None:
        return FILM_FACTOR
    low, high = UNSTATED_G_DAY
    return low / UNSTATED_MIDDLE_G_DAY, high / UNSTATED_MIDDLE_G_DAY


def stream_m3_s(place: Place, temperature_K: float) -> float:
    """Return the exchange of air that would let as much vapour through as the film does [m³/s].

    Vapour through a film goes with the difference of pressures, through a vent with that of densities; at one
    temperature these are the same but for a factor.
    """
    kg_s_Pa = leak_g_day(place) / 1000.0 / DAY_S / STANDARD_PA
    warmer = math.exp(-ACTIVATION_J_MOL / MOLAR_GAS * (1.0 / temperature_K - 1.0 / REFERENCE_K))
    return kg_s_Pa * warmer * VAPOUR_GAS * temperature_K
