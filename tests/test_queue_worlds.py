"""Random workshops: every plan can be carried out, as an independent checker sees it."""

import os

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_checker import check
from queue_world import NOW
from queue_worlds import draw_world

from gcodetool.moisture.solver import COMPILED
from gcodetool.queue import plan

LONG = os.environ.get("GCODETOOL_HYPOTHESIS") == "long"
SLOW = pytest.mark.skipif(not COMPILED, reason="thousands of forecasts")


@SLOW
@settings(max_examples=1000 if LONG else 12)
@given(data=st.data())
def test_every_plan_can_be_carried_out(data, tmp_path_factory) -> None:
    job_list, shelf = draw_world(data, tmp_path_factory.mktemp("world"))
    found = plan.plan(job_list, shelf, at_s=NOW, members=1)
    check(found, job_list, shelf)
