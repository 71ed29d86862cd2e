"""What a machine may do: speeds, accelerations and corners, each with the source it came from.

Values are taken from the file's own commands, else the printer's profile, else the slicer's settings
block, else stated defaults.  A dialect's limits live in one array of doubles that the planner reads
as it goes, in mm, s and steps per mm; :meth:`Limits.apply` changes them where a command stands.

Left out: what the values do to a move (``planner``), stops and waits (``timeline``).
"""

import math
from array import array
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, ClassVar, Final

from gcodetool.gcode.dialects import Command, Dialect
from gcodetool.motion.planner import KLIPPER_LIMITS, MARLIN_LIMITS, RRF_LIMITS
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from gcodetool.gcode.markers import SlicerFacts
    from gcodetool.profiles import Printer

DEFAULT_NOZZLE_MM: Final = 0.4
DEFAULT_FILAMENT_MM: Final = 1.75
STATED_DEFAULT: Final = "stated default"
SETTINGS_BLOCK: Final = "the file's settings block"

MOST: Final = 1e9  # above this a limit is no limit, and squares of it would no longer be numbers
MOST_STEPS_PER_MM: Final = 1e5
CRAWL_MM_S: Final = 20.0  # an X or Y limit below this, under RepRapFirmware, was meant in mm/s
CRAWL_JERK_MM_S: Final = 1.0  # M566 alike
RACE_MM_S: Final = 2000.0  # an X or Y limit of at least this, under Marlin, was meant in mm/min
LEAST: Final = 1e-3  # mm/s, mm/s2: what is slower than this is no machine


def each_letter(text: str) -> dict[str, float]:
    """Return limits by name: each word's letters with one value.

    >>> each_letter("M204 PT 500, M203 Z 5")
    {'M204 P': 500.0, 'M204 T': 500.0, 'M203 Z': 5.0}
    """
    parts = (part.split() for part in text.split(","))
    return {f"{word} {letter}": float(value) for word, letters, value in parts for letter in letters}


MARLIN_DEFAULTS: Final = each_letter(
    "M201 XY 3000, M201 Z 100, M201 E 10000, M203 XY 300, M203 Z 5, M203 E 25, M204 PRT 3000, M205 XY 10, "
    "M205 Z 0.3, M205 E 5, M92 XY 80, M92 Z 400, M92 E 93, M205 J 0.013, M205 ST 0, M207 S 3, M207 F 45, "
    "M207 Z 0, M208 S 0, M208 F 8, M900 K 0"
)
RRF_DEFAULTS: Final = {
    **each_letter("M201 XY 1000, M201 Z 200, M201 E 500, M203 XYE 100, M203 Z 20, M566 XY 15, M566 Z 10"),
    **each_letter("M566 E 5, M204 PT 50000, M566 P 0, M203 I 0.5, M207 S 2, M207 RZ 0, M572 S 0"),
    **dict.fromkeys(("M207 F", "M207 T"), 1000.0 / 60),
}


@dataclass(frozen=True)
class LimitUse:
    """One limit that the times rest on.

    Attributes
    ----------
    name : in the firmware's own words: ``max_accel``, ``M204 P``.
    value : the last one in force, in mm, s or steps per mm.
    source : where it came from.
    """

    name: str
    value: float
    source: str


def _sane(value: object, least: float = LEAST) -> float | None:
    """Return *value* as a number in the range that a machine can have, else None.

    >>> _sane(-0.0, 0.0), _sane(True), _sane(float("nan"))
    (0.0, None, None)
    """
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    if not math.isfinite(value) or value < least or value < 0:
        return None
    return min(float(value) + 0.0, MOST)  # no minus zero


