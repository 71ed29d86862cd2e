"""The hand-off for real: slicers that Debian packages, with our command as their post-processing step.

``tests/neighbours.txt`` alone names them; one that is not installed skips its tests and says so.
"""

import functools
import json
import os
import pathlib
import shlex
import shutil
import struct
import subprocess
import sys

import pytest

from gcodetool.gcode.edits import strip_regions
from gcodetool.gcode.program import read

HERE = pathlib.Path(__file__).parent
ROOT = HERE.parent
SHELF = ROOT / "sample_gcode" / "shelf"
UNPACKED = pathlib.Path("/usr/local/share/neighbours")  # where .ci/run puts packages that are only unpacked
AT = "2026-11-25T09:00:00+01:00"
BEGIN = b"; gcodetool:begin header"
NAMES = [
    "clip.gcode",
    "hose clip 2.gcode",
    'ada\'s "best" clip.gcode',
    "Schlauch-Klemme größer µ 管.gcode",
]


@functools.cache
def listed() -> dict[str, list[str]]:
    """Family to the other columns of the list."""
    rows = [
        [word.strip() for word in line.split("|")]
        for line in (HERE / "neighbours.txt").read_text(encoding="utf-8").splitlines()
        if line.strip() and not line.startswith("#")
    ]
    return {family: rest for family, *rest in rows}


def slicer(family: str) -> str:
    """The program of *family*, or a skipped test."""
    package, name, *_ = listed()[family]
    found = shutil.which(name)
    if found is None:
        pytest.skip(
            f"family {family}: Debian's package number {list(listed()).index(family) + 1} "
            "of tests/neighbours.txt is not installed"
        )
    assert package
    return found


def definitions(family: str) -> str:
    """The settings that the program of *family* cannot do without, or a skipped test."""
    name = listed()[family][3]
    for root in (pathlib.Path("/"), UNPACKED):
        if (root / name).exists():
            return str(root / name)
    pytest.skip(f"family {family}: the settings file that tests/neighbours.txt names is not unpacked")


@pytest.fixture
def desk(tmp_path: pathlib.Path) -> pathlib.Path:
    """A folder with a model: a flat box."""
    corners = [(x, y, z) for x in (0.0, 24.0) for y in (0.0, 16.0) for z in (0.0, 2.0)]
    # corners of each triangle, counter-clockwise seen from outside
    faces = ["013", "032", "467", "475", "045", "051", "237", "276", "026", "064", "157", "173"]
    body = b"".join(
        struct.pack("<12f2x", 0, 0, 0, *(value for corner in face for value in corners[int(corner)]))
        for face in faces
    )
    (tmp_path / "clip.stl").write_bytes(bytes(80) + struct.pack("<I", len(faces)) + body)
    return tmp_path


def ours(*options: str) -> str:
    """Our command as somebody types it into a slicer."""
    return shlex.join(
        [sys.executable, "-m", "gcodetool", "prepare", "--in-place", "--at", AT, "--members", "1", *options]
    )


def wrapped(desk: pathlib.Path, name: str, text: str) -> pathlib.Path:
    """An executable that does *text*; the file's path is its last argument."""
    script = desk / name
    script.write_text("#!/bin/sh\nfor path; do :; done\n" + text + "\n", encoding="utf-8")
    script.chmod(0o755)
    return script


def run(desk: pathlib.Path, *words: str, code: int | None = 0) -> subprocess.CompletedProcess[str]:
    """Run a program in *desk*, as a person with a shell does."""
    environ = {**os.environ, "PYTHONPATH": str(ROOT), "SHELL": "/bin/sh", "LC_ALL": "C.UTF-8"}
    done = subprocess.run(
        words,
        cwd=desk,
        env=environ,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
        stdin=subprocess.DEVNULL,
    )
    if code is not None:
        assert done.returncode == code, done.stdout + done.stderr
    return done


def prepared(path: pathlib.Path) -> bytes:
    """What *path* held before it was prepared."""
    text = path.read_bytes()
    assert text.count(BEGIN) == 1
    assert text.count(b"; gcodetool:begin purge-and-inspect") <= 1
    return b"".join(strip_regions([text]))


