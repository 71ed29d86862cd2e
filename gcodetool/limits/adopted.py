"""Limits of one's own as a material file: the same file with other limits, and where they come from.

Left out: where it is kept and who asks for it (``app.limits``), how limits are learned (``learning``).
"""

import re
from dataclasses import dataclass
from typing import Final

from gcodetool.limits.evidence import USUAL_MELT_S
from gcodetool.limits.learning import Learned, LimitBand
from gcodetool.moisture.hydrolysis import chain_loss, chains_of
from gcodetool.profiles import Material
from gcodetool.tomlfile import toml_text

# A tenth off the mean chain length shows in strength tests, and even the slowest rate that is thought possible would
# have taken it: more water than that is damage, however clean the print looks (own estimate).
DAMAGE_SHARE: Final = 0.1
REPLACED: Final = (  # keys that an adopted file states anew
    "limit_good_wt_pct",
    "limit_marginal_wt_pct",
    "limit_marginal_x_room_equilibrium",
    "limit_note",
    "confidence_limits",
)


@dataclass(frozen=True)
class Bounded:
    """The limits to adopt [wt %], and what held the marginal one back; None: nothing did."""

    good: LimitBand
    marginal: LimitBand
    bound_wt_pct: float | None
    held_back: str | None


def damage_begins_wt_pct(material: Material) -> float | None:
    """Return the content at which water surely cuts chains that count; None: none does, or nobody knows how fast.

    DAMAGE_SHARE of the mean chain length in USUAL_MELT_S in the middle of the nozzle range, at the slowest rate of
    ``hydrolysis``; no less than the stated marginal limit, which stands on experience.
    """
    chains = chains_of(material.key) if material.hydrolyses else None
    if chains is None:
        return None
    slow = chains.faster(1.0 / chains.factor)
    middle = (material.nozzle_min_C + material.nozzle_max_C) / 2.0
    low, high = 0.0, 100.0
    for _ in range(50):
        between = (low + high) / 2.0
        lost = chain_loss(slow, between, middle, USUAL_MELT_S)
        low, high = (between, high) if lost < DAMAGE_SHARE else (low, between)
    return None if high > material.uptake_saturation_wt_pct else max(high, stated_limits(material)[1])


def stated_limits(material: Material) -> tuple[float, float]:
    """Return the good and the marginal limit as the profile's maker states them, whatever was adopted. [wt %]"""
    own = material.adopted
    if own is None:
        return material.limit_good_wt_pct, material.limit_marginal_wt_pct
    return own.stated_good_wt_pct, own.stated_marginal_wt_pct


def bounded(material: Material, found: Learned) -> Bounded:
    """Return the limits to adopt: those learned, good below marginal, neither beyond where damage begins."""
    bound = damage_begins_wt_pct(material)
    marginal = found.marginal
    held_back = None
    if bound is not None and marginal.p90 > bound:
        if marginal.p50 > bound:
            held_back = (
                f"prints look good up to {marginal.p50:.3f} wt %, but beyond {bound:.3f} wt % the melt loses a tenth of "
                "its chain length at least (estimated), which no eye sees: the marginal limit stays there"
            )
        marginal = LimitBand(*(min(bound, each) for each in (marginal.p10, marginal.p50, marginal.p90)))
    good = LimitBand(*(min(low, high) for low, high in zip(_of(found.good), _of(marginal), strict=True)))
    return Bounded(good, marginal, bound, held_back)


def _of(band: LimitBand) -> tuple[float, float, float]:
    return band.p10, band.p50, band.p90


def file_text(
    original: str, stated: tuple[float, float], limits: Bounded, *, records: int, on: str, line: str | None
) -> str:
    """Return a material file with limits of one's own in place of its own.

    Parameters
    ----------
    original
        The text of the profile as its maker wrote it.
    stated
        Its limits. [wt %]
    records, on, line
        How many prints they rest on, the day (YYYY-MM-DD), the maker's line that they hold for.
    """
    head, mark, tables = original.partition("\n[")
    if re.search(r"^\[adopted\]", original, re.MULTILINE):
        raise ValueError("the original has adopted limits already")
    kept = [row for row in head.split("\n") if row.split("=")[0].strip() not in REPLACED]
    source = f"own prints, {records} {'record' if records == 1 else 'records'}"
    good, marginal = limits.good, limits.marginal
    added = [
        f"limit_good_wt_pct = {good.p50:.6g}",
        f"limit_marginal_wt_pct = {marginal.p50:.6g}",
        f'confidence_limits = "{source}"',
    ]
    adopted = [
        "[adopted] # 'gcodetool limits drop' takes this back",
        f'source = "{source}"',
        f"records = {records}",
        f'on = "{on}"',
        *([] if line is None else [f"line = {toml_text(line)}"]),
        f"stated_good_wt_pct = {stated[0]:.6g}",
        f"stated_marginal_wt_pct = {stated[1]:.6g}",
        f"p10 = {marginal.p10:.6g} # of the marginal limit",
        f"p90 = {marginal.p90:.6g}",
        f"good_p10 = {good.p10:.6g}",
        f"good_p90 = {good.p90:.6g}",
    ]
    body = "\n".join([*kept, *added, "", *adopted]).rstrip("\n")
    return body + "\n" + (f"{mark}{tables}" if mark else "")
