"""The file that is written is the file that was read: a job that changes meanwhile is left as the other program left it."""

import gzip
import lzma
import os
import pathlib
import shutil
import sys
from collections.abc import Callable, Iterator

import pytest

from gcodetool.cli.main import outcome
from gcodetool.errors import GcodeError
from gcodetool.gcode.program import read

SAMPLES = pathlib.Path(__file__).parent / "data" / "gcode"
SMALL = SAMPLES / "a10-hose-marker-petg-two-colour-change-times.gcode.xz"
OTHER = SAMPLES / "a07-spacer-ring-petg-volumetric-crlf.gcode.xz"
OPTIONS = ["--at", "2026-11-25T09:00:00+01:00", "--members", "1"]
FORMS = ("plain", "gzip", "zip", "binary")


class Watcher:
    """What is to be done before the so-manieth opening of a file; openings are counted by the interpreter itself."""

    path = ""
    at = 0
    count = 0
    work: Callable[[], None] = staticmethod(lambda: None)  # type: ignore[assignment]

    @classmethod
    def saw(cls, event: str, arguments: tuple[object, ...]) -> None:
        if event == "open" and cls.path and str(arguments[0]) == cls.path:
            cls.count += 1
            if cls.count == cls.at:
                path, cls.path = cls.path, ""
                cls.work()
                cls.path = path


sys.addaudithook(Watcher.saw)


@pytest.fixture
def watching() -> Iterator[type[Watcher]]:
    yield Watcher
    Watcher.path = ""


def job_in(folder: pathlib.Path, form: str) -> pathlib.Path:
    folder.mkdir(exist_ok=True)
    if form in ("zip", "binary"):
        name = (
            "x02-drip-manifold-zip-container.gcode.3mf"
            if form == "zip"
            else "x01-spacer-rings-binary-container.bgcode"
        )
        return pathlib.Path(shutil.copy(SAMPLES / name, folder / name))
    text = lzma.decompress(SMALL.read_bytes())
    path = folder / "job.gcode"
    path.write_bytes(gzip.compress(text) if form == "gzip" else text)
    return path


def swap_before(watching: type[Watcher], job: pathlib.Path, at: int, work: Callable[[], None]) -> None:
    watching.path, watching.at, watching.count, watching.work = str(job), at, 0, staticmethod(work)  # type: ignore[assignment]


@pytest.mark.parametrize("form", FORMS)
def test_a_job_that_is_exported_again_meanwhile_is_never_cut_into(
    form: str,
    tmp_path: pathlib.Path,
    watching: type[Watcher],
    capsys: pytest.CaptureFixture[str],
) -> None:
    job = job_in(tmp_path / "spool", form)
    old, new = job.read_bytes(), lzma.decompress(OTHER.read_bytes())

    def export_again() -> None:
        beside = job.with_name("beside")
        beside.write_bytes(new)
        beside.replace(job)

    target = tmp_path / ("out" + "".join(job.suffixes))
    at = 0
    while True:
        at += 1
        job.write_bytes(old)
        swap_before(watching, job, at, export_again)
        words = ["--in-place"] if at % 2 else ["-o", str(target)]
        code = outcome(["prepare", *words, str(job), *OPTIONS])
        watching.path = ""
        said = capsys.readouterr()
        if watching.count < at:  # it was not opened so often
            break
        assert code == 1, (at, said)
        assert said.err.count("\n") == 1
        assert job.read_bytes() == new
        assert not target.exists()
    assert at > 4  # both ends, digest, scan, writing
    assert code == 0


@pytest.mark.parametrize("form", FORMS)
def test_a_change_in_place_that_hides_its_time_is_noticed_by_the_digest(
    form: str, tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from gcodetool.app import prepare

    job = job_in(tmp_path, form)
    found = job.stat()
    changed = bytearray(job.read_bytes())
    changed[-1] ^= 1
    examine = prepare.examine_job

    def then_changed(*given: object, **words: object) -> object:
        seen = examine(*given, **words)  # type: ignore[arg-type]
        job.write_bytes(changed)
        os.utime(job, ns=(found.st_atime_ns, found.st_mtime_ns))
        return seen

    monkeypatch.setattr(prepare, "examine_job", then_changed)
    assert outcome(["prepare", "--in-place", str(job), *OPTIONS]) == 1
    assert job.read_bytes() == changed
    assert capsys.readouterr().err.count("\n") == 1


def test_a_check_of_a_job_that_is_exported_again_meanwhile_says_so(
    tmp_path: pathlib.Path, watching: type[Watcher], capsys: pytest.CaptureFixture[str]
) -> None:
    job = job_in(tmp_path, "plain")
    text = job.read_bytes()
    swap_before(watching, job, 4, lambda: job.write_bytes(text + b"G1 X1\n") and None)
    assert outcome(["check", str(job), *OPTIONS]) == 1
    assert "run this again" in capsys.readouterr().err


def test_a_digest_of_other_bytes_than_were_read_is_refused(
    tmp_path: pathlib.Path, watching: type[Watcher]
) -> None:
    """The digest is worked out beside the scan, and may be the last to open the file."""
    job = job_in(tmp_path, "plain")
    program = read(job)
    swap_before(watching, job, 1, lambda: job.write_bytes(job.read_bytes() + b"G1 X1\n") and None)
    with pytest.raises(GcodeError, match="while it was being read"):
        _ = program.sha256
