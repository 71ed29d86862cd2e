"""Family A, bundle: sections of presets that inherit from each other; the copy gets a section of its own."""

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from gcodetool.errors import ProfileError
from gcodetool.slicerfiles.flat_ini import LINE, elements, noted
from gcodetool.slicerfiles.preset import Preset, Values
from gcodetool.slicerfiles.settings import SettingsFamily
from gcodetool.tomlfile import nearest

HEAD: Final = re.compile(r"^\[(?P<kind>[a-z_]+)(?::(?P<name>[^\r\n]*))?\][ \t]*\r?$")
DEEPEST: Final = 32
MOST_PARENTS: Final = 200  # of one filament, all generations together


def parse(data: bytes, text: str, path: Path, family: SettingsFamily, filament: str | None) -> Preset:
    """Return one filament of a bundle: the one named, else the one in use, else the only one.

    Raises
    ------
    ProfileError
        None or several could be meant, or a parent is missing.
    """
    sections = sections_of(text)
    every = filaments(text)
    used = sections.get(("presets", ""), {})
    if filament is None:
        filament = used.get("filament") or (every[0] if len(every) == 1 else None)
    if filament is None:
        raise ProfileError(f"{path}: holds several filaments; name one with --filament: {', '.join(every)}")
    if ("filament", filament) not in sections:
        raise ProfileError(f"{path}: no filament '{filament}' in it; {nearest(filament, every)}")
    merged, raw_own = inherited(sections, filament, path, {}), sections["filament", filament]
    printer = sections.get(("printer", used.get("printer", "")), {})
    return Preset(
        path=path,
        data=data,
        shape="bundle",
        family=family,
        name=filament,
        values={key: elements(value) for key, value in merged.items()},
        own={key: elements(value) for key, value in raw_own.items()},
        printer={key: elements(value) for key, value in printer.items()},
        sources=(path,),
        extra={"notes": merged.get("filament_notes", ""), "names": tuple(name for kind, name in sections)},
    )


def filaments(text: str) -> tuple[str, ...]:
    """Return the names of a bundle's filaments that can be printed with, in its order."""
    return tuple(name for kind, name in sections_of(text) if kind == "filament" and not is_abstract(name))


def is_abstract(name: str) -> bool:
    """Tell whether *name* is a parent only: ``*common*``."""
    return name.startswith("*") and name.endswith("*")


def sections_of(text: str) -> dict[tuple[str, str], dict[str, str]]:
    """Return the sections of a bundle, raw values by key, by (kind, name)."""
    sections: dict[tuple[str, str], dict[str, str]] = {}
    now: dict[str, str] = {}
    for line in text.splitlines(keepends=True):
        head = HEAD.match(line.rstrip("\n"))
        if head is not None:
            now = sections.setdefault((head["kind"], head["name"] or ""), {})
            continue
        found = LINE.match(line)
        if found is not None:
            now[found["key"]] = found["value"]
    return sections


def inherited(
    sections: Mapping[tuple[str, str], Mapping[str, str]],
    name: str,
    path: Path,
    known: dict[str, dict[str, str]],
    depth: int = 0,
) -> dict[str, str]:
    """Return what holds for filament *name*: its parents' values, later parents winning, then its own.

    *known* keeps what each parent comes to: one that is inherited by many ways is worked out once.
    """
    if name in known:
        return known[name]
    if depth > DEEPEST:
        raise ProfileError(f"{path}: the parents of '{name}' run in a circle; export the bundle again")
    own = sections[("filament", name)]
    merged: dict[str, str] = {}
    parents = dict.fromkeys(filter(None, (part.strip() for part in own.get("inherits", "").split(";"))))
    if len(parents) + len(known) > MOST_PARENTS:
        raise ProfileError(f"{path}: '{name}' has more than {MOST_PARENTS} parents; export the bundle again")
    for parent in parents:
        if ("filament", parent) in sections:
            merged |= inherited(sections, parent, path, known, depth + 1)
        elif is_abstract(parent):
            raise ProfileError(f"{path}: '{name}' inherits from '{parent}', which is not in the bundle")
    known[name] = merged | {key: value for key, value in own.items() if key != "inherits"}
    return known[name]


def copy_with(
    preset: Preset, changes: Mapping[str, Values], note: str, name: str, at_s: float
) -> dict[str, bytes]:
    """Return the bundle, every byte as it was, with one section more at its end.

    Raises
    ------
    ProfileError
        The bundle has a preset of that name.
    """
    del at_s
    names = preset.extra["names"]
    assert isinstance(names, tuple)
    if name in names:
        raise ProfileError(f"{preset.path}: has a preset '{name}' already; choose another name for OUT")
    text = preset.data.decode("utf-8")
    newline = "\r\n" if "\r\n" in text else "\n"
    said = {key: ",".join(values) for key, values in changes.items()}
    notes = preset.setting("notes")
    if notes is not None:
        said[notes.key] = noted(str(preset.extra["notes"]), note)
    lines = [f"[filament:{name}]", f"inherits = {preset.name}"]
    lines += [f"{key} = {value}" for key, value in sorted(said.items())]
    gap = "" if text.endswith(newline * 2) else newline if text.endswith("\n") else newline * 2
    return {"": preset.data + (gap + newline.join(lines) + newline).encode("utf-8")}
