"""Air and its water: saturation, vapour pressure, humidity, dew point, diffusivity.

Plain functions of numbers or arrays.  Inside, temperatures are kelvin and pressures pascal; at
the edge stand degrees Celsius and per cent, named so.  Humidity is always taken relative to
liquid water, below the freezing point too, as hygrometers and weather services do.
Left out: total pressure other than one standard atmosphere (it enters the diffusivity only).
"""

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gcodetool.errors import OutOfRangeError
from gcodetool.moisture.constants import MOLAR_GAS, VAPOUR_GAS, ZERO_CELSIUS_K
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from gcodetool import profiles

Floats = NDArray[np.float64]

TRIPLE_POINT_K: Final = 273.16
CRITICAL_POINT_K: Final = 647.096
CRITICAL_PRESSURE_PA: Final = 22.064e6
LOWEST_K: Final = 213.15  # -60 °C; the Magnus form is stated to -45 and goes on smoothly
MAGNUS_PA: Final = 611.2  # the Magnus form: this, times the exponential of 17.62 t/(243.12 + t)
MAGNUS_FACTOR: Final = 17.62
MAGNUS_C: Final = 243.12
STANDARD_PRESSURE_PA: Final = 101_325.0
# of t, t^1.5, t^3, t^3.5, t^4 and t^7.5, where t = 1 - T / T_critical
COEFFICIENTS: Final = (-7.85951783, 1.84408259, -11.7866497, 22.6807411, -15.9618719, 1.80122502)

# Film coefficients at the face of a winding.  Own estimates: free convection about 5 W/(m² K) and as much by
# radiation in still air; mass transfer by the Lewis relation, h_m = h_c/(rho c_p Le^(2/3)) with
# rho c_p = 1210 J/(m³ K), Le = 0.88.  A draught factor multiplies convection and mass transfer.
RADIATION_W_M2K: Final = 5.0
STILL_CONVECTION_W_M2K: Final = 5.0
STILL_MASS_M_S: Final = 0.0045
STILL_HEAT_W_M2K: Final = RADIATION_W_M2K + STILL_CONVECTION_W_M2K
STILL: Final = 1.0  # draught factor of room air
FAN: Final = 3.0  # of a dryer that states none; 1 (no fan) to 6 (a strong one at the reel) (own estimate)
# What a draught adds to the way through an open flange, per unit of draught above 1 (own estimate, 0 to 1: 1 m/s
# against gaps of half a millimetre drives 0.6 mm/s through them, about what diffusion does over half a reel).
THROUGH: Final = 0.5
TRACE_PA: Final = 1e-6  # the least vapour that members' own air is a multiple of
# Handbooks and makers state what agents hold at 25 °C; at another temperature its humidities shift (docs/physics.md, 2).
DESICCANT_TABLE_K: Final = 298.15  # of the profiles' tables
SPENT_RH_PCT: Final = 20.0  # air over a desiccant above which it is called spent; see `drying_agent`


@dataclass(frozen=True)
class DesiccantIsotherm:
    """What a drying agent holds in equilibrium at 25 °C: per cent of its dry mass over per cent RH, 0 to 100.

    `fresh_rh_pct` is the humidity that a newly regenerated charge starts from; `spent_rh_pct` the one over it
    at which it is called spent.
    """

    rh_pct: tuple[float, ...]
    content_wt_pct: tuple[float, ...]
    fresh_rh_pct: float
    spent_rh_pct: float = SPENT_RH_PCT

    def content(self, activity: float) -> float:
        """Return what it holds at an activity, 0 to 1 [kg/kg].

        >>> DesiccantIsotherm((0.0, 10.0, 100.0), (0.0, 6.0, 24.0), 10.0).content(0.05)
        0.03
        """
        return float(np.interp(100.0 * activity, self.rh_pct, self.content_wt_pct)) / 100.0


