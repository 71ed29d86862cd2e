"""What a series shows and cannot show: states, comparisons with the reference, trend over water, and doubts.

The unit of every comparison is a print (``statistics``).  A reading claims a difference only where Holm's chance
is small enough, and likeness only where two one-sided tests say so.  Left out: the sentences (``wording``).
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from gcodetool.moisture.history import Quantiles
from gcodetool.series import statistics
from gcodetool.series.doubt import Doubt
from gcodetool.series.planfile import WHOLE_STRAND, Quantity, SeriesPlan
from gcodetool.series.record import PrintRecord, SeriesRecord

Reading = Literal["worse", "better", "no difference that matters", "cannot say"]
FEWEST_DF: Final = 3  # of an earlier series, for its spread to be taken
UNEVEN: Final = 4.0  # times that one state's prints scatter more than another's, where each has three or more

Pair = tuple[float, float]


@dataclass(frozen=True)
class StateFound:
    """One state: what was printed of it, and what that held. ``reached`` None: nobody noted it."""

    name: str
    prints: int
    wt_pct: Quantiles | None
    planned_wt_pct: Quantiles | None
    reached: bool | None


@dataclass(frozen=True)
class PrintFound:
    """One print's values of a quantity, with their mean, and its water."""

    state: str
    print: int
    values: tuple[float, ...]
    mean: float
    wt_pct: Quantiles | None


@dataclass(frozen=True)
class StateSummary:
    """A quantity in one state; ``spread`` of the prints' means, ``interval`` of their mean; None: not known."""

    state: str
    prints: int
    specimens: int
    mean: float
    spread: float | None
    interval: Pair | None


@dataclass(frozen=True)
class AgainstReference:
    """A state against the reference.

    Attributes
    ----------
    ratio, interval
        Of the means; of a rating None.
    difference
        Of the means, in the quantity's unit.
    p, p_adjusted
        Of "no difference", alone and paid for.
    p_alike
        Of "they differ by more than matters", paid for; None: not asked.
    """

    state: str
    ratio: float | None
    interval: Pair | None
    difference: float
    p: float
    p_adjusted: float
    p_alike: float | None
    reading: Reading


@dataclass(frozen=True)
class TrendFound:
    """How a quantity goes with water.

    Attributes
    ----------
    change, interval
        For each *per_wt_pct* more, over the level before (0.1: 10 % more); of a rating, in its steps.
    p_adjusted
        Of "no monotone trend", paid for among the quantities.
    matters
        (no further than, from) contents between which the change begins to matter; None: it does not, or nobody can say.
    """

    driest_wt_pct: float
    wettest_wt_pct: float
    per_wt_pct: float
    change: float
    interval: Pair
    p_adjusted: float
    shown: bool
    matters: Pair | None
    fit: tuple[Pair, ...]


@dataclass(frozen=True)
class QuantityFound:
    """One quantity over all states."""

    quantity: Quantity
    logarithmic: bool
    prints: tuple[PrintFound, ...]
    states: tuple[StateSummary, ...]
    against: tuple[AgainstReference, ...]
    trend: TrendFound | None


@dataclass(frozen=True)
class SeriesFindings:
    """All that is known of a series."""

    plan: SeriesPlan
    as_of_s: float
    states: tuple[StateFound, ...]
    quantities: tuple[QuantityFound, ...]
    doubts: tuple[Doubt, ...]


def findings(record: SeriesRecord, as_of_s: float) -> SeriesFindings:
    """Return what a series shows.

    Raises
    ------
    UsageError
        scipy is not installed.
    """
    plan = record.plan
    states = tuple(_state_found(record, name) for name in plan.states)
    begun = [_quantity_found(record, quantity) for quantity in plan.quantities.values()]
    quantities = _paid(plan, [one for one in begun if one is not None])
    doubts = _doubts(record, states, quantities)
    return SeriesFindings(plan, as_of_s, states, tuple(quantities), tuple(doubts))


def _together(bands: Sequence[Quantiles]) -> Quantiles | None:
    """Return the band of several prints: the mean of their middles, and all that their bands reach."""
    if not bands:
        return None
    low = [one.p50 if one.p10 is None else one.p10 for one in bands]
    high = [one.p50 if one.p90 is None else one.p90 for one in bands]
    return Quantiles(min(low), float(np.mean([one.p50 for one in bands])), max(high))


