"""Jobs and spools put together: which spools each tool may be fed from, and what hangs and dries where.

A spool that list or file names is settled; else the one on the printer and all others of that material and
colour may be taken.  Left out: which of them is (``search``).
"""

from collections.abc import Mapping
from dataclasses import field, replace
from typing import Final

from gcodetool import profiles
from gcodetool.moisture.dryer_runs import ONE_SLOT, as_run
from gcodetool.moisture.record import Spool
from gcodetool.profiles import Printer
from gcodetool.queue.boxes import boxes_at_start, standing
from gcodetool.queue.findings import ASKED
from gcodetool.queue.forecast_memo import ForecastMemo
from gcodetool.queue.job_list import JobList, JobRequest, QueuePrinter, ToolRequest
from gcodetool.queue.reading import Unreadable, Wanted
from gcodetool.queue.schedule import Schedule, Task, ToolSlot, empty_schedule
from gcodetool.queue.summary import JobSummary, ToolSummary
from gcodetool.quickdata import dataclass
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


def wanted_of(request: JobRequest, job_list: JobList, stock: Stock, *, on: str | None = None) -> Wanted:
    """Return what is to be read for a request: its file, for its printer, with what its spools measure.

    ``on``: another printer, which it fits as well.
    """
    name = on or request.printer
    printer = None if name is None else job_list.printers[name].profile
    wound = {
        tool or 0: stock.spools[each.spool].diameter_mm
        for tool, each in request.tools.items()
        if each.spool in stock.spools and each.spool is not None
    }
    return Wanted(request.path, printer, tuple(sorted(wound.items())))


def every_wanted(job_list: JobList, stock: Stock) -> list[Wanted]:
    """Return what is to be read for all requests, each once: for their own printers, and for those that they fit."""
    return list(
        dict.fromkeys(
            wanted_of(request, job_list, stock, on=name)
            for request in job_list.requests
            for name in (None, *request.fits)
        )
    )


def tasks_of(
    job_list: JobList,
    stock: Stock,
    jobs: Mapping[Wanted, JobSummary | Unreadable],
    mounted: Mapping[Where, str],
    *,
    assume_mounted: bool = False,
) -> list[Task]:
    """Return the jobs that could be read, with the spools that they may take.

    ``assume_mounted``: where nobody names the filament, the spool on the printer is taken; else it is asked for.
    """
    tasks = []
    for number, request in enumerate(job_list.requests, 1):
        job = jobs.get(wanted_of(request, job_list, stock))
        if not isinstance(job, JobSummary):
            continue
        unused = sorted(
            {tool for tool in request.tools if tool is not None} - {each.tool for each in job.tools}
        )
        notes = [f"the list names tool {tool}, but the job feeds nothing from it" for tool in unused]

        def slots_on(
            printer: str | None, on: JobSummary, request: JobRequest = request
        ) -> tuple[ToolSlot, ...]:
            return tuple(
                _slot(
                    tool,
                    request,
                    on,
                    stock,
                    mounted.get((printer, tool.tool)),
                    assume_mounted=assume_mounted,
                )
                for tool in on.tools
            )

        task = Task(
            number,
            str(request.path),
            request.printer,
            job,
            slots_on(request.printer, job),
            request.earliest_s,
            request.due_s,
            priority=request.priority,
        )
        others = []
        for name in request.fits:
            other = jobs.get(wanted_of(request, job_list, stock, on=name))
            why = cannot_go(request, other, name, job_list)
            if why is None and isinstance(other, JobSummary):
                others.append(replace(task, printer=name, job=other, slots=slots_on(name, other)))
            else:
                notes.append(f"it does not go to {name}, which the list says it fits: {why}")
        tasks.append(replace(task, notes=tuple(notes), others=tuple(others)))
    return _with_later(tasks)


def _with_later(tasks: list[Task]) -> list[Task]:
    """Return the jobs with what later ones take off the same spool, where that is settled."""
    later: dict[str, float] = {}
    for at in range(len(tasks) - 1, -1, -1):
        task = tasks[at]
        settled = [slot for slot in task.slots if slot.how in ("named", "noted")]
        ahead = dict(later)
        tasks[at] = replace(
            _told(task, ahead),
            others=tuple(replace(_told(each, ahead), notes=task.notes) for each in task.others),
        )
        for slot in settled:
            later[slot.spools[0]] = later.get(slot.spools[0], 0.0) + slot.tool.filament_mm
    return tasks


def _told(task: Task, later: Mapping[str, float]) -> Task:
    slots = (
        replace(slot, later_mm=later.get(slot.spools[0], 0.0)) if slot.how in ("named", "noted") else slot
        for slot in task.slots
    )
    return replace(task, slots=tuple(slots))


def cannot_go(
    request: JobRequest, job: JobSummary | Unreadable | None, name: str, job_list: JobList
) -> str | None:
    """Return why a job cannot go to a printer that the list says it fits; None: it can.

    The file's own firmware and nozzle, the profile's hot end, bed and height decide; what neither states is
    taken from the list.
    """
    if job is None:
        return "its file was not read for it"
    if isinstance(job, Unreadable):
        return job.text
    if job.machine_cautions:
        return job.machine_cautions[0]
    profile = job_list.printers[name].profile
    home = None if request.printer is None else job_list.printers[request.printer].profile
    if profile is None:
        return None
    if home is not None and home.dialect != profile.dialect:
        return f"it was sliced for {request.printer}, which is {home.dialect}; {name} is {profile.dialect}"
    nozzle, other = (None if each is None else each.hot_end.nozzle_mm for each in (home, profile))
    if nozzle is not None and other is not None and nozzle != other:
        return f"{request.printer} has a {nozzle:g} mm nozzle, {name} one of {other:g} mm"
    return _file_says(request, name, profile)


