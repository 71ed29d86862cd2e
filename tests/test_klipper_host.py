"""Prepared files run through Klipper's own host: it takes each, and later steps are the unprepared file's.

``tests/neighbours.txt`` alone names the package; where it is not installed these tests skip and say so.
Machine, dictionary and decoder: ``klipper_host``.  The host heats nothing in this mode, so what is cold or
hot is for ``interpreter``; a person's answer is a RESUME behind each PAUSE.
"""

import functools
import lzma
import pathlib
import re
import shutil
import tomllib
from dataclasses import replace

import klipper_host
import numpy as np
import pytest
from klipper_host import CLOCK_HZ, MARK, MM

from gcodetool import profiles
from gcodetool.app.conditions import Conditions
from gcodetool.app.examine import examine
from gcodetool.block.annotate import WATCH, Annotations, PrepareOptions, annotate
from gcodetool.gcode import edits
from gcodetool.gcode.program import read

HERE = pathlib.Path(__file__).parent
SAMPLES = HERE / "data" / "gcode"
TRUTH = tomllib.loads((SAMPLES / "expected.toml").read_text("utf-8"))
BEGIN, END = b"; gcodetool:begin purge-and-inspect\n", b"; gcodetool:end purge-and-inspect\n"
BENCH = profiles.printer("bench-1")
# The host times each step to 25 us; two runs may differ by twice that, and a tick of rounding each.
TOLERANCE = 50e-6 * CLOCK_HZ + 2
MEDDLED = b"G91\nM82\nG92 E3\nM220 S50\nM104 S0\n"  # a person at the console while the block asks


@functools.cache
def host() -> str:
    """The host's program, or a skipped test."""
    rows = (HERE / "neighbours.txt").read_text(encoding="utf-8").splitlines()
    (row,) = (line for line in rows if line.startswith("host "))
    name = row.split("|")[2].strip()
    found = shutil.which(name) or shutil.which(name, path="/usr/local/share/neighbours/host/bin")
    if found is None:
        pytest.skip("the host that tests/neighbours.txt names in its last row is not installed")
    return found


def made(path: pathlib.Path, printer: profiles.Printer = BENCH) -> tuple[Annotations, bytes]:
    """The job prepared for a printer, with a block."""
    program = read(path, dialect="klipper")
    examined = examine(program, {}, Conditions(0.0, printer, members=1), watch_z_mm=WATCH, spread=False)
    done = annotate(program, examined, printer=printer, options=PrepareOptions("always"))
    assert done.block is not None
    assert done.block.lines is not None, done.block.reason
    return done, b"".join(edits.apply(program.blocks(), done.edits))


def pair(folder, text: bytes, between: bytes = b"") -> tuple[klipper_host.Run, klipper_host.Run]:
    """The host's runs of a prepared *text*, without the block and with it; *between*: typed at each pause."""
    before, _, rest = text.partition(BEGIN)
    block, _, after = rest.partition(END)
    answered = re.sub(rb"(?m)^PAUSE$", b"PAUSE\n" + between + b"RESUME", block)
    assert answered.count(b"\nRESUME\n") == block.count(b"\nPAUSE\n") > 0
    begin, end = (MARK.format(name).encode() for name in ("begin", "end"))
    return (
        klipper_host.run(host(), folder, before + begin + end + after),
        klipper_host.run(host(), folder, before + begin + answered + end + after),
    )


def argue(bare: klipper_host.Run, prepared: klipper_host.Run, purge_mm: float) -> None:
    """The laws: no complaint, the same steps before and after, nothing but the purge left in between."""
    for run in (bare, prepared):
        assert run.code == 0, run.said
        assert not [line for line in run.said if line.startswith("Unknown command")]
    for name in MM:
        for one, other in (
            (
                bare.steps[name].until(bare.marks["begin"]),
                prepared.steps[name].until(prepared.marks["begin"]),
            ),
            (bare.steps[name].since(bare.marks["end"]), prepared.steps[name].since(prepared.marks["end"])),
        ):
            assert np.array_equal(one.way, other.way), name
            assert np.all(np.abs(one.clock - other.clock) <= TOLERANCE), name
        nothing, inside = (
            run.steps[name].until(run.marks["end"]).since(run.marks["begin"]) for run in (bare, prepared)
        )
        assert not len(nothing.way)
        left_mm = inside.way.sum() * MM[name]
        if name == "e":
            assert left_mm == pytest.approx(purge_mm, abs=2 * MM["e"])
        else:
            assert left_mm == 0.0


