"""The highest sensible drying temperature: the least of what polymer and reel stand.

Left out: the dryer's own limit and swing, the hours, and what the air can reach; a drying plan
is another matter.
"""

from collections.abc import Sequence
from typing import Final

from gcodetool import profiles
from gcodetool.moisture.record import Spool

BELOW_SOFTENING_K: Final = 5.0


def bounds(spool: Spool) -> Sequence[tuple[float, str]]:
    """Return every upper limit that is stated for a spool: [°C], and whose it is."""
    material = spool.material
    found = [(material.dry_at_C, f"the profile's drying temperature of {material.key}")]
    if material.dry_at_max_C is not None:
        found.append((material.dry_at_max_C, f"the highest drying temperature of {material.key}"))
    if material.softening_C is not None:
        found.append((material.softening_C - BELOW_SOFTENING_K, f"5 K below the softening of {material.key}"))
    body = spool.body.profile
    if body is not None:
        found.append((body.safe_C, f"the reel ({body.key})"))
    else:
        every = [profiles.spool_body(name) for name in profiles.names("spool-bodies")]
        found.append(
            (min(each.safe_C for each in every), "a reel of unknown material: taken as the most delicate")
        )
    return found


def highest(spool: Spool) -> tuple[float, str]:
    """Return the highest sensible drying temperature [°C], and what binds it."""
    return min(bounds(spool), key=lambda bound: bound[0])
