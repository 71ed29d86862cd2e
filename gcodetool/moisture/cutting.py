"""A sample cut off a reel: its water is that of the turns that were cut, member by member.

Strand that was outermost is cut first; a sample that is wound again has it on its hub, and a loose coil has all of it
in one cell.  Length and water are conserved.  Left out: what the cut strand takes up while it is wound again.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture.field import Field
from gcodetool.moisture.record import Origin, Spool
from gcodetool.moisture.winding import Winding

Floats = NDArray[np.float64]


def stages(spool: Spool) -> list[Spool]:
    """Return what a spool was, from the first reel to itself: one more than there were cuts."""
    return [*(_as_was(spool, origin) for origin in spool.origins), spool]


def _as_was(spool: Spool, origin: Origin) -> Spool:
    return replace(
        spool, id=origin.id, net_mass_g=origin.net_mass_g, winding=origin.winding, body=origin.body
    )


def cut_off(field: Field, wound: Winding) -> Field:
    """Return the field of a sample: as much strand as *wound* has, off the outside of *field*.

    Of less strand than that, all of it.  The gaps' air goes with the strand; the sample's own body is in balance
    with room air.
    """
    left = field.winding.length_m[::-1]  # in the order in which it is cut
    short = float(wound.length_m.sum() - left.sum())
    if short > 0.0:
        wound = wound.after(short)
    share = _overlap(wound.length_m, left)[:, ::-1]  # of each old layer in each new one
    shape = (field.water.shape[1], field.members)
    return Field(
        wound,
        np.einsum("nl,lsm->nsm", share, field.water).reshape(wound.layers, *shape),
        share @ field.gap,
        share @ field.temperature_K,
        None,
        None if wound.body is None else np.full(field.members, wound.body.weighed_kg),
    )


def _overlap(into: Floats, off: Floats) -> Floats:
    """Return of what each piece of *into* is made, (into, off), rows summing to 1; lengths in one order."""
    ends, stops = np.cumsum(into), np.cumsum(off)
    low = np.maximum((ends - into)[:, np.newaxis], (stops - off)[np.newaxis, :])
    high = np.minimum(ends[:, np.newaxis], stops[np.newaxis, :])
    shared = np.maximum(0.0, high - low)
    return np.asarray(shared / np.maximum(shared.sum(axis=1, keepdims=True), 1e-300))