class Limits:
    """The limits of one job, in the order that the planner reads them.

    Attributes
    ----------
    names : what each place of *values* is.
    values : shared with the planner; M204 rows write to it there.
    sources : where each value came from.
    guessed : the names whose values are neither the file's nor a profile's.
    """

    names: ClassVar[tuple[str, ...]] = ()
    zero_allowed: ClassVar[frozenset[str]] = frozenset()

    def __init__(self) -> None:
        self.values = array("d", bytes(8 * len(self.names)))
        self.sources = [STATED_DEFAULT] * len(self.names)
        self._place = {name: place for place, name in enumerate(self.names)}

    def __getitem__(self, name: str) -> float:
        return self.values[self._place[name]]

    def set(self, name: str, value: object, source: str) -> bool:
        """Take *value* for *name*; return False where it is not one that a machine can have."""
        number = _sane(value, 0.0 if name in self.zero_allowed else LEAST)
        if number is None:
            return False
        if name.startswith("M92 ") and not 1 <= number <= MOST_STEPS_PER_MM:
            return False
        self.set_raw(name, number, source)
        return True

    def set_raw(self, name: str, value: float, source: str = STATED_DEFAULT) -> None:
        """Take a value that has a meaning of its own, such as -1 for "not compiled in"."""
        place = self._place[name]
        self.values[place] = value
        self.sources[place] = source

    def source(self, name: str) -> str:
        """Return where the value of *name* came from."""
        return self.sources[self._place[name]]

    def acceleration_seen(self, line: int) -> None:
        """Note that M204 commands, first on *line*, were applied while planning."""
        for name in self.accelerations():
            self.sources[self._place[name]] = f"the file, M204 from line {line}"

    def accelerations(self) -> tuple[str, ...]:
        """Return the names that M204 changes."""
        return ("M204 P", "M204 T")

    @property
    def guessed(self) -> tuple[str, ...]:
        """Names whose values are the settings block's or stated defaults."""
        return tuple(
            name
            for name, source in zip(self.names, self.sources, strict=True)
            if source in (STATED_DEFAULT, SETTINGS_BLOCK)
        )

    def uses(self) -> tuple[LimitUse, ...]:
        """Return every limit, the last value in force, and its source."""
        return tuple(
            LimitUse(name, value, source)
            for name, value, source in zip(self.names, self.values, self.sources, strict=True)
            if self.shown(name)
        )

    def shown(self, name: str) -> bool:
        """Tell whether *name* plays a part in this job's times."""
        return name in self._place

    def apply(self, command: Command, line: int = 0) -> bool:
        """Take what *command*, on *line*, says about limits; return whether anything changed."""
        raise NotImplementedError

    def wrong_units(self, name: str) -> str | None:
        """Return a caution where the values of *name* were plainly meant in another unit; else None."""
        return None

    def _take(self, pairs: Iterable[tuple[str, float | None]], line: int) -> bool:
        changed = False
        for name, value in pairs:
            if value is not None:
                before = self[name]
                changed |= self.set(name, value, f"the file, line {line}") and self[name] != before
        return changed


class KlipperLimits(Limits):
    """The ``[printer]`` section and its like (docs/motion.md A6, A7)."""

    names = KLIPPER_LIMITS
    zero_allowed = frozenset(
        (
            "square_corner_velocity",
            "minimum_cruise_ratio",
            "instantaneous_corner_velocity",
            "retract_length",
            "unretract_extra_length",
        )
    )

    _VELOCITY_LIMIT: ClassVar = {
        "VELOCITY": "max_velocity",
        "ACCEL": "max_accel",
        "SQUARE_CORNER_VELOCITY": "square_corner_velocity",
        "MINIMUM_CRUISE_RATIO": "minimum_cruise_ratio",
    }
    _RETRACTION: ClassVar = {
        "RETRACT_LENGTH": "retract_length",
        "RETRACT_SPEED": "retract_speed",
        "UNRETRACT_EXTRA_LENGTH": "unretract_extra_length",
        "UNRETRACT_SPEED": "unretract_speed",
    }

    def set(self, name: str, value: object, source: str) -> bool:
        """As in :class:`Limits`; a cruise ratio stays below 1, or no move could ever speed up."""
        if name == "minimum_cruise_ratio" and isinstance(value, int | float) and not value < 1:
            return False
        return super().set(name, value, source)

    def accelerations(self) -> tuple[str, ...]:
        """Return the one acceleration that M204 changes here."""
        return ("max_accel",)

    def shown(self, name: str) -> bool:
        """Leave the firmware's retraction out where there is none."""
        return not name.startswith(("retract_", "unretract_")) or self["retract_length"] >= 0

    def apply(self, command: Command, line: int = 0) -> bool:
        """SET_VELOCITY_LIMIT, and SET_RETRACTION where the machine has it."""
        if command.name == "SET_VELOCITY_LIMIT":
            table = self._VELOCITY_LIMIT
        elif command.name == "SET_RETRACTION" and self["retract_length"] >= 0:
            table = self._RETRACTION
        else:
            return False
        return self._take(((name, command.number(key)) for key, name in table.items()), line)


