"""Boxes as they might be: a second model that writes hygrometer logs for `place fit` to read.

It shares nothing with ``gcodetool.storage``: the desiccant takes up water by a linear driving force from a
Langmuir-Freundlich isotherm, walls and a reel hold water of their own, the air is breathed in and out with its
temperature, and hygrometers lag, drift, are off and round.  Numbers are own estimates.
"""

from dataclasses import dataclass

import numpy as np

STEP_S = 120.0
DAY_S = 86_400.0


@dataclass(frozen=True)
class BoxLog:
    """What the box's and the room's logger show, what is stated, and what is true."""

    at_s: np.ndarray
    temperature_C: np.ndarray
    rh_pct: np.ndarray
    room_temperature_C: np.ndarray
    room_rh_pct: np.ndarray
    air_L: float
    silica_g: float  # 0: none
    exchange_per_day: float
    openings_s: np.ndarray  # those at which the air in the box was much drier than the room's
    all_openings_s: np.ndarray
    held_g: float  # by the desiccant at the end
    reel_kg: float  # what a reel in it holds at saturation


def magnus_pa(celsius):
    return 611.2 * np.exp(17.62 * celsius / (243.12 + celsius))


def density(celsius, rh_pct):
    return rh_pct / 100.0 * magnus_pa(celsius) / (461.5 * (celsius + 273.15))


def held_share(activity, celsius):
    """Return what silica gel holds [kg/kg]; a smooth curve near its profile's table, shifted by heat."""
    activity = np.clip(activity, 1e-6, 1.0) ** ((celsius + 273.15) / 298.15)
    x = (1.9 * activity) ** 1.25
    return 0.56 * x / (1.0 + x)


def walk(random, steps, logs, hours, deviation):
    """Return an Ornstein-Uhlenbeck course, (steps, logs)."""
    keep = np.exp(-STEP_S / (hours * 3600.0))
    kicks = random.normal(0.0, deviation * np.sqrt(1 - keep**2), (steps, logs))
    out = np.empty((steps, logs))
    now = random.normal(0.0, deviation, logs)
    for i in range(steps):
        now = keep * now + kicks[i]
        out[i] = now
    return out


