"""`drying` end to end: the first line, options, JSON against its schema, complaints."""

import json
import pathlib

import jsonschema
import pytest

from gcodetool.cli.main import outcome
from gcodetool.moisture.solver import COMPILED

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
    for word in ("hottest", "floor", "good", "energy", "weigh", "Cautions", "wettest strand"):
        assert word in out
    assert "unattended" in out


def test_a_dryer_that_cannot_says_what_would(said):
    code, out, _ = said(
        "plan", SHELF / "pla-11.toml", "--dryer", "oven", "--humidity", 65, "--temperature", 24, *AT, *FEW
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
    assert first(out).startswith("Leave it in for ")
    for word in ("dry limit", "left to go", "grams above the dry limit", "966.4"):
        assert word in out
    found = checked(said("fit", run_file, "--json", *at, *FEW)[1])
    assert found["do"] == first(out)
    assert found["run"]["tells"]
    assert found["run"]["dry_limit_g"]["p90"] < 961.5
    assert [one["gross_g"] for one in found["run"]["readings"]] == [grams for _, grams in WEIGHED]


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
    for words in (("--help",), ("plan", "--help"), ("fit", "--help")):
        code, out, _ = said(*words)
        assert code == 0
        assert "Example: gcodetool drying" in out
