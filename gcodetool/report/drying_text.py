"""Drying plans and fits as a person reads them: what to do now, then why, then how sure."""

import math
from collections.abc import Iterable, Sequence
from typing import Final, TextIO

from gcodetool.drying import instructions, status_words, words
from gcodetool.drying.alternatives import Alternative
from gcodetool.drying.energy import DryerMonth, Energy
from gcodetool.drying.fit import Fit, Run
from gcodetool.drying.goal import Look, Reach
from gcodetool.drying.job import DRY_BOX_RH_PCT
from gcodetool.drying.plan import DryingPlan
from gcodetool.drying.status import DryingStatus
from gcodetool.moisture.history import Quantiles
from gcodetool.moisture.notes import Note
from gcodetool.moisture.record import Spool
from gcodetool.moments import wall
from gcodetool.report.as_text import duration, notes, percent, plain, spread
from gcodetool.report.layout import Page
from gcodetool.report.money import money
from gcodetool.shell import shell_word

BARS: Final = 40  # columns
ROWS: Final = 14


def print_plan(plan: DryingPlan, spool: Spool, stream: TextIO, *, more: bool = False) -> None:
    """Print a plan to *stream*: the answer, the limits, the next thing to do; with *more* all there is to say."""
    page = Page(stream)
    page.line(plain(instructions.instruction(plan)), style="bold")
    page.hanging("  ", plain(about(plan)))
    if plan.inside:
        page.hanging("  ", plain(instructions.shared_with(plan.inside, plan.device.name)))
    if more:
        print_all(page, plan, spool)
        return
    rows = [(one.goal, reached(one, plan)) for one in plan.reaches] if plan.set_point.possible else []
    print_facts(page, [*rows, *out_of_reach(plan), *next_steps(plan, spool)])
    page.line()
    page.hanging("  ", "more: what binds, the course, what else would work: the same call with --more")


def print_all(page: Page, plan: DryingPlan, spool: Spool) -> None:
    """Print why, the course, what else would work, and every caution."""
    rows = facts(plan)
    if plan.job is not None and plan.set_point.possible:
        rows += of_job(plan)
    print_facts(page, rows)
    if len(plan.looks) > 1 and not (plan.first.outcome == "already" and plan.job is None):
        print_lines(page, plot(plan))
    print_list(page, "What else would work", [other(one, plan) for one in plan.alternatives])
    print_list(page, "Cautions", instructions.cautions(plan, spool))
    print_notes(page, plan.notes)


def out_of_reach(plan: DryingPlan) -> list[tuple[str, str]]:
    """Return what binds and what would do instead, where what is asked for is not reached here."""
    if plan.set_point.possible and (plan.first.seconds is not None or plan.first.outcome == "already"):
        return []
    instead = [other(one, plan) for one in plan.alternatives[:1]]
    return [("hottest", hottest(plan)), *(("instead", text) for text in instead)]


def next_steps(plan: DryingPlan, spool: Spool) -> list[tuple[str, str]]:
    """Return what to do next, and what to mind in doing it."""
    rows = []
    said = None if plan.status is None else status_words.weigh_next(plan.status)
    if said is not None:
        rows.append(("next", f"weigh it {said}"))
    elif plan.status is None and plan.advised_s and plan.weighing is not None:
        rows.append(
            ("next", f"weigh it: {weigh(plan)}" if plan.weighing.scale_g is not None else "put it in")
        )
    if plan.job is not None and plan.set_point.possible:
        rows += of_job(plan)[1:]
    if next(iter(instructions.cautions(plan, spool)), None) is not None:
        rows.append(("mind", instructions.HEAT_IN_SHORT))
        rows.append(("", instructions.FREE_END_IN_SHORT))
        if instructions.is_styrenic(spool):
            rows.append(("", instructions.STYRENE))
    return rows


def print_facts(page: Page, rows: Iterable[tuple[str, str]]) -> None:
    """Print names and what they come to."""
    page.facts((name, plain(text)) for name, text in rows)


def print_lines(page: Page, lines: Iterable[str]) -> None:
    """Print a picture of lines behind an empty one."""
    page.line()
    for line in lines:
        page.line(line)


def print_list(page: Page, title: str, lines: Iterable[str]) -> None:
    """Print a list under its title; nothing where it is empty."""
    listed = list(lines)
    if listed:
        page.line()
        page.line(title, style="bold")
    for line in listed:
        page.hanging("- ", plain(line))


