"""Random workshops: every plan can be carried out, as an independent checker sees it."""

import os
import random

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from plan_checker import check
from queue_world import NOW
from queue_worlds import draw_world, random_world

from gcodetool.moisture.solver import COMPILED
from gcodetool.queue import choice, optimise, plan

LONG = os.environ.get("GCODETOOL_HYPOTHESIS") == "long"
SLOW = pytest.mark.skipif(not COMPILED, reason="thousands of forecasts")


@SLOW
@settings(
    phases=[Phase.explicit, Phase.generate],
    max_examples=int(os.environ.get("WORLDS", "1000")) if LONG else 12,
)
@given(data=st.data())
def test_every_plan_can_be_carried_out(data, tmp_path_factory) -> None:
    job_list, shelf = draw_world(data, tmp_path_factory.mktemp("world"))
    found = plan.plan(job_list, shelf, at_s=NOW, members=1)
    check(found, job_list, shelf)


@SLOW
@pytest.mark.parametrize("seed", range(100) if LONG else [1])
def test_many_jobs_are_chosen_with_a_bound_that_holds(seed, tmp_path, monkeypatch) -> None:
    """More jobs than can all be tried: the solver's plan can be carried out, and is no worse than without it."""
    pytest.importorskip("ortools")
    monkeypatch.setattr(optimise, "ROUNDS", 1)
    job_list, shelf = random_world(random.Random(seed), tmp_path, 12)
    found = plan.plan(job_list, shelf, at_s=NOW, members=1)
    check(found, job_list, shelf)
    assert "of the solver" in found.search
    assert found.at_most is not None
    assert found.made <= found.at_most
    monkeypatch.setattr(optimise, "solver", lambda: None)
    without = plan.plan(job_list, shelf, at_s=NOW, members=1)
    check(without, job_list, shelf)
    assert "job by job" in without.search
    assert without.made <= found.made


@SLOW
def test_what_trying_everything_finds_is_within_the_solvers_bound(tmp_path_factory, monkeypatch) -> None:
    pytest.importorskip("ortools")
    for seed in range(200 if LONG else 1):
        job_list, shelf = random_world(random.Random(f"small {seed}"), tmp_path_factory.mktemp("world"), 4)
        exact = plan.plan(job_list, shelf, at_s=NOW, members=1)
        with monkeypatch.context() as patched:
            patched.setattr(choice, "MOST_EXHAUSTIVE", 0)
            solved = plan.plan(job_list, shelf, at_s=NOW, members=1)
        check(solved, job_list, shelf)
        assert solved.made <= exact.made or not exact.exact
        assert solved.at_most is None or exact.made <= solved.at_most
