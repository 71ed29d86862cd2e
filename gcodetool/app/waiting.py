"""Jobs that wait in a folder: which could start now, on what is mounted, and until when."""

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from gcodetool.app.check import check
from gcodetool.app.resolve import Moment, clock
from gcodetool.errors import GcodetoolError, UsageError
from gcodetool.queue.job_list import in_folder

MOST: Final = 200  # files of one folder that are looked at


@dataclass(frozen=True)
class WaitingJob:
    """One file of the folder.

    Attributes
    ----------
    name
        Of the file, below the folder.
    verdict, because, start_by_s, spool
        As a check says them, of the tool that is worst off; the verdict is None where the file cannot be read.
    trouble
        Why it cannot.
    misfits
        Which reels are not what the file was sliced for.
    """

    name: str
    verdict: str | None
    because: str = ""
    start_by_s: float | None = None
    spool: str | None = None
    trouble: str | None = None
    misfits: tuple[str, ...] = ()


def job_files(folder: str | Path) -> list[Path]:
    """Return the sliced files of a folder, by name.

    Raises
    ------
    UsageError
        It is no folder.
    """
    home = Path(folder)
    if not home.is_dir():
        raise UsageError(f"--jobs '{home}': no such folder; correct the path")
    return in_folder(home)[:MOST]


def waiting_jobs(
    folder: str | Path,
    *,
    printer: str | None = None,
    at: Moment = None,
    members: int | None = None,
    ledger: str | None = None,
) -> list[WaitingJob]:
    """Return the jobs of a folder, checked as if each started now; arguments as for a check."""
    now_s = clock(at)
    files = job_files(folder)
    return [waiting_job(each, printer=printer, at=now_s, members=members, ledger=ledger) for each in files]


def waiting_job(
    path: Path,
    *,
    printer: str | None = None,
    at: Moment = None,
    members: int | None = None,
    ledger: str | None = None,
) -> WaitingJob:
    """Return one of them."""
    try:
        found = check(path, printer=printer, at=at, members=members, ledger=ledger, tweaks=False)
    except (GcodetoolError, OSError) as error:
        return WaitingJob(path.name, None, trouble=str(error).replace(str(path), path.name))
    worst = next((tool for tool in found.tools if tool.verdict.code == found.verdict), None)
    if worst is None:
        return WaitingJob(path.name, found.verdict)
    because = worst.verdict.because
    if len(found.tools) > 1:
        because = f"T{worst.tool}: {because}"
    moments = [tool.verdict.start_by_s for tool in found.tools if tool.verdict.start_by_s is not None]
    return WaitingJob(
        path.name, found.verdict, because, min(moments, default=None), worst.spool,
        misfits=tuple(line for tool in found.tools for line in tool.misfits),
    )  # fmt: skip
