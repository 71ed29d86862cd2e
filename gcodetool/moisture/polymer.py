"""Water in a polymer: how much it holds in equilibrium, how fast it moves.

A material's keys (wt %, °C, kJ/mol) become arrays over members of the ensemble (kg/kg, K);
the nominal parameters are an ensemble of one.  Filled grades: the fibre takes up nothing, so
contents and limits shrink with the polymer's share of the mass.
Left out: hysteresis between uptake and release, slow relaxation (PLA), swelling.
"""

import math
import zlib
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gcodetool.errors import OutOfRangeError
from gcodetool.moisture.air import in_range
from gcodetool.moisture.constants import MOLAR_GAS, REFERENCE_K, SMALLEST_ACTIVITY, WATER_KG_MOL
from gcodetool.moisture.record import strand_density_kg_m3
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from gcodetool.profiles import Adopted, Material, Pair

Floats = NDArray[np.float64]

CONDENSATION_J_MOL: Final = 44_000.0  # of water at 25 °C [handbook]; 41 600 at 80 °C
ROOM_ACTIVITY: Final = 0.5  # 50 % RH, the other half of the standard atmosphere 23/50

# A new sealed reel: 0.4 of its equilibrium at 23 °C/50 % RH, from 0.2 to 0.6 (own estimate; of 71 new nylon
# reels in one published trial more than half held over 0.75 wt %, a quarter of that equilibrium).
SEALED_SHARE: Final = (0.2, 0.4, 0.6)
# How well the winding lets vapour through, relative to void 0.25 and tortuosity 2 (own estimate: void 0.2 to
# 0.35, tortuosity 1.5 to 2.5 give 0.6 to 1.7).
BED_FACTOR: Final = (0.6, 1.0, 1.7)
# Where print limits lie, relative to the stated ones (own estimate; each user's inspections move it).  Wide enough to
# give way to what eyes see before the water does: the limits are estimates, the water is weighed or computed.
LIMIT_FACTOR: Final = (0.6, 1.0, 5 / 3)
COORDINATES: Final = (
    "uptake",
    "diffusivity",
    "growth",
    "activation",
    "sealed",
    "bed",
    "limit",
)  # of a member
DIMENSIONS: Final = len(COORDINATES)


