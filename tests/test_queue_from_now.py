"""A plan that was begun is taken up again: what runs runs on, what dries stays in, the rest is planned anew."""

import contextlib
import json
import pathlib
from collections.abc import Iterator
from datetime import datetime

import jsonschema
import pytest
from plan_checker import check
from queue_world import HOUR, NOW, job, spool

from gcodetool.app.queue import listed, queue_plan, stock_of
from gcodetool.cli.main import outcome
from gcodetool.errors import GcodetoolError
from gcodetool.profiles import sample_folder
from gcodetool.queue.begun import read_plan
from gcodetool.queue.findings import QueueFindings
from gcodetool.report.html.queue import picture
from gcodetool.report.queue_json import to_json

SCHEMA = json.loads((sample_folder().parent / "docs" / "queue.schema.json").read_text(encoding="utf-8"))


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path_factory, monkeypatch) -> None:
    monkeypatch.setenv("GCODETOOL_CACHE", "")


@pytest.fixture
def folder(tmp_path) -> pathlib.Path:
    """Write three jobs of two reels on one printer, and an oven: a clear one, one to be dried for, one more."""
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    job(tmp_path, "first.gcode", hours=2, metres=20)
    job(tmp_path, "wet.gcode", hours=2, metres=8, materials=["TPU"])
    job(tmp_path, "last.gcode", hours=1, metres=10)
    spool(shelf, "petg-03", water=0.02, place="bag", net_g=100)
    spool(shelf, "tpu-02", "TPU", water=0.9, place="bench")
    (tmp_path / "list.toml").write_text(
        'shelf = "shelf"\nprinter = "bench-1"\nturnaround_min = 10\n[dryer.oven]\n'
        '[[job]]\nfile = "first.gcode"\n[[job]]\nfile = "wet.gcode"\n[[job]]\nfile = "last.gcode"\n',
        encoding="utf-8",
    )
    return tmp_path


def planned(folder: pathlib.Path, at_s: float, *, name: str = "list.toml", **more) -> QueueFindings:
    """Plan the list; what comes of it is written beside it as ``plan.json``, if there is none."""
    found = queue_plan(
        [folder / name], at=datetime.fromtimestamp(at_s).astimezone(), members=1, processes=1, **more
    )
    told = to_json(found)
    jsonschema.validate(json.loads(told), SCHEMA)
    if not (folder / "plan.json").exists():
        (folder / "plan.json").write_text(told, encoding="utf-8")
    return found


def checked(folder: pathlib.Path, found: QueueFindings, *, name: str = "list.toml") -> None:
    job_list, _ = listed([folder / name], None, None)
    shelf, _ = stock_of(job_list.shelf, None, job_list)
    check(found, job_list, shelf)


def test_a_plan_taken_up_while_it_runs_is_the_plan(folder) -> None:
    """Nothing went otherwise, so nothing is planned otherwise: the same starts, spools and dryings, to the microsecond."""
    first = planned(folder, NOW)
    checked(folder, first)
    assert first.unmet == 0
    (drying,) = first.dryings
    for later_s in (NOW + 60.0, (drying.in_s + drying.out_s) / 2, drying.out_s + 0.5 * HOUR):
        again = planned(folder, later_s, from_now=folder / "plan.json")
        checked(folder, again)
        for one, other in zip(first.rows, again.rows, strict=True):
            assert other.start_s == pytest.approx(one.start_s, abs=1e-3)
            assert [tool.spool for tool in other.tools] == [tool.spool for tool in one.tools]
            assert other.verdict == one.verdict
            begun = one.start_s < later_s
            assert other.progress == (None if not begun else "done" if one.end_s <= later_s else "running")
            assert other.tools[0].left_mm == pytest.approx(one.tools[0].left_mm, abs=1.0)
            assert other.tools[0].worst_wt_pct == pytest.approx(one.tools[0].worst_wt_pct, rel=1e-3)
        (kept,) = again.dryings
        assert (kept.spool, kept.dryer) == (drying.spool, drying.dryer)
        assert kept.out_s == pytest.approx(drying.out_s, abs=1e-3)
        assert all(each.at_s >= later_s for each in again.handoffs)
        ahead = [each for each in first.handoffs if each.at_s > later_s]
        assert [(each.action, each.spools) for each in again.handoffs] == [
            (each.action, each.spools) for each in ahead
        ]
        drawn = picture(again)
        assert drawn is not None
        assert all(bar.x >= 110.0 for bar in drawn.bars)


