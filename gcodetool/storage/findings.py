"""What is found about boxes: the dataclasses that reports print."""

from dataclasses import dataclass

from gcodetool.profiles import Desiccant
from gcodetool.storage.fit import BoxFit
from gcodetool.storage.size import Brought, Sized


@dataclass(frozen=True)
class FittedPlace:
    """What a place's log says of it: its name, desiccant and room; the entry that keeps it, None: it was not kept."""

    name: str
    room: str
    agent: Desiccant | None
    desiccant_g: float | None
    spools: tuple[str, ...]
    fit: BoxFit
    entry: int | None = None


@dataclass(frozen=True)
class Priced:
    """A desiccant's charge, and what it costs; None: no price was named."""

    sized: Sized
    cost: float | None


@dataclass(frozen=True)
class SizedPlace:
    """What a box needs.

    Attributes
    ----------
    name, room, at_s, until_s : which box, in which room's air, from when to when.
    exchange_per_day : of its air, openings not counted; assumed where nothing tells.
    brought : what each spool brings in.
    charges : the least charge of each desiccant, those that do first, the smallest first.
    if_dried : the same of the first one if the spools that bring water were dried first; None: none brings any.
    notes : what was assumed.
    """

    name: str
    room: str
    at_s: float
    until_s: float
    openings_per_week: float
    exchange_per_day: float
    brought: tuple[Brought, ...]
    charges: tuple[Priced, ...]
    if_dried: Sized | None
    notes: tuple[str, ...] = ()

    @property
    def dry_first(self) -> tuple[str, ...]:
        """The spools that no box keeps good, as what is fed next of them is too wet now."""
        return tuple(each.spool for each in self.brought if each.dry_first)
