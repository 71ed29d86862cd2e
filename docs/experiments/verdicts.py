"""Verdicts for twelve materials in four rooms at 23 °C: do they read sensible to a person of the trade?

Run: ``python docs/experiments/verdicts.py > docs/verdicts.md``.
"""

from dataclasses import dataclass, replace

import numpy as np

from gcodetool import profiles
from gcodetool.judge.feed_judgement import judged_by
from gcodetool.moisture import air
from gcodetool.moisture.forecast import forecast
from gcodetool.moisture.history import State, quantile, state_at
from gcodetool.moisture.record import Body, Event, Place, Spool
from gcodetool.motion.feed import ToolFeed

MATERIALS = (
    "PLA",
    "PETG",
    "PCTG",
    "ABS",
    "ASA",
    "PC",
    "PA6",
    "PA6_66",
    "PA12",
    "TPU_95A",
    "PVA",
    "PET_amorphous",
)
HOUR = 3600.0
DAY = 24 * HOUR
ROOM_C, ROOM_RH = 23.0, 45.0
ROOMS_RH = (35.0, 45.0, 60.0, 75.0)
NET_G = 750.0
LAYERS = 200
MEMBERS = 64


@dataclass(frozen=True)
class Told:
    """A verdict on one job."""

    code: str
    layer: int | None
    share: float
    start_wt_pct: float
    worst_wt_pct: float
    because: str = ""

    def __str__(self) -> str:
        layer = f" from layer {self.layer}" if self.code == "runs-out" else ""
        because = f" ({self.because})" if self.because else ""
        content = f"{self.start_wt_pct:.3g} → {self.worst_wt_pct:.3g} wt %"
        return f"**{self.code}**{layer}, {content}, {100 * self.share:.0f} %{because}"


def spool(name: str, rh_pct: float = ROOM_RH) -> Spool:
    """Return a reel found open two months ago and kept on the bench of a room since."""
    material = profiles.material(name)
    places = {
        # rooms that are what they are called, and a dryer with open vents: this page is about materials
        "bench": Place("bench", "open", ROOM_C, rh_pct, accuracy_C=0.0, accuracy_rh_pct=0.0),
        "oven": Place("oven", "dryer", material.dry_at_C, room="bench", accuracy_C=0.0, exchange_m3_h=500.0),
    }
    events = (Event(0.0, "received", place="bench", sealed=False),)
    body = Body(hub_diameter_mm=80.0, width_mm=60.0)
    return Spool(name.lower().replace("_", "-"), material, 1.75, NET_G, places, events, body=body)


def verdict(state: State, hours: float, metres: float, rh_pct: float = ROOM_RH) -> Told:
    """Return what a job of *metres* in *hours* of a room's open air comes to, begun at once."""
    ends = np.linspace(0.0, hours * HOUR, LAYERS + 1)
    rows = np.stack([ends[:-1], ends[1:], np.full(LAYERS, 1000.0 * metres / LAYERS)], axis=1)
    end_s = hours * HOUR
    feed = ToolFeed(0, rows, np.arange(1, LAYERS + 1), 1000.0 * metres, end_s, end_s, end_s)
    arrival = forecast(state, air.room_air(ROOM_C, rh_pct), feed.segments)
    judged = judged_by(state, arrival, feed, 0.5)
    assert judged is not None
    start, worst = (quantile(one, 0.5, state.weights) for one in (arrival.start_wt_pct, arrival.worst_wt_pct))
    return Told(judged.code, judged.from_layer, judged.share, start, worst)


def found_open(name: str, rh_pct: float) -> Told:
    """Return the verdict on a reel found open in a room of *rh_pct* after 60 days, 1 h."""
    return verdict(state_at(spool(name, rh_pct), 60 * DAY, members=MEMBERS), 1.0, 20.0, rh_pct)


def scenes(name: str) -> tuple[Told, Told]:
    """Return verdicts in the room of ROOM_RH: dried, 1 h; dried, 20 h."""
    found = spool(name)
    dry_h = float(found.material.dry_hours or 8.0)
    moved = replace(found, events=(*found.events, Event(60 * DAY, "moved", place="oven")))
    dried = state_at(moved, 60 * DAY + dry_h * HOUR, members=MEMBERS)
    one = verdict(dried, 1.0, 20.0)
    if one.code not in ("clear", "adjust"):
        room = air.room_air(ROOM_C, ROOM_RH)
        hot = air.heated_air(found.material.dry_at_C, room.vapour_Pa)
        floor = 100 * dried.polymer.equilibrium(hot.rh_pct / 100, hot.temperature_K)
        middle = quantile(floor, 0.5)
        one = replace(
            one,
            because=f"room air heated to {found.material.dry_at_C:g} °C has a floor of {middle:.2g} wt % "
            f"and good ends at {found.material.limit_good_wt_pct:g}: it cannot get there"
            if middle > found.material.limit_good_wt_pct
            else f"{dry_h:g} h do not reach the inner turns",
        )
    return one, verdict(dried, 20.0, 150.0)


def main() -> None:
    """Print the page."""
    rooms = " | ".join(f"{rh:g} % RH" for rh in ROOMS_RH)
    print(f"""# Verdicts in rooms of {", ".join(f"{rh:g}" for rh in ROOMS_RH[:-1])} and {ROOMS_RH[-1]:g} % RH

Written by `python docs/experiments/verdicts.py > docs/verdicts.md`; `tests/test_verdicts.py` holds what a person of
the trade expects. Each reel: {NET_G:g} g of 1.75 mm, {MEMBERS} members, rooms at {ROOM_C:g} °C,
all known exactly. A cell tells the verdict,
next-fed content at the job's start and at its wettest (median), and the share of members with the same verdict.
Limits and materials: `gcodetool profiles show PA6`.

## Found open

Kept on the bench of that room for 60 days; a job of 20 m and 1 h.

| material | {rooms} |
| --- |{" --- |" * len(ROOMS_RH)}""")
    for name in MATERIALS:
        print(f"| {name} | {' | '.join(str(found_open(name, rh)) for rh in ROOMS_RH)} |")
    print(f"""
## Dried, in a room of {ROOM_RH:g} % RH

- *dried*: found open, then `dry_at_C` for `dry_hours` in heated room air; the same job at once.
- *20 h*: from that dried reel, 150 m and 20 h in open air, {LAYERS} layers.

| material | dried | 20 h |
| --- | --- | --- |""")
    for name in MATERIALS:
        material = profiles.material(name)
        one, long = scenes(name)
        print(f"| {name} ({material.dry_at_C:g} °C, {material.dry_hours:g} h) | {one} | {long} |")


if __name__ == "__main__":
    main()
