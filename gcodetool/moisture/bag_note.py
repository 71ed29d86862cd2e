"""The remark on a band that a bag of unknown film makes wide.

Left out: what other unknowns add to it.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture.bag import is_unstated
from gcodetool.moisture.notes import Note
from gcodetool.moisture.state import State

Floats = NDArray[np.float64]

MOST_OF_BAND: Final = (
    0.5  # of the spread of contents that goes with the leak: the square of their rank correlation
)
LEAST_MEMBERS: Final = 16


def bag_notes(state: State) -> list[Note]:
    """Return a note for each bag of no stated film whose leak decides most of what the members differ by."""
    if state.doubts is None or state.members < LEAST_MEMBERS or not state.field.winding.layers:
        return []
    stood = {event.place for event in state.spool.events if event.at_s <= state.as_of_s}
    bags = [
        place for name, place in sorted(state.spool.places.items()) if name in stood and is_unstated(place)
    ]
    contents = _ranks(state.mean_wt_pct)
    found = []
    for place in bags:
        shared = float(np.corrcoef(_ranks(state.doubts.at(f"vents {place.name}")), contents)[0, 1])
        if shared > MOST_OF_BAND**0.5:
            text = (
                f"how tight {place.name} is decides most of this band: state its film or leak_g_per_day, or weigh the "
                "spool"
            )
            found.append(Note("note", text))
    return found


def _ranks(values: Floats) -> Floats:
    return np.argsort(np.argsort(values, kind="stable"), kind="stable").astype(np.float64)
