"""Small settings that may help marginal stock through: reasons, bounds, effects, costs.

Each rule starts from what the water does in *this* job (steam that pushes, chains that are cut, ooze
on the way over the print) and ends at what is stated of material, hot end and printer.  Nothing here
makes wet filament dry, and nothing passes a limit.  Equations, sources and what is only estimated:
``docs/tweaks.md``.  Left out: writing any of it (``apply``, ``adjust``).
"""

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

import numpy as np

from gcodetool.judge import reasons
from gcodetool.judge.findings import ToolFindings, Tweak
from gcodetool.judge.outcomes import content_like, judge
from gcodetool.judge.print_judgement import limits_of
from gcodetool.judge.record_facts import steam_seen
from gcodetool.judge.verdict_codes import Code, worse
from gcodetool.moisture import hydrolysis
from gcodetool.moisture.history import quantile
from gcodetool.profiles import Material, Printer
from gcodetool.quickdata import dataclass
from gcodetool.tweaks.tool_demands import ToolDemands

if TYPE_CHECKING:
    from gcodetool.moisture.record import Spool
    from gcodetool.moisture.state import State

USUAL_FLOW_MM3_S: Final = 11.0  # rated flow of a common hot end, where the printer states none; estimated
DIFFUSIVITY_MM2_S: Final = 0.1  # of heat in polymer melts, 0.08 to 0.12; handbooks, recalled
SLOWEST_MODE: Final = 5.783  # first zero of J0, squared: a cylinder heated from its skin
FAN_FLOOR_K: Final = 5.0  # the bonding floor rises by this at full fan; estimated
ALLOWED_LOSS: Final = 0.10  # of the mean chain length, beyond what dry stock loses; estimated
USUAL_RESIDENCE_S: Final = 10.0  # a common melt zone at a common flow; estimated
HOTTEST_C: Final = 600.0  # beyond any hot end: what a file states there is a slip, and nothing is built on it
LEAST_STEP_K: Final = 2.0  # a smaller step is within a nozzle's own swing
MOST_COOLER_K: Final = (
    15.0  # than sliced: beyond it the melt may be over twice as stiff (docs/tweaks.md); estimated
)
BUBBLING_S: Final = 100.0  # time in which the water of a melt zone comes out as steam; estimated
LEAST_LONGER_MM: Final = 0.05  # a smaller step is within the drive's own play
LEAST_FIRST_LAYER_MM_S: Final = 10.0  # slower, the melt breaks down; estimated
MOST_SLOWER: Final = 0.5  # the first layer keeps at least this share of its speed; estimated
FLEXIBLE: Final = ("TPU", "TPE", "TPC", "FLEX")  # retraction jams a soft strand in the drive gear

NOZZLE: Final = "nozzle temperature"
FIRST_NOZZLE: Final = "first-layer nozzle temperature"
RETRACTION: Final = "retraction length"
RETRACTION_SPEED: Final = "retraction speed"
WIPE: Final = "wipe"
FIRST_SPEED: Final = "first-layer speed"
SLOWEST: Final = "slowest print speed"
APPLIES: Final = {NOZZLE: "temperature", FIRST_NOZZLE: "temperature", RETRACTION: "retraction"}


@dataclass(frozen=True)
class WaterVsLimits:
    """The worst content that arrives, against the material's two limits. [wt %]

    Attributes
    ----------
    good, marginal, worst
        The middle of the members' limits, and where between those the members see their own: what a limit is
        compared with.
    content
        The content itself, as a report prints it: what every sentence quotes, and what cuts chains; left out:
        *worst*.
    polymer
        The polymer's share of the mass: in a filled grade the water is all in that.
    covered
        Tweaks may help, since the verdict is *adjust*; left out: beyond good, not beyond marginal.
    code, because
        The verdict, and its reason in a check's own words; left out where nothing was judged.
    """

    good: float
    marginal: float
    worst: float
    polymer: float = 1.0
    covered: bool | None = None
    content: float = math.nan
    code: Code | None = None
    because: str = ""

    def __post_init__(self) -> None:
        if math.isnan(self.content):
            object.__setattr__(self, "content", self.worst)
        if self.covered is None:
            object.__setattr__(self, "covered", self.good < self.worst <= self.marginal)


