"""A dried reel that waits for its job in its dryer: off where that keeps its own air, else warm; and no drying twice."""

import io
import json
import pathlib
import random
from datetime import datetime

import jsonschema
import pytest
from plan_checker import check
from queue_world import HOUR, NOW, PLACES, job, spool
from queue_worlds import HOURS

from gcodetool.app.queue import listed, queue_plan, stock_of
from gcodetool.moisture.solver import COMPILED
from gcodetool.profiles import sample_folder
from gcodetool.queue.findings import QueueFindings
from gcodetool.report.html.queue import queue as page_of
from gcodetool.report.queue_calendar import calendar
from gcodetool.report.queue_json import to_json
from gcodetool.report.queue_text import print_queue, to_do

SCHEMA = json.loads((sample_folder().parent / "docs" / "queue.schema.json").read_text(encoding="utf-8"))

OWN_AIR = "exchange_m3_h = 0.001\nair_L = 5\n"


def places(air: str = "", *, slots: int = 1) -> str:
    """Return a bench, printers and an oven, but no box or bag that a reel could wait in."""
    start, rest = PLACES.split("[place.bag]")
    oven = rest[rest.index("[place.oven]") :]
    return start + oven.replace('room = "bench"\n', f'room = "bench"\nslots = {slots}\n{air}', 1)


def local(at_s: float) -> str:
    return datetime.fromtimestamp(at_s).astimezone().isoformat()


def world(
    folder: pathlib.Path,
    air: str,
    hours: float,
    *,
    water: float,
    net_g: float,
    more: str = "",
    jobs: str = "",
) -> pathlib.Path:
    """Write two short jobs that a wet reel is named for, the second one so many hours from now at the earliest."""
    (folder / "shelf").mkdir()
    spool(folder / "shelf", "tpu-02", "TPU", water=water, place="bench", net_g=net_g, places=places(air))
    for name in "ab":
        job(folder, f"{name}.gcode", hours=0.4, metres=4, materials=["TPU"])
    entry = '[[job]]\nfile = "{}.gcode"\nspool = "tpu-02"\n'
    later = f"earliest = {local(NOW + hours * HOUR)}\n"
    path = folder / "list.toml"
    path.write_text(
        f'shelf = "shelf"\nprinter = "bench-1"\n{more}\n{entry.format("a")}{jobs}{entry.format("b")}{later}',
        encoding="utf-8",
    )
    return path


def planned(path: pathlib.Path, at_s: float = NOW, earlier: pathlib.Path | None = None) -> QueueFindings:
    found = queue_plan(
        [path],
        at=datetime.fromtimestamp(at_s).astimezone(),
        members=1,
        processes=1,
        limit_s=20.0,
        from_now=earlier,
    )
    job_list, _ = listed([path], None, None)
    shelf, _ = stock_of(job_list.shelf, None, job_list)
    check(found, job_list, shelf)
    return found


def orders(found: QueueFindings) -> list[str]:
    return [what for _, what in to_do(found)]


def test_a_reel_goes_back_into_its_dryer_off_between_two_jobs_and_is_not_dried_twice(tmp_path) -> None:
    found = planned(world(tmp_path, OWN_AIR, 36, water=0.22, net_g=250))
    (wait,) = found.waits
    assert (len(found.dryings), found.unmet, wait.waits, wait.undried) == (1, 0, "off", "dry-first")
    assert found.heat_s == pytest.approx(found.dryings[0].seconds)  # it waits without
    assert wait.in_s == found.rows[0].end_s
    assert any("oven: put tpu-02 back in, heat off, door shut, until" in what for what in orders(found))
    assert any("mount tpu-02 out of the dryer; start job 2" in what for what in orders(found))
    assert not any("dried twice" in note for note in found.notes)
    assert "tpu-02 waits for it in oven, not heated" in (found.rows[1].why or "")


def test_in_the_rooms_air_it_waits_warm_and_no_longer_than_it_was_dried(tmp_path) -> None:
    short, days = tmp_path / "short", tmp_path / "days"
    short.mkdir()
    days.mkdir()
    found = planned(world(short, "", 4, water=0.9, net_g=60))
    (wait,) = found.waits
    assert (len(found.dryings), wait.waits, wait.temperature_C) == (1, "warm", 70.0)
    assert found.heat_s == pytest.approx(found.dryings[0].seconds + wait.seconds)
    assert any(
        "oven: put tpu-02 back in at 70 °C, until 21:00, to wait for job 2" in what for what in orders(found)
    )
    late = planned(world(days, "", 40, water=0.9, net_g=60))
    assert (len(late.dryings), late.waits) == (2, ())


