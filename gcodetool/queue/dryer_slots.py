"""Dryers while one job is placed: when they take a reel, at which temperature, and beside whom.

A dryer has one temperature at a time: who shares it takes what the others have, if that is not too hot for it, or waits.
A reel that stands in one without a plan makes room.  Left out: which job is dried for (``placing``), how long a drying
takes (``forecast_memo``).
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.schedule import Assignment, DryerStay, Schedule, ScheduledDrying, ScheduledWait
from gcodetool.queue.spool_steps import Dry, DryingTime, Leave, StepHistory
from gcodetool.queue.waiting import dried_last, knob_of, wait_in_dryer
from gcodetool.quickdata import dataclass

MOST_STAYS: Final = 24  # stretches of presence that a drying is tried in


@dataclass(frozen=True)
class DryingSpan:
    """A drying in time: what the spool needs, and when it goes in and comes out."""

    time: DryingTime
    in_s: float
    out_s: float


def beside_of(dryer: str, in_s: float, company: Sequence[DryerStay]) -> tuple[StepHistory, ...]:
    """Return the reels that one which goes in at a moment meets in a dryer, as they are then.

    Who comes later is taken to be there from then on, who leaves earlier to stay: both are on the wet side.
    """
    found = []
    for each in sorted(company, key=lambda each: (each.in_s, each.spool)):
        if each.before is None or each.temperature_C is None:
            continue
        met = each.before
        if each.in_s < in_s:
            met = met.with_step(Dry(dryer, each.in_s, in_s, each.temperature_C))
        found.append(met)
    return tuple(found)


class Placement:
    """Dryers and spools while one job is being placed.

    Attributes
    ----------
    from_s : dryings begin no earlier. [s]
    stays, histories, free_s : as in a schedule, with what this job changes.
    heat_s : in which a dryer is hot for this job alone. [s]
    taken : spools taken out of a dryer to make room.
    """

    def __init__(self, memo: ForecastMemo, schedule: Schedule, from_s: float = -math.inf) -> None:
        self.memo, self.schedule, self.from_s = memo, schedule, from_s
        self.stays: dict[str, tuple[DryerStay, ...]] = dict(schedule.stays)
        self.histories: dict[str, StepHistory] = {}
        self.free_s: dict[str, float] = {}
        self.heat_s = 0.0
        self.taken = 0

    def steps_of(self, spool: str) -> StepHistory:
        """Return what happens to a spool so far."""
        return self.histories.get(spool) or self.schedule.steps_of(spool)

    def time(
        self,
        assignment: Assignment,
        dryer: str,
        in_s: float,
        length_mm: float,
        shared_C: float | None = None,
    ) -> DryingTime | None:
        """Return how long a drying from *in_s* on takes; None where it cannot be had."""
        assert assignment.spool is not None
        if assignment.time is not None:
            return assignment.time
        return self.memo.drying_time(self.steps_of(assignment.spool), dryer, in_s, length_mm, shared_C)

    def first(self, assignment: Assignment, dryer: str, length_mm: float) -> DryingSpan | None:
        """Return the earliest stay for which the dryer takes the spool."""
        assert assignment.spool is not None
        for in_s in self._moments(dryer, max(self.from_s, self.schedule.spool_free_s(assignment.spool))):
            own = self.time(assignment, dryer, in_s, length_mm)
            if own is None:
                return None
            found = self.taken_in(assignment, dryer, in_s, length_mm, own)
            if found is not None:
                return found
        return None

    def _moments(self, dryer: str, free_s: float) -> Iterator[float]:
        """Yield moments at which a spool may go in: when it is free, others come out, or somebody comes."""
        presence = self.schedule.presence
        outs = {stay.out_s for stay in self.stays.get(dryer, ()) if free_s < stay.out_s < math.inf}
        moments = {presence.next_s(moment) for moment in {free_s, *outs}}
        if presence.windows:
            spans = presence.spans(free_s)
            moments |= {begin for (begin, _), _ in zip(spans, range(MOST_STAYS), strict=False)}
        yield from sorted(moments)

    def taken_in(
        self, assignment: Assignment, dryer: str, in_s: float, length_mm: float, own: DryingTime
    ) -> DryingSpan | None:
        """Return the stay from *in_s* on; None where the dryer does not take the spool then.

        At the spool's *own* temperature, or at that of the others, where they are cooler.
        """
        assert assignment.spool is not None
        stay = self.stay(dryer, in_s, own)
        if stay is not None and self.takes(dryer, stay, assignment.spool):
            return self.beside(assignment, dryer, length_mm, stay)
        company = self.company(dryer, in_s, in_s + own.seconds, assignment.spool)
        coolest = min(
            (each.temperature_C for each in company if each.temperature_C is not None), default=None
        )
        if coolest is None or coolest >= own.temperature_C or assignment.time is not None:
            return None
        shared = self.time(assignment, dryer, in_s, length_mm, coolest)
        stay = None if shared is None else self.stay(dryer, in_s, shared)
        if stay is None or not self.takes(dryer, stay, assignment.spool):
            return None
        return self.beside(assignment, dryer, length_mm, stay, coolest)

    def beside(
        self,
        assignment: Assignment,
        dryer: str,
        length_mm: float,
        stay: DryingSpan,
        shared_C: float | None = None,
    ) -> DryingSpan | None:
        """Return a stay as long as the spool needs beside those whose air it shares; None where that does not go."""
        assert assignment.spool is not None
        if assignment.time is not None or not self.memo.shares_air(assignment.spool, dryer):
            return stay
        company = self.company(dryer, stay.in_s, stay.out_s, assignment.spool)
        met = beside_of(dryer, stay.in_s, company)
        if not met:
            return stay
        before = self.steps_of(assignment.spool)
        time = self.memo.drying_time(before, dryer, stay.in_s, length_mm, shared_C, met)
        longer = None if time is None else self.stay(dryer, stay.in_s, time)
        return longer if longer is not None and self.takes(dryer, longer, assignment.spool) else None

    def stay(self, dryer: str, in_s: float, time: DryingTime) -> DryingSpan | None:
        """Return a stay that begins at *in_s*; None where people are not there for it."""
        alone = dryer in self.schedule.unattended
        found = self.schedule.presence.stay_from(in_s, time.seconds, alone=alone)
        return DryingSpan(time, *found) if found is not None and found[0] == in_s else None

    def company(self, dryer: str, in_s: float, out_s: float, spool: str) -> list[DryerStay]:
        """Return the planned stays of others in that time; who is not planned makes room."""
        stays = self.stays.get(dryer, ())
        return [stay for stay in stays if stay.planned and stay.spool != spool and stay.crosses(in_s, out_s)]

    def takes(self, dryer: str, stay: DryingSpan, spool: str) -> bool:
        """Return whether the dryer takes one reel more for that time, at that temperature."""
        company = self.company(dryer, stay.in_s, stay.out_s, spool)
        if not all(each.as_hot(stay.time.temperature_C) for each in company):
            return False
        moments = {stay.in_s, *(each.in_s for each in company if each.in_s > stay.in_s)}
        most = max(sum(each.in_s <= moment < each.out_s for each in company) for moment in moments)
        return most < self.schedule.holds.get(dryer, 1)

    def reserve(self, dryer: str, stay: DryerStay) -> None:
        """Note that a spool is in a dryer."""
        self.stays[dryer] = (*self.stays.get(dryer, ()), stay)

    def late(
        self, assignment: Assignment, dryer: str, length_mm: float, start_s: float | None
    ) -> ScheduledDrying | None:
        """Return the drying that ends when the job begins, else (and where no start is said) the earliest one, reserved."""
        assert assignment.spool is not None
        stay = self.first(assignment, dryer, length_mm)
        if stay is None:
            return None
        later = None if start_s is None else self._later(assignment, dryer, length_mm, start_s, stay)
        return self.dry(assignment.spool, dryer, later or stay)

    def _later(
        self, assignment: Assignment, dryer: str, length_mm: float, start_s: float, stay: DryingSpan
    ) -> DryingSpan | None:
        """Return a stay that ends by the job's start, later than *stay*; None: there is none.

        What the spool needs later may be a little less or more: the moment is looked for twice.
        """
        assert assignment.spool is not None
        presence, alone = self.schedule.presence, dryer in self.schedule.unattended
        time = stay.time
        for _ in range(2):
            found = presence.stay_until(start_s, time.seconds, alone=alone)
            if found is None or found[0] <= stay.in_s:
                return None
            own = self.time(assignment, dryer, found[0], length_mm)
            if own is None:
                return None
            later = self.taken_in(assignment, dryer, found[0], length_mm, own)
            if later is not None and later.out_s == found[1]:
                return later
            time = own if later is None else later.time
        found = presence.stay_until(start_s, time.seconds, alone=alone)
        if found is None or found[0] <= stay.in_s:
            return None
        last = self.stay(dryer, found[0], time)
        return last if last is not None and self.takes(dryer, last, assignment.spool) else None

    def dry(self, spool: str, dryer: str, stay: DryingSpan) -> ScheduledDrying:
        """Put a spool into a dryer, and out again."""
        self.make_room(dryer, stay, spool)
        self.taken_out(spool, stay.in_s)
        before = self.steps_of(spool)
        step = Dry(dryer, stay.in_s, stay.out_s, stay.time.temperature_C, stay.time.beside)
        self.heat_s += self._hot_alone(dryer, stay.in_s, stay.out_s)
        self.reserve(dryer, DryerStay(step.in_s, step.out_s, spool, step.temperature_C, before=before))
        self.histories[spool] = before.with_step(step)
        return ScheduledDrying(before, step, stay.time)

    def wait(self, spool: str, start_s: float) -> ScheduledWait | None:
        """Let a dried spool wait in its dryer from its last use until its job begins; None: it may not."""
        before = self.steps_of(spool)
        last, idle_s = dried_last(before), self.schedule.spool_free_s(spool)
        if last is None:
            return None
        if isinstance(before.step, Dry):
            idle_s = max(idle_s, before.step.out_s)
        from_s = self.schedule.presence.next_s(max(idle_s, self.schedule.at_s))
        others = [stay for stay in self.stays.get(last.dryer, ()) if stay.spool != spool]
        step = wait_in_dryer(self.memo, self.schedule, others, before, from_s, start_s)
        if step is None:
            return None
        warm = step.waits == "warm"
        if warm:
            self.heat_s += self._hot_alone(step.dryer, step.in_s, step.out_s)
        celsius = step.temperature_C if warm else None  # an oven that is off suits no other reel
        self.reserve(step.dryer, DryerStay(step.in_s, step.out_s, spool, celsius, before=before))
        self.histories[spool] = before.with_step(step)
        return ScheduledWait(before, step, knob_of(self.memo, spool, step))

    def _hot_alone(self, dryer: str, in_s: float, out_s: float) -> float:
        """Return for how long of a stay the dryer is hot for nothing else that is dried by the plan. [s]"""
        alone, at_s = 0.0, in_s
        others = (each for each in self.company(dryer, in_s, out_s, "") if not each.stood)
        for each in sorted(others, key=lambda each: each.in_s):
            alone += max(0.0, each.in_s - at_s)
            at_s = max(at_s, each.out_s)
        return alone + max(0.0, out_s - at_s)

    def taken_out(self, spool: str, at_s: float) -> None:
        """End the stay of a spool that stands in a dryer now; from then on its end is known."""
        for dryer, stays in self.stays.items():
            if any(stay.spool == spool and not stay.planned for stay in stays):
                self.stays[dryer] = tuple(
                    replace(stay, out_s=at_s, planned=True)
                    if stay.spool == spool and not stay.planned
                    else stay
                    for stay in stays
                )

    def make_room(self, dryer: str, stay: DryingSpan, spool: str) -> None:
        """Take spools that stand in a dryer without a plan out of it: those at another temperature, and for room."""
        while True:
            stays = self.stays.get(dryer, ())
            there = [each for each in stays if each.spool != spool and each.crosses(stay.in_s, stay.out_s)]
            idle = [each for each in there if not each.planned]
            other = [each for each in idle if not each.as_hot(stay.time.temperature_C)]
            if not idle or (len(there) < self.schedule.holds.get(dryer, 1) and not other):
                return
            gone = (other or idle)[0].spool
            self.taken_out(gone, stay.in_s)
            self.taken += 1
            self.histories[gone] = self.steps_of(gone).with_step(Leave(stay.in_s))
            self.free_s[gone] = stay.in_s
