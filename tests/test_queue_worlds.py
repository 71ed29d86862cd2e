"""Random workshops: every plan can be carried out, as an independent checker sees it."""

import math
import os
import pathlib
import random
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from plan_checker import check
from plan_oracle import GaveUpError, better_than
from queue_varied import carried_out
from queue_world import HOUR, NOW, job, spool, stock
from queue_worlds import asked_of, draw_world, random_world

from gcodetool.moisture.solver import COMPILED
from gcodetool.queue import choice, exchange, groups, optimise, plan
from gcodetool.queue.executors import SerialExecutor
from gcodetool.queue.exhaustive import ExhaustiveSearch, state_of
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.handoffs import handoffs_of
from gcodetool.queue.job_list import JobList, JobRequest, by_profile, from_paths
from gcodetool.queue.placing import schedule_job
from gcodetool.queue.presence import presence_of
from gcodetool.queue.schedule import Cost, DryerStay, Schedule, Task
from gcodetool.queue.search import greedy, improved, ways
from gcodetool.queue.spool_steps import Leave, StepHistory
from gcodetool.queue.table import TableTimeError, table_of
from gcodetool.queue.tasks import Stock

LONG = os.environ.get("GCODETOOL_HYPOTHESIS") == "long"
FORECASTS = 20_000 if LONG else 1000  # that the oracle may ask for
SLOW = pytest.mark.skipif(not COMPILED, reason="thousands of forecasts")


@SLOW
@settings(
    phases=[Phase.explicit, Phase.generate],
    max_examples=int(os.environ.get("WORLDS", "1000")) if LONG else 12,
)
@given(data=st.data())
def test_every_plan_can_be_carried_out(data, tmp_path_factory) -> None:
    job_list, shelf = draw_world(data, tmp_path_factory.mktemp("world"))
    found = plan.plan(job_list, shelf, at_s=NOW, members=1)
    check(found, job_list, shelf)


@SLOW
@pytest.mark.parametrize("seed", range(1000) if LONG else [0, 17, 105, 111, 199, 211, 923])
def test_workshops_of_every_kind_can_be_carried_out(seed, tmp_path, monkeypatch) -> None:
    """Boxes, own air, slots, colours, free order, broken files; the first one is taken up again later.

    Plans could not be carried out in some: a reel on a tool that the next job leaves alone was not told to leave its
    box (105), one that was fed from a box took that box's water along into its bag (199), one that stood in a dryer
    was fetched from the bench (211), a begun plan reckoned a reel from another moment than its record (111),
    one that waited in a dryer was to be taken off its printer once more (923).
    """
    monkeypatch.setenv("GCODETOOL_CACHE", "")
    found = carried_out(random.Random(f"varied {seed}"), tmp_path, limit_s=20.0 if LONG else 1.0)
    assert all(each.complete for each in found)


@SLOW
@pytest.mark.parametrize("seed", range(100) if LONG else [1])
def test_many_jobs_are_chosen_with_a_bound_that_holds(seed, tmp_path, monkeypatch) -> None:
    """More jobs than can all be tried: the plan can be carried out, whether the solver is there or not."""
    pytest.importorskip("ortools")
    monkeypatch.setattr(optimise, "ROUNDS", 1)
    monkeypatch.setattr(exchange, "PATIENCE", 200)
    job_list, shelf = random_world(random.Random(seed), tmp_path, 12)
    found = plan.plan(job_list, shelf, at_s=NOW, members=1, limit_s=3600.0)
    check(found, job_list, shelf)
    assert "jobs changed at a time" in found.search
    assert found.at_most is not None
    assert found.made <= found.at_most
    monkeypatch.setattr(optimise, "solver", lambda: None)
    without = plan.plan(job_list, shelf, at_s=NOW, members=1, limit_s=3600.0)
    check(without, job_list, shelf)
    assert "of the solver" not in without.search
    assert without.made <= found.at_most


@SLOW
@pytest.mark.parametrize("free", [False, True])
def test_the_solvers_proposals_are_placed_and_forecast(free, tmp_path, monkeypatch) -> None:
    pytest.importorskip("ortools")
    monkeypatch.setattr(optimise, "ROUNDS", 3)
    job_list, shelf = random_world(random.Random(1), tmp_path, 12)
    memo, start, tasks = asked_of(job_list, shelf)
    table = table_of(memo, start, tasks, SerialExecutor())
    offered: list[Schedule] = []
    found = optimise.propose(memo, start, tasks, table, free=free, offer=offered.append, enough=lambda: False)
    assert len(offered) == 2 * found.count > 0  # as it was proposed, and mended
    assert found.best in offered
    assert found.best.cost == min((each.cost for each in offered), key=lambda cost: cost.key())
    most = optimise.bound(memo, start, tasks, table, "free" if free else "reels")
    assert most is not None
    assert all(sum(placed.met for placed in each.all()) <= most for each in offered)
    # what contradicts a forecast is not proposed again
    assert all(len(set(cut)) == len(cut) for cut in found.cuts)
    assert len({tuple(cut) for cut in found.cuts}) == len(found.cuts)


