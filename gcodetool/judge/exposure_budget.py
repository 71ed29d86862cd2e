"""Open-air time: what is safe, by the model or by the user's own figure, against what the job needs."""

from typing import Final

import numpy as np

from gcodetool.judge.findings import Exposure
from gcodetool.judge.print_air import PrintAir
from gcodetool.judge.reasons import empty_reel, stated_exposure_differs, stated_exposure_overruled
from gcodetool.judge.record_facts import out_for_s, steam_seen
from gcodetool.moisture.constants import HOUR_S
from gcodetool.moisture.exposure import safe_exposure
from gcodetool.moisture.history import State, quantile

DISAGREE: Final = 2.0  # model and own figure further apart than this factor: say so
LEAST_S: Final = 60.0  # shorter times are the same


def exposure_budget(
    state: State,
    around: PrintAir,
    *,
    needed_s: float,
    confidence: float,
    horizon_s: float,
    model: bool,
) -> tuple[Exposure, list[str]]:
    """Return the exposure of a job, and cautions where own figure and model disagree.

    Without *model* only what decides a verdict is worked out: the user's own figure.
    """
    spool = state.spool
    if spool.safe_exposure_h is None:
        safe_s = _by_model(state, around, confidence, horizon_s) if model else None
        margin = None if safe_s is None else safe_s - needed_s
        return Exposure(safe_s, needed_s, margin, "model", around.words, around.assumed), []
    left_s = stated_left_s(spool.safe_exposure_h, out_for_s(spool, state.as_of_s))
    steam = steam_seen(spool, state.as_of_s)
    cautions = []
    if steam:
        left_s = min(left_s, 0.0)
        cautions.append(stated_exposure_overruled(spool.id))
    elif model:
        model_s = _by_model(state, around, confidence, horizon_s)
        start = quantile(state.next_fed_wt_pct, confidence, state.weights)
        if np.isnan(start):
            cautions.append(empty_reel(spool.id))
        elif disagree(left_s, model_s):
            cautions.append(stated_exposure_differs(spool.id, max(left_s, 0.0), model_s, start))
    exposure = Exposure(max(left_s, 0.0), needed_s, left_s - needed_s, "stated", around.words, around.assumed)
    return exposure, cautions


def stated_left_s(safe_exposure_h: float, out_s: float) -> float:
    """Return what is left of the user's own figure; negative where it is used up. [s]"""
    return safe_exposure_h * HOUR_S - out_s


def disagree(stated_s: float, model_s: float | None) -> bool:
    """Return whether own figure and model are further apart than a factor; None: the model sees no end.

    >>> disagree(4 * 3600.0, 3 * 3600.0), disagree(4 * 3600.0, 3600.0), disagree(3600.0, None)
    (False, True, True)
    """
    if model_s is None:
        return True
    stated, said = max(stated_s, LEAST_S), max(model_s, LEAST_S)
    return not stated / DISAGREE <= said <= stated * DISAGREE


def _by_model(state: State, around: PrintAir, confidence: float, horizon_s: float) -> float | None:
    return safe_exposure(state, around.air, confidence=confidence, horizon_s=horizon_s)
