"""Findings as a person reads them: what to do first, then why, then how sure.

Words from files are printed without control characters and never as markup.
"""

import math
import unicodedata
from collections.abc import Sequence
from datetime import datetime
from typing import Final, TextIO

from rich.console import Console
from rich.table import Table
from rich.text import Text

from gcodetool.advice.codes import Code
from gcodetool.advice.findings import Band, JobFindings, SpoolFindings, ToolFindings

# Signs and words carry the verdict; colour only repeats it.
SIGNS: Final[dict[Code, str]] = {
    "clear": "=",
    "adjust": "~",
    "runs-out": ">",
    "dry-first": "!",
    "unknown": "?",
}
STYLES: Final[dict[Code, str]] = {
    "clear": "bold green",
    "adjust": "bold yellow",
    "runs-out": "bold magenta",
    "dry-first": "bold red",
    "unknown": "bold cyan",
}
WORDS: Final[dict[Code, str]] = {
    "clear": "dry enough from the first layer to the last",
    "adjust": "marginal: printable with care",
    "runs-out": "starts well, gets too wet before the end",
    "dry-first": "too wet already at the start",
    "unknown": "cannot be told",
}
PLOT_ROWS: Final = 24


def plain(text: str) -> str:
    """Return *text* without control and direction-changing characters.

    >>> plain("a" + chr(27) + "[31mb" + chr(0x202E))
    'a[31mb'
    """
    return "".join(sign for sign in text if unicodedata.category(sign) not in ("Cc", "Cf", "Cs"))


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


def spread(content: Band) -> str:
    """Return the middle of a band, with its ends where there are any."""
    if content.p10 is None or content.p90 is None:
        return f"{percent(content.p50)} wt %"
    return f"{percent(content.p50)} wt % ({percent(content.p10)} to {percent(content.p90)})"


def local(at_s: float) -> str:
    """Return a moment as the clock on the wall shows it."""
    return datetime.fromtimestamp(at_s).astimezone().strftime("%Y-%m-%d %H:%M %Z").strip()


def print_report(found: JobFindings, stream: TextIO) -> None:
    """Print the findings on a job to *stream*."""
    console = Console(file=stream, highlight=False, soft_wrap=False)
    head = Text()
    head.append(f"{SIGNS[found.verdict]} {found.verdict}", style=STYLES[found.verdict])
    head.append(f"  {WORDS[found.verdict]}")
    console.print(head)
    console.print(hanging("  ", f"{plain(found.path)}: {describe(found)}"))
    console.print(hanging("  ", times(found)))
    if (difference := beside_claim(found)) is not None:
        console.print(hanging("  ", difference))
    for tool in found.tools:
        console.print()
        print_tool(tool, console, several=len(found.tools) > 1)
    if found.cautions:
        console.print()
        console.print(Text("Cautions", style="bold"))
        for caution in found.cautions:
            console.print(hanging("- ", plain(caution)))


def describe(found: JobFindings) -> str:
    """Return what the file is."""
    family = f"family {found.family}" if found.family else "unknown family"
    sure = "" if found.dialect_sure else " (not sure)"
    return f"{family}, {found.dialect}{sure}, {found.layers} layers, {found.lines} lines"


def times(found: JobFindings) -> str:
    """Return the times that matter in one line."""
    assumed = " (partly assumed)" if any(wait.assumed and wait.seconds > 0 for wait in found.waits) else ""
    claim = "" if found.slicer_claim_s is None else f"; the slicer says {duration(found.slicer_claim_s)}"
    spread = ""
    if found.moving_s_range is not None:
        low, high = (duration(seconds) for seconds in found.moving_s_range)
        spread = f" (between {low} and {high}, limits guessed)"
    return (
        f"moving {duration(found.moving_s)}{spread}, extruding {duration(found.extruding_s)}, "
        f"waiting {duration(found.waiting_s)}{assumed}, in open air {duration(found.open_air_s)}{claim}"
    )


KINDS: Final = {
    "start": "start",
    "heat": "heating",
    "dwell": "dwells",
    "pause": "pauses",
    "limits": "the printer's own limits",
    "motion": "motion reckoned otherwise",
}


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


def hanging(mark: str | Text, text: str | Text) -> Table:
    """Return *text* wrapped behind a mark."""
    grid = Table.grid(padding=0)
    grid.add_column(no_wrap=True)
    grid.add_column()
    grid.add_row(*(each if isinstance(each, Text) else Text(each) for each in (mark, text)))
    return grid


