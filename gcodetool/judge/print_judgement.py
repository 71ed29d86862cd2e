"""One spool judged for one job: (state, air of the print, feed, confidence) to a verdict and all that it rests on.

Whoever asks whether a spool will do calls :func:`judge_print`: a check, a queue, a drying plan for a job, an
adjusted profile, a page.  Left out: what is done about it (``tweaks``, ``drying``), the file (``gcode``).
"""

from dataclasses import field, replace
from typing import Any, Final

import numpy as np

from gcodetool import profiles
from gcodetool.judge import reasons
from gcodetool.judge.exposure_budget import exposure_budget
from gcodetool.judge.feed_judgement import is_fed, judged_by
from gcodetool.judge.findings import Exposure
from gcodetool.judge.heat_damage import heat_damage
from gcodetool.judge.latest_start import HORIZON_S, LatestStart, latest_start
from gcodetool.judge.outcomes import Judgement, reached
from gcodetool.judge.print_air import PrintAir
from gcodetool.judge.reasons import Cause
from gcodetool.judge.record_facts import kind_of, last_drying, steam_seen
from gcodetool.judge.severity import damage
from gcodetool.judge.verdict_codes import Code, worse
from gcodetool.moisture.forecast import Arrival, forecast
from gcodetool.moisture.history import State, quantile, state_at
from gcodetool.moisture.next_measurement import worth_recording
from gcodetool.moisture.record import Spool
from gcodetool.moisture.stays import stays
from gcodetool.motion.feed import ToolFeed
from gcodetool.quickdata import dataclass

DIAMETER_SLACK_MM: Final = 0.2
GOOD_ENOUGH: Final[tuple[Code, ...]] = ("clear", "adjust")


@dataclass(frozen=True)
class PrintJudgement:
    """What comes of printing one tool's feed from one spool.

    Attributes
    ----------
    code, because, from_layer
        The verdict, its reason, and the layer at which the limit that decides is passed.
    judged
        What the members say; None where nothing arrives (an empty reel).
    by_model
        Whether the verdict is the model's: not the user's own figure, not an inspection's.
    cause
        Where too much water comes from; None where there is none, or nobody asked.
    exposure, start_by_s
        Open-air time; the latest start at which the verdict still holds [s since 1970], None: beyond the
        horizon, or not for this verdict.
    limit_good_wt_pct, limit_marginal_wt_pct
        The median members'.
    cautions, advice, sharpen
        What is odd, what to do, and the record that would tell most.
    arrival, fed
        The contents that arrive, and which rows of the feed take strand off the reel.
    """

    code: Code
    because: str
    from_layer: int | None
    judged: Judgement | None
    by_model: bool
    cause: Cause | None
    exposure: Exposure
    start_by_s: float | None
    limit_good_wt_pct: float
    limit_marginal_wt_pct: float
    cautions: tuple[str, ...]
    advice: tuple[str, ...]
    sharpen: str | None
    arrival: Arrival = field(repr=False)
    fed: "np.ndarray[Any, Any]" = field(repr=False)

    @property
    def share(self) -> float | None:
        """Share of the members whose outcome is the verdict's; None where the model does not decide."""
        return self.judged.share if self.judged is not None and self.by_model else None