@SLOW
def test_a_table_is_made_no_longer_than_the_time_allows(tmp_path, monkeypatch) -> None:
    job_list, shelf = random_world(random.Random(1), tmp_path, 12)
    memo, start, tasks = asked_of(job_list, shelf)
    looks = iter(range(1000))
    with pytest.raises(TableTimeError):
        table_of(memo, start, tasks, SerialExecutor(), enough=lambda: next(looks) >= 7)
    part = memo.evaluations
    table_of(memo, start, tasks, SerialExecutor())
    assert 0 < part < memo.evaluations

    def over(*_: Any, **__: Any) -> Any:
        raise TableTimeError

    pytest.importorskip("ortools")
    monkeypatch.setattr(choice, "table_of", over)
    monkeypatch.setattr(exchange, "PATIENCE", 200)
    found = plan.plan(job_list, shelf, at_s=NOW, members=1, limit_s=3600.0)
    check(found, job_list, shelf)
    assert "without the table of forecasts, for which the time was over" in found.search


@SLOW
@pytest.mark.parametrize("seed", range(200) if LONG else [3, 6, 16, 31])
def test_few_jobs_are_planned_as_well_as_trying_everything_would(seed, tmp_path) -> None:
    """Four to eight jobs: the search says that nothing better can be had, and the oracle, without bounds, finds nothing."""
    dice = random.Random(f"small {seed}")
    job_list, shelf = random_world(dice, tmp_path, dice.randint(4, 8))
    memo, start, tasks = asked_of(job_list, shelf)
    result = choice.choose(memo, start, tasks, limit_s=math.inf)
    assert result.exact
    if seed == 31 and not LONG:
        return  # too many ways for the oracle; the search used to give it up
    try:
        assert better_than(memo, start, tasks, result.schedule.cost, forecasts=FORECASTS) is None
    except GaveUpError:
        assert LONG, "this world is small enough for the oracle"


def dry_for_the_first(folder: pathlib.Path) -> tuple[JobList, Stock]:
    """Return two jobs on one reel: the second needs it dried, the first would do without, but then it hangs already."""
    spool(folder, "tpu-01", "TPU", water=0.12)
    jobs = [
        job(folder, f"{name}.gcode", hours=hours, metres=metres, layers=2, materials=["TPU"])
        for name, hours, metres in (("seal", 0.25, 4), ("hose", 1.5, 20))
    ]
    return replace(from_paths(jobs, printer="bench-2"), holds={"oven": 1}), stock(folder)


def dry_one_of_two(folder: pathlib.Path) -> tuple[JobList, Stock]:
    """Return two jobs on two wet reels, due when only one of them can have been dried: either, not both."""
    requests = []
    for material, printer in (("TPU", "bench-2"), ("PETG", "bench-3")):
        spool(folder, f"{material.lower()}-01", material, water=0.6)
        path = job(folder, f"{material}.gcode", hours=0.5, metres=4, layers=2, materials=[material])
        requests.append(JobRequest(path, printer, due_s=NOW + 9 * HOUR))
    job_list = replace(
        from_paths([requests[0].path], printer="bench-2"),
        requests=tuple(requests),
        printers={name: by_profile(name) for name in ("bench-2", "bench-3")},
        holds={"oven": 1},
    )
    return job_list, stock(folder)


@SLOW
def test_a_reel_is_dried_for_the_job_that_could_do_without_where_that_spares_a_hand_off(
    tmp_path, monkeypatch
) -> None:
    """Job by job the reel is mounted, taken off, dried and mounted again."""
    monkeypatch.setattr(choice, "WITHOUT_TABLE", 0)
    world = dry_for_the_first(tmp_path)
    memo, start, tasks = asked_of(*world)
    job_by_job = improved(memo, start, greedy(memo, start, tasks))
    assert (job_by_job.cost.missed, job_by_job.cost.handoffs) == (0, 3)
    memo, start, tasks = asked_of(*world)  # nothing is remembered
    result = choice.choose(memo, start, tasks)
    assert result.exact
    assert (result.schedule.cost.missed, result.schedule.cost.handoffs) == (0, 2)
    assert better_than(memo, start, tasks, result.schedule.cost, forecasts=FORECASTS) is None


