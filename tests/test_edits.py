"""Edits: regions in and out, other bytes untouched, files whole or as they were."""

import os
import pathlib
import stat
import subprocess
import sys
import textwrap

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool.errors import GcodeError, WriteError
from gcodetool.gcode import edits
from gcodetool.gcode.edits import Edit, insertion, region, strip_regions, write_atomic

line_bodies = st.binary(max_size=12).map(lambda body: body.replace(b"\n", b" "))


@st.composite
def texts(draw):
    """Files: LF or CRLF, with or without a last line end, stray bytes, lone CRs."""
    end = draw(st.sampled_from([b"\n", b"\r\n"]))
    lines = draw(st.lists(line_bodies, min_size=1, max_size=12))
    text = b"".join(line + end for line in lines)
    return text if draw(st.booleans()) else text[: -len(end)] or b"x"


def line_starts(text):
    return [0] + [at + 1 for at, byte in enumerate(text) if byte == 10 and at + 1 < len(text)]


@st.composite
def blocks_of(draw, text):
    """*text* in pieces that end on line ends, as the source hands them over."""
    cuts = sorted(set(draw(st.lists(st.sampled_from(line_starts(text)), max_size=4))) | {0})
    return [text[a:b] for a, b in zip(cuts, [*cuts[1:], len(text)], strict=True)]


@given(st.data(), texts())
def test_regions_taken_out_give_the_input_back(data, text):
    places = sorted(data.draw(st.lists(st.sampled_from(line_starts(text)), max_size=4)))
    what = st.sampled_from(edits.WHATS)
    inner = st.lists(st.sampled_from(["G1 E5", "; text", "M117 Look", ""]), max_size=3)
    newline = edits.newline_of(text)
    wanted = [insertion(place, data.draw(what), data.draw(inner), newline=newline) for place in places]
    prepared = b"".join(edits.apply(data.draw(blocks_of(text)), wanted))
    assert prepared.count(b"; gcodetool:begin ") == len(wanted)
    assert b"".join(strip_regions(data.draw(blocks_of(prepared)))) == text
    if newline == b"\r\n":  # a CRLF file stays one throughout
        assert prepared.count(b"\n") - text.count(b"\n") == prepared.count(b"\r\n") - text.count(b"\r\n")


@given(st.data(), texts())
def test_every_byte_that_no_edit_names_is_kept(data, text):
    cuts = sorted(data.draw(st.lists(st.integers(0, len(text)), max_size=8)))
    pairs = list(zip(cuts[::2], cuts[1::2], strict=False))
    wanted = [Edit(start, stop, data.draw(st.binary(max_size=5)), "any") for start, stop in pairs]
    expected, last = b"", 0
    for edit in wanted:
        expected += text[last : edit.start] + edit.replacement
        last = edit.stop
    size = data.draw(st.integers(1, 7))
    pieces = [text[at : at + size] for at in range(0, len(text), size)]
    assert b"".join(edits.apply(pieces, wanted)) == expected + text[last:]


def test_insertions_at_one_place_keep_their_order():
    two = [Edit(2, 2, b"A", ""), Edit(2, 2, b"B", ""), Edit(2, 3, b"C", "")]
    assert b"".join(edits.apply([b"0", b"12", b"34"], two)) == b"01ABC34"
    assert b"".join(edits.apply([b"01"], [Edit(2, 2, b"end", "")])) == b"01end"


