"""A check put together: a program and its spools' records become findings.

The file becomes a timeline, each record a state, the two a forecast, the forecast a verdict.
``at_s`` is the moment at which the job starts; nothing here reads a clock.  Left out: files
(``gcode``, ``ledger``), and what is done about it (``tweaks``, ``prepare``).
"""

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from gcodetool import profiles
from gcodetool.advice import words
from gcodetool.advice.codes import BADNESS, Code, worst
from gcodetool.advice.exposure import exposure_of
from gcodetool.advice.findings import (
    Band,
    Exposure,
    Forecast,
    JobFindings,
    LayerForecast,
    SpoolFindings,
    SpoolState,
    ToolFindings,
    ToolVerdict,
)
from gcodetool.advice.place import Here, printed_in
from gcodetool.advice.start import HORIZON_S, judged_by, start_by_s
from gcodetool.advice.tweaks import suggest
from gcodetool.advice.verdict import Judgement
from gcodetool.errors import GcodeError, UsageError
from gcodetool.gcode.markers import Family, of_tool
from gcodetool.moisture.exposure import safe_exposure
from gcodetool.moisture.forecast import Arrival, forecast
from gcodetool.moisture.history import State, quantile, quantiles, state_at
from gcodetool.moisture.solver import COMPILED
from gcodetool.motion.spread import claim_difference, moving_range
from gcodetool.motion.timeline import Timeline, timeline

if TYPE_CHECKING:
    from gcodetool.gcode.anchor import Anchor
    from gcodetool.gcode.program import Program
    from gcodetool.moisture.record import Spool
    from gcodetool.profiles import Material, Printer

MEMBERS: Final = 64 if COMPILED else 1  # interpreted, a band would take minutes: nominal parameters alone
CUT_OFF: Final = 0.95  # less filament than this share of the slicer's claim: the file ends early
DIAMETER_SLACK_MM: Final = 0.2


@dataclass(frozen=True)
class Examined:
    """Findings, and what they rest on."""

    findings: JobFindings
    timeline: Timeline
    anchor: "Anchor | None"


def check(
    program: "Program",
    spools: "Mapping[int | None, Spool]",
    *,
    at_s: float,
    printer: "Printer | None" = None,
    place: str | None = None,
    confidence: float = 0.5,
    members: int | None = None,
) -> JobFindings:
    """Return what a check finds.

    Parameters
    ----------
    program : from :func:`gcodetool.read`.
    spools : by tool; None stands for the job's only tool.
    at_s : when the job starts, seconds since 1970 UTC.
    printer : limits, bed, hot end, start time; None = from the file and stated defaults.
    place : the place of the record in whose air the job is printed; None = as the record has it.
    confidence : quantile of the forecast that must hold, 0 to 1.
    members : of the forecast; 1 = nominal parameters alone, None = 64 (1 where the kernels run interpreted).

    Raises
    ------
    GcodeError
        The file lays down no filament.
    UsageError
        Spools that do not fit the job's tools.
    SpoolError
        A record that does not say what is needed.
    """
    return examine(
        program, spools, at_s=at_s, printer=printer, place=place, confidence=confidence, members=members
    ).findings


def examine(
    program: "Program",
    spools: "Mapping[int | None, Spool]",
    *,
    at_s: float,
    printer: "Printer | None" = None,
    place: str | None = None,
    confidence: float = 0.5,
    members: int | None = None,
    watch_z_mm: float | None = None,
    spread: bool = True,
    progress: Callable[[int], None] | None = None,
) -> Examined:
    """Return the findings with timeline and anchor; arguments and errors as in :func:`check`.

    ``watch_z_mm`` asks for the anchor, and for the box of all motion after it below that height.
    Without ``spread`` the file is planned once, and nothing is said of how far its time may be off.
    ``progress`` is called with the number of bytes done.
    """
    digest = _Digest(program)
    anchor = None
    if watch_z_mm is not None:
        from gcodetool.gcode.anchor import find_anchor

        anchor = find_anchor(program)
    watched = None if anchor is None or anchor.offset is None else (anchor.offset, watch_z_mm or 0.0)
    given = {tool: spool.diameter_mm for tool, spool in spools.items() if tool is not None}
    only = spools.get(None)
    diameters = only.diameter_mm if only is not None else given or None
    jobs = timeline(
        program, printer=printer, filament_diameter_mm=diameters, watch=watched, progress=progress
    )
    tools = jobs.tools
    if not tools:
        raise GcodeError(
            f"{program.path}: no filament is extruded; export the sliced job, not a macro or a probe run"
        )
    assigned = assign(spools, tools)
    cautions = [*jobs.notes, *file_cautions(program, jobs)]
    found = []
    for tool in tools:
        spool = assigned.get(tool)
        if spool is None:
            found.append(without_record(program, jobs, tool))
            continue
        checked, said = check_tool(
            program,
            jobs,
            tool,
            spool,
            at_s=at_s,
            printer=printer,
            place=place,
            confidence=confidence,
            members=MEMBERS if members is None else members,
        )
        found.append(checked)
        cautions += said
    findings = JobFindings(
        path=str(program.path),
        sha256=digest.result(),
        bytes=program.size,
        lines=jobs.lines,
        dialect=program.dialect.label,
        dialect_reason=program.dialect_reason,
        dialect_sure=program.dialect_sure,
        family=None if program.family.value == "unknown" else program.family.value,
        layers=jobs.layers,
        unknown_commands=jobs.unknown,
        moving_s=jobs.total_moving_s,
        extruding_s=jobs.total_extruding_s,
        waiting_s=jobs.total_waiting_s,
        open_air_s=jobs.open_air_s,
        slicer_claim_s=program.facts.claimed_s,
        moving_s_range=moving_range(program, jobs, printer=printer, filament_diameter_mm=diameters)
        if spread
        else None,
        claim_difference=claim_difference(program, jobs, printer=printer, filament_diameter_mm=diameters)
        if spread
        else None,
        rules=jobs.form,
        limits=jobs.limits,
        waits=jobs.waits,
        as_of_s=at_s,
        verdict=worst([tool.verdict.code for tool in found]),
        tools=tuple(found),
        cautions=tuple(dict.fromkeys(cautions)),
    )
    return Examined(findings, jobs, anchor)


