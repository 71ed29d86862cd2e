"""A queue on one page: how many jobs can run, when each runs on which machine, what to dry, and why.

The picture is a time line with a lane for each printer and each slot of a dryer; hours without anybody are
shaded.  Left out: the page around it (``page``).
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import PurePath
from typing import Final

from gcodetool import __version__
from gcodetool.queue.findings import DryingRow, JobRow, QueueFindings, WaitRow
from gcodetool.report.html import page
from gcodetool.report.queue_text import (
    cells,
    counts,
    gap,
    gathered,
    headline,
    moment,
    reason,
    runs,
    short,
    sign,
    to_do,
    to_do_title,
    waiting,
    without_others,
)

WIDTH: Final = 1100.0
LEFT: Final = 110.0  # of the lanes' names
RIGHT: Final = (
    150.0  # where the words of a short last bar have room; the template has what is left for the lanes
)
LANE: Final = 46.0
TOP: Final = 24.0
MOST_TICKS: Final = 12
STEPS_S: Final = tuple(60.0 * n for n in (5, 10, 15, 30, 60, 120, 180, 360, 720, 1440, 2880, 10080, 43200))
# A bar's ground; its sign and its words carry the meaning.
GROUNDS: Final = {
    "clear": "dry-soft",
    "adjust": "panel",
    "runs-out": "warn-soft",
    "dry-first": "warn-soft",
}
OTHER: Final = "away"
HEADS: Final = (
    *("#", "job", "verdict", "spool", "printer", "start", "ends", "in open air", "safe"),
    *("needs/has, m", "flows"),
)
LETTER: Final = 7.0  # units that a letter takes
LEAST: Final = 2.0  # units: a shorter bar is not seen
MOST_CAUTIONS: Final = 40


@dataclass(frozen=True)
class Bar:
    """One job, drying or wait in the picture; lengths in its own units."""

    x: float
    y: float
    width: float
    fill: str
    text: str
    ends: str
    told: str
    kind: str = "job"
    text_x: float = 0.0
    anchor: str = "start"


@dataclass(frozen=True)
class Lane:
    """A printer or a dryer."""

    name: str
    y: float


@dataclass(frozen=True)
class Mark:
    """A due time on a printer's lane; ``late``: the job ends after it, or not at all."""

    x: float
    y: float
    late: bool
    told: str


@dataclass(frozen=True)
class Picture:
    """The time line; ``present`` are the stretches in which somebody is there, as (x, width)."""

    height: float
    lanes: tuple[Lane, ...]
    bars: tuple[Bar, ...]
    marks: tuple[Mark, ...]
    present: tuple[tuple[float, float], ...]
    ticks: tuple[tuple[float, str], ...]
    told: str


def queue(found: QueueFindings) -> str:
    """Return the page on a queue."""
    return page.written(
        "queue.html",
        {"at": found.as_of_s},
        version=__version__,
        found=found,
        verdict=found.verdict if found.verdict in page.FILLS else "unknown",
        headline=headline(found, dated=False),  # the head of the page says from when on
        counts=counts(found),
        gap=gap(found),
        title=to_do_title(found),
        to_do=list(to_do(found)),
        picture=picture(found),
        rows=[(row, lines_of(row, found.as_of_s), reason(row, found.as_of_s)) for row in found.rows],
        dryings=[
            (moment(each.in_s, found.as_of_s), moment(each.out_s, found.as_of_s), without_others(each), each)
            for each in found.dryings
            if each.progress != "done"
        ],
        waits=[
            (moment(each.in_s, found.as_of_s), moment(each.out_s, found.as_of_s), waiting(each), each)
            for each in found.waits
            if each.progress != "done"
        ],
        heat=list(
            dict.fromkeys(said for each in found.inside if each.progress != "done" for said in each.cautions)
        ),
        cautions=list(gathered(found))[:MOST_CAUTIONS],
        more=max(0, len(list(gathered(found))) - MOST_CAUTIONS),
        unsure=runs([row.number for row in found.rows if row.file_cautions]),
        short=short,
        heads=HEADS,
    )


def lines_of(row: JobRow, as_of_s: float) -> list[tuple[str, ...]]:
    """Return a row's cells in the order of ``HEADS``, one line for each tool; what matters on a phone stands first."""
    lines: list[tuple[str, ...]] = []
    for place, line in enumerate(cells(row, as_of_s)):
        number, job, printer, spool, start, flows, in_air, safe, needs, verdict = line
        ends = "" if row.end_s is None or row.held or place else moment(row.end_s, as_of_s)
        lines.append((number, job, verdict, spool, printer, start, ends, in_air, safe, needs, flows))
    return lines


