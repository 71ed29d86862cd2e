"""What a list says of a spool, now and for weeks on: one idle forecast, read at any later moment.

A spool that nobody touches ages in the air it stands in; that is integrated once, and a list at any later
moment reads between two of its steps.  Left out: keeping idle forecasts (``ledger.cache``).
"""

import bisect
import json
import math
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from gcodetool.judge import reasons
from gcodetool.judge.exposure_budget import stated_left_s
from gcodetool.judge.findings import Band
from gcodetool.judge.heat_damage import HeatDamage, heat_damage
from gcodetool.judge.outcomes import DRIED, leaves_open, reached
from gcodetool.judge.print_air import air_of_room
from gcodetool.judge.print_judgement import limits_of
from gcodetool.judge.record_facts import kind_of, out_since, steam_seen
from gcodetool.judge.shelf_findings import SpoolRow
from gcodetool.moisture.constants import DAY_S
from gcodetool.moisture.exposure import GROWTH, HORIZON_S, safe_exposure
from gcodetool.moisture.field import FIRST_STEP_S, SpoolIntegrator
from gcodetool.moisture.history import State, quantiles, surroundings
from gcodetool.moisture.state import marched
from gcodetool.quickdata import dataclass

if TYPE_CHECKING:
    from gcodetool.moisture.places import Surroundings
    from gcodetool.moisture.record import Spool

FORM: Final = "5"  # of the text; another one, and no kept forecast fits
SAFE_AT_S: Final = (0.0, 3600.0, 6 * 3600.0, DAY_S, 4 * DAY_S, 15 * DAY_S, HORIZON_S)
"""Moments of a stay out of room air at which the safe exposure afterwards is worked out. [s]"""
CONFIDENCE: Final = 0.5  # a list is told for the same share of the members as a check by default


@dataclass(frozen=True)
class IdleForecast:
    """A spool from ``as_of_s`` on, if nothing happens to it.

    Attributes
    ----------
    at_s, p10, p50, p90
        Next-fed content over seconds since ``as_of_s``; p10 and p90 None for one member. [s], [wt %]
    to_good, to_marginal, whole_to_good, whole_to_marginal
        Content over the member's own limit that half of the members do not exceed: of what is fed next, and of
        the wettest turns (in a dryer, DRIED of them). [-]
    open
        1 where the members leave open whether what is fed next is dry or wet, else 0.
    keeps_s
        How long what is fed next stays at or below its marginal limit where it stands; None: longer than was
        looked at. [s]
    safe_at_s, safe_s
        Safe exposure in the room over seconds since ``as_of_s``; None: longer than was looked at. [s]
    in_room
        It stands in room air, so each second takes one off.
    out_since_s
        Since when it is out of dryer and sealed storage; None while it is in one. [s since 1970]
    until_s
        A later event is noted already; from then on this does not hold. [s since 1970]
    in_dryer
        It stands in a dryer: judged by its wettest turns, for DRIED of the members.
    steam
        The last inspection since the last drying saw a wet strand.
    heat
        The fields of ``heat_damage.HeatDamage``, where there is a sign of it.
    spent_s
        When half of the members have the desiccant of its place spent, since ``as_of_s``; None: not in the time
        looked at, or there is none. [s]
    """

    spool: str
    material: str
    place: str
    room: str
    room_assumed: bool
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
    to_good: tuple[float, ...]
    to_marginal: tuple[float, ...]
    whole_to_good: tuple[float, ...]
    whole_to_marginal: tuple[float, ...]
    open: tuple[float, ...]
    keeps_s: float | None
    safe_at_s: tuple[float, ...]
    safe_s: tuple[float | None, ...]
    in_room: bool
    in_dryer: bool
    stated_h: float | None
    out_since_s: float | None
    steam: bool
    tool: int | None = None
    colour: str | None = None
    heat: dict[str, Any] | None = None
    limits_source: str = "stated"
    spent_s: float | None = None


