"""The scanner: bytes of G-code to rows, with the full modal state of the firmware that will read them.

One pass over the bytes.  G0 to G3 are read in the loop itself, everything else by ``Scanner.other``, which
sees a few lines in a hundred and leaves what is rare to ``modal``.  The same source runs compiled and
interpreted: text is indexed as unsigned bytes, columns as ``array.array``.

A number is an integer mantissa over an exact power of ten: up to 15 digits that is what ``float()``
gives, bit for bit; longer ones go to ``float()``.

Left out: limits, temperatures and text of commands (their lines are handed on as COMMAND rows), times
of firmware retraction (``motion``), tool offsets.
"""

from array import array
from typing import Any, Final

try:
    import cython
except ImportError:  # nothing is compiled here
    from gcodetool.puremode import cython

from gcodetool.gcode.arcs import box_of
from gcodetool.gcode.dialects import EXTENDED_KINDS, G_TABLES, M_TABLES, command
from gcodetool.gcode.modal import AXES_STATED, E_STATED, SavedState, act
from gcodetool.gcode.odd import NOTED_G, NOTED_M, TEXTS, note, noted, plain_move, second, unknown
from gcodetool.gcode.rows import Rows
from gcodetool.gcode.spellings import NUMBERED, SPELLINGS

COMPILED: Final = cython.compiled

# Dialects, layer marks, classes of commands, rows: the numbers of dialects.py, markers.py and rows.py,
# stated again because compiled code wants them as constants.
MARLIN = cython.declare(cython.int, 0)
KLIPPER = cython.declare(cython.int, 1)
REPRAPFIRMWARE = cython.declare(cython.int, 2)

NO_MARKS = cython.declare(cython.int, 0)
MARKS_A = cython.declare(cython.int, 1)  # ;LAYER_CHANGE
MARKS_C = cython.declare(cython.int, 2)  # ; CHANGE_LAYER
MARKS_B = cython.declare(cython.int, 3)  # ;LAYER:n
MARKS_OTHER = cython.declare(cython.int, 4)  # and above: one of `remarks`' spellings

UNKNOWN = cython.declare(cython.int, 0)
INERT = cython.declare(cython.int, 1)
KEPT = cython.declare(cython.int, 2)
ROAMING = cython.declare(cython.int, 3)
MODAL = cython.declare(cython.int, 4)

MOVE = cython.declare(cython.int, 1)
ARC = cython.declare(cython.int, 2)
RETRACT = cython.declare(cython.int, 4)
UNRETRACT = cython.declare(cython.int, 5)
TOOL = cython.declare(cython.int, 7)
ACCELERATION = cython.declare(cython.int, 8)
LAYER = cython.declare(cython.int, 9)
SET_POSITION = cython.declare(cython.int, 10)
COMMAND = cython.declare(cython.int, 11)

X = cython.declare(cython.int, 1)
Y = cython.declare(cython.int, 2)
Z = cython.declare(cython.int, 4)
E = cython.declare(cython.int, 8)
F = cython.declare(cython.int, 16)
CLOCKWISE = cython.declare(cython.int, 32)
RADIUS_FORM = cython.declare(cython.int, 64)
XYZ = cython.declare(cython.int, 7)
BOUNDS = cython.declare(cython.Py_ssize_t, 5)  # of one kind of move: x0, y0, x1, y1, top
I_WORD = cython.declare(cython.int, 128)  # within this module only
J_WORD = cython.declare(cython.int, 256)

ODD = cython.declare(cython.int, 1000)  # more words than a line has

EXACT_DIGITS = cython.declare(cython.int, 15)  # 10**15 < 2**53
INCH = cython.declare(cython.double, 25.4)  # mm
HUGE = cython.declare(cython.double, 1e300)  # "numbers" of more than 300 digits are not taken for words
RISE = cython.declare(cython.double, 1e-6)  # a smaller rise, of Z or E, is rounding, mm
LEAST_STEP = cython.declare(cython.double, 0.05)  # layers are no thinner, mm
MOST_STEP = cython.declare(cython.double, 1.5)  # and no thicker, mm
USUAL_STEP = cython.declare(cython.double, 0.2)  # where a file shows no layer, mm
FIRST_FEED_MM_S: Final = (4000.0 / 60.0, 25.0, 50.0)  # before the first F word, per dialect
PI = cython.declare(cython.double, 3.141592653589793)
NAN = cython.declare(cython.double, float("nan"))
USUAL_ROOM = cython.declare(cython.Py_ssize_t, 24)  # bytes that may be looked at behind a word's letter

POWERS_OF_TEN: Final = array("d", [float(10**power) for power in range(23)])  # each exact
KINDS_OF_NAMES: Final = {name.encode(): kind for name, kind in EXTENDED_KINDS.items()} | dict.fromkeys(
    (b"FORCE_MOVE", b"SET_GCODE_OFFSET"),
    4,  # MODAL: they move, which is noted
)
MARK_TEXTS: Final = (b"", b";LAYER_CHANGE", b"; CHANGE_LAYER", b";LAYER:", *SPELLINGS)
NO_BOUNDS: Final = (float("-inf"), float("-inf"), float("inf"), float("inf"), float("inf"))
AXIS_WORDS = cython.declare(cython.uint, 1 << 23 | 1 << 24 | 1 << 25 | 1 << 4)  # X Y Z E, as `bit` gives them
NOT_RETRACTION = cython.declare(  # P S R L X Y Z: with these G10 is another command under RepRapFirmware
    cython.uint, 1 << 15 | 1 << 18 | 1 << 17 | 1 << 11 | 1 << 23 | 1 << 24 | 1 << 25
)
TOOLS = cython.declare(
    cython.int, 64
)  # tools with their own flow and diameter; higher numbers are a fork's own codes