def wanted_of(record: SeriesRecord, one: PrintRecord) -> tuple[float, float, float] | None:
    """Return what a print's strand was to hold, and from where to where that counts; None: nothing was planned."""
    if one.target_wt_pct is not None:
        off = WHOLE_STRAND * one.target_wt_pct
        return one.target_wt_pct, one.target_wt_pct - off, one.target_wt_pct + off
    planned = record.planned.get(one.state)
    return None if planned is None else (planned.wt_pct.p50, planned.low, planned.high)


def missed(record: SeriesRecord, one: PrintRecord) -> bool:
    """Return whether a print's strand is of another state than was meant."""
    wanted = wanted_of(record, one)
    return wanted is not None and not wanted[1] <= one.wt_pct.p50 <= wanted[2]


def _state_found(record: SeriesRecord, name: str) -> StateFound:
    mine = [one for one in record.latest.values() if one.state == name]
    planned = record.planned.get(name)
    printed = {one.print for one in mine} | {value.print for value in record.counted if value.state == name}
    return StateFound(
        name,
        len(printed),
        _together([one.wt_pct for one in mine]),
        None if planned is None else planned.wt_pct,
        None if not mine else not any(missed(record, one) for one in mine),
    )


# ---------------------------------------------------------------- one quantity


def _quantity_found(record: SeriesRecord, quantity: Quantity) -> QuantityFound | None:
    """Return a quantity's prints, states and comparisons, not paid for yet; None: it has no value."""
    prints = _prints(record, quantity)
    if not prints:
        return None
    logarithmic = quantity.scale is None and all(value > 0 for one in prints for value in one.values)
    level: Callable[[float], float] = math.log if logarithmic else float
    by_state = {name: [one for one in prints if one.state == name] for name in record.plan.states}
    levels = {name: [level(one.mean) for one in mine] for name, mine in by_state.items() if mine}
    pooled = statistics.one_way(list(levels.values()))
    summaries = tuple(
        _summary(record.plan, quantity, by_state[name], levels[name], pooled, logarithmic) for name in levels
    )
    reference = record.plan.reference
    against = tuple(
        _against(record.plan, quantity, name, levels, by_state, pooled, logarithmic)
        for name in levels
        if name != reference and reference in levels
    )
    return QuantityFound(
        quantity, logarithmic, prints, summaries, against, _trend(record.plan, quantity, prints, level)
    )


def _prints(record: SeriesRecord, quantity: Quantity) -> tuple[PrintFound, ...]:
    grouped: dict[tuple[str, int], list[float]] = {}
    for value in sorted(record.counted, key=lambda one: one.key):
        if value.quantity == quantity.name:
            grouped.setdefault((value.state, value.print), []).append(value.value)
    printed = record.latest
    return tuple(
        PrintFound(
            *key, tuple(values), float(np.mean(values)), printed[key].wt_pct if key in printed else None
        )
        for key, values in grouped.items()
    )


def _summary(
    plan: SeriesPlan,
    quantity: Quantity,
    prints: Sequence[PrintFound],
    levels: Sequence[float],
    pooled: statistics.Pooled,
    logarithmic: bool,
) -> StateSummary:
    means = [one.mean for one in prints]
    low, high = statistics.mean_interval(levels, pooled, plan.confidence)
    interval = None
    if math.isfinite(low):
        interval = (math.exp(low), math.exp(high)) if logarithmic else (low, high)
        if quantity.scale is not None:  # no mean lies beyond it
            interval = (max(low, quantity.scale[0]), min(high, quantity.scale[1]))
    return StateSummary(
        prints[0].state,
        len(prints),
        sum(len(one.values) for one in prints),
        float(np.mean(means)),
        float(np.std(means, ddof=1)) if len(means) > 1 else None,
        interval,
    )


def _against(
    plan: SeriesPlan,
    quantity: Quantity,
    name: str,
    levels: dict[str, list[float]],
    by_state: dict[str, list[PrintFound]],
    pooled: statistics.Pooled,
    logarithmic: bool,
) -> AgainstReference:
    """Return a state against the reference; its reading is not known until all chances are."""
    base = float(np.mean([one.mean for one in by_state[plan.reference]]))
    other = float(np.mean([one.mean for one in by_state[name]]))
    if quantity.scale is not None:
        p = statistics.rating_p(levels[plan.reference], levels[name])
        return AgainstReference(name, None, None, other - base, p, p, None, "cannot say")
    margin = (1.0 - plan.smallest, 1.0 + plan.smallest)
    scale = 1.0 if logarithmic else abs(base) or 1.0
    bounds = (
        (math.log(margin[0]), math.log(margin[1]))
        if logarithmic
        else (-plan.smallest * scale, plan.smallest * scale)
    )
    found = statistics.difference(
        levels[plan.reference], levels[name], pooled, confidence=plan.confidence, margin=bounds
    )

    def ratio(value: float) -> float:
        return math.exp(value) if logarithmic else 1.0 + value / scale

    interval = (ratio(found.low), ratio(found.high)) if math.isfinite(found.low) else None
    return AgainstReference(
        name, ratio(found.value), interval, other - base, found.p, found.p, found.p_alike, "cannot say"
    )


