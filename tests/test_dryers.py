"""A dryer is one machine: one temperature at a time whoever is in it, so many reels, and what a thermometer tells."""

import contextlib
import io
import json
import pathlib
import re
import tempfile
from dataclasses import replace

import jsonschema
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

import gcodetool
from gcodetool import profiles
from gcodetool.cli.main import outcome
from gcodetool.drying import instructions
from gcodetool.drying.device import of_place, of_profile, room_at
from gcodetool.drying.limits import set_point, stated
from gcodetool.drying.status_words import headline, short
from gcodetool.drying.together import together
from gcodetool.drying.too_hot import too_hot
from gcodetool.errors import LedgerError, SpoolError, UsageError
from gcodetool.judge import reasons
from gcodetool.judge.heat_damage import heat_damage
from gcodetool.judge.record_facts import last_drying, steam_seen
from gcodetool.ledger import dryers, dryings, exchange, maintenance, place_entries, records, writers
from gcodetool.ledger.merge import merge
from gcodetool.ledger.spoolfile import spool_of
from gcodetool.ledger.store import Ledger, open_ledger, reading
from gcodetool.moisture import neighbours
from gcodetool.moisture.dryer_runs import accuracy_C, air_since_C, as_run, knob_offset_C
from gcodetool.moisture.history import state_at, stretches
from gcodetool.moisture.record import Body, Event, Place, Spool, Thermometer
from gcodetool.moisture.solver import COMPILED
from gcodetool.queue.spool_simulation import SpoolSimulator
from gcodetool.queue.spool_steps import ForecastOptions, StepHistory
from gcodetool.report.drying_json import status_dict as json_of

T0 = 1_790_000_000.0
HOUR = 3600.0
SHELF = {"pla-11": "PLA", "petg-03": "PETG", "tpu-05": "TPU"}
SCHEMA = json.loads((pathlib.Path(__file__).parent.parent / "docs" / "drying.schema.json").read_text("utf-8"))


def workshop(folder: pathlib.Path, **oven: object) -> Ledger:
    """Return a ledger with a bench, an oven and three spools."""
    folder.mkdir(exist_ok=True)
    ledger = open_ledger(folder / "l.sqlite")
    place_entries.add_place(ledger, "bench", {"kind": "open", "temperature_C": 22, "rh_pct": 48}, at_s=T0)
    facts = {"kind": "dryer", "temperature_C": 60, "room": "bench", **oven}
    place_entries.add_place(ledger, "oven", facts, at_s=T0)
    for name, material in SHELF.items():
        stock = {
            "material": material,
            "diameter_mm": 1.75,
            "net_mass_g": 200,
            "body": {"material": "polycarbonate"},
        }
        writers.add_spool(ledger, name, stock, place="bench", at_s=T0)
    return ledger


@pytest.fixture
def shop(tmp_path: pathlib.Path) -> Ledger:
    return workshop(tmp_path, slots=3)


def loaded(ledger: Ledger, name: str) -> Spool:
    with reading(ledger) as conn:
        return records.load_spool(conn, name)


def air(spool: Spool, at_s: float) -> float | None:
    """Return what the air in the oven has for a spool at a moment; None: it is elsewhere."""
    place = [event.place for event in spool.events if event.place is not None and event.at_s <= at_s][-1]
    return as_run(spool, spool.places["oven"], at_s).temperature_C if place == "oven" else None


# ---------------------------------------------------------------- the record

heats = st.sampled_from(
    [{}, {"temperature_C": 45.0}, {"temperature_C": 60.0}, {"knob_C": 50.0}, {"knob_C": 64.0}]
)
acts = st.lists(
    st.tuples(
        st.sampled_from(["in", "out", "dried", "read", "set"]),
        st.sampled_from(sorted(SHELF)),
        st.integers(1, 12),
        heats,
    ),
    min_size=2,
    max_size=10,
)


BY_AIR_AND_BY_KNOB = [
    ("in", "petg-03", 1, {"knob_C": 50.0}),
    ("read", "petg-03", 1, {"temperature_C": 45.0}),
    ("in", "petg-03", 1, {"temperature_C": 45.0}),
    ("in", "pla-11", 1, {"knob_C": 50.0}),
    ("read", "petg-03", 1, {}),
]


BY_AIR_AND_AS_STATED = [
    ("in", "petg-03", 1, {}),
    ("in", "pla-11", 1, {}),
    ("read", "petg-03", 1, {"temperature_C": 45.0}),
    ("in", "petg-03", 1, {"temperature_C": 45.0}),
    ("in", "petg-03", 1, {}),
    ("read", "petg-03", 1, {}),
]


