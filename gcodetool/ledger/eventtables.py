"""What happened to a spool, from the tables of its record.

Left out: what became of its water.
"""

import functools
import math
from collections.abc import Callable
from typing import Any, Final, get_args

from gcodetool.errors import SpoolError
from gcodetool.ledger.airlogfile import COLDEST_C, HOTTEST_C
from gcodetool.ledger.call import LONGEST_WHO, is_writer_name
from gcodetool.ledger.recordtables import Given, asked, kind_of_table, only_of_kind
from gcodetool.moisture.record import (
    Event,
    EventKind,
    Origin,
    Outcome,
    Place,
)
from gcodetool.tomlfile import Table, nearest, shown

REPORT: Final = ("report", "report_tool")  # a job's report that it was noted from, and which tool of it
EVENT_KEYS: Final[dict[str, tuple[str, ...]]] = {  # besides at, kind, who (noted it) and note
    "received": ("place", "water_wt_pct", "sealed"),
    "moved": ("place", "tool", "temperature_C", "knob_C"),
    "weighed": ("gross_g", "resolution_g"),
    "inspected": ("bubbles", "oozes", "pops", "winding", "free_end"),
    "fed": ("length_mm", "mass_g", *REPORT),
    "cut": ("length_mm", "into", "cut_from", "place"),
    "outcome": ("strings", "bubbles", "surface", "parts", "because", "nozzle_C", "melt_s", "job", *REPORT),
}
OUTCOME_WORDS: Final[dict[str, tuple[str, ...]]] = {  # the better word first
    "strings": ("none", "few", "many"),
    "bubbles": ("none", "few", "many"),
    "surface": ("smooth", "matt", "rough"),
    "parts": ("good", "usable", "scrap"),
    "because": ("water", "other"),
}
SIGNS: Final = tuple(word for word in OUTCOME_WORDS if word != "because")  # how a print came out, not why


def events_of(
    table: Table, places: dict[str, Place], metre_g: float, origins: tuple[Origin, ...]
) -> tuple[Event, ...]:
    """Return the events by time; exactly one `received`, nothing before it, and the cuts that *origins* name."""
    tables = table.array("event")
    events = [_event(entry, places, metre_g) for entry in tables]
    received = [
        (event, entry) for event, entry in zip(events, tables, strict=True) if event.kind == "received"
    ]
    if not received:
        table.fail(None, "no event of kind 'received'; add one: when and where the spool came in")
    if len(received) > 1:
        received[1][1].fail("kind", f"a second 'received'{_line(received[0][0], 'the first: ')}; keep one")
    first = received[0][0]
    for event, entry in zip(events, tables, strict=True):
        if event.at_s < first.at_s:
            text = f"'{event.kind}' is before 'received'{_line(first)}; correct one of the two times"
            entry.fail("at", text)
    found = tuple(sorted(events, key=lambda event: (event.at_s, event.kind != "received")))
    cuts = [event.cut_from for event in found if event.cut_from is not None]
    named = [origin.id for origin in origins]
    if cuts != named:
        text = (
            f"[[cut_from]] names {', '.join(named) or 'nothing'}, the events of kind 'cut' say that it was cut from "
            f"{', '.join(cuts) or 'nothing'}; write one [[cut_from]] for each, in order"
        )
        table.fail("cut_from", text)
    return found


def _line(event: Event, what: str = "") -> str:
    """Return where another event stands, in brackets; nothing where it stands in no file."""
    return "" if event.line is None else f" ({what}line {event.line})"


def check_event(data: dict[str, Any], source: str) -> None:
    """Refuse keys and values that no event of a spool file has; errors as in :func:`spool_of`."""
    _event(Table(Given(source, "", data, SpoolError), data, ()), {}, 1.0)


