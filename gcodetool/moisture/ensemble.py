"""The members of a forecast: their coordinates by name, and what these make of material, places and reel.

The first columns are the polymer's COORDINATES, the others the record's doubts that can be learned about.
Left out: how coordinates are learned (``inference``), and doubts that no record tells about (``doubts`` draws
them when asked).
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture.doubts import MOST, Doubts, doubted, stratified
from gcodetool.moisture.polymer import COORDINATES, DIMENSIONS, Polymer, polymer, spread_evenly
from gcodetool.moisture.record import Event, Spool
from gcodetool.quickdata import dataclass

Floats = NDArray[np.float64]

LIMIT: int = COORDINATES.index("limit")


@dataclass(frozen=True, eq=False)
class Ensemble:
    """Members of one spool.

    Attributes
    ----------
    polymer
    doubts
        None: one nominal member, and the record is right.
    at : (members, COORDINATES and names)
        Their coordinates, 0 to 1; None for the nominal member.
    names
        Of the doubts among the coordinates.
    """

    polymer: Polymer
    doubts: Doubts | None = None
    at: Floats | None = None
    names: tuple[str, ...] = ()


def ensemble_at(spool: Spool, at: Floats | None, names: tuple[str, ...] = ()) -> Ensemble:
    """Return the members with these coordinates; None: the nominal one."""
    if at is None:
        return Ensemble(polymer(spool.material, fibre_wt_pct=spool.fibre_wt_pct))
    parameters = polymer(spool.material, fibre_wt_pct=spool.fibre_wt_pct, at=at[:, :DIMENSIONS])
    learned = {name: at[:, DIMENSIONS + i] for i, name in enumerate(names)}
    return Ensemble(parameters, Doubts(at.shape[0], learned), at, names)


def first_ensemble(spool: Spool, events: Sequence[Event], members: int) -> Ensemble:
    """Return members spread evenly over what material and record leave open; one: the nominal one."""
    if members == 1:
        return ensemble_at(spool, None)
    told = [doubted(spool, events), *(doubted(other, other.events) for other in spool.relatives)]
    names = tuple(dict.fromkeys(name for each in told for name in each))[:MOST]
    columns = [stratified(members, name) for name in names]
    at = np.column_stack([spread_evenly(members, spool.reel_id), *columns])
    return ensemble_at(spool, at, names)


def with_limits_dealt(spool: Spool, ensemble: Ensemble, weights: Floats) -> Ensemble:
    """Return the same members with limits spread over their weights as they were before anything was learned.

    What a scale says tells nothing about where print limits lie.
    """
    if ensemble.at is None:
        return ensemble
    order = np.argsort(stratified(ensemble.at.shape[0], f"limit {spool.reel_id}"))
    at = ensemble.at.copy()
    at[order, LIMIT] = np.cumsum(weights[order]) - 0.5 * weights[order]
    dealt = ensemble_at(spool, at, ensemble.names)
    return replace(dealt, doubts=ensemble.doubts)
