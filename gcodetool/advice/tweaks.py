"""Small settings that may help marginal stock through: suggestions with their bounds inside.

Simple rules, each bounded by what is stated of material, hot end and printer.  Left out: any
promise.  Lower heat means less steam pressure and slower hydrolysis, longer retraction means
fewer strings; neither makes wet filament dry.
"""

from collections.abc import Sequence
from typing import Final

from gcodetool.advice.findings import Tweak
from gcodetool.profiles import Material, Printer

MOST_COOLER_C: Final = 10.0  # largest step down; estimated: beyond it bonding suffers more than steam does
MOST_LONGER: Final = 0.3  # largest share of the retraction length to add; estimated
USUAL_FLOW_MM3_S: Final = (
    11.0  # rated flow of a common hot end, assumed where the printer states none; estimated
)
FLEXIBLE: Final = ("TPU", "TPE", "TPC")  # retraction jams a soft strand in the drive gear


def suggest(
    material: Material,
    *,
    good: float,
    marginal: float,
    worst: float,
    nozzle_C: float | None,
    retract_mm: float | None,
    flow_mm3_s: float | None,
    printer: Printer | None = None,
) -> Sequence[Tweak]:
    """Return what may help a strand between its two limits.

    Parameters
    ----------
    good, marginal, worst : the limits, and the worst content that arrives. [wt %]
    nozzle_C : the file's temperature after the first layer; None = not known. [°C]
    retract_mm : the file's retraction; None or 0 = none to lengthen. [mm]
    flow_mm3_s : high flow that the job asks for (95th percentile); None = not known. [mm³/s]

    Returns
    -------
    Nothing where the strand is dry, or too wet for tweaks to cover.
    """
    if worst <= good or worst > marginal:
        return []
    share = (worst - good) / (marginal - good) if marginal > good else 1.0
    found = [
        cooler(material, share, nozzle_C=nozzle_C, flow_mm3_s=flow_mm3_s, printer=printer),
        longer(material, share, retract_mm=retract_mm, printer=printer),
    ]
    return [tweak for tweak in found if tweak is not None]


def cooler(
    material: Material,
    share: float,
    *,
    nozzle_C: float | None,
    flow_mm3_s: float | None,
    printer: Printer | None,
) -> Tweak | None:
    """Return a lower nozzle temperature, above the bonding floor and above what the flow needs."""
    if nozzle_C is None or flow_mm3_s is None:
        return None
    bond = material.nozzle_min_C if material.nozzle_bond_min_C is None else material.nozzle_bond_min_C
    stated = None if printer is None else printer.hot_end.max_flow_mm3_s
    use = min(1.0, flow_mm3_s / (stated or USUAL_FLOW_MM3_S))
    # estimated: no flow needs the bonding floor only, the rated flow needs the top of the window
    floor = bond + use * (material.nozzle_max_C - bond)
    lower = max(floor, nozzle_C - MOST_COOLER_C * max(share, 0.3))
    step = float(int(nozzle_C - lower))
    if step < 2:
        return None
    held = (
        "the bonding floor"
        if use * (material.nozzle_max_C - bond) < 1
        else f"a flow of {flow_mm3_s:.1f} mm³/s"
    )
    return Tweak(
        "nozzle temperature",
        nozzle_C,
        nozzle_C - step,
        "°C",
        f"less steam pressure and slower hydrolysis; not below {floor:.0f} °C for {held}",
    )


def longer(
    material: Material, share: float, *, retract_mm: float | None, printer: Printer | None
) -> Tweak | None:
    """Return a longer retraction, within the printer's stated bound; never for soft strands."""
    bound = None if printer is None else printer.retraction.max_length_mm
    if not retract_mm or bound is None or material.key.upper().startswith(FLEXIBLE):
        return None
    after = min(bound, retract_mm * (1 + MOST_LONGER * max(share, 0.3)))
    after = int(after * 20) / 20  # steps of 0.05 mm, downwards: the bound holds
    if after - retract_mm < 0.05 - 1e-9:
        return None
    return Tweak(
        "retraction length",
        retract_mm,
        after,
        "mm",
        f"wet strands ooze and string; not beyond the printer's stated {bound:g} mm",
    )
