"""The highest sensible drying temperature: the least of what polymer, reel and dryer stand.

A dryer's air swings about its mean, so the mean stays that much below every limit.  All limits are of true air,
the dryer's too; what its knob must be set to follows from how far it is off.  Reels that share a dryer share its
temperature: the coolest of their limits.  Left out: the hours, and what the air can reach
(``plan``).
"""

import math
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from gcodetool import profiles
from gcodetool.drying.device import Device
from gcodetool.moisture.record import Spool
from gcodetool.profiles import Material

BELOW_SOFTENING_K: Final = 5.0  # at least: more where a dryer's air is less well known
POLYAMIDE_AIR_C: Final = 90.0  # polyamides yellow in hotter air (handbook, recalled)
POLYAMIDE: Final = re.compile(r"PA(?![A-Z])|NYLON|POLYAMIDE", re.IGNORECASE)


# What a limit is of: the polymer, its reel (perhaps taken as the most delicate), the dryer, the user's wish, or another
# reel in the same dryer.
LimitOf = Literal["polymer", "reel", "unknown-reel", "dryer", "wish", "company"]
REELS: Final[frozenset[LimitOf]] = frozenset({"reel", "unknown-reel"})
DEVICES: Final[frozenset[LimitOf]] = frozenset({"dryer", "wish"})


@dataclass(frozen=True)
class Bound:
    """One stated limit: at most so hot [°C], whose it is in words, and what it is of."""

    limit_C: float
    whose: str
    of: LimitOf = "polymer"


@dataclass(frozen=True)
class SetPoint:
    """What to run a dryer at.

    Attributes
    ----------
    temperature_C
        Of its air, on average.
    knob_C
        What its knob must show for that; None where nothing is to be set.
    binding
        The limit that decides.
    bounds
        Every limit, the lowest first.
    possible
        False: even at its coolest this dryer, in this room, would pass a limit.
    """

    temperature_C: float
    knob_C: float | None
    binding: Bound
    bounds: tuple[Bound, ...]
    possible: bool = True


def is_polyamide(material: Material) -> bool:
    """Return whether a material is a polyamide, by its names.

    >>> is_polyamide(profiles.material("PA6_66")), is_polyamide(profiles.material("PLA"))
    (True, False)
    """
    words = (material.key, material.name, *material.aliases)
    return any(POLYAMIDE.match(word) for word in words)


def stated(spool: Spool, accuracy_C: float | None = None) -> list[Bound]:
    """Return the limits of polymer and reel; an unknown reel counts as the most delicate one.

    Softening is kept off by BELOW_SOFTENING_K, or by how well the air is known (*accuracy_C*), if that is more.
    """
    below_K = max(BELOW_SOFTENING_K, accuracy_C or 0.0)
    material = spool.material
    # a file that states no highest drying temperature means the one it states
    at_most = material.dry_at_C if material.dry_at_max_C is None else material.dry_at_max_C
    found = [Bound(at_most, f"the highest drying temperature of {material.key}")]
    if material.softening_C is not None:
        found.append(
            Bound(
                material.softening_C - below_K,
                f"{below_K:g} K below the softening of {material.key}",
            )
        )
    if is_polyamide(material):
        found.append(Bound(POLYAMIDE_AIR_C, "polyamides yellow in hotter air"))
    body = spool.body.profile
    if body is not None:
        found.append(Bound(body.safe_C, f"the reel ({body.key.replace('_', ' ')})", "reel"))
    elif spool.winding != "loose":  # a loose coil has none
        least = profiles.most_delicate_body()
        delicate = "a reel of unknown material: taken as the most delicate"
        found.append(Bound(least.safe_C, delicate, "unknown-reel"))
    return found


def bounds(spool: Spool) -> Sequence[tuple[float, str]]:
    """Return every limit that holds without a dryer in view: [°C], and whose it is.

    The profile's usual drying temperature is among them: where nothing is known of the dryer, there is
    no reason to go above it.
    """
    usual = (spool.material.dry_at_C, f"the profile's drying temperature of {spool.material.key}")
    return [usual, *((bound.limit_C, bound.whose) for bound in stated(spool))]


def shared_bounds(spools: Sequence[Spool], accuracy_C: float | None = None) -> list[Bound]:
    """Return the limits of reels that are in a dryer too, each with its name."""
    return [
        Bound(bound.limit_C, f"{spool.id} in it too: {bound.whose}", "company")
        for spool in spools
        for bound in stated(spool, accuracy_C)
    ]


def highest(spool: Spool) -> tuple[float, str]:
    """Return the highest sensible drying temperature in an unknown dryer [°C], and what binds it."""
    return min(bounds(spool), key=lambda bound: bound[0])


def set_point(
    spool: Spool,
    device: Device,
    *,
    at_most_C: float | None = None,
    relieved: Collection[LimitOf] = (),
    shared: Sequence[Bound] = (),
) -> SetPoint:
    """Return the highest sensible temperature of *device* for *spool*.

    Its mean and its swing together stay at or below every limit.  Settings are rounded down to whole degrees.

    Parameters
    ----------
    spool, device
        What is dried, and in what.
    at_most_C
        The user's own wish; never raises anything.
    relieved
        Kinds of limit (`Bound.of`) that are not to count: what another dryer or another reel would allow.
    shared
        Limits of other reels in it.
    """
    swing = device.swing_C
    found = [(bound, bound.limit_C - swing) for bound in (*stated(spool, device.accuracy_C), *shared)]
    if device.max_temperature_C is not None:
        most = Bound(device.max_temperature_C, f"the most that {device.name} allows", "dryer")
        # its air goes above the mean by the swing, and no peak may pass the limit
        found.append((most, device.max_temperature_C - swing))
    elif device.reached_C is not None and device.adjustable:
        known = Bound(device.reached_C, f"as hot as {device.name} is known to get", "dryer")
        found.append((known, device.reached_C))
    if at_most_C is not None:
        found.append((Bound(at_most_C, "your own wish", "wish"), at_most_C))
    found = [one for one in found if one[0].of not in relieved]
    listed = tuple(sorted((bound for bound, _ in found), key=lambda bound: bound.limit_C))
    binding, mean_C = min(found, key=lambda one: one[1])
    if not device.adjustable:
        own = device.reached_C if device.reached_C is not None else device.room_C
        return SetPoint(own, None, binding, listed, possible=own <= mean_C)
    if mean_C in (device.reached_C, device.runs_C):  # as it is set now, or was
        knob = mean_C + device.set_offset_C
    else:
        # a knob has whole degrees, and rounding up would pass a limit
        knob = float(math.floor(mean_C + device.set_offset_C + 1e-9))
        mean_C = knob - device.set_offset_C
    return SetPoint(mean_C, knob, binding, listed, possible=mean_C > device.room_C)
