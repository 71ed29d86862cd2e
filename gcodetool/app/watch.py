"""A folder that is watched: which files in it are complete and not done yet, and what is done with each.

:class:`Arrivals` is told what happens to files and says which are complete; it knows no clock and no notifications.
:class:`DoneFile` keeps what was done over a restart.  Left out: where the news come from (``cli.watch``).
"""

import hashlib
import json
import os
import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from gcodetool.app.check import JobQuestion, Spools, Words, examine_job
from gcodetool.app.prepare import prepare
from gcodetool.app.resolve import find_printer, find_spool
from gcodetool.block.annotate import PrepareOptions
from gcodetool.errors import GcodeError, GcodetoolError, UsageError
from gcodetool.heldfile import flush, is_held
from gcodetool.judge.feed_air import place_at_feed
from gcodetool.judge.print_air import check_place
from gcodetool.ledger import records
from gcodetool.ledger.store import open_ledger, reading
from gcodetool.queue.job_list import is_job_name
from gcodetool.textfile import MOST_LOG, own_folder, read_bytes, read_text

if TYPE_CHECKING:
    from gcodetool.judge.findings import JobFindings

QUIET_S: Final = 2.0  # a file that nobody changed for so long, and that nobody has open, is complete
STALE_S: Final = 60.0  # whoever wrote it is taken to be done after that: not every change ends with a close


@dataclass(frozen=True)
class FileSign:
    """What a file is known again by, under another name too: its length, its last change, its number on its device."""

    size: int
    mtime_ns: int
    inode: int
    device: int = field(default=0, compare=False)  # may have another number after a restart


def sign_of(path: Path) -> FileSign | None:
    """Return the sign of a file; None where it is gone or no ordinary file."""
    try:
        found = path.stat()
    except OSError:
        return None
    return FileSign(found.st_size, found.st_mtime_ns, found.st_ino, found.st_dev) if path.is_file() else None


def being_written() -> set[tuple[int, int]]:
    """Return device and number of the files that a process has open for writing, as far as this system lets us see."""
    found = set()
    for handle in Path("/proc").glob("[0-9]*/fd/*") if sys.platform == "linux" else ():
        try:
            told = read_text(handle.parents[1].joinpath("fdinfo", handle.name), GcodeError, "open file")
            flags = told.split("flags:", 1)[1].split()[0]
            if int(flags, 8) & os.O_ACCMODE:
                opened = handle.stat()
                found.add((opened.st_dev, opened.st_ino))
        except (OSError, GcodeError, IndexError, ValueError):  # gone meanwhile, or another user's
            continue
    return found


@dataclass
class Arrivals:
    """Files on their way: since when each is as it is, and whether somebody writes it."""

    quiet_s: float = QUIET_S
    waiting: dict[Path, tuple[FileSign, float]] = field(default_factory=dict)
    written: set[Path] = field(default_factory=set)

    def seen(self, path: Path, now_s: float) -> None:
        """Note that a file is there, or has changed."""
        sign = sign_of(path) if is_job_name(path.name) else None
        if sign is None or not sign.size:  # an empty one is only begun
            self.waiting.pop(path, None)
        elif path not in self.waiting or self.waiting[path][0] != sign:
            self.waiting[path] = (sign, now_s)

    def opened(self, path: Path, now_s: float) -> None:
        """Note that somebody writes to a file: it is not complete before that ends."""
        self.written.add(path)
        self.seen(path, now_s)

    def closed(self, path: Path, now_s: float) -> None:
        """Note that whoever wrote a file has closed it, or that it was put there whole under this name."""
        self.written.discard(path)
        self.seen(path, now_s)

    def gone(self, path: Path) -> None:
        """Note that a file is no longer there."""
        self.waiting.pop(path, None)
        self.written.discard(path)

    def complete(self, now_s: float) -> list[tuple[Path, FileSign]]:
        """Return the files that are complete, the longest waiting first; they wait no longer."""
        found = []
        ripe = any(now_s - since_s >= self.quiet_s for _, since_s in self.waiting.values())
        held = being_written() if ripe else set()
        for path, (sign, since_s) in sorted(self.waiting.items(), key=lambda item: (item[1][1], item[0])):
            now = sign_of(path)
            if now is None:
                self.gone(path)
            elif now != sign:
                self.waiting[path] = (now, now_s)
            elif (sign.device, sign.inode) in held:
                continue
            elif now_s - since_s >= (STALE_S if path in self.written else self.quiet_s):
                found.append((path, sign))
                self.gone(path)
        return found


class DoneFile:
    """The files that were done, one line of JSON each; a line is on the disk before its answer is given."""

    def __init__(self, path: Path) -> None:
        """Read what an earlier run left; a line that a power cut broke off is passed over."""
        self.path = path
        self.signs: set[FileSign] = set()
        if path.exists():
            for line in read_bytes(path, GcodeError, "list of what was done", most=MOST_LOG).splitlines():
                self.signs |= _sign_in(line)

    def __contains__(self, sign: object) -> bool:
        return sign in self.signs

    def add(self, path: Path, sign: FileSign, said: str) -> None:
        """Note that a file was done, and what was said of it."""
        own_folder(self.path.parent)
        line = {
            "file": path.name,
            "size": sign.size,
            "mtime_ns": sign.mtime_ns,
            "inode": sign.inode,
            "said": said,
        }
        with os.fdopen(os.open(self.path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600), "ab") as file:
            file.write(json.dumps(line).encode() + b"\n")
            file.flush()
            flush(file.fileno())
        self.signs.add(sign)


