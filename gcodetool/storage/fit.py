"""What a box's hygrometer log says of it: how much air it exchanges, how often it was opened, what its desiccant holds.

In: the readings of the box and of its room, the litres or the desiccant that it states.  Out: bands.  Between two
openings the box's water follows ``d(air + desiccant)/dt = exchange * (room - box)``; the exchange, the errors of both
hygrometers and of the desiccant's capacity are weighed against the readings on a grid.  Equations and what was
measured: ``docs/storage.md``.  Left out: water that reels in the box give off or take up (it widens the band only),
air that comes in when the box's own air cools.
"""

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.errors import InputError
from gcodetool.moisture.air import DesiccantIsotherm, saturation_pressure, vapour_density
from gcodetool.moisture.constants import DAY_S, HOUR_S, ZERO_CELSIUS_K
from gcodetool.moisture.record import AirLog

Floats = NDArray[np.float64]

SHORTEST_S: Final = 12 * HOUR_S  # of a log that is read at all
WINDOW_S: Final = 1200.0  # in which an opening shows
LEAST_STEP_PCT: Final = 1.5  # of an opening, and so many times what the readings scatter by:
SCATTERS: Final = 6.0
ROUNDS: Final = 2.1  # and grains of the display
AROUND_S: Final = 7200.0  # to either side, where a leak's own rise is looked at
APART_S: Final = 2700.0  # openings closer than this are one
SETTLES_S: Final = 2.5 * HOUR_S  # until air, desiccant and walls are in balance again
LEAST_STRETCH_S: Final = 2 * HOUR_S
GAP: Final = 4.0  # intervals: longer ones are gaps, and
GAP_S: Final = HOUR_S
STUCK_S: Final = DAY_S  # the same figure for so long while the room's moves
STUCK_ROOM_PCT: Final = 3.0
STEP_S: Final = 1800.0  # of the calculation, at most so long

# Errors, standard deviations (own estimates, as `moisture.doubts` has them where it says so).
OFFSET_PCT: Final = 3.5  # of a hygrometer, over one log: `HYGROMETER_PCT` less where it hangs
CAPACITY: Final = 0.2  # of what a charge is said to hold, relative: mass, kind, age, temperature
LEVEL_PCT: Final = 0.3  # of where a stretch begins
READING_PCT: Final = 0.3  # of one hour's mean
# What is not modelled, in a day: drift, and the slowness of the desiccant, of walls, of reels.
WANDERS_PCT: Final = 0.15
WANDERS_BARE_PCT: Final = 1.5
WANDERS_REELS_PCT: Final = 2.5
WALLS_KG: Final = 2e-4  # that walls hold in saturated air (own estimate: 0 to twice that)
SHARES: Final = np.array([[0.03, 0.0], [0.1, 0.25], [0.2, 0.5], [0.4, 1.0], [0.8, 2.0]])  # of reels, of walls
RATES_PER_DAY: Final = (
    0.03,
    30.0,
)  # exchange looked at: from a tight gasket to a lid that lies on (own estimate)
RATES: Final = 61
NODES: Final = np.array([-1.7, -0.8, 0.0, 0.8, 1.7])  # deviations, at which errors are tried
OPENING: Final = 0.8  # of its air that a box gives away when it is opened (own estimate, 0.5 to 1)
HIGH: Final = 99.5  # % RH: water in the sensor


@dataclass(frozen=True)
class Between:
    """Quantiles of what is not known."""

    p10: float
    p50: float
    p90: float


@dataclass(frozen=True)
class Doubtful:
    """A stretch of a log that was not used, and why."""

    begin_s: float
    end_s: float
    why: str


