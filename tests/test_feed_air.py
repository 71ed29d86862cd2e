"""The air at the feed: the humidity that is told is the edge, for every box, and a box is judged as it is read."""

import json
from dataclasses import replace

import numpy as np
import pytest

from gcodetool import profiles
from gcodetool.app.check import check
from gcodetool.cli.main import outcome
from gcodetool.errors import UsageError
from gcodetool.judge import feed_air
from gcodetool.judge.feed_air import air_of_feed, feed_need, last_shown
from gcodetool.judge.print_air import air_of_print
from gcodetool.judge.print_judgement import judge_print
from gcodetool.judge.reasons import feed_sentence
from gcodetool.judge.verdict_codes import worse
from gcodetool.ledger.spoolfile import read_spool
from gcodetool.moisture.history import state_at
from gcodetool.moisture.record import AirLog, Event, Place, Spool
from gcodetool.moisture.solver import COMPILED
from gcodetool.motion.feed import ToolFeed

FOLDER = profiles.sample_folder()
MEMBERS = 24
HOUR = 3600.0
NOW = 1.79e9
pytestmark = pytest.mark.skipif(not COMPILED, reason="minutes where the kernels run interpreted")
AT = "2026-11-25T09:00:00+01:00"


@pytest.fixture
def run(capsys, monkeypatch, tmp_path):
    monkeypatch.setenv("GCODETOOL_PROFILES", str(tmp_path / "no-profiles"))
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "shelf.db"))

    def call(*words):
        code = outcome([*map(str, words)])
        out, err = capsys.readouterr()
        return code, out, err

    return call


def feed(hours: float, metres: float, rows: int = 12) -> ToolFeed:
    at = np.linspace(180.0, 180.0 + hours * HOUR, rows + 1)
    segments = np.stack([at[:-1], at[1:], np.full(rows, 1000.0 * metres / rows)], axis=1)
    ends_s = float(at[-1])
    return ToolFeed(0, segments, np.arange(1, rows + 1), 1000.0 * metres, hours * HOUR, ends_s, ends_s)


def dried(material: str, hours_ago: float = 0.1) -> Spool:
    """Return a spool out of a long drying, on a bench in damp air."""
    made = profiles.material(material)
    places = (
        Place("bench", "open", 23.0, 62.0),
        Place("oven", "dryer", float(made.dry_at_C), dew_point_C=-20.0),
    )
    events = (
        Event(NOW - 200 * HOUR, "received", "bench", sealed=False),
        Event(NOW - 100 * HOUR, "moved", "oven"),
        Event(NOW - hours_ago * HOUR, "moved", "bench"),
    )
    return Spool("one", made, 1.75, 750.0, {each.name: each for each in places}, events)


SCENES = [
    ("TPU_95A", 6.0, 60.0),
    ("PA6", 10.0, 90.0),
    ("PETG", 30.0, 120.0),
    ("PC", 20.0, 90.0),
    ("PA12", 40.0, 200.0),
]


@pytest.mark.parametrize(("material", "hours", "metres"), SCENES)
@pytest.mark.parametrize("confidence", [0.5, 0.8])
def test_the_humidity_told_is_the_edge(material, hours, metres, confidence):
    """One per cent below it a box of any name gives the verdict, one above it does not."""
    spool, job = dried(material), feed(hours, metres)
    state = state_at(spool, NOW, members=MEMBERS)
    around = air_of_print(spool, state, at_s=NOW)
    code = judge_print(state, around, job, confidence=confidence, explain=False).code
    need = feed_need(state, around, job, code, confidence=confidence)
    assert need is not None
    assert need.verdict is not None
    assert need.rh_max_pct is not None
    assert 1.0 <= need.rh_max_pct < 99.0
    for rh_pct, better in (
        (max(1.0, need.rh_max_pct - 1.0), True),
        (need.rh_max_pct, True),
        (need.rh_max_pct + 1.0, False),
    ):
        box = Place("the-one-beside-it", "box", 23.0, rh_pct)
        with_box = replace(spool, places={**spool.places, box.name: box})
        air = air_of_feed(with_box, state, box.name, around, NOW)
        found = judge_print(state, air, job, confidence=confidence, explain=False).code
        assert (not worse(found, need.verdict)) == better, (rh_pct, found)


