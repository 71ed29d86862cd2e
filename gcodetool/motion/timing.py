"""One pass over a job to its timeline: when layers start, how long filament flows, what is only waited for.

Blocks of bytes go through the scanner, its rows through the planner, and what
neither of them handles (limits, stops, waits, tool changes, layer marks) is handled here.  Times are
summed per stretch of one layer and one tool; nothing grows with the number of moves.

Clocks start with the file's first line and include waits.  Motion starts at X = Y = Z = E = 0, G28
takes 0 s.  Heating takes what the printer's heater model says (``heat_up``); without one it takes 0 s
where it stands, and the whole start is one stated wait at the first heating.

Left out: which limits a machine has (``limits``), how moves become seconds (``planner``).
"""

import contextlib
import functools
import itertools
import math
import operator
from array import array
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from gcodetool.gcode.batches import Batch, batches
from gcodetool.gcode.dialects import Command, Dialect, command, shown_line
from gcodetool.gcode.odd import notes as odd_notes
from gcodetool.gcode.rows import COMMAND, DWELL, LAYER, TOOL
from gcodetool.gcode.targets import NAMES, targets
from gcodetool.motion import changes
from gcodetool.motion.heat_up import BY_MODEL, Heaters
from gcodetool.motion.limits import (
    DEFAULT_FILAMENT_MM,
    SETTINGS_BLOCK,
    STATED_DEFAULT,
    Limits,
    limits_for,
)
from gcodetool.motion.planner import (
    FLOW_BIN_MM3_S,
    FLOW_BINS,
    QUEUE_CAP,
    TABLE_COLUMNS,
    TOOL_FIGURES,
    Planner,
)
from gcodetool.motion.reach import overruns, set_bounds
from gcodetool.motion.stops import HEAT, PAUSES, STOPS
from gcodetool.motion.stretches import Stretches
from gcodetool.motion.timeline import Demands, Heating, Timeline, Wait

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from gcodetool.gcode.program import Program
    from gcodetool.profiles import Printer

    Floats = NDArray[np.float64]

START_S: Final = 180.0  # heating, homing, meshing, where no profile states it
# What counts as fed where a job ends with filament pulled back.  A retraction is never longer than the first
# figure; the longest strand that a changer's end code draws out of a hot end stays under the second.  More than
# that, or than half of what was laid, was meant for another firmware and cannot be taken out of the print.
RETRACTION_MAX_MM: Final = 20.0
UNLOADED_MAX_MM: Final = 150.0
PAUSE_S: Final = 60.0  # a pause until someone comes, where the file does not say how long

SMOOTH_TIME_S: Final = 0.04  # Klipper's default; a change of it lets the queue run dry


