"""Whatever stops a writer half-way, the target is the old file or the new one, whole."""

import json
import os
import pathlib
import shutil
import subprocess
import sys
import textwrap

import pytest

from gcodetool.gcode import edits

ROOT = pathlib.Path(edits.__file__).parents[2]
KILLS = 200
SAMPLE = ROOT / "tests" / "data" / "gcode" / "a06-spacer-rings-pla285-sequential-absE.gcode.xz"
OPTIONS = ["--at", "2026-11-25T09:00:00+01:00", "--members", "1"]

# One process that is warm, and a child for each kill: the child's work is the command, not its imports.
# Half of the children end themselves at a call drawn from all that the command makes; the others are killed
# from outside, while the new file is being written.
SCRIPT = """
    import json, os, random, signal, sys, warnings
    warnings.simplefilter("ignore")
    from gcodetool.cli.main import main
    job, kills, folder = sys.argv[1], int(sys.argv[2]), os.path.dirname(sys.argv[1])
    words = ["prepare", "--in-place", job, *sys.argv[3:]]
    with open(job, "rb") as file:
        old = file.read()

    calls = 0

    def child(last=None, tell=None):
        pid = os.fork()
        if pid == 0:
            quiet = os.open(os.devnull, os.O_WRONLY)
            os.dup2(quiet, 1), os.dup2(quiet, 2)

            def count(frame, event, value):
                global calls
                calls += 1
                if calls == last:
                    os.kill(os.getpid(), signal.SIGKILL)

            try:
                if last or tell:
                    sys.setprofile(count)
                main(words, standalone_mode=False)
                sys.setprofile(None)
                if tell:
                    os.write(tell, b"%d" % calls)
            except SystemExit:
                pass
            except BaseException:
                os._exit(1)
            os._exit(0)
        return pid

    def strays():
        return [name for name in os.listdir(folder) if name.startswith(".gcodetool")]

    main(["prepare", job, *sys.argv[3:]], standalone_mode=False)  # all imports, before there are children
    from_child, to_parent = os.pipe()
    assert os.waitstatus_to_exitcode(os.waitpid(child(tell=to_parent), 0)[1]) == 0
    whole = int(os.read(from_child, 100))
    with open(job, "rb") as file:
        new = file.read()
    assert new != old
    seen = {"old": 0, "new": 0, "other": 0, "strays": 0, "killed": 0}
    dice = random.Random(6)
    for count in range(kills):
        with open(job, "wb") as file:
            file.write(old)
        before = len(strays())
        if count % 2:  # somewhere in the writing
            pid = child()
            while len(strays()) == before:
                if os.waitpid(pid, os.WNOHANG)[0]:
                    pid = 0
                    break
            for _ in range(dice.randrange(300)):
                strays()
        else:  # anywhere
            pid = child(last=dice.randrange(1, whole * 9 // 10))
            assert os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == -signal.SIGKILL
            seen["killed"] += 1
            pid = 0
        if pid:
            os.kill(pid, signal.SIGKILL)
            seen["killed"] += os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == -signal.SIGKILL
        with open(job, "rb") as file:
            now = file.read()
        seen["old" if now == old else "new" if now == new else "other"] += 1
    seen["strays"] = len(strays())
    for stray in strays():  # as they are a minute later
        os.utime(os.path.join(folder, stray), (0, 0))
    with open(job, "wb") as file:
        file.write(old)
    assert os.waitstatus_to_exitcode(os.waitpid(child(), 0)[1]) == 0
    with open(job, "rb") as file:
        assert file.read() == new
    seen["left"] = len(strays())
    print("\\n" + json.dumps(seen))
"""


