"""Filament profiles of all shapes: which one a file has, and who takes it apart.

:func:`read` looks at a file's content and lets the reader of that shape take it apart;
:func:`copy_with` has the same shape's writer put changed values into a copy.  Nothing here writes to
disk.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Final

from gcodetool.errors import ProfileError
from gcodetool.slicerfiles import bundle, flat_ini, json_preset, material_xml, quality_changes
from gcodetool.slicerfiles.preset import Preset, Values, number
from gcodetool.slicerfiles.settings import family_of
from gcodetool.textfile import read_bytes, text_of

WHAT: Final = "filament profile"
LARGEST: Final = {"°C": 600.0, "mm": 1e4, "mm/s": 1e4, "mm³/s": 1e4, "%": 1e4}  # beyond what any machine does
MOST_TOOLS: Final = 256


def read(path: Path | str, *, filament: str | None = None) -> Preset:
    """Return the filament profile in *path*.

    Parameters
    ----------
    filament : which one, where the file holds several.

    Raises
    ------
    ProfileError
        Missing, not readable, or no filament profile of a shape that is known here.
    """
    path = Path(path)
    return parse(read_bytes(path, ProfileError, WHAT), path, filament=filament)


def parse(data: bytes, path: Path, *, filament: str | None = None) -> Preset:
    """Return the profile in *data*, the content of *path*; errors as in :func:`read`."""
    text = text_of(data, path, ProfileError, WHAT)
    shape = shape_of(text)
    if shape is None:
        raise ProfileError(
            f"{path}: no filament profile of a shape known here: flat INI, bundle, quality changes, "
            "material XML or JSON preset"
        )
    readers = {
        "flat-ini": flat_ini.parse,
        "bundle": bundle.parse,
        "quality-changes": quality_changes.parse,
        "material-xml": material_xml.parse,
        "json-preset": json_preset.parse,
    }
    preset = readers[shape](data, text, path, family_of(shape), filament)
    _refuse_impossible(preset)
    return preset


def _refuse_impossible(preset: Preset) -> None:
    """Raise ProfileError where a setting that is looked at has a value, or a number of them, that no machine has."""
    for setting in preset.family.settings.values():
        most = LARGEST.get(setting.unit)
        for key in (setting.key, setting.other, setting.low, setting.high, setting.printer):
            values = (*preset.values.get(key or "", ()), *preset.printer.get(key or "", ()))
            if most is None:
                continue
            if len(values) > MOST_TOOLS:
                raise ProfileError(
                    f"{preset.path}: {key} has {len(values)} values; no machine has so many tools: correct it"
                )
            for value in map(number, values):
                if value is not None and abs(value) > most:
                    raise ProfileError(
                        f"{preset.path}: {key} is {value:g} {setting.unit}; no machine does that: correct it"
                    )


def shape_of(text: str) -> str | None:
    """Return the shape of a profile by what it looks like; None: none of those known."""
    start = text.lstrip()
    if start.startswith("{"):
        return "json-preset"
    if start.startswith("<") and "<settings" in text and "<metadata" in text:
        return "material-xml"
    heads = {
        line.strip() for line in text.splitlines() if line.startswith("[") and line.rstrip().endswith("]")
    }
    if "[general]" in heads and "[values]" in heads:
        return "quality-changes"
    if any(head.startswith("[filament:") for head in heads):
        return "bundle"
    if not heads and any(
        line.startswith(("filament_type", "temperature", "filament_diameter")) for line in text.splitlines()
    ):
        return "flat-ini"
    return None


def copy_with(
    preset: Preset, changes: Mapping[str, Values], *, note: str, name: str, at_s: float
) -> dict[str, bytes]:
    """Return the copy with *changes*, by ending: ``""`` is the profile itself, ``.info`` its sidecar.

    Parameters
    ----------
    changes : key → its new texts; empty: the bytes as they are, and no sidecar.
    note : what was changed, with the old values, for the notes.
    name : of the copy.
    at_s : for what carries a date.

    Raises
    ------
    ProfileError
        The shape is not written, or lacks what its copy needs.
    """
    if preset.family.read_only is not None and changes:
        raise ProfileError(f"{preset.path}: {preset.family.read_only}")
    if not changes:
        return {"": preset.data}
    if not name.strip() or not name.isprintable():
        raise ProfileError(f"{preset.path}: {name!r} cannot be a preset's name; choose another name for OUT")
    writers = {
        "flat-ini": flat_ini.copy_with,
        "bundle": bundle.copy_with,
        "quality-changes": quality_changes.copy_with,
        "json-preset": json_preset.copy_with,
    }
    return writers[preset.shape](preset, changes, note, name, at_s)
