"""A queue to the JSON object of ``docs/queue.schema.json``: exact numbers, UTC times."""

import json
from collections.abc import Iterable, Sequence
from typing import Any, Final

from gcodetool.queue.findings import DryingRow, HandOff, JobRow, QueueFindings, ToolRow, WaitRow
from gcodetool.queue.plan_names import DRYING, JOB, TOOL, WAIT, PlanName
from gcodetool.report.json_values import fields, json_value, utc, when
from gcodetool.report.layout import without_halves

SCHEMA: Final = "gcodetool/queue/1"
ENCODED: Final = json.JSONEncoder(allow_nan=False, ensure_ascii=False)


def as_dict(found: QueueFindings) -> dict[str, Any]:
    """Return the queue as plain dicts and lists."""
    return {
        "schema": SCHEMA,
        "as_of": utc(found.as_of_s),
        "begun": when(found.begun_s),
        **fields(found, "confidence members complete"),
        "jobs": [row_dict(row) for row in found.rows],
        "dryings": [drying_dict(drying) for drying in found.dryings],
        "waits": [wait_dict(wait) for wait in found.waits],
        "made_room": [{"spool": spool, "at": utc(at_s)} for spool, at_s in found.made_room],
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
    return _written(row, JOB, () if row.open_air_s is not None else ("time",)) | {
        "tools": [tool_dict(tool) for tool in row.tools]
    }


def tool_dict(tool: ToolRow) -> dict[str, Any]:
    """Return one entry of a job's ``tools``."""
    return _written(tool, TOOL, () if tool.source is not None else ("exposure",))


def drying_dict(drying: DryingRow) -> dict[str, Any]:
    """Return one entry of ``dryings``."""
    return _written(drying, DRYING)


def wait_dict(wait: WaitRow) -> dict[str, Any]:
    """Return one entry of ``waits``."""
    return _written(wait, WAIT)


def _written(
    of: JobRow | ToolRow | DryingRow | WaitRow, names: Iterable[PlanName], unknown: Sequence[str] = ()
) -> dict[str, Any]:
    """Return an object with those names; the inner ones that are *unknown* are null."""
    found: dict[str, Any] = {}
    for name in names:
        if name.inner in unknown:
            found[name.inner] = None
            continue
        value = getattr(of, name.field)
        value = when(value) if name.kind == "moment" else json_value(value)
        (found.setdefault(name.inner, {}) if name.inner else found)[name.name] = value
    return found


def handoff_dict(each: HandOff) -> dict[str, Any]:
    """Return one entry of ``to_do``."""
    return {
        "at": utc(each.at_s),
        **fields(each, "action where for_job=number"),
        "spools": list(each.spools),
        "mounted": list(each.mounted),
        "mounted_again": list(each.again),
        "fetched": [{"spool": spool, "from": place} for spool, place in each.fetched],
        "reels_off": [{"spool": spool, "to": place} for spool, place in each.off],
        "out_of_dryer": list(each.straight),
        "fed_from": [{"spool": spool, "box": box, "put_in": spool in each.into} for spool, box in each.boxed],
        **fields(each, "parts_off=cleared temperature_C knob_C"),
        "until": when(each.until_s),
        "stands_there": each.stands,
        "waits": each.waits,
    }


def to_json(found: QueueFindings) -> str:
    """Return the queue as one JSON text, a job or drying a line; NaN never appears in it."""
    parts = []
    for name, value in as_dict(found).items():
        if name in ("jobs", "dryings", "waits", "to_do") and value:
            lines = ",\n".join(f"  {_compact(each)}" for each in value)
            parts.append(f" {_compact(name)}: [\n{lines}\n ]")
        else:
            parts.append(f" {_compact(name)}: {_compact(value)}")
    return "{\n" + ",\n".join(parts) + "\n}"


def _compact(value: Any) -> str:
    return without_halves(ENCODED.encode(value))
