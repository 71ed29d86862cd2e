"""Why a plan is as it is: why this spool, this printer, this time; what a job that does not make it lacks.

Everything here is found by placing a job again under other conditions, on the pieces and members that the choice was
made on.  Left out: words for what a job lacks (``report``).
"""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from pathlib import PurePath
from typing import Final

from gcodetool.drying.words import hours
from gcodetool.judge.reasons import feed_sentence
from gcodetool.queue.drying_hours import with_own
from gcodetool.queue.findings import GOOD_ENOUGH, ORDER, Bottleneck, worst
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.placing import SHORTEST_SHORT_MM, schedule_job
from gcodetool.queue.presence import ALWAYS
from gcodetool.queue.schedule import Schedule, ScheduledDrying, ScheduledJob, Task, Way
from gcodetool.queue.search import SPOOLS_TRIED, dried, replay, ways
from gcodetool.queue.spool_steps import Dry, Leave, Print, StepHistory
from gcodetool.queue.summary import ToolSummary
from gcodetool.queue.waiting import dried_last

HINTS: Final = 12  # jobs that do not make it, of which it is said what would help
FORECAST_IN_FULL: Final = 2  # dryings of a job that does not make it
STORES: Final = ("box", "sealed")  # kinds of places that a dry spool may be kept in


def hints(quick: ForecastMemo, full: ForecastMemo, done: Schedule) -> tuple[dict[int, str], set[int]]:
    """Return, by number, what drying would do for jobs that do not make it, and a box at the feed; whom drying helps."""
    found: dict[int, str] = {}
    helped: set[int] = set()
    for before, placed in done.history():
        if placed.met or placed.dryings or len(found) >= HINTS:
            continue
        if all(row.code in GOOD_ENOUGH for row in placed.rows):
            continue  # late, or short of filament: no drying helps
        dry = list(_dried_first(quick, full, before, placed))
        said = [*dry, *_from_boxes(full, done, placed)]
        if dry:
            helped.add(placed.task.number)
        if said:
            found[placed.task.number] = "; ".join(said)
    return found, helped


def _dried_first(
    quick: ForecastMemo, full: ForecastMemo, before: Schedule, placed: ScheduledJob
) -> Iterator[str]:
    """Yield what a job would come to with a drying: the likeliest by *quick*, forecast in full."""
    tried: list[tuple[int, float, Way]] = []
    for way in ways(quick, placed.home, before, most=SPOOLS_TRIED):
        if dried(way.assignments):
            last = _last(schedule_job(quick, before, *way))
            if last is not None:
                tried.append((max(ORDER.index(row.code) for row in last.rows), last.end_s, way))
    for _, _, way in sorted(tried, key=lambda each: each[:2])[:FORECAST_IN_FULL]:
        found = schedule_job(full, before, *way)
        best = None if found is None else _last(with_own(full, full, found))
        if best is None or best.held:
            continue
        names = ", ".join(
            f"{each.before.spool} {hours(each.step.out_s - each.step.in_s)} in {each.step.dryer}"
            for each in best.dryings
        )
        late = " and too late" if best.in_time is False else ""
        yield f"dried first ({names}) it would be {worst([row.code for row in best.rows])}{late}"
        return


def _last(schedule: Schedule | None) -> ScheduledJob | None:
    return None if schedule is None else schedule.last


def _from_boxes(full: ForecastMemo, done: Schedule, placed: ScheduledJob) -> Iterator[str]:
    """Yield how dry a box would have to be to feed the reels of a job that would run out, and which at its printer is."""
    out = {row.spool for row in placed.rows if row.code == "runs-out"}
    for history, step in placed.steps:
        if history.spool in out and step.box is None:
            need = full.simulator.driest_feed(history, step)
            if need is not None and need.verdict is not None:
                there = done.boxes.at.get(step.printer, ())
                yield feed_sentence(
                    replace(need, boxes=tuple(each for each in need.boxes if each.place in there))
                )


# ---------------------------------------------------------------- what a job lacks


def bottlenecks(
    memo: ForecastMemo, start: Schedule, done: Schedule, helped: Collection[int]
) -> dict[int, Bottleneck]:
    """Return, by number, what jobs lack that do not make it; of water not those whom a drying *helped*."""
    found: dict[int, Bottleneck] = {}
    for before, placed in done.history():
        if placed.met or not any(slot.spools for slot in placed.home.slots) or len(found) >= HINTS:
            continue
        if any(row.code == "unknown" for row in placed.rows):
            continue  # of a reel of which nothing is known, nobody can say what it lacks
        lacks = _lack(memo, start, before, placed.home)
        if lacks is not None and not (lacks == "water" and placed.task.number in helped):
            found[placed.task.number] = lacks
    return found


