"""Answers given before: the same question gets the same bytes without being worked out, any other one is worked out."""

import json
import pathlib
from typing import Any

import pytest
from queue_world import AT, job, spool

from gcodetool.app import queue as app
from gcodetool.cli.main import outcome
from gcodetool.moisture.solver import COMPILED
from gcodetool.moments import recorded_s
from gcodetool.queue import answer_store, job_cache
from gcodetool.queue.choice import HANDFUL

pytestmark = pytest.mark.skipif(not COMPILED, reason="many forecasts")
WORDS = ("list.toml", "--members", "1", "--processes", "1")
LIST = """
shelf = "shelf"
printer = "bench-1"
[dryer.oven]
unattended = true
[[job]]
file = "clips.gcode"
[[job]]
file = "hoses.gcode"
"""


@pytest.fixture
def shop(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> pathlib.Path:
    """Return a folder with two jobs and three spools; the files count as settled."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GCODETOOL_PROFILES", str(tmp_path / "no-profiles"))
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "no-ledger.sqlite"))
    monkeypatch.setenv("GCODETOOL_CACHE", str(tmp_path / "cache"))
    monkeypatch.setattr(job_cache, "SETTLED_NS", -(10**18))
    (tmp_path / "shelf").mkdir()
    job(tmp_path, "clips.gcode", hours=2)
    job(tmp_path, "hoses.gcode", hours=1, materials=["TPU"])
    spool(tmp_path / "shelf", "petg-03", water=0.4)
    spool(tmp_path / "shelf", "petg-04", water=0.02, place="bench-1")
    spool(tmp_path / "shelf", "tpu-02", "TPU", water=0.9, place="bench")
    (tmp_path / "list.toml").write_text(LIST, encoding="utf-8")
    return tmp_path


class Plans:
    """Counts how often a plan is worked out."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.count, self._plan = 0, app.plan
        monkeypatch.setattr(app, "plan", self)

    def __call__(self, *given: Any, **named: Any) -> Any:
        self.count += 1
        return self._plan(*given, **named)


def asked(capsys: pytest.CaptureFixture[str], *words: str, at: str | None = AT) -> str:
    """Return what a call prints."""
    outcome(["queue", *WORDS, *words, *(() if at is None else ("--at", at))])
    out, err = capsys.readouterr()
    assert "gcodetool:" not in err
    return out


def test_the_same_question_gets_the_same_bytes_unworked(shop, capsys, monkeypatch) -> None:
    plans = Plans(monkeypatch)
    forms = (["--json"], [], ["--html", "a.html"])
    first = [asked(capsys, *words) for words in forms[:1]]
    page = shop / "a.html"
    assert plans.count == 1
    again = [asked(capsys, *words) for words in forms]
    written = page.read_bytes()
    assert plans.count == 1
    assert again[0] == first[0]
    assert json.loads(first[0])["dryings"]  # each kind of row went through the file and back
    monkeypatch.setenv("GCODETOOL_CACHE", "")
    assert [asked(capsys, *words) for words in forms] == again
    assert plans.count == 4
    assert page.read_bytes() == written


def test_an_answer_comes_back_as_it_was(shop) -> None:
    def answer() -> Any:
        return app.queue_plan(["list.toml"], at=recorded_s(AT), members=1, processes=1)

    assert answer() == answer()
    assert len(list((shop / "cache" / "queue").glob("*.answer"))) == 1


CHANGES = {
    "another moment": ("--at", "2026-11-25T18:00:01+01:00"),
    "another time limit": ("--time-limit", "61"),
    "no drying": ("--dryer", "none"),
    "somebody there at times": ("--present", "Mon-Fri 07:30-18:00"),
    "mounted is taken": ("--assume-mounted",),
    "a higher quantile": ("--confidence", "0.9"),
}


@pytest.mark.parametrize("words", CHANGES.values(), ids=CHANGES)
def test_another_question_is_worked_out(shop, capsys, monkeypatch, words) -> None:
    plans = Plans(monkeypatch)
    asked(capsys)
    asked(capsys, *words, at=None if "--at" in words else AT)
    assert plans.count == 2


@pytest.mark.parametrize("what", ["job", "record", "list", "log", "code"])
def test_what_an_answer_rests_on_is_looked_at(shop, capsys, monkeypatch, what) -> None:
    plans = Plans(monkeypatch)
    asked(capsys)
    if what == "job":
        job(shop, "clips.gcode", hours=3)
    elif what == "record":
        spool(shop / "shelf", "petg-03", water=0.41)
    elif what == "list":
        (shop / "list.toml").write_text(LIST + "due = 2026-11-26T00:00:00+01:00\n", encoding="utf-8")
    elif what == "log":
        (shop / "shelf" / "broken.toml").write_text("id = ", encoding="utf-8")
    else:
        monkeypatch.setattr(answer_store.forecast_store, "forecasting_stamp", lambda: "other code")
    asked(capsys)
    assert plans.count == 2


@pytest.mark.parametrize("how", ["cut", "changed", "older", "another shape", "not readable"])
def test_a_damaged_answer_is_as_good_as_none(shop, capsys, monkeypatch, how) -> None:
    plans = Plans(monkeypatch)
    first = asked(capsys, "--json")
    (path,) = (shop / "cache" / "queue").glob("*.answer")
    data = path.read_bytes()
    if how == "cut":
        path.write_bytes(data[:-100])
    elif how == "changed":
        path.write_bytes(data.replace(b"clips", b"clipz"))
    elif how == "older":
        path.write_bytes(data.replace(answer_store.KIND.encode(), b"answer/0", 1))
    elif how == "another shape":
        path.write_bytes(answer_store.seal(answer_store.KIND, {"rows": 3}))
    else:
        path.unlink()
        path.mkdir()
    assert asked(capsys, "--json") == first
    assert plans.count == 2


def test_who_asks_about_this_moment_leaves_nothing(shop, capsys) -> None:
    asked(capsys, at=None)
    assert not list((shop / "cache" / "queue").glob("*.answer"))


def test_of_many_spools_a_handful_is_forecast(shop, capsys, monkeypatch) -> None:
    monkeypatch.setenv("GCODETOOL_CACHE", "")
    for number in range(HANDFUL + 8):  # good enough, and none of them clear without a change of settings
        spool(shop / "shelf", f"petg-{number + 10}", water=0.2 + number / 1000)
    job(shop, "list.gcode", hours=1)
    (shop / "list.toml").write_text(
        LIST.partition("[[job]]")[0] + '[[job]]\nfile = "clips.gcode"\n', encoding="utf-8"
    )
    (shop / "shelf" / "petg-04.toml").unlink()
    found = json.loads(asked(capsys, "--json"))
    assert found["jobs"][0]["verdict"] == "adjust"
    assert found["jobs"][0]["tools"][0]["spool"] == "petg-10"  # the driest
    assert found["plan"]["search"].startswith(f"the {HANDFUL} driest spools")
    assert not found["plan"]["exact"]
    assert found["plan"]["at_most"] == found["plan"]["made"] == 1
