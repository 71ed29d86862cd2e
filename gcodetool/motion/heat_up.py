"""Heat-up: how long a job waits at a line that waits for a temperature, from a stated heater model.

Every heater starts at room temperature, warms at one constant rate, and cools at another where that is
stated.  Heaters whose target was set earlier go on warming while the job moves or waits elsewhere, so a
bed that is waited for first leaves less to wait for the nozzle.

Left out: the last degrees, which a controller takes more slowly; what a fan or a cold bed does; how a
room warms.  A rate read off between room and printing temperature has most of that in it.
"""

import math
import re
from typing import TYPE_CHECKING, Final

from gcodetool.gcode.dialects import Command, Dialect
from gcodetool.quickdata import dataclass
from gcodetool.quickpattern import compiled

if TYPE_CHECKING:
    from gcodetool.profiles import Heater, Waiting

MOST_C: Final = 1000.0  # above this a target is no temperature of a printer
SET: Final = {"M104": "nozzle", "M140": "bed", "M141": "chamber"}
WAITED: Final = {"M109": "nozzle", "M190": "bed", "M191": "chamber"}
_TEMPERATURE: Final = r"(?:_?TEMP(?:ERATURE)?)?"
MACRO_WORDS: Final = (  # in the order in which a start macro as a rule waits for them
    ("bed", compiled(rf"(?:FIRST_LAYER_|INITIAL_)?BED{_TEMPERATURE}")),
    ("chamber", compiled(rf"CHAMBER{_TEMPERATURE}")),
    ("nozzle", compiled(rf"(?:FIRST_LAYER_|INITIAL_)?(?:EXTRUDER|HOTEND|NOZZLE|TOOL){_TEMPERATURE}")),
)
NAMED_HEATER: Final = compiled(r"(?:extruder(\d*)|(heater_bed)|.*(chamber).*)", re.IGNORECASE)
BY_MODEL: Final = "by the printer's heater model"

Key = tuple[str, int]  # nozzle, bed or chamber, and which nozzle


@dataclass(frozen=True)
class HeatWait:
    """One wait for heat.

    Attributes
    ----------
    seconds : how long. [s]
    known : the model says so; else a part of it is not stated and counts as 0.
    words : the reason, for people.
    """

    seconds: float
    known: bool
    words: str


@dataclass(frozen=True)
class _Warmth:
    """A heater at one moment of the heaters' clock."""

    temperature_C: float
    target_C: float
    since_s: float


def warmed(temperature_C: float, goal_C: float, seconds: float, heater: "Heater") -> float:
    """Return the temperature after *seconds* on the way to *goal_C*. [°C].

    Where no cooling rate is stated, a heater is cold as soon as it is told to be.
    """
    if goal_C > temperature_C:
        return min(goal_C, temperature_C + heater.rate_C_s * max(0.0, seconds))
    if heater.cooling_C_s is None:
        return goal_C
    return max(goal_C, temperature_C - heater.cooling_C_s * max(0.0, seconds))


def seconds_between(temperature_C: float, goal_C: float, heater: "Heater") -> float | None:
    """Return how long a heater takes to *goal_C*; None: it cools, and nobody states how fast. [s]."""
    if goal_C >= temperature_C:
        return (goal_C - temperature_C) / heater.rate_C_s
    return None if heater.cooling_C_s is None else (temperature_C - goal_C) / heater.cooling_C_s


