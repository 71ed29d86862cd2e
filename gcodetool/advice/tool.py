"""One tool's spool put together: its record becomes a state, a forecast, a verdict, advice.

``at_s`` is the moment at which the job starts.  Left out: the job around it (``job``), files.
"""

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from gcodetool import profiles
from gcodetool.advice.demands import asked_of
from gcodetool.advice.job import feed_of, file_material, mass_g, tool_extruding_s
from gcodetool.advice.tweaks import Water, lasting_damage, shortfall, suggest
from gcodetool.gcode.markers import of_tool
from gcodetool.judge import reasons as words
from gcodetool.judge.exposure_budget import exposure_of
from gcodetool.judge.findings import (
    Band,
    Exposure,
    Forecast,
    LayerForecast,
    SpoolFindings,
    SpoolState,
    ToolFindings,
    ToolVerdict,
)
from gcodetool.judge.latest_start import HORIZON_S, judged_by, start_by_s
from gcodetool.judge.outcomes import Judgement
from gcodetool.judge.print_air import Here, printed_in
from gcodetool.judge.verdict_codes import BADNESS, Code
from gcodetool.moisture.exposure import safe_exposure
from gcodetool.moisture.forecast import Arrival, forecast
from gcodetool.moisture.history import State, quantile, quantiles, state_at
from gcodetool.moisture.members import usual
from gcodetool.moisture.sharpen import gains, sharpen, worth_recording
from gcodetool.moisture.snapshot import ShelfOf, nowhere
from gcodetool.motion.timeline import Timeline

if TYPE_CHECKING:
    from gcodetool.gcode.program import Program
    from gcodetool.moisture.record import Spool
    from gcodetool.profiles import Printer

DIAMETER_SLACK_MM: Final = 0.2


def check_tool(
    program: "Program",
    jobs: Timeline,
    tool: int,
    spool: "Spool",
    *,
    at_s: float,
    printer: "Printer | None",
    place: str | None,
    confidence: float,
    members: int,
    tweaks: bool = True,
    shelf_of: ShelfOf = nowhere,
) -> tuple[ToolFindings, list[str]]:
    """Return the findings on one tool, and its cautions."""
    state = state_at(spool, at_s, members=members, shelf=shelf_of(spool))
    here = printed_in(spool, state, at_s=at_s, place=place, printer=printer)
    feed, rows = feed_of(jobs, tool)
    arrival = forecast(state, here.air, feed, until_s=jobs.open_air_s)
    layers = jobs.layer[rows]
    fed = feed[:, 2] > 0
    known = fed & ~np.isnan(arrival.wt_pct).any(axis=1)
    length = jobs.filament_mm(tool)
    needed = jobs.needed_s(tool)
    cautions = spool_cautions(program, tool, spool, arrival, length)
    cautions += [f"{spool.id}: {note}" for note in here.cautions]
    exposure, stated_cautions = exposure_of(
        state, here, needed_s=needed, confidence=confidence, horizon_s=HORIZON_S
    )
    cautions += stated_cautions
    found = ToolFindings(
        tool=tool,
        spool=spool.id,
        material=spool.material.key,
        filament_mm=length,
        mass_g=mass_g(length, spool.diameter_mm, spool.material.density_kg_m3),
        extruding_s=tool_extruding_s(jobs, tool),
        verdict=ToolVerdict("unknown", None, "the record says that this reel is empty", None, None),
        exposure=exposure,
        advice=("take another spool, or correct this one's record",),
    )
    if state.remaining_mm <= 0 or not known.any():
        return found, cautions
    judged = judged_by(state, arrival, known, layers, confidence)
    record = worth_recording(state)
    code, layer, because = decide(state, arrival, feed, known, layers, judged, exposure, here, confidence)
    if BADNESS.index(judged.cautious_code) > BADNESS.index(code):
        at_layer = "" if judged.cautious_layer is None else f" from layer {judged.cautious_layer}"
        cautions.append(
            f"{spool.id}: one time in ten it is worse than {code}: {judged.cautious_code}{at_layer}; "
            + ("no single record would tell much" if record is None else f"to be surer: {record}")
        )
    start_by = None
    if code in ("clear", "adjust"):
        start_by = start_by_s(state, here, feed, code, exposure, confidence=confidence)
    good, marginal = limits_of(state)
    worst_content = quantile(arrival.worst_wt_pct, confidence, state.weights)
    asked = asked_of(
        program, jobs, tool, material=spool.material, diameter_mm=spool.diameter_mm, printer=printer
    )
    water = Water(good, marginal, worst_content, polymer=1 - spool.fibre_wt_pct / 100)
    found_tweaks = suggest(spool.material, water, asked, printer=printer) if code == "adjust" else ()
    advice = advice_for(code, state, here, start_by, at_s)
    if worst_content > good:
        damage = lasting_damage(spool.material, water, asked)
        advice += [] if damage is None else [damage]
    if code == "adjust" and tweaks:
        short = shortfall(water, found_tweaks)
        advice += [] if short is None else [short]
    found = replace(
        found,
        verdict=ToolVerdict(
            code,
            judged.share if code == judged.code else None,
            because,
            layer,
            start_by,
            past_good=judged.past_good,
            past_marginal=judged.past_marginal,
        ),
        state=spool_state(state, arrival.path_wt_pct),
        forecast=Forecast(
            limit_good_wt_pct=good,
            limit_marginal_wt_pct=marginal,
            start_wt_pct=band_of(state, arrival.start_wt_pct),
            worst_wt_pct=band_of(state, arrival.worst_wt_pct),
            layers=layers_of(state, arrival, jobs, rows, known),
        ),
        tweaks=found_tweaks if tweaks else (),
        advice=tuple(advice),
        sharpen=record,
    )
    return found, cautions


