"""Forecasts made before, kept in the user's cache folder: one file for each spool, its record and the options.

A list that is planned again for the same evening is mostly known already.  The key is the digest of
everything behind an outcome: the record with its places and logs, the machines, the options, the code; within
the file an outcome stands under the digest of the spool's steps, each job among them by its own.  Whatever is
damaged or does not fit counts as not there.
"""

import functools
import hashlib
from array import array
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, Final, Protocol

from gcodetool import profiles
from gcodetool.cachefile import CacheFolder, code_in, seal, stamp_of, unseal
from gcodetool.moisture.record import Spool
from gcodetool.queue.forecast_memo import ForecastMemo, StoredForecasts
from gcodetool.queue.from_facts import built

KIND: Final = "forecasts/4"
SUFFIX: Final = ".forecasts"
MOST_FORECASTS: Final = 20_000  # spools' forecasts; beyond it the older half goes
PACKAGES: Final = (
    "gcode",
    "motion",
    "moisture",
    "drying",
    "judge",
    "queue",
)  # what an outcome is computed by


class Digest(Protocol):
    """A digest that takes in more."""

    def update(self, data: bytes, /) -> object:
        """Take in more."""


def load(folder: Path | None, memo: ForecastMemo) -> None:
    """Let *memo* know what was kept for its spools."""
    if folder is None:
        return
    for name in memo.spools:
        data = CacheFolder(folder, SUFFIX).get(forecasts_key(memo, name))
        memo.known[name] = unseal(KIND, data, _stored) or StoredForecasts()


def save(folder: Path | None, memo: ForecastMemo) -> None:
    """Keep what *memo* was asked for, in place of what was kept for the same spools; nothing new: nothing done."""
    if folder is None or not memo.computed:
        return
    kept: dict[str, StoredForecasts] = {}

    def of(spool: str) -> StoredForecasts:
        return kept.setdefault(spool, StoredForecasts())

    for (history, step), row in memo.prints.items():
        if row.left_mm is not None and not history.shared:  # else its record does not say: no outcome
            of(history.spool).prints[history.with_step(step).digest] = row
    for (history, stay), dried in memo.dryings.items():
        if history.shared or stay.beside:
            continue  # another spool's record has a part in it, and is not in the key
        of(history.spool).dryings[history.with_step(stay).digest] = dried
    for (history, dryer, in_s, length_mm, shared_C), time in memo.times.items():
        if history.shared:
            continue
        of(history.spool).times[history.drying_key(dryer, in_s, length_mm, shared_C)] = time
    for (history, stay, step, wanted), hours in memo.hours.items():
        if not history.shared and not stay.beside:
            of(history.spool).hours[history.hours_key(stay, step, wanted)] = hours
    for spool, left_mm in memo.left.items():
        of(spool).left_mm = left_mm
    for spool, wet in memo.wetness.items():
        of(spool).wet = wet
    for spool in sorted(memo.computed & set(kept)):
        CacheFolder(folder, SUFFIX).put(forecasts_key(memo, spool), seal(KIND, asdict(kept[spool])))
    CacheFolder(folder, SUFFIX).prune(MOST_FORECASTS)


def forecasts_key(memo: ForecastMemo, name: str) -> str:
    """Return the digest of all that a spool's outcomes rest on, but its steps."""
    digest = hashlib.sha256(f"{forecasting_stamp()} {memo.options!r} {memo.machines}".encode())
    digest.update(f"{memo.past(name).digest} {memo.pasts.since.get(name)!r}".encode())
    add_record(digest, memo.spools[name])
    return digest.hexdigest()


def add_record(digest: Digest, spool: Spool) -> None:
    """Let a digest take in all that the record of a spool holds."""
    for place in spool.places.values():
        digest.update(f"\n{replace(place, log=None)!r}".encode())
        if place.log is not None:
            for column in (place.log.at_s, place.log.temperature_C, place.log.rh_pct):
                digest.update(array("d", column).tobytes())
    digest.update(repr(replace(spool, places={})).encode())


@functools.cache
def forecasting_stamp() -> str:
    """Return what changes with the code that forecasts, and with the reels that an unknown one is taken for."""
    bodies = [profiles.path_of("spool-bodies", name) for name in profiles.names("spool-bodies")]
    return stamp_of([*code_in(*PACKAGES), *bodies])


def _stored(facts: dict[str, Any], _: bytes) -> StoredForecasts:
    return built(StoredForecasts, facts)
