"""Programs: reading a file, walking it in bounded memory, stopping with the state at a line."""

import pathlib
import tomllib

import pytest
from pytest import approx

from gcodetool.errors import GcodeError
from gcodetool.gcode import dialects, program, rows
from gcodetool.gcode.dialects import Dialect
from gcodetool.gcode.markers import Family

SAMPLES = pathlib.Path(__file__).parent / "data" / "gcode"
TRUTH = tomllib.loads((SAMPLES / "expected.toml").read_text("utf-8"))
JOB = b"""; job for the drip manifold
M104 S240
G28
M83
G1 X10 Y10 Z.3 F6000
PRINT_HOME
G1 X20 E1 F1200
"""


@pytest.fixture
def job(tmp_path):
    path = tmp_path / "job"
    path.write_bytes(JOB)
    return path


def test_read_tells_what_it_is(job):
    read = program.read(str(job))
    assert (read.path, read.size, read.family) == (job, len(JOB), Family.UNKNOWN)
    assert (read.dialect, read.dialect_sure, read.layer_marks) == (Dialect.KLIPPER, True, 0)
    assert "PRINT_HOME" in read.dialect_reason
    assert program.read(job, dialect="marlin").dialect is Dialect.MARLIN
    assert len(read.sha256) == 64
    with pytest.raises(GcodeError, match="no such file"):
        program.read(job.with_name("absent"))


def test_walk_hands_out_rows_with_their_text(job):
    texts, names = [], []
    for scanner, block, block_rows in program.walk(program.read(job)):
        for row in range(block_rows.count):
            texts.append(block_rows.text(row, block, scanner.offset))
            if block_rows.op[row] == rows.COMMAND:
                names.append(dialects.command(texts[-1]).name)
    assert texts == [b"M104 S240", b"G28", b"G1 X10 Y10 Z.3 F6000", b"PRINT_HOME", *[b"G1 X20 E1 F1200"] * 2]
    assert names == ["M104", "PRINT_HOME"]
    assert (scanner.line, scanner.offset) == (7, len(JOB))


def test_walk_across_blocks_keeps_offsets_and_state(job):
    lines = [b"; head", b"M83"] + [b"G1 X%d Y%d E.1" % (step % 7, step % 5) for step in range(200_000)]
    job.write_bytes(b"\n".join(lines))  # 3 blocks, no line end at the end
    read = program.read(job)
    assert len(list(read.blocks())) > 1
    seen, fed = 0, 0.0
    for scanner, block, block_rows in program.walk(read):
        for row in range(0, block_rows.count, 517):
            assert block_rows.text(row, block, scanner.offset) == lines[block_rows.line[row] - 1]
            seen += 1
        moves = [row for row in range(block_rows.count) if block_rows.op[row] == rows.MOVE]
        fed += sum(block_rows.e[row] for row in moves)
    assert seen > 300
    assert fed == approx(20_000)
    assert (scanner.line, scanner.offset) == (len(lines), job.stat().st_size)


@pytest.mark.parametrize("name", sorted(TRUTH))
def test_stopping_gives_the_state_at_the_anchor(name):
    truth = TRUTH[name]["anchor"]
    read = program.read(SAMPLES / f"{name}.gcode.xz")
    assert read.family.value == TRUTH[name]["family"]
    lines = read.head.splitlines(keepends=True)
    stop = sum(map(len, lines[: truth["line"] - 1]))
    assert lines[truth["line"] - 1].decode().strip() == truth["text"]
    scanner = read.scanner()
    for _, block, _ in program.walk(read, scanner=scanner, stop=stop):
        assert len(block) == stop
    assert (scanner.line, scanner.offset, scanner.tool) == (truth["line"] - 1, stop, truth["tool"])
    assert bool(scanner.e_absolute) is not truth["relative_e"]
    if scanner.e_absolute:
        assert scanner.e == 0
    known = sum(bit for axis, bit in (("x", 1), ("y", 2), ("z", 4)) if axis in truth)
    assert scanner.known == known
    for axis in ("x", "y", "z"):
        if axis in truth:
            assert getattr(scanner, axis) == truth[axis]
    assert bool(scanner.macro) is (name[:3] in ("a02", "b02", "c02"))  # the three with a start macro
    assert not scanner.retracted
