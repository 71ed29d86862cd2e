"""What a series shows, in plain words: one sentence for each comparison, and never more than the numbers say."""

import math
from typing import Final

from gcodetool.drying.words import content, rounded
from gcodetool.series.doubt import long_time, percent
from gcodetool.series.findings import AgainstReference, QuantityFound, TrendFound
from gcodetool.series.plan import PlannedState, PlannedStep, QuantityPower
from gcodetool.series.planfile import Quantity, SeriesPlan

BAGS: Final = (
    "a bag with a wet cloth or a bowl of water is no state: its air is near saturation, water drops on the strand wherever "
    "it is cooler, and nobody knows what the strand holds"
)


MOST_TIMES = 10.0  # an interval that goes further says only that the prints are too few


def mean_words(mean: float, interval: tuple[float, float] | None, unit: str | None) -> str:
    """Return a state's mean with its interval, where that says anything.

    >>> mean_words(36.0, (35.1, 37.2), "N"), mean_words(36.0, (4e-8, 3.2e10), "N")
    ('mean 36 N (35.1 to 37.2)', 'mean 36 N (prints too few for an interval)')
    """
    said = f"mean {amount(mean, unit)}"
    if interval is None:
        return said
    low, high = interval
    if 0.0 < mean * MOST_TIMES < high:
        return f"{said} (prints too few for an interval)"
    return f"{said} ({amount(low, None)} to {amount(high, None)})"


def amount(value: float, unit: str | None) -> str:
    """Return a measured value with four digits at most.

    >>> amount(41.237, "N"), amount(3.5, None), amount(1234.5, "N")
    ('41.2 N', '3.5', '1234 N')
    """
    text = rounded(value, 3)
    return text if unit is None else f"{text} {unit}"


def side(change: float) -> str:
    """Return a change over one in words; what no measurement could mean only as more than that.

    >>> side(-0.27), side(0.031), side(2.5e10)
    ('27 % lower', '3.1 % higher', 'over 10 times as high')
    """
    if change > MOST_TIMES - 1.0:
        return f"over {MOST_TIMES:g} times as high"
    return f"{percent(abs(change))} {'lower' if change < 0 else 'higher'}"


def ratio_words(ratio: float, interval: tuple[float, float] | None) -> str:
    """Return a ratio with its interval in words.

    >>> ratio_words(0.73, (0.62, 0.85))
    '27 % lower, 15 to 38'
    >>> ratio_words(0.95, (0.88, 1.03))
    '5.0 % lower, between 12 % lower and 3.0 % higher'
    """
    said = side(ratio - 1.0)
    if interval is None:
        return said
    low, high = interval[0] - 1.0, interval[1] - 1.0
    if (low < 0) == (high < 0):
        ends = sorted((abs(low), abs(high)))
        return f"{said}, {percent(ends[0]).removesuffix(' %')} to {percent(ends[1]).removesuffix(' %')}"
    return f"{said}, between {side(low)} and {side(high)}"


def against_words(found: AgainstReference, quantity: Quantity, plan: SeriesPlan) -> str:
    """Return what a comparison says."""
    if found.ratio is None:
        steps = f"{abs(found.difference):.2g} {'lower' if found.difference < 0 else 'higher'} on its scale"
        if found.reading == "cannot say":
            return f"these data cannot say; its mean is {steps}"
        return f"{found.reading}: {steps}"
    said = ratio_words(found.ratio, found.interval)
    if found.reading == "cannot say":
        return f"these data cannot say: {said}"
    if found.reading == "no difference that matters":
        return f"no difference larger than {percent(plan.smallest)}: {said}"
    return f"{found.reading}: {said}"


def trend_words(found: TrendFound | None, quantity: Quantity) -> str:
    """Return how a quantity goes with water."""
    if found is None:
        return "too few prints of known water to say"
    span = f"from {content(found.driest_wt_pct)} to {content(found.wettest_wt_pct)}"
    if not found.shown:
        return f"no trend is shown {span}"
    if quantity.scale is not None:
        low, high = sorted(abs(one) for one in found.interval)
        change = f"{abs(found.change):.2g} {'lower' if found.change < 0 else 'higher'} on its scale, {low:.2g} to {high:.2g}"
    else:
        change = ratio_words(1.0 + found.change, (1.0 + found.interval[0], 1.0 + found.interval[1]))
    return f"{span}, each {found.per_wt_pct:g} wt % more makes it {change}; {_matters(found)}"


def _matters(found: TrendFound) -> str:
    if found.matters is None:
        return "the change does not come to what matters"
    low, high = found.matters
    return f"it begins to matter between {content(low)} and {content(high)}"


def quantity_title(found: Quantity) -> str:
    """Return a quantity's name as people say it, with its unit or scale.

    >>> quantity_title(Quantity("pull_off_force", "N", None, "higher"))
    'pull off force, N'
    """
    what = found.unit if found.scale is None else f"{found.scale[0]:g} to {found.scale[1]:g}"
    return f"{found.words}, {what}"


