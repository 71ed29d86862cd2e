"""A picture of a spool that nobody touches: the water of what is fed next over the days to come, against its limits.

A drawing in SVG without style of its own: the page's classes give colours, so that it follows light and dark.  What it
shows is said in words beside it (`in_words`), for those who do not see it.
"""

from typing import Final

import numpy as np
from markupsafe import Markup

from gcodetool.judge.shelf_findings import IdlePoint, SpoolFindings
from gcodetool.moisture.constants import DAY_S
from gcodetool.report.as_text import percent

WIDE, HIGH = 340.0, 150.0
LEFT, RIGHT, TOP, BOTTOM = 4.0, 336.0, 8.0, 128.0
DAYS: Final = 7


def idle_curve(seen: SpoolFindings) -> Markup | None:
    """Return the picture, a week ahead; None where nothing is left on the reel."""
    if len(seen.ahead) < 2:
        return None
    points = [point for point in seen.ahead if point.at_s < DAYS * DAY_S] + [point_at(seen, DAYS * DAY_S)]
    most = max(point.p50 if point.p90 is None else point.p90 for point in points)
    top = 1.08 * max(most, seen.limit_marginal_wt_pct)

    def x(at_s: float) -> float:
        return LEFT + (RIGHT - LEFT) * min(1.0, at_s / (DAYS * DAY_S))

    def y(wt_pct: float) -> float:
        return BOTTOM - (BOTTOM - TOP) * wt_pct / top

    parts = []
    if points[0].p10 is not None:
        edge = [(one.at_s, one.p90) for one in points] + [(one.at_s, one.p10) for one in reversed(points)]
        around = " ".join(f"{x(at_s):.1f},{y(wt_pct or 0.0):.1f}" for at_s, wt_pct in edge)
        parts.append(f'<polygon class="band" points="{around}"/>')
    for name, limit in (("good", seen.limit_good_wt_pct), ("marginal", seen.limit_marginal_wt_pct)):
        at = f"{y(limit):.1f}"
        parts.append(f'<line class="limit" x1="{LEFT}" x2="{RIGHT}" y1="{at}" y2="{at}"/>')
        parts.append(f'<text x="{RIGHT}" y="{y(limit) - 6:.1f}" text-anchor="end">{name}</text>')
    middle = " ".join(f"{x(point.at_s):.1f},{y(point.p50):.1f}" for point in points)
    parts.append(f'<polyline class="middle" points="{middle}"/>')
    ticks = [f"{x(day * DAY_S):.1f}" for day in range(DAYS + 1)]
    parts += [f'<line class="tick" x1="{at}" x2="{at}" y1="{BOTTOM}" y2="{BOTTOM + 4}"/>' for at in ticks]
    for day, anchor in ((0, "start"), (1, "middle"), (DAYS, "end")):
        word = "now" if day == 0 else f"{day} d"
        parts.append(f'<text x="{ticks[day]}" y="{BOTTOM + 17}" text-anchor="{anchor}">{word}</text>')
    # numbers of ours alone: nothing here comes from outside
    return Markup(
        f'<svg class="ahead" viewBox="0 0 {WIDE:g} {HIGH:g}" aria-hidden="true">{"".join(parts)}</svg>'
    )


def in_words(seen: SpoolFindings) -> str:
    """Return what the picture shows."""
    after = {days: point_at(seen, days * DAY_S).p50 for days in (0, 1, DAYS)}
    said = f"now {percent(after[0])}; after 1 d {percent(after[1])}; after {DAYS} d {percent(after[DAYS])}"
    limits = f"good is up to {percent(seen.limit_good_wt_pct)}, marginal up to {percent(seen.limit_marginal_wt_pct)}"
    return f"Idle where it stands, wt %: {said}; {limits}"


def point_at(seen: SpoolFindings, at_s: float) -> IdlePoint:
    """Return the forecast at a moment from now, on the straight line between two of its steps. [s]"""
    times, low, middle, high = zip(*seen.ahead, strict=True)
    p50 = float(np.interp(at_s, times, middle))
    if low[0] is None or high[0] is None:
        return IdlePoint(at_s, None, p50, None)
    return IdlePoint(at_s, float(np.interp(at_s, times, low)), p50, float(np.interp(at_s, times, high)))
