"""A story: an evening of twelve jobs, nine spools, an oven, a dehydrator, two printers, somebody there 7:30 to 18:00."""

import itertools
import pathlib
from dataclasses import replace
from datetime import datetime

import pytest
from plan_checker import check
from queue_world import EVENING, evening

from gcodetool.app import queue as app
from gcodetool.app.resolve import clock
from gcodetool.cli.main import outcome
from gcodetool.moisture.solver import COMPILED
from gcodetool.queue import exchange, optimise
from gcodetool.queue.findings import DryingRow, HandOff, QueueFindings
from gcodetool.report.html.queue import picture, queue, slots_of
from gcodetool.report.queue_calendar import calendar
from gcodetool.report.queue_json import to_json
from gcodetool.report.queue_text import handoff, to_do

pytestmark = pytest.mark.skipif(not COMPILED, reason="thousands of forecasts")


@pytest.fixture(scope="module")
def planned(tmp_path_factory) -> tuple[QueueFindings, pathlib.Path]:
    """Return the plan of the evening, made once for all tests here, after a short search that no clock ends."""
    pytest.importorskip("ortools")
    path = evening(tmp_path_factory.mktemp("evening"))
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(optimise, "ROUNDS", 1)
        patched.setattr(exchange, "PATIENCE", 100)
        patched.setenv("GCODETOOL_CACHE", str(path.parent / "cache"))
        found = app.queue_plan([path], at=clock(_evening()), members=1, processes=1, limit_s=3600.0)
    return found, path


def _evening() -> float:
    return datetime.fromisoformat(EVENING).timestamp()


def test_the_evening_can_be_carried_out(planned) -> None:
    found, path = planned
    job_list, _ = app.listed([path], None, None)
    stock, _ = app.stock_of(job_list.shelf, None, job_list)
    check(found, job_list, stock)
    assert found.unmet <= 2
    assert found.rows[11].verdict == "which-filament"
    assert found.at_most is not None
    assert found.at_most >= found.made
    assert all(row.why for row in found.rows if not row.held)
    assert {row.printer for row in found.rows if not row.held} == {"bench-2", "bench-5.toml"}


def test_the_list_of_what_to_do_reads_like_orders(planned) -> None:
    """Nothing at night; every line names a machine; what begins this evening comes first."""
    found, _ = planned
    lines = list(to_do(found))
    assert lines[0][0].strip() == "16:30"
    for when, what in lines:
        hour, minute = (int(part) for part in when.split()[-1].split(":"))
        assert 7 * 60 + 30 <= hour * 60 + minute <= 18 * 60
        assert what.split(":")[0] in ("bench-2", "bench-5", "oven", "dehydrator")
    started = [what for _, what in lines if "start job" in what]
    assert len(started) == sum(not row.held for row in found.rows)
    assert any("oven: put pa6-07 in at 90 °C" in what for _, what in lines)
    assert any("mount pa6-07" in what for _, what in lines)
    # a reel that is dried for a job and a reel that comes off are named, wherever they hung before
    straight = [(name, each) for each in found.handoffs for name in each.straight]
    assert straight
    for name, each in straight:
        told = next(what for (_, what), one in zip(lines, found.handoffs, strict=True) if one is each)
        assert f"mount {name} out of the dryer" in told
    assert any("petg-05 back to bag" in what for _, what in lines)


def test_the_list_of_what_to_do_is_a_calendar_too(planned) -> None:
    """Read back by another library: each line at its moment, what goes into a dryer with the cautions of heat."""
    vobject = pytest.importorskip("vobject")
    pytest.importorskip("icalendar")
    found, _ = planned
    events = vobject.readOne(calendar(found).decode()).vevent_list
    assert len(events) == len(found.handoffs) > 0
    assert len({event.uid.value for event in events}) == len(events)
    for event, each, (_, line) in zip(events, found.handoffs, to_do(found), strict=True):
        assert event.dtstart.value.timestamp() == pytest.approx(each.at_s, abs=1.0)
        assert event.summary.value.split(":")[0] == line.split(":")[0]
        assert event.valarm.trigger.value.total_seconds() == 0
        heated = each.action == "put-in"
        assert hasattr(event, "description") == heated
        assert not heated or "do not leave heat unattended" in event.description.value
    shifted = replace(found, handoffs=tuple(replace(each, at_s=each.at_s + 3600) for each in found.handoffs))
    moved = vobject.readOne(calendar(shifted).decode()).vevent_list
    assert [event.uid.value for event in moved] == [event.uid.value for event in events]


def test_no_bar_of_the_page_lies_over_another(planned) -> None:
    found, _ = planned
    # as if the dehydrator took three at once, one of them overlapping two others
    one = found.dryings[0]
    more = [
        replace(
            one,
            spool=f"x-{at}",
            dryer="dehydrator",
            in_s=found.as_of_s + 3600 * at,
            out_s=found.as_of_s + 18_000,
        )
        for at in range(3)
    ]
    crowded = replace(found, dryings=(*found.dryings, *more))
    drawn = picture(crowded)
    assert drawn is not None
    for bars in ([bar for bar in drawn.bars if bar.y == lane.y] for lane in drawn.lanes):
        for left, right in itertools.pairwise(sorted(bars, key=lambda bar: bar.x)):
            assert left.x + left.width <= right.x + 0.2
    names = [lane.name for lane in drawn.lanes]
    slots = ["dehydrator 1", "dehydrator 2", "dehydrator 3"]
    assert sorted(names) == ["bench-2", "bench-5", *slots, "oven"]
    assert drawn.present
    assert drawn.marks
    assert "nobody is there" in queue(crowded)


