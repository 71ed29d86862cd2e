"""The plan: nothing better is passed over, earlier jobs change the spool, gaps are used, dryers hold what they hold."""

import itertools
import math
import pathlib
from dataclasses import replace
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_checker import check
from queue_world import HOUR, NOW, PLACES, job, spool, stock, story

from gcodetool.ledger.spoolfile import read_spool
from gcodetool.moisture.solver import COMPILED
from gcodetool.profiles import sample_folder
from gcodetool.queue import choice, full_forecast, optimise, plan, rows, search, solver_model
from gcodetool.queue.executors import SerialExecutor
from gcodetool.queue.findings import QueueFindings
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.job_list import JobList, JobRequest, ToolRequest, by_profile, from_paths
from gcodetool.queue.placing import schedule_job
from gcodetool.queue.schedule import Assignment, PrinterCalendar, Schedule, Way
from gcodetool.queue.spool_steps import Dry, ForecastOptions, Leave, Print, StepHistory, history_of
from gcodetool.queue.tasks import Stock, Task, mounted_spools, schedule_at_start, tasks_of
from gcodetool.report.queue_text import cells, handoff, sign


def begin(
    job_list: JobList, spools: Stock, options: ForecastOptions
) -> tuple[ForecastMemo, Schedule, list[Task]]:
    """Return memo, empty schedule and tasks, as a plan begins with."""
    jobs, _ = plan._read_jobs(job_list, spools, SerialExecutor(), None, None)
    notes: list[str] = []
    mounted = mounted_spools(job_list, spools, NOW, notes)
    tasks = tasks_of(job_list, spools, jobs, mounted)
    memo = ForecastMemo(spools.spools, plan.jobs_of(tasks), job_list.printers, options)
    return memo, schedule_at_start(memo, job_list, spools, None, mounted, notes), tasks


def planned(job_list: JobList, spools: Stock, **more) -> QueueFindings:
    found = plan.plan(job_list, spools, at_s=NOW, **({"members": 1} | more))
    check(found, job_list, spools, holds=more.get("holds"))
    return found


# ---------------------------------------------------------------- choosing

SLOW = pytest.mark.skipif(not COMPILED, reason="thousands of forecasts")


@SLOW
def test_the_plan_of_the_story_is_the_best_of_all(tmp_path) -> None:
    """Every assignment of spools and dryings, followed to the end by brute force over the same simulation."""
    job_list, spools = story(tmp_path)
    found = planned(job_list, spools)
    memo, start, tasks = begin(job_list, spools, ForecastOptions(NOW))
    every = [list(search.ways(memo, task, start)) for task in tasks]
    costs = []
    for assignments in itertools.product(*every):
        end = search.replay(memo, start, assignments)
        if end is not None:
            costs.append(end.cost.key())
    assert len(costs) > 1000
    best = min(costs)
    assert found.search == "all assignments tried"
    again = choice.choose(memo, start, tasks)
    assert again.schedule.cost.key() == best
    # dried until its strand is good, the second job's reel does not last through it; dried as the job needs it, it does
    assert [placed.task.number for placed in again.schedule.all() if placed.held] == [2]
    assert (best[0], found.unmet) == (1, 0)
    assert [each.spool for each in found.dryings if each.for_number == 2] == ["tpu-02"]
    # and the story itself: what is dried is dried because nothing else would do
    assert all(drying.undried not in ("clear", "adjust") for drying in found.dryings)


@SLOW
@settings(max_examples=6)
@given(data=st.data())
def test_no_assignment_beats_the_search(data, tmp_path_factory) -> None:
    folder = tmp_path_factory.mktemp("queue")
    count = data.draw(st.integers(2, 3))
    requests = []
    for number in range(count):
        path = job(folder, f"part-{number}.gcode", hours=data.draw(st.sampled_from([0.5, 2, 5])), metres=20)
        due = data.draw(st.sampled_from([None, 4 * HOUR, 12 * HOUR]))
        requests.append(JobRequest(path, "bench-1", due_s=None if due is None else NOW + due))
    for name in ("petg-03", "petg-04"):
        place = data.draw(st.sampled_from(["bench", "bag", "bench-1", "oven"]))
        spool(folder, name, water=data.draw(st.sampled_from([0.02, 0.12, 0.38])), place=place)
    job_list = replace(from_paths([requests[0].path], printer="bench-1"), requests=tuple(requests))
    memo, start, tasks = begin(job_list, stock(folder), ForecastOptions(NOW))
    every = [list(search.ways(memo, task, start)) for task in tasks]
    ends = [search.replay(memo, start, assignments) for assignments in itertools.product(*every)]
    best = min(end.cost.key() for end in ends if end is not None)
    assert choice.choose(memo, start, tasks).schedule.cost.key() == best
    rough = search.improved(memo, start, search.greedy(memo, start, tasks))
    assert best <= rough.cost.key()
    for end in ends:
        if end is not None:
            no_two_at_once(end)


