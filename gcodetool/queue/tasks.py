"""Jobs and spools put together: which spools each tool may be fed from, and what hangs and dries where.

A spool that list or file names is settled; else the one on the printer and all others of that material and
colour may be taken.  Left out: which of them is (``search``).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from gcodetool import profiles
from gcodetool.moisture.dryer_runs import ONE_SLOT, as_run
from gcodetool.moisture.record import Spool
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.job_list import JobList, JobRequest, QueuePrinter, ToolRequest
from gcodetool.queue.reading import Unreadable, Wanted
from gcodetool.queue.schedule import Schedule, Task, ToolSlot, empty_schedule
from gcodetool.queue.summary import JobSummary, ToolSummary
from gcodetool.tomlfile import nearest

Where = tuple[str | None, int]  # a printer's tool
ANY: Final = ToolRequest()


@dataclass(frozen=True)
class Stock:
    """The spools at hand.

    Attributes
    ----------
    spools : by id.
    broken : records that cannot be read: by id or file, what is wrong.
    """

    spools: Mapping[str, Spool]
    broken: Mapping[str, str] = field(default_factory=dict)


def wanted_of(request: JobRequest, job_list: JobList, stock: Stock) -> Wanted:
    """Return what is to be read for a request: its file, for its printer, with what its spools measure."""
    printer = None if request.printer is None else job_list.printers[request.printer].profile
    wound = {
        tool or 0: stock.spools[each.spool].diameter_mm
        for tool, each in request.tools.items()
        if each.spool in stock.spools and each.spool is not None
    }
    return Wanted(request.path, printer, tuple(sorted(wound.items())))


def tasks_of(
    job_list: JobList,
    stock: Stock,
    jobs: Mapping[Wanted, JobSummary | Unreadable],
    mounted: Mapping[Where, str],
) -> list[Task]:
    """Return the jobs that could be read, with the spools that they may take."""
    tasks = []
    for number, request in enumerate(job_list.requests, 1):
        job = jobs.get(wanted_of(request, job_list, stock))
        if not isinstance(job, JobSummary):
            continue
        slots = tuple(
            _slot(tool, request, job, stock, mounted.get((request.printer, tool.tool))) for tool in job.tools
        )
        unused = sorted(
            {tool for tool in request.tools if tool is not None} - {each.tool for each in job.tools}
        )
        notes = tuple(f"the list names tool {tool}, but the job feeds nothing from it" for tool in unused)
        tasks.append(
            Task(
                number,
                str(request.path),
                request.printer,
                job,
                slots,
                request.earliest_s,
                request.due_s,
                notes,
            )
        )
    later: dict[str, float] = {}
    for at in range(len(tasks) - 1, -1, -1):
        known: list[ToolSlot] = []
        for slot in tasks[at].slots:
            settled = slot.spools[0] if slot.how in ("named", "noted") else None
            known.append(slot if settled is None else replace(slot, later_mm=later.get(settled, 0.0)))
            if settled is not None:
                later[settled] = later.get(settled, 0.0) + slot.tool.filament_mm
        tasks[at] = replace(tasks[at], slots=tuple(known))
    return tasks


def _slot(
    tool: ToolSummary, request: JobRequest, job: JobSummary, stock: Stock, hung: str | None
) -> ToolSlot:
    """Return which spools a tool may be fed from, the one mounted there first."""
    asked = request.tools.get(tool.tool)
    if asked is None and None in request.tools:
        if len(job.tools) > 1:
            names = ", ".join(str(each.tool) for each in job.tools)
            return ToolSlot(tool, (), "none", f"the job feeds from tools {names}; name each in [job.tool.N]")
        asked = request.tools[None]
    asked = asked or ANY
    if asked.spool is not None:
        return _named(tool, asked.spool, stock)
    absent = None
    if tool.spool is not None and asked == ANY:
        if tool.spool in stock.spools:
            return ToolSlot(tool, (tool.spool,), "noted")
        absent = f"T{tool.tool}: the file names spool {tool.spool}, which is not on the shelf"
    material = asked.material or tool.material
    if material is None and asked.colour is None:
        why = "neither list nor file says which filament"
        if hung is None:
            return ToolSlot(tool, (), "none", f"{why}, and no spool is on the printer")
        return ToolSlot(
            tool, (hung,), "chosen", caution=f"T{tool.tool}: {why}; taken: {hung}, which is on the printer"
        )
    fitting = [
        name for name in sorted(stock.spools) if _fits(stock.spools[name], material, asked.colour, tool)
    ]
    fitting.sort(key=lambda name: (name != hung, name))
    what = " ".join(word for word in (asked.colour, material) if word)
    if not fitting:
        return ToolSlot(tool, (), "none", f"no spool of {what} on the shelf")
    return ToolSlot(tool, tuple(fitting), "chosen", caution=absent)


def _named(tool: ToolSummary, name: str, stock: Stock) -> ToolSlot:
    if name in stock.spools:
        return ToolSlot(tool, (name,), "named")
    if name in stock.broken:
        return ToolSlot(tool, (), "none", f"the record of {name} cannot be read: {stock.broken[name]}")
    if not stock.spools:
        return ToolSlot(tool, (), "none", f"no spool '{name}': the shelf is empty; name one with --shelf")
    return ToolSlot(tool, (), "none", f"no spool '{name}' on the shelf; {nearest(name, stock.spools)}")


def _fits(spool: Spool, material: str | None, colour: str | None, tool: ToolSummary) -> bool:
    if material is not None and not profiles.fits(material, spool.material):
        return False
    if colour is not None and (spool.colour or "").casefold() != colour.casefold():
        return False
    if tool.diameter_mm is None:
        return True
    from gcodetool.judge.print_judgement import DIAMETER_SLACK_MM

    return abs(tool.diameter_mm - spool.diameter_mm) <= DIAMETER_SLACK_MM


def mounted_spools(job_list: JobList, stock: Stock, at_s: float, notes: list[str]) -> dict[Where, str]:
    """Return the spool on each printer's tool; of several noted there, the one that came last."""
    found: dict[Where, list[tuple[float, str]]] = {}
    for name in sorted(stock.spools):
        for word, printer in job_list.printers.items():
            since = _mounted_on(stock.spools[name], printer, at_s)
            if since is not None:
                found.setdefault((word, since[0]), []).append((since[1], name))
    mounted: dict[Where, str] = {}
    for where, stays in sorted(found.items(), key=repr):
        *others, (_, mounted[where]) = sorted(stays)
        if others:
            names = ", ".join(name for _, name in others)
            notes.append(
                f"{names} noted on {where[0]} too; {mounted[where]} came last and counts: note where the others are"
            )
    return mounted


