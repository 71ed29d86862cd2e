"""What a person asks for in Python, without saying more than needed."""

import json
import pathlib
from dataclasses import replace
from datetime import datetime

import pytest

import gcodetool
from gcodetool import profiles
from gcodetool.app.check import check
from gcodetool.app.fed_from_report import REPORT, fed_from_report
from gcodetool.app.queue import of_ledger
from gcodetool.errors import GcodetoolError, SpoolError
from gcodetool.moisture.record import Event, Place, Spool
from gcodetool.profiles import sample_folder
from gcodetool.queue.job_list import JobList

NOW = datetime.fromisoformat("2026-11-25T09:00:00+01:00").timestamp()


def test_settings_are_suggested_for_marginal_stock_unless_nobody_wants_them() -> None:
    places = {"bag": Place("bag", "sealed"), "bench": Place("bench", "open", 22.0, 50.0)}
    material = profiles.material("PETG")
    marginal = replace(material, limit_good_wt_pct=0.05, limit_marginal_wt_pct=0.25)
    arrived = Event(NOW - 3600.0, "received", "bag", water_wt_pct=0.2)
    stock = Spool("petg-09", marginal, 1.75, 1000.0, places, (arrived,))
    job = sample_folder() / "hose-clips-petg.gcode"

    def found(**more):
        return check(job, stock, place="bench", at=NOW, members=1, printer="bench-1", **more).tools[0]

    assert gcodetool.check is check
    assert found().verdict.code == found(tweaks=False).verdict.code == "adjust"
    assert found().tweaks
    assert not found(tweaks=False).tweaks


@pytest.mark.parametrize(
    ("tools", "asked", "fed_mm"),
    [
        ({0: None}, None, 100.0),  # the only tool, and nobody said from what
        ({0: "other"}, None, None),
        ({0: "petg-03", 1: "other"}, None, 100.0),
        ({0: None, 1: None}, None, None),
        ({0: "petg-03", 1: "petg-03"}, None, None),
        ({0: "petg-03", 1: "petg-03"}, 1, 101.0),
        ({0: None}, 3, None),
    ],
)
def test_what_a_spool_fed_is_read_from_its_own_tool(tmp_path: pathlib.Path, tools, asked, fed_mm) -> None:
    path = tmp_path / "report.json"
    entries = [{"tool": tool, "spool": spool, "filament_mm": 100.0 + tool} for tool, spool in tools.items()]
    report = {"schema": REPORT, "tools": entries, "job": {"path": "a/clips.gcode"}}
    path.write_text(json.dumps(report), encoding="utf-8")
    if fed_mm is None:
        with pytest.raises(SpoolError, match="--tool"):
            fed_from_report(path, "petg-03", asked)
    else:
        found = fed_from_report(path, "petg-03", asked)
        assert (found["length_mm"], found["name"]) == (fed_mm, "clips.gcode")


def test_a_queue_makes_no_ledger(tmp_path: pathlib.Path) -> None:
    with pytest.raises(GcodetoolError):
        of_ledger(str(tmp_path / "ledger.sqlite"), JobList((), {}))
    assert not list(tmp_path.iterdir())
