"""Closed places, draughts, bodies that hold water, desiccant that gets spent: records made of them."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetool import profiles
from gcodetool.cli.main import outcome
from gcodetool.errors import SpoolError
from gcodetool.ledger.snapshots import FileShelf
from gcodetool.ledger.spoolfile import read_spool
from gcodetool.moisture import air, reel_body, solver
from gcodetool.moisture.constants import MOLAR_GAS
from gcodetool.moisture.field import SpoolIntegrator, uniform
from gcodetool.moisture.forecast import forecast
from gcodetool.moisture.history import aged, state_at, surroundings
from gcodetool.moisture.polymer import CONDENSATION_J_MOL, polymer
from gcodetool.moisture.record import Body, Event, Place, Spool
from gcodetool.moisture.winding import SHELLS, winding

HOUR = 3600.0
DAY = 24 * HOUR
ROOM_K = 296.15
ROOM = air.room_air(23.0, 50.0)
SILICA = profiles.desiccant("silica gel")
BOARD = Body(profile=profiles.spool_body("cardboard"), mass_g=150.0)


def places(**changed):
    known = (
        Place("bench", "open", 22.0, 48.0),
        Place("oven", "dryer", 70.0, room="bench"),
        Place("box-2", "box", 22.0, air_L=9.0, desiccant="silica gel", desiccant_g=100.0, agent=SILICA),
        Place("bench-1", "printer", printer="bench-1", room="bench", fed_from="box-2"),
        Place("bag", "sealed", 22.0, air_L=2.0, leak_g_per_day=0.0),
    )
    return {
        one.name: dataclasses.replace(one, **changed.get(one.name.replace("-", "_"), {})) for one in known
    }


def spool(*events, material="PA6", grams=200.0, body=None, fibre_wt_pct=0.0, **changed):
    first = Event(0.0, "received", place="bench", sealed=False)
    return Spool(
        "pa6-07",
        profiles.material(material),
        1.75,
        grams,
        places(**changed),
        (first, *events),
        body=body or Body(),
        fibre_wt_pct=fibre_wt_pct,
    )


def moved(at_s, place):
    return Event(at_s, "moved", place=place)


def mean(state):
    return float(state.mean_wt_pct[0])


# ------------------------------------------------------------------------------- sorption heat


def reel(
    name,
    content,
    *,
    grams=200.0,
    kelvin=ROOM_K,
    cold=False,
    flange_open=0.0,
    members=1,
    body=None,
    count=SHELLS,
    body_activity=None,
):
    parameters = polymer(profiles.material(name), members=members, seed="petg-03")
    if cold:  # the same polymer, whose water brings no heat: at 23 °C nothing else changes
        parameters = dataclasses.replace(
            parameters, sorption_K=parameters.sorption_K * 0 + CONDENSATION_J_MOL / MOLAR_GAS
        )
    record = Spool("petg-03", profiles.material(name), 1.75, grams, {}, ())
    wind = winding(record, parameters.density_kg_m3)
    wind = dataclasses.replace(wind, flange_open=flange_open, body=body)
    start = uniform(wind, parameters, content, kelvin, count=count, body_activity=body_activity)
    return SpoolIntegrator(start, parameters)


def after(march, around, seconds):
    march.surround(around)
    march.run(seconds)
    return march.field()


@pytest.mark.parametrize("name", ["PA6", "PVA", "TPU_95A", "ABS"])
def test_water_that_comes_in_warms_and_water_that_leaves_cools(name):
    room = float(polymer(profiles.material(name)).room_equilibrium()[0])
    damp = air.room_air(23.0, 90.0)
    dry = air.room_air(23.0, 2.0)
    for seconds in (600.0, 2 * HOUR):
        assert after(reel(name, 0.1 * room), damp, seconds).temperature_K.max() > ROOM_K + 0.01
        assert after(reel(name, room), dry, seconds).temperature_K.min() < ROOM_K - 0.01
        still = after(reel(name, room, cold=True), dry, seconds)
        assert np.abs(still.temperature_K - ROOM_K).max() < 1e-6


@pytest.mark.parametrize("kind", ["sealed", "box"])
def test_a_bag_or_box_that_states_no_temperature_is_as_warm_as_its_room(kind):
    """In a garage at 8 °C its desiccant holds more and the strand gives off less than at 23 °C."""
    cold = {"bench": {"temperature_C": 8.0}}
    shut = {"kind": kind, "air_L": 2.0, "desiccant": "silica gel", "desiccant_g": 50.0, "agent": SILICA}
    events = (moved(HOUR, "bag"),)
    implied, stated, as_in_a_warm_room = (
        state_at(spool(*events, **cold, bag={**shut, "room": "bench", "temperature_C": celsius}), 60 * DAY)
        for celsius in (None, 8.0, 23.0)
    )
    assert np.array_equal(implied.water_wt_pct, stated.water_wt_pct)
    assert abs(np.median(as_in_a_warm_room.water_wt_pct) / np.median(stated.water_wt_pct) - 1) > 0.1


def test_the_heat_of_a_drying_reel_is_what_its_water_takes():
    """Held by its capacity alone (films of nothing), a reel cools by the heat of the water that left it."""
    march = reel("PA6", 0.025)
    blanket = air.Air(ROOM_K, 100.0, heat_W_m2K=1e-9)
    before = march.field()
    field = after(march, blanket, 20 * HOUR)
    wound = field.winding.strand_kg()
    gone = wound @ (before.layer_mean() - field.layer_mean())
    cooled = wound @ (before.temperature_K - field.temperature_K) * 1500.0
    assert gone[0] > 1e-5
    assert cooled == pytest.approx(gone * march.polymer.latent_J_kg, rel=0.02)


def test_latent_heat_slows_drying_and_never_moves_where_it_ends():
    room = float(polymer(profiles.material("PA6")).room_equilibrium()[0])
    dry = air.room_air(23.0, 5.0)
    fields = [
        after(reel("PA6", room, grams=60.0, cold=cold), dry, 100 * HOUR).mean() for cold in (False, True)
    ]
    assert fields[0] > fields[1]
    ends = [after(reel("PA6", room, grams=20.0, cold=cold), dry, 3e8).mean() for cold in (False, True)]
    assert ends[0] == pytest.approx(ends[1], rel=1e-3)


# ------------------------------------------------------------------------------- conservation

bags = st.builds(
    air.Air,
    st.floats(285.0, 345.0),
    st.floats(0.0, 1200.0),
    closed=st.just(True),
    air_m3=st.floats(1e-4, 0.02),
    desiccant=st.sampled_from([None, *map(air.desiccant, profiles.names("desiccants"))]),
    desiccant_kg=st.floats(0.0, 0.5),
    exchange_m3_s=st.sampled_from([0.0, 1e-7, 1e-4]),
    exchange_kg_m3=st.floats(0.0, 0.02),
)
rooms = st.builds(air.blown, st.builds(air.room_air, st.floats(15, 30), st.floats(5, 95)), st.floats(0.5, 6))
reels = st.sampled_from(["cardboard", "recycled PLA", "ABS", None])


@given(
    st.sampled_from(["PLA", "PA6", "PVA"]),
    st.lists(st.tuples(st.one_of(bags, bags, rooms), st.floats(1.0, 1e6)), min_size=1, max_size=4),
    st.floats(0, 1),
    reels,
    st.integers(1, 3),
)
@settings(max_examples=60 if solver.COMPILED else 15)
def test_water_of_strand_box_desiccant_and_body_is_conserved(name, stays, flange_open, body, members):
    material = None if body is None else profiles.spool_body(body.replace(" ", "_"))
    holds = None if material is None else reel_body.body_water(Body(profile=material, mass_g=150.0))
    march = reel(name, 0.004, grams=60.0, flange_open=flange_open, members=members, body=holds, count=8)
    seen = 0.0
    for place, seconds in stays:
        march.surround(place)
        total = march.field().water_kg()
        before = total - march.inflow_kg()
        march.run(seconds)
        field = march.field()
        seen = max(seen, float(total.max()), float(field.water_kg().max()))
        assert np.abs(field.water_kg() - march.inflow_kg() - before).max() <= 1e-9 * seen
        assert holds is None or (field.body_kg > -1e-9).all()


def test_a_body_of_board_shares_the_water_of_a_box_and_wets_a_dry_strand():
    holds = reel_body.body_water(BOARD)
    shut = air.Air(ROOM_K, 700.0, closed=True, air_m3=0.005)
    with_board = after(reel("PLA", 0.0005, body=holds, body_activity=0.5), shut, 90 * DAY)
    without = after(reel("PLA", 0.0005), shut, 90 * DAY)
    assert with_board.mean() > 3 * without.mean()
    humid = float(shut.activity_over(with_board.store_kg)[0])
    assert float(with_board.body_kg[0]) == pytest.approx(float(holds.balance_kg(humid)), rel=1e-3)
    assert with_board.mean() == pytest.approx(
        polymer(profiles.material("PLA")).equilibrium(humid, ROOM_K), rel=1e-3
    )


# ------------------------------------------------------------------------------- bodies on a scale


def test_a_board_body_loses_more_in_a_dryer_than_the_strand_and_the_weigh_in_counts_it():
    weighings = (Event(DAY, "weighed", gross_g=1.0), Event(DAY + 9 * HOUR, "weighed", gross_g=1.0))
    events = (weighings[0], moved(DAY, "oven"), weighings[1])
    plain, board = (
        state_at(spool(*events, material="PLA", grams=1000.0, body=body), DAY + 9 * HOUR)
        for body in (Body(mass_g=150.0), BOARD)
    )
    lost = [float(one.record[0].water_g[0] - one.record[1].water_g[0]) for one in (plain, board)]
    assert 0.5 < lost[0] < 4.5
    assert 6.0 < lost[1] - lost[0] < 13.0  # about 10 g of a 150 g body at 50 % RH
    assert float(board.body_gain_g[0]) == pytest.approx(
        float(board.record[1].water_g[0]) - mean(board) * 10, abs=0.1
    )
    assert any("the cardboard body holds 7 % (6 to 9)" in note for note in map(str, board.notes))
    assert float(plain.body_gain_g[0]) == 0.0


def test_a_stated_body_mass_is_one_weighed_in_room_air():
    holds = reel_body.body_water(BOARD)
    assert holds.dry_kg + holds.weighed_kg == pytest.approx(0.150)
    assert holds.weighed_kg == pytest.approx(0.150 * 0.07 / 1.07)
    in_room = dataclasses.replace(places()["bench"], rh_pct=50.0)
    state = state_at(dataclasses.replace(spool(body=BOARD), places={"bench": in_room}), DAY)
    assert float(state.body_gain_g[0]) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("hours", [1.0, 6.0, 30.0])
def test_a_body_follows_the_air_with_its_time_constant(hours):
    holds = reel_body.body_water(BOARD)
    march = reel("PLA", 0.001, body=holds)
    before = march.field().body_kg
    field = after(march, air.room_air(23.0, 80.0), hours * HOUR)
    goal = float(holds.balance_kg(0.8))
    assert field.body_kg == pytest.approx(goal + (before - goal) * math.exp(-hours / 6.0), rel=1e-9)
    assert holds.follows_s(353.15) < 0.2 * holds.follows_s(ROOM_K)


# ------------------------------------------------------------------------------- flanges and draughts


@pytest.mark.parametrize("name", ["PLA", "TPU_95A"])
def test_open_flanges_and_a_draught_through_them_shorten_drying(name):
    start = float(polymer(profiles.material(name)).room_equilibrium()[0])
    celsius = profiles.material(name).dry_at_C

    def left(flange_open, draught):
        hot = air.heated_air(celsius, ROOM.vapour_Pa, draught=draught)
        field = after(reel(name, start, grams=1000.0, flange_open=flange_open), hot, 3 * HOUR)
        return field.layer_mean()[:, 0]

    shut, wide, blown = left(0.0, 3.0), left(0.7, 3.0), left(0.7, 6.0)
    still = left(0.0, 1.0)
    assert shut.mean() < still.mean()
    assert wide.mean() < 0.9 * shut.mean()
    assert blown.mean() < wide.mean()
    assert wide[0] < 0.9 * shut[0]  # the turns on the hub gain most


def test_a_dryers_fan_is_what_its_profile_or_place_says():
    still, usual, strong = (
        surroundings(spool(oven={"draught": draught}), "oven", DAY).reel for draught in (1.0, None, 6.0)
    )
    assert (still.mass_m_s, usual.mass_m_s, strong.mass_m_s) == pytest.approx((0.0045, 0.0135, 0.027))
    assert (still.through, usual.through, strong.through) == (1.0, 2.0, 3.5)
    assert surroundings(spool(bench={"draught": 2.0}), "bench", DAY).reel.mass_m_s == pytest.approx(0.009)
    for name in profiles.names("dryers"):
        one = profiles.dryer(name)
        assert one.draught_range is None or one.draught_range[0] <= one.draught <= one.draught_range[1]


# ------------------------------------------------------------------------------- boxes


def test_desiccant_is_spent_when_the_air_over_it_passes_the_stated_humidity():
    """Neither before nor after: the note comes with the hour in which the air passes 20 % RH."""
    wet = spool(moved(HOUR, "box-2"), grams=750.0, box_2={"desiccant_g": 50.0})

    def seen(at_s):
        there = state_at(wet, at_s)
        return any(str(note).startswith("spent") for note in there.notes), float(there.enclosed_rh_pct[0])

    before_s, after_s = HOUR, 60 * DAY
    for _ in range(12):
        middle_s = (before_s + after_s) / 2
        before_s, after_s = (before_s, middle_s) if seen(middle_s)[0] else (middle_s, after_s)
    assert seen(after_s)[1] == pytest.approx(20.0, abs=0.5)


def test_desiccant_gets_spent_by_a_wet_spool_and_says_so_with_the_day():
    much, little = (
        state_at(spool(moved(HOUR, "box-2"), grams=750.0, box_2={"desiccant_g": grams}), 60 * DAY)
        for grams in (1000.0, 50.0)
    )
    assert not any(note.startswith("spent") for note in map(str, much.notes))
    (note,) = (note for note in map(str, little.notes) if note.startswith("spent"))
    assert "the desiccant of box-2" in note and "regenerate it at 105 to 120 °C" in note
    assert "20 % RH" in note
    assert float(much.enclosed_rh_pct[0]) < 20.0 < float(little.enclosed_rh_pct[0])
    assert mean(much) < mean(little)


def test_a_charge_that_is_stated_to_be_old_goes_on_from_where_it_was_left():
    events = [moved(HOUR, "box-2"), moved(20 * DAY, "bench"), moved(21 * DAY, "box-2")]

    def humid(*fresh_s):
        record = spool(*events, grams=75.0, box_2={"desiccant_fresh_s": fresh_s, "desiccant_g": 10.0})
        return float(state_at(record, 22 * DAY).enclosed_rh_pct[0])

    each_time, old, renewed = humid(), humid(0.0), humid(0.0, 20.5 * DAY)
    assert renewed == pytest.approx(each_time, rel=1e-6)
    assert old > 1.5 * renewed
    inside = humid(0.0, 21.5 * DAY)  # renewed while the spool is in
    assert inside < old


def test_a_box_that_leaks_ends_at_its_room():
    tight, leaking = (
        state_at(
            spool(
                moved(HOUR, "box-2"),
                grams=60.0,
                material="PLA",
                box_2={"exchange_m3_h": leak, "room": "bench"},
            ),
            200 * DAY,
        )
        for leak in (None, 0.05)
    )
    assert float(tight.enclosed_rh_pct[0]) < 15.0
    assert float(leaking.enclosed_rh_pct[0]) == pytest.approx(48.0, abs=0.5)
    assert any(note.startswith("spent") for note in map(str, leaking.notes))


@pytest.mark.parametrize("stands_in", ["bag", "oven"])
def test_a_bag_does_not_leak_from_a_printer_that_stands_in_that_bag(stands_in):
    # the record's own circle: the bag's outside is where the reel stood before, and that printer's room is the bag
    reel = spool(
        moved(HOUR, "bench-1"),
        moved(2 * HOUR, "bag"),
        bag={"leak_g_per_day": 0.1, "temperature_C": None},
        oven={"room": "bag"},
        bench_1={"room": stands_in, "fed_from": None},
    )
    bench = reel.places["bench"]
    assert surroundings(reel, "bag", 3 * HOUR).reel.temperature_K == pytest.approx(
        bench.temperature_C + 273.15
    )


def test_a_dryer_without_a_vent_stops_and_with_one_does_not():
    """1 kg of damp PA6 gives off 27 g; ten litres of room air hold 0.1 g."""
    means = [
        mean(
            state_at(
                spool(moved(HOUR, "oven"), grams=750.0, oven={"temperature_C": 80.0, "exchange_m3_h": vent}),
                13 * HOUR,
            )
        )
        for vent in (0.0, 0.05, 1.0, None)
    ]
    assert means == sorted(means, reverse=True)
    assert means[0] > 2.3
    assert means[2] < 1.15 * means[3]


def test_a_printer_goes_on_with_the_box_that_feeds_it():
    record = spool(moved(HOUR, "box-2"), grams=150.0, box_2={"desiccant_g": 20.0})
    boxed = state_at(record, 20 * DAY)
    feed = [[0.0, 10 * HOUR, 1000.0]]
    around = surroundings(record, "bench-1", 20 * DAY)
    assert around.box == "box-2"
    on = forecast(boxed, around, feed)
    assert on.after.field.store_kg == pytest.approx(boxed.field.store_kg, rel=0.02)  # no fresh charge
    assert aged(boxed, around, DAY).field.store_kg == pytest.approx(boxed.field.store_kg, rel=0.05)
    printed = state_at(
        dataclasses.replace(record, events=(*record.events, moved(20 * DAY, "bench-1"))), 21 * DAY
    )
    assert printed.field.store_kg == pytest.approx(boxed.field.store_kg, rel=0.05)
    assert float(printed.path_wt_pct[0]) != float(printed.next_fed_wt_pct[0])  # the tube stands in the room


def test_a_parked_tool_fed_from_a_box_stays_drier_than_one_on_the_bench():
    dry = (moved(HOUR, "oven"), moved(13 * HOUR, "box-2"))
    state = state_at(spool(*dry), 14 * HOUR)
    late = [[15 * HOUR, 16 * HOUR, 3000.0]]
    in_box = forecast(state, surroundings(state.spool, "bench-1", 14 * HOUR), late)
    open_air = forecast(state, surroundings(state.spool, "bench", 14 * HOUR), late)
    assert in_box.start_wt_pct[0] < open_air.start_wt_pct[0]
    assert in_box.start_wt_pct[0] == pytest.approx(state.next_fed_wt_pct[0], rel=0.2)


# ------------------------------------------------------------------------------- filled grades


@pytest.mark.parametrize("name", ["PA6", "PETG"])
def test_a_filled_grade_is_its_polymer_with_less_of_it(name):
    """Each strand of a loose coil: content and limits times the polymer's share, the times the same."""
    bare, filled = (
        state_at(
            dataclasses.replace(spool(moved(HOUR, "oven"), material=name, fibre_wt_pct=wt), winding="loose"),
            5 * HOUR,
        )
        for wt in (0.0, 30.0)
    )
    assert mean(filled) == pytest.approx(0.7 * mean(bare), rel=5e-3)  # the steps differ
    assert filled.limit_good_wt_pct == pytest.approx(0.7 * bare.limit_good_wt_pct)
    assert filled.limit_marginal_wt_pct == pytest.approx(0.7 * bare.limit_marginal_wt_pct)


