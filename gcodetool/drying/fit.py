"""Weigh-ins of a drying run to a curve: the dry limit, the water left, and whether an hour more is worth it.

The curve's shapes are the diffusion curves of the spool's own members in that dryer, each stretched in
time and in height,

    gross(t) = G + a (w_m(s t) - w_m(end)),        G flat, a normal about 1, ln s normal about 0,

so that a reel that is faster or wetter than its record says still fits; G, the mass at infinity, is the
dry limit.  Each shape is weighed by how well it fits the readings (linear in G and a, so in closed form),
and what is told is the mixture.  Left out: a scale's drift, other volatiles that leave with the water.
"""

import math
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.drying.course import course
from gcodetool.drying.device import Device, of_place
from gcodetool.drying.drying_floor import equilibrium
from gcodetool.drying.instructions import hours
from gcodetool.drying.limits import stated
from gcodetool.drying.thermostat import Thermostat
from gcodetool.errors import SpoolError, UsageError
from gcodetool.moisture import inference
from gcodetool.moisture.constants import HOUR_S
from gcodetool.moisture.history import Quantiles, State, quantiles, reel_of, state_at
from gcodetool.moisture.inference import READING_SHARE
from gcodetool.moisture.notes import Note
from gcodetool.moisture.record import Event, Place, Spool

Floats = NDArray[np.float64]

BEFORE_S: Final = 2 * HOUR_S  # a weigh-in so long before the spool goes in counts as its start
AFTER_S: Final = 0.5 * HOUR_S  # and one so soon after it came out as its end
GAP_S: Final = HOUR_S  # taken out to be weighed, and put back
HORIZON_S: Final = 240 * HOUR_S
SHAPE_SHARE: Final = 0.01  # of the water lost so far: what no shape gets right
HEIGHT: Final = 0.35  # of a, standard deviation: how far the record may be off about the water (own estimate)
STRETCH: Final = 0.35  # of ln s (own estimate: beside what the members differ by)
STRETCHES: Final = np.linspace(-2.2, 2.2, 17)  # in standard deviations
SAMPLES: Final = 4000
FEWEST: Final = 3
STEPS: Final = 8.0  # of the scale, over all that can leave, below which it can't tell
WORTH_SHARE: Final = 0.02  # of all that can leave, in an hour


@dataclass(frozen=True)
class WeighIn:
    """One weigh-in, from the moment the spool went in."""

    at_s: float
    gross_g: float
    resolution_g: float


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
    lost_g, left_g, next_hour_g
        From the first weigh-in to the last; still to go now; and what the next hour takes of it.
    half_time_s
        Until half of what can leave has left.
    mean_wt_pct, wettest_wt_pct, floor_wt_pct
        Mean content and the wettest layer's now, and what it ends at.
    limit_good_wt_pct
        For comparison.
    worth_it, stop_s
        Whether another hour is, and for how long it will be, from now; None: cannot be told.
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
    next_hour_g: Quantiles
    half_time_s: Quantiles
    mean_wt_pct: Quantiles
    wettest_wt_pct: Quantiles
    floor_wt_pct: Quantiles
    limit_good_wt_pct: float
    worth_it: bool | None
    stop_s: float | None
    curve: tuple[tuple[float, Quantiles], ...]


@dataclass(frozen=True)
class Fit:
    """A spool's drying run and its dryer, as weigh-ins and a log tell them; `do` comes first."""

    do: str
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
        return Fit(thermostat_said[0], spool.id, spool.material.key, where.name, None, warmth, hot, ())
    known = tuple(event for event in spool.events if event.at_s <= began_s and not _among(event, began_s))
    state = state_at(replace(spool, events=known), began_s, members=members)
    device = of_place(spool, state, where.name)
    celsius = device.runs_C if warmth is None else warmth.mean_C
    assert celsius is not None  # a place has one
    if not device.adjustable:
        celsius = device.around.temperature_C
    run = fit_run(state, device, celsius, readings, now_s=min(now_s, ended_s))
    inside = ended_s >= now_s
    do = _todo(spool, where, run, inside)
    return Fit(
        do,
        spool.id,
        spool.material.key,
        where.name,
        run,
        warmth,
        (*thermostat_said, *_too_warm(spool, warmth), *_cautions(run, device, celsius)),
        tuple(state.notes),
    )


