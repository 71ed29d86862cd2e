"""Pictures of a drying: what the scale shows, what the wettest turns hold, and runs of one dryer over each other.

Hours run from the moment the spool went in; what was is drawn before "now", what is expected behind it.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from gcodetool.drying.runs import PastRun, WeighIn
from gcodetool.drying.status import Ahead, DryingStatus
from gcodetool.moisture.constants import HOUR_S
from gcodetool.moisture.history import Quantiles
from gcodetool.report.as_text import percent
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
)
from gcodetool.report.html.level_labels import Curve, Level, name_levels

if TYPE_CHECKING:
    from matplotlib.axes import Axes

QUANTILES: Final = ("p50", "p10", "p90")
TONES: Final = (LINE, MARGINAL, REEL, GOOD, VIOLET, INK)
DASHES: Final = ((1, 0), (6, 2), (2, 2), (6, 2, 2, 2))


def on_scale(said: DryingStatus, past: Sequence[Ahead], readings: Sequence[WeighIn]) -> Chart:
    """Return the reel's mass over the run: weigh-ins, the curve with its band, the dry limit, the next weigh-in."""
    since_h = _since_h(said)
    points = [one for one in (*past, *_ahead(said)) if one.gross_g is not None]

    def draw(axes: "Axes", narrow: bool) -> None:
        _band(axes, [(since_h + one.at_s / HOUR_S, one.gross_g) for one in points if one.gross_g is not None])
        _now(axes, since_h)
        axes.plot(
            [one.at_s / HOUR_S for one in readings],
            [one.gross_g for one in readings],
            "s",
            color=PAPER,
            mec=INK,
            mew=1.8,
            ms=7.5,
            clip_on=False,  # the first one stands on the axis
        )
        if said.end_g is not None:
            weighed = [(one.at_s / HOUR_S, one.gross_g) for one in readings]
            bands = [(since_h + one.at_s / HOUR_S, one.gross_g) for one in points if one.gross_g is not None]
            middle, *edges = _curves(bands)
            level = Level(said.end_g.p50, f"dry limit {said.end_g.p50:.1f} g", REEL)
            _levels(axes, [level], [middle, weighed], edges)
        look = said.weigh_next
        if look is not None and look.gross_g is not None:
            _mark(axes, since_h + look.at_s / HOUR_S, look.gross_g.p50, "weigh next")
        axes.set_xlabel("hours since it went in")
        axes.set_ylabel("reel and all, g")
        axes.ticklabel_format(axis="y", useOffset=False)

    told = (
        f"{len(readings)} weigh-ins of {said.spool} and the curve through them, to the end of the hours to go"
    )
    return both_sizes(draw, f"{said.spool} on the scale", told, f"scale{_plain(said.spool)}", top=12)


def in_turns(said: DryingStatus, past: Sequence[Ahead]) -> Chart:
    """Return what the wettest turns hold over the run: the curve with its band, the goal, and this air's floor."""
    since_h = _since_h(said)
    points = [(since_h + one.at_s / HOUR_S, one.wettest_wt_pct) for one in (*past, *_ahead(said))]

    def draw(axes: "Axes", narrow: bool) -> None:
        _band(axes, points)
        axes.set_ylim(0.0, max(*(band.p90 or band.p50 for _, band in points), said.goal_wt_pct or 0.0) * 1.1)
        floor = said.floor_wt_pct.p50
        levels = [Level(floor, f"this air ends at {percent(floor)}", MARGINAL)]
        if said.goal_wt_pct is not None:
            levels.insert(0, Level(said.goal_wt_pct, f"{said.goal} up to {percent(said.goal_wt_pct)}", GOOD))
        middle, *edges = _curves(points)
        _levels(axes, levels, [middle], edges)
        _now(axes, since_h)
        axes.set_xlabel("hours since it went in")
        axes.set_ylabel("wettest turns, wt %")

    told = f"What the wettest turns of {said.spool} hold, beside what is asked and what this air ends at"
    return both_sizes(draw, f"{said.spool}, its wettest turns", told, f"turns{_plain(said.spool)}", top=12)


def over_each_other(runs: Sequence[PastRun], dryer: str) -> Chart:
    """Return the water lost in runs of one dryer over each other, each with its reel and its room."""

    def draw(axes: "Axes", narrow: bool) -> None:
        for number, run in enumerate(runs):
            hours = [at_s / HOUR_S for at_s, _ in run.lost_g]
            lost = [grams for _, grams in run.lost_g]
            tone, dash = TONES[number % len(TONES)], DASHES[number // len(TONES) % len(DASHES)]
            axes.plot(hours, lost, color=tone, dashes=dash, linewidth=1.8, marker="o", markersize=4)
            axes.annotate(
                str(number + 1),
                (hours[-1], lost[-1]),
                xytext=(5, -4),
                textcoords="offset points",
                color=tone,
                fontsize=12,
                fontweight="bold",
            )
        axes.set_xlabel("hours since the first weigh-in")
        axes.set_ylabel("water lost, g")

    return both_sizes(draw, f"Runs in {dryer}", f"Water lost in {len(runs)} runs in {dryer}", "runs", top=12)


def _since_h(said: DryingStatus) -> float:
    return 0.0 if said.since_s is None or not said.inside else (said.as_of_s - said.since_s) / HOUR_S


def _ahead(said: DryingStatus) -> list[Ahead]:
    """Return the course ahead to a little beyond the hours to go."""
    wanted = said.sure_s if said.sure_s is not None else said.to_go_s.p50
    return [one for one in said.course[1:] if one.at_s <= max(1.1 * wanted, 2 * HOUR_S)]


def _plain(name: str) -> str:
    return "".join(sign for sign in name if sign.isalnum())


def _band(axes: "Axes", points: Sequence[tuple[float, Quantiles]]) -> None:
    hours = [at for at, _ in points]
    if points and points[0][1].p10 is not None:
        low = [band.p10 or 0.0 for _, band in points]
        high = [band.p90 or 0.0 for _, band in points]
        axes.fill_between(hours, low, high, color=BAND, alpha=0.55, linewidth=0)
    axes.plot(hours, [band.p50 for _, band in points], color=LINE, linewidth=2.2)
    axes.set_xlim(0.0, max(hours, default=1.0) or 1.0)


def _curves(points: Sequence[tuple[float, Quantiles]]) -> list[Curve]:
    """Return the middle of a band, and its ends where it has any."""
    ends = [
        [(at, end) for at, band in points if (end := getattr(band, key)) is not None] for key in QUANTILES
    ]
    return [curve for curve in ends if curve]


def _levels(axes: "Axes", levels: Sequence[Level], curves: Sequence[Curve], edges: Sequence[Curve]) -> None:
    for level in levels:
        axes.axhline(level.value, color=level.colour, linewidth=1.4, dashes=(6, 3))
    name_levels(axes, levels, curves, edges)


def _now(axes: "Axes", at_h: float) -> None:
    axes.axvline(at_h, color=FAINT, linewidth=1.2, dashes=(2, 2))
    axes.annotate(
        "now",
        (at_h, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(4, -12),
        textcoords="offset points",
        color=FAINT,
        fontsize=11,
    )


def _mark(axes: "Axes", at_h: float, value: float, words: str) -> None:
    axes.plot([at_h], [value], "o", color=PAPER, mec=MARGINAL, mew=2.0, ms=8)
    axes.annotate(
        words,
        (at_h, value),
        xytext=(8, 8),
        textcoords="offset points",
        color=INK,
        fontsize=11,
        fontweight="bold",
    )