class _Job:
    """One pass over a program: what the rows that the planner leaves to Python mean."""

    def __init__(
        self,
        program: "Program",
        limits: Limits,
        *,
        printer: "Printer | None",
        diameters: Callable[[int], float],
        tabled: bool,
        queue: int,
    ) -> None:
        self.program = program
        self.rules = program.dialect
        self.limits = limits
        self.diameters = diameters
        self.planner = Planner(int(self.rules), limits.values, queue)
        self.planner.tabled = tabled
        self.stretches = Stretches(self.planner)
        self.slots: dict[int, int] = {}
        self.histogram = array("d")
        self.figures = array("d")
        self.table = array("d")
        self.waits: list[Wait] = []
        self.heating: list[Heating] = []
        self.longest: dict[int, float] = {}  # before the second layer, by slot
        self.stops = STOPS[self.rules]
        self.pauses = PAUSES[self.rules]
        self.layer = 0
        self.layers = 0
        self.tool = 0
        self.smooth_time_s = SMOOTH_TIME_S
        self.start_s = printer.waiting.start_s if printer is not None else None
        self.overhead_s = printer.waiting.overhead_s if printer is not None else None
        self.heaters: Heaters | None = None
        if printer is not None and printer.waiting.heats:
            shared = bool(program.facts.one_nozzle)
            self.heaters = Heaters(printer.waiting, self.rules, one_nozzle=shared)
        self.change_s = printer.waiting.change_s if printer is not None else None
        self.paused: tuple[int, float] | None = None  # the last pause's mark, see `fed_mark`
        self.changed: tuple[int, float] | None = None  # the last tool change's
        self.start_line = 0
        self.units: dict[str, str] = {}
        self.choose(0)

    def choose(self, tool: int) -> None:
        """Point the planner at *tool*'s demands."""
        if tool not in self.slots:
            self.slots[tool] = len(self.slots)
            self.histogram = self.histogram + array("d", bytes(8 * FLOW_BINS))
            self.figures = self.figures + array("d", bytes(8 * TOOL_FIGURES))
            self.planner.demands(self.histogram, self.figures)
        self.tool = tool
        self.planner.slot = self.slots[tool]
        self.planner.area = math.pi * self.diameters(tool) ** 2 / 4

    def take(self, rows: Any, block: bytes, offset: int) -> None:
        """Plan a block of rows whose lines stand in *block*, itself at *offset* of the file."""
        planner = self.planner
        row, count = 0, rows.count
        while True:
            row = planner.take(rows, row, count)
            if row >= count:
                break
            op = rows.op[row]
            if op == COMMAND:
                self.command(rows.text(row, block, offset), rows.line[row], rows.start[row])
            elif op == LAYER:
                self.layer = rows.arg[row]
                self.layers += 1
                if self.layers == 2:
                    self.set_apart()
                self.stretches.begin(self.layer, self.tool, rows.line[row], rows.start[row])
            elif op == TOOL:
                # every T is a stop under Marlin and RepRapFirmware, under Klipper a change of extruder (A5, B6, C4)
                if rows.arg[row] != self.tool or self.rules != Dialect.KLIPPER:
                    planner.stop()
                if rows.arg[row] != self.tool:
                    if self.heaters is not None:
                        self.heaters.select(rows.arg[row], self.tool, self.heat_clock())
                    self.change(rows.arg[row], rows.text(row, block, offset), rows.line[row], rows.start[row])
            elif op == DWELL:
                planner.stop()
                text = shown_line(rows.text(row, block, offset))
                # a slip of a hundred days must not swamp every sum
                self.wait(Wait(rows.line[row], "dwell", min(rows.e[row], 1e7), False, text))
            row += 1
        if planner.tabled:
            self.table.extend(planner.drain())

    def wait(self, wait: Wait) -> None:
        """Note a wait and put it on the clock."""
        self.waits.append(wait)
        self.stretches.wait(wait.seconds)

    def change(self, after: int, text: bytes, line: int, offset: int) -> None:
        """Go over to another tool, and wait as long as that takes.

        Before the first layer the start holds it: always where its length is stated, else until the
        tool in hand has laid filament.
        """
        before, place = self.tool, self.planner.slot * TOOL_FIGURES
        counts = self.layers > 0 or (self.figures[place + 3] > 0 and self.start_s is None)
        pulled_mm = max(self.figures[place + 4], self.planner.open_retraction_mm)
        by_hand = self.paused == self.fed_mark()
        self.choose(after)
        self.stretches.begin(self.layer, after, line, offset)
        if not counts:
            return
        facts, stated = self.program.facts, self.change_s
        pulled_out = pulled_mm >= changes.PULLED_OUT_MM
        found = changes.change(facts, before, after, stated_s=stated, pulled_out=pulled_out, by_hand=by_hand)
        assumed, said = found.between_s is not None, f"{shown_line(text)}: {found.words}"
        self.wait(Wait(line, "change", found.seconds, assumed, said, found.between_s, found.claimed_s))
        self.changed = self.fed_mark()
        if by_hand:
            self.paused = self.changed

    def fed_mark(self) -> tuple[int, float]:
        """Return what stays the same while no filament is fed forward and no stretch begins."""
        place = self.planner.bucket
        return place, self.stretches.real["forward_mm"][place]

    def set_apart(self) -> None:
        """Count the longest travel anew: from the second layer on it passes over what is printed."""
        for slot in self.slots.values():
            place = slot * TOOL_FIGURES + 2
            self.longest[slot] = self.figures[place]
            self.figures[place] = 0.0

    def command(self, text: bytes, line: int, offset: int) -> None:
        """Do what a command does to limits and time."""
        called = _parsed(text)
        name = called.name
        if name in NAMES or "START" in name:
            for target in targets(text, self.rules, tool=self.tool):
                self.heating.append(Heating(line, offset, self.layer, target, shown_line(text)))
        if name in self.stops:
            self.planner.stop()
        if self.heaters is not None:
            self.heaters.see(called, self.heat_clock(), self.tool)
            if "START" in name:
                self.start_macro(called, text, line)
        if name in HEAT:
            self.heat(called, text, line)
        elif name in self.pauses:
            self.pause(called, text, line)
        elif name == "SET_PRESSURE_ADVANCE" and self.rules == Dialect.KLIPPER:
            smooth = called.number("SMOOTH_TIME")
            if smooth is not None and smooth != self.smooth_time_s:
                self.smooth_time_s = smooth
                self.planner.stop()
        elif self.limits.apply(called, line):
            if name == "M92":
                self.planner.new_steps()
            elif name in ("M203", "M566"):
                said = self.limits.wrong_units(name)
                if said is not None:
                    self.units.setdefault(name, f"line {line}: {said}")

    def heat_clock(self) -> float:
        """Return the heaters' clock: motion planned and waits so far, without homing and meshing. [s]."""
        apart = self.overhead_s or 0.0 if self.start_line and self.start_s is None else 0.0
        return sum(self.stretches.real["moving"]) + sum(self.stretches.real["waiting"]) - apart

    @property
    def in_start(self) -> bool:
        """Whether a stated start covers what is waited for: until the first layer it does."""
        return self.start_s is not None and not self.layers

    def start_macro(self, called: Command, text: bytes, line: int) -> None:
        """List the heating of a macro that names its temperatures."""
        assert self.heaters is not None
        before = self.heat_clock()
        found = self.heaters.macro(called, before, self.tool, covered=self.in_start)
        if found is not None and not self.in_start:
            if self.start_line == 0:
                self.start(line)
            self.wait(Wait(line, "heat", found.seconds, True, f"{shown_line(text)}: {found.words}"))

    def heat(self, called: Command, text: bytes, line: int) -> None:
        """List a wait for heat; the first one carries the start's time."""
        target = called.number("S")
        if target is None:
            target = called.number("R")
        if target is not None and target <= 0:  # switched off: nothing is waited for
            return
        if self.start_line == 0:
            self.start(line)
        if self.heaters is not None:
            found = self.heaters.wait(called, self.heat_clock(), self.tool, covered=self.in_start)
            if not self.in_start:
                said = f"{shown_line(text)}: {found.words}"
                self.wait(Wait(line, "heat", found.seconds, not found.known, said))
                return
        self.waits.append(Wait(line, "heat", 0.0, True, shown_line(text)))

    def start(self, line: int) -> None:
        """Put the start on the clock: heating, homing and macros that the file does not show."""
        self.start_line = line
        if self.start_s is None and self.heaters is not None:
            if self.overhead_s is None:
                text = "homing and start: no overhead_s in the printer's heater model, 0 s"
                self.waits.append(Wait(line, "start", 0.0, True, text))
            else:
                self.wait(Wait(line, "start", self.overhead_s, False, f"homing and start, {BY_MODEL}"))
        elif self.start_s is None:
            self.wait(Wait(line, "start", START_S, True, "heating and start, length assumed"))
        elif self.start_s > 0:
            self.wait(
                Wait(line, "start", self.start_s, False, "heating and start, from the printer's profile")
            )

    def pause(self, called: Command, text: bytes, line: int) -> None:
        """Count a pause: as long as it says, else as long as is assumed."""
        self.planner.stop()
        # S in seconds wins over P in milliseconds, as Marlin reads them
        stated = called.number("S") if called.name in ("M0", "M1") else None
        if stated is None and called.name in ("M0", "M1"):
            milliseconds = called.number("P")
            stated = None if milliseconds is None else milliseconds / 1000
        known = stated is not None and 0 < stated < 1e7
        seconds = stated if known and stated is not None else PAUSE_S
        if not known:
            if self.changed == self.fed_mark():
                self.change_by_hand()
            self.paused = self.fed_mark()
        self.wait(Wait(line, "pause", seconds, not known, shown_line(text)))

    def lay(self, tools: "array[int]", fed_mm: "array[float]") -> dict[int, float]:
        """Undo in *fed_mm* what would take filament out of the print again; return how much, per tool. [mm]

        What was laid is the furthest that the filament was fed, but no more than the moves in X and Y fed.
        """
        undone = {}
        for tool, slot in self.slots.items():
            rows = [row for row, of in enumerate(tools) if of == tool]
            behind, across = self.figures[slot * TOOL_FIGURES + 5 : slot * TOOL_FIGURES + 7]
            net = math.fsum(fed_mm[row] for row in rows)
            laid = min(net + behind, across)
            if behind > RETRACTION_MAX_MM and net < laid - min(UNLOADED_MAX_MM, laid / 2):
                fed_mm[min(rows, key=fed_mm.__getitem__)] += laid - net
                undone[tool] = laid - net
        return undone

    def e_notes(self, scanner: Any, undone: Mapping[int, float]) -> Iterator[str]:
        """Yield the cautions about E words that another firmware reads in another way."""
        counted = "; what was laid before counts as fed" if undone else ""
        if scanner.pulled_mm > RETRACTION_MAX_MM and (undone or scanner.pulled_by):
            where = f"line {scanner.pulled_line} pulls back {scanner.pulled_mm / 1000:.2f} m of filament"
            yield f"{where}: {FOREIGN[scanner.pulled_by].format(self.rules.label)}{counted}"
        elif undone:
            for tool, length in sorted(undone.items()):
                yield f"T{tool}: the job ends with {length / 1000:.2f} m of filament pulled back{counted}"
        if not self.program.facts.volumetric_e:
            return
        if not self.program.volumetric_e:
            yield f"the settings say that E words are mm3, {self.rules.label} reads them as mm: taken as mm"
        elif not scanner.volumes_stated:
            sizes = sorted({scanner.diameters[tool] for tool in self.slots})
            listed = ", ".join(f"{size:g}" for size in sizes)
            yield f"E words are taken as mm3 of {listed} mm filament: the settings say so, no M200 does"

    def change_by_hand(self) -> None:
        """Leave the last tool change to the pause that comes with it."""
        place = max(index for index, wait in enumerate(self.waits) if wait.kind == "change")
        self.stretches.wait(-self.waits[place].seconds)
        said = f"{self.waits[place].text.partition(':')[0]}: {changes.BY_HAND}"
        self.waits[place] = replace(self.waits[place], seconds=0.0, assumed=False, between_s=None, text=said)
        self.changed = None

    def notes(self) -> Iterator[str]:
        """Yield the cautions about these times, one line each."""
        planner, program = self.planner, self.program
        if not program.dialect_sure:
            yield f"it is not sure which firmware the file is for ({program.dialect_reason}); timed by Marlin's rules"
        yield from self.units.values()
        guessed = self.limits.guessed
        for source, words in ((SETTINGS_BLOCK, "the settings block"), (STATED_DEFAULT, "defaults")):
            # only those that most jobs feel; the full list is in `limits`
            felt = [
                name
                for name in FELT[self.rules]
                if name in guessed and self.limits.shown(name) and self.limits.source(name) == source
            ]
            if felt:
                values = ", ".join(f"{name} {self.limits[name]:g}" for name in felt)
                yield f"limits guessed from {words}: {values}; a printer profile would make them certain"
        yield from changes.notes(self.waits)
        if planner.refused:
            yield f"{planner.refused} moves with impossible coordinates were left out"
        if planner.rejected_arcs:
            yield f"{planner.rejected_arcs} arcs that this firmware refuses were left out"
        if planner.retractions_unknown:
            yield (
                f"{planner.retractions_unknown} times G10 or G11, unknown to this machine: 0 s;"
                " if it retracts by itself, say so in its profile"
            )
        if planner.capped:
            yield (
                f"the file never stops: {planner.capped} times the {QUEUE_CAP:,} moves looked ahead"
                " did not settle the speed, and a slow passage was assumed there"
            )
        if self.stretches.overflowed:
            yield f"more than {self.stretches.most:,} layers: the rest is summed into the last"


