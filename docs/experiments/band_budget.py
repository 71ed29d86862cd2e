"""What each unknown adds to the band, for six ordinary situations: the table in docs/physics.md, section 6.

Run: ``python docs/experiments/band_budget.py`` (prints it), ``… --write`` (puts it into the page); several minutes.

Every unknown is a coordinate of the members.  A cell tells p90 - p10 of the strand fed next over its p50 [%], first with
that unknown alone, all others held in the middle of their ranges; then with all but that one.
"""

import contextlib
import functools
import pathlib
import re
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from unittest import mock

import numpy as np

from gcodetool import profiles
from gcodetool.moisture import ensemble, history
from gcodetool.moisture.doubts import Doubts
from gcodetool.moisture.polymer import COORDINATES, Polymer, polymer
from gcodetool.moisture.record import Body, Event, Place, Spool
from gcodetool.moisture.state import State

PAGE = pathlib.Path(__file__).parent.parent / "physics.md"
MARK = re.compile(r"(<!-- band_budget: begin -->\n).*?(<!-- band_budget: end -->)", re.DOTALL)
HOUR, DAY = 3600.0, 86_400.0
MEMBERS = 128
BODY_G, NET_G = 210.0, 750.0
LIMITS = "limit"
# What the table calls the members' coordinates, in its order: by their first word, of the dryer's by their whole name.
WORDS = {
    "uptake": "isotherm",
    "diffusivity": "diffusivity at 23 °C",
    "growth": "its growth with content",
    "activation": "activation energy",
    "sealed": "content of a new reel",
    "bed": "how the winding lets vapour through",
    "humidity": "humidity of the room",
    "warmth": "temperature of room, bag and box",
    "warmth oven": "temperature of the dryer",
    "vents oven": "its vents",
    "draught oven": "its fan",
    "warm-up oven": "how fast it comes up",
    "vents": "leaks of bag and box",
    LIMITS: "print limits (content over them)",
}
Stay = tuple[str, float]  # a place, and how long the reel was there

PLACES = (
    Place("bench", "open", 23.0, 50.0),
    Place("bag", "sealed", 23.0),
    Place("dry-box", "box", 23.0, room="bench", air_L=20.0, desiccant="silica gel", desiccant_g=200.0),
    Place("bench-1", "printer", room="bench", fed_from="dry-box"),
)


@dataclass(frozen=True)
class Situation:
    """A reel found open on the bench (or new and sealed), where it was since, and whether its drying was weighed."""

    words: str
    material: str
    stays: tuple[Stay, ...]
    sealed: bool = False
    weighed: bool = False


DAY_OUT = ("bench", DAY)
DRIED_PA6 = (DAY_OUT, ("oven", 8 * HOUR), ("bench", 3 * HOUR))
SITUATIONS = (
    Situation("PLA, open shelf", "PLA", (("bench", 60 * DAY),)),
    Situation("PETG, new, a week on the bench", "PETG", (("bench", 7 * DAY),), sealed=True),
    Situation(
        "TPU, dried 6 h, two days in a dry box",
        "TPU_95A",
        (DAY_OUT, ("oven", 6 * HOUR), ("bench-1", 2 * DAY)),
    ),
    Situation("PVA, dried 12 h, a month in a bag", "PVA", (DAY_OUT, ("oven", 12 * HOUR), ("bag", 30 * DAY))),
    Situation("PA6, dried 8 h, 3 h in the room", "PA6", DRIED_PA6),
    Situation("the same, weighed twice", "PA6", DRIED_PA6, weighed=True),
)


def spool(material: str, sealed: bool, stays: tuple[Stay, ...]) -> tuple[Spool, float]:
    """Return a reel's record, and the moment at which its last stay ends [s]."""
    profile = profiles.material(material)
    places = {
        place.name: place for place in (*PLACES, Place("oven", "dryer", profile.dry_at_C, room="bench"))
    }
    events, at_s = [Event(0.0, "received", place=stays[0][0], sealed=sealed)], stays[0][1]
    for place, seconds in stays[1:]:
        events.append(Event(at_s, "moved", place=place))
        at_s += seconds
    return Spool("budget", profile, 1.75, NET_G, places, tuple(events), body=Body(mass_g=BODY_G)), at_s


