"""Family B, material XML: read only.  Namespaces differ from maker to maker, so local names count."""

import re
from pathlib import Path
from typing import Final

from gcodetool.errors import ProfileError
from gcodetool.slicerfiles.preset import Preset, Values
from gcodetool.slicerfiles.settings import SettingsFamily

DECLARES: Final = re.compile(r"<!(?:DOCTYPE|ENTITY)", re.IGNORECASE)


def parse(data: bytes, text: str, path: Path, family: SettingsFamily, filament: str | None) -> Preset:
    """Return what a material says by itself; values for single machines and hot ends are only named.

    Raises
    ------
    ProfileError
        It is no well-formed XML, or declares entities.
    """
    del filament
    import xml.etree.ElementTree as Tree

    if DECLARES.search(text):  # entities can be made to grow without bound; no material needs one
        raise ProfileError(f"{path}: declares a document type or entities; export the material again")
    try:
        root = Tree.fromstring(text)  # decoded already: an encoding that it names does not count
    except Tree.ParseError as error:
        line, column = error.position
        raise ProfileError(
            f"{path}:{line}: column {column}: not well-formed XML; export the material again"
        ) from error

    def local(tag: str) -> str:
        return tag.rpartition("}")[2]

    values: dict[str, Values] = {}
    names: dict[str, str] = {}
    special = 0
    for part in root:
        kind = local(part.tag)
        if kind == "metadata":
            for entry in part.iter():
                if entry.text and entry.text.strip():
                    names[local(entry.tag)] = entry.text.strip()
        elif kind == "properties":
            values |= {local(entry.tag): (entry.text.strip(),) for entry in part if entry.text}
        elif kind == "settings":
            for entry in part:
                if local(entry.tag) == "setting" and entry.text:
                    values[entry.get("key", "")] = (entry.text.strip(),)
                elif local(entry.tag) == "machine":
                    special += sum(1 for each in entry.iter() if local(each.tag) == "setting")
    if "material" in names:
        values["material"] = (names["material"],)
    notes = (
        (f"{special} values for single machines and hot ends in it win over those shown here",)
        if special
        else ()
    )
    label = names.get("label") or " ".join(
        names[key] for key in ("brand", "material", "color") if key in names
    )
    return Preset(
        path=path,
        data=data,
        shape="material-xml",
        family=family,
        name=label or path.stem,
        values=values,
        own=values,
        sources=(path,),
        notes=notes,
    )
