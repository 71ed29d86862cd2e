"""What a job fed from a spool, by the JSON report that a check or a preparation wrote of it."""

import hashlib
import json
from pathlib import Path
from typing import Any, Final

from gcodetool.errors import SpoolError

REPORT: Final = "gcodetool/report/1"


def fed_from_report(path: Path, spool_id: str, tool: int | None) -> dict[str, Any]:
    """Return what a job fed from a spool, by its JSON report.

    Raises
    ------
    SpoolError
        It is no report, or says nothing of this spool.
    """
    try:
        data = path.read_bytes()
        report = json.loads(data)
    except FileNotFoundError:
        raise SpoolError.at(path, None, "no such report; check the path") from None
    except (OSError, ValueError) as error:
        raise SpoolError.at(path, None, f"cannot be read as a JSON report: {error}") from None
    if not isinstance(report, dict) or report.get("schema") != REPORT:
        raise SpoolError.at(
            path, None, "not a report of gcodetool; make one with check --json or prepare --report"
        )
    try:
        tools = {int(each["tool"]): (each["spool"], float(each["filament_mm"])) for each in report["tools"]}
        name = Path(str(report["job"]["path"])).name
    except (KeyError, TypeError, ValueError):
        raise SpoolError.at(path, None, "this report is not complete; make it again") from None
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
    return {
        "digest": hashlib.sha256(data).hexdigest(),
        "name": name,
        "length_mm": tools[chosen[0]][1],
    }