# Why an E word pulls back further than it says, by what makes it absolute (``Scanner.pulled_by``).
FOREIGN: Final = {
    91: "made for a firmware where G91 makes E relative, which it does not under {}",
    90: "made for a firmware where E stays relative after G90, which it does not under {}",
    0: "its E word is absolute, and no G92 E stands between it and what was fed before",
}
# The limits that most jobs feel.
FELT: Final = {
    Dialect.MARLIN: ("M204 P", "M204 T", "M201 X", "M205 J", "M205 X"),
    Dialect.KLIPPER: ("max_accel", "max_velocity", "square_corner_velocity"),
    Dialect.REPRAPFIRMWARE: ("M201 X", "M204 P", "M566 X", "M203 X"),
}


@functools.lru_cache(maxsize=256)
def _parsed(text: bytes) -> Command:
    return command(text)


def build_timeline(
    program: "Program",
    *,
    printer: "Printer | None" = None,
    filament_diameter_mm: float | Mapping[int, float] | None = None,
    watch: tuple[int, float] | None = None,
    moves: bool = False,
    queue: int = QUEUE_CAP,
    progress: Callable[[int], None] | None = None,
    keep: list[Batch] | None = None,
) -> Timeline:
    """Return *program* in time, by the rules of its dialect.

    Parameters
    ----------
    printer : the machine's profile; without one, limits are guessed and the notes say so.
    filament_diameter_mm : for all tools, or by tool; the slicer's figure, else 1.75, if left out.
    watch : (byte offset of a line's start, height): the box of X/Y motion below that height, from
        there on, is returned as ``low_box``.
    moves : also return the table of moves, which grows with the file.
    queue : moves that look-ahead may hold.
    progress : called with the number of bytes done, every few thousand lines.
    keep : takes what a small file was read into, for :func:`moving_times`.

    Raises
    ------
    GcodeError
        The file went away or is damaged.
    """
    job = _job(program, printer, filament_diameter_mm, tabled=moves, queue=queue)
    scanner = program.scanner(filament_diameter_mm)
    set_bounds(scanner, printer)
    with contextlib.closing(batches(program, scanner, watch=watch, keep=keep)) as read:
        for rows, text, offset in read:
            job.take(rows, text, offset)
            if progress is not None:
                progress(offset)
    if progress is not None:
        progress(scanner.offset)
    job.planner.stop()
    return _result(job, scanner, printer, watched=watch is not None)


