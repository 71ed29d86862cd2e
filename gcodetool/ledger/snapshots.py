"""Snapshots as files: written whole or not at all, and never missed when absent.

``.pa6-07.64.moisture`` stands beside ``pa6-07.toml``.  Where that folder cannot be written, or came with
gcodetool, or the record is in no file, it stands in the user's cache folder.  A full disk, a damaged file:
the state is then computed from the record, as always.  Left out: what is in them (``moisture.snapshot``),
which also decides whether one fits.
"""

import hashlib
import os
from pathlib import Path
from typing import Final

from gcodetool.cachefile import CacheFolder
from gcodetool.moisture.record import Spool
from gcodetool.profiles import sample_folder
from gcodetool.quickdata import dataclass

MOST: Final = 1000  # snapshots in the cache folder, about 0.3 MB each; beyond it the older half goes
FOLDER: Final = "GCODETOOL_SNAPSHOTS"
NAME_LENGTH: Final = 24  # digits of a hash that stands for a record's path


@dataclass(frozen=True)
class FileShelf:
    """The snapshots of the spool in one file; ``most``: of those of all spools in its folder."""

    spool_file: Path
    most: int | None = None

    def path(self, members: int) -> Path:
        """Return where the snapshot of so many members lies."""
        return self._folder().file(self._key(members))

    def load(self, members: int) -> bytes | None:
        """Return what was saved, or None where there is nothing to read."""
        return self._folder().get(self._key(members))

    def save(self, members: int, data: bytes) -> None:
        """Keep *data* in place of what was there, in one step; silently not, where that cannot be."""
        self._folder().put(self._key(members), data)
        if self.most is not None:
            self._folder().prune(self.most)

    def _folder(self) -> CacheFolder:
        return CacheFolder(self.spool_file.parent, ".moisture")

    def _key(self, members: int) -> str:
        return f".{self.spool_file.stem}.{members}"


def shelf_of(spool: Spool) -> FileShelf | None:
    """Return where a spool's snapshots lie: beside its file if that is the user's to write, else in the cache.

    GCODETOOL_SNAPSHOTS names another folder for all of them, or is "off".
    """
    wanted = os.environ.get(FOLDER, "")
    if wanted == "off":
        return None
    path = Path(spool.source)
    folder = path.parent
    shipped = sample_folder().resolve() in (folder.resolve(), *folder.resolve().parents)
    if (
        not wanted
        and spool.source
        and path.is_file()
        and not shipped
        and os.access(folder, os.W_OK | os.X_OK)
    ):
        return FileShelf(path)
    whose = f"{path.resolve() if path.is_file() else spool.source}\n{spool.id}"
    cache = Path(wanted) if wanted else cache_folder()
    return FileShelf(cache / f"{hashlib.sha256(whose.encode()).hexdigest()[:NAME_LENGTH]}.toml", MOST)


def shared_folder() -> Path | None:
    """Return the folder for what is computed of any record, and rests on no one file; None: nothing is kept."""
    wanted = os.environ.get(FOLDER)
    return None if wanted == "off" else Path(wanted) if wanted else cache_folder()


def cache_folder() -> Path:
    """Return the user's folder for snapshots that cannot stand beside their record."""
    import platformdirs

    return Path(platformdirs.user_cache_dir("gcodetool")) / "moisture"
