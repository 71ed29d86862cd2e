"""Rows: what each line of a G-code file asks of the machine, in columns.

The scanner fills a block of rows, the planner reads it; the block is reused, so a file of any
size passes through the same few hundred kilobytes.  Columns are ``array.array``: memoryviews
for compiled kernels, plain numbers for interpreted ones.
"""

from array import array
from typing import Final

# What a row is.  Lines without effect on motion, temperature or place leave no row.
MOVE: Final = 1  # straight: x y z = target, e = filament, f = speed; arg = the words named (bits below)
ARC: Final = 2  # as MOVE; i j = centre from the start point; arg also CLOCKWISE and RADIUS_FORM
DWELL: Final = 3  # G4: e = seconds as this dialect reads them
RETRACT: Final = 4  # G10 as firmware retraction
UNRETRACT: Final = 5  # G11
HOME: Final = 6  # G28: arg = axes homed (all where none is named)
TOOL: Final = 7  # T: arg = tool number (row emitted for repeats too)
ACCELERATION: Final = 8  # M204: x = S, y = P, z = R, e = T; NaN where absent
LAYER: Final = 9  # a layer mark of this family, or a rise of Z with filament where there are none
SET_POSITION: Final = 10  # G92: arg = axes named
COMMAND: Final = 11  # anything else that is not known to be inert: its text is start .. start + length

# Bits of ``arg`` in MOVE, ARC, HOME and SET_POSITION.
X: Final = 1
Y: Final = 2
Z: Final = 4
E: Final = 8
F: Final = 16
CLOCKWISE: Final = 32
RADIUS_FORM: Final = 64  # i holds R

CAPACITY: Final = 4096


class Rows:
    """A block of rows.

    Attributes
    ----------
    count : rows in use.
    op, arg : what the row is, and its detail.
    line : 1-based line number.
    start, length : byte offset of the line in the file, and its length without the line end.
    x, y, z : target in machine coordinates, G92 shifts taken out. [mm]
    e : filament that goes through, backwards negative, flow factor and mm³ included. [mm]
    f : commanded speed, speed factor included. [mm/s]
    i, j : arc centre relative to the start of the move. [mm]
    """

    __slots__ = ("arg", "count", "e", "f", "i", "j", "length", "line", "op", "start", "x", "y", "z")

    def __init__(self, capacity: int = CAPACITY) -> None:
        self.count = 0
        self.op = array("i", bytes(4 * capacity))
        self.arg = array("i", bytes(4 * capacity))
        self.line = array("q", bytes(8 * capacity))
        self.start = array("q", bytes(8 * capacity))
        self.length = array("i", bytes(4 * capacity))
        self.x = array("d", bytes(8 * capacity))
        self.y = array("d", bytes(8 * capacity))
        self.z = array("d", bytes(8 * capacity))
        self.e = array("d", bytes(8 * capacity))
        self.f = array("d", bytes(8 * capacity))
        self.i = array("d", bytes(8 * capacity))
        self.j = array("d", bytes(8 * capacity))

    def text(self, row: int, block: bytes, offset: int) -> bytes:
        """Return the line that a row stands for, out of *block*, which begins at *offset* in the file."""
        begin = self.start[row] - offset
        return block[begin : begin + self.length[row]]
