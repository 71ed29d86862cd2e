"""What to do, in one line, and the cautions that belong to it."""

import math
from collections.abc import Iterator, Sequence
from typing import Final

from gcodetool.drying.alternatives import Alternative
from gcodetool.drying.goal import Reach
from gcodetool.drying.job import DRY_BOX_RH_PCT
from gcodetool.drying.plan import DryingPlan
from gcodetool.drying.status import CONFIDENCE, DryingStatus
from gcodetool.drying.status_words import headline
from gcodetool.drying.together import DryingTogether
from gcodetool.drying.words import HEAT, content, degrees, hours
from gcodetool.moisture.constants import HOUR_S
from gcodetool.moisture.record import Spool
from gcodetool.shell import shell_word

MEASURED_K: Final = 1.5  # better known than this, somebody measured
SAME_K: Final = 0.5  # two settings of a dryer that are one
WARM_C: Final = 30.0  # cooler than this is no heat
STYRENIC: Final = ("ABS", "ASA", "HIPS")
STYRENIC_REEL: Final = ("polystyrene", "abs")
SOON_S: Final = 24 * HOUR_S
HEAT_IN_SHORT: Final = (
    "put the spool in after the dryer has settled, never in an oven used for food, a microwave or a gas oven; "
    f"{HEAT}"
)
WHOLE_REEL: Final = (
    "these hours dry the whole reel; how long for this job alone: gcodetool drying plan {spool} --for JOB"
)
FREE_END: Final = (
    "leave a free end of strand standing out of the winding where you see it: if it sags or bends, it is too hot; turn "
    "the dryer down, and note it: gcodetool spool inspect {spool} --free-end sags"
)
FREE_END_IN_SHORT: Final = "a free end of strand left standing out of the winding says too hot when it sags"
STYRENE: Final = (
    "warm styrenics give off styrene: open a window, and be near enough to notice, not in its fumes"
)


def setting(plan: DryingPlan) -> str:
    """Return where and how hot: "at 62 °C in oven (set its knob to 64)"."""
    point = plan.set_point
    where = f"at {degrees(point.temperature_C)} in {plan.device.name}"
    if point.knob_C is None:
        return where
    if abs(point.knob_C - point.temperature_C) < 0.05:
        return f"{where} (knob at {point.knob_C:g})"
    return f"{where} (its knob at {point.knob_C:g}: it is {plan.device.set_offset_C:+g} K off)"


def best_alternative(plan: DryingPlan) -> Alternative | None:
    """Return what would do instead: the first that gets there within a day, else the quickest."""
    there = [one for one in plan.alternatives if one.p50_s is not None]
    soon = [one for one in there if one.p50_s is not None and one.p50_s <= SOON_S]
    if soon:
        return soon[0]
    return min(there, key=lambda one: one.p50_s or 0.0) if there else None


def with_alternative(plan: DryingPlan, why: str) -> str:
    """Return the line where a device does not do: what would, first, where anything does; then why."""
    one = best_alternative(plan)
    if one is None or one.p50_s is None:
        return why + ("; look further with --hours" if plan.first.outcome == "longer" else "")
    return f"{one.what}, for {hours(one.p50_s)}: {why}"


def instruction(plan: DryingPlan) -> str:
    """Return what to do now, in one line."""
    name = plan.spool
    if not plan.set_point.possible:
        return f"Do not put {name} into {plan.device.name}: {too_hot(plan)}"
    if plan.status is not None and (plan.job is None or plan.status.word == "done"):
        return inside(plan, plan.status)
    if plan.job is not None and not plan.upwards:
        return for_job(plan)
    first = plan.first
    if first.goal == "target":
        return to_target(plan, first)
    if first.outcome == "already":
        return (
            f"Nothing to dry: the wettest strand of {name} holds {content(plan.wettest_wt_pct.p50)}, "
            f"good is up to {content(first.limit_wt_pct)}"
        )
    if first.seconds is not None:
        return f"Dry {name} {hours(first.seconds)} {setting(plan)}{to_be_sure(plan, first)}"
    return out_of_reach(plan, first)


def inside(plan: DryingPlan, said: DryingStatus) -> str:
    """Return the line for a spool that is in this dryer already: what is said of it everywhere, then what to change."""
    first, line = plan.first, headline(said)
    if said.take_out and said.word != "cannot":
        return line
    hotter = plan.set_point.temperature_C >= said.temperature_C + SAME_K
    if hotter and first.seconds:  # none: half of the members are there by now
        return f"{line}; or {hours(first.seconds)} {setting(plan)}{to_be_sure(plan, first)}"
    elsewhere = said.word == "cannot" or said.can_share < CONFIDENCE
    return with_alternative(plan, line) if elsewhere else line


def too_hot(plan: DryingPlan) -> str:
    """Return why a device must not be used."""
    point, device = plan.set_point, plan.device
    if not device.adjustable:
        return f"it is at {degrees(point.temperature_C)}, and {point.binding.whose} ends at {degrees(point.binding.limit_C)}"
    swing = f" less its swing of {device.swing_C:g} K" if device.swing_C else ""
    return (
        f"{point.binding.whose} allows {degrees(point.binding.limit_C)}{swing}, "
        f"no warmer than its room ({degrees(device.room_C)})"
    )


