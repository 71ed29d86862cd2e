"""Limits from one's own prints on one page: the answer, outcomes over content, record by record.

Left out: the page around it (``page``), and the sentences (``limits_text``).
"""

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from gcodetool import __version__
from gcodetool.limits.findings import LimitsFindings
from gcodetool.limits.influence import Moved
from gcodetool.limits.learning import LimitBand
from gcodetool.limits.signs import SHARP, answers
from gcodetool.report.html import page
from gcodetool.report.html.charts import BAND, FAINT, GOOD, INK, LINE, MARGINAL, PAPER, Chart, both_sizes
from gcodetool.report.limits_text import against, facts, headline, record_words, what_to_do, whose

Floats = NDArray[np.float64]

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST: Final = 200  # records listed on the page; `limits show --records` has them all
TICKS: Final = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20)  # wt %


def limits_page(found: LimitsFindings) -> str:
    """Return the page."""
    from markupsafe import Markup

    chart = outcomes_over_content(found)
    left_out = max(0, len(found.records) - MOST)
    return page.written(
        "limits.html",
        {"material": found.material},
        version=__version__,
        whose=whose(found),
        headline=headline(found),
        todo=what_to_do(found),
        facts=list(facts(found)),
        chart={"wide": Markup(chart.wide), "narrow": Markup(chart.narrow)},
        left_out=left_out,
        records=[
            record_words(one, contradicts=against(found) if place in found.contradicted else "")
            for place, one in enumerate(found.records[left_out:], left_out)
        ],
    )


def outcomes_over_content(found: LimitsFindings) -> Chart:
    """Return how prints came out over the water they were made of, and where the limits lie."""
    wet = [(one.wt_pct, sign) for one in found.records if (sign := sign_of_water(one)) is not None]

    def draw(axes: "Axes", narrow: bool) -> None:
        contents = [content for content, _ in wet]
        low = min([*contents, found.stated[0] / 2, found.learned.good.p10])
        high = max([*contents, found.stated[1] * 2, found.learned.marginal.p90])
        along = np.geomspace(low, high, 120)
        for band, tone in ((found.learned.good, GOOD), (found.learned.marginal, MARGINAL)):
            axes.axvspan(band.p10, band.p90, color=tone, alpha=0.13, linewidth=0)
            axes.axvline(band.p50, color=tone, linewidth=1.6)
        for stated, name in zip(found.stated, ("good", "marginal"), strict=True):
            axes.axvline(stated, color=FAINT, linewidth=1.3, dashes=(3, 3))
            axes.annotate(
                f"{name}, stated",
                (stated, 1.0),
                xycoords=("data", "axes fraction"),
                xytext=(-4, 4),  # above the points
                textcoords="offset points",
                ha="right",
                color=FAINT,
                fontsize=11,
            )
        sooner, middle, later = (chance(along, each) for each in _limits(found.learned.marginal))
        axes.fill_between(along, later, sooner, color=BAND, alpha=0.55, linewidth=0)
        axes.plot(along, middle, color=LINE, linewidth=2.2)
        for i, (content, sign) in enumerate(wet):
            height, face = abs(sign - 0.02 * (1 + i % 5)), PAPER if sign == 0 else INK
            axes.plot([content], [height], "o", color=face, mec=INK, mew=1.4, ms=7)
        axes.set_xscale("log")
        axes.set_xlim(low, high)
        at = [each for each in TICKS if low <= each <= high]
        axes.set_xticks(at, [f"{each:g}" for each in at])
        axes.set_xticks([], minor=True)
        axes.set_ylim(-0.03, 1.03)
        axes.set_xlabel("water at the nozzle, wt %")
        axes.set_ylabel("share with signs of water")

    told = f"{len(wet)} prints and looks of {whose(found)}, by whether water showed, over the water they were made of"
    return both_sizes(draw, f"Limits of {whose(found)}", told, "limits", top=26)


def chance(content: Floats, limit: float) -> Floats:
    """Return the chance that water shows at a content, the marginal limit being known. [-]"""
    return np.asarray(1.0 / (1.0 + np.exp(-np.log(content / limit) / SHARP)))


def _limits(band: LimitBand) -> tuple[float, float, float]:
    return band.p10, band.p50, band.p90


def sign_of_water(one: Moved) -> int | None:
    """Return 1 where any word speaks of too much water, 0 where none does; None: no word speaks of the marginal limit."""
    asked = [each.passed for each in answers(one.evidence.said) if each.sign.limit == "marginal"]
    return int(any(asked)) if asked else None