def test_the_scenes_gain_either_verdict_in_a_few_forecasts(monkeypatch):
    """As docs/storage.md has it: five to eight of them, of which a rough one takes a third of the time."""
    made, wanted = [], set()
    real = feed_air.forecast

    def counted(*args, rough=False, **more):
        made.append(1 / 3 if rough else 1)
        return real(*args, rough=rough, **more)

    monkeypatch.setattr(feed_air, "forecast", counted)
    for material, hours, metres in SCENES:
        spool = dried(material)
        state = state_at(spool, NOW, members=MEMBERS)
        around = air_of_print(spool, state, at_s=NOW)
        made.clear()
        need = feed_need(state, around, feed(hours, metres), "runs-out", confidence=0.8)
        assert need is not None
        wanted.add(need.verdict)
        assert len(made) >= 5
        assert sum(made) <= 6
    assert wanted == {"clear", "adjust"}


@pytest.mark.parametrize(
    ("job", "printer", "spool"),
    [
        ("hose-clips-petg", "bench-1", "petg-03"),
        ("hose-clips-tpu", "bench-1", "tpu-05"),
        ("hose-clips-tpu", "bench-1", "tpu-02"),
        ("drip-manifold-pa", "rig-4", "pa6-07"),
        ("spacer-rings-pla", "bench-3", "pla-11"),
    ],
)
def test_the_edge_holds_on_every_sample(job, printer, spool):
    record = read_spool(FOLDER / "shelf" / f"{spool}.toml")

    def asked(rh_pct: float):
        box = Place("any", "box", 22.0, rh_pct)
        there = replace(record, places={**record.places, "any": box})
        return check(FOLDER / f"{job}.gcode", there, printer=printer, at=_at(), feed="any", members=MEMBERS)

    found = asked(15.0)
    need = found.tools[0].feed
    assert found.feed is need
    assert need is not None
    assert (need.place, need.rh_pct) == ("any", 15.0)
    if need.verdict is None:
        assert found.verdict in ("dry-first", "runs-out")
        return
    assert need.rh_max_pct is not None
    assert not worse(asked(max(1.0, need.rh_max_pct - 1.0)).verdict, need.verdict)
    if need.rh_max_pct <= 99.0:
        assert worse(asked(need.rh_max_pct + 1.0).verdict, need.verdict)


def _at() -> float:
    import datetime

    return datetime.datetime.fromisoformat(AT).timestamp()


def test_a_clear_job_is_not_asked_about():
    found = check(
        FOLDER / "hose-clips-petg.gcode",
        FOLDER / "shelf" / "petg-03.toml",
        printer="bench-1",
        at=_at(),
        members=4,
    )
    assert found.verdict == "clear"
    assert found.feed is None


def test_the_boxes_of_a_record_are_judged_as_they_are_read():
    spool, job = dried("TPU_95A"), feed(6.0, 60.0)
    hour = AirLog((NOW - 2 * HOUR, NOW - HOUR), (22.0, 22.0), (50.0, 3.0))
    old = AirLog((NOW - 90 * HOUR,), (22.0,), (12.0,))
    boxes = {
        "dry": Place("dry", "box", log=hour),
        "damp": Place("damp", "box", 22.0, 60.0),
        "old": Place("old", "box", 22.0, air_L=8.0, desiccant="silica gel", desiccant_g=300.0, log=old),
    }
    state = state_at(spool, NOW, members=MEMBERS)
    around = air_of_print(spool, state, at_s=NOW)
    need = feed_need(state, around, job, "runs-out", confidence=0.5, boxes=boxes)
    assert need is not None
    listed = {each.place: each for each in need.boxes}
    assert (listed["dry"].rh_pct, listed["damp"].rh_pct, listed["old"].rh_pct) == (3.0, 60.0, None)
    assert listed["dry"].enough
    assert not listed["damp"].enough
    assert "dry (3 % RH)" in feed_sentence(need)
    assert "damp" not in feed_sentence(need)
    assert last_shown(boxes["old"], NOW) is None  # by its desiccant: read four days ago
    assert last_shown(replace(boxes["old"], desiccant=None, air_L=None), NOW) == (22.0, 12.0, 90 * HOUR)


