"""What the queue keeps in cache files comes back as it was, or not at all."""

import json
from dataclasses import asdict, dataclass, replace
from typing import Any

import pytest

from gcodetool.queue.findings import DryingRow, HandOff, JobRow, QueueFindings, ToolRow
from gcodetool.queue.forecast_memo import StoredForecasts
from gcodetool.queue.from_facts import built
from gcodetool.queue.job_cache import decode, encode
from gcodetool.queue.spool_steps import Dried, DryingTime
from gcodetool.queue.summary import JobSummary, ToolSummary

TOOL = ToolRow(
    0, "petg-03", "named", "PETG", 900.0, 60.0, 70.0, "clear", "dry", outcomes={"clear": 1.0}, cautions=("a",)
)
DRYING = DryingRow(
    "petg-03", "PETG", "oven", 0.0, 9.0, 65.0, None, "hub", "good", 0.4, 0.1, 1, "runs-out", "wet", ("hot",)
)
HAND = HandOff(0.0, "start", "bench-1", boxed=(("petg-03", "box-2"),), off=(("petg-04", None),))
ANSWER = QueueFindings(
    0.0,
    0.5,
    1,
    (JobRow(1, "a.gcode", None, "clear", "dry", tools=(TOOL, replace(TOOL, outcomes=None))),),
    (DRYING,),
    1,
    "all assignments tried",
    handoffs=(HAND,),
    presence=((0.0, 3600.0),),
)
FORECASTS = StoredForecasts(
    prints={"a" * 64: TOOL},
    times={"b": DryingTime(60.0, 65.0, None, "hub", "good"), "c": None},
    dryings={"d": Dried(0.4, 0.1)},
    hours={"e": 3600.0, "f": None},
    left_mm=1.0,
)


@pytest.mark.parametrize("kept", [ANSWER, FORECASTS], ids=["answer", "forecasts"])
def test_what_is_kept_comes_back_as_it_was(kept) -> None:
    assert built(type(kept), json.loads(json.dumps(asdict(kept)))) == kept


def test_a_job_comes_back_with_its_columns() -> None:
    tool = ToolSummary(0, 900.0, 60.0, 70.0, 1, spool="petg-03")
    job = JobSummary("0" * 64, "Marlin", None, 2, 60.0, 60.0, 0.0, 70.0, (tool,), ("slow",), b"12", ("high",))
    assert decode(encode(job)) == job


@pytest.mark.parametrize("change", [{"rows": 3}, {"rows": [3]}, {"more": 1}, {"handoffs": None}])
def test_facts_of_another_shape_are_refused(change) -> None:
    with pytest.raises((TypeError, KeyError)):
        built(QueueFindings, asdict(ANSWER) | change)
    facts: dict[str, Any] = asdict(ANSWER)
    del facts["rows"]
    with pytest.raises((TypeError, KeyError)):
        built(QueueFindings, facts)


def test_an_annotation_that_is_text_is_no_silent_surprise() -> None:
    @dataclass
    class Later:
        """A dataclass that names its type as text."""

        tool: "ToolRow"

    with pytest.raises(AssertionError, match="ToolRow"):
        built(Later, {"tool": asdict(TOOL)})
