"""A plan that was begun: what it wanted done by now counts as done, what runs runs on, and the rest is planned anew.

What the records say since the plan was made counts: a reel that was fed or weighed since a job of it began has that job
in its record, and one that was moved is where it was moved to.  Of a reel whose record says nothing since then the plan
is taken as carried out.  Left out: placing what is left (``placing``), words (``report``).
"""

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final, TypeVar

from gcodetool.errors import QueueError, UsageError
from gcodetool.moisture.record import Spool
from gcodetool.queue.findings import DryingRow, JobRow, Progress, ToolRow, WaitRow
from gcodetool.queue.plan_names import DRYING, JOB, TOOL, WAIT, read_as, taken_from
from gcodetool.queue.presence import Presence
from gcodetool.queue.schedule import (
    Assignment,
    DryerStay,
    Mounting,
    PrinterCalendar,
    Schedule,
    Task,
    free_again,
)
from gcodetool.queue.spool_steps import NO_PASTS, Dry, Leave, Pasts, Print, Step, StepHistory
from gcodetool.quickdata import dataclass
from gcodetool.textfile import MOST_REPORT, from_json, read_bytes, text_of

PLAN: Final = "gcodetool/queue/1"
WHAT: Final = "plan"
_Inside = TypeVar("_Inside", DryingRow, WaitRow)
COUNTED: Final = ("fed", "weighed")  # events that settle how much is left on a reel


@dataclass(frozen=True)
class BegunPlan:
    """What of a plan was begun by now.

    Attributes
    ----------
    path : of the file.
    since_s : when the plan was made; of one that was itself planned anew, the first of them.
    rows : of the jobs, as planned; of those not begun yet, ``progress`` is None.
    dryings, waits : that were begun, as planned.
    made_room : (reel, moment) of those that were taken out of a dryer to make room.
    """

    path: Path
    since_s: float
    rows: tuple[JobRow, ...]
    dryings: tuple[DryingRow, ...]
    waits: tuple[WaitRow, ...] = ()
    made_room: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class Begun:
    """The same with the numbers of the list that is planned now, and what becomes of the reels.

    Attributes
    ----------
    rows, dryings, waits, made_room : of what was begun.
    pasts : what the plan did to reels that their records do not have.
    """

    since_s: float | None = None
    rows: tuple[JobRow, ...] = ()
    dryings: tuple[DryingRow, ...] = ()
    pasts: Pasts = NO_PASTS
    waits: tuple[WaitRow, ...] = ()
    made_room: tuple[tuple[str, float], ...] = ()

    @property
    def inside(self) -> "tuple[DryingRow | WaitRow, ...]":
        """All that was put into a dryer."""
        return (*self.dryings, *self.waits)

    @property
    def numbers(self) -> frozenset[int]:
        """Jobs that are not planned any more."""
        return frozenset(row.number for row in self.rows)


NOTHING_BEGUN: Final = Begun()


def read_plan(path: Path, at_s: float, not_started: Collection[int] = ()) -> BegunPlan:
    """Return what of the plan at *path*, which ``queue --json`` wrote, was begun by *at_s*.

    ``not_started``: its jobs that were to begin by now and did not.

    Raises
    ------
    QueueError
        It is no such file, or says what no plan says.
    UsageError
        It was made later than *at_s*, or has no such job.
    """
    found = from_json(
        text_of(read_bytes(path, QueueError, WHAT, most=MOST_REPORT), path, QueueError, WHAT),
        path,
        QueueError,
        WHAT,
    )
    if not isinstance(found, dict) or found.get("schema") != PLAN:
        raise QueueError.at(path, None, "not a plan of gcodetool; make one with gcodetool queue LIST --json")
    try:
        since_s = float(read_as("moment", found["begun"] or found["as_of"]))
        as_of_s = float(read_as("moment", found["as_of"]))
        rows = [_row(each, at_s) for each in found["jobs"]]
        dryings = [_drying(each, at_s) for each in found["dryings"]]
        waits = [_wait(each, at_s) for each in found.get("waits", ())]
        made_room = [*_made_room(found, at_s)]
    except (KeyError, TypeError, ValueError, OverflowError, AttributeError):
        raise QueueError.at(path, None, "this plan is not complete; make it again") from None
    if as_of_s > at_s:
        raise UsageError(f"--from-now {path}: this plan begins later than --at says; correct one of the two")
    begun = {row.number for row in rows if row.progress is not None}
    for number in not_started:
        if number not in begun:
            named = ", ".join(map(str, sorted(begun))) or "none"
            raise UsageError(
                f"--not-started {number}: no job of that number was to begin by now; those were: {named}"
            )
    rows = [replace(row, progress=None) if row.number in not_started else row for row in rows]
    dryings = [each for each in dryings if each.progress is not None]
    waits = [each for each in waits if each.progress is not None]
    return BegunPlan(path, since_s, tuple(rows), tuple(dryings), tuple(waits), tuple(made_room))


