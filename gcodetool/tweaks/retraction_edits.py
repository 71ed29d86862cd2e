"""Retraction rewritten pair by pair, exactly: deeper, and not a digit of net filament more or less.

A pair is filament pulled back (one move or several, wipes among them) and given back by one move of
E alone.  Its E words are changed as decimal numbers: what is pulled back further is given back by the
same amount, and the E register after the pair is what it was, in absolute and in relative E, with or
without a ``G92 E`` in between.  A pair that cannot be changed that way stays as it is, with its reason.

Firmware retraction is changed by the firmware's own command, said once before the first retraction
and taken back after the last.  Left out: whether it should be longer (``tweaks``).
"""

import re
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import ROUND_DOWN, Decimal
from typing import Final

from gcodetool.gcode.dialects import EXTENDED_KINDS, INERT, KEPT, Dialect, is_start_macro, number_set
from gcodetool.gcode.edits import Edit

SLACK_MM: Final = Decimal("0.002")  # slicers round each E word; a wipe adds several
QUANTUM: Final = Decimal("0.00001")  # digits of an E word
MOST_DIGITS: Final = 20  # well within what decimal arithmetic holds exactly
NUMBER: Final = rb"[-+]?(?:\d+\.?\d*|\.\d+)"
MOVE: Final = re.compile(rb"[ \t]*(?:[Nn]\d+[ \t]*)?[Gg]0*([0-3])(?![\d.])([^;(\r\n]*)")
E_WORD: Final = re.compile(rb"[Ee][ ]*(" + NUMBER + rb")")
ACROSS: Final = re.compile(rb"[XYZxyzIJRijr][ ]*[-+.\d]")
XY_WORD: Final = re.compile(rb"[XYxy][ ]*[-+.\d]")
CODE: Final = re.compile(rb"[ \t]*(?:[Nn]\d+[ \t]*)?([GMTgmt])[ ]?0*(\d{1,9})(?![\d.])([^;\r\n]*)")
NAME: Final = re.compile(rb"[ \t]*([A-Za-z_][A-Za-z0-9_]*)")
CHECKSUM: Final = re.compile(rb"\*\d+[ \t]*$")
RRF_TOOL_WORDS: Final = re.compile(rb"[PSRLXYZpsrlxyz][ ]*[-+.\d]")
# What says nothing of E, the tool or a scale: it may stand inside a pair.
HARMLESS_G: Final = frozenset((4, 17, 21))
HARMLESS_M: Final = number_set(
    "73 82 83 104-107 109 117 118 140 141 155 190 191 201 203-205 220 300 400 486 900"
)
STATES: Final = frozenset(("SAVE_GCODE_STATE", "RESTORE_GCODE_STATE", "ACTIVATE_EXTRUDER", "SET_RETRACTION"))

STATE_NAME: Final = re.compile(rb"\bNAME=([^\s;]+)", re.IGNORECASE)


@dataclass(frozen=True)
class RetractionChange:
    """A retraction to lengthen: from, to and at most, of the strand itself. [mm]"""

    before_mm: float
    after_mm: float
    diameter_mm: float
    most_mm: float


@dataclass(frozen=True)
class RetractionEdits:
    """Edits, and per tool how many pairs were changed and why others were not."""

    edits: tuple[Edit, ...] = ()
    pairs: Mapping[int, int] = field(default_factory=dict)
    kept: Mapping[int, Mapping[str, int]] = field(default_factory=dict)
    refused: str | None = None


@dataclass
class _Word:
    """A number to change: where it stands, its text, and whether the head moves in X or Y meanwhile."""

    start: int
    text: bytes
    back: Decimal  # how far it pulls back; 0: it only holds, or is a G92
    wipes: bool
    sets: bool = False  # G92


@dataclass
class _Pair:
    tool: int
    layer: int
    scale: tuple[bool, float, bool]  # volumetric, flow, inches
    words: list[_Word] = field(default_factory=list)
    reason: str | None = None

    @property
    def depth(self) -> Decimal:
        return sum((word.back for word in self.words), Decimal(0))


