"""All that is known of one material's limits, or of a maker's line of it; and how that is put together."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from gcodetool.limits.adopted import Bounded, bounded, stated_limits
from gcodetool.limits.evidence import Evidence, by_spool
from gcodetool.limits.influence import Moved, Records, contradicted, heard, in_short, with_less_power
from gcodetool.limits.learning import Learned, binned, learned_of
from gcodetool.limits.next_try import Try, best_content, tries
from gcodetool.profiles import Adopted, Material

LEAST_RECORDS: Final = 5  # fewer say too little to judge every later job by
PASSES: Final = 2  # what contradicts shows better without what contradicts most


@dataclass(frozen=True, eq=False)
class LimitsFindings:
    """Limits of a material, stated and learned.

    Attributes
    ----------
    material, name, line
        The profile's key, its name in plain words, and the maker's line asked for.
    stated
        The good and the marginal limit as the profile's maker states them. [wt %]
    adopted
        What verdicts use now in their place; None: the stated ones.
    learned
        By all evidence.
    to_adopt
        What adopting would take over.
    records
        Each with how far it moved the limits, by time; that is worked out for those that are looked at.
    contradicted
        Those of them that the others contradict; they count for little.
    tries
        Spools that one more print of would tell most, the best one first.
    best_wt_pct
        The content at which a print would tell most.
    """

    material: str
    name: str
    line: str | None
    stated: tuple[float, float]
    adopted: Adopted | None
    learned: Learned
    to_adopt: Bounded
    records: Sequence[Moved]
    contradicted: frozenset[int]
    tries: tuple[Try, ...]
    best_wt_pct: float


def findings(
    material: Material,
    used: Material,
    evidence: Sequence[Evidence],
    candidates: Sequence[Evidence],
    *,
    line: str | None,
) -> LimitsFindings:
    """Return what prints say about a material's limits.

    Parameters
    ----------
    material
        As its maker states it.
    used
        As verdicts use it now.
    evidence
        Of all its spools; a line learns from the others, too.
    candidates
        Spools as they stand, for what to try next.
    """
    ordered = sorted(evidence, key=lambda one: (one.at_s, one.spool))
    limits = (material.limit_good_wt_pct, material.limit_marginal_wt_pct)
    own = np.array([one.power for one in ordered])
    records, told = [], []
    for one in by_spool(ordered):
        records.append(binned(one, limits))
        told.append(in_short(one))
    powers, spools = own, []
    found = learned_of(records, own, limits, line=line, roughly=True)
    if ordered:
        spools = heard(told, found)
        for at in range(PASSES):
            powers = with_less_power(own, powers, spools, found)
            found = learned_of(records, powers, limits, line=line, roughly=at < PASSES - 1)
    return LimitsFindings(
        material=material.key,
        name=material.name,
        line=line,
        stated=stated_limits(material),
        adopted=used.adopted,
        learned=found,
        to_adopt=bounded(material, found),
        records=Records(ordered, powers, spools, found),
        contradicted=contradicted(own, powers),
        tries=tuple(tries(candidates, found)),
        best_wt_pct=best_content(found),
    )


def so_many(records: int) -> str:
    """Return a number of records in words.

    >>> so_many(1), so_many(3)
    ('1 record', '3 records')
    """
    return f"{records} record{'' if records == 1 else 's'}"
