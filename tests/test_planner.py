"""Laws of the planners: compiled as interpreted as the naive twin, streamed as whole."""

import functools
import math
import random
from array import array
from types import ModuleType
from typing import Any

import naive_motion
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from naive_motion import DIALECTS, Event
from twins import interpreted

from gcodetool.gcode import rows as row_ops
from gcodetool.gcode.rows import Rows
from gcodetool.motion import planner as compiled
from gcodetool.motion.limits import Limits, klipper_limits, marlin_limits, rrf_limits

JERK = {"X": 8, "Y": 8, "Z": 0.4, "E": 5}
MARLIN_TABLES = {
    "M201": {"X": 500, "Y": 700, "Z": 100, "E": 5000},
    "M203": {"X": 200, "Y": 200, "Z": 10, "E": 50},
    "M204": {"P": 500, "R": 1000, "T": 600},
    "M92": {"X": 80, "Y": 80, "Z": 400, "E": 93},
}
RRF_TABLES = {
    "M201": {"X": 1000, "Y": 1200, "Z": 100, "E": 1000},
    "M203": {"X": 9000, "Y": 9000, "Z": 720, "E": 3600},
    "M204": {"P": 1000, "T": 1500},
}
RRF_JERK = {"X": 600, "Y": 600, "Z": 30, "E": 600}
MACHINES = ["klipper", "klipper hard", "marlin deviation", "marlin jerk", "rrf 0", "rrf 1"]


def limits_of(machine: str) -> Limits:
    """Return a machine's limits; slow enough that look-ahead matters."""
    if machine == "klipper":
        return klipper_limits({"max_velocity": 200, "max_accel": 800, "max_z_velocity": 8}, None)
    if machine == "klipper hard":
        return klipper_limits({"max_velocity": 300, "max_accel": 3000, "minimum_cruise_ratio": 0}, None)
    if machine == "marlin deviation":
        return marlin_limits(MARLIN_TABLES | {"M205": {"J": 0.013}})
    if machine == "marlin jerk":
        return marlin_limits(MARLIN_TABLES | {"M205": JERK})
    return rrf_limits(RRF_TABLES | {"M566": RRF_JERK | {"P": int(machine[-1])}})


def dialect_of(machine: str) -> str:
    return {"k": "klipper", "m": "marlin", "r": "reprapfirmware"}[machine[0]]


# --- three ways to the same table -----------------------------------------------------------------

OPS = {
    "move": row_ops.MOVE,
    "arc": row_ops.ARC,
    "stop": row_ops.COMMAND,
    "home": row_ops.HOME,
    "acceleration": row_ops.ACCELERATION,
}


def rows_of(events: list[Event]) -> Rows:
    rows = Rows(max(1, len(events)))
    for n, event in enumerate(events):
        rows.op[n], rows.arg[n], rows.line[n] = OPS[event.kind], event.arg, event.line
        numbers: tuple[float, ...] = (event.x, event.y, event.z, event.e, event.f)
        if event.kind == "acceleration":
            numbers = (*(event.words.get(word, math.nan) for word in "SPRT"), 0.0)
        rows.x[n], rows.y[n], rows.z[n], rows.e[n], rows.f[n] = numbers  # type: ignore[attr-defined]
        rows.i[n], rows.j[n] = event.i, event.j  # type: ignore[attr-defined]
    rows.count = len(events)
    return rows


def planned(module: ModuleType, machine: str, events: list[Event], **options: Any) -> tuple[list[Any], Any]:
    """Return (rows of the move table, planner) by the module's planner."""
    planner = module.Planner(DIALECTS[dialect_of(machine)], limits_of(machine).values, **options)
    sums = [array("d", [0.0]) for _ in range(7)]
    planner.sums(*sums)
    planner.demands(array("d", bytes(8 * module.FLOW_BINS)), array("d", bytes(8 * module.TOOL_FIGURES)))
    planner.tabled = True
    rows, at = rows_of(events), 0
    while (at := planner.take(rows, at, len(events))) < len(events):
        planner.stop()
        at += 1
    planner.stop()
    width = module.TABLE_COLUMNS
    table = planner.drain()
    found = [tuple(table[n : n + width]) for n in range(0, len(table), width)]
    assert sums[0][0] == pytest.approx(sum(sum(row[2:5]) for row in found))
    return found, planner


