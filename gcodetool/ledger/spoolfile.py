"""A spool's TOML file to its record: what the spool is, where it stood, what happened to it.

:func:`read_spool` checks everything a record can contradict itself in, and names the line.  Paths
in the file are relative to it.  Left out: the moisture state, which is computed from the record,
and whether the figures are plausible together (a dryer hotter than its reel: it happened).
"""

import csv
import datetime
import io
import math
import re
from array import array
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Final, Literal, NoReturn, get_args

from gcodetool import profiledata, profiles, quantities
from gcodetool.errors import SpoolError
from gcodetool.ledger.call import LONGEST_WHO, is_writer_name
from gcodetool.moisture import bag
from gcodetool.moisture.record import (
    AirLog,
    Body,
    Charge,
    Event,
    EventKind,
    Origin,
    Outcome,
    Place,
    PlaceKind,
    Spool,
    Thermometer,
)
from gcodetool.textfile import MOST_LOG, MOST_RECORD, read_text, seconds_of
from gcodetool.tomlfile import Document, Keys, Table, load, nearest, printable, shown

CLOSED_KEYS: Final = (  # of boxes and bags: what leaks differs, not what may be said
    "temperature_C",
    "rh_pct",
    "log",
    "air_L",
    "desiccant",
    "desiccant_g",
    "desiccant_fresh_at",
    "renewed",
    "room",
    "exchange_m3_h",
    "exchange_range_m3_h",
    "film",
    "film_area_m2",
    "leak_g_per_day",
    "accuracy_C",
    "accuracy_rh_pct",
)
NAME: Final = re.compile(r"[a-z0-9][a-z0-9-]*")
PLACE_KEYS: Final[dict[str, tuple[str, ...]]] = {  # besides kind and note
    "open": ("temperature_C", "rh_pct", "log", "draught", "accuracy_C", "accuracy_rh_pct"),
    "box": (*CLOSED_KEYS, "solution"),
    "sealed": CLOSED_KEYS,
    "dryer": (
        "temperature_C",
        "room",
        "dew_point_C",
        "set_offset_C",
        "swing_C",
        "max_temperature_C",
        "slots",
        "power_W",
        "readings",
        "draught",
        "air_L",
        "exchange_m3_h",
        "accuracy_C",
    ),
    "printer": ("printer", "room", "fed_from"),
}
EVENT_KEYS: Final[dict[str, tuple[str, ...]]] = {  # besides at, kind, who (noted it) and note
    "received": ("place", "water_wt_pct", "sealed"),
    "moved": ("place", "tool", "temperature_C", "knob_C"),
    "weighed": ("gross_g", "resolution_g"),
    "inspected": ("bubbles", "oozes", "pops", "winding", "free_end"),
    "fed": ("length_mm", "mass_g"),
    "cut": ("length_mm", "into", "cut_from", "place"),
    "outcome": ("strings", "bubbles", "surface", "parts", "because", "nozzle_C", "melt_s", "job"),
}
OUTCOME_WORDS: Final[dict[str, tuple[str, ...]]] = {  # the better word first
    "strings": ("none", "few", "many"),
    "bubbles": ("none", "few", "many"),
    "surface": ("smooth", "matt", "rough"),
    "parts": ("good", "usable", "scrap"),
    "because": ("water", "other"),
}
RENEWED_KEYS: Final = ("at", "desiccant", "desiccant_g")  # of a box's charge
READING_KEYS: Final = ("at", "temperature_C", "knob_C")  # of a thermometer in a dryer
SPOOL_KEYS: Final = (
    "id",
    "material",
    "fibre_wt_pct",
    "diameter_mm",
    "net_mass_g",
    "winding",
    "safe_exposure_h",
    "colour",
    "line",
    "note",
    "body",
    "cut_from",
    "place",
    "event",
)
ORIGIN_KEYS: Final = ("id", "net_mass_g", "winding", "body")  # of what a sample was cut off
LOG_COLUMNS: Final = ("time", "temperature_C", "rh_pct")
COLDEST_C, HOTTEST_C = -40.0, 200.0  # of a place: a winter store, the hottest dryer for PEEK


