"""Binary G-code (``GCDE``): its text read block by block, and edited without coding the rest anew.

The file is a header and blocks; each block names its kind, its compression and its size, and ends with a
CRC-32 where the header says so.  The text of a job is what its code blocks decode to, one after the other.
Metadata are lines ``key=value``; they become what a text file of the same slicer says in comments
(:class:`Stated`).  Of an edited file each block that no edit touches is copied as it stands; what takes the
place of the others is plain text, deflated where it was so before, and never heatshrink or packed.

No size that the file claims is believed: each is bounded, then checked.

Left out: the two codes themselves (``binarycodes``); pictures, which are copied; what the text means.
"""

import os
import re
import struct
import zlib
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import IO, Final, NamedTuple

from gcodetool.errors import GcodeError
from gcodetool.gcode.ahead import ahead
from gcodetool.gcode.edits import MARK_LINE
from gcodetool.textfile import BOMB_RATIO, BOMB_SIZE, LONGEST_LINE, MOST_UNPACKED, buffered

VERSION: Final = 1
CHUNK: Final = 1 << 18  # bytes copied at a time
MOST_BLOCK: Final = 16 << 20  # bytes of a block, stored, unpacked or as text; writers stay below 64 KiB
MOST_WORDS: Final = 4 << 20  # bytes of all metadata
MOST_BLOCKS: Final = 1 << 16
FEW: Final = 64  # code blocks; with fewer of them a thread costs as much as it saves
AHEAD: Final = 4  # blocks decoded ahead
SMALL: Final = 1 << 20  # bytes; of larger ones none is decoded ahead, to save memory
GATHERED: Final = 1 << 18  # bytes of text handed on at once; fresh memory for more costs as much as unpacking
WRITTEN: Final = 60_000  # bytes of a block that we write, about: printers hold one in their memory

_HEADER: Final = struct.Struct("<4sLH")  # magic, version, kind of check sum
_BLOCK: Final = struct.Struct("<2HL")  # kind, compression, size; the stored size follows if compressed
_FILE, _CODE, _SLICER, _PRINTER, _PRINT, _PICTURE = range(6)
_WORDS: Final = (_FILE, _PRINTER, _PRINT, _SLICER)
_NONE, _DEFLATE, _SHRINK_11, _SHRINK_12 = range(4)
_WINDOWS: Final = {_SHRINK_11: 11, _SHRINK_12: 12}  # bits of a distance; those of a length are 4
_TEXT, _PACKED, _PACKED_WITH_COMMENTS = range(3)  # how code is encoded
_LAYER_MARK: Final = b"\n;LAYER_CHANGE"
_SETTING: Final = re.compile(r"[a-z][a-z0-9_]*")  # the key of a setting; others are claims


class BinaryBlock(NamedTuple):
    """One block of a file.

    Attributes
    ----------
    kind, compression, encoding : as its header says; the encoding of a picture is its format.
    size : bytes unpacked.
    at, data_at, end : where it, its data, and the next one begin.
    stored : bytes of the data in the file.
    """

    kind: int
    compression: int
    encoding: int
    size: int
    at: int
    data_at: int
    stored: int
    end: int


@dataclass(frozen=True)
class Layout:
    """Where what is in a file; ``summed``: its blocks end with a check sum."""

    path: Path
    blocks: tuple[BinaryBlock, ...] = field(repr=False)
    summed: bool

    @property
    def code(self) -> list[BinaryBlock]:
        """The blocks of moves, in the order of the file."""
        return [block for block in self.blocks if block.kind == _CODE]


@dataclass(frozen=True)
class Stated:
    """What the metadata say, as a text file of the same slicer says it.

    Attributes
    ----------
    above, below : comment lines that such a file has above and below its code: product and date; claims.
    settings : the settings, by their keys; a setting counts before a print's and a printer's own word.
    marked : the code has layer marks, so that settings stand between marks, too.
    """

    above: bytes = b""
    below: bytes = b""
    settings: Mapping[str, str] = field(default_factory=dict, repr=False)
    marked: bool = False

    def around(self, text: Iterable[bytes]) -> Iterator[bytes]:
        """Yield *text* with what the metadata say as comments above and below it.

        Without marks in the code the settings stand as the family without marks writes them.
        """
        if self.above:
            yield self.above
        last = b"\n"
        for piece in text:
            yield piece
            last = piece
        lines = self.below + b"".join(_comment(key, value) for key, value in self.settings.items())
        if self.settings and self.marked:
            begin, end = b"; slicer_config = begin\n", b"; slicer_config = end\n"
            lines = self.below + begin + lines.removeprefix(self.below) + end
        if lines:
            yield lines if last.endswith(b"\n") else b"\n" + lines


