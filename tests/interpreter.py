"""An interpreter of G-code files in three dialects, for tests only.

It shares nothing with the package: its own reading of lines, its own state, its own rules, written
from the firmwares' manuals.  :func:`execute` runs a file and yields what happens: moves, dwells,
pauses, heating.  Positions that no command has made known are ``None``.

A print host listens: ``action:prompt_…`` opens and closes a dialog with buttons there, and ``dialog`` holds what
stands on its screen.

A pause is also where a person has the machine's console: with ``meddle`` modes, E register, speed and
nozzle target are others after it.

Slow and plain on purpose.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

MARLIN, KLIPPER, RRF = "marlin", "klipper", "reprapfirmware"
FORK = "fork"  # a closed one of Marlin that pauses by M400 U1
DIALECTS = (MARLIN, KLIPPER, RRF)

WORD = re.compile(r"([A-Za-z])\s*([-+]?(?:\d+\.?\d*|\.\d+))")
MACRO = re.compile(r"^(?:PRINT_START|START_PRINT|[A-Z_]*START[A-Z_]*)\b")
PAUSE_MACRO = re.compile(r"[A-Z_]*PAUSE[A-Z_]*")
QUOTED = re.compile(r'"(?:[^"]|"")*"')
MACRO_HEAT = re.compile(r"\b(?:EXTRUDER|HOTEND|NOZZLE|TOOL)(?:_?TEMP(?:ERATURE)?)?=([\d.]+)")


@dataclass(frozen=True)
class State:
    """Everything that a block must give back."""

    x: float | None = None
    y: float | None = None
    z: float | None = None
    shift: tuple[float, float, float] = (0.0, 0.0, 0.0)  # G92: logical = machine - shift
    e: float = 0.0  # register, in the file's unit
    absolute: bool = True
    e_absolute: bool = True  # what M82 and M83 say (Marlin: also G90 and G91)
    inches: bool = False
    feed: float | None = None  # mm/min as commanded
    tool: int = 0
    targets: tuple[tuple[int, float], ...] = ()
    fed: tuple[tuple[int, float], ...] = ()  # filament that went through, net, per tool
    peak: tuple[tuple[int, float], ...] = ()  # the furthest it ever was
    firmware_retracted: tuple[int, ...] = ()
    volumetric: float = 0.0  # filament diameter
    flow: float = 1.0  # of the tool in use
    flows: tuple[tuple[int, float], ...] = ()  # of those put down; Klipper has one for all
    speed: float = 1.0
    accelerations: str = ""
    hot: bool = True  # a wait has followed the last rise of the target
    homed: frozenset[str] = frozenset()
    prompts: bool = False  # Marlin: M0 opens a dialog of its own on the host
    dialog: tuple[tuple[str, str], ...] = ()  # what stands on the host: (begin, title), (text, …), …

    @property
    def target(self) -> float:
        return dict(self.targets).get(self.tool, 0.0)

    @property
    def retracted(self) -> float:
        """Filament pulled back from the furthest it was."""
        return dict(self.peak).get(self.tool, 0.0) - dict(self.fed).get(self.tool, 0.0)


@dataclass(frozen=True)
class Event:
    """One thing that happens.

    ``kind``: move, dwell, pause, set (a temperature), heat (wait for one), say, beep, prompt, other.
    """

    kind: str
    number: int
    text: str
    before: State
    after: State
    fed: float = 0.0  # mm of filament in this move
    seconds: float = 0.0
    forward: float = 0.0  # of fed: what comes out, beyond what only undoes a retraction
    words: dict[str, float] = field(default_factory=dict)

    @property
    def moved(self) -> bool:
        """Whether the head goes anywhere, as far as one can tell."""
        return bool({"X", "Y", "Z"} & set(self.words))

    def like(self, other: "Event") -> bool:
        """Whether both do the same; filament may differ by rounding, 0.01 micrometres and 10 in all."""
        one, two = self.after, other.after
        return (
            (self.kind, self.text, self.seconds) == (other.kind, other.text, other.seconds)
            and (one.x, one.y, one.z) == (two.x, two.y, two.z)
            and (self.kind != "move" or one.feed == two.feed)
            and (one.tool, one.target, one.hot) == (two.tool, two.target, two.hot)
            and (one.flow, one.speed, one.volumetric) == (two.flow, two.speed, two.volumetric)
            and one.firmware_retracted == two.firmware_retracted
            and abs(self.fed - other.fed) <= 1e-8
            and abs(one.retracted - two.retracted) <= 1e-5
        )


def alike(one: list[Event], other: list[Event]) -> bool:
    """Whether two runs do the same all along."""
    return len(one) == len(other) and all(a.like(b) for a, b in zip(one, other, strict=True))


def plain(line: str) -> str:
    """The command on a line: no comment, no line number, no checksum."""
    text = line.split(";", maxsplit=1)[0]
    if not text.lstrip().upper().startswith("M117"):
        text = re.sub(r"\([^)]*\)", " ", text)
    text = re.sub(r"^\s*[Nn]\d+\s+", "", text)
    return re.sub(r"\*\d+\s*$", "", text).strip()


def put(pairs: tuple[tuple[int, float], ...], key: int, value: float) -> tuple[tuple[int, float], ...]:
    return tuple(sorted({**dict(pairs), key: value}.items()))


def meddled(state: State, *, absolute: bool) -> State:
    """The state after a person was at the console: whatever a block relies on is another."""
    cold = put(state.targets, state.tool, 0.0)
    return replace(
        state, absolute=absolute, e_absolute=True, e=state.e + 1234.5, feed=77.0, targets=cold, hot=False
    )


def execute(
    lines: Iterable[str], dialect: str, start: State | None = None, *, meddle: str = ""
) -> Iterator[Event]:
    """Run *lines* in *dialect* and yield the events; lines without a command yield none.

    ``meddle``: what the person leaves behind at each pause: nothing, "G90" or "G91".
    """
    state = start or State()
    saved: dict[str, State] = {}
    for number, line in enumerate(lines, 1):
        text = plain(line)
        if not text:
            continue
        event = step(text, dialect, state, saved)
        event = replace(event, number=number, text=text)
        state = event.after
        yield event
        if meddle and event.kind == "pause":
            state = meddled(state, absolute=meddle == "G90")


def final(lines: Iterable[str], dialect: str, start: State | None = None, *, meddle: str = "") -> State:
    """The state after all *lines*."""
    state = start or State()
    for event in execute(lines, dialect, state, meddle=meddle):
        state = event.after
    return state


def step(text: str, dialect: str, state: State, saved: dict[str, State]) -> Event:
    """Execute one command."""

    def done(kind: str, after: State, **more: object) -> Event:
        return Event(kind, 0, text, state, after, **more)  # type: ignore[arg-type]

    head = re.match(r"([A-Za-z])\s*(\d+(?:\.\d+)?)", text)
    name = f"{head[1].upper()}{head[2].lstrip('0') or '0'}" if head else text.split(maxsplit=1)[0].upper()
    if head and re.match(r"[A-Za-z]_?[A-Za-z_]{2,}", text):
        name = text.split(maxsplit=1)[0].upper()
    rest = text[head.end() :] if head else text[len(name) :]
    words = {letter.upper(): float(value) for letter, value in WORD.findall(QUOTED.sub(" ", rest))}
    fork = dialect == FORK
    dialect = MARLIN if fork else dialect

    if name in ("G0", "G1", "G2", "G3"):
        return move(text, dialect, state, words)
    if name == "G4":
        seconds = words.get("P", 0.0) / 1000
        if "S" in words and dialect != KLIPPER:
            seconds = words["S"]
        return done("dwell", state, seconds=seconds)
    if name in ("G10", "G11"):
        if name == "G10" and dialect == RRF and set(words) & set("PSRXYZL"):
            tool = int(words.get("P", state.tool))
            after = state
            if "S" in words:
                targets = put(state.targets, tool, words["S"])
                after = replace(state, targets=targets, hot=state.hot and tool != state.tool)
            return done("set", after)
        held = set(state.firmware_retracted)
        who = 0 if dialect == KLIPPER else state.tool  # there it is one for all
        held = held | {who} if name == "G10" else held - {who}
        return done("retract", replace(state, firmware_retracted=tuple(sorted(held))))
    if name in ("G20", "G21"):
        return done("other", state if dialect == KLIPPER else replace(state, inches=name == "G20"))
    if name == "G28":
        axes = {axis for axis in "XYZ" if re.search(rf"\b{axis}", rest.upper())} or set("XYZ")
        gone = {axis.lower(): None for axis in axes}
        return done("home", replace(state, homed=state.homed | axes, **gone))  # type: ignore[arg-type]
    if name in ("G90", "G91"):
        after = replace(state, absolute=name == "G90")
        if dialect == MARLIN:
            after = replace(after, e_absolute=name == "G90")
        return done("mode", after)
    if name in ("M82", "M83"):
        return done("mode", replace(state, e_absolute=name == "M82"))
    if name == "G92":
        after = state
        if "E" in words or (dialect == KLIPPER and not words):
            after = replace(after, e=words.get("E", 0.0))
        shift = list(after.shift)
        for axis, letter in enumerate("XYZ"):
            here = (state.x, state.y, state.z)[axis]
            if letter in words and here is not None:
                shift[axis] = here - words[letter]
        return done("mode", replace(after, shift=(shift[0], shift[1], shift[2])))
    if name == "ACTIVATE_EXTRUDER" and dialect == KLIPPER:
        found = re.search(r"EXTRUDER=extruder(\d*)", rest)
        tool = int(found[1] or 0) if found else state.tool
        if tool == state.tool:
            return done("other", state)
        return done("tool", replace(state, tool=tool, e=0.0, flow=1.0))
    if re.fullmatch(r"T\d+", name):
        after = replace(state, tool=int(name[1:]))
        if dialect != KLIPPER:
            flows = put(state.flows, state.tool, state.flow)
            after = replace(after, flows=flows, flow=dict(flows).get(after.tool, 1.0))
        return done("tool", after)
    if name in ("M104", "M109"):
        tool = int(words.get("T", state.tool))
        value = words.get("S")
        if value is None and name == "M109" and dialect != KLIPPER:
            value = words.get("R")
        if value is None:
            if dialect != KLIPPER:
                return done("other", state)
            value = 0.0  # Klipper: S missing means 0
        rises = value > dict(state.targets).get(tool, 0.0)
        hot = (name == "M109") or (state.hot and not rises)
        return done(
            "heat" if name == "M109" else "set",
            replace(state, targets=put(state.targets, tool, value), hot=hot),
        )
    if name == "M116" and dialect == RRF and "P" in words:  # waits for that tool only
        return done("heat", replace(state, hot=state.hot or words["P"] == state.tool))
    if name in ("M116", "TEMPERATURE_WAIT"):
        known = dialect == {"M116": RRF}.get(name, KLIPPER)
        return done("heat" if known else "other", replace(state, hot=True) if known else state)
    if name == "M200":
        return done("mode", state if dialect == KLIPPER else replace(state, volumetric=words.get("D", 0.0)))
    if name == "M220":
        return done("mode", replace(state, speed=words["S"] / 100 if "S" in words else state.speed))
    if name == "M221":
        return done("mode", replace(state, flow=words["S"] / 100 if "S" in words else state.flow))
    if name in ("M204", "M205", "M201", "M203"):
        return done("limits", replace(state, accelerations=state.accelerations + text))
    if name in ("M0", "M1"):
        if dialect == MARLIN and state.prompts:  # closes any other dialog; each answer goes on
            shown = (("begin", "M0 Stop"), ("button", "Continue"), ("show", ""))
            return done("pause", replace(state, dialog=shown))
        kind = {MARLIN: "pause", RRF: "end", KLIPPER: "other"}[dialect]
        return done(kind, state)
    if PAUSE_MACRO.fullmatch(name):
        return done("pause" if dialect == KLIPPER else "other", state)
    if name == "M291" and dialect == RRF:
        text_there = re.search(r'\bP\s*"', rest) is not None
        return done(
            {0: "say", 1: "say"}.get(int(words.get("S", 1)), "pause") if text_there else "other", state
        )
    if name in ("M226", "M601") and dialect == RRF:
        return done("pause", state)
    if name == "M400" and fork and "U" in words:
        return done("pause", state)
    if name == "M300":
        return done("beep" if dialect != KLIPPER else "other", state)
    action = re.search(r"//\s*action:(\w+) ?(.*)", printed(name, rest, dialect))
    if action:
        return done(*host(state, action[1], action[2]))
    if name == "M118" and dialect == RRF:  # its text stands in S
        return done("say" if re.search(r'\bS\s*"', rest) else "other", state)
    if name in ("M117", "M118", "RESPOND"):
        return done("say" if name != "RESPOND" or dialect == KLIPPER else "other", state)
    if name in ("M120", "M121") and dialect == RRF:  # a stack of modes; the E register is not among them
        depth = sum(key.startswith("M120 ") for key in saved)
        if name == "M120":
            saved[f"M120 {depth}"] = state
            return done("mode", state)
        old = saved.pop(f"M120 {depth - 1}", None)
        if old is None:
            return done("mode", state)
        modes = {key: getattr(old, key) for key in ("absolute", "e_absolute", "inches", "feed")}
        return done("mode", replace(state, **modes))
    if name == "SAVE_GCODE_STATE" and dialect == KLIPPER:
        saved[rest.strip()] = state
        return done("other", state)
    if name == "RESTORE_GCODE_STATE" and dialect == KLIPPER:
        old = saved.get(re.sub(r"\s*MOVE\S*=\S+", "", rest).strip())
        if old is None:
            return done("other", state)
        kept = {"fed": state.fed, "peak": state.peak, "targets": state.targets, "hot": state.hot}
        kept |= {"tool": state.tool, "homed": state.homed}
        where = {} if "MOVE=1" in rest else {"x": state.x, "y": state.y, "z": state.z}
        return done("mode", replace(old, **kept, **where))  # type: ignore[arg-type]
    if MACRO.match(name) and not name.startswith("EXCLUDE_OBJECT"):
        heat = MACRO_HEAT.search(text.upper())
        targets = put(state.targets, state.tool, float(heat[1])) if heat else state.targets
        return done(
            "macro", replace(state, x=None, y=None, z=None, targets=targets, hot=True, homed=frozenset("XYZ"))
        )
    return done("other", state)


def printed(name: str, rest: str, dialect: str) -> str:
    """What a line prints to the host."""
    if name == "RESPOND" and dialect == KLIPPER:
        said = re.search(r'MSG=(?:"([^"]*)"|(\S+))', rest)
        prefix = "// " if re.search(r"\bTYPE=command\b", rest) else "echo: "
        return prefix + ((said[1] or said[2] or "") if said else "")
    if name == "M118" and dialect == MARLIN:
        said = re.match(r"\s*((?:[AEP]\d+\s+)*)(.*)", rest)
        return ("//" if said and "A1" in said[1].split() else "") + (said[2] if said else "")
    return ""


def host(state: State, what: str, said: str) -> tuple[str, State]:
    """What a print host does with an action: kind of event, and the state with the dialog on its screen."""
    if what == "notification":
        return "say", state
    if what == "prompt_begin":
        return "prompt", replace(state, dialog=(("begin", said),))
    if what == "prompt_end":
        return "prompt", replace(state, dialog=())
    part = what.removeprefix("prompt_")
    if part in ("text", "button", "footer_button", "show") and state.dialog:
        return "prompt", replace(state, dialog=(*state.dialog, (part, said)))
    return "other", state  # pause, resume, cancel, …: none that a block may say; parts of no dialog


def move(text: str, dialect: str, state: State, words: dict[str, float]) -> Event:
    """Execute G0 to G3."""
    dialect = MARLIN if dialect == FORK else dialect
    inch = 25.4 if state.inches else 1.0
    after = state
    if "F" in words:
        after = replace(after, feed=words["F"] * inch)
    places: list[float | None] = [state.x, state.y, state.z]
    for axis, letter in enumerate("XYZ"):
        if letter not in words:
            continue
        here, value = places[axis], words[letter] * inch
        if state.absolute:
            places[axis] = value + state.shift[axis]
        else:
            places[axis] = None if here is None else here + value
    after = replace(after, x=places[0], y=places[1], z=places[2])
    fed = forward = 0.0
    if "E" in words:
        value = words["E"] * inch
        relative = not state.e_absolute or (dialect == KLIPPER and not state.absolute)
        delta = value if relative else value - state.e
        if not relative:
            after = replace(after, e=value)
        elif dialect != RRF:  # relative words leave that firmware's register as it is
            after = replace(after, e=state.e + value)
        # RepRapFirmware applies M221 to moves in X, Y and Z only
        fed = delta if dialect == RRF and not set(words) & set("XYZ") else delta * state.flow
        if state.volumetric:
            fed /= 3.141592653589793 / 4 * state.volumetric**2
        so_far = dict(state.fed).get(state.tool, 0.0) + fed
        peak = dict(state.peak).get(state.tool, 0.0)
        forward = max(0.0, so_far - peak)
        after = replace(
            after,
            fed=put(state.fed, state.tool, so_far),
            peak=put(state.peak, state.tool, max(peak, so_far)),
        )
    return Event("move", 0, text, state, after, fed=fed, forward=forward, words=words)


def given_back(before: State, after: State, *, e_known: bool, feed_known: bool) -> list[str]:
    """What *after* a block is not as it was *before*, of all that must be: all but the filament fed.

    A register and a speed that no reader of the file can know are not asked for.
    """
    free = {"fed", "peak", "flows"} | (set() if e_known else {"e"}) | (set() if feed_known else {"feed"})
    wrong = [
        f"{name}: {getattr(before, name)} became {getattr(after, name)}"
        for name in before.__dataclass_fields__
        if name not in free and getattr(before, name) != getattr(after, name)
    ]
    if abs(before.retracted - after.retracted) > 1e-5:
        wrong.append(f"retracted: {before.retracted} became {after.retracted}")
    return wrong


REGION = re.compile(r"; gcodetool:(begin|end) (header|purge-and-inspect|layer-note)")


def split(lines: Iterable[str], what: str = "purge-and-inspect") -> tuple[list[str], list[str], list[str]]:
    """Return the lines before, inside and after region *what*; other regions are dropped."""
    parts: tuple[list[str], list[str], list[str]] = ([], [], [])
    inside = None
    at = 0
    for line in lines:
        mark = REGION.fullmatch(line.rstrip("\r\n"))
        if mark:
            inside = mark[2] if mark[1] == "begin" else None
            if mark[2] == what:
                at = 1 if mark[1] == "begin" else 2
            continue
        if inside in (None, what):
            parts[at].append(line)
    return parts