def picture(found: QueueFindings) -> Picture | None:
    """Return the time line; None where nothing runs."""
    ran = [row for row in found.rows if row.start_s is not None and row.end_s is not None and not row.held]
    ran = [
        replace(row, start_s=max(row.start_s or 0.0, found.as_of_s)) for row in ran if row.progress != "done"
    ]
    inside = [
        replace(each, in_s=max(each.in_s, found.as_of_s)) for each in found.inside if each.progress != "done"
    ]
    ends = [row.end_s for row in ran if row.end_s is not None] + [each.out_s for each in inside]
    if not ends:
        return None
    begin, end = found.as_of_s, max(ends)
    scale = (WIDTH - LEFT - RIGHT) / max(end - begin, 1.0)
    slots = slots_of(inside)
    lanes = _lanes(ran, inside, slots)
    bars = [
        _job(row, lanes[("printer", row.printer or "printer", 0)].y, begin, scale, found.as_of_s)
        for row in ran
    ]
    bars += [
        _in_dryer(each, lanes[("dryer", each.dryer, slot)].y, begin, scale, found.as_of_s)
        for each, slot in zip(inside, slots, strict=True)
    ]
    ticks = tuple(
        (round(LEFT + (at - begin) * scale, 1), moment(at, found.as_of_s)) for at in ticks_of(begin, end)
    )
    present = tuple(
        (
            round(LEFT + (max(one, begin) - begin) * scale, 1),
            round((min(two, end) - max(one, begin)) * scale, 1),
        )
        for one, two in found.presence
        if one < end
    )
    told = f"Time line of {len(ran)} jobs on {len({row.printer for row in ran})} printers and {len(inside)} stays in dryers"
    return Picture(
        TOP + LANE * len(lanes) + 6,
        tuple(lanes.values()),
        tuple(_apart(bars)),
        tuple(_marks(found, ran, lanes, begin, end, scale)),
        present,
        ticks,
        told,
    )


Lanes = dict[tuple[str, str, int], Lane]


def _lanes(ran: Sequence[JobRow], inside: Sequence[DryingRow | WaitRow], slots: Sequence[int]) -> Lanes:
    """Return a lane for each printer and each slot of a dryer that is used."""
    printers = dict.fromkeys(row.printer or "printer" for row in ran)
    keys = [("printer", name, 0) for name in printers]
    used = {(each.dryer, slot) for each, slot in zip(inside, slots, strict=True)}
    keys += [("dryer", name, slot) for name, slot in sorted(used)]
    many = {name for name, slot in used if slot}
    return {
        (kind, name, slot): Lane(
            page.clean(PurePath(name).stem, 14)
            + (f" {slot + 1}" if kind == "dryer" and name in many else ""),
            TOP + LANE * at,
        )
        for at, (kind, name, slot) in enumerate(keys)
    }


def _job(row: JobRow, y: float, begin_s: float, scale: float, as_of_s: float) -> Bar:
    start, end = row.start_s or 0.0, row.end_s or 0.0
    spools = ", ".join(tool.spool or "no spool" for tool in row.tools)
    told = f"job {row.number}, {row.verdict}, on {spools}, {moment(start, as_of_s)} to {moment(end, as_of_s)}"
    return Bar(
        round(LEFT + (start - begin_s) * scale, 1),
        y,
        round((end - start) * scale, 1),
        f"var(--{GROUNDS.get(row.verdict, OTHER)})",
        f"{sign(row.verdict)} {row.number} {page.clean(PurePath(row.path).stem, 60)}",
        f"to {moment(end, as_of_s)}",
        told,
    )


def _in_dryer(each: DryingRow | WaitRow, y: float, begin_s: float, scale: float, as_of_s: float) -> Bar:
    waits = isinstance(each, WaitRow)
    how = waiting(each) if isinstance(each, WaitRow) else f"at {each.temperature_C:g} °C"
    told = (
        f"{each.spool} {'waits ' if waits else ''}in {each.dryer}{',' if waits else ''} {how}, "
        f"{moment(each.in_s, as_of_s)} to {moment(each.out_s, as_of_s)}, for job {each.for_number}"
    )
    return Bar(
        round(LEFT + (each.in_s - begin_s) * scale, 1),
        y,
        round((each.out_s - each.in_s) * scale, 1),
        "var(--closed)" if how == "not heated" else "var(--drying)",
        f"{each.spool} waits" if waits else f"{each.spool} {each.temperature_C:g} °C",
        f"to {moment(each.out_s, as_of_s)}",
        told,
        "drying",
    )