def _progress(begin_s: float, end_s: float, at_s: float) -> Progress | None:
    """Return how far something is by now; None: it is not begun."""
    if begin_s >= at_s:
        return None
    return "done" if end_s <= at_s else "running"


def _row(each: Mapping[str, Any], at_s: float) -> JobRow:
    """Return a job as the plan has it; one that is held is not begun."""
    known = taken_from(each, JOB)
    row = JobRow(**_stated(known, "number path because"), tools=tuple(_tool(tool) for tool in each["tools"]))
    if row.start_s is None or row.end_s is None or row.held:
        return row
    return replace(row, progress=_progress(row.start_s, row.end_s, at_s))


def _tool(each: Mapping[str, Any]) -> ToolRow:
    known = {"needed_s": 0.0} | taken_from(each, TOOL)
    return ToolRow(**_stated(known, "tool how filament_mm extruding_s needed_s because short_mm"))


def _drying(each: Mapping[str, Any], at_s: float) -> DryingRow:
    known = taken_from(each, DRYING)
    stated = "spool material dryer in_s out_s temperature_C binding reached before_wt_pct after_wt_pct for_number because"
    row = DryingRow(**_stated(known, stated))
    return replace(row, progress=_progress(row.in_s, row.out_s, at_s))


def _wait(each: Mapping[str, Any], at_s: float) -> WaitRow:
    known = taken_from(each, WAIT)
    if known["waits"] not in ("off", "warm"):
        raise ValueError(known["waits"])
    stated = (
        "spool material dryer in_s out_s temperature_C stays before_wt_pct after_wt_pct for_number because"
    )
    row = WaitRow(**_stated(known, stated))
    return replace(row, progress=_progress(row.in_s, row.out_s, at_s))


def _made_room(plan: Mapping[str, Any], at_s: float) -> Iterator[tuple[str, float]]:
    """Yield the reels that a plan had taken out of a dryer by a moment to make room, those of the plan before first."""
    for each in plan.get("made_room", ()):
        yield str(each["spool"]), float(read_as("moment", each["at"]))
    for each in plan["to_do"]:
        if each["action"] == "take-out" and each["for_job"] is None:
            moment_s = float(read_as("moment", each["at"]))
            if moment_s < at_s:
                yield from ((str(spool), moment_s) for spool in each["spools"])


def _stated(known: dict[str, Any], names: str) -> dict[str, Any]:
    """Return the fields; TypeError where one of *names* is null."""
    if any(known[name] is None for name in names.split()):
        raise TypeError(names)
    return known


# ---------------------------------------------------------------- the plan and the list of now