def read_spool(path: str | Path) -> Spool:
    """Return the record in the spool file at *path*.

    Parameters
    ----------
    path
        A TOML file as ``docs/records.md`` describes it.

    Returns
    -------
    The record; events sorted by time, ties in the file's order, `received` first; fed masses as lengths.

    Raises
    ------
    SpoolError
        ``file:line: what; what to do``: the file cannot be read, or says something it cannot mean.
    ProfileError
        The same for a material or printer file that the record names.
    """
    return _spool(load(path, SpoolError, "spool file", most=MOST_RECORD), str(path))


def spool_of(data: dict[str, Any], source: str) -> Spool:
    """Return the record in *data*, keys and values as a spool file has them; *source* stands in messages.

    A place's ``log`` may be an :class:`AirLog`.

    Raises
    ------
    SpoolError
        ``source: what; what to do``.
    ProfileError
        The same for a material or printer file that the record names.
    """
    spool = _spool(Table(_Given(source, "", data, SpoolError), data, ()), source)
    return replace(spool, events=tuple(replace(event, line=None) for event in spool.events))


class _Given(Document):
    """Values that stand in no file, so in no line of one."""

    def fail(self, keys: Keys, text: str) -> NoReturn:
        """Raise *text* with the source in front."""
        raise self.error.at(self.path, None, printable(text))


def _spool(table: Table, source: str) -> Spool:
    table.only(SPOOL_KEYS)
    table.need("id", "material", "diameter_mm", "net_mass_g", "place", "event")
    table.text("note")
    spool_id = table.text("id") or ""
    if not NAME.fullmatch(spool_id):
        table.fail("id", f"id is {shown(spool_id)}; write small letters a-z, digits and '-' only")
    material = _material(table)
    diameter_mm = _asked(table, "diameter_mm", high=10)
    places = _places(table)
    metre_g = material.density_kg_m3 * math.pi * (diameter_mm / 2e3) ** 2 * 1e3
    origins = tuple(_origin(entry) for entry in table.array("cut_from"))
    return Spool(
        id=spool_id,
        material=material,
        diameter_mm=diameter_mm,
        net_mass_g=_asked(table, "net_mass_g", high=1e5),
        places=places,
        events=_events(table, places, metre_g, origins),
        fibre_wt_pct=table.number("fibre_wt_pct", low=0, high=90) or 0.0,
        winding=_winding(table),
        safe_exposure_h=table.number("safe_exposure_h", high=1e6, above=0),
        body=_body(table.table("body")),
        colour=table.text("colour"),
        line=_line(table),
        source=source,
        origins=origins,
    )


def _origin(table: Table) -> Origin:
    """Return what a sample was cut off."""
    table.only(ORIGIN_KEYS)
    table.need("id", "net_mass_g")
    return Origin(
        table.text("id") or "",
        _asked(table, "net_mass_g", high=1e5),
        _winding(table),
        _body(table.table("body")),
    )


def _asked(table: Table, key: str, *, low: float = 0.0, high: float = math.inf, above: float = 0.0) -> float:
    """Return the number *key*, refusing a table without it."""
    table.need(key)
    number = table.number(key, low=low, high=high, above=above)
    assert number is not None  # need() saw it
    return number


def _beside(table: Table, name: str) -> Path:
    """Return the path *name* as the file means it: relative to itself."""
    return Path(table.document.path).parent / name


def _material(table: Table) -> profiles.Material:
    name = table.text("material") or ""
    if profiles.is_path(name) or name.endswith(".toml"):
        path: Path | None = _beside(table, name)
        if path is None or not path.is_file():
            table.fail("material", f"no material file {shown(name)} beside this file; correct the path")
    else:
        path = profiles.lookup("materials", name)
        if path is None:
            table.fail("material", profiles.unknown("materials", name))
    material, line = profiles.material(path), _line(table)
    own = None if line is None else profiledata.adopted_path(material.key, line)
    return material if own is None or not own.is_file() else profiles.material(own)