def naive(machine: str, events: list[Event], **options: Any) -> list[Any]:
    """Return the move table by the slow twin."""
    limits = limits_of(machine)
    dialect = dialect_of(machine)
    values = dict(zip(limits.names, limits.values, strict=True))
    kind = {
        "klipper": naive_motion.Klipper,
        "marlin": naive_motion.Marlin,
        "reprapfirmware": naive_motion.Rrf,
    }
    twin: Any = kind[dialect](values, **options)
    place = (0.0, 0.0, 0.0)
    for event in events:
        if event.kind == "stop":
            twin.stop()
        elif event.kind == "acceleration":
            twin.accelerate(event.words)
        else:
            cut = naive_motion.chords(event, place, dialect, values.get("arc_resolution", 1.0))
            radius = math.hypot(event.i, event.j)
            for k, chord in enumerate(cut):
                way = (chord.x - place[0], chord.y - place[1], chord.z - place[2])
                more = (radius if 0 < k < len(cut) - 1 else 0.0,) if dialect == "marlin" else ()
                twin.move(chord.line, way, chord.e, chord.f, *more)
                place = (chord.x, chord.y, chord.z)
    twin.stop()
    return [
        (
            plan.line,
            (1 if plan.de > 0 else 4 if plan.de < 0 else 0) | (2 if plan.across else 0),
            plan.up,
            plan.cruise,
            plan.down,
            plan.start,
        )
        for plan in twin.plans
    ]


# --- jobs -------------------------------------------------------------------------------------------

STEP_XY = st.sampled_from([0.0, 0.01, -0.03, 0.1, -0.2, 0.5, 1.0, -3.0, 12.0, -40.0])
STEP_Z = st.sampled_from([0.0, 0.0, 0.0, 0.0, 0.2, -0.2, 3.0])
STEP_E = st.sampled_from([0.0, 0.0, 0.005, 0.02, 0.4, -0.6, 0.6, 2.5])
FEED = st.sampled_from([5.0, 20.0, 30.0, 60.0, 150.0, 400.0])
MOVE = st.tuples(STEP_XY, STEP_XY, STEP_Z, STEP_E, FEED)
OTHER = st.sampled_from(
    [("stop", {}), ("acceleration", {"S": 1500.0}), ("acceleration", {"P": 300.0, "T": 900.0})]
)
ARC = st.tuples(
    st.just("arc"),
    st.sampled_from([0.43, 2.1, 8.7]),
    st.sampled_from([0.51, 2.03, 4.07, math.tau]),
    st.booleans(),
)
STEPS = st.lists(st.one_of(MOVE, MOVE, MOVE, MOVE, OTHER, ARC), max_size=60)


def job(steps: list[Any], *, arcs: bool = True) -> list[Event]:
    """Return events from relative steps."""
    out: list[Event] = []
    x = y = z = 0.0
    for line, step in enumerate(steps, 1):
        if step[0] == "arc":
            _, radius, angle, clockwise = step
            if not arcs:
                continue
            i, j = -radius, 0.0
            x1, y1 = x, y
            if angle < math.tau:
                turn = -angle if clockwise else angle
                x1, y1 = x - radius + radius * math.cos(turn), y + radius * math.sin(turn)
            event = Event("arc", line, x1, y1, z, 0.05 * radius * angle, 40.0, i, j, 32 if clockwise else 0)
            x, y = x1, y1
        elif isinstance(step[0], str):
            event = Event(step[0], line, words=step[1])
        else:
            dx, dy, dz, de, feed = step
            x, y, z = round(x + dx, 5), round(y + dy, 5), round(z + dz, 5)
            event = Event("move", line, x, y, z, de, feed)
        out.append(event)
    return out


def assert_same(found: list[Any], expected: list[Any], absolute: float = 3e-6) -> None:
    """Compare tables; the twin has no whole clocks, and a reversal magnifies the last bit of a sine."""
    assert len(found) == len(expected)
    for row, (one, other) in enumerate(zip(found, expected, strict=True)):
        assert one[:2] == other[:2], row
        assert sum(one[2:5]) == pytest.approx(sum(other[2:5]), rel=1e-9, abs=absolute), row
        assert one[5] == pytest.approx(other[5], rel=1e-9, abs=1e-3), row


