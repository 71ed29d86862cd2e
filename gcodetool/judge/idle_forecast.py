"""What a list says of a spool, now and for weeks on: one march, read at any later moment.

A spool that nobody touches ages in the air it stands in; that is marched once, and a list at any later
moment reads between two of its steps.  Left out: keeping outlooks (``ledger.cache``).
"""

import bisect
import json
import math
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from gcodetool.judge.exposure_budget import KEPT, wet_inspection
from gcodetool.judge.findings import Band
from gcodetool.judge.print_air import printed_in
from gcodetool.moisture.exposure import GROWTH, safe_exposure
from gcodetool.moisture.field import FIRST_STEP_S, March
from gcodetool.moisture.history import State, quantile, quantiles, surroundings

if TYPE_CHECKING:
    from gcodetool.moisture.record import Spool

FORM: Final = "1"  # of the text; another one, and no kept outlook fits
HORIZON_S: Final = 60 * 86_400.0
SAFE_AT_S: Final = (0.0, 3600.0, 6 * 3600.0, 86_400.0, 4 * 86_400.0, 15 * 86_400.0, HORIZON_S)
"""Moments of a stay in dryer or bag at which the safe exposure afterwards is worked out. [s]"""
NEVER: Final = None


@dataclass(frozen=True)
class Outlook:
    """A spool from ``as_of_s`` on, if nothing happens to it.

    Attributes
    ----------
    at_s, p10, p50, p90
        Next-fed content over seconds since ``as_of_s``; p10 and p90 None for one member. [s], [wt %]
    safe_at_s, safe_s
        Safe exposure over seconds since ``as_of_s``; None: longer than was looked at. [s]
    falls
        It is in the open, so each second takes one off.
    out_since_s
        Since when it is out of dryer and sealed storage; None while it is in one. [s since 1970]
    until_s
        A later event is noted already; from then on this does not hold. [s since 1970]
    """

    spool: str
    material: str
    place: str
    since_s: float
    as_of_s: float
    until_s: float | None
    limit_good_wt_pct: float
    limit_marginal_wt_pct: float
    remaining_mm: float
    remaining_g: float
    at_s: tuple[float, ...]
    p10: tuple[float, ...] | None
    p50: tuple[float, ...]
    p90: tuple[float, ...] | None
    safe_at_s: tuple[float, ...]
    safe_s: tuple[float | None, ...]
    falls: bool
    stated_h: float | None
    out_since_s: float | None
    wet: bool
    tool: int | None = None
    colour: str | None = None


@dataclass(frozen=True)
class Glance:
    """One line of a list."""

    spool: str
    material: str
    place: str
    tool: int | None
    since_s: float
    word: str  # dry | marginal | wet | empty
    next_fed_wt_pct: Band
    safe_s: float | None
    safe_source: str  # model | stated
    remaining_mm: float
    remaining_g: float
    colour: str | None = None


def outlook(spool: "Spool", state: State) -> Outlook:
    """Return the outlook of a spool from the moment of its *state* on."""
    around = surroundings(spool, state.place, state.as_of_s)
    here = printed_in(spool, state, at_s=state.as_of_s, place=None, printer=None)
    later = [event.at_s for event in spool.events if event.at_s > state.as_of_s]
    march = March(state.field, state.polymer)
    march.surround(around.reel, again=True)
    at_s, bands = [0.0], [quantiles(march.outer_mean() * 100.0, state.weights)]
    safe_at: list[float] = []
    safe: list[float | None] = []
    wanted = list(SAFE_AT_S if here.keeps else SAFE_AT_S[:1])
    step_s = FIRST_STEP_S
    empty = bool(np.isnan(march.outer_mean()).any())
    while True:
        if wanted and at_s[-1] >= wanted[0] - 1e-6 and not empty:
            now = replace(state, field=march.field(), as_of_s=state.as_of_s + at_s[-1])
            safe_at.append(at_s[-1])
            safe.append(safe_exposure(now, here.air))
            wanted.pop(0)
        if at_s[-1] >= HORIZON_S or empty:
            break
        end = min(HORIZON_S, at_s[-1] + step_s, *(wanted[:1]))
        march.run(end - at_s[-1], first_s=end - at_s[-1])
        at_s.append(end)
        bands.append(quantiles(march.outer_mean() * 100.0, state.weights))
        step_s *= GROWTH
    several = state.members > 1
    last = max(
        (event for event in spool.events if event.place is not None and event.at_s <= state.as_of_s),
        key=lambda event: event.at_s,
        default=None,
    )
    return Outlook(
        spool=spool.id,
        material=spool.material.key,
        place=state.place,
        since_s=state.since_s,
        as_of_s=state.as_of_s,
        until_s=min(later) if later else None,
        limit_good_wt_pct=quantile(state.limit_good_wt_pct, 0.5, state.weights),
        limit_marginal_wt_pct=quantile(state.limit_marginal_wt_pct, 0.5, state.weights),
        remaining_mm=state.remaining_mm,
        remaining_g=state.remaining_g,
        at_s=tuple(at_s),
        p10=tuple(float(band.p10 or 0.0) for band in bands) if several and not empty else None,
        p50=tuple(band.p50 for band in bands) if not empty else (),
        p90=tuple(float(band.p90 or 0.0) for band in bands) if several and not empty else None,
        safe_at_s=tuple(safe_at),
        safe_s=tuple(safe),
        falls=not here.keeps,
        stated_h=spool.safe_exposure_h,
        out_since_s=_out_since(spool, state.as_of_s),
        wet=wet_inspection(spool, state.as_of_s),
        tool=None if last is None else last.tool,
        colour=spool.colour,
    )


