"""One job on one page: the verdict and what to do first, then the pictures, then what it all rests on."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from gcodetool import __version__
from gcodetool.judge.findings import ExaminedJob, JobFindings, ToolFindings
from gcodetool.judge.reasons import feed_sentence, out_of_100, outcomes_sentence
from gcodetool.report.as_text import KINDS as TIME_KINDS
from gcodetool.report.as_text import duration, percent, spread
from gcodetool.report.html import charts, page, reel, sources
from gcodetool.report.html.palette import LIGHT
from gcodetool.report.html.part import Part, part
from gcodetool.report.html.scale import BAND, NONE, TOP, colours, step_of
from gcodetool.report.html.shapes import Excerpt, shapes
from gcodetool.report.html.water import Water, water
from gcodetool.report.next_command import next_command

if TYPE_CHECKING:
    from gcodetool.gcode.edits import Edit
    from gcodetool.gcode.program import Program
    from gcodetool.moisture.record import Spool
    from gcodetool.profiles import Printer

MOST_POINTS: Final = 1500  # of a curve; more are not seen
MOST_ROWS: Final = 24  # of the table that tells the curve
MOST_EDITS: Final = 8
MOST_NEW_LINES: Final = 14  # of an edit that are shown
MOST_WAITS: Final = 12
MOST_LISTED: Final = 40  # cautions, limits, advice


@dataclass(frozen=True)
class Diff:
    """One edit as lines: (sign, number or nothing, text)."""

    reason: str
    lines: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True)
class PageTool:
    """One tool's section of the page."""

    found: ToolFindings
    chart: Any = None
    table: tuple[tuple[str, ...], ...] = ()
    water: Water | None = None
    past: Any = None
    now: reel.Section | None = None
    end: reel.Section | None = None
    told: str = ""


def review(
    program: "Program",
    examined: ExaminedJob,
    *,
    printer: "Printer | None" = None,
    asked_printer: str | None = None,
    asked_spools: Mapping[int | None, str] | None = None,
) -> str:
    """Return the page on one job.

    Parameters
    ----------
    program, examined : from ``read`` and from ``examine`` with ``watch_z_mm=prepare.WATCH``.
    printer : the one that *examined* was made with.
    asked_printer, asked_spools : the words that named it, and the spool of each tool (None: of the only one).

    Raises
    ------
    GcodeError
        The file went away or is damaged.
    """
    found = examined.findings
    timeline = examined.timeline
    edits, refused = edits_of(program, examined, printer)
    shown = edits[:MOST_EDITS]
    laid = shapes(
        program,
        layers=max(1, len(set(timeline.layer.tolist()))) if timeline.layers else 0,
        places=[(edit.start, edit.stop) for edit in shown],
    )
    long_waits = [wait for wait in found.waits if wait.seconds > 0]
    drawn = part(laid.shapes, steps(found), every=laid.every)
    tools = [section_of(examined, tool) for tool in found.tools]
    lead = leading(found)
    asked = asked_spools or {}
    named = {tool.tool: asked.get(tool.tool, asked.get(None, tool.spool)) for tool in found.tools}
    spools = {tool: name for tool, name in named.items() if name is not None}
    help_ = next_command(found, lead, spools=spools, printer=asked_printer)
    return page.written(
        "review.html",
        data_of(found, timeline, tools, drawn),
        version=__version__,
        found=found,
        sure=sureness(found),
        name=page.clean(Path(found.path).name, 120),
        tools=tools,
        lead=lead,
        help=help_,
        part=drawn,
        crossings=[] if drawn is None else crossings(found, drawn),
        several=len(found.tools) > 1,
        edits=[diff(edit, excerpt) for edit, excerpt in zip(shown, laid.excerpts, strict=True)],
        more_edits=len(edits) - len(shown),
        refused=refused,
        kinds=time_by_kind(found),
        limits=limits_by_source(found),
        waits=sorted(long_waits, key=lambda wait: -wait.seconds)[:MOST_WAITS],
        more_waits=max(0, len(long_waits) - MOST_WAITS),
        free_waits=len(found.waits) - len(long_waits),
        dry_feed=None if lead.feed is None else feed_sentence(lead.feed),
        bases=sources.bases(found, {tool: over.spool for tool, over in examined.spools.items()}),
        basis_kinds=sources.KINDS,
        cautions=found.cautions[:MOST_LISTED],
        more_cautions=max(0, len(found.cautions) - MOST_LISTED),
        scale=colours(),
        scale_marks=scale_marks(found),
        no_colour=NONE,
        edge=LIGHT["ground"],
        cut=laid.cut,
        told_part=told_part(found),
        gaps=drawn is not None and any(row.fill == NONE for row in drawn.rows),
        spread=spread,
        claim=[
            (TIME_KINDS[kind], seconds)
            for kind, seconds in found.claim_difference or ()
            if abs(seconds) >= 1 and kind in TIME_KINDS
        ],
        svg=_markup,
    )


