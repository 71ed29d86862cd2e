"""Samples cut off a reel: length and water are conserved, and what is learned of one tells of the other."""

import datetime
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetool.app.spools import look, spool
from gcodetool.errors import LedgerError, SpoolError
from gcodetool.ledger import cuts, entries, exchange, neighbours, records, writers
from gcodetool.ledger import place_entries as places
from gcodetool.ledger.spoolfile import read_spool, spool_of
from gcodetool.ledger.store import open_ledger, reading
from gcodetool.limits.evidence import of_spool
from gcodetool.moisture.cutting import cut_off, parting
from gcodetool.moisture.field import SpoolIntegrator, uniform
from gcodetool.moisture.history import state_at
from gcodetool.moisture.neighbours import together
from gcodetool.moisture.polymer import polymer
from gcodetool.moisture.record import Event, Origin
from gcodetool.moisture.winding import winding
from gcodetool.profiles import material

DAY_S = 86_400.0
T0 = datetime.datetime(2026, 10, 1, 8, tzinfo=datetime.UTC)
AT = T0.timestamp()
PETG = material("PETG")


def record(**facts):
    data = {
        "id": "petg-03",
        "material": "PETG",
        "diameter_mm": 1.75,
        "net_mass_g": 400.0,
        "place": {
            "bench": {"kind": "open", "temperature_C": 22.0, "rh_pct": 45.0},
            "jar": {"kind": "box", "temperature_C": 22.0, "rh_pct": 75.0},
        },
        "event": [{"at": T0, "kind": "received", "place": "bench", "water_wt_pct": 0.05}],
    }
    return spool_of({**data, **facts}, "test")


def day(number):
    return T0 + datetime.timedelta(days=number)


@settings(max_examples=25)
@given(
    net_g=st.floats(20.0, 900.0),
    share=st.floats(0.001, 1.0),
    loose=st.booleans(),
    seed=st.integers(0, 99),
)
def test_a_cut_conserves_length_and_water(net_g, share, loose, seed):
    held = record(net_mass_g=net_g)
    stock = polymer(PETG, at=np.random.default_rng(seed).random((3, 12)))
    reel = SpoolIntegrator(uniform(winding(held, stock.density_kg_m3), stock, 0.001, 295.0), stock)
    field = reel.field()
    water = np.random.default_rng(seed).random(field.water.shape) * 0.004
    reel = SpoolIntegrator(replace(field, water=water), stock)
    before = reel.field()
    sample = record(net_mass_g=share * net_g, winding="loose" if loose else "wound")
    cut = cut_off(before, winding(sample, stock.density_kg_m3))
    reel.feed(cut.winding.remaining_mm / 1000.0)
    after = reel.field()
    lengths = after.winding.remaining_mm + cut.winding.remaining_mm
    assert lengths == pytest.approx(before.winding.remaining_mm, rel=1e-9)
    left = after.water_kg() if after.winding.layers else np.zeros(3)
    assert left + cut.water_kg() == pytest.approx(before.water_kg(), rel=1e-9)


def test_a_wound_sample_has_the_outermost_strand_on_its_hub():
    held = record()
    stock = polymer(PETG)
    field = uniform(winding(held, stock.density_kg_m3), stock, 0.001, 295.0)
    ramp = np.arange(field.winding.layers, dtype=float)[:, np.newaxis, np.newaxis]
    field = replace(field, water=np.broadcast_to(ramp, field.water.shape).copy())
    cut = cut_off(field, winding(record(net_mass_g=200.0), stock.density_kg_m3))
    mean = cut.layer_mean()[:, 0]
    assert np.all(np.diff(mean) < 0)
    assert mean[0] > ramp.max() - 1.0


