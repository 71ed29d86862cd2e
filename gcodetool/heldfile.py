"""Files that another program holds open: on Windows such a file can be neither read, replaced nor removed.

Virus scanners, search indexers and slicers hold a new file for a moment, so what fails for that is tried again.
Elsewhere the system has no such error, and each function does its work once.
"""

import os
import time
from pathlib import Path
from typing import Any, Final

fcntl: Any
try:
    import fcntl
except ImportError:  # Windows
    fcntl = None

HELD: Final = frozenset((5, 32, 33))  # Windows: access denied, sharing violation, lock violation
WAITS_S: Final = (0.05, 0.1, 0.2, 0.4, 0.8, 1.5)  # between tries; three seconds in all
LET_GO: Final = "another program holds it open; close it there (slicer, viewer, virus scanner) and run again"


def is_held(error: BaseException | None) -> bool:
    """Return whether an operation failed because another program holds the file."""
    return isinstance(error, PermissionError) and getattr(error, "winerror", None) in HELD


def take_place(made: Path, target: Path) -> None:
    """Put the file *made* in the place of *target* in one step, patiently.

    Raises
    ------
    OSError
        It cannot be; :func:`is_held` tells whether another program still holds the target.
    """
    for wait_s in WAITS_S:
        try:
            made.replace(target)
        except PermissionError as error:
            if not is_held(error):
                raise
            time.sleep(wait_s)
        else:
            return
    made.replace(target)


def flush(handle: int) -> None:
    """Wait until what was written to an open file is on the disk; macOS's own ``fsync`` stops at the disk's cache."""
    whole = getattr(fcntl, "F_FULLFSYNC", None)
    if whole is not None:
        try:
            fcntl.fcntl(handle, whole)
        except OSError:  # a disk of the network has none
            pass
        else:
            return
    os.fsync(handle)


def on_disk(path: Path) -> None:
    """Wait until what was written to a file is on the disk."""
    with path.open("r+b") as file:  # for reading alone Windows would refuse
        flush(file.fileno())
