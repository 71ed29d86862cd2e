"""A record's prints and looks at the nozzle as evidence: what was seen, and what the members say was fed then.

The members know the record's places and weigh-ins, not its looks: those speak about the limits here.
Left out: what follows (``learning``), which spools there are (``app``).
"""

import math
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.limits.signs import WORDS, Said
from gcodetool.moisture.hydrolysis import steam_pressure
from gcodetool.moisture.record import Event, Outcome, Spool
from gcodetool.moisture.state import State
from gcodetool.profiles import Material

Floats = NDArray[np.float64]
Indices = NDArray[np.integer]

USUAL_MELT_S: Final = 20.0  # time in the melt that limits are meant for (own estimate)
GROWTH: Final = (
    0.5  # bubbles grow by diffusion, their radius with the root of time (own estimate of what that does)
)
MOST_SHIFT: Final = (
    0.7  # ln of a factor: further from what limits are meant for, the physics is too rough to be used
)
AT_A_TIME: Final = 1024  # records whose contents are sorted together


@dataclass(frozen=True, eq=False)
class Evidence:
    """One print, or one look at the nozzle.

    Attributes
    ----------
    spool, line, at_s
        Whose, of which maker's line, and when. [s since 1970-01-01 UTC]
    said
        Questions and words, as in ``signs``.
    content : (members,)
        Of the strand that was fed, in wt % of its polymer.
    weights : (members,)
        They sum to 1.
    shift
        ln of how much wetter it seems than the same content under usual conditions: a hot nozzle, a long time in the melt.
    power
        Of its chance: several looks at one strand count as one.
    """

    spool: str
    line: str | None
    at_s: float
    said: Said
    content: Floats
    weights: Floats
    shift: float = 0.0
    power: float = 1.0


@dataclass(frozen=True, eq=False)
class SpoolPrints:
    """All evidence of one spool, as columns.

    Attributes
    ----------
    places : (records,)
        Among all evidence.
    seems : (records, members)
        ln of how wet a strand seemed, in wt %.
    weights : (members,)
    said
        What was said, each set of words once, sorted.
    codes : (records,)
        Which of *said* each record says.
    """

    line: str | None
    places: Indices
    seems: Floats
    weights: Floats
    said: tuple[Said, ...]
    codes: Indices


def by_spool(evidence: Sequence[Evidence]) -> Iterator[SpoolPrints]:
    """Yield evidence as columns of each spool; spools by name."""
    found: dict[str, list[int]] = defaultdict(list)
    for i, one in enumerate(evidence):
        found[one.spool].append(i)
    for name in sorted(found):
        yield as_columns([evidence[i] for i in found[name]], found[name])


def as_columns(prints: Sequence[Evidence], places: Sequence[int]) -> SpoolPrints:
    """Return one spool's evidence as columns; *places*: of each among all evidence."""
    said = {words: i for i, words in enumerate(sorted({one.said for one in prints}))}
    codes = [said[one.said] for one in prints]
    seems = np.log(np.maximum([one.content for one in prints], 1e-9))
    seems += np.array([one.shift for one in prints])[:, np.newaxis]
    first = prints[0]
    return SpoolPrints(first.line, np.array(places), seems, first.weights, tuple(said), np.array(codes))


def middles(evidence: Sequence[Evidence]) -> list[float]:
    """Return the middle of each content. [wt %]"""
    found = np.empty(len(evidence))
    alike: dict[int, list[int]] = defaultdict(list)
    for i, one in enumerate(evidence):
        alike[one.content.size].append(i)
    for members, which in alike.items():
        for first in range(0, len(which), AT_A_TIME):
            some = which[first : first + AT_A_TIME]
            contents = np.array([evidence[i].content for i in some])
            order = contents.argsort(axis=1)
            weights = np.take_along_axis(np.array([evidence[i].weights for i in some]), order, 1)
            middle = (weights.cumsum(axis=1) < 0.5).sum(axis=1).clip(max=members - 1)
            at = np.arange(len(some))
            found[some] = contents[at, order[at, middle]]
    return [float(each) for each in found]


def of_spool(spool: Spool, state_of: Callable[[Spool], State]) -> list[Evidence]:
    """Return what a record says about its material's limits.

    Parameters
    ----------
    state_of
        Replays a record and says how wet it is in the end; without a snapshot, for the prints on the way are asked for.

    Raises
    ------
    SpoolError
        The record does not say what is needed.
    """
    if not tells(spool):
        return []
    state = state_of(only_seen(spool))
    # what was printed before a sample was cut off is the reel's to tell
    told = [one for one in state.printed if words_of(one.outcome) and one.at_s >= spool.own_from_s]
    looks = [one.strand for one in told]
    return [
        Evidence(
            spool.id,
            spool.line,
            one.at_s,
            words_of(one.outcome),
            of_polymer(spool, 100.0 * one.content),
            state.weights,
            seems_wetter(spool.material, one.outcome),
            1.0 / looks.count(one.strand),
        )
        for one in told
    ]


def as_it_stands(state: State) -> Evidence | None:
    """Return a spool as a print of it would find it, nothing said yet; None: it is empty."""
    content = of_polymer(state.spool, state.next_fed_wt_pct)
    if np.isnan(content).any():
        return None
    return Evidence(state.spool.id, state.spool.line, state.as_of_s, (), content, state.weights)


def of_polymer(spool: Spool, wt_pct: Floats) -> Floats:
    """Return a strand's content over its polymer alone: that is what limits are meant for. [wt %]"""
    return wt_pct / spool.polymer_share


def tells(spool: Spool) -> bool:
    """Return whether a record has prints or looks at the nozzle."""
    return any(_as_outcome(event).kind == "outcome" for event in spool.events)


def only_seen(spool: Spool) -> Spool:
    """Return the record with its looks at the nozzle as outcomes, from which the spool's own water is not learned."""
    return replace(spool, events=tuple(_as_outcome(event) for event in spool.events))


def _as_outcome(event: Event) -> Event:
    looked = event.bubbles, event.oozes, event.pops
    if event.kind != "inspected" or all(each is None for each in looked):
        return event
    said = Outcome(bubbles=event.bubbles, oozes=event.oozes, pops=event.pops)
    return replace(event, kind="outcome", outcome=said, bubbles=None, oozes=None, pops=None)


def words_of(outcome: Outcome) -> Said:
    """Return the words that speak of water; none where something else is blamed."""
    if outcome.because == "other":
        return ()
    said = ((key, getattr(outcome, key)) for key in WORDS)
    return tuple(
        (key, WORDS[key][value] if isinstance(value, bool) else value)
        for key, value in said
        if value is not None
    )


def seems_wetter(material: Material, outcome: Outcome) -> float:
    """Return ln of how much wetter a strand seems by nozzle temperature and time in the melt; 0: nothing is known.

    Water pushes with its steam's pressure, and what it pushes needs time to grow.  Limits are meant for the middle of
    the material's nozzle range and USUAL_MELT_S.
    """
    found = 0.0
    if outcome.nozzle_C is not None:
        middle = (material.nozzle_min_C + material.nozzle_max_C) / 2.0
        found += math.log(steam_pressure(outcome.nozzle_C) / steam_pressure(middle))
    if outcome.melt_s is not None:
        found += GROWTH * math.log(outcome.melt_s / USUAL_MELT_S)
    return max(-MOST_SHIFT, min(MOST_SHIFT, found))