@dataclass(frozen=True)
class Polymer:
    """Parameters of one material for every member; arrays of shape (members,), SI, content in kg/kg.

    Attributes
    ----------
    diffusivity_m2_s
        At 23 °C and no water.
    diffusivity_per_content
        Growth of ln D with content, per kg/kg.
    activation_K, sorption_K
        Activation energy and excess sorption enthalpy, over the gas constant.
    gab
        Which isotherm: GAB with ``(first, second, third) = (m0, C, K)``, or Henry and cluster with
        ``(f M_sat, (1 - f) M_sat, m)``; the one-parameter law is the latter with f = 0.
    limit_good, limit_marginal
        Of the same content.
    sealed_share, bed_factor, limit_factor
        See SEALED_SHARE, BED_FACTOR and LIMIT_FACTOR; the limits hold the last already.
    """

    diffusivity_m2_s: Floats
    diffusivity_per_content: Floats
    activation_K: Floats
    sorption_K: Floats
    gab: bool
    first: Floats
    second: Floats
    third: Floats
    limit_good: Floats
    limit_marginal: Floats
    sealed_share: Floats
    bed_factor: Floats
    limit_factor: Floats
    density_kg_m3: float

    @property
    def members(self) -> int:
        """How many members."""
        return int(self.diffusivity_m2_s.shape[0])

    @property
    def latent_J_kg(self) -> Floats:
        """Heat that water brings into a strand, and takes out of it again, (members,) [J/kg].

        That of condensation less the excess sorption enthalpy, which makes content at equal humidity rise
        with temperature.
        """
        return np.asarray((CONDENSATION_J_MOL - MOLAR_GAS * self.sorption_K) / WATER_KG_MOL)

    def equilibrium(self, activity: ArrayLike, temperature_K: ArrayLike) -> Floats:
        """Return the content in equilibrium, (…, members) [kg/kg].

        Beyond saturation and below zero the isotherm goes on as its tangent: no condensation is modelled.
        """
        a = np.asarray(activity, dtype=np.float64)[..., np.newaxis]
        warmth = self._warmth(temperature_K)
        inside = np.clip(a, 0.0, 1.0)
        return np.asarray(warmth * (self._isotherm(inside) + self._slope(inside) * (a - inside)))

    def activity(self, content: ArrayLike, temperature_K: float | Floats) -> Floats:
        """Return the activity, 0 to 1, at which each member holds *content* [kg/kg], (members,), by halving.

        The temperature: one for all, or (members,).

        >>> from gcodetool import profiles
        >>> wet = polymer(profiles.material("PETG"))
        >>> wet.activity(wet.room_equilibrium(), 296.15).round(6).tolist()
        [0.5]
        """
        wanted = np.broadcast_to(np.asarray(content, dtype=np.float64), (self.members,))
        low, high = np.zeros(self.members), np.ones(self.members)
        warmth = np.exp(-self.sorption_K * (1.0 / np.asarray(temperature_K) - 1.0 / REFERENCE_K))
        for _ in range(60):
            middle = 0.5 * (low + high)
            below = warmth * self._isotherm(middle) < wanted
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return 0.5 * (low + high)

    def own_equilibrium(self, activity: ArrayLike, temperature_K: ArrayLike) -> Floats:
        """Return each member's content in balance with air of its own, 0 to 1 and [K]; (members,) [kg/kg]."""
        inside = np.clip(np.asarray(activity, dtype=np.float64), 0.0, 1.0)
        kelvin = np.asarray(temperature_K, dtype=np.float64)
        warmth = np.exp(-self.sorption_K * (1.0 / kelvin - 1.0 / REFERENCE_K))
        return np.asarray(warmth * self._isotherm(inside * np.ones(self.members)))

    def diffusivity(self, temperature_K: ArrayLike, content: ArrayLike = 0.0) -> Floats:
        """Return D(T, c), (…, members) [m²/s]; *content* [kg/kg] has the members last, or is a number."""
        kelvin = np.asarray(temperature_K, dtype=np.float64)[..., np.newaxis]
        heat = np.exp(-self.activation_K * (1.0 / kelvin - 1.0 / REFERENCE_K))
        return np.asarray(
            self.diffusivity_m2_s * heat * np.exp(self.diffusivity_per_content * np.asarray(content))
        )

    def own_diffusivity(self, temperature_K: ArrayLike, content: ArrayLike) -> Floats:
        """Return D(T, c) of each member at a temperature of its own, (…, members) [m²/s]."""
        kelvin = np.asarray(temperature_K, dtype=np.float64)
        heat = np.exp(-self.activation_K * (1.0 / kelvin - 1.0 / REFERENCE_K))
        growth = np.exp(self.diffusivity_per_content * np.asarray(content))
        return np.asarray(self.diffusivity_m2_s * heat * growth)

    def room_equilibrium(self) -> Floats:
        """Return each member's own content at 23 °C and 50 % RH, (members,) [kg/kg]."""
        return self.equilibrium(ROOM_ACTIVITY, REFERENCE_K)

    def _warmth(self, temperature_K: ArrayLike) -> Floats:
        kelvin = np.asarray(temperature_K, dtype=np.float64)[..., np.newaxis]
        return np.asarray(np.exp(-self.sorption_K * (1.0 / kelvin - 1.0 / REFERENCE_K)))

    def _isotherm(self, a: Floats) -> Floats:
        if self.gab:
            m0, C, K = self.first, self.second, self.third
            return np.asarray(m0 * C * K * a / ((1 - K * a) * (1 - K * a + C * K * a)))
        low = np.maximum(a, SMALLEST_ACTIVITY)
        # a line near 0: the slope of a^m would be 0 there (m > 1) or have no bound (m < 1)
        cluster = np.where(
            a < SMALLEST_ACTIVITY, a * SMALLEST_ACTIVITY ** (self.third - 1.0), low**self.third
        )
        return np.asarray(self.first * a + self.second * cluster)

    def _slope(self, a: Floats) -> Floats:
        if self.gab:
            m0, C, K = self.first, self.second, self.third
            x, y = 1 - K * a, 1 - K * a + C * K * a
            # M = m0 C K a / (x y), x' = -K, y' = (C - 1) K
            return np.asarray(m0 * C * K / (x * y) * (1 + a * K / x - a * (C - 1) * K / y))
        low = np.maximum(a, SMALLEST_ACTIVITY)
        cluster = np.where(
            a < SMALLEST_ACTIVITY,
            SMALLEST_ACTIVITY ** (self.third - 1.0),
            self.third * low ** (self.third - 1.0),
        )
        return np.asarray(self.first + self.second * cluster)