def _winding(table: Table) -> Literal["wound", "loose"]:
    return "loose" if table.choice("winding", ("wound", "loose")) == "loose" else "wound"


def _line(table: Table) -> str | None:
    """Return the maker's line that a spool is of: any text but an empty one."""
    line = table.text("line")
    if line is not None and not line.strip():
        table.fail("line", "line is empty; write the maker's line in your own words, or leave it out")
    return None if line is None else line.strip()


def _body(table: Table | None) -> Body:
    """Return the reel, as far as it is stated."""
    if table is None:
        return Body()
    table.only(
        ("material", "mass_g", "hub_diameter_mm", "width_mm", "outer_diameter_mm", "flange_open_share")
    )
    profile = None
    name = table.text("material")
    if name is not None and name != "unknown":
        path = profiles.lookup("spool-bodies", name)
        if path is None:
            table.fail("material", f"{profiles.unknown('spool-bodies', name)} (not known: leave it out)")
        profile = profiles.spool_body(path)
    hub_mm = table.number("hub_diameter_mm", high=2000, above=0)
    outer_mm = table.number("outer_diameter_mm", high=2000, above=0)
    if hub_mm is not None and outer_mm is not None and outer_mm <= hub_mm:
        text = f"outer_diameter_mm is {outer_mm:g}, not more than hub_diameter_mm ({hub_mm:g}); correct one"
        table.fail("outer_diameter_mm", text)
    return Body(
        profile=profile,
        mass_g=table.number("mass_g", low=0, high=1e5),
        hub_diameter_mm=hub_mm,
        width_mm=table.number("width_mm", high=2000, above=0),
        outer_diameter_mm=outer_mm,
        flange_open_share=table.number("flange_open_share", low=0, high=1),
    )


# ---------------------------------------------------------------- places


def _places(table: Table) -> dict[str, Place]:
    """Return the places by name: each with what its kind needs, none drawing its air from itself."""
    tables = table.tables("place")
    if not tables:
        table.fail("place", "no place is described; add one, [place.bench]")
    return _together(table, tables)


def check_places(stated: dict[str, dict[str, Any]], source: str) -> dict[str, Place]:
    """Return places from keys and values as a spool file has them; errors as in :func:`spool_of`."""
    data = {"place": stated}
    table = Table(_Given(source, "", data, SpoolError), data, ())
    return _together(table, table.tables("place"))


def _together(table: Table, tables: dict[str, Table]) -> dict[str, Place]:
    """Return places by name, none drawing its air from itself."""
    for name in tables:
        if not name.strip():
            table.fail("place", "a place has an empty name; write [place.bench]")
    places = {name: _place(name, inner) for name, inner in tables.items()}
    for name, place in places.items():
        _check_links(tables[name], place, places)
    return places


def _kind(table: Table, known: tuple[str, ...]) -> Any:
    table.need("kind")
    return table.choice("kind", known)


def _only(table: Table, keys: tuple[str, ...], extra: tuple[str, ...], kind: str) -> None:
    """Refuse keys that tables of this *kind* have no use for."""
    allowed = (*extra, "note", *keys)
    for key in table.data:
        if key not in allowed:
            table.fail(key, f"{shown(key)} does not belong to kind '{kind}'; {nearest(key, allowed)}")
    table.text("note")