def no_two_at_once(schedule: Schedule) -> None:
    """Assert that no printer, spool or dryer is used twice at a time, and nothing before it is there."""
    ran = [placed for placed in schedule.all() if not placed.held]
    uses: dict[str, list[tuple[float, float]]] = {}
    for placed in ran:
        uses.setdefault(f"printer {placed.task.printer}", []).append((placed.start_s, placed.end_s))
        for assignment in placed.assignments:
            uses.setdefault(f"spool {assignment.spool}", []).append((placed.start_s, placed.end_s))
        for drying in placed.dryings:
            stay = (drying.step.in_s, drying.step.out_s)
            uses.setdefault(f"spool {drying.before.spool}", []).append(stay)
            uses.setdefault(f"dryer {drying.step.dryer}", []).append(stay)
            assert drying.step.out_s <= placed.start_s
    for name, spans in uses.items():
        for (_, end), (begin_, _) in itertools.pairwise(sorted(spans)):
            assert begin_ >= end - 1e-6, name
        assert min(spans)[0] >= NOW


def one_temperature(schedule: Schedule) -> None:
    """Assert that a dryer has one temperature at a time, and takes no more reels than it states."""
    for dryer, stays in schedule.stays.items():
        planned = [stay for stay in stays if stay.planned]
        for stay, other in itertools.combinations(planned, 2):
            if stay.crosses(other.in_s, other.out_s):
                assert stay.temperature_C == pytest.approx(other.temperature_C), (dryer, stay, other)
        for moment in (stay.in_s for stay in planned if stay.in_s > -math.inf):  # what was there is there
            inside = {stay.spool for stay in stays if stay.in_s <= moment < stay.out_s}
            assert len(inside) <= schedule.holds[dryer]
    for placed in schedule.all():
        for drying in placed.dryings:
            assert drying.step.temperature_C == drying.time.temperature_C


@SLOW
@settings(max_examples=8)
@given(data=st.data())
def test_reels_in_one_dryer_share_its_temperature_or_wait(data, tmp_path_factory) -> None:
    """PLA softens where TPU and PETG still dry slowly: whatever is drawn, never two temperatures at a time."""
    folder = tmp_path_factory.mktemp("queue")
    slots = data.draw(st.sampled_from([1, 2, 3]))
    requests = []
    every = [("PETG", 0.38), ("PLA", 0.6), ("TPU", 0.9)]
    for number, (material, water) in enumerate(data.draw(st.permutations(every))):
        path = job(folder, f"part-{number}.gcode", hours=2, metres=20, materials=[material])
        due = data.draw(st.sampled_from([None, 14 * HOUR, 40 * HOUR]))
        requests.append(JobRequest(path, "bench-1", due_s=None if due is None else NOW + due))
        place = data.draw(st.sampled_from(["bench", "oven"]))
        spool(folder, material.lower(), material, water=water, place=place, net_g=100)
    job_list = replace(
        from_paths([requests[0].path], printer="bench-1"), requests=tuple(requests), holds={"oven": slots}
    )
    memo, start, tasks = begin(job_list, stock(folder), ForecastOptions(NOW))
    best = choice.choose(memo, start, tasks).schedule
    one_temperature(best)
    for assignments in itertools.islice(
        itertools.product(*(search.ways(memo, task, start) for task in tasks)), 8
    ):
        end = search.replay(memo, start, assignments)
        if end is not None:
            one_temperature(end)


