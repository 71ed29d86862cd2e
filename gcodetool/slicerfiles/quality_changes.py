"""Family B, quality changes: INI with ``[general]``, ``[metadata]``, ``[values]``.

A value that begins with ``=`` is a formula over other keys: it is never overwritten, it follows.
"""

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from gcodetool.errors import ProfileError
from gcodetool.slicerfiles.flat_ini import LINE
from gcodetool.slicerfiles.preset import Preset, Values, number
from gcodetool.slicerfiles.settings import SettingsFamily

FORMULA: Final = re.compile(r"=[ ]*(?P<key>[a-z][a-z0-9_]*)(?:[ ]*(?P<sign>[-+])[ ]*(?P<by>\d+(?:\.\d+)?))?")
HEAD: Final = re.compile(r"\[([a-z_]+)\]\s*")


def parse(data: bytes, text: str, path: Path, family: SettingsFamily, filament: str | None) -> Preset:
    """Return what a file of changes says.

    Raises
    ------
    ProfileError
        It changes something else than quality.
    """
    del filament
    parts = sections(text)
    kind = parts.get("metadata", {}).get("type")
    if kind != "quality_changes":
        raise ProfileError(f"{path}: its type is '{kind}'; only quality_changes are adjusted")
    values = {key: (value,) for key, value in parts["values"].items()}
    return Preset(
        path=path,
        data=data,
        shape="quality-changes",
        family=family,
        name=parts["general"].get("name", path.stem),
        values=values,
        own=values,
        sources=(path,),
    )


def sections(text: str) -> dict[str, dict[str, str]]:
    """Return the raw values by section and key."""
    found: dict[str, dict[str, str]] = {}
    now: dict[str, str] = {}
    for line in text.splitlines(keepends=True):
        head = HEAD.fullmatch(line)
        if head is not None:
            now = found.setdefault(head[1], {})
        elif (entry := LINE.match(line)) is not None:
            now[entry["key"]] = entry["value"]
    return found


def worked_out(values: Mapping[str, Values], key: str, depth: int = 0) -> float | None:
    """Return the number that *key* comes to, simple formulas (``=key + 4``) worked out; None: it is not simple.

    >>> worked_out({"a": ("240",), "b": ("=a - 5",)}, "b")
    235.0
    """
    if key not in values or depth > 8:
        return None
    text = values[key][0]
    formula = FORMULA.fullmatch(text)
    if formula is None:
        return number(text)
    base = worked_out(values, formula["key"], depth + 1)
    if base is None or formula["by"] is None:
        return base
    by = float(formula["by"])
    return base - by if formula["sign"] == "-" else base + by


def copy_with(
    preset: Preset, changes: Mapping[str, Values], note: str, name: str, at_s: float
) -> dict[str, bytes]:
    """Return the file under a new name with the values changed, the old ones in comments above them."""
    del note, at_s  # these files have no notes; a comment stands by each value
    lines: list[str] = []
    part = ""
    missing = dict(changes)
    text = preset.data.decode("utf-8")
    newline = "\r\n" if "\r\n" in text else "\n"

    def added() -> list[str]:
        new = [
            f"# gcodetool: {key} was not set here{newline}{key} = {value[0]}{newline}"
            for key, value in sorted(missing.items())
        ]
        missing.clear()
        return new

    for line in text.splitlines(keepends=True):
        head, entry = HEAD.fullmatch(line), LINE.match(line)
        if head is not None:
            if part == "values":
                lines += added()
            part = head[1]
        elif entry is not None and part == "general" and entry["key"] == "name":
            lines.append(f"name{entry['gap']}{name}{entry['end']}")
            continue
        elif entry is not None and part == "values" and entry["key"] in changes:
            key = entry["key"]
            lines.append(f"# gcodetool: {key} was {entry['value']}{newline}")
            lines.append(f"{key}{entry['gap']}{changes[key][0]}{entry['end']}")
            missing.pop(key, None)
            continue
        lines.append(line)
    if missing:
        if lines and not lines[-1].endswith("\n"):
            lines[-1] += newline
        lines += added()
    return {"": "".join(lines).encode("utf-8")}