def _place(name: str, table: Table) -> Place:
    kind: PlaceKind = _kind(table, get_args(PlaceKind))
    _only(table, PLACE_KEYS[kind], ("kind",), kind)
    desiccant = _desiccant(table)
    log = _log(table)
    charges = _charges(table)
    _check_air(kind, table)
    solution = _solution(table)
    celsius = table.number("temperature_C", low=COLDEST_C, high=HOTTEST_C)
    if solution is None or celsius is None or log is not None:  # what a hygrometer reads in the jar counts
        rh_pct = table.number("rh_pct", low=0, high=100)
    else:
        rh_pct = solution.rh_pct(celsius)
    return Place(
        name=name,
        kind=kind,
        temperature_C=celsius,
        rh_pct=rh_pct,
        room=table.text("room"),
        fed_from=table.text("fed_from"),
        printer=_printer(table),
        dew_point_C=table.number("dew_point_C", low=-100, high=60),
        set_offset_C=table.number("set_offset_C", low=-100, high=100) or 0.0,
        swing_C=table.number("swing_C", low=0, high=100) or 0.0,
        max_temperature_C=table.number("max_temperature_C", low=COLDEST_C, high=500),
        slots=table.whole("slots", low=1, high=1000),
        power_W=table.number("power_W", low=0, high=1e5),
        readings=_readings(table),
        air_L=table.number("air_L", low=0, high=1e6),
        desiccant=None if desiccant is None else desiccant.name,
        desiccant_g=table.number("desiccant_g", low=0, high=1e6),
        log=log,
        agent=desiccant,
        desiccant_fresh_s=tuple(
            sorted({*_moments(table, "desiccant_fresh_at"), *(each.at_s for each in charges)})
        ),
        charges=tuple(each for each in charges if (each.desiccant, each.desiccant_g) != (None, None)),
        exchange_m3_h=table.number("exchange_m3_h", low=0, high=1e5),
        exchange_range_m3_h=_range(table),
        film=table.choice("film", tuple(bag.FILMS)),
        film_area_m2=table.number("film_area_m2", high=1000, above=0),
        leak_g_per_day=table.number("leak_g_per_day", low=0, high=1000),
        draught=table.number("draught", low=0.1, high=100),
        accuracy_C=table.number("accuracy_C", low=0, high=50),
        accuracy_rh_pct=_accuracy_rh_pct(table, solution if log is None else None),
        solution=None if solution is None else solution.name,
    )


def _accuracy_rh_pct(table: Table, solution: profiles.SaltSolution | None) -> float | None:
    stated = table.number("accuracy_rh_pct", low=0, high=50)
    return solution.accuracy_rh_pct if stated is None and solution is not None else stated


def _solution(table: Table) -> profiles.SaltSolution | None:
    """Return the salt solution in a box, which alone makes its air."""
    name = table.text("solution")
    if name is None:
        return None
    path = profiles.lookup("humidity", name)
    if path is None:
        table.fail("solution", profiles.unknown("humidity", name))
    found = profiles.salt_solution(path)
    for key in ("rh_pct", "air_L", "desiccant", "exchange_m3_h", "film", "leak_g_per_day"):
        if key in table:
            table.fail(key, f"the solution alone makes the air over it; take out {key}, or solution")
    low, high = found.range_C
    if not low <= (table.number("temperature_C") or 0.0) <= high:
        text = f"the humidity over {found.name} is known from {low:g} to {high:g} °C; keep the box there"
        table.fail("temperature_C", text)
    return found


def _readings(table: Table) -> tuple[Thermometer, ...]:
    """Return what a thermometer in a dryer read, by time."""
    found = []
    for entry in table.array("readings"):
        entry.only(READING_KEYS)
        entry.need("at", "temperature_C")
        at_s = entry.moment("at")
        celsius, knob = (
            entry.number(key, low=COLDEST_C, high=HOTTEST_C) for key in ("temperature_C", "knob_C")
        )
        assert at_s is not None and celsius is not None  # need() saw them
        found.append(Thermometer(at_s, celsius, knob))
    return tuple(sorted(found, key=lambda one: one.at_s))


