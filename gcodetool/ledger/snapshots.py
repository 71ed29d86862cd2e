"""Snapshots as files beside the spool file: written whole or not at all, and never missed when absent.

``.pa6-07.64.moisture`` stands beside ``pa6-07.toml``.  A folder that cannot be written, a full disk, a
damaged file: the state is then computed from the record, as always.  Left out: what is in them
(``moisture.snapshot``), which also decides whether one fits.
"""

import contextlib
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Final

LARGEST: Final = 200_000_000  # bytes; anything larger is not ours


@dataclass(frozen=True)
class FileShelf:
    """The snapshots of the spool in one file."""

    spool_file: Path

    def path(self, members: int) -> Path:
        """Return where the snapshot of so many members lies."""
        return self.spool_file.with_name(f".{self.spool_file.stem}.{members}.moisture")

    def load(self, members: int) -> bytes | None:
        """Return what was saved, or None where there is nothing to read."""
        path = self.path(members)
        try:
            return path.read_bytes() if path.stat().st_size <= LARGEST else None
        except OSError:
            return None

    def save(self, members: int, data: bytes) -> None:
        """Keep *data* in place of what was there, in one step; silently not, where that cannot be."""
        path = self.path(members)
        with contextlib.suppress(OSError):
            handle, name = tempfile.mkstemp(prefix=path.name, dir=path.parent)
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(data)
                Path(name).replace(path)
            except OSError:
                Path(name).unlink()
                raise
