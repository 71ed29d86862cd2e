"""A logger's CSV file to readings, whatever its delimiter, decimal sign, time format and zone.

:func:`parse_readings` looks at the file and says what it took it for; what it cannot tell for sure it refuses,
with the option that settles it.  Left out: keeping the readings (``place_entries``).
"""

import datetime
import itertools
import re
import statistics
import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from gcodetool import moments
from gcodetool.errors import SpoolError
from gcodetool.ledger.airlogfile import COLDEST_C, HOTTEST_C
from gcodetool.ledger.csvtext import (
    DELIMITER_NAMES,
    ROWS_LOOKED_AT,
    csv_text,
    decimal_of,
    delimiter_of,
    number_of,
    rows_of,
)
from gcodetool.ledger.entries import MICRO, Readings
from gcodetool.textfile import YEARS
from gcodetool.tomlfile import shown

HEADS: Final[dict[str, re.Pattern[str]]] = {  # what loggers call their columns
    "date": re.compile(r"^(date|datum|day)\b", re.I),
    "time": re.compile(r"time|zeit|stamp|clock|^date|^datum|^at$", re.I),
    "humidity": re.compile(r"hum|feucht|^rh|\brh\b|rh_pct|r\.h|%", re.I),
    "temperature": re.compile(r"temp|°\s*[cf]|celsius|fahrenheit|^t$", re.I),
}
DEW: Final = re.compile(r"dew|tau|frost|heat.?index|vpd|absolut", re.I)  # neither the one nor the other
FAHRENHEIT: Final = re.compile(r"°\s*f\b|fahrenheit|_f\b|\(f\)|\[f\]", re.I)
IN_UTC: Final = re.compile(r"\b(utc|gmt)\b", re.I)
NOTHING: Final = ("", "-", "--", "---", "n/a", "na", "nan", "null", "none", "err", "error")
DAY: Final = re.compile(r"^(\d{1,4})([./-])(\d{1,2})\2(\d{1,4})\.?$")
CLOCK: Final = re.compile(r"^(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,](\d{1,6})\d*)?)?\s*([AaPp]\.?[Mm]\.?)?$")
EPOCH: Final = re.compile(r"^\d{9,13}(\.\d+)?$")
GAP: Final = 3.0  # times the usual interval
Order = Literal["ymd", "dmy", "mdy"]
ORDER_WORDS: Final[dict[str, str]] = {
    "ymd": "year-month-day",
    "dmy": "day.month.year",
    "mdy": "month/day/year",
}


@dataclass(frozen=True)
class ParsedReadings:
    """What a file was taken for, and its readings by time.

    Attributes
    ----------
    readings : [µs since 1970 UTC], [°C], [% RH].
    delimiter, decimal, times, zone, unit : in words.
    interval_s : the usual one; None for a single reading.
    gaps : (from, to) [µs] of stretches without a reading.
    skipped : rows whose reading is empty.
    doubles : rows of a moment that another row has too; the later one counts.
    """

    readings: Readings
    delimiter: str
    decimal: str
    times: str
    zone: str
    unit: str
    interval_s: float | None
    gaps: tuple[tuple[int, int], ...]
    skipped: int
    doubles: int


def parse_readings(path: Path, *, zone: str | None = None, order: str | None = None) -> ParsedReadings:
    """Return what a logger's file says.

    Parameters
    ----------
    zone
        Of times without one: a name, ``UTC``, or None = local.
    order
        Of days like 3/4/2026: ``dmy`` or ``mdy``; None = told by the file.

    Raises
    ------
    SpoolError
        ``file:line``: it is no such file, or something cannot be told for sure.
    """
    where = str(path)
    text = csv_text(path)
    delimiter = delimiter_of(where, text)
    rows = [(n, [cell.strip() for cell in row]) for n, row in rows_of(where, text, delimiter)]
    if not rows:
        raise SpoolError.at(where, None, "the file holds no line; name the logger's file")
    columns, heads, rows = _columns(where, rows)
    measured = [columns["temperature"], columns["humidity"]]
    decimal = decimal_of([row[at] for _, row in rows for at in measured if at < len(row)])
    times = [_moment_text(row, columns) for _, row in rows]
    epoch = all(EPOCH.match(moment) for moment in times if moment)
    known_order = None if epoch else _order(where, rows, times, order)
    head_text = " ".join(heads)
    own_zone = any(_has_zone(moment) for moment in times[:ROWS_LOOKED_AT])
    assumed = _zone(zone if zone is not None else "UTC" if IN_UTC.search(head_text) else None)
    fahrenheit = bool(FAHRENHEIT.search(heads[columns["temperature"]])) if heads else False
    found: dict[int, tuple[float, float]] = {}
    skipped = doubles = 0
    previous: datetime.datetime | None = None
    for (line, row), moment_text in zip(rows, times, strict=True):
        _refuse_more_cells(where, line, row, len(heads))
        cells = [
            row[columns[name]] if columns[name] < len(row) else "" for name in ("temperature", "humidity")
        ]
        if any(cell.lower().rstrip(" %°cf") in NOTHING for cell in cells) or not moment_text:
            skipped += 1
            continue
        moment = _moment(where, line, moment_text, known_order, assumed, previous)
        if not YEARS[0] <= moment.year < YEARS[1]:
            raise _beyond(where, line, moment_text)
        previous = moment
        at_us = round(moment.timestamp()) * MICRO + moment.microsecond * (moment.microsecond > 0)
        doubles += at_us in found
        found[at_us] = _figures(where, line, cells, decimal, fahrenheit=fahrenheit)
    if not found:
        raise SpoolError.at(
            where, None, "no line holds a time, a temperature and a humidity; name another file"
        )
    readings = [(at_us, celsius, rh) for at_us, (celsius, rh) in sorted(found.items())]
    interval_s, gaps = _gaps(readings)
    return ParsedReadings(
        readings,
        DELIMITER_NAMES[delimiter],
        "comma" if decimal == "," else "point",
        "seconds since 1970" if epoch else ORDER_WORDS[known_order or "ymd"],
        "UTC (since 1970)" if epoch else "stated in each line" if own_zone else _zone_word(assumed, zone),
        "°F" if fahrenheit else "°C",
        interval_s,
        gaps,
        skipped,
        doubles,
    )