@dataclass(frozen=True)
class BoxFit:
    """What a box's log says.

    Attributes
    ----------
    begin_s, end_s, used_s
        The log, and how much of it was used.
    exchange_per_day
        Of the box's air; None where its litres are not stated.
    exchange_m3_h
        The same as a stream.
    tight
        The readings only say that it is tighter than `p90`.
    openings_s
        When its air jumped towards the room's.
    openings_per_week : Between
        Of how often that happens.
    held_g, left_g
        Water in its desiccant, and what that still takes until it is spent; None without desiccant.
    lasts_days
        Until that is used up by leak and openings, in the room's mean air; None without desiccant.
    shown_rh_pct
        Mean of the last hour.
    doubtful
        What was left out.
    """

    begin_s: float
    end_s: float
    used_s: float
    exchange_per_day: Between | None
    exchange_m3_h: Between
    tight: bool
    openings_s: tuple[float, ...]
    openings_per_week: Between
    held_g: Between | None
    left_g: Between | None
    lasts_days: Between | None
    shown_rh_pct: float
    doubtful: tuple[Doubtful, ...]


@dataclass(frozen=True)
class BoxFacts:
    """What is stated of a box: its air [m³], desiccant and its mass [kg]; None: not stated.

    ``also_kg`` is what reels in it hold per unit of activity, and may take part with.
    """

    air_m3: float | None = None
    agent: DesiccantIsotherm | None = None
    desiccant_kg: float = 0.0
    also_kg: float = 0.0

    @property
    def dried(self) -> bool:
        """Whether there is desiccant."""
        return self.agent is not None and self.desiccant_kg > 0.0


@dataclass(frozen=True)
class _Course:
    """Readings of the box, and the room's vapour at the same moments. [s], [K], [% RH], [kg/m³]"""

    at_s: Floats
    kelvin: Floats
    rh_pct: Floats
    outside: Floats

    def between(self, first: int, last: int) -> "_Course":
        """Return rows *first* to *last*, both with it."""
        part = slice(first, last + 1)
        return _Course(self.at_s[part], self.kelvin[part], self.rh_pct[part], self.outside[part])

    @property
    def full(self) -> Floats:
        """Vapour of saturated air in the box. [kg/m³]"""
        return vapour_density(self.kelvin, saturation_pressure(self.kelvin))

    @property
    def room_rh_pct(self) -> Floats:
        """Humidity that the room's vapour would have in the box."""
        return 100.0 * self.outside / self.full


def fit_box(log: AirLog, room: AirLog, facts: BoxFacts) -> BoxFit:
    """Return what a box's log says of it.

    Parameters
    ----------
    log, room
        Readings of the box and of its room; a room whose air is stated once has one.
    facts
        What is stated of the box.

    Raises
    ------
    InputError
        Too short a log, or one that no stretch of can be used; what to do.
    """
    if facts.air_m3 is None and not facts.dried:
        raise InputError(
            "neither its litres nor its desiccant is stated: add --air, or --desiccant and its mass"
        )
    course = _course(log, room)
    if course.at_s.shape[0] < 12 or course.at_s[-1] - course.at_s[0] < SHORTEST_S:
        raise InputError(
            f"its log has {course.at_s.shape[0]} readings over "
            f"{max(0.0, float(course.at_s[-1] - course.at_s[0])) / HOUR_S:.0f} h; a day with one every half hour "
            "or more tells something"
        )
    doubtful = [*_outside_room(log, room), *_gaps(course), *_stuck(course)]
    openings = [i for i in _openings(course) if not _within(course.at_s[i], doubtful)]
    stretches = list(_stretches(course, openings, doubtful))
    if not stretches:
        raise InputError(
            "no stretch of its log is undisturbed for two hours: leave it closed for a day and fit again"
        )
    weighed = _Weighed.of(stretches, facts)
    begin_s, end_s = float(course.at_s[0]), float(course.at_s[-1])
    last = course.rh_pct[course.at_s >= end_s - HOUR_S]
    shown = float(np.mean(last))
    held, left, lasts = (None, None, None)
    often = _per_week(
        len(openings), max(HOUR_S, end_s - begin_s - sum(e.end_s - e.begin_s for e in doubtful))
    )
    if facts.dried:
        drier = float(np.mean(np.maximum(0.0, course.outside - course.full * shown / 100.0)))
        held, left, lasts = weighed.charge(facts, shown, drier, often.p50 / 7.0)
    stream = weighed.stream_m3_day(facts)
    return BoxFit(
        begin_s=begin_s,
        end_s=end_s,
        used_s=sum(float(each.at_s[-1] - each.at_s[0]) for each in stretches),
        exchange_per_day=None if facts.air_m3 is None else _scaled(stream, 1.0 / facts.air_m3),
        exchange_m3_h=_scaled(stream, 1.0 / 24.0),
        tight=weighed.tight,
        openings_s=tuple(float(course.at_s[i]) for i in openings),
        openings_per_week=often,
        held_g=held,
        left_g=left,
        lasts_days=lasts,
        shown_rh_pct=shown,
        doubtful=tuple(sorted(doubtful, key=lambda each: each.begin_s)),
    )