@SLOW
def test_a_dryer_of_three_takes_what_its_records_state_and_shares_the_coolest(tmp_path) -> None:
    requests = []
    for material, water in (("PLA", 0.6), ("PETG", 0.38)):
        path = job(tmp_path, f"{material}.gcode", hours=2, metres=20, materials=[material])
        requests.append(JobRequest(path, "bench-1"))
        made = spool(tmp_path, material.lower(), material, water=water, place="bench", net_g=100)
        text = made.read_text(encoding="utf-8")
        made.write_text(
            text.replace("max_temperature_C = 90.0", "max_temperature_C = 90.0\nslots = 3"), encoding="utf-8"
        )
    job_list = replace(from_paths([requests[0].path], printer="bench-1"), requests=tuple(requests))
    memo, start, tasks = begin(job_list, stock(tmp_path), ForecastOptions(NOW))
    assert start.holds == {"oven": 3}
    both = [(Assignment("pla", "oven"),), (Assignment("petg", "oven"),)]
    end = search.replay(
        memo, start, [Way(task, given, task) for task, given in zip(tasks, both, strict=True)]
    )
    assert end is not None
    one_temperature(end)
    rows = planned(job_list, stock(tmp_path)).dryings  # what table, page and JSON are made of
    assert rows
    for row, other in itertools.combinations(rows, 2):
        if row.in_s < other.out_s and other.in_s < row.out_s:
            assert row.temperature_C == pytest.approx(other.temperature_C)
    alone = memo.drying_time(StepHistory("petg"), "oven", NOW, 20_000.0)
    shared = memo.drying_time(StepHistory("petg"), "oven", NOW, 20_000.0, 50.0)
    assert alone is not None and shared is not None
    assert (shared.temperature_C, shared.knob_C) == (50.0, 50.0)
    assert shared.seconds >= alone.seconds
    assert memo.drying_time(StepHistory("pla"), "oven", NOW, 20_000.0, 65.0) is None  # too hot for it


def test_more_than_eight_jobs_are_chosen_job_by_job(tmp_path) -> None:
    for number in range(10):
        job(tmp_path, f"part-{number:02}.gcode", hours=0.5)
    spool(tmp_path, "petg-03", water=0.02, place="bench-1")
    spool(tmp_path, "petg-04", water=0.4, place="bench")
    found = planned(from_paths([tmp_path], printer="bench-1"), stock(tmp_path))
    assert "job by job" in found.search
    assert found.unmet == 0
    assert not found.dryings
    assert found.changes == 0
    assert {row.tools[0].spool for row in found.rows} == {"petg-03"}


# ---------------------------------------------------------------- the sequence


def test_a_job_alone_is_judged_as_check_judges_it(tmp_path) -> None:
    import gcodetool

    path = sample_folder() / "hose-clips-petg.gcode"
    record = sample_folder() / "shelf" / "petg-03.toml"
    read = read_spool(record)
    at_s = NOW - 9 * HOUR
    found = plan.plan(
        from_paths([path], printer="bench-1"), Stock({read.id: read}), at_s=at_s, members=8
    ).rows[0]
    checked = gcodetool.check(path, read, at=at_s, members=8, printer="bench-1")
    tool, other = found.tools[0], checked.tools[0]
    assert found.verdict == checked.verdict
    assert found.sha256 == checked.sha256
    assert (found.moving_s, found.waiting_s) == (checked.moving_s, checked.waiting_s)
    assert (tool.because, tool.share) == (other.verdict.because, other.verdict.share)
    assert (tool.filament_mm, tool.extruding_s) == (other.filament_mm, other.extruding_s)
    assert (tool.safe_s, tool.needed_s) == (other.exposure.safe_s, other.exposure.needed_s)
    assert tool.left_mm == other.state.remaining_mm


def test_the_third_job_meets_the_spool_as_it_will_be_then(tmp_path) -> None:
    for number in (1, 2, 3):
        job(tmp_path, f"part-{number}.gcode", hours=6, metres=5)
    spool(tmp_path, "petg-03", water=0.02, place="bench-1")
    found = planned(from_paths([tmp_path], printer="bench-1"), stock(tmp_path), holds={})
    lefts = [row.tools[0].left_mm for row in found.rows]
    assert [a - b for a, b in itertools.pairwise(lefts)] == pytest.approx([5000, 5000], abs=1)
    starts = [row.tools[0].start_wt_pct for row in found.rows]
    assert starts == sorted(starts)
    assert starts[2] > 1.4 * starts[0]
    assert all(b.start_s == pytest.approx(a.end_s) for a, b in itertools.pairwise(found.rows[:2]))


def test_a_job_too_wet_to_begin_is_held_and_takes_nothing(tmp_path) -> None:
    job(tmp_path, "a.gcode", hours=6)
    job(tmp_path, "b.gcode", hours=1)
    spool(tmp_path, "petg-04", water=0.6, place="bench")
    found = planned(from_paths([tmp_path], printer="bench-1"), stock(tmp_path), holds={})
    assert [row.held for row in found.rows] == [True, True]
    assert [row.start_s for row in found.rows] == [NOW, NOW]
    assert found.rows[0].because.startswith("not run: ")
    assert found.exit_code == 20