def simulate(count: int, seed: int, days: float | None = None) -> list[BoxLog]:
    """Return *count* logs of one to ten days each, or of so many days."""
    random = np.random.default_rng(seed)
    lasting = np.full(count, days) if days else np.exp(random.uniform(np.log(1.0), np.log(10.0), count))
    steps = int(lasting.max() * DAY_S / STEP_S) + 1
    hour = np.arange(steps)[:, None] * STEP_S / 3600.0
    phase = random.uniform(0, 24, count)
    swing = random.uniform(0.5, 3.0, count)
    warm = random.uniform(18, 25, count) + swing * np.sin(2 * np.pi * (hour + phase) / 24)
    warm = warm + walk(random, steps, count, 8.0, 0.7)
    humid = np.clip(random.uniform(38, 62, count) + walk(random, steps, count, 20.0, 5.0), 15, 90)
    litres = np.exp(random.uniform(np.log(5), np.log(60), count))
    gel = np.where(random.random(count) < 0.75, np.exp(random.uniform(np.log(40), np.log(400), count)), 0.0)
    rate = np.exp(random.uniform(np.log(0.1), np.log(10.0), count))  # air changes a day
    often = np.exp(random.uniform(np.log(0.3), np.log(3.0), count))  # openings a day
    opened = random.random((steps, count)) < often * STEP_S / DAY_S
    opened[: int(4 * 3600 / STEP_S)] = False
    share = random.uniform(0.5, 1.0, (steps, count))
    # ---- states
    start = np.where(gel > 0, random.uniform(0.05, 0.28, count), random.uniform(0.05, 0.35, count))
    true_gel = gel / 1000.0 * np.exp(random.normal(0, 0.12, count))
    inside_s = np.exp(random.uniform(np.log(600), np.log(3600), count))  # of the grains,
    film_s = np.exp(
        random.uniform(np.log(300), np.log(2400), count)
    )  # and of the still air and the bag around them
    gel_held = held_share(start, warm[0])
    wall_kg = random.uniform(0.0, 0.4, count) / 1000.0  # at saturation
    wall = start.copy()
    reel_kg = random.choice([0.0, 0.0, 0.5, 1.0], count) * 0.006
    reel_fast, reel_slow = (np.clip(start + random.normal(0, 0.03, count), 0.01, 1.0) for _ in range(2))
    volume = litres / 1000.0
    rho = density(warm[0], 100 * start)
    celsius = warm[0].copy()
    breathed = np.zeros(count)
    air_C, air_rh = np.empty((steps, count)), np.empty((steps, count))
    dry, held_then = np.zeros((steps, count)), np.zeros((steps, count))
    for i in range(steps):
        before = celsius.copy()
        celsius = celsius + (warm[i] - celsius) * STEP_S / 3600.0  # the box follows within an hour
        full = density(celsius, 100.0)
        room = density(warm[i], humid[i])
        moved = (celsius - before) / (celsius + 273.15)
        rho = rho * (1 - np.maximum(moved, 0.0)) + room * np.maximum(-moved, 0.0)
        breathed += np.maximum(-moved, 0.0)
        rho = rho + (room - rho) * (1 - np.exp(-rate * STEP_S / DAY_S))
        rho = np.where(opened[i], rho + (room - rho) * share[i], rho)
        activity = rho / full
        dry[i] = 100 * (room / full - activity)
        # gel, walls and reel each answer to the air; the air is so little that they are solved with it
        film = volume * full / film_s  # kg/s for a difference of 1 in activity
        speed = 1.0 / (inside_s + 0.7 * true_gel / film)
        gains = [
            (true_gel, gel_held, held_share(activity, celsius), speed),
            (wall_kg, wall, activity, 1.0 / (3 * 3600.0)),
            (0.12 * reel_kg, reel_fast, activity, 1.0 / (5 * 3600.0)),
            (0.88 * reel_kg, reel_slow, activity, 1.0 / (25 * DAY_S)),
        ]
        for kg, load, goal, per_s in gains:
            # the air is so little beside them that the step is taken implicitly in it
            pull = kg * per_s * STEP_S
            want = pull * (goal - load) / (1.0 + pull / np.maximum(volume * full, 1e-9))
            np.add(load, np.divide(want, kg, out=np.zeros(count), where=kg > 0), out=load)
            rho = np.maximum(rho - want / volume, 0.0)
        air_C[i], air_rh[i], held_then[i] = celsius, 100 * rho / full, gel_held
    # ---- what loggers show
    lag = 1 - np.exp(-STEP_S / 480.0)
    shown, room_shown = air_rh[0].copy(), humid[0].copy()
    seen, room_seen = np.empty((steps, count)), np.empty((steps, count))
    for i in range(steps):
        shown = shown + lag * (air_rh[i] - shown)
        room_shown = room_shown + lag * (humid[i] - room_shown)
        seen[i], room_seen[i] = shown, room_shown
    off, room_off = random.normal(0, 3.0, (2, count))
    drift = random.normal(0, 0.5, count) / 30.0
    logs = []
    for j in range(count):
        every = int(random.choice([300, 600, 900]) / STEP_S)
        stop = int(lasting[j] * DAY_S / STEP_S)
        rows = np.arange(0, stop, every)
        grain = random.choice([0.1, 0.1, 1.0])

        def read(course, shift, rows=rows, grain=grain, j=j):
            noisy = (
                course[rows, j] + shift + drift[j] * rows * STEP_S / DAY_S + random.normal(0, 0.3, len(rows))
            )
            return np.clip(np.round(noisy / grain) * grain, 0, 100)

        moments = np.flatnonzero(opened[:stop, j])
        plain = [m for m in moments if m > 0 and dry[m - 1, j] >= 8.0]
        at = 1.79e9
        logs.append(
            BoxLog(
                at_s=at + rows * STEP_S,
                temperature_C=np.round(air_C[rows, j] + random.normal(0, 0.05, len(rows)), 1),
                rh_pct=read(seen, off[j]),
                room_temperature_C=np.round(warm[rows, j] + random.normal(0, 0.05, len(rows)), 1),
                room_rh_pct=read(room_seen, room_off[j]),
                air_L=float(litres[j]),
                silica_g=float(gel[j]),
                exchange_per_day=float(rate[j] + breathed[j] / (steps * STEP_S / DAY_S)),
                openings_s=at + np.array(plain) * STEP_S,
                all_openings_s=at + moments * STEP_S,
                held_g=float(1000 * true_gel[j] * held_then[min(stop, steps - 1), j]),
                reel_kg=float(reel_kg[j]),
            )
        )
    return logs


@dataclass(frozen=True)
class Score:
    """How one fit did: whether the truth lies in its bands, and its openings."""

    dried: bool
    reel: bool
    days: float
    inside: bool
    p10: float
    p90: float
    held_inside: bool | None
    found: int
    true: int
    false: int


def scored(log: BoxLog) -> Score:
    """Fit a log by what `place fit` calls, and return how it did."""
    from gcodetool.moisture.air import desiccant
    from gcodetool.moisture.record import AirLog
    from gcodetool.storage.fit import BoxFacts, fit_box

    agent = desiccant("silica gel") if log.silica_g else None
    facts = BoxFacts(log.air_L / 1000.0, agent, log.silica_g / 1000.0, log.reel_kg)
    fit = fit_box(
        AirLog(log.at_s, log.temperature_C, log.rh_pct),
        AirLog(log.at_s, log.room_temperature_C, log.room_rh_pct),
        facts,
    )
    rate, held = fit.exchange_per_day, fit.held_g
    assert rate is not None
    return Score(
        dried=bool(log.silica_g),
        reel=bool(log.reel_kg),
        days=float(log.at_s[-1] - log.at_s[0]) / DAY_S,
        inside=rate.p10 <= log.exchange_per_day <= rate.p90,
        p10=rate.p10,
        p90=rate.p90,
        held_inside=None if held is None else held.p10 <= log.held_g <= held.p90,
        found=sum(any(abs(at - each) < 1800 for each in fit.openings_s) for at in log.openings_s),
        true=len(log.openings_s),
        false=sum(not any(abs(at - each) < 2700 for at in log.all_openings_s) for each in fit.openings_s),
    )