def _scaled(band: Between, factor: float) -> Between:
    return Between(band.p10 * factor, band.p50 * factor, band.p90 * factor)


def _per_week(count: int, seconds: float) -> Between:
    """Return how often openings happen, from a count: a gamma distribution by Wilson and Hilferty's cube.

    >>> [round(each, 1) for each in vars(_per_week(4, 7 * DAY_S)).values()]
    [2.1, 4.2, 7.3]
    """
    shape = count + 0.5
    cubes = [
        shape * max(0.0, 1.0 - 1.0 / (9.0 * shape) + z / (3.0 * math.sqrt(shape))) ** 3
        for z in (-1.2816, 0.0, 1.2816)
    ]
    return _scaled(Between(*cubes), 7 * DAY_S / seconds)


# ---------------------------------------------------------------- reading the log


def _course(log: AirLog, room: AirLog) -> _Course:
    at_s = np.asarray(log.at_s, dtype=np.float64)
    kelvin = np.asarray(log.temperature_C, dtype=np.float64) + ZERO_CELSIUS_K
    room_K = np.asarray(room.temperature_C, dtype=np.float64) + ZERO_CELSIUS_K
    vapour = np.asarray(room.rh_pct) / 100.0 * saturation_pressure(room_K)
    outside = vapour_density(room_K, vapour)
    return _Course(
        at_s,
        kelvin,
        np.asarray(log.rh_pct, dtype=np.float64),
        np.interp(at_s, np.asarray(room.at_s), outside),
    )


def _outside_room(log: AirLog, room: AirLog) -> Iterator[Doubtful]:
    """Yield where the room was not read; a room stated once is taken as that throughout."""
    if len(room.at_s) < 2:
        return
    if log.at_s[0] < room.at_s[0] - GAP_S:
        yield Doubtful(log.at_s[0], min(room.at_s[0], log.at_s[-1]), "the room was not read")
    if log.at_s[-1] > room.at_s[-1] + GAP_S:
        yield Doubtful(max(room.at_s[-1], log.at_s[0]), log.at_s[-1], "the room was not read")


def _gaps(course: _Course) -> Iterator[Doubtful]:
    steps = np.diff(course.at_s)
    most = max(GAP_S, GAP * float(np.median(steps)))
    for i in map(int, np.flatnonzero(steps > most)):
        yield Doubtful(float(course.at_s[i]), float(course.at_s[i + 1]), "no readings")


def _stuck(course: _Course) -> Iterator[Doubtful]:
    """Yield where the hygrometer shows saturation, or the same figure for a day while the room's air moves."""
    wet = course.rh_pct >= HIGH
    same = np.concatenate([[0], np.flatnonzero(np.diff(course.rh_pct) != 0.0) + 1, [len(course.rh_pct)]])
    for first, stop in itertools.pairwise(same):
        begin_s, end_s = float(course.at_s[first]), float(course.at_s[stop - 1])
        room = course.room_rh_pct[first:stop]
        if wet[first] and stop - first > 1:
            yield Doubtful(begin_s, end_s, "it shows saturated air")
        elif end_s - begin_s >= STUCK_S and np.ptp(room) >= STUCK_ROOM_PCT and _coarse(course) < 1.0:
            yield Doubtful(begin_s, end_s, "it shows the same figure for a day or more")


