"""Reels whose record is a little wrong: their truth (``honest_truth``), the record, and what the tool makes of it.

A reel stands on a shelf, is dried, lies in a bag, waits beside the printer and is printed from; it is weighed before the
drying, and after it or after the bag.  What its record says and what is true differ as the scene tells; what is right in
a scene, its record states to be well known.  The same material and seed give the same reels in every scene.
"""

import zlib
from dataclasses import dataclass, replace

import numpy as np
from honest_truth import OPEN, VAPOUR_GAS, ZERO_C, Reels, Stay, Strand, saturation_Pa

from gcodetool import profiles
from gcodetool.judge.feed_judgement import judged_by
from gcodetool.judge.print_air import air_of_print
from gcodetool.moisture.forecast import forecast
from gcodetool.moisture.history import state_at
from gcodetool.moisture.record import Body, Event, Place, Spool
from gcodetool.motion.feed import ToolFeed

HOUR, DAY = 3600.0, 86_400.0
NET_G, BODY_G, DRYER_L, BAG_L = 500.0, 210.0, 10.0, 0.5
SEALED, BED, LIMIT = (
    (0.2, 0.6),
    (0.6, 1.7),
    (0.75, 4 / 3),
)  # own draws of what docs/physics.md, section 3, states
RESOLUTION_G = 0.1
FREE_M3_H = 10.0  # of a dryer that draws its room's air freely
CHECKED_PCT, CHECKED_C = 0.5, 0.2  # what a record states of instruments that are right
ROWS, LAST = 20, 0.001  # of a job's feed; the last row's share
WORDS = ("clear", "adjust", "runs-out", "dry-first")


@dataclass(frozen=True)
class Errors:
    """What is wrong with a record: deviations (drawn) or amounts (the same for all, either sign), and ranges."""

    rh_sd: float = 0.0
    rh_off: float = 0.0
    dryer_sd: float = 0.0
    dryer_off: float = 0.0
    leak_g_day: tuple[float, float] = (0.0, 0.0)  # at 23 °C from 50 % RH into dry air
    vent_m3_h: tuple[float, float] = (FREE_M3_H, FREE_M3_H)
    body: bool = False

    @property
    def humidity(self):
        return self.rh_sd > 0 or self.rh_off > 0

    @property
    def dryer(self):
        return self.dryer_sd > 0 or self.dryer_off > 0

    @property
    def bag(self):
        return self.leak_g_day[1] > 0

    @property
    def vent(self):
        return self.vent_m3_h[0] < FREE_M3_H


DRAWN = {
    "none": Errors(),
    "humidity": Errors(rh_sd=4.5),
    "bag": Errors(leak_g_day=(0.03, 0.2)),
    "dryer": Errors(dryer_sd=3.0),
    "body": Errors(body=True),
    "vent": Errors(vent_m3_h=(0.02, 0.5)),
    "all": Errors(rh_sd=4.5, dryer_sd=3.0, leak_g_day=(0.03, 0.2), vent_m3_h=(0.02, 0.5), body=True),
}
BAD_END = {
    "humidity-8": Errors(rh_off=8.0),
    "bag-0.2": Errors(leak_g_day=(0.2, 0.2)),
    "dryer-6": Errors(dryer_off=6.0),
}
SCENES = DRAWN | BAD_END


@dataclass
class World:
    """Reels of one scene, arrays (reels,): what the record says, and what is true of the same."""

    material: profiles.Material
    sealed: np.ndarray
    shelf: tuple[np.ndarray, np.ndarray]  # stated °C, % RH
    room: tuple[np.ndarray, np.ndarray]
    hours: np.ndarray  # (reels, 5): shelf, dryer, bag, beside the printer, job
    metres: np.ndarray
    weighed_late: np.ndarray
    strand: Strand
    limits: tuple[np.ndarray, np.ndarray]
    sealed_share: np.ndarray
    net: np.ndarray  # over the stated mass
    body_g: np.ndarray
    board: np.ndarray
    errors: Errors
    rh_off: np.ndarray  # (reels, 2): truth less record, shelf and printer's room
    dryer_off: np.ndarray
    leak_g_day: np.ndarray
    vent_m3_h: np.ndarray


