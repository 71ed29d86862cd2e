"""Under which names a plan's JSON says what, and of which kind that is: one table for writing it and for taking it up again.

Left out: the text around it (``report.queue_json``), what is done with a plan that was read (``begun``).
"""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any, Final, Literal

from gcodetool.queue.findings import ORDER
from gcodetool.quickdata import dataclass

Kind = Literal["as it is", "text", "number", "whole", "flag", "moment", "verdict", "texts"]


@dataclass(frozen=True)
class PlanName:
    """One value of an object.

    Attributes
    ----------
    inner, name : the inner object that it stands in, empty: none; and what it is called there.
    field : of the dataclass.
    kind : how it is read; None: it is written for others, and not taken up again.
    """

    inner: str
    name: str
    field: str
    kind: Kind | None = None


def _names(kind: Kind | None, words: str) -> tuple[PlanName, ...]:
    """Return names of one kind; ``to=of``: field ``of`` as ``to``, ``inner.to``: within an inner object."""
    found = []
    for word in words.split():
        path, _, field = word.partition("=")
        inner, _, name = path.rpartition(".")
        found.append(PlanName(inner, name, field or name, kind))
    return tuple(found)


JOB: Final = (
    *_names("whole", "number"),
    *_names("text", "path sha256 printer"),
    *_names("moment", "start=start_s end=end_s earliest=earliest_s due=due_s"),
    *_names("whole", "priority"),
    *_names(None, "in_time met"),
    *_names("flag", "held"),
    *_names(None, "progress"),
    *_names("number", "time.moving_s time.extruding_s time.waiting_s time.open_air_s"),
    *_names(None, "tools"),
    *_names("verdict", "verdict"),
    *_names("text", "because"),
    *_names(None, "why bottleneck instead error cautions=all_cautions"),
)
TOOL: Final = (
    *_names("whole", "tool"),
    *_names("text", "spool"),
    *_names("as it is", "how"),
    *_names("text", "box material"),
    *_names("number", "filament_mm left_mm short_mm extruding_s exposure.safe_s exposure.needed_s"),
    *_names(None, "exposure.margin_s"),
    *_names("text", "exposure.source exposure.air"),
    *_names("number", "start_wt_pct worst_wt_pct"),
    *_names("verdict", "verdict.code"),
    *_names("number", "verdict.share"),
    *_names("as it is", "verdict.outcomes"),
    *_names("text", "verdict.because"),
    *_names("as it is", "verdict.from_layer"),
)
DRYING: Final = (
    *_names("text", "spool material dryer"),
    *_names("moment", "in=in_s out=out_s"),
    *_names(None, "seconds"),
    *_names("number", "temperature_C knob_C"),
    *_names("text", "limit=binding reached"),
    *_names("number", "next_fed_before_wt_pct=before_wt_pct next_fed_after_wt_pct=after_wt_pct"),
    *_names("whole", "for_job=for_number"),
    *_names(None, "progress"),
    *_names("verdict", "without.verdict=undried"),
    *_names("text", "without.because"),
    *_names(None, "without.others"),
    *_names("texts", "cautions"),
)
WAIT: Final = (
    *_names("text", "spool material dryer"),
    *_names("moment", "in=in_s out=out_s"),
    *_names(None, "seconds"),
    *_names("as it is", "heat=waits"),
    *_names("number", "temperature_C"),
    *_names("flag", "stays"),
    *_names("number", "next_fed_before_wt_pct=before_wt_pct next_fed_after_wt_pct=after_wt_pct"),
    *_names("whole", "for_job=for_number"),
    *_names(None, "progress"),
    *_names("verdict", "without.verdict=undried"),
    *_names("text", "without.because"),
    *_names("texts", "cautions"),
)


def taken_from(said: Mapping[str, Any], names: Iterable[PlanName]) -> dict[str, Any]:
    """Return the fields that an object of a plan's JSON says, by those names; of an inner one that is null, none.

    Raises
    ------
    KeyError, TypeError, ValueError, AttributeError, OverflowError
        It says something else.
    """
    found = {}
    for name in names:
        where = said[name.inner] if name.inner else said
        if name.kind is not None and where is not None:
            found[name.field] = read_as(name.kind, where[name.name])
    return found


def read_as(kind: Kind, value: Any) -> Any:
    """Return a value of JSON as a field; null stays None, where it may: whoever reads it says so.

    Raises
    ------
    TypeError, ValueError, OverflowError
        It is no such thing.
    """
    if kind == "verdict" and value not in ORDER:
        raise ValueError(value)
    if value is None or kind in ("as it is", "verdict"):
        return value
    if kind == "moment":
        return datetime.fromisoformat(value).timestamp()
    if kind == "texts":
        return tuple(str(each) for each in value)
    return {"text": str, "number": float, "whole": int, "flag": bool}[kind](value)