def judge_print(
    state: State, around: PrintAir, feed: ToolFeed, *, confidence: float = 0.5, explain: bool = True
) -> PrintJudgement:
    """Return what comes of printing *feed* from the spool, begun at the moment of its *state*.

    Parameters
    ----------
    around
        The air of the print, from ``print_air``.
    confidence
        Share of the members that must reach the verdict or better, 0 to 1.
    explain
        Without it only the verdict is worked out: no cause, no safe exposure, no latest start.
    """
    spool = state.spool
    amiss = misfits(spool, feed)
    arrival = forecast(state, around.air, feed.segments, until_s=feed.until_s)
    good, marginal = limits_of(state)
    exposure, differing = exposure_budget(
        state,
        around,
        needed_s=feed.needed_s,
        confidence=confidence,
        horizon_s=HORIZON_S,
        model=explain,
    )
    found = PrintJudgement(
        code="unknown",
        because=reasons.EMPTY_REASON,
        from_layer=None,
        judged=None,
        by_model=False,
        cause=None,
        exposure=exposure,
        start_by_s=None,
        limit_good_wt_pct=good,
        limit_marginal_wt_pct=marginal,
        cautions=(
            *amiss,
            *shortage(spool, feed, arrival),
            *heat_cautions(spool, state.as_of_s),
            *(f"{spool.id}: {note.text}" for note in state.notes if note.kind == "contradiction"),
            *(f"{spool.id}: {note}" for note in around.cautions),
            *differing,
        ),
        advice=(reasons.TAKE_ANOTHER,),
        sharpen=None,
        arrival=arrival,
        fed=is_fed(arrival, feed),
    )
    judged = None if state.remaining_mm <= 0 else judged_by(state, arrival, feed, confidence)
    if judged is None:
        return found
    found = _decided(replace(found, judged=judged), state, feed)
    return _explained(found, state, around, feed, confidence) if explain else found


def _decided(found: PrintJudgement, state: State, feed: ToolFeed) -> PrintJudgement:
    """Return the verdict: the members', or what the user's own figure or eyes say, where that is worse."""
    judged = found.judged
    assert judged is not None
    layers = feed.layer[found.fed]
    code, layer, because = judged.code, judged.from_layer, None
    stated, late = _by_own_figure(found.exposure, feed, found.fed)
    if worse(stated, code):
        code, layer = stated, late
        because = reasons.stated_exposure_reason(stated, found.exposure)
    if worse("dry-first", code) and steam_seen(state.spool, state.as_of_s):
        code, layer, because = "dry-first", int(layers[0]), reasons.STEAM_REASON
    return replace(found, code=code, from_layer=layer, because=because or "", by_model=because is None)


def _by_own_figure(
    exposure: Exposure, feed: ToolFeed, fed: "np.ndarray[Any, Any]"
) -> tuple[Code, int | None]:
    """Return what the user's own safe exposure says of the job, and from which layer on."""
    if exposure.source != "stated" or exposure.safe_s is None or exposure.needed_s is None:
        return "clear", None
    if exposure.safe_s <= 0:
        return "dry-first", int(feed.layer[fed][0])
    late = np.flatnonzero(fed & (feed.segments[:, 1] > exposure.safe_s))
    if exposure.safe_s < exposure.needed_s and late.size:
        return "runs-out", int(feed.layer[late[0]])
    return "clear", None


def _explained(
    found: PrintJudgement, state: State, around: PrintAir, feed: ToolFeed, confidence: float
) -> PrintJudgement:
    """Return the judgement with its cause, reason, latest start, cautions and advice."""
    judged = found.judged
    assert judged is not None
    cause, because = None, found.because
    if found.by_model:
        cause = cause_of(state, feed, found, confidence)
        because = reasons.verdict_reason(
            found.code,
            judged,
            good_wt_pct=found.limit_good_wt_pct,
            marginal_wt_pct=found.limit_marginal_wt_pct,
            cause=cause,
            air=around.words,
        )
    record = worth_recording(state)
    cautions = list(found.cautions)
    if worse(judged.cautious_code, found.code):
        cautions.append(reasons.worse_caution(state.spool.id, found.code, judged, record))
    start_by: LatestStart | None = None
    if found.code in GOOD_ENOUGH:
        start_by = latest_start(state, around, feed, judged, found.exposure, confidence=confidence)
    told = found.by_model and not steam_seen(state.spool, state.as_of_s)  # eyes and own figure go first
    advice = reasons.next_steps(
        found.code,
        place=state.place,
        start_by=start_by,
        now_s=state.as_of_s,
        record=record,
        damage=damage(state.spool.material, judged.worst_of_marginal if told else None),
        feed_told=found.by_model,
        dryer=kind_of(state.spool, state.place) == "dryer",
        too_hot=is_too_hot_now(state.spool, state.as_of_s),
    )
    return replace(
        found,
        because=because,
        cause=cause,
        start_by_s=None if start_by is None else start_by.at_s,
        cautions=tuple(cautions),
        advice=tuple(advice),
        sharpen=record,
    )


