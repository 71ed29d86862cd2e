"""A queue as a person reads it: what can run when and on what, what goes into the dryer, and why.

Made to fit one screen: two lines for a job, a few for each drying.  Names from files are printed without
control characters.  Left out: HTML.
"""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import PurePath
from typing import Final, TextIO

from gcodetool.moments import wall
from gcodetool.queue.findings import (
    ASKED,
    GOOD_ENOUGH,
    Bottleneck,
    DryingRow,
    HandOff,
    JobRow,
    QueueFindings,
    ToolRow,
    Verdict,
    WaitRow,
)
from gcodetool.report.as_text import COLOURS, SIGNS, percent
from gcodetool.report.layout import Page, plain
from gcodetool.report.tables import columns_of

HEADS: Final = ("#", "job", "printer", "spool", "start", "flows", "in air", "safe", "needs/has m", "verdict")
RIGHT: Final = (0, 5, 6, 7, 8)
NAMES: Final = (1, 2, 3)  # columns that leave the table, in this order, where it is too wide
MANY: Final = 12  # rows; of more than this, clear ones go without a reason
CAUTIONS: Final = 8
BAD: Final = "x"


def print_queue(found: QueueFindings, stream: TextIO, *, width: int | None = None) -> None:
    """Print a queue to *stream*."""
    page = Page(stream, width=width)
    page.line(headline(found), style="bold")
    _table(found, page)
    if found.handoffs:
        page.line()
        page.line(to_do_title(found), style="bold")
        for when, what in to_do(found):
            page.hanging(f"  {when}  ", plain(what))
    inside = [each for each in found.inside if each.progress != "done"]
    if inside:
        page.line()
        page.line("Why it goes into the dryer", style="bold")
        for each in inside:
            _in_dryer(each, page)
        for caution in dict.fromkeys(said for each in inside for said in each.cautions):
            page.hanging("  ! ", plain(caution), style="red")
    page.line()
    page.hanging("plan: ", f"{counts(found)}; {found.search}; {gap(found)}")
    for note in found.notes:
        page.hanging("note: ", plain(note))
    cautions = list(gathered(found))
    for caution in cautions[:CAUTIONS]:
        page.hanging("- ", plain(caution))
    if len(cautions) > CAUTIONS:
        page.line(f"- and {len(cautions) - CAUTIONS} more cautions: --json lists all")
    unsure = [row.number for row in found.rows if row.file_cautions]
    if unsure:
        jobs = f"job{'s' if len(unsure) > 1 else ''} {runs(unsure)}"
        page.hanging("- ", f"about files and times of {jobs}: 'gcodetool check' and --json say more")
    if not found.complete:
        page.line("stopped early: these jobs were finished by then", style="bold")


def headline(found: QueueFindings, *, dated: bool = True) -> str:
    """Return how many jobs can run; ``dated``: and from when on, where nothing beside it says so."""
    total, met = len(found.rows), len(found.rows) - found.unmet
    jobs = "1 job" if total == 1 else f"{total} jobs"
    when = f" from {wall(found.as_of_s)} on" if dated else ""
    return f"{jobs}{when}: {met} clear or adjust in time, {found.unmet} not"


def counts(found: QueueFindings) -> str:
    """Return what the plan costs."""
    return ", ".join(
        f"{count} {one if count == 1 else many}"
        for count, one, many in (
            (len(found.dryings), "drying", "dryings"),
            (found.changes, "spool change", "spool changes"),
            (round(found.heat_s / 3600), "hour of heat", "hours of heat"),
        )
    )


def gap(found: QueueFindings) -> str:
    """Return how far the plan may be from the best possible."""
    if found.exact:
        return "nothing better can be had in this order"
    order = "" if found.free_order else " in this order"
    if found.at_most is None:
        return "how good it is was not proven"
    if found.at_most == found.made:
        return f"no plan lets more jobs make it{order}, by forecasts of each job alone; fewer hand-offs may be possible"
    weighed = " (by priority)" if any(row.priority > 1 for row in found.rows) else ""
    return (
        f"at most {found.at_most - found.made} more could make it{order}{weighed}: "
        f"the gap to a proven bound is {100 * (found.at_most - found.made) / found.at_most:.0f} %"
    )


