"""Desiccant in closed places over a spool's record: what each charge holds already, and when it is spent.

A charge is fresh whenever the spool goes in, unless its place states when it was renewed: then it goes
on from what it held.  Spools that are replayed together share what is known of charges (``company``); what one
takes up while no spool of them is there is left out.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from gcodetool.moisture.constants import HOUR_S
from gcodetool.moisture.members import spread_over
from gcodetool.moisture.places import Surroundings, charged
from gcodetool.moisture.record import Spool

Floats = NDArray[np.float64]

IN_HOURS: Final = 48.0  # up to which a time is told in hours


class Charges:
    """The desiccant of every closed place that a spool has been in.

    Attributes
    ----------
    loads
        By place: until when that is known [s], and the water it held then, (members,) [kg].
    """

    def __init__(self, spool: Spool) -> None:
        self.spool = spool
        self.loads: dict[str, tuple[float, Floats]] = {}

    def renewals(self, box: str | None) -> tuple[float, ...]:
        """Return when a closed place's desiccant was renewed, as far as stated [s]."""
        place = self.spool.places.get(box or "")
        return () if place is None else place.desiccant_fresh_s

    def load(self, around: Surroundings, at_s: float, members: int) -> Floats | None:
        """Return the water a charge holds when the spool goes in or the place was read, (members,) [kg]; None: fresh."""
        box, air = around.box, around.reel
        if around.corrected and air.desiccant is not None:
            humid = np.minimum(1.0, np.asarray(air.members_rh_pct) / 100.0)
            held = [air.desiccant_kg * air.desiccant.content(float(one)) for one in np.ravel(humid)]
            return spread_over(np.array(held), members)
        if box is None or box not in self.loads:
            return None
        since_s, load = self.loads[box]
        load = spread_over(load, members)
        if since_s == at_s:  # not opened, or for a moment: from a box to the printer that it feeds
            return load
        stated = self.renewals(box)
        renewed = [one for one in stated if one <= at_s]
        return load if stated and (not renewed or max(renewed) < since_s) else None

    def renew(self, box: str) -> None:
        """Take a charge as fresh from now on."""
        self.loads.pop(box, None)

    def look(
        self,
        around: Surroundings,
        *,
        held_kg: Floats,
        spent_s: Floats,
        begin_s: float,
        end_s: float,
        since_s: float,
    ) -> str | None:
        """See what a charge holds after a simulation from *begin_s* to *end_s*; return a note once it is spent.

        Parameters
        ----------
        held_kg, spent_s
            What the place holds now, and when in that time its desiccant was spent, (members,).
        since_s
            When the spool went in.
        """
        air = around.reel
        if around.box is None or air.desiccant is None or not air.desiccant_kg:
            return None
        humid = 100.0 * air.activity_over(held_kg)
        held = np.interp(humid, air.desiccant.rh_pct, air.desiccant.content_wt_pct)
        self.loads[around.box] = (end_s, air.desiccant_kg * held / 100.0)
        after_s = float(np.median(spent_s))
        if not np.isfinite(after_s):
            return None
        when = _told(begin_s + after_s - since_s)
        agent = charged(self.spool.places[around.box], begin_s).agent
        hot = None if agent is None else agent.regenerate_C
        how = "" if hot is None else f"; regenerate it at {hot[0]:g} to {hot[1]:g} °C"
        limit = air.desiccant.spent_rh_pct
        return f"spent: the desiccant of {around.box}, {when}: the air over it passed {limit:g} % RH{how}"


def _told(seconds: float) -> str:
    hours = seconds / HOUR_S
    if hours < 1.0:
        return "within an hour of the spool going in"
    time = f"{hours:.0f} h" if hours < IN_HOURS else f"{hours / 24.0:.0f} days"
    return f"{time} after the spool went in"
