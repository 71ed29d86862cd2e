"""Family C, JSON: a preset and its sidecar; it holds what differs from a parent that it names.

A user's preset must hang on a system preset: one that hangs on another user's is undone by the slicer,
so the copy takes over what lies between.  Without a ``version`` the slicer skips a preset in silence.
"""

import contextlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from gcodetool.errors import ProfileError
from gcodetool.slicerfiles.preset import Preset, Values
from gcodetool.slicerfiles.settings import SettingsFamily
from gcodetool.textfile import MiB, from_json, read_text

# What describes the preset instead of the filament.
DESCRIBES: Final = frozenset(
    (
        "type",
        "name",
        "inherits",
        "from",
        "instantiation",
        "setting_id",
        "filament_id",
        "filament_settings_id",
        "is_custom_defined",
        "version",
    )
)
DEEPEST: Final = 32
WHAT: Final = "preset"
MOST_PRESET: Final = MiB  # bytes of one preset beside; ten kilobytes are usual
MOST_BESIDE: Final = 32 * MiB  # of all presets of a folder; a slicer's own folders hold a tenth


def parse(data: bytes, text: str, path: Path, family: SettingsFamily, filament: str | None) -> Preset:
    """Return the preset with what its parents say, as far as their files stand in the same folder.

    Raises
    ------
    ProfileError
        It is no JSON object of a filament, or its parents run in a circle.
    """
    del filament
    own = loaded(text, path)
    if own.get("type", "filament") != "filament":
        raise ProfileError(f"{path}: a preset of type '{own['type']}'; name a filament's")
    name = own.get("name")
    if not isinstance(name, str) or not name:
        raise ProfileError(f"{path}: has no name; export the preset again")
    others = siblings(path)
    chain: list[tuple[Path, dict[str, Any]]] = []
    notes: list[str] = []
    parent = own.get("inherits")
    while isinstance(parent, str) and parent:
        if parent not in others:
            notes.append(f"its parent '{parent}' is not in the same folder: what it says is not known here")
            break
        if len(chain) > DEEPEST or parent == name:
            raise ProfileError(f"{path}: its parents run in a circle; export the preset again")
        chain.append(others[parent])
        parent = chain[-1][1].get("inherits")
    merged: dict[str, Any] = {}
    for each in (*(values for _, values in reversed(chain)), own):
        merged |= {key: value for key, value in each.items() if key not in DESCRIBES}
    return Preset(
        path=path,
        data=data,
        shape="json-preset",
        family=family,
        name=name,
        values={key: texts(value) for key, value in merged.items()},
        own={key: texts(value) for key, value in own.items() if key not in DESCRIBES},
        sources=(path, *(each for each, _ in chain), *(side for side in (sidecar(path),) if side.exists())),
        notes=tuple(notes),
        extra={"own": own, "chain": tuple(values for _, values in chain), "merged": merged},
    )


def loaded(text: str, path: Path) -> dict[str, Any]:
    """Return a JSON object."""
    found = from_json(text, path, ProfileError, WHAT)
    if not isinstance(found, dict):
        raise ProfileError(f"{path}: holds no JSON object; name a filament preset")
    return found


def siblings(path: Path) -> dict[str, tuple[Path, dict[str, Any]]]:
    """Return the presets beside *path*, by name; files that are none are passed over.

    Raises
    ------
    ProfileError
        There is more beside it than any folder of presets holds.
    """
    found: dict[str, tuple[Path, dict[str, Any]]] = {}
    left = MOST_BESIDE
    for other in sorted(path.parent.glob("*.json")):
        if other == path:
            continue
        with contextlib.suppress(ProfileError):
            text = read_text(other, ProfileError, WHAT, most=MOST_PRESET)
            left -= len(text)
            values = from_json(text, other, ProfileError, WHAT)
            if isinstance(values, dict) and isinstance(values.get("name"), str):
                found.setdefault(values["name"], (other, values))
        if left < 0:
            raise ProfileError(
                f"{path}: more than {MOST_BESIDE // MiB} MiB of presets beside it; copy it and its parents to a "
                "folder of their own"
            )
    return found


