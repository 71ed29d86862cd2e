"""Jobs read before, kept in the user's cache folder: by content and limits, written whole or not at all.

A job's key is the digest of its bytes and of all that its times rest on: the printer's limits, the filament's
diameter, the code that does the timing.  An index remembers which content a path held, so an untouched
file is not read again: path, size, inode and both times must be as they were.  Whatever is damaged,
unreadable or cannot be written counts as not there.
"""

import functools
import hashlib
import os
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from gcodetool.cachefile import CacheFolder, code_in, seal, stamp_of, unseal
from gcodetool.queue import summary
from gcodetool.queue.from_facts import built
from gcodetool.queue.summary import JobSummary

if TYPE_CHECKING:
    from gcodetool.profiles import Printer

FOLDER: Final = "GCODETOOL_CACHE"  # another folder than the user's; empty: none
KIND: Final = "job/2"
MOST_JOBS: Final = 20_000  # jobs; beyond it the older half goes
SETTLED_NS: Final = 2_000_000_000  # a file touched this shortly before its reading may change without a trace
INDEX: Final = "paths"
INDEX_KIND: Final = "paths/2"

Signature = tuple[int, int, int, int]


def user_folder() -> Path | None:
    """Return the folder for what was read before; None: the environment says that there is none."""
    stated = os.environ.get(FOLDER)
    if stated is not None:
        return Path(stated) / "queue" if stated else None
    import platformdirs

    return Path(platformdirs.user_cache_dir("gcodetool")) / "queue"


@functools.cache
def reading_stamp() -> str:
    """Return what changes when the code changes that reads and times jobs, and says what is odd about them."""
    return stamp_of([Path(summary.__file__), *code_in("gcode", "motion")])


def limits_stamp(printer: "Printer | None", diameters: dict[int, float] | None, build: str) -> str:
    """Return the digest of all but the content that a job's times rest on."""
    bare = None if printer is None else replace(printer, path=None, note=None)
    wound = sorted((diameters or {}).items())
    return hashlib.sha256(f"{build}\n{bare!r}\n{wound!r}".encode()).hexdigest()


class LimitStamps:
    """The same for many files, worked out once for each printer and diameters."""

    def __init__(self) -> None:
        self._build, self._known = reading_stamp(), dict[Any, str]()

    def of(self, printer: "Printer | None", diameters: tuple[tuple[int, float], ...]) -> str:
        """Return the digest for a printer, with what its tools' filaments measure."""
        machine = (id(printer), diameters)
        if machine not in self._known:
            self._known[machine] = limits_stamp(printer, dict(diameters), self._build)
        return self._known[machine]


def job_key(sha256: str, stamp: str) -> str:
    """Return the key of a content under limits."""
    return hashlib.sha256(f"{sha256} {stamp}".encode()).hexdigest()


def signature(path: Path) -> Signature:
    """Return what tells that a file was not touched: size, both times, inode."""
    found = path.stat()
    return found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino


def jobs_in(folder: Path | None) -> CacheFolder:
    """Return the jobs kept in *folder*."""
    return CacheFolder(folder, ".job")


def encode(job: JobSummary) -> bytes:
    """Return the job as bytes."""
    facts = asdict(replace(job, columns=b""))
    del facts["columns"]
    return seal(KIND, facts, job.columns)


def decode(data: bytes | None) -> JobSummary | None:
    """Return the job in *data*; None where it is damaged or of another version."""
    return unseal(KIND, data, _job)


def _job(facts: dict[str, Any], columns: bytes) -> JobSummary:
    return built(JobSummary, {**facts, "columns": columns})


class Index:
    """Which content each path held when it was last read."""

    def __init__(self, folder: Path | None) -> None:
        self.folder = folder
        self.known: dict[str, list[Any]] = _read_index(folder)
        self.changed = False
        self._here = Path.cwd()

    def digest(self, path: Path, now: Signature) -> str | None:
        """Return the digest of a file that was not touched since it was read; None: nobody knows."""
        entry = self.known.get(self._name(path))
        return str(entry[4]) if entry is not None and tuple(entry[:4]) == now else None

    def note(self, path: Path, read: Signature, sha256: str, *, at_ns: int) -> None:
        """Remember what a file held that was looked at *at_ns*; not where it may have changed just then."""
        if at_ns - max(read[1], read[2]) > SETTLED_NS:
            self.known[self._name(path)] = [*read, sha256]
            self.changed = True

    def _name(self, path: Path) -> str:
        """Return a path as it is kept: absolute."""
        return os.path.join(self._here, path)  # noqa: PTH118  a third of what pathlib takes, for each file of a list

    def save(self) -> None:
        """Write what was learned, beside what other calls wrote meanwhile; drop the oldest."""
        if self.folder is None or not self.changed:
            return
        merged = _read_index(self.folder) | self.known
        if len(merged) > MOST_JOBS:
            merged = dict(list(merged.items())[-MOST_JOBS // 2 :])
        CacheFolder(self.folder, ".index").put(INDEX, seal(INDEX_KIND, merged))
        jobs_in(self.folder).prune(MOST_JOBS)


def _read_index(folder: Path | None) -> dict[str, list[Any]]:
    return unseal(INDEX_KIND, CacheFolder(folder, ".index").get(INDEX), lambda facts, _: facts) or {}
