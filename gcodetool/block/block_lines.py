"""The block's lines: a plan and the state at the anchor become G-code that gives the state back.

Relative moves only before the person is first asked, absolute ones only after; what the person may have
changed meanwhile (modes, E register, temperature) is set again before it counts.  Left out: what to do
and whether (``block``), and each dialect's words (``tongue``).
"""

import math
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final

from gcodetool.block import dialect_commands as words
from gcodetool.block.bed_geometry import Point
from gcodetool.block.dialect_commands import DialectCommands
from gcodetool.gcode.anchor import Anchor
from gcodetool.gcode.dialects import Dialect

STEP_MM: Final = 20.0  # longest E move: far below any firmware's limit on one move
STANDBY_LESS_K: Final = 40.0
STANDBY_MIN_C: Final = 140.0
STANDBY_FROM_S: Final = 60.0  # a shorter timed wait is over before a nozzle has cooled and heated again
TRAVEL_F: Final = 6000  # mm/min
LIFT_F: Final = 600  # mm/min
LOOK_S: Final = 15.0  # nothing may ooze meanwhile; also the pause where a build ignores the real one
WARN_S: Final = 5.0


@dataclass(frozen=True)
class BlockPlan:
    """What the block does.

    Attributes
    ----------
    purge_mm : filament for each heap, one after another; the person takes each off. [mm]
    purge_of : what is purged, in words.
    prime_mm : purged again after the wait.
    flow_mm3_s : at which all of it is purged.
    retract_mm, retract_mm_s : how far and how fast the filament is held back meanwhile.
    lift_mm : relative; 0: Z stays.
    ask_first : height unknown or low: the person looks before anything is extruded.
    spot : where the head goes; None: it stays.
    why_in_place : the reason for that.
    assumed, cautions : for the report.
    """

    purge_mm: tuple[float, ...]
    purge_of: str
    prime_mm: float
    flow_mm3_s: float
    retract_mm: float
    retract_mm_s: float
    lift_mm: float
    ask_first: bool
    spot: Point | None
    why_in_place: str
    assumed: tuple[str, ...] = field(default=())
    cautions: tuple[str, ...] = field(default=())

    @property
    def total_mm(self) -> float:
        """Filament of all heaps."""
        return sum(self.purge_mm)


def number(value: float) -> str:
    """Return *value* as a plain decimal that reads back to the same double.

    >>> number(62.5), number(1e-07), number(3.0), number(-0.0)
    ('62.5', '0.0000001', '3', '0')
    """
    text = format(Decimal(repr(value)), "f")
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def feed_word(feed_mm_s: float) -> str:
    """Return the shortest F [mm/min] that a reader turns back into exactly *feed_mm_s*.

    >>> feed_word(1000 / 60)
    '1000'
    """
    for digits in range(18):
        text = number(round(feed_mm_s * 60, digits))
        if float(text) / 60 == feed_mm_s:
            return text
    return number(feed_mm_s * 60)


def lines_of(
    anchor: Anchor, plan: BlockPlan, commands: DialectCommands, wait_s: float | None, diameter_mm: float
) -> tuple[tuple[str, ...], float | None]:
    """Return the block's lines and the stand-by temperature (None: it stays hot).

    Parameters
    ----------
    anchor, plan, commands : the state to give back, what to do, and how to say it.
    wait_s : timed wait; None: for the person.
    diameter_mm : the filament's.
    """
    writer = _BlockWriter(anchor, plan, commands, wait_s, diameter_mm)
    lines = (*writer.to_the_spot(), *writer.purge(), *writer.wait_and_prime(), *writer.back())
    return lines, writer.standby_C if writer.cools else None