def no_bound_above(memo: ForecastMemo, start: Schedule, tasks: Sequence[Task], plan_: Schedule) -> None:
    """Assert that wherever a search stands on its way to a plan, no bound says that it must cost more than it does."""
    table = table_of(memo, start, tasks, SerialExecutor())
    search = ExhaustiveSearch(memo, start, tasks, table, None, fewest_missed=plan_.cost.missed)
    half_ms_more = replace(plan_.cost, heat_s=plan_.cost.heat_s + 5e-4, ends_s=plan_.cost.ends_s + 5e-4)
    for at, (schedule, placed) in enumerate(reversed(list(plan_.history()))):
        least = search.with_one_more(schedule, placed.way, at)
        assert least is not None
        assert search.least.rest(schedule, schedule.cost, at).key() <= half_ms_more.key()
        assert search.least.rest(schedule, least, at + 1, placed.way).key() <= half_ms_more.key()


@SLOW
@pytest.mark.parametrize("world", [dry_for_the_first, dry_one_of_two])
def test_no_bound_of_the_search_is_above_the_cheapest_plan(world, tmp_path) -> None:
    memo, start, tasks = asked_of(*world(tmp_path))
    dear = Cost(missed=9)
    plans: list[Schedule] = []
    while (found := better_than(memo, start, tasks, dear, forecasts=FORECASTS)) is not None:
        plans.append(found)
        dear = found.cost
    assert plans[-1].cost.dryings == 1
    for each in plans:
        no_bound_above(memo, start, tasks, each)


@SLOW
@pytest.mark.parametrize("seed", range(200) if LONG else [1, 25])
def test_no_bound_of_the_search_is_above_what_a_plan_costs(seed, tmp_path) -> None:
    """In world 25 a reel stays in the dryer, hot, until somebody comes in the morning, and only so gets dry enough."""
    dice = random.Random(f"bound {seed}")
    job_list, shelf = random_world(dice, tmp_path, dice.randint(4, 8))
    memo, start, tasks = asked_of(job_list, shelf)
    for _ in range(3):
        schedule = start
        for task in tasks:
            found = [schedule_job(memo, schedule, *way) for way in ways(memo, task, schedule, most=2)]
            kept = sorted((each for each in found if each is not None), key=lambda each: each.cost.key())
            schedule = dice.choice(kept[:2])
        no_bound_above(memo, start, tasks, schedule)


@SLOW
def test_two_states_differ_where_a_reel_in_the_dryer_was_elsewhere_before(tmp_path) -> None:
    """In a dryer that keeps its own air what it gives off is the others' air, also where no later job takes it."""
    _, start, _ = asked_of(*dry_for_the_first(tmp_path))
    before = StepHistory("petg-07")
    states = [
        state_of(
            replace(start, stays={"oven": (DryerStay(NOW, NOW + HOUR, "petg-07", 65.0, before=each),)}),
            frozenset({"tpu-01"}),
            1,
        )
        for each in (before, before.with_step(Leave(NOW - HOUR)), before)
    ]
    assert states[0] != states[1]
    assert states[0] == states[2]


@SLOW
def test_the_table_knows_from_when_a_reel_will_do(tmp_path) -> None:
    """A reel that dries in its box for days does not do at once, nor for a job that is due before."""
    spool(tmp_path, "tpu-01", "TPU", water=0.9, place="box-2")
    path = job(tmp_path, "seal.gcode", hours=1, metres=6, materials=["TPU"], layers=2)
    spells = []
    for due_s in (None, NOW + 6 * HOUR):
        job_list = replace(
            from_paths([path], printer="bench-1"),
            requests=(JobRequest(path, "bench-1", due_s=due_s),),
            presence=presence_of(["Mon-Fri 07:30-18:00"]),
            holds={"oven": 1},
        )
        memo, start, tasks = asked_of(job_list, stock(tmp_path))
        (entries,) = table_of(memo, start, tasks, SerialExecutor()).entries
        spells.append([entry.spells for entry in entries if entry.states == ("dry",)])
    ((spell,),), at_once = spells
    assert spell is not None
    assert NOW + 2 * HOUR < spell[0] < spell[1]
    assert not at_once


def hands(schedule: Schedule) -> int:
    """Return how many hand-offs are on the list of what to do; what starts, and parts that come off, are none."""
    count = 0
    for each in handoffs_of(schedule):
        count += each.action in ("put-in", "take-out")
        count += len(each.mounted) + len(each.again) + len(each.into) if each.action == "start" else 0
    return count