def _event(table: Table, places: dict[str, Place], metre_g: float) -> Event:
    kind: EventKind = kind_of_table(table, get_args(EventKind))
    only_of_kind(table, EVENT_KEYS[kind], ("at", "kind", "who"), kind)
    if (who := table.text("who")) is not None and not is_writer_name(who):
        table.fail("who", f"{shown(who)} cannot be a name; {LONGEST_WHO} letters, digits and spaces at most")
    table.need("at")
    at_s = table.moment("at")
    assert at_s is not None  # need() saw it
    if kind in ("received", "moved"):
        table.need("place")
        name = table.text("place") or ""
        if name not in places:
            table.fail("place", f"no place {shown(name)} in this file; {nearest(name, places)}")
        if kind == "moved":
            _check_heat(table, places[name])
    if kind == "weighed":
        table.need("gross_g")
    if kind == "cut":
        _check_cut(table, places)
    if kind == "inspected" and not any(key in table for key in EVENT_KEYS["inspected"]):
        table.fail(None, "an inspection says nothing; add bubbles, oozes, pops, winding or free_end")
    if kind in ("fed", "outcome"):
        table.text("report")
        table.whole("report_tool", high=255)
    read: dict[str, Any] = {key: _READERS[key](table, key) for key in table.data if key in _READERS}
    if kind == "fed":
        read["length_mm"] = _fed_mm(table, metre_g)
    if kind == "outcome":
        read["outcome"] = _outcome(table)
    return Event(at_s=at_s, kind=kind, **read, line=table.document.line(table.keys))


_READERS: Final[dict[str, Callable[..., Any]]] = {  # of the keys that an event keeps as they are
    "place": Table.text,
    "tool": functools.partial(Table.whole, high=255),
    "temperature_C": functools.partial(Table.number, low=COLDEST_C, high=HOTTEST_C),
    "knob_C": functools.partial(Table.number, low=COLDEST_C, high=HOTTEST_C),
    "water_wt_pct": functools.partial(Table.number, low=0, high=100),
    "sealed": Table.flag,
    "gross_g": functools.partial(Table.number, high=1e6, above=0),
    "resolution_g": functools.partial(Table.number, high=1e4, above=0),
    "bubbles": functools.partial(Table.choice, known=OUTCOME_WORDS["bubbles"]),
    "oozes": Table.flag,
    "pops": Table.flag,
    "winding": functools.partial(Table.choice, known=("good", "deformed")),
    "free_end": functools.partial(Table.choice, known=("stands", "sags")),
    "length_mm": functools.partial(Table.number, low=0, high=1e9),
    "into": Table.text,
    "cut_from": Table.text,
}


def _outcome(table: Table) -> Outcome:
    """Return how a print came out, in the words that the record has for it."""
    words: dict[str, Any] = {
        key: table.choice(key, known) for key, known in OUTCOME_WORDS.items() if key in table
    }
    if not words.keys() - {"because"}:
        table.fail(None, "an outcome says nothing; add strings, bubbles, surface or parts")
    table.text("job")
    return Outcome(
        **words,
        nozzle_C=table.number("nozzle_C", low=50, high=600),
        melt_s=table.number("melt_s", high=1e5, above=0),
    )


def _check_cut(table: Table, places: dict[str, Place]) -> None:
    """Refuse a cut that does not say which side of it this record is."""
    table.need("length_mm")
    if ("into" in table) == ("cut_from" in table):
        table.fail(
            None, "a 'cut' needs one of into (the sample's id) and cut_from (what it was cut from); name one"
        )
    if "cut_from" in table:
        table.need("place")
    name = table.text("place")
    if name is not None and places and name not in places:
        table.fail("place", f"no place {shown(name)} in this file; {nearest(name, places)}")


def _check_heat(table: Table, place: Place) -> None:
    """Refuse a temperature where nothing is heated, and two of them."""
    for key in ("temperature_C", "knob_C"):
        if key in table and place.kind != "dryer":
            table.fail(key, f"{place.name} is a place of kind '{place.kind}', no dryer; take {key} out")
    if "temperature_C" in table and "knob_C" in table:
        table.fail(
            "knob_C",
            "temperature_C is what the air has, knob_C what the knob shows; keep the one that was read",
        )


def _fed_mm(table: Table, metre_g: float) -> float:
    """Return the length that went through the nozzle [mm]."""
    if ("length_mm" in table) == ("mass_g" in table):
        table.fail(None, "a 'fed' event needs one of length_mm and mass_g; add it or take one out")
    length_mm = table.number("length_mm", low=0, high=1e9)
    if length_mm is not None:
        return length_mm
    return asked(table, "mass_g", high=1e6, above=-math.inf) / metre_g * 1e3
