"""What needs a hand: rules by rows, the command's exit codes, and the calendar read by another library."""

import json
import pathlib
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool import profiles
from gcodetool.cli.main import outcome
from gcodetool.judge.due import DueFindings, DueItem, of_boxes, of_row
from gcodetool.judge.findings import Band
from gcodetool.judge.shelf_findings import SpoolRow
from gcodetool.report.calendar_file import uid
from gcodetool.report.due_calendar import calendar, key
from gcodetool.report.due_text import line
from gcodetool.report.due_words import DO, due_at, what

NOW = datetime(2026, 11, 25, 9, tzinfo=UTC).timestamp()
KINDS = {"bench": "open", "bench-1": "printer", "box-2": "box", "oven": "dryer"}
ROW = SpoolRow(
    "petg-03", "PETG", "bench-1", 0, NOW - 60, "dry", "dry", Band(0.1, 0.1, 0.1), 7200.0, "model", 7200.0,
    "bench", False, 1e5, 300.0,
)  # fmt: skip


@pytest.mark.parametrize(
    ("row", "wanted"),
    [
        (ROW, [("passes-marginal", 7200.0)]),
        (replace(ROW, place="bench"), [("put-away", 7200.0)]),
        (replace(ROW, place="box-2"), []),  # closed: no hand can do better
        (replace(ROW, keeps_s=None), []),
        (replace(ROW, word="wet", keeps_s=0.0), [("too-wet", 0.0)]),
        (replace(ROW, word="wet", keeps_s=0.0, place="bench"), []),  # nobody prints from it
        (replace(ROW, word="unknown"), [("look", 0.0)]),
        (replace(ROW, word="empty"), []),
        (replace(ROW, place="oven"), []),  # the dryer's own status says
        (replace(ROW, heat="too hot", keeps_s=None), [("look", 0.0)]),
    ],
)
def test_what_a_row_of_the_shelf_asks_for(row: SpoolRow, wanted: list[tuple[str, float]]) -> None:
    assert [(item.kind, item.at_s - NOW) for item in of_row(row, KINDS, NOW)] == wanted


def test_a_spool_that_was_too_hot_is_named_once() -> None:
    (item,) = of_row(replace(ROW, heat="petg-03: 9 h at 80 °C", keeps_s=None), KINDS, NOW)
    assert line(item) == "look at petg-03: 9 h at 80 °C"


def test_a_boxs_desiccant_is_told_once_by_whoever_says_so_first() -> None:
    rows = [replace(ROW, place="box-2", spent_s=spent_s) for spent_s in (9000.0, 5000.0, None)]
    assert of_boxes_list(rows) == [("box-2", 5000.0)]
    assert of_boxes_list([replace(ROW, spent_s=None)]) == []


def of_boxes_list(rows: list[SpoolRow]) -> list[tuple[str | None, float]]:
    return [(item.place, item.at_s - NOW) for item in of_boxes(rows, NOW)]


words = st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), min_size=1, max_size=90)
items = st.builds(
    DueItem,
    kind=st.sampled_from(sorted(DO)),
    at_s=st.floats(NOW - 1e5, NOW + 1e7),
    spool=words,
    place=words,
    job=words,
    detail=words,
)


@given(st.lists(items, max_size=4))
def test_a_calendar_reads_back_as_it_was_written(found: list[DueItem]) -> None:
    vobject = pytest.importorskip("vobject")
    pytest.importorskip("icalendar")
    text = calendar(DueFindings(NOW, 1.0, tuple(found))).decode()
    assert all(len(row.encode()) <= 75 for row in text.split("\r\n"))
    read = vobject.readOne(text)
    events = list(getattr(read, "vevent_list", []))
    assert [event.summary.value for event in events] == [what(item) for item in found]
    assert [event.uid.value for event in events] == [uid(key(item)) for item in found]
    for event, item in zip(events, found, strict=True):
        assert event.dtstart.value.timestamp() == pytest.approx(max(item.at_s, NOW), abs=1.0)


def test_the_hour_is_told_as_the_wall_shows_it() -> None:
    assert due_at(NOW - 1, NOW) == "now"
    at = NOW + 3600.0
    assert due_at(at, NOW) == datetime.fromtimestamp(at).astimezone().strftime("%H:%M")
    assert "2027" in due_at(NOW + 90 * 86_400, NOW)


@pytest.fixture
def gt(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]):
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "ledger.sqlite"))

    def call(line: str) -> tuple[int, str]:
        code = outcome(line.split())
        return code, capsys.readouterr().out

    return call


def test_what_was_never_weighed_is_weighed_now_too(gt) -> None:
    """ "0.6 g less by then" says nothing to who does not know what it weighs now."""
    gt("place add bench --kind open --temperature 22 --humidity 55")
    gt("place add oven --kind dryer --temperature 70 --room bench")
    for name in ("weighed", "not"):
        gt(f"spool add {name} --material PA6 --body abs --body-mass 230 --place bench --at 2026-11-02T08:00")
    gt("spool weigh weighed 1255 --at 2026-11-10T08:00")
    for name in ("weighed", "not"):
        gt(f"spool move {name} oven --at 2026-11-10T08:00")
    said = gt("due --at 2026-11-10T09:00 --members 8 --within 12h")[1]
    lines = {name: said.partition(f"weigh {name}: ")[2].split("oven:")[0] for name in ("weighed", "not")}
    assert lines["not"].startswith("weigh it now too; the scale should show about")
    assert lines["weighed"].startswith("the scale should show about")


