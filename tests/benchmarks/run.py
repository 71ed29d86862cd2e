"""Every yardstick of speed in one run: makes its inputs, prints ratios and peak memory.

    python tests/benchmarks/run.py [--mb 10 100 300] [--runs 5] [--dialect marlin]

Each measurement is a whole process, run in turn with its yardstick; the ratio is the median over such
pairs, so what else the machine does falls on both.  Goals are held against the ratio of processor seconds,
which counts both threads and does not flatter where a second core is idle.  Jobs are checked without a spool and
with one of 64 members, whose snapshot is there.  Compiled Python files are kept in a folder of
this run, as an installation has them.  Peak memory is what the system says of the finished process.
Interpreted kernels are refused: `--interpreted` measures them all the same, and says so.
pygcode, where it is installed, reads a sample of the lines that it can.
"""

import argparse
import os
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
GCODETOOL = [sys.executable, "-m", "gcodetool"]
LOOP = """
import sys
count = 0
with open(sys.argv[1], "rb") as file:
    for line in file:
        count += 1
"""
START = "import click, numpy"
START_LIGHT = "import click"
PLAN = """
import sys, time
from gcodetool.gcode.program import read
from gcodetool.motion.planner import COMPILED
from gcodetool.motion.timing import build_timeline
build_timeline(read(sys.argv[2]))  # imports what is imported late
begin = time.perf_counter()
found = build_timeline(read(sys.argv[1]))
print(found.moves, time.perf_counter() - begin, COMPILED)
"""
PYGCODE = """
import sys, time
from pygcode import Line
lines = open(sys.argv[1]).read().splitlines()
begin = time.perf_counter()
read = 0
for line in lines:
    try:
        Line(line)
        read += 1
    except Exception:
        pass
print(read, len(lines), time.perf_counter() - begin)
"""
WITHOUT_MISSING = """
from importlib import import_module
for name in {names}:
    try:
        import_module(name)
    except ImportError:  # tried for another system, there too
        pass
"""
SAMPLE_LINES = 20_000
SMALL_MB = 2


@dataclass(frozen=True)
class Row:
    """One line of the table."""

    what: str
    yardstick: str
    ratios: list[float]
    cpu_ratio: float  # of processor seconds, which the goal is for
    goal: float | None
    peak_mb: float

    def __str__(self) -> str:
        """Return the line."""
        ratio = statistics.median(self.ratios)
        spread = f"{min(self.ratios):.2f}-{max(self.ratios):.2f}"
        goal = "" if self.goal is None else f"{self.goal:g}"
        mark = "" if self.goal is None else "ok" if self.cpu_ratio <= self.goal else "over"
        return (
            f"| {self.what:<35} | {self.yardstick:<26} | {ratio:5.2f} | {spread:<11} | {goal:<4} | {mark:<4} "
            f"| {self.cpu_ratio:5.2f} | {self.peak_mb:4.0f} |"
        )