@settings(max_examples=40, deadline=None)
@given(acts, st.sampled_from([None, 2, 3]), st.sampled_from([0.0, 4.0]))
@example(BY_AIR_AND_BY_KNOB, None, 0.0)
@example(BY_AIR_AND_AS_STATED, None, 0.0)
def test_whatever_is_noted_a_dryer_has_one_temperature_at_a_time(acts, slots, offset) -> None:
    with tempfile.TemporaryDirectory() as name:
        more = {} if slots is None else {"slots": slots}
        ledger = workshop(pathlib.Path(name), set_offset_C=offset, **more)
        now = T0
        for act, spool, hours, heat in acts:
            now += hours * HOUR
            with contextlib.suppress(LedgerError):
                if act == "in":
                    writers.move(ledger, spool, "oven", at_s=now, **heat)
                elif act == "out":
                    writers.move(ledger, spool, "bench", at_s=now)
                elif act == "dried":
                    others = [spool, sorted(SHELF)[hours % 3]]
                    dryings.dried(ledger, others, hours=hours, at_s=now, dryer="oven", **heat)
                elif act == "read":
                    celsius = heat.get("temperature_C", 57.0)
                    place_entries.read(
                        ledger, "oven", temperature_C=celsius, knob_C=heat.get("knob_C"), at_s=now
                    )
                else:
                    place_entries.set_place(ledger, "oven", {"set_offset_C": float(hours)}, at_s=now)
        spools = [loaded(ledger, each) for each in SHELF]
        events = sorted({event.at_s for spool in spools for event in spool.events})
        if any(
            act == "set" for act, *_ in acts
        ):  # a correction of all of the record may show a contradiction:
            with reading(ledger) as conn:  # then the check says so
                oven, known = records.places(conn)["oven"], records.spools(conn)
                said = dryers.contradictions(conn, oven)
                assert dryers.contradictions(conn, oven, known=known) == said
        else:
            said = []
        for moment in [at + 60.0 for at in events]:
            inside = {each.id: found for each in spools if (found := air(each, moment)) is not None}
            if max(inside.values(), default=0.0) - min(inside.values(), default=0.0) > 0.06:
                assert said, (moment, inside)
            if slots is not None:
                assert len(inside) <= slots


def test_who_joins_takes_the_temperature_or_turns_it_for_all(shop: Ledger) -> None:
    writers.move(shop, "petg-03", "oven", temperature_C=62, at_s=T0 + HOUR)
    joins = writers.move(shop, "tpu-05", "oven", at_s=T0 + 2 * HOUR)
    assert joins.notes == ("at 62 °C, as petg-03 in it",)
    turns = writers.move(shop, "pla-11", "oven", temperature_C=45, at_s=T0 + 3 * HOUR)
    assert [entry.name for entry in turns.entries] == ["pla-11", "petg-03", "tpu-05"]
    assert "petg-03 is in oven too: noted at 45 °C from then on" in turns.notes
    petg = loaded(shop, "petg-03")
    assert [air(petg, T0 + hours * HOUR) for hours in (1.5, 2.5, 3.5)] == [62, 62, 45]
    drying = last_drying(petg, T0 + 5 * HOUR)
    assert drying is not None
    assert drying.begin_s == T0 + HOUR  # one drying, though it was turned down


def test_a_drying_that_contradicts_another_is_refused_and_found_again(shop: Ledger) -> None:
    dryings.dried(shop, "pla-11", hours=5, temperature_C=45, at_s=T0 + 10 * HOUR)
    with pytest.raises(
        LedgerError, match=r"one temperature at a time: pla-11 is noted .* at 45 °C, this at 62 °C"
    ):
        dryings.dried(shop, "petg-03", hours=2, temperature_C=62, at_s=T0 + 8 * HOUR)
    assert not list(maintenance.integrity_errors(shop))
    dryings.dried(shop, "petg-03", hours=2, temperature_C=62, at_s=T0 + 8 * HOUR, force=True)
    assert [
        "pla-11 at 45 °C and petg-03 at 62 °C" in str(fault) for fault in maintenance.integrity_errors(shop)
    ] == [True]


def test_more_reels_than_a_dryer_is_stated_to_take_are_refused(tmp_path: pathlib.Path) -> None:
    ledger = workshop(tmp_path, slots=1)
    writers.move(ledger, "pla-11", "oven", at_s=T0 + HOUR)
    with pytest.raises(
        LedgerError, match=r"oven takes 1 reel; pla-11 is in it by the record; note where that went"
    ):
        writers.move(ledger, "petg-03", "oven", at_s=T0 + 2 * HOUR)
    with pytest.raises(LedgerError, match="--slots 2"):
        dryings.dried(ledger, ["petg-03", "tpu-05"], hours=1, at_s=T0 + HOUR)
    place_entries.set_place(ledger, "oven", {"slots": 2})
    writers.move(ledger, "petg-03", "oven", at_s=T0 + 2 * HOUR)
    for act in (writers.move, dryings.dried):
        more = {"hours": 1} if act is dryings.dried else {"place": "oven"}
        with pytest.raises(LedgerError, match="give the one that was read"):
            act(ledger, "tpu-05", temperature_C=60, knob_C=62, at_s=T0 + 9 * HOUR, **more)
        with pytest.raises(LedgerError, match="no dryer's temperature"):
            act(ledger, "tpu-05", temperature_C=999, at_s=T0 + 9 * HOUR, **more)
    with pytest.raises(LedgerError, match="no dryer; leave 60 °C out"):
        writers.move(ledger, "petg-03", "bench", temperature_C=60, at_s=T0 + 3 * HOUR)