# ------------------------------------------------------------------------------- records and snapshots

FILE = """
id = "pa6-07"
material = "PA6"
diameter_mm = 1.75
net_mass_g = 120
[body]
material = "cardboard"
mass_g = 150
flange_open_share = 0.1
[place.bench]
kind = "open"
temperature_C = 22.0
rh_pct = 48.0
draught = 1.5
[place.box-2]
kind = "box"
temperature_C = 22.0
air_L = 9
desiccant = "silica gel"
desiccant_g = 50
desiccant_fresh_at = [2026-11-20T08:00:00+01:00, 2026-11-02T08:00:00+01:00]
exchange_m3_h = 0.001
room = "bench"
[place.oven]
kind = "dryer"
temperature_C = 70
room = "bench"
draught = 4
air_L = 20
exchange_m3_h = 0.5
[[event]]
at = 2026-11-02T08:00:00+01:00
kind = "received"
place = "bench"
[[event]]
at = 2026-11-03T08:00:00+01:00
kind = "moved"
place = "box-2"
[[event]]
at = 2026-11-25T08:00:00+01:00
kind = "moved"
place = "oven"
[[event]]
at = 2026-11-25T18:00:00+01:00
kind = "moved"
place = "box-2"
"""
MORNING = 1_762_066_800.0 + 365 * DAY  # 2026-11-02T08:00:00+01:00


