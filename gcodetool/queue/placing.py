"""Where a job goes, given which printer and spools it takes: one schedule to the next.

Each job starts as early as its printer, its spools, its own earliest start and the people allow, in a gap between
earlier ones where it fits.  A spool is dried as late as it can be without holding up its job.  A job that comes
out as dry-first or runs-out, whose reel is too short, not on the shelf or not named, is held: it takes neither time nor
filament; where there is no shelf at all, jobs are placed by their times alone.  Left out: which spools (``search``), when a
dryer takes one (``dryer_slots``), what comes of it (``forecast_memo``).
"""

import bisect
import math
from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Final

from gcodetool.queue.dryer_slots import Placement
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
from gcodetool.queue.spool_steps import Print, StepHistory

SHORTEST_SHORT_MM: Final = 1.0  # less than this is rounding
NOT_STARTED: Final = ("runs-out", "dry-first", ASKED)  # verdicts of jobs that nobody should start as they are

Given = tuple[ToolSlot, Assignment]


def schedule_job(
    memo: ForecastMemo,
    schedule: Schedule,
    task: Task,
    assignments: Sequence[Assignment],
    home: Task | None = None,
) -> Schedule | None:
    """Return the schedule with *task* placed on these spools; None where a drying cannot be had.

    A reel that was dried and would be too wet again waits in its dryer until the job begins, where that helps; else a job
    whose reel comes out of the dryer too long before waits for a later drying, where that does.
    ``home``: the job with all its printers, where *task* is it on another than its own.
    """
    found = _scheduled(memo, schedule, task, assignments, home)
    if found is None or found.last is None or found.last.met:
        return found
    if wet := _too_wet(found.last):
        kept = _scheduled(memo, schedule, task, assignments, home, waiting=wet)
        if kept is not None and kept.last is not None and kept.last.met:
            return kept
    from_s = _dried_too_early(found.last)
    later = None if from_s is None else _scheduled(memo, schedule, task, assignments, home, from_s)
    return later if later is not None and later.last is not None and later.last.met else found


def _dried_too_early(placed: ScheduledJob) -> float | None:
    """Return when the reels of a job could go in instead, if one that was dried got too wet before it began. [s]"""
    start_s, wet = placed.start_s, _too_wet(placed)
    idle = [
        each.time.seconds for each in placed.tried if each.before.spool in wet and each.step.out_s < start_s
    ]
    return start_s - min(idle) if idle else None


def _too_wet(placed: ScheduledJob) -> frozenset[str]:
    """Return the reels for which a job does not make it; none where it is late anyway."""
    due_s = placed.task.due_s
    if due_s is not None and placed.end_s > due_s:
        return frozenset()
    return frozenset(row.spool for row in placed.rows if row.spool and row.code not in GOOD_ENOUGH)


def _scheduled(
    memo: ForecastMemo,
    schedule: Schedule,
    task: Task,
    assignments: Sequence[Assignment],
    home: Task | None,
    from_s: float = -math.inf,
    waiting: Collection[str] = (),
) -> Schedule | None:
    """Return the same with dryings from *from_s* on, and these reels *waiting* in their dryers; None where they may not."""
    given: list[Given] = list(zip(task.slots, assignments, strict=True))
    start = _start(memo, schedule, task, given, from_s)
    if start is None:
        return None
    dried = _dried(memo, schedule, given, start, from_s)
    if dried is None:
        return None
    placement, dryings = dried
    waits = [placement.wait(spool, start) for spool in sorted(waiting)]
    if None in waits:
        return None
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
        tuple(each for each in waits if each is not None),
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
) -> tuple[Placement, list[ScheduledDrying]] | None:
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
    memo: ForecastMemo, placement: Placement, task: Task, given: Sequence[Given], start: float
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


def _run(schedule: Schedule, placement: Placement, placed: ScheduledJob) -> Schedule:
    """Return the schedule with what a job that is run takes: its printer, its spools, hands and heat."""
    task, start, before = placed.task, placed.start_s, placement.schedule
    off = before.presence.next_s(placed.end_s)
    histories = {**before.histories, **placement.histories}
    free = {**before.free_s, **placement.free_s}
    mounted, fed = dict(before.mounted), dict(before.fed_mm)
    handoffs = sum(2 - (drying.step.out_s == start) for drying in placed.dryings) + placement.taken
    handoffs += sum(
        not each.stays for each in placed.waits
    )  # to switch off what it stays in counts as taking it out
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

    It goes back to its place where it lives on no printer, or stood in a box, and no job on it follows at once; or it fed
    another tool.  *history*: what happened to it by then.
    """
    if not hangs(schedule, task, slot, assignment, start_s):
        return False
    last, lives = history.step, schedule.homes.get(history.spool) is None
    if last is None:
        return not lives
    if not isinstance(last, Print) or last.printer != task.printer:
        return True
    if last.tool != slot.tool.tool:
        return True
    at_once = schedule.spool_free_s(history.spool) + schedule.turnaround_s == start_s
    return not at_once and not (lives and last.box is None)


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
