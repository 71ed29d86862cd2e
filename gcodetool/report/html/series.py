"""The pages of a test series: the plan to hang beside the machine, and the report with every specimen as a point.

Left out: the page around them (``page``), and the pictures (``series_charts``).
"""

from typing import TYPE_CHECKING, Any

from gcodetool import __version__
from gcodetool.drying.words import HEAT, content
from gcodetool.report.html import page, series_charts
from gcodetool.report.series_text import entry_words, of_state, summary_words
from gcodetool.series import wording
from gcodetool.series.findings import QuantityFound, SeriesFindings
from gcodetool.series.plan import PlannedState, SeriesOutlook

if TYPE_CHECKING:
    pass


def report_page(found: SeriesFindings) -> str:
    """Return the page of a report."""
    return page.written(
        "series.html",
        {"at": found.as_of_s},
        version=__version__,
        title=found.plan.id,
        question=found.plan.question or "What does water do to these prints?",
        at_s=found.as_of_s,
        doubts=[doubt.text for doubt in found.doubts],
        states=[(state.name, of_state(state, found.plan.reference), state.reached) for state in found.states],
        quantities=[_drawn(one, found, str(number)) for number, one in enumerate(found.quantities)],
        plan=found.plan,
    )


def _drawn(one: QuantityFound, found: SeriesFindings, name: str) -> dict[str, Any]:
    water = series_charts.over_water(one, found, name)
    return {
        "title": wording.quantity_title(one.quantity),
        "by_state": series_charts.over_states(one, found, name).pictures(),
        "over_water": None if water is None else water.pictures(),
        "readings": [
            (each.state, each.reading, wording.against_words(each, one.quantity, found.plan))
            for each in one.against
        ],
        "line": None if one.trend is None else "full" if one.trend.shown else "dotted",
        "matters": one.trend is not None and one.trend.matters is not None,
        "cut": series_charts.is_cut(one),
        "trend": wording.trend_words(one.trend, one.quantity),
        "unit": wording.unit_words(one, found.plan),
        "summaries": [(each.state, summary_words(one, i)) for i, each in enumerate(one.states)],
        "prints": [
            (
                f"{each.state} {each.print}",
                "?" if each.wt_pct is None else content(each.wt_pct.p50),
                ", ".join(wording.amount(value, None) for value in each.values),
                wording.amount(each.mean, None),
            )
            for each in one.prints
        ],
    }


def plan_page(found: SeriesOutlook) -> str:
    """Return the page of a plan."""
    plan, demand = found.plan, found.demand
    return page.written(
        "series_plan.html",
        {"at": found.at_s},
        version=__version__,
        title=plan.id,
        question=plan.question or "What does water do to these prints?",
        at_s=found.at_s,
        doubts=[doubt.text for doubt in found.doubts],
        powers=[
            (wording.quantity_title(one.quantity), wording.power_words(one, plan)) for one in found.powers
        ],
        strand=[
            (
                "a print",
                f"{demand.print_mm / 1000:.2f} m: {demand.job_mm / 1000:.2f} m the job, the rest block and way",
            ),
            ("a state", f"{found.states[0].sample_mm / 1000:.1f} m, {found.states[0].sample_g:.0f} g"),
            ("in all", f"{found.strand_mm / 1000:.1f} m of {found.left_mm / 1000:.1f} m on {plan.spool}"),
        ],
        states=[_made(state, found) for state in found.states],
        blocks=[
            (block, [f"{turn.state} {turn.print}" for turn in found.order if turn.block == block])
            for block in range(1, plan.prints + 1)
        ],
        calendar=[(found.at_s + entry.at_s, entry_words(entry, plan.spool)) for entry in found.calendar],
        bags=wording.BAGS,
        seed=found.seed,
    )


def _made(state: PlannedState, found: SeriesOutlook) -> dict[str, Any]:
    return {
        "name": state.name,
        "holds": wording.state_words(state),
        "keeping": wording.keeping_words(state),
        "steps": [
            {
                "words": wording.step_words(step),
                "scale": wording.scale_words(step, found.plan),
                "care": HEAT if step.kind == "dry" else step.care,
            }
            for step in state.steps
        ],
    }