class Heaters:
    """The heaters of one machine through one job.

    Parameters
    ----------
    waiting : the printer's heater model.
    dialect : whose commands are read; Klipper alone also waits for cooling at every wait.
    one_nozzle : all tools share a nozzle.

    ``now_s`` below is the heaters' clock: motion and waits so far, without the start's overhead.
    """

    def __init__(self, waiting: "Waiting", dialect: Dialect, *, one_nozzle: bool = False) -> None:
        self.room_C = waiting.room_C
        self.dialect = dialect
        self.one_nozzle = one_nozzle
        self.models = {"nozzle": waiting.nozzle, "bed": waiting.bed, "chamber": waiting.chamber}
        self.warmth: dict[Key, _Warmth] = {}
        self.active: dict[int, float] = {}  # RepRapFirmware: by tool, in use and on standby
        self.standby: dict[int, float] = {}

    def see(self, called: Command, now_s: float, tool: int) -> None:
        """Take the targets that *called* sets; *tool* is the active one."""
        name = called.name
        kind = SET.get(name) or WAITED.get(name)
        if kind is not None:
            target = self._target(called)
            if target is None:
                return
            key = self._key(kind, _whole(called.number("T"), tool) if kind == "nozzle" else 0)
            self._aim(key, target, now_s)
            if kind == "nozzle":
                self.active[key[1]] = target
        elif name == "SET_HEATER_TEMPERATURE" and self.dialect == Dialect.KLIPPER:
            named = self._named(called.words.get("HEATER"))
            if named is not None:
                self._aim(named, called.number("TARGET") or 0.0, now_s)
        elif name == "TURN_OFF_HEATERS" and self.dialect == Dialect.KLIPPER:
            for key in self.warmth:
                self._aim(key, 0.0, now_s)
        elif name in ("G10", "M568") and self.dialect == Dialect.REPRAPFIRMWARE:
            of = _whole(called.number("P"), tool)
            for letter, table in (("S", self.active), ("R", self.standby)):
                value = called.number(letter)
                if value is not None:
                    table[of] = value
            self._aim_tool(of, self.active if of == tool else self.standby, now_s)

    def select(self, tool: int, before: int, now_s: float) -> None:
        """Change tools: under RepRapFirmware the one goes to standby, the other to its target."""
        if self.dialect == Dialect.REPRAPFIRMWARE:  # the others leave every heater as it was set
            self._aim_tool(before, self.standby, now_s)
            self._aim_tool(tool, self.active, now_s)

    def wait(self, called: Command, now_s: float, tool: int, *, covered: bool = False) -> HeatWait:
        """Return the wait at *called*, whose targets :meth:`see` has taken; leave its heaters there.

        ``covered``: the wait is part of a stated start, and the clock does not move for it.
        """
        name = called.name
        low = high = None
        if name in WAITED:
            if self._target(called) is None:
                return HeatWait(0.0, True, "no target, no wait")
            kind = WAITED[name]
            keys = [self._key(kind, _whole(called.number("T"), tool) if kind == "nozzle" else 0)]
        elif name == "M116":
            keys = self._all(called)
        else:
            named = self._named(called.words.get("SENSOR"))
            keys = [] if named is None else [named]
            low, high = called.number("MINIMUM"), called.number("MAXIMUM")
        if not keys:
            return HeatWait(0.0, False, "no heater of the printer's model, 0 s")
        waits = [
            self._one(key, now_s, cools=self._cools(called), low=low, high=high, covered=covered)
            for key in keys
        ]
        longest = max(waits, key=lambda wait: wait.seconds)  # M116 ends when the slowest heater is there
        missing = next((wait for wait in waits if not wait.known), None)
        return longest if missing is None else HeatWait(longest.seconds, False, missing.words)

    def macro(self, called: Command, now_s: float, tool: int, *, covered: bool) -> HeatWait | None:
        """Return the wait in a start macro that names temperatures, one heater after the other; None: no names."""
        seconds, words = 0.0, []
        for kind, pattern in MACRO_WORDS:
            for word in called.words:
                target = called.number(word)
                if not pattern.fullmatch(word) or target is None or target <= 0:
                    continue
                key = self._key(kind, tool if kind == "nozzle" else 0)
                then_s = now_s + (0.0 if covered else seconds)
                self._aim(key, target, then_s)
                one = self._one(key, then_s, cools=False, covered=covered)
                seconds += one.seconds
                words.append(f"{kind} {one.words}")
                break
        return HeatWait(seconds, False, "; ".join(words)) if words else None

    # --- one heater ---

    def _one(
        self,
        key: Key,
        now_s: float,
        *,
        cools: bool,
        low: float | None = None,
        high: float | None = None,
        covered: bool = False,
    ) -> HeatWait:
        """Return the wait for one heater, and leave it at its goal when that is over."""
        heater, name = self.models[key[0]], key[0]
        if heater is None:
            return HeatWait(0.0, False, f"no rate for the {name} in the printer's heater model, 0 s")
        warmth = self.warmth.get(key, _Warmth(self.room_C, 0.0, now_s))
        here, final = self._temperature(key, now_s), self._goal(warmth.target_C)
        goal = final
        if warmth.temperature_C > final and heater.cooling_C_s is None and (cools or high is not None):
            self.warmth[key] = _Warmth(final, warmth.target_C, now_s)
            text = f"cooling to {final:.0f} °C, no cooling rate in the printer's heater model, 0 s"
            return HeatWait(0.0, False, text)
        if low is not None or high is not None:
            goal = min(max(here, -math.inf if low is None else low), math.inf if high is None else high)
            if not min(here, final) <= goal <= max(here, final):
                return HeatWait(0.0, False, f"no line heats the {name} to that, 0 s")
        elif not cools and goal < here:  # this form waits for heating only: hotter is good enough
            return HeatWait(0.0, True, f"{here:.0f} °C already, {BY_MODEL}")
        seconds = seconds_between(here, goal, heater) or 0.0
        self.warmth[key] = _Warmth(goal, warmth.target_C, now_s if covered else now_s + seconds)
        return HeatWait(seconds, True, f"{here:.0f} to {goal:.0f} °C {BY_MODEL}")

    def _temperature(self, key: Key, now_s: float) -> float:
        warmth, heater = self.warmth.get(key), self.models[key[0]]
        if warmth is None or heater is None:
            return self.room_C
        return warmed(warmth.temperature_C, self._goal(warmth.target_C), now_s - warmth.since_s, heater)

    def _aim(self, key: Key, target_C: float, now_s: float) -> None:
        if 0 <= target_C <= MOST_C:
            since = max(now_s, self.warmth[key].since_s) if key in self.warmth else now_s
            self.warmth[key] = _Warmth(self._temperature(key, now_s), target_C, since)

    def _aim_tool(self, tool: int, table: dict[int, float], now_s: float) -> None:
        if tool in table:
            self._aim(self._key("nozzle", tool), table[tool], now_s)

    def _goal(self, target_C: float) -> float:
        return max(target_C, self.room_C)  # nothing here cools below the room

    def _key(self, kind: str, tool: int) -> Key:
        return kind, 0 if self.one_nozzle or kind != "nozzle" else tool

    # --- words of commands ---

    def _target(self, called: Command) -> float | None:
        """Return the target of a classic command; Klipper knows S alone, and without it switches off."""
        target = called.number("S")
        if target is None and self.dialect != Dialect.KLIPPER:
            target = called.number("R")
        elif target is None:
            target = 0.0  # Klipper reads a missing S as its default, 0
        return target if target is not None and 0 <= target <= MOST_C else None

    def _cools(self, called: Command) -> bool:
        """Tell whether *called* also waits for cooling: R, M116, and Klipper for any target."""
        if self.dialect == Dialect.KLIPPER:
            return bool(self._target(called))
        return called.name == "M116" or (called.number("S") is None and called.number("R") is not None)

    def _named(self, name: object) -> Key | None:
        """Return the heater that Klipper calls *name*."""
        found = NAMED_HEATER.fullmatch(name.strip()) if isinstance(name, str) else None
        if found is None:
            return None
        if found[2]:
            return "bed", 0
        if found[3]:
            return "chamber", 0
        return self._key("nozzle", int(found[1] or 0) if len(found[1]) < 4 else 0)

    def _all(self, called: Command) -> list[Key]:
        """Return what M116 waits for: the heaters that are on, or those that it names."""
        words = called.words
        if "H" in words:
            return []  # numbers of heaters, which a profile does not state
        keys: list[Key] = []
        if "P" in words:
            keys.append(self._key("nozzle", _whole(called.number("P"), 0)))
        if "C" in words:
            keys.append(("chamber", 0))
        return keys or [key for key, warmth in self.warmth.items() if warmth.target_C > 0]


def _whole(value: float | None, default: int) -> int:
    """Return a tool's number, *default* where there is none that a tool can have."""
    return int(value) if value is not None and 0 <= value < 1000 else default
