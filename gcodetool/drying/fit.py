"""Weigh-ins of a drying run to a curve: the dry limit, and the water left by weighing alone.

The curve's shapes are the diffusion curves of the spool's own members in that dryer, each stretched in
time and in height,

    gross(t) = G + a (w_m(s t) - w_m(end)),        G flat, a normal about 1, ln s normal about 0,

so that a reel that is faster or wetter than its record says still fits; G, the mass at infinity, is the
dry limit.  Each shape is weighed by how well it fits the readings (linear in G and a, so in closed form),
and what is told is the mixture.  Whether the spool is done says ``status``.  Left out: a scale's drift, other
volatiles that leave with the water.
"""

import math
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.drying.course import course
from gcodetool.drying.device import Device, of_place, of_record
from gcodetool.drying.drying_floor import equilibrium
from gcodetool.drying.limits import stated
from gcodetool.drying.runs import BEFORE_S, WeighIn, last_run, readings_of
from gcodetool.drying.status import DryingStatus, status
from gcodetool.drying.status_words import headline
from gcodetool.drying.thermostat import Thermostat
from gcodetool.drying.words import HEAT, hours
from gcodetool.errors import SpoolError
from gcodetool.moisture import inference
from gcodetool.moisture.constants import HOUR_S
from gcodetool.moisture.history import Quantiles, State, quantiles, reel_of, state_at
from gcodetool.moisture.inference import READING_SHARE
from gcodetool.moisture.notes import Note
from gcodetool.moisture.record import Event, Place, Spool

Floats = NDArray[np.float64]

HORIZON_S: Final = 240 * HOUR_S
SHAPE_SHARE: Final = 0.01  # of the water lost so far: what no shape gets right
HEIGHT: Final = 0.35  # of a, standard deviation: how far the record may be off about the water (own estimate)
STRETCH: Final = 0.35  # of ln s (own estimate: beside what the members differ by)
STRETCHES: Final = np.linspace(-2.2, 2.2, 17)  # in standard deviations
SAMPLES: Final = 4000
FEWEST: Final = 3
STEPS: Final = 8.0  # of the scale, over all that can leave, below which it can't tell


@dataclass(frozen=True)
class Run:
    """What the weigh-ins of one drying run say.

    Attributes
    ----------
    began_s, last_s, now_s
        When the spool went in, the last weigh-in, and the moment all this is said of: the present one while
        it is still in, else when it came out.
    tells, because
        Whether weighing tells anything here, and why not.
    dry_limit_g
        The reel's mass in the end, in this air.
    lost_g, left_g
        From the first weigh-in to the last; and what was still to go, by the weigh-ins, at that moment.
    half_time_s
        Until half of what can leave has left.
    curve
        (seconds since it went in, mass).
    """

    began_s: float
    last_s: float
    now_s: float
    readings: tuple[WeighIn, ...]
    tells: bool
    because: str | None
    dry_limit_g: Quantiles
    lost_g: float
    left_g: Quantiles
    half_time_s: Quantiles
    curve: tuple[tuple[float, Quantiles], ...]


@dataclass(frozen=True)
class Fit:
    """A spool's drying run and its dryer, as weigh-ins and a log tell them.

    `do` comes first: of a run, what `status` says of the spool everywhere.
    """

    do: str
    status: DryingStatus | None
    spool: str
    material: str
    place: str
    run: Run | None
    thermostat: Thermostat | None
    cautions: tuple[str, ...]
    notes: tuple[Note, ...]


def fit(
    spool: Spool,
    now_s: float,
    *,
    members: int = 64,
    place: str | None = None,
    warmth: Thermostat | None = None,
) -> Fit:
    """Return what the last drying run's weigh-ins say.

    Parameters
    ----------
    spool, now_s
        Its record up to that moment.
    members
        How many shapes.
    place
        The dryer; None: the one it was in last.
    warmth
        What the dryer's own log says; its mean is then taken for the air's temperature.

    Raises
    ------
    UsageError
        The record has no such place.
    SpoolError
        There is no drying run, or too few weigh-ins in it and no log.
    """
    began_s, ended_s, where = last_run(spool, now_s, place)
    readings = readings_of(spool, began_s, ended_s)
    thermostat_said = _said(where, warmth)
    if len(readings) < FEWEST:
        if warmth is None:
            raise SpoolError.at(
                spool.source or spool.id,
                None,
                f"{len(readings)} weigh-in{'' if len(readings) == 1 else 's'} in the last stay in {where.name}; a curve "
                f"needs {FEWEST}: weigh before it goes in and every hour or two, noted with 'spool weigh'",
            )
        hot = tuple(_too_warm(spool, warmth))
        return Fit(thermostat_said[0], None, spool.id, spool.material.key, where.name, None, warmth, hot, ())
    run, notes = weighed_run(spool, now_s, where.name, members, None if warmth is None else warmth.mean_C)
    now = state_at(spool, now_s, members=members)
    said = status(now, of_record(now, where.name), since_s=began_s)
    return Fit(
        headline(said),
        said,
        spool.id,
        spool.material.key,
        where.name,
        run,
        warmth,
        (*thermostat_said, *_too_warm(spool, warmth), *_cautions(run)),
        notes,
    )