def drying_agent(
    profile: "profiles.Desiccant", temperature_K: float = DESICCANT_TABLE_K
) -> DesiccantIsotherm:
    """Return a desiccant's isotherm at a temperature: a line through nothing at 0 % and its stated points.

    Water that is held with `excess_heat_kJ_mol` more than it takes to condense stands under more humid air when it
    is warmer (van 't Hoff): silica gel that holds its 20 % RH at 25 °C stands under 21 % RH at 40 °C.

    Beyond the last point its last slope goes on.  One that states no points but a fixed humidity
    (deliquescent) holds its own dry mass there, over two per cent of humidity: own estimate.
    Fresh is `lowest_practical_rh_pct`; spent 20 % RH, or 5 more than it can reach or keep (own estimate: cards
    for dry storage warn from 10 %).
    """
    points = list(profile.capacity_at_rh)
    fixed = profile.equilibrium_rh_pct
    if not points and fixed is not None:
        low = min(max(fixed, 2.0), 98.0)
        points = [(low - 1.0, 10.0), (low + 1.0, 110.0)]
    if points[0][0] > 0.0:
        points.insert(0, (0.0, 0.0))
    if points[-1][0] < 100.0:
        (x0, y0), (x1, y1) = points[-2], points[-1]
        more = (y1 - y0) / (x1 - x0) * (100.0 - x1)
        points.append((100.0, y1 + (10.0 if not profile.capacity_at_rh else more)))
    fresh = profile.lowest_practical_rh_pct
    if fresh is None:
        fresh = 5.0 if fixed is None else max(0.0, fixed - 1.0)
    spent = max(SPENT_RH_PCT, fresh + 5.0, 0.0 if fixed is None else fixed + 5.0)
    excess_K = (profile.excess_heat_kJ_mol or 0.0) * 1000.0 / MOLAR_GAS
    warmer = math.exp(excess_K * (1.0 / DESICCANT_TABLE_K - 1.0 / temperature_K))
    inner = [(x * warmer, y) for x, y in points[1:-1] if x * warmer < points[-1][0]]
    rh, content = zip(points[0], *inner, points[-1], strict=True)
    return DesiccantIsotherm(rh, content, fresh, spent)


def desiccant(name: str) -> DesiccantIsotherm:
    """Return the isotherm of the desiccant whose profile answers to *name*; errors as in `profiles.desiccant`.

    >>> desiccant("clay").spent_rh_pct
    20.0
    """
    from gcodetool import profiles

    return drying_agent(profiles.desiccant(name))


@dataclass(frozen=True, eq=False)
class OwnAir:
    """How each member's own air differs from the one that is stated; one number for all, or (members,) each.

    Attributes
    ----------
    warmer_K
        Added to the temperature.
    moister, incoming
        Factors on the vapour pressure, and on that of the air which a closed place exchanges.
    exchange, draught
        Factors on how much it exchanges, and on how a fan moves it.
    vent_m3_s
        What the vents of a place that is not closed let through; infinite: it is the room's own air.
    """

    warmer_K: float | Floats = 0.0
    moister: float | Floats = 1.0
    incoming: float | Floats = 1.0
    exchange: float | Floats = 1.0
    draught: float | Floats = 1.0
    vent_m3_s: float | Floats = math.inf


AS_STATED: Final = OwnAir()