def add_notes(rows: Table, notes: Sequence[str]) -> None:
    """Add what was assumed or left out, each behind the word for it."""
    for note in notes:
        kind, separator, rest = plain(note).partition(": ")
        known = bool(separator) and kind in ("assumed", "ignored")
        rows.add_row(Text(f"  {kind}" if known else "  note"), Text(rest if known else plain(note)))


def print_tool(tool: ToolFindings, console: Console, *, several: bool) -> None:
    """Print one tool's findings."""
    verdict = tool.verdict
    title = Text()
    title.append(f"{plain(tool.spool or 'no spool named')}, {plain(tool.material or 'material unknown')}: ")
    if several:
        title.append(f"{SIGNS[verdict.code]} {verdict.code} ", style=STYLES[verdict.code])
    title.append(plain(verdict.because))
    console.print(hanging(Text(f"T{tool.tool} ", style="bold"), title))
    for line in tool.advice:
        console.print(hanging("  > ", plain(line)))
    rows = Table.grid(padding=(0, 2, 0, 0))
    rows.add_column(min_width=16)
    rows.add_column()
    mass = "" if tool.mass_g is None else f", {tool.mass_g:.1f} g"
    rows.add_row(
        Text("  feeds"),
        Text(f"{tool.filament_mm / 1000:.2f} m{mass}, extruding {duration(tool.extruding_s)}"),
    )
    if tool.forecast is not None:
        forecast = tool.forecast
        rows.add_row(
            Text("  arrives with"),
            Text(f"{spread(forecast.start_wt_pct)} at the start, {spread(forecast.worst_wt_pct)} at worst"),
        )
        rows.add_row(
            Text("  limits"),
            Text(
                f"good to {percent(forecast.limit_good_wt_pct)}, marginal to {percent(forecast.limit_marginal_wt_pct)} wt %"
            ),
        )
    if tool.exposure is not None:
        exposure = tool.exposure
        source = "your own figure" if exposure.source == "stated" else "model"
        rows.add_row(
            Text("  safe in open air"),
            Text(
                f"{duration(exposure.safe_s)} ({source}); needed {duration(exposure.needed_s)}; air: {plain(exposure.air)}"
            ),
        )
    if verdict.start_by_s is not None:
        rows.add_row(Text("  start by"), Text(local(verdict.start_by_s)))
    if verdict.share is not None and tool.forecast is not None and tool.forecast.start_wt_pct.p10 is not None:
        rows.add_row(Text("  how sure"), Text(f"{verdict.share:.0%} of the members say the same"))
    if tool.state is not None:
        state = tool.state
        rows.add_row(
            Text("  spool"), Text(f"at {plain(state.place)}, {state.remaining_mm / 1000:.0f} m left")
        )
        add_notes(rows, state.assumed)
    for tweak in tool.tweaks:
        before = "" if tweak.before is None else f"{tweak.before:g} to "
        rows.add_row(
            Text("  may help"),
            Text(f"{tweak.setting}: {before}{tweak.after:g} {tweak.unit}; {plain(tweak.because)}"),
        )
    console.print(rows)


def print_spool(seen: SpoolFindings, stream: TextIO) -> None:
    """Print the findings on one spool to *stream*."""
    console = Console(file=stream, highlight=False)
    state = seen.state
    title = Text()
    title.append(f"{plain(seen.spool)} ", style="bold")
    title.append(f"{plain(seen.material)}, at {plain(state.place)}, {local(state.as_of_s)}: ")
    title.append(seen.word, style="bold")
    console.print(title)
    rows = Table.grid(padding=(0, 2, 0, 0))
    rows.add_column(min_width=16)
    rows.add_column()
    rows.add_row(Text("  next fed"), Text(spread(state.next_fed_wt_pct)))
    rows.add_row(Text("  mean"), Text(spread(state.mean_wt_pct)))
    rows.add_row(
        Text("  limits"),
        Text(
            f"good to {percent(seen.limit_good_wt_pct)}, marginal to {percent(seen.limit_marginal_wt_pct)} wt %"
        ),
    )
    rows.add_row(
        Text("  safe in open air"), Text(f"{duration(seen.safe_exposure_s)}; air: {plain(seen.air)}")
    )
    rows.add_row(Text("  filament left"), Text(f"{state.remaining_mm / 1000:.0f} m"))
    add_notes(rows, state.assumed)
    console.print(rows)
    console.print(Text("  depth below the outermost turns, water"))
    top = max([content for _, content in seen.by_depth] + [seen.limit_marginal_wt_pct])
    step = max(1, math.ceil(len(seen.by_depth) / PLOT_ROWS))
    for depth, content in seen.by_depth[::step]:
        bar = "#" * round(40 * content / top) if top > 0 else ""
        console.print(Text(f"  {depth:6.1f} mm  {percent(content):>6} wt %  {bar}"))
