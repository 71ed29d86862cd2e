"""Findings to the JSON object of ``docs/report.schema.json``: exact numbers, UTC times."""

import json
import math
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

from gcodetool.judge.findings import Band, Exposure, JobFindings, ToolFindings

if TYPE_CHECKING:
    from gcodetool.judge.shelf_findings import SpoolFindings

SCHEMA: Final = "gcodetool/report/1"


def as_dict(found: JobFindings) -> dict[str, Any]:
    """Return the report as plain dicts and lists, in the contract's order."""
    return {
        "schema": SCHEMA,
        "job": {
            "path": found.path,
            "sha256": found.sha256,
            "bytes": found.bytes,
            "lines": found.lines,
            "dialect": found.dialect,
            "family": found.family,
            "layers": found.layers,
            "dialect_reason": found.dialect_reason,
            "dialect_sure": found.dialect_sure,
            "unknown_commands": dict(found.unknown_commands),
        },
        "time": {
            "moving_s": found.moving_s,
            "extruding_s": found.extruding_s,
            "waiting_s": found.waiting_s,
            "open_air_s": found.open_air_s,
            "slicer_claim_s": found.slicer_claim_s,
            "moving_s_range": found.moving_s_range
            and dict(zip(("low", "high"), found.moving_s_range, strict=True)),
            "change_s_range": found.change_s_range
            and dict(zip(("low", "high"), found.change_s_range, strict=True)),
            "claim_difference": None
            if found.claim_difference is None
            else [{"kind": kind, "seconds": seconds} for kind, seconds in found.claim_difference],
            "rules": found.rules,
            "limits": [
                {"name": limit.name, "value": known(limit.value), "source": limit.source}
                for limit in found.limits
            ],
            "waits": [
                {
                    "line": wait.line,
                    "kind": wait.kind,
                    "seconds": wait.seconds,
                    "assumed": wait.assumed,
                    "text": wait.text,
                }
                for wait in found.waits
            ],
        },
        "tools": [tool_dict(tool) for tool in found.tools],
        "verdict": found.verdict,
        "cautions": list(found.cautions),
    }


def tool_dict(tool: ToolFindings) -> dict[str, Any]:
    """Return one entry of ``tools``."""
    state, exposure, forecast = tool.state, tool.exposure, tool.forecast
    return {
        "tool": tool.tool,
        "spool": tool.spool,
        "material": tool.material,
        "filament_mm": tool.filament_mm,
        "mass_g": tool.mass_g,
        "extruding_s": tool.extruding_s,
        "state": state
        and {
            "as_of": utc(state.as_of_s),
            "next_fed_wt_pct": band(state.next_fed_wt_pct),
            "mean_wt_pct": band(state.mean_wt_pct),
            "path_wt_pct": band(state.path_wt_pct),
            "remaining_mm": state.remaining_mm,
            "place": state.place,
            "assumed": list(map(str, state.assumed)),
        },
        "exposure": exposure and exposure_dict(exposure),
        "forecast": forecast
        and {
            "limit_good_wt_pct": forecast.limit_good_wt_pct,
            "limit_marginal_wt_pct": forecast.limit_marginal_wt_pct,
            "start_wt_pct": band(forecast.start_wt_pct),
            "worst_wt_pct": band(forecast.worst_wt_pct),
            "worst_of_good": known(forecast.worst_of_good),
            "worst_of_marginal": known(forecast.worst_of_marginal),
            "layers": [
                {
                    "layer": layer.layer,
                    "z_mm": layer.z_mm,
                    "start_s": layer.start_s,
                    "filament_mm": layer.filament_mm,
                    "wt_pct": band(layer.wt_pct),
                }
                for layer in forecast.layers
            ],
        },
        "verdict": {
            "code": tool.verdict.code,
            "share": tool.verdict.share,
            "outcomes": tool.verdict.outcomes,
            "because": tool.verdict.because,
            "from_layer": tool.verdict.from_layer,
            "start_by": None if tool.verdict.start_by_s is None else utc(tool.verdict.start_by_s),
        },
        "tweaks": [
            {
                "setting": tweak.setting,
                "from": tweak.before,
                "to": tweak.after,
                "unit": tweak.unit,
                "because": tweak.because,
                "effect": tweak.effect,
                "cost": tweak.cost,
                "confidence": tweak.confidence,
                "apply": tweak.apply,
                "applied": None if tweak.applied is None else str(tweak.applied),
            }
            for tweak in tool.tweaks
        ],
        "advice": list(tool.advice),
        "sharpen": tool.sharpen,
    }


def exposure_dict(exposure: Exposure) -> dict[str, Any]:
    """Return the open-air time of one tool."""
    return {
        "safe_s": exposure.safe_s,
        "needed_s": exposure.needed_s,
        "margin_s": exposure.margin_s,
        "source": exposure.source,
        "air": exposure.air,
    }


def band(content: Band | None) -> dict[str, float | None] | None:
    """Return quantiles as a dict; None where nothing is known."""
    if content is None:
        return None
    return {"p10": known(content.p10), "p50": known(content.p50), "p90": known(content.p90)}


def known(value: Any) -> Any:
    """Return a number as it is, and None for what JSON cannot say (NaN, infinity)."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def utc(at_s: float) -> str:
    """Return an ISO 8601 time in UTC.

    >>> utc(1793750400.0)
    '2026-11-04T00:00:00+00:00'
    """
    return datetime.fromtimestamp(at_s, UTC).isoformat()


def to_json(found: JobFindings) -> str:
    """Return the report as one JSON text; NaN never appears in it."""
    return json.dumps(as_dict(found), indent=1, allow_nan=False, ensure_ascii=False)


def spool_dict(seen: "SpoolFindings") -> dict[str, Any]:
    """Return what ``spool show --json`` prints."""
    return {
        "mean_wt_pct": band(seen.state.mean_wt_pct),
        "next_fed_wt_pct": band(seen.state.next_fed_wt_pct),
        "by_depth": [
            {"depth_mm": depth, "wt_pct": known(content), "p10": known(band.p10), "p90": known(band.p90)}
            for (depth, content), band in zip(seen.by_depth, seen.bands, strict=True)
        ],
        "strand": [{"radius_mm": radius, "wt_pct": content} for radius, content in seen.strand],
        "safe_exposure_s": seen.safe_exposure_s,
        "safe_exposure_source": seen.safe_source,
        "keeps_s": seen.keeps_s,
        "remaining_mm": seen.state.remaining_mm,
        "sharpen": {
            "advice": seen.sharpen,
            "records": [{"what": what, "share": share} for what, share in seen.gains],
        },
        "word": seen.word,
        "whole_word": seen.whole_word,
        "advice": list(seen.advice),
        "limit_good_wt_pct": seen.limit_good_wt_pct,
        "limit_marginal_wt_pct": seen.limit_marginal_wt_pct,
        "place": seen.state.place,
        "air": seen.room,
        "assumed": list(map(str, seen.state.assumed)),
    }
