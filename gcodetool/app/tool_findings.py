"""One tool's spool put together: its record becomes a state, a judgement, tweaks, findings.

``at_s`` is the moment at which the job starts.  Left out: the job around it (``job``), files, and judging
(``judge``).
"""

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from gcodetool.judge.findings import (
    FeedNeed,
    Forecast,
    LayerForecast,
    SpoolOverJob,
    ToolFindings,
    ToolVerdict,
)
from gcodetool.judge.print_air import air_of_print
from gcodetool.judge.print_judgement import PrintJudgement, judge_print, misfits
from gcodetool.judge.spool_judgement import band_of, bands_of, spool_state
from gcodetool.moisture.history import State, quantile, state_at
from gcodetool.moisture.members import default_members
from gcodetool.motion.feed import ToolFeed, feed_of, mass_g
from gcodetool.motion.timeline import Timeline
from gcodetool.tweaks.suggest import lasting_damage, shortfall, suggest, water_in
from gcodetool.tweaks.tool_demands import demands_of

if TYPE_CHECKING:
    from gcodetool.app.conditions import Conditions
    from gcodetool.gcode.markers import ToolFacts
    from gcodetool.gcode.program import Program
    from gcodetool.judge.print_air import PrintAir
    from gcodetool.moisture.record import Spool


def check_tool(
    program: "Program", timeline: Timeline, stated: "ToolFacts", spool: "Spool", asked: "Conditions"
) -> tuple[ToolFindings, SpoolOverJob, list[str]]:
    """Return the findings on the tool that *stated* is about, its spool's states, and its cautions."""
    members, printer = default_members(asked.members), asked.printer
    state = state_at(spool, asked.at_s, members=members, shelf=asked.shelf_of(spool))
    spool = state.spool  # as it is known at that moment
    around = air_of_print(spool, state, at_s=asked.at_s, place=asked.place, printer=printer)
    feed = feed_of(timeline, stated)
    mass = mass_g(feed.filament_mm, spool.diameter_mm, spool.density_kg_m3)
    if asked.feed is not None:
        from gcodetool.judge.feed_air import air_of_feed

        around = air_of_feed(spool, state, asked.feed, around, asked.at_s)
    judged = judge_print(state, around, feed, confidence=asked.confidence)
    found = ToolFindings(
        tool=feed.tool,
        spool=spool.id,
        material=spool.material.key,
        filament_mm=feed.filament_mm,
        mass_g=mass,
        extruding_s=feed.extruding_s,
        verdict=tool_verdict(judged),
        exposure=judged.exposure,
        advice=judged.advice,
        misfits=tuple(misfits(spool, feed)),
    )
    over = SpoolOverJob(spool, state, judged.arrival.after if state.remaining_mm > 0 else None)
    cautions = [*judged.cautions, *asked.remarks(spool)]
    if judged.judged is None:
        return found, over, cautions
    found = replace(
        found,
        state=spool_state(state, judged.arrival.path_wt_pct),
        forecast=forecast_findings(state, judged, feed, asked.confidence),
        sharpen=judged.sharpen,
    )
    demands = demands_of(
        program, timeline, stated, material=spool.material, diameter_mm=spool.diameter_mm, printer=printer
    )
    water = water_in(found, spool)
    suggested = suggest(spool.material, water, demands, printer=printer)
    damage = lasting_damage(spool.material, water, demands) if water.worst > water.good else None
    short = shortfall(water, suggested) if judged.code == "adjust" and asked.tweaks else None
    heat: tuple[str, ...] = ()
    if judged.code in ("runs-out", "dry-first"):
        from gcodetool.drying.advice import drying_advice  # most checks need none of it

        heat = tuple(drying_advice(state, confidence=asked.confidence, of_job=True))
    advice = (*judged.advice, *heat, *(each for each in (damage, short) if each is not None))
    found = replace(
        found,
        tweaks=suggested if asked.tweaks else (),
        advice=advice,
        nozzle_C=demands.nozzle_C,
        melt_s=demands.residence_s,
        feed=driest_feed(state, around, feed, judged, asked),
    )
    return found, over, cautions


def driest_feed(
    state: State, around: "PrintAir", feed: ToolFeed, judged: PrintJudgement, asked: "Conditions"
) -> FeedNeed | None:
    """Return how dry the feed must be, where that was asked or the model's verdict is not clear; else None.

    It takes some forecasts more, so a job that ends clear is not asked about.
    """
    if not judged.by_model or (asked.feed is None and judged.code not in ("adjust", "runs-out")):
        return None
    from gcodetool.judge.feed_air import feed_need

    boxes = None if asked.boxes_of is None else asked.boxes_of(state.spool)
    return feed_need(
        state, around, feed, judged.code, confidence=asked.confidence, asked=asked.feed, boxes=boxes
    )


def tool_verdict(found: PrintJudgement) -> ToolVerdict:
    """Return a judgement as reports say it."""
    judged = found.judged
    return ToolVerdict(
        code=found.code,
        share=found.share,
        because=found.because,
        from_layer=found.from_layer,
        start_by_s=found.start_by_s,
        past_good=None if judged is None else judged.past_good,
        past_marginal=None if judged is None else judged.past_marginal,
        outcomes=None if judged is None else judged.outcomes,
        runs_out_layer=None if judged is None else judged.runs_out_layer,
        by_model=found.by_model,
    )


def forecast_findings(state: State, found: PrintJudgement, feed: ToolFeed, confidence: float) -> Forecast:
    """Return the contents over the job as reports say them."""
    assert found.judged is not None
    return Forecast(
        limit_good_wt_pct=found.limit_good_wt_pct,
        limit_marginal_wt_pct=found.limit_marginal_wt_pct,
        start_wt_pct=band_of(state, found.arrival.start_wt_pct),
        worst_wt_pct=band_of(state, found.arrival.worst_wt_pct),
        layers=layer_forecasts(state, found, feed),
        worst_of_good=found.judged.worst_of_good,
        worst_of_marginal=found.judged.worst_of_marginal,
        worst_at_share_wt_pct=quantile(found.arrival.worst_wt_pct, confidence, state.weights),
        limits_source=state.spool.material.limits_source,
    )


def layer_forecasts(state: State, found: PrintJudgement, feed: ToolFeed) -> tuple[LayerForecast, ...]:
    """Return what arrives, layer by layer; stretches of one layer are averaged by length."""
    grouped: dict[int, list[int]] = {}
    for row in np.flatnonzero(found.fed).tolist():
        grouped.setdefault(int(feed.layer[row]), []).append(row)
    if not grouped:
        return ()
    by_layer = np.concatenate([*grouped.values()])
    starts = np.cumsum([0, *map(len, grouped.values())])[:-1]
    fed = feed.segments[by_layer, 2]
    total = np.add.reduceat(fed, starts)
    content = np.add.reduceat(fed[:, np.newaxis] * found.arrival.wt_pct[by_layer], starts, axis=0)
    bands = bands_of(state, content / total[:, np.newaxis])
    first = by_layer[starts]
    return tuple(
        LayerForecast(
            layer=layer,
            z_mm=next((z for z in feed.z_mm[rows].tolist() if not math.isnan(z)), None),
            start_s=start_s,
            filament_mm=filament_mm,
            wt_pct=band,
            offset=offset,
        )
        for (layer, rows), start_s, filament_mm, band, offset in zip(
            grouped.items(),
            feed.segments[first, 0].tolist(),
            total.tolist(),
            bands,
            feed.offset[first].tolist(),
            strict=True,
        )
    )
