"""Small workshops drawn at random: jobs, reels, dryers and printers for the laws of the queue."""

import pathlib
import random
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import strategies as st
from queue_world import HOUR, NOW, job, spool, stock

from gcodetool.queue import plan
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.job_list import JobList, JobRequest, QueuePrinter, ToolRequest, by_profile, from_paths
from gcodetool.queue.presence import presence_of
from gcodetool.queue.schedule import Schedule, Task
from gcodetool.queue.tasks import Stock

HOURS = [(), ("Mon-Fri 07:30-18:00",), ("Mon-Fri 07:30-18:00", "Wed-Sun 20:00-02:00"), ("Thu 09:00-10:00",)]
WET = {"PETG": (0.02, 0.12, 0.38), "PLA": (0.05, 0.6), "TPU": (0.02, 0.9)}


def with_boxes(name: str, boxes: tuple[str, ...]) -> QueuePrinter:
    """Return a printer that these boxes can stand at."""
    profile = by_profile(name).profile
    assert profile is not None
    return QueuePrinter(replace(profile, feed_places=boxes))


def draw_world(
    data: st.DataObject,
    folder: pathlib.Path,
    *,
    jobs: tuple[int, int] = (2, 4),
    reels: tuple[int, int] = (1, 3),
) -> tuple[JobList, Stock]:
    """Return a list of jobs and a shelf; every draw is small, so that a failure is short to read."""
    materials = data.draw(st.lists(st.sampled_from(sorted(WET)), min_size=1, max_size=2, unique=True))
    count = data.draw(st.integers(*reels))
    for number in range(count):
        material = data.draw(st.sampled_from(materials))
        spool(
            folder,
            f"{material.lower()}-{number}",
            material,
            water=data.draw(st.sampled_from(WET[material])),
            place=data.draw(st.sampled_from(["bench", "bag", "box-2", "bench-1", "oven"])),
            net_g=data.draw(st.sampled_from([60, 250])),
        )
    requests = []
    for number in range(data.draw(st.integers(*jobs))):
        material = data.draw(st.sampled_from(materials))
        hours, metres = data.draw(st.sampled_from([(0.5, 4), (2, 20), (6, 30)]))
        path = job(folder, f"part-{number}.gcode", hours=hours, metres=metres, layers=2, materials=[material])
        due = data.draw(st.sampled_from([None, 6, 16, 40]))
        names = [None, *(path.stem for path in folder.glob(f"{material.lower()}-*.toml"))]
        name = data.draw(st.sampled_from(sorted(names, key=str)))
        requests.append(
            JobRequest(
                path,
                data.draw(st.sampled_from(["bench-1", "bench-2"])),
                {} if name is None else {None: ToolRequest(spool=name)},
                due_s=None if due is None else NOW + due * HOUR,
                fits=data.draw(st.sampled_from([(), ("bench-3",)])),
            )
        )
    boxes = data.draw(st.sampled_from([(), ("box-2",)]))
    job_list = replace(
        from_paths([requests[0].path], printer="bench-1"),
        requests=tuple(requests),
        printers={name: with_boxes(name, boxes) for name in ("bench-1", "bench-2", "bench-3")},
        holds={"oven": data.draw(st.integers(1, 2))},
        turnaround_s=data.draw(st.sampled_from([0.0, 600.0])),
        unattended=frozenset(data.draw(st.sampled_from([(), ("oven",)]))),
        presence=presence_of(data.draw(st.sampled_from(HOURS))),
        busy=data.draw(st.sampled_from([{}, {"bench-1": NOW + 1.5 * HOUR}])),
    )
    return job_list, stock(folder)


def random_world(
    dice: random.Random, folder: pathlib.Path, jobs: int, *, free: bool = False
) -> tuple[JobList, Stock]:
    """Return a larger workshop: a spool for three jobs, two printers that many jobs fit both, an oven, a dehydrator."""
    for number in range(max(3, jobs // 3)):
        material = dice.choice(sorted(WET))
        place = dice.choice(["bench", "bag", "bag", "box-2"])
        spool(
            folder,
            f"{material.lower()}-{number:02}",
            material,
            water=dice.choice(WET[material]),
            place=place,
            net_g=dice.choice([60, 250, 500]),
        )
    materials = sorted({path.stem.split("-")[0].upper() for path in folder.glob("*.toml")})
    requests = []
    for number in range(jobs):
        hours, metres = dice.choice([(0.5, 4), (1, 8), (2, 20), (4, 30)])
        path = job(
            folder,
            f"part-{number:02}.gcode",
            hours=hours,
            metres=metres,
            layers=2,
            materials=[dice.choice(materials)],
        )
        own = dice.choice(["bench-2", "bench-3"])
        fits = tuple({"bench-2", "bench-3"} - {own}) if dice.random() < 0.5 else ()
        due = dice.choice([None, None, 24, 48, 72])
        requests.append(JobRequest(path, own, due_s=None if due is None else NOW + due * HOUR, fits=fits))
    job_list = replace(
        from_paths([requests[0].path], printer="bench-2"),
        requests=tuple(requests),
        printers={name: by_profile(name) for name in ("bench-2", "bench-3")},
        holds={"oven": 2},
        turnaround_s=600.0,
        unattended=frozenset(dice.choice([(), ("oven",)])),
        presence=presence_of(dice.choice(HOURS[:3])),
        free_order=free,
    )
    return job_list, stock(folder)


def asked_of(job_list: JobList, shelf: Stock) -> tuple[ForecastMemo, Schedule, Sequence[Task]]:
    """Return what the choice of a plan is asked."""
    known: list[Any] = []

    def choose(*asked: Any, **_: Any) -> Any:
        known.extend(asked)
        raise KeyboardInterrupt

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(plan, "choose", choose)
        plan.plan(job_list, shelf, at_s=NOW, members=1)
    return known[0], known[1], known[2]
