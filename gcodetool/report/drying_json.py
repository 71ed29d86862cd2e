"""Drying plans, statuses and fits as the JSON objects of ``docs/drying.schema.json``: exact numbers, UTC times."""

from collections.abc import Sequence
from typing import Any, Final

from gcodetool.drying import instructions, status_words
from gcodetool.drying.energy import DryerMonth
from gcodetool.drying.fit import Fit, Run
from gcodetool.drying.plan import DryingPlan
from gcodetool.drying.status import DryingStatus, OnScale
from gcodetool.drying.together import DryerChoice, DryingTogether
from gcodetool.drying.too_hot import too_hot_now
from gcodetool.moisture.record import Spool
from gcodetool.report.json_values import fields, json_value, rows, utc, when

PLAN: Final = "gcodetool/drying-plan/1"
TOGETHER: Final = "gcodetool/drying-together/1"
CHOICES: Final = "gcodetool/drying-choices/1"
FIT: Final = "gcodetool/drying-fit/2"
STATUS: Final = "gcodetool/drying-status/1"
STATUSES: Final = "gcodetool/drying-statuses/1"
LIST: Final = "gcodetool/drying-list/1"
REACH: Final = "goal limit_wt_pct outcome seconds p50_s p90_s share"
COURSE: Final = "at_s wettest_wt_pct needed_mean_wt_pct=middle_wt_pct mean_wt_pct=whole_wt_pct"
INSTEAD: Final = "kind what temperature_C goal outcome p50_s p90_s floor_wt_pct"
ENERGY: Final = "power_W source=said kWh kWh_p90 tariff_per_kWh cost cost_p90"
JOB: Final = "name length_mm short_mm open_air_s air=words clear_s adjust_s box_now_rh_pct boxed_s box_dried_rh_pct dried_s"
DRYER: Final = "mean_C swing_C highest_C settled_s rise_K_min knob_C set_offset_C"
RUN: Final = "tells because dry_limit_g lost_g left_g half_time_s"
ANSWER: Final = (
    "word because take_out goal goal_wt_pct wettest_wt_pct mean_wt_pct floor_wt_pct "
    "share can_share to_go_s sure_s"
)


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
    device, point, weigh = plan.device, plan.set_point, plan.weighing
    closed = device.around.closed
    return {
        "schema": PLAN,
        "do": instructions.instruction(plan),
        **fields(plan, "spool material"),
        "as_of": utc(plan.as_of_s),
        **fields(plan, "place confidence members remaining_mm needed_mm upwards"),
        "dryer": {
            **fields(device, "name profile"),
            "room": device.room.name,
            "room_temperature_C": device.room_C,
            "room_rh_pct": device.room.rh_pct,
            "dew_point_C": device.dew_point_C,
            "closed": closed,
            "exchange_m3_h": device.around.exchange_m3_s * 3600.0 if closed else None,
            **fields(device, "set_offset_C swing_C"),
        },
        **fields(point, "possible temperature_C knob_C"),
        "rh_pct": plan.rh_pct if point.possible else None,
        "binding": fields(point.binding, "limit_C whose"),
        "limits": rows(point.bounds, "limit_C whose"),
        "now": fields(plan, "wettest_wt_pct mean_wt_pct=middle_wt_pct"),
        "floor_wt_pct": json_value(plan.floor_wt_pct) if point.possible else None,
        "reaches": rows(plan.reaches, REACH) if point.possible else [],
        **fields(plan, "looked_at_s=cap_s advised_s warm_s spread_wt_pct"),
        "energy": plan.energy and fields(plan.energy, ENERGY),
        "weigh": weigh
        and {"looks": rows(weigh.looks, "at_s loss_g"), **fields(weigh, "still_g_h scale_g body_g")},
        "course": rows(plan.looks, COURSE),
        "instead": rows(plan.alternatives, INSTEAD),
        "job": plan.job and fields(plan.job, JOB),
        "status": None if plan.status is None else status_dict(plan.status),
        "cautions": list(instructions.cautions(plan, spool)),
        "notes": json_value(plan.notes),
    }


def status_dict(said: DryingStatus) -> dict[str, Any]:
    """Return the status of one spool in a dryer."""
    return {
        "schema": STATUS,
        "do": status_words.headline(said),
        **fields(said, "spool material"),
        "as_of": utc(said.as_of_s),
        **fields(said, "members dryer temperature_C room inside"),
        "since": when(said.since_s),
        **fields(said, ANSWER),
        "marginal": said.marginal and fields(said.marginal, REACH),
        "by_then": on_scale(said.by_then),
        "next_hour": on_scale(said.next_hour),
        **fields(said, "next_hour_wt_pct"),
        "weigh_next": on_scale(said.weigh_next),
        **fields(said, "end_g"),
        "energy": said.energy and fields(said.energy, ENERGY),
        "too_hot": None if said.too_hot is None else too_hot_now(said.too_hot),
        "job": said.job and said.job.name,
    }


def on_scale(look: OnScale | None) -> dict[str, Any] | None:
    """Return what a scale shows at a moment."""
    return None if look is None else fields(look, "at_s loss_g gross_g")


def statuses_dict(found: Sequence[DryingStatus]) -> dict[str, Any]:
    """Return the statuses of one spool, or of all in a dryer."""
    return {"schema": STATUSES, "spools": [status_dict(one) for one in found]}


def list_dict(inside: Sequence[DryingStatus], months: Sequence[DryerMonth]) -> dict[str, Any]:
    """Return what is in the dryers, and what they used month by month."""
    return {
        "schema": LIST,
        "spools": [status_dict(one) for one in inside],
        "months": [
            {
                **fields(one, "month dryer spools"),
                "hours": one.seconds / 3600.0,
                "energy": one.energy and fields(one.energy, ENERGY),
            }
            for one in months
        ],
    }


def fit_dict(fit: Fit) -> dict[str, Any]:
    """Return a fit as plain dicts and lists."""
    return {
        "schema": FIT,
        **fields(fit, "do spool material place"),
        "status": None if fit.status is None else status_dict(fit.status),
        "run": None if fit.run is None else run_dict(fit.run),
        "dryer": fit.thermostat and fields(fit.thermostat, DRYER),
        **fields(fit, "cautions notes"),
    }


def run_dict(run: Run) -> dict[str, Any]:
    """Return what the weigh-ins say."""
    return {
        "began": utc(run.began_s),
        "last": utc(run.last_s),
        "now": utc(run.now_s),
        "readings": rows(run.readings, "at_s gross_g resolution_g"),
        **fields(run, RUN),
        "curve": [{"at_s": at, "gross_g": json_value(grams)} for at, grams in run.curve],
    }
