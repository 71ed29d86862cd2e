"""A machine's own file to a printer profile: M503 report, Klipper configuration, ``config.g``.

:func:`read` tells the kind by what the file says, never by its name, and returns a
:class:`Machine`; :func:`to_toml` writes it, each value with the line it came from;
:func:`printer_of` reads that text back and makes sure that nothing changed on the way.  Left out:
what no machine knows of itself: the melt zone, the flow it can melt, how long it waits.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import tomli

from gcodetool import machinegcode, machineklipper
from gcodetool.errors import ProfileError
from gcodetool.machinenotes import Notes, Skipped, SourceLine, Taken, Value, name_of, nested, refuse, text_of
from gcodetool.profilefile import KLIPPER, KLIPPER_RETRACTION, MARLIN, REPRAPFIRMWARE, read_printer
from gcodetool.profiles import DialectName, Printer
from gcodetool.tomlfile import Document, Table, toml_text

KINDS: Final[dict[DialectName, str]] = {
    "marlin": "Marlin's M503 report",
    "klipper": "Klipper's configuration",
    "reprapfirmware": "RepRapFirmware's config.g",
}
EXPECTED: Final = (
    "expected Marlin's M503 report (echo:  M203 X500.00 …), Klipper's configuration ([printer] max_velocity …) "
    "or RepRapFirmware's config.g (M566, M208, M584 …)"
)
KLIPPER_SECTION: Final = re.compile(
    r"^\[(?:printer|mcu|extruder|stepper_|include |gcode_macro |gcode_arcs|firmware_retraction"
    r"|heater_bed|bed_mesh|virtual_sdcard|display_status|pause_resume|respond)[^\]\n]*\]",
    re.MULTILINE,
)
ECHOED: Final = re.compile(r"echo:\s*[GM]\d+\b")
MARLIN_ONLY: Final = re.compile(r"^M(?:145|205|304|420|851|900)$")
RRF_ONLY: Final = re.compile(
    r"^M(?:98|143|307|308|453|550|552|557|558|563|566|569\.\d|572|574|584|586|669|950)$"
)
SHOWN_LINES: Final = 6  # line numbers of one group of what was passed over


@dataclass(frozen=True)
class Machine:
    """What a machine says about itself, ready to be a printer profile.

    Attributes
    ----------
    name, dialect : of the profile.
    source : the file's name, without folders.
    taken : the profile's values, in the profile's order.
    skipped : what it has no use for, in the file's order.
    remarks : what the reader of the result should know.
    """

    name: str
    dialect: DialectName
    source: str
    taken: tuple[Taken, ...]
    skipped: tuple[Skipped, ...]
    remarks: tuple[str, ...]

    def data(self) -> dict[str, Any]:
        """Return the profile as TOML holds it: tables of numbers."""
        tree: dict[str, Any] = {"name": self.name, "dialect": self.dialect}
        for noted in self.taken:
            nested(noted.keys, _plain(noted.value), tree)
        return tree


def _plain(value: Value) -> Any:
    return [*value] if isinstance(value, tuple) else value


def read(path: str | Path, *, name: str | None = None, dialect: DialectName | None = None) -> Machine:
    """Return what the machine's own file at *path* says.

    Parameters
    ----------
    path : the report or configuration; included files are looked for from its folder.
    name : of the profile; None: the file's stem, slugged.
    dialect : none: told by what the file says.

    Raises
    ------
    ProfileError
        The file is none of the three kinds, or says something that it cannot mean.
    """
    path = Path(path)
    text = text_of(path)
    kind = dialect or kind_of(path, text)
    notes: Notes
    if kind == "klipper":
        notes = machineklipper.read(path, text)
    elif kind == "marlin":
        notes = machinegcode.read_marlin(path, text)
    else:
        notes = machinegcode.read_reprapfirmware(path, text)
    if not any(keys[0] == kind for keys in notes.taken):
        refuse(path, None, f"no limit of motion in it, read as {KINDS[kind]}; {EXPECTED}")
    taken = tuple(sorted(notes.taken.values(), key=lambda noted: _order(noted.keys)))
    called = name if name is not None else slugged(path.stem)
    return Machine(called, kind, name_of(path), taken, tuple(notes.skipped), tuple(notes.remarks))


def kind_of(path: Path, text: str) -> DialectName:
    """Return the firmware whose file *text* is, by what it says.

    Raises
    ------
    ProfileError
        It says nothing, or speaks two firmwares' words.
    """
    if KLIPPER_SECTION.search(text):
        return "klipper"
    lines = {line.word: line.rest for line in machinegcode.reported(path, text)}
    lines |= {line.word: line.rest for line in machinegcode.stated(path, text)}
    back = "R" in machinegcode.words_of(lines.get("M204", ""))  # the retract acceleration
    marlin = sum(bool(MARLIN_ONLY.match(word)) for word in lines) + back + 5 * bool(ECHOED.search(text))
    axes = not {"X", "Y", "Z"}.isdisjoint(machinegcode.words_of(lines.get("M208", "")))
    rrf = sum(bool(RRF_ONLY.match(word)) for word in lines) + axes
    if marlin == rrf:
        machinegcode.refuse_job(path, machinegcode.moves(text))
        what = "may be either G-code firmware's; add --dialect" if marlin else "not a machine's file"
        refuse(path, None, f"{what}; {EXPECTED}")
    return "marlin" if marlin > rrf else "reprapfirmware"


def slugged(stem: str) -> str:
    """Return a profile's name made of a file's stem.

    >>> slugged("Printer (2)"), slugged("§")
    ('printer-2', 'printer')
    """
    return re.sub(r"[^a-z0-9]+", "-", stem.casefold()).strip("-") or "printer"


# ---------------------------------------------------------------- the profile as text

TABLES: Final[dict[str, dict[str, Any]]] = {"marlin": MARLIN, "reprapfirmware": REPRAPFIRMWARE}
UNKNOWN: Final = (  # what no machine's file says, for the reader to fill in
    '# The machine does not know the rest; see docs/records.md, "A printer":\n'
    "# [hot_end] melt_zone_mm3, path_mm, max_flow_mm3_s\n"
    "# [retraction] max_length_mm · [park] x_mm, y_mm · [waiting] start_s, change_s\n"
    "# feed_places, at the top: boxes that can stand at it\n"
)


def _order(keys: tuple[str, ...]) -> tuple[int, ...]:
    """Return where a value stands in the file."""
    top = ["bed_mm", "height_mm", "klipper", "marlin", "reprapfirmware", "hot_end", "host"].index(keys[0])
    if keys[0] == "klipper":
        inner = [*KLIPPER, "firmware_retraction"].index(keys[1])
        return top, inner, list(KLIPPER_RETRACTION).index(keys[2]) if len(keys) > 2 else 0
    if keys[0] in TABLES:
        commands = [*TABLES[keys[0]], "M572"]
        letters = list(TABLES[keys[0]].get(keys[1], ()))
        return top, commands.index(keys[1]), letters.index(keys[2]) if len(keys) > 2 else 0
    return (top, *(ord(letter) for letter in keys[-1]))


def number(value: float) -> str:
    """Return *value* as TOML that reads back as the same number.

    >>> number(500.0), number(0.013), number(1e-07)
    ('500', '0.013', '1e-07')
    """
    return str(int(value)) if value.is_integer() and abs(value) < 2**53 else repr(value)


def _written(value: Value) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return f"[{', '.join(map(number, value))}]" if isinstance(value, tuple) else number(value)


@dataclass(frozen=True)
class ProfileLine:
    """One line of a profile: its table, what stands before and after the sign, where it is from."""

    table: str
    key: str
    value: str
    comment: str


def entries(machine: Machine) -> Iterator[ProfileLine]:
    """Yield the profile's lines; the letters of one command share one."""
    groups: dict[tuple[str, ...], list[Taken]] = {}
    for noted in machine.taken:
        letters = len(noted.keys) == 3 and noted.keys[0] in TABLES
        groups.setdefault(noted.keys[:2] if letters else noted.keys, []).append(noted)
    for keys, group in groups.items():
        if keys == group[0].keys:
            value = _written(group[0].value)
        else:
            value = f"{{ {', '.join(f'{noted.keys[2]} = {_written(noted.value)}' for noted in group)} }}"
        yield ProfileLine(".".join(keys[:-1]), keys[-1], value, _comment(group))