def test_a_reel_too_short_is_said_and_not_used_up(tmp_path) -> None:
    job(tmp_path, "a.gcode", metres=40)
    job(tmp_path, "b.gcode", metres=4)
    spool(tmp_path, "petg-03", net_g=50, place="bench-1")
    found = planned(from_paths([tmp_path], printer="bench-1"), stock(tmp_path))
    first, second = found.rows
    assert first.held
    assert not first.met
    assert first.tools[0].short_mm == pytest.approx(40_000 - first.tools[0].left_mm, abs=1)
    assert "m short" in first.because
    assert sum("m short" in caution for caution in first.cautions) == 1
    assert next(cells(first, NOW))[-1] == f"{sign(first.verdict)} {first.verdict} not run"
    assert next(cells(second, NOW))[-1] == f"{sign(second.verdict)} {second.verdict}"
    assert second.met
    assert second.tools[0].left_mm == first.tools[0].left_mm


def test_a_gap_on_the_printer_is_used(tmp_path) -> None:
    job(tmp_path, "late.gcode")
    job(tmp_path, "soon.gcode")
    spool(tmp_path, "petg-03", place="bench-1")
    job_list = from_paths([tmp_path], printer="bench-1")
    late, soon = job_list.requests
    job_list = replace(job_list, requests=(replace(late, earliest_s=NOW + 5 * HOUR), soon))
    found = planned(job_list, Stock({}))
    assert found.rows[0].start_s == NOW + 5 * HOUR
    assert found.rows[1].start_s == NOW


def test_due_and_dried_in_time(tmp_path) -> None:
    job(tmp_path, "a.gcode", hours=1)
    spool(tmp_path, "petg-04", water=0.38, place="bench")
    job_list = from_paths([tmp_path], printer="bench-1")
    request = job_list.requests[0]

    def due(hours: float) -> QueueFindings:
        return planned(
            replace(job_list, requests=(replace(request, due_s=NOW + hours * HOUR),)), stock(tmp_path)
        )

    soon, later = due(3), due(30)
    assert soon.unmet == 1
    assert not soon.dryings
    assert later.unmet == 0
    (drying,) = later.dryings
    assert drying.in_s == NOW
    assert drying.out_s == later.rows[0].start_s
    assert (drying.temperature_C, drying.dryer, drying.for_number) == (65, "oven", 1)
    assert drying.after_wt_pct < 0.08 < drying.before_wt_pct
    assert "unattended" in drying.cautions[0]
    assert later.rows[0].in_time


def test_where_no_drying_is_in_time_the_best_one_is_named(tmp_path) -> None:
    job(tmp_path, "a.gcode", hours=1)
    spool(tmp_path, "petg-04", water=0.5, place="bench")
    spool(tmp_path, "petg-05", water=0.38, place="bench")
    spool(tmp_path, "petg-06", water=0.5, place="bench")
    job_list = from_paths([tmp_path], printer="bench-1")
    soon = replace(job_list.requests[0], due_s=NOW + 1.5 * HOUR)
    found = planned(replace(job_list, requests=(soon,)), stock(tmp_path))
    assert found.unmet == 1
    (row,) = found.rows
    assert row.instead is not None
    assert "petg-05" in row.instead
    assert "too late" in row.instead


def test_one_drying_serves_all_jobs_that_name_the_spool(tmp_path) -> None:
    for number in (1, 2, 3, 4):
        job(tmp_path, f"part-{number}.gcode", hours=1, metres=40)
    spool(tmp_path, "petg-04", water=0.38, place="bench", net_g=1000)
    job_list = from_paths([tmp_path], printer="bench-1")
    named = replace(
        job_list,
        requests=tuple(
            replace(request, tools={None: ToolRequest(spool="petg-04")}) for request in job_list.requests
        ),
    )
    found, first = (
        planned(named, stock(tmp_path)),
        planned(replace(named, requests=named.requests[:1]), stock(tmp_path)),
    )
    assert len(found.dryings) == 1
    assert found.unmet == 0
    hours = [each.dryings[0].out_s - each.dryings[0].in_s for each in (found, first)]
    assert hours[0] > hours[1]