class _Machine:
    """The E side of a firmware, line by line: pairs come out as edits."""

    def __init__(
        self,
        dialect: Dialect,
        wanted: Mapping[int, RetractionChange],
        *,
        layers: Sequence[tuple[int, int]],
        from_layer: int,
        volumetric: bool,
    ) -> None:
        self.dialect = dialect
        self.wanted = wanted
        self.marks = [offset for offset, _ in layers]
        self.numbers = [number for _, number in layers]
        self.from_layer = from_layer
        self.absolute = True  # G90
        self.m82 = True
        self.register: Decimal | None = Decimal(0)
        self.tool = 0
        self.volumetric = volumetric
        self.flow = 1.0
        self.inches = False
        self.stack: list[tuple[bool, bool, bool]] = []  # M120
        self.saved: dict[bytes, tuple[bool, bool]] = {}  # SAVE_GCODE_STATE
        self.pair: _Pair | None = None
        self.edits: list[Edit] = []
        self.pairs: Counter[int] = Counter()
        self.kept: dict[int, Counter[str]] = {}

    @property
    def e_absolute(self) -> bool:
        return self.m82 and (self.absolute or self.dialect != Dialect.KLIPPER)

    @property
    def counts_relative(self) -> bool:
        """Whether relative words move the register: under RepRapFirmware absolute ones and G92 alone do."""
        return self.dialect != Dialect.REPRAPFIRMWARE

    def line(self, line: bytes, offset: int) -> None:
        """Take one line that starts at byte *offset*."""
        move = MOVE.match(line)
        if move is not None:
            self.move(line, move, offset)
            return
        code = CODE.match(line)
        if code is not None:
            self.code(code[1].upper(), int(code[2]), code, offset)
            return
        name = NAME.match(line)
        if name is not None:
            self.named(name[1].decode("ascii", "replace").upper(), line)

    def move(self, line: bytes, move: re.Match[bytes], offset: int) -> None:
        begin, end = move.span(2)
        if line[end : end + 1] == b"(":  # what stands behind it may hold an E word
            self.spoil("a comment in brackets")
            self.register = None
            return
        word = E_WORD.search(line, begin, end)
        if word is None:
            return
        if len(word[1]) > MOST_DIGITS:
            self.spoil("a number with more digits than any firmware reads")
            self.register = None
            return
        value = Decimal(word[1].decode())
        if self.e_absolute:
            delta = None if self.register is None else value - self.register
            self.register = value
        else:
            delta = value
            if self.register is not None and self.counts_relative:
                self.register += value
        if delta is None:
            self.spoil("the E register is not known")
            return
        pair = self.pair
        if delta > 0:
            if pair is not None:
                pure = ACROSS.search(line, begin, end) is None
                self.close(pair, word, delta, pure=pure, offset=offset, line=line)
            return
        if delta == 0 and pair is None:
            return
        if pair is None:
            number = bisect_right(self.marks, offset)
            layer = self.numbers[number - 1] if number else 0
            pair = self.pair = _Pair(self.tool, layer, (self.volumetric, self.flow, self.inches))
        wipes = XY_WORD.search(line, begin, end) is not None
        pair.words.append(_Word(offset + word.start(1), word[1], -delta, wipes))
        if CHECKSUM.search(line.split(b";")[0].rstrip()):
            pair.reason = "its lines carry checksums"

    def code(self, letter: bytes, number: int, found: re.Match[bytes], offset: int) -> None:
        rest = found[3]
        if letter == b"T":
            self.spoil("a tool change before it is given back")
            self.tool = number
            self.e_reset_on_tool()
        elif letter == b"G":
            self.g_code(number, found, rest, offset)
        elif number in (82, 83):
            before = self.e_absolute
            self.m82 = number == 82
            if self.e_absolute != before:
                self.spoil("the E mode changes before it is given back")
        elif number == 200:
            self.spoil("M200 before it is given back")
            diameter = re.search(rb"[Dd][ ]*(" + NUMBER + rb")", rest)
            if diameter is not None and self.dialect != Dialect.KLIPPER:
                self.volumetric = float(diameter[1]) > 0
        elif number == 221:
            self.spoil("M221 before it is given back")
            factor = re.search(rb"[Ss][ ]*(" + NUMBER + rb")", rest)
            if factor is not None:
                self.flow = float(factor[1]) / 100
        elif number in (120, 121) and self.dialect == Dialect.REPRAPFIRMWARE:
            self.spoil(f"M{number} before it is given back")
            if number == 120:
                self.stack.append((self.absolute, self.m82, self.inches))
            elif self.stack:
                self.absolute, self.m82, self.inches = self.stack.pop()
        elif number not in HARMLESS_M:
            self.spoil(f"M{number} before it is given back")

    def g_code(self, number: int, found: re.Match[bytes], rest: bytes, offset: int) -> None:
        if number == 92:
            self.set_position(found, rest, offset)
        elif number in (90, 91):
            before = self.e_absolute
            self.absolute = number == 90
            if self.dialect == Dialect.MARLIN:
                self.m82 = self.absolute
            if self.e_absolute != before:
                self.spoil("the E mode changes before it is given back")
        elif number in (20, 21):
            inches = number == 20 and self.dialect != Dialect.KLIPPER
            if inches != self.inches:
                self.spoil("the units change before it is given back")
            self.inches = inches
        elif number in (10, 11):
            if not (number == 10 and self.dialect == Dialect.REPRAPFIRMWARE and RRF_TOOL_WORDS.search(rest)):
                self.spoil("firmware retraction before it is given back")
        elif number not in HARMLESS_G:
            self.spoil(f"G{number} before it is given back")

    def set_position(self, found: re.Match[bytes], rest: bytes, offset: int) -> None:
        word = E_WORD.search(found.string, *found.span(3))
        if word is not None and len(word[1]) > MOST_DIGITS:
            self.spoil("a number with more digits than any firmware reads")
            self.register = None
        elif word is not None:
            if self.pair is not None:
                self.pair.words.append(
                    _Word(offset + word.start(1), word[1], Decimal(0), wipes=False, sets=True)
                )
            self.register = Decimal(word[1].decode())
        elif not re.search(rb"[XYZABCUVWxyzabcuvw]", rest):
            self.spoil("a bare G92 before it is given back")
            self.register = Decimal(0) if self.dialect == Dialect.KLIPPER else self.register

    def named(self, name: str, line: bytes) -> None:
        """Take a command by name: Klipper's own, or a macro."""
        kind = EXTENDED_KINDS.get(name)
        if name in STATES or is_start_macro(line):
            self.spoil(f"{name} before it is given back")
            self.register = None
            self.states(name, line)
        elif kind not in (INERT, KEPT):
            self.spoil(f"{name}, unknown here, before it is given back")
            # a macro that keeps E is the rule; absolute words tell anew with the next one
            self.register = None if self.e_absolute else self.register

    def states(self, name: str, line: bytes) -> None:
        """Put the modes aside under a name, or take them up again."""
        found = STATE_NAME.search(line)
        key = b"default" if found is None else found[1]
        if name == "SAVE_GCODE_STATE":
            self.saved[key] = (self.absolute, self.m82)
        elif name == "RESTORE_GCODE_STATE" and key in self.saved:
            self.absolute, self.m82 = self.saved[key]

    def e_reset_on_tool(self) -> None:
        """After a tool change absolute E counts on in one firmware and anew in another: not known."""
        self.flow = self.flow if self.dialect == Dialect.KLIPPER else 1.0
        if self.dialect != Dialect.MARLIN:
            self.register = None

    def spoil(self, reason: str) -> None:
        """Give up the pair in hand, if there is one."""
        if self.pair is not None and self.pair.words and self.pair.reason is None:
            self.pair.reason = reason

    def close(
        self, pair: _Pair, word: re.Match[bytes], given: Decimal, *, pure: bool, offset: int, line: bytes
    ) -> None:
        """Filament goes forward: rewrite the pair, or note why not."""
        self.pair = None
        longer = self.wanted.get(pair.tool)
        if longer is None or pair.layer < self.from_layer:
            return
        volumetric, flow, inches = pair.scale
        unit = Decimal(repr(3.141592653589793 / 4 * longer.diameter_mm**2)) if volumetric else Decimal(1)
        unit /= Decimal("25.4") if inches else 1
        depth, slack = pair.depth, SLACK_MM * unit
        nominal = Decimal(repr(longer.before_mm)) * unit
        reason = pair.reason
        if reason is None and abs(depth - nominal) > slack:
            reason = f"not the retraction of {longer.before_mm:g} mm"
        elif reason is None and not pure:
            reason = "filament is given back while the head moves"
        elif reason is None and given < depth - slack:
            reason = "less is given back than was pulled back"
        elif reason is None and CHECKSUM.search(line.split(b";")[0].rstrip()):
            reason = "its lines carry checksums"
        step = Decimal(repr(round(longer.after_mm - longer.before_mm, 9)))
        extra = (step * unit).quantize(QUANTUM, rounding=ROUND_DOWN)
        if (
            reason is None
            and (depth + extra) / unit * Decimal(repr(flow)) > Decimal(repr(longer.most_mm)) + SLACK_MM
        ):
            reason = "the flow factor takes it past the printer's bound"
        wipes_only = all(each.wipes for each in pair.words if each.back > 0)
        if reason is None and wipes_only and flow != 1 and self.dialect == Dialect.REPRAPFIRMWARE:
            reason = "a flow factor scales wipes and not what gives back"
        if reason is None and extra <= 0:
            reason = "the step is below the last digit"
        if reason is not None:
            self.kept.setdefault(pair.tool, Counter())[reason] += 1
            return
        self.write(pair, extra)
        if not self.e_absolute:
            self.edits.append(_edit(offset + word.start(1), word[1], given + extra))
        self.pairs[pair.tool] += 1

    def write(self, pair: _Pair, extra: Decimal) -> None:
        """Spread *extra* over the pair's words, and keep the register in step."""
        shares = _shares(pair, extra)
        done = Decimal(0)
        for word, share in zip(pair.words, shares, strict=True):
            done += share
            value = Decimal(word.text.decode())
            # absolute words and G92 say where E stands; relative ones how far it goes
            if word.sets and not self.e_absolute and not self.counts_relative:
                continue  # what is pulled back by relative words does not show there
            after = value - (done if word.sets or self.e_absolute else share)
            if after != value:
                self.edits.append(_edit(word.start, word.text, after))


