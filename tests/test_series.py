"""Test series on the command line: one that goes well, one with three mistakes, and what a tired user gets wrong."""

import json
import pathlib
import random
import shutil
from types import SimpleNamespace

import jsonschema
import pytest

from gcodetool.cli.main import outcome
from gcodetool.profiles import sample_folder
from gcodetool.series.plan import Demand, QuantityPower, _doubts
from gcodetool.series.planfile import Quantity

ROOT = pathlib.Path(__file__).parent.parent
SCHEMA = json.loads((ROOT / "docs" / "series.schema.json").read_text(encoding="utf-8"))
FEW = ("--members", "4")
PLAN = """
id = "clip-petg-1"
question = "How damp may PETG be for a hose clip that must hold?"
job = "clip.gcode"
spool = "petg-03"
reference = "dried"
prints = 2
smallest_difference_pct = 15
[state.as-found]
[state.dried]
dry = "oven"
hours = 4
[state.shelf-week]
after = "dried"
place = "bench"
hours = 168
[state.at-75-rh]
after = "dried"
place = "jar"
[place.jar]
kind = "box"
temperature_C = 22
solution = "sodium chloride"
[quantity.pull_off_force]
unit = "N"
better = "higher"
specimens = 3
spread_pct = 8
[quantity.bubbles]
scale = [0, 2]
better = "lower"
"""
LEVELS = {"as-found": 38.0, "dried": 41.0, "shelf-week": 38.5, "at-75-rh": 26.0}
ORDER = ("dried", "at-75-rh", "as-found", "shelf-week", "dried", "shelf-week", "at-75-rh", "as-found")


@pytest.fixture
def gt(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "ledger.sqlite"))
    monkeypatch.setenv("GCODETOOL_PROFILES", str(tmp_path / "none"))

    def call(*words, code=0):
        found = outcome([str(word) for word in words])
        out, err = capsys.readouterr()
        assert found == code, f"{words}: {out}{err}"
        assert "a fault in gcodetool itself" not in err
        return out, err

    return call


@pytest.fixture
def shop(gt, tmp_path):
    """Give a shop with a reel, an oven, and the plan of a series."""
    shutil.copy(sample_folder() / "hose-clips-petg.gcode", tmp_path / "clip.gcode")
    (tmp_path / "plan.toml").write_text(PLAN)
    at = ("--at", "2026-11-01T08:00Z")
    gt("place", "add", "bench", "--kind", "open", "--temperature", 22, "--humidity", 48, *at)
    gt("place", "add", "bag", "--kind", "sealed", "--leak", 0, *at)
    gt("place", "add", "oven", "--kind", "dryer", "--temperature", 65, "--room", "bench", "--slots", 9, *at)
    gt("spool", "add", "petg-03", "--material", "PETG", "--place", "bench", *at)
    return gt


def made(gt, *, jar="2026-11-05T14:00Z"):
    """Start the series and make the samples as planned; *jar*: when that sample goes into it."""
    gt("series", "start", "plan.toml", *FEW, "--at", "2026-11-05T08:00Z")
    cut = ("--at", "2026-11-05T08:00Z")
    for name in ("as-found", "shelf-week", "at-75-rh", "dried-1", "dried-2"):
        gt("spool", "cut", "petg-03", f"petg-03-{name}", "--mass", 12, *cut)
    dried = ("--hours", 4, "--temperature", 65, "--dryer", "oven")
    gt("spool", "dried", "petg-03-shelf-week", "petg-03-at-75-rh", *dried, "--at", "2026-11-05T13:00Z")
    gt("spool", "move", "petg-03-at-75-rh", "jar", "--at", jar)
    gt(
        "spool",
        "dried",
        "petg-03-dried-1",
        "petg-03-dried-2",
        *dried,
        "--to",
        "bag",
        "--at",
        "2026-11-12T13:00Z",
    )


def printed(gt, *, other_file=()):
    """Prepare all prints in the drawn order; those in *other_file* from another one."""
    count: dict[str, int] = {}
    told: dict[tuple[str, int], str] = {}
    for number, state in enumerate(ORDER):
        count[state] = count.get(state, 0) + 1
        spool = f"petg-03-{state}" + (f"-{count[state]}" if state == "dried" else "")
        file = "other.gcode" if (state, count[state]) in other_file else "clip.gcode"
        at = ("--at", f"2026-11-12T{13 + number}:10Z")
        _, err = gt(
            *("prepare", file, "-o", "out.gcode", "--spool", spool, "--place", "bench"),
            *("--series", "clip-petg-1", "--state", state, *FEW, *at),
        )
        assert f"print {count[state]} of {state}" in err
        assert "next" not in err
        told[state, count[state]] = err
        bubbles = {"at-75-rh": "many", "dried": "none"}.get(state, "few")
        gt("spool", "inspect", spool, "--bubbles", bubbles, "--at", f"2026-11-12T{13 + number}:20Z")
    return told


