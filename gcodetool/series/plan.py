"""What a planned series comes to: strand, how each state is made and when, prints needed, order, calendar.

A state is followed by letting a sample's record go on as planned, with the members that the spool has.  Left out: the
plan's file (``planfile``), the job's length (``app.series`` brings it), and words (``report``).
"""

import random
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal

from gcodetool.drying.plan import DryingPlan
from gcodetool.errors import SeriesError
from gcodetool.moisture.constants import HOUR_S
from gcodetool.moisture.cutting import sample_of
from gcodetool.moisture.history import Quantiles, State, quantiles, state_at
from gcodetool.moisture.record import Event, Spool
from gcodetool.profiles import lookup, salt_solution
from gcodetool.series import statistics
from gcodetool.series.conditioning import (
    Conditioning,
    ScaleChange,
    conditioning,
    keeps_s,
    on_scale,
    wound_takes_s,
)
from gcodetool.series.doubt import Doubt
from gcodetool.series.planfile import Quantity, SeriesPlan, StateOfWater

RESERVE: Final = 0.1  # of the strand: ends that are cut, a print that is broken off
SPREAD: Final = 0.1  # of prints and specimens together, where nobody states it (own estimate, 0.03 to 0.3)
DRY_HOURS: Final = 8.0  # where the drying plan does not get there (own estimate)

DryPlan = Callable[[State, str], DryingPlan]


@dataclass(frozen=True)
class Demand:
    """What one print takes off the spool: the job, the block's purge, and the strand in the way. [mm]"""

    job_mm: float
    purge_mm: float
    path_mm: float
    seconds: float  # that a print takes

    @property
    def print_mm(self) -> float:
        """All of it."""
        return self.job_mm + self.purge_mm + self.path_mm


@dataclass(frozen=True)
class PlannedStep:
    """One stay of a sample.

    Attributes
    ----------
    kind
        In a dryer, or kept elsewhere.
    takes_s
        How long: as stated or advised, or what the members need.
    stated
        The hours are the plan's own.
    before_wt_pct, after_wt_pct
        Mean content of the sample.
    temperature_C
        Of a dryer's air.
    conditioning
        Of a stay that goes on until the whole strand is near its target.
    """

    kind: Literal["dry", "keep"]
    place: str
    takes_s: Quantiles
    stated: bool
    before_wt_pct: Quantiles
    after_wt_pct: Quantiles
    scale: ScaleChange
    temperature_C: float | None = None
    knob_C: float | None = None
    conditioning: Conditioning | None = None
    wound_s: float | None = None
    care: str | None = None  # of a salt solution
    possible: bool = True  # a dryer may be run for it at all

    @property
    def planned_s(self) -> float:
        """How long to plan for: where it is not stated, until nine members in ten are there."""
        if self.stated or self.even_s is not None or self.takes_s.p90 is None:
            return self.takes_s.p50
        return self.takes_s.p90

    @property
    def even_s(self) -> float | None:
        """How long it then lies in a tight bag until it is even; None: it does not need to."""
        return None if self.conditioning is None else self.conditioning.even_s

    @property
    def reaches(self) -> bool:
        """Whether it leads to what is asked for."""
        return self.possible and (self.conditioning is None or self.conditioning.takes_s is not None)


@dataclass(frozen=True)
class PlannedState:
    """One state: its steps, and what it should be at the nozzle. [wt %]"""

    name: str
    steps: tuple[PlannedStep, ...]
    content_wt_pct: Quantiles
    target_wt_pct: Quantiles | None  # where something other than hours was asked for
    sample_mm: float
    sample_g: float
    room: str = ""  # where it is printed, as far as that is known: where the spool stands
    keeps_s: float | None = None  # there, until it is another state; None: longer than it waits

    @property
    def total_s(self) -> float:
        """How long it takes to make."""
        return sum(step.planned_s + (step.even_s or 0.0) for step in self.steps)


@dataclass(frozen=True)
class QuantityPower:
    """What prints of one quantity can show; shares 0 to 1.

    ``needed`` None: more than a series can have; ``smallest`` None: no difference at all.  Of a rating ``needed`` is how
    many prints a state needs to show anything, and the rest is None.
    """

    quantity: Quantity
    spread: float | None
    source: Literal["stated", "earlier", "assumed", "rating"]
    needed: int | None
    smallest: float | None
    at_need: float | None = None  # if all spread is between specimens, none between prints


@dataclass(frozen=True)
class Turn:
    """One print: which state's, the how manyth of it, and in which block."""

    state: str
    print: int
    block: int


@dataclass(frozen=True)
class CalendarEntry:
    """What is due when, since the first thing is done. [s]"""

    at_s: float
    kind: Literal["cut", "weigh", "dry", "keep", "bag", "print"]
    state: str
    place: str | None = None
    print: int | None = None


