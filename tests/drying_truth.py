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
from gcodetool.moisture.air import OwnAir
from gcodetool.moisture.constants import VAPOUR_GAS, ZERO_CELSIUS_K
from gcodetool.moisture.field import SpoolIntegrator
from gcodetool.moisture.history import state_at
from gcodetool.moisture.record import Body, Event, Place, Spool

STEP_S = 600.0
LONGEST_S = 72 * HOUR
AT_S = np.arange(0.0, LONGEST_S + 1.0, STEP_S)
READ, DRIFT_PER_S = 0.3, 0.5 / (24 * HOUR)  # deviations of a scale, of its step
RH_PCT = 3.0  # deviation of the room from what the record says
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
        drift = random.normal(0, resolution_g) * DRIFT_PER_S
        true = np.interp(moments_s, self.at_s, self.scale_g)
        shown = true + drift * np.asarray(moments_s) + random.normal(0, READ * resolution_g, len(moments_s))
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
        return _falls_to(self.wettest, self.good)


def _falls_to(wettest, good):
    """Return when a course at AT_S gets good; inf: not in it."""
    under = np.flatnonzero(wettest <= good)
    if not under.size:
        return math.inf
    i = int(under[0])
    if i == 0:
        return 0.0
    a, b = wettest[i - 1], wettest[i]
    return float(AT_S[i - 1] + (a - good) / (a - b) * STEP_S)


@dataclass(frozen=True)
class Box:
    """What is true of a dryer and its room, (members,): what it is off by, and how it warms up, leaks and swings."""

    vapour_Pa: np.ndarray
    air_m3: np.ndarray
    stream_m3_s: np.ndarray
    warm_s: np.ndarray
    off_K: np.ndarray
    swing_K: np.ndarray
    phase: np.ndarray

    def kelvin(self, celsius, at_s):
        """Return the air's temperature, (members,)."""
        hot = celsius + self.off_K
        swinging = hot + self.swing_K * np.sin(math.tau * at_s / 2400.0 + self.phase) + ZERO_CELSIUS_K
        return swinging - (hot - 22.0) * np.exp(-at_s / self.warm_s)

    def vapour_after(self, vapour, given_kg, kelvin, at_s):
        """Return the vapour once the box has stirred in what the reel gave off and what the room's air carries away."""
        daily = 1.0 + 0.08 * np.sin(math.tau * at_s / (24 * HOUR) + self.phase)
        density = given_kg / STEP_S / self.stream_m3_s + airs.vapour_density(295.15, self.vapour_Pa * daily)
        wanted = density * VAPOUR_GAS * kelvin
        vapour = vapour + (wanted - vapour) * (1.0 - np.exp(-STEP_S * self.stream_m3_s / self.air_m3))
        return np.maximum(1.0, vapour)


def box_of(random, vapour_Pa):
    """Return what is true of dryers in rooms of so much vapour, (members,)."""
    count = len(vapour_Pa)
    return Box(
        vapour_Pa,
        air_m3=random.uniform(0.01, 0.05, count),
        stream_m3_s=0.5 * (10.0 / 0.5) ** random.random(count) / HOUR,
        warm_s=random.uniform(300, 1500, count),
        off_K=random.normal(0, 1.0, count),
        swing_K=random.uniform(0.5, 2.5, count),
        phase=random.uniform(0, math.tau, count),
    )


def record_of(seed, material=None):
    """Return the record of one run, the humidity of its room to the last digit, and its random numbers."""
    random = np.random.default_rng([seed, 17])
    name = material or DRYABLE[int(random.integers(len(DRYABLE)))]
    rh = float(random.uniform(35, 55))
    places = {
        "bench": Place("bench", "open", 22.0, round(rh)),
        "oven": Place("oven", "dryer", MATERIALS[name], room="bench"),
    }
    body = Body(profiles.spool_body("polycarbonate"), hub_diameter_mm=80.0, width_mm=60.0)
    received = Event(0.0, "received", place="bench", sealed=bool(random.integers(2)))
    net = float(random.choice([250.0, 500.0, 750.0, 1000.0]))
    moved = Event(START_S, "moved", place="oven")
    stock = profiles.material(name)
    return Spool(f"other-{seed}", stock, 1.75, net, places, (received, moved), body=body), rh, random


