"""`drying` end to end: the first line, options, JSON against its schema, complaints."""

import json
import pathlib
from datetime import datetime
from types import SimpleNamespace

import jsonschema
import pytest

from gcodetool.cli.main import outcome
from gcodetool.moisture.solver import COMPILED
from gcodetool.report.html import drying

ROOT = pathlib.Path(__file__).parent.parent
SCHEMA = json.loads((ROOT / "docs" / "drying.schema.json").read_text(encoding="utf-8"))
SHELF = ROOT / "sample_gcode" / "shelf"
AT = ("--at", "2026-11-25T09:00:00+01:00")
FEW = ("--members", "8")
pytestmark = pytest.mark.skipif(not COMPILED, reason="minutes where the kernel runs interpreted")


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path, monkeypatch):
    """Run each story in an empty folder, without profiles or a shelf of the person who runs it."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GCODETOOL_PROFILES", str(tmp_path / "no-profiles"))
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "shelf.db"))


@pytest.fixture
def said(capsys):
    def run(*words):
        code = outcome(["drying", *map(str, words)])
        out, err = capsys.readouterr()
        return code, out, err

    return run


def first(text):
    return text.splitlines()[0]


def checked(text):
    found = json.loads(text)
    jsonschema.Draft202012Validator(SCHEMA, format_checker=jsonschema.FormatChecker()).validate(found)
    return found


def test_the_first_line_is_what_to_do(said):
    code, out, err = said("plan", SHELF / "pa6-07.toml", "--dryer", "oven", *AT, *FEW)
    assert code == 0
    assert not err
    assert first(out).startswith("Dry pa6-07 ")
    assert "at 78 °C in oven (knob at 78)" in first(out)
    for word in ("good", "marginal", "next", "unattended", "--more"):
        assert word in out
    for word in ("hottest", "floor", "energy", "Cautions", "What else would work"):
        assert word not in out
    assert "drying plan pa6-07 --more" not in out  # that would be another dryer, and another moment
    assert len(out.splitlines()) < 25
    code, more, err = said("plan", SHELF / "pa6-07.toml", "--dryer", "oven", "--more", *AT, *FEW)
    assert first(more) == first(out)
    for word in ("hottest", "floor", "good", "energy", "weigh", "Cautions", "wettest strand"):
        assert word in more
    assert "unattended" in more


def test_a_dryer_that_cannot_says_what_would(said):
    code, out, _ = said(
        "plan",
        SHELF / "pla-11.toml",
        "--dryer",
        "oven",
        "--humidity",
        65,
        "--temperature",
        24,
        "--more",
        *AT,
        *FEW,
    )
    assert code == 0
    assert "never gets good in this air" in first(out)
    assert first(out).startswith("Use a desiccant dryer")
    assert "What else would work" in out


@pytest.mark.parametrize(
    "more",
    [
        ("--dryer", "sealed-box", "--tariff", "0.3"),
        ("--dryer", "oven", "--to", "0.15"),
        ("--dryer", "bench", "--to", "1.5"),
        ("--dryer", "dehydrator", "--humidity", "30", "--temperature", "20", "--at-most", "50"),
        ("--room", "bench", "--dryer", "desiccant-dryer", "--power", "300", "--hours", "5"),
        ("--members", "1"),
        ("--for", str(ROOT / "sample_gcode" / "drip-manifold-pa.gcode"), "--printer", "rig-4"),
    ],
)
def test_json_is_as_the_schema_says(said, more):
    code, out, _ = said(
        "plan", SHELF / "pa6-07.toml", "--json", *AT, *(more if "--members" in more else (*FEW, *more))
    )
    assert code == 0
    found = checked(out)
    assert found["do"]
    top = found["temperature_C"] + found["dryer"]["swing_C"]
    assert all(top <= limit["limit_C"] for limit in found["limits"] if "reel" in limit["whose"])
    text = said("plan", SHELF / "pa6-07.toml", *AT, *(more if "--members" in more else (*FEW, *more)))[1]
    assert first(text) == found["do"]


def test_a_spool_of_the_ledger_is_named_by_its_id(said):
    for words in (
        ("spool", "import", str(SHELF / "pa6-07.toml")),
        ("place", "add", "cabinet", "--kind", "dryer", "--temperature", "70", "--room", "bench"),
    ):
        assert outcome(list(words)) == 0
    code, out, err = said("plan", "pa6-07", "--dryer", "cabinet", *AT, *FEW)
    assert code == 0
    assert "at 70 °C in cabinet" in out
    code, out, err = said("plan", "pa6-07", *AT, *FEW)  # of several, all side by side
    assert code == 0
    assert "cabinet" in out
    assert "oven" in out
    code, out, err = said("fit", "pa6-07", "--dryer", "cabinet", *AT, *FEW)
    assert code == 1
    assert "never in 'cabinet'" in err


def test_confidence_moves_the_hours(said):
    hours = [
        checked(said("plan", SHELF / "pa6-07.toml", "--json", "--confidence", q, *AT, *FEW)[1])["advised_s"]
        for q in ("0.5", "0.9")
    ]
    assert hours[0] < hours[1]


def test_a_job_asks_for_less(said):
    job = ROOT / "sample_gcode" / "drip-manifold-pa.gcode"
    whole = checked(said("plan", SHELF / "pa6-07.toml", "--json", *AT, *FEW)[1])
    part = checked(said("plan", SHELF / "pa6-07.toml", "--for", job, "--json", *AT, *FEW)[1])
    assert part["needed_mm"] < whole["needed_mm"]
    assert part["reaches"][0]["seconds"] < whole["reaches"][0]["seconds"]
    # at the good limit it would be above it soon: the job must begin drier
    assert part["job"]["clear_s"] > part["reaches"][0]["seconds"]
    assert part["advised_s"] == part["job"]["clear_s"]
    assert "drip-manifold-pa.gcode" in part["do"]


@pytest.mark.parametrize(
    ("words", "code", "text"),
    [
        (("plan", SHELF / "pa6-07.toml", "--dryer", "ovn"), 2, "did you mean 'oven'?"),
        (("plan", SHELF / "pla-11.toml"), 2, "which dryer?"),
        (("plan", SHELF / "pa6-07.toml", "--room", "shed"), 2, "no such place"),
        (("plan", SHELF / "pa6-07.toml", "--humidity", "50"), 2, "add the other"),
        (("plan", SHELF / "pa6-07.toml", "--temperature", "90", "--humidity", "50"), 2, "a room is from"),
        (
            ("plan", SHELF / "pa6-07.toml", "--room", "bench", "--temperature", "20", "--humidity", "50"),
            2,
            "leave one out",
        ),
        (("plan", SHELF / "pa6-07.toml", "--tool", "1"), 2, "--for JOB"),
        (("plan", SHELF / "pa6-07.toml", "--for", "x.gcode", "--to", "1"), 2, "cannot be used together"),
        (("plan", SHELF / "pa6-07.toml", "--for", "missing.gcode"), 1, "missing.gcode"),
        (("plan", SHELF / "pa6-07.toml", "--to", "150"), 2, "--to"),
        (("plan", "nowhere.toml"), 1, "nowhere.toml"),
        (("fit", SHELF / "pa6-07.toml"), 1, "weigh-ins in the last stay in oven; a curve needs 3"),
        (("fit", SHELF / "pa6-07.toml", "--knob", "80"), 2, "--log"),
        (("fit", SHELF / "tpu-02.toml"), 1, "never in a dryer"),
        (("status", SHELF / "tpu-02.toml"), 1, "never in a dryer"),
        (("status", SHELF / "pa6-07.toml", "--to", "1", "--for", "x.gcode"), 2, "cannot be used together"),
        (("status", SHELF / "pa6-07.toml", "--place", "bench"), 2, "--for JOB"),
    ],
)
def test_complaints_are_one_line_with_a_way_out(said, words, code, text):
    got, out, err = said(*words, *AT)
    assert got == code
    assert not out
    assert text in first(err)
    assert err.startswith("gcodetool: ")
    assert "Traceback" not in err


RUN = """\
id = "pa6-09"
material = "PA6"
diameter_mm = 1.75
net_mass_g = 750

