"""What storage needs, for a person: a box's fit, charges of desiccant, and how these are dried again."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final, TextIO

from gcodetool.drying.words import rounded
from gcodetool.moments import wall
from gcodetool.report.as_text import ASSUMED, duration, percent
from gcodetool.report.layout import Page, plain
from gcodetool.report.money import money
from gcodetool.shell import shell_word

if TYPE_CHECKING:
    from gcodetool.profiles import Desiccant
    from gcodetool.storage.findings import FittedPlace, Priced, SizedPlace
    from gcodetool.storage.fit import Between, BoxFit

MOST_DOUBTFUL: Final = 4  # stretches listed
WIDE: Final = 5.0  # a band whose ends are further apart than this factor tells little
SOON_DAYS: Final = 7.0
LEGEND: Final = "~ from readings or a forecast, one time in ten below the range and one in ten above"


def band(of: "Between", digits: int = 2) -> str:
    """Return a middle with its range, in so many digits.

    >>> from gcodetool.storage.fit import Between
    >>> band(Between(0.31, 0.8, 2.13)), band(Between(10.2, 23.4, 170.0))
    ('~0.8 (0.31 to 2.1)', '~23 (10 to 170)')
    """
    low, middle, high = (rounded(each, digits) for each in (of.p10, of.p50, of.p90))
    return f"{ASSUMED}{middle} ({low} to {high})"


def print_place_fit(found: "FittedPlace", stream: TextIO) -> None:
    """Print what a box's log says."""
    page, fit = Page(stream), found.fit
    page.hanging(f"{plain(found.name)}: ", tightness(fit), style="bold")
    page.facts(fit_facts(found))
    if found.agent is not None and nearly_spent(fit):
        page.line()
        for line in regeneration(found.agent):
            page.hanging("  ", line)
    page.line()
    page.hanging("", LEGEND)


def nearly_spent(fit: "BoxFit") -> bool:
    """Return whether a box's desiccant may be spent within days: then it matters how it is dried again."""
    return fit.lasts_days is not None and fit.lasts_days.p10 < SOON_DAYS


def tightness(fit: "BoxFit") -> str:
    """Return how tight a box is, the first line of its fit."""
    many = fit.exchange_per_day
    if many is None:
        stream = fit.exchange_m3_h
        litres = type(stream)(*(24_000.0 * each for each in (stream.p10, stream.p50, stream.p90)))
        if fit.tight:
            return f"it exchanges less than {rounded(litres.p90)} L of air a day; how much less its log does not tell"
        return f"it exchanges {band(litres)} L of air a day"
    if fit.tight:
        return f"it exchanges less than {rounded(many.p90)} times its air a day; how much less its log does not tell"
    return f"it exchanges {band(many)} times its air a day"


def fit_facts(found: "FittedPlace") -> Iterator[tuple[str, str]]:
    """Yield what else a box's log says."""
    fit = found.fit
    yield (
        "from",
        f"{duration(fit.used_s)} of undisturbed readings, {wall(fit.begin_s)} to {wall(fit.end_s)}, beside "
        f"{plain(found.room)}",
    )
    count = len(fit.openings_s)
    last = f", last {wall(fit.openings_s[-1])}" if count else ""
    yield "opened", f"{count} times{last}; {band(fit.openings_per_week)} times a week"
    if fit.held_g is not None and fit.left_g is not None and fit.left_g.p90 <= 0.0:
        yield (
            "desiccant",
            f"spent: it holds {band(fit.held_g)} g of water and shows {fit.shown_rh_pct:.0f} % RH; renew it",
        )
    elif fit.held_g is not None and fit.left_g is not None:
        yield (
            "desiccant",
            f"holds {band(fit.held_g)} g of water, takes {band(fit.left_g)} g more until it is spent "
            f"(it shows {fit.shown_rh_pct:.0f} % RH)",
        )
        if fit.lasts_days is not None:
            yield "lasts", f"{band(fit.lasts_days)} days more, as often opened as until now"
    if found.spools:
        yield "with", f"{', '.join(map(plain, found.spools))} in it: what they give off looks like a leak"
    for each in fit.doubtful[:MOST_DOUBTFUL]:
        yield "left out", f"{wall(each.begin_s)} to {wall(each.end_s)}: {each.why}"
    if len(fit.doubtful) > MOST_DOUBTFUL:
        yield "left out", f"{len(fit.doubtful) - MOST_DOUBTFUL} more stretches"
    band_of = fit.exchange_per_day or fit.exchange_m3_h
    if found.agent is not None and band_of.p90 > WIDE * band_of.p10:
        yield (
            "to know more",
            "desiccant hides a leak: take it and the reels out, note that with "
            f"'gcodetool place renewed {plain(shell_word(found.name))} --mass 0', leave it shut for a day, and fit again",
        )