def test_a_dryer_takes_as_many_reels_as_it_holds(tmp_path, monkeypatch) -> None:
    # as they are chosen: one that waits for the other would do without by then
    monkeypatch.setattr(full_forecast, "settled", lambda quick, full, start, chosen: chosen)
    for number in (1, 2):
        job(tmp_path, f"part-{number}.gcode", hours=1)
        spool(tmp_path, f"petg-0{number}", water=0.38, place="bench")
    paths = sorted(tmp_path.glob("*.gcode"))
    printers = [f"bench-{at}" for at in (1, 2)]
    job_list = JobList(
        tuple(
            JobRequest(path, printer, {None: ToolRequest(spool=f"petg-0{at}")})
            for at, (path, printer) in enumerate(zip(paths, printers, strict=True), 1)
        ),
        {printer: by_profile(printer) for printer in printers},
    )
    one = planned(job_list, stock(tmp_path), holds={"oven": 1})
    two = planned(job_list, stock(tmp_path), holds={"oven": 2})
    assert [len(found.dryings) for found in (one, two)] == [2, 2]
    assert one.dryings[1].in_s >= one.dryings[0].out_s
    assert two.dryings[1].in_s == two.dryings[0].in_s == NOW


def test_a_spool_in_the_dryer_stays_there_until_its_job_or_makes_room(tmp_path) -> None:
    job(tmp_path, "a.gcode", hours=1)
    spool(tmp_path, "petg-01", water=0.1, place="oven")
    spool(tmp_path, "petg-02", water=0.38, place="bench")
    job_list = from_paths([tmp_path], printer="bench-1")
    alone = planned(
        replace(job_list, requests=(replace(job_list.requests[0], earliest_s=NOW + 20 * HOUR),)),
        stock(tmp_path),
    )
    assert alone.rows[0].tools[0].spool == "petg-01"
    assert not alone.dryings
    assert alone.rows[0].tools[0].start_wt_pct < 0.07  # it went on drying
    memo, start, tasks = begin(job_list, stock(tmp_path), ForecastOptions(NOW))
    placed = schedule_job(memo, start, tasks[0], [Assignment("petg-02", "oven")])
    assert placed is not None
    assert placed.steps_of("petg-01").steps == (Leave(NOW),)
    assert memo.simulator.state(placed.steps_of("petg-01")).place == "bench"
    assert memo.simulator.state(placed.steps_of("petg-02")).place == "bench"


def test_where_good_is_out_of_reach_a_reel_dries_far_enough_for_its_job_and_stays_where_it_stands(
    tmp_path,
) -> None:
    """At the marginal limit itself it would be past it before the job ends; and nobody puts in what is in there."""
    job(tmp_path, "a.gcode", hours=1, metres=3, materials=("PA6",))
    weak = PLACES.replace("max_temperature_C = 90.0", "max_temperature_C = 65.0")
    for place, said in (("oven", "leave pa in, at 65"), ("bench", "put pa in at 65")):
        spool(tmp_path, "pa", "PA6", water=2.0, place=place, net_g=750, places=weak)
        found = planned(from_paths([tmp_path / "a.gcode"], printer="bench-1"), stock(tmp_path))
        [row], [drying] = found.rows, found.dryings
        assert (row.verdict, drying.reached) == ("adjust", "marginal")
        assert drying.undried == "dry-first"
        first = found.handoffs[0]
        assert (first.action, first.at_s, first.stands) == ("put-in", NOW, place == "oven")
        assert said in handoff(first, {}, NOW)


def test_several_tools_each_have_their_spool(tmp_path) -> None:
    job(tmp_path, "two.gcode", materials=["PETG", "PLA"])
    spool(tmp_path, "petg-03", place="bench")
    spool(tmp_path, "pla-11", "PLA", place="bench")
    found = planned(from_paths([tmp_path], printer="bench-1"), stock(tmp_path)).rows[0]
    assert [(tool.tool, tool.spool) for tool in found.tools] == [(0, "petg-03"), (1, "pla-11")]
    job_list = from_paths([tmp_path], printer="bench-1")
    request = JobRequest(tmp_path / "two.gcode", "bench-1", {None: ToolRequest(spool="petg-03")})
    same = planned(replace(job_list, requests=(request,)), stock(tmp_path)).rows[0]
    assert same.verdict == "unknown"
    assert "[job.tool.N]" in same.because


def test_fewer_spools_than_tools(tmp_path) -> None:
    job(tmp_path, "two.gcode", materials=["PETG", "PETG"])
    spool(tmp_path, "petg-03", place="bench")
    job_list = from_paths([tmp_path], printer="bench-1")
    both = replace(
        job_list.requests[0], tools={0: ToolRequest(spool="petg-03"), 1: ToolRequest(spool="petg-03")}
    )
    for requests in (job_list.requests, (both,)):
        found = planned(replace(job_list, requests=requests), stock(tmp_path)).rows[0]
        assert [tool.spool for tool in found.tools] == ["petg-03", None]
        assert found.tools[1].because == "petg-03 feeds another tool of this job"
        assert found.verdict == "unknown"


