"""What is to be printed: a list file, folders and single files become requests, in their order.

A list is a TOML file as ``docs/queue.md`` describes it; paths in it are relative to it.  Left out: reading
the G-code (``reading``) and the spools (``cli``).
"""

from collections.abc import Callable, Collection, Sequence
from dataclasses import field
from pathlib import Path
from typing import Final

from gcodetool import profiles
from gcodetool.errors import ProfileError, QueueError, UsageError
from gcodetool.profiles import Printer
from gcodetool.queue.presence import ALWAYS, Presence, presence_of
from gcodetool.quickdata import dataclass
from gcodetool.tomlfile import Table, load, nearest, shown

JOB_KEYS: Final = (
    "file",
    "printer",
    "fits",
    "spool",
    "material",
    "colour",
    "tool",
    "earliest",
    "due",
    "priority",
    "copies",
    "note",
)
ENDINGS: Final = (".gcode", ".gco", ".g", ".gcode.gz", ".gcode.xz", ".gcode.3mf", ".bgcode", ".ngc")
MOST_COPIES: Final = 1000
MOST_PRIORITY: Final = 100
MINUTE_S: Final = 60.0
LIST_KEYS: Final = (
    "shelf",
    "printer",
    "turnaround_min",
    "present",
    "order",
    "busy",
    "dryer",
    "job",
    "note",
)


@dataclass(frozen=True)
class ToolRequest:
    """What a tool is to be fed from: a spool, or any of that material and colour; all None: as the file says."""

    spool: str | None = None
    material: str | None = None
    colour: str | None = None


@dataclass(frozen=True)
class JobRequest:
    """A job that waits.

    Attributes
    ----------
    printer, fits : what it was sliced for, and other printers that it may run on too.
    tools : by number; None stands for the job's only tool.
    priority : a job of priority 3 counts as three where not all make it.
    """

    path: Path
    printer: str | None = None
    tools: dict[int | None, ToolRequest] = field(default_factory=dict)
    earliest_s: float | None = None
    due_s: float | None = None
    fits: tuple[str, ...] = ()
    priority: int = 1


@dataclass(frozen=True)
class QueuePrinter:
    """A printer: its profile, and the places of the records that are it; None: no profile is known."""

    profile: Printer | None
    places: tuple[str, ...] = ()


Finder = Callable[[str], QueuePrinter]
Progress = Callable[[str, int, int | None], None]  # what is being done, how much of it is done, of how much


def by_profile(word: str) -> QueuePrinter:
    """Return the machine that a profile's name or file describes."""
    return QueuePrinter(profiles.printer(word))


@dataclass(frozen=True)
class JobList:
    """What a call asks for.

    Attributes
    ----------
    printers : machines by the name that a request gives.
    shelf : spool files and folders; empty: the list names none.
    holds : reels that each dryer takes; None: as many as its records state; empty: no dryer is named.
    unattended : dryers that may be hot while nobody is there.
    presence : when somebody is there.
    turnaround_s : between two jobs on a printer.
    busy : until when a printer runs something that is none of the jobs, by its name.
    free_order : jobs may run in another order than the list's, where that gains something.
    """

    requests: tuple[JobRequest, ...]
    printers: dict[str, QueuePrinter]
    shelf: tuple[Path, ...] = ()
    holds: dict[str, int | None] = field(default_factory=dict)
    turnaround_s: float = 0.0
    unattended: frozenset[str] = frozenset()
    presence: Presence = ALWAYS
    busy: dict[str, float] = field(default_factory=dict)
    free_order: bool = False


def is_list(path: Path) -> bool:
    """Return whether a path is meant as a list."""
    return path.suffix.lower() == ".toml"


def from_paths(paths: Sequence[Path], *, printer: str | None, find: Finder = by_profile) -> JobList:
    """Return jobs named one by one and folders of jobs, in the order given, a folder's by name.

    Raises
    ------
    QueueError
        A folder holds no job, or cannot be read.
    ProfileError
        There is no such printer.
    """
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            jobs = in_folder(path)
            if not jobs:
                raise QueueError(
                    f"{path}: no sliced file in this folder ({', '.join(ENDINGS)}); name another"
                )
            found += jobs
        else:
            found.append(path)
    printers = {} if printer is None else {printer: find(printer)}
    return JobList(tuple(JobRequest(path, printer) for path in found), printers)


def in_folder(folder: Path) -> list[Path]:
    """Return the sliced files of a folder, by name."""
    return sorted(path for path in folder.iterdir() if is_job_name(path.name) and not path.is_dir())


def is_job_name(name: str) -> bool:
    """Return whether a file of that name is a sliced job, and not hidden."""
    return name.lower().endswith(ENDINGS) and not name.startswith(".")


