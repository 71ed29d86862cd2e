"""What people do with spools, as entries: added, moved, weighed, looked at, fed, undone.

Each function is one transaction: it takes the ledger's lock, looks at what is there, refuses what cannot
be, and writes.  Figures that a check doubts pass with ``force``.  Left out: places (``place_entries``),
whole dryings (``dryings``).
"""

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import Connection

from gcodetool.errors import DoubtError, LedgerError
from gcodetool.ledger import entries, records
from gcodetool.ledger.call import CLOCK_SLACK_US, now_us
from gcodetool.ledger.cold_reels import said_of_cold
from gcodetool.ledger.dryers import heat_words, join, stated_heat
from gcodetool.ledger.entries import Draft, LedgerEntry, Subject, micro
from gcodetool.ledger.eventtables import check_event
from gcodetool.ledger.on_tools import said_of_mounted
from gcodetool.ledger.plausibility import check_plausible
from gcodetool.ledger.printed_jobs import in_words, of_report, refuse_again
from gcodetool.ledger.records import PlaceRecord, SpoolRecord, wall
from gcodetool.ledger.spoolfile import NAME
from gcodetool.ledger.store import Ledger, writing
from gcodetool.shell import shell_word
from gcodetool.tomlfile import shown


@dataclass(frozen=True)
class Written:
    """What a command wrote, and what is to be said about it."""

    entries: tuple[LedgerEntry, ...]
    notes: tuple[str, ...] = ()


@contextlib.contextmanager
def write_transaction(ledger: Ledger, at_s: float | None, *, force: bool) -> Iterator[tuple[Connection, int]]:
    """Give the connection that holds the lock, and the moment to write down [µs].

    Raises
    ------
    LedgerError
        The clock stands before the last note, and no moment was named.
    """
    with writing(ledger) as conn:
        if at_s is not None:
            yield conn, micro(at_s)
            return
        now = now_us()
        if not force:
            _refuse_wrong_clock(conn, now)
        yield conn, now


def _refuse_wrong_clock(conn: Connection, now: int) -> None:
    """Refuse to note a moment by a clock that others contradict: the server's, or that of the last note."""
    way_out = "set the clock, name the moment with --at, or add --force"
    server = entries.server_clock_us(conn)
    if server is not None and abs(now - server) > CLOCK_SLACK_US:
        raise DoubtError(f"this machine's clock says {wall(now)}, the server's {wall(server)}; {way_out}")
    last, who = entries.last_noted(conn)
    if now < last - CLOCK_SLACK_US:
        by = f" by {who}" if who else ""
        raise DoubtError(
            f"this machine's clock says {wall(now)}, but the last note was made at {wall(last)}{by}: one of the clocks is "
            f"wrong; {way_out}"
        )


# ---------------------------------------------------------------- spools


def add_spool(
    ledger: Ledger,
    spool_id: str,
    facts: Mapping[str, Any],
    *,
    place: str | None = None,
    received: Mapping[str, Any] | None = None,
    left_g: float | None = None,
    at_s: float | None = None,
    force: bool = False,
) -> Written:
    """Put a spool on the shelf.

    Parameters
    ----------
    facts
        Keys of a spool file but id, places and events: material, diameter_mm, net_mass_g, …
    place
        Where it was received; None = the only open place there is.
    received
        ``water_wt_pct`` or ``sealed``, as in a spool file.
    left_g
        Filament still on it, where it was begun before; None = all of it. [g]

    Raises
    ------
    LedgerError
        The id is taken, there is no such place, or more is left than there was.
    SpoolError, ProfileError
        A fact that cannot be.
    """
    if not NAME.fullmatch(spool_id):
        raise LedgerError(
            f"{shown(spool_id)} cannot be a spool's id; write small letters a-z, digits and '-' only"
        )
    with write_transaction(ledger, at_s, force=force) as (conn, at_us):
        if records.spool_record(spool_id, entries.of(conn, "spool", spool_id)) is not None:
            raise LedgerError(
                f"spool '{spool_id}' is on the shelf already; 'gcodetool spool set' corrects what it is"
            )
        known = records.places(conn)
        where = _arrival(known, place)
        draft = Draft(
            "spool",
            spool_id,
            "added",
            at_us,
            {**_told(facts), "received": {"place": where, **_told(received or {})}},
        )
        written = entries.append(conn, [draft, *_begun(spool_id, at_us, facts, left_g)])
        records.load_spool(conn, spool_id, known)  # refuses what cannot be; nothing is kept then
        record = records.spool(conn, spool_id)
        notes = check_plausible(record, records.bare(conn, record), force=force)
        unpacked = bool((received or {}).get("sealed")) and known[where].kind == "open"
        bags = any(each.kind == "sealed" for each in known.values())
        if unpacked and not bags:
            notes.append(_unpacked(spool_id, where))
        return Written(tuple(written), tuple(notes))