def _trend(
    plan: SeriesPlan, quantity: Quantity, prints: Sequence[PrintFound], level: Callable[[float], float]
) -> TrendFound | None:
    known = sorted((one.wt_pct.p50, level(one.mean)) for one in prints if one.wt_pct is not None)
    if len({one.state for one in prints}) < 2 or not known:
        return None
    alike = _alike(known)
    contents = [float(np.median(x)) for x, y in alike for _ in y]
    found = statistics.trend(contents, [each for _, y in alike for each in y], plan.confidence)
    if found is None:
        return None
    low, high = found.fit[0][0], found.fit[-1][0]
    first = found.fit[0][1]
    per = 10.0 ** math.floor(math.log10(high - low))  # a round amount of water that the prints span
    logarithmic = level is math.log

    def change(of_level: float) -> float:
        if logarithmic:
            return math.expm1(of_level)
        return of_level if quantity.scale is not None else of_level / (abs(first) or 1.0)

    return TrendFound(
        low,
        high,
        per,
        change(found.slope * per),
        (change(found.low * per), change(found.high * per)),
        found.p,
        False,
        _begins(plan, quantity, [(x, change(y - first)) for x, y in found.fit]),
        tuple((x, math.exp(y) if logarithmic else y) for x, y in found.fit),
    )


def _begins(plan: SeriesPlan, quantity: Quantity, fit: Sequence[Pair]) -> Pair | None:
    """Return the contents between which the monotone curve becomes worse by more than matters."""
    enough = plan.smallest
    if quantity.scale is not None:
        enough *= quantity.scale[1] - quantity.scale[0]
    sign = -1.0 if quantity.better == "higher" else 1.0
    before = fit[0][0]
    for content, change in fit:
        if sign * change >= enough:
            return before, content
        before = content
    return None


def _alike(known: Sequence[Pair]) -> list[tuple[list[float], list[float]]]:
    """Return contents and levels in groups of prints whose contents are one for all that a forecast can tell."""
    found: list[tuple[list[float], list[float]]] = []
    for content, level in known:
        if not found or content > (1.0 + WHOLE_STRAND) * found[-1][0][0]:
            found.append(([], []))
        found[-1][0].append(content)
        found[-1][1].append(level)
    return found


# ---------------------------------------------------------------- paid for, and read


def _paid(plan: SeriesPlan, begun: Sequence[QuantityFound]) -> list[QuantityFound]:
    """Return the quantities with chances paid for over all comparisons of the series, and their readings."""
    pairs = [(i, one) for i, found in enumerate(begun) for one in found.against]
    adjusted = statistics.holm([one.p for _, one in pairs])
    asked = [at for at, (_, one) in enumerate(pairs) if one.p_alike is not None]
    alike = dict(zip(asked, statistics.holm([pairs[at][1].p_alike or 0.0 for at in asked]), strict=True))
    trends = [i for i, found in enumerate(begun) if found.trend is not None]
    chances = [trend.p_adjusted for i in trends if (trend := begun[i].trend) is not None]
    of_trend = dict(zip(trends, statistics.holm(chances), strict=True))
    found = []
    for i, quantity in enumerate(begun):
        against = tuple(
            replace(
                one,
                p_adjusted=adjusted[at],
                p_alike=alike.get(at),
                reading=_reading(plan, quantity.quantity, one, adjusted[at], alike.get(at)),
            )
            for at, (of, one) in enumerate(pairs)
            if of == i
        )
        trend = quantity.trend
        if trend is not None:
            shown = of_trend[i] <= 1.0 - plan.confidence
            matters = trend.matters if shown else None
            trend = replace(trend, p_adjusted=of_trend[i], shown=shown, matters=matters)
        found.append(replace(quantity, against=against, trend=trend))
    return found


