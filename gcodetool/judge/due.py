"""What needs a hand, and when: the dataclasses, and what a row of the shelf says of it.

In: rows of ``spool list`` and the kinds of places.  Out: `DueItem`, in no order.  Left out: spools in dryers and jobs
(``app.due`` asks for them), and every sentence (``report.due_words``).
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from gcodetool.judge.shelf_findings import SpoolRow

Kind = Literal[
    "take-out",
    "warm",
    "dry-elsewhere",
    "weigh",
    "look",
    "too-wet",
    "passes-marginal",
    "put-away",
    "desiccant",
    "start-by",
]
AT_ONCE_S: Final = 60.0  # the forecast's first steps: what is so after them is so now
AIRED: Final = ("open", "printer")  # kinds of places where a hand can keep a spool from getting wet


@dataclass(frozen=True)
class DueItem:
    """One thing to do.

    Attributes
    ----------
    kind
        What is to be done.
    at_s
        When, or since when; a moment that is past is due now. [s since 1970 UTC]
    spool, place, job
        About what; None where that is no part of it.
    detail
        What is said of it elsewhere in this tool: a dryer's line, a scale's figure, a reason.
    """

    kind: Kind
    at_s: float
    spool: str | None = None
    place: str | None = None
    job: str | None = None
    detail: str = ""


@dataclass(frozen=True)
class DueFindings:
    """All that needs a hand, the first thing first.

    Attributes
    ----------
    as_of_s, within_s
        The moment that is looked from, and how far ahead counts as due.
    items
        Everything that the forecast sees, beyond *within_s* too.
    troubles
        Spools that nothing can be said of, a line each.
    """

    as_of_s: float
    within_s: float
    items: tuple[DueItem, ...]
    troubles: tuple[str, ...] = ()

    @property
    def due(self) -> tuple[DueItem, ...]:
        """Those within the time that was asked for."""
        return tuple(item for item in self.items if item.at_s <= self.as_of_s + self.within_s)


def of_row(row: SpoolRow, kinds: Mapping[str, str], now_s: float) -> Iterator[DueItem]:
    """Yield what one spool needs that is in no dryer; *kinds* tells the kind of each place."""
    kind = kinds.get(row.place)
    about = {"spool": row.spool, "place": row.place}
    if row.heat is not None:
        yield DueItem("look", now_s, detail=row.heat.removeprefix(f"{row.spool}: "), **about)
    if row.word == "empty" or kind == "dryer":
        return
    if row.word == "unknown":
        if kind == "printer":
            yield DueItem("look", now_s, **about)
    elif row.word == "wet":
        if kind == "printer":
            yield DueItem("too-wet", now_s, **about)
    elif row.keeps_s is not None and kind in AIRED:
        yield DueItem("passes-marginal" if kind == "printer" else "put-away", now_s + row.keeps_s, **about)


def of_boxes(rows: list[SpoolRow], now_s: float) -> Iterator[DueItem]:
    """Yield when the desiccant of each place is spent, by the spool in it that says so first."""
    first: dict[str, float] = {}
    for row in rows:
        if row.spent_s is not None:
            first[row.place] = min(row.spent_s, first.get(row.place, row.spent_s))
    for place, spent_s in first.items():
        yield DueItem("desiccant", now_s + (spent_s if spent_s > AT_ONCE_S else 0.0), place=place)