def _coarse(course: _Course) -> float:
    """Return the grain of the display: the smallest step that is one. [% RH]"""
    steps = np.abs(np.diff(course.rh_pct))
    steps = steps[steps > 1e-6]
    return float(steps.min()) if steps.size else 1.0


def _within(at_s: float, doubtful: list[Doubtful]) -> bool:
    return any(each.begin_s <= at_s <= each.end_s for each in doubtful)


def _openings(course: _Course) -> list[int]:
    """Return the rows before which the box's air jumped towards the room's."""
    at_s, rh = course.at_s, course.rh_pct
    after = np.minimum(np.searchsorted(at_s, at_s + WINDOW_S, side="right") - 1, len(at_s) - 1)
    after = np.maximum(after, np.minimum(np.arange(len(at_s)) + 1, len(at_s) - 1))
    towards = np.sign(course.room_rh_pct - rh)
    rise = towards * (rh[after] - rh)
    above = rise - _usual(rise, float(np.median(np.diff(at_s))))
    scatter = 1.4826 * float(np.median(np.abs(above)))
    least = max(LEAST_STEP_PCT, ROUNDS * _coarse(course), SCATTERS * scatter)
    found: list[int] = []
    over = np.flatnonzero(above > least)
    # of neighbours the steepest is the opening
    for i in over[np.argsort(-rise[over], kind="stable")]:
        if all(abs(at_s[i] - at_s[j]) > APART_S for j in found):
            found.append(int(i))
    return sorted(found)


def _usual(rise: Floats, interval_s: float) -> Floats:
    """Return the median rise around each row: what a leak does, which is no opening."""
    beside = max(2, min(len(rise) // 2 - 1, int(AROUND_S / interval_s)))
    padded = np.pad(rise, beside, mode="reflect")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * beside + 1), axis=1))


def _stretches(course: _Course, openings: list[int], doubtful: list[Doubtful]) -> Iterator[_Course]:
    """Yield the undisturbed stretches, thinned to the steps of the calculation."""
    at_s = course.at_s
    usable = np.ones(len(at_s), dtype=bool)
    for i in openings:
        usable &= (at_s <= at_s[i]) | (at_s > at_s[i] + WINDOW_S + SETTLES_S)
    cuts = {0, len(at_s)} | {i + 1 for i in openings}
    for each in doubtful:
        usable &= (at_s <= each.begin_s) | (at_s >= each.end_s)
        cuts.add(int(np.searchsorted(at_s, each.end_s)))
    bounds = sorted(cuts)
    for first, stop in itertools.pairwise(bounds):
        rows = first + np.flatnonzero(usable[first:stop])
        if len(rows) > 1 and at_s[rows[-1]] - at_s[rows[0]] >= LEAST_STRETCH_S:
            yield _thinned(course.between(int(rows[0]), int(rows[-1])))


def _thinned(part: _Course) -> _Course:
    """Return means over equal steps of at most STEP_S."""
    span = float(part.at_s[-1] - part.at_s[0])
    count = max(2, math.ceil(span / STEP_S))
    number = np.minimum(((part.at_s - part.at_s[0]) / span * count).astype(int), count - 1)
    filled = np.bincount(number, minlength=count)

    def mean(values: Floats) -> Floats:
        sums = np.bincount(number, weights=values, minlength=count)
        return np.asarray(sums[filled > 0] / filled[filled > 0])

    return _Course(mean(part.at_s), mean(part.kelvin), mean(part.rh_pct), mean(part.outside))


# ---------------------------------------------------------------- weighing