def _markup(text: str) -> Any:
    """Return a picture drawn here as what needs no escaping."""
    from markupsafe import Markup

    return Markup(text)


def told_part(found: JobFindings) -> str:
    """Return the colours of the part in words, to be added to a picture's name."""
    said = [
        f"T{tool.tool} from {spread(tool.forecast.start_wt_pct)} to {spread(tool.forecast.worst_wt_pct)} at worst"
        for tool in found.tools
        if tool.forecast is not None
    ]
    return ": " + "; ".join(said) if said else ""


def leading(found: JobFindings) -> ToolFindings:
    """Return the tool whose verdict is the job's."""
    return next((tool for tool in found.tools if tool.verdict.code == found.verdict), found.tools[0])


def sureness(found: JobFindings) -> tuple[int, str] | None:
    """Return how many of 100 members print to the end, and what becomes of all; None where no band is known."""
    lead = leading(found)
    known = lead.forecast is not None and lead.forecast.start_wt_pct.p10 is not None
    if lead.verdict.outcomes is None or not known:
        return None
    counts = out_of_100(lead.verdict.outcomes)
    said = outcomes_sentence(lead.verdict.outcomes, lead.verdict.runs_out_layer)
    return counts["clear"] + counts["adjust"], said


def steps(found: JobFindings) -> Any:
    """Return (layer, tool) → step of the colour scale, each tool by its own limits."""
    known: dict[tuple[int, int], int | None] = {}
    for tool in found.tools:
        if tool.forecast is None:
            continue
        limits = (tool.forecast.limit_good_wt_pct, tool.forecast.limit_marginal_wt_pct)
        for layer in tool.forecast.layers:
            known[layer.layer, tool.tool] = step_of(layer.wt_pct.p50, limits)
    return lambda layer, tool: known.get((layer, tool))


@dataclass(frozen=True)
class Crossing:
    """Where in the part a strand passes a limit: the height in the picture from the side, and words for it."""

    y: float
    words: str
    wet: bool  # past marginal, not only past good


def crossings(found: JobFindings, drawn: Part) -> list[Crossing]:
    """Return where each tool's strand becomes too wet; where it becomes damp, if it never gets too wet."""
    listed = []
    for tool in found.tools:
        past = tool.verdict.past_marginal
        layer = tool.verdict.past_good if past is None else past
        if tool.forecast is None or layer is None:
            continue
        before = None
        for each in tool.forecast.layers:
            if each.layer == layer:
                break
            before = each.z_mm
        at_mm = 0.0 if before is None else min(before, drawn.size_mm[2])
        who = f"T{tool.tool} " if len(found.tools) > 1 else ""
        words = f"{who}{'damp' if past is None else 'too wet'} from {at_mm:.2f} mm, layer {layer}"
        listed.append(Crossing(round(drawn.front.y(at_mm), 1), words, past is not None))
    return listed