def klipper_limits(
    profile: Mapping[str, Any] | None,
    retraction: Mapping[str, Any] | None,
    *,
    profile_source: str = "the printer's profile",
    machine: Mapping[str, float] | None = None,
    nozzle_mm: float = DEFAULT_NOZZLE_MM,
    filament_mm: float = DEFAULT_FILAMENT_MM,
) -> KlipperLimits:
    """Return Klipper's limits; *machine* holds the settings block's figures without ``machine_``."""
    limits = KlipperLimits()
    profile = profile or {}
    machine = machine or {}

    def pick(name: str, default: float, *guesses: float | None) -> None:
        limits.set_raw(name, default)
        for guess in guesses:
            if guess is not None and limits.set(name, guess, SETTINGS_BLOCK):
                break
        if name in profile:  # somebody looked at the machine: that outranks what a slicer guessed
            limits.set(name, profile[name], profile_source)

    speeds = [machine[key] for key in ("max_feedrate_x", "max_feedrate_y") if key in machine]
    ramps = [machine[key] for key in ("max_acceleration_x", "max_acceleration_y") if key in machine]
    pick("max_velocity", 300.0, min(speeds, default=None))
    pick("max_accel", 3000.0, machine.get("max_acceleration_extruding"), min(ramps, default=None))
    # Klipper takes Z as X and Y where its configuration names no limit of Z (A7)
    pick("max_z_velocity", limits["max_velocity"], machine.get("max_feedrate_z"))
    pick("max_z_accel", limits["max_accel"], machine.get("max_acceleration_z"))
    pick("square_corner_velocity", 5.0)
    pick("minimum_cruise_ratio", 0.5)
    # the speed at which the filament would fill a line four nozzle areas wide, A7
    ratio = 4 * nozzle_mm**2 / (math.pi * filament_mm**2 / 4)
    pick("max_extrude_only_velocity", limits["max_velocity"] * ratio, machine.get("max_feedrate_e"))
    pick("max_extrude_only_accel", limits["max_accel"] * ratio, machine.get("max_acceleration_e"))
    pick("instantaneous_corner_velocity", 1.0)
    pick("arc_resolution", 1.0)
    # without the section the commands do not exist: G10 and G11 are unknown there (A6)
    limits.set_raw("retract_length", -1.0 if retraction is None else 0.0)
    limits.set_raw("retract_speed", 20.0)
    limits.set_raw("unretract_extra_length", 0.0)
    limits.set_raw("unretract_speed", 10.0)
    for name, value in (retraction or {}).items():
        if name in limits._place:
            limits.set(name, value, profile_source)
    return limits


class MarlinLimits(Limits):
    """M201 to M208 as Marlin reads them (docs/motion.md B, B7)."""

    names = MARLIN_LIMITS
    zero_allowed = frozenset(each_letter("M205 JXYZEST 0, M207 SZ 0, M208 S 0, M900 K 0"))
    linear_advance = False  # M900 acts only where it is compiled in; the profile says so with K

    @property
    def classic(self) -> bool:
        """Whether corners follow classic jerk, not junction deviation."""
        return self["M205 J"] == 0

    def accelerations(self) -> tuple[str, ...]:
        """Return the accelerations that M204 changes here."""
        return ("M204 P", "M204 R", "M204 T")

    def shown(self, name: str) -> bool:
        """Leave out the other corner build, and what is not compiled in."""
        if name == "M205 J":
            return not self.classic
        if name in ("M205 X", "M205 Y", "M205 Z", "M205 E"):
            return self.classic
        if name.startswith(("M207", "M208")):
            return self["M207 S"] >= 0
        return name != "M900 K" or self["M900 K"] > 0

    def apply(self, command: Command, line: int = 0) -> bool:
        """M201, M203, M205, M92, M207, M208, M900."""
        name = command.name
        if name in ("M201", "M203", "M92"):
            return self._take(((f"{name} {axis}", command.number(axis)) for axis in "XYZE"), line)
        if name == "M205":
            # words of the other corner build are ignored, as the firmware does (docs/motion.md, B3)
            words = "STXYZE" if self.classic else "ST"
            changed = self._take(((f"M205 {word}", command.number(word)) for word in words), line)
            deviation = command.number("J")  # the firmware refuses what is outside this range
            if not self.classic and deviation is not None and 0.01 <= deviation <= 0.3:
                changed |= self._take((("M205 J", deviation),), line)
            return changed
        if name in ("M207", "M208") and self["M207 S"] >= 0:
            feed = command.number("F")
            pairs = [("M207 Z", command.number("Z"))] if name == "M207" else []
            pairs += [(f"{name} S", command.number("S")), (f"{name} F", feed and feed / 60)]
            return self._take(pairs, line)
        if name == "M900" and self.linear_advance:
            return self._take((("M900 K", command.number("K")),), line)
        return False

    def wrong_units(self, name: str) -> str | None:
        """As in :class:`Limits`: M203 meant in mm/min."""
        axis = max("XY", key=lambda letter: self[f"M203 {letter}"])
        if name != "M203" or self[f"M203 {axis}"] < RACE_MM_S:
            return None
        return (
            f"M203 is in mm/s here and allows {axis} {self[f'M203 {axis}']:.0f} mm/s;"
            " meant in mm/min? Read in mm/s it limits nothing, and the job is timed so"
        )