@dataclass
class Truth:
    """What is true, (reels,): contents [wt %], the word, and what the scale read (reels, 2) [g]."""

    start: np.ndarray
    end: np.ndarray
    word: list[str]
    gross_g: np.ndarray


@dataclass(frozen=True)
class Told:
    """What the tool says of one reel; bands (p10, p50, p90) [wt %]."""

    start: tuple[float, float, float]
    end: tuple[float, float, float]
    code: str
    share: float
    contradiction: bool
    leaks: bool  # that the bag does, by what the scale shows
    few: bool


def world(name, errors, reels, seed=0, *, nominal=False):
    """Return *reels* of a material; *nominal*: their parameters are those that the profile states."""
    material = profiles.material(name)
    rng = np.random.default_rng([zlib.crc32(name.encode()), seed])
    hours = np.stack(
        [
            rng.uniform(12, 96, reels),
            material.dry_hours * rng.uniform(0.7, 1.5, reels),
            rng.uniform(24, 216, reels),
            rng.uniform(0.2, 8, reels),
            rng.uniform(2, 10, reels),
        ],
        axis=1,
    ).round(2)
    shelf = rng.uniform(19, 25, reels).round(1), rng.uniform(30, 60, reels).round(0)
    room = rng.uniform(20, 26, reels).round(1), rng.uniform(30, 60, reels).round(0)
    unit = rng.random((10, reels))
    if nominal:
        unit[:] = np.nan
    strand, limits = strand_of(material, unit)
    fault = np.random.default_rng([zlib.crc32(name.encode()), seed, 1])
    sign = np.where(fault.random(reels) < 0.5, -1.0, 1.0)
    off = errors.rh_sd * fault.standard_normal((reels, 2)) + errors.rh_off * sign[:, None]
    body, board = fault.uniform(120, 300, reels), fault.random(reels) < 0.25
    dryer = errors.dryer_sd * fault.standard_normal(reels) + errors.dryer_off * sign
    leak, vent = fault.random(reels), fault.random(reels)
    return World(
        material=material,
        sealed=rng.random(reels) < 0.5,
        shelf=shelf,
        room=room,
        hours=hours,
        metres=(hours[:, 4] * rng.uniform(3, 8, reels)).round(1),
        weighed_late=rng.random(reels) < 0.5,
        strand=strand,
        limits=limits,
        sealed_share=_even(unit[0], *SEALED, 0.4),
        net=_even(unit[1], 0.99, 1.01, 1.0),
        body_g=body if errors.body else BODY_G * _even(unit[2], 0.992, 1.008, 1.0),
        board=board & errors.body,
        errors=errors,
        rh_off=off,
        dryer_off=dryer,
        leak_g_day=errors.leak_g_day[0] + leak * (errors.leak_g_day[1] - errors.leak_g_day[0]),
        vent_m3_h=_log(vent, *errors.vent_m3_h, 1.0),
    )


def _even(unit, low, high, nominal):
    return np.where(np.isnan(unit), nominal, low + (high - low) * unit)


def _log(unit, low, high, nominal):
    return np.where(np.isnan(unit), nominal, low * (high / low) ** unit)