def print_notes(page: Page, lines: Sequence[Note]) -> None:
    """Print what was assumed or left out; nothing where nothing was."""
    if lines:
        page.line()
        page.facts(notes(lines))


def about(plan: DryingPlan) -> str:
    """Return whose plan it is."""
    device, room = plan.device, plan.device.room
    left = f"{plan.remaining_mm / 1000:.0f} m left"
    air = (
        f"air dried to a dew point of {device.dew_point_C:g} °C"
        if device.dew_point_C is not None
        else f"{'in' if device.around.closed else 'with'} the air of {room.name} "
        f"({device.room_C:.0f} °C, {room.rh_pct:.0f} % RH)"
    )
    if not device.adjustable and not device.around.closed:
        air = f"{device.around.temperature_C:.0f} °C, {device.around.rh_pct:.0f} % RH"
    return f"{plan.material}, {left}, at {plan.place} on {wall(plan.as_of_s)}; {device.name}: {air}"


def facts(plan: DryingPlan) -> list[tuple[str, str]]:
    """Return the rows that explain the first line."""
    point = plan.set_point
    rows = [("now", f"wettest strand {spread(plan.wettest_wt_pct)}, mean {spread(plan.middle_wt_pct)}")]
    if plan.needed_mm < 0.999 * plan.remaining_mm:
        rows[0] = ("now", f"{rows[0][1]}, of the {metres(plan.needed_mm)} that are needed")
    rows.append(("hottest", hottest(plan)))
    if not point.possible:
        return rows
    end = "ceiling" if plan.upwards else "floor"
    closed = (
        " once it is even throughout"
        if plan.device.around.closed and not plan.device.around.exchange_m3_s
        else ""
    )
    rows.append((end, f"this air ({plan.rh_pct:.1f} % RH) ends at {spread(plan.floor_wt_pct)}{closed}"))
    rows += [(one.goal, reached(one, plan)) for one in plan.reaches]
    if plan.spread_wt_pct is not None:
        low, high = plan.spread_wt_pct
        rows.append(
            (
                "then",
                f"from {percent(low)} to {percent(high)} wt % over the winding: seal it in a bag to even this out",
            )
        )
    if plan.warm_s is not None and plan.warm_s > 0:
        rows.append(
            (
                "warm-up",
                f"{words.hours(plan.warm_s)} until the innermost turns are as hot (counted in)",
            )
        )
    if plan.energy is not None:
        rows.append(("energy", energy_words(plan.energy)))
    if plan.weighing is not None and plan.first.outcome != "already":
        rows.append(("weigh", weigh(plan)))
    return rows


def metres(length_mm: float) -> str:
    """Return a length of strand.

    >>> metres(1234.5), metres(210_000)
    ('1.2 m', '210 m')
    """
    return f"{length_mm / 1000:.{1 if length_mm < 10_000 else 0}f} m"


def hottest(plan: DryingPlan) -> str:
    """Return what limits the temperature, and by how much."""
    point, device = plan.set_point, plan.device
    if point.knob_C is None:
        least = point.bounds[0]
        here = words.degrees(point.temperature_C)
        return f"{here}, as the place is; the least limit is {words.degrees(least.limit_C)}: {least.whose}"
    swing = f", less its swing of {device.swing_C:g} K" if device.swing_C else ""
    limit = f"{words.degrees(point.binding.limit_C)}{swing}"
    return f"{words.degrees(point.temperature_C)}; binding: {point.binding.whose} ({limit})"


def reached(reach: Reach, plan: DryingPlan) -> str:
    """Return when a content is reached, and how sure that is."""
    limit = f"({'to' if reach.goal == 'target' else 'up to'} {percent(reach.limit_wt_pct)} wt %)"
    if reach.outcome == "already":
        return f"already {limit}"
    if plan.members == 1:
        middle = {"never": "never in this air", "longer": f"longer than {words.hours(plan.cap_s)}"}
        when = "" if reach.p50_s is None else f"after {words.hours(reach.p50_s)}"
        return f"{when or middle[reach.outcome]} {limit}"
    parts = []
    for quantile, seconds in ((50, reach.p50_s), (90, reach.p90_s)):
        parts.append(
            f"{quantile} in 100 after {words.hours(seconds)}"
            if seconds is not None
            else f"{quantile} in 100 not within {words.hours(plan.cap_s)}"
        )
    never = "never in this air; " if reach.outcome == "never" else ""
    if reach.p50_s is None and reach.share == 0:
        parts = [f"none within {words.hours(plan.cap_s)}"]
    elif reach.p50_s is None:
        parts = [f"{round(100 * reach.share)} in 100 within {words.hours(plan.cap_s)}"]
    return f"{never}{', '.join(parts)} {limit}"


