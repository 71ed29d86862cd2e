"""Findings as a person reads them: what to do first, then how sure, then a plot, then why.

Words from files are printed without control characters and never as markup.  What is assumed or
estimated carries a ``~``, and the last line says so.
"""

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final, TextIO

from gcodetool.judge.findings import Band, Forecast, JobFindings, ToolFindings
from gcodetool.judge.reasons import feed_sentence, outcomes_sentence
from gcodetool.judge.verdict_codes import Code
from gcodetool.moments import wall
from gcodetool.report.layout import Page, plain
from gcodetool.report.plot import ASCII, BLOCKS, Limit, Triple, legend, plot

if TYPE_CHECKING:
    from gcodetool.judge.shelf_findings import SpoolFindings
    from gcodetool.moisture.notes import Note
    from gcodetool.moisture.state import Quantiles

__all__ = ["duration", "percent", "plain", "print_report", "print_spool", "spread"]

# Signs and words carry the verdict; colour only repeats it.
SIGNS: Final[dict[Code, str]] = {
    "clear": "=",
    "adjust": "~",
    "runs-out": ">",
    "dry-first": "!",
    "unknown": "?",
}
COLOURS: Final[dict[Code, str]] = {
    "clear": "green",
    "adjust": "yellow",
    "runs-out": "magenta",
    "dry-first": "red",
    "unknown": "cyan",
}
WORDS: Final[dict[Code, str]] = {
    "clear": "dry enough from the first layer to the last",
    "adjust": "marginal: printable with care",
    "runs-out": "starts well, gets too wet before the end",
    "dry-first": "too wet already at the start",
    "unknown": "no verdict is possible",
}
ASSUMED: Final = "~"
LEGEND: Final = "~ assumed or estimated, not measured here; notes and cautions say what"


def duration(seconds: float | None) -> str:
    """Return a length of time in the two units that matter.

    >>> duration(4380), duration(95), duration(3 * 86400), duration(None)
    ('1 h 13 min', '1 min 35 s', '3 d 0 h', 'longer than looked at')
    """
    if seconds is None:
        return "longer than looked at"
    sign = "-" if seconds < 0 else ""
    whole = round(abs(seconds))
    for unit, name, small, small_name in (
        (86400, "d", 3600, "h"),
        (3600, "h", 60, "min"),
        (60, "min", 1, "s"),
    ):
        if whole >= unit:
            return f"{sign}{whole // unit} {name} {whole % unit // small} {small_name}"
    return f"{sign}{whole} s"


def percent(value: float | None) -> str:
    """Return a water content with the digits that mean something.

    >>> percent(0.2149), percent(3.14159), percent(None)
    ('0.215', '3.14', '?')
    """
    if value is None or not math.isfinite(value):
        return "?"
    return f"{value:.3f}" if value < 1 else f"{value:.2f}"


def spread(content: "Band | Quantiles") -> str:
    """Return the middle of a band, with its ends where there are any."""
    if content.p50 is None or not math.isfinite(content.p50):
        return "not known"
    if content.p10 is None or content.p90 is None:
        return f"{percent(content.p50)} wt %"
    return f"{percent(content.p50)} wt % ({percent(content.p10)} to {percent(content.p90)})"


def print_report(found: JobFindings, stream: TextIO) -> None:
    """Print the findings on a job to *stream*."""
    page = Page(stream)
    page.hanging(
        f"{SIGNS[found.verdict]} {found.verdict}  ", WORDS[found.verdict], style=COLOURS[found.verdict]
    )
    for tool in found.tools:
        page.line()
        print_tool(tool, page, several=len(found.tools) > 1)
    page.line()
    page.facts(job_facts(found))
    if found.cautions:
        page.line()
        page.line("Cautions", style="bold")
        for caution in found.cautions:
            page.hanging("- ", plain(caution))
    if any_assumed(found):
        page.line()
        page.hanging("", LEGEND)


def any_assumed(found: JobFindings) -> bool:
    """Return whether anything of a report carries the mark."""
    return (
        found.moving_s_range is not None
        or assumed_wait(found)
        or any(tool.forecast is not None for tool in found.tools)
    )


def job_facts(found: JobFindings) -> Iterator[tuple[str, str]]:
    """Yield what the job is and how long it takes."""
    yield "job", f"{plain(found.path)}: {describe(found)}"
    yield "time", times(found)
    for line in (tool_changes(found), beside_claim(found)):
        if line is not None:
            yield "", line


def describe(found: JobFindings) -> str:
    """Return what the file is."""
    family = {None: "unknown family", "other": "other family"}.get(found.family, f"family {found.family}")
    sure = "" if found.dialect_sure else " (not sure)"
    layers, lines = (
        f"{count} {word}{'' if count == 1 else 's'}"
        for count, word in ((found.layers, "layer"), (found.lines, "line"))
    )
    return f"{family}, {found.dialect}{sure}, {layers}, {lines}"


def assumed_wait(found: JobFindings) -> bool:
    """Return whether a wait's length is assumed."""
    return any(wait.assumed and wait.seconds > 0 for wait in found.waits)


