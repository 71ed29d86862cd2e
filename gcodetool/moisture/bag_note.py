"""Remarks on bags: one of unknown film that makes a band wide, and one that leaks by what the scale shows.

Left out: what other unknowns add to a band.
"""

from typing import Final

import numpy as np

from gcodetool.moisture.bag import UNSTATED_MIDDLE_G_DAY, is_unstated, leak_g_day
from gcodetool.moisture.notes import Note
from gcodetool.moisture.observations import Weighed
from gcodetool.moisture.record import Place
from gcodetool.moisture.state import State, quantile
from gcodetool.moisture.stays import stays

MUCH: Final = (
    0.5  # of the band: so far apart are the middles of the members in the tightest and the leakiest bags
)
LEAST_MEMBERS: Final = 16


def bag_notes(state: State) -> list[Note]:
    """Return what is to be said of bags of no stated film that the spool stood in."""
    if state.doubts is None or state.members < LEAST_MEMBERS or not state.field.winding.layers:
        return []
    stood = {stay.place for stay in stays(state.spool, state.as_of_s)}
    bags = [
        place for name, place in sorted(state.spool.places.items()) if name in stood and is_unstated(place)
    ]
    return [*_leaking(state, bags), *_deciding(state, bags)]


def _leaking(state: State, bags: list[Place]) -> list[Note]:
    """Return a note for each bag that weigh-ins show to leak: 9 in 10 members have it worse than a usual one."""
    doubts, found = state.doubts, []
    if doubts is None or not any(isinstance(one, Weighed) for one in state.record):
        return []
    for place in bags:
        if f"vents {place.name}" not in doubts.learned:
            continue
        leak = state.quantiles(leak_g_day(place) * doubts.exchange(place))
        if leak.p10 is not None and leak.p90 is not None and leak.p10 > UNSTATED_MIDDLE_G_DAY:
            text = (
                f"{place.name} leaks by what the scale shows: {leak.p50:.2g} ({leak.p10:.2g} to {leak.p90:.2g}) g of "
                "water a day at 23 °C from 50 % RH to dry air; look at its seam, or take a tighter one"
            )
            found.append(Note("note", text))
    return found


def _deciding(state: State, bags: list[Place]) -> list[Note]:
    """Return a note for each bag whose leak decides much of what the members differ by."""
    doubts = state.doubts
    assert doubts is not None
    band = state.quantiles(state.mean_wt_pct)
    found = []
    for place in bags:
        order = np.argsort(doubts.at(f"vents {place.name}"), kind="stable")
        third = state.members // 3
        tight, leaky = (
            quantile(state.mean_wt_pct[some], 0.5, state.weights[some])
            for some in (order[:third], order[-third:])
        )
        if band.p10 is not None and band.p90 is not None and leaky - tight > MUCH * (band.p90 - band.p10):
            state_it = state.spool.stated_by(
                f"place set {place.name} --film FILM, or --leak G", "film or leak_g_per_day"
            )
            text = f"how tight {place.name} is decides much of this band: state it ({state_it}), or weigh the spool"
            found.append(Note("note", text))
    return found
