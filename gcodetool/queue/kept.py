"""Forecasts made before, kept in the user's cache folder: one file for each spool, its record and the terms.

A list that is planned again for the same evening is mostly known already.  The key is the digest of
everything behind an outcome: the record with its places and logs, the machines, the terms, the code; within
the file an outcome stands under the digest of the spool's steps, each job among them by its own.  Whatever is
damaged or does not fit counts as not there.
"""

import functools
import hashlib
import json
from array import array
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, Final

import gcodetool
from gcodetool import profiles
from gcodetool.moisture.record import Spool
from gcodetool.queue import cache
from gcodetool.queue.chain import Dried, DryingTime
from gcodetool.queue.findings import ToolRow
from gcodetool.queue.shelf import Known, Shelf

ROOMS: Final = ("moisture", "drying", "advice", "queue")


def load(folder: Path | None, shelf: Shelf) -> None:
    """Let *shelf* know what was kept for its spools."""
    if folder is None:
        return
    for name in shelf.spools:
        shelf.known[name] = _read(folder / (key_of(shelf, name) + cache.FATES))


def save(folder: Path | None, shelf: Shelf) -> None:
    """Keep what *shelf* was asked for, in place of what was kept for the same spools; nothing new: nothing done."""
    if folder is None or not shelf.computed:
        return
    kept: dict[str, Known] = {}

    def of(spool: str) -> Known:
        return kept.setdefault(spool, Known())

    for (chain, step), row in shelf.prints.items():
        if row.left_mm is not None:  # else its record does not say: no outcome
            of(chain.spool).prints[chain.then(step).digest] = row
    for (chain, stay), dried in shelf.dryings.items():
        of(chain.spool).dryings[chain.then(stay).digest] = dried
    for (chain, dryer, in_s, length_mm), time in shelf.times.items():
        of(chain.spool).times[chain.asked(dryer, in_s, length_mm)] = time
    for spool, left_mm in shelf.left.items():
        of(spool).left_mm = left_mm
    for spool, wet in shelf.wetness.items():
        of(spool).wet = wet
    for spool in sorted(shelf.computed & set(kept)):
        text = json.dumps(asdict(kept[spool])).encode()
        data = hashlib.sha256(text).hexdigest().encode() + b"\n" + text
        cache.write(folder / (key_of(shelf, spool) + cache.FATES), data)


def key_of(shelf: Shelf, name: str) -> str:
    """Return the digest of all that a spool's outcomes rest on, but its steps."""
    digest = hashlib.sha256(f"{build_stamp()} {bodies_stamp()} {shelf.terms!r}".encode())
    for word, machine in sorted(shelf.printers.items()):
        profile = machine.profile
        bare = None if profile is None else replace(profile, path=None, note=None)
        digest.update(f"\n{word} {bare!r} {machine.places!r}".encode())
    spool: Spool = shelf.spools[name]
    for place in spool.places.values():
        digest.update(f"\n{replace(place, log=None)!r}".encode())
        if place.log is not None:
            for column in (place.log.at_s, place.log.temperature_C, place.log.rh_pct):
                digest.update(array("d", column).tobytes())
    digest.update(repr(replace(spool, places={})).encode())
    return digest.hexdigest()


@functools.cache
def build_stamp() -> str:
    """Return what changes when the code changes that forecasts."""
    home = Path(gcodetool.__file__).parent
    return cache.stamp_of([path for room in ROOMS for path in (home / room).iterdir()])


@functools.cache
def bodies_stamp() -> str:
    """Return what changes with the reels that an unknown one is taken for."""
    found = [profiles.path_of("spool-bodies", name) for name in profiles.names("spool-bodies")]
    return " ".join(f"{path} {path.stat().st_mtime_ns}" for path in found)


def _read(path: Path) -> Known:
    try:
        if path.stat().st_size > cache.LARGEST * 8:
            return Known()
        digest, _, text = path.read_bytes().partition(b"\n")
        if hashlib.sha256(text).hexdigest().encode() != digest:
            return Known()
        return _known(json.loads(text))
    except (OSError, ValueError, TypeError, KeyError):
        return Known()


def _known(facts: dict[str, Any]) -> Known:
    rows = {digest: {**row, "cautions": tuple(row["cautions"])} for digest, row in facts["prints"].items()}
    return Known(
        prints={digest: ToolRow(**row) for digest, row in rows.items()},
        dryings={digest: Dried(**each) for digest, each in facts["dryings"].items()},
        times={
            digest: None if each is None else DryingTime(**each) for digest, each in facts["times"].items()
        },
        left_mm=facts["left_mm"],
        wet=facts["wet"],
    )