def _charges(table: Table) -> tuple[Charge, ...]:
    """Return when a box's desiccant was renewed, and with what where that was another, by time."""
    found = []
    for entry in table.array("renewed"):
        entry.only(RENEWED_KEYS)
        (at_s,) = _moments(entry, "at") or (None,)
        if at_s is None:
            entry.need("at")
        agent = _desiccant(entry)
        grams = entry.number("desiccant_g", low=0, high=1e6)
        if agent is not None and grams is None and "desiccant_g" not in table:
            entry.need("desiccant_g")
        assert at_s is not None  # need() saw it
        found.append(Charge(at_s, None if agent is None else agent.name, grams, agent))
    return tuple(sorted(found, key=lambda one: one.at_s))


def _range(table: Table) -> tuple[float, float] | None:
    """Return between which figures a fitted exchange lies."""
    found = table.numbers("exchange_range_m3_h", 2, low=1e-9, high=1e5, rising=True)
    if found is None:
        return None
    table.need("exchange_m3_h")
    return found[0], found[1]


def _moments(table: Table, key: str) -> tuple[float, ...]:
    """Return the times that a list states, seconds since 1970-01-01 UTC, sorted."""
    value = table.data.get(key, [])
    moments = []
    for entry in value if isinstance(value, list) else [value]:
        try:
            if isinstance(entry, str):  # as the ledger keeps them
                moments.append(quantities.moment(entry).at_s)
                continue
            if not isinstance(entry, datetime.datetime):
                table.fail(key, f"{key} must be a list of times; write [2026-11-02T08:00:00+01:00]")
            moments.append(seconds_of(entry))
        except quantities.NotUnderstoodError as problem:
            table.fail(key, f"{key}: {problem}")
        except (ValueError, OverflowError, OSError) as problem:
            table.fail(key, f"{key}: {problem}; correct it")
    return tuple(sorted(moments))


def _check_air(kind: PlaceKind, table: Table) -> None:
    """Refuse a place whose air cannot be told from what it states."""
    if kind == "open" and "log" not in table and not ("temperature_C" in table and "rh_pct" in table):
        table.fail(
            None, f"{table.title} is open, so its air must be known; add temperature_C and rh_pct, or log"
        )
    if kind == "box" and "log" not in table:
        said = "rh_pct" in table or "solution" in table
        if not said and not all(key in table for key in ("air_L", "desiccant", "desiccant_g")):
            table.fail(
                None,
                f"{table.title} is a box; add rh_pct as read, or air_L, desiccant and desiccant_g, or solution",
            )
        table.need("temperature_C")
    if (
        kind in ("box", "sealed")
        and "accuracy_rh_pct" in table
        and not any(key in table for key in ("rh_pct", "log", "solution"))
    ):
        text = f"{table.title} has no reading of its humidity; take out accuracy_rh_pct, or add rh_pct or log"
        table.fail("accuracy_rh_pct", text)
    if kind in ("box", "sealed"):
        _check_closed(kind, table)
    if kind == "dryer":
        table.need("temperature_C")
        if "air_L" in table:
            table.need("exchange_m3_h")
        if ("room" in table) == ("dew_point_C" in table):
            table.fail(
                None, f"{table.title} is a dryer; add one of room (whose air it heats) and dew_point_C"
            )
    if kind == "printer" and "room" not in table and "fed_from" not in table:
        table.fail(None, f"{table.title} is a printer; add room (whose air it stands in) or fed_from (a box)")


def _check_closed(kind: PlaceKind, table: Table) -> None:
    """Refuse a bag or box whose leak contradicts itself, or has no air to come from."""
    books = kind == "sealed" or "air_L" in table or "desiccant" in table
    leaks = [key for key in ("exchange_m3_h", "film", "leak_g_per_day") if key in table]
    if leaks and ("rh_pct" in table or ("log" in table and not books)):
        what = "box" if kind == "box" else "bag"
        table.fail(leaks[0], f"the {what}'s air is read already; take out {leaks[0]}, or rh_pct and log")
    if "exchange_m3_h" in table:
        table.need("room")
    if "film" in table and "leak_g_per_day" in table:
        table.fail("film", "leak_g_per_day says what comes through already; take out it or film")
    if "film_area_m2" in table:
        table.need("film")
    if "desiccant" in table:
        table.need("desiccant_g")