def limits_of(state: State) -> tuple[float, float]:
    """Return the middle of the members' limits: good and marginal. [wt %]"""
    return (
        quantile(state.limit_good_wt_pct, 0.5, state.weights),
        quantile(state.limit_marginal_wt_pct, 0.5, state.weights),
    )


def heat_cautions(spool: Spool, at_s: float) -> list[str]:
    """Return the caution of a winding that was too hot and was not looked at since; none where there is no sign."""
    damage_ = heat_damage(spool, at_s)
    return [] if damage_ is None else [reasons.too_hot_caution(spool.id, damage_)]


def is_too_hot_now(spool: Spool, at_s: float) -> bool:
    """Return whether the spool stands in more heat at this moment than it or its reel bears without harm."""
    found = heat_damage(spool, at_s)
    return found is not None and found.seconds > 0.0 and found.at_s + found.seconds == at_s


def misfits(spool: Spool, feed: ToolFeed) -> list[str]:
    """Return where a spool does not fit what the file was sliced for."""
    said = []
    if feed.material and not profiles.fits(feed.material, spool.material):
        said.append(reasons.other_material(feed.tool, feed.material, spool.id, spool.material.key))
    if feed.diameter_mm is not None and abs(feed.diameter_mm - spool.diameter_mm) > DIAMETER_SLACK_MM:
        said.append(reasons.other_diameter(feed.tool, feed.diameter_mm, spool.id, spool.diameter_mm))
    return said


def shortage(spool: Spool, feed: ToolFeed, arrival: Arrival) -> list[str]:
    """Return that the spool ends before the job does; nothing where it lasts."""
    if arrival.short_mm <= 0:
        return []
    return [reasons.too_short(spool.id, arrival.fed_mm, feed.filament_mm, arrival.short_mm)]


# ---------------------------------------------------------------- where the water comes from


def cause_of(state: State, feed: ToolFeed, found: PrintJudgement, confidence: float) -> Cause | None:
    """Return where too much water comes from; None where there is not too much."""
    if found.code == "dry-first":
        turn = state.field.winding.layers - 1
    elif found.code == "runs-out":
        row = int(np.flatnonzero(found.fed & (feed.layer == found.from_layer))[0])
        turn = layer_before(state, feed, row)
        held = 100.0 * state.field.layer_mean()[turn] / state.limit_marginal_wt_pct
        if reached(held, confidence, state.weights) <= 1:
            return Cause("print-air")
    else:
        return None
    return history_cause(state.spool, state.as_of_s, turn)


def layer_before(state: State, feed: ToolFeed, row: int) -> int:
    """Return the wound layer, from the hub, that feeds row *row* and lies on the reel before the job."""
    wound = state.field.winding
    ahead_m = np.clip(feed.segments[: row + 1, 2], 0.0, None).sum() / 1000.0
    outermost_first = np.cumsum(wound.length_m[::-1])
    turn = min(int(np.searchsorted(outermost_first, ahead_m)), wound.layers - 1)
    return wound.layers - 1 - turn


def history_cause(spool: Spool, at_s: float, turn: int) -> Cause:
    """Return why a wound layer, counted from the hub, is wet: from what the record shows of its drying.

    The layer's content when the last drying ended (or the spool came in) is worked out with nominal
    parameters and held against the nominal limit.
    """
    drying = last_drying(spool, at_s)
    if drying is not None and drying.end_s >= at_s:
        return Cause("drying", drying)
    since = [stay for stay in stays(spool, at_s) if drying is None or stay.begin_s >= drying.end_s]
    begin_s = since[0].begin_s
    then = state_at(spool, begin_s, members=1)
    turn = min(turn, then.field.winding.layers - 1)
    wet = bool((then.field.layer_mean()[turn] > then.polymer.limit_marginal).any())
    if wet:
        return Cause("never-dried" if drying is None else "dried-too-little", drying)
    stood: dict[str, float] = {}
    for stay in since:
        stood[stay.place] = stood.get(stay.place, 0.0) + stay.end_s - stay.begin_s
    places = tuple(sorted(stood, key=lambda place: -stood[place]))
    return Cause("picked-up", drying, places, at_s - begin_s)
