"""Edits: every inserted byte in a marked region, every other byte as it was, every file whole.

A file is a stream of blocks that end on line ends.  :func:`strip_regions` takes out what an earlier
run inserted, :func:`apply` puts edits in, :func:`write_atomic` makes the result the file or leaves
the file alone.  A region is whole lines::

    ; gcodetool:begin purge-and-inspect
    ...
    ; gcodetool:end purge-and-inspect

Left out: what to insert (``advice``), and where (``anchor``).
"""

import contextlib
import errno
import os
import re
import stat
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Final

from gcodetool.changes import making
from gcodetool.errors import GcodeError, WriteError
from gcodetool.heldfile import LET_GO, flush, is_held, take_place
from gcodetool.quickdata import dataclass

try:
    import fcntl
except ImportError:  # no such locks on this system
    fcntl = None  # type: ignore[assignment]

PIECES: Final = 1 << 20
TEMPORARY: Final = ".gcodetool-"
STRAY_S: Final = 60.0  # younger ones may not be locked yet
WHATS: Final = ("header", "purge-and-inspect", "layer-note")
TRACE: Final = b"gcodetool:"  # found fast; a block without it holds no mark
MARK: Final = re.compile(rb"; gcodetool:(?P<side>begin|end) (?P<what>[a-z-]+)\r?\n?")
MARK_LINE: Final = re.compile(rb"^" + MARK.pattern, re.MULTILINE)
LIKE_MARK: Final = re.compile(rb"gcodetool:(?:begin|end)\b")


@dataclass(frozen=True)
class Edit:
    """Replace bytes ``start`` to ``stop`` of a file by ``replacement``; start = stop inserts.

    Attributes
    ----------
    start, stop : byte offsets in the file without regions.
    replacement : the new bytes.
    reason : for the report.
    """

    start: int
    stop: int
    replacement: bytes
    reason: str


def newline_of(head: bytes) -> bytes:
    r"""Return the line end that a file uses, judged by its first line.

    >>> newline_of(b"G28\r\nG29\r\n")
    b'\r\n'
    """
    first = head.find(b"\n")
    return b"\r\n" if first > 0 and head[first - 1 : first] == b"\r" else b"\n"


def region(what: str, lines: Sequence[str], newline: bytes = b"\n") -> bytes:
    r"""Return *lines* as a region: whole lines between its two marks.

    >>> region("header", ["; dry"])
    b'; gcodetool:begin header\n; dry\n; gcodetool:end header\n'

    Raises
    ------
    ValueError
        *what* is no known region, or a line holds a line end, a mark or anything but ASCII.
    """
    if what not in WHATS:
        raise ValueError(f"region {what!r} is none of {', '.join(WHATS)}")
    for line in lines:
        if not line.isascii() or "\n" in line or "\r" in line or LIKE_MARK.search(line.encode()):
            raise ValueError(f"line {line!r} cannot stand in a region")
    inside = [f"; gcodetool:begin {what}", *lines, f"; gcodetool:end {what}"]
    return b"".join(line.encode("ascii") + newline for line in inside)


def insertion(
    offset: int, what: str, lines: Sequence[str], *, newline: bytes = b"\n", reason: str = ""
) -> Edit:
    """Return the edit that inserts a region before the line that starts at *offset*."""
    return Edit(offset, offset, region(what, lines, newline), reason or what)


def strip_regions(
    blocks: Iterable[bytes], *, name: str = "input", lines_before: Callable[[int], int] | None = None
) -> Iterator[bytes]:
    """Yield the stream without its regions: what it was before anything was inserted.

    Parameters
    ----------
    blocks : the file in pieces that end on line ends (the last one need not).
    name : the file's name for messages.
    lines_before : lines in the first so many bytes of the stream, asked for only where a message names a
        line; left out, they are counted on the way, which costs as much as reading.

    Raises
    ------
    GcodeError
        A region that does not close, closes without being open, stands in another one, or a mark
        that is not a whole line: the file was edited since, and nobody can say what is whose.
    """
    inside: bytes | None = None
    opened = (0, 0)
    passed = 0  # bytes before the block in hand
    counted = 0  # lines before it, where they are counted

    def line_of(place: tuple[int, int]) -> int:
        before, line = place
        return line if lines_before is None else lines_before(before) + line

    for block in blocks:
        if inside is None and block.rfind(TRACE) < 0:  # twice as fast as `in` where there is none
            yield block
        else:
            kept, at = [], 0
            for begin, end in _traces(block):
                if inside is None:
                    kept.append(block[at:begin])
                line, at = block[begin:end], end
                here = (passed, counted + block.count(b"\n", 0, begin) + 1)
                mark = MARK.fullmatch(line)
                if mark is None:
                    if LIKE_MARK.search(line):
                        raise _at(name, line_of(here), "a region mark of gcodetool inside a longer line")
                    if inside is None:
                        kept.append(line)
                    continue
                what = mark["what"]
                if what.decode() not in WHATS:
                    raise _at(name, line_of(here), f"unknown region '{what.decode()}'")
                if mark["side"] == b"begin":
                    if inside is not None:
                        begun = line_of(opened)
                        raise _at(name, line_of(here), f"a region begins inside the one of line {begun}")
                    inside, opened = what, here
                elif what != inside:
                    raise _at(name, line_of(here), f"region '{what.decode()}' ends but was not open")
                else:
                    inside = None
            if inside is None:
                kept.append(block[at:])
            text = b"".join(kept)
            if text:
                yield text
        passed += len(block)
        if lines_before is None:
            counted += block.count(b"\n")
    if inside is not None:
        raise _at(name, line_of(opened), f"region '{inside.decode()}' does not end")


