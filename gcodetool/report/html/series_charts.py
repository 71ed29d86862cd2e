"""Pictures of a test series: every specimen is a point, over the states and over the water in the strand.

A print's specimens share one column, its mean is a short stroke; a state's mean has its interval.  Left out: words.
"""

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

from gcodetool.report.html.charts import (
    BAND,
    FAINT,
    GOOD,
    INK,
    LINE,
    MARGINAL,
    PAPER,
    REEL,
    VIOLET,
    Chart,
    both_sizes,
    label,
)
from gcodetool.series.findings import PrintFound, QuantityFound, SeriesFindings
from gcodetool.series.wording import quantity_title

if TYPE_CHECKING:
    from matplotlib.axes import Axes

TONES: Final = (LINE, MARGINAL, REEL, GOOD, VIOLET, FAINT)
MARKS: Final = ("o", "s", "D", "^", "v", "P")  # told apart without colour, too
WIDTH: Final = 0.62  # of a state's column that its prints take


def over_states(one: QuantityFound, found: SeriesFindings, name: str) -> Chart:
    """Return the specimens of a quantity, print by print, in the order of the states."""
    states = [state.state for state in one.states]
    plan = found.plan

    def draw(axes: "Axes", narrow: bool) -> None:
        for at, state in enumerate(one.states):
            tone, mark = look(plan.states, state.state)
            if state.interval is not None:
                low, high = _shown(state.interval, one)
                axes.fill_between([at - 0.46, at + 0.46], low, high, color=BAND, alpha=0.45, linewidth=0)
            axes.plot([at - 0.46, at + 0.46], [state.mean] * 2, color=tone, linewidth=1.4, dashes=(5, 2))
            mine = [each for each in one.prints if each.state == state.state]
            for number, each in enumerate(mine):
                x = at + WIDTH * ((number + 0.5) / len(mine) - 0.5)
                axes.plot([x] * len(each.values), each.values, mark, color=PAPER, mec=tone, mew=1.7, ms=6.5)
                axes.plot([x - 0.05, x + 0.05], [each.mean] * 2, color=INK, linewidth=2.6)
        axes.set_xlim(-0.6, len(states) - 0.4)
        room = (44 if narrow else 110) // max(1, len(states))
        axes.set_xticks(range(len(states)), [label(state, max(4, room)) for state in states])
        axes.set_ylabel(quantity_title(one.quantity))
        axes.grid(visible=False, axis="x")
        _from_zero(axes, one)

    told = f"Each of {sum(state.specimens for state in one.states)} specimens of {len(one.prints)} prints as a point"
    return both_sizes(draw, f"{quantity_title(one.quantity)} by state", told, f"by{name}", top=12)


def over_water(one: QuantityFound, found: SeriesFindings, name: str) -> Chart | None:
    """Return the same over the water in each print's strand; None: of no print it is known."""
    known = [each for each in one.prints if each.wt_pct is not None]
    if not known:
        return None

    def draw(axes: "Axes", narrow: bool) -> None:
        for each in known:
            assert each.wt_pct is not None
            tone, mark = look(found.plan.states, each.state)
            x = each.wt_pct.p50
            if each.wt_pct.p10 is not None and each.wt_pct.p90 is not None:
                axes.plot(
                    [each.wt_pct.p10, each.wt_pct.p90], [each.mean] * 2, color=tone, linewidth=6.0, alpha=0.22
                )
            axes.plot([x] * len(each.values), each.values, mark, color=PAPER, mec=tone, mew=1.7, ms=6.5)
        if one.trend is not None:
            axes.plot(
                [x for x, _ in one.trend.fit],
                [y for _, y in one.trend.fit],
                color=INK,
                linewidth=1.6,
                drawstyle="steps-mid",
                dashes=(1, 0) if one.trend.shown else (2, 3),
            )
            if one.trend.matters is not None:
                axes.axvspan(*one.trend.matters, color=MARGINAL, alpha=0.12, linewidth=0)
        named = sorted(
            {each.state: each for each in known}.values(), key=lambda each: each.wt_pct or (0.0,) * 3
        )
        last = -math.inf
        for each in named:
            assert each.wt_pct is not None
            near = each.wt_pct.p50 - last < 0.12 * max(
                one.wt_pct.p50 for one in known if one.wt_pct is not None
            )
            _name(axes, each, found, below=near)
            last = -math.inf if near else each.wt_pct.p50
        axes.set_xlim(left=0.0)
        axes.set_xlabel("water at the nozzle, wt %")
        axes.set_ylabel(quantity_title(one.quantity))
        _from_zero(axes, one)

    told = "The same specimens over the water in their strand, with the monotone line through the prints"
    return both_sizes(draw, f"{quantity_title(one.quantity)} over water", told, f"over{name}", top=12)


def _name(axes: "Axes", each: PrintFound, found: SeriesFindings, *, below: bool) -> None:
    """Write a state's name beside its print; *below* where another one stands above."""
    assert each.wt_pct is not None
    tone, _ = look(found.plan.states, each.state)
    axes.annotate(
        each.state,
        (each.wt_pct.p50, min(each.values) if below else max(each.values)),
        xytext=(6, -18 if below else 7),
        textcoords="offset points",
        color=tone,
        fontsize=11,
        parse_math=False,
    )


def look(states: Iterable[str], name: str) -> tuple[str, str]:
    """Return a state's colour and mark, the same in every picture."""
    place = list(states).index(name)
    return TONES[place % len(TONES)], MARKS[place % len(MARKS)]


def _shown(interval: tuple[float, float], one: QuantityFound) -> tuple[float, float]:
    """Return an interval as far as it is worth drawing: few prints make it wider than any picture."""
    values = [value for each in one.prints for value in each.values]
    span = max(values) - min(values) or abs(max(values)) or 1.0
    return max(interval[0], min(values) - span), min(interval[1], max(values) + span)


def is_cut(one: QuantityFound) -> bool:
    """Return whether an interval goes beyond what is drawn of it."""
    return any(
        state.interval != _shown(state.interval, one) for state in one.states if state.interval is not None
    )


def _from_zero(axes: "Axes", one: QuantityFound) -> None:
    """Let a measured quantity begin at zero, so that a difference looks as large as it is; a rating show its scale."""
    if one.quantity.scale is not None:
        low, high = one.quantity.scale
        axes.set_ylim(low - 0.08 * (high - low), high + 0.14 * (high - low))
    elif one.logarithmic:
        axes.set_ylim(0.0, 1.15 * max(value for each in one.prints for value in each.values))