def other_run(seed: int, *, material: str | None = None) -> OtherRun:
    """Return one run; a seed always the same."""
    spool, rh, random = record_of(seed, material)
    true_rh = min(90.0, max(10.0, rh + float(random.normal(0, RH_PCT))))
    odd = {**spool.places, "bench": replace(spool.places["bench"], rh_pct=true_rh)}
    state = truth(replace(spool, places=odd), random)
    box = box_of(random, np.array([airs.room_air(22.0, true_rh).vapour_Pa]))
    empty_g, share = float(random.uniform(150, 260)), float(random.uniform(0.99, 1.01))
    wettest, mass_g = _dried(state, box, spool.places["oven"].temperature_C)
    limit = spool.material.limit_good_wt_pct / 100.0
    return OtherRun(spool, AT_S, wettest[:, 0], empty_g + share * mass_g[:, 0], limit)


def alike(seed, members, draw=0):
    """Return what else might be true by the same record, as the truths are drawn: as `_dried` does."""
    spool, rh, _ = record_of(seed)
    random = np.random.default_rng([seed, 29, draw])
    known = replace(spool.places["bench"], rh_pct=rh, accuracy_rh_pct=RH_PCT, accuracy_C=0.0)
    places = {**spool.places, "bench": known}
    state = state_at(replace(spool, id=f"{spool.id}-{draw}", places=places), START_S, members=members)
    more_pct = state.doubts.humidity_pct(known)
    box = box_of(random, np.array([airs.room_air(22.0, rh + float(one)).vapour_Pa for one in more_pct]))
    return _dried(state, box, spool.places["oven"].temperature_C)


class Observer:
    """Somebody who knows how these runs are drawn and how the scale reads, and weighs many of them by what it read.

    Nobody can tell the hours to go closer than this from the same weigh-ins.
    """

    def __init__(self, seed, resolution_g, members=256):
        spool, _, _ = record_of(seed)
        good = spool.material.limit_good_wt_pct / 100.0
        wettest, self.mass_g = alike(seed, members)
        self.dry_s = np.array([_falls_to(one, good) for one in wettest.T])
        self.step_g = resolution_g

    def chances(self, moments_s, read_g):
        """Return how likely each of the runs is by the weigh-ins, (members,); an empty reel's mass is not known."""
        moments = np.asarray(moments_s)
        row = moments / STEP_S
        low = np.minimum(row.astype(int), len(AT_S) - 2)
        share = (row - low)[:, np.newaxis]
        gap = np.asarray(read_g)[:, np.newaxis] - (
            (1 - share) * self.mass_g[low] + share * self.mass_g[low + 1]
        )
        step = self.step_g**2
        spread = (READ**2 + 1 / 12) * step * np.eye(len(moments)) + 1e6  # rounding, and the empty reel
        spread += (DRIFT_PER_S**2 * step) * np.outer(moments, moments)
        fit = -0.5 * np.einsum("im,ij,jm->m", gap, np.linalg.inv(spread), gap)
        return np.exp(fit - fit.max())

    def guess(self, moments_s, read_g, now_s, least_s, factor):
        """Return the hours to go that most likely lie within a factor of the truth [s], and how likely they do.

        Of the runs whose hours to go are at least *least_s* and not beyond what is simulated.
        """
        left_s = self.dry_s - now_s
        chance = self.chances(moments_s, read_g) * ((left_s >= least_s) & np.isfinite(left_s))
        if not chance.any():
            return math.nan, math.nan
        logs = np.log(np.clip(left_s, least_s, LONGEST_S))
        near = np.abs(logs[:, np.newaxis] - logs) <= math.log(factor)
        inside = near @ np.where(chance > 0, chance, 0.0)
        best = int(np.argmax(np.where(chance > 0, inside, -1.0)))
        return float(left_s[best]), float(inside[best] / chance.sum())


def _dried(state, box, celsius):
    """Return the wettest layer [kg/kg], and strand with water and what the body took up [g]; (steps, members) at AT_S."""
    reel = SpoolIntegrator(state.field, state.polymer)
    air = airs.heated_air(22.0, 1000.0)
    dry_kg = state.field.winding.strand_kg()
    wettest, mass = [], []

    def look():
        now = reel.field()
        mean = now.layer_mean()
        water = dry_kg @ mean + now.body_gain_kg()
        wettest.append(mean.max(axis=0))
        mass.append(1000.0 * (dry_kg.sum() + water))
        return water

    held, vapour = look(), box.vapour_Pa
    for now_s in AT_S[:-1]:
        kelvin = box.kelvin(celsius, now_s)
        own = OwnAir(warmer_K=kelvin - air.temperature_K, moister=vapour / air.vapour_Pa)
        reel.surround(replace(air, own=own), again=now_s > 0)
        reel.run(STEP_S, first_s=60.0 if now_s == 0 else STEP_S)
        before, held = held, look()
        vapour = box.vapour_after(vapour, before - held, kelvin, now_s)
    return np.array(wettest), np.array(mass)
