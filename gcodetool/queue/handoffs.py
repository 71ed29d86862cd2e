"""A plan to what somebody has to do, in time order: put in, take out, mount and start, take parts off.

Left out: words (``report``).
"""

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Final, NamedTuple

from gcodetool.queue.begun import NOTHING_BEGUN, Begun
from gcodetool.queue.findings import Action, HandOff, WaitRow
from gcodetool.queue.schedule import Schedule, ScheduledJob
from gcodetool.queue.spool_steps import Leave, Print, StepHistory, begin_of
from gcodetool.quickdata import dataclass

ORDER: Final[tuple[Action, ...]] = (
    "clear",
    "take-out",
    "put-in",
    "start",
)  # of one moment: hands are freed first

SAME_S: Final = 1e-3


@dataclass(frozen=True)
class ReelMoves:
    """Where each reel goes in the plan.

    Attributes
    ----------
    fed : by reel, (start, printer) of the jobs that it feeds.
    dried : by reel, when it is put into a dryer, to be dried or to wait.
    """

    fed: Mapping[str, Sequence[tuple[float, str | None]]]
    dried: Mapping[str, Sequence[float]]

    def goes_on(self, spool: str, from_s: float, to_s: float) -> bool:
        """Return whether a reel goes straight on to another job, or into a dryer, at some moment of these."""
        moments = (*(start_s for start_s, _ in self.fed.get(spool, ())), *self.dried.get(spool, ()))
        return any(from_s <= moment <= to_s for moment in moments)

    def taken_next(self, spool: str, since_s: float, at_s: float, printer: str | None) -> bool:
        """Return whether a job takes a reel at that moment whose line comes after this printer's, or is the same.

        Not one that was put into a dryer meanwhile: it is off already.
        """
        if any(since_s <= moment < at_s for moment in self.dried.get(spool, ())):
            return False
        return any(
            start_s == at_s and (where or "") >= (printer or "") for start_s, where in self.fed.get(spool, ())
        )


def reel_moves(placed: Sequence[ScheduledJob]) -> ReelMoves:
    """Return where the reels of the jobs that are run go."""
    fed: dict[str, list[tuple[float, str | None]]] = {}
    dried: dict[str, list[float]] = {}
    for each in placed:
        for history, _ in each.steps:
            fed.setdefault(history.spool, []).append((each.start_s, each.task.printer))
        for inside in each.inside:
            dried.setdefault(inside.before.spool, []).append(inside.step.in_s)
    return ReelMoves(fed, dried)


class JobEnd(NamedTuple):
    """A job that ends in the plan, or that an earlier plan began.

    ``fed`` is (tool, spool) of its reels; ``boxed``: those of them that stand in a box.
    """

    printer: str | None
    end_s: float
    number: int
    fed: tuple[tuple[int, str], ...]
    boxed: frozenset[str]


def handoffs_of(done: Schedule, begun: Begun = NOTHING_BEGUN) -> list[HandOff]:
    """Return all that is to be done by hand for the jobs that are run, by time, and for what an earlier plan began."""
    found: list[HandOff] = []
    starts: dict[tuple[str | None, float], int] = {}
    placed = [each for each in done.all() if not each.held]
    ends = [*_running(done, begun), *(_end(each) for each in placed)]
    by_start = {
        (end.printer, done.presence.next_s(end.end_s) + done.turnaround_s): end for end in reversed(ends)
    }
    moves = reel_moves(placed)
    for each in placed:
        starts[(each.task.printer, each.start_s)] = each.task.number
        found += _dryings(done, each)
        found += _waits(each)
        cleared = by_start.get((each.task.printer, each.start_s))
        found.append(_start(done, each, begun, cleared, moves))
    for end in ends:
        at_s = done.presence.next_s(end.end_s)
        if (end.printer, at_s + done.turnaround_s) not in starts:
            spools = tuple(spool for _, spool in end.fed)
            back = _comes_back(done, end, end.fed, moves, at_s, at_s)
            found.append(HandOff(at_s, "clear", end.printer, spools, end.number, off=tuple(back)))
    seen_to = [(name, each.at_s) for each in found for name in each.straight]
    seen_to += [(name, each.at_s) for each in found if each.waits and each.stands for name in each.spools]
    for inside in begun.inside:
        if inside.progress == "running" and not any(
            inside.spool == name and same_moment(inside.out_s, at_s) for name, at_s in seen_to
        ):
            waits = inside.waits if isinstance(inside, WaitRow) else None
            number, out_s = inside.for_number, inside.out_s
            found.append(HandOff(out_s, "take-out", inside.dryer, (inside.spool,), number, waits=waits))
    for name, history in sorted(done.histories.items()):
        for step in history.steps:
            if isinstance(step, Leave) and step.at_s >= done.at_s:
                found.append(HandOff(step.at_s, "take-out", _dryer_of(done, name), (name,)))
    return sorted(
        found, key=lambda each: (each.at_s, ORDER.index(each.action), each.where or "", each.number or 0)
    )


