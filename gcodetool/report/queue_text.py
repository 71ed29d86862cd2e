"""A queue as a person reads it: what can run when and on what, what goes into the dryer, and why.

Made to fit one screen: two lines for a job, a few for each drying.  Names from files are printed without
control characters.  Left out: HTML.
"""

import unicodedata
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import PurePath
from typing import Final, TextIO

from gcodetool.queue.findings import DryingRow, JobRow, QueueFindings, ToolRow, Verdict
from gcodetool.report.as_text import COLOURS, SIGNS, local, percent
from gcodetool.report.layout import Page, plain

HEADS: Final = ("#", "job", "printer", "spool", "start", "flows", "in air", "safe", "needs/has m", "verdict")
RIGHT: Final = (0, 5, 6, 7, 8)
MOST: Final = {1: 28, 2: 12, 3: 12}  # columns of names that may be cut
LEAST: Final = {1: 10, 2: 6, 3: 6}
MANY: Final = 12  # rows; of more than this, clear ones go without a reason
CAUTIONS: Final = 8
BAD: Final = "x"


def print_queue(found: QueueFindings, stream: TextIO, *, width: int | None = None) -> None:
    """Print a queue to *stream*."""
    page = Page(stream, width=width)
    page.line(headline(found), style="bold")
    _table(found, page)
    if found.dryings:
        page.line()
        page.line("Into the dryer", style="bold")
        for drying in found.dryings:
            _drying(drying, found.as_of_s, page)
        for caution in dict.fromkeys(said for drying in found.dryings for said in drying.cautions):
            page.hanging("  ! ", plain(caution), style="red")
    page.line()
    page.hanging("plan: ", f"{counts(found)}; {found.search}")
    for note in found.notes:
        page.hanging("note: ", plain(note))
    cautions = list(gathered(found))
    for caution in cautions[:CAUTIONS]:
        page.hanging("- ", plain(caution))
    if len(cautions) > CAUTIONS:
        page.line(f"- and {len(cautions) - CAUTIONS} more cautions: --json lists all")
    unsure = [row.number for row in found.rows if row.file_cautions]
    if unsure:
        page.hanging(
            "- ", f"about files and times of jobs {runs(unsure)}: 'gcodetool check' and --json say more"
        )
    if not found.complete:
        page.line("stopped early: these jobs were finished by then", style="bold")


def headline(found: QueueFindings) -> str:
    """Return how many jobs can run."""
    total, met = len(found.rows), len(found.rows) - found.unmet
    jobs = "1 job" if total == 1 else f"{total} jobs"
    return f"{jobs} from {local(found.as_of_s)} on: {met} clear or adjust in time, {found.unmet} not"


def counts(found: QueueFindings) -> str:
    """Return what the plan costs."""
    return ", ".join(
        f"{count} {one if count == 1 else many}"
        for count, one, many in (
            (len(found.dryings), "drying", "dryings"),
            (found.changes, "spool change", "spool changes"),
        )
    )


def gathered(found: QueueFindings) -> Iterator[str]:
    """Yield all cautions, each once, with the jobs that it is about; what a printer cannot do comes first."""
    yield from _about(found, [row.machine_cautions for row in found.rows])
    yield from found.cautions
    yield from _about(found, [row.cautions for row in found.rows])


def _about(found: QueueFindings, said: Sequence[Sequence[str]]) -> Iterator[str]:
    """Yield what is *said* of each row, each sentence once."""
    about: dict[str, list[int]] = {}
    for row, cautions in zip(found.rows, said, strict=True):
        for caution in cautions:
            about.setdefault(caution, []).append(row.number)
    for caution, numbers in about.items():
        which = f"job {numbers[0]}" if len(numbers) == 1 else f"jobs {runs(numbers)}"
        yield f"{caution} ({which})" if len(found.rows) > 1 else caution


def runs(numbers: Sequence[int]) -> str:
    """Return numbers with neighbours joined.

    >>> runs([1, 2, 3, 7])
    '1-3, 7'
    """
    parts: list[list[int]] = []
    for number in numbers:
        if parts and number == parts[-1][-1] + 1:
            parts[-1].append(number)
        else:
            parts.append([number])
    return ", ".join(f"{part[0]}" if len(part) == 1 else f"{part[0]}-{part[-1]}" for part in parts)


def _table(found: QueueFindings, page: Page) -> None:
    lines = [(row, list(cells(row, found.as_of_s))) for row in found.rows]
    widths = [len(head) for head in HEADS]
    for _, group in lines:
        for line in group:
            widths = [max(width, wide(cell)) for width, cell in zip(widths, line, strict=True)]
    widths = [min(width, MOST.get(at, width)) for at, width in enumerate(widths)]
    gap = 2 if sum(widths) + 2 * (len(widths) - 1) <= page.width else 1
    for at in (1, 3, 2):  # where it is still too wide, names are cut
        over = sum(widths) + gap * (len(widths) - 1) - page.width
        widths[at] -= max(0, min(over, widths[at] - LEAST[at]))
    page.line(aligned(HEADS, widths, gap))
    for row, group in lines:
        style = next((colour for code, colour in COLOURS.items() if code == row.verdict), "red")
        for line in group:
            page.line(aligned(line, widths, gap), style=style)
        if row.verdict != "clear" or len(found.rows) <= MANY:
            page.hanging("     ", plain(reason(row, found.as_of_s)))