def strand_of(material, unit):
    """Return the reels' polymers and both their limits [kg/kg], drawn from what the profile states."""
    m = material
    factor = _even(unit[3], *(one / m.uptake_50rh_wt_pct for one in m.uptake_50rh_range_wt_pct), 1.0) / 100.0
    if m.isotherm_gab_m0_wt_pct is not None:
        isotherm = [m.isotherm_gab_m0_wt_pct * factor, m.isotherm_gab_C, m.isotherm_gab_K]
    else:
        first = m.isotherm_henry_fraction
        saturation = m.uptake_saturation_wt_pct * factor
        isotherm = [first * saturation, (1 - first) * saturation, m.isotherm_cluster_exponent]
    per_content = m.diffusivity_conc_coeff_per_wt_pct
    between = m.diffusivity_conc_coeff_range_per_wt_pct or (per_content, per_content)
    strand = Strand(
        diffusivity=_log(unit[4], *m.diffusivity_range_m2_s, m.diffusivity_23C_m2_s),
        per_content=100.0 * _even(unit[5], *between, per_content),
        activation_K=_even(unit[6], *m.activation_energy_range_kJ_mol, m.activation_energy_kJ_mol)
        * 1e3
        / 8.314,
        sorption_K=np.full(factor.shape, m.sorption_excess_enthalpy_kJ_mol * 1e3 / 8.314),
        gab=m.isotherm_gab_m0_wt_pct is not None,
        isotherm=np.stack([one * np.ones_like(factor) for one in isotherm]),
        bed=_log(unit[7], *BED, 1.0),
        density=m.density_kg_m3,
    )
    moved = _log(unit[8], *LIMIT, 1.0)
    good = m.limit_good_wt_pct / 100.0 * moved
    own = m.limit_marginal_x_room_equilibrium
    marginal = m.limit_marginal_wt_pct / 100.0 if own is None else own * strand.room_content()
    return strand, (good, np.maximum(good, marginal * moved))