@pytest.mark.parametrize(
    "wrong",
    [
        [Edit(3, 3, b"", ""), Edit(1, 1, b"", "")],
        [Edit(0, 3, b"", ""), Edit(2, 4, b"", "")],
        [Edit(3, 2, b"", "")],
        [Edit(9, 9, b"x", "")],
        [Edit(3, 9, b"x", "")],
    ],
)
def test_edits_that_do_not_fit_are_refused(wrong):
    with pytest.raises(ValueError, match=r"overlaps|past the end"):
        list(edits.apply([b"0123", b"45"], wrong))


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        (b"G28\n; gcodetool:begin header\nG1\n", 2, "does not end"),
        (b"G28\n; gcodetool:end header\n", 2, "was not open"),
        (
            b"; gcodetool:begin header\n; gcodetool:begin header\n; gcodetool:end header\n",
            2,
            "inside the one of line 1",
        ),
        (b"; gcodetool:begin header\n; gcodetool:end layer-note\n", 2, "was not open"),
        (b"G28\nG1 X5 ; gcodetool:begin header\n", 2, "inside a longer line"),
        (b"; gcodetool:begin header and more\n", 1, "inside a longer line"),
        (b"; gcodetool:begin poem\n; gcodetool:end poem\n", 1, "unknown region 'poem'"),
    ],
)
def test_marks_that_somebody_edited_are_refused_with_their_line(text, line, says):
    with pytest.raises(GcodeError, match=says) as caught:
        list(strip_regions([text], name="clip.gcode"))
    assert str(caught.value).startswith(f"clip.gcode:{line}: ")
    assert "\n" not in str(caught.value)


def test_lines_are_counted_over_blocks():
    with pytest.raises(GcodeError, match=r"^clip.gcode:4: "):
        list(strip_regions([b"G28\nG29\n", b"G1\n; gcodetool:end header\n"], name="clip.gcode"))


def test_a_line_is_named_alike_whether_counted_on_the_way_or_asked_for():
    pieces = [b"G28\nG29\n", b"G1\nG1\n; gcodetool:end header\n"]
    text = b"".join(pieces)
    for asked in (None, lambda size: text[:size].count(b"\n")):
        with pytest.raises(GcodeError) as told:
            list(strip_regions(pieces, name="clip.gcode", lines_before=asked))
        assert str(told.value).startswith("clip.gcode:5: ")


@pytest.mark.parametrize(
    ("what", "lines"),
    [("poem", []), ("header", ["a\nb"]), ("header", ["; é"]), ("header", ["; gcodetool:end header"])],
)
def test_what_cannot_stand_in_a_region(what, lines):
    with pytest.raises(ValueError, match="region"):
        region(what, lines)


# --- writing ------------------------------------------------------------------------------------


def test_a_file_is_written_whole_with_mode_and_owner_kept(tmp_path):
    target = tmp_path / "clip.gcode"
    target.write_bytes(b"old")
    target.chmod(0o640)
    before = target.stat()
    write_atomic(target, [b"ne", b"w"])
    assert target.read_bytes() == b"new"
    assert stat.S_IMODE(target.stat().st_mode) == 0o640
    assert (target.stat().st_uid, target.stat().st_gid) == (before.st_uid, before.st_gid)
    assert [each.name for each in tmp_path.iterdir()] == ["clip.gcode"]


def test_a_new_file_has_the_mode_that_any_program_gives(tmp_path):
    write_atomic(tmp_path / "new.gcode", [b"x"])
    (tmp_path / "plain").write_bytes(b"x")
    assert (tmp_path / "new.gcode").stat().st_mode == (tmp_path / "plain").stat().st_mode


def test_the_owner_is_kept_where_the_system_allows(tmp_path):
    if os.geteuid() != 0:
        pytest.skip("only root may give files away")
    target = tmp_path / "clip.gcode"
    target.write_bytes(b"old")
    os.chown(target, 12345, 12345)
    target.chmod(0o4640)
    write_atomic(target, [b"new"])
    assert (target.stat().st_uid, target.stat().st_gid) == (12345, 12345)
    assert stat.S_IMODE(target.stat().st_mode) == 0o4640


def test_behind_a_link_is_what_it_points_to(tmp_path):
    real = tmp_path / "real" / "clip.gcode"
    real.parent.mkdir()
    real.write_bytes(b"old")
    link = tmp_path / "link.gcode"
    link.symlink_to(real)
    write_atomic(link, [b"new"])
    assert link.is_symlink()
    assert real.read_bytes() == b"new"