def taken_up(
    plan: BegunPlan, tasks: Sequence[Task], spools: Mapping[str, Spool], schedule: Schedule
) -> Begun:
    """Return what was begun, for the jobs of the list that is planned now; *schedule* is the empty one.

    Raises
    ------
    UsageError
        A job that was begun, or whose reel is in a dryer, is not in the list any more; or a reel is not on the shelf.
    """
    numbers = _numbers(plan, tasks)
    by_number = {task.number: task for task in tasks}

    def number_of(number: int, what: str) -> int:
        if number not in numbers:
            path = next((row.path for row in plan.rows if row.number == number), "")
            raise UsageError(
                f"--from-now {plan.path}: job {number}, {path}, {what} and is not in the list; put it back into it, "
                f"or say --not-started {number}"
            )
        return numbers[number]

    rows = tuple(
        replace(row, number=number_of(row.number, "was begun"))
        for row in plan.rows
        if row.progress is not None
    )

    def with_numbers(inside: Sequence[_Inside], what: str) -> tuple[_Inside, ...]:
        return tuple(
            replace(each, for_number=number_of(each.for_number, what.format(each.spool)))
            for each in inside
            if each.progress == "running" or each.for_number in numbers
        )

    dryings = with_numbers(plan.dryings, "is what {} is dried for")
    waits = with_numbers(plan.waits, "is what {} waits for")
    steps: dict[str, list[tuple[float, Step]]] = {}
    for spool, leave_s in plan.made_room:
        if spool in spools:
            steps.setdefault(spool, []).append((leave_s, Leave(leave_s)))
    dried_or_waiting: tuple[DryingRow | WaitRow, ...] = (*dryings, *waits)
    for inside in dried_or_waiting:
        steps.setdefault(inside.spool, []).append((inside.in_s, _stay(inside)))
    for row in rows:
        for spool, step in _prints(row, by_number[row.number], schedule.presence):
            steps.setdefault(spool, []).append((step.start_s, step))
    gone = sorted(set(steps) - set(spools))
    if gone:
        raise UsageError(
            f"--from-now {plan.path}: {', '.join(gone)} was used and is not on the shelf; put it back"
        )
    at_s = schedule.at_s
    since = {name: _since(spools[name], plan.since_s, at_s) for name in steps}
    every = {
        name: _past(
            spools[name], [step for _, step in sorted(known, key=lambda each: each[0])], since[name], at_s
        )
        for name, known in steps.items()
    }
    # of a reel whose record says all of it, the record counts alone
    pasts = {name: past for name, past in every.items() if past.step is not None}
    since = {name: since[name] for name in pasts}
    stays = {
        (name, step.dryer, step.out_s)
        for name, past in pasts.items()
        for step in past.steps
        if isinstance(step, Dry)
    }

    def still(inside: Sequence[_Inside]) -> tuple[_Inside, ...]:
        return tuple(
            each
            for each in inside
            if each.progress == "done" or (each.spool, each.dryer, each.out_s) in stays
        )

    return Begun(plan.since_s, rows, still(dryings), Pasts(pasts, since), still(waits), plan.made_room)


def _stay(inside: DryingRow | WaitRow) -> Dry:
    """Return a drying, or the time that a reel waits in a dryer, as a step of it."""
    waits = inside.waits if isinstance(inside, WaitRow) else None
    return Dry(inside.dryer, inside.in_s, inside.out_s, inside.temperature_C, waits=waits)


def resumed(schedule: Schedule, begun: Begun) -> Schedule:
    """Return the schedule before the first job that is planned anew: printers and dryers in use, reels where they are."""
    at_s, presence = schedule.at_s, schedule.presence
    calendars, mounted, free = dict(schedule.calendars), dict(schedule.mounted), dict(schedule.free_s)
    boxes = schedule.boxes
    for row in sorted(begun.rows, key=lambda row: row.start_s or 0.0):
        start_s, end_s = row.start_s or 0.0, row.end_s or 0.0
        off_s = presence.next_s(end_s)
        until_s = free_again(start_s, end_s - start_s, presence, schedule.turnaround_s)
        if until_s > at_s:
            known = calendars.get(row.printer)
            calendars[row.printer] = PrinterCalendar(
                (), until_s if known is None else max(known.free_s, until_s)
            )
        for tool in row.tools:
            if tool.spool is None:
                continue
            if off_s > at_s or begun.pasts.since.get(tool.spool) == begun.since_s:
                mounted[(row.printer, tool.tool)] = (
                    Mounting(-math.inf, Assignment(tool.spool, box=tool.box).hung or ""),
                )
            if off_s > at_s:
                free[tool.spool] = off_s
                boxes = boxes if tool.box is None else boxes.used([tool.box], start_s, off_s)
    gone = {
        spool for spool, past in begun.pasts.histories.items() if past.steps
    }  # from where the record has it
    stays = {
        dryer: tuple(stay for stay in inside if stay.planned or stay.spool not in gone)
        for dryer, inside in schedule.stays.items()
    }
    heat_s = 0.0
    for each in sorted(begun.inside, key=lambda each: each.in_s):
        if each.progress == "running":
            others = tuple(stay for stay in stays.get(each.dryer, ()) if stay.spool != each.spool)
            ends = [stay.out_s for stay in others if stay.planned]
            off = isinstance(each, WaitRow) and each.waits == "off"
            heat_s += 0.0 if off else max(0.0, each.out_s - max([each.in_s, *ends]))
            celsius = None if off else each.temperature_C
            stays[each.dryer] = (*others, DryerStay(each.in_s, each.out_s, each.spool, celsius))
            free[each.spool] = each.out_s
    return replace(
        schedule,
        calendars=calendars,
        mounted=mounted,
        free_s=free,
        boxes=boxes,
        stays=stays,
        histories=dict(begun.pasts.histories),
        cost=replace(schedule.cost, heat_s=heat_s),
    )


