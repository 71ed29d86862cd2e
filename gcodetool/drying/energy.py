"""Electricity of a drying: hours times a dryer's mean power, and what that costs."""

from collections.abc import Iterable
from dataclasses import dataclass

from gcodetool.drying.device import Device
from gcodetool.moisture.constants import HOUR_S


@dataclass(frozen=True)
class Energy:
    """Electricity for some hours; `cost` in the currency of the tariff."""

    power_W: float
    said: str
    kWh: float
    kWh_p90: float | None
    tariff_per_kWh: float | None
    cost: float | None
    cost_p90: float | None


def energy_for(
    device: Device, seconds: float | None, p90_s: float | None, tariff: float | None
) -> Energy | None:
    """Return what some hours in a dryer use; None where its power is not known, or there are no hours."""
    return energy_of(device.power_W, device.power_said, seconds, p90_s, tariff)


def energy_of(
    power_W: float | None, said: str, seconds: float | None, p90_s: float | None, tariff: float | None
) -> Energy | None:
    """Return the same of a power, and what is said of where it is known from."""
    if not power_W or not seconds:
        return None
    kwh = power_W * seconds / HOUR_S / 1000.0
    more = None if p90_s is None else power_W * max(seconds, p90_s) / HOUR_S / 1000.0

    def price(energy: float | None) -> float | None:
        return None if tariff is None or energy is None else energy * tariff

    return Energy(power_W, said, kwh, more, tariff, price(kwh), price(more))


@dataclass(frozen=True)
class DryerMonth:
    """What one dryer ran in one month, as far as spools were noted in it; several at a time count once.

    Attributes
    ----------
    month
        Of the clock on the wall: 2026-11.
    spools
        That were in it.
    seconds
        With at least one in it.
    energy
        None where its power is not known.
    """

    month: str
    dryer: str
    spools: tuple[str, ...]
    seconds: float
    energy: Energy | None


def together_s(stays: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return the times in which at least one of some stays lasts, by time.

    >>> together_s([(5.0, 9.0), (0.0, 3.0), (8.0, 10.0)])
    [(0.0, 3.0), (5.0, 10.0)]
    """
    found: list[tuple[float, float]] = []
    for begin_s, end_s in sorted(stays):
        if found and begin_s <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], end_s))
        else:
            found.append((begin_s, end_s))
    return found