@dataclass(frozen=True)
class _Weighed:
    """Weights over (rate, offset of the box's hygrometer, of the room's, capacity), in sum 1."""

    rates: Floats  # per day, of the box's air, or of a litre for each gram of desiccant
    weights: Floats

    @classmethod
    def of(cls, stretches: list[_Course], facts: BoxFacts) -> "_Weighed":
        """Return the weights that the readings leave."""
        rates = np.geomspace(*RATES_PER_DAY, RATES)
        offset = OFFSET_PCT * NODES
        prior = np.exp(-0.5 * NODES**2)
        shape = (RATES, len(NODES), len(NODES), len(NODES))
        rate, own, room, node = (
            np.broadcast_to(np.asarray(each, dtype=np.float64), shape).ravel()
            for each in (
                rates[:, None, None, None],
                offset[:, None, None],
                offset[:, None],
                np.arange(len(NODES)),
            )
        )
        last = prior if facts.dried else np.ones(len(NODES))
        logs = np.log((prior[:, None, None] * prior[:, None] * last)[None] * np.ones(shape)).ravel()
        for part in stretches:
            logs = logs + _likeness(part, facts, rate, own, room, _Store(facts, node.astype(int)))
        weights = np.exp(logs - logs.max()).reshape(shape)
        return cls(rates, weights / weights.sum())

    def stream_m3_day(self, facts: BoxFacts) -> Between:
        """Return the exchange. [m³/d]"""
        return _scaled(_band(self.rates, self.weights.sum(axis=(1, 2, 3))), _volume_m3(facts))

    @property
    def tight(self) -> bool:
        """Whether the least rate looked at fits as well as any."""
        by_rate = self.weights.sum(axis=(1, 2, 3))
        return bool(by_rate[: RATES // 8].mean() > 0.5 * by_rate.max())

    def charge(
        self, facts: BoxFacts, shown: float, drier_kg_m3: float, openings_per_day: float
    ) -> tuple[Between, Between, Between]:
        """Return what the desiccant holds and still takes until it is spent [g], and how long that lasts [d].

        *drier_kg_m3*: how much more vapour the room's air holds than the box's.
        """
        agent = facts.agent
        assert agent is not None
        by_both = self.weights.sum(axis=(0, 2))  # (own offset, capacity)
        humid = np.clip(shown - OFFSET_PCT * NODES, 0.0, 100.0)[:, None]
        grams = 1000.0 * facts.desiccant_kg * np.exp(CAPACITY * NODES) / 100.0
        held = grams * np.interp(humid, agent.rh_pct, agent.content_wt_pct)
        until = grams * float(np.interp(agent.spent_rh_pct, agent.rh_pct, agent.content_wt_pct))
        left = np.maximum(0.0, until - held)
        stream = _volume_m3(facts) * self.rates + OPENING * (facts.air_m3 or 0.0) * openings_per_day
        grams_day = 1000.0 * np.maximum(1e-9, stream * drier_kg_m3)
        by_all = self.weights.sum(axis=2)  # (rate, own offset, capacity)
        lasts = left[None, :, :] / grams_day[:, None, None]
        return _spread(held, by_both), _spread(left, by_both), _spread(lasts, by_all)


def _volume_m3(facts: BoxFacts) -> float:
    """Return what rates are told of: the box's air, else a litre for each ten grams of desiccant."""
    return facts.air_m3 if facts.air_m3 is not None else facts.desiccant_kg / 10.0


def _likeness(
    part: _Course, facts: BoxFacts, rate: Floats, own: Floats, room: Floats, store: "_Store"
) -> Floats:
    """Return the logarithm of how likely a stretch's readings are, one for each point of the grid."""
    shown = part.rh_pct
    full = part.full
    outside = np.maximum(0.0, part.outside[:, None] - full[:, None] * room / 100.0)
    volume = facts.air_m3 or 0.0
    stream = rate * _volume_m3(facts) / DAY_S
    activity = np.clip((shown[: max(1, len(shown) // 20)].mean() - own) / 100.0, 0.0, 1.0)
    miss = np.empty((len(shown), len(rate)))
    miss[0] = shown[0] - own - 100.0 * activity
    for i in range(1, len(shown)):
        step_s = part.at_s[i] - part.at_s[i - 1]
        middle = 0.5 * (full[i] + full[i - 1])
        holds = store.slope_kg(activity) + volume * middle
        gain = stream * (0.5 * (outside[i] + outside[i - 1]) - middle * activity) * step_s
        gain = gain - volume * activity * (full[i] - full[i - 1])
        activity = np.clip(activity + gain / (holds + stream * middle * step_s), 0.0, 1.0)
        miss[i] = shown[i] - own - 100.0 * activity
    wanders = WANDERS_PCT if facts.dried else WANDERS_REELS_PCT if facts.also_kg else WANDERS_BARE_PCT
    return _gaussian(part.at_s, miss, wanders)


class _Store:
    """What desiccant, reels and walls hold beside the air: each point of the grid has its own guess of it."""

    def __init__(self, facts: BoxFacts, node: NDArray[np.int64]) -> None:
        agent = facts.agent
        more = SHARES[node] if not facts.dried else np.broadcast_to(SHARES[2], (len(node), 2))
        self.always_kg = more[:, 0] * facts.also_kg + more[:, 1] * WALLS_KG
        self.desiccant_kg = facts.desiccant_kg * np.exp(CAPACITY * NODES[node])
        self.humid = np.arange(0.0, 101.0)
        held = np.zeros(101) if agent is None else np.interp(self.humid, agent.rh_pct, agent.content_wt_pct)
        # over ten per cent: an isotherm's corners are where somebody measured, not where it bends
        low, high = np.clip(self.humid - 5.0, 0, 100), np.clip(self.humid + 5.0, 0, 100)
        self.slopes = (np.interp(high, self.humid, held) - np.interp(low, self.humid, held)) / (high - low)

    def slope_kg(self, activity: Floats) -> Floats:
        """Return how it grows with the activity. [kg]"""
        return np.asarray(
            self.always_kg + self.desiccant_kg * np.interp(100.0 * activity, self.humid, self.slopes)
        )


def _gaussian(at_s: Floats, miss: Floats, wanders_pct: float) -> Floats:
    """Return the log likelihood of residuals: a level, a slow walk, and what hour means scatter by."""
    blocks = min(12, max(2, int((at_s[-1] - at_s[0]) / HOUR_S)))
    number = np.minimum(((at_s - at_s[0]) / (at_s[-1] - at_s[0]) * blocks).astype(int), blocks - 1)
    rows = [miss[number == i].mean(axis=0) for i in range(blocks) if (number == i).any()]
    days = np.array([at_s[number == i].mean() for i in range(blocks) if (number == i).any()]) / DAY_S
    days = days - at_s[0] / DAY_S
    covariance = (
        LEVEL_PCT**2
        + READING_PCT**2 * np.eye(len(days))
        + wanders_pct**2 * np.minimum(days[:, None], days[None, :])
    )
    found = np.stack(rows)
    return np.asarray(-0.5 * np.sum(found * np.linalg.solve(covariance, found), axis=0))


def _band(values: Floats, weights: Floats) -> Between:
    """Return p10, p50 and p90 of values on an even grid of their logarithms."""
    share = np.cumsum(weights) - 0.5 * weights
    return Between(*(float(np.exp(np.interp(q, share, np.log(values)))) for q in (0.1, 0.5, 0.9)))


def _spread(values: Floats, weights: Floats) -> Between:
    order = np.argsort(values, axis=None)
    share = np.cumsum(weights.ravel()[order])
    ordered = values.ravel()[order]
    return Between(*(float(np.interp(q, share, ordered)) for q in (0.1, 0.5, 0.9)))
