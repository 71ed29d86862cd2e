"""What storage needs, as the JSON objects of ``docs/storage.schema.json``."""

from typing import TYPE_CHECKING, Any

from gcodetool.report.json_values import fields, utc

if TYPE_CHECKING:
    from gcodetool.profiles import Desiccant
    from gcodetool.storage.findings import FittedPlace, Priced, SizedPlace
    from gcodetool.storage.size import Sized

SCHEMA = "gcodetool/storage/1"


def fit_dict(found: "FittedPlace") -> dict[str, Any]:
    """Return what a box's log says."""
    fit = found.fit
    return {
        "schema": SCHEMA,
        "place": found.name,
        "room": found.room,
        "from": utc(fit.begin_s),
        "to": utc(fit.end_s),
        **fields(fit, "used_s exchange_per_day exchange_m3_h tight"),
        "openings": [utc(at_s) for at_s in fit.openings_s],
        **fields(fit, "openings_per_week"),
        "desiccant": None if found.agent is None else found.agent.name,
        **fields(found, "desiccant_g"),
        **fields(fit, "held_g left_g lasts_days shown_rh_pct"),
        "doubtful": [
            {"from": utc(each.begin_s), "to": utc(each.end_s), "why": each.why} for each in fit.doubtful
        ],
        "spools": list(found.spools),
        "kept": found.entry is not None,
        "regeneration": None if found.agent is None else regeneration_dict(found.agent),
    }


def size_dict(found: "SizedPlace") -> dict[str, Any]:
    """Return what a box needs."""
    return {
        "schema": SCHEMA,
        "place": found.name,
        "room": found.room,
        "at": utc(found.at_s),
        "until": utc(found.until_s),
        **fields(found, "openings_per_week exchange_per_day"),
        "dry_first": list(found.dry_first),
        "spools": [
            fields(each, "spool mean_wt_pct limit_wt_pct water_g good_share dry_first")
            for each in found.brought
        ],
        "charges": [_charge(each) for each in found.charges],
        "if_dried": None if found.if_dried is None else _sized(found.if_dried),
        "notes": list(found.notes),
    }


def _charge(each: "Priced") -> dict[str, Any]:
    return {**_sized(each.sized), "cost": each.cost, "regeneration": regeneration_dict(each.sized.agent)}


def _sized(sized: "Sized") -> dict[str, Any]:
    shown = sized.rh_pct
    return {
        "desiccant": sized.agent.name,
        **fields(sized, "grams"),
        "rh_pct": None if shown is None else dict(zip(("p10", "p50", "p90"), shown, strict=True)),
        **fields(sized, "renew_s best_share"),
    }


def regeneration_dict(agent: "Desiccant") -> dict[str, Any]:
    """Return how a desiccant is dried again."""
    return {
        **fields(agent, "regenerate_C regenerate_hours comes_back_pct"),
        "indicators": [fields(each, "dye dry damp change_rh_pct max_C caution") for each in agent.indicators],
        **fields(agent, "cautions uncertain confidence"),
    }