def _comes_back(
    done: Schedule,
    end: JobEnd,
    fed: Sequence[tuple[int, str]],
    moves: ReelMoves,
    from_s: float,
    to_s: float,
) -> Iterator[tuple[str, str | None]]:
    """Yield reels of a job that is over with the place that each goes back to; what lives there, or goes on, is left out."""
    for _, spool in fed:
        if _lives_elsewhere(done, end, spool) and not moves.goes_on(spool, from_s, to_s):
            yield spool, _back_to(done, spool, end.end_s)


def _lives_elsewhere(done: Schedule, end: JobEnd, spool: str) -> bool:
    """Return whether a reel of a job that is over does not hang on its printer when nothing is done with it."""
    return done.homes.get(spool) is not None or spool in end.boxed


def same_moment(one_s: float, other_s: float) -> bool:
    """Return whether two moments are one; a plan in a file has them in whole microseconds."""
    return abs(one_s - other_s) <= SAME_S


def _end(placed: ScheduledJob) -> JobEnd:
    fed = tuple((step.tool, history.spool) for history, step in placed.steps)
    boxed = frozenset(history.spool for history, step in placed.steps if step.box is not None)
    return JobEnd(placed.task.printer, placed.end_s, placed.task.number, fed, boxed)


def _running(done: Schedule, begun: Begun) -> list[JobEnd]:
    """Return the jobs that an earlier plan began and whose parts are still on the printer."""
    return [
        JobEnd(
            row.printer,
            row.end_s,
            row.number,
            tuple((tool.tool, tool.spool) for tool in row.tools if tool.spool is not None),
            frozenset(tool.spool for tool in row.tools if tool.spool is not None and tool.box is not None),
        )
        for row in begun.rows
        if row.end_s is not None and done.presence.next_s(row.end_s) > done.at_s
    ]


def _dryings(done: Schedule, placed: ScheduledJob) -> list[HandOff]:
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
                stands=stands_in(done, each.before, step.dryer),
            )
        )
        if step.out_s < placed.start_s and not any(wait.before.step == step for wait in placed.waits):
            back = ((spool, home),) if (home := done.homes.get(spool)) is not None else ()
            found.append(HandOff(step.out_s, "take-out", step.dryer, (spool,), placed.task.number, off=back))
    return found


def _waits(placed: ScheduledJob) -> Iterator[HandOff]:
    """Yield what reels ask for that wait in a dryer for a job; they are taken out with its start."""
    for each in placed.waits:
        step = each.step
        yield HandOff(
            step.in_s,
            "put-in",
            step.dryer,
            (each.before.spool,),
            placed.task.number,
            temperature_C=step.temperature_C if step.waits == "warm" else None,
            knob_C=each.knob_C,
            until_s=step.out_s,
            stands=each.stays,
            waits=step.waits,
        )


def _start(
    done: Schedule, placed: ScheduledJob, begun: Begun, cleared: JobEnd | None, moves: ReelMoves
) -> HandOff:
    """Return the start of a job: what is mounted for it, whose parts and reels come off first."""
    printer, start_s = placed.task.printer, placed.start_s
    there = {} if cleared is None else dict(cleared.fed)
    given = {each.spool: each for each in placed.assignments if each.spool is not None}
    new: list[str] = []
    again: list[str] = []
    off: list[tuple[str, str | None]] = []
    for history, step in placed.steps:
        spool, hung = history.spool, hung_before(done, printer, step.tool, start_s)
        if hung != given[spool].hung:
            new.append(spool)
        elif not _hangs_still(done, history, printer, step.tool, there.get(step.tool)):
            again.append(spool)
        lives = (
            hung is not None
            and hung in done.homes
            and _hangs_still(done, _until(done, hung, start_s), printer, step.tool, None)
        )
        before = there.get(step.tool) or (hung if lives else None)
        since_s = start_s - done.turnaround_s if cleared is not None else start_s
        if before is None or before == spool:
            continue
        if not moves.goes_on(before, since_s, start_s):
            boxed = cleared is not None and before in cleared.boxed
            off.append((before, _back_to(done, before, start_s) if boxed else done.homes.get(before)))
        elif moves.taken_next(before, since_s, start_s, printer):
            off.append((before, None))  # whose line says where it goes comes after this one
    if cleared is not None:
        off += _from_other_tools(done, placed, cleared, moves)
    out = {each.before.spool for each in placed.inside if each.step.out_s == start_s}
    running = (each for each in begun.inside if each.progress == "running")
    out |= {each.spool for each in running if same_moment(each.out_s, start_s)}
    out |= {
        stay.spool for stays in done.stays.values() for stay in stays if stay.stood and stay.out_s == start_s
    }
    into = (name for name, each in given.items() if each.box and not done.boxes.lives_in(name, each.box))
    return HandOff(
        start_s,
        "start",
        printer,
        tuple(history.spool for history, _ in placed.steps),
        placed.task.number,
        mounted=tuple(new),
        straight=tuple(history.spool for history, _ in placed.steps if history.spool in out),
        cleared=None if cleared is None else cleared.number,
        until_s=placed.end_s,
        boxed=tuple((name, each.box) for name, each in given.items() if each.box),
        into=tuple(name for name in into if name in {*new, *again}),
        again=tuple(again),
        fetched=tuple(_fetched(done, placed, {*new, *again} - out)),
        off=tuple(off),
    )


