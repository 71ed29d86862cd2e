"""A queue that feeds jobs from boxes: where the printer's profile allows it, and where open air will not do."""

import json
import pathlib
import re

import jsonschema
import pytest
from plan_checker import check
from queue_world import HOUR, NOW, PLACES, job, spool, stock

from gcodetool.app.check import check as check_job
from gcodetool.app.resolve import clock
from gcodetool.cli.main import outcome
from gcodetool.errors import ProfileError
from gcodetool.moisture.history import state_at
from gcodetool.profiles import printer, sample_folder
from gcodetool.queue.findings import QueueFindings
from gcodetool.queue.job_list import read_list
from gcodetool.queue.plan import plan
from gcodetool.queue.spool_simulation import as_it_was_left, moved
from gcodetool.report.html.queue import queue as page_of
from gcodetool.report.queue_json import as_dict
from gcodetool.report.queue_text import to_do

ROOMY = PLACES.replace("rh_pct = 12.0\n", "rh_pct = 12.0\nslots = 2\n")
LONG_H = 20.0
SCHEMA = json.loads((sample_folder().parent / "docs" / "queue.schema.json").read_text(encoding="utf-8"))


def machine(folder: pathlib.Path, name: str, boxes: str) -> str:
    """Write the profile of a printer with these boxes; return its file's name."""
    text = (sample_folder().parent / "profiles" / "printers" / "bench-2.toml").read_text(encoding="utf-8")
    path = folder / f"{name}.toml"
    path.write_text(f"feed_places = {boxes}\n" + text.replace('"bench-2"', f'"{name}"'), encoding="utf-8")
    return path.name


def planned(folder: pathlib.Path, jobs: str, boxes: str = '["box-2"]', **more) -> QueueFindings:
    """Plan jobs on bench-2 and bench-5, on what stands in ``shelf``; the plan is checked."""
    names = [machine(folder, name, boxes) for name in ("bench-2", "bench-5")]
    path = folder / "list.toml"
    path.write_text(
        f'shelf = "shelf"\nprinter = "{names[0]}"\n{jobs.replace("bench-5", names[1])}', encoding="utf-8"
    )
    job_list, shelf = read_list(path, printer=None), stock(folder / "shelf")
    found = plan(job_list, shelf, at_s=NOW, members=1, holds={}, **more)
    check(found, job_list, shelf, holds={})
    return found


@pytest.fixture
def folder(tmp_path) -> pathlib.Path:
    (tmp_path / "shelf").mkdir()
    job(tmp_path, "long.gcode", hours=LONG_H, metres=30, layers=4, materials=["PA6"])
    job(tmp_path, "other.gcode", hours=LONG_H, metres=29, layers=4, materials=["PA6"])
    job(tmp_path, "short.gcode", hours=0.5, metres=4, layers=2, materials=["PA6"])
    return tmp_path


def reel(
    folder: pathlib.Path, name: str, *, place: str = "bag", places: str = ROOMY, water: float = 0.1
) -> None:
    spool(folder / "shelf", name, "PA6", water=water, place=place, places=places)


LONG = '[[job]]\nfile = "long.gcode"\nspool = "pa6-07"\n'


def test_a_job_that_runs_out_in_open_air_is_fed_from_a_box(folder) -> None:
    reel(folder, "pa6-07")
    without = planned(folder, LONG, boxes="[]")
    assert without.rows[0].verdict == "runs-out"
    assert without.rows[0].held
    said = without.rows[0].instead or ""
    assert re.search(r"from a box at or below \d+ % RH this job ends [a-z ]+$", said)  # none can stand there
    found = planned(folder, LONG)
    (row,) = found.rows
    assert row.verdict in ("clear", "adjust")
    assert row.met
    assert row.tools[0].box == "box-2"
    assert "fed from box-2: from open air it would be runs-out" in (row.why or "")
    lines = [what for _, what in to_do(found)]
    assert lines[0].startswith(
        "bench-2: put pa6-07 from bag into box-2; stand box-2 there and feed pa6-07 from it; start job 1"
    )
    assert "stand box-2 there" in re.sub(r"<[^>]*>", "", page_of(found))
    told = json.loads(json.dumps(as_dict(found)))
    jsonschema.validate(told, SCHEMA)
    assert told["jobs"][0]["tools"][0]["box"] == "box-2"
    assert told["to_do"][0]["fed_from"] == [{"spool": "pa6-07", "box": "box-2", "put_in": True}]