def test_a_cut_coil_kept_like_its_parent_agrees_with_the_same_history_apart():
    """A loose coil and a piece of it, kept alike, stay alike, and like a record that never knew of a cut."""
    jar = {"at": day(3), "kind": "moved", "place": "jar"}
    came = {"at": T0, "kind": "received", "place": "bench", "water_wt_pct": 0.05}
    parent = record(
        winding="loose",
        event=[came, {"at": day(2), "kind": "cut", "length_mm": 10_000.0, "into": "a"}, jar],
    )
    kept = {"at": day(2), "kind": "cut", "length_mm": 10_000.0, "cut_from": "petg-03", "place": "bench"}
    sample = record(
        id="a",
        winding="loose",
        net_mass_g=30.0,
        cut_from=[{"id": "petg-03", "net_mass_g": 400.0, "winding": "loose"}],
        event=[came, kept, jar],
    )
    apart = record(id="other", winding="loose", net_mass_g=30.0, event=[came, jar])
    for when in (2.5, 3.5, 9.0):
        contents = [state_at(one, AT + when * DAY_S).mean_wt_pct[0] for one in (parent, sample, apart)]
        assert contents[1] == pytest.approx(contents[0], rel=1e-3)
        assert contents[2] == pytest.approx(contents[0], rel=1e-3)
    members = [state_at(one, AT + 5 * DAY_S, members=16) for one in (parent, sample)]
    assert members[1].mean_wt_pct == pytest.approx(members[0].mean_wt_pct, rel=1e-3)  # each like its own


def test_a_file_of_a_sample_names_what_it_was_cut_from():
    kept = {"at": day(2), "kind": "cut", "length_mm": 1.0, "cut_from": "petg-03", "place": "bench"}
    came = {"at": T0, "kind": "received", "place": "bench"}
    with pytest.raises(SpoolError, match="write one"):
        record(event=[came, kept])
    with pytest.raises(SpoolError, match="one of into"):
        record(event=[came, {"at": day(1), "kind": "cut", "length_mm": 5.0}])


@pytest.fixture
def shelf(tmp_path):
    ledger = open_ledger(tmp_path / "ledger.db")
    places.add_place(ledger, "bench", {"kind": "open", "temperature_C": 22.0, "rh_pct": 45.0}, at_s=AT)
    places.add_place(ledger, "jar", {"kind": "box", "temperature_C": 22.0, "rh_pct": 75.0}, at_s=AT)
    facts = {"material": "PETG", "diameter_mm": 1.75, "net_mass_g": 400.0, "body": {"mass_g": 200.0}}
    writers.add_spool(ledger, "petg-03", facts, place="bench", at_s=AT)
    return ledger


def test_the_ledger_cuts_and_undoes_both_sides(shelf, tmp_path):
    word = str(tmp_path / "ledger.db")
    cuts.cut(shelf, "petg-03", "a", mass_g=40.0, at_s=AT + 2 * DAY_S)
    now = AT + 3 * DAY_S
    whole = spool("petg-03", at=now, members=4, ledger=word)
    piece = spool("a", at=now, members=4, ledger=word)
    assert piece.state.remaining_mm + whole.state.remaining_mm == pytest.approx(
        400.0 / 40.0 * piece.state.remaining_mm
    )
    with pytest.raises(LedgerError, match="on the shelf already"):
        cuts.cut(shelf, "petg-03", "a", mass_g=1.0, at_s=now)
    with pytest.raises(LedgerError, match="more than the reel held"):
        cuts.cut(shelf, "petg-03", "b", mass_g=361.0, at_s=now)
    writers.move(shelf, "a", "jar", at_s=now)
    with pytest.raises(LedgerError, match="undo those first"):
        writers.undo(shelf, "petg-03")
    writers.undo(shelf, "a")  # the move
    writers.undo(shelf, "a")  # the cut
    again = spool("petg-03", at=now, members=4, ledger=word)
    assert again.state.remaining_mm == pytest.approx(400.0 / 360.0 * whole.state.remaining_mm)
    with reading(shelf) as conn:
        assert records.on_shelf(conn) == ["petg-03"]
        number = entries.of(conn, "spool", "petg-03")[-1].number
    writers.undo(shelf, "petg-03", number)  # and back
    assert spool("a", at=now, members=4, ledger=word).state.remaining_mm == pytest.approx(
        piece.state.remaining_mm
    )