class _Digest:
    """The file's digest, worked out beside the scan: hashing leaves the interpreter free."""

    def __init__(self, program: "Program") -> None:
        self._program = program
        self._value: str | None = None
        self._error: Exception | None = None
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def _work(self) -> None:
        try:
            self._value = self._program.sha256
        except Exception as error:  # handed on to the caller in result()
            self._error = error

    def result(self) -> str:
        """Return the digest, or raise what reading the file raised."""
        self._thread.join()
        if self._error is not None:
            raise self._error
        return self._value or ""


def assign(spools: "Mapping[int | None, Spool]", tools: Sequence[int]) -> "dict[int, Spool]":
    """Return the spools by tool.

    Raises
    ------
    UsageError
        A spool without a tool for a job of several, or for a tool that the job does not use.
    """
    names = ", ".join(str(tool) for tool in tools)
    if None in spools:
        if len(tools) > 1:
            raise UsageError(
                f"the job feeds from tools {names}; name each spool's tool: "
                f"--spool {tools[0]}={spools[None].id} --spool {tools[1]}=…"
            )
        return {tools[0]: spools[None]}
    for tool in spools:
        if tool not in tools:
            raise UsageError(f"--spool {tool}=…: the job feeds nothing from tool {tool}; it uses {names}")
    return {tool: spool for tool, spool in spools.items() if tool is not None}


def file_cautions(program: "Program", jobs: Timeline) -> list[str]:
    """Return what is odd about the file itself."""
    said = []
    if not program.dialect_sure:
        said.append(f"the dialect is not sure ({program.dialect_reason}); name the printer with --printer")
    for tool, claim in enumerate(program.facts.filament_mm):
        fed = jobs.filament_mm(tool)
        if claim and fed < CUT_OFF * claim and tool in jobs.tools:
            said.append(
                f"T{tool} feeds {fed / 1000:.2f} m, the slicer claims {claim / 1000:.2f} m: "
                "the file may be cut off; export it again"
            )
    if program.family in (Family.A, Family.C_END) and not program.facts.config:
        said.append(
            "the settings that this family prints at the end are missing: the file may be cut off; export it again"
        )
    if jobs.unknown:
        most = sorted(jobs.unknown.items(), key=lambda item: (-item[1], item[0]))
        listed = ", ".join(f"{name} ({count})" for name, count in most[:5])
        more = f" and {len(most) - 5} more" if len(most) > 5 else ""
        said.append(
            f"{program.dialect.label} does not know these by itself (macros?), kept and not timed: {listed}{more}"
        )
    return said


def file_material(program: "Program", tool: int) -> str | None:
    """Return the slicer's word for a tool's filament."""
    return of_tool(program.facts.filament_types, tool)


