"""The zip container: G-code as one member of an archive, read and replaced.

The one plate ``Metadata/plate_N.gcode`` is read as a stream, and written back with its ``.md5``
refreshed; all that belongs to other members (packed bytes, both headers, order, comment) is copied as
it stands.  The archive is read by a strict reader of its own, because only the places of the raw bytes
allow such a copy, and because a file that two readers understand differently must not reach a printer.

Left out: other packing methods than stored and deflate, archives in several parts, encryption.
"""

import hashlib
import io
import re
import struct
import tempfile
import zlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import IO, TYPE_CHECKING, Final, cast

from gcodetool.errors import GcodeError
from gcodetool.textfile import BOMB_RATIO, BOMB_SIZE, MOST_UNPACKED, buffered

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer

CHUNK: Final = 1 << 18  # bytes read at a time
IN_MEMORY: Final = 8 << 20  # of a packed plate; more of it waits in a temporary file
MOST_DIRECTORY: Final = 16 << 20  # bytes of the list of members
MOST_SUM: Final = 4096  # bytes of a .md5 file
# sliced text packs 3 to 50 times, deflate at most 1032

PLATE: Final = re.compile(rb"Metadata/plate_[0-9]+\.gcode")
SUM: Final = re.compile(rb"([0-9A-Fa-f]{32})(?![0-9A-Fa-f])")
OUTSIDE: Final = re.compile(rb"(?:^|[/\\])\.\.(?:[/\\]|$)|^[/\\]|^[A-Za-z]:|\0")  # leaves its folder
NAMED: Final = re.compile(
    PLATE.pattern + rb"|" + OUTSIDE.pattern
)  # what a name must not be to some readers only
NEWEST: Final = 63  # version 6.3 of the format
STORED: Final = 0
DEFLATED: Final = 8

# PKWARE's APPNOTE 6.3.10, sections 4.3.7, 4.3.12, 4.3.14 to 4.3.16, 4.5.3 and 4.6.9.
_LOCAL: Final = b"PK\x03\x04"
_CENTRAL: Final = b"PK\x01\x02"
_END: Final = b"PK\x05\x06"
_END64: Final = b"PK\x06\x06"
_LOCATOR: Final = b"PK\x06\x07"
_LOCAL_SIZE: Final = 30
_CENTRAL_SIZE: Final = 46
_END_SIZE: Final = 22
_LOCATOR_SIZE: Final = 20
_UTF8_NAME: Final = (
    0x7075  # an extra field: the name once more, and the check sum of the one that it stands for
)
_FULL: Final = {2: 0xFFFF, 4: 0xFFFFFFFF}  # "the value stands in the 64-bit field"
_ENCRYPTED: Final = 0x0001 | 0x0040 | 0x2000
_PATCH: Final = 0x0020
_UTF8: Final = 0x0800
_SIZES_BEHIND: Final = 0x0008  # flag: sizes stand behind the data
_EFFORT: Final = 0x0006  # flags: how hard the packer tried


@dataclass(frozen=True)
class Member:
    """One entry of an archive's directory.

    Attributes
    ----------
    name : its bytes as they stand.
    flags, method, crc : as the directory says.
    packed, size, offset : bytes packed and unpacked, place of the local header.
    end : where the next member, or the directory, begins.
    at : place of the entry in the directory.
    places : where in the directory ``packed``, ``size`` and ``offset`` stand: (position, bytes).
    """

    name: bytes
    flags: int
    method: int
    crc: int
    packed: int
    size: int
    offset: int
    end: int
    at: int
    places: Mapping[str, tuple[int, int]] = field(repr=False)


@dataclass(frozen=True)
class Archive:
    """A zip file's directory.

    Attributes
    ----------
    path : for messages.
    members : in the order of their bytes in the file.
    directory, trailer : the raw list of members, and all that follows it.
    directory_at : where the list begins.
    """

    path: Path
    members: tuple[Member, ...]
    directory: bytes = field(repr=False)
    trailer: bytes = field(repr=False)
    directory_at: int


