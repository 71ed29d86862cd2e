"""Air that sensors send: thinned to means, without a forecast noticing; wrong clocks are told."""

import itertools
import math
import pathlib
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetool.app.air import follow, take_in
from gcodetool.cli.main import outcome
from gcodetool.errors import LedgerError, SpoolError
from gcodetool.ledger import entries, records
from gcodetool.ledger.sensor_air import JUMP_C, JUMP_RH, WINDOW_US, Held, thinned
from gcodetool.ledger.store import open_ledger, reading
from gcodetool.moisture.history import state_at
from gcodetool.moisture.record import AirLog, Event, Place, Spool
from gcodetool.moisture.solver import COMPILED
from gcodetool.profiles import material

MINUTE = 60.0
steps = st.tuples(st.integers(1, 3600), st.floats(-3, 3), st.floats(-8, 8))


def passed(rows: list[tuple[int, float, float]]) -> tuple[list[tuple[int, float, float]], Held | None]:
    """Return what is noted of readings, and what still waits."""
    held, noted, last = None, [], None
    for row in rows:
        held, more = thinned(held, last, row)
        noted += more
        last = noted[-1][0] if noted else None
    return noted, held


@given(st.lists(steps, min_size=1, max_size=60))
def test_what_is_noted_is_in_order_and_within_what_was_read(walk: list[tuple[int, float, float]]) -> None:
    rows, at_us = [], 0
    for seconds, celsius, rh in walk:
        at_us += seconds * 1_000_000
        rows.append((at_us, 22.0 + celsius, 50.0 + rh))
    noted, held = passed(rows)
    assert noted[0] == rows[0]
    assert all(one[0] < two[0] for one, two in itertools.pairwise(noted))
    for at, celsius, rh in noted:
        assert rows[0][0] <= at <= rows[-1][0]
        assert min(row[1] for row in rows) - 1e-9 <= celsius <= max(row[1] for row in rows) + 1e-9
        assert min(row[2] for row in rows) - 1e-9 <= rh <= max(row[2] for row in rows) + 1e-9
    if held is not None:  # nothing waits for longer than a window
        assert held.last_us - held.first_us < WINDOW_US


def test_a_jump_is_noted_at_once_with_what_was_before_it() -> None:
    rows = [(second * 1_000_000, 22.0, 40.0) for second in range(0, 600, 60)]
    noted, held = passed([*rows, (600_000_000, 22.0, 40.0 + JUMP_RH + 0.1)])
    assert held is None
    assert noted[-1] == (600_000_000, 22.0, 40.0 + JUMP_RH + 0.1)
    assert noted[-2] == (540_000_000, 22.0, 40.0)
    assert passed([*rows, (600_000_000, 22.0 + JUMP_C + 0.1, 40.0)])[0][-1][1] == 22.0 + JUMP_C + 0.1


def a_week(noise: random.Random) -> list[tuple[int, float, float]]:
    """Return a week in a shed, a reading each minute: days and nights, a door twice a day, a noisy sensor."""
    rows = []
    for minute in range(7 * 24 * 60):
        day = minute / 1440 * math.tau
        door = 14.0 if minute % 720 in range(300, 330) else 0.0
        celsius = 21.0 + 2.5 * math.sin(day) - 0.15 * door
        rh = 47.0 - 6.0 * math.sin(day) + door
        rows.append((minute * 60_000_000, celsius + noise.gauss(0, 0.1), rh + noise.gauss(0, 0.5)))
    return rows


def content(rows: list[tuple[int, float, float]], name: str) -> tuple[float, float, float]:
    """Return p10, p50 and p90 of the next-fed strand of a reel that was in that air for a week."""
    columns = list(zip(*rows, strict=True))
    log = AirLog(tuple(at / 1e6 for at in columns[0]), tuple(columns[1]), tuple(columns[2]))
    places = {"shed": Place("shed", "open", log=log)}
    reel = Spool(
        "a", material(name), 1.75, 1000.0, places, (Event(0.0, "received", "shed", water_wt_pct=0.02),)
    )
    found = state_at(reel, rows[-1][0] / 1e6, members=16 if COMPILED else 1)
    values = sorted(found.next_fed_wt_pct)
    return values[1], values[len(values) // 2], values[-2]


@pytest.mark.parametrize("name", ["PETG", "PA6"])
def test_a_forecast_does_not_notice(name: str) -> None:
    rows = a_week(random.Random(5))
    noted, held = passed(rows)
    assert len(noted) < len(rows) / 10
    assert held is not None
    low, middle, high = content(rows, name)
    thin = content([*noted, (rows[-1][0], held.temperature_C, held.rh_pct)], name)
    assert abs(thin[1] - middle) <= 0.01 * (high - low)


@pytest.fixture
def bench(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> str:
    word = str(tmp_path / "ledger.sqlite")
    monkeypatch.setenv("GCODETOOL_LEDGER", word)
    assert (
        outcome(["place", "add", "bench", "--kind", "open", "--temperature", "22", "--humidity", "48"]) == 0
    )
    return word


def test_readings_wait_in_the_ledger_and_wrong_clocks_are_told(bench: str) -> None:
    from datetime import UTC, datetime, timedelta

    begin = datetime.now(UTC) - timedelta(days=1)

    def send(minutes: float, rh: float) -> int:
        said = {"at": (begin + timedelta(minutes=minutes)).isoformat(), "rh_pct": rh, "temperature_C": 21.0}
        return take_in("bench", said, source="s1")

    assert [send(0, 50.0), send(1, 50.2), send(2, 50.4), send(5, 50.2)] == [1, 0, 0, 0]
    with pytest.raises(LedgerError, match="clock set back"):
        send(4, 50.0)
    with pytest.raises(LedgerError, match="set its clock"):
        send(48 * 60, 50.0)
    assert send(31.5, 50.0) == 1
    assert send(32, 70.0) == 0  # it only begins to wait
    assert send(33, 60.0) == 2
    with reading(open_ledger(bench)) as conn:
        place = records.places(conn)["bench"]
        rows = entries.readings_of(conn, "bench", place.measured)
    assert [row[2] for row in rows] == pytest.approx([50.0, 50.2, 70.0, 60.0])


def test_a_file_that_grows_is_followed_and_a_half_written_line_is_waited_for(
    bench: str, tmp_path: pathlib.Path
) -> None:
    file = tmp_path / "logger.csv"
    head = "time,temperature_C,rh_pct\n"
    row = "2026-11-02T08:{:02}:00+00:00,21.0,{}\n".format
    looks = iter(
        [
            head + row(0, "50.0") + row(1, "50.2"),
            head + row(0, "50.0") + row(1, "50.2") + "2026-11-02T08:02:00+00:00,21.0,fif",
            head + row(0, "50.0") + row(1, "50.2") + row(2, "60.0"),
            head + row(0, "50.0") + row(1, "50.2") + row(2, "60.0") + "no line\n",
            None,  # and so it stays
            "never reached",
        ]
    )

    def wait() -> bool:
        more = next(looks)
        if more is not None:
            file.write_text(more, encoding="utf-8")
        return True

    assert wait()
    with pytest.raises(SpoolError, match=r"logger\.csv:5"):
        list(follow("bench", file, wait=wait))
    with reading(open_ledger(bench)) as conn:
        rows = entries.readings_of(conn, "bench", records.places(conn)["bench"].measured)
    assert [row[2] for row in rows] == [50.0, 50.2, 60.0]