class Bench:
    """A folder of inputs, and whole processes run in it."""

    def __init__(self, folder: Path, runs: int) -> None:
        self.folder = folder
        self.runs = runs
        self.env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
        self.env["PYTHONPATH"] = str(ROOT)
        self.env["PYTHONPYCACHEPREFIX"] = str(folder / "cache")

    def once(self, commands: list[list[str]]) -> tuple[float, float, float]:
        """Run *commands* one after the other; return seconds, processor seconds and the peak memory in MB."""
        spent, worked, peak = 0.0, 0.0, 0.0
        for command in commands:
            begin = time.perf_counter()
            process = subprocess.Popen(
                command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env=self.env, cwd=self.folder
            )
            assert process.stderr is not None
            said = process.stderr.read()
            _, status, usage = os.wait4(process.pid, 0)
            process.returncode = os.waitstatus_to_exitcode(status)
            spent += time.perf_counter() - begin
            worked += usage.ru_utime + usage.ru_stime
            peak = max(peak, usage.ru_maxrss / (1 << 20 if sys.platform == "darwin" else 1 << 10))
            if process.returncode in (1, 2):
                raise SystemExit(f"{' '.join(command)}: {said.decode(errors='replace')}")
        return spent, worked, peak

    def printed(self, code: str, *arguments: str) -> list[str]:
        """Return the words that a Python program prints."""
        command = [sys.executable, "-c", code, *arguments]
        return subprocess.run(
            command, check=True, capture_output=True, text=True, env=self.env
        ).stdout.split()

    def compare(
        self, what: str, work: list[str], yardstick: str, against: list[list[str]], goal: float | None
    ) -> Row:
        """Return the row of *work* against its yardstick, run in turn."""
        self.once([work])  # caches warm, Python files compiled
        self.once(against)
        ratios, cpu_ratios, peaks = [], [], []
        for _ in range(self.runs):
            base, base_worked, _ = self.once(against)
            spent, worked, peak = self.once([work])
            ratios.append(spent / base)
            cpu_ratios.append(worked / base_worked)
            peaks.append(peak)
        return Row(what, yardstick, ratios, statistics.median(cpu_ratios), goal, max(peaks))

    def imports_of(self, command: list[str]) -> list[str]:
        """Return a call of Python that imports what *command* does, in its order, and ends."""
        timed = [command[0], "-X", "importtime", *command[1:]]
        said = subprocess.run(timed, check=False, capture_output=True, text=True, env=self.env).stderr
        names = re.findall(r"^import time: .*\| +(\S+)$", said, re.MULTILINE)
        return [command[0], "-c", WITHOUT_MISSING.format(names=names)]

    def spool(self) -> list[str]:
        """Return the options that name a spool of the demo shelf, PETG, dried and in its box, at a moment."""
        shelf = self.folder / "shelf"
        if not shelf.exists():
            shutil.copytree(ROOT / "sample_gcode" / "shelf", shelf)
        return ["--spool", str(shelf / "petg-03.toml"), "--at", "2026-11-25T09:00:00+01:00"]

    def job(self, mb: float) -> Path:
        """Return a job of so many millions of bytes."""
        path = self.folder / f"job-{mb:g}.gcode"
        if not path.exists():
            maker = [sys.executable, str(HERE / "make_job.py"), str(path), "--mb", f"{mb:g}"]
            subprocess.run(maker, check=True, capture_output=True)
        return path


def table(bench: Bench, sizes: Iterable[float], dialects: Iterable[str]) -> Iterable[Row]:
    """Yield the rows, one measurement each."""
    small = str(bench.job(SMALL_MB))
    started = [[sys.executable, "-c", START]]
    light = [[sys.executable, "-c", START_LIGHT]]
    yield bench.compare("gcodetool --help", [*GCODETOOL, "--help"], START_LIGHT, light, 1.4)
    check = [*GCODETOOL, "check", small]
    yield bench.compare(f"check, {SMALL_MB} MB", check, START, started, 1.3)
    yield bench.compare(f"check --json, {SMALL_MB} MB", [*check, "--json"], START, started, 1.3)
    with_spool = [*check, "--json", *bench.spool()]
    yield bench.compare(f"check --json --spool, {SMALL_MB} MB", with_spool, START, started, 1.6)
    yield bench.compare(
        "what that one imports, and no more", bench.imports_of(with_spool), START, started, None
    )
    for mb in sizes:
        job = str(bench.job(mb))
        # start-up outweighs a small file: the goals are for 100 MB and more
        to_md5, to_md5_spool, to_copy = (2.5, 4, 3.5) if mb >= 100 else (None, None, None)
        digest, loop = [["md5sum", job]], [[sys.executable, "-c", LOOP, job]]
        for dialect in dialects:
            printer = bench.folder / f"{dialect}.toml"
            printer.write_text(f'name = "bench-1"\ndialect = "{dialect}"\n')
            check = [*GCODETOOL, "check", job, "--json", "--printer", str(printer)]
            what = f"check --json, {mb:g} MB, {dialect}"
            yield bench.compare(what, check, "md5sum", digest, to_md5)
            yield bench.compare(f"{what}, --spool", [*check, *bench.spool()], "md5sum", digest, to_md5_spool)
            yield bench.compare(what, check, "Python loop over the lines", loop, None)
        copy = str(bench.folder / "copy.gcode")
        shutil.copy(job, copy)
        prepare = [*GCODETOOL, "prepare", "--in-place", copy]
        other = str(bench.folder / "other.gcode")
        yield bench.compare(
            f"prepare --in-place, {mb:g} MB",
            prepare,
            "md5sum + cp",
            [["md5sum", job], ["cp", job, other]],
            to_copy,
        )
        Path(copy).unlink()
        Path(other).unlink()