def _apart(bars: Sequence[Bar]) -> Iterator[Bar]:
    """Yield bars that can be seen and never hide each other; words stand inside, or beside where more of them fit.

    After the bar, or before it where its lane has more room there.
    """
    told: dict[float, float] = {}  # by lane, up to where the words and bars before reach
    for bar in sorted(bars, key=lambda bar: (bar.y, bar.x)):
        later = [each.x for each in bars if each.y == bar.y and each.x > bar.x]
        free = min([*later, WIDTH])  # up to here nothing else stands
        width = max(0.5, min(max(bar.width, LEAST), free - bar.x))
        longest = LETTER * max(len(bar.text), len(bar.ends)) + 6
        after, before = free - bar.x - width, bar.x - told.get(bar.y, LEFT)
        room, text_x, anchor = width, bar.x + 4, "start"
        if width < longest and after > max(width, 30.0) and (after >= longest or after >= before):
            room, text_x = after, bar.x + width + 4
        elif width < longest and before > max(width, 30.0):
            room, text_x, anchor = before, bar.x - 4, "end"
        text = fitting(bar.text, room)
        ends = next((each for each in shorter(bar.ends) if len(each) <= _letters(room)), "")
        reach = text_x + LETTER * max(len(text), len(ends)) + 2 if anchor == "start" else 0.0
        told[bar.y] = max(bar.x + width, reach)
        yield replace(
            bar, width=round(width, 1), text=text, ends=ends, text_x=round(text_x, 1), anchor=anchor
        )


def slots_of(inside: Sequence[DryingRow | WaitRow]) -> list[int]:
    """Return for each stay in a dryer the first slot of its dryer that is free then, from 0."""
    ends: dict[str, list[float]] = {}
    found = [0] * len(inside)
    for at in sorted(range(len(inside)), key=lambda at: (inside[at].in_s, at)):
        taken = ends.setdefault(inside[at].dryer, [])
        slot = next((slot for slot, end in enumerate(taken) if end <= inside[at].in_s), len(taken))
        taken[slot : slot + 1] = [inside[at].out_s]
        found[at] = slot
    return found


def _marks(
    found: QueueFindings,
    ran: Sequence[JobRow],
    lanes: Lanes,
    begin_s: float,
    end_s: float,
    scale: float,
) -> Iterator[Mark]:
    """Yield a mark for each due time that the time line reaches."""
    for row in ran:
        if row.due_s is not None and begin_s <= row.due_s <= end_s:
            lane = lanes[("printer", row.printer or "printer", 0)]
            told = f"job {row.number} is due {moment(row.due_s, found.as_of_s)}"
            x = round(LEFT + (row.due_s - begin_s) * scale, 1)
            yield Mark(x, lane.y, row.in_time is False, told)


def shorter(ends: str) -> Iterator[str]:
    """Yield the end of a bar in ever fewer words.

    >>> list(shorter("to Thu 15:17"))
    ['to Thu 15:17', 'Thu 15:17', '15:17']
    """
    while ends:
        yield ends
        ends = ends.partition(" ")[2]


def _letters(width: float) -> int:
    return int((width - 6) / LETTER)


def fitting(text: str, width: float) -> str:
    """Return as much of a text as fits into a bar, at ``LETTER`` units a letter.

    >>> fitting("= 1 drip-manifold", 60), fitting("= 1", 10)
    ('= 1 dr…', '')
    """
    room = _letters(width)
    if len(text) <= room:
        return text
    return text[: room - 1] + "…" if room >= 3 else ""


def ticks_of(begin_s: float, end_s: float) -> list[float]:
    """Return round moments of the wall's clock between two, a dozen at most."""
    step = next((each for each in STEPS_S if (end_s - begin_s) / each <= MOST_TICKS), None)
    if step is None:
        step = 86400.0 * math.ceil((end_s - begin_s) / 86400.0 / MOST_TICKS)
    offset = datetime.fromtimestamp(begin_s).astimezone().utcoffset()
    shift = 0.0 if offset is None else offset.total_seconds()
    first = math.ceil((begin_s + shift) / step) * step - shift
    return [first + step * at for at in range(int((end_s - first) // step) + 1) if first + step * at <= end_s]