def texts(value: Any) -> Values:
    """Return a value's texts: a list's, or the one of a bare string."""
    if isinstance(value, list):
        return tuple(str(each) for each in value)
    return (str(value),)


def sidecar(path: Path) -> Path:
    """Return where the preset's ``.info`` stands."""
    return path.with_suffix(".info")


def copy_with(
    preset: Preset, changes: Mapping[str, Values], note: str, name: str, at_s: float
) -> dict[str, bytes]:
    """Return a user's preset with the changes, and its sidecar.

    Raises
    ------
    ProfileError
        There is no version to copy, or the name is one of the presets it comes from.
    """
    own, chain = preset.extra["own"], preset.extra["chain"]
    assert isinstance(own, dict)
    assert isinstance(chain, tuple)
    taken = {own["name"], own.get("inherits"), *(each.get("name") for each in chain)}
    if name in taken:
        raise ProfileError(
            f"{preset.path}: '{name}' is a preset that the copy comes from; choose another name for OUT"
        )
    version = next((each["version"] for each in (own, *chain) if isinstance(each.get("version"), str)), None)
    if version is None:
        raise ProfileError(
            f"{preset.path}: states no version, and the slicer passes over a preset without one; "
            "save it as your own preset in the slicer first, then adjust that"
        )
    made: dict[str, Any] = {}
    base = None
    if own.get("from") == "User":
        parent = own.get("inherits")
        # user presets between this one and its system preset: what they say moves into the copy
        for each in chain:
            if each.get("from") != "User":
                base = each.get("setting_id")
                break
            made = {key: value for key, value in each.items() if key not in DESCRIBES} | made
            parent = each.get("inherits")
        made |= own  # in its own order
    else:
        parent, base = own["name"], own.get("setting_id")
    merged = preset.extra["merged"]
    assert isinstance(merged, dict)
    said: dict[str, Any] = {
        key: values[0] if isinstance(merged.get(key), str) else list(values)
        for key, values in changes.items()
    }
    notes = preset.setting("notes")
    if notes is not None:
        said[notes.key] = _noted(merged.get(notes.key), note)
    said |= {
        "filament_settings_id": [name],
        "from": "User",
        "is_custom_defined": own.get("is_custom_defined", "0"),
        "name": name,
        "version": version,
    }
    if parent:
        said["inherits"] = parent
    text = json.dumps(_in_place(made, said), indent=4, ensure_ascii=False)
    ending = preset.data[len(preset.data.rstrip()) :].decode("utf-8")
    info = _info(preset.path, base, at_s)
    return {"": (text + ending).encode("utf-8"), ".info": info.encode("utf-8")}


def _in_place(made: Mapping[str, Any], said: Mapping[str, Any]) -> dict[str, Any]:
    """Return *made* with *said* in it: old keys where they stand, new ones before the first that sorts after."""
    keys = list(made)
    for key in sorted(set(said) - set(made)):
        place = next((at for at, other in enumerate(keys) if other > key), len(keys))
        keys.insert(place, key)
    return {key: said[key] if key in said else made[key] for key in keys}


def _noted(before: Any, note: str) -> Any:
    """Return notes with one line more, as a string or a list as they were."""
    if isinstance(before, list):
        first = str(before[0]) if before else ""
        return [f"{first}\n{note}" if first else note, *before[1:]]
    return f"{before}\n{note}" if before else note


def _info(path: Path, base: Any, at_s: float) -> str:
    """Return the sidecar's text: no user and no setting of its own, the parent's id, the time."""
    if base is None and sidecar(path).is_file():
        for line in read_text(sidecar(path), ProfileError, "preset's .info", most=MOST_PRESET).splitlines():
            key, _, value = line.partition("=")
            if key.strip() == "base_id":
                base = value.strip()
    return f"sync_info = \nuser_id = \nsetting_id = \nbase_id = {base or ''}\nupdated_time = {int(at_s)}\n"