def _unpacked(spool_id: str, room: str) -> str:
    """Return what to mind with a new reel in room air, where the ledger has no bag that it could stay in."""
    return (
        f"note: {spool_id} counts as unpacked now; reels still in their bags go to a place of their own: "
        f"gcodetool place add bags --kind sealed --room {shell_word(room)}"
    )


def _begun(spool_id: str, at_us: int, facts: Mapping[str, Any], left_g: float | None) -> list[Draft]:
    """Return the entry of what a spool had lost before it came here; none where it is full."""
    if left_g is None:
        return []
    used_g = float(facts["net_mass_g"]) - left_g
    if not (left_g > 0 and used_g >= 0):
        raise LedgerError(
            f"{spool_id}: {left_g:g} g left of {facts['net_mass_g']:g} g cannot be; correct --left, or say what it "
            "held when new with --net-mass"
        )
    said = {"mass_g": used_g, "note": "used before it came here"}
    return [Draft("spool", spool_id, "fed", at_us, said)] if used_g else []


def _told(facts: Mapping[str, Any]) -> dict[str, Any]:
    """Return facts without those left open, and without empty tables."""
    found = {}
    for key, value in facts.items():
        kept = _told(value) if isinstance(value, Mapping) else value
        if kept is not None and kept != {}:
            found[key] = kept
    return found


def _arrival(known: Mapping[str, PlaceRecord], place: str | None) -> str:
    if place is not None:
        return records.place(known, place).name
    rooms = [name for name, each in known.items() if each.kind == "open"]
    if len(rooms) == 1:
        return rooms[0]
    if not known:
        raise LedgerError(
            "the ledger has no place yet; add the one it stands in: "
            "gcodetool place add bench --kind open --temperature 22 --humidity 48"
        )
    raise LedgerError(
        f"where is it? name the place with --place ({', '.join(rooms or known)}); there are several"
    )


def set_spool(
    ledger: Ledger,
    spool_id: str,
    changes: Mapping[str, Any],
    *,
    received_at_s: float | None = None,
    received: Mapping[str, Any] | None = None,
    at_s: float | None = None,
    force: bool = False,
) -> Written:
    """Correct what a spool is, or when and how it came in; None takes a fact out.  Errors as in `add_spool`."""
    facts: dict[str, Any] = dict(changes)
    if received_at_s is not None:
        facts["received_us"] = micro(received_at_s)
    if received:
        facts["received"] = dict(received)
    if not facts:
        raise LedgerError(f"{spool_id}: nothing to correct; name what, e.g. --body-mass 210")
    with write_transaction(ledger, at_s, force=force) as (conn, at_us):
        records.spool(conn, spool_id)
        written = entries.append(conn, [Draft("spool", spool_id, "set", at_us, facts)])
        after = records.spool(conn, spool_id)
        after_received(after, min((entry.at_us for entry in after.happened), default=after.received_us))
        notes = check_plausible(after, records.bare(conn, after), force=force)
        return Written(tuple(written), tuple(notes))


