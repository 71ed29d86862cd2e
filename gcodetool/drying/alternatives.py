"""What else would work, where a dryer is slow or its air can't get there: each one computed, none assumed.

Hotter in a dryer that goes further, another reel, dried air, air dry enough, an open vent, a stream of
exchange, desiccant: the same spool, the same members, the same model.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from gcodetool.drying import drying_floor
from gcodetool.drying.device import Device
from gcodetool.drying.limits import DEVICES, REELS, SetPoint, set_point
from gcodetool.moisture import air as airs
from gcodetool.moisture.constants import HOUR_S, ZERO_CELSIUS_K
from gcodetool.moisture.history import Quantiles

if TYPE_CHECKING:
    from gcodetool.drying.goal import DryingGoal

DRIED_DEW_POINT_C: Final = -30.0  # what copolyester makers ask of a desiccant dryer (read)
HOTTER_K: Final = 2.0  # less is not worth another dryer
ENOUGH: Final = 0.8  # of the content asked for, as the floor of air that is dry enough
STREAMS_M3_H: Final = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
QUICKER: Final = 0.8  # of the hours: more is not worth the trouble
FAIR: Final = 1.25  # times the hours in fresh air: the exchange is no longer what it waits for
LEAK_M3_H: Final = 0.02  # of a 10 L box with its lid shut (own estimate)
AGENT: Final = "molecular sieve"  # the one that still works in warm air
AGENT_SHARE: Final = 5.0  # grams per gram of water to take up: it holds about a fifth of its mass


@dataclass(frozen=True)
class Alternative:
    """One thing that could be done instead, and what it comes to.

    Attributes
    ----------
    what
        In words, with its figures.
    kind
        hotter | reel | dried-air | dry-enough-air | vent | exchange | desiccant | humid-air.
    temperature_C
        Of the air.
    goal, outcome, p50_s, p90_s
        As in `goal.Reach`, of what was asked for.
    floor_wt_pct
        What it ends at.
    """

    kind: str
    what: str
    temperature_C: float
    goal: str
    outcome: str
    p50_s: float | None
    p90_s: float | None
    floor_wt_pct: Quantiles


def alternatives(
    goal: "DryingGoal", device: Device, set_to: SetPoint, slow_s: float | None
) -> Iterator[Alternative]:
    """Yield what else could be done for a *goal*, the simplest first.

    Where the device gets there, if slowly (after *slow_s*), only what is clearly quicker.
    """
    for one in _every(goal, device, set_to):
        if slow_s is None or (one.p50_s is not None and one.p50_s <= QUICKER * slow_s):
            yield one


def _every(goal: "DryingGoal", device: Device, set_to: SetPoint) -> Iterator[Alternative]:
    celsius = set_to.temperature_C
    if goal.upwards:
        yield from _damper(goal, device, set_to)
        return
    spool = goal.state.spool
    if device.around.closed and set_to.possible:
        yield from _box(goal, device, celsius)
    free = replace(device, max_temperature_C=None, reached_C=None) if device.adjustable else device
    if device.adjustable and set_to.binding.of in DEVICES:
        hotter = set_point(spool, free, shared=goal.shared)
        if hotter.possible and hotter.temperature_C >= celsius + HOTTER_K:
            why = f"the limit then is {hotter.binding.whose}"
            yield _ran(
                goal, "hotter", f"Use a dryer that reaches {hotter.temperature_C:g} °C ({why})", free, hotter
            )
    if set_to.binding.of in REELS and device.adjustable:
        other = set_point(spool, device, relieved=REELS, shared=goal.shared)
        if other.possible and other.temperature_C >= celsius + HOTTER_K:
            unknown = set_to.binding.of == "unknown-reel"
            told = spool.stated_by(f"spool set {spool.id} --body NAME", "[body] material")
            what = (
                f"State what the reel is made of ({told}); if it withstands that, dry at "
                f"{other.temperature_C:g} °C"
                if unknown
                else f"Wind it on a reel that withstands {other.temperature_C + device.swing_C:g} °C, and dry at "
                f"{other.temperature_C:g} °C"
            )
            yield _ran(goal, "reel", what, device, other)
    if not set_to.possible or not device.adjustable:
        return
    if device.dew_point_C is None:
        dried = _dried(device, DRIED_DEW_POINT_C)
        what = f"Use a desiccant dryer (dew point {DRIED_DEW_POINT_C:g} °C) at the same {celsius:g} °C"
        yield _ran(goal, "dried-air", what, dried, set_to)
    yield from _dry_enough(goal, device, celsius, set_to)


def _ran(goal: "DryingGoal", kind: str, what: str, device: Device, set_to: SetPoint) -> Alternative:
    ran = goal.run(device, set_to.temperature_C)
    first = ran.reaches[0]
    return Alternative(
        kind,
        what,
        set_to.temperature_C,
        first.goal,
        first.outcome,
        first.p50_s,
        first.p90_s,
        goal.band(ran.floor),
    )


def _dried(device: Device, dew_point_C: float) -> Device:
    """Return the device with a stream of air of that dew point."""
    vapour = float(airs.saturation_pressure(dew_point_C + ZERO_CELSIUS_K))
    stream = replace(
        airs.exchanging(device.around, 0.0, 0.0),
        vapour_Pa=vapour,
        closed=False,
        air_m3=0.0,
        desiccant=None,
        desiccant_kg=0.0,
    )
    return replace(device, around=stream, dew_point_C=dew_point_C)


def _dry_enough(
    goal: "DryingGoal", device: Device, celsius: float, set_to: SetPoint
) -> Iterator[Alternative]:
    """Yield the dampest air whose floor lies well below what is asked, where the device's is damper."""
    limit = goal.targets[0][1] * ENOUGH
    activity = drying_floor.activity_for(goal.state, limit, celsius, goal.confidence)
    full = float(airs.saturation_pressure(celsius + ZERO_CELSIUS_K))
    if activity * full >= device.incoming_Pa:
        return
    dew = drying_floor.dew_point_C(activity, celsius)
    if dew < -60.0 + 1e-6:
        return
    room = 100.0 * activity * full / float(airs.saturation_pressure(device.room_C + ZERO_CELSIUS_K))
    what = (
        f"Wait for air with a dew point of {dew:.0f} °C or lower (a room of {device.room_C:.0f} °C at no more than "
        f"{room:.0f} % RH)"
    )
    yield _ran(goal, "dry-enough-air", what, _dried(device, dew), set_to)