def times(found: JobFindings) -> str:
    """Return the times that matter in one line."""
    claim = "" if found.slicer_claim_s is None else f"; the slicer says {duration(found.slicer_claim_s)}"
    between, guess = "", ""
    if found.moving_s_range is not None:
        low, high = (duration(seconds) for seconds in found.moving_s_range)
        between, guess = f" (between {low} and {high}, limits guessed)", ASSUMED
    wait = ASSUMED if assumed_wait(found) else ""
    return (
        f"in open air {guess or wait}{duration(found.open_air_s)}: moving {guess}{duration(found.moving_s)}{between}, "
        f"of it extruding {guess}{duration(found.extruding_s)}; waiting {wait}{duration(found.waiting_s)}{claim}"
    )


KINDS: Final = {
    "start": "start",
    "heat": "heating",
    "dwell": "dwells",
    "pause": "pauses",
    "change": "tool changes",
    "limits": "the printer's own limits",
    "motion": "motion calculated differently",
}


def tool_changes(found: JobFindings) -> str | None:
    """Return how many tool changes there are and how long they take; None: nothing to say."""
    changes = [wait for wait in found.waits if wait.kind == "change"]
    seconds = sum(wait.seconds for wait in changes)
    if seconds < 1:
        return None
    between, mark = "", ""
    if found.change_s_range is not None:
        low, high = (duration(bound) for bound in found.change_s_range)
        between, mark = f" (between {low} and {high}, assumed)", ASSUMED
    claimed = 0.0 if found.slicer_claim_s is None else sum(wait.claimed_s for wait in changes)
    counted = f"; the slicer's time counts {duration(claimed)} for them" if claimed else ""
    count = f"{len(changes)} tool change{'s' if len(changes) > 1 else ''}"
    return f"waiting for {count} {mark}{duration(seconds)}{between}{counted}"


def beside_claim(found: JobFindings) -> str | None:
    """Return what the open-air time has more or less than the slicer's claim, by kind; None: nothing to say."""
    if found.slicer_claim_s is None or not found.claim_difference:
        return None
    parts = [
        f"{KINDS[kind]} {'+' if seconds > 0 else ''}{duration(seconds)}"
        for kind, seconds in found.claim_difference
        if abs(seconds) >= 1
    ]
    return f"against the slicer's: {', '.join(parts)}" if parts else None


def print_tool(tool: ToolFindings, page: Page, *, several: bool) -> None:
    """Print one tool's findings."""
    verdict = tool.verdict
    mark = f"T{tool.tool} {SIGNS[verdict.code]} {verdict.code}: " if several else f"T{tool.tool} "
    whose = f"{plain(tool.spool or 'no spool named')}, {plain(tool.material or 'material unknown')}: "
    page.hanging(mark, whose + plain(verdict.because), style=COLOURS[verdict.code] if several else "bold")
    for line in tool.advice:
        page.hanging("  > ", plain(line))
    page.facts(sure(tool))
    if tool.forecast is not None:
        drawn = job_plot(tool.forecast, page)
        if drawn:
            page.line()
            for each in drawn:
                page.line(each)
            page.line()
    page.facts(tool_facts(tool))


def sure(tool: ToolFindings) -> Iterator[tuple[str, str]]:
    """Yield how sure the verdict is, until when it holds, and what would tell more."""
    verdict, forecast = tool.verdict, tool.forecast
    if forecast is not None and forecast.start_wt_pct.p10 is None:
        yield "how sure", "not known: nominal parameters alone (--members 64 gives it)"
    elif verdict.outcomes is not None:
        said = outcomes_sentence(verdict.outcomes, verdict.runs_out_layer)
        yield "how sure", said if verdict.by_model else f"by the model alone, {said}"
    if tool.sharpen is not None:
        yield "to be surer", plain(tool.sharpen)
    if verdict.start_by_s is not None:
        yield "start by", wall(verdict.start_by_s)
    if tool.feed is not None:
        yield "dry feed", plain(feed_sentence(tool.feed))


def tool_facts(tool: ToolFindings) -> Iterator[tuple[str, str]]:
    """Yield what a tool feeds, from what, and what may help."""
    mass = "" if tool.mass_g is None else f", {tool.mass_g:.1f} g"
    yield "feeds", f"{tool.filament_mm / 1000:.2f} m{mass}, extruding {duration(tool.extruding_s)}"
    if tool.forecast is not None:
        forecast = tool.forecast
        yield (
            "arrives with",
            f"{spread(forecast.start_wt_pct)} at the start, {spread(forecast.worst_wt_pct)} at worst",
        )
        yield "limits", limits(forecast)
    if tool.exposure is not None:
        exposure = tool.exposure
        stated = exposure.source == "stated"
        safe = f"{'' if stated or exposure.safe_s is None else ASSUMED}{duration(exposure.safe_s)}"
        yield (
            "safe in open air",
            f"{safe} ({'your own figure' if stated else 'model'}); needed {duration(exposure.needed_s)}; "
            f"air: {air(exposure.air, exposure.air_assumed)}",
        )
    if tool.state is not None:
        state = tool.state
        yield "spool", f"at {plain(state.place)}, {state.remaining_mm / 1000:.0f} m left"
        yield from notes(state.assumed)
    for tweak in tool.tweaks:
        yield (
            "may help" if tweak.applied is None else "applied" if tweak.applied.done else "not applied",
            f"{tweak.setting}: {tweak.step}; {plain(tweak.because)}. "
            f"Expected: {tweak.effect}. Cost: {tweak.cost} ({tweak.confidence})"
            + ("" if tweak.applied is None else f". {plain(str(tweak.applied))}"),
        )


