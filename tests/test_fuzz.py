"""Random and mutated G-code never crashes, hangs or makes hostile times (``fuzzing.py`` holds the laws).

A small number by default; 20,000 jobs with ``GCODETOOL_HYPOTHESIS=long``, and as long as one likes with
``python tests/fuzz_long.py --minutes 10``.
"""

import faulthandler
import random
import sys
from pathlib import Path

import fuzzing
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from gcodetool.motion.planner import COMPILED

FEW = max(100 if COMPILED else 10, settings().max_examples if settings().max_examples > 1000 else 0)
HANG_S = 3600.0  # then the run ends with the place where it hangs; a second is usual on a busy machine
FRAGMENTS = st.one_of(
    st.sampled_from(fuzzing.HOSTILE_LINES),
    st.binary(max_size=30),
    st.text(max_size=20).map(lambda text: text.encode("utf-8", "surrogatepass")),
    st.builds(
        lambda name, words: b" ".join([name, *words]),
        st.sampled_from([b"G0", b"G1", b"G2", b"G3", b"G92", b"G10", b"M104", b"M109", b"M204", b"T1"]),
        st.lists(
            st.builds(
                lambda letter, number: letter + number,
                st.sampled_from([bytes([letter]) for letter in b"XYZEFIJRSPT"]),
                st.one_of(
                    st.sampled_from(fuzzing.HOSTILE_NUMBERS),
                    st.floats().map(lambda value: repr(value).encode()),
                ),
            ),
            max_size=6,
        ),
    ),
)


def held(data: bytes, folder: Path) -> dict[str, int]:
    """Check the laws, and that it ends."""
    faulthandler.dump_traceback_later(HANG_S, exit=True, file=sys.__stderr__)
    try:
        return fuzzing.examined(data, folder)
    finally:
        faulthandler.cancel_dump_traceback_later()


@given(seed=st.integers(0, 2**63))
@settings(max_examples=FEW)
def test_mutated_jobs(seed: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    held(fuzzing.mutated(seed), tmp_path_factory.getbasetemp())


@given(lines=st.lists(FRAGMENTS, min_size=1, max_size=60))
@example(lines=[b""])
@example(lines=[b"\rG10 P99 S1\rG1 X1 E1"])  # two commands on one line, to RepRapFirmware
@settings(max_examples=FEW)
def test_lines_from_nowhere(lines: list[bytes], tmp_path_factory: pytest.TempPathFactory) -> None:
    held(b"\n".join(lines), tmp_path_factory.getbasetemp())


def test_jobs_that_nothing_broke_get_as_far_as_a_block(tmp_path: Path) -> None:
    """The laws are not kept by refusing everything."""
    counts = {"planned": 0, "anchored": 0, "prepared": 0, "blocks": 0}
    for seed in range(6 if COMPILED else 2):
        data = b"".join(fuzzing.snippet(random.Random(seed)))
        found = held(data, tmp_path)
        for name in counts:
            counts[name] += found[name]
    assert all(counts.values()), counts


def test_a_seed_is_a_job() -> None:
    assert fuzzing.mutated(7) == fuzzing.mutated(7)
    assert len({fuzzing.mutated(seed) for seed in range(20)}) == 20
