"""What ``prepare`` leaves in a file about the tweaks that it wrote into it, and whether an earlier one did."""

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

from gcodetool.gcode.edits import TRACE
from gcodetool.quickpattern import compiled

if TYPE_CHECKING:
    from gcodetool.gcode.program import Program
    from gcodetool.judge.findings import JobFindings

MARK: Final = "applied to this file: "
APPLIED: Final = compiled(
    rb"^; gcodetool:begin header\r?\n(?:;(?! gcodetool:)[^\n]*\n)*?; " + MARK.encode() + rb"([^\r\n]*)",
    re.MULTILINE,
)


def applied_before(program: "Program") -> str | None:
    """Return what was applied to the file as it stands on disk; None: nothing."""
    head = program.source.head
    found = APPLIED.search(head) if TRACE in head else None
    return None if found is None else found[1].decode("ascii", "replace").partition(";")[0].strip()


def header_lines(found: "JobFindings") -> Iterable[str]:
    """Yield what the header says of changes: the mark that keeps a second run away, and each old value."""
    done = [
        (tool, tweak)
        for tool in found.tools
        for tweak in tool.tweaks
        if tweak.applied is not None and tweak.applied.done
    ]
    if not done:
        return
    words = sorted({tweak.apply for _, tweak in done if tweak.apply}, reverse=True)
    yield MARK + ", ".join(words) + "; not to be applied again: export it anew from the slicer for that"
    for tool, tweak in done:
        yield (
            f"T{tool.tool} {tweak.setting}: was {tweak.before:g}, is {tweak.after:g} {tweak.unit}: "
            f"{'' if tweak.applied is None else tweak.applied.text}"
        )
