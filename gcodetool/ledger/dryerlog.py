"""A log of a dryer's own temperature: a CSV file to moments and degrees."""

import csv
import io
from pathlib import Path
from typing import Final

from gcodetool import moments, quantities
from gcodetool.errors import SpoolError
from gcodetool.textfile import MOST_LOG, read_text
from gcodetool.tomlfile import shown

COLUMNS: Final = ("time", "temperature_C")
COLDEST_C, HOTTEST_C = -60.0, 400.0


def read_temperatures(path: str | Path) -> tuple[list[float], list[float]]:
    """Return the moments [s since 1970 UTC] and temperatures [°C]; other columns are passed over.

    Raises
    ------
    SpoolError
        ``file:line``: a column is missing, a value is none, or time does not go on.
    """
    text = read_text(path, SpoolError, "log", most=MOST_LOG)
    reader = csv.DictReader(io.StringIO(text, newline=""), skipinitialspace=True)
    at_s: list[float] = []
    celsius: list[float] = []
    try:
        for name in COLUMNS:
            if name not in (reader.fieldnames or ()):
                hint = f"name the columns in the first line: {','.join(COLUMNS)}"
                raise SpoolError.at(path, 1, f"the log has no column {name}; {hint}")
        for row in reader:
            moment, degrees = _reading(path, reader.line_num, row)
            if at_s and moment <= at_s[-1]:
                raise SpoolError.at(
                    path, reader.line_num, "not later than the reading above it; sort the log"
                )
            at_s.append(moment)
            celsius.append(degrees)
    except csv.Error as problem:
        raise SpoolError.at(path, reader.line_num, f"not CSV: {problem}; correct this line") from None
    return at_s, celsius


def _reading(path: str | Path, line: int, row: dict[str, str | None]) -> tuple[float, float]:
    time, temperature = (row[name] or "" for name in COLUMNS)
    try:
        moment = moments.recorded_s(time)
    except quantities.NotUnderstoodError:
        hint = "write 2026-11-02T08:00:00+01:00"
        raise SpoolError.at(path, line, f"{shown(time)} is no time; {hint}") from None
    try:
        degrees = quantities.number(temperature)
    except quantities.NotUnderstoodError:
        raise SpoolError.at(path, line, f"{shown(temperature)} is no temperature; write 78.5") from None
    if not COLDEST_C <= degrees <= HOTTEST_C:  # also false for NaN
        raise SpoolError.at(path, line, f"{degrees:g} °C is no dryer's temperature; correct it")
    return moment, degrees
