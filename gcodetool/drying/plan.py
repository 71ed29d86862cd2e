"""How to dry a spool in a device: how hot, how long, whether it can get there at all, and how to tell.

``plan`` puts together what ``limits`` allows, what ``course`` computes and, where that is not enough,
what else would do (``alternatives``).  Nothing here reads files or a clock.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.drying.alternatives import Alternative, alternatives
from gcodetool.drying.course import Course, falls_to, known
from gcodetool.drying.device import Device
from gcodetool.drying.energy import Energy, energy_for
from gcodetool.drying.goal import DryingGoal, Look, Reach
from gcodetool.drying.job import JobFeed, JobNeed, job_need
from gcodetool.drying.limits import Bound, SetPoint, set_point
from gcodetool.drying.status import DryingStatus, status
from gcodetool.drying.weigh import Weighing, weighing
from gcodetool.errors import OutOfRangeError, SpoolError
from gcodetool.moisture.constants import HOUR_S, ZERO_CELSIUS_K
from gcodetool.moisture.history import Quantiles, State
from gcodetool.moisture.notes import Note
from gcodetool.moisture.shared_air import Companion

Floats = NDArray[np.float64]

CAP_S: Final = 72 * 3600.0
SLOW_S: Final = 24 * 3600.0  # from here on it is worth a look at what else would do


@dataclass(frozen=True)
class DryingPlan:
    """All that is known of drying one spool in one device.

    Contents in wt %; `reaches` holds good and marginal, or the target alone; `rh_pct` is where the air around the
    spool ends (of the median member); `status` is that of a spool that is in this very dryer now, whose answer
    comes first.
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
    status: DryingStatus | None
    notes: tuple[Note, ...]
    inside: tuple[str, ...] = ()  # other spools in the dryer, whose limits count

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
    said = _status(state, device, to_wt_pct, job)
    needs = None
    if job is not None and set_to.possible:
        needs = job_need(state, device, set_to.temperature_C, ran.course, job, confidence=confidence)
    advised = advised_s(reaches[0], needs, said) if set_to.possible else None
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
        energy=energy_for(device, advised, reaches[0].p90_s if needs is None else None, tariff_per_kWh),
        weighing=weighing(state, ran.course, advised if advised is not None else min(cap_s, SLOW_S))
        if set_to.possible
        else None,
        looks=tuple(goal.looks(ran.course, advised)),
        alternatives=others,
        job=needs,
        status=said,
        notes=tuple(dict.fromkeys(notes)),
    )


def advised_s(first: Reach, needs: JobNeed | None, said: DryingStatus | None) -> float | None:
    """Return the hours advised: for the job, for the content asked for, or until it is sure in this very dryer.

    Those of a job are those of ``instructions.for_job``: none where a box at the feed is advised instead.
    """
    if needs is not None and needs.clear_s is not None:
        return needs.clear_s
    if needs is not None and needs.box_now_rh_pct is not None:
        return 0.0
    if needs is not None:
        return needs.adjust_s if needs.boxed_s is None else needs.boxed_s
    if said is not None and not said.take_out and first.outcome == "already":
        return said.sure_s
    return first.seconds


def _warm_s(ran: Course, temperature_C: float) -> float | None:
    """Return when the innermost strand needed is within 2 K of the air."""
    target = temperature_C + ZERO_CELSIUS_K
    off = np.abs(ran.core_K - target)
    if off[0] <= 2.0:
        return 0.0
    return known(float(falls_to(ran.at_s, off[:, np.newaxis], np.array([2.0]))[0]))


def _spread(goal: DryingGoal, ran: Course, advised_s: float | None) -> tuple[float, float] | None:
    """Return the driest and the wettest layer's content when a target is reached from below, wt %."""
    if advised_s is None or not goal.upwards:
        return None

    def then(values: Floats) -> float:
        each = [np.interp(advised_s, ran.at_s, values[:, m]) for m in range(values.shape[1])]
        return 100.0 * goal.at(np.array(each), 0.5)

    return then(ran.driest), then(ran.wettest)


def _status(
    state: State, device: Device, to_wt_pct: float | None, job: JobFeed | None
) -> DryingStatus | None:
    """Return the status of a spool that is in this dryer now; None: it is elsewhere."""
    if device.place is None or device.place != state.place or not device.adjustable:
        return None
    return status(state, device, to_wt_pct=to_wt_pct, job=job)
