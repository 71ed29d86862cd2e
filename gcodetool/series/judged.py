"""Prints of a series that say how wet is too wet: those that are clearly as good as dried ones, or clearly worse.

The plan's own words decide what worse is: by more than its smallest difference that matters.  ``docs/limits.md`` has
the rule.  Left out: what it says of limits (``limits.evidence``), and whether a difference is shown (``findings``).
"""

import math
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from gcodetool.series.planfile import SEEN, Quantity, SeriesPlan
from gcodetool.series.record import PrintRecord, SeriesRecord
from gcodetool.series.statistics import log_spread, within_groups

Tested = Literal["holds", "worse"]
Bubbles = Literal["none", "few", "many"]
Key = tuple[str, int]  # a print: state and number
WORDS: Final[Mapping[float, Bubbles]] = {0.0: "none", 1.0: "few", 2.0: "many"}
YES: Final[Mapping[float, bool]] = {0.0: False, 1.0: True}


@dataclass(frozen=True)
class JudgedPrint:
    """What one print says; None: nothing.

    Attributes
    ----------
    tested
        Whether it is as good as dried ones, by all that was measured and rated.
    bubbles, oozes, pops
        As an inspection has them, where they were typed as results.
    """

    made: PrintRecord
    tested: Tested | None = None
    bubbles: Bubbles | None = None
    oozes: bool | None = None
    pops: bool | None = None


def judged_prints(record: SeriesRecord) -> list[JudgedPrint]:
    """Return what prints say, by the values that were noted as results; those that say nothing are left out.

    A print of another file, of another reel, or that nobody prepared says nothing.
    """
    made = {
        key: one
        for key, one in record.latest.items()
        if one.sha256 == record.sha256 and one.reel == record.reel
    }
    tested = _tested(record, set(made))
    found = []
    for key, one in sorted(made.items()):
        said = JudgedPrint(
            one,
            tested.get(key),
            WORDS.get(_seen(record, key, "bubbles")),
            YES.get(_seen(record, key, "oozes")),
            YES.get(_seen(record, key, "pops")),
        )
        if said != JudgedPrint(one):
            found.append(said)
    return found


def _seen(record: SeriesRecord, key: Key, name: str) -> float:
    """Return what was typed of a quantity that eyes see, as a step of its scale; nan: nothing."""
    values = [one.value for one in record.counted if one.key[:2] == key and one.quantity == name]
    return math.floor(float(np.mean(values)) + 0.5) if values else math.nan


def _tested(record: SeriesRecord, counted: Collection[Key]) -> dict[Key, Tested]:
    """Return of prints whether they are as good as those of the reference, if that was dried; worse in one is worse."""
    plan = record.plan
    if all(state.dryer is None for state in plan.way(plan.reference)):
        return {}
    said: dict[Key, list[Tested]] = {}
    for quantity in plan.quantities.values():
        if quantity.name not in SEEN:
            for key, word in _against_dried(record, quantity, counted):
                said.setdefault(key, []).append(word)
    return {key: "worse" if "worse" in words else "holds" for key, words in said.items()}


def _against_dried(
    record: SeriesRecord, quantity: Quantity, counted: Collection[Key]
) -> Iterator[tuple[Key, Tested]]:
    """Yield of prints whether one quantity is clearly worse than dried by more than matters, or clearly not.

    Clearly: by more than the standard deviation of the difference between a print and the mean of the dried ones.
    """
    plan = record.plan
    values: dict[Key, list[float]] = {}
    for value in record.counted:
        if value.quantity == quantity.name and value.key[:2] in counted:
            values.setdefault(value.key[:2], []).append(value.value)
    logarithmic = quantity.scale is None and all(one > 0 for each in values.values() for one in each)
    levels = {
        key: math.log(mean) if logarithmic else mean
        for key, mean in ((key, float(np.mean(each))) for key, each in values.items())
    }
    dried = [level for (state, _), level in levels.items() if state == plan.reference]
    spread, df = within_groups(
        [[level for (of, _), level in levels.items() if of == state] for state in plan.states]
    )
    if df < 1 and logarithmic and quantity.spread is not None:
        spread = log_spread(quantity.spread)
    if not dried or math.isnan(spread):
        return
    base = float(np.mean(dried))
    error, matters = spread * math.sqrt(1.0 + 1.0 / len(dried)), _matters(plan, quantity, base, logarithmic)
    for key, level in levels.items():
        lost = base - level if quantity.better == "higher" else level - base
        if key[0] != plan.reference and abs(lost - matters) > error:
            yield key, "worse" if lost > matters else "holds"


def _matters(plan: SeriesPlan, quantity: Quantity, base: float, logarithmic: bool) -> float:
    """Return how much worse matters, as a level."""
    if quantity.scale is not None:
        return plan.smallest * (quantity.scale[1] - quantity.scale[0])
    if logarithmic:
        return -math.log1p(-plan.smallest) if quantity.better == "higher" else math.log1p(plan.smallest)
    return plan.smallest * abs(base)