def water_in(found: ToolFindings, spool: "Spool") -> WaterVsLimits:
    """Return the water of a judged print, against the median limits as the members see their own."""
    forecast = found.forecast
    assert forecast is not None and forecast.worst_of_good is not None
    assert forecast.worst_of_marginal is not None
    good, marginal = forecast.limit_good_wt_pct, forecast.limit_marginal_wt_pct
    worst = content_like(forecast.worst_of_good, forecast.worst_of_marginal, good, marginal)
    code = found.verdict.code
    return WaterVsLimits(
        good,
        marginal,
        worst,
        spool.polymer_share,
        covered=code == "adjust",
        content=math.nan if forecast.worst_at_share_wt_pct is None else forecast.worst_at_share_wt_pct,
        code=code,
        because=found.verdict.because,
    )


def water_now(state: "State") -> WaterVsLimits:
    """Return the water of what is fed next, where no job says what is to be fed."""
    good, marginal = limits_of(state)
    if state.remaining_mm <= 0:
        return WaterVsLimits(
            good, marginal, math.nan, covered=False, code="unknown", because=reasons.EMPTY_REASON
        )
    content, weights = state.next_fed_wt_pct[np.newaxis], state.weights
    seen = judge(
        content / state.limit_good_wt_pct, content / state.limit_marginal_wt_pct, (0,), weights=weights
    )
    code = seen.code
    because = reasons.verdict_reason(
        code, seen, good_wt_pct=good, marginal_wt_pct=marginal, cause=None, air=""
    )
    if worse("dry-first", code) and steam_seen(state.spool, state.as_of_s):
        code, because = "dry-first", reasons.STEAM_REASON
    return WaterVsLimits(
        good,
        marginal,
        content_like(seen.worst_of_good, seen.worst_of_marginal, good, marginal),
        state.spool.polymer_share,
        covered=code == "adjust",
        content=quantile(state.next_fed_wt_pct, 0.5, weights),
        code=code,
        because=because,
    )


def suggest(
    material: Material, water: WaterVsLimits, asked: ToolDemands, *, printer: Printer | None = None
) -> tuple[Tweak, ...]:
    """Return what may help a strand between its two limits; nothing where it is dry, or too wet.

    Parameters
    ----------
    water, asked : what arrives, and what the job asks of the tool.
    printer : bounds of hot end and retraction; None = no bound is known, so none is approached.
    """
    if not water.covered:
        return ()
    return tuple(_found(material, water, asked, printer))


def _found(
    material: Material, water: WaterVsLimits, asked: ToolDemands, printer: Printer | None
) -> Iterator[Tweak]:
    cooler = lower_nozzle(material, water, asked, setting=NOZZLE, printer=printer)
    rest = asked.nozzle_C if cooler is None else cooler.after
    if rest is not None and asked.nozzle_C is not None and asked.first_layer_C is not None:
        rest += max(0.0, asked.first_layer_C - asked.nozzle_C)
    first = lower_nozzle(material, water, asked, setting=FIRST_NOZZLE, printer=printer, not_below_C=rest)
    if cooler is not None:
        yield cooler
    if first is not None:
        yield first
    yield from (
        tweak
        for tweak in (
            longer_retraction(material, water, asked, printer=printer),
            faster_retraction(material, water, asked, printer=printer),
            enable_wipe(material, water, asked),
            slower_start(water, asked),
            faster_minimum_speed(material, water, asked, cooler, printer=printer),
        )
        if tweak is not None
    )


def water_severity(
    material: Material, water: WaterVsLimits, celsius: float, asked: ToolDemands, nozzle_C: float
) -> float:
    """Return how hard the water works at a nozzle of *celsius*; 1 is stock at its good limit at *nozzle_C*.

    Steam: content times vapour pressure, relative to the good content at the file's own temperature.
    Chains: the loss beyond what good stock loses there in a usual time, in shares of what is allowed.
    """
    steam = (
        water.worst
        / max(water.good, 1e-6)
        * hydrolysis.steam_pressure(celsius)
        / hydrolysis.steam_pressure(nozzle_C)
    )
    lost = 0.0
    if asked.residence_s is not None:
        worst, good = water.worst / water.polymer, water.good / water.polymer
        lost = hydrolysis.loss_of(material, worst, celsius, asked.residence_s)
        lost -= hydrolysis.loss_of(material, good, nozzle_C, USUAL_RESIDENCE_S)
    return steam + lost / ALLOWED_LOSS


def _told_in_per_cent(material: Material) -> bool:
    """Tell whether rates were published that carry a figure; else a loss is told in words."""
    chains = hydrolysis.chains_of(material.key)
    return chains is not None and chains.published


