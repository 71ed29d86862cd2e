"""What an earlier ``prepare`` left in a file about the tweaks that it wrote into it."""

import re
from typing import TYPE_CHECKING, Final

from gcodetool.gcode.edits import TRACE

if TYPE_CHECKING:
    from gcodetool.gcode.program import Program

MARK: Final = "applied to this file: "
APPLIED: Final = re.compile(
    rb"^; gcodetool:begin header\r?\n(?:;(?! gcodetool:)[^\n]*\n)*?; " + MARK.encode() + rb"([^\r\n]*)",
    re.MULTILINE,
)


def applied_before(program: "Program") -> str | None:
    """Return what was applied to the file as it stands on disk; None: nothing."""
    head = program.source.head
    found = APPLIED.search(head) if TRACE in head else None
    return None if found is None else found[1].decode("ascii", "replace").partition(";")[0].strip()
