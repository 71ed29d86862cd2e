"""Readings that arrive line by line as JSON: what a home network's own programs can send."""

from collections.abc import Iterable, Iterator
from typing import Any, Final

from gcodetool import moments, quantities
from gcodetool.errors import SpoolError
from gcodetool.ledger.airlogfile import COLDEST_C, HOTTEST_C
from gcodetool.ledger.entries import micro
from gcodetool.textfile import from_json
from gcodetool.tomlfile import shown

KEYS: Final = ("at", "temperature_C", "rh_pct")
WHERE: Final = "standard input"
Reading = tuple[int, float, float]  # [µs since 1970 UTC], [°C], [% RH]


def reading_of(text: str, line: int, now_s: float) -> Reading:
    """Return the reading that one line says; without ``at`` it is of the present moment.

    >>> reading_of('{"temperature_C": 21.5, "rh_pct": 48}', 1, 1.8e9)
    (1800000000000000, 21.5, 48.0)

    Raises
    ------
    SpoolError
        ``standard input:line``: it is none.
    """
    found = from_json(text, f"{WHERE}:{line}", SpoolError, "reading")
    if not isinstance(found, dict):
        raise SpoolError.at(WHERE, line, 'not a reading; write {"temperature_C": 21.5, "rh_pct": 48}')
    wrong = [key for key in found if key not in KEYS]
    if wrong:
        raise SpoolError.at(
            WHERE, line, f"{shown(wrong[0])} is no key of a reading; known: {', '.join(KEYS)}"
        )
    celsius = _number(found, "temperature_C", line, COLDEST_C, HOTTEST_C)
    rh_pct = _number(found, "rh_pct", line, 0.0, 100.0)
    try:
        at_s = now_s if found.get("at") is None else moments.recorded_s(str(found["at"]))
    except quantities.NotUnderstoodError as error:
        raise SpoolError.at(WHERE, line, f"at: {error}") from None
    return micro(at_s), celsius, rh_pct


def _number(found: dict[str, Any], key: str, line: int, low: float, high: float) -> float:
    value = found.get(key)
    if isinstance(value, str):
        try:
            value = quantities.amount(value, quantities.kind_of_key(key))
        except quantities.NotUnderstoodError as error:
            raise SpoolError.at(WHERE, line, f"{key}: {error}") from None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise SpoolError.at(WHERE, line, f'{key} is missing or no number; write "{key}": 21.5')
    if not low <= value <= high:
        raise SpoolError.at(
            WHERE, line, f"{key} is {value:g}, but must be from {low:g} to {high:g}; correct it"
        )
    return float(value)


def batches(readings: Iterable[Reading], most: int, longest_s: float) -> Iterator[list[Reading]]:
    """Yield readings in groups, to be written together: *most* at a time, or those of *longest_s* seconds."""
    group: list[Reading] = []
    for each in readings:
        group.append(each)
        if len(group) >= most or group[-1][0] - group[0][0] >= longest_s * 1e6:
            yield group
            group = []
    if group:
        yield group
