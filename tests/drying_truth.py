"""Drying runs of another make than the tool's own model: a box that is stirred, leaks and warms up, and a scale that drifts.

The reel is the solver's, on a grid twice as fine, with parameters of its own (``simulated_drying.truth``); the air is not:
every ten minutes the box's vapour is balanced between what the reel gives off and what the exchange with the room carries
away, its temperature comes up from the room's in its own time, is off from what is recorded, and swings.  The room's
humidity goes up and down over the day.  The record knows a stream of room air at a constant temperature.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from simulated_drying import HOUR, MATERIALS, START_S, truth

from gcodetool import profiles
from gcodetool.moisture import air as airs
from gcodetool.moisture.constants import VAPOUR_GAS, ZERO_CELSIUS_K
from gcodetool.moisture.field import SpoolIntegrator
from gcodetool.moisture.record import Body, Event, Place, Spool

STEP_S = 600.0
LONGEST_S = 72 * HOUR
DRYABLE = (
    "PLA",
    "ABS",
    "PA6",
    "PA12",
    "TPU_95A",
    "PC",
)  # what room air at these temperatures gets good, mostly


@dataclass(frozen=True)
class OtherRun:
    """A record without weigh-ins, and what is true at each moment since it went in.

    Attributes
    ----------
    spool
        The record: received, moved into the oven.
    at_s : (steps,)
        Since it went in. [s]
    wettest, scale_g : (steps,)
        Of the wettest layer [kg/kg]; what a perfect scale would show [g].
    good
        The limit that the tool states. [kg/kg]
    """

    spool: Spool
    at_s: np.ndarray
    wettest: np.ndarray
    scale_g: np.ndarray
    good: float

    def weighed(self, moments_s, resolution_g, seed):
        """Return the record with weigh-ins at these moments, as a scale that drifts reads them."""
        random = np.random.default_rng([seed, 7])
        drift = random.normal(0, 0.5 * resolution_g) / (24 * HOUR)
        true = np.interp(moments_s, self.at_s, self.scale_g)
        shown = true + drift * np.asarray(moments_s) + random.normal(0, 0.3 * resolution_g, len(moments_s))
        shown = np.round(shown / resolution_g) * resolution_g
        received, moved = self.spool.events
        events = [
            Event(START_S + float(at), "weighed", gross_g=float(grams), resolution_g=resolution_g)
            for at, grams in zip(moments_s, shown, strict=True)
        ]
        first = [event for event in events if event.at_s <= START_S]
        return replace(self.spool, events=(received, *first, moved, *events[len(first) :]))

    def dry_at_s(self):
        """Return when the wettest layer gets good; inf: not in the hours that were simulated."""
        under = np.flatnonzero(self.wettest <= self.good)
        if not under.size:
            return math.inf
        i = int(under[0])
        if i == 0:
            return 0.0
        a, b = self.wettest[i - 1], self.wettest[i]
        return float(self.at_s[i - 1] + (a - self.good) / (a - b) * STEP_S)


def other_run(seed: int, *, material: str | None = None) -> OtherRun:
    """Return one run; a seed always the same."""
    random = np.random.default_rng([seed, 17])
    name = material or DRYABLE[int(random.integers(len(DRYABLE)))]
    stock = profiles.material(name)
    celsius, rh = MATERIALS[name], float(random.uniform(35, 55))
    places = {
        "bench": Place("bench", "open", 22.0, round(rh)),
        "oven": Place("oven", "dryer", celsius, room="bench"),
    }
    body = Body(profiles.spool_body("polycarbonate"), hub_diameter_mm=80.0, width_mm=60.0)
    received = Event(0.0, "received", place="bench", sealed=bool(random.integers(2)))
    net = float(random.choice([250.0, 500.0, 750.0, 1000.0]))
    moved = Event(START_S, "moved", place="oven")
    spool = Spool(f"other-{seed}", stock, 1.75, net, places, (received, moved), body=body)
    true_rh = min(90.0, max(10.0, rh + float(random.normal(0, 3))))
    odd = {**places, "bench": replace(places["bench"], rh_pct=true_rh)}
    state = truth(replace(spool, places=odd), random)
    reel = SpoolIntegrator(state.field, state.polymer)
    air = airs.heated_air(22.0, airs.room_air(22.0, true_rh).vapour_Pa)
    box_m3 = float(random.uniform(0.01, 0.05))
    stream_m3_s = float(0.5 * (10.0 / 0.5) ** random.random()) / HOUR
    warm_s = float(random.uniform(300, 1500))
    hot = celsius + float(random.normal(0, 1.0))
    swing, phase = float(random.uniform(0.5, 2.5)), float(random.uniform(0, math.tau))
    empty_g, share = float(random.uniform(150, 260)), float(random.uniform(0.99, 1.01))
    dry_kg = state.field.winding.strand_kg()
    at, wettest, scale = [0.0], [], []
    vapour = air.vapour_Pa

    def look():
        now = reel.field()
        mean = now.layer_mean()[:, 0]
        wettest.append(float(mean.max()))
        water = float(dry_kg @ mean) + float(now.body_gain_kg()[0])
        scale.append(empty_g + 1000.0 * share * (float(dry_kg.sum()) + water))
        return water

    held = look()
    while at[-1] < LONGEST_S:
        now_s = at[-1]
        kelvin = hot + swing * math.sin(math.tau * now_s / 2400.0 + phase) + ZERO_CELSIUS_K
        kelvin -= (hot - 22.0) * math.exp(-now_s / warm_s)
        daily = 1.0 + 0.08 * math.sin(math.tau * now_s / (24 * HOUR) + phase)
        reel.surround(replace(air, temperature_K=kelvin, vapour_Pa=vapour), again=now_s > 0)
        reel.run(STEP_S, first_s=60.0 if now_s == 0 else STEP_S)
        at.append(now_s + STEP_S)
        before, held = held, look()
        # the box: what the reel gave off and what the room's air carries away, stirred
        density = (before - held) / STEP_S / stream_m3_s + airs.vapour_density(295.15, air.vapour_Pa * daily)
        wanted = density * VAPOUR_GAS * kelvin
        vapour += (float(wanted) - vapour) * (1.0 - math.exp(-STEP_S * stream_m3_s / box_m3))
        vapour = max(1.0, vapour)
    return OtherRun(spool, np.array(at), np.array(wettest), np.array(scale), stock.limit_good_wt_pct / 100.0)
