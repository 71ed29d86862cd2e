"""A chosen plan with each drying as long as its job needs it: the hours that ``drying plan --for`` says.

The search dries by the limits of the strand alone, which takes one course of drying and no forecast.  What is then really
dried is asked for its job: until that is clear, else adjust.  A job that would miss its due time so is dried until it is
adjust.  Left out: how long that is (``drying.job``), where a job goes (``placing``).
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from typing import Final

from gcodetool.drying.words import timer_s
from gcodetool.judge.verdict_codes import Code
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.placing import schedule_job
from gcodetool.queue.schedule import Assignment, Schedule, ScheduledDrying, ScheduledJob, Way
from gcodetool.queue.search import SPOOLS_TRIED, can_dry, dried, ways
from gcodetool.queue.spool_steps import DryingTime

WANTED: Final[tuple[Code, ...]] = ("clear", "adjust")
REACHED: Final[dict[Code, str]] = {"clear": "good", "adjust": "marginal"}  # by all that the job feeds
WET: Final = ("dry-first", "runs-out", "unknown")  # verdicts that a drying may change
LONG: Final = 20  # jobs; up to here dryings are settled one by one where all at once cost a job
ROUNDS: Final = 2  # other hours begin at another moment, for which they may be a little different


def settled(quick: ForecastMemo, full: ForecastMemo, start: Schedule, chosen: Schedule) -> Schedule:
    """Return a plan with the hours that its jobs need; where these cost a job, that drying is as it was chosen.

    Placed by *quick*, the hours by *full*.  In lists longer than ``LONG`` all of them are as chosen, where one costs a job;
    in shorter ones a job for which the limits alone tell no hours that would do is given its own.
    """
    plan = chosen.all()
    own = {placed.task.number for placed in plan if placed.dryings}
    if len(plan) <= LONG:
        own |= {placed.task.number for placed in plan if _may_be_dried(quick, start, placed)}
    if not own:
        return chosen
    best = chosen
    for numbers in (own, *([{number} for number in sorted(own)] if len(plan) <= LONG else [])):
        found = _settled(quick, full, start, best.all(), numbers)
        if found is not None and found.cost.missed <= chosen.cost.missed:
            best = found
            if numbers == own:
                return best
    return best


def _settled(
    quick: ForecastMemo,
    full: ForecastMemo,
    start: Schedule,
    plan: Sequence[ScheduledJob],
    own: Collection[int],
) -> Schedule | None:
    """Return the plan with the hours that jobs of these numbers need; None: it has no place then."""
    schedule = start
    for placed in plan:
        found = _placed(quick, schedule, placed, {each.before.spool: each.time for each in placed.dryings})
        if found is None or found.last is None:
            return None
        schedule = _needless(quick, found) or found
        if schedule is found and placed.task.number in own:
            settle = with_own if found.last.dryings else _dried_after_all
            schedule = settle(quick, full, found)
    return schedule


def _needless(quick: ForecastMemo, found: Schedule) -> Schedule | None:
    """Return a schedule whose last job begins as it does now without its dryings; None: it needs them.

    The search begins a job as early as it can; by the time that a drying takes, a reel may have dried where it stands.
    """
    before, last = found.before, found.last
    assert before is not None
    assert last is not None
    dried_for = {each.before.spool for each in last.dryings}
    stand_there = {stay.spool for stays in before.stays.values() for stay in stays if stay.in_s == -math.inf}
    if not last.dryings or not last.met or dried_for & stand_there:
        return None  # what stands in a dryer goes on drying in it
    task = replace(last.task, earliest_s=last.start_s)
    bare = schedule_job(
        quick, before, task, [replace(each, dryer=None, time=None) for each in last.assignments], last.home
    )
    same = bare is not None and bare.last is not None and bare.last.met and bare.last.start_s == last.start_s
    return bare if same else None


def _may_be_dried(memo: ForecastMemo, start: Schedule, placed: ScheduledJob) -> bool:
    """Return whether a job does not make it for water, and a dryer could be had."""
    wet = not placed.met and any(row.code in WET for row in placed.rows)
    return wet and any(
        can_dry(memo, row.spool, dryer)
        for row in placed.rows
        if row.spool is not None
        for dryer in start.holds
    )


def _dried_after_all(quick: ForecastMemo, full: ForecastMemo, found: Schedule) -> Schedule:
    """Return a schedule whose last job is dried for as it needs it, where it makes it so and did not otherwise."""
    before, last = found.before, found.last
    assert before is not None
    assert last is not None
    for way in ways(quick, last.home, before, most=SPOOLS_TRIED):
        tried = schedule_job(quick, before, *way) if dried(way.assignments) else None
        if tried is not None and tried.last is not None and not tried.last.met:
            better = with_own(quick, full, tried)
            if better.last is not None and better.last.met:
                return better
    return found


def with_own(quick: ForecastMemo, full: ForecastMemo, found: Schedule) -> Schedule:
    """Return a schedule whose last job's spools are dried as it needs it: until it is clear; where none gets there, adjust.

    Where that has no place, or is too late, a job that makes it stays as it was.
    """
    before, last = found.before, found.last
    assert before is not None
    assert last is not None
    for wanted in WANTED if last.tried else ():
        if not all(job_time(full, last, drying, wanted) for drying in last.tried):
            continue
        own = _own(quick, full, before, last, wanted)
        if own is not None and own.last is not None and own.last.met >= last.met:
            return own
        if last.met:
            break
    return found


def _placed(
    quick: ForecastMemo, schedule: Schedule, placed: ScheduledJob, times: Mapping[str, DryingTime]
) -> Schedule | None:
    """Return the schedule with a job as it was placed, but its spools dried for so long."""
    return schedule_job(quick, schedule, *timed(placed, times))


def timed(placed: ScheduledJob, times: Mapping[str, DryingTime]) -> Way:
    """Return a job's way with the hours of its dryings settled."""

    def settle(given: Assignment) -> Assignment:
        return given if given.spool is None else replace(given, time=times.get(given.spool))

    return Way(placed.task, tuple(settle(each) for each in placed.assignments), placed.home)


def _own(
    quick: ForecastMemo, full: ForecastMemo, schedule: Schedule, placed: ScheduledJob, wanted: Code
) -> Schedule | None:
    """Return the schedule with a job whose spools are dried until it comes to *wanted*; None: they never do."""
    found: Schedule | None = None
    known: dict[str, DryingTime] = {}
    for _ in range(ROUNDS):
        times: dict[str, DryingTime] = {}
        for drying in placed.tried:
            time = job_time(full, placed, drying, wanted)
            if time is None:
                return None
            times[drying.before.spool] = time
        if times == known:
            break
        known, found = times, _placed(quick, schedule, placed, times)
        if found is None or found.last is None or found.last.held:
            return None
        placed = found.last
    return found


def job_time(
    full: ForecastMemo, placed: ScheduledJob, drying: ScheduledDrying, wanted: Code
) -> DryingTime | None:
    """Return a drying's time as its job needs it, as one sets a timer; None: it never comes to that, or needs none.

    Where later jobs are to feed from what is dried for this one, no less than for all of it.
    """
    spool = drying.before.spool
    step = next(step for history, step in placed.steps if history.spool == spool)
    slot = next(each for each in placed.task.slots if each.tool.tool == step.tool)
    seconds = full.job_hours(drying.before, drying.step, step, wanted)
    if not seconds:
        return None
    whole = timer_s(seconds)
    if slot.later_mm and drying.time.reached == "good":
        whole = max(whole, drying.time.seconds)
    return replace(drying.time, seconds=whole, reached=REACHED[wanted])