def without_regions(part: bytes) -> bytes:
    r"""Return a piece of a file without regions, those that its ends cut through included.

    For looking at a file's head or tail; :func:`strip_regions` is the exact one.

    >>> without_regions(b"x\ny\n; gcodetool:end header\nG28\n; gcodetool:begin header\nz\n")
    b'G28\n'
    """
    if TRACE not in part:
        return part
    marks = list(MARK_LINE.finditer(part))
    kept = []
    at, inside = 0, False
    if marks and marks[0]["side"] == b"end":
        at = marks.pop(0).end()
    for mark in marks:
        if mark["side"] == b"begin" and not inside:
            kept.append(part[at : mark.start()])
            inside = True
        elif mark["side"] == b"end":
            at, inside = mark.end(), False
    return b"".join(kept) + (b"" if inside else part[at:])


def apply(blocks: Iterable[bytes], edits: Sequence[Edit]) -> Iterator[bytes]:
    """Yield the stream with *edits* applied; all other bytes pass unchanged.

    Parameters
    ----------
    blocks : the file in pieces of any size.
    edits : sorted by ``start``, none overlapping; several insertions at one place keep their order.

    Raises
    ------
    ValueError
        Edits that overlap, are not sorted, or reach past the end of the stream.
    """
    last = 0
    for edit in edits:
        if edit.start < last or edit.stop < edit.start:
            raise ValueError(
                f"edit at bytes {edit.start} to {edit.stop} overlaps another one, or is out of order"
            )
        last = edit.stop
    waiting = iter(edits)
    edit_now = next(waiting, None)
    offset = 0  # of the block in the stream
    skip_to = 0  # bytes before this are replaced
    for block in blocks:
        end = offset + len(block)
        at = max(offset, min(skip_to, end))
        while edit_now is not None and edit_now.start < end:
            if edit_now.start > at:
                yield block[at - offset : edit_now.start - offset]
            if edit_now.replacement:
                yield edit_now.replacement
            skip_to = edit_now.stop
            at = max(at, min(skip_to, end))
            edit_now = next(waiting, None)
        if at < end:
            yield block if at == offset else block[at - offset :]
        offset = end
    while edit_now is not None and edit_now.start == edit_now.stop == offset:
        yield edit_now.replacement
        edit_now = next(waiting, None)
    if edit_now is not None or skip_to > offset:
        beyond = skip_to if edit_now is None else edit_now.stop
        raise ValueError(f"an edit reaches byte {beyond}, past the end at {offset}")


def whole_lines(pieces: Iterator[bytes]) -> Iterator[bytes]:
    """Yield the text in blocks that end at line ends, as readers expect them."""
    gathered: list[bytes] = []
    size = 0
    for piece in pieces:
        gathered.append(piece)
        size += len(piece)
        if size >= PIECES:
            text = b"".join(gathered)
            cut = text.rfind(b"\n") + 1
            if cut:
                yield text[:cut]
                text = text[cut:]
            gathered, size = [text], len(text)
    if size:
        yield b"".join(gathered)


def write_atomic(
    path: Path | str, chunks: Iterable[bytes], *, last_look: Callable[[], None] = lambda: None
) -> None:
    """Write *chunks* as the file *path*, whole or not at all.

    A temporary file in the same folder is written, flushed to the disk and renamed over the target;
    whatever goes wrong, the target is as it was and the temporary file is gone.  Mode and owner of
    an existing target are kept (the owner as far as the system allows).  Of a symbolic link the
    file behind it is replaced; a hard link is parted from its other names.

    Parameters
    ----------
    last_look : called when the new file is on the disk and nothing is left but to rename it; what it raises
        leaves the target as it was.

    Raises
    ------
    WriteError
        What went wrong, where, and what to do.
    """
    target = _target(Path(path))
    before = _stat(target)
    if before is not None and not stat.S_ISREG(before.st_mode):
        kind = "a folder" if stat.S_ISDIR(before.st_mode) else "not an ordinary file"
        raise WriteError(f"{target}: cannot write, it is {kind}; name a file")
    if before is not None and (not before.st_mode & 0o222 or not os.access(target, os.W_OK)):
        raise WriteError(
            f"{target}: cannot write, it is write-protected; allow writing or choose another name"
        )
    # a name that no folder watcher takes for G-code
    beside = target.with_name(f"{TEMPORARY}{os.urandom(8).hex()}.tmp")
    try:
        _write_and_replace(target, beside, before, chunks, last_look)
    except OSError as error:
        raise _write_error(target, error) from error
    finally:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)  # nothing is left to unlink once it was renamed