def test_air_beyond_what_the_dryer_is_stated_to_reach_is_a_slip(shop: Ledger) -> None:
    """150 for 150F, in a dryer whose last mark is 90 °C."""
    place_entries.set_place(shop, "oven", {"max_temperature_C": 90.0})
    for wrong in ({"temperature_C": 150.0}, {"knob_C": 150.0}):
        with pytest.raises(
            LedgerError, match="°C of air is more than the 90 °C that oven is stated to reach"
        ):
            writers.move(shop, "petg-03", "oven", at_s=T0 + HOUR, **wrong)
        with pytest.raises(LedgerError, match="place set oven --max-temperature"):
            dryings.dried(shop, "petg-03", hours=2, at_s=T0 + 9 * HOUR, **wrong)
    assert writers.move(shop, "petg-03", "oven", temperature_C=90, at_s=T0 + HOUR).notes == ()
    done = writers.move(shop, "tpu-05", "oven", temperature_C=97, at_s=T0 + 2 * HOUR, force=True)
    assert any("97 °C of air is more than the 90 °C" in note for note in done.notes)
    with pytest.raises(LedgerError, match="150 °C of air is more than the 90 °C"):
        place_entries.read(shop, "oven", temperature_C=150, knob_C=66, at_s=T0 + 3 * HOUR)
    assert not shop_readings(shop)
    hot = place_entries.read(shop, "oven", temperature_C=96, knob_C=99, at_s=T0 + 3 * HOUR, force=True)
    assert any("96 °C of air is more than the 90 °C" in note for note in hot.notes)
    assert shop_readings(shop) == [96.0]


def shop_readings(shop: Ledger) -> list[float]:
    with reading(shop) as conn:
        return [each["temperature_C"] for each in records.places(conn)["oven"].thermometer]


# ---------------------------------------------------------------- the thermometer


def test_a_reading_with_the_knob_counts_for_every_drying_by_the_knob(shop: Ledger) -> None:
    writers.move(shop, "petg-03", "oven", knob_C=64, at_s=T0 + HOUR)
    said = place_entries.read(shop, "oven", temperature_C=59, at_s=T0 + 3 * HOUR)  # its knob is known
    assert said.entries[0].facts == {"temperature_C": 59.0, "knob_C": 64.0}
    assert "5.0 K cooler than its knob shows" in said.notes[0]
    petg = loaded(shop, "petg-03")
    assert air(petg, T0 + 2 * HOUR) == 59  # from its beginning
    assert as_run(petg, petg.places["oven"], T0 + 2 * HOUR).accuracy_C == 1.0
    # what was not read yet counts for nothing
    before, after = (state_at(petg, T0 + hours * HOUR).spool for hours in (2.9, 3.1))
    assert (knob_offset_C(before.places["oven"]), knob_offset_C(after.places["oven"])) == (0.0, 5.0)
    again = place_entries.read(shop, "oven", temperature_C=59, at_s=T0 + 3 * HOUR)
    assert again.entries == ()
    place_entries.undo_place(shop, "oven")
    assert air(loaded(shop, "petg-03"), T0 + 2 * HOUR) == 64


def test_a_reading_counts_from_then_on_where_the_air_was_noted(shop: Ledger) -> None:
    writers.move(shop, "petg-03", "oven", temperature_C=62, at_s=T0 + HOUR)
    place_entries.read(shop, "oven", temperature_C=55, at_s=T0 + 3 * HOUR)
    writers.move(shop, "tpu-05", "oven", at_s=T0 + 4 * HOUR)
    petg, tpu = loaded(shop, "petg-03"), loaded(shop, "tpu-05")
    assert [air(petg, T0 + hours * HOUR) for hours in (2, 3.5, 5)] == [62, 55, 55]
    assert air(tpu, T0 + 5 * HOUR) == 55
    parts = [
        (round((begin - T0) / HOUR), round(around.reel.temperature_C))
        for begin, _, around in stretches(
            petg, "oven", T0 + HOUR, T0 + 6 * HOUR, now_s=T0 + 6 * HOUR, previous=None
        )
    ]
    assert parts == [(1, 62), (3, 55)]


def test_a_reading_makes_nothing_before_it_surer_unless_it_tells_of_the_knob(shop: Ledger) -> None:
    writers.move(shop, "pla-11", "oven", temperature_C=45, at_s=T0 + HOUR)
    writers.move(shop, "pla-11", "bench", at_s=T0 + 2 * HOUR)
    writers.move(shop, "petg-03", "oven", temperature_C=62, at_s=T0 + 3 * HOUR)
    place_entries.read(
        shop, "oven", temperature_C=55, at_s=T0 + 5 * HOUR
    )  # of the knob nobody knows anything
    petg, pla = loaded(shop, "petg-03"), loaded(shop, "pla-11")

    def known(spool: Spool, hours: float) -> tuple[float | None, float | None]:
        run = as_run(spool, spool.places["oven"], T0 + hours * HOUR)
        return run.temperature_C, run.accuracy_C

    assert [known(petg, hours) for hours in (4, 4.9, 5, 6)] == [(62, None), (62, None), (55, 1.0), (55, 1.0)]
    assert known(pla, 1.5) == (45, None)
    place_entries.read(shop, "oven", temperature_C=56, knob_C=60, at_s=T0 + 6 * HOUR)
    petg, pla = loaded(shop, "petg-03"), loaded(shop, "pla-11")
    assert known(pla, 1.5) == (45, None)  # its air was noted: the knob says nothing of it
    assert [known(petg, hours) for hours in (4, 5, 6)] == [(62, None), (55, 1.0), (56, 1.0)]


