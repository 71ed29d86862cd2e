"""Broken files of every sort never crash, hang or get through half-way (``fuzzing_files.py`` holds the laws).

A few by default; 2,000 of each sort with ``GCODETOOL_HYPOTHESIS=long``, and as long as one likes with
``python tests/fuzz_long.py --sort toml --minutes 30``.
"""

import os
from pathlib import Path

import binary_twin
import fuzzing_files
import pytest

FEW = 2000 if os.environ.get("GCODETOOL_HYPOTHESIS") == "long" else 12


@pytest.mark.parametrize("sort", fuzzing_files.SORTS)
def test_broken_files(sort: str, tmp_path: Path) -> None:
    for seed in range(FEW):
        fuzzing_files.examined(sort, *fuzzing_files.broken(sort, seed), tmp_path)


@pytest.mark.parametrize("sort", fuzzing_files.SORTS)
def test_what_nothing_broke_is_taken(sort: str, tmp_path: Path) -> None:
    """The laws are not kept by refusing everything."""
    counts = {"accepted": 0, "refused": 0}
    sound = fuzzing_files.SORTS[sort].sound()
    for name, content in sound[:: max(1, len(sound) // 6)]:
        found = fuzzing_files.examined(sort, name, content, tmp_path)
        counts = {key: counts[key] + found[key] for key in counts}
    assert counts["accepted"] > counts["refused"], counts  # not every log is one for every command


@pytest.mark.parametrize("sort", fuzzing_files.SORTS)
def test_a_seed_is_a_file(sort: str) -> None:
    assert fuzzing_files.broken(sort, 7) == fuzzing_files.broken(sort, 7)
    assert len({fuzzing_files.broken(sort, seed) for seed in range(20)}) > 10


def test_a_zero_byte_among_binary_metadata_makes_no_binary_text(tmp_path: Path) -> None:
    job = fuzzing_files._job()
    data = binary_twin.written(job, binary_twin.NONE, binary_twin.PLAIN)[0]
    moment = data.index(b"Produced on=") + len(b"Produced on=")
    content = fuzzing_files._summed(data[:moment] + b"\0\0" + data[moment + 2 :])
    assert fuzzing_files.examined("containers", "job.bgcode", content, tmp_path) == {
        "accepted": 5,
        "refused": 0,
    }