def weighed(reel: Spool) -> Spool:
    """Return the record with weigh-ins before and after its drying, as the nominal parameters have them."""
    read = []
    for event in reel.events[1:3]:
        state = history.state_at(reel, event.at_s - 1.0)
        gross_g = BODY_G + NET_G * (1.0 + float(state.mean_wt_pct[0]) / 100.0)
        read.append(Event(event.at_s - 1.0, "weighed", gross_g=round(gross_g, 1)))
    return replace(reel, events=tuple(sorted((*reel.events, *read), key=lambda event: event.at_s)))


@contextlib.contextmanager
def only(wanted: Callable[[str], bool]) -> Iterator[set[str]]:
    """Hold every unknown in the middle of its range but those that are wanted; yields the names asked for."""
    held = [i for i, name in enumerate(COORDINATES) if not wanted(name)]
    doubt_at, asked = Doubts.at, set(COORDINATES)

    @functools.wraps(polymer)
    def drawn(material: profiles.Material, *, at: np.ndarray | None = None, **more: float) -> Polymer:
        if at is not None:
            at = at.copy()
            at[:, held] = 0.5
        return polymer(material, at=at, **more)

    def doubted(doubts: Doubts, name: str) -> np.ndarray:
        word = name if name.endswith(" oven") else name.partition(" ")[0]
        asked.add(word)
        return doubt_at(doubts, name) if wanted(word) else np.full(doubts.members, 0.5)

    with mock.patch.object(ensemble, "polymer", drawn), mock.patch.object(Doubts, "at", doubted):
        yield asked


def width(state: State, *, of_limit: bool) -> float:
    """Return p90 - p10 over p50 of the strand fed next, or of its ratio to each member's own limit. [%]"""
    content = state.next_fed_wt_pct / (state.limit_marginal_wt_pct if of_limit else 1.0)
    band = state.quantiles(content)
    assert band.p10 is not None and band.p90 is not None
    return 100.0 * (band.p90 - band.p10) / band.p50


def band(one: Situation, wanted: Callable[[str], bool], *, of_limit: bool = False) -> tuple[float, set[str]]:
    """Return the width of one situation's band with the unknowns that are wanted [%], and the names of all."""
    reel, now_s = spool(one.material, one.sealed, one.stays)
    reel = weighed(reel) if one.weighed else reel
    with only(wanted) as asked:
        return width(history.state_at(reel, now_s, members=MEMBERS), of_limit=of_limit), asked


def column(one: Situation, names: list[str]) -> list[str]:
    """Return one situation's cells: the unknowns, then all together; empty where it has no such unknown."""
    asked = band(one, lambda name: True)[1]
    cells = []
    for name in names:
        if name not in asked:
            cells.append("")
            continue
        alone, others = (band(one, pick, of_limit=name == LIMITS)[0] for pick in (name.__eq__, name.__ne__))
        cells.append(f"{alone:.0f} / {others:.0f}")
    together = [band(one, lambda name: True, of_limit=of_limit)[0] for of_limit in (False, True)]
    return [*cells, *(f"**{each:.0f}**" for each in together)]


def table() -> str:
    """Return the table."""
    found = set().union(*(band(one, lambda name: True)[1] for one in SITUATIONS))
    names = [*(name for name in WORDS if name in found), *sorted(found - set(WORDS))]
    rows = [*(WORDS.get(name, name) for name in names), "**all**", "**all, content over print limits**"]
    columns = [rows, *(column(one, names) for one in SITUATIONS)]
    head = ["unknown", *(one.words for one in SITUATIONS)]
    lines = [head, ["---"] * len(head), *zip(*columns, strict=True)]
    return "".join(f"| {' | '.join(line)} |\n" for line in lines)


if __name__ == "__main__":
    made = table()
    if "--write" in sys.argv:
        page = PAGE.read_text("utf-8")
        PAGE.write_text(MARK.sub(lambda found: found[1] + made + found[2], page), "utf-8")
    else:
        print(made, end="")
