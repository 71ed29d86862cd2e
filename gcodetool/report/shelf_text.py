"""The shelf as a person reads it: the list of spools, of places, and what happened to one of them.

Words from the ledger are printed without control characters and never as markup.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, Final, TextIO

from gcodetool.drying.words import rounded
from gcodetool.judge.shelf_findings import ListedSpool, PlaceOnShelf
from gcodetool.moments import wall
from gcodetool.report.as_text import percent, plain
from gcodetool.report.json_values import fields, utc
from gcodetool.report.layout import Page
from gcodetool.report.tables import Cell, Column, print_table

# What ``spool list --json`` says of a spool beside where it is.
ROW: Final = (
    "next_fed_wt_pct word whole_word heat keeps_s safe_exposure_s=safe_s safe_exposure_source=safe_source room "
    "remaining_mm remaining_g limits_source"
)
# Marks and words say it; colour only repeats it.
MARKS: Final = {"dry": "=", "marginal": "~", "wet": "!", "unknown": "?", "empty": "0"}
STYLES: Final = {"dry": "green", "marginal": "yellow", "wet": "bold red", "unknown": "cyan", "empty": "dim"}
HEADS: Final = (
    Column("spool"),
    Column("material"),
    Column("at"),
    Column("for", whole=True),
    Column("next fed, wt %"),
    Column("is", whole=True),
    Column("keeps", whole=True),
    Column("safe", whole=True),
    Column("left", whole=True, right=True),
)


@dataclass(frozen=True)
class Happened:
    """One entry of a history; ``undone_by`` is the number of the entry that cancels it, ``who`` wrote it down."""

    number: int
    at_s: float
    kind: str
    facts: dict[str, Any]
    undone_by: int | None = None
    who: str | None = None


def when(at_s: float) -> str:
    """Return a moment as the clock on the wall shows it, without its zone."""
    return datetime.fromtimestamp(at_s).astimezone().strftime("%Y-%m-%d %H:%M")


def brief(seconds: float | None) -> str:
    """Return a length of time in one unit.

    >>> brief(4380), brief(95), brief(3 * 86400), brief(None)
    ('73 min', '95 s', '3 d', 'over 60 d')
    """
    if seconds is None:
        return "over 60 d"
    for unit, name, least in ((86_400, "d", 48 * 3600), (3600, "h", 7200), (60, "min", 120)):
        if seconds >= least:
            return f"{seconds / unit:.0f} {name}"
    return f"{seconds:.0f} s"


def print_shelf(spools: "Sequence[ListedSpool]", now_s: float, stream: TextIO) -> None:
    """Print the list of spools to *stream*."""
    page = Page(stream)
    if not spools:
        page.line("no spool there; put one on the shelf with 'gcodetool spool add'")
        return
    print_table(page, HEADS, [cells(each, now_s) for each in spools])
    for each in spools:
        if each.trouble is not None:
            page.line(f"{plain(each.id)}: {plain(each.trouble)}")
    for each in spools:
        if each.row is not None and each.row.heat is not None:
            page.line(plain(each.row.heat), style="red")
    stated = any(each.row is not None and each.row.safe_source == "stated" for each in spools)
    learned = any(each.row is not None and each.row.limits_source != "stated" for each in spools)
    page.hanging(
        "",
        f"as of {wall(now_s)}; keeps: idle where it stands; safe: idle in the room where it would be printed"
        + (", * by your own figure" if stated else "")
        + ("; + limits by your own prints" if learned else ""),
    )


def cells(each: ListedSpool, now_s: float) -> list[Cell]:
    """Return the cells of one spool's row."""
    if each.row is None:
        return [Cell(plain(each.id)), *(Cell("?") for _ in range(8))]
    seen = each.row
    where = seen.place if seen.tool is None else f"{seen.place} T{seen.tool}"
    water = percent(seen.next_fed_wt_pct.p50)
    if seen.next_fed_wt_pct.p10 is not None:
        low, high = seen.next_fed_wt_pct.p10, seen.next_fed_wt_pct.p90
        water += f" ({percent(low)}-{percent(high)})"
    word = f"{MARKS[seen.word]} {seen.word}"
    if seen.drying is not None:
        word = f"{MARKS[seen.word]} {seen.drying.short}"
    elif seen.whole_word not in (seen.word, "empty"):
        word += f" ({seen.whole_word} inside)"
    if seen.heat is not None and not (seen.drying is not None and seen.drying.too_hot):
        word += ", was too hot"
    safe = "-" if seen.word == "empty" else brief(seen.safe_s)
    if seen.safe_source == "stated":
        safe += "*"
    return [
        Cell(plain(each.id) + (" (retired)" if each.retired else ""), "bold"),
        Cell(plain(seen.material) + ("" if seen.limits_source == "stated" else "+")),
        Cell(plain(where)),
        Cell(brief(now_s - seen.since_s)),
        Cell("-" if seen.word == "empty" else water),
        Cell(word, STYLES[seen.word]),
        Cell("-" if seen.word == "empty" else brief(seen.keeps_s)),
        Cell(safe),
        Cell(f"{seen.remaining_g:.0f} g"),
    ]