def moving_times(
    program: "Program",
    adjust: Sequence[Callable[[Limits], None]],
    *,
    printer: "Printer | None" = None,
    filament_diameter_mm: float | Mapping[int, float] | None = None,
    kept: Sequence[Batch] = (),
) -> list[float]:
    """Return what a timeline's ``total_moving_s`` would be under other limits, all of them from one reading. [s].

    Parameters
    ----------
    adjust : each is called with the limits before the first line, and may change them.
    printer, filament_diameter_mm : as of the timeline.
    kept : what :func:`build_timeline` kept of the same file; empty: it is read again.

    Raises
    ------
    GcodeError
        The file went away or is damaged.
    """
    jobs = []
    for change in adjust:
        jobs.append(_job(program, printer, filament_diameter_mm))
        change(jobs[-1].limits)
    again = _listed(kept) if kept else batches(program, program.scanner(filament_diameter_mm))
    with contextlib.closing(again) as read:
        for rows, text, offset in read:
            for job in jobs:
                job.take(rows, text, offset)
    for job in jobs:
        job.planner.stop()
    return [math.fsum(job.stretches.real["moving"]) for job in jobs]


def _listed(kept: Sequence[Batch]) -> Generator[Batch, None, None]:
    yield from kept


def _job(
    program: "Program",
    printer: "Printer | None",
    filament_diameter_mm: float | Mapping[int, float] | None,
    *,
    tabled: bool = False,
    queue: int = QUEUE_CAP,
) -> _Job:
    diameters = _diameters(program, filament_diameter_mm)
    limits = limits_for(program.dialect, printer=printer, facts=program.facts, filament_mm=diameters(0))
    return _Job(program, limits, printer=printer, diameters=diameters, tabled=tabled, queue=queue)


