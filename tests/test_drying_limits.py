"""No advice above any stated limit, whatever the material, the reel and the dryer."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetool import profiles
from gcodetool.drying.device import Device, of_place, of_profile, room_at
from gcodetool.drying.limits import POLYAMIDE_AIR_C, is_polyamide, set_point, stated
from gcodetool.drying.plan import plan
from gcodetool.moisture.history import state_at
from gcodetool.moisture.record import Body, Event, Place, Spool
from gcodetool.moisture.solver import COMPILED

ROOM = room_at(23, 50)
MATERIALS = profiles.names("materials")
BODIES = [None, *profiles.names("spool-bodies")]


def reel(material: str, body: str | None, grams: float = 200.0, **more) -> Spool:
    places = {
        "bench": Place("bench", "open", 23.0, 50.0),
        "oven": Place("oven", "dryer", 70.0, room="bench"),
    }
    profile = None if body is None else profiles.spool_body(body)
    return Spool(
        "reel",
        profiles.material(material),
        1.75,
        grams,
        {**places, **more.pop("places", {})},
        (Event(0.0, "received", place="bench"),),
        body=Body(profile, hub_diameter_mm=80.0, width_mm=60.0),
        **more,
    )


def limits(spool: Spool) -> list[float]:
    """Return every limit that its files state, told apart from the code under test."""
    stock = spool.material
    found = [stock.dry_at_max_C or stock.dry_at_C]
    if stock.softening_C is not None:
        found.append(stock.softening_C - 5)
    if spool.body.profile is not None:
        found.append(spool.body.profile.safe_C)
    else:
        found.append(min(profiles.spool_body(name).safe_C for name in profiles.names("spool-bodies")))
    if stock.key in ("PA6", "PA6_66", "PA12"):
        found.append(90.0)
    return found


devices = st.builds(
    lambda most, swing, offset, reached: Device(
        "dryer",
        of_profile(profiles.dryer("oven"), ROOM).around,
        ROOM,
        max_temperature_C=most,
        swing_C=swing,
        set_offset_C=offset,
        reached_C=reached,
    ),
    st.none() | st.floats(30, 250),
    st.floats(0, 30),
    st.floats(-20, 20),
    st.none() | st.floats(25, 150),
)


@given(st.sampled_from(MATERIALS), st.sampled_from(BODIES), devices, st.none() | st.floats(20, 120))
def test_no_advice_above_any_stated_limit(material, body, device, wish):
    spool = reel(material, body)
    found = set_point(spool, device, at_most_C=wish)
    most = device.max_temperature_C
    if found.possible:
        assert all(found.temperature_C + device.swing_C <= limit + 1e-9 for limit in limits(spool))
        assert found.temperature_C > ROOM.temperature_C
        assert wish is None or found.temperature_C <= wish + 1e-9
        if most is not None:
            assert found.temperature_C + device.swing_C <= most + 1e-9  # true air, whatever the knob shows
        elif device.reached_C is not None:
            assert found.temperature_C <= device.reached_C + 1e-9
    else:  # a whole degree of the knob above the room would pass one of them
        over = ROOM.temperature_C + 1 + device.swing_C
        every = [*limits(spool), *([] if most is None else [most])]
        known = most is None and device.reached_C is not None and over - device.swing_C > device.reached_C
        own = wish is not None and ROOM.temperature_C + 1 > wish
        assert known or own or any(over > limit - 1e-9 for limit in every)
    assert found.binding in found.bounds
    assert found.knob_C == pytest.approx(found.temperature_C + device.set_offset_C)


@settings(max_examples=25 if COMPILED else 5)
@given(
    st.sampled_from(MATERIALS),
    st.sampled_from(BODIES),
    st.sampled_from(profiles.names("dryers")),
    st.floats(0, 15),
    st.floats(-8, 8),
)
def test_what_else_would_do_stays_below_the_limits_too(material, body, dryer, swing, offset):
    spool = reel(material, body, 60.0)
    device = replace(of_profile(profiles.dryer(dryer), ROOM), swing_C=swing, set_offset_C=offset)
    made = plan(state_at(spool, 3600.0), device, cap_s=6 * 3600.0)
    own = limits(spool)
    for one in made.alternatives:
        # another reel relieves the reel's limit alone
        reel_C = 9e9 if one.kind == "reel" else own[-1 if material not in ("PA6", "PA6_66", "PA12") else -2]
        stock = [profiles.material(material).dry_at_max_C or profiles.material(material).dry_at_C]
        assert one.temperature_C + swing <= min(*stock, reel_C) + 1e-9
        if one.kind not in ("hotter",):
            assert one.temperature_C + swing <= (device.max_temperature_C or 0) + 1e-9


def test_the_binding_limit_is_named():
    oven, warm = (
        of_profile(profiles.dryer("oven"), ROOM),
        of_profile(profiles.dryer("heated-box"), ROOM),
    )
    assert set_point(reel("PA6", "abs"), oven).binding.whose == "the reel (abs)"
    assert set_point(reel("PA6", "abs"), warm).binding.whose == "the most that heated-box allows"
    assert "unknown material" in set_point(reel("PA6", None), oven).binding.whose
    assert set_point(reel("PA6", "metal_or_glass_filled"), oven).binding.limit_C == POLYAMIDE_AIR_C
    assert "softening" in set_point(reel("PET_amorphous", "abs"), oven).binding.whose
    assert "own wish" in set_point(reel("PA6", "abs"), oven, at_most_C=50).binding.whose


def test_swing_and_offset_make_the_knob():
    device = Device(
        "oven", of_profile(profiles.dryer("oven"), ROOM).around, ROOM, swing_C=4.0, set_offset_C=6.5
    )
    found = set_point(reel("PA6", "abs"), device)  # 80 less the swing: 76; the knob would be 82.5
    assert found.knob_C == 82
    assert found.temperature_C == 75.5


def test_a_place_is_no_hotter_than_it_is_known_to_get():
    spool = reel("PA6", "abs", places={"warm": Place("warm", "dryer", 61.5, room="bench", swing_C=2.0)})
    state = state_at(spool, 3600.0)
    device = of_place(spool, state, "warm")
    assert set_point(spool, device).temperature_C == 61.5
    assert any("max_temperature_C" in note for note in device.notes)
    further = replace(device, max_temperature_C=100.0)
    assert set_point(spool, further).temperature_C == 78


def test_a_loose_coil_has_no_reel():
    coil = reel("PA6", None, winding="loose")
    assert not any("reel" in bound.whose for bound in stated(coil))
    assert any("most delicate" in bound.whose for bound in stated(reel("PA6", None)))


def test_which_materials_yellow():
    assert {name for name in MATERIALS if is_polyamide(profiles.material(name))} == {"PA6", "PA6_66", "PA12"}
