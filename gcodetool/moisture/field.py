"""The field of a spool, and the only caller of the kernel: a snapshot in, a simulation, a snapshot out.

`Field` is a frozen picture in numpy arrays; `SpoolIntegrator` holds the same numbers in flat arrays that
the kernel works on, compiled or interpreted, and lets strand be drawn off the outside.
"""

import math
from array import array
from collections.abc import Iterator
from dataclasses import replace
from types import SimpleNamespace
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gcodetool.errors import CalculationError
from gcodetool.moisture.air import Air, saturation_pressure, vapour_density
from gcodetool.moisture.kernel import KERNEL
from gcodetool.moisture.polymer import Polymer
from gcodetool.moisture.reel_body import BodyWater
from gcodetool.moisture.winding import (
    CONDUCTIVITY_W_MK,
    FLANGE_M2K_W,
    HEAT_CAPACITY_J_KGK,
    SHELLS,
    TORTUOSITY,
    Shells,
    Winding,
    shells,
)
from gcodetool.quickdata import dataclass

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

FIRST_STEP_S: Final = 1.0  # after a change of air, where the first minutes are looked at
NEW_AIR_STEP_S: Final = 60.0  # and where only the end of a stay is
SAME_AIR_STEP_S: Final = 3600.0  # in air that goes on much as it was, at most
SAME_AIR_SHARE: Final = 0.5  # of a stretch of it
GROWTH: Final = 4.0  # of the steps, at most; docs/physics.md, section 5, measures what all these cost
# What a calculation may be off by, relative to limit_good or a tenth of the content in room air, if that is less:
FINE_SHARE: Final = 0.1
TOLERANCE: Final = 0.2  # a step's estimated error, many times its true one
LINE_ERROR: Final = 0.03  # where Newton stops on D(c)
ACTIVITY_SLACK: Final = 1e-3  # and on the isotherm
HEAT_SLACK: Final = 0.01  # and on temperature [K]: 0.06 % of the vapour's pressure
HEAT_TOLERANCE: Final = 4.0  # of a step [K], estimated as above
LONGEST_S: Final = 1e9
HELD: Final = ("water", "gap", "temperature", "store", "body")  # arrays of the kernel, of the members last
COUNTED: Final = ("fed_kg", "vented_kg", "_body_in_kg")  # of a whole march, wherever it was taken up again
SHORTEST_S: Final = 1e-9  # nothing happens in less

# An exposed strand needs no film (Biot number above 1000) and warms in a minute: the cell of a loose coil
# hangs on the air through what is nearly nothing.
_LOOSE_PITCH_M: Final = 1e-6
_LOOSE_HEAT: Final = 1e6
_LOOSE_MASS: Final = 1e3


@dataclass(frozen=True)
class Field:
    """Water and temperature of a spool; layer 0 on the hub, shell 0 in the strand's centre.

    Attributes
    ----------
    winding
        The layers that are left.
    water : (layers, shells, members)
        Content, kg per kg of dry strand.
    gap : (layers, members)
        Vapour in the air between the turns, kg/m³.
    temperature_K : (layers, members)
    store_kg : (members,) or None
        Water in the air and desiccant of the closed place the spool is in.
    body_kg : (members,) or None
        Water in the reel's own body; None where the winding says of none, or for the balance with room air.
    """

    winding: Winding
    water: Floats
    gap: Floats
    temperature_K: Floats
    store_kg: Floats | None = None
    body_kg: Floats | None = None

    @property
    def members(self) -> int:
        """How many members."""
        return int(self.water.shape[2])

    @property
    def grid(self) -> Shells:
        """The strand's rings."""
        return shells(self.water.shape[1])

    def layer_mean(self) -> Floats:
        """Return the mean content of each layer's strand, (layers, members) [kg/kg]."""
        return np.asarray(np.einsum("lsm,s->lm", self.water, self.grid.share))

    def mean(self) -> Floats:
        """Return the mean content of all strand left, (members,) [kg/kg]; NaN on an empty reel."""
        mass = self.winding.strand_kg()
        if not mass.size:
            return np.full(self.members, np.nan)
        return np.asarray(mass @ self.layer_mean() / mass.sum())

    def outer_mean(self) -> Floats:
        """Return the mean content of the outermost layer, which is fed next, (members,) [kg/kg]."""
        if not self.winding.layers:
            return np.full(self.members, np.nan)
        return np.asarray(self.grid.share @ self.water[-1])

    def water_kg(self) -> Floats:
        """Return all water in strand, gaps, body and closed place, (members,) [kg]."""
        held = self.winding.strand_kg() @ self.layer_mean() + self.winding.gap_m3() @ self.gap
        for more in (self.store_kg, self.body_kg):
            held = held if more is None else held + more
        return np.asarray(held)

    def body_gain_kg(self) -> Floats:
        """Return what the body holds beyond its balance with room air, as which it is weighed, (members,) [kg]."""
        body = self.winding.body
        if body is None or self.body_kg is None:
            return np.zeros(self.members)
        return self.body_kg - body.weighed_kg

    def outermost(self) -> "Field":
        """Return the strand of the outermost layer alone, open to the air: what hangs in a guide tube."""
        piece = self.winding.length_m[-1:] * 0.0 + 1.0
        alone = replace(self.winding, length_m=piece, full_m=piece, loose=True, body=None)
        return Field(alone, self.water[-1:], self.gap[-1:], self.temperature_K[-1:])