def _diameters(program: "Program", given: float | Mapping[int, float] | None) -> Callable[[int], float]:
    def diameter(tool: int) -> float:
        value = given.get(tool) if isinstance(given, Mapping) else given
        if value is None:
            value = program.stated_diameter_mm(tool)
        return value or DEFAULT_FILAMENT_MM

    return diameter


def _result(job: _Job, scanner: Any, printer: "Printer | None", *, watched: bool) -> Timeline:
    """Turn the sums into columns."""
    planner, stretches = job.planner, job.stretches
    if job.start_line == 0:
        # no wait for heat shows where the start is: it is before everything
        seconds = START_S if job.start_s is None else job.start_s
        assumed = job.start_s is None
        source = "length assumed" if assumed else "from the printer's profile"
        if seconds > 0:
            job.waits.insert(0, Wait(1, "start", seconds, assumed, f"heating and start, {source}"))
            stretches.real["waiting"][0] += seconds
            stretches.real["last"][0] += seconds
    if planner.acceleration_line:
        job.limits.acceleration_seen(planner.acceleration_line)
    limits = job.limits.uses()
    if planner.tabled:
        job.table.extend(planner.drain())
    columns, undone = _columns(job)
    moving, waiting = math.fsum(columns["moving_s"]), math.fsum(columns["waiting_s"])
    box = (scanner.box_min_x, scanner.box_min_y, scanner.box_max_x, scanner.box_max_y)
    return Timeline(
        columns=columns,
        total_moving_s=moving,
        total_extruding_s=math.fsum(columns["extruding_s"]),
        total_waiting_s=waiting,
        open_air_s=moving + waiting,
        layers=job.layers,
        lines=scanner.line,
        moves=planner.moves,
        limits=limits,
        waits=tuple(job.waits),
        demands=_demands(job, columns),
        notes=(*job.e_notes(scanner, undone), *job.notes()),
        rules=job.rules.label,
        unknown=dict(scanner.unknown),
        low_box=box if watched and scanner.box_sure and box[0] <= box[2] and box[1] <= box[3] else None,
        table=_table(job) if planner.tabled else None,
        heating=tuple(job.heating),
        overruns=overruns(scanner, printer),
        odd=odd_notes(scanner),
    )


