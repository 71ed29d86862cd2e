"""``review``: one job on one page, to look at before it starts."""

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
    from gcodetool.report.html.review import review as page_of

    asked = JobQuestion(spool, **words)
    seen = examine_job(job, asked, watch_z_mm=WATCH, reading=reading)
    text = page_of(seen.program, seen.examined, printer=seen.printer)
    write_atomic(Path(output), [text.encode("utf-8", "replace")])
    return seen
