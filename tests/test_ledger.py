"""Laws of the ledger: what is noted stays, what cannot be is refused, what breaks is said in one line."""

import contextlib
import dataclasses
import datetime
import os
import pathlib
import sqlite3
import subprocess
import sys
import time

import pytest
from sqlalchemy import text

from gcodetool.errors import GcodetoolError, LedgerError, SpoolError
from gcodetool.ledger import (
    cache,
    call,
    dryings,
    entries,
    exchange,
    maintenance,
    on_tools,
    place_entries,
    records,
    steps,
    store,
    writers,
)
from gcodetool.ledger.store import open_ledger, reading, writing
from gcodetool.moisture.dryer_runs import as_run
from gcodetool.profiles import sample_folder

T0 = 1_760_000_000.0
HOUR = 3600.0
FACTS = {"material": "PA6", "diameter_mm": 1.75, "net_mass_g": 750, "body": {"mass_g": 210}}


@pytest.fixture
def shelf(ledger_word: str) -> store.Ledger:
    """Give a ledger with a bench, an oven, a box, a bag, a printer and one spool."""
    ledger = open_ledger(ledger_word)
    place_entries.add_place(ledger, "bench", {"kind": "open", "temperature_C": 22, "rh_pct": 48}, at_s=T0)
    place_entries.add_place(ledger, "oven", {"kind": "dryer", "temperature_C": 78, "room": "bench"}, at_s=T0)
    place_entries.add_place(ledger, "box-2", {"kind": "box", "temperature_C": 22, "rh_pct": 14}, at_s=T0)
    place_entries.add_place(ledger, "bag", {"kind": "sealed"}, at_s=T0)
    place_entries.add_place(
        ledger, "bench-1", {"kind": "printer", "printer": "bench-1", "room": "bench"}, at_s=T0
    )
    writers.add_spool(ledger, "pa6-07", FACTS, at_s=T0)
    return ledger


def record(ledger: store.Ledger, spool_id: str = "pa6-07") -> records.SpoolRecord:
    """Return one record."""
    with reading(ledger) as conn:
        return records.spool(conn, spool_id)


def kinds(ledger: store.Ledger) -> list[str]:
    """Return what counts of what happened, by time."""
    return [entry.kind for entry in record(ledger).happened]


# ---------------------------------------------------------------- what is refused


REFUSED = [
        (lambda led: writers.move(led, "pa6-7", "oven"), "no spool 'pa6-7' in the ledger; did you mean 'pa6-07'?"),
        (lambda led: writers.move(led, "pa6-07", "ofen"), "no place 'ofen' in the ledger; did you mean 'oven'?"),
        (lambda led: writers.move(led, "zzz", "oven"), "'gcodetool spool list' shows the 1 there"),
        (lambda led: writers.move(led, "pa6-07", "oven", at_s=T0 - 1), "was received"),
        (lambda led: writers.move(led, "pa6-07", "oven", tool=1), "without tools; leave --tool out"),
        (lambda led: writers.weigh(led, "pa6-07", 209.9), "209.9 g is less than the empty reel (210 g)"),
        (lambda led: writers.weigh(led, "pa6-07", 1200), "more than the reel full and wet"),
        (lambda led: writers.fed(led, "pa6-07", length_mm=277_000), "is more than the reel held (275.9 m of 750 g)"),
        (lambda led: writers.fed(led, "pa6-07", mass_g=751), "is more than the reel held"),
        (lambda led: writers.inspect(led, "pa6-07"), "an inspection says nothing"),
        (lambda led: writers.inspect(led, "pa6-07", bubbles="lots"), "bubbles is 'lots'"),
        (lambda led: writers.add_spool(led, "pa6-07", FACTS), "on the shelf already"),
        (lambda led: writers.add_spool(led, "PA6 7", FACTS), "cannot be a spool's id"),
        (lambda led: writers.add_spool(led, "x", {**FACTS, "material": "PTEG"}), "did you mean 'PETG'"),
        (lambda led: writers.add_spool(led, "x", {**FACTS, "net_mass_g": -1}), "net_mass_g is -1"),
        (lambda led: writers.add_spool(led, "x", FACTS, place="bnch"), "did you mean 'bench'"),
        (
            lambda led: writers.add_spool(led, "x", {**FACTS, "material": "PETG"}, received={"water_wt_pct": 9}),
            "x: it came with 9 wt % water, and PETG holds 0.8 wt % in water itself; correct the figure, or add --force",
        ),
        (lambda led: writers.set_spool(led, "pa6-07", {}, received={"water_wt_pct": 30}), "PA6 holds"),
        (lambda led: writers.set_spool(led, "pa6-07", {}), "nothing to correct"),
        (lambda led: dryings.dried(led, "pa6-07", hours=1, temperature_C=78, dryer="bag"), "no dryer"),
        (lambda led: writers.undo(led, "pa6-07", 999), "has no entry 999"),
        (lambda led: place_entries.add_place(led, "bench", {"kind": "open"}), "is there already"),
        (lambda led: place_entries.add_place(led, "roof", {"kind": "open"}), "its air must be known"),
        (
            lambda led: place_entries.add_place(led, "loft", {"kind": "open", "temperature_C": 70, "rh_pct": 50}),
            "loft: 70 °C is hotter than air that nothing heats; write 70F if that is meant, or add --force",
        ),
        (lambda led: place_entries.set_place(led, "bench", {"temperature_C": 72.0}), "write 72F if that is meant"),
        (lambda led: place_entries.read(led, "bench", temperature_C=71.0, rh_pct=50.0), "write 71F if that"),
        (
            lambda led: place_entries.read(led, "bench", temperature_C=-100.0, rh_pct=50.0, force=True),
            "bench: -100 °C is no place's air; it is from -40 to 200",  # nor could the record be read again
        ),
        (lambda led: place_entries.add_place(led, " ", {"kind": "open"}), "cannot be a place's name"),
        (lambda led: place_entries.add_place(led, "o2", {"kind": "dryer", "temperature_C": 60, "room": "bnch"}), "'bench'"),
        (lambda led: place_entries.set_place(led, "bench", {"room": "oven"}), "does not belong to kind 'open'"),
        (lambda led: place_entries.set_place(led, "oven", {"room": "oven"}), "goes in a circle"),
        (lambda led: place_entries.read(led, "oven", rh_pct=5), "it heats the air of its room"),
        (lambda led: place_entries.undo_place(led, "bench"), "has stood there"),
        (lambda led: place_entries.undo_place(led, "oven2"), "did you mean 'oven'"),
]  # fmt: skip