def truth(world, seed=0, steps=64):
    """Simulate the reels' own story, and weigh them.

    Steps of one implicit stage err in proportion to their length: what half as many give is extrapolated from.
    """
    fine, coarse = _simulated(world, steps), _simulated(world, steps // 2)
    start, worst, end, mass = (2.0 * one - other for one, other in zip(fine, coarse, strict=True))
    random = np.random.default_rng(seed)
    gross = np.round((mass + random.normal(0.0, 0.02, mass.shape)) / RESOLUTION_G) * RESOLUTION_G
    good, marginal = world.limits
    worst = np.maximum(worst, start)
    rank = np.where(start > marginal, 3, np.where(worst > marginal, 2, np.where(worst > good, 1, 0)))
    second = np.where(world.weighed_late, gross[2], gross[1])
    return Truth(100 * start, 100 * end, [WORDS[i] for i in rank], np.stack([gross[0], second], axis=1))


def _simulated(world, steps):
    """Return content at the job's start, its wettest and its end, (reels,), and gross mass after three stays [g]."""
    shelf_K, room_K = world.shelf[0] + ZERO_C, world.room[0] + ZERO_C
    shelf_rh = np.clip(world.shelf[1] + world.rh_off[:, 0], 4, 94) / 100.0
    room_rh = np.clip(world.room[1] + world.rh_off[:, 1], 4, 94) / 100.0
    board_kg = np.where(world.board, world.body_g / 1070.0, 0.0)
    reels = Reels(world.strand, net_g=NET_G, board_kg=board_kg)
    found = world.strand.balance(shelf_rh, shelf_K)[0]
    reels.soak(np.where(world.sealed, world.sealed_share * world.strand.room_content(), found), shelf_K)
    stays, mass = _stays(world, shelf_K, shelf_rh, room_K, room_rh), []
    for stay in stays[:3]:
        reels.stay(stay, steps)
        water_g = 1000.0 * (reels.board_water - 0.07 * board_kg)  # beyond what the body is weighed with
        mass.append(world.body_g + water_g + NET_G * world.net * (1.0 + reels.mean))
    reels.stay(stays[3], steps)
    start = reels.next_fed
    worst = reels.print_on(stays[3], world.metres, world.hours[:, 4] * HOUR, parts=max(4, steps // 5))
    return start, worst, reels.next_fed, np.stack(mass)


def _stays(world, shelf_K, shelf_rh, room_K, room_rh):
    """Return the stays on the shelf, in the dryer, in the bag and beside the printer."""
    none, open_, one = np.zeros_like(shelf_K), np.full_like(shelf_K, OPEN), np.ones_like(shelf_K)
    seconds = world.hours.T * HOUR
    vapour, there = shelf_rh * saturation_Pa(shelf_K), room_rh * saturation_Pa(room_K)
    hot = world.material.dry_at_C + world.dryer_off + ZERO_C
    vent = world.vent_m3_h / HOUR / (VAPOUR_GAS * hot)
    leak = world.leak_g_day / 1000.0 / DAY / (0.5 * saturation_Pa(23.0 + ZERO_C))
    return [
        Stay(seconds[0], shelf_K, vapour, open_, none, one),
        Stay(seconds[1], hot, vapour, vent, none + DRYER_L / 1000.0, 3.0 * one),
        Stay(seconds[2], shelf_K, vapour, leak, none + BAG_L / 1000.0, one),
        Stay(seconds[3], room_K, there, open_, none, one),
    ]


def record(world, number, gross_g=None):
    """Return one reel's record as its user wrote it, with both weigh-ins or without; and when its job begins [s]."""
    places = {place.name: place for place in places_of(world, number)}
    at = np.concatenate([[0.0], np.cumsum(world.hours[number, :4]) * HOUR])
    events = [Event(0.0, "received", place="shelf", sealed=bool(world.sealed[number]))]
    events += [Event(at[i + 1], "moved", place=name) for i, name in enumerate(("oven", "bag", "bench-1"))]
    if gross_g is not None:
        second = at[3] if world.weighed_late[number] else at[2]
        for moment, gross in zip((at[1], second), gross_g[number], strict=True):
            events.append(Event(moment - 1.0, "weighed", gross_g=float(gross), resolution_g=RESOLUTION_G))
    body = Body() if world.errors.body else Body(mass_g=BODY_G)
    ordered = tuple(sorted(events, key=lambda event: event.at_s))
    return Spool(f"sim-{number:03d}", world.material, 1.75, NET_G, places, ordered, body=body), float(at[4])


def places_of(world, number):
    """Return the places of one reel's record; what is right in this scene is stated to be well known."""
    errors = world.errors
    every = errors.humidity and errors.dryer
    room = {
        "accuracy_rh_pct": None if errors.humidity else CHECKED_PCT,
        "accuracy_C": None if every else CHECKED_C,
    }
    oven = {
        "accuracy_C": None if errors.dryer else CHECKED_C,
        "exchange_m3_h": None if errors.vent else FREE_M3_H,
    }
    bag = {"accuracy_C": room["accuracy_C"], "leak_g_per_day": None if errors.bag else 0.0}
    shelf_C, shelf_rh, room_C, room_rh = (float(one[number]) for one in (*world.shelf, *world.room))
    return (
        Place("shelf", "open", shelf_C, shelf_rh, **room),
        Place("oven", "dryer", world.material.dry_at_C, room="shelf", **oven),
        Place("bag", "sealed", shelf_C, room="shelf", **bag),
        Place("workshop", "open", room_C, room_rh, **room),
        Place("bench-1", "printer", room="workshop"),
    )


def told(spool, now_s, world, number, members=64):
    """Return what the tool says of one reel and its job."""
    state = state_at(spool, now_s, members=members)
    end_s = float(world.hours[number, 4]) * HOUR
    bound = np.append(np.linspace(0.0, 1.0 - LAST, ROWS), 1.0)
    length = 1000.0 * float(world.metres[number])
    rows = np.stack([bound[:-1] * end_s, bound[1:] * end_s, np.diff(bound) * length], axis=1)
    feed = ToolFeed(0, rows, np.arange(1, ROWS + 1), length, end_s, end_s, end_s)
    around = air_of_print(spool, state, at_s=now_s, place="bench-1").air
    arrival = forecast(state, around, feed.segments)
    judged = judged_by(state, arrival, feed, 0.5)
    said = " ".join(str(note) for note in state.notes)
    return Told(
        tuple(state.quantiles(arrival.start_wt_pct)),
        tuple(state.quantiles(arrival.wt_pct[-1])),
        judged.code,
        judged.share,
        "contradict" in said,
        "leaks by what the scale shows" in said,
        "few members" in said,
    )


def without_errors(world):
    """Return the same reels, true to their records."""
    none = np.zeros_like(world.dryer_off)
    free = none + FREE_M3_H
    return replace(world, rh_off=np.zeros_like(world.rh_off), dryer_off=none, leak_g_day=none, vent_m3_h=free)