def shelf_dict(spools: "Sequence[ListedSpool]", now_s: float) -> dict[str, Any]:
    """Return what ``spool list --json`` prints."""
    return {
        "schema": "gcodetool/shelf/1",
        "as_of": utc(now_s),
        "spools": [
            fields(each, "id retired trouble")
            if each.row is None
            else {
                **fields(each, "id retired"),
                **fields(each.row, "material colour place tool"),
                "since": utc(each.row.since_s),
                **fields(each.row, ROW),
                "drying": None if each.row.drying is None else asdict(each.row.drying),
            }
            for each in spools
        ],
    }


def print_history(rows: Sequence[Happened], stream: TextIO, *, last: int) -> None:
    """Print what happened, the *last* entries of it; what was undone is marked."""
    page = Page(stream)
    shown = rows[-last:]
    left_out = len(rows) - len(shown)
    page.line("  history" + (f", the last {len(shown)} of {len(rows)}" if left_out else ""))
    known = any(row.who is not None for row in shown)
    columns = [Column(right=True, whole=True), Column(whole=True), *([Column()] if known else []), Column()]
    lines = []
    for row in shown:
        undone = "" if row.undone_by is None else f"  (undone by {row.undone_by})"
        lines.append(
            [
                Cell(f"{row.number:>6}"),
                Cell(when(row.at_s)),
                *([Cell(plain(row.who or "-"))] if known else []),
                Cell(plain(words(row)) + undone, None if row.undone_by is None else "dim struck"),
            ]
        )
    print_table(page, columns, lines)


def words(row: Happened) -> str:
    """Return one entry in words.

    >>> words(Happened(7, 0.0, "fed", {"length_mm": 8210.0}))
    'fed 8.21 m'
    """
    facts = row.facts
    note = f"; {facts['note']}" if "note" in facts else ""
    if row.kind == "added" and "received" in facts:
        return _received(facts) + note
    if row.kind == "added":
        return f"added: {facts_in_words(facts)}"
    if row.kind == "set":
        return f"corrected: {facts_in_words(facts)}"
    if row.kind == "moved":
        return _moved(facts) + note
    if row.kind == "weighed":
        return f"weighed {facts['gross_g']:g} g{note}"
    if row.kind == "inspected":
        return _looked_at(facts) + note
    if row.kind == "outcome":
        return _came_out(facts) + note
    if row.kind == "fed":
        return f"fed {fed_in_words(facts)}{note}"
    if row.kind == "cut" and "into" in facts:
        return f"{facts['length_mm'] / 1000:.2f} m cut off, now {facts['into']}{note}"
    if row.kind == "cut":
        return f"cut off {facts['cut_from']}, {facts['length_mm'] / 1000:.2f} m{note}"
    if row.kind == "undone":
        return f"undid {', '.join(str(number) for number in facts['cancels'])}"
    if row.kind == "planned":
        return (
            f"planned: {facts.get('job')}, {facts.get('length_mm', 0) / 1000:.2f} m, {facts.get('verdict')}"
        )
    if row.kind == "folded":
        return f"{facts['name']} is this dryer at another temperature: {facts_in_words(facts['stated'])}"
    if row.kind == "renewed":
        return f"desiccant renewed{charge_in_words(facts)}"
    if row.kind == "read" and "rh_pct" not in facts:
        return f"read {read_in_words(facts)}"
    if row.kind == "read":
        return f"read {facts['rh_pct']:g} % RH at {facts['temperature_C']:g} °C"
    if row.kind == "logged":
        return f"{facts['count']} readings from {facts['source']}, to {when(facts['until_us'] / 1e6)}"
    return row.kind + note


