"""Two codes of binary G-code taken apart: heatshrink (LZSS by bits), and characters packed two to a byte.

Each takes the bytes of one block, which must hold what they say and nothing else: what a decoder could
only guess at is refused.  The output is never larger than its caller allows.  The same source runs
compiled and interpreted: text is indexed as unsigned bytes.

Left out: deflate (``zlib``); writing either code; what the text means.
"""

from typing import Final

try:
    import cython
except ImportError:  # nothing is compiled here
    from gcodetool.puremode import cython

COMPILED: Final = cython.compiled

LINE_FEED = cython.declare(cython.int, 10)
SPACE = cython.declare(cython.int, 32)
SEMICOLON = cython.declare(cython.int, 59)
LETTER_A = cython.declare(cython.int, 65)
LETTER_E = cython.declare(cython.int, 69)
LETTER_G = cython.declare(cython.int, 71)
LETTER_Z = cython.declare(cython.int, 90)

# The table of the packed form: codes 0 to 14; 15 says that the full character follows.
TABLE: Final = bytearray(b"0123456789. \nGX")
SPACE_CODE = cython.declare(cython.int, 11)  # also E, while spaces are left out
FULL = cython.declare(cython.int, 15)
SIGNAL = cython.declare(cython.int, 255)  # twice: a command follows
PACKING_ON = cython.declare(cython.int, 251)
PACKING_OFF = cython.declare(cython.int, 250)
RESET = cython.declare(cython.int, 249)
QUERY = cython.declare(cython.int, 248)
NO_SPACES_ON = cython.declare(cython.int, 247)
NO_SPACES_OFF = cython.declare(cython.int, 246)

# What can be wrong; kept as a number until the interpreter's lock is held again.
NONE = cython.declare(cython.int, 0)
EARLY = cython.declare(cython.int, 1)
MORE = cython.declare(cython.int, 2)
BEFORE = cython.declare(cython.int, 3)
IN_CHARACTER = cython.declare(cython.int, 4)
IN_COMMAND = cython.declare(cython.int, 5)
AMID = cython.declare(cython.int, 6)
UNKNOWN = cython.declare(cython.int, 7)
TOO_MUCH = cython.declare(cython.int, 8)
FAULTS: Final = (
    "",
    "ends early",
    "holds more than it says",
    "points before its beginning",
    "ends within a character",
    "ends within a command",
    "holds a command within a character",
    "holds the unknown command",
    "holds too much text",
)


def heatshrink(data: bytes, size: cython.Py_ssize_t, window: cython.int, lookahead: cython.int) -> bytes:
    """Return the *size* bytes that *data* hold, packed by heatshrink.

    A bit 1 and eight bits are a byte; a bit 0, *window* bits and *lookahead* bits are a piece of what came
    before: how far back less one, how long less one.  Bits run from the highest; the last byte is filled
    with zeros.

    Parameters
    ----------
    size : bytes to be made, exactly; the caller bounds it.
    window, lookahead : bits of a distance and of a length, together at most 24.

    Raises
    ------
    ValueError
        The data end early, hold more, or point before their beginning.
    """
    out = bytearray(size)
    if size == 0:
        if data:
            raise ValueError(FAULTS[MORE])
        return b""
    source: cython.const[cython.uchar][::1] = data if data else b"\0"
    target: cython.uchar[::1] = out
    length: cython.Py_ssize_t = len(data)
    at: cython.Py_ssize_t = 0
    made: cython.Py_ssize_t = 0
    bits: cython.ulonglong = 0  # those not used yet stand lowest; above them nothing
    left: cython.int = 0
    need: cython.int = 1 + window + lookahead
    token: cython.uint
    back: cython.Py_ssize_t
    stop: cython.Py_ssize_t
    fault: cython.int = NONE
    with cython.nogil:  # another thread may scan meanwhile
        while made < size:
            if left < need:
                if at + 4 <= length:  # four at a time: a fetch is rare then, and foreseen
                    bits = (bits << 8) | source[at]
                    bits = (bits << 8) | source[at + 1]
                    bits = (bits << 8) | source[at + 2]
                    bits = (bits << 8) | source[at + 3]
                    at += 4
                    left += 32
                else:
                    while at < length:
                        bits = (bits << 8) | source[at]
                        at += 1
                        left += 8
            if left == 0:
                fault = EARLY
                break
            if (bits >> (left - 1)) & 1:
                if left < 9:
                    fault = EARLY
                    break
                left -= 9
                target[made] = (bits >> left) & 255
                made += 1
            else:
                if left < need:
                    fault = EARLY
                    break
                left -= need
                token = (bits >> left) & ((1 << need) - 1)
                back = (token >> lookahead) + 1
                stop = made + (token & ((1 << lookahead) - 1)) + 1
                if back > made:
                    fault = BEFORE
                    break
                if stop > size:
                    fault = MORE
                    break
                while made < stop:
                    target[made] = target[made - back]
                    made += 1
            bits &= (cython.cast(cython.ulonglong, 1) << left) - 1
    if fault == NONE and (at < length or left > 7 or bits != 0):
        fault = MORE
    if fault != NONE:
        raise ValueError(FAULTS[fault])
    return bytes(out)


