"""Dataclasses as JSON objects: which fields, under which names; numbers exact, times in UTC.

What JSON cannot say (NaN, infinity) is null.  Left out: the objects themselves (``as_json``, ``queue_json``,
``drying_json``).
"""

import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from gcodetool.judge.findings import Application
from gcodetool.moisture.notes import Note


def fields(of: Any, names: str) -> dict[str, Any]:
    """Return the named fields of *of* as JSON values, in that order; ``to=after``: field ``after`` as ``to``.

    >>> fields(Application(done=True, text="line 41"), "done what=text")
    {'done': True, 'what': 'line 41'}
    """
    pairs = (name.partition("=") for name in names.split())
    return {name: json_value(getattr(of, field or name)) for name, _, field in pairs}


def rows(of: Any, names: str) -> list[dict[str, Any]]:
    """Return an object for each element of *of*, as :func:`fields`."""
    return [fields(each, names) for each in of]


def json_value(value: Any) -> Any:
    """Return *value* as JSON can say it: quantiles as an object, remarks as their text, tuples as lists."""
    if value is None or isinstance(value, str | int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if hasattr(value, "p50"):
        return fields(value, "p10 p50 p90")
    if isinstance(value, Note | Application):
        return str(value)
    if isinstance(value, Mapping):
        return {key: json_value(each) for key, each in value.items()}
    if isinstance(value, tuple | list):
        return [json_value(each) for each in value]
    return value


def utc(at_s: float) -> str:
    """Return an ISO 8601 time in UTC.

    >>> utc(1793750400.0)
    '2026-11-04T00:00:00+00:00'
    """
    return datetime.fromtimestamp(at_s, UTC).isoformat()


def when(at_s: float | None) -> str | None:
    """Return a moment in UTC, or None."""
    return None if at_s is None else utc(at_s)
