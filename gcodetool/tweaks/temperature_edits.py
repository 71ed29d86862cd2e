"""Nozzle temperatures in a file: words equal to a tool's own targets, and no others.

Left alone: 0, probing, flushing and standby values, beds, and whatever a macro does by itself.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from gcodetool.gcode.dialects import Dialect
from gcodetool.gcode.edits import Edit
from gcodetool.tweaks.tool_demands import in_force

if TYPE_CHECKING:
    from gcodetool.motion.timeline import Heating


@dataclass(frozen=True)
class TemperatureEdits:
    """Edits, and per tool and old target the lines that were changed, by number."""

    edits: tuple[Edit, ...] = ()
    lines: Mapping[tuple[int, float], tuple[int, ...]] = field(default_factory=dict)
    added: Mapping[tuple[int, float], int] = field(default_factory=dict)  # layer
    refused: Mapping[int, str] = field(default_factory=dict)  # tool: why nothing was changed


def temperature_edits(
    heating: "Sequence[Heating]",
    wanted: Mapping[int, Mapping[float, float]],
    *,
    layers: Sequence[tuple[int, int]],
    from_layer: int = 1,
    dialect: Dialect = Dialect.MARLIN,
    newline: bytes = b"\n",
) -> TemperatureEdits:
    """Return the edits that put new targets in place of old ones.

    Parameters
    ----------
    heating : each line that names a nozzle temperature.
    wanted : tool → old target → new target. [°C]
    layers : (byte offset, number) of each layer, in file order.
    from_layer : 1, the start included; from a later layer on, words before it stay, and a target that
        is in force there is set anew where that layer begins.
    """
    edits: list[Edit] = []
    lines: dict[tuple[int, float], list[int]] = {}
    added: dict[tuple[int, float], int] = {}
    refused: dict[int, str] = {}
    start = (
        0 if from_layer <= 1 else next((offset for offset, number in layers if number == from_layer), None)
    )
    if start is None:
        return TemperatureEdits(refused=dict.fromkeys(wanted, f"there is no layer {from_layer}"))
    for each in heating:
        target, table = each.target, wanted.get(each.target.tool, {})
        if each.offset < start or target.tool in refused:
            continue
        after = table.get(target.celsius)
        if after is None:
            if target.kind == "at-least" and any(new < target.celsius <= old for old, new in table.items()):
                refused[target.tool] = f"line {each.line} waits for at least {target.celsius:g} °C"
            continue
        at = each.offset + target.start
        edits.append(
            Edit(
                at,
                each.offset + target.stop,
                f"{after:g}".encode(),
                f"T{target.tool} nozzle: {target.celsius:g} to {after:g} °C",
            )
        )
        said = lines.setdefault((target.tool, target.celsius), [])
        if each.line not in said:
            said.append(each.line)
    for tool, table in sorted(wanted.items()) if start else ():
        now = in_force(heating, tool, start)
        if now is None or now not in table or tool in refused:
            continue
        word = f"M104 T{tool} S{table[now]:g}" if len(wanted) > 1 or tool else f"M104 S{table[now]:g}"
        if dialect == Dialect.REPRAPFIRMWARE:
            word = f"G10 P{tool} S{table[now]:g}"
        reason = f"T{tool} nozzle: {now:g} to {table[now]:g} °C"
        edits.append(Edit(start, start, word.encode() + newline, reason))
        added[tool, now] = from_layer
    if refused:
        marks = tuple(f"T{tool} " for tool in refused)
        edits = [edit for edit in edits if not edit.reason.startswith(marks)]
    edits.sort(key=lambda edit: edit.start)
    return TemperatureEdits(
        tuple(edits),
        {key: tuple(each) for key, each in lines.items() if key[0] not in refused},
        added,
        refused,
    )
