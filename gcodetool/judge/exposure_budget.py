"""Open-air time: what is safe, by the model or by the user's own figure, against what the job needs."""

from typing import Final

import numpy as np

from gcodetool.judge.findings import Exposure
from gcodetool.judge.print_air import Here
from gcodetool.moisture.exposure import safe_exposure
from gcodetool.moisture.history import State, quantile
from gcodetool.moisture.record import Spool

HOUR_S: Final = 3600.0
KEPT: Final = ("dryer", "sealed")
DISAGREE: Final = 2.0  # model and own figure further apart than this factor: say so


def exposure_of(
    state: State, here: Here, *, needed_s: float, confidence: float, horizon_s: float
) -> tuple[Exposure, list[str]]:
    """Return the exposure of a job, and cautions where figure and model disagree."""
    spool = state.spool
    model_s = safe_exposure(state, here.air, confidence=confidence, horizon_s=horizon_s)
    if spool.safe_exposure_h is None:
        margin = None if model_s is None else model_s - needed_s
        return Exposure(model_s, needed_s, margin, "model", here.words), []
    left_s = spool.safe_exposure_h * HOUR_S - out_for_s(spool, state.as_of_s)
    cautions = []
    if wet_inspection(spool, state.as_of_s):
        left_s = min(left_s, 0.0)
        cautions.append(
            f"{spool.id}: the last inspection saw a wet strand; the stated safe exposure does not count"
        )
    elif (
        model_s is None
        or not max(left_s, 60.0) / DISAGREE <= max(model_s, 60.0) <= max(left_s, 60.0) * DISAGREE
    ):
        longer = "longer than was looked at" if model_s is None else f"{model_s / HOUR_S:.1f} h"
        start = quantile(state.next_fed_wt_pct, confidence, state.weights)
        cautions.append(
            f"{spool.id}: your own safe exposure leaves {max(left_s, 0.0) / HOUR_S:.1f} h, the model says {longer} "
            f"(next fed {start:.3f} wt %); yours counts"
            if not np.isnan(start)
            else f"{spool.id}: the reel is empty by its record"
        )
    return Exposure(max(left_s, 0.0), needed_s, left_s - needed_s, "stated", here.words), cautions


def out_for_s(spool: Spool, at_s: float) -> float:
    """Return how long a spool has been out of dryer and sealed storage; 0 while it is in one. [s]"""
    since: float | None = None
    for event in spool.events:
        if event.at_s > at_s:
            break
        if event.place is None:
            continue
        kept = event.place in spool.places and spool.places[event.place].kind in KEPT
        if kept:
            since = None
        elif since is None:
            since = event.at_s
    return 0.0 if since is None else at_s - since


def wet_inspection(spool: Spool, at_s: float) -> bool:
    """Return whether the last inspection since the last drying saw a wet strand."""
    wet = False
    for event in spool.events:
        if event.at_s > at_s:
            break
        if event.place in spool.places and spool.places[event.place].kind == "dryer":
            wet = False
        if event.kind == "inspected":
            wet = event.bubbles == "many" or bool(event.pops)
    return wet
