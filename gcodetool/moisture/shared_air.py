"""Reels that stand in one closed place together: one air, one desiccant, all bodies, one balance of water.

Over a short slice of time every reel stands in air of one vapour pressure, the one at which what the reels
take up, what the place's air and desiccant gain and what leaks in add up to nothing (an implicit step: it
stands however little the place holds by itself).  Slices grow after each change.  What is left of the sum is
the store's, so water is conserved to rounding.  Equations: ``docs/physics.md``, section 6.
Left out: the air that comes in when a place is opened for one reel while another stays.
"""

import math
from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gcodetool.moisture.air import Air, OwnAir, saturation_pressure, vapour_density
from gcodetool.moisture.constants import VAPOUR_GAS
from gcodetool.moisture.field import FIRST_STEP_S, LONGEST_S, Field, SpoolIntegrator
from gcodetool.moisture.members import spread_over
from gcodetool.moisture.polymer import Polymer
from gcodetool.quickdata import dataclass

Floats = NDArray[np.float64]

FIRST_SLICE_S: Final = 10.0  # after a change
GROWTH: Final = 2.0  # of the slices
PRESSURE_SLACK: Final = (
    5e-4  # of saturation: where the common pressure is good enough; the rest waits a slice
)
SHOWN_SLACK: Final = 0.1  # and that of what the place then holds may be off ten times as far
TURNS: Final = 8  # of looking for it, at most
SLOPE_BOUNDS: Final = (0.02, 50.0)  # how far one look may correct what the reels answer to a pressure


@dataclass(frozen=True)
class Companion:
    """Another reel in the same closed place; it may have fewer members."""

    field: Field
    polymer: Polymer

    def thinned(self, members: int) -> "Companion":
        """Return it with at most so many of its members, evenly taken."""
        if self.field.members <= members:
            return self
        keep = np.linspace(0, self.field.members - 1, members).astype(int)

        def some(value: Any) -> Any:
            return np.ascontiguousarray(value[..., keep]) if isinstance(value, np.ndarray) else value

        def of(whole: Any) -> Any:
            names = [each.name for each in fields(whole) if each.name != "winding"]
            return replace(whole, **{name: some(getattr(whole, name)) for name in names})

        return Companion(of(self.field), of(self.polymer))


