"""What do two weigh-ins tell at best where a record is wrong?  The exact answer, beside that of the members drawn anew.

The reels are those of ``honest_inputs.py``; very many members, spread over all that the record leaves open, are weighed
by the likelihood that `learning` uses, with none drawn anew.  Prints how often p10 to p90 covers the content at the job's
start, plain and weighed, the interval score of the weighed bands over that of the plain ones, and how much of a dryer's
error the members find by the weigh-ins, in the middle.

Run: ``python tests/benchmarks/weighed_wrong.py [MATERIAL] [SCENE] [REELS] [MEMBERS]``; a second for each reel.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
import honest_scenes as scenes
from honest_inputs import inside, interval_score

from gcodetool.moisture import history, inference
from gcodetool.moisture.ensemble import first_ensemble
from gcodetool.moisture.state import quantiles


def bands(spool, now_s, members):
    """Return the plain and the weighed band of the strand fed next [wt %], and how much warmer the dryer was [K]."""
    events = list(spool.events)
    together = history._replayed(spool, first_ensemble(spool, events, members), events, now_s, [])
    record = together.own.record
    fits = inference.log_likelihood(record, history.reel_of(spool), inference.predictions(record))
    state, weights = together.own.state(), inference.weights_of(fits)
    content = state.next_fed_wt_pct
    warmer = float(weights @ state.doubts.warmer_K(spool.places["oven"]))
    return quantiles(content, np.full(members, 1.0 / members)), quantiles(content, weights), warmer


def main() -> None:
    """Print one line."""
    name, scene = sys.argv[1:3] if len(sys.argv) > 2 else ("PLA", "dryer-6")
    reels, members = (int(sys.argv[i]) if len(sys.argv) > i else usual for i, usual in ((3, 24), (4, 512)))
    world = scenes.world(name, scenes.SCENES[scene], reels)
    truth = scenes.truth(world)
    covered, scores, found = np.zeros(2), np.zeros(2), []
    for number in range(reels):
        true = truth.start[number]
        plain, weighed, warmer = bands(*scenes.record(world, number, truth.gross_g), members)
        covered += [inside(band, true) for band in (plain, weighed)]
        scores += [interval_score(band, true) for band in (plain, weighed)]
        off = world.dryer_off[number]
        found += [warmer / off] if off else []
    print(
        f"{name}, {scene}, {reels} reels, {members} members: covered {100 * covered[0] / reels:.0f} %, weighed "
        f"{100 * covered[1] / reels:.0f} %; score {scores[1] / scores[0]:.2f}"
        + (f"; of the dryer's error {100 * np.median(found):.0f} % found" if found else "")
    )


if __name__ == "__main__":
    main()