# ---------------------------------------------------------------- zip: reading


def archive(file: IO[bytes], path: Path) -> Archive:
    """Return the directory of the zip file *file*.

    Raises
    ------
    GcodeError
        Damaged, cut off, in several parts, absurdly large, or with names that lead out of a folder.
    """
    length = file.seek(0, io.SEEK_END)
    size, at, trailer = _end_of(file, length, path)
    if size > MOST_DIRECTORY:
        raise GcodeError(f"{path}: is a zip container with an absurd list of members; export it again")
    file.seek(at)
    directory = file.read(size)
    try:
        members = _members(directory, at)
    except (struct.error, ValueError) as error:
        raise _damaged(path, "its list of members cannot be read") from error
    for member in members:
        if OUTSIDE.search(member.name):
            raise GcodeError(
                f"{path}: is a zip container with a member that leads out of its folder, "
                f"'{_clean(member.name)}'; do not unpack it, export it again from the slicer"
            )
    for member in members:
        _local(file, path, member)  # what the list and the places say of each must agree
    return Archive(path, members, directory, trailer, at)


def _end_of(file: IO[bytes], length: int, path: Path) -> tuple[int, int, bytes]:
    """Return size and place of the directory, and the bytes behind it."""
    file.seek(max(0, length - _END_SIZE - 0xFFFF))
    tail = file.read()
    at = tail.rfind(_END)
    while at >= 0:  # the last one whose comment reaches exactly to the end
        if len(tail) - at >= _END_SIZE and at + _END_SIZE + _number(tail, at + 20, 2) == len(tail):
            break
        at = tail.rfind(_END, 0, at)
    if at < 0:
        raise _damaged(path, "its end is missing")
    end = length - len(tail) + at
    disk, first_disk, here, count, size, place = struct.unpack_from("<4H2L", tail, at + 4)
    stop = end
    if at >= _LOCATOR_SIZE and tail[at - _LOCATOR_SIZE : at - _LOCATOR_SIZE + 4] == _LOCATOR:
        part, stop, parts = struct.unpack_from("<LQL", tail, at - _LOCATOR_SIZE + 4)
        if part or parts > 1:
            raise _several(path)
        if not 0 <= stop <= end - _LOCATOR_SIZE - 56:
            raise _damaged(path, "its end is broken")
        file.seek(stop)
        record = file.read(56)
        if record[:4] != _END64 or stop + 12 + _number(record, 4, 8) != end - _LOCATOR_SIZE:
            raise _damaged(path, "its end is broken")
        wide = struct.unpack_from("<2L4Q", record, 16)
        for narrow, value, width in zip(
            (disk, first_disk, here, count, size, place), wide, (2, 2, 2, 2, 4, 4), strict=True
        ):
            if narrow not in (value, _FULL[width]):
                raise _damaged(path, "its end contradicts itself")
        disk, first_disk, here, count, size, place = wide
    if disk or first_disk or here != count:
        raise _several(path)
    if place + size != stop:
        raise _damaged(path, "its list of members is not where its end says")
    if length - stop > 1 << 20:
        raise _damaged(path, "its end is broken")
    file.seek(stop)
    return size, place, file.read()


def _several(path: Path) -> GcodeError:
    return GcodeError(f"{path}: is one part of a zip container in several; export it again in one")


def _members(directory: bytes, stop: int) -> tuple[Member, ...]:
    """Return the entries of *directory*, which begins at *stop* in the file, in the order of their bytes.

    Raises
    ------
    ValueError, struct.error
        It contradicts itself, or members overlap.
    """
    members = []
    at = 0
    while at < len(directory):
        member, at = _entry(directory, at)
        members.append(member)
    members.sort(key=lambda each: each.offset)
    ends = [*(each.offset for each in members[1:]), stop]
    for member, end in zip(members, ends, strict=False):  # no members: an end alone
        if member.offset + _LOCAL_SIZE + len(member.name) + member.packed > end:
            raise ValueError("members overlap")
    return tuple(replace(member, end=end) for member, end in zip(members, ends, strict=False))


