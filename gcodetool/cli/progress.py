"""A progress bar on stderr for work that takes over a second, on terminals only."""

import contextlib
import os
import shutil
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from gcodetool.gcode.program import Program

AFTER_S: Final = 1.0  # quicker work shows nothing
EVERY_S: Final = 0.1
BAR: Final = 30  # signs

Progress = Callable[
    [str, int, int | None], None
]  # what is done, how much of it, of how much where that is known


@contextmanager
def watched(*, wanted: bool = True, share: bool = False) -> Iterator[Progress | None]:
    """Give what is to be told how far the work is; None where nobody watches.

    The bar appears after a second and is gone at the end, also where an error ends the work.  *share*: it
    says per cent, not how many.
    """
    if not wanted or not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        yield None
        return
    bar = _Bar(share=share)
    try:
        yield bar.done
    finally:
        bar.close()


@contextmanager
def reading(program: "Program", *, wanted: bool = True) -> Iterator[Callable[[int], None] | None]:
    """Give what is to be told the number of bytes of *program* done; None where nobody watches."""
    with watched(wanted=wanted, share=True) as told:
        if told is None:
            yield None
            return
        from gcodetool.report.layout import plain

        what = f"reading {plain(program.path.name)}"
        # packed text is longer than its file: how much is still to come cannot be told
        total = None if program.source.kind else program.size
        yield lambda count: told(what, count, total)


class _Bar:
    """A line that is written over, shown when it is first worth it: plain signs, which every terminal has."""

    def __init__(self, *, share: bool) -> None:
        self.share = share
        self.began = self.shown = time.monotonic()
        self.taken = 0  # columns that are to be emptied

    def done(self, what: str, count: int, total: int | None) -> None:
        """Show how far the work is, ten times a second at most."""
        now = time.monotonic()
        if now - self.began < AFTER_S or now - self.shown < EVERY_S:
            return
        self.shown = now
        room = shutil.get_terminal_size().columns - 1
        self._write(f"{what} {self._figures(count, total)}"[:room])

    def _figures(self, count: int, total: int | None) -> str:
        if not total:
            return "" if self.share else str(count)
        full = min(1.0, count / total)
        filled = round(full * BAR)
        said = f"{100 * full:3.0f}%" if self.share else f"{count}/{total}"
        return f"[{'#' * filled}{'-' * (BAR - filled)}] {said}"

    def _write(self, line: str) -> None:
        from gcodetool.report.tables import columns_of

        stream = getattr(sys.stderr, "styled", sys.stderr)  # what is written over is no text for a pipe
        blank = " " * (self.taken - columns_of(line))
        self.taken = columns_of(line)
        with contextlib.suppress(OSError):  # nobody there to read it
            stream.write(f"\r{line}{blank}")
            stream.flush()

    def close(self) -> None:
        """Take the bar away."""
        if self.taken:
            self._write("")
            self._write("")
