"""Snapshots: the same state as from the record, soon; and never one that rests on something else."""

import dataclasses
from datetime import datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool import profiles
from gcodetool.cli.main import outcome
from gcodetool.ledger import snapshots
from gcodetool.ledger.snapshots import FOLDER, FileShelf, shelf_of
from gcodetool.ledger.spoolfile import read_spool
from gcodetool.moisture import history, replay, snapshot
from gcodetool.moisture.history import state_at
from gcodetool.moisture.record import AirLog, Event, Place, Spool
from gcodetool.profiles import sample_folder

HOUR = 3600.0
NOW = datetime.fromisoformat("2026-11-25T09:00:00+01:00").timestamp()
JOB = str(sample_folder() / "drip-manifold-pa.gcode")
PLACES = {
    place.name: place
    for place in (
        Place("bench", "open", 22.0, 48.0),
        Place("oven", "dryer", 78.0, room="bench"),
        Place("box-3", "box", 22.0, air_L=9.0, desiccant="silica gel", desiccant_g=200.0),
        Place("bench-1", "printer", printer="bench-1", room="bench"),
    )
}
EVENTS = (
    Event(0.0, "received", place="bench", sealed=True, line=3),
    Event(10 * HOUR, "moved", place="oven"),
    Event(22 * HOUR, "weighed", gross_g=958.4),
    Event(23 * HOUR, "moved", place="box-3"),
    Event(60 * HOUR, "moved", place="bench-1"),
    Event(62 * HOUR, "inspected", bubbles="few"),
    Event(63 * HOUR, "fed", length_mm=8210.0),
)
LOG = AirLog((0.0, 90 * HOUR), (21.0, 23.0), (40.0, 50.0))


class Shelf:
    """One in memory, which counts what is asked of it."""

    def __init__(self):
        self.kept = {}
        self.saved = 0

    def load(self, members):
        return self.kept.get(members)

    def save(self, members, data):
        self.saved += 1
        self.kept[members] = data


def spool(count=None, **more):
    events = more.pop("events", EVENTS)[:count]
    return Spool("pa6-07", profiles.material("PA6"), 1.75, 120.0, PLACES, events, **more)


def same(one, other):
    """To the bit: a report must not depend on whether there was a snapshot."""
    assert (other.water_wt_pct == one.water_wt_pct).all()
    assert (other.path_wt_pct == one.path_wt_pct).all()
    assert (other.weights == one.weights).all()
    assert other.remaining_mm == one.remaining_mm
    assert (other.place, other.since_s, other.as_of_s, other.last) == (
        one.place,
        one.since_s,
        one.as_of_s,
        one.last,
    )
    assert other.notes == one.notes
    assert len(other.record) == len(one.record)


@pytest.mark.parametrize("members", [1, 20])
@pytest.mark.parametrize("count", range(1, len(EVENTS) + 1))
def test_a_state_from_a_snapshot_is_the_state_from_the_record(count, members):
    shelf, record = Shelf(), spool(count)
    now = EVENTS[count - 1].at_s + 5 * HOUR
    cold = state_at(record, now, members=members, shelf=shelf)
    assert shelf.saved == 1
    same(cold, state_at(record, now, members=members, shelf=shelf))
    assert shelf.saved == 1  # taken up, not computed again


@pytest.mark.parametrize("members", [1, 20])
def test_later_events_go_on_from_it(members):
    shelf = Shelf()
    state_at(spool(3), 22 * HOUR, members=members, shelf=shelf)
    now = 61 * HOUR
    same(state_at(spool(5), now, members=members), state_at(spool(5), now, members=members, shelf=shelf))
    assert shelf.saved == 2  # and are in the next snapshot
    same(state_at(spool(5), now, members=members), state_at(spool(5), now, members=members, shelf=shelf))
    assert shelf.saved == 2


def test_a_later_weigh_in_is_learned_from_with_all_that_came_before():
    shelf = Shelf()
    state_at(spool(2), 11 * HOUR, members=20, shelf=shelf)
    learned = state_at(spool(3), 22 * HOUR, members=20, shelf=shelf)
    assert shelf.saved == 2
    same(state_at(spool(3), 22 * HOUR, members=20), learned)


OTHERS = {
    "an event": lambda one: dataclasses.replace(
        one, events=(EVENTS[0], dataclasses.replace(EVENTS[1], at_s=9 * HOUR), *EVENTS[2:])
    ),
    "a place": lambda one: dataclasses.replace(
        one, places={**PLACES, "bench": dataclasses.replace(PLACES["bench"], rh_pct=49.0)}
    ),
    "a log": lambda one: dataclasses.replace(
        one, places={**PLACES, "bench": Place("bench", "open", log=LOG)}
    ),
    "the material": lambda one: dataclasses.replace(
        one, material=dataclasses.replace(one.material, diffusivity_23C_m2_s=3e-13)
    ),
    "the net mass": lambda one: dataclasses.replace(one, net_mass_g=121.0),
    "the body": lambda one: dataclasses.replace(one, body=dataclasses.replace(one.body, mass_g=200.0)),
    "the fibre": lambda one: dataclasses.replace(one, fibre_wt_pct=10.0),
}