def test_what_is_learned_of_a_sample_tells_of_its_parent(shelf, tmp_path):
    word = str(tmp_path / "ledger.db")
    for place in ("bench", "jar"):
        places.set_place(shelf, place, {"accuracy_rh_pct": 2.0}, at_s=AT)
    cuts.cut(shelf, "petg-03", "a", mass_g=100.0, at_s=AT + DAY_S)
    before = spool("petg-03", at=AT + 12 * DAY_S, ledger=word)
    writers.weigh(shelf, "a", 100.5, resolution_g=0.001, at_s=AT + DAY_S)
    writers.move(shelf, "a", "jar", at_s=AT + DAY_S)
    writers.weigh(shelf, "a", 100.6, resolution_g=0.001, at_s=AT + 11 * DAY_S)
    after = spool("petg-03", at=AT + 12 * DAY_S, ledger=word)
    sample = spool("a", at=AT + 12 * DAY_S, ledger=word)
    narrow = [one.state.mean_wt_pct.p90 - one.state.mean_wt_pct.p10 for one in (before, after)]
    assert narrow[1] < 0.5 * narrow[0]  # of its uptake, which a fine scale told
    assert sample.state.mean_wt_pct.p50 > after.state.mean_wt_pct.p50


def test_a_sample_goes_out_and_comes_back_as_a_file(shelf, tmp_path):
    word = str(tmp_path / "ledger.db")
    cuts.cut(shelf, "petg-03", "a", length_mm=9000.0, winding="wound", at_s=AT + DAY_S)
    writers.weigh(shelf, "petg-03", 570.0, at_s=AT + DAY_S)
    writers.move(shelf, "a", "jar", at_s=AT + 2 * DAY_S)
    file = tmp_path / "a.toml"
    file.write_text(exchange.export(shelf, "a").text)
    mine = look(read_spool(file), at=AT + 9 * DAY_S, members=8)
    ours = spool("a", at=AT + 9 * DAY_S, members=8, ledger=word)
    assert mine.state.mean_wt_pct.p50 == pytest.approx(ours.state.mean_wt_pct.p50, rel=0.05)
    exchange.import_spool(shelf, file, as_id="again")
    there = spool("again", at=AT + 9 * DAY_S, members=8, ledger=word)
    assert there.state.mean_wt_pct.p50 == pytest.approx(mine.state.mean_wt_pct.p50, rel=1e-6)
    assert there.state.remaining_mm == pytest.approx(9000.0)


def test_a_snapshot_of_a_sample_gives_the_same_state(shelf, tmp_path):
    """Of a weighed reel's sample, too: its own record has that weigh-in, of another tare."""
    word = str(tmp_path / "ledger.db")
    writers.weigh(shelf, "petg-03", 601.0, at_s=AT + DAY_S / 2)
    cuts.cut(shelf, "petg-03", "a", length_mm=9000.0, at_s=AT + DAY_S)
    writers.move(shelf, "a", "jar", at_s=AT + 2 * DAY_S)
    writers.weigh(shelf, "a", 30.0, resolution_g=0.01, at_s=AT + 3 * DAY_S)
    file = tmp_path / "a.toml"
    file.write_text(exchange.export(shelf, "a").text)
    held, kept = read_spool(file), {}

    class Store:
        def load(self, members):
            return kept.get(members)

        def save(self, members, data):
            kept[members] = data

    fresh = state_at(held, AT + 9 * DAY_S, members=8)
    state_at(held, AT + 5 * DAY_S, members=8, shelf=Store())
    assert kept
    again = state_at(held, AT + 9 * DAY_S, members=8, shelf=Store())
    assert again.mean_wt_pct == pytest.approx(fresh.mean_wt_pct, rel=1e-9)
    assert again.weights == pytest.approx(fresh.weights)
    assert [one.reel.name for one in again.record] == ["petg-03", "a"]
    assert spool("a", at=AT + 9 * DAY_S, ledger=word).state.mean_wt_pct.p50 > 0


