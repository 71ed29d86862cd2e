"""Which air a job is printed in: the stated place, else the printer's, else where the spool is.

A spool that now stands in a dryer or a sealed bag will be printed elsewhere; whatever is assumed is said.
"""

from typing import TYPE_CHECKING, Final

from gcodetool.errors import UsageError
from gcodetool.moisture.air import room_air
from gcodetool.moisture.history import ROOM_C, ROOM_RH_PCT, State, Surroundings, surroundings
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from gcodetool.moisture.record import Place, Spool
    from gcodetool.profiles import Printer

KEEPS: Final = ("dryer", "sealed")  # kinds of place that nothing is printed from
ROOM_AIR: Final = ("open", "printer")


@dataclass(frozen=True)
class PrintAir:
    """The air of a print, or of the room that a spool is taken out to.

    Attributes
    ----------
    air : around reel and path.
    words : the same for people.
    keeps : the spool now stands where it dries or is kept dry.
    cautions : what was assumed.
    assumed : no place states it.
    """

    air: Surroundings
    words: str
    keeps: bool
    cautions: tuple[str, ...] = ()
    assumed: bool = False


def air_of_print(
    spool: "Spool", state: State, *, at_s: float, place: str | None = None, printer: "Printer | None" = None
) -> PrintAir:
    """Return the air that a job is printed in.

    Raises
    ------
    UsageError
        The record has no place of that name.
    SpoolError
        A place does not state its air.
    """
    keeps = stands_in(spool, state, KEEPS)
    if place is not None:
        check_place(spool, place)
        return air_of_place(spool, state, place, at_s, keeps)
    if printer is not None:
        for name, each in spool.places.items():
            if each.kind == "printer" and printer.name in (name, each.printer):
                return air_of_place(spool, state, name, at_s, keeps)
    return (
        air_of_room(spool, state, at_s=at_s)
        if keeps
        else air_of_place(spool, state, state.place, at_s, keeps)
    )


def check_place(spool: "Spool", place: str) -> None:
    """Refuse the name of a place that a record has not; errors as above."""
    if place in spool.places:
        return
    import difflib

    near = difflib.get_close_matches(place, spool.places, n=1)
    known = ", ".join(sorted(spool.places)) or "none"
    offer = f"did you mean '{near[0]}'?" if near else f"it has {known}"
    raise UsageError(f"--place '{place}': the record of {spool.id} has no such place; {offer}")


def air_of_room(spool: "Spool", state: State, *, at_s: float) -> PrintAir:
    """Return the air of the room where a spool would be printed: where it stands, if that is in room air.

    Out of a dryer, a bag or a box: the room of that place, else where it stood in the open last, else an
    assumed one.
    """
    keeps = stands_in(spool, state, KEEPS)
    now = spool.places.get(state.place)
    if now is None or is_room_air(now):
        return air_of_place(spool, state, state.place, at_s, keeps)
    room = now.room or last_open(spool, state.as_of_s)
    if room is not None:
        told = f"in {now.name} now; printed in the air of {room}, assumed"
        return air_of_place(spool, state, room, at_s, keeps, told)
    air = room_air(ROOM_C, ROOM_RH_PCT)
    if state.doubts is not None:
        air = state.doubts.assumed(air)
    told = f"printed at {ROOM_C:g} °C and {ROOM_RH_PCT:g} % RH, assumed: name the place with --place"
    words = f"{ROOM_C:g} °C, {ROOM_RH_PCT:g} % RH, assumed"
    return PrintAir(Surroundings(air, air), words, keeps, (f"in {now.name} now; {told}",), assumed=True)


def air_of_place(
    spool: "Spool", state: State, place: str, at_s: float, keeps: bool, caution: str | None = None
) -> PrintAir:
    """Return the air of one place of the record."""
    around = surroundings(spool, place, at_s, state.doubts)
    words = f"{place}, {around.reel.temperature_C:.0f} °C, {around.reel.rh_pct:.0f} % RH"
    if around.reel.closed:
        words = f"{place}, closed, {around.reel.temperature_C:.0f} °C"
    return PrintAir(around, words, keeps, () if caution is None else (caution,))


def stands_in(spool: "Spool", state: State, kinds: tuple[str, ...]) -> bool:
    """Return whether a spool stands in a place of one of these kinds."""
    now = spool.places.get(state.place)
    return now is not None and now.kind in kinds


def last_open(spool: "Spool", at_s: float) -> str | None:
    """Return the open place or printer that the spool stood in last, else any that the record has."""
    for event in reversed(spool.events):
        if event.at_s <= at_s and event.place in spool.places and is_room_air(spool.places[event.place]):
            return event.place
    return next((name for name, each in spool.places.items() if is_room_air(each)), None)


def is_room_air(place: "Place") -> bool:
    """Return whether a place is in room air."""
    return place.kind in ROOM_AIR