class _BlockWriter:
    """The block's parts, in the order in which they stand."""

    def __init__(
        self,
        anchor: Anchor,
        plan: BlockPlan,
        commands: DialectCommands,
        wait_s: float | None,
        diameter_mm: float,
    ) -> None:
        self.anchor, self.plan, self.commands, self.wait_s = anchor, plan, commands, wait_s
        # words per mm of filament that goes through: mm3 words, then the flow factor that scales them
        scaled = (
            commands.dialect is not Dialect.REPRAPFIRMWARE
        )  # there M220 and M221 leave E-only moves alone
        self.flow = anchor.flow if scaled else 1.0
        self.word_per_mm = (
            math.pi / 4 * anchor.volumetric_mm**2 if anchor.volumetric_mm else 1.0
        ) / self.flow
        slow = max(1.0, anchor.speed_factor) if scaled else 1.0
        area_mm2 = math.pi / 4 * diameter_mm**2
        self.purge_f = _down(plan.flow_mm3_s / area_mm2 * 60 / slow)
        self.back_f = _down(plan.retract_mm_s * 60 / slow)
        self.target_C = anchor.target_C or 0.0
        self.standby_C = max(self.target_C - STANDBY_LESS_K, STANDBY_MIN_C)
        self.cools = wait_s is None or wait_s > STANDBY_FROM_S

    def pull(self, length_mm: float, sign: str = "") -> list[str]:
        """Return the move that pulls back (``-``), or pushes, a retraction; none where there is none."""
        word = number(round(length_mm * self.word_per_mm, 5))
        return [f"G1 E{sign}{word} F{self.back_f}"] if length_mm > 0 else []

    def feed(self, length_mm: float) -> list[str]:
        """Return the moves that purge a length, in steps."""
        longest = STEP_MM * min(1.0, self.flow)  # neither what is said nor what is fed gets longer
        out = []
        while length_mm > 1e-6:
            word = number(round(min(longest, length_mm) * self.word_per_mm, 5))
            out.append(f"G1 E{word} F{self.purge_f}")
            length_mm -= longest
        return out

    def wait(self, question: words.PersonPrompt, *, last: bool = False) -> list[str]:
        """Retract, cool and ask (or dwell), then take modes and heat back and undo the retraction."""
        commands = self.commands
        out = self.pull(self.plan.retract_mm, "-")
        if self.cools:
            out += commands.set_target(number(self.standby_C))
        if self.wait_s is None:
            if not last and commands.dialect is Dialect.MARLIN:  # builds without buttons ignore M0
                out += [*commands.say(commands.phrase(question.text)), _dwell(LOOK_S)]
            out += [*commands.beep(), *commands.ask(question)]
        else:
            seconds = max(0.0, self.wait_s - LOOK_S)
            out += commands.say(commands.phrase(words.SAY_TIMED, seconds=number(seconds)))
            out.append(_dwell(seconds))
        # some firmwares let G90 decide about E as well, and the person may have used the console
        out += ["G90", "M83"] if last else ["M83"]
        if self.cools:
            out += [*commands.say(words.SAY_HEAT), *commands.heat(number(self.target_C))]
        return out + self.pull(self.plan.retract_mm)

    def to_the_spot(self) -> list[str]:
        """Undo what is retracted, lift the head, and go where the purge may fall."""
        anchor, plan = self.anchor, self.plan
        out = [*self.commands.finish_moves(), *self.commands.say(words.SAY_PURGE), "G91", "M83"]
        out += ["G11"] if anchor.firmware_retracted else []
        out += self.pull(anchor.retracted_mm)
        if plan.lift_mm:
            out.append(f"G1 Z{number(plan.lift_mm)} F{LIFT_F}")
        if plan.spot is not None and anchor.x is not None and anchor.y is not None:
            across, along = round(plan.spot[0] - anchor.x, 3), round(plan.spot[1] - anchor.y, 3)
            out.append(f"G1 X{number(across)} Y{number(along)} F{TRAVEL_F}")
        return out

    def purge(self) -> list[str]:
        """Purge heap by heap; between two the person is asked."""
        commands, plan = self.commands, self.plan
        out = self.wait(words.ASK_HEIGHT) if plan.ask_first else []
        for length_mm in plan.purge_mm[:-1]:
            out += [*commands.say(words.SAY_LOOK), *self.feed(length_mm), *commands.finish_moves()]
            out += self.wait(words.ASK_MORE)
        out += [*commands.say(words.SAY_LOOK), *self.feed(plan.purge_mm[-1])]
        return [*out, *commands.finish_moves()]

    def wait_and_prime(self) -> list[str]:
        """Let it ooze, wait for the verdict on the strand, and fill the nozzle again."""
        commands = self.commands
        out = [*commands.say(words.SAY_OOZE), _dwell(LOOK_S), *self.wait(words.ASK_STRAND, last=True)]
        out += [*self.feed(self.plan.prime_mm), *commands.finish_moves()]
        return [*out, *commands.say(words.SAY_AWAY), *commands.beep(), _dwell(WARN_S)]

    def back(self) -> list[str]:
        """Go back, and give back every mode, register and speed that the block touched."""
        anchor, plan = self.anchor, self.plan
        retract_mm = 0.0 if plan.spot is None else plan.retract_mm
        out = self.pull(retract_mm, "-")
        if plan.spot is not None and anchor.x is not None and anchor.y is not None:
            out.append(f"G1 X{number(anchor.x)} Y{number(anchor.y)} F{TRAVEL_F}")
        if plan.lift_mm and anchor.z is not None:
            out.append(f"G1 Z{number(anchor.z)} F{LIFT_F}")
        out += [*self.pull(retract_mm), *self.pull(anchor.retracted_mm, "-")]
        out += ["G10"] if anchor.firmware_retracted else []
        out += ["M82"] if anchor.e_absolute else []
        if anchor.e is not None:
            out.append(f"G92 E{number(anchor.e)}")
        if anchor.feed_mm_s is not None:
            out.append(f"G1 F{feed_word(anchor.feed_mm_s)}")
        return out


def _dwell(seconds: float) -> str:
    return f"G4 P{number(round(seconds * 1000))}"


def _down(feed_mm_min: float) -> str:
    """Return *feed_mm_min* rounded down, so that a limit stays kept; at least 1."""
    return number(max(1.0, math.floor(feed_mm_min)))
