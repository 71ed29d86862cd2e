"""Files to jobs: what is kept is exact and small, and nothing kept is believed that may be wrong."""

import os
import pathlib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from queue_world import job

from gcodetool import cachefile, profiles
from gcodetool.cachefile import seal
from gcodetool.gcode.program import read
from gcodetool.motion.feed import feed_of
from gcodetool.motion.timing import build_timeline
from gcodetool.profiles import sample_folder
from gcodetool.queue import job_cache, reading
from gcodetool.queue.executors import ProcessExecutor, SerialExecutor, WorkerDied
from gcodetool.queue.job_cache import decode, encode
from gcodetool.queue.job_list import from_paths
from gcodetool.queue.reading import Unreadable, Wanted, read_all
from gcodetool.queue.summary import JobSummary, ToolSummary, summarise

PETG = sample_folder() / "hose-clips-petg.gcode"
finite = st.floats(allow_nan=False, allow_infinity=False)
words = st.one_of(st.none(), st.text(max_size=12))
tools = st.builds(
    ToolSummary,
    st.integers(0, 9),
    finite,
    finite,
    finite,
    st.just(0),
    words,
    st.one_of(st.none(), finite),
    words,
)
jobs = st.builds(
    JobSummary,
    st.text("0123456789abcdef", min_size=8, max_size=8),
    st.just("Marlin"),
    words,
    st.integers(0, 10**6),
    finite,
    finite,
    finite,
    finite,
    st.lists(tools, max_size=3).map(tuple),
    st.lists(st.text(max_size=20), max_size=3).map(tuple),
    st.binary(max_size=64),
    st.lists(st.text(max_size=20), max_size=3).map(tuple),
)


def read_one(path: pathlib.Path, folder: pathlib.Path | None, **more) -> JobSummary | Unreadable:
    ((_, found),) = read_all([Wanted(path, **more)], SerialExecutor(), folder=folder)
    return found


@given(jobs)
def test_encoding_and_back_is_the_same(one) -> None:
    assert decode(encode(one)) == one


@given(jobs, st.data())
def test_damage_is_noticed(one, data) -> None:
    whole = bytearray(encode(one))
    at = data.draw(st.integers(0, len(whole) - 1))
    whole[at] ^= data.draw(st.integers(1, 255))
    assert decode(bytes(whole)) is None
    assert decode(encode(one)[:at]) is None


def test_a_summary_is_what_the_timeline_says() -> None:
    found = decode(encode(summarise(PETG, printer=None)))
    assert found is not None
    program = read(PETG)
    whole = build_timeline(program)
    feed, kept = feed_of(whole, program.facts.of_tool(0)), found.feed(0)
    assert kept.segments.tolist() == feed.segments.tolist()
    assert kept.layer.tolist() == feed.layer.tolist()
    for name in ("filament_mm", "extruding_s", "needed_s", "until_s", "material", "diameter_mm", "spool"):
        assert getattr(kept, name) == getattr(feed, name)
    assert found.sha256 == program.sha256
    assert (found.open_air_s, found.tools[0].needed_s) == (whole.open_air_s, whole.needed_s(0))
    assert len(encode(found)) < PETG.stat().st_size / 100  # columns, not moves


def test_a_file_read_before_is_not_read_again(tmp_path, monkeypatch) -> None:
    path, folder = job(tmp_path, "a.gcode"), tmp_path / "cache"
    os.utime(path, (1_700_000_000, 1_700_000_000))
    monkeypatch.setattr(job_cache, "SETTLED_NS", -(10**18))  # a file of this moment counts as settled
    first = read_one(path, folder)
    monkeypatch.setattr(reading, "summarise", lambda *_, **__: pytest.fail("read again"))
    assert read_one(path, folder) == first
    copy = tmp_path / "b.gcode"
    copy.write_bytes(path.read_bytes())
    assert read_one(copy, folder) == first  # by content
    monkeypatch.setattr(reading, "_sha256", lambda *_: pytest.fail("hashed again"))
    assert read_one(path, folder) == first  # by its marks alone


def test_another_content_another_printer_another_filament_are_read_anew(tmp_path) -> None:
    path, folder = job(tmp_path, "a.gcode"), tmp_path / "cache"
    first = read_one(path, folder)
    assert isinstance(first, JobSummary)
    machine = profiles.printer("bench-1")
    assert isinstance(timed := read_one(path, folder, printer=machine), JobSummary)
    assert timed.dialect != first.dialect
    read_one(path, folder, diameters=((0, 2.85),))
    assert len(list(folder.glob("*.job"))) == 3
    text = path.read_bytes()
    path.write_bytes(text.replace(b"X100.0", b"X101.0"))
    assert isinstance(changed := read_one(path, folder), JobSummary)
    assert changed.sha256 != first.sha256


