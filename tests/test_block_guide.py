"""docs/the-block.md explains each line of a block made from a real sample, and nothing else."""

import pathlib
import re
from dataclasses import replace

from gcodetool.block import block as blocks
from gcodetool.block.block import block_for
from gcodetool.gcode.anchor import find_anchor
from gcodetool.gcode.dialects import Dialect
from gcodetool.gcode.program import read

GUIDE = pathlib.Path(__file__).parent.parent / "docs" / "the-block.md"


def documented(dialect, *, prompts=None):
    """The lines that the guide's own command writes, for a printer of *dialect* (None: as named)."""
    from gcodetool import profiles
    from gcodetool.motion.timing import build_timeline

    text = GUIDE.read_text(encoding="utf-8").split("## Each line")[1].split("## ")[0]
    named = re.search(r"(tests/data/\S+) --printer (\S+)", text)
    printer = replace(profiles.printer(named[2]), host_prompts=prompts)
    program = read(GUIDE.parent.parent / named[1], dialect=dialect or printer.dialect)
    anchor = find_anchor(program)
    low_box = build_timeline(program, printer=printer, watch=(anchor.offset, blocks.WATCH_Z_MM)).low_box
    return block_for(
        program, anchor, printer=printer, nozzle_min_C=None, diameter_mm=None, low_box=low_box
    ).lines


def test_the_documented_block_is_the_one_that_is_made():
    """docs/the-block.md explains line by line what its command writes."""
    text = GUIDE.read_text(encoding="utf-8").split("## Each line")[1].split("## ")[0]
    assert list(documented(None)) == re.findall(r"^\| `([^`]+)` \|", text, re.MULTILINE)


def test_the_documented_differences_are_those_that_are_made():
    """Each cell of the table of dialects is a line of that dialect's block, and no line is left out."""
    text = GUIDE.read_text(encoding="utf-8").split("## The same in the other dialects")[1].split("## ")[0]
    rows = [
        [cell.strip(" `") for cell in row.split("|")[1:4]]
        for row in re.findall(r"^\| [`\u2013].*", text, re.MULTILINE)
    ]
    made = [documented(dialect) for dialect in (Dialect.MARLIN, Dialect.KLIPPER, Dialect.REPRAPFIRMWARE)]
    assert len(rows) == 8
    for row in rows:
        for cell, lines in zip(row, made, strict=True):
            assert cell == "\u2013" or cell in lines

    def kinds(lines):
        return {re.match(r"(?:G1 [A-Z]-?|\S+)", line)[0] for line in lines}

    explained = kinds(made[0]) | {re.match(r"\S+", cell)[0] for row in rows for cell in row}
    for lines in made[1:]:
        assert kinds(lines) <= explained


def test_the_documented_dialogs_are_those_that_are_made():
    """Each table's lines stand in that dialect's block, in a row."""
    text = GUIDE.read_text(encoding="utf-8").split("## At the print host")[1].split("## ")[0]
    for dialect in (Dialect.KLIPPER, Dialect.MARLIN):
        table = text.split(f"| {dialect.name.capitalize()} | why |")[1].split("\n\n")[0]
        rows = [row.replace("\\|", "|") for row in re.findall(r"^\| `([^`]+)` \| ", table, re.MULTILINE)]
        assert len(rows) >= 4
        lines = documented(dialect, prompts=True)
        at = lines.index(rows[0])
        assert list(lines[at : at + len(rows)]) == rows
        assert sum("action:" in line for line in lines) == sum("action:" in row for row in rows)