def energy_words(spent: Energy) -> str:
    """Return energy and cost."""
    more = "" if spent.kWh_p90 is None else f" (to {words.rounded(spent.kWh_p90)} for nine in ten)"
    cost = "" if spent.cost is None else f", costs {money(spent.cost)} at {spent.tariff_per_kWh:g} a kWh"
    return f"about {words.rounded(spent.kWh)} kWh{more}{cost}; {spent.power_W:g} W, {spent.said}"


def weigh(plan: DryingPlan) -> str:
    """Return when to weigh and what it should show."""
    weighing = plan.weighing
    assert weighing is not None
    if weighing.body_g and weighing.scale_g is None:
        return f"no use: the cardboard reel's own water changes by up to {weighing.body_g:.0f} g"
    loss = weighing.looks[-1].loss_g
    sign = "gained" if loss.p50 < 0 else "lost"
    if weighing.scale_g is None:
        return f"no usual scale can show it: only {words.rounded(abs(loss.p50))} g in all"
    digits = 0 if weighing.scale_g >= 1 else 1 if weighing.scale_g >= 0.1 else 2
    looks = ", ".join(f"{grams(one.loss_g, digits)} after {words.hours(one.at_s)}" for one in weighing.looks)
    scale = f"on a scale that reads {weighing.scale_g:g} g or finer"
    return f"now and on the way, {scale}; it should have {sign} {looks}; 'drying fit' then tells what is left"


def grams(loss: Quantiles, digits: int) -> str:
    """Return a loss with its band."""
    if loss.p10 is None or loss.p90 is None:
        return f"{abs(loss.p50):.{digits}f} g"
    low, high = sorted((abs(loss.p10), abs(loss.p90)))
    return f"{abs(loss.p50):.{digits}f} g ({low:.{digits}f} to {high:.{digits}f})"


def of_job(plan: DryingPlan) -> list[tuple[str, str]]:
    """Return the rows on the job."""
    need = plan.job
    assert need is not None
    rows = [
        (
            "job",
            f"{need.name}: {metres(need.length_mm)} in {duration(need.open_air_s)}, in the air of {need.words}",
        )
    ]
    within = words.hours(need.dried_s)

    def when(seconds: float | None) -> str:
        if seconds is None:
            return f"not within {within}"
        return "as it is" if seconds == 0 else f"after {words.hours(seconds)}"

    rows.append(("job clear", f"{when(need.clear_s)}; at least marginal: {when(need.adjust_s)}"))
    now = "no box is dry enough" if need.box_now_rh_pct is None else instructions.rh(need.box_now_rh_pct)
    dried = (
        "no box is dry enough" if need.box_dried_rh_pct is None else instructions.rh(need.box_dried_rh_pct)
    )
    choices = [f"without drying, {now}"]
    if need.boxed_s != 0 and need.boxed_s is not None:
        choices.append(f"{when(need.boxed_s)} of drying, {DRY_BOX_RH_PCT:g} % RH")
    if need.dried_s > 0:
        choices.append(f"after {within} of drying, {dried}")
    rows.append(("box at feed", f"what keeps the job clear: {'; '.join(choices)}"))
    return rows


def other(one: Alternative, plan: DryingPlan) -> str:
    """Return an alternative with what it comes to."""
    if one.p50_s is not None:
        sure = "" if one.p90_s is None else f", {words.hours(one.p90_s)} nine times in ten"
        return f"{one.what}: {one.goal} after {words.hours(one.p50_s)}{sure}"
    ends = f"it ends at {percent(one.floor_wt_pct.p50)} wt %"
    when = "never either" if one.outcome == "never" else f"longer than {words.hours(plan.cap_s)}"
    return f"{one.what}: {when}; {ends}"


def plot(plan: DryingPlan) -> list[str]:
    """Return content over time as bars; the limits stand as marks where no bar covers them."""
    shown = thin(plan.looks)
    marks = {one.goal: one.limit_wt_pct for one in plan.reaches}
    of = "mean" if plan.upwards else "wettest strand"
    contents = [(look.middle_wt_pct if plan.upwards else look.wettest_wt_pct).p50 for look in shown]
    top = max([*contents, *marks.values()]) or 1.0
    names = {"good": "|", "marginal": ":", "target": "|"}
    legend = ", ".join(f"{names[goal]} {goal}" for goal in marks)
    lines = [f"  time      {of}, wt % ({legend})"]
    for look, content in zip(shown, contents, strict=True):
        bar = list(("#" * round(BARS * content / top)).ljust(BARS + 1))
        for goal, limit in marks.items():
            column = min(BARS, round(BARS * limit / top))
            bar[column] = names[goal]
        when = words.hours(look.at_s) if look.at_s else "now"
        lines.append(f"  {when:<11}{percent(content):>6}  {''.join(bar).rstrip()}")
    return lines