def _desiccant(table: Table) -> profiles.Desiccant | None:
    """Return the desiccant."""
    name = table.text("desiccant")
    if name is None:
        return None
    path = profiles.lookup("desiccants", name)
    if path is None:
        table.fail("desiccant", profiles.unknown("desiccants", name))
    return profiles.desiccant(path)


def _printer(table: Table) -> str | None:
    """Return the printer's profile name, or the path of its file as seen from here."""
    name = table.text("printer")
    if name is None:
        return None
    if profiles.is_path(name) or name.endswith(".toml"):
        path = _beside(table, name)
        if not path.is_file():
            table.fail("printer", f"no printer file {shown(name)} beside this file; correct the path")
        profiles.printer(path)
        return str(path.absolute())
    if profiles.lookup("printers", name) is None:
        table.fail("printer", profiles.unknown("printers", name))
    return name


def _check_links(table: Table, place: Place, places: dict[str, Place]) -> None:
    """Refuse a room or feeding box that is not there, or that draws on this place in turn."""
    for key in ("room", "fed_from"):
        name = getattr(place, key)
        if name is not None and name not in places:
            table.fail(key, f"no place {shown(name)} in this file; {nearest(name, places)}")
        circle = _circle([place.name], name, places)
        if circle:
            text = f"{' → '.join(circle)} goes in a circle; name a place with air of its own"
            table.fail(key, text)


def _circle(way: list[str], name: str | None, places: dict[str, Place]) -> list[str]:
    """Return the way on from *name* that comes back on itself; empty where every way ends."""
    if name is None or name not in places:
        return []
    if name in way:
        return [*way, name]
    steps = (places[name].room, places[name].fed_from)
    return next(filter(None, (_circle([*way, name], step, places) for step in steps)), [])


# ---------------------------------------------------------------- readings


def _log(table: Table) -> AirLog | None:
    if isinstance(given := table.data.get("log"), AirLog):
        return given
    name = table.text("log")
    if name is None:
        return None
    path = _beside(table, name)
    if not path.is_file():
        table.fail("log", f"no log {shown(name)} beside this file; correct the path")
    return read_log(path)


def read_log(path: str | Path) -> AirLog:
    """Return the readings in a CSV file: columns time (ISO 8601), temperature_C and rh_pct, in any order.

    Further columns are passed over; of readings at the same time the last one counts.

    Raises
    ------
    SpoolError
        ``file:line``: a column is missing, a value is no number or out of bounds, time runs back.
    """
    text = read_text(path, SpoolError, "log", most=MOST_LOG)
    where = str(path)
    at_s, temperature_C, rh_pct = array("d"), array("d"), array("d")
    for line, row in _rows(where, text):
        moment = _time(where, line, row[0])
        if at_s and moment < at_s[-1]:
            raise SpoolError.at(
                where, line, f"time {shown(row[0])} is before the reading above it; sort the log"
            )
        if at_s and moment == at_s[-1]:
            for column in (at_s, temperature_C, rh_pct):
                column.pop()
        at_s.append(moment)
        temperature_C.append(_reading(where, line, LOG_COLUMNS[1], row[1], low=COLDEST_C, high=HOTTEST_C))
        rh_pct.append(_reading(where, line, LOG_COLUMNS[2], row[2], low=0, high=100))
    if not at_s:
        raise SpoolError.at(
            where, None, "the log holds no reading; fill it or state temperature_C and rh_pct"
        )
    return AirLog(at_s, temperature_C, rh_pct)


