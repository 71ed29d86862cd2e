"""A plan to what somebody has to do, in time order: put in, take out, mount and start, take parts off.

Left out: words (``report``).
"""

from typing import Final

from gcodetool.queue.begun import NOTHING_BEGUN, Begun
from gcodetool.queue.findings import Action, HandOff
from gcodetool.queue.schedule import Schedule, ScheduledJob
from gcodetool.queue.spool_steps import Leave

ORDER: Final[tuple[Action, ...]] = (
    "clear",
    "take-out",
    "put-in",
    "start",
)  # of one moment: hands are freed first


def handoffs_of(done: Schedule, begun: Begun = NOTHING_BEGUN) -> list[HandOff]:
    """Return all that is to be done by hand for the jobs that are run, by time, and for what an earlier plan began."""
    found: list[HandOff] = []
    starts: dict[tuple[str | None, float], int] = {}
    placed = [each for each in done.all() if not each.held]
    for each in placed:
        starts[(each.task.printer, each.start_s)] = each.task.number
        found += _dryings(each)
        found.append(_start(done, each, begun))
    ends = [
        (each.task.printer, each.end_s, tuple(history.spool for history, _ in each.steps), each.task.number)
        for each in placed
    ]
    ends += _running(done, begun)
    for printer, end_s, spools, number in ends:
        at_s = done.presence.next_s(end_s)
        if (printer, at_s + done.turnaround_s) not in starts:
            found.append(HandOff(at_s, "clear", printer, spools, number))
    straight = {(name, each.at_s) for each in found for name in each.straight}
    for drying in begun.dryings:
        if drying.progress == "running" and (drying.spool, drying.out_s) not in straight:
            found.append(HandOff(drying.out_s, "take-out", drying.dryer, (drying.spool,), drying.for_number))
    for name, history in sorted(done.histories.items()):
        for step in history.steps:
            if isinstance(step, Leave):
                found.append(HandOff(step.at_s, "take-out", _dryer_of(done, name), (name,)))
    return sorted(
        found, key=lambda each: (each.at_s, ORDER.index(each.action), each.where or "", each.number or 0)
    )


def _running(done: Schedule, begun: Begun) -> list[tuple[str | None, float, tuple[str, ...], int]]:
    """Return (printer, end, spools, number) of jobs that an earlier plan began and whose parts are still on the printer."""
    return [
        (
            row.printer,
            row.end_s,
            tuple(tool.spool for tool in row.tools if tool.spool is not None),
            row.number,
        )
        for row in begun.rows
        if row.end_s is not None and done.presence.next_s(row.end_s) > done.at_s
    ]


def _dryings(placed: ScheduledJob) -> list[HandOff]:
    """Return what a job's dryings ask for; what goes straight to the printer is taken out with its start."""
    found = []
    for each in placed.dryings:
        step, spool = each.step, each.before.spool
        found.append(
            HandOff(
                step.in_s,
                "put-in",
                step.dryer,
                (spool,),
                placed.task.number,
                temperature_C=step.temperature_C,
                knob_C=each.time.knob_C,
                until_s=step.out_s,
            )
        )
        if step.out_s < placed.start_s:
            found.append(HandOff(step.out_s, "take-out", step.dryer, (spool,), placed.task.number))
    return found


def _start(done: Schedule, placed: ScheduledJob, begun: Begun) -> HandOff:
    """Return the start of a job: what is mounted for it, and whose parts come off first."""
    new = tuple(
        assignment
        for slot, assignment in zip(placed.task.slots, placed.assignments, strict=True)
        if assignment.spool is not None
        and hung_before(done, placed.task.printer, slot.tool.tool, placed.start_s) != assignment.hung
    )
    ended = [(each.task.printer, each.end_s, each.task.number) for each in done.all() if not each.held]
    ended += [(printer, end_s, number) for printer, end_s, _, number in _running(done, begun)]
    off = [
        number
        for printer, end_s, number in ended
        if printer == placed.task.printer
        and done.presence.next_s(end_s) + done.turnaround_s == placed.start_s
    ]
    out = {each.before.spool for each in placed.dryings if each.step.out_s == placed.start_s}
    out |= {
        each.spool for each in begun.dryings if each.progress == "running" and each.out_s == placed.start_s
    }
    return HandOff(
        placed.start_s,
        "start",
        placed.task.printer,
        tuple(history.spool for history, _ in placed.steps),
        placed.task.number,
        mounted=tuple(each.spool for each in new if each.spool is not None),
        straight=tuple(history.spool for history, _ in placed.steps if history.spool in out),
        cleared=off[0] if off else None,
        until_s=placed.end_s,
        boxed=tuple((each.spool, each.box) for each in placed.assignments if each.spool and each.box),
        into=tuple(
            each.spool
            for each in new
            if each.spool and each.box and not done.boxes.lives_in(each.spool, each.box)
        ),
    )


def hung_before(done: Schedule, printer: str | None, tool: int, at_s: float) -> str | None:
    """Return what is at a printer's tool just before a moment, as ``Schedule.mounted`` has it."""
    uses = [spool for since, spool in done.mounted.get((printer, tool), ()) if since < at_s]
    return uses[-1] if uses else None


def _dryer_of(done: Schedule, spool: str) -> str | None:
    """Return the dryer that a spool stands in without a plan."""
    first = done
    for before, _ in done.history():
        first = before
    return next(
        (dryer for dryer, stays in first.stays.items() if any(stay.spool == spool for stay in stays)), None
    )
