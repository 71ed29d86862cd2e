"""What pages are made from, kept while nothing changes: the list of spools, jobs that wait, their pages.

What is kept rests on the number of the ledger's last entry, and on the clock: it is at most half a minute old.
"""

import functools
import threading
import time
from collections import OrderedDict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from gcodetool.app.due import WITHIN_S, due_of
from gcodetool.app.noting import Subject, history, newest, stock
from gcodetool.app.places import places
from gcodetool.app.resolve import ledger_spool
from gcodetool.app.review import review_page
from gcodetool.app.spools import look, spools
from gcodetool.app.storage import kinds_for
from gcodetool.app.waiting import WaitingJob, job_files, waiting_job
from gcodetool.serve.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Callable

    from gcodetool.app.due import DueFindings
    from gcodetool.app.places import PlaceOnShelf
    from gcodetool.app.spools import ListedSpool, SpoolFindings
    from gcodetool.report.shelf_text import Happened

OLDEST_S: Final = 30.0
JOBS_AT_A_TIME_S: Final = 3.0  # a page of jobs is sent after that; the next one knows more
MOST_KEPT: Final = 400


class Looks:
    """What was looked at last."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        kinds = ("shelf", "due", "job", "spool", "page", "places", "past", "desiccants", "stock")
        self.locks = {what: threading.Lock() for what in kinds}
        self.kept: OrderedDict[tuple[Any, ...], tuple[float, Any]] = OrderedDict()

    def _kept(self, key: tuple[Any, ...], make: "Callable[[], Any]") -> Any:
        """Return what *make* gives, or gave not long ago; one at a time makes it, the others wait for that."""
        with self.locks[key[0]]:
            at_s, found = self.kept.get(key, (-OLDEST_S, None))
            if time.monotonic() - at_s >= OLDEST_S:
                found = make()
                self.kept[key] = (time.monotonic(), found)
                self.kept.move_to_end(key)
                while len(self.kept) > MOST_KEPT:
                    self.kept.popitem(last=False)
            return found

    def shelf(self) -> "list[ListedSpool]":
        """Return the list of spools."""
        head, asked = newest(ledger=self.settings.ledger), self.settings
        found: list[ListedSpool] = self._kept(
            ("shelf", head), lambda: spools(ledger=asked.ledger, members=asked.members)
        )
        return found

    def spool(self, name: str) -> "SpoolFindings":
        """Return all that is known of one spool; errors as of ``app.resolve.ledger_spool``."""
        asked = self.settings

        def make() -> "SpoolFindings":
            held = ledger_spool(name, ledger=asked.ledger)  # never a file that is called so
            return look(held, members=asked.members, ledger=asked.ledger)

        found: SpoolFindings = self._kept(("spool", name, newest(ledger=asked.ledger)), make)
        return found

    def page(self, what: str, device: str | None, make: "Callable[[], str]") -> str:
        """Return a page without forms, made anew when something changed."""
        found: str = self._kept(("page", what, device, newest(ledger=self.settings.ledger)), make)
        return found

    def places(self) -> "list[PlaceOnShelf]":
        """Return the places."""
        head, asked = newest(ledger=self.settings.ledger), self.settings
        found: list[PlaceOnShelf] = self._kept(("places", head), lambda: places(ledger=asked.ledger))
        return found

    def past(self, subject: Subject, name: str) -> "list[Happened]":
        """Return what was noted of a spool or a place."""
        asked = self.settings
        found: list[Happened] = self._kept(
            ("past", subject, name, newest(ledger=asked.ledger)),
            lambda: history(subject, name, ledger=asked.ledger),
        )
        return found

    def desiccants(self, place_kind: str) -> list[str]:
        """Return the desiccants that such a place may hold, by name."""
        found: list[str] = self._kept(("desiccants", place_kind), lambda: kinds_for(place_kind))
        return found

    def stock(self) -> tuple[list[str], list[str]]:
        """Return the materials and the reels' bodies that there are, by name."""
        found: tuple[list[str], list[str]] = self._kept(("stock",), stock)
        return found

    def due(self) -> "DueFindings":
        """Return what needs a hand, of the jobs those that were looked at."""

        def make() -> "DueFindings":
            kinds = {each.name: each.kind for each in self.places()}
            waiting, _ = self.jobs()
            return due_of(
                self.shelf(), kinds, waiting, now_s=time.time(), within_s=WITHIN_S,
                members=self.settings.members, ledger=self.settings.ledger,
            )  # fmt: skip

        found: DueFindings = self._kept(("due", newest(ledger=self.settings.ledger)), make)
        return found

    def jobs(self, *, wait_s: float = 0.0) -> tuple[list[WaitingJob], int]:
        """Return the jobs that are known, and how many are not looked at yet; *wait_s*: look at more meanwhile."""
        if self.settings.jobs is None:
            return [], 0
        found, missing = [], 0
        until = time.monotonic() + wait_s
        head = newest(ledger=self.settings.ledger)
        for path in job_files(self.settings.jobs):
            key = ("job", str(path), stamp(path), head)
            known = self.kept.get(key)
            if known is None and time.monotonic() >= until:
                missing += 1
            elif known is not None and not wait_s:
                found.append(known[1])
            else:
                found.append(self._kept(key, functools.partial(self._job, path)))
        return found, missing

    def _job(self, path: Path) -> WaitingJob:
        asked = self.settings
        return waiting_job(path, printer=asked.printer, members=asked.members, ledger=asked.ledger)

    def job_page(self, name: str) -> str | None:
        """Return the page on one job; None: there is none of that name.

        Raises
        ------
        GcodetoolError
            It cannot be read.
        """
        if self.settings.jobs is None:
            return None
        path = next((each for each in job_files(self.settings.jobs) if each.name == name), None)
        if path is None:
            return None
        asked = self.settings

        def make() -> str:
            return review_page(path, printer=asked.printer, members=asked.members, ledger=asked.ledger)[1]

        found: str = self._kept(("job", "page", str(path), stamp(path), newest(ledger=asked.ledger)), make)
        return found


def stamp(path: Path) -> tuple[int, int]:
    """Return what tells one content of a file from another: its size and when it was written."""
    try:
        found = path.stat()
    except OSError:
        return (0, 0)
    return found.st_size, found.st_mtime_ns
