"""What a job fed from a spool, by the JSON report that a check or a preparation wrote of it."""

import hashlib
import math
from pathlib import Path
from typing import Any, Final

from gcodetool.errors import SpoolError
from gcodetool.textfile import MOST_REPORT, from_json, read_bytes, text_of

REPORT: Final = "gcodetool/report/1"
WHAT: Final = "report"


def fed_from_report(path: Path, spool_id: str, tool: int | None) -> dict[str, Any]:
    """Return what a job fed from a spool, by its JSON report; *tool*: on which tool, where that must be said.

    Raises
    ------
    SpoolError
        It is no report, or says nothing of this spool.
    """
    data = read_bytes(path, SpoolError, WHAT, most=MOST_REPORT)
    report = from_json(text_of(data, path, SpoolError, WHAT), path, SpoolError, WHAT)
    if not isinstance(report, dict) or report.get("schema") != REPORT:
        raise SpoolError.at(
            path, None, "not a report of gcodetool; make one with check --json or prepare --report"
        )
    try:
        tools = {int(each["tool"]): (each["spool"], float(each["filament_mm"])) for each in report["tools"]}
        how = {int(each["tool"]): (each.get("nozzle_C"), each.get("melt_s")) for each in report["tools"]}
        name = Path(str(report["job"]["path"])).name
        whole = all(math.isfinite(length_mm) for _, length_mm in tools.values())
    except (KeyError, TypeError, ValueError, OverflowError):
        whole = False
    if not whole:
        raise SpoolError.at(path, None, "this report is not complete; make it again")
    chosen = [
        each for each, (spool, _) in tools.items() if (spool == spool_id if tool is None else each == tool)
    ]
    if tool is None and not chosen and len(tools) == 1:
        chosen = [each for each, (spool, _) in tools.items() if spool is None]
    if len(chosen) != 1:
        used = ", ".join(f"tool {each}: {spool or 'no spool named'}" for each, (spool, _) in tools.items())
        raise SpoolError.at(
            path, None, f"which tool fed {spool_id}? name it with --tool; the report has {used}"
        )
    named = tools[chosen[0]][0]
    return {
        "digest": hashlib.sha256(data).hexdigest(),
        "tool": chosen[0] if len(tools) > 1 else None,
        "other_spool": named if named not in (None, spool_id) else None,
        "name": name,
        "length_mm": tools[chosen[0]][1],
        "nozzle_C": how[chosen[0]][0],
        "melt_s": how[chosen[0]][1],
    }
