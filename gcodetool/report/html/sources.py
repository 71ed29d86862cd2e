"""What a page's numbers rest on: which were measured, which read from a source, which estimated.

Findings and records become a list of :class:`Basis`; nothing is judged here, only sorted.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from gcodetool.judge.findings import JobFindings, ToolFindings
from gcodetool.motion.limits import SETTINGS_BLOCK, STATED_DEFAULT
from gcodetool.report.as_text import duration

if TYPE_CHECKING:
    from gcodetool.moisture.record import Place, Spool

Kind = Literal["measured", "read", "estimated"]
KINDS: Final[tuple[tuple[Kind, str], ...]] = (
    ("measured", "someone looked, or an instrument did"),
    ("read", "stated by a file, a record, a profile or a publication"),
    ("estimated", "a default, a range or a trade rule; the first to doubt"),
)
READ_WORDS: Final = ("read", "handbook")  # how profiles word a source that was read
GUESSED: Final = (STATED_DEFAULT, SETTINGS_BLOCK)


@dataclass(frozen=True)
class Basis:
    """One number or group of numbers, and where it came from."""

    what: str
    kind: Kind
    source: str


def bases(found: JobFindings, spools: "Mapping[int, Spool]") -> list[Basis]:
    """Return what the numbers rest on, tool by tool and then the times."""
    listed: list[Basis] = []
    for tool in found.tools:
        spool = spools.get(tool.tool)
        name = f"T{tool.tool}" if len(found.tools) > 1 else ""
        if spool is not None:
            listed += [
                Basis(_named(each.what, name), each.kind, each.source) for each in of_spool(tool, spool)
            ]
    listed += of_times(found)
    return listed


def _named(what: str, name: str) -> str:
    return f"{name} {what}" if name else what


def of_spool(tool: ToolFindings, spool: "Spool") -> Iterator[Basis]:
    """Yield what one spool's numbers rest on."""
    at_s = tool.state.as_of_s if tool.state is not None else float("inf")
    events = [event for event in spool.events if event.at_s <= at_s]
    for kind, one, many in (
        ("weighed", "weigh-in", "weigh-ins"),
        ("inspected", "inspection of the strand", "inspections of the strand"),
        ("fed", "note of filament fed", "notes of filament fed"),
        ("outcome", "print judged", "prints judged"),
        ("cut", "cut of a sample", "cuts of samples"),
    ):
        count = sum(event.kind == kind for event in events)
        if count:
            yield Basis(f"{count} {one if count == 1 else many}", "measured", "the spool's record")
    first = events[0] if events else None
    if first is not None and first.water_wt_pct is not None:
        yield Basis(f"{first.water_wt_pct:g} wt % when received", "read", "the spool's record")
    visited = {event.place: None for event in events if event.place is not None}
    for name in visited:
        if name in spool.places:
            yield of_place(spool.places[name])
    if tool.exposure is not None:
        assumed = tool.exposure.air_assumed
        source = "no place was named" if assumed else "the place it is printed in, constant through the job"
        yield Basis(f"air of the print: {tool.exposure.air}", "estimated" if assumed else "read", source)
    material = spool.material
    cited = f"profile {material.key}"
    for what, confidence in (
        (
            f"limits of {material.key}: good to {material.limit_good_wt_pct:g}, "
            f"marginal to {material.limit_marginal_wt_pct:g} wt % (nominal)",
            material.confidence_limits,
        ),
        ("how fast water moves in the strand", material.confidence_diffusivity),
        ("how much water it takes up", material.confidence_uptake),
    ):
        known = confidence.startswith(READ_WORDS)
        yield Basis(what, "read" if known else "estimated", f"{cited}: {confidence}")
    for note in tool.state.assumed if tool.state is not None else ():
        if note.kind == "assumed":
            yield Basis(note.text, "estimated", "assumed where the record is silent")


def of_place(place: "Place") -> Basis:
    """Return what the air of a place rests on."""
    if place.log is not None:
        return Basis(f"air of {place.name}", "measured", f"its log, {len(place.log.at_s)} readings")
    parts = []
    if place.temperature_C is not None:
        parts.append(f"{place.temperature_C:g} °C")
    if place.rh_pct is not None:
        parts.append(f"{place.rh_pct:g} % RH")
    if place.solution is not None:
        parts.append(f"over saturated {place.solution}")
    if place.dew_point_C is not None:
        parts.append(f"dew point {place.dew_point_C:g} °C")
    if place.desiccant is not None:
        parts.append(place.desiccant)
    if place.room is not None:
        parts.append(f"vapour of {place.room}")
    if place.fed_from is not None:
        parts.append(f"fed from {place.fed_from}")
    said = ", ".join(parts)
    if not said:
        return Basis(f"air of {place.name}", "estimated", "the record states none")
    return Basis(f"air of {place.name}: {said}", "read", "the spool's record, constant")


def of_times(found: JobFindings) -> Iterator[Basis]:
    """Yield what the times rest on."""
    yield Basis("moves, filament, layers", "read", f"the job's {found.lines:,} lines")
    sources: dict[str, int] = {}
    for limit in found.limits:
        sources[limit.source] = sources.get(limit.source, 0) + 1
    for source, count in sources.items():
        kind: Kind = "estimated" if source in GUESSED else "read"
        yield Basis(f"{count} of the printer's limits", kind, source)
    for assumed in (False, True):
        waits = [wait for wait in found.waits if wait.assumed is assumed and wait.seconds > 0]
        if waits:
            total = sum(wait.seconds for wait in waits)
            source = "lengths assumed" if assumed else "the file, or the printer's profile"
            what = f"{len(waits)} wait{'s' if len(waits) > 1 else ''}, {duration(total)} in all"
            yield Basis(what, "estimated" if assumed else "read", source)
