"""Opening files: what they are is told by their bytes; what they cannot be is said in one line."""

import gzip
import hashlib
import lzma
import os
import pathlib
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool.errors import GcodeError
from gcodetool.gcode import source

SAMPLES = pathlib.Path(__file__).parent / "data" / "gcode"


def refusal(path):
    with pytest.raises(GcodeError) as caught:
        b"".join(source.sniff(path).blocks())
    text = str(caught.value)
    assert "\n" not in text
    assert text.startswith(f"{path}: ")
    return text.removeprefix(f"{path}: ")


@given(st.lists(st.binary(max_size=40), max_size=30), st.integers(1, 64))
def test_blocks_are_the_file_cut_at_line_ends(tmp_path_factory, lines, size):
    path = tmp_path_factory.mktemp("job") / "job"
    text = b"\n".join([b"; job", *(line.replace(b"\0", b"") for line in lines)])
    path.write_bytes(text)
    try:
        opened = source.sniff(path)
    except GcodeError as error:  # a container's magic in the first line cannot come up: it is "; job"
        raise AssertionError from error
    blocks = list(opened.blocks(size))
    assert b"".join(blocks) == text
    assert all(block.endswith(b"\n") for block in blocks[:-1])
    assert all(blocks)


@pytest.mark.parametrize("pack", [bytes, gzip.compress, lzma.compress], ids=["plain", "gzip", "xz"])
def test_packed_files_read_like_plain_ones_under_any_name(tmp_path, pack):
    text = b"; job\n" + b"".join(b"G1 X%d Y%d E.5\n" % (step % 200, step % 190) for step in range(90_000))
    path = tmp_path / "no-ending-at-all"
    path.write_bytes(pack(text))
    opened = source.sniff(str(path))
    assert b"".join(opened.blocks()) == text
    assert text.startswith(opened.head)
    assert text.endswith(opened.tail)
    assert (len(opened.head), len(opened.tail)) > (500_000, 250_000)
    assert opened.head.endswith(b"\n")
    assert opened.tail.startswith(b"G1 X")
    assert opened.size == path.stat().st_size
    assert opened.sha256() == hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_short_file_is_all_head_and_all_tail(tmp_path):
    path = tmp_path / "short.gcode"
    path.write_bytes(b"G28\nG1 X1")
    opened = source.sniff(path)
    assert (opened.head, opened.tail) == (b"G28\nG1 X1", b"G28\nG1 X1")


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "is empty"),
        (gzip.compress(b"", mtime=0), "holds no text"),
        (b"G28\n\0\1\2", "is a binary file"),
        (b"\x7fELF\2\1\1\0", "is a binary file"),
        ("G28\n".encode("utf-16"), "is UTF-16 text"),
        (gzip.compress(b"GCDE\1\0", mtime=0), "is binary G-code"),
        (gzip.compress(b"G1 X1\n" * 9999, mtime=0)[:-20], "compressed data are damaged or cut off"),
        (lzma.compress(b"G1 X1\n" * 9999)[:-20], "compressed data are damaged or cut off"),
        (b"\x1f\x8b\x08" + b"junk" * 9, "compressed data are damaged or cut off"),
        (b"X" * (9 << 20), "a line of more than 8 MiB"),
    ],
)
def test_what_is_no_gcode_is_refused(tmp_path, content, says):
    path = tmp_path / "job.gcode"
    path.write_bytes(content)
    assert says in refusal(path)


def test_paths_that_cannot_be_read(tmp_path):
    assert refusal(tmp_path / "absent.gcode").startswith("no such file")
    assert refusal(tmp_path).startswith("is a folder")
    assert refusal(tmp_path / "file" / "below").startswith("no such file")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe")
        assert refusal(tmp_path / "pipe").startswith("is not a regular file")


@pytest.mark.skipif(sys.platform == "win32" or os.getuid() == 0, reason="root may read everything")
def test_a_file_without_permission(tmp_path):
    path = tmp_path / "secret.gcode"
    path.write_bytes(b"G28\n")
    path.chmod(0)
    assert refusal(path).startswith("may not be read")


def test_a_file_that_goes_away_or_cannot_be_opened_says_so(tmp_path, monkeypatch):
    path = tmp_path / "job.gcode"
    path.write_bytes(b"G28\n")
    opened = source.sniff(path)
    path.unlink()
    with pytest.raises(GcodeError, match="no such file"):
        list(opened.blocks())
    path.write_bytes(b"G28\n")

    def denied(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "open", denied)
    assert refusal(path).startswith("may not be read")