def test_a_file_whose_reading_names_no_knob_corrects_from_then_on() -> None:
    oven = Place("oven", "dryer", 78.0, set_offset_C=4.0, readings=(Thermometer(7200.0, 71.0),))
    stay = (0.0,)
    assert [air_since_C(oven, *stay, at) for at in (3600.0, 7200.0)] == [78.0, 71.0]
    assert [accuracy_C(oven, *stay, at) for at in (3600.0, 7200.0)] == [None, 1.0]
    assert air_since_C(oven, 9000.0, 9600.0) == 78.0  # a later stay: the knob's known error is as it was
    assert accuracy_C(oven, 9000.0, 9600.0) is None
    assert air_since_C(oven, 9000.0, 9600.0, knob_C=80.0) == 76.0


def test_readings_go_out_with_the_record_and_come_back(shop: Ledger, tmp_path: pathlib.Path) -> None:
    writers.move(shop, "petg-03", "oven", knob_C=64, at_s=T0 + HOUR)
    place_entries.read(shop, "oven", temperature_C=59, at_s=T0 + 3 * HOUR)
    out = exchange.export(shop, "petg-03", beside=tmp_path)
    (tmp_path / "petg-03.toml").write_text(out.text, encoding="utf-8")
    assert (
        "temperature_C = 59.0, knob_C = 64.0" in out.text or "knob_C = 64.0, temperature_C = 59.0" in out.text
    )
    other = open_ledger(tmp_path / "other.sqlite")
    exchange.import_spool(other, tmp_path / "petg-03.toml")
    assert exchange.export(other, "petg-03", beside=tmp_path) == out
    assert air(loaded(other, "petg-03"), T0 + 2 * HOUR) == 59


def test_a_file_that_gives_a_dryer_a_second_temperature_is_not_taken_in(
    shop: Ledger, tmp_path: pathlib.Path
) -> None:
    dryings.dried(shop, "pla-11", hours=5, temperature_C=45, at_s=T0 + 10 * HOUR)
    other = workshop(tmp_path / "other", slots=3)
    for hours, name in ((3, "petg-03"), (1, "tpu-05")):  # from 7 h on; and when the other is out again
        dryings.dried(other, name, hours=hours, temperature_C=62, at_s=T0 + (11 if hours == 1 else 10) * HOUR)
        (tmp_path / f"{name}.toml").write_text(exchange.export(other, name, beside=tmp_path).text, "utf-8")
    for name in ("petg-03", "tpu-05"):
        writers.undo(shop, name)
    with pytest.raises(LedgerError, match=r"pla-11 at 45 °C and petg-03 at 62 °C .* --force"):
        exchange.import_spool(shop, tmp_path / "petg-03.toml")
    with reading(shop) as conn:
        assert "petg-03" not in records.on_shelf(conn)  # nothing is half-written
    assert exchange.import_spool(shop, tmp_path / "tpu-05.toml").notes == ()
    assert not list(maintenance.integrity_errors(shop))
    said = exchange.import_spool(shop, tmp_path / "petg-03.toml", force=True).notes
    assert "pla-11 at 45 °C and petg-03 at 62 °C" in said[-1]


def at_two_temperatures(folder: pathlib.Path) -> dict[str, Ledger]:
    """Return a shelf that went two ways: of one reel each a drying in the same hours, at 45 and 62 °C."""
    before, found = workshop(folder / "before", slots=3), {}
    assert before.path is not None
    for name, celsius in (("pla-11", 45.0), ("petg-03", 62.0)):
        found[name] = open_ledger(folder / f"{name}.sqlite")
        merge(found[name], before.path)
        dryings.dried(found[name], name, hours=4, temperature_C=celsius, at_s=T0 + 10 * HOUR)
    return found


def test_files_taken_in_one_after_another_are_compared_with_each_other(tmp_path: pathlib.Path) -> None:
    for name, ledger in at_two_temperatures(tmp_path).items():
        (tmp_path / f"{name}.toml").write_text(exchange.export(ledger, name, beside=tmp_path).text, "utf-8")
    into = open_ledger(tmp_path / "new.sqlite")
    exchange.import_spool(into, tmp_path / "petg-03.toml")
    with pytest.raises(LedgerError, match=r"petg-03 at 62 °C and pla-11 at 45 °C"):
        exchange.import_spool(into, tmp_path / "pla-11.toml")
    with reading(into) as conn:
        assert set(records.on_shelf(conn)) == {"petg-03"}


def test_shelves_that_give_one_dryer_two_temperatures_say_so_when_they_are_merged(
    tmp_path: pathlib.Path,
) -> None:
    shelves = at_two_temperatures(tmp_path)
    into, other = shelves["pla-11"], shelves["petg-03"]
    assert other.path is not None
    told = [str(one) for one in merge(into, other.path).conflicts if one.kind == "doubtful"]
    assert len(told) == 1
    assert re.search("oven: .*petg-03 at 62 °C", told[0])
    assert "pla-11 at 45 °C" in told[0]
    again = merge(into, other.path).conflicts
    assert not [one for one in again if one.kind == "doubtful"]  # once: nothing new


@pytest.mark.parametrize(
    ("call", "says"),
    [
        ({"rh_pct": 20.0}, "it heats the air of its room"),
        ({"temperature_C": 60.0, "rh_pct": 20.0}, "it heats the air of its room"),
        ({}, "place read oven --temperature 71"),
    ],
)
def test_a_dryer_is_read_by_a_thermometer(shop: Ledger, call, says) -> None:
    with pytest.raises(LedgerError, match=says):
        place_entries.read(shop, "oven", **call)
    with pytest.raises(LedgerError, match="only a dryer has a knob"):
        place_entries.read(shop, "bench", rh_pct=50, knob_C=70)


