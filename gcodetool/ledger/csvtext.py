"""A CSV file that some program or sheet exported: its text, delimiter and decimal sign, told by the file itself.

Left out: what its columns mean (``hygrometer``, ``resultfile``).
"""

import csv
import io
import math
import statistics
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from gcodetool.errors import InputError, SpoolError
from gcodetool.textfile import MOST_LOG, read_bytes
from gcodetool.tomlfile import shown

DELIMITERS: Final = (";", "\t", ",", "|")
DELIMITER_NAMES: Final = {";": "semicolon", "\t": "tab", ",": "comma", "|": "bar"}
ROWS_LOOKED_AT: Final = 200
Errors = type[InputError]


def csv_text(path: Path, error: Errors = SpoolError, what: str = "logger's file") -> str:
    """Return the text of a file in UTF-8, UTF-16 or an old office's signs."""
    data = read_bytes(path, error, what, most=MOST_LOG)
    for sign, codec in (
        (b"\xff\xfe", "utf-16"),
        (b"\xfe\xff", "utf-16"),
        (b"", "utf-8-sig"),
        (b"", "cp1252"),
    ):
        if data.startswith(sign):
            try:
                text = data.decode(codec)
            except UnicodeDecodeError:
                continue
            if "\0" not in text:
                return text
    raise error.at(path, None, "not a text file; export it as CSV")


def rows_of(where: str, text: str, delimiter: str, error: Errors = SpoolError) -> list[tuple[int, list[str]]]:
    """Return (line, cells) of each row that holds something."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    try:
        return [(reader.line_num, row) for row in reader if any(cell.strip() for cell in row)]
    except csv.Error as problem:
        raise error.at(where, reader.line_num, f"not CSV: {problem}; correct this line") from None


def delimiter_of(where: str, text: str, error: Errors = SpoolError) -> str:
    """Return the sign that cuts most lines into the same number of cells, two at least."""
    lines = [line for line in text.splitlines() if line.strip()][:ROWS_LOOKED_AT]
    best, found = 0.0, ""
    for sign in DELIMITERS:
        try:
            counts = [len(row) for row in csv.reader(lines, delimiter=sign)]
        except csv.Error:  # no cell is so long; the reading itself says in which line
            continue
        if not counts:
            break
        common = statistics.mode(counts)
        worth = counts.count(common) / len(counts) * (common > 2 or (common == 2 and sign != ","))
        if worth > best + 1e-9:
            best, found = worth, sign
    if not found:
        raise error.at(where, 1, "no delimiter makes columns of this; export it with ';' between the columns")
    return found


def decimal_of(cells: Sequence[str]) -> str:
    """Return the decimal sign of cells that hold numbers: a comma only where none has a point."""
    return "," if any("," in cell for cell in cells) and not any("." in cell for cell in cells) else "."


def number_of(where: str, line: int, what: str, cell: str, decimal: str, error: Errors = SpoolError) -> float:
    """Return the number in a cell, whatever unit stands behind it."""
    text = cell.strip().rstrip("%°CFcf ").replace("\u2212", "-")
    try:
        found = float(text.replace(",", ".") if decimal == "," else text)
    except ValueError:
        found = math.nan
    if not math.isfinite(found):
        raise error.at(where, line, f"{what} {shown(cell)} is no number; correct this line")
    return found
