"""Drying plans and fits as the JSON objects of ``docs/drying.schema.json``: exact numbers, UTC times."""

import math
from collections.abc import Sequence
from typing import Any, Final

from gcodetool.drying import instructions
from gcodetool.drying.fit import Fit, Run
from gcodetool.drying.plan import DryingPlan, Reach
from gcodetool.drying.together import DryerChoice, DryingTogether
from gcodetool.moisture.history import Quantiles
from gcodetool.moisture.record import Spool
from gcodetool.report.as_json import utc

PLAN: Final = "gcodetool/drying-plan/1"
TOGETHER: Final = "gcodetool/drying-together/1"
CHOICES: Final = "gcodetool/drying-choices/1"
FIT: Final = "gcodetool/drying-fit/1"


def together_dict(found: DryingTogether, spools: Sequence[Spool]) -> dict[str, Any]:
    """Return reels in one dryer as plain dicts and lists."""
    return {
        "schema": TOGETHER,
        "do": instructions.for_several(found),
        "dryer": found.device.name,
        "slots": found.device.slots,
        "inside": list(found.inside),
        "possible": found.set_point.possible,
        "temperature_C": found.set_point.temperature_C,
        "knob_C": found.set_point.knob_C,
        "binding": {"limit_C": found.set_point.binding.limit_C, "whose": found.set_point.binding.whose},
        "coolest": found.coolest,
        "advised_s": found.advised_s,
        "plans": [plan_dict(plan, spool) for plan, spool in zip(found.plans, spools, strict=True)],
        "notes": list(instructions.shared_notes(found)),
    }


def choices_dict(choices: Sequence[DryerChoice], spools: Sequence[Spool]) -> dict[str, Any]:
    """Return dryers side by side as plain dicts and lists, the quickest first."""
    return {
        "schema": CHOICES,
        "spools": [spool.id for spool in spools],
        "dryers": [
            {
                "name": each.name,
                "trouble": each.trouble,
                "found": None if each.found is None else together_dict(each.found, spools),
            }
            for each in choices
        ],
    }


def plan_dict(plan: DryingPlan, spool: Spool) -> dict[str, Any]:
    """Return a plan as plain dicts and lists."""
    device, point = plan.device, plan.set_point
    return {
        "schema": PLAN,
        "do": instructions.instruction(plan),
        "spool": plan.spool,
        "material": plan.material,
        "as_of": utc(plan.as_of_s),
        "place": plan.place,
        "confidence": plan.confidence,
        "members": plan.members,
        "remaining_mm": plan.remaining_mm,
        "needed_mm": plan.needed_mm,
        "upwards": plan.upwards,
        "dryer": {
            "name": device.name,
            "profile": device.profile,
            "room": device.room.name,
            "room_temperature_C": device.room_C,
            "room_rh_pct": device.room.rh_pct,
            "dew_point_C": device.dew_point_C,
            "closed": device.around.closed,
            "exchange_m3_h": device.around.exchange_m3_s * 3600.0 if device.around.closed else None,
            "set_offset_C": device.set_offset_C,
            "swing_C": device.swing_C,
        },
        "possible": point.possible,
        "temperature_C": point.temperature_C,
        "knob_C": point.knob_C,
        "rh_pct": plan.rh_pct if point.possible else None,
        "binding": {"limit_C": point.binding.limit_C, "whose": point.binding.whose},
        "limits": [{"limit_C": bound.limit_C, "whose": bound.whose} for bound in point.bounds],
        "now": {"wettest_wt_pct": band(plan.wettest_wt_pct), "mean_wt_pct": band(plan.middle_wt_pct)},
        "floor_wt_pct": band(plan.floor_wt_pct) if point.possible else None,
        "reaches": [reach(one) for one in plan.reaches] if point.possible else [],
        "looked_at_s": plan.cap_s,
        "advised_s": plan.advised_s,
        "warm_s": plan.warm_s,
        "spread_wt_pct": None if plan.spread_wt_pct is None else list(plan.spread_wt_pct),
        "energy": plan.energy
        and {
            "power_W": plan.energy.power_W,
            "source": plan.energy.said,
            "kWh": plan.energy.kWh,
            "kWh_p90": plan.energy.kWh_p90,
            "tariff_per_kWh": plan.energy.tariff_per_kWh,
            "cost": plan.energy.cost,
            "cost_p90": plan.energy.cost_p90,
        },
        "weigh": plan.weighing
        and {
            "looks": [{"at_s": one.at_s, "loss_g": band(one.loss_g)} for one in plan.weighing.looks],
            "still_g_h": plan.weighing.still_g_h,
            "scale_g": plan.weighing.scale_g,
            "body_g": plan.weighing.body_g,
        },
        "course": [
            {
                "at_s": look.at_s,
                "wettest_wt_pct": band(look.wettest_wt_pct),
                "needed_mean_wt_pct": band(look.middle_wt_pct),
                "mean_wt_pct": band(look.whole_wt_pct),
            }
            for look in plan.looks
        ],
        "instead": [
            {
                "kind": one.kind,
                "what": one.what,
                "temperature_C": one.temperature_C,
                "goal": one.goal,
                "outcome": one.outcome,
                "p50_s": one.p50_s,
                "p90_s": one.p90_s,
                "floor_wt_pct": band(one.floor_wt_pct),
            }
            for one in plan.alternatives
        ],
        "job": plan.job
        and {
            "name": plan.job.name,
            "length_mm": plan.job.length_mm,
            "short_mm": plan.job.short_mm,
            "open_air_s": plan.job.open_air_s,
            "air": plan.job.words,
            "clear_s": plan.job.clear_s,
            "adjust_s": plan.job.adjust_s,
            "box_now_rh_pct": plan.job.box_now_rh_pct,
            "boxed_s": plan.job.boxed_s,
            "box_dried_rh_pct": plan.job.box_dried_rh_pct,
            "dried_s": plan.job.dried_s,
        },
        "cautions": list(instructions.cautions(plan, spool)),
        "notes": list(map(str, plan.notes)),
    }


