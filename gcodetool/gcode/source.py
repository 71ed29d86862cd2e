"""A G-code file on disk as a stream of blocks that end on line ends.

What a file is, its bytes say, not its name: slicers hand over files with any ending or none.  gzip and
xz are read through, and so are the one plate of a zip container and the code of binary G-code.  Other
binaries are refused, with what to do instead.

Left out: what the text means; the form of containers (``containers``, ``output_form``, ``binary``); writing (``edits``).
"""

import contextlib
import hashlib
import io
import os
import stat
from collections.abc import Callable, Iterable, Iterator
from dataclasses import field
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final, cast

from gcodetool.errors import GcodeError
from gcodetool.heldfile import LET_GO, is_held
from gcodetool.quickdata import dataclass
from gcodetool.textfile import BOMB_RATIO, BOMB_SIZE, LONGEST_LINE, MOST_UNPACKED, opened

if TYPE_CHECKING:
    from gcodetool.gcode.binary import Stated

BLOCK: Final = 1 << 20  # bytes a block, about
HEAD: Final = 512 << 10  # enough for header, settings, pictures and start code
TAIL: Final = 256 << 10  # enough for end code and settings

_GZIP: Final = b"\x1f\x8b"
_XZ: Final = b"\xfd7zXZ\x00"
_ZIP: Final = b"PK\x03\x04"
_BINARY: Final = b"GCDE"
_SNIFF: Final = 4096
_DAMAGED: Final = (
    "LZMAError",
    "BadGzipFile",
    "error",
)  # by name: zlib.error and its like, imported if needed
# What a text, unpacked, begins with when it is none; what that is called; what to do.
CONTAINERS: Final = (
    (_BINARY, "binary G-code", "unpack it first"),
    (_ZIP, "a zip container", "export plain G-code, or unpack the .gcode file inside it"),
    (b"PK\x05\x06", "an empty zip container", "slice and export it again"),
    (b"BZh", "bzip2-compressed", "unpack it first"),
    (b"\x28\xb5\x2f\xfd", "zstd-compressed", "unpack it first"),
    (b"\xff\xfe", "UTF-16 text", "save it as UTF-8"),
    (b"\xfe\xff", "UTF-16 text", "save it as UTF-8"),
)


@dataclass(frozen=True)
class FileIdentity:
    """Which file a path led to, and in which state: device, number, bytes and time of the last change [ns]."""

    device: int
    number: int
    size: int
    changed_ns: int

    @classmethod
    def of(cls, found: os.stat_result) -> "FileIdentity":
        """Return the identity in what the system says of a file."""
        return cls(found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns)


@dataclass(frozen=True)
class Source:
    """A file that was sniffed and can be read.

    Attributes
    ----------
    path : where it is.
    identity : which file it was when it was sniffed.
    kind : what its bytes are: ``""`` (plain), ``"gzip"``, ``"xz"``, ``"zip"`` (the text is its plate) or
        ``"binary"`` (the text is its code).
    head, tail : first and last part of the text, whole lines; of a short file both are all of it.
    stated : what stands beside the text: of binary G-code its metadata; else None.
    """

    path: Path
    identity: FileIdentity
    kind: str
    head: bytes = field(repr=False)
    tail: bytes = field(repr=False)
    stated: "Stated | None" = field(default=None, repr=False)

    @property
    def size(self) -> int:
        """Its bytes on disk."""
        return self.identity.size

    def same_file(self) -> None:
        """Raise GcodeError unless the path still leads to the file that was sniffed, as it was then."""
        with _reading(self.path):
            now = FileIdentity.of(self.path.stat())
        if now != self.identity:
            raise GcodeError(
                f"{self.path}: was written anew or changed while it was being read; the file is as the other "
                "program left it: run this again when that one is done"
            )

    def same_bytes(self, sha256: str) -> None:
        """Raise GcodeError unless the file is the one that was sniffed and its bytes have this digest."""
        self.same_file()
        if self.sha256() != sha256:
            raise GcodeError(
                f"{self.path}: its content changed while it was being read; the file is as the other program "
                "left it: run this again when that one is done"
            )
        self.same_file()

    def blocks(self, size: int = BLOCK) -> Iterator[bytes]:
        """Yield the text in blocks of about *size* bytes; each but the last ends at a line end.

        Raises
        ------
        GcodeError
            The file went away, is damaged, is not the one that was sniffed any more, or holds a line of more
            than 8 MiB.
        """
        self.same_file()  # offsets of one pass are used in the next: all of them must read the same file
        yield from self._blocks(size)
        self.same_file()

    def _blocks(self, size: int) -> Iterator[bytes]:
        if self.kind == "binary":
            from gcodetool.gcode.binary import texts

            with _reading(self.path):
                yield from texts(self.path, size)
            return
        with _reading(self.path), _opened(self.path, self.kind) as file:
            rest = b""
            while chunk := file.read(size):
                cut = chunk.rfind(b"\n") + 1
                if cut == 0:
                    rest += chunk
                    if len(rest) > LONGEST_LINE:
                        raise GcodeError(
                            f"{self.path}: a line of more than {LONGEST_LINE >> 20} MiB; this is no G-code"
                        )
                    continue
                yield rest + chunk[:cut] if rest else chunk[:cut] if cut < len(chunk) else chunk
                rest = chunk[cut:]
            if rest:
                yield rest

    def packed(self, change: Callable[[Iterator[bytes]], Iterable[bytes]], form: str) -> Iterator[bytes]:
        """Yield this file with its text as *change* makes it.

        Parameters
        ----------
        change : takes the text in pieces that end on line ends, and yields the new text.
        form : ``""``, ``"gzip"`` or ``"xz"``; of a zip source also ``"zip"``, of a binary one also ``"binary"``:
            this source's own container with the new text in it.
        """
        if form == "binary":
            from gcodetool.gcode.binary import rewritten

            return rewritten(self.path, change)
        text = change(self.blocks())
        if form == "zip":
            from gcodetool.gcode.containers import with_plate

            return with_plate(self.path, text)
        from gcodetool.gcode.output_form import packed

        return packed(text if self.stated is None else self.stated.around(text), form)

    def sha256(self) -> str:
        """Return the digest of the file's bytes as they stand on disk, as hexadecimal digits."""
        with _reading(self.path), opened(self.path) as file:
            return hashlib.file_digest(cast("Any", file), "sha256").hexdigest()