class SharedIntegrator(SpoolIntegrator):
    """A reel on its way through time with others in its closed place, until it is taken out.

    Where more than *most* stand there, all together are taken to hold the place's air as it is.

    Attributes
    ----------
    leaked_kg : (members,)
        Water that came into the closed place from its room.
    """

    def __init__(
        self, start: Field, polymer: Polymer, company: Sequence[Companion], *, most: int | None = None
    ) -> None:
        super().__init__(start, polymer)
        self._frozen = tuple(company) if most is not None and len(company) > most else ()
        self._beside = [SpoolIntegrator(one.field, one.polymer) for one in company if not self._frozen]
        self.leaked_kg = np.zeros(self.members)
        self._pressure: Floats | None = None
        self._answer: tuple[Floats, float] | None = None  # the reels' slope, kg/Pa, over a slice of so long
        self._stayed_s = 0.0
        self._spent_s = np.full(self.members, np.inf)

    @property
    def company(self) -> tuple[Companion, ...]:
        """The others, as they are now; none once the reel was put elsewhere."""
        return self._frozen or tuple(Companion(one.field(), one.polymer) for one in self._beside)

    def surround(
        self, air: Air, *, again: bool = False, loaded_kg: ArrayLike | None = None, joined: bool = False
    ) -> None:
        """Put the reel into *air*, as `SpoolIntegrator` does; in another place than its company's it is alone.

        *joined*: its company goes there with it.
        """
        super().surround(air, again=again, loaded_kg=loaded_kg)
        if not ((again or joined) and air.closed):
            self._beside, self._frozen = [], ()
        if self._frozen:
            place = _Place(air, self.members)
            super().surround(place.open_air(place.pressure(self.held_kg(), None), self.members))
        self._pressure = self._answer = None
        self._stayed_s = 0.0
        self._spent_s = np.full(self.members, np.inf)

    def run(self, seconds: float, *, first_s: float = FIRST_STEP_S, longest_s: float = LONGEST_S) -> float:
        """March on, all reels together; return the step that would come next [s]; errors as in the base."""
        if not self._beside:
            return super().run(seconds, first_s=first_s, longest_s=longest_s)
        left, step = seconds, first_s
        while left > 0.0:
            step = min(step, longest_s)
            take = left if left <= step else 0.5 * left if left < 1.5 * step else step
            self._slice(take)
            left -= take
            step *= GROWTH
        return step

    def field(self) -> Field:
        """Return the field as it is now."""
        found = super().field()
        return replace(found, store_kg=self._store) if self._frozen else found

    def spent_s(self) -> Floats:
        """Return when the place's desiccant was spent, since `surround`, (members,) [s]; inf: not yet."""
        return self._spent_s if self._beside else super().spent_s()

    def _slice(self, seconds: float) -> None:
        """March all reels through one slice."""
        air = self._air
        assert air is not None
        place = _Place(air, self.members)
        store = self.held_kg()
        pressure, gained = self._balanced(place, store, seconds)
        leak = place.leak_kg(pressure, seconds)
        self.leaked_kg += leak
        self._store = store + leak - gained
        super().surround(air, again=True)
        self._stayed_s += seconds
        if air.desiccant is not None:
            over = pressure > air.desiccant.spent_rh_pct / 100.0 * place.full_Pa
            self._spent_s = np.where(over, np.minimum(self._spent_s, self._stayed_s), self._spent_s)

    def _balanced(self, place: "_Place", store: Floats, seconds: float) -> tuple[Floats, Floats]:
        """March the reels to a slice's end; return the pressure that they stood in, and what they gained (members,)."""
        saved = [(one.field(), one.polymer) for one in (self, *self._beside)]
        begun = place.pressure(store, self._pressure)
        if self._answer is None:
            answer = sum((place.film_answer(field, seconds) for field, _ in saved), np.zeros(self.members))
        else:  # what is soaked up at a surface grows with the square root of time
            answer = self._answer[0] * math.sqrt(seconds / self._answer[1])
        # Where the place itself holds most, its pressure changes evenly and the middle of a slice stands for it
        # (order two); where the reels do, its end does (which no slice is too long for).
        own = place.held_slope(begun)
        late = 1.0 - 0.5 * own / (own + answer + place.leak_slope(seconds))
        end = begun if self._pressure is None else self._pressure
        before: tuple[Floats, Floats] | None = None
        for turn in range(TURNS):
            pressure = begun + late * (end - begun)
            if turn:
                self._go_back(saved)
            gained = self._stand(place, pressure, seconds)
            if before is not None:
                answer = _corrected(answer, pressure - before[0], gained - before[1], place.full_Pa)
            miss = place.held_kg(end) - store - place.leak_kg(pressure, seconds) + gained
            holds = place.held_slope(end)
            change = -miss / (holds + late * (place.leak_slope(seconds) + answer))
            off = np.abs(np.divide(miss, holds, out=np.zeros_like(miss), where=holds > 0.0))
            before = (pressure, gained)
            end = np.maximum(end + change, 0.0)
            if (np.maximum(np.abs(change), SHOWN_SLACK * off) <= PRESSURE_SLACK * place.full_Pa).all():
                break
        self._pressure = end
        self._answer = (answer, seconds)
        return pressure, gained

    def _stand(self, place: "_Place", pressure: Floats, seconds: float) -> Floats:
        """Let all reels stand in air of one pressure; return what they gain, (members,)."""
        gained = np.zeros(self.members)
        for one in (self, *self._beside):
            had = one.inflow_kg()
            SpoolIntegrator.surround(one, place.open_air(pressure, one.members))
            SpoolIntegrator.run(one, seconds, first_s=seconds)
            gained = gained + spread_over(one.inflow_kg() - had, self.members)
        return gained

    def _go_back(self, saved: list[tuple[Field, Polymer]]) -> None:
        """Put all reels back to where the slice began."""
        first, *others = [SpoolIntegrator(field, polymer) for field, polymer in saved]
        self.take_over(first)
        self._beside = others