def test_what_cannot_be_is_refused_and_nothing_is_written(shelf: store.Ledger) -> None:
    before = maintenance.ledger_stats(shelf)
    for act, says in REFUSED:
        with pytest.raises(GcodetoolError) as caught:
            act(shelf)
        assert says in str(caught.value)
        assert "\n" not in str(caught.value)
        assert maintenance.ledger_stats(shelf) == before, says
    assert not list(maintenance.integrity_errors(shelf))


def test_a_check_reads_spools_and_logs_once_however_many_there_are(
    shelf: store.Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    place_entries.log(
        shelf, "bench", [(entries.micro(T0 + i * HOUR), 22.0, 50.0) for i in range(30)], source="x.csv"
    )
    for number in range(5):
        writers.add_spool(shelf, f"petg-{number}", FACTS, at_s=T0)
        writers.move(shelf, f"petg-{number}", "bench", at_s=T0 + number * HOUR)
    read: list[str] = []
    for module, name in ((entries, "_entry"), (entries, "readings_of")):
        whole = getattr(module, name)
        monkeypatch.setattr(
            module, name, lambda *a, _of=whole, _as=name, **k: (read.append(_as), _of(*a, **k))[1]
        )
    assert not list(maintenance.integrity_errors(shelf))
    with reading(shelf) as conn:
        places, spools = len(entries.of(conn, "place")), len(entries.of(conn, "spool"))
    assert read.count("_entry") <= 3 * places + 2 * spools  # one of each for the two lists here
    assert read.count("readings_of") == 1


def test_a_weigh_in_is_held_to_what_was_fed_and_to_any_reel_where_the_reel_is_not_known(
    shelf: store.Ledger,
) -> None:
    writers.fed(shelf, "pa6-07", mass_g=400)
    with pytest.raises(LedgerError, match="1009 g is more than the reel with all that is left on it and wet"):
        writers.weigh(shelf, "pa6-07", 1009)  # 609 g, and a slip of the finger
    writers.weigh(shelf, "pa6-07", 609)
    bare = {key: value for key, value in FACTS.items() if key != "body"}
    writers.add_spool(shelf, "bare", bare, at_s=T0)
    writers.weigh(shelf, "bare", 1200)
    with pytest.raises(LedgerError, match="more than the reel full and wet"):
        writers.weigh(shelf, "bare", 9584)  # 958.4 without its point


def test_a_weigh_in_far_from_the_record_is_refused_with_the_way_to_note_a_print(shelf: store.Ledger) -> None:
    bare = {key: value for key, value in FACTS.items() if key != "body"}
    writers.add_spool(shelf, "bare", {**bare, "material": "PETG"}, at_s=T0)
    says = (
        r"bare: 64 g is 686 g less than the 750 g that the strand alone weighs by the record; if that much was printed, "
        r"note it first \(gcodetool spool fed bare --mass 686\); else correct the figure, or add --force"
    )
    with pytest.raises(LedgerError, match=says):
        writers.weigh(shelf, "bare", 64, at_s=T0 + 3600)  # 640
    writers.weigh(shelf, "bare", 940, at_s=T0 + 3600)
    for wrong in (94, 640, 1040):  # a zero lost, two hundred mistaken, and one too many
        with pytest.raises(
            LedgerError, match=r"than the 940 g that the record comes to|more than the record comes to"
        ):
            writers.weigh(shelf, "bare", wrong, at_s=T0 + 7200)
    writers.weigh(shelf, "bare", 934, at_s=T0 + 7200)  # dried out
    writers.fed(shelf, "bare", mass_g=300, at_s=T0 + 9000)  # as the refusal says, and then it is taken
    writers.weigh(shelf, "bare", 640, at_s=T0 + 9000)
    assert not list(maintenance.integrity_errors(shelf))


def test_a_print_that_nobody_noted_is_taken_as_far_as_the_printer_had_time_for_it(
    shelf: store.Ledger,
) -> None:
    writers.weigh(shelf, "pa6-07", 960, at_s=T0)
    writers.move(shelf, "pa6-07", "bench-1", at_s=T0 + 3600)
    with pytest.raises(LedgerError, match="note it first"):
        writers.weigh(shelf, "pa6-07", 500, at_s=T0 + 2 * 3600)  # 460 g in an hour
    assert writers.weigh(shelf, "pa6-07", 500, at_s=T0 + 6 * 3600).notes == ()
    with pytest.raises(LedgerError, match="more than the record comes to"):
        writers.weigh(shelf, "pa6-07", 960, at_s=T0 + 7 * 3600)


def test_force_writes_what_a_check_doubts_and_the_check_of_the_ledger_says_so(shelf: store.Ledger) -> None:
    done = writers.weigh(shelf, "pa6-07", 200, force=True)
    assert "less than the empty reel" in done.notes[0]
    assert [
        fault for fault in maintenance.integrity_errors(shelf) if "less than the empty reel" in fault.text
    ]


def test_a_wet_spool_that_can_be_is_put_on_the_shelf_and_one_that_cannot_with_force(
    shelf: store.Ledger,
) -> None:
    petg = {**FACTS, "material": "PETG"}
    assert writers.add_spool(shelf, "soaked", petg, received={"water_wt_pct": 0.9}).notes == ()
    assert (
        "PETG holds"
        in writers.add_spool(shelf, "odd", petg, received={"water_wt_pct": 9}, force=True).notes[0]
    )
    assert writers.weigh(shelf, "odd", 900).notes == ()  # told once, and by the check of the ledger


def test_a_spool_is_held_to_what_it_is_said_to_be(shelf: store.Ledger) -> None:
    writers.fed(shelf, "pa6-07", mass_g=700)
    with pytest.raises(LedgerError, match="more than the reel held"):
        writers.set_spool(shelf, "pa6-07", {"net_mass_g": 500})
    with pytest.raises(LedgerError, match="was received"):
        writers.set_spool(shelf, "pa6-07", {}, received_at_s=time.time() + 1e6)
    writers.set_spool(shelf, "pa6-07", {"net_mass_g": 1000, "colour": "natural"})
    writers.set_spool(shelf, "pa6-07", {"colour": None, "body": {"width_mm": 60}})
    facts = record(shelf).facts
    assert facts["net_mass_g"] == 1000
    assert "colour" not in facts
    assert facts["body"] == {"mass_g": 210, "width_mm": 60}


def test_a_clock_that_was_set_back_is_noticed(shelf: store.Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writers, "now_us", lambda: call.now_us() - 3600 * 1_000_000)
    with pytest.raises(LedgerError, match=r"clock says .* (but the last note was made|the server's) .*--at"):
        writers.move(shelf, "pa6-07", "oven")
    writers.move(shelf, "pa6-07", "oven", at_s=T0 + HOUR)
    writers.move(shelf, "pa6-07", "bench", force=True)


# ---------------------------------------------------------------- undo


def test_undo_takes_back_the_last_command_whole_and_can_be_undone(shelf: store.Ledger) -> None:
    dryings.dried(shelf, "pa6-07", hours=10, temperature_C=78, at_s=T0 + 20 * HOUR)
    assert kinds(shelf) == ["moved", "moved"]
    first = writers.undo(shelf, "pa6-07").entries[0]
    assert kinds(shelf) == []
    second = writers.undo(shelf, "pa6-07", first.number).entries[0]
    assert kinds(shelf) == ["moved", "moved"]
    writers.undo(shelf, "pa6-07", second.number)
    assert kinds(shelf) == []
    with pytest.raises(LedgerError, match="is undone already"):
        writers.undo(shelf, "pa6-07", first.facts["cancels"][0])


def test_a_spool_with_a_history_is_not_undone_by_accident(shelf: store.Ledger) -> None:
    added = record(shelf).added.number
    writers.move(shelf, "pa6-07", "bag")
    with pytest.raises(LedgerError, match="1 more entries depend on this one"):
        writers.undo(shelf, "pa6-07", added)
    writers.undo(shelf, "pa6-07")
    writers.undo(shelf, "pa6-07")
    with pytest.raises(LedgerError, match="no spool 'pa6-07'"):
        record(shelf)
    with pytest.raises(
        LedgerError, match=r"nothing left to undo; 'gcodetool spool undo \S+ \d+' takes the last undo back"
    ):
        writers.undo(shelf, "pa6-07")
    writers.add_spool(shelf, "pa6-07", {**FACTS, "material": "PETG"}, at_s=T0)
    assert record(shelf).facts["material"] == "PETG"
    assert kinds(shelf) == []


def test_bringing_back_what_does_not_fit_any_more_is_refused(shelf: store.Ledger) -> None:
    writers.fed(shelf, "pa6-07", mass_g=500)
    gone = writers.undo(shelf, "pa6-07").entries[0].number
    writers.fed(shelf, "pa6-07", mass_g=500)
    with pytest.raises(LedgerError, match="more than the reel held"):
        writers.undo(shelf, "pa6-07", gone)


def test_a_retired_spool_comes_back(shelf: store.Ledger) -> None:
    writers.retire(shelf, "pa6-07")
    assert record(shelf).retired
    assert writers.retire(shelf, "pa6-07").entries == ()
    assert "retired" in writers.weigh(shelf, "pa6-07", 900).notes[0]
    writers.undo(shelf, "pa6-07")
    writers.undo(shelf, "pa6-07")
    assert not record(shelf).retired


# ---------------------------------------------------------------- drying


def test_dried_at_another_temperature_is_the_same_dryer_and_goes_back(shelf: store.Ledger) -> None:
    writers.move(shelf, "pa6-07", "bench-1", tool=2, at_s=T0 + HOUR)
    done = dryings.dried(shelf, "pa6-07", hours=8, temperature_C=70, at_s=T0 + 20 * HOUR)
    assert done.notes == ()
    stays = [(place, tool) for _, place, tool in record(shelf).stays()]
    assert stays == [("bench", None), ("bench-1", 2), ("oven", None), ("bench-1", 2)]
    again = dryings.dried(shelf, "pa6-07", hours=2, temperature_C=70, to="bag", at_s=T0 + 40 * HOUR)
    assert [entry.facts["place"] for entry in again.entries] == ["oven", "bag"]
    with reading(shelf) as conn:
        spool = records.load_spool(conn, "pa6-07")
    assert set(spool.places) == {"bench", "bench-1", "oven", "bag"}
    hot = [as_run(spool, spool.places["oven"], event.at_s) for event in spool.events if event.place == "oven"]
    assert [place.temperature_C for place in hot] == [70, 70]
    assert spool.places["oven"].temperature_C == 78  # what the dryer is stated with stays


def test_dried_takes_the_offset_of_the_knob_off(shelf: store.Ledger) -> None:
    place_entries.set_place(shelf, "oven", {"set_offset_C": 4})
    done = dryings.dried(shelf, "pa6-07", hours=8, knob_C=82, at_s=T0 + 20 * HOUR)
    assert done.entries[0].facts == {"place": "oven", "knob_C": 82.0}
    assert done.notes == ("oven really has 78 °C at 82 °C on its knob",)
    again = dryings.dried(shelf, "pa6-07", hours=8, temperature_C=82, at_s=T0 + 40 * HOUR)
    assert again.notes == ()  # that is its air, whatever the knob shows


def test_dried_refuses_hours_in_which_the_spool_was_elsewhere(shelf: store.Ledger) -> None:
    writers.move(shelf, "pa6-07", "box-2", at_s=T0 + 5 * HOUR)
    with pytest.raises(LedgerError, match=r"went to box-2 .* within these 10 h"):
        dryings.dried(shelf, "pa6-07", hours=10, temperature_C=78, at_s=T0 + 12 * HOUR)


def test_the_first_dryer_comes_by_itself_and_several_must_be_named(ledger_word: str) -> None:
    ledger = open_ledger(ledger_word)
    place_entries.add_place(ledger, "bench", {"kind": "open", "temperature_C": 22, "rh_pct": 48}, at_s=T0)
    writers.add_spool(ledger, "x", FACTS, at_s=T0)
    done = dryings.dried(ledger, "x", hours=1, temperature_C=60, at_s=T0 + 2 * HOUR)
    assert "added the place dryer" in done.notes[0]
    place_entries.add_place(ledger, "oven", {"kind": "dryer", "temperature_C": 78, "room": "bench"}, at_s=T0)
    with pytest.raises(LedgerError, match=r"in which dryer\? name it with --dryer \(dryer, oven\)"):
        dryings.dried(ledger, "x", hours=1, temperature_C=60, at_s=T0 + 4 * HOUR)


# ---------------------------------------------------------------- air


def test_readings_are_the_air_and_never_double(shelf: store.Ledger) -> None:
    place_entries.read(shelf, "bench", rh_pct=60, at_s=T0 + 2 * HOUR)
    assert place_entries.read(shelf, "bench", rh_pct=60, temperature_C=22, at_s=T0 + 2 * HOUR).entries == ()
    assert "in place of" in place_entries.read(shelf, "bench", rh_pct=61, at_s=T0 + 2 * HOUR).notes[-1]
    rows = [(entries.micro(T0 + k * HOUR), 20.0 + k, 40.0) for k in range(3, 9)]
    assert "6 readings are new" in place_entries.log(shelf, "bench", rows[:6], source="h.csv").notes[0]
    assert (
        "2 were there already"
        in place_entries.log(
            shelf, "bench", [*rows[4:], (entries.micro(T0 + 9 * HOUR), 20.0, 40.0)], source="h.csv"
        ).notes[0]
    )
    with pytest.raises(LedgerError, match="1 of 1 readings differ"):
        place_entries.log(shelf, "bench", [(rows[0][0], 30.0, 40.0)], source="other.csv")
    with reading(shelf) as conn:
        spool = records.load_spool(conn, "pa6-07")
    log = spool.places["bench"].log
    assert log is not None
    assert log.at_s[0] == T0  # what was stated when the place was added
    assert [round(at - T0) for at in log.at_s] == [round(k * HOUR) for k in (0, 2, 3, 4, 5, 6, 7, 8, 9)]
    assert list(log.rh_pct[:3]) == [48, 61, 40]
    number = place_entries.undo_place(shelf, "bench").entries[0]
    with reading(shelf) as conn:
        after = records.load_spool(conn, "pa6-07").places["bench"].log
    assert after is not None
    assert len(after.at_s) == len(log.at_s) - 1
    place_entries.undo_place(shelf, "bench", number.number)
    assert not list(maintenance.integrity_errors(shelf))


def test_a_mounted_spool_is_found_and_two_on_one_tool_are_said(shelf: store.Ledger) -> None:
    writers.add_spool(shelf, "pa6-08", FACTS, place="bench", at_s=T0)
    writers.move(shelf, "pa6-07", "bench-1", tool=0, at_s=T0 + HOUR)
    done = writers.move(shelf, "pa6-08", "bench-1", tool=0, at_s=T0 + 2 * HOUR)
    assert "pa6-07 is noted on bench-1, tool 0 too" in done.notes[0]
    with reading(shelf) as conn:
        found = on_tools.mounted_on(conn, ["bench-1"], entries.micro(T0 + 3 * HOUR))
        assert [name for name, _ in found[0]] == ["pa6-08", "pa6-07"]
        assert on_tools.mounted_on(conn, ["bench-1"], entries.micro(T0 + 0.5 * HOUR)) == {}


def test_on_which_tool_of_several_a_reel_is_is_asked(shelf: store.Ledger) -> None:
    for name in ("pa6-08", "pa6-09"):
        writers.add_spool(shelf, name, FACTS, place="bench", at_s=T0)
    alone = writers.move(shelf, "pa6-09", "bench-1", at_s=T0 + HOUR)
    assert alone.notes == ()
    first = writers.move(shelf, "pa6-07", "bench-1", tool=0, at_s=T0 + 2 * HOUR)
    ask = "was not said: gcodetool spool move pa6-09 bench-1 --tool N"
    assert first.notes == (f"on which tool of bench-1 pa6-09 is {ask}",)
    writers.move(shelf, "pa6-09", "bench", at_s=T0 + 3 * HOUR)
    assert writers.move(shelf, "pa6-08", "bench-1", tool=1, at_s=T0 + 4 * HOUR).notes == ()
    again = writers.move(shelf, "pa6-09", "bench-1", at_s=T0 + 5 * HOUR)
    assert again.notes == (
        f"on which tool of bench-1 pa6-09 is beside pa6-07 on tool 0 and pa6-08 on tool 1 {ask}",
    )


# ---------------------------------------------------------------- files


@pytest.mark.parametrize("name", sorted(path.stem for path in (sample_folder() / "shelf").glob("*.toml")))
def test_a_spool_file_goes_in_and_comes_out_the_same(
    ledger_word: str, tmp_path: pathlib.Path, name: str
) -> None:
    path = sample_folder() / "shelf" / f"{name}.toml"
    one = open_ledger(ledger_word)
    exchange.import_spool(one, path)
    out = exchange.export(one, name)
    (tmp_path / "out.toml").write_text(out.text, encoding="utf-8")
    two = open_ledger(tmp_path / "two.sqlite")
    exchange.import_spool(two, tmp_path / "out.toml")
    assert exchange.export(two, name) == out
    assert exchange.import_spool(two, tmp_path / "out.toml").entries == ()
    from gcodetool.ledger.spoolfile import read_spool

    given = read_spool(path)
    with reading(one) as conn:
        mine = records.load_spool(conn, name)
    strip = {"places": {}, "source": "", "events": (), "in_ledger": False}
    assert dataclasses.replace(given, **strip) == dataclasses.replace(mine, **strip)
    assert [dataclasses.replace(event, line=None) for event in given.events] == list(mine.events)


def test_logs_go_out_beside_the_file_and_come_back(shelf: store.Ledger, tmp_path: pathlib.Path) -> None:
    place_entries.read(shelf, "bench", rh_pct=52.5, temperature_C=21.3, at_s=T0 + 7.123456)
    writers.weigh(shelf, "pa6-07", 958.4, note='said "dry"\tand\x7f')
    out = exchange.export(shelf, "pa6-07", beside=tmp_path)
    assert list(out.logs) == ["pa6-07.bench.csv"]
    for name, body in {**out.logs, "pa6-07.toml": out.text}.items():
        (tmp_path / name).write_text(body, encoding="utf-8")
    other = open_ledger(tmp_path / "other.sqlite")
    exchange.import_spool(other, tmp_path / "pa6-07.toml")
    assert exchange.export(other, "pa6-07", beside=tmp_path) == out


def test_import_refuses_what_would_mix_two_records(shelf: store.Ledger, tmp_path: pathlib.Path) -> None:
    sample = (sample_folder() / "shelf" / "pa6-07.toml").read_text(encoding="utf-8")
    path = tmp_path / "pa6.toml"
    path.write_text(sample.replace("temperature_C = 78.0", "temperature_C = 70.0"), encoding="utf-8")
    with pytest.raises(
        LedgerError, match=r"place 'box-2' is in the ledger with other figures \(rh_pct 14, here 12"
    ):
        exchange.import_spool(shelf, path, as_id="pa6-08")
    path.write_text(
        path.read_text(encoding="utf-8").replace("rh_pct = 12.0", "rh_pct = 14"), encoding="utf-8"
    )
    with pytest.raises(LedgerError, match="on the shelf already, with another record"):
        exchange.import_spool(shelf, path)
    done = exchange.import_spool(shelf, path, as_id="pa6-08")
    assert "oven has other figures in the ledger (temperature_C 78" in done.notes[0]
    heated = [entry.facts for entry in done.entries if entry.facts.get("place") == "oven"]
    assert heated
    assert all(facts["temperature_C"] == 70 for facts in heated)
    with pytest.raises(SpoolError, match="no such spool file"):
        exchange.import_spool(shelf, tmp_path / "none.toml")


# ---------------------------------------------------------------- care


def test_a_backup_is_a_ledger_with_the_same_record(shelf: store.Ledger, tmp_path: pathlib.Path) -> None:
    place_entries.read(shelf, "bench", rh_pct=55)
    cache.LedgerShelf(shelf, "pa6-07").save(1, b"x" * 1000)
    target = tmp_path / "copy.sqlite"
    for _ in range(2):  # the second one replaces the first
        maintenance.backup(shelf, target)
    copied = open_ledger(target)
    assert maintenance.ledger_stats(copied) == maintenance.ledger_stats(shelf)
    assert exchange.export(copied, "pa6-07") == exchange.export(shelf, "pa6-07")
    assert not list(maintenance.integrity_errors(copied))
    assert cache.LedgerShelf(copied, "pa6-07").load(1) is None
    (tmp_path / "letter.txt").write_text("dear all")
    with pytest.raises(LedgerError, match="not a ledger"):
        maintenance.backup(shelf, tmp_path / "letter.txt")
    assert (tmp_path / "letter.txt").read_text() == "dear all"
    with pytest.raises(LedgerError, match="no such folder"):
        maintenance.backup(shelf, tmp_path / "nowhere" / "copy.sqlite")


def test_an_entry_that_was_changed_behind_our_back_is_found(shelf: store.Ledger) -> None:
    writers.weigh(shelf, "pa6-07", 958.4)
    place_entries.read(shelf, "bench", rh_pct=55)
    with writing(shelf) as conn:
        conn.execute(
            text("UPDATE entry SET facts = :facts WHERE kind = 'weighed'"), {"facts": '{"gross_g":940.0}'}
        )
        conn.execute(text("UPDATE reading SET rh_pct = 20"))
    found = list(maintenance.integrity_errors(shelf))
    assert any(fault.kind == "entry" and "not as it was noted" in fault.text for fault in found)
    assert any("readings are not those that were noted" in fault.text for fault in found)
    with writing(shelf) as conn:
        conn.execute(text("DELETE FROM entry WHERE name = 'bench'"))
    assert any("without the entry" in fault.text for fault in maintenance.integrity_errors(shelf))


def test_an_older_schema_moves_forward_and_a_newer_one_is_refused(
    ledger_word: str, tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as old:
        old.setattr(steps, "STEPS", steps.STEPS[:1])
        old.setattr(store, "NEWEST", 1)
        ledger = open_ledger(ledger_word)
        place_entries.add_place(ledger, "bench", {"kind": "open", "temperature_C": 22, "rh_pct": 48}, at_s=T0)
        writers.add_spool(ledger, "x", FACTS, at_s=T0)
    with reading(ledger) as conn:
        assert steps.version_of(conn) == 1
    ledger = open_ledger(ledger_word)
    with reading(ledger) as conn:
        assert steps.version_of(conn) == steps.NEWEST
    cache.LedgerShelf(ledger, "x").save(1, b"field")
    assert cache.LedgerShelf(ledger, "x").load(1) == b"field"
    assert record(ledger, "x").facts["material"] == "PA6"
    if ledger.path is not None:
        kept = ledger.path.with_name(ledger.path.name + ".version-1.backup")
        with contextlib.closing(sqlite3.connect(kept)) as conn:
            assert conn.execute("SELECT max(version) FROM schema_version").fetchone() == (1,)
            assert conn.execute("SELECT count(*) FROM entry").fetchone() == (2,)
    with writing(ledger) as conn:
        conn.execute(text("INSERT INTO schema_version VALUES (99, 'from later', 0)"))
    with pytest.raises(LedgerError, match=r"written by a newer gcodetool .* update gcodetool"):
        open_ledger(ledger_word)


# ---------------------------------------------------------------- faults of disk, lock and server


def sqlite_shelf(tmp_path: pathlib.Path) -> store.Ledger:
    """Return a ledger in a file, with one spool."""
    ledger = open_ledger(tmp_path / "l.sqlite")
    place_entries.add_place(ledger, "bench", {"kind": "open", "temperature_C": 22, "rh_pct": 48}, at_s=T0)
    writers.add_spool(ledger, "pa6-07", FACTS, at_s=T0)
    return ledger


def test_a_locked_ledger_is_waited_for_and_then_said(
    shelf: store.Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(store.PATIENCE, "0.3")
    before = maintenance.ledger_stats(shelf)
    with writing(shelf):
        with pytest.raises(LedgerError, match=r"another program holds the ledger: try again"):
            writers.move(shelf, "pa6-07", "oven")
        record(shelf)  # readers go on
    if shelf.path is not None:
        with reading(shelf) as conn:
            assert conn.exec_driver_sql("PRAGMA busy_timeout").scalar() == 300
    assert maintenance.ledger_stats(shelf) == before
    writers.move(shelf, "pa6-07", "oven")


@pytest.mark.skipif(os.name != "posix", reason="permissions")
def test_a_ledger_that_may_not_be_written_can_be_read(tmp_path: pathlib.Path) -> None:
    folder = tmp_path / "shelf"
    folder.mkdir()
    ledger = sqlite_shelf(folder)
    assert ledger.path is not None
    for path, mode in (
        (ledger.path, 0o444),
        (folder, 0o555),
        *((each, 0o755) for each in folder.parents if "pytest" in str(each)),  # its own ones
    ):
        path.chmod(mode)
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        again = open_ledger(ledger.path)
        assert record(again).id == "pa6-07"
        assert cache.LedgerShelf(again, "pa6-07").save(1, b"x") is None
        with pytest.raises(LedgerError, match="may not be written: check"):
            writers.move(again, "pa6-07", "bench")
        with pytest.raises(LedgerError, match="cannot be made"):
            open_ledger(folder / "new" / "l.sqlite")
    finally:
        if root:
            os.seteuid(0)
        folder.chmod(0o755)
    assert not list(maintenance.integrity_errors(open_ledger(ledger.path)))


def test_a_full_disk_writes_nothing(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ledger = sqlite_shelf(tmp_path)
    before = maintenance.ledger_stats(ledger)
    plain = store._sqlite_connection

    def cramped(address: str, *, uri: bool) -> object:
        conn = plain(address, uri=uri)
        pages = conn.execute("PRAGMA page_count").fetchone()[0]  # type: ignore[attr-defined]
        conn.execute(f"PRAGMA max_page_count = {pages}")  # type: ignore[attr-defined]
        return conn

    monkeypatch.setattr(store, "_sqlite_connection", cramped)
    rows = [(entries.micro(T0 + k), 20.0, 40.0) for k in range(20_000)]
    with pytest.raises(LedgerError, match="the disk is full: free some space"):
        place_entries.log(ledger, "bench", rows, source="h.csv")
    monkeypatch.undo()
    assert maintenance.ledger_stats(ledger) == before
    assert not list(maintenance.integrity_errors(ledger))


def test_a_damaged_ledger_is_said_to_be_one(tmp_path: pathlib.Path) -> None:
    ledger = sqlite_shelf(tmp_path)
    for _ in range(30):
        writers.move(ledger, "pa6-07", "bench")
    assert ledger.path is not None
    with ledger.engine.connect() as conn:
        conn.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    data = bytearray(ledger.path.read_bytes())
    for at in range(4096 * 2, len(data)):
        data[at] = (data[at] * 7 + 13) % 256
    ledger.path.write_bytes(data)
    with pytest.raises(LedgerError, match="damaged"):
        record(open_ledger(ledger.path))
    ledger.path.write_bytes(b"no database at all, but long enough to be read as one" * 50)
    with pytest.raises(LedgerError, match="not a ledger, or damaged"):
        open_ledger(ledger.path)
    with contextlib.closing(sqlite3.connect(tmp_path / "other.sqlite")) as conn:
        conn.execute("CREATE TABLE cake (flour)")
        conn.commit()
    with pytest.raises(LedgerError, match="no ledger of gcodetool"):
        open_ledger(tmp_path / "other.sqlite")
    with pytest.raises(LedgerError):
        open_ledger(tmp_path)


@pytest.mark.parametrize(
    ("word", "says"),
    [
        ("mysql://x@y/z", "is no kind of ledger"),
        ("postgresql://:::", "cannot be read"),
        ("postgresql://shop@127.0.0.1:1/none", "cannot be reached"),
    ],
)
def test_a_url_that_leads_nowhere_is_one_line(word: str, says: str, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("psycopg")
    monkeypatch.setenv(store.PATIENCE, "2")
    with pytest.raises(LedgerError, match=says) as caught:
        open_ledger(word)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("ledger_word", ["postgresql"], indirect=True)
def test_a_server_that_goes_away_in_the_middle_leaves_nothing_half_written(shelf: store.Ledger) -> None:
    before = maintenance.ledger_stats(shelf)
    with pytest.raises(LedgerError, match="went away"), writing(shelf) as conn:
        entries.append(conn, [entries.Draft("spool", "pa6-07", "moved", 0, {"place": "oven"})])
        mine = conn.execute(text("SELECT pg_backend_pid()")).scalar_one()
        with shelf.engine.connect() as other:
            other.execute(text("SELECT pg_terminate_backend(:pid)"), {"pid": mine})
        entries.append(conn, [entries.Draft("spool", "pa6-07", "moved", 0, {"place": "bench"})])
    assert maintenance.ledger_stats(shelf) == before


@pytest.mark.parametrize("ledger_word", ["postgresql"], indirect=True)
@pytest.mark.parametrize("arrives", [True, False])
def test_a_commit_whose_answer_is_lost_is_looked_up(
    shelf: store.Ledger, monkeypatch: pytest.MonkeyPatch, arrives: bool
) -> None:
    """The server goes away while it confirms: a second look tells what became of the entries."""
    from sqlalchemy.engine import Connection
    from sqlalchemy.exc import OperationalError

    commit = Connection.commit

    def lost(self: Connection) -> None:
        if call.WROTE in self.info:
            commit(self) if arrives else self.rollback()
            raise OperationalError("COMMIT", None, Exception("server closed the connection unexpectedly"))
        commit(self)

    monkeypatch.setattr(Connection, "commit", lost)
    if arrives:
        writers.move(shelf, "pa6-07", "oven")
    else:
        with pytest.raises(LedgerError, match="went away"):
            writers.move(shelf, "pa6-07", "oven")
    monkeypatch.undo()
    assert kinds(shelf) == (["moved"] if arrives else [])


def test_the_ledger_is_imported_only_where_it_is_used(tmp_path: pathlib.Path) -> None:
    code = (
        "import sys; from gcodetool.cli.main import outcome; "
        f"code = outcome(['check', r'{sample_folder() / 'hose-clips-petg.gcode'}', '--members', '1']); "
        "print(code, 'sqlalchemy' in sys.modules, file=sys.stderr)"
    )
    environment = {**os.environ, "GCODETOOL_LEDGER": str(tmp_path / "none" / "l.sqlite")}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=True
    )
    assert done.stderr.split()[-2:] == ["30", "False"]
    assert not (tmp_path / "none").exists()


def test_moments_among_the_facts_of_a_place_go_in_and_out(
    shelf: store.Ledger, tmp_path: pathlib.Path
) -> None:
    first, second = (datetime.datetime(2026, 11, day, 8, tzinfo=datetime.UTC) for day in (2, 9))
    box = {"kind": "box", "temperature_C": 22, "air_L": 9, "desiccant": "silica gel", "desiccant_g": 200}
    place_entries.add_place(shelf, "box-5", {**box, "desiccant_fresh_at": [first]}, at_s=T0)
    place_entries.set_place(shelf, "box-5", {"desiccant_fresh_at": [second]})
    writers.move(shelf, "pa6-07", "box-5", at_s=T0 + HOUR)
    with reading(shelf) as conn:
        fresh = records.load_spool(conn, "pa6-07").places["box-5"].desiccant_fresh_s
    assert list(fresh or ()) == [first.timestamp(), second.timestamp()]
    out = exchange.export(shelf, "pa6-07")
    assert "desiccant_fresh_at = [2026-11-02T08:00:00+00:00, 2026-11-09T08:00:00+00:00]" in out.text
    (tmp_path / "x.toml").write_text(out.text, encoding="utf-8")
    other = open_ledger(tmp_path / "other.sqlite")
    exchange.import_spool(other, tmp_path / "x.toml")
    assert exchange.export(other, "pa6-07") == out
    assert not list(maintenance.integrity_errors(other))


def test_a_box_whose_air_is_worked_out_may_be_read_too(shelf: store.Ledger) -> None:
    leaky = {"kind": "box", "temperature_C": 22, "air_L": 9, "desiccant": "silica gel", "desiccant_g": 200}
    place_entries.add_place(shelf, "box-6", {**leaky, "room": "bench", "exchange_m3_h": 0.001}, at_s=T0)
    place_entries.read(shelf, "box-6", rh_pct=20)
    with reading(shelf) as conn:
        assert records.places(conn)["box-6"].measured
    # one of which nothing but its humidity is known has no air for a leak to mix with
    with pytest.raises(SpoolError, match="take out exchange_m3_h"):
        place_entries.add_place(
            shelf,
            "box-7",
            {"kind": "box", "temperature_C": 22, "rh_pct": 20, "room": "bench", "exchange_m3_h": 0.001},
        )


def test_a_snapshot_rests_on_what_its_spool_has_met_and_on_nothing_else(shelf: store.Ledger) -> None:
    from gcodetool.moisture.snapshot import key

    def now(*also: str) -> str:
        with reading(shelf) as conn:
            spool = records.load_spool(conn, "pa6-07", also=also)
        return key(spool, spool.events, members=8)

    writers.set_spool(shelf, "pa6-07", {}, received={"sealed": True})
    place_entries.read(shelf, "bench", rh_pct=50, at_s=T0 + HOUR)
    place_entries.read(shelf, "bench", rh_pct=52, at_s=T0 + 5 * HOUR)
    writers.move(shelf, "pa6-07", "bag", at_s=T0 + 3 * HOUR)
    first = now()
    assert now("box-2", "bench-1") == first  # where it may be printed
    place_entries.read(
        shelf, "bench", rh_pct=60, at_s=T0 + 9 * HOUR
    )  # after the next reading: it was in the bag
    place_entries.read(shelf, "box-2", rh_pct=30, at_s=T0 + HOUR)  # never there
    assert now() == first
    place_entries.read(shelf, "bench", rh_pct=70, at_s=T0 + 2 * HOUR)
    assert now() != first