@cython.cclass
class Scanner:
    """Modal state of one firmware, and the loop that feeds it lines.

    Parameters
    ----------
    dialect : 0 Marlin, 1 Klipper, 2 RepRapFirmware.
    layer_marks : 0 none (each rise of Z at which filament is laid), 1 ``;LAYER_CHANGE``,
        2 ``; CHANGE_LAYER``, 3 ``;LAYER:n``.

    Attributes
    ----------
    line : lines read so far.
    offset : byte offset in the file of the first byte that the next ``run`` is given; the caller moves
        it on from block to block.
    x, y, z : position in machine coordinates; for timing it starts at 0, and G28 sets 0. [mm]
    shift_x, shift_y, shift_z : machine minus logical coordinate, as G92 left it. [mm]
    e : the logical E register, in the file's unit (mm, or mm³ where E is volumetric).
    known, homed : bits X 1, Y 2, Z 4: the position is known, the axis was homed.
    absolute : G90 (1) or G91 (0).
    e_absolute : how E words are read now, G90/G91 and M82/M83 taken together as the dialect does.
    m82 : the last of M82 (1) and M83 (0).
    stated : bits 1 (G90 or G91), 2 (M82 or M83): said since the last start macro; all set without one.
    inches : 1 after G20 where the dialect has it.
    feed : the F word in force, speed factor not included. [mm/s]
    speed_factor : M220 / 100.
    flow, diameters : per tool: M221 / 100 (Klipper: element 0 for all), filament diameter. [-, mm]
    volumetric : E words are mm³.
    tool : the active tool.
    retracted : firmware retraction of the active tool is in effect.
    macro : line of the last start macro that hides heating and homing; 0 for none.
    layer : layers begun so far.
    watch_z : X/Y motion that starts or ends below this height widens the box; -inf: none does. [mm]
    box_min_x, box_min_y, box_max_x, box_max_y : the box (min above max: nothing in it yet). [mm]
    bounds : x0, y0, x1, y1, top for moves that lay filament, then for all others; infinite: none.  A move
        beyond one takes it along, so that only what goes further counts again. [mm]
    beyond : by index in ``bounds``: first line beyond it and value there, furthest line and value.  Unknown
        coordinates are left out. [-, mm]
    saved : what M220 B, SAVE_GCODE_STATE and M120 put aside.
    unknown : commands that the dialect does not know, word to count.
    pulled_mm, pulled_line, pulled_by : the deepest absolute E word that pulls back further than the word
        itself says, as one meant to be relative does: how far, its line (0: none), and the mode that makes
        it absolute here and relative elsewhere: 91 or 90 for G91 or G90, 0 for another. [mm, -, -]
    said_m83 : the last of M82 and M83 was M83, whatever G90 and G91 made of it.
    volumes_stated : M200 said whether E words are mm³.
    refused : moves that the dialect does not take: under Klipper arcs by radius or in G91, and F0.
    inert, stray : lines with commands of no effect; lines that hold no command at all.
    plane : 0 for arcs in X and Y, 1 in X and Z (G18), 2 in Y and Z (G19).
    odd : what the firmware drops, refuses or does unseen, by its kind (see ``odd``).
    box_sure : all motion since the box was emptied was followed.
    """

    line = cython.declare(cython.longlong, visibility="public")
    offset = cython.declare(cython.longlong, visibility="public")
    dialect = cython.declare(cython.int, visibility="readonly")
    layer_marks = cython.declare(cython.int, visibility="readonly")
    x = cython.declare(cython.double, visibility="public")
    y = cython.declare(cython.double, visibility="public")
    z = cython.declare(cython.double, visibility="public")
    e = cython.declare(cython.double, visibility="public")
    shift_x = cython.declare(cython.double, visibility="public")
    shift_y = cython.declare(cython.double, visibility="public")
    shift_z = cython.declare(cython.double, visibility="public")
    feed = cython.declare(cython.double, visibility="public")
    speed_factor = cython.declare(cython.double, visibility="public")
    known = cython.declare(cython.int, visibility="public")
    homed = cython.declare(cython.int, visibility="public")
    absolute = cython.declare(cython.int, visibility="public")
    e_absolute = cython.declare(cython.int, visibility="public")
    m82 = cython.declare(cython.int, visibility="public")
    stated = cython.declare(cython.int, visibility="public")
    inches = cython.declare(cython.int, visibility="public")
    volumetric = cython.declare(cython.int, visibility="public")
    tool = cython.declare(cython.int, visibility="public")
    layer = cython.declare(cython.int, visibility="public")
    macro = cython.declare(cython.longlong, visibility="public")
    watch_z = cython.declare(cython.double, visibility="public")
    box_min_x = cython.declare(cython.double, visibility="public")
    box_min_y = cython.declare(cython.double, visibility="public")
    box_max_x = cython.declare(cython.double, visibility="public")
    box_max_y = cython.declare(cython.double, visibility="public")
    pulled_mm = cython.declare(cython.double, visibility="public")
    pulled_line = cython.declare(cython.longlong, visibility="public")
    pulled_by = cython.declare(cython.int, visibility="public")
    said_m83 = cython.declare(cython.int, visibility="public")
    volumes_stated = cython.declare(cython.int, visibility="public")
    bounds = cython.declare(object, visibility="public")
    beyond = cython.declare(dict, visibility="public")
    refused = cython.declare(cython.longlong, visibility="public")
    inert = cython.declare(cython.longlong, visibility="public")
    stray = cython.declare(cython.longlong, visibility="public")
    unknown = cython.declare(dict, visibility="public")
    flow = cython.declare(object, visibility="public")
    diameters = cython.declare(object, visibility="public")
    saved = cython.declare(object, visibility="public")
    plane = cython.declare(cython.int, visibility="public")
    odd = cython.declare(dict, visibility="public")
    box_sure = cython.declare(cython.bint, visibility="public")
    mark: cython.const[cython.uchar][::1]  # the text of a layer mark
    layer_z: cython.double
    layer_step: cython.double  # the last layer's thickness
    sloped: cython.bint  # Z came where it is while filament was laid
    numbered: cython.int  # spellings that number layers; those after them name heights
    retracted_tools: cython.ulonglong
    # Words of the line at hand, by letter; what `other` hands back to `run`.
    values: Any
    given: cython.uint  # letters with a number, bit 0 for A
    bare: cython.uint  # letters without one
    out_op: cython.int
    out_arg: cython.int
    out_x: cython.double
    out_y: cython.double
    out_z: cython.double
    out_e: cython.double
    out_f: cython.double
    out_i: cython.double
    out_j: cython.double
    out_layer: cython.bint  # a layer begins with that row
    out_begin: cython.Py_ssize_t  # of a command that shares its line with others: its bytes
    out_end: cython.Py_ssize_t
    shared: cython.longlong  # the last line that holds several commands, to a firmware that does them all
    lenient: cython.bint  # the line was looked at already: what is odd in it is passed over
    aside: object  # rows of one line
    stop: cython.Py_ssize_t

    def __init__(self, dialect: cython.int, layer_marks: cython.int = 0) -> None:
        self.dialect = dialect
        self.layer_marks = layer_marks
        self.mark = memoryview(MARK_TEXTS[layer_marks])
        self.line = self.offset = 0
        self.x = self.y = self.z = self.e = 0.0
        self.shift_x = self.shift_y = self.shift_z = 0.0
        self.feed = FIRST_FEED_MM_S[dialect]
        self.speed_factor = 1.0
        self.known = self.homed = 0
        self.absolute = self.e_absolute = self.m82 = 1
        self.stated = AXES_STATED | E_STATED
        self.inches = self.volumetric = self.tool = self.layer = self.macro = 0
        self.pulled_mm = 0.0
        self.pulled_line = self.pulled_by = self.said_m83 = self.volumes_stated = 0
        self.refused = self.inert = self.stray = 0
        self.unknown = {}
        self.flow = array("d", [1.0] * TOOLS)
        self.diameters = array("d", [1.75] * TOOLS)
        self.layer_z = float("-inf")
        self.layer_step = USUAL_STEP
        self.sloped = False
        self.numbered = len(NUMBERED)
        self.retracted_tools = 0
        self.saved = SavedState()
        self.values = array("d", [0.0] * 26)
        self.given = self.bare = 0
        self.out_op = self.out_arg = 0
        self.out_x = self.out_y = self.out_z = self.out_e = self.out_f = self.out_i = self.out_j = 0.0
        self.out_layer = False
        self.out_begin = self.out_end = 0
        self.plane = 0
        self.shared = 0
        self.odd = {}
        self.lenient = False
        self.aside = None
        self.stop = 0
        self.watch_z = float("-inf")
        self.reset_box()
        self.bounds = array("d", NO_BOUNDS * 2)
        self.beyond = {}

    def reset_box(self) -> None:
        """Empty the box of low X/Y motion."""
        self.box_sure = True
        self.box_min_x = self.box_min_y = float("inf")
        self.box_max_x = self.box_max_y = float("-inf")

    @property
    def retracted(self) -> bool:
        """Firmware retraction of the active tool is in effect."""
        return bool(self.retracted_tools >> (0 if self.dialect == KLIPPER else self.tool) & 1)

    @property
    def flow_factor(self) -> float:
        """M221 of the active tool, as a factor."""
        factor: float = self.flow[0 if self.dialect == KLIPPER else self.tool]
        return factor

    @property
    def filament_per_e(self) -> float:
        """Filament that one unit of an E word feeds with the active tool, flow and volume included. [mm]."""
        fed: float = self.gain(1)
        return fed

    @cython.cfunc
    def gain(self, with_flow: cython.int) -> cython.double:
        """Return the filament that one unit of an E word feeds. [mm]."""
        factor: cython.double = 1.0
        if with_flow:
            factor = self.flow[0 if self.dialect == KLIPPER else self.tool]
        if self.volumetric:
            across: cython.double = self.diameters[self.tool]
            factor = factor / (PI * across * across / 4)
        return factor

    def fill(self, data: bytes, begin: cython.Py_ssize_t, rows: Any) -> cython.Py_ssize_t:
        """Read whole lines of *data* from *begin*; fill *rows*; return the position reached.

        Parameters
        ----------
        data : bytes that end at a line end, or the last of a file; ``offset`` says where they stand.
        begin : position of the first byte to read, a line's start.
        rows : a block of rows, overwritten; ``rows.count`` says how many.

        Returns
        -------
        Position behind the last line read: ``len(data)`` when all is read, less when *rows* are full.
        """
        size: cython.Py_ssize_t = len(data)
        rows.count = 0
        if begin >= size:
            return begin
        padded: bytes = data if data[size - 1] == 10 else data + b"\n"  # each scan stops at a line end
        text: cython.const[cython.uchar][::1] = padded
        powers: cython.double[::1] = POWERS_OF_TEN
        row_op: cython.int[::1] = rows.op
        row_arg: cython.int[::1] = rows.arg
        row_line: cython.longlong[::1] = rows.line
        row_start: cython.longlong[::1] = rows.start
        row_length: cython.int[::1] = rows.length
        row_x: cython.double[::1] = rows.x
        row_y: cython.double[::1] = rows.y
        row_z: cython.double[::1] = rows.z
        row_e: cython.double[::1] = rows.e
        row_f: cython.double[::1] = rows.f
        row_i: cython.double[::1] = rows.i
        row_j: cython.double[::1] = rows.j
        limit: cython.Py_ssize_t = len(rows.op) - 2  # a line leaves at most two rows

        # The state of every line, in locals: the loop keeps it in registers.
        line: cython.longlong = self.line
        offset: cython.longlong = self.offset
        dialect: cython.int = self.dialect
        marks: cython.int = self.layer_marks
        watch_z: cython.double = self.watch_z
        bounds: cython.double[::1] = self.bounds
        x: cython.double = self.x
        y: cython.double = self.y
        z: cython.double = self.z
        e: cython.double = self.e
        feed: cython.double = self.feed
        known: cython.int = self.known
        # Changed by `other` alone.
        absolute: cython.bint = self.absolute != 0
        e_absolute: cython.bint = self.e_absolute != 0
        shift_x: cython.double = self.shift_x
        shift_y: cython.double = self.shift_y
        shift_z: cython.double = self.shift_z
        unit: cython.double = INCH if self.inches else 1.0
        e_unit: cython.double = self.e_unit()
        gain: cython.double = self.gain(1)
        gain_e_only: cython.double = self.gain(0) if dialect == REPRAPFIRMWARE else gain
        speed: cython.double = self.speed_factor
        speed_e_only: cython.double = 1.0 if dialect == REPRAPFIRMWARE else speed

        # What no plain move holds makes its line odd: `other` has that looked at.
        words: cython.int
        bits: cython.int
        at: cython.Py_ssize_t
        n: cython.Py_ssize_t = 0
        i: cython.Py_ssize_t = begin
        j: cython.Py_ssize_t
        start: cython.Py_ssize_t
        c: cython.int
        d: cython.int
        code: cython.int
        op: cython.int
        new_layer: cython.bint
        lays: cython.bint
        named: cython.int
        usual: cython.int
        before: cython.int
        refused: cython.bint
        value: cython.double
        new_x: cython.double
        new_y: cython.double
        new_z: cython.double
        new_e: cython.double
        word_x: cython.double
        word_y: cython.double
        word_z: cython.double
        word_e: cython.double
        word_f: cython.double
        delta_e: cython.double
        centre_i: cython.double
        centre_j: cython.double
        radius: cython.double
        rate: cython.double
        reach: cython.double
        # The tighter of both kinds of bounds: what stays within needs no second look.
        inner_x0: cython.double = max(bounds[0], bounds[BOUNDS])
        inner_y0: cython.double = max(bounds[1], bounds[BOUNDS + 1])
        inner_x1: cython.double = min(bounds[2], bounds[BOUNDS + 2])
        inner_y1: cython.double = min(bounds[3], bounds[BOUNDS + 3])
        inner_top: cython.double = min(bounds[4], bounds[BOUNDS + 4])

        words = bits = named = before = 0
        refused = False
        new_x = new_y = new_z = new_e = delta_e = centre_i = centre_j = radius = rate = 0.0
        word_x = word_y = word_z = word_e = word_f = 0.0
        usual_end: cython.Py_ssize_t = size - USUAL_ROOM

        with cython.nogil:  # another thread may plan meanwhile; what is rare takes the lock again
            while i < size and n < limit:
                start = i
                line += 1
                usual = 0
                if (
                    cython.compiled
                    and i < usual_end
                    and text[i] == ord("G")
                    and text[i + 2] == ord(" ")
                    and (text[i + 1] == ord("1") or text[i + 1] == ord("0"))
                ):
                    usual, j, word_x, word_y, word_z, word_e, word_f = usual_words(
                        text, i + 3, usual_end, powers
                    )
                if usual != 0:
                    # --- G0 and G1 as nearly all of them are written, nothing special about them ---
                    new_x = x
                    new_y = y
                    new_z = z
                    if usual & X:
                        value = word_x * unit
                        new_x = value + shift_x if absolute else x + value
                    if usual & Y:
                        value = word_y * unit
                        new_y = value + shift_y if absolute else y + value
                    if usual & Z:
                        value = word_z * unit
                        new_z = value + shift_z if absolute else z + value
                    if not (
                        marks == NO_MARKS
                        or z < watch_z
                        or new_z < watch_z
                        or new_x < inner_x0
                        or new_x > inner_x1
                        or new_y < inner_y0
                        or new_y > inner_y1
                        or new_z > inner_top
                    ):
                        i = j + 1
                        if usual & F:
                            feed = word_f * unit / 60.0
                        delta_e = 0.0
                        if usual & E:
                            new_e = word_e * e_unit
                            delta_e = new_e
                            if e_absolute:
                                delta_e = new_e - e
                                if e > RISE and e > 2 * new_e:  # further back than the word says
                                    self.pull(line, -delta_e * gain)
                                e = new_e
                            elif dialect != REPRAPFIRMWARE:  # there only absolute words
                                e = e + new_e
                        if usual & XYZ:
                            delta_e = delta_e * gain
                            rate = feed * speed
                            if absolute:
                                known |= usual & XYZ
                            if new_x == x and new_y == y and new_z == z and delta_e == 0.0:
                                continue  # nothing moves
                        else:
                            delta_e = delta_e * gain_e_only
                            rate = feed * speed_e_only
                            if delta_e == 0.0:
                                continue
                        x = new_x
                        y = new_y
                        z = new_z
                        row_op[n] = MOVE
                        row_arg[n] = usual
                        row_line[n] = line
                        row_start[n] = offset + start
                        row_length[n] = j - start - (text[j - 1] == ord("\r"))
                        row_x[n] = new_x
                        row_y[n] = new_y
                        row_z[n] = new_z
                        row_e[n] = delta_e
                        row_f[n] = rate
                        row_i[n] = 0.0
                        row_j[n] = 0.0
                        n += 1
                        continue
                while True:  # one command a line, as a rule
                    op = 0
                    new_layer = False
                    c = text[i]
                    if c <= ord(" "):
                        if c == ord("\n"):
                            break
                        i += 1
                        continue
                    code = 4
                    named = usual
                    usual = 0
                    if named != 0:
                        # --- G0 and G1 as nearly all of them are written ---
                        code = text[i + 1] - 48
                        i = j
                        centre_i = centre_j = 0.0
                        refused = False
                        new_e = word_e * e_unit
                        rate = word_f * unit / 60.0
                    elif c == ord("G") or c == ord("g"):
                        j = i + 1
                        code = 0
                        d = text[j]
                        while ord("0") <= d <= ord("9") and code < 1000:
                            code = code * 10 + (d - 48)
                            j += 1
                            d = text[j]
                        if j == i + 1 or d == ord(".") or d == ord("_") or ord("0") <= d <= ord("9"):
                            code = 4  # no number, a subcode, a name, a long number: for `other` to sort out
                    if code < 4 and named == 0:
                        # --- G0 to G3 ---
                        words = 0
                        if j != i + 2 and dialect == KLIPPER:
                            words = ODD  # G01 is no command there
                        at = i
                        i = j
                        named = 0
                        new_x = x
                        new_y = y
                        new_z = z
                        new_e = 0.0
                        centre_i = centre_j = radius = 0.0
                        rate = 0.0
                        while True:
                            c = text[i]
                            if c <= ord(" "):
                                if c == ord("\n"):
                                    break
                                i += 1
                                continue
                            if c == ord(";") or c == ord("*"):  # comment, checksum: the rest of the line
                                while text[i] != ord("\n"):
                                    i += 1
                                break
                            i += 1
                            if c >= ord("a"):
                                c -= 32
                            words += 1
                            if c < ord("A") or c > ord("Z"):
                                if c == ord("("):  # a comment in brackets
                                    while text[i] != ord(")") and text[i] != ord("\n"):
                                        i += 1
                                continue
                            j = i
                            value, i = number(text, i, powers)
                            if value != value:
                                continue  # a letter without a number names nothing
                            if c == ord("X"):
                                value = value * unit
                                new_x = value + shift_x if absolute else x + value
                                named |= X
                            elif c == ord("Y"):
                                value = value * unit
                                new_y = value + shift_y if absolute else y + value
                                named |= Y
                            elif c == ord("E"):
                                new_e = value * e_unit
                                if dialect == REPRAPFIRMWARE and ord("0") <= text[j - 2] <= ord("9"):
                                    words = ODD  # X1E2 is an exponent there
                                named |= E
                            elif c == ord("F"):
                                rate = value * unit / 60.0
                                named |= F
                            elif c == ord("Z"):
                                value = value * unit
                                new_z = value + shift_z if absolute else z + value
                                named |= Z
                            elif code >= 2:
                                if c == ord("I"):
                                    centre_i = value * unit
                                    named |= I_WORD
                                elif c == ord("J"):
                                    centre_j = value * unit
                                    named |= J_WORD
                                elif c == ord("R"):
                                    radius = value * unit
                                    named |= RADIUS_FORM
                        # Klipper refuses R and G91 for arcs: the row says so, and nothing changes.
                        refused = (
                            code >= 2 and dialect == KLIPPER and (named & RADIUS_FORM != 0 or not absolute)
                        )
                        if code >= 2 and (
                            refused
                            or self.plane != 0
                            or (named & RADIUS_FORM == 0 and centre_i == 0.0 and centre_j == 0.0)
                            or (named & RADIUS_FORM and (radius == 0.0 or (new_x == x and new_y == y)))
                        ):
                            words = ODD
                        if dialect == KLIPPER and named & F and rate <= 0.0:
                            words = ODD
                        # Each plain word names another bit: more words than bits are odd ones.
                        bits = named - (named >> 1 & 0x55)
                        bits = (bits & 0x133) + (bits >> 2 & 0x33)
                        bits = (bits + (bits >> 4) + (bits >> 8)) & 15
                        if words != bits and not self.lenient:
                            code = 4
                            c = ord("G")
                            i = at
                    if code < 4:
                        if refused:
                            self.refused += 1
                        elif named & F:
                            if rate > 0.0:
                                feed = rate
                            elif dialect == KLIPPER:
                                self.refused += 1
                            elif dialect == REPRAPFIRMWARE:
                                feed = 0.0  # taken as it stands: as slow as that machine can
                        if code >= 2:
                            if named & RADIUS_FORM:
                                centre_i = radius
                                centre_j = 0.0
                            if refused:
                                named |= RADIUS_FORM
                            elif centre_i == 0.0 and centre_j == 0.0:
                                break  # no centre: no arc
                            elif named & RADIUS_FORM and new_x == x and new_y == y:
                                break  # a radius alone does not say where a full circle lies
                            named = named & ~(I_WORD | J_WORD)
                            if code == 2:
                                named |= CLOCKWISE
                        before = known
                        delta_e = 0.0
                        if named & E:
                            if e_absolute:
                                delta_e = new_e - e
                                if not refused:
                                    if e > RISE and e > 2 * new_e:  # further back than the word says
                                        self.pull(line, -delta_e * gain)
                                    e = new_e
                            else:
                                delta_e = new_e
                                if not refused and dialect != REPRAPFIRMWARE:  # there only absolute words
                                    e = e + new_e
                        if named & XYZ:
                            delta_e = delta_e * gain
                            rate = feed * speed
                            if absolute and not refused:
                                known |= named & XYZ
                        else:
                            delta_e = delta_e * gain_e_only
                            rate = feed * speed_e_only
                        if code < 2 and new_x == x and new_y == y and new_z == z and delta_e == 0.0:
                            break  # nothing moves
                        op = ARC if code >= 2 else MOVE
                        if not refused:
                            if marks == NO_MARKS:
                                lays = delta_e > 0.0 and (code >= 2 or new_x != x or new_y != y)
                                if new_z != z:
                                    self.sloped = lays
                                if lays and new_z != self.layer_z:
                                    new_layer = self.begins_layer(new_z)
                            if z < watch_z or new_z < watch_z:
                                if code >= 2:
                                    with cython.gil:
                                        self.widen_arc(x, y, new_x, new_y, centre_i, centre_j, named)
                                elif new_x != x or new_y != y:
                                    self.widen(x, y, before)
                                    self.widen(new_x, new_y, known)
                            reach = 0.0
                            if code >= 2:  # no point of an arc is further from its end than twice its radius
                                reach = 2.0 * (abs(centre_i) + abs(centre_j))
                            if (
                                new_x - reach < inner_x0
                                or new_x + reach > inner_x1
                                or new_y - reach < inner_y0
                                or new_y + reach > inner_y1
                                or new_z > inner_top
                            ):
                                with cython.gil:
                                    self.line = line
                                    self.pass_bounds(
                                        x,
                                        y,
                                        new_x,
                                        new_y,
                                        new_z,
                                        centre_i,
                                        centre_j,
                                        named,
                                        known,
                                        code >= 2,
                                        delta_e,
                                    )
                                    inner_x0 = max(bounds[0], bounds[BOUNDS])
                                    inner_y0 = max(bounds[1], bounds[BOUNDS + 1])
                                    inner_x1 = min(bounds[2], bounds[BOUNDS + 2])
                                    inner_y1 = min(bounds[3], bounds[BOUNDS + 3])
                                    inner_top = min(bounds[4], bounds[BOUNDS + 4])
                            x = new_x
                            y = new_y
                            z = new_z
                    elif c == ord(";"):  # a comment line; in the first column it may be a layer mark
                        new_layer = i == start and marks != NO_MARKS and self.is_mark(text, i)
                        while text[i] != ord("\n"):
                            i += 1
                    else:
                        # Anything else: the state goes back into the object, and out again changed.
                        with cython.gil:
                            self.line = line
                            self.x = x
                            self.y = y
                            self.z = z
                            self.e = e
                            self.feed = feed
                            self.known = known
                            i = self.other(text, padded, i)
                            x = self.x
                            y = self.y
                            z = self.z
                            e = self.e
                            feed = self.feed
                            known = self.known
                            absolute = self.absolute != 0
                            e_absolute = self.e_absolute != 0
                            shift_x = self.shift_x
                            shift_y = self.shift_y
                            shift_z = self.shift_z
                            unit = INCH if self.inches else 1.0
                            e_unit = self.e_unit()
                            gain = self.gain(1)
                            gain_e_only = self.gain(0) if dialect == REPRAPFIRMWARE else gain
                            speed = self.speed_factor
                            speed_e_only = 1.0 if dialect == REPRAPFIRMWARE else speed
                        op = self.out_op
                        named = self.out_arg
                        new_x = self.out_x
                        new_y = self.out_y
                        new_z = self.out_z
                        delta_e = self.out_e
                        rate = self.out_f
                        centre_i = self.out_i
                        centre_j = self.out_j
                        new_layer = self.out_layer

                    if new_layer or op != 0:
                        j = i
                        while text[j] != ord("\n"):
                            j += 1
                        if text[j - 1] == ord("\r"):
                            j -= 1
                        if new_layer:
                            self.layer += 1
                            row_op[n] = LAYER
                            row_arg[n] = self.layer
                            row_line[n] = line
                            row_start[n] = offset + start
                            row_length[n] = j - start
                            row_x[n] = row_y[n] = row_z[n] = row_e[n] = row_f[n] = row_i[n] = row_j[n] = 0.0
                            n += 1
                        if op != 0:
                            row_op[n] = op
                            row_arg[n] = named
                            row_line[n] = line
                            row_start[n] = offset + start
                            row_length[n] = j - start
                            row_x[n] = new_x
                            row_y[n] = new_y
                            row_z[n] = new_z
                            row_e[n] = delta_e
                            row_f[n] = rate
                            row_i[n] = centre_i
                            row_j[n] = centre_j
                            if op == COMMAND and self.shared == line:  # what it says is its own text
                                row_start[n] = offset + self.out_begin
                                row_length[n] = self.out_end - self.out_begin
                            n += 1
                    if text[i] == ord("\n"):
                        break
                i += 1

        self.line = line
        self.x = x
        self.y = y
        self.z = z
        self.e = e
        self.feed = feed
        self.known = known
        rows.count = n
        return size if i > size else i

    @cython.cfunc
    def e_unit(self) -> cython.double:
        """Return what one unit of an E word is in mm or mm³."""
        if not self.inches:
            return 1.0
        return INCH * INCH * INCH if self.volumetric else INCH

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def is_mark(self, text: cython.const[cython.uchar][::1], i: cython.Py_ssize_t) -> cython.bint:
        """Tell whether the line at *i* is a layer mark, whole; leave its end in ``stop``."""
        k: cython.Py_ssize_t
        for k in range(len(self.mark)):
            if text[i + k] != self.mark[k]:  # a line end differs too, so this never runs past one
                return False
        i += len(self.mark)
        if self.layer_marks >= MARKS_OTHER:
            return self.is_number(text, i)
        if self.layer_marks == MARKS_B:
            if text[i] == ord("-"):
                i += 1
            if not ord("0") <= text[i] <= ord("9"):
                return False
            while ord("0") <= text[i] <= ord("9"):
                i += 1
        while text[i] == ord(" ") or text[i] == ord("\t") or text[i] == ord("\r"):
            i += 1
        self.stop = i
        return text[i] == ord("\n")

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def is_number(self, text: cython.const[cython.uchar][::1], i: cython.Py_ssize_t) -> cython.bint:
        """Tell whether a layer's number stands at *i*; only a height has decimals, and any text may follow."""
        if text[i] == ord("-"):
            i += 1
        if not ord("0") <= text[i] <= ord("9"):
            return False
        while ord("0") <= text[i] <= ord("9"):
            i += 1
        return text[i] != ord(".") or self.layer_marks >= MARKS_OTHER + self.numbered

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def begins_layer(self, z: cython.double) -> cython.bint:
        """Tell whether filament laid at height *z* begins a layer, where no marks are counted.

        Each rise does.  Where Z itself moves while filament is laid, as in a spiral, a layer begins
        when it has risen by as much as the last one was thick.
        """
        rise: cython.double = z - self.layer_z
        least: cython.double = self.layer_step * (1.0 - RISE) if self.sloped else RISE
        if rise > least:
            if self.sloped and self.layer_z >= 0.0 and rise <= 2.0 * self.layer_step:
                self.layer_z += self.layer_step
                return True
            if self.layer_z < 0.0:
                rise = z  # from the bed
            if LEAST_STEP <= rise <= MOST_STEP:
                self.layer_step = rise
            self.layer_z = z
            return True
        if rise < -least:
            self.layer_z = z
        return False

    # --- words meant for another firmware ---

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def pull(self, line: cython.longlong, length: cython.double) -> cython.void:
        """Note the deepest absolute E word that pulls back further than it says. [mm]."""
        if length > self.pulled_mm:
            self.pulled_mm = length
            self.pulled_line = line
            self.pulled_by = 0
            if self.dialect == REPRAPFIRMWARE and not self.absolute:
                self.pulled_by = 91
            elif self.dialect == MARLIN and self.said_m83:
                self.pulled_by = 90

    # --- the box of low motion ---

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def widen(self, x: cython.double, y: cython.double, known: cython.int) -> cython.void:
        """Take a point into the box; an unknown coordinate has no place in it."""
        if known & X:
            self.box_min_x = min(self.box_min_x, x)
            self.box_max_x = max(self.box_max_x, x)
        if known & Y:
            self.box_min_y = min(self.box_min_y, y)
            self.box_max_y = max(self.box_max_y, y)

    def widen_arc(self, x0: float, y0: float, x1: float, y1: float, i: float, j: float, arg: int) -> None:
        """Take an arc into the box, with its bulges."""
        min_x, min_y, max_x, max_y = box_of((x0, y0), (x1, y1), i, j, arg)
        self.widen(min_x, min_y, X | Y)
        self.widen(max_x, max_y, X | Y)

    def pass_bounds(self, x0, y0, x1, y1, z, i, j, arg, known, arc, forward) -> None:
        """Note where a move with known coordinates goes beyond a bound; the bound goes along."""
        low_x, low_y, high_x, high_y = box_of((x0, y0), (x1, y1), i, j, arg) if arc else (x1, y1, x1, y1)
        lays = forward > 0.0 and (arc or x1 != x0 or y1 != y0)
        first = 0 if lays else BOUNDS
        for side, axis, value in ((0, X, low_x), (1, Y, low_y), (2, X, high_x), (3, Y, high_y), (4, Z, z)):
            bound = self.bounds[first + side]
            if known & axis and (value < bound if side < 2 else value > bound):
                start = self.beyond.get(first + side, (self.line, value))[:2]
                self.beyond[first + side] = (*start, self.line, value)
                self.bounds[first + side] = value

    # --- everything but G0 to G3 and comments ---

    @cython.cfunc
    def other(
        self, text: cython.const[cython.uchar][::1], data: bytes, i: cython.Py_ssize_t
    ) -> cython.Py_ssize_t:
        """Read the command at *i*; leave its row in ``out_*`` (``out_op`` 0: none); return where to go on.

        That is the line's end, or a further command on the same line: behind a line number, behind
        stray bytes, and behind any command under RepRapFirmware.
        """
        begin: cython.Py_ssize_t = i
        end: cython.Py_ssize_t = i
        c: cython.int = text[i]
        letter: cython.int = c - 32 if c >= ord("a") else c
        code: cython.int = 0
        self.out_op = self.out_arg = 0
        self.out_x = self.out_y = self.out_z = self.out_e = self.out_f = self.out_i = self.out_j = 0.0
        self.out_layer = False
        while text[end] != ord("\n"):
            end += 1
        if c >= 128 or c == ord("/"):  # a byte order mark or other stray bytes, a block-skip mark
            return i + 1
        if c == ord("("):  # a comment in brackets
            while text[i] != ord(")") and i < end:
                i += 1
            return min(i + 1, end)
        if not (ord("A") <= letter <= ord("Z") or letter == ord("_")):
            if c != ord("#"):  # a comment of Klipper's begins so
                self.stray += 1
            return end
        i += 1
        while text[i] == ord(" ") and (
            letter == ord("G") or letter == ord("M") or letter == ord("T") or letter == ord("N")
        ):
            i += 1  # "G 28"
        first: cython.Py_ssize_t = i
        while ord("0") <= text[i] <= ord("9") and i < first + 6:
            code = code * 10 + (text[i] - 48)
            i += 1
        c = text[i]
        if (
            letter == ord("X")
            or letter == ord("Y")
            or letter == ord("Z")
            or letter == ord("E")
            or letter == ord("F")
        ):
            if i > first or c == ord("-") or c == ord("."):
                self.stray += 1  # axis words without a command: nothing moves for them
                return end
        if i == first or ord("0") <= c <= ord("9") or c == ord("_"):
            if letter == ord("N") and i > first:  # a long line number
                while ord("0") <= text[i] <= ord("9"):
                    i += 1
                return i
            if letter == ord("T") and c == ord("-") and self.dialect == REPRAPFIRMWARE:  # T-1: no tool
                self.out_op = COMMAND
            else:
                self.extended(data[begin:end])
            return end
        if letter == ord("N"):  # N123: the command stands behind it
            return i
        follows: cython.Py_ssize_t = self.further(letter, code, text, i, end)
        if follows < end:
            if self.dialect == REPRAPFIRMWARE:
                if letter == ord("G") or letter == ord("M") or letter == ord("T"):
                    end = follows
                    self.shared = self.line
                # else one bad command up to the line's end
            else:
                second(self, letter, code, data[begin:end])
        if self.shared == self.line:
            self.out_begin = begin
            self.out_end = end
            while text[self.out_end - 1] <= ord(" "):
                self.out_end -= 1
        if c == ord("."):  # G92.1, M73.1: a command of its own, some of them known
            self.keep(
                KEPT if letter == ord("G") and (code == 38 or code == 53 or code == 59) else UNKNOWN,
                data[begin:end],
            )
            if letter == ord("G") and code == 59 and NOTED_G[self.dialect][59]:
                noted(self, "G", 59, data[begin:end])
        elif letter == ord("T") and code < TOOLS:
            self.tool = code
            self.out_op = TOOL
            self.out_arg = code
        elif letter == ord("G"):
            return self.g_code(code, text, data, begin, i, end)
        elif letter == ord("M"):
            return self.m_code(code, text, data, begin, i, end)
        else:
            self.keep(UNKNOWN, data[begin:end])
        return end

    @cython.cfunc
    def g_code(
        self,
        code: cython.int,
        text: cython.const[cython.uchar][::1],
        data: bytes,
        begin: cython.Py_ssize_t,
        i: cython.Py_ssize_t,
        end: cython.Py_ssize_t,
    ) -> cython.Py_ssize_t:
        """Read a G command whose words begin at *i*; return where to go on."""
        if code <= 3 or (code == 5 and self.dialect == MARLIN):
            self.unusual(code, data, begin, i, end)
            return end
        if code == 92:
            self.words(text, i, end)
            self.set_position()
            return end
        if code == 10 or code == 11:
            self.words(text, i, end)
            if code == 10 and self.dialect == REPRAPFIRMWARE and (self.given | self.bare) & NOT_RETRACTION:
                self.out_op = COMMAND  # sets a tool's temperatures or offsets, or an origin
                if self.given & bit(76):  # L
                    note(self, "origin", data[begin:end])
                return end
            mask: cython.ulonglong = 1
            mask = mask << (0 if self.dialect == KLIPPER else self.tool)
            was: cython.bint = self.retracted_tools & mask != 0
            if code == 10:
                self.out_op = RETRACT
                self.out_arg = 0 if was else 1
                self.retracted_tools |= mask
            else:
                self.out_op = UNRETRACT
                self.out_arg = 1 if was else 0
                self.retracted_tools &= ~mask
            return end
        self.by_table(ord("G"), code, data, begin, end)
        return end

    @cython.cfunc
    def m_code(
        self,
        code: cython.int,
        text: cython.const[cython.uchar][::1],
        data: bytes,
        begin: cython.Py_ssize_t,
        i: cython.Py_ssize_t,
        end: cython.Py_ssize_t,
    ) -> cython.Py_ssize_t:
        """Read an M command whose words begin at *i*; return where to go on."""
        if code == 204:
            self.words(text, i, end)
            self.out_op = ACCELERATION
            self.out_x = self.word(83) if self.given & bit(83) else NAN  # S
            self.out_y = self.word(80) if self.given & bit(80) else NAN  # P
            self.out_z = self.word(82) if self.given & bit(82) else NAN  # R
            self.out_e = self.word(84) if self.given & bit(84) else NAN  # T
            return end
        self.by_table(ord("M"), code, data, begin, end)
        return end

    @cython.cfunc
    def by_table(
        self,
        letter: cython.int,
        code: cython.int,
        data: bytes,
        begin: cython.Py_ssize_t,
        end: cython.Py_ssize_t,
    ) -> cython.void:
        """Do a G or M command as the dialect's tables class it, and note one that is not simply read."""
        is_g: cython.bint = letter == ord("G")
        table: bytes = G_TABLES[self.dialect] if is_g else M_TABLES[self.dialect]
        marked: bytes = NOTED_G[self.dialect] if is_g else NOTED_M[self.dialect]
        kind: cython.int = table[code] if code < len(table) else UNKNOWN
        if kind == INERT:
            self.inert += 1
            return
        self.keep(kind, data[begin:end])
        if code < len(marked) and marked[code]:
            noted(self, "G" if is_g else "M", code, data[begin:end])

    @cython.cfunc
    def unusual(
        self,
        code: cython.int,
        data: bytes,
        begin: cython.Py_ssize_t,
        i: cython.Py_ssize_t,
        end: cython.Py_ssize_t,
    ) -> cython.void:
        """Read a move with odd words as the plain one that the firmware makes of it."""
        plain = plain_move(self, code, data[begin:i], data[i:end])
        if plain is None:
            return
        if self.aside is None:
            self.aside = Rows(8)
        rows: Any = self.aside
        self.line -= 1  # it is counted already
        self.lenient = True
        self.fill(plain, 0, rows)
        self.lenient = False
        if rows.count == 0:
            return
        last: cython.int = rows.count - 1
        if rows.op[0] == LAYER:
            self.layer -= 1  # counted with its row
            self.out_layer = True
        self.out_op = rows.op[last]
        self.out_arg = rows.arg[last]
        self.out_x = rows.x[last]
        self.out_y = rows.y[last]
        self.out_z = rows.z[last]
        self.out_e = rows.e[last]
        self.out_f = rows.f[last]
        self.out_i = rows.i[last]
        self.out_j = rows.j[last]

    @cython.cfunc
    def set_position(self) -> cython.void:
        """G92: the axes named stand where it says from now on.  Klipper: none named is all at 0."""
        axes: cython.int = 0
        unit: cython.double = INCH if self.inches else 1.0
        bare_all: cython.bint = self.dialect == KLIPPER and self.given & AXIS_WORDS == 0
        if bare_all or self.given & bit(88):
            axes |= X
            self.shift_x = self.x - (0.0 if bare_all else self.word(88) * unit)
        if bare_all or self.given & bit(89):
            axes |= Y
            self.shift_y = self.y - (0.0 if bare_all else self.word(89) * unit)
        if bare_all or self.given & bit(90):
            axes |= Z
            self.shift_z = self.z - (0.0 if bare_all else self.word(90) * unit)
        if bare_all or self.given & bit(69):
            axes |= E
            self.e = 0.0 if bare_all else self.word(69) * self.e_unit()
        if axes:
            self.out_op = SET_POSITION
            self.out_arg = axes

    @cython.cfunc
    def further(
        self,
        letter: cython.int,
        code: cython.int,
        text: cython.const[cython.uchar][::1],
        i: cython.Py_ssize_t,
        end: cython.Py_ssize_t,
    ) -> cython.Py_ssize_t:
        """Return where the next command on the line begins, *end* for none.

        RepRapFirmware reads it; the others do the first one only.
        """
        c: cython.int
        quoted: cython.bint = False
        depth: cython.int = 0
        if letter == ord("M") and code < len(TEXTS) and TEXTS[code]:
            return end
        while i < end:
            c = text[i]
            if c == ord('"'):
                quoted = not quoted
            elif not quoted:
                if c == ord(";") or (c == ord("*") and depth <= 0):
                    return end
                if c == ord("("):
                    while text[i] != ord(")") and i < end:
                        i += 1
                elif c == ord("{"):
                    depth += 1
                elif c == ord("}"):
                    depth -= 1
                elif (
                    depth <= 0
                    and (c & 95 == ord("G") or c & 95 == ord("M"))
                    and ord("0") <= text[i + 1] <= ord("9")
                ):
                    return i
            i += 1
        return end

    @cython.cfunc
    def extended(self, line: bytes) -> cython.void:
        """Read ``NAME KEY=VALUE``; what is merely kept or inert under Klipper needs no parsing."""
        kind: cython.int = MODAL
        if self.dialect == KLIPPER:
            kind = KINDS_OF_NAMES.get(line.split(None, 1)[0], MODAL)
        self.keep(kind, line)

    @cython.cfunc
    def keep(self, kind: cython.int, line: bytes) -> cython.void:
        """Leave a COMMAND row, count an unknown command by its word, or act on a modal one."""
        if kind == MODAL:
            row = act(self, line)
            if row is not None:
                self.out_op = row.op
                self.out_arg = row.arg
                self.out_x = row.x
                self.out_y = row.y
                self.out_z = row.z
                self.out_e = row.e
                self.out_f = row.f
            return
        if kind == INERT:
            self.inert += 1
            return
        self.out_op = COMMAND
        if kind == ROAMING:
            self.known = 0
        elif kind == UNKNOWN:
            said = command(line)
            self.unknown[said.name] = self.unknown.get(said.name, 0) + 1
            unknown(self, said, line)

    # --- words ---

    @cython.cfunc
    def words(
        self, text: cython.const[cython.uchar][::1], i: cython.Py_ssize_t, end: cython.Py_ssize_t
    ) -> cython.void:
        """Read all words of the command from *i* to *end* into ``values``, ``given`` and ``bare``."""
        values: cython.double[::1] = self.values
        powers: cython.double[::1] = POWERS_OF_TEN
        c: cython.int
        value: cython.double
        self.given = self.bare = 0
        while True:
            c = text[i]
            if c == ord("\n") or c == ord(";") or c == ord("*") or i >= end:
                return
            i += 1
            if c == ord("("):
                while text[i] != ord(")") and text[i] != ord("\n"):
                    i += 1
            if c >= ord("a"):
                c -= 32
            if c < ord("A") or c > ord("Z"):
                continue
            value, i = number(text, i, powers)
            if value != value:
                self.bare |= bit(c)
            else:
                values[c - 65] = value
                self.given |= bit(c)

    @cython.cfunc
    def word(self, letter: cython.int) -> cython.double:
        """Return the value of *letter* (its ASCII code) on the line at hand."""
        return self.values[letter - 65]


