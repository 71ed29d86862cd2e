"""Tweaks written into a file: which of them, where exactly, and what was left alone.

``prepare --apply`` comes here with the findings of a check; out come the program with its edits, and
the findings with what was done.  The forecast is then made anew for the edited program: deeper
retraction takes time.  Left out: the edits themselves (``temperature``, ``retraction``), files.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from gcodetool.errors import UsageError
from gcodetool.gcode.dialects import Dialect
from gcodetool.gcode.edits import Edit, newline_of
from gcodetool.gcode.program import Program, edited
from gcodetool.gcode.readings import FEATURES
from gcodetool.gcode.values import Numbers
from gcodetool.judge.findings import Application, ExaminedJob, JobFindings, ToolFindings, Tweak
from gcodetool.tweaks import retraction_edits as retraction
from gcodetool.tweaks import temperature_edits as temperature
from gcodetool.tweaks.suggest import FIRST_NOZZLE, NOZZLE, RETRACTION

if TYPE_CHECKING:
    from gcodetool.motion.timeline import Timeline
    from gcodetool.profiles import Printer

WORDS: Final = ("temperature", "retraction")
# Odd lines whose E words are not what they look like.
RETRACTING: Final = frozenset(FEATURES) & {
    "second", "drives", "drives-absolute", "expression", "condition", "exponent", "repeated", "brackets",
    "curve", "bare", "zeros", "macro-file",
}  # fmt: skip
SAME_MM: Final = 1e-5  # net filament before and after, as the scanner's own sums see it
LINES_SHOWN: Final = 6


@dataclass(frozen=True)
class Applied:
    """The program with its edits (none: as it was), and the findings that say what was done."""

    program: Program
    examined: ExaminedJob
    notes: tuple[str, ...]

    @property
    def changed(self) -> bool:
        """Whether anything was written."""
        return bool(self.program.changes)


def words_of(text: str | None) -> frozenset[str]:
    """Return the words of ``--apply``.

    Raises
    ------
    UsageError
        A word that is none.
    """
    listed = frozenset(word.strip() for word in (text or "").split(",") if word.strip())
    wrong = sorted(listed - {*WORDS, "none"})
    if wrong:
        raise UsageError(
            f"--apply '{wrong[0]}' cannot be applied; write {' or '.join(WORDS)}, or both with a comma"
        )
    if "none" in listed and len(listed) > 1:
        raise UsageError("--apply none cannot be combined; leave the other words out")
    return listed - {"none"}


def layers_of(timeline: "Timeline") -> tuple[tuple[int, int], ...]:
    """Return (byte offset, number) of each layer, in file order."""
    found: list[tuple[int, int]] = []
    for offset, layer in zip(timeline.offset.tolist(), timeline.layer.tolist(), strict=True):
        if layer > 0 and (not found or found[-1][1] != layer):
            found.append((offset, layer))
    return tuple(found)


def apply_tweaks(
    program: Program,
    examined: ExaminedJob,
    words: Iterable[str],
    *,
    from_layer: int = 1,
    printer: "Printer | None" = None,
    again: Callable[[Program], ExaminedJob],
) -> Applied:
    """Return *program* with the tweaks of *examined* written into it.

    Parameters
    ----------
    words : of ``WORDS``.
    from_layer : what comes before this layer stays.
    printer : the profile that states the bounds.
    again : examines a program as *examined* was.

    Notes
    -----
    What cannot be written exactly is not written, and the tweak's ``applied`` and the notes say so.
    """
    wanted = frozenset(words)
    said: dict[tuple[int, str], Application] = {}
    changes: list[Edit] = []
    if "temperature" in wanted:
        changes += _temperatures(program, examined, said, from_layer)
    if "retraction" in wanted:
        changes += _retractions(program, examined, said, from_layer, printer)
    changes.sort(key=lambda edit: edit.start)
    done, result = program, examined
    if changes:
        done = _settings_too(edited(program, tuple(changes)), examined, said)
        result = again(done)
        if not _same_filament(examined, result):
            done, result = program, examined
            refused = Application(False, "the filament that the file feeds would not stay the same")
            said = dict.fromkeys(said, refused)
    findings = _with(result.findings, examined.findings, said)
    notes = [f"T{tool} {setting}: {outcome}" for (tool, setting), outcome in said.items() if not outcome.done]
    if wanted and not said:
        notes.append(f"nothing to apply: {_why_not(examined.findings)}")
    return Applied(done, replace(result, findings=findings), tuple(notes))


def _settings_too(
    program: Program, examined: ExaminedJob, said: Mapping[tuple[int, str], Application]
) -> Program:
    """Return *program* with its own targets as they are now; what the slicer printed in the file stays."""
    facts = program.facts

    def now(setting: str, values: Numbers) -> Numbers:
        after = list(values)
        for tool in examined.findings.tools:
            outcome = said.get((tool.tool, setting))
            for tweak in tool.tweaks:
                if tweak.setting == setting and outcome and outcome.done and tool.tool < len(after):
                    after[tool.tool] = tweak.after
        return tuple(after)

    return replace(
        program,
        facts=replace(
            facts,
            other_layer_C=now(NOZZLE, facts.other_layer_C),
            first_layer_C=now(FIRST_NOZZLE, facts.first_layer_C),
            retract_mm=now(RETRACTION, facts.retract_mm),
        ),
    )


def _why_not(found: JobFindings) -> str:
    if any(tool.verdict.code == "adjust" for tool in found.tools):
        return "no setting of those named would help within the stated limits"
    return f"the verdict is {found.verdict}, and settings help only where it is adjust"


def _tweaks(examined: ExaminedJob, word: str) -> list[tuple[ToolFindings, Tweak]]:
    return [(tool, tweak) for tool in examined.findings.tools for tweak in tool.tweaks if tweak.apply == word]


def _temperatures(
    program: Program, examined: ExaminedJob, said: dict[tuple[int, str], Application], from_layer: int
) -> Sequence[Edit]:
    found = _tweaks(examined, "temperature")
    if not found:
        return ()
    timeline = examined.timeline
    if program.facts.config.get("single_extruder_multi_material") == "1" and len(timeline.tools) > 1:
        for tool, tweak in found:
            said[tool.tool, tweak.setting] = Application(
                False, "one nozzle serves several tools, and a word may be meant for either"
            )
        return ()
    wanted: dict[int, dict[float, float]] = {}
    for tool, tweak in found:
        if tweak.before is not None:
            wanted.setdefault(tool.tool, {})[tweak.before] = tweak.after
    done = temperature.temperature_edits(
        timeline.heating,
        wanted,
        layers=layers_of(timeline),
        from_layer=from_layer,
        dialect=program.dialect,
        newline=newline_of(program.head),
    )
    for tool, tweak in found:
        if tweak.before is None:
            continue
        key = tool.tool, tweak.before
        lines = done.lines.get(key, ())
        if tool.tool in done.refused:
            outcome = Application(False, done.refused[tool.tool])
        elif lines or key in done.added:
            shown = ", ".join(map(str, lines[:LINES_SHOWN])) + (", ..." if len(lines) > LINES_SHOWN else "")
            where = f"line{'s' if len(lines) != 1 else ''} {shown}" if lines else ""
            new = f"a new line at layer {done.added[key]}" if key in done.added else ""
            outcome = Application(True, " and ".join(filter(None, (where, new))))
        else:
            where = "" if from_layer <= 1 else f" from layer {from_layer} on"
            outcome = Application(False, f"no line of the file{where} sets {tweak.before:g} °C for this tool")
        said[tool.tool, tweak.setting] = outcome
    return done.edits


def _retractions(
    program: Program,
    examined: ExaminedJob,
    said: dict[tuple[int, str], Application],
    from_layer: int,
    printer: "Printer | None",
) -> Sequence[Edit]:
    found = _tweaks(examined, "retraction")
    most = None if printer is None else printer.retraction.max_length_mm
    if not found or most is None:
        return ()
    timeline = examined.timeline
    wanted = {
        tool.tool: retraction.RetractionChange(
            tweak.before, tweak.after, program.facts.of_tool(tool.tool).diameter_mm or 1.75, most
        )
        for tool, tweak in found
        if tweak.before is not None
    }
    layers = layers_of(timeline)
    unread = next((note.words for note in timeline.odd if note.feature in RETRACTING), None)
    if unread is not None:  # pairs cannot be told there
        done = retraction.RetractionEdits(refused=unread)
    elif program.facts.firmware_retraction:
        done = _reset(program, timeline, wanted, layers, from_layer, printer)
    else:
        done = retraction.retraction_edits(
            program.blocks(),
            program.dialect,
            wanted,
            layers=layers,
            from_layer=from_layer,
            volumetric=program.volumetric_e,
        )
        if not done.edits and not any(done.kept.values()):
            done = _reset(program, timeline, wanted, layers, from_layer, printer)
    for number in wanted:
        said[number, RETRACTION] = _pairs_said(done, number)
    return done.edits


def _pairs_said(done: retraction.RetractionEdits, tool: int) -> Application:
    kept = sorted(done.kept.get(tool, {}).items(), key=lambda item: (-item[1], item[0]))
    others = "; ".join(f"{count} left as they are: {reason}" for reason, count in kept[:3])
    pairs = done.pairs.get(tool, 0)
    if pairs:
        return Application(True, f"{pairs} retractions" + (f"; {others}" if others else ""))
    return Application(False, done.refused or others or "no retraction of that length in these layers")


def _reset(
    program: Program,
    timeline: "Timeline",
    wanted: Mapping[int, retraction.RetractionChange],
    layers: Sequence[tuple[int, int]],
    from_layer: int,
    printer: "Printer | None",
) -> retraction.RetractionEdits:
    """Lengthen the firmware's own retraction, where it is sure that the machine has it."""
    if program.fork or not program.dialect_sure:
        return retraction.RetractionEdits(
            refused="which firmware retracts is not sure; name the printer with --printer"
        )
    if program.dialect == Dialect.KLIPPER and (
        printer is None or printer.klipper_firmware_retraction is None
    ):
        return retraction.RetractionEdits(refused="the printer's profile states no firmware retraction")
    return retraction.firmware_retraction_edits(
        program.blocks(),
        program.dialect,
        next(iter(wanted.values())),
        tools=timeline.tools,
        layers=layers,
        from_layer=from_layer,
        newline=newline_of(program.head),
    )


def _same_filament(before: ExaminedJob, after: ExaminedJob) -> bool:
    return before.timeline.tools == after.timeline.tools and all(
        abs(before.timeline.filament_mm(tool) - after.timeline.filament_mm(tool)) <= SAME_MM
        for tool in before.timeline.tools
    )


def _with(
    found: JobFindings, before: JobFindings, said: Mapping[tuple[int, str], Application]
) -> JobFindings:
    """Return the new findings with the tweaks of the first check: they speak of the file as it was."""
    first = {tool.tool: tool for tool in before.tools}
    tools = tuple(
        replace(
            tool,
            tweaks=tuple(
                replace(tweak, applied=said.get((tool.tool, tweak.setting)))
                for tweak in first[tool.tool].tweaks
            ),
        )
        for tool in found.tools
    )
    return replace(found, tools=tools)
