"""Time the scanner alone against md5sum of the same file.

python tests/benchmarks/make_job.py job.gcode --mb 100
python tests/benchmarks/scan_speed.py job.gcode
"""

import hashlib
import sys
import time

from gcodetool.gcode import program
from gcodetool.gcode.rows import Rows


def main(path: str) -> None:
    """Print megabytes per second: reading, reading + scanning, scanning alone, md5."""
    job = program.read(path)
    for _ in range(3):
        begin = time.perf_counter()
        blocks = list(job.blocks())
        read = time.perf_counter()
        scanner, rows = job.scanner(), Rows()
        count = 0
        for block in blocks:
            at = 0
            while at < len(block):
                at = scanner.fill(block, at, rows)
                count += rows.count
            scanner.offset += len(block)
        scanned = time.perf_counter()
        digest = hashlib.md5()
        for block in blocks:
            digest.update(block)
        hashed = time.perf_counter()
        size = scanner.offset / 1e6
        print(
            f"{size:.0f} MB, {scanner.line} lines, {count} rows: read {size / (read - begin):.0f} MB/s, "
            f"scan {size / (scanned - read):.0f} MB/s, md5 {size / (hashed - scanned):.0f} MB/s, "
            f"scan/md5 {(scanned - read) / (hashed - scanned):.2f}"
        )


if __name__ == "__main__":
    main(sys.argv[1])