def stated_limits(spool: "Spool") -> tuple[float, float]:
    """Return the limits that a spool's profile states, of its strand: fibre takes up nothing. [wt %]"""
    stock, share = spool.material, spool.polymer_share
    return share * stock.limit_good_wt_pct, share * stock.limit_marginal_wt_pct


def section_of(examined: ExaminedJob, tool: ToolFindings) -> PageTool:
    """Return one tool's section: what there is to draw of it."""
    over = examined.spools.get(tool.tool)
    if over is None:
        return PageTool(tool)
    found, spool = examined.findings, over.spool
    seen = water(over, at_s=found.as_of_s)
    limits = (
        (tool.forecast.limit_good_wt_pct, tool.forecast.limit_marginal_wt_pct)
        if tool.forecast is not None
        else stated_limits(spool)
    )
    spool_name = page.clean(spool.id, 40)
    past = charts.history(
        seen.moments_s.tolist(),
        seen.reel,
        seen.outside,
        seen.stays,
        [(event.at_s, content, event.kind) for event, content in seen.events],
        at_s=found.as_of_s,
        limits=limits,
        title=f"Water in spool {spool_name} from its first record to the start of the job",
        desc=told_past(seen),
        name=f"past{tool.tool}",
    )
    outer = max((layer.outer_mm for layer in seen.now.layers), default=seen.now.hub_mm + 1.0)
    points = points_of(examined, tool)
    chart = None
    if tool.forecast is not None and points:
        chart = charts.nozzle(
            points,
            good=limits[0],
            marginal=limits[1],
            until_s=max(found.open_air_s, points[-1].at_s),
            crossed=tool.verdict.from_layer,
            title=f"Water in the strand that arrives at the nozzle, {spool_name}",
            desc=told_job(tool),
            name=f"job{tool.tool}",
        )
    return PageTool(
        tool,
        chart,
        tuple(table_of(tool)),
        seen,
        past,
        reel.section(seen.now, limits, outer),
        None if seen.end is None else reel.section(seen.end, limits, outer),
        told_past(seen),
    )


