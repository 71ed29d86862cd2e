"""A checker of plans that knows nothing of how they are made: it reads the findings and the inputs alone.

``check`` asserts that nothing is used twice at a time, that dryers hold what they hold at one temperature, that
jobs begin when they may, that lengths add up, and that every forecast comes out again where one spool is taken alone.
"""

import itertools
import math
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime

import pytest

from gcodetool.moisture.record import Spool
from gcodetool.queue.findings import GOOD_ENOUGH, DryingRow, JobRow, QueueFindings, ToolRow, WaitRow
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.job_list import JobList
from gcodetool.queue.spool_steps import (
    NO_PASTS,
    Dry,
    ForecastOptions,
    Leave,
    Pasts,
    Print,
    Step,
    StepHistory,
    history_of,
)
from gcodetool.queue.summary import JobSummary, summarise
from gcodetool.queue.tasks import Stock

SLACK_S = 1e-3
Span = tuple[float, float]


@dataclass(frozen=True)
class Use:
    """A stretch in which something is in use; ``what`` for messages."""

    begin_s: float
    end_s: float
    what: str


def check(
    found: QueueFindings,
    job_list: JobList,
    stock: Stock,
    *,
    holds: Mapping[str, int] | None = None,
    went_otherwise: bool = False,
) -> None:
    """Assert that the plan can be carried out as it is written.

    ``went_otherwise``: not all that an earlier plan began was begun, so that rows of the rest, as that plan had them, are
    not what came of them.
    """
    ran = [row for row in found.rows if row.start_s is not None and not row.held]
    _times(found, ran)
    _people(found, ran, job_list, noted_since(found, stock))
    _nothing_twice(found, ran, job_list)
    _boxes(found, ran, job_list, stock)
    _dryers(found, dict(job_list.holds if holds is None else holds), stock)
    _waits(found, ran, stock)
    _verdicts(found)
    _alone(found, ran, job_list, stock, went_otherwise=went_otherwise)


def _times(found: QueueFindings, ran: Iterable[JobRow]) -> None:
    for row in ran:
        assert row.start_s is not None
        assert row.end_s is not None
        assert row.open_air_s is not None
        if row.progress is None:
            assert row.start_s >= found.as_of_s
        else:
            assert found.begun_s is not None
            assert found.begun_s <= row.start_s < found.as_of_s
            assert row.progress == ("done" if row.end_s <= found.as_of_s else "running")
        assert row.start_s >= (row.earliest_s or -math.inf)
        assert row.end_s - row.start_s == pytest.approx(row.open_air_s)
        if row.due_s is not None:
            assert row.in_time == (row.end_s <= row.due_s)


def somebody(job_list: JobList, at_s: float) -> bool:
    """Return whether somebody is there, window by window; both ends count."""
    if not job_list.presence.windows:
        return True
    moment = datetime.fromtimestamp(at_s)
    minutes = moment.hour * 60 + moment.minute + (moment.second + moment.microsecond / 1e6) / 60
    return any(
        window.from_min <= minutes + 1440 * days <= window.to_min + SLACK_S
        for window in job_list.presence.windows
        for days in (0, 1)
        if (moment.weekday() - days) % 7 == window.day
    )


def noted_since(found: QueueFindings, stock: Stock) -> frozenset[str]:
    """Return the reels of which something was noted since the plan that was begun: that counts, and the plan does not."""
    if found.begun_s is None:
        return frozenset()
    return frozenset(
        name
        for name, spool in stock.spools.items()
        if any(found.begun_s < event.at_s <= found.as_of_s for event in spool.events)
    )


def _people(found: QueueFindings, ran: Iterable[JobRow], job_list: JobList, noted: Collection[str]) -> None:
    """Assert that hands are needed only while somebody is there, and that the list of what to do is whole."""
    for each in found.handoffs:
        assert somebody(job_list, each.at_s), each
    for each, after in itertools.pairwise(found.handoffs):
        assert each.at_s <= after.at_s
    starts = {(each.number, each.at_s, each.where) for each in found.handoffs if each.action == "start"}
    assert starts == {(row.number, row.start_s, row.printer) for row in ran if row.progress is None}
    ins = [
        (each.spools[0], each.at_s) for each in found.handoffs if each.action == "put-in" and not each.waits
    ]
    assert sorted(ins) == sorted((each.spool, each.in_s) for each in found.dryings if each.progress is None)
    outs = [(name, each.at_s) for each in found.handoffs for name in each.spools]
    for each in found.inside:
        if each.progress == "done":
            continue
        taken = any(name == each.spool and abs(at_s - each.out_s) <= SLACK_S for name, at_s in outs)
        assert taken, f"nobody takes {each.spool} out"
        if each.dryer not in job_list.unattended and not is_off(each):
            steps = range(int(each.in_s), int(each.out_s), 300)
            assert all(somebody(job_list, at_s) for at_s in steps), (
                f"{each.dryer} is hot while nobody is there"
            )
    assert found.heat_s == pytest.approx(sum(_hot(found)))
    _mounted(found, ran, noted)
    _hands(found, ran)