def sheet(path, *, seed=3, typo=None):
    """Write a sheet of results in a German office's way; *typo*: a key, and what stands there."""
    draw = random.Random(seed)
    lines = ["Quantity;Value;State;Print;Specimen"]
    for state, level in LEVELS.items():
        for number in (1, 2):
            of_print = level * (1 + 0.01 * draw.gauss(0, 1))
            for specimen in (1, 2, 3):
                value = of_print * (1 + 0.02 * draw.gauss(0, 1))
                value = typo[1] if typo and typo[0] == (state, number, specimen) else value
                text = f"{value:.1f}".replace(".", ",")
                lines.append(f"pull_off_force;{text};{state};{number};{specimen}")
    path.write_text("\n".join(lines) + "\n", encoding="cp1252")


def report(gt):
    out, _ = gt("series", "report", "clip-petg-1", "--json", "--at", "2026-11-14T08:00Z")
    found = json.loads(out)
    jsonschema.validate(found, SCHEMA)
    return found


def readings(found, name="pull_off_force"):
    quantity = next(one for one in found["quantities"] if one["quantity"] == name)
    return {one["state"]: one["reading"] for one in quantity["against_reference"]}


def test_a_series_from_plan_to_report(shop, tmp_path):
    gt = shop
    out, _ = gt("series", "plan", "plan.toml", *FEW, "--json", "--at", "2026-11-05T08:00Z", "-o", "plan.html")
    planned = json.loads(out)
    jsonschema.validate(planned, SCHEMA)
    assert {one["kind"] for one in planned["doubts"]} >= {"few-prints", "short-lived"}
    assert [turn["state"] for turn in planned["order"]] == list(ORDER)
    assert planned["strand"]["needed_mm"] == pytest.approx(
        8 * 1.1 * sum(planned["strand"][key] for key in ("job_mm", "purge_mm", "path_mm"))
    )
    jar = next(one for one in planned["states"] if one["state"] == "at-75-rh")
    assert jar["target_wt_pct"]["p50"] == pytest.approx(jar["water_wt_pct"]["p50"], rel=0.1)
    gt("series", "show", "clip-petg-1", code=1)  # a plan writes nothing
    made(gt)
    printed(gt)
    sheet(tmp_path / "clips.csv")
    gt("series", "result", "clip-petg-1", "clips.csv", "--at", "2026-11-13T08:00Z")
    found = report(gt)
    assert [state["reached"] for state in found["states"]] == [True] * 4
    assert {one["kind"] for one in found["doubts"]} == {"few-prints"}  # of the ratings
    assert readings(found)["at-75-rh"] == "worse"
    assert set(readings(found, "bubbles").values()) == {"cannot say"}  # three looks alike are no proof
    bubbles = next(one for one in found["quantities"] if one["quantity"] == "bubbles")
    assert {one["state"]: one["mean"] for one in bubbles["states"]} == {
        "as-found": 1.0,
        "dried": 0.0,
        "shelf-week": 1.0,
        "at-75-rh": 2.0,
    }
    force = found["quantities"][0]
    assert force["trend"]["change"] < 0 and force["trend"]["from_wt_pct"] < 0.15
    assert [one["n"] for one in force["states"]] == [2] * 4
    out, _ = gt("series", "report", "clip-petg-1", "-o", "report.html", "--at", "2026-11-14T08:00Z")
    assert "at-75-rh: worse: " in out
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert page.count('role="img"') == 8 and "://" not in page.replace("http://www.w3.org", "")
    assert "Before you read on" in page and "plan" in (tmp_path / "plan.html").read_text(encoding="utf-8")
    limits = json.loads(gt("limits", "show", "PETG", "--json", *FEW, "--at", "2026-11-14T08:00Z")[0])
    said = [(one["spool"], one["said"].get("tested")) for one in limits["records"]]
    assert said.count(("petg-03-at-75-rh", "worse")) == 2  # its looks count, too, as what they are
    assert {word for name, word in said if name != "petg-03-at-75-rh"} == {None, "holds"}
    assert len(said) == 8 + 6  # no dried print is held against itself
    out, _ = gt("series", "list")
    assert "8 of 8 prints, 32 values" in out
    jsonschema.validate(json.loads(gt("series", "show", "clip-petg-1", "--json")[0]), SCHEMA)