def _entry(directory: bytes, at: int) -> tuple[Member, int]:
    """Return the entry at *at*, its ``end`` still unknown, and the place behind it."""
    if directory[at : at + 4] != _CENTRAL:
        raise ValueError("no entry")
    flags, method, _, _, crc, packed, size, names, extras, comments = struct.unpack_from(
        "<4H3L3H", directory, at + 8
    )
    values = {"size": size, "packed": packed, "offset": _number(directory, at + 42, 4)}
    places = {"size": (at + 24, 4), "packed": (at + 20, 4), "offset": (at + 42, 4)}
    extra_at = at + _CENTRAL_SIZE + names
    after = extra_at + extras + comments
    if after > len(directory):
        raise ValueError("an entry is cut off")
    extra = directory[extra_at : extra_at + extras]
    fields = list(_extras(extra))
    wide = [key for key, value in values.items() if value == _FULL[4]]
    if wide:
        begin, length = next(((place, length) for kind, place, length in fields if kind == 1), (0, 0))
        if length < 8 * len(wide):
            raise ValueError("a 64-bit field is missing")
        for number, key in enumerate(wide):
            places[key] = (extra_at + begin + 8 * number, 8)
            values[key] = _number(directory, *places[key])
    name = directory[at + _CENTRAL_SIZE : extra_at]
    if flags & _UTF8:
        name.decode()
    if any(NAMED.search(each) for each in _other_names(name, extra)):
        raise ValueError("an entry has two names")
    if _number(directory, at + 6, 1) > NEWEST or flags & _PATCH:
        raise ValueError("an entry is of a form that is not known")
    found = Member(
        name, flags, method, crc, values["packed"], values["size"], values["offset"], 0, at, places
    )
    return found, after


def _extras(extra: bytes) -> Iterator[tuple[int, int, int]]:
    """Yield (kind, place of the data, their length) of each extra field.

    Raises
    ------
    ValueError
        One is cut off.  Fewer than four bytes behind the last one are padding.
    """
    at = 0
    while at + 4 <= len(extra):
        kind, length = struct.unpack_from("<2H", extra, at)
        if at + 4 + length > len(extra):
            raise ValueError("an extra field is cut off")
        yield kind, at + 4, length
        at += 4 + length


def _other_names(name: bytes, extra: bytes) -> Iterator[bytes]:
    """Yield *name* and what readers that know the field for names in UTF-8 call it, where that is another.

    Raises
    ------
    ValueError, struct.error
        A field is cut off, or holds no text.
    """
    for kind, at, length in _extras(extra):
        if kind == _UTF8_NAME:
            form, check_sum = struct.unpack_from("<BL", extra[at : at + length])
            other = extra[at + 5 : at + length]
            if form == 1 and check_sum == zlib.crc32(name) and other != name:
                if not other.decode():
                    raise ValueError("a name is empty")
                yield from (name, other)