def uniform(
    winding: Winding,
    polymer: Polymer,
    content: ArrayLike,
    temperature_K: float | Floats,
    *,
    count: int = SHELLS,
    body_activity: ArrayLike | None = None,
) -> Field:
    """Return a field of one *content* per member [kg/kg], its gaps in equilibrium with it; so one temperature.

    *body_activity*: of the air that the reel's body is in balance with; else it is in balance with the strand.
    """
    value = np.broadcast_to(np.asarray(content, dtype=np.float64), (polymer.members,))
    water = np.broadcast_to(value, (winding.layers, count, polymer.members)).copy()
    activity = polymer.activity(value, temperature_K)
    pressure = activity * saturation_pressure(temperature_K)
    shape = (winding.layers, polymer.members)
    gap = np.broadcast_to(vapour_density(temperature_K, pressure), shape).copy()
    body = None
    if winding.body is not None:
        balance = winding.body.balance_kg(activity if body_activity is None else body_activity)
        body = np.broadcast_to(balance, (polymer.members,)).copy()
    kelvin = np.broadcast_to(np.asarray(temperature_K, dtype=np.float64), shape).copy()
    return Field(winding, water, gap, kelvin, body_kg=body)


def first_step_s(seconds: float, *, anew: bool) -> float:
    """Return the first step of a stretch of a stay [s]; *anew*: it begins in other air than before."""
    return NEW_AIR_STEP_S if anew else min(SAME_AIR_STEP_S, SAME_AIR_SHARE * seconds)


def _flat(values: ArrayLike) -> "array[float]":
    found = array("d")
    found.frombytes(np.ascontiguousarray(values, dtype=np.float64).ravel().view(np.uint8).data)  # copied once
    return found


def _zeros(count: int) -> "array[float]":
    return array("d", (0.0,)) * count