def _shares(pair: _Pair, extra: Decimal) -> list[Decimal]:
    """Return how much deeper each word pulls: the longest move of E alone, else the wipes in proportion."""
    still = [at for at, word in enumerate(pair.words) if word.back > 0 and not word.wipes]
    shares = [Decimal(0)] * len(pair.words)
    if still:
        shares[max(still, key=lambda at: pair.words[at].back)] = extra
        return shares
    depth, last = pair.depth, 0
    for at, word in enumerate(pair.words):
        if word.back > 0:
            shares[at] = (extra * word.back / depth).quantize(QUANTUM, rounding=ROUND_DOWN)
            last = at
    shares[last] += extra - sum(shares, Decimal(0))
    return shares


def _edit(start: int, before: bytes, after: Decimal) -> Edit:
    return Edit(start, start + len(before), written(after, before), f"retraction: E{before.decode()}")


def written(value: Decimal, like: bytes) -> bytes:
    """Return *value* exactly, in the dress of *like*: a leading zero or none.

    >>> written(Decimal("-0.3100"), b"-.04"), written(Decimal("1.050"), b"0.80")
    (b'-.31', b'1.05')
    """
    text = f"{value:f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    if text in ("", "-", "-0"):
        text = "0"
    bare = like.lstrip(b"+-").startswith(b".")
    if bare and text.lstrip("-").startswith("0."):
        text = text.replace("0.", ".", 1)
    return text.encode()