SHORT_MM: Final = 10.0  # as metres with two digits it would be next to nothing


def fed_in_words(facts: Mapping[str, Any]) -> str:
    """Return how much was fed; a length too short for metres in mm.

    >>> fed_in_words({"length_mm": 8210.0}), fed_in_words({"length_mm": 3.2}), fed_in_words({"mass_g": 12.5})
    ('8.21 m', '3.2 mm', '12.5 g')
    """
    if "length_mm" not in facts:
        return f"{facts['mass_g']:g} g"
    mm = facts["length_mm"]
    return f"{mm / 1000:.2f} m" if mm >= SHORT_MM else f"{mm:g} mm"


def _received(facts: Mapping[str, Any]) -> str:
    came = facts["received"]
    if "cut_from" in came:
        cut = came["cut_from"]
        return f"cut off {cut['spool']}, {cut['length_mm'] / 1000:.2f} m; at {came['place']}"
    how = "new, sealed" if came.get("sealed") else "found open"
    if "water_wt_pct" in came:
        how = f"{came['water_wt_pct']:g} wt % water"
    return f"received at {came['place']}, {how}; {facts['material']}, {facts['net_mass_g']:g} g"


def _moved(facts: Mapping[str, Any]) -> str:
    heat = f" at {facts['temperature_C']:g} °C" if "temperature_C" in facts else ""
    heat = f" with its knob at {facts['knob_C']:g} °C" if "knob_C" in facts else heat
    return f"to {facts['place']}{heat}" + (f", tool {facts['tool']}" if "tool" in facts else "")


def _looked_at(facts: Mapping[str, Any]) -> str:
    seen = [f"bubbles {facts['bubbles']}"] if "bubbles" in facts else []
    seen += [
        ("" if facts[key] else "no ") + word
        for key, word in (("oozes", "ooze"), ("pops", "popping"))
        if key in facts
    ]
    seen += [f"winding {facts['winding']}"] if "winding" in facts else []
    seen += [f"free end {facts['free_end']}"] if "free_end" in facts else []
    return f"looked at: {', '.join(seen)}"


def _came_out(facts: Mapping[str, Any]) -> str:
    said = [f"{key} {facts[key]}" for key in ("strings", "bubbles", "surface", "parts") if key in facts]
    blamed = {"water": ", because of water", "other": ", not because of water"}
    because = blamed.get(facts.get("because", ""), "")
    return f"came out: {', '.join(said)}{because}" + (f"; {facts['job']}" if "job" in facts else "")


def charge_in_words(charge: dict[str, Any]) -> str:
    """Return with what a desiccant was renewed, where that was another.

    >>> charge_in_words({"desiccant": "silica gel", "desiccant_g": 200.0}), charge_in_words({})
    (': 200 g silica gel', '')
    """
    parts = [f"{charge['desiccant_g']:g} g"] if "desiccant_g" in charge else []
    parts += [str(charge["desiccant"])] if "desiccant" in charge else []
    return f": {' '.join(parts)}" if parts else ""


def read_in_words(read: dict[str, Any]) -> str:
    """Return what a thermometer in a dryer showed.

    >>> read_in_words({"temperature_C": 71.0, "knob_C": 75.0})
    '71 °C, its knob at 75'
    """
    return f"{read['temperature_C']:g} °C" + (f", its knob at {read['knob_C']:g}" if "knob_C" in read else "")


# How a fact is said; what is not here stands with its key.
FACTS: Final = {
    "kind": "kind {}",
    "temperature_C": "{:g} °C",
    "rh_pct": "{:g} % RH",
    "air_L": "{:g} L of air",
    "desiccant": "{}",
    "desiccant_g": "{:g} g of desiccant",
    "room": "air of {}",
    "fed_from": "fed from {}",
    "max_temperature_C": "{:g} °C at most",
    "set_offset_C": "its knob shows {:+g} °C",
    "dew_point_C": "dew point {:g} °C",
    "swing_C": "its air swings by {:g} °C",
    "power_W": "{:g} W",
    "slots": "{} reels at a time",
    "accuracy_C": "good to {:g} °C",
    "accuracy_rh_pct": "good to {:g} % RH",
    "leak_g_per_day": "lets in {:g} g of water a day",
    "net_mass_g": "{:g} g net",
    "diameter_mm": "{:g} mm",
    "mass_g": "{:g} g",
}


