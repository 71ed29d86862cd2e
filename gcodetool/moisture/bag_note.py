"""The remark on a band that a bag of unknown film makes wide.

Left out: what other unknowns add to it.
"""

from typing import Final

import numpy as np

from gcodetool.moisture.bag import is_unstated
from gcodetool.moisture.notes import Note
from gcodetool.moisture.state import State, quantile

MUCH: Final = (
    0.5  # of the band: so far apart are the middles of the members in the tightest and the leakiest bags
)
LEAST_MEMBERS: Final = 16


def bag_notes(state: State) -> list[Note]:
    """Return a note for each bag of no stated film whose leak decides much of what the members differ by."""
    if state.doubts is None or state.members < LEAST_MEMBERS or not state.field.winding.layers:
        return []
    stood = {event.place for event in state.spool.events if event.at_s <= state.as_of_s}
    bags = [
        place for name, place in sorted(state.spool.places.items()) if name in stood and is_unstated(place)
    ]
    band = state.quantiles(state.mean_wt_pct)
    found = []
    for place in bags:
        order = np.argsort(state.doubts.at(f"vents {place.name}"), kind="stable")
        third = state.members // 3
        tight, leaky = (
            quantile(state.mean_wt_pct[some], 0.5, state.weights[some])
            for some in (order[:third], order[-third:])
        )
        if band.p10 is not None and band.p90 is not None and leaky - tight > MUCH * (band.p90 - band.p10):
            text = (
                f"how tight {place.name} is decides much of this band: state its film or leak_g_per_day, or weigh "
                "the spool"
            )
            found.append(Note("note", text))
    return found
