"""Which key of which slicer family stands for what: ``profiles/settings/*.toml`` to dataclasses.

A new shape of profile is a TOML file here and a small reader beside this module.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from gcodetool import profiles
from gcodetool.errors import ProfileError
from gcodetool.tomlfile import Table, load

CANONICAL: Final = (
    "nozzle_C",
    "first_layer_C",
    "retract_mm",
    "retract_mm_s",
    "wipe",
    "first_layer_mm_s",
    "slowest_mm_s",
    "max_flow_mm3_s",
    "fan_pct",
    "type",
    "diameter_mm",
    "notes",
)
SHAPES: Final = ("flat-ini", "bundle", "quality-changes", "material-xml", "json-preset")


@dataclass(frozen=True)
class Setting:
    """One setting in a family's words.

    Attributes
    ----------
    key : as the family writes it; ``other``: where *key* is missing.
    printer : the printer's own key, which holds where the filament says nothing or ``nil``.
    low, high : keys of the bounds that the profile itself states.
    unit : °C, mm, mm/s, mm³/s, %, ``switch`` or ``text``.
    read_only : it is read, never changed.
    """

    key: str
    unit: str
    other: str | None = None
    printer: str | None = None
    low: str | None = None
    high: str | None = None
    read_only: bool = False


@dataclass(frozen=True)
class SettingsFamily:
    """The words of one family: by canonical name, and how it says "nothing of my own"."""

    key: str
    name: str
    shapes: tuple[str, ...]
    settings: Mapping[str, Setting]
    nil: str | None = None
    read_only: str | None = None  # why files of it are not written


def family_of(shape: str) -> SettingsFamily:
    """Return the family whose files have *shape*; a user's own file in ``settings/`` wins.

    Raises
    ------
    ProfileError
        A settings file says what it cannot mean, or none covers the shape.
    """
    for folder in (profiles.user_folder(), profiles.shipped_folder()):
        for path in sorted((folder / "settings").glob("*.toml")):
            found = read_family(path)
            if shape in found.shapes:
                return found
    raise ProfileError(f"no settings file covers '{shape}'; add one under settings/ in your profiles' folder")


def read_family(path: Path) -> SettingsFamily:
    """Return the family that a settings file describes, checked."""
    table = load(path, ProfileError, "settings file")
    table.only(("key", "name", "shapes", "nil", "read_only", "settings"))
    table.need("key", "name", "shapes", "settings")
    shapes = table.data["shapes"]
    if not isinstance(shapes, list) or not set(shapes) <= set(SHAPES):
        table.fail("shapes", f"shapes names what no reader reads; write some of {', '.join(SHAPES)}")
    words = table.table("settings")
    assert words is not None
    words.only(CANONICAL)
    return SettingsFamily(
        key=table.text("key") or path.stem,
        name=table.text("name") or path.stem,
        shapes=tuple(shapes),
        settings={name: _setting(words, name) for name in words.data},
        nil=table.text("nil"),
        read_only=table.text("read_only"),
    )


def _setting(words: Table, name: str) -> Setting:
    table = words.table(name)
    assert table is not None
    table.only(("key", "unit", "other", "printer", "low", "high", "read_only"))
    table.need("key", "unit")
    return Setting(
        key=table.text("key") or "",
        unit=table.text("unit") or "",
        other=table.text("other"),
        printer=table.text("printer"),
        low=table.text("low"),
        high=table.text("high"),
        read_only=table.data.get("read_only") is True,
    )