def _out_since(spool: "Spool", at_s: float) -> float | None:
    """Return since when a spool is out of dryer and sealed storage; None while it is in one. [s since 1970]"""
    since: float | None = None
    for event in spool.events:
        if event.at_s <= at_s and event.place is not None:
            kept = event.place in spool.places and spool.places[event.place].kind in KEPT
            since = None if kept else event.at_s if since is None else since
    return since


def holds(seen: Outlook, now_s: float) -> bool:
    """Return whether an outlook tells of a moment."""
    ends = seen.as_of_s + HORIZON_S
    return seen.as_of_s <= now_s <= ends and (seen.until_s is None or now_s < seen.until_s)


def glance(seen: Outlook, now_s: float) -> Glance:
    """Return what a list says of a spool at a moment that the outlook tells of."""
    after_s = now_s - seen.as_of_s
    empty = not seen.p50
    p50 = None if empty else _between(seen.at_s, seen.p50, after_s)
    band = Band(
        None if seen.p10 is None else _between(seen.at_s, seen.p10, after_s),
        p50,
        None if seen.p90 is None else _between(seen.at_s, seen.p90, after_s),
    )
    word = "empty"
    if p50 is not None:
        word = (
            "dry"
            if p50 <= seen.limit_good_wt_pct
            else "marginal"
            if p50 <= seen.limit_marginal_wt_pct
            else "wet"
        )
    safe_s, source = None if empty else _safe(seen, after_s), "model"
    if seen.stated_h is not None and not empty:
        out_s = 0.0 if seen.out_since_s is None else now_s - seen.out_since_s
        safe_s = 0.0 if seen.wet else max(0.0, seen.stated_h * 3600.0 - out_s)
        source = "stated"
    return Glance(
        seen.spool,
        seen.material,
        seen.place,
        seen.tool,
        seen.since_s,
        word,
        band,
        safe_s,
        source,
        seen.remaining_mm,
        seen.remaining_g,
        seen.colour,
    )


def _between(at_s: tuple[float, ...], values: tuple[float, ...], after_s: float) -> float:
    """Return the value between two steps, on the straight line.

    >>> _between((0.0, 10.0), (1.0, 2.0), 2.5)
    1.25
    """
    i = min(max(1, bisect.bisect_right(at_s, after_s)), len(at_s) - 1)
    if len(at_s) == 1:
        return values[0]
    share = min(1.0, max(0.0, (after_s - at_s[i - 1]) / (at_s[i] - at_s[i - 1])))
    return values[i - 1] + share * (values[i] - values[i - 1])


def _safe(seen: Outlook, after_s: float) -> float | None:
    if seen.falls:
        first = seen.safe_s[0]
        return None if first is None else max(0.0, first - after_s)
    i = min(max(1, bisect.bisect_right(seen.safe_at_s, after_s)), len(seen.safe_at_s) - 1)
    low, high = seen.safe_s[i - 1], seen.safe_s[i]
    if low is None or high is None:
        return low if after_s < seen.safe_at_s[i] else high
    return _between(seen.safe_at_s, tuple(one if one is not None else 0.0 for one in seen.safe_s), after_s)


def to_text(seen: Outlook) -> str:
    """Return an outlook as one line of text; :func:`from_text` is the way back."""
    return json.dumps({"form": FORM, **asdict(seen)}, allow_nan=False)


def from_text(text: str) -> Outlook | None:
    """Return the outlook in *text*; None where another version wrote it."""
    try:
        data = json.loads(text)
        if data.pop("form") != FORM:
            return None
        fields: dict[str, Any] = {
            key: tuple(value) if isinstance(value, list) else value for key, value in data.items()
        }
        found = Outlook(**fields)
    except (ValueError, KeyError, TypeError, AttributeError):
        return None
    return found if math.isfinite(found.as_of_s) else None