@pytest.mark.parametrize("what", OTHERS)
def test_a_snapshot_of_another_record_is_not_used(what):
    shelf, other = Shelf(), OTHERS[what](spool())
    state_at(spool(), 70 * HOUR, shelf=shelf)
    fresh = state_at(other, 70 * HOUR)
    got = state_at(other, 70 * HOUR, shelf=shelf)
    assert shelf.saved == 2
    assert (got.water_wt_pct == fresh.water_wt_pct).all()


def test_a_snapshot_holds_for_the_same_material_of_another_installation(tmp_path):
    stated = profiles.path_of("materials", "PA6")
    shelf, told = Shelf(), stated.read_text(encoding="utf-8")
    for name, text in (
        ("one", told),
        ("two", told),
        ("three", told.replace("density_kg_m3 = 1", "density_kg_m3 = 2")),
    ):
        (tmp_path / name).mkdir()
        (tmp_path / name / "pa6.toml").write_text(text, encoding="utf-8")
        found = profiles.material(tmp_path / name / "pa6.toml")
        state_at(dataclasses.replace(spool(), material=found), 70 * HOUR, shelf=shelf)
    assert shelf.saved == 2  # the third one says something else


def test_another_version_of_the_model_is_another_record(monkeypatch):
    shelf = Shelf()
    state_at(spool(), 70 * HOUR, shelf=shelf)
    monkeypatch.setattr(snapshot, "MODEL", "next")
    state_at(spool(), 70 * HOUR, shelf=shelf)
    assert shelf.saved == 2


def test_an_earlier_question_is_answered_from_the_record():
    shelf = Shelf()
    state_at(spool(), 70 * HOUR, shelf=shelf)
    assert state_at(spool(), 12 * HOUR, shelf=shelf).place == "oven"


@given(st.binary(max_size=300), st.integers(0, 5000))
def test_damaged_snapshots_are_nothing(noise, at):
    good = snapshot.write("k", {"events": 1}, {"x": np.arange(400.0)})
    cut = at % len(good)
    assert snapshot.read(noise, "k") is None
    assert snapshot.read(good[:cut], "k") is None
    assert snapshot.read(good[:cut] + bytes([good[cut] ^ 1]) + good[cut + 1 :], "k") is None
    assert snapshot.read(good, "other") is None


def test_files_stand_beside_the_spool_file(tmp_path):
    shelf = FileShelf(tmp_path / "pa6-07.toml")
    one = state_at(spool(), 70 * HOUR, shelf=shelf)
    assert [path.name for path in tmp_path.iterdir()] == [".pa6-07.1.moisture"]
    same(one, state_at(spool(), 70 * HOUR, shelf=shelf))
    shelf.path(1).write_bytes(b"something else")
    same(one, state_at(spool(), 70 * HOUR, shelf=shelf))
    assert shelf.path(1).read_bytes() != b"something else"


def test_where_nothing_can_be_written_the_state_is_computed(tmp_path):
    shelf = FileShelf(tmp_path / "no such folder" / "pa6-07.toml")
    assert shelf.load(1) is None
    same(state_at(spool(), 70 * HOUR), state_at(spool(), 70 * HOUR, shelf=shelf))


def test_a_long_record_is_there_at_once(monkeypatch):
    events = [EVENTS[0]]
    for day in range(1, 40):
        events.append(Event(day * 24 * HOUR, "moved", place=("oven", "bench")[day % 2]))
    shelf, long = Shelf(), spool(len(events), events=tuple(events))
    now = events[-1].at_s + HOUR
    state_at(long, now, members=16, shelf=shelf)

    def refuse(*_, **__):
        raise AssertionError("replayed from the start")

    monkeypatch.setattr(history, "_replayed", refuse)
    assert state_at(long, now, members=16, shelf=shelf).members == 16


# ------------------------------------------------------------------------------- where the files lie


@pytest.fixture
def record(tmp_path, monkeypatch):
    """Return a sample's record in a folder of its own, with snapshots switched on and a cache that is a test's."""
    monkeypatch.delenv(FOLDER)
    cache = tmp_path / "cache"
    monkeypatch.setattr(snapshots, "cache_folder", lambda: cache)
    path = tmp_path / "shelf" / "pa6-07.toml"
    path.parent.mkdir()
    path.write_bytes((sample_folder() / "shelf" / "pa6-07.toml").read_bytes())
    return path


def kept(folder):
    return sorted(path.name for path in folder.glob("**/.*.moisture"))