@dataclass(frozen=True)
class Air:
    """The air around a spool, constant for a while, and how the spool's face meets it.

    Attributes
    ----------
    temperature_K, vapour_Pa
        Of the air, as stated.  In a closed place `vapour_Pa` is only where the air starts.
    own
        How the members' own air differs from what the other attributes say.
    closed
        No vapour crosses the outside of the bag or box; `air_m3` of air stand around the winding.
    desiccant, desiccant_kg
        In a closed place, in equilibrium with its air.
    heat_W_m2K, mass_m_s
        Film coefficients at the face of the winding.
    through
        Factor of a draught on the way through open flanges.
    exchange_m3_s, exchange_kg_m3
        Of a closed place: air that it exchanges with its room, and the vapour in that.
    """

    temperature_K: float
    vapour_Pa: float
    closed: bool = False
    air_m3: float = 0.0
    desiccant: DesiccantIsotherm | None = None
    desiccant_kg: float = 0.0
    heat_W_m2K: float = STILL_HEAT_W_M2K
    mass_m_s: float = STILL_MASS_M_S
    through: float = 1.0
    exchange_m3_s: float = 0.0
    exchange_kg_m3: float = 0.0
    own: OwnAir = AS_STATED

    @property
    def rh_pct(self) -> float:
        """Relative humidity as stated, per cent."""
        return 100.0 * self.vapour_Pa / float(saturation_pressure(self.temperature_K))

    @property
    def members_K(self) -> float | Floats:
        """The members' temperature: one for all, or (members,)."""
        return self.temperature_K + self.own.warmer_K

    @property
    def members_Pa(self) -> float | Floats:
        """The members' vapour pressure, never above saturation: one for all, or (members,)."""
        if self.own is AS_STATED:
            return self.vapour_Pa
        vapour = np.maximum(self.vapour_Pa, TRACE_PA) * self.own.moister
        return np.asarray(np.minimum(vapour, saturation_pressure(self.members_K)))

    @property
    def members_rh_pct(self) -> float | Floats:
        """The members' relative humidity, per cent: one for all, or (members,)."""
        if self.own is AS_STATED:
            return self.rh_pct
        return np.asarray(100.0 * self.members_Pa / saturation_pressure(self.members_K))

    @property
    def members_mass_m_s(self) -> float | Floats:
        """The members' film coefficient of vapour: one for all, or (members,)."""
        return self.mass_m_s * self.own.draught

    @property
    def members_through(self) -> float | Floats:
        """The members' factor on the way through open flanges: one for all, or (members,)."""
        if self.own is AS_STATED:
            return self.through
        return np.maximum(0.0, 1.0 + THROUGH * (self.members_mass_m_s / STILL_MASS_M_S - 1.0))

    @property
    def members_exchange(self) -> tuple[float | Floats, float | Floats]:
        """What the members' place exchanges [m³/s], and the vapour in that [kg/m³], never above saturation."""
        if not self.closed:
            return self.own.vent_m3_s, 0.0
        if self.own is AS_STATED:
            return self.exchange_m3_s, self.exchange_kg_m3
        kelvin = self.members_K
        density = self.exchange_kg_m3 * self.own.incoming * self.temperature_K / kelvin
        full = vapour_density(kelvin, saturation_pressure(kelvin))
        return self.exchange_m3_s * self.own.exchange, np.minimum(density, full)

    def activity_over(self, store_kg: ArrayLike) -> Floats:
        """Return the activity at which a closed place's air and desiccant share *store_kg*; NaN: there is neither."""
        at = np.array([0.0, 1.0] if self.desiccant is None else self.desiccant.rh_pct)
        held = np.zeros(2)
        if self.desiccant is not None:
            at = at / 100.0
            held = self.desiccant_kg * np.array(self.desiccant.content_wt_pct) / 100.0
        if self.air_m3 <= 0.0 and held[-1] <= 0.0:
            return np.full(np.shape(store_kg), np.nan)
        full = self.air_m3 * vapour_density(self.members_K, saturation_pressure(self.members_K))
        store = np.asarray(store_kg, dtype=np.float64)
        if full.ndim == 0:
            return np.asarray(np.interp(store, held + float(full) * at, at))
        return np.array([np.interp(one, held + air * at, at) for one, air in zip(store, full, strict=True)])

    def store_at(self, activity: ArrayLike) -> Floats:
        """Return what a closed place's air and desiccant hold at the members' activity [kg]; back: `activity_over`."""
        at = np.asarray(activity, dtype=np.float64)
        held = self.air_m3 * vapour_density(self.members_K, saturation_pressure(self.members_K)) * at
        if self.desiccant is not None:
            agent = self.desiccant
            held = (
                held + self.desiccant_kg * np.interp(100.0 * at, agent.rh_pct, agent.content_wt_pct) / 100.0
            )
        return np.asarray(held)

    @property
    def temperature_C(self) -> float:
        """Temperature, °C."""
        return self.temperature_K - ZERO_CELSIUS_K


