"""Klipper's configuration file, its includes and its saved block to the values of a printer profile.

As the firmware reads it: ``[section]``, ``option: value`` or ``option = value``, ``#`` and ``;``
comments, values over several indented lines; ``[include]`` in its place, relative to the file that
holds it; a later option wins, and the block that SAVE_CONFIG wrote wins over all.  Left out: what
pins, heaters and macros say.
"""

import glob
import math
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from gcodetool.machinenotes import MOST_FILES, Notes, SourceLine, name_of, refuse, text_of
from gcodetool.tomlfile import shown

SECTION: Final = re.compile(r"\[(?P<name>[^\[\]]+)\]\s*$")
SEPARATOR: Final = re.compile(r"[:=]")
REMARK: Final = re.compile(r"(?:^|\s);.*$")  # '#' begins a comment anywhere, ';' only after a blank
SAVED: Final = re.compile(r"#\*# <-+ SAVE_CONFIG -+>")
NUMBER: Final = re.compile(r"[-+]?(?:\d++(?:\.\d*+)?|\.\d++)(?:[eE][-+]?\d{1,3})?$")
CARTESIAN: Final = frozenset(("cartesian", "corexy", "corexz", "hybrid_corexy", "hybrid_corexz", "none"))

RETRACTION_DEFAULTS: Final[dict[str, float]] = {
    "retract_length": 0.0,
    "retract_speed": 20.0,
    "unretract_extra_length": 0.0,
    "unretract_speed": 10.0,
}
COPIED: Final[dict[str, dict[str, tuple[str, ...]]]] = {  # section → option → its place in the profile
    "printer": {
        name: ("klipper", name)
        for name in (
            "max_velocity",
            "max_accel",
            "max_z_velocity",
            "max_z_accel",
            "square_corner_velocity",
            "minimum_cruise_ratio",
        )
    },
    "extruder": {
        "max_extrude_only_velocity": ("klipper", "max_extrude_only_velocity"),
        "max_extrude_only_accel": ("klipper", "max_extrude_only_accel"),
        "instantaneous_corner_velocity": ("klipper", "instantaneous_corner_velocity"),
        "nozzle_diameter": ("hot_end", "nozzle_mm"),
        "max_temp": ("hot_end", "max_temperature_C"),
    },
    "gcode_arcs": {"resolution": ("klipper", "arc_resolution")},
    "firmware_retraction": {name: ("klipper", "firmware_retraction", name) for name in RETRACTION_DEFAULTS},
}
USED: Final[dict[str, frozenset[str]]] = {  # options that other values are worked out from
    "printer": frozenset(("max_accel_to_decel", "kinematics")),
    "extruder": frozenset(("filament_diameter",)),
    "stepper_x": frozenset(("position_min", "position_max")),
    "stepper_y": frozenset(("position_min", "position_max")),
    "stepper_z": frozenset(("position_max",)),
}
WHY: Final[dict[str, str]] = {  # options near the limits that are none
    "max_extrude_cross_section": "refuses thick extrusion, times no move",
    "max_extrude_only_distance": "refuses long extrusion, times no move",
    "pressure_advance": "changes no planned time",
    "pressure_advance_smooth_time": "changes no planned time",
    "position_min": "the lowest Z is not asked for",
}
SECTIONS: Final[dict[str, str]] = {  # why whole sections are passed over, by their first word
    "gcode_macro": "macros",
    "delayed_gcode": "macros",
    "input_shaper": "changes no planned time",
    "dual_carriage": "a second carriage: profiles hold one",
}


@dataclass(frozen=True)
class Option:
    """What one option says, and where."""

    value: str
    place: SourceLine
    path: Path = field(repr=False)


Config = dict[str, dict[str, Option]]
PROMPTS: Final = "respond"  # the section that lets a file open a dialog on the host
HEADER: Final = ""  # among a section's options: its own line