@pytest.mark.parametrize("how", ["cut", "other", "empty", "folder", "huge"])
def test_a_damaged_cache_is_as_good_as_none(tmp_path, how, monkeypatch) -> None:
    path, folder = job(tmp_path, "a.gcode"), tmp_path / "cache"
    monkeypatch.setattr(job_cache, "SETTLED_NS", -(10**18))
    first = read_one(path, folder)
    (kept,) = folder.glob("*.job")
    whole = kept.read_bytes()
    if how == "cut":
        kept.write_bytes(whole[:-9])
    elif how == "other":
        kept.write_bytes(whole[:60] + b"?" + whole[61:])
    elif how == "empty":
        kept.write_bytes(b"")
    elif how == "huge":
        monkeypatch.setattr(cachefile, "LARGEST", 10)
    else:
        kept.unlink()
        kept.mkdir()
    (index,) = folder.glob("*.index")
    assert read_one(path, folder) == first
    for damaged in (b"{not json", b'{"x": 3}', index.read_bytes()[:-3], seal("paths/1", {str(path): [0]})):
        index.write_bytes(damaged)
        assert read_one(path, folder) == first


def test_a_folder_that_cannot_be_written_is_done_without(tmp_path) -> None:
    path = job(tmp_path, "a.gcode")
    (tmp_path / "file").write_text("")
    assert isinstance(read_one(path, tmp_path / "file" / "cache"), JobSummary)
    assert isinstance(read_one(path, None), JobSummary)


def test_the_cache_does_not_grow_without_end(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(job_cache, "MOST_JOBS", 4)
    monkeypatch.setattr(job_cache, "SETTLED_NS", -(10**18))
    folder = tmp_path / "cache"
    for number in range(8):
        read_one(job(tmp_path, f"part-{number}.gcode", words=f"; {number}\n"), folder)
    assert len(list(folder.glob("*.job"))) <= 4
    assert 0 < len(job_cache.Index(folder).known) <= 4


@pytest.mark.parametrize("how", ["longer", "as long, later", "touched"])
def test_a_file_that_changes_while_it_is_read_is_a_bad_row(tmp_path, monkeypatch, how) -> None:
    path = job(tmp_path, "a.gcode")
    real = reading.summarise

    def summarise(name, **more):
        found = real(name, **more)
        was = path.stat()
        text = path.read_bytes()
        if how == "longer":
            path.write_bytes(text + b"; more\n")
            os.utime(path, ns=(was.st_atime_ns, was.st_mtime_ns))
        elif how == "touched":
            os.utime(path, ns=(was.st_atime_ns, was.st_mtime_ns + 1_000_000))
        else:
            path.write_bytes(text.replace(b"Perimeter", b"PERIMETER"))
            os.utime(path, ns=(was.st_atime_ns, was.st_mtime_ns + 1_000_000))
        return found

    monkeypatch.setattr(reading, "summarise", summarise)
    found = read_one(path, tmp_path / "cache")
    assert isinstance(found, Unreadable)
    assert "changed while it was read" in found.text
    assert not list((tmp_path / "cache").glob("*.job"))


def test_a_fault_of_our_own_is_one_bad_row(tmp_path, monkeypatch) -> None:
    path = job(tmp_path, "a.gcode")

    def summarise(*_, **__):
        raise ZeroDivisionError("oh")

    monkeypatch.setattr(reading, "summarise", summarise)
    found = read_one(path, None)
    assert isinstance(found, Unreadable)
    assert "please report" in found.text


def test_many_files_come_once_each_from_any_executor(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(reading, "INLINE_BYTES", 0)
    monkeypatch.setattr(reading, "BATCH_FILES", 1)
    monkeypatch.setattr(ProcessExecutor, "_alone", lambda *_: pytest.fail("one by one, though nobody died"))
    for number in range(10):
        job(tmp_path, f"part-{number}.gcode", words=f"; {number}\n")
    wanted = [Wanted(request.path) for request in from_paths([tmp_path], printer=None).requests]
    seen: list[int] = []
    with ProcessExecutor(2) as executor:
        found = dict(read_all(wanted, executor, folder=tmp_path / "cache", progress=seen.append))
    assert found == dict(read_all(wanted, SerialExecutor(), folder=None))
    assert seen == list(range(1, 11))
    assert sorted(found) == list(range(10))


def test_folders_are_read_by_name_and_an_empty_one_is_said(tmp_path) -> None:
    from gcodetool.errors import QueueError

    job(tmp_path, "b.gcode")
    job(tmp_path, "a.GCODE")
    (tmp_path / ".hidden.gcode").write_text("")
    (tmp_path / "readme.txt").write_text("")
    assert [request.path.name for request in from_paths([tmp_path], printer=None).requests] == [
        "a.GCODE",
        "b.gcode",
    ]
    (tmp_path / "none").mkdir()
    with pytest.raises(QueueError, match="no sliced file"):
        from_paths([tmp_path / "none"], printer=None)


def test_a_file_that_kills_its_worker_is_one_bad_row(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(reading, "INLINE_BYTES", 0)
    for number in range(5):
        job(tmp_path, f"part-{number}.gcode")

    class Frail(SerialExecutor):
        """Workers that do not live through part-3."""

        def map_unordered(self, work, items):
            for at, tasks in enumerate(items):
                dies = any(task.wanted.path.name == "part-3.gcode" for task in tasks)
                yield at, WorkerDied() if dies else work(tasks)

    wanted = [Wanted(request.path) for request in from_paths([tmp_path], printer=None).requests]
    found = dict(read_all(wanted, Frail(), folder=None))
    assert [isinstance(found[at], JobSummary) for at in range(5)] == [True, True, True, False, True]
    assert "ended the worker twice" in found[3].text