@pytest.mark.parametrize("fibre_wt_pct", [0.0, 20.0])
def test_a_sample_cut_at_the_printer_lies_in_its_room_and_is_as_long_as_was_said(
    shelf, tmp_path, fibre_wt_pct
):
    word = str(tmp_path / "ledger.db")
    places.add_place(shelf, "rig", {"kind": "printer", "room": "bench"}, at_s=AT)
    writers.set_spool(shelf, "petg-03", {"fibre_wt_pct": fibre_wt_pct}, at_s=AT)
    writers.move(shelf, "petg-03", "rig", at_s=AT + DAY_S)
    cuts.cut(shelf, "petg-03", "a", length_mm=9000.0, at_s=AT + 2 * DAY_S)
    cuts.cut(shelf, "a", "b", length_mm=2000.0, winding="wound", at_s=AT + 3 * DAY_S)  # of a sample, too
    found = {name: spool(name, at=AT + 4 * DAY_S, members=1, ledger=word).state for name in ("a", "b")}
    assert found["a"].place == found["b"].place == "bench"
    assert found["a"].remaining_mm == pytest.approx(7000.0, rel=1e-6)
    assert found["b"].remaining_mm == pytest.approx(2000.0, rel=1e-6)
    assert found["a"].mean_wt_pct.p50 == pytest.approx(found["b"].mean_wt_pct.p50, rel=0.02)


def test_what_was_printed_before_a_cut_tells_of_limits_once(shelf):
    writers.outcome(shelf, "petg-03", {"strings": "few"}, at_s=AT + DAY_S)
    cuts.cut(shelf, "petg-03", "a", mass_g=40.0, at_s=AT + 2 * DAY_S)
    writers.outcome(shelf, "a", {"strings": "none"}, at_s=AT + 3 * DAY_S)
    with reading(shelf) as conn:
        found = {name: records.load_spool(conn, name) for name in ("petg-03", "a")}
    told = {
        name: [one.at_s for one in of_spool(each, lambda one: state_at(one, AT + 4 * DAY_S, members=4))]
        for name, each in found.items()
    }
    assert told == {"petg-03": [AT + DAY_S], "a": [AT + 3 * DAY_S]}


# ---------------------------------------------------------------- what stood beside the reel before the cut

BOX = {
    "bench": {"kind": "open", "temperature_C": 22.0, "rh_pct": 45.0},
    "dry": {
        "kind": "box",
        "temperature_C": 22.0,
        "air_L": 20.0,
        "desiccant": "silica gel",
        "desiccant_g": 5.0,
        "room": "bench",
    },
}
CAME = {"at": T0, "kind": "received", "place": "bench"}
CUT = {"at": day(4), "kind": "cut", "length_mm": 20_000.0}


def boxed(name, water, *more):
    """Return a reel that went into the dry box after a day."""
    came = {**CAME, "water_wt_pct": water}
    into = {"at": day(1), "kind": "moved", "place": "dry"}
    return record(id=name, place=BOX, event=[came, into, *more])


def sample_of_wet(place="dry"):
    own = boxed("wet", 0.3)
    return replace(
        own,
        id="wet-a",
        net_mass_g=60.0,
        winding="loose",
        origins=(Origin("wet", 400.0),),
        events=(*own.events, Event(AT + 4 * DAY_S, "cut", place, length_mm=20_000.0, cut_from="wet")),
    )


def contents(spools, when, members=1):
    """Return the mean content of each, nominal or the members' mean. [wt %]"""
    found = together(spools)
    return {
        name: float(np.mean(state_at(one, AT + when * DAY_S, members=members).mean_wt_pct))
        for name, one in found.items()
    }


@pytest.mark.parametrize(("members", "exact"), [(1, 1e-12), (8, 0.01)])
def test_cut_or_not_the_past_is_the_same_for_all_that_stood_in_the_box(members, exact):
    other = boxed("other", 0.02)
    whole = contents({"wet": boxed("wet", 0.3), "other": other}, 3.9, members)
    cut = {"wet": boxed("wet", 0.3, {**CUT, "into": "wet-a"}), "other": other, "wet-a": sample_of_wet()}
    for named in (("wet", "other", "wet-a"), ("wet-a", "other", "wet"), ("other", "wet-a")):
        found = contents({name: cut[name] for name in named}, 3.9, members)
        assert found["wet-a"] == pytest.approx(whole["wet"], rel=exact)  # the sample, as what it was then
        assert found["other"] == pytest.approx(whole["other"], rel=exact)  # one strand, not two beside it
        assert found.get("wet", whole["wet"]) == pytest.approx(whole["wet"], rel=exact)
    alone = contents({"wet-a": cut["wet-a"]}, 3.9, members)
    assert abs(alone["wet-a"] / whole["wet"] - 1) > 0.03  # the neighbour is what makes the difference


