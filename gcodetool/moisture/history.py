"""A spool's record to the state of its water: every stay in every place, simulated in turn.

``state_at(spool, now_s)`` replays the events.  Nothing here reads files or a clock.  A measured
log is averaged over windows that grow into the past.
Weigh-ins and inspections weigh the members (``learning``); with one member they are only recorded.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetool.errors import SpoolError
from gcodetool.moisture import snapshot
from gcodetool.moisture.airlog import log_air
from gcodetool.moisture.bag_note import bag_notes
from gcodetool.moisture.company import Company, members_beside, pictures_of, together_picture, until
from gcodetool.moisture.constants import HOUR_S
from gcodetool.moisture.ensemble import Ensemble, ensemble_at, first_ensemble
from gcodetool.moisture.field import SpoolIntegrator
from gcodetool.moisture.known import known_at, later_readings
from gcodetool.moisture.learning import learned, reel_of
from gcodetool.moisture.members import some_of
from gcodetool.moisture.notes import Note
from gcodetool.moisture.places import (
    ROOM_C,
    ROOM_RH_PCT,
    Surroundings,
    stretches,
    surroundings,
)
from gcodetool.moisture.record import Event, Spool
from gcodetool.moisture.replay import Replay, in_words
from gcodetool.moisture.shared_air import Companion
from gcodetool.moisture.state import Quantiles, State, marched, quantile, quantiles

__all__ = [  # what other packages import from here, whichever file of this package computes it
    "ROOM_C",
    "ROOM_RH_PCT",
    "Quantiles",
    "State",
    "Surroundings",
    "aged",
    "log_air",
    "quantile",
    "quantiles",
    "reel_of",
    "state_at",
    "stretches",
    "surroundings",
]

Floats = NDArray[np.float64]


def state_at(
    spool: Spool, now_s: float, *, members: int = 1, shelf: snapshot.SnapshotStore | None = None
) -> State:
    """Return the state of *spool* at *now_s*, from its record.

    Parameters
    ----------
    spool
        Its events sorted by time, the first one `received`.
    now_s
        Seconds since 1970-01-01 UTC; later events are ignored with a note.
    members
        1: the nominal parameters alone; else draws from their stated ranges.
    shelf
        Where a snapshot of the last event may lie, and is left for the next time.

    Raises
    ------
    SpoolError
        The record does not say what is needed: no `received`, a place without its air.
    """
    notes: list[Note] = list(later_readings(spool, now_s))
    spool = known_at(spool, now_s)
    counted = until(spool, now_s)
    if len(counted) < len(spool.events):
        notes.append(
            Note(
                "ignored",
                f"{in_words(len(spool.events) - len(counted), 'event')} later than the moment asked for",
            )
        )
    if not counted:
        line, way_out = None, "add 'received'"
        if spool.events:
            line, hours = spool.events[0].line, (spool.events[0].at_s - now_s) / HOUR_S
            later = f"{hours:.1f} h" if hours < 48.0 else f"{hours / 24.0:.0f} days"
            way_out = f"its record begins {later} later, so ask for later"
        raise SpoolError.at(spool.source or spool.id, line, f"no event up to the moment asked for; {way_out}")
    if counted[0].kind != "received":
        raise SpoolError.at(
            spool.source or spool.id, counted[0].line, f"'{counted[0].kind}' stands before 'received'"
        )
    if spool.relatives:  # what is noted of these is in no snapshot's key
        shelf = None
    if shelf is not None:
        kept = _taken_up(spool, counted, now_s, notes, members, shelf)
        if kept is not None:
            return kept
    together = _replayed(spool, first_ensemble(spool, counted, members), counted, now_s, notes)
    weights = np.full(members, 1.0 / members)
    if together.own.ensemble.at is not None and together.own.record:
        together, weights = learned(
            spool, together, lambda anew: _replayed(spool, anew, counted, now_s, notes)
        )
    if shelf is not None:
        every = [counted, *(until(other, now_s) for other in spool.neighbours)]
        shelf.save(members, _kept(together, every, weights))
    return replace(_state(together), weights=weights)


def _kept(together: "Company[Replay]", events: Sequence[Sequence[Event]], weights: Floats) -> bytes:
    """Return a snapshot of the replays as they stood after the last event."""
    facts, arrays = together_picture([one.captured for one in together.replays])
    ensemble = together.own.ensemble
    facts = {
        **facts,
        "events": [len(each) for each in events],
        "until_s": max(each[-1].at_s for each in events if each),
        "said": [(note.kind, note.text) for note in together.own.said],
        "doubts": ensemble.names,
    }
    arrays = {**arrays, "weights": weights}
    if ensemble.at is not None:
        arrays["at"] = ensemble.at
    told = zip(together.replays, events, strict=True)
    key = snapshot.joint_key([(one.spool, each, one.polymer.members) for one, each in told])
    return snapshot.write(key, facts, arrays)


def _taken_up(
    spool: Spool,
    events: list[Event],
    now_s: float,
    notes: list[Note],
    members: int,
    shelf: snapshot.SnapshotStore,
) -> State | None:
    """Return the state from a snapshot and what happened since; None where it does not fit the record."""
    data = shelf.load(members)
    if data is None:
        return None
    every = [events, *(until(other, now_s) for other in spool.neighbours)]
    beside = members_beside(members, len(spool.neighbours))
    counts = [members, *(beside for _ in spool.neighbours)]

    def key(facts: dict[str, Any]) -> str:
        if len(facts["events"]) != len(every):
            return ""
        told = zip((spool, *spool.neighbours), every, facts["events"], counts, strict=True)
        return snapshot.joint_key([(one, each[:seen], count) for one, each, seen, count in told])

    got = snapshot.read(data, key)
    if got is None:
        return None
    facts, arrays = got
    since = [each[seen:] for each, seen in zip(every, facts["events"], strict=True)]
    if members > 1 and any(event.kind in ("weighed", "inspected") for event in since[0]):
        return None  # to be learned from, with all that came before
    if any(event.at_s < facts["until_s"] for each in since for event in each):
        return None  # noted later, of a time that was marched through without it
    ensemble = ensemble_at(spool, arrays.get("at"), tuple(facts["doubts"]))
    together = _together(spool, ensemble, events, now_s, notes)
    pictures = pictures_of(facts, arrays)
    for one, picture, each, seen in zip(together.replays, pictures, every, facts["events"], strict=True):
        if picture is not None:
            one.restore(*picture, each[seen - 1])
    together.own.said = [Note(*each) for each in facts["said"]]
    together.through(facts["events"])
    if any(since):
        together.capture()
        shelf.save(members, _kept(together, every, arrays["weights"]))
    together.until(now_s)
    return replace(_state(together), weights=arrays["weights"])


def _together(
    spool: Spool, ensemble: Ensemble, events: list[Event], now_s: float, notes: list[Note]
) -> "Company[Replay]":
    """Return the replay of a spool with those of its neighbours, which share closed places, desiccants and air."""
    if spool.more_neighbours:
        more = in_words(spool.more_neighbours, "more spool")
        notes = [*notes, Note("ignored", f"{more} that stood in the same closed places: too many to follow")]
    members = members_beside(ensemble.polymer.members, len(spool.neighbours))
    happened = [until(other, now_s) for other in spool.neighbours]
    others = [
        Replay(other, _ensemble_beside(spool, ensemble, other, each, members), now_s, [])
        for other, each in zip(spool.neighbours, happened, strict=True)
    ]
    return Company([Replay(spool, ensemble, now_s, list(notes)), *others], [events, *happened])


def _ensemble_beside(
    spool: Spool, ensemble: Ensemble, other: Spool, events: Sequence[Event], members: int
) -> Ensemble:
    """Return a neighbour's members: of the same reel some of the spool's own, else drawn for itself."""
    if other.reel_id != spool.reel_id or ensemble.at is None or members == 1:
        return first_ensemble(other, events, members)
    return ensemble_at(other, ensemble.at[some_of(ensemble.at.shape[0], members)], ensemble.names)


def _state(together: "Company[Replay]") -> State:
    found, others = together.own.state(), together.names_beside()
    notes = bag_notes(found)
    if others:
        notes.append(Note("note", f"shares the air of {together.own.box} with {', '.join(others)}"))
    return replace(found, company=together.beside(), notes=(*found.notes, *notes))


def _replayed(
    spool: Spool, ensemble: Ensemble, events: list[Event], now_s: float, notes: list[Note]
) -> "Company[Replay]":
    together = _together(spool, ensemble, events, now_s, notes)
    together.through()
    together.capture()
    together.until(now_s)
    for number, relative in enumerate(spool.relatives if ensemble.at is not None else (), 1):
        beside = Replay(relative, ensemble, now_s, [])
        _lone(beside, until(relative, now_s))
        together.own.heard_from(beside, number)
    return together


def _lone(replay: "Replay", events: Sequence[Event]) -> None:
    """Replay a record by itself: of a relative counts what a scale and eyes said."""
    for event in events:
        replay.until(event.at_s)
        replay.apply(event)


def aged(state: State, around: Surroundings, seconds: float, *, company: Sequence[Companion] = ()) -> State:
    """Return the state after *seconds* idle in constant air; *company*: others that go into a closed place with it."""
    if company:
        reel = marched(replace(state, company=tuple(company)), most=None)
        reel.surround(around.reel, joined=True)
    else:
        reel = marched(state)
        reel.surround(around.reel, again=state.stays_in(around))
    reel.run(seconds)
    path = None
    if state.path is not None:
        march = SpoolIntegrator(state.path, state.polymer)
        march.surround(around.path)
        march.run(seconds)
        path = march.field()
    place, since_s = state.place, state.since_s
    if around.place is not None and around.place != place:
        place, since_s = around.place, state.as_of_s
    return replace(
        state,
        as_of_s=state.as_of_s + seconds,
        field=reel.field(),
        company=reel.company,
        path=path,
        place=place,
        since_s=since_s,
        enclosed=around.reel if around.reel.closed else None,
    )