SETTINGS = """\
gcode_flavor = marlin
start_gcode = G28\\nG1 X5 Y5 Z5 F3000
filament_diameter = 1.75
filament_type = PETG
first_layer_temperature = 240
temperature = 235
bed_shape = 0x0,200x0,200x200,0x200
"""


def old_settings() -> str:
    """The same as far as family A-old knows them."""
    return SETTINGS.replace("filament_type = PETG\n", "").replace("flavor = marlin", "flavor = reprap")


# --- family A: on the command line and from a profile ----------------------------------------------


@pytest.mark.parametrize(("name", "how"), [*zip(NAMES, ["option", "profile"] * 2, strict=True)])
def test_a_step_of_family_a_prepares_the_exported_file(desk, name, how):
    program = slicer("A")
    keep = wrapped(desk, "keep a copy.sh", 'cp "$path" "$path.before"')
    settings = SETTINGS
    step = ours("--spool", str(SHELF / "petg-03.toml"), "--block", "always")
    more = []
    (desk / "out").mkdir()
    if how == "option":
        both = wrapped(desk, "both.sh", f'cp "$path" "$path.before" && {step} "$path"')
        more = ["--post-process", shlex.quote(str(both))]
    else:
        entries = [shlex.quote(str(keep)), step]
        quoted = [entry.replace("\\", "\\\\").replace('"', '\\"') for entry in entries]
        settings += "post_process = " + ";".join(f'"{entry}"' for entry in quoted) + "\n"
    (desk / "own.ini").write_text(settings, encoding="utf-8")
    # a relative path, as typed
    run(desk, program, "-g", "clip.stl", "--load", "own.ini", "-o", f"out/{name}", *more)
    made = desk / "out" / name
    assert prepared(made) == (desk / "out" / f"{name}.before").read_bytes()
    again = read(made)
    assert again.family.value == "A"
    assert b"M0 Dry? Strand off" in made.read_bytes()
    assert not list((desk / "out").glob(".gcodetool*"))


def test_a_refusal_fails_the_export_of_family_a_and_leaves_the_file(desk):
    program = slicer("A")
    keep = wrapped(desk, "keep.sh", 'cp "$path" "$path.before"')
    never = wrapped(desk, "never.sh", 'touch "$path.later"')
    entries = [str(keep), ours("--refuse", "unknown"), str(never)]
    lines = SETTINGS + "post_process = " + ";".join(f'"{entry}"' for entry in entries) + "\n"
    (desk / "own.ini").write_text(lines, encoding="utf-8")
    done = run(desk, program, "-g", "clip.stl", "--load", "own.ini", "-o", "clip.gcode", code=None)
    assert done.returncode != 0
    assert "refused, the verdict is unknown" in done.stdout + done.stderr
    assert (desk / "clip.gcode").read_bytes() == (desk / "clip.gcode.before").read_bytes()
    assert not (desk / "clip.gcode.later").exists()


def test_a_slow_and_silent_step_is_waited_for(desk):
    program = slicer("A")
    step = wrapped(
        desk, "slow.sh", f'sleep 3; {ours("--spool", str(SHELF / "petg-03.toml"))} "$path" >/dev/null 2>&1'
    )
    (desk / "own.ini").write_text(SETTINGS, encoding="utf-8")
    run(desk, program, "-g", "clip.stl", "--load", "own.ini", "-o", "clip.gcode", "--post-process", str(step))
    prepared(desk / "clip.gcode")


def test_the_step_twice_is_the_step_once(desk):
    program = slicer("A")
    step = ours("--spool", str(SHELF / "petg-03.toml"), "--block", "always")
    both = wrapped(desk, "twice.sh", f'{step} "$path" && cp "$path" "$path.once" && {step} "$path"')
    (desk / "own.ini").write_text(SETTINGS, encoding="utf-8")
    run(desk, program, "-g", "clip.stl", "--load", "own.ini", "-o", "clip.gcode", "--post-process", str(both))
    assert (desk / "clip.gcode").read_bytes() == (desk / "clip.gcode.once").read_bytes()


