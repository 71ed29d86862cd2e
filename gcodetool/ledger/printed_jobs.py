"""One report of a job is one print: what was noted of it once is not noted again, tool by tool.

Left out: reading the report (``app.fed_from_report``).
"""

from collections.abc import Mapping
from typing import Any

from gcodetool.errors import DoubtError
from gcodetool.ledger.eventtables import SIGNS
from gcodetool.ledger.records import SpoolRecord, wall


def signs(job: Mapping[str, Any]) -> tuple[str, ...]:
    """Return how notes name a job's report: as a whole, then its tool where it has several."""
    report, tool = f"report {job['digest'][:12]}", job.get("tool")
    return (f"({report})",) if tool is None else (f"({report})", f"({report}, T{tool})")


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
    same = [
        entry
        for entry in record.happened
        if any(sign in str(entry.facts.get("note", "")) for sign in signs(job))
    ]
    for entry in same:
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