def floor_C(material: Material, asked: ToolDemands, printer: Printer | None) -> tuple[float, str]:
    """Return the lowest sensible nozzle temperature, and what holds it there. [°C]

    The bonding floor, raised by part cooling, and by what the core of the strand lags behind the wall
    when it passes the melt zone in V/q seconds.  The lag decays with the slowest mode of a cylinder
    that is heated from its skin, tau = R²/(5.783 a); the rated flow q_r is where the top of the
    material's window makes up for it: lag = (T_max - T_bond) exp(-(V/q - V/q_r)/tau).
    """
    assert asked.flow_mm3_s is not None
    bond = material.nozzle_min_C if material.nozzle_bond_min_C is None else material.nozzle_bond_min_C
    bond = max(bond, material.nozzle_min_C)
    fan = FAN_FLOOR_K * (asked.fan or 0.0)
    lag = 0.0
    if asked.flow_mm3_s > 0:
        stated = None if printer is None else printer.hot_end.max_flow_mm3_s
        rated = stated or USUAL_FLOW_MM3_S
        tau_s = (asked.diameter_mm / 2) ** 2 / (SLOWEST_MODE * DIFFUSIVITY_MM2_S)
        spare_s = asked.melt_zone_mm3 / asked.flow_mm3_s - asked.melt_zone_mm3 / rated
        lag = (material.nozzle_max_C - bond) * math.exp(-max(0.0, spare_s) / tau_s)
    held = f"{bond:g} °C for layers to bond"
    if fan >= 0.5:
        held += f", {fan:.0f} K for part cooling"
    if lag >= 0.5:
        held += f", {lag:.0f} K for a flow of {asked.flow_mm3_s:.1f} mm³/s"
    return bond + fan + lag, held


def lower_nozzle(
    material: Material,
    water: WaterVsLimits,
    asked: ToolDemands,
    *,
    setting: str,
    printer: Printer | None,
    not_below_C: float | None = None,
) -> Tweak | None:
    """Return a lower nozzle temperature: as far as the water asks for it, bonding and flow allow it.

    The first layer stays as much hotter than the rest as it is, *not_below_C*: it has to stick to the bed.
    """
    now = asked.nozzle_C if setting == NOZZLE else asked.first_layer_C
    if now is None or asked.flow_mm3_s is None or now > HOTTEST_C:
        return None
    floor, held = floor_C(material, asked, printer)
    if not_below_C is not None and not_below_C > floor:
        floor, held = not_below_C, "the first layer stays as much hotter than the rest as it was"
    lowest = max(math.ceil(floor - 1e-9), now - MOST_COOLER_K)
    if now - lowest < LEAST_STEP_K:
        return None
    # whole steps down from the file's own figure, which need not be whole itself
    after = float(now)
    while (severity := water_severity(material, water, after, asked, now)) > 1 and after - 1 >= lowest:
        after -= 1
    if now - after < LEAST_STEP_K:
        return None
    enough = severity <= 1
    before_p, after_p = hydrolysis.steam_pressure(now), hydrolysis.steam_pressure(after)
    effect = f"steam pushes {100 * (1 - after_p / before_p):.0f} % less"
    before_loss, after_loss = (
        0.0
        if asked.residence_s is None
        else hydrolysis.loss_of(material, water.content / water.polymer, each, asked.residence_s)
        for each in (now, after)
    )
    if before_loss > 0.0005 and _told_in_per_cent(material):
        effect += f", chains lose about {100 * after_loss:.1f} % of their length instead of {100 * before_loss:.1f} %"
    elif before_loss > 0.0005:
        effect += ", water cuts chains more slowly"
    stop = f"not below {floor:.0f} °C: {held}"
    if enough:
        stop = "then it pushes no more than dry stock does now"
    elif now - MOST_COOLER_K > floor:
        stop = f"no more than {MOST_COOLER_K:.0f} K cooler than sliced: the melt gets stiff; dry it for more"
    rest = (
        ""
        if asked.residence_s is None or not material.hydrolyses
        else (f"; {asked.residence_s:.0f} s in the melt")
    )
    return Tweak(
        setting,
        now,
        after,
        "°C",
        f"{water.content:.3f} wt % boils and cuts chains less in a cooler melt{rest}; {stop}"
        if material.hydrolyses
        else f"{water.content:.3f} wt % boils less in a cooler melt; {stop}",
        effect=effect,
        cost=f"weaker layers, the more the nearer to {floor:.0f} °C; higher pressure in the hot end",
        confidence="estimated",
        apply=APPLIES[setting],
    )


