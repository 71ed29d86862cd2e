"""A test series and the samples of its reel come along where two shelves become one."""

from gcodetool.app.spools import spool
from gcodetool.ledger import cuts, maintenance, merge, series_entries, writers
from gcodetool.ledger import place_entries as places
from gcodetool.ledger.store import open_ledger, reading

AT = 1_793_000_000.0
ROOM = {"kind": "open", "temperature_C": 22.0, "rh_pct": 45.0}
PETG = {"material": "PETG", "diameter_mm": 1.75, "net_mass_g": 400.0}


def test_series_and_samples_come_along(tmp_path):
    there, here = (open_ledger(tmp_path / name) for name in ("there.db", "here.db"))
    places.add_place(there, "bench", ROOM, at_s=AT)
    writers.add_spool(there, "petg-03", PETG, place="bench", at_s=AT)
    cuts.cut(there, "petg-03", "a", mass_g=40.0, at_s=AT + 100)
    series_entries.start(there, "one", {"plan": {}}, {}, at_s=AT)
    series_entries.note_values(there, "one", [("dried", 1, 1, "force", 40.0)], at_s=AT)
    done = merge.merge(here, tmp_path / "there.db")
    assert not done.conflicts
    with reading(here) as conn:
        assert [entry.kind for entry in series_entries.one(conn, "one")] == ["added", "result"]
    assert spool("a", at=AT + 200, members=1, ledger=str(tmp_path / "here.db")).state.place == "bench"
    assert not list(maintenance.integrity_errors(here))
    series_entries.note_values(there, "one", [("dried", 1, 2, "force", 41.0)], at_s=AT)
    merge.merge(here, tmp_path / "there.db")
    with reading(here) as conn:
        assert len(series_entries.one(conn, "one")) == 3


def test_a_series_started_on_both_sides_is_left_out_and_told(tmp_path):
    there, here = (open_ledger(tmp_path / name) for name in ("there.db", "here.db"))
    for ledger in (there, here):
        places.add_place(ledger, "bench", ROOM, at_s=AT)
        series_entries.start(ledger, "one", {"plan": {"by": str(ledger.path)}}, {}, at_s=AT)
    done = merge.merge(here, tmp_path / "there.db")
    assert [(one.subject, one.name) for one in done.conflicts] == [("series", "one")]
