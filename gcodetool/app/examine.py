"""A check put together: a program and its spools' records become findings.

The file becomes a timeline, each record a state, the two a forecast, the forecast a verdict.
Nothing here reads a clock.  Left out: one tool's spool
(``tool``, imported when a spool is named: a job without one starts sooner), files (``gcode``, ``ledger``),
and what is done about it (``tweaks``, ``prepare``).
"""

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from gcodetool import profiles
from gcodetool.app.conditions import Conditions
from gcodetool.errors import GcodeError, UsageError
from gcodetool.gcode.batches import Batch
from gcodetool.judge.findings import ExaminedJob, JobFindings, SpoolOverJob, ToolFindings, ToolVerdict
from gcodetool.judge.verdict_codes import worst
from gcodetool.motion.feed import mass_g
from gcodetool.motion.file_cautions import file_cautions, nothing_fed
from gcodetool.motion.machine_limits import machine_cautions
from gcodetool.motion.time_uncertainty import claim_difference, moving_range
from gcodetool.motion.timeline import Timeline
from gcodetool.motion.timing import build_timeline
from gcodetool.tweaks.applied_before import applied_before

if TYPE_CHECKING:
    from gcodetool.gcode.markers import ToolFacts
    from gcodetool.gcode.program import Program
    from gcodetool.moisture.record import Spool
    from gcodetool.profiles import Material

NO_TWEAKS: Final = "tweaks are switched off for this call: nothing is suggested, nothing is applied"


def examine(
    program: "Program",
    spools: "Mapping[int | None, Spool]",
    asked: Conditions,
    *,
    watch_z_mm: float | None = None,
    spread: bool = True,
    progress: Callable[[int], None] | None = None,
    mounted: bool = False,
) -> ExaminedJob:
    """Return the findings with timeline and anchor.

    Parameters
    ----------
    program : from ``gcode.program.read``.
    spools : by tool; None stands for the job's only tool.
    asked : when, where and on what it is printed, and how sure the verdict must be.
    watch_z_mm : asks for the anchor, and for the box of all motion after it below that height.
    spread : without it the file is planned once, and nothing is said of how far its time may be off.
    progress : called with the number of bytes done.
    mounted : the spools were found on a printer (:func:`assign`).

    Raises
    ------
    GcodeError
        The file lays down no filament.
    UsageError
        Spools that do not fit the job's tools.
    SpoolError
        A record that does not say what is needed.
    """
    digest = _Digest(program)
    given = {tool: spool.diameter_mm for tool, spool in spools.items() if tool is not None}
    only = spools.get(None)
    diameters = only.diameter_mm if only is not None else given or None
    anchor = None
    if watch_z_mm is not None:
        from gcodetool.gcode.anchor import find_anchor

        anchor = find_anchor(program, diameters_mm=diameters)
    watched = None if anchor is None or anchor.offset is None else (anchor.offset, watch_z_mm or 0.0)
    kept: list[Batch] = []
    off: dict[str, Any] = {"printer": asked.printer, "filament_diameter_mm": diameters}
    timeline = build_timeline(program, **off, watch=watched, progress=progress, keep=kept if spread else None)
    if not timeline.tools:
        raise GcodeError(f"{program.path}: {nothing_fed(program, timeline)}")
    between = moving_range(program, timeline, **off, kept=kept) if spread else None
    difference = claim_difference(program, timeline, **off, kept=kept) if spread else None
    kept.clear()
    cautions = [
        *machine_cautions(timeline, asked.printer),
        *timeline.notes,
        *file_cautions(program, timeline),
    ]
    if not asked.tweaks:
        cautions.append(NO_TWEAKS)
    applied = None if program.changes else applied_before(program)
    if applied is not None:
        asked = replace(asked, tweaks=False)
        cautions.append(f"tweaks were applied to this file before ({applied}): none is suggested again")
    assigned = assign(spools, timeline.tools, mounted=mounted)
    found, over, said = check_tools(program, timeline, assigned, asked)
    cautions += said
    findings = JobFindings(
        path=str(program.path),
        sha256=digest.result(),
        bytes=program.size,
        lines=timeline.lines,
        dialect=program.dialect.label,
        dialect_reason=program.dialect_reason,
        dialect_sure=program.dialect_sure,
        family=program.known_family,
        layers=timeline.layers,
        unknown_commands=timeline.unknown,
        moving_s=timeline.total_moving_s,
        extruding_s=timeline.total_extruding_s,
        waiting_s=timeline.total_waiting_s,
        open_air_s=timeline.open_air_s,
        slicer_claim_s=program.facts.claimed_s,
        moving_s_range=between,
        claim_difference=difference,
        rules="exact",  # the firmware's own, in every dialect
        limits=timeline.limits,
        waits=timeline.waits,
        as_of_s=asked.at_s,
        verdict=worst([tool.verdict.code for tool in found]),
        tools=tuple(found),
        cautions=tuple(dict.fromkeys(cautions)),
    )
    return ExaminedJob(findings, timeline, anchor, over)


