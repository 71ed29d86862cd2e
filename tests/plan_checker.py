"""A checker of plans that knows nothing of how they are made: it reads the findings and the inputs alone.

``check`` asserts that nothing is used twice at a time, that dryers hold what they hold at one temperature, that
jobs begin when they may, that lengths add up, and that every forecast comes out again where one spool is taken alone.
"""

import itertools
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import pytest

from gcodetool.queue.findings import GOOD_ENOUGH, JobRow, QueueFindings
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.job_list import JobList
from gcodetool.queue.spool_steps import Dry, ForecastOptions, Print, Step, history_of
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
    found: QueueFindings, job_list: JobList, stock: Stock, *, holds: Mapping[str, int] | None = None
) -> None:
    """Assert that the plan can be carried out as it is written."""
    ran = [row for row in found.rows if row.start_s is not None and not row.held]
    _times(found, ran)
    _nothing_twice(found, ran, job_list)
    _dryers(found, dict(job_list.holds if holds is None else holds), stock)
    _verdicts(found)
    _alone(found, ran, job_list, stock)


def _times(found: QueueFindings, ran: Iterable[JobRow]) -> None:
    for row in ran:
        assert row.start_s is not None
        assert row.end_s is not None
        assert row.open_air_s is not None
        assert row.start_s >= found.as_of_s
        assert row.start_s >= (row.earliest_s or -math.inf)
        assert row.end_s - row.start_s == pytest.approx(row.open_air_s)
        if row.due_s is not None:
            assert row.in_time == (row.end_s <= row.due_s)


def apart(uses: Iterable[Use], turnaround_s: float = 0.0) -> None:
    """Assert that no two uses of one thing cross."""
    for one, other in itertools.pairwise(sorted(uses, key=lambda use: (use.begin_s, use.end_s))):
        assert other.begin_s >= one.end_s + turnaround_s - SLACK_S, f"{one.what} and {other.what}"


def _nothing_twice(found: QueueFindings, ran: Iterable[JobRow], job_list: JobList) -> None:
    printers: dict[str | None, list[Use]] = {}
    spools: dict[str, list[Use]] = {}
    for row in ran:
        use = Use(row.start_s or 0.0, row.end_s or 0.0, f"job {row.number}")
        printers.setdefault(row.printer, []).append(use)
        names = [tool.spool for tool in row.tools if tool.spool is not None]
        assert len(names) == len(set(names)), f"job {row.number} has one reel on two tools"
        for name in names:
            spools.setdefault(name, []).append(use)
    for each in found.dryings:
        use = Use(each.in_s, each.out_s, f"{each.spool} in {each.dryer}")
        spools.setdefault(each.spool, []).append(use)
        assert each.in_s >= found.as_of_s
    for uses in printers.values():
        apart(uses, job_list.turnaround_s)
    for uses in spools.values():
        apart(uses)


def _dryers(found: QueueFindings, holds: Mapping[str, int], stock: Stock) -> None:
    for each, other in itertools.combinations(found.dryings, 2):
        if each.dryer == other.dryer and each.in_s < other.out_s and other.in_s < each.out_s:
            assert each.temperature_C == pytest.approx(other.temperature_C), (
                f"two temperatures in {each.dryer}"
            )
    for each in found.dryings:
        inside = {
            other.spool
            for other in found.dryings
            if other.dryer == each.dryer and other.in_s <= each.in_s < other.out_s
        }
        assert len(inside) <= slots_of(each.dryer, holds, stock), f"too many reels in {each.dryer}"


def slots_of(dryer: str, holds: Mapping[str, int], stock: Stock) -> int:
    """Return how many reels a dryer takes: as asked for, else the least that a record states."""
    if dryer in holds:
        return holds[dryer]
    places = [spool.places[dryer] for spool in stock.spools.values() if dryer in spool.places]
    return min(place.slots or 1 for place in places)


def _verdicts(found: QueueFindings) -> None:
    for row in found.rows:
        good = bool(row.tools) and all(
            tool.code in GOOD_ENOUGH and tool.short_mm <= 1.0 for tool in row.tools
        )
        assert row.met == (good and row.in_time is not False and not row.held), f"job {row.number}"
    assert found.unmet == sum(not row.met for row in found.rows)


def _alone(found: QueueFindings, ran: Iterable[JobRow], job_list: JobList, stock: Stock) -> None:
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
            step = Print(jobs[key].digest, tool.tool, row.start_s or 0.0, row.printer)
            steps.setdefault(tool.spool, []).append((row.start_s or 0.0, step, row))
    for each in found.dryings:
        step_ = Dry(each.dryer, each.in_s, each.out_s, each.temperature_C)
        steps.setdefault(each.spool, []).append((each.in_s, step_, None))
    by_digest = {job.digest: job for job in jobs.values()}
    options = ForecastOptions(found.as_of_s, found.confidence, found.members, None, exposures=True)
    for name, entries in steps.items():
        memo = ForecastMemo({name: stock.spools[name]}, by_digest, job_list.printers, options)
        history, left_mm = history_of(name, ()), memo.left_mm(name)
        for _, step, row in sorted(entries, key=lambda entry: entry[0]):
            if row is not None and isinstance(step, Print):
                shown = next(tool for tool in row.tools if tool.spool == name)
                summary = next(tool for tool in by_digest[step.job].tools if tool.tool == step.tool)
                again = memo.printed(history, step, summary)
                assert (again.code, again.because) == (shown.code, shown.because), f"job {row.number}"
                assert again.worst_wt_pct == pytest.approx(shown.worst_wt_pct, rel=1e-9)
                if shown.left_mm is not None:
                    assert shown.left_mm == pytest.approx(left_mm, abs=1.0), (
                        f"length of {name}, job {row.number}"
                    )
                    left_mm -= shown.filament_mm
            history = history.with_step(step)