@cython.cfunc
@cython.inline
def bit(letter: cython.int) -> cython.uint:
    """Return the bit of a letter, given by its ASCII code."""
    one: cython.uint = 1
    return one << (letter - 65)


@cython.cfunc
@cython.inline
@cython.nogil
@cython.exceptval(check=False)
def eight_characters(text: cython.pointer(cython.const[cython.uchar])) -> cython.ulonglong:
    """Return eight characters as one number, the first one lowest; compilers make one load of it."""
    return (
        cython.cast(cython.ulonglong, text[0])
        | cython.cast(cython.ulonglong, text[1]) << 8
        | cython.cast(cython.ulonglong, text[2]) << 16
        | cython.cast(cython.ulonglong, text[3]) << 24
        | cython.cast(cython.ulonglong, text[4]) << 32
        | cython.cast(cython.ulonglong, text[5]) << 40
        | cython.cast(cython.ulonglong, text[6]) << 48
        | cython.cast(cython.ulonglong, text[7]) << 56
    )


@cython.cfunc
@cython.inline
@cython.nogil
@cython.exceptval(check=False)
@cython.returns(
    (
        cython.int,
        cython.Py_ssize_t,
        cython.double,
        cython.double,
        cython.double,
        cython.double,
        cython.double,
    )
)
def usual_words(
    text: cython.const[cython.uchar][::1],
    i: cython.Py_ssize_t,
    stop: cython.Py_ssize_t,
    powers: cython.double[::1],
):
    """Return the words X, Y, Z, E and F at *i*: bits of those there are, where the line ends, the value of each.

    None are returned where the line holds anything but these, once each and apart by single spaces, and a comment, or
    where F is no speed: such a line is read letter by letter.  Eight characters are looked at together, so that no
    branch depends on how many digits a number has.

    Parameters
    ----------
    stop : words that begin here or later are not taken; ``USUAL_ROOM`` bytes must stand behind it.
    """
    named: cython.int = 0
    axis: cython.int
    c: cython.int = 0
    negative: cython.bint
    value: cython.double
    word_x: cython.double = 0.0
    word_y: cython.double = 0.0
    word_z: cython.double = 0.0
    word_e: cython.double = 0.0
    word_f: cython.double = 0.0
    low: cython.ulonglong = 0x01010101  # the lowest bit of each byte: longer numbers are no C constants
    pairs: cython.ulonglong = 0x00FF00FF
    fours: cython.ulonglong = 0xFFFF
    high: cython.ulonglong  # the highest bit of each byte
    eight: cython.ulonglong  # characters less "0", the first one lowest
    others: cython.ulonglong  # the top bit of those that are no digits
    first: cython.ulonglong  # of the first one of these
    before: cython.ulonglong  # all bits of the digits in front of it
    length: cython.ulonglong  # of the number, its point counted
    whole: cython.ulonglong  # the digits in front of the point
    decimals: cython.Py_ssize_t
    mantissa: cython.longlong
    number_at: cython.Py_ssize_t
    low = low | low << 32
    high = low << 7
    pairs = pairs | pairs << 32
    fours = fours | fours << 32
    while i < stop:
        c = text[i]
        if c == ord(";") and named:
            break
        i += 1
        number_at = i
        negative = text[i] == ord("-")
        if negative:
            i += 1
        eight = eight_characters(cython.address(text[i])) ^ (low * 48)
        others = (((eight & ~high) + low * 118) | eight) & high
        first = others & (0 - others)
        before = (first >> 7) - 1
        whole = length = ((before & low) * low) >> 56
        decimals = 0
        if text[i + whole] == ord("."):
            others = others ^ first
            before = ((others & (0 - others)) >> 7) - 1
            length = ((before & low) * low) >> 56
            decimals = length - whole - 1
            if length == 1:
                length = 0
            # the digits in front of the point move up to where it stands
            eight = (eight & ((first >> 7) - 1)) << 8 | (eight & before & (0 - (first << 1)))
        else:
            eight = eight & before
        if 0 < length < 8:
            eight = eight << (8 * (8 - length))  # the last digit is the eighth byte
            eight = (eight * 10 + (eight >> 8)) & pairs
            eight = (eight * 100 + (eight >> 16)) & fours
            mantissa = (eight * 10000 + (eight >> 32)) & (fours | fours << 16) >> 32
            value = mantissa / powers[decimals]
            if negative:
                value = -value
            i += length
        else:  # more than seven characters, or none that this takes
            value, i = number(text, number_at, powers)
            if value != value:
                return 0, i, word_x, word_y, word_z, word_e, word_f
        if c == ord("X"):
            axis = X
            word_x = value
        elif c == ord("Y"):
            axis = Y
            word_y = value
        elif c == ord("E"):
            axis = E
            word_e = value
        elif c == ord("F") and value > RISE:
            axis = F
            word_f = value
        elif c == ord("Z"):
            axis = Z
            word_z = value
        else:
            break
        if named & axis:
            break
        named |= axis
        c = text[i]
        if c == ord(" "):
            i += 1
        elif c == ord("\n"):
            return named, i, word_x, word_y, word_z, word_e, word_f
        elif c == ord("\r") and text[i + 1] == ord("\n"):
            return named, i + 1, word_x, word_y, word_z, word_e, word_f
        elif c != ord(";"):
            break
    if c == ord(";") and named:  # a comment: the rest of the line
        while text[i] != ord("\n"):
            i += 1
        return named, i, word_x, word_y, word_z, word_e, word_f
    return 0, i, word_x, word_y, word_z, word_e, word_f