def test_a_file_states_no_heat_where_nothing_is_heated() -> None:
    given = {
        "id": "x",
        "material": "PETG",
        "diameter_mm": 1.75,
        "net_mass_g": 200,
        "place": {
            "bench": {"kind": "open", "temperature_C": 22, "rh_pct": 48},
            "oven": {"kind": "dryer", "temperature_C": 60, "room": "bench"},
        },
        "event": [{"at": records.utc(0), "kind": "received", "place": "bench"}],
    }
    moved = {"at": records.utc(1), "kind": "moved"}

    def read(*events, **oven):
        places = {**given["place"], "oven": {**given["place"]["oven"], **oven}}
        return spool_of({**given, "place": places, "event": [*given["event"], *events]}, "test")

    with pytest.raises(SpoolError, match="no dryer; take temperature_C out"):
        read({**moved, "place": "bench", "temperature_C": 60})
    with pytest.raises(SpoolError, match="keep the one that was read"):
        read({**moved, "place": "oven", "temperature_C": 60, "knob_C": 62})
    with pytest.raises(SpoolError, match="slots"):
        read(slots=0)
    with pytest.raises(SpoolError, match="no temperature_C"):
        read(readings=[{"at": records.utc(2)}])
    found = read(
        {**moved, "place": "oven", "knob_C": 62}, readings=[{"at": records.utc(2), "temperature_C": 59}]
    )
    assert found.places["oven"].readings == (Thermometer(2e-6, 59.0),)


# ---------------------------------------------------------------- too hot


def roasted(
    celsius: float, *events: Event, material: str = "PLA", body: str | None = "polycarbonate"
) -> Spool:
    """Return a spool that was in an oven of that temperature for four hours."""
    places = {
        "bench": Place("bench", "open", 22.0, 48.0),
        "oven": Place("oven", "dryer", 60.0, room="bench"),
    }
    done = (
        Event(T0, "received", place="bench"),
        Event(T0 + HOUR, "moved", place="oven", temperature_C=celsius),
        Event(T0 + 5 * HOUR, "moved", place="bench"),
    )
    profile = None if body is None else profiles.spool_body(body)
    return Spool(
        "reel", profiles.material(material), 1.75, 200.0, places, (*done, *events), body=Body(profile)
    )


@given(st.floats(30, 150), st.sampled_from(["PLA", "PETG", "PA6"]), st.sampled_from([None, "polystyrene"]))
def test_a_stay_marks_the_spool_exactly_where_it_is_above_softening_or_reel(celsius, material, body) -> None:
    spool = roasted(celsius, material=material, body=body)
    bodies = profiles.names("spool-bodies") if body is None else [body]
    reel_C = min(profiles.spool_body(each).safe_C for each in bodies)
    above = [limit for limit in (spool.material.softening_C, reel_C) if limit is not None and celsius > limit]
    found = heat_damage(spool, T0 + 6 * HOUR)
    assert (found is not None) == bool(above)
    if found is not None:
        assert found.seconds == 4 * HOUR
        # what is stated comes before what is assumed
        softened = spool.material.softening_C is not None and celsius > spool.material.softening_C
        assert found.limit_C == (spool.material.softening_C if body is None and softened else min(above))
        assert found.assumed == (body is None and not softened)
        said = reasons.too_hot_caution("reel", found)
        assert ("own material is not stated" in said and "spool set reel --body" in said) == found.assumed
        assert heat_damage(spool, found.at_s + 240.0) is None  # not before the turns can be warm
        assert heat_damage(spool, found.at_s + 360.0) is not None
    assert heat_damage(spool, T0 + 0.5 * HOUR) is None  # not before it happened


def test_a_reel_in_too_hot_a_dryer_is_told_so_wherever_its_status_stands(shop: Ledger) -> None:
    asked = {"at": T0 + 2 * HOUR, "members": 4, "ledger": str(shop.path)}
    for celsius in (60.0, 45.0):  # what the oven is stated with; what a reel of PLA stands
        writers.move(shop, "pla-11", "oven", tool=None, temperature_C=celsius, at_s=T0 + HOUR)
        (said,) = gcodetool.drying_status("pla-11", **asked)
        row = gcodetool.spool("pla-11", **asked)
        hot = celsius > 45
        for line in (headline(said), row.drying.line, json_of(said)["do"]):
            assert line.startswith("pla-11: oven is too hot for it: its air has 60 °C") == hot
            assert ("Turn it down to 50 °C or less, or take pla-11 out" in line) == hot
        assert short(said).startswith("too hot") == hot
        assert (json_of(said)["too_hot"] is not None) == hot
        writers.undo(shop, "pla-11")


def test_the_mark_stays_until_somebody_has_looked() -> None:
    hot = roasted(75.0)
    found = heat_damage(hot, T0 + 6 * HOUR)
    assert found is not None
    softening = hot.material.softening_C
    assert reasons.too_hot(found) == (
        f"4 h at 75 °C in oven, {75 - softening:.0f} K above the softening of PLA: look at the winding before you feed it"
    )
    strand = Event(T0 + 7 * HOUR, "inspected", bubbles="none")
    assert (
        heat_damage(roasted(75.0, strand), T0 + 8 * HOUR) == found
    )  # a look at the nozzle tells nothing of it
    good = Event(T0 + 7 * HOUR, "inspected", winding="good")
    assert heat_damage(roasted(75.0, good), T0 + 8 * HOUR) is None
    bad = Event(T0 + 7 * HOUR, "inspected", winding="deformed")
    assert heat_damage(roasted(45.0, bad), T0 + 8 * HOUR).sign == "deformed"
    sags = Event(T0 + 2 * HOUR, "inspected", free_end="sags")
    early = roasted(45.0, sags)
    assert reasons.too_hot(heat_damage(early, T0 + 3 * HOUR)) == (
        "a free end of its strand sagged in oven: too hot; look at the winding before you feed it"
    )