def spread_evenly(members: int, seed: str) -> Floats:
    """Return *members* points that fill the unit cube evenly, (members, COORDINATES); a seed always the same.

    The additive recurrence ``(offset + k alpha_d) mod 1`` with alpha_d = phi^-d and phi the positive root of
    x^(D+1) = x + 1 (the plastic number's family) does so for any number of members.
    """
    root = 1.5
    for _ in range(60):
        root = (1.0 + root) ** (1.0 / (DIMENSIONS + 1))
    power = root ** np.arange(1.0, DIMENSIONS + 1)
    offset = (zlib.crc32(seed.encode()) * power) % 1.0
    return np.asarray((offset + np.arange(1, members + 1)[:, np.newaxis] / power) % 1.0)


def polymer(
    material: "Material",
    *,
    fibre_wt_pct: float = 0.0,
    members: int = 1,
    seed: str = "",
    at: Floats | None = None,
) -> Polymer:
    """Return *material*'s parameters as an ensemble; one member = the nominal values.

    Parameters
    ----------
    material : profiles.Material
        As its file states it.
    fibre_wt_pct
        Mass share of the filler, 0 to below 100.
    members
        1, or how many draws from the stated ranges.
    seed
        Shifts the draws; a spool's id, so that a spool's ensemble never changes.
    at : (members, COORDINATES), optional
        The members' coordinates in the unit cube, 0 and 1 at the ends of the ranges; else `spread_evenly`.

    Raises
    ------
    OutOfRangeError
        A fibre share or a number of members that cannot be.
    """
    share = 1.0 - float(in_range("fibre_wt_pct", fibre_wt_pct, 0.0, 99.0, "%")) / 100.0
    if members < 1:
        raise OutOfRangeError(f"members is {members}; take 1 (nominal) or more")
    if at is None and members > 1:
        at = spread_evenly(members, seed)
    elif at is not None:
        members = at.shape[0]
    draw = _Draw(members, at)
    uptake = _uptake_scale(material, draw)
    scale = uptake * share / 100.0
    sorption_K = np.full(members, 1000.0 * material.sorption_excess_enthalpy_kJ_mol / MOLAR_GAS)
    gab, first, second, third = _isotherm_parameters(material, scale)
    bare = Polymer(
        diffusivity_m2_s=draw.within(
            "diffusivity", material.diffusivity_23C_m2_s, material.diffusivity_range_m2_s, log=True
        ),
        diffusivity_per_content=draw.within(
            "growth",
            material.diffusivity_conc_coeff_per_wt_pct,
            material.diffusivity_conc_coeff_range_per_wt_pct,
        )
        * 100.0
        / share,  # D depends on the polymer's own content, which is the whole strand's over its share
        activation_K=draw.within(
            "activation", material.activation_energy_kJ_mol, material.activation_energy_range_kJ_mol
        )
        * 1000.0
        / MOLAR_GAS,
        sorption_K=sorption_K,
        gab=gab,
        first=first,
        second=second,
        third=third,
        limit_good=np.full(members, material.limit_good_wt_pct * share / 100.0),
        limit_marginal=np.full(members, material.limit_marginal_wt_pct * share / 100.0),
        sealed_share=draw.between("sealed", *SEALED_SHARE),
        bed_factor=draw.between("bed", *BED_FACTOR, log=True),
        limit_factor=draw.between("limit", *LIMIT_FACTOR, log=True),
        density_kg_m3=strand_density_kg_m3(material, fibre_wt_pct),
    )
    factor = material.limit_marginal_x_room_equilibrium
    if at is None:  # the stated limit is the nominal member's own, rounded
        return bare
    if material.adopted is not None:
        return _with_adopted(bare, material.adopted, draw, share)
    good = bare.limit_good * bare.limit_factor
    marginal = bare.limit_marginal if factor is None else factor * bare.room_equilibrium()
    marginal = np.maximum(marginal * bare.limit_factor, good)
    return replace(bare, limit_good=good, limit_marginal=marginal)


