"""Test series as a person reads them: doubts first, then what is shown and what is not, in plain words."""

from collections.abc import Sequence
from typing import TextIO

from gcodetool.drying.words import HEAT, content
from gcodetool.moments import wall
from gcodetool.report.as_text import plain
from gcodetool.report.layout import Page
from gcodetool.series import wording
from gcodetool.series.doubt import Doubt
from gcodetool.series.findings import QuantityFound, SeriesFindings, StateFound
from gcodetool.series.plan import CalendarEntry, SeriesOutlook
from gcodetool.series.record import SeriesRecord


def print_plan(found: SeriesOutlook, stream: TextIO) -> None:
    """Print what a planned series comes to."""
    page, plan = Page(stream), found.plan
    question = plan.question or f"{found.material} in {len(found.states)} states of water"
    page.hanging(f"{plan.id}  ", plain(question), style="bold")
    _doubts(page, found.doubts)
    page.line()
    page.line("What the prints can show", style="bold")
    page.facts([(one.quantity.words, wording.power_words(one, plan)) for one in found.powers])
    demand = found.demand
    page.line()
    page.line("Strand", style="bold")
    page.facts(
        [
            (
                "per print",
                f"{demand.job_mm / 1000:.2f} m for {plain(plan.job.name)}, {demand.purge_mm / 1000:.2f} m for the block, "
                f"{demand.path_mm / 1000:.2f} m in the way",
            ),
            (
                "per state",
                f"{found.states[0].sample_mm / 1000:.1f} m, {found.states[0].sample_g:.0f} g, with a tenth in reserve",
            ),
            ("in all", f"{found.strand_mm / 1000:.1f} m of {found.left_mm / 1000:.1f} m on {plan.spool}"),
        ]
    )
    for state in found.states:
        page.line()
        page.line(f"{state.name}: {wording.state_words(state)}", style="bold")
        if not state.steps:
            page.hanging("  ", "as it stands: cut it off and print it")
        for step in state.steps:
            page.hanging("  > ", plain(wording.step_words(step)))
            page.hanging("    ", wording.scale_words(step, plan))
            if step.kind == "dry":
                page.hanging("    ", HEAT)
            if step.care is not None:
                page.hanging("    ", plain(step.care))
        keeping = wording.keeping_words(state)
        if keeping is not None:
            page.hanging("  > ", plain(keeping))
    page.line()
    page.hanging("~ ", wording.BAGS)
    page.line()
    page.line(f"Order, drawn at random within blocks (seed {found.seed})", style="bold")
    for block in range(1, plan.prints + 1):
        names = [f"{turn.state} {turn.print}" for turn in found.order if turn.block == block]
        page.hanging(f"  block {block}  ", ", ".join(names))
    page.line()
    page.line("Calendar", style="bold")
    page.facts(
        [(wall(found.at_s + entry.at_s), plain(entry_words(entry, plan.spool))) for entry in found.calendar]
    )


def entry_words(entry: CalendarEntry, spool: str) -> str:
    """Return what is due in words."""
    sample = f"{spool}-{entry.state}"
    return {
        "cut": f"cut {sample} off {spool}: a loose coil",
        "weigh": f"weigh {sample}",
        "dry": f"{sample} into {entry.place}",
        "keep": f"{sample} to {entry.place}",
        "bag": f"{sample} into a tight bag",
        "print": f"print {entry.print} of {entry.state}",
    }[entry.kind]


def _doubts(page: Page, doubts: Sequence[Doubt]) -> None:
    for doubt in doubts:
        page.hanging("! ", plain(doubt.text), style="yellow")


def print_findings(found: SeriesFindings, stream: TextIO) -> None:
    """Print what a series shows."""
    page, plan = Page(stream), found.plan
    page.hanging(f"{plan.id}  ", plain(plan.question or "a series over states of water"), style="bold")
    _doubts(page, found.doubts)
    page.line()
    page.line("States", style="bold")
    page.facts([(state.name, of_state(state, plan.reference)) for state in found.states])
    if not found.quantities:
        page.line()
        page.hanging("  ", f"no result yet: gcodetool series result {plan.id} FILE.csv")
    for one in found.quantities:
        page.line()
        page.line(plain(wording.quantity_title(one.quantity)), style="bold")
        page.facts([(each.state, summary_words(one, i)) for i, each in enumerate(one.states)])
        for each in one.against:
            page.hanging(f"  > {each.state}: ", wording.against_words(each, one.quantity, plan))
        page.hanging("  > over water: ", wording.trend_words(one.trend, one.quantity))
        page.hanging("    ", wording.unit_words(one, plan))


def of_state(state: StateFound, reference: str) -> str:
    """Return what was printed of a state, and whether it was the state that was meant."""
    prints = f"{state.prints} print{'' if state.prints == 1 else 's'}"
    said = [f"{prints}, the reference" if state.name == reference else prints]
    if state.wt_pct is None:
        said.append("its water was not noted")
    else:
        low, high = state.wt_pct.p10, state.wt_pct.p90
        band = "" if low is None or high is None else f" ({content(low)} to {content(high)})"
        said.append(f"{content(state.wt_pct.p50)}{band} at the nozzle")
    if state.reached is not None:
        said.append("as planned" if state.reached else "not as planned")
    return ", ".join(said)


def summary_words(one: QuantityFound, place: int) -> str:
    """Return a state's mean with its interval."""
    state, unit = one.states[place], one.quantity.unit
    said = wording.mean_words(state.mean, state.interval, unit)
    if state.spread is not None:
        said += f", prints scatter by {wording.amount(state.spread, unit)}"
    prints = f"{state.prints} print{'' if state.prints == 1 else 's'}"
    return f"{said}; {prints}, {state.specimens} specimen{'' if state.specimens == 1 else 's'}"


def print_record(found: SeriesRecord, stream: TextIO) -> None:
    """Print a series as it stands: what was printed, what comes next, how many values there are."""
    page, plan = Page(stream), found.plan
    page.hanging(f"{plan.id}  ", plain(plan.question), style="bold")
    done = found.latest
    rows = []
    for turn in found.order:
        made = done.get((turn.state, turn.print))
        values = sum(value.state == turn.state and value.print == turn.print for value in found.counted)
        said = (
            "not printed" if made is None else f"{wall(made.at_s)}, {made.spool}, {content(made.wt_pct.p50)}"
        )
        if made is not None and made.sha256 != found.sha256:
            said += ", from another file"
        rows.append((f"{turn.state} {turn.print}", f"{said}; {values} value{'' if values == 1 else 's'}"))
    page.facts(rows)
    for before, after in found.corrections:
        page.hanging(
            "~ ", f"{after.words}: corrected from {before.value:g} to {after.value:g} (entry {after.number})"
        )
    ahead = [turn for turn in found.order if (turn.state, turn.print) not in done]
    if ahead:
        page.hanging("> ", f"next: print {ahead[0].print} of {ahead[0].state}")


def print_list(found: Sequence[SeriesRecord], stream: TextIO) -> None:
    """Print one line for each series."""
    page = Page(stream)
    if not found:
        page.hanging("", "no series was started; 'gcodetool series plan PLAN.toml' shows what one comes to")
    for one in found:
        whole = len(one.order)
        page.hanging(
            f"{one.plan.id}  ",
            f"{len(one.latest)} of {whole} prints, {len(one.counted)} values; started {wall(one.started_s)}; "
            f"{plain(one.plan.question)}",
        )