def read_list(path: Path, *, printer: str | None, find: Finder = by_profile) -> JobList:
    """Return what the list at *path* says; *printer* stands for those jobs that name none.

    Raises
    ------
    QueueError
        ``file:line``: it cannot be read, or says what it cannot mean.
    ProfileError
        There is no such printer.
    """
    table = load(path, QueueError, "list of jobs")
    table.only(LIST_KEYS)
    table.need("job")
    table.text("note")
    usual = table.text("printer")
    default = usual if printer is None else printer
    requests: list[JobRequest] = []
    names: dict[str, Table] = {}
    if usual is not None:
        names[usual] = table
    for entry in table.array("job"):
        one, copies = _request(entry, path.parent, default)
        requests += [one] * copies
        if "printer" in entry and one.printer is not None:
            names.setdefault(one.printer, entry)
        for name in one.fits:
            names.setdefault(name, entry)
    if not requests:
        table.fail("job", "no job is listed; add one, headed [[job]], with its file")
    printers = {name: _printer(name, where, path.parent, find) for name, where in names.items()}
    if printer is not None:
        printers[printer] = find(printer)
    holds: dict[str, int | None] = {}
    alone = set()
    for name, inner in table.tables("dryer").items():
        inner.only(("holds", "unattended", "note"))
        holds[name] = inner.whole("holds", low=1, high=1000)
        if inner.flag("unattended"):
            alone.add(name)
    return JobList(
        tuple(requests),
        printers,
        _shelf(table, path.parent),
        holds,
        (table.number("turnaround_min", low=0, high=10_000) or 0.0) * MINUTE_S,
        unattended=frozenset(alone),
        presence=_presence(table),
        busy=_busy(table, printers),
        free_order=table.choice("order", ("list", "free")) == "free",
    )


def _presence(table: Table) -> Presence:
    try:
        return presence_of(table.words("present"))
    except UsageError as error:
        table.fail("present", str(error))


def _busy(table: Table, printers: Collection[str]) -> dict[str, float]:
    """Return until when printers run something else."""
    inner = table.table("busy")
    if inner is None:
        return {}
    found = {}
    for name in inner.data:
        if name not in printers:
            inner.fail(name, f"no job is for printer {shown(name)}; {nearest(name, printers)}")
        until = inner.moment(name)
        if until is not None:
            found[name] = until
    return found


def _printer(name: str, table: Table, folder: Path, find: Finder) -> QueuePrinter:
    try:
        if profiles.names_file(name):
            return QueuePrinter(profiles.printer(folder / name))
        return find(name)
    except (ProfileError, UsageError) as error:
        table.fail("printer", str(error))


def _shelf(table: Table, folder: Path) -> tuple[Path, ...]:
    names = table.words("shelf") if isinstance(table.data.get("shelf"), list) else (table.text("shelf"),)
    found = tuple(folder / name for name in names if name)
    for each in found:
        if not each.exists():
            table.fail("shelf", f"no spool file or folder {shown(str(each))}; correct the path")
    return found


def _request(entry: Table, folder: Path, printer: str | None) -> tuple[JobRequest, int]:
    entry.only(JOB_KEYS)
    entry.need("file")
    entry.text("note")
    tools: dict[int | None, ToolRequest] = {}
    if any(key in entry for key in ("spool", "material", "colour")):
        tools[None] = _tool(entry)
    for name, inner in entry.tables("tool").items():
        if not (name.isascii() and name.isdecimal() and len(name) < 4):
            inner.fail(None, f"tool {shown(name)} is no number; write [job.tool.0]")
        inner.only(("spool", "material", "colour", "note"))
        tools[int(name)] = _tool(inner)
    if None in tools and len(tools) > 1:
        entry.fail(
            "tool", "spool, material or colour stand beside [job.tool.N]; name each tool in its own table"
        )
    earliest, due = entry.moment("earliest"), entry.moment("due")
    if earliest is not None and due is not None and due <= earliest:
        entry.fail("due", "due is not after earliest; correct one of the two")
    copies = entry.whole("copies", low=1, high=MOST_COPIES) or 1
    own = entry.text("printer")
    request = JobRequest(
        folder / (entry.text("file") or ""),
        own or printer,
        tools,
        earliest,
        due,
        fits=_fits(entry, own or printer),
        priority=entry.whole("priority", low=1, high=MOST_PRIORITY) or 1,
    )
    return request, copies


def _fits(entry: Table, printer: str | None) -> tuple[str, ...]:
    """Return the printers that a job fits beside its own."""
    names = entry.words("fits")
    if names and printer is None:
        entry.fail("fits", "fits adds printers to the job's own; name that one with printer")
    return tuple(name for name in dict.fromkeys(names) if name != printer)


def _tool(table: Table) -> ToolRequest:
    spool, material = table.text("spool"), table.text("material")
    if spool is not None and (material is not None or "colour" in table):
        table.fail("spool", "a spool is named, so material and colour are settled; leave them out")
    if material is not None and profiles.lookup("materials", material) is None:
        table.fail("material", profiles.unknown("materials", material))
    return ToolRequest(spool, material, table.text("colour"))