def _file_says(request: JobRequest, name: str, profile: Printer) -> str | None:
    """Return why the file itself is not for a printer; None: it says nothing against it."""
    from gcodetool.gcode.program import read

    program = read(request.path)
    if program.dialect_sure and program.dialect.label != profile.dialect:
        return (
            f"the file is for {program.dialect.label} ({program.dialect_reason}); {name} is {profile.dialect}"
        )
    sliced = {nozzle for nozzle in program.facts.nozzle_mm if nozzle}
    nozzle = profile.hot_end.nozzle_mm
    if nozzle is not None and sliced and nozzle not in sliced:
        words = ", ".join(f"{each:g}" for each in sorted(sliced))
        return f"the file is sliced for a nozzle of {words} mm, {name} has one of {nozzle:g} mm"
    return None


def _slot(
    tool: ToolSummary,
    request: JobRequest,
    job: JobSummary,
    stock: Stock,
    hung: str | None,
    *,
    assume_mounted: bool,
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
    if material is None:
        return _asked(tool, hung, assume_mounted=assume_mounted)
    fitting = [
        name for name in sorted(stock.spools) if _fits(stock.spools[name], material, asked.colour, tool)
    ]
    fitting.sort(key=lambda name: (name != hung, name))
    if not fitting:
        return ToolSlot(tool, (), "none", _none_fits(stock, material, asked.colour, tool))
    return ToolSlot(tool, tuple(fitting), "chosen", caution=absent)


def _asked(tool: ToolSummary, hung: str | None, *, assume_mounted: bool) -> ToolSlot:
    """Return what a tool is fed from whose filament nobody named: the shop is asked, or takes what is mounted."""
    why = "neither list nor file says which filament"
    if assume_mounted and hung is not None:
        caution = f"T{tool.tool}: {why}; taken: {hung}, which is on the printer"
        return ToolSlot(tool, (hung,), "chosen", caution=caution)
    there = "no spool is on the printer"
    if hung is not None:
        there = f"{hung} is on the printer: --assume-mounted takes what is"
    return ToolSlot(tool, (), "none", f"{why}; name its spool or material in the list ({there})", code=ASKED)


def _named(tool: ToolSummary, name: str, stock: Stock) -> ToolSlot:
    if name in stock.spools:
        return ToolSlot(tool, (name,), "named")
    if name in stock.broken:
        return ToolSlot(tool, (), "none", f"the record of {name} cannot be read: {stock.broken[name]}")
    if not stock.spools:
        return ToolSlot(tool, (), "none", f"no spool '{name}': the shelf is empty; name one with --shelf")
    return ToolSlot(tool, (), "none", f"no spool '{name}' on the shelf; {nearest(name, stock.spools)}")


def _none_fits(stock: Stock, material: str, colour: str | None, tool: ToolSummary) -> str:
    """Return that no spool fits, and by what those miss that have the material."""
    what = " ".join(word for word in (colour, material) if word)
    other = [name for name in sorted(stock.spools) if _fits(stock.spools[name], material, colour, None)]
    if other and tool.diameter_mm is not None:
        sizes = ", ".join(f"{name}: {stock.spools[name].diameter_mm:g} mm" for name in other[:3])
        return f"no spool of {what} on the shelf is of {tool.diameter_mm:g} mm, as the file is sliced for ({sizes})"
    same = [name for name in sorted(stock.spools) if _fits(stock.spools[name], material, None, tool)]
    if same:
        return f"no spool of {what} on the shelf ({', '.join(same[:3])}: of another colour, or none is noted)"
    return f"no spool of {what} on the shelf"


def _fits(spool: Spool, material: str | None, colour: str | None, tool: ToolSummary | None) -> bool:
    if material is not None and not profiles.fits(material, spool.material):
        return False
    if colour is not None and (spool.colour or "").casefold() != colour.casefold():
        return False
    if tool is None or tool.diameter_mm is None:
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
            if spool.in_ledger and printer.places:  # two machines of one kind have one profile
                own = False
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
        last = standing(spool, at_s)
        if last is not None and last.kind == "dryer":
            drying[name] = (last.name, as_run(spool, last, at_s).temperature_C)
    given: dict[str, int | None] = dict(job_list.holds if holds is None else holds)
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
            words = (f"{name} ({found[name]} reel{'' if found[name] == 1 else 's'})" for name in given)
            notes.append(f"dryers as the records have them: {', '.join(words)}")
    reels = {name: count if count is not None else found.get(name, ONE_SLOT) for name, count in given.items()}
    boxes = boxes_at_start(job_list.printers, stock.spools, at_s, notes)
    empty = empty_schedule(memo, job_list=job_list, holds=reels, mounted=mounted, drying=drying, boxes=boxes)
    return replace(empty, homes=homes_of(stock, at_s))


def homes_of(stock: Stock, at_s: float) -> dict[str, str | None]:
    """Return the place that each reel goes back to after a job, as the simulation has it; of those on printers None."""
    found: dict[str, str | None] = {}
    for name, spool in stock.spools.items():
        place = standing(spool, at_s)
        if place is not None and place.kind == "dryer":
            from gcodetool.judge.print_air import last_open

            room = place.room or last_open(spool, at_s)
            place = None if room is None else spool.places.get(room)
        if place is not None:
            found[name] = None if place.kind == "printer" else place.name
    return found
