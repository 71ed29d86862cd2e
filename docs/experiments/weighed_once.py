"""How much can one drying, weighed before and after, tell at best?  The exact answer, by marching very many members.

A truth is one of the members, its reel with a body and a net mass of its own; all the others are weighed by the likelihood
that `learning` uses, with none drawn anew.  Prints the width of the weighed band over the plain one (median), how often it
covers, and what number of members the weights are worth.  Where that is small, so is what the line is worth.

Run: ``python docs/experiments/weighed_once.py [PA6 PVA] [MEMBERS]``; minutes.
"""

import sys

import numpy as np

from gcodetool import profiles
from gcodetool.moisture import history, inference, observations
from gcodetool.moisture.ensemble import Ensemble
from gcodetool.moisture.polymer import DIMENSIONS, polymer
from gcodetool.moisture.record import Body, Event, Place, Spool

HOUR = 3600.0
BATCH = 256
ROOMS, TRUTHS = 3, 100
BODY_G, NET_G, RESOLUTION_G = 210.0, 750.0, 0.1


def room(material, number):
    """Return a reel found open in some room and dried once, weighed before and after."""
    rng = np.random.default_rng(number)
    places = {
        place.name: place
        for place in (
            Place("bench", "open", rng.uniform(20, 25), rng.uniform(35, 60)),
            Place("oven", "dryer", material.dry_at_C, room="bench"),
        )
    }
    end = 24.0 + material.dry_hours * rng.uniform(1.0, 2.0)
    events = (
        Event(0.0, "received", place="bench", sealed=False),
        Event(24 * HOUR - 1, "weighed", gross_g=0.0),
        Event(24 * HOUR, "moved", place="oven"),
        Event(end * HOUR - 1, "weighed", gross_g=0.0),
        Event(end * HOUR, "moved", place="bench"),
    )
    return Spool("sim", material, 1.75, NET_G, places, events, body=Body(mass_g=BODY_G)), (end + 1) * HOUR


def marched(spool, now_s, members):
    """Return the water at both weigh-ins [g], the next-fed content [wt %], and the record's dry masses."""
    random = np.random.default_rng(7)
    water, content = [], []
    for _ in range(members // BATCH):
        parameters = polymer(spool.material, at=random.random((BATCH, DIMENSIONS)))
        state = history._replayed(spool, Ensemble(parameters), list(spool.events), now_s, []).own.state()
        water.append(inference.predictions(state.record))
        content.append(state.next_fed_wt_pct)
    return np.concatenate(water), np.concatenate(content), state.record


def main() -> None:
    """Print one line for each material."""
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    names = [word for word in sys.argv[1:] if not word.isdigit()] or ["PA6", "PVA"]
    for name in names:
        narrower, covered, worth = [], [], []
        for number in range(ROOMS):
            spool, now_s = room(profiles.material(name), number)
            water, content, record = marched(spool, now_s, numbers[0] if numbers else 2048)
            plain = history.quantiles(content)
            for truth in range(TRUTHS):
                random = np.random.default_rng(truth)
                body_g = BODY_G * (1 + 0.008 * random.uniform(-1, 1))
                net = 1 + 0.01 * random.uniform(-1, 1)
                gross = body_g + NET_G * net * (1 + water[truth] / NET_G)
                read = [
                    observations.Weighed(
                        round(gross[i] / RESOLUTION_G) * RESOLUTION_G,
                        RESOLUTION_G,
                        water[:, i],
                        record[i].dry_g,
                        record[i].fed_g,
                    )
                    for i in range(2)
                ]
                fits = inference.log_likelihood(read, history.reel_of(spool), water)
                fits[truth] = -np.inf
                weights = inference.weights_of(fits)
                band = history.quantiles(content, weights)
                narrower.append((band.p90 - band.p10) / (plain.p90 - plain.p10))
                covered.append(band.p10 <= content[truth] <= band.p90)
                worth.append(inference.effective_sample_size(weights))
        print(
            f"{name:4s} one drying: band {np.median(narrower):.2f} as wide, covers {100 * np.mean(covered):.0f} %, "
            f"on {np.median(worth):.0f} members",
            flush=True,
        )


if __name__ == "__main__":
    main()
