"""Which solver chooses a queue's plan: CP-SAT (ortools) or HiGHS (highspy), on size, start-up and result.

The core of the question alone: jobs with due times, each on one of two or three printers, as many as possible in
time.  CP-SAT has optional intervals; HiGHS gets the usual big-M pairs.  Run by hand, both installed:
``python docs/experiments/solver_choice.py``.  It settled ``gcodetool/queue/optimise.py``.
"""

import importlib.metadata
import random
import subprocess
import sys
import time
from typing import Any

LIMIT_S = 10.0  # on the clock, for each solver and instance

Job = tuple[int, int, tuple[int, ...]]  # minutes, due, printers that it fits


def instance(count: int, seed: int) -> list[Job]:
    """Return jobs that do not all fit into a day and a half."""
    dice = random.Random(seed)
    return [
        (
            dice.choice([30, 60, 120, 240]),
            dice.choice([480, 960, 1440, 2160]),
            tuple(sorted(dice.sample(range(3), dice.choice([1, 2])))),
        )
        for _ in range(count)
    ]


def cp_sat(jobs: list[Job]) -> tuple[float, float]:
    """Return jobs in time, and the bound."""
    from ortools.sat.python import cp_model

    model = cp_model.CpModel()
    on: dict[int, list[Any]] = {}
    made = []
    for at, (minutes, due, printers) in enumerate(jobs):
        begin = model.new_int_var(0, max(0, due - minutes), f"{at}")
        takes = [model.new_bool_var(f"{at} {printer}") for printer in printers]
        model.add_at_most_one(takes)
        made += takes
        for printer, literal in zip(printers, takes, strict=True):
            on.setdefault(printer, []).append(
                model.new_optional_fixed_size_interval_var(begin, minutes, literal, f"{at} {printer}")
            )
    for intervals in on.values():
        model.add_no_overlap(intervals)
    model.maximize(sum(made))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.max_time_in_seconds = LIMIT_S
    solver.solve(model)
    return solver.objective_value, solver.best_objective_bound


def highs(jobs: list[Job]) -> tuple[float, float]:
    """Return the same from big-M pairs."""
    import highspy

    solver = highspy.Highs()
    solver.silent()
    begins = [solver.addVariable(0, max(0, due - minutes)) for minutes, due, _ in jobs]
    takes = {(at, p): solver.addBinary() for at, (_, _, printers) in enumerate(jobs) for p in printers}
    for at, (_, _, printers) in enumerate(jobs):
        solver.addConstr(sum(takes[at, p] for p in printers) <= 1)
    for one in range(len(jobs)):
        for two in range(one):
            for p in set(jobs[one][2]) & set(jobs[two][2]):
                first = solver.addBinary()
                free = 2 - takes[one, p] - takes[two, p]
                for early, late, order in ((one, two, 1 - first), (two, one, first)):
                    big = jobs[early][1]
                    solver.addConstr(
                        begins[late] >= begins[early] + jobs[early][0] - big * order - big * free
                    )
    solver.setOptionValue("time_limit", LIMIT_S)
    solver.setOptionValue("threads", 1)
    solver.maximize(sum(takes.values()))
    info = solver.getInfo()
    return round(info.objective_function_value), info.mip_dual_bound


def megabytes(package: str) -> float:
    """Return what a package's files take, without what it needs."""
    files = importlib.metadata.files(package) or []
    return sum(path.stat().st_size for file in files if (path := file.locate()).is_file()) / 1e6  # type: ignore[attr-defined]


def main() -> None:
    """Print size, start-up and results."""
    for package, module, needs in (
        ("ortools", "ortools.sat.python.cp_model", ("pandas", "protobuf", "absl-py", "immutabledict")),
        ("highspy", "highspy", ()),
    ):
        subprocess.run([sys.executable, "-c", f"import {module}"], check=True)  # from the disk
        code = f"import time; t = time.process_time(); import {module}; print(time.process_time() - t)"
        took = float(subprocess.run([sys.executable, "-c", code], check=True, capture_output=True).stdout)
        more = sum(megabytes(need) for need in needs)
        print(f"{package}: {megabytes(package):.0f} MB and {more:.0f} MB that it needs, import {took:.2f} s")
    for count in (10, 20, 30, 40):
        for name, solve in (("CP-SAT", cp_sat), ("HiGHS", highs)):
            found, bound, seconds = 0.0, 0.0, 0.0
            for seed in range(3):
                began = time.process_time()
                made, at_most = solve(instance(count, seed))
                found, bound = found + made, bound + at_most
                seconds += time.process_time() - began
            print(
                f"{count} jobs, {name}: {found:.0f} in time, at most {bound:.1f}, {seconds:.1f} s (3 instances)"
            )


if __name__ == "__main__":
    main()