def test_a_sample_that_stays_in_the_box_changes_little_for_the_others():
    """Cut and left where it was, the strand goes on sharing the air; taken out, there is less to dry."""
    other = boxed("other", 0.02)
    reel = boxed("wet", 0.3, {**CUT, "into": "wet-a"})
    whole = contents({"wet": boxed("wet", 0.3), "other": other}, 12.0)
    stayed = contents({"wet": reel, "other": other, "wet-a": sample_of_wet()}, 12.0)
    gone = contents({"wet": reel, "other": other, "wet-a": sample_of_wet("bench")}, 12.0)
    assert stayed["other"] == pytest.approx(whole["other"], rel=0.01)
    assert stayed["wet"] == pytest.approx(whole["wet"], rel=0.01)
    assert gone["other"] < stayed["other"]


def test_a_sample_of_a_sample_and_its_sister_are_one_strand_before_they_part():
    a = sample_of_wet()
    b = replace(
        a,
        id="wet-b",
        net_mass_g=30.0,
        origins=(*a.origins, Origin("wet-a", 60.0, "loose")),
        events=(*a.events, Event(AT + 6 * DAY_S, "cut", "dry", length_mm=10_000.0, cut_from="wet-a")),
    )
    assert parting(a, a.events, b, b.events) == (3, 3)
    wet = boxed("wet", 0.3, {**CUT, "into": "wet-a"})
    assert parting(wet, wet.events, b, b.events) == (2, 2)
    assert parting(boxed("other", 0.3), wet.events, b, b.events) is None
    other = boxed("other", 0.02)
    whole = contents({"wet": boxed("wet", 0.3), "other": other}, 3.9)
    found = contents({"wet-b": b, "other": other, "wet-a": a}, 3.9)
    assert found["other"] == pytest.approx(whole["other"], rel=1e-12)
    assert found["wet-b"] == pytest.approx(found["wet-a"], rel=1e-12)
    beside = together({"wet-b": b, "other": other, "wet": wet})["wet-b"].neighbours
    assert [one.id for one in beside] == ["other", "wet"]


def test_the_ledger_knows_who_stood_beside_the_reel_before_the_cut(shelf, tmp_path):
    word = str(tmp_path / "ledger.db")
    dry = {key: value for key, value in BOX["dry"].items() if key != "room"}
    places.add_place(shelf, "dry", {**dry, "room": "bench"}, at_s=AT)
    facts = {"material": "PETG", "diameter_mm": 1.75, "net_mass_g": 400.0}
    writers.add_spool(shelf, "wet", facts, place="bench", received={"water_wt_pct": 0.3}, at_s=AT)
    writers.add_spool(shelf, "other", facts, place="bench", received={"water_wt_pct": 0.02}, at_s=AT)
    for name in ("wet", "other"):
        writers.move(shelf, name, "dry", at_s=AT + DAY_S)
    before = spool("other", at=AT + 4 * DAY_S - 60, members=1, ledger=word).state.mean_wt_pct.p50
    cuts.cut(shelf, "wet", "wet-a", length_mm=20_000.0, at_s=AT + 4 * DAY_S)
    after = spool("other", at=AT + 4 * DAY_S + 60, members=1, ledger=word).state.mean_wt_pct.p50
    assert after == pytest.approx(before, rel=2e-3)
    with reading(shelf) as conn:
        known = records.places(conn)
        loaded = {
            name: neighbours.with_neighbours(conn, records.load_spool(conn, name, known), known)
            for name in ("wet", "wet-a")
        }
    files = contents({name: loaded[name] for name in ("wet", "wet-a")}, 3.9)
    held = state_at(loaded["wet-a"], AT + 3.9 * DAY_S).mean_wt_pct[0]
    assert held == pytest.approx(state_at(loaded["wet"], AT + 3.9 * DAY_S).mean_wt_pct[0], rel=1e-12)
    assert [one.id for one in loaded["wet-a"].neighbours] == ["other", "wet"]
    assert abs(files["wet-a"] / held - 1) > 0.03
