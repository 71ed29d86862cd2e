"""Whether a spool was too hot, by its record, and whether anybody has looked at its winding since.

Too hot is what polymer or reel do not stand without changing their shape: air above the softening of the polymer
or above what the reel is safe to, or a free end of strand that sagged.  A reel of unknown material is taken as the
most delicate one, and that is said.
Left out: what a dryer may be set to (``drying.limits``), which keeps further below.
"""

import itertools
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Final, Literal

from gcodetool import profiles
from gcodetool.moisture.dryer_runs import as_run, changes
from gcodetool.moisture.stays import stays
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from gcodetool.moisture.record import Spool

Sign = Literal["softening", "reel", "free-end", "deformed"]

WARM_C: Final = 40.0  # up to here nothing gives way: the softest reel stands 45
LEAST_S: Final = 300.0  # a shorter stay hardly warms the outermost turns through (own estimate)


@dataclass(frozen=True)
class HeatDamage:
    """A sign that a winding may not run off freely any more.

    Attributes
    ----------
    sign
        ``softening``, ``reel``: a stay in hotter air than that.  ``free-end``: a free end of strand sagged.
        ``deformed``: somebody looked, and the winding is.
    at_s
        When it began, or was seen. [s since 1970]
    place, seconds, air_C, limit_C
        Of a stay: where, how long, how hot, and what it should have stayed below.
    what
        Whose limit it is: the polymer's or the reel's name.
    assumed
        The reel's material is not stated; *what* is what it was taken as.
    """

    sign: Sign
    at_s: float
    place: str = ""
    seconds: float = 0.0
    air_C: float = 0.0
    limit_C: float = 0.0
    what: str = ""
    assumed: bool = False


def heat_damage(spool: "Spool", at_s: float) -> HeatDamage | None:
    """Return the worst sign of heat since the winding was last found good; None: there is none.

    Eyes count first: a deformed winding, then a free end that sagged, then the stay that was furthest above a limit;
    of an assumed one only where no stated one was passed.
    """
    looks = [event for event in spool.events if event.at_s <= at_s and event.kind == "inspected"]
    good_s = max((event.at_s for event in looks if event.winding == "good"), default=None)
    since = [event for event in looks if good_s is None or event.at_s > good_s]
    for event in reversed(since):
        if event.winding == "deformed":
            return HeatDamage("deformed", event.at_s)
    for event in reversed(since):
        if event.free_end == "sags":
            return HeatDamage("free-end", event.at_s, place=_place_at(spool, event.at_s))
    found = list(_stays_above(spool, at_s, good_s))
    if not found:
        return None
    return max(found, key=lambda one: (not one.assumed, one.air_C - one.limit_C, one.seconds))


def _place_at(spool: "Spool", at_s: float) -> str:
    there = stays(spool, at_s)
    return there[-1].place if there else ""


def _stays_above(spool: "Spool", at_s: float, good_s: float | None) -> Iterator[HeatDamage]:
    """Yield the stays in air that was too hot, as far as they are later than a look that found all good."""
    limits: list[HeatDamage] | None = None
    for stay in stays(spool, at_s):
        begin_s = stay.begin_s if good_s is None else max(stay.begin_s, good_s)
        place = spool.places.get(stay.place)
        if place is None or stay.end_s <= begin_s:
            continue
        moments = [begin_s, *changes(place, begin_s, stay.end_s), stay.end_s]
        for begin, end in itertools.pairwise(moments):
            hot = as_run(spool, place, begin).temperature_C
            if hot is None or hot <= WARM_C or end - begin < LEAST_S:
                continue
            limits = limits_of_shape(spool) if limits is None else limits
            for one in limits:
                if hot > one.limit_C:
                    yield replace(one, at_s=begin, place=stay.place, seconds=end - begin, air_C=hot)


def limits_of_shape(spool: "Spool") -> list[HeatDamage]:
    """Return above what the winding changes its shape: a sign each, whose stay is still to be told."""
    found: list[HeatDamage] = []
    stock, body = spool.material, spool.body.profile
    if stock.softening_C is not None:
        found.append(HeatDamage("softening", 0.0, limit_C=stock.softening_C, what=stock.key))
    unknown = body is None and spool.winding != "loose"  # a loose coil has none
    if unknown:
        body = profiles.most_delicate_body()
    if body is not None:
        name = body.key.replace("_", " ")
        found.append(HeatDamage("reel", 0.0, limit_C=body.safe_C, what=name, assumed=unknown))
    return found