def test_a_box_is_advised_only_for_a_printer_that_it_can_stand_at(folder) -> None:
    """Two boxes are dry enough; one of them can stand there, and has no room."""
    reel(
        folder,
        "pa6-07",
        places=PLACES
        + PLACES[PLACES.index("[place.box-2]") : PLACES.index("[place.oven]")].replace("box-2", "box-3"),
    )
    spool(folder / "shelf", "tpu-05", "TPU", place="box-2", places=PLACES)
    (row,) = planned(folder, LONG).rows
    assert not row.met
    assert "box-2 (12 % RH) will do" in (row.instead or "")
    assert "box-3" not in (row.instead or "")


def test_what_the_queue_says_of_a_box_a_check_says_too(folder) -> None:
    reel(folder, "pa6-07")
    found = planned(folder, LONG)
    checked = check_job(
        folder / "long.gcode",
        folder / "shelf" / "pa6-07.toml",
        printer=str(folder / "bench-2.toml"),
        feed="box-2",
        at=clock(NOW),
        members=1,
    )
    tool = checked.tools[0]
    assert tool.verdict.code == found.rows[0].verdict
    assert tool.forecast is not None
    assert tool.forecast.worst_wt_pct.p50 == pytest.approx(found.rows[0].tools[0].worst_wt_pct, rel=1e-9)


def test_a_reel_that_is_dry_enough_in_open_air_is_not_put_into_a_box(folder) -> None:
    reel(folder, "pa6-07")
    found = planned(folder, LONG.replace("long", "short"))
    assert found.rows[0].met
    assert found.rows[0].tools[0].box is None


def test_a_box_is_at_one_printer_at_a_time(folder) -> None:
    """Two long jobs on two printers, one box: the second waits for it, or says that it lacks it."""
    reel(folder, "pa6-07")
    reel(folder, "pa6-08")
    two = LONG + '[[job]]\nfile = "other.gcode"\nprinter = "bench-5"\nspool = "pa6-08"\n'
    found = planned(folder, two)
    first, second = found.rows
    assert first.met
    assert second.met
    assert second.start_s == first.end_s
    assert "starts when box-2 is free" in (second.why or "")
    late = planned(folder, two + "due = 2026-11-26T20:00:00+01:00\n")
    assert not late.rows[1].met
    assert late.rows[1].bottleneck == "box"


def test_a_box_takes_no_more_reels_than_it_has_room_for(folder) -> None:
    """Its records state one slot, or none: the reel that lives in it has that."""
    reel(folder, "pa6-07", places=PLACES)
    spool(folder / "shelf", "tpu-05", "TPU", place="box-2", places=PLACES)
    assert not planned(folder, LONG).rows[0].met
    (folder / "shelf" / "tpu-05.toml").unlink()
    assert planned(folder, LONG).rows[0].met


def test_a_reel_that_lives_in_the_box_is_not_put_in(folder) -> None:
    reel(folder, "pa6-07", place="box-2", places=PLACES)
    found = planned(folder, LONG)
    assert found.rows[0].met
    start = next(each for each in found.handoffs if each.action == "start")
    assert (start.boxed, start.into) == ((("pa6-07", "box-2"),), ())


def test_a_box_that_nobody_knows_is_noted(folder) -> None:
    reel(folder, "pa6-07")
    found = planned(folder, LONG, boxes='["box-9", "box-2"]')
    assert any("box-9, which bench-2.toml may be fed from, is not used" in note for note in found.notes)
    assert found.rows[0].met


