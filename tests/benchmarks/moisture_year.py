"""How long a year of a spool's history takes: 300 events and an hourly log, one member and 64, and from a snapshot.

Run: ``python tests/benchmarks/moisture_year.py [PETG PA6 PVA]``; with ``--scipy`` the yardstick too (minutes):
the same stays by the method of lines with ``solve_ivp`` (``tests/naive_moisture.py``), one member, a tenth of
the year.  Goals for PA6, in seconds of processor: 1.2 s cold with 64 members, 0.1 s from a snapshot, 100 times scipy's
speed per member.

The yardstick does equal work: the same stays in the same air (a log averaged over the same windows), as many rings, and a
tolerance at which it is off by no less (printed).  A stay of one day is shown beside the logged stays.
"""

import dataclasses
import itertools
import math
import random
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
import naive_moisture as naive
from naive_moisture import Stay

from gcodetool import profiles
from gcodetool.ledger.snapshots import FileShelf
from gcodetool.moisture import solver
from gcodetool.moisture.air import Air, room_air
from gcodetool.moisture.field import NEW_AIR_STEP_S, SpoolIntegrator, uniform
from gcodetool.moisture.history import state_at, stretches
from gcodetool.moisture.kernel import KERNEL
from gcodetool.moisture.polymer import polymer
from gcodetool.moisture.record import AirLog, Event, Place, Spool
from gcodetool.moisture.winding import winding

HOURS = 366 * 24
TOLERANCE = 1e-3  # of scipy, relative: at it scipy is off by more than the steps here, which is in its favour
YARDSTICK_SHARE = 10  # scipy takes minutes for the whole year


def hourly() -> AirLog:
    """Return a year of readings: days and seasons."""
    hours = np.arange(HOURS, dtype=float)
    day, season = 2 * math.pi * hours / 24, 2 * math.pi * hours / HOURS
    celsius = 21.0 + 1.5 * np.sin(day) + 3.0 * np.sin(season)
    humid = 45.0 + 6.0 * np.cos(day) + 12.0 * np.sin(season)
    return AirLog((3600.0 * hours).tolist(), celsius.tolist(), humid.tolist())


PLACES = {
    place.name: place
    for place in (
        Place("bench", "open", log=hourly()),
        Place("oven", "dryer", 60.0, room="bench"),
        Place("box-2", "box", 22.0, 14.0),
        Place("bag", "sealed", 22.0),
        Place("bench-1", "printer", printer="bench-1", room="bench"),
    )
}


def year(material: str) -> Spool:
    """Return a spool that was moved every day or two and printed from now and then."""
    rnd = random.Random(7)
    events = [Event(0.0, "received", place="bench")]
    at_s = 0.0
    for turn in range(250):
        at_s += 3600.0 * rnd.uniform(10, 60)
        place = ("oven", "box-2", "bench-1", "bag", "bench")[turn % 5]
        events.append(Event(at_s, "moved", place=place))
        if place == "bench-1":
            events.append(Event(at_s + 10_800.0, "fed", length_mm=3000.0))
    return Spool("pa6-07", profiles.material(material), 1.75, 750.0, PLACES, tuple(events))


def stay(around: Air, seconds: float) -> Stay:
    """Return constant air as the yardstick takes it."""
    vapour = None if around.closed else around.vapour_Pa
    return naive.Stay(seconds, around.temperature_K, vapour, around.heat_W_m2K, around.mass_m_s)


def yardstick(spool: Spool, stays: list[Stay], tolerance: float) -> tuple[float, np.ndarray]:
    """Return what scipy needs for some stays with one member [s of processor], and the contents that it ends with."""
    wind = winding(spool, polymer(spool.material).density_kg_m3)
    room = float(polymer(spool.material).room_equilibrium()[0])
    begin_s = time.process_time()
    _, water, *_ = naive.march(spool.material, wind, room, 295.15, stays, count=28, tolerance=tolerance)
    return time.process_time() - begin_s, water


def against_scipy(spool: Spool, now_s: float) -> None:
    """Print how many times faster one member is here: in one stay of a day, and in the logged year (a tenth of it)."""
    nominal = polymer(spool.material)
    day = room_air(22.0, 60.0)
    exact = yardstick(spool, [stay(day, 86_400.0)], 1e-7)[1]
    taken, water = yardstick(spool, [stay(day, 86_400.0)], TOLERANCE)
    off = float(np.abs(water - exact).max() / np.ptp(exact))
    for members in (1, 64):
        drawn = nominal if members == 1 else polymer(spool.material, members=members, seed=spool.id)
        begin = uniform(winding(spool, drawn.density_kg_m3), drawn, drawn.room_equilibrium(), 295.15)
        march = SpoolIntegrator(begin, drawn)
        march.surround(day)
        begin_s = time.process_time()
        march.run(86_400.0, first_s=NEW_AIR_STEP_S)
        here = (time.process_time() - begin_s) / members
        print(
            f"      a day in room air, {members:2d} members: {taken / here:.0f} times faster per member than scipy"
        )
    print(f"      (scipy: relative tolerance {TOLERANCE:g}, off by {100 * off:.2g} % of the range)")
    moves = [event for event in spool.events if event.place]
    stays = [
        stay(around.reel, end - begin)
        for event, after in itertools.pairwise(moves[: 1 + len(moves) // YARDSTICK_SHARE])
        for begin, end, around in stretches(
            spool, event.place or "", event.at_s, after.at_s, now_s=now_s, previous=None
        )
    ]
    part = dataclasses.replace(
        spool, events=spool.events[: 1 + spool.events.index(moves[len(moves) // YARDSTICK_SHARE])]
    )
    taken, _ = yardstick(spool, stays, TOLERANCE)
    for members in (1, 64):
        begin_s = time.process_time()
        state_at(part, part.events[-1].at_s, members=members)
        here = (time.process_time() - begin_s) / members
        print(
            f"      the logged stays, {members:2d} members: {taken / here:.0f} times faster per member than scipy"
        )


def from_snapshot_s(spool: Spool, now_s: float, members: int) -> float:
    """Return what the same state takes where a snapshot of the last event lies. [s]"""
    with tempfile.TemporaryDirectory() as folder:
        shelf = FileShelf(Path(folder) / f"{spool.id}.toml")
        cold = state_at(spool, now_s, members=members, shelf=shelf)
        begin = time.perf_counter()
        warm = state_at(spool, now_s, members=members, shelf=shelf)
        seconds = time.perf_counter() - begin
    assert (warm.water_wt_pct == cold.water_wt_pct).all()
    return seconds


def main() -> None:
    if not solver.COMPILED:
        raise SystemExit(
            "the kernel runs interpreted here, whose figures say nothing: pip install -e . with a C compiler"
        )
    print(KERNEL.__name__.rpartition(".")[2])
    names = [word for word in sys.argv[1:] if not word.startswith("-")] or ["PETG", "PA6", "PVA"]
    for material in names:
        spool = year(material)
        now_s = spool.events[-1].at_s + 3600.0
        for members in (1, 64):
            begin, work = time.perf_counter(), time.process_time()
            state_at(spool, now_s, members=members)
            seconds = time.perf_counter() - begin
            work = time.process_time() - work
            snapshot = from_snapshot_s(spool, now_s, members)
            print(
                f"{material:5s} {len(spool.events)} events, {members:2d} members: {seconds:.2f} s "
                f"({work:.2f} s of processor), from a snapshot {snapshot:.3f} s"
            )
        if "--scipy" in sys.argv:
            against_scipy(spool, now_s)


if __name__ == "__main__":
    main()