def _write_and_replace(
    target: Path,
    beside: Path,
    before: os.stat_result | None,
    chunks: Iterable[bytes],
    last_look: Callable[[], None],
) -> None:
    out = open(beside, "xb")  # noqa: PTH123, SIM115  exclusive creation, one place; closed below
    try:
        if fcntl is not None:
            with contextlib.suppress(OSError):  # some network disks have no locks; then nothing is swept
                fcntl.flock(out, fcntl.LOCK_EX)
        _sweep(target.parent, os.fstat(out.fileno()).st_mtime)
        for chunk in chunks:
            out.write(chunk)
        out.flush()
        flush(out.fileno())
        last_look()
        if fcntl is not None:  # under the lock to the end; elsewhere an open file cannot be renamed
            _replace(target, beside, before)
    finally:
        with contextlib.suppress(OSError):  # all of it is on the disk, or an error is on its way already
            out.close()
    if fcntl is None:
        _replace(target, beside, before)
    _sync_folder(target.parent)


def _replace(target: Path, beside: Path, before: os.stat_result | None) -> None:
    if before is not None:
        if hasattr(os, "chown"):
            with contextlib.suppress(OSError):  # only the owner's own group, unless root
                os.chown(beside, before.st_uid, before.st_gid)
        beside.chmod(stat.S_IMODE(before.st_mode))  # after chown, which clears some bits
    with making(f"{target} was written"):
        take_place(beside, target)


def _sweep(folder: Path, now_s: float) -> None:
    """Remove what a killed run left in *folder*: temporary files that no living process holds.

    ``now_s`` is the folder's own clock: when a file that was just made there was made.  Without locks a file that is
    held open cannot be removed, which is as good.
    """
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        names = [entry.name for entry in entries]
        strays = [folder / name for name in names if name.startswith(TEMPORARY) and name.endswith(".tmp")]
        for stray in strays:
            with contextlib.suppress(OSError):
                if now_s - stray.stat().st_mtime <= STRAY_S:  # it may be just being made
                    continue
                if fcntl is None:
                    stray.unlink()
                    continue
                with open(stray, "r+b") as held:  # noqa: PTH123  as above
                    fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    os.unlink(stray)  # noqa: PTH108  as above


def _target(path: Path) -> Path:
    """Return what is to be replaced: the file behind a chain of links."""
    try:
        return Path(os.path.realpath(path)) if path.is_symlink() else path
    except OSError as error:
        raise _write_error(path, error) from error


def _stat(target: Path) -> os.stat_result | None:
    try:
        return target.stat()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise _write_error(target, error) from error


def _sync_folder(folder: Path) -> None:
    """Make the new name survive a power cut, where the system can."""
    with contextlib.suppress(OSError):  # the file is in place already; some systems cannot sync folders
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


ADVICE: Final = {
    errno.ENOSPC: "the disk is full; free some space and run again",
    errno.EDQUOT: "the disk quota is used up; free some space and run again",
    errno.EFBIG: "the file gets too large for this disk or for the limit set on this process",
    errno.EACCES: "no permission to write in that folder; choose another place with -o",
    errno.EPERM: "not permitted; choose another place with -o",
    errno.EROFS: "the disk is read-only; choose another place with -o",
    errno.ENOENT: "there is no such folder; make it first or choose another place with -o",
    errno.ENOTDIR: "a part of that path is a file, not a folder; choose another place with -o",
    errno.ENAMETOOLONG: "the name is too long; choose a shorter one with -o",
    errno.ELOOP: "the links in that path run in a circle; choose another place with -o",
}


def _write_error(target: Path, error: OSError) -> WriteError:
    advice = (
        LET_GO
        if is_held(error)
        else ADVICE.get(error.errno or 0) or f"{error.strerror or error}; choose another place with -o"
    )
    return WriteError(f"{target}: cannot write, the target is as it was: {advice}")


def _traces(block: bytes) -> Iterator[tuple[int, int]]:
    """Yield begin and end of each line that may hold a mark; a line ends at LF only, a lone CR is none here."""
    found = block.find(TRACE)
    while found >= 0:
        end = block.find(b"\n", found) + 1 or len(block)
        yield block.rfind(b"\n", 0, found) + 1, end
        found = block.find(TRACE, end)


def _at(name: str, line: int, text: str) -> GcodeError:
    advice = "export it again from the slicer, or remove that part by hand"
    return GcodeError(f"{name}:{line}: {text}; {advice}")