def test_a_plan_may_be_taken_up_twice(folder) -> None:
    """The second time from what came of the first: what was done before either is still counted."""
    first = planned(folder, NOW)
    second = planned(folder, NOW + 2.5 * HOUR, from_now=folder / "plan.json")
    (folder / "second.json").write_text(to_json(second), encoding="utf-8")
    late_s = first.rows[-1].start_s + 60.0
    third = planned(folder, late_s, from_now=folder / "second.json")
    checked(folder, third)
    assert third.begun_s == first.as_of_s
    assert [row.progress for row in third.rows].count(None) == sum(
        row.start_s >= late_s for row in first.rows
    )
    assert third.rows[-1].tools[0].left_mm == pytest.approx(first.rows[-1].tools[0].left_mm, abs=1.0)


def test_a_job_that_was_not_started_is_planned_anew(folder) -> None:
    first = planned(folder, NOW)
    later_s = NOW + HOUR
    assert first.rows[0].start_s < later_s
    again = planned(folder, later_s, from_now=folder / "plan.json", not_started=[1])
    checked(folder, again)
    assert again.rows[0].progress is None
    assert again.rows[0].start_s >= later_s
    assert again.rows[0].tools[0].left_mm == pytest.approx(first.rows[0].tools[0].left_mm, abs=1.0)


def test_what_was_noted_since_counts_and_the_plan_does_not(folder) -> None:
    """The reel was weighed after its job: its record has that, so the plan takes nothing off it once more."""
    first = planned(folder, NOW)
    later_s = first.rows[0].end_s + 60.0
    silent = planned(folder, later_s, from_now=folder / "plan.json")
    path = folder / "shelf" / "petg-03.toml"
    fed = '\n[[event]]\nat = 2026-11-25T20:00:30+01:00\nkind = "fed"\nlength_mm = 25000\n'
    path.write_text(path.read_text(encoding="utf-8") + fed, encoding="utf-8")
    assert later_s > NOW + 2 * HOUR + 30
    noted = planned(folder, later_s, from_now=folder / "plan.json")
    last = [found.rows[2].tools[0].left_mm for found in (silent, noted)]
    whole = first.rows[0].tools[0].left_mm
    assert last[0] == pytest.approx(whole - 20_000, abs=10.0)
    assert last[1] == pytest.approx(whole - 25_000, abs=10.0)


def test_a_new_job_of_the_list_is_planned_around_what_runs(folder) -> None:
    first = planned(folder, NOW)
    path = folder / "list.toml"
    job(folder, "rush.gcode", hours=0.5, metres=3)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[[job]]", '[[job]]\nfile = "rush.gcode"\n[[job]]', 1), encoding="utf-8")
    again = planned(folder, NOW + HOUR, from_now=folder / "plan.json")
    checked(folder, again)
    assert [row.progress for row in again.rows[:2]] == [None, "running"]
    assert again.rows[0].start_s == pytest.approx(first.rows[0].end_s + 600.0, abs=1e-3)


