"""Which air a job is printed in: the stated place, else the printer's, else where the spool is.

A spool that now stands in a dryer or a sealed bag will be printed elsewhere; whatever is assumed
is said.
"""

import difflib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from gcodetool.errors import UsageError
from gcodetool.moisture.air import room_air
from gcodetool.moisture.history import ROOM_C, ROOM_RH_PCT, State, Surroundings, surroundings

if TYPE_CHECKING:
    from gcodetool.moisture.record import Place, Spool
    from gcodetool.profiles import Printer


@dataclass(frozen=True)
class Here:
    """The air of the print.

    Attributes
    ----------
    air : around reel and path.
    words : the same for people.
    keeps : the spool now stands where it dries or is kept dry.
    cautions : what was assumed.
    """

    air: Surroundings
    words: str
    keeps: bool
    cautions: tuple[str, ...] = ()


def printed_in(
    spool: "Spool", state: State, *, at_s: float, place: str | None, printer: "Printer | None"
) -> Here:
    """Return the air that the job is printed in.

    Raises
    ------
    UsageError
        The record has no place of that name.
    SpoolError
        A place does not state its air.
    """
    now = spool.places.get(state.place)
    keeps = now is not None and now.kind in ("dryer", "sealed")
    if place is not None:
        if place not in spool.places:
            near = difflib.get_close_matches(place, spool.places, n=1)
            offer = (
                f"did you mean '{near[0]}'?"
                if near
                else f"it has {', '.join(sorted(spool.places)) or 'none'}"
            )
            raise UsageError(f"--place '{place}': the record of {spool.id} has no such place; {offer}")
        return here(spool, place, at_s, keeps)
    if printer is not None:
        for name, each in spool.places.items():
            if each.kind == "printer" and printer.name in (name, each.printer):
                return here(spool, name, at_s, keeps)
    if now is None or not keeps:
        return here(spool, state.place, at_s, keeps)
    if now.room is not None:
        return here(
            spool, now.room, at_s, keeps, f"in {now.name} now; printed in the air of {now.room}, assumed"
        )
    room = last_open(spool, state.as_of_s)
    if room is not None:
        return here(spool, room, at_s, keeps, f"in {now.name} now; printed in the air of {room}, assumed")
    air = room_air(ROOM_C, ROOM_RH_PCT)
    return Here(
        Surroundings(air, air),
        f"{ROOM_C:g} °C, {ROOM_RH_PCT:g} % RH, assumed",
        keeps,
        (
            f"in {now.name} now; printed at {ROOM_C:g} °C and {ROOM_RH_PCT:g} % RH, assumed: name the place with --place",
        ),
    )


def here(spool: "Spool", place: str, at_s: float, keeps: bool, caution: str | None = None) -> Here:
    """Return the air of one place of the record."""
    around = surroundings(spool, place, at_s)
    words = f"{place}, {around.reel.temperature_C:.0f} °C, {around.reel.rh_pct:.0f} % RH"
    if around.reel.closed:
        words = f"{place}, closed, {around.reel.temperature_C:.0f} °C"
    return Here(around, words, keeps, () if caution is None else (caution,))


def last_open(spool: "Spool", at_s: float) -> str | None:
    """Return the open place or printer that the spool stood in last, else any that the record has."""
    for event in reversed(spool.events):
        if event.at_s <= at_s and event.place in spool.places and airy(spool.places[event.place]):
            return event.place
    return next((name for name, each in spool.places.items() if airy(each)), None)


def airy(place: "Place") -> bool:
    """Return whether a place is in room air."""
    return place.kind in ("open", "printer")
