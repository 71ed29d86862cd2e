"""Which record would make a forecast surer than any other: a weigh-in, an inspection, the reel's own mass, its air.

Each candidate is judged by how much of the members' disagreement about the strand fed next it would
remove, were it made now: by the correlation of what it would read with that content, over its noise.
Left out: what two records together would tell.
"""

import math
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture import inference
from gcodetool.moisture.doubts import HYGROMETER_PCT, Doubts
from gcodetool.moisture.dryer_runs import THERMOMETER_K
from gcodetool.moisture.history import State, reel_of
from gcodetool.moisture.observations import Weighed
from gcodetool.moisture.record import Place
from gcodetool.quickdata import dataclass

Floats = NDArray[np.float64]

SCALES_G: Final = (0.1, 1.0)
INSPECTION_WIDTH: Final = 0.6  # what an answer leaves of ln(content/limit), standard deviation
WORTH: Final = 0.15  # of the band: less is not worth the walk


@dataclass(frozen=True)
class MeasurementGain:
    """One record that could be made: what to do, and the share of the band that it would remove."""

    what: str
    share: float


def measurement_gains(state: State) -> list[MeasurementGain]:
    """Return the records that could be made now, the most telling first; none for one member."""
    content = state.next_fed_wt_pct
    if state.members == 1 or np.isnan(content).any():
        return []
    found = [_weighing(state, content, resolution) for resolution in SCALES_G]
    if found[1].share > 0.8 * found[0].share:  # the coarse scale does as well
        found = found[1:]
    reel = reel_of(state.spool)
    if reel.body_g is None and not reel.cardboard:
        known = replace(state, spool=replace(state.spool, body=replace(state.spool.body, mass_g=200.0)))
        gain = _weighing(known, content, SCALES_G[0])
        body = state.spool.stated_by(f"spool set {state.spool.id} --body-mass G", "[body] mass_g")
        found.append(
            MeasurementGain(
                f"weigh the empty reel (or one like it), state it ({body}), and weigh the spool", gain.share
            )
        )
    ratio = np.log(np.maximum(content / state.limit_marginal_wt_pct, 1e-6))
    found.append(
        MeasurementGain(
            "purge a little, look for bubbles, and note it with 'inspect'",
            _removed(state, content, ratio[:, np.newaxis], np.array([[INSPECTION_WIDTH**2]])),
        )
    )
    source = _humidity_source(state)
    if source is not None and state.doubts is not None:
        off = state.doubts.humidity_pct(source)
        read = np.array([[HYGROMETER_PCT**2]])
        share = _removed(state, content, off[:, np.newaxis], read)
        found.append(MeasurementGain(f"read a hygrometer at {source.name}, or log it", share))
    found += [_thermometer(state, content, dryer, state.doubts) for dryer in _unread_dryers(state)]
    return sorted(found, key=lambda gain: -gain.share)


def best_measurement(state: State) -> str:
    """Return one line: which record would make this spool's forecast surer than any other, or that none would.

    The twin on the command line is ``gcodetool spool show``.
    """
    if state.members == 1:
        return "one member gives no band: use more members to see which record would help"
    if np.isnan(state.next_fed_wt_pct).any():
        return "the reel is empty: no record would help"
    return worth_recording(state) or "no single record would make this forecast much surer"


def worth_recording(state: State) -> str | None:
    """Return the record that would take most off the band, or None where none is worth the walk."""
    found = measurement_gains(state)
    if not found or found[0].share < WORTH:
        return None
    best = found[0]
    return f"{best.what} (takes about {100 * best.share:.0f} % off the band)"


def _weighing(state: State, content: Floats, resolution_g: float) -> MeasurementGain:
    mean = state.mean_wt_pct / 100.0
    now = Weighed(
        0.0,
        resolution_g,
        state.remaining_g * mean,
        state.remaining_g,
        state.spool.net_mass_g - state.remaining_g,
    )
    weighed = [one for one in state.record if isinstance(one, Weighed)] + [now]
    covariance = inference.weighing_covariance(weighed, reel_of(state.spool))
    seen = np.stack([one.water_g for one in weighed], axis=1)
    after = _removed(state, content, seen, covariance)
    return MeasurementGain(f"weigh it now on a scale that reads {resolution_g:g} g", after)


def _removed(state: State, content: Floats, seen: Floats, noise: Floats) -> float:
    """Return the share of the band that reading *seen* (members, readings) with that noise would remove."""
    weights = state.weights
    deviation = content - weights @ content
    apart = seen - weights @ seen
    variance = float(weights @ deviation**2)
    if variance <= 0.0:
        return 0.0
    together = apart.T @ (weights * deviation)
    spread = apart.T @ (weights[:, np.newaxis] * apart) + noise
    explained = float(together @ np.linalg.solve(spread, together)) / variance
    return 1.0 - math.sqrt(max(0.0, 1.0 - min(1.0, explained)))


def _thermometer(state: State, content: Floats, dryer: Place, doubts: Doubts | None) -> MeasurementGain:
    """Return what a thermometer in a dryer would tell of the strand that was dried in it."""
    assert doubts is not None
    off = doubts.warmer_K(dryer)
    share = _removed(state, content, off[:, np.newaxis], np.array([[THERMOMETER_K**2]]))
    command = f"place read {dryer.name} --temperature C --knob C"
    noted = state.spool.stated_by(command, f"readings of [place.{dryer.name}]")
    return MeasurementGain(
        f"put a thermometer into {dryer.name}, and note what it and the knob show ({noted})", share
    )


def _unread_dryers(state: State) -> list[Place]:
    """Return the dryers that the spool stood in as they are stated, with no thermometer read in them."""
    if state.doubts is None:
        return []
    names = {event.place for event in state.spool.events if event.at_s <= state.as_of_s and event.place}
    places = [state.spool.places[name] for name in sorted(names)]
    return [one for one in places if one.kind == "dryer" and one.accuracy_C is None and not one.readings]


def _humidity_source(state: State) -> Place | None:
    """Return the place whose humidity, stated as a constant, the spool's air rests on; None: measured or closed."""
    place = state.spool.places[state.place]
    if (
        place.rh_pct is None
        and place.fed_from is None
        and place.dew_point_C is None
        and place.room is not None
    ):
        place = state.spool.places[place.room]
    return place if place.kind in ("open", "printer") and place.log is None and place.rh_pct else None