def marlin_limits(
    profile: Mapping[str, Any] | None,
    *,
    profile_source: str = "the printer's profile",
    machine: Mapping[str, float] | None = None,
) -> MarlinLimits:
    """Return Marlin's limits; the words of M205 in *profile* choose the corner build."""
    limits = MarlinLimits()
    machine = machine or {}
    for name, value in MARLIN_DEFAULTS.items():
        limits.set_raw(name, value)
    for key, name in _block_names().items():
        if key in machine:
            limits.set(name, machine[key], SETTINGS_BLOCK)
    # without one of its own, travel has that of printing, as M204 S sets both
    if "max_acceleration_travel" not in machine and "max_acceleration_extruding" in machine:
        limits.set("M204 T", machine["max_acceleration_extruding"], SETTINGS_BLOCK)
    if profile is None:
        return limits
    for word, letters in profile.items():
        if not isinstance(letters, Mapping):
            continue
        for letter, value in letters.items():
            name = f"{word} {letter}"
            if name in limits._place:
                scaled = value / 60 if letter == "F" and isinstance(value, int | float) else value
                limits.set(name, scaled, profile_source)
    if isinstance(profile.get("M204"), Mapping) and "S" in profile["M204"]:
        for name in ("M204 P", "M204 T"):
            if name.split()[1] not in profile["M204"]:
                limits.set(name, profile["M204"]["S"], profile_source)
    corners = profile.get("M205")  # its words say which corner build the firmware has (B3)
    if isinstance(corners, Mapping) and "J" not in corners and {"X", "Y"} & corners.keys():
        limits.set_raw("M205 J", 0.0, profile_source)
    if "M207" not in profile:  # a profile lists what is compiled in (B6)
        limits.set_raw("M207 S", -1.0, profile_source)
    limits.linear_advance = "M900" in profile
    return limits


def _block_names() -> dict[str, str]:
    """Return the settings block's keys, without ``machine_``, and the words they stand for."""
    names = {
        "max_acceleration_extruding": "M204 P",
        "max_acceleration_retracting": "M204 R",
        "max_acceleration_travel": "M204 T",
        "min_extruding_rate": "M205 S",
        "min_travel_rate": "M205 T",
    }
    for axis in "XYZE":
        names[f"max_acceleration_{axis.lower()}"] = f"M201 {axis}"
        names[f"max_speed_{axis.lower()}"] = f"M203 {axis}"
        names[f"max_feedrate_{axis.lower()}"] = f"M203 {axis}"
        names[f"max_jerk_{axis.lower()}"] = f"M205 {axis}"
    return names


class RrfLimits(Limits):
    """M201, M203, M204, M566, M207, M572 as RepRapFirmware reads them (docs/motion.md C4, C6)."""

    names = RRF_LIMITS
    zero_allowed = frozenset(("M566 P", "M207 S", "M207 R", "M207 Z", "M572 S"))

    def shown(self, name: str) -> bool:
        """Leave pressure advance out where there is none."""
        return name != "M572 S" or self["M572 S"] > 0

    def apply(self, command: Command, line: int = 0) -> bool:
        """M201, M203 and M566 (mm/min), M205 (mm/s), M207, M572."""
        name = command.name
        pairs: list[tuple[str, float | None]] = []
        if name == "M201":
            pairs = [(f"M201 {axis}", _floored(command.number(axis), 0.1)) for axis in "XYZE"]
        elif name == "M203":
            per = 1.0 if command.number("S") == 1 else 60.0
            least = command.number("I")
            if least is not None:
                self._take((("M203 I", least / per),), line)
            pairs = [
                (f"M203 {axis}", _floored(_over(command.number(axis), per), self["M203 I"]))
                for axis in "XYZE"
            ]
        elif name in ("M566", "M205"):
            per = 60.0 if name == "M566" else 1.0
            pairs = [(f"M566 {axis}", _floored(_over(command.number(axis), per), 0.1)) for axis in "XYZE"]
            if name == "M566":
                pairs.append(("M566 P", command.number("P")))
        elif name == "M207":
            pairs = [(f"M207 {word}", command.number(word)) for word in "SRZ"]
            back, forth = _over(command.number("F"), 60.0), _over(command.number("T"), 60.0)
            pairs += [("M207 F", back), ("M207 T", back if forth is None else forth)]
        elif name == "M572":
            pairs = [("M572 S", command.number("S"))]
        return self._take(pairs, line)

    def wrong_units(self, name: str) -> str | None:
        """As in :class:`Limits`: M203 or M566 meant in mm/s."""
        if name not in ("M203", "M566"):
            return None
        axis = min("XY", key=lambda letter: self[f"{name} {letter}"])
        speed = self[f"{name} {axis}"]
        if name == "M203" and speed < CRAWL_MM_S:
            held = f"holds {axis} to {speed:.1f} mm/s"
        elif name == "M566" and speed < CRAWL_JERK_MM_S:
            held = f"allows {axis} steps of {speed:.2g} mm/s in corners"
        else:
            return None
        return f"{name} is in mm/min here and {held}; meant in mm/s? The job would really be that slow, and is timed so"


