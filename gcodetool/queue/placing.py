"""Where a job goes, given which printer and spools it takes: one schedule to the next.

Each job starts as early as its printer, its spools, its own earliest start and the people allow, in a gap between
earlier ones where it fits.  A spool is dried as late as it can be without holding up its job.  A dryer has one
temperature at a time: who shares it takes what the others have, if that is not too hot for it, or waits.  A job that
comes out as dry-first or runs-out, whose reel is too short, not on the shelf or not named, is held: it takes neither
time nor filament; where there is no shelf at all, jobs are placed by their times alone.  Left out: which spools
(``search``), what comes of it (``forecast_memo``).
"""

import bisect
import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from gcodetool.queue.findings import ASKED, GOOD_ENOUGH, ORDER, ToolRow, empty_row
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.schedule import (
    Assignment,
    Cost,
    DryerStay,
    Mounting,
    PrinterCalendar,
    Schedule,
    ScheduledDrying,
    ScheduledJob,
    Task,
    ToolSlot,
    free_again,
)
from gcodetool.queue.spool_steps import Dry, DryingTime, Leave, Print, StepHistory
from gcodetool.quickdata import dataclass

SHORTEST_SHORT_MM: Final = 1.0  # less than this is rounding
NOT_STARTED: Final = ("runs-out", "dry-first", ASKED)  # verdicts of jobs that nobody should start as they are
MOST_STAYS: Final = 24  # stretches of presence that a drying is tried in

Given = tuple[ToolSlot, Assignment]


@dataclass(frozen=True)
class DryingSpan:
    """A drying in time: what the spool needs, and when it goes in and comes out."""

    time: DryingTime
    in_s: float
    out_s: float


def schedule_job(
    memo: ForecastMemo,
    schedule: Schedule,
    task: Task,
    assignments: Sequence[Assignment],
    home: Task | None = None,
) -> Schedule | None:
    """Return the schedule with *task* placed on these spools; None where a drying cannot be had.

    A job whose reel comes out of the dryer too long before waits for a later drying, where that helps.
    ``home``: the job with all its printers, where *task* is it on another than its own.
    """
    found = _scheduled(memo, schedule, task, assignments, home)
    if found is None or found.last is None or found.last.met:
        return found
    from_s = _dried_too_early(found.last)
    later = None if from_s is None else _scheduled(memo, schedule, task, assignments, home, from_s)
    return later if later is not None and later.last is not None and later.last.met else found


def _dried_too_early(placed: ScheduledJob) -> float | None:
    """Return when the reels of a job could go in instead, if one that was dried got too wet before it began. [s]"""
    task, start_s = placed.task, placed.start_s
    if task.due_s is not None and placed.end_s > task.due_s:
        return None
    wet = {row.spool for row in placed.rows if row.code not in GOOD_ENOUGH}
    idle = [
        each.time.seconds for each in placed.tried if each.before.spool in wet and each.step.out_s < start_s
    ]
    return start_s - min(idle) if idle else None


def _scheduled(
    memo: ForecastMemo,
    schedule: Schedule,
    task: Task,
    assignments: Sequence[Assignment],
    home: Task | None,
    from_s: float = -math.inf,
) -> Schedule | None:
    """Return the same with dryings from *from_s* on."""
    given: list[Given] = list(zip(task.slots, assignments, strict=True))
    start = _start(memo, schedule, task, given, from_s)
    if start is None:
        return None
    dried = _dried(memo, schedule, given, start, from_s)
    if dried is None:
        return None
    placement, dryings = dried
    rows, steps = _forecast(memo, placement, task, given, start)
    enough = all(row.short_mm <= SHORTEST_SHORT_MM for row in rows)
    unfed = bool(memo.spools) and any(assignment.spool is None for assignment in assignments)
    held = unfed or not enough or any(row.code in NOT_STARTED for row in rows)
    good = enough and all(row.code in GOOD_ENOUGH for row in rows)
    in_time = task.due_s is None or start + task.job.open_air_s <= task.due_s
    placed = ScheduledJob(
        task,
        tuple(assignments),
        home or task,
        start,
        held,
        tuple(rows),
        good and in_time,
        () if held else tuple(dryings),
        tuple(steps),
        tuple(dryings),
    )
    badness = max(ORDER.index(row.code if enough else "unknown") for row in rows)
    so_far = schedule.cost
    cost = replace(
        so_far,
        missed=so_far.missed + (0 if placed.met else task.priority),
        dryings=so_far.dryings + len(dryings),
        badness=so_far.badness + badness,
        ends_s=so_far.ends_s + placed.end_s - schedule.at_s,
    )
    placed_into = replace(schedule, cost=cost, before=schedule, last=placed)
    if held:
        # not run: spools, printer and dryers stay as they were; it would have to be mounted, though
        new = sum(
            not (assignment.spool is None or hangs(schedule, task, slot, assignment, start))
            for slot, assignment in given
        )
        return replace(placed_into, cost=replace(cost, handoffs=cost.handoffs + new + 2 * len(dryings)))
    return _run(placed_into, placement, placed)


