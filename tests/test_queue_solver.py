"""The solver's model of a queue: what it rules out, and the small changes of a plan that it proposes."""

import random
from dataclasses import replace
from typing import Any

import pytest
from queue_world import HOUR, NOW, PLACES, job, spool, stock
from queue_worlds import asked_of, random_world

from gcodetool.moisture.solver import COMPILED
from gcodetool.queue import exchange, optimise, solver_model
from gcodetool.queue.executors import SerialExecutor
from gcodetool.queue.job_list import JobRequest, from_paths
from gcodetool.queue.presence import presence_of
from gcodetool.queue.schedule import Schedule
from gcodetool.queue.search import greedy
from gcodetool.queue.solver_model import CHANGED, SolverModel
from gcodetool.queue.table import SHORT_S, table_of

pytest.importorskip("ortools")

SLOW = pytest.mark.skipif(not COMPILED, reason="hundreds of forecasts, too slow interpreted")
WITHOUT_OVEN = PLACES[: PLACES.index("[place.oven]")] + PLACES[PLACES.index("[place.bench-1]") :]


@SLOW
@pytest.mark.parametrize(("after_min", "most"), [(5, 1), (15, 2)])
def test_a_printer_is_cleared_in_the_morning_before_the_next_job(after_min, most, tmp_path) -> None:
    """One job must run at night, one is due so long after it could end if it began when somebody comes.

    It takes ten minutes to clear the printer.
    """
    for name in ("petg-01", "petg-02"):
        spool(tmp_path, name)
    paths = [
        job(tmp_path, f"{name}.gcode", hours=hours, metres=4, layers=2)
        for name, hours in (("clip", 4), ("tee", 2))
    ]
    present = presence_of(["Mon-Sun 07:30-18:30"])
    evening = present.last_s(NOW + 6 * HOUR)
    morning = present.next_s(evening + HOUR)

    def asked(due: tuple[float | None, float | None]) -> Any:
        requests = [
            JobRequest(path, "bench-1", due_s=due_s, earliest_s=evening - 60)
            for path, due_s in zip(paths, due, strict=True)
        ]
        job_list = replace(
            from_paths(paths, printer="bench-1"),
            requests=tuple(requests),
            presence=present,
            turnaround_s=600.0,
            free_order=True,
        )
        return asked_of(job_list, stock(tmp_path))

    night_s, day_s = (task.job.open_air_s for task in asked((None, None))[2])
    memo, start, tasks = asked((evening + night_s + 60, morning + day_s + after_min * 60))
    table = table_of(memo, start, tasks, SerialExecutor())
    assert optimise.bound(memo, start, tasks, table, "free") == most


@SLOW
@pytest.mark.parametrize("dryer", [True, False])
def test_wet_windings_are_taken_off_by_a_job_that_can_make_it(dryer, tmp_path) -> None:
    """Two jobs, each good enough only after the other one: without a dryer none is the first."""
    spool(tmp_path, "petg-03", water=0.4, places=PLACES if dryer else WITHOUT_OVEN)
    paths = [
        job(tmp_path, f"part-{number}.gcode", hours=hours, metres=metres, layers=2)
        for number, (hours, metres) in enumerate(((1, 40), (4, 3)))
    ]
    memo, start, tasks = asked_of(from_paths(paths, printer="bench-1"), stock(tmp_path))
    table = table_of(memo, start, tasks, SerialExecutor())
    assert all(any("helped" in entry.states for entry in entries) for entries in table.entries)
    for order in ("free", "reels"):
        assert optimise.bound(memo, start, tasks, table, order) == (2 if dryer else 0)


@SLOW
def test_when_a_reel_gets_wet_is_known_closely(tmp_path) -> None:
    """The last moment at which a job was good and the first at which it was too wet lie close together."""
    spool(tmp_path, "tpu-03", "TPU", water=0.1)
    path = job(tmp_path, "seal.gcode", hours=1, metres=20, materials=["TPU"], layers=2)
    memo, start, tasks = asked_of(from_paths([path], printer="bench-1"), stock(tmp_path))
    (entries,) = table_of(memo, start, tasks, SerialExecutor()).entries
    ((from_s, until_s),) = next(entry.spells for entry in entries if entry.states == ("dry",))
    assert from_s < NOW < until_s
    known = sorted(
        (step.start_s, row.code in ("clear", "adjust"))
        for (history, step), row in memo.prints.items()
        if history.step is None
    )
    last_good = max(at_s for at_s, good in known if good)
    first_bad = min(at_s for at_s, good in known if not good)
    assert first_bad == until_s
    assert 0 < first_bad - last_good <= max(SHORT_S, 0.05 * (last_good - NOW))