def check_tools(
    program: "Program", timeline: Timeline, spools: "Mapping[int, Spool | None]", asked: Conditions
) -> tuple[list[ToolFindings], dict[int, SpoolOverJob], list[str]]:
    """Return the findings on each tool, the states of known spools by tool, and their cautions."""
    found: list[ToolFindings] = []
    over: dict[int, SpoolOverJob] = {}
    cautions: list[str] = []
    for tool, spool in spools.items():
        stated = program.facts.of_tool(tool)
        if spool is None:
            found.append(without_record(timeline, stated))
            continue
        from gcodetool.app.tool_findings import check_tool

        checked, over[tool], said = check_tool(program, timeline, stated, spool, asked)
        found.append(checked)
        cautions += said
    return found, over, cautions + shared_reels(found, over)


def shared_reels(found: "Sequence[ToolFindings]", over: "Mapping[int, SpoolOverJob]") -> list[str]:
    """Return a caution for each reel that is named for several tools: it cannot be, and what is left is for all."""
    from gcodetool.judge import reasons

    said = []
    for spool in dict.fromkeys(each.spool for each in found if each.spool is not None):
        tools = [each for each in found if each.spool == spool]
        if len(tools) > 1:
            needed_mm = sum(each.filament_mm for each in tools)
            left_mm = over[tools[0].tool].state.remaining_mm
            said.append(reasons.one_reel(spool, [each.tool for each in tools], needed_mm, left_mm))
    return said


class _Digest:
    """The file's digest, worked out beside the scan: hashing leaves the interpreter free."""

    def __init__(self, program: "Program") -> None:
        self._program = program
        self._value: str | None = None
        self._error: Exception | None = None
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def _work(self) -> None:
        try:
            self._value = self._program.sha256
        except Exception as error:  # handed on to the caller in result()
            self._error = error

    def result(self) -> str:
        """Return the digest, or raise what reading the file raised."""
        self._thread.join()
        if self._error is not None:
            raise self._error
        return self._value or ""


def assign(
    spools: "Mapping[int | None, Spool]", tools: Sequence[int], *, mounted: bool = False
) -> "dict[int, Spool | None]":
    """Return the spool of each of the job's *tools*, in their order; None where nobody named one.

    Parameters
    ----------
    mounted : the spools were found on a printer, so those of tools that the job does not use are left out.

    Raises
    ------
    UsageError
        A spool without a tool for a job of several, or for a tool that the job does not use.
    """
    only = spools.get(None) if len(tools) == 1 else None
    if not mounted and only is None:
        names = ", ".join(str(tool) for tool in tools)
        if None in spools:
            raise UsageError(
                f"the job feeds from tools {names}; name each spool's tool: "
                f"--spool {tools[0]}={spools[None].id} --spool {tools[1]}=…"
            )
        for tool in spools:
            if tool not in tools:
                raise UsageError(f"--spool {tool}=…: the job feeds nothing from tool {tool}; it uses {names}")
    return {tool: spools.get(tool, only) for tool in tools}


def without_record(timeline: Timeline, stated: "ToolFacts") -> ToolFindings:
    """Return what can be said of a tool whose spool nobody named: what the slicer wrote down."""
    from gcodetool.judge import reasons

    tool, word, named, diameter = stated.tool, stated.filament_type, stated.spool, stated.diameter_mm
    material: Material | None = None
    if word:
        material, _ = profiles.of_slicer_type(word)
    because = reasons.not_given_reason(named) if named else reasons.NO_RECORD_REASON
    advice = reasons.name_the_record(named) if named else reasons.NAME_A_RECORD
    length = timeline.filament_mm(tool)
    mass = None
    if material is not None and diameter is not None:
        mass = mass_g(length, diameter, material.density_kg_m3)
    return ToolFindings(
        tool=tool,
        spool=None,
        material=word,
        filament_mm=length,
        mass_g=mass,
        extruding_s=timeline.extruding_of_s(tool),
        verdict=ToolVerdict("unknown", None, because, None, None),
        advice=(advice,),
    )
