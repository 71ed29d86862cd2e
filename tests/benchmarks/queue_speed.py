"""A queue of many jobs: two processes against one, a second run from the cache, and the memory of it.

    python tests/benchmarks/queue_speed.py --jobs 1000 --mb 1
    python tests/benchmarks/queue_speed.py --jobs 10000 --mb 0.02 --dask

Every job has its own bytes.  Without --shelf no spool is at hand, so the run is the reading; with it,
each job is also forecast on one of the sample shelf's spools.  Asked again are the same question, and the same for a
minute later, for which jobs are known and the plan is not.  Wall times depend on what else the machine
does, so the processors' time of all processes stands beside them, and what two plain loops at once gain.
With --dask the jobs go to a scheduler and two workers beside this process, without a cache: what it prints must be the same
bytes, and the peak of the scheduler's memory is told.
"""

import argparse
import importlib
import multiprocessing
import os
import socket
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
from make_job import job

import gcodetool
from gcodetool.profiles import sample_folder

AT = "2026-11-25T09:00:00+01:00"
LATER = "2026-11-25T09:01:00+01:00"
MEASURED = (  # seconds of processors and peak memory, of the parent and of its children
    "import resource, sys; from gcodetool.cli.main import outcome; outcome(sys.argv[1:]); "
    "of = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]; "
    "print(*(f'{each.ru_utime + each.ru_stime} {each.ru_maxrss}' for each in of), file=sys.stderr)"
)


@dataclass(frozen=True)
class Run:
    """One call: seconds on the wall, of processors in the parent and its workers, peaks of memory."""

    wall_s: float
    parent_s: float
    parent_MB: float
    workers_s: float
    worker_MB: float

    @property
    def processors_s(self) -> float:
        """Of all processes."""
        return self.parent_s + self.workers_s


def run(folder: Path, cache: Path, *words: str) -> Run:
    """Return what one call takes."""
    return call(folder, cache, *words)[0]


def environment() -> dict[str, str]:
    """Return what processes run in: this tree, its modules compiled once, as where the tool is installed."""
    env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    compiled = Path(tempfile.gettempdir()) / "gcodetool-benchmark-bytecode"
    return env | {
        "PYTHONPATH": str(Path(gcodetool.__file__).parent.parent),
        "PYTHONPYCACHEPREFIX": str(compiled),
        "OPENBLAS_NUM_THREADS": "1",
    }


def call(folder: Path, cache: Path | None, *words: str, at: str = AT) -> tuple[Run, str]:
    """Return what one call takes, and what it prints; no *cache*: none."""
    began = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", MEASURED, "queue", str(folder), "--json", "--at", at, *words],
        env=environment() | {"GCODETOOL_CACHE": "" if cache is None else str(cache)},
        capture_output=True,
        check=True,
        text=True,
    )
    wall = time.perf_counter() - began
    parent_s, parent_kB, workers_s, worker_kB = (float(word) for word in done.stderr.split()[-4:])
    return Run(wall, parent_s, parent_kB / 1000, workers_s, worker_kB / 1000), done.stdout


def burn(_: int) -> int:
    """Keep a processor busy for about a second."""
    total = 0
    for number in range(15_000_000):
        total += number
    return total


def two_at_once() -> float:
    """Return how many times quicker two processes are than one on this machine, as busy as it is now."""
    began = time.perf_counter()
    burn(0), burn(1)
    one = time.perf_counter() - began
    with multiprocessing.Pool(2) as pool:
        began = time.perf_counter()
        pool.map(burn, range(2))
    return one / (time.perf_counter() - began)


def peak_MB(process: "subprocess.Popen[bytes]") -> float:
    """Return the most memory that a process had. [MB]"""
    status = Path(f"/proc/{process.pid}/status").read_text()
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM")) / 1000


