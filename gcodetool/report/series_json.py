"""Plans and reports of test series as JSON: ``docs/series.schema.json`` says what it holds."""

import json
from typing import Any, Final

from gcodetool.moisture.history import Quantiles
from gcodetool.series import wording
from gcodetool.series.findings import QuantityFound, SeriesFindings
from gcodetool.series.plan import PlannedStep, SeriesOutlook
from gcodetool.series.record import SeriesRecord

SCHEMA: Final = "gcodetool/series/1"


def _band(found: Quantiles | None) -> dict[str, float | None] | None:
    return (
        None
        if found is None
        else {name: wording.finite(getattr(found, name)) for name in ("p10", "p50", "p90")}
    )


def report_json(found: SeriesFindings) -> str:
    """Return a report."""
    plan = found.plan
    said = {
        "schema": SCHEMA,
        "kind": "report",
        "id": plan.id,
        "question": plan.question,
        "as_of_s": found.as_of_s,
        "reference": plan.reference,
        "confidence": plan.confidence,
        "smallest_difference_pct": 100 * plan.smallest,
        "doubts": [{"kind": doubt.kind, "text": doubt.text} for doubt in found.doubts],
        "states": [
            {
                "state": state.name,
                "prints": state.prints,
                "specimens": max(
                    (
                        one.specimens
                        for each in found.quantities
                        for one in each.states
                        if one.state == state.name
                    ),
                    default=0,
                ),
                "water_wt_pct": _band(state.wt_pct),
                "planned_wt_pct": _band(state.planned_wt_pct),
                "reached": state.reached,
            }
            for state in found.states
        ],
        "quantities": [_quantity(one, found) for one in found.quantities],
    }
    return json.dumps(said, indent=1, allow_nan=False)


def _quantity(one: QuantityFound, found: SeriesFindings) -> dict[str, Any]:
    quantity = one.quantity
    return {
        "quantity": quantity.name,
        "unit": quantity.unit,
        "scale": None if quantity.scale is None else list(quantity.scale),
        "better": quantity.better,
        "states": [
            {
                "state": each.state,
                "n": each.prints,
                "specimens": each.specimens,
                "mean": each.mean,
                "spread": each.spread,
                "interval": None if each.interval is None else list(each.interval),
            }
            for each in one.states
        ],
        "against_reference": [
            {
                "state": each.state,
                "ratio": each.ratio,
                "interval": None if each.interval is None else list(each.interval),
                "difference": each.difference,
                "p": each.p,
                "p_adjusted": each.p_adjusted,
                "p_alike": each.p_alike,
                "reading": each.reading,
                "words": wording.against_words(each, quantity, found.plan),
            }
            for each in one.against
        ],
        "prints": [
            {
                "state": each.state,
                "print": each.print,
                "values": list(each.values),
                "mean": each.mean,
                "water_wt_pct": _band(each.wt_pct),
            }
            for each in one.prints
        ],
        "trend": None
        if one.trend is None
        else {
            "from_wt_pct": one.trend.driest_wt_pct,
            "to_wt_pct": one.trend.wettest_wt_pct,
            "per_wt_pct": one.trend.per_wt_pct,
            "change": one.trend.change,
            "interval": list(one.trend.interval),
            "p_adjusted": one.trend.p_adjusted,
            "shown": one.trend.shown,
            "matters_wt_pct": None if one.trend.matters is None else list(one.trend.matters),
            "fit": [list(point) for point in one.trend.fit],
        },
    }


def plan_json(found: SeriesOutlook) -> str:
    """Return a plan."""
    plan, demand = found.plan, found.demand
    said = {
        "schema": SCHEMA,
        "kind": "plan",
        "id": plan.id,
        "question": plan.question,
        "as_of_s": found.at_s,
        "material": found.material,
        "reference": plan.reference,
        "strand": {
            "job_mm": demand.job_mm,
            "purge_mm": demand.purge_mm,
            "path_mm": demand.path_mm,
            "needed_mm": found.strand_mm,
            "left_mm": found.left_mm,
        },
        "doubts": [{"kind": doubt.kind, "text": doubt.text} for doubt in found.doubts],
        "states": [
            {
                "state": state.name,
                "sample_g": state.sample_g,
                "sample_mm": state.sample_mm,
                "takes_s": state.total_s,
                "keeps_s": state.keeps_s,
                "water_wt_pct": _band(state.content_wt_pct),
                "target_wt_pct": _band(state.target_wt_pct),
                "steps": [_step(step) for step in state.steps],
            }
            for state in found.states
        ],
        "quantities": [
            {
                "quantity": one.quantity.name,
                "spread_pct": None if one.spread is None else 100 * one.spread,
                "spread_source": one.source,
                "prints_needed": one.needed,
                "smallest_difference_pct": None if one.smallest is None else 100 * one.smallest,
            }
            for one in found.powers
        ],
        "seed": found.seed,
        "order": [{"state": turn.state, "print": turn.print, "block": turn.block} for turn in found.order],
        "calendar": [
            {
                "at_s": found.at_s + entry.at_s,
                "what": entry.kind,
                "state": entry.state,
                "place": entry.place,
                "print": entry.print,
            }
            for entry in found.calendar
        ],
    }
    return json.dumps(said, indent=1, allow_nan=False)


def _step(step: PlannedStep) -> dict[str, Any]:
    return {
        "what": step.kind,
        "place": step.place,
        "temperature_C": step.temperature_C,
        "takes_s": _band(step.takes_s),
        "wound_takes_s": step.wound_s,
        "reaches": step.reaches,
        "even_s": step.even_s,
        "before_wt_pct": _band(step.before_wt_pct),
        "after_wt_pct": _band(step.after_wt_pct),
        "change_g": _band(step.scale.change_g),
        "scale_g": step.scale.scale_g,
        "care": step.care,
    }


def record_json(found: SeriesRecord) -> str:
    """Return a series as it stands: order, prints and values."""
    counted = {id(value) for value in found.counted}
    said = {
        "schema": SCHEMA,
        "kind": "record",
        "id": found.plan.id,
        "question": found.plan.question,
        "started_s": found.started_s,
        "seed": found.seed,
        "order": [{"state": turn.state, "print": turn.print, "block": turn.block} for turn in found.order],
        "prints": [
            {
                "state": one.state,
                "print": one.print,
                "at_s": one.at_s,
                "spool": one.spool,
                "sha256": one.sha256,
                "same_file": one.sha256 == found.sha256,
                "water_wt_pct": _band(one.wt_pct),
            }
            for one in found.prints
        ],
        "values": [
            {
                "state": value.state,
                "print": value.print,
                "specimen": value.specimen,
                "quantity": value.quantity,
                "value": value.value,
                "entry": value.number or None,
                "counts": id(value) in counted,
            }
            for value in found.values
        ],
    }
    return json.dumps(said, indent=1, allow_nan=False)
