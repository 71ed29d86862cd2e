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
from gcodetool.slicerfiles.preset import Preset, Values
from gcodetool.slicerfiles.settings import family_of

LARGEST: Final = 16 << 20  # bytes; a profile is a few kilobytes, a bundle some hundred


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
    try:
        if path.is_file() and path.stat().st_size > LARGEST:
            raise ProfileError(f"{path}: more than {LARGEST >> 20} MiB; this is no filament profile")
        data = path.read_bytes()
    except OSError as error:
        raise ProfileError(
            f"{path}: {(error.strerror or str(error)).lower()}; name the filament profile that the slicer exported"
        ) from error
    return parse(data, path, filament=filament)


def parse(data: bytes, path: Path, *, filament: str | None = None) -> Preset:
    """Return the profile in *data*, the content of *path*; errors as in :func:`read`."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ProfileError(f"{path}: not UTF-8 at byte {error.start}; export the profile again") from error
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
    return readers[shape](data, text, path, family_of(shape), filament)


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
