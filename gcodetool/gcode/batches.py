"""A program as batches of rows, scanned by one thread while another plans.

The compiled kernels let go of the interpreter's lock, so a large file is read and scanned beside the
caller's work: a few blocks of rows go round between the two.  Order, rows and the scanner's state at
the end are the same as without the thread.  Small files and interpreted kernels stay in one thread.

Left out: what the rows mean (``motion``).
"""

import os
import queue
import threading
from collections.abc import Generator, Iterator
from typing import TYPE_CHECKING, Any, Final

from gcodetool.gcode import scan
from gcodetool.gcode.rows import Rows

if TYPE_CHECKING:
    from gcodetool.gcode.program import Program

WORTHWHILE: Final = 4 << 20  # bytes; below this a thread costs as much as it saves
ROUND: Final = 6  # blocks of rows between the two threads

Watch = tuple[int, float]
# rows, the text that they were read from, and where in the file that begins
Batch = tuple[Rows, bytes, int]


def batches(
    program: "Program",
    scanner: Any,
    *,
    watch: Watch | None = None,
    threaded: bool | None = None,
    keep: list[Batch] | None = None,
) -> Generator[Batch, None, None]:
    """Yield (rows, text, offset of the text in the file) through *program*, in order.

    A batch's rows are refilled once the next one was asked for, unless they are kept.  While batches are still to come the
    scanner belongs to this generator; after the last one it holds the state at the end of the file.
    A caller that stops early closes the generator.

    Parameters
    ----------
    scanner : at the start of *program*.
    watch : (byte offset of a line's start, height): from there on the scanner's box of X/Y motion below
        that height is gathered anew. [-, mm]
    threaded : scan in a thread of its own; None = where that pays.
    keep : takes all batches, for another look at a file that is too small for a thread; of a larger one none.

    Raises
    ------
    GcodeError
        The file went away or is damaged.
    """
    if threaded is None:
        threaded = scan.COMPILED and program.size >= WORTHWHILE and (os.cpu_count() or 1) > 1
    if threaded:
        yield from _beside(program, scanner, watch)
        return
    rows = Rows()
    for part in _parts(program, scanner, watch):
        at = 0
        while at < len(part):
            at = scanner.fill(part, at, rows)
            yield rows, part, scanner.offset
            if keep is not None:
                keep.append((rows, part, scanner.offset))
                rows = Rows()
        scanner.offset += len(part)


def _parts(program: "Program", scanner: Any, watch: Watch | None) -> Iterator[bytes]:
    """Yield the text block by block, cut where the watch begins; set the watch there."""
    for block in program.blocks():
        if watch is not None and scanner.offset <= watch[0] < scanner.offset + len(block):
            first = watch[0] - scanner.offset
            if first:
                yield block[:first]
            scanner.reset_box()
            scanner.watch_z = watch[1]
            yield block[first:]
        else:
            yield block


def _beside(program: "Program", scanner: Any, watch: Watch | None) -> Iterator[Batch]:
    """Yield batches that a thread of its own scans, at most ``ROUND`` of them ahead."""
    free: queue.SimpleQueue[Rows | None] = queue.SimpleQueue()
    full: queue.SimpleQueue[Batch | BaseException | None] = queue.SimpleQueue()

    def work() -> None:
        try:
            for part in _parts(program, scanner, watch):
                at = 0
                while at < len(part):
                    rows = free.get()
                    if rows is None:  # the caller has gone
                        return
                    at = scanner.fill(part, at, rows)
                    full.put((rows, part, scanner.offset))
                scanner.offset += len(part)
            full.put(None)
        except BaseException as error:  # for the caller to raise, whatever it is
            full.put(error)

    for _ in range(ROUND):
        free.put(Rows())
    thread = threading.Thread(target=work, name="scan", daemon=True)
    thread.start()
    try:
        while (batch := full.get()) is not None:
            if isinstance(batch, BaseException):
                raise batch
            yield batch
            free.put(batch[0])
    finally:
        free.put(None)
        thread.join()