def sections(path: Path, text: str) -> Config:
    """Return every section of *path*, of what it includes, and of its saved block.

    Raises
    ------
    ProfileError
        An include is missing or leads back to itself, or an included file cannot be read.
    """
    config: Config = {}
    lines = list(enumerate(text.split("\n"), start=1))
    start = next((index for index, (_, line) in enumerate(lines) if SAVED.match(line)), len(lines))
    files = [0]
    _read(path, lines[:start], config, (path.resolve(),), files)
    saved = [(number, line[3:].removeprefix(" ")) for number, line in lines[start + 1 :] if line[:3] == "#*#"]
    _read(path, saved, config, (path.resolve(),), files)
    return config


def _read(
    path: Path, lines: list[tuple[int, str]], config: Config, chain: tuple[Path, ...], files: list[int]
) -> None:
    """Add the sections in numbered *lines* of *path* to *config*; *chain*: the files around it."""
    section: str | None = None
    depth: int | None = None  # of the option whose value may go on
    for number, raw in lines:
        line = REMARK.sub("", raw.split("#", 1)[0]).rstrip().expandtabs()
        inner = line.lstrip()
        if not inner:
            continue
        indent = len(line) - len(inner)
        if depth is not None and indent > depth:
            continue  # a value's further lines: macros, lists of points
        header = SECTION.match(inner)
        if header:
            section, depth = " ".join(header["name"].split()), None
            if section.split(" ")[0] == "include":
                _include(path, number, section.removeprefix("include").strip(), config, chain, files)
                section = None
            else:
                options = config.setdefault(section, {})
                options.setdefault(HEADER, Option("", SourceLine(name_of(path), number), path))
            continue
        option = SEPARATOR.search(inner)
        if option and section is not None:
            depth = indent
            place = SourceLine(name_of(path), number)
            name, value = inner[: option.start()].strip().lower(), inner[option.end() :].strip()
            config[section][name] = Option(value, place, path)


def _include(
    path: Path, number: int, wanted: str, config: Config, chain: tuple[Path, ...], files: list[int]
) -> None:
    spec = str(path.parent / wanted)
    found = sorted(glob.glob(spec)) if glob.has_magic(wanted) else [spec]  # noqa: PTH207  the firmware's own rules
    for name in found:
        inner = Path(name)
        if not glob.has_magic(wanted) and not inner.exists():
            text = f"[include {wanted}]: no such file beside this one; copy it there or take the line out"
            refuse(path, number, text)
        if inner.resolve() in chain:
            if glob.has_magic(wanted) and inner.resolve() == path.resolve():
                text = f"[include {wanted}] takes in this file itself; name the others"
            else:
                text = f"[include {wanted}] leads back to a file that includes this one; take it out"
            refuse(path, number, text)
        files[0] += 1
        if files[0] > MOST_FILES:
            refuse(
                path, number, f"more than {MOST_FILES} included files; check this [include {shown(wanted)}]"
            )
        text = text_of(inner)
        _read(inner, list(enumerate(text.split("\n"), start=1)), config, (*chain, inner.resolve()), files)


def read(path: Path, text: str) -> Notes:
    """Return what the configuration at *path* says about limits, bed and hot end.

    Raises
    ------
    ProfileError
        There is no ``[printer]``, an include fails, or a limit is no number.
    """
    config = sections(path, text)
    if "printer" not in config:
        refuse(path, None, "no [printer] section in it or its includes; name the main configuration file")
    notes = Notes("klipper")
    for section, options in COPIED.items():
        for name, keys in options.items():
            if (option := config.get(section, {}).get(name)) is not None:
                notes.take(keys, _number(name, option), option.place)
    for name in ("max_velocity", "max_accel"):
        if name not in config["printer"]:
            notes.remarks.append(f"[printer] has no {name}, which the firmware needs: is the file whole?")
    _cruise_ratio(notes, config["printer"])
    _extrude_only(notes, config.get("extruder", {}))
    _travel(notes, config)
    if "firmware_retraction" in config:
        header = config["firmware_retraction"][HEADER].place
        for name, value in RETRACTION_DEFAULTS.items():  # written out: an empty section has them too
            keys = ("klipper", "firmware_retraction", name)
            if keys not in notes.taken:
                notes.take(keys, value, header, how="the firmware's own default")
    if PROMPTS in config:
        notes.take(("host", "prompts"), True, config[PROMPTS][HEADER].place, how="RESPOND is there")
    _pass_over(notes, config)
    return notes


