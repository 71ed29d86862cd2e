"""Answers given before, kept whole in the user's cache folder: a list that is asked about again, for the same moment.

The key is the digest of everything that an answer rests on: the list, the content of its files, the spools with their
records, the printers, the moment, what was asked for, profiles and code.  Where the content of a file is not known without
reading it, or the call was stopped, nothing is kept.  An answer is JSON; whatever is damaged or does not fit counts as not
there.  Left out: how JSON becomes an answer again (``from_facts``), what single jobs and spools come to (``job_cache``,
``forecast_store``).
"""

import hashlib
import importlib.util
import os
import time
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, Final

from gcodetool import profiles
from gcodetool.cachefile import CacheFolder, seal, stamp_of, unseal
from gcodetool.queue import forecast_store, job_cache
from gcodetool.queue.findings import QueueFindings
from gcodetool.queue.from_facts import built
from gcodetool.queue.job_list import JobList
from gcodetool.queue.reading import Wanted
from gcodetool.queue.tasks import Stock, every_wanted
from gcodetool.quickdata import dataclass

KIND: Final = "answer/1"
SUFFIX: Final = ".answer"
MOST_ANSWERS: Final = 50  # beyond it the older half goes


@dataclass(frozen=True)
class Question:
    """What is asked; ``more``: the moment and all options that a plan goes by."""

    job_list: JobList
    stock: Stock
    more: tuple[Any, ...]

    def key(self, folder: Path | None) -> str | None:
        """Return the digest of all that the answer rests on; None: a file must be read before it is known."""
        contents = None if folder is None else _contents(every_wanted(self.job_list, self.stock), folder)
        if contents is None:
            return None
        asked = replace(self.job_list, unattended=frozenset())
        digest = hashlib.sha256(
            f"{_stamp()} {asked!r} {sorted(self.job_list.unattended)} {self.more!r}".encode()
        )
        digest.update("\n".join(contents).encode())
        for name, spool in sorted(self.stock.spools.items()):
            digest.update(f"\n{name} ".encode())
            forecast_store.add_record(digest, spool)
        digest.update(repr(sorted(self.stock.broken.items())).encode())
        return digest.hexdigest()


def load(folder: Path | None, question: Question) -> QueueFindings | None:
    """Return the answer that was given before; None: there was none."""
    key = question.key(folder)
    return None if key is None else unseal(KIND, CacheFolder(folder, SUFFIX).get(key), _answer)


def _answer(facts: dict[str, Any], _: bytes) -> QueueFindings:
    return built(QueueFindings, facts)


def save(folder: Path | None, question: Question, found: QueueFindings) -> None:
    """Keep an answer, unless its call was stopped."""
    key = question.key(folder) if found.complete else None
    if key is not None:
        CacheFolder(folder, SUFFIX).put(key, seal(KIND, asdict(found)))
        CacheFolder(folder, SUFFIX).prune(MOST_ANSWERS)


def _contents(wanted: Sequence[Wanted], folder: Path) -> list[str] | None:
    """Return the key of each job's content; None where one of them must be read first."""
    index, stamps = job_cache.Index(folder), job_cache.LimitStamps()
    found = []
    for each in wanted:
        try:
            known = index.digest(each.path, job_cache.signature(each.path))
        except OSError:
            return None
        if known is None:
            return None
        found.append(f"{known} {stamps.of(each.printer, each.diameters)}")
    return found


def _stamp() -> str:
    """Return what changes with the code, the profiles, the clock's zone, and with the solver that is there."""
    files = [
        path
        for kind in profiles.SINGULAR
        for folder in profiles.folders(kind)
        for path in folder.glob("*.toml")
    ]
    zone = (time.tzname, time.timezone, time.altzone, os.environ.get("TZ"))
    found = importlib.util.find_spec("ortools")
    solver = [] if found is None or found.origin is None else [Path(found.origin)]
    return f"{forecast_store.forecasting_stamp()} {stamp_of([*files, *solver])} {zone!r}"
