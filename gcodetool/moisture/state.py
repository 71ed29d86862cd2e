"""What is known of a spool's water at one moment, and what members say together: quantiles.

Left out: how it came to be (``history``).
"""

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gcodetool.moisture.air import Air
from gcodetool.moisture.constants import ZERO_CELSIUS_K
from gcodetool.moisture.doubts import Doubts
from gcodetool.moisture.field import Field
from gcodetool.moisture.notes import Note
from gcodetool.moisture.observations import Inspected, Weighed
from gcodetool.moisture.places import Surroundings, box_of
from gcodetool.moisture.polymer import Polymer
from gcodetool.moisture.record import Event, Outcome, Spool
from gcodetool.moisture.shared_air import Companion, SharedIntegrator
from gcodetool.quickdata import dataclass

Floats = NDArray[np.float64]

COMPANY_AHEAD: Final = 2  # reels that a forecast follows beside its own; more hold their place's air as it is


def marched(state: "State", *, most: int | None = COMPANY_AHEAD) -> SharedIntegrator:
    """Return a state on its way through time, with the other reels in its closed place; None: however many."""
    return SharedIntegrator(state.field, state.polymer, state.company, most=most)


class Quantiles(NamedTuple):
    """What the members say; p10 and p90 are None where there is one member only."""

    p10: float | None
    p50: float
    p90: float | None


@dataclass(frozen=True, eq=False)
class Printed:
    """How a print came out at a moment, and the content of what was fed then, (members,). [kg/kg]

    Prints with the same number *strand* fed the same few metres.
    """

    at_s: float
    outcome: Outcome
    content: Floats
    strand: int


@dataclass(frozen=True)
class State:
    """A spool's water at one moment.  Contents leave in wt % of the dry strand, one per member.

    Attributes
    ----------
    spool, as_of_s
        Whose and when.
    field
        Water and temperature over layers and shells.
    polymer
        Parameters of the members, limits among them.
    weights : (members,)
        Of the members; they sum to 1.
    place, since_s
        Where it is and since when; the last event that moved it.
    last
        The last event counted, or None.
    path
        The strand in guide tube and hot end, where the spool is on a printer.
    notes
        What was assumed or ignored, one line each.
    record
        Weigh-ins and inspections, and what each member says of them.
    printed
        Outcomes of prints, since the replay began: none of before a snapshot that it was taken up from.
    enclosed
        The closed place's air that the spool is in, as it began; None in the open.
    company
        The other reels in that place.
    doubts
        What members take places and reel to be; None: as the record says.
    """

    spool: Spool
    as_of_s: float
    field: Field
    polymer: Polymer
    weights: Floats
    place: str
    since_s: float
    last: Event | None
    path: Field | None = None
    notes: tuple[Note, ...] = ()
    record: tuple[Weighed | Inspected, ...] = ()
    printed: tuple[Printed, ...] = ()
    enclosed: Air | None = None
    doubts: Doubts | None = None
    company: tuple[Companion, ...] = ()

    @property
    def members(self) -> int:
        """How many members."""
        return self.field.members

    @property
    def remaining_mm(self) -> float:
        """Length of strand left on the reel."""
        return self.field.winding.remaining_mm

    @property
    def remaining_g(self) -> float:
        """Dry mass of strand left on the reel."""
        return 1000.0 * math.fsum(self.field.winding.strand_kg())

    @property
    def next_fed_wt_pct(self) -> Floats:
        """Mean content of the outermost layer, (members,); NaN on an empty reel."""
        return 100.0 * self.field.outer_mean()

    @property
    def mean_wt_pct(self) -> Floats:
        """Mean content of all strand left, by mass, (members,); NaN on an empty reel."""
        return 100.0 * self.field.mean()

    @property
    def path_wt_pct(self) -> Floats:
        """Content of the strand parked in tube and hot end, (members,); off the printer, what is fed next."""
        return self.next_fed_wt_pct if self.path is None else 100.0 * self.path.outer_mean()

    @property
    def limit_good_wt_pct(self) -> Floats:
        """Each member's limit of *dry*, (members,)."""
        return 100.0 * self.polymer.limit_good

    @property
    def limit_marginal_wt_pct(self) -> Floats:
        """Each member's limit of *marginal*, (members,)."""
        return 100.0 * self.polymer.limit_marginal

    @property
    def water_wt_pct(self) -> Floats:
        """The whole field, (layers, shells, members), hub and centre first."""
        return 100.0 * self.field.water

    @property
    def temperature_C(self) -> Floats:
        """Temperature of each layer, (layers, members), hub first."""
        return self.field.temperature_K - ZERO_CELSIUS_K

    @property
    def enclosed_rh_pct(self) -> Floats | None:
        """Humidity of the closed place's air, (members,); None in the open, NaN where it holds no air."""
        if self.enclosed is None or self.field.store_kg is None:
            return None
        return 100.0 * self.enclosed.activity_over(self.field.store_kg)

    @property
    def body_gain_g(self) -> Floats:
        """Water in the reel's own body beyond what it is weighed with in room air, (members,)."""
        return 1000.0 * self.field.body_gain_kg()

    def stays_in(self, around: Surroundings) -> bool:
        """Whether these surroundings go on with the present stay: the same place, or the box that feeds a printer."""
        if around.place == self.place:
            return True
        here = self.spool.places.get(self.place)
        return around.box is not None and here is not None and around.box == box_of(self.spool, here)

    def by_depth(self) -> list[tuple[float, Floats]]:
        """Return (depth below the face [mm], the layer's mean content (members,) [wt %]), outermost first."""
        depth, mean = self.field.winding.depth_mm(), 100.0 * self.field.layer_mean()
        return [(float(depth[i]), mean[i]) for i in range(depth.shape[0] - 1, -1, -1)]

    def strand(self) -> list[tuple[float, float]]:
        """Return (radius [mm], content [wt %]) of the strand fed next, centre first; the median member."""
        if not self.field.winding.layers:
            return []
        radius = self.field.grid.node * self.spool.diameter_mm / 2.0
        outer = 100.0 * self.field.water[-1]
        return [(float(r), quantile(outer[s], 0.5, self.weights)) for s, r in enumerate(radius)]

    def quantiles(self, values: ArrayLike) -> Quantiles:
        """Return p10, p50 and p90 of one value per member."""
        return quantiles(values, self.weights)