def last_run(spool: Spool, now_s: float, place: str | None) -> tuple[float, float, Place]:
    """Return begin, end and place of the last stay in a dryer; short absences are part of it."""
    if place is not None and place not in spool.places:
        known = ", ".join(sorted(spool.places))
        raise UsageError(f"--dryer '{place}': the record of {spool.id} has no such place; it has {known}")
    moves = [event for event in spool.events if event.at_s <= now_s and event.place is not None]
    stays: list[tuple[float, float, str]] = []
    for event, after in zip(moves, [*moves[1:], None], strict=True):
        assert event.place is not None
        stays.append((event.at_s, now_s if after is None else after.at_s, event.place))

    def fits(name: str) -> bool:
        return name == place if place is not None else spool.places[name].kind == "dryer"

    found: tuple[float, float, str] | None = None
    for begin, end, name in reversed(stays):
        if found is None:
            if fits(name):
                found = (begin, end, name)
        elif name == found[2] and found[0] - end <= GAP_S:
            found = (begin, found[1], name)
        elif found[0] - begin > GAP_S:
            break
    if found is None:
        what = "a dryer" if place is None else f"'{place}'"
        raise SpoolError.at(
            spool.source or spool.id, None, f"it was never in {what} up to then; note that with 'moved'"
        )
    return found[0], found[1], spool.places[found[2]]


def readings_of(spool: Spool, began_s: float, ended_s: float) -> tuple[WeighIn, ...]:
    """Return the weigh-ins of a run, by time since the spool went in; a last one before counts as its start."""
    low, high = began_s - BEFORE_S, ended_s + AFTER_S
    fed = [event.at_s for event in spool.events if event.kind == "fed" and low <= event.at_s <= high]
    weighed = [
        event
        for event in spool.events
        if event.kind == "weighed" and low <= event.at_s <= high and not any(at > event.at_s for at in fed)
    ]
    before = [event for event in weighed if event.at_s <= began_s][-1:]
    after = [event for event in weighed if event.at_s > began_s]
    return tuple(
        WeighIn(
            min(max(0.0, event.at_s - began_s), ended_s - began_s), event.gross_g or 0.0, event.resolution_g
        )
        for event in [*before, *after]
    )


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
    mixture = _Mixture(state, ran.at_s, free, ran.wettest - ends, grams * ends, at, gross, readings)
    sampled = mixture.draw(state.spool.id)
    step = max(one.resolution_g for one in readings)
    expected = float(np.median(free[0]))
    tells, because = _tells(state, expected, step, readings)
    now, later = sampled.left(here), sampled.left(here + HOUR_S)
    next_hour = now - later
    worth_g = max(0.5 * step, WORTH_SHARE * float(np.median(sampled.left(0.0))))
    stop = _stop_s(sampled, here, worth_g)
    end = max(1.5 * here, here + 2 * HOUR_S)
    wettest = quantiles(100.0 * (sampled.wettest(here) + sampled.floor_g / grams))
    good = float(np.median(state.limit_good_wt_pct))
    dry = (wettest.p50 if wettest.p90 is None else wettest.p90) <= good
    moments = np.linspace(0.0, end, 25)
    floor = sampled.floor_g
    return Run(
        began_s=state.as_of_s,
        last_s=state.as_of_s + last,
        now_s=state.as_of_s + here,
        readings=tuple(readings),
        tells=tells,
        because=because,
        dry_limit_g=quantiles(sampled.dry_limit_g),
        lost_g=float(gross[0] - gross[-1]),
        left_g=quantiles(now),
        next_hour_g=quantiles(next_hour),
        half_time_s=quantiles(sampled.half_s),
        wettest_wt_pct=wettest,
        mean_wt_pct=quantiles(100.0 * (now + floor) / grams),
        floor_wt_pct=quantiles(100.0 * floor / grams),
        limit_good_wt_pct=good,
        worth_it=bool(np.median(next_hour) >= worth_g) and not dry if tells else None,
        stop_s=(0.0 if dry else stop) if tells else None,
        curve=tuple((float(t), quantiles(sampled.dry_limit_g + sampled.left(float(t)))) for t in moments),
    )