class _Damage(Exception):  # noqa: N818  not an error of its own: told with path and place
    """What is wrong with a block."""


# ---------------------------------------------------------------- what is in the file


def layout(file: IO[bytes], path: Path) -> Layout:
    """Return where the blocks of *file* are, all but their data checked against its length.

    Raises
    ------
    GcodeError
        It is damaged, cut off, or of a form that is not known.
    """
    length = file.seek(0, 2)
    file.seek(0)
    header = file.read(_HEADER.size)
    if len(header) < _HEADER.size:
        raise _damaged(path, "it is cut off in its header")
    _, version, check = _HEADER.unpack(header)
    if version != VERSION or check not in (0, 1):
        raise _damaged(path, f"its header claims version {version}, check sum {check}")
    at, blocks = _HEADER.size, []
    while at < length:
        try:
            blocks.append(_block(file, at, length, summed=check == 1))
        except _Damage as damage:
            raise _damaged(path, f"the block at byte {at} {damage}") from damage
        at = blocks[-1].end
        if len(blocks) > MOST_BLOCKS:
            raise _damaged(path, f"it has more than {MOST_BLOCKS} blocks")
    found = Layout(path, tuple(blocks), check == 1)
    if not found.code:
        raise _damaged(path, "it holds no moves")
    return found


def _block(file: IO[bytes], at: int, length: int, *, summed: bool) -> BinaryBlock:
    """Return the block at *at* of a file of so many bytes."""
    file.seek(at)
    start = file.read(_BLOCK.size + 6)
    if len(start) < _BLOCK.size:
        raise _Damage("is cut off")
    kind, compression, size = _BLOCK.unpack_from(start)
    if compression > _SHRINK_12 or (kind > _PICTURE and not summed):  # unsummed, nothing tells it from damage
        raise _Damage(f"is of no known kind ({kind}, compression {compression})")
    stored, words_at = size, _BLOCK.size
    if compression:
        stored, words_at = int.from_bytes(start[8:12], "little"), 12
    encoding = int.from_bytes(start[words_at : words_at + 2], "little")
    data_at = at + words_at + (6 if kind == _PICTURE else 2)
    end = data_at + stored + (4 if summed else 0)
    if end > length:
        raise _Damage("is cut off")
    if kind <= _PRINT:
        if max(size, stored) > (MOST_BLOCK if kind == _CODE else MOST_WORDS):
            raise _Damage(f"claims {size} bytes in {stored}, more than any writer makes")
        if encoding > (_PACKED_WITH_COMMENTS if kind == _CODE else 0):
            raise _Damage(f"is encoded in no known way ({encoding})")
    return BinaryBlock(kind, compression, encoding, size, at, data_at, stored, end)


def _raw(file: IO[bytes], found: Layout, block: BinaryBlock) -> bytes:
    """Return a block's bytes as they stand, their check sum proved."""
    file.seek(block.at)
    raw = file.read(block.end - block.at)
    if len(raw) < block.end - block.at:
        raise _Damage("is cut off")
    if found.summed and int.from_bytes(raw[-4:], "little") != zlib.crc32(memoryview(raw)[:-4]):
        raise _Damage("does not fit its check sum")
    return raw


def _data(raw: bytes, block: BinaryBlock) -> bytes:
    """Return what a block holds, unpacked; exactly as much as it says."""
    begin = block.data_at - block.at
    data = raw[begin : begin + block.stored]
    if block.compression == _NONE:
        return data
    if block.compression == _DEFLATE:
        engine = zlib.decompressobj()
        try:
            text = engine.decompress(data, block.size + 1)
        except zlib.error as error:
            raise _Damage("cannot be unpacked") from error
        if len(text) != block.size or not engine.eof or engine.unused_data:
            raise _Damage("is not as long as it says")
        return text
    from gcodetool.gcode import binarycodes

    try:
        unpacked: bytes = binarycodes.heatshrink(data, block.size, _WINDOWS[block.compression], 4)
    except ValueError as error:
        raise _Damage(str(error)) from error
    return unpacked


