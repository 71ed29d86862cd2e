"""What weigh-ins and inspections make of a replay: its members weighed, or drawn anew and replayed.

Left out: how likely a record is (``inference``), and replaying (``history``).
"""

from collections.abc import Callable
from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture import inference, observations
from gcodetool.moisture.company import Company, Replayed
from gcodetool.moisture.ensemble import Ensemble, ensemble_at, with_limits_dealt
from gcodetool.moisture.inspections import contradiction, log_chance, unexplained, with_less_power
from gcodetool.moisture.notes import Note
from gcodetool.moisture.observations import Inspected, Weighed
from gcodetool.moisture.record import Spool

Floats = NDArray[np.float64]


class LearningReplay(Replayed, Protocol):
    """What learning asks of a replay."""

    ensemble: Ensemble
    record: list[Weighed | Inspected]
    said: list[Note]


L = TypeVar("L", bound=LearningReplay)


def learned(
    spool: Spool, together: Company[L], replayed: Callable[[Ensemble], Company[L]]
) -> tuple[Company[L], Floats]:
    """Return the replays that weigh-ins and inspections leave, and the weights; members drawn anew if few fit.

    Parameters
    ----------
    together
        The first replays.
    replayed
        Replays the record with other members.
    """
    reel, replay = reel_of(spool), together.own
    ensemble = replay.ensemble
    assert ensemble.at is not None
    said = [Note("note", text) for text in inference.uninformative_notes(replay.record, reel)]
    puzzling = _unexplained_looks(replay.record, reel)
    said += [Note("contradiction", contradiction(replay.record[i])) for i in puzzling]
    members = ensemble.at.shape[0]
    pool = inference.Pool(with_less_power(replay.record, puzzling), reel, ensemble.at, spool.reel_id)
    while pool.wants_more():
        anew = pool.drawn()
        again = replayed(ensemble_at(spool, anew.at, ensemble.names))
        pool.add(anew, again.own.record)
    hopeless = pool.misfit_ratio() > 1.0
    if pool.rounds and not hopeless:
        weights, power = np.full(members, 1.0 / members), pool.power
        together = replayed(ensemble_at(spool, pool.chosen(), ensemble.names))
        replay = together.own
    else:
        weights, power = inference.tempered_weights(pool.fits[0], inference.LEAST_MEMBERS / 2.0 / members)
    odd = inference.contradiction(replay.record, reel, pool.predicted, weights)
    if hopeless or odd is not None:
        said.append(Note("contradiction", odd or inference.contradicts(reel)))
    elif pool.worth < inference.ENOUGH * members:
        said.append(
            Note(
                "note",
                f"learned, but on few members: {pool.worth:.0f} of {members} fit weigh-ins and inspections"
                + ("" if power == 1.0 else "; so they count for less"),
            )
        )
    elif pool.rounds:
        more = f"{pool.rounds * members} more members"
        said.append(Note("learned", f"{more} drawn where the record says they should be"))
    replay.said = said
    if not any(isinstance(one, Inspected) for one in replay.record):
        replay.ensemble = with_limits_dealt(spool, replay.ensemble, weights)
    return together, weights


def _unexplained_looks(record: list[Weighed | Inspected], reel: observations.ReelMass) -> list[int]:
    """Return the looks of which the members, as weigh-ins alone leave them, expected something else: their places."""
    predicted = inference.predictions(record)
    unasked = inference.log_likelihood(record, reel, predicted) - log_chance(record, predicted)
    share = min(1.0, inference.LEAST_MEMBERS / 2.0 / predicted.shape[0])
    weights, _ = inference.tempered_weights(unasked, share)
    return unexplained(record, predicted, weights)


def reel_of(spool: Spool) -> observations.ReelMass:
    """Return what weighing needs to know of body and filament."""
    profile = spool.body.profile
    name = "" if profile is None else profile.key
    return observations.ReelMass(
        spool.net_mass_g, spool.body.mass_g, "cardboard" in name.lower(), spool.id, profile is not None
    )