def long_job(seed: int, count: int) -> list[Event]:
    """Return a job of many moves: small facets, some corners, retractions, few stops."""
    choice = random.Random(seed)
    steps: list[Any] = []
    while len(steps) < count:
        heading = choice.uniform(0, math.tau)
        for _ in range(choice.choice([3, 40, 200])):
            heading += choice.choice([0.0, 0.03, 0.2, -0.1])
            way = choice.choice([0.05, 0.3, 1.0, 5.0])
            de = way * choice.choice([0.04, 0.04, 0.04, 0.07])
            steps.append((way * math.cos(heading), way * math.sin(heading), 0.0, de, 60.0))
        steps += [
            (0, 0, 0, -0.6, 35.0),
            (30.0 * math.cos(heading), 9.0, 0.0, 0.0, 150.0),
            (0, 0, 0, 0.6, 35.0),
        ]
    return job(steps[:count])


both = functools.partial(pytest.mark.parametrize, "machine", MACHINES)


@pytest.mark.skipif(not compiled.COMPILED, reason="nothing to compare: the kernel runs interpreted")
@both()
@given(steps=STEPS)
@settings(max_examples=60)
def test_compiled_plans_as_interpreted(machine: str, steps: list[Any]) -> None:
    events = job(steps)
    one, by = planned(compiled, machine, events)
    two, twin = planned(interpreted("gcodetool.motion.planner"), machine, events)
    assert one == two
    for figure in ("moves", "refused", "dropped", "capped", "rejected_arcs"):
        assert getattr(by, figure) == getattr(twin, figure)


@both()
@given(steps=STEPS)
@settings(max_examples=100)
def test_planned_as_the_naive_twin(machine: str, steps: list[Any]) -> None:
    events = job(steps)
    assert_same(planned(compiled, machine, events)[0], naive(machine, events))


@both()
@given(steps=STEPS, batch=st.integers(1, 7))
@settings(max_examples=60)
def test_streamed_in_small_batches_as_whole(machine: str, steps: list[Any], batch: int) -> None:
    events = job(steps)
    whole, _ = planned(compiled, machine, events, batch=100_000)
    small, planner = planned(compiled, machine, events, batch=batch)
    assert planner.capped == 0
    assert small == whole


@both()
def test_a_long_job_streams_as_whole_and_as_the_naive_twin(machine: str) -> None:
    events = long_job(7, 3000)
    small, planner = planned(compiled, machine, events, batch=16)
    assert planner.capped == 0
    assert small == planned(compiled, machine, events, batch=100_000)[0]
    assert_same(small, naive(machine, events))


# --- RepRapFirmware's ring ---------------------------------------------------------------------------

RUN = st.tuples(
    st.integers(1, 90),
    st.sampled_from([0.011, 0.037, 0.053, 0.21, 3.1]),
    st.sampled_from([0.0, 0.01, 0.3]),
    st.sampled_from([7.0, 61.0, 149.0, 397.0]),
)
RUNS = st.lists(RUN, min_size=1, max_size=6)
rings = functools.partial(pytest.mark.parametrize, "machine", ["rrf 0", "rrf 1"])


def fine_job(runs: list[tuple[int, float, float, float]]) -> list[Event]:
    """Return a job of many short moves that bend: (moves, mm, turn of each in rad, mm/s) of each run."""
    out: list[Event] = []
    x = y = heading = 0.0
    for count, way, turn, feed in runs:
        for _ in range(count):
            heading += turn
            x, y = x + way * math.cos(heading), y + way * math.sin(heading)
            out.append(Event("move", len(out) + 1, x, y, 0.0, 0.04 * way, feed))
    return out


@rings()
@given(runs=RUNS, ring=st.integers(4, 70), batch=st.integers(1, 7))
@settings(max_examples=60)
def test_a_short_ring_plans_as_the_naive_twin(machine: str, runs: list[Any], ring: int, batch: int) -> None:
    """On a clock or by sums, interpreted or compiled, in small batches or whole."""
    events = fine_job(runs)
    found, planner = planned(compiled, machine, events, ring=ring, batch=batch)
    assert planner.capped == 0
    assert found == planned(compiled, machine, events, ring=ring)[0]
    assert found == planned(interpreted("gcodetool.motion.planner"), machine, events, ring=ring)[0]
    assert_same(found, naive(machine, events, ring=ring))