def plate_of(found: Archive) -> Member:
    """Return the one plate of an archive.

    Raises
    ------
    GcodeError
        None, several, or one that cannot be read: encrypted, packed by another method, absurd.
    """
    plates = sorted(
        (each for each in found.members if PLATE.fullmatch(each.name)),
        key=lambda each: (len(each.name), each.name),
    )
    if not plates:
        raise GcodeError(
            f"{found.path}: is a zip container without a sliced plate (Metadata/plate_N.gcode); "
            "slice and export it again, or unpack the .gcode file inside it"
        )
    if len(plates) > 1:
        names = [_clean(each.name.removeprefix(b"Metadata/")) for each in plates]
        listed = ", ".join(names[:6]) + (", ..." if len(names) > 6 else "")
        raise GcodeError(
            f"{found.path}: is a zip container of {len(plates)} plates ({listed}), and only one can be meant; "
            "export the plate to print alone from the slicer, or unpack its .gcode file"
        )
    plate = plates[0]
    if plate.size > MOST_UNPACKED or plate.size > max(BOMB_SIZE, BOMB_RATIO * plate.packed):
        raise GcodeError(
            f"{found.path}: {_clean(plate.name)} in it claims {plate.size} bytes, packed into {plate.packed}: "
            "no sliced plate is like that; export it again from the slicer"
        )
    _check_method(found.path, plate)
    return plate


def _check_method(path: Path, member: Member) -> None:
    """Refuse a member that this module cannot unpack."""
    if member.flags & _ENCRYPTED:
        raise GcodeError(f"{path}: {_clean(member.name)} in it is encrypted; export it without a password")
    if member.method not in (STORED, DEFLATED):
        raise GcodeError(
            f"{path}: {_clean(member.name)} in it is packed by method {member.method}; "
            "pack it again with deflate, or unpack the .gcode file inside it"
        )


def _local(file: IO[bytes], path: Path, member: Member) -> tuple[bytes, bytes, int]:
    """Return a member's local header, the extra field behind its name, and the place of its data."""
    file.seek(member.offset)
    header = file.read(_LOCAL_SIZE)
    if len(header) < _LOCAL_SIZE or header[:4] != _LOCAL:
        raise _damaged(path, f"{_clean(member.name)} is not where the list says")
    names, extras = _number(header, 26, 2), _number(header, 28, 2)
    data_at = member.offset + _LOCAL_SIZE + names + extras
    name, extra = file.read(names), file.read(extras)
    if name != member.name or _number(header, 8, 2) != member.method or data_at + member.packed > member.end:
        raise _damaged(path, f"{_clean(member.name)} is not as the list says")
    return header, extra, data_at


def unpacked(file: IO[bytes], path: Path, member: Member) -> Iterator[bytes]:
    """Yield what *member* holds, in pieces of bounded size; length and CRC-32 are checked.

    Raises
    ------
    GcodeError
        It is not what the directory says.
    """
    _check_method(path, member)
    place = _local(file, path, member)[2]
    engine = zlib.decompressobj(-zlib.MAX_WBITS) if member.method == DEFLATED else None
    left, size, crc = member.packed, 0, 0
    data = b""
    while True:
        if not data and left:
            file.seek(place)
            data = file.read(min(CHUNK, left))
            if not data:
                raise _damaged(path, f"{_clean(member.name)} is cut off")
            place += len(data)
            left -= len(data)
        if engine is None:
            piece, data = data, b""
        else:
            try:
                piece = engine.decompress(data, CHUNK)
            except zlib.error as error:
                raise _damaged(path, f"{_clean(member.name)} cannot be unpacked") from error
            data = engine.unconsumed_tail
        size += len(piece)
        if size > member.size:
            raise _damaged(path, f"{_clean(member.name)} is longer than it says")
        crc = zlib.crc32(piece, crc)
        if piece:
            yield piece
        elif (not data and not left) or (engine is not None and engine.eof):
            break
    whole = size == member.size and crc == member.crc and not left and not data
    if not whole or (engine is not None and (not engine.eof or engine.unused_data)):
        raise _damaged(path, f"the check sum of {_clean(member.name)} does not fit")


class _Pieces(io.RawIOBase):
    """A stream of pieces as a file."""

    def __init__(self, file: IO[bytes], pieces: Iterator[bytes]) -> None:
        self._file = file
        self._pieces = pieces
        self._rest = memoryview(b"")

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: "WriteableBuffer", /) -> int:
        if not self._rest:
            self._rest = memoryview(next(self._pieces, b""))
        into = memoryview(buffer).cast("B")
        count = min(len(into), len(self._rest))
        into[:count] = self._rest[:count]
        self._rest = self._rest[count:]
        return count

    def close(self) -> None:
        self._file.close()
        super().close()