def _refuse_more_cells(where: str, line: int, row: list[str], names: int) -> None:
    """Refuse a row with figures beyond the named columns: its decimals may have been taken for columns."""
    if len(row) > names and any(row[names:]):
        raise SpoolError.at(
            where,
            line,
            f"{len(row)} cells under {names} column names; where decimals have commas, "
            "export with ';' between columns",
        )


def _figures(
    where: str, line: int, cells: list[str], decimal: str, *, fahrenheit: bool
) -> tuple[float, float]:
    """Return temperature [°C] and humidity [%] in *cells*; SpoolError where air cannot be so."""
    celsius = number_of(where, line, "temperature", cells[0], decimal)
    celsius = round((celsius - 32.0) / 1.8, 4) if fahrenheit else celsius
    rh = number_of(where, line, "humidity", cells[1], decimal)
    if not COLDEST_C <= celsius <= HOTTEST_C:
        raise SpoolError.at(
            where, line, f"{celsius:g} °C is no room's temperature; are the columns the right ones?"
        )
    if not 0 <= rh <= 100:
        raise SpoolError.at(where, line, f"{rh:g} % RH cannot be; are the columns the right ones?")
    return celsius, rh


def _columns(
    where: str, rows: list[tuple[int, list[str]]]
) -> tuple[dict[str, int], list[str], list[tuple[int, list[str]]]]:
    """Return the columns by meaning, the heads, and the rows below them."""
    for i, (_, row) in enumerate(rows[:30]):
        if any(EPOCH.match(cell) or DAY.match(cell.split(" ")[0].split("T")[0]) for cell in row if cell):
            break
        named = _named(row)
        if "time" in named and "humidity" in named and "temperature" in named:
            return named, row, rows[i + 1 :]
    first = rows[0][1]
    raise SpoolError.at(
        where,
        rows[0][0],
        f"no line names the columns time, temperature and humidity (here: {shown(', '.join(first))}); "
        "add a line above: time;temperature_C;rh_pct",
    )


def _named(row: Sequence[str]) -> dict[str, int]:
    found: dict[str, int] = {}
    for i, cell in enumerate(row):
        if DEW.search(cell):
            continue
        for name in ("humidity", "temperature"):
            if name not in found and i not in found.values() and HEADS[name].search(cell):
                found[name] = i
    rest = [i for i in range(len(row)) if i not in found.values()]
    date = next(
        (i for i in rest if HEADS["date"].search(row[i]) and not re.search("time|zeit", row[i], re.I)), None
    )
    time = next(
        (i for i in rest if i != date and HEADS["time"].search(row[i]) and not DEW.search(row[i])), None
    )
    if date is not None and time is not None:
        found["date"], found["time"] = date, time
    elif time is not None or date is not None:
        found["time"] = time if time is not None else date  # type: ignore[assignment]  # one of them is
    return found


def _moment_text(row: Sequence[str], columns: dict[str, int]) -> str:
    cells = [row[columns[name]] for name in ("date", "time") if name in columns and columns[name] < len(row)]
    return " ".join(cell for cell in cells if cell)


def _parts(moment: str) -> tuple[str, str]:
    day, _, clock = moment.replace("T", " ", 1).partition(" ")
    return day.rstrip(","), clock.strip()