def test_three_mistakes_are_named_in_the_report(shop, tmp_path):
    """The wrong file once, a state that was not reached, a value mistyped and corrected."""
    gt = shop
    text = (tmp_path / "clip.gcode").read_text(encoding="utf-8")
    (tmp_path / "other.gcode").write_text(text.replace("G1 ", "G1  ", 1), encoding="utf-8")
    made(gt, jar="2026-11-12T08:00Z")  # a week late
    told = printed(gt, other_file={("as-found", 2)})
    assert "not the file of the series" in told["as-found", 2]  # before it is printed
    assert "of another state than was meant" in told["at-75-rh", 1]
    assert "of another state" not in told["dried", 1] + told["shelf-week", 2]
    sheet(tmp_path / "clips.csv", typo=(("dried", 2, 1), 413.0))
    gt("series", "result", "clip-petg-1", "clips.csv", "--at", "2026-11-13T08:00Z")
    words = ("--state", "dried", "--print", 2, "--specimen", 1, "pull_off_force=41,3")
    _, err = gt("series", "result", "clip-petg-1", *words, code=1)
    assert "is there with 413, not 41.3" in err and "--force" in err
    gt("series", "result", "clip-petg-1", *words, "--force", "--at", "2026-11-13T08:05Z")
    found = report(gt)
    said = {one["kind"]: one["text"] for one in found["doubts"]}
    assert said["different-bytes"].startswith("as-found, print 2: printed from another file")
    assert said["missed-state"].startswith("at-75-rh, print")
    assert "corrected from 413 to 41.3" in said["corrected"]
    assert found["doubts"][0]["kind"] == "different-bytes"
    reached = {state["state"]: state["reached"] for state in found["states"]}
    assert reached == {"as-found": True, "dried": True, "shelf-week": True, "at-75-rh": False}
    dried = next(one for one in found["quantities"][0]["states"] if one["state"] == "dried")
    assert dried["mean"] == pytest.approx(41.0, rel=0.03)  # the correction counts
    gt("series", "export", "clip-petg-1", "-o", "all.csv")
    lines = (tmp_path / "all.csv").read_text().splitlines()
    assert sum(",corrected," in line for line in lines) == 1 and len(lines) == 34
    gt("series", "undo", "clip-petg-1")  # the correction, too, can be taken back
    assert "corrected" not in {one["kind"] for one in report(gt)["doubts"]}


def test_a_print_out_of_order_from_another_reel_is_told_before_and_after(shop):
    gt = shop
    made(gt)
    gt("spool", "add", "petg-04", "--material", "PETG", "--place", "bench", "--at", "2026-11-05T08:00Z")
    words = ("prepare", "clip.gcode", "-o", "out.gcode", "--place", "bench", "--series", "clip-petg-1", *FEW)
    _, err = gt(*words, "--spool", "petg-04", "--state", "as-found", "--at", "2026-11-12T13:10Z")
    assert "not of the reel petg-03" in err and "print 1 of dried is next" in err
    gt(*words, "--spool", "petg-03-dried-1", "--at", "2026-11-12T14:10Z")
    gt(
        "series",
        "result",
        "clip-petg-1",
        "--state",
        "shelf-week",
        "--print",
        1,
        "--specimen",
        1,
        "pull_off_force=40",
    )
    kinds = [one["kind"] for one in report(gt)["doubts"]]
    assert {"second-reel", "order", "no-record"} <= set(kinds)


