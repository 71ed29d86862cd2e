"""Findings to the JSON object of ``docs/report.schema.json``: exact numbers, UTC times."""

import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from gcodetool.judge.findings import FeedNeed, JobFindings, ToolFindings
from gcodetool.report.json_values import fields, json_value, rows, utc, when
from gcodetool.report.layout import without_halves

if TYPE_CHECKING:
    from gcodetool.judge.shelf_findings import SpoolFindings

SCHEMA: Final = "gcodetool/report/1"
JOB: Final = "path sha256 bytes lines dialect family layers dialect_reason dialect_sure unknown_commands"
EXPOSURE: Final = "safe_s needed_s margin_s source air"
FORECAST: Final = (
    "limit_good_wt_pct limit_marginal_wt_pct limits_source start_wt_pct worst_wt_pct "
    "worst_of_good worst_of_marginal"
)
VERDICT: Final = "code share outcomes because from_layer"
FEED: Final = "place rh_pct verdict rh_max_pct"
BOX: Final = "place rh_pct verdict enough"
TWEAK: Final = "setting from=before to=after unit because effect cost confidence apply applied"


def as_dict(found: JobFindings) -> dict[str, Any]:
    """Return the report as plain dicts and lists, in the contract's order."""
    return {
        "schema": SCHEMA,
        "job": fields(found, JOB),
        "time": {
            **fields(found, "moving_s extruding_s waiting_s open_air_s slicer_claim_s"),
            "moving_s_range": _low_high(found.moving_s_range),
            "change_s_range": _low_high(found.change_s_range),
            "claim_difference": None
            if found.claim_difference is None
            else [{"kind": kind, "seconds": seconds} for kind, seconds in found.claim_difference],
            "rules": found.rules,
            "limits": rows(found.limits, "name value source"),
            "waits": rows(found.waits, "line kind seconds assumed text"),
        },
        "tools": [tool_dict(tool) for tool in found.tools],
        "feed": feed_dict(found.feed),
        **fields(found, "verdict cautions"),
    }


def _low_high(bounds: tuple[float, float] | None) -> dict[str, float] | None:
    return bounds and dict(zip(("low", "high"), bounds, strict=True))


def tool_dict(tool: ToolFindings) -> dict[str, Any]:
    """Return one entry of ``tools``."""
    state, forecast = tool.state, tool.forecast
    return {
        **fields(tool, "tool spool material filament_mm mass_g extruding_s nozzle_C melt_s"),
        "state": state
        and {
            "as_of": utc(state.as_of_s),
            **fields(state, "next_fed_wt_pct mean_wt_pct path_wt_pct remaining_mm place assumed"),
        },
        "exposure": tool.exposure and fields(tool.exposure, EXPOSURE),
        "forecast": forecast
        and {
            **fields(forecast, FORECAST),
            "layers": rows(forecast.layers, "layer z_mm start_s filament_mm wt_pct"),
        },
        "verdict": fields(tool.verdict, VERDICT) | {"start_by": when(tool.verdict.start_by_s)},
        "tweaks": rows(tool.tweaks, TWEAK),
        **fields(tool, "advice sharpen"),
        "feed": feed_dict(tool.feed),
    }


def feed_dict(need: FeedNeed | None) -> dict[str, Any] | None:
    """Return how dry a feed must be."""
    return None if need is None else {**fields(need, FEED), "boxes": rows(need.boxes, BOX)}


def to_json(found: JobFindings) -> str:
    """Return the report as one JSON text; NaN never appears in it."""
    text = json.dumps(as_dict(found), indent=1, allow_nan=False, ensure_ascii=False)
    return without_halves(text)


def spool_dict(seen: "SpoolFindings") -> dict[str, Any]:
    """Return what ``spool show --json`` prints."""
    return {
        **fields(seen.state, "mean_wt_pct next_fed_wt_pct"),
        "by_depth": [
            {"depth_mm": depth, "wt_pct": json_value(content), **fields(band, "p10 p90")}
            for (depth, content), band in zip(seen.by_depth, seen.bands, strict=True)
        ],
        "strand": [{"radius_mm": radius, "wt_pct": content} for radius, content in seen.strand],
        **fields(seen, "safe_exposure_s safe_exposure_source=safe_source keeps_s"),
        "remaining_mm": seen.state.remaining_mm,
        "sharpen": {
            "advice": seen.sharpen,
            "records": [{"what": what, "share": share} for what, share in seen.gains],
        },
        **fields(seen, "word whole_word"),
        "drying": None if seen.drying is None else asdict(seen.drying),
        **fields(seen, "advice limit_good_wt_pct limit_marginal_wt_pct limits_source"),
        "place": seen.state.place,
        "air": seen.room,
        "assumed": json_value(seen.state.assumed),
    }