@dataclass(frozen=True)
class SeriesOutlook:
    """All that is known of a series before anything is printed."""

    plan: SeriesPlan
    at_s: float
    material: str
    demand: Demand
    states: tuple[PlannedState, ...]
    strand_mm: float
    left_mm: float
    powers: tuple[QuantityPower, ...]
    seed: int
    order: tuple[Turn, ...]
    calendar: tuple[CalendarEntry, ...]
    doubts: tuple[Doubt, ...]


def outlook(
    plan: SeriesPlan,
    spool: Spool,
    state: State,
    demand: Demand,
    *,
    dry_plan: DryPlan,
    earlier: Mapping[str, float],
) -> SeriesOutlook:
    """Return what a series comes to, begun at *state*'s moment.

    Parameters
    ----------
    dry_plan
        Gives the drying plan of a state in a dryer.
    earlier
        Spread of quantities in earlier series, over their means.

    Raises
    ------
    SeriesError
        A place that is not known, or not of the kind that is needed.
    """
    sample_mm = plan.prints * demand.print_mm * (1.0 + RESERVE)
    states = tuple(
        _planned_state(plan, name, spool, state, sample_mm, dry_plan=dry_plan) for name in plan.states
    )
    design = design_of(plan)
    powers = tuple(_power(plan, quantity, design, earlier) for quantity in plan.quantities.values())
    seed = zlib.crc32(plan.id.encode()) if plan.seed is None else plan.seed
    order = turns(list(plan.states), plan.prints, seed)
    strand_mm = sample_mm * len(states)
    doubts = _doubts(plan, states, powers, demand, strand_mm, state.remaining_mm)
    return SeriesOutlook(
        plan,
        state.as_of_s,
        spool.material.key,
        demand,
        states,
        strand_mm,
        state.remaining_mm,
        powers,
        seed,
        order,
        _calendar(states, order, demand.seconds),
        tuple(doubts),
    )


def design_of(plan: SeriesPlan) -> statistics.Design:
    """Return what decides how much a plan's prints can show."""
    return statistics.Design(
        len(plan.states), max(1, (len(plan.states) - 1) * len(plan.quantities)), plan.confidence
    )


def turns(states: list[str], prints: int, seed: int) -> tuple[Turn, ...]:
    """Return the order of the prints: each block has one of each state, in an order drawn by *seed*.

    >>> [turn.state for turn in turns(["a", "b", "c"], 2, 7)]
    ['c', 'a', 'b', 'c', 'a', 'b']
    """
    draw = random.Random(seed)
    found = []
    for block in range(1, prints + 1):
        names = list(states)
        draw.shuffle(names)
        found += [Turn(name, block, block) for name in names]
    return tuple(found)


def _planned_state(
    plan: SeriesPlan, name: str, spool: Spool, state: State, sample_mm: float, *, dry_plan: DryPlan
) -> PlannedState:
    """Return how one state is made, by the record of a sample that goes on as planned."""
    grams = sample_mm / state.remaining_mm * state.remaining_g
    sample = sample_of(
        spool,
        f"{spool.id}-{name}",
        grams=grams,
        density_kg_m3=state.polymer.density_kg_m3,
        at_s=state.as_of_s,
        place=state.place,
    )
    now = state_at(sample, state.as_of_s, members=state.members)
    steps: list[PlannedStep] = []
    for stay in plan.way(name):
        if stay.dryer is None and stay.place is None:
            continue
        step, now = _step(stay, now, dry_plan)
        if step.conditioning is not None and step.reaches and step.even_s is None:
            step = replace(step, wound_s=wound_takes_s(state, step.place))
        steps.append(step)
    last = steps[-1] if steps else None
    target = None if last is None or last.conditioning is None else last.conditioning.target_wt_pct
    content = quantiles(now.mean_wt_pct, now.weights)
    keeps = keeps_s(now, state.place) if steps and all(step.reaches for step in steps) else None
    return PlannedState(name, tuple(steps), content, target, sample_mm, grams, state.place, keeps)


