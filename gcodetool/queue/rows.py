"""A plan to the rows, dryings and hints that people read.

Left out: printing them (``report``).
"""

from collections.abc import Mapping, Sequence
from dataclasses import field, replace
from typing import Any, Final

from gcodetool.moisture.record import Spool
from gcodetool.queue.begun import NOTHING_BEGUN, Begun
from gcodetool.queue.findings import (
    GOOD_ENOUGH,
    Bottleneck,
    DryingRow,
    JobRow,
    ToolRow,
    Verdict,
    WaitRow,
    worst,
)
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.handoffs import stands_in
from gcodetool.queue.job_list import JobList, JobRequest
from gcodetool.queue.placing import SHORTEST_SHORT_MM
from gcodetool.queue.reading import Unreadable, Wanted
from gcodetool.queue.schedule import Schedule, ScheduledDrying, ScheduledJob, ToolSlot
from gcodetool.queue.spool_steps import StepHistory
from gcodetool.queue.summary import JobSummary
from gcodetool.queue.tasks import Stock, wanted_of
from gcodetool.quickdata import dataclass

ALONE: Final = (
    "the list says that this dryer may run alone: only one whose maker allows it, where local codes do, with a cut-out of "
    "its own and nothing that burns beside it; never an oven"
)


@dataclass(frozen=True)
class Told:
    """What is said of jobs beside their verdicts, by number.

    Attributes
    ----------
    why : why this spool, printer and time.
    lacks, instead : of those that do not make it, what they lack, and what drying would do.
    spoils : cautions on what a job does to reels of others.
    others : by job and reel, who would not make it without a drying that its own job could do without.
    """

    why: Mapping[int, str] = field(default_factory=dict)
    lacks: Mapping[int, Bottleneck] = field(default_factory=dict)
    instead: Mapping[int, str] = field(default_factory=dict)
    spoils: Mapping[int, Sequence[str]] = field(default_factory=dict)
    others: Mapping[tuple[int, str], tuple[int, ...]] = field(default_factory=dict)


def rows_of(
    job_list: JobList,
    stock: Stock,
    jobs: Mapping[Wanted, JobSummary | Unreadable],
    done: Schedule,
    *,
    told: "Told",
    begun: Begun = NOTHING_BEGUN,
) -> list[JobRow]:
    """Return a row for every job of the list, in its order, also where the work was stopped before it."""
    placed = {each.task.number: each for each in done.all()}
    earlier = {row.number: row for row in begun.rows}
    rows = []
    for number, request in enumerate(job_list.requests, 1):
        known: dict[str, Any] = {
            "number": number,
            "path": str(request.path),
            "printer": placed[number].task.printer if number in placed else request.printer,
            "earliest_s": request.earliest_s,
            "due_s": request.due_s,
            "priority": request.priority,
            "why": told.why.get(number),
            "bottleneck": told.lacks.get(number),
            "instead": told.instead.get(number),
        }
        job = jobs.get(wanted_of(request, job_list, stock))
        if number in earlier:
            rows.append(_as_planned(earlier[number], request))
        elif number in placed:
            rows.append(
                JobRow(
                    **known,
                    **_timed(placed[number].task.job),
                    **_judged(placed[number], told.spoils.get(number, ())),
                )
            )
        elif isinstance(job, Unreadable):
            rows.append(JobRow(**known, verdict="unreadable", because=job.text, error=job.text))
        elif job is not None:
            rows.append(
                JobRow(**known, **_timed(job), verdict="not-read", because="stopped before its forecast")
            )
        else:
            rows.append(JobRow(**known, verdict="not-read", because="stopped before it was read"))
    return rows


def _as_planned(row: JobRow, request: JobRequest) -> JobRow:
    """Return the row of a job that an earlier plan began, measured by its due time of now."""
    in_time = None if request.due_s is None or row.end_s is None else row.end_s <= request.due_s
    good = all(tool.code in GOOD_ENOUGH and tool.short_mm <= SHORTEST_SHORT_MM for tool in row.tools)
    return replace(
        row,
        path=str(request.path),
        earliest_s=request.earliest_s,
        due_s=request.due_s,
        priority=request.priority,
        in_time=in_time,
        met=bool(row.tools) and good and in_time is not False,
        why=None,
        bottleneck=None,
        instead=None,
    )


def _timed(job: JobSummary) -> dict[str, Any]:
    """Return what a row says of its file."""
    return {
        "sha256": job.sha256,
        "moving_s": job.moving_s,
        "extruding_s": job.extruding_s,
        "waiting_s": job.waiting_s,
        "open_air_s": job.open_air_s,
        "machine_cautions": job.machine_cautions,
        "file_cautions": job.cautions,
    }


