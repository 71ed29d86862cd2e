"""How long a year of a spool's history takes: about 300 events, one member and 64.

Run: ``python tests/benchmarks/moisture_year.py``.
"""

import random
import sys
import time

from gcodetool import profiles
from gcodetool.moisture import solver
from gcodetool.moisture.history import state_at
from gcodetool.moisture.record import Event, Place, Spool

PLACES = {
    place.name: place
    for place in (
        Place("bench", "open", 22.0, 48.0),
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


def main() -> None:
    print("compiled" if solver.COMPILED else "interpreted")
    for material in ("PETG", "PA6", "PVA"):
        spool = year(material)
        for members in (1, 64) if solver.COMPILED else (1,):
            begin = time.perf_counter()
            state_at(spool, spool.events[-1].at_s + 3600.0, members=members)
            seconds = time.perf_counter() - begin
            print(f"{material:5s} {len(spool.events)} events, {members:2d} members: {seconds:.2f} s")


if __name__ == "__main__":
    sys.exit(main())