def _rows(where: str, text: str) -> Iterator[tuple[int, tuple[str, str, str]]]:
    """Yield each line's number and its three values."""
    reader = csv.reader(io.StringIO(text, newline=""))
    columns: list[int] = []
    try:
        for row in reader:
            if not any(cell.strip() for cell in row):
                continue
            if not columns:
                heads = [cell.strip() for cell in row]
                missing = [name for name in LOG_COLUMNS if name not in heads]
                if missing:
                    hint = f"name the columns in the first line: {','.join(LOG_COLUMNS)}"
                    raise SpoolError.at(where, reader.line_num, f"the log has no column {missing[0]}; {hint}")
                columns = [heads.index(name) for name in LOG_COLUMNS]
                continue
            if len(row) <= max(columns):
                text = f"{len(row)} values where {max(columns) + 1} are needed; complete the line"
                raise SpoolError.at(where, reader.line_num, text)
            yield reader.line_num, (row[columns[0]], row[columns[1]], row[columns[2]])
    except csv.Error as problem:
        raise SpoolError.at(where, reader.line_num, f"not CSV: {problem}; correct this line") from None


def _time(where: str, line: int, text: str) -> float:
    try:
        return quantities.recorded_s(text)
    except quantities.NotUnderstoodError:
        hint = "write 2026-11-02T08:00:00+01:00 (no offset: local time)"
        raise SpoolError.at(where, line, f"{shown(text)} is no time; {hint}") from None


def _reading(where: str, line: int, name: str, text: str, *, low: float, high: float) -> float:
    try:
        number = quantities.number(text)
    except quantities.NotUnderstoodError:
        raise SpoolError.at(where, line, f"{name} {shown(text)} is no number; correct it") from None
    if not low <= number <= high:  # also false for NaN
        raise SpoolError.at(
            where, line, f"{name} is {number:g}, but must be from {low:g} to {high:g}; correct it"
        )
    return number


# ---------------------------------------------------------------- events


def _events(
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
        received[1][1].fail("kind", f"a second 'received' (the first: line {received[0][0].line}); keep one")
    first = received[0][0]
    for event, entry in zip(events, tables, strict=True):
        if event.at_s < first.at_s:
            text = f"'{event.kind}' is before 'received' (line {first.line}); correct one of the two times"
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


def check_event(data: dict[str, Any], source: str) -> None:
    """Refuse keys and values that no event of a spool file has; errors as in :func:`spool_of`."""
    _event(Table(_Given(source, "", data, SpoolError), data, ()), {}, 1.0)


def _event(table: Table, places: dict[str, Place], metre_g: float) -> Event:
    kind: EventKind = _kind(table, get_args(EventKind))
    _only(table, EVENT_KEYS[kind], ("at", "kind", "who"), kind)
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
    outcome = _outcome(table) if kind == "outcome" else None
    bubbles: Any = table.choice("bubbles", ("none", "few", "many"))
    winding: Any = table.choice("winding", ("good", "deformed"))
    free_end: Any = table.choice("free_end", ("stands", "sags"))
    return Event(
        at_s=at_s,
        kind=kind,
        place=table.text("place"),
        tool=table.whole("tool", high=255),
        temperature_C=table.number("temperature_C", low=COLDEST_C, high=HOTTEST_C),
        knob_C=table.number("knob_C", low=COLDEST_C, high=HOTTEST_C),
        water_wt_pct=table.number("water_wt_pct", low=0, high=100),
        sealed=table.flag("sealed"),
        gross_g=table.number("gross_g", high=1e6, above=0),
        resolution_g=table.number("resolution_g", high=1e4, above=0) or 0.1,
        bubbles=bubbles,
        oozes=table.flag("oozes"),
        pops=table.flag("pops"),
        winding=winding,
        free_end=free_end,
        length_mm=_fed_mm(table, metre_g) if kind == "fed" else table.number("length_mm", low=0, high=1e9),
        into=table.text("into"),
        cut_from=table.text("cut_from"),
        outcome=outcome,
        line=table.document.line(table.keys),
    )


def _outcome(table: Table) -> Outcome:
    """Return how a print came out, in the words that the record has for it."""
    words: dict[str, Any] = {key: table.choice(key, known) for key, known in OUTCOME_WORDS.items()}
    if all(word is None for key, word in words.items() if key != "because"):
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
    return _asked(table, "mass_g", high=1e6, above=-math.inf) / metre_g * 1e3