@pytest.mark.parametrize("family", ["A", "A-old"])
def test_settings_that_are_handed_over_count_where_the_file_is_silent(desk, family):
    """The settings at the file's end are cut off before our step; the environment still holds them."""
    program = slicer(family)
    settings, more = SETTINGS, []
    if family == "A-old":
        settings = old_settings().replace("1.75", "2.85")
        more = ["--printer", "bench-2"]
    cut = "import sys; p = sys.argv[1]; t = open(p, 'rb').read(); open(p, 'wb').write(t[: t.index(b'; filament used')])"
    report = desk / "report.json"
    step = wrapped(
        desk,
        "cut.sh",
        f'{shlex.join([sys.executable, "-c", cut])} "$path" && '
        f'{ours("--report", str(report), "--block", "always", *more)} "$path" > {shlex.quote(str(desk / "said"))} 2>&1',
    )
    (desk / "own.ini").write_text(settings, encoding="utf-8")
    words = ["-g"] if family == "A" else []
    run(
        desk,
        program,
        *words,
        "clip.stl",
        "--load",
        "own.ini",
        "-o",
        "clip.gcode",
        "--post-process",
        str(step),
    )
    assert report.exists(), (desk / "said").read_text(encoding="utf-8")
    assert not read(desk / "clip.gcode").facts.config  # the file says nothing any more
    text = (desk / "clip.gcode").read_text(encoding="utf-8")
    found = json.loads(report.read_text(encoding="utf-8"))
    if family == "A":
        assert found["tools"][0]["material"] == "PETG"
        assert found["job"]["dialect"] == "marlin"
        assert (
            "G1 X" in text.split("begin purge-and-inspect")[1].split("end purge")[0]
        )  # so the bed was known
    else:
        assert found["job"]["family"] == "A-old"
        assert "purges 9.4 mm of filament (the melt zone)" in text  # 60 mm3 of 2.85 mm filament


# --- family A-old: exit codes go unnoticed -----------------------------------------------------------


@pytest.mark.parametrize("name", NAMES[2:])
def test_a_step_of_family_a_old_prepares_the_file(desk, name):
    program = slicer("A-old")
    step = ours("--spool", str(SHELF / "petg-03.toml"), "--printer", "bench-2", "--block", "always")
    script = wrapped(desk, "step.sh", f'cp "$path" "$path.before" && {step} "$path"')
    text = old_settings()
    (desk / "own.ini").write_text(text, encoding="utf-8")
    run(desk, program, "clip.stl", "--load", "own.ini", "-o", name, "--post-process", str(script))
    assert prepared(desk / name) == (desk / f"{name}.before").read_bytes()
    assert read(desk / name).family.value == "A-old"


def test_family_a_old_does_not_notice_a_refusal_and_the_file_stays(desk):
    program = slicer("A-old")
    refusing = f'cp "$path" "$path.before" && {ours("--refuse", "unknown")} "$path"'
    script = wrapped(desk, "step.sh", refusing)
    text = old_settings()
    (desk / "own.ini").write_text(text, encoding="utf-8")
    done = run(
        desk, program, "clip.stl", "--load", "own.ini", "-o", "clip.gcode", "--post-process", str(script)
    )
    assert "refused" in done.stdout + done.stderr
    assert (desk / "clip.gcode").read_bytes() == (desk / "clip.gcode.before").read_bytes()


# --- family B: no hook, by hand ------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES[2:])
def test_family_b_has_no_step_and_is_prepared_by_hand(desk, name):
    program, settings = slicer("B"), definitions("B")
    run(
        desk,
        program,
        "slice",
        "-j",
        settings,
        "-s",
        "machine_width=200",
        "-s",
        "machine_depth=200",
        "-s",
        "material_diameter=1.75",
        "-l",
        "clip.stl",
        "-o",
        name,
    )
    text = (desk / name).read_bytes()
    assert read(desk / name).family.value == "B"
    step = shlex.split(
        ours("--spool", str(SHELF / "pla-11.toml"), "--printer", "bench-2", "--block", "always")
    )
    run(desk, *step, "--refuse", "clear,adjust,runs-out,dry-first", name, code=None)
    assert (desk / name).read_bytes() == text
    run(desk, *step, name)
    assert prepared(desk / name) == text
    assert b"M0 " in (desk / name).read_bytes()