def idle_forecast(spool: "Spool", state: State) -> IdleForecast:
    """Return the forecast of an idle spool from the moment of its *state* on."""
    around = surroundings(spool, state.place, state.as_of_s, state.doubts)
    room = air_of_room(spool, state, at_s=state.as_of_s)
    in_room = room.air.place == state.place
    in_dryer = kind_of(spool, state.place) == "dryer"
    curve = _Curve(state, DRIED if in_dryer else CONFIDENCE)
    march = marched(state)
    march.surround(around.reel, again=True)
    safe_at: list[float] = []
    safe: list[float | None] = []
    wanted = list(SAFE_AT_S[:1] if in_room else SAFE_AT_S)
    step_s = FIRST_STEP_S
    empty = bool(np.isnan(march.outer_mean()).any())
    curve.add(0.0, march)
    while True:
        now_s = curve.at_s[-1]
        if wanted and now_s >= wanted[0] - 1e-6 and not empty:
            now = replace(state, field=march.field(), company=march.company, as_of_s=state.as_of_s + now_s)
            safe_at.append(now_s)
            safe.append(safe_exposure(now, room.air, confidence=CONFIDENCE))
            wanted.pop(0)
        if now_s >= HORIZON_S or empty:
            break
        end = min(HORIZON_S, now_s + step_s, *(wanted[:1]))
        march.run(end - now_s, first_s=end - now_s)
        curve.add(end, march)
        step_s *= GROWTH
    good, marginal = limits_of(state)
    hot = heat_damage(spool, state.as_of_s)
    later = [event.at_s for event in spool.events if event.at_s > state.as_of_s]
    moves = [event for event in spool.events if event.place is not None and event.at_s <= state.as_of_s]
    return IdleForecast(
        spool=spool.id,
        material=spool.material.key,
        limits_source=spool.material.limits_source,
        place=state.place,
        room=room.words,
        room_assumed=room.assumed,
        since_s=state.since_s,
        as_of_s=state.as_of_s,
        until_s=min(later) if later else None,
        limit_good_wt_pct=good,
        limit_marginal_wt_pct=marginal,
        remaining_mm=state.remaining_mm,
        remaining_g=state.remaining_g,
        at_s=tuple(curve.at_s),
        **(_EMPTY if empty else curve.columns()),
        keeps_s=safe_exposure(state, around, confidence=CONFIDENCE),
        safe_at_s=tuple(safe_at),
        safe_s=tuple(safe),
        in_room=in_room,
        in_dryer=in_dryer,
        stated_h=spool.safe_exposure_h,
        out_since_s=out_since(spool, state.as_of_s),
        steam=steam_seen(spool, state.as_of_s),
        tool=moves[-1].tool if moves else None,
        colour=spool.colour,
        heat=None if hot is None else asdict(hot),
        spent_s=_spent_s(around, march),
    )


def _spent_s(around: "Surroundings", march: SpoolIntegrator) -> float | None:
    """Return when the desiccant of a closed place is spent, for half of the members, since the march began. [s]"""
    if around.reel.desiccant is None or not around.reel.desiccant_kg:
        return None
    median = float(np.median(march.spent_s()))
    return median if math.isfinite(median) else None


class _Curve:
    """The columns of an idle forecast, as they grow."""

    def __init__(self, state: State, of_wettest: float) -> None:
        self.state, self.of_wettest = state, of_wettest
        self.at_s: list[float] = []
        self.rows: list[tuple[float | None, ...]] = []

    def add(self, at_s: float, march: SpoolIntegrator) -> None:
        """Note what the spool holds now."""
        state = self.state
        outer = 100.0 * march.outer_mean()
        self.at_s.append(at_s)
        if np.isnan(outer).any():
            return
        wettest = 100.0 * march.field().layer_mean().max(axis=0)
        ratios = [
            reached(content / limit, share, state.weights)
            for content, share in ((outer, CONFIDENCE), (wettest, self.of_wettest))
            for limit in (state.limit_good_wt_pct, state.limit_marginal_wt_pct)
        ]
        left_open = leaves_open(
            outer / state.limit_good_wt_pct, outer / state.limit_marginal_wt_pct, state.weights
        )
        self.rows.append((*quantiles(outer, state.weights), *ratios, float(left_open)))

    def columns(self) -> dict[str, Any]:
        """Return the columns by name; p10 and p90 None for one member."""
        names = ("p10", "p50", "p90", "to_good", "to_marginal", "whole_to_good", "whole_to_marginal", "open")
        found = dict(zip(names, zip(*self.rows, strict=True), strict=True))
        return {name: None if column[0] is None else column for name, column in found.items()}


_EMPTY: Final[dict[str, Any]] = {
    "p10": None,
    "p50": (),
    "p90": None,
    "to_good": (),
    "to_marginal": (),
    "whole_to_good": (),
    "whole_to_marginal": (),
    "open": (),
}


def is_valid_at(seen: IdleForecast, now_s: float) -> bool:
    """Return whether an idle forecast tells of a moment."""
    ends = seen.as_of_s + HORIZON_S
    return seen.as_of_s <= now_s <= ends and (seen.until_s is None or now_s < seen.until_s)