def open_plate(path: Path) -> IO[bytes]:
    """Open the one plate of the zip container *path* for reading.

    Raises
    ------
    GcodeError
        As :func:`archive`, :func:`plate_of` and, while it is read, :func:`unpacked` say.
    OSError
        The file cannot be read.
    """
    file = buffered(path)
    try:
        pieces = unpacked(file, path, plate_of(archive(file, path)))
    except BaseException:
        file.close()
        raise
    return cast("IO[bytes]", io.BufferedReader(_Pieces(file, pieces), CHUNK))


# ---------------------------------------------------------------- zip: writing


def with_plate(path: Path, text: Iterable[bytes]) -> Iterator[bytes]:
    """Yield the zip container *path* with *text* as its plate.

    The plate's ``.md5``, where there is one, gets the sum of the new text in the form of the old one.
    Both keep their place, name, time, attributes and method; their sizes move into the local header.
    Every other member, its headers included, is copied byte for byte; so are comments.

    Raises
    ------
    GcodeError
        As for reading; the ``.md5`` holds no sum; the result does not fit the archive's form.
    """
    with buffered(path) as file, tempfile.SpooledTemporaryFile(IN_MEMORY) as waiting:
        found = archive(file, path)
        plate = plate_of(found)
        sums = [each for each in found.members if each.name == plate.name + b".md5"]
        if len(sums) > 1:
            raise _damaged(path, f"{_clean(sums[0].name)} is in it twice")
        old_sum = _old_sum(file, path, sums[0]) if sums else b""
        md5 = hashlib.md5(usedforsecurity=False)
        size = crc = packed = 0
        engine = _deflater(plate.method)
        for piece in text:
            md5.update(piece)
            crc = zlib.crc32(piece, crc)
            size += len(piece)
            packed += waiting.write(piece if engine is None else engine.compress(piece))
        packed += waiting.write(b"" if engine is None else engine.flush())
        if size > MOST_UNPACKED:
            raise GcodeError(
                f"{path}: the plate gets larger than {MOST_UNPACKED >> 30} GiB; slice it in parts"
            )
        waiting.seek(0)
        new = {plate.name: (crc, packed, size)}
        if sums:
            new_sum = _new_sum(old_sum, md5.hexdigest())
            engine = _deflater(sums[0].method)
            short = new_sum if engine is None else engine.compress(new_sum) + engine.flush()
            new[sums[0].name] = (zlib.crc32(new_sum), len(short), len(new_sum))

        directory = bytearray(found.directory)
        at = found.members[0].offset  # what stands before the first member is not ours
        yield from _copied(file, path, 0, at)
        for member in found.members:
            _put(directory, member.places["offset"], at, path)
            if member.name not in new:
                yield from _copied(file, path, member.offset, member.end)
                at += member.end - member.offset
                continue
            head = _new_local(file, path, member, new[member.name])
            _describe(directory, member, new[member.name], path)
            yield head
            if member is plate:
                while chunk := waiting.read(CHUNK):
                    yield chunk
            else:
                yield short
            at += len(head) + new[member.name][1]
        yield bytes(directory)
        yield _new_trailer(found, at)


def _deflater(method: int) -> "zlib._Compress | None":
    return zlib.compressobj(6, zlib.DEFLATED, -zlib.MAX_WBITS) if method == DEFLATED else None


def _old_sum(file: IO[bytes], path: Path, member: Member) -> bytes:
    """Return what a ``.md5`` member holds."""
    if member.size > MOST_SUM:
        raise _damaged(path, f"{_clean(member.name)} is too long for a sum")
    text = b"".join(unpacked(file, path, member))
    if SUM.match(text) is None:
        raise _damaged(path, f"{_clean(member.name)} holds no MD5 sum")
    return text