def _judged(placed: ScheduledJob, spoils: Sequence[str]) -> dict[str, Any]:
    """Return what a row says of its place in the plan."""
    verdict: Verdict = worst([each.code for each in placed.rows])
    because = next(each.because for each in placed.rows if each.code == verdict)
    short = [each for each in placed.rows if each.short_mm > SHORTEST_SHORT_MM]
    cautions = [*placed.task.notes, *spoils]
    if short:
        left_m, missing_m = (short[0].left_mm or 0.0) / 1000, short[0].short_mm / 1000
        words = f"{short[0].spool} has {left_m:.1f} m left, {missing_m:.1f} m short"
        because = f"{words}; {because}"
    if placed.held:
        because = f"not run: {because}"
    cautions += [said for each in placed.rows for said in each.cautions]
    return {
        "verdict": verdict,
        "because": because,
        "start_s": placed.start_s,
        "end_s": placed.end_s,
        "in_time": placed.in_time,
        "met": placed.met,
        "held": placed.held,
        "tools": placed.rows,
        "cautions": tuple(dict.fromkeys(cautions)),
    }


def _fed(placed: ScheduledJob) -> list[ToolSlot]:
    return [
        slot
        for slot, assignment in zip(placed.task.slots, placed.assignments, strict=True)
        if assignment.spool is not None
    ]


def drying_cautions(spool: Spool, *, alone: bool = False) -> list[str]:
    """Return the cautions that stand beside every drying of *spool*; *alone*: in a dryer that may run unattended."""
    from gcodetool.drying.instructions import HEAT_IN_SHORT, STYRENE, is_styrenic

    said = [HEAT_IN_SHORT, *([ALONE] if alone else [])]
    if is_styrenic(spool):
        said.append(STYRENE)
    if spool.body.profile is None and spool.winding != "loose":
        said.append(f"what the reel of {spool.id} is made of is not recorded: taken as the most delicate")
    return said


def _reached(full: ForecastMemo, placed: ScheduledJob, drying: ScheduledDrying) -> str:
    """Return the limit that a reel gets below; one that was joined later by others may have wanted longer for good."""
    step, time = drying.step, drying.time
    if not step.beside:
        return time.reached
    length_mm = next(
        slot.length_mm
        for slot, (history, _) in zip(_fed(placed), placed.steps, strict=True)
        if history.spool == drying.before.spool
    )
    needed = full.drying_time(
        drying.before, step.dryer, step.in_s, length_mm, step.temperature_C, step.beside
    )
    enough = needed is not None and needed.seconds <= step.out_s - step.in_s
    return time.reached if enough else "marginal"  # a job that is run is never above that


def waits_of(full: ForecastMemo, done: Schedule) -> list[WaitRow]:
    """Return what waits in a dryer for its job, by time."""
    found = []
    for placed in done.all():
        for each in placed.waits:
            step, spool = each.step, full.spools[each.before.spool]
            assert step.waits is not None
            result = full.dried(each.before, step)
            without = _printed_after(full, placed, each.before)
            alone = step.dryer in done.unattended
            found.append(
                WaitRow(
                    spool=spool.id,
                    material=spool.material.key,
                    dryer=step.dryer,
                    in_s=step.in_s,
                    out_s=step.out_s,
                    waits=step.waits,
                    temperature_C=step.temperature_C,
                    stays=each.stays,
                    before_wt_pct=result.before_wt_pct,
                    after_wt_pct=result.after_wt_pct,
                    for_number=placed.task.number,
                    undried=without.code,
                    because=without.because,
                    cautions=tuple(drying_cautions(spool, alone=alone)) if step.waits == "warm" else (),
                )
            )
    return sorted(found, key=lambda each: (each.in_s, each.dryer, each.spool))


def _printed_after(
    full: ForecastMemo, placed: ScheduledJob, before: StepHistory, start_s: float | None = None
) -> ToolRow:
    """Return what comes of a job's reel after these steps of it; *start_s*: had the job begun then."""
    return next(
        full.printed(before, step if start_s is None else replace(step, start_s=start_s), slot.tool)
        for (history, step), slot in zip(placed.steps, _fed(placed), strict=True)
        if history.spool == before.spool
    )


def dryings_of(full: ForecastMemo, done: Schedule, told: Told) -> list[DryingRow]:
    """Return what goes into a dryer when, by time."""
    found = []
    for placed in done.all():
        for each in placed.dryings:
            result = full.dried(each.before, each.step)
            stood = stands_in(done, each.before, each.step.dryer)  # and would go on drying till then
            undried = _printed_after(full, placed, each.before, each.step.in_s if stood else None)
            spool = full.spools[each.before.spool]
            found.append(
                DryingRow(
                    spool=each.before.spool,
                    material=spool.material.key,
                    dryer=each.step.dryer,
                    in_s=each.step.in_s,
                    out_s=each.step.out_s,
                    temperature_C=each.step.temperature_C,
                    knob_C=each.time.knob_C,
                    binding=each.time.binding,
                    reached=_reached(full, placed, each),
                    before_wt_pct=result.before_wt_pct,
                    after_wt_pct=result.after_wt_pct,
                    for_number=placed.task.number,
                    undried=undried.code,
                    because=undried.because,
                    cautions=tuple(drying_cautions(spool, alone=each.step.dryer in done.unattended)),
                    others=told.others.get((placed.task.number, spool.id), ())
                    if undried.code in GOOD_ENOUGH
                    else (),
                )
            )
    return sorted(found, key=lambda each: (each.in_s, each.dryer, each.spool))
