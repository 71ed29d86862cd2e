"""Reels that share a dryer, and dryers side by side, as a person reads them."""

from collections.abc import Iterable, Iterator, Sequence
from typing import TextIO

from gcodetool.drying import instructions, status_words, words
from gcodetool.drying.goal import Reach
from gcodetool.drying.plan import DryingPlan
from gcodetool.drying.together import DryerChoice, DryingTogether
from gcodetool.moisture.record import Spool
from gcodetool.report.as_text import percent, plain
from gcodetool.report.layout import Page
from gcodetool.shell import shell_word


def print_together(found: DryingTogether, spools: Sequence[Spool], stream: TextIO) -> None:
    """Print what comes of reels in one dryer to *stream*."""
    page = Page(stream)
    page.line(plain(instructions.for_several(found)), style="bold")
    page.hanging("  ", plain(f"the coolest of their limits is {whose(found)}"))
    page.line()
    heads = ("spool", "material", "alone at", "good after", "9 in 10", "ends at, wt %")
    rows = [
        (
            each.spool,
            each.material,
            words.degrees(alone.temperature_C) if alone.possible else "not at all",
            *reach_cells(each),
            ending(each),
        )
        for each, alone in zip(found.plans, found.alone, strict=True)
    ]
    print_columns(page, heads, rows)
    print_said(page, "Mind", instructions.shared_notes(found))
    print_said(page, "Cautions", cautions(found, spools))


def print_choices(choices: Sequence[DryerChoice], spools: Sequence[Spool], stream: TextIO) -> None:
    """Print dryers side by side to *stream*, the quickest first."""
    page = Page(stream)
    best = next((each.found for each in choices if each.found is not None), None)
    if best is not None:
        page.line(plain(first_line(best)), style="bold")
        page.line()
    heads = ("dryer", "at", "good after", "9 in 10", "kWh", "what binds it, or why not")
    print_columns(page, heads, [choice_cells(each) for each in choices])
    for each in choices:
        if each.trouble is not None:
            page.hanging("- ", plain(f"{each.name}: {each.trouble}"))
    if best is None:
        return
    print_said(page, "Mind", (note for note in instructions.shared_notes(best)))
    print_said(page, "Cautions", cautions(best, spools))
    page.line()
    names = " ".join(spool.id for spool in spools)
    page.hanging(
        "  ",
        plain(f"more of one of them: gcodetool drying plan {names} --dryer {shell_word(best.device.name)}"),
    )


def first_line(found: DryingTogether) -> str:
    """Return what to do now in the best dryer."""
    return (
        instructions.instruction(found.plans[0]) if len(found.plans) == 1 else instructions.for_several(found)
    )


def choice_cells(choice: DryerChoice) -> tuple[str, ...]:
    """Return the cells of one dryer's row."""
    found = choice.found
    if found is None:
        return (choice.name, "?", "?", "?", "?", "see below")
    if not found.set_point.possible:
        return (choice.name, "-", "-", "-", "-", f"too hot: {instructions.too_hot(found.plans[0])}")
    at = words.degrees(found.set_point.temperature_C)
    slowest = found.longest or next(each for each in found.plans if each.advised_s is None)
    why = whose(found)
    if found.longest is None and slowest.first.outcome == "never":
        why = f"{slowest.spool} ends at {ending(slowest)}"
    if found.crowded:
        why = f"takes {found.device.slots}; {why}"
    energy = "?" if slowest.energy is None else words.rounded(slowest.energy.kWh)
    return (choice.name, at, *reach_cells(slowest), "-" if slowest.advised_s is None else energy, why)


def reach_cells(plan: DryingPlan) -> tuple[str, str]:
    """Return when good is reached, for the share asked for and for nine in ten."""
    first: Reach = plan.first
    if not plan.set_point.possible:
        return "-", "-"
    if plan.status is not None and plan.status.word == "not-yet" and plan.status.to_go_s.p50 == 0.0:
        return status_words.to_go(plan.status), ""
    if first.outcome == "already":
        return "as it is", ""
    if first.seconds is None:
        return ("never" if first.outcome == "never" else f"over {words.hours(plan.cap_s)}"), ""
    late = "" if plan.members == 1 else "?" if first.p90_s is None else words.hours(first.p90_s)
    return words.hours(first.seconds), late


def ending(plan: DryingPlan) -> str:
    """Return what the air leaves, against the limit."""
    if not plan.set_point.possible:
        return "-"
    return f"{percent(plan.floor_wt_pct.p50)}, good is {percent(plan.first.limit_wt_pct)}"


def whose(found: DryingTogether) -> str:
    """Return which limit of which reel decides."""
    binding = found.set_point.binding.whose
    return binding if len(found.plans) == 1 else f"{binding} ({found.coolest})"


def cautions(found: DryingTogether, spools: Sequence[Spool]) -> Iterator[str]:
    """Yield the cautions of all reels, each once; of two that differ by a reel's name alone the first."""
    seen: set[str] = set()
    for plan, spool in zip(found.plans, spools, strict=True):
        for said in instructions.cautions(plan, spool, spools):
            bare = said.replace(spool.id, "")
            if bare not in seen:
                seen.add(bare)
                yield said


def print_said(page: Page, title: str, lines: Iterable[str]) -> None:
    """Print lines under a title; nothing where there are none."""
    listed = list(dict.fromkeys(lines))
    if listed:
        page.line()
        page.line(title, style="bold")
    for line in listed:
        page.hanging("- ", plain(line))


def print_columns(page: Page, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print a short table; its last column wraps."""
    widths = [max(len(row[i]) for row in (heads, *rows)) for i in range(len(heads) - 1)]
    for row in (heads, *rows):
        front = "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=False))
        page.hanging(f"  {plain(front)}  ", plain(row[-1]))