def to_be_sure(plan: DryingPlan, reach: Reach) -> str:
    """Return how long it takes nine times in ten, where that is more."""
    if plan.members == 1 or plan.confidence >= 0.9:
        return ""
    if reach.p90_s is None:
        few = round(100 * (1 - reach.share))
        return f"; for {few} in 100 even {hours(plan.cap_s)} are not enough"
    if reach.seconds is not None and hours(reach.p90_s) != hours(reach.seconds):
        return f"; {hours(reach.p90_s)} for 9 in 10"
    return ""


def out_of_reach(plan: DryingPlan, first: Reach) -> str:
    """Return the line where good is out of reach."""
    point = plan.set_point
    if first.outcome == "never":
        why = (
            f"{plan.spool} never gets good in this air (at {degrees(point.temperature_C)} in {plan.device.name} it "
            f"ends at {content(plan.floor_wt_pct.p50)}, good is up to {content(first.limit_wt_pct)})"
        )
    else:
        why = f"{plan.spool} takes longer than {hours(plan.cap_s)} to get good {setting(plan)}"
    marginal = next((one for one in plan.reaches if one.goal == "marginal"), None)
    if marginal is not None and marginal.seconds is not None:
        when = (
            "is marginal already" if marginal.seconds == 0 else f"gets marginal in {hours(marginal.seconds)}"
        )
        why += f"; it {when}, to be printed with care"
    return with_alternative(plan, why)


def to_target(plan: DryingPlan, reach: Reach) -> str:
    """Return the line for a content of the user's own."""
    word = "mean" if plan.upwards else "wettest strand"
    goal = content(reach.limit_wt_pct)
    verb = "Leave" if plan.upwards or plan.set_point.temperature_C < WARM_C else "Dry"
    if reach.outcome == "already":
        return f"Nothing to do: the {word} of {plan.spool} is at {goal} already"
    if reach.seconds is not None:
        there = f"its {word} is then at {goal}"
        return f"{verb} {plan.spool} {hours(reach.seconds)} {setting(plan)}: {there}{to_be_sure(plan, reach)}"
    if reach.outcome == "never":
        ends = content(plan.floor_wt_pct.p50)
        return with_alternative(plan, f"{plan.spool} never gets to {goal} in this air, which ends at {ends}")
    return with_alternative(
        plan, f"{plan.spool} takes longer than {hours(plan.cap_s)} to get to {goal} {setting(plan)}"
    )


def for_job(plan: DryingPlan) -> str:
    """Return the line for a job: dry so long, or feed it from so dry a box."""
    need = plan.job
    assert need is not None
    box = ""
    if need.box_now_rh_pct is not None:
        box = f"feed it from a box of {rh(need.box_now_rh_pct)}"
    if need.clear_s == 0.0 and need.now.code != "clear":  # your own figure or an inspection says otherwise
        return (
            f"Do not print {need.name} yet: {need.now.because}; by the model {plan.spool} is dry enough for all of it: "
            "dry it again, or purge and look at the strand"
        )
    if need.clear_s == 0.0:
        return f"Print {need.name} now: {plan.spool} is dry enough for all of it as it is"
    if need.clear_s is not None:
        alternative = f"; or do not dry, but {box}" if box else ""
        return f"Dry {plan.spool} {hours(need.clear_s)} {setting(plan)}: enough for {need.name}{alternative}"
    if box:
        return (
            f"Do not dry, but {box}: in the air of {need.words} no drying keeps {need.name} clear to its end"
        )
    if need.boxed_s is not None:
        return (
            f"Dry {plan.spool} {hours(need.boxed_s)} {setting(plan)} and feed it from a box of "
            f"{rh(DRY_BOX_RH_PCT)}: in the air of {need.words} it does not stay clear to the end"
        )
    beyond = f"neither {hours(plan.cap_s)} in {plan.device.name} nor a dry box at the feed keeps it clear"
    if need.adjust_s == 0:
        return f"Print {need.name} with care as it is: marginal to its end; {beyond}"
    if need.adjust_s is not None:
        dry = f"Dry {plan.spool} {hours(need.adjust_s)} {setting(plan)}"
        return f"{dry} and print {need.name} with care: marginal to its end; {beyond}"
    return with_alternative(
        plan,
        f"{plan.device.name} does not get {plan.spool} dry enough for {need.name} within {hours(plan.cap_s)}",
    )


def rh(rh_pct: float) -> str:
    """Return a largest humidity, rounded down."""
    return "any humidity" if rh_pct >= 100 else f"{math.floor(rh_pct)} % RH or less"