def read_at(seen: IdleForecast, now_s: float) -> SpoolRow:
    """Return what a list says of a spool at a moment that the idle forecast tells of."""
    after_s = now_s - seen.as_of_s
    empty = not seen.p50

    def now(column: tuple[float, ...] | None) -> float | None:
        return None if not column else _between(seen.at_s, column, after_s)

    word = fed = condition(now(seen.to_good), now(seen.to_marginal))
    whole = condition(now(seen.whole_to_good), now(seen.whole_to_marginal))
    if seen.in_dryer:
        word = whole
    if not empty and seen.open[bisect.bisect_right(seen.at_s, after_s) - 1]:
        word = whole = fed = "unknown"
    if not empty and seen.steam:
        word = whole = fed = "wet"
    safe_s, source = None if empty else _safe(seen, after_s), "model"
    keeps_s = None if empty else _keeps(seen, after_s)
    if seen.stated_h is not None and not empty:
        out_s = 0.0 if seen.out_since_s is None else now_s - seen.out_since_s
        safe_s, source = max(0.0, stated_left_s(seen.stated_h, out_s)), "stated"
    if fed == "wet":
        keeps_s, safe_s = 0.0, 0.0 if source == "model" or seen.steam else safe_s
    return SpoolRow(
        spool=seen.spool,
        material=seen.material,
        place=seen.place,
        tool=seen.tool,
        since_s=seen.since_s,
        word=word,
        whole_word=whole,
        next_fed_wt_pct=Band(now(seen.p10), now(seen.p50), now(seen.p90)),
        safe_s=safe_s,
        safe_source=source,
        keeps_s=keeps_s,
        room=seen.room,
        room_assumed=seen.room_assumed,
        remaining_mm=seen.remaining_mm,
        remaining_g=seen.remaining_g,
        colour=seen.colour,
        heat=_heat(seen, now_s),
        limits_source=seen.limits_source,
        spent_s=None if seen.spent_s is None else max(0.0, seen.spent_s - after_s),
    )


def _heat(seen: IdleForecast, now_s: float) -> str | None:
    """Return the caution of a winding that was too hot; a stay that goes on has grown since."""
    if seen.heat is None:
        return None
    found = HeatDamage(**seen.heat)
    if found.at_s + found.seconds == seen.as_of_s:
        found = replace(found, seconds=now_s - found.at_s)
    return reasons.too_hot_caution(seen.spool, found)


def condition(to_good: float | None, to_marginal: float | None) -> str:
    """Return the word for contents over their limits; None: nothing is left on the reel.

    >>> condition(0.9, 0.5), condition(1.2, 0.9), condition(2.0, 1.1), condition(None, None)
    ('dry', 'marginal', 'wet', 'empty')
    """
    if to_good is None or to_marginal is None:
        return "empty"
    return "dry" if to_good <= 1 else "marginal" if to_marginal <= 1 else "wet"


def _keeps(seen: IdleForecast, after_s: float) -> float | None:
    """Return how long what is fed next stays at or below its marginal limit where it stands. [s]"""
    if seen.keeps_s is not None and seen.keeps_s > after_s:
        return seen.keeps_s - after_s
    ahead = [
        at_s for at_s, ratio in zip(seen.at_s, seen.to_marginal, strict=True) if at_s > after_s and ratio > 1
    ]
    if _between(seen.at_s, seen.to_marginal, after_s) > 1:
        return 0.0
    return ahead[0] - after_s if ahead and seen.keeps_s is not None else None


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


def _safe(seen: IdleForecast, after_s: float) -> float | None:
    if seen.in_room:
        first = seen.safe_s[0]
        return None if first is None else max(0.0, first - after_s)
    i = min(max(1, bisect.bisect_right(seen.safe_at_s, after_s)), len(seen.safe_at_s) - 1)
    low, high = seen.safe_s[i - 1], seen.safe_s[i]
    if low is None or high is None:
        return low if after_s < seen.safe_at_s[i] else high
    return _between(seen.safe_at_s, tuple(one if one is not None else 0.0 for one in seen.safe_s), after_s)


def to_text(seen: IdleForecast) -> str:
    """Return an idle forecast as one line of text; :func:`from_text` is the way back."""
    return json.dumps({"form": FORM, **asdict(seen)}, allow_nan=False)


def from_text(text: str) -> IdleForecast | None:
    """Return the idle forecast in *text*; None where another version wrote it."""
    try:
        data = json.loads(text)
        if data.pop("form") != FORM:
            return None
        fields: dict[str, Any] = {
            key: tuple(value) if isinstance(value, list) else value for key, value in data.items()
        }
        found = IdleForecast(**fields)
    except (ValueError, KeyError, TypeError, AttributeError):
        return None
    return found if math.isfinite(found.as_of_s) else None
