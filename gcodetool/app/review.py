"""``review``: one job on one page, to look at before it starts."""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Unpack

from gcodetool.app.check import JobQuestion, Reading, Spools, Words, examine_job
from gcodetool.block.annotate import WATCH
from gcodetool.gcode.edits import write_atomic

if TYPE_CHECKING:
    from gcodetool.app.check import CheckedJob


def review(
    job: str | Path,
    spool: Spools = None,
    *,
    output: str | Path,
    reading: Reading | None = None,
    **words: Unpack[Words],
) -> "CheckedJob":
    """Write a page on a job to *output*, and return the check that it shows; errors as in a check.

    Parameters
    ----------
    job : path of a sliced file.
    spool, words : as for a check.
    output : the page; an existing one is replaced.
    reading : is told how far the reading is.
    """
    seen, text = review_page(job, spool, reading=reading, **words)
    write_atomic(Path(output), [text.encode("utf-8", "replace")])
    return seen


def review_page(
    job: str | Path, spool: Spools = None, *, reading: Reading | None = None, **words: Unpack[Words]
) -> "tuple[CheckedJob, str]":
    """Return the check of a job, and the page on it; parameters as of :func:`review`."""
    from gcodetool.report.html.review import review as page_of

    seen = examine_job(job, JobQuestion(spool, **words), watch_z_mm=WATCH, reading=reading)
    printer = words.get("printer")
    asked = None if printer is None else printer if isinstance(printer, str) else printer.name
    return seen, page_of(
        seen.program, seen.examined, printer=seen.printer, asked_printer=asked, asked_spools=_as_asked(spool)
    )


def _as_asked(spool: Spools) -> dict[int | None, str]:
    """Return what was named for each tool, where it was named by a word."""
    by_tool = spool if isinstance(spool, Mapping) else {None: spool}
    return {tool: str(word) for tool, word in by_tool.items() if isinstance(word, str | Path)}