def _mounted_on(spool: Spool, printer: QueuePrinter, at_s: float) -> tuple[int, float] | None:
    """Return the tool of *printer* that the spool feeds now, and since when; None: it is elsewhere."""
    for event in reversed(spool.events):
        if event.at_s <= at_s and event.place is not None:
            place = spool.places.get(event.place)
            if place is None or place.kind != "printer":
                return None
            own = printer.profile is not None and printer.profile.name in (place.name, place.printer)
            return (event.tool or 0, event.at_s) if own or place.name in printer.places else None
    return None


def schedule_at_start(
    memo: ForecastMemo,
    job_list: JobList,
    stock: Stock,
    holds: Mapping[str, int] | None,
    mounted: Mapping[Where, str],
    notes: list[str],
) -> Schedule:
    """Return the schedule before the first job: what hangs where, what dries, which dryers there are."""
    at_s = memo.options.at_s
    drying: dict[str, tuple[str, float | None]] = {}
    for name in sorted(stock.spools):
        spool = stock.spools[name]
        stays = [event.place for event in spool.events if event.at_s <= at_s and event.place is not None]
        last = spool.places.get(stays[-1]) if stays else None
        if last is not None and last.kind == "dryer":
            drying[name] = (last.name, as_run(spool, last, at_s).temperature_C)
    given = dict(job_list.holds if holds is None else holds)
    found: dict[str, int] = {}
    for spool in stock.spools.values():
        for place in spool.places.values():
            if place.kind == "dryer":  # of records that differ, the least
                takes = ONE_SLOT if place.slots is None else place.slots
                found[place.name] = min(takes, found.get(place.name, takes))
    notes += [
        f"dryer '{name}' is not used: no spool's record has it; {nearest(name, found)}"
        for name in given
        if name not in found and stock.spools
    ]
    if not given and holds is None:
        given = {name: found[name] for name in sorted(found)}
        if given:
            words = (f"{name} ({count} reel{'' if count == 1 else 's'})" for name, count in given.items())
            notes.append(f"dryers as the records have them: {', '.join(words)}")
    return empty_schedule(
        memo, turnaround_s=job_list.turnaround_s, holds=given, mounted=mounted, drying=drying
    )