def test_prepare_in_a_series_changes_nothing_but_regions(shop, tmp_path):
    gt = shop
    made(gt)
    words = ("prepare", "clip.gcode", "--series", "clip-petg-1", "--place", "bench", *FEW)
    _, err = gt(*words, "--apply", "temperature", "--spool", "petg-03-as-found", code=2)
    assert "same bytes" in err
    _, err = gt(*words, "--block", "never", "--spool", "petg-03-as-found", code=2)
    assert "same block" in err
    blocks = []
    for spool in ("petg-03-dried-1", "petg-03-at-75-rh"):
        gt(*words, "--spool", spool, "-o", "out.gcode", "--at", "2026-11-12T13:10Z")
        text = (tmp_path / "out.gcode").read_text(encoding="utf-8")
        blocks.append(text.partition("begin purge-and-inspect")[2].partition("end purge-and-inspect")[0])
    assert blocks[0] == blocks[1] != ""
    prints = json.loads(gt("series", "show", "clip-petg-1", "--json")[0])["prints"]
    assert len({one["sha256"] for one in prints}) == 1 and all(one["same_file"] for one in prints)


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        ("series result clip-petg-1 nothing.csv", 1, "no such file"),
        ("series result clip-petg-1 wrong.csv", 1, "wrong.csv:2: no state 'dry' in clip-petg-1"),
        ("series result clip-petg-1 pull_off_force=40", 2, "--state NAME"),
        (
            "series result clip-petg-1 --state dried --print 1 --specimen 4 pull_off_force=40",
            1,
            "specimens 1 to 3",
        ),
        (
            "series result clip-petg-1 --state dried --print 1 --specimen 1 bubbles=7",
            1,
            "scale runs from 0 to 2",
        ),
        ("series result clip-petg-1 --state dried --print 1 --specimen 1 force=x", 2, "is no number"),
        ("series report clip-petg-2", 1, "no series 'clip-petg-2'; known: clip-petg-1"),
        ("series start plan.toml --at 2026-11-06T08:00Z --members 1", 1, "was started already"),
        ("prepare clip.gcode --state dried", 2, "--series ID"),
        ("prepare clip.gcode --series clip-petg-1 --print 2", 2, "--state"),
        (
            "prepare clip.gcode --series clip-petg-1 --spool petg-03 --state wet --members 1",
            1,
            "no state 'wet'",
        ),
        ("series undo clip-petg-1 99", 1, "has no entry 99"),
    ],
)
def test_what_a_tired_user_gets_wrong(shop, tmp_path, words, code, said):
    shop("series", "start", "plan.toml", "--members", 1, "--at", "2026-11-05T08:00Z")
    (tmp_path / "wrong.csv").write_text("state,print,specimen,quantity,value\ndry,1,1,pull_off_force,40.1\n")
    _, err = shop(*words.split(), code=code)
    assert said in err


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('reference = "dried"', 'reference = "dry"', "must be as-found | dried"),
        ('after = "dried"\nplace = "jar"', 'after = "at-75-rh"\nplace = "jar"', "goes in a circle"),
        ('dry = "oven"', 'dry = "bench"', "is no dryer"),
        ('place = "jar"', 'place = "jug"', "no place 'jug'"),
        ('better = "higher"\nspecimens', "specimens", "has no better"),
        ("hours = 168", "hours = 168\nto_wt_pct = 0.2", "both say when it is done"),
        ("prints = 2", "prints = 0", "prints is 0"),
        ('unit = "N"', 'unit = "N"\nscale = [0, 5]', "needs one of unit"),
        ("[state.as-found]", "[state.As-Found]", "cannot be a state's name"),
    ],
)
def test_a_plan_that_cannot_be(shop, tmp_path, old, new, said):
    text = PLAN.replace(old, new, 1)
    assert text != PLAN
    (tmp_path / "plan.toml").write_text(text)
    _, err = shop("series", "plan", "plan.toml", "--members", 1, "--at", "2026-11-05T08:00Z", code=1)
    assert said in err


def test_one_print_a_state_says_what_it_cannot_tell(shop, tmp_path):
    (tmp_path / "plan.toml").write_text(PLAN.replace("prints = 2", "prints = 1"))
    shop("series", "start", "plan.toml", "--members", 1, "--at", "2026-11-05T08:00Z")
    rows = ["state,print,specimen,quantity,value"]
    rows += [
        f"{state},1,{specimen},pull_off_force,{level + specimen}"
        for state, level in LEVELS.items()
        for specimen in (1, 2, 3)
    ]
    (tmp_path / "r.csv").write_text("\n".join(rows))
    shop("series", "result", "clip-petg-1", "r.csv")
    found = report(shop)
    assert "one-print" in {one["kind"] for one in found["doubts"]}
    assert set(readings(found).values()) == {"cannot say"}


