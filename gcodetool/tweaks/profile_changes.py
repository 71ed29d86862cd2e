"""Tweaks for a slicer's filament profile: which keys become what, and the copy that holds them.

Starts from the profile's own values, one nozzle variant at a time, and from what the spool holds.  A job
says what is asked of the hot end; without one that is assumed from the profile, and said.  The copy is
read back and compared.  Left out: the shapes of profiles (``slicerfiles``), files on disk.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from gcodetool import profiles
from gcodetool.errors import ProfileError, WriteError
from gcodetool.judge.findings import Tweak
from gcodetool.slicerfiles import shapes
from gcodetool.slicerfiles.preset import Preset, Values, number
from gcodetool.slicerfiles.quality_changes import worked_out
from gcodetool.tweaks import suggest as rules
from gcodetool.tweaks.suggest import WaterVsLimits
from gcodetool.tweaks.tool_demands import ToolDemands

if TYPE_CHECKING:
    from gcodetool.profiles import Material, Printer

CANONICAL: Final = {
    rules.NOZZLE: "nozzle_C",
    rules.FIRST_NOZZLE: "first_layer_C",
    rules.RETRACTION: "retract_mm",
    rules.RETRACTION_SPEED: "retract_mm_s",
    rules.WIPE: "wipe",
    rules.FIRST_SPEED: "first_layer_mm_s",
    rules.SLOWEST: "slowest_mm_s",
}
ASSUMED_TRAVEL_MM: Final = 60.0  # over the print, where no job says; estimated


@dataclass(frozen=True)
class KeyChange:
    """One key: its texts before (empty: the profile said nothing) and after, and the tweak behind it."""

    setting: str
    key: str
    before: Values
    after: Values
    tweak: Tweak


@dataclass(frozen=True)
class ProfileChanges:
    """What a profile would become, and what is to be said about it."""

    preset: Preset
    changes: tuple[KeyChange, ...]
    notes: tuple[str, ...] = ()
    suggested: tuple[Tweak, ...] = field(default=())  # what the profile has no key for

    @property
    def texts(self) -> dict[str, Values]:
        """The new texts by key."""
        return {change.key: change.after for change in self.changes}


def plan(
    preset: Preset,
    material: "Material",
    water: WaterVsLimits,
    *,
    asked: ToolDemands | None = None,
    printer: "Printer | None" = None,
    tool: int | None = None,
) -> ProfileChanges:
    """Return the changes that *preset* needs for a spool of *material* that holds *water*.

    Parameters
    ----------
    asked : what a job asks; None = assumed from the profile, and the notes say so.
    printer : bounds of hot end and retraction.
    tool : the one value of a per-tool list that is meant; None = all of them.
    """
    notes = list(preset.notes)
    for word in preset.texts("type"):
        said = word.strip('"')
        if said and said != "nil" and not profiles.fits(said, material):
            notes.append(
                f"the profile is for {said}, the spool is {material.key}: check that they belong together"
            )
    counts = [len(preset.texts(name)) for name in ("nozzle_C", "first_layer_C", "retract_mm")]
    count = max(1, *counts)
    found: dict[str, dict[int, Tweak]] = {}
    for at in range(count):
        if tool is not None and count > 1 and preset.shape != "json-preset" and at != tool:
            continue
        alone = count == 1 or tool == at
        own, bounded = _own(preset, at, asked, material, printer, notes, alone=alone)
        for tweak in rules.suggest(bounded, water, own, printer=printer):
            found.setdefault(tweak.setting, {})[at] = tweak
    changes, suggested = [], []
    for setting, by_element in found.items():
        name = CANONICAL[setting]
        first = next(iter(by_element.values()))
        words = preset.setting(name)
        if words is None or words.read_only:
            suggested.append(first)
            continue
        change = _change(preset, name, by_element, count, notes)
        if change is not None:
            changes.append(change)
    return ProfileChanges(preset, tuple(changes), tuple(dict.fromkeys(notes)), tuple(suggested))


def _own(
    preset: Preset,
    at: int,
    asked: ToolDemands | None,
    material: "Material",
    printer: "Printer | None",
    notes: list[str],
    *,
    alone: bool,
) -> "tuple[ToolDemands, Material]":
    """Return what is asked with element *at* of the profile's own values in it, and the material within them.

    *alone*: no other nozzle is meant, so what the job says of the printer's own values holds for this one.
    """

    def value(name: str) -> float | None:
        numbers = preset.numbers(name)
        if not numbers and preset.texts(name) == ():
            return None
        found = numbers[at] if at < len(numbers) else numbers[-1] if numbers else None
        key = preset.key_of(name)
        if found is None and key is not None and preset.shape == "quality-changes":
            found = worked_out(preset.values, key)
        return found

    base = asked or ToolDemands()
    nozzle = value("nozzle_C")
    first = value("first_layer_C")
    fan = value("fan_pct")
    wipe = value("wipe")
    flow = base.flow_mm3_s
    if asked is None:
        flow = value("max_flow_mm3_s")
        rated = None if printer is None else printer.hot_end.max_flow_mm3_s
        flow = min(flow or math.inf, rated or rules.USUAL_FLOW_MM3_S)
        notes.append(
            f"no job named: a flow of up to {flow:g} mm³/s and {ASSUMED_TRAVEL_MM:g} mm of travel over the print "
            "are assumed; --job JOB says what is asked"
        )
    zone = None if printer is None else printer.hot_end.melt_zone_mm3
    retract = value("retract_mm")
    theirs = base.retract_mm if alone else None
    if retract is None and theirs is None and preset.setting("retract_mm") is not None:
        notes.append("the printer's own retraction holds, and its length is not known here: left as it is")
    own = replace(
        base,
        nozzle_C=nozzle if nozzle is not None else base.nozzle_C,
        first_layer_C=first if first is not None else nozzle if nozzle is not None else base.first_layer_C,
        flow_mm3_s=flow,
        travel_mm=base.travel_mm if asked is not None else ASSUMED_TRAVEL_MM,
        retract_mm=retract if retract is not None else theirs,
        retract_mm_s=value("retract_mm_s") or base.retract_mm_s,
        wipe=base.wipe if wipe is None else wipe > 0,
        slowest_mm_s=value("slowest_mm_s") or base.slowest_mm_s,
        first_layer_mm_s=value("first_layer_mm_s") or base.first_layer_mm_s,
        fan=base.fan if fan is None else min(1.0, fan / 100),
        melt_zone_mm3=zone or base.melt_zone_mm3,
    )
    low = _bound(preset, at)
    if low is not None:
        bond = material.nozzle_min_C if material.nozzle_bond_min_C is None else material.nozzle_bond_min_C
        material = replace(material, nozzle_bond_min_C=max(bond, low))
    return own, material


def _bound(preset: Preset, at: int) -> float | None:
    """Return the lowest nozzle temperature that the profile itself states."""
    setting = preset.setting("nozzle_C")
    if setting is None or setting.low is None:
        return None
    texts = preset.values.get(setting.low, ())
    return number(texts[min(at, len(texts) - 1)]) if texts else None


def _change(
    preset: Preset, name: str, by_element: Mapping[int, Tweak], count: int, notes: list[str]
) -> KeyChange | None:
    key = preset.key_of(name)
    assert key is not None
    before = preset.values.get(key, ())
    first = next(iter(by_element.values()))
    if any(text.startswith("=") for text in before):
        notes.append(f"{key} is a formula ({before[0]}) and stays: it follows what it is made of")
        return None
    nil = preset.family.nil
    after = list(before)
    # a key that is new gets as many values as the profile has, those that are not meant as "the printer's"
    while len(after) < (count if nil is not None or count == 1 else 0):
        after.append(nil if nil is not None and len(by_element) < count else _text(first.after))
    if len(before) == 1 and count > 1 and len({each.after for each in by_element.values()}) == 1:
        after = [_text(first.after)]  # one text for all stays one
    else:
        for at, tweak in by_element.items():
            if at < len(after):
                after[at] = _text(tweak.after)
    if tuple(after) == before or not after:
        return None
    return KeyChange(name, key, before, tuple(after), first)


def _text(value: float) -> str:
    """Return a number as profiles write it.

    >>> _text(238.0), _text(1.05)
    ('238', '1.05')
    """
    return f"{value:.10g}"


def note_of(plan: ProfileChanges, spool: str, water: WaterVsLimits, at_s: float) -> str:
    """Return the note that stands in the copy: what changed from what, for which spool."""
    day = datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%d")
    said = ", ".join(f"{change.key} was {','.join(change.before) or 'not set'}" for change in plan.changes)
    return f"gcodetool {day} for {spool} at {water.content:.3f} wt %: {said}"


def copy_of(plan: ProfileChanges, *, name: str, note: str, at_s: float) -> dict[str, bytes]:
    """Return the copy by ending, read back and compared: what changed is what was to change.

    Raises
    ------
    ProfileError
        The shape is not written, or lacks what its copy needs.
    WriteError
        The copy does not read as it should: nothing is to be written.
    """
    made = shapes.copy_with(plan.preset, plan.texts, note=note, name=name, at_s=at_s)
    if plan.changes:
        compare(plan, made[""], name)
    return made


def compare(plan: ProfileChanges, data: bytes, name: str) -> None:
    """Read a copy back; see :func:`copy_of`."""
    before = plan.preset
    filament = name if before.shape == "bundle" else None
    # beside the original, whose parents (and for a system preset itself) it goes on from
    beside = before.path.with_name(f".{before.path.name}.copy")
    again = shapes.parse(data, beside, filament=filament)
    wanted = dict(before.values) | plan.texts
    notes = before.setting("notes")
    free = {"inherits"} | ({notes.key} if notes is not None else set())
    wrong = sorted(
        key
        for key in set(wanted) | set(again.values)
        if key not in free and wanted.get(key) != again.values.get(key)
    )
    if wrong:
        raise WriteError(
            f"{before.path}: the copy would not read back as meant ({', '.join(wrong[:3])}); "
            "please report it with the profile"
        )


def stem_of(path: Path) -> str:
    """Return the name that a profile's file gives it.

    >>> stem_of(Path("out/PETG tray, drier.inst.cfg"))
    'PETG tray, drier'
    """
    for ending in (".inst.cfg", ".xml.fdm_material"):
        if path.name.endswith(ending):
            return path.name[: -len(ending)]
    return path.stem


def check_target(preset: Preset, target: Path, sides: Sequence[Path] = ()) -> None:
    """Refuse to write over the original or anything that it was read from.

    Raises
    ------
    ProfileError
        *target* is one of them.
    """
    for each in (target, *sides):
        for source in preset.sources:
            if each.exists() and each.samefile(source):
                raise ProfileError(
                    f"{each}: is what the copy is made from, and is never written; name another file with -o"
                )