def is_off(each: DryingRow | WaitRow) -> bool:
    """Return whether a dryer is not heated while a reel is in it."""
    return isinstance(each, WaitRow) and each.waits == "off"


def _hot(found: QueueFindings) -> Iterator[float]:
    """Yield the lengths in which any dryer is hot."""
    hot = [each for each in found.inside if each.progress != "done" and not is_off(each)]
    for dryer in {each.dryer for each in hot}:
        last = -math.inf
        stays = sorted((each.in_s, each.out_s) for each in hot if each.dryer == dryer)
        for in_s, out_s in stays:
            yield max(0.0, out_s - max(in_s, last))
            last = max(last, out_s)


def _mounted(found: QueueFindings, ran: Iterable[JobRow], noted: Collection[str]) -> None:
    """Assert that each reel which did not hang there is mounted, and that the count is true; what was noted since counts."""
    mounted = 0
    starts = {each.number: each for each in found.handoffs if each.action == "start"}
    hung: dict[tuple[str | None, int], str] = {}
    for row in sorted(ran, key=lambda row: row.start_s or 0.0):
        for tool in row.tools:
            if tool.spool is None:
                continue
            before, now = hung.get((row.printer, tool.tool)), f"{tool.spool} {tool.box}"
            if row.progress is not None:
                hung.pop((row.printer, tool.tool), None)
                if tool.spool not in noted:
                    hung[(row.printer, tool.tool)] = now
                continue
            new = tool.spool in starts[row.number].mounted
            assert before is None or new == (before != now), f"mounting for job {row.number}"
            hung[(row.printer, tool.tool)] = now
            mounted += new
    assert mounted == found.changes


def _hands(found: QueueFindings, ran: Iterable[JobRow]) -> None:
    """Follow the list by hand: every reel that a job needs is mounted when it starts, on a spindle that is free."""
    rows = {row.number: row for row in ran}
    hangs: dict[tuple[str | None, int], str] = {}
    begun = {row.number for row in ran if row.progress is not None}
    for row in rows.values():
        if row.progress == "running":
            hangs |= {(row.printer, tool.tool): tool.spool for tool in row.tools if tool.spool is not None}
    unknown = {(row.printer, tool.tool) for row in rows.values() for tool in row.tools} - set(hangs)
    for each in found.handoffs:
        gone = {name for name, _ in each.off} if each.action != "take-out" else set()
        here = {name for (printer, _), name in hangs.items() if printer == each.where}
        if each.number not in begun and not any(printer == each.where for printer, _ in unknown):
            assert gone <= here, f"{gone - here} does not hang on {each.where}"
        if each.action in ("put-in", "take-out"):
            gone |= set(each.spools)
        hangs = {where: name for where, name in hangs.items() if name not in gone}
        if each.action != "start":
            continue
        row = rows[each.number or 0]
        for tool in row.tools:
            where, brought = (row.printer, tool.tool), {*each.mounted, *each.again}
            if tool.spool in brought or where in unknown:
                # what hung there when the plan began, nobody tells the checker; from the first job on it knows
                assert hangs.get(where) in (None, tool.spool), (
                    f"{hangs.get(where)} is left on for job {row.number}"
                )
                hangs = {one: name for one, name in hangs.items() if name != tool.spool}
                hangs[where] = tool.spool
            assert hangs.get(where) == tool.spool, f"{tool.spool} is not on for job {row.number}"
            unknown.discard(where)


def apart(uses: Iterable[Use], turnaround_s: float = 0.0) -> None:
    """Assert that no two uses of one thing cross."""
    for one, other in itertools.pairwise(sorted(uses, key=lambda use: (use.begin_s, use.end_s))):
        assert other.begin_s >= one.end_s + turnaround_s - SLACK_S, f"{one.what} and {other.what}"