@SLOW
@pytest.mark.parametrize("seed", [1, 11])
def test_a_small_change_lets_one_more_make_it(seed, tmp_path) -> None:
    job_list, shelf = random_world(random.Random(seed), tmp_path, 12, free=True)
    memo, start, tasks = asked_of(job_list, shelf)
    table = table_of(memo, start, tasks, SerialExecutor())
    known = greedy(memo, start, tasks)
    most = optimise.bound(memo, start, tasks, table, "free")
    assert most is not None
    made = {each.task.number - 1: each.way for each in known.all() if each.met}
    assert len(made) < most

    def model() -> SolverModel:
        return SolverModel(optimise.solver(), memo, start, tasks, table, (), "free")

    chosen = model().change(known)
    assert chosen is not None
    assert len(chosen.entries) > len(made)
    ways = {at: table.entries[at][entry].way for at, entry in chosen.entries.items()}
    changed = [at for at, way in made.items() if at not in ways or ways[at][:2] != way[:2]]
    assert len(changed) <= CHANGED

    found = optimise.propose(
        memo,
        start,
        tasks,
        table,
        free=True,
        fewest_missed=len(tasks) - most,
        known=known,
        small=True,
        offer=lambda _: None,
        enough=lambda: False,
    )
    assert found.best is not None
    assert found.best.cost.missed < known.cost.missed
    if found.best.cost.missed == len(tasks) - most:  # nothing more can be asked for
        assert model().change(found.best) is None


@SLOW
def test_a_short_walk_ends_unless_more_make_it(tmp_path, monkeypatch) -> None:
    """A plan with fewer hand-offs is kept, but the walk does not go on for it; once no more can make it, it does."""
    job_list, shelf = random_world(random.Random(4), tmp_path, 12, free=True)
    memo, start, tasks = asked_of(job_list, shelf)
    begin = greedy(memo, start, tasks)
    monkeypatch.setattr(exchange, "SHORT", 40)
    monkeypatch.setattr(exchange, "CONTENT", 40)
    steps: list[int] = []
    for fewest in (-1, begin.cost.missed):
        walk = exchange.Exchange(memo, start, tasks, begin, free=True, fewest_missed=fewest, short=True)
        placed = walk._placed
        count = 0

        def counted(*asked: Any, placed: Any = placed) -> Any:
            nonlocal count
            count += 1
            return placed(*asked)

        walk._placed = counted  # type: ignore[method-assign]
        best = walk.run()
        assert best.cost.key() < begin.cost.key()
        assert best.cost.missed == begin.cost.missed
        steps.append(count)
    assert steps[0] == 40 < steps[1]


@SLOW
@pytest.mark.parametrize("free", [True, False])
def test_a_proposal_is_mended_where_it_does_not_come_out(free, tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(optimise, "ROUNDS", 1)
    job_list, shelf = random_world(random.Random(5), tmp_path, 12, free=free)
    memo, start, tasks = asked_of(job_list, shelf)
    table = table_of(memo, start, tasks, SerialExecutor())
    offered: list[Schedule] = []
    optimise.propose(memo, start, tasks, table, free=free, offer=offered.append, enough=lambda: False)
    placed, mended = offered
    assert mended.cost.missed < placed.cost.missed
    assert {each.task.number for each in mended.all()} == {task.number for task in tasks}


@SLOW
@pytest.mark.parametrize("work", [1e-6, 1e-4, 1e-3, 1e-2, 0.1])
def test_a_solver_that_stops_early_proves_nothing_wrong(work, tmp_path, monkeypatch) -> None:
    job_list, shelf = random_world(random.Random(11), tmp_path, 12, free=True)
    memo, start, tasks = asked_of(job_list, shelf)
    table = table_of(memo, start, tasks, SerialExecutor())
    most = optimise.bound(memo, start, tasks, table, "free")
    monkeypatch.setattr(solver_model, "BOUND_WORK", work)
    early = optimise.bound(memo, start, tasks, table, "free")
    assert most is not None
    assert early is None or most <= early <= len(tasks)
    assert (early is None) <= (work < 1e-2)  # nothing is proven where there was no time at all


@SLOW
def test_a_solver_that_found_no_plan_is_asked_again_with_less_to_do_before(tmp_path, monkeypatch) -> None:
    job_list, shelf = random_world(random.Random(11), tmp_path, 12, free=True)
    memo, start, tasks = asked_of(job_list, shelf)
    table = table_of(memo, start, tasks, SerialExecutor())
    most = optimise.bound(memo, start, tasks, table, "free")
    real, asked = SolverModel._solver, []

    def solver(self: SolverModel, work: float) -> Any:
        asked.append(real(self, work if asked else 1e-6))
        return asked[-1]

    monkeypatch.setattr(SolverModel, "_solver", solver)
    assert optimise.bound(memo, start, tasks, table, "free") == most
    first, again = (each.parameters.cp_model_probing_level for each in asked)
    assert again == 0 < first


@pytest.mark.parametrize(
    ("asked", "orders"),
    [({}, ["list", "reels"]), ({"small": True}, ["reels"]), ({"free": True}, ["free"])],
)
def test_small_changes_are_asked_of_the_laxer_order_alone(asked, orders, monkeypatch) -> None:
    tried: list[str] = []

    class Nothing:
        def __init__(self, *given: Any) -> None:
            tried.append(given[-1])

        def change(self, _: Any) -> None:
            return None

        solve = change

    monkeypatch.setattr(optimise, "SolverModel", Nothing)
    known: Any = object()
    found = optimise.propose(*[known] * 4, known=known, offer=lambda _: None, enough=lambda: False, **asked)
    assert (tried, found.count) == (orders, 0)