@cython.cfunc
@cython.inline
@cython.nogil
@cython.exceptval(check=False)
@cython.returns((cython.double, cython.Py_ssize_t))
def number(
    text: cython.const[cython.uchar][::1],
    i: cython.Py_ssize_t,
    powers: cython.double[::1],
):
    """Return the number at *i*, NaN where there is none, and the position behind it.

    ``[ ]* [-+]? digits [. digits]``, as ``float()`` reads it, bit for bit; no exponent, since E is a word.
    """
    d: cython.int = text[i]
    negative: cython.bint = False
    mantissa: cython.ulonglong = 0
    whole: cython.longlong
    decimals: cython.Py_ssize_t = 0
    value: cython.double
    while d == ord(" "):
        i += 1
        d = text[i]
    if d == ord("-") or d == ord("+"):
        negative = d == ord("-")
        i += 1
        d = text[i]
    first: cython.Py_ssize_t = i
    while ord("0") <= d <= ord("9"):
        mantissa = mantissa * 10 + (d - 48)
        i += 1
        d = text[i]
    digits: cython.Py_ssize_t = i - first
    if d == ord("."):
        i += 1
        point: cython.Py_ssize_t = i
        d = text[i]
        while ord("0") <= d <= ord("9"):
            mantissa = mantissa * 10 + (d - 48)
            i += 1
            d = text[i]
        decimals = i - point
        digits += decimals
    if digits == 0:
        return NAN, i
    if digits <= EXACT_DIGITS:
        whole = mantissa
        value = whole / powers[decimals]
    else:
        value = long_number(text, first, i)
        if value > HUGE:
            return NAN, i
    return -value if negative else value, i


@cython.cfunc
@cython.with_gil
@cython.exceptval(check=False)
def long_number(
    text: cython.const[cython.uchar][::1], first: cython.Py_ssize_t, end: cython.Py_ssize_t
) -> cython.double:
    """Return the number of more digits than a double holds exactly, as ``float()`` rounds it."""
    return float(bytes(text[first:end]))
