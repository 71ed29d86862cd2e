"""A place's log of air: a CSV file of times, temperatures and humidities.

Left out: what a hygrometer's own file says (``hygrometer``).
"""

import csv
import io
from array import array
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from gcodetool import moments, quantities
from gcodetool.errors import SpoolError
from gcodetool.ledger.recordtables import beside
from gcodetool.moisture.record import (
    AirLog,
)
from gcodetool.textfile import MOST_LOG, read_text
from gcodetool.tomlfile import Table, shown

LOG_COLUMNS: Final = ("time", "temperature_C", "rh_pct")


COLDEST_C, HOTTEST_C = -40.0, 200.0  # of a place: a winter store, the hottest dryer for PEEK


def log_of_table(table: Table) -> AirLog | None:
    """Return the log that a place's table names, or holds; None: it has none."""
    if isinstance(given := table.data.get("log"), AirLog):
        return given
    name = table.text("log")
    if name is None:
        return None
    path = beside(table, name)
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
        return moments.recorded_s(text)
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