# ---------------------------------------------------------------- laws of the parts

eighths = st.integers(0, 8000).map(lambda number: number / 8)  # sums of these are exact
spans = st.lists(st.tuples(eighths, st.integers(1, 400).map(lambda number: number / 8)), max_size=12)


@given(spans)
def test_a_line_is_never_taken_twice(asked) -> None:
    calendar = PrinterCalendar((), 0.0)
    taken: list[tuple[float, float]] = []
    for ready, length in asked:
        start = calendar.earliest(ready, length)
        assert start >= ready
        assert all(start + length <= a + 1e-9 or b <= start + 1e-9 for a, b in taken)
        # nothing earlier would do
        for moment in [ready, *(b for _, b in taken if ready <= b < start)]:
            if moment < start:
                assert any(moment < b - 1e-9 and a + 1e-9 < moment + length for a, b in taken)
        calendar = calendar.taken(start, start + length)
        taken.append((start, start + length))


@given(
    st.lists(st.sampled_from([Leave(1.0), Dry("oven", 2.0, 3.0, 60.0), Print("x", 0, 4.0, None)]), max_size=5)
)
def test_a_chain_is_the_same_however_it_was_built(steps) -> None:
    import pickle

    history = history_of("petg-03", steps)
    again = pickle.loads(pickle.dumps(history))
    assert again == history
    assert hash(again) == hash(history)
    assert history.steps == tuple(steps)
    for count, part in enumerate(history.parts()):
        assert history_of("petg-03", steps[:count]) == part
        assert part.count == count
    assert StepHistory("petg-03") != StepHistory("petg-04")


def test_states_that_were_let_go_are_computed_again(tmp_path, monkeypatch) -> None:
    from gcodetool.queue import spool_simulation

    for number in range(5):
        job(tmp_path, f"part-{number}.gcode")
    spool(tmp_path, "petg-03", place="bench-1")
    job_list = from_paths([tmp_path], printer="bench-1")
    usual = planned(job_list, stock(tmp_path))
    monkeypatch.setattr(spool_simulation, "STATES", 2)
    assert planned(job_list, stock(tmp_path)) == usual


def test_a_good_spool_far_down_the_shelf_is_found(tmp_path) -> None:
    for number in range(9):
        job(tmp_path, f"part-{number}.gcode", hours=0.5, metres=9)
    for number in range(20):
        spool(tmp_path, f"petg-{number:02}", water=0.02 if number in (15, 18) else 0.6, net_g=150)
    found = planned(from_paths([tmp_path], printer="bench-1"), stock(tmp_path), holds={})
    assert found.unmet == 0
    assert {row.tools[0].spool for row in found.rows} == {"petg-15", "petg-18"}
    assert found.changes == 2


def test_one_job_costs_a_handful_of_forecasts_however_long_the_shelf(tmp_path) -> None:
    part = job(tmp_path, "part.gcode", hours=0.5)
    for number in range(40):
        spool(tmp_path, f"petg-{number:02}", water=0.02 if number == 31 else 0.6)
    asked: list[int] = []
    found = planned(
        from_paths([part], printer="bench-1"),
        stock(tmp_path),
        progress=lambda what, count, _: asked.append(count) if what == "choosing" else None,
    )
    assert found.exact
    assert found.rows[0].tools[0].spool == "petg-31"
    assert max(asked) <= 8


def test_a_search_that_takes_too_long_is_given_up_and_said(tmp_path) -> None:
    job_list, spools = story(tmp_path)
    found = planned(job_list, spools, limit_s=0.0)
    assert "the time was over before all was tried" in found.search
    assert not found.exact
    assert len(found.rows) == 6
    best = planned(job_list, spools)
    assert best.search == "all assignments tried"
    assert not best.exact  # a job more makes it, dried as it needs it, than was tried
    assert best.unmet == 0


def three_jobs_two_reels(folder):
    """Return three jobs that either of two dry reels would do for, and what their choice is asked."""
    for number in range(3):
        job(folder, f"part-{number}.gcode", hours=1)
    for name in ("petg-03", "petg-04"):
        spool(folder, name, water=0.02)
    job_list = from_paths([folder], printer="bench-1")
    return job_list, *begin(job_list, stock(folder), ForecastOptions(NOW))