def _corrected(answer: Floats, moved: Floats, more: Floats, full: Floats) -> Floats:
    """Return the reels' slope by what a move of the pressure did (the secant), within bounds."""
    with np.errstate(divide="ignore", invalid="ignore"):
        secant = np.where(np.abs(moved) > 1e-9 * full, more / moved, answer)
    return np.clip(secant, SLOPE_BOUNDS[0] * answer, SLOPE_BOUNDS[1] * answer)


class _Place:
    """A closed place's own water: air, desiccant, leak; all over its vapour pressure, (members,) [Pa]."""

    def __init__(self, air: Air, members: int) -> None:
        self.air, self.members = air, members
        self.kelvin = self._each(air.members_K)
        stream, incoming = air.members_exchange
        self.stream_m3_s, self.incoming_kg_m3 = self._each(stream), self._each(incoming)
        self.full_Pa = saturation_pressure(self.kelvin)

    def _each(self, value: Any) -> Floats:
        return np.broadcast_to(np.asarray(value, dtype=np.float64), (self.members,))

    def pressure(self, store_kg: Floats, known: Floats | None) -> Floats:
        """Return the pressure at which air and desiccant hold *store_kg*; where there is neither, the one *known*."""
        activity = self.air.activity_over(store_kg)
        known = self._each(self.air.members_Pa) if known is None else known
        return np.where(np.isnan(activity), known, activity * self.full_Pa)

    def held_kg(self, pressure: Floats) -> Floats:
        """Return what air and desiccant hold; beyond saturation the desiccant takes no more."""
        held = self.air.air_m3 * vapour_density(self.kelvin, pressure)
        agent = self.air.desiccant
        if agent is not None:
            humid = 100.0 * pressure / self.full_Pa
            held = held + self.air.desiccant_kg * np.interp(humid, agent.rh_pct, agent.content_wt_pct) / 100.0
        return held

    def leak_kg(self, pressure: Floats, seconds: float) -> Floats:
        """Return the water that comes in from the room."""
        outside = self.incoming_kg_m3 - vapour_density(self.kelvin, pressure)
        return np.asarray(seconds * self.stream_m3_s * outside)

    def held_slope(self, pressure: Floats) -> Floats:
        """Return how what is held grows with the pressure [kg/Pa]."""
        little = 1e-4 * self.full_Pa
        return (self.held_kg(pressure + little) - self.held_kg(pressure)) / little

    def leak_slope(self, seconds: float) -> Floats:
        """Return how what leaks out grows with it [kg/Pa]."""
        return np.asarray(seconds * self.stream_m3_s / (VAPOUR_GAS * self.kelvin))

    def film_answer(self, field: Field, seconds: float) -> Floats:
        """Return the most that a reel can answer to a pressure over a short slice [kg/Pa]: its film alone."""
        face_m2 = float(field.winding.face_m2()[-1]) if field.winding.layers else 0.0
        film = np.max(np.asarray(self.air.members_mass_m_s))
        return np.full(self.members, seconds * face_m2 * film / (VAPOUR_GAS * float(np.mean(self.kelvin))))

    def open_air(self, pressure: Floats, members: int) -> Air:
        """Return the place's air as a reel of so many members meets it, at one pressure."""
        own = self.air.own

        def each(value: float | Floats) -> float | Floats:
            return value if np.ndim(value) == 0 else spread_over(np.asarray(value), members)

        return replace(
            self.air,
            vapour_Pa=1.0,
            closed=False,
            own=OwnAir(
                warmer_K=each(own.warmer_K), moister=spread_over(pressure, members), draught=each(own.draught)
            ),
        )
