"""The annotated file: header, purge-and-inspect block and layer notes as insertions.

Every inserted byte stands between whole ``; gcodetool:begin`` and ``; gcodetool:end`` lines;
with them taken out the input is back, byte for byte.  The text depends on the job's bytes, the
findings and the stated time only.
"""

import re
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from gcodetool import __version__
from gcodetool.block.block import WATCH_Z_MM, Block, Purge, block_for
from gcodetool.errors import GcodeError
from gcodetool.gcode import edits
from gcodetool.gcode.anchor import Anchor, find_anchor
from gcodetool.gcode.edits import Edit
from gcodetool.gcode.markers import Family
from gcodetool.judge.findings import ExaminedJob, JobFindings, ToolFindings
from gcodetool.judge.reasons import feed_sentence, outcomes_sentence
from gcodetool.moments import wall
from gcodetool.tweaks.applied_before import header_lines

if TYPE_CHECKING:
    from gcodetool.gcode.program import Program
    from gcodetool.moisture.record import Spool
    from gcodetool.profiles import Material, Printer

WIDTH: Final = 100  # of a comment line
WATCH: Final = WATCH_Z_MM  # what ``examine`` needs to know for the block

# The last line of a file's header block, where a family has one; else line 1.
HEADER_ENDS: Final = {
    Family.B: re.compile(rb"^;Generated with [^\r\n]*\r?\n", re.MULTILINE),
    Family.C_TOP: re.compile(rb"^; HEADER_BLOCK_END\r?\n", re.MULTILINE),
    Family.C_END: re.compile(rb"^; HEADER_BLOCK_END\r?\n", re.MULTILINE),
}


@dataclass(frozen=True)
class PrepareOptions:
    """What the person wants: ``block`` always, unless-clear or never; ``wait_s`` None = a button.

    ``purge`` None: as much as the strand in the way needs.
    """

    block: str = "unless-clear"
    wait_s: float | None = None
    purge: Purge | None = None


@dataclass(frozen=True)
class Annotations:
    """What is inserted: the edits, the block or the reason for none, and notes for the person."""

    edits: tuple[Edit, ...]
    block: Block | None
    notes: tuple[str, ...]


def target_of(job: Path, kind: str = "") -> Path:
    """Return where the prepared file goes when nobody says: plain text, or a container or binary as it was.

    >>> target_of(Path("parts/clip.gcode.xz"), "xz").name
    'clip.prepared.gcode'
    >>> target_of(Path("clip.gcode.3mf"), "zip").name
    'clip.prepared.gcode.3mf'
    >>> target_of(Path("clip.bgcode"), "binary").name
    'clip.prepared.bgcode'
    """
    stem = job.name
    for suffix in (".gz", ".xz", ".3mf", ".gcode", ".bgcode"):
        if stem.lower().endswith(suffix) and stem.lower() != suffix:
            stem = stem[: -len(suffix)]
    return job.with_name(stem + ".prepared" + {"zip": ".gcode.3mf", "binary": ".bgcode"}.get(kind, ".gcode"))


def annotate(
    program: "Program",
    examined: ExaminedJob,
    spools: "Sequence[Spool]" = (),
    *,
    printer: "Printer | None" = None,
    options: PrepareOptions | None = None,
) -> Annotations:
    """Return the insertions for *program*.

    Parameters
    ----------
    program, examined : from ``read`` and from ``examine`` with ``watch_z_mm=WATCH``.
    spools : those of the job; the block needs the limits of their materials.
    printer : bounds of bed and hot end; None = what the file says, else a small machine's.
    options : when a block is wanted, and how it waits.

    Raises
    ------
    GcodeError
        A file for a belt machine or a spindle: it must not be touched at all.
    """
    options = options or PrepareOptions()
    found = examined.findings
    anchor = examined.anchor or find_anchor(program)
    refused = why_untouched(anchor)
    if refused is not None:
        raise GcodeError.at(program.path, None, refused)
    newline = edits.newline_of(program.head)
    block, why = requested_block(program, examined, anchor, spools, printer=printer, options=options)
    lines = list(header(found, block, why))
    inserts = [edits.insertion(header_place(program), "header", lines, newline=newline, reason="forecast")]
    if block is not None and block.lines is not None and anchor.offset is not None:
        inserts.append(
            edits.insertion(
                anchor.offset, "purge-and-inspect", block.lines, newline=newline, reason="purge and inspect"
            )
        )
    for offset, text in layer_notes(found):
        inserts.append(
            edits.insertion(offset, "layer-note", list(comment(text)), newline=newline, reason=text)
        )
    inserts.sort(key=lambda edit: edit.start)  # stable: header, block, notes where they share a place
    notes = () if block is None else block.cautions
    if block is not None and block.lines is None:
        notes = (block.reason, *notes)
    return Annotations(tuple(inserts), block, tuple(dict.fromkeys(notes)))


