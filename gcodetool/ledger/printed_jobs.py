"""One report of a job is one print: what was noted of it once is not noted again, tool by tool.

Left out: reading the report (``app.fed_from_report``).
"""

from collections.abc import Mapping
from typing import Any

from gcodetool.errors import DoubtError
from gcodetool.ledger.entries import LedgerEntry
from gcodetool.ledger.eventtables import SIGNS
from gcodetool.ledger.records import SpoolRecord, wall


def of_report(job: Mapping[str, Any] | None) -> dict[str, Any]:
    """Return the facts by which an entry names a job's report, and its tool where it has several; nothing without one."""
    if job is None:
        return {}
    tool = job.get("tool")
    return {"report": job["digest"][:12], **({} if tool is None else {"report_tool": tool})}


def in_words(job: Mapping[str, Any]) -> str:
    """Return how a note names a job's report, for people."""
    tool = job.get("tool")
    return f"(report {job['digest'][:12]})" if tool is None else f"(report {job['digest'][:12]}, T{tool})"


def _names(entry: LedgerEntry, job: Mapping[str, Any]) -> bool:
    """Return whether an entry is about a job's report: about that tool of it, or about all of it."""
    named = of_report(job)
    return entry.facts.get("report") == named["report"] and entry.facts.get("report_tool") in (
        None,
        named.get("report_tool"),
    )


def refuse_again(record: SpoolRecord, kind: str, job: Mapping[str, Any], said: Mapping[str, Any]) -> None:
    """Refuse what was noted of the same report before: that it was fed, or how its print came out in one respect.

    Parameters
    ----------
    kind : of the entry that is to be written.
    said : words of an outcome, noted in it or with it.

    Raises
    ------
    LedgerError
        One of them is in the record, by an entry that holds.
    """
    for entry in record.happened:
        if not _names(entry, job):
            continue
        twice = [word for word in SIGNS if entry.kind == "outcome" and word in entry.facts and word in said]
        if not twice and not entry.kind == kind == "fed":
            continue
        what = f"its {twice[0]} {'are' if twice[0][-1] == 's' else 'is'}" if twice else "this report is"
        raise DoubtError(
            f"{record.id}: {what} noted already (entry {entry.number}, {wall(entry.at_us)}"
            f"{f': {entry.facts[twice[0]]}' if twice else ''}); "
            + (f"correct it with 'gcodetool spool undo {record.id} {entry.number}', or " if twice else "")
            + "add --force if it was printed twice"
        )