def test_words_at_the_right_edge_stand_before_their_bar(planned) -> None:
    found, _ = planned
    last = max((row for row in found.rows if not row.held), key=lambda row: row.end_s)
    ends_s = max(last.end_s, *(each.out_s for each in found.dryings)) + 7200
    named = replace(last, path="a-name-of-twenty-and-more.gcode", start_s=ends_s - 300, end_s=ends_s)
    drawn = picture(replace(found, rows=tuple(named if row is last else row for row in found.rows)))
    bar = next(bar for bar in drawn.bars if "a-name" in bar.text)
    assert bar.text.endswith("a-name-of-twenty-and-more")
    assert bar.anchor == "end"
    assert bar.text_x < bar.x
    for one in drawn.bars:
        begin = one.text_x - 7 * len(one.text) if one.anchor == "end" else one.text_x
        assert begin >= 110
        assert begin + 7 * len(one.text) <= 1100
    assert 'text-anchor="end"' in queue(replace(found, rows=(*found.rows[:-1], named)))


def test_what_is_mounted_is_fetched_from_somewhere(planned) -> None:
    found, _ = planned
    starts = [each for each in found.handoffs if each.action == "start"]
    told = [what for _, what in to_do(found)]
    for each in starts:
        for name, place in each.fetched:
            assert name in (*each.mounted, *each.again)
            assert any(f"mount {name} from {place}" in what for what in told) or name in each.again
    assert ("petg-05", "bag") in {pair for each in starts for pair in each.fetched}
    again = HandOff(
        0.0, "start", "bench-2", ("pla-02",), 3, again=("pla-02",), fetched=(("pla-02", "bag"),), until_s=60.0
    )
    assert "mount pla-02 again from bag; start job 3" in handoff(again, {}, 0.0)
    out = HandOff(0.0, "take-out", "oven", ("pla-02",), 3, off=(("pla-02", "bag"),))
    assert handoff(out, {}, 0.0) == "oven: take pla-02 out, dried for job 3; pla-02 back to bag"


def test_nothing_is_dried_that_would_do_without_at_the_same_moment(planned) -> None:
    found, _ = planned
    assert all(each.undried not in ("clear", "adjust") for each in found.dryings)


def test_slots_are_used_again(planned) -> None:
    found, _ = planned
    one: DryingRow = found.dryings[0]
    stays = [(0.0, 10.0), (0.0, 5.0), (5.0, 8.0), (10.0, 12.0)]
    rows = [replace(one, dryer="oven", in_s=begin, out_s=end) for begin, end in stays]
    assert slots_of(rows) == [0, 1, 1, 0]


def test_the_evening_is_taken_up_in_the_morning(planned, tmp_path, monkeypatch) -> None:
    """The tray ran through the night, the oven is hot since 7:30: nothing is done twice, and nothing is lost."""
    first, path = planned
    monkeypatch.setattr(optimise, "ROUNDS", 1)
    monkeypatch.setenv("GCODETOOL_CACHE", str(path.parent / "cache"))
    plan = tmp_path / "plan.json"
    plan.write_text(to_json(first), encoding="utf-8")
    morning_s = datetime.fromisoformat("2026-11-26T09:40").timestamp()
    again = app.queue_plan([path], at=clock(morning_s), members=1, processes=1, from_now=plan)
    job_list, _ = app.listed([path], None, None)
    stock, _ = app.stock_of(job_list.shelf, None, job_list)
    check(again, job_list, stock)
    begun = {row.number for row in first.rows if not row.held and row.start_s < morning_s}
    assert {row.number for row in again.rows if row.progress is not None} == begun
    assert again.unmet <= first.unmet
    assert all(each.at_s >= morning_s for each in again.handoffs)
    assert not begun & {each.number for each in again.handoffs if each.action == "start"}
    assert {each.spool for each in again.dryings if each.progress == "running"} == {
        each.spool for each in first.dryings if each.in_s < morning_s < each.out_s
    }


def test_hours_and_limits_on_the_command_line(tmp_path, capsys, monkeypatch) -> None:
    path = evening(tmp_path)
    monkeypatch.setenv("GCODETOOL_CACHE", "")
    words = ["queue", str(path), "--at", EVENING, "--members", "1", "--processes", "1"]
    assert outcome([*words, "--present", "always"]) == 2
    assert "is no time of presence" in capsys.readouterr().err
    outcome([*words, "--present", "Thu 09:00-17:00", "--time-limit", "0"])
    out = " ".join(capsys.readouterr().out.split())
    assert "To do (Thu 09:00-17:00)" in out
    assert "the time was over before each job was placed once, which was done all the same" in out
    assert "Thu 09:00" in out
