"""What the kernels cost under Python's stable ABI: CPU time of a job and of a spool, for the checkout that is named.

    python docs/experiments/stable_abi.py CHECKOUT

Run it in turn for two checkouts, one of them built without `py_limited_api` and `Py_LIMITED_API` (``gcodetool/_build.py``).
"""

import os
import sys
import tempfile
import time
from pathlib import Path

CHECKOUT = Path(sys.argv[1] if len(sys.argv) > 1 else ".").resolve()
sys.path.insert(0, str(CHECKOUT))
os.environ["GCODETOOL_SNAPSHOTS"] = "off"

from gcodetool.app.check import JobQuestion, examine_job  # noqa: E402
from gcodetool.app.resolve import find_spool  # noqa: E402
from gcodetool.app.spools import look  # noqa: E402
from gcodetool.gcode import scan  # noqa: E402

AT_S = 1793750400.0
SAMPLES = CHECKOUT / "sample_gcode"


def long_job(folder: Path) -> Path:
    """Write the largest sample with its middle twelve times over."""
    text = (SAMPLES / "drip-manifold-pa.gcode").read_bytes()
    begin = text.index(b";LAYER_CHANGE") if b";LAYER_CHANGE" in text else text.index(b"G1 X")
    job = folder / "long.gcode"
    job.write_bytes(text[:begin] + text[begin:-20_000] * 12 + text[-20_000:])
    return job


def cpu_s(what) -> float:
    """Return the least CPU time of three runs. [s]"""
    times = []
    for _ in range(3):
        before = time.process_time()
        what()
        times.append(time.process_time() - before)
    return min(times)


with tempfile.TemporaryDirectory() as name:
    job = long_job(Path(name))
    spool = SAMPLES / "shelf" / "pa6-07.toml"
    print(Path(scan.__file__).name)
    print(
        f"job of {job.stat().st_size / 1e6:.1f} MB: {cpu_s(lambda: examine_job(job, JobQuestion(None, at=AT_S))):.3f} s"
    )
    print(f"state of a spool: {cpu_s(lambda: look(find_spool(spool), at=AT_S + 30 * 86400)):.3f} s")