def _text(raw: bytes, block: BinaryBlock) -> bytes:
    """Return the text of a code block."""
    data = _data(raw, block)
    if block.encoding == _TEXT:
        return data
    from gcodetool.gcode import binarycodes

    try:
        text: bytes = binarycodes.unpacked(data, MOST_BLOCK)
    except ValueError as error:
        raise _Damage(str(error)) from error
    return text


# ---------------------------------------------------------------- metadata


def stated(file: IO[bytes], found: Layout) -> Stated:
    """Return what the metadata of a file say; what is no code is proved by its check sum on the way.

    Raises
    ------
    GcodeError
        A block is damaged, or there is an absurd amount of them.
    """
    words: dict[int, dict[str, str]] = {kind: {} for kind in _WORDS}
    amount = 0
    for block in found.blocks:
        try:
            if block.kind in words:
                amount += max(block.size, block.stored)
                if amount > MOST_WORDS:
                    raise _Damage("is one of more metadata than any writer makes")
                for key, value in _pairs(_data(_raw(file, found, block), block)):
                    words[block.kind].setdefault(key, value)
            elif block.kind != _CODE and found.summed:
                _prove(file, block)
        except _Damage as damage:
            raise _damaged(found.path, f"the block at byte {block.at} {damage}") from damage
    product, moment = words[_FILE].get("Producer"), words[_FILE].get("Produced on")
    above = f"; generated by {product} on {moment}\n".encode() if product and moment else b""
    claims = {**words[_PRINT], **words[_PRINTER]}
    return Stated(
        above,
        b"".join(_comment(key, value) for key, value in claims.items() if not _SETTING.fullmatch(key)),
        {
            key: value
            for kind in (_PRINTER, _PRINT, _SLICER)
            for key, value in words[kind].items()
            if _SETTING.fullmatch(key)
        },
    )


def _prove(file: IO[bytes], block: BinaryBlock) -> None:
    """Check the sum of a block of any size."""
    file.seek(block.at)
    crc, left = 0, block.end - 4 - block.at
    while left:
        piece = file.read(min(CHUNK, left))
        if not piece:
            raise _Damage("is cut off")
        crc, left = zlib.crc32(piece, crc), left - len(piece)
    if int.from_bytes(file.read(4), "little") != crc:
        raise _Damage("does not fit its check sum")


def _pairs(data: bytes) -> Iterator[tuple[str, str]]:
    """Yield the pairs of lines ``key=value``; no zero byte among them, which would make a text of the job none."""
    for line in data.decode("utf-8", "replace").replace("\0", "\ufffd").replace("\r", "\n").split("\n"):
        key, equals, value = line.partition("=")
        if equals and key.strip() and "gcodetool:" not in line:  # nothing may look like a mark of ours
            yield key.strip(), value.strip()


def _comment(key: str, value: str) -> bytes:
    return f"; {key} = {value}\n".encode()


# ---------------------------------------------------------------- the text


@dataclass(frozen=True)
class Piece:
    """Whole lines of the text, and the code block that holds their ends: more, where a line spans several.

    Attributes
    ----------
    blocks : those blocks.
    raw : their bytes as they stand.
    text : whole lines, the last one begun in the piece before if that did not end at a line's end; None
        where an edit has taken them out.
    own : how many bytes of them stand in these blocks.
    rest : the beginning of a line behind them, in the text of the next piece.
    """

    blocks: tuple[BinaryBlock, ...]
    raw: tuple[bytes, ...] = field(repr=False)
    text: bytes | None = field(repr=False)
    own: int
    rest: bytes = field(repr=False)


def pieces(file: IO[bytes], found: Layout, code: Sequence[BinaryBlock] | None = None) -> Iterator[Piece]:
    """Yield the text, block by block; check sums, sizes and the whole's amount are proved on the way.

    Parameters
    ----------
    code : some of the file's code blocks; all, if left out.

    Raises
    ------
    GcodeError
        A block is damaged, a line is of more than 8 MiB, or there is more text than any job has.
    """
    code = found.code if code is None else code
    held: list[BinaryBlock] = []  # blocks within one line
    raws: list[bytes] = []
    begun = b""  # of a line, in the piece before
    line = b""  # of a line, in the blocks held
    read = total = 0
    for number, block in enumerate(code, 1):
        try:
            raw = _raw(file, found, block)
            text = _text(raw, block)
        except _Damage as damage:
            raise _damaged(found.path, f"the block at byte {block.at} {damage}") from damage
        held.append(block)
        raws.append(raw)
        read += len(raw)
        total += len(text)
        _bound(found.path, total, read, line=len(begun) + len(line))
        cut = text.rfind(b"\n") + 1 if number < len(code) else len(text)
        if cut == 0 and number < len(code):
            line += text
            continue
        own = line + (text if cut == len(text) else text[:cut])
        rest = b"" if cut == len(text) else text[cut:]
        yield Piece(tuple(held), tuple(raws), begun + own, len(own), rest)
        held, raws, begun, line = [], [], rest, b""