def _new_sum(old: bytes, digits: str) -> bytes:
    r"""Return *digits* in the form of the sum *old*: its case, and whatever follows it.

    >>> _new_sum(b"900150983CD24FB0D6963F7D28E17F72\n", 32 * "a")
    b'AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA\n'
    """
    lower = any(97 <= sign <= 102 for sign in old[:32])
    return (digits if lower else digits.upper()).encode() + old[32:]


def _new_local(file: IO[bytes], path: Path, member: Member, values: tuple[int, int, int]) -> bytes:
    """Return a rewritten member's local header: as it was, but for flags, sizes and sum."""
    header, extra, _ = _local(file, path, member)
    try:
        fields = list(_extras(extra))
    except ValueError as error:
        raise _damaged(path, f"the header of {_clean(member.name)} cannot be read") from error
    for kind, place, length in reversed(fields):
        if kind == 1:  # the 64-bit sizes: they fit the header now
            extra = extra[: place - 4] + extra[place + length :]
    fresh = bytearray(header)
    struct.pack_into("<H", fresh, 6, member.flags & ~(_SIZES_BEHIND | _EFFORT))
    struct.pack_into("<3L", fresh, 14, *values)
    struct.pack_into("<H", fresh, 28, len(extra))
    return bytes(fresh) + member.name + extra


def _describe(directory: bytearray, member: Member, values: tuple[int, int, int], path: Path) -> None:
    """Bring a rewritten member's entry in *directory* up to date."""
    crc, packed, size = values
    struct.pack_into("<H", directory, member.at + 8, member.flags & ~(_SIZES_BEHIND | _EFFORT))
    struct.pack_into("<L", directory, member.at + 16, crc)
    _put(directory, member.places["packed"], packed, path)
    _put(directory, member.places["size"], size, path)


def _new_trailer(found: Archive, directory_at: int) -> bytes:
    """Return the archive's end with the directory's new place, in each form that is there."""
    trailer = bytearray(found.trailer)
    end = 0
    if trailer[:4] == _END64:
        end = 12 + _number(trailer, 4, 8) + _LOCATOR_SIZE
        struct.pack_into("<Q", trailer, 48, directory_at)
        struct.pack_into("<Q", trailer, end - _LOCATOR_SIZE + 8, directory_at + len(found.directory))
        if _number(trailer, end + 16, 4) == _FULL[4]:
            return bytes(trailer)
    _put(trailer, (end + 16, 4), directory_at, found.path)
    return bytes(trailer)


def _put(into: bytearray, place: tuple[int, int], value: int, path: Path) -> None:
    """Write a number where it stands."""
    at, width = place
    if value >= _FULL.get(width, 1 << 62):
        raise GcodeError(f"{path}: gets larger than its form of zip container can be; export it in parts")
    into[at : at + width] = value.to_bytes(width, "little")


def _copied(file: IO[bytes], path: Path, begin: int, end: int) -> Iterator[bytes]:
    """Yield the raw bytes from *begin* to *end*."""
    file.seek(begin)
    while begin < end:
        piece = file.read(min(CHUNK, end - begin))
        if not piece:
            raise _damaged(path, "it was cut off while it was read")
        begin += len(piece)
        yield piece


def _number(data: bytes | bytearray, at: int, width: int) -> int:
    return int.from_bytes(data[at : at + width], "little")


def _clean(name: bytes) -> str:
    """Return a name from outside as one short line of printable ASCII."""
    text = "".join(sign if sign.isascii() and sign.isprintable() else "?" for sign in name.decode("latin-1"))
    return text if len(text) <= 60 else text[:57] + "..."


def _damaged(path: Path, why: str) -> GcodeError:
    return GcodeError(f"{path}: the zip container is damaged or cut off: {why}; copy or export it again")