[body]
material = "abs"
mass_g = 210
hub_diameter_mm = 80
width_mm = 60

[place.bench]
kind = "open"
temperature_C = 22.0
rh_pct = 48.0

[place.oven]
kind = "dryer"
temperature_C = 76.0
room = "bench"

[[event]]
at = 2026-11-02T08:00:00+01:00
kind = "received"
place = "bench"
sealed = true

[[event]]
at = 2026-11-24T08:00:00+01:00
kind = "moved"
place = "oven"
"""
WEIGHED = ((7.9, 968.3), (10, 966.4), (12, 964.4), (14, 962.8), (16, 961.5))


@pytest.fixture
def run_file(tmp_path):
    events = []
    for hour, grams in WEIGHED:
        at = f"2026-11-24T{int(hour):02}:{round(hour % 1 * 60):02}:00+01:00"
        events.append(f'\n[[event]]\nat = {at}\nkind = "weighed"\ngross_g = {grams}\n')
    file = tmp_path / "pa6-09.toml"
    file.write_text(RUN + "".join(events), encoding="utf-8")
    return file


def test_a_run_is_read(said, run_file):
    at = ("--at", "2026-11-24T16:10:00+01:00")
    code, out, _ = said("fit", run_file, *at, *FEW)
    assert code == 0
    assert first(out).startswith("pa6-09 is not dry yet: ")
    for word in ("dry limit", "left to go", "grams above the dry limit", "966.4", "weigh next"):
        assert word in out
    found = checked(said("fit", run_file, "--json", *at, *FEW)[1])
    assert found["do"] == first(out)
    assert found["run"]["tells"]
    assert found["run"]["dry_limit_g"]["p90"] < 961.5
    assert [one["gross_g"] for one in found["run"]["readings"]] == [grams for _, grams in WEIGHED]


def test_one_answer_wherever_it_is_asked(said, run_file, capsys):
    """A reel in the oven, 8 h in and weeks later: status, fit, plan and the spool itself."""
    for moment, words in (("24T16:10", "is not dry yet: "), ("24T20:00", "is not dry yet: ")):
        at = ("--at", f"2026-11-{moment}:00+01:00")
        code, out, _ = said("status", run_file, *at, *FEW)
        assert code == 0
        assert words in first(out)
        assert first(said("fit", run_file, *at, *FEW)[1]) == first(out)
        assert first(said("plan", run_file, *at, *FEW)[1]).startswith(first(out))
        assert outcome(["spool", "show", str(run_file), *at, *FEW]) == 0
        shown = " ".join(capsys.readouterr().out.split())
        assert first(out) in shown
        (found,) = checked(said("status", run_file, "--json", *at, *FEW)[1])["spools"]
        assert found["do"] == first(out)
        assert checked(said("fit", run_file, "--json", *at, *FEW)[1])["status"] == found
        assert found["word"] == "not-yet"
        assert not found["take_out"]
        assert found["by_then"]["gross_g"]["p50"] < found["weigh_next"]["gross_g"]["p50"]
    (late,) = checked(said("status", run_file, "--json", "--at", "2026-12-20T08:00:00+01:00", *FEW)[1])[
        "spools"
    ]
    assert (late["word"], late["because"], late["weigh_next"]) == ("done", "reached", None)
    assert late["do"].startswith("Take pa6-09 out: it is dry; ")
    assert late["wettest_wt_pct"]["p50"] <= late["goal_wt_pct"]


def test_status_takes_a_content_or_a_job_for_its_goal(said, run_file):
    at = ("--at", "2026-11-24T16:10:00+01:00")
    (far,) = checked(said("status", run_file, "--json", "--to", "0.02", *at, *FEW)[1])["spools"]
    assert far["word"] == "cannot"
    assert "This air cannot get pa6-09 at 0.020 wt %" in far["do"]
    assert not far["take_out"]  # it still gains
    (near,) = checked(said("status", run_file, "--json", "--to", "3", *at, *FEW)[1])["spools"]
    assert (near["word"], near["goal"]) == ("done", "target")
    job = ROOT / "sample_gcode" / "drip-manifold-pa.gcode"
    (for_job,) = checked(said("status", run_file, "--json", "--for", job, *at, *FEW)[1])["spools"]
    assert (for_job["goal"], for_job["goal_wt_pct"]) == ("job", None)
    assert job.name in for_job["do"]


def test_status_of_a_dryer_is_that_of_all_in_it(said, run_file, tmp_path, capsys):
    at = ("--at", "2026-11-24T16:10:00+01:00")
    assert outcome(["spool", "import", str(run_file)]) == 0
    capsys.readouterr()
    code, out, _ = said("status", "oven", *at, *FEW)
    assert code == 0
    assert first(out).startswith("pa6-09 is not dry yet")
    code, out, _ = said("status", "oven", "--at", "2026-11-20T08:00:00+01:00")
    assert (code, first(out)) == (0, "no spool in oven; note one with 'gcodetool spool move ID oven'")
    code, _, err = said("status", "bench", *at)
    assert code == 2
    assert "'bench' is no dryer but of kind open; dryers: oven" in first(err)
    page = tmp_path / "run.html"
    code, out, _ = said("status", "oven", "-o", page, "--tariff", "0.3", *at, *FEW)
    assert code == 0
    assert out.endswith(f"wrote {page}\n")
    text = page.read_text(encoding="utf-8")
    for word in (
        "On the scale",
        "In the wettest turns",
        "weigh next",
        "dry limit",
        "this air ends at",
        "now",
    ):
        assert word in text
    assert text.count("<svg") >= 4
    code, _, err = said("status", "oven", "-o", tmp_path / "oven.toml", *at)
    assert code == 2
    assert "is not a page" in first(err)


def test_the_dryers_of_the_workshop_and_what_they_used(said, run_file, capsys):
    assert outcome(["spool", "import", str(run_file)]) == 0
    assert outcome(["spool", "move", "pa6-09", "bench", "--at", "2026-12-01T12:00:00"]) == 0
    assert outcome(["place", "set", "oven", "--watts", "450"]) == 0
    capsys.readouterr()
    code, out, _ = said("list", "--tariff", "0.5", "--at", "2026-11-24T16:10:00+01:00", *FEW)
    assert code == 0
    assert "oven: pa6-09 (PA6), not dry yet, " in out
    assert "450 W, as oven" in out
    found = checked(said("list", "--tariff", "0.5", "--json", "--at", "2026-12-20T08:00:00", *FEW)[1])
    assert found["spools"] == []  # it is out by then
    months = {one["month"]: one for one in found["months"]}
    assert list(months) == ["2026-12", "2026-11"]
    assert months["2026-12"]["hours"] == pytest.approx(12.0)
    for one in months.values():
        assert one["spools"] == ["pa6-09"]
        assert one["energy"]["kWh"] == pytest.approx(0.45 * one["hours"])
        assert one["energy"]["cost"] == pytest.approx(0.5 * one["energy"]["kWh"])
    went_in = datetime.fromisoformat("2026-11-24T08:00:00+01:00").timestamp()
    came_out = datetime.fromisoformat("2026-12-01T12:00:00").astimezone().timestamp()
    assert sum(one["hours"] for one in months.values()) == pytest.approx((came_out - went_in) / 3600)
    (status,) = checked(
        said("status", "oven", "--json", "--at", "2026-11-24T18:00:00+01:00", "--tariff", "1", *FEW)[1]
    )["spools"]
    assert status["energy"]["kWh"] == pytest.approx(0.45 * 10)  # ten hours in
    assert outcome(["place", "set", "oven", "--forget", "watts"]) == 0
    assert (
        "power is not known" not in said("list", "--at", "2026-12-20T08:00:00", *FEW)[1]
    )  # named as a profile is


def test_reels_that_share_a_dryer_use_its_power_once():
    from gcodetool.drying.energy import together_s

    stays = [(0.0, 10.0), (4.0, 12.0), (20.0, 21.0), (12.0, 13.0)]
    assert together_s(stays) == [(0.0, 13.0), (20.0, 21.0)]
    assert together_s([]) == []


def test_a_log_tells_of_the_dryer(said, run_file, tmp_path):
    log = tmp_path / "oven.csv"
    rows = [
        f"2026-11-24T09:{minute:02}:00+01:00,{22 + 5 * minute if minute < 11 else 76 + 3 * (-1) ** minute}"
        for minute in range(60)
    ]
    log.write_text("time,temperature_C\n" + "\n".join(rows) + "\n", encoding="utf-8")
    code, out, _ = said("fit", run_file, "--log", log, "--knob", "80", *AT, *FEW, "--json")
    assert code == 0
    dryer = checked(out)["dryer"]
    assert dryer["set_offset_C"] == pytest.approx(4.0, abs=0.2)
    assert dryer["swing_C"] == pytest.approx(3.0, abs=0.2)
    for text, complaint in (
        ("time,warmth\n1,2\n", "no column temperature_C"),
        ("time,temperature_C\n2026-11-24T09:00:00+01:00,warm\n", ":2: 'warm' is no temperature"),
        ("time,temperature_C\n2026-11-24T09:00:00+01:00,2000\n", "no dryer's temperature"),
        ("time,temperature_C\n2026-11-24T09:00:00+01:00,20\n2026-11-24T08:00:00+01:00,20\n", "sort the log"),
    ):
        log.write_text(text, encoding="utf-8")
        code, _, err = said("fit", run_file, "--log", log, *AT)
        assert code == 1
        assert complaint in first(err)


def test_help_stays_light_and_ends_with_an_example(said):
    for words in (("--help",), ("plan", "--help"), ("status", "--help"), ("fit", "--help")):
        code, out, _ = said(*words)
        assert code == 0
        assert "Example: gcodetool drying" in out


def test_two_runs_of_a_dryer_lie_over_each_other_and_one_does_not(monkeypatch):
    laid = []

    def over_each_other(runs, _):
        laid.append(len(runs))
        return SimpleNamespace(pictures=dict)

    monkeypatch.setattr(drying.drying_charts, "over_each_other", over_each_other)
    monkeypatch.setattr(drying.page, "written", lambda *_, **__: "")
    one = SimpleNamespace(said=SimpleNamespace(dryer="oven", spool="pa6-09", as_of_s=0.0))
    monkeypatch.setattr(drying, "_drawn", lambda _: {})
    for count in (0, 1, 2, 3):
        drying.drying_page([one], [object()] * count)
    assert laid == [2, 3]
