"""A winding cut through its axis: layers as strips, hub below, in the colour of their content."""

from dataclasses import dataclass
from typing import Final

from gcodetool.report.as_text import percent
from gcodetool.report.html.scale import Limits, colour_of
from gcodetool.report.html.water import DrawnReel

WIDTH: Final = 200
HEIGHT: Final = 150
FLANGE: Final = 6


@dataclass(frozen=True)
class Strip:
    """One rectangle of a section."""

    x: float
    y: float
    width: float
    height: float
    fill: str


@dataclass(frozen=True)
class Section:
    """A section in units of its picture, the hub's upper edge at *hub_y*; and the same in words."""

    width: int
    height: int
    hub_y: float
    full_y: float
    strips: tuple[Strip, ...]
    told: str


def section(reel: DrawnReel, limits: Limits, outer_mm: float) -> Section:
    """Return the picture of *reel*; *outer_mm* is the radius at its upper edge, the same in both pictures."""
    told = "empty" if not reel.layers else f"{percent(reel.layers[-1].wt_pct)} wt % outside"
    if len(reel.layers) > 1:
        told += f", {percent(reel.layers[0].wt_pct)} on the hub"
    if reel.loose:
        fill = colour_of(reel.layers[0].wt_pct, limits) if reel.layers else "none"
        inside = Strip(FLANGE, 20, WIDTH - 2 * FLANGE, HEIGHT - 40, fill)
        return Section(WIDTH, HEIGHT, HEIGHT - 20, 20, (inside,) if reel.layers else (), told)
    hub_y = HEIGHT - 26.0
    scale = (hub_y - 8.0) / max(outer_mm - reel.hub_mm, 1e-6)
    wide = WIDTH - 2 * FLANGE - 2
    strips: list[Strip] = []
    for layer in reel.layers:
        upper = hub_y - (layer.outer_mm - reel.hub_mm) * scale
        height = (layer.outer_mm - layer.inner_mm) * scale
        fill = colour_of(layer.wt_pct, limits)
        width = wide * min(1.0, max(0.0, layer.left))
        last = strips[-1] if strips else None
        if last is not None and last.fill == fill and last.width == width:
            strips[-1] = Strip(last.x, round(upper, 2), width, round(last.y + last.height - upper, 2), fill)
        else:
            strips.append(Strip(FLANGE + 1, round(upper, 2), round(width, 2), round(height, 2), fill))
    return Section(WIDTH, HEIGHT, hub_y, 8.0, tuple(strips), told)