LACKS: Final[dict[Bottleneck, str]] = {
    "printer": "a printer that is free earlier would do",
    "dryer": "a dryer that is free earlier would do",
    "presence": "somebody there at other hours would do",
    "reel": "a reel of its own would do",
    "filament": "no reel has so much filament",
    "water": "no drying that can be had gets a reel dry enough",
    "time": "it takes longer than there is until then",
    "box": "a box that is free earlier would do",
}


def to_do_title(found: QueueFindings) -> str:
    """Return the heading of the list of hand-offs."""
    there = ", ".join(found.present) if found.present else "somebody is there at all hours, assumed"
    return f"To do ({there})"


def to_do(found: QueueFindings) -> Iterator[tuple[str, str]]:
    """Yield when and what for each hand-off, moments padded to one width."""
    moments = [moment(each.at_s, found.as_of_s) for each in found.handoffs]
    width = max(map(len, moments), default=0)
    paths = {row.number: PurePath(row.path).name for row in found.rows}
    for when, each in zip(moments, found.handoffs, strict=True):
        yield when.ljust(width), handoff(each, paths, found.as_of_s)


def handoff(each: HandOff, paths: Mapping[int, str], as_of_s: float) -> str:
    """Return a hand-off as an order."""
    spools, where = " and ".join(each.spools), PurePath(each.where or "the printer").stem
    job = "" if each.number is None else f"job {each.number}"
    until = "" if each.until_s is None else moment(each.until_s, as_of_s)
    if each.action == "clear":
        return "; ".join([f"{where}: take the parts of {job} off", *came_off(each)])
    if each.action == "take-out":
        what = "dried for" if each.waits is None else "it waited for"
        why = f", {what} {job}" if job else ", to make room"
        return "; ".join([f"{where}: take {spools} out{why}", *came_off(each)])
    if each.action == "put-in" and each.waits == "off":
        do = f"heat off; leave {spools} in" if each.stands else f"put {spools} back in, heat off"
        return f"{where}: {do}, door shut, until {until}, to wait for {job}"
    if each.action == "put-in":
        knob = "" if each.knob_C in (None, each.temperature_C) else f", knob at {each.knob_C:g}"
        back = "put {} in" if each.waits is None else "put {} back in"
        do = f"leave {spools} in," if each.stands else back.format(spools)
        to = "for" if each.waits is None else "to wait for"
        return f"{where}: {do} at {each.temperature_C:g} °C{knob}, until {until}, {to} {job}"
    steps = [] if each.cleared is None else [f"parts of job {each.cleared} off"]
    steps += came_off(each)
    boxes, fetched = dict(each.boxed), dict(each.fetched)
    for name in (*each.mounted, *each.again):
        dried = " out of the dryer" if name in each.straight else " again" if name in each.again else ""
        dried += f" from {PurePath(fetched[name]).stem}" if name in fetched else ""
        if name in each.into:
            steps.append(f"put {name}{dried} into {boxes[name]}")
        if name in boxes:
            steps.append(f"stand {boxes[name]} there and feed {name} from it")
        else:
            steps.append(f"mount {name}{dried}")
    steps.append(f"start {job}, {paths.get(each.number or 0, '')}, until {until}")
    return f"{where}: {'; '.join(steps)}"


