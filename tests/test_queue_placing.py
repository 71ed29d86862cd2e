"""Where the dryings of a job go: as late as they can, or early where they would be in the way of each other."""

from dataclasses import replace

import pytest
from queue_world import HOUR, NOW, job, spool, stock
from queue_worlds import asked_of, with_boxes

from gcodetool.moisture.solver import COMPILED
from gcodetool.queue.dryer_slots import Placement
from gcodetool.queue.handoffs import handoffs_of
from gcodetool.queue.job_list import JobRequest, ToolRequest, by_profile, from_paths
from gcodetool.queue.placing import schedule_job
from gcodetool.queue.schedule import Assignment
from gcodetool.queue.search import greedy

pytestmark = pytest.mark.skipif(not COMPILED, reason="dozens of forecasts")


def test_a_jobs_two_reels_that_would_be_in_each_others_way_late_are_dried_early(tmp_path) -> None:
    """One dryer of one reel, the second reel is at another job first: put off, the first would be in when it comes."""
    for name in ("petg-03", "petg-04"):
        spool(tmp_path, name, water=0.42, place="bench")
    path = job(tmp_path, "pair.gcode", materials=["PETG", "PETG"], layers=2)
    reels = {0: ToolRequest(spool="petg-03"), 1: ToolRequest(spool="petg-04")}
    job_list = replace(
        from_paths([path], printer="bench-2"),
        requests=(JobRequest(path, "bench-2", reels),),
        holds={"oven": 1},
    )
    memo, start, (task,) = asked_of(job_list, stock(tmp_path))
    given = tuple(Assignment(slot.spools[0], "oven") for slot in task.slots)
    assert [each.spool for each in given] == ["petg-03", "petg-04"]
    first_reel = next(iter(task.slots))
    alone = Placement(memo, start).first(given[0], "oven", first_reel.length_mm)
    assert alone is not None
    busy_s = NOW + (alone.out_s - NOW) / 2
    busy = replace(start, free_s={"petg-04": busy_s})
    placed = schedule_job(memo, busy, task, given)
    assert placed is not None
    assert placed.last is not None
    one, other = placed.last.tried
    assert (one.step.in_s, one.step.out_s) == (NOW, alone.out_s)
    assert one.step.out_s <= other.step.in_s < other.step.out_s == placed.last.start_s
    # where the dryer takes both, nothing is in the way: both come out when the job begins
    both = schedule_job(memo, replace(busy, holds={"oven": 2}), task, given)
    assert both is not None
    assert both.last is not None
    assert [each.step.out_s for each in both.last.tried] == [both.last.start_s] * 2
    assert both.last.start_s < placed.last.start_s
    assert busy_s < both.last.start_s - HOUR


def test_a_job_asks_for_no_forecast_that_cannot_better_its_place(tmp_path) -> None:
    """The reel that hangs there already comes first, also where it hangs at the other printer; the rest must be mounted."""
    spool(tmp_path, "petg-01", place="bench-2")
    for number in range(2, 6):
        spool(tmp_path, f"petg-{number:02}")
    path = job(tmp_path, "clip.gcode", layers=2)
    job_list = replace(
        from_paths([path], printer="bench-3"),
        requests=(JobRequest(path, "bench-3", fits=("bench-2",)),),
        printers={name: by_profile(name) for name in ("bench-2", "bench-3")},
    )
    memo, start, tasks = asked_of(job_list, stock(tmp_path))
    found = greedy(memo, start, tasks)
    assert found.last is not None
    assert found.last.task.printer == "bench-2"
    assert [each.spool for each in found.last.assignments] == ["petg-01"]
    assert len(memo.prints) == 1


def test_a_reel_that_lives_on_a_printer_comes_out_of_the_box_that_fed_it(tmp_path) -> None:
    """The box of one slot goes to the other printer: what was in it is back on its own, and is put in again later."""
    spool(tmp_path, "petg-03", place="bench-2")
    spool(tmp_path, "petg-04")
    paths = [job(tmp_path, f"part-{number}.gcode", layers=2, metres=5 + number) for number in range(3)]
    job_list = replace(
        from_paths(paths, printer="bench-2"),
        requests=tuple(
            JobRequest(path, printer, {None: ToolRequest(spool=name)})
            for path, (printer, name) in zip(
                paths,
                (("bench-2", "petg-03"), ("bench-3", "petg-04"), ("bench-2", "petg-03")),
                strict=True,
            )
        ),
        printers={name: with_boxes(name, ("box-2",)) for name in ("bench-2", "bench-3")},
    )
    memo, schedule, tasks = asked_of(job_list, stock(tmp_path))
    for task in tasks:
        placed = schedule_job(memo, schedule, task, (Assignment(task.slots[0].spools[0], box="box-2"),))
        assert placed is not None
        schedule = placed
    todo = handoffs_of(schedule)
    starts = [each for each in todo if each.action == "start"]
    assert [each.into for each in starts] == [("petg-03",), ("petg-04",), ("petg-03",)]
    assert [each.again for each in starts] == [(), (), ("petg-03",)]
    (first,) = (each for each in todo if each.action == "clear" and each.number == 1)
    assert first.off == (("petg-03", "bench-2"),)
    assert todo.index(first) < todo.index(starts[1])
    assert schedule.cost.handoffs == 3 * 2  # to the feed, and into the box