def test_whom_another_drying_needs_the_dryer_for_comes_out(tmp_path) -> None:
    """The other reel is dried at another temperature meanwhile: the first one does not wait there, and is dried again."""
    more = '[[job]]\nfile = "c.gcode"\nprinter = "bench-2"\nspool = "petg-01"\n'
    path = world(tmp_path, "", 4, water=0.9, net_g=60, jobs=more + f"due = {local(NOW + 12 * HOUR)}\n")
    spool(tmp_path / "shelf", "petg-01", water=0.38, place="bench", net_g=60, places=places())
    job(tmp_path, "c.gcode", hours=0.4, metres=4)
    found = planned(path)
    assert found.unmet == 0
    assert not found.waits
    assert [each.spool for each in found.dryings].count("tpu-02") == 2
    (other,) = [each for each in found.dryings if each.spool == "petg-01"]
    assert other.in_s < NOW + 4 * HOUR


def test_a_reel_that_is_dry_before_the_night_stays_in_the_dryer_that_is_off_till_its_job(tmp_path) -> None:
    """By day only is the oven hot, and the printer is busy till late: on the bench it would be too wet by the morning."""
    (tmp_path / "shelf").mkdir()
    leaky = "exchange_m3_h = 0.01\nair_L = 5\n"
    spool(tmp_path / "shelf", "pa6-07", "PA6", water=0.55, place="bench", places=places(leaky))
    job(tmp_path, "a.gcode", hours=0.4, metres=4, materials=["PA6"])
    path = tmp_path / "list.toml"
    path.write_text(
        'shelf = "shelf"\nprinter = "bench-1"\npresent = ["Mon-Fri 07:30-18:00"]\n'
        f'[busy]\n"bench-1" = {local(NOW + 30 * HOUR)}\n[dryer.oven]\n'
        '[[job]]\nfile = "a.gcode"\nspool = "pa6-07"\n',
        encoding="utf-8",
    )
    found = planned(path)
    (row,), (drying,), (wait,) = found.rows, found.dryings, found.waits
    assert (row.met, wait.stays, wait.waits, wait.undried) == (True, True, "off", "dry-first")
    assert (drying.out_s, row.start_s) == (wait.in_s, wait.out_s)
    assert wait.seconds > 13 * HOUR
    assert any(what.startswith("oven: heat off; leave pa6-07 in, door shut, until") for what in orders(found))
    assert not any("take pa6-07 out" in what for what in orders(found))


@pytest.mark.parametrize("hours_in", [0.2, 1.0])
def test_a_plan_is_taken_up_while_a_reel_waits_in_its_dryer(hours_in, tmp_path) -> None:
    path = world(tmp_path, OWN_AIR, 36, water=0.22, net_g=250)
    first = planned(path)
    (wait,) = first.waits
    earlier = tmp_path / "plan.json"
    earlier.write_text(to_json(first), encoding="utf-8")
    again = planned(path, wait.in_s + hours_in * HOUR, earlier)
    (now,) = again.waits
    assert now.progress == "running"
    assert (now.in_s, now.out_s) == pytest.approx((wait.in_s, wait.out_s))
    assert now.waits == "off"
    assert [row.progress for row in again.rows] == ["done", None]
    assert again.rows[1].start_s == pytest.approx(first.rows[1].start_s)
    assert again.rows[1].tools[0].worst_wt_pct == pytest.approx(first.rows[1].tools[0].worst_wt_pct)
    assert again.heat_s == 0.0
    assert any("mount tpu-02 out of the dryer" in what for what in orders(again))