def points_of(examined: ExaminedJob, tool: ToolFindings) -> list[charts.Point]:
    """Return the curve: one point per layer in the middle of its time, the extremes of many kept."""
    if tool.forecast is None:
        return []
    layers = [layer for layer in tool.forecast.layers if layer.wt_pct.p50 is not None]
    timeline = examined.timeline
    last = timeline.needed_s(tool.tool)
    ends = [layer.start_s for layer in layers[1:]] + [max(last, layers[-1].start_s) if layers else 0.0]
    points = [
        charts.Point(
            layer.layer,
            (layer.start_s + end) / 2,
            layer.wt_pct.p10,
            layer.wt_pct.p50 or 0.0,
            layer.wt_pct.p90,
        )
        for layer, end in zip(layers, ends, strict=True)
    ]
    if len(points) <= MOST_POINTS:
        return points
    step = math.ceil(len(points) / (MOST_POINTS // 2))
    kept: list[charts.Point] = []
    for begin in range(0, len(points), step):
        group = points[begin : begin + step]
        ends_of_group = {group.index(min(group, key=_height)), group.index(max(group, key=_height))}
        crossed = [place for place, point in enumerate(group) if point.layer == tool.verdict.from_layer]
        kept += [group[place] for place in sorted(ends_of_group | set(crossed))]
    return kept


def _height(point: charts.Point) -> float:
    return point.p50


def told_job(tool: ToolFindings) -> str:
    """Return the curve in words."""
    assert tool.forecast is not None
    forecast = tool.forecast
    crossing = (
        "It stays below every limit that decides."
        if tool.verdict.from_layer is None
        else f"It passes the limit that decides at layer {tool.verdict.from_layer}."
    )
    return (
        f"Starts at {spread(forecast.start_wt_pct)}, at worst {spread(forecast.worst_wt_pct)}. Good up to "
        f"{percent(forecast.limit_good_wt_pct)}, marginal up to {percent(forecast.limit_marginal_wt_pct)} wt %. "
        f"{crossing} The table below the chart has the numbers."
    )


def told_past(seen: Water) -> str:
    """Return a spool's past in words."""
    stays = "; ".join(
        f"{page.clean(stay.place.name, 30)} ({stay.place.kind}) for {duration(stay.end_s - stay.begin_s)}"
        for stay in seen.stays[-8:]
    )
    earlier = f"{len(seen.stays) - 8} earlier stays, then " if len(seen.stays) > 8 else ""
    first, last = float(seen.outside.p50[0]), float(seen.outside.p50[-1])
    return (
        f"Stays: {earlier}{stays or 'none'}. What is fed next went from {percent(first)} to {percent(last)} wt %; "
        f"{len(seen.events)} weigh-ins and inspections."
    )


def table_of(tool: ToolFindings) -> Iterator[tuple[str, ...]]:
    """Yield rows that tell the curve: layer, height, start, filament, content; the crossing is among them."""
    if tool.forecast is None or not tool.forecast.layers:
        return
    layers = tool.forecast.layers
    step = max(1, math.ceil(len(layers) / MOST_ROWS))
    chosen = set(range(0, len(layers), step)) | {len(layers) - 1}
    chosen |= {place for place, layer in enumerate(layers) if layer.layer == tool.verdict.from_layer}
    for place in sorted(chosen):
        layer = layers[place]
        yield (
            str(layer.layer),
            "?" if layer.z_mm is None else f"{layer.z_mm:.2f}",
            duration(layer.start_s),
            f"{layer.filament_mm / 1000:.2f}",
            spread(layer.wt_pct).removesuffix(" wt %").replace(" wt %", ""),
        )


def edits_of(
    program: "Program", examined: ExaminedJob, printer: "Printer | None"
) -> "tuple[tuple[Edit, ...], str | None]":
    """Return what ``prepare`` would write into the file, or the reason why it would write nothing."""
    from gcodetool.block.annotate import annotate, why_untouched

    refused = None if examined.anchor is None else why_untouched(examined.anchor)
    if refused is not None:
        return (), page.clean(refused)
    spools = [over.spool for over in examined.spools.values()]
    return annotate(program, examined, spools, printer=printer).edits, None


def diff(edit: "Edit", excerpt: Excerpt) -> Diff:
    """Return an edit as lines with the numbers that they have in the file as it is."""
    lines: list[tuple[str, str, str]] = []
    number = excerpt.line - len(excerpt.before)
    for text in excerpt.before:
        lines.append((" ", str(number), page.clean(text, 120)))
        number += 1
    removed = excerpt.inside if edit.stop > edit.start else ()
    for text in removed:
        lines.append(("−", str(number), page.clean(text, 120)))
        number += 1
    new = edit.replacement.decode("utf-8", "replace").splitlines()
    shown = new if len(new) <= MOST_NEW_LINES else [*new[: MOST_NEW_LINES - 2], "", new[-1]]
    for place, text in enumerate(shown):
        if len(shown) < len(new) and place == MOST_NEW_LINES - 2:
            lines.append(("+", "", f"… {len(new) - MOST_NEW_LINES + 1} more lines …"))
        else:
            lines.append(("+", "", page.clean(text, 120)))
    for text in excerpt.after:
        lines.append((" ", str(number), page.clean(text, 120)))
        number += 1
    return Diff(page.clean(edit.reason, 160), tuple(lines))


def time_by_kind(found: JobFindings) -> list[tuple[str, float, float, str]]:
    """Return (kind, seconds, share of the open-air time, note), the parts of the open-air time."""
    waits: dict[str, float] = {}
    assumed: dict[str, bool] = {}
    for wait in found.waits:
        waits[wait.kind] = waits.get(wait.kind, 0.0) + wait.seconds
        assumed[wait.kind] = assumed.get(wait.kind, False) or (wait.assumed and wait.seconds > 0)
    travel = max(0.0, found.moving_s - found.extruding_s)
    parts = [("extruding", found.extruding_s, ""), ("travel and retraction", travel, "")]
    parts += [
        (TIME_KINDS.get(kind, kind), seconds, "partly assumed" if assumed[kind] else "")
        for kind, seconds in waits.items()
        if seconds > 0
    ]
    total = max(found.open_air_s, 1e-9)
    return [(kind, seconds, min(1.0, seconds / total), note) for kind, seconds, note in parts]


def limits_by_source(found: JobFindings) -> list[tuple[str, list[tuple[str, str]]]]:
    """Return the printer's limits by where they came from."""
    grouped: dict[str, list[tuple[str, str]]] = {}
    for limit in found.limits[:MOST_LISTED]:
        value = f"{limit.value:g}" if math.isfinite(limit.value) else "?"
        grouped.setdefault(limit.source, []).append((limit.name, value))
    return list(grouped.items())


def scale_marks(found: JobFindings) -> tuple[str, str] | None:
    """Return what stands at the two steps of the colour scale, *good* and *marginal*; None: nothing is known."""
    known = {
        (tool.forecast.limit_good_wt_pct, tool.forecast.limit_marginal_wt_pct)
        for tool in found.tools
        if tool.forecast is not None
    }
    if not known:
        return None
    if len(known) > 1:  # each tool has limits of its own
        return "its good", "its marginal"
    (good, marginal) = known.pop()
    return percent(good), percent(marginal)


def data_of(
    found: JobFindings, timeline: Any, tools: Sequence[PageTool], drawn: Part | None
) -> dict[str, Any]:
    """Return what the page's script reads: layers in order of time, charts' frames, pictures' scales."""
    contents: dict[tuple[int, int], Any] = {}
    for tool in found.tools:
        for layer in tool.forecast.layers if tool.forecast is not None else ():
            contents[layer.layer, tool.tool] = layer.wt_pct
    fed = timeline.forward_mm > 0  # what only draws back is no layer to look at
    rows: dict[tuple[int, int], list[Any]] = {}
    for layer, number, start, z_mm, lays in zip(
        timeline.layer.tolist(),
        timeline.tool.tolist(),
        timeline.start_s.tolist(),
        timeline.z_mm.tolist(),
        fed.tolist(),
        strict=True,
    ):
        if not lays or (layer, number) in rows:
            continue
        content = contents.get((layer, number))
        values = [None] * 3 if content is None else [content.p10, content.p50, content.p90]
        rows[layer, number] = [
            layer,
            number,
            page.digits(start, 6),
            page.digits(z_mm, 5),
            *(page.digits(value) for value in values),
        ]
    listed = list(rows.values())
    if len(listed) > 4 * MOST_POINTS:
        listed = listed[:: math.ceil(len(listed) / (4 * MOST_POINTS))]
    return {
        "at": found.as_of_s,
        "layers": listed,
        "limits": {
            tool.tool: [
                page.digits(tool.forecast.limit_good_wt_pct),
                page.digits(tool.forecast.limit_marginal_wt_pct),
            ]
            for tool in found.tools
            if tool.forecast is not None
        },
        "charts": {
            tool.found.tool: {"w": vars(tool.chart.frame_wide), "n": vars(tool.chart.frame_narrow)}
            for tool in tools
            if tool.chart is not None
        },
        "unit": charts.time_unit(max(found.open_air_s, 0.0))[0],
        "front": None
        if drawn is None
        else {"top": drawn.front.top_mm, "scale": drawn.front.scale, "edge": 10},
        "scale": [colours(), BAND, TOP, NONE],
    }