def unit_words(found: QuantityFound, plan: SeriesPlan) -> str:
    """Return what counts as one in the comparisons of a quantity, and how sure its intervals are."""
    kind = (
        "by exact permutation of the prints' ratings"
        if found.quantity.scale is not None
        else "as ratios of the prints' means, with one spread for all states"
        if found.logarithmic
        else "as differences of the prints' means over the reference's"
    )
    return f"a print counts as one, whatever specimens it has; compared {kind}; intervals at {100 * plan.confidence:g} %"


# ---------------------------------------------------------------- of plans


def power_words(found: QuantityPower, plan: SeriesPlan) -> str:
    """Return what the planned prints can show of a quantity."""
    if found.source == "rating":
        return f"a rating needs at least {found.needed} prints per state; planned: {plan.prints}"
    spread = {
        "stated": "stated",
        "earlier": "as in an earlier series",
        "assumed": "assumed",
    }[found.source]
    needed = "more than 200" if found.needed is None else str(found.needed)
    shows = "no difference" if found.smallest is None else f"differences above {percent(found.smallest)}"
    said = (
        f"{plan.prints} per state show {shows}, {needed} per state those of {percent(plan.smallest)} "
        f"(spread {percent(found.spread or 0.0)}, {spread}; power {percent(plan.power)})"
    )
    if found.quantity.specimens > 1 and found.at_need is not None:
        said += f"; {percent(found.at_need)} if prints do not differ among themselves, only specimens"
    return said


def step_words(step: PlannedStep) -> str:
    """Return one stay of a sample in words."""
    if step.kind == "dry":
        knob = "" if step.knob_C is None else f", knob at {step.knob_C:.0f}"
        return f"dry in {step.place} at {step.temperature_C:.0f} °C{knob}, {long_time(step.takes_s.p50)}"
    if step.stated:
        return f"keep at {step.place}, {long_time(step.takes_s.p50)}"
    if step.conditioning is None or step.conditioning.takes_s is None:
        return f"keep at {step.place}: its air does not lead there"
    low, high = step.takes_s.p10, step.takes_s.p90
    band = "" if low is None or high is None else f" ({long_time(low)} to {long_time(high)})"
    if step.even_s is not None:
        return (
            f"keep at {step.place} until its mean is there: {long_time(step.takes_s.p50)}{band} as a loose coil; then "
            f"{long_time(step.even_s)} in a tight bag that it fills, until it is even (air of about "
            f"{step.conditioning.wanted_rh_pct or 0.0:.0f} % RH would lead there by itself)"
        )
    said = f"keep at {step.place} until the whole strand is there: {long_time(step.takes_s.p50)}{band} as a loose coil"
    return said + ("" if step.wound_s is None else f"; wound on the reel it takes {long_time(step.wound_s)}")


def scale_words(step: PlannedStep, plan: SeriesPlan) -> str:
    """Return what a scale should show of one stay, and whether the plan's can tell."""
    if not step.reaches:
        return "nothing to weigh: the state is not made so"
    grams = step.scale.change_g
    band = (
        ""
        if grams.p10 is None or grams.p90 is None
        else f" ({rounded(grams.p10, sign='+')} to {rounded(grams.p90, sign='+')})"
    )
    said = f"the scale should show {rounded(grams.p50, sign='+')} g{band}"
    if step.scale.scale_g is None:
        return f"{said}: too little to weigh; {step.scale.enough_g:.0f} g of strand would show it on a scale of 0.01 g"
    if plan.scale_g <= step.scale.scale_g:
        return f"{said}: a scale of {plan.scale_g:g} g tells"
    return f"{said}: a scale of {plan.scale_g:g} g cannot tell, one of {step.scale.scale_g:g} g can"


def keeping_words(state: PlannedState) -> str | None:
    """Return how to keep a made sample until its print; None: nothing is to be minded."""
    if state.keeps_s is None:
        return None
    kept = "in a tight bag that it fills"
    last = state.steps[-1] if state.steps else None
    if (
        last is not None and last.kind == "keep" and last.even_s is None
    ):  # not in the heat, nor where it goes on
        kept = f"at {last.place}, or {kept}"
    return (
        f"in the air of {state.room} it stays this state for {long_time(state.keeps_s)}: until its turn keep it {kept}, and "
        "take out what one print needs"
    )


def state_words(state: PlannedState) -> str:
    """Return what a state should hold at the nozzle."""
    band = state.content_wt_pct
    ends = "" if band.p10 is None or band.p90 is None else f" ({content(band.p10)} to {content(band.p90)})"
    return f"{content(band.p50)}{ends}"


def finite(value: float | None) -> float | None:
    """Return a number as JSON can say it; None for what is none."""
    return value if value is not None and math.isfinite(value) else None