@rings()
@given(runs=RUNS, ring=st.integers(4, 40), more=st.integers(0, 20))
@settings(max_examples=100)
def test_a_ring_twice_as_long_is_never_slower(machine: str, runs: list[Any], ring: int, more: int) -> None:
    """Its open half alone is the whole of the shorter ring; each move may lose one clock."""
    events = fine_job(runs)
    longer = planned(compiled, machine, events, ring=2 * ring + more)[0]
    assert seconds(longer) <= seconds(planned(compiled, machine, events, ring=ring)[0]) + 2e-6 * len(events)


@rings()
@given(runs=RUNS)
@settings(max_examples=40)
def test_a_ring_longer_than_the_job_is_none(machine: str, runs: list[Any]) -> None:
    events = fine_job(runs)
    found = planned(compiled, machine, events, ring=len(events) + 1)[0]
    assert found == planned(compiled, machine, events, ring=10 * len(events))[0]
    assert_same(found, naive(machine, events, ring=None))


def test_short_moves_need_room_to_stop() -> None:
    """Along a straight line of 0.05 mm moves the last 31 of 60 are open: they must stop the machine."""
    events = fine_job([(2000, 0.05, 0.0, 149.0)])
    table = planned(compiled, "rrf 1", events)[0]
    assert max(row[5] for row in table[100:1900]) == pytest.approx(math.sqrt(2 * 1000 * 0.05 * 30), rel=1e-6)
    assert max(row[5] for row in planned(compiled, "rrf 1", events, ring=2001)[0]) == pytest.approx(149.0)


@both()
@given(steps=STEPS, cap=st.integers(4, 9))
@settings(max_examples=40)
def test_a_full_queue_only_costs_time(machine: str, steps: list[Any], cap: int) -> None:
    """Past the cap the plan assumes a slow passage: never faster, every move still planned."""
    events = job(steps, arcs=False)
    whole, _ = planned(compiled, machine, events)
    tight, planner = planned(compiled, machine, events, cap=cap, batch=2)
    assert [row[:2] for row in tight] == [row[:2] for row in whole]
    if planner.capped == 0:
        assert tight == whole
    elif machine.startswith(("klipper", "rrf")):  # Marlin's whole steps may round either way
        assert seconds(tight) >= seconds(whole) - 1e-4