def thin(looks: Sequence[Look]) -> list[Look]:
    """Return some looks, evenly over the time."""
    if len(looks) <= ROWS:
        return list(looks)
    end = looks[-1].at_s
    kept: list[Look] = []
    for step in range(ROWS):
        wanted = end * step / (ROWS - 1)
        nearest = min(looks, key=lambda look: abs(look.at_s - wanted))
        if not kept or words.hours(kept[-1].at_s or 1.0) != words.hours(nearest.at_s or 1.0):
            kept.append(nearest)
    return kept


def print_fit(fit: Fit, stream: TextIO) -> None:
    """Print a fit to *stream*."""
    page = Page(stream)
    page.line(plain(fit.do), style="bold")
    if fit.run is not None:
        run = fit.run
        page.hanging(
            "  ",
            plain(
                f"{fit.spool}, {fit.material}, in {fit.place} since {wall(run.began_s)}; "
                f"{len(run.readings)} weigh-ins to {wall(run.last_s)}"
            ),
        )
        print_facts(page, (*run_facts(run), *([] if fit.status is None else status_facts(fit.status))))
        if run.tells:
            print_lines(page, curve(run))
    print_list(page, "Mind", fit.cautions)
    print_notes(page, fit.notes)


def run_facts(run: Run) -> list[tuple[str, str]]:
    """Return the rows of what the weigh-ins say."""
    digits = digits_of(run)
    rows = [
        ("lost so far", f"{run.lost_g:.{digits}f} g"),
        ("dry limit", f"{mass(run.dry_limit_g, digits)}, reel and all, by weighing alone"),
    ]
    if run.tells:
        rows.insert(1, ("left to go", f"{mass(run.left_g, digits)} in this air, by weighing alone"))
        if math.isfinite(run.half_time_s.p50):
            rows.append(("half of it", f"gone after {words.hours(run.half_time_s.p50)}"))
    return rows


def print_status(said: DryingStatus, stream: TextIO) -> None:
    """Print the status of a spool in a dryer to *stream*."""
    page = Page(stream)
    page.line(plain(status_words.headline(said)), style="bold")
    page.hanging("  ", plain(about_status(said)))
    print_facts(page, status_facts(said))


def print_statuses(found: Sequence[DryingStatus], stream: TextIO) -> None:
    """Print one status, or those of all spools in a dryer, an empty line between them; the caution once."""
    for number, said in enumerate(found):
        if number:
            stream.write("\n")
        print_status(said, stream)
    if any(said.inside for said in found):
        print_list(Page(stream), "Mind", [words.HEAT])


def about_status(said: DryingStatus) -> str:
    """Return which run a status is of."""
    since = "" if said.since_s is None else f" since {wall(said.since_s)}"
    stay = f"in {said.dryer}{since}" if said.inside else f"out of {said.dryer}, in which it was last"
    return f"{said.spool}, {said.material}, {stay}; {wall(said.as_of_s)}"


def status_facts(said: DryingStatus) -> list[tuple[str, str]]:
    """Return the rows that explain a status."""
    limit = "" if said.goal_wt_pct is None else f"; {said.goal}: {percent(said.goal_wt_pct)} wt %"
    rows = [
        ("wettest turns", f"{spread(said.wettest_wt_pct)}{limit}; mean {spread(said.mean_wt_pct)}"),
        ("ends at", f"{spread(said.floor_wt_pct)} in this air ({status_words.where(said)})"),
    ]
    if said.marginal is not None and said.word != "done":
        rows.append(("marginal", marginal(said.marginal)))
    if not said.take_out:
        rows.append(("to go", status_words.to_go_at_length(said, row=True)))
        if said.inside and said.sure_s is not None and said.members > 1 and said.goal != "job":
            rows.append(("surely after", f"{words.hours(said.sure_s)} (19 chances in 20)"))
    if said.end_g is not None and not said.take_out:
        rows.append(("in the end", f"{mass(said.end_g, 1)}: the dry limit in this air"))
    for name, text in (
        ("then it weighs", status_words.by_then(said)),
        ("weigh next", status_words.weigh_next(said)),
    ):
        if text is not None:
            rows.append((name, text))
    rows.append(("another hour", status_words.next_hour(said)))
    if said.energy is not None:
        rows.append(("so far", energy_words(said.energy)))
    return rows