def quantile(values: ArrayLike, q: float, weights: Floats | None = None) -> float:
    """Return the weighted quantile, with the members at k/(N + 1) when all weigh the same; NaN if any is.

    >>> quantile([3.0, 1.0, 2.0], 0.5), quantile([3.0, 1.0, 2.0], 0.25), quantile([4.0], 0.9)
    (2.0, 1.0, 4.0)
    """
    return _quantiles(values, (q,), weights)[0]


def _quantiles(values: ArrayLike, shares: Sequence[float], weights: Floats | None) -> list[float]:
    array = np.asarray(values, dtype=np.float64)
    return [float(value) for value in _quantile_rows(array[np.newaxis], shares, weights)[0]]


def _quantile_rows(array: Floats, shares: Sequence[float], weights: Floats | None) -> Floats:
    """Return quantiles of rows of members, (rows, shares); NaN where any member of a row is."""
    rows, members = array.shape
    if members == 1:
        return np.repeat(array, len(shares), axis=1)
    order = np.argsort(array, axis=1, kind="stable")
    share = np.full(members, 1.0 / members) if weights is None else weights / weights.sum()
    # k/(N+1), N the number of members that these weights are worth: each member stands in the middle of its
    # own weight, and half a mean member is left beyond both ends, so that one of no weight is never an end.
    worth = 1.0 / float(np.sum(share**2))
    own = share[order]
    at = np.cumsum(own, axis=1) - 0.5 * own
    ends = 0.5 / worth, 1.0 - 0.5 / worth
    ordered = np.take_along_axis(array, order, axis=1)
    row = np.arange(rows)
    found = np.empty((rows, len(shares)))
    never = np.isinf(ordered[:, -1])
    for i, q in enumerate(shares):
        place = min(max(((worth + 1.0) * q - 0.5) / worth, ends[0]), ends[1])
        after = np.clip((at <= place).sum(axis=1), 1, members - 1)
        low, high = at[row, after - 1], at[row, after]
        before, value = ordered[row, after - 1], ordered[row, after]
        with np.errstate(invalid="ignore", divide="ignore"):
            way = np.clip(np.where(high > low, (place - low) / (high - low), 1.0), 0.0, 1.0)
            found[:, i] = before + way * (value - before)
        if never.any():  # times that never come: no half-way between a time and never
            first = np.minimum((at[never] < place - 1e-12).sum(axis=1), members - 1)
            found[never, i] = ordered[never, first]
    found[np.isnan(array).any(axis=1)] = math.nan
    return found


def quantiles(values: ArrayLike, weights: Floats | None = None) -> Quantiles:
    """Return p10, p50 and p90; p10 and p90 None for a single member."""
    return quantiles_by_row(np.asarray(values, dtype=np.float64)[np.newaxis], weights)[0]


def quantiles_by_row(values: Floats, weights: Floats | None = None) -> list[Quantiles]:
    """Return p10, p50 and p90 of each row of (rows, members); p10 and p90 None for a single member."""
    if values.shape[1] == 1:
        return [Quantiles(None, value, None) for value in values[:, 0].tolist()]
    return [Quantiles(*row) for row in _quantile_rows(values, (0.1, 0.5, 0.9), weights).tolist()]