def limits(found: "Forecast | SpoolFindings") -> str:
    """Return the limits, and whose they are; no one has measured them for this very spool."""
    source = "" if found.limits_source == "stated" else f" ({found.limits_source})"
    good, marginal = percent(found.limit_good_wt_pct), percent(found.limit_marginal_wt_pct)
    return f"good to {ASSUMED}{good}, marginal to {ASSUMED}{marginal} wt %{source}"


def air(words: str, assumed: bool) -> str:
    """Return the words for an air, marked where it is assumed."""
    return (ASSUMED if assumed else "") + plain(words)


def notes(lines: Sequence["Note"]) -> Iterator[tuple[str, str]]:
    """Yield what was assumed or left out, each behind the word for it."""
    for note in lines:
        yield f"{ASSUMED} assumed" if note.kind == "assumed" else note.kind, plain(note.text)


def triple(content: Band) -> Triple:
    """Return a band as a plot wants it."""
    return (content.p10, math.nan if content.p50 is None else content.p50, content.p90)


def job_plot(forecast: Forecast, page: Page) -> list[str]:
    """Return the plot of what arrives, layer by layer; a job of one layer needs none."""
    layers = forecast.layers
    if len(layers) < 2:
        return []
    values = [triple(layer.wt_pct) for layer in layers]
    return drawing(
        "water that arrives, wt %",
        values,
        (forecast.limit_good_wt_pct, forecast.limit_marginal_wt_pct),
        (f"layer {layers[0].layer}", f"layer {layers[-1].layer}"),
        page,
    )


def drawing(
    what: str, values: Sequence[Triple], bounds: tuple[float, float], ends: tuple[str, str], page: Page
) -> list[str]:
    """Return a plot under its title; nothing where the page is too narrow."""
    signs = BLOCKS if page.blocks else ASCII
    lines = [Limit(bounds[0], f"{ASSUMED}good"), Limit(bounds[1], f"{ASSUMED}marginal")]
    drawn = plot(values, lines, ends=ends, width=page.width, signs=signs)
    return [*page.wrapped(f"{what} ({legend(values, signs)})", page.width), *drawn] if drawn else []


def print_spool(seen: "SpoolFindings", stream: TextIO) -> None:
    """Print the findings on one spool to *stream*."""
    page = Page(stream)
    state = seen.state
    page.hanging(
        f"{plain(seen.spool)} ",
        f"{plain(seen.material)}, at {plain(state.place)}, {wall(state.as_of_s)}: {seen.word}"
        + (
            f"; {plain(seen.drying.short)}"
            if seen.drying is not None
            else ""
            if seen.whole_word == seen.word
            else f" outside, {seen.whole_word} further in"
        ),
        style="bold",
    )
    for line in seen.advice:
        page.hanging("  > ", plain(line))
    if seen.sharpen:
        page.facts([("to be surer", plain(seen.sharpen))])
    drawn = depth_plot(seen, page)
    if drawn:
        page.line()
        for line in drawn:
            page.line(line)
        page.line()
    page.facts(spool_facts(seen))
    page.line()
    page.hanging("", LEGEND)


def spool_facts(seen: "SpoolFindings") -> Iterator[tuple[str, str]]:
    """Yield what a spool's record comes to."""
    state = seen.state
    yield "next fed", spread(state.next_fed_wt_pct)
    yield "mean", spread(state.mean_wt_pct)
    yield "limits", limits(seen)
    yield (
        "keeps here",
        f"{'' if seen.keeps_s is None else ASSUMED}{duration(seen.keeps_s)}, idle at {plain(state.place)}",
    )
    stated = seen.safe_source == "stated"
    safe = f"{'' if stated or seen.safe_exposure_s is None else ASSUMED}{duration(seen.safe_exposure_s)}"
    yield (
        "safe in the room",
        f"{safe} ({'your own figure' if stated else 'model'}); air: {air(seen.room, seen.room_assumed)}",
    )
    yield "filament left", f"{state.remaining_mm / 1000:.0f} m"
    yield from notes(state.assumed)


def depth_plot(seen: "SpoolFindings", page: Page) -> list[str]:
    """Return the plot of water over the winding's depth, the outermost turns at the left."""
    if len(seen.by_depth) < 2:
        return []
    return drawing(
        "water from the outermost turns inwards, wt %",
        [triple(one) for one in seen.bands],
        (seen.limit_good_wt_pct, seen.limit_marginal_wt_pct),
        ("outermost", f"{seen.by_depth[-1][0]:.0f} mm deep"),
        page,
    )
