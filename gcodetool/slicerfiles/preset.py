"""A slicer's filament profile, whatever its shape: what it says, and what it is made of.

Left out: reading and writing it (``shapes``, and one module for each shape).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from gcodetool.slicerfiles.settings import Setting, SettingsFamily

Values = tuple[str, ...]


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
    family: SettingsFamily = field(repr=False)
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
