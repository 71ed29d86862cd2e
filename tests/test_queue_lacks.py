"""What a job lacks that does not make it: each bottleneck by a workshop that has that one, and no other."""

import pathlib
from dataclasses import replace
from typing import Any

import pytest
from plan_checker import check
from queue_world import HOUR, NOW, job, spool, stock
from queue_worlds import asked_of

from gcodetool.profiles import Printer
from gcodetool.queue import explain, placing
from gcodetool.queue.findings import Bottleneck, JobRow, QueueFindings
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.job_list import JobList, JobRequest, QueuePrinter, ToolRequest, by_profile, from_paths
from gcodetool.queue.plan import plan
from gcodetool.queue.rows import Told, dryings_of
from gcodetool.queue.schedule import Schedule
from gcodetool.queue.search import greedy, replay, ways
from gcodetool.report.queue_json import drying_dict
from gcodetool.report.queue_text import reason, without_others


def listed(*requests: JobRequest) -> JobList:
    names = ("bench-1", "bench-2", "bench-3")
    return replace(
        from_paths([requests[0].path], printer="bench-1"),
        requests=requests,
        printers={name: by_profile(name) for name in names},
    )


def planned(folder: pathlib.Path, job_list: JobList, **more) -> QueueFindings:
    spools = stock(folder)
    found = plan(job_list, spools, at_s=NOW, members=1, **more)
    check(found, job_list, spools, holds=more.get("holds"))
    return found


def lack(row: JobRow) -> Bottleneck | None:
    assert not row.met
    return row.bottleneck


def wanted(path: pathlib.Path, name: str, printer: str = "bench-1", due_h: float | None = None) -> JobRequest:
    due_s = None if due_h is None else NOW + due_h * HOUR
    return JobRequest(path, printer, {None: ToolRequest(spool=name)}, due_s=due_s)


def test_a_dryer_of_one_slot_for_two_wet_reels(tmp_path) -> None:
    requests = []
    for number in (1, 2):
        spool(tmp_path, f"petg-{number}", water=0.38, place="bench")
        path = job(tmp_path, f"part-{number}.gcode", hours=1)
        requests.append(wanted(path, f"petg-{number}", f"bench-{number}", due_h=12))
    found = planned(tmp_path, listed(*requests))
    assert found.rows[0].met
    assert lack(found.rows[1]) == "dryer"


def test_one_reel_for_two_printers_at_a_time(tmp_path) -> None:
    spool(tmp_path, "petg-03", water=0.02)
    requests = [
        wanted(job(tmp_path, f"part-{number}.gcode", hours=3), "petg-03", f"bench-{number}", due_h=4)
        for number in (1, 2)
    ]
    found = planned(tmp_path, listed(*requests))
    assert found.rows[0].met
    assert lack(found.rows[1]) == "reel"


def test_a_job_longer_than_any_reel_or_than_there_is_time_and_one_that_nothing_dries(tmp_path) -> None:
    spool(tmp_path, "petg-03", water=0.02, net_g=30)
    long_ = planned(tmp_path, listed(wanted(job(tmp_path, "a.gcode", metres=50), "petg-03")))
    assert lack(long_.rows[0]) == "filament"
    late = planned(tmp_path, listed(wanted(job(tmp_path, "b.gcode", hours=3), "petg-03", due_h=2)))
    assert lack(late.rows[0]) == "time"
    assert "; it takes longer than there is until then (" in reason(late.rows[0], NOW)
    over = planned(tmp_path, listed(wanted(job(tmp_path, "b.gcode", hours=3), "petg-03", due_h=-1)))
    assert "; its due time is over (" in reason(over.rows[0], NOW)
    spool(tmp_path, "petg-03", water=0.5, place="bench")
    wet = planned(tmp_path, listed(wanted(job(tmp_path, "c.gcode"), "petg-03")), holds={})
    assert lack(wet.rows[0]) == "water"


def test_a_printer_with_another_nozzle_is_refused_and_said(tmp_path) -> None:
    spool(tmp_path, "petg-03", water=0.02)
    path = job(tmp_path, "part.gcode")
    job_list = listed(JobRequest(path, "bench-2", fits=("bench-3",)))
    profile = job_list.printers["bench-2"].profile
    assert isinstance(profile, Printer)
    wide = replace(profile, name="bench-3", hot_end=replace(profile.hot_end, nozzle_mm=0.8))
    found = planned(
        tmp_path, replace(job_list, printers={**job_list.printers, "bench-3": QueuePrinter(wide)})
    )
    assert found.rows[0].printer == "bench-2"
    assert any("does not go to bench-3" in said and "0.8 mm" in said for said in found.rows[0].cautions)


