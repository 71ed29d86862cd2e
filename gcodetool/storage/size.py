"""How much desiccant a box needs so that what is fed next stays good in it until a day: the model run forward.

In: spools as they are, a closed place, a day.  The spools stand in the box together, with its leak, its openings and
a fresh charge; the charge grows until nine members in ten hold.  Left out: rooms that change with the season (the
room is as it was on average), the moments of openings (each lets in the box's air once, evenly over the week).
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture.airlog import log_air
from gcodetool.moisture.constants import HOUR_S
from gcodetool.moisture.history import State, surroundings
from gcodetool.moisture.record import Place
from gcodetool.moisture.shared_air import Companion, SharedIntegrator
from gcodetool.profiles import Desiccant
from gcodetool.storage.fit import OPENING

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

WEEK_H: Final = 168.0
CONFIDENCE: Final = 0.9
LOOKS: Final = 12  # at the spools on the way
FIRST_SLICE_S: Final = 10.0
LEAST_G, MOST_G_L = (
    10.0,
    250.0,
)  # charges looked at: a small bag; a third of the box filled with grains of 0.75 kg/L
NEAR: Final = 1.06  # how close the least charge is found
ROUNDING: Final = 1e-9


@dataclass(frozen=True)
class BoxPlan:
    """A closed place as it will stand.

    Attributes
    ----------
    place
        Kind, litres, temperature; its exchange is without the openings.
    room
        Its room with steady air.
    openings_per_week, until_s
        How often it is opened, and to which day.
    most_rh_pct
        What its hygrometer may show at most then; None: only the spools count.
    """

    place: Place
    room: Place
    openings_per_week: float
    until_s: float
    most_rh_pct: float | None = None

    def filled(self, agent: Desiccant | None, grams: float, now_s: float) -> Place:
        """Return the place with a fresh charge, its openings counted among what it exchanges."""
        hours = self.openings_per_week / WEEK_H
        opened_m3_h = OPENING * (self.place.air_L or 0.0) / 1000.0 * hours
        return replace(
            self.place,
            rh_pct=None,
            log=None,
            accuracy_rh_pct=None,
            room=self.room.name,
            exchange_m3_h=(self.place.exchange_m3_h or 0.0) + opened_m3_h,
            exchange_range_m3_h=None,
            desiccant=None if agent is None else agent.name,
            agent=agent,
            desiccant_g=grams if agent is not None else None,
            desiccant_fresh_s=(now_s,) if agent is not None else (),
            charges=(),
        )


@dataclass(frozen=True)
class ChargeRun:
    """What comes of one charge: per look (looks,), per member (looks, members).

    Attributes
    ----------
    at_s
        Since now.
    rh_pct
        Of the box's air.
    good : one array for each spool
        Whether what is fed next is within the member's own limit.
    weights : one array for each spool
        Of the members.
    """

    at_s: Floats
    rh_pct: Floats
    good: tuple[Bools, ...]
    weights: tuple[Floats, ...]

    def holds(self, until: int, most_rh_pct: float | None, confidence: float = CONFIDENCE) -> bool:
        """Return whether enough members of each spool are good at that look and never stopped being good before."""
        for good, weights in zip(self.good, self.weights, strict=True):
            held = good[until] & ~(good[: until - 1] & ~good[1:until]).any(axis=0)
            if most_rh_pct is not None:
                held &= self.rh_pct[until] <= most_rh_pct
            if float(weights[held].sum()) < confidence - ROUNDING:
                return False
        return True


@dataclass(frozen=True)
class Sized:
    """What one desiccant comes to.

    Attributes
    ----------
    agent
        Which.
    grams
        The least charge that keeps; None: none that fits into the box does.  0: none is needed.
    rh_pct
        What the hygrometer will show on that day: p10, p50, p90 of the members.
    renew_s
        How long from now on nine members in ten hold, at most twice the time asked.
    best_share
        Where no charge keeps them: share of the members good on that day with the largest one, of the worst spool.
    """

    agent: Desiccant
    grams: float | None
    rh_pct: tuple[float, float, float] | None = None
    renew_s: float | None = None
    best_share: float | None = None


def run_out(
    states: Sequence[State], plan: BoxPlan, agent: Desiccant | None, grams: float, span_s: float
) -> ChargeRun:
    """Return how the spools fare with one charge over a time.

    Parameters
    ----------
    states
        Of the spools now, of the same number of members each; they go into the box together.
    """
    first, now_s = states[0], states[0].as_of_s
    box = plan.filled(agent, grams, now_s)
    places = {**first.spool.places, plan.room.name: plan.room, box.name: box}
    air = surroundings(replace(first.spool, places=places), box.name, now_s, first.doubts).reel
    beside = [Companion(replace(each.field, store_kg=None), each.polymer) for each in states[1:]]
    march = SharedIntegrator(replace(first.field, store_kg=None), first.polymer, beside)
    march.surround(air, joined=True)
    at = [span_s * (i / LOOKS) ** 1.5 for i in range(1, LOOKS + 1)]
    good: list[list[Bools]] = [[_good(each, 100.0 * each.field.outer_mean())] for each in states]
    humid = []
    before_s = 0.0
    for moment_s in at:
        march.run(
            moment_s - before_s, first_s=FIRST_SLICE_S if before_s == 0.0 else 0.1 * (moment_s - before_s)
        )
        before_s = moment_s
        humid.append(np.nan_to_num(100.0 * air.activity_over(march.held_kg()), nan=50.0))
        fields = [march.outer_mean(), *(each.field.outer_mean() for each in march.company)]
        for listed, state, content in zip(good, states, fields, strict=True):
            listed.append(_good(state, 100.0 * content))
    return ChargeRun(
        np.array([0.0, *at]),
        np.array([humid[0], *humid]),
        tuple(np.array(listed) for listed in good),
        tuple(each.weights for each in states),
    )


def _good(state: State, wt_pct: Floats) -> Bools:
    return np.asarray((wt_pct <= state.limit_good_wt_pct) | np.isnan(wt_pct))


def least_charge(
    states: Sequence[State],
    plan: BoxPlan,
    agent: Desiccant,
    *,
    tell: Callable[[float], None] | None = None,
) -> Sized:
    """Return the least charge of one desiccant that keeps the spools good until the day.

    *tell* is called with each charge that was tried.
    """
    span_s = plan.until_s - states[0].as_of_s

    def keeps(grams: float) -> bool:
        if tell is not None:
            tell(grams)
        return run_out(states, plan, agent if grams else None, grams, span_s).holds(LOOKS, plan.most_rh_pct)

    most = MOST_G_L * (plan.place.air_L or 0.0)
    if keeps(0.0):
        return _told(states, plan, agent, 0.0, span_s)
    if most < LEAST_G or not keeps(most):
        ran = run_out(states, plan, agent, max(most, LEAST_G), span_s)
        shares = [float(w[good[-1]].sum()) for good, w in zip(ran.good, ran.weights, strict=True)]
        return Sized(agent, None, best_share=min(shares))
    low, high = 0.0, most
    guess = min(LEAST_G, most)
    while not high / max(low, LEAST_G / 2.0) <= NEAR:
        if keeps(guess):
            high = guess
        else:
            low = guess
        guess = (
            4.0 * guess if high == most and 4.0 * guess < most else math.sqrt(max(low, LEAST_G / 2.0) * high)
        )
    return _told(states, plan, agent, _rounded_up(high), span_s)


def _rounded_up(grams: float) -> float:
    """Return grams as somebody weighs them: two digits, never less.

    >>> _rounded_up(123.0), _rounded_up(9.2), _rounded_up(50.0)
    (130.0, 10.0, 50.0)
    """
    step = 10.0 ** (max(1, math.floor(math.log10(grams))) - 1)
    return math.ceil(grams / step - 1e-9) * step


def _told(states: Sequence[State], plan: BoxPlan, agent: Desiccant, grams: float, span_s: float) -> Sized:
    """Return a charge with what it shows and how long it lasts."""
    ran = run_out(states, plan, agent if grams else None, grams, span_s)
    humid = states[0].quantiles(ran.rh_pct[-1])
    beyond = run_out(states, plan, agent if grams else None, grams, 2.0 * span_s)
    renew_s = span_s
    for look in range(1, LOOKS + 1):
        if beyond.holds(look, plan.most_rh_pct):
            renew_s = max(renew_s, float(beyond.at_s[look]))
    middle = humid.p50
    return Sized(
        agent,
        grams,
        (middle if humid.p10 is None else humid.p10, middle, middle if humid.p90 is None else humid.p90),
        renew_s,
    )


@dataclass(frozen=True)
class Brought:
    """What a spool brings into the box.

    Attributes
    ----------
    spool, mean_wt_pct, limit_wt_pct
        Its median content and its good limit.
    water_g
        Beyond what it holds at that limit, the median member's; below 0: it takes water up itself.
    good_share
        Share of the members whose next-fed strand is good now.
    """

    spool: str
    mean_wt_pct: float
    limit_wt_pct: float
    water_g: float
    good_share: float

    @property
    def dry_first(self) -> bool:
        """Whether no box keeps good what is not good now."""
        return self.good_share < CONFIDENCE - ROUNDING


def brought(state: State) -> Brought:
    """Return what a spool brings in."""
    mean, limit = state.quantiles(state.mean_wt_pct).p50, state.quantiles(state.limit_good_wt_pct).p50
    over = state.quantiles(state.remaining_g * (state.mean_wt_pct - state.limit_good_wt_pct) / 100.0).p50
    good = _good(state, state.next_fed_wt_pct)
    return Brought(state.spool.id, mean, limit, over, float(state.weights[good].sum()))


def steady_room(place: Place, at_s: float, days: float = 28.0) -> Place:
    """Return a room with its mean air: of its log over so many days, else as it is stated."""
    if place.log is None:
        return place
    begin_s = max(place.log.at_s[0], at_s - days * 24.0 * HOUR_S)
    mean = log_air(place.log, min(begin_s, at_s - 1.0), at_s)
    return replace(
        place,
        kind="open",
        log=None,
        temperature_C=mean.temperature_C,
        rh_pct=min(100.0, mean.rh_pct),
        room=None,
    )
