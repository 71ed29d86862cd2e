"""Simulated reels with a known truth: does the band cover it, and what does weighing add?

A truth is one member anywhere in the stated ranges (diffusivity log-uniform, the rest even), marched on a grid
twice as fine with steps a quarter as long; its reel has a body and a net mass of its own, and a scale reads it.
Its record is right: records that are not, see ``honest_scenes``.
"""

import functools
import zlib
from dataclasses import dataclass, replace
from unittest import mock

import numpy as np

from gcodetool import profiles
from gcodetool.moisture import field, history, replay
from gcodetool.moisture.ensemble import Ensemble
from gcodetool.moisture.polymer import DIMENSIONS, polymer
from gcodetool.moisture.record import Body, Event, Place, Spool

HOUR = 3600.0
BODY_G = 210.0


@dataclass(frozen=True)
class Case:
    """One simulated reel: the truth and the band, with and without weighing. [wt %]"""

    truth: float
    plain: tuple[float, float]
    weighed: tuple[float, float] | None
    notes: tuple[str, ...]

    @property
    def covered(self):
        return self.plain[0] <= self.truth <= self.plain[1]

    @property
    def covered_weighed(self):
        return self.weighed[0] <= self.truth <= self.weighed[1]

    @property
    def narrower(self):
        return (self.weighed[1] - self.weighed[0]) / (self.plain[1] - self.plain[0])


def record(material, number, rng, *, net_g, dryings):
    """Found open on a bench, dried, perhaps ten hours out and dried again, up to two hours out: a job begins."""
    dry_h = material.dry_hours * rng.uniform(1.0, 2.0)
    out_h = rng.uniform(0.1, 2.0)
    places = {
        place.name: place
        for place in (
            # known exactly, and vents that let everything out: these cases are about the strand, not about the air
            Place(
                "bench",
                "open",
                rng.uniform(20, 25),
                rng.uniform(35, 60),
                accuracy_C=0.0,
                accuracy_rh_pct=0.0,
            ),
            Place("oven", "dryer", material.dry_at_C, room="bench", accuracy_C=0.0, exchange_m3_h=500.0),
        )
    }
    events = [Event(0.0, "received", place="bench", sealed=False)]
    at_h = 24.0
    for _ in range(dryings):
        events.append(Event(at_h * HOUR, "moved", place="oven"))
        events.append(Event((at_h + dry_h) * HOUR, "moved", place="bench"))
        at_h += dry_h + 10.0
    body = Body(mass_g=BODY_G)
    spool = Spool(f"sim-{number:03d}", material, 1.75, net_g, places, tuple(events), body=body)
    return spool, events[-1].at_s + out_h * HOUR


def simulate(name, number, *, members=64, resolution_g=None, net_g=750.0, dryings=1):
    """Return one case; the same *name* and *number* are always the same reel, and no two materials share a draw."""
    material = profiles.material(name)
    rng = np.random.default_rng([zlib.crc32(name.encode()), number])
    spool, now = record(material, number, rng, net_g=net_g, dryings=dryings)
    at = rng.random((1, DIMENSIONS))
    body = BODY_G * (1 + 0.008 * rng.uniform(-1, 1))
    net = 1 + 0.01 * rng.uniform(-1, 1)
    fine = functools.partial(field.uniform, count=56)
    with (
        mock.patch.object(replay, "uniform", fine),
        mock.patch.object(field, "TOLERANCE", 0.02),
        mock.patch.object(field, "GROWTH", 1.3),
    ):
        truth = polymer(material, at=at)

        def true_state(at_s):
            return history._replayed(
                spool, Ensemble(truth), [event for event in spool.events if event.at_s <= at_s], at_s, []
            ).own.state()

        content = float(true_state(now).next_fed_wt_pct[0])
        readings = []
        if resolution_g is not None:
            for event in spool.events[1:]:
                mean = float(true_state(event.at_s - 1.0).mean_wt_pct[0]) / 100
                mass = body + net_g * net * (1 + mean)
                gross = round(mass / resolution_g) * resolution_g
                readings.append(Event(event.at_s - 1.0, "weighed", gross_g=gross, resolution_g=resolution_g))
    plain = history.state_at(spool, now, members=members)
    band = plain.quantiles(plain.next_fed_wt_pct)
    if not readings:
        return Case(content, (band.p10, band.p90), None, plain.notes)
    events = tuple(sorted((*spool.events, *readings), key=lambda event: event.at_s))
    learned = history.state_at(replace(spool, events=events), now, members=members)
    after = learned.quantiles(learned.next_fed_wt_pct)
    return Case(content, (band.p10, band.p90), (after.p10, after.p90), learned.notes)