def _order(where: str, rows: list[tuple[int, list[str]]], times: Sequence[str], order: str | None) -> Order:
    """Return in which order day, month and year stand; refuse what could be either."""
    can = {"ymd", "dmy", "mdy"}
    for (line, _), moment in zip(rows, times, strict=True):
        if not moment:
            continue
        match = DAY.match(_parts(moment)[0])
        if match is None:
            if moments.iso(moment) is not None:
                can &= {"ymd"}
                continue
            raise SpoolError.at(
                where, line, f"{shown(moment)} is no time that is known here; write 2026-11-02 08:00"
            )
        first, sign, second, third = match[1], match[2], match[3], match[4]
        fits = set()
        if len(first) == 4 and int(second) <= 12:
            fits.add("ymd")
        if len(first) <= 2 and len(third) in (2, 4):
            if int(second) <= 12 and int(first) <= 31:
                fits.add("dmy")
            if (
                int(first) <= 12 and int(second) <= 31 and sign != "."
            ):  # days with points are never month first
                fits.add("mdy")
        can &= fits
        if not can:
            raise SpoolError.at(
                where, line, f"{shown(moment)} does not fit the days above it; correct this line"
            )
    if order is not None and len(can) > 1:
        can &= {order}
    if len(can) > 1:
        raise SpoolError.at(
            where, rows[0][0], f"{shown(times[0])} may be day or month first; add --days dmy or --days mdy"
        )
    if not can:
        raise SpoolError.at(where, rows[0][0], f"{shown(times[0])} does not stand in the order '{order}'")
    return can.pop()  # type: ignore[return-value]  # one of the three


def _has_zone(moment: str) -> bool:
    found = moments.iso(moment)
    return found is not None and found.tzinfo is not None


def _zone(name: str | None) -> datetime.tzinfo | None:
    """Return a zone; None = local."""
    if name is None or name.lower() == "local":
        return None
    if name.upper() in ("UTC", "GMT", "Z"):
        return datetime.UTC
    try:
        return zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        raise SpoolError(f"--zone {shown(name)} is no zone; write UTC, local or e.g. Europe/Vienna") from None


def _zone_word(zone: datetime.tzinfo | None, said: str | None) -> str:
    if zone is None:
        return "local, assumed" if said is None else "local"
    return str(zone)


def _moment(
    where: str,
    line: int,
    text: str,
    order: str | None,
    zone: datetime.tzinfo | None,
    previous: datetime.datetime | None,
) -> datetime.datetime:
    """Return one line's moment; of an hour that the clock shows twice, the one that goes on from the line before."""
    if order is None:
        seconds = float(text)
        return datetime.datetime.fromtimestamp(seconds / 1000 if seconds > 1e11 else seconds, datetime.UTC)
    moment = moments.iso(text) or _assembled(text, order)
    if moment is None:
        raise SpoolError.at(where, line, f"{shown(text)} is no time; correct this line")
    if moment.tzinfo is not None:
        return moment
    try:
        early = moment.replace(tzinfo=zone) if zone is not None else moment.astimezone()
        late = (
            moment.replace(tzinfo=zone, fold=1) if zone is not None else moment.replace(fold=1).astimezone()
        )
        twice = late.timestamp() > early.timestamp()
        if twice and previous is not None and early.timestamp() <= previous.timestamp() < late.timestamp():
            return late
        early.timestamp()
    except (OverflowError, ValueError, OSError):
        raise _beyond(where, line, text) from None
    return early


def _beyond(where: str, line: int, text: str) -> SpoolError:
    return SpoolError.at(
        where, line, f"{shown(text)} is outside the years {YEARS[0]} to {YEARS[1] - 1}; correct it"
    )


def _assembled(text: str, order: str) -> datetime.datetime | None:
    day, clock = _parts(text)
    date, time = DAY.match(day), CLOCK.match(clock or "0:00")
    if date is None or time is None:
        return None
    numbers = dict(zip(order, (int(date[1]), int(date[3]), int(date[4])), strict=True))
    year = numbers["y"] + (2000 if numbers["y"] < 100 else 0)
    hour, half = int(time[1]), (time[5] or "").lower()
    if half:
        hour = hour % 12 + (12 if half.startswith("p") else 0)
    micros = int((time[4] or "0").ljust(6, "0"))
    try:
        return datetime.datetime(
            year, numbers["m"], numbers["d"], hour, int(time[2]), int(time[3] or 0), micros
        )
    except ValueError:
        return None


def _gaps(readings: Readings) -> tuple[float | None, tuple[tuple[int, int], ...]]:
    """Return the usual interval [s], and the stretches much longer than it."""
    steps = [b[0] - a[0] for a, b in itertools.pairwise(readings)]
    if not steps:
        return None, ()
    usual = statistics.median(steps)
    gaps = [(a[0], b[0]) for a, b in itertools.pairwise(readings) if b[0] - a[0] > GAP * usual]
    return usual / MICRO, tuple(gaps)