def _dried(
    memo: ForecastMemo, schedule: Schedule, given: Sequence[Given], start: float, from_s: float
) -> "tuple[Placement, list[ScheduledDrying]] | None":
    """Return a job's dryings, as late as can be, else as early as its start was found with; None: they have no place."""
    for late in (True, False):  # one that ends late may be in the way of another for the same job
        placement = Placement(memo, schedule, from_s)
        found = [
            placement.late(assignment, assignment.dryer, slot.length_mm, start if late else None)
            for slot, assignment in given
            if assignment.spool is not None and assignment.dryer is not None
        ]
        dryings = [each for each in found if each is not None and each.step.out_s <= start]
        if len(dryings) == len(found):
            return placement, dryings
    return None


def least_of(
    memo: ForecastMemo,
    schedule: Schedule,
    task: Task,
    assignments: Sequence[Assignment],
    home: Task | None = None,  # as for schedule_job
) -> Cost | None:
    """Return what the schedule costs at least with *task* placed on spools as they are, without a forecast.

    None where it cannot be placed so.
    """
    given: list[Given] = list(zip(task.slots, assignments, strict=True))
    start = _start(memo, schedule, task, given)
    if start is None:
        return None
    if_run = if_held = 0
    for slot, assignment in given:
        if assignment.spool is not None and assignment.hung is not None:
            uses = schedule.mounted.get((task.printer, slot.tool.tool), ())
            again = taken_off(schedule, task, slot, assignment, start, schedule.steps_of(assignment.spool))
            if_run += used(uses, Mounting(start, assignment.hung, again))[1]
            if_run += put_in(schedule, task, slot, assignment, start, again=again)
            if_held += not hangs(schedule, task, slot, assignment, start)
    so_far, end = schedule.cost, start + task.job.open_air_s
    late = task.due_s is not None and end > task.due_s
    return replace(
        so_far,
        missed=so_far.missed + (task.priority if late else 0),
        handoffs=so_far.handoffs + min(if_run, if_held),
        ends_s=so_far.ends_s + end - schedule.at_s,
    )


def _start(
    memo: ForecastMemo,
    schedule: Schedule,
    task: Task,
    given: Sequence[Given],
    from_s: float = -math.inf,
) -> float | None:
    """Return when a job can begin, its reels dried from *from_s* on; None where a drying cannot be had."""
    placement = Placement(memo, schedule, from_s)
    ready = max(schedule.at_s, task.earliest_s if task.earliest_s is not None else -math.inf)
    for slot, assignment in given:
        if assignment.spool is None:
            continue
        if assignment.dryer is None:
            ready = max(ready, schedule.spool_free_s(assignment.spool))
            continue
        stay = placement.first(assignment, assignment.dryer, slot.length_mm)
        if stay is None:
            return None
        before = placement.steps_of(assignment.spool)
        placement.reserve(
            assignment.dryer,
            DryerStay(stay.in_s, stay.out_s, assignment.spool, stay.time.temperature_C, before=before),
        )
        ready = max(ready, stay.out_s)
    boxes = boxes_of(given)
    if not all(schedule.boxes.feed(task.printer, box, spools) for box, spools in boxes.items()):
        return None
    calendar = schedule.calendars.get(task.printer) or PrinterCalendar((), schedule.at_s)
    while True:
        start = calendar.earliest(
            ready, task.job.open_air_s, presence=schedule.presence, turnaround_s=schedule.turnaround_s
        )
        off = schedule.presence.next_s(start + task.job.open_air_s)
        busy = schedule.boxes.clash(boxes, start, off)
        if busy is None:
            return start
        ready = busy


def boxes_of(given: Sequence[Given]) -> dict[str, list[str]]:
    """Return the reels that a job is fed from by the box that they stand in."""
    found: dict[str, list[str]] = {}
    for _, assignment in given:
        if assignment.box is not None and assignment.spool is not None:
            found.setdefault(assignment.box, []).append(assignment.spool)
    return found


def _forecast(
    memo: ForecastMemo, placement: "Placement", task: Task, given: Sequence[Given], start: float
) -> tuple[list[ToolRow], list[tuple[StepHistory, Print]]]:
    """Return what comes of each tool, and the steps of those that have a spool."""
    schedule = placement.schedule
    rows, steps = [], []
    end = start + task.job.open_air_s
    off = schedule.presence.next_s(end)
    for slot, assignment in given:
        if assignment.spool is None:
            why = f"{slot.spools[0]} feeds another tool of this job" if slot.spools else slot.why
            rows.append(empty_row(slot.tool, "unknown" if slot.spools else slot.code, why))
            continue
        late = off if off > end else None
        step = Print(task.job.digest, slot.tool.tool, start, task.printer, late, assignment.box)
        history = placement.steps_of(assignment.spool)
        row = memo.printed(history, step, slot.tool)
        mounted = slot.how == "chosen" and hangs(schedule, task, slot, assignment, start)
        said = row.cautions if slot.caution is None else (slot.caution, *row.cautions)
        rows.append(replace(row, how="mounted" if mounted else slot.how, cautions=said))
        steps.append((history, step))
    return rows, steps


