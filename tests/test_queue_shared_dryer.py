"""Reels that a queue puts into one dryer: where it keeps its own air they hold each other up, and the plan knows it."""

import pathlib

import pytest
from plan_checker import check
from queue_world import HOUR, NOW, PLACES, job, spool, stock

from gcodetool.moisture.solver import COMPILED
from gcodetool.queue import full_forecast
from gcodetool.queue.findings import QueueFindings, empty_row
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.job_list import read_list
from gcodetool.queue.plan import plan

pytestmark = pytest.mark.skipif(not COMPILED, reason="hundreds of drying courses")

OPEN = PLACES.replace('room = "bench"\n\n[place.bench-1]', 'slots = 2\nroom = "bench"\n\n[place.bench-1]')


@pytest.fixture(autouse=True)
def dried_until_good(monkeypatch) -> None:
    """Leave dryings as they were chosen, until all of the strand is good, not just as long as a job needs."""
    monkeypatch.setattr(full_forecast, "settled", lambda quick, full, start, chosen: chosen)


CLOSED = OPEN.replace("slots = 2\n", "slots = 2\nair_L = 20\nexchange_m3_h = 0.01\n")


def planned(folder: pathlib.Path, places: str, *, reels: int = 2) -> QueueFindings:
    """Plan a wet job on each of two printers, on a reel of its own; the plan is checked."""
    home = folder / f"{len(list(folder.iterdir()))}"
    (home / "shelf").mkdir(parents=True)
    jobs = []
    for number in range(1, reels + 1):
        job(home, f"wet-{number}.gcode", hours=1 + number / 8, metres=6 + number)
        spool(home / "shelf", f"petg-{number}", water=0.42, place="bench", places=places, net_g=1000)
        jobs.append(
            f'[[job]]\nfile = "wet-{number}.gcode"\nprinter = "bench-{number}"\nspool = "petg-{number}"\n'
        )
    path = home / "list.toml"
    path.write_text('shelf = "shelf"\n[dryer.oven]\nunattended = true\n' + "".join(jobs), encoding="utf-8")
    job_list, shelf = read_list(path, printer=None), stock(home / "shelf")
    found = plan(job_list, shelf, at_s=NOW, members=1)
    check(found, job_list, shelf)
    return found


def hours(found: QueueFindings) -> list[float]:
    return [(each.out_s - each.in_s) / HOUR for each in found.dryings]


def test_two_reels_in_a_dryer_of_its_own_air_hold_each_other_up(tmp_path) -> None:
    """Who comes second is given longer, and of the first it is told truly how wet it then comes out."""
    alone = planned(tmp_path, CLOSED, reels=1)
    together = planned(tmp_path, CLOSED)
    first, second = together.dryings
    assert first.in_s < second.out_s
    assert second.in_s < first.out_s
    (one,), both = hours(alone), hours(together)
    assert both[0] == one
    assert both[1] > one + 2
    assert first.before_wt_pct == pytest.approx(alone.dryings[0].before_wt_pct, rel=1e-6)
    assert first.after_wt_pct > alone.dryings[0].after_wt_pct + 0.01
    assert (alone.dryings[0].reached, first.reached, second.reached) == ("good", "marginal", "good")
    wet = [found.rows[0].tools[0].worst_wt_pct for found in (alone, together)]
    assert wet[1] > wet[0] + 0.01


def test_who_is_dried_for_a_job_that_is_not_run_holds_up_nobody(tmp_path, monkeypatch) -> None:
    """The full forecast holds the second job: its reel is not dried, and the first one has the dryer's air alone."""
    alone = planned(tmp_path, CLOSED, reels=1)
    printed = ForecastMemo.printed

    def harder(memo, history, step, tool):
        if memo.options.exposures and history.spool == "petg-2":
            return empty_row(tool, "dry-first", "too wet in full", spool="petg-2")
        return printed(memo, history, step, tool)

    monkeypatch.setattr(ForecastMemo, "printed", harder)
    both = planned(tmp_path, CLOSED)
    assert [row.held for row in both.rows] == [False, True]
    (drying,) = both.dryings
    assert drying.spool == "petg-1"
    assert drying.after_wt_pct == pytest.approx(alone.dryings[0].after_wt_pct, rel=1e-9)


def test_where_the_air_is_the_rooms_they_do_not_know_of_each_other(tmp_path) -> None:
    alone, both = planned(tmp_path, OPEN, reels=1), planned(tmp_path, OPEN)
    assert hours(both) == hours(alone) * 2
    assert both.dryings[0].after_wt_pct == pytest.approx(alone.dryings[0].after_wt_pct, rel=1e-9)


def test_who_was_to_share_a_dryer_with_what_is_not_dried_after_all_is_forecast_alone(
    tmp_path, monkeypatch
) -> None:
    """The full forecast calls job 1 off, and with it the drying that held the other up: the checker takes that alone."""
    monkeypatch.undo()  # hours as the jobs need them
    tight = OPEN.replace(
        "slots = 2\n", "slots = 2\nair_L = 5\nexchange_m3_h = 0.03\nmax_temperature_C = 75.0\n"
    )
    tight = tight.replace("rh_pct = 55.0", "rh_pct = 45.0").replace("max_temperature_C = 90.0\n", "")
    (tmp_path / "shelf").mkdir()
    job(tmp_path, "long.gcode", hours=3, metres=12, layers=3, materials=["TPU"])
    job(tmp_path, "short.gcode", hours=1, metres=8, layers=3, materials=["TPU"])
    for number, water in enumerate((0.6, 0.12)):
        spool(tmp_path / "shelf", f"tpu-{number}", "TPU", water=water, place="bench-1", places=tight)
    path = tmp_path / "list.toml"
    path.write_text(
        'shelf = "shelf"\nturnaround_min = 10\npresent = ["Mon-Fri 07:30-18:00", "Wed-Sun 20:00-02:00"]\n'
        '[busy]\n"bench-1" = 2026-11-27T09:00:00\n[dryer.oven]\n[[job]]\nfile = "long.gcode"\nprinter = "bench-1"\n'
        '[[job]]\nfile = "short.gcode"\nprinter = "bench-2"\nspool = "tpu-0"\nearliest = 2026-11-27T09:00:00\n',
        encoding="utf-8",
    )
    job_list, shelf = read_list(path, printer=None), stock(tmp_path / "shelf")
    found = plan(job_list, shelf, at_s=NOW, members=1)
    check(found, job_list, shelf)
    assert [row.held for row in found.rows] == [True, False]
    assert [each.spool for each in found.dryings] == ["tpu-0"]