def test_a_coil_without_a_reel_is_not_marked_for_one() -> None:
    coil = replace(roasted(50.0, material="PETG", body=None), winding="loose")
    assert heat_damage(coil, T0 + 6 * HOUR) is None
    assert heat_damage(replace(coil, winding="wound"), T0 + 6 * HOUR) is not None


@given(
    st.sampled_from(["PLA", "PETG", "PA6", "ABS"]),
    st.sampled_from([None, "polystyrene", "cardboard"]),
    st.sampled_from([0.0, 4.0]),
    st.sampled_from([0.0, 6.0, -3.0]),
    st.sampled_from([None, 8.0]),
)
def test_what_a_plan_sets_is_never_too_hot_and_a_degree_above_a_limit_is(
    material, body, swing, offset, accuracy
) -> None:
    spool = roasted(40.0, material=material, body=body)
    oven = replace(spool.places["oven"], swing_C=swing, set_offset_C=offset, accuracy_C=accuracy)
    oven = replace(oven, max_temperature_C=150.0)
    spool = replace(spool, places={**spool.places, "oven": oven}, events=spool.events[:1])
    point = set_point(spool, of_place(spool, state_at(spool, T0 + HOUR), "oven"))
    for above, hot in ((0.0, False), (point.binding.limit_C - swing - point.temperature_C + 1.0, True)):
        put = Event(T0 + HOUR, "moved", place="oven", temperature_C=point.temperature_C + above)
        found = too_hot(replace(spool, events=(*spool.events, put)), "oven", T0 + 2 * HOUR)
        assert (found is not None) is hot
        if found is not None:
            assert found.bound == point.binding
            assert found.at_most_C >= point.temperature_C - 1e-9
            assert (found.knob_C is None) == (offset == 0.0)


def test_a_look_at_the_winding_says_nothing_of_the_water() -> None:
    wet = Event(T0 + 6 * HOUR, "inspected", bubbles="many")
    look = Event(T0 + 7 * HOUR, "inspected", winding="good")
    assert steam_seen(roasted(60.0, wet, look), T0 + 8 * HOUR)
    with_look, without = (
        state_at(roasted(60.0, wet, *more), T0 + 8 * HOUR, members=4) for more in ((look,), ())
    )
    assert with_look.weights.tolist() == without.weights.tolist()


# ---------------------------------------------------------------- together

ROOM = room_at(23, 50)


@settings(max_examples=15 if COMPILED else 2, deadline=None)
@given(
    st.lists(st.sampled_from(["PLA", "PETG", "TPU", "PA6", "ABS"]), min_size=2, max_size=3, unique=True),
    st.sampled_from([None, 70.0, 90.0]),
    st.sampled_from([0.0, 3.0]),
    st.sampled_from([None, 8.0]),
)
def test_reels_together_have_one_temperature_below_every_limit(materials, most, swing, accuracy) -> None:
    reels = []
    for name in materials:
        spool = replace(roasted(40.0, material=name), id=name.lower())
        oven = replace(
            spool.places["oven"], max_temperature_C=most, swing_C=swing, accuracy_C=accuracy, slots=3
        )
        spool = replace(spool, places={**spool.places, "oven": oven}, events=spool.events[:1])
        state = state_at(spool, T0 + HOUR)
        reels.append((state, of_place(spool, state, "oven")))
    found = together(reels, cap_s=30 * HOUR)
    assert {plan.set_point.temperature_C for plan in found.plans} == {found.set_point.temperature_C}
    assert {plan.set_point.knob_C for plan in found.plans} == {found.set_point.knob_C}
    limits = [bound.limit_C for state, device in reels for bound in stated(state.spool, accuracy)]
    assert found.set_point.temperature_C + swing <= min(limits) + 1e-9
    assert found.set_point.temperature_C <= min(point.temperature_C for point in found.alone) + 1e-9
    times = [plan.advised_s for plan in found.plans]
    assert found.advised_s == (None if None in times else max(times))
    for plan in found.plans:
        assert set_point(reels[0][0].spool, reels[0][1]).temperature_C >= plan.set_point.temperature_C - 1e-9
        assert not plan.alternatives


@pytest.mark.skipif(not COMPILED, reason="six drying courses")
def test_in_a_dryer_that_keeps_its_own_air_each_reel_holds_up_the_others() -> None:
    spool = roasted(40.0, material="PETG")
    state = state_at(replace(spool, events=spool.events[:1]), T0 + HOUR)
    other = replace(state, spool=replace(state.spool, id="other"))
    late = {}
    for name, said in (("sealed-box", "the others meet"), ("oven", "does not hold up the others")):
        device = of_profile(profiles.dryer(name), ROOM)
        both = together([(state, device), (other, device)], cap_s=60 * HOUR)
        assert any(said in note for note in instructions.shared_notes(both))
        assert both.crowded  # a profile takes one
        one = together([(state, device)], cap_s=60 * HOUR)
        assert one.advised_s and both.advised_s
        late[name] = both.advised_s / one.advised_s
    assert late["oven"] == 1.0
    assert late["sealed-box"] > 1.05
    # two like reels in a box are one of them in half a box
    box = of_profile(profiles.dryer("sealed-box"), ROOM)
    half = box.exchanging(0.5 * box.around.exchange_m3_s * HOUR)
    half = replace(half, around=replace(half.around, air_m3=0.5 * box.around.air_m3))
    both = together([(state, box), (other, box)], cap_s=60 * HOUR)
    one = together([(state, half)], cap_s=60 * HOUR)
    assert both.advised_s == pytest.approx(one.advised_s, rel=0.03)
    with pytest.raises(UsageError, match="each spool once"):
        together([(state, device), (state, device)])


