"""Reasons and things to do, in words a person at the machine understands."""

from collections.abc import Iterator
from typing import Any, Final

import numpy as np

from gcodetool.drying.limits import highest
from gcodetool.judge.findings import Exposure
from gcodetool.judge.outcomes import Judgement
from gcodetool.judge.print_air import Here
from gcodetool.judge.verdict_codes import Code
from gcodetool.moisture.forecast import Arrival
from gcodetool.moisture.history import State, quantile
from gcodetool.moisture.record import Spool

AT_ONCE_S: Final = 300.0


def because(
    state: State,
    arrival: Arrival,
    feed: "np.ndarray[Any, Any]",
    known: "np.ndarray[Any, Any]",
    layers: "np.ndarray[Any, Any]",
    judged: Judgement,
    here: Here,
    confidence: float,
) -> str:
    """Return the reason of the model's verdict."""

    def at(values: "np.ndarray[Any, Any]") -> float:
        return quantile(values, confidence, state.weights)

    good, marginal = at(state.limit_good_wt_pct), at(state.limit_marginal_wt_pct)
    start, worst = at(arrival.start_wt_pct), at(arrival.worst_wt_pct)
    if judged.code == "clear":
        return f"the strand arrives with at most {worst:.3f} wt % of water; good is up to {good:.3f}"
    if judged.code == "adjust":
        return (
            f"from layer {judged.from_layer} the strand holds more than the good {good:.3f} wt %, "
            f"at most {worst:.3f}; marginal ends at {marginal:.3f}"
        )
    if judged.code == "unknown":
        return (
            "the record leaves open whether the strand is dry or wet: a weigh-in or an inspection would tell"
        )
    if judged.code == "dry-first":
        mean = at(state.mean_wt_pct)
        where = (
            "picked up in the air by the outer turns"
            if mean <= marginal
            else "the reel was never dried enough"
        )
        return f"what is fed next holds {start:.3f} wt %, marginal ends at {marginal:.3f}: {where}"
    row = int(np.flatnonzero(known & (layers == judged.from_layer))[0])
    held = at(content_before(state, feed, row))
    cause = (
        "inner layers were never dried enough"
        if held > marginal
        else f"it picks up water in the air ({here.words})"
    )
    return (
        f"from layer {judged.from_layer} the strand holds more than the marginal {marginal:.3f} wt %: {cause}"
    )


def content_before(state: State, feed: "np.ndarray[Any, Any]", row: int) -> "np.ndarray[Any, Any]":
    """Return what the strand that segment *row* will feed holds now, before the job, per member. [wt %]"""
    wound = state.field.winding
    ahead_m = np.clip(feed[: row + 1, 2], 0.0, None).sum() / 1000.0
    outermost_first = np.cumsum(wound.length_m[::-1])
    turn = min(int(np.searchsorted(outermost_first, ahead_m)), wound.layers - 1)
    return np.asarray(100.0 * state.field.layer_mean()[wound.layers - 1 - turn])


def by_own_figure(code: Code, exposure: Exposure) -> str:
    """Return the reason where the user's own safe exposure decides."""
    if code == "dry-first":
        return "the spool has been out for longer than your own safe exposure allows"
    safe_h, needed_h = (exposure.safe_s or 0.0) / 3600, (exposure.needed_s or 0.0) / 3600
    return f"your own safe exposure leaves {safe_h:.1f} h, the job needs {needed_h:.1f} h"


def to_do(code: Code, state: State, here: Here, start_by: float | None, at_s: float) -> Iterator[str]:
    """Yield what to do, the first thing first."""
    when = (
        "start at once: for how long it stays so nobody can say"
        if start_by is not None and start_by - at_s < AT_ONCE_S
        else f"it stays so for the next 30 days where it is ({state.place})"
        if start_by is None
        else f"it stays so for another {span(start_by - at_s)} where it is ({state.place})"
    )
    if code == "clear":
        yield f"print; {when}"
    elif code == "adjust":
        yield f"print with care and look at the purged strand first; {when}"
    elif code == "runs-out":
        yield "dry the spool first, or feed it from a dry box"
    elif code == "dry-first":
        yield "do not print: dry the spool first; no setting makes up for this much water"
    else:
        yield "purge and look at the strand before the part begins, or weigh the spool"


def for_the_shelf(word: str, spool: Spool) -> list[str]:
    """Return what to do with a spool that is *word*: dry, marginal, wet or empty."""
    if word == "wet":
        return ["do not print from it: dry it first", *drying(spool)]
    if word == "marginal":
        return [
            "dry it before a long or a fine job; for a short one look at the purged strand first",
            *drying(spool),
        ]
    if word == "dry":
        return ["print from it, or put it away into a sealed bag or a dry box"]
    return ["its record says that nothing is left on it: take another, or correct the record"]


def span(seconds: float) -> str:
    """Return a length of time, rounded down.

    >>> span(5400), span(3 * 86400), span(700)
    ('1 h 30 min', '3 d 0 h', '11 min')
    """
    minutes = int(seconds // 60)
    if minutes >= 24 * 60:
        return f"{minutes // 1440} d {minutes % 1440 // 60} h"
    if minutes >= 60:
        return f"{minutes // 60} h {minutes % 60} min"
    return f"{minutes} min"


def drying(spool: Spool) -> list[str]:
    """Return how to dry a spool, below every stated limit, with the cautions that belong to it."""
    celsius, bound = highest(spool)
    material = spool.material
    hours = (
        f" for about {material.dry_hours:g} h, as the profile says for a wound spool"
        if material.dry_hours is not None and celsius >= material.dry_at_C
        else ""
    )
    said = [f"dry it at no more than {celsius:g} °C{hours}; the limit is {bound}"]
    if celsius < material.dry_at_C:
        said.append(
            f"{material.key} dries at {material.dry_at_C:g} °C; at {celsius:g} °C it takes far longer or never gets there: "
            "state the reel's material under [body], or move the filament to a reel that stands the heat"
        )
    said.append(
        "put the spool in after the dryer has settled, never in an oven used for food, a microwave or a gas oven; "
        "ventilate, do not leave heat unattended; the makers' limits come first"
    )
    return said
