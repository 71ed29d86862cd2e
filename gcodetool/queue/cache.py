"""Jobs read before, kept in the user's cache folder: by content and limits, written whole or not at all.

A job's key is the digest of its bytes and of all that its times rest on: the printer's limits, the filament's
diameter, the code that does the timing.  An index remembers which content a path held, so an untouched
file is not read again: path, size, inode and both times must be as they were.  Whatever is damaged,
unreadable or cannot be written counts as not there.
"""

import contextlib
import functools
import hashlib
import json
import os
import tempfile
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import gcodetool
from gcodetool.queue.summary import Job, decode

if TYPE_CHECKING:
    from gcodetool.profiles import Printer

FOLDER: Final = "GCODETOOL_CACHE"  # another folder than the user's; empty: none
SUFFIX: Final = ".job"
FATES: Final = ".fate"  # of spools, see ``kept``
LARGEST: Final = 8_000_000  # bytes of one entry; anything larger is not ours
MOST: Final = 20_000  # entries; beyond it the older half goes
SETTLED_NS: Final = 2_000_000_000  # a file touched this shortly before its reading may change without a trace
INDEX: Final = "index.json"

Signature = tuple[int, int, int, int]


def user_folder() -> Path | None:
    """Return the folder for what was read before; None: the environment says that there is none."""
    stated = os.environ.get(FOLDER)
    if stated is not None:
        return Path(stated) / "queue" if stated else None
    import platformdirs

    return Path(platformdirs.user_cache_dir("gcodetool")) / "queue"


@functools.cache
def build_stamp() -> str:
    """Return what changes when the code changes that reads and times jobs, and says what is odd about them."""
    home = Path(gcodetool.__file__).parent
    return stamp_of(
        [
            home / "queue" / "summary.py",
            home / "advice" / "job.py",
            home / "advice" / "machine_limits.py",
            *(home / "gcode").iterdir(),
            *(home / "motion").iterdir(),
        ]
    )


def stamp_of(paths: Iterable[Path]) -> str:
    """Return what changes when one of these sources or compiled modules does."""
    digest = hashlib.sha256(gcodetool.__version__.encode())
    for path in sorted(paths):
        if path.suffix in (".py", ".so", ".pyd"):
            found = path.stat()
            digest.update(f"{path.name} {found.st_size} {found.st_mtime_ns}\n".encode())
    return digest.hexdigest()


def limits_stamp(printer: "Printer | None", diameters: dict[int, float] | None, build: str) -> str:
    """Return the digest of all but the content that a job's times rest on."""
    bare = None if printer is None else replace(printer, path=None, note=None)
    wound = sorted((diameters or {}).items())
    return hashlib.sha256(f"{build}\n{bare!r}\n{wound!r}".encode()).hexdigest()


def key_of(sha256: str, stamp: str) -> str:
    """Return the key of a content under limits."""
    return hashlib.sha256(f"{sha256} {stamp}".encode()).hexdigest()


def signature(path: Path) -> Signature:
    """Return what tells that a file was not touched: size, both times, inode."""
    found = path.stat()
    return found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino


def load(folder: Path | None, key: str) -> Job | None:
    """Return the job kept under *key*, or None."""
    if folder is None:
        return None
    try:
        with (folder / (key + SUFFIX)).open("rb") as file:
            return decode(file.read(LARGEST + 1))
    except (OSError, ValueError, TypeError, KeyError):
        return None


def save(folder: Path | None, key: str, data: bytes) -> None:
    """Keep *data* under *key*, in one step; silently not, where that cannot be."""
    if folder is not None and len(data) <= LARGEST:
        write(folder / (key + SUFFIX), data)


def write(path: Path, data: bytes) -> None:
    """Put *data* in a file, whole or not at all; silently not, where that cannot be."""
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=".new-", dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
            Path(name).replace(path)
        except OSError:
            Path(name).unlink(missing_ok=True)
            raise


class Index:
    """Which content each path held when it was last read."""

    def __init__(self, folder: Path | None) -> None:
        self.folder = folder
        self.known: dict[str, list[Any]] = _read_index(folder)
        self.changed = False

    def digest(self, path: Path, now: Signature) -> str | None:
        """Return the digest of a file that was not touched since it was read; None: nobody knows."""
        entry = self.known.get(str(path.absolute()))
        return str(entry[4]) if entry is not None and tuple(entry[:4]) == now else None

    def note(self, path: Path, read: Signature, sha256: str, *, at_ns: int) -> None:
        """Remember what a file held that was looked at *at_ns*; not where it may have changed just then."""
        if at_ns - max(read[1], read[2]) > SETTLED_NS:
            self.known[str(path.absolute())] = [*read, sha256]
            self.changed = True

    def save(self) -> None:
        """Write what was learned, beside what other calls wrote meanwhile; drop the oldest."""
        if self.folder is None or not self.changed:
            return
        merged = _read_index(self.folder) | self.known
        if len(merged) > MOST:
            merged = dict(list(merged.items())[-MOST // 2 :])
        write(self.folder / INDEX, json.dumps(merged).encode())
        _prune(self.folder)


def _read_index(folder: Path | None) -> dict[str, list[Any]]:
    if folder is None:
        return {}
    try:
        found = json.loads((folder / INDEX).read_bytes())
    except (OSError, ValueError):
        return {}
    if not isinstance(found, dict):
        return {}
    return {path: entry for path, entry in found.items() if isinstance(entry, list) and len(entry) == 5}


def _prune(folder: Path) -> None:
    """Take the older half away where there are too many entries."""
    with contextlib.suppress(OSError):
        entries = [entry for entry in os.scandir(folder) if entry.name.endswith((SUFFIX, FATES))]
        if len(entries) > MOST:
            entries.sort(key=lambda entry: entry.stat().st_mtime_ns)
            for entry in entries[: len(entries) // 2]:
                Path(entry.path).unlink(missing_ok=True)
