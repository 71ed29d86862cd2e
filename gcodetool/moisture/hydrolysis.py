"""What water does in the melt: the pressure of its steam, and the chains that it cuts or lets grow.

Plain functions of numbers.  Steam: the vapour pressure over liquid water, as a measure of how hard
water in the melt pushes; only ratios of it are used.  Chains: one molecule of water cuts one link.  In
polyesters, polycarbonate and polyurethane at a rate of first order in the water (`Chains`); in polyamides towards a
balance, which dry melts reach from the other side: their chains grow (`AmideBalance`).
Left out: how bubbles grow, chains lost to heat alone, and water that leaves the melt meanwhile.
"""

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from gcodetool.errors import OutOfRangeError
from gcodetool.moisture.air import (
    COEFFICIENTS,
    CRITICAL_POINT_K,
    CRITICAL_PRESSURE_PA,
    TRIPLE_POINT_K,
    saturation_pressure,
)
from gcodetool.moisture.constants import MOLAR_GAS, VAPOUR_GAS, WATER_KG_MOL, ZERO_CELSIUS_K
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from gcodetool.profiles import Material

WATER_G_MOL: Final = 1000 * WATER_KG_MOL


@dataclass(frozen=True)
class Chains:
    """What a polymer's chains are, and how fast water cuts them for good.

    Attributes
    ----------
    mean_g_mol : number average of a chain's mass, as sold for printing. [g/mol]
    rate_per_s : share of the water that reacts per second at *at_C*, to begin with. [1/s]
    at_C : where that holds. [°C]
    activation_kJ_mol : how it grows with temperature. [kJ/mol]
    factor : the rate may be this many times more or less. [-]
    published : rates were measured for this polymer; else a loss is told in words, not in per cent.
    """

    mean_g_mol: float
    rate_per_s: float
    at_C: float
    activation_kJ_mol: float = 80.0
    factor: float = 3.0
    published: bool = False

    def faster(self, factor: float) -> "Chains":
        """Return the same with that many times the rate."""
        return replace(self, rate_per_s=factor * self.rate_per_s)

    def cut_mol_kg(self, water_wt_pct: float, temperature_C: float, seconds: float) -> float:
        """Return the links cut after *seconds* in the melt: x w/18, x = 1 - exp(-k t). [mol/kg]"""
        rate = self.rate_per_s * _arrhenius(self.activation_kJ_mol, temperature_C, self.at_C)
        return -math.expm1(-rate * max(0.0, seconds)) * 10 * max(0.0, water_wt_pct) / WATER_G_MOL


@dataclass(frozen=True)
class AmideBalance:
    """A polyamide's chains: link + water <-> two chain ends, K = [link] [water] / [end]².

    Attributes
    ----------
    mean_g_mol : number average of a chain's mass, as sold for printing; each has one end of both kinds. [g/mol]
    links_mol_kg : amide links in the melt. [mol/kg]
    constant : K at *at_C*. [-]
    build_kg_mol_s : the rate constant of chain ends that meet, at *at_C*. [kg/(mol s)]
    at_C : where both hold. [°C]
    heat_kJ_mol, activation_kJ_mol : how they change with temperature. [kJ/mol]
    factor : rates may be this many times more or less. [-]
    published : measured for this polymer; else a loss is told in words, not in per cent.
    """

    mean_g_mol: float
    links_mol_kg: float
    constant: float = 440.0
    build_kg_mol_s: float = 2.1e-3
    at_C: float = 260.0
    heat_kJ_mol: float = -25.0
    activation_kJ_mol: float = 90.0
    factor: float = 3.0
    published: bool = False

    def faster(self, factor: float) -> "AmideBalance":
        """Return the same with that many times the rate, and the same balance."""
        return replace(self, build_kg_mol_s=factor * self.build_kg_mol_s)

    def constant_at(self, temperature_C: float) -> float:
        """Return K at a temperature (van 't Hoff). [-]"""
        return self.constant * _arrhenius(self.heat_kJ_mol, temperature_C, self.at_C)

    def turns_at_wt_pct(self, temperature_C: float) -> float:
        """Return the water content at which nothing changes: below it chains grow, above it they are cut. [wt %]

        >>> round(CHAINS["PA6"].turns_at_wt_pct(260.0), 2)
        0.28
        """
        ends = 1000 / self.mean_g_mol
        return self.constant_at(temperature_C) * ends**2 / self.links_mol_kg * WATER_G_MOL / 10

    def cut_mol_kg(self, water_wt_pct: float, temperature_C: float, seconds: float) -> float:
        """Return the links cut after *seconds* in the melt, negative where chains grow. [mol/kg]

        dx/dt = a (w - x) - b (e + x)² with a = b [link]/K, solved in closed form; links are plenty, so [link] stays.
        """
        build = self.build_kg_mol_s * _arrhenius(self.activation_kJ_mol, temperature_C, self.at_C)
        cut = build * self.links_mol_kg / self.constant_at(temperature_C)
        ends, water = 1000 / self.mean_g_mol, 10 * max(0.0, water_wt_pct) / WATER_G_MOL
        start, slope = cut * water - build * ends**2, cut + 2 * build * ends
        root = math.sqrt(slope**2 + 4 * build * start)
        turned = math.tanh(0.5 * root * max(0.0, seconds))
        return 2 * start * turned / (root + slope * turned)


