"""Limits from one's own prints as the JSON object of ``docs/limits.schema.json``: exact numbers, UTC times."""

from dataclasses import asdict
from typing import Any, Final

from gcodetool.limits.findings import LimitsFindings
from gcodetool.report.json_values import fields, rows, utc

SCHEMA: Final = "gcodetool/limits/1"


def limits_dict(found: LimitsFindings) -> dict[str, Any]:
    """Return the findings as plain dicts and lists."""
    return {
        "schema": SCHEMA,
        **fields(found, "material line"),
        "stated": {"good_wt_pct": found.stated[0], "marginal_wt_pct": found.stated[1]},
        "learned": {
            "good_wt_pct": _band(found.learned.good),
            "marginal_wt_pct": _band(found.learned.marginal),
        },
        "to_adopt": {
            "good_wt_pct": _band(found.to_adopt.good),
            "marginal_wt_pct": _band(found.to_adopt.marginal),
            **fields(found.to_adopt, "bound_wt_pct held_back"),
        },
        "adopted": None if found.adopted is None else asdict(found.adopted),
        "records": [
            {
                "spool": one.evidence.spool,
                "line": one.evidence.line,
                "at": utc(one.evidence.at_s),
                "said": dict(one.evidence.said),
                "wt_pct": one.wt_pct,
                "moved": {"good_wt_pct": one.good, "marginal_wt_pct": one.marginal},
                "contradicted": place in found.contradicted,
            }
            for place, one in enumerate(found.records)
        ],
        "next": rows(found.tries, "spool p10 p50 p90 narrower"),
        **fields(found, "best_wt_pct"),
    }


def _band(of: Any) -> dict[str, float]:
    return fields(of, "p10 p50 p90")
