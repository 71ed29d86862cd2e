"""The form of a written file: plain text, gzip, xz, or the zip container or binary G-code that was read.

Left out: the zip container itself (``containers``), binary G-code itself (``binary``).
"""

import zlib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from gcodetool.errors import GcodeError


def form_of(kind: str, job: Path, target: Path) -> str:
    """Return the form to write *target* in: ``""``, ``gzip``, ``xz``, ``zip`` or ``binary``.

    A job replaced by itself stays what its bytes say it is; another target is what its name says.

    Parameters
    ----------
    kind : what the job's bytes are.
    job, target : the file that is read, and the one to write.

    Raises
    ------
    GcodeError
        A zip container or binary G-code is wanted where none was read.
    """
    try:
        same = target == job or target.samefile(job)
    except OSError:
        same = False  # a target yet to be made
    if same:
        return kind
    ending = target.suffix.lower()
    if ending in (".3mf", ".zip"):
        if kind != "zip":
            raise GcodeError(
                f"{target}: {job.name} is no zip container, and none is made of it; "
                "name a .gcode file with -o, or export a container from the slicer"
            )
        return "zip"
    if ending == ".bgcode":
        if kind != "binary":
            raise GcodeError(
                f"{target}: {job.name} is no binary G-code, and none is made of it; "
                "name a .gcode file with -o, or switch binary output on in the slicer"
            )
        return "binary"
    return {".gz": "gzip", ".xz": "xz"}.get(ending, "")


def packed(text: Iterable[bytes], form: str) -> Iterator[bytes]:
    """Yield *text* packed as *form* says: ``""``, ``gzip`` or ``xz``; the same text, the same bytes."""
    if not form:
        yield from text
        return
    engine: Any
    if form == "gzip":
        engine = zlib.compressobj(6, zlib.DEFLATED, 16 + zlib.MAX_WBITS)  # a header without name and time
    else:
        import lzma

        engine = lzma.LZMACompressor(preset=3)  # 32 MB of memory; the usual 6 takes 94
    for piece in text:
        if out := engine.compress(piece):
            yield out
    yield engine.flush()
