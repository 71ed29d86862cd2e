"""What ``limits show`` found last, kept small, so that a check can say where it contradicts the limits that it used.

Left out: finding it (``limits``), which replays every print and is too slow for a check.
"""

import hashlib
from typing import TYPE_CHECKING, Any, Final

from gcodetool.cachefile import CacheFolder, seal, unseal
from gcodetool.judge import reasons
from gcodetool.ledger import location
from gcodetool.ledger.snapshots import shared_folder

if TYPE_CHECKING:
    from gcodetool.limits.findings import LimitsFindings
    from gcodetool.moisture.record import Spool

KIND: Final = "limits-summary/1"
SUFFIX: Final = ".limits"


def keep(found: "LimitsFindings", ledger: str | None) -> None:
    """Keep what was found of a material or line, if anything can be kept."""
    band = found.learned.marginal
    facts = {"records": len(found.records), "band": [band.p10, band.p50, band.p90]}
    folder = CacheFolder(shared_folder(), SUFFIX)
    folder.put(_key(found.material, found.line, ledger), seal(KIND, facts))


def contradiction(spool: "Spool", ledger: str | None) -> str | None:
    """Return the caution where own prints contradict the limits of a spool's material; None: they do not."""
    folder, used = CacheFolder(shared_folder(), SUFFIX), spool.material.limit_marginal_wt_pct
    for line in dict.fromkeys((spool.line, None)):
        kept = unseal(KIND, folder.get(_key(spool.material.key, line, ledger)), _built)
        if kept is not None:
            records, own = kept
            inside = own[0] <= used <= own[2]
            return (
                None
                if inside
                else reasons.limits_contradicted(spool.id, spool.material.key, records, own, used)
            )
    return None


def _built(facts: dict[str, Any], _: bytes) -> tuple[int, tuple[float, float, float]]:
    low, middle, high = (float(each) for each in facts["band"])
    return int(facts["records"]), (low, middle, high)


def _key(material: str, line: str | None, ledger: str | None) -> str:
    return hashlib.sha256(f"{location.place_of(ledger)}\n{material}\n{line or ''}".encode()).hexdigest()[:40]
