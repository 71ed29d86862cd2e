"""Pages: what a template needs, from what the commands say.  Every word from outside is escaped and cut.

Left out: who may see them (``visitors``), forms that come back (``web``).
"""

import time
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import quote

import jinja2
from markupsafe import Markup

from gcodetool.app.access import visitors
from gcodetool.app.noting import Subject, history
from gcodetool.app.places import place as look_at_place
from gcodetool.app.storage import agent_of
from gcodetool.errors import GcodetoolError
from gcodetool.report.as_text import duration, percent
from gcodetool.report.due_words import due_at, what, why_on_page
from gcodetool.report.html.idle_curve import idle_curve, in_words
from gcodetool.report.html.page import clean, held_together, moment, sentence
from gcodetool.report.shelf_text import MARKS, Happened, air_in_words, brief, when, words
from gcodetool.report.storage_text import regeneration
from gcodetool.serve.fields import AGO, CAME, DIAMETERS, OUTCOME, SCALES
from gcodetool.serve.looks import JOBS_AT_A_TIME_S, Looks
from gcodetool.serve.settings import Settings

if TYPE_CHECKING:
    from gcodetool.app.access import Pass
    from gcodetool.app.places import PlaceOnShelf
    from gcodetool.app.spools import ListedSpool

TEMPLATES: Final = Path(__file__).parent / "templates"
KINDS: Final = ("printer", "box", "sealed", "dryer", "open")  # in the order in which one reaches for them
KIND_WORDS: Final = {
    "printer": "printer",
    "box": "dry box",
    "sealed": "bag",
    "dryer": "dryer",
    "open": "room air",
}
SHOWN_DUE: Final = 4
PAST: Final = 14
MATCHES_PLACE: Final = "open box sealed"


def address(subject: str, name: str) -> str:
    """Return where a spool's or a place's page is.

    >>> address("spool", "pa6-07"), address("place", "box 2")
    ('/s/pa6-07', '/p/box%202')
    """
    return f"/{subject[0]}/{quote(name, safe='')}"


class Views:
    """The pages of one server."""

    def __init__(self, settings: Settings, looks: Looks) -> None:
        self.settings, self.looks = settings, looks
        self.home = jinja2.Environment(
            loader=jinja2.FileSystemLoader(TEMPLATES),
            autoescape=True,
            trim_blocks=True,
            lstrip_blocks=True,
            undefined=jinja2.StrictUndefined,
        )
        self.home.filters.update(
            clean=clean, duration=duration, moment=moment, percent=percent, sentence=sentence, brief=brief,
            words=words, when=when, air=air_in_words, what=what, why=why_on_page, due_at=due_at,
        )  # fmt: skip
        self.home.globals.update(
            address=address,
            marks=MARKS,
            kind_words=KIND_WORDS,
            ago=AGO,
            scales=SCALES,
            settings=settings,
            of_row=of_row,
            outcome=OUTCOME,
            came=CAME,
            diameters=DIAMETERS,
        )

    def page(self, template: str, **context: Any) -> str:
        """Return a template filled in."""
        shared = {"now_s": time.time(), "form": None, "banner": None, "device": None}
        return held_together(self.home.get_template(template).render({**shared, **context}))

    def shelf(self, **context: Any) -> str:
        """Return the list of spools, with what is due before it."""

        def make() -> str:
            listed, found = self.looks.shelf(), self.looks.due()
            return self.page("shelf.html", listed=listed, due=found.due, shown=SHOWN_DUE, **context)

        return self.looks.page("shelf", context.get("device"), make)

    def due(self, **context: Any) -> str:
        """Return what needs a hand."""

        def make() -> str:
            return self.page("due.html", found=self.looks.due(), **context)

        return self.looks.page("due", context.get("device"), make)

    def spool(self, name: str, **context: Any) -> str:
        """Return one spool; errors as of ``app.resolve.ledger_spool``."""
        row = next((each for each in self.looks.shelf() if each.id == name), None)
        seen, trouble = None, None
        try:
            seen = self.looks.spool(name)
        except GcodetoolError as error:
            if row is None:
                raise
            trouble = str(error)
        past = self.looks.past("spool", name)
        places = ordered(self.looks.places())
        here = None if row is None or row.row is None else row.row.place
        return self.page(
            "spool.html",
            name=name, row=None if row is None else row.row, seen=seen, trouble=trouble, places=places, here=here,
            dryers=[each for each in places if each.kind == "dryer"], past=past[-PAST:][::-1], left=len(past) - PAST,
            last=latest(past), curve=None if seen is None else idle_curve(seen),
            curve_words=in_words(seen) if seen is not None and seen.ahead else "", **context,
        )  # fmt: skip

    def place(self, name: str, **context: Any) -> str:
        """Return one place; errors as of ``app.places.place``."""
        known = {each.name: each for each in self.looks.places()}
        # of a name that is none, that function says so
        found = known[name] if name in known else look_at_place(name, ledger=self.settings.ledger)

        def inside() -> str:
            rows = {each.id: each for each in self.looks.shelf()}
            return self.page("inside.html", inside=[rows[each] for each in found.spools if each in rows])

        past, standing = self.looks.past("place", name), self.looks.page(f"inside {name}", None, inside)
        return self.page(
            "place.html", place=found, inside=Markup(standing), past=past[-PAST:][::-1], left=len(past) - PAST,
            last=latest(past), measured=found.kind in MATCHES_PLACE.split(), desiccants=self.looks.desiccants(found.kind),
            again=self.dried_again(found), stock=self.looks.stock(), **context,
        )  # fmt: skip

    def dried_again(self, found: "PlaceOnShelf") -> list[str]:
        """Return how the desiccant that is in a place is dried again, with its cautions."""
        if found.charge.desiccant is None:
            return []
        try:
            agent = agent_of(found.name, ledger=self.settings.ledger)
        except GcodetoolError:  # the page has its own words on a record that cannot be read
            return []
        return [] if agent is None else list(regeneration(agent))

    def jobs(self, **context: Any) -> str:
        """Return the jobs that wait."""
        found, missing = self.looks.jobs(wait_s=JOBS_AT_A_TIME_S)
        return self.page("jobs.html", jobs=found, missing=missing, **context)

    def happened(self, subject: Subject, name: str, numbers: tuple[int, ...]) -> list[Happened]:
        """Return some entries of a spool or a place."""
        return [
            each for each in history(subject, name, ledger=self.settings.ledger) if each.number in numbers
        ]

    def visitors(self) -> "list[Pass]":
        """Return who may come in."""
        return visitors(ledger=self.settings.ledger)

    def places(self, **context: Any) -> str:
        """Return the list of places."""
        return self.page("places.html", places=ordered(self.looks.places()), **context)


def ordered(places: "list[PlaceOnShelf]") -> "list[PlaceOnShelf]":
    """Return places in the order in which one reaches for them."""
    return sorted(places, key=lambda each: (KINDS.index(each.kind), each.name))


def latest(past: list[Happened]) -> int:
    """Return the number of the last entry; 0 where there is none."""
    return max((each.number for each in past), default=0)


def of_row(each: "ListedSpool") -> Mapping[str, str]:
    """Return the words of one row of the shelf."""
    row = each.row
    if row is None:
        return {"word": "unknown", "says": "cannot be read", "where": "?"}
    says = row.drying.short if row.drying is not None else row.word
    if row.drying is None and row.whole_word not in (row.word, "empty"):
        says += f", {row.whole_word} inside"
    return {
        "word": row.word,
        "says": says,
        "where": row.place if row.tool is None else f"{row.place} T{row.tool}",
    }
