"""How much desiccant a box needs: what is named keeps the spools in a replay of the record, half of it does not."""

import math
from dataclasses import replace

import numpy as np
import pytest

from gcodetool import profiles
from gcodetool.errors import UsageError
from gcodetool.moisture.history import state_at
from gcodetool.moisture.record import Event, Place, Spool
from gcodetool.moisture.solver import COMPILED
from gcodetool.storage.size import CONFIDENCE, BoxPlan, brought, least_charge

NOW = 1.79e9
HOUR, DAY = 3600.0, 86_400.0
MEMBERS = 24
pytestmark = pytest.mark.skipif(not COMPILED, reason="minutes where the kernel runs interpreted")


def dried(material: str, name: str, hours: float = 100.0) -> Spool:
    made = profiles.material(material)
    places = (
        Place("bench", "open", 23.0, 50.0),
        Place("oven", "dryer", float(made.dry_at_C), dew_point_C=-20.0),
    )
    events = (
        Event(NOW - 400 * HOUR, "received", "bench", sealed=False),
        Event(NOW - hours * HOUR, "moved", "oven"),
    )
    return Spool(name, made, 1.75, 1000.0, {each.name: each for each in places}, events)


def plan(
    days: float, *, litres: float = 20.0, per_day: float = 1.0, openings: float = 3.0, **more
) -> BoxPlan:
    box = Place("box", "box", 22.0, air_L=litres, exchange_m3_h=per_day * litres / 24_000.0)
    return BoxPlan(box, Place("bench", "open", 23.0, 50.0), openings, NOW + days * DAY, **more)


def share_good(spool: Spool, others: list[Spool], made: BoxPlan, agent, grams: float) -> float:
    """Return the share of members good on the day by a replay of the record, as `spool show` would have it then."""
    box = made.filled(agent, grams, NOW)

    def stored(one: Spool) -> Spool:
        places = {**one.places, box.name: box, made.room.name: made.room}
        return replace(one, places=places, events=(*one.events, Event(NOW, "moved", box.name)))

    state = state_at(
        replace(stored(spool), neighbours=tuple(stored(each) for each in others)),
        made.until_s,
        members=MEMBERS,
    )
    return float(state.weights[state.next_fed_wt_pct <= state.limit_good_wt_pct].sum())


GRID = [
    ("PETG", 20.0, 1.0, "silica gel"),
    ("PETG", 60.0, 0.3, "silica gel"),
    ("PLA", 90.0, 3.0, "silica gel"),
    ("PETG", 30.0, 2.0, "molecular sieve"),
    ("TPU_95A", 30.0, 1.0, "silica gel"),
    ("PLA", 45.0, 2.0, "activated alumina"),
    ("ASA", 45.0, 0.3, "silica gel"),
    ("PC", 90.0, 0.3, "molecular sieve"),
    ("TPU_95A", 15.0, 1.0, "activated alumina"),
    ("PC", 15.0, 3.0, "silica gel"),
]


@pytest.mark.parametrize(("material", "days", "per_day", "kind"), GRID)
def test_the_charge_named_keeps_and_half_of_it_does_not(material, days, per_day, kind):
    spool, agent = dried(material, "one"), profiles.desiccant(kind)
    made = plan(days, per_day=per_day)
    found = least_charge([state_at(spool, NOW, members=MEMBERS)], made, agent)
    assert found.grams is not None
    if found.grams == 0.0:
        assert share_good(spool, [], made, None, 0.0) >= CONFIDENCE
        return
    assert share_good(spool, [], made, agent, found.grams) >= CONFIDENCE
    assert share_good(spool, [], made, agent, found.grams / 2.0) < CONFIDENCE


def test_the_grid_asks_for_charges():
    states = {m: state_at(dried(m, "one"), NOW, members=MEMBERS) for m in {each[0] for each in GRID}}
    needed = [
        least_charge([states[m]], plan(days, per_day=rate), profiles.desiccant(kind)).grams
        for m, days, rate, kind in GRID
    ]
    assert sum(1 for grams in needed if grams) >= 4