def _isotherm_parameters(material: "Material", scale: Floats) -> tuple[bool, Floats, Floats, Floats]:
    m0, C, K = material.isotherm_gab_m0_wt_pct, material.isotherm_gab_C, material.isotherm_gab_K
    one = np.ones_like(scale)
    if m0 is not None and C is not None and K is not None:
        return True, m0 * scale, C * one, K * one
    saturation = material.uptake_saturation_wt_pct
    fraction, exponent = material.isotherm_henry_fraction, material.isotherm_cluster_exponent
    if fraction is None or exponent is None:
        fraction, exponent = 0.0, material.isotherm_exponent or 1.0
    return False, fraction * saturation * scale, (1.0 - fraction) * saturation * scale, exponent * one


def _uptake_scale(material: "Material", draw: "_Draw") -> Floats:
    """Return the one factor that moves the whole isotherm (drawn apart its ends give impossible shapes)."""
    for nominal, between in (
        (material.uptake_50rh_wt_pct, material.uptake_50rh_range_wt_pct),
        (material.uptake_saturation_wt_pct, material.uptake_saturation_range_wt_pct),
    ):
        if nominal and between:
            return draw.between("uptake", between[0] / nominal, 1.0, between[1] / nominal)
    return np.ones(draw.members)


def _with_adopted(bare: Polymer, own: "Adopted", draw: "_Draw", share: float) -> Polymer:
    """Return members with limits that were learned from own prints: p10 and p90 are a tenth from the ends."""

    def learned(low: float, high: float) -> Floats:
        ends = (high / low) ** 0.125
        return draw.between("limit", low / ends, math.sqrt(low * high), high * ends, log=True) * share / 100.0

    good = learned(own.good_p10, own.good_p90)
    return replace(
        bare,
        limit_good=good,
        limit_marginal=np.maximum(learned(own.p10, own.p90), good),
        limit_factor=good / (own.stated_good_wt_pct * share / 100.0),
    )


class _Draw:
    """The members' parameters from their coordinates."""

    def __init__(self, members: int, at: Floats | None) -> None:
        self.members = members
        self.at = at

    def between(self, name: str, low: float, nominal: float, high: float, *, log: bool = False) -> Floats:
        """Return the nominal value (no coordinates), or the member's own place from *low* to *high*."""
        if self.at is None:
            return np.full(self.members, nominal)
        unit = self.at[:, COORDINATES.index(name)]
        if log:
            return np.asarray(low * (high / low) ** unit)
        return np.asarray(low + (high - low) * unit)

    def within(self, name: str, nominal: float, bounds: "Pair | None", *, log: bool = False) -> Floats:
        """Return the draws of a stated range; without one every member has the same."""
        low, high = bounds or (nominal, nominal)
        return self.between(name, low, nominal, high, log=log and low > 0)