def steam_mm(material: Material, water: WaterVsLimits, asked: ToolDemands) -> float | None:
    """Return the length of strand that the steam of one travel pushes out, beyond dry stock's. [mm]

    Over the longest travel over what is printed, the share t / ``BUBBLING_S`` of the excess water in
    the melt zone comes out as steam at 1 bar, and pushes its own volume.
    """
    if asked.travel_mm is None or asked.nozzle_C is None or asked.travel_mm <= 0:
        return None
    seconds = asked.travel_mm / asked.travel_mm_s
    melt_mg = asked.melt_zone_mm3 * material.density_kg_m3 * 1e-3
    excess_mg = melt_mg * (water.worst - water.good) / 100
    volume = hydrolysis.steam_volume(excess_mg, asked.nozzle_C) * min(1.0, seconds / BUBBLING_S)
    return volume / (math.pi * asked.diameter_mm**2 / 4)


def is_flexible(material: Material) -> bool:
    """Tell whether a strand of *material* is soft: longer retraction jams it."""
    names = (material.key, *material.aliases)
    return any(name.upper().startswith(FLEXIBLE) for name in names)


def longer_retraction(
    material: Material, water: WaterVsLimits, asked: ToolDemands, *, printer: Printer | None
) -> Tweak | None:
    """Return a longer retraction, by what the steam pushes out; never for soft strands or past the bound."""
    bound = None if printer is None else printer.retraction.max_length_mm
    pushed = steam_mm(material, water, asked)
    if not asked.retract_mm or bound is None or pushed is None or is_flexible(material):
        return None
    wanted = asked.retract_mm + pushed
    # steps of 0.05 mm, downwards: the bound holds
    after = math.floor(min(bound, wanted) * 20 + 1e-9) / 20
    if after - asked.retract_mm < LEAST_LONGER_MM - 1e-9:
        return None
    limited = f"; the printer's profile allows no more than {bound:g} mm" if wanted > bound else ""
    return Tweak(
        RETRACTION,
        asked.retract_mm,
        after,
        "mm",
        f"on {asked.travel_mm:.0f} mm of travel over the print, steam pushes out about {pushed:.2f} mm of strand{limited}",
        effect=f"takes up {100 * min(1.0, (after - asked.retract_mm) / pushed):.0f} % of that: fewer strings and blobs",
        cost="more time, more wear of the strand in the drive gear",
        confidence="estimated",
        apply=APPLIES[RETRACTION],
    )


def faster_retraction(
    material: Material, water: WaterVsLimits, asked: ToolDemands, *, printer: Printer | None
) -> Tweak | None:
    """Return a faster retraction, within the speed that the printer's profile states; never for soft strands."""
    bound = None if printer is None else printer.retraction.max_speed_mm_s
    pushed = steam_mm(material, water, asked)
    now = asked.retract_mm_s
    if not now or bound is None or pushed is None or not asked.retract_mm or is_flexible(material):
        return None
    # as much sooner as the steam would push meanwhile: the same share more
    after = math.floor(min(bound, now * (1 + min(1.0, pushed / asked.retract_mm))))
    if after - now < 2:
        return None
    return Tweak(
        RETRACTION_SPEED,
        now,
        float(after),
        "mm/s",
        f"steam goes on pushing while the strand is pulled back; the printer's profile allows at most {bound:g} mm/s",
        effect=f"the pressure is gone after {1000 * asked.retract_mm / after:.0f} ms instead of "
        f"{1000 * asked.retract_mm / now:.0f}",
        cost="the drive gear may grind a soft or thick strand",
        confidence="estimated",
    )


def enable_wipe(material: Material, water: WaterVsLimits, asked: ToolDemands) -> Tweak | None:
    """Return wiping switched on, where the slicer's settings say that it is off and ooze is expected."""
    pushed = steam_mm(material, water, asked)
    if asked.wipe is not False or pushed is None or pushed < LEAST_LONGER_MM or asked.firmware_retraction:
        return None
    return Tweak(
        WIPE,
        0.0,
        1.0,
        "switch",
        f"about {pushed:.2f} mm of strand are pushed out on the longest travel; what has come out "
        "is left inside the part",
        effect="fewer strings and blobs at the start of lines",
        cost="a little time",
        confidence="trade experience",
    )


