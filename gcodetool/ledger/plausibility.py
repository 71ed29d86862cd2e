"""Figures of a record that cannot be: a spool lighter than its reel, more fed than there was.

They are refused when they are written, unless somebody insists, and found again by ``ledger check``.
Left out: names and times that cannot be, which nobody can insist on (``writers``).
"""

import math
from typing import Final

from gcodetool.errors import LedgerError
from gcodetool.ledger.entries import LedgerEntry
from gcodetool.ledger.records import SpoolRecord
from gcodetool.moisture.record import Spool

WATER_SHARE: Final = 0.12  # of the filament's mass: more water than any of it holds [kg/kg]
BODY_SHARE: Final = 1.1  # a card reel holds water too
FED_SLACK: Final = 1.001  # lengths are rounded
FED_SURE: Final = 0.9  # of what was fed is surely gone
HEAVIEST_BODY_G: Final = 1000.0  # of a reel that states no mass, or its net mass (own estimate)


def check_plausible(
    record: SpoolRecord, spool: Spool, *, force: bool, only: LedgerEntry | None = None
) -> list[str]:
    """Return what is odd about the figures of a record, or of one entry of it; refuse it without *force*.

    Parameters
    ----------
    spool
        The same one as the physics takes it; its events are not looked at.

    Raises
    ------
    LedgerError
        A figure cannot be, and nobody insists.
    """
    doubts = [
        text
        for number, kind, text in _doubts(record, spool)
        if only is None or number == only.number or (number is None and kind == only.kind)
    ]
    if doubts and not force:
        raise LedgerError(f"{record.id}: {doubts[0]}; correct the figure, or add --force")
    return doubts


def doubtful(record: SpoolRecord, spool: Spool) -> list[tuple[int | None, str]]:
    """Return (entry, what cannot be) of a record's figures; None = not of one entry."""
    return [(number, text) for number, _, text in _doubts(record, spool)]


def _doubts(record: SpoolRecord, spool: Spool) -> list[tuple[int | None, str, str]]:
    metre_g = spool.material.density_kg_m3 * math.pi * (spool.diameter_mm / 2e3) ** 2 * 1e3
    found = _odd_masses(record, spool, metre_g)
    fed_mm = math.fsum(_fed_g(entry, metre_g) / metre_g * 1e3 for entry in _own(record))
    held_mm = full_mm(spool)
    if fed_mm > held_mm * FED_SLACK:
        text = (
            f"{fed_mm / 1e3:.1f} m fed and cut off in all is more than the reel held ({held_mm / 1e3:.1f} m of "
            f"{spool.net_mass_g:g} g)"
        )
        found.append((None, "cut" if any(entry.kind == "cut" for entry in record.happened) else "fed", text))
    return found


def _own(record: SpoolRecord) -> list[LedgerEntry]:
    """Return what happened to a spool since it was one of its own: a sample's file tells what was before, too."""
    cuts = [i for i, entry in enumerate(record.happened) if "cut_from" in entry.facts]
    return list(record.happened[cuts[-1] + 1 if cuts else 0 :])


def _odd_masses(record: SpoolRecord, spool: Spool, metre_g: float) -> list[tuple[int | None, str, str]]:
    """Return the weigh-ins that no reel with what is left on it can have, however wet."""
    found: list[tuple[int | None, str, str]] = []
    body_g, net_g = spool.body.mass_g, spool.net_mass_g
    heaviest_g = max(HEAVIEST_BODY_G, net_g) if body_g is None else body_g * BODY_SHARE
    fed_g = 0.0
    for entry in _own(record):
        fed_g += _fed_g(entry, metre_g)
        gross_g = entry.facts.get("gross_g")
        if gross_g is None:
            continue
        most_g = heaviest_g + max(0.0, net_g - FED_SURE * fed_g) * (1.0 + WATER_SHARE)
        if body_g is not None and gross_g < body_g:
            text = f"{gross_g:g} g is less than the empty reel ({body_g:g} g)"
        elif gross_g > most_g:
            left = "the reel with all that is left on it" if fed_g else "the reel full"
            text = f"{gross_g:g} g is more than {left} and wet ({most_g:.0f} g)"
        else:
            continue
        found.append((entry.number, entry.kind, text))
    return found


def _fed_g(entry: LedgerEntry, metre_g: float) -> float:
    """Return what an entry says was fed; 0 for another kind. [g]"""
    if entry.kind != "fed" and "into" not in entry.facts:
        return 0.0
    if "length_mm" in entry.facts:
        return float(entry.facts["length_mm"]) / 1e3 * metre_g
    return float(entry.facts["mass_g"])


def full_mm(spool: Spool) -> float:
    """Return the length of strand on the full reel. [mm]"""
    density = spool.material.density_kg_m3
    if spool.fibre_wt_pct:  # numpy, which a writer has no other use for
        from gcodetool.moisture.polymer import polymer

        density = polymer(spool.material, fibre_wt_pct=spool.fibre_wt_pct).density_kg_m3
    return spool.net_mass_g / (density * math.pi / 4.0 * spool.diameter_mm**2) * 1e6