def band(quantiles: Quantiles) -> dict[str, float | None]:
    """Return quantiles as a dict; what has no number (a time that never comes) is null."""
    return {
        name: value if value is not None and math.isfinite(value) else None
        for name, value in zip(("p10", "p50", "p90"), quantiles, strict=True)
    }


def reach(one: Reach) -> dict[str, Any]:
    """Return one goal and when it is reached."""
    return {
        "goal": one.goal,
        "limit_wt_pct": one.limit_wt_pct,
        "outcome": one.outcome,
        "seconds": one.seconds,
        "p50_s": one.p50_s,
        "p90_s": one.p90_s,
        "share": one.share,
    }


def fit_dict(fit: Fit) -> dict[str, Any]:
    """Return a fit as plain dicts and lists."""
    return {
        "schema": FIT,
        "do": fit.do,
        "spool": fit.spool,
        "material": fit.material,
        "place": fit.place,
        "run": None if fit.run is None else run_dict(fit.run),
        "dryer": fit.thermostat
        and {
            "mean_C": fit.thermostat.mean_C,
            "swing_C": fit.thermostat.swing_C,
            "highest_C": fit.thermostat.highest_C,
            "settled_s": fit.thermostat.settled_s,
            "knob_C": fit.thermostat.knob_C,
            "set_offset_C": fit.thermostat.set_offset_C,
        },
        "cautions": list(fit.cautions),
        "notes": list(map(str, fit.notes)),
    }


def run_dict(run: Run) -> dict[str, Any]:
    """Return what the weigh-ins say."""
    return {
        "began": utc(run.began_s),
        "last": utc(run.last_s),
        "now": utc(run.now_s),
        "readings": [
            {"at_s": one.at_s, "gross_g": one.gross_g, "resolution_g": one.resolution_g}
            for one in run.readings
        ],
        "tells": run.tells,
        "because": run.because,
        "dry_limit_g": band(run.dry_limit_g),
        "lost_g": run.lost_g,
        "left_g": band(run.left_g),
        "next_hour_g": band(run.next_hour_g),
        "half_time_s": band(run.half_time_s),
        "mean_wt_pct": band(run.mean_wt_pct),
        "wettest_wt_pct": band(run.wettest_wt_pct),
        "floor_wt_pct": band(run.floor_wt_pct),
        "limit_good_wt_pct": run.limit_good_wt_pct,
        "worth_it": run.worth_it,
        "stop_s": run.stop_s,
        "curve": [{"at_s": at, "gross_g": band(grams)} for at, grams in run.curve],
    }