def without_record(program: "Program", jobs: Timeline, tool: int) -> ToolFindings:
    """Return what can be said of a tool whose spool nobody named."""
    word = file_material(program, tool)
    material: Material | None = None
    if word:
        material, _ = profiles.of_slicer_type(word)
    named = of_tool(program.facts.spools, tool)
    because = "no record of this spool: what it holds cannot be known"
    advice = "name its file with --spool FILE, or purge and look at the strand before the part begins"
    if named:
        because = f"the file names spool '{named}', but its record was not given"
        advice = f"name the record of '{named}' with --spool {named}.toml"
    length = jobs.filament_mm(tool)
    demands = jobs.demands.get(tool)
    diameter = of_tool(program.facts.diameters_mm, tool)
    mass = None
    if material is not None and diameter is not None:
        mass = mass_g(length, diameter, material.density_kg_m3)
    return ToolFindings(
        tool=tool,
        spool=None,
        material=word,
        filament_mm=length,
        mass_g=mass,
        extruding_s=tool_extruding_s(jobs, tool) if demands is not None else 0.0,
        verdict=ToolVerdict("unknown", None, because, None, None),
        advice=(advice,),
    )


def mass_g(length_mm: float, diameter_mm: float, density_kg_m3: float) -> float:
    """Return the mass of a length of strand.

    >>> round(mass_g(1000.0, 1.75, 1240.0), 3)
    2.983
    """
    return length_mm * np.pi * diameter_mm**2 / 4 * density_kg_m3 * 1e-6


def tool_extruding_s(jobs: Timeline, tool: int) -> float:
    """Return the time in which one tool's filament goes forward."""
    return float(jobs.extruding_s[jobs.tool == tool].sum())


def feed_of(jobs: Timeline, tool: int) -> tuple["np.ndarray[Any, Any]", "np.ndarray[Any, Any]"]:
    """Return the stretches of *tool* as (start, end, net length) rows, and their indices."""
    rows = np.flatnonzero(jobs.tool == tool)
    start = jobs.start_s[rows]
    end = start + jobs.moving_s[rows] + jobs.waiting_s[rows]
    return np.stack([start, end, jobs.fed_mm[rows]], axis=1), rows


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
) -> tuple[ToolFindings, list[str]]:
    """Return the findings on one tool, and its cautions."""
    state = state_at(spool, at_s, members=members)
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
    if state.remaining_mm <= 0 or not known.any():
        verdict = ToolVerdict("unknown", None, "the record says that this reel is empty", None, None)
        found = ToolFindings(
            tool=tool,
            spool=spool.id,
            material=spool.material.key,
            filament_mm=length,
            mass_g=mass_g(length, spool.diameter_mm, spool.material.density_kg_m3),
            extruding_s=tool_extruding_s(jobs, tool),
            verdict=verdict,
            exposure=exposure,
            advice=("take another spool, or correct this one's record",),
        )
        return found, cautions
    judged = judged_by(state, arrival, known, layers, confidence)
    code, layer, because = decide(state, arrival, feed, known, layers, judged, exposure, here, confidence)
    if BADNESS.index(judged.cautious_code) > BADNESS.index(code):
        at_layer = "" if judged.cautious_layer is None else f" from layer {judged.cautious_layer}"
        cautions.append(
            f"{spool.id}: one time in ten it is worse than {code}: {judged.cautious_code}{at_layer}; "
            "a weigh-in or an inspection would tell"
        )
    start_by = None
    if code in ("clear", "adjust"):
        start_by = start_by_s(state, here, feed, code, exposure, confidence=confidence)
    good, marginal = limits_of(state)
    worst_content = quantile(arrival.worst_wt_pct, confidence, state.weights)
    facts = program.facts
    demands = jobs.demands.get(tool)
    tweaks = suggest(
        spool.material,
        good=good,
        marginal=marginal,
        worst=worst_content,
        nozzle_C=of_tool(facts.other_layer_C, tool),
        retract_mm=of_tool(facts.retract_mm, tool),
        flow_mm3_s=None if demands is None else demands.flow(0.95),
        printer=printer,
    )
    found = ToolFindings(
        tool=tool,
        spool=spool.id,
        material=spool.material.key,
        filament_mm=length,
        mass_g=mass_g(length, spool.diameter_mm, spool.material.density_kg_m3),
        extruding_s=tool_extruding_s(jobs, tool),
        verdict=ToolVerdict(code, judged.share if code == judged.code else None, because, layer, start_by),
        state=spool_state(state, arrival.path_wt_pct),
        exposure=exposure,
        forecast=Forecast(
            limit_good_wt_pct=good,
            limit_marginal_wt_pct=marginal,
            start_wt_pct=band_of(state, arrival.start_wt_pct),
            worst_wt_pct=band_of(state, arrival.worst_wt_pct),
            layers=layers_of(state, arrival, jobs, rows, known),
        ),
        tweaks=tuple(tweaks) if code == "adjust" else (),
        advice=tuple(advice_for(code, state, here, start_by, at_s)),
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


def look(spool: "Spool", *, at_s: float, members: int | None = None) -> SpoolFindings:
    """Return what one spool's record comes to at *at_s*; errors as in :func:`check`."""
    state = state_at(spool, at_s, members=MEMBERS if members is None else members)
    nominal = state if state.members == 1 else state_at(spool, at_s, members=1)
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
    )