def facts_in_words(facts: Mapping[str, Any]) -> str:
    """Return stated facts in one line.

    >>> facts_in_words({"kind": "box", "air_L": 18.0, "room": "bench", "desiccant": None})
    'kind box, 18 L of air, air of bench, desiccant taken out'
    """
    return ", ".join(_fact_in_words(key, value) for key, value in facts.items())


def place_in_words(place: PlaceOnShelf) -> str:
    """Return what a place is in one line; of its desiccant what is in it now."""
    now = {key: value for key, value in place.facts.items() if key != "renewed"}
    if "renewed" in place.facts:
        charge = place.charge
        fresh = [] if charge.since_s is None else [datetime.fromtimestamp(charge.since_s).astimezone()]
        now |= {"desiccant": charge.desiccant, "desiccant_g": charge.grams, "desiccant_fresh_at": fresh}
    return facts_in_words(now)


def _fact_in_words(key: str, value: Any) -> str:
    if key == "received_us":
        return f"received {when(value / 1e6)}"
    if isinstance(value, dict):
        return f"{key} ({facts_in_words(value)})"
    if key == "readings":
        return f"a thermometer read {read_in_words(value[-1])}"
    if key == "renewed":
        return f"desiccant renewed {_moment_in_words(value[-1]['at'])}{charge_in_words(value[-1])}"
    if key == "desiccant_fresh_at" and value:
        return f"desiccant renewed {', '.join(map(_moment_in_words, value))}"
    if key == "exchange_m3_h" and value is not None:
        return f"exchanges {rounded(value)} m³ of air an hour"
    if key == "exchange_range_m3_h" and value is not None:
        return f"likely {rounded(value[0])} to {rounded(value[1])} m³"
    if isinstance(value, list):
        return f"{key} {', '.join(str(each) for each in value)}"
    if value is None:
        return f"{key} taken out"
    try:
        return FACTS[key].format(value)
    except (KeyError, ValueError):
        return f"{key} {value}"


def _moment_in_words(moment: Any) -> str:
    return when(moment.timestamp()) if isinstance(moment, datetime) else str(moment)


def print_places(places: Sequence[PlaceOnShelf], stream: TextIO) -> None:
    """Print the list of places to *stream*."""
    page = Page(stream)
    if not places:
        page.line("no place there; add one with 'gcodetool place add'")
        return
    columns = (Column("place", whole=True), Column("kind", whole=True), Column("air"), Column("spools"))
    print_table(
        page,
        columns,
        [
            (
                Cell(plain(each.name), "bold"),
                Cell(each.kind),
                Cell(plain(air_in_words(each))),
                Cell(plain(", ".join(each.spools) or "-")),
            )
            for each in places
        ],
    )


def air_in_words(place: PlaceOnShelf) -> str:
    """Return a place's air in words.

    >>> air_in_words(PlaceOnShelf("bench", "open", {"temperature_C": 22.0, "rh_pct": 48.0}, None, 0, ()))
    '22 °C, 48 % RH'
    >>> air_in_words(PlaceOnShelf("jar", "box", {"solution": "sodium chloride"}, None, 0, ()))
    'air over saturated sodium chloride'
    """
    facts, air = place.facts, place.reading
    if air is not None:
        return f"{air.temperature_C:g} °C, {air.rh_pct:g} % RH, read {when(air.at_s)}"
    parts = [f"{facts['temperature_C']:g} °C"] if "temperature_C" in facts else []
    if "rh_pct" in facts:
        parts.append(f"{facts['rh_pct']:g} % RH")
    if place.charge.desiccant is not None:
        parts.append(f"{place.charge.grams or 0.0:g} g {place.charge.desiccant}")
    if "solution" in facts:
        parts.append(f"air over saturated {facts['solution']}")
    if facts.get("slots", 1) > 1:
        parts.append(f"{facts['slots']} reels")
    if "film" in facts:
        parts.append(f"film: {facts['film']}")
    if "leak_g_per_day" in facts:
        parts.append(f"lets in {facts['leak_g_per_day']:g} g of water a day")
    if "power_W" in facts:
        parts.append(f"{facts['power_W']:g} W")
    if "dew_point_C" in facts:
        parts.append(f"dew point {facts['dew_point_C']:g} °C")
    if "room" in facts:
        parts.append(f"air of {facts['room']}")
    if "fed_from" in facts:
        parts.append(f"fed from {facts['fed_from']}")
    return ", ".join(parts) or "closed in with the spool"