def _columns(job: _Job) -> tuple[dict[str, "array[Any]"], dict[int, float]]:
    """Return a timeline's columns, and what was undone in them per tool. [mm]"""
    whole, count = job.stretches.whole, job.stretches.count
    real = {name: values[:count] for name, values in job.stretches.real.items()}
    undone = job.lay(whole["tool"], real["fed"])
    spans = map(operator.add, real["moving"], real["waiting"])
    start = array("d", itertools.accumulate(spans, initial=0.0))[:-1]
    return {
        "layer": whole["layer"],
        "tool": whole["tool"],
        "line": whole["line"],
        "offset": whole["offset"],
        "z_mm": real["height"],
        "start_s": start,
        "moving_s": real["moving"],
        "extruding_s": real["forward"],
        "waiting_s": real["waiting"],
        "fed_mm": real["fed"],
        "forward_mm": real["forward_mm"],
        "last_forward_s": array("d", map(operator.add, start, real["last"])),
    }, undone


def _table(job: _Job) -> "Floats":
    import numpy as np

    return np.array(job.table).reshape(-1, TABLE_COLUMNS)


def _demands(job: _Job, columns: "Mapping[str, array[Any]]") -> dict[int, Demands]:
    out = {}
    for tool, slot in sorted(job.slots.items()):
        figures = job.figures[slot * TOOL_FIGURES : (slot + 1) * TOOL_FIGURES]
        pairs = zip(columns["tool"], columns["forward_mm"], strict=True)
        fed = math.fsum(forward for of, forward in pairs if of == tool)
        if fed <= 0 and not any(figures):
            continue
        out[tool] = Demands(
            tool=tool,
            flow_s=job.histogram[slot * FLOW_BINS : (slot + 1) * FLOW_BINS],
            flow_bin_mm3_s=FLOW_BIN_MM3_S,
            forward_mm=fed,
            path_mm=figures[3],
            travel_mm=figures[1],
            longest_over_print_mm=figures[2]
            if job.layers > 1
            else max(figures[2], job.longest.get(slot, 0.0)),
            retractions=int(figures[0]),
            longest_retraction_mm=figures[4],
        )
    return out