def test_beside_the_users_file_and_for_what_came_with_us_in_the_cache(record, tmp_path):
    mine, sample = read_spool(record), read_spool(sample_folder() / "shelf" / "pa6-07.toml")
    assert shelf_of(mine).path(64) == record.with_name(".pa6-07.64.moisture")
    assert shelf_of(sample).path(64).parent == tmp_path / "cache"
    nowhere = dataclasses.replace(mine, source="")
    assert shelf_of(nowhere).path(64).parent == tmp_path / "cache"
    assert shelf_of(nowhere) != shelf_of(dataclasses.replace(nowhere, id="pa6-08"))


def test_where_the_folder_is_not_ours_to_write_the_cache_serves(record, monkeypatch):
    monkeypatch.setattr(snapshots.os, "access", lambda *_: False)
    one = read_spool(record)
    state_at(one, NOW, members=16, shelf=shelf_of(one))
    assert kept(record.parent) == []
    assert len(kept(snapshots.cache_folder())) == 1


def test_a_folder_can_be_named_and_snapshots_switched_off(record, tmp_path, monkeypatch):
    one = read_spool(record)
    monkeypatch.setenv(FOLDER, str(tmp_path / "elsewhere"))
    state_at(one, NOW, shelf=shelf_of(one))
    assert len(kept(tmp_path / "elsewhere")) == 1
    monkeypatch.setenv(FOLDER, "off")
    assert shelf_of(one) is None


@pytest.mark.parametrize("words", [["check", JOB, "--spool"], ["spool", "show"]])
def test_what_is_printed_is_the_same_with_a_snapshot_without_and_with_a_broken_one(record, words, capsys):
    def printed():
        outcome([*words, str(record), "--at", "2026-11-25T09:00:00+01:00", "--members", "16", "--json"])
        return capsys.readouterr().out

    cold = printed()
    assert ".pa6-07.16.moisture" in kept(record.parent)
    assert cold == printed()
    for path in record.parent.glob(".*.moisture"):
        path.write_bytes(path.read_bytes()[:-9])
    assert cold == printed()
    for path in record.parent.glob(".*.moisture"):
        path.unlink()
        path.mkdir()  # cannot be replaced by a file
    assert cold == printed()


def test_a_second_check_starts_from_the_snapshot(record, monkeypatch, capsys):
    words = ["check", JOB, "--spool", str(record), "--at", "2026-11-25T09:00:00+01:00", "--members", "16"]
    outcome(words)
    first = capsys.readouterr().out

    def refuse(*_, **__):
        raise AssertionError("replayed from the start")

    monkeypatch.setattr(history, "_replayed", refuse)
    outcome(words)
    assert capsys.readouterr().out == first


# ------------------------------------------------------------------------------- many small feeds


def fed_often(count, *, apart=0.25 * HOUR, material="PA6", each_mm=90.0):
    """A reel on a printer that notes every small feed."""
    feeds = [Event(60 * HOUR + apart * i, "fed", length_mm=each_mm) for i in range(1, count + 1)]
    return Spool("pa6-07", profiles.material(material), 1.75, 750.0, PLACES, (EVENTS[0], EVENTS[4], *feeds))


def test_small_feeds_are_taken_together_whatever_was_seen_before():
    whole = fed_often(160)
    end = whole.events[-1].at_s + 600.0
    shelf = Shelf()
    for seen in (20, 21, 75, 130, 162):
        part = dataclasses.replace(whole, events=whole.events[:seen])
        at = end if seen == 162 else part.events[-1].at_s
        same(state_at(part, at, members=3), state_at(part, at, members=3, shelf=shelf))
    assert shelf.saved == 5


@pytest.mark.parametrize("material", ["PA6", "PETG"])
def test_small_feeds_taken_together_change_next_to_nothing(monkeypatch, material):
    spool = fed_often(300, material=material)
    end = spool.events[-1].at_s + 600.0
    together = state_at(spool, end, members=3)
    monkeypatch.setattr(replay, "FEED_WAITS", 0.0)
    singly = state_at(spool, end, members=3)
    assert together.remaining_mm == pytest.approx(singly.remaining_mm, rel=1e-12)
    assert together.water_wt_pct == pytest.approx(singly.water_wt_pct, rel=2e-3)
    assert together.path_wt_pct == pytest.approx(singly.path_wt_pct, rel=0.03)


def test_twenty_thousand_feeds_are_few_marches(monkeypatch):
    runs = []
    run = history.SpoolIntegrator.run
    monkeypatch.setattr(
        history.SpoolIntegrator, "run", lambda self, *of, **more: runs.append(1) or run(self, *of, **more)
    )
    spool = fed_often(20_000, each_mm=10.0)
    left = [state_at(each, spool.events[-1].at_s).remaining_mm for each in (fed_often(0), spool)]
    assert left[0] - left[1] == pytest.approx(200_000.0)
    assert len(runs) < 1500
