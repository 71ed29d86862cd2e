"""The picture of an idle spool: inside its frame, as the forecast says, and told in words too."""

import itertools
import re
from dataclasses import replace

from gcodetool.judge.idle_forecast import idle_forecast, read_at
from gcodetool.judge.spool_judgement import judge_spool
from gcodetool.moisture.history import state_at
from gcodetool.moisture.record import Event, Place, Spool
from gcodetool.profiles import material
from gcodetool.report.html.idle_curve import BOTTOM, DAY_S, HIGH, LEFT, WIDE, idle_curve, in_words

NUMBERS = re.compile(r"(-?[\d.]+),(-?[\d.]+)")


def test_it_shows_the_forecast_within_its_frame() -> None:
    places = {"bench": Place("bench", "open", 22.0, 60.0)}
    reel = Spool(
        "a", material("PA6"), 1.75, 750.0, places, (Event(0.0, "received", "bench", water_wt_pct=0.05),)
    )
    state = state_at(reel, 3600.0, members=1)
    seen = judge_spool(state, state)
    assert seen.ahead[0] == (0.0, None, seen.state.next_fed_wt_pct.p50, None)
    drawn = str(idle_curve(seen))
    middle = re.search(r'class="middle" points="([^"]+)"', drawn)
    assert middle is not None
    points = [(float(x), float(y)) for x, y in NUMBERS.findall(middle[1])]
    assert all(0 <= x <= WIDE and 0 <= y <= HIGH for x, y in points)
    # a dry reel in damp air gets wetter all the time: the line goes up, and past the marginal limit
    assert all(after[1] <= before[1] for before, after in itertools.pairwise(points))
    limits = [float(y) for y in re.findall(r'class="limit"[^>]*y1="([\d.]+)"', drawn)]
    assert points[0][1] > limits[1] > points[-1][1]
    share = (BOTTOM - points[-1][1]) / (BOTTOM - limits[1])
    around = [point.p50 for point in seen.ahead if abs(point.at_s / DAY_S - 7) < 2]
    assert min(around) < share * seen.limit_marginal_wt_pct < max(around)
    assert points[-1][0] == WIDE - LEFT
    said = in_words(seen)
    assert said.startswith(f"Idle where it stands, wt %: now {seen.state.next_fed_wt_pct.p50:.3f}")
    assert "marginal up to" in said


def test_a_reel_in_a_dryer_whose_inner_turns_are_wet_still_keeps_what_is_fed_next() -> None:
    """Its word is of the wettest turns for 19 in 20; how long it keeps is of the outermost, for half of them."""
    places = {"room": Place("room", "open", 22.0, 60.0), "oven": Place("oven", "dryer", 80.0, room="room")}
    events = (Event(0.0, "received", "room", water_wt_pct=2.0), Event(60.0, "moved", "oven"))
    state = state_at(Spool("a", material("PA6"), 1.75, 750.0, places, events), 24 * 3600.0, members=8)
    seen = idle_forecast(state.spool, state)
    dry = tuple(0.5 for _ in seen.at_s)
    seen = replace(seen, open=tuple(0.0 for _ in seen.at_s), to_good=dry, to_marginal=dry, keeps_s=None)
    wet = replace(seen, whole_to_good=tuple(2.0 for _ in dry), whole_to_marginal=tuple(1.2 for _ in dry))
    row = read_at(wet, state.as_of_s)
    assert (row.word, row.keeps_s, row.safe_s) == ("wet", None, read_at(seen, state.as_of_s).safe_s)
    assert row.safe_s is None or row.safe_s > 0.0
    over = tuple(1.1 for _ in dry)
    out = read_at(replace(wet, to_good=over, to_marginal=over), state.as_of_s)
    assert (out.keeps_s, out.safe_s) == (0.0, 0.0)
