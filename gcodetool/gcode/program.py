"""A sliced file as a program: what it is, and a walk through its lines.

A path becomes a :class:`Program`: family, dialect and facts, read from both ends of the file.
:func:`walk` then passes the whole text through the scanner, block by block, in bounded memory.

Left out: what the moves take (``motion``), where a block may go (``anchor``).
"""

import functools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from gcodetool.gcode import dialects, edits, markers
from gcodetool.gcode.dialects import Dialect
from gcodetool.gcode.markers import Family, SlicerFacts
from gcodetool.gcode.rows import Rows
from gcodetool.gcode.source import Source, sniff
from gcodetool.quickdata import dataclass
from gcodetool.quickpattern import compiled

if TYPE_CHECKING:
    from gcodetool.gcode.scan import Scanner

FIRST_LINES: Final = 64  # some signatures count only among these
MOVES: Final = compiled(rb"\n(?:G[01] [^\n]*\n)+(?=G[01] )")  # of a run, all but the last


@dataclass(frozen=True)
class Program:
    """A readable G-code file and what both its ends say.

    Attributes
    ----------
    path : where it is.
    size : bytes on disk.
    family : slicer family, by its visible marks.
    dialect, dialect_reason, dialect_sure : whose rules it is read by, why, and whether that is settled.
    fork : it is for a closed fork of Marlin, whose own commands are unknown here.
    layer_marks : the scanner's code of the layer marks to count; 0: rises of Z with filament.
    facts : what the slicer wrote down.
    head, tail : first and last part of the text.
    source : the file itself.
    changes : edits to read the text with, by :func:`edited`.
    """

    path: Path
    size: int
    family: Family
    dialect: Dialect
    dialect_reason: str
    dialect_sure: bool
    fork: bool
    layer_marks: int
    facts: SlicerFacts = field(repr=False)
    head: bytes = field(repr=False)
    tail: bytes = field(repr=False)
    source: Source = field(repr=False)
    changes: tuple[edits.Edit, ...] = field(default=(), repr=False)

    def blocks(self) -> Iterator[bytes]:
        """Yield the text in blocks of about 1 MiB that end at line ends.

        What an earlier ``prepare`` inserted is left out: a prepared file reads as the one it was.
        """
        text = self._read(self.source.blocks())
        return edits.whole_lines(text) if self.changes else text

    def packed(self, inserts: Sequence[edits.Edit], form: str) -> Iterator[bytes]:
        """Yield the file with *inserts*, which count in bytes of :meth:`blocks`, as ``Source.packed`` does."""
        return self.source.packed(lambda blocks: edits.apply(self._read(blocks), inserts), form)

    def _read(self, blocks: Iterator[bytes]) -> Iterator[bytes]:
        """Yield what the file's text in *blocks* reads as: without regions, with this program's changes."""
        text = edits.strip_regions(blocks, name=str(self.path), lines_before=self._lines_before)
        return edits.apply(text, self.changes) if self.changes else text

    def _lines_before(self, size: int) -> int:
        """Return how many lines end in the first *size* bytes of the text, regions included."""
        count = 0
        for block in self.source.blocks():
            if size <= 0:
                break
            count += block[:size].count(b"\n")
            size -= len(block)
        return count

    @functools.cached_property
    def sha256(self) -> str:
        """Digest of the bytes on disk, which are those that were read."""
        found = self.source.sha256()
        self.source.same_file()
        return found

    @property
    def known_family(self) -> str | None:
        """The slicer family as reports name it; None where it is not known."""
        return None if self.family is Family.UNKNOWN else self.family.value

    @property
    def volumetric_e(self) -> bool:
        """E words are mm³ from the first line on: the settings say so, and the firmware can count volumes."""
        return bool(self.facts.volumetric_e) and self.dialect != Dialect.KLIPPER

    def stated_diameter_mm(self, tool: int) -> float | None:
        """Return the diameter of *tool*'s filament as the file states it, for all tools where it states one."""
        stated = self.facts.diameters_mm
        return stated[tool if tool < len(stated) else 0] if stated else None

    def scanner(self, diameters_mm: float | Mapping[int, float] | None = None) -> "Scanner":
        """Return a scanner at the start of this program, its E words in the unit that they have there.

        Parameters
        ----------
        diameters_mm : of the spools, for all tools or by tool: a volume is that of the filament which the file
            states, of the spool's where it states none, else of 1.75 mm.
        """
        from gcodetool.gcode.scan import Scanner

        scanner = Scanner(int(self.dialect), self.layer_marks)
        scanner.volumetric = int(self.volumetric_e)
        for tool in range(len(scanner.diameters)):
            given = diameters_mm.get(tool) if isinstance(diameters_mm, Mapping) else diameters_mm
            scanner.diameters[tool] = self.stated_diameter_mm(tool) or given or scanner.diameters[tool]
        return scanner