def slower_start(water: WaterVsLimits, asked: ToolDemands) -> Tweak | None:
    """Return a slower first layer: bubbles get out of the line before it is pressed down."""
    now = asked.first_layer_mm_s
    if not now:
        return None
    # the time per line in proportion to the steam that must leave it
    after = float(math.ceil(max(LEAST_FIRST_LAYER_MM_S, now * max(MOST_SLOWER, water.good / water.worst))))
    if now - after < 1:
        return None
    return Tweak(
        FIRST_SPEED,
        now,
        after,
        "mm/s",
        f"{water.content:.3f} wt % leaves the line as bubbles, which part it from the bed",
        effect="more time for bubbles to leave before the line is pressed down",
        cost=f"the first layer takes {now / after:.1f} times as long",
        confidence="trade experience",
    )


def faster_minimum_speed(
    material: Material,
    water: WaterVsLimits,
    asked: ToolDemands,
    cooler: Tweak | None,
    *,
    printer: Printer | None,
) -> Tweak | None:
    """Return a higher slowest speed: the melt stays no longer in the hot end than its chains bear."""
    if not material.hydrolyses or None in (asked.residence_s, asked.line_mm2, asked.nozzle_C):
        return None
    assert asked.residence_s is not None
    assert asked.line_mm2 is not None
    assert asked.nozzle_C is not None
    celsius = asked.nozzle_C if cooler is None else cooler.after
    chains = hydrolysis.chains_of(material.key)
    if chains is None:
        return None
    content = water.content / water.polymer
    borne_s = hydrolysis.borne_s(chains, content, celsius, ALLOWED_LOSS)
    if asked.residence_s <= borne_s or asked.line_mm2 <= 0:
        return None
    stated = None if printer is None else printer.hot_end.max_flow_mm3_s
    most = min(asked.flow_mm3_s or math.inf, 0.5 * (stated or USUAL_FLOW_MM3_S))
    after = float(math.floor(min(asked.melt_zone_mm3 / borne_s, most) / asked.line_mm2))
    now = asked.slowest_mm_s
    if after < 1 or (now is not None and after - now < 1):
        return None
    lost = hydrolysis.chain_loss(chains, content, celsius, asked.residence_s)
    figures = (
        f"and loses about {100 * lost:.1f} % of its chain length; {100 * ALLOWED_LOSS:.0f} % are reached after "
        f"{borne_s:.0f} s"
        if chains.published
        else f"where water goes on cutting its chains; by our own estimate they bear {borne_s:.0f} s of it"
    )
    return Tweak(
        SLOWEST,
        now,
        after,
        "mm/s",
        f"the melt stays {asked.residence_s:.0f} s in the hot end {figures}",
        effect="small layers are not slowed so far that the melt breaks down",
        cost="small layers cool less before the next one comes; print several parts at once instead",
        confidence="estimated",
    )


def lasting_damage(material: Material, water: WaterVsLimits, asked: ToolDemands) -> str | None:
    """Return the sentence on chains that are cut for good; None where water cuts none, or nobody can tell."""
    if not material.hydrolyses or asked.residence_s is None or asked.nozzle_C is None:
        return None
    chains, content = hydrolysis.chains_of(material.key), water.content / water.polymer
    melt = f"{water.content:.3f} wt % over {asked.residence_s:.0f} s at {asked.nozzle_C:g} °C"
    grows = ""
    if isinstance(chains, hydrolysis.AmideBalance):
        turns = chains.turns_at_wt_pct(asked.nozzle_C)
        if content <= turns:
            return None
        grows = f"; below about {turns * water.polymer:.1f} wt % they would grow"
    if chains is None or not chains.published:
        return f"{melt} cut chains, and a part printed so is weaker for good{grows}; drying later does not repair that"
    low, middle, high = (
        100 * hydrolysis.chain_loss(chains.faster(factor), content, asked.nozzle_C, asked.residence_s)
        for factor in (1 / chains.factor, 1.0, chains.factor)
    )
    return (
        f"{melt} cut chains: about {middle:.1f} % of their mean length is lost (estimated, {low:.1f} to "
        f"{high:.1f} %){grows}; drying later does not repair that"
    )


def shortfall(water: WaterVsLimits, tweaks: tuple[Tweak, ...]) -> str | None:
    """Return what to say where a marginal strand finds no setting that helps."""
    if not water.covered or any(tweak.setting in (NOZZLE, RETRACTION) for tweak in tweaks):
        return None
    return (
        "no setting within the stated limits makes up for this water: better dry the spool first, or look at the "
        "purge closely"
    )