def test_a_queue_lets_reels_that_stand_in_a_dryer_share_its_air() -> None:
    """Those that stand there when it is made."""
    oven = Place("oven", "dryer", 60.0, room="bench", exchange_m3_h=0.02, air_L=10.0, max_temperature_C=70.0)
    put = Event(T0 + 2 * HOUR, "moved", place="oven")
    reels = {}
    for name in ("one", "two"):
        spool = roasted(40.0, material="PETG")
        places = {**spool.places, "oven": oven}
        reels[name] = replace(
            spool, id=name, places=places, events=(*spool.events[:1], put), net_mass_g=500.0
        )
    needed = []
    for spools in (neighbours.together(reels), {"one": reels["one"]}):
        simulator = SpoolSimulator(
            spools, {}, {}, ForecastOptions(T0 + 3 * HOUR), firsts={}, since={}, shelf_of=lambda _: None
        )
        found = simulator.drying_time(StepHistory("one"), "oven", T0 + 3 * HOUR, 1e9)
        assert found is not None
        needed.append(found.seconds)
    assert needed[0] > needed[1]


def test_cautions_can_all_be_obeyed_and_stand_once() -> None:
    spool = roasted(40.0, material="ABS")
    state = state_at(replace(spool, events=spool.events[:1]), T0 + HOUR)
    from gcodetool.drying.plan import plan

    said = list(instructions.cautions(plan(state, of_place(state.spool, state, "oven"), cap_s=HOUR), spool))
    whole = " ".join(said)
    assert "near enough to notice" in whole
    assert "stay out of the room" not in whole
    assert "free end of strand" in whole
    for word in ("unattended", "styrene", "microwave", "socket", "makers", "settle"):
        assert whole.count(word) == 1, word


def test_cautions_of_reels_in_one_dryer_stand_once_too() -> None:
    """One reel's styrene is everybody's: no second line about plastic that gives off fumes."""
    from gcodetool.report.drying_together_text import cautions

    reels = []
    for name, material in (("one", "PETG"), ("two", "ABS")):
        state = state_at(roasted(40.0, material=material), T0 + HOUR)
        reels.append(replace(state, spool=replace(state.spool, id=name)))
    found = together([(state, of_place(state.spool, state, "oven")) for state in reels], cap_s=HOUR)
    whole = " ".join(cautions(found, [state.spool for state in reels]))
    for word in ("unattended", "styrene", "socket"):
        assert whole.count(word) == 1, word


# ---------------------------------------------------------------- a story


def say(*words: str) -> tuple[int, str]:
    both = io.StringIO()
    with contextlib.redirect_stdout(both), contextlib.redirect_stderr(both):
        code = outcome(list(words))
    return code, both.getvalue()