def move(
    ledger: Ledger,
    spool_id: str,
    place: str,
    *,
    tool: int | None = None,
    temperature_C: float | None = None,
    knob_C: float | None = None,
    at_s: float | None = None,
    note: str | None = None,
    force: bool = False,
) -> Written:
    """Note that a spool went to a place; on a printer, to a tool; into a dryer, and how hot that is.

    Parameters
    ----------
    temperature_C, knob_C
        What a dryer's air has from then on, or what its knob shows; neither: as the spools in it have it, else
        what the dryer is stated with.

    Raises
    ------
    LedgerError
        Unknown names, a moment before it was received, a tool or a temperature where there is none; more
        reels than a dryer takes, or another temperature than a later stay there has (unless *force*).
    """
    with write_transaction(ledger, at_s, force=force) as (conn, at_us):
        record, known = records.spool(conn, spool_id), records.places(conn)
        target = records.place(known, place)
        after_received(record, at_us)
        if tool is not None and target.kind != "printer":
            raise LedgerError(f"{place} is a place of kind '{target.kind}', without tools; leave --tool out")
        heat = stated_heat(temperature_C, knob_C)
        if heat and target.kind != "dryer":
            raise LedgerError(
                f"{place} is a place of kind '{target.kind}', no dryer; leave {heat_words(heat)} out"
            )
        facts: dict[str, Any] = {"place": place, **_told({"tool": tool})}
        notes: list[str] = []
        turned: list[Draft] = []
        if target.kind == "dryer":
            later_us = min((stay[0] for stay in record.stays() if stay[0] > at_us), default=None)
            joined = join(conn, target, [spool_id], at_us, later_us, heat, force=force)
            facts, notes, turned = {**facts, **joined.heat}, list(joined.notes), list(joined.turned)
        since_us, before, tool_before = record.stay(at_us)
        if before == place and tool_before == tool and not heat:
            notes.append(f"{spool_id} was at {place} already, since {wall(since_us)}")
        later = [stay for stay in record.stays() if stay[0] > at_us]
        if later:
            notes.append(f"back-dated: {wall(later[0][0])} it goes on to {later[0][1]}")
        if target.kind == "printer":
            notes += said_of_mounted(conn, spool_id, place, tool, at_us)
        notes += said_of_retired(record)
        notes += said_of_cold(conn, record, known, before, target, at_us)
        written = entries.append(
            conn, [Draft("spool", spool_id, "moved", at_us, noted(facts, note)), *turned]
        )
        return Written(tuple(written), tuple(notes))


def noted(facts: dict[str, Any], note: str | None) -> dict[str, Any]:
    """Return facts with a note, if there is one."""
    return facts if note is None else {**facts, "note": note}


def said_of_retired(record: SpoolRecord) -> list[str]:
    """Return what is to be said where something is noted of a retired spool."""
    return [f"{record.id} was retired; 'gcodetool spool undo' brings it back"] if record.retired else []


def after_received(record: SpoolRecord, at_us: int) -> None:
    """Refuse what happened before a spool came in."""
    if at_us < record.received_us:
        raise LedgerError(
            f"{record.id} was received {wall(record.received_us)}, so nothing can have happened to it "
            f"{wall(at_us)}; correct the one or the other: gcodetool spool set {record.id} --received TIME"
        )


def weigh(
    ledger: Ledger,
    spool_id: str,
    gross_g: float,
    *,
    resolution_g: float | None = None,
    at_s: float | None = None,
    note: str | None = None,
    force: bool = False,
) -> Written:
    """Note a weigh-in, reel and all.

    Raises
    ------
    LedgerError
        Unknown spool, a moment before it was received; less than the reel weighs, or more than a full and wet
        one (unless *force*).
    """
    facts: dict[str, Any] = {"gross_g": float(gross_g)}
    if resolution_g is not None:
        facts["resolution_g"] = float(resolution_g)
    return _happened(ledger, spool_id, "weighed", noted(facts, note), at_s=at_s, force=force)


def inspect(
    ledger: Ledger,
    spool_id: str,
    *,
    bubbles: str | None = None,
    oozes: bool | None = None,
    pops: bool | None = None,
    winding: str | None = None,
    free_end: str | None = None,
    at_s: float | None = None,
    note: str | None = None,
    force: bool = False,
) -> Written:
    """Note what the strand did at the nozzle, or what heat did to the winding and to a free end of strand.

    Errors: unknown spool, before it was received, nothing seen.
    """
    facts = _told(
        {"bubbles": bubbles, "oozes": oozes, "pops": pops, "winding": winding, "free_end": free_end}
    )
    return _happened(ledger, spool_id, "inspected", noted(facts, note), at_s=at_s, force=force)


def outcome(
    ledger: Ledger,
    spool_id: str,
    said: Mapping[str, Any],
    *,
    job: Mapping[str, Any] | None = None,
    at_s: float | None = None,
    note: str | None = None,
    force: bool = False,
) -> Written:
    """Note how a print came out; *said*: keys and values as an outcome in a spool file has them; *job* as in `fed`.

    Errors: unknown spool, before it was received, nothing said; the same word of the same report again (unless
    *force*).
    """
    if job is not None:
        note = in_words(job) + ("" if note is None else f"; {note}")
    facts = noted({**_told(said), **of_report(job)}, note)
    return _happened(ledger, spool_id, "outcome", facts, at_s=at_s, force=force, job=job)


