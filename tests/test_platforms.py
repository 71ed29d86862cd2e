"""What other systems do otherwise, made here: names that `os` lacks, files that others hold, patterns, zones, line ends.

No machine with Windows stands behind these tests: they hold what is known of it (`docs/platforms.md` says what was tried
where).
"""

import errno
import os
import pathlib
import time
from collections.abc import Callable, Iterator

import pytest

from gcodetool import heldfile, moments
from gcodetool.app import watch
from gcodetool.cli.main import expanded, outcome
from gcodetool.errors import GcodeError, WriteError
from gcodetool.gcode import edits
from gcodetool.gcode.source import sniff
from gcodetool.ledger import exchange
from gcodetool.ledger.store import open_ledger
from gcodetool.profiles import sample_folder
from gcodetool.textfile import read_text

# What Python's documentation marks as "Unix" among what anything here may touch.
UNIX_ALONE = (
    "O_CLOEXEC",
    "O_NONBLOCK",
    "O_ACCMODE",
    "O_DIRECTORY",
    "O_NOFOLLOW",
    "chown",
    "fchmod",
    "fchown",
)
UNIX_ALONE += (
    "geteuid",
    "getgid",
    "fork",
    "killpg",
    "lchown",
    "mkfifo",
    "sched_getaffinity",
)  # pytest needs getuid


class HeldError(PermissionError):
    """What Windows says of a file that another program holds open."""

    winerror = 32


def held_here() -> set[tuple[int, int]]:
    """Return device and number of the files that this process has open."""
    found = set()
    for handle in pathlib.Path("/proc/self/fd").iterdir():
        try:
            seen = handle.stat()
        except OSError:
            continue
        found.add((seen.st_dev, seen.st_ino))
    return found