def in_range(name: str, value: ArrayLike, low: float, high: float, unit: str) -> Floats:
    """Return *value* as an array; NaN stays NaN.

    Raises
    ------
    OutOfRangeError
        With the first value that lies outside *low* to *high*.
    """
    array = np.asarray(value, dtype=np.float64)
    if array.size and array.min() >= low and array.max() <= high:
        return array
    outside = (array < low) | (array > high)
    if outside.any():
        first = array[outside].flat[0]
        raise OutOfRangeError(f"{name} is {first:g} {unit}, outside {low:g} to {high:g} {unit}")
    return array


def saturation_pressure(temperature_K: ArrayLike) -> Floats:
    """Return the vapour pressure of water over its liquid.

    >>> saturation_pressure([293.15, 353.15, 373.15]).round().tolist()
    [2339.0, 47416.0, 101418.0]
    >>> float(saturation_pressure(253.15).round(1))  # supercooled, -20 °C
    126.0

    Parameters
    ----------
    temperature_K : any shape
        From -60 °C, 213.15, to the critical point, 647.096. [K]

    Returns
    -------
    Pressure, of the same shape. [Pa]

    Raises
    ------
    OutOfRangeError
        Outside that range.

    References
    ----------
    .. [1] IAPWS SR1-86(1992), "Saturation Properties of Ordinary Water Substance", eq. 1;
       above the triple point.
    .. [2] WMO-No. 8, annex 4.B, the Magnus form over (supercooled) water; below it.
    """
    temperature = in_range("temperature", temperature_K, LOWEST_K, CRITICAL_POINT_K, "K")
    t = np.maximum(1.0 - temperature / CRITICAL_POINT_K, 0.0)
    root, cube = np.sqrt(t), t * t * t
    a, b, c, d, e, f = COEFFICIENTS
    series = a * t + b * (t * root) + c * cube + d * (cube * root) + e * (cube * t)
    series += f * (cube * cube * t * root)
    liquid = CRITICAL_PRESSURE_PA * np.exp(series * CRITICAL_POINT_K / temperature)
    if temperature.size and temperature.min() >= TRIPLE_POINT_K:
        return np.asarray(liquid)
    return np.asarray(np.where(temperature < TRIPLE_POINT_K, _magnus(temperature), liquid))


def _magnus(temperature_K: Floats) -> Floats:
    """Return the Magnus form of the vapour pressure over water, -45 to 60 °C [Pa]."""
    celsius = np.maximum(temperature_K - ZERO_CELSIUS_K, -60.0)
    return np.asarray(MAGNUS_PA * np.exp(MAGNUS_FACTOR * celsius / (MAGNUS_C + celsius)))


def vapour_pressure(temperature_K: ArrayLike, rh_pct: ArrayLike) -> Floats:
    """Return the vapour pressure of air at *temperature_K* and 0 to 100 *rh_pct* [Pa].

    Raises
    ------
    OutOfRangeError
        For a humidity outside 0 to 100 % or a temperature outside the equation's range.
    """
    humidity = in_range("relative humidity", rh_pct, 0.0, 100.0, "%")
    return np.asarray(humidity / 100.0 * saturation_pressure(temperature_K))


def vapour_density(temperature_K: ArrayLike, vapour_Pa: ArrayLike) -> Floats:
    """Return the mass of vapour in a volume of air [kg/m³], an ideal gas.

    >>> float((1000 * vapour_density(296.15, vapour_pressure(296.15, 50))).round(1))  # g/m³ at 23 °C, 50 % RH
    10.3
    """
    return np.asarray(np.asarray(vapour_Pa) / (VAPOUR_GAS * np.asarray(temperature_K)))