class Stop(BaseException):
    """Stands for whatever may end a program."""


@pytest.mark.parametrize(
    "error", [KeyboardInterrupt, Stop, GcodeError, OSError(28, "No space left on device")]
)
def test_whatever_goes_wrong_half_way_the_target_is_as_it_was(tmp_path, error):
    target = tmp_path / "clip.gcode"
    target.write_bytes(b"old")

    def chunks():
        yield b"half"
        raise error

    kind = WriteError if isinstance(error, OSError) else error
    with pytest.raises(kind) as caught:
        write_atomic(target, chunks())
    if kind is WriteError:
        assert str(caught.value) == (
            f"{target}: cannot write, the target is as it was: the disk is full; free some space and run again"
        )
    assert target.read_bytes() == b"old"
    assert [each.name for each in tmp_path.iterdir()] == ["clip.gcode"]


def test_a_write_that_fails_in_earnest(tmp_path):
    """The system itself refuses half-way: a limit on the size of files."""
    target = tmp_path / "clip.gcode"
    target.write_bytes(b"old")
    script = textwrap.dedent(
        """
        import resource, signal, sys
        from gcodetool.errors import WriteError
        from gcodetool.gcode.edits import write_atomic
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
        try:
            write_atomic(sys.argv[1], (b"x" * 30_000 for _ in range(100)))
        except WriteError as error:
            print(error)
        """
    )
    package = pathlib.Path(edits.__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "-c", script, target], capture_output=True, text=True, check=True, cwd=package
    )
    assert "too large" in done.stdout
    assert target.read_bytes() == b"old"
    assert [each.name for each in tmp_path.iterdir()] == ["clip.gcode"]


def test_killed_at_any_point_the_target_is_the_old_file_or_the_new_one(tmp_path):
    target = tmp_path / "clip.gcode"
    script = textwrap.dedent(
        """
        import os, sys
        from gcodetool.gcode import edits
        kill_at, step = int(sys.argv[2]), 0
        def audit(event, args):
            global step
            if event in ("open", "os.rename", "os.chmod", "os.chown", "os.remove", "os.unlink"):
                step += 1
                if step == kill_at:
                    os._exit(9)
        sys.addaudithook(audit)
        def chunks():
            yield b"new "
            yield b"file"
        edits.write_atomic(sys.argv[1], chunks())
        print("done")
        """
    )
    package = pathlib.Path(edits.__file__).parents[2]
    seen = set()
    for kill_at in range(1, 40):
        target.write_bytes(b"old file")
        for stray in tmp_path.glob(".gcodetool-*"):
            stray.unlink()
        done = subprocess.run(
            [sys.executable, "-c", script, target, str(kill_at)],
            capture_output=True,
            text=True,
            check=False,
            cwd=package,
        )
        seen.add((done.returncode, target.read_bytes()))
        if done.stdout:
            break
    assert (9, b"old file") in seen
    assert (9, b"new file") in seen  # killed behind the replacement
    assert (0, b"new file") in seen
    assert len(seen) == 3


def test_targets_that_cannot_be_written(tmp_path):
    def says(target, words):
        with pytest.raises(WriteError, match=words) as caught:
            write_atomic(target, [b"x"])
        assert str(caught.value).startswith(str(target))
        assert "\n" not in str(caught.value)

    says(tmp_path, "it is a folder")
    says(tmp_path / "none" / "clip.gcode", "no such folder")
    (tmp_path / "file").write_bytes(b"x")
    says(tmp_path / "file" / "clip.gcode", "not a folder")
    says(tmp_path / ("n" * 300), "too long")
    says(pathlib.Path(os.devnull), "not an ordinary file")
    protected = tmp_path / "protected.gcode"
    protected.write_bytes(b"keep")
    protected.chmod(0o444)
    says(protected, "write-protected")
    assert protected.read_bytes() == b"keep"
    loop = tmp_path / "loop"
    loop.symlink_to(loop)
    says(loop, "circle")
