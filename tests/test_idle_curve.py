"""The picture of an idle spool: inside its frame, as the forecast says, and told in words too."""

import itertools
import re

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