def _step(stay: StateOfWater, now: State, dry_plan: DryPlan) -> tuple[PlannedStep, State]:
    """Return one stay of a sample, and its state after it."""
    place = stay.dryer or stay.place or ""
    known = now.spool.places
    if place not in known:
        names = ", ".join(sorted(known))
        raise SeriesError(
            f"state '{stay.name}': no place '{place}' on the shelf or in the plan; known: {names}"
        )
    if (known[place].kind == "dryer") != (stay.dryer is not None):
        how = "is no dryer; write place" if stay.dryer else "is a dryer; write dry"
        raise SeriesError(f"state '{stay.name}': {place} {how} = \"{place}\"")
    made = conditions = None
    if stay.dryer is not None:
        made = dry_plan(now, place)
        seconds = stay.hours * HOUR_S if stay.hours is not None else made.advised_s or DRY_HOURS * HOUR_S
        takes = Quantiles(None, seconds, None)
    elif stay.hours is not None:
        takes = Quantiles(None, stay.hours * HOUR_S, None)
    else:
        conditions = conditioning(now, place, stay.to_wt_pct)
        takes = conditions.takes_s or Quantiles(None, 0.0, None)
    through = conditions is not None and conditions.even_s is not None
    planned_s = takes.p50 if takes.p90 is None or through else takes.p90
    heat = None if made is None else made.set_point.temperature_C
    moved = Event(now.as_of_s, "moved", place, temperature_C=heat)
    after = state_at(
        replace(now.spool, events=(*now.spool.events, moved)), now.as_of_s + planned_s, members=now.members
    )
    salt = known[place].solution
    path = None if salt is None else lookup("humidity", salt)
    step = PlannedStep(
        "dry" if made is not None else "keep",
        place,
        takes,
        stay.hours is not None,
        quantiles(now.mean_wt_pct, now.weights),
        quantiles(after.mean_wt_pct, after.weights),
        on_scale(now, after),
        heat,
        None if made is None else made.set_point.knob_C,
        conditions,
        care=None if path is None else salt_solution(path).care,
        possible=made is None or made.set_point.possible,
    )
    return step, after


def _power(
    plan: SeriesPlan, quantity: Quantity, design: statistics.Design, earlier: Mapping[str, float]
) -> QuantityPower:
    """Return what the planned prints can show of one quantity, and how many would do."""
    if quantity.scale is not None:
        fewest = statistics.fewest_ratings(design.confidence, design.comparisons)
        return QuantityPower(quantity, None, "rating", fewest, None)
    spread, source = quantity.spread, "stated"
    if spread is None and quantity.name in earlier:
        spread, source = earlier[quantity.name], "earlier"
    if spread is None:
        spread, source = SPREAD, "assumed"
    wanted = {"share": plan.smallest, "wanted": plan.power}
    needed = statistics.prints_needed(design, spread=spread, **wanted)
    smallest = statistics.smallest_share(design, plan.prints, spread=spread, wanted=plan.power)
    inner = spread / quantity.specimens**0.5
    at_need = statistics.smallest_share(design, plan.prints, spread=inner, wanted=plan.power)
    return QuantityPower(quantity, spread, source, needed, smallest, at_need)  # type: ignore[arg-type]


def _doubts(
    plan: SeriesPlan,
    states: tuple[PlannedState, ...],
    powers: tuple[QuantityPower, ...],
    demand: Demand,
    strand_mm: float,
    left_mm: float,
) -> list[Doubt]:
    """Return what stands in the way of an answer, the worst first."""
    found = []
    if strand_mm > left_mm:
        found.append(Doubt.strand(strand_mm, left_mm))
    for state in states:
        for step in state.steps:
            conditions = step.conditioning
            if conditions is not None and conditions.takes_s is None:
                found.append(Doubt.never(state.name, step.place, conditions))
            if not step.possible:
                found.append(Doubt.no_heat(state.name, step.place))
    for state in states:
        if state.keeps_s is not None and state.keeps_s < demand.seconds:
            found.append(Doubt.short_lived(state.name, state.room, state.keeps_s, demand.seconds))
    for one in powers:
        if one.source == "rating":
            if one.needed is not None and one.needed > plan.prints:
                found.append(Doubt.few_ratings(one.quantity.words, plan.prints, one.needed))
        elif one.smallest is None or one.smallest > plan.smallest:
            found.append(
                Doubt.too_few(one.quantity.words, plan.prints, one.smallest, plan.smallest, one.needed)
            )
        if one.source == "assumed":
            found.append(Doubt.assumed_spread(one.quantity.words, SPREAD))
    if plan.prints == 1:
        found.append(Doubt.one_print())
    return found


def _calendar(
    states: tuple[PlannedState, ...], order: tuple[Turn, ...], print_s: float
) -> tuple[CalendarEntry, ...]:
    """Return what is due when: each state begins so that all are ready when the first print begins."""
    ready = max(state.total_s for state in states)
    found = [CalendarEntry(0.0, "cut", state.name) for state in states]
    for state in states:
        at_s = ready - state.total_s
        for step in state.steps:
            found.append(CalendarEntry(at_s, "weigh", state.name))
            found.append(CalendarEntry(at_s, step.kind, state.name, step.place))
            at_s += step.planned_s
            if step.even_s is not None:
                found.append(CalendarEntry(at_s, "bag", state.name))
                at_s += step.even_s
        found.append(CalendarEntry(ready, "weigh", state.name))
    for number, turn in enumerate(order):
        found.append(CalendarEntry(ready + number * print_s, "print", turn.state, print=turn.print))
    return tuple(sorted(found, key=lambda entry: entry.at_s))
