"""A progress bar on stderr for work that takes over a second, on terminals only."""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from gcodetool.gcode.program import Program

AFTER_S: Final = 1.0  # quicker work shows nothing
EVERY_S: Final = 0.1

Progress = Callable[
    [str, int, int | None], None
]  # what is done, how much of it, of how much where that is known


@contextmanager
def watched(*, wanted: bool = True, share: bool = False) -> Iterator[Progress | None]:
    """Give what is to be told how far the work is; None where nobody watches.

    The bar appears after a second and is gone at the end, also where an error ends the work.  *share*: it
    says per cent, not how many.
    """
    if not wanted or not sys.stderr.isatty():
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
    """A bar that is made when it is first worth showing."""

    def __init__(self, *, share: bool) -> None:
        self.share = share
        self.began = self.shown = time.monotonic()
        self.bar: Any = None
        self.tasks: dict[str, Any] = {}

    def done(self, what: str, count: int, total: int | None) -> None:
        """Show how far the work is, ten times a second at most."""
        now = time.monotonic()
        if now - self.began < AFTER_S or now - self.shown < EVERY_S:
            return
        self.shown = now
        if self.bar is None:
            from rich.console import Console
            from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskProgressColumn, TextColumn

            # rich would take stdout too, for lines printed meanwhile: there are none
            self.bar = Progress(
                TextColumn("{task.description}", markup=False),
                BarColumn(),
                TaskProgressColumn() if self.share else MofNCompleteColumn(),
                console=Console(file=getattr(sys.stderr, "styled", sys.stderr)),
                auto_refresh=False,
                transient=True,
                redirect_stdout=False,
                redirect_stderr=False,
            )
            self.bar.start()
        if what not in self.tasks:
            for task in self.tasks.values():
                self.bar.update(task, visible=False)
            self.tasks[what] = self.bar.add_task(what, total=total)
        self.bar.update(self.tasks[what], completed=count, refresh=True)

    def close(self) -> None:
        """Take the bar away."""
        if self.bar is not None:
            self.bar.stop()