def _nothing_twice(found: QueueFindings, ran: Iterable[JobRow], job_list: JobList) -> None:
    printers: dict[str | None, list[Use]] = {}
    spools: dict[str, list[Use]] = {}
    begun = {f"job {row.number}" for row in ran if row.progress is not None}
    for row in ran:
        use = Use(row.start_s or 0.0, row.end_s or 0.0, f"job {row.number}")
        printers.setdefault(row.printer, []).append(use)
        names = [tool.spool for tool in row.tools if tool.spool is not None]
        assert len(names) == len(set(names)), f"job {row.number} has one reel on two tools"
        for name in names:
            spools.setdefault(name, []).append(use)
    for each in found.inside:
        use = Use(each.in_s, each.out_s, f"{each.spool} in {each.dryer}")
        spools.setdefault(each.spool, []).append(use)
        assert (each.in_s >= found.as_of_s) == (each.progress is None)
    for uses in printers.values():
        apart(uses, job_list.turnaround_s)
        for one, other in itertools.pairwise(sorted(uses, key=lambda use: use.begin_s)):
            come = one.end_s
            while not somebody(job_list, come) and come < other.begin_s:
                come += 30.0
            assert other.begin_s + 30.0 >= come + job_list.turnaround_s, f"no time to clear for {other.what}"
    for name, until in job_list.busy.items():
        assert all(use.begin_s >= until for use in printers.get(name, ()) if use.what not in begun), name
    for uses in spools.values():
        apart(uses)


def _boxes(found: QueueFindings, ran: Iterable[JobRow], job_list: JobList, stock: Stock) -> None:
    """Assert that a box stands at one printer at a time, where its profile allows it, with no more reels than it takes."""
    starts = {each.number: each for each in found.handoffs if each.action == "start"}
    uses: dict[str, list[Use]] = {}
    room: dict[str, tuple[set[str], int]] = {}
    for row in ran:
        inside: dict[str, set[str]] = {}
        for tool in row.tools:
            if tool.box is not None and tool.spool is not None:
                inside.setdefault(tool.box, set()).add(tool.spool)
        if row.progress is None:
            told = {(spool, box) for spool, box in starts[row.number].boxed}
            assert told == {(spool, box) for box, spools in inside.items() for spool in spools}
        for box, spools in inside.items():
            profile = None if row.printer is None else job_list.printers[row.printer].profile
            assert profile is not None
            assert box in profile.feed_places, f"{box} at {row.printer}"
            places = [spool.places[box] for spool in stock.spools.values() if box in spool.places]
            assert {place.kind for place in places} == {"box"}
            lives = {name for name, spool in stock.spools.items() if _now_in(spool, found.as_of_s) == box}
            stated = [place.slots for place in places if place.slots is not None]
            holds = min(stated) if stated else max(1, len(lives))
            assert len(lives | spools) <= holds, f"too many reels in {box}"
            if row.progress is None:
                new = {*starts[row.number].mounted, *starts[row.number].again}
                assert set(starts[row.number].into) & spools == (spools - lives) & new
            uses.setdefault(box, []).append(Use(row.start_s or 0.0, _off(row, job_list), f"job {row.number}"))
            room[box] = lives, holds
    for each in uses.values():
        apart(each)
    _room(found, ran, room)


def _room(found: QueueFindings, ran: Iterable[JobRow], room: dict[str, tuple[set[str], int]]) -> None:
    """Follow the list by hand: no box ever holds more reels than it takes; who is not told to come out is in it still."""
    inside = {box: set(lives) for box, (lives, _) in room.items()}
    for row in ran:
        if row.progress == "running":
            for tool in row.tools:
                if tool.box is not None and tool.spool is not None:
                    inside[tool.box].add(tool.spool)
    for each in found.handoffs:
        gone = {*(name for name, _ in each.off), *each.spools}
        for box, (lives, holds) in room.items():
            if each.action != "clear":
                inside[box] -= gone - lives
            else:
                inside[box] -= {name for name, _ in each.off} - lives
            if each.action == "start":
                inside[box] |= {spool for spool, where in each.boxed if where == box}
            assert len(inside[box]) <= holds, (
                f"{sorted(inside[box])} are in {box} at the {each.action} of {each.number}"
            )


def _now_in(spool: Spool, at_s: float) -> str | None:
    """Return the place that a record has the spool in."""
    return next((event.place for event in reversed(spool.events) if event.at_s <= at_s and event.place), None)


def _off(row: JobRow, job_list: JobList) -> float:
    """Return when the reels of a job are taken off: when somebody is there next."""
    off_s = row.end_s or 0.0
    if somebody(job_list, off_s):
        return off_s
    return min(
        span[0] for span in job_list.presence.spans(off_s) if span[0] >= off_s and somebody(job_list, span[0])
    )


