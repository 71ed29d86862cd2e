"""Binary G-code (``GCDE``): what its metadata say, for the line that refuses it.

The file is a header and blocks; each block names its kind, its packing and its size, and ends with a
CRC-32 where the header says so.  Metadata are lines ``key=value``.  The whole file is walked in bounded
memory, so that a damaged one is told from a good one.

Left out: the moves, which are packed bit by bit; metadata packed by anything but zlib.
"""

import struct
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Final

MAGIC: Final = b"GCDE"
REMEDY: Final = "switch binary output off in the slicer and export again"
VERSION: Final = 1
MOST_WORDS: Final = 4 << 20  # bytes of a metadata block, packed or not
CHUNK: Final = 1 << 18

_HEADER: Final = struct.Struct("<4sLH")  # magic, version, kind of check sum
_BLOCK: Final = struct.Struct("<2HL")  # kind, packing, size; the packed size follows if packed
_PICTURE: Final = 5
_CODE: Final = 1
_WORDS: Final = (2, 3, 4)  # slicer, printer and print metadata; 0 is about the file
_LAST_KIND: Final = 5
_LAST_PACKING: Final = 3
_ZLIB: Final = 1


@dataclass(frozen=True)
class BinaryFacts:
    """What a binary G-code file says about itself.

    Attributes
    ----------
    words : its metadata; of a key in several blocks the first value counts.
    damage : what is wrong with the file, or ``""``.
    code_blocks : blocks of moves that are whole.
    """

    words: Mapping[str, str] = field(repr=False)
    damage: str
    code_blocks: int

    def summary(self) -> str:
        """Return the words that tell a person which file this is, or ``""``."""
        parts = []
        for key, form in (
            ("printer_model", "printer {}"),
            ("filament_type", "filament {}"),
            ("filament used [mm]", "{} mm claimed"),
            ("estimated printing time (normal mode)", "{} claimed"),
        ):
            if value := _short(self.words.get(key, "")):
                parts.append(form.format(value))
        return ", ".join(parts)


def facts(file: IO[bytes]) -> BinaryFacts:
    """Return what the binary G-code in *file*, opened at its beginning, says; damage is no error here."""
    words: dict[str, str] = {}
    try:
        count = _walk(file, words)
    except _DamageError as damage:
        return BinaryFacts(words, str(damage), damage.code_blocks)
    return BinaryFacts(words, "", count)


def refusal(path: Path) -> str:
    """Return the line that refuses the binary G-code file *path*.

    Raises
    ------
    OSError
        It cannot be read.
    """
    with path.open("rb") as file:
        found = facts(file)
    about = found.summary()
    damage = f"; it is also damaged: {found.damage}" if found.damage else ""
    return f"{path}: is binary G-code, not plain G-code{f' ({about})' if about else ''}{damage}; {REMEDY}"


class _DamageError(Exception):
    """The file is not what its format says; carries how many blocks of moves came before."""

    code_blocks = 0


def _walk(file: IO[bytes], words: dict[str, str]) -> int:
    """Fill *words* and return the number of code blocks."""
    header = file.read(_HEADER.size)
    if len(header) < _HEADER.size:
        raise _DamageError("it is cut off in its header")
    _, version, check = _HEADER.unpack(header)
    if version != VERSION or check not in (0, 1):
        raise _DamageError(f"its header claims version {version}, check sum {check}")
    at, codes = _HEADER.size, 0
    while start := file.read(_BLOCK.size):
        try:
            kind, length = _block(file, start, words, summed=check == 1)
        except _DamageError as damage:
            wrong = _DamageError(f"the block at byte {at} {damage}")
            wrong.code_blocks = codes
            raise wrong from damage
        codes += kind == _CODE
        at += length
    if not codes:
        raise _DamageError("it holds no moves")
    return codes


def _block(file: IO[bytes], start: bytes, words: dict[str, str], *, summed: bool) -> tuple[int, int]:
    """Read one block, whose header begins with *start*; return its kind and length."""
    if len(start) < _BLOCK.size:
        raise _DamageError("is cut off")
    kind, packing, size = _BLOCK.unpack(start)
    if kind > _LAST_KIND or packing > _LAST_PACKING:
        raise _DamageError(f"is of no known kind ({kind}, packing {packing})")
    more = file.read((4 if packing else 0) + (6 if kind == _PICTURE else 2))
    stored = int.from_bytes(more[:4], "little") if packing else size
    crc = zlib.crc32(more, zlib.crc32(start))
    keep = kind in _WORDS and stored <= MOST_WORDS
    kept, left = [], stored
    while left:
        data = file.read(min(CHUNK, left))
        if not data:
            raise _DamageError("is cut off")
        left -= len(data)
        crc = zlib.crc32(data, crc)
        if keep:
            kept.append(data)
    total = len(start) + len(more) + stored
    if summed:
        ending = file.read(4)
        if len(ending) < 4:
            raise _DamageError("is cut off")
        if int.from_bytes(ending, "little") != crc:
            raise _DamageError("does not fit its check sum")
        total += 4
    if keep:
        for key, value in _pairs(b"".join(kept), packing, size):
            words.setdefault(key, value)
    return kind, total


def _pairs(data: bytes, packing: int, size: int) -> list[tuple[str, str]]:
    """Return the lines ``key=value`` of a metadata block; none where it is packed by other means."""
    if packing == _ZLIB:
        engine = zlib.decompressobj()
        try:
            data = engine.decompress(data, MOST_WORDS)
        except zlib.error as error:
            raise _DamageError("cannot be unpacked") from error
        if len(data) != min(size, MOST_WORDS):
            raise _DamageError("is not as long as it says")
    elif packing:
        return []
    lines = (line.partition("=") for line in data.decode("utf-8", "replace").split("\n"))
    return [(key.strip(), value.strip()) for key, equals, value in lines if equals]


def _short(value: str) -> str:
    """Return a value from outside as a short piece of one line; nothing where it says nothing."""
    text = "".join(sign if sign.isprintable() else " " for sign in value).strip(" ;,\"'")
    return text if len(text) <= 40 else text[:37] + "..."