def test_what_is_too_hot_comes_out_now_in_every_command(gt, tmp_path: pathlib.Path) -> None:
    """Not when it is dry, and no check says that it may stay there."""
    gt("place add bench --kind open --temperature 22 --humidity 50")
    gt("place add oven --kind dryer --temperature 88 --room bench --slots 2")
    gt("spool add tpu-1 --material TPU --body polystyrene --place bench --at 2026-11-02T08:00")
    gt("spool move tpu-1 oven --at 2026-11-02T09:00")
    later = "--at 2026-11-02T18:00 --members 8"
    out = gt(f"due {later}")[1]
    now = " ".join(out.split())
    assert now.startswith("now") and "take tpu-1 out of oven: oven is too hot for it" in now
    assert out.count("out of oven") == 1
    job = profiles.sample_folder() / "hose-clips-tpu.gcode"
    said = " ".join(gt(f"check {job} --spool tpu-1 --place bench {later}")[1].split())
    assert "> take it out of oven now: it is too hot for it there" in said
    assert "where it is (oven)" not in said


def test_when_a_reel_comes_out_is_told_with_what_is_true_then(gt) -> None:
    gt("place add bench --kind open --temperature 22 --humidity 50")
    gt("place add oven --kind dryer --temperature 62 --room bench")
    gt("spool add petg-1 --material PETG --body abs --place bench --at 2026-11-02T08:00")
    gt("spool move petg-1 oven --at 2026-11-02T09:00")
    out = " ".join(gt("due --at 2026-11-02T15:00 --members 16 --within 40h")[1].split())
    assert (
        "take petg-1 out of oven: it is surely dry then, 19 chances in 20; now its wettest turns hold" in out
    )
    assert "not dry yet" not in out  # beside another hour than that


def test_from_nothing_due_to_a_dryer_that_waits(gt, tmp_path: pathlib.Path) -> None:
    gt("place add bench --kind open --temperature 22 --humidity 40")
    gt("place add oven --kind dryer --temperature 63 --room bench")
    gt(
        "place add box-2 --kind box --air 9 --desiccant clay --desiccant-mass 1 --room bench --leak 3 --temperature 22"
    )
    gt(
        "spool add petg-03 --material PETG --body abs --body-mass 230 --place bench --at 2026-11-02T08:00+00:00"
    )
    few = "--members 8"
    code, out = gt(f"due --at 2026-11-02T09:00+00:00 {few}")
    assert (code, out.splitlines()[0]) == (0, "nothing due within 1 d 0 h")
    gt("spool weigh petg-03 1230.5 --at 2026-11-02T09:00+00:00")
    gt("spool move petg-03 oven --at 2026-11-02T09:30+00:00")
    page = tmp_path / "filament.ics"
    code, out = gt(f"due --at 2026-11-02T10:00+00:00 {few} --json --ics {page}")
    said = json.loads(out)
    assert code == 10
    assert said["schema"] == "gcodetool/due/1"
    assert {item["kind"] for item in said["due"]} == {"take-out", "weigh"}
    assert page.read_bytes().count(b"BEGIN:VEVENT") == len(said["due"]) + len(said["later"])
    code, out = gt(f"due --at 2026-11-04T10:00+00:00 {few}")
    assert code == 10
    assert out.startswith("now")
    assert "take petg-03 out of oven" in out
    assert "Take petg-03 out" not in out
    gt("spool move petg-03 box-2 --at 2026-11-04T10:00+00:00")  # a gram of clay against three grams a day
    code, out = gt(f"due --at 2026-11-04T10:05+00:00 --within 9d {few}")
    assert code == 10
    assert "the desiccant of box-2 is spent" in out


def test_waiting_jobs_say_until_when(gt, tmp_path: pathlib.Path) -> None:
    from gcodetool.app.waiting import waiting_jobs
    from gcodetool.profiles import sample_folder

    gt("place add bench --kind open --temperature 22 --humidity 60")
    gt("place add bench-1 --kind printer --printer bench-1 --room bench")
    gt("spool add tpu-05 --material TPU --water 0.01 --place bench --at 2026-11-02T08:00+00:00")
    gt("spool move tpu-05 bench-1 --at 2026-11-02T08:00+00:00")
    jobs = tmp_path / "jobs"
    jobs.mkdir()
    (jobs / "clips.gcode").write_bytes((sample_folder() / "hose-clips-tpu.gcode").read_bytes())
    (jobs / "broken.gcode.gz").write_bytes(b"no gzip")
    code, out = gt(f"due --jobs {jobs} --printer bench-1 --at 2026-11-02T08:10+00:00 --members 8 --json")
    said = json.loads(out)
    assert code == 10
    assert [(item["job"], item["spool"]) for item in said["due"] if item["kind"] == "start-by"] == [
        ("clips.gcode", "tpu-05")
    ]
    assert gt(f"due --jobs {jobs / 'none'}")[0] == 2
    (jobs / "rings.gcode").write_bytes((sample_folder() / "spacer-rings-pla.gcode").read_bytes())
    _, _, rings = waiting_jobs(jobs, printer="bench-1", at=1793692800.0, members=1)  # 2026-11-03 08:00Z
    assert rings.misfits[0] == "T0 is sliced for PLA, but tpu-05 is TPU_95A: check temperatures and spool"