@pytest.mark.skipif(not COMPILED, reason="a dozen of drying courses")
def test_an_evening_with_a_dehydrator_of_three(
    tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "l.sqlite"))
    monkeypatch.setenv("GCODETOOL_PROFILES", str(tmp_path / "none"))
    day = "2026-11-02T"
    add = ("--at", day + "08:00")
    say("place", "add", "bench", "--kind", "open", "--temperature", "22", "--humidity", "48", *add)
    oven = ("--kind", "dryer", "--temperature", "60", "--room", "bench")
    say("place", "add", "dehydrator", *oven, "--max-temperature", "70", "--slots", "3", *add)
    say("place", "add", "oven", *oven, *add)
    for name, material in SHELF.items():
        stock = ("--material", material, "--net-mass", "200", "--body", "polycarbonate", "--place", "bench")
        assert say("spool", "add", name, *stock, *add)[0] == 0
    few = ("--members", "4", "--at", day + "09:00")
    code, out = say("drying", "plan", "petg-03", "pla-11", "--dryer", "dehydrator", *few)
    assert code == 0
    assert out.startswith("Dry petg-03 and pla-11 together ")
    assert " at 50 °C in dehydrator" in out
    assert "the coolest of their limits is the highest drying temperature of PLA (pla-11)" in out
    assert out.count("unattended") == 1
    code, out = say("drying", "plan", "petg-03", *few)
    assert code == 0
    assert re.findall(r"^  (dryer|dehydrator|oven) ", out, re.MULTILINE) == ["dryer", "dehydrator", "oven"]
    code, out = say("drying", "plan", "petg-03", "pla-11", *few)
    assert "takes 1" in out  # the oven
    for words in (("petg-03", "pla-11", "--dryer", "dehydrator"), ("petg-03",)):
        code, out = say("drying", "plan", *words, *few, "--json")
        jsonschema.Draft202012Validator(SCHEMA).validate(json.loads(out))
    assert say("drying", "plan", "petg-03", "pla-11", "--to", "0.1")[0] == 2
    assert say("drying", "plan", "petg-03", "petg-03", "--dryer", "oven")[0] == 2

    assert say("spool", "move", "petg-03", "dehydrator", "--knob", "65", "--at", day + "09:00")[0] == 0
    code, out = say("place", "read", "dehydrator", "--temperature", "62", "--at", day + "10:00")
    assert "3.0 K cooler than its knob shows" in out
    code, out = say(
        "drying", "plan", "tpu-05", "--dryer", "dehydrator", "--members", "4", "--at", day + "10:30"
    )
    assert "petg-03 in dehydrator now: what it is set to, it is set to for all" in " ".join(out.split())
    assert "its knob at 68" in out  # 65 °C of air: what PETG allows
    code, out = say("spool", "move", "tpu-05", "dehydrator", "--at", day + "11:00")
    assert "at 65 °C on its knob, as petg-03 in it" in out
    code, out = say("spool", "move", "pla-11", "dehydrator", "--temperature", "50", "--at", day + "12:00")
    assert out.count("noted at 50 °C from then on") == 2
    code, out = say("place", "list", "--at", day + "12:30")
    assert "3 reels" in out and "petg-03, pla-11, tpu-05" in out
    for name in SHELF:
        say("spool", "move", name, "bench", "--at", day + "18:00")
    hot = ("--hours", "3", "--knob", "68", "--dryer", "dehydrator", "--at", day + "23:00")
    code, out = say("spool", "dried", "petg-03", "pla-11", *hot)
    assert (code, out.count("dried 3 h in dehydrator, now at bench")) == (0, 2)
    code, out = say("spool", "list", "--members", "1", "--at", day + "23:30")
    assert "was too hot" in out and "look at the winding before you feed it" in out
    assert out.count("above the softening") == 1  # of PLA; PETG stands these 65 °C
    job = str(profiles.sample_folder() / "hose-clips-petg.gcode")
    code, out = say("check", job, "--spool", "pla-11", "--members", "1", "--at", day + "23:30")
    assert "look at the winding" in " ".join(out.split())
    assert say("spool", "inspect", "pla-11", "--winding", "good", "--at", day + "23:40")[0] == 0
    assert "too hot" not in say("spool", "list", "--members", "1", "--at", day + "23:45")[1]
    assert say("ledger", "check")[0] == 0


def test_too_much_heat_is_said_when_it_is_noted(
    tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "l.sqlite"))
    monkeypatch.setenv("GCODETOOL_PROFILES", str(tmp_path / "none"))
    day = "2026-11-02T"
    add = ("--at", day + "08:00")
    say("place", "add", "bench", "--kind", "open", "--temperature", "22", "--humidity", "48", *add)
    oven = ("--kind", "dryer", "--temperature", "50", "--room", "bench", "--slots", "3")
    say("place", "add", "oven", *oven, "--set-offset", "4", *add)
    stock = ("--net-mass", "200", "--place", "bench", *add)
    for name, material in (("pla-11", "PLA"), ("petg-03", "PETG")):
        say("spool", "add", name, "--material", material, "--body", "polycarbonate", *stock)
    say("spool", "add", "petg-04", "--material", "PETG", *stock)
    hot = "is too hot for it"

    code, out = say("spool", "move", "pla-11", "oven", "--at", day + "09:00")
    assert (code, hot in out) == (0, False)
    # who turns the dryer for all is told of all
    code, out = say("spool", "move", "petg-03", "oven", "--temperature", "65", "--at", day + "10:00")
    assert (code, out.count(hot)) == (0, 1)
    assert "pla-11: oven is too hot for it: its air has 65 °C" in out
    assert "Turn it down to 50 °C or less (its knob at 54 °C), or take pla-11 out" in out
    say("spool", "move", "pla-11", "bench", "--at", day + "11:00")
    # a thermometer tells more than the knob
    code, out = say("place", "read", "oven", "--temperature", "64", "--at", day + "12:00")
    assert hot not in out
    code, out = say("place", "read", "oven", "--temperature", "71", "--at", day + "12:30")
    assert "petg-03: oven is too hot for it" in out
    say("spool", "move", "petg-03", "bench", "--at", day + "13:00")
    # a reel of unknown material is the most delicate
    code, out = say("spool", "move", "petg-04", "oven", "--temperature", "50", "--at", day + "14:00")
    assert "a reel of unknown material: taken as the most delicate" in out
    say("spool", "move", "petg-04", "bench", "--at", day + "15:00")
    assert "own material is not stated" in " ".join(
        say("spool", "list", "--members", "1", "--at", day + "16:00")[1].split()
    )
    say("spool", "set", "petg-04", "--body", "polycarbonate", "--at", day + "16:00")
    code, out = say("spool", "list", "--members", "1", "--at", day + "16:00")
    assert "petg-04 was too hot" not in out and "not stated" not in out
    # what has ended is to be looked at
    dried = ("--hours", "3", "--dryer", "oven")
    code, out = say("spool", "dried", "petg-03", *dried, "--temperature", "90", "--at", day + "20:00")
    assert "above the softening of PETG" in out and "Turn it down" not in out
    code, out = say("spool", "dried", "pla-11", *dried, "--temperature", "51", "--at", day + "23:30")
    assert "no more than 50 °C next time" in out
    assert (code, say("ledger", "check")[0]) == (0, 0)
