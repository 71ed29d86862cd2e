"""Geometry of windings and strands: nothing is lost, and known reels come out right."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool import profiles
from gcodetool.moisture.record import Body, Spool
from gcodetool.moisture.winding import VOID_FRACTION, shells, winding


def spool(net_mass_g=1000.0, diameter_mm=1.75, **more):
    return Spool("pla-01", profiles.material("PLA"), diameter_mm, net_mass_g, {}, (), **more)


def test_a_full_kilogram_is_wound_as_such_reels_are():
    full = winding(spool(), 1240.0)
    assert full.remaining_mm == pytest.approx(335_000, rel=0.002)  # 4 m / (pi d² rho)
    assert full.layers in (25, 26)
    assert 1000 * full.pitch_m * full.layers == pytest.approx(45, abs=2)
    assert full.strand_kg().sum() == pytest.approx(1.0)
    assert any("hub of 80 mm" in note for note in map(str, full.notes))
    assert any("60 mm wide" in note for note in map(str, full.notes))


def test_a_stated_body_is_used_and_not_noted():
    body = Body(hub_diameter_mm=52.0, width_mm=45.0)
    narrow = winding(spool(body=body), 1240.0)
    assert narrow.notes == ()
    assert narrow.hub_radius_m == 0.026
    assert narrow.layers > winding(spool(), 1240.0).layers


def test_strand_and_gaps_fill_the_envelope():
    full = winding(spool(), 1240.0)
    ring = np.diff(full.face_m2() ** 2) / (4 * math.pi * full.width_m)  # pi (r2² - r1²) w
    strand = full.full_m * full.section_m2
    assert strand[:-1] == pytest.approx((1 - VOID_FRACTION) * ring[:-1], rel=1e-9)
    assert full.gap_m3() == pytest.approx(full.length_m * full.section_m2 / 3)


@given(st.floats(0.1, 3000), st.sampled_from([1.75, 2.85]), st.lists(st.floats(0, 200), max_size=6))
def test_what_is_fed_and_what_is_left_add_up(net_mass_g, diameter_mm, lengths):
    left = winding(spool(net_mass_g, diameter_mm), 1240.0)
    total = left.remaining_mm
    assert left.strand_kg().sum() * 1000 == pytest.approx(net_mass_g)
    fed = 0.0
    for length in lengths:
        left = left.after(length)
        fed += 1000 * length
        assert left.remaining_mm == pytest.approx(max(0.0, total - fed), abs=1e-6)
        assert (left.length_m > 0).all()
        assert (left.length_m <= left.full_m * (1 + 1e-12)).all()


def test_depth_counts_from_the_face():
    full = winding(spool(), 1240.0)
    depth = full.depth_mm()
    assert depth[-1] == pytest.approx(500 * full.pitch_m)
    assert (np.diff(depth) < 0).all()


def test_a_loose_coil_is_one_cell_and_an_empty_reel_none():
    coil = winding(spool(20.0, winding="loose"), 1240.0)
    assert coil.layers == 1
    assert coil.depth_mm().tolist() == [0.0]
    assert coil.face_m2()[1] == pytest.approx(math.pi * 1.75e-3 * coil.remaining_mm / 1000)
    assert coil.after(1e9).layers == 0
    assert winding(spool(1000.0), 1240.0).after(1e9).remaining_mm == 0.0


@given(st.integers(2, 60), st.floats(0.001, 0.2))
def test_rings_fill_the_strand(count, surface):
    grid = shells(count, surface)
    assert grid.share.sum() == pytest.approx(1.0)
    assert grid.edge[0] == 0.0
    assert grid.edge[-1] == 1.0
    assert (np.diff(grid.edge) > 0).all()
    assert ((grid.node > grid.edge[:-1]) & (grid.node < grid.edge[1:])).all()
    assert (grid.conductance > 0).all()


def test_the_outermost_ring_is_thin():
    grid = shells()
    assert len(grid.share) >= 20
    assert 1 - grid.edge[-2] == pytest.approx(0.003, rel=1e-6)