def test_the_host_says_what_it_does_not_take(tmp_path):
    """What the laws lean on: an error ends the run with a code, an unknown command is named, steps are counted."""
    good = klipper_host.run(host(), tmp_path, b"G28\nM83\nG1 X30 Y10 Z1 F3000\nG1 X40 E2\n")
    assert good.code == 0
    net = {name: steps.way.sum() * MM[name] for name, steps in good.steps.items()}
    homed = klipper_host.run(host(), tmp_path, b"G28\n")
    home = {name: steps.way.sum() * MM[name] for name, steps in homed.steps.items()}
    moved = {name: net[name] - home.get(name, 0.0) for name in net}
    assert moved == pytest.approx({"a": 50.0, "b": 30.0, "z": 1.0, "e": 2.0}, abs=0.013)
    assert klipper_host.run(host(), tmp_path, b"G28\nG1 X400 F3000\n").code != 0  # out of range
    assert klipper_host.run(host(), tmp_path, b"G1 X10 F3000\n").code != 0  # not homed
    assert 'Unknown command:"M605"' in klipper_host.run(host(), tmp_path, b"G28\nM605 S1\n").said


JOBS = [name for name, truth in TRUTH.items() if truth["dialect"] == "klipper"]


@pytest.mark.parametrize("sample", [*JOBS, "demo"])
def test_every_prepared_sample_goes_on_as_the_file_does(tmp_path, sample):
    path = tmp_path / "job.gcode"
    if sample == "demo":
        path.write_bytes((profiles.sample_folder() / "hose-clips-petg.gcode").read_bytes())
    else:
        # F0 is an error to this firmware, at which the host drops what it has read ahead: of no use here
        text = lzma.decompress((SAMPLES / f"{sample}.gcode.xz").read_bytes())
        path.write_bytes(re.sub(rb" F0(?= )", b"", text))
    done, text = made(path)
    argue(*pair(tmp_path, text), done.block.purge_mm)


def small_job(history: str, *, absolute: bool, e: float = 0.0) -> str:
    """A job of three layers whose start is *history*; *e*: the register behind it."""
    lines = [
        "; generated by SLICER 2.5.0 on 2026-11-02 at 08:00:00 UTC",
        "M104 S240",
        "G28",
        "M109 S240",
        "G90",
    ]
    lines += [*history.splitlines(), "G1 X60 Y60 Z0.3 F3000"]
    for layer in range(1, 4):
        lines += [";LAYER_CHANGE", ";TYPE:Perimeter", f"G1 Z{0.3 * layer:.1f} F600"]
        for step in range(30):
            e = e + 0.4 if absolute else 0.4
            lines.append(f"G1 X{100 + step % 2 * 20} Y{90 + step} E{e:.4f} F2400")
        e = e - 1 if absolute else -1.0
        lines += [f"G1 E{e:.4f} F1800", "G1 X60 Y60 F6000"]
        e = e + 1 if absolute else 1.0
        lines.append(f"G1 E{e:.4f} F1800")
    return "\n".join([*lines, "M104 S0", ""])


HISTORIES = {
    "relative": ("M83", False, 0.0),
    "absolute": ("M82\nG92 E0", True, 0.0),
    "a register set to 5": ("M82\nG92 E5", True, 5.0),
    "primed relative, no G92 behind it": (
        "M82\nG92 E0\nM83\nG1 X20 Y10 Z0.3 F3000\nG1 X80 E8\nM82",
        True,
        8.0,
    ),
    "primed absolute, then relative": ("M82\nG92 E0\nG1 X20 Y10 Z0.3 F3000\nG1 X80 E8\nM83", False, 0.0),
    "G91 makes E relative": ("M82\nG92 E0\nG91\nG1 E2 F300\nG90", True, 2.0),
    "retracted before the first layer": ("M82\nG92 E0\nG1 E-2 F1800\nG92 E0", True, 2.0),
    "a state saved and restored": (
        "M82\nG92 E1\nSAVE_GCODE_STATE NAME=a\nM83\nG1 E3 F300\nRESTORE_GCODE_STATE NAME=a",
        True,
        1.0,
    ),
    "slower and thicker": ("M83\nM220 S80\nM221 S95", False, 0.0),
}


@pytest.mark.parametrize("between", [b"", MEDDLED], ids=["answered", "meddled"])
@pytest.mark.parametrize("name", HISTORIES)
def test_every_history_of_the_register_is_given_back(tmp_path, name, between):
    history, absolute, e = HISTORIES[name]
    path = tmp_path / "job.gcode"
    path.write_text(small_job(history, absolute=absolute, e=e), encoding="utf-8")
    done, text = made(path)
    assert not done.block.in_place  # so that it travels to a spot and back
    argue(*pair(tmp_path, text, between), done.block.purge_mm)


def test_the_dialog_of_a_print_host_is_taken_too(tmp_path):
    path = tmp_path / "job.gcode"
    path.write_text(small_job("M82\nG92 E0", absolute=True), encoding="utf-8")
    done, text = made(path, replace(BENCH, host_prompts=True))
    assert text.count(b"action:prompt_show") > 0  # the host's log does not say what it passes on
    argue(*pair(tmp_path, text), done.block.purge_mm)


def test_a_block_that_gives_back_a_wrong_register_is_found(tmp_path):
    path = tmp_path / "job.gcode"
    path.write_text(small_job("M82\nG92 E0", absolute=True), encoding="utf-8")
    done, text = made(path)
    wrong = text.replace(END, b"G92 E0.05\n" + END)
    with pytest.raises(AssertionError):
        argue(*pair(tmp_path, wrong), done.block.purge_mm)
