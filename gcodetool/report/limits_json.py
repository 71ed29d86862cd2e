"""Limits from one's own prints as the JSON object of ``docs/limits.schema.json``: exact numbers, UTC times."""

import itertools
import json
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any, Final

from gcodetool.limits.findings import LimitsFindings
from gcodetool.limits.influence import Moved
from gcodetool.report.json_values import fields, rows, utc

SCHEMA: Final = "gcodetool/limits/1"
AT_A_TIME: Final = 256  # records


def limits_json(found: LimitsFindings) -> Iterator[str]:
    """Yield the object's text in parts, records as they come: there may be very many, so it is not indented either."""
    yield _text(_before_records(found))[:-1] + ', "records": ['
    records = (_record(one, place in found.contradicted) for place, one in enumerate(found.records))
    between = ""
    while some := list(itertools.islice(records, AT_A_TIME)):
        yield between + _text(some)[1:-1]
        between = ", "
    yield "], " + _text(_after_records(found))[1:]


def _text(of: Any) -> str:
    return json.dumps(of, allow_nan=False)


def _before_records(found: LimitsFindings) -> dict[str, Any]:
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
    }


def _record(one: Moved, contradicted: bool) -> dict[str, Any]:
    return {
        "spool": one.evidence.spool,
        "line": one.evidence.line,
        "at": utc(one.evidence.at_s),
        "said": dict(one.evidence.said),
        "wt_pct": one.wt_pct,
        "moved": {"good_wt_pct": one.good, "marginal_wt_pct": one.marginal},
        "contradicted": contradicted,
    }


def _after_records(found: LimitsFindings) -> dict[str, Any]:
    return {"next": rows(found.tries, "spool p10 p50 p90 narrower"), **fields(found, "best_wt_pct")}


def _band(of: Any) -> dict[str, float]:
    return fields(of, "p10 p50 p90")