def test_a_feed_that_is_none_is_named(tmp_path, run):
    spool = str(FOLDER / "shelf" / "tpu-05.toml")
    call = ("check", str(FOLDER / "hose-clips-tpu.gcode"), "--spool", spool, "--at", AT, "--members", "4")
    code, _, err = run(*call, "--feed", "nowhere")
    assert code == 2
    assert "--feed 'nowhere'" in err
    code, _, err = run(*call, "--feed", "bench-1")
    assert code == 2
    assert "fed from a box or a dryer" in err
    with pytest.raises(UsageError):
        check(FOLDER / "hose-clips-tpu.gcode", spool, feed="nowhere", at=_at(), members=4)


def test_report_text_page_and_header_say_the_same_sentence(tmp_path, run):
    job = str(FOLDER / "hose-clips-tpu.gcode")
    common = ("--spool", str(FOLDER / "shelf" / "tpu-05.toml"), "--at", AT, "--members", "8")
    _, out, _ = run("check", job, *common, "--json")
    report = json.loads(out)
    need = report["tools"][0]["feed"]
    assert report["feed"] == need
    sentence = "no box at the feed makes it end" if need["verdict"] is None else "from a box at or below"
    _, text, _ = run("check", job, *common)
    assert sentence in " ".join(text.split())
    page, prepared = tmp_path / "page.html", tmp_path / "out.gcode"
    run("review", job, *common, "-o", str(page))
    assert sentence in page.read_text(encoding="utf-8")
    run("prepare", job, *common, "-o", str(prepared))
    assert sentence in " ".join(
        line.lstrip("; ") for line in prepared.read_text(encoding="utf-8").splitlines()[:80]
    )


def test_the_workshops_boxes_are_asked_and_a_renewal_outdates_a_reading(run):
    """A spool that never stood in a box still learns which of the ledger's boxes would do."""
    day = "2026-11-16T"
    for words in (
        ("bench", "--kind", "open", "--temperature", 24, "--humidity", 40),
        ("oven", "--kind", "dryer", "--temperature", 65, "--dew-point=-20"),
        ("dry", "--kind", "box", "--temperature", 22, "--humidity", 2),
        ("damp", "--kind", "box", "--temperature", 22, "--humidity", 99),
        (
            "gel",
            "--kind",
            "box",
            "--temperature",
            22,
            "--air",
            10,
            "--desiccant",
            "silica gel",
            "--desiccant-mass",
            300,
        ),
    ):
        run("place", "add", *words, "--at", "2026-11-01T08:00")
    run(
        "spool",
        "add",
        "tpu-05",
        "--material",
        "TPU",
        "--net-mass",
        750,
        "--place",
        "bench",
        "--at",
        "2026-11-01T08:00",
    )
    run(
        "spool",
        "dried",
        "tpu-05",
        "--hours",
        48,
        "--temperature",
        65,
        "--dryer",
        "oven",
        "--at",
        f"{day}08:00",
    )
    run("place", "read", "gel", "--humidity", 60, "--at", f"{day}07:50")
    job = str(FOLDER / "hose-clips-tpu.gcode")
    asked = ("check", job, "--spool", "tpu-05", "--feed", "dry", "--members", 24, "--json")
    need = json.loads(run(*asked, "--at", f"{day}08:05")[1])["feed"]
    listed = {each["place"]: each for each in need["boxes"]}
    assert {"dry", "damp", "gel"} <= set(listed)
    assert (listed["dry"]["rh_pct"], listed["gel"]["rh_pct"]) == (2.0, 60.0)
    assert listed["dry"]["enough"]
    run("place", "renewed", "gel", "--at", f"{day}08:02")
    need = json.loads(run(*asked, "--at", f"{day}08:05")[1])["feed"]
    assert {each["place"]: each["rh_pct"] for each in need["boxes"]}["gel"] is None