def _comment(group: list[Taken]) -> str:
    """Return where the letters of one line came from; letters of another origin are named."""
    origins: dict[str, list[str]] = {}
    for noted in group:
        said = ", ".join(_places(noted.places)) + (f" ({noted.how})" if noted.how else "")
        origins.setdefault(said, []).append(noted.keys[-1])
    if len(origins) == 1:
        return next(iter(origins))
    return "; ".join(f"{' '.join(letters)} {said}" for said, letters in origins.items())


def _places(places: Iterable[SourceLine]) -> list[str]:
    """Return places as text, the file's name once for lines of the same file."""
    files: dict[str, list[int]] = {}
    for place in places:
        if place.line not in files.setdefault(place.file, []):
            files[place.file].append(place.line)
    return [f"{file}:{','.join(map(str, lines))}" for file, lines in files.items()]


def to_toml(machine: Machine) -> str:
    """Return *machine* as the text of a printer profile."""
    lines = [
        f"# Made by 'gcodetool profiles import' from {machine.source}: {KINDS[machine.dialect]}.",
        *(f"# Note: {remark}." for remark in machine.remarks),
        "",
        f"name = {toml_text(machine.name)}",
        f'dialect = "{machine.dialect}"',
    ]
    table = ""
    for entry in entries(machine):
        if entry.table != table:
            table = entry.table
            lines += ["", f"[{table}]"]
        lines.append(f"{entry.key} = {entry.value} # {entry.comment}")
    return "\n".join(lines) + "\n\n" + UNKNOWN


