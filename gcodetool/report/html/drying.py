"""The status of spools in a dryer on one page: the answer, what the scale shows, what the wettest turns hold.

Left out: the page around it (``page``), and the pictures (``drying_charts``).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from gcodetool import __version__
from gcodetool.drying import status_words, words
from gcodetool.drying.runs import PastRun, WeighIn
from gcodetool.drying.status import Ahead, DryingStatus
from gcodetool.report.drying_text import about_status, status_facts
from gcodetool.report.html import drying_charts, page

if TYPE_CHECKING:
    pass


@dataclass(frozen=True)
class SpoolRun:
    """One spool's status, its run up to now, and its weigh-ins."""

    said: DryingStatus
    past: tuple[Ahead, ...]
    readings: tuple[WeighIn, ...]


def drying_page(found: Sequence[SpoolRun], runs: Sequence[PastRun]) -> str:
    """Return the page; *runs*: earlier and present ones of the dryer, to lie over each other."""
    first = found[0].said
    return page.written(
        "drying.html",
        {"at": first.as_of_s},
        version=__version__,
        dryer=first.dryer,
        at_s=first.as_of_s,
        title=first.spool if len(found) == 1 else first.dryer,
        spools=[_drawn(one) for one in found],
        runs=None if len(runs) < 2 else drying_charts.over_each_other(runs, first.dryer).pictures(),
        listed=runs,
        heat=words.HEAT,
    )


def _drawn(one: SpoolRun) -> dict[str, Any]:
    said = one.said
    weighed = bool(one.readings) and any(each.gross_g is not None for each in said.course)
    return {
        "headline": status_words.headline(said),
        "about": about_status(said),
        "facts": status_facts(said),
        "name": said.spool,
        "scale": drying_charts.on_scale(said, one.past, one.readings).pictures() if weighed else None,
        "turns": drying_charts.in_turns(said, one.past).pictures(),
    }