def _bound(path: Path, total: int, read: int, *, line: int) -> None:
    """Refuse more text, or a longer line, than any job has."""
    if total > MOST_UNPACKED or total > max(BOMB_SIZE, BOMB_RATIO * read):
        raise GcodeError(
            f"{path}: the binary G-code holds {total} bytes of text in {read}: "
            "no sliced job is like that; export it again from the slicer"
        )
    if line > LONGEST_LINE:
        raise GcodeError(f"{path}: a line of more than {LONGEST_LINE >> 20} MiB; this is no G-code")


def texts(path: Path, size: int) -> Iterator[bytes]:
    """Yield the text of the file *path* in blocks of about *size* bytes or less; all but the last end at a line's end.

    Raises
    ------
    GcodeError
        As :func:`layout` and :func:`pieces` say.
    """
    with buffered(path) as file:
        gathered: list[bytes] = []
        amount = 0
        read = pieces(file, found := layout(file, path))
        small = max(block.size for block in found.code) <= SMALL
        if small and len(found.code) > FEW and (os.cpu_count() or 1) > 1:
            read = ahead(read, AHEAD)
        for piece in read:
            gathered.append(piece.text or b"")
            amount += len(gathered[-1])
            if amount >= min(size, GATHERED):
                yield b"".join(gathered)
                gathered, amount = [], 0
        if amount:
            yield b"".join(gathered)


def ends(path: Path, head: int, tail: int) -> tuple[bytes, bytes, Stated]:
    """Return the first *head* and the last *tail* bytes of the text, and what the metadata say.

    Of a short text both are all of it; else the head ends, and the tail begins, at a line.

    Raises
    ------
    GcodeError
        As :func:`layout`, :func:`stated` and :func:`pieces` say.
    """
    with buffered(path) as file:
        found = layout(file, path)
        words = stated(file, found)
        top: list[bytes] = []
        for piece in pieces(file, found):
            top.append(piece.text or b"")
            if sum(map(len, top)) >= head:
                break
        else:
            whole = b"".join(top)
            return whole, whole, replace(words, marked=_LAYER_MARK in whole)
        end: deque[bytes] = deque()
        amount = 0
        for block in reversed(found.code):  # so that the middle is not decoded
            end.extendleft(piece.text or b"" for piece in pieces(file, found, [block]))
            amount += len(end[0])
            if amount > tail:
                break
    first, last = b"".join(top)[:head], b"".join(end)[-tail:]
    words = replace(words, marked=_LAYER_MARK in first)
    return first[: first.rfind(b"\n") + 1] or first, last[last.find(b"\n") + 1 :] or last, words


# ---------------------------------------------------------------- writing


def rewritten(path: Path, change: Callable[[Iterator[bytes]], Iterable[bytes]]) -> Iterator[bytes]:
    """Yield the file *path* with its text as *change* makes it.

    A block whose text comes back as it was is copied; what comes before or behind it stands in blocks of its
    own, and so does each region.  Another block is written anew as plain text, where it was deflated deflated
    again.  All that is no code stays as it is, where it is.

    Parameters
    ----------
    change : takes the text in pieces that end on line ends and yields the new text; what it yields between
        taking two pieces belongs to the first.

    Raises
    ------
    GcodeError
        As for reading.
    """
    with buffered(path) as file:
        found = layout(file, path)
        at = 0
        lead = 0  # bytes of a piece's new text that stand in the blocks before it already
        for piece, new, following in _followed(_changed(pieces(file, found), change)):
            yield from _copied(file, path, at, piece.blocks[0].at)
            kept = _kept(piece, new, following)
            yield from _anew(found, piece, new, lead, kept)
            for block, next_block in zip(piece.blocks, piece.blocks[1:], strict=False):
                yield from _copied(file, path, block.end, next_block.at)  # no code, amid a line
            at = piece.blocks[-1].end
            lead = 0 if kept is None else len(piece.rest)
        yield from _copied(file, path, at, found.blocks[-1].end)