def _run(schedule: Schedule, placement: "Placement", placed: ScheduledJob) -> Schedule:
    """Return the schedule with what a job that is run takes: its printer, its spools, hands and heat."""
    task, start, before = placed.task, placed.start_s, placement.schedule
    off = before.presence.next_s(placed.end_s)
    histories = {**before.histories, **placement.histories}
    free = {**before.free_s, **placement.free_s}
    mounted, fed = dict(before.mounted), dict(before.fed_mm)
    handoffs = sum(2 - (drying.step.out_s == start) for drying in placed.dryings) + placement.taken
    given = [each for each in zip(task.slots, placed.assignments, strict=True) if each[1].spool]
    for (history, step), (slot, assignment) in zip(placed.steps, given, strict=True):
        spool, where = history.spool, (task.printer, slot.tool.tool)
        histories[spool], free[spool] = history.with_step(step), off
        fed[spool] = fed.get(spool, 0.0) + slot.tool.filament_mm
        again = taken_off(before, task, slot, assignment, start, history)
        mounted[where], more = used(mounted.get(where, ()), Mounting(start, assignment.hung or spool, again))
        handoffs += more + put_in(before, task, slot, assignment, start, again=again)
        placement.taken_out(spool, start)
    calendar = before.calendars.get(task.printer) or PrinterCalendar((), before.at_s)
    until = free_again(start, task.job.open_air_s, before.presence, before.turnaround_s)
    cost = replace(
        schedule.cost,
        handoffs=schedule.cost.handoffs + handoffs,
        heat_s=schedule.cost.heat_s + placement.heat_s,
    )
    boxes = boxes_of(given)
    return replace(
        schedule,
        boxes=before.boxes.used(boxes, start, off) if boxes else before.boxes,
        calendars={**before.calendars, task.printer: calendar.taken(start, until)},
        histories=histories,
        free_s=free,
        stays=placement.stays,
        mounted=mounted,
        fed_mm=fed,
        cost=cost,
    )


def hangs(schedule: Schedule, task: Task, slot: ToolSlot, assignment: Assignment, start_s: float) -> bool:
    """Return whether the spool is what hung on that printer last when the job begins."""
    uses = schedule.mounted.get((task.printer, slot.tool.tool), ())
    at = bisect.bisect_right(uses, start_s, key=lambda use: use.start_s)
    return at > 0 and uses[at - 1].hung == assignment.hung


def taken_off(
    schedule: Schedule,
    task: Task,
    slot: ToolSlot,
    assignment: Assignment,
    start_s: float,
    history: StepHistory,
) -> bool:
    """Return whether a spool that hung on that printer last has to be mounted again: it was elsewhere in between.

    It goes back to its place where it lives on no printer, or stood in a box, and no job on it follows at once;
    *history*: what happened to it by then.
    """
    if not hangs(schedule, task, slot, assignment, start_s):
        return False
    last, lives = history.step, schedule.homes.get(history.spool) is None
    if last is None:
        return not lives
    if not isinstance(last, Print) or last.printer != task.printer:
        return True
    at_once = schedule.spool_free_s(history.spool) + schedule.turnaround_s == start_s
    return not (lives and last.box is None) and not (at_once and last.tool == slot.tool.tool)


def put_in(
    schedule: Schedule,
    task: Task,
    slot: ToolSlot,
    assignment: Assignment,
    start_s: float,
    *,
    again: bool = False,
) -> bool:
    """Return whether the spool has to be put into the box that it is fed from; *again*: it was taken off since."""
    box, spool = assignment.box, assignment.spool
    if box is None or spool is None or schedule.boxes.lives_in(spool, box):
        return False
    return again or not hangs(schedule, task, slot, assignment, start_s)


def used(uses: tuple[Mounting, ...], use: Mounting) -> tuple[tuple[Mounting, ...], int]:
    """Return the uses of a printer's tool with one more, and how many mountings that adds."""
    at = bisect.bisect_right(uses, (use.start_s, use.hung, True))
    more = int(use.again or not at or uses[at - 1].hung != use.hung)
    if at < len(uses):
        after = uses[at]
        more += (after.again or after.hung != use.hung) - (
            after.again or not at or after.hung != uses[at - 1].hung
        )
    return (*uses[:at], use, *uses[at:]), more


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
        self.heat_s += self._hot_alone(dryer, stay)
        self.reserve(dryer, DryerStay(step.in_s, step.out_s, spool, step.temperature_C, before=before))
        self.histories[spool] = before.with_step(step)
        return ScheduledDrying(before, step, stay.time)

    def _hot_alone(self, dryer: str, stay: DryingSpan) -> float:
        """Return for how long of a stay the dryer is hot for nothing else that is planned. [s]"""
        alone, at_s = 0.0, stay.in_s
        for each in sorted(self.company(dryer, stay.in_s, stay.out_s, ""), key=lambda each: each.in_s):
            alone += max(0.0, each.in_s - at_s)
            at_s = max(at_s, each.out_s)
        return alone + max(0.0, stay.out_s - at_s)

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