def _box(goal: "DryingGoal", device: Device, celsius: float) -> Iterator[Alternative]:
    """Yield what fresh air, a measured exchange and desiccant would do for a closed box."""
    air = device.around
    here = SetPoint(celsius, None, set_point(goal.state.spool, device, shared=goal.shared).binding, ())
    fresh = replace(
        device,
        around=replace(airs.exchanging(air, 0.0, 0.0), vapour_Pa=device.incoming_Pa, closed=False),
    )
    vent = _ran(
        goal,
        "vent",
        f"Let fresh room air through all the time (lid ajar, a fan) at {celsius:g} °C",
        fresh,
        here,
    )
    yield vent
    own = air.exchange_m3_s * HOUR_S
    if vent.p50_s is not None:
        for stream in STREAMS_M3_H:
            if stream <= own:
                continue
            what = f"Open a vent for {stream:g} m³ of air an hour (now {own:g})"
            one = _ran(goal, "exchange", what, device.exchanging(stream), here)
            if one.p50_s is not None and one.p50_s <= FAIR * vent.p50_s:
                yield one
                break
    if air.desiccant is None:
        grams = goal.state.remaining_g * max(
            0.0, goal.at(goal.state.field.mean()) - 0.5 * goal.at(goal.targets[0][1])
        )
        charge = 50.0 * max(1, round(AGENT_SHARE * 1.5 * grams / 50.0 + 0.5))
        shut = device.exchanging(min(own, LEAK_M3_H))
        filled = replace(shut.around, desiccant=airs.desiccant(AGENT), desiccant_kg=charge / 1000.0)
        dried = replace(shut, around=filled)
        what = f"Put {charge:g} g of fresh {AGENT} into the box, lid shut, at {celsius:g} °C"
        yield _ran(goal, "desiccant", what, dried, here)


def _damper(goal: "DryingGoal", device: Device, set_to: SetPoint) -> Iterator[Alternative]:
    """Yield the air whose equilibrium is a little above the content asked for."""
    if not set_to.possible:
        return
    celsius = set_to.temperature_C
    activity = min(1.0, drying_floor.activity_for(goal.state, goal.targets[0][1], celsius, 0.5) * 1.1)
    if activity >= 1.0:
        return
    kelvin = celsius + ZERO_CELSIUS_K
    vapour = activity * float(airs.saturation_pressure(kelvin))
    damp = replace(
        device,
        around=replace(airs.exchanging(device.around, 0.0, 0.0), vapour_Pa=vapour, closed=False),
        adjustable=True,
    )
    what = f"Use air of {100 * activity:.0f} % RH at {celsius:g} °C (its balance is a tenth above the target)"
    yield _ran(goal, "humid-air", what, damp, set_to)
