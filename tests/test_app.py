"""What a person asks for in Python, without saying more than needed."""

from dataclasses import replace
from datetime import datetime

import gcodetool
from gcodetool import profiles
from gcodetool.app.check import check
from gcodetool.moisture.record import Event, Place, Spool
from gcodetool.profiles import sample_folder

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
