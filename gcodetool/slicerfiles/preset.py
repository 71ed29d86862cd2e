"""A slicer's filament profile, whatever its shape: what it says, and what it is made of.

:func:`read` looks at a file's content and lets the reader of that shape take it apart;
:func:`copy_with` has the same shape's writer put changed values into a copy.  Nothing here writes to
disk.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from gcodetool.errors import ProfileError
from gcodetool.slicerfiles.settings import Family, Setting, family_of

Values = tuple[str, ...]
LARGEST: Final = 16 << 20  # bytes; a profile is a few kilobytes, a bundle some hundred


@dataclass(frozen=True)
class Preset:
    """One filament of one file.

    Attributes
    ----------
    path, data : the file, and its bytes.
    shape : of ``settings.SHAPES``.
    family : the words of its family.
    name : the filament's.
    values : what holds, by key, inheritance included; one text per tool or variant.
    own : what the filament itself says, without its parents.
    printer : what the printer's part of the same file says, where it has one.
    sources : every file that was read; none of them is ever written.
    notes : cautions from reading.
    extra : what the writer of this shape needs beside.
    """

    path: Path
    data: bytes = field(repr=False)
    shape: str
    family: Family = field(repr=False)
    name: str
    values: Mapping[str, Values] = field(repr=False)
    own: Mapping[str, Values] = field(repr=False)
    printer: Mapping[str, Values] = field(default_factory=dict, repr=False)
    sources: tuple[Path, ...] = ()
    notes: tuple[str, ...] = ()
    extra: Mapping[str, object] = field(default_factory=dict, repr=False)

    def setting(self, name: str) -> Setting | None:
        """Return the words for canonical setting *name*; None: the family has none."""
        return self.family.settings.get(name)

    def key_of(self, name: str) -> str | None:
        """Return the key under which *name* stands, or would be written."""
        setting = self.setting(name)
        if setting is None:
            return None
        if setting.other is not None and setting.key not in self.values and setting.other in self.values:
            return setting.other
        return setting.key

    def texts(self, name: str) -> Values:
        """Return the texts of canonical setting *name*; empty where the file says nothing of it."""
        key = self.key_of(name)
        return () if key is None else self.values.get(key, ())

    def numbers(self, name: str) -> tuple[float | None, ...]:
        """Return *name* as numbers, the printer's where the filament has none; None: not a number."""
        setting = self.setting(name)
        if setting is None:
            return ()
        found = [number(text) for text in self.texts(name)]
        theirs = [number(text) for text in self.printer.get(setting.printer or "", ())]
        if theirs and not found:
            return tuple(theirs)
        return tuple(
            theirs[min(at, len(theirs) - 1)] if value is None and theirs else value
            for at, value in enumerate(found)
        )


def number(text: str) -> float | None:
    """Return *text* as a plain number; None for ``nil``, formulas, per cents and words.

    >>> number("238"), number("nil"), number("=material_print_temperature + 4")
    (238.0, None, None)
    """
    try:
        value = float(text)
    except ValueError:
        return None
    return value if value - value == 0 else None


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
    from gcodetool.slicerfiles import bundle, flat_ini, json_preset, material_xml, quality_changes

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
    from gcodetool.slicerfiles import bundle, flat_ini, json_preset, quality_changes

    writers = {
        "flat-ini": flat_ini.copy_with,
        "bundle": bundle.copy_with,
        "quality-changes": quality_changes.copy_with,
        "json-preset": json_preset.copy_with,
    }
    return writers[preset.shape](preset, changes, note, name, at_s)