def _dryers(found: QueueFindings, holds: Mapping[str, int | None], stock: Stock) -> None:
    for each, other in itertools.combinations(found.inside, 2):
        if each.dryer == other.dryer and each.in_s < other.out_s and other.in_s < each.out_s:
            assert each.temperature_C == pytest.approx(other.temperature_C), (
                f"two temperatures in {each.dryer}"
            )
            assert not is_off(each), f"{other.spool} is in {each.dryer}, which is off"
            assert not is_off(other), f"{each.spool} is in {each.dryer}, which is off"
    for each in found.inside:
        inside = {
            other.spool
            for other in found.inside
            if other.dryer == each.dryer and other.in_s <= each.in_s < other.out_s
        }
        assert len(inside) <= slots_of(each.dryer, holds, stock), f"too many reels in {each.dryer}"


def _waits(found: QueueFindings, ran: Iterable[JobRow], stock: Stock) -> None:
    """Assert that only what was dried waits, in the same dryer, off or as hot as then, for a job that takes it out."""
    told = {
        (each.spools[0], each.where, each.at_s, each.until_s, each.waits, each.stands): each
        for each in found.handoffs
        if each.action == "put-in" and each.waits
    }
    planned = [each for each in found.waits if each.progress is None]
    assert set(told) == {
        (each.spool, each.dryer, each.in_s, each.out_s, each.waits, each.stays) for each in planned
    }
    rows = {row.number: row for row in ran}
    for each in found.waits:
        place = stock.spools[each.spool].places[each.dryer]
        dried = [one for one in found.dryings if one.spool == each.spool and one.out_s <= each.in_s + SLACK_S]
        warm_s = sum(
            one.out_s - one.in_s
            for one in found.waits
            if one.spool == each.spool and one.waits == "warm" and dried[-1].out_s <= one.in_s <= each.in_s
        )
        assert dried[-1].dryer == each.dryer, f"{each.spool} was dried elsewhere"
        if each.waits == "off":
            room = stock.spools[each.spool].places[place.room or ""]
            assert place.exchange_m3_h is not None, f"the room's air goes through {each.dryer}"
            assert each.temperature_C == pytest.approx(room.temperature_C)
            assert not each.cautions
        else:
            assert place.exchange_m3_h is None
            assert each.temperature_C == dried[-1].temperature_C
            assert warm_s <= dried[-1].out_s - dried[-1].in_s + SLACK_S, f"{each.spool} is kept warm for long"
            assert each.cautions
        if each.progress is not None:
            continue
        order = told[(each.spool, each.dryer, each.in_s, each.out_s, each.waits, each.stays)]
        assert order.temperature_C == (None if each.waits == "off" else each.temperature_C)
        ended = (one.out_s for one in found.inside if one.spool == each.spool)
        assert each.stays == any(abs(out_s - each.in_s) <= SLACK_S for out_s in ended)
        row = rows[each.for_number]
        assert row.start_s == each.out_s
        assert row.met
        start = next(one for one in found.handoffs if one.action == "start" and one.number == row.number)
        assert each.spool in start.straight
        assert each.spool in (*start.mounted, *start.again)


def slots_of(dryer: str, holds: Mapping[str, int | None], stock: Stock) -> int:
    """Return how many reels a dryer takes: as asked for, else the least that a record states."""
    stated = holds.get(dryer)
    if stated is not None:
        return stated
    places = [spool.places[dryer] for spool in stock.spools.values() if dryer in spool.places]
    return min(place.slots or 1 for place in places)


def _verdicts(found: QueueFindings) -> None:
    for row in found.rows:
        good = bool(row.tools) and all(
            tool.code in GOOD_ENOUGH and tool.short_mm <= 1.0 for tool in row.tools
        )
        assert row.met == (good and row.in_time is not False and not row.held), f"job {row.number}"
    assert found.unmet == sum(not row.met for row in found.rows)


def beside_in(
    found: QueueFindings,
    one: DryingRow,
    stock: Stock,
    steps: Mapping[str, list[tuple[float, Step, JobRow | None]]],
) -> tuple[StepHistory, ...]:
    """Return the other reels in a dryer that keeps its own air, as they are when one goes in."""
    place = stock.spools[one.spool].places[one.dryer]
    if place.room is not None and place.exchange_m3_h is None:
        return ()  # the room's air goes through it
    inside = []
    for other in sorted(found.dryings, key=lambda each: (each.in_s, each.spool)):
        same = other.dryer == one.dryer and other.spool != one.spool
        if same and other.in_s < one.out_s and one.in_s < other.out_s:
            known = sorted(steps.get(other.spool, ()), key=lambda entry: entry[0])
            before = history_of(other.spool, [step for at_s, step, _ in known if at_s < other.in_s])
            if other.in_s < one.in_s:
                before = before.with_step(Dry(one.dryer, other.in_s, one.in_s, other.temperature_C))
            inside.append(before)
    return tuple(inside)