class SpoolIntegrator:
    """A field on its way through time; make one from a `Field`, take one back with `field`.

    Parameters
    ----------
    start, polymer
        Of the same members.
    kernel
        The module of the kernel; the interpreted twin in tests.

    Attributes
    ----------
    fed_kg, vented_kg : (members,)
        Water that left with the strand drawn off, and with the air of its gaps.
    unmoved
        It has not been put into any air since it was made.
    """

    def __init__(self, start: Field, polymer: Polymer, *, kernel: Any = KERNEL) -> None:
        self.winding = start.winding
        self.polymer = polymer
        self.shells = start.water.shape[1]
        self.members = start.members
        self._air: Air | None = None
        self._body = start.winding.body
        held = _zeros(self.members)
        if self._body is not None:
            held[:] = _flat(
                np.full(self.members, self._body.weighed_kg) if start.body_kg is None else start.body_kg
            )
        self._body_in_kg = np.zeros(self.members)
        self._follows: tuple[Floats, float | Floats] | None = (
            None  # what the body goes to in this air, and in which time
        )
        stated = float(np.mean(polymer.limit_good / polymer.limit_factor))  # whatever members make of it
        fine = min(stated, FINE_SHARE * float(np.mean(polymer.room_equilibrium())))
        grid = start.grid
        wound = start.winding
        loose = wound.loose
        layers = wound.layers
        self.kernel_arrays = SimpleNamespace(
            layers=layers,
            shells=self.shells,
            members=self.members,
            gab=polymer.gab,
            line_error=LINE_ERROR * fine,
            activity_slack=ACTIVITY_SLACK,
            heat_slack=HEAT_SLACK,
            parameters=_flat(
                [
                    polymer.diffusivity_m2_s,
                    polymer.diffusivity_per_content,
                    polymer.activation_K,
                    polymer.sorption_K,
                    polymer.first,
                    polymer.second,
                    polymer.third,
                    polymer.bed_factor,
                    polymer.latent_J_kg,
                ]
            ),
            share=_flat(grid.share),
            conductance=_flat(grid.conductance),
            radius_m=wound.diameter_m / 2.0,
            pitch_m=_LOOSE_PITCH_M if loose else wound.pitch_m,
            bed=wound.void_fraction / TORTUOSITY,
            conductivity=CONDUCTIVITY_W_MK,
            heat_capacity=HEAT_CAPACITY_J_KGK,
            strand_kg=_flat(wound.strand_kg()),
            gap_m3=_flat(wound.gap_m3()),
            face_m2=_flat(wound.face_m2()),
            side_m=wound.side_m,
            flange_m2=_flat(wound.flange_m2()),
            flange_open=self._each(wound.flange_open),
            flange_m2K_W=FLANGE_M2K_W * (1.0 - float(np.mean(wound.flange_open))),
            water=_flat(start.water),
            gap=_flat(start.gap),
            temperature=_flat(start.temperature_K),
            store=_zeros(self.members),
            body=held,
            inflow=_zeros(self.members),
            spent=_zeros(self.members),
            body_kg=0.0 if self._body is None else self._body.dry_kg,
            body_activity=_flat([0.0, 1.0] if self._body is None else self._body.activity),
            body_content=_flat([0.0, 0.0] if self._body is None else self._body.content),
            work=_zeros,
        )
        self.fed_kg = np.zeros(self.members)
        self.vented_kg = np.zeros(self.members)
        self.kernel: Any = kernel.Reel(self.kernel_arrays)
        self._views = [np.frombuffer(getattr(self.kernel_arrays, name)) for name in HELD] if layers else []
        self._store = start.store_kg
        self._share = grid.share
        self._tolerance = TOLERANCE * fine
        self._sound = np.isfinite(start.mean() if layers else np.zeros(self.members))
        self.unmoved = True

    def surround(self, air: Air, *, again: bool = False, loaded_kg: ArrayLike | None = None) -> None:
        """Put the spool into *air*; *again*: it was in this closed place already, whose store goes on.

        *loaded_kg*: water that a desiccant holds already, per member or for all; else it is fresh.  Where the
        air's numbers are the members' own, each member stands in its own air.
        """
        self.unmoved = False
        desiccant = air.desiccant
        exchange_m3_s, exchange_kg_m3 = air.members_exchange
        loose = self.winding.loose
        store = np.zeros(self.members)
        if air.closed:
            if again and self._store is not None:
                store = self._store
            else:
                store += air.air_m3 * vapour_density(air.members_K, air.members_Pa)
                if loaded_kg is not None:
                    store = store + np.asarray(loaded_kg, dtype=np.float64)
                elif desiccant is not None:
                    store += air.desiccant_kg * desiccant.content(desiccant.fresh_rh_pct / 100.0)
        self.kernel_arrays.store[:] = _flat(store)
        self._air, self._follows = air, None
        self.kernel.surround(
            SimpleNamespace(
                temperature_K=self._each(air.members_K),
                vapour_Pa=self._each(air.members_Pa),
                mass_m_s=self._each(_LOOSE_MASS if loose else air.members_mass_m_s),
                through=self._each(air.members_through),
                exchange_m3_s=self._each(exchange_m3_s),
                exchange_kg_m3=self._each(exchange_kg_m3),
                body_s=self._each(1.0 if self._body is None else self._body.follows_s(air.members_K)),
                spent_Pa=self._each(
                    math.inf
                    if desiccant is None
                    else desiccant.spent_rh_pct / 100.0 * saturation_pressure(air.members_K)
                ),
                closed=air.closed,
                air_m3=air.air_m3,
                heat_W_m2K=_LOOSE_HEAT if loose else air.heat_W_m2K,
                desiccant_kg=air.desiccant_kg if desiccant is not None else 0.0,
                activity=_flat([0.0, 1.0] if desiccant is None else np.array(desiccant.rh_pct) / 100.0),
                content=_flat(
                    [0.0, 0.0] if desiccant is None else np.array(desiccant.content_wt_pct) / 100.0
                ),
            )
        )

    def take_over(self, other: "SpoolIntegrator") -> None:
        """Go on from where *other* is, of the same members: all that it is but what was counted (``COUNTED``).

        *other* is not to be used any more: both would march the same arrays.
        """
        self.__dict__.update({name: held for name, held in vars(other).items() if name not in COUNTED})

    def _each(self, value: ArrayLike) -> "array[float]":
        """Return one number for each member, from one for all or from theirs."""
        if isinstance(value, float):
            return array("d", [value]) * self.members
        return _flat(np.broadcast_to(np.asarray(value, dtype=np.float64), (self.members,)))

    def run(self, seconds: float, *, first_s: float = FIRST_STEP_S, longest_s: float = LONGEST_S) -> float:
        """March on; return the step that would come next [s].

        Raises
        ------
        CalculationError
            Where a member's numbers were finite and are not any more.
        """
        if not self.winding.layers or seconds < SHORTEST_S:
            return first_s
        self.unmoved = False
        after = self.kernel.march(seconds, first_s, GROWTH, longest_s, self._tolerance, HEAT_TOLERANCE)
        if not self._all_finite():
            self._complain(seconds)
        if self._body is not None and self._air is not None and not self._air.closed:
            self._exchange_body_water(self._body, self._air, seconds)
        return float(after)

    def _held(self) -> Iterator[Floats]:
        """Yield all that the kernel holds, (…, members) each."""
        cells = self.winding.layers * self.members
        counts = (cells * self.shells, cells, cells, self.members, self.members)
        for values, count in zip(self._views, counts, strict=True):
            yield values[:count].reshape(-1, self.members)

    def _all_finite(self) -> bool:
        # a pressure or a temperature that is none makes the water of its layer none in the same step
        water = self._views[0][: self.winding.layers * self.shells * self.members]
        return math.isfinite(np.dot(water, water))

    def _complain(self, seconds: float) -> None:
        """Raise an error if a member's numbers were finite at the start and are not any more."""
        total = sum((each.sum(axis=0) for each in self._held()), np.zeros(self.members))
        lost = self._sound & ~np.isfinite(total)
        if lost.any() and self._air is not None:
            raise CalculationError(
                f"{int(lost.sum())} of {self.members} members of the moisture calculation stopped being numbers"
                f" within {seconds / 3600.0:.3g} h in air of {self._air.temperature_C:.1f} °C and"
                f" {self._air.rh_pct:.0f} % RH; please report this with the spool's record"
            )

    def _exchange_body_water(self, body: BodyWater, air: Air, seconds: float) -> None:
        """Let the body follow constant air, exactly."""
        held = self._views[-1]
        if self._follows is None:
            goal = body.balance_kg(np.minimum(1.0, np.asarray(air.members_rh_pct) / 100.0))
            self._follows = goal, body.follows_s(air.members_K)
        goal, follows_s = self._follows
        if isinstance(follows_s, float):
            kept: float | Floats = math.exp(-seconds / follows_s)
        else:
            kept = np.exp(-seconds / follows_s)
        after = goal + (held - goal) * kept
        self._body_in_kg += after - held
        held[:] = after

    def hold_enclosed_water(self) -> None:
        """Remember what a closed place holds, for a stay that goes on (`surround` with *again*)."""
        self._store = (
            np.array(self.kernel_arrays.store) if self._air is not None and self._air.closed else None
        )

    def feed(self, length_m: float) -> None:
        """Draw strand off the outside; the layers below come to the face as it recedes."""
        before = self.winding
        after = before.after(length_m)
        inner = max(0, after.layers - 1)  # layers that keep what they have
        gone_m = before.length_m[inner:].copy()
        gone_m[: after.layers - inner] -= after.length_m[inner:]
        for layer, metres in enumerate(gone_m.tolist(), inner):
            self.fed_kg += metres * before.strand_kg_m * self._layer_mean(layer)
            gap = self._views[1][layer * self.members : (layer + 1) * self.members]
            self.vented_kg += metres * before.gap_m2 * gap
        self.winding = after
        self.kernel.set_layers(after.layers)
        count = after.layers
        if count:
            left_m = float(after.length_m[-1])
            self.kernel_arrays.strand_kg[count - 1] = left_m * after.strand_kg_m
            self.kernel_arrays.gap_m3[count - 1] = left_m * after.gap_m2
            if after.loose:
                self.kernel_arrays.face_m2[1] = float(after.face_m2()[1])

    def settled(self) -> "SpoolIntegrator":
        """Return it as it goes on from the numbers alone: what it remembers of its way is forgotten."""
        if self.unmoved:
            return self
        if self._air is not None:
            self.hold_enclosed_water()
        self.kernel.forget()
        self._air, self._follows = None, None
        self._body_in_kg = np.zeros(self.members)
        self.fed_kg = np.zeros(self.members)
        self.vented_kg = np.zeros(self.members)
        self.unmoved = True
        return self

    def outer_mean(self) -> Floats:
        """Return the mean content of the strand fed next, (members,) [kg/kg]; NaN when empty."""
        if not self.winding.layers:
            return np.full(self.members, np.nan)
        return self._layer_mean(self.winding.layers - 1)

    def inflow_kg(self) -> Floats:
        """Return the water that has come in from outside, (members,) [kg]."""
        return np.array(self.kernel_arrays.inflow) + self._body_in_kg

    def held_kg(self) -> Floats:
        """Return the water in a closed place's air and desiccant, (members,) [kg]."""
        return np.array(self.kernel_arrays.store)

    def spent_s(self) -> Floats:
        """Return when a closed place's desiccant was spent, since `surround`, (members,) [s]; inf: not yet."""
        since = np.array(self.kernel_arrays.spent)
        return np.where(since < 0.0, np.inf, since)

    def field(self) -> Field:
        """Return the field as it is now."""
        layers, cells = self.winding.layers, self.winding.layers * self.members
        shape = (layers, self.members)
        closed = self._air is not None and self._air.closed
        return Field(
            self.winding,
            np.array(self.kernel_arrays.water[: cells * self.shells]).reshape(
                layers, self.shells, self.members
            ),
            np.array(self.kernel_arrays.gap[:cells]).reshape(shape),
            np.array(self.kernel_arrays.temperature[:cells]).reshape(shape),
            np.array(self.kernel_arrays.store) if closed else self._store if self._air is None else None,
            None if self._body is None else np.array(self.kernel_arrays.body),
        )

    def _layer_mean(self, layer: int) -> Floats:
        size = self.shells * self.members
        piece = self._views[0][layer * size : (layer + 1) * size]
        return np.asarray(self._share @ piece.reshape(self.shells, self.members))


def crossing_s(before: Floats, after: Floats, limit: Floats, begin_s: float, end_s: float) -> Floats:
    """Return when a rising content passed *limit* between two moments, (members,) [s].

    Uptake at a fresh surface grows with the square root of time, so the line is straight in it; NaN where
    the limit was not passed.
    """
    passed = (before <= limit) & (after > limit)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(passed, (limit - before) / (after - before), np.nan)
    root = math.sqrt(begin_s) + share * (math.sqrt(end_s) - math.sqrt(begin_s))
    return np.asarray(root**2)