def why_untouched(anchor: Anchor) -> str | None:
    """Return why nothing at all may be written into a file; None: something may."""
    if anchor.untouchable is None:
        return None
    return f"{anchor.untouchable}: nothing can be inserted safely; the file is as it was"


def write(program: "Program", prepared: Annotations, target: Path, *, last_look: Callable[[], None]) -> None:
    """Write *program* with its insertions to *target*, whole or not at all.

    The job itself stays in the form that its bytes have; another target gets the form of its name.

    Parameters
    ----------
    last_look : called before anything is replaced: whether the job is still the file that was examined.

    Raises
    ------
    GcodeError
        A zip container or binary G-code is wanted of a job that is none, the job's own is damaged, or the
        job was written anew since it was examined.
    WriteError
        What went wrong; the target is as it was.
    """
    from gcodetool.gcode.output_form import form_of

    form = form_of(program.source.kind, program.path, target)
    edits.write_atomic(target, program.packed(prepared.edits, form), last_look=last_look)


def requested_block(
    program: "Program",
    examined: ExaminedJob,
    anchor: Anchor,
    spools: "Sequence[Spool]",
    *,
    printer: "Printer | None",
    options: PrepareOptions,
) -> tuple[Block | None, str]:
    """Return the block, or None and the reason why nobody asked for one."""
    verdict = examined.findings.verdict
    if options.block == "never":
        return None, "no block: not wanted"
    if options.block == "unless-clear" and verdict == "clear":
        return None, "no block: the verdict is clear"
    tool = next((each for each in examined.findings.tools if each.tool == anchor.tool), None)
    spool = None if tool is None else next((each for each in spools if each.id == tool.spool), None)
    material = spool.material if spool is not None else file_material(tool)
    facts = program.facts
    diameter = spool.diameter_mm if spool is not None else facts.of_tool(anchor.tool).diameter_mm
    block = block_for(
        program,
        anchor,
        printer=printer,
        nozzle_min_C=None if material is None else material.nozzle_min_C,
        nozzle_max_C=None if material is None else material.nozzle_max_C,
        diameter_mm=diameter,
        low_box=examined.timeline.low_box,
        wait_s=options.wait_s,
        purge=options.purge or purge_of(tool),
    )
    return block, block.reason


def purge_of(tool: ToolFindings | None) -> Purge:
    """Return how much must go: all the way from the drive gear where the strand in it is the wetter one."""
    if tool is None or tool.state is None or tool.state.path_wt_pct is None or tool.forecast is None:
        return "melt-zone"
    path, behind = tool.state.path_wt_pct.p50, tool.forecast.start_wt_pct.p50
    if path is None or behind is None:
        return "melt-zone"
    return "path" if path > max(behind, tool.forecast.limit_good_wt_pct) else "melt-zone"


def file_material(tool: ToolFindings | None) -> "Material | None":
    """Return the material that the slicer's word stands for, where no record names one."""
    if tool is None or tool.material is None:
        return None
    from gcodetool.profiles import of_slicer_type

    return of_slicer_type(tool.material)[0]


def header_place(program: "Program") -> int:
    """Return the byte after the file's header block, or after line 1."""
    end = HEADER_ENDS.get(program.family)
    found = end.search(program.head) if end is not None else None
    if found is not None:
        return found.end()
    return program.head.find(b"\n") + 1