def _over(value: float | None, per: float) -> float | None:
    return None if value is None else value / per


def _floored(value: float | None, least: float) -> float | None:
    return None if value is None else max(value, least)


def rrf_limits(
    profile: Mapping[str, Any] | None,
    *,
    profile_source: str = "the printer's profile",
    machine: Mapping[str, float] | None = None,
) -> RrfLimits:
    """Return RepRapFirmware's limits; the profile speaks in that firmware's units (M203, M566: mm/min)."""
    limits = RrfLimits()
    machine = machine or {}
    for name, value in RRF_DEFAULTS.items():
        limits.set_raw(name, value)
    for key, name in _block_names().items():
        word = name.replace("M205", "M566")
        if key in machine and word in limits._place and word not in ("M204 P", "M204 T"):
            limits.set(word, machine[key], SETTINGS_BLOCK)
    for name, key in (("M204 P", "max_acceleration_extruding"), ("M204 T", "max_acceleration_travel")):
        guess = machine.get(key, machine.get("max_acceleration_extruding"))
        if guess is not None:
            limits.set(name, guess, SETTINGS_BLOCK)
    # a profile is a configuration file's lines: read it as the firmware reads those
    for word in ("M203", "M201", "M204", "M566", "M205", "M207", "M572"):
        letters = (profile or {}).get(word)
        if letters is None:
            continue
        if not isinstance(letters, Mapping):
            letters = {"S": letters}
        words = {key: float(value) for key, value in letters.items() if isinstance(value, int | float)}
        before = list(limits.values)
        if word == "M204":
            for name in ("M204 P", "M204 T"):
                if name[-1] in words or "S" in words:
                    limits.set(name, words.get(name[-1], words.get("S")), profile_source)
        else:
            limits.apply(Command(word, words))
        for place, name in enumerate(limits.names):
            stated = name.startswith(word) or (word == "M205" and name.startswith("M566"))
            if limits.values[place] != before[place] or (stated and name[-1] in words):
                limits.sources[place] = profile_source
    return limits


def limits_for(
    dialect: Dialect | int,
    *,
    printer: "Printer | None" = None,
    facts: "SlicerFacts | None" = None,
    filament_mm: float | None = None,
) -> Limits:
    """Return the limits at a job's first line.

    Parameters
    ----------
    dialect : the rules that the job is timed by.
    printer : its profile; a profile of another dialect says nothing about this one.
    facts : the slicer's; the settings block is the guess where no profile is given.
    filament_mm : for Klipper's default of the extrude-only speed.
    """
    machine: dict[str, float] = {}
    nozzle = DEFAULT_NOZZLE_MM
    if facts is not None:
        if facts.machine_limits_usage != "ignore":
            for key, given in facts.machine_limits.items():
                if given and given[0] is not None:
                    machine[key] = float(given[0])
        for key in [key for key in machine if key.startswith("max_speed_")]:
            machine.setdefault("max_feedrate_" + key[-1], machine[key])
        if facts.nozzle_mm and facts.nozzle_mm[0]:
            nozzle = facts.nozzle_mm[0]
    source = "the printer's profile"
    if printer is not None:
        source = f"printer {printer.name}"
        if printer.hot_end.nozzle_mm:
            nozzle = printer.hot_end.nozzle_mm
        if printer.dialect != Dialect(dialect).label:
            printer = None
    if dialect == Dialect.KLIPPER:
        return klipper_limits(
            printer.klipper if printer else None,
            printer.klipper_firmware_retraction if printer else None,
            profile_source=source,
            machine=machine,
            nozzle_mm=nozzle,
            filament_mm=filament_mm or DEFAULT_FILAMENT_MM,
        )
    if dialect == Dialect.REPRAPFIRMWARE:
        return rrf_limits(printer.reprapfirmware if printer else None, profile_source=source, machine=machine)
    return marlin_limits(printer.marlin if printer else None, profile_source=source, machine=machine)
