"""A replay's field as bytes and back: what lets a long record be taken up where it was left.

``write`` and ``read`` know no files; ``key`` is the hash of everything behind a snapshot, stored in it
and compared before a byte of it is used.  Left out: where they lie (``ledger.snapshots``).
"""

import bisect
import hashlib
from collections.abc import Callable, Sequence
from dataclasses import fields, replace
from operator import attrgetter
from typing import TYPE_CHECKING, Any, Final, Protocol

from gcodetool.cachefile import seal, unseal
from gcodetool.moisture.record import Event, Place, Spool

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

KIND: Final = "snapshot/5"
MODEL: Final = "9"  # of the physics: another one, and no old snapshot fits


class SnapshotStore(Protocol):
    """Where snapshots lie, one for each spool and number of members; ``ledger.snapshots`` has one of files."""

    def load(self, members: int) -> bytes | None:
        """Return what was saved, or None."""

    def save(self, members: int, data: bytes) -> None:
        """Keep *data* if that is possible."""


SnapshotStoreFor = Callable[[Spool], SnapshotStore | None]


def no_snapshots(_: Spool) -> None:
    """Keep no snapshots of any spool."""


def key(spool: Spool, events: Sequence[Event], *, members: int) -> str:
    """Return the hash of what a state after *events* rests on: record, places, material, members, model."""
    import numpy as np

    digest = hashlib.sha256(f"{MODEL} {members} {len(events)}".encode())
    for place in relied_on(spool, events):
        digest.update(repr(replace(place, log=None)).encode())
        if place.log is not None:
            stop = _readings(place, events)
            for column in (place.log.at_s, place.log.temperature_C, place.log.rh_pct):
                digest.update(np.asarray(column[:stop], dtype="<f8").tobytes())
    behind = (
        spool.id,
        replace(
            spool.material, path=None
        ),  # what it says, wherever that stands: two installations may share a shelf
        spool.diameter_mm,
        spool.net_mass_g,
        spool.fibre_wt_pct,
        spool.winding,
    )
    digest.update(repr((*behind, spool.body, spool.origins)).encode())
    told = attrgetter(*(each.name for each in fields(Event) if each.name != "line"))
    for event in events:
        digest.update(repr(told(event)).encode())
    return digest.hexdigest()


def joint_key(records: Sequence[tuple[Spool, Sequence[Event], int]]) -> str:
    """Return the hash of what a state rests on where spools stood together: of each its events and members."""
    keys = [key(spool, events, members=members) for spool, events, members in records]
    return keys[0] if len(keys) == 1 else hashlib.sha256(" ".join(keys).encode()).hexdigest()


def relied_on(spool: Spool, events: Sequence[Event]) -> list[Place]:
    """Return the places whose air a state after *events* rests on: those it stood in, and what these draw on."""
    found: dict[str, Place] = {}
    ahead = [event.place for event in events]
    while ahead:
        name = ahead.pop()
        if name is not None and name in spool.places and name not in found:
            found[name] = spool.places[name]
            ahead += [found[name].room, found[name].fed_from]
    return [found[name] for name in sorted(found)]


def _readings(place: Place, events: Sequence[Event]) -> int | None:
    """Return how many readings of a place count up to the last event, the next one among them; None: all.

    A reel found open is taken to be in balance with the mean of all that was ever read where it was.
    """
    came = events[0]
    if place.log is None or (came.water_wt_pct is None and not came.sealed):
        return None
    return bisect.bisect_left(place.log.at_s, events[-1].at_s) + 1


def write(key_: str, facts: dict[str, Any], arrays: "dict[str, Floats]") -> bytes:
    """Return a snapshot: its key, small facts and arrays, and a digest over all of it.

    >>> import numpy as np
    >>> read(write("k", {"at_s": 1.5}, {"x": np.arange(2.0)}), "k")
    ({'at_s': 1.5}, {'x': array([0., 1.])})
    """
    import numpy as np

    head = {
        "key": key_,
        "facts": facts,
        "arrays": [[name, list(one.shape)] for name, one in arrays.items()],
    }
    return seal(
        KIND, head, b"".join(np.ascontiguousarray(one, dtype="<f8").tobytes() for one in arrays.values())
    )


def read(
    data: bytes, key_: str | Callable[[dict[str, Any]], str]
) -> "tuple[dict[str, Any], dict[str, Floats]] | None":
    """Return facts and arrays; None where the snapshot is damaged, or rests on anything else than *key_*.

    *key_* may be a function of the facts.
    """
    import numpy as np

    def build(head: dict[str, Any], columns: bytes) -> "tuple[dict[str, Any], dict[str, Floats]] | None":
        if head["key"] != (key_ if isinstance(key_, str) else key_(head["facts"])):
            return None
        arrays, at = {}, 0
        for name, shape in head["arrays"]:
            count = int(np.prod(shape))
            arrays[name] = np.frombuffer(columns, "<f8", count, offset=8 * at).reshape(shape).copy()
            at += count
        return head["facts"], arrays

    return unseal(KIND, data, build)