def cells(row: JobRow, as_of_s: float) -> Iterator[tuple[str, ...]]:
    """Yield a row's cells, a line for each tool."""
    start = "" if row.start_s is None or row.held else moment(row.start_s, as_of_s)
    air = "" if row.open_air_s is None else short(row.open_air_s)
    name = plain(PurePath(row.path).name)
    head = (str(row.number), name, plain(PurePath(row.printer or "-").stem), "", start)
    if not row.tools:
        flows = "" if row.extruding_s is None else short(row.extruding_s)
        yield (*head, flows, air, "", "", f"{sign(row.verdict)} {row.verdict}")
        return
    for at, tool in enumerate(row.tools):
        front = head if at == 0 else ("", f"  T{tool.tool}", "", "", "")
        verdict = f"{sign(tool.code)} {tool.code}"
        if at == 0:
            verdict += " late" if row.in_time is False and not row.held else ""
        yield (
            *front[:3],
            plain(tool.spool or "-"),
            front[4],
            short(tool.extruding_s),
            air if at == 0 else "",
            safe(tool),
            f"{tool.filament_mm / 1000:.1f}/{'?' if tool.left_mm is None else f'{tool.left_mm / 1000:.0f}'}",
            verdict,
        )


def reason(row: JobRow, as_of_s: float) -> str:
    """Return why a row's verdict is what it is, and whether it comes in time."""
    late = ""
    if row.in_time is False and row.due_s is not None:
        end = "" if row.end_s is None or row.held else f", ends {moment(row.end_s, as_of_s)}"
        late = f"due {moment(row.due_s, as_of_s)}{end}; "
    hows = {"mounted": "on the printer", "chosen": "chosen", "noted": "named in the file"}
    how = ", ".join(
        f"{tool.spool} {hows[tool.how]}" for tool in row.tools if tool.spool is not None and tool.how in hows
    )
    instead = "" if row.instead is None else f"; {row.instead}"
    return f"{late}{row.because}{instead}{f' ({how})' if how else ''}"


def safe(tool: ToolRow) -> str:
    """Return the safe exposure, short."""
    if tool.source is None:
        return "?"
    return ">30d" if tool.safe_s is None else short(tool.safe_s)


def sign(verdict: Verdict) -> str:
    """Return the sign that carries a verdict."""
    return next((mark for code, mark in SIGNS.items() if code == verdict), BAD)


def short(seconds: float) -> str:
    """Return a length of time in few signs.

    >>> short(59), short(4380), short(100 * 3600)
    ('59s', '1h13', '4d04h')
    """
    whole = round(seconds)
    if whole < 60:
        return f"{whole}s"
    if whole < 3600:
        return f"{whole // 60}min"
    if whole < 48 * 3600:
        return f"{whole // 3600}h{whole % 3600 // 60:02}"
    return f"{whole // 86400}d{whole % 86400 // 3600:02}h"


def moment(at_s: float, as_of_s: float) -> str:
    """Return a moment on the wall's clock; another day than the queue's with its name or date."""
    at, now = datetime.fromtimestamp(at_s), datetime.fromtimestamp(as_of_s)
    days = (at.date() - now.date()).days
    if days == 0:
        return f"{at:%H:%M}"
    return f"{at:%a %H:%M}" if 0 < days < 7 else f"{at:%d %b %H:%M}"


def wide(text: str) -> int:
    """Return how many columns a text takes: some letters take two, some none."""
    return sum(
        0 if unicodedata.combining(letter) else 2 if unicodedata.east_asian_width(letter) in "WF" else 1
        for letter in text
    )


def cut(text: str, width: int) -> str:
    """Return *text* in at most so many columns.

    >>> cut("drip-manifold.gcode", 10)
    'drip-mani…'
    """
    if wide(text) <= width:
        return text
    while text and wide(text) > width - 1:
        text = text[:-1]
    return text + "…"


def aligned(line: Sequence[str], widths: Sequence[int], gap: int) -> str:
    """Return cells as one line."""
    shown = []
    for at, (cell, width) in enumerate(zip(line, widths, strict=True)):
        text = cut(cell, width)
        blank = " " * (width - wide(text))
        shown.append(blank + text if at in RIGHT else text + blank)
    return (" " * gap).join(shown)


def _drying(drying: DryingRow, as_of_s: float, page: Page) -> None:
    knob = drying.knob_C
    setting = "" if knob is None or knob == drying.temperature_C else f", knob at {knob:g}"
    page.hanging(
        f"  {'now' if drying.in_s <= as_of_s else moment(drying.in_s, as_of_s)} ",
        f"{drying.spool} into {plain(drying.dryer)} for {short(drying.out_s - drying.in_s)} at "
        f"{drying.temperature_C:g} °C{setting}, out {moment(drying.out_s, as_of_s)} for job {drying.for_number}: next fed "
        f"{percent(drying.before_wt_pct)} to {percent(drying.after_wt_pct)} wt %; without it {drying.undried}; "
        f"no hotter: {plain(drying.binding)}",
    )