def came_off(each: HandOff) -> Iterator[str]:
    """Yield what becomes of the reels that come off a printer, or out of a box or a dryer."""
    for spool, place in each.off:
        yield f"take {spool} off" if place is None else f"{spool} back to {place.removesuffix('.toml')}"


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
            widths = [max(width, columns_of(cell)) for width, cell in zip(widths, line, strict=True)]
    room = page.width
    gap = 2 if _sum(widths, 2) <= room else 1
    apart = [
        at for at in NAMES if _sum(widths, gap) > room
    ]  # names that do not fit stand on a line of their own
    for count in range(1, len(apart) + 1):
        if _sum([0 if at in NAMES[:count] else width for at, width in enumerate(widths)], gap) <= room:
            apart = list(NAMES[:count])
            break
    kept = [at for at in range(len(HEADS)) if at not in apart]
    page.line(aligned(HEADS, widths, gap, kept))
    for row, group in lines:
        style = next((colour for code, colour in COLOURS.items() if code == row.verdict), "red")
        for line in group:
            page.line(aligned(line, widths, gap, kept), style=style)
            names = ", ".join(line[at].strip() for at in apart if line[at].strip())
            if names:
                page.hanging("     ", names)
        if row.verdict != "clear" or len(found.rows) <= MANY:
            page.hanging("     ", plain(reason(row, found.as_of_s)))


def _sum(widths: Sequence[int], gap: int) -> int:
    """Return how wide a line of such cells is; those of no width are left out."""
    shown = [width for width in widths if width]
    return sum(shown) + gap * (len(shown) - 1)


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
            verdict += " not run" if row.held and row.verdict in GOOD_ENOUGH else ""
            verdict += "" if row.progress is None else f" {row.progress}"
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
    if row.progress is not None:
        end = "" if row.end_s is None else f" {moment(row.end_s, as_of_s)}"
        return f"{'done' if row.progress == 'done' else 'running until'}{end}, as planned then: {row.because}"
    late = ""
    if row.in_time is False and row.due_s is not None:
        end = "" if row.end_s is None or row.held else f", ends {moment(row.end_s, as_of_s)}"
        late = f"due {moment(row.due_s, as_of_s)}{end}; "
    hows = {"mounted": "on the printer", "chosen": "chosen", "noted": "named in the file"}
    how = ", ".join(
        f"{tool.spool} {hows[tool.how]}" for tool in row.tools if tool.spool is not None and tool.how in hows
    )
    instead = "" if row.instead is None else f"; {row.instead}"
    lacks = "" if row.bottleneck is None else f"; {LACKS[row.bottleneck]}"
    if row.bottleneck == "time" and row.due_s is not None and row.due_s <= as_of_s:
        lacks = "; its due time is over"
    how = row.why or how
    return f"{late}{row.because}{lacks}{instead}{f' ({how})' if how else ''}"


def safe(tool: ToolRow) -> str:
    """Return the safe exposure, short."""
    if tool.source is None:
        return "?"
    return ">30d" if tool.safe_s is None else short(tool.safe_s)


def sign(verdict: Verdict) -> str:
    """Return the sign that carries a verdict."""
    if verdict == ASKED:
        return SIGNS["unknown"]
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


def aligned(line: Sequence[str], widths: Sequence[int], gap: int, kept: Sequence[int]) -> str:
    """Return the *kept* cells as one line."""
    shown = []
    for at in kept:
        blank = " " * (widths[at] - columns_of(line[at]))
        shown.append(blank + line[at] if at in RIGHT else line[at] + blank)
    return (" " * gap).join(shown)


def _in_dryer(each: DryingRow | WaitRow, page: Page) -> None:
    hours, dryer, number = short(each.out_s - each.in_s), plain(each.dryer), each.for_number
    water = f"next fed {percent(each.before_wt_pct)} to {percent(each.after_wt_pct)} wt %"
    if isinstance(each, WaitRow):
        what = (
            f"waits {hours} in {dryer}, {waiting(each)}, for job {number}: {water}; without it {each.undried}"
        )
    else:
        without = f"without it {each.undried}{without_others(each)}"
        what = f"{hours} in {dryer} for job {number}: {water}; {without}; no hotter: {plain(each.binding)}"
    page.hanging(f"  {each.spool} ", what)


def without_others(each: DryingRow) -> str:
    """Return who else would not make it without a drying, to follow its own job's verdict; empty: nobody."""
    if not each.others:
        return ""
    return f", but job{'' if len(each.others) == 1 else 's'} {runs(each.others)} would not make it"


def waiting(each: WaitRow) -> str:
    """Return how a reel waits in a dryer, in words."""
    return "not heated" if each.waits == "off" else f"at {each.temperature_C:g} °C"