def test_what_a_plan_cannot_be_taken_up_from_is_one_line(folder, capsys, monkeypatch) -> None:
    monkeypatch.chdir(folder)
    planned(folder, NOW)
    plan = folder / "plan.json"
    words = ["queue", "list.toml", "--members", "1", "--processes", "1", "--at", "2026-11-25T19:00:00+01:00"]

    def said(*more: str, code: int) -> str:
        assert outcome([*words, *more]) == code
        err = capsys.readouterr().err.strip()
        assert "\n" not in err
        return err

    assert "name it with --from-now" in said("--not-started", "1", code=2)
    assert "those were: 1" in said("--from-now", "plan.json", "--not-started", "3", code=2)
    (folder / "none.json").write_text("{}", encoding="utf-8")
    assert "not a plan of gcodetool" in said("--from-now", "none.json", code=1)
    assert "no such plan" in said("--from-now", "no.json", code=1)
    half = json.loads(plan.read_text(encoding="utf-8"))
    del half["jobs"][0]["tools"]
    (folder / "half.json").write_text(json.dumps(half), encoding="utf-8")
    assert "not complete" in said("--from-now", "half.json", code=1)
    words[-1] = "2026-11-25T17:00:00+01:00"
    assert "later than --at" in said("--from-now", "plan.json", code=2)
    words[-1] = "2026-11-25T19:00:00+01:00"
    listed_ = folder / "list.toml"
    listed_.write_text(
        listed_.read_text(encoding="utf-8").replace('[[job]]\nfile = "first.gcode"\n', ""), encoding="utf-8"
    )
    assert "first.gcode, was begun and is not in the list" in said("--from-now", "plan.json", code=2)


def test_a_plan_with_any_value_gone_wrong_is_read_or_refused(folder) -> None:
    """Each value in turn is something else: never a traceback, and what is read can be written again."""
    planned(folder, NOW)
    whole = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    (folder / "bad.json").write_text("", encoding="utf-8")
    tried = 0
    for keys in paths(whole):
        for value in (None, -1, 1e300, "word", [], {}):
            bad = json.loads(json.dumps(whole))
            inner = bad
            for key in keys[:-1]:
                inner = inner[key]
            inner[keys[-1]] = value
            (folder / "bad.json").write_text(json.dumps(bad), encoding="utf-8")
            with contextlib.suppress(GcodetoolError):
                read_plan(folder / "bad.json", NOW + HOUR)
            tried += 1
    assert tried > 500


def paths(value: object) -> Iterator[tuple[object, ...]]:
    """Yield where each value of a JSON object stands; of a list, of its first entry."""
    inner = (
        value.items() if isinstance(value, dict) else enumerate(value[:1]) if isinstance(value, list) else ()
    )
    for key, each in inner:
        yield (key,)
        yield from ((key, *more) for more in paths(each))


def test_a_reel_that_a_plan_had_taken_out_of_the_dryer_to_make_room_is_not_in_it_any_more(folder) -> None:
    """Without it the second plan would have it dry on in there, and let somebody take it out again."""
    shelf = folder / "shelf"
    spool(shelf, "petg-03", water=0.3, place="oven", net_g=100)
    (folder / "list.toml").write_text(
        'shelf = "shelf"\nprinter = "bench-1"\n[dryer.oven]\n[[job]]\nfile = "wet.gcode"\n'
        '[[job]]\nfile = "last.gcode"\nearliest = 2026-11-27T12:00:00\n',
        encoding="utf-8",
    )
    first = planned(folder, NOW)
    (out,) = [each for each in first.handoffs if each.action == "take-out" and each.number is None]
    assert (out.at_s, out.spools) == (NOW, ("petg-03",))
    rows = {row.number: row for row in first.rows}
    (drying,) = [each for each in first.dryings if each.spool == "tpu-02"]
    at_s = NOW + HOUR
    for _ in range(2):  # taken up once, and what came of that once more
        again = planned(folder, at_s, from_now=folder / "plan.json")
        checked(folder, again)
        assert again.made_room == (("petg-03", NOW),)
        assert not [each for each in again.handoffs if each.action == "take-out" and each.number is None]
        for row in again.rows:
            assert row.start_s == pytest.approx(rows[row.number].start_s)
            assert row.tools[0].worst_wt_pct == pytest.approx(rows[row.number].tools[0].worst_wt_pct)
        (folder / "plan.json").write_text(to_json(again), encoding="utf-8")
        at_s += HOUR / 4
    assert at_s < drying.out_s
    moved = NOW + HOUR / 2  # the record says that it was put into the bag since
    noted = datetime.fromtimestamp(moved).astimezone().isoformat()
    spool(
        shelf,
        "petg-03",
        water=0.3,
        place="oven",
        net_g=100,
        events=f'[[event]]\nat = {noted}\nkind = "moved"\nplace = "bag"\n',
    )
    checked(folder, planned(folder, at_s, from_now=folder / "plan.json"))
