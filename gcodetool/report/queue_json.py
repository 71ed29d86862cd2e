"""A queue to the JSON object of ``docs/queue.schema.json``: exact numbers, UTC times."""

import json
from typing import Any, Final

from gcodetool.queue.findings import DryingRow, HandOff, JobRow, QueueFindings, ToolRow
from gcodetool.report.as_json import VERDICT
from gcodetool.report.json_values import fields, json_value, utc, when
from gcodetool.report.layout import without_halves

SCHEMA: Final = "gcodetool/queue/1"
TOOL: Final = "tool spool how box material filament_mm left_mm short_mm extruding_s"


def as_dict(found: QueueFindings) -> dict[str, Any]:
    """Return the queue as plain dicts and lists."""
    return {
        "schema": SCHEMA,
        "as_of": utc(found.as_of_s),
        "begun": when(found.begun_s),
        **fields(found, "confidence members complete"),
        "jobs": [row_dict(row) for row in found.rows],
        "dryings": [drying_dict(drying) for drying in found.dryings],
        "present": list(found.present),
        "to_do": [handoff_dict(each) for each in found.handoffs],
        "plan": {
            "met": len(found.rows) - found.unmet,
            "unmet": found.unmet,
            "dryings": len(found.dryings),
            "hand_offs": len(found.handoffs),
            **fields(found, "made at_most exact changes heat_s search"),
        },
        **fields(found, "verdict notes cautions"),
    }


def row_dict(row: JobRow) -> dict[str, Any]:
    """Return one entry of ``jobs``."""
    times = "moving_s extruding_s waiting_s open_air_s"
    return {
        **fields(row, "number path sha256 printer"),
        "start": when(row.start_s),
        "end": when(row.end_s),
        "earliest": when(row.earliest_s),
        "due": when(row.due_s),
        **fields(row, "priority in_time met held progress"),
        "time": None if row.open_air_s is None else fields(row, times),
        "tools": [tool_dict(tool) for tool in row.tools],
        **fields(row, "verdict because why bottleneck instead error"),
        "cautions": [*row.machine_cautions, *row.cautions, *row.file_cautions],
    }


def tool_dict(tool: ToolRow) -> dict[str, Any]:
    """Return one entry of a job's ``tools``."""
    exposure = None
    if tool.source is not None:
        margin = None if tool.safe_s is None else tool.safe_s - tool.needed_s
        exposure = {**fields(tool, "safe_s needed_s"), "margin_s": json_value(margin)}
        exposure |= fields(tool, "source air")
    return {
        **fields(tool, TOOL),
        "exposure": exposure,
        **fields(tool, "start_wt_pct worst_wt_pct"),
        "verdict": fields(tool, VERDICT),
    }


def drying_dict(drying: DryingRow) -> dict[str, Any]:
    """Return one entry of ``dryings``."""
    contents = "next_fed_before_wt_pct=before_wt_pct next_fed_after_wt_pct=after_wt_pct"
    return {
        **fields(drying, "spool material dryer"),
        "in": utc(drying.in_s),
        "out": utc(drying.out_s),
        "seconds": drying.out_s - drying.in_s,
        **fields(drying, f"temperature_C knob_C limit=binding reached {contents} for_job=for_number"),
        **fields(drying, "progress"),
        "without": fields(drying, "verdict=undried because"),
        "cautions": list(drying.cautions),
    }


def handoff_dict(each: HandOff) -> dict[str, Any]:
    """Return one entry of ``to_do``."""
    return {
        "at": utc(each.at_s),
        **fields(each, "action where for_job=number"),
        "spools": list(each.spools),
        "mounted": list(each.mounted),
        "mounted_again": list(each.again),
        "reels_off": [{"spool": spool, "to": place} for spool, place in each.off],
        "out_of_dryer": list(each.straight),
        "fed_from": [{"spool": spool, "box": box, "put_in": spool in each.into} for spool, box in each.boxed],
        **fields(each, "parts_off=cleared temperature_C knob_C"),
        "until": when(each.until_s),
    }


def to_json(found: QueueFindings) -> str:
    """Return the queue as one JSON text, a job or drying a line; NaN never appears in it."""
    parts = []
    for name, value in as_dict(found).items():
        if name in ("jobs", "dryings", "to_do") and value:
            lines = ",\n".join(f"  {_compact(each)}" for each in value)
            parts.append(f" {_compact(name)}: [\n{lines}\n ]")
        else:
            parts.append(f" {_compact(name)}: {_compact(value)}")
    return "{\n" + ",\n".join(parts) + "\n}"


def _compact(value: Any) -> str:
    return without_halves(json.dumps(value, allow_nan=False, ensure_ascii=False))
