"""What sharing a box costs: processor time of a month together over that of a month alone, by number of neighbours.

``python docs/experiments/shared_boxes.py``; 64 members, PA6 over 200 g of silica gel, cold.
"""

import time

from gcodetool import profiles
from gcodetool.moisture.company import members_beside
from gcodetool.moisture.history import state_at
from gcodetool.moisture.neighbours import together
from gcodetool.moisture.record import Event, Place, Spool

DAY_S = 86_400.0
MEMBERS = 64
GEL = profiles.desiccant("silica gel")
PLACES = {
    "bench": Place("bench", "open", 22.0, 50.0),
    "box": Place("box", "box", 22.0, air_L=40.0, desiccant=GEL.name, desiccant_g=200.0, agent=GEL),
}


def spool(number: int) -> Spool:
    """Return one of the reels; each goes in a day after the one before, wet and dry by turns."""
    water = 2.0 if number % 2 else 0.2
    events = (
        Event(0.0, "received", "bench", water_wt_pct=water),
        Event((number + 1) * DAY_S / 24, "moved", "box"),
    )
    return Spool(f"pa6-{number:02}", profiles.material("PA6"), 1.75, 750.0, PLACES, events)


def seconds(count: int) -> float:
    """Return the processor time of one spool's state after a month with *count* neighbours."""
    made = together({str(i): spool(i) for i in range(count + 1)})["0"]
    begun = time.process_time()
    state_at(made, 30 * DAY_S, members=MEMBERS)
    return time.process_time() - begun


if __name__ == "__main__":
    seconds(0)
    alone = min(seconds(0) for _ in range(3))
    for count in (1, 2, 4, 8):
        took = min(seconds(count) for _ in range(2))
        print(
            f"{count:3} neighbours of {members_beside(MEMBERS, count):2} members: {took / alone:5.1f} times"
        )