def weighed_run(
    spool: Spool, now_s: float, place: str, members: int, air_C: float | None = None
) -> tuple[Run, tuple[Note, ...]]:
    """Return what the weigh-ins of the last run in a place say, at least FEWEST, and what was assumed.

    *air_C*: what a log says of its air, in place of what the record does.
    """
    began_s, ended_s, _ = last_run(spool, now_s, place)
    readings = readings_of(spool, began_s, ended_s)
    known = tuple(event for event in spool.events if event.at_s <= began_s and not _among(event, began_s))
    state = state_at(replace(spool, events=known), began_s, members=members)
    device = of_place(spool, state, place)
    celsius = device.around.temperature_C
    if device.adjustable and air_C is not None:
        celsius = air_C
    run = fit_run(state, device, celsius, readings, now_s=min(now_s, ended_s))
    return run, tuple(state.notes)


def _among(event: Event, began_s: float) -> bool:
    """Return whether a weigh-in is one of the run's: the state that it began with must not know it."""
    return event.kind == "weighed" and event.at_s >= began_s - BEFORE_S


def fit_run(
    state: State,
    device: Device,
    temperature_C: float,
    readings: Sequence[WeighIn],
    *,
    now_s: float | None = None,
) -> Run:
    """Return what *readings* say of a run that began with *state* in *device*.

    Parameters
    ----------
    state
        The spool as it went in; its members are the shapes.
    device, temperature_C
        What it is in.
    readings
        By time.
    now_s
        The moment it is said of, seconds since 1970; the last reading's if left out.
    """
    at = np.array([one.at_s for one in readings])
    gross = np.array([one.gross_g for one in readings])
    last = float(at[-1])
    here = last if now_s is None else max(last, now_s - state.as_of_s)
    ran = course(
        state,
        device,
        temperature_C,
        length_mm=state.remaining_mm,
        cap_s=max(HORIZON_S, 4.0 * here),
    )
    ends, _ = equilibrium(state, device, temperature_C)
    grams = state.remaining_g
    ends = np.minimum(ends, ran.whole[-1]) if ran.whole[-1].mean() < ran.whole[0].mean() else ends
    free = grams * (ran.whole - ends)  # what can still leave, (looks, members)
    mixture = _Mixture(state, ran.at_s, free, at, gross, readings)
    sampled = mixture.draw(state.spool.id)
    step = max(one.resolution_g for one in readings)
    expected = float(np.median(free[0]))
    tells, because = _tells(state, expected, step, readings)
    end = max(1.5 * here, here + 2 * HOUR_S)
    moments = np.linspace(0.0, end, 25)
    return Run(
        began_s=state.as_of_s,
        last_s=state.as_of_s + last,
        now_s=state.as_of_s + here,
        readings=tuple(readings),
        tells=tells,
        because=because,
        dry_limit_g=quantiles(sampled.dry_limit_g),
        lost_g=float(gross[0] - gross[-1]),
        left_g=quantiles(sampled.left(here)),
        half_time_s=quantiles(sampled.half_s),
        curve=tuple((float(t), quantiles(sampled.dry_limit_g + sampled.left(float(t)))) for t in moments),
    )


class _Mixture:
    """All shapes, each member's at each stretch, with what the readings say of its G and a."""

    def __init__(
        self,
        state: State,
        at_s: Floats,
        free_g: Floats,
        read_s: Floats,
        gross_g: Floats,
        readings: Sequence[WeighIn],
    ) -> None:
        self.at_s, self.free_g = at_s, free_g
        members = free_g.shape[1]
        stretch = np.exp(STRETCH * STRETCHES)
        self.member = np.repeat(np.arange(members), stretch.shape[0])
        self.stretch = np.tile(stretch, members)
        shapes = np.stack(
            [
                np.interp(s * read_s, at_s, free_g[:, m])
                for m, s in zip(self.member, self.stretch, strict=True)
            ]
        )
        self.base = float(gross_g[-1])
        y = gross_g - self.base
        lost = np.abs(gross_g[0] - gross_g)
        reel = reel_of(state.spool)
        body = 0.0
        if reel.cardboard:
            body = inference.CARDBOARD_SHARE * reel.likely_body_g
        resolution = np.array([one.resolution_g for one in readings])
        variance = (READING_SHARE * resolution) ** 2 + (SHAPE_SHARE * lost) ** 2 + body**2
        # normal equations of (G, a): G flat, a about 1
        w = 1.0 / variance
        p11 = np.full(shapes.shape[0], w.sum())
        p12 = shapes @ w
        p22 = (shapes**2) @ w + HEIGHT**-2
        b1 = np.full(shapes.shape[0], float(w @ y))
        b2 = shapes @ (w * y) + HEIGHT**-2
        determinant = p11 * p22 - p12**2
        self.mean = np.stack([p22 * b1 - p12 * b2, p11 * b2 - p12 * b1]) / determinant
        self.covariance = np.stack([p22, -p12, p11]) / determinant
        fits = 0.5 * (b1 * self.mean[0] + b2 * self.mean[1]) - 0.5 * np.log(determinant)
        prior = -0.5 * np.tile(STRETCHES, members) ** 2 + np.log(
            np.repeat(np.maximum(state.weights, 1e-300), stretch.shape[0])
        )
        self.weights = inference.weights_of(fits + prior)

    def draw(self, seed: str) -> "_Sampled":
        """Return many draws of the mixture; a seed always the same."""
        random = np.random.default_rng(zlib.crc32(seed.encode()))
        places = (np.arange(SAMPLES) + random.random()) / SAMPLES
        which = np.minimum(np.searchsorted(np.cumsum(self.weights), places), self.weights.shape[0] - 1)
        var_g, both, var_a = self.covariance[:, which]
        normal = random.standard_normal((2, SAMPLES))
        a = self.mean[1, which] + np.sqrt(var_a) * normal[0]
        given = np.sqrt(np.maximum(var_g - both**2 / var_a, 0.0))
        limit = self.mean[0, which] + both / var_a * (a - self.mean[1, which]) + given * normal[1]
        return _Sampled(self, which, np.maximum(a, 0.0), self.base + limit)