def fed(
    ledger: Ledger,
    spool_id: str,
    *,
    length_mm: float | None = None,
    mass_g: float | None = None,
    job: Mapping[str, Any] | None = None,
    said: Mapping[str, Any] | None = None,
    at_s: float | None = None,
    note: str | None = None,
    force: bool = False,
) -> Written:
    """Note filament that went through the nozzle: a length, a mass, or what a job fed.

    Parameters
    ----------
    job
        ``digest`` of its report, ``name`` and ``length_mm``; of a job with several tools ``tool``; ``other_spool``
        where the report names another reel.
    said
        How the print came out, as in `outcome`: noted with it, in one command.

    Raises
    ------
    LedgerError
        Unknown spool, before it was received; more than there is, or the same report again (unless *force*).
    """
    facts = _told({"length_mm": length_mm, "mass_g": mass_g})
    if job is not None:
        facts = {"length_mm": job["length_mm"], **of_report(job)}
        note = f"{job['name']} {in_words(job)}" + ("" if note is None else f"; {note}")
    return _happened(
        ledger,
        spool_id,
        "fed",
        noted(facts, note),
        at_s=at_s,
        force=force,
        job=job,
        outcome=_told(said or {}),
    )


def _happened(
    ledger: Ledger,
    spool_id: str,
    kind: str,
    facts: dict[str, Any],
    *,
    at_s: float | None,
    force: bool,
    job: Mapping[str, Any] | None = None,
    outcome: Mapping[str, Any] | None = None,
) -> Written:
    with write_transaction(ledger, at_s, force=force) as (conn, at_us):
        record = records.spool(conn, spool_id)
        after_received(record, at_us)
        if job is not None and not force:
            refuse_again(record, kind, job, facts if kind == "outcome" else outcome or {})
        check_event({"kind": kind, "at": records.utc(at_us), **facts}, f"ledger, {spool_id}")
        drafts = [Draft("spool", spool_id, kind, at_us, facts)]
        if outcome:
            check_event({"kind": "outcome", "at": records.utc(at_us), **outcome}, f"ledger, {spool_id}")
            came_out = noted({**outcome, **of_report(job)}, None if job is None else in_words(job))
            drafts.insert(0, Draft("spool", spool_id, "outcome", at_us, came_out))
        written = entries.append(conn, drafts)
        after = replace(record, happened=(*record.happened, *written))
        notes = check_plausible(after, records.bare(conn, record), force=force, only=written[-1])
        if job is not None and job.get("other_spool"):
            notes.append(
                f"the report has {job['other_spool']} on that tool; noted of {spool_id} all the same"
            )
        return Written(tuple(written), (*notes, *said_of_retired(record)))


def undo(
    ledger: Ledger,
    spool_id: str,
    number: int | None = None,
    *,
    at_s: float | None = None,
    force: bool = False,
) -> Written:
    """Cancel the last command noted of a spool, or the one that an entry belongs to; an undo, too.

    Raises
    ------
    LedgerError
        Unknown spool or entry, one that is undone already, or one that others rest on (unless *force*).
    """
    with write_transaction(ledger, at_s, force=force) as (conn, at_us):
        rows = entries.of(conn, "spool", spool_id)
        if not rows:
            raise LedgerError(records.unknown("spool", spool_id, records.on_shelf(conn, retired=True)))
        targets, draft = to_undo("spool", spool_id, rows, number, at_us)
        written = entries.append(conn, [draft])
        others = _undone_with(conn, spool_id, targets, at_us, force=force)
        written += entries.append(conn, others)
        after = records.spool_record(spool_id, entries.of(conn, "spool", spool_id))
        notes: list[str] = []
        if after is None:
            left = [entry for entry in entries.live([*rows, *written]) if entry.kind != "added"]
            if not force:
                refuse_depending(
                    spool_id, left, f"take it off the shelf with 'gcodetool spool retire {spool_id}', "
                )
            notes.append(f"{spool_id} is off the shelf")
        else:
            after_received(after, min((entry.at_us for entry in after.happened), default=after.received_us))
            notes += check_plausible(after, records.bare(conn, after), force=force)
        return Written(tuple(written), tuple(notes))