def _sign_in(line: bytes) -> set[FileSign]:
    try:
        found = json.loads(line)
        return {FileSign(int(found["size"]), int(found["mtime_ns"]), int(found["inode"]))}
    except (ValueError, KeyError, TypeError):
        return set()


def done_file(folder: Path, out: Path | None) -> Path:
    """Return where it is kept what was done in a folder: in the user's own, one file for each pair of folders."""
    import platformdirs

    pair = f"{folder.resolve()}\n{'' if out is None else out.resolve()}"
    return (
        platformdirs.user_state_path("gcodetool")
        / "watch"
        / f"{hashlib.sha256(pair.encode()).hexdigest()[:16]}.jsonl"
    )


def check_folders(folder: Path, out: Path | None) -> None:
    """Refuse folders that cannot be watched and written to.

    Raises
    ------
    UsageError
        One is no folder, or what is written would be seen as new.
    """
    for word, each in (("", folder), ("--out ", out)):
        if each is not None and each.is_file():
            what = "name the folder that it is in, or call check or prepare" if not word else "name a folder"
            raise UsageError(f"{word}{each}: is a file, not a folder; {what}")
        if each is not None and not each.is_dir():
            raise UsageError(f"{word}{each}: no such folder; make it or name another")
    if out is not None and out.resolve() == folder.resolve():
        raise UsageError(f"--out {out} is the folder that is watched; name another one")


def check_names(spools: Spools, words: Words) -> None:
    """Refuse a printer, spools or places that there are not: at once, not with the first file, hours later.

    Raises
    ------
    UsageError, SpoolError, LedgerError
        As a check of a file would.
    """
    ledger = words.get("ledger")
    machine = find_printer(words.get("printer"), ledger=ledger)
    named = spools if isinstance(spools, Mapping) else {} if spools is None else {None: spools}
    also = tuple(name for name in (words.get("place"), words.get("feed")) if name is not None)
    found = [find_spool(word, ledger=ledger, also=(*machine.places, *also)) for word in named.values()]
    for spool in found:
        if (place := words.get("place")) is not None:
            check_place(spool, place)
        if (feed := words.get("feed")) is not None:
            place_at_feed(spool, feed)
    if not found and also:  # whose spools the files name, or the printer has
        with reading(open_ledger(ledger, make=False)) as conn:
            known = records.places(conn)
            for name in also:
                records.place(known, name)


def nothing_done(folder: Path, done: "DoneFile") -> str:
    """Return why there was nothing to do in a folder."""
    before = sum(is_job_name(path.name) and sign_of(path) in done for path in folder.iterdir())
    if not before:
        return f"{folder}: nothing to do: no job is in it"
    return (
        f"{folder}: nothing to do: {'its job was' if before == 1 else f'its {before} jobs were'} done before"
    )


@dataclass(frozen=True)
class FileAnswer:
    """What was done with one file: its findings, where it was written to, or why it could not be done.

    *held*: another program holds it open, so that it waits again.
    """

    path: Path
    findings: "JobFindings | None" = None
    target: Path | None = None
    error: str | None = None
    notes: tuple[str, ...] = ()
    held: bool = False


def answer(
    path: Path, spools: Spools, words: Words, out: Path | None, options: PrepareOptions
) -> FileAnswer | None:
    """Return the check of one file, or its preparation into *out*; None where it is gone meanwhile."""
    try:
        if out is None:
            seen = examine_job(path, JobQuestion(spools, **words))
            return FileAnswer(path, seen.findings, notes=seen.notes)
        target = out / path.name.removesuffix(".gz").removesuffix(".xz")
        done = prepare(path, spools, output=target, options=options, **words)
        return FileAnswer(path, done.findings, done.target, notes=done.notes)
    except GcodetoolError as error:
        if is_held(error.__cause__) and sign_of(path) is not None:
            return FileAnswer(path, held=True)
        return FileAnswer(path, error=str(error)) if path.exists() else None


def work(
    arrivals: Arrivals,
    done: DoneFile,
    now_s: float,
    answering: Callable[[Path], FileAnswer | None],
) -> Iterable[FileAnswer]:
    """Yield the answers to the files that are complete now and were not done before.

    A file that changes while it is read, or that another program holds, waits again: its answer is not given.
    """
    for path, sign in arrivals.complete(now_s):
        if sign in done:
            continue
        found = answering(path)
        if found is None:
            continue
        if found.held or sign_of(path) not in (sign, None):
            arrivals.seen(path, now_s)
            continue
        said = found.error if found.findings is None else found.findings.verdict
        done.add(path, sign, said or "")
        yield found