def test_a_profile_names_each_box_once(tmp_path) -> None:
    path = tmp_path / "bench-2.toml"
    machine(tmp_path, "bench-2", '["box-2", "box-2"]')
    with pytest.raises(ProfileError, match=r"bench-2\.toml:1: feed_places names 'box-2' twice"):
        printer(path)
    machine(tmp_path, "bench-2", '"box-2"')
    with pytest.raises(ProfileError, match="list of texts"):
        printer(path)
    machine(tmp_path, "bench-2", '["box-2", "box-3"]')
    assert printer(path).feed_places == ("box-2", "box-3")


def test_boxes_of_the_ledger_feed_too(folder, capsys, monkeypatch) -> None:
    """The reel has never been in that box, so its own record does not have it: the ledger does."""
    monkeypatch.chdir(folder)
    monkeypatch.setenv("GCODETOOL_LEDGER", str(folder / "own.sqlite"))
    monkeypatch.setenv("GCODETOOL_CACHE", "")
    machine(folder, "bench-2", '["box-2"]')
    at = ("--at", "2026-11-25T12:00:00+01:00")
    for words in (
        "place add bench --kind open --temperature 23 --humidity 55",
        "place add box-2 --kind box --temperature 22 --humidity 12 --slots 2",
        "spool add pa6-07 --material PA6 --net-mass 250 --diameter 1.75 --place bench --water 0.1",
    ):
        assert outcome([*words.split(), *at]) == 0, capsys.readouterr().err
    capsys.readouterr()
    words = ["queue", "long.gcode", "--printer", "bench-2.toml", "--dryer", "none", "--members", "1"]
    code = outcome([*words, "--at", "2026-11-25T12:00:00+01:00", "--processes", "1"])
    out = " ".join(capsys.readouterr().out.split())
    assert code in (0, 10)
    assert "put pa6-07 from bench into box-2; stand box-2 there and feed pa6-07 from it" in out
    assert "fed from box-2: from open air it would be runs-out" in out


def test_the_dried_reel_of_a_long_job_goes_into_the_box(folder) -> None:
    """Too wet now, and back in open air it would run out: it is dried and then fed from the box."""
    reel(folder, "pa6-07", water=2.2)
    names = machine(folder, "bench-2", '["box-2"]')
    path = folder / "list.toml"
    path.write_text(f'shelf = "shelf"\nprinter = "{names}"\n[dryer.oven]\n{LONG}', encoding="utf-8")
    job_list, shelf = read_list(path, printer=None), stock(folder / "shelf")
    found = plan(job_list, shelf, at_s=NOW, members=1)
    check(found, job_list, shelf)
    (row,) = found.rows
    assert row.met
    assert len(found.dryings) == 1
    assert row.tools[0].box == "box-2"
    assert row.start_s is not None
    assert row.start_s >= NOW + HOUR
    assert any("put pa6-07 out of the dryer into box-2" in what for _, what in to_do(found))


def test_a_place_keeps_its_own_water_when_a_reel_leaves_it_and_comes_back(folder) -> None:
    """A bag does not get what the box held, and the box holds on the way back what it held when the reel left."""
    charged = PLACES.replace("rh_pct = 12.0\n", 'air_L = 9\ndesiccant = "silica gel"\ndesiccant_g = 200\n')
    reel(folder, "pa6-07", place="box-2", places=charged, water=1.0)
    before = state_at(stock(folder / "shelf").spools["pa6-07"], NOW, members=1)
    assert before.field.store_kg is not None
    bench, bag = moved(before, NOW, "bench"), moved(before, NOW, "bag")
    assert bench.field.store_kg is None and bag.field.store_kg is None
    assert as_it_was_left(bag, before).field.store_kg is None
    back = as_it_was_left(moved(bench, NOW + HOUR, "box-2"), before)
    assert back.field.store_kg == pytest.approx(before.field.store_kg)