def decide(
    state: State,
    arrival: Arrival,
    feed: "np.ndarray[Any, Any]",
    known: "np.ndarray[Any, Any]",
    layers: "np.ndarray[Any, Any]",
    judged: Judgement,
    exposure: Exposure,
    here: Here,
    confidence: float,
) -> tuple[Code, int | None, str]:
    """Return verdict, layer and reason: the model's, or the user's own safe exposure where that is worse."""
    code, layer = judged.code, judged.from_layer
    if exposure.source == "stated" and exposure.safe_s is not None and exposure.needed_s is not None:
        late = np.flatnonzero(known & (feed[:, 1] > exposure.safe_s))
        stated: Code = "clear"
        if exposure.safe_s <= 0:
            stated, place = "dry-first", int(layers[known][0])
        elif exposure.safe_s < exposure.needed_s and late.size:
            stated, place = "runs-out", int(layers[late[0]])
        if BADNESS.index(stated) > BADNESS.index(code):
            return stated, place, words.by_own_figure(stated, exposure)
    return code, layer, words.because(state, arrival, feed, known, layers, judged, here, confidence)


def limits_of(state: State) -> tuple[float, float]:
    """Return the middle of the members' limits: good and marginal. [wt %]"""
    return (
        quantile(state.limit_good_wt_pct, 0.5, state.weights),
        quantile(state.limit_marginal_wt_pct, 0.5, state.weights),
    )


def band_of(state: State, values: "np.ndarray[Any, Any]") -> Band:
    """Return the quantiles of one value per member."""
    return Band(*quantiles(values, state.weights))


def spool_state(state: State, path_wt_pct: "np.ndarray[Any, Any]") -> SpoolState:
    """Return what the report says of a spool; *path_wt_pct* of the strand in tube and hot end, per member."""
    return SpoolState(
        as_of_s=state.as_of_s,
        next_fed_wt_pct=band_of(state, state.next_fed_wt_pct),
        mean_wt_pct=band_of(state, state.mean_wt_pct),
        path_wt_pct=band_of(state, path_wt_pct),
        remaining_mm=state.remaining_mm,
        place=state.place,
        assumed=state.notes,
    )