def moves_per_second(bench: Bench, mb: float) -> str:
    """Return how fast moves are scanned and planned, start-up left out."""
    runs = [bench.printed(PLAN, str(bench.job(mb)), str(bench.job(SMALL_MB))) for _ in range(bench.runs)]
    moves, compiled = int(runs[0][0]), runs[0][2] == "True"
    seconds = statistics.median(float(run[1]) for run in runs)
    how = "" if compiled else " (interpreted)"
    return f"timeline of {moves:,} moves: {moves / seconds / 1e6:.1f} million moves a second{how}"


def against_pygcode(bench: Bench) -> str:
    """Return how many lines a second pygcode reads, and this tool reads and plans, of the same sample."""
    sample, few = bench.folder / "sample.gcode", []
    with bench.job(SMALL_MB).open() as file:
        for line in file:
            if line.startswith(("G0", "G1", ";")):
                few.append(line)
            if len(few) == SAMPLE_LINES:
                break
    sample.write_text("".join(few))
    try:
        read, lines, seconds = bench.printed(PYGCODE, str(sample))
    except subprocess.CalledProcessError:
        return "pygcode is not installed: no comparison"
    ours = float(bench.printed(PLAN, str(sample), str(sample))[1])
    theirs = int(read) / float(seconds)
    return (
        f"pygcode reads {read} of {lines} sample lines, {theirs:,.0f} lines a second; "
        f"read and planned here: {int(lines) / ours:,.0f} a second, {int(lines) / ours / theirs:.0f} times as many"
    )


def compiled_or_refused(bench: "Bench", *, interpreted: bool) -> str:
    """Return how the kernels run; interpreted ones are not measured unless that is asked for."""
    code = (
        "from gcodetool.gcode import scan; from gcodetool.motion import planner; "
        "from gcodetool.moisture import kernel, solver; "
        "print(scan.COMPILED, planner.COMPILED, solver.COMPILED, kernel.KERNEL.__name__)"
    )
    *compiled, name = bench.printed(code)
    if compiled == ["True"] * 3:
        return f"kernels compiled ({name.rpartition('.')[2]})"
    if not interpreted:
        raise SystemExit(
            "some kernels run interpreted here, and figures of those say nothing of an installation: build them"
            " (pip install -e . with a C compiler), or measure them all the same with --interpreted"
        )
    return "SOME KERNELS INTERPRETED: not what an installation does"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument(
        "--mb", nargs="+", type=float, default=[10, 100, 300], help="sizes, millions of bytes"
    )
    parser.add_argument("--runs", type=int, default=5, help="pairs of runs behind each ratio")
    parser.add_argument(
        "--dialect", nargs="+", default=["klipper", "marlin", "reprapfirmware"], metavar="NAME"
    )
    parser.add_argument("--interpreted", action="store_true", help="measure interpreted kernels too")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="gcodetool-bench-") as name:
        bench = Bench(Path(name), options.runs)
        print(f"{os.cpu_count()} CPUs, Python {sys.version.split()[0]}, {options.runs} pairs of runs a ratio")
        print(compiled_or_refused(bench, interpreted=options.interpreted))
        print(
            f"| {'whole process':<35} | {'yardstick':<26} | ratio | from-to     | goal |      | CPU   | MB   |"
        )
        print(f"|{'-' * 37}|{'-' * 28}|-------|-------------|------|------|-------|------|")
        for row in table(bench, options.mb, options.dialect):
            print(row, flush=True)
        print(moves_per_second(bench, max(size for size in options.mb)))
        print(against_pygcode(bench))


if __name__ == "__main__":
    main()