def _from_other_tools(
    done: Schedule, placed: ScheduledJob, cleared: JobEnd, moves: ReelMoves
) -> Iterator[tuple[str, str | None]]:
    """Yield the reels of the job before that fed tools which this one leaves alone, and where they go."""
    tools, spools = {step.tool for _, step in placed.steps}, {history.spool for history, _ in placed.steps}
    since_s, start_s = placed.start_s - done.turnaround_s, placed.start_s
    idle = [(tool, spool) for tool, spool in cleared.fed if tool not in tools and spool not in spools]
    yield from _comes_back(done, cleared, idle, moves, since_s, start_s)
    for _, spool in idle:
        if _lives_elsewhere(done, cleared, spool) and moves.taken_next(
            spool, since_s, start_s, placed.task.printer
        ):
            yield spool, None  # whose line says where it goes comes after this one


def _fetched(done: Schedule, placed: ScheduledJob, spools: Collection[str]) -> Iterator[tuple[str, str]]:
    """Yield where each of these reels of a job is before it: in its place, or on another printer that it comes off."""
    for history, step in placed.steps:
        last, home = history.step, done.homes.get(history.spool)
        on = last.printer if isinstance(last, Print) else _hangs_at(done, history.spool)
        straight = isinstance(last, Print) and _comes_off(done, last) >= step.start_s - done.turnaround_s
        where = home if home is not None and not straight else on
        if history.spool in spools and where is not None and where != step.printer:
            yield history.spool, where


def _comes_off(done: Schedule, step: Print) -> float:
    """Return when a reel is taken off its printer after a job; long ago where that was no job of this plan."""
    if step.off_s is not None:
        return step.off_s
    began = (
        each for each in done.all() if each.task.printer == step.printer and each.start_s == step.start_s
    )
    return next((each.end_s for each in began), -math.inf)


def _back_to(done: Schedule, spool: str, at_s: float) -> str | None:
    """Return where a reel goes that comes out of a box, or off a printer: to its place, else to the printer it hung on."""
    home = done.homes.get(spool)
    if home is not None:
        return home
    hung = (
        part.step.printer
        for part in reversed(_until(done, spool, at_s).parts())
        if isinstance(part.step, Print) and part.step.box is None
    )
    return next(hung, _hangs_at(done, spool))


def _hangs_at(done: Schedule, spool: str) -> str | None:
    """Return the printer that a reel hangs on when the plan begins; None: on none."""
    return next(
        (
            printer
            for (printer, _), uses in done.mounted.items()
            if uses and uses[0].hung == spool and uses[0].start_s == -math.inf
        ),
        None,
    )


def _hangs_still(
    done: Schedule, history: StepHistory, printer: str | None, tool: int, before: str | None
) -> bool:
    """Return whether a reel that hung on that tool last hangs there still; *before*: what the job just before it fed."""
    last = history.step
    if last is None:
        return done.homes.get(history.spool) is None
    if not isinstance(last, Print) or (last.printer, last.tool) != (printer, tool):
        return False
    return before == history.spool or (last.box is None and done.homes.get(history.spool) is None)


def _until(done: Schedule, spool: str, at_s: float) -> StepHistory:
    """Return what happens to a spool before a moment."""
    parts = done.steps_of(spool).parts()
    return next(part for part in parts[::-1] if part.step is None or begin_of(part.step) < at_s)


def hung_before(done: Schedule, printer: str | None, tool: int, at_s: float) -> str | None:
    """Return what is at a printer's tool just before a moment, as ``Schedule.mounted`` has it."""
    uses = [use.hung for use in done.mounted.get((printer, tool), ()) if use.start_s < at_s]
    return uses[-1] if uses else None


def stands_in(done: Schedule, before: StepHistory, dryer: str) -> bool:
    """Return whether a spool has stood in a dryer since before the plan, so that nobody has to put it in."""
    return before.step is None and _dryer_of(done, before.spool) == dryer


def _dryer_of(done: Schedule, spool: str) -> str | None:
    """Return the dryer that a spool stands in without a plan."""
    first = done
    for before, _ in done.history():
        first = before
    return next(
        (dryer for dryer, stays in first.stays.items() if any(stay.spool == spool for stay in stays)), None
    )