@SLOW
@pytest.mark.parametrize("seed", range(200) if LONG else range(4))
def test_the_cost_counts_the_hand_offs_that_are_on_the_list(seed, tmp_path) -> None:
    """Also a reel that is mounted again: it went to its place, to another printer or into a dryer in between."""
    dice = random.Random(f"hands {seed}")
    job_list, shelf = random_world(dice, tmp_path, dice.randint(6, 12))
    memo, start, tasks = asked_of(job_list, shelf)
    schedule = start
    for task in tasks:
        found = [schedule_job(memo, schedule, *way) for way in ways(memo, task, schedule, most=2)]
        kept = [each for each in found if each is not None and each.last is not None and not each.last.held]
        schedule = dice.choice(kept) if kept else schedule
    assert schedule.cost.handoffs == hands(schedule)
    if not LONG and seed == 0:
        assert any(each.again for each in handoffs_of(schedule))


@SLOW
def test_what_trying_everything_finds_is_within_the_solvers_bound(tmp_path_factory, monkeypatch) -> None:
    pytest.importorskip("ortools")
    monkeypatch.setattr(exchange, "PATIENCE", 200)
    for seed in range(200 if LONG else 1):
        job_list, shelf = random_world(random.Random(f"small {seed}"), tmp_path_factory.mktemp("world"), 4)
        exact = plan.plan(job_list, shelf, at_s=NOW, members=1)
        with monkeypatch.context() as patched:
            patched.setattr(choice, "MOST_EXHAUSTIVE", 0)
            solved = plan.plan(job_list, shelf, at_s=NOW, members=1)
        check(solved, job_list, shelf)
        assert solved.made <= exact.made
        assert solved.at_most is None or exact.made <= solved.at_most


@SLOW
@pytest.mark.parametrize("dryers", [{}, {"oven": 2}])
def test_a_list_that_is_too_long_is_split_where_nothing_is_shared(dryers, tmp_path, monkeypatch) -> None:
    """Two materials, a printer each: the plan is as good as the one chosen as a whole, and says what is proven."""
    spool(tmp_path, "petg-03", water=0.42, place="bench")
    spool(tmp_path, "tpu-05", "TPU", water=0.02)
    requests = []
    for number, (material, own) in enumerate((("PETG", "bench-2"), ("TPU", "bench-3")) * 2):
        path = job(tmp_path, f"part-{number}.gcode", metres=4, layers=2, materials=[material])
        requests.append(JobRequest(path, own, priority=1 + number))
    job_list = replace(
        from_paths([requests[0].path], printer="bench-2"),
        requests=tuple(requests),
        printers={name: by_profile(name) for name in ("bench-2", "bench-3")},
    )
    whole = plan.plan(job_list, stock(tmp_path), at_s=NOW, members=1, holds=dryers)
    monkeypatch.setattr(groups, "MOST_OPTIMISED", 3)
    split = plan.plan(job_list, stock(tmp_path), at_s=NOW, members=1, holds=dryers)
    check(split, job_list, stock(tmp_path), holds=dryers)
    assert split.rows == whole.rows
    assert split.heat_s == whole.heat_s
    assert "split into 2 groups that share no printer and no reel, 2 jobs at most" in split.search
    assert ("holds for all" in split.search) == (not dryers)
    assert ("what is proven of later groups does not hold" in split.search) == bool(dryers)
    assert (split.made, split.at_most) == ((10, 10) if dryers else (6, whole.at_most))
    assert split.exact == (not dryers)
    monkeypatch.setattr(groups, "replay", lambda *_: None)  # what is short enough is not split
    monkeypatch.setattr(groups, "MOST_OPTIMISED", 4)
    assert plan.plan(job_list, stock(tmp_path), at_s=NOW, members=1, holds=dryers) == whole


@SLOW
def test_a_list_that_is_stopped_while_a_group_is_chosen_keeps_the_groups_before_it(
    tmp_path, monkeypatch
) -> None:
    spool(tmp_path, "petg-03", water=0.02)
    spool(tmp_path, "tpu-05", "TPU", water=0.02)
    jobs = [
        job(tmp_path, f"{material}.gcode", metres=4, layers=2, materials=[material])
        for material in ("PETG", "TPU")
    ]
    job_list = replace(
        from_paths(jobs, printer="bench-2"),
        requests=(JobRequest(jobs[0], "bench-2"), JobRequest(jobs[1], "bench-3")),
        printers={name: by_profile(name) for name in ("bench-2", "bench-3")},
    )
    calls: list[int] = []

    def stopped(*asked: Any, **more: Any) -> Any:
        calls.append(len(asked[2]))
        if len(calls) > 1:
            raise KeyboardInterrupt
        return choice.choose(*asked, **more)

    monkeypatch.setattr(groups, "MOST_OPTIMISED", 1)
    monkeypatch.setattr(plan, "choose", stopped)
    found = plan.plan(job_list, stock(tmp_path), at_s=NOW, members=1, holds={})
    assert calls == [1, 1]
    assert not found.complete
    assert [row.verdict for row in found.rows] == ["clear", "not-read"]
    assert found.rows[0].start_s == NOW
