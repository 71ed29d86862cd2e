"""What a shop asks of a plan: hands only while somebody is there, several printers, nothing green that nobody knows."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from plan_checker import check
from queue_world import HOUR, NOW, PLACES, job, spool, stock

from gcodetool import profiles
from gcodetool.errors import UsageError
from gcodetool.moisture.record import Event, Place, Spool
from gcodetool.queue import plan
from gcodetool.queue.findings import QueueFindings
from gcodetool.queue.job_list import JobList, JobRequest, QueuePrinter, ToolRequest, by_profile, from_paths
from gcodetool.queue.presence import ALWAYS, presence_of
from gcodetool.queue.tasks import Stock, mounted_spools
from gcodetool.report.queue_text import to_do

DAY = presence_of(["Mon-Fri 07:30-18:30"])  # the stories begin on a Wednesday at 17:00 UTC


def planned(job_list: JobList, spools: Stock, **more) -> QueueFindings:
    found = plan.plan(job_list, spools, at_s=NOW, **({"members": 1} | more))
    check(found, job_list, spools, holds=more.get("holds"))
    return found


# ---------------------------------------------------------------- never green without knowing


def test_a_job_whose_filament_nobody_named_is_asked_for(tmp_path) -> None:
    job(tmp_path, "a.gcode", materials=[""])
    spool(tmp_path, "petg-03", place="bench-1")
    job_list = from_paths([tmp_path], printer="bench-1")
    asked = planned(job_list, stock(tmp_path))
    (row,) = asked.rows
    assert (row.verdict, row.held, row.met) == ("which-filament", True, False)
    assert asked.exit_code == 30
    assert "petg-03 is on the printer: --assume-mounted" in row.because
    assert not asked.handoffs
    taken = planned(job_list, stock(tmp_path), assume_mounted=True)
    assert taken.rows[0].tools[0].spool == "petg-03"
    assert any("taken: petg-03" in said for said in taken.rows[0].cautions)
    coloured = replace(
        job_list, requests=(replace(job_list.requests[0], tools={None: ToolRequest(colour="natural")}),)
    )
    assert planned(coloured, stock(tmp_path)).rows[0].verdict == "which-filament"


def test_a_job_that_would_run_out_is_not_started(tmp_path) -> None:
    job(tmp_path, "long.gcode", hours=14, metres=40, materials=["TPU"])
    spool(tmp_path, "tpu-05", "TPU", water=0.02, place="box-2")
    found = planned(from_paths([tmp_path], printer="bench-1"), stock(tmp_path), holds={})
    (row,) = found.rows
    assert (row.verdict, row.held) == ("runs-out", True)
    assert not found.handoffs


def test_a_job_that_spoils_a_reel_for_another_says_so(tmp_path) -> None:
    first = job(tmp_path, "a.gcode", hours=1, metres=2, materials=["TPU"])
    second = job(tmp_path, "b.gcode", hours=1, metres=6, materials=["TPU"])
    spool(tmp_path, "tpu-05", "TPU", water=0.02, place="box-2")
    requests = tuple(JobRequest(path, "bench-1") for path in (first, second))
    job_list = replace(from_paths([first], printer="bench-1"), requests=requests)
    found = planned(job_list, stock(tmp_path), holds={})
    one, two = found.rows
    assert (one.met, two.met) == (True, False)
    assert any("it leaves tpu-05 too wet for job 2" in said for said in one.cautions)


def test_a_reel_that_is_dried_twice_is_seen(tmp_path) -> None:
    paths = [job(tmp_path, f"{name}.gcode", hours=0.4, metres=4, materials=["TPU"]) for name in "ab"]
    spool(tmp_path, "tpu-02", "TPU", water=0.3, place="bench", net_g=60)
    named = {None: ToolRequest(spool="tpu-02")}
    requests = (
        JobRequest(paths[0], "bench-1", named),
        JobRequest(paths[1], "bench-1", named, NOW + 40 * HOUR),
    )
    job_list = replace(from_paths(paths[:1], printer="bench-1"), requests=requests)
    found = planned(job_list, stock(tmp_path))
    assert len(found.dryings) == 2
    assert any("tpu-02 is dried twice" in note for note in found.notes)


def test_a_job_waits_for_a_later_drying_where_the_reel_would_get_wet_before_it_begins(tmp_path) -> None:
    """The oven is hot by day only, and the printer is busy overnight: dried the day before, the reel would be wet again."""
    path = job(tmp_path, "seal.gcode", hours=0.4, metres=4, materials=["TPU"])
    spool(tmp_path, "tpu-02", "TPU", water=0.9, place="bench", net_g=60)
    job_list = replace(
        from_paths([path], printer="bench-1"),
        presence=presence_of(["Mon-Fri 07:30-18:00"]),
        busy={"bench-1": NOW + 30 * HOUR},  # into the night of the day after
        holds={"oven": 1},
    )
    found = planned(job_list, stock(tmp_path))
    check(found, job_list, stock(tmp_path))
    (row,), (drying,) = found.rows, found.dryings
    assert row.met
    assert row.start_s == drying.out_s
    assert drying.in_s > NOW + 30 * HOUR  # the morning after that


# ---------------------------------------------------------------- people


@pytest.mark.parametrize(
    ("word", "says"),
    [
        ("daily", "write Mon-Fri"),
        ("Mon 25:00-26:00", "no time of day"),
        ("Mon 8:00-8:00", "no stretch"),
        ("Foo 8:00-9:00", "write Mon-Fri"),
    ],
)
def test_hours_that_are_none_are_refused(word, says) -> None:
    with pytest.raises(UsageError, match=says):
        presence_of([word])


hours = st.lists(
    st.builds(
        "{}-{} {:02}:00-{:02}:30".format,
        st.sampled_from(["Mon", "Wed", "Sat"]),
        st.sampled_from(["Tue", "Fri", "Sun"]),
        st.integers(0, 23),
        st.integers(0, 23),
    ),
    min_size=1,
    max_size=3,
).map(presence_of)
moments = st.integers(0, 14 * 24 * 60).map(lambda minutes: NOW + 60.0 * minutes)


@given(hours, moments, st.integers(1, 900).map(lambda minutes: 60.0 * minutes), st.booleans())
def test_stays_lie_within_the_hours(presence, at_s, seconds, alone) -> None:
    assert presence.there(presence.next_s(at_s))
    assert presence.there(presence.last_s(at_s))
    assert presence.last_s(at_s) <= at_s <= presence.next_s(at_s)
    first = presence.stay_from(at_s, seconds, alone=alone)
    if first is not None:
        assert first[0] >= at_s
        assert first[1] - first[0] >= seconds
        assert presence.there(first[0])
        assert presence.there(first[1])
        last = presence.stay_until(first[1], seconds, alone=alone)
        assert last is not None  # nothing that fits is missed looking back
        assert last[0] >= first[0]
        if not alone:
            assert presence.next_s((first[0] + first[1]) / 2) == (first[0] + first[1]) / 2
    assert ALWAYS.stay_from(at_s, seconds, alone=False) == (at_s, at_s + seconds)


def test_nothing_is_started_mounted_or_taken_out_at_night(tmp_path) -> None:
    for number in (1, 2):
        job(tmp_path, f"part-{number}.gcode", hours=3, metres=10)
    spool(tmp_path, "petg-03", place="bench-1", water=0.02)
    job_list = replace(from_paths([tmp_path], printer="bench-1"), presence=DAY)
    found = planned(job_list, stock(tmp_path))
    first, second = found.rows
    assert first.start_s == NOW
    assert first.end_s > NOW + 1.5 * HOUR  # a print that has begun runs on
    assert second.start_s == NOW + 14.5 * HOUR  # 07:30 the next day
    assert second.why.endswith("starts when the printer is free")


def test_heat_waits_for_somebody_unless_the_dryer_may_run_alone(tmp_path) -> None:
    job(tmp_path, "a.gcode", hours=1)
    spool(tmp_path, "petg-04", water=0.6, place="bench")
    job_list = replace(from_paths([tmp_path], printer="bench-1"), presence=DAY)
    watched = planned(job_list, stock(tmp_path))
    (drying,) = watched.dryings
    assert drying.in_s >= NOW + 14.5 * HOUR
    alone = planned(replace(job_list, unattended=frozenset(["oven"])), stock(tmp_path))
    (drying,) = alone.dryings
    assert NOW <= drying.in_s <= NOW + 1.5 * HOUR
    assert drying.out_s == alone.rows[0].start_s == NOW + 14.5 * HOUR
    assert any("may run alone" in said for said in drying.cautions)
    short = replace(job_list, presence=presence_of(["Mon-Fri 09:00-10:00"]))
    never = planned(short, stock(tmp_path))
    assert not never.dryings
    assert never.rows[0].bottleneck == "presence"


# ---------------------------------------------------------------- machines


def fitting(tmp_path, *fits: str) -> JobList:
    paths = [job(tmp_path, f"part-{number}.gcode", hours=3, metres=10) for number in (1, 2)]
    requests = tuple(JobRequest(path, "bench-2", fits=fits) for path in paths)
    return replace(
        from_paths(paths[:1], printer="bench-2"),
        requests=requests,
        printers={name: by_profile(name) for name in ("bench-1", "bench-2", "bench-3")},
    )


def test_a_job_goes_to_another_printer_only_where_the_list_says_that_it_fits(tmp_path) -> None:
    for name in ("petg-03", "petg-04"):
        spool(tmp_path, name, water=0.02)
    stays = planned(fitting(tmp_path), stock(tmp_path))
    assert {row.printer for row in stays.rows} == {"bench-2"}
    busy = replace(fitting(tmp_path, "bench-3"), busy={"bench-2": NOW + 9 * HOUR})
    goes = planned(busy, stock(tmp_path))
    assert {row.printer for row in goes.rows} == {"bench-3"}
    assert "on bench-2 it would start" in goes.rows[0].why


def test_what_a_spool_of_the_material_misses_is_said(tmp_path) -> None:
    path = spool(tmp_path, "petg-03", water=0.02)
    own = path.read_text(encoding="utf-8")
    path.write_text(own.replace("diameter_mm = 1.75", "diameter_mm = 2.85"), encoding="utf-8")
    job_list = replace(fitting(tmp_path), requests=fitting(tmp_path).requests[:1])
    words = "; filament_diameter = 1.75\n"
    part = job(tmp_path, "part-1.gcode", hours=3, metres=10, words=words)
    job_list = replace(job_list, requests=(replace(job_list.requests[0], path=part),))
    (row,) = planned(job_list, stock(tmp_path)).rows
    assert "no spool of PETG on the shelf is of 1.75 mm, as the file is sliced for (petg-03: 2.85 mm)" in str(
        row
    )
    path.write_text(own, encoding="utf-8")
    brown = replace(job_list.requests[0], tools={None: ToolRequest(material="PETG", colour="brown")})
    (row,) = planned(replace(job_list, requests=(brown,)), stock(tmp_path)).rows
    assert "no spool of brown PETG on the shelf (petg-03: of another colour, or none is noted)" in str(row)


def test_of_two_printers_of_one_kind_each_has_its_own_reels() -> None:
    profile = profiles.printer("bench-1")
    places = {name: Place(name, "printer", printer="bench-1", room="bench") for name in ("left", "right")}
    places["bench"] = Place("bench", "open", 22.0, 48.0)
    events = (Event(NOW - 7200.0, "received", "bench"), Event(NOW - 3600.0, "moved", "right"))
    reel = Spool("petg-03", profiles.material("PETG"), 1.75, 750.0, places, events, in_ledger=True)
    printers = {name: QueuePrinter(profile, (name,)) for name in ("left", "right")}
    shop = JobList(requests=(), printers=printers)
    assert mounted_spools(shop, Stock({"petg-03": reel}), NOW, []) == {("right", 0): "petg-03"}


def test_a_printer_with_another_firmware_is_refused_and_said(tmp_path) -> None:
    spool(tmp_path, "petg-03", water=0.02)
    found = planned(fitting(tmp_path, "bench-1"), stock(tmp_path))
    assert {row.printer for row in found.rows} == {"bench-2"}
    assert any("does not go to bench-1" in said and "klipper" in said for said in found.rows[0].cautions)


def test_a_printer_that_is_due_too_late_names_what_is_missing(tmp_path) -> None:
    spool(tmp_path, "petg-03", water=0.02)
    job_list = fitting(tmp_path)
    requests = tuple(replace(request, due_s=NOW + 4 * HOUR) for request in job_list.requests)
    found = planned(replace(job_list, requests=requests), stock(tmp_path))
    assert [row.met for row in found.rows] == [True, False]
    assert found.rows[1].bottleneck in ("printer", None)
    spool(tmp_path, "petg-04", water=0.02)
    again = planned(replace(job_list, requests=requests), stock(tmp_path))
    assert again.rows[1].bottleneck == "printer"


# ---------------------------------------------------------------- order


def ordered(tmp_path) -> tuple[JobList, Stock]:
    """Return a long job without a due time before two short ones that are due soon."""
    spool(tmp_path, "petg-03", water=0.02, place="bench-1")
    requests = [JobRequest(job(tmp_path, "long.gcode", hours=8, metres=10), "bench-1")]
    for number in (1, 2):
        path = job(tmp_path, f"short-{number}.gcode", hours=1, metres=4)
        requests.append(JobRequest(path, "bench-1", due_s=NOW + 3 * HOUR))
    job_list = replace(from_paths([requests[0].path], printer="bench-1"), requests=tuple(requests))
    return job_list, stock(tmp_path)


def test_in_list_order_the_plan_says_what_another_order_would_save(tmp_path) -> None:
    job_list, spools = ordered(tmp_path)
    found = planned(job_list, spools, holds={})
    assert [row.met for row in found.rows] == [True, False, False]
    assert any("by due time" in note and "2 more make it" in note for note in found.notes)


def test_a_free_order_is_changed_where_that_gains_something_and_says_what(tmp_path) -> None:
    job_list, spools = ordered(tmp_path)
    found = planned(replace(job_list, free_order=True), spools, holds={})
    assert found.unmet == 0
    assert "2 more make it" in found.search
    assert found.rows[0].start_s > found.rows[1].start_s
    at_ease = replace(
        job_list, free_order=True, requests=tuple(replace(each, due_s=None) for each in job_list.requests)
    )
    kept = planned(at_ease, spools, holds={})
    assert [row.start_s for row in kept.rows] == sorted(row.start_s for row in kept.rows)


def test_a_job_of_priority_goes_before_others_where_not_all_make_it(tmp_path) -> None:
    spool(tmp_path, "petg-03", water=0.02, place="bench-1")
    requests = [
        JobRequest(job(tmp_path, f"part-{at}.gcode", hours=2, metres=4), "bench-1", due_s=NOW + 4.5 * HOUR)
        for at in range(3)
    ]
    requests[2] = replace(requests[2], priority=5)
    job_list = replace(
        from_paths([requests[0].path], printer="bench-1"), requests=tuple(requests), free_order=True
    )
    found = planned(job_list, stock(tmp_path), holds={})
    assert found.rows[2].met
    assert found.made == 6


def test_a_reel_that_moves_to_another_printer_at_once_is_said_to_come_off_first(tmp_path) -> None:
    """Thu 09:00 of the second week: job 1's reel goes to another printer, whose line comes after its own printer's."""
    spool(tmp_path, "petg-04", water=0.02)
    spool(tmp_path, "pa6-01", "PA6", water=0.1)
    jobs = [
        job(tmp_path, f"{name}.gcode", hours=3, metres=4, layers=2, materials=[material])
        for name, material in (("tray", "PETG"), ("bracket", "PA6"), ("clips", "PETG"))
    ]
    requests = [
        JobRequest(path, name) for path, name in zip(jobs, ("bench-2", "bench-2", "bench-3"), strict=True)
    ]
    job_list = replace(
        from_paths(jobs[:1], printer="bench-2"),
        requests=tuple(requests),
        printers={name: by_profile(name) for name in ("bench-2", "bench-3")},
        presence=presence_of(["Thu 09:00-10:00"]),
    )
    found = planned(job_list, stock(tmp_path), holds={})
    starts = [what for _, what in to_do(found) if "start job" in what]
    assert "parts of job 1 off; take petg-04 off; mount pa6-01 from bag; start job 2" in starts[1]
    assert "mount petg-04 from bench-2; start job 3" in starts[2]


def test_a_reel_that_stands_in_the_oven_comes_out_for_its_job_and_its_heat_is_not_anothers(tmp_path) -> None:
    """What is dried beside it is counted whole: the plan has no other reason for that heat."""
    paths = [job(tmp_path, f"{name}.gcode", hours=0.4, metres=4, materials=["TPU"]) for name in "ab"]
    places = PLACES.replace("temperature_C = 65.0", "slots = 2\ntemperature_C = 70.0")
    spool(tmp_path, "tpu-01", "TPU", water=0.02, place="oven", net_g=60, places=places)
    spool(tmp_path, "tpu-02", "TPU", water=0.9, place="bench", net_g=60, places=places)
    requests = (
        JobRequest(paths[0], "bench-1", {None: ToolRequest(spool="tpu-01")}, NOW + 9 * HOUR),
        JobRequest(paths[1], "bench-2", {None: ToolRequest(spool="tpu-02")}),
    )
    job_list = replace(
        from_paths(paths[:1], printer="bench-1"),
        requests=requests,
        printers={name: by_profile(name) for name in ("bench-1", "bench-2")},
    )
    found = planned(job_list, stock(tmp_path), holds={"oven": 2})
    (drying,) = found.dryings
    assert found.heat_s == pytest.approx(drying.seconds)
    assert any("mount tpu-01 out of the dryer; start job 1" in what for _, what in to_do(found))


def test_a_reel_that_fed_another_tool_meanwhile_is_mounted_again(tmp_path) -> None:
    """It lives on the printer, and hangs on one of its tools only: the list has to say so."""
    both = job(tmp_path, "two.gcode", hours=0.5, materials=["PETG", "PLA"])
    again = job(tmp_path, "two-again.gcode", hours=0.6, materials=["PETG", "PLA"])
    alone = job(tmp_path, "one.gcode", hours=0.5, materials=["PLA"])
    spool(tmp_path, "petg-03", place="bag")
    spool(tmp_path, "pla-11", "PLA", water=0.05, place="bench-1")
    requests = tuple(JobRequest(path, "bench-1") for path in (both, alone, again))
    job_list = replace(from_paths([both], printer="bench-1"), requests=requests)
    found = planned(job_list, stock(tmp_path), holds={})
    assert [row.met for row in found.rows] == [True] * 3
    starts = {each.number: {*each.mounted, *each.again} for each in found.handoffs if each.action == "start"}
    assert "pla-11" in starts[2]
    assert starts[3] == {"petg-03", "pla-11"}


def test_a_reel_that_the_next_job_on_its_printer_does_not_need_goes_back_to_its_place(tmp_path) -> None:
    """The forecast has it there from then on: it must not be left on the second tool."""
    both = job(tmp_path, "two.gcode", hours=0.5, materials=["PETG", "PLA"])
    one = job(tmp_path, "one.gcode", hours=0.5)
    spool(tmp_path, "petg-03", place="bag")
    spool(tmp_path, "pla-11", "PLA", water=0.05, place="bag")
    requests = tuple(JobRequest(path, "bench-1") for path in (both, one))
    job_list = replace(from_paths([both], printer="bench-1"), requests=requests)
    found = planned(job_list, stock(tmp_path), holds={})
    lines = [what for _, what in to_do(found)]
    assert any("parts of job 1 off; pla-11 back to bag; start job 2" in what for what in lines)