def retraction_edits(
    blocks: Iterable[bytes],
    dialect: Dialect,
    wanted: Mapping[int, RetractionChange],
    *,
    layers: Sequence[tuple[int, int]],
    from_layer: int = 1,
    volumetric: bool = False,
) -> RetractionEdits:
    """Return the edits that lengthen each tool's retraction.

    Parameters
    ----------
    blocks : the file without regions, in pieces that end on line ends.
    wanted : by tool.
    layers : (byte offset, number) of each layer, in file order.
    from_layer : pairs that begin in an earlier layer stay; 0 is what comes before the first.
    volumetric : E is in mm³ from the first line on.
    """
    machine = _Machine(dialect, wanted, layers=layers, from_layer=from_layer, volumetric=volumetric)
    offset = 0
    for line in lines_of(blocks):
        machine.line(line, offset)
        offset += len(line)
    edits = sorted(machine.edits, key=lambda edit: edit.start)
    return RetractionEdits(
        tuple(edits), dict(machine.pairs), {tool: dict(each) for tool, each in machine.kept.items()}
    )


def lines_of(blocks: Iterable[bytes]) -> Iterator[bytes]:
    """Yield lines with their ends, split at LF only."""
    for block in blocks:
        at = 0
        while at < len(block):
            end = block.find(b"\n", at) + 1 or len(block)
            yield block[at:end]
            at = end