def glance(path: Path) -> tuple[FileIdentity, str]:
    """Return which file *path* leads to and what its first bytes say that it is, as ``Source.kind``.

    Raises
    ------
    GcodeError
        Missing, not a regular file, not readable, empty, or no text.
    """
    with _reading(path):
        found = path.stat()
        if stat.S_ISDIR(found.st_mode):
            raise GcodeError(f"{path}: is a folder; name a G-code file in it")
        if not stat.S_ISREG(found.st_mode):
            raise GcodeError(f"{path}: is not a regular file; save the G-code to a file first")
        if found.st_size == 0:
            raise GcodeError(f"{path}: is empty; slice and export it again")
        with opened(path) as file:
            magic = file.read(_SNIFF)
    kinds = ((_GZIP, "gzip"), (_XZ, "xz"), (_ZIP, "zip"), (_BINARY, "binary"))
    kind = next((kind for mark, kind in kinds if magic.startswith(mark)), "")
    if not kind:
        _refuse_no_text(path, magic)
    return FileIdentity.of(found), kind


def _refuse_no_text(path: Path, start: bytes) -> None:
    """Raise GcodeError where a text that begins so is none."""
    for mark, what, remedy in CONTAINERS:
        if start.startswith(mark):
            raise GcodeError(f"{path}: is {what}, not plain G-code; {remedy}")
    if b"\0" in start:
        raise GcodeError(f"{path}: is a binary file, not G-code; export plain G-code from the slicer")


def sniff(path: Path | str) -> Source:
    """Open *path*, tell what it is by its bytes, and read its head and tail.

    Raises
    ------
    GcodeError
        As :func:`glance`, or the packed data are damaged or no text.
    """
    path = Path(path)
    identity, kind = glance(path)
    with _reading(path):
        stated = None
        if kind == "binary":
            from gcodetool.gcode import binary

            head, tail, stated = binary.ends(path, HEAD, TAIL)
        else:
            head, tail = _ends(path, kind)
    _refuse_no_text(path, head[:_SNIFF])
    if not head:
        raise GcodeError(f"{path}: holds no text once unpacked; slice and export it again")
    source = Source(path, identity, kind, head, tail, stated)
    source.same_file()
    return source


def _ends(path: Path, kind: str) -> tuple[bytes, bytes]:
    """Return the first and last part of the text, cut at line ends."""
    with _opened(path, kind) as file:
        head = file.read(HEAD)
        if len(head) < HEAD:
            return head, head
        if kind:
            last = head
            while chunk := file.read(BLOCK):
                last = (last + chunk)[-TAIL:]
        else:
            length = file.seek(0, os.SEEK_END)
            file.seek(max(0, length - TAIL))
            last = file.read(TAIL)
    head = head[: head.rfind(b"\n") + 1] or head
    return head, last[last.find(b"\n") + 1 :] or last


def _opened(path: Path, kind: str) -> IO[bytes]:
    if kind == "gzip":
        import gzip

        return cast("IO[bytes]", _Unpacked(path, opened(path), gzip.open))
    if kind == "xz":
        import lzma

        return cast("IO[bytes]", _Unpacked(path, opened(path), lzma.open))
    if kind == "zip":
        from gcodetool.gcode import containers

        return containers.open_plate(path)
    return cast("IO[bytes]", opened(path))


class _Unpacked:
    """The text of a packed file, no more of it than a sliced job has."""

    def __init__(self, path: Path, packed: io.FileIO, unpacking: Callable[[Any], Any]) -> None:
        self._path = path
        self._packed = packed
        self._text = unpacking(packed)
        self._size = 0

    def read(self, size: int) -> bytes:
        """Return the next piece.

        Raises
        ------
        GcodeError
            So much text comes out of so little that it was made to fill a memory.
        """
        piece: bytes = self._text.read(size)
        self._size += len(piece)
        if self._size > MOST_UNPACKED or self._size > max(BOMB_SIZE, BOMB_RATIO * self._packed.tell()):
            raise GcodeError(
                f"{self._path}: unpacks to more than {self._size >> 20} MiB of text from {self._packed.tell()} "
                "bytes: no sliced job is like that; export it again from the slicer"
            )
        return piece

    def __enter__(self) -> "_Unpacked":
        return self

    def __exit__(self, *reason: object) -> None:
        self._text.close()
        self._packed.close()


@contextlib.contextmanager
def _reading(path: Path) -> Iterator[None]:
    """Turn what can go wrong while reading *path* into one line for the user."""
    try:
        yield
    except FileNotFoundError as error:
        raise GcodeError(f"{path}: no such file; check the name") from error
    except PermissionError as error:
        why = LET_GO if is_held(error) else "may not be read; check its permissions"
        raise GcodeError(f"{path}: {why}") from error
    except Exception as error:
        damaged = isinstance(error, EOFError) or type(error).__name__ in _DAMAGED
        if damaged:
            raise GcodeError(f"{path}: the compressed data are damaged or cut off; copy it again") from error
        if isinstance(error, OSError):
            raise GcodeError(f"{path}: cannot be read: {error.strerror or error}") from error
        raise