def _reading(
    plan: SeriesPlan, quantity: Quantity, one: AgainstReference, adjusted: float, alike: float | None
) -> Reading:
    level = 1.0 - plan.confidence
    if alike is not None and alike <= level:
        return "no difference that matters"
    if adjusted > level:
        return "cannot say"
    return "better" if (one.difference > 0) == (quantity.better == "higher") else "worse"


# ---------------------------------------------------------------- doubts


def _doubts(
    record: SeriesRecord, states: Sequence[StateFound], quantities: Sequence[QuantityFound]
) -> list[Doubt]:
    """Return what spoilt the series or may have, the worst first."""
    found: list[Doubt] = []
    prints = sorted(record.latest.values(), key=lambda one: (one.at_s, one.number))
    for one in prints:
        if one.sha256 != record.sha256:
            found.append(Doubt.other_file(one.state, one.print))
    blocks = {one.block_sha256 for one in prints}
    if len(blocks) > 1:
        found.append(Doubt.other_block())
    for one in prints:
        wanted = wanted_of(record, one)
        if wanted is not None and missed(record, one):
            found.append(Doubt.missed(one.state, one.print, one.wt_pct.p50, *wanted))
    found += [
        Doubt.other_reel(one.state, one.print, one.spool, record.reel)
        for one in prints
        if one.reel != record.reel
    ]
    found += _order_doubts(record, prints)
    noted = set(record.latest)
    bare = sorted({(value.state, value.print) for value in record.counted} - noted)
    if bare:
        found.append(Doubt.unrecorded([f"{state} {number}" for state, number in bare]))
    found += _few(record, quantities)
    for before, after in record.corrections:
        found.append(Doubt.corrected(after.words, f"{before.value:g}", f"{after.value:g}"))
    return found


def _order_doubts(record: SeriesRecord, prints: Sequence[PrintRecord]) -> list[Doubt]:
    drawn = [(turn.state, turn.print) for turn in record.order]
    made = [(one.state, one.print) for one in prints]
    expected = [each for each in drawn if each in made]
    if made == expected:
        return []
    return [
        Doubt.order(
            [
                f"{state} {number}"
                for (state, number), due in zip(made, expected, strict=True)
                if (state, number) != due
            ]
        )
    ]


def _few(record: SeriesRecord, quantities: Sequence[QuantityFound]) -> list[Doubt]:
    """Return doubts about how few prints stand behind the comparisons."""
    found, plan = [], record.plan
    for one in quantities:
        if max((state.prints for state in one.states), default=0) == 1:
            found.append(Doubt.one_print())
            break
    for one in quantities:
        for state in one.states:
            if state.prints < plan.prints:
                found.append(Doubt.few(state.state, one.quantity.words, state.prints, plan.prints))
        missing = [name for name in plan.states if name not in {state.state for state in one.states}]
        found += [Doubt.few(name, one.quantity.words, 0, plan.prints) for name in missing]
        if not one.logarithmic and one.quantity.scale is None:
            found.append(Doubt.below_zero(one.quantity.words))
        spreads = [
            state.spread / abs(state.mean)
            for state in one.states
            if state.prints > 2 and state.spread and state.mean
        ]
        if one.logarithmic and len(spreads) > 1 and max(spreads) > UNEVEN * min(spreads):
            found.append(Doubt.uneven(one.quantity.words, max(spreads) / min(spreads)))
        if one.quantity.scale is not None:
            fewest = statistics.fewest_ratings(
                plan.confidence, max(1, (len(plan.states) - 1) * len(plan.quantities))
            )
            if plan.prints < fewest:
                found.append(Doubt.few_ratings(one.quantity.words, plan.prints, fewest))
    return found


def spreads_of(records: Sequence[SeriesRecord]) -> dict[tuple[str, str], float]:
    """Return the spread of prints in earlier series over their mean, by (quantity, unit); the last series counts."""
    found = {}
    for record in sorted(records, key=lambda one: one.started_s):
        for quantity in record.plan.quantities.values():
            prints = _prints(record, quantity)
            if quantity.unit is None or any(value <= 0 for one in prints for value in one.values):
                continue
            levels = [
                [math.log(one.mean) for one in prints if one.state == name] for name in record.plan.states
            ]
            pooled = statistics.one_way(levels) if prints else None
            if pooled is not None and pooled.df >= FEWEST_DF and pooled.spread > 0:
                found[quantity.name, quantity.unit] = math.sqrt(math.expm1(pooled.spread**2))
    return found