def told_of(begun: Begun) -> Iterator[str]:
    """Yield what is said of a plan that was begun."""
    if begun.since_s is None:
        return
    done = [row.number for row in begun.rows if row.progress == "done"]
    running = [row.number for row in begun.rows if row.progress == "running"]
    counts = [
        f"{len(jobs)} of its jobs {word}" for jobs, word in ((done, "done"), (running, "running")) if jobs
    ]
    yield (
        f"a plan that was begun is taken up: {', '.join(counts) or 'none of its jobs yet'}. What it wanted by now "
        "counts as done where the records say nothing else; a job that was not started: --not-started N"
    )


def _numbers(plan: BegunPlan, tasks: Sequence[Task]) -> dict[int, int]:
    """Return the number of now for each of the plan's: the same file, or one of the same name and bytes, in its order."""
    left = list(tasks)
    found: dict[int, int] = {}
    for row in plan.rows:
        path = Path(row.path)
        same = next(
            (
                task
                for task in left
                if Path(task.path).absolute() == path.absolute()
                or (Path(task.path).name == path.name and task.job.sha256 == row.sha256)
            ),
            None,
        )
        if same is not None:
            left.remove(same)
            found[row.number] = same.number
    return found


def _prints(row: JobRow, task: Task, presence: Presence) -> Iterator[tuple[str, Print]]:
    """Yield each reel of a job that was begun with the print that it feeds."""
    variant = next((each for each in task.variants if each.printer == row.printer), task)
    start_s, end_s = row.start_s or 0.0, row.end_s or 0.0
    off_s = presence.next_s(end_s)
    for tool in row.tools:
        if tool.spool is not None:
            late = off_s if off_s > end_s else None
            yield tool.spool, Print(variant.job.digest, tool.tool, start_s, row.printer, late, tool.box)


def _since(spool: Spool, since_s: float, at_s: float) -> float:
    """Return from when on the plan counts for a reel: from its making, or from what was noted last since then."""
    return max((event.at_s for event in spool.events if since_s < event.at_s <= at_s), default=since_s)


def _past(spool: Spool, steps: Sequence[Step], since_s: float, at_s: float) -> StepHistory:
    """Return what a plan did to a reel that its record does not have."""
    noted = [event for event in spool.events if event.at_s <= at_s]
    place = next((event.place for event in reversed(noted) if event.place is not None), None)
    history = StepHistory(spool.id)
    for step in steps:
        if isinstance(step, Print):
            if any(event.kind in COUNTED and event.at_s >= step.start_s for event in noted):
                continue
        elif isinstance(step, Leave):
            known = None if place is None else spool.places.get(place)
            if known is None or known.kind != "dryer":
                continue  # it is noted where it went
            step = replace(step, at_s=max(step.at_s, since_s))  # noqa: PLW2901
        elif step.in_s < since_s:
            if step.out_s <= since_s or place != step.dryer:
                continue
            step = replace(step, in_s=since_s)  # noqa: PLW2901
        history = history.with_step(step)
    return history
