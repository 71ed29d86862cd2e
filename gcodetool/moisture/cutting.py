"""A sample cut off a reel: its water is that of the turns that were cut, member by member.

Strand that was outermost is cut first; a sample that is wound again has it on its hub, and a loose coil has all of it
in one cell.  Length and water are conserved.  Left out: what the cut strand takes up while it is wound again.
"""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture.field import Field
from gcodetool.moisture.record import Body, Event, Origin, Spool
from gcodetool.moisture.winding import Winding

Floats = NDArray[np.float64]


def stages(spool: Spool) -> list[Spool]:
    """Return what a spool was, from the first reel to itself: one more than there were cuts."""
    return [*(_as_was(spool, origin) for origin in spool.origins), spool]


def _as_was(spool: Spool, origin: Origin) -> Spool:
    return replace(
        spool, id=origin.id, net_mass_g=origin.net_mass_g, winding=origin.winding, body=origin.body
    )


def before_cut(sample: Spool) -> Spool:
    """Return what a sample was cut off, as far as the sample's own record tells of it."""
    last = max(i for i, event in enumerate(sample.events) if event.cut_from is not None)
    whole = _as_was(sample, sample.origins[-1])
    return replace(whole, origins=sample.origins[:-1], events=sample.events[:last])


def parting(
    one: Spool, mine: Sequence[Event], other: Spool, theirs: Sequence[Event]
) -> tuple[int, int] | None:
    """Return how many of each one's events happened to the strand that both were; None: they are not of one reel.

    All of them where nothing was cut off yet: both names mean one strand.
    """
    if one.reel_id != other.reel_id:
        return None
    ways = [[*(origin.id for origin in each.origins), each.id] for each in (one, other)]
    same = next((i for i, (a, b) in enumerate(zip(*ways, strict=False)) if a != b), min(map(len, ways)))
    found = []
    for way, left, stayed, swapped in ((ways[0], mine, theirs, False), (ways[1], theirs, mine, True)):
        cuts = [i for i, event in enumerate(left) if event.cut_from is not None]
        if same == len(way) or len(cuts) < same:
            continue
        at = cuts[same - 1]
        named = next((i for i, event in enumerate(stayed) if event.into == way[same]), None)
        later = sum(event.at_s < left[at].at_s for event in stayed)
        pair = (at, later if named is None else named)
        found.append((left[at].at_s, named is None, pair[::-1] if swapped else pair))
    return min(found)[2] if found else (len(mine), len(theirs))


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


def sample_of(
    spool: Spool, sample_id: str, *, grams: float, density_kg_m3: float, at_s: float, place: str
) -> Spool:
    """Return what a loose coil of so many grams would be that was cut off a spool at a moment."""
    length_mm = grams / 1000.0 / (density_kg_m3 * math.pi / 4.0 * (spool.diameter_mm / 1000.0) ** 2) * 1000.0
    before = tuple(event for event in spool.events if event.at_s <= at_s)
    cut = Event(at_s, "cut", place, length_mm=length_mm, cut_from=spool.id)
    origin = Origin(spool.id, spool.net_mass_g, spool.winding, spool.body)
    return replace(
        spool,
        id=sample_id,
        net_mass_g=grams,
        winding="loose",
        body=Body(),
        events=(*before, cut),
        origins=(*spool.origins, origin),
        neighbours=(),
    )