class _Mixture:
    """All shapes, each member's at each stretch, with what the readings say of its G and a."""

    def __init__(
        self,
        state: State,
        at_s: Floats,
        free_g: Floats,
        over: Floats,
        ends_g: Floats,
        read_s: Floats,
        gross_g: Floats,
        readings: Sequence[WeighIn],
    ) -> None:
        self.at_s, self.free_g, self.over, self.ends_g = at_s, free_g, over, ends_g
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
            body = inference.CARDBOARD_SHARE * (
                inference.BODY_UNKNOWN_G[0] if reel.body_g is None else reel.body_g
            )
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
        self.floor_g = mixture.ends_g[mixture.member[which]]

    def left(self, at_s: float) -> Floats:
        """Return what can still leave at a moment [g]."""
        return self._scaled(self.mixture.free_g, at_s)

    def wettest(self, at_s: float) -> Floats:
        """Return how far the wettest layer is above where it ends [kg/kg]."""
        return self._scaled(self.mixture.over, at_s)

    def _scaled(self, curves: Floats, at_s: float) -> Floats:
        kinds, back = np.unique(self.which, return_inverse=True)
        mixture = self.mixture
        shape = np.array(
            [np.interp(mixture.stretch[k] * at_s, mixture.at_s, curves[:, mixture.member[k]]) for k in kinds]
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
        mass = inference.BODY_UNKNOWN_G[0] if reel.body_g is None else reel.body_g
        return False, (
            f"the cardboard reel's own water varies by {2 * inference.CARDBOARD_SHARE * mass:.0f} g, "
            f"the strand can give off about {expected_g:.1f} g"
        )
    lost = readings[0].gross_g - readings[-1].gross_g
    if max(abs(expected_g), abs(lost)) < STEPS * step_g:
        return False, (
            f"this reel can give off about {expected_g:.1f} g in all, and the scale reads to {step_g:g} g"
        )
    return True, None


def _stop_s(sampled: _Sampled, here_s: float, worth_g: float) -> float | None:
    """Return for how long from now an hour more is worth it; None: beyond three days."""
    for hour in range(73):
        begin = here_s + hour * HOUR_S
        if float(np.median(sampled.left(begin) - sampled.left(begin + HOUR_S))) < worth_g:
            return hour * HOUR_S
    return None


def _band(one: Quantiles, unit: str, digits: int = 1) -> str:
    if one.p10 is None or one.p90 is None:
        return f"{one.p50:.{digits}f} {unit}"
    return f"{one.p50:.{digits}f} {unit} ({one.p10:.{digits}f} to {one.p90:.{digits}f})"


def _todo(spool: Spool, where: Place, run: Run, inside: bool) -> str:
    """Return what to do now, in one line."""
    if not run.tells:
        return (
            f"The scale can't tell: {run.because}; weigh on a finer scale, or go by the hours of "
            f"'drying plan {spool.id} --dryer {where.name}'"
        )
    left, hour = _band(run.left_g, "g"), run.next_hour_g.p50
    if run.worth_it:
        until = "for days" if run.stop_s is None else f"for another {hours(run.stop_s)}"
        verb = "Leave it in" if inside else "Put it back in"
        return f"{verb} {until}: {left} of water are left to go, the next hour takes {hour:.1f} g"
    verb = "Take it out" if inside else "Leave it out"
    top = run.wettest_wt_pct.p50 if run.wettest_wt_pct.p90 is None else run.wettest_wt_pct.p90
    if top <= run.limit_good_wt_pct:
        return (
            f"{verb}: it is dry; even its wettest turns hold no more than {top:.3f} wt %, "
            f"good is up to {run.limit_good_wt_pct:.3f}"
        )
    return f"{verb}: {left} of water are left to go in this air, the next hour would take only {hour:.2f} g"


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


def _cautions(run: Run, device: Device, celsius: float) -> list[str]:
    """Return what the curve does not say by itself."""
    said = []
    if run.floor_wt_pct.p50 > run.limit_good_wt_pct:
        said.append(
            f"even its dry limit here is not dry enough: at {celsius:.0f} °C in {device.name} it ends at "
            f"{run.floor_wt_pct.p50:.3f} wt %, good is up to {run.limit_good_wt_pct:.3f}"
        )
    said.append("weighing tells the mean of the whole reel; the inner turns lag behind it")
    said.append(
        "put it back into hot air quickly, stay near, never leave heat unattended; the makers' limits come first"
    )
    return said