def _lack(memo: ForecastMemo, start: Schedule, before: Schedule, task: Task) -> Bottleneck | None:
    """Return what a job lacks; None where no one thing alone would do."""
    for slot in task.slots:
        if max((memo.left_mm(spool) for spool in slot.spools), default=0.0) < slot.tool.filament_mm:
            return "filament"
    if _makes_it(memo, start, task):  # alone it would: others are in its way
        relieved: tuple[tuple[Bottleneck, Schedule], ...] = (
            ("printer", replace(before, calendars=start.calendars)),
            ("dryer", replace(before, stays=start.stays)),
            ("box", replace(before, boxes=start.boxes)),
            ("reel", replace(before, histories=start.histories, free_s=start.free_s, fed_mm={})),
        )
    else:
        relieved = ()
        shortest_s = min(variant.job.open_air_s for variant in task.variants)
        begin = max(start.at_s, task.earliest_s or start.at_s)
        if task.due_s is not None and begin + shortest_s > task.due_s:
            return "time"
    for lacks, schedule in relieved:
        if _makes_it(memo, schedule, task):
            return lacks
    if before.presence.windows and _makes_it(memo, replace(before, presence=ALWAYS), task):
        return "presence"
    return None if relieved else "water"


def _makes_it(memo: ForecastMemo, schedule: Schedule, task: Task) -> bool:
    """Return whether a job would be clear or adjust in time on that schedule."""
    for way in ways(memo, task, schedule, most=SPOOLS_TRIED):
        placed = schedule_job(memo, schedule, *way)
        if placed is not None and placed.last is not None and placed.last.met:
            return True
    return False


# ---------------------------------------------------------------- why it is where it is


def reasons(memo: ForecastMemo, done: Schedule) -> dict[int, str]:
    """Return, by number, why jobs that are run have their spool, printer and time."""
    return {
        placed.task.number: "; ".join(
            part
            for part in (
                _spools(memo, placed),
                _waited(placed),
                _boxes(memo, before, placed),
                _printer(memo, before, placed),
                _time(before, placed),
            )
            if part
        )
        for before, placed in done.history()
        if not placed.held
    }


def _spools(memo: ForecastMemo, placed: ScheduledJob) -> str:
    said = []
    for slot, row in zip(placed.task.slots, placed.rows, strict=True):
        if row.spool is None:
            continue
        if row.how == "named":
            said.append(f"{row.spool} is named in the list")
        elif row.how == "noted":
            said.append(f"{row.spool} is named in the file")
        elif len(slot.spools) == 1:
            said.append(f"{row.spool} is the only one that fits")
        else:
            wet = sum(memo.wet(spool) > 1.0 for spool in slot.spools)
            short = sum(memo.left_mm(spool) < slot.tool.filament_mm for spool in slot.spools)
            where = "is on the printer" if row.how == "mounted" else "was chosen"
            counts = f"{len(slot.spools)} fit, {wet} too wet now, {short} too short"
            said.append(f"{row.spool} {where} ({counts})")
    return ", ".join(said)


def _waited(placed: ScheduledJob) -> str:
    """Return which reels of a job waited in a dryer for it, and how; nothing where there are none."""
    how = {"off": "not heated", "warm": "warm"}
    return ", ".join(
        f"{each.before.spool} waits for it in {each.step.dryer}, {how[each.step.waits]}"
        for each in placed.waits
        if each.step.waits is not None
    )


def _boxes(memo: ForecastMemo, before: Schedule, placed: ScheduledJob) -> str:
    """Return what a job would come to without the boxes that it is fed from; nothing where there are none."""
    names = list(dict.fromkeys(each.box for each in placed.assignments if each.box is not None))
    if not names:
        return ""
    bare = [replace(each, box=None) for each in placed.assignments]
    found = schedule_job(memo, before, placed.task, bare, placed.home)
    if found is None or found.last is None:
        return f"fed from {' and '.join(names)}"
    verdict = worst([row.code for row in found.last.rows])
    return f"fed from {' and '.join(names)}: from open air it would be {verdict}"


def _printer(memo: ForecastMemo, before: Schedule, placed: ScheduledJob) -> str:
    """Return what another printer would change; nothing where there is none."""
    said = []
    for other in placed.home.variants:
        if other.printer == placed.task.printer:
            continue
        name = PurePath(other.printer or "").stem
        found = schedule_job(memo, before, other, placed.assignments, placed.home)
        last = None if found is None else found.last
        if found is None or last is None or (placed.met and not last.met):
            said.append(f"on {name} it would not make it")
        elif last.start_s > placed.start_s:
            later_h = (last.start_s - placed.start_s) / 3600
            said.append(f"on {name} it would start {later_h:.1f} h later")
        else:
            said.append(f"{name} would do as well")
    return ", ".join(said)