def ascii_only(text: str) -> str:
    """Return *text* as a firmware and any editor can read it: one line of plain ASCII.

    >>> ascii_only("22 °C · ≤ 0.2")
    '22 C - <= 0.2'
    """
    for sign, plain in (
        ("°", ""),
        ("·", "-"),
        ("≤", "<="),
        ("…", "..."),
        ("³", "3"),
        ("×", "x"),
        ("\n", " "),
    ):
        text = text.replace(sign, plain)
    text = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    text = "".join(sign if sign.isprintable() else " " for sign in text)
    return text.replace("gcodetool:", "gcodetool ")  # nothing from outside may look like a region's mark


def comment(text: str, indent: str = "") -> Iterator[str]:
    """Yield *text* as comment lines of at most ``WIDTH`` characters."""
    import textwrap

    for line in textwrap.wrap(
        ascii_only(text),
        WIDTH - 2,
        initial_indent=indent,
        subsequent_indent=indent + ("  " if indent else ""),
    ):
        yield "; " + line


def header(found: JobFindings, block: Block | None, why: str) -> Iterator[str]:
    """Yield the header region: the verdict, each tool's forecast, the block or why there is none."""
    moment = wall(found.as_of_s)
    yield from comment(f"gcodetool {__version__}: filament forecast for a start at {moment}")
    yield from comment(f"verdict: {found.verdict}")
    for line in header_lines(found):
        yield from comment(line)
    for tool in found.tools:
        who = f"T{tool.tool} {tool.spool or 'no spool named'}, {tool.material or 'material unknown'}"
        yield from comment(f"{who}: {tool.verdict.code}: {tool.verdict.because}")
        if tool.verdict.outcomes is not None:
            said = outcomes_sentence(tool.verdict.outcomes, tool.verdict.runs_out_layer)
            yield from comment(said, "  ")
        for line in tool.advice:
            yield from comment(f"to do: {line}", "  ")
        if tool.verdict.start_by_s is not None:
            latest = wall(tool.verdict.start_by_s)
            yield from comment(f"start by: {latest}, the spool left where it is", "  ")
        if tool.feed is not None:
            yield from comment(f"dry feed: {feed_sentence(tool.feed)}", "  ")
        if (
            tool.exposure is not None
            and tool.exposure.safe_s is not None
            and tool.exposure.needed_s is not None
        ):
            yield from comment(
                f"open air: safe {tool.exposure.safe_s / 3600:.1f} h, needed {tool.exposure.needed_s / 3600:.1f} h "
                f"({tool.exposure.air})",
                "  ",
            )
        for tweak in tool.tweaks:
            if tweak.applied is not None and tweak.applied.done:
                continue  # named above
            yield from comment(
                f"may help ({tweak.applied or 'not applied'}): {tweak.setting} {tweak.step}: {tweak.because}",
                "  ",
            )
    for caution in found.cautions:
        yield from comment(f"caution: {caution}")
    yield from comment(f"block: {why}")
    if block is not None and block.lines is not None:
        spool = next((tool.spool for tool in found.tools if tool.tool == block.tool and tool.spool), "ID")
        yield from comment(
            f"then record what was seen: gcodetool spool inspect {spool} --bubbles none|few|many"
        )
    for note in block.cautions if block is not None else ():
        yield from comment(f"block, caution: {note}")


def layer_notes(found: JobFindings) -> Iterator[tuple[int, str]]:
    """Yield (byte offset, text) where the verdict's forecast first passes a limit, per tool."""
    for tool in found.tools:
        forecast = tool.forecast
        if forecast is None:
            continue
        crossings = (
            (tool.verdict.past_good, "marginal", f"good ends near {forecast.limit_good_wt_pct:.3f}"),
            (tool.verdict.past_marginal, "wet", f"marginal ends near {forecast.limit_marginal_wt_pct:.3f}"),
        )
        for past, word, limit in crossings:
            layer = next((each for each in forecast.layers if each.layer == past), None)
            if layer is not None and layer is not forecast.layers[0]:
                yield (
                    layer.offset,
                    f"T{tool.tool} {tool.spool}: from layer {layer.layer} the strand is {word} ({limit} wt %)",
                )
