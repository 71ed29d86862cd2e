"""A queue to the JSON object of ``docs/queue.schema.json``: exact numbers, UTC times."""

import json
import math
from datetime import UTC, datetime
from typing import Any, Final

from gcodetool.queue.findings import DryingRow, JobRow, QueueFindings, ToolRow

SCHEMA: Final = "gcodetool/queue/1"


def as_dict(found: QueueFindings) -> dict[str, Any]:
    """Return the queue as plain dicts and lists."""
    return {
        "schema": SCHEMA,
        "as_of": utc(found.as_of_s),
        "confidence": found.confidence,
        "members": found.members,
        "complete": found.complete,
        "jobs": [row_dict(row) for row in found.rows],
        "dryings": [drying_dict(drying) for drying in found.dryings],
        "plan": {
            "met": len(found.rows) - found.unmet,
            "unmet": found.unmet,
            "dryings": len(found.dryings),
            "changes": found.changes,
            "search": found.search,
        },
        "verdict": found.verdict,
        "notes": list(found.notes),
        "cautions": list(found.cautions),
    }


def row_dict(row: JobRow) -> dict[str, Any]:
    """Return one entry of ``jobs``."""
    return {
        "number": row.number,
        "path": row.path,
        "sha256": row.sha256,
        "printer": row.printer,
        "start": when(row.start_s),
        "end": when(row.end_s),
        "earliest": when(row.earliest_s),
        "due": when(row.due_s),
        "in_time": row.in_time,
        "met": row.met,
        "held": row.held,
        "time": None
        if row.open_air_s is None
        else {
            "moving_s": row.moving_s,
            "extruding_s": row.extruding_s,
            "waiting_s": row.waiting_s,
            "open_air_s": row.open_air_s,
        },
        "tools": [tool_dict(tool) for tool in row.tools],
        "verdict": row.verdict,
        "because": row.because,
        "instead": row.instead,
        "error": row.error,
        "cautions": [*row.machine_cautions, *row.cautions, *row.file_cautions],
    }


def tool_dict(tool: ToolRow) -> dict[str, Any]:
    """Return one entry of a job's ``tools``."""
    exposure = None
    if tool.source is not None:
        margin = None if tool.safe_s is None else tool.safe_s - tool.needed_s
        exposure = {
            "safe_s": known(tool.safe_s),
            "needed_s": tool.needed_s,
            "margin_s": known(margin),
            "source": tool.source,
            "air": tool.air,
        }
    return {
        "tool": tool.tool,
        "spool": tool.spool,
        "how": tool.how,
        "material": tool.material,
        "filament_mm": tool.filament_mm,
        "left_mm": tool.left_mm,
        "short_mm": tool.short_mm,
        "extruding_s": tool.extruding_s,
        "exposure": exposure,
        "start_wt_pct": known(tool.start_wt_pct),
        "worst_wt_pct": known(tool.worst_wt_pct),
        "verdict": {
            "code": tool.code,
            "share": tool.share,
            "outcomes": tool.outcomes,
            "because": tool.because,
            "from_layer": tool.from_layer,
        },
    }


def drying_dict(drying: DryingRow) -> dict[str, Any]:
    """Return one entry of ``dryings``."""
    return {
        "spool": drying.spool,
        "material": drying.material,
        "dryer": drying.dryer,
        "in": utc(drying.in_s),
        "out": utc(drying.out_s),
        "seconds": drying.out_s - drying.in_s,
        "temperature_C": drying.temperature_C,
        "knob_C": drying.knob_C,
        "limit": drying.binding,
        "reached": drying.reached,
        "next_fed_before_wt_pct": known(drying.before_wt_pct),
        "next_fed_after_wt_pct": known(drying.after_wt_pct),
        "for_job": drying.for_number,
        "without": {"verdict": drying.undried, "because": drying.because},
        "cautions": list(drying.cautions),
    }


def known(value: float | None) -> float | None:
    """Return a number as it is, and None for what JSON cannot say (NaN, infinity)."""
    return value if value is not None and math.isfinite(value) else None


def utc(at_s: float) -> str:
    """Return an ISO 8601 time in UTC."""
    return datetime.fromtimestamp(at_s, UTC).isoformat()


def when(at_s: float | None) -> str | None:
    """Return a moment in UTC, or None."""
    return None if at_s is None else utc(at_s)


def to_json(found: QueueFindings) -> str:
    """Return the queue as one JSON text, a job or drying a line; NaN never appears in it."""
    parts = []
    for name, value in as_dict(found).items():
        if name in ("jobs", "dryings") and value:
            lines = ",\n".join(f"  {_compact(each)}" for each in value)
            parts.append(f" {_compact(name)}: [\n{lines}\n ]")
        else:
            parts.append(f" {_compact(name)}: {_compact(value)}")
    return "{\n" + ",\n".join(parts) + "\n}"


def _compact(value: Any) -> str:
    return json.dumps(value, allow_nan=False, ensure_ascii=False)