def test_an_earlier_series_tells_the_spread_of_the_next(shop, tmp_path):
    shop("series", "start", "plan.toml", "--members", 1, "--at", "2026-11-05T08:00Z")
    sheet(tmp_path / "clips.csv")
    shop("series", "result", "clip-petg-1", "clips.csv", "--at", "2026-11-06T08:00Z")
    text = PLAN.replace("clip-petg-1", "clip-petg-2").replace("spread_pct = 8\n", "")
    (tmp_path / "plan.toml").write_text(text)
    out, _ = shop("series", "plan", "plan.toml", "--members", 1, "--json", "--at", "2026-11-07T08:00Z")
    force = json.loads(out)["quantities"][0]
    assert force["spread_source"] == "earlier" and 0.3 < force["spread_pct"] < 4.0


def test_a_plan_may_bring_a_dryer_that_stands_in_a_room_of_the_shelf(shop, tmp_path):
    own = '[place.box]\nkind = "dryer"\ntemperature_C = 60\nroom = "bench"\n'
    (tmp_path / "plan.toml").write_text(PLAN.replace('dry = "oven"', 'dry = "box"') + own)
    out, _ = shop("series", "plan", "plan.toml", "--members", 1, "--json", "--at", "2026-11-05T08:00Z")
    dried = next(one for one in json.loads(out)["states"] if one["state"] == "dried")
    assert dried["steps"][0]["place"] == "box" and dried["steps"][0]["temperature_C"] <= 60
    shop("series", "start", "plan.toml", "--members", 1, "--at", "2026-11-05T08:00Z")
    assert "box" in shop("place", "list")[0]
    (tmp_path / "plan.toml").write_text(PLAN + own.replace('"bench"', '"attic"'))
    _, err = shop("series", "plan", "plan.toml", "--members", 1, code=1)
    assert "attic" in err


def test_a_jar_of_salt_needs_no_temperature_stated(shop, tmp_path):
    """Its humidity hardly depends on it: 22 °C is taken, as of any closed place of which none is known."""
    words = ("series", "plan", "plan.toml", "--members", 1, "--json", "--at", "2026-11-05T08:00Z")
    stated = json.loads(shop(*words)[0])["states"]
    (tmp_path / "plan.toml").write_text(PLAN.replace("temperature_C = 22\n", ""))
    assert json.loads(shop(*words)[0])["states"] == stated


def test_a_value_whose_decimal_point_slipped_is_noted_and_told(shop, tmp_path):
    shop("series", "start", "plan.toml", "--members", 1, "--at", "2026-11-05T08:00Z")
    (tmp_path / "r.csv").write_text(
        "state,print,specimen,quantity,value\ndried,1,1,pull_off_force,41\ndried,1,2,pull_off_force,40\n"
    )
    assert "decimal" not in shop("series", "result", "clip-petg-1", "r.csv")[1]
    one = ("series", "result", "clip-petg-1", "--state", "dried", "--print", 2, "--specimen", 1)
    _, err = shop(*one, "pull_off_force=415")
    assert "dried, print 2, specimen 1: pull_off_force is 415, the others of this state are about 40.5" in err
    assert "(prints too few for an interval)" in shop("series", "report", "clip-petg-1")[0]
    assert "decimal" not in shop(*one, "pull_off_force=41.5", "--force")[1]


def test_prints_that_are_just_enough_are_no_doubt():
    """What can be shown, and how many prints a rating takes, may be just what was asked for."""

    def kinds(one, prints=4):
        asked = SimpleNamespace(prints=prints, smallest=0.15)
        return [each.kind for each in _doubts(asked, (), (one,), Demand(0.0, 0.0, 0.0, 0.0), 0.0, 0.0)]

    force, rating = Quantity("force", "N", None, "higher"), Quantity("bubbles", None, (0, 2), "lower")
    assert kinds(QuantityPower(force, 0.08, "stated", 4, 0.15)) == []
    assert kinds(QuantityPower(force, 0.08, "stated", 5, 0.151)) == ["few-prints"]
    assert kinds(QuantityPower(force, 0.08, "stated", None, None)) == ["few-prints"]
    assert kinds(QuantityPower(force, 0.08, "assumed", 4, 0.15)) == ["assumed-spread"]
    assert kinds(QuantityPower(rating, None, "rating", 4, None)) == []
    assert kinds(QuantityPower(rating, None, "rating", 5, None)) == ["few-prints"]
    assert kinds(QuantityPower(rating, None, "rating", None, None)) == []
    assert kinds(QuantityPower(force, 0.08, "stated", 1, 0.15), prints=1) == ["one-print"]