def dew_point(vapour_Pa: ArrayLike) -> Floats:
    """Return the temperature at which vapour of this pressure condenses [K]; NaN where there is none.

    The Magnus form inverted, then two Newton steps on `saturation_pressure`.

    >>> float(dew_point(saturation_pressure(285.15)).round(3))
    285.15
    """
    pressure = np.asarray(vapour_Pa, dtype=np.float64)
    g = np.log(np.where(pressure > 0, pressure, np.nan) / MAGNUS_PA)
    kelvin = np.clip(ZERO_CELSIUS_K + MAGNUS_C * g / (MAGNUS_FACTOR - g), LOWEST_K, CRITICAL_POINT_K - 1.0)
    for _ in range(2):
        here = saturation_pressure(kelvin)
        slope = (saturation_pressure(kelvin + 1e-3) - here) / 1e-3
        kelvin = np.clip(kelvin + (pressure - here) / slope, LOWEST_K, CRITICAL_POINT_K - 1.0)
    return np.asarray(kelvin)


def vapour_diffusivity(temperature_K: ArrayLike, pressure_Pa: float = STANDARD_PRESSURE_PA) -> Floats:
    """Return the diffusivity of vapour in air [m²/s]; handbook form, recalled.

    >>> vapour_diffusivity([298.15, 353.15]).round(7).tolist()
    [2.53e-05, 3.44e-05]
    """
    ratio = np.asarray(temperature_K, dtype=np.float64) / ZERO_CELSIUS_K
    return np.asarray(2.16e-5 * ratio**1.81 * (STANDARD_PRESSURE_PA / pressure_Pa))


def room_air(temperature_C: float, rh_pct: float, **films: Any) -> Air:
    """Return open air as a thermometer and a hygrometer read it.

    >>> room = room_air(23, 50)
    >>> round(room.vapour_Pa), round(room.rh_pct)
    (1405, 50)
    """
    kelvin = temperature_C + ZERO_CELSIUS_K
    return Air(kelvin, float(vapour_pressure(kelvin, rh_pct)), **films)


def heated_air(
    temperature_C: float, vapour_Pa: float, *, fan: bool = True, draught: float | None = None
) -> Air:
    """Return a dryer's air: heated, its vapour pressure kept (never above saturation).

    *draught* is the factor of its fan; not stated, 3 with a *fan* and 1 without.
    """
    kelvin = temperature_C + ZERO_CELSIUS_K
    vapour = min(vapour_Pa, float(saturation_pressure(kelvin)))
    return blown(Air(kelvin, vapour), (FAN if fan else STILL) if draught is None else draught)


def exchanging(air: Air, stream_m3_s: float, vapour_Pa: float) -> Air:
    """Return a closed place's air that is exchanged with air of that vapour pressure, at its temperature.

    As much dry air goes out as comes in, so in the end it is that air's; never above saturation.
    """
    if not air.closed or stream_m3_s <= 0.0:
        return replace(air, exchange_m3_s=0.0, exchange_kg_m3=0.0)
    vapour = min(vapour_Pa, float(saturation_pressure(air.temperature_K)))
    density = float(vapour_density(air.temperature_K, vapour))
    return replace(air, exchange_m3_s=stream_m3_s, exchange_kg_m3=density)


def blown(air: Air, draught: float) -> Air:
    """Return the same air moved by a fan: *draught* times the mass transfer and convection of still air.

    >>> blown(room_air(23, 50), 3.0).heat_W_m2K
    20.0
    """
    return replace(
        air,
        heat_W_m2K=RADIATION_W_M2K + draught * STILL_CONVECTION_W_M2K,
        mass_m_s=draught * STILL_MASS_M_S,
        through=max(0.0, 1.0 + THROUGH * (draught - 1.0)),
    )
