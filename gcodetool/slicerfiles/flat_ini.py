"""Family A, flat INI: ``key = value`` lines, one filament a file.  The file's name is the preset's.

Numbers per tool are joined by commas, texts by semicolons, quoted where they need it.  Order, comments,
unknown keys and line ends stay; a key that is new comes where the alphabet puts it.
"""

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from gcodetool.slicerfiles.preset import Preset, Values
from gcodetool.slicerfiles.settings import SettingsFamily

LINE: Final = re.compile(
    r"^(?P<key>[A-Za-z0-9_]+)(?P<gap>[ \t]*=[ \t]*)(?P<value>(?:[^\r\n]*[^\r\n \t])?)(?P<end>[ \t]*\r?\n|[ \t]*$)"
)
ESCAPES: Final = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\r": "\\r"}


def parse(data: bytes, text: str, path: Path, family: SettingsFamily, filament: str | None) -> Preset:
    """Return the one filament of a flat file."""
    del filament
    values = {
        found["key"]: elements(found["value"])
        for line in text.splitlines(keepends=True)
        if (found := LINE.match(line)) is not None
    }
    return Preset(
        path=path,
        data=data,
        shape="flat-ini",
        family=family,
        name=path.stem,
        values=values,
        own=values,
        sources=(path,),
    )


def elements(value: str) -> Values:
    """Return a value's elements; texts in quotes are one each, and stay as written.

    >>> elements("nil,1.1"), elements('"a; b";"c"'), elements("")
    (('nil', '1.1'), ('"a; b"', '"c"'), ())
    """
    if value == "":
        return ()
    if '"' in value:
        return tuple(re.findall(r'"(?:[^"\\]|\\.)*"|[^;]+', value))
    return tuple(value.split(",")) if "," in value and not re.search(r"[A-Za-z]{4}", value) else (value,)


def copy_with(
    preset: Preset, changes: Mapping[str, Values], note: str, name: str, at_s: float
) -> dict[str, bytes]:
    """Return the file with the values of *changes* in place, and *note* at the end of its notes."""
    del name, at_s  # the file's own name is the preset's
    text = preset.data.decode("utf-8")
    said = {key: ",".join(values) for key, values in changes.items()}
    notes = preset.setting("notes")
    if notes is not None:
        said[notes.key] = noted(raw_value(text, notes.key), note)
    return {"": with_values(text, said).encode("utf-8")}


def raw_value(text: str, key: str) -> str:
    """Return the value of *key* as it stands; empty where it is missing."""
    for line in text.splitlines(keepends=True):
        found = LINE.match(line)
        if found is not None and found["key"] == key:
            return found["value"]
    return ""


def with_values(text: str, said: Mapping[str, str]) -> str:
    """Return *text* with each key's value replaced; a missing key comes before the first that sorts after it."""
    lines = text.splitlines(keepends=True)
    newline = "\r\n" if lines and lines[0].endswith("\r\n") else "\n"
    ended = text.endswith("\n") or not text
    missing = dict(said)
    for at, line in enumerate(lines):
        found = LINE.match(line)
        if found is not None and found["key"] in said:
            lines[at] = f"{found['key']}{found['gap']}{said[found['key']]}{found['end']}"
            missing.pop(found["key"], None)
    for key, value in sorted(missing.items()):
        places = [
            at
            for at, line in enumerate(lines)
            if (found := LINE.match(line)) is not None and found["key"] > key
        ]
        if not places and lines and not lines[-1].endswith("\n"):
            lines[-1] += newline
        lines.insert(places[0] if places else len(lines), f"{key} = {value}{newline}")
    after = "".join(lines)
    return after if ended else after.removesuffix(newline)


def noted(raw: str, note: str) -> str:
    r"""Return notes *raw*, as they stand in the file, with *note* as a further line of the first text.

    >>> noted('"opened; dried"', "was 238")
    '"opened; dried\\nwas 238"'
    >>> noted("", 'say "dry"')
    '"say \\"dry\\""'
    """
    escaped = "".join(ESCAPES.get(sign, sign) for sign in note)
    if raw in ("", '""'):
        return f'"{escaped}"'
    quoted = re.match(r'"((?:[^"\\]|\\.)*)"', raw)
    if quoted is not None:
        return f'"{quoted[1]}\\n{escaped}"{raw[quoted.end() :]}'
    first, mark, rest = raw.partition(";")
    return f'"{first}\\n{escaped}"{mark}{rest}'