def printer_of(machine: Machine, text: str) -> Printer:
    """Return the printer that *text*, the profile of *machine*, describes.

    Raises
    ------
    ProfileError
        *text* is no such profile, or says other numbers than the machine did.
    """
    try:
        data = tomli.loads(text)
    except tomli.TOMLDecodeError as problem:
        raise ProfileError(
            f"{machine.source}: its profile is not TOML: {problem}; choose another --name"
        ) from None
    if data != machine.data():
        raise ProfileError(
            f"{machine.source}: its profile does not read back as meant; report it with that file"
        )
    return read_printer(Table(Document(machine.source, text, data, ProfileError), data, ()), machine.name)


# ---------------------------------------------------------------- what is reported


def told(machine: Machine) -> Iterator[str]:
    """Yield what was taken, remarked and passed over, a line each."""
    yield f"{machine.name}: {KINDS[machine.dialect]}, {machine.source}"
    yield "taken:"
    for entry in entries(machine):
        table = entry.table.removeprefix(machine.dialect).lstrip(".")
        yield f"  {table + '.' if table else ''}{entry.key} = {entry.value}   # {entry.comment}"
    if machine.remarks:
        yield "note:"
        yield from (f"  {remark}" for remark in machine.remarks)


def passed_over(machine: Machine) -> Iterator[str]:
    """Yield what was skipped, grouped and counted."""
    groups: dict[tuple[str, str], list[SourceLine]] = {}
    for skip in machine.skipped:
        groups.setdefault((skip.what, skip.why), []).append(skip.place)
    if not groups:
        yield "skipped: nothing"
        return
    yield f"skipped: {len(machine.skipped)}"
    for (what, why), places in groups.items():
        some = ", ".join(_places(places[:SHOWN_LINES])) + (", …" if len(places) > SHOWN_LINES else "")
        yield f"  {what}{f' ×{len(places)}' if len(places) > 1 else ''}: {why}   # {some}"