def test_what_follows_a_job_that_is_judged_harder_is_planned_anew(tmp_path, monkeypatch) -> None:

    job_list, memo, start, tasks = three_jobs_two_reels(tmp_path)
    chosen = search.greedy(memo, start, tasks)
    assert {assignment.spool for placed in chosen.all() for assignment in placed.assignments} == {"petg-03"}
    spool(tmp_path, "petg-03", water=0.6)  # the full forecast knows better
    harder, _, _ = begin(job_list, stock(tmp_path), ForecastOptions(NOW, exposures=True))
    monkeypatch.setattr(full_forecast, "LONG", 2)
    found, said = full_forecast.forecast_in_full(
        memo, harder, start, chosen, SerialExecutor(), None, folder=None
    )
    assert [placed.met for placed in found.all()] == [True] * 3
    assert {assignment.spool for placed in found.all() for assignment in placed.assignments} == {"petg-04"}
    assert "judged some jobs harder" in said


def test_where_the_best_plan_is_judged_harder_the_next_best_is_taken_if_it_holds(
    tmp_path, monkeypatch
) -> None:
    job_list, memo, start, tasks = three_jobs_two_reels(tmp_path)
    best, worse, good = (
        search.replay(
            memo,
            start,
            [Way(task, (Assignment(name),), task) for task, name in zip(tasks, names, strict=True)],
        )
        for names in (["petg-03"] * 3, ["petg-03", "petg-03", "petg-04"], ["petg-04"] * 3)
    )
    spool(tmp_path, "petg-03", water=0.6)  # the full forecast knows better
    harder, _, _ = begin(job_list, stock(tmp_path), ForecastOptions(NOW, exposures=True))
    monkeypatch.setattr(full_forecast, "improved", lambda *_, **__: pytest.fail("tried others"))
    asked = (memo, harder, start, best, SerialExecutor(), None)
    found, said = full_forecast.forecast_in_full(*asked, folder=None, next_best=(worse, good))
    assert [placed.met for placed in found.all()] == [True] * 3
    assert {assignment.spool for placed in found.all() for assignment in placed.assignments} == {"petg-04"}
    assert "the next best plan was taken" in said
    hurried, said = full_forecast.forecast_in_full(
        *asked, folder=None, next_best=(good,), enough=lambda: True, late=lambda: True
    )
    assert hurried.cost.missed == 3
    assert "the time was over" in said


def test_a_plan_that_is_not_the_chosen_one_is_not_said_to_be_the_best(tmp_path, monkeypatch) -> None:
    part = job(tmp_path, "part.gcode", hours=0.5)
    for number in range(2):
        spool(tmp_path, f"petg-{number:02}", water=0.02)
    job_list, spools = from_paths([part], printer="bench-1"), stock(tmp_path)
    assert planned(job_list, spools).exact

    def other(quick, full, start, chosen, *asked, **more):
        _, said = full_forecast.forecast_in_full(quick, full, start, chosen, *asked, **more)
        placed = chosen.all()[0]
        way = next(
            way for way in search.ways(quick, placed.home, start) if way.assignments != placed.assignments
        )
        return search.replay(full, start, [way]), said

    monkeypatch.setattr(plan, "forecast_in_full", other)
    assert not planned(job_list, spools).exact


def test_the_next_best_plans_let_as_many_jobs_make_it(tmp_path) -> None:
    job_list, spools = story(tmp_path)
    _, start, _ = begin(job_list, spools, ForecastOptions(NOW))
    kept = choice.Incumbent()
    costs = [(2, 9), (1, 9), (1, 9), (1, 8), (2, 1), (1, 7)]  # missed, hand-offs
    for missed, handoffs in costs:
        kept.offer(replace(start, cost=replace(start.cost, missed=missed, handoffs=handoffs)))
    assert kept.best is not None
    assert (kept.best.cost.missed, kept.best.cost.handoffs) == (1, 7)
    assert [plan.cost.handoffs for plan in kept.next_best] == [8, 9]
    assert all(plan.cost.missed == 1 for plan in kept.next_best)


# ---------------------------------------------------------------- kept