def unpacked(data: bytes, most: cython.Py_ssize_t) -> bytes:
    """Return the text in *data*, whose characters are packed two to a byte where packing is on.

    The low half of a byte is the first character.  On a line that begins with ``G`` a space is put back
    before each letter where spaces were left out.  The state starts anew with each call.

    Parameters
    ----------
    most : bytes of text to be made at most.

    Raises
    ------
    ValueError
        The data end within a character, hold a command that there is none, or more text than *most*.
    """
    length: cython.Py_ssize_t = len(data)
    room: cython.Py_ssize_t = min(4 * length, most) + 4  # a byte makes two letters with a space each
    out = bytearray(room)
    if length == 0:
        return b""
    source: cython.const[cython.uchar][::1] = data
    target: cython.uchar[::1] = out
    table: cython.uchar[::1] = TABLE
    at: cython.Py_ssize_t = 0
    made: cython.Py_ssize_t = 0
    packing: cython.bint = False
    no_spaces: cython.bint = False
    begins: cython.bint = True  # at a line's beginning
    spaced: cython.bint = False  # a line whose letters get a space each
    byte: cython.int = 0
    low: cython.int
    high: cython.int
    first: cython.int
    second: cython.int  # -1: there is none
    fault: cython.int = NONE
    with cython.nogil:
        while at < length:
            byte = source[at]
            at += 1
            if packing and not begins and byte < 0xB0 and (byte & 15) < SPACE_CODE and made + 4 <= room:
                target[made] = table[byte & 15]  # two digits or points: most of a job
                target[made + 1] = table[byte >> 4]
                made += 2
                continue
            if byte == SIGNAL and at < length and source[at] == SIGNAL:
                if at + 1 >= length:
                    fault = IN_COMMAND
                    break
                byte = source[at + 1]
                at += 2
                if byte == PACKING_ON:
                    packing = True
                elif byte == PACKING_OFF or byte == RESET:
                    packing = False
                elif byte == NO_SPACES_ON:
                    no_spaces = True
                elif byte == NO_SPACES_OFF:
                    no_spaces = False
                elif byte != QUERY:
                    fault = UNKNOWN
                    break
                continue
            if made + 4 > room:
                fault = TOO_MUCH
                break
            first = byte
            second = -1
            if packing:
                low = byte & 15
                high = byte >> 4
                if low == FULL:
                    if at >= length:
                        fault = IN_CHARACTER
                        break
                    first = source[at]
                    at += 1
                else:
                    first = LETTER_E if low == SPACE_CODE and no_spaces else table[low]
                if low == FULL or first != LINE_FEED:  # behind a packed line feed stands padding
                    if high == FULL:
                        if at >= length:
                            fault = IN_CHARACTER
                            break
                        second = source[at]
                        at += 1
                    else:
                        second = LETTER_E if high == SPACE_CODE and no_spaces else table[high]
                if first == SIGNAL or second == SIGNAL:
                    fault = AMID
                    break
            while True:
                if first == LINE_FEED:
                    begins = True
                    spaced = False
                elif begins:
                    begins = False
                    spaced = no_spaces and first == LETTER_G
                elif spaced:
                    if first == SEMICOLON:
                        spaced = False
                    elif LETTER_A <= first <= LETTER_Z and target[made - 1] != SPACE:
                        target[made] = SPACE
                        made += 1
                target[made] = first
                made += 1
                if second < 0:
                    break
                first = second
                second = -1
    if fault == UNKNOWN:
        raise ValueError(f"{FAULTS[fault]} {byte}")
    if fault == NONE and made > most:
        fault = TOO_MUCH
    if fault != NONE:
        raise ValueError(FAULTS[fault])
    return bytes(memoryview(out)[:made])