def _number(name: str, option: Option) -> float:
    """Return an option's number, as the firmware would read it."""
    if not NUMBER.match(option.value):
        text = f"{name} is {shown(option.value)}, not a number; correct it"
        refuse(option.path, option.place.line, text)
    return float(option.value)


def _cruise_ratio(notes: Notes, printer: dict[str, Option]) -> None:
    """Turn the older max_accel_to_decel into the ratio that took its place, where only that stands."""
    old = printer.get("max_accel_to_decel")
    if old is None:
        return
    if "minimum_cruise_ratio" in printer:
        notes.skip("[printer] max_accel_to_decel", "minimum_cruise_ratio is used instead", old.place)
        return
    limit, accel = _number("max_accel_to_decel", old), notes.number("klipper", "max_accel")
    if accel is None:
        notes.skip("[printer] max_accel_to_decel", "has no effect without max_accel", old.place)
        return
    how = f"1 - max_accel_to_decel {limit:g} / max_accel {accel:g}, as the firmware does"
    place = printer["max_accel"].place
    notes.take(("klipper", "minimum_cruise_ratio"), 1 - min(1.0, limit / accel), place, old.place, how=how)


def _extrude_only(notes: Notes, extruder: dict[str, Option]) -> None:
    """Work out the extrude-only limits that the firmware derives from nozzle and filament where none stand."""
    if "nozzle_diameter" not in extruder or "filament_diameter" not in extruder:
        return
    nozzle = _number("nozzle_diameter", extruder["nozzle_diameter"])
    filament = _number("filament_diameter", extruder["filament_diameter"])
    if not (nozzle > 0 and filament > 0):
        return
    ratio = 4 * nozzle**2 / (math.pi * (filament / 2) ** 2)  # a line four nozzle areas wide
    places = (extruder["nozzle_diameter"].place, extruder["filament_diameter"].place)
    for name, source in (("velocity", "max_velocity"), ("accel", "max_accel")):
        keys, limit = ("klipper", f"max_extrude_only_{name}"), notes.number("klipper", source)
        if f"max_extrude_only_{name}" not in extruder and limit is not None:
            how = f"{source} times 4 nozzle² by filament area, the firmware's own default"
            notes.take(keys, limit * ratio, *places, how=how)


def _travel(notes: Notes, config: Config) -> None:
    """Take bed and height from the travel of the axes, on machines whose axes are X, Y and Z."""
    kinematics = config["printer"].get("kinematics")
    if kinematics is not None and kinematics.value not in CARTESIAN:
        why = "its travel is no rectangle: state bed_mm and height_mm yourself"
        notes.skip(f"kinematics {kinematics.value}", why, kinematics.place)
        return
    ends: dict[str, Option] = {}
    for axis in "xyz":
        for end in ("min", "max"):
            if option := config.get(f"stepper_{axis}", {}).get(f"position_{end}"):
                ends[axis + end] = option
    found = {name: _number(f"position_{name[1:]}", option) for name, option in ends.items()}
    if "xmax" in found and "ymax" in found:
        places = [ends[name].place for name in ("xmin", "ymin", "xmax", "ymax") if name in ends]
        corner = (found.get("xmin", 0.0), found.get("ymin", 0.0), found["xmax"], found["ymax"])
        notes.take(("bed_mm",), corner, *places, how="travel of the axes")
    if "zmax" in found:
        notes.take(("height_mm",), found["zmax"], ends["zmax"].place, how="travel of the axis")


def _pass_over(notes: Notes, config: Config) -> None:
    """Note every section and option that no value was taken from."""
    for section, options in config.items():
        taken = {*COPIED.get(section, {}), *USED.get(section, ())}
        first = section.split(" ")[0]
        if section == PROMPTS:
            continue
        if not taken:
            why = SECTIONS.get(first, "not about limits")
            if re.fullmatch(r"extruder\d+", first):
                why = "a further extruder: profiles hold the first one's limits"
            notes.skip(f"[{section if first == section else first + ' …'}]", why, options[HEADER].place)
            continue
        for name, option in options.items():
            if name != HEADER and name not in taken:
                notes.skip(f"[{section}] {name}", WHY.get(name, "not about limits"), option.place)
