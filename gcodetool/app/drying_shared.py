"""``drying plan`` for several reels, or without a dryer named: what shares a dryer, and all dryers side by side."""

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from gcodetool.app.check import SpoolWord
from gcodetool.app.drying import DryerQuestion, device_of, dryers_of_record, states_in_dryer
from gcodetool.app.resolve import Moment, clock, find_spool, snapshots_of
from gcodetool.drying.together import DryerChoice, DryingTogether, together
from gcodetool.errors import GcodetoolError, UsageError
from gcodetool.moisture.constants import HOUR_S
from gcodetool.moisture.history import State, state_at
from gcodetool.moisture.members import default_members

if TYPE_CHECKING:
    from gcodetool.moisture.record import Spool


def known_dryers(spools: Sequence[SpoolWord], *, ledger: str | None = None) -> list[str]:
    """Return the dryers that the records of all these spools know; errors as in :func:`drying_together`."""
    return dryers_of_record([find_spool(word, ledger=ledger) for word in spools])


def drying_together(
    spools: Sequence[SpoolWord],
    dryer: DryerQuestion | str | None = None,
    *,
    at: Moment = None,
    confidence: float = 0.5,
    members: int | None = None,
    cap_s: float = 72 * HOUR_S,
    at_most_C: float | None = None,
    tariff_per_kWh: float | None = None,
    ledger: str | None = None,
) -> "tuple[DryingTogether, tuple[Spool, ...]]":
    """Return what comes of drying reels together in one dryer, and the reels.

    It has one temperature, the coolest of their limits and of those that are in it already, and takes the longest
    of their times.

    Parameters
    ----------
    spools, at, confidence, members, cap_s, at_most_C, tariff_per_kWh, ledger
        As for one (``drying_plan``).
    dryer
        What they are dried in; None: the only one there is.

    Raises
    ------
    UsageError
        Names that are none, or a spool named twice.
    SpoolError
        A reel is empty, or a place does not state its air.
    """
    wanted = dryer if isinstance(dryer, DryerQuestion) else DryerQuestion(dryer)
    named = tuple(name for name in (wanted.name, wanted.room) if name is not None)
    states = _states(spools, named, at, members, ledger)
    reels = [(state, device_of(state.spool, state, wanted)) for state in states]
    inside = _inside(states, reels[0][1].place, ledger)
    found = together(
        reels,
        inside,
        confidence=confidence,
        cap_s=cap_s,
        at_most_C=at_most_C,
        tariff_per_kWh=tariff_per_kWh,
    )
    return found, tuple(state.spool for state in states)


def drying_choices(
    spools: Sequence[SpoolWord],
    dryer: DryerQuestion | None = None,
    *,
    at: Moment = None,
    confidence: float = 0.5,
    members: int | None = None,
    cap_s: float = 72 * HOUR_S,
    at_most_C: float | None = None,
    tariff_per_kWh: float | None = None,
    ledger: str | None = None,
) -> "tuple[list[DryerChoice], tuple[Spool, ...]]":
    """Return every dryer of the workshop side by side, the quickest first, and the reels.

    Arguments and errors as for :func:`drying_together`; of *dryer* the room and the power count.
    """
    wanted = DryerQuestion() if dryer is None else dryer
    states = _states(spools, () if wanted.room is None else (wanted.room,), at, members, ledger)
    dryers = dryers_of_record([state.spool for state in states])
    choices = []
    for name in dryers:
        try:
            reels = [(state, device_of(state.spool, state, replace(wanted, name=name))) for state in states]
            found = together(
                reels,
                _inside(states, name, ledger),
                confidence=confidence,
                cap_s=cap_s,
                at_most_C=at_most_C,
                tariff_per_kWh=tariff_per_kWh,
            )
        except UsageError:
            raise
        except GcodetoolError as error:
            choices.append(DryerChoice(name, None, str(error)))
            continue
        choices.append(DryerChoice(name, found))
    return sorted(choices, key=_slowness), tuple(state.spool for state in states)


def _slowness(choice: DryerChoice) -> tuple[bool, bool, float, str]:
    found = choice.found
    advised = None if found is None or not found.set_point.possible else found.advised_s
    crowded = found is not None and found.crowded
    return advised is None, crowded, advised or 0.0, choice.name


def _states(
    spools: Sequence[SpoolWord], also: tuple[str, ...], at: Moment, members: int | None, ledger: str | None
) -> list[State]:
    """Return each reel as it is now."""
    now_s, shelf_of = clock(at), snapshots_of(ledger)
    held = [find_spool(word, ledger=ledger, also=also) for word in spools]
    names = [spool.id for spool in held]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise UsageError(f"{twice} is named twice; name each spool once")
    return [state_at(spool, now_s, members=default_members(members), shelf=shelf_of(spool)) for spool in held]


def _inside(states: Sequence[State], place: str | None, ledger: str | None) -> list[State]:
    """Return who is in the dryer already, by the ledger; where the reels are files, nobody knows."""
    if place is None or not any(state.spool.in_ledger for state in states):
        return []
    asked = {state.spool.id for state in states}
    return states_in_dryer(place, states[0], without=asked, ledger=ledger)