def test_what_another_order_would_save_is_true_of_it(tmp_path) -> None:
    """The list in the order that the note speaks of lets as many more make it as the note says."""
    spool(tmp_path, "petg-03", water=0.02, place="bench-1")
    spans = [(8.0, None), (1.0, 3.0), (1.0, 3.0)]
    requests = [
        wanted(job(tmp_path, f"part-{at}.gcode", hours=hours, metres=4), "petg-03", due_h=due_h)
        for at, (hours, due_h) in enumerate(spans)
    ]
    as_listed = planned(tmp_path, listed(*requests), holds={})
    by_due = planned(tmp_path, listed(*requests[1:], requests[0]), holds={})
    gained = as_listed.unmet - by_due.unmet
    assert gained == 2
    assert any(f"{gained} more make it" in note for note in as_listed.notes)


def test_of_a_reel_of_which_nothing_is_known_nothing_is_said_to_lack(tmp_path) -> None:
    """Its record begins later: not even how long it is can be said, so no reel "has so much filament" would be untrue."""
    spool(tmp_path, "petg-03", water=0.02)
    path = job(tmp_path, "part.gcode", hours=1)
    found = plan(listed(wanted(path, "petg-03")), stock(tmp_path), at_s=NOW - 24 * HOUR, members=1)
    assert found.rows[0].verdict == "unknown"
    assert not found.rows[0].met
    assert found.rows[0].bottleneck is None


def test_what_drying_would_do_is_forecast_in_full_for_the_likeliest_reels_alone(
    tmp_path, monkeypatch
) -> None:
    """Six wet reels for a job that is due too soon for any drying: the quick forecast says which would be best."""
    for number in range(6):
        spool(tmp_path, f"petg-{number}", water=0.38 + number / 100, place="bench")
    path = job(tmp_path, "part.gcode", hours=1, metres=20)
    asked: list[bool] = []

    def counted(memo: ForecastMemo, *rest: Any, **more: Any) -> Schedule | None:
        asked.append(memo.options.exposures)
        return placing.schedule_job(memo, *rest, **more)

    monkeypatch.setattr(explain, "schedule_job", counted)
    found = planned(tmp_path, listed(JobRequest(path, "bench-1", due_s=NOW + 2 * HOUR)))
    assert "dried first (petg-0 " in (found.rows[0].instead or "")
    assert "too late" in (found.rows[0].instead or "")
    assert 1 <= sum(asked) <= explain.FORECAST_IN_FULL < len(asked)


def test_a_drying_says_who_else_would_not_make_it_without(tmp_path) -> None:
    """A job that could do without is dried, so that a shorter one goes first; without it that one is late."""
    spool(tmp_path, "petg-01", water=0.15, place="bench")
    spool(tmp_path, "pla-02", "PLA", water=0.05, place="bench")
    requests = [
        JobRequest(job(tmp_path, "long.gcode", hours=6, metres=30), "bench-1"),
        JobRequest(
            job(tmp_path, "short.gcode", hours=1, metres=8, materials=["PLA"]),
            "bench-1",
            due_s=NOW + 3 * HOUR,
        ),
    ]
    job_list = replace(
        from_paths([requests[0].path], printer="bench-1"), requests=tuple(requests), holds={"oven": 1}
    )
    memo, start, tasks = asked_of(job_list, stock(tmp_path))
    chosen = [
        next(way for way in ways(memo, tasks[0], start) if way.assignments[0].dryer == "oven"),
        next(ways(memo, tasks[1], start)),
    ]
    done = replay(memo, start, chosen)
    assert done is not None
    assert [each.met for each in done.all()] == [True, True]
    assert explain.others_without(memo, start, done) == {(1, "petg-01"): (2,)}
    with pytest.MonkeyPatch.context() as patched:  # a later drying could not be had then: nobody knows
        patched.setattr(explain, "replay", lambda _, __, plan: done if plan[0] == chosen[0] else None)
        assert explain.others_without(memo, start, done) == {}
    row = dryings_of(memo, done, Told(others=explain.others_without(memo, start, done)))[0]
    assert (row.undried, row.others) == ("adjust", (2,))
    assert drying_dict(row)["without"]["others"] == [2]
    assert without_others(row) == ", but job 2 would not make it"


def test_a_job_that_a_drying_would_help_does_not_lack_one(tmp_path) -> None:
    spool(tmp_path, "petg-01", water=0.6, place="bench")
    job_list = listed(wanted(job(tmp_path, "part.gcode", hours=1), "petg-01"))
    memo, dryers, tasks = asked_of(job_list, stock(tmp_path))
    nothing = replace(dryers, holds={})
    done = greedy(memo, nothing, tasks)
    assert explain.bottlenecks(memo, nothing, done, ()) == {1: "water"}
    assert explain.bottlenecks(memo, nothing, done, {1}) == {}
    undried = replay(memo, dryers, [next(ways(memo, tasks[0], dryers))])
    assert undried is not None
    said, helped = explain.hints(memo, memo, undried)
    assert helped == {1}
    assert said[1].startswith("dried first (petg-01 ")
    assert " h in oven) it would be " in said[1]
