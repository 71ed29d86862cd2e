"""A job against the machine that is to print it: its heat targets and moves, the profile's limits.

``check``, ``prepare`` and ``queue`` all ask here.  Left out: what a material stands (``block``,
``tweaks``), how fast the machine moves (``motion.limits``).
"""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from gcodetool.motion.reach import Overrun
    from gcodetool.motion.timeline import Heating, Timeline
    from gcodetool.profiles import Printer

HEATS: Final = frozenset(("set", "standby"))  # kinds of targets; the others are only waited for
ELSEWHERE: Final = "slice it for that printer, or print it on another"


def too_hot(target_C: float, hot_end_C: float | None) -> bool:
    """Tell whether a target is above the hot end's limit; where none is stated, none is."""
    return hot_end_C is not None and target_C > hot_end_C


def machine_cautions(timeline: "Timeline", printer: "Printer | None") -> tuple[str, ...]:
    """Return what a job asks of *printer* beyond hot end, bed and height, a line for each tool and side.

    ``timeline`` : of the same printer; without one nothing is known, and nothing is said.
    """
    if printer is None:
        return ()
    return (*_heat(timeline.heating, printer), *(_move(each, printer.name) for each in timeline.overruns))


def _heat(heating: "tuple[Heating, ...]", printer: "Printer") -> Iterator[str]:
    """Yield a caution for each tool that is to be too hot."""
    limit_C = printer.hot_end.max_temperature_C
    above: dict[int, list[Heating]] = {}
    for each in heating:
        if each.target.kind in HEATS and too_hot(each.target.celsius, limit_C):
            above.setdefault(each.target.tool, []).append(each)
    for tool, found in sorted(above.items()):
        first, hottest = found[0], max(found, key=lambda each: each.target.celsius)
        more = ""
        if hottest.target.celsius > first.target.celsius:
            more = f" (line {hottest.line}: {hottest.target.celsius:g} °C)"
        yield (
            f"line {first.line} heats T{tool} to {first.target.celsius:g} °C{more}, but the hot end of {printer.name} "
            f"is for at most {limit_C:g} °C: do not start it there; {ELSEWHERE}"
        )


def _move(over: "Overrun", name: str) -> str:
    """Return the caution for moves beyond one side of the bed, or above the height."""
    does = "lays filament at" if over.lays else "moves to"
    more = ""
    if over.furthest_mm != over.value_mm:
        more = f" (line {over.furthest_line}: {over.axis}{over.furthest_mm:g})"
    where = f"{name} reaches up to" if over.axis == "Z" else f"the bed of {name} ends at"
    return (
        f"line {over.line} {does} {over.axis}{over.value_mm:g}{more}, {where} {over.axis}{over.limit_mm:g}: "
        f"{ELSEWHERE}"
    )