def marginal(reach: Reach) -> str:
    """Return when the marginal limit is reached."""
    limit = f"up to {percent(reach.limit_wt_pct)} wt %"
    if reach.p50_s is None:
        return f"not in this air, {limit}"
    return f"already, {limit}" if reach.p50_s == 0.0 else f"after {words.hours(reach.p50_s)}, {limit}"


def digits_of(run: Run) -> int:
    """Return the decimals that the scale shows."""
    finest = min(one.resolution_g for one in run.readings)
    return 0 if finest >= 1 else 1 if finest >= 0.1 else 2


def mass(grams_: Quantiles, digits: int) -> str:
    """Return a mass with its band."""
    if grams_.p10 is None or grams_.p90 is None:
        return f"{grams_.p50:.{digits}f} g"
    return f"{grams_.p50:.{digits}f} g ({grams_.p10:.{digits}f} to {grams_.p90:.{digits}f})"


def curve(run: Run) -> list[str]:
    """Return the fitted curve as bars above the dry limit, with the readings beside it."""
    limit, digits = run.dry_limit_g.p50, digits_of(run)
    top = max([*(grams_.p50 for _, grams_ in run.curve), *(one.gross_g for one in run.readings)]) - limit
    lines = ["  time         curve, g   weighed   grams above the dry limit"]
    read = {one.at_s: one.gross_g for one in run.readings}
    apart = 0.04 * run.curve[-1][0]
    between = [at for at, _ in run.curve[::2] if min(abs(at - other) for other in read) > apart]
    for at in sorted([*read, *between]):
        from_curve = _at(run, at)
        bar = "#" * max(0, round(BARS * (from_curve - limit) / top)) if top > 0 else ""
        weighed = f"{read[at]:.{digits}f}" if at in read else ""
        when = words.hours(at) if at else "start"
        lines.append(f"  {when:<11}{from_curve:>10.{digits}f}  {weighed:>8}   {bar}".rstrip())
    return lines


def _at(run: Run, at_s: float) -> float:
    """Return the curve's middle at a moment."""
    before = max((pair for pair in run.curve if pair[0] <= at_s), key=lambda pair: pair[0])
    after = min((pair for pair in run.curve if pair[0] >= at_s), key=lambda pair: pair[0], default=before)
    if after[0] <= before[0]:
        return before[1].p50
    share = (at_s - before[0]) / (after[0] - before[0])
    return before[1].p50 + share * (after[1].p50 - before[1].p50)


def print_list_of_dryers(
    inside: Sequence[DryingStatus], months: Sequence[DryerMonth], stream: TextIO
) -> None:
    """Print what is in the dryers, and what they used month by month, to *stream*."""
    page = Page(stream)
    if not inside:
        page.line("nothing is in a dryer")
    for said in inside:
        page.hanging("  ", plain(f"{said.dryer}: {said.spool} ({said.material}), {status_words.short(said)}"))
    if months:
        page.line()
    for month in dict.fromkeys(each.month for each in months):
        rows = [each for each in months if each.month == month]
        page.line(plain(f"{month}: {month_sum(rows)}"), style="bold")
        for each in rows:
            page.hanging("  ", plain(f"{each.dryer}: {month_words(each)}"))


def month_words(each: DryerMonth) -> str:
    """Return what one dryer did in a month."""
    spools = f"{len(each.spools)} spool{'' if len(each.spools) == 1 else 's'}"
    ran = f"{spools}, {each.seconds / 3600:.0f} h"
    if each.energy is None:
        return f"{ran}; its power is not known: gcodetool place set {shell_word(each.dryer)} --watts W"
    return f"{ran}, {energy_words(each.energy)}"


def month_sum(rows: Sequence[DryerMonth]) -> str:
    """Return what all dryers used in a month, as far as their power is known."""
    known = [each.energy for each in rows if each.energy is not None]
    if not known:
        return "no power known"
    kwh = sum(each.kWh for each in known)
    costs = [each.cost for each in known if each.cost is not None]
    cost = f", costs {money(sum(costs))}" if costs else ""
    least = "" if len(known) == len(rows) else "at least "
    return f"{least}{words.rounded(kwh)} kWh{cost}"