def layers_of(
    state: State,
    arrival: Arrival,
    jobs: Timeline,
    rows: "np.ndarray[Any, Any]",
    known: "np.ndarray[Any, Any]",
) -> tuple[LayerForecast, ...]:
    """Return what arrives, layer by layer; stretches of one layer are averaged by length."""
    grouped: dict[int, list[int]] = {}
    for index in np.flatnonzero(known):
        grouped.setdefault(int(jobs.layer[rows[index]]), []).append(int(index))
    found = []
    for layer, indices in grouped.items():
        fed = jobs.fed_mm[rows[indices]]
        content = fed @ arrival.wt_pct[indices] / fed.sum()
        heights = jobs.z_mm[rows[indices]]
        heights = heights[~np.isnan(heights)]
        first = rows[indices[0]]
        found.append(
            LayerForecast(
                layer=layer,
                z_mm=float(heights[0]) if heights.size else None,
                start_s=float(jobs.start_s[first]),
                filament_mm=float(fed.sum()),
                wt_pct=band_of(state, content),
                offset=int(jobs.offset[first]),
            )
        )
    return tuple(found)


def spool_cautions(
    program: "Program", tool: int, spool: "Spool", arrival: Arrival, length_mm: float
) -> list[str]:
    """Return where the spool does not fit the file."""
    said = []
    word = file_material(program, tool)
    if word and not profiles.fits(word, spool.material):
        said.append(
            f"T{tool} is sliced for {word}, but {spool.id} is {spool.material.key}: check temperatures and spool"
        )
    sliced = of_tool(program.facts.diameters_mm, tool)
    if sliced is not None and abs(sliced - spool.diameter_mm) > DIAMETER_SLACK_MM:
        said.append(
            f"T{tool} is sliced for {sliced:g} mm filament, but {spool.id} is {spool.diameter_mm:g} mm: slice it again"
        )
    if arrival.short_mm > 0:
        said.append(
            f"{spool.id} has {arrival.fed_mm / 1000:.1f} m left, the job feeds {length_mm / 1000:.1f} m: "
            f"{arrival.short_mm / 1000:.1f} m short"
        )
    return said


def advice_for(code: Code, state: State, here: Here, start_by: float | None, at_s: float) -> list[str]:
    """Return what to do, the first thing first."""
    said = list(words.to_do(code, state, here, start_by, at_s))
    if code in ("runs-out", "dry-first"):
        said += words.drying(state.spool)
    return said


def look(
    spool: "Spool", *, at_s: float, members: int | None = None, shelf_of: ShelfOf = nowhere
) -> SpoolFindings:
    """Return what one spool's record comes to at *at_s*; errors as in :func:`check`, *shelf_of* as in `examine`."""
    shelf = shelf_of(spool)
    state = state_at(spool, at_s, members=usual(members), shelf=shelf)
    nominal = state if state.members == 1 else state_at(spool, at_s, members=1, shelf=shelf)
    here = printed_in(spool, state, at_s=at_s, place=None, printer=None)
    good, marginal = limits_of(state)
    content = quantile(state.next_fed_wt_pct, 0.5, state.weights)
    word = (
        "empty"
        if np.isnan(content)
        else "dry"
        if content <= good
        else "marginal"
        if content <= marginal
        else "wet"
    )
    return SpoolFindings(
        spool=spool.id,
        material=spool.material.key,
        word=word,
        state=spool_state(state, state.path_wt_pct),
        limit_good_wt_pct=good,
        limit_marginal_wt_pct=marginal,
        safe_exposure_s=safe_exposure(state, here.air),
        air=here.words,
        by_depth=tuple((depth, quantile(content, 0.5, state.weights)) for depth, content in state.by_depth()),
        strand=tuple(nominal.strand()),
        bands=tuple(band_of(state, content) for _, content in state.by_depth()),
        advice=tuple(words.for_the_shelf(word, spool)),
        sharpen=sharpen(state),
        gains=tuple((gain.what, gain.share) for gain in gains(state)),
    )