# By the material profile's key; docs/tweaks.md says from what, and what was seen of it.  PLA stands in no table: at any
# rate that resin makers' 250 ppm ask for, strand from an open shelf would lose a fifth of its length in a nozzle, and its
# own limit note says that it stays sound.
CHAINS: Final[dict[str, Chains | AmideBalance]] = {
    "PETG": Chains(22_000, 3e-3, 250),
    "PCTG": Chains(22_000, 3e-3, 250),
    "PET_AMORPHOUS": Chains(20_000, 5e-3, 270, published=True),
    "PC": Chains(12_000, 2e-3, 280),
    "TPU_95A": Chains(40_000, 1e-3, 220),
    "PA6": AmideBalance(18_000, 8.84, published=True),
    "PA6_66": AmideBalance(18_000, 8.84, published=True),
    "PA12": AmideBalance(20_000, 5.07),
}
WITHOUT_RATE: Final = ("PLA",)  # hydrolyses, and no rate agrees with what is seen
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


def chains_of(key: str) -> Chains | AmideBalance | None:
    """Return the chains of the material with profile *key*; a guess where no table holds it, None where none fits."""
    name = key.upper().replace("-", "_")
    return None if name in WITHOUT_RATE else CHAINS.get(name, OTHER)


def chain_loss(
    chains: Chains | AmideBalance, water_wt_pct: float, temperature_C: float, seconds: float
) -> float:
    """Return the share of the mean chain length that is lost on the way through the melt; negative: it grows. [-]

    1/M = 1/M0 + x, with the links x that are cut per mass.

    >>> round(1 - chain_loss(Chains(20_000, 1.0, 280.0), 0.02, 280.0, 1e6), 2)  # all of it: 20,000 to 16,400
    0.82
    >>> chain_loss(CHAINS["PA6"], 0.05, 260.0, 600.0) < 0 < chain_loss(CHAINS["PA6"], 0.5, 260.0, 600.0)
    True
    """
    return 1 - 1 / (1 + chains.mean_g_mol / 1000 * chains.cut_mol_kg(water_wt_pct, temperature_C, seconds))


def loss_of(material: "Material", water_wt_pct: float, temperature_C: float, seconds: float) -> float:
    """Return a material's :func:`chain_loss`; 0 where water cuts none of its chains, or how fast is not known. [-]"""
    chains = chains_of(material.key) if material.hydrolyses else None
    return 0.0 if chains is None else chain_loss(chains, water_wt_pct, temperature_C, seconds)


def borne_s(chains: Chains | AmideBalance, water_wt_pct: float, temperature_C: float, share: float) -> float:
    """Return the time in the melt after which *share* of the mean chain length is lost; infinite: never. [s]"""
    if chain_loss(chains, water_wt_pct, temperature_C, math.inf) <= share:
        return math.inf
    low, high = 0.0, 1e7
    for _ in range(80):
        middle = (low + high) / 2
        if chain_loss(chains, water_wt_pct, temperature_C, middle) < share:
            low = middle
        else:
            high = middle
    return high


def _arrhenius(energy_kJ_mol: float, temperature_C: float, at_C: float) -> float:
    """Return exp(-E/R (1/T - 1/T_at)). [-]"""
    inverse = 1 / (temperature_C + ZERO_CELSIUS_K) - 1 / (at_C + ZERO_CELSIUS_K)
    return math.exp(-energy_kJ_mol * 1000 / MOLAR_GAS * inverse)


def steam_volume(water_mg: float, temperature_C: float) -> float:
    """Return the volume of *water_mg* as steam at 1 bar. [mm³]

    >>> round(steam_volume(0.001, 220.0), 2)
    2.28
    """
    return water_mg * 1e-6 * VAPOUR_GAS * (temperature_C + ZERO_CELSIUS_K) / 1e5 * 1e9
