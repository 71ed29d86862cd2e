"""The places of a record, from their tables: each with what its kind needs, none drawing air from itself.

Left out: the log of a place (``airlogfile``).
"""

import datetime
from typing import Any, Final, get_args

from gcodetool import moments, profiles, quantities
from gcodetool.errors import SpoolError
from gcodetool.ledger.airlogfile import COLDEST_C, HOTTEST_C, log_of_table
from gcodetool.ledger.recordtables import Given, beside, kind_of_table, only_of_kind
from gcodetool.moisture import bag
from gcodetool.moisture.record import (
    Charge,
    Place,
    PlaceKind,
    Thermometer,
)
from gcodetool.textfile import seconds_of
from gcodetool.tomlfile import Table, nearest, shown

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
PLACE_KEYS: Final[dict[str, tuple[str, ...]]] = {  # besides kind and note
    "open": ("temperature_C", "rh_pct", "log", "draught", "accuracy_C", "accuracy_rh_pct"),
    "box": (*CLOSED_KEYS, "solution", "slots"),
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
RENEWED_KEYS: Final = ("at", "desiccant", "desiccant_g")  # of a box's charge
READING_KEYS: Final = ("at", "temperature_C", "knob_C")  # of a thermometer in a dryer


def places_of_table(table: Table) -> dict[str, Place]:
    """Return the places by name: each with what its kind needs, none drawing its air from itself."""
    tables = table.tables("place")
    if not tables:
        table.fail("place", "no place is described; add one, [place.bench]")
    return _together(table, tables)


def check_places(stated: dict[str, dict[str, Any]], source: str) -> dict[str, Place]:
    """Return places from keys and values as a spool file has them; errors as in :func:`spool_of`."""
    data = {"place": stated}
    table = Table(Given(source, "", data, SpoolError), data, ())
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


def _place(name: str, table: Table) -> Place:
    kind: PlaceKind = kind_of_table(table, get_args(PlaceKind))
    only_of_kind(table, PLACE_KEYS[kind], ("kind",), kind)
    desiccant = _desiccant(table)
    log = log_of_table(table)
    charges = _charges(table)
    _check_air(kind, table)
    solution = _solution(table)
    celsius = table.number("temperature_C", low=COLDEST_C, high=HOTTEST_C)
    if solution is not None and celsius is None and log is None:
        from gcodetool.moisture.places import ROOM_C

        celsius = ROOM_C  # as of any closed place that stands nowhere; the humidity hardly depends on it
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
    celsius = table.number("temperature_C")
    if celsius is not None and not low <= celsius <= high:
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
    found = []
    for entry in value if isinstance(value, list) else [value]:
        try:
            if isinstance(entry, str):  # as the ledger keeps them
                found.append(moments.moment(entry).at_s)
                continue
            if not isinstance(entry, datetime.datetime):
                table.fail(key, f"{key} must be a list of times; write [2026-11-02T08:00:00+01:00]")
            found.append(seconds_of(entry))
        except quantities.NotUnderstoodError as problem:
            table.fail(key, f"{key}: {problem}")
        except (ValueError, OverflowError, OSError) as problem:
            table.fail(key, f"{key}: {problem}; correct it")
    return tuple(sorted(found))


def _check_air(kind: PlaceKind, table: Table) -> None:
    """Refuse a place whose air cannot be told from what it states."""
    if kind == "open" and "log" not in table and not ("temperature_C" in table and "rh_pct" in table):
        table.fail(
            None, f"{table.title} is open, so its air must be known; add temperature_C and rh_pct, or log"
        )
    if kind == "box" and "log" not in table:
        said = "rh_pct" in table or "solution" in table
        holds = "desiccant" in table or table.data.get("desiccant_g") == 0  # none: then no kind need be named
        if not said and not (holds and "air_L" in table and "desiccant_g" in table):
            table.fail(
                None,
                f"{table.title} is a box; add rh_pct as read, or air_L, desiccant and desiccant_g (air_L and "
                "a desiccant_g of 0 where it holds none), or solution",
            )
        if "temperature_C" not in table and "room" not in table and "solution" not in table:
            or_room = "" if said else ", or room where it is as warm as that"
            table.fail(None, f"{table.title} is a box; add temperature_C{or_room}")
        if "temperature_C" not in table and "room" in table and said:
            table.fail(
                None, f"{table.title} states its own humidity; add temperature_C, which that belongs to"
            )
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
                None, f"{table.title} is a dryer; add room (whose air it heats) or dew_point_C, not both"
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
    if profiles.names_file(name):
        path = beside(table, name)
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
