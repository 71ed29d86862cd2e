"""``adjust``: a slicer's filament profile, its copy for a spool as wet as it is."""

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Unpack

from gcodetool.app.check import JobQuestion, Spools, SpoolWord, Words, examine_job
from gcodetool.app.resolve import clock, find_printer, find_spool, snapshots_of
from gcodetool.errors import ProfileError, SpoolError, UsageError
from gcodetool.gcode.edits import write_atomic
from gcodetool.moisture.history import state_at
from gcodetool.moisture.members import default_members
from gcodetool.slicerfiles import bundle, shapes
from gcodetool.textfile import read_bytes
from gcodetool.tweaks import profile_changes as advice
from gcodetool.tweaks.suggest import WaterVsLimits, water_in, water_now
from gcodetool.tweaks.tool_demands import demands_of

if TYPE_CHECKING:
    from gcodetool.judge.findings import JobFindings
    from gcodetool.moisture.record import Spool
    from gcodetool.tweaks.tool_demands import ToolDemands


@dataclass(frozen=True)
class AdjustedProfile:
    """What a filament profile becomes.

    Attributes
    ----------
    plan, water, spool : the changes, the water that they answer, and whose it is.
    findings : of the job, where one was named.
    difference : the change line by line; empty where nothing would be written.
    read_only : why profiles of this shape are never written; None: they are.
    written : files that were written.
    """

    plan: advice.ProfileChanges
    water: WaterVsLimits
    spool: "Spool"
    findings: "JobFindings | None" = None
    difference: str = ""
    read_only: str | None = None
    written: tuple[Path, ...] = ()


def filaments_of(profile: str | Path) -> tuple[str, ...]:
    """Return the filaments of a bundle; none where the profile is of another kind."""
    data = read_bytes(Path(profile), ProfileError, "profile")
    return bundle.filaments(data.decode("utf-8", "replace"))


def adjust(
    profile: str | Path,
    spool: Spools,
    *,
    output: str | Path | None = None,
    job: str | Path | None = None,
    filament: str | None = None,
    **words: Unpack[Words],
) -> AdjustedProfile:
    """Return what a filament profile becomes for a spool, and write that to *output* where it is named.

    Parameters
    ----------
    profile : a slicer's filament profile; it is never touched.
    spool : one spool; with its tool, for a job of several.
    words : as for a check.
    output : the copy; its name is the file's.
    job : a sliced job: what is asked of the hot end, and what water arrives.
    filament : which filament of a bundle; None: the one in use.

    Raises
    ------
    ProfileError
        A profile that cannot be read, or a copy that would stand over its original.
    UsageError
        No spool, or several.
    GcodetoolError
        As a check.
    """
    asked = JobQuestion(spool, **words)
    path, target = Path(profile), None if output is None else Path(output)
    seen = shapes.read(path, filament=filament)
    if target is not None:
        advice.check_target(seen, target, (target.with_suffix(".info"),))
    tool, word = _one_spool(asked)
    machine = find_printer(asked.printer, ledger=asked.ledger).profile
    held, water, demands, findings = _watered(word, tool, job, asked)
    plan = advice.plan(seen, held.material, water, asked=demands, printer=machine, tool=tool)
    found = AdjustedProfile(plan, water, held, findings, read_only=seen.family.read_only)
    if found.read_only is not None:
        return found
    name = advice.stem_of(target) if target is not None else f"{seen.name} for {held.id}"
    now_s = clock(asked.at)
    made = advice.copy_of(plan, name=name, note=advice.note_of(plan, held.id, water, now_s), at_s=now_s)
    difference = unified_difference(seen.data, made[""], str(path), str(target or name))
    written = () if target is None else tuple(_write(plan, made, target, name))
    return replace(found, difference=difference, written=written)


def _one_spool(asked: JobQuestion) -> tuple[int | None, SpoolWord]:
    """Return the one spool that is asked about, and its tool."""
    named = asked.spools
    if named is None or (isinstance(named, Mapping) and len(named) != 1):
        raise UsageError("name one spool with --spool ID")
    return next(iter(named.items())) if isinstance(named, Mapping) else (None, named)


def _watered(
    word: SpoolWord, tool: int | None, job: str | Path | None, asked: JobQuestion
) -> "tuple[Spool, WaterVsLimits, ToolDemands | None, JobFindings | None]":
    """Return the spool, its water over the job (or now, without one), and what the job asks of its tool."""
    if job is None:
        spool = find_spool(word, ledger=asked.ledger)
        shelf = snapshots_of(asked.ledger)(spool)
        state = state_at(spool, clock(asked.at), members=default_members(asked.members), shelf=shelf)
        return spool, water_now(state), None, None
    seen = examine_job(job, replace(asked, spools={tool: word}), spread=False)
    (spool,) = seen.spools.values()
    found = next(each for each in seen.findings.tools if each.spool == spool.id)
    if found.forecast is None:
        raise SpoolError(f"{spool.id}: {found.verdict.because}; correct its record, or leave --job out")
    demands = demands_of(
        seen.program,
        seen.examined.timeline,
        seen.program.facts.of_tool(found.tool),
        material=spool.material,
        diameter_mm=spool.diameter_mm,
        printer=seen.printer,
    )
    return spool, water_in(found, spool), demands, seen.findings


def unified_difference(before: bytes, after: bytes, first: str, second: str) -> str:
    """Return the unified difference of two texts."""
    one, two = (text.decode("utf-8").splitlines(keepends=True) for text in (before, after))
    lines = difflib.unified_diff(one, two, first, second)
    return "".join(line if line.endswith("\n") else line + "\n" for line in lines)


def _write(plan: advice.ProfileChanges, made: dict[str, bytes], output: Path, name: str) -> list[Path]:
    """Write the copy and its sidecar, and read it back from the disk."""
    written = []
    for ending, data in made.items():
        target = output.with_suffix(ending) if ending else output
        write_atomic(target, [data])
        written.append(target)
    if plan.changes:
        advice.compare(plan, read_bytes(output, ProfileError, "copy"), name)
    return written