def _undone_with(
    conn: Connection, spool_id: str, targets: list[LedgerEntry], at_us: int, *, force: bool
) -> list[Draft]:
    """Return the undoing of what a cut, or its undoing, wrote under the other name: reel and sample go together.

    Raises
    ------
    LedgerError
        Something happened to the sample since (unless *force*).
    """
    found = []
    for other in _other_side(targets):
        rows = entries.of(conn, "spool", other)
        calls = {entry.call for entry in targets}
        gone = entries.cancelled(rows)
        cancels = [entry for entry in rows if entry.call in calls and entry.number not in gone]
        after = [entry for entry in entries.live(rows) if entry not in cancels]
        if any(entry.kind == "added" for entry in cancels) and after and not force:
            raise DoubtError(
                f"{spool_id}: {other} was cut off it then, and {len(after)} more entries are about that; undo those "
                "first, or add --force"
            )
        if cancels:
            numbers = [entry.number for entry in cancels]
            found.append(Draft("spool", other, "undone", at_us, {"cancels": numbers, "with": spool_id}))
    return found


def _other_side(targets: list[LedgerEntry]) -> list[str]:
    """Return the names that a cut, or an undoing of one, is about too."""
    found = set()
    for entry in targets:
        cut = entry.facts.get("received", {}).get("cut_from", {}) if entry.kind == "added" else {}
        found |= {entry.facts.get("into"), cut.get("spool"), entry.facts.get("with")}
    return sorted(name for name in found if name)


def refuse_depending(name: str, left: Sequence[LedgerEntry], instead: str = "") -> None:
    """Refuse to undo a beginning that more entries rest on."""
    if left:
        raise DoubtError(
            f"{name}: {len(left)} more entries depend on this one; undo those first, {instead}or add --force"
        )


def to_undo(
    subject: Subject, name: str, rows: list[LedgerEntry], number: int | None, at_us: int
) -> tuple[list[LedgerEntry], Draft]:
    """Return the entries of the command to be undone, the last one noted or that of an entry, and their undoing.

    Raises
    ------
    LedgerError
        Nothing is left to undo, no such entry, or it is undone already.
    """
    targets = _to_cancel(subject, name, rows, number)
    return targets, Draft(subject, name, "undone", at_us, {"cancels": [entry.number for entry in targets]})


def _to_cancel(what: str, name: str, rows: list[LedgerEntry], number: int | None) -> list[LedgerEntry]:
    gone = entries.cancelled(rows)
    if number is None:
        counted = entries.live(rows)
        if not counted:
            last = max((entry.number for entry in rows if entry.kind == "undone"), default=None)
            back = "" if last is None else f"; 'gcodetool {what} undo {name} {last}' takes the last undo back"
            raise LedgerError(f"{name}: nothing left to undo{back}")
        chosen = counted[-1]
    else:
        found = next((entry for entry in rows if entry.number == number), None)
        if found is None:
            listed = ", ".join(str(entry.number) for entry in rows[-8:])
            raise LedgerError(f"{name} has no entry {number}; its last ones are {listed}")
        if number in gone:
            raise LedgerError(
                f"{name}: entry {number} is undone already (by entry {gone[number]}); "
                f"'gcodetool {what} undo {name} {gone[number]}' brings it back"
            )
        chosen = found
    return [entry for entry in rows if entry.call == chosen.call and entry.number not in gone]


def retire(
    ledger: Ledger,
    spool_id: str,
    *,
    at_s: float | None = None,
    note: str | None = None,
    force: bool = False,
) -> Written:
    """Take a spool off the shelf for good: empty, given away, spoilt; its history stays."""
    with write_transaction(ledger, at_s, force=force) as (conn, at_us):
        record = records.spool(conn, spool_id)
        if record.retired:
            return Written((), (f"{spool_id} is retired already",))
        return Written(
            tuple(entries.append(conn, [Draft("spool", spool_id, "retired", at_us, noted({}, note))]))
        )


def plan(
    ledger: Ledger,
    spool_id: str,
    facts: Mapping[str, Any],
    *,
    at_s: float | None = None,
) -> Written:
    """Note that a job is planned for a spool; its record stays as it is until ``fed`` says what was printed."""
    with write_transaction(ledger, at_s, force=True) as (conn, at_us):
        record = records.spool(conn, spool_id)
        for entry in entries.live(record.entries):
            if entry.kind == "planned" and entry.facts == dict(facts):
                return Written((), (f"{spool_id}: this plan is noted already (entry {entry.number})",))
        return Written(tuple(entries.append(conn, [Draft("spool", spool_id, "planned", at_us, dict(facts))])))