def _alone(
    found: QueueFindings, ran: Iterable[JobRow], job_list: JobList, stock: Stock, *, went_otherwise: bool
) -> None:
    """Forecast every reel again, alone, along what the plan says is done with it."""
    jobs: dict[tuple[str, str | None], JobSummary] = {}
    steps: dict[str, list[tuple[float, Step, JobRow | None]]] = {}
    for row in ran:
        for tool in row.tools:
            if tool.spool is None:
                continue
            key = (row.path, row.printer)
            if key not in jobs:
                request = job_list.requests[row.number - 1]
                machine = None if row.printer is None else job_list.printers[row.printer].profile
                wound = {
                    at or 0: stock.spools[each.spool].diameter_mm
                    for at, each in request.tools.items()
                    if each.spool is not None and each.spool in stock.spools
                }
                jobs[key] = summarise(request.path, printer=machine, diameters=wound)
            off_s = _off(row, job_list)
            late = off_s if off_s > (row.end_s or 0.0) else None
            step = Print(jobs[key].digest, tool.tool, row.start_s or 0.0, row.printer, late, tool.box)
            steps.setdefault(tool.spool, []).append((row.start_s or 0.0, step, row))
    for each in found.inside:
        beside = beside_in(found, each, stock, steps) if isinstance(each, DryingRow) else ()
        waits = each.waits if isinstance(each, WaitRow) else None
        step_ = Dry(each.dryer, each.in_s, each.out_s, each.temperature_C, beside, waits)
        steps.setdefault(each.spool, []).append((each.in_s, step_, None))
    for each in found.handoffs:
        if each.action == "take-out" and each.number is None:
            steps.setdefault(each.spools[0], []).append((each.at_s, Leave(each.at_s), None))
    for name, at_s in found.made_room:
        steps.setdefault(name, []).append((at_s, Leave(at_s), None))
    by_digest = {job.digest: job for job in jobs.values()}
    options = ForecastOptions(found.as_of_s, found.confidence, found.members, None, exposures=True)
    for name, entries in steps.items():
        pasts = NO_PASTS
        if found.begun_s is not None and any(at_s < found.as_of_s for at_s, _, _ in entries):
            if name in noted_since(found, stock):
                continue
            pasts = Pasts(since={name: found.begun_s})
        shared = any(isinstance(step, Dry) and step.beside for _, step, _ in entries)
        alone = dict(stock.spools) if shared else {name: stock.spools[name]}
        memo = ForecastMemo(alone, by_digest, job_list.printers, options, pasts=pasts)
        history, left_mm = history_of(name, ()), memo.left_mm(name)
        for _, step, row in sorted(entries, key=lambda entry: entry[0]):
            if row is not None and isinstance(step, Print):
                shown = next(tool for tool in row.tools if tool.spool == name)
                summary = next(tool for tool in by_digest[step.job].tools if tool.tool == step.tool)
                if went_otherwise and row.progress is not None:
                    left_mm -= shown.filament_mm
                    history = history.with_step(step)
                    continue
                last = history.step
                if (
                    row.progress is None
                    and isinstance(last, Dry)
                    and last.waits is not None
                    and history.before
                ):
                    _needed(found, name, step.start_s, memo.printed(history.before, step, summary))
                again = memo.printed(history, step, summary)
                assert (again.code, again.because) == (shown.code, shown.because), f"job {row.number}"
                if shown.worst_wt_pct is None:
                    assert again.worst_wt_pct is None
                else:
                    assert again.worst_wt_pct == pytest.approx(shown.worst_wt_pct, rel=1e-9)
                if shown.left_mm is not None:
                    assert shown.left_mm == pytest.approx(left_mm, abs=1.0), (
                        f"length of {name}, job {row.number}"
                    )
                    left_mm -= shown.filament_mm
            history = history.with_step(step)


def _needed(found: QueueFindings, name: str, start_s: float, undried: ToolRow) -> None:
    """Assert that a reel waits in a dryer only where its job would not make it otherwise, and that this is told truly."""
    told = next(each for each in found.waits if each.spool == name and abs(each.out_s - start_s) <= SLACK_S)
    assert undried.code not in GOOD_ENOUGH
    assert (undried.code, undried.because) == (told.undried, told.because)