def on_cluster(folder: Path, text: str, *words: str) -> None:
    """Run the same on a Dask cluster of two workers, and print what its scheduler held at most."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{probe.getsockname()[1]}"
    port, begin = address.rpartition(":")[2], [sys.executable, "-m", "distributed.cli.dask_scheduler"]
    begin += ["--host", "127.0.0.1", "--port", port, "--no-dashboard"]
    worker = [
        sys.executable,
        "-m",
        "distributed.cli.dask_worker",
        address,
        "--nthreads",
        "1",
        "--no-dashboard",
    ]
    running = [subprocess.Popen(begin, env=environment(), stderr=subprocess.DEVNULL, cwd=folder.parent)]
    try:
        time.sleep(10)
        for _ in range(2):
            running.append(
                subprocess.Popen(worker, env=environment(), stderr=subprocess.DEVNULL, cwd=folder.parent)
            )
        client: Any = importlib.import_module("distributed").Client(address, timeout=60, set_as_default=False)
        client.wait_for_workers(2, timeout=120)
        client.close()
        idle_MB = peak_MB(running[0])
        found, said = call(folder, None, "--scheduler", address, *words)
        print(
            f"on a cluster: {'the same bytes' if said == text else 'OTHER BYTES'}; {found.parent_s:.1f} s of "
            f"processors and {found.parent_MB:.0f} MB in the parent; its scheduler {idle_MB:.0f} MB idle, "
            f"{peak_MB(running[0]):.0f} MB at most"
        )
    finally:
        for process in running:
            process.terminate()


def main() -> None:
    """Write the jobs, run, print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--jobs", type=int, default=1000)
    parser.add_argument("--mb", type=float, default=1.0)
    parser.add_argument("--shelf", action="store_true", help="with the sample shelf: forecasts, too")
    parser.add_argument("--dask", action="store_true", help="also on a Dask cluster on this machine")
    options = parser.parse_args()
    extra: Any = ("--shelf", str(sample_folder() / "shelf"), "--printer", "bench-1") if options.shelf else ()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "jobs"
        folder.mkdir()
        text = b"".join(job(int(options.mb * 1_000_000)))
        for number in range(options.jobs):
            (folder / f"job-{number:04}.gcode").write_bytes(b"; job %d\n" % number + text)
        size = sum(path.stat().st_size for path in folder.iterdir())
        print(f"{options.jobs} jobs, {size / 1e6:.0f} MB, load {os.getloadavg()[0]:.1f}")
        time.sleep(3)  # so that the files count as settled
        yardstick = two_at_once()
        caches = [Path(name) / f"cache-{count}" for count in (1, 2)]
        (Path(name) / "none").mkdir()
        (Path(name) / "none" / "job.gcode").write_bytes(text)
        run(Path(name) / "none", None, "--processes", "2")  # compiles
        one, said = call(folder, caches[0], "--processes", "1", *extra)
        two, in_two = call(folder, caches[1], "--processes", "2", *extra)
        again, kept = call(folder, caches[1], "--processes", "2", *extra)
        later = call(folder, caches[1], "--processes", "2", *extra, at=LATER)[0]
        print(
            "the same bytes" if said == in_two == kept else "OTHER BYTES", "in one process, in two, and again"
        )
        for what, each in (
            ("one process", one),
            ("two processes", two),
            ("again, from the cache", again),
            ("for a minute later", later),
        ):
            print(
                f"{what:<22} {each.wall_s:6.2f} s; processors {each.parent_s:.2f} s in the parent, "
                f"{each.workers_s:.2f} s in workers; {each.parent_MB:.0f} MB, a worker {each.worker_MB:.0f} MB"
            )
        idle = two.parent_s + two.workers_s / 2
        print(f"two plain loops at once: {yardstick:.2f} times as quick as one after the other")
        print(f"two processes against one: {one.wall_s / two.wall_s:.2f} times as quick on the wall")
        print(f"with two idle cores, by the processors' time: {one.processors_s / idle:.2f}")
        for what, each in (("from the cache", again), ("for a minute later", later)):
            print(
                f"{what}: {two.wall_s / each.wall_s:.1f} times as quick on the wall; by the processors' time "
                f"{one.processors_s / each.processors_s:.1f} times as quick as one process, "
                f"{two.processors_s / each.processors_s:.1f} as two"
            )
        size = sum(path.stat().st_size for path in caches[1].rglob("*.job"))
        print(f"cache: {size / options.jobs / 1000:.1f} kB a job")
        if options.dask:
            on_cluster(folder, said, *extra)


if __name__ == "__main__":
    main()