def _changed(
    old: Iterator[Piece], change: Callable[[Iterator[bytes]], Iterable[bytes]]
) -> Iterator[tuple[Piece, bytes]]:
    """Yield each piece with its new text."""
    taken: deque[Piece] = deque()
    made: list[bytes] = []  # of the first that was taken

    def offered() -> Iterator[bytes]:
        for piece in old:
            taken.append(piece)
            yield piece.text or b""
            if piece.text and (len(taken) > 1 or not made):  # nothing came of it: it need not be kept
                taken[-1] = replace(piece, raw=(), text=None)

    for new in change(offered()):
        while len(taken) > 1:
            yield taken.popleft(), b"".join(made)
            made = []
        made.append(new)
    while taken:
        yield taken.popleft(), b"".join(made)
        made = []


def _followed(changed: Iterator[tuple[Piece, bytes]]) -> Iterator[tuple[Piece, bytes, bytes]]:
    """Yield each piece with its new text and that of the next one."""
    before: tuple[Piece, bytes] | None = None
    for piece, new in changed:
        if before is not None:
            yield *before, new
        before = (piece, new)
    if before is not None:
        yield *before, b""


def _kept(piece: Piece, new: bytes, following: bytes) -> int | None:
    """Return where in *new* a piece's text is whole, so that its blocks can stay; None where they can't."""
    if piece.text is None or not following.startswith(piece.rest):
        return None
    if new == piece.text:
        return 0
    seams = _seams(new)
    for start in seams:
        stop = start + len(piece.text)
        if stop in seams and new.startswith(piece.text, start) and (stop == len(new) or not piece.rest):
            return start
    return None


def _seams(text: bytes) -> list[int]:
    """Return where a text can be parted so that each region is whole, both its ends included."""
    marks = (mark.start() if mark["side"] == b"begin" else mark.end() for mark in MARK_LINE.finditer(text))
    return [0, *marks, len(text)]


def _anew(found: Layout, piece: Piece, new: bytes, lead: int, kept: int | None) -> Iterator[bytes]:
    """Yield *new* but its first *lead* bytes as blocks: a piece's own where its text is kept in it."""
    deflated = any(block.compression == _DEFLATE for block in piece.blocks)
    if kept is None or piece.text is None:
        yield from _written(new[lead:], found, deflated=deflated)
        return
    stop = kept + len(piece.text)
    yield from _written(new[lead : stop - piece.own], found, deflated=deflated)
    yield from piece.raw
    yield from _written(new[stop:], found, deflated=deflated)


def _written(text: bytes, found: Layout, *, deflated: bool) -> Iterator[bytes]:
    """Yield *text* as code blocks: each region in its own, else as many whole lines as a block takes."""
    at = 0
    for end in _seams(text):
        while at < end:
            stop = end
            if stop - at > WRITTEN:
                stop = text.rfind(b"\n", at, at + WRITTEN) + 1 or text.find(b"\n", at, end) + 1 or end
            yield _code_block(text[at:stop], found, deflated=deflated)
            at = stop


def _code_block(text: bytes, found: Layout, *, deflated: bool) -> bytes:
    """Return *text* as one code block."""
    data = zlib.compress(text, 6) if deflated else text
    block = _BLOCK.pack(_CODE, _DEFLATE if deflated else _NONE, len(text))
    block += (struct.pack("<L", len(data)) if deflated else b"") + struct.pack("<H", _TEXT) + data
    return block + (struct.pack("<L", zlib.crc32(block)) if found.summed else b"")


def _copied(file: IO[bytes], path: Path, begin: int, end: int) -> Iterator[bytes]:
    """Yield the raw bytes from *begin* to *end*."""
    while begin < end:
        file.seek(begin)
        piece = file.read(min(CHUNK, end - begin))
        if not piece:
            raise _damaged(path, "it was cut off while it was read")
        begin += len(piece)
        yield piece


def _damaged(path: Path, why: str) -> GcodeError:
    return GcodeError(f"{path}: the binary G-code is damaged or cut off: {why}; copy or export it again")