def test_the_same_evening_is_not_forecast_again(tmp_path, monkeypatch) -> None:
    from gcodetool.queue import forecast_memo, spool_simulation

    job_list, spools = story(tmp_path)
    folder = tmp_path / "cache"
    first = planned(job_list, spools, folder=folder)
    assert first == planned(job_list, spools)
    with monkeypatch.context() as patched:
        patched.setattr(
            forecast_memo.ForecastMemo, "simulator", property(lambda _: pytest.fail("computed again"))
        )
        assert plan.plan(job_list, spools, at_s=NOW, members=1, folder=folder) == first
    # another moment, another record: nothing of it fits
    done: list[str] = []
    real = spool_simulation.SpoolSimulator.simulate_print

    def printed(self, history, step):
        done.append(history.spool)
        return real(self, history, step)

    monkeypatch.setattr(spool_simulation.SpoolSimulator, "simulate_print", printed)
    spool(tmp_path / "shelf", "tpu-02", "TPU", water=0.8, place="bench")
    changed = planned(job_list, stock(tmp_path / "shelf"), folder=folder)
    assert "tpu-02" in done
    assert changed == planned(job_list, stock(tmp_path / "shelf"))
    del done[:]
    later = plan.plan(job_list, spools, at_s=NOW + HOUR, members=1, folder=folder)
    assert done
    assert later == plan.plan(job_list, spools, at_s=NOW + HOUR, members=1)


def test_damaged_forecasts_are_computed_again(tmp_path) -> None:
    job_list, spools = story(tmp_path)
    folder = tmp_path / "cache"
    first = planned(job_list, spools, folder=folder)
    for number, path in enumerate(sorted(folder.glob("*.forecasts"))):
        whole = path.read_bytes()
        path.write_bytes([b"", whole[:-3], whole.replace(b'"clear"', b'"adjust"'), b"{}"][number % 4])
    assert planned(job_list, spools, folder=folder) == first


def test_snapshots_of_spools_change_nothing(tmp_path, monkeypatch) -> None:
    from gcodetool.ledger.snapshots import shelf_of

    monkeypatch.setenv("GCODETOOL_SNAPSHOTS", str(tmp_path / "snapshots"))
    job(tmp_path, "a.gcode")
    spool(tmp_path, "petg-03", place="bench")
    job_list, spools = from_paths([tmp_path], printer="bench-1"), stock(tmp_path)
    plain = planned(job_list, spools, members=4)
    for _ in range(2):
        assert planned(job_list, spools, members=4, shelf_of=shelf_of) == plain
    assert list((tmp_path / "snapshots").glob(".*.moisture"))


def test_the_search_has_the_bounds_that_its_page_states() -> None:
    numbers = {2: "two"}
    text = " ".join(
        (pathlib.Path(__file__).parents[1] / "docs" / "queue.md").read_text(encoding="utf-8").split()
    )
    for words in (
        f"Up to {choice.MOST_EXHAUSTIVE} jobs with something to choose, every assignment",
        f"Where this takes more than {choice.WITHOUT_TABLE} forecasts",
        f"beyond it up to {choice.MOST_OPTIMISED} jobs, there is a table",
        f"proposes plans, first {numbers.get(choice.PROPOSALS)}, then small changes of the best plan",
        f"up to {solver_model.CHANGED} jobs get another printer, spool or drying",
        f"the solver is asked again, up to {optimise.ROUNDS} times in all",
        f"The search ends after {choice.TIME_LIMIT_S:.0f} s",
    ):
        assert words in text
    assert (
        0 < choice.LISTED_SHARE < choice.LISTED_SHARE_ALONE < 1
    )  # of the time: something is left for the rest


def test_a_limit_is_reached_by_what_the_dried_reel_feeds() -> None:
    """Of a job of two reels the one in the dryer counts, and just long enough is enough."""
    asked = []

    def drying_time(*words):
        asked.append(words[3])
        return SimpleNamespace(seconds=HOUR)

    def reached(dried, hours):
        slots = [SimpleNamespace(length_mm=length) for length in (100.0, 900.0)]
        assignments = [SimpleNamespace(spool=name) for name in ("petg-01", "petg-02")]
        steps = [(SimpleNamespace(spool=each.spool), None) for each in assignments]
        placed = SimpleNamespace(task=SimpleNamespace(slots=slots), assignments=assignments, steps=steps)
        step = Dry("oven", NOW, NOW + hours * HOUR, 65.0, beside=(("petg-03", 0.0),))
        drying = SimpleNamespace(
            step=step, time=SimpleNamespace(reached="good"), before=SimpleNamespace(spool=dried)
        )
        return rows._reached(SimpleNamespace(drying_time=drying_time), placed, drying)

    assert [reached("petg-01", 1.0), reached("petg-02", 1.0), reached("petg-02", 0.99)] == [
        "good",
        "good",
        "marginal",
    ]
    assert asked == [100.0, 900.0, 900.0]