@both()
def test_without_memory_for_a_longer_queue_it_stays_as_long_as_it_is(
    machine: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One fast straight line in tiny moves is final only at its end: the queue wants to grow."""
    events = job([(0.005, 0.0, 0.0, 0.0, 400.0)] * 9000)
    for module in (compiled, interpreted("gcodetool.motion.planner")):
        expected, capped = planned(module, machine, events, cap=4096)
        assert capped.capped > 0 or machine.startswith(("marlin", "rrf"))
        zeros = module.bytes_of_zeros

        def short(count: int, zeros: Any = zeros) -> Any:
            if count > 4096 and count % 1024 == 0:  # the table grows by other figures
                raise MemoryError
            return zeros(count)

        with monkeypatch.context() as patch:
            patch.setattr(module, "bytes_of_zeros", short)
            found, planner = planned(module, machine, events)
        assert found == expected
        assert planner.capped == capped.capped


def test_a_table_without_memory_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    def none(count: int) -> Any:
        raise MemoryError

    for module in (compiled, interpreted("gcodetool.motion.planner")):
        planner = module.Planner(DIALECTS["klipper"], limits_of("klipper").values)
        with monkeypatch.context() as patch:
            patch.setattr(module, "bytes_of_zeros", none)
            with pytest.raises(MemoryError, match="queue"):
                module.Planner(DIALECTS["klipper"], limits_of("klipper").values)
            planner.sums(*(array("d", [0.0]) for _ in range(7)))
            planner.demands(
                array("d", bytes(8 * module.FLOW_BINS)), array("d", bytes(8 * module.TOOL_FIGURES))
            )
            planner.tabled = True
            rows = rows_of(job([(1.0, 0.0, 0.0, 0.0, 60.0)] * 20))
            planner.take(rows, 0, 20)
            planner.stop()
            with pytest.raises(MemoryError, match="table"):
                planner.drain()


def seconds(table: list[Any]) -> float:
    return sum(sum(row[2:5]) for row in table)


def split_at(steps: list[Any], where: int, share: float) -> list[Event]:
    """Return the job with one move in two collinear parts, coordinates not rounded."""
    *way, feed = steps[where]
    parts = [(*(c * part for c in way), feed) for part in (share, 1 - share)]
    place, events = [0.0, 0.0, 0.0], []
    for line, step in enumerate(steps[:where] + parts + steps[where + 1 :], 1):
        place = [c + d for c, d in zip(place, step, strict=False)]
        events.append(Event("move", line, *place, step[3], step[4]))
    return events


@given(step=MOVE, share=st.floats(0.05, 0.95))
@settings(max_examples=200)
def test_splitting_a_straight_move_between_stops_changes_nothing_under_klipper(
    step: Any, share: float
) -> None:
    """Cruise ratio 0; not a move of filament alone, whose parts stop between them."""
    assume(step[0] or step[1] or step[2])
    whole, _ = planned(compiled, "klipper hard", split_at([step], 0, 0.0)[1:])
    split, _ = planned(compiled, "klipper hard", split_at([step], 0, share))
    assert len(split) == len(whole) + 1
    assert seconds(split) == pytest.approx(seconds(whole), rel=1e-9)


@given(steps=st.lists(MOVE, min_size=1, max_size=40), share=st.floats(0.05, 0.95), where=st.integers(0, 39))
@settings(max_examples=100)
def test_splitting_a_straight_move_never_saves_time_under_klipper(
    steps: list[Any], share: float, where: int
) -> None:
    """It may cost some: the corner circle touches a move at most at its middle, and the parts are shorter."""
    where %= len(steps)
    assume(any(steps[where][:3]))
    whole, _ = planned(compiled, "klipper hard", job(steps))
    split, _ = planned(compiled, "klipper hard", split_at(steps, where, share))
    assert seconds(split) >= seconds(whole) - 1e-6 * len(split)


@both()
@given(steps=STEPS)
@settings(max_examples=60)
def test_no_move_is_faster_than_its_commanded_speed(machine: str, steps: list[Any]) -> None:
    events = job(steps, arcs=False)
    table, _ = planned(compiled, machine, events)
    feeds = {event.line: event.f for event in events if event.kind == "move"}
    x = y = z = 0.0
    ways: dict[int, float] = {}
    for event in events:
        if event.kind == "move":
            ways[event.line] = math.dist((x, y, z), (event.x, event.y, event.z))
            x, y, z = event.x, event.y, event.z
    for line, kind, up, cruise, down, start in table:
        assert min(up, cruise, down) >= -1e-12
        assert math.isfinite(up + cruise + down)
        if not machine.startswith("marlin"):  # there small moves are carried on, and rates have a floor
            assert start <= feeds[int(line)] * (1 + 1e-9)
            if int(kind) & 2:
                assert up + cruise + down >= ways[int(line)] / feeds[int(line)] * (1 - 1e-9) - 1e-5


@pytest.mark.parametrize("machine", ["klipper hard", "rrf 0", "rrf 1"])
@given(steps=st.lists(MOVE, max_size=40), share=st.floats(0.2, 0.95))
@settings(max_examples=60)
def test_a_slower_top_speed_never_ends_sooner(machine: str, steps: list[Any], share: float) -> None:
    """Every limit on speed lower, all else equal: each reachable speed is lower.

    Lower accelerations are no such law (a corner circle grows with them under some rules), and the
    cruise ratio looks at what could have been reached, so it is left out for Klipper.
    """
    events = job(steps)
    slow = [Event(**{**vars(event), "f": event.f * share}) for event in events]
    fast_s, slow_s = (seconds(planned(compiled, machine, chosen)[0]) for chosen in (events, slow))
    assert slow_s >= fast_s - 2e-6 * (1 + len(events))


def test_nothing_planned_is_nothing() -> None:
    for machine in MACHINES:
        table, planner = planned(compiled, machine, [])
        assert table == []
        assert planner.moves == 0
        table, _ = planned(compiled, machine, [Event("move", 1, 0, 0, 0, 0, 10), Event("stop", 2)])
        assert table == []


@both()
@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, 1e300, -2e6])
@pytest.mark.parametrize("place", ["x", "y", "z", "e"])
def test_impossible_coordinates_are_refused_and_counted(machine: str, bad: float, place: str) -> None:
    good = [Event("move", 1, 10, 0, 0, 0.1, 30), Event("move", 3, 20, 5, 0, 0.1, 30)]
    odd = Event("move", 2, 15, 0, 0, 0.1, 30)
    setattr(odd, place, bad)
    table, planner = planned(compiled, machine, [good[0], odd, good[1]])
    assert planner.refused == 1
    assert table == planned(compiled, machine, good)[0]


@both()
@pytest.mark.parametrize("speed", [math.nan, math.inf, 0.0, -5.0, 1e300, 1e-300])
def test_impossible_speeds_never_make_impossible_times(machine: str, speed: float) -> None:
    table, _ = planned(
        compiled, machine, [Event("move", 1, 10, 0, 0, 0.1, speed), Event("move", 2, 0, 9, 1, 2, speed)]
    )
    assert len(table) == 2
    for row in table:
        assert all(math.isfinite(number) and number >= 0 for number in row)


def test_names_of_limits_stand_where_the_kernel_reads_them() -> None:
    """Each limit, changed alone, changes what it should: the kernel's numbers and names agree."""
    events = long_job(3, 700)
    for machine, silent in (
        ("klipper", ("arc_resolution", "retract", "unretract", "max_z")),
        (
            "marlin deviation",
            ("M205 X", "M205 Y", "M205 Z", "M205 E", "M207", "M208", "M201 Z", "M203 Z", "M92 Z"),
        ),
        ("rrf 1", ("M207", "M201 Z", "M203 Z", "M566 Z", "M203 I")),
    ):
        usual = limits_of(machine)
        base = total(machine, usual, events)
        for name in usual.names:
            changed = limits_of(machine)
            value = changed[name]
            tight = {
                "M566 P": 0.0,
                "minimum_cruise_ratio": 0.9,
                "M900 K": 3.0,
                "M572 S": 3.0,
                "M205 S": 250.0,
            }
            tight |= {"M205 T": 250.0, "M205 J": 0.01, "M92 X": 43.0, "M92 Y": 43.0, "M92 E": 77.0}
            changed.set_raw(name, tight.get(name, value * 0.03))
            assert (total(machine, changed, events) != base) is not name.startswith(silent), (machine, name)


def total(machine: str, limits: Limits, events: list[Event]) -> float:
    planner = compiled.Planner(DIALECTS[dialect_of(machine)], limits.values)
    sums = [array("d", [0.0]) for _ in range(7)]
    planner.sums(*sums)
    planner.demands(array("d", bytes(8 * compiled.FLOW_BINS)), array("d", bytes(8 * compiled.TOOL_FIGURES)))
    assert planner.take(rows_of(events), 0, len(events)) == len(events)
    planner.stop()
    return sums[0][0]


def test_a_right_angle_is_taken_at_the_square_corner_velocity() -> None:
    events = [Event("move", 1, 50, 0, 0, 0, 100), Event("move", 2, 50, 50, 0, 0, 100)]
    table, _ = planned(compiled, "klipper hard", events)
    assert table[1][5] == pytest.approx(5.0)
    events[1] = Event("move", 2, 50 + 50 * math.sqrt(0.5), 50 * math.sqrt(0.5), 0, 0, 100)
    table, _ = planned(compiled, "klipper hard", events)
    assert table[1][5] == pytest.approx(11.2, abs=0.02)  # docs/motion.md, the example under A7


def test_g28_moves_axes_in_no_time() -> None:
    for machine in MACHINES:
        out = [Event("move", 1, 50, 0, 5, 0, 60), Event("home", 2, arg=7), Event("move", 3, 50, 0, 5, 0, 60)]
        table, _ = planned(compiled, machine, out)
        assert table[0][2:] == table[1][2:]
        out[1].arg = 1
        table, _ = planned(compiled, machine, out)
        assert sum(table[1][2:5]) < sum(table[0][2:5])