def test_text_json_page_and_calendar_tell_of_it(tmp_path) -> None:
    path = world(tmp_path, OWN_AIR, 36, water=0.22, net_g=250)
    found = planned(path)
    text = io.StringIO()
    print_queue(found, text, width=200)
    assert "tpu-02 waits 1h32 in oven, not heated, for job 2: next fed" in text.getvalue()
    said = json.loads(to_json(found))
    jsonschema.validate(said, SCHEMA)
    (wait,) = said["waits"]
    assert (wait["heat"], wait["stays"], wait["without"]["verdict"]) == ("off", False, "dry-first")
    assert [each["waits"] for each in said["to_do"] if each["action"] == "put-in"] == [None, "off"]
    entries = calendar(found).decode()
    assert "heat off\\, door shut" in entries.replace("\r\n ", "")
    page = page_of(found)
    assert "waits in oven, not heated, Fri" in page
    assert ">tpu-02 waits<" in page


# ---------------------------------------------------------------- laws


def waiting_world(dice: random.Random, folder: pathlib.Path) -> pathlib.Path:
    """Write a workshop in which reels are wanted again hours after they were dried."""
    (folder / "shelf").mkdir()
    air = {
        name: dice.choice(("", f"exchange_m3_h = {dice.choice((0.001, 0.01, 0.03))}\nair_L = 5\n"))
        for name in ("oven", "dehydrator")
    }
    known = places(air["oven"], slots=dice.choice((1, 2))) + (
        '[place.dehydrator]\nkind = "dryer"\ntemperature_C = 60.0\nmax_temperature_C = 75.0\nslots = 3\nroom = "bench"\n'
        + air["dehydrator"]
    )
    known = known.replace("rh_pct = 55.0", f"rh_pct = {dice.choice((45, 70))}")
    materials = {"TPU": (0.12, 0.2, 0.6), "PETG": (0.33, 0.4), "PA6": (0.55, 0.7, 2.4)}
    reels = []
    for number in range(dice.randint(1, 3)):
        material = dice.choice(sorted(materials))
        reels.append((f"{material.lower()}-{number}", material))
        spool(
            folder / "shelf",
            reels[-1][0],
            material,
            water=dice.choice(materials[material]),
            place=dice.choice(("bench", "bench-1", "oven"))
            if number == 0
            else dice.choice(("bench", "oven")),
            net_g=dice.choice((60, 250)),
            places=known,
        )
    head = ['shelf = "shelf"', f"turnaround_min = {dice.choice((0, 10))}"]
    if windows := dice.choice((*HOURS, ())):
        head.append(f"present = {list(windows)}".replace("'", '"'))
    if dice.random() < 0.3:
        head.append(f'[busy]\n"bench-1" = {local(NOW + dice.choice((16, 22, 40)) * HOUR)}')
    for dryer in dice.choice((("oven",), ("oven", "dehydrator"))):
        head.append(f"[dryer.{dryer}]" + dice.choice(("", "\nunattended = true")))
    for number in range(dice.randint(2, 6)):
        name, material = dice.choice(reels)
        hours, metres = dice.choice(((0.4, 3), (1, 8), (3, 12)))
        path = job(folder, f"part-{number}.gcode", hours=hours, metres=metres, layers=3, materials=[material])
        printer = "bench-1" if number == 0 else dice.choice(("bench-1", "bench-2"))
        entry = [f'[[job]]\nfile = "{path.name}"\nprinter = "{printer}"']
        if dice.random() < 0.7:
            entry.append(f'spool = "{name}"')
        if dice.random() < 0.6:
            entry.append(f"earliest = {local(NOW + dice.choice((4, 9, 17, 22, 27, 40)) * HOUR)}")
        if dice.random() < 0.2:
            entry.append(f"due = {local(NOW + dice.choice((60, 90)) * HOUR)}")
        head.append("\n".join(entry))
    path = folder / "list.toml"
    path.write_text("\n".join(head), encoding="utf-8")
    return path


def carried_out(number: int, folder: pathlib.Path) -> list[QueueFindings]:
    """Plan a world of that number, and take its plan up again while a reel waits; raise what is broken."""
    path = waiting_world(random.Random(f"waiting {number}"), folder)
    found = [planned(path)]
    if found[0].waits:
        middle = found[0].waits[0]
        earlier = folder / "plan.json"
        earlier.write_text(to_json(found[0]), encoding="utf-8")
        at_s = float(round((middle.in_s + middle.out_s) / 2))
        found.append(planned(path, at_s, earlier))
    return found


@pytest.mark.skipif(not COMPILED, reason="hundreds of forecasts")
@pytest.mark.parametrize("number", [0, 1])
def test_what_waits_can_be_carried_out(number, tmp_path) -> None:
    carried_out(number, tmp_path)