def firmware_retraction_edits(
    blocks: Iterable[bytes],
    dialect: Dialect,
    longer: RetractionChange,
    *,
    tools: Sequence[int],
    layers: Sequence[tuple[int, int]],
    from_layer: int = 1,
    newline: bytes = b"\n",
) -> RetractionEdits:
    """Return the edits that lengthen the firmware's own retraction, and take that back after the last one.

    The setting is never changed while filament is retracted.  Arguments as in :func:`rewrite`; *tools*
    are those that feed.  ``refused`` says why it cannot be done.
    """
    marks = [offset for offset, _ in layers]
    numbers = [number for _, number in layers]
    held = False
    first: int | None = None  # the line of the first retraction that is to be longer
    last: int | None = None  # after the line of the last G11
    pairs, offset = 0, 0
    for line in lines_of(blocks):
        code = CODE.match(line)
        name = None if code is not None else NAME.match(line)
        if code is not None:
            letter, number = code[1].upper(), int(code[2])
            if letter == b"M" and number in (207, 208, 209) and first is not None:
                return RetractionEdits(refused=f"M{number} in the print itself sets the retraction anew")
            back = letter == b"G" and number == 10
            if back and dialect == Dialect.REPRAPFIRMWARE and RRF_TOOL_WORDS.search(code[3]):
                back = False
            if back:
                place = bisect_right(marks, offset)
                layer = numbers[place - 1] if place else 0
                if first is None and not held and layer >= from_layer:
                    first = offset
                held = True
            elif letter == b"G" and number == 11:
                if held and first is not None:
                    pairs += 1
                    last = offset + len(line)
                held = False
        elif name is not None and first is not None and name[1].upper() == b"SET_RETRACTION":
            return RetractionEdits(refused="SET_RETRACTION in the print itself sets the retraction anew")
        offset += len(line)
    if first is None or last is None:
        return RetractionEdits(refused="there is no firmware retraction to lengthen")
    if len(tools) > 1:
        return RetractionEdits(refused="one setting serves several tools")
    words = {Dialect.KLIPPER: "SET_RETRACTION RETRACT_LENGTH={:g}"}.get(dialect, "M207 S{:g}")
    said = words.format(longer.after_mm).encode() + newline
    back_again = words.format(longer.before_mm).encode() + newline
    return RetractionEdits(
        (
            Edit(first, first, said, "firmware retraction, longer"),
            Edit(last, last, back_again, "firmware retraction, as it was"),
        ),
        {tools[0]: pairs},
    )