def test_killed_anywhere_the_job_is_the_old_file_or_the_new_one(tmp_path):
    # few moves, so that much of the time is writing: settings, then 1.4 MB that say nothing
    job = tmp_path / "rings.gcode"
    lines = ["; padding that takes long to write"] * 40_000
    layer = [f"G1 X{60 + 20 * (n % 2)} Y{60 + n} E.4" for n in range(40)]
    start = [";FLAVOR:Marlin", "G28", "M109 S210", "M83", "G1 X5 Y5 Z5 F3000", ";LAYER_COUNT:1", ";LAYER:0"]
    job.write_text("\n".join([*start, *layer, *lines, ""]), encoding="ascii")
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(SCRIPT), str(job), str(KILLS), *OPTIONS],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    seen = json.loads(done.stdout.splitlines()[-1])
    assert seen["other"] == 0
    assert seen["old"] + seen["new"] == KILLS
    assert seen["killed"] >= KILLS / 2
    assert seen["old"] > KILLS / 10
    # what killed runs left behind stands in nobody's way, and the next run takes it away
    assert seen["left"] == 0


def a_command(*words: str) -> list[str]:
    return [sys.executable, "-m", "gcodetool", *words]


def test_a_full_disk_leaves_the_job_as_it_was(tmp_path):
    """A disk of its own, too small for both files; where none can be had, a limit on the size of files."""
    text = SAMPLE.read_bytes()
    import lzma

    text = lzma.decompress(text)
    disk = tmp_path / "disk"
    disk.mkdir()
    mount, umount = shutil.which("mount"), shutil.which("umount")
    mounted = (
        mount is not None
        and os.geteuid() == 0
        and (
            subprocess.run(
                [mount, "-t", "tmpfs", "-o", f"size={len(text) + 300_000}", "tmpfs", str(disk)],
                capture_output=True,
                check=False,
            ).returncode
            == 0
        )
    )
    script = "import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
    if not mounted:
        script += f"resource.setrlimit(resource.RLIMIT_FSIZE, ({len(text)}, {len(text)}))\n"
    script += "from gcodetool.cli.main import run\nsys.argv[0] = 'gcodetool'\nrun()\n"
    try:
        job = disk / "rings.gcode"
        job.write_bytes(text)
        done = subprocess.run(
            [sys.executable, "-c", script, "prepare", "--in-place", str(job), *OPTIONS],
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 1
        first = done.stderr.splitlines()[0]
        assert str(job) in first
        assert "the target is as it was" in first
        assert ("the disk is full" if mounted else "too large") in first
        assert job.read_bytes() == text
        assert [each.name for each in disk.iterdir()] == ["rings.gcode"]
    finally:
        if mounted and umount is not None:
            subprocess.run([umount, str(disk)], check=True)


def test_a_folder_that_takes_no_files(tmp_path):
    folder = tmp_path / "closed"
    folder.mkdir()
    out = folder / "rings.gcode"
    folder.chmod(0o555)
    mount = shutil.which("mount")
    mounted = False
    if os.geteuid() == 0:  # whom modes do not stop
        if mount is None:
            pytest.skip("root may write anywhere, and no read-only disk can be had here")
        made = subprocess.run(
            [mount, "-t", "tmpfs", "-o", "ro", "tmpfs", str(folder)], capture_output=True, check=False
        )
        if made.returncode:
            pytest.skip("root may write anywhere, and no read-only disk can be had here")
        mounted = True
    try:
        done = subprocess.run(
            a_command("prepare", str(SAMPLE), "-o", str(out), *OPTIONS),
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=False,
        )
    finally:
        if mounted:
            subprocess.run(["umount", str(folder)], check=True)
        folder.chmod(0o755)
    assert done.returncode == 1
    first = done.stderr.splitlines()[0]
    assert str(out) in first
    assert "choose another place with -o" in first
    assert not list(folder.iterdir())
    assert "Traceback" not in done.stderr


def test_what_another_run_is_writing_is_not_swept_away(tmp_path):
    fcntl = pytest.importorskip("fcntl")
    living, dead, young = (tmp_path / f".gcodetool-{name}.tmp" for name in ("living", "dead", "young"))
    for each in (living, dead, young):
        each.write_bytes(b"x")
    for each in (living, dead):
        os.utime(each, (0, 0))
    with living.open("r+b") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        edits.write_atomic(tmp_path / "clip.gcode", [b"new"])
    assert sorted(each.name for each in tmp_path.iterdir()) == [
        ".gcodetool-living.tmp",
        ".gcodetool-young.tmp",
        "clip.gcode",
    ]