def print_place_size(found: "SizedPlace", stream: TextIO) -> None:
    """Print what a box needs."""
    page = Page(stream)
    page.hanging(f"{plain(found.name)}: ", answer(found), style="bold")
    for each in found.brought:
        if each.dry_first:
            good = f"{round(100 * each.good_share)} in 100 chances that it is good now"
            page.hanging("  > ", f"dry {plain(each.spool)} first: {good}, and no box dries it")
        elif each.water_g > 0.0:
            page.hanging(
                "  > ", f"dry {plain(each.spool)} first: its inner turns bring {each.water_g:.1f} g of water"
            )
    if found.if_dried is not None and found.if_dried.grams is not None:
        name = found.if_dried.agent.name
        page.hanging("  > ", f"dried before, they need {ASSUMED}{found.if_dried.grams:.0f} g of {name}")
    page.facts(size_facts(found))
    if found.charges:
        page.line()
    for line in table(found):
        page.line(line)
    for note in found.notes:
        page.hanging("  note  ", plain(note))
    best = next((each.sized for each in found.charges if each.sized.grams), None)
    if best is not None:
        page.line()
        for line in regeneration(best.agent):
            page.hanging("  ", line)
    page.line()
    page.hanging(
        "", "~ by the forecast: nine members in ten hold; rooms and leaks change, so look at its hygrometer"
    )


def answer(found: "SizedPlace") -> str:
    """Return the first line: what to put in."""
    until = wall(found.until_s)
    if found.dry_first:
        return f"dry {', '.join(map(plain, found.dry_first))} first"
    able = [each.sized for each in found.charges if each.sized.grams is not None]
    if not able:
        return f"no charge of any desiccant keeps what is fed next good until {until}: renew it sooner, or dry before use"
    if able[0].grams == 0.0:
        return f"no desiccant is needed until {until}"
    listed = ", or ".join(f"{ASSUMED}{each.grams:.0f} g of {each.agent.name}" for each in able[:2])
    return f"{listed} keeps what is fed next good until {until}"


def size_facts(found: "SizedPlace") -> Iterator[tuple[str, str]]:
    """Yield what an answer rests on."""
    yield (
        "box",
        f"in {plain(found.room)}; exchanges {rounded(found.exchange_per_day)} times its air a day, opened "
        f"{found.openings_per_week:g} times a week",
    )
    for each in found.brought:
        yield (
            "spool",
            f"{plain(each.spool)}: {percent(each.mean_wt_pct)} wt % on average, good to "
            f"{ASSUMED}{percent(each.limit_wt_pct)}",
        )


def table(found: "SizedPlace") -> Iterator[str]:
    """Yield the table of desiccants."""
    if not found.charges:
        return
    priced = any(each.cost is not None for each in found.charges)
    yield f"  {'desiccant':<20} {'charge':>8}  {'shows then':<18} {'renew after':<16}{' cost' if priced else ''}"
    for each in found.charges:
        yield f"  {row(each, priced)}".rstrip()


def row(each: "Priced", priced: bool) -> str:
    """Return one desiccant's row."""
    sized = each.sized
    if sized.grams is None:
        share = 0 if sized.best_share is None else round(100 * sized.best_share)
        return (
            f"{sized.agent.name:<20} {'none':>8}  does not keep them: {share} in 100 good with all that fits"
        )
    shows = (
        ""
        if sized.rh_pct is None
        else f"{sized.rh_pct[1]:.0f} % RH ({sized.rh_pct[0]:.0f}-{sized.rh_pct[2]:.0f})"
    )
    lasts = "" if sized.renew_s is None else duration(sized.renew_s)
    cost = "" if not priced else " -" if each.cost is None else f" {money(each.cost)}"
    return f"{sized.agent.name:<20} {sized.grams:>6.0f} g  {shows:<18} {lasts:<16}{cost}"


def regeneration(agent: "Desiccant") -> Iterator[str]:
    """Yield how a desiccant is dried again, with its cautions, and what its dye says."""
    if agent.regenerate_C is None:
        yield f"{agent.name} cannot be dried again in a filament dryer or an oven"
    else:
        low, high = agent.regenerate_C
        hours = (
            ""
            if agent.regenerate_hours is None
            else f" for {agent.regenerate_hours:g} h or more in a thin layer"
        )
        back = agent.comes_back_pct
        again = "" if back is None else f"; {back[0]:g} to {back[1]:g} % of what it held when new comes back"
        yield f"{agent.name}: dry it at {low:g} to {high:g} °C{hours}{again}"
    if agent.uncertain:
        yield f"not sure: {agent.uncertain}"
    for dye in agent.indicators:
        hot = "" if dye.max_C is None else f", never above {dye.max_C:g} °C"
        yield (
            f"with {dye.dye}: {dye.dry} when dry, {dye.damp} when damp, changing between {dye.change_rh_pct[0]:g} and "
            f"{dye.change_rh_pct[1]:g} % RH{hot}"
        )
        if dye.caution:
            yield f"caution: {dye.caution}"
    for caution in agent.cautions:
        yield f"caution: {caution}"