class _Sampled:
    """Draws of curves."""

    def __init__(self, mixture: _Mixture, which: NDArray[np.int64], a: Floats, dry_limit_g: Floats) -> None:
        self.mixture, self.which, self.a, self.dry_limit_g = mixture, which, a, dry_limit_g
        kinds, back = np.unique(which, return_inverse=True)
        self.half_s = np.array([self._half(int(k)) for k in kinds])[back]

    def left(self, at_s: float) -> Floats:
        """Return what can still leave at a moment [g]."""
        kinds, back = np.unique(self.which, return_inverse=True)
        mixture = self.mixture
        shape = np.array(
            [
                np.interp(mixture.stretch[k] * at_s, mixture.at_s, mixture.free_g[:, mixture.member[k]])
                for k in kinds
            ]
        )
        return np.asarray(self.a * shape[back])

    def _half(self, k: int) -> float:
        mixture = self.mixture
        free = np.abs(mixture.free_g[:, mixture.member[k]])
        below = np.flatnonzero(free <= 0.5 * free[0])
        if not below.size:
            return math.inf
        i = int(below[0])
        if i == 0:
            return 0.0
        share = (free[i - 1] - 0.5 * free[0]) / (free[i - 1] - free[i])
        at = mixture.at_s[i - 1] + share * (mixture.at_s[i] - mixture.at_s[i - 1])
        return float(at / mixture.stretch[k])


def _tells(
    state: State, expected_g: float, step_g: float, readings: Sequence[WeighIn]
) -> tuple[bool, str | None]:
    """Return whether weighing tells anything, and why not."""
    reel = reel_of(state.spool)
    if reel.cardboard:
        share_g = 2 * inference.CARDBOARD_SHARE * reel.likely_body_g
        return False, (
            f"the cardboard reel's own water varies by {share_g:.0f} g, "
            f"the strand can give off about {expected_g:.1f} g"
        )
    lost = readings[0].gross_g - readings[-1].gross_g
    if max(abs(expected_g), abs(lost)) < STEPS * step_g:
        return False, (
            f"this reel can give off about {expected_g:.1f} g in all, and the scale reads to {step_g:g} g"
        )
    return True, None


def _said(where: Place, warmth: Thermostat | None) -> list[str]:
    """Return what to write down about the dryer."""
    if warmth is None:
        return []
    offset = (
        "; name the setting of its knob with --knob to learn its offset"
        if warmth.set_offset_C is None
        else f", its knob at {warmth.knob_C:g}: write set_offset_C = {warmth.set_offset_C:.1f}"
    )
    return [
        f"{where.name}: its air is at {warmth.mean_C:.1f} °C on average{offset}; "
        f"it swings {warmth.swing_C:.1f} K above that{_rising(warmth)}: write temperature_C = {warmth.mean_C:.1f}, "
        f"swing_C = {warmth.swing_C:.1f}"
    ]


def _rising(warmth: Thermostat) -> str:
    """Return how it warmed up."""
    if warmth.rise_K_min is None:
        return ""
    return f" and took {hours(warmth.settled_s)} to get there ({warmth.rise_K_min:.1f} K a minute)"


def _too_warm(spool: Spool, warmth: Thermostat | None) -> list[str]:
    """Return where the log went above a limit of polymer or reel."""
    if warmth is None:
        return []
    return [
        f"its air peaked at {warmth.highest_C:.1f} °C, above {bound.limit_C:g} °C: {bound.whose}; turn it down"
        for bound in stated(spool)
        if warmth.highest_C > bound.limit_C
    ][:1]


def _cautions(run: Run) -> list[str]:
    """Return what the curve does not say by itself."""
    said = (
        []
        if run.tells
        else [f"the scale can't tell: {run.because}; weigh on a finer scale, or go by the hours"]
    )
    said.append("weighing tells the mean of the whole reel; the inner turns lag behind it")
    said.append(f"put it back into hot air quickly, {HEAT}")
    return said
