"""What water does in the melt: the pressure of its steam, and the chains that it cuts.

Plain functions of numbers.  Steam: the vapour pressure over liquid water, as a measure of how hard
water in the melt pushes; only ratios of it are used.  Chains: one molecule of water cuts one link,
at a rate of first order in the water.  Left out: how bubbles grow, and chains lost to heat alone.
"""

import math
from dataclasses import dataclass
from typing import Final

from gcodetool.errors import OutOfRangeError
from gcodetool.moisture.air import (
    COEFFICIENTS,
    CRITICAL_POINT_K,
    CRITICAL_PRESSURE_PA,
    TRIPLE_POINT_K,
    saturation_pressure,
)
from gcodetool.moisture.constants import MOLAR_GAS, VAPOUR_GAS, WATER_KG_MOL, ZERO_CELSIUS_K


@dataclass(frozen=True)
class Chains:
    """What a polymer's chains are, and how fast water cuts them.

    Attributes
    ----------
    mean_g_mol : number average of a chain's mass, as sold for printing. [g/mol]
    rate_per_s : share of the water that reacts per second at *at_C*, to begin with. [1/s]
    at_C : where that holds. [°C]
    activation_kJ_mol : how it grows with temperature. [kJ/mol]
    factor : the rate may be this many times more or less. [-]
    """

    mean_g_mol: float
    rate_per_s: float
    at_C: float
    activation_kJ_mol: float = 80.0
    factor: float = 3.0


# All recalled or estimated: docs/tweaks.md says from what.  By the material profile's key.
CHAINS: Final = {
    "PLA": Chains(80_000, 5e-4, 200),
    "PETG": Chains(22_000, 3e-3, 250),
    "PCTG": Chains(22_000, 3e-3, 250),
    "PET_AMORPHOUS": Chains(20_000, 5e-3, 270),
    "PC": Chains(12_000, 2e-3, 280),
    "TPU_95A": Chains(40_000, 1e-3, 220),
    "PA6": Chains(18_000, 3e-4, 260),
    "PA6_66": Chains(18_000, 3e-4, 260),
    "PA12": Chains(20_000, 3e-4, 260),
}
OTHER: Final = Chains(25_000, 3e-3, 250, factor=10.0)  # a polymer that hydrolyses and stands in no table


def steam_pressure(temperature_C: float) -> float:
    """Return the pressure of water's steam over its liquid, beyond the critical point too. [Pa]

    >>> round(steam_pressure(100.0), -2), round(steam_pressure(250.0) / 1e6, 3)
    (101400.0, 3.976)

    Raises
    ------
    OutOfRangeError
        Below 0.01 °C.

    References
    ----------
    `saturation_pressure`.  Above the critical point, 373.9 °C, which high-temperature polymers
    pass, the curve goes on with its slope there (Clausius and Clapeyron): good for a ratio only.
    """
    kelvin = temperature_C + ZERO_CELSIUS_K
    if not kelvin >= TRIPLE_POINT_K:
        raise OutOfRangeError(f"temperature is {temperature_C:g} °C, below 0.01")
    if kelvin > CRITICAL_POINT_K:
        return CRITICAL_PRESSURE_PA * math.exp(-float(COEFFICIENTS[0]) * (1 - CRITICAL_POINT_K / kelvin))
    return float(saturation_pressure(kelvin))


def chains_of(key: str) -> Chains:
    """Return the chains of the material with profile *key*; of one that no table holds, a guess."""
    return CHAINS.get(key.upper().replace("-", "_"), OTHER)


def reacted(chains: Chains, temperature_C: float, seconds: float) -> float:
    """Return the share of the water that has cut a link after *seconds* in the melt. [-]

    First order: 1 - exp(-k t), k by Arrhenius from the chains' own figure.

    >>> round(reacted(CHAINS["PETG"], 250.0, 20.0), 3)
    0.058
    """
    inverse = 1 / (temperature_C + ZERO_CELSIUS_K) - 1 / (chains.at_C + ZERO_CELSIUS_K)
    rate = chains.rate_per_s * math.exp(-chains.activation_kJ_mol * 1000 / MOLAR_GAS * inverse)
    return -math.expm1(-rate * max(0.0, seconds))


def chain_loss(chains: Chains, water_wt_pct: float, temperature_C: float, seconds: float) -> float:
    """Return the share of the mean chain length that is lost on the way through the melt. [-]

    1/M = 1/M0 + x w/18, with the share x of the water w (mass fraction) that reacts.

    >>> round(1 - chain_loss(Chains(20_000, 1.0, 280.0), 0.02, 280.0, 1e6), 2)  # all of it: 20,000 to 16,400
    0.82
    """
    cut = reacted(chains, temperature_C, seconds) * max(0.0, water_wt_pct) / 100 / (1000 * WATER_KG_MOL)
    return 1 - 1 / (1 + chains.mean_g_mol * cut)


def steam_volume(water_mg: float, temperature_C: float) -> float:
    """Return the volume of *water_mg* as steam at 1 bar. [mm³]

    >>> round(steam_volume(0.001, 220.0), 2)
    2.28
    """
    return water_mg * 1e-6 * VAPOUR_GAS * (temperature_C + ZERO_CELSIUS_K) / 1e5 * 1e9