@pytest.fixture
def like_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take from `os` what Windows lacks, and let no open file be renamed or removed."""
    if not pathlib.Path("/proc/self/fd").is_dir():
        pytest.skip("this system does not tell which files a process has open")

    def guarded(done: Callable[..., None], how_many: int) -> Callable[..., None]:
        def instead(*paths: object, **more: object) -> None:
            for path in paths[:how_many]:
                try:
                    seen = pathlib.Path(str(path)).stat()
                except OSError:
                    continue
                if (seen.st_dev, seen.st_ino) in held_here():
                    raise HeldError(errno.EACCES, "The process cannot access the file", str(path))
            done(*paths, **more)

        return instead

    def fsync(handle: int, real: Callable[[int], None] = os.fsync) -> None:
        flags = pathlib.Path(f"/proc/self/fdinfo/{handle}").read_text().split("flags:", 1)[1].split()[0]
        if int(flags, 8) & 3 == 0:  # for reading alone
            raise OSError(errno.EBADF, "Bad file descriptor")
        real(handle)

    for name, count in (("replace", 2), ("rename", 2), ("unlink", 1), ("remove", 1)):
        monkeypatch.setattr(os, name, guarded(getattr(os, name), count))
    monkeypatch.setattr(os, "fsync", fsync)
    monkeypatch.setattr(edits, "fcntl", None)
    for name in UNIX_ALONE:
        monkeypatch.delattr(os, name, raising=False)


def story(tmp_path: pathlib.Path) -> Iterator[tuple[list[str], int]]:
    """Yield calls of an evening, and how each must end."""
    samples, ledger = sample_folder(), str(tmp_path / "shelf" / "ledger.sqlite")
    job, record = str(samples / "spacer-rings-pla.gcode"), str(samples / "shelf" / "pla-11.toml")
    few = ["--members", "2", "--at", "2026-11-25T09:00+01:00"]
    yield ["check", job, "--spool", record, *few], 10
    yield ["prepare", job, "--spool", record, *few, "-o", str(tmp_path / "rings.gcode")], 0
    yield ["review", job, "--spool", record, *few, "-o", str(tmp_path / "rings.html")], 0
    yield (
        [
            "place",
            "add",
            "bench",
            "--kind",
            "open",
            "--temperature",
            "22",
            "--humidity",
            "48",
            "--ledger",
            ledger,
        ],
        0,
    )
    yield (
        [
            "spool",
            "add",
            "pla-1",
            "--material",
            "PLA",
            "--net-mass",
            "1000",
            "--place",
            "bench",
            "--ledger",
            ledger,
        ],
        0,
    )
    yield ["spool", "list", "--ledger", ledger], 0
    yield ["ledger", "check", "--ledger", ledger], 0
    yield ["ledger", "backup", "-o", str(tmp_path / "copy.sqlite"), "--ledger", ledger], 0
    yield ["ledger", "backup", "-o", str(tmp_path / "copy.sqlite"), "--ledger", ledger], 0
    yield ["ledger", "restore", str(tmp_path / "copy.sqlite"), "--ledger", ledger], 0


def test_an_evening_without_what_unix_alone_has(like_windows, tmp_path, capsys) -> None:
    for words, code in story(tmp_path):
        found = outcome(words)
        said = capsys.readouterr()
        assert found == code, f"{words}: {said.err}"
        assert "a fault in gcodetool itself" not in said.err
    assert not [path.name for path in tmp_path.rglob("*") if path.name.startswith(".")], "something was left"


# ---------------------------------------------------------------- files that another program holds


@pytest.fixture
def busy(monkeypatch: pytest.MonkeyPatch) -> Callable[[int], list[float]]:
    """Give a function after which so many replaces meet a target that is held; it returns the waits, none of them real."""

    def hold(times: int) -> list[float]:
        left, waits, real = [times], [], os.replace

        def replace(*paths: object, **more: object) -> None:
            if left[0]:
                left[0] -= 1
                raise HeldError(errno.EACCES, "The process cannot access the file")
            real(*paths, **more)  # type: ignore[arg-type]

        monkeypatch.setattr(os, "replace", replace)
        monkeypatch.setattr(time, "sleep", waits.append)
        return waits

    return hold


def test_a_target_that_is_held_for_a_moment_is_replaced_in_the_end(busy, tmp_path) -> None:
    target = tmp_path / "job.gcode"
    target.write_bytes(b"old\r\n")
    waits = busy(3)
    edits.write_atomic(target, [b"new\r\n"])
    assert target.read_bytes() == b"new\r\n"
    assert waits == list(heldfile.WAITS_S[:3])


def test_a_target_that_stays_held_is_as_it_was_and_one_line_says_why(busy, tmp_path) -> None:
    target = tmp_path / "job.gcode"
    target.write_bytes(b"old")
    busy(1000)
    with pytest.raises(WriteError, match="another program holds it open; close it there") as said:
        edits.write_atomic(target, [b"new"])
    assert "\n" not in str(said.value)
    assert target.read_bytes() == b"old"
    assert [path.name for path in tmp_path.iterdir()] == ["job.gcode"]


def test_what_is_forbidden_for_good_is_not_tried_again(monkeypatch, tmp_path) -> None:
    def replace(*_: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(os, "replace", replace)
    monkeypatch.setattr(time, "sleep", lambda _: pytest.fail("waited"))
    with pytest.raises(WriteError, match="no permission to write in that folder"):
        edits.write_atomic(tmp_path / "job.gcode", [b"new"])


def test_what_a_killed_run_left_is_swept_without_locks_too(monkeypatch, tmp_path) -> None:
    old, young, open_one = (tmp_path / f".gcodetool-{name}.tmp" for name in ("old", "young", "open"))
    for path in (old, young, open_one):
        path.write_bytes(b"half")
    for path in (old, open_one):
        os.utime(path, (0, 0))
    real = os.unlink

    def unlink(path: object, **more: object) -> None:
        if str(path) == str(open_one):
            raise HeldError(errno.EACCES, "The process cannot access the file")
        real(path, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(edits, "fcntl", None)
    monkeypatch.setattr(os, "unlink", unlink)
    edits.write_atomic(tmp_path / "job.gcode", [b"new"])
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(
        [young.name, open_one.name, "job.gcode"]
    )


def test_a_file_that_cannot_be_read_now_is_said_to_be_held(monkeypatch, tmp_path) -> None:
    path = tmp_path / "job.gcode"
    path.write_bytes(b"G1 X1\n")

    def refuse(*_: object, **__: object) -> int:
        raise HeldError(errno.EACCES, "The process cannot access the file", str(path))

    monkeypatch.setattr(os, "open", refuse)
    for read in (lambda: sniff(path), lambda: read_text(path, GcodeError, "job")):
        with pytest.raises(GcodeError, match="another program holds it open"):
            read()


def test_a_watched_file_that_is_held_waits_and_is_not_done_with_an_error(tmp_path) -> None:
    path = tmp_path / "a.gcode"
    path.write_bytes(b"G1 X1 E1\n")
    arrivals, done = watch.Arrivals(), watch.DoneFile(tmp_path / "done.jsonl")
    arrivals.seen(path, 0.0)
    answers = [watch.FileAnswer(path, held=True), watch.FileAnswer(path, error="no job")]
    assert list(watch.work(arrivals, done, 100.0, lambda _: answers[0])) == []
    assert list(watch.work(arrivals, done, 200.0, lambda _: answers[1])) == [answers[1]]
    assert list(watch.work(arrivals, done, 300.0, lambda _: pytest.fail("twice"))) == []


# ---------------------------------------------------------------- disks, names of files


def test_what_is_written_goes_through_the_disks_own_cache_where_the_system_has_a_call_for_it(
    monkeypatch, tmp_path
) -> None:
    asked = []

    class Mac:
        F_FULLFSYNC = 51

        @staticmethod
        def fcntl(handle: int, what: int) -> None:
            asked.append(what)
            if len(asked) > 1:
                raise OSError(errno.ENOTSUP, "Operation not supported")  # a disk of the network

    plain, real = [], os.fsync
    monkeypatch.setattr(heldfile, "fcntl", Mac)
    monkeypatch.setattr(os, "fsync", lambda handle: (plain.append(handle), real(handle)))
    with (tmp_path / "a").open("wb") as file:
        heldfile.flush(file.fileno())
        assert (asked, plain) == ([51], [])
        heldfile.flush(file.fileno())
        assert (asked, plain) == ([51, 51], [file.fileno()])
    edits.write_atomic(tmp_path / "job.gcode", [b"new"])
    heldfile.on_disk(tmp_path / "a")
    assert len(asked) == 4


def test_logs_of_places_that_differ_in_case_alone_and_of_a_spool_called_con_are_files_of_their_own(
    tmp_path, monkeypatch
) -> None:
    monkeypatch.setenv("GCODETOOL_LEDGER", str(tmp_path / "ledger.sqlite"))
    at = ["--at", "2026-11-02T08:00Z"]
    for place in ("box", "Box"):
        words = ["--kind", "open", "--temperature", "22", "--humidity", "50"]
        assert outcome(["place", "add", place, *words, *at]) == 0
        assert outcome(["place", "read", place, "--humidity", "48", *at]) == 0
    assert outcome(["spool", "add", "con", "--material", "PLA", "--place", "box", *at]) == 0
    assert outcome(["spool", "move", "con", "Box", "--at", "2026-11-03T08:00Z"]) == 0
    found = exchange.export(open_ledger(str(tmp_path / "ledger.sqlite")), "con").logs
    assert len({name.casefold() for name in found}) == 2
    assert all(name.startswith("spool-con.") for name in found)


# ---------------------------------------------------------------- patterns, zones, line ends


def test_patterns_of_files_are_expanded_where_the_shell_does_not(tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("b.gcode", "a.gcode", "part[1].gcode", "c.txt"):
        (tmp_path / name).touch()
    assert expanded(["queue", "*.gcode"]) == ["queue", "a.gcode", "b.gcode", "part[1].gcode"]
    assert expanded(["check", "part[1].gcode", "part[1]*"]) == ["check", "part[1].gcode", "part[1].gcode"]
    assert expanded(["check", "x*.gcode", "--spool", "a?b"]) == ["check", "x*.gcode", "--spool", "a?b"]
    assert expanded(["limits", "show", "--out=*.gcode"]) == ["limits", "show", "--out=*.gcode"]


@pytest.fixture
def long_zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Give the clock's zone a long name, as Windows does."""
    monkeypatch.setenv("TZ", "<WestEuropeanNormalTime>-1")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def test_a_zone_with_a_long_name_is_printed_as_its_offset_and_read_back(long_zone) -> None:
    at_s = 1793700000.0
    printed = moments.wall(at_s)
    assert printed.endswith(" +01:00")
    assert printed.isascii()
    assert moments.moment(printed, now_s=at_s).at_s == at_s


def test_files_with_windows_line_ends_say_the_same(tmp_path, capsys) -> None:
    samples = sample_folder()
    job, record = samples / "spacer-rings-pla.gcode", samples / "shelf" / "pla-11.toml"
    for path in (job, record):
        data = path.read_bytes().replace(b"\r\n", b"\n").replace(b"\n", b"\r\n")
        (tmp_path / path.name).write_bytes(b"\xef\xbb\xbf" + data if path is record else data)
    words = ["--members", "2", "--at", "2026-11-25T09:00+01:00"]
    said = []
    for one, other in ((job, record), (tmp_path / job.name, tmp_path / record.name)):
        outcome(["check", str(one), "--spool", str(other), *words])
        text = capsys.readouterr().out
        said.append([line for line in text.splitlines() if one.name not in line and "job  " not in line][:12])
    assert said[0] == said[1]
    words += ["-o", str(tmp_path / "out.gcode")]
    outcome(["prepare", str(tmp_path / job.name), "--spool", str(tmp_path / record.name), *words])
    written = (tmp_path / "out.gcode").read_bytes()
    assert written.count(b"\n") == written.count(b"\r\n")