def read(
    path: Path | str,
    *,
    dialect: Dialect | str | None = None,
    handed: Mapping[str, str] | None = None,
) -> Program:
    """Return the program in the file *path*.

    Parameters
    ----------
    path : G-code as plain text, packed by gzip or xz, as the one plate of a zip container, or binary; any name.
    dialect : what the printer's profile says, if there is one; it outranks the file.
    handed : settings that the slicer handed over to its step; they count where the file is silent.

    Raises
    ------
    GcodeError
        Missing, empty, damaged, unreadable, or no G-code as text.
    KeyError
        *dialect* names none.
    """
    opened = sniff(path)
    head, tail = edits.without_regions(opened.head), edits.without_regions(opened.tail)
    top, end = thinned(head), thinned(tail)
    if opened.stated is not None:
        top, end = opened.stated.above + top, end + opened.stated.below
        handed = {**(handed or {}), **opened.stated.settings}
    family = markers.family(top, end)
    facts = markers.facts(top, end, family, handed=handed)
    found = dialects.detect(top, end, facts, setting=dialect)
    return Program(
        path=opened.path,
        size=opened.size,
        family=family,
        dialect=found.dialect,
        dialect_reason=found.reason,
        dialect_sure=found.sure,
        fork=found.fork,
        layer_marks=markers.layer_marks(family, top, end),
        facts=facts,
        head=head,
        tail=tail,
        source=opened,
    )


def edited(program: Program, changes: "tuple[edits.Edit, ...]") -> Program:
    """Return *program* as it reads with *changes* made: the text and its head; the settings stay.

    Parameters
    ----------
    changes : sorted, in bytes of the text without regions.
    """
    head = program.head
    early = tuple(edit for edit in changes if edit.stop <= len(head))
    return replace(program, head=b"".join(edits.apply([head], early)), changes=changes)


def thinned(part: bytes) -> bytes:
    r"""Return *part* with each run of plain moves cut down to its last: all else that it says stays.

    What looks for signatures and settings would spend most of its time in moves.  The first lines stay
    whole, for what is only looked for there.

    >>> thinned(b"\n" * 64 + b"G1 X1\nG1 X2\nG1 X3\n;LAYER_CHANGE\n")[64:]
    b'G1 X3\n;LAYER_CHANGE\n'
    """
    at = 0
    for _ in range(FIRST_LINES):
        at = part.find(b"\n", at) + 1
        if at == 0:
            return part
    return part[: at - 1] + MOVES.sub(b"\n", part[at - 1 :])


def walk(
    program: Program,
    rows: Rows | None = None,
    *,
    scanner: "Scanner | None" = None,
    stop: int | None = None,
    blocks: Iterable[bytes] | None = None,
) -> Iterator[tuple["Scanner", bytes, Rows]]:
    """Yield (scanner, block, rows) through the program, in order; *rows* is refilled each time.

    ``scanner.offset`` is the place of the block's first byte in the text, so the line of row *k* is
    ``rows.text(k, block, scanner.offset)``.  After the last one ``scanner.line`` is the number of lines and
    ``scanner.offset`` the number of bytes.

    Parameters
    ----------
    rows : the block of rows to fill; a new one if left out.
    scanner : a scanner to go on with; ``program.scanner()`` if left out.
    stop : byte offset of a line's start to stop before; the scanner then holds the state there.
    blocks : the text to go through, cut at line ends; the program's own if left out.
    """
    scanner = program.scanner() if scanner is None else scanner
    rows = Rows() if rows is None else rows
    for block in program.blocks() if blocks is None else blocks:
        part = block
        if stop is not None and scanner.offset + len(block) > stop:
            part = block[: stop - scanner.offset]
        at = 0
        while at < len(part):
            at = scanner.fill(part, at, rows)
            yield scanner, part, rows
        scanner.offset += len(part)
        if stop is not None and scanner.offset >= stop:
            return