def _time(before: Schedule, placed: ScheduledJob) -> str:
    """Return what a job waits for."""
    start_s = placed.start_s
    dry = [each.before.spool for each in placed.dryings if each.step.out_s == start_s]
    if dry:
        return f"starts when {' and '.join(dry)} comes out of the dryer"
    if start_s <= before.at_s:
        return "starts at once"
    if placed.home.earliest_s == start_s:
        return "starts at its earliest time"
    if placed.task.earliest_s == start_s:
        waits = " and ".join(history.spool for history, _ in placed.steps)
        return f"starts no earlier, for {waits} to get drier where it stands"
    boxes = {each.box for each in placed.assignments if each.box is not None}
    awaited = [
        box for box in sorted(boxes) if any(end == start_s for _, end in before.boxes.uses.get(box, ()))
    ]
    if awaited:
        return f"starts when {' and '.join(awaited)} is free"
    calendar = before.calendars.get(placed.task.printer)
    if calendar is not None and start_s in (calendar.free_s, *(end for end, _ in calendar.gaps)):
        return "starts when the printer is free"
    waited = [history.spool for history, _ in placed.steps if before.free_s.get(history.spool) == start_s]
    if waited:
        return f"starts when {' and '.join(waited)} is free"
    return "starts when somebody is there again"


# ---------------------------------------------------------------- what jobs do to each other's reels


def spoiled(full: ForecastMemo, done: Schedule) -> Iterator[tuple[int, str]]:
    """Yield (number, caution) for each job that leaves a reel too wet for a later one."""
    for _, placed in done.history():
        if placed.met:
            continue
        for (history, step), row in zip(placed.steps, [row for row in placed.rows if row.spool], strict=True):
            last = history.step
            if row.code in GOOD_ENOUGH or not isinstance(last, Print) or row.short_mm > SHORTEST_SHORT_MM:
                continue
            slot = next(each for each in placed.task.slots if each.tool.tool == row.tool)
            without = full.printed(history.before or history, step, slot.tool)
            if without.code in GOOD_ENOUGH:
                for other in done.all():
                    if any(one == last and chain == history.before for chain, one in other.steps):
                        yield (
                            other.task.number,
                            f"it leaves {row.spool} too wet for job {placed.task.number}, which is {row.code} after it "
                            f"and would be {without.code} without",
                        )


def others_without(
    memo: ForecastMemo, start: Schedule, done: Schedule
) -> dict[tuple[int, str], tuple[int, ...]]:
    """Return, by job and reel, who would not make it without a drying that its own job could do without.

    It dries the reel for a later job, say, or lets another one go first.
    """
    plan = done.all()
    chosen = [each.way for each in plan]
    made: set[int] | None = None
    found: dict[tuple[int, str], tuple[int, ...]] = {}
    for at, placed in enumerate(plan):
        for drying, step, tool in _dried_and_fed(placed):
            spool, number = drying.before.spool, placed.task.number
            if len(found) >= HINTS or memo.printed(drying.before, step, tool).code not in GOOD_ENOUGH:
                continue
            given = [
                replace(each, dryer=None) if each.spool == spool else each for each in placed.assignments
            ]
            bare = [*chosen[:at], chosen[at]._replace(assignments=tuple(given)), *chosen[at + 1 :]]
            made = _made(memo, start, chosen) if made is None else made
            without = _made(memo, start, bare)
            if made is not None and without is not None:
                found[number, spool] = tuple(sorted(made - without - {number}))
    return found


def _made(memo: ForecastMemo, start: Schedule, plan: Sequence[Way]) -> set[int] | None:
    """Return who makes it with these jobs on these printers and spools; None where a drying cannot be had then."""
    found = replay(memo, start, plan)
    return None if found is None else {each.task.number for each in found.all() if each.met}


def dried_again(full: ForecastMemo, done: Schedule) -> Iterator[str]:
    """Yield a sentence for each reel that is dried twice and could have stayed dry in a box or bag of its record."""
    for placed in done.all():
        for drying, step, tool in _dried_and_fed(placed):
            before = drying.before
            if dried_last(before) is None:
                continue
            places, idle_s = full.spools[before.spool].places, _idle_from(full, before)
            for name in sorted(name for name, each in places.items() if each.kind in STORES):
                if full.printed(before.with_step(Leave(idle_s, name)), step, tool).code in GOOD_ENOUGH:
                    yield (
                        f"{before.spool} is dried twice, the second time for job {placed.task.number}: kept in {name} "
                        "from its job before on, it would be dry enough without"
                    )
                    break


def _dried_and_fed(placed: ScheduledJob) -> Iterator[tuple[ScheduledDrying, Print, ToolSummary]]:
    """Yield each drying of a job with the print that it is for and the tool that the reel feeds there."""
    tools = {slot.tool.tool: slot.tool for slot in placed.task.slots}
    for drying in placed.dryings:
        for history, step in placed.steps:
            if history.spool == drying.before.spool:
                yield drying, step, tools[step.tool]


def _idle_from(memo: ForecastMemo, history: StepHistory) -> float:
    """Return when the last step of a spool was over. [s]"""
    step = history.step
    if isinstance(step, Dry):
        return step.out_s
    if isinstance(step, Print):
        return step.off_s or step.start_s + memo.jobs[step.job].open_air_s
    return memo.options.at_s if step is None else step.at_s
