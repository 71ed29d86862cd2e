"""A whole drying noted when it has ended: into the dryer, and back to where each spool was before.

Left out: single moves (``writers``), who shares a dryer (``dryers``).
"""

from collections.abc import Mapping, Sequence
from typing import Any

from gcodetool.errors import DoubtError, LedgerError
from gcodetool.ledger import entries, records
from gcodetool.ledger.dryers import as_place, heat_words, join, stated_heat
from gcodetool.ledger.entries import Draft, micro
from gcodetool.ledger.records import PlaceRecord, SpoolRecord, wall
from gcodetool.ledger.store import Ledger
from gcodetool.ledger.writers import Written, after_received, noted, said_of_retired, write_transaction
from gcodetool.moisture.dryer_runs import air_C

Known = Mapping[str, PlaceRecord]


def dried(
    ledger: Ledger,
    spools: str | Sequence[str],
    *,
    hours: float,
    temperature_C: float | None = None,
    knob_C: float | None = None,
    dryer: str | None = None,
    to: str | None = None,
    at_s: float | None = None,
    note: str | None = None,
    force: bool = False,
) -> Written:
    """Note a drying that ended at a moment, of one spool or of several together.

    Parameters
    ----------
    temperature_C, knob_C
        What the dryer's air had, or what its knob showed; neither: as it is stated.
    dryer
        None = the only one, or one that is made on the room that the spool stood in.
    to
        Where they went afterwards, if not back.

    Raises
    ------
    LedgerError
        Unknown names, no room to draw air from; another move in these hours, more reels than the dryer takes,
        or another temperature for others in it (unless *force*).
    """
    names = list(dict.fromkeys([spools] if isinstance(spools, str) else spools))
    with write_transaction(ledger, at_s, force=force) as (conn, end_us):
        known = records.places(conn)
        kept = [records.spool(conn, name) for name in names]
        begin_us = end_us - micro(3600.0 * hours)
        for record in kept:
            _was_still(record, begin_us, end_us, hours, force=force)
        heat = stated_heat(temperature_C, knob_C)
        drafts, machine, notes = _dryer(known, dryer, kept, begin_us, heat)
        joined = join(conn, machine, names, begin_us, end_us, heat, force=force)
        notes += [*joined.notes, *_said_of_knob(machine, heat)]
        for record in kept:
            facts = noted({"place": machine.name, **joined.heat}, note)
            drafts.append(Draft("spool", record.id, "moved", begin_us, facts))
            drafts.append(Draft("spool", record.id, "moved", end_us, _back(known, record, to, begin_us)))
        written = entries.append(conn, drafts)
        for record in kept:
            records.load_spool(conn, record.id)
            notes += said_of_retired(record)
        return Written(tuple(written), tuple(notes))


def _was_still(record: SpoolRecord, begin_us: int, end_us: int, hours: float, *, force: bool) -> None:
    """Refuse a drying before a spool came in, or one in whose hours it went elsewhere."""
    after_received(record, begin_us)
    between = [stay for stay in record.stays() if begin_us < stay[0] <= end_us]
    if between and not force:
        raise DoubtError(
            f"{record.id} went to {between[0][1]} at {wall(between[0][0])}, within these {hours:g} h; "
            "name the end of the drying with --at, undo that move, or add --force"
        )


def _back(known: Known, record: SpoolRecord, to: str | None, begin_us: int) -> dict[str, Any]:
    """Return where a spool goes after its drying, with the tool that it was on there."""
    before = [
        (place, tool)
        for _, place, tool in reversed(record.stays(begin_us))
        if place in known and known[place].kind != "dryer"
    ]
    if to is None and not before:
        raise LedgerError(f"{record.id} was nowhere but in a dryer; say where it went: --to PLACE")
    target = records.place(known, to).name if to is not None else before[0][0]
    tool = next((tool for place, tool in before if place == target), None)
    return {"place": target} if tool is None else {"place": target, "tool": tool}


def _said_of_knob(machine: PlaceRecord, heat: Mapping[str, float]) -> list[str]:
    """Return what the air really had, where that is not what was noted."""
    real = air_C(as_place(machine), **heat)
    noted_C = next(iter(heat.values()), None)
    if real is None or noted_C is None or abs(real - noted_C) < 0.05:
        return []
    return [f"{machine.name} really has {real:g} °C at {heat_words(heat)}"]


def _dryer(
    known: Known, dryer: str | None, kept: list[SpoolRecord], at_us: int, heat: Mapping[str, float]
) -> tuple[list[Draft], PlaceRecord, list[str]]:
    """Return the dryer that is meant; a draft where it is made for this, and what to say."""
    dryers = [name for name, each in known.items() if each.kind == "dryer"]
    if dryer is not None:
        found = records.place(known, dryer)
        if found.kind != "dryer":
            raise LedgerError(f"{dryer} is a place of kind '{found.kind}', no dryer; {_list(dryers)}")
        return [], found, []
    here = {record.stay(at_us)[1] for record in kept} & set(dryers)
    if len(here) == 1:
        return [], known[here.pop()], []
    if len(dryers) > 1:
        raise LedgerError(f"in which dryer? name it with --dryer ({', '.join(dryers)})")
    if dryers:
        return [], known[dryers[0]], []
    if not heat:
        raise LedgerError(
            "how hot? the ledger has no dryer yet; add --temperature C, or --knob C as it was set"
        )
    if "dryer" in known:
        raise LedgerError("'dryer' is a place of another kind; add yours: gcodetool place add …")
    room, celsius = _room(known, kept[0], at_us), next(iter(heat.values()))
    facts = {"kind": "dryer", "temperature_C": celsius, "room": room}
    said = f"added the place dryer: {celsius:g} °C, with the air of {room}; 'gcodetool place set' corrects it"
    draft = Draft("place", "dryer", "added", at_us, facts)
    made = records.place_record("dryer", [entries.drafted(draft)])
    assert made is not None  # it was added
    return [draft], made, [said]


def _list(names: list[str]) -> str:
    return f"there is {', '.join(names)}" if names else "add one with 'gcodetool place add NAME --kind dryer'"


def _room(known: Known, record: SpoolRecord, at_us: int) -> str:
    """Return the room that a dryer draws its air from: where the spool stood in room air last."""
    for _, place, _ in reversed(record.stays(at_us)):
        if place in known:
            if known[place].kind == "open":
                return place
            if known[place].facts.get("room"):
                return str(known[place].facts["room"])
    rooms = [name for name, each in known.items() if each.kind == "open"]
    if rooms:
        return rooms[0]
    raise LedgerError(
        "whose air does the dryer heat? add the room and the dryer: "
        "gcodetool place add bench --kind open --temperature 22 --humidity 48"
    )