@pytest.fixture
def read(tmp_path):
    def reader(text):
        path = tmp_path / "pa6-07.toml"
        path.write_text(text, encoding="utf-8")
        return read_spool(path)

    return reader


def test_a_spool_file_states_all_of_it(read):
    record = read(FILE)
    box, oven = record.places["box-2"], record.places["oven"]
    assert (box.agent, box.exchange_m3_h, box.room) == (SILICA, 0.001, "bench")
    assert box.desiccant_fresh_s == (MORNING, MORNING + 18 * DAY)
    assert (oven.draught, oven.exchange_m3_h, oven.air_L) == (4.0, 0.5, 20.0)
    assert record.places["bench"].draught == 1.5
    wind = winding(record, 1130.0)
    assert wind.flange_open == 0.1
    assert wind.body.dry_kg == pytest.approx(0.15 / 1.07)
    again = read(
        FILE.replace("2026-11-02T08:00:00+01:00]", '"2026-11-02T08:00:00+01:00"]')
    )  # as the ledger writes
    assert again.places["box-2"].desiccant_fresh_s == box.desiccant_fresh_s


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ("[2026-11-20T08:00:00+01:00,", "[20,", "must be a list of times"),
        ('room = "bench"\n[place.oven]', "[place.oven]", "room"),
        ("air_L = 20\nexchange_m3_h = 0.5", "air_L = 20", "exchange_m3_h"),
        ("air_L = 9", "air_L = 9\nrh_pct = 14", "read already"),
        ("flange_open_share = 0.1", "flange_open_share = 1.1", "flange_open_share"),
        ("draught = 4", "draught = 0", "draught"),
    ],
)
def test_what_cannot_be_is_refused(read, old, new, text):
    with pytest.raises(SpoolError, match=text):
        read(FILE.replace(old, new, 1))


def test_a_closed_place_and_a_body_come_back_from_a_snapshot_to_the_bit(read, tmp_path):
    record, now_s = read(FILE), MORNING + 26 * DAY
    shelf = FileShelf(tmp_path / "pa6-07.toml")
    cold = state_at(record, now_s, members=3, shelf=shelf)
    warm = state_at(record, now_s, members=3, shelf=shelf)
    assert (warm.water_wt_pct == cold.water_wt_pct).all()
    assert (warm.body_gain_g == cold.body_gain_g).all()
    assert (warm.enclosed_rh_pct == cold.enclosed_rh_pct).all()
    assert warm.notes == cold.notes


def test_the_ledger_gives_the_places_back(read, tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "ledger.db"))
    record = read(FILE)
    assert outcome(["spool", "import", str(tmp_path / "pa6-07.toml")]) == 0
    capsys.readouterr()
    assert outcome(["spool", "export", "pa6-07"]) == 0
    back = read(capsys.readouterr().out)
    assert back.places == record.places
    assert back.body == record.body
