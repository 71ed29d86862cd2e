"""What eyes at the nozzle say about the members: how likely each makes what was seen.

An inspection speaks about content relative to the member's own limit.  Looks at one strand are one look: it is
the same few turns that were seen, by the same eyes.  Equations: ``docs/physics.md``, section 6.
Left out: who looked, at which light, and how fast it was purged.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture.constants import DAY_S
from gcodetool.moisture.observations import Inspected, Record, Weighed

Floats = NDArray[np.float64]

# The chance of an answer is logistic in ln(content/limit_marginal): (where it is even, width).  Own estimates.
FEW: Final = (1.0, 0.35)  # bubbles: "few" or more
MANY: Final = (2.0, 0.35)
OOZES: Final = (1.3, 0.5)
POPS: Final = (1.6, 0.4)
MISTAKEN: Final = 0.08  # answers that say nothing: a nozzle not clean, a strand purged too fast

# Looks in one stay are at the same strand until so much was fed, or after so long something else is seen (own estimates).
SAME_STRAND_MM: Final = 5_000.0
SAME_STRAND_S: Final = DAY_S
UNEXPLAINED: Final = 0.5  # times as likely as from eyes that guess: less is told as a contradiction,
CONTRADICTED: Final = 0.3  # and counts with this power: one of the two is wrong, and nobody knows which


def log_chance(record: Record, predicted: Floats) -> Floats:
    """Return ln of the chance of all that was seen, for each row of *predicted* (rows, records), (rows,)."""
    total = np.zeros(predicted.shape[0])
    for looks in _by_strand(record).values():
        last = record[looks[-1]]
        assert isinstance(last, Inspected)
        total += last.power * _of_one_strand(record, predicted, looks)
    return total


def unexplained(record: Record, predicted: Floats, weights: Floats) -> list[int]:
    """Return which records of eyes the members cannot explain: their places in *record*, a strand's last look each.

    Parameters
    ----------
    predicted, weights
        What members say that no eyes were asked for, (rows, records) and (rows,).
    """
    found = []
    for looks in _by_strand(record).values():
        chance = float(weights @ np.exp(_of_one_strand(record, predicted, looks))) / float(weights.sum())
        guessed = np.mean([_guessed(record[i]) for i in looks])
        if chance < UNEXPLAINED * math.exp(guessed):
            found.append(looks[-1])
    return found


def contradiction(one: Weighed | Inspected) -> str:
    """Return the remark on a look that the members cannot explain."""
    assert isinstance(one, Inspected)
    seen = [] if one.bubbles is None else [f"{'no' if one.bubbles == 'none' else one.bubbles} bubbles"]
    for answer, what in ((one.oozes, "ooze"), (one.pops, "popping")):
        seen += [] if answer is None else [what if answer else f"no {what}"]
    return (
        f"what was seen at the nozzle ({', '.join(seen)}) contradicts the forecast, and so counts for less; look again on a "
        "clean nozzle, weigh the spool, and correct its record"
    )


def _by_strand(record: Record) -> dict[int, list[int]]:
    """Return the places of the looks in a record, by the strand that was seen."""
    found: dict[int, list[int]] = {}
    for i, one in enumerate(record):
        if isinstance(one, Inspected):
            found.setdefault(one.strand, []).append(i)
    return found


def _of_one_strand(record: Record, predicted: Floats, looks: list[int]) -> Floats:
    """Return ln of the chance of one strand's looks, (rows,): their mean, as they see the same thing."""
    return np.asarray(np.mean([_seen(record[i], predicted[:, i]) for i in looks], axis=0))


def with_less_power(record: Record, places: Sequence[int]) -> list[Weighed | Inspected]:
    """Return the record with all looks at the strands that these records saw counting for less."""
    strands = {one.strand for one in (record[i] for i in places) if isinstance(one, Inspected)}
    return [
        replace(one, power=CONTRADICTED) if isinstance(one, Inspected) and one.strand in strands else one
        for one in record
    ]


def _seen(one: Weighed | Inspected, log_ratio: Floats) -> Floats:
    """Return ln of the chance of what one look saw, (rows,)."""

    def chance(at: tuple[float, float]) -> Floats:
        return np.asarray(1.0 / (1.0 + np.exp(-np.clip((log_ratio - math.log(at[0])) / at[1], -50, 50))))

    assert isinstance(one, Inspected)
    total = np.zeros_like(log_ratio)
    few, many = chance(FEW), chance(MANY)
    answers = {"none": 1.0 - few, "few": np.maximum(few - many, 0.0), "many": many}
    if one.bubbles is not None:
        total += np.log((1.0 - MISTAKEN) * answers[one.bubbles] + MISTAKEN / 3.0)
    for answer, at in ((one.oozes, OOZES), (one.pops, POPS)):
        if answer is not None:
            says = chance(at) if answer else 1.0 - chance(at)
            total += np.log((1.0 - MISTAKEN) * says + MISTAKEN / 2.0)
    return total


def _guessed(one: Weighed | Inspected) -> float:
    """Return ln of the chance of a look's answers from eyes that guess."""
    assert isinstance(one, Inspected)
    yes_or_no = sum(answer is not None for answer in (one.oozes, one.pops))
    return -math.log(3.0) * (one.bubbles is not None) - math.log(2.0) * yes_or_no
