"""A progress bar on stderr for inputs that take over a second, on terminals only."""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from gcodetool.gcode.program import Program

AFTER_S: Final = 1.0  # quicker jobs show nothing
EVERY_S: Final = 0.1


@contextmanager
def reading(program: "Program", *, wanted: bool = True) -> Iterator[Callable[[int], None] | None]:
    """Give what is to be told the number of bytes of *program* done; None where nobody watches.

    The bar appears after a second and is gone at the end, also where an error ends the work.
    """
    if not wanted or not sys.stderr.isatty():
        yield None
        return
    bar = _Bar(program)
    try:
        yield bar.done
    finally:
        bar.close()


class _Bar:
    """A bar that is made when it is first worth showing."""

    def __init__(self, program: "Program") -> None:
        self.program = program
        self.began = self.shown = time.monotonic()
        self.bar: Any = None
        self.task: Any = None

    def done(self, count: int) -> None:
        """Show that *count* bytes are done, ten times a second at most."""
        now = time.monotonic()
        if now - self.began < AFTER_S or now - self.shown < EVERY_S:
            return
        self.shown = now
        if self.bar is None:
            from rich.console import Console
            from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn

            from gcodetool.report.as_text import plain

            # rich would take stdout too, for lines printed meanwhile: there are none
            self.bar = Progress(
                TextColumn("reading {task.description}", markup=False),
                BarColumn(),
                TaskProgressColumn(),
                console=Console(file=sys.stderr),
                auto_refresh=False,
                transient=True,
                redirect_stdout=False,
                redirect_stderr=False,
            )
            # packed text is longer than its file: how much is still to come cannot be told
            total = None if self.program.source.kind else self.program.size
            self.task = self.bar.add_task(plain(self.program.path.name), total=total)
            self.bar.start()
        self.bar.update(self.task, completed=count, refresh=True)

    def close(self) -> None:
        """Take the bar away."""
        if self.bar is not None:
            self.bar.stop()