def test_reels_together_need_what_all_of_them_need():
    spools = [dried("PETG", "a"), dried("PLA", "b")]
    agent, made = profiles.desiccant("silica gel"), plan(30.0)
    states = [state_at(each, NOW, members=MEMBERS) for each in spools]
    found = least_charge(states, made, agent)
    assert found.grams
    for one, other in (spools, spools[::-1]):
        assert share_good(one, [other], made, agent, found.grams) >= CONFIDENCE - 1.0 / MEMBERS


def test_more_leak_more_time_and_a_drier_box_ask_for_more():
    state, agent = state_at(dried("PETG", "one"), NOW, members=MEMBERS), profiles.desiccant("silica gel")

    def grams(made: BoxPlan) -> float:
        found = least_charge([state], made, agent)
        return math.inf if found.grams is None else found.grams

    usual = grams(plan(20.0))
    assert usual > 0
    assert grams(plan(20.0, per_day=3.0)) > usual
    assert grams(plan(60.0)) > usual
    assert grams(plan(20.0, openings=20.0)) > usual
    assert grams(plan(20.0, most_rh_pct=8.0)) > usual


def test_a_wet_reel_is_dried_first():
    wet = state_at(dried("PETG", "one", hours=0.0), NOW, members=MEMBERS)
    said = brought(wet)
    assert said.dry_first
    assert said.water_g > 1.0
    dry = brought(state_at(dried("PETG", "one"), NOW, members=MEMBERS))
    assert not dry.dry_first
    assert dry.water_g < 0.0


def test_a_reel_with_wet_inner_turns_spends_the_charge():
    agent, made = profiles.desiccant("silica gel"), plan(20.0)
    state = state_at(dried("PETG", "one"), NOW, members=MEMBERS)
    water = state.field.water.copy()
    inner = water.shape[0] // 2
    water[:inner] = np.maximum(water[:inner], 0.003)  # kg/kg
    wet = replace(state, field=replace(state.field, water=water))
    dry_g, wet_g = least_charge([state], made, agent).grams, least_charge([wet], made, agent).grams
    assert dry_g is not None
    assert wet_g is None or wet_g > dry_g


def test_what_cannot_be_asked_is_said(tmp_path):
    from gcodetool.app.storage import place_size

    spool = replace(
        dried("PETG", "one"), places={**dried("PETG", "one").places, "box": Place("box", "box", 22.0, 14.0)}
    )
    with pytest.raises(UsageError, match="litres"):
        place_size("box", [spool], at=NOW, members=2)
    with pytest.raises(UsageError, match="kind 'open'"):
        place_size("bench", [spool], at=NOW, members=2)
    with pytest.raises(UsageError, match="no place 'shed'"):
        place_size("shed", [spool], at=NOW, members=2)
    with pytest.raises(UsageError, match="over already"):
        place_size("box", [spool], until=NOW - 1, at=NOW, members=2)
    with pytest.raises(UsageError, match="no spools"):
        place_size("box", [], at=NOW, members=2)


def test_more_reels_than_a_box_states_slots_are_told():
    from gcodetool.app.storage import place_size

    def notes(slots, reels):
        box = Place("box", "box", 22.0, 14.0, air_L=20.0, slots=slots)
        one = dried("PETG", "one")
        spools = [replace(one, id=f"reel-{i}", places={**one.places, "box": box}) for i in range(reels)]
        return " ".join(place_size("box", spools, until=NOW + 86_400.0, at=NOW, members=1).notes)

    assert "box states that it takes 1 reel at a time, and this is for 2: gcodetool place set" in notes(1, 2)
    assert "takes" not in notes(2, 2).replace("taken", "")
    assert "takes" not in notes(None, 2).replace("taken", "")