def cautions(plan: DryingPlan, spool: Spool, beside: Sequence[Spool] = ()) -> Iterator[str]:
    """Yield what must be heeded, in the order in which it comes up; *beside*: other reels in the same dryer."""
    point, device = plan.set_point, plan.device
    if plan.job is not None and plan.job.short_mm > 0:
        yield (
            f"{plan.spool} has {plan.remaining_mm / 1000:.1f} m left, {plan.job.name} feeds "
            f"{plan.job.length_mm / 1000:.1f} m"
        )
    if plan.advised_s == 0.0:
        return
    if point.possible and point.temperature_C >= WARM_C and device.adjustable:
        yield from heat(plan, spool, beside)
    elif point.possible and device.adjustable:
        yield f"at {degrees(point.temperature_C)} drying is very slow"
    if spool.body.profile is not None and "cardboard" in spool.body.profile.key:
        yield "the cardboard reel gives off water of its own and takes it back: weighing says little of the strand"
    elif spool.body.profile is None and spool.winding != "loose":
        told = spool.stated_by(f"spool set {spool.id} --body NAME", "[body] material")
        yield f"what the reel is made of is not recorded: taken as the most delicate; state it: {told}"


def heat(plan: DryingPlan, spool: Spool, beside: Sequence[Spool] = ()) -> Iterator[str]:
    """Yield the cautions of every hot dryer, each thing once; they defer to makers and local codes."""
    device = plan.device
    settle = "let the dryer settle empty and put the spool in then: while it heats up, it overshoots"
    if device.profile is not None:
        settle += f"; measure the air beside the reel: {device.name} is a typical dryer, not yours"
    elif device.accuracy_C is None and device.set_offset_C == 0.0:
        settle += f"; measure the air beside the reel first: the knob of {device.name} is taken as correct"
    elif device.accuracy_C is not None and device.accuracy_C > MEASURED_K:
        settle += f"; measure the air beside the reel: it is known to {device.accuracy_C:g} K only"
    yield settle
    yield FREE_END.format(spool=spool.id)
    yield "no microwave, no gas oven, and no oven or dehydrator that is used for food"
    fumes = (
        STYRENE
        if any(map(is_styrenic, (spool, *beside)))
        else "warm plastic gives off fumes: be near enough to notice, not in them"
    )
    yield (
        f"never leave heat unattended; {fumes}; nothing that burns around it, on a socket that carries the load, "
        "without an extension lead"
    )
    yield "let it cool in a closed bag or box: hot strand takes water back from room air"
    yield "the makers' limits of filament, reel and dryer, and local codes, come before all of this"


def is_styrenic(spool: Spool) -> bool:
    """Return whether polymer or reel give off styrene when they are warm."""
    reel = "" if spool.body.profile is None else spool.body.profile.key
    return spool.material.key.upper() in STYRENIC or reel in STYRENIC_REEL


# ---------------------------------------------------------------- several reels, several dryers


def for_several(found: DryingTogether) -> str:
    """Return what to do with reels that are to share a dryer, in one line."""
    names, device, point = named(found.spools), found.device, found.set_point
    if not point.possible:
        return f"Do not put {names} into {device.name} together: {too_hot(found.plans[0])}"
    if found.longest is None or found.advised_s is None:
        behind = next(each for each in found.plans if each.advised_s is None)
        return f"Not together: {out_of_reach(behind, behind.first)}"
    if found.advised_s == 0.0:
        return f"Nothing to dry: {names} are good as they are"
    last = found.longest
    return f"Dry {names} together {hours(found.advised_s)} {setting(last)}{to_be_sure(last, last.first)}"


def named(names: Sequence[str]) -> str:
    """Return names as people list them.

    >>> named(["a"]), named(["a", "b", "c"])
    ('a', 'a, b and c')
    """
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last


def shared_with(inside: Sequence[str], dryer: str) -> str:
    """Return what is to be said where others are in a dryer already.

    >>> shared_with(["petg-03", "tpu-05"], "oven")
    'petg-03 and tpu-05 in oven now: what it is set to, it is set to for all of them; their limits count too'
    """
    return f"{named(inside)} in {dryer} now: what it is set to, it is set to for all of them; their limits count too"


def shared_notes(found: DryingTogether) -> Iterator[str]:
    """Yield what is to be said of reels in one dryer."""
    device = found.device
    if found.crowded:
        inside = f"; {named(found.inside)} in it already" if found.inside else ""
        yield (
            f"{device.name} takes {device.slots} reel{'' if device.slots == 1 else 's'}{inside}: one after the other, or "
            f"state that it takes more: gcodetool place set {shell_word(device.name)} --slots "
            f"{len(found.plans) + len(found.inside)}"
        )
    if found.inside:
        yield shared_with(found.inside, device.name)
    if len(found.plans) + len(found.inside) < 2:
        return
    if device.around.closed:
        yield (
            f"{device.name} keeps its own air: what one reel gives off the others meet, which is counted in; each more "
            "makes all of them slower"
        )
    else:
        yield "the air is changed all the time: what one reel gives off does not hold up the others"
    yield "a reel put in later needs its whole time from then on, and cools the others for a while"
