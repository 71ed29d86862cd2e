"""How long a year of a spool's history takes: 300 events and an hourly log, one member and 64, and from a snapshot.

Run: ``python tests/benchmarks/moisture_year.py [PETG PA6 PVA]``; with ``--scipy`` the yardstick too (minutes):
the same stays by the method of lines with ``solve_ivp`` (``tests/naive_moisture.py``), one member, a tenth of
the year.  Goals for PA6: 5 s cold with 64 members, 0.1 s from a snapshot, 100 times scipy's speed per member.
"""

import itertools
import math
import random
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from gcodetool import profiles
from gcodetool.ledger.snapshots import FileShelf
from gcodetool.moisture import solver
from gcodetool.moisture.history import log_air, state_at
from gcodetool.moisture.polymer import polymer
from gcodetool.moisture.record import AirLog, Event, Place, Spool
from gcodetool.moisture.winding import winding

HOURS = 366 * 24
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


def yardstick_s(spool: Spool) -> float:
    """Return what scipy needs for a tenth of the year, times ten: one member, hourly air. [s]"""
    sys.path.insert(0, str(Path(__file__).parents[1]))
    from naive_moisture import Stay, march

    wind = winding(spool, polymer(spool.material).density_kg_m3)
    bench = PLACES["bench"].log
    assert bench is not None
    stays = []
    moves = [event for event in spool.events if event.place]
    for event, after in itertools.pairwise(moves[: 1 + len(moves) // YARDSTICK_SHARE]):
        seconds = after.at_s - event.at_s
        if event.place in ("bench", "bench-1"):
            for begin in np.arange(event.at_s, after.at_s, 3600.0):
                end = min(begin + 3600.0, after.at_s)
                air = log_air(bench, begin, end)
                stays.append(Stay(end - begin, air.temperature_K, air.vapour_Pa))
        elif event.place == "oven":
            vapour = log_air(bench, event.at_s, after.at_s).vapour_Pa
            stays.append(Stay(seconds, 333.15, vapour, 20.0, 0.0135))
        else:
            stays.append(Stay(seconds, 295.15, 370.0 if event.place == "box-2" else None))
    begin_s = time.perf_counter()
    march(spool.material, wind, float(polymer(spool.material).room_equilibrium()[0]), 295.15, stays, count=28)
    return YARDSTICK_SHARE * (time.perf_counter() - begin_s)


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
    print("compiled" if solver.COMPILED else "interpreted")
    names = [word for word in sys.argv[1:] if not word.startswith("-")] or ["PETG", "PA6", "PVA"]
    for material in names:
        spool = year(material)
        now_s = spool.events[-1].at_s + 3600.0
        seconds = {}
        for members in (1, 64) if solver.COMPILED else (1,):
            begin, work = time.perf_counter(), time.process_time()
            state_at(spool, now_s, members=members)
            seconds[members] = time.perf_counter() - begin
            work = time.process_time() - work
            snapshot = from_snapshot_s(spool, now_s, members)
            print(
                f"{material:5s} {len(spool.events)} events, {members:2d} members: {seconds[members]:.2f} s "
                f"({work:.2f} s of processor), from a snapshot {snapshot:.3f} s"
            )
        if "--scipy" in sys.argv:
            slow = yardstick_s(spool)
            print(f"{material:5s} scipy, 1 member: {slow:.0f} s")
            for members, fast in seconds.items():
                print(f"      {members:2d} members: {slow * members / fast:.0f} times faster per member")


if __name__ == "__main__":
    main()
