"""How to dry a spool in a device: how hot, how long, whether it can get there at all, and how to tell.

``plan`` puts together what ``limits`` allows, what ``course`` computes and, where that is not enough,
what else would do (``alternatives``).  Nothing here reads files or a clock.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from gcodetool.drying.alternatives import Alternative, alternatives
from gcodetool.drying.course import Course, course, falls_to, rises_to
from gcodetool.drying.device import Device
from gcodetool.drying.drying_floor import equilibrium, final_activity
from gcodetool.drying.job import JobFeed, JobNeed, job_need
from gcodetool.drying.limits import Bound, SetPoint, set_point
from gcodetool.drying.weigh import Weighing, weighing
from gcodetool.errors import OutOfRangeError, SpoolError
from gcodetool.moisture.constants import HOUR_S, ZERO_CELSIUS_K
from gcodetool.moisture.history import Quantiles, State, quantile, quantiles
from gcodetool.moisture.notes import Note
from gcodetool.moisture.shared_air import Companion

Floats = NDArray[np.float64]

CAP_S: Final = 72 * 3600.0
SLOW_S: Final = 24 * 3600.0  # from here on it is worth a look at what else would do
SURE: Final = 0.9
DEEP: Final = 0.3  # of good: drier than this no job needs it
NEAR_FLOOR: Final = 1.1  # and nearer to the floor than this is not waited for

Outcome = Literal["already", "reaches", "longer", "never"]


@dataclass(frozen=True)
class Reach:
    """Whether and when a content is reached.

    Attributes
    ----------
    goal
        "good", "marginal" or "target".
    limit_wt_pct
        The content asked for, median of the members' own.
    outcome
        At the asked confidence: already there, within the hours looked at, longer than those, or never in
        this air, however long.
    seconds
        At the asked confidence; None where it is not within the hours looked at.
    p50_s, p90_s
        The same at these two; None as well.
    share
        Of the members that get there within the hours looked at.
    """

    goal: str
    limit_wt_pct: float
    outcome: Outcome
    seconds: float | None
    p50_s: float | None
    p90_s: float | None
    share: float


@dataclass(frozen=True)
class Energy:
    """Electricity for the hours advised; `cost` in the currency of the tariff."""

    power_W: float
    said: str
    kWh: float
    kWh_p90: float | None
    tariff_per_kWh: float | None
    cost: float | None
    cost_p90: float | None


@dataclass(frozen=True)
class Look:
    """Contents at one moment of the course, wt %."""

    at_s: float
    wettest_wt_pct: Quantiles
    middle_wt_pct: Quantiles
    whole_wt_pct: Quantiles


@dataclass(frozen=True)
class DryingPlan:
    """All that is known of drying one spool in one device.

    Contents in wt %; `reaches` holds good and marginal, or the target alone; `rh_pct` is where the air around the
    spool ends (of the median member).
    """

    spool: str
    material: str
    as_of_s: float
    confidence: float
    members: int
    place: str
    remaining_mm: float
    needed_mm: float
    upwards: bool
    device: Device
    set_point: SetPoint
    rh_pct: float
    wettest_wt_pct: Quantiles
    middle_wt_pct: Quantiles
    floor_wt_pct: Quantiles
    reaches: tuple[Reach, ...]
    cap_s: float
    advised_s: float | None
    warm_s: float | None
    spread_wt_pct: tuple[float, float] | None
    energy: Energy | None
    weighing: Weighing | None
    looks: tuple[Look, ...]
    alternatives: tuple[Alternative, ...]
    job: JobNeed | None
    notes: tuple[Note, ...]

    @property
    def first(self) -> Reach:
        """What is asked for: good, or the target."""
        return self.reaches[0]


def plan(
    state: State,
    device: Device,
    *,
    confidence: float = 0.5,
    cap_s: float = CAP_S,
    at_most_C: float | None = None,
    to_wt_pct: float | None = None,
    job: JobFeed | None = None,
    tariff_per_kWh: float | None = None,
    shared: Sequence[Bound] = (),
    company: Sequence[Companion] = (),
    suggest: bool = True,
) -> DryingPlan:
    """Return how to dry *state*'s spool in *device*, from now on.

    Parameters
    ----------
    state
        From `history.state_at`.
    device
        From `device.of_place` or `device.of_profile`.
    confidence
        Quantile of the members that must have got there.
    cap_s
        How far to look.
    at_most_C
        A temperature not to go above.
    to_wt_pct
        A content to reach instead of the material's limits, from above or from below.
    job
        What is to be printed: only its length counts, and how dry it must be for that.
    tariff_per_kWh
        Price of electricity.
    shared
        Limits of other reels in the dryer.
    company
        These reels, where the dryer keeps its own air: they share it.
    suggest
        Also look for what else would do, where this is slow or does not get there.

    Raises
    ------
    SpoolError
        The reel is empty.
    OutOfRangeError
        A number that cannot be.
    """
    if not 0.0 <= confidence <= 1.0:
        raise OutOfRangeError(f"confidence is {confidence:g}; take 0 to 1")
    if not cap_s > 0:
        raise OutOfRangeError(f"the hours to consider are {cap_s / HOUR_S:g}; take more than 0")
    spool = state.spool
    if not state.field.winding.layers or state.remaining_mm <= 0:
        raise SpoolError.at(spool.source or spool.id, None, "the reel is empty by its record; nothing to dry")
    needed = state.remaining_mm if job is None else min(state.remaining_mm, job.length_mm)
    set_to = set_point(spool, device, at_most_C=at_most_C, shared=shared)
    goal = DryingGoal(state, confidence, needed, cap_s, to_wt_pct, shared=shared, company=company)
    # where it must not be run at all, what the spool is now is all there is to say
    ran = (
        goal.run(device, set_to.temperature_C, keep=job is not None)
        if set_to.possible
        else goal.still(device)
    )
    reaches = ran.reaches
    advised = reaches[0].seconds if set_to.possible else None
    needs = None
    if job is not None and set_to.possible:
        needs = job_need(state, device, set_to.temperature_C, ran.course, job, confidence=confidence)
        if needs.clear_s is not None:
            advised = needs.clear_s
        elif needs.box_now_rh_pct is None and needs.boxed_s is not None:
            advised = needs.boxed_s
    others: tuple[Alternative, ...] = ()
    slow = not set_to.possible or reaches[0].seconds is None or reaches[0].seconds > SLOW_S
    if suggest and slow:
        others = tuple(alternatives(goal, device, set_to, reaches[0].p50_s if set_to.possible else None))
    notes = [*state.notes, *(Note("note", text) for text in (*device.notes, *ran.notes))]
    if device.room.assumed and not device.around.closed and device.dew_point_C is None:
        notes.append(
            Note(
                "assumed",
                f"the dryer takes in the air of {device.room.name} "
                f"({device.room_C:.0f} °C, {device.room.rh_pct:.0f} % RH); name another with --room",
            )
        )
    return DryingPlan(
        spool=spool.id,
        material=spool.material.key,
        as_of_s=state.as_of_s,
        confidence=confidence,
        members=state.members,
        place=state.place,
        remaining_mm=state.remaining_mm,
        needed_mm=needed,
        upwards=goal.upwards,
        device=device,
        set_point=set_to,
        rh_pct=ran.rh_pct,
        wettest_wt_pct=goal.band(ran.course.wettest[0]),
        middle_wt_pct=goal.band(ran.course.middle[0]),
        floor_wt_pct=goal.band(ran.floor),
        reaches=reaches,
        cap_s=cap_s,
        advised_s=advised,
        warm_s=_warm_s(ran.course, set_to.temperature_C) if set_to.possible else None,
        spread_wt_pct=_spread(goal, ran.course, advised),
        energy=_energy(device, advised, reaches[0].p90_s if needs is None else None, tariff_per_kWh),
        weighing=weighing(state, ran.course, advised if advised is not None else min(cap_s, SLOW_S))
        if set_to.possible
        else None,
        looks=tuple(goal.looks(ran.course, advised)),
        alternatives=others,
        job=needs,
        notes=tuple(dict.fromkeys(notes)),
    )


@dataclass(frozen=True)
class DryingRun:
    """One device run at one temperature; *rh_pct*: where its air ends."""

    course: Course
    floor: Floats
    reaches: tuple[Reach, ...]
    rh_pct: float
    notes: tuple[str, ...] = ()


class DryingGoal:
    """What is wanted of a spool; runs devices against it."""

    def __init__(
        self,
        state: State,
        confidence: float,
        needed_mm: float,
        cap_s: float,
        to_wt_pct: float | None,
        *,
        shared: Sequence[Bound] = (),
        company: Sequence[Companion] = (),
    ) -> None:
        self.shared, self.company = shared, company
        self.state = state
        self.confidence = confidence
        self.needed_mm = needed_mm
        self.cap_s = cap_s
        self.to = None if to_wt_pct is None else to_wt_pct / 100.0
        held = quantile(state.field.mean(), 0.5, state.weights)
        self.upwards = self.to is not None and self.to > held
        polymer = state.polymer
        self.targets: tuple[tuple[str, Floats], ...]
        if self.to is None:
            self.targets = (("good", polymer.limit_good), ("marginal", polymer.limit_marginal))
        else:
            self.targets = (("target", np.full(state.members, self.to)),)

    def band(self, content: Floats) -> Quantiles:
        """Return the quantiles of a content, wt %."""
        return quantiles(100.0 * content, self.state.weights)

    def at(self, values: Floats, q: float | None = None) -> float:
        """Return a quantile, of the asked confidence unless another is named."""
        return quantile(values, self.confidence if q is None else q, self.state.weights)

    def run(self, device: Device, temperature_C: float, *, keep: bool = False) -> DryingRun:
        """Return what *device* does at *temperature_C*, looked at until all members are there."""
        company = self.company if device.around.closed else ()
        floor, notes = equilibrium(self.state, device, temperature_C, company)
        strictest = self.targets[0][1]
        if keep:  # a job may need it drier than good when it begins
            strictest = np.minimum(strictest, np.maximum(DEEP * strictest, NEAR_FLOOR * floor))

        def there(high: Floats, low: Floats) -> bool:
            # a rising mean lies above its driest layer, so that layer at the target ends it surely
            return bool((low >= strictest).all() if self.upwards else (high <= strictest).all())

        ran = course(
            self.state,
            device,
            temperature_C,
            length_mm=self.needed_mm,
            cap_s=self.cap_s,
            done=there,
            keep=keep,
            company=company,
        )
        reaches = tuple(self.reach(name, limit, ran, floor) for name, limit in self.targets)
        ends = 100.0 * self.at(final_activity(self.state, device, temperature_C, company), 0.5)
        return DryingRun(ran, floor, reaches, ends, notes)

    def still(self, device: Device) -> DryingRun:
        """Return what the spool is now, for a device that must not be used."""
        state = self.state
        mean = state.field.layer_mean()
        one = Course(
            np.zeros(1),
            mean.max(axis=0)[np.newaxis],
            mean.min(axis=0)[np.newaxis],
            state.field.mean()[np.newaxis],
            state.field.mean()[np.newaxis],
            np.zeros(1),
            np.zeros(1),
        )
        floor = np.full(state.members, np.nan)
        reaches = tuple(self.reach(name, limit, one, floor) for name, limit in self.targets)
        return DryingRun(one, floor, reaches, device.around.rh_pct)

    def reach(self, name: str, limit: Floats, ran: Course, floor: Floats) -> Reach:
        """Return whether and when *limit* is reached."""
        if self.upwards:
            times = rises_to(ran.at_s, ran.middle, limit)
            short = self.at(floor, 1.0 - self.confidence) < self.at(limit, 0.5)
        else:
            times = falls_to(ran.at_s, ran.wettest, limit)
            short = self.at(floor) > self.at(limit, 0.5)
        at = self.at(times)
        outcome: Outcome = "longer"
        if at == 0.0:
            outcome = "already"
        elif math.isfinite(at):
            outcome = "reaches"
        elif short:
            outcome = "never"
        p50, p90 = self.at(times, 0.5), self.at(times, SURE)
        one = self.state.members == 1
        weights = self.state.weights
        return Reach(
            goal=name,
            limit_wt_pct=100.0 * self.at(limit, 0.5),
            outcome=outcome,
            seconds=_known(at),
            p50_s=_known(p50),
            p90_s=None if one else _known(p90),
            share=float(weights[np.isfinite(times)].sum() / weights.sum()),
        )

    def looks(self, ran: Course, advised_s: float | None) -> list[Look]:
        """Return the course at the moments worth showing."""
        end = ran.at_s[-1]
        if advised_s:
            end = min(end, max(1.5 * advised_s, HOUR_S))
        return [
            Look(
                float(ran.at_s[i]),
                self.band(ran.wettest[i]),
                self.band(ran.middle[i]),
                self.band(ran.whole[i]),
            )
            for i in range(ran.at_s.shape[0])
            if ran.at_s[i] <= end * (1 + 1e-9)
        ]


def _known(seconds: float) -> float | None:
    return seconds if math.isfinite(seconds) else None


def _warm_s(ran: Course, temperature_C: float) -> float | None:
    """Return when the innermost strand needed is within 2 K of the air."""
    target = temperature_C + ZERO_CELSIUS_K
    off = np.abs(ran.core_K - target)
    if off[0] <= 2.0:
        return 0.0
    return _known(float(falls_to(ran.at_s, off[:, np.newaxis], np.array([2.0]))[0]))


def _spread(goal: DryingGoal, ran: Course, advised_s: float | None) -> tuple[float, float] | None:
    """Return the driest and the wettest layer's content when a target is reached from below, wt %."""
    if advised_s is None or not goal.upwards:
        return None

    def then(values: Floats) -> float:
        each = [np.interp(advised_s, ran.at_s, values[:, m]) for m in range(values.shape[1])]
        return 100.0 * goal.at(np.array(each), 0.5)

    return then(ran.driest), then(ran.wettest)


def _energy(
    device: Device, advised_s: float | None, p90_s: float | None, tariff: float | None
) -> Energy | None:
    if not device.power_W or not advised_s:
        return None
    kwh = device.power_W * advised_s / HOUR_S / 1000.0
    more = None if p90_s is None else device.power_W * max(advised_s, p90_s) / HOUR_S / 1000.0

    def price(energy: float | None) -> float | None:
        return None if tariff is None or energy is None else energy * tariff

    return Energy(device.power_W, device.power_said, kwh, more, tariff, price(kwh), price(more))
