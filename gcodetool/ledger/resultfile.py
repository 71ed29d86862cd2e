"""A CSV file of results: columns state, print, specimen, quantity and value, in any order and language of numbers.

Left out: whether the series has such prints and quantities (``series.record``).
"""

from pathlib import Path
from typing import Final

from gcodetool.errors import SeriesError
from gcodetool.ledger.csvtext import csv_text, decimal_of, delimiter_of, number_of, rows_of
from gcodetool.tomlfile import shown

COLUMNS: Final = ("state", "print", "specimen", "quantity", "value")  # as ``series.planfile`` has them
Row = tuple[int, str, int, int, str, float]  # line, then as in the columns


def read_results(path: Path) -> list[Row]:
    """Return the rows of a file; those without a value are passed over, as a specimen that broke is.

    Raises
    ------
    SeriesError
        ``file:line``: no such file, a column is missing, or a cell is no number.
    """
    where = str(path)
    text = csv_text(path, SeriesError, "file of results")
    delimiter = delimiter_of(where, text, SeriesError)
    rows = [
        (line, [cell.strip() for cell in row]) for line, row in rows_of(where, text, delimiter, SeriesError)
    ]
    if not rows:
        raise SeriesError.at(where, None, "the file holds no line; name the file of results")
    line, heads = rows[0]
    at = {name: i for i, cell in enumerate(heads) if (name := cell.lower()) in COLUMNS}
    missing = [name for name in COLUMNS if name not in at]
    if missing:
        raise SeriesError.at(
            where,
            line,
            f"no column {missing[0]} (here: {shown(', '.join(heads))}); the first line: {';'.join(COLUMNS)}",
        )
    last = max(at.values())
    for line, row in rows[1:]:
        if len(row) <= last:
            raise SeriesError.at(
                where, line, f"{len(row)} cells where {last + 1} are needed; complete the line"
            )
    decimal = decimal_of([row[at["value"]] for _, row in rows[1:]])
    found = []
    for line, row in rows[1:]:
        if len(row) > len(heads) and any(row[len(heads) :]):
            text = f"{len(row)} cells under {len(heads)} names; where decimals have commas, export with ';' between columns"
            raise SeriesError.at(where, line, text)
        if row[at["value"]]:
            whole = [_whole(where, line, name, row[at[name]]) for name in ("print", "specimen")]
            value = number_of(where, line, "value", row[at["value"]], decimal, SeriesError)
            found.append((line, row[at["state"]], whole[0], whole[1], row[at["quantity"]], value))
    if not found:
        raise SeriesError.at(where, None, "no line holds a value; name the file of results")
    return found


def _whole(where: str, line: int, name: str, cell: str) -> int:
    if not cell.isascii() or not cell.isdigit() or len(cell) > 4:
        raise SeriesError.at(where, line, f"{name} {shown(cell)} is no whole number; write 1, 2, 3")
    return int(cell)
